"""Settings and windows as people read them."""

from dataclasses import replace

from server.core.choose.tolerance import VariableWindow
from server.core.space.variables import Role, Variable
from server.services.words import NO_LEEWAY, NO_OTHER_NUMBER, window_text

BATH = Variable("bath", "bath", Role.TEMPERATURE, "°C", 100.0, 150.0, 5.0, 120.0)
WASHES = Variable("washes", "washes", Role.COUNT, "", 1.0, 5.0, 1.0, 3.0)


def test_a_window_narrower_than_the_steps_is_told() -> None:
    # A bath can be held within a degree although runs are planned in steps of five.
    window = VariableWindow(BATH, 135.0, 134.1, 137.1, False, False, ())
    assert window_text(window) == "134.1 to 137.1 °C"
    assert window_text(replace(window, low=134.8, high=135.3)) == NO_LEEWAY


def test_there_is_no_wash_and_a_half() -> None:
    assert window_text(VariableWindow(WASHES, 3.0, 2.4, 3.9, False, False, ())) == NO_OTHER_NUMBER
    assert window_text(VariableWindow(WASHES, 3.0, 1.9, 3.9, False, False, ())) == "2 to 3"
