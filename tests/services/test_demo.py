"""The demo scenario: complete, loaded through the services, harmless when loaded again."""

from datetime import date
from typing import Any

import pytest
from sqlmodel import Session

from server.core.model.effects import Evidence
from server.paths import asset_folder
from server.services.analysis import analyse
from server.services.decisions import Decisions
from server.services.demo import load_demo
from server.services.massbalance import chemistry_of
from server.services.runs import record_run
from server.storage import questions


def test_the_demo_tells_its_story(session: Session) -> None:
    assert load_demo(session, asset_folder("seed_runs")) == ["Pear-drop ester", "Copper ammine crystals"]
    ester = questions.find_preparation_named(session, "Pear-drop ester")
    assert ester is not None
    analysis = analyse(session, int(ester.id or 0))
    finished = [r for r in analysis.runs if r.row.state == "finished"]
    assert len(finished) == 9
    assert sum(r.row.excluded_reason is not None for r in finished) == 1
    assert sum(r.row.outcome == "failure" for r in finished) == 1
    assert analysis.knowable.n_repeats == 2
    evidence = {e.name: e.evidence for e in analysis.effects}
    # Eight runs moved six variables, one a choice: too few for anything to be clear.
    assert evidence["reflux hold"] is Evidence.LIKELY
    assert [name for name, e in evidence.items() if e is Evidence.CANNOT_TELL] == ["catalyst loading", "drying agent"]
    (under_way,) = [r for r in analysis.runs if r.row.state == "under_way"]
    assert under_way.row.forecast is not None
    decisions = Decisions(analysis)
    record = decisions.record()
    assert record is not None
    # Run 7 is excluded, so its forecast is not judged.
    assert [o.run_number for o in record.outcomes] == [5, 8, 9]
    assert set(decisions.savings) >= {"hours", "cost"}
    assert "3-methylbutan-1-ol runs out first" in decisions.runs_left(date(2026, 12, 1)).sentence
    assert analysis.space.is_reachable(analysis.proposal().settings)
    balance = chemistry_of(session, ester, analysis.runs[0]).balance
    assert balance is not None
    assert "theory and crude layer" in balance.sentence


def test_loading_again_changes_nothing(session: Session) -> None:
    load_demo(session, asset_folder("seed_runs"))
    before = [(p.id, p.revision, p.last_run_number) for p in questions.list_preparations(session)]
    assert load_demo(session, asset_folder("seed_runs")) == []
    assert [(p.id, p.revision, p.last_run_number) for p in questions.list_preparations(session)] == before


def test_a_demo_that_was_broken_off_is_begun_anew_and_one_that_was_renamed_stays(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain, calls = record_run, []

    def broken(*asked: Any, **more: Any) -> Any:
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return plain(*asked, **more)

    monkeypatch.setattr("server.services.demo.record_run", broken)
    with pytest.raises(KeyboardInterrupt):
        load_demo(session, asset_folder("seed_runs"))
    monkeypatch.setattr("server.services.demo.record_run", plain)
    load_demo(session, asset_folder("seed_runs"))
    assert sorted(p.name for p in questions.list_preparations(session)) == ["Copper ammine crystals", "Pear-drop ester"]
    ester = questions.find_preparation_named(session, "Pear-drop ester")
    assert ester is not None
    assert len(questions.list_runs(session, int(ester.id or 0))) == 10
    ester.name = "My ester"
    session.commit()
    assert load_demo(session, asset_folder("seed_runs")) == []


def test_days_of_the_demo_move_with_the_calendar(session: Session) -> None:
    load_demo(session, asset_folder("seed_runs"), today=date(2021, 3, 2))
    ester = questions.find_preparation_named(session, "Pear-drop ester")
    assert ester is not None
    made = [date.fromisoformat(r.made_on) for r in questions.list_runs(session, int(ester.id or 0)) if r.made_on is not None]
    # Three days after the last run, as in the seed, and ninety before the end.
    assert (date(2021, 3, 2) - max(made)).days == 3
    assert ester.finish_by is not None
    assert (date.fromisoformat(ester.finish_by) - date(2021, 3, 2)).days == 90
    # What was weighed for the run under way is not quite what was planned.
    analysis = analyse(session, int(ester.id or 0))
    (under_way,) = [r for r in analysis.runs if r.row.state == "under_way"]
    found = chemistry_of(session, ester, under_way)
    # By hand: 36.0 g · 0.997 / 60.052 g/mol and 0.56 g · 0.96 / 98.07 g/mol (in mol%), over 18.1 g · 0.985 / 88.150 g/mol.
    assert [round(a.value, 2) for a in found.as_weighed] == [2.96, 2.71]
    assert all(a.differs_from(under_way.settings[a.variable]) for a in found.as_weighed)
