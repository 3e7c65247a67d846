"""Where the product is lost over all runs."""

import numpy as np
import pytest
from scipy.stats import linregress

from server.core.model.runs import FAILURE_SD, Beside, RunTable
from server.core.model.stagewise import (
    CONTENT_SD,
    LEAST_SD,
    MOST_CROSSED,
    USUAL_ORDER,
    Way,
    WorkOrder,
    cross_runs,
    crossed_evidence,
    percent_text,
    range_text,
    stage_by_stage,
)
from server.core.space.coordinates import encode
from server.core.space.variables import Stage, Variable
from tests.factories import agent, bath, hold

VARIABLES: tuple[Variable, ...] = (hold(), bath(), agent("a", "b"))
# Product after the reaction and after the work-up, and the yield. [% of theory]
MARKS = [(60.0, 50.0, 45.0), (80.0, 70.0, 60.0), (70.0, 60.0, 57.0), (90.0, 75.0, 70.0)]


def ways(marks: list[tuple[float, float, float]]) -> list[Way]:
    return [Way(k + 1, {Stage.REACTION: a, Stage.WORK_UP: b}, y) for k, (a, b, y) in enumerate(marks)]


def table_of(rows: list[tuple[float, float, str]], yields: list[float]) -> RunTable:
    settings: list[dict[str, float | str]] = [{"hold": h, "bath": b, "agent": a} for h, b, a in rows]
    n = len(rows)
    return RunTable(VARIABLES, encode(VARIABLES, settings), np.array(yields), np.zeros(n), tuple(range(1, n + 1)))


def crossed(table: RunTable, marks: list[Way], order: WorkOrder = USUAL_ORDER) -> Beside | None:
    return crossed_evidence(table, cross_runs(table, marks, order))


def test_recoveries_multiply_to_the_yield() -> None:
    found = stage_by_stage(ways(MARKS))
    assert found is not None
    assert [s.title for s in found.stretches] == ["theory → reaction", "reaction → work-up", "work-up → isolated product"]
    product = np.prod([s.recovery / 100.0 for s in found.stretches], axis=0)
    np.testing.assert_allclose(100.0 * product, [y for _, _, y in MARKS])
    assert sum(s.lost for s in found.stretches) == pytest.approx(100.0 - np.mean([y for _, _, y in MARKS]))
    assert found.complete == (1, 2, 3, 4)


def test_shares_are_slopes_of_each_recovery_against_the_yield() -> None:
    # cov(ln r, ln Y)/var(ln Y) is the slope of a straight line of ln r over ln Y (scipy.stats.linregress).
    found = stage_by_stage(ways(MARKS))
    assert found is not None
    logs = np.log([y for _, _, y in MARKS])
    for stretch in found.stretches:
        assert stretch.share == pytest.approx(linregress(logs, np.log(stretch.recovery)).slope)
        without = [linregress(np.delete(logs, k), np.log(np.delete(stretch.recovery, k))).slope for k in range(4)]
        assert stretch.share_low == pytest.approx(min(without))
        assert stretch.share_high == pytest.approx(max(without))
    assert sum(s.share or 0.0 for s in found.stretches) == pytest.approx(1.0)


def test_the_stretch_that_makes_the_difference_is_named() -> None:
    # The reaction always gives 80 %, the work-up keeps 95 % of the rest of the way.
    marks = [(80.0, 80.0 * r, 0.95 * 80.0 * r) for r in (0.5, 0.6, 0.8, 0.9, 0.7)]
    found = stage_by_stage(ways(marks))
    assert found is not None
    first, second, third = found.stretches
    assert [first.share, second.share, third.share] == pytest.approx([0.0, 1.0, 0.0])
    where = "between the end of the reaction and that of the work-up"
    assert found.sentences[0] == f"Most is lost {where}: 24 points of theory on average of 5 runs (8 to 40)."
    lead = "The yields of the 5 runs weighed on the way differ mostly because of what happens"
    assert found.sentences[1].startswith(f"{lead} {where}: 100 %")
    assert found.headline == found.sentences[1]


def test_a_stretch_that_makes_up_for_others_is_told() -> None:
    # Where more came out of the reaction, less was kept in the work-up.
    marks = [(40.0, 39.2, 39.0), (60.0, 54.0, 53.5), (80.0, 64.0, 63.5), (95.0, 74.0, 73.5)]
    found = stage_by_stage(ways(marks))
    assert found is not None
    assert (found.stretches[1].share or 0.0) < 0
    assert "It is more than the whole, because what happens elsewhere runs against it." in found.headline
    assert any("runs against the rest (−" in s for s in found.sentences)


def test_too_few_or_too_similar_runs_say_so() -> None:
    assert stage_by_stage(ways(MARKS[:2])) is None
    three = stage_by_stage(ways(MARKS[:3]))
    assert three is not None
    assert all(s.share is None for s in three.stretches)
    assert "takes 4 runs" in three.sentences[1]
    assert three.headline == three.sentences[0]
    assert "3 runs have been" in three.sentences[1]
    alike = stage_by_stage(ways([(80.0, 70.0, 60.0 + k) for k in range(4)]))
    assert alike is not None
    assert all(s.share is None for s in alike.stretches)
    assert "differ too little (standard deviation at most 2 points)" in alike.sentences[1]


def test_differences_that_rest_on_one_run_say_so() -> None:
    found = stage_by_stage(ways([(75.0, 70.0, 60.0 + 0.1 * k) for k in range(3)] + [(95.0, 90.0, 80.0)]))
    assert found is not None
    assert "rest on run 4 alone" in found.sentences[1]
    first = found.stretches[0]
    assert first.share is not None
    assert (first.share_low, first.share_high) == (None, None)


def test_runs_without_every_checkpoint_count_where_they_can() -> None:
    partly = [*ways(MARKS), Way(5, {Stage.REACTION: 50.0}, 40.0), Way(6, {}, 30.0), Way(7, {Stage.REACTION: 0.0}, 20.0)]
    found = stage_by_stage(partly)
    assert found is not None
    assert [w.number for w in found.ways] == [1, 2, 3, 4, 5]
    assert found.stretches[0].numbers == (1, 2, 3, 4, 5)
    assert found.stretches[1].numbers == found.complete == (1, 2, 3, 4)


def test_checkpoints_of_stages_with_too_few_of_them_are_named() -> None:
    found = [*ways(MARKS), Way(5, {Stage.REACTION: 75.0, Stage.DRYING: 60.0}, 58.0), Way(6, {Stage.DRYING: 62.0}, 60.0)]
    picture = stage_by_stage(found)
    assert picture is not None
    assert picture.stations == (Stage.REACTION, Stage.WORK_UP)
    assert [s for s in picture.sentences if "not in the picture" in s] == [
        "The checkpoints of runs 5 and 6 at the end of the drying are not in the picture: a stage takes 3 runs that were weighed "
        "at its end and gained nothing on the way."
    ]
    one = stage_by_stage(found[:-1])
    assert one is not None
    assert any(s.startswith("The checkpoint of run 5 at the end of the drying is not in the picture: ") for s in one.sentences)
    whole = stage_by_stage(ways(MARKS))
    assert whole is not None
    assert not any("not in the picture" in s for s in whole.sentences)


@pytest.mark.parametrize(
    ("mark", "sentence"),
    [
        (
            (60.0, 66.0, 50.0),
            "Run 5 has 6 points of theory more product at the end of the work-up than at the end of the reaction",
        ),
        ((120.0, 66.0, 50.0), "Run 5 has 20 points of theory more product at the end of the reaction than theory allows"),
        ((60.0, 50.0, 70.0), "Run 5 has 20 points of theory more isolated product than at the end of the work-up"),
    ],
)
def test_runs_that_gained_product_take_no_part(mark: tuple[float, float, float], sentence: str) -> None:
    found, without = stage_by_stage(ways([*MARKS, mark])), stage_by_stage(ways(MARKS))
    assert found is not None
    assert without is not None
    assert found.sentences[-1].startswith(sentence)
    assert found.complete == without.complete == (1, 2, 3, 4)
    assert found.sentences[:2] == without.sentences
    assert [s.share for s in found.stretches] == [s.share for s in without.stretches]
    assert found.stretches[0].numbers == (1, 2, 3, 4)
    assert [w.number for w in found.ways] == [1, 2, 3, 4, 5]
    # Within what a content is known to, a gain is no mistake.
    assert stage_by_stage(ways([*MARKS, (103.0, 50.0, 53.0)])).complete == (1, 2, 3, 4, 5)  # type: ignore[union-attr]


def test_a_variable_acts_on_its_own_stage_and_those_after_it() -> None:
    marks = [Way(k, {Stage.REACTION: 90.0, Stage.WORK_UP: 80.0 - k, Stage.DRYING: 70.0 - k}, 60.0 - k) for k in range(4)]
    found = stage_by_stage(marks)
    assert found is not None
    reaction, work_up, drying, rest = found.stretches
    dried = agent("a", "b")
    assert [s.acts(dried) for s in (reaction, work_up, drying, rest)] == [False, False, True, True]
    assert [s.acts(hold()) for s in (reaction, work_up, drying, rest)] == [True] * 4


def test_isolation_and_drying_come_in_either_order() -> None:
    crystals, solution = [Stage.REACTION, Stage.ISOLATION, Stage.DRYING], [Stage.REACTION, Stage.DRYING, Stage.ISOLATION]
    order = WorkOrder.of([solution, solution, crystals])
    assert order.is_known
    assert order.agrees(solution)
    assert not order.agrees(crystals)
    assert order.up_to(Stage.DRYING) == set(Stage) - {Stage.ISOLATION}
    assert WorkOrder.of([crystals, solution, crystals]).agrees(crystals)
    # Not seen: either may have come first.
    unknown = WorkOrder.of([[Stage.REACTION, Stage.DRYING], [Stage.ISOLATION]])
    assert not unknown.is_known
    for stage, other in ((Stage.DRYING, Stage.ISOLATION), (Stage.ISOLATION, Stage.DRYING)):
        assert unknown.unclear(stage) == {other}
        assert other not in unknown.up_to(stage)
    found = stage_by_stage([Way(k, {Stage.ISOLATION: 80.0}, 60.0) for k in range(3)], unknown)
    assert found is not None
    assert found.stretches[0].acts(agent("a", "b"))
    assert found.stretches[0].acts(hold())


def test_the_order_that_the_chemist_has_said_holds() -> None:
    crystals = [Stage.REACTION, Stage.ISOLATION, Stage.DRYING]
    assert WorkOrder.of([crystals], drying_first=True).stages[-2:] == (Stage.DRYING, Stage.ISOLATION)
    assert WorkOrder.of([crystals[:1]], drying_first=False) == WorkOrder(is_known=True)


def test_stretches_that_make_about_as_much_are_both_named() -> None:
    # Reaction and work-up differ by about as much, each in its own runs.
    marks = [(60.0, 54.0, 53.0), (80.0, 72.0, 71.0), (80.0, 50.0, 49.0), (62.0, 44.0, 43.5), (70.0, 60.0, 59.0)]
    found = stage_by_stage(ways(marks))
    assert found is not None
    reaction, work_up, _ = found.stretches
    assert work_up.share is not None
    assert reaction.share is not None
    assert work_up.share > reaction.share
    assert (reaction.share_high or 0.0) > (work_up.share_low or 0.0)
    assert "The largest part of the differences between the 5 runs weighed on the way arises between" in found.sentences[1]
    told = f"It cannot be told from what happens in the reaction ({percent_text(reaction.share)}, {range_text(reaction)})."
    assert found.sentences[1].endswith(told)


def test_a_share_above_the_whole_is_explained_where_it_rests_on_one_run_too() -> None:
    # What came in of the fourth run was less than of the others, what was kept far more.
    marks = [Way(k, {Stage.REACTION: 90.0 + k % 2}, 70.0) for k in range(1, 4)] + [Way(4, {Stage.REACTION: 86.0}, 84.0)]
    found = stage_by_stage(marks)
    assert found is not None
    assert found.stretches[1].share is not None
    share = percent_text(found.stretches[1].share)
    assert found.stretches[1].share > 1.05
    assert found.headline == (
        f"The differences between the 4 runs weighed on the way arise mostly after the reaction ({share} of them), but they rest "
        "on run 4 alone: the others hardly differ. It is more than the whole, because what happens elsewhere runs against it."
    )


def test_crosses_wait_until_the_order_is_known() -> None:
    # Weighed after the isolation: the drying agent came before or after it, so runs that differ in it are not crossed.
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [50.0, 60.0])
    both = [Way(1, {Stage.ISOLATION: 62.5}, 50.0), Way(2, {Stage.ISOLATION: 80.0}, 60.0)]
    assert crossed(table, both) is None
    after = crossed(table, both, WorkOrder(is_known=True))
    assert after is not None
    np.testing.assert_allclose(after.table.yields, [46.875, 64.0])
    first = WorkOrder.of([[Stage.DRYING, Stage.ISOLATION]])
    # The agent comes before, as all else does: nothing is left to cross.
    assert crossed(table, both, first) is None


def test_recoveries_carry_the_doubt_of_their_checkpoints() -> None:
    found = stage_by_stage(ways([*MARKS, (8.0, 6.0, 5.0)]))
    assert found is not None
    first, second, third = found.stretches
    np.testing.assert_allclose(first.recovery_sd[:4], [2.0] * 4)
    # 50 of 60: 83.3 % times √((2/60)² + (2/50)²).
    assert second.recovery_sd[0] == pytest.approx(83.333 * np.hypot(2 / 60, 2 / 50), abs=1e-3)
    assert third.recovery_sd[0] == pytest.approx(90.0 * 2 / 50)
    assert second.telling.numbers == (1, 2, 3, 4)
    # 11 of 12, each known to 2 points: 92 ± 21 %, as doubtful as a failed run, and no failed run.
    doubtful = stage_by_stage(ways([*MARKS, (12.0, 11.0, 10.5)]))
    assert doubtful is not None
    assert doubtful.stretches[1].recovery_sd[4] > FAILURE_SD
    assert doubtful.stretches[1].telling.numbers == (1, 2, 3, 4)
    assert first.telling.numbers == (1, 2, 3, 4, 5)


def test_crossing_two_runs_gives_reaction_of_one_with_work_up_of_the_other() -> None:
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [50.0, 60.0])
    found = crossed(table, [Way(1, {Stage.REACTION: 62.5}, 50.0), Way(2, {Stage.REACTION: 80.0}, 60.0)])
    assert found is not None
    assert found.table.numbers == (0, 0)  # an error of its own
    assert found.rests_on == (frozenset((1, 2)),) * 2
    # Reaction of run 1 (62.5 %) kept as in run 2 (75 %): 46.875 %; the other way round 80 % kept at 80 %: 64 %.
    np.testing.assert_allclose(found.table.yields, [46.875, 64.0])
    np.testing.assert_array_equal(found.table.coded[0], [table.coded[0, 0], table.coded[0, 1], table.coded[1, 2]])
    np.testing.assert_array_equal(found.table.coded[1], [table.coded[1, 0], table.coded[1, 1], table.coded[0, 2]])
    relative = np.sqrt((CONTENT_SD / 62.5) ** 2 + (CONTENT_SD / 80.0) ** 2 + (CONTENT_SD / 60.0) ** 2)
    sd = np.sqrt((46.875 * relative) ** 2 + LEAST_SD**2 + (0.1 * 3.125) ** 2 + (0.1 * 13.125) ** 2)
    assert found.table.extra_sd[0] == pytest.approx(sd)


def test_crosses_that_are_one_of_the_runs_or_tell_nothing_are_left_out() -> None:
    same_end = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "a")], [50.0, 60.0])
    both = [Way(1, {Stage.REACTION: 62.5}, 50.0), Way(2, {Stage.REACTION: 80.0}, 60.0)]
    assert crossed(same_end, both) is None
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [5.0, 60.0])
    # With 6 % left after the reaction nobody knows what the work-up keeps; the reaction itself still tells.
    found = crossed(table, [Way(1, {Stage.REACTION: 6.0}, 5.0), Way(2, {Stage.REACTION: 80.0}, 60.0)])
    assert found is not None
    np.testing.assert_allclose(found.table.yields, [4.5])
    assert crossed(table, both[:1]) is None
    assert crossed(table, [Way(1, {Stage.REACTION: 62.5}, 5.0), Way(2, {Stage.WORK_UP: 80.0}, 60.0)]) is None


def test_runs_that_gained_and_yields_beyond_all_are_not_crossed() -> None:
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [50.0, 60.0])
    good = Way(2, {Stage.REACTION: 80.0}, 60.0)
    assert crossed(table, [Way(1, {Stage.REACTION: 130.0}, 50.0), good]) is None
    # 102 · 40/36.5 = 112 is no yield; the other way round 36.5 · 60/102 is one.
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [40.0, 60.0])
    one = crossed(table, [Way(1, {Stage.REACTION: 36.5}, 40.0), Way(2, {Stage.REACTION: 102.0}, 60.0)])
    assert one is not None
    np.testing.assert_allclose(one.table.yields, [36.5 * 60 / 102])
    # 93 · 40/36.5 = 102 is one, cut at 100.
    two = crossed(table, [Way(1, {Stage.REACTION: 36.5}, 40.0), Way(2, {Stage.REACTION: 93.0}, 60.0)])
    assert two is not None
    np.testing.assert_allclose(two.table.yields, [36.5 * 60 / 93, 100.0])


def test_each_stage_has_its_own_best_run() -> None:
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b"), (5.0, 130.0, "a")], [50.0, 60.0, 80.0])
    # The best run was weighed at another stage than the two others, which are still crossed.
    found = crossed(
        table, [Way(1, {Stage.REACTION: 62.5}, 50.0), Way(2, {Stage.REACTION: 80.0}, 60.0), Way(3, {Stage.WORK_UP: 90.0}, 80.0)]
    )
    assert found is not None
    np.testing.assert_allclose(found.table.yields, [46.875, 64.0])
    assert set(found.rests_on) == {frozenset((1, 2))}


def test_crosses_do_not_depend_on_the_order_of_runs() -> None:
    rows, yields = [(2.0, 120.0, "a"), (4.0, 130.0, "b"), (3.0, 110.0, "a")], [50.0, 60.0, 40.0]
    there = crossed(table_of(rows, yields), [Way(k + 1, {Stage.REACTION: y + 20}, y) for k, y in enumerate(yields)])
    back = crossed(
        table_of(rows[::-1], yields[::-1]), [Way(k + 1, {Stage.REACTION: y + 20}, y) for k, y in enumerate(yields[::-1])]
    )
    assert there is not None
    assert back is not None
    one, other = there.in_canonical_order().table, back.in_canonical_order().table
    np.testing.assert_array_equal(one.coded, other.coded)
    np.testing.assert_array_equal(one.yields, other.yields)


@pytest.mark.parametrize(("share", "text"), [(0.634, "63 %"), (-0.08, "−8 %"), (-0.001, "0 %"), (1.0, "100 %")])
def test_shares_as_words(share: float, text: str) -> None:
    assert percent_text(share) == text


def test_crosses_at_two_stages_that_come_to_the_same_settings_are_one() -> None:
    # No variable of the work-up moved: crossed after the reaction or after the washing is the same run.
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [50.0, 60.0])
    found = crossed(
        table,
        [Way(1, {Stage.REACTION: 62.5, Stage.WORK_UP: 55.0}, 50.0), Way(2, {Stage.REACTION: 80.0, Stage.WORK_UP: 66.0}, 60.0)],
    )
    assert found is not None
    # 62.5 · 60/80 = 46.875 and 55 · 60/66 = 50.
    np.testing.assert_allclose(found.table.yields, [(46.875 + 50.0) / 2, (64.0 + 60.0) / 2])


def test_only_the_better_runs_are_crossed_where_there_are_many() -> None:
    n = 3 * MOST_CROSSED
    rows = [(0.5 + 0.05 * k, 120.0, "a" if k else "b") for k in range(n)]
    yields = [70.0] + [20.0 + 0.5 * k for k in range(1, n)]
    found = crossed(table_of(rows, yields), [Way(k + 1, {Stage.REACTION: y + 10}, y) for k, y in enumerate(yields)])
    assert found is not None
    assert set(found.rests_on) == {frozenset((1, number)) for number in range(n - MOST_CROSSED + 1, n + 1)}
    assert found.n_rows == 2 * MOST_CROSSED


def test_where_yields_differ_is_told_no_surer_than_contents_are_known() -> None:
    # The reaction makes three quarters of small differences; contents that are off by 2 points would do as much.
    def marks(spread: float) -> list[tuple[float, float, float]]:
        out = []
        for k in (-1.5, -0.5, 0.0, 0.5, 1.5):
            first, second = 80.0 + 0.75 * spread * k, 0.9 + 0.0025 * spread * k
            out.append((first, first * second, 0.95 * first * second))
        return out

    small, large = (stage_by_stage(ways(marks(spread))) for spread in (3.0, 12.0))
    assert small is not None
    assert large is not None
    for found in (small, large):
        assert found.stretches[0].share_low is not None
        assert found.stretches[0].share_low > 0.5
    assert "The largest part of the differences" in small.headline
    assert "differ mostly because" in large.headline
    # The uncertainty by the rule for a sum of independent terms, on many draws of the contents.
    rng = np.random.default_rng(0)
    base, drawn = np.array(marks(12.0)), []
    total = np.log(base[:, 2]) - np.log(base[:, 2]).mean()
    for _ in range(4000):
        first = base[:, 0] + 2.0 * rng.standard_normal(5)
        drawn.append(total @ np.log(first) / (total @ total))
    assert large.stretches[0].share_u == pytest.approx(np.std(drawn), rel=0.05)
