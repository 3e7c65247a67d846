"""Candidates for the next run: only settings that the glassware and the rules can reach.

Random reachable settings, variations of good runs, then steps along the grid from
the best found so far. Every candidate passes the same rule check; none is repaired
afterwards.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from server.core.space.limits import Reach, find_reachable, program_columns
from server.core.space.variables import FloatArray

Score = Callable[[FloatArray], FloatArray]  # coded rows (n, d) -> score (n,), larger is better

N_RANDOM = 500
N_NEAR = 300
_ROUNDS = 6


def _weights(reach: Reach) -> list[FloatArray]:
    """Probability of each grid value such that coded coordinates are drawn evenly."""
    out = []
    for j, v in enumerate(reach.space.variables):
        coded = reach.coded[j]
        if v.is_choice or len(coded) < 3:
            out.append(np.full(len(coded), 1.0 / len(coded)))
            continue
        edges = np.concatenate([[coded[0]], 0.5 * (coded[1:] + coded[:-1]), [coded[-1]]])
        width = np.diff(edges)
        out.append(width / width.sum())
    return out


def draw_reachable(reach: Reach, count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw reachable settings at random.

    Returns
    -------
    indices : ndarray of int, shape (n_rows, n_variables)
        At least one row; ``count`` of them unless the rules are tight.

    Raises
    ------
    NothingReachableError
        If the limits contradict each other.
    """
    weights = _weights(reach)
    kept = np.empty((0, reach.n_variables), dtype=int)
    for _ in range(8):
        drawn = np.column_stack([rng.choice(len(w), size=count, p=w) for w in weights])
        kept = np.vstack([kept, drawn[reach.allowed(drawn)]])
        if len(kept) >= count:
            return kept[:count]
    if len(kept) >= max(1, count // 8):
        return kept
    # Tight rules: walk from exact solutions of the integer program.
    starts = [find_reachable(reach, rng.standard_normal(program_columns(reach))) for _ in range(12)]
    walkers = np.array(starts * max(1, count // 48), dtype=int)
    found = [kept, np.array(starts, dtype=int)]
    for _ in range(12):
        walkers = vary(reach, walkers, rng)
        found.append(walkers)
    return np.unique(np.vstack(found), axis=0)


def vary(reach: Reach, rows: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Change one to three variables of each row at random; rows that would break a rule stay as they are."""
    changed = rows.copy()
    n, d = rows.shape
    order = np.argsort(rng.random((n, d)), axis=1)
    how_many = rng.integers(1, min(3, d) + 1, size=n)
    for j in range(d):
        size = len(reach.values[j])
        touched = np.any(order[:, :3] == j, axis=1) & (np.argmax(order == j, axis=1) < how_many)
        if reach.space.variables[j].is_choice:
            fresh = rng.integers(0, size, size=n)
        else:
            width = np.where(rng.random(n) < 0.5, 0.08, 0.25) * size
            fresh = np.clip(np.round(rows[:, j] + rng.standard_normal(n) * np.maximum(width, 1.0)), 0, size - 1).astype(int)
        changed[:, j] = np.where(touched, fresh, rows[:, j])
    allowed = reach.allowed(changed)
    return np.where(allowed[:, None], changed, rows)


def neighbours(reach: Reach, row: np.ndarray) -> np.ndarray:
    """All reachable rows one, two or five steps from ``row`` in a single variable."""
    out = []
    for j, v in enumerate(reach.space.variables):
        size = len(reach.values[j])
        moves = range(size) if v.is_choice else {row[j] + k for k in (-5, -2, -1, 1, 2, 5)}
        for index in moves:
            if 0 <= index < size and index != row[j]:
                other = row.copy()
                other[j] = index
                out.append(other)
    rows = np.array(out, dtype=int).reshape(-1, reach.n_variables)
    return rows[reach.allowed(rows)] if len(rows) else rows


def pool_around(reach: Reach, near: np.ndarray | None, n_random: int, n_near: int, rng: np.random.Generator) -> np.ndarray:
    """Different reachable settings: drawn at random, and variations of good ones.

    Parameters
    ----------
    near : ndarray of int, shape (n_rows, n_variables), or None
        Good settings to vary; those that break a rule are left out.
    n_random, n_near : int
        How many are drawn, and about how many variations are made of ``near`` together.
    """
    pool = draw_reachable(reach, n_random, rng)
    allowed = near[reach.allowed(near)] if near is not None and len(near) else pool[:0]
    if len(allowed):
        pool = np.vstack([pool, vary(reach, np.tile(allowed, (max(1, n_near // len(allowed)), 1)), rng)])
    return np.unique(pool, axis=0)


def best_reachable(reach: Reach, score: Score, near: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, float]:
    """Find the reachable settings with the highest score.

    Parameters
    ----------
    score : callable
        Maps coded rows (n, n_variables) to scores (n,).
    near : ndarray of int, shape (n_rows, n_variables)
        Good settings to vary (indices); may be empty.

    Returns
    -------
    index : ndarray of shape (n_variables,)
    value : float
    """
    pool = pool_around(reach, near, N_RANDOM, N_NEAR, rng)
    if len(near):
        pool = np.unique(np.vstack([pool, near[reach.allowed(near)]]), axis=0)
    scores = score(reach.coded_rows(pool))
    for _ in range(_ROUNDS):
        leaders = pool[np.argsort(-scores, kind="stable")[:4]]
        around = [neighbours(reach, row) for row in leaders]
        fresh = np.unique(np.vstack(around), axis=0) if around else pool[:0]
        if len(fresh) == 0:
            break
        best_before = scores.max()
        fresh_scores = score(reach.coded_rows(fresh))
        pool, scores = np.vstack([leaders, fresh]), np.concatenate([np.sort(scores)[::-1][:4], fresh_scores])
        if fresh_scores.max() <= best_before:
            break
    winner = int(np.argmax(scores))
    return pool[winner], float(scores[winner])


def with_fewest_changes(reach: Reach, score: Score, index: np.ndarray, home: np.ndarray, least: float) -> np.ndarray:
    """Take changes against some settings back, one variable after another, while the score stays high enough.

    Parameters
    ----------
    index, home : ndarray of int, shape (n_variables,)
        What was found, and the settings that its changes are counted from.
    least : float
        Score that is to be kept.

    Returns
    -------
    index : ndarray of shape (n_variables,)
        Reachable, with at least one change left.
    """
    here = np.asarray(index)
    while True:
        changed = np.flatnonzero(here != home)
        if len(changed) < 2:
            return here
        trials = np.tile(here, (len(changed), 1))
        trials[np.arange(len(changed)), changed] = home[changed]
        scores = np.where(reach.allowed(trials), score(reach.coded_rows(trials)), -np.inf)
        if scores.max() < least:
            return here
        here = trials[int(np.argmax(scores))]


# What another option of a choice counts beside coded distances of numbers.
_OTHER_OPTION = 2.0


def nearest_reachable(reach: Reach, coded: FloatArray) -> np.ndarray:
    """Find what is reachable nearest to coded settings, as far as the search finds it.

    Parameters
    ----------
    coded : ndarray of shape (n_variables,)

    Returns
    -------
    index : ndarray of shape (n_variables,)

    Raises
    ------
    NothingReachableError
        If the limits contradict each other.
    """
    rounded = index_of(reach, coded[None, :])
    if reach.allowed(rounded)[0]:
        return np.asarray(rounded[0])
    is_choice = np.array([v.is_choice for v in reach.space.variables])

    def nearness(rows: FloatArray) -> FloatArray:
        gap = np.abs(rows - coded[None, :])
        return np.asarray(-np.where(is_choice[None, :], _OTHER_OPTION * (gap > 0), gap).sum(axis=1))

    return np.asarray(best_reachable(reach, nearness, rounded[:0], np.random.default_rng(0))[0])


def index_of(reach: Reach, coded: FloatArray) -> np.ndarray:
    """Indices of the reachable values nearest to coded rows; shape as ``coded``."""
    columns = [np.argmin(np.abs(reach.coded[j][None, :] - coded[:, j][:, None]), axis=1) for j in range(reach.n_variables)]
    return np.column_stack(columns).astype(int)
