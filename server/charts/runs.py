"""Yield over runs: every attempt, the best so far as a stair, the aim and the literature value as lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go

from server.charts.style import ACCENT, BAND, INK, QUIET, count_runs, styled


@dataclass(frozen=True)
class RunPoint:
    """One run in the figure. Yields in %; ``kind`` is counted, failure, excluded or forecast.

    ``is_doubtful`` says that it cannot have been all product, so that it is no best so far.
    """

    number: int
    percent: float
    u: float
    kind: str
    low: float | None = None
    high: float | None = None
    is_doubtful: bool = False


def yield_over_runs(
    points: Sequence[RunPoint], *, best: int | None, aim: float | None, literature: float | None
) -> dict[str, Any]:
    """Draw the figure.

    Parameters
    ----------
    points : sequence of RunPoint
    best : int or None
        Number of the run to mark as the best.
    aim, literature : float or None
        [%]
    """
    figure = go.Figure()
    counted = [p for p in points if p.kind in ("counted", "failure")]
    stair_x, stair_y, top = [], [], 0.0
    for p in counted:
        top = top if p.is_doubtful else max(top, p.percent)
        stair_x.append(p.number)
        stair_y.append(top)
    figure.add_trace(
        go.Scatter(x=stair_x, y=stair_y, mode="lines", line={"shape": "hv", "color": BAND, "width": 6}, hoverinfo="skip")
    )
    for kind, symbol, fill, label in (
        ("counted", "circle", INK, "run"),
        ("failure", "x", INK, "failed run"),
        ("excluded", "circle-open", QUIET, "excluded run"),
    ):
        chosen = [p for p in points if p.kind == kind and p.number != best]
        _add(figure, chosen, symbol, fill, label, 9)
    _add(figure, [p for p in points if p.number == best], "diamond", ACCENT, "best run", 14)
    for p in points:
        if p.kind == "forecast" and p.low is not None and p.high is not None:
            figure.add_trace(
                go.Scatter(
                    x=[p.number, p.number],
                    y=[p.low, p.high],
                    mode="lines+markers",
                    line={"color": ACCENT, "width": 2, "dash": "dot"},
                    marker={"symbol": "line-ew-open", "size": 12, "color": ACCENT},
                    hovertemplate=f"planned run {p.number}, forecast %{{y:.1f}} %<extra></extra>",
                )
            )
    said = [f"◆ best: {p.percent:.1f} %" for p in points if p.number == best]
    lines = []
    for value, words, dash, sample in ((aim, "aim", "solid", "──"), (literature, "literature", "dash", "╌╌")):
        if value is not None:
            figure.add_hline(y=value, line={"color": QUIET, "width": 1.5, "dash": dash})
            lines.append(f"{sample} {words} {value:g} %")
    if lines:
        said.append("   ".join(lines))
    if said:
        # Above the plot, where no run can lie.
        place = {"xref": "paper", "yref": "paper", "x": 0, "y": 1, "xanchor": "left", "yanchor": "bottom", "align": "left"}
        figure.add_annotation(text="<br>".join(said), showarrow=False, font={"color": INK, "size": 12}, **place)
    numbers = [p.number for p in points] or [1]
    tallest = max([p.percent + p.u for p in points] + [aim or 0.0, literature or 0.0, 10.0])
    result = styled(figure, x_title="run number", y_title="yield / %")
    if said:
        result["layout"]["margin"].update(t=14 + 16 * len(said))
    result["layout"]["xaxis"].update(range=[min(numbers) - 0.6, max(numbers) + 0.6])
    count_runs(result, numbers)
    # A cross at 0 % is not cut in half.
    result["layout"]["yaxis"].update(range=[-4.0, max(105.0, tallest + 5.0)])
    return result


def _add(figure: go.Figure, points: Sequence[RunPoint], symbol: str, colour: str, label: str, size: int) -> None:
    if not points:
        return
    figure.add_trace(
        go.Scatter(
            x=[p.number for p in points],
            y=[p.percent for p in points],
            error_y={"type": "data", "array": [p.u for p in points], "color": colour, "thickness": 1.5, "width": 4},
            mode="markers",
            marker={"symbol": symbol, "size": size, "color": colour},
            hovertemplate=f"{label} %{{x}}: %{{y:.1f}} %<extra></extra>",
        )
    )
