"""What the settings do not explain: drift with run order, and differences between reagent lots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from server.core.model.effects import signed
from server.core.model.ladder import Ladder
from server.core.model.runs import FAILURE_SD
from server.core.space.variables import FloatArray
from server.errors import NotReadyError

FEWEST_RUNS_FOR_DRIFT = 6
FEWEST_RUNS_PER_LOT = 2
# A drift over the whole campaign, or a difference of lots, smaller than this is not worth a word.
SMALL_DIFFERENCE = 1.5  # [percentage points]


@dataclass(frozen=True)
class Trend:
    """A difference with its 90 % range and a sentence. [percentage points]"""

    change: float
    low_90: float
    high_90: float
    sentence: str
    is_shown: bool


def drift_with_order(ladder: Ladder) -> Trend | None:
    """Slope of the left-out residuals over the order of the runs; None with too few runs.

    Notes
    -----
    Ordinary regression of (yield − forecast without that run) on the rank of the run
    number; 90 % range from Student's t.
    """
    table = ladder.table
    usual = table.extra_sd < FAILURE_SD  # a failed run says nothing about a slow drift
    n = int(usual.sum())
    if n < FEWEST_RUNS_FOR_DRIFT:
        return None
    residual = (table.yields - ladder.averaged_left_out[0])[usual]
    rank = np.argsort(np.argsort(np.asarray(table.numbers)[usual])).astype(float)
    centred = rank - rank.mean()
    slope = float(centred @ residual / (centred @ centred))
    rest = residual - residual.mean() - slope * centred
    sd = float(np.sqrt(rest @ rest / (n - 2) / (centred @ centred)))
    reach = float(stats.t.ppf(0.95, n - 2)) * sd
    low, high = slope - reach, slope + reach
    ranges = f"{signed(slope)} points a run (90 % range {signed(low)} to {signed(high)})"
    is_shown = not low <= 0.0 <= high and abs(slope) * (n - 1) >= SMALL_DIFFERENCE
    if not is_shown:
        sentence = f"No drift with run order is shown: {ranges}."
    else:
        sentence = (
            f"Yields drift with run order beyond what the settings explain: {ranges}. Look at reagents, glassware, routine."
        )
    return Trend(slope, low, high, sentence, is_shown)


def lot_differences(ladder: Ladder, lots: Sequence[str]) -> list[Trend]:
    """Difference of each reagent lot from the first in the left-out residuals.

    Parameters
    ----------
    lots : sequence of str, length n_runs
        In the order of ``ladder.table``; empty text for not noted.

    Notes
    -----
    Welch's interval for two means (NIST/SEMATECH e-Handbook 1.3.5.3).
    """
    if ladder.table.n_runs == 0:
        return []
    residual = ladder.table.yields - ladder.averaged_left_out[0]
    usual = ladder.table.extra_sd < FAILURE_SD
    marks = np.where(usual, np.asarray(lots, dtype=object), "")
    names = [name for name in dict.fromkeys(marks) if name and np.sum(marks == name) >= FEWEST_RUNS_PER_LOT]
    order = sorted(names, key=lambda name: min(n for n, lot in zip(ladder.table.numbers, lots, strict=True) if lot == name))
    found = []
    for name in order[1:]:
        a, b = residual[marks == order[0]], residual[marks == name]
        change, low, high = welch_range(a, b)
        ranges = f"{signed(change)} points (90 % range {signed(low)} to {signed(high)})"
        is_shown = not low <= 0.0 <= high and abs(change) >= SMALL_DIFFERENCE
        if not is_shown:
            sentence = f"No difference between lots {order[0]} and {name} is shown: {ranges}."
        else:
            sentence = f"Lot {name} differs from lot {order[0]} beyond what the settings explain: {ranges}."
        found.append(Trend(change, low, high, sentence, is_shown))
    return found


def welch_range(a: FloatArray, b: FloatArray) -> tuple[float, float, float]:
    """Difference mean(b) − mean(a) with its 90 % range, for unequal variances.

    Raises
    ------
    NotReadyError
        With fewer than two values on a side.
    """
    if min(len(a), len(b)) < 2:
        raise NotReadyError("Two values on each side are needed.", have=min(len(a), len(b)), need=2)
    change = float(b.mean() - a.mean())
    va, vb = float(a.var(ddof=1)) / len(a), float(b.var(ddof=1)) / len(b)
    if va + vb == 0.0:
        return change, change, change
    dof = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    reach = float(stats.t.ppf(0.95, dof)) * float(np.sqrt(va + vb))
    return change, change - reach, change + reach


def variance_components(yields: FloatArray, groups: np.ndarray) -> tuple[float, float]:
    """Variance between and within groups of equal size, by analysis of variance.

    Returns
    -------
    between, within : float
        [points²] ``between`` is cut at zero.

    Raises
    ------
    NotReadyError
        If groups differ in size or there are fewer than two of two runs each.

    Notes
    -----
    (MS_between − MS_within)/n. Source: Davies & Goldsmith, Statistical Methods in
    Research and Production (1972), ch. 6.
    """
    labels, counts = np.unique(groups, return_counts=True)
    if len(labels) < 2 or counts.min() < 2 or counts.min() != counts.max():
        raise NotReadyError(
            "Variance components need two or more groups of the same size, two or more runs each.", have=0, need=2
        )
    size = int(counts[0])
    means = np.array([yields[groups == g].mean() for g in labels])
    within = float(np.mean([yields[groups == g].var(ddof=1) for g in labels]))
    between = float(size * means.var(ddof=1))
    return max((between - within) / size, 0.0), within
