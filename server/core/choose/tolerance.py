"""Tolerance window: how far the settings may drift with the yield still within the allowed loss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from server.core.model.ladder import Ladder
from server.core.space.coordinates import code_values, encode
from server.core.space.limits import Space
from server.core.space.variables import FloatArray, Settings, Variable

_STEPS = 33
_SAMPLES = 256
_BISECTIONS = 10


@dataclass(frozen=True)
class VariableWindow:
    """Window of one variable around the working recipe.

    ``low`` and ``high`` in the variable's unit (both equal to the setting where nothing
    may drift); ``low_is_limit`` says that the window ends at the limit, not at a loss.
    For a choice ``keeps`` lists the other options that keep the yield, with probability.
    """

    variable: Variable
    setting: float | str
    low: float | None
    high: float | None
    low_is_limit: bool
    high_is_limit: bool
    keeps: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class ToleranceWindow:
    """Windows of all variables, valid together.

    Attributes
    ----------
    probability : float
        Probability that was asked for.
    reached : float
        Mean probability over settings sampled inside the window, all variables together.
    worst : float
        Smallest probability found at any of them: at least what was asked for.
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

    Notes
    -----
    First each variable alone: the widest stretch around the setting in which the
    probability holds at every step. Then all together: the stretches are shrunk by one
    common factor, found by bisection, until the probability is what is wanted at the
    least favourable of 256 scrambled Sobol points and of the corners of the box (64 of
    them, drawn, where there are more). Windows never leave the limits.
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
    windows = []
    for j, (v, span) in enumerate(zip(space.variables, spans, strict=True)):
        if span is None:
            windows.append(
                VariableWindow(
                    v, working[v.key], None, None, False, False, _options(ladder, centre, j, v, allowed_loss, probability)
                )
            )
            continue
        ends = [centre[j] + factor * (end - centre[j]) for end in span]
        low_value, high_value = _decode(v, ends[0]), _decode(v, ends[1])
        setting = float(working[v.key])
        windows.append(
            VariableWindow(
                v,
                setting,
                min(low_value, setting),
                max(high_value, setting),
                bool(factor == 1.0 and span[0] <= 1e-9),
                bool(factor == 1.0 and span[1] >= 1.0 - 1e-9),
            )
        )
    return ToleranceWindow(tuple(windows), allowed_loss, probability, float(np.mean(at_end)), float(at_end.min()))


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
    start = float(np.clip(centre[j], 0.0, 1.0))
    ends = []
    for limit in (0.0, 1.0):
        path = np.linspace(start, limit, _STEPS)
        rows = np.repeat(centre[None, :], _STEPS, axis=0)
        rows[:, j] = path
        good = ladder.difference(centre[None, :], rows).probability_above(-allowed_loss) >= probability
        good[0] = True
        last = int(np.argmin(good)) - 1 if not good.all() else _STEPS - 1
        ends.append(float(path[last]))
    return ends[0], ends[1]


def _options(
    ladder: Ladder, centre: FloatArray, j: int, v: Variable, allowed_loss: float, probability: float
) -> tuple[tuple[str, float], ...]:
    """Other options of a choice that keep the yield, with the probability of each."""
    found = []
    for level, name in enumerate(v.choices):
        if level == centre[j]:
            continue
        row = centre[None, :].copy()
        row[0, j] = level
        chance = float(ladder.difference(centre[None, :], row).probability_above(-allowed_loss)[0])
        if chance >= probability:
            found.append((name, chance))
    return tuple(found)


def _decode(v: Variable, coded: float) -> float:
    """Value with this coded coordinate, by bisection on the monotone coding. [unit]"""
    low, high = v.low, v.high
    for _ in range(50):
        middle = 0.5 * (low + high)
        if float(code_values(v, np.array([middle]))[0]) < coded:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
