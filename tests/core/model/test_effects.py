"""Effects, evidence, and what cannot be told."""

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from server.core.model import effects
from server.core.model.effects import Evidence, find_effects, summarise
from server.core.model.knowable import indicators, moved_with, separating_run, shifts_with, what_is_knowable
from server.core.model.ladder import NO_END_LOSSES, Ladder, fit_ladder
from server.core.model.mixture import Mixture
from server.core.model.quality import judge
from server.core.model.runs import FAILURE_SD, RunTable
from server.core.space.coordinates import encode
from server.core.space.variables import Role, Stage, Variable
from tests.factories import agent, bath, hold

VARIABLES = (hold(), bath(), agent("a", "b"))


def runs(rows: list[tuple[float, float, str]], yields: list[float]) -> RunTable:
    coded = encode(VARIABLES, [{"hold": h, "bath": t, "agent": a} for h, t, a in rows])
    n = len(rows)
    return RunTable(VARIABLES, coded, np.array(yields), np.zeros(n), tuple(range(1, n + 1)))


def effects_of(rows: list[tuple[float, float, str]], yields: list[float]):
    table = runs(rows, yields).in_canonical_order()
    order = [n - 1 for n in table.numbers]
    raw: list[list[float | str]] = [list(rows[i]) for i in order]
    return {e.key: e for e in find_effects(fit_ladder(table), table.coded[int(np.argmax(table.yields))], raw)}


TOGETHER = [(1.0, 110.0, "a"), (1.5, 115.0, "a"), (2.0, 120.0, "a"), (3.0, 130.0, "a"), (4.0, 140.0, "a")]


def test_a_failed_run_does_not_tie_variables_together() -> None:
    # Without the failed run hold and bath are a factorial; with it, far out in both, their squared correlation is 0.9.
    rows = [(1.0, 110.0, "a"), (1.0, 112.0, "a"), (1.1, 110.0, "a"), (1.1, 112.0, "a"), (6.0, 150.0, "a")]
    table = runs(rows, [50.0, 52.0, 51.0, 53.0, 3.0])
    assert what_is_knowable(table).together == ((0, 1),)
    failed = replace(table, failed=np.array([False, False, False, False, True]))
    assert what_is_knowable(failed).together == ()
    # What moved in the failed run alone is judged with it.
    still = replace(runs([(1.0, 110.0, "a")] * 4 + [(6.0, 150.0, "a")], [50.0, 52.0, 51.0, 53.0, 3.0]), failed=failed.failed)
    assert what_is_knowable(still).together == ((0, 1),)


def test_what_moved_with_a_circumstance_is_found() -> None:
    rows = [(1.0, 110.0, "a"), (1.5, 140.0, "a"), (2.0, 120.0, "b"), (3.0, 110.0, "b"), (4.0, 130.0, "b"), (5.0, 120.0, "b")]
    table = runs(rows, [50.0, 52.0, 51.0, 53.0, 55.0, 54.0])
    order = np.arange(6.0)
    assert moved_with(table, order) == (0,)
    lots = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 1.0], [0.0, 1.0], [0.0, 1.0]])
    assert moved_with(table, lots) == (2,)
    # Runs of which nothing is known are left out; with four runs or fewer chance does as much.
    assert moved_with(table, np.array([0.0, np.nan, 2.0, 3.0, 4.0, 5.0])) == (0,)
    assert moved_with(table, np.array([0.0, np.nan, np.nan, 3.0, 4.0, 5.0])) == ()
    # With few runs chance alone makes squared correlations large: 0.91 of six is 0.88 once that is allowed for.
    shaken = np.array([0.0, 2.0, 1.5, 3.0, 3.4, 5.0])
    r2 = float(np.corrcoef(table.coded[:, 0], shaken)[0, 1] ** 2)
    assert 0.9 < r2 < 0.92
    assert moved_with(table, shaken) == ()
    # What stayed the same, or differs from run to run like a lot for each, ties nothing.
    assert moved_with(table, np.ones(6)) == ()
    assert moved_with(table, np.eye(6)) == ()
    failed = replace(table, failed=np.array([False, False, False, False, True, True]))
    assert moved_with(failed, order) == ()


def test_variables_that_rose_together_cannot_be_told_apart() -> None:
    found = effects_of(TOGETHER, [50.0, 56.0, 61.0, 68.0, 74.0])
    assert found["hold"].evidence is Evidence.CANNOT_TELL
    assert found["hold"].partners == ("bath",)
    assert "cannot be told apart from bath" in found["hold"].sentence
    assert found["bath"].partners == ("hold",)
    assert found["hold"].change is None


def test_the_run_that_separates_moves_one_against_the_other() -> None:
    table = runs(TOGETHER, [50.0, 56.0, 61.0, 68.0, 74.0])
    rows: list[dict[str, float | str]] = [
        {"hold": h, "bath": t, "agent": "a"} for h in (0.5, 2.0, 6.0) for t in (100.0, 125.0, 150.0)
    ]
    candidates = encode(VARIABLES, rows)
    group = what_is_knowable(table).together[0]
    chosen = rows[separating_run(table, candidates, group, table.coded[-1])]
    assert (chosen["hold"], chosen["bath"]) in {(6.0, 100.0), (0.5, 150.0)}


def test_effect_of_a_constant_variable_is_unknown() -> None:
    found = effects_of(TOGETHER, [50.0, 56.0, 61.0, 68.0, 74.0])
    assert found["agent"].evidence is Evidence.NEVER_MOVED
    assert "never moved" in found["agent"].sentence
    assert "always a" in found["agent"].sentence


def test_what_differs_by_weighing_alone_is_a_repeat() -> None:
    rows = [(2.0, 119.9, "a"), (2.0, 120.0, "a"), (2.0, 120.1, "a"), (2.01, 120.0, "a"), (4.0, 120.0, "a")]
    table = runs(rows, [60.0, 61.0, 62.0, 63.0, 70.0])
    labels = table.groups()
    assert len(set(labels[:4])) == 1
    assert labels[4] != labels[0]
    assert what_is_knowable(table).n_repeats == 3
    found = effects_of(rows, [60.0, 61.0, 62.0, 63.0, 70.0])
    assert found["bath"].evidence is Evidence.NEVER_MOVED
    assert re.search(r"It was always about 1(19\.9|20|20\.1) °C\.", found["bath"].sentence)
    # Another option is never a repeat.
    assert len(set(runs([(2.0, 120.0, "a"), (2.0, 120.0, "b")], [1.0, 2.0]).groups())) == 2


def test_a_strong_effect_is_clear_and_an_absent_one_is_not_shown() -> None:
    rows = [(h, t, a) for h in (1.0, 4.0) for t in (110.0, 140.0) for a in "ab"]
    yields = [40 + 25 * (h > 2) + 0.3 * (a == "b") for h, t, a in rows]
    found = effects_of(rows, yields)
    assert found["hold"].evidence is Evidence.CLEAR
    assert found["hold"].change is not None
    assert 15 < found["hold"].change < 30
    assert found["bath"].evidence is Evidence.NOT_SHOWN
    assert found["agent"].evidence is Evidence.NOT_SHOWN
    assert found["hold"].low_90 < found["hold"].low_50 < found["hold"].change < found["hold"].high_50 < found["hold"].high_90


def test_an_optimum_inside_the_range_is_told_from_both_ends() -> None:
    rng = np.random.default_rng(1)
    rows = [(2.0, t, "a") for t in (100.0, 110.0, 120.0, 125.0, 130.0, 140.0, 150.0)] * 2
    yields = [85 - 0.05 * (t - 125) ** 2 + float(rng.normal(0, 0.8)) for _, t, _ in rows]
    bath = effects_of(rows, yields)["bath"]
    assert bath.evidence is Evidence.CLEAR
    assert re.fullmatch(
        r"bath: the yield is clearly highest near 1(20|25|30) °C; \d+\.\d points lower at 100 °C \(90 % range .*\) "
        r"and \d+\.\d points lower at 150 °C \(90 % range .*\)\.",
        bath.sentence,
    )
    # Told from the worse end to the best level: about 31 points.
    assert bath.from_label in ("100 °C", "150 °C")
    assert bath.to_label in ("120 °C", "125 °C", "130 °C")
    assert bath.change is not None
    assert 20 < bath.change < 40
    assert bath.low_90 is not None
    assert 0 < bath.low_90 < bath.change < (bath.high_90 or 0)
    # The closer end still lies lower, and a line that only rises has no top between its ends.
    rising = effects_of(rows, [40 + 0.5 * (t - 100) + float(rng.normal(0, 0.8)) for _, t, _ in rows])["bath"]
    assert "clearly raised" in rising.sentence
    assert "highest" not in rising.sentence


def test_a_top_beside_failed_runs_says_where_they_were() -> None:
    rows = [(2.0, t, "a") for t in (110.0, 120.0, 125.0, 130.0, 140.0)] * 2 + [(2.0, 150.0, "a")]
    table = runs(rows, [*[85 - 0.08 * (t - 125) ** 2 for _, t, _ in rows[:-1]], 0.0])
    failed = replace(table, failed=np.arange(len(rows)) == len(rows) - 1).in_canonical_order()
    raw: list[list[float | str]] = [list(rows[n - 1]) for n in failed.numbers]
    without = fit_ladder(failed.without_failures())
    found = {e.key: e for e in find_effects(fit_ladder(failed), failed.coded[4], raw, without=without)}
    assert "highest near 125 °C" in found["bath"].sentence
    assert found["bath"].sentence.endswith("Outside this range there is only run 11, which failed.")


def test_a_top_of_few_runs_is_not_called_clear() -> None:
    rows = [(2.0, t, "a") for t in (100.0, 125.0, 125.0, 150.0)]
    bath = effects_of(rows, [20.0, 85.0, 85.2, 22.0])["bath"]
    assert bath.evidence is Evidence.LIKELY
    assert "the yield is likely highest near 125 °C" in bath.sentence


def test_no_change_is_told_that_is_larger_than_all_there_is() -> None:
    wide = Mixture(np.array([1.0]), np.array([[86.0]]), np.array([[25.0**2]]))
    told = summarise(wide)
    assert (told["change"], told["high_90"]) == (86.0, 100.0)
    assert told["low_90"] == pytest.approx(86.0 - 1.6449 * 25.0, abs=0.01)
    # Beside its ends a top is told with both ranges.
    rows = [(2.0, t, "a") for t in (100.0, 125.0, 125.0, 150.0)]
    sentence = effects_of(rows, [2.0, 98.0, 85.0, 3.0])["bath"].sentence
    ranges = [float(x) for x in re.findall(r"to \+(\d+\.\d)\)", sentence)]
    assert "highest near 125 °C" in sentence
    assert len(ranges) == 2
    assert max(ranges) <= 100.0


def test_settings_below_zero_have_a_minus() -> None:
    cold = Variable("cold", "cold", Role.TEMPERATURE, "°C", -20.0, 10.0, 5.0, 0.0)
    rows = [-20.0, -10.0, -5.0]
    table = RunTable((cold,), encode((cold,), [{"cold": x} for x in rows]), np.array([60.0, 64.0, 70.0]), np.zeros(3), (1, 2, 3))
    ordered = table.in_canonical_order()
    (effect,) = find_effects(fit_ladder(ordered), ordered.coded[0], [[rows[n - 1]] for n in ordered.numbers])
    assert "going from −20 °C to −5 °C" in effect.sentence


def test_nothing_but_scatter_has_no_top() -> None:
    rows = [(2.0, t, "a") for t in (100.0, 110.0, 120.0, 125.0, 130.0, 140.0, 150.0)] * 2
    found = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        found += "highest" in effects_of(rows, [70 + float(rng.normal(0, 2)) for _ in rows])["bath"].sentence
    assert found <= 1


def test_an_option_that_was_seen_in_a_failure_only_is_not_clearly_bad() -> None:
    rows = [(h, t, "a") for h in (1.0, 4.0) for t in (110.0, 140.0)] * 2 + [(2.0, 120.0, "b"), (3.0, 130.0, "b")]
    table = runs(rows, [60.0, 70.0, 62.0, 72.0] * 2 + [2.0, 3.0])
    for extra, expected in ((0.0, Evidence.CLEAR), (FAILURE_SD, Evidence.LIKELY)):
        sds = np.array([0.0] * 8 + [extra] * 2)
        failed = replace(table, extra_sd=sds, failed=sds > 0).in_canonical_order()
        raw: list[list[float | str]] = [list(rows[n - 1]) for n in failed.numbers]
        found = {e.key: e for e in find_effects(fit_ladder(failed), failed.coded[-1], raw)}
        assert found["agent"].evidence is expected


def test_two_runs_are_too_few() -> None:
    found = effects_of(TOGETHER[:2], [50.0, 60.0])
    assert found["hold"].evidence is Evidence.TOO_FEW_RUNS
    assert "2 runs so far; effects need at least 3" in found["hold"].sentence


def test_fewer_runs_than_variables_is_seen_by_rank() -> None:
    known = what_is_knowable(runs([(1.0, 110.0, "a"), (2.0, 140.0, "b"), (4.0, 110.0, "b")], [1.0, 2.0, 3.0]))
    assert known.is_rank_deficient
    assert known.n_moved == 3


def test_a_run_that_does_not_fit_is_named() -> None:
    rows = [(h, t, "a") for h in (1.0, 2.0, 4.0, 6.0) for t in (105.0, 120.0, 135.0)]
    yields = [60.0 + 2 * h + 0.2 * (t - 120) for h, t, _ in rows]
    yields[5] -= 30.0
    quality = judge(fit_ladder(runs(rows, yields)))
    assert [number for number, _, _ in quality.misfits] == [6]
    assert quality.misfits[0][1] < -15


def test_quality_compares_with_guessing_the_mean() -> None:
    rows = [(h, t, "a") for h in (1.0, 2.0, 4.0, 6.0) for t in (105.0, 120.0, 135.0)]
    quality = judge(fit_ladder(runs(rows, [40 + 8 * h + 0.5 * (t - 120) for h, t, _ in rows])))
    assert quality.error is not None
    assert quality.error_of_mean is not None
    assert quality.error < 0.5 * quality.error_of_mean
    assert "better than guessing the mean" in quality.sentence


def mixture_runs(count: int, seed: int, spread: float = 0.0) -> RunTable:
    """Three parts that add up to 100 mL; the third does nothing."""
    parts = tuple(
        Variable(key=name, name=name, role=Role.OTHER, unit="mL", stage=Stage.REACTION, low=0, high=100, step=None, base=30)
        for name in ("water", "ethanol", "ether")
    )
    rng = np.random.default_rng(seed)
    share = 100 * rng.dirichlet([2, 2, 2], size=count)
    share[:, 2] += spread * rng.normal(size=count)
    coded = encode(parts, [dict(zip(("water", "ethanol", "ether"), map(float, s), strict=True)) for s in share])
    yields = 95 - 0.6 * share[:, 0] - 0.6 * share[:, 1] + rng.normal(size=count)
    return RunTable(parts, coded, yields, np.zeros(count), tuple(range(1, count + 1)))


def test_parts_of_a_mixture_cannot_be_told_apart_although_no_two_moved_together() -> None:
    known = what_is_knowable(mixture_runs(10, 4))
    assert (known.rank, known.n_columns) == (2, 3)
    assert known.together == ((0, 1, 2),)
    table = mixture_runs(10, 4).in_canonical_order()
    raw: list[list[float | str]] = [[0.0] * 3] * 10
    for effect in find_effects(fit_ladder(table), table.coded[0], raw):
        assert effect.evidence is Evidence.CANNOT_TELL
        assert len(effect.partners) == 2
    assert what_is_knowable(mixture_runs(10, 4, spread=40.0)).together == ()


def test_repeats_make_no_dependence() -> None:
    # Four settings fix three variables; run twice each, they are eight runs.
    rows = [(1.0, 110.0, "a"), (4.0, 110.0, "b"), (1.0, 140.0, "b"), (4.0, 140.0, "a")] * 2
    assert what_is_knowable(runs(rows, [50.0, 60.0, 55.0, 70.0] * 2)).together == ()


def test_chance_among_few_runs_is_no_dependence() -> None:
    # Six independent variables in nine runs: each is fixed to nine tenths by the others now and then.
    rng = np.random.default_rng(1)
    names = [f"v{k}" for k in range(6)]
    variables = tuple(
        Variable(key=n, name=n, role=Role.OTHER, unit="", stage=Stage.REACTION, low=0, high=1, step=None, base=0.5) for n in names
    )
    found = 0
    for _ in range(40):
        table = RunTable(variables, rng.random((9, 6)), np.arange(9.0), np.zeros(9), tuple(range(1, 10)))
        found += bool(what_is_knowable(table).together)
    assert found <= 6


def test_what_too_few_runs_could_not_judge_is_never_clear() -> None:
    # In five settings each part nearly follows from the two others, with two to spare: chance does that too. Run three times
    # each, they are runs enough for everything else, and the third part, which does nothing, would clearly raise the yield.
    five = mixture_runs(5, 4, spread=2.0)
    table = five.rows(np.repeat(np.arange(5), 3))
    table = replace(table, numbers=tuple(range(1, 16))).in_canonical_order()
    known = what_is_knowable(table)
    assert known.together == ()
    assert not known.too_few_words(15)
    assert known.unjudged
    raw: list[list[float | str]] = [[0.0] * 3] * 15
    found = find_effects(fit_ladder(table, losses=NO_END_LOSSES), table.coded[0], raw)
    keys = [table.variables[j].key for j in known.unjudged]
    assert not any(e.evidence is Evidence.CLEAR for e in found if e.key in keys)
    assert any((e.probability_of_sign or 0.0) > effects.CLEAR_PROBABILITY for e in found if e.key in keys)
    # Settings that are well apart are judged, and so are those of one variable changed at a time.
    assert what_is_knowable(mixture_runs(8, 4, spread=40.0)).unjudged == ()
    apart = [(1.0, 110.0, "a"), (4.0, 110.0, "a"), (1.0, 140.0, "a"), (1.0, 110.0, "b")]
    assert what_is_knowable(runs(apart, [50.0, 60.0, 55.0, 70.0])).unjudged == ()


def last_failed(table: RunTable) -> RunTable:
    is_last = np.arange(table.n_runs) == table.n_runs - 1
    return replace(table, extra_sd=np.where(is_last, FAILURE_SD, 0.0), failed=is_last)


def test_a_doubtful_result_is_no_failure() -> None:
    rows = [(1.0, 110.0, "a"), (2.0, 120.0, "a"), (2.0, 110.0, "b"), (3.0, 115.0, "a"), (3.0, 120.0, "b"), (6.0, 150.0, "a")]
    plain = runs(rows, [60.0, 66.0, 65.5, 69.0, 71.5, 74.0])
    doubtful = replace(plain, extra_sd=np.array([0.0] * 5 + [2 * FAILURE_SD])).in_canonical_order()
    found = {e.key: e for e in find_effects(fit_ladder(doubtful), plain.coded[4], [list(rows[n - 1]) for n in doubtful.numbers])}
    assert found["hold"].to_label == "6 h"
    assert "failed" not in found["hold"].sentence
    assert doubtful.without_failures().n_runs == 6


def test_numbers_count_where_runs_did_not_fail() -> None:
    rows = [(1.0, 110.0, "a"), (2.0, 120.0, "a"), (2.0, 110.0, "b"), (3.0, 115.0, "a"), (3.0, 120.0, "b"), (6.0, 150.0, "a")]
    yields = [60.0, 66.0, 65.5, 69.0, 71.5, 0.0]
    plain = runs(rows, yields)
    failed = last_failed(plain)
    table = failed.in_canonical_order()
    raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
    ladder = fit_ladder(table)
    found = {e.key: e for e in find_effects(ladder, plain.coded[4], raw)}
    # Hold and bath were both moved further in run 6 only, which failed: it cannot say which of them did it.
    assert (found["hold"].from_label, found["hold"].to_label) == ("1 h", "3 h")
    assert (found["bath"].from_label, found["bath"].to_label) == ("110 °C", "120 °C")
    assert found["hold"].sentence.endswith("Outside this range there is only run 6, which failed.")
    assert all(number != 6 for number, _, _ in judge(ladder).misfits)
    all_good = {e.key: e for e in effects_of(rows, yields).values()}
    assert all_good["hold"].to_label == "6 h"
    assert "failed" not in all_good["hold"].sentence


def test_where_only_the_failed_run_moved_a_variable_nothing_is_clear() -> None:
    rows = [(1.0, 120.0, "a"), (2.0, 120.0, "a"), (3.0, 120.0, "a"), (4.0, 120.0, "a"), (2.5, 120.0, "a"), (2.5, 145.0, "a")]
    plain = runs(rows, [60.0, 62.0, 63.0, 61.0, 62.5, 0.0])
    evidence = []
    for table in (plain.in_canonical_order(), last_failed(plain).in_canonical_order()):
        raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
        evidence.append({e.key: e for e in find_effects(fit_ladder(table), plain.coded[0], raw)}["bath"].evidence)
    assert evidence[0] is Evidence.CLEAR
    assert evidence[1] is not Evidence.CLEAR


def test_the_most_different_of_many_pairs_needs_more_evidence() -> None:
    # One normal difference of 4 ± 2: P(sign) = Φ(2) = 0.9772; of six pairs 1 − 6 × 0.0228 (Bonferroni).
    change = Mixture(np.array([1.0]), np.array([[4.0]]), np.array([[4.0]]))
    one, six = summarise(change), summarise(change, 6)
    assert one["probability_of_sign"] == pytest.approx(0.97725, abs=1e-4)
    assert six["probability_of_sign"] == pytest.approx(1 - 6 * 0.02275, abs=1e-4)
    assert one["low_90"] == pytest.approx(4 - 1.6449 * 2, abs=1e-3)
    assert six["low_90"] == pytest.approx(4 - 2.3940 * 2, abs=1e-3)  # z(1 − 0.05/6)
    assert six["change"] == one["change"]
    assert summarise(Mixture(np.array([1.0]), np.array([[0.5]]), np.array([[4.0]])), 6)["probability_of_sign"] == 0.5


def test_options_without_a_difference_are_not_told_apart() -> None:
    variables = (hold(), agent(*"abcd"))
    clear = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        coded = np.column_stack([rng.random(16), np.arange(16.0) % 4])
        yields = 60 + 20 * coded[:, 0] + 5.0 * rng.standard_normal(16)
        table = RunTable(variables, coded, yields, np.zeros(16), tuple(range(1, 17))).in_canonical_order()
        raw: list[list[float | str]] = [[float(h), "abcd"[int(a)]] for h, a in table.coded]
        found = {e.key: e for e in find_effects(fit_ladder(table), table.coded[-1], raw)}["agent"]
        assert "worst against best of 4" in found.sentence
        clear += found.evidence is Evidence.CLEAR
    assert clear == 0


def test_nothing_is_clear_from_four_runs_and_a_failure() -> None:
    rows = [(1.0, 110.0, "a"), (4.0, 110.0, "a"), (1.0, 110.0, "a"), (4.0, 110.0, "a"), (5.0, 150.0, "b"), (4.0, 110.0, "a")]
    yields = [40.0, 80.0, 40.5, 80.5, 0.0, 80.2]
    for count, expected in ((5, Evidence.LIKELY), (6, Evidence.CLEAR)):
        plain = runs(rows[:count], yields[:count])
        failed = np.arange(count) == 4
        table = replace(plain, extra_sd=np.where(failed, FAILURE_SD, 0.0), failed=failed).in_canonical_order()
        raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
        found = {e.key: e for e in find_effects(fit_ladder(table), plain.coded[1], raw)}
        assert found["hold"].evidence is expected


def test_what_rests_on_a_failed_run_alone_is_not_clear() -> None:
    # 2 to 3.75 eq of base make no difference; a run with 2 eq that failed for another reason makes it look as if they did.
    variables = (hold(), Variable("eq", "base", Role.RATIO, "eq", 1.5, 4.0, 0.25, 2.0))
    rng = np.random.default_rng(0)
    eqs = (2.0, 2.0, 2.5, 3.0, 3.5, 3.75, 3.25, 2.75, 3.5)
    rows: list[dict[str, float | str]] = [{"hold": h, "eq": e} for h, e in zip(rng.uniform(1, 5, 9).round(1), eqs, strict=True)]
    yields = np.array([60.0 + 3.0 * float(r["hold"]) + float(rng.normal()) for r in rows])
    failed = np.arange(9) == 0
    yields[0] = 0.0
    coded = encode(variables, rows)
    told = RunTable(variables, coded, yields, np.where(failed, FAILURE_SD, 0.0), tuple(range(1, 10)), failed)
    table = told.in_canonical_order()
    raw = [list(rows[n - 1].values()) for n in table.numbers]
    ladder, without = fit_ladder(table), fit_ladder(table.without_failures())
    alone = {e.key: e for e in find_effects(ladder, table.coded[-1], raw)}
    judged = {e.key: e for e in find_effects(ladder, table.coded[-1], raw, without=without)}
    assert alone["eq"].evidence is Evidence.CLEAR
    # Of one failure nobody knows whether it lies at an end by chance.
    assert judged["eq"].evidence is Evidence.NOT_SHOWN
    chance = "What there is rests on run 1, which failed, perhaps by chance at such settings: without it, none is shown."
    assert judged["eq"].sentence.endswith(chance)
    # What the others show too stays clear.
    assert alone["hold"].evidence is judged["hold"].evidence is Evidence.CLEAR


def with_failures(holds: list[float], yields: list[float], failed: set[int]) -> dict[str, effects.Effect]:
    """Effects over holds and baths of which the latter make no difference; ``failed`` are positions."""
    rows = [(h, 110.0 + 5.0 * (k * 3 % 7), "a") for k, h in enumerate(holds)]
    plain = runs(rows, [0.0 if k in failed else y for k, y in enumerate(yields)])
    off = np.isin(np.arange(len(rows)), sorted(failed))
    table = replace(plain, extra_sd=np.where(off, FAILURE_SD, 0.0), failed=off).in_canonical_order()
    raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
    without = fit_ladder(table.without_failures(), losses=NO_END_LOSSES)
    ladder = fit_ladder(table, losses=NO_END_LOSSES)
    return {e.key: e for e in find_effects(ladder, plain.coded[1], raw, without=without)}


def test_failures_that_keep_to_one_end_are_likely_no_chance() -> None:
    holds = [1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 6.0, 5.5, 6.0, 6.0, 5.5, 1.0, 1.0]
    yields = [70.0 + (k % 3) for k in range(len(holds))]
    hold = with_failures(holds, yields, {7, 8, 9, 10})["hold"]
    assert hold.evidence is Evidence.LIKELY
    assert "It rests on runs 8, 9, 10 and 11, which failed: without them, none is shown." in hold.sentence
    # Spread over the range they say nothing about it.
    spread = with_failures(holds, yields, {1, 4, 7, 11})
    assert not any(e.evidence in (Evidence.CLEAR, Evidence.LIKELY) for e in spread.values())


def test_failures_against_what_all_other_runs_show_do_not_count() -> None:
    holds = [1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.0, 5.5, 6.0]
    hold = with_failures(holds, [50.0 + 5.0 * h for h in holds], {9, 11, 12, 13})["hold"]
    assert hold.evidence is Evidence.NOT_SHOWN
    assert hold.change is not None
    assert "Without runs 10, 12, 13 and 14, which failed, it is clear: +" in hold.sentence
    assert "none is shown" not in hold.sentence


def test_what_a_failed_run_hides_is_said() -> None:
    # Six runs show what the hold does; another among them failed for another reason.
    rows = [(1.0, 110.0, "a"), (2.0, 120.0, "a"), (3.0, 115.0, "a"), (4.0, 130.0, "b"), (5.0, 120.0, "a"), (6.0, 125.0, "b")]
    rows.append((5.0, 120.0, "a"))
    plain = runs(rows, [50.0, 56.0, 62.0, 68.0, 74.0, 80.0, 0.0])
    failed = np.arange(7) == 6
    table = replace(plain, extra_sd=np.where(failed, FAILURE_SD, 0.0), failed=failed).in_canonical_order()
    raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
    without = fit_ladder(table.without_failures())
    told = {e.key: e for e in find_effects(fit_ladder(table), plain.coded[5], raw, without=without)}["hold"]
    assert told.evidence is not Evidence.CLEAR
    assert re.search(r"Without run 7, which failed, it is clear: \+2\d\.\d points \(90 % range \+", told.sentence)
    usual: list[list[float | str]] = [list(rows[n - 1]) for n in without.table.numbers]
    kept = {e.key: e for e in find_effects(without, plain.coded[5], usual)}["hold"]
    assert kept.evidence is Evidence.CLEAR
    assert "Without" not in kept.sentence


def test_a_circumstance_would_move_the_yield_as_a_line_through_what_it_adds() -> None:
    table = runs([(1.0, 110.0, "a"), (1.0, 120.0, "a"), (4.0, 110.0, "b"), (4.0, 120.0, "b")], [60.0] * 4)
    found = shifts_with(table, np.array([0.0, 4.0, 0.0, 4.0]))
    assert found == {0: pytest.approx(0.0), 1: pytest.approx(4.0), 2: pytest.approx(0.0)}
    # What is not known of a run is left out, and a failed run tells nothing.
    found = shifts_with(table, np.array([-2.0, np.nan, 2.0, 3.0]))
    assert [found[0], found[2]] == pytest.approx([4.5, 4.5])
    failed = replace(table, failed=np.arange(4) == 3)
    assert shifts_with(failed, np.array([-2.0, np.nan, 2.0, 3.0])) == {0: pytest.approx(4.0), 2: pytest.approx(4.0)}
    assert shifts_with(table, np.full(4, np.nan)) == {}


def test_groups_become_one_column_each_whatever_the_capitals() -> None:
    columns = indicators(["KB", "kb", "", "mj"])
    np.testing.assert_array_equal(columns, [[1, 0], [1, 0], [np.nan, np.nan], [0, 1]])
    assert indicators([]).shape == (0, 0)
    assert indicators(["", ""]).shape == (2, 0)


def test_nothing_is_clear_while_the_scatter_is_assumed_and_runs_are_few() -> None:
    # One variable at a time, no repeats: five runs for three variables.
    rows = [(2.0, 120.0, "a"), (5.0, 120.0, "a"), (2.0, 140.0, "a"), (2.0, 120.0, "b"), (3.5, 120.0, "a")]
    yields = [50.0, 80.0, 52.0, 51.0, 66.0]
    few = effects_of(rows, yields)["hold"]
    assert few.evidence is Evidence.LIKELY
    assert few.probability_of_sign is not None
    assert few.probability_of_sign > 0.95
    assert "likely raised the yield" in few.sentence
    # The base recipe twice measures the scatter.
    assert effects_of([*rows, rows[0]], [*yields, 51.0])["hold"].evidence is Evidence.CLEAR


def test_nothing_is_clear_where_runs_are_too_few_to_separate_what_moved() -> None:
    rows = [(2.0, 120.0, "a"), (2.0, 120.0, "a"), (5.0, 130.0, "b"), (5.0, 130.0, "b"), (3.5, 140.0, "a"), (3.5, 140.0, "a")]
    yields = [50.0, 51.0, 80.0, 81.0, 66.0, 65.0]
    table = runs(rows, yields)
    assert what_is_knowable(table).too_few_words(6)
    assert not any(e.evidence is Evidence.CLEAR for e in effects_of(rows, yields).values())


def test_the_half_range_of_a_pair_that_was_picked_is_that_of_the_pair() -> None:
    change = Mixture(np.ones(1), np.array([[4.0]]), np.array([[4.0]]))
    alone, picked = summarise(change), summarise(change, comparisons=6)
    assert (picked["low_50"], picked["high_50"]) == (alone["low_50"], alone["high_50"])
    assert picked["low_90"] < alone["low_90"]
    assert picked["probability_of_sign"] < alone["probability_of_sign"]


def test_runs_that_are_all_alike_show_no_optimum() -> None:
    rows = [(2.0, 125.0, "a"), (0.5, 125.0, "a"), (6.0, 125.0, "a"), (2.0, 100.0, "a"), (2.0, 150.0, "a"), (2.0, 125.0, "b")]
    table = runs(rows, [60.0] * 6).in_canonical_order()
    raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
    level = find_effects(fit_ladder(table, losses=NO_END_LOSSES), table.coded[0], raw)
    assert {e.evidence for e in level} == {Evidence.NOT_SHOWN}
    assert not any("highest near" in e.sentence or "In between" in e.sentence for e in level)


def test_models_without_losses_take_over_what_does_not_depend_on_them() -> None:
    rows = [(2.0, 120.0, "a"), (5.0, 120.0, "a"), (2.0, 140.0, "b"), (3.5, 130.0, "a")]
    table = runs(rows, [50.0, 80.0, 52.0, 66.0])
    known = fit_ladder(table)
    taken, anew = fit_ladder(table, losses=NO_END_LOSSES, known=known), fit_ladder(table, losses=NO_END_LOSSES)
    at = table.coded[:2]
    np.testing.assert_allclose(taken.predict(at).mean, anew.predict(at).mean, rtol=1e-12)
    np.testing.assert_allclose(taken.weights, anew.weights, rtol=1e-12)
    assert {f.name for f in taken.rungs if any(f is k for k in known.rungs)} == {"mean", "recipes"}


def test_how_sure_a_top_is_allows_for_its_having_been_picked() -> None:
    rows = [(h, 125.0, "a") for h in (0.5, 1.0, 2.0, 3.0, 6.0)] * 2
    table = runs(rows, [54.5, 59.0, 62.3, 61.3, 55.5, 56.5, 58.5, 63.6, 60.0, 56.5]).in_canonical_order()
    ladder = fit_ladder(table, losses=NO_END_LOSSES)
    raw: list[list[float | str]] = [list(rows[n - 1]) for n in table.numbers]
    best = int(np.argmax(table.yields))
    effect = next(e for e in find_effects(ladder, table.coded[best], raw) if e.key == "hold")
    assert "highest near 2 h" in effect.sentence
    ends = table.coded[[int(np.argmin(table.coded[:, 0])), best, int(np.argmax(table.coded[:, 0]))]]
    draws = ladder.draw(ends, 4000, np.random.default_rng(0))
    joint = float(np.mean((draws[:, 1] > draws[:, 0]) & (draws[:, 1] > draws[:, 2])))
    assert effect.probability_of_sign == pytest.approx(1.0 - 3 * (1.0 - joint))
    assert joint < 1.0


def test_options_picked_from_many_need_more_to_agree_with_what_failed_runs_show() -> None:
    # 92 % sure of its sign by itself; picked as the largest of three differences, 77 %.
    change = Mixture(np.array([1.0]), np.array([[2.0]]), np.array([[1.4**2]]))
    assert effects._agrees(change, 5.0, 1)
    assert not effects._agrees(change, -5.0, 1)
    assert not effects._agrees(change, 5.0, 3)


def tied_choices(*more: tuple[int, int]) -> tuple[RunTable, list[list[float | str]]]:
    """Ten runs that cross three catalysts with two solvents, of which q gives 25 points more; and further ones."""
    variables = tuple(
        Variable(key=name, name=name, role=Role.CHOICE, choices=options, base=options[0])
        for name, options in (("catalyst", ("a", "b", "c", "d")), ("solvent", ("p", "q", "r")))
    )
    pairs = [(a, b) for a in range(3) for b in range(2)] + [(0, 0), (0, 1), (2, 0), (2, 1), *more]
    yields = np.array([50.0 + 25.0 * (b == 1) + 2.0 * np.sin(7 * i) for i, (_, b) in enumerate(pairs)])
    n = len(pairs)
    table = RunTable(variables, np.array(pairs, dtype=float), yields, np.zeros(n), tuple(range(1, n + 1))).in_canonical_order()
    return table, [[variables[0].choices[int(a)], variables[1].choices[int(b)]] for a, b in table.coded]


def test_options_that_only_went_along_hide_nothing_that_the_others_tell() -> None:
    table, raw = tied_choices((3, 2), (3, 2))
    known = what_is_knowable(table)
    assert (known.together, known.comparable) == ((), {0: (0.0, 1.0, 2.0), 1: (0.0, 1.0)})
    (tie,) = known.ties
    assert (tie.pairs, tie.n_directions) == (((3.0, 2.0),), 1)
    assert effects.tie_words(table, tie).startswith("catalyst d with solvent r was only ever used together")
    assert not known.too_few_words(table.n_runs)
    found = {e.key: e for e in find_effects(fit_ladder(table, losses=NO_END_LOSSES), table.coded[-3], raw)}
    assert found["solvent"].evidence is Evidence.CLEAR
    assert (found["solvent"].from_label, found["solvent"].to_label) == ("p", "q")
    assert found["solvent"].sentence.endswith("r cannot be told apart from what goes along in catalyst, and is left out.")
    assert "worst against best of 3" in found["catalyst"].sentence
    # One run that uses d without r settles it.
    settled = what_is_knowable(tied_choices((3, 2), (3, 2), (3, 0))[0])
    assert (settled.together, settled.ties) == ((), ())
    # Where every option went along with one of the other, nothing is left to compare.
    every = table.rows(np.flatnonzero((table.coded[:, 0] == table.coded[:, 1]) | (table.coded[:, 0] == 3)))
    assert what_is_knowable(every).together == ((0, 1),)


def test_what_follows_exactly_from_others_is_named_in_few_runs_too() -> None:
    # Three parts of a mixture in five settings, each run twice: more of the same would separate nothing.
    five = mixture_runs(5, 4)
    twice = RunTable(five.variables, np.repeat(five.coded, 2, axis=0), np.arange(10.0), np.zeros(10), tuple(range(1, 11)))
    for table in (five, twice):
        known = what_is_knowable(table)
        assert known.together == ((0, 1, 2),)
        assert not known.too_few_words(table.n_runs)


def test_of_picked_options_what_a_failed_run_makes_clear_is_not_shown() -> None:
    # Nine runs with three solvents; the first one failed, in the solvent that is not the best.
    variables = (hold(), Variable("solvent", "solvent", Role.CHOICE, choices=("a", "b", "c"), base="a"))
    rng = np.random.default_rng(38)
    options = [str(rng.choice(["a", "b", "c"])) for _ in range(9)]
    holds = [float(rng.choice([1, 2, 3, 4])) for _ in range(9)]
    gain = float(rng.uniform(3, 8))
    yields = np.array([60 + 3 * h + (gain if o == "b" else 0) + rng.normal() * 2 for h, o in zip(holds, options, strict=True)])
    yields[0] = 0.0
    failed = np.arange(9) == 0
    rows: list[dict[str, float | str]] = [{"hold": h, "solvent": o} for h, o in zip(holds, options, strict=True)]
    told = RunTable(variables, encode(variables, rows), yields, np.where(failed, FAILURE_SD, 0.0), tuple(range(1, 10)), failed)
    table = told.in_canonical_order()
    raw = [list(rows[n - 1].values()) for n in table.numbers]
    ladders = [fit_ladder(one, losses=NO_END_LOSSES) for one in (table, table.without_failures())]
    found = {e.key: e for e in find_effects(ladders[0], table.coded[-1], raw, without=ladders[1])}
    assert found["solvent"].evidence is Evidence.NOT_SHOWN
    assert "rests on run 1, which failed, perhaps by chance" in found["solvent"].sentence


def test_a_choice_that_follows_from_another_one_hides_no_difference_within_its_options() -> None:
    # Base s went with solvents p and q, base t with r only: p and q can be compared, r and the bases cannot be told apart.
    variables = tuple(
        Variable(key=name, name=name, role=Role.CHOICE, choices=options, base=options[0])
        for name, options in (("base", ("s", "t")), ("solvent", ("p", "q", "r")))
    )
    pairs = [(0, 0), (0, 1), (0, 0), (0, 1), (1, 2), (1, 2), (0, 0), (0, 1)]
    yields = np.array([50.0 + 25.0 * (b == 1) + 10.0 * (a == 1) + 1.5 * np.sin(7 * i) for i, (a, b) in enumerate(pairs)])
    told = RunTable(variables, np.array(pairs, dtype=float), yields, np.zeros(8), tuple(range(1, 9)))
    table = told.in_canonical_order()
    known = what_is_knowable(table)
    assert (known.together, known.comparable) == (((0, 1),), {1: (0.0, 1.0)})
    raw: list[list[float | str]] = [["st"[int(a)], "pqr"[int(b)]] for a, b in table.coded]
    found = {e.key: e for e in find_effects(fit_ladder(table, losses=NO_END_LOSSES), table.coded[-3], raw)}
    assert found["base"].evidence is Evidence.CANNOT_TELL
    assert (found["solvent"].evidence, found["solvent"].to_label) == (Evidence.CLEAR, "q")
    assert found["solvent"].sentence.endswith("r cannot be told apart from what goes along in base, and is left out.")


def choices_of_runs(*pairs: tuple[int, ...]) -> tuple[RunTable, list[list[float | str]]]:
    """Runs that differ in choices of four options each, with yields that rise."""
    variables = tuple(
        Variable(key=name, name=name, role=Role.CHOICE, choices=tuple("abcd"), base="a")
        for name in ("solvent", "base", "catalyst")[: len(pairs[0])]
    )
    n = len(pairs)
    table = RunTable(variables, np.array(pairs, dtype=float), np.linspace(50.0, 60.0, n), np.zeros(n), tuple(range(1, n + 1)))
    return table, [["abcd"[int(x)] for x in row] for row in table.coded]


def test_two_options_that_can_be_compared_count_before_one_that_was_used_as_often() -> None:
    # Solvent a went with bases a and b, b and c with c only: among the solvents only b and c can be compared.
    table, raw = choices_of_runs((0, 0), (0, 1), (1, 2), (2, 2))
    assert what_is_knowable(table).comparable == {0: (1.0, 2.0), 1: (0.0, 1.0)}
    found = {e.key: e for e in find_effects(fit_ladder(table), table.coded[-1], raw)}
    assert (found["solvent"].from_label, found["solvent"].to_label) == ("b", "c")
    assert found["solvent"].sentence.endswith("a cannot be told apart from what goes along in base, and is left out.")


def test_a_choice_of_which_no_two_options_can_be_compared_cannot_be_told_apart() -> None:
    # Five runs of three choices: what one of them hides is what another one would tell.
    table, raw = choices_of_runs((0, 3, 0), (1, 3, 2), (3, 0, 3), (0, 2, 3), (1, 1, 1))
    assert what_is_knowable(table).comparable == {0: (0.0,), 1: (3.0,), 2: (3.0,)}
    found = {e.key: e for e in find_effects(fit_ladder(table), table.coded[-1], raw)}
    assert {e.evidence for e in found.values()} == {Evidence.CANNOT_TELL}
    assert found["solvent"].partners == ("base", "catalyst")


def test_failed_runs_that_used_tied_options_apart_are_named() -> None:
    table, _ = tied_choices((3, 2), (3, 2))
    (tie,) = what_is_knowable(table).ties
    coded = np.vstack([table.coded, [[3.0, 0.0], [0.0, 0.0]]])
    n = len(coded)
    failed = np.array([False] * table.n_runs + [True, True])
    numbers = (*table.numbers, n - 1, n)
    with_failures = RunTable(table.variables, coded, np.append(table.yields, [0.0, 0.0]), np.zeros(n), numbers, failed)
    told = effects.tie_words(with_failures, tie)
    assert told.startswith(f"catalyst d with solvent r was only ever used together apart from failed run {n - 1}, so")


def test_an_option_that_only_failed_runs_had_is_left_out_of_the_effect_and_named() -> None:
    variables = (hold(), agent("water", "ethanol", "methanol"))
    rows = [("water", 1.0, 60.0), ("ethanol", 2.0, 71.0), ("water", 3.0, 62.0), ("ethanol", 1.5, 70.0), ("methanol", 2.5, 2.0)]
    coded = encode(variables, [{"hold": h, "agent": a} for a, h, _ in rows])
    yields = np.array([y for *_, y in rows])
    table = RunTable(variables, coded, yields, np.zeros(5), (1, 2, 3, 4, 5), failed=yields < 5)
    table = table.in_canonical_order()
    raw: list[list[float | str]] = [[rows[n - 1][1], rows[n - 1][0]] for n in table.numbers]
    found = {e.key: e for e in find_effects(fit_ladder(table), table.coded[int(np.argmax(table.yields))], raw)}
    effect = found["agent"]
    assert {effect.from_label, effect.to_label} == {"water", "ethanol"}
    assert effect.sentence.endswith("methanol was used only in run 5, which failed.")


def foreseen(table: RunTable, off: np.ndarray, sd: float) -> Ladder:
    """What stands for models whose forecasts of runs left out miss by so much."""
    ladder = SimpleNamespace(
        table=table,
        averaged_left_out=(table.yields - off, np.full(table.n_runs, sd)),
        weights=np.array([0.4, 0.6]),
        rungs=[SimpleNamespace(name=name) for name in ("mean", "line")],
    )
    return cast("Ladder", ladder)


@pytest.mark.parametrize(
    ("off", "sd", "words", "held", "misfits"),
    [
        # In standard deviations 1.3, 2.7 and 3.0: inside the 90 % range up to 1.645, and no fit from 2.5 on.
        (5.3, 4.0, "better than", 4, 0),
        (5.4, 2.0, "hardly better than", 0, 4),
        (6.0, 2.0, "no better than", 0, 4),
    ],
)
def test_how_much_better_than_the_mean_models_foresee_runs(off: float, sd: float, words: str, held: int, misfits: int) -> None:
    # The mean of the other three runs misses by 8, 2.67, 2.67 and 8 points: root mean square 5.96, of which 90 % are 5.37.
    table = runs([(h, 110.0, "a") for h in (1.0, 2.0, 3.0, 4.0)], [60.0, 64.0, 68.0, 72.0])
    quality = judge(foreseen(table, np.full(4, off), sd))
    assert quality.error == pytest.approx(off)
    assert quality.error_of_mean == pytest.approx(5.963, abs=1e-3)
    assert f" (root mean square), {words} guessing the mean (6.0)." in quality.sentence
    assert quality.sentence.startswith("Mostly ")
    assert (quality.held_90, len(quality.misfits)) == (held, misfits)


def test_runs_that_do_not_fit_are_named_the_worst_first() -> None:
    table = runs([(h, 110.0, "a") for h in (1.0, 2.0, 3.0, 4.0)], [60.0, 64.0, 68.0, 72.0])
    quality = judge(foreseen(table, np.array([1.0, 6.0, -9.0, 7.0]), 2.0))
    assert quality.misfits == ((3, -9.0, -4.5), (4, 7.0, 3.5), (2, 6.0, 3.0))
