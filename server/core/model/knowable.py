"""What the runs can and cannot tell, found before any effect is shown.

Variables that never moved, variables that moved together, and too few runs are
found from the coded settings alone (rank and correlation), by name; variables that
moved with something that is no setting (time, a reagent lot, who made the run, the scale) from both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from scipy.cluster.hierarchy import DisjointSet
from scipy.sparse.csgraph import connected_components

from server.core.model.runs import RunTable
from server.core.space.variables import ALIKE, FloatArray

# Squared multiple correlation with other variables above which their effects cannot be separated.
TOGETHER_R2 = 0.9
# Share of a variable's moves that went along with a drift from which on its effect may hold some of the drift.
PARTLY_R2 = 0.3
# Of three or more variables it is judged only where so many different settings are left over; with fewer, chance
# makes it large.
_SPARE_RUNS = 3
# A squared correlation from which on something follows from something else but for the dust of the arithmetic.
_EXACTLY = 1.0 - 1e-6
_STILL = ALIKE


@dataclass(frozen=True)
class Tie:
    """Options of two choices that were only ever used together, in runs whose other options separate the choices.

    ``pairs`` are (option of the first, option of the second), as coded; empty where several go along with several.
    """

    first: int
    second: int
    pairs: tuple[tuple[float, float], ...]
    n_directions: int


@dataclass(frozen=True)
class Knowable:
    """What the settings of the runs allow to be known.

    Attributes
    ----------
    never_moved : tuple of int
        Columns with the same setting in all runs.
    together : tuple of tuple of int
        Groups of columns that moved together, each of two or more.
    n_moved : int
        Number of variables that moved at all.
    rank : int
        Number of independent directions in which the runs moved.
    n_columns : int
        Number of coded columns that moved (a choice with m levels seen counts m − 1).
    n_repeats : int
        Runs that repeat another run's settings.
    ties : tuple of Tie
    comparable : dict of int to tuple of float
        For each choice in a tie, or from which another one follows: the options, as coded, that can be compared with
        each other all the same.
    unjudged : tuple of int
        Columns that went along with several others, in too few different settings to tell whether by chance.
    """

    never_moved: tuple[int, ...]
    together: tuple[tuple[int, ...], ...]
    n_moved: int
    rank: int
    n_columns: int
    n_repeats: int
    ties: tuple[Tie, ...] = ()
    comparable: Mapping[int, tuple[float, ...]] = field(default_factory=dict)
    unjudged: tuple[int, ...] = ()

    def partners(self, column: int) -> tuple[int, ...]:
        """Return the other columns from which this one cannot be told apart."""
        for group in self.together:
            if column in group:
                return tuple(j for j in group if j != column)
        return ()

    @property
    def is_rank_deficient(self) -> bool:
        return self.rank + sum(tie.n_directions for tie in self.ties) < self.n_columns

    def too_few_words(self, n_runs: int) -> str:
        """That so many runs are too few to separate the variables that moved; empty where they are not.

        Where variables that moved together are named already, it takes more columns than runs could ever separate.
        """
        if not self.is_rank_deficient or (self.together and n_runs > self.n_columns):
            return ""
        return f"{n_runs} runs moved {self.n_moved} variables: too few to separate them all by data alone."


def design_columns(table: RunTable) -> list[FloatArray]:
    """Centred columns per variable: one for a number, one per level seen but the first for a choice.

    Returns
    -------
    blocks : list of ndarray of shape (n_runs, n_columns_of_variable)
        Zero columns wide where the variable never moved.
    """
    blocks = []
    for j, v in enumerate(table.variables):
        x = table.coded[:, j]
        if table.n_runs == 0 or np.ptp(x) <= _STILL:
            blocks.append(np.empty((table.n_runs, 0)))
        elif v.is_choice:
            levels = np.unique(x)[1:]
            block = (x[:, None] == levels[None, :]).astype(float)
            blocks.append(block - block.mean(axis=0))
        else:
            blocks.append((x - x.mean())[:, None])
    return blocks


def what_is_knowable(table: RunTable) -> Knowable:
    """Look for variables that never moved or moved together.

    Notes
    -----
    Two variables moved together where the canonical correlations of their centred columns have
    r² ≥ ``TOGETHER_R2``: the largest one, or of two choices all of them. Where some of two choices are 1 and
    others are not, only some options are tied (``Tie``). Three or more did (the parts of a mixture
    do) where that of one with several others has it, adjusted for the number of columns
    (R² adjusted = 1 − (1 − R²)(n − 1)/(n − 1 − k)). Groups are the connected components.
    Failed runs do not count here, as they do not in effects, unless a variable moved in them alone.
    """
    every = design_columns(table)
    moved = [j for j, b in enumerate(every) if b.shape[1]]
    usual = table.without_failures()
    judged, blocks = usual, design_columns(usual)
    if any(blocks[j].shape[1] == 0 for j in moved):
        judged, blocks = table, every
    groups, ties = _moved_together(judged, blocks, moved)
    together = tuple(group for group in groups if len(group) > 1)
    joined = np.hstack([every[j] for j in moved]) if moved else np.empty((table.n_runs, 0))
    rank = int(np.linalg.matrix_rank(joined, tol=1e-6 * max(1.0, float(np.abs(joined).max(initial=0.0))))) if joined.size else 0
    labels = table.groups()
    n_repeats = table.n_runs - len(np.unique(labels))
    never = tuple(j for j, b in enumerate(every) if b.shape[1] == 0)
    left = tuple(tie for tie in ties if not any(tie.first in group and tie.second in group for group in groups))
    comparable = {j: _comparable(judged, j, left) for j in {k for tie in left for k in (tie.first, tie.second)}}
    for group in together:
        # A choice that follows from another one leaves options of that one which go along with the same of its own.
        wide = max(group, key=lambda j: blocks[j].shape[1])
        if len(group) == 2 and blocks[wide].shape[1] > min(blocks[j].shape[1] for j in group) and _are_choices(judged, group):
            found_there = _comparable(judged, wide, [Tie(group[0], group[1], (), 0)])
            comparable |= {wide: found_there} if len(found_there) > 1 else {}
    different = _different_settings(judged, blocks) if moved else blocks
    alone = [group[0] for group in groups if len(group) == 1]
    unjudged = tuple(
        j for j in alone if len(moved) > 2 and _may_be_fixed(different[j], np.hstack([different[k] for k in moved if k != j]))
    )
    return Knowable(never, together, len(moved), rank, joined.shape[1], n_repeats, left, comparable, unjudged)


def _moved_together(
    table: RunTable, blocks: Sequence[FloatArray], moved: Sequence[int]
) -> tuple[list[tuple[int, ...]], list[Tie]]:
    """Groups of the variables that moved, those that moved together in one, and choices of which only some options are tied.

    See ``what_is_knowable``; ``blocks`` as from ``design_columns``.
    """
    joined: DisjointSet = DisjointSet(moved)
    ties: list[Tie] = []
    for j, k in combinations(moved, 2):
        found = _canonical(blocks[j], blocks[k])
        are_choices = min(blocks[j].shape[1], blocks[k].shape[1]) > 1
        if found[-1 if are_choices else 0] >= TOGETHER_R2:
            joined.merge(j, k)
        elif are_choices and found[0] > _EXACTLY:
            ties.append(Tie(j, k, _tied_options(table, j, k), int(np.sum(found > _EXACTLY))))
    # Repeats add runs, but nothing that could separate variables.
    different = _different_settings(table, blocks) if moved else blocks
    for j in moved:
        if len(joined.subset(j)) == 1:
            for k in _dependence(different, j, [k for k in moved if k != j]):
                joined.merge(j, k)
    return [tuple(sorted(group)) for group in joined.subsets()], ties


def _are_choices(table: RunTable, columns: Sequence[int]) -> bool:
    return all(table.variables[j].is_choice for j in columns)


def _tied_options(table: RunTable, first: int, second: int) -> tuple[tuple[float, float], ...]:
    """Pairs of options of two choices that were never used without each other."""
    a, b = table.coded[:, first], table.coded[:, second]
    return tuple((float(x), float(y)) for x in np.unique(a) for y in np.unique(b[a == x]) if np.array_equal(a == x, b == y))


def _comparable(table: RunTable, j: int, ties: Sequence[Tie]) -> tuple[float, ...]:
    """The options of a choice, as coded, whose differences can be told although others are tied; the most used ones.

    It is one option where none can be told from another: one alone never counts before two that can be compared.

    Notes
    -----
    A difference can be told where its contrast lies in the row space of the design of both choices: the
    condition of an estimable function (Searle, Linear Models, 1971, section 5.4).
    """
    levels = np.unique(table.coded[:, j])
    beside = {tie.second if tie.first == j else tie.first for tie in ties if j in (tie.first, tie.second)}
    can = np.ones((len(levels), len(levels)), dtype=bool)
    own = (table.coded[:, j][:, None] == levels).astype(float)
    for k in beside:
        others = (table.coded[:, k][:, None] == np.unique(table.coded[:, k])).astype(float)
        _, sizes, rows = np.linalg.svd(np.hstack([own, others]), full_matrices=False)
        space = rows[sizes > 1e-9 * sizes[0]]
        for a in range(len(levels)):
            for b in range(a):
                contrast = np.zeros(space.shape[1])
                contrast[a], contrast[b] = 1.0, -1.0
                is_there = bool(np.linalg.norm(contrast - space.T @ (space @ contrast)) < 1e-6)
                can[a, b] = can[b, a] = can[a, b] and is_there
    labels = connected_components(can, directed=False)[1]
    sets = [labels == label for label in range(int(labels.max()) + 1)]
    return tuple(float(x) for x in levels[max(sets, key=lambda one: (one.sum() > 1, own[:, one].sum()))])


def moved_with(table: RunTable, circumstance: FloatArray) -> tuple[int, ...]:
    """Columns whose settings moved with something that is no setting, so that its effect would look the same.

    Parameters
    ----------
    circumstance : ndarray of shape (n_runs,) or (n_runs, n_columns)
        In the order of ``table``; rows with NaN are not known and left out.

    Notes
    -----
    Those whose largest canonical correlation with it has r² ≥ ``TOGETHER_R2``, adjusted for the number
    of columns as in ``what_is_knowable``. Failed runs do not count.
    """
    columns = circumstance[:, None] if circumstance.ndim == 1 else circumstance
    known = np.flatnonzero(np.all(np.isfinite(columns), axis=1) & ~table.failed)
    beside = columns[known]
    beside = beside[:, np.ptp(beside, axis=0) > _STILL] if len(known) else beside[:, :0]
    if not beside.shape[1]:
        return ()
    beside = beside - beside.mean(axis=0)
    blocks = design_columns(table.rows(known))
    return tuple(j for j, block in enumerate(blocks) if block.shape[1] and _is_fixed(block, beside))


def shares_moved_with(table: RunTable, circumstance: FloatArray) -> dict[int, float]:
    """Squared correlation of each column that moved with one circumstance, by column; of a choice, the largest canonical one.

    Parameters
    ----------
    circumstance : ndarray of shape (n_runs,)
        In the order of ``table``. Failed runs do not count.
    """
    usual = np.flatnonzero(~table.failed)
    beside = circumstance[usual][:, None]
    if len(usual) < 3 or np.ptp(beside) <= _STILL:
        return {}
    beside = beside - beside.mean()
    blocks = design_columns(table.rows(usual))
    return {j: _canonical_r2(block, beside) for j, block in enumerate(blocks) if block.shape[1]}


def shifts_with(table: RunTable, share: FloatArray) -> dict[int, float]:
    """How far something that is no setting would move the yield over what was tried of each variable, by column.

    Parameters
    ----------
    share : ndarray of shape (n_runs,)
        What it adds to the yield of each run, in the order of ``table``; NaN where that is not known. [percentage points]

    Returns
    -------
    shifts : dict of int to float
        From the lowest number tried to the highest, by a straight line through ``share``; of a choice the largest difference
        between the means of two options, without a sign. [percentage points]
    """
    known = np.flatnonzero(np.isfinite(share) & ~table.failed)
    found = {}
    for j, v in enumerate(table.variables):
        x, y = table.coded[known, j], share[known]
        if len(known) < 2 or np.ptp(x) <= _STILL:
            continue
        if v.is_choice:
            found[j] = float(np.ptp([y[x == level].mean() for level in np.unique(x)]))
        else:
            centred = x - x.mean()
            found[j] = float(centred @ y / (centred @ centred) * np.ptp(x))
    return found


def indicators(labels: Sequence[str]) -> FloatArray:
    """One column for each label, 1 where a run has it, for ``moved_with``.

    Parameters
    ----------
    labels : sequence of str, length n_runs
        Empty text for not noted: a row of NaN. Capitals do not count.

    Returns
    -------
    columns : ndarray of shape (n_runs, n_labels)
    """
    names = [label.casefold() for label in labels]
    kinds = sorted(set(names) - {""})
    columns = [[float(name == kind) if name else np.nan for kind in kinds] for name in names]
    return np.array(columns, dtype=float).reshape(len(names), len(kinds))


def _is_fixed(block: FloatArray, others: FloatArray) -> bool:
    """Whether centred columns follow from others, allowing for how many there are; never with few runs to spare."""
    n, spare, r2 = len(others), _spare_runs(block, others), _canonical_r2(block, _orthonormal(others))
    if spare >= 1 and r2 > _EXACTLY and block.shape[1] == 1:
        # Chance does not make one follow exactly from others.
        return True
    if spare < _SPARE_RUNS:
        return False
    return bool(1.0 - (1.0 - r2) * (n - 1) / spare >= TOGETHER_R2)


def _may_be_fixed(block: FloatArray, others: FloatArray) -> bool:
    """Whether centred columns look as if they followed from others, with too few runs to spare to allow for chance."""
    return _spare_runs(block, others) < _SPARE_RUNS and _canonical_r2(block, _orthonormal(others)) >= TOGETHER_R2


def _spare_runs(block: FloatArray, others: FloatArray) -> int:
    """Runs that are left over when columns are laid on others.

    Of the own columns the combination that is fixed best is judged, so they count like others.
    """
    return len(others) - int(np.linalg.matrix_rank(others)) - int(block.shape[1])


def _different_settings(table: RunTable, blocks: Sequence[FloatArray]) -> list[FloatArray]:
    """The blocks with one row for each of the different settings, centred."""
    rows = np.unique(table.groups(), return_index=True)[1]
    return [b[rows] - b[rows].mean(axis=0) for b in blocks]


def _dependence(blocks: Sequence[FloatArray], j: int, others: list[int]) -> list[int]:
    """The fewest of the other variables that together fix this one; none where they do not."""

    def is_fixed_by(chosen: list[int]) -> bool:
        return bool(chosen) and _is_fixed(blocks[j], np.hstack([blocks[k] for k in chosen]))

    if not is_fixed_by(others):
        return []
    for k in list(others):
        if is_fixed_by([o for o in others if o != k]):
            others = [o for o in others if o != k]
    return others


def _orthonormal(block: FloatArray) -> FloatArray:
    """Orthonormal columns that span the same, also where some depend on others."""
    left, sizes, _ = np.linalg.svd(block, full_matrices=False)
    return np.asarray(left[:, sizes > 1e-9 * max(float(sizes[0]), 1e-300)])


def _canonical_r2(a: FloatArray, b: FloatArray) -> float:
    """Largest squared canonical correlation of two centred blocks."""
    return float(_canonical(a, b)[0])


def _canonical(a: FloatArray, b: FloatArray) -> FloatArray:
    """Squared canonical correlations of two centred blocks, largest first; shape (columns of the narrower one,)."""
    qa, _ = np.linalg.qr(a)
    qb, _ = np.linalg.qr(b)
    return np.asarray(np.linalg.svd(qa.T @ qb, compute_uv=False) ** 2)


def separating_run(table: RunTable, candidates: FloatArray, group: tuple[int, ...], centre: FloatArray) -> int:
    """Choose the candidate that best separates variables which moved together.

    Parameters
    ----------
    candidates : ndarray of shape (n_candidates, n_variables)
        Reachable coded settings.
    group : tuple of int
        Columns that moved together.
    centre : ndarray of shape (n_variables,)
        Settings near which to stay in all other variables (the working recipe).

    Returns
    -------
    position : int
        Row of ``candidates``.

    Notes
    -----
    Maximises the smallest eigenvalue of the group's centred cross-product matrix
    with the candidate added (E-optimality), less a small price for moving others.
    """
    best, best_score = 0, -np.inf
    columns = list(group)
    others = [j for j in range(table.n_variables) if j not in group]
    for i, row in enumerate(candidates):
        joined = np.vstack([table.coded, row])
        trial = RunTable(table.variables, joined, np.zeros(len(joined)), np.zeros(len(joined)), (*table.numbers, 0))
        blocks = design_columns(trial)
        block = np.hstack([blocks[j] for j in columns])
        smallest = float(np.linalg.eigvalsh(block.T @ block)[0]) if block.shape[1] else 0.0
        price = sum(abs(row[j] - centre[j]) if not table.variables[j].is_choice else float(row[j] != centre[j]) for j in others)
        score = smallest - 0.02 * price
        if score > best_score + 1e-12:
            best, best_score = i, score
    return best
