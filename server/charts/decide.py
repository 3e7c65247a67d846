"""Trade-offs and the forecast record."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import plotly.graph_objects as go

from server.charts.style import ACCENT, DEEP, INK, PAPER, QUIET, count_runs, styled
from server.core.choose.record import Outcome
from server.core.choose.tradeoffs import Front


def front_figure(front: Front, pending: Sequence[tuple[int, float, float]]) -> dict[str, Any]:
    """Expected yield against a burden: the front with its 50 % ranges, the runs, and planned runs.

    Parameters
    ----------
    pending : sequence of (run number, burden, forecast)
        [unit of the burden, %]
    """
    figure = go.Figure()
    x = [p.burden for p in front.points]
    figure.add_trace(
        go.Scatter(
            x=x,
            y=[p.forecast.mean for p in front.points],
            error_y={
                "type": "data",
                "symmetric": False,
                "array": [max(p.forecast.high_50 - p.forecast.mean, 0.0) for p in front.points],
                "arrayminus": [max(p.forecast.mean - p.forecast.low_50, 0.0) for p in front.points],
                "color": DEEP,
                "thickness": 5,
                "width": 0,
            },
            mode="lines+markers",
            line={"color": ACCENT, "width": 2, "shape": "hv"},
            marker={"symbol": "square", "size": 7, "color": ACCENT},
            hovertemplate="%{x:.3g}: %{y:.1f} % expected<extra></extra>",
        )
    )
    usual = [one for one in front.runs if one[0] not in front.failed]
    failed = [one for one in front.runs if one[0] in front.failed]
    marks = ((usual, "circle", "run"), (failed, "x", "failed run"), (pending, "star-diamond-open", "planned run"))
    for points, symbol, label in marks:
        if points:
            figure.add_trace(
                go.Scatter(
                    x=[b for _, b, _ in points],
                    y=[y for _, _, y in points],
                    customdata=[n for n, _, _ in points],
                    mode="markers",
                    marker={"symbol": symbol, "size": 10, "color": INK, "line": {"color": PAPER, "width": 1}},
                    hovertemplate=f"{label} %{{customdata}}: %{{y:.1f}} %<extra></extra>",
                )
            )
    title = front.burden.name + (f" / {front.burden.unit}" if front.burden.unit else "")
    return styled(figure, x_title=title, y_title="yield / %")


def record_figure(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Per run the 50 % and 90 % range that was forecast, and the yield that came."""
    figure = go.Figure()
    for o in outcomes:
        for low, high, width, colour in ((o.low_90, o.high_90, 3, QUIET), (o.low_50, o.high_50, 11, DEEP)):
            figure.add_trace(
                go.Scatter(
                    x=[o.run_number, o.run_number],
                    y=[low, high],
                    mode="lines",
                    line={"color": colour, "width": width},
                    hovertemplate=f"run {o.run_number}, forecast %{{y:.1f}} %<extra></extra>",
                )
            )
    for inside, symbol in ((True, "circle"), (False, "square-open")):
        chosen = [o for o in outcomes if o.in_90 is inside]
        if chosen:
            figure.add_trace(
                go.Scatter(
                    x=[o.run_number for o in chosen],
                    y=[o.observed for o in chosen],
                    mode="markers",
                    marker={"symbol": symbol, "size": 11, "color": INK},
                    hovertemplate="run %{x}: %{y:.1f} %<extra></extra>",
                )
            )
    result = styled(figure, x_title="run number", y_title="yield / %")
    count_runs(result, [o.run_number for o in outcomes])
    return result
