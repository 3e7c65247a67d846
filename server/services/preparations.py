"""Creating, changing, archiving and duplicating preparations."""

from __future__ import annotations

import logging
import math
import unicodedata
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, NoReturn

from sqlmodel import Session

from server.core.chemistry.charge import AT_BASE_SCALE
from server.core.chemistry.formula import read_formula
from server.core.space.limits import reach_of
from server.core.space.variables import Setting
from server.errors import FormulaTextError, InvalidInputError, NeedsConfirmationError, NothingReachableError
from server.services.inputs import CheckpointUseInput, CourseUseInput, PreparationInput
from server.services.numbers import LARGEST, SMALLEST
from server.services.spaces import space_of, variable_of
from server.services.vessels import limits_at_scale, variables_of_amounts
from server.services.words import grows_with_scale, plain
from server.storage import questions
from server.storage.files import FileStore
from server.storage.tables import ChangeRow, LimitRow, MaterialRow, PreparationRow, VariableRow

logger = logging.getLogger("yieldwright")
MOST_RUNS_A_WEEK = 1000
# From an ultramicrobalance to a platform scale. [g]
SMALLEST_READABILITY, LARGEST_READABILITY = 1e-7, 1000.0
# What repeats may be expected to scatter by. [percentage points] (Own judgement.)
LEAST_SCATTER, MOST_SCATTER = 0.2, 30.0


def now() -> datetime:
    """The present moment, in UTC."""
    return datetime.now(UTC)


def today() -> date:
    """The day where the app runs."""
    return datetime.now().astimezone().date()


def latest_day() -> date:
    """The last day on which a run can have been made, wherever its chemist is: some zones are a day ahead."""
    return today() + timedelta(days=1)


def check_percent(value: float | None, field: str, what: str, messages: dict[str, str]) -> None:
    """Add a message unless ``value`` is None or above 0 and at most 100."""
    if value is not None and not 0 < value <= 100:
        messages[field] = f"{what} of {value:g} % is not possible. Enter a value above 0 and up to 100."


def check_positive(value: float | None, field: str, what: str, messages: dict[str, str]) -> None:
    """Add a message unless ``value`` is None or above zero."""
    if value is not None and not value > 0:
        messages[field] = f"{what} must be more than 0; this is {value:g}."


def check_preparation(data: PreparationInput) -> None:
    """Refuse values that cannot be; InvalidInputError with a sentence per field."""
    messages: dict[str, str] = {}
    check_percent(data.aim_percent, "aim_percent", "An aim", messages)
    check_percent(data.literature_percent, "literature_percent", "A literature yield", messages)
    check_percent(data.new_ground_percent, "new_ground_percent", "A step into new ground", messages)
    check_positive(data.theoretical_yield_g, "theoretical_yield_g", "The theoretical yield in g", messages)
    check_positive(data.product_coefficient, "product_coefficient", "The coefficient", messages)
    check_positive(data.base_scale_mol, "base_scale_mol", "The scale in mol", messages)
    if not SMALLEST_READABILITY <= data.balance_readability_g <= LARGEST_READABILITY:
        messages["balance_readability_g"] = f"A balance shows between {SMALLEST_READABILITY:g} and {LARGEST_READABILITY:g} g."
    check_positive(data.runs_per_week, "runs_per_week", "The number of runs a week", messages)
    if data.runs_per_week is not None and data.runs_per_week > MOST_RUNS_A_WEEK:
        messages["runs_per_week"] = f"{data.runs_per_week:g} runs a week cannot be meant. Enter at most {MOST_RUNS_A_WEEK}."
    if not 0 < data.allowed_loss <= 100:
        messages["allowed_loss"] = "The loss that does not matter must be above 0 and at most 100 percentage points."
    if not 50 <= data.window_percent <= 99.9:
        messages["window_percent"] = "The probability of the tolerance window must be from 50 to 99.9 %."
    if data.expected_scatter is not None and not LEAST_SCATTER <= data.expected_scatter <= MOST_SCATTER:
        messages["expected_scatter"] = (
            f"Repeats that scatter by {data.expected_scatter:g} points cannot be meant. Enter from {LEAST_SCATTER:g} to "
            f"{MOST_SCATTER:g}, or leave it empty."
        )
    if data.new_ground_percent is not None and 0 < data.new_ground_percent < 1:
        messages["new_ground_percent"] = "Enter at least 1 % of the range, or leave it empty."
    if not 0 <= data.worthwhile_gain <= 100:
        messages["worthwhile_gain"] = "A gain worth a day must lie between 0 and 100 percentage points."
    if data.product_formula:
        try:
            read_formula(data.product_formula)
        except FormulaTextError as error:
            messages["product_formula"] = str(error)
    if messages:
        raise InvalidInputError(messages)


def _apply(row: PreparationRow, data: PreparationInput) -> None:
    values = data.model_dump(exclude={"confirm"})
    values["finish_by"] = data.finish_by.isoformat() if data.finish_by else None
    new_ground = values.pop("new_ground_percent")
    row.new_ground = None if new_ground is None else new_ground / 100.0
    for field, value in values.items():
        setattr(row, field, value)


def move_up(session: Session, rows: Sequence[VariableRow] | Sequence[MaterialRow], row: VariableRow | MaterialRow) -> None:
    """Let a variable or a material change places with the one before it; the first one stays."""
    order: list[VariableRow | MaterialRow] = [*rows]
    place = next(k for k, one in enumerate(order) if one.id == row.id)
    if not place:
        return
    order[place - 1 : place + 1] = [row, order[place - 1]]
    for position, one in enumerate(order, start=1):
        one.position = position
        session.add(one)
    what = "variable" if isinstance(row, VariableRow) else "material"
    log_change(session, row.preparation_id, f"{what} {row.name} moved up")
    session.commit()


def log_change(
    session: Session,
    preparation_id: int,
    what: str,
    *,
    run_number: int | None = None,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
    reason: str = "",
) -> None:
    """Write a line into the revision log."""
    session.add(
        ChangeRow(
            preparation_id=preparation_id, run_number=run_number, at=now(), what=what, before=before, after=after, reason=reason
        )
    )


def create_preparation(session: Session, data: PreparationInput) -> PreparationRow:
    """Create a preparation.

    Raises
    ------
    InvalidInputError
        With a sentence per field; a name that is in use is refused.
    """
    check_preparation(data)
    if questions.find_preparation_named(session, data.name):
        raise InvalidInputError({"name": f"There is a preparation named “{data.name}” already. Choose another name."})
    row = PreparationRow(name=data.name, created_at=now())
    _apply(row, data)
    session.add(row)
    session.flush()
    assert row.id is not None
    log_change(session, row.id, "preparation created")
    session.commit()
    return row


def update_preparation(session: Session, preparation_id: int, data: PreparationInput) -> PreparationRow:
    """Change a preparation; raises like ``create_preparation``, and NotFoundError.

    Raises
    ------
    NeedsConfirmationError
        For another base scale, where masses or volumes of the charge were entered for the one before.
    """
    row = questions.get_preparation(session, preparation_id)
    check_preparation(data)
    same = questions.find_preparation_named(session, data.name)
    if same is not None and same.id != row.id:
        raise InvalidInputError({"name": f"There is a preparation named “{data.name}” already. Choose another name."})
    before = row.model_dump(mode="json", include=set(PreparationInput.model_fields) | {"new_ground"})
    _apply(row, _with_base_scale(session, row, data))
    row.revision += 1
    after = row.model_dump(mode="json", include=set(before))
    changed = {k for k in before if before[k] != after[k]}
    if changed:
        log_change(
            session,
            preparation_id,
            "preparation changed",
            before={k: before[k] for k in changed},
            after={k: after[k] for k in changed},
        )
    session.add(row)
    session.commit()
    return row


@dataclass(frozen=True)
class _AtBaseScale:
    """What holds at the base scale and would be read otherwise at another one."""

    entered: Sequence[MaterialRow]
    growing: Sequence[VariableRow]
    theory_g: float | None
    n_runs: int

    @property
    def words(self) -> list[str]:
        units = {"mass": "g", "volume": "mL"}
        words = [f"{plain(m.amount)} {units[m.amount_kind]} {m.name}" for m in self.entered]
        in_runs = f", also in {self.n_runs} run{'s' if self.n_runs > 1 else ''}" if self.n_runs else ""
        words += [f"{v.name}, {plain(v.low)} to {plain(v.high)} {v.unit}".rstrip() + in_runs for v in self.growing]
        return words + ([f"a theoretical yield of {plain(self.theory_g, 5)} g"] if self.theory_g else [])


def _at_base_scale(session: Session, row: PreparationRow, data: PreparationInput) -> _AtBaseScale:
    key = int(row.id or 0)
    materials = questions.list_materials(session, key)
    amounts = [m for m in materials if m.amount_kind in AT_BASE_SCALE]
    driving = variables_of_amounts(materials)
    return _AtBaseScale(
        entered=[m for m in amounts if m.ratio_variable_id is None and m.amount > 0],
        growing=[v for v in questions.list_variables(session, key) if grows_with_scale(variable_of(v), driving)],
        theory_g=row.theoretical_yield_g if row.theoretical_yield_g == data.theoretical_yield_g else None,
        n_runs=len(questions.list_runs(session, key)),
    )


def _with_base_scale(session: Session, row: PreparationRow, data: PreparationInput) -> PreparationInput:
    """Ask what becomes of amounts that hold at the base scale before, and multiply them if told so.

    Returns
    -------
    data : PreparationInput
        With the theoretical yield multiplied, where it was typed for the scale before.
    """
    before, after = row.base_scale_mol, data.base_scale_mol
    if not before or (after and math.isclose(before, after, rel_tol=1e-9)):
        return data
    there = _at_base_scale(session, row, data)
    if not there.words:
        return data
    if not after:
        message = f"Without a base scale nobody knows for which these are: {'; '.join(there.words)}; now for {before:.6g} mol."
        question = "They hold for no scale"
        NeedsConfirmationError("base_scale_mol", "no_base_scale", message, question).raise_unless_in(data.confirm)
        return data
    factor = after / before
    message = f"Masses and volumes were entered for {before:.6g} mol: {'; '.join(there.words)}."
    grow = f"Multiply them by {factor:.6g}, so that the recipe stays the same"
    stay = f"They are right for {after:.6g} mol as they are" + (", in the runs too" if there.growing and there.n_runs else "")
    asked = NeedsConfirmationError("base_scale_mol", "amounts_grow", message, grow, ("amounts_stay", stay))
    if asked.raise_unless_in(data.confirm) != "amounts_grow":
        _check_pending(session, row, after)
        return data
    numbers = [m.amount for m in there.entered] + [x for v in there.growing for x in (v.low, v.high) if x]
    if not all(SMALLEST <= x * factor <= LARGEST for x in (*numbers, there.theory_g or 1.0)):
        raise InvalidInputError({"base_scale_mol": f"Amounts for {after:.6g} mol could not be meant. Check the scale."})
    _grow_variables(session, row, there.growing, after)
    for m in there.entered:
        was, m.amount = m.amount, _times(m.amount, factor)
        session.add(m)
        what = f"{m.name} for another base scale"
        log_change(session, int(row.id or 0), what, before={"amount": was}, after={"amount": m.amount})
    return data.model_copy(update={"theoretical_yield_g": _times(there.theory_g, factor)}) if there.theory_g else data


def _times(value: float, factor: float) -> float:
    return float(f"{value * factor:.12g}")


def _grow_variables(session: Session, row: PreparationRow, growing: Sequence[VariableRow], after: float) -> None:
    """Multiply ranges, and settings of all runs, of variables that are amounts; hard limits and rules, of vessels, stay.

    Raises
    ------
    InvalidInputError
        Where a range would pass a hard limit, a rule mixes amounts with other numbers, or nothing is within the rules.
    """
    if not growing or not row.base_scale_mol:
        return
    before, factor = row.base_scale_mol, after / row.base_scale_mol
    key = int(row.id or 0)
    rows, rules = questions.list_variables(session, key), questions.list_limits(session, key)
    _check_growth(rows, rules, growing, factor)
    for v in growing:
        was = {"low": v.low, "high": v.high, "base_number": v.base_number}
        v.low, v.high, v.base_number = _times(v.low, factor), _times(v.high, factor), _times(v.base_number or 0.0, factor)
        v.step = None if v.step is None else _times(v.step, factor)
        session.add(v)
        is_now = {"low": v.low, "high": v.high, "base_number": v.base_number, "settings of runs": f"× {factor:.6g}"}
        log_change(session, key, f"{v.name} for another base scale", before=was, after=is_now)
    try:
        reach_of(space_of(rows, rules), new_ground=None)
    except NothingReachableError as error:
        _refuse_to_grow(str(error).rstrip("."))
    ids = {v.id for v in growing}
    for setting in questions.list_settings(session, key):
        if setting.variable_id in ids:
            for field in ("planned_number", "as_run_number"):
                value = getattr(setting, field)
                setattr(setting, field, None if value is None else _times(value, factor))
            session.add(setting)
    for run in questions.list_runs(session, key):
        # One without a scale of its own was made at the base scale.
        run.scale_mol = run.scale_mol or before
        run.made_with = _made_at(run.made_with, before, after)
        # A form that was opened before holds numbers for the old scale.
        run.revision += 1
        session.add(run)


def _made_at(made: dict[str, Any] | None, before: float, after: float) -> dict[str, Any] | None:
    """What a run was made with, told for another base scale: the same amounts."""
    if not made or made["base_scale_mol"] != before:
        return made
    factor = after / before
    grown = [{**m, "amount": _times(m["amount"], factor)} if m["amount_kind"] in AT_BASE_SCALE else m for m in made["materials"]]
    return {"base_scale_mol": after, "materials": grown}


def _check_pending(session: Session, row: PreparationRow, after: float) -> None:
    """Refuse another meaning of amounts with which runs that are still to be made would break limits."""
    key = int(row.id or 0)
    space = space_of(questions.list_variables(session, key), questions.list_limits(session, key))
    driving = variables_of_amounts(questions.list_materials(session, key))
    planned: dict[int, dict[str, Setting]] = {}
    for one in questions.list_settings(session, key):
        value = one.planned_choice if one.planned_choice is not None else one.planned_number
        if value is not None:
            planned.setdefault(one.run_id, {})[str(one.variable_id)] = value
    for run in questions.list_runs(session, key):
        settings = planned.get(int(run.id or 0), {})
        if run.state not in ("planned", "under_way") or not settings.keys() >= {v.key for v in space.variables}:
            continue
        if broken := limits_at_scale(space, settings, run.scale_mol, after, driving):
            message = f"Run {run.number} would break limits then: {'; '.join(broken)}. Change its plan or its scale first."
            raise InvalidInputError({"base_scale_mol": message})


def _check_growth(rows: Sequence[VariableRow], rules: Sequence[LimitRow], growing: Sequence[VariableRow], factor: float) -> None:
    """Refuse to multiply what hard limits and rules of vessels stand against."""
    for v in growing:
        for limit, end, sign in ((v.hard_low, v.low * factor, -1), (v.hard_high, v.high * factor, 1)):
            if limit is not None and sign * (end - limit) > 1e-9 * abs(limit):
                _refuse_to_grow(f"{v.name} would range to {plain(end)} {v.unit}, beyond its hard limit {plain(limit)} {v.unit}")
    ids = {v.id for v in growing}
    for rule in rules:
        named = {int(k) for k in rule.details.get("coefficients", {})}
        if named & ids and named - ids:
            _refuse_to_grow(f"The rule “{space_of(rows, [rule]).rules[0].text}” takes amounts and other numbers together")


def _refuse_to_grow(why: str) -> NoReturn:
    message = (
        f"{why}. Hard limits and rules are those of your vessels and do not grow. Change them first, or keep the base scale "
        "and give each run a scale of its own."
    )
    raise InvalidInputError({"base_scale_mol": message})


def duplicate_preparation(session: Session, preparation_id: int) -> PreparationRow:
    """Start a new preparation from this one: fields, variables, limits and materials, but no runs.

    Raises
    ------
    NotFoundError
    """
    source = questions.get_preparation(session, preparation_id)
    left_out = {"id", "name", "last_run_number", "revision", "created_at", "archived_at", "course_variable_id"}
    copy = PreparationRow(**source.model_dump(exclude=left_out), name=_free_name(session, source.name), created_at=now())
    session.add(copy)
    session.flush()
    key = int(copy.id or 0)
    ids: dict[int, int] = {}
    for variable in questions.list_variables(session, preparation_id):
        row = VariableRow(**variable.model_dump(exclude={"id", "preparation_id"}), preparation_id=key)
        session.add(row)
        session.flush()
        ids[int(variable.id or 0)] = int(row.id or 0)
    for limit in questions.list_limits(session, preparation_id):
        details = _with_new_ids(limit.details, ids)
        session.add(
            LimitRow(**limit.model_dump(exclude={"id", "preparation_id", "details"}), preparation_id=key, details=details)
        )
    for material in questions.list_materials(session, preparation_id):
        values = material.model_dump(
            # The bottle is one: its stock stays with the preparation in which it was counted.
            exclude={
                "id",
                "preparation_id",
                "ratio_variable_id",
                "choice_variable_id",
                "count_variable_id",
                "stock_g",
                "stock_at",
            }
        )
        session.add(
            MaterialRow(
                **values,
                preparation_id=key,
                ratio_variable_id=ids.get(material.ratio_variable_id or 0),
                choice_variable_id=ids.get(material.choice_variable_id or 0),
                count_variable_id=ids.get(material.count_variable_id or 0),
            )
        )
    copy.course_variable_id = ids.get(source.course_variable_id or 0)
    log_change(session, key, f"started from {source.name}")
    session.commit()
    return copy


def _free_name(session: Session, name: str) -> str:
    """A name that is not in use: the same with a number."""
    stem = name[:100]
    return next(
        candidate
        for candidate in (f"{stem}, {k}" for k in range(2, 10_000))
        if questions.find_preparation_named(session, candidate) is None
    )


def _with_new_ids(details: dict[str, Any], ids: dict[int, int]) -> dict[str, Any]:
    """Details of a limit with the variables' ids exchanged."""
    new = dict(details)
    if "coefficients" in new:
        new["coefficients"] = {str(ids[int(k)]): c for k, c in new["coefficients"].items() if int(k) in ids}
    if "variables" in new:
        new["variables"] = [ids[int(k)] for k in new["variables"] if int(k) in ids]
    for field in ("variable", "partner"):
        if field in new:
            new[field] = ids.get(int(new[field]), 0)
    return new


def archive_preparation(session: Session, preparation_id: int, *, archived: bool) -> None:
    """Put a preparation into the archive or take it back; nothing is deleted."""
    row = questions.get_preparation(session, preparation_id)
    if archived == (row.archived_at is not None):
        return
    row.archived_at = now() if archived else None
    session.add(row)
    log_change(session, preparation_id, "archived" if archived else "taken back from the archive")
    session.commit()


def _seen_as(name: str) -> str:
    """A name as it looks: blanks of all kinds are one."""
    return " ".join(unicodedata.normalize("NFC", name).split())


def delete_preparation(session: Session, preparation_id: int, name: str) -> set[str]:
    """Delete a preparation from the archive for good, with its runs and history; return the digests of their files.

    The files themselves are for ``delete_with_files``, once this is stored.

    Parameters
    ----------
    name : str
        Its name once more, so that no other one is meant.

    Raises
    ------
    NotFoundError
    InvalidInputError
        Where it is not in the archive, or the name is another one.
    """
    row = questions.get_preparation(session, preparation_id)
    if row.archived_at is None:
        raise InvalidInputError({"form": f"{row.name} is not in the archive. Put it there first; only then it can be deleted."})
    if _seen_as(name) != _seen_as(row.name):
        raise InvalidInputError({"name": f"Type the name as it is, {row.name}, to delete it for good."})
    # Its log goes too, and with it what else is known of files that were taken off its runs.
    files = questions.attached_digests(session, preparation_id) | questions.removed_digests(session, preparation_id)
    session.delete(row)
    session.commit()
    logger.warning("Preparation %s was deleted for good.", preparation_id)
    return files


def delete_with_files(
    writer: Callable[[], AbstractContextManager[Session]], files: FileStore, preparation_id: int, name: str
) -> None:
    """Do what ``delete_preparation`` does, then remove the files that no run has any more.

    Files go only once the deletion is stored, under a lock of their own that keeps others from attaching them meanwhile.
    """
    with writer() as session:
        gone = delete_preparation(session, preparation_id, name)
    with writer() as session:
        files.sweep(gone - questions.attached_digests(session))


def use_courses(session: Session, preparation_id: int, data: CourseUseInput) -> PreparationRow:
    """Switch the evidence from time courses on or off, and choose the hold time that it is about.

    Raises
    ------
    NotFoundError, InvalidInputError
    """
    row = questions.get_preparation(session, preparation_id)
    holds = {v.id for v in questions.list_variables(session, preparation_id) if v.role == "hold_time"}
    if data.variable_id is not None and data.variable_id not in holds:
        raise InvalidInputError({"variable_id": "Choose a hold time of this preparation."})
    before = {"use_courses": row.use_courses, "course_variable_id": row.course_variable_id}
    row.use_courses, row.course_variable_id = data.use, data.variable_id
    after = {"use_courses": row.use_courses, "course_variable_id": row.course_variable_id}
    session.add(row)
    log_change(session, preparation_id, "use of time courses changed", before=before, after=after)
    session.commit()
    return row


def use_checkpoints(session: Session, preparation_id: int, data: CheckpointUseInput) -> PreparationRow:
    """Switch the evidence from checkpoints on or off.

    Raises
    ------
    NotFoundError
    """
    row = questions.get_preparation(session, preparation_id)
    before, after = {"use_checkpoints": row.use_checkpoints}, {"use_checkpoints": data.use}
    row.use_checkpoints = data.use
    session.add(row)
    log_change(session, preparation_id, "use of checkpoints changed", before=before, after=after)
    session.commit()
    return row


def as_input(row: PreparationRow) -> PreparationInput:
    """Return the input that would recreate the preparation's own fields."""
    own = PreparationInput.model_fields.keys() - {"new_ground_percent", "confirm"}
    values = {name: getattr(row, name) for name in own}
    return PreparationInput(**values, new_ground_percent=None if row.new_ground is None else 100.0 * row.new_ground)
