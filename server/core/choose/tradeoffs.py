"""Trade-offs: the settings that give most yield for the hours or the money they take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from server.core.choose.proposal import Burden, Forecast, History
from server.core.choose.search import best_reachable, index_of, neighbours, pool_around, vary
from server.core.model.effects import signed, summarise
from server.core.model.ladder import Ladder
from server.core.space.coordinates import encode
from server.core.space.limits import Reach
from server.core.space.variables import FloatArray, Setting

_POOL = 500
_NEAR = 200
_ROUNDS = 8
_VARIATIONS = 8
_MOST_ON_FRONT = 25


@dataclass(frozen=True)
class FrontPoint:
    """Reachable settings for which no others are expected to give more with less."""

    settings: dict[str, Setting]
    burden: float
    forecast: Forecast


@dataclass(frozen=True)
class Front:
    """Expected yield against a burden.

    ``points`` ascend in burden and in yield. ``runs`` are (run number, burden, yield) of
    the runs that count [unit of the burden, %], ``failed`` the numbers of those that failed. ``rise`` is the 90 % range
    of the true yield at the last point over that at the first. [percentage points]
    """

    burden: Burden
    points: tuple[FrontPoint, ...]
    runs: tuple[tuple[int, float, float], ...]
    failed: frozenset[int] = frozenset()
    rise: tuple[float, float] | None = None

    @property
    def sentence(self) -> str:
        """What the front says; empty without points."""
        if not self.points:
            return ""
        first, last = self.points[0], self.points[-1]
        at_first, at_last = (self.burden.text(p.burden) for p in (first, last))
        if len(self.points) == 1:
            return (
                f"The settings with the highest expected yield, {first.forecast.mean:.0f} %, also need the least: {at_first} of "
                f"{self.burden.name}. There is nothing to trade."
            )
        ends = f"{first.forecast.mean:.0f} % at {at_first} to {last.forecast.mean:.0f} % at {at_last} of {self.burden.name}"
        told = f" (90 % range of the rise {signed(self.rise[0])} to {signed(self.rise[1])} points)" if self.rise else ""
        if self.rise and self.rise[0] <= 0:
            return f"Expected yield goes from {ends}, but that more of it gives more is not shown{told}."
        return f"Expected yield rises from {ends}{told}; below the line nothing is gained."


def non_dominated(burdens: FloatArray, yields: FloatArray) -> list[int]:
    """Positions that no other position beats in both (less burden, more yield), by burden; both of shape (n_points,).

    Examples
    --------
    >>> non_dominated(np.array([3.0, 1.0, 2.0, 2.0]), np.array([80.0, 60.0, 50.0, 70.0]))
    [1, 3, 0]
    """
    order = np.lexsort((-yields, burdens))
    kept: list[int] = []
    best = -np.inf
    for i in order:
        if yields[i] > best + 1e-9:
            kept.append(int(i))
            best = yields[i]
    return kept


def trade_off(history: History, ladder: Ladder, burden: Burden, *, seed: int = 0) -> Front:
    """Find the front of expected yield against a burden over what can be reached.

    Returns
    -------
    front : Front
        No points where the burden cannot be worked out.

    Raises
    ------
    NothingReachableError
        If the limits contradict each other.
    """
    reach = history.reach()
    rng = np.random.default_rng(seed)
    near = index_of(reach, encode(history.space.variables, history.settings))
    highest, _ = best_reachable(reach, lambda rows: _means(ladder, rows), near, rng)
    pool = np.vstack([highest[None, :], pool_around(reach, near if len(near) else None, _POOL, _NEAR, rng)])
    burdens, means = _values(reach, ladder, burden, pool)
    seen = {tuple(row) for row in pool.tolist()}
    for _ in range(_ROUNDS):
        front = non_dominated(burdens, means)
        if not front:
            break
        # Small steps and larger variations of settings all along the front.
        at = pool[_spread(front)]
        around = np.vstack([*(neighbours(reach, row) for row in at), vary(reach, np.tile(at, (_VARIATIONS, 1)), rng)])
        new = np.array(sorted({tuple(row) for row in around.tolist()} - seen), dtype=int).reshape(-1, reach.n_variables)
        seen |= {tuple(row) for row in new.tolist()}
        more_burdens, more_means = _values(reach, ladder, burden, new)
        pool = np.vstack([pool[front], new])
        burdens, means = np.concatenate([burdens[front], more_burdens]), np.concatenate([means[front], more_means])
    front = _spread([i for i in non_dominated(burdens, means) if np.isfinite(burdens[i])])
    mixture = ladder.predict(reach.coded_rows(pool[front]), with_noise=True) if front else None
    rise = None
    if len(front) > 1:
        ends = reach.coded_rows(pool[[front[0], front[-1]]])
        change = ladder.difference(ends[:1], ends[1:])
        found = summarise(change)
        rise = found["low_90"], found["high_90"]
    points = tuple(
        FrontPoint(reach.settings(list(pool[i])), float(burdens[i]), Forecast.of(mixture, k))
        for k, i in enumerate(front)
        if mixture is not None
    )
    runs = []
    for number, settings, percent in zip(history.table.numbers, history.settings, history.table.yields, strict=True):
        value = burden.of(settings)
        if value is not None:
            runs.append((number, value, float(percent)))
    return Front(burden, points, tuple(runs), frozenset(history.failed), rise)


def _spread(front: list[int]) -> list[int]:
    """At most ``_MOST_ON_FRONT`` of the positions along a front, both ends among them."""
    if len(front) <= _MOST_ON_FRONT:
        return front
    return [front[k] for k in np.unique(np.linspace(0, len(front) - 1, _MOST_ON_FRONT).round().astype(int))]


def _means(ladder: Ladder, rows: FloatArray) -> FloatArray:
    """Expected yields as forecasts show them. [%]"""
    return ladder.predict(rows, with_noise=True).mean_between(0.0, 100.0)


def _values(reach: Reach, ladder: Ladder, burden: Burden, indices: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Burden (infinite where unknown) and expected yield of index rows."""
    if len(indices) == 0:
        return np.empty(0), np.empty(0)
    found = [burden.of(reach.settings(list(i))) for i in indices]
    burdens = np.array([np.inf if b is None else b for b in found], dtype=float)
    return burdens, _means(ladder, reach.coded_rows(indices))
