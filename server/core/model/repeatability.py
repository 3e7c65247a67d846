"""Repeatability: the scatter of runs with the same settings."""

from __future__ import annotations

import numpy as np

from server.core.model.runs import RunTable
from server.core.space.variables import FloatArray
from server.errors import NotReadyError

# Levels of the scatter that every model is tried with, and what they weigh beforehand. [percentage points]
NOISE_LEVELS = (1.2, 2.2, 3.5, 6.0)
NOISE_WEIGHTS = (0.2, 0.45, 0.25, 0.1)
# The same where the chemist says what to expect, in parts of that; three times it because people expect too little. (Own
# judgement.)
TOLD_LEVELS = (0.6, 1.0, 1.6, 3.0)
TOLD_WEIGHTS = (0.2, 0.4, 0.2, 0.2)
# Repeats that scatter more than the highest level add their own, with this weight.
_OWN_LEVEL_WEIGHT = 0.1


class NotEnoughRepeatsError(NotReadyError):
    """No settings were run twice."""


def pooled_repeat_std(yields: FloatArray, groups: np.ndarray) -> tuple[float, int]:
    """Pool the scatter of repeated runs into one standard deviation.

    Parameters
    ----------
    yields : ndarray of shape (n_runs,)
        Yield of each run. [%]
    groups : ndarray of shape (n_runs,)
        Runs with equal labels had the same settings. [-]

    Returns
    -------
    std : float
        Standard deviation of a single run. [percentage points]
    degrees_of_freedom : int
        Number of runs minus number of groups. [-]

    Raises
    ------
    NotEnoughRepeatsError
        If no settings were run twice; carries how many runs there were.

    Notes
    -----
    s_p² = Σ (nᵢ − 1) sᵢ² / Σ (nᵢ − 1), assuming the same scatter in every group.
    Source: IUPAC Gold Book, "pooled standard deviation", doi:10.1351/goldbook.P04758.

    Examples
    --------
    >>> std, dof = pooled_repeat_std(np.array([60.0, 64.0, 70.0]), np.array([0, 0, 1]))
    >>> round(std, 2), dof
    (2.83, 1)
    """
    sum_of_squares, dof = 0.0, 0
    for label in np.unique(groups):
        members = yields[groups == label]
        sum_of_squares += float(np.sum((members - members.mean()) ** 2))
        dof += len(members) - 1
    if dof == 0:
        raise NotEnoughRepeatsError(
            f"None of the {len(yields)} runs repeats another one, so repeatability is not measured yet. Repeat one run.",
            have=len(yields),
            need=len(yields) + 1,
        )
    return float(np.sqrt(sum_of_squares / dof)), dof


def noise_levels(table: RunTable) -> list[tuple[float, float]]:
    """Scatter to be tried [percentage points] with its weight; what repeats show counts where it lies above the usual.

    Without it the ranges of forecasts would be too narrow for someone whose repeats differ by 10 or 15 points. What the
    chemist expects comes instead of the usual levels.
    """
    levels = _usual_levels(table)
    own = unusual_noise(table)
    if own is None:
        return levels
    return [*((level, (1.0 - _OWN_LEVEL_WEIGHT) * w) for level, w in levels), (own, _OWN_LEVEL_WEIGHT)]


def _usual_levels(table: RunTable) -> list[tuple[float, float]]:
    if table.scatter is None:
        return list(zip(NOISE_LEVELS, NOISE_WEIGHTS, strict=True))
    return [(part * table.scatter, w) for part, w in zip(TOLD_LEVELS, TOLD_WEIGHTS, strict=True)]


def unusual_noise(table: RunTable) -> float | None:
    """Scatter of repeats where it lies above all usual levels, else None. [percentage points]"""
    usual = table.telling_scatter()
    try:
        std, _ = pooled_repeat_std(usual.yields, usual.groups())
    except NotEnoughRepeatsError:
        return None
    return std if std > _usual_levels(table)[-1][0] else None
