"""Where the product went: what is left of theory at each checkpoint, and what each stretch lost, in one run and in all."""

from __future__ import annotations

from textwrap import wrap
from typing import Any

import plotly.graph_objects as go

from server.charts.style import ACCENT, BAND, INK, QUIET, styled
from server.core.chemistry.balance import MassBalance
from server.core.model.stagewise import StageByStage
from server.core.space.units import plain
from server.core.space.variables import STAGE_WORDS

# Names beside bars leave room for the bars on a phone. [characters]
_WIDEST = 18


def stage_recoveries(balance: MassBalance) -> dict[str, Any]:
    """Draw one bar per checkpoint: solid for product present, pale for what the stretch before it lost, both told beside it."""
    first = balance.stages[0]
    names = [first.from_name, *[s.to_name for s in balance.stages]]
    present = [first.start_g, *[s.end_g for s in balance.stages]]
    lost = [0.0, *[max(s.lost_g, 0.0) for s in balance.stages]]
    labels = []
    for k, (name, left, gone) in enumerate(zip(names, present, lost, strict=True)):
        # Bars with the same name would be put on top of each other.
        told = f"{name} ({names[: k + 1].count(name)})" if names.count(name) > 1 else name
        grams = f"{plain(left, 3)} g" + (f" (−{plain(gone, 3)} g)" if gone > 0 else "")
        labels.append("<br>".join([*wrap(told, _WIDEST), grams]))
    figure = go.Figure()
    figure.add_trace(go.Bar(y=labels, x=present, orientation="h", marker={"color": ACCENT}, hoverinfo="skip"))
    pale = {"color": BAND, "line": {"color": INK, "width": 1}, "pattern": {"shape": "/"}}
    figure.add_trace(go.Bar(y=labels, x=lost, orientation="h", marker=pale, hoverinfo="skip"))
    figure.update_layout(barmode="stack")
    lines = sum(label.count("<br>") + 1 for label in labels)
    result = styled(figure, x_title="product / g", y_title="", height=90 + 16 * len(labels) + 18 * lines)
    result["layout"]["yaxis"].update(autorange="reversed")
    return result


def ways_of_the_product(found: StageByStage, working: int | None) -> dict[str, Any]:
    """Draw one line per run from theory to the isolated product, the working recipe as a thick one.

    Parameters
    ----------
    found : StageByStage
    working : int or None
        Number of the run of the working recipe.
    """
    figure = go.Figure()
    labels = ["theory", *[STAGE_WORDS[s] for s in found.stations], "isolated"]
    for way in sorted(found.ways, key=lambda w: w.number == working):
        marks = [100.0, *[way.left.get(s) for s in found.stations], way.percent]
        known = [(label, mark) for label, mark in zip(labels, marks, strict=True) if mark]
        is_working = way.number == working
        figure.add_trace(
            go.Scatter(
                x=[label for label, _ in known],
                y=[mark for _, mark in known],
                mode="lines+markers",
                line={"color": ACCENT if is_working else QUIET, "width": 4 if is_working else 1.5},
                marker={"symbol": "diamond" if is_working else "circle", "size": 11 if is_working else 6},
                hovertemplate=f"run {way.number}, %{{x}}: %{{y:.1f}} %<extra></extra>",
            )
        )
    last = sorted(found.ways, key=lambda w: w.percent)
    for way in {last[0].number: last[0], last[-1].number: last[-1]}.values():
        figure.add_annotation(
            x=labels[-1], y=way.percent, text=f"run {way.number}", xanchor="left", xshift=10, showarrow=False, font={"size": 12}
        )
    result = styled(figure, x_title="at the end of", y_title="product / % of theory", height=360)
    result["layout"]["yaxis"].update(rangemode="tozero")
    result["layout"]["xaxis"].update(categoryorder="array", categoryarray=labels, range=[-0.3, len(labels) - 0.4])
    return result
