"""Pooled repeatability."""

import numpy as np
import pytest

from server.core.model.repeatability import NotEnoughRepeatsError, pooled_repeat_std
from tests.reference import reference


def test_pooled_variance_of_the_pilot_plant() -> None:
    # Box, Hunter & Hunter (1978), p. 319: eight pairs, pooled variance 8.0 with 8 degrees of freedom.
    file = reference("A09")
    pairs = np.array(file["data"]["duplicates"], dtype=float)
    std, dof = pooled_repeat_std(pairs.ravel(), np.repeat(np.arange(8), 2))
    assert std**2 == pytest.approx(file["published"]["pooled_variance"])
    assert dof == file["published"]["df"]


def test_no_repeats_says_so() -> None:
    with pytest.raises(NotEnoughRepeatsError, match="None of the 3 runs repeats another"):
        pooled_repeat_std(np.array([1.0, 2.0, 3.0]), np.array([0, 1, 2]))
