"""Other scales: what grows, what does not, and what a larger or smaller vessel would have to hold."""

from __future__ import annotations

from typing import Any

import pytest
from sqlmodel import Session

from server.core.space.variables import Role
from server.errors import InvalidInputError, NeedsConfirmationError
from server.services.cautions import cautions_for
from server.services.charges import add_material
from server.services.inputs import (
    FinishedRunInput,
    LinearLimitInput,
    MaterialInput,
    PlannedRunInput,
    PreparationInput,
    SoFarInput,
    VariableInput,
)
from server.services.massbalance import chemistry_of
from server.services.preparations import as_input, update_preparation
from server.services.runs import (
    has_another_charge_today,
    keep_so_far,
    note_weighed,
    plan_run,
    plan_runs,
    record_run,
    view_run,
)
from server.services.scales import chosen_scale
from server.services.spaces import stored_space
from server.services.variables import add_limit, add_variable, update_variable
from server.services.variables import as_input as variable_input
from server.services.vessels import limits_at_scale, scale_remark, variables_of_amounts
from server.services.words import setting_at_scale
from server.storage import questions
from server.storage.tables import PreparationRow, VariableRow
from tests.factories import make_preparation, make_run

BASE = 0.05  # [mol]


SETTINGS: dict[str, float | str] = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}


def key_of(preparation: PreparationRow) -> int:
    return int(preparation.id or 0)


@pytest.fixture
def flask(session: Session) -> PreparationRow:
    """A preparation with two volumes for 0.05 mol, of which vessels hold 250 mL."""
    preparation = make_preparation(session, base_scale_mol=BASE)
    for name in ("toluene", "water"):
        volume(session, preparation, name)
    return preparation


def volume(session: Session, preparation: PreparationRow, name: str, **more: Any) -> VariableRow:
    data = {"unit": "mL", "low": 50, "high": 200, "base": 100, "hard_high": 250, **more}
    return add_variable(session, key_of(preparation), VariableInput(name=name, role=Role.VOLUME, **data))


def settings(toluene: float = 100, water: float = 50) -> dict[str, float | str]:
    return {**SETTINGS, "toluene": toluene, "water": water}


def in_the_flask(session: Session, run_id: int, name: str) -> str:
    """What the bench sheet says of a volume."""
    preparation, run = view_run(session, run_id)
    v = next(v for v in stored_space(session, key_of(preparation)).variables if v.name == name)
    driving = variables_of_amounts(questions.list_materials(session, key_of(preparation)))
    return setting_at_scale(v, run.planned[v.key], run.row.scale_mol, preparation.base_scale_mol, driving)


def test_another_base_scale_leaves_what_runs_had_in_the_flask(session: Session, flask: PreparationRow) -> None:
    made = make_run(session, flask, 80.0, settings=settings(150))
    planned = plan_run(session, key_of(flask), PlannedRunInput(settings=settings(200)))
    for name in ("toluene", "water"):
        row = next(v for v in questions.list_variables(session, key_of(flask)) if v.name == name)
        update_variable(session, int(row.id or 0), variable_input(row).model_copy(update={"hard_high": None}))
    other = as_input(flask).model_copy(update={"base_scale_mol": 0.5})
    with pytest.raises(NeedsConfirmationError, match="toluene, 50 to 200 mL, also in 2 runs") as asked:
        update_preparation(session, key_of(flask), other)
    assert [code for code, _ in asked.value.others] == ["amounts_stay"]
    seen = {run.id: run.revision for run in (made, planned)}
    update_preparation(session, key_of(flask), other.model_copy(update={"confirm": ["amounts_grow"]}))
    assert flask.base_scale_mol == 0.5
    row = next(v for v in questions.list_variables(session, key_of(flask)) if v.name == "toluene")
    assert (row.low, row.high, row.base_number) == (500, 2000, 1000)
    # 0.05 mol in 200 mL, as it was planned; the settings hold at the new base scale.
    assert in_the_flask(session, int(planned.id or 0), "toluene") == "200 mL (2000 mL at the base scale)"
    assert view_run(session, int(made.id or 0))[1].settings[str(row.id)] == 1500
    assert all(questions.get_run(session, int(key or 0)).revision == revision + 1 for key, revision in seen.items())


def test_another_base_scale_leaves_amounts_that_runs_were_made_with(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=BASE, product_formula="C8H8O2")
    acid = MaterialInput(name="acid", role="reagent", formula="C7H6O2", amount_kind="equivalents", amount=1)
    add_material(session, key_of(preparation), acid)
    row = volume(session, preparation, "toluene", hard_high=None)
    liquid = MaterialInput(name="toluene", role="solvent", amount_kind="volume", density_g_per_ml=0.867, ratio_variable_id=row.id)
    add_material(session, key_of(preparation), liquid)
    run = make_run(session, preparation, None, product_mass_g=5.0, settings={"toluene": 150})
    toluene = next(m for m in questions.list_materials(session, key_of(preparation)) if m.name == "toluene")
    note_weighed(session, int(run.id or 0), {int(toluene.id or 0): (None, 150.0)})

    def litres() -> tuple[float | None, float | None]:
        found = chemistry_of(session, *view_run(session, int(run.id or 0)))
        assert found.charge is not None
        volume_ml = next(line.volume_ml for line in found.charge.lines if line.material.name == "toluene")
        (weighed,) = found.as_weighed
        assert not weighed.differs_from(view_run(session, int(run.id or 0))[1].settings[weighed.variable])
        return volume_ml, found.mass_intensity

    before = litres()
    data = as_input(preparation).model_copy(update={"base_scale_mol": 10 * BASE, "confirm": ["amounts_grow"]})
    update_preparation(session, key_of(preparation), data)
    assert before[0] == pytest.approx(150)
    assert litres() == pytest.approx(before)


def test_ranges_do_not_grow_beyond_the_vessel(session: Session, flask: PreparationRow) -> None:
    other = as_input(flask).model_copy(update={"base_scale_mol": 0.5, "confirm": ["amounts_grow"]})
    with pytest.raises(InvalidInputError, match="toluene would range to 2000 mL, beyond its hard limit 250 mL"):
        update_preparation(session, key_of(flask), other)
    session.rollback()
    assert questions.get_preparation(session, key_of(flask)).base_scale_mol == BASE


def test_a_rule_that_mixes_amounts_with_others_does_not_grow(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=BASE)
    row = volume(session, preparation, "toluene", hard_high=None)
    hold = next(v for v in questions.list_variables(session, key_of(preparation)) if v.name == "hold")
    rule = LinearLimitInput(kind="linear", coefficients={int(row.id or 0): 1, int(hold.id or 0): 10}, bound=260)
    add_limit(session, key_of(preparation), rule)
    other = as_input(preparation).model_copy(update={"base_scale_mol": 0.5, "confirm": ["amounts_grow"]})
    with pytest.raises(InvalidInputError, match="takes amounts and other numbers together"):
        update_preparation(session, key_of(preparation), other)


def test_rules_that_would_leave_nothing_are_said(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=BASE)
    row = volume(session, preparation, "toluene", hard_high=None)
    add_limit(session, key_of(preparation), LinearLimitInput(kind="linear", coefficients={int(row.id or 0): 1}, bound=150))
    other = as_input(preparation).model_copy(update={"base_scale_mol": 0.5, "confirm": ["amounts_grow"]})
    with pytest.raises(InvalidInputError, match="Hard limits and rules are those of your vessels"):
        update_preparation(session, key_of(preparation), other)


def test_a_run_that_is_only_planned_does_not_get_a_scale_beyond_the_vessel_unasked(
    session: Session, flask: PreparationRow
) -> None:
    run = plan_run(session, key_of(flask), PlannedRunInput(settings=settings(100)))
    larger = SoFarInput(settings=settings(100), scale_mol=0.5)
    with pytest.raises(NeedsConfirmationError, match=r"toluene: 1000 mL at 0\.5 mol, above the hard limit 250 mL") as asked:
        keep_so_far(session, int(run.id or 0), larger)
    assert asked.value.code == "limits_at_scale"
    # As run it may be less: what is planned still says how much is taken.
    less = SoFarInput(settings=settings(60, 60), scale_mol=0.15)
    with pytest.raises(NeedsConfirmationError, match=r"toluene: 300 mL at 0\.15 mol"):
        keep_so_far(session, int(run.id or 0), less)
    session.rollback()
    # What was done and what is planned are one question: a yes to one must not take back that to the other.
    both = SoFarInput(settings=settings(110, 50), scale_mol=0.5)
    with pytest.raises(NeedsConfirmationError, match=r"toluene: 1100 mL .*; toluene: 1000 mL"):
        keep_so_far(session, int(run.id or 0), both)
    session.rollback()
    keep_so_far(session, int(run.id or 0), larger.model_copy(update={"confirm": ["limits_at_scale"]}))
    assert questions.get_run(session, int(run.id or 0)).scale_mol == 0.5


def test_rules_and_lower_limits_are_looked_at_with_the_amounts_at_the_scale(session: Session, flask: PreparationRow) -> None:
    rows = {v.name: int(v.id or 0) for v in questions.list_variables(session, key_of(flask))}
    rule = LinearLimitInput(kind="linear", coefficients={rows["toluene"]: 1, rows["water"]: 1}, bound=200)
    add_limit(session, key_of(flask), rule)
    space = stored_space(session, key_of(flask))
    by_name = {v.name: v.key for v in space.variables}
    here = {by_name[name]: value for name, value in settings(80, 80).items()}
    assert limits_at_scale(space, here, 0.06, BASE, ()) == []
    (told,) = limits_at_scale(space, here, 0.068, BASE, ())
    assert told.endswith("does not hold at 0.068 mol")
    with pytest.raises(NeedsConfirmationError, match=r"does not hold at 0\.068 mol"):
        plan_run(session, key_of(flask), PlannedRunInput(settings=settings(80, 80), scale_mol=0.068))
    session.rollback()
    # A range that begins at 50 mL is no limit of the vessel; a stirrer that must be covered is.
    assert limits_at_scale(space, here, BASE / 10, BASE, ()) == []
    row = questions.get_variable(session, rows["water"])
    update_variable(session, rows["water"], variable_input(row).model_copy(update={"hard_low": 40}))
    (told,) = limits_at_scale(stored_space(session, key_of(flask)), here, BASE / 10, BASE, ())
    assert told == "water: 8 mL at 0.005 mol, below the hard limit 40 mL"


def test_a_scale_that_no_run_was_made_at_is_said(session: Session, flask: PreparationRow) -> None:
    # Three times the largest is where it is said. (Own judgement.)
    assert scale_remark(0.29, [0.05, 0.1]) == ""
    assert scale_remark(0.31, [0.05, 0.1]) != ""
    assert scale_remark(None, [0.1]) == ""
    assert scale_remark(0.5, []) == ""
    remark = scale_remark(0.5, [0.05, 0.1])
    assert remark == "No run was made above 0.1 mol; the forecast knows nothing of the scale."
    space = stored_space(session, key_of(flask))
    here = {v.key: settings()[v.name] for v in space.variables}
    told = cautions_for(flask, [], space, here, 0.5, [0.05, 0.1])
    assert told[0] == "This scale breaks a limit: toluene: 1000 mL at 0.5 mol, above the hard limit 250 mL."
    assert any(line.startswith(remark) for line in told)
    assert not any(
        "This scale" in line or "No run was made" in line for line in cautions_for(flask, [], space, here, BASE, [0.05])
    )


def test_a_drying_agent_is_known_by_its_formula_and_its_role(session: Session) -> None:
    preparation = make_preparation(session)
    space = stored_space(session, key_of(preparation))
    of_run: dict[str, float | str] = {"hold": 2.0, "bath": 120.0, "agent": "Na2SO4"}
    here = {v.key: of_run[v.name] for v in space.variables}
    told = "\n".join(cautions_for(preparation, [], space, here))
    assert "sodium sulfate: Slow" in told
    assert "magnesium sulfate" not in told
    chloride = MaterialInput(name="calcium chloride, anhydrous", role="drying_agent", amount_kind="mass", amount=5)
    add_material(session, key_of(preparation), chloride)
    add_material(session, key_of(preparation), MaterialInput(name="K2CO3", role="other", amount_kind="mass", amount=5))
    rows = questions.list_materials(session, key_of(preparation))
    told = "\n".join(cautions_for(preparation, rows, space, here))
    assert "calcium chloride: Forms adducts with alcohols" in told
    # What is no drying agent here is not warned about as one.
    assert "potassium carbonate" not in told


def test_hard_limits_left_in_the_old_unit_are_asked_about(session: Session) -> None:
    preparation = make_preparation(session)
    data = VariableInput(name="oil", role=Role.TEMPERATURE, unit="K", low=293, high=343, base=313, hard_high=348)
    row = add_variable(session, key_of(preparation), data)
    changed = data.model_copy(update={"unit": "°C", "low": 20.0, "high": 70.0, "base": 40.0})
    with pytest.raises(NeedsConfirmationError, match=r"an upper hard limit of 348 K is 74\.85 °C") as asked:
        update_variable(session, int(row.id or 0), changed)
    assert asked.value.question == "It is meant in °C: an upper hard limit of 348 °C"
    session.rollback()
    update_variable(session, int(row.id or 0), changed.model_copy(update={"hard_high": 75.0}))
    assert questions.get_variable(session, int(row.id or 0)).hard_high == 75.0


def test_a_preparation_without_amounts_changes_its_base_scale_unasked(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=BASE)
    data = as_input(preparation)
    assert isinstance(data, PreparationInput)
    update_preparation(session, key_of(preparation), data.model_copy(update={"base_scale_mol": 0.5, "theoretical_yield_g": None}))
    assert preparation.base_scale_mol == 0.5


def test_what_was_in_the_flask_at_another_scale_is_no_setting(session: Session, flask: PreparationRow) -> None:
    run = plan_run(session, key_of(flask), PlannedRunInput(settings=settings(60, 50), scale_mol=0.1))
    so_far = SoFarInput(settings=settings(120, 50))
    with pytest.raises(NeedsConfirmationError, match="toluene: 120 mL is what the 60 mL planned") as asked:
        keep_so_far(session, int(run.id or 0), so_far)
    assert asked.value.code == "amount_of_run"
    assert asked.value.question == "At 0.1 mol it was 2 times as much"
    session.rollback()
    done = FinishedRunInput(settings=settings(120, 100), yield_percent=70.0)
    # One question for both, so that one yes is enough.
    with pytest.raises(NeedsConfirmationError, match=r"toluene: 120 mL is .*; water: 100 mL is what the 50 mL planned"):
        record_run(session, key_of(flask), done, run_id=int(run.id or 0))
    session.rollback()
    record_run(session, key_of(flask), done.model_copy(update={"confirm": ["amount_of_run"]}), run_id=int(run.id or 0))
    # It was said: a correction of something else does not ask again.
    record_run(session, key_of(flask), done.model_copy(update={"notes": "clear"}), run_id=int(run.id or 0))
    other = plan_run(session, key_of(flask), PlannedRunInput(settings=settings(60, 50), scale_mol=0.1))
    record_run(session, key_of(flask), FinishedRunInput(settings=settings(65, 50), yield_percent=70.0), run_id=int(other.id or 0))


def test_amounts_that_stay_as_planned_are_not_asked_about(session: Session, flask: PreparationRow) -> None:
    # Next to the base scale what is planned is what it comes to; and what was said is not asked again.
    run = plan_run(session, key_of(flask), PlannedRunInput(settings=settings(100, 50), scale_mol=0.0502))
    done = FinishedRunInput(settings={**settings(100, 50), "hold": 3.0}, yield_percent=70.0)
    record_run(session, key_of(flask), done, run_id=int(run.id or 0))
    other = plan_run(session, key_of(flask), PlannedRunInput(settings=settings(60, 50), scale_mol=0.1))
    said = FinishedRunInput(settings=settings(120, 50), yield_percent=70.0, confirm=["amount_of_run"])
    record_run(session, key_of(flask), said, run_id=int(other.id or 0))
    again = FinishedRunInput(settings={**settings(120, 50), "hold": 3.0}, yield_percent=70.0)
    record_run(session, key_of(flask), again, run_id=int(other.id or 0))
    pending = plan_run(
        session, key_of(flask), PlannedRunInput(settings=settings(100), scale_mol=0.2, confirm=["limits_at_scale"])
    )
    for hold in (3.0, 4.0):
        keep_so_far(session, int(pending.id or 0), SoFarInput(settings={**settings(100), "hold": hold}))


def test_several_plans_at_another_scale_are_one_question(session: Session, flask: PreparationRow) -> None:
    plans = [PlannedRunInput(settings=settings(x), scale_mol=0.15) for x in (100, 200)]
    with pytest.raises(NeedsConfirmationError, match=r"toluene: 300 mL .*; toluene: 600 mL"):
        plan_runs(session, key_of(flask), [(plan, None, None) for plan in plans])


def test_a_run_of_no_scale_keeps_what_it_had_in_the_flask(session: Session) -> None:
    preparation = make_preparation(session)
    volume(session, preparation, "toluene", hard_high=None)
    planned = plan_run(session, key_of(preparation), PlannedRunInput(settings={**SETTINGS, "toluene": 100}))
    assert planned.scale_mol is None
    data = as_input(preparation).model_copy(update={"base_scale_mol": BASE})
    update_preparation(session, key_of(preparation), data)
    update_preparation(
        session, key_of(preparation), data.model_copy(update={"base_scale_mol": 10 * BASE, "confirm": ["amounts_grow"]})
    )
    assert planned.scale_mol == BASE
    assert in_the_flask(session, int(planned.id or 0), "toluene") == "100 mL (1000 mL at the base scale)"


def test_amounts_that_stay_may_not_break_what_is_planned(session: Session, flask: PreparationRow) -> None:
    plan_run(session, key_of(flask), PlannedRunInput(settings=settings(200)))
    smaller = as_input(flask).model_copy(update={"base_scale_mol": BASE / 5, "confirm": ["amounts_stay"]})
    with pytest.raises(InvalidInputError, match=r"Run 1 would break limits then: toluene: 1000 mL at 0.05 mol"):
        update_preparation(session, key_of(flask), smaller)
    session.rollback()
    with pytest.raises(NeedsConfirmationError, match="Without a base scale nobody knows") as asked:
        update_preparation(session, key_of(flask), as_input(flask).model_copy(update={"base_scale_mol": None}))
    assert asked.value.code == "no_base_scale"


@pytest.mark.parametrize("after", [0.15, 0.07, 0.5, 0.033])
def test_another_base_scale_is_no_other_charge(session: Session, after: float) -> None:
    preparation = make_preparation(session, base_scale_mol=BASE, product_formula="C8H8O2")
    add_material(session, key_of(preparation), MaterialInput(name="acid", role="reagent", formula="C7H6O2"))
    row = volume(session, preparation, "toluene", hard_high=None)
    liquid = MaterialInput(name="toluene", role="solvent", amount_kind="volume", amount=33.3, ratio_variable_id=row.id)
    add_material(session, key_of(preparation), liquid)
    add_material(session, key_of(preparation), MaterialInput(name="salt", role="wash", amount_kind="mass", amount=0.7))
    run = make_run(session, preparation, None, product_mass_g=5.0, settings={"toluene": 133.3})
    data = as_input(preparation).model_copy(update={"base_scale_mol": after, "confirm": ["amounts_grow"]})
    update_preparation(session, key_of(preparation), data)
    assert not has_another_charge_today(session, preparation, view_run(session, int(run.id or 0))[1])


@pytest.fixture
def ester(session: Session) -> PreparationRow:
    """Isopentyl acetate (130.187 g/mol) from the alcohol and two equivalents of acetic acid (60.052 g/mol), at 0.2 mol."""
    preparation = make_preparation(session, base_scale_mol=0.2, product_formula="C7H14O2")
    for name, formula, amount in (("alcohol", "C5H12O", 1.0), ("acid", "C2H4O2", 2.0)):
        data = MaterialInput(name=name, role="reagent", formula=formula, amount_kind="equivalents", amount=amount)
        add_material(session, key_of(preparation), data)
    return preparation


@pytest.mark.parametrize(
    ("typed", "scale"),
    [
        ({}, 0.2),
        ({"mode": "product", "size": " "}, 0.2),
        ({"size": "0.3"}, 0.3),
        # By hand: 50 g are 0.3841 mol, of which 80 % come out at 0.4801 mol.
        ({"mode": "product", "size": "50"}, 0.38406),
        ({"mode": "product", "size": "50", "expected_yield": "80"}, 0.48008),
        # By hand: 100 g of acid are 1.6652 mol, two for each of the scale.
        ({"mode": "material", "size": "100", "material": "acid"}, 0.83261),
    ],
)
def test_a_scale_is_chosen_in_moles_for_a_product_or_from_a_material(
    session: Session, ester: PreparationRow, typed: dict[str, str], scale: float
) -> None:
    rows = questions.list_materials(session, key_of(ester))
    by_name = {row.name: str(row.id) for row in rows}
    if "material" in typed:
        typed = {**typed, "material": by_name[typed["material"]]}
    assert chosen_scale(ester, rows, {}, typed) == pytest.approx(scale, rel=1e-4)


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"size": "0"}, "size", "above 0"),
        ({"size": "1,5"}, "size", "1.5"),
        ({"mode": "product", "size": "50", "expected_yield": "0.05"}, "expected_yield", "at least 0.1 and at most 100 %"),
        ({"mode": "product", "size": "50", "expected_yield": "101"}, "expected_yield", "at least 0.1 and at most 100 %"),
        ({"mode": "product", "size": "50", "expected_yield": "most"}, "expected_yield", "is not a number"),
        ({"mode": "material", "size": "50", "material": "0"}, "material", "whose mass follows from the scale"),
        ({"mode": "weight", "size": "50"}, "mode", "one of the ways"),
    ],
)
def test_a_scale_that_does_not_follow_says_what_to_enter(
    session: Session, ester: PreparationRow, typed: dict[str, str], field: str, words: str
) -> None:
    with pytest.raises(InvalidInputError) as caught:
        chosen_scale(ester, questions.list_materials(session, key_of(ester)), {}, typed)
    assert words in caught.value.messages[field]


def test_a_product_mass_needs_a_product(session: Session) -> None:
    preparation = make_preparation(session)
    assert chosen_scale(preparation, [], {}, {}) == 1.0
    with pytest.raises(InvalidInputError, match="needs the product's formula and at least one reagent"):
        chosen_scale(preparation, [], {}, {"mode": "product", "size": "50"})
