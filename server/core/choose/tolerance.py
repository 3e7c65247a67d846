"""Tolerance window: how far the settings may drift with the yield still within the allowed loss."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy.stats import qmc

from server.core.model.ladder import Ladder
from server.core.space.coordinates import code_values, encode
from server.core.space.limits import LinearRule, OptionRangeRule, Space
from server.core.space.variables import FloatArray, Role, Settings, Variable

_STEPS = 33
_SAMPLES = 256
_BISECTIONS = 10


class End(StrEnum):
    """Why a window ends."""

    LOSS = ""
    RANGE = "end of the range"
    RULE = "a rule"


@dataclass(frozen=True)
class VariableWindow:
    """Window of one variable around the working recipe.

    ``low`` and ``high`` in the variable's unit (both equal to the setting where nothing
    may drift); ``low_end`` and ``high_end`` say where the window ends not at a loss, but at the end of the range
    or at a rule. ``alone`` is how far this one may drift while all others keep to their settings, in its unit.
    For a choice ``keeps`` lists the other options that keep the yield, with probability.
    """

    variable: Variable
    setting: float | str
    low: float | None
    high: float | None
    low_end: End
    high_end: End
    alone: tuple[float, float] | None = None
    keeps: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class ToleranceWindow:
    """Windows of all variables: any one setting inside all of them keeps the yield with the wanted probability.

    Attributes
    ----------
    probability : float
        Probability that was asked for.
    reached : float
        Mean probability over settings sampled inside the window, all variables together.
    worst : float
        Smallest probability found at any of them, and at the other options that are named: at least what was asked for.
    allowed_loss : float
        [percentage points]
    """

    variables: tuple[VariableWindow, ...]
    allowed_loss: float
    probability: float
    reached: float
    worst: float


def tolerance_window(
    ladder: Ladder, space: Space, working: Settings, *, allowed_loss: float = 2.0, probability: float = 0.9
) -> ToleranceWindow:
    """Find the largest windows in which the yield stays within the allowed loss.

    Parameters
    ----------
    allowed_loss : float
        Loss against the working recipe that does not matter. [percentage points]
    probability : float
        Wanted probability that the true yield anywhere in the window keeps to it.

    Raises
    ------
    ValueError
        For an allowed loss that is not above 0, or a probability that does not lie between 0 and 1.

    Notes
    -----
    First each variable alone: the widest stretch around the setting in which the
    probability holds at every step. Then all together: the stretches are shrunk by one
    common factor, found by bisection, until the probability is what is wanted at the
    least favourable of 256 scrambled Sobol points and of the corners of the box (64 of
    them, drawn, where there are more). Windows never leave the limits: beyond a range only
    the setting itself counts, where drifting together would break a linear rule, the
    variables in it keep closer to their settings, and where the option allows less of a
    number, its window ends there.
    """
    if not allowed_loss > 0:
        raise ValueError("the allowed loss must be above 0")
    if not 0 < probability < 1:
        raise ValueError("the probability must lie between 0 and 1")
    centre = encode(space.variables, [working])[0]
    spans = [_alone(ladder, space, centre, j, allowed_loss, probability) for j in range(len(space.variables))]
    unit = np.vstack([qmc.Sobol(max(len(spans), 1), seed=3).random(_SAMPLES), _corners(len(spans))])

    def box(factor: float) -> FloatArray:
        rows = np.repeat(centre[None, :], len(unit), axis=0)
        for j, span in enumerate(spans):
            if span is not None:
                low, high = centre[j] + factor * (span[0] - centre[j]), centre[j] + factor * (span[1] - centre[j])
                rows[:, j] = low + unit[:, j] * (high - low)
        return rows

    def keeps(factor: float) -> FloatArray:
        return ladder.difference(centre[None, :], box(factor)).probability_above(-allowed_loss)

    factor = 1.0
    if keeps(1.0).min() < probability:
        low, high = 0.0, 1.0
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if keeps(middle).min() >= probability else (low, middle)
        factor = low
    at_end = keeps(factor)
    options = _options(ladder, space, working, centre, allowed_loss, probability)
    windows = []
    for j, (v, span) in enumerate(zip(space.variables, spans, strict=True)):
        if span is None:
            windows.append(VariableWindow(v, working[v.key], None, None, End.LOSS, End.LOSS, keeps=options[j]))
            continue
        ends = [centre[j] + factor * (end - centre[j]) for end in span]
        setting = float(working[v.key])
        low_value, high_value = _decode(v, ends[0], setting), _decode(v, ends[1], setting)
        windows.append(
            VariableWindow(
                v,
                setting,
                min(low_value, setting),
                max(high_value, setting),
                End.RANGE if abs(ends[0]) <= 1e-6 else End.LOSS,
                End.RANGE if abs(ends[1] - 1.0) <= 1e-6 else End.LOSS,
                (min(_decode(v, span[0], setting), setting), max(_decode(v, span[1], setting), setting)),
            )
        )
    windows = [_whole(w) if w.variable.role is Role.COUNT else w for w in _within_rules(space, windows)]
    worst = min(float(at_end.min()), *(chance for kept in options.values() for _, chance in kept), 1.0)
    return ToleranceWindow(tuple(windows), allowed_loss, probability, float(np.mean(at_end)), worst)


def _whole(w: VariableWindow) -> VariableWindow:
    """The window of a count: whole numbers inside it; the setting itself stays."""
    setting = float(w.setting)

    def inside(low: float, high: float) -> tuple[float, float]:
        return min(setting, math.ceil(low - 1e-9)), max(setting, math.floor(high + 1e-9))

    low, high = inside(float(w.low or 0.0), float(w.high or 0.0))
    return replace(w, low=low, high=high, alone=inside(*w.alone) if w.alone is not None else None)


def _corners(dimensions: int) -> FloatArray:
    """Corners of the unit cube: all of up to six dimensions, 64 drawn ones above."""
    if dimensions <= 6:
        return np.array(np.meshgrid(*[[0.0, 1.0]] * dimensions)).reshape(dimensions, -1).T
    return np.random.default_rng(3).integers(0, 2, size=(64, dimensions)).astype(float)


def _alone(
    ladder: Ladder, space: Space, centre: FloatArray, j: int, allowed_loss: float, probability: float
) -> tuple[float, float] | None:
    """Widest stretch of one coded variable around the setting, the others held; None for a choice."""
    if space.variables[j].is_choice:
        return None
    start = float(centre[j])
    ends = []
    # A setting outside the range, inside wider hard limits, may drift towards the range only.
    for limit in (min(start, 0.0), max(start, 1.0)):
        path = np.linspace(start, limit, _STEPS)
        rows = np.repeat(centre[None, :], _STEPS, axis=0)
        rows[:, j] = path
        good = ladder.difference(centre[None, :], rows).probability_above(-allowed_loss) >= probability
        good[0] = True  # no drift, no loss
        last = int(np.argmin(good)) - 1 if not good.all() else _STEPS - 1
        ends.append(float(path[last]))
    return ends[0], ends[1]


def _drawn_in(w: VariableWindow, least: float, most: float) -> VariableWindow:
    """The window inside a range; the setting itself stays."""
    setting, low, high = float(w.setting), float(w.low or 0.0), float(w.high or 0.0)
    least, most = min(least, setting), max(most, setting)
    alone = w.alone or (low, high)
    return replace(
        w,
        low=max(low, least),
        high=min(high, most),
        low_end=End.RULE if low < least else w.low_end,
        high_end=End.RULE if high > most else w.high_end,
        alone=(max(alone[0], least), min(alone[1], most)),
    )


def _within_rules(space: Space, windows: list[VariableWindow]) -> list[VariableWindow]:
    """Draw in the ends that together would break a linear rule, in proportion, and those that the option forbids."""
    by_key = {w.variable.key: w for w in windows}
    for rule in space.rules:
        if isinstance(rule, OptionRangeRule) and by_key[rule.key].setting == rule.option:
            least = -np.inf if rule.low is None else rule.low
            by_key[rule.number_key] = _drawn_in(by_key[rule.number_key], least, np.inf if rule.high is None else rule.high)
    for rule in space.rules:
        if not isinstance(rule, LinearRule):
            continue
        parts = {key: c for key, c in rule.coefficients.items() if c != 0.0}
        at_setting = sum(c * float(by_key[key].setting) for key, c in parts.items())
        for key, c in parts.items():
            w = by_key[key]
            if w.alone is not None:
                # With the others at their settings it may use all the room that the rule leaves.
                end = float(w.setting) + max(0.0, rule.bound - at_setting) / c
                kept = (w.alone[0], min(w.alone[1], end)) if c > 0 else (max(w.alone[0], end), w.alone[1])
                by_key[key] = replace(w, alone=kept)
        farthest = sum(c * float((by_key[key].high if c > 0 else by_key[key].low) or 0.0) for key, c in parts.items())
        if farthest <= rule.bound or farthest <= at_setting:
            continue
        share = max(0.0, (rule.bound - at_setting) / (farthest - at_setting))
        for key, c in parts.items():
            w = by_key[key]
            setting, low, high = float(w.setting), float(w.low or 0.0), float(w.high or 0.0)
            if c > 0:
                by_key[key] = replace(w, high=setting + share * (high - setting), high_end=End.RULE)
            else:
                by_key[key] = replace(w, low=setting + share * (low - setting), low_end=End.RULE)
    return [by_key[w.variable.key] for w in windows]


def _options(
    ladder: Ladder, space: Space, working: Settings, centre: FloatArray, allowed_loss: float, probability: float
) -> dict[int, tuple[tuple[str, float], ...]]:
    """Other options of each choice, by its column, that keep the yield and the rules, with the probability of each."""
    columns = [j for j, v in enumerate(space.variables) if v.is_choice]
    others = [(j, level) for j in columns for level in range(len(space.variables[j].choices)) if level != centre[j]]
    # All at once: one by one, many options of many choices would keep a page waiting for a minute.
    rows = np.repeat(centre[None, :], len(others), axis=0)
    for row, (j, level) in zip(rows, others, strict=True):
        row[j] = level
    chances = ladder.difference(centre[None, :], rows).probability_above(-allowed_loss) if others else ()
    found: dict[int, list[tuple[str, float]]] = {j: [] for j in columns}
    for (j, level), chance in zip(others, chances, strict=True):
        v = space.variables[j]
        if chance >= probability and all(rule.holds({**working, v.key: v.choices[level]}) for rule in space.rules):
            found[j].append((v.choices[level], float(chance)))
    return {j: tuple(kept) for j, kept in found.items()}


def _decode(v: Variable, coded: float, setting: float) -> float:
    """Value with this coded coordinate, between setting and range, by bisection on the monotone coding. [unit]"""
    low, high = min(v.low, setting), max(v.high, setting)
    for _ in range(50):
        middle = 0.5 * (low + high)
        if float(code_values(v, np.array([middle]))[0]) < coded:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
