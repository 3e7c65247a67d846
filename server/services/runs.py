"""Runs: planning them, entering what really happened, excluding, deleting."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlmodel import Session

from server.core.chemistry.charge import IN_MOLES, Material
from server.core.chemistry.formula import read_formula
from server.core.chemistry.yields import (
    ABOVE_100_REASONS,
    Quantity,
    RunYield,
    TheoreticalYield,
    balance_uncertainty,
    entered_yield,
    yield_from_mass,
)
from server.core.model.runs import FAILURE_SD, POORLY_MEASURED
from server.core.space.limits import Space
from server.core.space.units import convert
from server.core.space.variables import Role, Setting, Variable
from server.errors import ConflictError, FormulaTextError, InvalidInputError, NeedsConfirmationError, YieldwrightError
from server.services.charges import (
    Interim,
    MadeWith,
    all_interims,
    as_bottled,
    entered_theory,
    interims_of,
    is_crystal_water,
    make_charge,
    material_of,
    materials_for,
    product_of,
    reference_molar_mass,
    weighed_theory,
)
from server.services.inputs import EARLIEST_YEAR, ChangedPlanInput, FinishedRunInput, PlannedRunInput, SoFarInput, messages_of
from server.services.numbers import NumberTextError, read_number
from server.services.preparations import check_positive, latest_day, log_change, now
from server.services.spaces import stored_space
from server.services.stock import missing_for, stock_left
from server.services.vessels import limits_at_scale, variables_of_amounts
from server.services.words import grows_with_scale, plain
from server.storage import questions
from server.storage.tables import MaterialRow, PreparationRow, RunRow, SettingRow, VariableRow, WeighedRow

# Said to take the theoretical yield of a corrected run from today's charge.
RENEW = "renew_theory"
# An amount more than this many times the planned one, or less than that part of it, is asked about. (Own judgement.)
FAR_FROM_PLAN = 5.0
# Above this a yield is a typing mistake even for a wet product.
LARGEST_YIELD = 200.0
# A result that holds less than this share of the last checkpoint, or lies so many half 90 % ranges from its forecast, is
# asked about; a range counts as at least so many points. (Own judgement.)
MOST_LOST = 0.25
FAR_OFF = 3.0
SMALLEST_RANGE = 20.0
# A scale so many times larger or smaller than all that were used is asked about. (Own judgement.)
FAR_SCALE = 20.0
# Amounts that differ by less are one amount. [part of it] (Own judgement.)
SAME_AMOUNT = 0.01
# Less than this is asked about: a failure, or a slip in a unit. [%] (Own judgement.)
NEXT_TO_NOTHING = 1.0
# A run called a failure gives at most this. [%]
LARGEST_FAILURE = 20.0
# A yield above 100 % by no more is scatter. [percentage points] (Own judgement.)
TOO_HIGH = 1.0
# Yields as close as this are shown alike. [percentage points]
SAME_YIELD = 0.05
# A typed yield and one from the mass may differ by rounding. [percentage points]
LARGEST_DISAGREEMENT = 1.0
# What was weighed [g] and measured [mL], by material id.
Amounts = Mapping[int, tuple[float | None, float | None]]
STATES = {"planned": "planned", "under_way": "under way", "finished": "finished", "abandoned": "abandoned"}


@dataclass(frozen=True)
class RunView:
    """A run with everything that follows from it.

    ``settings`` are as run where noted, else as planned, by variable key;
    ``run_yield`` is None unless the run gave one; ``counts`` says whether the models
    use the run. ``theory_g`` is the theoretical yield. [g] Of a run that was entered without
    ever being planned (``was_planned``), the plan is what was done.
    """

    row: RunRow
    planned: Mapping[str, Setting]
    settings: Mapping[str, Setting]
    run_yield: RunYield | None
    theory_source: str
    theory_g: float | None
    was_planned: bool

    @property
    def number(self) -> int:
        return self.row.number

    @property
    def percent(self) -> float | None:
        """Yield as the models see it: 0 for a failure, None without information. [%]"""
        if self.row.outcome == "failure":
            return self.run_yield.percent if self.run_yield else 0.0
        return self.run_yield.percent if self.run_yield and self.row.outcome == "yield" else None

    @property
    def is_too_high(self) -> bool:
        """Whether the yield lies above 100 % by more than its uncertainty: what was weighed cannot all be product."""
        found = self.run_yield
        return found is not None and found.percent - 100.0 > max(TOO_HIGH, 2.0 * found.u)

    @property
    def as_modelled(self) -> tuple[float, float]:
        """Yield and its uncertainty beyond repeatability, as the models take them. [%, percentage points]

        No yield is above 100 %. Where one was measured too high, how much of it was product is hardly known.
        """
        percent = self.percent or 0.0
        if self.row.outcome == "failure":
            return percent, FAILURE_SD
        u = self.run_yield.u_own if self.run_yield else 0.0
        excess = max(percent - 100.0, 0.0)
        if self.is_too_high:
            return 100.0, max(POORLY_MEASURED, 2.0 * excess)
        return percent - excess, math.hypot(u, excess)

    @property
    def counts(self) -> bool:
        return self.row.state == "finished" and self.row.excluded_reason is None and self.percent is not None

    @property
    def is_pending(self) -> bool:
        return self.row.state in ("planned", "under_way")


def read_settings(space: Space, raw: Mapping[Any, Any]) -> dict[str, Setting]:
    """Read one setting per variable, given by variable id or by name.

    Raises
    ------
    InvalidInputError
        With a sentence per field ``setting_<id>``.
    """
    messages: dict[str, str] = {}
    settings: dict[str, Setting] = {}
    ids = {v.key for v in space.variables}
    names = {v.name: v.key for v in space.variables}
    keys = [str(k) if str(k) in ids else names.get(str(k), str(k)) for k in raw]
    by_key = dict(zip(keys, raw.values(), strict=True))
    messages |= {f"setting_{key}": "This setting is given twice, by name and by id." for key in by_key if keys.count(key) > 1}
    for key in by_key.keys() - {v.key for v in space.variables}:
        messages[f"setting_{key}"] = "This variable is not there (any more)."
    for v in space.variables:
        typed = by_key.get(v.key)
        field = f"setting_{v.key}"
        if typed is None or (isinstance(typed, str) and not typed.strip()):
            messages[field] = f"Enter the setting of {v.name}."
        elif v.is_choice:
            # What looks the same is the same, however its accents were typed.
            options = {unicodedata.normalize("NFC", option): option for option in v.choices}
            option = options.get(unicodedata.normalize("NFC", str(typed)).strip())
            if option is not None:
                settings[v.key] = option
            else:
                messages[field] = f"“{str(typed)[:40]}” is not an option of {v.name}. Choose one of {', '.join(v.choices)}."
        else:
            try:
                settings[v.key] = _check_setting(v, read_number(typed))
            except NumberTextError as error:
                messages[field] = str(error)
    if messages:
        raise InvalidInputError(messages)
    return settings


def _check_setting(v: Variable, value: float) -> float:
    if v.role is Role.TEMPERATURE and convert(value, v.unit, "K") <= 0:
        raise NumberTextError(f"{value:g} {v.unit} is below absolute zero.")
    if v.role not in (Role.TEMPERATURE, Role.OTHER) and value < 0:
        raise NumberTextError(f"{v.name} cannot be below 0; this is {value:g}.")
    if v.role is Role.COUNT and value % 1:
        raise NumberTextError(f"{v.name} takes whole numbers only; this is {value:g}.")
    return value


def _check_plan(space: Space, settings: Mapping[str, Setting]) -> list[tuple[str, str]]:
    """A plan never leaves the hard limits; what of it leaves the range needs a yes: (field, sentence) each."""
    broken = space.broken_limits(settings)
    if broken:
        raise InvalidInputError({_field_of(space, broken[0]): " ".join(broken)})
    return [
        (
            f"setting_{v.key}",
            f"{v.name}: {float(settings[v.key]):g} {v.unit}".rstrip() + f" lies outside the range {v.low:g} to {v.high:g}.",
        )
        for v in space.variables
        if not v.is_choice and not v.low - (slack := 1e-9 * v.span) <= float(settings[v.key]) <= v.high + slack
    ]


def _ask_about_vessels(broken: Sequence[str], given: Sequence[str]) -> None:
    """What amounts break at the scale of one run or of several is one question."""
    if broken:
        message = f"Amounts grow with the scale, limits do not. {'; '.join(dict.fromkeys(broken))}."
        asked = NeedsConfirmationError("scale_mol", "limits_at_scale", message, "The vessels are right for it")
        asked.raise_unless_in(given)


@dataclass(frozen=True)
class _AtScale:
    """The scale of a run, the one at which its settings hold [mol], and the variables that set amounts."""

    space: Space
    scale: float | None
    base: float | None
    driving: Collection[str]

    def ask_about_limits(self, given: Sequence[str], *settings: Mapping[str, Setting]) -> None:
        """Limits hold for the base scale: at another one, amounts that grow along need a yes where they break a limit."""
        found = (limits_at_scale(self.space, one, self.scale, self.base, self.driving) for one in settings)
        _ask_about_vessels([sentence for sentences in found for sentence in sentences], given)

    def moves_amounts(self, before: Mapping[str, Setting], after: Mapping[str, Setting]) -> bool:
        """Whether an amount differs between two settings."""
        return any(before[v.key] != after[v.key] for v in self.space.variables if grows_with_scale(v, self.driving))

    def ask_about_amounts(
        self,
        given: Sequence[str],
        planned: Mapping[str, Setting],
        before: Mapping[str, Setting],
        settings: Mapping[str, Setting],
    ) -> None:
        """What was really in the flask at another scale is mostly entered by mistake for a setting at the base scale.

        Looked at are amounts that are entered now, not those that stay as they were ``before``.
        """
        if not self.scale or not self.base or abs(self.scale / self.base - 1.0) <= 2 * SAME_AMOUNT:
            return
        factor = self.scale / self.base
        told, fields = [], []
        for v in self.space.variables:
            if not grows_with_scale(v, self.driving) or settings[v.key] == before[v.key]:
                continue
            value, plan = float(settings[v.key]), float(planned[v.key])
            if value and math.isclose(value, plan * factor, rel_tol=SAME_AMOUNT):
                fields.append(f"setting_{v.key}")
                told.append(f"{v.name}: {plain(value)} {v.unit} is what the {plain(plan)} {v.unit} planned come to at this scale")
        if told:
            message = f"{'; '.join(told)}. Settings hold at the base scale, {plain(self.base)} mol: enter what was planned."
            question = f"At {plain(self.scale)} mol it was {plain(factor, 3)} times as much"
            NeedsConfirmationError(fields[0], "amount_of_run", message, question).raise_unless_in(given)


def _ask_about_far_scale(session: Session, preparation: PreparationRow, scale: float | None, given: Sequence[str]) -> None:
    """A scale far from that of the recipe and of all runs was mostly typed in another unit."""
    if not scale:
        return
    base = preparation.base_scale_mol
    known = [s for s in (base, *questions.list_scales(session, int(preparation.id or 0))) if s]
    if not known or min(known) / FAR_SCALE <= scale <= max(known) * FAR_SCALE:
        return
    usual = base or known[-1]
    message = (
        f"{scale:.4g} mol is {plain(scale / usual, 3)} times the usual scale, {usual:.4g} mol. The scale is in mol, not in mmol: "
        "correct it, or say yes."
    )
    NeedsConfirmationError("scale_mol", "far_scale", message, f"It is {scale:.4g} mol").raise_unless_in(given)


def _field_of(space: Space, sentence: str) -> str:
    """The field at which a sentence about limits is shown: its variable's, of a rule the first number that it names."""
    for v in space.variables:
        if sentence.startswith(f"{v.name}:"):
            return f"setting_{v.key}"
    named = [(v.is_choice, sentence.index(v.name), v.key) for v in space.variables if v.name in sentence]
    first = min(named)[2] if named else next((v.key for v in space.variables), "")
    return f"setting_{first}" if first else "form"


def _store_settings(
    session: Session, space: Space, run: RunRow, *, planned: Mapping[str, Setting] | None, as_run: Mapping[str, Setting] | None
) -> None:
    assert run.id is not None
    existing = {s.variable_id: s for s in questions.list_run_settings(session, run.id)}
    for v in space.variables:
        row = existing.get(int(v.key)) or SettingRow(run_id=run.id, variable_id=int(v.key))
        for prefix, values in (("planned", planned), ("as_run", as_run)):
            if values is None:
                continue
            value = values[v.key]
            setattr(row, f"{prefix}_choice", str(value) if v.is_choice else None)
            setattr(row, f"{prefix}_number", None if v.is_choice else float(value))
        session.add(row)


def plan_run(
    session: Session,
    preparation_id: int,
    data: PlannedRunInput,
    *,
    purpose: str | None = None,
    forecast: dict[str, Any] | None = None,
) -> RunRow:
    """Plan a run.

    Parameters
    ----------
    purpose, forecast
        Kept with the run when it follows a proposal.

    Raises
    ------
    NotFoundError, InvalidInputError, NeedsConfirmationError
        A plan outside the hard limits is refused, outside the range it needs a yes.
    """
    return plan_runs(session, preparation_id, [(data, purpose, forecast)])[0]


def plan_runs(
    session: Session, preparation_id: int, plans: Sequence[tuple[PlannedRunInput, str | None, dict[str, Any] | None]]
) -> list[RunRow]:
    """Plan runs, all or none; each comes with the purpose and forecast to keep. Raises like ``plan_run``."""
    preparation = questions.get_preparation(session, preparation_id)
    space = stored_space(session, preparation_id)
    checked: list[tuple[PlannedRunInput, dict[str, Setting], str | None, dict[str, Any] | None]] = []
    outside: list[tuple[str, str]] = []
    at_scale: list[str] = []
    driving = variables_of_amounts(questions.list_materials(session, preparation_id))
    for data, purpose, forecast in plans:
        settings, found = _checked_plan(session, preparation, space, data)
        at_scale += limits_at_scale(space, settings, data.scale_mol, preparation.base_scale_mol, driving)
        if found and len(plans) > 1:
            found[0] = (found[0][0], f"Run {len(checked) + 1} of {len(plans)}: {found[0][1]}")
        outside += found
        checked.append((data, settings, purpose, forecast))
    given = [answer for data, *_ in checked for answer in data.confirm]
    _ask_about_vessels(at_scale, given)
    if outside:
        _ask_about_range(outside, given)
    _ask_about_stock(session, preparation, [(settings, data.scale_mol) for data, settings, *_ in checked], given)
    rows = [_add_plan(session, preparation, space, *one) for one in checked]
    session.commit()
    return rows


def _checked_plan(
    session: Session, preparation: PreparationRow, space: Space, data: PlannedRunInput
) -> tuple[dict[str, Setting], list[tuple[str, str]]]:
    """Settings of a plan, and what of it leaves its range: (field, sentence) each. Raises like ``plan_run``."""
    settings = read_settings(space, data.settings)
    messages: dict[str, str] = {}
    check_positive(data.scale_mol, "scale_mol", "The scale in mol", messages)
    if messages:
        raise InvalidInputError(messages)
    outside = _check_plan(space, settings)
    _ask_about_far_scale(session, preparation, data.scale_mol, data.confirm)
    return settings, outside


def _ask_about_limits(space: Space, settings: Mapping[str, Setting], given: Sequence[str]) -> None:
    """What really happened may lie outside the limits, on a yes."""
    if broken := space.broken_limits(settings):
        question = "The run was really made with these settings"
        field = _field_of(space, broken[0])
        NeedsConfirmationError(field, "outside_limits", " ".join(broken), question).raise_unless_in(given)


def _ask_about_range(outside: Sequence[tuple[str, str]], given: Sequence[str]) -> None:
    message = " ".join(sentence for _, sentence in outside)
    question = "Plan it all the same, as new ground"
    NeedsConfirmationError(outside[0][0], "outside_range", message, question).raise_unless_in(given)


def _ask_about_stock(
    session: Session,
    preparation: PreparationRow,
    wanted: Sequence[tuple[Mapping[str, Setting], float | None]],
    given: Sequence[str],
    *,
    instead_of: int | None = None,
) -> None:
    """Runs are planned on a yes where the materials do not reach for them; ``instead_of``: the run that is planned otherwise."""
    materials = questions.list_materials(session, int(preparation.id or 0))
    if all(m.stock_g is None for m in materials):
        return
    others = [run for run in view_runs(session, preparation) if run.row.id != instead_of]
    left = stock_left(session, preparation, materials, others)
    if short := missing_for(preparation, materials, left, wanted):
        which = "this run" if len(wanted) == 1 else f"these {len(wanted)} runs"
        message = f"The stock does not reach for {which} beside those that are planned: {'; '.join(short)}."
        question = "Plan it all the same" if len(wanted) == 1 else "Plan them all the same"
        NeedsConfirmationError("scale_mol", "short_stock", message, question).raise_unless_in(given)


def _add_plan(
    session: Session,
    preparation: PreparationRow,
    space: Space,
    data: PlannedRunInput,
    settings: Mapping[str, Setting],
    purpose: str | None,
    forecast: dict[str, Any] | None,
) -> RunRow:
    """Add a planned run that was checked."""
    preparation_id = int(preparation.id or 0)
    run = RunRow(
        preparation_id=preparation_id,
        number=questions.take_run_number(session, preparation),
        state="planned",
        # What was planned stays so, whatever becomes of the base scale.
        scale_mol=data.scale_mol or preparation.base_scale_mol,
        reference=data.reference,
        notes=data.notes,
        purpose=purpose,
        forecast=forecast,
        created_at=now(),
    )
    session.add(run)
    session.flush()
    _store_settings(session, space, run, planned=settings, as_run=None)
    log_change(session, preparation_id, "run planned", run_number=run.number)
    return run


def change_plan(session: Session, run_id: int, data: ChangedPlanInput, forecast: dict[str, Any] | None = None) -> RunRow:
    """Plan a run otherwise that was not begun yet; what is not named beside the settings stays.

    Parameters
    ----------
    forecast
        Of the new settings. Where the settings stay, purpose and forecast stay too.

    Raises
    ------
    NotFoundError, InvalidInputError, NeedsConfirmationError, ConflictError
        As ``plan_run``; also where the run is not planned any more, or was changed meanwhile.
    """
    run = questions.get_run(session, run_id)
    check_revision(run, data.revision)
    if run.state != "planned":
        raise InvalidInputError(
            {"form": f"Run {run.number} is {STATES[run.state]}; only a planned run can be planned otherwise."}
        )
    # What is not named stays.
    own = [field for field in ("scale_mol", "reference", "notes") if field in data.model_fields_set]
    if "scale_mol" not in own:
        data = data.model_copy(update={"scale_mol": run.scale_mol})
    preparation = questions.get_preparation(session, run.preparation_id)
    space = stored_space(session, run.preparation_id)
    driving = variables_of_amounts(questions.list_materials(session, run.preparation_id))
    settings, outside = _checked_plan(session, preparation, space, data)
    _ask_about_vessels(limits_at_scale(space, settings, data.scale_mol, preparation.base_scale_mol, driving), data.confirm)
    if outside:
        _ask_about_range(outside, data.confirm)
    _ask_about_stock(session, preparation, [(settings, data.scale_mol)], data.confirm, instead_of=run_id)
    view = view_run(session, run_id)[1]
    before = {field: getattr(run, field) for field in own} | {v.name: view.planned[v.key] for v in space.variables}
    for field in own:
        setattr(run, field, getattr(data, field) or (preparation.base_scale_mol if field == "scale_mol" else ""))
    after = {field: getattr(run, field) for field in own} | {v.name: settings[v.key] for v in space.variables}
    if any(not _is_same(view.planned[v.key], settings[v.key]) for v in space.variables):
        run.purpose, run.forecast = None, forecast
    run.revision += 1
    session.add(run)
    noted = _as_run_by_name(session, space, run)
    # What was noted otherwise than planned stays as it was noted.
    stays = {
        v.key: settings[v.key] if _is_same(view.planned[v.key], view.settings[v.key]) else view.settings[v.key]
        for v in space.variables
    }
    is_noted = any(value is not None for value in noted.values())
    _store_settings(session, space, run, planned=settings, as_run=stays if is_noted else None)
    _log_differences(session, run, "plan changed", before, after)
    session.commit()
    return run


def keep_so_far(session: Session, run_id: int, data: SoFarInput) -> RunRow:
    """Keep what is known of a run before its result is: it stays planned or under way.

    Raises
    ------
    NotFoundError, InvalidInputError, NeedsConfirmationError, ConflictError
        Settings outside the limits need a yes; a finished run is corrected, an abandoned one planned again first.
    """
    run = questions.get_run(session, run_id)
    check_revision(run, data.revision)
    if run.state == "finished":
        raise InvalidInputError({"form": f"Run {run.number} has a result; correct that instead."})
    if run.state == "abandoned":
        raise InvalidInputError({"form": f"Run {run.number} was abandoned; plan it again first."})
    preparation = questions.get_preparation(session, run.preparation_id)
    space = stored_space(session, run.preparation_id)
    settings = read_settings(space, data.settings)
    messages: dict[str, str] = {}
    check_positive(data.scale_mol, "scale_mol", "The scale in mol", messages)
    _check_day(data.made_on, run.made_on, messages)
    if messages:
        raise InvalidInputError(messages)
    _ask_about_limits(space, settings, data.confirm)
    if not _is_same(run.scale_mol, data.scale_mol):
        _ask_about_far_scale(session, preparation, data.scale_mol, data.confirm)
    view = view_run(session, run_id)[1]
    scale = data.scale_mol if "scale_mol" in data.model_fields_set else run.scale_mol
    driving = variables_of_amounts(questions.list_materials(session, run.preparation_id))
    at = _AtScale(space, scale, preparation.base_scale_mol, driving)
    at.ask_about_amounts(data.confirm, view.planned, view.settings, settings)
    if not _is_same(run.scale_mol, scale) or at.moves_amounts(view.settings, settings):
        # What is still to be done follows the plan.
        at.ask_about_limits(data.confirm, settings, *([view.planned] if run.state == "planned" else []))
    named = data.model_dump(mode="json", exclude={"settings", "revision", "confirm"}, exclude_unset=True)
    if "scale_mol" in named:
        named["scale_mol"] = named["scale_mol"] or preparation.base_scale_mol
    before = {field: getattr(run, field) for field in named} | {v.name: view.settings[v.key] for v in space.variables}
    for field, value in named.items():
        setattr(run, field, value)
    after = named | {v.name: settings[v.key] for v in space.variables}
    run.revision += 1
    session.add(run)
    _store_settings(session, space, run, planned=None, as_run=settings)
    _log_differences(session, run, "run noted so far", before, after)
    session.commit()
    return run


def _log_differences(session: Session, run: RunRow, what: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    """A line of the history with what differs; none where nothing does."""
    changed = [k for k in after if not _is_same(before[k], after[k])]
    if changed:
        was, came = {k: before[k] for k in changed}, {k: after[k] for k in changed}
        log_change(session, run.preparation_id, what, run_number=run.number, before=was, after=came)


def _check_day(made_on: date | None, stored_day: str | None, messages: dict[str, str]) -> None:
    if made_on is not None and made_on > latest_day() and made_on.isoformat() != stored_day:
        messages["made_on"] = f"{made_on.isoformat()} lies in the future. Enter the day on which the run was made."
    if made_on is not None and made_on.year < EARLIEST_YEAR:
        messages["made_on"] = f"{made_on.isoformat()} lies before {EARLIEST_YEAR}. Check the year."


def check_result(data: FinishedRunInput, has_theory: bool = True, stored_day: str | None = None) -> None:
    """Refuse results that cannot be; InvalidInputError with a sentence per field."""
    messages: dict[str, str] = {}
    _check_yield_and_mass(data, has_theory, messages)
    _check_contents(data, messages)
    _check_day(data.made_on, stored_day, messages)
    check_positive(data.theoretical_yield_g, "theoretical_yield_g", "The theoretical yield in g", messages)
    check_positive(data.scale_mol, "scale_mol", "The scale in mol", messages)
    if data.outcome == "failure" and (data.yield_percent or 0.0) > LARGEST_FAILURE:
        messages["outcome"] = f"A failure with a yield of {data.yield_percent:g} %? Choose that it gave a yield."
    if messages:
        raise InvalidInputError(messages)


def _check_yield_and_mass(data: FinishedRunInput, has_theory: bool, messages: dict[str, str]) -> None:
    if data.yield_percent is not None and data.yield_percent < 0:
        messages["yield_percent"] = f"A yield of {data.yield_percent:g} % is below 0. Enter a value from 0 to 100."
    if data.yield_percent is not None and data.yield_percent > LARGEST_YIELD:
        messages["yield_percent"] = f"A yield of {data.yield_percent:g} % cannot be meant. Enter a value from 0 to 100."
    if data.product_mass_g is not None and data.product_mass_g < 0:
        messages["product_mass_g"] = f"A mass of {data.product_mass_g:g} g is below 0."
    if data.outcome != "yield" or data.yield_percent is not None:
        return
    if data.product_mass_g is None:
        messages["product_mass_g"] = "Enter the product mass, or the yield in per cent."
    elif not has_theory:
        messages["theoretical_yield_g"] = (
            "Enter the theoretical yield in g, here or with the preparation, or enter the yield in per cent."
        )


def _check_contents(data: FinishedRunInput, messages: dict[str, str]) -> None:
    """Purity, solvent and water, and what all of them and the mass are uncertain by."""
    for field, largest, unit in (
        ("product_mass_u_g", data.product_mass_g, "g"),
        ("purity_u_percent", data.purity_percent or 100.0, "%"),
        ("residual_u_percent", 100.0, "%"),
    ):
        value = getattr(data, field)
        if value is not None and value < 0:
            messages[field] = "A standard uncertainty cannot be below 0."
        elif value is not None and largest is not None and value > largest:
            messages[field] = f"A standard uncertainty of {value:g} {unit} is larger than the value itself, {largest:g} {unit}."
    if data.purity_percent is not None and not 0 < data.purity_percent <= 100:
        messages["purity_percent"] = "Purity must be above 0 and at most 100 %."
    if data.residual_percent is not None and not 0 <= data.residual_percent < 100:
        messages["residual_percent"] = "Solvent and water must be at least 0 and below 100 %."


class DisagreementError(InvalidInputError):
    """The mass of a run gives another yield than the one that was typed."""


def _check_agreement(preparation: PreparationRow, run: RunRow, theory: TheoreticalYield | None) -> None:
    """A mass and a typed yield that contradict each other are sent back; where they agree, the mass tells more."""
    if run.entered_yield_percent is None or run.product_mass_g is None or theory is None:
        return
    typed = run.entered_yield_percent
    run.entered_yield_percent = None
    from_mass = yield_of(preparation, run, theory)
    run.entered_yield_percent = typed
    if from_mass is not None and abs(from_mass.percent - typed) > LARGEST_DISAGREEMENT:
        raise DisagreementError(
            {
                "yield_percent": f"The mass gives {from_mass.percent:.1f} %, but {typed:g} % was typed. "
                "Correct one of them, or leave the yield empty."
            }
        )
    if from_mass is not None:
        run.entered_yield_percent = None


def _with_what_is_stored(run: RunRow, data: FinishedRunInput) -> FinishedRunInput:
    """The input with all fields that it does not name as they are stored: a script that corrects one thing keeps the others."""
    names = FinishedRunInput.model_fields.keys() - data.model_fields_set - {"settings", "confirm", "revision"}
    stored: dict[str, Any] = {name: getattr(run, name) for name in names if name not in ("yield_percent", "made_on")}
    if "yield_percent" in names and data.product_mass_g is None:
        stored["yield_percent"] = run.entered_yield_percent
    if "made_on" in names:
        stored["made_on"] = date.fromisoformat(run.made_on) if run.made_on else None
    return data.model_copy(update=stored)


def _apply_result(run: RunRow, data: FinishedRunInput) -> None:
    values = data.model_dump(mode="json", exclude={"settings", "confirm", "revision", "yield_percent"})
    for field, value in values.items():
        setattr(run, field, value)
    run.entered_yield_percent = data.yield_percent
    run.state = "finished"


def record_run(session: Session, preparation_id: int, data: FinishedRunInput, *, run_id: int | None = None) -> RunRow:
    """Enter a run as it was made, new or planned before.

    Raises
    ------
    NotFoundError, InvalidInputError
    NeedsConfirmationError
        For a yield above 100 % and for settings outside the hard limits: possible, but only on a yes.
    ConflictError
        If the run was changed since the form was opened.
    """
    run = store_result(session, preparation_id, data, run_id=run_id)
    session.commit()
    return run


def check_revision(run: RunRow, revision: int | None, *, typed: bool = True) -> None:
    """Refuse to change a run that was changed since it was seen; ``typed``: there are values to be kept. Raises ConflictError."""
    if revision is None or revision == run.revision:
        return
    next_step = "compare what you typed with it, then save again" if typed else "then decide again"
    raise ConflictError(
        f"Run {run.number} was changed elsewhere since it was read, and nothing was done. Look at it as it is now, {next_step}."
    )


@dataclass(frozen=True)
class _Basis:
    """What the yield of a result rests on; ``is_kept`` where it is that of the stored result, whatever the charge is today."""

    theory: TheoreticalYield | None
    source: str
    scale: float | None
    is_kept: bool


def store_result(
    session: Session,
    preparation_id: int,
    data: FinishedRunInput,
    *,
    run_id: int | None = None,
    is_past: bool = False,
    weighed: Amounts | None = None,
) -> RunRow:
    """Do what ``record_run`` does, but leave the commit to a caller who stores several runs, all or none.

    Parameters
    ----------
    is_past : bool
        Whether a new run was made long ago: it took nothing of the stock that was counted since.
    weighed : mapping or None
        Mass [g] and volume [mL] that were noted for a new run, by material id.
    """
    preparation = questions.get_preparation(session, preparation_id)
    space = stored_space(session, preparation_id)
    materials = questions.list_materials(session, preparation_id)
    stored = questions.get_run(session, run_id) if run_id is not None else None
    data, settings = _read_result(space, stored, data)
    taken = dict(weighed or {})
    noted = {m.id: note_of(m, *taken[m.id]) for m in materials if m.id is not None and m.id in taken}
    notes = weighed_of(session, stored.id) if stored is not None and stored.id is not None else noted
    basis = _basis_of(session, preparation, space, materials, stored, data, settings, notes)
    _refuse_result(data, basis, stored.made_on if stored is not None else None)
    _ask_about_limits(space, settings, data.confirm)
    if stored is None or not _is_same(stored.scale_mol, data.scale_mol):
        _ask_about_far_scale(session, preparation, data.scale_mol, data.confirm)
    if stored is not None:
        view = view_run(session, int(stored.id or 0))[1]
        at = _AtScale(space, basis.scale, preparation.base_scale_mol, variables_of_amounts(materials))
        at.ask_about_amounts(data.confirm, view.planned, view.settings, settings)
    if stored is None and not is_past:
        _ask_about_the_same(session, preparation, settings, data)
    run = stored or RunRow(
        preparation_id=preparation_id,
        number=questions.take_run_number(session, preparation),
        state="finished",
        created_at=now(),
    )
    is_new = stored is None
    before = run.model_dump(mode="json")
    made = MadeWith.of(materials, settings, preparation.base_scale_mol)
    # What is refused leaves the stored run as it was: the form is drawn from it again.
    trial = RunRow(**run.model_dump())
    _take_result(preparation, trial, data, basis, made, before)
    _ask_about_result(session, preparation, stored, trial, data, basis)
    _take_result(preparation, run, data, basis, made, before)
    if (is_new or before["state"] != "finished") and not is_past:
        run.finished_at = now()
    if not is_new:
        run.revision += 1
    session.add(run)
    session.flush()
    for note in noted.values():
        note.run_id = int(run.id or 0)
        session.add(note)
    earlier = _as_run_by_name(session, space, run)
    _store_settings(session, space, run, planned=None, as_run=settings)
    later = {v.name: settings[v.key] for v in space.variables}
    _log_result(session, run, before, earlier, later, is_new=is_new)
    return run


def _ask_about_the_same(
    session: Session, preparation: PreparationRow, settings: Mapping[str, Setting], data: FinishedRunInput
) -> None:
    """The very same run once more, of the same day or page of the notebook, was most likely sent twice."""
    if not data.made_on and not data.reference:
        return
    told = ["outcome", "product_mass_g", "purity_percent", "residual_percent", "theoretical_yield_g"]
    told += ["reference", "lot", "made_by", "notes"]
    scale = data.scale_mol or preparation.base_scale_mol
    day = data.made_on.isoformat() if data.made_on else None
    for run in view_runs(session, preparation):
        row = run.row
        is_result = (
            row.state == "finished" and row.made_on == day and all(_is_same(getattr(row, f), getattr(data, f)) for f in told)
        )
        percent = row.entered_yield_percent if data.product_mass_g is None else data.yield_percent
        is_result = is_result and _is_same(row.scale_mol, scale)
        if is_result and _is_same(percent, data.yield_percent) and dict(run.settings) == dict(settings):
            message = f"Run {run.number} has the same settings, result, day and notebook reference. Was it sent twice?"
            field = "product_mass_g" if data.product_mass_g is not None else "yield_percent"
            NeedsConfirmationError(field, "same_run", message, "It is another run").raise_unless_in(data.confirm)
            return


def note_of(material: MaterialRow, mass_g: float | None, volume_ml: float | None) -> WeighedRow:
    """The note of what was taken of a material as its bottle is today; not of a run yet."""
    note = WeighedRow(run_id=0, material_id=int(material.id or 0), mass_g=mass_g, volume_ml=volume_ml)
    return _from_bottle(note, material_of(material))


def _from_bottle(note: WeighedRow, bottle: Material) -> WeighedRow:
    """The note with what the bottle holds that it was taken from."""
    note.purity_percent, note.water_percent = 100.0 * bottle.purity, 100.0 * bottle.water
    note.purity_u_percent = 100.0 * bottle.purity_u or None
    note.concentration_mol_per_l, note.density_g_per_ml = bottle.concentration, bottle.density
    return note


def _read_result(space: Space, stored: RunRow | None, data: FinishedRunInput) -> tuple[FinishedRunInput, dict[str, Setting]]:
    """The result with what is stored where it is not named, and its settings; what is wrong with either is told together."""
    if stored is not None:
        check_revision(stored, data.revision)
        if stored.state == "abandoned":
            raise InvalidInputError({"form": f"Run {stored.number} was abandoned; plan it again first."})
        data = _with_what_is_stored(stored, data)
    try:
        return data, read_settings(space, data.settings)
    except InvalidInputError as error:
        stored_day = stored.made_on if stored is not None else None
        more = messages_of(lambda: check_result(data, stored_day=stored_day))
        raise InvalidInputError({**error.messages, **more}) from error


def _basis_of(
    session: Session,
    preparation: PreparationRow,
    space: Space,
    materials: Sequence[MaterialRow],
    stored: RunRow | None,
    data: FinishedRunInput,
    settings: Mapping[str, Setting],
    notes: Mapping[int, WeighedRow],
) -> _Basis:
    """The theoretical yield and the scale of a result."""
    scale = data.scale_mol or preparation.base_scale_mol
    is_renewed = RENEW in data.confirm
    if stored is not None and stored.state == "finished" and stored.scale_mol is data.scale_mol is None and not is_renewed:
        scale = None  # made before there was a base scale
    entered = data.theoretical_yield_g
    if stored is not None and not is_renewed and _rests_on_the_same(session, space, stored, settings, scale, entered):
        # A correction of something else leaves it alone, whatever became of the charge since.
        return _Basis(stored_theory(stored), stored.theory_source, scale, is_kept=True)
    interims = _interims_of(session, preparation, stored)
    found = _theory(preparation, materials, settings, scale, entered, notes, interims=interims)
    return _Basis(*found, scale, is_kept=False)


def _interims_of(session: Session, preparation: PreparationRow, run: RunRow | None) -> dict[str, Interim]:
    """Weighed intermediates of a stored run, by stage."""
    if run is None or run.id is None:
        return {}
    return interims_of(questions.list_checkpoints(session, run.id), product_of(preparation))


def _refuse_result(data: FinishedRunInput, basis: _Basis, stored_day: str | None) -> None:
    """Refuse what cannot be, whatever the chemist says."""
    check_result(data, basis.theory is not None, stored_day)
    if basis.theory is not None and not basis.theory.value > 0:
        message = f"The theoretical yield is 0 g ({basis.source}). Correct the charge, or enter the theoretical yield."
        raise InvalidInputError({"theoretical_yield_g": message})


def stored_theory(run: RunRow) -> TheoreticalYield | None:
    """Theoretical yield as it was when the result came; None of a run that has none yet. [g]"""
    if run.theory_g is None:
        return None
    content = None if run.theory_content is None else Quantity(run.theory_content, run.theory_content_u or 0.0)
    return TheoreticalYield(run.theory_g, run.theory_u_g, content)


def _keep_theory(row: RunRow, theory: TheoreticalYield | None, source: str) -> None:
    """Note with a result what theory is; ``stored_theory`` reads it back."""
    row.theory_g, row.theory_u_g = (theory.value, theory.u) if theory is not None else (None, 0.0)
    content = theory.content if theory is not None else None
    row.theory_content, row.theory_content_u = (content.value, content.u or None) if content is not None else (None, None)
    row.theory_source = source


def _take_result(
    preparation: PreparationRow,
    row: RunRow,
    data: FinishedRunInput,
    basis: _Basis,
    made: MadeWith,
    before: Mapping[str, Any],
) -> None:
    """Put a result into a row that was ``before`` it."""
    _apply_result(row, data)
    _keep_theory(row, basis.theory, basis.source)
    row.scale_mol = basis.scale
    if not basis.is_kept:
        row.made_with = made.to_json() if made.materials else None
    if row.readability_g is None or row.product_mass_g != before["product_mass_g"]:
        row.readability_g = preparation.balance_readability_g
    _check_agreement(preparation, row, basis.theory)


def _ask_about_result(
    session: Session, preparation: PreparationRow, stored: RunRow | None, trial: RunRow, data: FinishedRunInput, basis: _Basis
) -> None:
    """Ask about a yield that is unusual, unless it was said to the ``stored`` result already."""
    found = yield_of(preparation, trial, basis.theory)
    kept = _stored_yield(preparation, stored) if stored is not None else None
    _ask_about_crystal_water(preparation, trial, data.confirm, stored)
    was_failure = stored is not None and stored.outcome == "failure"
    if not (was_failure and _is_as_kept(found, kept)):
        _check_failure(trial, found)
    field = "yield_percent" if data.yield_percent is not None else "product_mass_g"
    _check_size(found, field, data.confirm, kept)
    said = kept if stored is not None and stored.outcome == "yield" else None
    _ask_about_nothing(found, trial, field, data.confirm, said)
    if trial.id is not None:
        _ask_about_far_off(session, trial, found, field, data.confirm, said)


# By more than this part, a noted mass and a noted volume of a liquid contradict each other. (Own judgement.)
_MASS_AGAINST_VOLUME = 0.1
# What follows from the rest, or says nothing to a reader of the history.
_HIDDEN = {
    "revision",
    "theory_u_g",
    "theory_content",
    "theory_content_u",
    "theory_source",
    "made_with",
    "readability_g",
    "finished_at",
}


def _log_result(
    session: Session,
    run: RunRow,
    before: Mapping[str, Any],
    earlier: Mapping[str, Setting | None],
    later: Mapping[str, Setting],
    *,
    is_new: bool,
) -> None:
    """Log a result with what changed: fields of the run, and as-run settings by name."""
    after = run.model_dump(mode="json")
    changed = {k for k in before if before[k] != after[k] and k not in _HIDDEN}
    moved = {name for name in later if earlier.get(name) is not None and earlier[name] != later[name]}
    log_change(
        session,
        run.preparation_id,
        "run entered" if is_new else "run changed",
        run_number=run.number,
        before=None if is_new else {k: before[k] for k in changed} | {name: earlier[name] for name in moved},
        after=None if is_new else {k: after[k] for k in changed} | {name: later[name] for name in moved},
    )


def _rests_on_the_same(
    session: Session, space: Space, run: RunRow, settings: Mapping[str, Setting], scale: float | None, entered_g: float | None
) -> bool:
    """Whether everything of a finished run that its theoretical yield was worked out from is what it was."""
    if run.state != "finished" or run.theory_g is None:
        return False
    stored = _as_run_by_name(session, space, run)
    for v in space.variables:
        if not _is_same(stored.get(v.name), settings[v.key]):
            return False
    return _is_same(run.scale_mol, scale) and _is_same(run.theoretical_yield_g, entered_g)


def _is_same(before: Setting | None, after: Setting | None) -> bool:
    """Whether two values are the same, to the digits that a form carries."""
    if isinstance(before, float) and isinstance(after, float):
        return math.isclose(before, after, rel_tol=1e-9)
    return before == after


def with_own_theory(session: Session, preparation_id: int) -> list[int]:
    """Numbers of the finished runs whose yield rests on a theoretical yield that was worked out when the result came."""
    runs = questions.list_runs(session, preparation_id)
    return [r.number for r in runs if r.theory_g is not None and r.product_mass_g is not None and r.theoretical_yield_g is None]


def theory_today(session: Session, preparation: PreparationRow, view: RunView) -> TheoreticalYield | None:
    """Theoretical yield that a finished run would have by today's charge, where that differs from what it has. [g]

    It also differs where only the content of what limits is known better or less well.
    """
    materials = questions.list_materials(session, view.row.preparation_id)
    interims = _interims_of(session, preparation, view.row)
    return _another_theory(preparation, materials, view, weighed_of(session, int(view.row.id or 0)), interims)


def _another_theory(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    view: RunView,
    weighed: Mapping[int, WeighedRow],
    interims: Mapping[str, Interim],
) -> TheoreticalYield | None:
    """What ``theory_today`` says."""
    has = stored_theory(view.row)
    if view.row.state != "finished" or has is None:
        return None
    found, _ = _theory_by_charge(preparation, materials, view, weighed, interims)
    if found is None:
        return None
    is_as_well_known = math.isclose(found.content_u, has.content_u, rel_tol=1e-4)
    return None if is_as_well_known and math.isclose(found.value, has.value, rel_tol=1e-4) else found


def with_another_theory(session: Session, preparation: PreparationRow, runs: Sequence[RunView]) -> list[RunView]:
    """Finished runs whose yield rests on another theoretical yield than today's charge gives."""
    has_mass = [r for r in runs if r.row.product_mass_g is not None and r.row.theoretical_yield_g is None]
    materials = questions.list_materials(session, int(preparation.id or 0))
    weighed: dict[int, dict[int, WeighedRow]] = {}
    for note in questions.list_weighed(session, int(preparation.id or 0)):
        weighed.setdefault(note.run_id, {})[note.material_id] = note
    interims = all_interims(session, preparation, materials)

    def differs(run: RunView) -> bool:
        key = int(run.row.id or 0)
        return _another_theory(preparation, materials, run, weighed.get(key, {}), interims.get(key, {})) is not None

    return [r for r in has_mass if differs(r)]


def renew_theories(session: Session, preparation_id: int) -> list[int]:
    """Give all finished runs the theoretical yield that today's charge gives them, all or none; return their numbers.

    Raises
    ------
    NotFoundError
    InvalidInputError
        If the yield of a run could not be meant then, naming the run.
    """
    preparation = questions.get_preparation(session, preparation_id)
    renewed = []
    for run in with_another_theory(session, preparation, view_runs(session, preparation)):
        # What was said to the runs once holds: their masses are what they were.
        answers = [RENEW, "outside_limits", "yield_above_100", "nothing_isolated", "far_off"]
        try:
            data = FinishedRunInput(settings=dict(run.settings), confirm=answers)
            store_result(session, preparation_id, data, run_id=int(run.row.id or 0))
        except InvalidInputError as error:
            session.rollback()
            raise InvalidInputError({"form": f"Run {run.number}: {error} Nothing was changed."}) from error
        renewed.append(run.number)
    session.commit()
    return renewed


def has_another_charge_today(session: Session, preparation: PreparationRow, view: RunView) -> bool:
    """Whether the charge that a finished run was made with is not what its settings would take today."""
    if view.row.state != "finished" or view.row.made_with is None:
        return False
    materials = questions.list_materials(session, view.row.preparation_id)
    # Read back, so that what older versions did not keep yet makes no difference.
    return MadeWith.of(materials, view.settings, preparation.base_scale_mol) != MadeWith.from_json(view.row.made_with)


def _theory_by_charge(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    view: RunView,
    weighed: Mapping[int, WeighedRow],
    interims: Mapping[str, Interim],
    made: MadeWith | None = None,
) -> tuple[TheoreticalYield | None, str]:
    """What ``_theory`` says of a stored run."""
    scale = view.row.scale_mol or preparation.base_scale_mol
    readability = view.row.readability_g if made else None
    entered = view.row.theoretical_yield_g
    return _theory(preparation, materials, view.settings, scale, entered, weighed, made, readability, interims)


def _stored_yield(preparation: PreparationRow, run: RunRow) -> RunYield | None:
    """The yield of a finished run as it is stored; None where it has none."""
    if run.state != "finished":
        return None
    return yield_of(preparation, run, stored_theory(run))


def _is_as_kept(found: RunYield | None, kept: RunYield | None) -> bool:
    """Whether a yield is what it was: what was said to it once is not asked again."""
    return found is not None and kept is not None and abs(found.percent - kept.percent) <= SAME_YIELD


def _check_failure(run: RunRow, found: RunYield | None) -> None:
    """A failure gives next to nothing."""
    if found is not None and run.outcome == "failure" and found.percent > LARGEST_FAILURE:
        message = f"A failure with a yield of {found.percent:.0f} %? Choose that it gave a yield, or correct the masses."
        raise InvalidInputError({"outcome": message})


def _check_size(found: RunYield | None, field: str, given: Sequence[str], earlier: RunYield | None) -> None:
    """A yield above 100 % needs a yes, unless it was kept so before; far above, it is a typing mistake."""
    if found is None:
        return
    if found.percent > LARGEST_YIELD:
        raise InvalidInputError({field: f"This gives a yield of {found.percent:.0f} %. Check the masses."})
    if found.is_above_100 and not _is_as_kept(found, earlier):
        message = f"A yield of {found.percent:.4g} % is above 100 %. {ABOVE_100_REASONS} Correct it, or say yes to keep it."
        NeedsConfirmationError(field, "yield_above_100", message, "Keep it all the same, flagged").raise_unless_in(given)


def _ask_about_crystal_water(preparation: PreparationRow, run: RunRow, given: Sequence[str], stored: RunRow | None) -> None:
    """What is left of water in a product that is a hydrate is mostly its own: it would count twice."""
    if run.residual_percent is None or (stored is not None and _is_same(stored.residual_percent, run.residual_percent)):
        return
    with suppress(FormulaTextError):
        product = read_formula(preparation.product_formula or "C")
        if is_crystal_water(run.residual_percent / 100.0, product.molar_mass, product.waters):
            message = (
                f"{plain(run.residual_percent, 3)} % is what {preparation.product_formula} holds as water of crystallisation, "
                "which counts as product. Enter only solvent and water beyond that, or say yes."
            )
            asked = NeedsConfirmationError("residual_percent", "crystal_water", message, "It is there beside that")
            asked.raise_unless_in(given)


def _ask_about_nothing(found: RunYield | None, run: RunRow, field: str, given: Sequence[str], earlier: RunYield | None) -> None:
    """Next to nothing is seldom what settings give: mostly a run failed, and models had better know which of the two it was."""
    if found is None or run.outcome != "yield" or found.percent >= NEXT_TO_NOTHING or _is_as_kept(found, earlier):
        return
    percent = f"{found.percent:.2g} %"
    what = f"This is a yield of {percent}: check the mass, its unit and the scale." if found.percent else "Nothing was isolated."
    message = (
        f"{what} If the run failed, choose so: a failure is marked, and weighs less than a yield of {percent}, which "
        "the models take for what these settings give."
    )
    NeedsConfirmationError(field, "nothing_isolated", message, f"These settings give {percent}").raise_unless_in(given)


def _ask_about_far_off(
    session: Session, run: RunRow, found: RunYield | None, field: str, given: Sequence[str], earlier: RunYield | None
) -> None:
    """A result far below the last checkpoint, or far from the forecast, may be a slip of the decimal point."""
    if found is None or run.outcome != "yield" or found.percent <= 0 or _is_as_kept(found, earlier):
        return
    marks = [c for c in questions.list_checkpoints(session, int(run.id or 0)) if c.kind == "product"]
    last = marks[-1].mass_g * marks[-1].purity_percent / 100.0 if marks else 0.0
    kept = run.forecast
    off = []
    if found.pure_mass_g is not None and found.pure_mass_g < MOST_LOST * last:
        off.append(f"{marks[-1].name} still held {plain(last)} g of product, this is {plain(found.pure_mass_g)} g")
    if kept and abs(found.percent - kept["mean"]) > FAR_OFF * max(kept["high_90"] - kept["low_90"], SMALLEST_RANGE) / 2.0:
        low, high = kept["low_90"], kept["high_90"]
        off.append(
            f"{kept['mean']:.0f} % was forecast (nine in ten from {low:.0f} to {high:.0f} %), this is {found.percent:.3g} %"
        )
    if off:
        message = f"{'; '.join(off)}. Check the decimal point, or say yes to keep it."
        NeedsConfirmationError(field, "far_off", message[0].upper() + message[1:], "It really is so").raise_unless_in(given)


def result_before_storing(
    preparation: PreparationRow, materials: Sequence[MaterialRow], settings: Mapping[str, Setting], data: FinishedRunInput
) -> float | None:
    """The yield that a new run will have, 0 for a failure, None without information. [%]"""
    run = RunRow(preparation_id=0, number=0, state="finished", created_at=now())
    _apply_result(run, data)
    scale = data.scale_mol or preparation.base_scale_mol
    theory, _ = _theory(preparation, materials, settings, scale, data.theoretical_yield_g, {})
    if run.product_mass_g is not None and theory is not None:
        run.entered_yield_percent = None
    found = yield_of(preparation, run, theory)
    return found.percent if found else (0.0 if run.outcome == "failure" else None)


def _as_run_by_name(session: Session, space: Space, run: RunRow) -> dict[str, Setting | None]:
    """As-run settings that are stored now, by name of the variable."""
    stored = _as_run_by_key(session, run)
    return {v.name: stored[v.key] for v in space.variables if v.key in stored}


def _as_run_by_key(session: Session, run: RunRow) -> dict[str, Setting | None]:
    """As-run settings that are stored now, by the key of their variable; None where only the plan is stored."""
    rows = questions.list_run_settings(session, int(run.id or 0))
    return {str(s.variable_id): _first(s.as_run_choice, s.as_run_number) for s in rows}


def made_with(session: Session, run: RunRow) -> MadeWith | None:
    """What a finished run was made with, and materials that came into the charge later and were noted for it; None if unknown."""
    made = MadeWith.from_json(run.made_with) if run.state == "finished" else None
    if made is None:
        return None
    there = {m.key for m in made.materials}
    noted = weighed_of(session, int(run.id or 0))
    rows = questions.list_materials(session, run.preparation_id)
    reference = reference_molar_mass(rows)
    new = [m for m in rows if m.id in noted and str(m.id) not in there]
    # With the amounts that the settings of the run give; what is for another option is there because it was noted.
    as_run = {key: value for key, value in _as_run_by_key(session, run).items() if value is not None} if new else {}
    of_settings = {m.key: m for m in materials_for(rows, as_run)} if new else {}
    later = [of_settings.get(str(m.id)) or material_of(m, reference=reference) for m in new]
    today = {str(m.id): material_of(m) for m in rows}
    # What of a formula older versions did not keep.
    kept = [m.with_atoms_of(today.get(m.key)) for m in made.materials]
    return replace(made, materials=(*kept, *later))


def weighed_of(session: Session, run_id: int) -> dict[int, WeighedRow]:
    """As-weighed amounts of one run by material id."""
    return {w.material_id: w for w in questions.list_run_weighed(session, run_id)}


def _theory(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    settings: Mapping[str, Setting],
    scale: float | None,
    entered_g: float | None,
    weighed: Mapping[int, WeighedRow],
    made: MadeWith | None = None,
    readability_g: float | None = None,
    interims: Mapping[str, Interim] | None = None,
) -> tuple[TheoreticalYield | None, str]:
    """Theoretical yield of a run [g] with its uncertainty, and its source; by today's charge, or by what it was ``made`` with."""
    if entered_g is not None:
        return TheoreticalYield(entered_g), "entered with the run"
    if scale is not None and (made or materials):
        charge = make_charge(preparation, materials, settings, scale, made=made, interims=interims)
        found = weighed_theory(preparation, charge, weighed, readability_g)
        if found is not None:
            theory, quantity = found
            is_weighed = theory.limiting.key in map(str, weighed)
            source = "as-weighed amounts" if is_weighed else "planned amounts"
            exact = "" if quantity.u or not theory.mass_g else ", its volume counts as exact"
            return quantity, f"{source}; {theory.limiting.name} limits{exact}"
    theory_g, base = entered_theory(preparation, scale), preparation.base_scale_mol
    if theory_g is None:
        return None, ""
    is_other_scale = scale is not None and base is not None and not math.isclose(scale, base)
    where = f" for {base:g} mol, here for {scale:g} mol" if is_other_scale else ""
    return TheoreticalYield(theory_g), f"entered with the preparation{where}"


def yield_of(preparation: PreparationRow, run: RunRow, theory: TheoreticalYield | None) -> RunYield | None:
    """Percent yield of a run with its uncertainty; None if it gave none."""
    if run.outcome == "no_information":
        return None
    if run.entered_yield_percent is not None:
        return entered_yield(run.entered_yield_percent)
    if run.product_mass_g is None or theory is None:
        return None
    u_mass = run.product_mass_u_g
    if u_mass is None:
        u_mass = balance_uncertainty(run.readability_g or preparation.balance_readability_g)
    return yield_from_mass(
        Quantity(run.product_mass_g, u_mass),
        theory,
        Quantity((100.0 if run.purity_percent is None else run.purity_percent) / 100.0, (run.purity_u_percent or 0.0) / 100.0),
        Quantity((run.residual_percent or 0.0) / 100.0, (run.residual_u_percent or 0.0) / 100.0),
        theory.content,
    )


def view_runs(session: Session, preparation: PreparationRow) -> list[RunView]:
    """All runs of a preparation with their settings and yields, by number."""
    assert preparation.id is not None
    variables = questions.list_variables(session, preparation.id)
    materials = questions.list_materials(session, preparation.id)
    settings: dict[int, list[SettingRow]] = {}
    for s in questions.list_settings(session, preparation.id):
        settings.setdefault(s.run_id, []).append(s)
    weighed: dict[int, list[WeighedRow]] = {}
    for w in questions.list_weighed(session, preparation.id):
        weighed.setdefault(w.run_id, []).append(w)
    interims = all_interims(session, preparation, materials)
    runs = [(run, int(run.id or 0)) for run in questions.list_runs(session, preparation.id)]
    return [
        _view(preparation, variables, materials, run, settings.get(key, ()), weighed.get(key, ()), interims.get(key, {}))
        for run, key in runs
    ]


def _view(
    preparation: PreparationRow,
    variables: Sequence[VariableRow],
    materials: Sequence[MaterialRow],
    run: RunRow,
    settings: Sequence[SettingRow],
    weighed: Sequence[WeighedRow],
    interims: Mapping[str, Interim],
) -> RunView:
    """One run with everything that follows from its own rows."""
    stored = {s.variable_id: s for s in settings}
    planned: dict[str, Setting] = {}
    was_planned = False
    as_run: dict[str, Setting] = {}
    for v in variables:
        assert v.id is not None
        row = stored.get(v.id)
        fallback: Setting = (v.base_choice or "") if v.role == "choice" else float(v.base_number or 0.0)
        plan = _first(row.planned_choice, row.planned_number) if row else None
        done = _first(row.as_run_choice, row.as_run_number) if row else None
        was_planned |= plan is not None
        planned[str(v.id)] = plan if plan is not None else done if done is not None else fallback
        as_run[str(v.id)] = done if done is not None else planned[str(v.id)]
    theory, source = stored_theory(run), run.theory_source
    if theory is None:
        scale = run.scale_mol or preparation.base_scale_mol
        notes = {w.material_id: w for w in weighed}
        theory, source = _theory(preparation, materials, as_run, scale, run.theoretical_yield_g, notes, interims=interims)
    found = yield_of(preparation, run, theory)
    return RunView(run, planned, as_run, found, source, theory.value if theory else None, was_planned)


def _view_of(session: Session, preparation: PreparationRow, run: RunRow) -> RunView:
    assert preparation.id is not None
    assert run.id is not None
    return _view(
        preparation,
        questions.list_variables(session, preparation.id),
        questions.list_materials(session, preparation.id),
        run,
        questions.list_run_settings(session, run.id),
        questions.list_run_weighed(session, run.id),
        _interims_of(session, preparation, run),
    )


def _first(choice: str | None, number: float | None) -> Setting | None:
    return choice if choice is not None else number


def view_run(session: Session, run_id: int) -> tuple[PreparationRow, RunView]:
    """One run with its preparation.

    Raises
    ------
    NotFoundError
    """
    run = questions.get_run(session, run_id)
    preparation = questions.get_preparation(session, run.preparation_id)
    return preparation, _view_of(session, preparation, run)


def exclude_run(session: Session, run_id: int, reason: str | None, revision: int | None = None) -> RunRow:
    """Exclude a run from the models with a reason, or take it back with None; it stays visible.

    Raises
    ------
    NotFoundError, InvalidInputError
    ConflictError
        If the run has another revision than the one that was seen.
    """
    run = questions.get_run(session, run_id)
    if run.state != "finished":
        raise InvalidInputError({"reason": "Only a finished run can be excluded; abandon a planned one instead."})
    before = run.excluded_reason
    if reason == before:
        return run
    check_revision(run, revision, typed=reason is not None)
    run.excluded_reason = reason
    run.revision += 1
    session.add(run)
    what = "run taken back" if reason is None else "run excluded"
    log_change(session, run.preparation_id, what, run_number=run.number, before={"excluded_reason": before}, reason=reason or "")
    session.commit()
    return run


def set_state(session: Session, run_id: int, state: str, revision: int | None = None) -> RunRow:
    """Start or abandon a run: planned → under way → abandoned, and back to planned.

    Raises
    ------
    InvalidInputError
        For a finished run, or an unknown state.
    ConflictError
        If the run has another revision than the one that was seen.
    """
    run = questions.get_run(session, run_id)
    if state not in ("planned", "under_way", "abandoned"):
        raise InvalidInputError({"state": "Choose planned, under way or abandoned; a result finishes a run."})
    if run.state == "finished":
        raise InvalidInputError({"state": f"Run {run.number} is finished; change its result instead."})
    if state == run.state:
        return run
    check_revision(run, revision, typed=False)
    before: dict[str, str | None] = {"state": run.state}
    after: dict[str, str | None] = {"state": state}
    if state == "under_way" and run.started_at is None:
        # From then on its materials are out of the bottle, whatever is counted later.
        run.started_at = now()
    is_anew = run.state == "abandoned" and state == "planned"
    if is_anew and run.started_at is not None and not questions.count_readings(session, run_id):
        # Planned again, it will begin anew; with readings, their clock stays.
        before["started_at"], after["started_at"] = run.started_at.isoformat(), None
        run.started_at = None
    log_change(session, run.preparation_id, f"run {STATES[state]}", run_number=run.number, before=before, after=after)
    run.state = state
    run.revision += 1
    session.add(run)
    session.commit()
    return run


def delete_run(session: Session, run_id: int, revision: int | None = None) -> int:
    """Delete a run that should never have been entered; return the preparation's id. The log keeps what it held.

    Raises
    ------
    NotFoundError
    ConflictError
        If the run has another revision than the one that was seen.
    """
    run = questions.get_run(session, run_id)
    check_revision(run, revision, typed=False)
    variables = {v.id: v.name for v in questions.list_variables(session, run.preparation_id)}
    stored = questions.list_run_settings(session, run_id)
    names = {s.id: variables.get(s.variable_id, "?") for s in stored}
    held = run.model_dump(mode="json") | {
        "settings": {names[s.id]: _first(s.as_run_choice, s.as_run_number) for s in stored},
        "planned": {names[s.id]: _first(s.planned_choice, s.planned_number) for s in stored},
        "checkpoints": [c.model_dump(mode="json") for c in questions.list_checkpoints(session, run_id)],
        "weighed": [w.model_dump(mode="json") for w in weighed_of(session, run_id).values()],
        "readings": [r.model_dump(mode="json") for r in questions.list_readings(session, run_id)],
        "attachments": [a.model_dump(mode="json") for a in questions.list_attachments(session, run_id)],
    }
    log_change(session, run.preparation_id, "run deleted", run_number=run.number, before=held)
    session.delete(run)
    session.commit()
    return run.preparation_id


def _has_no_amount(material: MaterialRow, note: WeighedRow | None) -> bool:
    """Whether a mass says nothing about the amount: of a solution, in the bottle it came from, without a density."""
    bottled = as_bottled(material_of(material), note)
    return bool(bottled.concentration) and not bottled.density


def _volume_tells_nothing(material: MaterialRow, note: WeighedRow | None) -> bool:
    """Whether a volume says nothing about the amount of what is given in moles: no solution, and no density."""
    bottled = as_bottled(material_of(material), note)
    return bottled.amount_kind in IN_MOLES and not bottled.concentration and not bottled.density


def note_weighed(
    session: Session,
    run_id: int,
    amounts: Amounts,
    *,
    revision: int | None = None,
    confirm: Sequence[str] = (),
) -> None:
    """Keep as-weighed masses [g] and volumes [mL] by material id.

    Raises
    ------
    InvalidInputError
        For amounts below zero, materials of another preparation, or amounts with which the yield is impossible.
    NeedsConfirmationError
        For an amount far from the planned one, and where the yield comes to lie above 100 %.
    ConflictError
        If the run was changed since revision ``revision``.
    """
    run = questions.get_run(session, run_id)
    check_revision(run, revision)
    known = {int(m.id or 0): m for m in questions.list_materials(session, run.preparation_id)}
    existing = weighed_of(session, run_id)
    _check_notes(amounts, known, existing)
    noted = {k: (w.mass_g, w.volume_ml) for k, w in existing.items()}
    touched = {k: pair for k, pair in amounts.items() if noted.get(k, (None, None)) != pair}
    if not touched:
        return
    _write_notes(session, run, amounts, existing, known)
    names = {key: m.name for key, m in known.items()}
    log_change(
        session,
        run.preparation_id,
        "as-weighed amounts noted (g, mL)",
        run_number=run.number,
        before={names[k]: list(noted[k]) if k in noted else None for k in touched},
        after={names[k]: list(pair) if pair != (None, None) else None for k, pair in touched.items()},
    )
    run.revision += 1
    session.add(run)
    session.flush()
    try:
        _check_renewed_yield(session, run, amounts, confirm)
        ask_about_slips(session, run, touched, confirm)
    except YieldwrightError:
        session.rollback()
        raise
    session.commit()


def _check_notes(amounts: Amounts, known: Mapping[int, MaterialRow], existing: Mapping[int, WeighedRow]) -> None:
    """Refuse amounts of materials that are not there, below 0, or from which no amount of substance follows."""
    messages: dict[str, str] = {}
    for material_id, (mass, volume) in amounts.items():
        material = known.get(material_id)
        if material is None:
            messages[f"mass_{material_id}"] = "This material is not there (any more)."
        elif mass is not None and volume is None and _has_no_amount(material, existing.get(material_id)):
            words = "Note the volume of this solution, or enter its density with the material: no amount follows from the mass."
            messages[f"mass_{material_id}"] = words
        elif volume is not None and mass is None and _volume_tells_nothing(material, existing.get(material_id)):
            words = "No amount follows from this volume: note the mass, or enter the density with the material."
            messages[f"volume_{material_id}"] = words
        for value, prefix in ((mass, "mass"), (volume, "volume")):
            if value is not None and value < 0:
                messages[f"{prefix}_{material_id}"] = "An amount cannot be below 0."
    if messages:
        raise InvalidInputError(messages)


def _write_notes(
    session: Session,
    run: RunRow,
    amounts: Amounts,
    existing: Mapping[int, WeighedRow],
    known: Mapping[int, MaterialRow],
) -> None:
    """Store amounts; those of which nothing is left are taken back."""
    made = made_with(session, run)
    bottles = {m.key: m for m in made.materials} if made else {}
    for material_id, (mass, volume) in amounts.items():
        row = existing.get(material_id) or WeighedRow(run_id=int(run.id or 0), material_id=material_id)
        if row.id is None:
            # Of the bottle that a finished run was made with, not of today's.
            _from_bottle(row, bottles.get(str(material_id)) or material_of(known[material_id]))
        row.mass_g, row.volume_ml = mass, volume
        if mass is not None or volume is not None:
            session.add(row)
        elif row.id is not None:
            session.delete(row)


def _check_renewed_yield(session: Session, run: RunRow, amounts: Amounts, confirm: Sequence[str]) -> None:
    """Work out the yield of a finished run anew, and ask about one that is unusual."""
    if run.theory_g is None:
        return
    field = next((f"mass_{k}" if mass else f"volume_{k}" for k, (mass, volume) in amounts.items() if mass or volume), "form")
    earlier = _stored_yield(questions.get_preparation(session, run.preparation_id), run)
    renewed = _renew_theory(session, run)
    _check_failure(run, renewed)
    _check_size(renewed, field, confirm, earlier)


def ask_about_slips(session: Session, run: RunRow, amounts: Amounts, confirm: Sequence[str]) -> None:
    """Ask about newly noted amounts that are none, or far from those planned: a slip of the decimal point, perhaps."""
    preparation, view = view_run(session, int(run.id or 0))
    scale = run.scale_mol or preparation.base_scale_mol
    if not scale:
        return
    materials, made = questions.list_materials(session, run.preparation_id), made_with(session, run)
    interims = _interims_of(session, preparation, run)
    lines = make_charge(preparation, materials, view.settings, scale, made=made, interims=interims).lines
    planned = {int(line.material.key): (line.material.name, line.mass_g, line.volume_ml) for line in lines}
    found, first = [], ""
    densities = {int(line.material.key): line.material.density for line in lines}
    for key, (mass, volume) in amounts.items():
        if key not in planned:
            continue
        density = densities[key]
        if mass and volume and density and abs(mass / (volume * density) - 1.0) > _MASS_AGAINST_VOLUME:
            found.append(f"{planned[key][0]}: {plain(mass)} g are {plain(mass / density)} mL, but {plain(volume)} mL are noted.")
            first = first or f"volume_{key}"
        name, mass_planned, volume_planned = planned[key]
        for value, plan, unit, prefix in ((mass, mass_planned, "g", "mass"), (volume, volume_planned, "mL", "volume")):
            if value is None or not plan or plan / FAR_FROM_PLAN <= value <= plan * FAR_FROM_PLAN:
                continue
            found.append(f"{name}: {plain(value, 6)} {unit} noted, {plain(plan)} {unit} planned.")
            first = first or f"{prefix}_{key}"
    if found:
        message = f"{' '.join(found)} Correct it, or say yes to keep it."
        NeedsConfirmationError(first, "far_from_plan", message, "It was really so much").raise_unless_in(confirm)


def renew_for_interims(session: Session, run: RunRow, confirm: Sequence[str]) -> None:
    """Work out the yield of a finished run anew after a checkpoint of it changed for which something is taken.

    Raises
    ------
    InvalidInputError, NeedsConfirmationError
        If the yield is then one that cannot be, or that is unusual; the caller rolls back.
    """
    made = made_with(session, run)
    if run.theoretical_yield_g is None and made is not None and any(m.taken_after for m in made.materials):
        session.flush()
        _check_renewed_yield(session, run, {}, confirm)


def _renew_theory(session: Session, run: RunRow) -> RunYield | None:
    """Work out again what theory is, after the as-weighed amounts of a finished run changed; return the yield."""
    preparation = questions.get_preparation(session, run.preparation_id)
    made = made_with(session, run)
    materials, weighed = questions.list_materials(session, run.preparation_id), weighed_of(session, int(run.id or 0))
    interims = _interims_of(session, preparation, run)
    theory, source = _theory_by_charge(preparation, materials, _view_of(session, preparation, run), weighed, interims, made)
    if theory is None:
        # Its charge gives none: what was worked out when the result came stays.
        return _stored_yield(preparation, run)
    _keep_theory(run, theory, source)
    session.add(run)
    return yield_of(preparation, run, theory)
