"""Repeatability: the scatter of runs with the same settings."""

from __future__ import annotations

import numpy as np

from server.core.space.variables import FloatArray
from server.errors import NotReadyError


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
