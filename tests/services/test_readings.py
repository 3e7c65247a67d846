"""Readings: times and units as typed, rows that cannot be, corrections with history, evidence about the hold."""

import math
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest
from sqlmodel import Session

from server.core.course.evidence import evidence_about_hold
from server.core.course.fitting import fit_form
from server.core.course.shapes import Form, Shape
from server.core.model.ladder import fit_ladder
from server.core.space.coordinates import encode
from server.core.space.variables import Role, Stage
from server.errors import ConflictError, InvalidInputError, NeedsConfirmationError
from server.services import readings as readings_service
from server.services.analysis import analyse
from server.services.courses import rates_of, series_courses, yield_against_readings
from server.services.inputs import (
    CourseUseInput,
    FinishedRunInput,
    PlannedRunInput,
    ReadingImportInput,
    ReadingInput,
    StartInput,
    VariableInput,
    validated,
)
from server.services.numbers import NumberTextError
from server.services.preparations import use_courses
from server.services.readings import (
    SERIES,
    add_reading,
    as_csv,
    begin_run,
    choose_shape,
    correct_reading,
    delete_reading,
    delete_readings,
    import_readings,
    read_clock,
    read_elapsed,
    read_rows,
    start_run,
    store_rows,
    to_series_unit,
)
from server.services.runs import plan_run, record_run, view_run
from server.services.variables import add_variable
from server.storage import questions
from tests.factories import make_preparation, make_run

START = datetime(2026, 3, 31, 12, 0, tzinfo=UTC)
SETTINGS = {"hold": 2, "bath": 120, "agent": "MgSO4"}


@pytest.fixture
def run_id(session: Session) -> int:
    preparation = make_preparation(session)
    return int(make_run(session, preparation).id or 0)


def reading(**raw: Any) -> ReadingInput:
    found: ReadingInput = validated(ReadingInput, {"series": "volume", "at_kind": "elapsed", "value": "1", **raw})
    return found


def how(**raw: Any) -> ReadingImportInput:
    found: ReadingImportInput = validated(ReadingImportInput, {"series": "volume", "at_unit": "min", **raw})
    return found


@pytest.mark.parametrize(
    ("text", "unit", "hours"),
    [
        ("1.5", "h", 1.5),
        ("90", "min", 1.5),
        ("90 min", "h", 1.5),
        ("1:30", "min", 1.5),
        ("0:00:36", "h", 0.01),
        ("2 d", "h", 48.0),
        ("1 h 30 min", "min", 1.5),
        ("1h30", "min", 1.5),
    ],
)
def test_elapsed_times(text: str, unit: str, hours: float) -> None:
    assert read_elapsed(text, unit) == pytest.approx(hours)


@pytest.mark.parametrize(
    ("text", "offset", "hours"),
    [
        ("14:05", 0, 2 + 5 / 60),
        ("14:05", 60, 1 + 5 / 60),
        ("11:00", 0, 23.0),  # past midnight
        ("12:00", 0, 0.0),
        ("2026-04-01 12:30", 0, 24.5),
        ("2026-03-31T14:00:00+00:00", 120, 2.0),
    ],
)
def test_clock_times(text: str, offset: int, hours: float) -> None:
    assert read_clock(text, START, timezone(timedelta(minutes=offset))) == pytest.approx(hours)


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda: read_elapsed("-1", "h"), "before the start"),
        (lambda: read_elapsed("9000", "h"), "more than a year"),
        (lambda: read_elapsed("soon", "h"), "not a number"),
        (lambda: read_elapsed("1,5", "h"), "Write it with a point"),
        (lambda: read_clock("14:05", None, UTC), "needs the start"),
        (lambda: read_clock("2026-03-31 11:00", START, UTC), "before the start"),
        (lambda: read_clock("noon", START, UTC), "is not a time"),
        (lambda: to_series_unit(SERIES["volume"], 1.0, "%"), "is not read in %"),
        (lambda: to_series_unit(SERIES["volume"], -1.0, "mL"), "cannot be below 0"),
        (lambda: to_series_unit(SERIES["conversion"], 150.0, "%"), "not possible"),
        (lambda: to_series_unit(SERIES["temperature"], 5000.0, "K"), "cannot be meant"),
        (lambda: to_series_unit(SERIES["temperature"], -1.0, "K"), "absolute zero"),
        (lambda: to_series_unit(SERIES["ph"], 500.0, ""), "cannot be meant"),
        (lambda: to_series_unit(SERIES["ph"], 7.0, "mL"), "leave the unit as shown"),
        (lambda: to_series_unit(SERIES["gas"], 1e12, "L"), "cannot be meant"),
        (lambda: read_clock("0001-01-01T00:00+14:00", START, UTC), "no time that a run can have"),
    ],
)
def test_what_cannot_be_is_said(act: Callable[[], float], words: str) -> None:
    with pytest.raises(NumberTextError, match=words):
        act()


def test_units_of_one_kind_are_converted() -> None:
    assert to_series_unit(SERIES["gas"], 0.25, "L") == pytest.approx(250.0)
    assert to_series_unit(SERIES["temperature"], 212.0, "°F") == pytest.approx(100.0)


def test_now_needs_a_start_and_counts_from_it(session: Session) -> None:
    preparation = make_preparation(session)
    plan = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4"}))
    run_id = int(plan.id or 0)
    with pytest.raises(InvalidInputError, match="press ‘Start’"):
        add_reading(session, run_id, reading(at_kind="now"))
    start_run(session, run_id, datetime.now(UTC) - timedelta(minutes=30))
    row = add_reading(session, run_id, reading(at_kind="now", value="12.5"))
    assert row.at_h == pytest.approx(0.5, abs=0.01)


def test_a_second_reading_at_the_same_time_needs_a_yes(session: Session, run_id: int) -> None:
    add_reading(session, run_id, reading(at="1"))
    with pytest.raises(NeedsConfirmationError):
        add_reading(session, run_id, reading(at="1", value="2"))
    add_reading(session, run_id, reading(at="1", value="2", confirm=["same_time"]))
    assert questions.count_readings(session, run_id) == 2


def test_a_correction_and_a_removal_keep_what_was(session: Session, run_id: int) -> None:
    row = add_reading(session, run_id, reading(at="1", value="5"))
    correct_reading(session, int(row.id or 0), reading(at="1.5", value="7"))
    run = questions.get_run(session, run_id)
    newest = questions.list_changes(session, run.preparation_id, run.number)[0]
    assert newest.before == {"at_h": 1.0, "value": 5.0}
    assert newest.after == {"at_h": 1.5, "value": 7.0}
    delete_reading(session, int(row.id or 0))
    newest = questions.list_changes(session, run.preparation_id, run.number)[0]
    assert (newest.before or {})["value"] == 7.0
    assert questions.count_readings(session, run_id) == 0


def test_all_readings_of_one_kind_go_at_once_and_stay_in_the_history(session: Session, run_id: int) -> None:
    import_readings(session, run_id, how(), "0 0\n30 12.5\n60 20")
    add_reading(session, run_id, reading(series="temperature", at="1", value="60"))
    assert delete_readings(session, run_id, "volume") == 3
    assert [r.series for r in questions.list_readings(session, run_id)] == ["temperature"]
    run = questions.get_run(session, run_id)
    newest = questions.list_changes(session, run.preparation_id, run.number)[0]
    assert newest.what == "all 3 readings of volume collected removed"
    assert newest.before == {"unit": "mL", "hours_and_values": [[0.0, 0.0], [0.5, 12.5], [1.0, 20.0]]}
    assert delete_readings(session, run_id, "volume") == 0
    with pytest.raises(InvalidInputError, match="Choose one of"):
        delete_readings(session, run_id, "colour")


@pytest.mark.parametrize(
    ("heading", "said", "in_hours"),
    [
        ("Zeit/min;V/mL", "h", 0.5),
        ("time (min),V (mL)", "h", 0.5),
        ("minutes\tmL", "h", 0.5),
        ("hours;mL", "min", 30.0),
        ("elapsed h;mL", "min", 30.0),
        ("Run 3\nt [s];V", "h", 30 / 3600),
    ],
)
def test_a_heading_with_another_unit_is_asked_about(
    session: Session, run_id: int, heading: str, said: str, in_hours: float
) -> None:
    mark = ";" if ";" in heading else "," if "," in heading else "\t"
    text = heading + f"\n0{mark}0\n30{mark}12.5\n60{mark}20"
    with pytest.raises(NeedsConfirmationError) as asked:
        import_readings(session, run_id, how(at_unit=said), text)
    assert asked.value.code == "time_unit_of_heading"
    assert questions.count_readings(session, run_id) == 0
    import_readings(session, run_id, how(at_unit=said, confirm=["time_unit_of_heading"]), text)
    assert questions.list_readings(session, run_id)[1].at_h == pytest.approx(in_hours)
    delete_readings(session, run_id, "volume")
    import_readings(session, run_id, how(at_unit=said, confirm=["time_unit_of_form"]), text)
    assert questions.list_readings(session, run_id)[1].at_h == pytest.approx(30 if said == "h" else 0.5)


def test_a_heading_with_another_unit_of_readings_is_asked_about(session: Session, run_id: int) -> None:
    text = "t / min; V / L\n0;0\n30;0,5"
    with pytest.raises(NeedsConfirmationError) as asked:
        import_readings(session, run_id, how(), text)
    assert asked.value.code == "reading_unit_of_heading"
    import_readings(session, run_id, how(confirm=["reading_unit_of_heading"]), text)
    assert [r.value for r in questions.list_readings(session, run_id)] == [0.0, 500.0]


@pytest.mark.parametrize(
    ("text", "code", "values"),
    [
        ("0:10, 0,15\n0:20, 0,40\n0:40, 0,75", "more_columns", [0, 0, 0]),
        ("10\t1,250\n20\t2,500", "comma", [1.25, 2.5]),
    ],
)
def test_commas_that_may_be_meant_otherwise_are_asked_about(
    session: Session, run_id: int, text: str, code: str, values: list[float]
) -> None:
    with pytest.raises(NeedsConfirmationError) as asked:
        import_readings(session, run_id, how(), text)
    assert asked.value.code == code
    import_readings(session, run_id, how(confirm=[code]), text)
    assert [r.value for r in questions.list_readings(session, run_id)] == values


@pytest.mark.parametrize("text", ["t,V,T\n0,0.0,20\n30,12.5,21", "10\t1,250\n20\t2,5", "10\t0,250\n20\t0,500"])
def test_commas_that_are_plain_are_not_asked_about(session: Session, run_id: int, text: str) -> None:
    assert import_readings(session, run_id, how(), text).count == 2


@pytest.mark.parametrize(
    "text",
    [
        "0\t0\n30\t12.5\n60\t20",
        "time;volume\n0;0\n30;12,5\n60;20",
        "minutes,mL\n0,0\n30,12.5\n60,20\n",
        "\ufeff0 0\n30 12.5\r\n60   20\n\n",
        '"t","v"\n"0","0"\n"30","12.5"\n"60","20"',
        "0,0 0\n30,0 12,5\n60,0 20,0",
        "time volume\n0,0 0,0\n30 12,5\n60,0 20",
    ],
)
def test_rows_are_read_however_they_are_separated(session: Session, run_id: int, text: str) -> None:
    assert import_readings(session, run_id, how(), text).count == 3
    rows = questions.list_readings(session, run_id)
    assert [(r.at_h, r.value) for r in rows] == [(0.0, 0.0), (0.5, 12.5), (1.0, 20.0)]


def test_other_columns_and_clock_times_of_a_logger(session: Session, run_id: int) -> None:
    start_run(session, run_id, START)
    text = "id,when,T,V\n1,2026-03-31 12:30,80,5\n2,2026-03-31 13:00,81,9\n"
    import_readings(session, run_id, how(at_kind="clock", time_column=2, value_column=4), text)
    assert [(r.at_h, r.value) for r in questions.list_readings(session, run_id)] == [(0.5, 5.0), (1.0, 9.0)]


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("0 0\n10 5\n5 3\n20 9", "sort", "Time goes backwards at row 3"),
        ("0 0\n10 5\n10 6\n20 9", "same_time", "same time as in the row before stands in row 3"),
        ("0 0\n10 x\n20 9", "skip_bad", "Row 2: “x” is not a number"),
        ("0 0\n10 -5\n20 9", "skip_bad", "Row 2: volume collected cannot be below 0"),
        ("0 0\n10\n20 9", "skip_bad", "Row 2: there is 1 cell"),
    ],
)
def test_bad_rows_are_named_and_nothing_is_stored_without_a_yes(
    session: Session, run_id: int, text: str, code: str, words: str
) -> None:
    with pytest.raises(NeedsConfirmationError, match=words) as refused:
        import_readings(session, run_id, how(), text)
    assert refused.value.code == code
    assert questions.count_readings(session, run_id) == 0
    found = import_readings(session, run_id, how(confirm=[code]), text)
    assert found.count == (3 if code == "skip_bad" else 4) - (code == "skip_bad")
    hours = [r.at_h for r in questions.list_readings(session, run_id)]
    assert hours == sorted(hours)


def test_a_bad_first_row_is_no_heading(session: Session, run_id: int) -> None:
    for text in ("-1 20\n2 30\n3 40", "O.5 20\n2 30", "0 1.234,5\n2 30"):
        with pytest.raises(NeedsConfirmationError, match="Row 1"):
            import_readings(session, run_id, how(), text)
    assert questions.count_readings(session, run_id) == 0


def test_a_spoilt_row_spoils_no_other(session: Session, run_id: int) -> None:
    text = "0;" + "1" * 140_000 + "\n1;2"
    with pytest.raises(NeedsConfirmationError, match="Row 1"):
        import_readings(session, run_id, how(), text)
    assert import_readings(session, run_id, how(confirm=["skip_bad"]), text).count == 1
    # A stray quotation mark swallows no row and shifts no number.
    with pytest.raises(NeedsConfirmationError, match="Row 3: “x”"):
        import_readings(session, run_id, how(), '2;"5\n3;6\n4;x\n5;7')


def test_blanks_separate_more_than_two_columns_and_keep_dates_and_units_together(session: Session, run_id: int) -> None:
    import_readings(session, run_id, how(value_column=3), "0 80 1.5\n10 81 2.5\n")
    start_run(session, run_id, START)
    text = "2026-03-31 12:45 5\n2026-03-31 13:00 9\n"
    import_readings(session, run_id, how(at_kind="clock"), text)
    import_readings(session, run_id, how(), "70 min 11\n80 min 12\n")
    assert [r.value for r in questions.list_readings(session, run_id)] == [1.5, 2.5, 5.0, 9.0, 11.0, 12.0]
    with pytest.raises(InvalidInputError, match="same column"):
        import_readings(session, run_id, how(value_column=1), "0 1\n1 2")


def test_a_reading_ahead_of_the_clock_needs_a_yes(session: Session) -> None:
    preparation = make_preparation(session)
    plan = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4"}))
    key = int(plan.id or 0)
    start_run(session, key, datetime.now(UTC) - timedelta(minutes=20))
    with pytest.raises(NeedsConfirmationError, match="not at 5 h yet"):
        add_reading(session, key, reading(at="5"))
    add_reading(session, key, reading(at="5", at_unit="min"))
    add_reading(session, key, reading(at="5", confirm=["future"]))
    assert questions.count_readings(session, key) == 2


@pytest.mark.parametrize("text", ["", "  \n", "time value", "a b\nc d"])
def test_nothing_to_read_is_said(session: Session, run_id: int, text: str) -> None:
    with pytest.raises(InvalidInputError):
        import_readings(session, run_id, how(), text)


def test_more_readings_than_a_run_can_keep_are_refused(session: Session, run_id: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings_service, "MOST_READINGS", 4)
    import_readings(session, run_id, how(), "0 0\n30 12.5\n60 20")
    with pytest.raises(InvalidInputError, match="A run can keep 4 readings; there are 3 and 2 more came"):
        import_readings(session, run_id, how(), "90 22\n120 23")
    with pytest.raises(InvalidInputError, match="There are 12 rows; a run can keep 4"):
        import_readings(session, run_id, how(), "\n".join(f"{k} {k}" for k in range(12)))
    assert questions.count_readings(session, run_id) == 3


def test_a_gap_is_noted_and_kept(session: Session, run_id: int) -> None:
    text = "\n".join(f"{t} {t}" for t in [0, 1, 2, 3, 4, 60, 61, 62])
    found = import_readings(session, run_id, how(), text)
    assert found.notes == ("Gap of 56 min between rows 5 and 6.",)


def test_a_hundred_thousand_rows_are_all_kept(session: Session, run_id: int) -> None:
    text = "\n".join(f"{k / 60:.4f};{100 * (1 - math.exp(-k / 20000)):.3f}" for k in range(100_000))
    found = import_readings(session, run_id, how(confirm=["same_time"]), text)
    assert found.count == 100_000
    assert as_csv(questions.list_readings(session, run_id)).count("\n") == 100_001


def test_readings_that_lie_ahead_of_the_clock_need_a_yes_from_a_table_too(session: Session) -> None:
    run = plan_run(session, int(make_preparation(session).id or 0), PlannedRunInput(settings=SETTINGS))
    start_run(session, int(run.id or 0))
    rows = "0 0\n0.5 1\n1 2\n1.5 3\n2 4\n1842 5"
    with pytest.raises(NeedsConfirmationError, match="not at 1 d 6 h 42 min yet") as asked:
        import_readings(session, int(run.id or 0), how(), rows)
    assert (asked.value.field, asked.value.code) == ("rows", "future")
    found = import_readings(session, int(run.id or 0), how(confirm=["future"]), rows)
    assert (found.count, found.notes) == (6, ("Gap of 1 d 6 h 40 min between rows 5 and 6.",))


def test_where_nothing_can_be_read_the_columns_are_asked_for(session: Session, run_id: int) -> None:
    with pytest.raises(InvalidInputError, match="looked for in column 1, readings in column 2"):
        import_readings(session, run_id, how(), "27.11.2026;10:00;22\n27.11.2026;10:10;25")


def test_the_chosen_shape_is_kept(session: Session, run_id: int) -> None:
    choose_shape(session, run_id, "volume", "straight")
    assert questions.get_run(session, run_id).course_shapes == {"volume": "straight"}
    choose_shape(session, run_id, "volume", "")
    assert questions.get_run(session, run_id).course_shapes == {}


def course_text(rate: float, hours: float) -> str:
    return "\n".join(f"{60 * t:.2f} {90 * (1 - math.exp(-rate * t)):.2f}" for t in np.linspace(0.1, hours, 14))


def test_evidence_is_in_proportion_to_the_curve() -> None:
    t = np.linspace(0.1, 3.0, 14)
    fit = fit_form(t, 90 * -np.expm1(-0.8 * t), Form(Shape.PLATEAU))
    found = evidence_about_hold(fit, 3.0, 60.0)
    for e in found:
        assert e.percent == pytest.approx(60.0 * -math.expm1(-0.8 * e.hold_h) / -math.expm1(-0.8 * 3.0), abs=0.3)
        assert e.sd >= 1.0
    assert len(found) == 3
    # A hold that ends long after the last reading is not known.
    assert evidence_about_hold(fit, 6.0, 60.0) == []


def test_what_is_used_up_tells_as_much_as_what_is_made() -> None:
    t = np.linspace(0.1, 3.0, 14)
    left = fit_form(t, 95 * np.exp(-0.8 * t) + 4.0, Form(Shape.PLATEAU, has_start=True))
    found = evidence_about_hold(left, 3.0, 60.0)
    assert len(found) == 3
    for e in found:
        assert e.percent == pytest.approx(60.0 * -math.expm1(-0.8 * e.hold_h) / -math.expm1(-0.8 * 3.0), abs=0.3)
    # Starting material that becomes more tells nothing, nor does a fall and rise.
    assert evidence_about_hold(fit_form(t, 90 * -np.expm1(-0.8 * t) + 4.0, Form(Shape.PLATEAU, has_start=True)), 3.0, 60.0) == []
    bent = fit_form(t, 95 * np.exp(-0.8 * t), Form(Shape.RISE_AND_DECAY, has_start=True))
    assert evidence_about_hold(bent, 3.0, 60.0) == []


def test_readings_of_starting_material_are_evidence(session: Session) -> None:
    preparation = make_preparation(session)
    run = make_run(session, preparation, 70.0, settings={"hold": 3.0})
    rows = "\n".join(f"{60 * t:.2f} {96 * math.exp(-0.9 * t) + 2:.2f}" for t in np.linspace(0.0, 3.0, 12))
    import_readings(session, int(run.id or 0), how(series="remaining"), rows)
    beside = analyse(session, int(preparation.id or 0)).beside
    assert beside is not None
    assert beside.n_rows == 3


def test_a_followed_run_teaches_the_models_about_the_hold_and_can_be_switched_off(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    for hold, percent in ((4.0, 70.0), (4.5, 70.5), (4.0, 69.5)):
        run = make_run(session, preparation, percent, settings={"hold": hold})
        import_readings(session, int(run.id or 0), how(series="product"), course_text(0.8, hold))
    with_courses = analyse(session, key)
    assert with_courses.beside is not None
    assert with_courses.table.n_runs == 3
    assert set(with_courses.beside.table.numbers) == {-1, -2, -3}
    at = encode(with_courses.space.variables, [{**with_courses.counting[0].settings, "1": 1.5}])
    # The curve says 70 · (1 − e^(−1.2))/(1 − e^(−3.2)) = 51 % at 1.5 h, which no run told.
    told = with_courses.ladder.predict(at)
    assert float(told.mean[0]) == pytest.approx(51.0, abs=6.0)
    use_courses(session, key, CourseUseInput(use=False))
    without = analyse(session, key)
    assert without.beside is None
    plain = without.ladder.predict(at)
    assert float(plain.sd[0]) > 1.5 * float(told.sd[0])
    # Weights of the rungs come from the runs alone.
    np.testing.assert_array_equal(without.ladder.weights, with_courses.ladder.weights)
    assert without.ladder.table.n_runs == with_courses.ladder.table.n_runs


def test_no_evidence_is_the_plain_fit(session: Session) -> None:
    preparation = make_preparation(session)
    for percent in (60.0, 65.0):
        make_run(session, preparation, percent)
    analysis = analyse(session, int(preparation.id or 0))
    again = fit_ladder(analysis.table, beside=None)
    np.testing.assert_array_equal(analysis.ladder.predict(analysis.table.coded).mean, again.predict(analysis.table.coded).mean)


def test_rates_over_temperature_give_the_energy_and_holds(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    for celsius in (110.0, 120.0, 130.0):
        rate = math.exp(25.0 - 80.0 / (8.314462618e-3 * (celsius + 273.15)))
        run = make_run(session, preparation, 60.0, settings={"bath": celsius})
        import_readings(session, int(run.id or 0), how(series="product"), course_text(rate, 4.0))
    analysis = analyse(session, key)
    rates = rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    assert rates.arrhenius is not None
    assert rates.arrhenius.energy == pytest.approx(80.0, rel=0.03)
    inside = {h.label for h in rates.holds if not h.is_new_ground}
    assert inside == {"110 °C", "115 °C", "120 °C", "125 °C", "130 °C"}


def test_holds_at_other_temperatures_hold_the_delay_of_the_runs(session: Session) -> None:
    preparation = make_preparation(session)
    for celsius, rate in ((110.0, 0.9), (120.0, 1.6), (130.0, 2.7)):
        run = make_run(session, preparation, 60.0, settings={"bath": celsius})
        # Every run starts an hour late.
        rows = "\n".join(f"{60 * t:.1f};{80 * -math.expm1(-rate * max(t - 1.0, 0.0)):.3f}" for t in np.arange(0.0, 6.1, 0.4))
        import_readings(session, int(run.id or 0), how(series="product"), rows)
    analysis = analyse(session, int(preparation.id or 0))
    rates = rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    assert rates.delay == pytest.approx(1.0, abs=0.02)
    (at_120,) = (h for h in rates.holds if h.label == "120 °C")
    # ln 20 / 1.6 and the hour.
    assert at_120.hours == pytest.approx(1.0 + math.log(20.0) / 1.6, rel=0.03)
    assert at_120.low is not None
    assert at_120.low > 1.0


def test_the_hour_that_comes_twice_is_the_second_one_where_the_first_would_go_backwards(session: Session) -> None:
    # Summer time ended on 2025-10-26: after 02:59:59 came 02:00 once more.
    preparation = make_preparation(session)
    clock = how(at_kind="clock", zone="Europe/Berlin")
    hours = []
    for began, rows in (
        ("2025-10-26T02:50:00+01:00", "02:55;21\n03:00;22\n03:10;23"),
        ("2025-10-26T02:10:00+02:00", "02:10;20\n02:50;22\n02:10;23\n02:50;25\n03:10;26"),
    ):
        run = make_run(session, preparation, 60.0)
        begin_run(session, int(run.id or 0), StartInput(began=began, zone="Europe/Berlin"))
        import_readings(session, int(run.id or 0), clock, rows)
        hours.append([round(r.at_h, 3) for r in questions.list_readings(session, int(run.id or 0))])
    assert hours == [[0.083, 0.167, 0.333], [0.0, 0.667, 1.0, 1.667, 2.0]]


def test_times_of_day_over_more_than_a_year_are_refused_kindly(session: Session) -> None:
    run = make_run(session, make_preparation(session), 60.0)
    begin_run(session, int(run.id or 0), StartInput(began="2025-01-01 00:30", zone="Europe/Berlin"))
    rows = "\n".join(f"{at};{k}" for k, at in enumerate(["23:00", "01:00"] * 400))
    clock = how(at_kind="clock", zone="Europe/Berlin", confirm=["next_day", "sort"])
    with pytest.raises(InvalidInputError, match=r"Row 7\d\d: This is more than a year after the start"):
        import_readings(session, int(run.id or 0), clock, rows)


def test_rates_of_all_runs_are_compared_in_one_order(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    rng = np.random.default_rng(2)
    for celsius in (100.0, 110.0, 120.0, 130.0, 140.0):
        rate = math.exp(25.0 - 80.0 / (8.314462618e-3 * (celsius + 273.15)))
        hours = np.linspace(0.0, 8.0 / rate, 13)
        values = 90.0 * rate * hours / (1.0 + rate * hours) + rng.normal(0, 0.4, 13)
        if celsius == 120.0:
            # Read too roughly to tell one order from the other.
            hours, values = hours[1::3], values[1::3]
        run = make_run(session, preparation, 60.0, settings={"bath": celsius})
        text = "\n".join(f"{h:.5f}\t{max(v, 0.0):.3f}" for h, v in zip(hours, values, strict=True))
        import_readings(session, int(run.id or 0), how(series="product", at_unit="h", confirm=["comma"]), text)
    analysis = analyse(session, key)
    rates = rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    assert rates.order is Shape.SLOWING
    assert rates.remark.startswith("All rates are of second order here")
    assert rates.arrhenius is not None
    assert rates.arrhenius.energy == pytest.approx(80.0, rel=0.1)
    hold = next(h for h in rates.holds if h.label == "130 °C")
    k = math.exp(25.0 - 80.0 / (8.314462618e-3 * 403.15))
    assert hold.hours == pytest.approx(19.0 / k, rel=0.15)


def test_where_the_product_is_lost_again_no_hold_for_95_percent_is_estimated(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    rng = np.random.default_rng(4)
    for celsius in (110.0, 120.0, 130.0):
        k1 = math.exp(25.0 - 80.0 / (8.314462618e-3 * (celsius + 273.15)))
        k2 = 0.4 * k1
        hours = np.linspace(0.0, 6.0 / k1, 25)
        values = 100.0 * k1 / (k2 - k1) * (np.exp(-k1 * hours) - np.exp(-k2 * hours)) + rng.normal(0, 0.3, 25)
        run = make_run(session, preparation, 40.0, settings={"bath": celsius})
        text = "\n".join(f"{h:.5f}\t{max(v, 0.0):.3f}" for h, v in zip(hours, values, strict=True))
        import_readings(session, int(run.id or 0), how(series="product", at_unit="h", confirm=["comma"]), text)
    analysis = analyse(session, key)
    rates = rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    assert rates.arrhenius is not None
    assert rates.lost_again == (1, 2, 3)
    assert rates.holds == ()
    assert "In runs 1, 2 and 3 the product is lost again, so a hold for 95 % would be too long" in rates.remark


def test_more_isolated_than_was_read_is_remarked_upon(session: Session) -> None:
    preparation = make_preparation(session)
    told = {}
    for percent in (95.0, 70.0):
        run = make_run(session, preparation, percent, settings={"hold": 2.0})
        import_readings(session, int(run.id or 0), how(series="conversion"), course_text(0.9, 4.0))
        view = view_run(session, int(run.id or 0))[1]
        analysis = analyse(session, int(preparation.id or 0))
        courses = series_courses(run, questions.list_points(session, int(run.id or 0)))
        told[percent] = yield_against_readings(view, courses, analysis.space.variables[0])
        assert yield_against_readings(view, courses, None) == ""
    assert told[95.0].startswith("95 % were isolated, but the readings of conversion say ")
    assert told[95.0].endswith("one of them is not right, or the reaction went on afterwards.")
    assert told[70.0] == ""


def test_readings_are_loaded_again_only_after_a_change(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    run = make_run(session, preparation, 70.0, settings={"hold": 4.0})
    import_readings(session, int(run.id or 0), how(series="product"), course_text(0.8, 4.0))
    first = analyse(session, key).beside
    assert first is not None
    loads = []
    plain = questions.list_points

    def counted(*asked: Any) -> Any:
        loads.append(asked)
        return plain(*asked)

    monkeypatch.setattr(questions, "list_points", counted)
    again = analyse(session, key).beside
    assert again is not None
    np.testing.assert_array_equal(again.table.yields, first.table.yields)
    assert loads == []
    # A correction far off the curve is a change, and so is a shape chosen by hand.
    row = questions.list_readings(session, int(run.id or 0))[0]
    correct_reading(session, int(row.id or 0), reading(series="product", at="0.1", value="60"))
    loads.clear()
    corrected = analyse(session, key).beside
    assert len(loads) == 1
    assert corrected is not None
    assert not np.array_equal(corrected.table.yields, first.table.yields)
    choose_shape(session, int(run.id or 0), "product", "straight")
    assert analyse(session, key).beside is None


def test_times_of_day_over_two_midnights_go_on(session: Session, run_id: int) -> None:
    start_run(session, run_id, START)
    # 48 h by the clock, every six hours; a small step back is disorder still.
    clock = [f"{(12 + 6 * k) % 24:02d}:00;{k}" for k in range(9)]
    import_readings(session, run_id, how(at_kind="clock"), "\n".join(clock))
    assert [r.at_h for r in questions.list_readings(session, run_id)] == [6.0 * k for k in range(9)]
    with pytest.raises(NeedsConfirmationError, match="Time goes backwards at row 2"):
        import_readings(session, run_id, how(at_kind="clock", series="temperature"), "15:00;80\n14:00;81\n16:00;82")


def test_a_file_that_grew_brings_only_what_is_new(session: Session, run_id: int) -> None:
    rows = [f"{k};{k % 7}" for k in range(20)]
    import_readings(session, run_id, how(), "\n".join(rows[:12]))
    assert import_readings(session, run_id, how(confirm=["known"]), "\n".join(rows)).count == 8
    assert questions.count_readings(session, run_id) == 20


@pytest.mark.parametrize(
    ("began", "offset", "expected"),
    [
        ("2026-03-31 14:05", 120, datetime(2026, 3, 31, 12, 5, tzinfo=UTC)),
        ("31.03.2026 14:05", 120, datetime(2026, 3, 31, 12, 5, tzinfo=UTC)),
        ("9:30", 60, datetime(2026, 3, 30, 8, 30, tzinfo=UTC)),  # on the day it was made
        ("2026-03-31T14:05:00+02:00", 0, datetime(2026, 3, 31, 12, 5, tzinfo=UTC)),
    ],
)
def test_a_finished_run_is_told_when_it_began(session: Session, began: str, offset: int, expected: datetime) -> None:
    run = make_run(session, make_preparation(session), made_on=date(2026, 3, 30))
    key = int(run.id or 0)
    begin_run(session, key, StartInput(began=began, offset_minutes=offset))
    assert run.started_at == expected
    assert run.state == "finished"
    # Now a file with dates can be read.
    local = (expected + timedelta(minutes=offset)).replace(tzinfo=None)
    rows = "\n".join(f"{(local + timedelta(minutes=10 * k)):%Y-%m-%d %H:%M};{k}" for k in range(3))
    import_readings(session, key, how(at_kind="clock", offset_minutes=offset), rows)
    assert [r.at_h for r in questions.list_readings(session, key)] == pytest.approx([0, 1 / 6, 1 / 3])


@pytest.mark.parametrize(
    ("began", "words"), [("noon", "is not a time"), ("2999-01-01 10:00", "ahead of now"), ("0001-01-01 10:00", "so long ago")]
)
def test_a_start_that_cannot_be_is_sent_back(session: Session, began: str, words: str) -> None:
    run = make_run(session, make_preparation(session))
    with pytest.raises(InvalidInputError, match=words) as refused:
        begin_run(session, int(run.id or 0), StartInput(began=began))
    assert set(refused.value.messages) == {"began"}
    assert run.started_at is None


def test_a_time_of_day_has_the_offset_of_its_own_day(session: Session) -> None:
    # Berlin was an hour ahead of UTC on 2 March 2026, and two hours on the summer's day on which the file is read.
    run = make_run(session, make_preparation(session), made_on=date(2026, 3, 2))
    key = int(run.id or 0)
    begin_run(session, key, StartInput(began="14:00", zone="Europe/Berlin", offset_minutes=120))
    assert run.started_at == datetime(2026, 3, 2, 13, 0, tzinfo=UTC)
    typed = how(at_kind="clock", zone="Europe/Berlin", offset_minutes=120)
    import_readings(session, key, typed, "14:05;10\n14:35;30\n2026-03-02 15:30;45")
    assert [r.at_h for r in questions.list_readings(session, key)] == pytest.approx([5 / 60, 35 / 60, 1.5])
    # An unknown zone leaves what the browser said of today.
    begin_run(session, key, StartInput(began="14:00", zone="Atlantis/Poseidonis", offset_minutes=120))
    assert run.started_at == datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def test_a_first_time_of_day_before_the_start_is_asked_about(session: Session) -> None:
    run = make_run(session, make_preparation(session), made_on=date(2026, 3, 2))
    key = int(run.id or 0)
    begin_run(session, key, StartInput(began="14:00"))
    with pytest.raises(NeedsConfirmationError, match="before the start of the run") as asked:
        import_readings(session, key, how(at_kind="clock"), "13:30 1\n13:40 2")
    import_readings(session, key, how(at_kind="clock", confirm=[asked.value.answer]), "13:30 1\n13:40 2")
    assert [r.at_h for r in questions.list_readings(session, key)] == pytest.approx([23.5, 23 + 2 / 3])


def test_a_value_may_carry_its_unit(session: Session, run_id: int) -> None:
    import_readings(session, run_id, how(series="conversion"), "10;7,1 %\n20;12,5%\n30;20")
    assert [r.value for r in questions.list_readings(session, run_id)] == [7.1, 12.5, 20.0]


def test_a_time_of_day_is_the_last_one_of_a_run_that_takes_days(session: Session) -> None:
    preparation = make_preparation(session)
    plan = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings={"hold": 2, "bath": 120, "agent": "MgSO4"}))
    key, moment = int(plan.id or 0), datetime.now(UTC)
    start_run(session, key, moment - timedelta(hours=49))
    row = add_reading(session, key, reading(at_kind="clock", at=f"{moment:%H:%M}"))
    assert row.at_h == pytest.approx(49.0, abs=1 / 60)
    early = moment - timedelta(hours=3)
    row = add_reading(session, key, reading(at_kind="clock", at=f"{early:%H:%M}", confirm=["last_day"]))
    assert row.at_h == pytest.approx(46.0, abs=1 / 60)
    # A correction stays on its day.
    first = add_reading(session, key, reading(at="1", at_unit="h"))
    moved = moment - timedelta(hours=48) + timedelta(minutes=5)
    assert correct_reading(session, int(first.id or 0), reading(at_kind="clock", at=f"{moved:%H:%M}")).at_h == pytest.approx(
        1 + 5 / 60, abs=1 / 60
    )
    # Once it is over, nobody knows which day is meant.
    record_run(session, int(preparation.id or 0), FinishedRunInput(settings=SETTINGS, yield_percent=50), run_id=key)
    with pytest.raises(InvalidInputError, match="Write the date too"):
        add_reading(session, key, reading(at_kind="clock", at=f"{early:%H:%M}"))
    row = add_reading(session, key, reading(at_kind="clock", at=f"{early - timedelta(days=1):%Y-%m-%d %H:%M}"))
    assert row.at_h == pytest.approx(22.0, abs=1 / 60)


def test_undated_times_count_the_hour_that_the_clocks_change(session: Session) -> None:
    run = make_run(session, make_preparation(session), made_on=date(2026, 3, 28))
    key = int(run.id or 0)
    begin_run(session, key, StartInput(began="12:00", zone="Europe/Berlin"))
    import_readings(session, key, how(at_kind="clock", zone="Europe/Berlin"), "13:00;1\n23:00;2\n11:00;3\n13:00;4")
    # On 29 March 2026 clocks went from 2:00 to 3:00.
    assert [r.at_h for r in questions.list_readings(session, key)] == pytest.approx([1.0, 11.0, 22.0, 24.0])


def test_now_is_the_start_where_that_was_typed_a_little_ahead(session: Session) -> None:
    preparation = make_preparation(session)
    plan = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=SETTINGS))
    start_run(session, int(plan.id or 0), datetime.now(UTC) + timedelta(seconds=50))
    assert add_reading(session, int(plan.id or 0), reading(at_kind="now")).at_h == 0.0


def test_what_else_moved_between_rates_is_said(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    ratio = VariableInput(name="ratio", role=Role.RATIO, low=1, high=3, step=0.5, base=1)
    add_variable(session, key, ratio)
    # What is added after the hold cannot have moved its rate.
    add_variable(session, key, ratio.model_copy(update={"name": "hydride", "stage": Stage.REACTION_2}))
    for celsius, value, rate in ((110.0, 1.0, 1.0), (130.0, 2.0, 0.6), (120.0, 1.0, 0.9)):
        run = make_run(session, preparation, 60.0, settings={"bath": celsius, "ratio": value, "hydride": value})
        import_readings(session, int(run.id or 0), how(series="product"), course_text(rate, 4.0))
    analysis = analyse(session, key)
    rates = rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    assert rates.differs == ("ratio",)
    # It seems to get slower with heat: no hold follows from that.
    assert rates.holds == ()
    assert rates.remark.startswith("The runs also differ in ratio, and whatever that does to the rate is in the slope.")
    assert rates.remark.endswith("so no holds are estimated from them.")


def test_a_temperature_after_the_hold_is_not_that_of_its_rate(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    bath = next(v for v in questions.list_variables(session, key) if v.name == "bath")
    bath.stage = Stage.REACTION_2.value
    for celsius, rate in ((110.0, 0.6), (120.0, 0.9), (130.0, 1.4)):
        run = make_run(session, preparation, 60.0, settings={"bath": celsius})
        import_readings(session, int(run.id or 0), how(series="product"), course_text(rate, 4.0))
    analysis = analyse(session, key)
    rates = rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    assert (rates.temperature, rates.arrhenius, rates.holds) == (None, None, ())
    assert rates.problem == "bath acts after the hold, which the readings follow, so rates cannot be compared over it."
    assert len(rates.runs) == 3


def test_a_time_of_day_that_came_more_than_once_is_asked_about(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    preparation = make_preparation(session)
    settings = {"hold": 2, "bath": 120, "agent": "MgSO4"}
    run = plan_run(session, int(preparation.id or 0), PlannedRunInput(settings=settings))
    key = int(run.id or 0)
    began = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)
    start_run(session, key, began)
    monkeypatch.setattr("server.services.readings.now", lambda: datetime(2026, 3, 4, 0, 30, tzinfo=UTC))
    at = ReadingInput(series="product", value=40, at_kind="clock", at="21:00", zone="UTC")
    with pytest.raises(NeedsConfirmationError, match="more than once") as asked:
        add_reading(session, key, at)
    told = [text for _, text in asked.value.choices]
    assert told == ["The last time, 1 d 4 h after the start", "The first time, 4 h after the start"]
    assert add_reading(session, key, at.model_copy(update={"confirm": ["first_day"]})).at_h == 4.0
    assert add_reading(session, key, at.model_copy(update={"confirm": ["last_day"]})).at_h == 28.0
    # What was just read needs no question.
    assert add_reading(session, key, at.model_copy(update={"at": "00:20"})).at_h == pytest.approx(31 + 1 / 3)


def test_rows_that_were_understood_before_the_start_was_set_otherwise_are_not_stored(session: Session, run_id: int) -> None:
    start_run(session, run_id, START)
    found = read_rows(session, run_id, how(at_kind="clock"), "14:05 1\n14:10 2")
    start_run(session, run_id, START - timedelta(hours=1))
    with pytest.raises(ConflictError, match="set otherwise meanwhile"):
        store_rows(session, found)
    assert questions.count_readings(session, run_id) == 0


@pytest.mark.parametrize("end", ["\n", "\r", "\u2028"])
def test_too_many_rows_are_counted_whatever_ends_them(
    session: Session, run_id: int, end: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings_service, "MOST_READINGS", 20)
    monkeypatch.setattr(readings_service, "_read_lines", pytest.fail)
    with pytest.raises(InvalidInputError, match="There are 40 rows"):
        import_readings(session, run_id, how(), end.join(f"{k} {k}" for k in range(40)))


def test_a_time_says_what_kind_of_time_it_is(session: Session, run_id: int) -> None:
    # By default a reading is of now, which would move this one by two hours.
    with pytest.raises(InvalidInputError, match="at_kind"):
        add_reading(session, run_id, ReadingInput.model_validate({"series": "product", "value": 40, "at": "2"}))
    row = add_reading(
        session, run_id, ReadingInput.model_validate({"series": "product", "value": 40, "at": "2", "at_kind": "elapsed"})
    )
    with pytest.raises(InvalidInputError, match="at_kind"):
        correct_reading(session, int(row.id or 0), ReadingInput.model_validate({"value": 41, "at": "3"}))
    assert questions.get_reading(session, int(row.id or 0)).at_h == 2.0


def test_a_start_that_was_seen_otherwise_is_a_conflict(session: Session) -> None:
    run = plan_run(session, int(make_preparation(session).id or 0), PlannedRunInput(settings=SETTINGS))
    with pytest.raises(ConflictError):
        begin_run(session, int(run.id or 0), StartInput(revision=int(run.revision) + 1))
    assert begin_run(session, int(run.id or 0), StartInput(revision=int(run.revision))).started_at is not None


def test_too_few_readings_for_any_curve_are_said_so(session: Session, run_id: int) -> None:
    import_readings(session, run_id, how(series="remaining"), "10 95\n20 91\n30 88\n40 87")
    (course,) = series_courses(questions.get_run(session, run_id), questions.list_points(session, run_id))
    assert re.fullmatch(r"4 readings so far; a curve needs at least \d\.", course.problem)
    choose_shape(session, run_id, "remaining", Shape.PLATEAU)
    (chosen,) = series_courses(questions.get_run(session, run_id), questions.list_points(session, run_id))
    assert re.fullmatch(r"4 readings so far; this shape needs at least \d\.", chosen.problem)
