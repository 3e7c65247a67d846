"""Opening runs: the base recipe, the middle of the ranges, then a spread over somewhat more than half of each range.

Whoever sets the ranges puts the best settings inside them more often than at an end, so
the middle is a good bet wherever the base recipe lies off it. Points part of the way
between the base recipe and points spread over the limits teach more than corners do,
and spoil less material. After the first run every choice goes on to an option that no
run has had, in the order of the list, while there is one: which is best cannot be
foreseen, and what numbers do is much the same with either. History that exists already counts:
each opening run is placed where it lies farthest from all runs so far.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import qmc

from server.core.choose.search import draw_reachable, index_of, nearest_reachable
from server.core.space.coordinates import encode
from server.core.space.limits import Reach
from server.core.space.variables import FloatArray, Setting, Settings

# A different level of a choice counts as this much coded distance.
_LEVEL_DISTANCE = 0.5
# How far towards the spread points the opening goes. [fraction of the way] Compared over random spreads of the
# simulated preparations: half-way is too timid after 4 and 6 runs, 80 % too bold after 4.
PART_WAY = 0.65
# Settings this close are the same. [coded distance]
_SAME = 1e-6
# The middle of the ranges is worth a run of its own only this far from the first. [coded distance]
_MIDDLE_APART = 0.3
# Base recipe, middle and one spread run (two where the base recipe is the middle); from then on the models
# choose better than a spread does (compared on the simulated preparations of tests/bench).
OPENING_RUNS = 3


def distances(points: FloatArray, others: FloatArray, choices: list[bool]) -> FloatArray:
    """Smallest coded distance of every row of ``points`` to any row of ``others``. Shape (n_points,)."""
    squared = np.zeros((len(points), len(others)))
    for j, is_choice in enumerate(choices):
        gap = points[:, j][:, None] - others[:, j][None, :]
        squared += np.where(gap != 0.0, _LEVEL_DISTANCE**2, 0.0) if is_choice else gap**2
    return np.asarray(np.sqrt(squared.min(axis=1)))


def next_opening_run(reach: Reach, done: FloatArray) -> dict[str, Setting]:
    """Return the settings of the next opening run.

    Parameters
    ----------
    reach : Reach
    done : ndarray of shape (n_runs, n_variables)
        Coded settings of all runs so far, planned ones included.
    """
    space = reach.space
    nearest_base = index_of(reach, encode(space.variables, [space.base]))
    base_row = reach.coded_rows(nearest_base)
    if len(done) == 0:
        allowed = nearest_base[reach.allowed(nearest_base)]
        return reach.settings(list(allowed[0] if len(allowed) else nearest_reachable(reach, base_row[0])))
    is_choice = [v.is_choice for v in space.variables]
    if len(done) == 1:
        middle = _index_of_middle(reach)
        apart = distances(reach.coded_rows(middle), done, is_choice)[0]
        if apart > _MIDDLE_APART and reach.allowed(middle)[0]:
            return _with_new_options(reach, reach.settings(list(middle[0])), done)
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
    pool = np.unique(index_of(reach, targets), axis=0)
    pool = pool[reach.allowed(pool)]
    if len(pool) == 0 or distances(reach.coded_rows(pool), done, is_choice).max() < _SAME:
        # Tight rules leave nothing of the spread: anything that can be reached, away from the runs so far.
        pool = draw_reachable(reach, len(targets), np.random.default_rng(7))
    gaps = distances(reach.coded_rows(pool), done, is_choice)
    return _with_new_options(reach, reach.settings(list(pool[int(np.argmax(np.round(gaps, 9)))])), done)


def _with_new_options(reach: Reach, settings: dict[str, Setting], done: FloatArray) -> dict[str, Setting]:
    """The same with an option of every choice that no run has had, as far as rules allow; else as it was.

    The next in the list after the base option comes first, round to its start.
    """
    variables = reach.space.variables
    changed = dict(settings)
    for j, v in enumerate(variables):
        if v.is_choice:
            start = v.choices.index(str(v.base)) if v.base in v.choices else 0
            unseen = [k for k in range(len(v.choices)) if not np.any(done[:, j] == k)]
            for k in sorted(unseen, key=lambda k: (k - start) % len(v.choices)):
                trial = {**changed, v.key: v.choices[k]}
                row = index_of(reach, encode(variables, [trial]))
                if reach.settings(list(row[0])) == trial and reach.allowed(row)[0]:
                    changed = trial
                    break
    return changed


def is_middle(reach: Reach, settings: Settings) -> bool:
    """Whether an opening run is the middle of the ranges, or what is reachable nearest to it, whatever the choices."""
    middle = reach.settings(list(_index_of_middle(reach)[0]))
    return all(settings[v.key] == middle[v.key] for v in reach.space.variables if not v.is_choice)


def _index_of_middle(reach: Reach) -> np.ndarray:
    """Indices, shape (1, n_variables), nearest to the middle of every range in its own unit; choices as in the base recipe."""
    variables = reach.space.variables
    middle = {v.key: v.base if v.is_choice else v.snap(0.5 * (v.low + v.high)) for v in variables}
    return index_of(reach, encode(variables, [middle]))
