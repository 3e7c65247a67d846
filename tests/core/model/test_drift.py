"""Drift with run order, lots, and variance components."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from server.core.model.beyond import Left, fit_beside
from server.core.model.drift import (
    BY_LOT,
    BY_MAKER,
    _scatter_between,
    _Slope,
    change_with_scale,
    differences,
    drift_with_order,
    levels,
    variance_components,
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


def test_the_slope_over_scales_equals_scipy_where_all_settings_are_alike() -> None:
    rng = np.random.default_rng(4)
    ladder = fit_ladder(runs([ROWS[0]] * 12, [60.0 + float(rng.normal(0, 3)) for _ in range(12)]))
    scales = {n: float(rng.uniform(0.05, 0.4)) for n in ladder.table.numbers}
    found = change_with_scale(ladder, scales)
    line = stats.linregress([np.log2(scales[n]) for n in ladder.table.numbers], ladder.table.yields)
    assert found is not None
    assert found.change == pytest.approx(line.slope, rel=1e-6)
    assert found.high_90 - found.low_90 == pytest.approx(2 * stats.t.ppf(0.95, 10) * line.stderr, rel=1e-5)


def test_columns_beside_the_models_equal_statsmodels() -> None:
    rng = np.random.default_rng(4)
    ladder = fit_ladder(runs([ROWS[i] for i in ORDER], [60.0 + float(rng.normal(0, 3)) for _ in ROWS]))
    columns = np.column_stack([np.ones(len(ROWS)), rng.normal(size=(len(ROWS), 2))])
    left = Left.by_settings(ladder)
    found = fit_beside(left, columns)
    reference = sm.GLS(left.off, columns, sigma=left.covariance).fit()
    assert found.coefficients == pytest.approx(reference.params, rel=1e-8)
    assert found.standard_errors == pytest.approx(reference.bse, rel=1e-8)
    assert found.scale == pytest.approx(reference.scale, rel=1e-8)
    # A surface over the settings takes up some of the 15 degrees of freedom that are left; of independent runs none.
    assert 8 < found.dof < 15
    assert fit_beside(Left.independent(left.off), columns).dof == pytest.approx(15.0)


def test_a_lot_is_as_far_off_as_its_runs_at_the_same_settings() -> None:
    # The same settings in either lot, a complete block design: whatever the settings do, the lots differ by the difference of
    # their means (NIST/SEMATECH e-Handbook 5.3.3.2). Forecasts without a run rest on its repeat, that is on the other lot.
    half = [(1.0, 110.0, "a"), (1.0, 140.0, "a"), (4.0, 110.0, "a"), (4.0, 140.0, "a")]
    rng = np.random.default_rng(6)
    yields = [truth(row) + 6.0 * lot + float(rng.normal(0, 2.0)) for lot in (0, 1) for row in half]
    ladder = fit_ladder(runs(half * 2, yields))
    lots = ["A" if number <= 4 else "B" for number in ladder.table.numbers]
    (found,) = differences(ladder, lots, BY_LOT)
    assert found.change == pytest.approx(np.mean(yields[4:]) - np.mean(yields[:4]), abs=0.02)
    off = levels(ladder, lots)
    assert off["b"] - off["a"] == pytest.approx(found.change, rel=1e-6)


@pytest.mark.parametrize("shift", [0.0, 6.0])
def test_the_range_of_a_difference_between_lots_holds_as_often_as_it_says(shift: float) -> None:
    # Two lots, the same four settings in each; 90 % of 200 are 180, three standard deviations of chance below that are 168.
    half = [(1.0, 110.0, "a"), (1.0, 140.0, "a"), (4.0, 110.0, "a"), (4.0, 140.0, "a")]
    rng, held, found_change = np.random.default_rng(8), 0, []
    for _ in range(200):
        yields = [truth(row) + shift * lot + float(rng.normal(0, 2.0)) for lot in (0, 1) for row in half]
        ladder = fit_ladder(runs(half * 2, yields), rungs=("mean", "line", "pairs"))
        (found,) = differences(ladder, ["A" if number <= 4 else "B" for number in ladder.table.numbers], BY_LOT)
        held += found.low_90 <= shift <= found.high_90
        found_change.append(found.change)
    # A large difference looks like scatter to models that do not know of it, so its range is rather too wide.
    assert held >= 168
    assert np.mean(found_change) == pytest.approx(shift, abs=0.4)


def test_runs_whose_lot_was_not_noted_tell_about_the_settings_only() -> None:
    rng = np.random.default_rng(9)
    rows = [ROWS[i] for i in ORDER]
    yields = [truth(r) + float(rng.normal()) - 5.0 * (k in (1, 5, 9)) for k, r in enumerate(rows)]
    lots = {1: "A", 2: "B", 5: "A", 6: "B", 9: "A", 10: "B"}
    ladder = fit_ladder(runs(rows, yields))
    (found,) = differences(ladder, [lots.get(n, "") for n in ladder.table.numbers], BY_LOT)
    assert found.change == pytest.approx(-5.0, abs=2.0)
    moved = fit_ladder(runs(rows, [y if k + 1 in lots else y + 3.0 for k, y in enumerate(yields)]))
    (again,) = differences(moved, [lots.get(n, "") for n in moved.table.numbers], BY_LOT)
    assert again.change == pytest.approx(found.change, abs=0.7)


def test_too_few_runs_say_nothing() -> None:
    ladder = fit_ladder(runs(ROWS[:4], [50.0, 52.0, 54.0, 55.0]))
    assert drift_with_order(ladder) is None
    assert differences(ladder, ["A", "A", "A", "B"], BY_LOT) == []


def test_the_difference_of_two_lots_equals_scipy_where_all_settings_are_alike() -> None:
    rng = np.random.default_rng(2)
    yields = [*rng.normal(60, 2, 5), *rng.normal(61, 2, 8)]
    ladder = fit_ladder(runs([ROWS[0]] * 13, [float(y) for y in yields]))
    (found,) = differences(ladder, ["A" if number <= 5 else "B" for number in ladder.table.numbers], BY_LOT)
    reference_range = stats.ttest_ind(yields[5:], yields[:5]).confidence_interval(0.90)
    assert found.change == pytest.approx(np.mean(yields[5:]) - np.mean(yields[:5]), rel=1e-6)
    assert (found.low_90, found.high_90) == pytest.approx((reference_range.low, reference_range.high), rel=1e-5)


def test_several_lots_at_once_have_wider_ranges() -> None:
    # Bonferroni: of four differences and their scatter each is held to a fifth of the tails.
    rng = np.random.default_rng(2)
    rows = [ROWS[i] for i in ORDER]
    lots = ["ABCDE"[k % 5] for k in range(len(rows))]
    ladder = fit_ladder(runs(rows, [truth(r) + float(rng.normal()) for r in rows]))
    in_table_order = [lots[n - 1] for n in ladder.table.numbers]
    many = differences(ladder, in_table_order, BY_LOT)[0]
    alone = differences(ladder, in_table_order, BY_LOT, 1)[0]
    assert many.change == pytest.approx(alone.change)
    assert many.high_90 - many.low_90 > 1.2 * (alone.high_90 - alone.low_90)


def test_ranges_that_stand_side_by_side_allow_for_their_number() -> None:
    rng = np.random.default_rng(4)
    rows = [ROWS[i] for i in ORDER]
    ladder = fit_ladder(runs(rows, [60.0 + float(rng.normal(0, 3)) for _ in rows]))
    scales = {n: float(rng.uniform(0.05, 0.4)) for n in ladder.table.numbers}
    people = ["AB" if n % 2 else "CD" for n in ladder.table.numbers]
    left = Left.by_settings(ladder)

    def dof(column: list[float]) -> float:
        return fit_beside(left, np.column_stack([np.ones(len(column)), column])).dof

    def reaches(comparisons: int) -> list[float]:
        drift = drift_with_order(ladder, comparisons=comparisons)
        scale = change_with_scale(ladder, scales, comparisons)
        (pair,) = differences(ladder, people, BY_MAKER, comparisons)
        return [trend.high_90 - trend.change for trend in (drift, scale, pair) if trend is not None]

    wider = np.array(reaches(5)) / np.array(reaches(1))
    # Bonferroni's method, NIST/SEMATECH e-Handbook 7.4.7.3: each of five at 1 − 0.1/5.
    columns = (
        [float(n) for n in ladder.table.numbers],
        [float(np.log2(scales[n])) for n in ladder.table.numbers],
        [float(one == "AB") for one in people],
    )
    factors = [stats.t.ppf(1 - 0.01, dof(column)) / stats.t.ppf(0.95, dof(column)) for column in columns]
    assert wider == pytest.approx(factors, rel=1e-9)
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


def test_the_scatter_of_lots_with_the_same_settings_is_not_told_too_large() -> None:
    # Four lots, the same four settings in each (a randomised block design): textbook analysis of variance with settings and
    # lots, here by statsmodels, gives the variance between lots and within.
    half = [(1.0, 110.0, "a"), (1.0, 140.0, "a"), (4.0, 110.0, "a"), (4.0, 140.0, "a")]
    rng = np.random.default_rng(12)
    step = (-5.0, 3.0, 4.0, -2.0)
    yields = np.array([truth(row) + step[lot] + float(rng.normal(0, 1.5)) for lot in range(4) for row in half])
    settings, lots = np.tile(np.arange(4), 4), np.repeat(np.arange(4), 4)
    design = np.column_stack([*(settings == k for k in range(4)), *(lots == k for k in range(1, 4))]).astype(float)
    among = sm.OLS(yields, design).fit()
    mean_square = (sm.OLS(yields, design[:, :4]).fit().ssr - among.ssr) / 3
    ladder = fit_ladder(runs(half * 4, [float(y) for y in yields]))
    *_, found = differences(ladder, ["ABCD"[(number - 1) // 4] for number in ladder.table.numbers], BY_LOT)
    assert found.change == pytest.approx(np.sqrt((mean_square - among.scale) / 4), rel=0.1)


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
    found = _scatter_between(Left.independent(percent), batches, BY_LOT, 1)
    assert (found.low_90, found.change, found.high_90) == pytest.approx((19.2, 42.0, 98.6), rel=0.005)
    assert found.is_shown
    wider = _scatter_between(Left.independent(percent), batches, BY_LOT, 5)
    assert wider.low_90 < found.low_90
    assert wider.high_90 > found.high_90


def test_lots_that_scatter_no_more_than_their_runs_have_a_range_from_zero() -> None:
    # Means 70, 71 and 72, and 2 points² within: F = 2/2 = 1, below F(0.95; 2, 3) = 9.55 (table of F): none is allowed too.
    found = _scatter_between(
        Left.independent(np.array([69.0, 71.0, 70.0, 72.0, 71.0, 73.0])), np.array(list("aabbcc")), BY_LOT, 1
    )
    assert (found.change, found.low_90, found.is_shown) == (0.0, 0.0, False)
    assert found.high_90 > 1.0
    assert "(90 % range 0.0 to " in found.sentence


def test_runs_that_agree_but_for_rounding_agree_exactly() -> None:
    found = _scatter_between(
        Left.independent(np.array([0.1 + 0.2, 0.3, 2.0, 2.0, 5.0, 5.0])), np.array(list("aabbcc")), BY_LOT, 1
    )
    assert found.sentence.endswith("; runs within a lot agree exactly.")
    assert found.low_90 == found.change == found.high_90
    # Means 0.3, 2 and 5: variance 5.66.
    assert found.change == pytest.approx(5.66**0.5, rel=1e-3)
