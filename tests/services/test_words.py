"""Settings and windows as people read them."""

from dataclasses import replace

from server.core.choose.tolerance import End, ToleranceWindow, VariableWindow
from server.core.space.variables import Role, Variable
from server.services.words import NO_LEEWAY, NO_OTHER_NUMBER, alone_text, sureness_words, window_text, window_words

BATH = Variable("bath", "bath", Role.TEMPERATURE, "°C", 100.0, 150.0, 5.0, 120.0)
WASHES = Variable("washes", "washes", Role.COUNT, "", 1.0, 5.0, 1.0, 3.0)


def test_a_window_narrower_than_the_steps_is_told() -> None:
    # A bath can be held within a degree although runs are planned in steps of five.
    window = VariableWindow(BATH, 135.0, 134.1, 137.1, End.LOSS, End.LOSS)
    assert window_text(window) == "134.1 to 137.1 °C"
    assert window_text(replace(window, low=134.8, high=135.3)) == NO_LEEWAY


def test_there_is_no_wash_and_a_half() -> None:
    assert window_text(VariableWindow(WASHES, 3.0, 2.4, 3.9, End.LOSS, End.LOSS)) == NO_OTHER_NUMBER
    assert window_text(VariableWindow(WASHES, 3.0, 1.9, 3.9, End.LOSS, End.LOSS)) == "2 to 3"


def test_where_a_window_ends_is_told_and_how_far_one_variable_may_go_alone() -> None:
    window = VariableWindow(BATH, 135.0, 130.0, 141.2, End.RULE, End.RANGE, (121.04, 150.0))
    assert window_text(window) == "130 °C (a rule) to 141.2 °C (end of the range)"
    assert alone_text(window) == "121.1 to 150 °C"
    assert alone_text(replace(window, alone=(134.9, 135.1))) == NO_LEEWAY
    assert alone_text(replace(window, alone=None)) == ""
    cold = Variable("cold", "cold", Role.TEMPERATURE, "°C", -20.0, 10.0, 5.0, -5.0)
    assert window_text(VariableWindow(cold, -5.0, -8.0, -2.5, End.LOSS, End.LOSS)) == "−8 to −2.5 °C"


def test_other_options_count_with_all_else_at_its_setting() -> None:
    end = "the true yield is within 2 points of the recipe with a probability of at least 90 %."
    both = "At any one setting in the ranges given, all variables off together"
    assert window_words(["2 to 3 h", NO_LEEWAY], 2, 90) == f"{both}, {end}"
    option = "other option named here, all else at its setting"
    assert window_words(["2 to 3 h", "or b (97 %)"], 2, 90) == (
        f"{both}, and the options as in the recipe, or with an{option}, {end}"
    )
    assert window_words([NO_LEEWAY, "or b (97 %)"], 2, 90) == f"With an{option}, {end}"
    assert "within 1 point of the recipe" in window_words(["2 to 3 h"], 1, 90)
    assert "within 1 point of the recipe" in window_words([NO_LEEWAY], 1, 90)


def test_a_recipe_alone_says_nothing_about_how_sure_other_options_are() -> None:
    window = ToleranceWindow((), 2.0, 0.9, 0.97, 0.92)
    assert sureness_words(["2 to 3 h", "or b (92 %)"], window) == (
        "At the least favourable one it is 92 %, on average over the ranges 97 %."
    )
    # Without a range there is no other setting that was looked at, and its 100 % would be that of the recipe itself.
    assert sureness_words([NO_LEEWAY, "or b (92 %)"], window) == ""
    assert sureness_words([NO_LEEWAY], window) == ""
