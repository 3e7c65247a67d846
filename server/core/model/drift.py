"""What the settings do not explain: drift with run order, differences between groups of runs, and the scale of runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from server.core.model.effects import signed
from server.core.model.ladder import Ladder
from server.core.space.variables import FloatArray
from server.errors import NotReadyError

FEWEST_RUNS_FOR_DRIFT = 6
# From three groups on, their scatter says more than pairs of them do.
FEWEST_GROUPS_FOR_SCATTER = 3
FEWEST_RUNS_PER_GROUP = 2
# Scales that differ by less tell nothing about what the scale does. [largest over smallest]
SPREAD_OF_SCALES = 1.5
# A change over all runs, or a difference of groups, smaller than this is not worth a word.
SMALL_DIFFERENCE = 1.5  # [percentage points]
# A range that reaches further to either side holds every difference that a chemist would look for, and says nothing (own
# judgement).
WIDEST_TOLD = 20.0  # [percentage points]
# Equal yields leave differences like this, with ranges as small: the dust of the arithmetic. [percentage points]
_NOTHING = 1e-9


@dataclass(frozen=True)
class Trend:
    """A difference with its 90 % range and a sentence. [percentage points]"""

    change: float
    low_90: float
    high_90: float
    sentence: str
    is_shown: bool


def drift_with_order(ladder: Ladder, days: Mapping[int, str] | None = None, comparisons: int = 1) -> Trend | None:
    """Slope of the left-out residuals over the order of the runs; None with too few runs.

    Parameters
    ----------
    days : mapping of int to str, or None
        Day on which each run was made (year-month-day), by run number. Where a run has none, run numbers
        are the order: past runs may have been entered after newer ones.
    comparisons : int
        How many ranges are looked at together, see ``welch_range``.

    Notes
    -----
    Ordinary regression of (yield − forecast without that run) on the rank of the run; 90 % range from Student's t.
    """
    table = ladder.table
    usual = ~table.failed  # a failed run says nothing about a slow drift
    n = int(usual.sum())
    if n < FEWEST_RUNS_FOR_DRIFT:
        return None
    residual = (table.yields - ladder.averaged_left_out[0])[usual]
    numbers = [number for number, counts in zip(table.numbers, usual, strict=True) if counts]
    rank, by_day = run_order(numbers, days or {})
    told = "by day" if by_day else "by run number, because some runs have no day"
    slope = _slope(rank, residual, comparisons)
    ranges = f"{slope.words('a run')}, {told}"
    is_shown = slope.is_there and abs(slope.change) * (n - 1) >= SMALL_DIFFERENCE
    if slope.is_there and not is_shown:
        sentence = f"A drift with run order is there, but too small to matter: {ranges}."
    elif not is_shown and slope.reach * (n - 1) > WIDEST_TOLD:
        sentence = f"Whether yields drift with run order cannot be told yet from {n} runs: {ranges}."
    elif not is_shown:
        sentence = f"No drift with run order is shown: {ranges}."
    else:
        sentence = (
            f"Yields drift with run order beyond what the settings explain: {ranges}. Look at reagents, glassware, routine."
        )
    return Trend(slope.change, slope.low_90, slope.high_90, sentence, is_shown)


def run_order(numbers: Sequence[int], days: Mapping[int, str]) -> tuple[FloatArray, bool]:
    """Place of each run in time, 0 for the first.

    Returns
    -------
    rank : ndarray of shape (n_runs,)
    by_day : bool
        Whether days told the order; run numbers do where a run has no day.
    """
    by_day = all(days.get(number) for number in numbers)
    order = sorted(range(len(numbers)), key=lambda k: (days.get(numbers[k], "") if by_day else "", numbers[k]))
    return np.argsort(order).astype(float), by_day


def change_with_scale(ladder: Ladder, scales: Mapping[int, float], comparisons: int = 1) -> Trend | None:
    """Change of the left-out residuals per doubling of the scale; None with too few runs, or scales too much alike.

    Parameters
    ----------
    scales : mapping of int to float
        Scale of each run that has one, by run number. [mol]
    comparisons : int
        How many ranges are looked at together, see ``welch_range``.

    Notes
    -----
    As ``drift_with_order``, on log₂ of the scale.
    """
    table = ladder.table
    has_scale = np.array([number in scales for number in table.numbers], dtype=bool) & ~table.failed
    if has_scale.sum() < FEWEST_RUNS_FOR_DRIFT:
        return None
    doublings = np.log2([scales[number] for number, counts in zip(table.numbers, has_scale, strict=True) if counts])
    if np.ptp(doublings) < np.log2(SPREAD_OF_SCALES):
        return None
    slope = _slope(doublings, (table.yields - ladder.averaged_left_out[0])[has_scale], comparisons)
    ranges = slope.words("for each doubling")
    is_shown = slope.is_there and abs(slope.change) * float(np.ptp(doublings)) >= SMALL_DIFFERENCE
    if slope.is_there and not is_shown:
        sentence = f"Yields change with the scale of the run, but by too little to matter: {ranges}."
    elif not is_shown and slope.reach * float(np.ptp(doublings)) > WIDEST_TOLD:
        sentence = f"Whether yields change with the scale of the run cannot be told yet from {has_scale.sum()} runs: {ranges}."
    elif not is_shown:
        sentence = f"No change of the yield with the scale of the run is shown: {ranges}."
    else:
        more = "more" if slope.change > 0 else "less"
        sentence = (
            f"Larger runs yield {more} than the settings explain: {ranges}. Forecasts do not know this; "
            "look at stirring, heating and cooling, times of addition, and what stays behind in the glassware."
        )
    return Trend(slope.change, slope.low_90, slope.high_90, sentence, is_shown)


@dataclass(frozen=True)
class _Slope:
    change: float
    low_90: float
    high_90: float

    @property
    def is_there(self) -> bool:
        return _leaves_out_zero(self.change, self.low_90, self.high_90)

    @property
    def reach(self) -> float:
        """How far the range goes to either side."""
        return self.high_90 - self.change

    @property
    def _decimals(self) -> int:
        """Decimals with which the range is more than one number, and leaves out zero as shown where it does."""
        if self.reach <= _NOTHING:
            return 1
        nearest = min(abs(self.low_90), abs(self.high_90)) if self.is_there else self.reach
        return next((d for d in (1, 2) if round(min(nearest, self.reach), d) > 0.0), 3)

    def words(self, per: str) -> str:
        change, low, high = (signed(x, self._decimals) for x in (self.change, self.low_90, self.high_90))
        return f"{change} points {per} (90 % range {low} to {high})"


def _leaves_out_zero(change: float, low: float, high: float) -> bool:
    """Whether a difference is there, by its range; never where it is dust."""
    return abs(change) > _NOTHING and not low <= 0.0 <= high


def _slope(x: FloatArray, residual: FloatArray, comparisons: int) -> _Slope:
    """Slope of a straight line through the residuals with its 90 % range from Student's t, one of so many (Bonferroni)."""
    centred = x - x.mean()
    squares = float(centred @ centred)
    slope = float(centred @ residual) / squares
    rest = residual - residual.mean() - slope * centred
    dof = len(x) - 2
    reach = float(stats.t.ppf(1.0 - 0.05 / comparisons, dof)) * float(np.sqrt(rest @ rest / dof / squares))
    return _Slope(slope, slope - reach, slope + reach)


@dataclass(frozen=True)
class Grouping:
    """What runs are grouped by, in words: ``one`` takes the name of a group."""

    one: str
    many: str
    within: str


BY_LOT = Grouping("lot {}", "lots", "a lot")
BY_MAKER = Grouping("runs by {}", "people", "the runs of one")


def differences(ladder: Ladder, labels: Sequence[str], by: Grouping, comparisons: int | None = None) -> list[Trend]:
    """Difference of each group of runs from the first in the left-out residuals.

    Parameters
    ----------
    labels : sequence of str, length n_runs
        In the order of ``ladder.table``; empty text for not noted. Capitals do not count.
    comparisons : int or None
        How many ranges are looked at together, see ``welch_range``; where None, those of these groups.

    Notes
    -----
    Welch's interval for two means (NIST/SEMATECH e-Handbook 1.3.5.3).
    """
    if ladder.table.n_runs == 0:
        return []
    residual = ladder.table.yields - ladder.averaged_left_out[0]
    usual = ~ladder.table.failed
    spelt = {label.casefold(): label for label in reversed(labels)}
    alike = [spelt[label.casefold()] for label in labels]
    marks = np.where(usual, np.asarray(alike, dtype=object), "")
    names = [name for name in dict.fromkeys(marks) if name and np.sum(marks == name) >= FEWEST_RUNS_PER_GROUP]
    order = sorted(names, key=lambda name: min(n for n, one in zip(ladder.table.numbers, alike, strict=True) if one == name))
    has_scatter = len(order) >= FEWEST_GROUPS_FOR_SCATTER
    together = comparisons or max(1, len(order) - 1 + has_scatter)
    found = []
    for name in order[1:]:
        a, b = residual[marks == order[0]], residual[marks == name]
        change, low, high = welch_range(a, b, comparisons=together)
        ranges = f"{signed(change)} points (90 % range {signed(low)} to {signed(high)})"
        is_there = _leaves_out_zero(change, low, high)
        is_shown = is_there and abs(change) >= SMALL_DIFFERENCE
        first, other = by.one.format(order[0]), by.one.format(name)
        if is_there and not is_shown:
            sentence = f"There is a difference between {first} and {other}, but too small to matter: {ranges}."
        elif not is_shown and high - change > WIDEST_TOLD:
            sentence = f"Whether {first} and {other} differ cannot be told yet from {len(a)} and {len(b)} runs: {ranges}."
        elif not is_shown:
            sentence = f"No difference between {first} and {other} is shown: {ranges}."
        else:
            sentence = f"Yields change from {first} to {other} beyond what the settings explain: {ranges}."
        found.append(Trend(change, low, high, sentence, is_shown))
    if has_scatter:
        members = np.isin(marks, order)
        found.append(_scatter_between(residual[members], marks[members].astype(str), len(order), by, together))
    return found


def _scatter_between(residual: FloatArray, groups: np.ndarray, n_groups: int, by: Grouping, comparisons: int) -> Trend:
    """Standard deviation between groups with its 90 % range, and within, in one sentence.

    Notes
    -----
    The range is that of the variance ratio, (F/F_q − 1)/n₀ times the variance within as found;
    the ratio's range is exact for groups of equal size. Source: Davies & Goldsmith (1972), ch. 6 (from memory).
    """
    between, within = variance_components(residual, groups)
    over = f"Over {n_groups} {by.many}, the standard deviation is {np.sqrt(between):.1f} points between {by.many}"
    if within <= 1e-18 * max(float(residual @ residual), 1e-300):
        sd = float(np.sqrt(between))
        return Trend(sd, sd, sd, f"{over}; runs within {by.within} agree exactly.", sd >= SMALL_DIFFERENCE)
    size, dof = _common_size(groups), len(residual) - n_groups
    ratio = _mean_square_ratio(residual, groups, within)
    tail = 0.05 / comparisons
    low, high = (
        float(np.sqrt(max(0.0, (ratio / stats.f.ppf(q, n_groups - 1, dof) - 1.0) / size * within))) for q in (1.0 - tail, tail)
    )
    sentence = (
        f"{over} (90 % range {low:.1f} to {high:.1f}) and {np.sqrt(within):.1f} points within {by.within}, settings allowed for."
    )
    sd = float(np.sqrt(between))
    return Trend(sd, low, high, sentence, low > 0.0 and sd >= SMALL_DIFFERENCE)


def _common_size(groups: np.ndarray) -> float:
    """n₀ = (N − Σ nᵢ²/N)/(k − 1): the size of the groups, where they have one."""
    counts = np.unique(groups, return_counts=True)[1]
    return float((len(groups) - np.sum(counts**2) / len(groups)) / (len(counts) - 1))


def _mean_square_ratio(yields: FloatArray, groups: np.ndarray, within: float) -> float:
    """Mean square between groups over ``within``."""
    labels, counts = np.unique(groups, return_counts=True)
    means = np.array([yields[groups == g].mean() for g in labels])
    between = float(np.sum(counts * (means - yields.mean()) ** 2)) / (len(labels) - 1)
    return between / max(within, 1e-12)


def welch_range(a: FloatArray, b: FloatArray, comparisons: int = 1) -> tuple[float, float, float]:
    """Difference mean(b) − mean(a) with the ends of its 90 % range, for unequal variances (Welch). [unit of the values]

    Parameters
    ----------
    a, b : ndarray of shape (n_a,) and (n_b,)
    comparisons : int
        How many ranges are looked at together: all ranges hold at once in nine of ten cases or more
        (Bonferroni's method, NIST/SEMATECH e-Handbook 7.4.7.3).

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
    reach = float(stats.t.ppf(1.0 - 0.05 / comparisons, dof)) * float(np.sqrt(va + vb))
    return change, change - reach, change + reach


def variance_components(yields: FloatArray, groups: np.ndarray) -> tuple[float, float]:
    """Variance between and within groups, by analysis of variance.

    Parameters
    ----------
    yields : ndarray of shape (n_runs,)
    groups : ndarray of shape (n_runs,)
        Label of the group of each run.

    Returns
    -------
    between, within : float
        [points²] ``between`` is cut at zero.

    Raises
    ------
    NotReadyError
        With fewer than two groups, or no group of two runs.

    Notes
    -----
    (MS_between − MS_within)/n₀ with n₀ = (N − Σ nᵢ²/N)/(k − 1), which is the common
    size where groups have one. Source: Davies & Goldsmith, Statistical Methods in
    Research and Production (1972), ch. 6; Snedecor & Cochran (1989), ch. 13, for n₀ (from memory).
    """
    labels = np.unique(groups)
    n, k = len(yields), len(labels)
    if k < 2 or n == k:
        raise NotReadyError("Variance components need two or more groups, one of them with two runs.", have=k, need=2)
    squares = sum(float(np.sum((yields[groups == g] - yields[groups == g].mean()) ** 2)) for g in labels)
    within = squares / (n - k)
    ratio = _mean_square_ratio(yields, groups, within)
    return max((ratio - 1.0) * max(within, 1e-12) / _common_size(groups), 0.0), within
