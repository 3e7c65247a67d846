"""The runs as the response models see them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.sparse.csgraph import connected_components

from server.core.space.variables import ALIKE, BoolArray, FloatArray, Variable

# A failed run tells that this is no good place, not that the yield is exactly zero: what
# failed may fail differently next time. [percentage points]
FAILURE_SD = 12.0
# Of a run whose own yield is uncertain by more, repeats say nothing. [percentage points] (Own judgement.)
POORLY_MEASURED = 5.0


@dataclass(frozen=True)
class RunTable:
    """Finished, informative runs of one preparation.

    Attributes
    ----------
    variables : tuple of length n_variables
    coded : ndarray of shape (n_runs, n_variables)
        Coded as-run settings (see ``server.core.space.coordinates``). [-]
    yields : ndarray of shape (n_runs,)
        Percent yield. [%]
    extra_sd : ndarray of shape (n_runs,)
        Uncertainty of each yield beyond repeatability. [percentage points]
    numbers : tuple of int, length n_runs
        Run numbers, for naming runs in sentences.
    failed : ndarray of bool, shape (n_runs,)
        Which runs failed, by default none.
    scatter : float or None
        Standard deviation of repeats that the chemist expects from experience; None where nothing was said.
        [percentage points]
    """

    variables: tuple[Variable, ...]
    coded: FloatArray
    yields: FloatArray
    extra_sd: FloatArray
    numbers: tuple[int, ...]
    failed: BoolArray = field(default_factory=lambda: np.empty(0, dtype=bool))
    scatter: float | None = None

    def __post_init__(self) -> None:
        if not len(self.failed):
            object.__setattr__(self, "failed", np.zeros(len(self.yields), dtype=bool))
        if self.coded.shape != (len(self.yields), len(self.variables)):
            raise ValueError("coded must have one row per yield and one column per variable")
        if not (np.all(np.isfinite(self.coded)) and np.all(np.isfinite(self.yields)) and np.all(np.isfinite(self.extra_sd))):
            raise ValueError("settings, yields and their uncertainties must be finite")
        if self.failed.shape != self.yields.shape:
            raise ValueError("failed must say yes or no for every run")

    @property
    def n_runs(self) -> int:
        return len(self.yields)

    @property
    def n_variables(self) -> int:
        return len(self.variables)

    def joined_with(self, other: RunTable) -> RunTable:
        """This table with the rows of another one of the same variables after its own."""
        return RunTable(
            self.variables,
            np.vstack([self.coded, other.coded]),
            np.concatenate([self.yields, other.yields]),
            np.concatenate([self.extra_sd, other.extra_sd]),
            self.numbers + other.numbers,
            np.concatenate([self.failed, other.failed]),
            self.scatter,
        )

    def errors(self, noise: float) -> FloatArray:
        """Variances of the rows' errors at a repeatability, shape (n_runs,); where some share theirs, the covariance. [points²]

        Parameters
        ----------
        noise : float
            Standard deviation of the repeatability. [percentage points]
        """
        if self._carried is None:
            return self.extra_sd**2 + noise**2
        origin, share = self._carried
        carries = origin != np.arange(self.n_runs)
        # What is uncertain of the run itself goes along; its rows have their own uncertainty beside it.
        own = np.sqrt(noise**2 + self.extra_sd[origin] ** 2) * share
        together = np.outer(own, own) * (origin[:, None] == origin[None, :])
        return np.asarray(together + np.diag(np.where(carries, self.extra_sd**2, 0.0)))

    @cached_property
    def _carried(self) -> tuple[np.ndarray, FloatArray] | None:
        """Positions of the runs whose errors the rows carry, and in which proportion; shapes (n_runs,).

        A row with the number −n was worked out from run n in proportion to its yield, so it carries the error of
        that run in the same proportion. None where every row has an error of its own.
        """
        position = {number: i for i, number in enumerate(self.numbers) if number > 0}
        origin, share = np.arange(self.n_runs), np.ones(self.n_runs)
        for i, number in enumerate(self.numbers):
            run = position.get(-number)
            if run is not None and self.yields[run] > 0:
                origin[i], share[i] = run, self.yields[i] / self.yields[run]
        if np.array_equal(origin, np.arange(self.n_runs)):
            return None
        return origin, share

    def without_failures(self) -> RunTable:
        """The runs that did not fail: a failure says that something went wrong, not how far results scatter."""
        return self.rows(np.flatnonzero(~self.failed))

    def telling_scatter(self) -> RunTable:
        """The runs that tell how far results scatter: none that failed, and none whose own yield is that uncertain."""
        return self.rows(np.flatnonzero(~self.failed & (self.extra_sd < POORLY_MEASURED)))

    def groups(self) -> np.ndarray:
        """Label each run by its settings: runs with equal labels are repeats. Shape (n_runs,).

        What was weighed or read off is never quite the same: settings within ``ALIKE`` of each other count as equal.
        """
        if self.n_runs == 0:
            return np.empty(0, dtype=int)
        alike = np.abs(self.coded[:, None, :] - self.coded[None, :, :]).max(axis=2, initial=0.0) <= ALIKE
        return np.asarray(connected_components(alike, directed=False)[1])

    def canonical_order(self) -> np.ndarray:
        """Positions of the runs sorted by settings, yield and number. Shape (n_runs,)."""
        return np.lexsort((np.array(self.numbers), self.yields, *self.coded.T[::-1]))

    def in_canonical_order(self) -> RunTable:
        """Return the same runs sorted by settings and yield, so that results do not depend on order."""
        return self.rows(self.canonical_order())

    def rows(self, positions: np.ndarray) -> RunTable:
        """The runs at these positions, in their order."""
        return RunTable(
            self.variables,
            self.coded[positions],
            self.yields[positions],
            self.extra_sd[positions],
            tuple(self.numbers[i] for i in positions),
            self.failed[positions],
            self.scatter,
        )


@dataclass(frozen=True)
class Beside:
    """Evidence that is no run: yields that runs imply for other settings.

    Attributes
    ----------
    table : RunTable
        The implied yields; ``extra_sd`` says how far each is trusted.
    rests_on : tuple of length n_rows of frozenset of int
        Numbers of the runs from which each row was worked out.

    Notes
    -----
    A row number of −n in ``table`` says that the row carries the error of run n, see ``RunTable.errors``;
    0 that it has an error of its own.
    """

    table: RunTable
    rests_on: tuple[frozenset[int], ...]

    def __post_init__(self) -> None:
        if len(self.rests_on) != self.table.n_runs:
            raise ValueError("every row needs the runs that it rests on")

    @property
    def n_rows(self) -> int:
        return self.table.n_runs

    def joined_with(self, other: Beside) -> Beside:
        """This evidence and other evidence about the same variables."""
        return Beside(self.table.joined_with(other.table), self.rests_on + other.rests_on)

    def without_failures(self, table: RunTable) -> Beside | None:
        """The rows that rest on no run of the table that failed; None where there are none."""
        failed = {number for number, has in zip(table.numbers, table.failed, strict=True) if has}
        kept = [i for i, on in enumerate(self.rests_on) if not on & failed]
        return Beside(self.table.rows(np.array(kept, dtype=int)), tuple(self.rests_on[i] for i in kept)) if kept else None

    def in_canonical_order(self) -> Beside:
        """The same rows sorted by settings and yield."""
        order = self.table.canonical_order()
        return Beside(self.table.rows(order), tuple(self.rests_on[i] for i in order))
