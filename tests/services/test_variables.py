"""Variables and limits: refused with a sentence where they cannot work."""

from typing import Any

import pytest
from sqlmodel import Session

from server.errors import InvalidInputError, NothingReachableError
from server.services.inputs import LinearLimitInput, OnlyWithLimitInput, TotalTimeLimitInput, VariableInput
from server.services.runs import view_runs
from server.services.variables import add_limit, add_variable, delete_variable, update_variable
from server.storage import questions
from server.storage.tables import PreparationRow
from tests.factories import make_preparation, make_run

HOLD: dict[str, Any] = {"name": "rest", "role": "hold_time", "unit": "min", "low": 10, "high": 60, "step": 10, "base": 20}


@pytest.fixture
def preparation(session: Session) -> PreparationRow:
    return make_preparation(session)


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"low": 60, "high": 10}, "high", "not above its start"),
        ({"low": None}, "low", "Enter a number"),
        ({"low": -1}, "low", "cannot be below 0"),
        ({"unit": "fortnight"}, "unit", "needs one of the units"),
        ({"role": "temperature", "unit": "h"}, "unit", "needs one of the units"),
        ({"role": "temperature", "unit": "°C", "low": -300}, "low", "absolute zero"),
        ({"step": 0}, "step", "more than 0"),
        ({"step": 0.001}, "step", "coarser"),
        ({"base": 100}, "base", "outside the range"),
        ({"base": 24}, "base", "nearest is 20"),
        ({"base": "long"}, "base", "is not a number"),
        ({"hard_low": 20}, "hard_low", "above the start"),
        ({"hard_high": 20}, "hard_high", "below the end"),
        ({"role": "count", "unit": "", "low": 0.5}, "low", "whole numbers"),
        ({"role": "choice", "choices": ["only"]}, "choices", "at least two"),
        ({"role": "choice", "choices": ["a", "b"], "base": "c"}, "base", "one of the options"),
        ({"name": "hold"}, "name", "already"),
    ],
)
def test_impossible_variables_are_refused_at_their_field(
    session: Session, preparation: PreparationRow, change: dict[str, Any], field: str, words: str
) -> None:
    with pytest.raises(InvalidInputError, match=words) as caught:
        add_variable(session, int(preparation.id or 0), VariableInput(**{**HOLD, **change}))
    assert field in caught.value.messages
    assert len(questions.list_variables(session, int(preparation.id or 0))) == 3


def ids(session: Session, preparation: PreparationRow) -> list[int]:
    return [int(v.id or 0) for v in questions.list_variables(session, int(preparation.id or 0))]


def test_a_limit_that_leaves_nothing_is_refused_with_names(session: Session, preparation: PreparationRow) -> None:
    hold = ids(session, preparation)[0]
    with pytest.raises(NothingReachableError, match=r"hold together at most 0\.1 h; hold 0\.5 to 6 h"):
        add_limit(session, int(preparation.id or 0), TotalTimeLimitInput(kind="total_time", variables=[hold], bound=0.1))
    assert questions.list_limits(session, int(preparation.id or 0)) == []


def test_limits_check_what_they_name(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    hold, bath, agent = ids(session, preparation)
    for data, words in (
        (LinearLimitInput(kind="linear", coefficients={agent: 1.0}, bound=1.0), "numbers only"),
        (LinearLimitInput(kind="linear", coefficients={hold: 0.0}, bound=1.0), "other than 0"),
        (LinearLimitInput(kind="linear", coefficients={999: 1.0}, bound=1.0), "not there"),
        (TotalTimeLimitInput(kind="total_time", variables=[bath], bound=5.0), "hold times only"),
        (OnlyWithLimitInput(kind="only_with", variable=agent, choice="sand", partner=agent, partners=["x"]), "two different"),
    ):
        with pytest.raises(InvalidInputError, match=words):
            add_limit(session, key, data)


def test_removing_a_variable_takes_its_limits_along(session: Session, preparation: PreparationRow) -> None:
    hold, bath, _ = ids(session, preparation)
    key = int(preparation.id or 0)
    add_limit(session, key, LinearLimitInput(kind="linear", coefficients={hold: 1.0, bath: 1.0}, bound=155.0))
    make_run(session, preparation)
    delete_variable(session, hold)
    assert questions.list_limits(session, key) == []
    assert len(view_runs(session, preparation)[0].settings) == 2


def test_renaming_an_option_renames_it_in_the_runs(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation, settings={"agent": "Na2SO4"})
    agent = ids(session, preparation)[2]
    data = VariableInput(name="agent", role="choice", stage="drying", choices=["MgSO4", "sodium sulfate"], base="MgSO4")
    update_variable(session, agent, data)
    assert view_runs(session, preparation)[0].settings[str(agent)] == "sodium sulfate"


def test_an_option_in_use_cannot_vanish(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation, settings={"agent": "Na2SO4"})
    agent = ids(session, preparation)[2]
    data = VariableInput(name="agent", role="choice", choices=["MgSO4", "x", "y"], base="MgSO4")
    with pytest.raises(InvalidInputError, match="Runs use Na2SO4"):
        update_variable(session, agent, data)
