"""Response curves: mean line, half and nine-tenths bands, runs as points; solid where tried, dotted beyond."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from server.charts.style import ACCENT, BAND, DEEP, INK, PAPER, QUIET, styled
from server.core.model.curves import Curve, Pair

# Names of options stand level where all of them, by their longest word, have room beside one another. [characters]
_ABREAST = 40


def _symbols(failed: Sequence[bool]) -> list[str]:
    """Discs for runs, crosses for failed ones."""
    return ["x" if one else "circle" for one in failed]


def response_curve_figure(
    curve: Curve, run_values: Sequence[float | str], run_yields: Sequence[float], failed: Sequence[bool]
) -> dict[str, Any]:
    """Draw the curve of one variable; ``run_values`` in its unit, ``failed`` says which runs did."""
    v = curve.variable
    figure = go.Figure()
    if v.is_choice:
        for k, label in enumerate(curve.labels):
            # A thick line of dots would look like points: untried, the thick bar is pale instead.
            thin, thick = ("solid", 1.0) if curve.tried[k] else ("dot", 0.5)
            for low, high, width, dash, opacity in (
                (curve.low_90[k], curve.high_90[k], 2, thin, 1.0),
                (curve.low_50[k], curve.high_50[k], 8, "solid", thick),
            ):
                figure.add_trace(
                    go.Scatter(
                        x=[label, label],
                        y=[float(low), float(high)],
                        mode="lines",
                        line={"color": ACCENT if curve.tried[k] else QUIET, "width": width, "dash": dash},
                        opacity=opacity,
                        hoverinfo="skip",
                    )
                )
    else:
        x = curve.values.tolist()
        for low, high, opacity in ((curve.low_90, curve.high_90, 0.45), (curve.low_50, curve.high_50, 1.0)):
            figure.add_trace(
                go.Scatter(
                    x=x + x[::-1],
                    y=high.tolist() + low.tolist()[::-1],
                    fill="toself",
                    mode="lines",
                    line={"width": 0, "color": BAND},
                    fillcolor=BAND,
                    opacity=opacity,
                    hoverinfo="skip",
                )
            )
        inside = np.where(curve.tried, curve.mean, np.nan)
        for mean, dash in ((inside, "solid"), (curve.mean, "dot")):
            figure.add_trace(
                go.Scatter(
                    x=x,
                    y=[None if np.isnan(m) else float(m) for m in mean],
                    mode="lines",
                    line={"color": ACCENT, "width": 3 if dash == "solid" else 2, "dash": dash},
                    hovertemplate="%{x:.4g}: %{y:.1f} %<extra></extra>",
                )
            )
    figure.add_trace(
        go.Scatter(
            x=list(run_values),
            y=list(run_yields),
            mode="markers",
            marker={"symbol": _symbols(failed), "size": 8, "color": INK},
            hovertemplate="run: %{x}, %{y:.1f} %<extra></extra>",
        )
    )
    drawn = styled(figure, x_title=f"{v.name} / {v.unit}" if v.unit else v.name, y_title="yield / %", height=280)
    if v.is_choice:
        # Half a place beyond the first and the last option, so that neither is cut off.
        # Options that are called 100 and 230 are names all the same.
        drawn["layout"]["xaxis"].update(type="category", range=[-0.5, len(curve.labels) - 0.5])
        if len(curve.labels) * max(len(word) for label in curve.labels for word in label.split() or [""]) <= _ABREAST:
            # Level, a word a line: slanted names take half of a small picture.
            lines = ["<br>".join(label.split()) for label in curve.labels]
            drawn["layout"]["xaxis"].update(
                tickmode="array", tickvals=list(curve.labels), ticktext=lines, tickangle=0, tickfont={"size": 11}
            )
    return drawn


def pair_figure(pair: Pair, runs: Sequence[tuple[float, float, float, bool]]) -> dict[str, Any]:
    """Draw the expected yield over two variables; untested ground is hatched.

    ``runs`` are (first, second, yield, whether it failed).
    """
    figure = go.Figure()
    figure.add_trace(
        go.Contour(
            x=pair.first_values.tolist(),
            y=pair.second_values.tolist(),
            z=[
                [None if off else value for value, off in zip(*line, strict=True)]
                for line in zip(pair.mean.tolist(), pair.forbidden.tolist(), strict=True)
            ],
            colorscale=[[0.0, PAPER], [1.0, DEEP]],
            contours={"showlabels": True, "labelfont": {"size": 12, "color": INK}},
            line={"color": QUIET, "width": 1},
            showscale=False,
            hovertemplate="%{x:.4g}, %{y:.4g}: %{z:.1f} %<extra></extra>",
        )
    )
    rows, columns = np.nonzero(pair.untested & ~pair.forbidden)
    figure.add_trace(
        go.Scatter(
            x=pair.first_values[columns].tolist(),
            y=pair.second_values[rows].tolist(),
            mode="markers",
            marker={"symbol": "line-ne-open", "size": 11, "color": QUIET, "line": {"width": 1.2, "color": QUIET}},
            hoverinfo="skip",
        )
    )
    # Runs that lie on one another share their words; failed ones have their own, below.
    for kind, position in ((False, "top center"), (True, "bottom center")):
        places: dict[tuple[float, float], list[float]] = {}
        for first, second, value, has_failed in runs:
            if has_failed == kind:
                places.setdefault((round(first, 9), round(second, 9)), []).append(value)
        if not places:
            continue
        figure.add_trace(
            go.Scatter(
                x=[place[0] for place in places],
                y=[place[1] for place in places],
                text=[", ".join(f"{value:.0f}" for value in values) for values in places.values()],
                mode="markers+text",
                textposition=position,
                marker={"symbol": _symbols([kind] * len(places)), "size": 9 + 5 * kind, "color": INK},
                hoverinfo="skip",
            )
        )
    a, b = pair.first, pair.second
    return styled(
        figure,
        x_title=f"{a.name} / {a.unit}" if a.unit else a.name,
        y_title=f"{b.name} / {b.unit}" if b.unit else b.name,
        height=420,
    )


def unseen_figure(
    numbers: Sequence[int], observed: Sequence[float], mean: Sequence[float], sd: Sequence[float], failed: Sequence[bool]
) -> dict[str, Any]:
    """Draw every run against its forecast from the other runs, with 90 % bars; the line is agreement, crosses failed."""
    figure = go.Figure()
    ends = [min([*observed, *mean, 0.0]), max([*observed, *mean, 100.0])]
    figure.add_trace(go.Scatter(x=ends, y=ends, mode="lines", line={"color": QUIET, "width": 1.5}, hoverinfo="skip"))
    figure.add_trace(
        go.Scatter(
            x=list(mean),
            y=list(observed),
            error_x={
                # Cut at 0 and 100, where yields end.
                "type": "data",
                "symmetric": False,
                "array": [max(min(1.645 * s, 100.0 - m), 0.0) for m, s in zip(mean, sd, strict=True)],
                "arrayminus": [max(min(1.645 * s, m), 0.0) for m, s in zip(mean, sd, strict=True)],
                "color": QUIET,
                "thickness": 1.2,
                "width": 3,
            },
            mode="markers+text",
            text=[str(n) for n in numbers],
            textposition="top center",
            marker={"symbol": _symbols(failed), "size": 9, "color": INK},
            hovertemplate="run %{text}: forecast %{x:.1f} %, observed %{y:.1f} %<extra></extra>",
        )
    )
    return styled(figure, x_title="forecast from the other runs / %", y_title="observed yield / %", height=360)
