"""Axes of run numbers."""

import plotly.graph_objects as go
import pytest

from server.charts.stages import stage_recoveries
from server.charts.style import count_runs, styled
from server.core.chemistry.balance import Checkpoint, follow_the_product


@pytest.mark.parametrize(("numbers", "step"), [([5, 6], 1), ([1, 24], 1), ([1, 25], None), ([7], 1)])
def test_every_run_is_marked_while_there_is_room(numbers: list[int], step: int | None) -> None:
    figure = styled(go.Figure(), x_title="run number", y_title="yield / %")
    count_runs(figure, numbers)
    assert figure["layout"]["xaxis"]["dtick"] == step


def test_checkpoints_of_the_same_name_keep_bars_of_their_own() -> None:
    marks = [Checkpoint("crude", "reaction", 9.0, 1.0), Checkpoint("crude", "work_up", 8.0, 1.0)]
    drawn = stage_recoveries(follow_the_product(10.0, marks, 7.0, None))
    labels = list(drawn["data"][0]["y"])
    assert labels == ["theory<br>10 g", "crude (1)<br>9 g (−1 g)", "crude (2)<br>8 g (−1 g)", "isolated product<br>7 g (−1 g)"]
