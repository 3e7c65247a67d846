"""Time course of a run: readings at the bench, pasted or from a file; and the rates over all runs."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.charts.course import arrhenius_figure, course_figure
from server.core.course.advice import Course, range_words, unit_of_change
from server.core.course.fitting import FEWEST_READINGS
from server.core.course.shapes import SHAPE_WORDS, Shape
from server.core.space.units import duration_text
from server.core.space.variables import Role, Variable
from server.errors import InvalidInputError
from server.exchange.tables import decode_text
from server.services.analysis import analyse
from server.services.courses import (
    Rates,
    SeriesCourse,
    hold_variable,
    rates_of,
    series_courses,
    shown_points,
    yield_against_readings,
)
from server.services.inputs import MOST_READINGS_BYTES, CourseUseInput, ReadingImportInput, ReadingInput, StartInput, validated
from server.services.preparations import use_courses
from server.services.readings import (
    SERIES,
    Series,
    add_reading,
    as_csv,
    begin_run,
    choose_shape,
    correct_reading,
    delete_reading,
    delete_readings,
    read_rows,
    store_rows,
)
from server.services.runs import RunView, view_run
from server.services.spaces import space_of
from server.services.words import plain, setting_text
from server.storage import questions
from server.storage.tables import ReadingRow
from server.web.dependencies import Form, Id, OpenWriter, ReadSession, WriteSession
from server.web.forms import STORED, FormState, RawForm, check_seen, leave_for, stamp, submit
from server.web.pages.common import Figure, Frame, run_status, trust_sentence
from server.web.pages.runs import change_words
from server.web.pages.work import waiting
from server.web.rendering import render, show_day

router = APIRouter()
# Shorter times are shown in minutes where they are corrected. [h]
LONG_HOURS = 24.0
# Of more readings the table shows the last ones; the file has all.
MOST_LISTED = 40
MOST_LISTED_ALL = 2000
# A larger file is chosen again where something was asked.
MOST_SHOWN_BYTES = 200_000


@dataclass(frozen=True)
class CourseView:
    """One series with figure, advice and the readings that the table lists."""

    course: SeriesCourse
    figure: Figure
    n_readings: int
    latest: Sequence[ReadingRow]
    hidden: int
    chosen: str

    @property
    def unit_of_change(self) -> str:
        return unit_of_change(self.course.series.unit)


@dataclass(frozen=True)
class CoursePage:
    """Context of the time course of one run."""

    frame: Frame
    run: RunView
    status: str
    views: list[CourseView]
    series: dict[str, Series]
    shapes: dict[Shape, str]
    fewest: int
    form: FormState
    import_form: FormState
    start_form: FormState
    units: list[str]
    offset_minutes: int
    contradiction: str


@dataclass(frozen=True)
class ReadingPage:
    """Context of the form that corrects one reading."""

    frame: Frame
    run: RunView
    reading: ReadingRow
    series: Series
    form: FormState
    seen: str
    history: list[str]
    offset_minutes: int


@dataclass(frozen=True)
class RateLine:
    """A run in the table of rates."""

    number: int
    run_id: int
    temperature: str
    series: str
    course: Course
    # When 95 % of the plateau are reached, with its range; empty where the readings do not tell.
    hold: str


@dataclass(frozen=True)
class RatesPage:
    """Context of the page with all time courses of a preparation."""

    frame: Frame
    rates: Rates
    lines: list[RateLine]
    figure: Figure | None
    hold: Variable | None
    holds: list[tuple[str, str]]
    use_courses: bool
    n_beside: int
    trust: str


def _offset() -> int:
    """Local time minus UTC where the server runs, until the browser says its own. [min]"""
    offset = datetime.now().astimezone().utcoffset()
    return int(offset.total_seconds() // 60) if offset else 0


def _view(session: ReadSession, run: RunView, one: SeriesCourse, listed: str) -> CourseView:
    """``listed`` is the series whose readings are all listed."""
    n = len(one.hours)
    hours, values = shown_points(one)
    data = course_figure(hours, values, one.series.unit, one.series.label, one.course)
    text = one.course.advice.sentence if one.course else one.problem
    readings = "1 reading" if n == 1 else f"{n} readings"
    title = f"{one.series.title} over time, {readings}. {text}"
    chosen = (run.row.course_shapes or {}).get(one.series.key, "")
    most = MOST_LISTED_ALL if listed == one.series.key else MOST_LISTED
    figure = Figure(f"course-{one.series.key}", title, data)
    latest = questions.latest_readings(session, int(run.row.id or 0), one.series.key, most)
    return CourseView(one, figure, n, latest, max(0, n - most), chosen)


def _page(request: Request, session: ReadSession, run_id: int, which: str) -> Callable[[FormState, int], Response]:
    """``which`` form was refused: 'reading' or 'import'."""

    def redraw(form: FormState, status: int) -> Response:
        preparation, run = view_run(session, run_id)
        points = questions.list_points(session, run_id)
        courses = series_courses(run.row, points)
        views = [_view(session, run, one, request.query_params.get("all", "")) for one in courses]
        last = points[-1].series if points else next(iter(SERIES))
        space = space_of(questions.list_variables(session, int(preparation.id or 0)), [])
        hold = hold_variable(preparation, space)
        blank = FormState({"series": last, "at_unit": hold.unit if hold else "h"})
        page = CoursePage(
            frame=Frame(preparation, "courses"),
            run=run,
            status=run_status(run),
            views=views,
            series=SERIES,
            shapes=SHAPE_WORDS,
            fewest=FEWEST_READINGS,
            form=form if which == "reading" else blank,
            import_form=form if which == "import" else blank,
            start_form=form if which == "start" else FormState(),
            units=sorted({u for s in SERIES.values() for u in s.units if u}),
            offset_minutes=_offset(),
            contradiction=yield_against_readings(run, courses, hold),
        )
        return render(request, "runs/course.html", page, status=status)

    return redraw


@router.get("/runs/{run_id}/course")
def show_course(request: Request, run_id: Id, session: ReadSession) -> Response:
    return _page(request, session, run_id, "")(FormState(), 200)


@router.post("/runs/{run_id}/start")
def start(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_run(session, run_id)

    def act() -> str:
        begin_run(session, run_id, validated(StartInput, form.typed(StartInput)))
        return f"/runs/{run_id}/course#note"

    return submit(form, act, _page(request, session, run_id, "start"), told=lambda: "The start was stored.")


@router.post("/runs/{run_id}/readings")
def note_reading(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_run(session, run_id)
    noted: list[ReadingRow] = []

    def act() -> str:
        raw = _kind_of_time(form.typed(ReadingInput))
        noted.append(add_reading(session, run_id, validated(ReadingInput, raw)))
        return f"/runs/{run_id}/course#note"

    def told() -> str:
        return f"Stored: {_reading_words(noted[0])}." if noted else STORED

    return submit(form, act, _page(request, session, run_id, "reading"), told=told)


# A day in a time: then it is no time since the start.
_DAY = re.compile(r"\d{4}-\d\d?-\d\d?|\d\d?\.\d\d?\.\d{4}")


def _kind_of_time(raw: dict[str, Any]) -> dict[str, Any]:
    """What the time of a reading counts from, where the Enter key sent the form off without saying so."""
    at = str(raw.get("at", "")).strip()
    if raw.get("at_kind") == "":
        return {**raw, "at_kind": ("clock" if _DAY.search(at) else "elapsed") if at else "now"}
    if raw.get("at_kind") == "now" and at:
        message = "A time is typed here, but ‘now’ was pressed. Clear the time to note it now, or press a button below the time."
        raise InvalidInputError({"at": message})
    return raw


def _reading_words(row: ReadingRow) -> str:
    series = SERIES[row.series]
    return f"{series.label} {plain(row.value, 5)}{' ' if series.unit else ''}{series.unit} at {duration_text(row.at_h)}"


@router.post("/runs/{run_id}/readings/import")
def bring_in(request: Request, run_id: Id, form: Form, session: ReadSession, writer: OpenWriter) -> Response:
    questions.get_run(session, run_id)
    _keep_text(form)

    def act() -> str:
        raw = form.typed(ReadingImportInput)
        rows = read_rows(session, run_id, validated(ReadingImportInput, raw), _rows_of(form))
        with writer() as writing:
            found = store_rows(writing, rows)
        said.append(_added(found.count, found.notes))
        return f"/runs/{run_id}/course"

    said: list[str] = []
    return submit(form, act, _page(request, session, run_id, "import"), told=lambda: said[0] if said else STORED)


def _added(count: int, notes: Sequence[str]) -> str:
    return ("1 reading was" if count == 1 else f"{count} readings were") + " added." + "".join(f" {n}" for n in notes[:5])


def _keep_text(form: RawForm) -> None:
    """Put the text of a small file into the text box: where something is asked, it can be looked at and changed there."""
    file = form.files.get("file")
    if file is not None and len(file.content) <= MOST_SHOWN_BYTES and (text := decode_text(file.content)) is not None:
        form.values["rows"] = text
        del form.files["file"]


def _rows_of(form: RawForm) -> str:
    """The text of the chosen file, else of the text box."""
    file = form.files.get("file")
    if file is None:
        return form.values.get("rows", "")
    if len(file.content) > MOST_READINGS_BYTES:
        raise InvalidInputError(
            {"rows": f"The file is larger than {MOST_READINGS_BYTES // 1_000_000} MB. Cut it, or thin it out."}
        )
    text = decode_text(file.content)
    if text is not None:
        return text
    raise InvalidInputError({"rows": "This file is no text. Export the readings as CSV or text, and choose that file."})


@router.post("/runs/{run_id}/shape")
def set_shape(run_id: Id, form: Form, session: WriteSession) -> Response:
    shape = form.values.get("shape", "")
    choose_shape(session, run_id, form.values.get("series", ""), shape if shape in set(Shape) else "")
    return leave_for(f"/runs/{run_id}/course#s-{form.values.get('series', '')[:20]}")


@router.get("/runs/{run_id}/readings.csv")
def download_readings(run_id: Id, session: ReadSession) -> Response:
    run = questions.get_run(session, run_id)
    headers = {"Content-Disposition": f'attachment; filename="run-{run.number}-readings.csv"'}
    return Response(as_csv(questions.list_readings(session, run_id)), media_type="text/csv; charset=utf-8", headers=headers)


def _reading_page(request: Request, session: ReadSession, reading_id: int) -> Callable[[FormState, int], Response]:
    def redraw(form: FormState, status: int) -> Response:
        reading = questions.get_reading(session, reading_id)
        preparation, run = view_run(session, reading.run_id)
        series = SERIES[reading.series]
        history = [
            f"{show_day(change.at)}: {change.what}: {change_words(change)}"
            for change in questions.list_changes(session, int(preparation.id or 0), run.number)
            if change.before and "reading" in change.what
        ]
        page = ReadingPage(Frame(preparation, "courses"), run, reading, series, form, stamp(reading), history[:20], _offset())
        return render(request, "runs/reading.html", page, status=status)

    return redraw


@router.get("/readings/{reading_id}/edit")
def edit_reading(request: Request, reading_id: Id, session: ReadSession) -> Response:
    row = questions.get_reading(session, reading_id)
    return _reading_page(request, session, reading_id)(_stored_reading(row), 200)


def _stored_reading(row: ReadingRow) -> FormState:
    at, unit = (row.at_h, "h") if row.at_h >= LONG_HOURS else (60.0 * row.at_h, "min")
    return FormState({"value": f"{row.value:.12g}", "at": f"{at:.8g} {unit}"})


@router.post("/readings/{reading_id}")
def update_reading(request: Request, reading_id: Id, form: Form, session: WriteSession) -> Response:
    row = questions.get_reading(session, reading_id)

    def act() -> str:
        check_seen(form, row, "This reading")
        raw = form.typed(ReadingInput)
        if raw.get("at") == _stored_reading(row).value("at"):
            # Shown with fewer digits than it has: what was not touched stays.
            raw.update(at=repr(row.at_h), at_unit="h", at_kind="elapsed")
        correct_reading(session, reading_id, validated(ReadingInput, raw))
        return f"/runs/{row.run_id}/course"

    return submit(form, act, _reading_page(request, session, reading_id), lambda: _stored_reading(row))


@router.post("/readings/{reading_id}/delete")
def remove_reading(reading_id: Id, session: WriteSession) -> Response:
    return leave_for(f"/runs/{delete_reading(session, reading_id)}/course", "The reading was removed.")


@router.post("/runs/{run_id}/readings/delete")
def remove_readings(run_id: Id, form: Form, session: WriteSession) -> Response:
    count = delete_readings(session, run_id, form.values.get("series", ""))
    return leave_for(f"/runs/{run_id}/course", "1 reading was removed." if count == 1 else f"{count} readings were removed.")


@router.get("/preparations/{preparation_id}/courses")
def show_rates(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    analysis = analyse(session, preparation_id)
    if analysis.beside_courses and (instead := waiting(request, analysis, "courses")) is not None:
        return instead
    preparation = analysis.preparation
    rates = rates_of(session, preparation, analysis.space, analysis.runs)
    views = {r.number: r for r in analysis.runs}
    lines = []
    for one in rates.runs:
        assert one.series.course is not None
        text = (
            setting_text(rates.temperature, views[one.run_number].settings[rates.temperature.key]) if rates.temperature else "–"
        )
        advice = one.series.course.advice
        hold = range_words(advice.to_95) if advice.to_95 is not None and not advice.is_too_early else ""
        lines.append(RateLine(one.run_number, one.run_id, text, one.series.series.label, one.series.course, hold))
    figure = None
    if rates.arrhenius is not None:
        figure = Figure("arrhenius", energy_sentence(rates), arrhenius_figure(rates.arrhenius))
    page = RatesPage(
        Frame(preparation, "courses"),
        rates,
        lines,
        figure,
        hold_variable(preparation, analysis.space),
        [(v.key, v.name) for v in analysis.space.variables if v.role is Role.HOLD_TIME],
        preparation.use_courses,
        analysis.beside_courses.n_rows if analysis.beside_courses else 0,
        trust_sentence(analysis) if analysis.beside_courses else "",
    )
    return render(request, "preparations/courses.html", page)


def energy_sentence(rates: Rates) -> str:
    """The activation energy in words."""
    fit = rates.arrhenius
    assert fit is not None
    n = len(fit.points)
    low, high = fit.energy_range
    text = f"Activation energy {plain(round(fit.energy))} kJ/mol (90 % range {plain(low, 3)} to {plain(high, 3)}), from {n} runs"
    return f"{text}." if n > 2 else f"{text}; the range rests on how much rates usually scatter from run to run."


@router.post("/preparations/{preparation_id}/courses")
def set_use(preparation_id: Id, form: Form, session: WriteSession) -> Response:
    data = validated(CourseUseInput, {"variable_id": form.values.get("variable_id"), "use": "use" in form.values})
    use_courses(session, preparation_id, data)
    return leave_for(f"/preparations/{preparation_id}/courses")
