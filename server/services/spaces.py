"""Rows of variables and limits as the core's ``Space``."""

from __future__ import annotations

from collections.abc import Sequence

from sqlmodel import Session

from server.core.space.limits import LinearRule, NotUsedRule, OnlyWithRule, OptionRangeRule, Rule, Space, total_time_rule
from server.core.space.variables import Role, Stage, Variable
from server.storage import questions
from server.storage.tables import LimitRow, VariableRow


def variable_of(row: VariableRow) -> Variable:
    """Return the core's variable for a row; its key is the row id as text."""
    role = Role(row.role)
    base: float | str = (row.base_choice or "") if role is Role.CHOICE else float(row.base_number or 0.0)
    return Variable(
        key=str(row.id),
        name=row.name,
        role=role,
        unit=row.unit,
        low=row.low,
        high=row.high,
        step=row.step,
        base=base,
        stage=Stage(row.stage),
        choices=tuple(row.choices),
        hard_low=row.hard_low,
        hard_high=row.hard_high,
    )


def rule_of(row: LimitRow, variables: dict[str, Variable]) -> Rule | None:
    """Return the core's rule for a row; None if a variable that it names is gone."""
    details = row.details
    if row.kind == "linear":
        coefficients = {str(k): float(c) for k, c in details["coefficients"].items()}
        if not coefficients.keys() <= variables.keys():
            return None
        bound = float(details["bound"])
        return LinearRule(row.text or _linear_text(coefficients, bound, variables), coefficients, bound)
    if row.kind == "total_time":
        keys = [str(k) for k in details["variables"]]
        if not set(keys) <= variables.keys():
            return None
        return total_time_rule([variables[k] for k in keys], float(details["bound"]), str(details["unit"]))
    if row.kind == "not_used":
        key = str(details["variable"])
        options = tuple(o for o in details["options"] if key in variables and o in variables[key].choices)
        if not options:
            return None
        text = f"{variables[key].name} {' and '.join(options)} not used any more"
        return NotUsedRule(text, key, options)
    key, partner = str(details["variable"]), str(details["partner"])
    if not {key, partner} <= variables.keys():
        return None
    if row.kind == "option_range":
        return _option_range(variables[key], str(details["choice"]), variables[partner], details["low"], details["high"])
    partners = tuple(p for p in details["partners"] if p in variables[partner].choices)
    if details["choice"] not in variables[key].choices:
        return None
    text = f"{variables[key].name} {details['choice']} only with {variables[partner].name} {' or '.join(partners)}"
    return OnlyWithRule(text, key, str(details["choice"]), partner, partners)


def _option_range(choice: Variable, option: str, number: Variable, low: float | None, high: float | None) -> Rule | None:
    """A range of a number with one option, in words; None where the option is gone."""
    if option not in choice.choices:
        return None
    ends = [f"at least {low:g}" if low is not None else "", f"at most {high:g}" if high is not None else ""]
    words = " and ".join(filter(None, ends))
    text = f"with {choice.name} {option}, {number.name} {words} {number.unit}".rstrip()
    return OptionRangeRule(text, choice.key, option, number.key, low, high)


def _linear_text(coefficients: dict[str, float], bound: float, variables: dict[str, Variable]) -> str:
    """A linear rule in words, with the unit where all its variables share one."""
    units = {variables[k].unit for k in coefficients}
    unit = units.pop() if len(units) == 1 else ""
    if len(coefficients) == 1:
        key, c = next(iter(coefficients.items()))
        least, word = f"{bound / c + 0.0:g}".replace("-", "−"), "at least" if c < 0 else "at most"
        return f"{variables[key].name} {word} {least} {unit}".rstrip()
    terms = " + ".join(f"{c:g} × {variables[k].name}" if c != 1 else variables[k].name for k, c in coefficients.items())
    return f"{terms} at most {bound:g} {unit}".replace("+ -", "− ").rstrip()


def names_of(row: LimitRow) -> set[str]:
    """Keys of the variables that a rule names."""
    details = row.details
    if row.kind == "linear":
        return {str(k) for k in details["coefficients"]}
    if row.kind == "total_time":
        return {str(k) for k in details["variables"]}
    return {str(details[role]) for role in ("variable", "partner") if role in details}


def stored_space(session: Session, preparation_id: int) -> Space:
    """Return the space of a stored preparation, rules included."""
    return space_of(questions.list_variables(session, preparation_id), questions.list_limits(session, preparation_id))


def space_of(variable_rows: Sequence[VariableRow], limit_rows: Sequence[LimitRow]) -> Space:
    """Return the space of a preparation."""
    variables = tuple(variable_of(row) for row in variable_rows)
    by_key = {v.key: v for v in variables}
    rules = tuple(rule for rule in (rule_of(row, by_key) for row in limit_rows) if rule is not None)
    return Space(variables, rules)
