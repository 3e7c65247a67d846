"""Forecast record: the proposals' forecasts against what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

# Fewer outcomes say nothing about how often ranges hold.
FEWEST_OUTCOMES = 4


@dataclass(frozen=True)
class Outcome:
    """A forecast that was made before the run, and the yield that came. [%]"""

    run_number: int
    purpose: str
    mean: float
    low_50: float
    high_50: float
    low_90: float
    high_90: float
    observed: float

    @property
    def _within_0_and_100(self) -> float:
        # Forecasts are of results cut there, so results are compared as if they were.
        return min(max(self.observed, 0.0), 100.0)

    @property
    def error(self) -> float:
        """Result minus forecast; what lies above 100 % is no product. [percentage points]"""
        return self._within_0_and_100 - self.mean

    @property
    def in_50(self) -> bool:
        return self.low_50 <= self._within_0_and_100 <= self.high_50

    @property
    def is_cut(self) -> bool:
        """Whether its 50 % range ends at 0 or 100 %, so that it holds more often than half of the time."""
        return self.low_50 <= 0.0 or self.high_50 >= 100.0

    @property
    def in_90(self) -> bool:
        return self.low_90 <= self._within_0_and_100 <= self.high_90


# Counts that are rarer than this by chance are told. (Own convention.)
RARE_MISSES = 0.05
RARE_SIDE = 0.02


@dataclass(frozen=True)
class Record:
    """How the forecasts did: counts inside the ranges, mean error [points], and a sentence."""

    outcomes: tuple[Outcome, ...]
    held_50: int
    held_90: int
    mean_error: float
    mean_absolute_error: float
    sentence: str


def forecast_record(outcomes: Sequence[Outcome]) -> Record | None:
    """Judge the forecasts; None without outcomes.

    Notes
    -----
    Whether the ranges hold too seldom, or the 50 % ranges too often, is judged by the exact
    binomial probability of such a count or a more extreme one (Clopper & Pearson, Biometrika 26 (1934) 404).
    Ranges that were cut at 0 or 100 % hold more often, so they say nothing about holding too often.
    The mean error is told where it lies outside its 98 % range from Student's t. The limits are strict because the
    record is looked at after every run.
    """
    if not outcomes:
        return None
    held_50, held_90 = sum(o.in_50 for o in outcomes), sum(o.in_90 for o in outcomes)
    errors = np.array([o.error for o in outcomes])
    return Record(
        tuple(outcomes),
        held_50,
        held_90,
        float(errors.mean()),
        float(np.abs(errors).mean()),
        _sentence(outcomes, held_50, held_90, errors),
    )


def _sentence(outcomes: Sequence[Outcome], held_50: int, held_90: int, errors: np.ndarray) -> str:
    n = len(outcomes)
    counts = f"The 90 % range held {held_90} of {n} times, the 50 % range {held_50} of {n} times"
    if n < FEWEST_OUTCOMES:
        return f"{counts}; from {FEWEST_OUTCOMES} forecasts on, this begins to say something."
    side = ""
    reach = float(stats.t.ppf(1.0 - 0.5 * RARE_SIDE, n - 1)) * float(errors.std(ddof=1)) / np.sqrt(n)
    if abs(float(errors.mean())) > max(reach, 1.0):
        way = "above" if errors.mean() > 0 else "below"
        side = f" Results came out {abs(float(errors.mean())):.1f} points {way} the forecasts on average."
    if float(stats.binom.cdf(held_90, n, 0.9)) < RARE_MISSES:
        return f"{counts}: too seldom, so take the ranges as too narrow for this preparation.{side}"
    if float(stats.binom.cdf(held_50, n, 0.5)) < RARE_SIDE:
        return f"{counts}: the 50 % range too seldom, so results lie farther from the middle than forecast.{side}"
    whole = [o.in_50 for o in outcomes if not o.is_cut]
    if whole and float(stats.binom.sf(sum(whole) - 1, len(whole), 0.5)) < RARE_SIDE:
        return f"{counts}: the 50 % range more often than promised, so the ranges are wider than need be.{side}"
    return f"{counts}, which does not contradict what such ranges promise.{side}"
