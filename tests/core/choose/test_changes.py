"""Few changes, and what each of them is there for."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.core.choose import proposal
from server.core.choose.changes import is_change, meant_changes, what_changes_bring
from server.core.choose.gain import chance_of_gain, expected_gain
from server.core.choose.proposal import Purpose, assess, propose
from server.core.choose.search import draw_reachable, with_fewest_changes
from server.core.model.ladder import fit_ladder
from server.core.space.coordinates import encode
from server.core.space.limits import LinearRule, Space, reach_of
from server.core.space.variables import FloatArray, Setting
from server.errors import NothingReachableError
from tests.core.choose.test_proposal import ROWS, SPACE, YIELDS, history
from tests.core.space.test_limits import spaces
from tests.factories import bath, hold


@settings(max_examples=60)
@given(spaces(), st.integers(0, 10_000))
def test_changes_are_taken_back_only_as_far_as_rules_and_the_score_allow(space: Space, seed: int) -> None:
    try:
        reach = reach_of(space)
    except NothingReachableError:
        return
    rng = np.random.default_rng(seed)
    home, found = draw_reachable(reach, 2, rng)[[0, -1]]
    weights = rng.normal(size=reach.n_variables)

    def score(rows: FloatArray) -> FloatArray:
        return np.asarray(rows @ weights)

    at = float(score(reach.coded_rows(found[None, :]))[0])
    least = at - float(rng.uniform(0.0, 1.0))
    kept = with_fewest_changes(reach, score, found, home, least)
    assert reach.allowed(kept[None, :])[0]
    assert set(np.flatnonzero(kept != found)) <= set(np.flatnonzero(found != home))
    assert np.all((kept == found) | (kept == home))
    assert np.array_equal(kept, found) or score(reach.coded_rows(kept[None, :]))[0] >= least
    changed = np.flatnonzero(kept != home)
    assert len(changed) or np.array_equal(found, home)
    for j in changed if len(changed) > 1 else []:
        less = kept.copy()
        less[j] = home[j]
        assert not reach.allowed(less[None, :])[0] or score(reach.coded_rows(less[None, :]))[0] < least


def test_the_change_that_costs_least_is_taken_back_first() -> None:
    space = Space((hold(), bath()))
    reach = reach_of(space)
    home, found = np.array([0, 0]), np.array([3, 3])
    small, large = 1.0, 2.0  # what the change of either variable brings

    def score(rows: FloatArray) -> FloatArray:
        away = rows - reach.coded_rows(home[None, :])
        return np.asarray(small * (away[:, 0] > 0) + large * (away[:, 1] > 0))

    assert with_fewest_changes(reach, score, found, home, 2.5).tolist() == [3, 3]
    assert with_fewest_changes(reach, score, found, home, 2.0).tolist() == [0, 3]
    assert with_fewest_changes(reach, score, found, home, 0.0).tolist() == [0, 3]  # one change is left, whatever it costs


# Runs in which the bath made all the difference, and the hold and the agent none.
FLAT_ROWS: list[dict[str, Setting]] = [
    {"hold": 2.0, "bath": 105.0, "agent": "a"},
    {"hold": 4.0, "bath": 110.0, "agent": "b"},
    {"hold": 3.0, "bath": 115.0, "agent": "a"},
    {"hold": 2.0, "bath": 120.0, "agent": "b"},
    {"hold": 4.0, "bath": 120.0, "agent": "a"},
]
FLAT_YIELDS = [40.0, 48.0, 56.0, 64.0, 64.0]


def test_a_simpler_run_is_offered_beside_the_proposal_where_it_keeps_most_of_the_gain(monkeypatch: pytest.MonkeyPatch) -> None:
    h = history(FLAT_ROWS, FLAT_YIELDS, new_ground=None)
    ladder = fit_ladder(h.table)
    best = h.working_recipe(ladder)
    assert best is not None
    before = h.settings[best]
    found = propose(h, ladder)
    assert found.changes is not None
    simpler = found.changes.simpler
    assert simpler is not None

    def changed(settings: dict[str, Setting]) -> set[str]:
        return {key for key in before if settings[key] != before[key]}

    assert "bath" in changed(simpler.settings) < changed(found.settings)
    assert all(simpler.settings[key] == found.settings[key] for key in changed(simpler.settings))
    assert len(simpler.changes) == len(changed(simpler.settings))
    working = encode(SPACE.variables, [before])
    gains = expected_gain(ladder.difference(working, encode(SPACE.variables, [simpler.settings, found.settings])))
    assert [simpler.gain, found.changes.gain] == pytest.approx(list(gains))
    assert 0.8 * gains[1] <= gains[0] <= gains[1]
    # Where all of the gain is to be kept, there is none, and the proposal is the same.
    monkeypatch.setattr(proposal, "MOST_OF_GAIN", 1.0)
    other = propose(h, ladder)
    assert other.settings == found.settings
    assert other.changes is not None
    assert other.changes.simpler is None
    # Settings of the chemist's own are told what each change brings, and no more.
    own = assess(h, ladder, found.settings, Purpose.RAISE)
    assert own.changes is not None
    assert own.changes.simpler is None


def test_each_change_is_weighed_by_the_run_without_it() -> None:
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    best = h.working_recipe(ladder)
    assert best is not None
    before = h.settings[best]
    after: dict[str, Setting] = {"hold": 4.0, "bath": 130.0, "agent": "a"}
    assert {key for key in after if after[key] != before[key]} == {"hold", "bath", "agent"}
    found = assess(h, ladder, after, Purpose.RAISE)
    assert found.changes is not None
    working = encode(SPACE.variables, [before])

    def row(**as_it_was: Setting) -> FloatArray:
        return encode(SPACE.variables, [{**after, **as_it_was}])

    assert found.changes.gain == pytest.approx(float(expected_gain(ladder.difference(working, row()))[0]))
    assert [x.key for x in found.changes.each] == ["hold", "bath", "agent"]
    for x in found.changes.each:
        change = ladder.difference(working, row(**{x.key: before[x.key]}))
        assert x.gain == pytest.approx(float(expected_gain(change)[0]))
        assert x.chance_to_beat == pytest.approx(float(chance_of_gain(change, 0.0)[0]))
        assert x.settings == {**after, x.key: before[x.key]}
    assert found.changes.each[1].change == f"bath {before['bath']:g} → 130 °C"
    # A run to find out is not there for a gain, and one change needs no list.
    assert assess(h, ladder, after, Purpose.FIND_OUT).changes is None
    assert assess(h, ladder, {**before, "bath": 130.0}, Purpose.RAISE).changes is None


def test_a_change_that_a_rule_does_not_let_go_alone_is_not_weighed() -> None:
    rule = LinearRule("hold + 0.1 bath ≤ 16", {"hold": 1.0, "bath": 0.1}, 16.0)
    space = Space((hold(), bath()), (rule,))
    before: dict[str, Setting] = {"hold": 2.0, "bath": 130.0}
    after: dict[str, Setting] = {"hold": 4.0, "bath": 115.0}
    h = history([before, {"hold": 3.0, "bath": 110.0}], [60.0, 50.0], space)
    ladder = fit_ladder(h.table)
    found = what_changes_bring(space, ladder, before, after, lambda rows: np.ones(len(rows)))
    assert found is not None
    assert not found.beside_pending
    assert [x.key for x in found.each] == ["hold"]  # with the bath at 130 °C again, 4 h would break the rule


def test_what_is_only_put_on_the_steps_is_no_change() -> None:
    v = hold()  # 0.5 to 6 h in half hours
    assert not is_change(v, 2.1, 2.0)
    assert is_change(v, 2.1, 2.5)
    assert is_change(v, 2.0, 2.1)  # typed so by the chemist
    assert not is_change(v, 2.1, 2.1)
    assert is_change(v, 6.5, 6.0)  # run outside the range of today
    space = Space((hold(), bath()))
    before: dict[str, Setting] = {"hold": 2.1, "bath": 121.0}
    assert meant_changes(space, before, {"hold": 2.0, "bath": 130.0}) == ["bath 121 → 130 °C"]
    assert meant_changes(space, before, {"hold": 2.0, "bath": 120.0}) == ["hold 2.1 → 2 h", "bath 121 → 120 °C"]
    h = history([before, {"hold": 3.0, "bath": 110.0}, {"hold": 1.0, "bath": 115.0}], [60.0, 50.0, 45.0], space)
    ladder = fit_ladder(h.table)
    assert assess(h, ladder, {"hold": 2.0, "bath": 130.0}, Purpose.RAISE).changes is None
    found = assess(h, ladder, {"hold": 3.0, "bath": 130.0}, Purpose.RAISE).changes
    assert found is not None
    assert [x.settings for x in found.each] == [{"hold": 2.1, "bath": 130.0}, {"hold": 3.0, "bath": 121.0}]
    reason = propose(h, ladder).reason
    for key, value in propose(h, ladder).settings.items():
        v = next(v for v in space.variables if v.key == key)
        assert (f"{key} {before[key]:g} →" in reason) == is_change(v, before[key], value)


def test_it_is_known_what_the_gains_are_over_where_runs_are_planned() -> None:
    # The planned run is expected to be better than the working recipe: a proposal has to beat it, settings of one's own do not.
    h = history(ROWS, YIELDS)
    ladder = fit_ladder(h.table)
    first = propose(h, ladder, Purpose.RAISE)
    assert first.changes is not None
    assert not first.changes.beside_pending
    planned = h.when_planned(first.settings)
    beside = propose(planned, ladder, Purpose.RAISE)
    assert beside.changes is not None
    assert beside.changes.beside_pending
    own = assess(planned, ladder, first.settings, Purpose.RAISE)
    assert own.changes is not None
    assert not own.changes.beside_pending
    assert own.changes.gain == pytest.approx(first.changes.gain)
