"""Checkpoints of all runs together, from what is stored."""

import numpy as np
import pytest
from sqlmodel import Session

from server.compute.fits import ResultStore, beside_mark
from server.core.model.effects import Evidence
from server.core.model.ladder import Ladder, fit_ladder
from server.core.model.runs import Beside, RunTable
from server.core.space.coordinates import encode
from server.core.space.variables import Stage
from server.errors import NotReadyError
from server.services.analysis import analyse
from server.services.checkpoints import add_checkpoint
from server.services.inputs import CheckpointInput, CheckpointUseInput, ReadingImportInput
from server.services.preparations import use_checkpoints
from server.services.readings import import_readings
from server.services.runs import exclude_run
from server.services.variables import as_input as variable_as_input
from server.services.variables import update_variable
from server.storage import questions
from server.storage.tables import PreparationRow
from tests.factories import make_preparation, make_run


def run_with(session: Session, preparation: PreparationRow, percent: float, left: float | None, **settings: object) -> int:
    """A run of 10 g theory; ``left`` is the product after the reaction, half of the crude's mass. [% of theory]"""
    run = make_run(session, preparation, percent, settings=settings)
    if left is not None:
        add_checkpoint(
            session, int(run.id or 0), CheckpointInput(name="crude", stage=Stage.REACTION, mass_g=left / 5.0, purity_percent=50)
        )
    return int(run.id or 0)


def test_ways_come_from_runs_that_count(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    run_with(session, preparation, 60.0, 80.0)
    run_with(session, preparation, 55.0, None, hold=3.0)
    out = run_with(session, preparation, 50.0, 70.0, hold=4.0)
    exclude_run(session, out, "wet")
    for numbers, stages in (((4, 5), (Stage.ISOLATION, Stage.DRYING)), ((6,), (Stage.DRYING, Stage.ISOLATION))):
        for number in numbers:
            run_id = run_with(session, preparation, 58.0, None, hold=float(number))
            for stage in stages:
                add_checkpoint(session, run_id, CheckpointInput(name=stage, stage=stage, mass_g=6.0, purity_percent=100))
    failed = make_run(session, preparation, 3.0, outcome="failure")
    add_checkpoint(session, int(failed.id or 0), CheckpointInput(name="crude", stage=Stage.REACTION, mass_g=8, purity_percent=50))
    found = analyse(session, key).ways
    assert [w.number for w in found.ways] == [1, 4, 5]
    assert found.ways[0].left == {Stage.REACTION: pytest.approx(80.0)}
    assert found.out_of_order == (6,)
    assert analyse(session, key).stages is None


def test_the_last_checkpoint_of_a_stage_stands_at_its_end(session: Session) -> None:
    preparation = make_preparation(session)
    run_id = run_with(session, preparation, 60.0, 80.0)
    add_checkpoint(session, run_id, CheckpointInput(name="later", stage=Stage.REACTION, mass_g=7.5, purity_percent=100))
    add_checkpoint(
        session, run_id, CheckpointInput(name="alcohol", stage=Stage.REACTION, kind="recovered", mass_g=1.0, purity_percent=100)
    )
    (way,) = analyse(session, int(preparation.id or 0)).ways.ways
    assert way.left == {Stage.REACTION: pytest.approx(75.0)}


def made_by_hold_kept_by_agent(session: Session) -> PreparationRow:
    """The hold alone moves the reaction, the agent alone what is kept: 90 % by one, 70 % by the other."""
    preparation = make_preparation(session)
    for hold, agent in ((1.0, "MgSO4"), (2.0, "MgSO4"), (2.0, "MgSO4"), (3.0, "Na2SO4"), (4.0, "Na2SO4"), (4.0, "Na2SO4")):
        made = 50.0 + 10.0 * hold
        kept = 0.9 if agent == "MgSO4" else 0.7
        run_with(session, preparation, made * kept, made, hold=hold, agent=agent)
    return preparation


def test_each_stretch_has_the_variables_that_can_act_on_it(session: Session) -> None:
    analysis = analyse(session, int(made_by_hold_kept_by_agent(session).id or 0))
    assert analysis.stages is not None
    reaction, rest = analysis.stages.stretches
    effects = {e.name: e for e in analysis.stretch_effects(reaction)}
    assert set(effects) == {"hold", "bath"}
    assert effects["hold"].evidence is Evidence.CLEAR
    assert "clearly raised what the reaction gives" in effects["hold"].sentence
    assert effects["hold"].change == pytest.approx(30.0, abs=5.0)
    assert effects["bath"].evidence is Evidence.NEVER_MOVED
    assert {e.name for e in analysis.stretch_effects(rest)} == {"hold", "bath", "agent"}
    np.testing.assert_allclose(sorted(rest.recovery), [70.0] * 3 + [90.0] * 3)


def test_too_few_runs_for_effects_of_a_stretch(session: Session) -> None:
    preparation = made_by_hold_kept_by_agent(session)
    key = int(preparation.id or 0)
    for k, hold in enumerate((1.0, 2.0, 3.0)):
        run_id = run_with(session, preparation, 40.0 + k, 80.0, hold=hold)
        add_checkpoint(session, run_id, CheckpointInput(name="washed", stage=Stage.WORK_UP, mass_g=7.0, purity_percent=100))
    analysis = analyse(session, key)
    assert analysis.stages is not None
    first, second, third = analysis.stages.stretches
    assert (len(first.numbers), len(second.numbers), len(third.numbers)) == (9, 3, 3)
    assert analysis.stretch_effects(second)
    exclude_run(session, run_id, "wet")
    again = analyse(session, key)
    assert again.stages is not None
    # With two such runs left the work-up is no station any more.
    assert [s.end for s in again.stages.stretches] == [Stage.REACTION, None]
    second_only = type(second)(second.start, second.end, second.numbers[:2], second.before[:2], second.after[:2])
    with pytest.raises(NotReadyError, match="2 runs so far; effects need at least 3"):
        analysis.stretch_effects(second_only)


def test_checkpoints_are_evidence_beside_the_runs(session: Session) -> None:
    preparation = made_by_hold_kept_by_agent(session)
    key = int(preparation.id or 0)
    told = analyse(session, key)
    assert told.beside_stages is not None
    assert told.table.n_runs == 6
    # Nobody ran four hours with the better agent: 90 made, 90 % of it kept.
    at = encode(told.space.variables, [{**told.counting[0].settings, "1": 4.0, "3": "MgSO4"}])
    assert float(told.ladder.predict(at).mean[0]) == pytest.approx(81.0, abs=4.0)
    use_checkpoints(session, key, CheckpointUseInput(use=False))
    plain = analyse(session, key)
    assert plain.beside is None
    assert float(plain.ladder.predict(at).sd[0]) > 1.5 * float(told.ladder.predict(at).sd[0])
    np.testing.assert_array_equal(plain.ladder.weights, told.ladder.weights)


def test_readings_and_checkpoints_stand_beside_the_runs_together(session: Session) -> None:
    preparation = made_by_hold_kept_by_agent(session)
    key = int(preparation.id or 0)
    run_id = next(int(r.row.id or 0) for r in analyse(session, key).runs if r.number == 5)
    hours = np.linspace(0.4, 4.0, 12)
    rows = "\n".join(f"{t:.2f} {90 * (1 - np.exp(-0.8 * t)):.1f}" for t in hours)
    import_readings(session, run_id, ReadingImportInput(series="product", at_unit="h"), rows)
    both = analyse(session, key)
    assert both.beside is not None
    assert both.beside_courses is not None
    assert both.beside_stages is not None
    assert both.beside.n_rows == both.beside_courses.n_rows + both.beside_stages.n_rows
    assert beside_mark(both.beside) != beside_mark(both.beside_stages)
    moved = Beside(both.beside_stages.table, (frozenset((99,)),) * both.beside_stages.n_rows)
    assert beside_mark(moved) != beside_mark(both.beside_stages)


def test_recipes_are_fitted_to_the_reaction_only(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    analysis = analyse(session, int(made_by_hold_kept_by_agent(session).id or 0))
    assert analysis.stages is not None
    fits: list[tuple[str, ...]] = []

    def noted(table: RunTable, *, rungs: tuple[str, ...], losses: tuple[float, ...]) -> Ladder:
        fits.append(rungs)
        return fit_ladder(table, rungs=rungs, losses=losses)

    monkeypatch.setattr("server.services.analysis.fit_ladder", noted)
    monkeypatch.setattr("server.services.analysis.STORE", ResultStore(4))
    reaction, rest = analysis.stages.stretches
    analysis.stretch_effects(reaction)
    analysis.stretch_effects(rest)
    assert ["recipes" in rungs for rungs in fits] == [True, False]


def test_the_heavy_parts_are_done_before_the_page_asks(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    analysis = analyse(session, int(made_by_hold_kept_by_agent(session).id or 0))
    store = ResultStore(48)
    monkeypatch.setattr("server.services.analysis.STORE", store)
    steps: list[str] = []
    analysis.prepare(lambda _share, step: steps.append(step))
    assert [s for s in steps if s.startswith("stage by stage")] == [
        "stage by stage: theory → reaction",
        "stage by stage: reaction → isolated product",
    ]

    def late(*_args: object, **_more: object) -> Ladder:
        raise AssertionError("fitted only when asked")

    monkeypatch.setattr("server.services.analysis.fit_ladder", late)
    assert analysis.stages is not None
    for stretch in analysis.stages.stretches:
        assert analysis.stretch_effects(stretch)


def test_next_to_nothing_left_makes_no_effect(session: Session) -> None:
    preparation = make_preparation(session)
    for hold, left, percent in ((1.0, 0.4, 6.0), (2.0, 80.0, 72.0), (3.0, 82.0, 73.0), (4.0, 85.0, 77.0), (5.0, 84.0, 75.0)):
        run_with(session, preparation, percent, left, hold=hold)
    analysis = analyse(session, int(preparation.id or 0))
    assert analysis.stages is not None
    assert "Run 1 has 6 points of theory more isolated product" in analysis.stages.sentences[-1]
    effects = {e.name: e for e in analysis.stretch_effects(analysis.stages.stretches[1])}
    assert abs(effects["hold"].change or 0.0) < 5.0
    assert effects["hold"].evidence is not Evidence.CLEAR


def test_a_solution_is_dried_before_its_product_is_isolated(session: Session) -> None:
    preparation = make_preparation(session)
    for k in range(3):
        run = make_run(session, preparation, 60.0 + k, settings={"hold": 2.0 + k})
        for name, stage, mass in (
            ("crude", Stage.REACTION, 8.0),
            ("dried", Stage.DRYING, 7.5),
            ("residue", Stage.ISOLATION, 7.0),
        ):
            add_checkpoint(session, int(run.id or 0), CheckpointInput(name=name, stage=stage, mass_g=mass, purity_percent=100))
    ways = analyse(session, int(preparation.id or 0)).ways
    assert ways.out_of_order == ()
    assert ways.order.is_known
    found = analyse(session, int(preparation.id or 0)).stages
    assert found is not None
    assert found.stations == (Stage.REACTION, Stage.DRYING, Stage.ISOLATION)


def test_two_runs_put_together_promise_more_than_any_run(session: Session) -> None:
    analysis = analyse(session, int(made_by_hold_kept_by_agent(session).id or 0))
    found = analysis.best_cross()
    assert found is not None
    cross, settings = found
    # The reaction of four hours, 90 %, kept as with magnesium sulfate, 90 %.
    assert cross.percent == pytest.approx(81.0)
    assert (settings["1"], settings["3"]) == (4.0, "MgSO4")
    np.testing.assert_array_equal(encode(analysis.space.variables, [settings])[0], cross.row)
    # Once such a run has given more, no cross beats it.
    make_run(session, analysis.preparation, 83.0, settings={"hold": 4.0, "agent": "MgSO4"})
    assert analyse(session, int(analysis.preparation.id or 0)).best_cross() is None


def test_what_was_run_already_is_not_offered_as_a_cross(session: Session) -> None:
    preparation = made_by_hold_kept_by_agent(session)
    key = int(preparation.id or 0)
    assert analyse(session, key).best_cross() is not None
    # Such a run gave less, though: its two halves promise more than it kept.
    make_run(session, preparation, 70.0, settings={"hold": 4.0, "agent": "MgSO4"})
    again = analyse(session, key).best_cross()
    assert again is None or (again[1]["1"], again[1]["3"]) != (4.0, "MgSO4")


def test_an_option_that_only_failed_does_not_separate(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    agent = questions.list_variables(session, key)[2]
    more = variable_as_input(agent).model_copy(update={"choices": ["CaCl2", "MgSO4", "Na2SO4"]})
    update_variable(session, int(agent.id or 0), more)
    for hold, name in ((1.0, "MgSO4"), (4.0, "Na2SO4"), (1.0, "MgSO4"), (4.0, "Na2SO4")):
        make_run(session, preparation, 60.0 + hold, settings={"hold": hold, "agent": name})
    make_run(session, preparation, 2.0, settings={"hold": 1.0, "agent": "CaCl2"}, outcome="failure")
    found = analyse(session, key).separating_run()
    assert found is not None
    assert set(found[0]) == {"hold", "agent"}
    assert found[1]["3"] in ("MgSO4", "Na2SO4")
