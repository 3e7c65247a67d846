"""What a time course says about the hold time, as evidence for the response models.

A run gives one yield at one hold time. If its readings follow the product over time,
the same run also tells what a shorter hold would have given: the yield in proportion
to the curve. These are no runs; they go into the conditioning of the models only, with
a generous uncertainty, and leave weights, repeatability and counts of runs alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from server.core.course.fitting import CourseFit
from server.core.course.shapes import TO_A_PLATEAU, Shape
from server.core.space.variables import FloatArray

# Hold times told about, as fractions of the hold that was run.
FRACTIONS = (0.3, 0.55, 0.8)
# The proportion of yield to curve is doubted by this share of the change in yield (own judgement).
DOUBT = 0.2
# And by this much in any case. [percentage points]
LEAST_SD = 1.0
# The hold may end a little after the last reading, as a fraction of its time.
_BEYOND = 1.2


@dataclass(frozen=True)
class HoldEvidence:
    """A yield that another hold would have given. [h, %, percentage points]"""

    hold_h: float
    percent: float
    sd: float


def evidence_about_hold(fit: CourseFit, hold_h: float, percent: float) -> list[HoldEvidence]:
    """Yields at shorter holds that the readings of one run imply.

    Parameters
    ----------
    fit : CourseFit
        Of readings in proportion to the product, or of starting material that is used up (a curve with a
        free start).
    hold_h : float
        Hold of this run. [h]
    percent : float
        Its yield. [%]

    Returns
    -------
    evidence : list of HoldEvidence
        Empty where the readings stop long before the end of the hold, or nothing has been made
        or used up there.
    """
    last = float(fit.hours.max())
    if not 0.0 < hold_h <= _BEYOND * last:
        return []
    is_used_up = fit.form.has_start
    if is_used_up and fit.form.shape not in TO_A_PLATEAU:
        return []
    made = (float(fit.at(np.array([hold_h]))[0]) - fit.parameters["start"]) * (-1.0 if is_used_up else 1.0)
    if made <= 0.05 * float(np.max(np.abs(fit.values))):
        return []
    found = []
    for fraction in FRACTIONS:
        hours = fraction * hold_h

        def ratio(p: dict[str, FloatArray], hours: float = hours) -> FloatArray:
            bottom = fit.at_one(p, hold_h) - p["start"]
            return (fit.at_one(p, hours) - p["start"]) / np.where(np.abs(bottom) < 1e-12, 1e-12, bottom)

        r = fit.range_of(ratio)
        low, high = r.value if r.low is None else r.low, r.value if r.high is None else r.high
        implied = percent * r.value
        if not 0.0 <= implied <= 110.0:
            continue
        # A 90 % range of a normal variable is 3.29 standard deviations wide.
        sd = math.hypot(percent * (high - low) / 3.29, DOUBT * (percent - implied), LEAST_SD)
        found.append(HoldEvidence(hours, min(implied, 100.0), sd))
    return found


def tells_about_product(shape: Shape) -> bool:
    """Whether a curve of this shape can stand for the product: a straight line without an end cannot be told from drift."""
    return shape in (*TO_A_PLATEAU, Shape.RISE_AND_DECAY)
