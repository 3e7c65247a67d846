"""The chance that another setting gains something, allowing for models that are too hopeful."""

from __future__ import annotations

import numpy as np

from server.core.model.mixture import Mixture, expected_improvement
from server.core.space.variables import FloatArray

# The models' ranges reach as far up as down, but yields fall more easily than they rise, and whoever looks for the largest
# gain finds where models are too hopeful: what lies above their mean counts as this many times too far away from it.
# From simulated preparations (``tests.bench.chances``): with it, chances come true about as often as they say, at gains of
# 0.5 to 4 points and for one run as for five, or somewhat less often; without it, half as often and less.
UPSIDE_TOO_WIDE = 1.5


def gain_threshold(change: Mixture, gain: float) -> FloatArray:
    """What the models' draw of a change has to exceed for the gain to count as reached, shape (n_points,). [points]"""
    mean = change.mean
    return np.asarray(np.where(gain > mean, mean + UPSIDE_TOO_WIDE * (gain - mean), gain))


def chance_of_gain(change: Mixture, gain: float) -> FloatArray:
    """Probability of the gain at each point, shape (n_points,)."""
    return change.probability_above(gain_threshold(change, gain))


def expected_gain(change: Mixture) -> FloatArray:
    """Expected improvement at each point, averaged over the models, shape (n_points,). [percentage points]

    It counts how much is gained where the run turns out better, and nothing where it does not.
    Source: Jones, Schonlau & Welch (1998), Journal of Global Optimization 13, 455-492.
    """
    return np.asarray(change.weights @ expected_improvement(change.means, change.variances))


def percent_words(probability: float) -> str:
    """A probability in words that do not promise more digits than it has.

    Examples
    --------
    >>> percent_words(0.004), percent_words(0.237), percent_words(0.999)
    ('less than 1 %', '24 %', 'more than 99 %')
    """
    if probability < 0.01:
        return "less than 1 %"
    if probability > 0.99:
        return "more than 99 %"
    return f"{100 * probability:.0f} %"
