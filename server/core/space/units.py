"""Conversion between the units in which times, temperatures, volumes, masses and amounts are typed.

Pint converts; it never parses what a person typed, because it reads
``2 h 30 min`` as a product. Only the units listed here exist for the app.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

TIME_UNITS: tuple[str, ...] = ("s", "min", "h", "d")
TEMPERATURE_UNITS: tuple[str, ...] = ("°C", "K", "°F")
VOLUME_UNITS: tuple[str, ...] = ("µL", "mL", "L")
MASS_UNITS: tuple[str, ...] = ("mg", "g", "kg")
CONCENTRATION_UNITS: tuple[str, ...] = ("mmol/L", "mol/L")
MOLE_RATIO_UNITS: tuple[str, ...] = ("mol/mol", "mol%")
# Units among which numbers can be converted.
FAMILIES = (TIME_UNITS, TEMPERATURE_UNITS, VOLUME_UNITS, MASS_UNITS, CONCENTRATION_UNITS, MOLE_RATIO_UNITS)

_PINT_NAMES = {
    "s": "second",
    "min": "minute",
    "h": "hour",
    "d": "day",
    "°C": "degC",
    "K": "kelvin",
    "°F": "degF",
    "µL": "microliter",
    "mL": "milliliter",
    "L": "liter",
    "mg": "milligram",
    "g": "gram",
    "kg": "kilogram",
    "mmol/L": "millimole / liter",
    "mol/L": "mole / liter",
    "mol/mol": "dimensionless",
    "mol%": "percent",
}


@lru_cache(maxsize=1)
def _registry() -> Any:
    # Imported here because pint takes half a second to load.
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@lru_cache(maxsize=64)
def affine(unit: str, target: str) -> tuple[float, float]:
    """Return (factor, offset) with value_in_target = factor * value + offset; KeyError as for ``convert``."""
    registry = _registry()
    source, goal = _PINT_NAMES[unit], _PINT_NAMES[target]
    at_zero = registry.Quantity(0.0, source).to(goal).magnitude
    at_one = registry.Quantity(1.0, source).to(goal).magnitude
    return float(at_one - at_zero), float(at_zero)


def convertible(unit: str, target: str) -> bool:
    """Whether numbers in one unit can be given in another."""
    return any(unit in family and target in family for family in FAMILIES)


def convert(value: float, unit: str, target: str) -> float:
    """Convert a number from one unit to another of its family.

    Parameters
    ----------
    value : float
        Number in ``unit``.
    unit, target : str
        Both from one of the ``FAMILIES``.

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
    factor, offset = affine(unit, target)
    found = factor * value + offset
    # 32 °F are 0 °C, not what rounding leaves of two numbers that cancel.
    return 0.0 if abs(found) < 1e-12 * abs(offset) else found


def duration_text(hours: float) -> str:
    """A time as people say it: to three digits below an hour, then to the minute.

    Examples
    --------
    >>> duration_text(1.4167), duration_text(0.3333), duration_text(2.0), duration_text(50.0), duration_text(0.05)
    ('1 h 25 min', '20 min', '2 h', '2 d 2 h', '3 min')
    """
    minutes = 60.0 * hours
    if minutes < 59.95:
        return f"{minutes:.3g} min"
    whole = round(minutes)
    days, rest = divmod(whole, 1440)
    parts = [(days, "d"), (rest // 60, "h"), (rest % 60, "min")]
    return " ".join(f"{n} {unit}" for n, unit in parts if n)


def plain(value: float, digits: int = 4) -> str:
    """A number to some digits, without powers of ten where people write none, the minus as a minus.

    Examples
    --------
    >>> plain(15000.0, 3), plain(0.05), plain(1e-05), plain(1234567.0), plain(-0.5)
    ('15000', '0.05', '0.00001', '1235000', '−0.5')
    """
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-7 <= abs(value) < 1e9:
        text = f"{float(text):.10f}".rstrip("0").rstrip(".")
    return text.replace("-", "−")
