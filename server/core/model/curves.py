"""Response curves and pairs: the expected yield along one or two variables, the others at the working recipe."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from server.core.model.effects import SMALL_EFFECT, Effect, Evidence, listed
from server.core.model.ladder import Ladder
from server.core.space.coordinates import code_values
from server.core.space.units import plain
from server.core.space.variables import FloatArray, Role, Variable

N_CURVE = 41
N_PAIR = 25
# Farther than this from every run (in coded distance over the two variables) is untested ground.
UNTESTED_DISTANCE = 0.2


@dataclass(frozen=True)
class Curve:
    """Expected yield along one variable; arrays of shape (n_points,). Yields in %.

    ``values`` are settings in the variable's unit (level numbers for a choice);
    ``tried`` tells which lie within what runs that did not fail have tried.
    """

    variable: Variable
    values: FloatArray
    mean: FloatArray
    low_50: FloatArray
    high_50: FloatArray
    low_90: FloatArray
    high_90: FloatArray
    tried: np.ndarray

    @property
    def labels(self) -> list[str]:
        if self.variable.is_choice:
            return [self.variable.choices[int(k)] for k in self.values]
        return [f"{v:g}" for v in self.values]


@dataclass(frozen=True)
class Pair:
    """Expected yield over two numeric variables; ``mean``, ``untested`` and ``forbidden`` have shape (n_second, n_first).

    Untested is what lies far from every run that did not fail, or beyond what they tried of either
    variable; forbidden what a rule does not allow with the others at the working recipe.
    """

    first: Variable
    second: Variable
    first_values: FloatArray
    second_values: FloatArray
    mean: FloatArray
    untested: np.ndarray
    forbidden: np.ndarray

    @property
    def highest(self) -> tuple[int, int] | None:
        """Row and column of the highest mean that is tested and allowed; None where nothing is."""
        shown = np.where(self.untested | self.forbidden, -np.inf, self.mean)
        row, column = np.unravel_index(int(np.argmax(shown)), shown.shape)
        return (int(row), int(column)) if np.isfinite(shown[row, column]) else None


def response_curve(ladder: Ladder, column: int, working: FloatArray) -> Curve:
    """Compute the curve of one variable over its range.

    Parameters
    ----------
    working : ndarray of shape (n_variables,)
        Coded settings of the working recipe.
    """
    v = ladder.table.variables[column]
    usual = ladder.table.without_failures()
    seen = (usual if usual.n_runs else ladder.table).coded[:, column]
    if v.is_choice:
        values = np.arange(len(v.choices), dtype=float)
        coded = values
        tried = np.isin(values, seen)
    else:
        values = np.linspace(v.low, v.high, N_CURVE)
        if v.role is Role.COUNT:
            # There is no wash and a half.
            values = np.arange(v.low, v.high + 0.5) if v.span < N_CURVE else np.unique(np.round(values))
        coded = code_values(v, values)
        tried = (coded >= seen.min() - 1e-9) & (coded <= seen.max() + 1e-9)
    rows = np.tile(working, (len(values), 1))
    rows[:, column] = coded
    mixture = ladder.predict(rows)
    low_90, low_50, high_50, high_90 = (np.clip(mixture.quantile(q), 0.0, 100.0) for q in (0.05, 0.25, 0.75, 0.95))
    return Curve(v, values, np.clip(mixture.mean, 0.0, 100.0), low_50, high_50, low_90, high_90, tried)


def highest_words(curve: Curve, effect: Effect, off: Sequence[bool]) -> str:
    """Where a curve is highest, and what that is worth: of a line that is nearly level the highest point says nothing.

    Parameters
    ----------
    effect : Effect
        Of the same variable.
    off : sequence of bool, length n_points
        Which points a rule forbids.
    """
    v, lead = curve.variable, f"Expected yield along {curve.variable.name}"
    best = max(range(len(off)), key=lambda k: (bool(curve.tried[k]), not off[k], float(curve.mean[k])))
    where = f"within what was tried{' and is allowed' if any(off) and not off[best] else ''}"
    looked_at = curve.mean[curve.tried & (np.array(off) == off[best])]
    if len(looked_at) > 1 and float(np.ptp(looked_at)) < SMALL_EFFECT:
        return f"{lead}: nearly the same {where} ({curve.mean[best]:.0f} %)."
    # A setting that can be made: the nearest step.
    at = curve.labels[best] if v.is_choice else f"{plain(v.snap(float(curve.values[best])), 6)} {v.unit}".rstrip()
    worth = ""
    if effect.evidence is Evidence.NOT_SHOWN:
        worth = ", but that it makes a difference is not shown"
    elif effect.evidence is Evidence.CANNOT_TELL:
        worth = f", but it cannot be told apart from {listed(effect.partners)}"
    return f"{lead}: highest at {at} ({curve.mean[best]:.0f} %) {where}{worth}."


def pair_picture(
    ladder: Ladder, first: int, second: int, working: FloatArray, is_allowed: Callable[[float, float], bool] = lambda x, y: True
) -> Pair:
    """Compute the expected yield over two numeric variables.

    Parameters
    ----------
    working : ndarray of shape (n_variables,)
        Coded settings of the working recipe.
    is_allowed : callable
        Whether the rules allow two settings, in the variables' units, with all others as in the recipe.

    Raises
    ------
    ValueError
        If one of them is a choice, or both are the same.
    """
    a, b = ladder.table.variables[first], ladder.table.variables[second]
    if a.is_choice or b.is_choice or first == second:
        raise ValueError("a pair takes two different variables with numbers")
    x, y = np.linspace(a.low, a.high, N_PAIR), np.linspace(b.low, b.high, N_PAIR)
    cx, cy = code_values(a, x), code_values(b, y)
    rows = np.tile(working, (N_PAIR * N_PAIR, 1))
    rows[:, first] = np.tile(cx, N_PAIR)
    rows[:, second] = np.repeat(cy, N_PAIR)
    mean = np.clip(ladder.predict(rows).mean, 0.0, 100.0).reshape(N_PAIR, N_PAIR)
    usual = ladder.table.without_failures()
    runs = usual.coded if usual.n_runs else ladder.table.coded
    gap = np.hypot(rows[:, [first]] - runs[:, first][None, :], rows[:, [second]] - runs[:, second][None, :])
    ends = runs.min(axis=0) - 1e-9, runs.max(axis=0) + 1e-9
    beyond = np.any([(rows[:, j] < ends[0][j]) | (rows[:, j] > ends[1][j]) for j in (first, second)], axis=0)
    untested = ((gap.min(axis=1) > UNTESTED_DISTANCE) | beyond).reshape(N_PAIR, N_PAIR)
    forbidden = np.array([[not is_allowed(float(p), float(q)) for p in x] for q in y])
    return Pair(a, b, x, y, mean, untested, forbidden)
