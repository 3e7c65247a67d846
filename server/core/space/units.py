"""Conversion between the units in which times and temperatures are typed.

Pint converts; it never parses what a person typed, because it reads
``2 h 30 min`` as a product. Only the units listed here exist for the app.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

TIME_UNITS: tuple[str, ...] = ("s", "min", "h", "d")
TEMPERATURE_UNITS: tuple[str, ...] = ("°C", "K", "°F")

_PINT_NAMES = {
    "s": "second",
    "min": "minute",
    "h": "hour",
    "d": "day",
    "°C": "degC",
    "K": "kelvin",
    "°F": "degF",
}


@lru_cache(maxsize=1)
def _registry() -> Any:
    # Imported here because pint takes half a second to load.
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@lru_cache(maxsize=64)
def _affine(unit: str, target: str) -> tuple[float, float]:
    """Return (factor, offset) with value_in_target = factor * value + offset."""
    registry = _registry()
    source, goal = _PINT_NAMES[unit], _PINT_NAMES[target]
    at_zero = registry.Quantity(0.0, source).to(goal).magnitude
    at_one = registry.Quantity(1.0, source).to(goal).magnitude
    return float(at_one - at_zero), float(at_zero)


def convert(value: float, unit: str, target: str) -> float:
    """Convert a time or a temperature.

    Parameters
    ----------
    value : float
        Number in ``unit``.
    unit, target : str
        Both from ``TIME_UNITS`` or both from ``TEMPERATURE_UNITS``.

    Raises
    ------
    KeyError
        If a unit is not one of the listed ones.

    Examples
    --------
    >>> round(convert(100.0, "°C", "K"), 2), convert(90.0, "min", "h")
    (373.15, 1.5)
    """
    if unit == target:
        return value
    factor, offset = _affine(unit, target)
    return factor * value + offset
