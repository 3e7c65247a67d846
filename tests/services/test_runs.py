"""Entering, correcting, excluding and deleting runs."""

from collections.abc import Mapping
from datetime import date
from typing import Any

import pytest
from sqlmodel import Session, select

from server.core.chemistry.charge import ChargeLine
from server.errors import ConflictError, InvalidInputError, NeedsConfirmationError, NotFoundError
from server.services.analysis import analyse
from server.services.charges import add_material, as_input, delete_material, make_charge, update_material
from server.services.checkpoints import add_checkpoint, update_checkpoint
from server.services.inputs import (
    ChangedPlanInput,
    CheckpointInput,
    FinishedRunInput,
    MaterialInput,
    PlannedRunInput,
    ReadingInput,
    SoFarInput,
    VariableInput,
)
from server.services.massbalance import chemistry_of
from server.services.preparations import as_input as preparation_input
from server.services.preparations import duplicate_preparation, update_preparation
from server.services.readings import add_reading
from server.services.runs import (
    change_plan,
    delete_run,
    exclude_run,
    has_another_charge_today,
    keep_so_far,
    note_weighed,
    plan_run,
    record_run,
    renew_theories,
    set_state,
    theory_today,
    view_run,
    view_runs,
    with_another_theory,
)
from server.services.variables import add_variable, delete_variable
from server.services.words import portions_text
from server.storage import questions
from server.storage.tables import ChangeRow, PreparationRow, RunRow, WeighedRow
from tests.factories import make_preparation, make_run

SETTINGS = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}


@pytest.fixture
def preparation(session: Session) -> PreparationRow:
    return make_preparation(session)


def record(session: Session, preparation: PreparationRow, run_id: int | None = None, **more: Any) -> RunRow:
    data = FinishedRunInput(**{"settings": SETTINGS, **more})
    return record_run(session, int(preparation.id or 0), data, run_id=run_id)


def percent_of(session: Session, run: RunRow) -> float | None:
    return view_run(session, int(run.id or 0))[1].percent


def test_yield_follows_from_mass_and_theory(session: Session, preparation: PreparationRow) -> None:
    assert percent_of(session, record(session, preparation, product_mass_g=7.14)) == pytest.approx(71.4)


def test_purity_and_solvent_count(session: Session, preparation: PreparationRow) -> None:
    run = record(session, preparation, product_mass_g=8.0, purity_percent=95, residual_percent=10)
    assert percent_of(session, run) == pytest.approx(68.4)


def test_the_balance_gives_the_uncertainty_unless_entered(session: Session, preparation: PreparationRow) -> None:
    run = record(session, preparation, product_mass_g=7.0)
    found = view_run(session, int(run.id or 0))[1].run_yield
    assert found is not None
    assert found.u == pytest.approx(100 * 0.01 / 6**0.5 / 10)


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("yield_percent", -5, "below 0"),
        ("yield_percent", 5000, "cannot be meant"),
        ("product_mass_g", -1, "below 0"),
        ("purity_percent", 0, "above 0"),
        ("residual_percent", 100, "below 100"),
        ("product_mass_u_g", -1, "below 0"),
        ("scale_mol", 0, "more than 0"),
    ],
)
def test_impossible_values_are_refused_at_their_field(
    session: Session, preparation: PreparationRow, field: str, value: float, words: str
) -> None:
    with pytest.raises(InvalidInputError, match=words) as caught:
        record(session, preparation, None, **{"product_mass_g": 5.0, field: value})
    assert field in caught.value.messages
    assert session.exec(select(RunRow)).all() == []


def test_above_100_needs_a_yes_and_is_then_kept(session: Session, preparation: PreparationRow) -> None:
    with pytest.raises(NeedsConfirmationError, match="above 100 %") as caught:
        record(session, preparation, yield_percent=104)
    run = record(session, preparation, yield_percent=104, confirm=[caught.value.code])
    view = view_run(session, int(run.id or 0))[1]
    assert view.run_yield is not None
    assert view.run_yield.is_above_100
    assert view.counts


def test_a_result_needs_a_mass_or_a_yield(session: Session, preparation: PreparationRow) -> None:
    with pytest.raises(InvalidInputError, match="Enter the product mass, or the yield"):
        record(session, preparation)


def test_an_unknown_choice_names_the_options(session: Session, preparation: PreparationRow) -> None:
    with pytest.raises(InvalidInputError, match="Choose one of MgSO4, Na2SO4"):
        record(session, preparation, settings={**SETTINGS, "agent": "sand"}, yield_percent=50)


def test_a_missing_setting_is_asked_for(session: Session, preparation: PreparationRow) -> None:
    with pytest.raises(InvalidInputError, match="Enter the setting of bath"):
        record(session, preparation, settings={"hold": 2, "agent": "MgSO4"}, yield_percent=50)


def test_a_failure_counts_as_nothing_made_and_no_information_does_not_count(
    session: Session, preparation: PreparationRow
) -> None:
    record(session, preparation, outcome="failure")
    record(session, preparation, outcome="no_information")
    failed, spilled = view_runs(session, preparation)
    assert (failed.percent, failed.counts) == (0.0, True)
    assert (spilled.percent, spilled.counts) == (None, False)


def test_a_plan_never_leaves_the_hard_limits(session: Session, preparation: PreparationRow) -> None:
    data = PlannedRunInput(settings={**SETTINGS, "bath": 200})
    with pytest.raises(InvalidInputError, match="outside the hard limit 100 to 150"):
        plan_run(session, int(preparation.id or 0), data)


def test_outside_the_range_but_inside_the_hard_limit_needs_a_yes(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    ratio = VariableInput(name="ratio", role="ratio", low=1, high=3, hard_high=5, base=1)
    add_variable(session, key, ratio)
    data = {"settings": {**SETTINGS, "ratio": 4}}
    with pytest.raises(NeedsConfirmationError, match="outside the range 1 to 3") as caught:
        plan_run(session, key, PlannedRunInput(**data))
    assert plan_run(session, key, PlannedRunInput(**data, confirm=[caught.value.code])).state == "planned"


def test_what_really_happened_may_lie_outside_on_a_yes(session: Session, preparation: PreparationRow) -> None:
    hot = {**SETTINGS, "bath": 170}
    with pytest.raises(NeedsConfirmationError) as caught:
        record(session, preparation, settings=hot, yield_percent=30)
    record(session, preparation, settings=hot, yield_percent=30, confirm=[caught.value.code])


def test_planned_and_as_run_settings_are_both_kept(session: Session, preparation: PreparationRow) -> None:
    run = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS))
    record(session, preparation, int(run.id or 0), settings={**SETTINGS, "bath": 125}, yield_percent=60)
    view = view_run(session, int(run.id or 0))[1]
    bath = next(k for k, v in view.planned.items() if v == 120.0)
    assert view.settings[bath] == 125.0
    assert view.row.state == "finished"


def test_a_plan_can_be_changed_until_the_run_begins(session: Session, preparation: PreparationRow) -> None:
    plan = PlannedRunInput(settings=SETTINGS, notes="small flask")
    run = plan_run(session, int(preparation.id or 0), plan, purpose="raise", forecast={"mean": 60.0})
    key = int(run.id or 0)
    # With the same settings, forecast and purpose stay.
    change_plan(session, key, ChangedPlanInput(settings=SETTINGS, notes="new bottle", reference="AB-3"), {"mean": 1.0})
    assert run.reference == "AB-3"
    assert (run.notes, run.purpose, run.forecast) == ("new bottle", "raise", {"mean": 60.0})
    change_plan(session, key, ChangedPlanInput(settings={**SETTINGS, "bath": 130}, scale_mol=0.2), {"mean": 65.0})
    view = view_run(session, key)[1]
    assert {120.0, 130.0} & {*view.planned.values()} == {130.0}
    assert view.planned == view.settings
    assert (view.row.scale_mol, view.row.purpose, view.row.forecast) == (0.2, None, {"mean": 65.0})
    (newest, *_) = questions.list_changes(session, run.preparation_id, run.number)
    assert (newest.what, (newest.before or {})["bath"], (newest.after or {})["bath"]) == ("plan changed", 120.0, 130.0)
    with pytest.raises(InvalidInputError, match="outside the hard limit"):
        change_plan(session, key, ChangedPlanInput(settings={**SETTINGS, "bath": 200}))
    with pytest.raises(ConflictError):
        change_plan(session, key, ChangedPlanInput(settings=SETTINGS, revision=1))
    set_state(session, key, "under_way")
    with pytest.raises(InvalidInputError, match="under way; only a planned run"):
        change_plan(session, key, ChangedPlanInput(settings=SETTINGS))


def test_what_is_known_is_kept_before_the_result_is(session: Session, preparation: PreparationRow) -> None:
    run = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS, notes="planned"))
    key = int(run.id or 0)
    set_state(session, key, "under_way")
    done = {**SETTINGS, "bath": 124}
    keep_so_far(session, key, SoFarInput(settings=done, notes="turned brown", lot="L2", made_on=date(2026, 3, 2)))
    view = view_run(session, key)[1]
    assert {v for v in view.planned.values() if isinstance(v, float)} == {2.0, 120.0}
    assert {v for v in view.settings.values() if isinstance(v, float)} == {2.0, 124.0}
    assert (view.row.state, view.row.notes, view.row.lot, view.row.made_on) == ("under_way", "turned brown", "L2", "2026-03-02")
    assert not view.counts
    assert view.is_pending
    # What is not named stays; what is kept goes into the result.
    keep_so_far(session, key, SoFarInput(settings=done, lot="L3"))
    assert (run.notes, run.lot, run.made_on) == ("turned brown", "L3", "2026-03-02")
    finished = record(session, preparation, key, settings=done, yield_percent=60)
    assert (finished.notes, finished.lot, finished.state) == ("turned brown", "L3", "finished")
    with pytest.raises(InvalidInputError, match="has a result; correct that"):
        keep_so_far(session, key, SoFarInput(settings=done))


def test_what_was_noted_otherwise_than_planned_stays_when_the_plan_changes(session: Session, preparation: PreparationRow) -> None:
    key = int(plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS)).id or 0)
    keep_so_far(session, key, SoFarInput(settings={**SETTINGS, "bath": 122}))
    change_plan(session, key, ChangedPlanInput(settings={**SETTINGS, "hold": 3, "bath": 120}, notes="x"))
    view = view_run(session, key)[1]
    assert {v for v in view.planned.values() if isinstance(v, float)} == {3.0, 120.0}
    assert {v for v in view.settings.values() if isinstance(v, float)} == {3.0, 122.0}


def test_what_older_versions_did_not_keep_is_no_other_charge(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    changed = preparation_input(preparation).model_copy(update={"base_scale_mol": 0.1})
    update_preparation(session, key, changed)
    add_material(session, key, MaterialInput(name="acid", role="reagent", formula="C7H6O2", amount=1))
    run = record(session, preparation, product_mass_g=5.0)
    assert run.made_with is not None
    older = {**run.made_with, "materials": [dict(m) for m in run.made_with["materials"]]}
    for material in older["materials"]:
        del material["reference_molar_mass"]
    run.made_with = older
    session.add(run)
    session.commit()
    view = view_run(session, int(run.id or 0))[1]
    assert not has_another_charge_today(session, preparation, view)
    # Another reference makes no difference to amounts that do not follow from it.
    add_material(session, key, MaterialInput(name="first", role="solvent", amount_kind="volume", amount=10))
    assert has_another_charge_today(session, preparation, view)


def test_what_is_kept_so_far_is_checked(session: Session, preparation: PreparationRow) -> None:
    key = int(plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS)).id or 0)
    hot = {**SETTINGS, "bath": 170}
    with pytest.raises(NeedsConfirmationError) as asked:
        keep_so_far(session, key, SoFarInput(settings=hot))
    assert asked.value.code == "outside_limits"
    with pytest.raises(InvalidInputError) as wrong:
        keep_so_far(session, key, SoFarInput(settings=SETTINGS, scale_mol=-1, made_on=date(2090, 1, 1)))
    assert set(wrong.value.messages) == {"scale_mol", "made_on"}
    with pytest.raises(ConflictError):
        keep_so_far(session, key, SoFarInput(settings=SETTINGS, revision=7))
    keep_so_far(session, key, SoFarInput(settings=hot, confirm=["outside_limits"]))
    assert 170.0 in view_run(session, key)[1].settings.values()


def test_a_change_elsewhere_is_noticed(session: Session, preparation: PreparationRow) -> None:
    run = make_run(session, preparation)
    opened = run.revision
    record(session, preparation, int(run.id or 0), yield_percent=61, revision=opened)
    with pytest.raises(ConflictError, match="changed elsewhere"):
        record(session, preparation, int(run.id or 0), yield_percent=62, revision=opened)


def test_a_correction_keeps_the_earlier_value_in_the_log(session: Session, preparation: PreparationRow) -> None:
    run = make_run(session, preparation, 60.0)
    record(session, preparation, int(run.id or 0), yield_percent=66)
    change = session.exec(select(ChangeRow).where(ChangeRow.what == "run changed")).one()
    assert change.before == {"entered_yield_percent": 60.0}
    assert change.after == {"entered_yield_percent": 66.0}


def test_an_excluded_run_stays_visible_but_does_not_count(session: Session, preparation: PreparationRow) -> None:
    run = make_run(session, preparation)
    exclude_run(session, int(run.id or 0), "thermometer broke")
    view = view_run(session, int(run.id or 0))[1]
    assert not view.counts
    assert view.percent == 70.0
    exclude_run(session, int(run.id or 0), None)
    assert view_run(session, int(run.id or 0))[1].counts


def test_a_number_is_never_given_twice(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation)
    second = make_run(session, preparation)
    delete_run(session, int(second.id or 0))
    assert make_run(session, preparation).number == 3
    with pytest.raises(NotFoundError, match="It may have been deleted"):
        delete_run(session, 999)


def test_earlier_runs_count_as_made_at_the_base_of_a_new_variable(session: Session, preparation: PreparationRow) -> None:
    make_run(session, preparation)
    ratio = VariableInput(name="ratio", role="ratio", low=1, high=3, base=2, step=0.5)
    row = add_variable(session, int(preparation.id or 0), ratio)
    assert view_runs(session, preparation)[0].settings[str(row.id)] == 2.0


def test_theory_follows_from_what_was_weighed(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    preparation.theoretical_yield_g = None
    preparation.product_formula = "C7H14O2"
    preparation.base_scale_mol = 0.2
    session.add(preparation)
    session.commit()
    alcohol = add_material(session, key, MaterialInput(name="alcohol", role="reagent", formula="C5H12O"))
    acid = MaterialInput(name="acid", role="reagent", formula="C2H4O2", amount=2)
    add_material(session, key, acid)
    run = record(session, preparation, product_mass_g=20.0)
    # By hand: 0.2 mol · 130.187 g/mol = 26.04 g; then 8.815 g of alcohol (0.1 mol) halve it.
    assert percent_of(session, run) == pytest.approx(100 * 20 / 26.0374, rel=1e-4)
    note_weighed(session, int(run.id or 0), {int(alcohol.id or 0): (16.0, None)})
    view = view_run(session, int(run.id or 0))[1]
    assert view.percent == pytest.approx(100 * 20 / (16.0 / 88.15 * 130.187), rel=1e-4)
    assert view.theory_source == "as-weighed amounts; alcohol limits"


@pytest.fixture
def charged(session: Session, preparation: PreparationRow) -> dict[str, int]:
    """Ids of a ratio that drives the acid, and of alcohol, acid and catalyst; the scale is 0.2 mol."""
    key = int(preparation.id or 0)
    preparation.base_scale_mol = 0.2
    session.add(preparation)
    session.commit()
    ratio = add_variable(session, key, VariableInput(name="ratio", role="ratio", low=1, high=3, base=2, step=0.5))
    alcohol = add_material(session, key, MaterialInput(name="alcohol", role="reagent", formula="C5H12O"))
    acid = MaterialInput(name="acid", role="reagent", formula="C2H4O2", density_g_per_ml=1.049, ratio_variable_id=ratio.id)
    catalyst = MaterialInput(name="catalyst", role="catalyst", formula="H2SO4", amount_kind="mol_percent", amount=5)
    rows = {"alcohol": alcohol, "acid": add_material(session, key, acid), "catalyst": add_material(session, key, catalyst)}
    return {"ratio": int(ratio.id or 0), **{name: int(row.id or 0) for name, row in rows.items()}}


def weigh(session: Session, preparation: PreparationRow, amounts: Mapping[int, tuple[float | None, float | None]]) -> Any:
    view = view_runs(session, preparation)[-1]
    note_weighed(session, int(view.row.id or 0), amounts)
    return chemistry_of(session, preparation, view_runs(session, preparation)[-1]).as_weighed


def test_the_ratio_follows_from_what_was_weighed(session: Session, preparation: PreparationRow, charged: dict[str, int]) -> None:
    record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    # By hand: 16.00 g / 88.150 g/mol = 0.18151 mol of alcohol; 21.0 g / 60.052 g/mol = 0.34970 mol of acid; 1.927 to 1.
    (found,) = weigh(session, preparation, {charged["alcohol"]: (16.0, None), charged["acid"]: (21.0, None)})
    assert (found.variable, found.material, found.reference) == (str(charged["ratio"]), "acid", "alcohol")
    assert found.value == pytest.approx(1.927, abs=5e-4)
    assert found.differs_from(2.0)
    assert not found.differs_from(1.93)
    # The same acid by volume: 21.0 g / 1.049 g/mL.
    (by_volume,) = weigh(session, preparation, {charged["acid"]: (None, 21.0 / 1.049)})
    assert by_volume.value == found.value


def test_without_a_weighed_reference_the_planned_scale_counts(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    # A catalyst in mol% is no reference.
    (found,) = weigh(session, preparation, {charged["acid"]: (21.0, None), charged["catalyst"]: (0.5, None)})
    assert found.reference == ""
    assert found.value == pytest.approx(0.34970 / 0.2, abs=1e-3)
    assert weigh(session, preparation, {charged["acid"]: (None, None)}) == ()


def test_one_equivalent_is_read_from_the_material_with_one_equivalent(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    anhydride = MaterialInput(name="anhydride", role="reagent", formula="C4H6O3", amount=0.1)
    row = add_material(session, int(preparation.id or 0), anhydride)
    row.position = -1
    session.add(row)
    session.commit()
    record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    noted = {int(row.id or 0): (5.0, None), charged["alcohol"]: (16.0, None), charged["acid"]: (21.0, None)}
    assert weigh(session, preparation, noted)[0].reference == "alcohol"


def test_a_ratio_that_drives_two_weighed_materials_is_not_guessed(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    key = int(preparation.id or 0)
    record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    base = MaterialInput(name="base", role="reagent", formula="C5H5N", ratio_variable_id=charged["ratio"])
    other = add_material(session, key, base)
    assert len(weigh(session, preparation, {charged["acid"]: (21.0, None)})) == 1
    assert weigh(session, preparation, {int(other.id or 0): (30.0, None)}) == ()


def test_planned_amounts_stay_as_planned_when_the_setting_is_corrected(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    settings = {**SETTINGS, "ratio": 2.0}
    run = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=settings))
    record(session, preparation, run.id, settings={**SETTINGS, "ratio": 1.5}, product_mass_g=5)
    found = chemistry_of(session, preparation, view_run(session, int(run.id or 0))[1])
    # 2 × 0.2 mol × 60.052 g/mol.
    assert found.planned_amounts(str(charged["acid"]))[0] == pytest.approx(24.02)
    assert found.planned_amounts("999") == (None, None)


def test_recovered_starting_material_enters_the_mass_balance(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    preparation.product_formula = "C7H14O2"
    preparation.base_scale_mol = 0.2
    session.add(preparation)
    add_material(session, key, MaterialInput(name="alcohol", role="reagent", formula="C5H12O"))
    run = record(session, preparation, product_mass_g=13.02)
    recovered = CheckpointInput(name="alcohol back", stage="work_up", kind="recovered", mass_g=8.815)
    add_checkpoint(session, int(run.id or 0), recovered)
    found = chemistry_of(session, preparation, view_run(session, int(run.id or 0))[1]).balance
    assert found is not None
    # Half of the alcohol came back, half of theory was isolated: all that was used up.
    assert found.based_on_recovered_percent == pytest.approx(100.0, abs=0.1)


def test_recovered_material_is_counted_against_what_was_weighed(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    # Half of the planned alcohol was weighed; half of that was isolated as product and half came back.
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    run = record(session, preparation, product_mass_g=6.5094, settings={**SETTINGS, "ratio": 2.0})
    note_weighed(session, int(run.id or 0), {charged["alcohol"]: (8.815, None)})
    back = CheckpointInput(name="alcohol back", stage="work_up", kind="recovered", mass_g=4.4075)
    add_checkpoint(session, int(run.id or 0), back)
    found = chemistry_of(session, preparation, view_run(session, int(run.id or 0))[1]).balance
    assert found is not None
    assert found.based_on_recovered_percent == pytest.approx(100.0, abs=0.1)


def test_measured_volumes_count_in_the_mass_intensity(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    toluene = MaterialInput(name="toluene", role="solvent", amount_kind="volume", amount=50, density_g_per_ml=0.867)
    ether = MaterialInput(name="ether", role="solvent", amount_kind="volume", amount=10, density_g_per_ml=None)
    rows = [int(add_material(session, int(preparation.id or 0), m).id or 0) for m in (toluene, ether)]
    run = record(session, preparation, product_mass_g=5.0, settings={**SETTINGS, "ratio": 2.0})

    def intensity(amounts: dict[int, tuple[float | None, float | None]]) -> tuple[float | None, tuple[str, ...]]:
        note_weighed(session, int(run.id or 0), amounts)
        found = chemistry_of(session, preparation, view_run(session, int(run.id or 0))[1])
        return found.mass_intensity, found.without_mass

    planned, by_volume = intensity({})[0], intensity({rows[0]: (None, 200.0)})[0]
    assert planned is not None
    assert by_volume is not None
    # 150 mL more of toluene on 5 g of product.
    assert by_volume - planned == pytest.approx(150 * 0.867 / 5.0)
    assert intensity({rows[0]: (173.4, None)})[0] == pytest.approx(by_volume)
    assert intensity({rows[1]: (None, 12.0)})[1] == ("ether",)


def test_another_bottle_leaves_what_was_weighed_before_alone(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    run = record(session, preparation, product_mass_g=5.0, settings={**SETTINGS, "ratio": 2.0})
    before = weigh(session, preparation, {charged["alcohol"]: (17.63, None), charged["acid"]: (24.02, None)})
    acid = questions.get_material(session, charged["acid"])
    update_material(session, charged["acid"], as_input(acid).model_copy(update={"purity_percent": 80.0}))
    view = view_runs(session, preparation)[-1]
    assert chemistry_of(session, preparation, view).as_weighed == before
    # Nor does a solution that takes the place of a neat liquid.
    update_material(session, charged["acid"], as_input(acid).model_copy(update={"concentration_mol_per_l": 1.0}))
    assert chemistry_of(session, preparation, view_runs(session, preparation)[-1]).as_weighed == before
    update_material(session, charged["acid"], as_input(acid).model_copy(update={"concentration_mol_per_l": None}))
    # Other amounts noted later change nothing of the bottle, nor does a note that is taken back and made again.
    assert weigh(session, preparation, {charged["catalyst"]: (0.98, None)}) == before
    note_weighed(session, int(run.id or 0), {charged["acid"]: (None, None)})
    assert weigh(session, preparation, {charged["acid"]: (24.02, None)}) == before
    # Said to be made with today's charge, it takes the new bottle with the next note.
    note_weighed(session, int(run.id or 0), {charged["acid"]: (None, None)})
    record(session, preparation, product_mass_g=5.0, settings={**SETTINGS, "ratio": 2.0}, run_id=run.id, confirm=["renew_theory"])
    (now,) = weigh(session, preparation, {charged["acid"]: (24.02, None)})
    assert now.value == pytest.approx(0.8 * before[0].value, rel=1e-3)


def test_a_mass_of_a_solution_without_density_is_sent_back(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    solution = MaterialInput(name="BuLi", role="reagent", concentration_mol_per_l=2.5, amount=0.5)
    key = int(add_material(session, int(preparation.id or 0), solution).id or 0)
    run = record(session, preparation, product_mass_g=6.0, settings={**SETTINGS, "ratio": 2.0})
    before = view_run(session, int(run.id or 0))[1]
    assert before.theory_source == "planned amounts; BuLi limits, its volume counts as exact"
    with pytest.raises(InvalidInputError, match="no amount follows from the mass"):
        note_weighed(session, int(run.id or 0), {key: (28.0, None)})
    # Noted before its density was taken away, the mass leaves the plan standing.
    session.add(WeighedRow(run_id=int(run.id or 0), material_id=key, mass_g=28.0))
    session.commit()
    note_weighed(session, int(run.id or 0), {charged["catalyst"]: (0.98, None)})
    after = view_run(session, int(run.id or 0))[1]
    assert after.theory_source == "as-weighed amounts; BuLi limits, its volume counts as exact"
    assert after.percent == before.percent


def test_names_and_ids_of_variables_both_work(session: Session, preparation: PreparationRow) -> None:
    rows = questions.list_variables(session, int(preparation.id or 0))
    by_id = {str(rows[0].id): 3, "bath": 125, str(rows[2].id): "Na2SO4"}
    run = record(session, preparation, settings=by_id, yield_percent=50)
    assert list(view_run(session, int(run.id or 0))[1].settings.values()) == [3.0, 125.0, "Na2SO4"]


def test_weighing_the_limiting_material_enters_the_budget(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    preparation.product_formula = "C7H14O2"
    preparation.base_scale_mol = 0.01
    preparation.balance_readability_g = 0.1
    session.add(preparation)
    add_material(session, key, MaterialInput(name="alcohol", role="reagent", formula="C5H12O"))
    run = record(session, preparation, product_mass_g=1.0)
    found = view_run(session, int(run.id or 0))[1].run_yield
    assert found is not None
    # By hand: both weighings have u = 0.1/√6 = 0.0408 g; on 0.8815 g and on 1.0 g.
    relative = ((0.1 / 6**0.5 / 0.8815) ** 2 + (0.1 / 6**0.5 / 1.0) ** 2) ** 0.5
    assert found.u / found.percent == pytest.approx(relative, rel=1e-3)
    assert found.budget[0].name == "theoretical yield"


def test_later_changes_of_the_charge_leave_finished_yields_alone(session: Session, preparation: PreparationRow) -> None:
    key = int(preparation.id or 0)
    preparation.product_formula = "C7H14O2"
    preparation.base_scale_mol = 0.2
    session.add(preparation)
    material = add_material(session, key, MaterialInput(name="alcohol", role="reagent", formula="C5H12O"))
    run = record(session, preparation, product_mass_g=20.0)
    before = percent_of(session, run)
    preparation.base_scale_mol = 0.4
    session.add(preparation)
    session.commit()
    assert percent_of(session, run) == before
    delete_material(session, int(material.id or 0))
    assert percent_of(session, run) == before


def test_a_mass_and_a_yield_that_contradict_are_sent_back(session: Session, preparation: PreparationRow) -> None:
    with pytest.raises(InvalidInputError, match=r"The mass gives 90\.0 %, but 50 % was typed"):
        record(session, preparation, product_mass_g=9.0, yield_percent=50)
    record(session, preparation, product_mass_g=9.0, yield_percent=90.3)


def test_a_failure_with_a_good_yield_is_questioned(session: Session, preparation: PreparationRow) -> None:
    with pytest.raises(InvalidInputError, match="A failure with a yield of 88 %"):
        record(session, preparation, outcome="failure", yield_percent=88)


def test_a_corrected_setting_is_in_the_log(session: Session, preparation: PreparationRow) -> None:
    run = make_run(session, preparation)
    record(session, preparation, int(run.id or 0), settings={**SETTINGS, "bath": 125}, yield_percent=70)
    change = session.exec(select(ChangeRow).where(ChangeRow.what == "run changed")).one()
    assert change.before == {"bath": 120.0}
    assert change.after == {"bath": 125.0}


@pytest.mark.parametrize(("field", "value"), [("product_mass_u_g", 9.0), ("purity_u_percent", 500), ("residual_u_percent", 101)])
def test_absurd_uncertainties_are_refused(session: Session, preparation: PreparationRow, field: str, value: float) -> None:
    with pytest.raises(InvalidInputError, match="larger than the value itself"):
        record(session, preparation, None, **{"product_mass_g": 5.0, field: value})


def test_a_correction_of_theory_is_judged_like_a_new_result(session: Session, preparation: PreparationRow) -> None:
    run = record(session, preparation, product_mass_g=8.0)
    with pytest.raises(InvalidInputError, match="This gives a yield of 800 %"):
        record(session, preparation, run.id, theoretical_yield_g=1.0)
    session.rollback()
    with pytest.raises(NeedsConfirmationError, match="above 100"):
        record(session, preparation, run.id, theoretical_yield_g=7.5)
    session.rollback()
    record(session, preparation, run.id, theoretical_yield_g=7.5, confirm=["yield_above_100"])
    # What was kept is not asked again, unless the yield changes.
    record(session, preparation, run.id, notes="wet")
    with pytest.raises(NeedsConfirmationError):
        record(session, preparation, run.id, theoretical_yield_g=7.0)


def test_weighed_amounts_do_not_make_a_failure_good(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    settings = {**SETTINGS, "ratio": 2.0}
    run = record(session, preparation, product_mass_g=2.0, outcome="failure", settings=settings)
    with pytest.raises(InvalidInputError, match="A failure with a yield of"):
        note_weighed(session, int(run.id or 0), {charged["alcohol"]: (2.0, None)}, confirm=["far_from_plan"])
    assert questions.list_weighed(session, int(preparation.id or 0)) == []


def test_a_failure_with_a_good_mass_is_questioned(session: Session, preparation: PreparationRow) -> None:
    run = record(session, preparation, product_mass_g=8.0)
    with pytest.raises(InvalidInputError, match="A failure with a yield of 80 %"):
        record(session, preparation, run.id, outcome="failure")


def test_recovered_material_in_excess_corrects_nothing(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    run = record(session, preparation, product_mass_g=13.02, settings={**SETTINGS, "ratio": 2.0})
    back = CheckpointInput(name="acid", stage="work_up", kind="recovered", mass_g=9.0, material_id=charged["acid"])
    add_checkpoint(session, int(run.id or 0), back)
    found = chemistry_of(session, preparation, view_run(session, int(run.id or 0))[1]).balance
    assert found is not None
    assert found.based_on_recovered_percent is None
    with pytest.raises(InvalidInputError, match="not there"):
        add_checkpoint(session, int(run.id or 0), back.model_copy(update={"material_id": 999}))


def test_a_measured_volume_stays_as_measured(session: Session, preparation: PreparationRow, charged: dict[str, int]) -> None:
    key = int(preparation.id or 0)
    wash = add_variable(session, key, VariableInput(name="wash", role="volume", unit="mL", low=5, high=50, base=10))
    water = MaterialInput(name="water", role="wash", amount_kind="volume", amount=10, ratio_variable_id=wash.id)
    bottle = int(add_material(session, key, water).id or 0)
    record(session, preparation, settings={**SETTINGS, "ratio": 2.0, "wash": 25.0}, product_mass_g=5)
    # One per cent more alcohol than planned makes no difference to 25 mL.
    found = {a.material: a.value for a in weigh(session, preparation, {charged["alcohol"]: (17.8, None), bottle: (None, 25.0)})}
    assert found["water"] == 25.0


def test_a_count_multiplies_what_is_taken_for_each(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    key = int(preparation.id or 0)
    washes = add_variable(session, key, VariableInput(name="washes", role="count", low=0, high=5, step=1, base=2))
    salt = {"name": "brine", "role": "wash", "amount_kind": "volume", "amount": 50, "density_g_per_ml": 1.2}
    with pytest.raises(InvalidInputError, match="Choose a variable that counts"):
        add_material(session, key, MaterialInput(**salt, count_variable_id=charged["ratio"]))
    brine = add_material(session, key, MaterialInput(**salt, count_variable_id=washes.id))
    rows = questions.list_materials(session, key)

    def line_at(count: float) -> ChargeLine:
        charge = make_charge(preparation, rows, {str(washes.id): count}, float(preparation.base_scale_mol or 0))
        return next(line for line in charge.lines if line.material.key == str(brine.id))

    assert [line_at(n).volume_ml for n in (0, 1, 3)] == [0.0, 50.0, 150.0]
    assert line_at(3).mass_g == pytest.approx(180.0)
    assert [portions_text(line_at(n)) for n in (0, 1, 3)] == ["", "", "3 × 50 mL"]
    # A copy counts with its own variable; without the variable the base recipe's portions stay.
    copy = duplicate_preparation(session, key)
    (copied,) = [m for m in questions.list_materials(session, int(copy.id or 0)) if m.name == "brine"]
    assert copied.count_variable_id not in (None, washes.id)
    delete_variable(session, int(copied.count_variable_id or 0))
    session.refresh(copied)
    assert copied.amount == 100.0
    assert copied.count_variable_id is None
    record(session, preparation, settings={**SETTINGS, "ratio": 2.0, "washes": 3}, product_mass_g=5)
    with pytest.raises(InvalidInputError, match="sets how much of these the runs took: brine"):
        delete_variable(session, int(washes.id or 0))


def test_several_portions_driven_by_a_volume_are_weighed_together(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    key = int(preparation.id or 0)
    washes = add_variable(session, key, VariableInput(name="washes", role="count", low=0, high=5, step=1, base=2))
    wash = add_variable(session, key, VariableInput(name="wash", role="volume", unit="mL", low=5, high=50, base=10))
    water = MaterialInput(
        name="water", role="wash", amount_kind="volume", amount=10, ratio_variable_id=wash.id, count_variable_id=washes.id
    )
    bottle = int(add_material(session, key, water).id or 0)
    settings = {**SETTINGS, "ratio": 2.0, "wash": 25.0, "washes": 3}
    record(session, preparation, settings=settings, product_mass_g=5)
    found = {a.material: a.value for a in weigh(session, preparation, {charged["alcohol"]: (17.8, None), bottle: (None, 75.0)})}
    assert found["water"] == 25.0


def test_a_corrected_note_leaves_the_yield_alone(session: Session, preparation: PreparationRow, charged: dict[str, int]) -> None:
    key = int(preparation.id or 0)
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    session.commit()
    settings = {**SETTINGS, "ratio": 2.0}
    run = record(session, preparation, settings=settings, product_mass_g=13.0)
    theory, percent = run.theory_g, percent_of(session, run)
    assert theory == pytest.approx(0.2 * 130.187, abs=1e-2)
    # The line of the alcohol is changed afterwards; that says nothing about what was done.
    alcohol = questions.get_material(session, charged["alcohol"])
    update_material(session, charged["alcohol"], as_input(alcohol).model_copy(update={"amount": 2.0}))
    record(session, preparation, run_id=run.id, settings=settings, product_mass_g=13.0, notes="smelled of pear")
    assert (run.theory_g, percent_of(session, run)) == (theory, percent)
    # Unless the charge was wrong before, which the chemist has to say.
    view = view_run(session, int(run.id or 0))[1]
    today = theory_today(session, preparation, view)
    assert today is not None
    assert today.value == pytest.approx(2 * (theory or 0.0))
    again = {"settings": settings, "product_mass_g": 13.0}
    record(session, preparation, run_id=run.id, confirm=["renew_theory"], **again)
    assert run.theory_g == pytest.approx(2 * (theory or 0.0))
    assert theory_today(session, preparation, view_run(session, int(run.id or 0))[1]) is None
    update_material(session, charged["alcohol"], as_input(alcohol).model_copy(update={"amount": 1.0}))
    record(session, preparation, run_id=run.id, confirm=["renew_theory"], **again)
    update_material(session, charged["alcohol"], as_input(alcohol).model_copy(update={"amount": 2.0}))
    record(session, preparation, run_id=run.id, settings=settings, product_mass_g=13.0, scale_mol=0.1)
    assert run.theory_g == pytest.approx(theory or 0.0)  # twice the alcohol at half the scale
    assert "alcohol limits" in run.theory_source
    record(session, preparation, run_id=run.id, settings={**settings, "ratio": 1.0}, product_mass_g=13.0, scale_mol=0.1)
    assert run.theory_g == pytest.approx((theory or 0.0) / 2)
    record(session, preparation, run_id=run.id, settings=settings, product_mass_g=13.0, scale_mol=None)
    assert run.scale_mol == 0.2
    assert key


def test_a_material_that_was_weighed_stays(session: Session, preparation: PreparationRow, charged: dict[str, int]) -> None:
    run = record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    note_weighed(session, int(run.id or 0), {charged["acid"]: (21.0, None)})
    with pytest.raises(InvalidInputError, match=r"What was weighed of acid is noted in run 1, and would be lost\."):
        delete_material(session, charged["acid"])
    note_weighed(session, int(run.id or 0), {charged["acid"]: (None, None)})
    delete_material(session, charged["acid"])


def test_a_slip_of_the_decimal_point_is_asked_about(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    run_id = int(record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5).id or 0)
    for slip in (1.763, 176.3, 0.0):
        with pytest.raises(NeedsConfirmationError, match=rf"alcohol: {slip:g} g noted, 17\.63 g planned\.") as asked:
            note_weighed(session, run_id, {charged["alcohol"]: (slip, None), charged["acid"]: (24.0, None)})
        assert asked.value.field == f"mass_{charged['alcohol']}"
        assert questions.list_weighed(session, int(preparation.id or 0)) == []
    note_weighed(session, run_id, {charged["alcohol"]: (1.763, None)}, confirm=["far_from_plan"])
    # Kept once, it is not asked again with the next amount.
    note_weighed(session, run_id, {charged["alcohol"]: (1.763, None), charged["acid"]: (24.0, None)})
    assert {w.mass_g for w in questions.list_weighed(session, int(preparation.id or 0))} == {1.763, 24.0}


def test_an_amount_noted_later_takes_no_yield_away(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    run = record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5.0)
    key, theory = int(run.id or 0), run.theory_g
    before = percent_of(session, run)
    preparation.product_formula = ""
    preparation.theoretical_yield_g = None
    session.add(preparation)
    session.commit()
    note_weighed(session, key, {charged["alcohol"]: (17.0, None)})
    # Today's charge gives no theory: the run keeps the one that it had.
    assert (run.theory_g, percent_of(session, run)) == (theory, before)
    assert view_run(session, key)[1].counts


def test_what_is_refused_leaves_the_run_as_it_was(session: Session, preparation: PreparationRow) -> None:
    run = record(session, preparation, product_mass_g=7.0)
    before = run.model_dump()
    with pytest.raises(NeedsConfirmationError, match="above 100"):
        record(session, preparation, run_id=run.id, product_mass_g=10.5, notes="wet?")
    # The form is drawn from the same row again.
    assert run.model_dump() == before


def test_a_material_of_which_something_was_recovered_stays(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    run = record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    data = CheckpointInput(
        name="acid back", stage="work_up", kind="recovered", material_id=charged["acid"], mass_g=2, purity_percent=90
    )
    add_checkpoint(session, int(run.id or 0), data)
    with pytest.raises(InvalidInputError, match=r"What was recovered of acid is a checkpoint of run 1\."):
        delete_material(session, charged["acid"])


def test_no_more_comes_back_than_was_put_in(session: Session, preparation: PreparationRow, charged: dict[str, int]) -> None:
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    run = record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)

    def back(mass: float, material: str | None) -> CheckpointInput:
        key = charged[material] if material else None
        return CheckpointInput(name="back", stage="work_up", kind="recovered", material_id=key, mass_g=mass, purity_percent=90)

    # Planned: 0.2 mol of alcohol, 88.150 g/mol, and 0.4 mol of acid, 60.052 g/mol.
    for material, most in ((None, 17.63 / 0.9), ("acid", 24.0208 / 0.9)):
        with pytest.raises(InvalidInputError, match="came back, but only"):
            add_checkpoint(session, int(run.id or 0), back(most + 0.01, material))
        add_checkpoint(session, int(run.id or 0), back(most - 0.01, material))


def test_a_volume_from_which_no_amount_follows_is_sent_back(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    run = record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=5)
    with pytest.raises(InvalidInputError, match="note the mass, or enter the density") as refused:
        note_weighed(session, int(run.id or 0), {charged["alcohol"]: (None, 20.0), charged["acid"]: (None, 23.0)})
    # The acid has a density.
    assert set(refused.value.messages) == {f"volume_{charged['alcohol']}"}


def test_a_remark_leaves_a_kept_theory_though_the_form_carries_fewer_digits(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    preparation.product_formula, preparation.theoretical_yield_g = "C7H14O2", None
    session.add(preparation)
    first: dict[str, Any] = {"product_mass_g": 1.5, "scale_mol": 1 / 75, "settings": {**SETTINGS, "ratio": 2.0}}
    run = record(session, preparation, **first)
    before = percent_of(session, run)
    alcohol = questions.get_material(session, charged["alcohol"])
    update_material(session, charged["alcohol"], as_input(alcohol).model_copy(update={"purity_percent": 80.0}))
    record(session, preparation, run_id=int(run.id or 0), **{**first, "scale_mol": float(f"{1 / 75:.12g}"), "notes": "brown"})
    assert percent_of(session, run) == before
    record(session, preparation, run_id=int(run.id or 0), **{**first, "scale_mol": 0.0134})
    assert percent_of(session, run) != before


def test_no_more_comes_back_in_parts_than_was_put_in(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    run = record(session, preparation, product_mass_g=1.0, settings={**SETTINGS, "ratio": 2.0})
    half = CheckpointInput(name="alcohol back", stage="work_up", kind="recovered", mass_g=10.0)
    first = add_checkpoint(session, int(run.id or 0), half)
    # 0.2 mol of C5H12O are 17.63 g.
    with pytest.raises(InvalidInputError, match=r"20 g of alcohol came back, but only 17\.63 g were put in"):
        add_checkpoint(session, int(run.id or 0), half.model_copy(update={"confirm": ["same_checkpoint"]}))
    assert update_checkpoint(session, int(first.id or 0), half.model_copy(update={"mass_g": 12.0})).mass_g == 12.0
    # The limiting material is meant, by its name or without.
    named = half.model_copy(update={"mass_g": 6.0, "material_id": charged["alcohol"]})
    with pytest.raises(InvalidInputError, match="18 g of alcohol came back"):
        add_checkpoint(session, int(run.id or 0), named)
    add_checkpoint(session, int(run.id or 0), named.model_copy(update={"mass_g": 5.0}))


def test_what_tells_nothing_needs_no_theory(session: Session) -> None:
    preparation = make_preparation(session)
    preparation.theoretical_yield_g = None
    session.add(preparation)
    assert record(session, preparation, outcome="failure", product_mass_g=0.0).outcome == "failure"
    assert record(session, preparation, outcome="no_information", product_mass_g=3.0).outcome == "no_information"
    with pytest.raises(InvalidInputError, match="Enter the theoretical yield"):
        record(session, preparation, product_mass_g=3.0)


def test_less_than_came_out_is_no_mass_intensity(session: Session, preparation: PreparationRow, charged: dict[str, int]) -> None:
    run = record(session, preparation, product_mass_g=0.9, settings={**SETTINGS, "ratio": 2.0})
    note_weighed(
        session,
        int(run.id or 0),
        {key: (0.0, None) for name, key in charged.items() if name != "ratio"},
        confirm=["far_from_plan"],
    )
    found = chemistry_of(session, preparation, view_run(session, int(run.id or 0))[1])
    assert (found.mass_intensity, found.e_factor) == (None, None)


def test_a_run_put_under_way_by_its_state_has_started(session: Session, preparation: PreparationRow) -> None:
    plan = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS))
    assert set_state(session, int(plan.id or 0), "under_way").started_at is not None
    moment = plan.started_at
    set_state(session, int(plan.id or 0), "planned")
    assert set_state(session, int(plan.id or 0), "under_way").started_at == moment


def test_a_scale_in_another_unit_is_asked_about(session: Session, preparation: PreparationRow) -> None:
    preparation.base_scale_mol = 0.005
    session.add(preparation)
    plan = PlannedRunInput(settings=SETTINGS, scale_mol=5.0)
    with pytest.raises(NeedsConfirmationError, match=r"5 mol is 1000 times the usual scale, 0\.005 mol") as asked:
        plan_run(session, int(preparation.id or 0), plan)
    with pytest.raises(NeedsConfirmationError, match="not in mmol"):
        record(session, preparation, yield_percent=50, scale_mol=5.0)
    kept = record(session, preparation, yield_percent=50, scale_mol=5.0, confirm=[asked.value.code])
    # What was said once is not asked again, nor is what lies between scales that were used.
    record(session, preparation, run_id=int(kept.id or 0), yield_percent=51, scale_mol=5.0)
    record(session, preparation, yield_percent=50, scale_mol=0.4)


def test_a_planned_run_keeps_its_scale(session: Session, preparation: PreparationRow) -> None:
    preparation.base_scale_mol = 0.005
    session.add(preparation)
    run = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS))
    preparation.base_scale_mol = 0.01
    session.add(preparation)
    assert view_run(session, int(run.id or 0))[1].row.scale_mol == 0.005


def test_amounts_follow_another_base_scale_if_told_so(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    key = int(preparation.id or 0)
    salt = add_material(session, key, MaterialInput(name="MgSO4", role="drying_agent", amount_kind="mass", amount=2))
    same = preparation_input(preparation)
    with pytest.raises(NeedsConfirmationError, match=r"entered for 0\.2 mol: 2 g MgSO4; a theoretical yield of 10 g") as asked:
        update_preparation(session, key, same.model_copy(update={"base_scale_mol": 0.5}))
    assert [question for _, question in asked.value.choices] == [
        "Multiply them by 2.5, so that the recipe stays the same",
        "They are right for 0.5 mol as they are",
    ]
    grow, stay = (answer for answer, _ in asked.value.choices)
    session.rollback()
    with pytest.raises(InvalidInputError, match="could not be meant"):
        update_preparation(session, key, same.model_copy(update={"base_scale_mol": 1e14, "confirm": ["amounts_grow"]}))
    session.rollback()
    update_preparation(session, key, same.model_copy(update={"base_scale_mol": 0.5, "confirm": [grow]}))
    assert (salt.amount, preparation.theoretical_yield_g) == (5.0, 25.0)
    logged = session.exec(select(ChangeRow).where(ChangeRow.what == "MgSO4 for another base scale")).one()
    assert (logged.before, logged.after) == ({"amount": 2.0}, {"amount": 5.0})
    same = preparation_input(preparation)
    update_preparation(session, key, same.model_copy(update={"base_scale_mol": 0.1, "confirm": ["amounts_stay"]}))
    assert salt.amount == 5.0
    with pytest.raises(NeedsConfirmationError):
        update_preparation(session, key, same.model_copy(update={"base_scale_mol": 0.2, "confirm": [stay]}))


def test_next_to_nothing_is_asked_about(session: Session, preparation: PreparationRow) -> None:
    # 10 g of theory: 8 mg are a slip in a unit, or a failure.
    with pytest.raises(NeedsConfirmationError, match=r"This is a yield of 0\.08 %: check the mass, its unit and the scale"):
        record(session, preparation, product_mass_g=0.008)
    assert record(session, preparation, product_mass_g=0.008, outcome="failure").outcome == "failure"


def test_a_run_that_was_hardly_weighed_tells_nothing_about_scatter(session: Session, preparation: PreparationRow) -> None:
    for mass in (8.0, 8.1, 7.9):
        record(session, preparation, product_mass_g=mass)
    before = analyse(session, int(preparation.id or 0)).repeatability
    record(session, preparation, product_mass_g=4.0, product_mass_u_g=2.0)
    assert analyse(session, int(preparation.id or 0)).repeatability == before
    record(session, preparation, product_mass_g=4.0)
    after = analyse(session, int(preparation.id or 0)).repeatability
    assert after is not None
    assert after[1] == 3


def test_all_runs_take_the_theory_of_today_at_once(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    key = int(preparation.id or 0)
    preparation.product_formula, preparation.theoretical_yield_g = "C7H14O2", None
    session.add(preparation)
    settings = {**SETTINGS, "ratio": 2.0}
    by_mass = [record(session, preparation, product_mass_g=mass, settings=settings) for mass in (10.0, 24.0)]
    typed = record(session, preparation, yield_percent=50.0, settings=settings)
    # 0.2 mol of C7H14O2 are 26.04 g, of its hydrate 29.64 g.
    preparation.product_formula = "C7H14O2·H2O"
    session.add(preparation)
    assert [r.number for r in with_another_theory(session, preparation, view_runs(session, preparation))] == [1, 2]
    assert renew_theories(session, key) == [1, 2]
    assert [percent_of(session, run) for run in (*by_mass, typed)] == pytest.approx([33.74, 80.97, 50.0], abs=0.02)
    assert renew_theories(session, key) == []
    # A product so light that a run would have given more than twice the theory: nothing is changed.
    preparation.product_formula = "CH4O"
    session.add(preparation)
    session.commit()
    with pytest.raises(InvalidInputError, match=r"Run 2: This gives a yield of 37\d %.*Nothing was changed"):
        renew_theories(session, key)
    assert [percent_of(session, run) for run in by_mass] == pytest.approx([33.74, 80.97], abs=0.02)


def test_a_note_leaves_a_yield_alone_that_is_older_than_the_base_scale(session: Session) -> None:
    preparation = make_preparation(session)
    run = record(session, preparation, product_mass_g=7.0)
    assert percent_of(session, run) == pytest.approx(70.0)
    changed = preparation_input(preparation).model_copy(update={"theoretical_yield_g": 20.0, "base_scale_mol": 0.1})
    update_preparation(session, int(preparation.id or 0), changed)
    record(session, preparation, int(run.id or 0), notes="typo mended")
    assert percent_of(session, run) == pytest.approx(70.0)
    assert run.scale_mol is None
    # On a yes it follows today's theory, and its scale is the base scale then.
    record(session, preparation, int(run.id or 0), confirm=["renew_theory"])
    assert percent_of(session, run) == pytest.approx(35.0)
    assert run.scale_mol == 0.1


def test_a_typed_yield_stays_where_no_mass_is_sent(session: Session, preparation: PreparationRow) -> None:
    run = record(session, preparation, yield_percent=61.0)
    record(session, preparation, int(run.id or 0), product_mass_g=None, notes="no mass")
    assert percent_of(session, run) == pytest.approx(61.0)


@pytest.mark.parametrize("name", ["hold", "bath"])
def test_a_setting_below_nothing_is_refused(session: Session, preparation: PreparationRow, name: str) -> None:
    value = -1.0 if name == "hold" else -300.0
    with pytest.raises(InvalidInputError) as refused:
        record(session, preparation, settings={**SETTINGS, name: value}, yield_percent=50, confirm=["outside_limits"])
    assert len(refused.value.messages) == 1
    assert next(iter(refused.value.messages)).startswith("setting_")


def test_the_history_keeps_the_plan_of_a_planned_run_that_is_deleted(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    run = plan_run(session, key, PlannedRunInput(settings={"hold": 3, "bath": 115, "agent": "Na2SO4"}))
    delete_run(session, int(run.id or 0))
    (change,) = [c for c in questions.list_changes(session, key) if c.what == "run deleted"]
    assert change.before is not None
    assert change.before["planned"] == {"hold": 3.0, "bath": 115.0, "agent": "Na2SO4"}
    assert set(change.before["settings"].values()) == {None}


def test_a_run_that_is_planned_again_begins_anew(session: Session, preparation: PreparationRow) -> None:
    run_id = int(plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS)).id or 0)
    assert set_state(session, run_id, "under_way").started_at is not None
    set_state(session, run_id, "abandoned")
    assert set_state(session, run_id, "planned").started_at is None
    newest = questions.list_changes(session, int(preparation.id or 0))[0]
    assert newest.before is not None
    assert newest.before["started_at"] is not None
    # Readings count from the start, so with them it stays.
    set_state(session, run_id, "under_way")
    add_reading(session, run_id, ReadingInput(series="product", value=40, at="0", at_kind="elapsed"))
    set_state(session, run_id, "abandoned")
    assert set_state(session, run_id, "planned").started_at is not None


def test_a_plan_without_scale_gets_none_when_its_settings_change(session: Session, preparation: PreparationRow) -> None:
    run = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS))
    assert run.scale_mol is None
    preparation.base_scale_mol = 0.5
    session.add(preparation)
    session.commit()
    changed = ChangedPlanInput.model_validate({"settings": {**SETTINGS, "bath": 125}})
    assert change_plan(session, int(run.id or 0), changed).scale_mol is None


def test_theory_is_as_weighed_only_where_the_limiting_material_was(
    session: Session, preparation: PreparationRow, charged: dict[str, int]
) -> None:
    preparation.theoretical_yield_g = None
    preparation.product_formula = "C7H14O2"
    session.add(preparation)
    session.commit()
    run = record(session, preparation, settings={**SETTINGS, "ratio": 2.0}, product_mass_g=20.0)
    note_weighed(session, int(run.id or 0), {charged["catalyst"]: (1.0, None)})
    assert view_run(session, int(run.id or 0))[1].theory_source == "planned amounts; alcohol limits"
    note_weighed(session, int(run.id or 0), {charged["alcohol"]: (17.0, None)})
    assert view_run(session, int(run.id or 0))[1].theory_source == "as-weighed amounts; alcohol limits"
