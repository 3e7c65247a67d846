"""Numbers as people type them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.services.numbers import NumberTextError, read_number, read_optional_number


@pytest.mark.parametrize(
    ("typed", "value"), [("72.5", 72.5), (" 7 ", 7.0), ("−3", -3.0), ("1e3", 1000.0), (".5", 0.5), (12, 12.0), ("+4", 4.0)]
)
def test_numbers_are_read(typed: object, value: float) -> None:
    assert read_number(typed) == value


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("72,5", r"Write it with a point: 72\.5"),
        ("abc", "is not a number"),
        ("nan", "is not a number"),
        ("inf", "is not a number"),
        ("1e400", "too large"),
        ("2 h 30 min", "is not a number"),
        ("10 mmol", "without words"),
        ("9**9", "is not a number"),
        ("0x10", "is not a number"),
        ("1_000", "is not a number"),
        ("", "Enter a number"),
        (float("nan"), "Enter a number"),
        (float("inf"), "too large"),
        (10**400, "too large"),
        ("1e-300", "too small"),
        (5e-324, "too small"),
        (True, "Enter a number"),
        (None, "Enter a number"),
    ],
)
def test_what_cannot_be_used_says_what_to_type(typed: object, words: str) -> None:
    with pytest.raises(NumberTextError, match=words):
        read_number(typed)


@pytest.mark.parametrize(
    ("typed", "is_read"), [("1e12", True), ("-1e12", True), ("1.1e12", False), ("1e-9", True), ("9e-10", False)]
)
def test_numbers_end_where_no_laboratory_quantity_is_meant(typed: str, is_read: bool) -> None:
    if is_read:
        assert read_number(typed) == float(typed)
    else:
        with pytest.raises(NumberTextError, match="to be meant"):
            read_number(typed)


def test_a_long_text_is_quoted_in_part() -> None:
    with pytest.raises(NumberTextError, match=f"“{'a' * 40}…” is not a number"):
        read_number("a" * 41)
    with pytest.raises(NumberTextError, match=f"“{'a' * 40}” is not a number"):
        read_number("a" * 40)


def test_an_empty_box_is_none() -> None:
    assert read_optional_number("  ") is None
    assert read_optional_number(None) is None


@given(st.text(max_size=40))
def test_any_text_gives_a_finite_number_or_a_message(typed: str) -> None:
    try:
        assert math.isfinite(read_number(typed))
    except NumberTextError as error:
        assert len(str(error)) < 200
