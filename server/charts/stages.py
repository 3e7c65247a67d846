"""Where the product went: what is left of theory at each checkpoint, and what each stretch lost."""

from __future__ import annotations

from typing import Any

import plotly.graph_objects as go

from server.charts.style import ACCENT, BAND, INK, styled
from server.core.chemistry.balance import MassBalance


def stage_recoveries(balance: MassBalance) -> dict[str, Any]:
    """Draw one bar per checkpoint: solid for product present, pale for what the stretch before it lost."""
    first = balance.stages[0]
    labels = [first.from_name, *[s.to_name for s in balance.stages]]
    present = [first.start_g, *[s.end_g for s in balance.stages]]
    lost = [0.0, *[max(s.lost_g, 0.0) for s in balance.stages]]
    figure = go.Figure()
    figure.add_trace(
        go.Bar(
            y=labels,
            x=present,
            orientation="h",
            marker={"color": ACCENT},
            text=[f"{g:.3g} g" for g in present],
            textposition="inside",
            insidetextanchor="start",
            hoverinfo="skip",
        )
    )
    figure.add_trace(
        go.Bar(
            y=labels,
            x=lost,
            orientation="h",
            marker={"color": BAND, "line": {"color": INK, "width": 1}, "pattern": {"shape": "/"}},
            text=[f"−{g:.3g} g" if g > 0 else "" for g in lost],
            textposition="outside",
            cliponaxis=False,
            hoverinfo="skip",
        )
    )
    figure.update_layout(barmode="stack")
    result = styled(figure, x_title="product / g", y_title="", height=90 + 46 * len(labels))
    result["layout"]["yaxis"].update(autorange="reversed")
    result["layout"]["xaxis"].update(range=[0, max(present) * 1.35])
    return result
