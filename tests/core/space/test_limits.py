"""Steps, ranges, rules, and what can be reached."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.core.choose.search import draw_reachable
from server.core.space.limits import (
    LinearRule,
    NotUsedRule,
    OnlyWithRule,
    OptionRangeRule,
    Reach,
    Rule,
    Space,
    StockRule,
    find_reachable,
    reach_of,
    total_time_rule,
)
from server.core.space.variables import Role, Setting, Variable
from server.errors import NothingReachableError
from tests.factories import agent, bath, hold


def test_the_grid_starts_low_and_never_passes_high() -> None:
    assert hold(low=0.5, high=2.2, step=0.5).grid().tolist() == [0.5, 1.0, 1.5, 2.0]
    assert hold(low=0.0, high=0.3, step=0.1).grid().tolist() == [0.0, 0.1, 0.2, 0.3]


def test_the_dust_of_a_conversion_breaks_no_limit() -> None:
    space = Space((hold(low=0.0, high=0.3, step=0.1), bath()), (LinearRule("short", {"hold": 1.0}, 0.3),))
    # In binary, 0.1 h and 0.2 h are a little more than 0.3 h.
    at_the_end: dict[str, Setting] = {"hold": 0.1 + 0.2, "bath": 150.0}
    assert space.broken_limits(at_the_end) == []
    assert space.is_reachable(at_the_end)
    beyond: dict[str, Setting] = {"hold": 0.31, "bath": 151.0}
    assert space.broken_limits(beyond) == [
        "hold: 0.31 h is outside the hard limit 0 to 0.3 h.",
        "bath: 151 °C is outside the hard limit 100 to 150 °C.",
        "The rule “short” does not hold.",
    ]


def test_what_was_weighed_a_little_beyond_a_range_breaks_no_limit_but_a_hard_one() -> None:
    acid = Variable("acid", "acid", Role.RATIO, "mol/mol", 2.0, 4.0, 0.5, 2.0)
    for value, fits in ((1.998, True), (1.99, True), (1.989, False), (4.01, True), (4.011, False)):
        assert (Space((acid,)).broken_limits({"acid": value}) == []) is fits
    hard = Space((replace(acid, hard_low=2.0, hard_high=4.0),))
    for value in (1.998, 4.002):
        assert hard.broken_limits({"acid": value}) == [f"acid: {value} mol/mol is outside the hard limit 2 to 4 mol/mol."]
    # No proposal is there.
    assert not Space((acid,)).is_reachable({"acid": 1.998})


def test_total_time_counts_in_any_unit() -> None:
    second = Variable("rest", "rest", Role.HOLD_TIME, "min", 10, 600, 10, 60)
    rule = total_time_rule([hold(), second], 3.0, "h")
    assert rule.holds({"hold": 2.0, "rest": 60.0})
    assert not rule.holds({"hold": 2.5, "rest": 60.0})


def test_coordinates_reach_over_all_that_runs_have_seen() -> None:
    space = Space((hold(), bath(), agent("a", "b")))
    inside: dict[str, Setting] = {"hold": 2.0, "bath": 120.0, "agent": "a"}
    assert space.seen_in([]) is space
    assert space.seen_in([inside, {**inside, "hold": 6.0, "bath": 100.0}]) is space
    seen = space.seen_in([{**inside, "bath": 95.0}, {**inside, "bath": 160.0}, inside])
    bath_seen = seen.variable("bath")
    assert (bath_seen.coded_low, bath_seen.coded_high) == (95.0, 160.0)
    assert (bath_seen.low, bath_seen.high) == (100.0, 150.0)
    assert seen.variable("hold") == space.variable("hold")
    colder = space.seen_in([{**inside, "bath": 95.0}]).variable("bath")
    assert (colder.coded_low, colder.coded_high) == (95.0, 150.0)


def test_new_ground_is_limited_to_a_part_of_the_range() -> None:
    space = Space((bath(),))
    reach = reach_of(space, tried=[{"bath": 120.0}], new_ground=0.25)
    assert reach.values[0].min() == 110.0  # 120 − 0.25 · 50 = 107.5, next step up
    assert reach.values[0].max() == 130.0
    assert reach_of(space, tried=[{"bath": 120.0}], new_ground=None).values[0].max() == 150.0
    # Runs that all lie far outside the range are followed by its nearest end.
    assert reach_of(space, tried=[{"bath": 190.0}], new_ground=0.25).values[0].tolist() == [150.0]
    assert reach_of(space, tried=[{"bath": 40.0}], new_ground=0.25).values[0].tolist() == [100.0]


def test_the_one_option_that_rules_leave_is_found() -> None:
    rules = (NotUsedRule("gone", "agent", ("a", "b")), OnlyWithRule("pair", "agent", "c", "solvent", ("q",)))
    solvent = Variable("solvent", "solvent", Role.CHOICE, choices=("p", "q"), base="p")
    reach = reach_of(Space((hold(), agent("a", "b", "c", "d"), solvent), (*rules, NotUsedRule("out", "agent", ("d",)))))
    found = reach.settings(find_reachable(reach))
    assert (found["agent"], found["solvent"]) == ("c", "q")


@pytest.mark.parametrize("count", [1, 4, 200])
def test_however_few_are_asked_for_tight_rules_still_give_one(count: int) -> None:
    rules = (LinearRule("long", {"hold": -1.0}, -6.0), LinearRule("hot", {"bath": -1.0}, -150.0))
    space = Space((hold(step=0.05), bath(step=0.5)), rules)
    assert len(draw_reachable(reach_of(space), count, np.random.default_rng(0))) >= 1


def test_around_keeps_what_is_near_the_next_steps_and_every_level() -> None:
    reach = reach_of(Space((bath(), hold(low=1.0, high=9.0, step=4.0), agent("a", "b", "c"))))
    here = np.array([float(reach.coded[0][4]), float(reach.coded[1][0]), 1.0])  # 120 °C, 1 h
    near = reach.around(here, 0.25)
    assert near.values[0].tolist() == [110.0, 115.0, 120.0, 125.0, 130.0]
    assert near.values[1].tolist() == [1.0, 5.0]  # the next step, although it is far
    assert near.values[2].tolist() == [0.0, 1.0, 2.0]
    assert np.all(np.isin(near.coded[0], reach.coded[0]))


def test_around_gives_everything_where_the_rules_leave_nothing_nearby() -> None:
    reach = reach_of(Space((hold(), bath()), (LinearRule("hot", {"bath": -1.0}, -150.0),)))
    here = np.array([0.5, float(reach.coded[1][0])])
    assert reach.around(here, 0.25) is reach


def test_contradicting_limits_are_named_and_only_those() -> None:
    rule = LinearRule("hold at least 8 h", {"hold": -1.0}, -8.0)
    harmless = LinearRule("bath at most 140 °C", {"bath": 1.0}, 140.0)
    with pytest.raises(NothingReachableError, match=r"hold at least 8 h; hold 0\.5 to 6 h") as caught:
        reach_of(Space((hold(), bath()), (harmless, rule)))
    assert all("140" not in name for name in caught.value.contradicting)


def test_a_tight_rule_is_reached_exactly() -> None:
    # Only one grid point in 12 · 11 satisfies both rules.
    rules = (LinearRule("long", {"hold": -1.0}, -6.0), LinearRule("hot", {"bath": -1.0}, -150.0))
    reach = reach_of(Space((hold(), bath()), rules))
    rows = draw_reachable(reach, 200, np.random.default_rng(0))
    assert {tuple(reach.settings(list(row)).values()) for row in rows} == {(6.0, 150.0)}


@st.composite
def spaces(draw: st.DrawFn) -> Space:
    step = draw(st.sampled_from([0.5, 1.0, 2.5]))
    low = draw(st.floats(1.0, 50.0).map(lambda x: round(x, 1)))
    number = Variable("x", "x", Role.OTHER, "", low, low + step * draw(st.integers(1, 12)), step, low)
    variables = (number, hold(), bath(), agent("a", "b", "c"), Variable("s", "s", Role.CHOICE, choices=("p", "q"), base="p"))
    rules: list[Rule] = []
    if draw(st.booleans()):
        rules.append(total_time_rule([hold()], draw(st.floats(0.1, 8.0)), "h"))
    if draw(st.booleans()):
        bound = draw(st.floats(60.0, 220.0))
        rules.append(LinearRule("sum", {"x": draw(st.sampled_from([1.0, -1.0])), "bath": 1.0}, bound))
    if draw(st.booleans()):
        rules.append(OnlyWithRule("pair", "agent", draw(st.sampled_from("abc")), "s", (draw(st.sampled_from("pq")),)))
    if draw(st.booleans()):
        ends = sorted(draw(st.lists(st.floats(95.0, 155.0), min_size=2, max_size=2)))
        least, most = (end if draw(st.booleans()) else None for end in ends)
        rules.append(OptionRangeRule("with it", "agent", draw(st.sampled_from("abc")), "bath", least, most))
    for amount, count in (("x", None), ("bath", None), (None, "x"), (None, None), ("bath", "x")):
        if draw(st.integers(0, 4)) == 0:
            left = draw(st.floats(0.0, 3.0)) * (100.0 if amount == "bath" else 20.0) * (20.0 if amount and count else 1.0)
            option = draw(st.sampled_from([None, ("agent", "a"), ("s", "p")]))
            rules.append(StockRule(f"{left:g} g left", "salt", 1.0, left, amount, count, option))
    return Space(variables, tuple(rules))


@settings(max_examples=60)
@given(spaces(), st.integers(0, 2**32 - 1), st.sampled_from([None, 0.1, 0.25]))
def test_whatever_is_drawn_is_reachable(space: Space, seed: int, new_ground: float | None) -> None:
    try:
        reach = reach_of(space, new_ground=new_ground)
    except NothingReachableError as error:
        assert error.contradicting
        return
    for row in draw_reachable(reach, 60, np.random.default_rng(seed)):
        assert space.is_reachable(reach.settings(list(row)))


@settings(max_examples=40)
@given(spaces())
def test_nothing_is_reachable_only_where_every_setting_breaks_a_rule(space: Space) -> None:
    grids = [range(len(v.choices)) if v.is_choice else range(len(v.grid())) for v in space.variables]
    values = tuple(np.arange(len(v.choices), dtype=float) if v.is_choice else v.grid() for v in space.variables)
    rows = np.array(list(product(*grids)))
    everything = Reach(space, values, values)
    mask = everything.allowed(rows)
    sample = np.random.default_rng(0).integers(0, len(rows), 50)
    assert [space.is_reachable(everything.settings(list(rows[k]))) for k in sample] == mask[sample].tolist()
    try:
        reach_of(space)
    except NothingReachableError:
        assert not mask.any()
    else:
        assert mask.any()


def test_a_number_keeps_to_the_range_of_an_option_and_to_no_other() -> None:
    rule = OptionRangeRule("with agent a, bath at most 118 °C", "agent", "a", "bath", None, 118.0)
    space = Space((hold(), bath(), agent("a", "b")), (rule,))
    reach = reach_of(space)
    rows = [reach.settings(row) for row in draw_reachable(reach, 400, np.random.default_rng(0))]
    assert {option: max(float(s["bath"]) for s in rows if s["agent"] == option) for option in "ab"} == {"a": 115.0, "b": 150.0}
    assert space.broken_limits({"hold": 2.0, "bath": 120.0, "agent": "a"}) == [
        "The rule “with agent a, bath at most 118 °C” does not hold."
    ]
    assert space.broken_limits({"hold": 2.0, "bath": 120.0, "agent": "b"}) == []
    hot = OptionRangeRule("with agent b, bath at least 160 °C", "agent", "b", "bath", 160.0, None)
    cold = OptionRangeRule("with agent a, bath at most 90 °C", "agent", "a", "bath", None, 90.0)
    with pytest.raises(NothingReachableError, match=r"with agent a.*with agent b.*bath 100 to 150 °C"):
        reach_of(Space((hold(), bath(), agent("a", "b")), (cold, hot)))


def test_a_material_is_limited_by_its_stock_only_where_it_is_used() -> None:
    # 2 g per hour with a alone, and 7 g are left: 3.5 h at most with a, all of the range with the others.
    rule = StockRule("7 g left", "salt", 2.0, 7.0, "hold", option=("agent", "a"))
    space = Space((hold(), bath(), agent("a", "b")), (rule,))
    rows = draw_reachable(reach_of(space), 400, np.random.default_rng(0))
    reach = reach_of(space)
    longest = {option: max(float(s["hold"]) for s in map(reach.settings, rows) if s["agent"] == option) for option in "ab"}
    assert longest == {"a": 3.5, "b": 6.0}
    assert rule.after({"hold": 3.0, "bath": 110.0, "agent": "a"}).left_g == 1.0
    assert rule.after({"hold": 3.0, "bath": 110.0, "agent": "b"}) == rule


def test_too_little_stock_is_named_with_the_rule_that_it_contradicts() -> None:
    rules = (StockRule("7 g of salt left", "salt", 2.0, 7.0, "hold"), LinearRule("hold at least 4 h", {"hold": -1.0}, -4.0))
    with pytest.raises(NothingReachableError, match=r"7 g of salt left; hold at least 4 h"):
        reach_of(Space((hold(), bath()), rules))


def test_an_amount_taken_several_times_is_limited_exactly() -> None:
    # 20 g per portion at 20 mL: three portions of the smallest are 60 g, two of 30 mL as well.
    volume = Variable("volume", "volume", Role.VOLUME, "mL", 20.0, 50.0, 10.0, 20.0)
    times = Variable("times", "times", Role.COUNT, "", 1.0, 5.0, 1.0, 1.0)
    rule = StockRule("60 g of brine left", "brine", 1.0, 60.0, "volume", "times")
    rows = draw_reachable(reach_of(Space((volume, times), (rule,))), 400, np.random.default_rng(0))
    found = {tuple(reach_of(Space((volume, times))).settings(list(row)).values()) for row in rows}
    assert found == {(v, n) for v in (20.0, 30.0, 40.0, 50.0) for n in (1.0, 2.0, 3.0, 4.0, 5.0) if v * n <= 60.0}
    often = LinearRule("at least three times", {"times": -1.0}, -3.0)
    assert reach_of(Space((volume, times), (rule, often))).values[1].max() == 5.0
    oftener = LinearRule("at least four times", {"times": -1.0}, -4.0)
    with pytest.raises(NothingReachableError, match="60 g of brine left; at least four times"):
        reach_of(Space((volume, times), (rule, oftener)))
