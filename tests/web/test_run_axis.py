"""Axes of run numbers."""

import plotly.graph_objects as go
import pytest

from server.charts.style import count_runs, styled


@pytest.mark.parametrize(("numbers", "step"), [([5, 6], 1), ([1, 24], 1), ([1, 25], None), ([7], 1)])
def test_every_run_is_marked_while_there_is_room(numbers: list[int], step: int | None) -> None:
    figure = styled(go.Figure(), x_title="run number", y_title="yield / %")
    count_runs(figure, numbers)
    assert figure["layout"]["xaxis"]["dtick"] == step
