"""The JSON API: the same services as the pages, for scripts."""

from __future__ import annotations

import math
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Response
from pydantic import BaseModel

from server.core.chemistry.drying import advise_drying
from server.core.choose.proposal import MOST_AT_ONCE, Proposal, Purpose
from server.core.course.fitting import Range
from server.core.model.curves import Curve
from server.core.model.effects import Effect
from server.core.model.stagewise import FEWEST_RUNS_OF_STAGE, Stretch
from server.core.space.variables import Setting
from server.errors import ConflictError, InvalidInputError, NotReadyError
from server.services import charges, checkpoints, courses, notebook, preparations, readings, runs, variables
from server.services.analysis import Analysis, analyse
from server.services.decisions import COST, HOURS, NO_RECORD, Decisions, RunNeeds, forecast_by_hand, judge_plans
from server.services.inputs import (
    ChangedPlanInput,
    CheckpointInput,
    ExclusionInput,
    FinishedRunInput,
    ForecastInput,
    LimitInput,
    MaterialInput,
    NotebookInput,
    PlannedRunInput,
    PreparationInput,
    ReadingImportInput,
    ReadingInput,
    ReadingsInput,
    ShapeInput,
    SoFarInput,
    StartInput,
    StateInput,
    VariableInput,
    WeighedInput,
)
from server.services.massbalance import chemistry_of
from server.services.numbers import LARGEST, SMALLEST
from server.services.scales import check_scale
from server.services.spaces import rule_of, space_of
from server.services.stock import supply_of
from server.storage import questions
from server.storage.tables import CheckpointRow, LimitRow, MaterialRow, PreparationRow, ReadingRow, RunRow, VariableRow
from server.web.api.models import (
    PROBLEM_SCHEMA,
    AsWeighedAnswer,
    BroughtInAnswer,
    BudgetLineAnswer,
    ChangeAnswer,
    ChargeAnswer,
    ChargeLineAnswer,
    CheckpointAnswer,
    CourseAnswer,
    CrossAnswer,
    CurveAnswer,
    CurvePointAnswer,
    DryingAnswer,
    EffectAnswer,
    EffectsAnswer,
    ForecastAnswer,
    FrontPointAnswer,
    HoldAtAnswer,
    LeftAsItWasAnswer,
    LeftOutAnswer,
    LimitAnswer,
    MassBalanceAnswer,
    MaterialAnswer,
    NeedsAnswer,
    OutcomeAnswer,
    PreparationAnswer,
    ProposalAnswer,
    QuestionAnswer,
    RangeAnswer,
    RatesAnswer,
    ReadingAnswer,
    ReadingsBroughtInAnswer,
    RecordAnswer,
    RunAnswer,
    SimplerRunAnswer,
    StageRecoveryAnswer,
    StagesAnswer,
    StockAnswer,
    StopAdviceAnswer,
    StretchAnswer,
    TableColumnAnswer,
    TablePreviewAnswer,
    TableRowAnswer,
    ToleranceAnswer,
    TradeOffAnswer,
    VariableAnswer,
    WeighedAnswer,
    WeighedListAnswer,
    WindowLineAnswer,
    WorkingRecipeAnswer,
)
from server.web.dependencies import Id, OpenWriter, ReadSession, Seen, WriteSession, refuse_unknown_parameters
from server.web.forms import is_outdated, stamp

_WHAT_WENT_WRONG = {
    400: "A body that is no JSON, or a name that is not this machine's.",
    403: "A change that was sent from another site.",
    404: "Not there (any more).",
    409: "Not ready, or changed meanwhile.",
    413: "More than can be sent at once.",
    422: "Input that cannot be used, or that needs a confirmation.",
    503: "Something large is being stored, or the disk cannot be written; try again.",
}
PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {"description": words, "content": {"application/problem+json": {"schema": PROBLEM_SCHEMA}}}
    for status, words in _WHAT_WENT_WRONG.items()
}
# Above 0, and such that numbers stay finite. [mol]
Scale = Annotated[float | None, Query(ge=SMALLEST, le=LARGEST)]
router = APIRouter(responses=PROBLEMS, dependencies=[Depends(refuse_unknown_parameters)])


def preparation_answer(row: PreparationRow) -> PreparationAnswer:
    """A preparation as it is answered."""
    typed = preparations.as_input(row)
    kept = row.model_dump(include=set(PreparationAnswer.model_fields))
    return PreparationAnswer(**kept, new_ground_percent=typed.new_ground_percent, stamp=stamp(typed))


def refuse_outdated(seen: str | None, stored: BaseModel, what: str) -> None:
    """Raise ConflictError where the stored values have another stamp than ``seen``."""
    if is_outdated(seen, stored):
        raise ConflictError(f"{what} was changed since it was read; read it again, then send the change with its new stamp.")


def _variable(row: VariableRow) -> VariableAnswer:
    values = row.model_dump(exclude={"base_number", "base_choice", "position", "preparation_id"})
    if row.role == "choice":
        values.update(low=None, high=None)
    base: float | str = row.base_choice if row.base_choice is not None else float(row.base_number or 0.0)
    return VariableAnswer(**values, base=base, stamp=stamp(variables.as_input(row)))


def _named(analysis: Analysis, settings: Any) -> dict[str, Setting]:
    return {v.name: settings[v.key] for v in analysis.space.variables}


# What a run is answered with as it is stored; theory is that which counts.
_AS_STORED = set(RunAnswer.model_fields) & set(RunRow.model_fields) - {"theory_g", "theory_source"}


def _run(analysis: Analysis, view: runs.RunView) -> RunAnswer:
    row = view.row
    return RunAnswer(
        **row.model_dump(include=_AS_STORED),
        settings=_named(analysis, view.settings),
        planned_settings=_named(analysis, view.planned),
        yield_percent=view.run_yield.percent if view.run_yield and row.outcome != "no_information" else None,
        modelled_percent=None if view.percent is None else view.as_modelled[0],
        yield_u=view.run_yield.u if view.run_yield and view.run_yield.budget else None,
        yield_budget=[BudgetLineAnswer.model_validate(b) for b in view.run_yield.budget] if view.run_yield else [],
        theory_g=view.theory_g,
        theory_source=view.theory_source,
        counts=view.counts,
    )


def _run_by_id(session: ReadSession, run_id: int) -> RunAnswer:
    analysis = analyse(session, questions.get_run(session, run_id).preparation_id)
    return _run(analysis, next(r for r in analysis.runs if r.row.id == run_id))


@router.get("/preparations", tags=["preparations"])
def list_preparations(session: ReadSession, archived: bool = False, search: str = "") -> list[PreparationAnswer]:
    """List preparations by name."""
    rows = questions.list_preparations(session, archived=archived, containing=search)
    return [preparation_answer(row) for row in rows]


@router.post("/preparations", status_code=201, tags=["preparations"])
def create_preparation(data: PreparationInput, session: WriteSession) -> PreparationAnswer:
    """Create a preparation."""
    return preparation_answer(preparations.create_preparation(session, data))


@router.get("/preparations/{preparation_id}", tags=["preparations"])
def get_preparation(preparation_id: Id, session: ReadSession) -> PreparationAnswer:
    """Return a preparation."""
    return preparation_answer(questions.get_preparation(session, preparation_id))


@router.put("/preparations/{preparation_id}", tags=["preparations"])
def update_preparation(preparation_id: Id, data: PreparationInput, session: WriteSession, seen: Seen = None) -> PreparationAnswer:
    """Replace a preparation's own fields; with ``seen``, only if its stamp is still that."""
    row = questions.get_preparation(session, preparation_id)
    refuse_outdated(seen, preparations.as_input(row), row.name)
    return preparation_answer(preparations.update_preparation(session, preparation_id, data))


@router.post("/preparations/{preparation_id}/duplicate", status_code=201, tags=["preparations"])
def duplicate_preparation(preparation_id: Id, session: WriteSession) -> PreparationAnswer:
    """Start a new preparation from this one, without its runs."""
    return preparation_answer(preparations.duplicate_preparation(session, preparation_id))


@router.get("/preparations/{preparation_id}/variables", tags=["variables"])
def list_variables(preparation_id: Id, session: ReadSession) -> list[VariableAnswer]:
    """List the variables of a preparation."""
    questions.get_preparation(session, preparation_id)
    return [_variable(row) for row in questions.list_variables(session, preparation_id)]


@router.post("/preparations/{preparation_id}/variables", status_code=201, tags=["variables"])
def add_variable(preparation_id: Id, data: VariableInput, session: WriteSession) -> VariableAnswer:
    """Add a variable."""
    return _variable(variables.add_variable(session, preparation_id, data))


@router.get("/variables/{variable_id}", tags=["variables"])
def get_variable(variable_id: Id, session: ReadSession) -> VariableAnswer:
    """Return a variable."""
    return _variable(questions.get_variable(session, variable_id))


@router.put("/variables/{variable_id}", tags=["variables"])
def update_variable(variable_id: Id, data: VariableInput, session: WriteSession, seen: Seen = None) -> VariableAnswer:
    """Replace a variable; with ``seen``, only if its stamp is still that."""
    row = questions.get_variable(session, variable_id)
    refuse_outdated(seen, variables.as_input(row), row.name)
    return _variable(variables.update_variable(session, variable_id, data))


@router.post("/variables/{variable_id}/up", tags=["variables"])
def move_variable_up(variable_id: Id, session: WriteSession) -> VariableAnswer:
    """Let a variable change places with the one before it."""
    return _variable(variables.move_variable_up(session, variable_id))


@router.delete("/variables/{variable_id}", status_code=204, tags=["variables"])
def delete_variable(
    variable_id: Id, session: WriteSession, seen: Seen = None, confirm: Annotated[tuple[str, ...], Query()] = ()
) -> Response:
    """Remove a variable with its settings in all runs; with ``seen``, only if its stamp is still that.

    Rules that name it go along, which needs ``confirm=rules_go``; the history keeps what they were.
    """
    row = questions.get_variable(session, variable_id)
    refuse_outdated(seen, variables.as_input(row), row.name)
    variables.delete_variable(session, variable_id, confirm)
    return Response(status_code=204)


def _limit(session: ReadSession, row: LimitRow) -> LimitAnswer:
    space = space_of(questions.list_variables(session, row.preparation_id), [])
    rule = rule_of(row, {v.key: v for v in space.variables})
    return LimitAnswer(id=int(row.id or 0), kind=row.kind, text=rule.text if rule else "", details=row.details)


@router.get("/preparations/{preparation_id}/limits", tags=["variables"])
def list_limits(preparation_id: Id, session: ReadSession) -> list[LimitAnswer]:
    """List the rules over variables."""
    questions.get_preparation(session, preparation_id)
    return [_limit(session, row) for row in questions.list_limits(session, preparation_id)]


@router.post("/preparations/{preparation_id}/limits", status_code=201, tags=["variables"])
def add_limit(preparation_id: Id, data: LimitInput, session: WriteSession) -> LimitAnswer:
    """Add a rule over variables."""
    return _limit(session, variables.add_limit(session, preparation_id, data))


@router.delete("/limits/{limit_id}", status_code=204, tags=["variables"])
def delete_limit(limit_id: Id, session: WriteSession) -> Response:
    """Remove a rule."""
    variables.delete_limit(session, limit_id)
    return Response(status_code=204)


@router.get("/preparations/{preparation_id}/materials", tags=["charge"])
def list_materials(preparation_id: Id, session: ReadSession) -> list[MaterialAnswer]:
    """List the materials of the charge."""
    questions.get_preparation(session, preparation_id)
    return [_material(row) for row in questions.list_materials(session, preparation_id)]


def _material(row: MaterialRow) -> MaterialAnswer:
    return MaterialAnswer(**row.model_dump(include=set(MaterialAnswer.model_fields)), stamp=stamp(charges.as_input(row)))


@router.post("/preparations/{preparation_id}/materials", status_code=201, tags=["charge"])
def add_material(preparation_id: Id, data: MaterialInput, session: WriteSession) -> MaterialAnswer:
    """Add a material."""
    return _material(charges.add_material(session, preparation_id, data))


@router.get("/materials/{material_id}", tags=["charge"])
def get_material(material_id: Id, session: ReadSession) -> MaterialAnswer:
    """Return a material of the charge."""
    return _material(questions.get_material(session, material_id))


@router.put("/materials/{material_id}", tags=["charge"])
def update_material(material_id: Id, data: MaterialInput, session: WriteSession, seen: Seen = None) -> MaterialAnswer:
    """Replace a material; with ``seen``, only if its stamp is still that."""
    row = questions.get_material(session, material_id)
    refuse_outdated(seen, charges.as_input(row), row.name)
    return _material(charges.update_material(session, material_id, data))


@router.post("/materials/{material_id}/up", tags=["charge"])
def move_material_up(material_id: Id, session: WriteSession) -> MaterialAnswer:
    """Let a material change places with the one before it."""
    return _material(charges.move_material_up(session, material_id))


@router.delete("/materials/{material_id}", status_code=204, tags=["charge"])
def delete_material(material_id: Id, session: WriteSession, seen: Seen = None) -> Response:
    """Remove a material; with ``seen``, only if its stamp is still that."""
    row = questions.get_material(session, material_id)
    refuse_outdated(seen, charges.as_input(row), row.name)
    charges.delete_material(session, material_id)
    return Response(status_code=204)


@router.get("/preparations/{preparation_id}/charge", tags=["charge"])
def get_charge(preparation_id: Id, session: ReadSession, scale_mol: float | None = None) -> ChargeAnswer:
    """Work out what to weigh at the base recipe, at the base scale unless ``scale_mol`` is given."""
    preparation = questions.get_preparation(session, preparation_id)
    rows = questions.list_materials(session, preparation_id)
    space = space_of(questions.list_variables(session, preparation_id), [])
    scale = scale_mol if scale_mol is not None else preparation.base_scale_mol or 1.0
    if not math.isfinite(scale):
        raise InvalidInputError({"scale_mol": "Enter a number above 0."})
    return _charge(charges.make_charge(preparation, rows, space.base, scale))


@router.get("/runs/{run_id}/charge", tags=["charge"])
def get_charge_of_run(run_id: Id, session: ReadSession) -> ChargeAnswer:
    """Return what to weigh for a run as it was planned; a finished run keeps the charge that it was made with."""
    preparation, view = runs.view_run(session, run_id)
    planned = chemistry_of(session, preparation, view).planned
    if planned is None:
        raise NotReadyError("A charge needs materials, and a scale of the run or of the preparation.", have=0, need=1)
    return _charge(planned)


def _charge(charge: charges.Charge) -> ChargeAnswer:
    lines = [
        ChargeLineAnswer(
            name=line.material.name,
            role=line.material.role,
            portions=line.material.portions,
            moles=line.moles,
            mass_g=line.mass_g,
            rounded_g=charge.rounded_g.get(line.material.key),
            volume_ml=line.volume_ml,
            taken_after=line.material.taken_after,
            share=line.material.share,
        )
        for line in charge.lines
    ]
    return ChargeAnswer(
        scale_mol=charge.scale_mol,
        lines=lines,
        limiting=charge.theory.limiting.name if charge.theory else None,
        theoretical_yield_g=charge.theory.mass_g if charge.theory else None,
        atom_economy_percent=charge.atom_economy_percent,
        problems=list(charge.problems),
    )


@router.get("/preparations/{preparation_id}/stock", tags=["charge"])
def get_stock(preparation_id: Id, session: ReadSession) -> list[StockAnswer]:
    """Say what is left of the materials that were counted, beside what planned runs will take."""
    preparation = questions.get_preparation(session, preparation_id)
    supply = supply_of(session, preparation, runs.view_runs(session, preparation))
    return [
        StockAnswer(
            material_id=int(m.id or 0),
            material=m.name,
            counted_g=one.counted_g,
            counted_at=m.stock_at,
            taken_g=one.taken_g,
            reserved_g=one.reserved_g,
            free_g=one.free_g,
        )
        for m in supply.materials
        if (one := supply.left.get(str(m.id))) is not None
    ]


@router.get("/drying-advice", tags=["charge"])
def get_drying_advice(agent: str, water_g: float, excess: float = 3.0) -> DryingAnswer:
    """Say how much of a drying agent takes up so much water; ``excess`` is the multiple of the least amount."""
    given = {"water_g": water_g, "excess": excess}
    if messages := {name: "Enter a number above 0." for name, value in given.items() if not math.isfinite(value)}:
        raise InvalidInputError(messages)
    found = advise_drying(agent, water_g, excess)
    cautions = [f"{words} ({source})" for words, source in found.agent.cautions]
    return DryingAnswer(agent=found.agent.name, least_g=found.least_g, suggested_g=found.suggested_g, cautions=cautions)


@router.post("/preparations/{preparation_id}/renew-theory", tags=["charge"])
def renew_theory(preparation_id: Id, session: WriteSession) -> list[int]:
    """Give all finished runs the theoretical yield that today's charge gives them, all or none; returns their numbers."""
    return runs.renew_theories(session, preparation_id)


@router.get("/preparations/{preparation_id}/history", tags=["preparations"])
def list_changes(
    preparation_id: Id, session: ReadSession, run_number: Annotated[int | None, Query(ge=1, le=10**9)] = None
) -> list[ChangeAnswer]:
    """List what was changed, newest first: of the preparation, or of one of its runs."""
    questions.get_preparation(session, preparation_id)
    return [ChangeAnswer.model_validate(row) for row in questions.list_changes(session, preparation_id, run_number)]


@router.get("/preparations/{preparation_id}/runs", tags=["runs"])
def list_runs(preparation_id: Id, session: ReadSession) -> list[RunAnswer]:
    """List the runs by number."""
    analysis = analyse(session, preparation_id)
    return [_run(analysis, view) for view in analysis.runs]


@router.post("/preparations/{preparation_id}/runs", status_code=201, tags=["runs"])
def record_run(preparation_id: Id, data: FinishedRunInput, session: WriteSession) -> RunAnswer:
    """Enter a run as it was made."""
    run = runs.record_run(session, preparation_id, data)
    return _run_by_id(session, int(run.id or 0))


@router.post("/preparations/{preparation_id}/runs/import", status_code=201, tags=["runs"])
def import_runs(preparation_id: Id, data: NotebookInput, session: WriteSession) -> BroughtInAnswer:
    """Store past runs from a table of cells, all or none; runs that are here already are left out."""
    found = notebook.import_runs(session, preparation_id, data)
    left_out = [LeftOutAnswer(row=number, reason=reason) for number, reason in found.left_out]
    return BroughtInAnswer(numbers=list(found.numbers), left_out=left_out)


@router.post("/preparations/{preparation_id}/runs/import/preview", tags=["runs"])
def preview_import(preparation_id: Id, data: NotebookInput, session: WriteSession) -> TablePreviewAnswer:
    """Say how the rows of a table would be stored and what that needs a yes to; stores nothing."""
    book = notebook.look_at(session, preparation_id, data)
    names = {v.key: v.name for v in book.space.variables}
    words: dict[str, list[str]] = {}
    for one in book.words:
        if not one.option:
            words.setdefault(one.variable.name, []).append(one.word)
    return TablePreviewAnswer(
        heading_row=book.heading_row,
        columns=[
            TableColumnAnswer(position=c.position, heading=c.heading, meaning=c.meaning, unit=c.unit, asks_unit=c.asks_unit)
            for c in book.columns
        ],
        rows=[
            TableRowAnswer(
                row=r.number,
                settings={names[key]: value for key, value in r.settings.items()},
                made_on=r.day,
                yield_percent=r.percent,
                outcome=r.outcome,
                scale_mol=r.scale_mol,
                weighed=list(r.weighed),
                remarks=list(r.remarks),
                problems=list(r.problems),
                left_out=r.left_out,
            )
            for r in book.rows
        ],
        unknown_words=words,
        variables_without_column=[v.name for v in book.missing],
        questions=[
            QuestionAnswer(field=q.field, message=q.message, answers=[code for code, _ in q.choices]) for q in book.questions
        ],
    )


@router.post("/preparations/{preparation_id}/planned-runs", status_code=201, tags=["runs"])
def plan_run(
    preparation_id: Id, data: PlannedRunInput, session: ReadSession, writer: OpenWriter, purpose: Purpose | None = None
) -> RunAnswer:
    """Plan a run; its forecast is kept, and its purpose where it accepts a proposal of the app's."""
    analysis = analyse(session, preparation_id)
    judged = [(data, None, forecast_by_hand(analysis, data))] if purpose is None else judge_plans(analysis, [data], purpose)
    with writer() as writing:
        run_id = int(runs.plan_runs(writing, preparation_id, judged)[0].id or 0)
        return _run_by_id(writing, run_id)


@router.post("/preparations/{preparation_id}/planned-runs/several", status_code=201, tags=["runs"])
def plan_several(
    preparation_id: Id, data: list[PlannedRunInput], session: ReadSession, writer: OpenWriter, purpose: Purpose = Purpose.RAISE
) -> list[RunAnswer]:
    """Plan runs to be made side by side, all or none, each with its forecast; stock has to reach for all of them."""
    judged = judge_plans(analyse(session, preparation_id), data, purpose)
    with writer() as writing:
        planned = {int(run.id or 0) for run in runs.plan_runs(writing, preparation_id, judged)}
        analysis = analyse(writing, preparation_id)
        return [_run(analysis, view) for view in analysis.runs if view.row.id in planned]


@router.put("/runs/{run_id}/plan", tags=["runs"])
def change_plan(run_id: Id, data: ChangedPlanInput, session: ReadSession, writer: OpenWriter) -> RunAnswer:
    """Plan a run otherwise that was not begun yet; with other settings it gets another forecast. What is not named stays."""
    analysis = analyse(session, questions.get_run(session, run_id).preparation_id)
    forecast = forecast_by_hand(analysis, data)
    with writer() as writing:
        runs.change_plan(writing, run_id, data, forecast)
        return _run_by_id(writing, run_id)


@router.put("/runs/{run_id}/so-far", tags=["runs"])
def keep_so_far(run_id: Id, data: SoFarInput, session: WriteSession) -> RunAnswer:
    """Keep settings as run, day, lot, who made it, scale and notes of a run that has no result yet; what is not named stays."""
    runs.keep_so_far(session, run_id, data)
    return _run_by_id(session, run_id)


@router.get("/runs/{run_id}", tags=["runs"])
def get_run(run_id: Id, session: ReadSession) -> RunAnswer:
    """Return a run."""
    return _run_by_id(session, run_id)


@router.put("/runs/{run_id}", tags=["runs"])
def update_run(run_id: Id, data: FinishedRunInput, session: WriteSession) -> RunAnswer:
    """Enter the result of a planned run, or correct a finished one; what is not named beside the settings stays as it is."""
    row = questions.get_run(session, run_id)
    runs.record_run(session, row.preparation_id, data, run_id=run_id)
    return _run_by_id(session, run_id)


@router.delete("/runs/{run_id}", status_code=204, tags=["runs"])
def delete_run(run_id: Id, session: WriteSession, revision: int | None = None) -> Response:
    """Delete a run that should never have been entered; with ``revision``, only if the run still has it."""
    runs.delete_run(session, run_id, revision)
    return Response(status_code=204)


@router.put("/runs/{run_id}/exclusion", tags=["runs"])
def exclude_run(run_id: Id, data: ExclusionInput, session: WriteSession) -> RunAnswer:
    """Exclude a run from the models, with the reason; with ``revision``, only if the run still has it."""
    runs.exclude_run(session, run_id, data.reason, data.revision)
    return _run_by_id(session, run_id)


@router.delete("/runs/{run_id}/exclusion", tags=["runs"])
def include_run(run_id: Id, session: WriteSession, revision: int | None = None) -> RunAnswer:
    """Take an excluded run back; with ``revision``, only if the run still has it."""
    runs.exclude_run(session, run_id, None, revision)
    return _run_by_id(session, run_id)


@router.put("/runs/{run_id}/state", tags=["runs"])
def set_state(run_id: Id, data: StateInput, session: WriteSession) -> RunAnswer:
    """Start or abandon a run, or take it back to planned; a result finishes it. With ``revision``, only if it still has it."""
    runs.set_state(session, run_id, data.state, data.revision)
    return _run_by_id(session, run_id)


@router.get("/runs/{run_id}/checkpoints", tags=["runs"])
def list_checkpoints(run_id: Id, session: ReadSession) -> list[CheckpointAnswer]:
    """List the checkpoints of a run."""
    questions.get_run(session, run_id)
    return [_checkpoint(row) for row in questions.list_checkpoints(session, run_id)]


def _checkpoint(row: CheckpointRow) -> CheckpointAnswer:
    values = row.model_dump(include=set(CheckpointAnswer.model_fields))
    return CheckpointAnswer(**values, stamp=stamp(checkpoints.as_input(row)))


@router.get("/checkpoints/{checkpoint_id}", tags=["runs"])
def get_checkpoint(checkpoint_id: Id, session: ReadSession) -> CheckpointAnswer:
    """Return a checkpoint."""
    return _checkpoint(questions.get_checkpoint(session, checkpoint_id))


@router.put("/checkpoints/{checkpoint_id}", tags=["runs"])
def update_checkpoint(checkpoint_id: Id, data: CheckpointInput, session: WriteSession, seen: Seen = None) -> CheckpointAnswer:
    """Correct a checkpoint; with ``seen``, only if its stamp is still that."""
    row = questions.get_checkpoint(session, checkpoint_id)
    refuse_outdated(seen, checkpoints.as_input(row), f"Checkpoint {row.name}")
    return _checkpoint(checkpoints.update_checkpoint(session, checkpoint_id, data))


@router.delete("/checkpoints/{checkpoint_id}", status_code=204, tags=["runs"])
def delete_checkpoint(checkpoint_id: Id, session: WriteSession, seen: Seen = None) -> Response:
    """Remove a checkpoint; with ``seen``, only if its stamp is still that."""
    row = questions.get_checkpoint(session, checkpoint_id)
    refuse_outdated(seen, checkpoints.as_input(row), f"Checkpoint {row.name}")
    checkpoints.delete_checkpoint(session, checkpoint_id)
    return Response(status_code=204)


@router.post("/runs/{run_id}/checkpoints", status_code=201, tags=["runs"])
def add_checkpoint(run_id: Id, data: CheckpointInput, session: WriteSession) -> CheckpointAnswer:
    """Add a checkpoint to a run, behind those of its stage and of earlier ones."""
    return _checkpoint(checkpoints.add_checkpoint(session, run_id, data))


@router.get("/runs/{run_id}/weighed", tags=["runs"])
def get_weighed(run_id: Id, session: ReadSession) -> WeighedListAnswer:
    """Return what was weighed for a run, and the settings that follow from it."""
    preparation, view = runs.view_run(session, run_id)
    found = chemistry_of(session, preparation, view)
    materials = questions.list_materials(session, view.row.preparation_id)
    names = {v.id: v.name for v in questions.list_variables(session, view.row.preparation_id)}
    amounts = [
        WeighedAnswer(material_id=m.id or 0, material=m.name, mass_g=note.mass_g, volume_ml=note.volume_ml)
        for m in materials
        if (note := found.weighed.get(m.id or 0)) is not None
    ]
    settings = [
        AsWeighedAnswer(
            variable=names[int(a.variable)],
            as_weighed=a.value,
            setting=float(view.settings[a.variable]),
            reference=a.reference,
        )
        for a in found.as_weighed
    ]
    return WeighedListAnswer(amounts=amounts, settings=settings)


@router.put("/runs/{run_id}/weighed", tags=["runs"])
def note_weighed(
    run_id: Id,
    data: list[WeighedInput],
    session: WriteSession,
    confirm: Annotated[list[str] | None, Query()] = None,
    revision: int | None = None,
) -> WeighedListAnswer:
    """Note what was weighed; materials that are not named keep what was noted.

    With ``revision``, only if the run still has it.
    """
    amounts = {w.material_id: (w.mass_g, w.volume_ml) for w in data}
    if len(amounts) < len(data):
        raise InvalidInputError({"material_id": "A material is named twice. Send one amount for each."})
    runs.note_weighed(session, run_id, amounts, revision=revision, confirm=confirm or ())
    return get_weighed(run_id, session)


@router.post("/runs/{run_id}/start", tags=["readings"])
def start_run(run_id: Id, session: WriteSession, data: StartInput | None = None) -> RunAnswer:
    """Start the clock of a run now, or set when it began; a planned run is under way then."""
    readings.begin_run(session, run_id, data or StartInput())
    return _run_by_id(session, run_id)


def _reading(row: ReadingRow) -> ReadingAnswer:
    return ReadingAnswer(id=int(row.id or 0), series=row.series, unit=row.unit, at_h=row.at_h, value=row.value, stamp=stamp(row))


@router.get("/runs/{run_id}/readings", tags=["readings"])
def list_readings(run_id: Id, session: ReadSession) -> list[ReadingAnswer]:
    """List the readings of a run by time."""
    questions.get_run(session, run_id)
    return [_reading(row) for row in questions.list_readings(session, run_id)]


@router.post("/runs/{run_id}/readings", status_code=201, tags=["readings"])
def add_reading(run_id: Id, data: ReadingInput, session: WriteSession) -> ReadingAnswer:
    """Note one reading."""
    return _reading(readings.add_reading(session, run_id, data))


@router.post("/runs/{run_id}/readings/import", status_code=201, tags=["readings"])
def import_readings(run_id: Id, data: ReadingsInput, session: ReadSession, writer: OpenWriter) -> ReadingsBroughtInAnswer:
    """Add many readings of one series, all or none; the answer names gaps."""
    how = ReadingImportInput.model_validate(data.model_dump(exclude={"rows"}))
    rows = readings.read_rows(session, run_id, how, data.rows)
    with writer() as writing:
        found = readings.store_rows(writing, rows)
    return ReadingsBroughtInAnswer(count=found.count, notes=list(found.notes))


@router.get("/readings/{reading_id}", tags=["readings"])
def get_reading(reading_id: Id, session: ReadSession) -> ReadingAnswer:
    """Return one reading."""
    return _reading(questions.get_reading(session, reading_id))


@router.put("/readings/{reading_id}", tags=["readings"])
def correct_reading(reading_id: Id, data: ReadingInput, session: WriteSession, seen: Seen = None) -> ReadingAnswer:
    """Correct a reading; with ``seen``, only if its stamp is still that. What it was stays in the history."""
    refuse_outdated(seen, questions.get_reading(session, reading_id), "This reading")
    return _reading(readings.correct_reading(session, reading_id, data))


@router.delete("/readings/{reading_id}", status_code=204, tags=["readings"])
def delete_reading(reading_id: Id, session: WriteSession) -> Response:
    """Remove a reading; what it was stays in the history."""
    readings.delete_reading(session, reading_id)
    return Response(status_code=204)


@router.delete("/runs/{run_id}/readings", status_code=204, tags=["readings"])
def delete_readings(run_id: Id, series: str, session: WriteSession) -> Response:
    """Remove all readings of one series from a run; what they were stays in the history."""
    readings.delete_readings(session, run_id, series)
    return Response(status_code=204)


@router.get("/runs/{run_id}/course", tags=["readings"])
def get_course(run_id: Id, session: ReadSession) -> list[CourseAnswer]:
    """Say what the readings of a run mean for the hold, series by series."""
    run = questions.get_run(session, run_id)
    return [_course(one) for one in courses.series_courses(run, questions.list_points(session, run_id))]


@router.put("/runs/{run_id}/course/{series}/shape", tags=["readings"])
def set_shape(run_id: Id, series: str, data: ShapeInput, session: WriteSession) -> list[CourseAnswer]:
    """Choose the shape of the curve of a series."""
    readings.choose_shape(session, run_id, series, data.shape or "")
    return get_course(run_id, session)


def _course(one: courses.SeriesCourse) -> CourseAnswer:
    advice = one.course.advice if one.course else None

    def ranged(found: Range | None) -> RangeAnswer | None:
        return RangeAnswer.model_validate(found) if found is not None else None

    return CourseAnswer(
        series=one.series.key,
        sentence=advice.sentence if advice else one.problem,
        shape=one.course.fit.form.shape if one.course else None,
        is_too_early=advice.is_too_early if advice else None,
        to_95=ranged(advice.to_95 if advice else None),
        to_99=ranged(advice.to_99 if advice else None),
        best=ranged(advice.best if advice else None),
        rate_per_h=ranged(advice.rate if advice else None),
        plateau=ranged(advice.plateau if advice else None),
    )


@router.get("/preparations/{preparation_id}/rates", tags=["readings"])
def get_rates(preparation_id: Id, session: ReadSession) -> RatesAnswer:
    """Return the activation energy over all runs with readings, and holds at other temperatures."""
    analysis = analyse(session, preparation_id)
    found = courses.rates_of(session, analysis.preparation, analysis.space, analysis.runs)
    fit = found.arrhenius
    holds = [
        HoldAtAnswer(temperature=h.label, hours=h.hours, low=h.low, high=h.high, is_new_ground=h.is_new_ground)
        for h in found.holds
    ]
    return RatesAnswer(
        message=found.problem or found.remark,
        energy=fit.energy if fit else None,
        energy_low=fit.energy_range[0] if fit else None,
        energy_high=fit.energy_range[1] if fit else None,
        holds=holds,
    )


@router.get("/runs/{run_id}/mass-balance", tags=["runs"])
def get_mass_balance(run_id: Id, session: ReadSession) -> MassBalanceAnswer:
    """Say where the product of a run went."""
    preparation, view = runs.view_run(session, run_id)
    found = chemistry_of(session, preparation, view)
    return MassBalanceAnswer(
        sentence=found.balance.sentence if found.balance else found.balance_problem,
        stages=[StageRecoveryAnswer.model_validate(s) for s in found.balance.stages] if found.balance else [],
        yield_on_unrecovered_percent=found.balance.based_on_recovered_percent if found.balance else None,
        process_mass_intensity=found.mass_intensity,
        e_factor=found.e_factor,
    )


@router.get("/preparations/{preparation_id}/effects", tags=["answers"])
def get_effects(preparation_id: Id, session: ReadSession) -> EffectsAnswer:
    """Say which variable moved the yield."""
    analysis = analyse(session, preparation_id)
    message = ""
    effects: tuple[Effect, ...] = ()
    trends: list[str] = []
    try:
        effects = analysis.effects
        trends = analysis.trends
    except NotReadyError as error:
        message = str(error)
    return EffectsAnswer(
        n_runs=analysis.table.n_runs,
        message=message,
        effects=[_effect(e) for e in effects],
        repeatability=analysis.repeatability_sentence,
        repeatability_points=analysis.repeatability[0] if analysis.repeatability else None,
        cannot_be_told=analysis.unknowns,
        trends=trends,
    )


def _effect(e: Effect) -> EffectAnswer:
    return EffectAnswer(
        variable=e.name,
        evidence=e.evidence,
        sentence=e.sentence,
        change=e.change,
        low_50=e.low_50,
        high_50=e.high_50,
        low_90=e.low_90,
        high_90=e.high_90,
        probability_of_sign=e.probability_of_sign,
        from_label=e.from_label,
        to_label=e.to_label,
        cannot_be_told_apart_from=list(e.partners),
    )


@router.get("/preparations/{preparation_id}/response-curves", tags=["answers"])
def get_response_curves(preparation_id: Id, session: ReadSession) -> list[CurveAnswer]:
    """Expected yield along each variable that moved, the others as in the working recipe; empty before there is one."""
    analysis = analyse(session, preparation_id)
    if analysis.working is None:
        return []
    still = analysis.knowable.never_moved
    return [_curve(analysis.curve(j)) for j in range(len(analysis.space.variables)) if j not in still]


def _curve(curve: Curve) -> CurveAnswer:
    points = zip(
        curve.labels, curve.values, curve.mean, curve.low_50, curve.high_50, curve.low_90, curve.high_90, curve.tried, strict=True
    )
    return CurveAnswer(
        variable=curve.variable.name,
        points=[
            CurvePointAnswer(
                setting=label if curve.variable.is_choice else float(value),
                mean=float(mean),
                low_50=float(low_50),
                high_50=float(high_50),
                low_90=float(low_90),
                high_90=float(high_90),
                tried=bool(tried),
            )
            for label, value, mean, low_50, high_50, low_90, high_90, tried in points
        ],
    )


@router.get("/preparations/{preparation_id}/stages", tags=["answers"])
def get_stages(preparation_id: Id, session: ReadSession) -> StagesAnswer:
    """Say where the product is lost, stage by stage over all runs, and what moved each stretch."""
    analysis = analyse(session, preparation_id)
    out = list(analysis.ways.out_of_order)
    found = analysis.stages
    if found is None:
        message = f"It takes checkpoints of the same stage in at least {FEWEST_RUNS_OF_STAGE} runs that gave a yield."
        return StagesAnswer(message=message, sentences=[], complete_runs=[], out_of_order_runs=out, stretches=[])
    return StagesAnswer(
        message="",
        sentences=list(found.sentences),
        complete_runs=list(found.complete),
        out_of_order_runs=out,
        stretches=[_stretch(analysis, s) for s in found.stretches],
        best_cross=_cross(analysis),
    )


def _cross(analysis: Analysis) -> CrossAnswer | None:
    found = analysis.best_cross()
    if found is None:
        return None
    cross, settings = found
    named = _named(analysis, settings)
    return CrossAnswer(
        first_run=cross.first, second_run=cross.second, stage=cross.stage, settings=named, percent=cross.percent, sd=cross.sd
    )


def _stretch(analysis: Analysis, s: Stretch) -> StretchAnswer:
    message, effects = "", []
    try:
        effects = [_effect(e) for e in analysis.stretch_effects(s)]
    except NotReadyError as error:
        message = str(error)
    recovery = s.recovery if s.numbers else None
    return StretchAnswer(
        start=s.start,
        end=s.end,
        runs=list(s.numbers),
        mean_recovery_percent=float(recovery.mean()) if recovery is not None else None,
        lowest_recovery_percent=float(recovery.min()) if recovery is not None else None,
        highest_recovery_percent=float(recovery.max()) if recovery is not None else None,
        mean_loss_points=s.lost if s.numbers else None,
        share_of_differences=s.share,
        share_low=s.share_low,
        share_high=s.share_high,
        message=message,
        effects=effects,
    )


@router.get("/preparations/{preparation_id}/proposal", tags=["answers"])
def get_proposal(
    preparation_id: Id, session: ReadSession, purpose: Purpose = Purpose.RAISE, saving: str = HOURS, scale_mol: Scale = None
) -> ProposalAnswer:
    """Propose the next run; stores nothing. ``saving`` and ``scale_mol`` are as for several."""
    return get_proposals(preparation_id, session, purpose, 1, saving, scale_mol)[0]


@router.post("/preparations/{preparation_id}/forecast", tags=["answers"])
def get_forecast(preparation_id: Id, data: ForecastInput, session: ReadSession) -> ProposalAnswer:
    """Forecast settings of your own; stores nothing. ``broken_limits`` says which hard limits and rules they break."""
    analysis = analyse(session, preparation_id)
    if not analysis.has_variables:
        raise NotReadyError("A forecast needs at least one variable.", have=0, need=1)
    settings = runs.read_settings(analysis.space, data.settings)
    scale = check_scale(data.scale_mol)
    proposal = analysis.assess(settings, data.purpose)
    decisions = Decisions(analysis)
    found = _proposal(analysis, proposal, decisions.needs(proposal.settings, scale), decisions.scale_remark(scale))
    at_scale = decisions.limits_at_scale(settings, scale)
    return found.model_copy(update={"broken_limits": analysis.space.broken_limits(settings), "limits_at_scale": at_scale})


def _proposal(analysis: Analysis, found: Proposal, needs: RunNeeds | None, scale_remark: str) -> ProposalAnswer:
    names = {v.key: v.name for v in analysis.space.variables}
    changes = found.changes
    simpler = changes.simpler if changes else None
    return ProposalAnswer(
        purpose=found.purpose,
        settings=_named(analysis, found.settings),
        forecast=ForecastAnswer.model_validate(found.forecast),
        chance_to_beat=found.chance_to_beat,
        reason=found.reason,
        new_ground=list(found.new_ground),
        hold_hours=found.hold_hours,
        is_opening=found.is_opening,
        expected_gain=changes.gain if changes else None,
        simpler=SimplerRunAnswer(settings=_named(analysis, simpler.settings), gain=simpler.gain) if simpler else None,
        left_out=[
            LeftAsItWasAnswer(variable=names[x.key], gain=x.gain, chance_to_beat=x.chance_to_beat)
            for x in (changes.each if changes else ())
        ],
        needs=NeedsAnswer.model_validate(needs) if needs else None,
        scale_remark=scale_remark,
    )


@router.get("/preparations/{preparation_id}/proposals", tags=["answers"])
def get_proposals(
    preparation_id: Id,
    session: ReadSession,
    purpose: Purpose = Purpose.RAISE,
    count: Annotated[int, Query(ge=1, le=MOST_AT_ONCE)] = 1,
    saving: str = HOURS,
    scale_mol: Scale = None,
) -> list[ProposalAnswer]:
    """Propose runs to be made side by side; ``saving`` is hours, cost or material_<id> for the purpose shorten.

    What they need is worked out for the base scale unless ``scale_mol`` is given, one after the other: stock that one
    takes is not there for the next. There are fewer than ``count`` where no further run serves the purpose, or the stock
    (``kept_to_stock``) reaches for no further one.
    """
    analysis = analyse(session, preparation_id)
    decisions = Decisions(analysis)
    if saving != HOURS and saving not in decisions.savings:
        raise InvalidInputError({"saving": f"Choose one of {', '.join(decisions.savings) or HOURS}."})
    burden = decisions.burden(saving, purpose)
    found = analysis.proposals(purpose, count, burden)
    needs, remark = decisions.needs_together([p.settings for p in found], scale_mol), decisions.scale_remark(scale_mol)
    kept = decisions.kept_out
    answers = [_proposal(analysis, p, need, remark) for p, need in zip(found, needs, strict=True)]
    at_scale = [decisions.limits_at_scale(p.settings, scale_mol) for p in found]
    return [
        answer.model_copy(update={"kept_to_stock": kept, "limits_at_scale": broken})
        for answer, broken in zip(answers, at_scale, strict=True)
    ]


@router.get("/preparations/{preparation_id}/stop-advice", tags=["answers"])
def get_stop_advice(preparation_id: Id, session: ReadSession, scale_mol: Scale = None) -> StopAdviceAnswer:
    """Say whether another run is worth its day, and how many are left, at the base scale unless ``scale_mol`` is given."""
    analysis = analyse(session, preparation_id)
    decisions = Decisions(analysis)
    today = preparations.today()
    advice, left = decisions.advice(today, scale_mol), decisions.runs_left(today, scale_mol)
    return StopAdviceAnswer(
        message=decisions.verdict(today, scale_mol) or "There is no working recipe yet that a run could beat.",
        next_one=advice.next_one if advice else None,
        next_five=advice.next_five if advice else None,
        anywhere=advice.anywhere if advice else None,
        can_make=None if advice is None else 0 if left.hindrance else advice.can_make,
        together=None if advice is None else 0.0 if left.hindrance else advice.together,
        aim_chance=advice.aim_chance if advice else None,
        hindrance=left.hindrance,
        gain=analysis.preparation.worthwhile_gain,
        worth_it=advice.worth_it and not left.hindrance if advice else None,
        runs_left_by_stock=left.by_stock,
        runs_left_by_date=left.by_date,
        kept_to_stock=decisions.kept_out,
    )


@router.get("/preparations/{preparation_id}/tolerance", tags=["answers"])
def get_tolerance(preparation_id: Id, session: ReadSession) -> ToleranceAnswer:
    """Say how far each variable may drift, all together."""
    analysis = analyse(session, preparation_id)
    window = Decisions(analysis).window()
    lines = [
        WindowLineAnswer(
            variable=w.variable.name,
            setting=w.setting,
            low=w.low,
            high=w.high,
            low_end=w.low_end,
            high_end=w.high_end,
            alone_low=w.alone[0] if w.alone else None,
            alone_high=w.alone[1] if w.alone else None,
            other_options=[name for name, _ in w.keeps],
        )
        for w in (window.variables if window else ())
    ]
    return ToleranceAnswer(
        allowed_loss=analysis.preparation.allowed_loss,
        probability=analysis.preparation.window_percent / 100.0,
        reached=window.reached if window else None,
        worst=window.worst if window else None,
        variables=lines,
    )


@router.get("/preparations/{preparation_id}/trade-offs", tags=["answers"])
def get_trade_offs(preparation_id: Id, session: ReadSession) -> list[TradeOffAnswer]:
    """Return the fronts of expected yield against hours and against cost, as far as they exist."""
    analysis = analyse(session, preparation_id)
    decisions = Decisions(analysis)
    fronts = [f for f in (decisions.front(HOURS), decisions.front(COST)) if f is not None]
    return [
        TradeOffAnswer(
            burden=front.burden.name,
            unit=front.burden.unit,
            sentence=front.sentence,
            points=[
                FrontPointAnswer(
                    burden=p.burden, settings=_named(analysis, p.settings), forecast=ForecastAnswer.model_validate(p.forecast)
                )
                for p in front.points
            ],
        )
        for front in fronts
    ]


@router.get("/preparations/{preparation_id}/forecast-record", tags=["answers"])
def get_forecast_record(preparation_id: Id, session: ReadSession) -> RecordAnswer:
    """Return the forecasts that were made before runs, and what came."""
    record = Decisions(analyse(session, preparation_id)).record()
    if record is None:
        return RecordAnswer(message=NO_RECORD, held_50=0, held_90=0, mean_error=None, mean_absolute_error=None, outcomes=[])
    return RecordAnswer(
        message=record.sentence,
        held_50=record.held_50,
        held_90=record.held_90,
        mean_error=record.mean_error,
        mean_absolute_error=record.mean_absolute_error,
        outcomes=[OutcomeAnswer.model_validate(o) for o in record.outcomes],
    )


@router.get("/preparations/{preparation_id}/working-recipe", tags=["answers"])
def get_working_recipe(preparation_id: Id, session: ReadSession) -> WorkingRecipeAnswer:
    """Return the settings that the evidence favours today."""
    analysis = analyse(session, preparation_id)
    working = analysis.working
    if working is None:
        message = "There is no working recipe before a run inside the limits gave a yield."
        return WorkingRecipeAnswer(run_number=None, settings={}, forecast=None, message=message)
    return WorkingRecipeAnswer(
        run_number=working.run_number,
        settings=_named(analysis, working.settings),
        forecast=ForecastAnswer.model_validate(working.forecast),
        message="",
    )
