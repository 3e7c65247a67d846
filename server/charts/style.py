"""One style for all figures.

Colours are those of the light style sheet; the figure carries their token names, so
that the page can exchange them for the dark ones (static/js/figures.js).
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import plotly.graph_objects as go

# The light values of the tokens in static/css/base.css; a test keeps them equal.
INK = "#1c2426"
QUIET = "#59666a"
ACCENT = "#0b6e5f"
BAND = "#d5e5df"
PAPER = "#ffffff"
DEEP = "#9ccabd"
PALETTE = {INK: "ink", QUIET: "quiet", ACCENT: "accent", BAND: "band", PAPER: "raised", DEEP: "deep"}


def styled(figure: go.Figure, *, x_title: str, y_title: str, height: int = 340) -> dict[str, Any]:
    """Apply the common layout and return the figure as plain JSON-able data.

    Arrays are written as lists, so that the result serves API users too.
    """
    figure.update_layout(
        template="none",
        height=height,
        margin={"l": 58, "r": 18, "t": 14, "b": 48},
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        font={"color": INK, "size": 13, "family": "system-ui, sans-serif"},
        showlegend=False,
        hovermode="closest",
        dragmode=False,
        meta={"palette": PALETTE},
    )
    axis = {"gridcolor": BAND, "linecolor": QUIET, "tickcolor": QUIET, "zeroline": False, "fixedrange": True, "automargin": True}
    figure.update_xaxes(title={"text": x_title, "standoff": 8}, **axis)
    figure.update_yaxes(title={"text": y_title, "standoff": 8}, **axis)
    written: dict[str, Any] = _without_markup(figure.to_plotly_json())
    return written


def _without_markup(value: Any, key: str = "") -> Any:
    """Names as text: Plotly takes tags and entities in them for markup. Line breaks are our own; templates hold no names."""
    if isinstance(value, str):
        return value if key == "hovertemplate" else "<br>".join(escape(part, quote=False) for part in value.split("<br>"))
    if isinstance(value, dict):
        return {k: _without_markup(v, k) for k, v in value.items()}
    return [_without_markup(v, key) for v in value] if isinstance(value, list | tuple) else value


def count_runs(figure: dict[str, Any], numbers: Sequence[int]) -> None:
    """Mark every run on an axis of run numbers, as long as there is room: there is no run 5.5."""
    figure["layout"]["xaxis"].update(dtick=1 if max(numbers) - min(numbers) < 24 else None)
