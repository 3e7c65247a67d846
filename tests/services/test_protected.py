"""What is refused, asked about or left alone, so that results stay what they were."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlmodel import Session

from server.core.space.variables import Role
from server.errors import ConflictError, InvalidInputError, NeedsConfirmationError, NotFoundError
from server.services.attachments import attach, read_attachment, remove_attachment
from server.services.charges import add_material, update_material
from server.services.charges import as_input as material_input
from server.services.inputs import (
    FinishedRunInput,
    MaterialInput,
    OptionRangeLimitInput,
    PlannedRunInput,
    PreparationInput,
    ProcedureInput,
    ReadingInput,
    SoFarInput,
    TotalTimeLimitInput,
    VariableInput,
)
from server.services.preparations import as_input as preparation_input
from server.services.preparations import create_preparation, duplicate_preparation, update_preparation
from server.services.readings import add_reading, start_run
from server.services.runs import (
    delete_run,
    exclude_run,
    keep_so_far,
    note_weighed,
    plan_run,
    record_run,
    set_state,
    view_run,
    view_runs,
)
from server.services.stock import StockLeft, stock_left
from server.services.variables import add_limit, add_variable, update_variable
from server.services.variables import as_input as variable_input
from server.services.writeups import set_procedure
from server.storage import questions
from server.storage.files import FileStore
from server.storage.tables import MaterialRow, PreparationRow, RunRow
from tests.factories import make_preparation, make_run

SETTINGS = {"hold": 2.0, "bath": 120.0, "agent": "MgSO4"}
# 5 g a run at the base scale.
SALT = MaterialInput(name="salt", role="other", amount_kind="mass", amount=5.0, stock_g=100.0)


@pytest.fixture
def preparation(session: Session) -> PreparationRow:
    return make_preparation(session, base_scale_mol=0.1)


@pytest.fixture
def salt(session: Session, preparation: PreparationRow) -> MaterialRow:
    return add_material(session, key_of(preparation), SALT)


def key_of(row: PreparationRow | RunRow | MaterialRow) -> int:
    return int(row.id or 0)


def plan(session: Session, preparation: PreparationRow, **more: Any) -> RunRow:
    return plan_run(session, key_of(preparation), PlannedRunInput(settings=SETTINGS, **more))


def correct(session: Session, run: RunRow, **more: Any) -> RunRow:
    return record_run(session, run.preparation_id, FinishedRunInput(settings=SETTINGS, **more), run_id=key_of(run))


def left_of(session: Session, preparation: PreparationRow, salt: MaterialRow) -> StockLeft:
    rows = questions.list_materials(session, key_of(preparation))
    return stock_left(session, preparation, rows, view_runs(session, preparation))[str(salt.id)]


def count_anew(session: Session, salt: MaterialRow) -> None:
    update_material(session, key_of(salt), material_input(salt).model_copy(update={"stock_counted": True}))


@pytest.mark.parametrize("is_whole_run", [False, True], ids=["taken off a run", "gone with a run"])
def test_a_photo_that_another_run_still_has_survives_a_sweep(
    session: Session, preparation: PreparationRow, tmp_path: Path, is_whole_run: bool
) -> None:
    files = FileStore(tmp_path / "files")
    first, second = make_run(session, preparation), make_run(session, preparation)
    gone = attach(session, files, key_of(first), "plate.txt", b"the same plate")
    stays = attach(session, files, key_of(second), "plate.txt", b"the same plate")
    if is_whole_run:
        delete_run(session, key_of(first))
    else:
        remove_attachment(session, int(gone.id or 0))
    assert files.sweep(questions.removed_digests(session)) == 0
    assert files.read(stays.sha256) == b"the same plate"
    remove_attachment(session, int(stays.id or 0))
    assert files.sweep(questions.removed_digests(session)) == 1


@pytest.mark.parametrize("state", ["planned", "under_way", "abandoned"])
def test_a_finished_run_cannot_be_begun_or_given_up(session: Session, preparation: PreparationRow, state: str) -> None:
    run = make_run(session, preparation)
    with pytest.raises(InvalidInputError, match="Run 1 is finished; change its result instead"):
        set_state(session, key_of(run), state)
    assert view_run(session, key_of(run))[1].counts


@pytest.mark.parametrize(("mass", "volume", "field"), [(-1.0, None, "mass"), (4.0, -1.0, "volume")])
def test_no_amount_below_0_is_noted(
    session: Session, preparation: PreparationRow, salt: MaterialRow, mass: float, volume: float | None, field: str
) -> None:
    run = plan(session, preparation)
    with pytest.raises(InvalidInputError, match="An amount cannot be below 0") as refused:
        note_weighed(session, key_of(run), {key_of(salt): (mass, volume)}, confirm=["far_from_plan"])
    assert set(refused.value.messages) == {f"{field}_{salt.id}"}
    assert questions.list_weighed(session, key_of(preparation)) == []


@pytest.mark.parametrize(
    "change",
    [
        lambda session, run: set_state(session, run, "under_way"),
        lambda session, run: start_run(session, run),
        lambda session, run: keep_so_far(session, run, SoFarInput(settings=SETTINGS, lot="L2")),
        lambda session, run: note_weighed(session, run, {1: (4.0, None)}),
    ],
    ids=["state", "clock", "so far", "weighed"],
)
def test_a_form_opened_before_a_run_went_on_is_refused(
    session: Session, preparation: PreparationRow, salt: MaterialRow, change: Callable[[Session, int], object]
) -> None:
    run = plan(session, preparation)
    opened = run.revision
    assert salt.id == 1
    change(session, key_of(run))
    with pytest.raises(ConflictError, match="changed elsewhere"):
        correct(session, run, yield_percent=60, revision=opened)
    with pytest.raises(ConflictError, match="changed elsewhere"):
        keep_so_far(session, key_of(run), SoFarInput(settings=SETTINGS, revision=opened))
    with pytest.raises(ConflictError, match="changed elsewhere"):
        note_weighed(session, key_of(run), {1: (5.0, None)}, revision=opened)
    assert correct(session, run, yield_percent=60, revision=run.revision).state == "finished"


def test_a_form_opened_before_a_run_was_excluded_or_taken_back_is_refused(session: Session, preparation: PreparationRow) -> None:
    run = make_run(session, preparation)
    for reason in ("thermometer broke", None):
        opened = run.revision
        exclude_run(session, key_of(run), reason)
        with pytest.raises(ConflictError, match="changed elsewhere"):
            correct(session, run, yield_percent=60, revision=opened)
    assert view_run(session, key_of(run))[1].percent == 70.0


@pytest.mark.parametrize("state", ["planned", "under_way", "abandoned"])
def test_a_run_without_a_result_cannot_be_excluded(session: Session, preparation: PreparationRow, state: str) -> None:
    run = plan(session, preparation)
    set_state(session, key_of(run), state)
    with pytest.raises(InvalidInputError, match="Only a finished run can be excluded"):
        exclude_run(session, key_of(run), "spilled")
    assert run.excluded_reason is None


def test_a_correction_takes_nothing_of_the_stock_again(session: Session, preparation: PreparationRow, salt: MaterialRow) -> None:
    run = make_run(session, preparation)
    assert left_of(session, preparation, salt).taken_g == pytest.approx(5.0)
    finished_at = run.finished_at
    count_anew(session, salt)
    correct(session, run, yield_percent=66)
    assert run.finished_at == finished_at
    assert left_of(session, preparation, salt) == StockLeft(100.0, 0.0, 0.0)


def test_an_abandoned_run_took_its_materials_only_if_it_was_begun(
    session: Session, preparation: PreparationRow, salt: MaterialRow
) -> None:
    never, begun = plan(session, preparation), plan(session, preparation)
    set_state(session, key_of(begun), "under_way")
    assert left_of(session, preparation, salt).reserved_g == pytest.approx(10.0)
    for run in (never, begun):
        set_state(session, key_of(run), "abandoned")
    found = left_of(session, preparation, salt)
    assert (found.taken_g, found.reserved_g) == pytest.approx((5.0, 0.0))


def test_another_balance_leaves_the_uncertainty_of_what_was_weighed_before(session: Session, preparation: PreparationRow) -> None:
    run = correct(session, plan(session, preparation), product_mass_g=7.0)

    def uncertainty() -> float:
        found = view_run(session, key_of(run))[1].run_yield
        assert found is not None
        return found.u

    before = uncertainty()
    coarse = preparation_input(preparation).model_copy(update={"balance_readability_g": 0.1})
    update_preparation(session, key_of(preparation), coarse)
    assert uncertainty() == before
    correct(session, run, product_mass_g=7.0, notes="turned brown")
    assert (uncertainty(), run.readability_g) == (before, 0.01)
    correct(session, run, product_mass_g=7.1)
    assert uncertainty() == pytest.approx(10.0 * before)


def test_no_result_is_kept_with_a_theoretical_yield_of_0(session: Session, preparation: PreparationRow) -> None:
    # As it may stand in a database; no form takes it.
    preparation.theoretical_yield_g = 0.0
    session.add(preparation)
    session.commit()
    with pytest.raises(InvalidInputError, match=r"The theoretical yield is 0 g \(entered with the preparation\)") as refused:
        make_run(session, preparation)
    assert set(refused.value.messages) == {"theoretical_yield_g"}
    assert questions.list_runs(session, key_of(preparation)) == []


@pytest.mark.parametrize("is_planned", [False, True])
def test_numbers_that_runs_have_cannot_turn_into_a_choice(
    session: Session, preparation: PreparationRow, is_planned: bool
) -> None:
    data = VariableInput(name="ratio", role="ratio", low=1, high=3, base=2)
    ratio = int(add_variable(session, key_of(preparation), data).id or 0)
    settings = {**SETTINGS, "ratio": 2.5}
    if is_planned:
        plan_run(session, key_of(preparation), PlannedRunInput(settings=settings))
    else:
        make_run(session, preparation, settings=settings)
    choice = VariableInput(name="ratio", role="choice", choices=["little", "much"], base="little")
    with pytest.raises(InvalidInputError, match="cannot turn from numbers to a choice or back"):
        update_variable(session, ratio, choice)
    session.rollback()
    assert view_runs(session, preparation)[0].settings[str(ratio)] == 2.5


def test_a_new_variable_stands_with_runs_that_are_over_as_run_and_with_others_as_planned(
    session: Session, preparation: PreparationRow
) -> None:
    finished, given_up, pending = make_run(session, preparation), plan(session, preparation), plan(session, preparation)
    set_state(session, key_of(given_up), "abandoned")
    row = add_variable(session, key_of(preparation), VariableInput(name="ratio", role="ratio", low=1, high=3, base=2))

    def stored(run: RunRow) -> tuple[float | None, float | None]:
        (found,) = [s for s in questions.list_run_settings(session, key_of(run)) if s.variable_id == row.id]
        return found.planned_number, found.as_run_number

    assert [stored(run) for run in (finished, given_up, pending)] == [(None, 2.0), (None, 2.0), (2.0, None)]
    assert not view_run(session, key_of(finished))[1].was_planned


def test_a_copy_of_a_preparation_has_no_stock(session: Session, preparation: PreparationRow, salt: MaterialRow) -> None:
    copy = duplicate_preparation(session, key_of(preparation))
    (copied,) = questions.list_materials(session, key_of(copy))
    assert (copied.name, copied.amount, copied.stock_g, copied.stock_at) == ("salt", 5.0, None, None)
    assert (salt.stock_g, salt.stock_at is None) == (100.0, False)


def test_a_scale_in_another_unit_is_asked_about_before_the_result_too(session: Session, preparation: PreparationRow) -> None:
    run = plan(session, preparation)
    with pytest.raises(NeedsConfirmationError, match="The scale is in mol, not in mmol") as asked:
        keep_so_far(session, key_of(run), SoFarInput(settings=SETTINGS, scale_mol=100.0))
    assert (asked.value.code, run.scale_mol) == ("far_scale", 0.1)
    keep_so_far(session, key_of(run), SoFarInput(settings=SETTINGS, scale_mol=100.0, confirm=[asked.value.code]))
    assert run.scale_mol == 100.0


def test_options_of_a_choice_differ(session: Session, preparation: PreparationRow) -> None:
    data = VariableInput(name="acid", role=Role.CHOICE, choices=["H2SO4", "TsOH", "H2SO4"], base="TsOH")
    with pytest.raises(InvalidInputError, match="Each option must be different") as refused:
        add_variable(session, key_of(preparation), data)
    assert set(refused.value.messages) == {"choices"}
    row = add_variable(session, key_of(preparation), data.model_copy(update={"choices": ["H2SO4", "TsOH"]}))
    with pytest.raises(InvalidInputError, match="Each option must be different"):
        update_variable(session, int(row.id or 0), variable_input(row).model_copy(update={"choices": ["TsOH", "TsOH"]}))


@pytest.mark.parametrize("bound", [0.0, -1.0])
def test_a_total_time_is_more_than_0(session: Session, preparation: PreparationRow, bound: float) -> None:
    data = VariableInput(name="rest", role="hold_time", unit="h", low=0, high=2, base=0)
    row = add_variable(session, key_of(preparation), data)
    with pytest.raises(InvalidInputError, match="The total time must be more than 0"):
        add_limit(session, key_of(preparation), TotalTimeLimitInput(kind="total_time", variables=[int(row.id or 0)], bound=bound))
    assert questions.list_limits(session, key_of(preparation)) == []


@pytest.mark.parametrize("state", ["finished", "abandoned"])
def test_now_is_no_time_in_a_run_that_is_over(session: Session, preparation: PreparationRow, state: str) -> None:
    run = plan(session, preparation)
    start_run(session, key_of(run))
    add_reading(session, key_of(run), ReadingInput(series="volume", value=1.0))
    if state == "finished":
        correct(session, run, yield_percent=60)
    else:
        set_state(session, key_of(run), state)
    with pytest.raises(InvalidInputError, match="This run is over, so ‘now’ is no time in it") as refused:
        add_reading(session, key_of(run), ReadingInput(series="volume", value=2.0, confirm=["same_time"]))
    assert set(refused.value.messages) == {"at"}
    assert [r.value for r in questions.list_readings(session, key_of(run))] == [1.0]


def test_a_procedure_has_only_stages_that_exist(session: Session, preparation: PreparationRow) -> None:
    set_procedure(session, key_of(preparation), ProcedureInput(stages={"reaction": "Heat it."}))
    with pytest.raises(InvalidInputError, match="Choose stages that exist"):
        set_procedure(session, key_of(preparation), ProcedureInput(stages={"reaction": "Cool it.", "distilation": "Boil it."}))
    assert preparation.procedure == {"reaction": "Heat it."}


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("water_percent", -0.1, "at least 0 and below 100"),
        ("water_percent", 100.0, "at least 0 and below 100"),
        ("purity_percent", 0.0, "above 0 and at most 100"),
        ("purity_percent", 100.1, "above 0 and at most 100"),
        ("purity_u_percent", -0.1, "cannot be below 0"),
        ("purity_u_percent", 100.1, "above the purity itself"),
    ],
)
def test_a_material_holds_neither_less_than_nothing_nor_only_water(
    session: Session, preparation: PreparationRow, salt: MaterialRow, field: str, value: float, words: str
) -> None:
    with pytest.raises(InvalidInputError, match=words) as refused:
        add_material(session, key_of(preparation), SALT.model_copy(update={"name": "other", field: value}))
    assert set(refused.value.messages) == {field}
    with pytest.raises(InvalidInputError, match=words):
        update_material(session, key_of(salt), material_input(salt).model_copy(update={field: value}))
    (kept,) = questions.list_materials(session, key_of(preparation))
    assert (kept.purity_percent, kept.water_percent) == (100.0, 0.0)


def test_amounts_that_are_noted_as_they_were_leave_no_trace(session: Session) -> None:
    preparation = make_preparation(session, product_formula="C7H14O2", base_scale_mol=0.1)
    key = int(preparation.id or 0)
    alcohol = MaterialInput(name="alcohol", role="reagent", formula="C5H12O", amount=1)
    material = int(add_material(session, key, alcohol).id or 0)
    run = make_run(session, preparation, 60.0)
    note_weighed(session, int(run.id or 0), {material: (8.8, None)})
    before = run.revision, len(questions.list_changes(session, key))
    note_weighed(session, int(run.id or 0), {material: (8.8, None)})
    note_weighed(session, int(run.id or 0), {})
    assert (run.revision, len(questions.list_changes(session, key))) == before


def test_a_photo_that_was_damaged_is_not_shown_and_is_mended_by_attaching_it_again(
    session: Session, preparation: PreparationRow, tmp_path: Path
) -> None:
    files = FileStore(tmp_path / "files")
    run = make_run(session, preparation)
    row = attach(session, files, key_of(run), "plate.txt", b"two spots")
    (stored,) = (path for path in (tmp_path / "files").rglob("*") if path.is_file())
    for damaged in (b"two spotz", b""):
        stored.write_bytes(damaged)
        with pytest.raises(NotFoundError, match="undamaged file"):
            read_attachment(session, files, int(row.id or 0))
        attach(session, files, key_of(make_run(session, preparation)), "plate.txt", b"two spots")
        assert files.read(row.sha256) == b"two spots"


def test_no_two_preparations_get_the_same_name_by_a_change(session: Session, preparation: PreparationRow) -> None:
    other = create_preparation(session, PreparationInput(name="Other"))
    data = preparation_input(other)
    with pytest.raises(InvalidInputError, match="already"):
        update_preparation(session, key_of(other), data.model_copy(update={"name": preparation.name}))
    # Its own name it may keep.
    update_preparation(session, key_of(other), data.model_copy(update={"notes": "x"}))


def test_another_base_scale_is_asked_about_where_a_variable_sets_an_amount(session: Session, preparation: PreparationRow) -> None:
    key = key_of(preparation)
    mass = add_variable(session, key, VariableInput(name="acid", role=Role.OTHER, unit="g", low=1, high=5, base=2))
    material = MaterialInput(name="acid", role="reagent", amount_kind="mass", amount=2, ratio_variable_id=mass.id)
    add_material(session, key, material)
    data = preparation_input(preparation).model_copy(update={"base_scale_mol": 0.2})
    with pytest.raises(NeedsConfirmationError, match="acid, 1 to 5 g") as asked:
        update_preparation(session, key, data)
    assert (asked.value.code, [code for code, _ in asked.value.others]) == ("amounts_grow", ["amounts_stay"])
    update_preparation(session, key, data.model_copy(update={"confirm": ["amounts_stay"]}))
    assert preparation.base_scale_mol == 0.2


def test_a_failure_that_was_kept_with_much_product_can_get_another_note_but_no_other_mass(
    session: Session, preparation: PreparationRow
) -> None:
    run = make_run(session, preparation, None, outcome="failure", product_mass_g=1.9, theoretical_yield_g=10.0)
    # An older version may have kept it.
    run.theoretical_yield_g = run.theory_g = 8.0
    session.add(run)
    session.commit()
    kept = {"outcome": "failure", "theoretical_yield_g": 8.0}
    correct(session, run, product_mass_g=1.9, notes="oiled out", **kept)
    assert run.notes == "oiled out"
    with pytest.raises(InvalidInputError):
        correct(session, run, product_mass_g=2.0, **kept)


def test_a_rule_that_a_plan_breaks_is_told_at_the_number_that_it_is_about(session: Session, preparation: PreparationRow) -> None:
    key = key_of(preparation)
    variables = {v.name: v for v in questions.list_variables(session, key)}
    choice, number = (int(variables[name].id or 0) for name in ("agent", "bath"))
    rule = OptionRangeLimitInput(kind="option_range", variable=choice, choice="MgSO4", partner=number, high=115.0)
    add_limit(session, key, rule)
    with pytest.raises(InvalidInputError) as told:
        plan(session, preparation)
    assert list(told.value.messages) == [f"setting_{variables['bath'].id}"]
