"""The demo scenario, loaded from seed files through the same services as typed runs."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

from sqlmodel import Session

from server.core.choose.proposal import Purpose
from server.services.charges import add_material
from server.services.checkpoints import add_checkpoint
from server.services.decisions import accept_proposal
from server.services.inputs import (
    CheckpointInput,
    FinishedRunInput,
    LimitInput,
    MaterialInput,
    PlannedRunInput,
    PreparationInput,
    ProcedureInput,
    ReadingImportInput,
    VariableInput,
    validated,
)
from server.services.preparations import create_preparation, log_change
from server.services.readings import import_readings
from server.services.runs import note_weighed, record_run, set_state
from server.services.variables import add_limit, add_variable
from server.services.writeups import set_procedure
from server.storage import questions

# The preparation that the guide walks through.
DEMO = "Pear-drop ester"


def load_demo(session: Session, folder: Path, *, today: date | None = None) -> list[str]:
    """Load every preparation of the folder that was not loaded before, whatever it is called today.

    Parameters
    ----------
    folder : Path
        Holds one ``*.json`` per preparation; variables, materials and limits in it
        refer to each other by name. Its days move along with its ``as_of``, the day on
        which it is meant to be looked at.
    today : date or None
        The day of the computer where None.

    Returns
    -------
    names : list of str
        Names of the preparations that were loaded now.
    """
    loaded = []
    for path in sorted(folder.glob("*.json")):
        content = json.loads(path.read_text(encoding="utf-8"))
        name, done = content["preparation"]["name"], f"demo {path.stem} loaded"
        if questions.has_change(session, done) or questions.find_preparation_named(session, name):
            continue
        # Every step is stored by itself, so what was broken off is known by a name of its own, and begun anew.
        part = f"{name} (being loaded)"
        if (broken_off := questions.find_preparation_named(session, part)) is not None:
            session.delete(broken_off)
            session.commit()
        moved = _moved_to(content, today or datetime.now().astimezone().date())
        key = load_preparation(session, {**moved, "preparation": {**moved["preparation"], "name": part}})
        questions.get_preparation(session, key).name = name
        log_change(session, key, done)
        session.commit()
        loaded.append(name)
    return loaded


def _moved_to(content: dict[str, Any], today: date) -> dict[str, Any]:
    """The content as if ``as_of`` were today, so that the days that are left do not run out."""
    by = today - date.fromisoformat(content["as_of"])

    def moved(fields: dict[str, Any]) -> dict[str, Any]:
        days: dict[str, Any] = {
            k: (date.fromisoformat(fields[k]) + by).isoformat() for k in ("made_on", "finish_by") if k in fields
        }
        return {**fields, **days}

    runs = [moved(run) for run in content.get("runs", [])]
    return {**content, "preparation": moved(content["preparation"]), "runs": runs}


def load_preparation(session: Session, content: dict[str, Any]) -> int:
    """Create one preparation with everything in ``content``; return its id.

    Raises
    ------
    InvalidInputError
        As for typed input.
    """
    preparation = create_preparation(session, validated(PreparationInput, content["preparation"]))
    key = int(preparation.id or 0)
    ids: dict[str, int] = {}
    for raw in content["variables"]:
        row = add_variable(session, key, validated(VariableInput, raw))
        ids[row.name] = int(row.id or 0)
    for raw in content.get("limits", []):
        add_limit(session, key, _limit(raw, ids))
    materials: dict[str, int] = {}
    for raw in content.get("materials", []):
        named = dict(raw)
        for field in ("ratio_variable", "choice_variable", "count_variable"):
            if field in named:
                named[f"{field}_id"] = ids[named.pop(field)]
        material = add_material(session, key, validated(MaterialInput, named))
        materials[material.name] = int(material.id or 0)
    if "procedure" in content:
        set_procedure(session, key, ProcedureInput(stages=content["procedure"]))
    for raw in content.get("runs", []):
        _load_run(session, key, dict(raw), materials)
    return key


def _limit(raw: dict[str, Any], ids: dict[str, int]) -> Any:
    from pydantic import TypeAdapter

    named = dict(raw)
    if "coefficients" in named:
        named["coefficients"] = {ids[name]: c for name, c in named["coefficients"].items()}
    if "variables" in named:
        named["variables"] = [ids[name] for name in named["variables"]]
    for field in ("variable", "partner"):
        if field in named:
            named[field] = ids[named[field]]
    adapter: TypeAdapter[Any] = TypeAdapter(LimitInput)
    return adapter.validate_python(named)


def _load_run(session: Session, preparation_id: int, raw: dict[str, Any], materials: dict[str, int]) -> None:
    checkpoints = raw.pop("checkpoints", [])
    weighed = raw.pop("weighed", {})
    planned = raw.pop("under_way", False)
    proposed = raw.pop("proposed", None)
    readings = raw.pop("readings", [])
    if proposed:
        # As it was at the bench: the forecast is made and kept before the result is entered.
        plan = accept_proposal(session, preparation_id, PlannedRunInput(settings=raw["settings"]), Purpose(proposed))
        run = record_run(session, preparation_id, validated(FinishedRunInput, raw), run_id=plan.id)
    elif planned:
        run = accept_proposal(session, preparation_id, validated(PlannedRunInput, raw), Purpose.RAISE)
        run = set_state(session, int(run.id or 0), "under_way")
        # Its readings have times of their own; whoever tries the demo starts the clock.
        run.started_at = None
        session.add(run)
    else:
        run = record_run(session, preparation_id, validated(FinishedRunInput, raw))
    run_id = int(run.id or 0)
    if weighed:
        note_weighed(session, run_id, {materials[name]: (mass, None) for name, mass in weighed.items()})
    for series in readings:
        data = ReadingImportInput(series=series["series"], at_unit=series["unit_of_time"])
        import_readings(session, run_id, data, "\n".join(f"{at}\t{value}" for at, value in series["rows"]))
    for checkpoint in checkpoints:
        add_checkpoint(session, run_id, validated(CheckpointInput, checkpoint))
