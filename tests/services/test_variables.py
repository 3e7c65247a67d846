"""Variables and limits: refused with a sentence where they cannot work."""

import re
from typing import Any

import pytest
from sqlmodel import Session

from server.core.choose.proposal import Purpose
from server.core.space.variables import Role, Setting
from server.errors import InvalidInputError, NeedsConfirmationError, NothingReachableError
from server.services.analysis import analyse
from server.services.charges import MOST_MATERIALS, add_material, delete_material
from server.services.inputs import (
    CourseUseInput,
    LinearLimitInput,
    MaterialInput,
    NotUsedLimitInput,
    OnlyWithLimitInput,
    OptionRangeLimitInput,
    PlannedRunInput,
    PreparationInput,
    TotalTimeLimitInput,
    VariableInput,
)
from server.services.preparations import create_preparation, use_courses
from server.services.runs import delete_run, plan_run, view_runs
from server.services.spaces import stored_space
from server.services.variables import MOST_VARIABLES, add_limit, add_variable, as_input, delete_variable, update_variable
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
        ({"low": None}, "low", "Enter where the range begins"),
        ({"low": 10, "high": 10.000001, "step": None, "base": 10}, "high", "too narrow"),
        ({"role": "temperature", "unit": "K", "low": 1, "high": 1e9, "step": None}, "high", "Check the unit"),
        ({"role": "count", "unit": "", "step": None, "base": 20.5}, "low", "whole numbers"),
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
        ({"role": "count", "unit": "rpm", "low": 0, "high": 2000, "step": None}, "high", "More than 400 whole numbers"),
        ({"role": "temperature", "unit": "°C", "step": None, "hard_low": -500}, "hard_low", "absolute zero"),
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


def test_an_option_that_is_not_used_any_more_is_not_proposed(session: Session, preparation: PreparationRow) -> None:
    agent, key = ids(session, preparation)[2], int(preparation.id or 0)
    for k, option in enumerate(("Na2SO4", "MgSO4", "Na2SO4", "MgSO4")):
        make_run(session, preparation, 80.0 - 10 * (k % 2), settings={"agent": option, "hold": 2.0 + k})
    with pytest.raises(InvalidInputError, match="sand is not an option"):
        add_limit(session, key, NotUsedLimitInput(kind="not_used", variable=agent, options=["sand"]))
    with pytest.raises(NothingReachableError, match="agent MgSO4 and Na2SO4 not used any more"):
        add_limit(session, key, NotUsedLimitInput(kind="not_used", variable=agent, options=["MgSO4", "Na2SO4"]))
    before = analyse(session, key)
    assert before.working is not None
    assert before.working.settings[str(agent)] == "Na2SO4"
    add_limit(session, key, NotUsedLimitInput(kind="not_used", variable=agent, options=["Na2SO4"]))
    analysis = analyse(session, key)
    assert analysis.table.n_runs == 4
    assert analysis.working is not None
    assert analysis.working.settings[str(agent)] == "MgSO4"
    assert {p.settings[str(agent)] for purpose in Purpose for p in analysis.proposals(purpose, 2)} == {"MgSO4"}
    with pytest.raises(InvalidInputError, match="agent Na2SO4 not used any more"):
        plan_run(session, key, PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "Na2SO4"}))
    data = VariableInput(name="agent", role="choice", stage="drying", choices=["MgSO4", "soda"], base="MgSO4")
    update_variable(session, agent, data.model_copy(update={"confirm": ["rename_option"]}))
    assert questions.list_limits(session, key)[0].details["options"] == ["soda"]
    delete_variable(session, agent)
    assert questions.list_limits(session, key) == []


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
    with pytest.raises(NeedsConfirmationError, match="Na2SO4 is in use"):
        update_variable(session, agent, data)
    key = int(preparation.id or 0)
    salt = MaterialInput(name="salt", role="drying_agent", amount_kind="mass", choice_variable_id=agent, choice="Na2SO4")
    material = add_material(session, key, salt)
    update_variable(session, agent, data.model_copy(update={"confirm": ["rename_option"]}))
    assert view_runs(session, preparation)[0].settings[str(agent)] == "sodium sulfate"
    assert material.choice == "sodium sulfate"


def test_an_option_that_is_another_one_under_a_second_name_is_taken_for_it(session: Session, preparation: PreparationRow) -> None:
    agent, key = ids(session, preparation)[2], int(preparation.id or 0)
    three = VariableInput(name="agent", role="choice", stage="drying", choices=["MgSO4", "Na2SO4", "magnesia"], base="MgSO4")
    update_variable(session, agent, three)
    for option in ("MgSO4", "magnesia", "Na2SO4"):
        make_run(session, preparation, settings={"agent": option})
    plan_run(session, key, PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "magnesia"}))
    add_limit(session, key, NotUsedLimitInput(kind="not_used", variable=agent, options=["magnesia"]))
    salts = [
        add_material(
            session,
            key,
            MaterialInput(name=name, role="drying_agent", amount_kind="mass", choice_variable_id=agent, choice=option),
        )
        for name, option in (("salt", "magnesia"), ("other", "MgSO4"))
    ]
    two = three.model_copy(update={"choices": ["MgSO4", "Na2SO4"]})
    with pytest.raises(NeedsConfirmationError, match="magnesia is in use") as asked:
        update_variable(session, agent, two)
    questions_asked = [question for _, question in asked.value.choices]
    assert questions_asked == ["magnesia is MgSO4 under another name", "magnesia is Na2SO4 under another name"]
    with pytest.raises(InvalidInputError, match="salt in the charge is for magnesia, other for MgSO4: a run would take both"):
        update_variable(session, agent, two.model_copy(update={"confirm": ["same_as_1"]}))
    session.rollback()
    delete_material(session, int(salts[1].id or 0))
    update_variable(session, agent, two.model_copy(update={"confirm": ["same_as_1"]}))
    assert [v.settings[str(agent)] for v in view_runs(session, preparation)] == ["MgSO4", "MgSO4", "Na2SO4", "MgSO4"]
    assert [m.choice for m in questions.list_materials(session, key)] == ["MgSO4"]
    # That magnesia is not used any more does not hold for magnesium sulfate.
    assert questions.list_limits(session, key) == []
    # More than one line taken out says nothing about which is which.
    with pytest.raises(InvalidInputError, match="remove the line alone"):
        update_variable(session, agent, two.model_copy(update={"choices": ["sand", "K2CO3"], "base": "sand"}))


def test_a_number_has_another_range_with_one_option(session: Session, preparation: PreparationRow) -> None:
    _, bath, agent = ids(session, preparation)
    key = int(preparation.id or 0)

    def rule(**more: Any) -> OptionRangeLimitInput:
        return OptionRangeLimitInput(**{"kind": "option_range", "variable": agent, "choice": "Na2SO4", "partner": bath, **more})

    for wrong, words in (
        ({}, "highest or the lowest"),
        ({"low": 130, "high": 120}, "lies above the highest"),
        ({"choice": "sand", "high": 120}, "not an option"),
        ({"partner": agent, "high": 120}, "is a choice"),
        ({"partner": 999, "high": 120}, "not there"),
    ):
        with pytest.raises(InvalidInputError, match=words):
            add_limit(session, key, rule(**wrong))
    add_limit(session, key, rule(high=118.0))
    with pytest.raises(InvalidInputError, match="bath is used by the rule “with agent Na2SO4, bath"):
        update_variable(session, bath, VariableInput(name="bath", role="choice", choices=["a", "b"], base="a"))
    session.rollback()
    assert [r.text for r in stored_space(session, key).rules] == ["with agent Na2SO4, bath at most 118 °C"]
    with pytest.raises(InvalidInputError, match="with agent Na2SO4, bath at most 118"):
        plan_run(session, key, PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "Na2SO4"}))
    plan_run(session, key, PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4"}))
    for k in range(4):
        make_run(session, preparation, 60.0 + 5 * k, settings={"hold": 2.0 + k, "bath": 110.0, "agent": "Na2SO4"})
    analysis = analyse(session, key)
    for purpose in Purpose:
        for p in analysis.proposals(purpose, 2):
            assert p.settings[str(agent)] != "Na2SO4" or float(p.settings[str(bath)]) <= 118.0
    # The rule follows the unit and the name, and goes with the variable.
    kelvin = VariableInput(name="bath", role="temperature", unit="K", low=373.15, high=423.15, step=5, base=393.15)
    update_variable(session, bath, kelvin)
    assert stored_space(session, key).rules[0].text == "with agent Na2SO4, bath at most 391.15 K"
    three = VariableInput(name="agent", role="choice", stage="drying", choices=["MgSO4", "Na2SO4", "K2CO3"], base="MgSO4")
    update_variable(session, agent, three)
    renamed = three.model_copy(update={"choices": ["MgSO4", "sodium sulfate", "K2CO3"], "confirm": ["rename_option"]})
    update_variable(session, agent, renamed)
    assert stored_space(session, key).rules[0].text.startswith("with agent sodium sulfate, bath")
    update_variable(session, agent, renamed.model_copy(update={"choices": ["MgSO4", "K2CO3"], "confirm": ["same_as_2"]}))
    assert questions.list_limits(session, key) == []
    add_limit(session, key, rule(choice="K2CO3", low=380.0))
    delete_variable(session, bath)
    assert questions.list_limits(session, key) == []


def test_options_that_change_places_are_no_renaming(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation, settings={"agent": "MgSO4"})
    agent = ids(session, preparation)[2]
    data = VariableInput(name="agent", role="choice", choices=["Na2SO4", "K2CO3"], base="K2CO3", confirm=["rename_option"])
    with pytest.raises(InvalidInputError, match="use MgSO4; keep"):
        update_variable(session, agent, data)


def test_runs_follow_a_change_of_the_time_unit(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation)
    hold = ids(session, preparation)[0]
    update_variable(session, hold, VariableInput(**{**HOLD, "name": "hold", "low": 30, "high": 360, "step": 30, "base": 120}))
    assert view_runs(session, preparation)[0].settings[str(hold)] == 120.0


def test_a_time_cannot_become_a_temperature(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation)
    hold = ids(session, preparation)[0]
    data = VariableInput(name="hold", role="temperature", unit="°C", low=10, high=60, base=20)
    with pytest.raises(InvalidInputError, match="cannot turn from or into"):
        update_variable(session, hold, data)


def test_a_free_unit_keeps_its_numbers_only_on_a_yes(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    row = add_variable(session, key, VariableInput(name="water", role="volume", unit="mL", low=10, high=50, step=10, base=20))
    make_run(session, preparation, settings={"water": 30})
    data = VariableInput(name="water", role="volume", unit="g", low=10, high=50, step=10, base=20)
    with pytest.raises(NeedsConfirmationError, match="settings in mL"):
        update_variable(session, int(row.id or 0), data)


def test_a_new_range_that_the_rules_forbid_is_refused(session: Session, preparation: PreparationRow) -> None:
    hold = ids(session, preparation)[0]
    add_limit(session, int(preparation.id or 0), TotalTimeLimitInput(kind="total_time", variables=[hold], bound=3))
    data = VariableInput(name="hold", role="hold_time", unit="h", low=4, high=6, step=0.5, base=4)
    with pytest.raises(NothingReachableError, match="together at most 3 h"):
        update_variable(session, hold, data)
    session.rollback()
    assert questions.get_variable(session, hold).low == 0.5


def test_an_option_in_use_cannot_vanish(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation, settings={"agent": "Na2SO4"})
    agent = ids(session, preparation)[2]
    data = VariableInput(name="agent", role="choice", choices=["MgSO4", "x", "y"], base="MgSO4")
    with pytest.raises(InvalidInputError, match="use Na2SO4; keep"):
        update_variable(session, agent, data)


def test_a_removed_variable_leaves_the_amount_of_the_base_recipe(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    ratio = add_variable(session, key, VariableInput(name="loading", role="loading", unit="mol%", low=1, high=60, base=50))
    driven = MaterialInput(name="HOBt", role="other", formula="C6H5N3O", amount_kind="mol_percent", ratio_variable_id=ratio.id)
    material = add_material(session, key, driven)
    assert material.amount == 1
    run = make_run(session, preparation, settings={"loading": 40.0})
    with pytest.raises(InvalidInputError, match="sets how much of these the runs took: HOBt"):
        delete_variable(session, int(ratio.id or 0))
    delete_run(session, int(run.id or 0))
    limit = TotalTimeLimitInput(kind="total_time", variables=[int(ids(session, preparation)[0])], bound=5, unit="h")
    add_limit(session, key, limit)
    delete_variable(session, int(ratio.id or 0))
    assert (material.amount, material.ratio_variable_id) == (50, None)
    make_run(session, preparation, settings={"hold": 4.0})
    delete_variable(session, ids(session, preparation)[0])
    logged = {c.what: c.before or {} for c in questions.list_changes(session, key)}
    assert logged["variable hold removed"]["limits"] == ["hold together at most 5 h"]
    assert logged["variable hold removed"]["settings by run"] == {"2": 4.0}


def test_a_choice_that_selects_materials_cannot_be_removed(session: Session, preparation: PreparationRow) -> None:
    agent = ids(session, preparation)[2]
    line = MaterialInput(name="drying agent", role="drying_agent", amount_kind="mass", choice_variable_id=agent, choice="MgSO4")
    material = add_material(session, int(preparation.id or 0), line)
    with pytest.raises(InvalidInputError, match="which of these a run takes: drying agent"):
        delete_variable(session, agent)
    delete_material(session, int(material.id or 0))
    delete_variable(session, agent)


@pytest.mark.parametrize("position", [0, 1])
def test_a_time_or_temperature_drives_no_amount(session: Session, preparation: PreparationRow, position: int) -> None:
    driven = MaterialInput(name="x", role="other", formula="H2O", ratio_variable_id=ids(session, preparation)[position])
    with pytest.raises(InvalidInputError, match="whose number is an amount"):
        add_material(session, int(preparation.id or 0), driven)


def change(session: Session, variable_id: int, **fields: Any) -> None:
    row = questions.get_variable(session, variable_id)
    update_variable(session, variable_id, as_input(row).model_copy(update=fields))


def test_rules_follow_a_change_of_unit(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    hold, bath, _ = ids(session, preparation)
    add_limit(session, key, LinearLimitInput(kind="linear", coefficients={hold: 1}, bound=1.5))
    add_limit(session, key, LinearLimitInput(kind="linear", coefficients={bath: -1, hold: 10}, bound=-80))
    change(session, hold, unit="min", low=30.0, high=360.0, step=5.0, base=60.0)
    change(session, bath, unit="K", low=373.0, high=423.0, step=5.0, base=393.0)
    space = stored_space(session, key)
    assert space.rules[0].text == "hold at most 90 min"
    # 10 × hold / h − bath / °C ≤ −80: at 60 min, 90 °C and more.
    at: dict[str, Setting] = {str(hold): 60.0, space.variables[2].key: "MgSO4"}
    assert [space.rules[1].holds({**at, str(bath): 273.15 + celsius}) for celsius in (89.9, 90.0, 90.1)] == [False, True, True]
    with pytest.raises(NeedsConfirmationError, match="hold at most 90 min"):
        make_run(session, preparation, settings={"hold": 110.0, "bath": 393.0})
    planned = plan_run(session, key, PlannedRunInput(settings={"hold": 60.0, "bath": 393.0, "agent": "MgSO4"}))
    before = planned.revision
    change(session, hold, unit="h", low=0.5, high=6.0, step=0.25, base=1.0)
    session.refresh(planned)
    assert planned.revision == before + 1
    with pytest.raises(NeedsConfirmationError, match=r"hold at most 1\.5 h"):
        make_run(session, preparation, settings={"hold": 1.9, "bath": 393.0})


def test_a_unit_that_cannot_be_converted_needs_a_yes_where_rules_use_it(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    ratio = add_variable(session, key, VariableInput(name="ratio", role="ratio", unit="mol/mol", low=1, high=3, base=2))
    add_limit(session, key, LinearLimitInput(kind="linear", coefficients={int(ratio.id or 0): 1}, bound=2.5))
    with pytest.raises(NeedsConfirmationError, match="Rules have numbers in mol/mol"):
        change(session, int(ratio.id or 0), unit="g/g")
    change(session, int(ratio.id or 0), unit="g/g", confirm=["keep_numbers"])
    assert stored_space(session, key).rules[0].text == "ratio at most 2.5 g/g"


def test_a_role_that_rules_and_materials_rest_on_cannot_change(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    hold, bath, agent = ids(session, preparation)
    add_limit(session, key, TotalTimeLimitInput(kind="total_time", variables=[hold], bound=5, unit="h"))
    add_limit(session, key, LinearLimitInput(kind="linear", coefficients={bath: 1}, bound=140))
    ratio = add_variable(session, key, VariableInput(name="ratio", role="ratio", unit="mol/mol", low=1, high=3, base=2))
    washes = add_variable(session, key, VariableInput(name="washes", role="count", low=1, high=4, base=2))
    acid = MaterialInput(name="acid", role="reagent", formula="C2H4O2", ratio_variable_id=ratio.id)
    add_material(session, key, acid)
    brine = MaterialInput(name="brine", role="wash", amount_kind="volume", amount=50, count_variable_id=washes.id)
    add_material(session, key, brine)
    salt = MaterialInput(name="salt", role="drying_agent", amount_kind="mass", choice_variable_id=agent, choice="Na2SO4")
    add_material(session, key, salt)
    options = {"choices": ["a", "b"], "base": "a", "role": Role.CHOICE}
    for variable, fields, user in (
        (hold, {"role": Role.OTHER}, "hold together at most 5 h"),
        (bath, options, "bath at most 140 °C"),
        (int(ratio.id or 0), options, "acid"),
        (int(ratio.id or 0), {"role": Role.COUNT}, "acid"),
        (int(washes.id or 0), {"role": Role.OTHER}, "brine"),
        (agent, {"role": Role.OTHER, "low": 0.0, "high": 3.0, "base": 1.0}, "salt"),
    ):
        with pytest.raises(InvalidInputError, match=f"is used by .*{user}") as refused:
            change(session, variable, **fields)
        assert set(refused.value.messages) == {"role"}
    with pytest.raises(InvalidInputError, match=r"acid: ratio is in wt%, but this amount is in equivalents"):
        change(session, int(ratio.id or 0), unit="wt%")
    change(session, int(ratio.id or 0), unit="equiv.", confirm=["keep_numbers"])


@pytest.mark.parametrize(
    ("role", "unit", "kind", "fits"),
    [
        ("volume", "mL", "volume", True),
        ("volume", "L", "volume", True),
        ("volume", "mL/g", "volume", False),
        ("volume", "mL", "mass", False),
        ("loading", "mol%", "mol_percent", True),
        ("loading", "mol %", "mol_percent", True),
        ("loading", "mol%", "equivalents", True),
        ("loading", "wt%", "equivalents", False),
        ("ratio", "mol/mol", "equivalents", True),
        ("ratio", "equiv.", "equivalents", True),
        ("ratio", "mol/mol", "mol_percent", True),
        ("ratio", "mol/mol", "concentration", False),
        ("other", "kg", "mass", True),
        ("other", "µL", "volume", True),
        ("other", "µL", "mass", False),
        ("other", "g", "mass", True),
        ("other", "", "mass", True),
    ],
)
def test_a_variable_drives_an_amount_in_a_unit_of_its_kind_only(
    session: Session, preparation: PreparationRow, role: str, unit: str, kind: str, fits: bool
) -> None:
    key = int(preparation.id or 0)
    row = add_variable(session, key, VariableInput(name="much", role=role, unit=unit, low=0.01, high=5, base=1))
    line = MaterialInput(name="x", role="other", formula="H2O", amount_kind=kind, ratio_variable_id=row.id)
    if fits:
        assert add_material(session, key, line).ratio_variable_id == row.id
    else:
        with pytest.raises(InvalidInputError, match=f"much is in {unit}, but this amount is in .*cannot be worked out"):
            add_material(session, key, line)


def test_a_range_left_in_the_old_unit_is_asked_about(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation)
    hold = ids(session, preparation)[0]
    row = questions.get_variable(session, hold)
    with pytest.raises(NeedsConfirmationError, match=r"the range 0\.5 to 6 h is 30 to 360 min") as asked:
        update_variable(session, hold, as_input(row).model_copy(update={"unit": "min"}))
    session.rollback()
    assert view_runs(session, preparation)[0].settings[str(hold)] == 2.0
    data = as_input(row).model_copy(update={"unit": "min", "confirm": [asked.value.answer]})
    update_variable(session, hold, data)
    assert view_runs(session, preparation)[0].settings[str(hold)] == 120.0


def test_units_there_and_back_leave_what_was_set(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation, settings={"hold": 0.123456789012}, confirm=["outside_limits"])
    hold = ids(session, preparation)[0]
    row = questions.get_variable(session, hold)
    for unit, low, high in (("d", 0.01, 0.3), ("s", 10.0, 30000.0), ("h", 0.1, 6.0)):
        update_variable(
            session,
            hold,
            as_input(row).model_copy(update={"unit": unit, "low": low, "high": high, "step": None, "base": f"{high}"}),
        )
    assert view_runs(session, preparation)[0].settings[str(hold)] == pytest.approx(0.123456789012, rel=1e-11)


def test_the_hold_that_readings_follow_goes_with_its_variable(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    other = add_variable(session, key, VariableInput(name="second", role="hold_time", unit="h", low=1, high=4, base=2))
    use_courses(session, key, CourseUseInput(use=True, variable_id=other.id))
    delete_variable(session, int(other.id or 0))
    assert questions.get_preparation(session, key).course_variable_id is None


def test_there_may_be_so_many_variables_materials_and_runs_a_week(session: Session) -> None:
    key = int(make_preparation(session).id or 0)
    for k in range(MOST_VARIABLES - 3):
        add_variable(session, key, VariableInput(**{**HOLD, "name": f"hold {k}"}))
    with pytest.raises(InvalidInputError, match="at most 20 variables"):
        add_variable(session, key, VariableInput(**{**HOLD, "name": "one more"}))
    line = MaterialInput(name="water", role="solvent", amount_kind="mass", amount=1)
    for k in range(MOST_MATERIALS):
        add_material(session, key, line.model_copy(update={"name": f"water {k}"}))
    with pytest.raises(InvalidInputError, match="at most 40 materials"):
        add_material(session, key, line)
    with pytest.raises(InvalidInputError, match="1001 runs a week cannot be meant"):
        create_preparation(session, PreparationInput(name="fast", runs_per_week=1001))
    assert create_preparation(session, PreparationInput(name="fast", runs_per_week=1000)).runs_per_week == 1000


def test_options_that_look_the_same_are_the_same_however_their_accents_are_typed(session: Session) -> None:
    preparation = make_preparation(session)
    solvent = {"name": "solvent", "role": "choice", "choices": ["e\u0301ther", "me\u0301thanol"], "base": "e\u0301ther"}
    add_variable(session, int(preparation.id or 0), VariableInput(**solvent))
    run = make_run(session, preparation, settings={"solvent": "me\u0301thanol"})
    assert "méthanol" in view_runs(session, preparation)[0].settings.values()
    assert run.state == "finished"


@pytest.mark.parametrize(
    ("typed", "unit"), [("deg C", "°C"), ("℃", "°C"), ("Celsius", "°C"), ("° C", "°C"), ("k", "K"), ("°f", "°F")]
)
def test_a_temperature_may_be_written_in_many_ways(session: Session, preparation: PreparationRow, typed: str, unit: str) -> None:
    data = VariableInput(name="mantle", role=Role.TEMPERATURE, unit=typed, low=300, high=320, base=310)
    row = add_variable(session, int(preparation.id or 0), data)
    assert row.unit == unit
    # The same unit in another way changes no number.
    update_variable(session, int(row.id or 0), data)
    assert (row.unit, row.low) == (unit, 300)


@pytest.mark.parametrize(("typed", "unit"), [("ml", "mL"), ("ul", "µL"), ("gram", "g"), ("mol-%", "mol%"), ("wt%", "wt%")])
def test_a_volume_and_a_mass_may_be_written_in_many_ways(
    session: Session, preparation: PreparationRow, typed: str, unit: str
) -> None:
    data = VariableInput(name="much", role=Role.OTHER, unit=typed, low=1, high=3, base=2)
    assert add_variable(session, int(preparation.id or 0), data).unit == unit


@pytest.mark.parametrize(
    ("unit", "way"),
    [
        ("wt%", "give the amount as wt% of the reference."),
        ("mL", "give the amount as mL."),
        (
            "mg/mmol",
            "amounts are given in equivalents (mol/mol), mol%, g, mL, wt% of the reference, mL per g of the reference or mol/L",
        ),
    ],
)
def test_a_variable_in_another_unit_says_the_way_out(session: Session, preparation: PreparationRow, unit: str, way: str) -> None:
    key = int(preparation.id or 0)
    row = add_variable(session, key, VariableInput(name="enzyme", role="loading", unit=unit, low=1, high=40, base=15))
    line = MaterialInput(name="powder", role="catalyst", amount_kind="mass", ratio_variable_id=row.id)
    with pytest.raises(InvalidInputError, match=re.escape(way)):
        add_material(session, key, line)
