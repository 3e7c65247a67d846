"""Time courses of runs: fits of their readings, rates against temperature, evidence about the hold."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import stats
from sqlmodel import Session

from server.compute.fits import ResultStore
from server.core.course.advice import Course, read_course
from server.core.course.arrhenius import Arrhenius, RateAt, fit_arrhenius
from server.core.course.evidence import HoldEvidence, evidence_about_hold, tells_about_product
from server.core.course.fitting import CLEAR_DIFFERENCE, thinned
from server.core.course.shapes import TO_A_PLATEAU, Shape, time_to
from server.core.model.effects import listed, runs_text
from server.core.model.runs import Beside, RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import Space
from server.core.space.units import convert, duration_text
from server.core.space.variables import REACTION_STAGES, FloatArray, Role, Stage, Variable
from server.errors import NotReadyError
from server.services.readings import SERIES, Series
from server.services.runs import RunView
from server.storage import questions
from server.storage.questions import ReadingPoint
from server.storage.tables import PreparationRow, RunRow

COURSES = ResultStore(size=512)
# The rates of one reaction are read from the series that follow it, in this order.
RATE_SERIES = ("product", "conversion", "volume", "gas", "remaining")


@dataclass(frozen=True)
class SeriesCourse:
    """Readings of one series of a run and their fit; ``course`` is None where ``problem`` says why."""

    series: Series
    hours: FloatArray
    values: FloatArray
    course: Course | None
    problem: str


def series_courses(run: RunRow, rows: Sequence[ReadingPoint]) -> list[SeriesCourse]:
    """Fit every series of a run, in the order of ``SERIES``."""
    found = []
    for series in SERIES.values():
        own = [r for r in rows if r.series == series.key]
        if own:
            found.append(_one(run, series, own))
    return found


def _one(run: RunRow, series: Series, rows: Sequence[ReadingPoint]) -> SeriesCourse:
    hours, values = np.array([r.at_h for r in rows]), np.array([r.value for r in rows])
    chosen = (run.course_shapes or {}).get(series.key)
    shape = Shape(chosen) if chosen in set(Shape) else None
    digest = hashlib.sha256(hours.tobytes() + values.tobytes())
    digest.update(repr((series.key, shape)).encode())

    def fit() -> Course | str:
        try:
            return read_course(hours, values, series.unit, shape=shape, from_zero=series.from_zero)
        except NotReadyError as error:
            return str(error)

    result = COURSES.get(digest.hexdigest(), fit)
    course = None if isinstance(result, str) else result
    return SeriesCourse(series, hours, values, course, result if isinstance(result, str) else "")


def shown_points(course: SeriesCourse, most: int = 600) -> tuple[FloatArray, FloatArray]:
    """Readings for display: all, or medians of equal stretches where there are too many."""
    return thinned(course.hours, course.values, most)


def hold_variable(preparation: PreparationRow, space: Space) -> Variable | None:
    """The hold time that time courses tell about: the chosen one, else the first hold of the first reaction stage."""
    holds = [v for v in space.variables if v.role is Role.HOLD_TIME]
    chosen = next((v for v in holds if v.key == str(preparation.course_variable_id)), None)
    return chosen or next((v for v in holds if v.stage.value == "reaction"), holds[0] if holds else None)


def evidence_beside(session: Session, preparation: PreparationRow, space: Space, counting: Sequence[RunView]) -> Beside | None:
    """What the time courses of the counting runs say about other holds, as rows beside the runs.

    Returns
    -------
    beside : Beside or None
        None where it is switched off or there is nothing. Row numbers are those of the
        runs, negative: they are no runs, but carry the errors of these.
    """
    hold = hold_variable(preparation, space) if preparation.use_courses else None
    if hold is None:
        return None
    preparation_id = int(preparation.id or 0)
    read, changes = questions.runs_with_readings(session, preparation_id), questions.latest_changes(session, preparation_id)
    rows, yields, extra, numbers = [], [], [], []
    for run in counting:
        if int(run.row.id or 0) not in read or run.row.outcome != "yield" or run.percent is None:
            continue
        hold_h = convert(float(run.settings[hold.key]), hold.unit, "h")
        # Every page asks for this, and a logger's run has many readings: they are loaded only after a change.
        mark = repr(("evidence", run.row.id, run.row.created_at, changes.get(run.number), hold_h, run.as_modelled))
        for e in COURSES.get(mark, partial(_evidence_of, session, run, hold_h)):
            rows.append({**run.settings, hold.key: convert(e.hold_h, "h", hold.unit)})
            yields.append(e.percent)
            extra.append(e.sd)
            numbers.append(-run.number)
    if not rows:
        return None
    table = RunTable(space.variables, encode(space.variables, rows), np.array(yields), np.array(extra), tuple(numbers))
    return Beside(table, tuple(frozenset((-number,)) for number in numbers))


def _courses_of(session: Session, run: RunView) -> list[SeriesCourse]:
    return series_courses(run.row, questions.list_points(session, int(run.row.id or 0)))


def _for_rate(session: Session, run: RunView) -> SeriesCourse | None:
    """The series of a run whose course tells the rate; None where none does."""
    courses = {c.series.key: c for c in _courses_of(session, run)}
    return next((courses[key] for key in RATE_SERIES if key in courses and courses[key].course is not None), None)


def _evidence_of(session: Session, run: RunView, hold_h: float) -> list[HoldEvidence]:
    """Evidence from one run: from one series, the one that tells most."""
    for one in _courses_of(session, run):
        if one.series.tells_product and one.course is not None and tells_about_product(one.course.fit.form.shape):
            return evidence_about_hold(one.course.fit, hold_h, run.as_modelled[0])
    return []


# An isolated yield above what the readings say was made at the end of the hold, by more than this, is remarked upon.
MORE_THAN_READ = 5.0  # [percentage points] (Own judgement.)


def yield_against_readings(run: RunView, courses: Sequence[SeriesCourse], hold: Variable | None) -> str:
    """That more was isolated than the readings say was made by the end of the hold; empty where that is not so."""
    if hold is None or run.row.state != "finished" or run.run_yield is None:
        return ""
    hold_h = convert(float(run.settings[hold.key]), hold.unit, "h")
    for one in courses:
        if one.series.key not in ("product", "conversion") or one.course is None or hold_h <= 0:
            continue
        if hold_h > 1.1 * float(one.course.fit.hours.max()):
            continue  # the readings stop before
        read = float(one.course.fit.at(np.array([hold_h]))[0])
        if run.run_yield.percent > read + MORE_THAN_READ:
            return (
                f"{run.run_yield.percent:.0f} % were isolated, but the readings of {one.series.label} say {read:.0f} % at the "
                f"end of the hold ({duration_text(hold_h)}): one of them is not right, or the reaction went on afterwards."
            )
    return ""


@dataclass(frozen=True)
class RunCourse:
    """The course of one run; ``is_excluded`` says that its rate does not count."""

    run_number: int
    run_id: int
    series: SeriesCourse
    celsius: float | None
    is_excluded: bool = False


@dataclass(frozen=True)
class HoldAt:
    """Hold for 95 % of the plateau at a temperature, estimated; None where the rates tell nothing. [h]"""

    label: str
    hours: float | None
    low: float | None
    high: float | None
    is_new_ground: bool


@dataclass(frozen=True)
class Rates:
    """Rates against temperature over the runs of a preparation; ``arrhenius`` is None where ``problem`` says why.

    ``differs`` are other variables of the reaction in which the runs with a rate differ; ``lost_again`` numbers
    of runs with a rate in which the product is lost again; ``order`` is the shape that all rates are taken from;
    ``delay`` is how late the runs started on average, which is part of the holds. [h]
    """

    runs: tuple[RunCourse, ...]
    temperature: Variable | None
    arrhenius: Arrhenius | None
    problem: str
    holds: tuple[HoldAt, ...]
    differs: tuple[str, ...] = ()
    lost_again: tuple[int, ...] = ()
    order: Shape = Shape.PLATEAU
    delay: float = 0.0

    @property
    def remark(self) -> str:
        """What else moved between the runs, or why there are no holds; empty where nothing is to be said."""
        words = []
        if self.order is Shape.SLOWING:
            words.append(
                "All rates are of second order here, times what was there at the start: runs at other concentrations have "
                "other rates, and runs that do not come to a plateau are left out."
            )
        if self.differs:
            does = "that does" if len(self.differs) == 1 else "these do"
            words.append(f"The runs also differ in {listed(self.differs)}, and whatever {does} to the rate is in the slope.")
        if self.lost_again:
            runs = runs_text(self.lost_again)
            words.append(
                f"In {runs} the product is lost again, so a hold for 95 % would be too long: no holds are estimated. "
                "The page of each run says when to stop."
            )
        elif self.arrhenius is not None and not self.holds:
            words.append("The rates do not show that it gets faster with temperature, so no holds are estimated from them.")
        return " ".join(words)


def rates_of(session: Session, preparation: PreparationRow, space: Space, runs: Sequence[RunView]) -> Rates:
    """Collect the courses of all runs, fit rates against temperature, and estimate holds at other temperatures."""
    hold = hold_variable(preparation, space)
    # What comes after the hold cannot have moved what was read during it.
    until: tuple[Stage, ...] = REACTION_STAGES
    if hold is not None and hold.stage in until:
        until = until[: until.index(hold.stage) + 1]
    every = [v for v in space.variables if v.role is Role.TEMPERATURE]
    same_stage = [v for v in every if hold is not None and v.stage is hold.stage]
    temperature = next(iter(same_stage or [v for v in every if hold is None or v.stage in until]), None)
    preparation_id = int(preparation.id or 0)
    read, changes = questions.runs_with_readings(session, preparation_id), questions.latest_changes(session, preparation_id)
    found: list[RunCourse] = []
    for run in runs:
        if int(run.row.id or 0) not in read:
            continue
        # A logger's run has many readings: they are loaded only after a change.
        mark = repr(("rate", run.row.id, run.row.created_at, changes.get(run.number)))
        best = COURSES.get(mark, partial(_for_rate, session, run))
        if best is not None:
            celsius = convert(float(run.settings[temperature.key]), temperature.unit, "°C") if temperature else None
            found.append(RunCourse(run.number, int(run.row.id or 0), best, celsius, run.row.excluded_reason is not None))
    if temperature is None:
        problem = "No variable is a temperature, so rates cannot be compared over it."
        if every and hold is not None:
            later = f"{listed([v.name for v in every])} {'acts' if len(every) == 1 else 'act'} after the {hold.name}"
            problem = f"{later}, which the readings follow, so rates cannot be compared over it."
        return Rates(tuple(found), None, None, problem, ())
    order = _one_order([one.series.course for one in found if one.series.course and not one.is_excluded])
    points = [p for p in (_rate(one, order) for one in found if not one.is_excluded) if p is not None]
    try:
        fit = fit_arrhenius(points)
    except NotReadyError as error:
        return Rates(tuple(found), temperature, None, str(error), ())
    used = {p.run_number for p in points}
    settings = [run.settings for run in runs if run.number in used]
    others = [v for v in space.variables if v.stage in until and v is not hold and v is not temperature]
    differs = tuple(v.name for v in others if len({row[v.key] for row in settings}) > 1)
    lost_again = tuple(sorted(one.run_number for one in found if one.run_number in used and _is_lost_again(one)))
    delay = _mean_delay([one.series.course for one in found if one.run_number in used and one.series.course is not None])
    holds = _holds(fit, temperature, order, delay) if fit.energy_range[0] > 0 and not lost_again else ()
    return Rates(tuple(found), temperature, fit, "", holds, differs, lost_again, order, delay)


def _one_order(courses: Sequence[Course]) -> Shape:
    """The order by which all courses to a plateau are compared: the one that describes them better together.

    Notes
    -----
    Sum of AICc over the runs; second order only where it leads by more than a clear difference.
    """
    lead = 0.0
    for course in courses:
        other = course.other
        if other is not None and not course.advice.is_too_early:
            both = {course.fit.form.shape: course.fit.aicc, other.form.shape: other.aicc}
            lead += both[Shape.PLATEAU] - both[Shape.SLOWING]
    return Shape.SLOWING if lead > CLEAR_DIFFERENCE else Shape.PLATEAU


def _is_lost_again(one: RunCourse) -> bool:
    course = one.series.course
    return course is not None and course.fit.form.shape is Shape.RISE_AND_DECAY


def _rate(one: RunCourse, order: Shape) -> RateAt | None:
    """Rate constant of the given order with the uncertainty of its logarithm; None where the readings do not bound it."""
    course = one.series.course
    if course is None or course.advice.is_too_early or course.advice.rate is None or one.celsius is None:
        return None
    if order is Shape.SLOWING and course.fit.form.shape not in TO_A_PLATEAU:
        return None  # first-order rates are no points of a line of second-order ones
    rate, fit = course.advice.rate, course.fit
    if fit.form.shape is not order and course.other is not None:
        rate, fit = course.other.range_of(lambda p: p["rate"]), course.other
    if rate.low is None or rate.high is None or rate.low <= 0:
        return None
    # Ranges of the readings are as wide as Student's t makes them.
    width = 2.0 * float(stats.t.ppf(0.95, fit.degrees_of_freedom))
    u_log = (np.log(rate.high) - np.log(rate.low)) / width
    return RateAt(one.run_number, convert(one.celsius, "°C", "K"), rate.value, u_log)


def _mean_delay(courses: Sequence[Course]) -> float:
    """How late runs started on average. [h]"""
    return sum(course.fit.parameters["delay"] for course in courses) / max(len(courses), 1)


def _holds(fit: Arrhenius, temperature: Variable, order: Shape, delay: float) -> tuple[HoldAt, ...]:
    grid = temperature.grid()
    if len(grid) > 12:
        grid = grid[np.unique(np.linspace(0, len(grid) - 1, 12).round().astype(int))]
    out = []
    for value in grid:
        kelvin = convert(float(value), temperature.unit, "K")
        rates = fit.rate_range(kelvin)
        out.append(
            HoldAt(
                f"{value:g} {temperature.unit}",
                _sensible(time_to(0.95, fit.rate(kelvin), delay, order)),
                _sensible(time_to(0.95, rates[1], delay, order)),
                _sensible(time_to(0.95, rates[0], delay, order)),
                fit.is_new_ground(kelvin),
            )
        )
    return tuple(out)


def _sensible(hours: float) -> float | None:
    """A hold of less than a second or more than a year tells only that nothing can be told."""
    return hours if 1.0 / 3600.0 <= hours <= 8760.0 else None
