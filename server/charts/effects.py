"""Effects as intervals: a thick bar for half of the probability, a thin one for nine tenths, a mark for the mean."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import Any

import plotly.graph_objects as go

from server.charts.style import ACCENT, INK, PAPER, QUIET, styled
from server.core.model.effects import Effect, Evidence

# Filled for clear, empty with a dot for likely, empty for not shown: readable without colour.
_SYMBOLS = {Evidence.CLEAR: "square", Evidence.LIKELY: "square-dot", Evidence.NOT_SHOWN: "square"}

# Longer labels are broken, so that a phone keeps room for the intervals. [characters]
_WIDEST = 18


def effect_intervals(effects: Sequence[Effect]) -> dict[str, Any]:
    """Draw the effects that have numbers, strongest evidence on top."""
    shown = [e for e in effects if e.change is not None]
    labels = ["<br>".join([*wrap(e.name, _WIDEST), *wrap(f"{e.from_label} → {e.to_label}", _WIDEST)]) for e in shown]
    figure = go.Figure()
    for label, e in zip(labels, shown, strict=True):
        colour = ACCENT if e.evidence in (Evidence.CLEAR, Evidence.LIKELY) else QUIET
        for low, high, width in ((e.low_90, e.high_90, 2), (e.low_50, e.high_50, 8)):
            figure.add_trace(
                go.Scatter(
                    x=[low, high], y=[label, label], mode="lines", line={"color": colour, "width": width}, hoverinfo="skip"
                )
            )
        figure.add_trace(
            go.Scatter(
                x=[e.change],
                y=[label],
                mode="markers",
                marker={
                    "symbol": _SYMBOLS[e.evidence],
                    "size": 14,
                    "color": colour if e.evidence == Evidence.CLEAR else PAPER,
                    "line": {"color": colour, "width": 2},
                },
                hovertemplate=f"{e.change:+.1f} points, {e.evidence}<extra></extra>",
            )
        )
    figure.add_vline(x=0, line={"color": INK, "width": 1})
    result = styled(figure, x_title="change / points", y_title="", height=110 + 62 * max(len(shown), 1))
    result["layout"]["yaxis"].update(autorange="reversed")
    # A little room, so that the ends of the bars are seen.
    ends = [0.0, *(float(x) for e in shown for x in (e.low_90, e.high_90) if x is not None)]
    room = 0.06 * max(max(ends) - min(ends), 1.0)
    result["layout"]["xaxis"].update(range=[min(ends) - room, max(ends) + room])
    return result
