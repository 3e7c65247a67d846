"""Numbers as people type them: one reader with one set of messages for pages, files and the API."""

from __future__ import annotations

import math
import re

_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_WITH_UNIT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)\s*[A-Za-zµ°%][A-Za-zµ°%/. ]{0,20}")
# Beyond this no laboratory quantity is meant, and squares would overflow.
LARGEST = 1e12
# Nor anything but zero this small: quotients would overflow.
SMALLEST = 1e-9


class NumberTextError(ValueError):
    """Text that is not a usable number; the message says what to type instead."""


def read_number(typed: object) -> float:
    """Read a number.

    Raises
    ------
    NumberTextError
        For anything but a finite number of sensible size; a decimal comma is
        answered with the same number written with a point.

    Examples
    --------
    >>> read_number(" 72.5 ")
    72.5
    """
    if isinstance(typed, bool) or not isinstance(typed, (int, float, str)):
        raise NumberTextError("Enter a number.")
    if isinstance(typed, str):
        text = typed.strip().replace("−", "-").replace("\N{NO-BREAK SPACE}", "")
        if not text:
            raise NumberTextError("Enter a number.")
        if _COMMA.fullmatch(text):
            raise NumberTextError(f"“{text}” has a decimal comma. Write it with a point: {text.replace(',', '.')}")
        if not _PLAIN.fullmatch(text):
            # What no file can hold, a lone half of a pair of characters, goes into no message either.
            shown = (text if len(text) <= 40 else text[:40] + "…").encode(errors="replace").decode()
            if _WITH_UNIT.fullmatch(text):
                raise NumberTextError(f"“{shown}” is not a number. Enter it without words, in the unit of the field.")
            raise NumberTextError(f"“{shown}” is not a number. Enter digits with a decimal point, for example 72.5")
        value = float(text)
    else:
        try:
            value = float(typed)
        except OverflowError as error:
            raise NumberTextError("This number is too large to be meant.") from error
    if math.isnan(value):
        raise NumberTextError("Enter a number.")
    if abs(value) > LARGEST:
        raise NumberTextError("This number is too large to be meant.")
    if 0.0 < abs(value) < SMALLEST:
        raise NumberTextError("This number is too small to be meant. Choose another unit.")
    return value


def read_optional_number(typed: object) -> float | None:
    """Read a number; an empty box or None is None."""
    if typed is None or (isinstance(typed, str) and not typed.strip()):
        return None
    return read_number(typed)
