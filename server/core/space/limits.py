"""Limits: hard rules over settings, and which settings can be reached.

Three kinds of rule exist beside each variable's own range and steps: a linear
rule, a total-time rule, and an 'only with' rule between two choices. Feasibility
and contradictions are found with an integer program (scipy's HiGHS).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import optimize

from server.core.space.coordinates import code_values
from server.core.space.units import convert
from server.core.space.variables import FloatArray, Settings, Variable
from server.errors import NothingReachableError

_SLACK = 1e-9


@dataclass(frozen=True)
class LinearRule:
    """Σ coefficient · setting ≤ bound, with settings in each variable's own unit."""

    text: str
    coefficients: Mapping[str, float]
    bound: float

    def holds(self, settings: Settings) -> bool:
        total = sum(c * float(settings[key]) for key, c in self.coefficients.items())
        return total <= self.bound + _SLACK * max(1.0, abs(self.bound))


@dataclass(frozen=True)
class OnlyWithRule:
    """``choice`` of one variable may be used only with one of ``partners`` of another."""

    text: str
    key: str
    choice: str
    partner_key: str
    partners: tuple[str, ...]

    def holds(self, settings: Settings) -> bool:
        return settings[self.key] != self.choice or settings[self.partner_key] in self.partners


Rule = LinearRule | OnlyWithRule


def total_time_rule(times: Sequence[Variable], at_most: float, unit: str) -> LinearRule:
    """Return the rule 'these holds together take at most ``at_most``' as a linear rule.

    Parameters
    ----------
    times : sequence of Variable
        Hold times; each may have its own time unit.
    at_most : float
        Longest total. [unit]
    """
    names = " + ".join(v.name for v in times)
    text = f"{names} together at most {at_most:g} {unit}"
    return LinearRule(text, {v.key: convert(1.0, v.unit, unit) for v in times}, at_most)


@dataclass(frozen=True)
class Space:
    """The variables of a preparation with the rules over them."""

    variables: tuple[Variable, ...]
    rules: tuple[Rule, ...] = ()
    _by_key: dict[str, Variable] = field(default_factory=dict, compare=False, repr=False)

    def __post_init__(self) -> None:
        self._by_key.update({v.key: v for v in self.variables})

    def variable(self, key: str) -> Variable:
        return self._by_key[key]

    def seen_in(self, rows: Sequence[Settings]) -> Space:
        """This space with coordinates that reach over the settings of all runs; itself where none lies outside."""
        variables = []
        for v in self.variables:
            seen = [] if v.is_choice else [float(row[v.key]) for row in rows]
            is_outside = bool(seen) and (min(seen) < v.low or max(seen) > v.high)
            variables.append(replace(v, seen_low=min(seen), seen_high=max(seen)) if is_outside else v)
        return self if tuple(variables) == self.variables else Space(tuple(variables), self.rules)

    @property
    def base(self) -> dict[str, float | str]:
        """The base recipe: every variable at its base value."""
        return {v.key: v.base for v in self.variables}

    def broken_limits(self, settings: Settings) -> list[str]:
        """Return a sentence for every hard limit or rule that ``settings`` break."""
        broken = []
        for v in self.variables:
            value = settings[v.key]
            if v.is_choice:
                if value not in v.choices:
                    broken.append(f"{v.name}: {value} is not one of {', '.join(v.choices)}.")
                continue
            low = v.low if v.hard_low is None else v.hard_low
            high = v.high if v.hard_high is None else v.hard_high
            slack = _SLACK * max(abs(low), abs(high))
            if not (low - slack <= float(value) <= high + slack):
                unit = f" {v.unit}" if v.unit else ""
                broken.append(f"{v.name}: {float(value):g}{unit} is outside the hard limit {low:g} to {high:g}{unit}.")
        broken.extend(f"The rule “{rule.text}” does not hold." for rule in self.rules if not rule.holds(settings))
        return broken

    def is_reachable(self, settings: Settings) -> bool:
        """Tell whether settings lie on the steps, inside every range and within every rule."""
        for v in self.variables:
            value = settings[v.key]
            if v.is_choice:
                if value not in v.choices:
                    return False
            elif not (v.low - _SLACK * v.span <= float(value) <= v.high + _SLACK * v.span) or abs(
                v.snap(float(value)) - float(value)
            ) > 1e-7 * max(1.0, abs(float(value))):
                return False
        return all(rule.holds(settings) for rule in self.rules)


@dataclass(frozen=True)
class Reach:
    """What a search may use: per variable the allowed grid values or level numbers, plus the rules.

    ``values[j]`` holds raw numbers for numeric variables and level numbers for
    choices; ``coded[j]`` the matching coded coordinates; all ascending.
    """

    space: Space
    values: tuple[FloatArray, ...]
    coded: tuple[FloatArray, ...]

    @property
    def n_variables(self) -> int:
        return len(self.values)

    def settings(self, index: Sequence[int]) -> dict[str, float | str]:
        """Turn one index per variable into settings."""
        chosen: dict[str, float | str] = {}
        for j, variable in enumerate(self.space.variables):
            value = float(self.values[j][index[j]])
            chosen[variable.key] = variable.choices[int(value)] if variable.is_choice else value
        return chosen

    def around(self, row: FloatArray, farthest: float) -> Reach:
        """Keep only what lies near one setting.

        Parameters
        ----------
        row : ndarray of shape (n_variables,)
            Coded settings.
        farthest : float
            Largest change of a numeric variable in coded units. The next step up and the next one
            down are kept however wide they are, and so are all levels of a choice.

        Returns
        -------
        reach : Reach
            Everything, if the rules leave nothing nearby.
        """
        values, coded = [], []
        for j, v in enumerate(self.space.variables):
            here, grid = self.values[j], self.coded[j]
            if not v.is_choice:
                low, high = row[j] - farthest - _SLACK, row[j] + farthest + _SLACK
                next_up = grid[grid > row[j] + _SLACK][:1]
                next_down = grid[grid < row[j] - _SLACK][-1:]
                near = (grid >= np.min([low, *next_down])) & (grid <= np.max([high, *next_up]))
                here, grid = here[near], grid[near]
            values.append(here)
            coded.append(grid)
        narrowed = Reach(self.space, tuple(values), tuple(coded))
        return self if _solve(narrowed, self.space.rules, None) is None else narrowed

    def coded_rows(self, indices: np.ndarray) -> FloatArray:
        """Return coded coordinates of shape (n, n_variables) for indices of the same shape."""
        return np.column_stack([self.coded[j][indices[:, j]] for j in range(self.n_variables)])

    def allowed(self, indices: np.ndarray) -> np.ndarray:
        """Return a mask of shape (n,): which index rows satisfy every rule."""
        mask = np.ones(len(indices), dtype=bool)
        keys = [v.key for v in self.space.variables]
        for rule in self.space.rules:
            if isinstance(rule, LinearRule):
                total = np.zeros(len(indices))
                for key, coefficient in rule.coefficients.items():
                    j = keys.index(key)
                    total += coefficient * self.values[j][indices[:, j]]
                mask &= total <= rule.bound + _SLACK * max(1.0, abs(rule.bound))
            else:
                j, k = keys.index(rule.key), keys.index(rule.partner_key)
                level = self.space.variables[j].choices.index(rule.choice)
                partner_levels = [self.space.variables[k].choices.index(p) for p in rule.partners]
                chosen = self.values[j][indices[:, j]] == level
                mask &= ~chosen | np.isin(self.values[k][indices[:, k]], partner_levels)
        return mask


def reach_of(space: Space, *, tried: Sequence[Settings] = (), new_ground: float | None = None) -> Reach:
    """Collect what can be reached from where the runs have been.

    Parameters
    ----------
    tried : sequence of settings
        As-run settings so far; the base recipe stands in when there are none.
    new_ground : float or None
        How far beyond the tried values a setting may go, as a fraction of the
        range, but always one step; None switches this limit off. [-]

    Raises
    ------
    NothingReachableError
        If no settings satisfy all limits; names a smallest contradicting set.
    """
    values, coded = [], []
    for v in space.variables:
        if v.is_choice:
            levels = np.arange(len(v.choices), dtype=float)
            values.append(levels)
            coded.append(levels)
            continue
        grid = v.grid()
        if new_ground is not None:
            seen = [float(row[v.key]) for row in tried] or [float(v.base)]
            # A step that is coarser than what is allowed would never be taken: one step is always in reach.
            reach = max(new_ground * v.span, v.working_step) * (1 + _SLACK)
            inside = grid[(grid >= min(seen) - reach) & (grid <= max(seen) + reach)]
            # Runs that all lie outside the range would leave nothing: use the nearest end.
            grid = inside if len(inside) else np.array([v.snap(float(np.clip(np.mean(seen), v.low, v.high)))])
        values.append(grid)
        coded.append(code_values(v, grid))
    reach_found = Reach(space, tuple(values), tuple(coded))
    find_reachable(reach_found)
    return reach_found


def find_reachable(reach: Reach, objective: FloatArray | None = None) -> list[int]:
    """Return one index per variable that satisfies all rules.

    Parameters
    ----------
    objective : ndarray of shape (n_columns,) or None
        Direction to favour among feasible points, one weight per column of the
        integer program; None favours nothing.

    Raises
    ------
    NothingReachableError
        If there is none; names a smallest contradicting set of limits.
    """
    found = _solve(reach, reach.space.rules, objective)
    if found is None:
        raise NothingReachableError(_contradiction(reach))
    return found


def program_columns(reach: Reach) -> int:
    """Number of columns of the integer program: one per number, one per level of a choice."""
    return sum(len(v.choices) if v.is_choice else 1 for v in reach.space.variables)


def _solve(
    reach: Reach,
    rules: Sequence[Rule],
    objective: FloatArray | None = None,
    free: frozenset[str] = frozenset(),
) -> list[int] | None:
    """Solve the integer program; variables named in ``free`` may leave their range."""
    variables = reach.space.variables
    column: dict[str, int] = {}
    lower: list[float] = []
    upper: list[float] = []
    rows: list[dict[int, float]] = []
    row_low: list[float] = []
    row_high: list[float] = []
    for j, v in enumerate(variables):
        column[v.key] = len(lower)
        if v.is_choice:
            start = len(lower)
            lower += [0.0] * len(v.choices)
            upper += [1.0] * len(v.choices)
            rows.append({start + k: 1.0 for k in range(len(v.choices))})
            row_low.append(1.0)
            row_high.append(1.0)
        else:
            room = 1e6 if v.key in free else 0.0
            lower.append(-room)
            upper.append(len(reach.values[j]) - 1 + room)
    for rule in rules:
        row: dict[int, float] = {}
        if isinstance(rule, LinearRule):
            constant = 0.0
            for key, c in rule.coefficients.items():
                v = reach.space.variable(key)
                j = variables.index(v)
                step = v.working_step
                row[column[key]] = row.get(column[key], 0.0) + c * step
                constant += c * float(reach.values[j][0])
            bound = rule.bound + _SLACK * max(1.0, abs(rule.bound)) - constant
        else:
            first = reach.space.variable(rule.key)
            second = reach.space.variable(rule.partner_key)
            row[column[rule.key] + first.choices.index(rule.choice)] = 1.0
            for partner in rule.partners:
                row[column[rule.partner_key] + second.choices.index(partner)] = -1.0
            bound = 0.0
        rows.append(row)
        row_low.append(-np.inf)
        row_high.append(bound)
    n_columns = len(lower)
    matrix = np.zeros((len(rows), n_columns))
    for i, row in enumerate(rows):
        for k, c in row.items():
            matrix[i, k] = c
    constraints = [optimize.LinearConstraint(matrix, np.array(row_low), np.array(row_high))] if rows else []
    result = optimize.milp(
        np.zeros(n_columns) if objective is None else objective,
        integrality=np.ones(n_columns),
        bounds=optimize.Bounds(np.array(lower), np.array(upper)),
        constraints=constraints,
    )
    if result.x is None:
        return None
    solution = np.round(result.x).astype(int)
    index = []
    for v in variables:
        start = column[v.key]
        index.append(int(np.argmax(solution[start : start + len(v.choices)])) if v.is_choice else int(solution[start]))
    return index


def _contradiction(reach: Reach) -> list[str]:
    """Find a smallest set of rules and ranges that cannot hold together (deletion filter)."""
    rules = list(reach.space.rules)
    for rule in list(rules):
        without = [r for r in rules if r is not rule]
        if _solve(reach, without) is None:
            rules = without
    names = [rule.text for rule in rules]
    involved = {key for rule in rules if isinstance(rule, LinearRule) for key in rule.coefficients}
    free: frozenset[str] = frozenset()
    for key in sorted(involved):
        if _solve(reach, rules, free=free | {key}) is None:
            free = free | {key}
    for j, v in enumerate(reach.space.variables):
        if v.key in involved and v.key not in free:
            reachable = reach.values[j]
            words = f"{v.name} {reachable[0]:g} to {reachable[-1]:g} {v.unit}".rstrip()
            if reachable[0] > v.low + _SLACK * v.span or reachable[-1] < v.grid()[-1] - _SLACK * v.span:
                words += f" (as far as the step into new ground allows; its range is {v.low:g} to {v.high:g})"
            names.append(words)
    return names
