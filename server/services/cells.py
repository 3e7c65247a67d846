"""What a cell of a notebook's table says: numbers with units, ranges, days, outcomes.

What could be meant in two ways is sent back with a sentence, never guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from server.services.numbers import NumberTextError, read_number

# How units are written (common practice, no source); the key is what the app calls them.
_UNIT_WORDS = {
    "s": ("s", "sec", "second", "seconds"),
    "min": ("min", "mins", "min.", "minute", "minutes"),
    "h": ("h", "hr", "hrs", "hour", "hours"),
    "d": ("d", "day", "days"),
    "°C": ("°c", "c", "degc", "deg c", "℃", "º c", "ºc", "° c"),
    "K": ("k", "kelvin"),
    "°F": ("°f", "f", "degf", "deg f"),
    "g": ("g", "gram", "grams"),
    "mg": ("mg",),
    "kg": ("kg",),
    "mol": ("mol",),
    "mmol": ("mmol",),
    "%": ("%", "percent", "pct", "% w/w", "wt%", "wt.%"),
}
_UNIT_OF_WORD = {word: unit for unit, words in _UNIT_WORDS.items() for word in words}
RATIO_WORDS = ("eq", "eq.", "equiv", "equiv.", "equivalents")
OUTCOME_WORDS = {
    "yield": ("yield", "gave a yield", "ok", "finished", "success"),
    "failure": ("failure", "failed", "fail", "no product", "nothing", "none"),
    "no_information": ("no information", "no_information", "lost", "spilled", "spilt", "broke", "broken", "n/a", "na", "aborted"),
}
_VALUE = re.compile(r"([+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?)\s*(.*)")
_RANGE = re.compile(r"(\d[\d.,]*)\s*(?:-|–|—|to)\s*(\d[\d.,]*)\s*(\D*)")
_ABOUT = re.compile(r"^(?:ca\.?|approx\.?|about|~|≈)\s*", re.IGNORECASE)
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)")
_ISO_DAY = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})(?:[T ].*)?")
_DOTTED_DAY = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4}|\d{2})")
_STROKED_DAY = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4}|\d{2})")


@dataclass(frozen=True)
class Amount:
    """A number as written; ``is_range`` where it is the middle of two."""

    value: float
    unit: str = ""
    is_range: bool = False


def read_unit(text: str) -> str:
    """The app's name of a unit; unchanged where it is none of the usual ones.

    Examples
    --------
    >>> read_unit("hrs"), read_unit("degC"), read_unit("mL")
    ('h', '°C', 'mL')
    """
    text = text.strip()
    return _UNIT_OF_WORD.get(text.casefold(), text)


def is_unit(text: str) -> bool:
    """Whether a word is one of the usual units."""
    return text.strip().casefold() in _UNIT_OF_WORD


def read_amount(cell: str) -> Amount:
    """Read a number with the unit behind it, if there is one. A decimal comma is meant here; 'ca.' and '~' are passed over.

    Raises
    ------
    NumberTextError

    Examples
    --------
    >>> read_amount("~ 90 min"), read_amount("78–80 °C").value, read_amount("0,85").value
    (Amount(value=90.0, unit='min', is_range=False), 79.0, 0.85)
    """
    text = _ABOUT.sub("", cell.replace("−", "-").replace("\N{NO-BREAK SPACE}", " ").strip())
    if found := _RANGE.fullmatch(text):
        return Amount(tidy((_number(found[1]) + _number(found[2])) / 2), read_unit(found[3]), is_range=True)
    found = _VALUE.fullmatch(text)
    if found is None:
        raise NumberTextError(f"“{cell[:40]}” is not a number.")
    return Amount(_number(found[1]), read_unit(found[2]))


def read_hours(cell: str) -> float | None:
    """Read hours and minutes, 1:30; None for anything else. [h]"""
    found = _CLOCK.fullmatch(cell.strip())
    return int(found[1]) + int(found[2]) / 60 if found else None


def read_outcome(cell: str) -> str | None:
    """The outcome that a word says; None for any other word."""
    word = cell.casefold().strip(" .!")
    return next((outcome for outcome, words in OUTCOME_WORDS.items() if word in words), None)


def has_strokes(cell: str) -> bool:
    """Whether a day is written such that day or month may stand first."""
    return _STROKED_DAY.fullmatch(cell) is not None


def read_day(cell: str, order: str) -> str:
    """Read a day as year-month-day. 14.3.2025 has the day first (common practice, no source).

    Parameters
    ----------
    order : str
        'day_first', 'month_first' or '' (not known) for days such as 3/4/2025.

    Raises
    ------
    NumberTextError

    Examples
    --------
    >>> read_day("14.3.25", ""), read_day("3/4/2025", "month_first"), read_day("2025-03-04 10:30", "")
    ('2025-03-14', '2025-03-04', '2025-03-04')
    """
    if found := _ISO_DAY.fullmatch(cell):
        year, month, day = (int(g) for g in found.groups())
    elif found := _DOTTED_DAY.fullmatch(cell):
        day, month, year = (int(g) for g in found.groups())
    elif found := _STROKED_DAY.fullmatch(cell):
        first, second, year = (int(g) for g in found.groups())
        if not order and first <= 12 and second <= 12 and first != second:
            raise NumberTextError(f"“{cell}” may have the day or the month first. Say below which.")
        day_first = order == "day_first" if order else first > 12 or first == second
        day, month = (first, second) if day_first else (second, first)
    else:
        raise NumberTextError(f"“{cell[:40]}” is not a day. Write it as 2026-03-31.")
    try:
        return date(year + 2000 if year < 100 else year, month, day).isoformat()
    except ValueError as error:
        raise NumberTextError(f"“{cell}” is no day of the calendar.") from error


def _number(text: str) -> float:
    """A number of a table, where a decimal comma is meant; of several separators nothing is guessed."""
    return read_number(text.replace(",", ".") if re.fullmatch(r"[+-]?\d+,\d+", text) else text)


def tidy(value: float) -> float:
    """Without the dust of a conversion."""
    return float(f"{value:.10g}")
