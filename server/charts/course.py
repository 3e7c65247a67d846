"""Readings of one run with the fitted curve, and rates against temperature."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import plotly.graph_objects as go

from server.charts.style import ACCENT, DEEP, INK, PAPER, QUIET, styled
from server.core.course.advice import Course
from server.core.course.arrhenius import Arrhenius
from server.core.space.variables import FloatArray


def course_figure(hours: FloatArray, values: FloatArray, unit: str, label: str, course: Course | None) -> dict[str, Any]:
    """Readings as points; the fit as a line, dotted beyond the last reading; times that matter as lines.

    Parameters
    ----------
    hours, values : ndarray of shape (n,)
        What is shown. [h], [unit]
    """
    figure = go.Figure()
    last = float(hours.max())
    if course is not None:
        advice = course.advice
        end = last * 1.05
        marks = [r.value for r in (advice.to_95, advice.to_99, advice.best) if r is not None]
        if marks:
            end = max(end, min(max(marks) * 1.05, 2.0 * last))
        for low, high, dash in ((0.0, last, "solid"), (last, end, "dot")):
            x = np.linspace(low, high, 80)
            figure.add_trace(
                go.Scatter(
                    x=x.tolist(),
                    y=course.fit.at(x).tolist(),
                    mode="lines",
                    line={"color": ACCENT, "width": 2.5, "dash": dash},
                    hoverinfo="skip",
                )
            )
        for found, words in ((advice.to_95, "95 %"), (advice.to_99, "99 %"), (advice.best, "best")):
            if found is None or found.value > end:
                continue
            if found.low is not None and found.high is not None:
                figure.add_vrect(x0=found.low, x1=min(found.high, end), line_width=0, fillcolor=DEEP, opacity=0.35, layer="below")
            figure.add_vline(
                x=found.value,
                line={"color": QUIET, "width": 1.5, "dash": "dash"},
                annotation={"text": words, "font": {"color": INK, "size": 12}},
                annotation_position="bottom right",
            )
    odd = {(h, v) for h, v in course.advice.odd} if course is not None else set()
    is_odd = np.array([(float(h), float(v)) in odd for h, v in zip(hours, values, strict=True)], dtype=bool)
    for mask, symbol, words in ((~is_odd, "circle", ""), (is_odd, "x", ", does not fit")):
        if mask.any():
            figure.add_trace(
                go.Scatter(
                    x=hours[mask].tolist(),
                    y=values[mask].tolist(),
                    mode="markers",
                    marker={"symbol": symbol, "size": 8 if len(hours) < 80 else 4, "color": INK},
                    hovertemplate=f"%{{x:.3g}} h: %{{y:.4g}} {unit}{words}<extra></extra>",
                )
            )
    return styled(figure, x_title="time since the start / h", y_title=f"{label} / {unit}" if unit else label)


def arrhenius_figure(fit: Arrhenius) -> dict[str, Any]:
    """ln k against 1000 K/T, with the fitted line over the temperatures tried."""
    figure = go.Figure()
    ends = np.array([1000.0 / fit.highest, 1000.0 / fit.lowest])
    figure.add_trace(
        go.Scatter(
            x=ends.tolist(),
            y=[math.log(fit.rate(1000.0 / end)) for end in ends],
            mode="lines",
            line={"color": ACCENT, "width": 2.5},
            hoverinfo="skip",
        )
    )
    figure.add_trace(
        go.Scatter(
            x=[1000.0 / p.kelvin for p in fit.points],
            y=[float(np.log(p.rate)) for p in fit.points],
            error_y={"type": "data", "array": [1.645 * p.u_log for p in fit.points], "color": INK, "thickness": 1.5, "width": 4},
            customdata=[[p.run_number, p.kelvin - 273.15, p.rate] for p in fit.points],
            mode="markers",
            marker={"symbol": "circle", "size": 10, "color": INK, "line": {"color": PAPER, "width": 1}},
            hovertemplate="run %{customdata[0]}, %{customdata[1]:.1f} °C: %{customdata[2]:.3g} per hour<extra></extra>",
        )
    )
    return styled(figure, x_title="1000 K / T", y_title="ln (k / h⁻¹)")
