"""What the runs can and cannot tell, found before any effect is shown.

Variables that never moved, variables that moved together, and too few runs are
found from the coded settings alone (rank and correlation), by name; variables that
moved with something that is no setting (time, a reagent lot, who made the run, the scale) from both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from server.core.model.runs import ALIKE, RunTable
from server.core.space.variables import FloatArray

# Squared multiple correlation with other variables above which their effects cannot be separated.
TOGETHER_R2 = 0.9
# Share of a variable's moves that went along with a drift from which on its effect may hold some of the drift.
PARTLY_R2 = 0.3
# Of three or more variables it is judged only where so many different settings are left over; with fewer, chance
# makes it large.
_SPARE_RUNS = 3
_STILL = ALIKE


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
    """

    never_moved: tuple[int, ...]
    together: tuple[tuple[int, ...], ...]
    n_moved: int
    rank: int
    n_columns: int
    n_repeats: int

    def partners(self, column: int) -> tuple[int, ...]:
        """Return the other columns from which this one cannot be told apart."""
        for group in self.together:
            if column in group:
                return tuple(j for j in group if j != column)
        return ()

    @property
    def is_rank_deficient(self) -> bool:
        return self.rank < self.n_columns

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
    Two variables moved together where the largest canonical correlation of their
    centred columns has r² ≥ ``TOGETHER_R2``. Three or more did (the parts of a mixture
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
    parent = {j: j for j in moved}

    def root(j: int) -> int:
        while parent[j] != j:
            j = parent[j]
        return j

    for position, j in enumerate(moved):
        for k in moved[position + 1 :]:
            if _canonical_r2(blocks[j], blocks[k]) >= TOGETHER_R2:
                parent[root(k)] = root(j)
    # Repeats add runs, but nothing that could separate variables.
    different = _different_settings(judged, blocks) if moved else blocks
    for j in moved:
        if all(root(k) != root(j) for k in moved if k != j):
            for k in _dependence(different, j, [k for k in moved if k != j]):
                parent[root(k)] = root(j)
    groups: dict[int, list[int]] = {}
    for j in moved:
        groups.setdefault(root(j), []).append(j)
    together = tuple(tuple(g) for g in groups.values() if len(g) > 1)
    joined = np.hstack([every[j] for j in moved]) if moved else np.empty((table.n_runs, 0))
    rank = int(np.linalg.matrix_rank(joined, tol=1e-6 * max(1.0, float(np.abs(joined).max(initial=0.0))))) if joined.size else 0
    labels = table.groups()
    n_repeats = table.n_runs - len(np.unique(labels))
    never = tuple(j for j, b in enumerate(every) if b.shape[1] == 0)
    return Knowable(never, together, len(moved), rank, joined.shape[1], n_repeats)


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
    n = len(others)
    # Of the own columns the combination that is fixed best is judged, so they count like others.
    k = int(np.linalg.matrix_rank(others)) + block.shape[1] - 1
    if n - 1 - k < _SPARE_RUNS:
        return False
    r2 = _canonical_r2(block, _orthonormal(others))
    return bool(1.0 - (1.0 - r2) * (n - 1) / (n - 1 - k) >= TOGETHER_R2)


def _different_settings(table: RunTable, blocks: list[FloatArray]) -> list[FloatArray]:
    """The blocks with one row for each of the different settings, centred."""
    rows = np.unique(table.groups(), return_index=True)[1]
    return [b[rows] - b[rows].mean(axis=0) for b in blocks]


def _dependence(blocks: list[FloatArray], j: int, others: list[int]) -> list[int]:
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
    qa, _ = np.linalg.qr(a)
    qb, _ = np.linalg.qr(b)
    return float(np.linalg.svd(qa.T @ qb, compute_uv=False)[0] ** 2)


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
