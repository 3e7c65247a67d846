"""Several at once, stop advice, tolerance window, trade-offs and the forecast record."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from server.core.choose import stopping
from server.core.choose.gain import chance_of_gain, percent_words
from server.core.choose.proposal import (
    APART,
    MOST_AT_ONCE,
    Burden,
    Forecast,
    Purpose,
    hold_hours,
    hours_burden,
    propose,
    propose_several,
    with_pending,
    working_recipe,
)
from server.core.choose.record import Outcome, forecast_record
from server.core.choose.search import index_of, pool_around
from server.core.choose.stopping import FAIR_CHANCE, _aim_chance, _greedy, stop_advice
from server.core.choose.tolerance import End, VariableWindow, _whole, tolerance_window
from server.core.choose.tradeoffs import Front, FrontPoint, non_dominated, trade_off
from server.core.model.ladder import Ladder, fit_ladder
from server.core.model.mixture import Mixture
from server.core.model.runs import Beside, RunTable
from server.core.space.coordinates import encode
from server.core.space.limits import LinearRule, NotUsedRule, OptionRangeRule, Space, StockRule, reach_of
from server.core.space.variables import Role, Setting, Stage, Variable
from tests.core.choose.test_proposal import ROWS, SPACE, YIELDS, Rows, history
from tests.factories import agent, bath, hold

PLAIN = Space((hold(), bath()))


def grid_rows() -> list[dict[str, Setting]]:
    return [{"hold": h, "bath": t} for h in (1.0, 2.0, 3.0, 4.0, 5.5) for t in (105.0, 115.0, 125.0, 135.0, 145.0)]


def hill(row: dict[str, Setting]) -> float:
    return 80.0 - 4.0 * (float(row["hold"]) - 3.0) ** 2 - 0.03 * (float(row["bath"]) - 125.0) ** 2


def test_draws_have_the_moments_of_the_mixture() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    points = encode(SPACE.variables, [ROWS[0], {"hold": 5.0, "bath": 140.0, "agent": "b"}, ROWS[1]])
    draws = ladder.draw(points, 40_000, np.random.default_rng(0))
    exact = ladder.predict(points)
    np.testing.assert_allclose(draws.mean(axis=0), exact.mean, atol=0.5)
    np.testing.assert_allclose(draws.std(axis=0), exact.sd, rtol=0.05)
    gain = ladder.difference(points[:1], points[1:])
    np.testing.assert_allclose((draws[:, 1:] - draws[:, :1] > 2.0).mean(axis=0), gain.probability_above(2.0), atol=0.02)


def test_draws_are_widened_where_the_models_have_missed() -> None:
    rng = np.random.default_rng(0)
    rows = grid_rows()[:9]
    h = history(rows, [float(y) for y in rng.uniform(20, 90, 9)], PLAIN)
    ladder = fit_ladder(h.table)
    assert ladder.doubt > 1.05
    points = encode(PLAIN.variables, [{"hold": 5.0, "bath": 140.0}, {"hold": 1.5, "bath": 110.0}])
    draws = ladder.draw(points, 30_000, rng)
    np.testing.assert_allclose(draws.std(axis=0), ladder.predict(points).sd, rtol=0.03)


@pytest.mark.parametrize("purpose", [Purpose.RAISE, Purpose.FIND_OUT, Purpose.SHORTEN])
def test_runs_at_once_differ_and_are_reachable(purpose: Purpose) -> None:
    h = history(ROWS, YIELDS)
    found = propose_several(h, fit_ladder(h.table), 4, purpose)
    kept = [p.settings for p in found if p.purpose is purpose]
    assert all(SPACE.is_reachable(p.settings) for p in found)
    assert len({tuple(s.items()) for s in kept}) == len(kept)
    assert len(found) == 4


def test_runs_at_once_leave_the_neighbourhood_when_it_is_used_up() -> None:
    # Eleven steps, of which seven lie within the largest move of the working recipe.
    space = Space((bath(),))
    rows: list[dict[str, Setting]] = [{"bath": t} for t in (120.0, 125.0, 130.0, 135.0)]
    h = history(rows, [50.0, 60.0, 66.0, 60.0], space, new_ground=None)
    found = [float(p.settings["bath"]) for p in propose_several(h, fit_ladder(h.table), MOST_AT_ONCE)]
    assert len(set(found)) == len(found) >= 6
    assert min(found) < 115.0


def test_where_few_settings_exist_the_list_ends_and_none_comes_twice() -> None:
    space = Space((agent("a", "b"), Variable("salt", "salt", Role.CHOICE, choices=("p", "q", "r"), base="p")))
    nothing = history([], [], space)
    opening = [tuple(p.settings.values()) for p in propose_several(nothing, fit_ladder(nothing.table), MOST_AT_ONCE)]
    assert len(set(opening)) == len(opening) <= 6
    rows: list[dict[str, Setting]] = [{"agent": a, "salt": s} for a in "ab" for s in "pqr"]
    h = history(rows[:5], [80.0, 30.0, 20.0, 35.0, 31.0], space)
    found = propose_several(h, fit_ladder(h.table), MOST_AT_ONCE)
    assert tuple(found[0].settings.values()) == ("b", "r")
    assert len({tuple(p.settings.values()) for p in found}) == len(found) < MOST_AT_ONCE
    # All have been run, and one is far above: there is nothing to gain, so the working recipe is repeated.
    yields = [80.0, 3.0, 2.0, 3.5, 3.1, 2.2] * 3
    every = history(rows * 3, yields, space)
    (last,) = propose_several(every, fit_ladder(every.table), MOST_AT_ONCE)
    assert last.purpose is Purpose.REPEAT
    assert last.reason.startswith("No run within reach is expected to gain anything. Repeats run ")


def test_runs_at_once_do_not_crowd_around_the_first() -> None:
    # Measured against the working recipe alone, three of the four lie within a tenth of each other (0.54).
    h = history(ROWS, YIELDS, new_ground=None)
    coded = encode(SPACE.variables, [p.settings for p in propose_several(h, fit_ladder(h.table), 4)])
    gaps = np.sqrt(((coded[:, None, :] - coded[None, :, :]) ** 2).sum(axis=2))
    assert gaps[np.triu_indices(4, 1)].mean() > 0.65


@settings(max_examples=6)
@given(st.integers(0, 1000))
def test_runs_at_once_keep_apart(seed: int) -> None:
    rng = np.random.default_rng(seed)
    h = history(ROWS, list(rng.uniform(30, 80, len(ROWS))), new_ground=None)
    coded = encode(SPACE.variables, [p.settings for p in propose_several(h, fit_ladder(h.table), 4)])
    for a in range(4):
        for b in range(a):
            same_choice = coded[a, 2] == coded[b, 2]
            assert not same_choice or np.linalg.norm(coded[a, :2] - coded[b, :2]) >= APART


def test_without_room_runs_at_once_are_different_all_the_same() -> None:
    # One variable, and all within 35 % of the range around the working recipe: eight runs cannot keep apart.
    narrow = Space((hold(),))
    rows: list[dict[str, Setting]] = [{"hold": h} for h in (2.0, 3.0, 4.0)]
    h = history(rows, [60.0, 70.0, 65.0], narrow, new_ground=None)
    found = [float(p.settings["hold"]) for p in propose_several(h, fit_ladder(h.table), MOST_AT_ONCE)]
    assert len(set(found)) == MOST_AT_ONCE
    coded = np.sort(encode(narrow.variables, [{"hold": x} for x in found])[:, 0])
    assert np.diff(coded).min() < APART


def test_the_reason_says_gain_on_average_only_where_there_is_one() -> None:
    h = history(ROWS, YIELDS, new_ground=None)
    ladder = fit_ladder(h.table)
    best = working_recipe(ladder, SPACE, h.settings)
    assert best is not None
    at_best = ladder.predict(encode(SPACE.variables, [h.settings[best]])).mean[0]
    found = propose_several(h, ladder, MOST_AT_ONCE)
    assert {p.forecast.mean >= at_best for p in found} == {True, False}
    for k, p in enumerate(found):
        assert p.reason.startswith("Beside the runs planned or proposed already, ") == (k > 0)
        assert ("largest expected gain" in p.reason.lower()) == (p.forecast.mean >= at_best)
        assert ("most to gain, if it comes out well" in p.reason.lower()) == (p.forecast.mean < at_best)


def test_several_before_any_run_are_the_opening_runs() -> None:
    h = history([], [])
    found = propose_several(h, fit_ladder(h.table), 3)
    assert found[0].settings == SPACE.base
    assert all(p.is_opening for p in found)
    assert len({tuple(p.settings.items()) for p in found}) == 3


@pytest.mark.parametrize("count", [0, MOST_AT_ONCE + 1])
def test_other_counts_are_refused(count: int) -> None:
    h = history(ROWS, YIELDS)
    with pytest.raises(ValueError, match="runs at once"):
        propose_several(h, fit_ladder(h.table), count)


def test_shorten_saves_what_it_is_asked_to_save() -> None:
    rows = grid_rows()
    h = history(rows, [70.0 + 0.01 * k for k in range(len(rows))], PLAIN)
    cost = Burden("cost", "EUR", lambda s: (float(s["bath"]) - 90.0) ** 2)
    found = propose(h, fit_ladder(h.table), Purpose.SHORTEN, burden=cost)
    assert float(found.settings["bath"]) < 110.0
    assert "EUR of cost" in found.reason


def test_finding_out_is_about_settings_where_one_would_work() -> None:
    # The models know least about the agent that gave 4 % once; nobody will use it, so nothing there is worth a day.
    space = Space((hold(), bath(), agent("good", "bad")))
    rows: list[dict[str, Setting]] = [
        {"hold": h, "bath": t, "agent": "good"} for h in (1.0, 2.0, 3.0, 4.0) for t in (110.0, 125.0, 140.0)
    ]
    yields = [hill(r) for r in rows]
    h = history([*rows, {"hold": 2.0, "bath": 120.0, "agent": "bad"}], [*yields, 4.0], space)
    found = propose(h, fit_ladder(h.table), Purpose.FIND_OUT)
    assert found.settings["agent"] == "good"
    assert found.reason.startswith("Of all that can be reached and may come near the working recipe, the models learn most here")


def test_greedy_covers_what_single_best_columns_would_not() -> None:
    gains = np.array([[1, 1, 0], [1, 1, 0], [1, 0, 0], [0, 0, 1]], dtype=bool)
    assert _greedy(gains, 2) == [0, 2]


def test_stop_advice_says_stop_on_a_plateau_and_go_on_a_slope() -> None:
    rng = np.random.default_rng(3)
    rows = grid_rows()
    flat = history(rows, [70.0 + float(rng.normal(0, 0.8)) for _ in rows], PLAIN)
    stop = stop_advice(flat, fit_ladder(flat.table), gain=5.0)
    assert stop is not None
    assert not stop.worth_it
    assert stop.sentence.startswith("Stop here")
    low = rows[:10]
    slope = history(low, [40 + 8 * float(r["hold"]) + float(rng.normal(0, 0.8)) for r in low], PLAIN)
    go = stop_advice(slope, fit_ladder(slope.table), gain=2.0)
    assert go is not None
    assert go.worth_it
    assert go.next_one > 0.5
    assert stop.next_one <= stop.next_five <= stop.anywhere <= 1.0


def test_near_the_end_of_the_scale_no_gain_is_promised_that_cannot_be() -> None:
    rng = np.random.default_rng(4)
    rows = grid_rows()[:5]
    high = history(rows, [98.6 + float(rng.normal(0, 0.5)) for _ in rows], PLAIN)
    low = replace(high, table=replace(high.table, yields=high.table.yields - 40.0))
    at_the_end, with_room = (stop_advice(h, fit_ladder(h.table), gain=2.0) for h in (high, low))
    assert at_the_end is not None
    assert with_room is not None
    # The same runs 40 points lower leave room; at 98.6 %, no yield can lie 2 points higher.
    assert with_room.anywhere > 0.1
    assert at_the_end.anywhere < 0.02
    assert at_the_end.next_one <= at_the_end.next_five <= at_the_end.anywhere


def test_the_chance_of_the_aim_falls_with_the_aim() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    best = h.working_recipe(ladder)
    assert best is not None
    expected = float(ladder.predict(encode(h.space.variables, [h.settings[best]])).mean[0])
    chances = []
    for aim in (expected + 1, expected + 8, 99.9):
        advice = stop_advice(h, ladder, gain=1.0, aim=aim)
        assert advice is not None
        assert advice.aim_chance is not None
        chances.append(advice.aim_chance)
    assert 1.0 >= chances[0] > chances[1] > chances[2]
    reached = stop_advice(h, ladder, gain=1.0, aim=expected - 1)
    assert reached is not None
    assert reached.aim_chance is None


def test_the_chance_of_the_aim_counts_drawn_yields_with_narrowed_upsides() -> None:
    # By hand: gains of 10, 2, -2 and 6 over 60 with an expected 4; what lies above counts by 1/1.5, so 68, 62, 58 and 65.3 %.
    draws = np.array([[60.0, 70.0], [60.0, 62.0], [60.0, 58.0], [60.0, 66.0]])
    chances = [_aim_chance(draws, np.array([4.0]), 60.0, aim) for aim in (61.0, 65.0, 66.0, 69.0)]
    assert chances == [0.75, 0.5, 0.25, 0.0]
    assert _aim_chance(draws, np.array([4.0]), 60.0, 60.0) is None
    # At least one of two.
    both = np.column_stack([draws, [50.0, 90.0, 50.0, 50.0]])
    assert _aim_chance(both, np.array([4.0, 0.0]), 60.0, 66.0) == 0.5


def test_a_doubtful_run_is_the_working_recipe_only_where_there_is_no_other() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    best = h.working_recipe(ladder)
    assert best is not None
    doubted = replace(h, doubtful=tuple(k == best for k in range(len(ROWS))))
    assert doubted.working_recipe(ladder) not in (None, best)
    assert replace(h, doubtful=(True,) * len(ROWS)).working_recipe(ladder) == best


def test_what_lies_above_the_mean_counts_as_too_far_away() -> None:
    # Changes with mean -3 and 4 points, standard deviation 4. Normal tail areas by scipy.
    change = Mixture(np.ones(1), np.array([[-3.0, 4.0]]), np.full((1, 2), 16.0))
    expected = [stats.norm.sf(1.5 * (2.0 + 3.0) / 4.0), stats.norm.sf((2.0 - 4.0) / 4.0)]
    assert chance_of_gain(change, 2.0) == pytest.approx(expected, rel=1e-12)
    # Above its own mean a hopeful change is narrowed too.
    assert chance_of_gain(change, 10.0)[1] == pytest.approx(stats.norm.sf(1.5 * 6.0 / 4.0), rel=1e-12)


def test_no_stop_advice_before_a_working_recipe() -> None:
    h = history([], [])
    assert stop_advice(h, fit_ladder(h.table), gain=1.0) is None


def test_a_larger_gain_is_less_likely() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    chances = []
    for gain in (0.5, 5.0, 15.0):
        advice = stop_advice(h, ladder, gain=gain)
        assert advice is not None
        chances.append(advice.next_five)
    assert chances[0] > chances[1] > chances[2]


def test_chances_of_several_runs_allow_for_models_that_are_too_hopeful(monkeypatch: pytest.MonkeyPatch) -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    careful = stop_advice(h, ladder, gain=5.0)
    # With gains taken at their word, the same draws promise more.
    monkeypatch.setattr(stopping, "gain_threshold", lambda change, gain: np.full(len(change.mean), gain))
    at_their_word = stop_advice(h, ladder, gain=5.0)
    assert careful is not None
    assert at_their_word is not None
    assert careful.next_five < at_their_word.next_five - 0.02
    assert careful.anywhere < at_their_word.anywhere


def test_the_tolerance_window_keeps_the_true_yield_and_grows_with_the_loss() -> None:
    rows = grid_rows()
    h = history(rows, [hill(r) for r in rows], PLAIN)
    ladder = fit_ladder(h.table)
    working: dict[str, Setting] = {"hold": 3.0, "bath": 125.0}
    wide = tolerance_window(ladder, PLAIN, working, allowed_loss=4.0)
    narrow = tolerance_window(ladder, PLAIN, working, allowed_loss=1.5)
    rng = np.random.default_rng(0)
    for window in (wide, narrow):
        assert window.reached >= 0.9 - 1e-9
        (w_hold, w_bath) = window.variables
        drawn: list[dict[str, Setting]] = [
            {"hold": rng.uniform(w_hold.low or 0, w_hold.high or 0), "bath": rng.uniform(w_bath.low or 0, w_bath.high or 0)}
            for _ in range(400)
        ]
        kept = np.mean([hill(working) - hill(d) <= window.allowed_loss + 0.3 for d in drawn])
        assert kept >= 0.9
    for a, b in zip(wide.variables, narrow.variables, strict=True):
        assert (a.high or 0) - (a.low or 0) > (b.high or 0) - (b.low or 0) > 0
        assert a.variable.low <= (a.low or 0) <= float(a.setting) <= (a.high or 0) <= a.variable.high


def test_a_window_that_loses_nothing_ends_where_the_range_does() -> None:
    rows = grid_rows()
    h = history(rows, [70.0] * len(rows), PLAIN)
    window = tolerance_window(fit_ladder(h.table), PLAIN, {"hold": 3.0, "bath": 125.0}, allowed_loss=40.0)
    for w in window.variables:
        assert (w.low, w.high) == pytest.approx((w.variable.low, w.variable.high))
        assert w.alone == pytest.approx((w.variable.low, w.variable.high))
        assert w.low_end is w.high_end is End.RANGE


def test_one_variable_may_drift_together_as_far_as_alone() -> None:
    space = Space((hold(),))
    rows: Rows = [{"hold": h} for h in (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0)]
    h = history(rows, [hill({**row, "bath": 125.0}) for row in rows], space)
    (w,) = tolerance_window(fit_ladder(h.table), space, {"hold": 3.0}, allowed_loss=4.0).variables
    assert (w.low, w.high) == w.alone
    assert w.variable.low < float(w.low or 0.0) < 3.0 < float(w.high or 0.0) < w.variable.high
    assert w.low_end is w.high_end is End.LOSS


def test_a_window_keeps_to_a_rule_that_sets_a_least_difference() -> None:
    # Ten times the hold stays 90 below the bath, in numbers.
    rule = LinearRule("bath well above hold", {"hold": 10.0, "bath": -1.0}, -90.0)
    space = Space((hold(), bath()), (rule,))
    rows = grid_rows()
    h = history(rows, [hill(r) for r in rows], space)
    ladder = fit_ladder(h.table)
    free, held = (tolerance_window(ladder, s, {"hold": 3.0, "bath": 125.0}, allowed_loss=4.0).variables for s in (PLAIN, space))
    free_hold, free_bath, alone_hold, alone_bath = (w.alone or (0.0, 0.0) for w in (*free, *held))
    # By hand: with the bath at 125 the hold may be (125 - 90)/10 = 3.5, with the hold at 3 the bath 120.
    assert alone_hold[1] == pytest.approx(3.5)
    assert alone_bath[0] == pytest.approx(120.0)
    assert (alone_hold[0], alone_bath[1]) == (free_hold[0], free_bath[1])
    assert 10.0 * float(held[0].high or 0.0) - float(held[1].low or 0.0) <= -90.0 + 1e-6
    assert (held[0].high_end, held[1].low_end) == (End.RULE, End.RULE)


def test_windows_hold_together_where_losses_add_up() -> None:
    # On a plane both variables lose in one direction: each alone may use the whole loss, together only a share each.
    rows = grid_rows()
    h = history(rows, [60.0 + 4.0 * float(r["hold"]) + 0.3 * float(r["bath"]) - 37.5 for r in rows], PLAIN)
    ladder = fit_ladder(h.table)
    working: dict[str, Setting] = {"hold": 5.5, "bath": 145.0}
    window = tolerance_window(ladder, PLAIN, working, allowed_loss=3.0, probability=0.95)
    # As far as the wanted probability allows, and no farther.
    assert window.worst == pytest.approx(0.95, abs=0.005)
    assert window.worst >= 0.95
    assert window.reached >= window.worst
    hold_low, bath_low = (float(w.low or 0.0) for w in window.variables)
    # 3 points are 0.75 h or 10 °C alone.
    assert hold_low > 5.5 - 0.75
    assert bath_low > 145.0 - 10.0
    assert 4.0 * (5.5 - hold_low) + 0.3 * (145.0 - bath_low) < 5.5


def test_the_least_favourable_of_a_window_may_be_another_option() -> None:
    space = Space((agent("MgSO4", "Na2SO4"),))
    rows: list[dict[str, Setting]] = [{"agent": name} for name in ("MgSO4", "Na2SO4") * 3]
    h = history(rows, [70.0, 69.0, 70.6, 69.9, 70.3, 69.4], space)
    window = tolerance_window(fit_ladder(h.table), space, rows[0], allowed_loss=3.0, probability=0.8)
    ((name, chance),) = window.variables[0].keeps
    assert name == "Na2SO4"
    assert 0.8 <= chance < 0.999
    assert window.worst == chance


@pytest.mark.parametrize(("loss", "probability"), [(0.0, 0.9), (-1.0, 0.9), (2.0, 0.0), (2.0, 1.0)])
def test_a_senseless_window_is_refused(loss: float, probability: float) -> None:
    h = history(ROWS, YIELDS)
    with pytest.raises(ValueError, match="must"):
        tolerance_window(fit_ladder(h.table), SPACE, ROWS[0], allowed_loss=loss, probability=probability)


def test_a_choice_keeps_the_options_that_do_no_harm() -> None:
    rows: list[dict[str, Setting]] = [{"hold": h, "bath": 120.0, "agent": a} for h in (1.0, 2.0, 3.0) for a in ("a", "b")] * 3
    h = history(rows, [70.0 + 0.1 * (k % 3) for k in range(len(rows))])
    window = tolerance_window(fit_ladder(h.table), SPACE, rows[0], allowed_loss=4.0)
    assert [name for name, _ in window.variables[2].keeps] == ["b"]
    # An option that a rule forbids is not named, however well it does.
    forbidden = replace(SPACE, rules=(*SPACE.rules, NotUsedRule("gone", "agent", ("b",))))
    assert tolerance_window(fit_ladder(h.table), forbidden, rows[0], allowed_loss=4.0).variables[2].keeps == ()
    worse = history(rows, [70.0 - (25.0 if r["agent"] == "b" else 0.0) for r in rows])
    assert tolerance_window(fit_ladder(worse.table), SPACE, rows[0], allowed_loss=4.0).variables[2].keeps == ()


def test_many_options_of_many_choices_are_asked_about_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    choices = [Variable(k, k, Role.CHOICE, choices=tuple("abcdef"), base="a") for k in ("solvent", "base", "ligand")]
    rows: list[dict[str, Setting]] = [{"solvent": a, "base": b, "ligand": "a"} for a in "ab" for b in "abc"]
    table = RunTable(tuple(choices), encode(choices, rows), np.linspace(60.0, 61.0, 6), np.zeros(6), (1, 2, 3, 4, 5, 6))
    ladder = fit_ladder(table)
    asked: list[int] = []
    difference = Ladder.difference

    def counted(self: Ladder, first: np.ndarray, second: np.ndarray) -> Mixture:
        asked.append(len(second))
        return difference(self, first, second)

    monkeypatch.setattr(Ladder, "difference", counted)
    tolerance_window(ladder, Space(tuple(choices)), rows[0], allowed_loss=4.0)
    # Five other options of three choices; the rest is the box of the numbers, of which there are none.
    assert asked.count(15) == 1
    assert len(asked) <= 3


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=1, max_size=30))
def test_a_front_holds_exactly_what_nothing_beats(pairs: list[tuple[int, int]]) -> None:
    burdens, yields = np.array([float(b) for b, _ in pairs]), np.array([float(y) for _, y in pairs])
    front = {(burdens[i], yields[i]) for i in non_dominated(burdens, yields)}
    by_hand = {
        (b, y)
        for b, y in zip(burdens, yields, strict=True)
        if not any((c <= b and z >= y) and (c, z) != (b, y) for c, z in zip(burdens, yields, strict=True))
    }
    assert front == by_hand


@settings(max_examples=5)
@given(st.integers(0, 50))
def test_the_front_of_hours_rises_and_stays_inside(seed: int) -> None:
    rows = grid_rows()
    h = history(rows, [hill(r) for r in rows], PLAIN)
    burden = hours_burden(PLAIN)
    assert burden is not None
    front = trade_off(h, fit_ladder(h.table), burden, seed=seed)
    assert len(front.points) > 2
    for a, b in zip(front.points, front.points[1:], strict=False):
        assert a.burden < b.burden
        assert a.forecast.mean < b.forecast.mean
    for point in front.points:
        assert PLAIN.is_reachable(point.settings)
        assert point.burden == hold_hours(PLAIN, point.settings)
    assert len(front.runs) == len(rows)
    assert max(p.forecast.mean for p in front.points) == pytest.approx(80.0, abs=2.0)


def test_no_settings_that_can_be_reached_lie_far_above_the_front() -> None:
    # Four ratios in fine steps, each at its own price: single steps along the front do not find its best mixtures.
    names, prices = "abcd", (7.8, 4.3, 12.8, 2.2)
    space = Space(tuple(Variable(n, n, Role.RATIO, "eq", 1.0, 5.0, 0.02, 2.0) for n in names))
    rng = np.random.default_rng(2)
    drawn = np.round(1 + 4 * rng.random((10, 4)), 2)
    rows: list[dict[str, Setting]] = [dict(zip(names, row, strict=True)) for row in drawn.tolist()]
    gains = (12.0, 9.0, 7.0, 10.0)
    yields = [30 + float(np.log(row) @ gains) + float(rng.normal()) for row in drawn]
    h = history(rows, yields, space, new_ground=None)
    ladder = fit_ladder(h.table)
    burden = Burden("cost", "EUR", lambda s: sum(p * float(s[n]) for n, p in zip(names, prices, strict=True)))
    front = trade_off(h, ladder, burden)
    reach = reach_of(space)
    at = index_of(reach, encode(space.variables, [p.settings for p in front.points]))
    pool = pool_around(reach, at, 1500, 1500, np.random.default_rng(5))
    means = ladder.predict(reach.coded_rows(pool), with_noise=True).mean_between(0.0, 100.0)
    costs = np.array([burden.of(reach.settings(list(row))) for row in pool])
    for point in front.points:
        cheaper = means[costs <= point.burden + 1e-9]
        assert not len(cheaper) or cheaper.max() - point.forecast.mean < 0.8


def test_a_burden_that_is_unknown_gives_no_front() -> None:
    h = history(ROWS, YIELDS)
    front = trade_off(h, fit_ladder(h.table), Burden("cost", "EUR", lambda s: None))
    assert front.points == ()
    assert front.runs == ()


def outcome(observed: float, low: float = 60.0, high: float = 80.0) -> Outcome:
    return Outcome(1, "raise", 70.0, 66.0, 74.0, low, high, observed)


def test_the_record_counts_what_held() -> None:
    assert forecast_record([]) is None
    good = forecast_record([outcome(y) for y in (70.0, 67.0, 61.0, 79.0, 73.0)])
    assert good is not None
    assert (good.held_50, good.held_90) == (3, 5)
    assert good.mean_absolute_error == pytest.approx((0 + 3 + 9 + 9 + 3) / 5)
    assert "what such ranges promise" in good.sentence
    bad = forecast_record([outcome(y) for y in (50.0, 52.0, 90.0, 70.0, 95.0)])
    assert bad is not None
    # P(at most 1 of 5 inside | 0.9) = 0.00046.
    assert "too seldom" in bad.sentence
    low = forecast_record([outcome(y) for y in (62.0, 63.0, 62.5, 61.5, 63.5)])
    assert low is not None
    assert "points below the forecasts" in low.sentence
    few = forecast_record([outcome(70.0)])
    assert few is not None
    assert "begins to say something" in few.sentence


def test_a_front_says_what_it_shows() -> None:
    burden = hours_burden(PLAIN)
    assert burden is not None

    def point(hours: float, percent: float) -> FrontPoint:
        return FrontPoint({}, hours, Forecast(percent, 0.0, 100.0, 0.0, 100.0, clipped=False))

    assert Front(burden, (), ()).sentence == ""
    rises = "Expected yield rises from 60 % at 1 h to 81 % at 2 h 30 min of holds; below the line nothing is gained."
    assert Front(burden, (point(1.0, 60.2), point(2.5, 80.7)), ()).sentence == rises
    single = "The settings with the highest expected yield, 60 %, also need the least: 1 h of holds. There is nothing to trade."
    assert Front(burden, (point(1.0, 60.2),), ()).sentence == single


def test_stop_advice_knows_at_least_what_the_proposal_knows(monkeypatch: pytest.MonkeyPatch) -> None:
    # Six variables, of which the random candidates alone do not find the best corner.
    variables = tuple(
        Variable(key=f"v{k}", name=f"v{k}", role=Role.OTHER, low=0.0, high=1.0, step=0.05, base=0.3) for k in range(6)
    )
    space = Space(variables)
    rng = np.random.default_rng(3)
    rows: list[dict[str, Setting]] = [
        {v.key: round(float(x), 2) for v, x in zip(variables, 0.1 + 0.6 * rng.random(6), strict=True)} for _ in range(16)
    ]
    yields = [40.0 + 8.0 * sum(float(x) for x in row.values()) + float(rng.normal()) for row in rows]
    h = history(rows, yields, space)
    ladder = fit_ladder(h.table)
    proposal = propose(h, ladder)
    working = rows[working_recipe(ladder, space, rows) or 0]
    change = ladder.difference(encode(variables, [working]), encode(variables, [proposal.settings]))
    chance = float(change.probability_above(2.0)[0])
    advice = stop_advice(h, ladder, 2.0, also=[proposal.settings])
    assert advice is not None
    assert advice.anywhere >= advice.next_five >= advice.next_one >= chance
    alone = stop_advice(h, ladder, 2.0)
    assert alone is not None
    assert alone.next_one >= chance - 0.02
    # What is handed in counts even where the search finds nothing.
    monkeypatch.setattr(stopping, "best_reachable", lambda reach, score, near, rng: (near[0], 0.0))
    many: list[dict[str, Setting]] = [
        {v.key: float(x) for v, x in zip(variables, 0.3 + 0.65 * rng.random(6), strict=True)} for _ in range(3000)
    ]
    chances = ladder.difference(encode(variables, [working]), encode(variables, many)).probability_above(2.0)
    far, sure = many[int(np.argmax(chances))], float(chances.max())
    without, handed = stop_advice(h, ladder, 2.0), stop_advice(h, ladder, 2.0, also=[far])
    assert without is not None
    assert handed is not None
    assert handed.next_one >= sure > without.next_one


def test_a_window_around_settings_outside_the_range_keeps_the_yield() -> None:
    # The best runs lie at 45 °C, below the range of 60 to 100 °C but inside the hard limit.
    bath_tub = Variable(key="bath", name="bath", role=Role.TEMPERATURE, unit="°C", low=60, high=100, step=5, base=80, hard_low=20)
    space = Space((bath_tub,))
    rows: list[dict[str, Setting]] = [{"bath": t} for t in (60.0, 80.0, 100.0, 45.0, 45.0, 70.0, 45.0)]
    h = history(rows, [70.0, 40.0, 20.0, 90.0, 91.0, 55.0, 90.0], space)
    ladder = fit_ladder(h.table)
    window = tolerance_window(ladder, space, {"bath": 45.0}, allowed_loss=3.0, probability=0.9)
    (w,) = window.variables
    assert w.low == 45.0
    assert w.high is not None
    drifted: list[dict[str, Setting]] = [{"bath": float(t)} for t in np.linspace(45.0, w.high, 40)]
    kept = ladder.difference(encode((bath_tub,), [{"bath": 45.0}]), encode((bath_tub,), drifted)).probability_above(-3.0)
    assert kept[1:].min(initial=1.0) >= 0.9 - 1e-3
    assert w.high < 55.0


def test_windows_together_keep_to_a_rule() -> None:
    rule = LinearRule("hold + bath at most 129", {"hold": 1.0, "bath": 1.0}, 129.0)
    space = Space((hold(), bath()), (rule,))
    rows = grid_rows()
    h = history(rows, [hill(r) for r in rows], space)
    ladder = fit_ladder(h.table)
    free = tolerance_window(ladder, PLAIN, {"hold": 3.0, "bath": 125.0}, allowed_loss=4.0)
    assert sum(float(w.high or 0.0) for w in free.variables) > 129.0
    held = tolerance_window(ladder, space, {"hold": 3.0, "bath": 125.0}, allowed_loss=4.0)
    assert sum(float(w.high or 0.0) for w in held.variables) == pytest.approx(129.0)
    assert all(w.high_end is End.RULE for w in held.variables)
    # Alone each may drift at least as far as together with the others.
    for w in free.variables:
        assert w.alone is not None
        assert w.alone[0] <= float(w.low or 0.0) <= float(w.high or 0.0) <= w.alone[1]
    assert [w.low for w in held.variables] == [w.low for w in free.variables]


def test_a_window_ends_where_the_option_of_the_recipe_allows_no_more() -> None:
    rule = OptionRangeRule("with agent a, bath at most 126 °C", "agent", "a", "bath", None, 126.0)
    variables = (hold(), bath(), agent("a", "b"))
    rows: list[dict[str, Setting]] = [{**r, "agent": "ab"[k % 2]} for k, r in enumerate(grid_rows())]
    space = Space(variables, (rule,))
    ladder = fit_ladder(history(rows, [hill(r) for r in rows], Space(variables)).table)
    free = tolerance_window(ladder, Space(variables), {"hold": 3.0, "bath": 125.0, "agent": "a"}, allowed_loss=8.0)
    held = tolerance_window(ladder, space, {"hold": 3.0, "bath": 125.0, "agent": "a"}, allowed_loss=8.0)
    other = tolerance_window(ladder, space, {"hold": 3.0, "bath": 125.0, "agent": "b"}, allowed_loss=8.0)
    assert (free.variables[1].high or 0.0) > 126.0
    assert (held.variables[1].high, held.variables[1].high_end) == (126.0, End.RULE)
    assert held.variables[1].alone is not None
    assert held.variables[1].alone[1] == 126.0
    assert (other.variables[1].high or 0.0) > 126.0


def test_nothing_is_saved_where_nothing_is_used_and_the_same_settings_have_no_chance() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    proposal = propose(h, ladder, Purpose.SHORTEN, burden=Burden("ether", "g", lambda s: 0.0, "ether"))
    assert "takes no ether, so there is nothing to save" in proposal.reason
    assert proposal.chance_to_beat is None


def test_shorten_accepts_the_loss_that_does_not_matter() -> None:
    rows = grid_rows()
    h = history(rows, [hill(r) for r in rows], PLAIN)
    ladder = fit_ladder(h.table)
    hours = hours_burden(PLAIN)
    assert hours is not None
    small, large = (
        propose(h, ladder, Purpose.SHORTEN, burden=replace(hours, allowed_loss=loss)).settings["hold"] for loss in (0.5, 15.0)
    )
    assert float(large) < float(small) <= 3.0


def test_the_record_judges_both_ranges_and_results_above_100() -> None:
    wide = [Outcome(k, "raise", 50.0, 40.0, 60.0, 20.0, 80.0, observed=62.0) for k in range(10)]
    record = forecast_record(wide)
    assert record is not None
    assert "the 50 % range too seldom" in record.sentence
    exact = [Outcome(k, "raise", 50.0, 40.0, 60.0, 20.0, 80.0, observed=50.0) for k in range(10)]
    record = forecast_record(exact)
    assert record is not None
    assert "more often than promised" in record.sentence
    assert Outcome(1, "raise", 98.0, 96.0, 100.0, 91.0, 100.0, observed=104.0).in_90
    # The forecast is the mean of results cut at 100 %: wet product of 122 % was not forecast 24 points too low.
    wet = forecast_record([Outcome(k, "raise", 98.0, 96.0, 100.0, 91.0, 100.0, observed=y) for k, y in enumerate((122.0, 96.0))])
    assert wet is not None
    assert (wet.mean_error, wet.mean_absolute_error) == pytest.approx((0.0, 2.0))


@pytest.mark.parametrize(
    "runs", [((1, 120, 88.6), (3, 120, 100.0), (1, 105, 100.0)), ((1, 140, 89.2), (3, 105, 98.4), (3, 130, 49.4))]
)
def test_a_front_near_100_rises(runs: tuple[tuple[float, float, float], ...]) -> None:
    rows: list[dict[str, Setting]] = [{"hold": float(h), "bath": float(t)} for h, t, _ in runs]
    found = history(rows, [y for _, _, y in runs], PLAIN)
    burden = hours_burden(PLAIN)
    assert burden is not None
    means = [p.forecast.mean for p in trade_off(found, fit_ladder(found.table), burden).points]
    assert means == sorted(means)


def test_runs_that_are_only_expected_teach_nothing_about_evidence() -> None:
    plain = history(ROWS, YIELDS)
    told = plain.table
    implied = RunTable(told.variables, told.coded[:2] + 0.01, told.yields[:2] - 9.0, np.full(2, 3.0), (-1, -2))
    beside = Beside(implied, (frozenset((1,)), frozenset((2,))))
    asked = replace(plain, beside=beside, pending=tuple(plain.settings[:3]))
    ladder = fit_ladder(asked.table, beside=beside)
    assert 0.0 < ladder.trust < 1.0
    assert with_pending(asked, ladder, 0).trust == ladder.trust


def test_ranges_cut_at_the_end_of_the_scale_are_not_called_too_wide() -> None:
    cut = [Outcome(k, "raise", 98.0, 96.0, 100.0, 91.0, 100.0, observed=99.0) for k in range(10)]
    record = forecast_record(cut)
    assert record is not None
    assert "does not contradict" in record.sentence
    whole = [Outcome(k, "raise", 80.0, 78.0, 82.0, 71.0, 89.0, observed=80.0) for k in range(10)]
    told = forecast_record(whole)
    assert told is not None
    assert "wider than need be" in told.sentence


@pytest.mark.parametrize(("n", "is_told"), [(5, False), (6, True)])
def test_all_or_none_in_the_middle_are_told_from_six_on(n: int, is_told: bool) -> None:
    # By hand: 0.5⁵ = 3.1 % and 0.5⁶ = 1.6 %, against 2 %.
    for observed, words in ((50.0, "the 50 % range more often than promised"), (39.0, "the 50 % range too seldom")):
        record = forecast_record([Outcome(k, "raise", 50.0, 40.0, 60.0, 20.0, 80.0, observed) for k in range(n)])
        assert record is not None
        assert (words in record.sentence) is is_told


def test_a_range_that_ends_at_nothing_holds_a_run_that_gave_nothing() -> None:
    failed = Outcome(1, "learn", 4.0, 0.0, 6.0, 0.0, 15.0, observed=0.0)
    assert (failed.in_50, failed.in_90, failed.is_cut) == (True, True, True)
    record = forecast_record([failed] * 10)
    assert record is not None
    assert "more often than promised" not in record.sentence


def test_few_errors_need_to_be_large_before_a_side_is_told() -> None:
    # Mean 2, standard deviation 1.83: 2.2 standard errors above 0, but with three degrees of freedom it takes 4.54 (t(0.99, 3)).
    errors = (0.0, 1.5, 2.0, 4.5)

    def told(errors: tuple[float, ...]) -> str:
        outcomes = [Outcome(k, "raise", 70.0, 66.0, 74.0, 60.0, 80.0, observed=70.0 + e) for k, e in enumerate(errors)]
        record = forecast_record(outcomes)
        assert record is not None
        return record.sentence

    assert "on average" not in told(errors)
    assert "2.0 points above the forecasts on average" in told(errors * 3)
    # Standard deviation 1, so that it takes 2.27 points.
    spread = (-0.866, -0.866, 0.866, 0.866)
    assert "2.3 points below the forecasts on average" in told(tuple(e - 2.3 for e in spread))
    assert "on average" not in told(tuple(e - 2.2 for e in spread))
    # What is sure, but less than a point, is not worth a word.
    assert "1.1 points above the forecasts on average" in told(tuple(1.1 + 0.01 * e for e in spread))
    assert "on average" not in told(tuple(0.9 + 0.01 * e for e in spread))


def test_advice_is_about_the_runs_that_can_be_made() -> None:
    rows: Rows = [{"hold": h, "bath": b, "agent": "a"} for h, b in ((1.0, 110.0), (1.5, 120.0), (2.0, 130.0), (2.5, 120.0))]
    h = history(rows, [30.0, 42.0, 55.0, 48.0])
    advice = stop_advice(h, fit_ladder(h.table), gain=12.0)
    assert advice is not None
    assert list(advice.chances) == sorted(advice.chances)
    assert (advice.can_make, advice.chances[-1], advice.together) == (5, advice.next_five, advice.next_five)
    assert advice.limited(None) == advice
    one, two = advice.limited(1), advice.limited(2)
    # Each is judged by its own chance, not by that of five.
    assert one.together == advice.next_one < two.together < advice.next_five
    assert one.odds.endswith("; only 1 run can be made.")
    assert f"the next two together have {percent_words(two.together)} (only 2 can be made)" in two.odds
    for limited in (one, two):
        assert limited.worth_it == (limited.together >= FAIR_CHANCE)
    bare = replace(advice, chances=(0.15, 0.28, 0.4, 0.5, 0.57), next_one=0.15)
    assert [bare.limited(n).worth_it for n in (1, 3, 4)] == [False, False, True]
    assert [bare.limited(n).verdict.split()[0] for n in (1, 2, 4)] == ["Stop", "Another", "Worth"]


def test_advice_counts_no_more_runs_than_there_are_settings() -> None:
    agents = (Variable("agent", "Drying agent", Role.CHOICE, Stage.ISOLATION, base="a", choices=("a", "b", "c")),)
    h = history([{"agent": "a"}, {"agent": "b"}], [50.0, 40.0], Space(agents))
    advice = stop_advice(h, fit_ladder(h.table), gain=1.0)
    assert advice is not None
    # The two that are not the working recipe. Both can be made, so nothing is said of a limit.
    assert [s["agent"] for s in advice.five] in (["b", "c"], ["c", "b"])
    assert "the next two together have" in advice.odds
    assert "can be made" not in advice.odds
    assert advice.limited(1).odds.endswith("; only 1 run can be made.")


def test_a_rise_along_the_front_comes_with_its_doubt() -> None:
    holds = (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0)
    rows: Rows = [{"hold": h, "bath": 120.0 + 5.0 * (k % 3)} for k, h in enumerate(holds)]
    noise = [1.5, -1.0, 0.5, 2.0, -2.0, 0.0, -1.5, 1.0]
    burden = Burden("holds", "h", lambda s: float(s["hold"]))
    fronts = []
    for slope in (0.0, 8.0):
        h = history(rows, [60.0 + slope * (hold - 3.0) + e for hold, e in zip(holds, noise, strict=True)], PLAIN)
        fronts.append(trade_off(h, fit_ladder(h.table), burden))
    flat, steep = fronts
    assert flat.rise is not None
    assert flat.rise[0] < 0.0 < flat.rise[1]
    assert "that more of it gives more is not shown (90 % range of the rise −" in flat.sentence
    assert steep.rise is not None
    assert steep.rise[0] > 0
    assert steep.sentence.startswith("Expected yield rises from ")
    assert steep.sentence.endswith("points); below the line nothing is gained.")


def test_no_rise_along_a_front_is_larger_than_all_there_is() -> None:
    holds = (1.0, 1.0, 1.5, 5.0, 5.0)
    rows: Rows = [{"hold": h, "bath": 120.0} for h in holds]
    h = history(rows, [1.0, 0.0, 4.0, 97.0, 99.0], PLAIN)
    front = trade_off(h, fit_ladder(h.table), Burden("holds", "h", lambda s: float(s["hold"])))
    assert front.rise is not None
    assert front.rise[1] == 100.0
    assert front.sentence.count("to +100.0 points") == 1


def test_the_window_of_a_count_is_whole() -> None:
    washes = Variable("washes", "washes", Role.COUNT, "", 1, 6, 1, 3)
    space = Space((hold(), washes))
    rows: list[dict[str, Setting]] = [{"hold": h, "washes": float(w)} for h in (1.0, 2.0, 3.0, 4.0) for w in (1, 2, 3, 4, 5, 6)]
    yields = [75.0 - 2.0 * (float(r["hold"]) - 2.5) ** 2 - 1.1 * (float(r["washes"]) - 3.0) ** 2 for r in rows]
    table = RunTable(
        space.variables, encode(space.variables, rows), np.array(yields), np.zeros(len(rows)), tuple(range(1, len(rows) + 1))
    )
    window = tolerance_window(fit_ladder(table), space, {"hold": 2.5, "washes": 3.0}, allowed_loss=3.0)
    (w,) = [w for w in window.variables if w.variable.key == "washes"]
    assert w.low is not None
    assert w.high is not None
    assert w.alone is not None
    assert all(float(end).is_integer() for end in (w.low, w.high, *w.alone))
    assert w.low <= 3 <= w.high


@pytest.mark.parametrize(
    ("low", "high", "whole"),
    # The dust of the arithmetic takes nothing away, and the setting stays where a limit has drawn the window in.
    [(1.2, 4.8, (2, 4)), (2.0000000001, 3.9999999999, (2, 4)), (1.9, 3.1, (2, 3)), (2.6, 3.4, (3, 3)), (0.0, 3.0, (0, 3))],
)
def test_whole_numbers_lie_inside_a_window(low: float, high: float, whole: tuple[int, int]) -> None:
    washes = Variable("washes", "washes", Role.COUNT, "", 0, 6, 1, 3)
    found = _whole(VariableWindow(washes, 3.0, low, high, End.LOSS, End.LOSS, (low, high)))
    assert (found.low, found.high) == found.alone == whole


def test_repeats_end_where_the_stock_makes_them_another_run() -> None:
    space = Space((hold(), Variable("cat", "cat", Role.LOADING, "mol%", 0.5, 3, 0.5, 2)))
    rows: list[dict[str, Setting]] = [
        {"hold": h, "cat": c} for h, c in ((2.0, 2.0), (1.0, 1.0), (4.0, 2.0), (2.0, 1.0), (3.0, 3.0))
    ]
    h = history(rows, [70.0, 40.0, 66.0, 50.0, 60.0], space=space)
    left = StockRule("4.5 g left", "cat", 1.0, 4.5, "cat")
    found = propose_several(replace(h, stock=(left,)), fit_ladder(h.table), 4, Purpose.REPEAT)
    assert [p.settings["cat"] for p in found] == [2.0, 2.0]
