"""Proposals: reachable, honest, and useful."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.core.choose.opening import PART_WAY, next_opening_run
from server.core.choose.proposal import (
    LARGEST_MOVE,
    Burden,
    Forecast,
    History,
    Purpose,
    assess,
    new_ground_words,
    propose,
    propose_several,
    working_recipe,
)
from server.core.choose.search import draw_reachable, nearest_reachable
from server.core.choose.stopping import stop_advice
from server.core.model.ladder import fit_ladder
from server.core.model.mixture import Mixture, expected_improvement
from server.core.model.runs import FAILURE_SD, RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import LinearRule, NotUsedRule, OnlyWithRule, Space, reach_of, total_time_rule
from server.core.space.variables import Role, Setting, Variable
from server.errors import NothingReachableError
from tests.core.space.test_limits import spaces
from tests.factories import agent, bath, hold
from tests.reference import reference

SPACE = Space((hold(), bath(), agent("a", "b")))
Rows = list[dict[str, Setting]]


def history(
    rows: Rows, yields: list[float], space: Space = SPACE, pending: Rows | None = None, new_ground: float | None = 0.25
) -> History:
    coded = encode(space.variables, rows).reshape(len(rows), len(space.variables))
    n = len(rows)
    table = RunTable(space.variables, coded, np.array(yields, dtype=float), np.zeros(n), tuple(range(1, n + 1)))
    return History(space, table, tuple(rows), tuple(pending or []), new_ground)


ROWS: Rows = [
    {"hold": 2.0, "bath": 120.0, "agent": "a"},
    {"hold": 3.0, "bath": 125.0, "agent": "b"},
    {"hold": 1.0, "bath": 130.0, "agent": "a"},
    {"hold": 3.5, "bath": 115.0, "agent": "a"},
]
YIELDS = [55.0, 68.0, 52.0, 64.0]


def test_expected_improvement_equals_the_closed_form() -> None:
    # Jones, Schonlau & Welch (1998); values of reference file G03.
    published = reference("G03")["published"]
    for key, (mean, sd, best) in {
        "EI(mu=1,s=1,best=1)": (1, 1, 1),
        "EI(80,2,82)": (80, 2, 82),
        "EI(85,3,82)": (85, 3, 82),
        "EI(82,0.5,82)": (82, 0.5, 82),
    }.items():
        found = expected_improvement(np.array(float(mean - best)), np.array(float(sd) ** 2))
        assert found == pytest.approx(published[key], abs=1e-6)


def test_the_first_run_is_the_base_recipe() -> None:
    h = history([], [])
    found = propose(h, fit_ladder(h.table))
    assert found.settings == SPACE.base
    assert "start with the base recipe" in found.reason


@pytest.mark.parametrize("n", [0, 1, 2, 3, 4])
@pytest.mark.parametrize("purpose", list(Purpose))
def test_any_number_of_runs_and_any_purpose_gives_a_reachable_run(n: int, purpose: Purpose) -> None:
    h = history(ROWS[:n], YIELDS[:n])
    found = propose(h, fit_ladder(h.table), purpose)
    assert SPACE.is_reachable(found.settings)
    assert found.reason
    assert 0 <= found.forecast.low_90 <= found.forecast.low_50 <= found.forecast.high_50 <= found.forecast.high_90 <= 100


def test_the_second_run_is_the_middle_of_the_ranges_unless_the_base_recipe_is_there() -> None:
    aside = Space((hold(base=1.0), bath(base=110.0), agent("a", "b")))
    h = history([aside.base], [60.0], aside, new_ground=None)
    found = propose(h, fit_ladder(h.table))
    assert found.settings == {"hold": 3.5, "bath": 125.0, "agent": "b"}  # hold 0.5 to 6 h in half hours: 3.25 is no step
    assert "the middle of your ranges" in found.reason
    central = Space((hold(base=3.0), bath(base=125.0), agent("a", "b")))
    h = history([central.base], [60.0], central, new_ground=None)
    other = propose(h, fit_ladder(h.table))
    assert other.settings not in (central.base, found.settings)
    assert "placed away from the runs so far" in other.reason


@settings(max_examples=30)
@given(spaces(), st.integers(0, 10_000))
def test_raising_goes_no_further_from_the_working_recipe_than_the_largest_move_or_one_step(space: Space, seed: int) -> None:
    try:
        reach = reach_of(space)
    except NothingReachableError:
        return
    rng = np.random.default_rng(seed)
    rows = [reach.settings(list(i)) for i in draw_reachable(reach, 4, rng)]
    h = history(rows, list(rng.uniform(20, 90, len(rows))), space, new_ground=None)
    ladder = fit_ladder(h.table, rungs=("quadratic",))
    best = working_recipe(ladder, space, rows)
    assert best is not None
    found = propose(h, ladder)
    if found.is_opening:
        return
    here, there = encode(space.variables, [rows[best], found.settings])
    nearby = reach.around(here, LARGEST_MOVE)
    for j, v in enumerate(space.variables):
        steps = reach.coded[j]
        neighbours = steps[max(0, np.searchsorted(steps, here[j]) - 1) : np.searchsorted(steps, here[j]) + 2]
        next_to_it = bool(np.any(np.isclose(neighbours, there[j])))
        assert v.is_choice or abs(there[j] - here[j]) <= LARGEST_MOVE + 1e-6 or next_to_it or nearby is reach


def test_opening_runs_differ_and_go_part_of_the_way_only() -> None:
    rows: Rows = []
    for k in range(3):
        h = history(rows, YIELDS[:k], new_ground=None)
        found = propose(h, fit_ladder(h.table))
        assert found.is_opening
        assert found.settings not in rows
        rows.append(found.settings)
    coded = encode(SPACE.variables, rows)
    base = encode(SPACE.variables, [SPACE.base])[0]
    # Half a step for the rounding to the grid.
    farthest = PART_WAY * np.maximum(base[:2], 1.0 - base[:2]) + 0.06
    assert np.all(np.abs(coded[:, :2] - base[:2]) <= farthest)


def test_new_ground_is_said_and_limited() -> None:
    h = history(ROWS, YIELDS)
    found = propose(h, fit_ladder(h.table))
    assert float(found.settings["hold"]) <= 3.5 + 0.25 * 5.5
    assert float(found.settings["bath"]) <= 130 + 0.25 * 50
    if float(found.settings["hold"]) > 3.5:
        assert any(words.startswith("hold") for words in found.new_ground)


def test_the_proposal_goes_where_the_yield_rises() -> None:
    rows: Rows = [{"hold": h, "bath": t, "agent": "a"} for h in (1.0, 2.0, 3.0) for t in (110.0, 120.0, 130.0)]
    yields = [30 + 8 * float(r["hold"]) + 0.4 * (float(r["bath"]) - 110) for r in rows]
    h = history(rows, yields)
    found = propose(h, fit_ladder(h.table))
    assert float(found.settings["hold"]) > 3.0 or float(found.settings["bath"]) > 130.0
    assert found.chance_to_beat is not None
    assert found.chance_to_beat > 0.5


def test_asking_with_a_pending_run_gives_another_one() -> None:
    h = history(ROWS, YIELDS)
    first = propose(h, fit_ladder(h.table))
    second = propose(history(ROWS, YIELDS, pending=[first.settings]), fit_ladder(h.table))
    assert second.settings != first.settings


def test_repeat_is_the_working_recipe_and_shorten_saves_hours() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    best = working_recipe(ladder, SPACE, ROWS)
    assert best == 1
    assert propose(h, ladder, Purpose.REPEAT).settings == ROWS[1]
    shorter = propose(h, ladder, Purpose.SHORTEN)
    assert shorter.hold_hours is not None
    assert shorter.hold_hours < 3.0


def test_the_same_question_gets_the_same_answer() -> None:
    h = history(ROWS, YIELDS)
    assert propose(h, fit_ladder(h.table)) == propose(h, fit_ladder(h.table))


def test_a_run_outside_the_limits_is_no_working_recipe() -> None:
    space = Space(SPACE.variables, (LinearRule("short", {"hold": 1.0}, 2.5),))
    h = history(ROWS, YIELDS, space)
    found = working_recipe(fit_ladder(h.table), space, ROWS)
    assert found == 0


def test_ranges_are_cut_at_0_and_100_and_say_so() -> None:
    wide = Mixture(np.array([1.0]), np.array([[95.0]]), np.array([[400.0]]))
    forecast = Forecast.of(wide)
    assert forecast.high_90 == 100.0
    assert forecast.clipped
    narrow = Forecast.of(Mixture(np.array([1.0]), np.array([[50.0]]), np.array([[4.0]])))
    assert not narrow.clipped
    assert narrow.high_90 == pytest.approx(50 + 1.6449 * 2, abs=1e-3)


@settings(max_examples=25)
@given(spaces(), st.integers(0, 6), st.sampled_from(list(Purpose)), st.integers(0, 1000))
def test_no_proposal_ever_leaves_the_limits(space: Space, n: int, purpose: Purpose, seed: int) -> None:
    from server.core.choose.search import draw_reachable
    from server.core.space.limits import reach_of
    from server.errors import NothingReachableError

    rng = np.random.default_rng(seed)
    try:
        reach = reach_of(space)
    except NothingReachableError:
        return
    drawn = draw_reachable(reach, max(n, 1), rng)
    rows = [reach.settings(list(row)) for row in drawn[:n]]
    h = history(rows, list(rng.uniform(20, 90, len(rows))), space)
    try:
        found = propose(h, fit_ladder(h.table), purpose, seed=seed)
    except NothingReachableError as error:
        assert error.contradicting  # the step into new ground may be what is too short
        return
    assert space.is_reachable(found.settings)


def test_a_base_recipe_that_a_rule_excludes_starts_nearby_and_says_so() -> None:
    long, longer = hold(), replace(hold(), key="rest", name="rest")
    space = Space((long, longer), (total_time_rule([long, longer], 3.5, "h"),))
    empty = history([], [], space)
    proposal = propose(empty, fit_ladder(empty.table))
    total = float(proposal.settings[long.key]) + float(proposal.settings[longer.key])
    # Base 2 h and 2 h; steps of half an hour.
    assert total == 3.5
    assert "cannot be reached" in proposal.reason


def test_nearest_reachable_is_near() -> None:
    long, longer = hold(), replace(hold(), key="rest", name="rest")
    space = Space((long, longer), (total_time_rule([long, longer], 7.2, "h"),))
    index = nearest_reachable(reach_of(space), encode(space.variables, [{long.key: 3.8, longer.key: 3.3}])[0])
    near = reach_of(space).settings(list(index))
    assert float(near[long.key]) + float(near[longer.key]) == 7.0


def test_below_zero_the_same_setting_is_no_new_ground() -> None:
    cold = Variable(key="t", name="t", role=Role.TEMPERATURE, unit="°C", low=-90, high=0, step=1, base=-78)
    space = Space((cold,))
    assert new_ground_words(space, {"t": -78.0}, [{"t": -78.0}]) == ()
    assert new_ground_words(space, {"t": -77.0}, [{"t": -78.0}]) == ("t −77 °C is above the −78 tried so far",)


def test_opening_runs_of_a_mixture_differ() -> None:
    # Five volumes that add up to 100 mL: no point of a spread adds up to it by chance.
    parts = tuple(Variable(key=k, name=k, role=Role.OTHER, unit="mL", low=0, high=100, step=1, base=20) for k in "abcde")
    every = dict.fromkeys("abcde", 1.0)
    rules = (LinearRule("at most 100", every, 100.0), LinearRule("at least 100", dict.fromkeys("abcde", -1.0), -100.0))
    space = Space(parts, rules)
    rows: Rows = []
    for _ in range(3):
        h = history(rows, [50.0] * len(rows), space, new_ground=None)
        settings = propose(h, fit_ladder(h.table)).settings
        assert sum(float(x) for x in settings.values()) == pytest.approx(100.0)
        assert settings not in rows
        rows.append(settings)


@pytest.mark.parametrize(("step", "total"), [(0.02, 0.8), (0.05, 0.7), (0.1, 0.9)])
def test_opening_runs_differ_where_the_spread_is_used_up(step: float, total: float) -> None:
    parts = tuple(Variable(key=k, name=k, role=Role.OTHER, low=0, high=1, step=step, base=0.2) for k in "abc")
    every = dict.fromkeys("abc", 1.0)
    rules = (LinearRule("at most", every, total), LinearRule("at least", dict.fromkeys("abc", -1.0), -total))
    space = Space(parts, rules)
    rows: Rows = []
    for _ in range(3):
        h = history(rows, [50.0] * len(rows), space, new_ground=None)
        rows.append(propose(h, fit_ladder(h.table)).settings)
    assert len({tuple(r.values()) for r in rows}) == 3


@pytest.mark.parametrize(("first", "short", "last"), [(100.0, 91.6, 100.0), (97.4, 93.2, 96.0), (97.6, 93.3, 96.0)])
def test_what_is_saved_costs_what_the_sentence_says(first: float, short: float, last: float) -> None:
    rows: Rows = [{"hold": h, "bath": t} for h, t in ((4.0, 120.0), (5.0, 130.0), (5.0, 130.0), (1.0, 130.0), (3.0, 130.0))]
    h = history(rows, [first, 59.2, 57.4, short, last], Space((hold(), bath())))
    proposal = propose(h, fit_ladder(h.table), Purpose.SHORTEN)
    words = r"expected ([\d.]+) %\).*Expected ([\d.]+) %, (no expected loss|an expected loss of ([\d.]+))"
    found = re.search(words, proposal.reason)
    assert found is not None
    shown = float(found[1]) - float(found[2])
    assert shown == pytest.approx(float(found[4] or 0.0), abs=1e-9)
    assert shown <= 3


def test_a_shorter_run_that_is_planned_is_not_denied() -> None:
    space = Space((replace(hold(), low=1.0, high=2.0, step=1.0, base=2.0),))
    rows: Rows = [{"hold": 2.0}, {"hold": 2.0}, {"hold": 2.0}, {"hold": 1.0}, {"hold": 1.0}, {"hold": 1.0}]
    h = history(rows, [80.0, 80.5, 80.4, 80.2, 80.1, 80.3], space)
    ladder = fit_ladder(h.table)
    first = propose(h, ladder, Purpose.SHORTEN)
    assert first.settings["hold"] == 1.0
    again = propose(replace(h, pending=(first.settings,)), ladder, Purpose.SHORTEN)
    assert again.reason.startswith("No other run with shorter holds is expected")


def test_what_cannot_be_saved_is_told_in_words_that_fit() -> None:
    space = Space((replace(hold(), low=1.0, high=3.0, step=1.0, base=2.0),))
    rows: Rows = [{"hold": 1.0}, {"hold": 2.0}, {"hold": 3.0}] * 2
    h = history(rows, [20.0, 50.0, 80.0, 21.0, 51.0, 81.0], space)
    burdens = [Burden(name, unit, lambda s: float(s["hold"]), name, 1.0) for name, unit in (("holds", "h"), ("cost", "EUR"))]
    burdens.append(Burden("acid", "g", lambda s: float(s["hold"]), "acid", 2.5))
    ladder = fit_ladder(h.table)
    told = [propose(h, ladder, Purpose.SHORTEN, burden=b).reason.split(". ")[0] for b in burdens]
    keeps = "is expected to keep the yield within"
    assert told == [
        f"No run with shorter holds {keeps} 1 point",
        f"No run with lower cost {keeps} 1 point",
        f"No run with less acid {keeps} 2.5 points",
    ]


def test_a_forecast_near_100_stays_below_it() -> None:
    one = Mixture(np.array([1.0]), np.array([[101.0]]), np.array([[64.0]]))
    forecast = Forecast.of(one)
    assert forecast.low_50 < forecast.mean < 99.0
    assert forecast.high_90 == 100.0
    assert forecast.clipped


def test_the_reason_for_a_repeat_counts_what_is_there() -> None:
    rows = [*ROWS, ROWS[1], ROWS[1]]
    h = history(rows, [*YIELDS, 67.0, 69.0])
    assert "beside the 3 results there" in propose(h, fit_ladder(h.table), Purpose.REPEAT).reason
    once = history(ROWS, YIELDS)
    assert "two results there" in propose(once, fit_ladder(once.table), Purpose.REPEAT).reason


def test_ground_on_which_only_failed_runs_have_been_is_told() -> None:
    t = Variable("t", "bath", Role.TEMPERATURE, "°C", 20, 100, 5, 60)
    kind = Variable("a", "agent", Role.CHOICE, choices=("x", "y", "z"), base="x")
    space = Space((t, kind))
    good: list[dict[str, float | str]] = [{"t": 60.0, "a": "x"}, {"t": 70.0, "a": "y"}]
    failed: dict[int, dict[str, float | str]] = {7: {"t": 80.0, "a": "z"}}
    at = [new_ground_words(space, {"t": value, "a": "x"}, good, failed) for value in (65.0, 70.0, 75.0, 80.0, 85.0, 55.0)]
    beyond = "°C is above the 70 tried without failing; run 7 failed at 80"
    assert at[:4] == [(), (), (f"bath 75 {beyond}",), (f"bath 80 {beyond}",)]
    assert at[4] == ("bath 85 °C is above the 80 tried so far; run 7 failed at 80",)
    assert at[5] == ("bath 55 °C is below the 60 tried so far",)
    only_failed = ("agent z has been tried without success only (run 7)",)
    assert new_ground_words(space, {"t": 65.0, "a": "z"}, good, failed) == only_failed
    twice: dict[int, dict[str, float | str]] = {**failed, 9: {"t": 80.0, "a": "z"}}
    assert new_ground_words(space, {"t": 65.0, "a": "z"}, good, twice) == (
        "agent z has been tried without success only (runs 7 and 9)",
    )
    cold = Space((Variable("t", "cold", Role.TEMPERATURE, "°C", -40, 0, 5, -5),))
    assert new_ground_words(cold, {"t": -20.0}, [{"t": -5.0}]) == ("cold −20 °C is below the −5 tried so far",)
    # The same settings have also worked: no warning.
    assert new_ground_words(space, {"t": 80.0, "a": "z"}, [*good, {"t": 80.0, "a": "z"}], failed) == ()


def test_a_step_that_is_coarser_than_new_ground_may_go_is_taken_all_the_same() -> None:
    space = Space((hold(), Variable("washes", "washes", Role.COUNT, "", 1.0, 4.0, 1.0, 2.0)))
    rows: Rows = [{"hold": h, "washes": 2.0} for h in (1.0, 2.0, 3.0)]
    h = history(rows, [50.0, 55.0, 58.0], space)
    # A quarter of 1 to 4 washes is less than one wash.
    assert h.reach().values[1].tolist() == [1.0, 2.0, 3.0]
    proposed = [propose(h, fit_ladder(h.table), purpose) for purpose in (Purpose.RAISE, Purpose.FIND_OUT)]
    assert any(one.settings["washes"] != 2.0 for one in proposed)


def test_failed_runs_open_no_new_ground() -> None:
    # The highest bath so far, 150 °C, failed: ground is counted from the 130 °C of the runs that did not.
    rows: Rows = [*ROWS, {"hold": 2.0, "bath": 150.0, "agent": "a"}]
    whole = history(rows, [*YIELDS, 0.0])
    failed = np.arange(len(rows)) == len(rows) - 1
    asked = replace(whole, table=replace(whole.table, failed=failed))
    assert max(whole.reach().values[1]) == 150.0
    assert max(asked.reach().values[1]) == 140.0  # a quarter of 50 °C beyond, on steps of 5
    # With nothing but failures there is no other place to count from.
    only = replace(whole, table=replace(whole.table, failed=np.ones(len(rows), dtype=bool)))
    assert max(only.reach().values[1]) == 150.0


def test_a_proposal_says_where_only_failed_runs_have_been() -> None:
    plain = history(ROWS, YIELDS)
    failed = np.arange(len(YIELDS)) == len(YIELDS) - 1
    table = replace(plain.table, extra_sd=np.where(failed, FAILURE_SD, 0.0), failed=failed)
    asked = replace(plain, table=table)
    assert asked.failed == {len(YIELDS): ROWS[-1]}
    assert asked.succeeded == ROWS[:-1]
    far = {**ROWS[-1], "bath": 150.0}
    assert assess(asked, fit_ladder(table), far, Purpose.RAISE).new_ground == new_ground_words(
        SPACE, far, ROWS[:-1], {len(YIELDS): ROWS[-1]}
    )


def opening_of(space: Space, count: int) -> list[dict[str, Setting]]:
    rows: list[dict[str, Setting]] = []
    reach = reach_of(space)
    for _ in range(count):
        done = encode(space.variables, rows).reshape(len(rows), len(space.variables))
        rows.append(next_opening_run(reach, done))
    return rows


def test_opening_runs_go_through_the_options_in_their_order_from_the_base_on() -> None:
    kind = Variable("kind", "kind", Role.CHOICE, choices=("p", "q", "r"), base="q")
    rows = opening_of(Space((hold(base=1.0), bath(base=110.0), kind)), 4)
    assert [r["kind"] for r in rows[:3]] == ["q", "r", "p"]
    # All have been tried: the spread goes on as it did, half of it with the base option.
    assert rows[3]["kind"] in kind.choices
    assert len({tuple(r.values()) for r in rows}) == 4


def test_opening_runs_keep_to_the_rules_on_options() -> None:
    kind = Variable("kind", "kind", Role.CHOICE, choices=("p", "q", "r"), base="p")
    other = Variable("other", "other", Role.CHOICE, choices=("x", "y"), base="x")
    rule = OnlyWithRule("q only with nothing there is", "kind", "q", "other", ())
    space = Space((hold(base=1.0), bath(base=110.0), kind, other), (rule,))
    rows = opening_of(space, 3)
    assert [r["kind"] for r in rows[:2]] == ["p", "r"]
    assert rows[2]["kind"] != "q"
    assert [r["other"] for r in rows[:2]] == ["x", "y"]
    assert all(space.is_reachable(r) for r in rows)


def test_the_reason_of_an_opening_run_says_that_choices_go_on() -> None:
    h = history([SPACE.base], [60.0], new_ground=None)
    assert "choices go on to an option not tried yet" in propose(h, fit_ladder(h.table)).reason
    numbers = Space((hold(base=1.0), bath(base=110.0)))
    h = history([numbers.base], [60.0], numbers, new_ground=None)
    assert "choices" not in propose(h, fit_ladder(h.table)).reason


def test_large_amounts_are_told_without_powers_of_ten() -> None:
    assert Burden("solvent", "g", lambda _: None, identity="solvent").text(15230.0) == "15230 g"


def dosed() -> History:
    """Runs in which an additive only takes yield away, the more of it the more."""
    amount = Variable("amount", "amount", Role.LOADING, "mol%", 0.0, 4.0, 1.0, 2.0)
    space = Space((hold(), amount, agent("a", "b", "c")))
    rng = np.random.default_rng(1)
    rows: Rows = [{"hold": 2.0, "amount": 2.0, "agent": "b"}]
    rows += [
        {"hold": float(rng.choice(hold().grid())), "amount": float(rng.integers(0, 5)), "agent": str(rng.choice(["b", "c"]))}
        for _ in range(7)
    ]
    return history(rows, [70.0 - 8.0 * float(row["amount"]) + 2.0 * float(row["hold"]) for row in rows], space)


def told(settings: Setting | dict[str, Setting], before: dict[str, Setting]) -> dict[str, Setting]:
    assert isinstance(settings, dict)
    return {**settings, "agent": before["agent"]} if settings["amount"] == 0.0 else settings


@pytest.mark.parametrize("purpose", [Purpose.RAISE, Purpose.FIND_OUT])
def test_a_choice_of_which_nothing_is_taken_makes_no_other_run(purpose: Purpose) -> None:
    plain = dosed()
    idle = replace(plain, idle=(("agent", "amount"),))
    ladder = fit_ladder(plain.table)
    best = plain.working_recipe(ladder)
    assert best is not None
    before = dict(plain.settings[best])
    without = [p.settings for p in propose_several(plain, ladder, 8, purpose)]
    assert any(s["amount"] == 0.0 and s["agent"] != before["agent"] for s in without)
    found = [dict(p.settings) for p in propose_several(idle, ladder, 8, purpose)]
    assert [told(s, before) for s in found] == found
    assert len(found) == 8
    assert all(one not in found[:k] for k, one in enumerate(found))


def test_a_choice_of_which_nothing_is_taken_makes_no_other_chance() -> None:
    plain = dosed()
    ladder = fit_ladder(plain.table)
    without, found = (stop_advice(h, ladder, 0.5) for h in (plain, replace(plain, idle=(("agent", "amount"),))))
    assert without is not None
    assert found is not None
    before = dict(found.working)
    assert any(told(dict(s), before) != s for s in without.five)
    assert all(told(dict(s), before) == s for s in (found.best, *found.five))


def test_a_change_that_says_nothing_is_undone_where_limits_allow() -> None:
    space = Space((hold(), Variable("amount", "amount", Role.LOADING, "mol%", 0.0, 4.0, 1.0, 2.0), agent("a", "b")))
    before: dict[str, Setting] = {"hold": 2.0, "amount": 0.0, "agent": "a"}
    plain = replace(history([before], [50.0], space), idle=(("agent", "amount"),))
    longer: dict[str, Setting] = {"hold": 3.0, "amount": 0.0, "agent": "b"}
    assert plain.without_idle_changes(before, longer) == {**longer, "agent": "a"}
    assert plain.without_idle_changes(before, {**longer, "amount": 1.0}) == {**longer, "amount": 1.0}
    barred = replace(plain, space=Space(space.variables, (NotUsedRule("a is not used", "agent", ("a",)),)))
    assert barred.without_idle_changes(before, longer) == longer
