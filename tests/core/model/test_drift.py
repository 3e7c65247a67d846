"""Drift with run order, lots, and variance components."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from server.core.model.drift import (
    BY_LOT,
    BY_MAKER,
    _scatter_between,
    _Slope,
    change_with_scale,
    differences,
    drift_with_order,
    variance_components,
    welch_range,
)
from server.core.model.ladder import Ladder, fit_ladder
from server.errors import NotReadyError
from tests.core.model.test_effects import runs
from tests.reference import reference

ROWS = [(h, t, "a") for h in (1.0, 2.0, 4.0) for t in (110.0, 125.0, 140.0)] * 2
ORDER = np.random.default_rng(5).permutation(len(ROWS))


def truth(row: tuple[float, float, str]) -> float:
    return 50 + 3 * row[0] + 0.1 * (row[1] - 110)


def test_a_drift_is_seen_and_none_is_not_invented() -> None:
    rng = np.random.default_rng(0)
    rows = [ROWS[i] for i in ORDER]
    still = [truth(r) + float(rng.normal()) for r in rows]
    drifting = [y - 1.0 * k for k, y in enumerate(still)]
    found = drift_with_order(fit_ladder(runs(rows, drifting)))
    assert found is not None
    assert found.is_shown
    assert found.change == pytest.approx(-1.0, abs=0.5)
    assert "drift with run order" in found.sentence
    calm = drift_with_order(fit_ladder(runs(rows, still)))
    assert calm is not None
    assert not calm.is_shown


def test_days_tell_the_order_where_all_runs_have_one() -> None:
    # Entered newest first: by number the yields rise, by day they fall.
    rng = np.random.default_rng(0)
    rows = [ROWS[i] for i in ORDER]
    yields = [truth(r) + float(rng.normal()) + 1.0 * k for k, r in enumerate(rows)]
    ladder = fit_ladder(runs(rows, yields))
    numbers = sorted(ladder.table.numbers)
    days = {number: f"2026-03-{28 - k:02d}" for k, number in enumerate(numbers)}
    by_number, by_day = drift_with_order(ladder), drift_with_order(ladder, days)
    assert by_number is not None
    assert by_day is not None
    assert by_day.change == pytest.approx(-by_number.change, rel=1e-9)
    assert by_day.sentence.count("by day") == 1
    assert "by run number, because some runs have no day" in by_number.sentence
    assert drift_with_order(ladder, {**days, numbers[3]: ""}) == by_number


def test_a_lot_that_differs_is_named() -> None:
    rng = np.random.default_rng(1)
    rows = [ROWS[i] for i in ORDER]
    lots = ["A" if k % 2 else "B" for k in range(len(rows))]
    yields = [truth(r) + float(rng.normal()) - 6.0 * (lot == "A") for r, lot in zip(rows, lots, strict=True)]
    ladder = fit_ladder(runs(rows, yields))
    in_table_order = [lots[n - 1] for n in ladder.table.numbers]
    (found,) = differences(ladder, in_table_order, BY_LOT)
    assert found.is_shown
    assert found.sentence.startswith("Yields change from lot B to lot A beyond")
    assert found.change == pytest.approx(-6.0, abs=2.0)


def test_people_are_told_apart_like_lots_whatever_the_capitals() -> None:
    rng = np.random.default_rng(1)
    rows = [ROWS[i] for i in ORDER]
    people = ["kb" if k % 4 == 1 else "KB" if k % 2 else "MJ" for k in range(len(rows))]
    yields = [truth(r) + float(rng.normal()) - 6.0 * (one != "MJ") for r, one in zip(rows, people, strict=True)]
    ladder = fit_ladder(runs(rows, yields))
    (found,) = differences(ladder, [people[n - 1] for n in ladder.table.numbers], BY_MAKER)
    assert found.sentence.casefold().startswith("yields change from runs by mj to runs by kb beyond")
    assert found.change == pytest.approx(-6.0, abs=2.0)


def test_larger_runs_that_yield_less_are_told_and_none_is_not_invented() -> None:
    rng = np.random.default_rng(3)
    rows = [ROWS[i] for i in ORDER]
    scales = {k + 1: 0.05 * 2.0 ** (k % 3) for k in range(len(rows))}
    still = [truth(r) + float(rng.normal()) for r in rows]
    smaller = [y - 4.0 * (k % 3) for k, y in enumerate(still)]
    found = change_with_scale(fit_ladder(runs(rows, smaller)), scales)
    assert found is not None
    assert found.is_shown
    assert found.change == pytest.approx(-4.0, abs=1.5)
    assert found.low_90 < found.change < found.high_90 < 0
    assert found.sentence.startswith("Larger runs yield less than the settings explain")
    calm = change_with_scale(fit_ladder(runs(rows, still)), scales)
    assert calm is not None
    assert not calm.is_shown
    assert calm.sentence.startswith("No change of the yield with the scale of the run is shown")


def test_scales_that_hardly_differ_or_are_few_say_nothing() -> None:
    ladder = fit_ladder(runs([ROWS[i] for i in ORDER], [60.0 + k for k in range(len(ROWS))]))
    every = {k + 1: 0.1 * (1.0 + 0.4 * (k % 2)) for k in range(len(ROWS))}
    assert change_with_scale(ladder, every) is None
    every[1] = 0.2
    assert change_with_scale(ladder, every) is not None
    assert change_with_scale(ladder, {k: every[k] for k in list(every)[:5]}) is None


def test_failed_runs_tell_nothing_about_the_scale() -> None:
    rows = [ROWS[i] for i in ORDER]
    table = runs(rows, [60.0 + k % 3 for k in range(len(rows))])
    scales = {k + 1: 0.05 * 2.0 ** (k % 3) for k in range(len(rows))}
    few = replace(table, failed=np.array([n > 5 for n in table.numbers]))
    assert change_with_scale(fit_ladder(table), scales) is not None
    assert change_with_scale(fit_ladder(few), scales) is None


def test_the_slope_over_scales_equals_scipy() -> None:
    rng = np.random.default_rng(4)
    ladder = fit_ladder(runs([ROWS[i] for i in ORDER], [60.0 + float(rng.normal(0, 3)) for _ in ROWS]))
    scales = {n: float(rng.uniform(0.05, 0.4)) for n in ladder.table.numbers}
    found = change_with_scale(ladder, scales)
    residual = ladder.table.yields - ladder.averaged_left_out[0]
    line = stats.linregress([np.log2(scales[n]) for n in ladder.table.numbers], residual)
    assert found is not None
    assert found.change == pytest.approx(line.slope, rel=1e-9)
    assert found.high_90 - found.low_90 == pytest.approx(2 * stats.t.ppf(0.95, len(residual) - 2) * line.stderr, rel=1e-9)


def test_too_few_runs_say_nothing() -> None:
    ladder = fit_ladder(runs(ROWS[:4], [50.0, 52.0, 54.0, 55.0]))
    assert drift_with_order(ladder) is None
    assert differences(ladder, ["A", "A", "A", "B"], BY_LOT) == []


def test_welch_range_equals_scipy() -> None:
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, 1, 5), rng.normal(1, 3, 8)
    reference_range = stats.ttest_ind(b, a, equal_var=False).confidence_interval(0.90)
    change, low, high = welch_range(a, b)
    assert change == pytest.approx(b.mean() - a.mean())
    assert (low, high) == pytest.approx((reference_range.low, reference_range.high))


def test_several_lots_at_once_have_wider_ranges() -> None:
    # Bonferroni: of four differences each is held to a quarter of the tails.
    rng = np.random.default_rng(2)
    a, b = rng.normal(0, 1, 5), rng.normal(1, 3, 8)
    reference_range = stats.ttest_ind(b, a, equal_var=False).confidence_interval(1 - 0.1 / 4)
    assert welch_range(a, b, comparisons=4)[1:] == pytest.approx((reference_range.low, reference_range.high))
    rows = [ROWS[i] for i in ORDER]
    lots = ["ABCDE"[k % 5] for k in range(len(rows))]
    ladder = fit_ladder(runs(rows, [truth(r) + float(rng.normal()) for r in rows]))
    in_table_order = [lots[n - 1] for n in ladder.table.numbers]
    many = differences(ladder, in_table_order, BY_LOT)[0]
    pair = differences(ladder, [lot if lot in "AB" else "" for lot in in_table_order], BY_LOT)[0]
    assert many.change == pytest.approx(pair.change)
    assert many.high_90 - many.low_90 > 1.2 * (pair.high_90 - pair.low_90)


def test_ranges_that_stand_side_by_side_allow_for_their_number() -> None:
    rng = np.random.default_rng(4)
    rows = [ROWS[i] for i in ORDER]
    ladder = fit_ladder(runs(rows, [60.0 + float(rng.normal(0, 3)) for _ in rows]))
    scales = {n: float(rng.uniform(0.05, 0.4)) for n in ladder.table.numbers}
    people = ["AB" if n % 2 else "CD" for n in ladder.table.numbers]
    n = len(rows)

    def reaches(comparisons: int) -> list[float]:
        drift = drift_with_order(ladder, comparisons=comparisons)
        scale = change_with_scale(ladder, scales, comparisons)
        (pair,) = differences(ladder, people, BY_MAKER, comparisons)
        return [trend.high_90 - trend.change for trend in (drift, scale, pair) if trend is not None]

    wider = np.array(reaches(5)) / np.array(reaches(1))
    # Bonferroni's method, NIST/SEMATECH e-Handbook 7.4.7.3: each of five at 1 − 0.1/5.
    factor = stats.t.ppf(1 - 0.01, n - 2) / stats.t.ppf(0.95, n - 2)
    assert wider[:2] == pytest.approx([factor, factor], rel=1e-9)
    assert wider[2] == pytest.approx(factor, rel=0.01)
    scatter = [differences(ladder, [p + str(k % 2) for k, p in enumerate(people)], BY_MAKER, m)[-1] for m in (1, 5)]
    assert scatter[1].high_90 > scatter[0].high_90


def test_a_range_that_says_nothing_is_not_told_as_no_difference() -> None:
    rng = np.random.default_rng(2)
    rows = [ROWS[i] for i in ORDER][:8]
    ladder = fit_ladder(runs(rows, [60.0 + float(rng.normal(0, 25)) for _ in rows]))
    lots = {1: "L1", 2: "L2", 3: "L2", 4: "L1"}
    (found,) = differences(ladder, [lots.get(n, "") for n in ladder.table.numbers], BY_LOT)
    assert found.high_90 - found.change > 20
    assert not found.is_shown
    assert found.sentence.startswith("Whether lot L1 and lot L2 differ cannot be told yet from 2 and 2 runs: ")
    drift = drift_with_order(ladder)
    scale = change_with_scale(ladder, {n: 0.05 * 2.0 ** (n % 3) for n in ladder.table.numbers})
    assert drift is not None
    assert drift.sentence.startswith("Whether yields drift with run order cannot be told yet from 8 runs: ")
    assert scale is not None
    assert scale.sentence.startswith("Whether yields change with the scale of the run cannot be told yet from 8 runs: ")


def test_batch_to_batch_variance_of_the_dyestuff_data() -> None:
    # Davies & Goldsmith (1972), table 6.2: batch 1764.05, within 2451.25.
    file = reference("A01")
    groups = np.array(file["data"]["Batch"])
    between, within = variance_components(np.array(file["data"]["Yield"], dtype=float), groups)
    assert between == pytest.approx(file["published"]["REML"]["var_batch"], rel=1e-4)
    assert within == pytest.approx(file["published"]["REML"]["var_resid"], rel=1e-4)


def test_unequal_groups_agree_with_a_mixed_model_in_the_mean() -> None:
    # Unbiased for any sizes: the mean over many simulated sets is the truth.
    rng = np.random.default_rng(4)
    groups = np.repeat(np.arange(6), [2, 2, 2, 2, 2, 20])
    found = []
    for _ in range(1500):
        effects = rng.normal(0, 3.0, 6)
        found.append(variance_components(effects[groups] + rng.normal(0, 2.0, len(groups)), groups))
    between, within = np.mean(found, axis=0)
    assert within == pytest.approx(4.0, rel=0.05)
    assert between == pytest.approx(9.0, rel=0.08)


def test_single_runs_have_no_variance_within() -> None:
    with pytest.raises(NotReadyError, match="two runs"):
        variance_components(np.arange(5.0), np.arange(5))


def test_three_lots_are_told_as_a_scatter() -> None:
    rng = np.random.default_rng(1)
    rows = [ROWS[i] for i in ORDER]
    lots = ["ABC"[k % 3] for k in range(len(rows))]
    step = {"A": -8.0, "B": 0.0, "C": 8.0}
    yields = [truth(r) + float(rng.normal()) + step[lot] for r, lot in zip(rows, lots, strict=True)]
    ladder = fit_ladder(runs(rows, yields))
    found = differences(ladder, [lots[n - 1] for n in ladder.table.numbers], BY_LOT)[-1]
    assert found.sentence.startswith("Over 3 lots")
    assert found.is_shown
    assert found.low_90 < found.change < found.high_90
    # The three lots differ by 8 points from each other: standard deviation 8.
    assert found.change == pytest.approx(8.0, abs=2.5)


def test_scatter_between_the_rails() -> None:
    # Pinheiro & Bates (2000), section 1.1: six rails three times each; REML equals the moment estimate where groups are equal.
    file = reference("A24")
    rails, travel = np.array(file["data"]["Rail"]), np.array(file["data"]["travel"], dtype=float)
    between, within = variance_components(travel, rails)
    published = file["published"]["REML"]
    assert np.sqrt(between) == pytest.approx(published["sd_rail"], rel=1e-3)
    assert np.sqrt(within) == pytest.approx(published["sd_resid"], rel=1e-3)


@pytest.mark.parametrize("percent", [68.7, 70.0, 33.3, 92.1])
def test_equal_runs_do_not_drift(percent: float) -> None:
    # A line through equal numbers has no slope; the arithmetic leaves one of 1e-16, with a range as narrow.
    ladder = fit_ladder(runs([(2.0, 120.0, "a")] * 8, [percent] * 8), rungs=("mean", "line"))
    drift = drift_with_order(ladder)
    scale = change_with_scale(ladder, {k: 0.1 * (1 + k % 3) for k in range(1, 9)})
    assert drift is not None
    assert scale is not None
    for found in (drift, scale, *differences(ladder, list("aabbabab"), BY_LOT)):
        assert found.sentence.startswith("No ")
        assert not found.is_shown


def test_a_slow_drift_over_many_runs_is_told_with_digits_enough() -> None:
    # One tenth of a decimal a run is two points over a hundred of them.
    many = _Slope(0.014, 0.006, 0.022)
    assert many.words("a run") == "+0.01 points a run (90 % range +0.01 to +0.02)"
    assert _Slope(0.65, 0.03, 1.27).words("a run") == "+0.65 points a run (90 % range +0.03 to +1.27)"
    assert _Slope(-0.4, -2.7, 1.9).words("a run") == "−0.4 points a run (90 % range −2.7 to +1.9)"
    assert _Slope(0.0, -0.02, 0.02).words("a run") == "0.00 points a run (90 % range −0.02 to +0.02)"
    assert _Slope(0.0, 0.0, 0.0).words("a run") == "0.0 points a run (90 % range 0.0 to 0.0)"


def test_what_is_there_but_too_small_to_matter_is_told_so() -> None:
    # Half a point over all runs, far outside a scatter of a few hundredths, and below the 1.5 points that are worth a word.
    scatter = [0.02 * (-1) ** (k // 2) for k in range(12)]
    same = [(2.0, 120.0, "a")] * 12

    def fitted(shift: list[float]) -> Ladder:
        return fit_ladder(runs(same, [60.0 + a + b for a, b in zip(shift, scatter, strict=True)]), rungs=("mean",))

    drift = drift_with_order(fitted([0.05 * k for k in range(12)]))
    scale = change_with_scale(fitted([0.25 * (k % 3) for k in range(12)]), {k + 1: 0.1 * 2.0 ** (k % 3) for k in range(12)})
    lots = fitted([0.5 * (k % 2) for k in range(12)])
    (lot,) = differences(lots, ["BA"[number % 2] for number in lots.table.numbers], BY_LOT)
    assert drift is not None
    assert scale is not None
    assert drift.sentence.startswith("A drift with run order is there, but too small to matter: ")
    assert scale.sentence.startswith("Yields change with the scale of the run, but by too little to matter: ")
    assert lot.sentence.startswith("There is a difference between lot A and lot B, but too small to matter: ")
    batches = fitted([0.5 * (k % 3) for k in range(12)])
    *_, between = differences(batches, ["CAB"[number % 3] for number in batches.table.numbers], BY_LOT)
    assert between.low_90 > 0
    assert not any(found.is_shown for found in (drift, scale, lot, between))


def test_the_range_of_the_scatter_between_batches_is_that_of_the_variance_ratio() -> None:
    # Davies & Goldsmith (1972), table 6.2: F = 11271.5/2451.25 = 4.598 with 5 and 24 degrees of freedom. By hand with tables
    # of F, F(0.95; 5, 24) = 2.62 and F(0.95; 24, 5) = 4.53: √((4.598/2.62 − 1)/5 · 2451.25) = 19.2, and 98.6 above.
    file = reference("A01")
    batches, percent = np.array(file["data"]["Batch"]).astype(str), np.array(file["data"]["Yield"], dtype=float)
    found = _scatter_between(percent, batches, 6, BY_LOT, 1)
    assert (found.low_90, found.change, found.high_90) == pytest.approx((19.2, 42.0, 98.6), rel=0.005)
    assert found.is_shown
    wider = _scatter_between(percent, batches, 6, BY_LOT, 5)
    assert wider.low_90 < found.low_90
    assert wider.high_90 > found.high_90
