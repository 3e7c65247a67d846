"""Settings as numbers for the models: one coded column per variable.

Numeric settings are mapped so that equal steps mean equal chemistry as far as
the role tells (logarithm of a hold time, reciprocal absolute temperature,
logarithm of a ratio, square root of a count) and then scaled to 0..1 over the
variable's range, widened to the runs that lie outside it. Units therefore drop out. Choices are level numbers 0, 1, 2 ….
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from server.core.space.units import convert
from server.core.space.variables import FloatArray, Role, Settings, Variable

_LOG_ROLES = (Role.HOLD_TIME, Role.RATIO, Role.LOADING, Role.CONCENTRATION)

# A logarithm over more than this ratio of high to low would spend most of the
# coded axis on the lowest few per cent of the range; an offset caps the ratio.
LARGEST_LOG_RATIO = 50.0


def _log_offset(variable: Variable) -> float:
    """Return the smallest c ≥ 0 with (high + c)/(low + c) ≤ LARGEST_LOG_RATIO. [unit]"""
    needed = (variable.coded_high - LARGEST_LOG_RATIO * variable.coded_low) / (LARGEST_LOG_RATIO - 1.0)
    return max(needed, 0.0)


def physical_scale(variable: Variable, values: FloatArray) -> FloatArray:
    """Map values in the variable's unit to the scale on which its role acts evenly.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Settings. [unit of the variable]

    Returns
    -------
    scaled : ndarray of shape (n,)
        ln(value + c) for logarithmic roles, −1000 K/T for temperatures,
        √value for counts, the value itself otherwise.
    """
    if variable.role in _LOG_ROLES:
        # As-run values may lie below the range; the floor keeps the logarithm finite.
        floor = 1e-3 * variable.span
        return np.asarray(np.log(np.maximum(values + _log_offset(variable), floor)))
    if variable.role is Role.TEMPERATURE:
        kelvin = np.array([convert(float(v), variable.unit, "K") for v in values])
        return np.asarray(-1000.0 / np.maximum(kelvin, 1.0))
    if variable.role is Role.COUNT:
        return np.sqrt(np.maximum(values, 0.0))
    return np.asarray(values, dtype=float)


def coded_ends(variable: Variable) -> FloatArray:
    """Both ends of the coordinates on the physical scale, shape (2,)."""
    return physical_scale(variable, np.array([variable.coded_low, variable.coded_high]))


def code_values(variable: Variable, values: FloatArray) -> FloatArray:
    """Code numeric settings to 0..1 over the range, or over all that runs have seen where that is more (beyond: < 0 or > 1).

    ``values`` are in the variable's own unit; the answer has their shape.

    Raises
    ------
    ValueError
        If a value is not finite.
    """
    if not np.all(np.isfinite(values)):
        raise ValueError(f"{variable.name}: settings must be finite numbers")
    ends = coded_ends(variable)
    coded = (physical_scale(variable, values) - ends[0]) / (ends[1] - ends[0])
    # Rounded so that °C and K, or h and min, give bit-identical coordinates.
    return np.asarray(np.round(coded, 9) + 0.0)


def encode(variables: Sequence[Variable], rows: Sequence[Settings]) -> FloatArray:
    """Code whole settings.

    Parameters
    ----------
    variables : sequence of length n_variables
    rows : sequence of length n_rows
        Each row holds a setting for every variable's key.

    Returns
    -------
    coded : ndarray of shape (n_rows, n_variables)
        0..1 over the range for numbers, level number for choices.

    Raises
    ------
    KeyError, ValueError
        If a setting is missing, not finite, or not one of the choices.
    """
    coded = np.empty((len(rows), len(variables)))
    for column, variable in enumerate(variables):
        if variable.is_choice:
            coded[:, column] = [variable.choices.index(str(row[variable.key])) for row in rows]
        else:
            values = np.array([float(row[variable.key]) for row in rows])
            coded[:, column] = code_values(variable, values)
    return coded
