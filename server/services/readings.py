"""Readings of a run: noted one by one at the bench, pasted, or read from a logger's file."""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlmodel import Session

from server.core.course.shapes import Shape
from server.core.space.units import TEMPERATURE_UNITS, convert, duration_text
from server.errors import ConflictError, InvalidInputError, NeedsConfirmationError, NotFoundError
from server.exchange.tables import write_csv
from server.services.cells import read_hours, tidy
from server.services.headings import unit_told_by
from server.services.inputs import ClockInput, ReadingImportInput, ReadingInput, StartInput
from server.services.numbers import NumberTextError, read_number
from server.services.preparations import log_change, now
from server.services.runs import check_revision
from server.storage import questions
from server.storage.tables import ReadingRow, RunRow

MOST_READINGS = 200_000
# A longer time between two readings than this many times the usual one is called a gap.
GAP_FACTOR = 8.0
MOST_ROW_MESSAGES = 12
# A step back by more than this is midnight, a smaller one disorder. [h]
HALF_A_DAY = 12.0
# A time of day so long ago may be meant on an earlier day. [h]
LONG_AGO_HOURS = 1.0
# A run that began before this many days is a slip of the year. [d]
OLDEST_START_DAYS = 20_000
# No hold is longer than this. [h]
LONGEST_HOURS = 24.0 * 365.0


@dataclass(frozen=True)
class Series:
    """What can be read. ``from_zero``: the curve starts at 0; ``tells_product``: it follows the product, or what it is made of.

    ``units`` maps each unit that may be typed to its factor to the first one (temperatures are converted apart).
    """

    key: str
    label: str
    units: Mapping[str, float]
    from_zero: bool
    tells_product: bool
    is_never_negative: bool = True
    lowest: float = -1e9
    highest: float = 1e9

    @property
    def unit(self) -> str:
        return next(iter(self.units))

    @property
    def title(self) -> str:
        """The label as a heading; pH keeps its small letter."""
        return self.label if self.label == "pH" else self.label.capitalize()


SERIES = {
    s.key: s
    for s in (
        Series("product", "product in the mixture", {"%": 1.0}, True, True),
        Series("conversion", "conversion", {"%": 1.0}, True, True),
        Series("volume", "volume collected", {"mL": 1.0, "L": 1000.0}, True, True),
        Series("gas", "gas evolved", {"mL": 1.0, "L": 1000.0}, True, True),
        Series("remaining", "starting material left", {"%": 1.0}, False, True),
        Series("temperature", "temperature", dict.fromkeys(TEMPERATURE_UNITS, 1.0), False, False, False, -274.0, 3000.0),
        Series("ph", "pH", {"": 1.0}, False, False, False, -3.0, 18.0),
    )
}


def to_series_unit(series: Series, value: float, unit: str) -> float:
    """Convert a value to the first unit of a series.

    Raises
    ------
    NumberTextError
        If the unit does not belong to the series, or the value cannot be.
    """
    unit = unit or series.unit
    if unit not in series.units:
        known = ", ".join(u for u in series.units if u)
        use = f"Use {known}." if known else "It has no unit: leave the unit as shown."
        raise NumberTextError(f"{series.label} is not read in {unit[:12]}. {use}")
    if unit != series.unit:
        value = tidy(convert(value, unit, series.unit) if series.key == "temperature" else value * series.units[unit])
    if series.is_never_negative and value < 0:
        raise NumberTextError(f"{series.label} cannot be below 0; this is {value:g}.")
    if series.key == "temperature" and convert(value, series.unit, "K") <= 0:
        raise NumberTextError(f"{value:g} {series.unit} is below absolute zero.")
    if not series.lowest <= value <= series.highest:
        shown = f"{series.label} of {value:g} {series.unit}".rstrip()
        raise NumberTextError(f"{shown} cannot be meant. Check the value and its unit.")
    if series.unit == "%" and value > 100.0 * 1.05:
        raise NumberTextError(f"{series.label} of {value:g} % is not possible. Enter a value from 0 to 100.")
    return value


_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")
# A day before its month, as it is written with points.
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[ T]+(\S+)")
_ELAPSED = re.compile(r"(\d{1,4}):([0-5]\d)(?::([0-5]\d))?")
_WITH_UNIT = re.compile(r"([0-9.,+eE-]+)\s*(s|min|h|d)")
_HOURS = {"s": 1 / 3600, "min": 1 / 60, "h": 1.0, "d": 24.0}


def read_elapsed(text: str, unit: str) -> float:
    """Read a time since the start: 1.5 (in ``unit``), 90 min, or 1:30 in hours and minutes. [h]

    Raises
    ------
    NumberTextError

    Examples
    --------
    >>> read_elapsed("90", "min"), read_elapsed("1:30", "min"), read_elapsed("90 min", "h")
    (1.5, 1.5, 1.5)
    """
    text = text.strip()
    said = read_hours(text)  # 1 h 30 min, 1h30
    if said is not None:
        hours = said
    elif found := _ELAPSED.fullmatch(text):
        hours = int(found[1]) + int(found[2]) / 60 + int(found[3] or 0) / 3600
    elif with_unit := _WITH_UNIT.fullmatch(text):
        hours = read_number(with_unit[1]) * _HOURS[with_unit[2]]
    else:
        hours = read_number(text) * _HOURS[unit]
    return checked_hours(hours)


def checked_hours(hours: float) -> float:
    """Refuse times before the start and beyond a year."""
    if hours < 0:
        raise NumberTextError("A time before the start of the run is not possible. Correct the time, or the start.")
    if hours > LONGEST_HOURS:
        raise NumberTextError("This is more than a year after the start. Check the unit of the time.")
    return round(hours, 9)


def zone_of(data: ClockInput) -> tzinfo:
    """The time zone where something is typed: by its name, which knows summer time, else by its distance from UTC today.

    Raises
    ------
    InvalidInputError
        For a name that is not known, where the distance is not given either.
    """
    if data.zone:
        try:
            return ZoneInfo(data.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            # An unknown name, or a machine without a table of zones.
            if data.offset_minutes is None:
                message = "There is no such time zone. Give its name as in Europe/Berlin, or offset_minutes."
                raise InvalidInputError({"zone": message}) from error
    return timezone(timedelta(minutes=data.offset_minutes or 0))


def read_clock(text: str, started_at: datetime | None, zone: tzinfo, until: datetime | None = None) -> float:
    """Read a time of day (14:05) or a date and time (2026-03-31 14:05) as hours since the start.

    Parameters
    ----------
    zone : tzinfo
        Of the place where the reading is typed.
    until : datetime or None
        A time of day is the last one up to then; the first one after the start where None.

    Raises
    ------
    NumberTextError
        If it cannot be read, or the start of the run is not known.
    """
    if started_at is None:
        raise NumberTextError("A time of day needs the start of the run: say when it began, above.")
    day = started_at.astimezone(zone).date()
    since = _read_moment(text, day, zone) - started_at
    if _CLOCK.fullmatch(text.strip()):
        # A minute is as fine as a clock is read, so the minute of the start is no time before it.
        if since < -timedelta(minutes=1) and (again := _read_moment(text, day, zone, fold=1)) >= started_at:
            since = again - started_at  # the hour that comes twice when summer time ends
        if since < -timedelta(minutes=1):
            day += timedelta(days=1)
            since = _read_moment(text, day, zone) - started_at
        while until is not None and (later := _read_moment(text, day + timedelta(days=1), zone)) <= until + timedelta(minutes=1):
            day, since = day + timedelta(days=1), later - started_at
        since = max(since, timedelta(0))
    return checked_hours(since.total_seconds() / 3600)


def _read_moment(text: str, day: date, zone: tzinfo, fold: int = 0) -> datetime:
    """Read a time on a local day (14:05), or a date and time (2026-03-31 14:05, 31.03.2026 14:05).

    ``fold`` 1 means the second of two hours that clocks show twice.

    Raises
    ------
    NumberTextError
    """
    text = text.strip()
    try:
        if dotted := _DAY_FIRST.fullmatch(text):
            text, day = dotted[4], date(int(dotted[3]), int(dotted[2]), int(dotted[1]))
        found = _CLOCK.fullmatch(text)
        local = datetime.fromisoformat(f"{day} {int(found[1]):02d}:{found[2]}:{found[3] or '00'}" if found else text)
        moment = (local if local.tzinfo is not None else local.replace(tzinfo=zone, fold=fold)).astimezone(UTC)
    except ValueError as error:
        raise NumberTextError(f"“{text[:40]}” is not a time. Write 14:05 or 2026-03-31 14:05.") from error
    except OverflowError as error:
        raise NumberTextError(f"“{text[:40]}” is no time that a run can have.") from error
    if local.tzinfo is None and moment.astimezone(zone).replace(tzinfo=None) != local:
        raise NumberTextError(f"“{text[:40]}” did not exist: clocks were set forward over it. Write the time that they showed.")
    return moment


def _series(key: str) -> Series:
    if key not in SERIES:
        raise InvalidInputError({"series": f"Choose one of {', '.join(SERIES)}."})
    return SERIES[key]


def start_run(session: Session, run_id: int, moment: datetime | None = None) -> RunRow:
    """Start the clock of a run: readings noted ‘now’ count from here. A planned run is under way then.

    A clock that runs is only set again to a ``moment``.

    Raises
    ------
    NotFoundError
    InvalidInputError
        For starting a run now that is finished or abandoned.
    """
    run = questions.get_run(session, run_id)
    if moment is None and run.state in ("finished", "abandoned"):
        message = f"Run {run.number} is {run.state}: its clock cannot start now. Give readings by the time since the start."
        raise InvalidInputError({"started_at": message})
    if moment is None and run.started_at is not None and run.state == "under_way":
        return run
    before = {"started_at": run.started_at.isoformat() if run.started_at else None}
    run.started_at = moment or now()
    if run.state == "planned":
        run.state = "under_way"
    run.revision += 1
    session.add(run)
    after = {"started_at": run.started_at.isoformat()}
    log_change(session, run.preparation_id, "run started", run_number=run.number, before=before, after=after)
    session.commit()
    return run


def begin_run(session: Session, run_id: int, data: StartInput) -> RunRow:
    """Start the clock of a run now, or set when it began; readings keep their times since the start.

    Raises
    ------
    NotFoundError, InvalidInputError
    ConflictError
        If it has another revision than the one that was seen.
    """
    run = questions.get_run(session, run_id)
    check_revision(run, data.revision)
    if not data.began.strip():
        return start_run(session, run_id)
    zone = zone_of(data)
    day = date.fromisoformat(run.made_on) if run.made_on else now().astimezone(zone).date()
    try:
        moment = _read_moment(data.began, day, zone)
    except NumberTextError as error:
        raise InvalidInputError({"began": str(error)}) from error
    if not timedelta(0) <= now() + timedelta(minutes=1) - moment <= timedelta(days=OLDEST_START_DAYS):
        raise InvalidInputError({"began": "A run cannot have begun ahead of now, or so long ago. Check the date and the time."})
    return start_run(session, run_id, moment)


def _hours_of(session: Session, run: RunRow, data: ReadingInput, before_h: float | None = None) -> float:
    """The time of a reading since the start; ``before_h`` is what it was where it is corrected. [h]"""
    if data.at.strip() and "at_kind" not in data.model_fields_set:
        raise NumberTextError("Say by ‘at_kind’ what this time is: elapsed since the start, or of the clock.")
    if data.at_kind == "now":
        if run.started_at is None:
            raise NumberTextError("‘Now’ needs the start of the run: press ‘Start’ first, or type the time since the start.")
        if run.state not in ("planned", "under_way"):
            raise NumberTextError("This run is over, so ‘now’ is no time in it. Type the time since its start.")
        # A start may be typed up to a minute ahead of the clock.
        since = (now() - run.started_at).total_seconds()
        return checked_hours(max(since, 0.0 if since > -60.0 else since) / 3600)
    if not data.at.strip():
        raise NumberTextError("Enter the time of the reading.")
    if data.at_kind == "clock":
        if before_h is not None and run.started_at is not None:
            # The day is that on which it comes nearest to what it was.
            return read_clock(data.at, run.started_at, zone_of(data), run.started_at + timedelta(hours=before_h + HALF_A_DAY))
        if run.state in ("planned", "under_way"):
            return _on_which_day(run, data)
        if _CLOCK.fullmatch(data.at.strip()) and questions.last_reading_h(session, int(run.id or 0)) >= 24.0:
            raise NumberTextError("This run went on for more than a day. Write the date too, as in 2026-03-31 14:05.")
        return read_clock(data.at, run.started_at, zone_of(data))
    return read_elapsed(data.at, data.at_unit)


def _on_which_day(run: RunRow, data: ReadingInput) -> float:
    """A time of day of a run that is not over: the last one, unless that is a while ago and there were others. [h]

    Raises
    ------
    NumberTextError, NeedsConfirmationError
    """
    last = read_clock(data.at, run.started_at, zone_of(data), now())
    if run.started_at is None or not _CLOCK.fullmatch(data.at.strip()):
        return last
    first = read_clock(data.at, run.started_at, zone_of(data))
    ago = (now() - run.started_at).total_seconds() / 3600 - last
    if last - first < 1.0 or ago < LONG_AGO_HOURS:
        return last
    message = f"It was {data.at.strip()} more than once since the start; with its date, as in 2026-03-31 14:05, a time is plain."
    words = [f"The {which} time, {duration_text(hours)} after the start" for which, hours in (("last", last), ("first", first))]
    asked = NeedsConfirmationError("at", "last_day", message, words[0], ("first_day", words[1]))
    return last if asked.raise_unless_in(data.confirm) == "last_day" else first


def _checked(
    session: Session, run: RunRow, series: Series, data: ReadingInput, before_h: float | None = None
) -> tuple[float, float]:
    """Time [h] and value [first unit of the series] as typed; InvalidInputError with a sentence per field."""
    messages: dict[str, str] = {}
    hours = value = 0.0
    try:
        hours = _hours_of(session, run, data, before_h)
    except NumberTextError as error:
        messages["at"] = str(error)
    try:
        value = to_series_unit(series, data.value, data.unit)
    except NumberTextError as error:
        messages["value"] = str(error)
    if messages:
        raise InvalidInputError(messages)
    return hours, value


def add_reading(session: Session, run_id: int, data: ReadingInput) -> ReadingRow:
    """Note one reading.

    Raises
    ------
    NotFoundError, InvalidInputError
    NeedsConfirmationError
        For a second reading of the same series at the same time.
    """
    run = questions.get_run(session, run_id)
    series = _series(data.series)
    hours, value = _checked(session, run, series, data)
    _check_future(run, hours, data.confirm)
    if questions.has_reading_at(session, run_id, series.key, hours):
        message = f"There is a reading of {series.label} at this time, {hours:.6g} h, already."
        NeedsConfirmationError("at", "same_time", message, "Keep both readings").raise_unless_in(data.confirm)
    row = ReadingRow(run_id=run_id, series=series.key, unit=series.unit, at_h=hours, value=value, noted_at=now())
    session.add(row)
    log_change(
        session,
        run.preparation_id,
        f"reading of {series.label} noted",
        run_number=run.number,
        after={"at_h": hours, "value": value, "unit": series.unit},
    )
    session.commit()
    return row


def _check_future(run: RunRow, hours: float, given: Sequence[str], field: str = "at") -> None:
    """A reading of a run under way that lies ahead of the clock needs a yes: usually the unit of the time is wrong."""
    if run.started_at is None or run.state != "under_way":
        return
    elapsed = (now() - run.started_at).total_seconds() / 3600
    if hours > elapsed + 1 / 60:
        at = duration_text(hours)
        message = f"The clock of the run is not at {at} yet, so this reading lies ahead. Check the time and its unit."
        NeedsConfirmationError(field, "future", message, "The time is right; the start was pressed late").raise_unless_in(given)


def correct_reading(session: Session, reading_id: int, data: ReadingInput) -> ReadingRow:
    """Correct a reading; the earlier values stay in the history. Without a new time the old one stays.

    Raises
    ------
    NotFoundError, InvalidInputError
    NeedsConfirmationError
        For a time that lies ahead of the clock.
    """
    row = questions.get_reading(session, reading_id)
    run = questions.get_run(session, row.run_id)
    if "series" in data.model_fields_set and data.series != row.series:
        raise InvalidInputError({"series": "A reading stays in its series. Remove it, and note it anew in the other one."})
    series = _series(row.series)
    if not data.model_fields_set & {"at", "at_kind"}:
        data = data.model_copy(update={"at": f"{row.at_h!r}", "at_kind": "elapsed", "at_unit": "h"})
    hours, value = _checked(session, run, series, data, row.at_h)
    if abs(hours - row.at_h) > 1e-9:
        _check_future(run, hours, data.confirm)
    before = {"at_h": row.at_h, "value": row.value}
    row.at_h, row.value = hours, value
    session.add(row)
    log_change(
        session,
        run.preparation_id,
        f"reading of {series.label} corrected",
        run_number=run.number,
        before=before,
        after={"at_h": hours, "value": value},
    )
    session.commit()
    return row


def delete_reading(session: Session, reading_id: int) -> int:
    """Remove a reading; return the run's id. What it was stays in the history."""
    row = questions.get_reading(session, reading_id)
    run = questions.get_run(session, row.run_id)
    before = {"at_h": row.at_h, "value": row.value, "unit": row.unit}
    log_change(session, run.preparation_id, f"reading of {row.series} removed", run_number=run.number, before=before)
    session.delete(row)
    session.commit()
    return row.run_id


def delete_readings(session: Session, run_id: int, series: str) -> int:
    """Remove all readings of one kind from a run, as after an import that went wrong; what they were stays in the history.

    Returns
    -------
    count : int
        How many there were.

    Raises
    ------
    NotFoundError
    InvalidInputError
        For a series that there is not.
    """
    run = questions.get_run(session, run_id)
    _series(series)
    rows = questions.list_readings(session, run_id, series)
    if not rows:
        return 0
    before = {"unit": SERIES[series].unit, "hours_and_values": [[row.at_h, row.value] for row in rows]}
    what = f"all {len(rows)} readings of {SERIES[series].label} removed"
    log_change(session, run.preparation_id, what, run_number=run.number, before=before)
    count = len(rows)
    questions.delete_readings(session, run_id, series)
    session.commit()
    return count


@dataclass(frozen=True)
class Imported:
    """What came of an import: how many readings, and notes about gaps."""

    count: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Line:
    number: int
    hours: float
    value: float


@dataclass(frozen=True)
class ReadRows:
    """Rows of readings that were understood for one run, which began at ``started_at``."""

    run_id: int
    started_at: datetime | None
    series: Series
    data: ReadingImportInput
    lines: list[_Line]


def import_readings(session: Session, run_id: int, data: ReadingImportInput, text: str) -> Imported:
    """Add pasted rows or the rows of a CSV file, all or none: ``read_rows``, then ``store_rows``; raises like both."""
    return store_rows(session, read_rows(session, run_id, data, text))


def read_rows(session: Session, run_id: int, data: ReadingImportInput, text: str) -> ReadRows:
    """Understand pasted rows or the rows of a CSV file; stores nothing, so that nobody has to wait for it.

    Raises
    ------
    NotFoundError
    InvalidInputError
        With a sentence per row that cannot be used (the first dozen).
    NeedsConfirmationError
        If times go backwards or come twice, or units and commas may be meant otherwise.
    """
    count = len(text.splitlines())
    if count > MOST_READINGS + _MOST_HEADINGS:
        raise InvalidInputError({"rows": f"There are {count} rows; a run can keep {MOST_READINGS} readings. Thin them out."})
    run = questions.get_run(session, run_id)
    series = _series(data.series)
    if data.time_column == data.value_column:
        raise InvalidInputError({"value_column": "Times and readings cannot stand in the same column."})
    lines = _read_lines(run, series, data, text)
    _check_order(lines, data.confirm)
    return ReadRows(run_id, run.started_at, series, data, lines)


def store_rows(session: Session, found: ReadRows) -> Imported:
    """Store rows that were understood, all or none.

    Raises
    ------
    NotFoundError, InvalidInputError
    ConflictError
        If the start of the run was set otherwise meanwhile.
    NeedsConfirmationError
        If some lie ahead of the run's clock, or are here already.
    """
    run_id, series, data = found.run_id, found.series, found.data
    run = questions.get_run(session, run_id)
    if run.started_at != found.started_at:
        raise ConflictError(f"The start of run {run.number} was set otherwise meanwhile. Bring the readings in once more.")
    lines = _without_known(found.lines, questions.list_readings(session, run_id, series.key), data.confirm)
    lines = sorted(lines, key=lambda line: line.hours)
    if lines:
        _check_future(run, lines[-1].hours, data.confirm, "rows")
    stored = questions.count_readings(session, run_id)
    if stored + len(lines) > MOST_READINGS:
        raise InvalidInputError(
            {"rows": f"A run can keep {MOST_READINGS} readings; there are {stored} and {len(lines)} more came."}
        )
    questions.add_readings(session, run_id, series.key, series.unit, [(line.hours, line.value) for line in lines], now())
    log_change(session, run.preparation_id, f"{len(lines)} readings of {series.label} imported", run_number=run.number)
    session.commit()
    return Imported(len(lines), _gaps(lines))


def _rows(text: str) -> tuple[str, list[tuple[int, list[str]]]]:
    """Numbered rows of cells, behind their separator: tab, semicolon, comma or blanks, whichever splits the first rows evenly."""
    lines = [(k, line.strip("\ufeff \r")) for k, line in enumerate(text.splitlines(), start=1)]
    lines = [(k, line) for k, line in lines if line.strip()]
    sample = [line for _, line in lines[:20]]
    for mark in ("\t", ";", ","):
        if sample and sum(mark in line for line in sample) >= 0.8 * len(sample) and not _is_decimal_comma(sample, mark):
            # Line by line, so that a stray quotation mark spoils its own row only.
            return mark, [(k, _cells(line, mark)) for k, line in lines]
    return " ", [(k, _blank_separated(line)) for k, line in lines]


# What belongs together although a blank stands between: a date and its time, a number and its unit of time.
_JOINED = re.compile(r"(?:\d{4}-\d\d-\d\d|\d{1,2}\.\d{1,2}\.\d{4}) [0-2]?\d:\d\d(:\d\d)?|[0-9.,]+ (?:s|min|h|d)(?= |$)")


# In a longer line nothing is joined: it would take ever longer to look at. [characters]
_LONGEST_LINE = 500


def _blank_separated(line: str) -> list[str]:
    single = re.sub(r"[ \t\N{NO-BREAK SPACE}]+", " ", line.strip())
    if len(single) > _LONGEST_LINE:
        return single.split(" ")
    return _JOINED.sub(lambda m: m[0].replace(" ", "\N{NO-BREAK SPACE}"), single).split(" ")


def _cells(line: str, mark: str) -> list[str]:
    try:
        return [c.strip() for c in next(csv.reader([line], delimiter=mark))]
    except csv.Error:
        return [c.strip() for c in line.split(mark)]


def _is_decimal_comma(sample: Sequence[str], mark: str) -> bool:
    """A comma between digits, with blanks between cells, is a decimal comma and separates nothing.

    Judged by most of the rows that hold numbers: a heading, or whole numbers among them, change nothing.
    """
    if mark != ",":
        return False
    numbers = [line for line in sample if any(c.isdigit() for c in line)]
    pairs = sum(re.fullmatch(r"\s*[-+]?\d+(?:,\d+)?\s+[-+]?\d+(?:,\d+)?\s*", line) is not None for line in numbers)
    return 2 * pairs > len(numbers)


def _number_of(cell: str, unit: str) -> float:
    """A number of a file: unlike in forms, a decimal comma is taken as meant where cells are separated otherwise.

    Its unit may stand behind it.
    """
    cell = cell.removesuffix(unit).rstrip(" \N{NO-BREAK SPACE}")
    if re.fullmatch(r"[+-]?\d+,\d+", cell.strip()):
        cell = cell.replace(",", ".")
    return read_number(cell)


# Lines above the numbers that may be titles and headings.
_MOST_HEADINGS = 5


def _ask_about_headings(series: Series, data: ReadingImportInput, headings: Sequence[Sequence[str]]) -> ReadingImportInput:
    """What was said about the units, or what the heading says, if that is another one and the chemist says so."""
    widest = max(data.time_column, data.value_column)
    cells = [(row[data.time_column - 1], row[data.value_column - 1]) for row in headings if len(row) >= widest]
    time_unit = next((u for t, _ in cells if (u := unit_told_by(t)) in _HOURS), "")
    by_name = {u.casefold(): u for u in series.units if u}
    unit = next((known for _, v in cells if (known := by_name.get(unit_told_by(v).casefold()))), "")
    chosen = data.unit or series.unit
    for code, field, theirs, ours in (
        ("time_unit", "at_unit", time_unit if data.at_kind == "elapsed" else "", data.at_unit),
        ("reading_unit", "unit", unit, chosen),
    ):
        if theirs and theirs != ours:
            what = "times" if field == "at_unit" else "readings"
            message = f"The heading says that the {what} are in {theirs}, the form says {ours}."
            other = (f"{code}_of_form", f"They are in {ours}")
            asked = NeedsConfirmationError("rows", f"{code}_of_heading", message, f"They are in {theirs}", other)
            if asked.raise_unless_in(data.confirm) == asked.code:
                data = data.model_copy(update={field: theirs})
    return data


def _ask_about_commas(data: ReadingImportInput, mark: str, rows: Sequence[Sequence[str]]) -> None:
    """Commas that may separate cells or decimals, and decimals or thousands, need a yes."""
    widest = max(data.time_column, data.value_column)
    more = [k for k, cells in enumerate(rows, start=1) if len(cells) > widest and any(cells[widest:])]
    if mark == "," and more and not any("." in cell for cells in rows for cell in cells):
        message = (
            f"Commas separate the columns here, and there are more than {widest} of them, "
            f"so some may be decimal commas (first row of numbers: {', '.join(rows[more[0] - 1][:6])})."
        )
        question = f"They separate columns; columns {data.time_column} and {data.value_column} are meant"
        NeedsConfirmationError("rows", "more_columns", message, question).raise_unless_in(data.confirm)
    with_comma = [cell for cells in rows for cell in cells[data.value_column - 1 : data.value_column] if "," in cell]
    if with_comma and all(re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", cell.strip()) for cell in with_comma):
        message = f"In {with_comma[0].strip()} the comma stands before exactly three digits, so it may group thousands."
        question = f"It is a decimal comma: {with_comma[0].strip().replace(',', '.')}"
        NeedsConfirmationError("rows", "comma", message, question).raise_unless_in(data.confirm)


def _read_lines(run: RunRow, series: Series, data: ReadingImportInput, text: str) -> list[_Line]:
    mark, rows = _rows(text)
    if not rows:
        raise InvalidInputError({"rows": "There is nothing to read. Paste rows with a time and a value, or choose a file."})
    headings = [
        cells
        for _, cells in itertools.takewhile(
            lambda row: not any(_begins_with_digit(cell) for cell in row[1][: max(data.time_column, data.value_column)]),
            rows[:_MOST_HEADINGS],
        )
    ]
    if len(headings) < len(rows):
        rows = rows[len(headings) :]
    data = _ask_about_headings(series, data, headings)
    _ask_about_commas(data, mark, [cells for _, cells in rows])
    messages: list[str] = []
    found: list[_Line] = []
    for number, cells in rows:
        try:
            found.append(_read_row(run, series, data, number, cells))
        except NumberTextError as error:
            messages.append(f"Row {number}: {error}")
    if messages:
        more = " And more." if len(messages) > MOST_ROW_MESSAGES else ""
        sentence = " ".join(messages[:MOST_ROW_MESSAGES]) + more
        if not found:
            where = (
                f"Times were looked for in column {data.time_column}, readings in column {data.value_column}: say which they are."
            )
            raise InvalidInputError({"rows": f"{sentence} {where}"})
        NeedsConfirmationError("rows", "skip_bad", sentence, "Leave out the rows that cannot be read").raise_unless_in(
            data.confirm
        )
    undated = data.at_kind == "clock" and all(line.hours < 24.0 for line in found)
    if not undated:
        return found
    if found[0].hours > HALF_A_DAY:
        message = (
            f"The time of day in row {found[0].number} lies before the start of the run, so it would be {found[0].hours:.3g} h "
            "after it, on the next day. Check the start of the run, or say yes."
        )
        NeedsConfirmationError("rows", "next_day", message, "The readings began on the next day").raise_unless_in(data.confirm)
    assert run.started_at is not None  # or no time of day could have been read
    return _over_midnights(found, run.started_at, zone_of(data))


def _over_midnights(lines: Sequence[_Line], started_at: datetime, zone: tzinfo) -> list[_Line]:
    """Times of day in the order of the file: one that goes back by more than half a day belongs to the next day.

    The same time on the clock of another day is not 24 hours later where clocks change between them, and an hour
    that comes twice is the second one where the first would go backwards.

    Raises
    ------
    InvalidInputError
        For a row more than a year after the start.
    """
    days, out = 0, list(lines[:1])
    for before, line in itertools.pairwise(lines):
        days += line.hours < before.hours - HALF_A_DAY
        at = (started_at + timedelta(hours=line.hours)).astimezone(zone)
        local = at.replace(tzinfo=None) + timedelta(days=days)
        folds = (at.fold, 1) if line.hours < out[-1].hours else (at.fold,)
        times = [(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) - started_at).total_seconds() / 3600 for fold in folds]
        hours = next((h for h in times if h >= out[-1].hours), times[0])
        try:
            out.append(replace(line, hours=checked_hours(hours)))
        except NumberTextError as error:
            raise InvalidInputError({"rows": f"Row {line.number}: {error}"}) from error
    return out


def _begins_with_digit(cell: str) -> bool:
    return cell.lstrip(" +-.,<>~≈")[:1].isdigit()


def _read_row(run: RunRow, series: Series, data: ReadingImportInput, number: int, cells: list[str]) -> _Line:
    widest = max(data.time_column, data.value_column)
    if len(cells) < widest:
        cells_there = "is 1 cell" if len(cells) == 1 else f"are {len(cells)} cells"
        columns = f"columns {data.time_column} and {data.value_column}"
        raise NumberTextError(f"there {cells_there}; a time and a value are needed ({columns}).")
    time_text, value_text = cells[data.time_column - 1], cells[data.value_column - 1]
    if data.at_kind == "clock":
        hours = read_clock(time_text, run.started_at, zone_of(data))
    else:
        if re.fullmatch(r"\d+,\d+", time_text.strip()):
            time_text = time_text.replace(",", ".")
        hours = read_elapsed(time_text, data.at_unit)
    return _Line(number, hours, to_series_unit(series, _number_of(value_text, data.unit or series.unit), data.unit))


def _check_order(lines: Sequence[_Line], given: Sequence[str]) -> None:
    """Times that go backwards or come twice need a yes."""
    back = [b.number for a, b in itertools.pairwise(lines) if b.hours < a.hours]
    same = [b.number for a, b in itertools.pairwise(lines) if b.hours == a.hours]
    if back:
        message, question = f"Time goes backwards at row {_numbers(back)}.", "The rows are only out of order: sort them by time"
        NeedsConfirmationError("rows", "sort", message, question).raise_unless_in(given)
    if same:
        message = f"The same time as in the row before stands in row {_numbers(same)}."
        NeedsConfirmationError("rows", "same_time", message, "Keep all of them").raise_unless_in(given)


def _without_known(lines: Sequence[_Line], stored: Sequence[ReadingRow], given: Sequence[str]) -> list[_Line]:
    """Leave out rows that are here already, on a yes: the same file may have been chosen twice."""
    here = {(round(r.at_h, 6), f"{r.value:.9g}") for r in stored}
    known = [line for line in lines if (round(line.hours, 6), f"{line.value:.9g}") in here]
    if not known:
        return list(lines)
    numbers = _numbers([line.number for line in known])
    if len(known) == len(lines):
        raise InvalidInputError({"rows": "All of these readings are here already, with the same times and values."})
    message = f"The same time and value as a reading that is here already stands in row {numbers}."
    NeedsConfirmationError("rows", "known", message, "Leave these rows out").raise_unless_in(given)
    return [line for line in lines if (round(line.hours, 6), f"{line.value:.9g}") not in here]


def _numbers(rows: Sequence[int]) -> str:
    shown = ", ".join(str(n) for n in rows[:6])
    return shown + (f" and {len(rows) - 6} more" if len(rows) > 6 else "")


def _gaps(lines: Sequence[_Line]) -> tuple[str, ...]:
    steps = [b.hours - a.hours for a, b in itertools.pairwise(lines)]
    if len(steps) < 4:
        return ()
    usual = sorted(steps)[len(steps) // 2]
    if not usual > 0:
        return ()
    found = [
        f"Gap of {duration_text(step)} between rows {a.number} and {b.number}."
        for a, b, step in zip(lines, lines[1:], steps, strict=False)
        if step > GAP_FACTOR * usual
    ]
    return tuple(found[:MOST_ROW_MESSAGES])


def choose_shape(session: Session, run_id: int, series: str, shape: str) -> None:
    """Keep which shape the chemist wants for a series; empty text leaves the choice to the app.

    Raises
    ------
    NotFoundError
    InvalidInputError
        For a shape that there is not.
    """
    run = questions.get_run(session, run_id)
    if series not in SERIES:
        raise NotFoundError("series", series[:20])
    if shape and shape not in set(Shape):
        raise InvalidInputError({"shape": "Choose one of those offered."})
    shapes = dict(run.course_shapes or {})
    before = {series: shapes.get(series)}
    shapes.pop(series, None)
    if shape:
        shapes[series] = shape
    run.course_shapes = shapes
    session.add(run)
    log_change(
        session,
        run.preparation_id,
        "shape of the time course chosen",
        run_number=run.number,
        before=before,
        after={series: shape},
    )
    session.commit()


def as_csv(rows: Sequence[ReadingRow]) -> str:
    """All readings of a run as CSV (RFC 4180), times in hours since the start."""
    return write_csv([["series", "time / h", "value", "unit"], *([r.series, repr(r.at_h), repr(r.value), r.unit] for r in rows)])
