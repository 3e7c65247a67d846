"""What a cell of a notebook's table says: numbers with units, ranges, days, outcomes.

What could be meant in two ways is sent back with a sentence, never guessed.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from datetime import date

from server.services.numbers import NumberTextError, read_number

# How units are written (common practice, no source); the key is what the app calls them.
_UNIT_WORDS = {
    "s": ("s", "sec", "second", "seconds", "sek", "sekunden"),
    "min": ("min", "mins", "min.", "minute", "minutes", "minuten"),
    "h": ("h", "hr", "hrs", "hour", "hours", "std", "stunden"),
    "d": ("d", "day", "days", "tage"),
    "°C": (
        *("°c", "c", "degc", "deg c", "oc", "℃", "º c", "ºc", "° c"),
        *("celsius", "deg celsius", "degrees c", "degrees celsius", "grad", "grad c", "grad celsius"),
    ),
    "K": ("k", "kelvin"),
    "°F": ("°f", "f", "degf", "deg f", "° f", "℉", "fahrenheit", "degrees f", "degrees fahrenheit"),
    "g": ("g", "gram", "grams"),
    "mg": ("mg",),
    "kg": ("kg",),
    # Small letters make the micro sign a mu.
    "µL": ("μl", "ul", "microliter", "microliters", "microlitre", "microlitres"),
    "mL": ("ml", "milliliter", "milliliters", "millilitre", "millilitres"),
    "mol": ("mol",),
    "mmol": ("mmol",),
    "%": ("%", "percent", "pct", "% w/w", "wt%", "wt.%"),
    "mol%": ("mol%", "mol %", "mol-%", "mol.%", "mol.-%"),
    "rpm": ("rpm", "r.p.m.", "u/min", "upm", "1/min", "min-1", "min⁻¹"),
}
_UNIT_OF_WORD = {word: unit for unit, words in _UNIT_WORDS.items() for word in words}
RATIO_WORDS = ("eq", "eq.", "equiv", "equiv.", "equivalents")
OUTCOME_WORDS = {
    "yield": ("yield", "gave a yield", "ok", "finished", "success"),
    "failure": (
        *("failure", "failed", "fail", "no product", "nothing", "none", "trace", "traces"),
        *("fehlgeschlagen", "misslungen", "kein produkt", "nichts", "spur", "spuren"),
    ),
    "no_information": (
        *("no information", "no_information", "lost", "spilled", "spilt", "broke", "broken", "n/a", "na", "aborted"),
        *("keine angabe", "verloren", "verschüttet", "abgebrochen", "zerbrochen"),
    ),
}
_VALUE = re.compile(r"([+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?)\s*(.*)")
_RANGE = re.compile(r"([+-]?\d[\d.,]*)\s*(?:-|–|—|to|bis)\s*([+-]?\d[\d.,]*)\s*(\D*)")
_ABOUT = re.compile(r"^(?:ca\.?|approx\.?|about|~|≈)\s*", re.IGNORECASE)
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)")
_CLOCK_IN_HOURS = re.compile(r"(\d{1,3}):([0-5]\d)\s*(?:h|hrs?|hours?|std\.?|stunden)", re.IGNORECASE)
_FRACTION = re.compile(r"(\d*)\s?([¼½¾⅓⅔⅕⅛])")
_WITH_SECONDS = re.compile(r"(\d{1,3}):([0-5]\d):([0-5]\d)")
_HOURS_AND_MINUTES = re.compile(r"(\d{1,3})\s*h(?:rs?|ours?)?\s*([0-5]?\d)\s*(?:min|m)?")
_TIME = r"(?:[T ,]+\d{1,2}:\d\d.*)?"
_ISO_DAY = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})" + _TIME)
_DOTTED_DAY = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4}|\d{2})" + _TIME)
# With hyphens only a long year tells itself from the day.
_STROKED_DAY = re.compile(r"(\d{1,2})(?:/(\d{1,2})/(\d{4}|\d{2})|-(\d{1,2})-(\d{4}))" + _TIME)
_NAMED_DAY = re.compile(
    r"(?:(\d{1,2})(?:st|nd|rd|th)?[. -]*([a-zä]{3,9})|([a-zä]{3,9})[. -]*(\d{1,2})(?:st|nd|rd|th)?)[., -]+(\d{4}|\d{2})" + _TIME,
    re.IGNORECASE,
)
# Days whose year the cell leaves out: 14.3., 3/4, 12 Mar, March 12.
_NO_YEAR = re.compile(
    r"(\d{1,2})\.\s?(\d{1,2})\.?|(\d{1,2})/(\d{1,2})"
    r"|(\d{1,2})(?:st|nd|rd|th)?[. -]*([a-zä]{3,9})\.?|([a-zä]{3,9})[. -]*(\d{1,2})(?:st|nd|rd|th)?",
    re.IGNORECASE,
)
_WEEKDAY = re.compile(
    r"(?:(?:mon|tue|wed|thu|fri|sat|sun|die|mit|don|fre|sam|son)[a-z]{0,7}|mo|di|mi|do|fr|sa|so)[., ]+", re.IGNORECASE
)
_TIME_OF_DAY = re.compile(r"[T ,]+\d{1,2}:\d\d.*$")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH_OF = {name: k + 1 for k, name in enumerate(_MONTHS)} | {"mär": 3, "mrz": 3, "mai": 5, "okt": 10, "dez": 12}
# What stands for 'nothing was noted' (common practice, no source).
_BLANKS = ("-", "–", "—", "n.d.", "nd", "n.b.", "nb", "?", "/")
# Beside an outcome these say that nothing is known of it; anywhere else they stand for nothing.
_NOT_AVAILABLE = ("n/a", "na", "n.a.", "k.a.")
# No number with its unit, and no day with its time, is longer. [characters]
LONGEST_VALUE = 60
# Longer cells are remarks about something else. [characters]
_LONGEST_SUMMARY = 20
_SUMMARY = re.compile(
    r"(?:mean|average|avg|median|total|sum|standard (?:deviation|error)|std\.? ?(?:dev|abw)|s\.?d|rsd|stdev|stabw"
    r"|mittel(?:wert|w)?|durchschnitt|standardabweichung|summe|gesamt|spannweite)\b.*|[ø⌀∅σ].*",
    re.IGNORECASE,
)
# These may be names as well.
_PERHAPS_SUMMARY = re.compile(r"(?:n|s|max|maximum|min|minimum|best|count|anzahl|range)[.:= ]*", re.IGNORECASE)


@dataclass(frozen=True)
class Amount:
    """A number as written.

    ``is_range`` where it is the middle of two; ``may_group`` where the comma may group thousands (7,250).
    """

    value: float
    unit: str = ""
    is_range: bool = False
    may_group: bool = False


def is_blank(cell: str) -> bool:
    """Whether a cell says that nothing was noted."""
    return not cell or cell.casefold() in _BLANKS


def is_not_available(cell: str) -> bool:
    """Whether a cell that tells no outcome says that nothing was noted: n/a."""
    return is_blank(cell) or cell.casefold() in _NOT_AVAILABLE


def is_summary(cell: str) -> bool:
    """Whether a cell may mark a row of means or totals."""
    return len(cell) <= _LONGEST_SUMMARY and _SUMMARY.fullmatch(cell.strip()) is not None


def is_perhaps_summary(cell: str) -> bool:
    """Whether a cell may mark a row of such figures where no run is set otherwise: n, max."""
    return _PERHAPS_SUMMARY.fullmatch(cell.strip()) is not None


def read_unit(text: str) -> str:
    """The app's name of a unit; unchanged where it is none of the usual ones.

    Examples
    --------
    >>> read_unit("hrs"), read_unit("degC"), read_unit("mL")
    ('h', '°C', 'mL')
    """
    text = text.strip()
    return _UNIT_OF_WORD.get(text.casefold(), text)


def bare_unit(unit: str) -> str:
    """A unit for comparison: 'mol-%', 'Mol %' and 'mol%' are one, and so are the words for equivalents.

    Examples
    --------
    >>> bare_unit("Mol-%"), bare_unit("equiv."), bare_unit("mL")
    ('mol%', 'eq', 'ml')
    """
    bare = re.sub(r"[\s.\-]", "", unit.casefold())
    return "eq" if bare in {word.strip(".") for word in RATIO_WORDS} else bare


def bare_units(unit: str) -> set[str]:
    """A unit for comparison, as it is written and as the app reads it: 'wt%' is '%' too.

    Examples
    --------
    >>> sorted(bare_units("wt%")), bare_units("mL")
    (['%', 'wt%'], {'ml'})
    """
    return {bare_unit(unit), bare_unit(read_unit(unit))}


def unit_behind(cell: str) -> str:
    """One of the usual units behind the number of a cell; empty without, or where the cell is no number."""
    try:
        unit = read_amount(cell).unit
    except NumberTextError:
        return ""
    return unit if is_unit(unit) else ""


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
    >>> read_amount("~ 90 min").unit, read_amount("78–80 °C").value, read_amount("0,85").value
    ('min', 79.0, 0.85)
    """
    _check_length(cell)
    text = _ABOUT.sub("", cell.replace("−", "-").replace("\N{NO-BREAK SPACE}", " ").strip())
    # 2½ h is 2.5 h.
    text = _FRACTION.sub(lambda m: f"{int(m[1] or 0) + unicodedata.numeric(m[2]):.10g}", text)
    may_group = re.search(r"(?<![\d,.])[1-9]\d{0,2},\d{3}(?![\d,.])", text) is not None
    if found := _RANGE.fullmatch(text):
        low, high = _number(found[1]), _number(found[2])
        if low >= high:
            raise NumberTextError(f"“{cell[:40]}” is not a range that rises. Write one value.")
        middle = tidy((low + high) / 2)
        return Amount(middle, read_unit(found[3]), is_range=True, may_group=may_group)
    found = _VALUE.fullmatch(text)
    if found is None:
        raise NumberTextError(f"“{cell[:40]}” is not a number. Write one value, with its unit if you like.")
    # A degree sign alone leaves the scale to the column; 3 x is a count.
    unit = found[2].strip()
    if unit[:1].isdigit():
        raise NumberTextError(f"“{cell[:40]}” has a blank inside the number. Write it without.")
    if unit.startswith(("±", "+/-", "+-")):
        raise NumberTextError(f"“{cell[:40]}” is a value with its uncertainty. Put that into a column of its own.")
    unit = re.sub(r"\s*\((?:w/w|v/v|w/v|m/m)\)$", "", unit)
    if re.search(r"[()?!;:]", unit):
        raise NumberTextError(f"“{cell[:40]}” has “{unit[:30]}” behind the number, which is no unit. Put remarks into the notes.")
    if unit.casefold() in ("x", "×"):
        unit = ""
    if unit in ("'", "′", "’"):
        unit = "min"
    return Amount(_number(found[1]), "" if unit in ("°", "º") else read_unit(unit), may_group=may_group)


def read_hours(cell: str) -> float | None:
    """Read hours and minutes, 1 h 30 min, 1h30 or 1:30 h, or with seconds 1:30:00; None for anything else. [h]"""
    if found := _HOURS_AND_MINUTES.fullmatch(cell.strip()):
        return int(found[1]) + int(found[2]) / 60
    if found := _CLOCK_IN_HOURS.fullmatch(cell.strip()):
        return int(found[1]) + int(found[2]) / 60
    if found := _WITH_SECONDS.fullmatch(cell.strip()):
        return int(found[1]) + int(found[2]) / 60 + int(found[3]) / 3600
    return None


def read_clock(cell: str) -> float | None:
    """Read 1:30 as hours and minutes; None for anything else. [h]"""
    found = _CLOCK.fullmatch(cell.strip())
    return int(found[1]) + int(found[2]) / 60 if found else None


def read_outcome(cell: str) -> str | None:
    """The outcome that a word says; None for any other word."""
    word = cell.casefold().strip(" .!")
    return next((outcome for outcome, words in OUTCOME_WORDS.items() if word in words), None)


def _without_weekday(cell: str) -> str:
    found = _WEEKDAY.match(cell)
    return cell[found.end() :] if found else cell


def _check_length(cell: str) -> None:
    """What is longer than any number or day is read no further: it would take ever longer to look at. Raises NumberTextError."""
    if len(cell) > LONGEST_VALUE or "\n" in cell:
        raise NumberTextError(f"“{' '.join(cell[:40].split())}…” is too long for one value. Put remarks into the notes.")


def lacks_year(cell: str) -> bool:
    """Whether a cell is a day of a year that it does not name."""
    if len(cell) > LONGEST_VALUE:
        return False
    found = _NO_YEAR.fullmatch(_TIME_OF_DAY.sub("", _without_weekday(cell)))
    month = (found[6] or found[7]) if found else None
    return found is not None and (month is None or month[:3].casefold() in _MONTH_OF)


def _with_year(cell: str, year: int) -> str:
    """The same day with its year behind it, as ``read_day`` and ``stroke_order`` know it."""
    bare = _TIME_OF_DAY.sub("", _without_weekday(cell))
    return f"{bare}/{year}" if "/" in bare else f"{bare.rstrip('.')}.{year}"


def stroke_order(cell: str) -> str | None:
    """What a day with strokes says of its order: 'day_first', 'month_first', '' (nothing); None where it does not matter."""
    if len(cell) > LONGEST_VALUE:
        return None
    found = _STROKED_DAY.fullmatch(_with_year(cell, 2000) if lacks_year(cell) else _without_weekday(cell))
    if found is None:
        return None
    first, second = int(found[1]), int(found[2] or found[4])
    if first == second:
        return None
    return "day_first" if first > 12 else "month_first" if second > 12 else ""


def is_day(cell: str) -> bool:
    """Whether a cell names a day with its year, in whatever order."""
    if len(cell) > LONGEST_VALUE:
        return False
    bare = _without_weekday(cell)
    named = _NAMED_DAY.fullmatch(bare)
    is_named = named is not None and (named[2] or named[3])[:3].casefold() in _MONTH_OF
    return is_named or any(form.fullmatch(bare) for form in (_ISO_DAY, _DOTTED_DAY, _STROKED_DAY))


def read_day(cell: str, order: str, today: date, year_said: int | None = None) -> str:
    """Read a day as year-month-day. 14.3.2025 has the day first (common practice, no source).

    Parameters
    ----------
    order : str
        'day_first', 'month_first' or '' (not known) for days such as 3/4/2025.
    today : date
        No run was made later.
    year_said : int or None
        Year of days that name none, such as 14.3.

    Raises
    ------
    NumberTextError

    Examples
    --------
    >>> today = date(2026, 6, 1)
    >>> read_day("14.3.25", "", today), read_day("3/4/2025", "month_first", today), read_day("Wed 5th March 25", "", today)
    ('2025-03-14', '2025-03-04', '2025-03-05')
    """
    _check_length(cell)
    if lacks_year(cell):
        if year_said is None:
            raise NumberTextError(f"“{cell}” has no year. Say which.")
        cell = _with_year(cell, year_said)
    cell = _without_weekday(cell)
    if found := _ISO_DAY.fullmatch(cell):
        year, month, day = int(found[1]), int(found[2]), int(found[3])
    elif found := _DOTTED_DAY.fullmatch(cell):
        day, month, year = int(found[1]), int(found[2]), int(found[3])
    elif found := _STROKED_DAY.fullmatch(cell):
        first, second, year = int(found[1]), int(found[2] or found[4]), int(found[3] or found[5])
        if not order and first != second:
            raise NumberTextError(f"“{cell}” may have the day or the month first, going by the table. Say which.")
        day, month = (second, first) if order == "month_first" else (first, second)
    # Behind a month and a day, only a long year is one: 'May 12-14' are two days.
    elif (
        (found := _NAMED_DAY.fullmatch(cell))
        and (found[1] or len(found[5]) == 4)
        and (name := (found[2] or found[3])[:3].casefold()) in _MONTH_OF
    ):
        day, month, year = int(found[1] or found[4]), _MONTH_OF[name], int(found[5])
    else:
        raise NumberTextError(f"“{cell[:40]}” is not a day. Write it as 2026-03-31.")
    year += 2000 if year < 100 else 0
    try:
        read = date(year, month, day)
    except ValueError as error:
        raise NumberTextError(f"“{cell}” is no day of the calendar.") from error
    if read > today:
        raise NumberTextError(f"“{cell}” lies in the future.")
    return read.isoformat()


def _number(text: str) -> float:
    """A number of a table, where a decimal comma is meant; of several separators nothing is guessed."""
    return read_number(text.replace(",", ".") if re.fullmatch(r"[+-]?\d+,\d+", text) else text)


def tidy(value: float) -> float:
    """Without the dust of a conversion."""
    return float(f"{value:.10g}")
