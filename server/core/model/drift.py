"""What the settings do not explain: drift with run order, differences between groups of runs, and the scale of runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from server.core.model.beyond import Left, fit_beside
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
    """Slope of what the settings leave over the order of the runs; None with too few runs.

    Parameters
    ----------
    days : mapping of int to str, or None
        Day on which each run was made (year-month-day), by run number. Where a run has none, run numbers
        are the order: past runs may have been entered after newer ones.
    comparisons : int
        How many ranges are looked at together: all hold at once in nine of ten cases or more (Bonferroni's method,
        NIST/SEMATECH e-Handbook 7.4.7.3).

    Notes
    -----
    A straight line over the rank of the run beside the models, see ``fit_beside``; 90 % range from Student's t.
    """
    table = ladder.table
    usual = ~table.failed  # a failed run says nothing about a slow drift
    n = int(usual.sum())
    if n < FEWEST_RUNS_FOR_DRIFT:
        return None
    numbers = [number for number, counts in zip(table.numbers, usual, strict=True) if counts]
    rank, by_day = run_order(numbers, days or {})
    told = "by day" if by_day else "by run number, because some runs have no day"
    slope = _slope(rank, Left.by_settings(ladder).rows(usual), comparisons)
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
    """Change of what the settings leave per doubling of the scale; None with too few runs, or scales too much alike.

    Parameters
    ----------
    scales : mapping of int to float
        Scale of each run that has one, by run number. [mol]
    comparisons : int
        How many ranges are looked at together, see ``drift_with_order``.

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
    slope = _slope(doublings, Left.by_settings(ladder).rows(has_scale), comparisons)
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


def _slope(x: FloatArray, left: Left, comparisons: int) -> _Slope:
    """Slope of a straight line beside the models with its 90 % range from Student's t, one of so many (Bonferroni)."""
    found = fit_beside(left, np.column_stack([np.ones(len(x)), x]))
    slope = float(found.coefficients[1])
    reach = float(stats.t.ppf(1.0 - 0.05 / comparisons, found.dof) * found.standard_errors[1])
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
    """Difference of each group of runs from the first in what the settings leave.

    Parameters
    ----------
    labels : sequence of str, length n_runs
        In the order of ``ladder.table``; empty text for not noted. Capitals do not count.
    comparisons : int or None
        How many ranges are looked at together, see ``drift_with_order``; where None, those of these groups.

    Notes
    -----
    A column for each group but the first beside the models, see ``fit_beside``; 90 % ranges from Student's t. Runs for which
    nothing is noted are a group of their own, so that they tell about the settings only; those of a group of one tell nothing.
    """
    if ladder.table.n_runs == 0:
        return []
    usual = ~ladder.table.failed
    alike = _spelt_alike(labels)
    marks = np.where(usual, np.asarray(alike, dtype=object), "")
    names = [name for name in dict.fromkeys(marks) if name and np.sum(marks == name) >= FEWEST_RUNS_PER_GROUP]
    order = sorted(names, key=lambda name: min(n for n, one in zip(ladder.table.numbers, alike, strict=True) if one == name))
    if len(order) < 2:
        return []
    has_scatter = len(order) >= FEWEST_GROUPS_FOR_SCATTER
    together = comparisons or len(order) - 1 + has_scatter
    # Runs of a group of one would be fitted exactly.
    members = usual & (np.isin(marks, order) | (marks == ""))
    left, marks = Left.by_settings(ladder).rows(members), marks[members].astype(str)
    others = [name for name in ("", *order[1:]) if name or np.any(marks == "")]
    beside = fit_beside(left, np.column_stack([np.ones(len(marks)), *(marks == name for name in others)]))
    student = float(stats.t.ppf(1.0 - 0.05 / together, beside.dof))
    found = []
    for name in order[1:]:
        column = 1 + others.index(name)
        a, b = (int(np.sum(marks == one)) for one in (order[0], name))
        change, reach = float(beside.coefficients[column]), student * float(beside.standard_errors[column])
        low, high = change - reach, change + reach
        ranges = f"{signed(change)} points (90 % range {signed(low)} to {signed(high)})"
        is_there = _leaves_out_zero(change, low, high)
        is_shown = is_there and abs(change) >= SMALL_DIFFERENCE
        first, other = by.one.format(order[0]), by.one.format(name)
        if is_there and not is_shown:
            sentence = f"There is a difference between {first} and {other}, but too small to matter: {ranges}."
        elif not is_shown and high - change > WIDEST_TOLD:
            sentence = f"Whether {first} and {other} differ cannot be told yet from {a} and {b} runs: {ranges}."
        elif not is_shown:
            sentence = f"No difference between {first} and {other} is shown: {ranges}."
        else:
            sentence = f"Yields change from {first} to {other} beyond what the settings explain: {ranges}."
        found.append(Trend(change, low, high, sentence, is_shown))
    if has_scatter:
        found.append(_scatter_between(left, marks, by, together))
    return found


def _spelt_alike(labels: Sequence[str]) -> list[str]:
    """Labels that differ in capitals only, as the first of them is spelt."""
    spelt = {label.casefold(): label for label in reversed(labels)}
    return [spelt[label.casefold()] for label in labels]


def levels(ladder: Ladder, labels: Sequence[str]) -> dict[str, float]:
    """How far the runs of each group lie off what the settings explain, against the average group. [percentage points]

    Parameters
    ----------
    labels : sequence of str, length n_runs
        As in ``differences``; answers are by the label in small letters, also of a group of one.
    """
    usual = ~ladder.table.failed
    marks = np.array([label.casefold() for label in labels])[usual]
    names = [str(name) for name in np.unique(marks)]
    if not any(names):
        return {}
    if len(names) == len(marks):
        return dict.fromkeys(filter(None, names), 0.0)  # a group for every run explains anything
    columns = np.column_stack([marks == name for name in names]).astype(float)
    found = fit_beside(Left.by_settings(ladder).rows(usual), columns).coefficients
    named = [k for k, name in enumerate(names) if name]
    return {names[k]: float(found[k] - found[named].mean()) for k in named}


def _scatter_between(left: Left, groups: np.ndarray, by: Grouping, comparisons: int) -> Trend:
    """Standard deviation between groups with its 90 % range, and within, in one sentence; '' marks runs of none.

    Notes
    -----
    The range is that of the variance ratio, (F/F_q − 1)/n₀ times the variance within as found;
    the ratio's range is exact for groups of equal size. Source: Davies & Goldsmith (1972), ch. 6 (from memory).
    """
    parts = _components(left, groups)
    over = f"Over {parts.n_groups} {by.many}, the standard deviation is {np.sqrt(parts.between):.1f} points between {by.many}"
    sd = float(np.sqrt(parts.between))
    if parts.within <= 1e-18 * max(float(left.off @ left.off), 1e-300):
        return Trend(sd, sd, sd, f"{over}; runs within {by.within} agree exactly.", sd >= SMALL_DIFFERENCE)
    tail = 0.05 / comparisons
    low, high = (
        float(np.sqrt(max(0.0, (parts.ratio / stats.f.ppf(q, parts.n_groups - 1, parts.dof) - 1.0) / parts.size * parts.within)))
        for q in (1.0 - tail, tail)
    )
    sentence = (
        f"{over} (90 % range {low:.1f} to {high:.1f}) and {np.sqrt(parts.within):.1f} points within {by.within}, "
        "settings allowed for."
    )
    return Trend(sd, low, high, sentence, low > 0.0 and sd >= SMALL_DIFFERENCE)


@dataclass(frozen=True)
class _Components:
    """Variances between and within groups [points²], their ratio of mean squares, and the size that groups count with. [-]"""

    between: float
    within: float
    ratio: float
    size: float
    dof: float
    n_groups: int


def _components(left: Left, groups: np.ndarray) -> _Components:
    """Variance components of what the settings leave, by analysis of variance; see ``variance_components``.

    Notes
    -----
    Mean squares are those of generalised least squares, with and without a column for every group. n₀ is tr(ZᵀPZ)/(k − 1)
    times the variance of the errors, with Z the columns of the groups and P as in ``Added`` of the fit without them (the
    fitting-constants method: Searle, Casella & McCulloch, Variance Components (1992), section 5.5, from memory).
    """
    names = [str(name) for name in np.unique(groups) if name]
    columns = np.column_stack([groups == name for name in names]).astype(float)
    apart = (groups == "").astype(float)[:, None] if np.any(groups == "") else np.empty((len(groups), 0))
    without = fit_beside(left, np.hstack([np.ones((len(groups), 1)), apart]))
    among = fit_beside(left, np.hstack([columns, apart]))
    n_groups = len(names)
    mean_square = max(without.squares - among.squares, 0.0) / (n_groups - 1)
    ratio = mean_square / max(among.scale, 1e-12)
    size = float(np.trace(columns.T @ without.precision @ columns)) / (n_groups - 1) * float(np.mean(np.diag(left.errors)))
    within = among.error_variance
    between = max((ratio - 1.0) * max(within, 1e-12) / size, 0.0)
    return _Components(between, within, ratio, size, among.dof, n_groups)


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
    found = _components(Left.independent(yields), groups.astype(str))
    return found.between, found.within
