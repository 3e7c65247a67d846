"""Opening runs: the base recipe first, then a spread around it over somewhat more than half of each range.

Points part of the way between the base recipe and points spread over the limits teach
more than corners do, and spoil less material. History that exists already counts:
each opening run is placed where it lies farthest from all runs so far.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import qmc

from server.core.space.coordinates import encode
from server.core.space.limits import Reach, find_reachable
from server.core.space.variables import FloatArray

# A different level of a choice counts as this much coded distance.
_LEVEL_DISTANCE = 0.5
# How far towards the spread points the opening goes. [fraction of the way] Compared over random spreads of the
# simulated preparations: half-way is too timid after 4 and 6 runs, 80 % too bold after 4.
PART_WAY = 0.65


# Base recipe and two spread runs; from then on the models choose better than a spread does
# (compared on the simulated preparations of tests/bench).
OPENING_RUNS = 3


def distances(points: FloatArray, others: FloatArray, choices: list[bool]) -> FloatArray:
    """Smallest coded distance of every row of ``points`` to any row of ``others``. Shape (n_points,)."""
    squared = np.zeros((len(points), len(others)))
    for j, is_choice in enumerate(choices):
        gap = points[:, j][:, None] - others[:, j][None, :]
        squared += np.where(gap != 0.0, _LEVEL_DISTANCE**2, 0.0) if is_choice else gap**2
    return np.asarray(np.sqrt(squared.min(axis=1)))


def next_opening_run(reach: Reach, done: FloatArray) -> dict[str, float | str]:
    """Return the settings of the next opening run.

    Parameters
    ----------
    reach : Reach
    done : ndarray of shape (n_runs, n_variables)
        Coded settings of all runs so far, planned ones included.
    """
    space = reach.space
    nearest_base = _nearest(reach, encode(space.variables, [space.base]))
    base_row = reach.coded_rows(nearest_base)
    if len(done) == 0:
        allowed = nearest_base[reach.allowed(nearest_base)]
        return reach.settings(list(allowed[0])) if len(allowed) else _first_allowed(reach)
    d = len(space.variables)
    spread = qmc.Sobol(d, seed=7).random(128)
    targets = np.empty_like(spread)
    for j, v in enumerate(space.variables):
        if v.is_choice:
            # Half of the spread keeps the base choice; the rest goes evenly over all levels.
            level = np.floor(spread[:, j] * 2 * len(v.choices))
            targets[:, j] = np.where(level < len(v.choices), level, base_row[0, j])
        else:
            targets[:, j] = base_row[0, j] + PART_WAY * (spread[:, j] - base_row[0, j])
    pool = np.unique(_nearest(reach, targets), axis=0)
    pool = pool[reach.allowed(pool)]
    if len(pool) == 0:
        return _first_allowed(reach)
    gaps = distances(reach.coded_rows(pool), done, [v.is_choice for v in space.variables])
    return reach.settings(list(pool[int(np.argmax(np.round(gaps, 9)))]))


def _nearest(reach: Reach, targets: FloatArray) -> np.ndarray:
    """Indices of the reachable values nearest to coded targets, shape as ``targets``."""
    columns = [np.argmin(np.abs(reach.coded[j][None, :] - targets[:, j][:, None]), axis=1) for j in range(reach.n_variables)]
    return np.column_stack(columns)


def _first_allowed(reach: Reach) -> dict[str, float | str]:
    return reach.settings(find_reachable(reach))
