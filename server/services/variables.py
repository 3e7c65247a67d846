"""Adding, changing and removing the variables and limits of a preparation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import singledispatch
from typing import Any

from sqlmodel import Session

from server.core.chemistry.charge import AmountKind
from server.core.model.effects import listed
from server.core.space.limits import reach_of
from server.core.space.units import (
    FAMILIES,
    MASS_UNITS,
    MOLE_RATIO_UNITS,
    TEMPERATURE_UNITS,
    TIME_UNITS,
    VOLUME_UNITS,
    affine,
    convert,
    convertible,
)
from server.core.space.variables import MOST_GRID_POINTS, Role, Variable
from server.errors import InvalidInputError, NeedsConfirmationError
from server.services.cells import bare_unit, read_unit
from server.services.charges import DRIVING_ROLES, UNIT_WORDS, UNITS_OF_AMOUNT, unit_factor, why_not_driven
from server.services.inputs import (
    AnyLimit,
    LinearLimitInput,
    NotUsedLimitInput,
    OnlyWithLimitInput,
    OptionRangeLimitInput,
    TotalTimeLimitInput,
    VariableInput,
)
from server.services.numbers import NumberTextError, read_number
from server.services.preparations import log_change, move_up
from server.services.spaces import names_of, rule_of, space_of, variable_of
from server.storage import questions
from server.storage.tables import LimitRow, MaterialRow, SettingRow, VariableRow

MOST_VARIABLES = 20
# That rules may go along with a variable; the page asks before it sends.
RULES_GO = "rules_go"
# Between liquid helium and the softening of silica (common practice, no source).
COLDEST_KELVIN, HOTTEST_KELVIN = 4.0, 2000.0
_MUST_BE_POSITIVE = (Role.HOLD_TIME, Role.RATIO, Role.LOADING, Role.CONCENTRATION, Role.VOLUME, Role.COUNT)


def _check_choice(data: VariableInput, messages: dict[str, str]) -> None:
    if len(data.choices) < 2:
        messages["choices"] = (
            "A choice needs at least two options, one a line. Where two are the same thing, remove the variable instead."
        )
    elif len(set(data.choices)) < len(data.choices):
        messages["choices"] = "Each option must be different."
    elif data.base not in data.choices:
        named = "; ".join(f"“{c}”" for c in data.choices)
        messages["base"] = f"The base must be one of the options, which stand one a line: {named}."


def _with_known_unit(data: VariableInput) -> VariableInput:
    """The same with the unit as the app writes it: deg C, ℃ and Celsius are °C, ml is mL."""
    families = {Role.TEMPERATURE: TEMPERATURE_UNITS, Role.HOLD_TIME: TIME_UNITS}
    known = read_unit(data.unit)
    is_known = known in families.get(data.role, (*VOLUME_UNITS, *MASS_UNITS, *MOLE_RATIO_UNITS))
    return data.model_copy(update={"unit": known}) if is_known else data


def _check_number(data: VariableInput, messages: dict[str, str]) -> None:
    _check_unit(data, messages)
    base: float | None = None
    try:
        base = read_number(data.base)
    except NumberTextError as error:
        messages["base"] = str(error)
    ends = _range_of(data, messages)
    if ends is None:
        return
    low, high = ends
    if data.role in _MUST_BE_POSITIVE and low < 0:
        messages["low"] = f"A {data.role.replace('_', ' ')} cannot be below 0."
    if data.role is Role.TEMPERATURE and "unit" not in messages:
        _check_temperatures(data, low, high, messages)
    if data.hard_low is not None and data.hard_low > low:
        messages["hard_low"] = f"The lower hard limit {data.hard_low:g} lies above the start of the range {low:g}."
    if data.hard_high is not None and data.hard_high < high:
        messages["hard_high"] = f"The upper hard limit {data.hard_high:g} lies below the end of the range {high:g}."
    if data.role is Role.COUNT:
        _check_count(data, low, high, base, messages)
    if data.step is not None:
        _check_step(data.step, low, high, messages)
    if base is not None:
        _check_base(data, low, high, base, messages)


def _check_unit(data: VariableInput, messages: dict[str, str]) -> None:
    if data.role is Role.HOLD_TIME and data.unit not in TIME_UNITS:
        messages["unit"] = f"A hold time needs one of the units {', '.join(TIME_UNITS)}."
    if data.role is Role.TEMPERATURE and data.unit not in TEMPERATURE_UNITS:
        messages["unit"] = f"A temperature needs one of the units {', '.join(TEMPERATURE_UNITS)}."


def _range_of(data: VariableInput, messages: dict[str, str]) -> tuple[float, float] | None:
    """Where the range begins and ends; None where nothing else can be checked by it."""
    for field, end in (("low", "begins"), ("high", "ends")):
        if getattr(data, field) is None:
            messages[field] = f"Enter where the range {end}."
    if data.low is None or data.high is None:
        return None
    if data.low >= data.high:
        messages["high"] = f"The range ends at {data.high:g}, which is not above its start {data.low:g}."
        return None
    if data.high - data.low < 1e-6 * max(abs(data.low), abs(data.high)):
        messages["high"] = "The range is too narrow to be meant."
        return None
    return data.low, data.high


def _check_temperatures(data: VariableInput, low: float, high: float, messages: dict[str, str]) -> None:
    if convert(low, data.unit, "K") <= 0:
        messages["low"] = f"{low:g} {data.unit} is below absolute zero."
    elif convert(low, data.unit, "K") < COLDEST_KELVIN or convert(high, data.unit, "K") > HOTTEST_KELVIN:
        messages["high"] = f"A bath between {COLDEST_KELVIN:g} and {HOTTEST_KELVIN:g} K is expected. Check the unit."
    for field in ("hard_low", "hard_high"):
        limit = getattr(data, field)
        if limit is not None and convert(limit, data.unit, "K") <= 0:
            messages[field] = f"{limit:g} {data.unit} is below absolute zero."


def _check_count(data: VariableInput, low: float, high: float, base: float | None, messages: dict[str, str]) -> None:
    if low % 1 or high % 1 or (data.step or 1) % 1 or (base or 0.0) % 1:
        messages["low"] = "A count takes whole numbers only."
    if data.step is None and high - low > MOST_GRID_POINTS:
        messages["high"] = f"More than {MOST_GRID_POINTS} whole numbers in the range; enter a step, or another role."


def _check_step(step: float, low: float, high: float, messages: dict[str, str]) -> None:
    if not 0 < step <= high - low:
        messages["step"] = f"The step must be more than 0 and at most the range {high - low:g}."
    elif (high - low) / step > MOST_GRID_POINTS:
        messages["step"] = f"More than {MOST_GRID_POINTS} steps in the range; enter a coarser step."


def _check_base(data: VariableInput, low: float, high: float, base: float, messages: dict[str, str]) -> None:
    if not low <= base <= high:
        messages["base"] = f"The base {base:g} lies outside the range {low:g} to {high:g}."
    elif data.step is not None and "step" not in messages:
        nearest = Variable("x", data.name, data.role, data.unit, low, high, data.step, base).snap(base)
        if not math.isclose(nearest, base, rel_tol=1e-9, abs_tol=1e-9 * data.step):
            messages["base"] = (
                f"The base {base:g} is not on the steps {low:g}, {low + data.step:g}, …; the nearest is {nearest:g}."
            )


def _apply(row: VariableRow, data: VariableInput) -> None:
    """Set a variable's own fields; ``check_variable`` has seen the data."""
    row.name, row.role, row.unit, row.stage = data.name, data.role.value, data.unit, data.stage.value
    if data.role is Role.CHOICE:
        row.choices, row.base_choice, row.base_number = list(data.choices), str(data.base), None
        row.low, row.high, row.step, row.hard_low, row.hard_high, row.unit = 0.0, 1.0, None, None, None, ""
    else:
        row.choices, row.base_choice, row.base_number = [], None, read_number(data.base)
        row.low, row.high, row.step = data.low or 0.0, data.high or 0.0, data.step
        row.hard_low, row.hard_high = data.hard_low, data.hard_high


def check_variable(session: Session, preparation_id: int, data: VariableInput, own_id: int | None = None) -> None:
    """Refuse values that cannot be; InvalidInputError with a sentence per field.

    Parameters
    ----------
    own_id : int or None
        Of the variable that is changed; None for a new one.
    """
    messages: dict[str, str] = {}
    # A form is also checked as far as it can be read.
    data = _with_known_unit(data)
    if data.role is Role.CHOICE:
        _check_choice(data, messages)
    else:
        _check_number(data, messages)
    rows = questions.list_variables(session, preparation_id)
    others = [v for v in rows if v.id != own_id]
    is_kept = any(v.name == data.name for v in rows if v.id == own_id)
    if data.name.isdigit() and not is_kept:
        messages["name"] = "A name of digits alone would be taken for a number: add a word."
    elif any(other.name == data.name for other in others):
        messages["name"] = f"There is a variable named “{data.name}” already."
    elif own_id is None and len(others) >= MOST_VARIABLES:
        messages["name"] = f"A preparation can have at most {MOST_VARIABLES} variables."
    if messages:
        raise InvalidInputError(messages)


def add_variable(session: Session, preparation_id: int, data: VariableInput) -> VariableRow:
    """Add a variable; runs that exist already count as made at its base value.

    Raises
    ------
    NotFoundError, InvalidInputError
    """
    questions.get_preparation(session, preparation_id)
    data = _with_known_unit(data)
    check_variable(session, preparation_id, data)
    row = VariableRow(preparation_id=preparation_id, name=data.name, role=data.role.value)
    _apply(row, data)
    row.position = questions.next_position(session, VariableRow, preparation_id)
    session.add(row)
    session.flush()
    assert row.id is not None
    for run in questions.list_runs(session, preparation_id):
        assert run.id is not None
        finished = run.state in ("finished", "abandoned")
        session.add(
            SettingRow(
                run_id=run.id,
                variable_id=row.id,
                planned_number=None if finished else row.base_number,
                planned_choice=None if finished else row.base_choice,
                as_run_number=row.base_number if finished else None,
                as_run_choice=row.base_choice if finished else None,
            )
        )
    log_change(session, preparation_id, f"variable {row.name} added")
    session.commit()
    return row


def _renamed_option(row: VariableRow, data: VariableInput) -> tuple[str, str] | None:
    """The one option that was given another name in its place, if nothing else changed."""
    if len(row.choices) != len(data.choices):
        return None
    differing = [(old, new) for old, new in zip(row.choices, data.choices, strict=True) if old != new]
    if len(differing) != 1 or differing[0][1] in row.choices:
        return None
    return differing[0]


def _merged_option(row: VariableRow, data: VariableInput, lost: Sequence[str]) -> str | None:
    """The one option in use that was taken out, if nothing else changed and others are left."""
    gone = [option for option in row.choices if option not in data.choices]
    is_all = gone == list(lost) and len(gone) == 1 and [c for c in row.choices if c != gone[0]] == data.choices
    return gone[0] if is_all else None


def _merge(session: Session, row: VariableRow, settings: Sequence[SettingRow], old: str, data: VariableInput) -> None:
    """Take two options for one, on a yes that says which; what was said of the one that goes goes too.

    Raises
    ------
    NeedsConfirmationError
    InvalidInputError
        Where both stand for materials of the charge: a run would take both.
    """
    answers = [(f"same_as_{k}", f"{old} is {option} under another name") for k, option in enumerate(data.choices, 1)]
    message = (
        f"{old} is in use. Which of the options that stay is the same thing? Runs of both become runs of that one. Where it is "
        "none of them, keep it: a rule ‘not used any more’ keeps proposals from it."
    )
    asked = NeedsConfirmationError("choices", answers[0][0], message, answers[0][1], *answers[1:])
    new = data.choices[int(asked.raise_unless_in(data.confirm).removeprefix("same_as_")) - 1]
    materials = [m for m in questions.list_materials(session, row.preparation_id) if m.choice_variable_id == row.id]
    twice = [[m.name for m in materials if m.choice == option] for option in (old, new)]
    if all(twice):
        message = f"{listed(twice[0])} in the charge is for {old}, {listed(twice[1])} for {new}: a run would take both."
        raise InvalidInputError({"choices": f"{message} Remove one of them from the charge first."})
    for limit in questions.list_limits(session, row.preparation_id):
        details = dict(limit.details)
        if limit.kind == "not_used" and details["variable"] == row.id:
            details["options"] = [option for option in details["options"] if option != old]
        elif limit.kind == "option_range" and details["variable"] == row.id and details["choice"] == old:
            session.delete(limit)
            continue
        elif limit.kind == "only_with" and details["variable"] == row.id and details["choice"] == old:
            details["partners"] = []
        elif limit.kind == "only_with" and details["partner"] == row.id:
            details["partners"] = list(dict.fromkeys(new if p == old else p for p in details["partners"]))
        if details.get("options") == [] or details.get("partners") == []:
            session.delete(limit)
        elif details != limit.details:
            limit.details = details
            session.add(limit)
    session.flush()
    _carry_rename(session, row, settings, old, new)


def _carry_rename(session: Session, row: VariableRow, settings: Sequence[SettingRow], old: str, new: str) -> None:
    """Give an option its new name in runs, rules and materials."""
    for s in settings:
        s.planned_choice = new if s.planned_choice == old else s.planned_choice
        s.as_run_choice = new if s.as_run_choice == old else s.as_run_choice
        session.add(s)
    for limit in questions.list_limits(session, row.preparation_id):
        if limit.kind not in ("only_with", "not_used", "option_range"):
            continue
        details = dict(limit.details)
        if details["variable"] == row.id and details.get("choice") == old:
            details["choice"] = new
        for role, options in (("partner", "partners"), ("variable", "options")):
            if details.get(role) == row.id and options in details:
                details[options] = [new if p == old else p for p in details[options]]
        limit.details = details
        session.add(limit)
    for material in questions.list_materials(session, row.preparation_id):
        if material.choice_variable_id == row.id and material.choice == old:
            material.choice = new
            session.add(material)


def _check_options(session: Session, row: VariableRow, data: VariableInput, settings: Sequence[SettingRow]) -> None:
    """Options in use may be renamed or taken for another, one at a time, on a yes; they never vanish or change places."""
    used = {c for s in settings for c in (s.planned_choice, s.as_run_choice) if c}
    for limit in questions.list_limits(session, row.preparation_id):
        if limit.kind == "only_with":
            used |= {limit.details["choice"]} if limit.details["variable"] == row.id else set()
            used |= set(limit.details["partners"]) if limit.details["partner"] == row.id else set()
        elif limit.kind == "not_used" and limit.details["variable"] == row.id:
            used |= set(limit.details["options"])
        elif limit.kind == "option_range" and limit.details["variable"] == row.id:
            used |= {limit.details["choice"]}
    materials = questions.list_materials(session, row.preparation_id)
    used |= {m.choice for m in materials if m.choice_variable_id == row.id and m.choice}
    lost = sorted(used - set(data.choices))
    if not lost:
        return
    merged = _merged_option(row, data, lost)
    if merged is not None:
        _merge(session, row, settings, merged, data)
        return
    renamed = _renamed_option(row, data)
    if renamed is None or renamed[0] not in lost:
        message = (
            f"Runs, limits or materials use {', '.join(lost)}; keep these options. A rule ‘not used any more’ keeps proposals "
            "from them; of an option that is another one under a second name, remove the line alone."
        )
        raise InvalidInputError({"choices": message})
    old, new = renamed
    NeedsConfirmationError(
        "choices",
        "rename_option",
        f"{old} is in use. If {new} is the same thing under another name, it is renamed in all runs, limits and materials.",
        f"Rename {old} to {new} everywhere",
    ).raise_unless_in(data.confirm)
    _carry_rename(session, row, settings, old, new)


def _check_uses(session: Session, row: VariableRow, data: VariableInput) -> None:
    """Materials and rules that name a variable hold it to a role, and to a unit."""
    rules = {
        "linear": data.role is not Role.CHOICE,
        "total_time": data.role is Role.HOLD_TIME,
        "only_with": data.role is Role.CHOICE,
        "not_used": data.role is Role.CHOICE,
    }
    every = {v.key: v for v in map(variable_of, questions.list_variables(session, row.preparation_id))}
    users = []
    for limit in questions.list_limits(session, row.preparation_id):
        if limit.kind == "option_range":
            fits = (data.role is Role.CHOICE) == (limit.details["variable"] == row.id)
        else:
            fits = rules[limit.kind]
        if str(row.id) in names_of(limit) and not fits:
            rule = rule_of(limit, every)
            users.append(f"the rule “{rule.text}”" if rule else "a rule")
    unit = ""
    for material in questions.list_materials(session, row.preparation_id):
        if (material.choice_variable_id == row.id and data.role is not Role.CHOICE) or (
            material.count_variable_id == row.id and data.role is not Role.COUNT
        ):
            users.append(material.name)
        elif material.ratio_variable_id == row.id:
            kind = AmountKind(material.amount_kind)
            if data.role not in DRIVING_ROLES:
                users.append(material.name)
            elif data.role.value != row.role or data.unit != row.unit:
                unit = unit or why_not_driven(kind, data.role, data.unit, f"{material.name}: {data.name}")
    if users:
        raise InvalidInputError({"role": f"{row.name} is used by {', '.join(users)}. Remove or change that first."})
    if unit:
        raise InvalidInputError({"unit": unit})


def _convert_rules(session: Session, row: VariableRow, unit: str) -> None:
    """Rules stay the same rule when a variable is given in another unit: Σ c·x ≤ b with x = f·x' + o."""
    factor, offset = affine(unit, row.unit)
    for limit in questions.list_limits(session, row.preparation_id):
        if limit.kind == "option_range" and limit.details["partner"] == row.id:
            ends = {end: limit.details[end] for end in ("low", "high")}
            moved = {end: None if x is None else _tidy((float(x) - offset) / factor) for end, x in ends.items()}
            limit.details = {**limit.details, **moved}
            session.add(limit)
        coefficients = dict(limit.details.get("coefficients", {}))
        if limit.kind != "linear" or str(row.id) not in coefficients:
            continue
        c = float(coefficients[str(row.id)])
        coefficients[str(row.id)] = _tidy(c * factor)
        limit.details = {
            **limit.details,
            "coefficients": coefficients,
            "bound": _tidy(float(limit.details["bound"]) - c * offset),
        }
        session.add(limit)


def _tidy(value: float) -> float:
    return float(f"{value:.12g}")


def _follow_unit(session: Session, row: VariableRow, data: VariableInput, settings: Sequence[SettingRow]) -> None:
    """Runs and rules keep what was really set and meant: numbers follow a change of unit where it can be converted."""
    if settings and data.role.value != row.role and {row.role, data.role} & {Role.HOLD_TIME, Role.TEMPERATURE}:
        raise InvalidInputError({"role": "Runs use this variable; it cannot turn from or into a time or a temperature."})
    if data.unit == row.unit:
        return
    if convertible(row.unit, data.unit):
        _ask_about_range(row, data)
        for s in settings:
            for field in ("planned_number", "as_run_number"):
                value = getattr(s, field)
                setattr(s, field, None if value is None else _tidy(convert(value, row.unit, data.unit)))
        # A form that was opened before holds numbers in the old unit.
        touched = {s.run_id for s in settings}
        for run in questions.list_runs(session, row.preparation_id):
            if run.id in touched:
                run.revision += 1
                session.add(run)
        _convert_rules(session, row, data.unit)
        return
    in_rules = any(str(row.id) in names_of(limit) for limit in questions.list_limits(session, row.preparation_id))
    if settings or in_rules:
        _check_amounts_stay(session, row, data.unit)
    if row.unit and (settings or in_rules):
        what = (
            "Runs and rules have numbers" if settings and in_rules else "Runs have settings" if settings else "Rules have numbers"
        )
        NeedsConfirmationError(
            "unit",
            "keep_numbers",
            f"{what} in {row.unit}. The numbers stay as they are and would be read in {data.unit or 'no unit'}.",
            "Only the name of the unit changes",
        ).raise_unless_in(data.confirm)


def _driven_by(session: Session, row: VariableRow) -> list[MaterialRow]:
    return [m for m in questions.list_materials(session, row.preparation_id) if m.ratio_variable_id == row.id]


def _check_amounts_stay(session: Session, row: VariableRow, unit: str) -> None:
    """Numbers that are not converted must stay the same amounts: 2 in g is not 2 in mg."""
    for material in _driven_by(session, row):
        kind = AmountKind(material.amount_kind)
        if unit_factor(kind, unit) != material.unit_factor:
            written = ", ".join(u for family in FAMILIES for u in family if bare_unit(u) in UNITS_OF_AMOUNT[kind])
            way_out = (
                f"are converted only between {written}: choose the same unit as one of these first."
                if written
                else "cannot be converted: leave the unit as it is."
            )
            message = (
                f"The numbers of {row.name} are the amount of {material.name}, {_in_unit(row.unit, kind)}. "
                f"They would be read {_in_unit(unit, kind)}, and {way_out}"
            )
            raise InvalidInputError({"unit": message})


def _in_unit(unit: str, kind: AmountKind) -> str:
    return f"in {unit}" if unit else f"without a unit in {UNIT_WORDS[kind]}"


def _ask_about_range(row: VariableRow, data: VariableInput) -> None:
    """Ask whether numbers that were left as they were are meant in the new unit: runs are converted, typed numbers are not."""
    range_stays = (data.low, data.high) == (row.low, row.high)
    limits = [("a lower", row.hard_low, data.hard_low), ("an upper", row.hard_high, data.hard_high)]
    left = [(which, number) for which, number, typed in limits if number is not None and number == typed]

    def was(number: float) -> str:
        return f"{_tidy(convert(number, row.unit, data.unit)):g}"

    told, stay = [], []
    if range_stays:
        told.append(f"the range {row.low:g} to {row.high:g} {row.unit} is {was(row.low)} to {was(row.high)} {data.unit}")
        stay.append(f"a range of {row.low:g} to {row.high:g} {data.unit}")
    for which, number in left:
        told.append(f"{which} hard limit of {number:g} {row.unit} is {was(number)} {data.unit}")
        stay.append(f"{which} hard limit of {number:g} {data.unit}")
    if told:
        message = (
            f"In the new unit {listed(told)}, and the runs are converted so. "
            "Enter the range, step, base and hard limits in the new unit too."
        )
        question = f"It is meant in {data.unit}: {listed(stay)}"
        NeedsConfirmationError("unit", "same_numbers", message, question).raise_unless_in(data.confirm)


def update_variable(session: Session, variable_id: int, data: VariableInput) -> VariableRow:
    """Change a variable.

    Raises
    ------
    NotFoundError, InvalidInputError
    NeedsConfirmationError
        For a renamed option, one that is taken for another, a unit whose numbers cannot be converted, or a range that was
        left as it was in another unit.
    NothingReachableError
        If the limits would leave no settings.
    """
    row = questions.get_variable(session, variable_id)
    data = _with_known_unit(data)
    settings = [s for s in questions.list_settings(session, row.preparation_id) if s.variable_id == row.id]
    before = row.model_dump(mode="json")
    with session.no_autoflush:
        if settings and (row.role == Role.CHOICE) != (data.role is Role.CHOICE):
            raise InvalidInputError({"role": "Runs use this variable; it cannot turn from numbers to a choice or back."})
        check_variable(session, row.preparation_id, data, row.id)
        _check_uses(session, row, data)
        if row.role == Role.CHOICE:
            _check_options(session, row, data, settings)
        else:
            _follow_unit(session, row, data, settings)
        _apply(row, data)
        for material in _driven_by(session, row):
            material.unit_factor = unit_factor(AmountKind(material.amount_kind), row.unit)
            session.add(material)
        rows = [row if v.id == row.id else v for v in questions.list_variables(session, row.preparation_id)]
        space = space_of(rows, questions.list_limits(session, row.preparation_id))
        reach_of(space, new_ground=None)
    after = row.model_dump(mode="json")
    changed = {k for k in before if before[k] != after[k]}
    log_change(
        session,
        row.preparation_id,
        f"variable {row.name} changed",
        before={k: before[k] for k in changed},
        after={k: after[k] for k in changed},
    )
    session.add(row)
    session.commit()
    return row


def _rules_naming(session: Session, row: VariableRow) -> list[tuple[LimitRow, str]]:
    """The rules that cannot be without a variable, with their words."""
    every = {v.key: v for v in map(variable_of, questions.list_variables(session, row.preparation_id))}
    others = {key: v for key, v in every.items() if key != str(row.id)}
    gone = [limit for limit in questions.list_limits(session, row.preparation_id) if rule_of(limit, others) is None]
    return [(limit, rule.text if (rule := rule_of(limit, every)) else limit.kind) for limit in gone]


def move_variable_up(session: Session, variable_id: int) -> VariableRow:
    """Let a variable change places with the one before it; the first one stays. Raises NotFoundError."""
    row = questions.get_variable(session, variable_id)
    move_up(session, questions.list_variables(session, row.preparation_id), row)
    return row


def delete_variable(session: Session, variable_id: int, confirm: Sequence[str] = (RULES_GO,)) -> int:
    """Remove a variable with its settings and the limits that name it; return the preparation's id.

    Materials whose amount it set keep that of the base recipe. The log keeps what went along.

    Raises
    ------
    NotFoundError
    InvalidInputError
        For a choice that says which materials a run takes, and for what set the amounts of runs.
    NeedsConfirmationError
        Where rules go along, and ``confirm`` does not say that they may.
    """
    row = questions.get_variable(session, variable_id)
    materials = questions.list_materials(session, row.preparation_id)
    chosen = [m.name for m in materials if m.choice_variable_id == row.id]
    if chosen:
        names = ", ".join(chosen)
        raise InvalidInputError({"form": f"{row.name} says which of these a run takes: {names}. Remove or change those first."})
    driven = [m.name for m in materials if row.id in (m.ratio_variable_id, m.count_variable_id)]
    if driven and any(s.variable_id == row.id for s in questions.list_settings(session, row.preparation_id)):
        names = ", ".join(driven)
        message = (
            f"{row.name} sets how much of these the runs took: {names}. Without it, earlier runs would show other amounts. "
            "Give those materials an amount of their own first."
        )
        raise InvalidInputError({"form": message})
    rules = _rules_naming(session, row)
    gone = [text for _, text in rules]
    if gone:
        message = f"These rules name {row.name} and would go along: {'; '.join(gone)}."
        NeedsConfirmationError("confirm", RULES_GO, message, "They may go").raise_unless_in(confirm)
    for material in materials:
        if material.ratio_variable_id == row.id:
            material.amount, material.ratio_variable_id = float(row.base_number or 0.0) * material.amount_of_one, None
            material.ratio_factor = material.unit_factor = 1.0
            session.add(material)
        if material.count_variable_id == row.id:
            material.amount, material.count_variable_id = material.amount * float(row.base_number or 0.0), None
            session.add(material)
    for limit, _ in rules:
        session.delete(limit)
    preparation = questions.get_preparation(session, row.preparation_id)
    if preparation.course_variable_id == row.id:
        preparation.course_variable_id = None
        session.add(preparation)
    numbers = {run.id: run.number for run in questions.list_runs(session, row.preparation_id)}
    held = {}
    for s in questions.list_settings(session, row.preparation_id):
        if s.variable_id == row.id:
            number = s.planned_number if s.as_run_number is None else s.as_run_number
            held[str(numbers[s.run_id])] = s.as_run_choice or s.planned_choice or number
    before = row.model_dump(mode="json") | {"limits": gone, "settings by run": held}
    log_change(session, row.preparation_id, f"variable {row.name} removed", before=before)
    session.delete(row)
    session.commit()
    return row.preparation_id


def _check_members(rows: Sequence[VariableRow], ids: Sequence[int], field: str) -> list[VariableRow]:
    by_id = {row.id: row for row in rows}
    missing = [i for i in ids if i not in by_id]
    if missing:
        raise InvalidInputError({field: "A variable that this limit names is not there (any more)."})
    return [by_id[i] for i in ids]


def _must_be_options(names: Sequence[str], row: VariableRow, field: str) -> None:
    if unknown := [one for one in names if one not in row.choices]:
        raise InvalidInputError({field: f"{', '.join(unknown)} is not an option of {row.name}."})


@singledispatch
def _details_of(data: AnyLimit, rows: Sequence[VariableRow]) -> dict[str, Any]:
    """What is stored of a rule; InvalidInputError where it names what is not there or cannot be."""
    raise TypeError(f"no rule: {type(data).__name__}")


@_details_of.register
def _(data: LinearLimitInput, rows: Sequence[VariableRow]) -> dict[str, Any]:
    used = {i: c for i, c in data.coefficients.items() if c != 0}
    if not used:
        raise InvalidInputError({"coefficients": "Give at least one variable a coefficient other than 0."})
    if any(m.role == Role.CHOICE for m in _check_members(rows, list(used), "coefficients")):
        raise InvalidInputError({"coefficients": "A linear rule takes numbers only, no choices."})
    return {"coefficients": {str(i): c for i, c in used.items()}, "bound": data.bound}


@_details_of.register
def _(data: TotalTimeLimitInput, rows: Sequence[VariableRow]) -> dict[str, Any]:
    chosen = list(dict.fromkeys(data.variables))
    if any(m.role != Role.HOLD_TIME for m in _check_members(rows, chosen, "variables")):
        raise InvalidInputError({"variables": "A total-time rule takes hold times only."})
    if data.bound <= 0:
        raise InvalidInputError({"bound": "The total time must be more than 0."})
    return {"variables": chosen, "bound": data.bound, "unit": data.unit}


@_details_of.register
def _(data: NotUsedLimitInput, rows: Sequence[VariableRow]) -> dict[str, Any]:
    (member,) = _check_members(rows, [data.variable], "variable")
    _must_be_options(data.options, member, "options")
    return data.model_dump(exclude={"kind"})


@_details_of.register
def _(data: OptionRangeLimitInput, rows: Sequence[VariableRow]) -> dict[str, Any]:
    choice, number = _check_members(rows, [data.variable, data.partner], "variable")
    _must_be_options([data.choice], choice, "choice")
    if number.role == Role.CHOICE:
        raise InvalidInputError({"partner": f"{number.name} is a choice; take a variable that is a number."})
    if data.low is None and data.high is None:
        raise InvalidInputError({"high": "Enter the highest or the lowest value, or both."})
    if data.low is not None and data.high is not None and data.low > data.high:
        raise InvalidInputError({"low": f"The lowest, {data.low:g}, lies above the highest, {data.high:g}."})
    return data.model_dump(exclude={"kind"})


@_details_of.register
def _(data: OnlyWithLimitInput, rows: Sequence[VariableRow]) -> dict[str, Any]:
    first, second = _check_members(rows, [data.variable, data.partner], "variable")
    if first.id == second.id:
        raise InvalidInputError({"partner": "Choose two different variables."})
    _must_be_options([data.choice], first, "choice")
    _must_be_options(data.partners, second, "partners")
    return data.model_dump(exclude={"kind"})


def add_limit(session: Session, preparation_id: int, data: AnyLimit) -> LimitRow:
    """Add a rule over variables.

    Raises
    ------
    InvalidInputError
        If it names what is not there, or would leave no settings at all.
    """
    questions.get_preparation(session, preparation_id)
    rows = questions.list_variables(session, preparation_id)
    details = _details_of(data, rows)
    row = LimitRow(preparation_id=preparation_id, kind=data.kind, details=details)
    space = space_of(rows, [*questions.list_limits(session, preparation_id), row])
    reach_of(space, new_ground=None)  # raises NothingReachableError with the names
    session.add(row)
    log_change(session, preparation_id, "limit added", after=details)
    session.commit()
    return row


def delete_limit(session: Session, limit_id: int) -> int:
    """Remove a rule; return the preparation's id."""
    row = questions.get_limit(session, limit_id)
    log_change(session, row.preparation_id, "limit removed", before=row.details)
    session.delete(row)
    session.commit()
    return row.preparation_id


def as_input(row: VariableRow) -> VariableInput:
    """Return the input that would recreate the variable."""
    is_choice = row.role == Role.CHOICE
    return VariableInput(
        name=row.name,
        role=Role(row.role),
        unit=row.unit,
        stage=row.stage,
        low=None if is_choice else row.low,
        high=None if is_choice else row.high,
        step=row.step,
        hard_low=row.hard_low,
        hard_high=row.hard_high,
        base=(row.base_choice or "") if is_choice else float(row.base_number or 0.0),
        choices=list(row.choices),
    )
