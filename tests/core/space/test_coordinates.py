"""Coordinates by physical role: units, scale and order of levels drop out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.core.space.coordinates import code_values, encode
from server.core.space.units import convert, convertible
from server.core.space.variables import Role, Variable
from tests.factories import agent, bath, hold


@given(st.floats(100.0, 150.0))
def test_celsius_kelvin_and_fahrenheit_code_alike(celsius: float) -> None:
    plain = code_values(bath(), np.array([celsius]))
    for unit in ("K", "°F"):
        other = bath(unit, convert(100, "°C", unit), convert(150, "°C", unit))
        np.testing.assert_allclose(code_values(other, np.array([convert(celsius, "°C", unit)])), plain, atol=2e-9)


@given(st.floats(0.0, 10.0))
def test_hours_and_minutes_code_alike_even_from_zero(hours: float) -> None:
    plain = code_values(hold("h", 0.0, 10.0), np.array([hours]))
    other = code_values(hold("min", 0.0, 600.0), np.array([60 * hours]))
    np.testing.assert_allclose(other, plain, atol=2e-9)


def test_roles_bend_as_physics_does() -> None:
    # Equal ratios of time, equal steps: the geometric mean of 1 and 4 h is 2 h.
    assert code_values(hold(low=1.0, high=4.0), np.array([2.0]))[0] == pytest.approx(0.5)
    # 1/T: the harmonic mean of 300 K and 400 K is 342.857 K.
    assert code_values(bath("K", 300.0, 400.0), np.array([2 / (1 / 300 + 1 / 400)]))[0] == pytest.approx(0.5)
    count = Variable("n", "washes", Role.COUNT, "", 1.0, 9.0, 1.0, 1.0)
    assert code_values(count, np.array([4.0]))[0] == pytest.approx(0.5)


def test_a_time_from_zero_is_not_spent_on_its_first_minutes() -> None:
    # By hand: the logarithm of t + c with (10 + c)/c = 50, so c = 10/49 h, has its middle at c·(√50 − 1) = 1.239 h.
    assert code_values(hold(low=0.0, high=10.0), np.array([1.239]))[0] == pytest.approx(0.5, abs=1e-4)
    # A range that spans no more than that keeps its plain logarithm.
    assert code_values(hold(low=0.2, high=10.0), np.array([2**0.5]))[0] == pytest.approx(0.5)


def test_what_was_run_below_a_logarithmic_range_is_still_finite_and_below_it() -> None:
    coded = code_values(hold(low=1.0, high=4.0), np.array([0.0, 0.5, 1.0]))
    assert coded[0] < coded[1] < coded[2] == 0.0
    assert coded[1] == pytest.approx(-0.5)


def test_ends_of_the_range_are_0_and_1() -> None:
    for variable in (hold(), bath(), hold(low=0.0)):
        np.testing.assert_allclose(code_values(variable, np.array([variable.low, variable.high])), [0.0, 1.0])


def test_choices_are_level_numbers() -> None:
    rows: list[dict[str, float | str]] = [{"agent": "b", "hold": 2.0}, {"agent": "a", "hold": 2.0}]
    assert encode([agent("a", "b"), hold()], rows)[:, 0].tolist() == [1.0, 0.0]


def test_settings_that_are_not_finite_are_refused() -> None:
    with pytest.raises(ValueError, match="must be finite"):
        code_values(hold(), np.array([2.0, np.nan]))


def test_the_freezing_point_of_water_is_zero() -> None:
    # 32 °F are 0 °C by definition of the scale; what rounding leaves is no temperature.
    assert convert(32.0, "°F", "°C") == 0.0
    assert convert(273.15, "K", "°C") == 0.0
    assert convert(33.0, "°F", "°C") == pytest.approx(5.0 / 9.0)


@pytest.mark.parametrize(
    ("unit", "target", "can"),
    [("h", "min", True), ("°C", "°F", True), ("mg", "kg", True), ("g", "mL", False), ("bar", "bar", False)],
)
def test_only_units_of_one_family_convert(unit: str, target: str, can: bool) -> None:
    assert convertible(unit, target) is can


@pytest.mark.parametrize(
    ("value", "unit", "target", "expected"),
    [
        # Definitions of the SI and of the litre (BIPM, The International System of Units, 9th edition).
        (1.5, "kg", "g", 1500.0),
        (250.0, "mg", "g", 0.25),
        (0.02, "L", "mL", 20.0),
        (350.0, "µL", "mL", 0.35),
        (40.0, "mmol/L", "mol/L", 0.04),
        (5.0, "mol%", "mol/mol", 0.05),
        (0.05, "mol/mol", "mol%", 5.0),
        (0.5, "d", "h", 12.0),
        (90.0, "s", "min", 1.5),
        (212.0, "°F", "°C", 100.0),
    ],
)
def test_units_of_one_family_convert(value: float, unit: str, target: str, expected: float) -> None:
    assert convertible(unit, target)
    assert convert(value, unit, target) == pytest.approx(expected, rel=1e-12)
    assert not convertible(unit, "eq")
