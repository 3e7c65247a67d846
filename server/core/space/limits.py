"""Limits: hard rules over settings, and which settings can be reached.

Beside each variable's own range and steps there are linear rules (a total time is one),
'only with' rules between two choices, ranges of numbers with one option, options that are not used
any more, and what is left of the materials. Feasibility and contradictions are found with an integer program (scipy's HiGHS).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import optimize

from server.core.space.coordinates import code_values
from server.core.space.units import convert
from server.core.space.variables import ALIKE, FloatArray, Settings, Variable
from server.errors import NothingReachableError

_SLACK = 1e-9
# Index rows of shape (n, n_variables) that a rule is asked about.
_Indices = np.ndarray


def _slack(bound: float) -> float:
    return _SLACK * max(1.0, abs(bound))


@dataclass(frozen=True)
class LinearRule:
    """Σ coefficient · setting ≤ bound, with settings in each variable's own unit."""

    text: str
    coefficients: Mapping[str, float]
    bound: float

    @property
    def numbers(self) -> frozenset[str]:
        """Keys of the numeric variables that it limits."""
        return frozenset(self.coefficients)

    def holds(self, settings: Settings) -> bool:
        total = sum(c * float(settings[key]) for key, c in self.coefficients.items())
        return total <= self.bound + _slack(self.bound)

    def mask(self, reach: Reach, indices: _Indices) -> np.ndarray:
        """Which index rows satisfy it, shape (n,)."""
        total = np.zeros(len(indices))
        for key, coefficient in self.coefficients.items():
            total += coefficient * reach.numbers_at(key, indices)
        return np.asarray(total <= self.bound + _slack(self.bound))

    def add_to(self, program: _Program) -> None:
        """Add it to the integer program."""
        program.limit(self.coefficients, {}, self.bound + _slack(self.bound))


class _OfOptions:
    """What rules share that are about options of choices alone."""

    numbers: frozenset[str] = frozenset()  # keys of the numeric variables that it limits: none


@dataclass(frozen=True)
class OnlyWithRule(_OfOptions):
    """``choice`` of one variable may be used only with one of ``partners`` of another."""

    text: str
    key: str
    choice: str
    partner_key: str
    partners: tuple[str, ...]

    def holds(self, settings: Settings) -> bool:
        return settings[self.key] != self.choice or settings[self.partner_key] in self.partners

    def mask(self, reach: Reach, indices: _Indices) -> np.ndarray:
        """Which index rows satisfy it, shape (n,)."""
        partner = np.zeros(len(indices), dtype=bool)
        for option in self.partners:
            partner |= reach.is_option(self.partner_key, option, indices)
        return np.asarray(~reach.is_option(self.key, self.choice, indices) | partner)

    def add_to(self, program: _Program) -> None:
        """Add it to the integer program."""
        partners = {(self.partner_key, option): -1.0 for option in self.partners}
        program.limit({}, {(self.key, self.choice): 1.0, **partners}, 0.0)


@dataclass(frozen=True)
class NotUsedRule(_OfOptions):
    """Some options of a choice are not used any more, though runs had them."""

    text: str
    key: str
    options: tuple[str, ...]

    def holds(self, settings: Settings) -> bool:
        return settings[self.key] not in self.options

    def mask(self, reach: Reach, indices: _Indices) -> np.ndarray:
        """Which index rows satisfy it, shape (n,)."""
        mask = np.ones(len(indices), dtype=bool)
        for option in self.options:
            mask &= ~reach.is_option(self.key, option, indices)
        return mask

    def add_to(self, program: _Program) -> None:
        """Add it to the integer program."""
        program.limit({}, {(self.key, option): 1.0 for option in self.options}, 0.0)


@dataclass(frozen=True)
class OptionRangeRule:
    """With ``option`` of a choice, a number keeps to a range of its own: a bath below the boiling point of that solvent.

    Attributes
    ----------
    key, option : str
        The choice and its option.
    number_key : str
        The numeric variable.
    low, high : float or None
        In its unit; None where this end is that of the variable.
    """

    text: str
    key: str
    option: str
    number_key: str
    low: float | None
    high: float | None

    @property
    def numbers(self) -> frozenset[str]:
        """Keys of the numeric variables that it limits."""
        return frozenset({self.number_key})

    @property
    def _ends(self) -> tuple[float, float]:
        low = -np.inf if self.low is None else self.low - _slack(self.low)
        return low, np.inf if self.high is None else self.high + _slack(self.high)

    def holds(self, settings: Settings) -> bool:
        low, high = self._ends
        return settings[self.key] != self.option or low <= float(settings[self.number_key]) <= high

    def mask(self, reach: Reach, indices: _Indices) -> np.ndarray:
        """Which index rows satisfy it, shape (n,)."""
        low, high = self._ends
        numbers = reach.numbers_at(self.number_key, indices)
        return np.asarray(~reach.is_option(self.key, self.option, indices) | ((low <= numbers) & (numbers <= high)))

    def add_to(self, program: _Program) -> None:
        """Add it to the integer program."""
        low, high = self._ends
        first, last = program.ends(self.number_key)
        # Without its option, nothing is limited.
        if last > high:
            program.limit({self.number_key: 1.0}, {(self.key, self.option): last - high}, last)
        if first < low:
            program.limit({self.number_key: -1.0}, {(self.key, self.option): low - first}, -first)


@dataclass(frozen=True)
class StockRule:
    """A run takes no more of a material than there is: ``mass_g`` · amount · portions ≤ ``left_g``.

    Attributes
    ----------
    text, material : str
        What limits, in words; name of the material.
    mass_g : float
        Mass per unit of the variable that is the amount and per portion; of the whole where neither varies. [g]
    left_g : float
        What is left. [g]
    amount_key, count_key : str or None
        Numeric variables that are the amount, and how many times it is taken.
    option : tuple of str or None
        Key of a choice and the option with which alone the material is used; None if it is used always.
    """

    text: str
    material: str
    mass_g: float
    left_g: float
    amount_key: str | None = None
    count_key: str | None = None
    option: tuple[str, str] | None = None

    @property
    def numbers(self) -> frozenset[str]:
        """Keys of the numeric variables that it limits."""
        return frozenset(key for key in (self.amount_key, self.count_key) if key)

    @property
    def _most(self) -> float:
        return self.left_g * (1 + _SLACK)

    def taken_g(self, settings: Settings) -> float:
        """What a run takes. [g]"""
        if self.option and settings[self.option[0]] != self.option[1]:
            return 0.0
        return self.mass_g * float(np.prod([float(settings[key]) for key in sorted(self.numbers)]))

    def holds(self, settings: Settings) -> bool:
        return self.taken_g(settings) <= self._most

    def after(self, settings: Settings) -> StockRule:
        """The same when a run has taken its share."""
        return replace(self, left_g=max(0.0, self.left_g - self.taken_g(settings)))

    def mask(self, reach: Reach, indices: _Indices) -> np.ndarray:
        """Which index rows satisfy it, shape (n,)."""
        taken = np.full(len(indices), self.mass_g)
        for key in sorted(self.numbers):
            taken = taken * reach.numbers_at(key, indices)
        if self.option:
            taken = np.where(reach.is_option(*self.option, indices), taken, 0.0)
        return np.asarray(taken <= self._most)

    def add_to(self, program: _Program) -> None:
        """Add it to the integer program."""
        if self.amount_key and self.count_key:
            program.limit_product(self.mass_g, self.amount_key, self.count_key, self._most, self.option)
            return
        mass, key = self.mass_g, self.amount_key or self.count_key
        largest = mass * program.ends(key)[1] if key else mass
        if largest <= self._most:
            return
        coefficients = {key: mass} if key else {}
        bound = self._most if key else self._most - mass
        # Without its option, the material is not used and nothing is limited.
        options = {self.option: largest - self._most} if self.option else {}
        program.limit(coefficients, options, bound + sum(options.values()))


Rule = LinearRule | OnlyWithRule | NotUsedRule | OptionRangeRule | StockRule


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
        """Return a sentence for every hard limit or rule that ``settings`` break.

        The end of a range without a hard limit is not broken by what counts as the same setting (``ALIKE``): 1.998
        equivalents were weighed where 2 were meant.
        """
        broken = []
        for v in self.variables:
            value = settings[v.key]
            if v.is_choice:
                if value not in v.choices:
                    broken.append(f"{v.name}: {value} is not one of {', '.join(v.choices)}.")
                continue
            low = v.low if v.hard_low is None else v.hard_low
            high = v.high if v.hard_high is None else v.hard_high
            dust = _SLACK * max(abs(low), abs(high))
            under = dust if v.hard_low is not None else max(dust, ALIKE * v.span)
            over = dust if v.hard_high is not None else max(dust, ALIKE * v.span)
            if not (low - under <= float(value) <= high + over):
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

    def numbers_at(self, key: str, indices: _Indices) -> FloatArray:
        """Settings of a numeric variable at index rows, shape (n,)."""
        j = self.column(key)
        return np.asarray(self.values[j][indices[:, j]])

    def is_option(self, key: str, option: str, indices: _Indices) -> np.ndarray:
        """Whether a choice has this option at index rows, shape (n,)."""
        j = self.column(key)
        return np.asarray(self.values[j][indices[:, j]] == self.space.variables[j].choices.index(option))

    def column(self, key: str) -> int:
        """Position of a variable."""
        return next(j for j, v in enumerate(self.space.variables) if v.key == key)

    def allowed(self, indices: _Indices) -> np.ndarray:
        """Return a mask of shape (n,): which index rows satisfy every rule."""
        mask = np.ones(len(indices), dtype=bool)
        for rule in self.space.rules:
            mask &= rule.mask(self, indices)
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


class _Program:
    """The integer program: one column per number, counted in steps, and one per level of a choice.

    Parameters
    ----------
    free : frozenset of str
        Keys of numeric variables that may leave their range.
    """

    def __init__(self, reach: Reach, free: frozenset[str]) -> None:
        self._reach = reach
        self._start: dict[str, int] = {}
        self._lower: list[float] = []
        self._upper: list[float] = []
        self._rows: list[tuple[dict[int, float], float, float]] = []
        self._of_counts: dict[str, list[tuple[int, float]]] = {}
        for j, v in enumerate(reach.space.variables):
            start = self._start[v.key] = len(self._lower)
            if v.is_choice:
                self._lower += [0.0] * len(v.choices)
                self._upper += [1.0] * len(v.choices)
                self._rows.append(({start + k: 1.0 for k in range(len(v.choices))}, 1.0, 1.0))
            else:
                room = 1e6 if v.key in free else 0.0
                self._lower.append(-room)
                self._upper.append(len(reach.values[j]) - 1 + room)

    def _first(self, key: str) -> tuple[float, float]:
        """First value of a numeric variable and its step."""
        j = self._reach.column(key)
        return float(self._reach.values[j][0]), self._reach.space.variables[j].working_step

    def ends(self, key: str) -> tuple[float, float]:
        """Lowest and highest setting of a numeric variable."""
        first, step = self._first(key)
        at = self._start[key]
        return first + step * self._lower[at], first + step * self._upper[at]

    def limit(self, numbers: Mapping[str, float], options: Mapping[tuple[str, str], float], bound: float) -> None:
        """Add Σ coefficient · setting + Σ coefficient · [option chosen] ≤ bound."""
        row: dict[int, float] = {}
        for key, coefficient in numbers.items():
            first, step = self._first(key)
            row[self._start[key]] = coefficient * step
            bound -= coefficient * first
        for (key, option), coefficient in options.items():
            row[self._start[key] + self._reach.space.variable(key).choices.index(option)] = coefficient
        self._rows.append((row, -np.inf, bound))

    def limit_product(self, factor: float, key: str, count_key: str, bound: float, option: tuple[str, str] | None) -> None:
        """Add factor · setting · count ≤ bound, where a choice has the option if one is given: one row for every count."""
        highest = self.ends(key)[1]
        for column, times in self._counts(count_key):
            beyond = factor * times * highest - bound
            if beyond <= 0:
                continue
            # Other counts, and other options, are not limited by this row.
            options = {option: beyond} if option else {}
            self.limit({key: factor * times}, options, bound + beyond * (1 + len(options)))
            self._rows[-1][0][column] = beyond

    def _counts(self, key: str) -> list[tuple[int, float]]:
        """A column that is 1 for each value of a numeric variable, and that value."""
        if key not in self._of_counts:
            first, step = self._first(key)
            at = self._start[key]
            indices = range(len(self._reach.values[self._reach.column(key)]))
            start = len(self._lower)
            self._lower += [0.0] * len(indices)
            self._upper += [1.0] * len(indices)
            self._rows.append(({start + k: 1.0 for k in range(len(indices))}, 1.0, 1.0))
            self._rows.append(({at: 1.0, **{start + k: -float(i) for k, i in enumerate(indices)}}, 0.0, 0.0))
            self._of_counts[key] = [(start + k, first + step * i) for k, i in enumerate(indices)]
        return self._of_counts[key]

    def solve(self, objective: FloatArray | None) -> list[int] | None:
        """One index per variable that satisfies everything; None if there is none."""
        width = len(self._lower)
        matrix = np.zeros((len(self._rows), width))
        for i, (row, _, _) in enumerate(self._rows):
            for k, c in row.items():
                matrix[i, k] = c
        low, high = np.array([r[1] for r in self._rows]), np.array([r[2] for r in self._rows])
        result = optimize.milp(
            np.zeros(width) if objective is None else np.pad(objective, (0, width - len(objective))),
            integrality=np.ones(width),
            bounds=optimize.Bounds(np.array(self._lower), np.array(self._upper)),
            constraints=[optimize.LinearConstraint(matrix, low, high)] if self._rows else [],
        )
        if result.x is None:
            return None
        solution = np.round(result.x).astype(int)
        index = []
        for v in self._reach.space.variables:
            start = self._start[v.key]
            levels = solution[start : start + len(v.choices)]
            index.append(int(np.argmax(levels)) if v.is_choice else int(solution[start]))
        return index


def _solve(
    reach: Reach, rules: Sequence[Rule], objective: FloatArray | None = None, free: frozenset[str] = frozenset()
) -> list[int] | None:
    """Solve the integer program; numeric variables named in ``free`` may leave their range."""
    program = _Program(reach, free)
    for rule in rules:
        rule.add_to(program)
    return program.solve(objective)


def _contradiction(reach: Reach) -> list[str]:
    """Find a smallest set of rules and ranges that cannot hold together (deletion filter)."""
    rules = list(reach.space.rules)
    for rule in list(rules):
        without = [r for r in rules if r is not rule]
        if _solve(reach, without) is None:
            rules = without
    names = [rule.text for rule in rules]
    involved = {key for rule in rules for key in rule.numbers}
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
