"""Cells of a notebook's table, one by one."""

import pytest

from server.services.cells import is_day, lacks_year, read_clock, read_hours, stroke_order


@pytest.mark.parametrize(
    ("cell", "has_year", "has_none"),
    [
        *[(cell, True, False) for cell in ("12 Mar 2025", "March 12, 2025", "Wed 12th March 25", "2025-03-12 10:30", "12.3.25")],
        *[(cell, True, False) for cell in ("3/4/2025", "3-4-2025", "12. März 2025")],
        *[(cell, False, True) for cell in ("12 Mar", "March 12", "12.3.", "12.3", "3/4", "Mi 12.3. 10:30")],
        # A word that is no month, two hyphens before a short year, and what is longer than any day.
        *[(cell, False, False) for cell in ("12 eggs 2025", "12 eggs", "3-4-25", "82", "", "12 Mar 2025 " + "x" * 60)],
    ],
)
def test_a_day_is_known_with_its_year_or_without(cell: str, has_year: bool, has_none: bool) -> None:
    assert (is_day(cell), lacks_year(cell)) == (has_year, has_none)


@pytest.mark.parametrize(
    ("cell", "order"),
    [
        *[("13/4/25", "day_first"), ("4/13/25", "month_first"), ("13-4-2025", "day_first"), ("25/3", "day_first")],
        *[("12/11/25", ""), ("3-4-2025", ""), ("3/14", "month_first")],
        # The same either way, or with the order told by the dots and by the name.
        *[("4/4/25", None), ("13.4.25", None), ("13 Apr 2025", None), ("70.5", None)],
    ],
)
def test_a_day_with_strokes_tells_its_order_where_it_can(cell: str, order: str | None) -> None:
    assert stroke_order(cell) == order


@pytest.mark.parametrize(
    ("cell", "hours"),
    [
        *[("1 h 30 min", 1.5), ("1h30", 1.5), ("2 hrs 15 min", 2.25), ("25 h 6 m", 25.1), ("0 h 45 min", 0.75)],
        *[("1:30 h", 1.5), ("12:06 hours", 12.1), ("1:30:36", 1.51), ("0:00:36", 0.01)],
        *[("1 h 75 min", None), ("1:75 h", None), ("1:30", None), ("90 min", None), ("2 h", None), ("1:30:75", None)],
    ],
)
def test_hours_and_minutes_are_read_together(cell: str, hours: float | None) -> None:
    assert read_hours(cell) == (None if hours is None else pytest.approx(hours))


@pytest.mark.parametrize(("cell", "hours"), [("1:30", 1.5), (" 0:45 ", 0.75), ("1:75", None), ("1:30:00", None), ("1.30", None)])
def test_a_clock_is_read_as_hours_and_minutes(cell: str, hours: float | None) -> None:
    assert read_clock(cell) == hours
