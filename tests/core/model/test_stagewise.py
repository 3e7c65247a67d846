"""Where the product is lost over all runs."""

import numpy as np
import pytest
from scipy.stats import linregress

from server.core.model.runs import RunTable
from server.core.model.stagewise import (
    CONTENT_SD,
    LEAST_SD,
    MOST_CROSSED,
    Stretch,
    Way,
    crossed_evidence,
    percent_text,
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


def test_recoveries_multiply_to_the_yield() -> None:
    found = stage_by_stage(ways(MARKS), 2.0)
    assert found is not None
    assert [s.title for s in found.stretches] == ["theory → reaction", "reaction → work-up", "work-up → isolated product"]
    product = np.prod([s.recovery / 100.0 for s in found.stretches], axis=0)
    np.testing.assert_allclose(100.0 * product, [y for _, _, y in MARKS])
    assert sum(s.lost for s in found.stretches) == pytest.approx(100.0 - np.mean([y for _, _, y in MARKS]))
    assert found.complete == (1, 2, 3, 4)


def test_shares_are_slopes_of_each_recovery_against_the_yield() -> None:
    # cov(ln r, ln Y)/var(ln Y) is the slope of a straight line of ln r over ln Y (scipy.stats.linregress).
    found = stage_by_stage(ways(MARKS), 2.0)
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
    found = stage_by_stage(ways(marks), 2.0)
    assert found is not None
    first, second, third = found.stretches
    assert [first.share, second.share, third.share] == pytest.approx([0.0, 1.0, 0.0])
    where = "between the end of the reaction and that of the work-up"
    assert found.sentences[0] == f"Most is lost {where}: 24 points of theory on average of 5 runs (8 to 40)."
    assert found.sentences[1].startswith(f"The yields of these 5 runs differ mostly because of what happens {where}: 100 %")


def test_a_stretch_that_makes_up_for_others_is_told() -> None:
    # Where more came out of the reaction, less was kept in the work-up.
    marks = [(a, a * (1.3 - a / 100.0), a * (1.3 - a / 100.0) ** 0.99) for a in (40.0, 50.0, 60.0, 66.0)]
    found = stage_by_stage(ways(marks), 2.0)
    assert found is not None
    assert (found.stretches[1].share or 0.0) < 0
    assert any("runs against the rest (−" in s for s in found.sentences)


def test_too_few_or_too_similar_runs_say_so() -> None:
    assert stage_by_stage(ways(MARKS[:2]), 2.0) is None
    three = stage_by_stage(ways(MARKS[:3]), 2.0)
    assert three is not None
    assert all(s.share is None for s in three.stretches)
    assert "takes 4 runs" in three.sentences[1]
    assert "3 runs have been" in three.sentences[1]
    alike = stage_by_stage(ways([(80.0, 70.0, 60.0 + k) for k in range(4)]), 2.0)
    assert alike is not None
    assert all(s.share is None for s in alike.stretches)
    assert "differ no more than repeats do" in alike.sentences[1]


def test_runs_without_every_checkpoint_count_where_they_can() -> None:
    partly = [*ways(MARKS), Way(5, {Stage.REACTION: 50.0}, 40.0), Way(6, {}, 30.0), Way(7, {Stage.REACTION: 0.0}, 20.0)]
    found = stage_by_stage(partly, 2.0)
    assert found is not None
    assert [w.number for w in found.ways] == [1, 2, 3, 4, 5]
    assert found.stretches[0].numbers == (1, 2, 3, 4, 5)
    assert found.stretches[1].numbers == found.complete == (1, 2, 3, 4)


def test_a_gain_points_to_the_checkpoint() -> None:
    found = stage_by_stage(ways([*MARKS, (60.0, 66.0, 50.0)]), 2.0)
    assert found is not None
    assert any(s.startswith("Run 5 gained product between") for s in found.sentences)


def test_a_variable_acts_on_its_own_stage_and_those_after_it() -> None:
    empty = np.empty(0)
    drying = agent("a", "b")
    assert not Stretch(None, Stage.REACTION, (), empty, empty).acts(drying)
    assert not Stretch(Stage.REACTION, Stage.WORK_UP, (), empty, empty).acts(drying)
    assert Stretch(Stage.WORK_UP, Stage.DRYING, (), empty, empty).acts(drying)
    assert Stretch(Stage.REACTION, None, (), empty, empty).acts(drying)
    assert Stretch(Stage.WORK_UP, None, (), empty, empty).acts(hold())


def test_crossing_two_runs_gives_reaction_of_one_with_work_up_of_the_other() -> None:
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [50.0, 60.0])
    found = crossed_evidence(table, [Way(1, {Stage.REACTION: 62.5}, 50.0), Way(2, {Stage.REACTION: 80.0}, 60.0)])
    assert found is not None
    assert found.table.numbers == (-1, -1)
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
    assert crossed_evidence(same_end, both) is None
    table = table_of([(2.0, 120.0, "a"), (4.0, 120.0, "b")], [5.0, 60.0])
    # With 6 % left after the reaction nobody knows what the work-up keeps; the reaction itself still tells.
    found = crossed_evidence(table, [Way(1, {Stage.REACTION: 6.0}, 5.0), Way(2, {Stage.REACTION: 80.0}, 60.0)])
    assert found is not None
    np.testing.assert_allclose(found.table.yields, [4.5])
    assert crossed_evidence(table, both[:1]) is None
    assert crossed_evidence(table, [Way(1, {Stage.REACTION: 62.5}, 5.0), Way(2, {Stage.WORK_UP: 80.0}, 60.0)]) is None


def test_crosses_do_not_depend_on_the_order_of_runs() -> None:
    rows, yields = [(2.0, 120.0, "a"), (4.0, 130.0, "b"), (3.0, 110.0, "a")], [50.0, 60.0, 40.0]
    there = crossed_evidence(table_of(rows, yields), [Way(k + 1, {Stage.REACTION: y + 20}, y) for k, y in enumerate(yields)])
    back = crossed_evidence(
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
    found = crossed_evidence(
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
    found = crossed_evidence(table_of(rows, yields), [Way(k + 1, {Stage.REACTION: y + 10}, y) for k, y in enumerate(yields)])
    assert found is not None
    assert {-number for number in found.table.numbers} == set(range(n - MOST_CROSSED + 1, n + 1))
    assert found.n_rows == 2 * MOST_CROSSED
