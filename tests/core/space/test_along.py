"""What the rules do not allow along one variable."""

import pytest

from server.core.space.along import broken_along, forbidden_words
from server.core.space.limits import LinearRule, NotUsedRule, OptionRangeRule, Rule, Space
from server.core.space.variables import Role, Setting, Variable
from tests.factories import agent, bath, hold

WASHES = Variable("washes", "washes", Role.COUNT, "", 1, 5, 1, 2)
RECIPE: dict[str, Setting] = {"hold": 2.0, "bath": 95.0, "agent": "a", "washes": 2.0}
BATHS = [100.0 + 1.25 * k for k in range(41)]


@pytest.mark.parametrize(
    ("rules", "key", "values", "words"),
    [
        ([OptionRangeRule("low boiling", "agent", "a", "bath", None, 112.0)], "bath", BATHS, "above 112 °C (“low boiling”)"),
        ([OptionRangeRule("sluggish", "agent", "a", "bath", 131.3, None)], "bath", BATHS, "below 131.3 °C (“sluggish”)"),
        ([OptionRangeRule("other solvent", "agent", "b", "bath", None, 112.0)], "bath", BATHS, ""),
        (
            [OptionRangeRule("x", "agent", "a", "bath", 110.0, None), OptionRangeRule("y", "agent", "a", "bath", None, 140.0)],
            "bath",
            BATHS,
            "below 110 °C, above 140 °C (“x”, “y”)",
        ),
        # Hold and washes together at most 5.5.
        ([LinearRule("short", {"hold": 1.0, "washes": 1.0}, 5.5)], "washes", [1.0, 2.0, 3.0, 4.0, 5.0], "above 3 (“short”)"),
        ([LinearRule("long", {"hold": 1.0}, 1.0)], "washes", [1.0, 2.0], "anywhere (“long”)"),
        ([NotUsedRule("gone", "agent", ("b",))], "agent", ["a", "b", "c"], "b (“gone”)"),
    ],
)
def test_what_rules_do_not_allow_is_told_with_its_ends(rules: list[Rule], key: str, values: list[Setting], words: str) -> None:
    space = Space((hold(), bath(), agent("a", "b", "c"), WASHES), tuple(rules))
    told = forbidden_words(space, RECIPE, key, values, broken_along(space, RECIPE, key, values))
    assert told == (f"Not allowed with the other settings of the working recipe: {words}." if words else "")
    assert any(broken_along(space, RECIPE, key, values)) == bool(words)
