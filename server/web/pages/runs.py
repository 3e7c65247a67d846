"""Runs: enter, plan, show, exclude, delete, with checkpoints and as-weighed amounts."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from server.charts.stages import stage_recoveries
from server.core.chemistry.balance import MassBalance
from server.core.chemistry.yields import TheoreticalYield
from server.core.space.limits import Space
from server.core.space.variables import STAGE_WORDS, Stage
from server.errors import InvalidInputError, NotFoundError
from server.services.analysis import analyse
from server.services.attachments import ACCEPTED, TAKEN, attach, read_attachment, remove_attachment
from server.services.charges import AsWeighed
from server.services.checkpoints import add_checkpoint, as_input, check_amounts, delete_checkpoint, update_checkpoint
from server.services.decisions import forecast_by_hand
from server.services.inputs import (
    ChangedPlanInput,
    CheckpointInput,
    ExclusionInput,
    FinishedRunInput,
    PlannedRunInput,
    SeenRevision,
    SoFarInput,
    StateInput,
    validated,
)
from server.services.massbalance import Crops, RunChemistry, chemistry_of, crops_of
from server.services.numbers import NumberTextError, read_optional_number
from server.services.preparations import today
from server.services.runs import (
    RunView,
    change_plan,
    check_result,
    delete_run,
    exclude_run,
    has_another_charge_today,
    keep_so_far,
    note_weighed,
    plan_run,
    record_run,
    set_state,
    theory_today,
    view_run,
    view_runs,
)
from server.services.spaces import stored_space
from server.services.vessels import in_words, limits_at_scale, scale_remark, scales_made, variables_of_amounts
from server.services.words import grows_with_scale, plain, setting_text
from server.storage import questions
from server.storage.tables import AttachmentRow, ChangeRow, CheckpointRow, PreparationRow
from server.web.dependencies import Files, Form, Id, OpenWriter, ReadSession, WriteSession
from server.web.forms import STORED, FormState, RawForm, as_text, check_seen, leave_for, stamp, submit
from server.web.pages.common import Figure, Frame, run_status
from server.web.rendering import render, show_logged

router = APIRouter()
_SO_FAR_FIELDS = [f for f in SoFarInput.model_fields if f not in ("settings", "confirm")]
_OF_A_RESULT = (
    *("product_mass_g", "yield_percent", "theoretical_yield_g", "product_mass_u_g"),
    *("purity_percent", "purity_u_percent", "residual_percent", "residual_u_percent"),
)
_RESULT_FIELDS = [f for f in FinishedRunInput.model_fields if f not in ("settings", "confirm")]


@dataclass(frozen=True)
class RunFormPage:
    """Context of the form for a result (``planning`` False) or a plan (True).

    ``theory_today`` is the theoretical yield by today's charge where that of the run differs [g];
    ``at_base_scale`` says of amounts that they are those for the base scale, and what they come to in this run;
    ``lots`` and ``makers`` are those of earlier runs, the newest first;
    ``starts`` are finished runs from whose settings a new one may start, (address, words) each.
    """

    frame: Frame
    form: FormState
    space: Space
    run: RunView | None
    planning: bool
    has_theory: bool
    planned: dict[str, str]
    weighed: dict[str, str]
    theory_today: TheoreticalYield | None
    has_another_charge: bool
    at_base_scale: dict[str, str]
    starts: list[tuple[str, str]]
    lots: list[str]
    makers: list[str]


@dataclass(frozen=True)
class RunPage:
    """Context of a run's page.

    ``as_weighed`` holds name, value as weighed, setting and details of every variable where the two differ;
    ``corrected`` is the checkpoint that the form is for, None for a new one, and ``seen`` its stamp.
    """

    frame: Frame
    run: RunView
    status: str
    settings: list[tuple[str, str, str, bool]]
    chemistry: RunChemistry
    balance: MassBalance | None
    broken: list[str]
    scale_words: list[str]
    figure: Figure | None
    checkpoints: list[CheckpointRow]
    changes: list[tuple[ChangeRow, str]]
    stages: dict[Stage, str]
    act_form: FormState
    exclude_form: FormState
    checkpoint_form: FormState
    corrected: CheckpointRow | None
    seen: str
    weighed_form: FormState
    as_weighed: list[tuple[str, str, str, AsWeighed]]
    material_names: list[tuple[int, str]]
    attachments: list[AttachmentRow]
    attach_form: FormState
    taken: str
    accepted: str
    crops: Crops | None
    left_percent: float | None

    @property
    def crops_differ(self) -> bool:
        """Whether the crops together are another mass than that of the result."""
        mass = self.run.row.product_mass_g
        return self.crops is not None and mass is not None and abs(mass - self.crops.mass_g) > 0.01 * self.crops.mass_g

    @property
    def counted_percent(self) -> float | None:
        """How much of the isolated mass the result counts as product, where crops say otherwise; else None. [%]"""
        row = self.run.row
        if self.crops is None or self.crops_differ or row.product_mass_g is None:
            return None
        purity = 100.0 if row.purity_percent is None else row.purity_percent
        counted = purity * (1.0 - (row.residual_percent or 0.0) / 100.0)
        return counted if abs(counted - self.crops.purity_percent) > 0.01 * self.crops.purity_percent else None


def _run_form(
    request: Request,
    session: ReadSession,
    preparation: PreparationRow,
    run: RunView | None,
    *,
    planning: bool,
    from_weighed: bool = False,
) -> Callable[[FormState, int], Response]:
    """What draws the form again; ``from_weighed`` starts settings at what was weighed where that differs."""

    def redraw(form: FormState, status: int) -> Response:
        assert preparation.id is not None
        space = stored_space(session, preparation.id)
        has_theory = preparation.theoretical_yield_g is not None or bool(
            preparation.product_formula and questions.list_materials(session, preparation.id)
        )
        planned = {v.key: setting_text(v, run.planned[v.key]) for v in space.variables} if run else {}
        found = chemistry_of(session, preparation, run).as_weighed if run and not planning else ()
        weighed = {a.variable: setting_text(space.variable(a.variable), a.value) for a in found}
        if run and from_weighed:
            moved = {f"setting_{a.variable}": as_text(a.value) for a in found if a.differs_from(run.settings[a.variable])}
            form = replace(form, values={**form.values, **moved})
        by_charge = theory_today(session, preparation, run) if run and not planning else None
        is_other = run is not None and not planning and has_another_charge_today(session, preparation, run)
        starts = _starts(session, preparation, planning=planning) if run is None and not form.is_posted else []
        frame = Frame(preparation, "overview")
        earlier = questions.list_runs(session, preparation.id)[::-1]
        lots = list(dict.fromkeys(r.lot for r in earlier if r.lot))
        makers = list(dict.fromkeys(r.made_by for r in earlier if r.made_by))
        page = RunFormPage(
            frame=frame,
            form=form,
            space=space,
            run=run,
            planning=planning,
            has_theory=has_theory,
            planned=planned,
            weighed=weighed,
            theory_today=by_charge,
            has_another_charge=is_other,
            at_base_scale=_at_base_scale(session, preparation, space, run),
            starts=starts,
            lots=lots,
            makers=makers,
        )
        return render(request, "runs/form.html", page, status=status)

    return redraw


def _at_base_scale(session: ReadSession, preparation: PreparationRow, space: Space, run: RunView | None) -> dict[str, str]:
    """By key of a variable that is an amount: at which scale it is asked for, and what was planned at that of the run."""
    base = preparation.base_scale_mol
    if not base:
        return {}
    driving = variables_of_amounts(questions.list_materials(session, int(preparation.id or 0)))
    found = {}
    for v in space.variables:
        if not grows_with_scale(v, driving):
            continue
        words = f"for the base scale, {plain(base)} mol"
        if run is not None and run.row.scale_mol and not math.isclose(run.row.scale_mol, base):
            here = float(run.planned[v.key]) * run.row.scale_mol / base
            words += f"; planned in this run of {plain(run.row.scale_mol)} mol: {plain(here)} {v.unit}"
        found[v.key] = words
    return found


def _raw_run(form: RawForm, fields: list[str]) -> dict[str, Any]:
    return {**form.only(fields), "settings": form.prefixed("setting_"), "confirm": form.all("confirm")}


def _starting_values(space: Space, run: RunView | None) -> dict[str, str]:
    values = {f"setting_{v.key}": as_text(run.settings[v.key] if run else v.base) for v in space.variables}
    if run is not None:
        row = run.row
        values.update({f: as_text(getattr(row, f)) for f in _RESULT_FIELDS if hasattr(row, f)})
        values["yield_percent"] = as_text(row.entered_yield_percent)
        if row.made_on is None and row.started_at is not None:
            values["made_on"] = row.started_at.astimezone().date().isoformat()
        elif row.made_on is None and run.is_pending:
            # A plan whose result is entered was most likely made today.
            values["made_on"] = today().isoformat()
    return values


def _starts(session: ReadSession, preparation: PreparationRow, *, planning: bool) -> list[tuple[str, str]]:
    """The last finished run and the one with the highest yield, with the base recipe before them; empty without a run."""
    done = [r for r in view_runs(session, preparation) if r.row.state == "finished"]
    if not done:
        return []
    last, best = done[-1], max(done, key=lambda r: (r.counts, r.percent or 0.0))
    address = f"/preparations/{preparation.id}/runs/new?{'plan=true&' if planning else ''}like="
    starts = [(f"{address}", "the base recipe"), (f"{address}{last.number}", f"run {last.number}, the last one")]
    if best.number != last.number and best.percent:
        starts.append((f"{address}{best.number}", f"run {best.number}, with the highest yield"))
    return starts


@router.get("/preparations/{preparation_id}/runs/new")
def new_run(request: Request, preparation_id: Id, session: ReadSession, plan: str = "", like: str = "") -> Response:
    preparation = questions.get_preparation(session, preparation_id)
    space = stored_space(session, preparation_id)
    values = _starting_values(space, None)
    model = next((r for r in view_runs(session, preparation) if str(r.number) == like), None)
    if model is not None:
        values |= {f"setting_{v.key}": as_text(model.settings[v.key]) for v in space.variables}
    return _run_form(request, session, preparation, None, planning=plan == "true")(FormState(values), 200)


@router.post("/preparations/{preparation_id}/runs")
def create_run(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        record_run(session, preparation_id, validated(FinishedRunInput, _raw_run(form, _RESULT_FIELDS), check_result))
        return f"/preparations/{preparation_id}#runs"

    return submit(form, act, _run_form(request, session, preparation, None, planning=False))


@router.post("/preparations/{preparation_id}/planned-runs")
def create_planned_run(request: Request, preparation_id: Id, form: Form, session: ReadSession, writer: OpenWriter) -> Response:
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        plan: PlannedRunInput = validated(PlannedRunInput, _raw_run(form, ["scale_mol", "reference", "notes"]))
        analysis = analyse(session, preparation_id)
        # What was planned by hand is forecast too; it serves no purpose of the app's own.
        forecast = forecast_by_hand(analysis, plan)
        with writer() as writing:
            return f"/runs/{plan_run(writing, preparation_id, plan, forecast=forecast).id}"

    return submit(form, act, _run_form(request, session, preparation, None, planning=True))


@router.get("/runs/{run_id}/edit")
def edit_run(request: Request, run_id: Id, session: ReadSession, as_weighed: str = "") -> Response:
    """The form for the result; settings of a run that has none yet start as they were weighed, others only if asked."""
    preparation, run = view_run(session, run_id)
    if run.row.state == "abandoned":
        # It is planned again on its page first.
        return RedirectResponse(f"/runs/{run_id}", status_code=303)
    values = _starting_values(stored_space(session, int(preparation.id or 0)), run)
    crops = crops_of(session, run_id) if run.is_pending else None
    if crops is not None:
        values["product_mass_g"] = as_text(float(f"{crops.mass_g:.10g}"))
        values["purity_percent"] = as_text(float(f"{crops.purity_percent:.4g}"))
        if crops.count > 1:
            readability = run.row.readability_g or preparation.balance_readability_g
            values["product_mass_u_g"] = as_text(float(f"{crops.mass_u_g(readability):.2g}"))
    from_weighed = as_weighed == "true" or run.row.state != "finished"
    return _run_form(request, session, preparation, run, planning=False, from_weighed=from_weighed)(FormState(values), 200)


@router.get("/runs/{run_id}/plan")
def edit_plan(request: Request, run_id: Id, session: ReadSession) -> Response:
    preparation, run = view_run(session, run_id)
    if run.row.state != "planned":
        return RedirectResponse(f"/runs/{run_id}", status_code=303)
    return _run_form(request, session, preparation, run, planning=True)(_stored_plan(session, run_id), 200)


def _stored_plan(session: ReadSession, run_id: int) -> FormState:
    preparation, run = view_run(session, run_id)
    space = stored_space(session, int(preparation.id or 0))
    values = {f"setting_{v.key}": as_text(run.planned[v.key]) for v in space.variables}
    return FormState(values | {"scale_mol": as_text(run.row.scale_mol), "reference": run.row.reference, "notes": run.row.notes})


@router.post("/runs/{run_id}/plan")
def update_plan(request: Request, run_id: Id, form: Form, session: ReadSession, writer: OpenWriter) -> Response:
    preparation, run = view_run(session, run_id)

    def act() -> str:
        plan: ChangedPlanInput = validated(ChangedPlanInput, _raw_run(form, ["scale_mol", "reference", "notes", "revision"]))
        analysis = analyse(session, int(preparation.id or 0))
        forecast = forecast_by_hand(analysis, plan)
        with writer() as writing:
            change_plan(writing, run_id, plan, forecast)
        return f"/runs/{run_id}"

    redraw = _run_form(request, session, preparation, run, planning=True)
    return submit(form, act, redraw, lambda: _stored_plan(session, run_id))


@router.post("/runs/{run_id}")
def update_run(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    preparation, run = view_run(session, run_id)

    def act() -> str:
        if form.values.get("act") == "keep":
            typed = [f for f in _OF_A_RESULT if form.values.get(f, "").strip()]
            if typed or form.values.get("outcome", "yield") != "yield":
                message = "This belongs to a result: save it as one, or clear it to keep the rest without a result."
                raise InvalidInputError(dict.fromkeys(typed or ["outcome"], message))
            so_far = _raw_run(form, _SO_FAR_FIELDS)
            if run.row.state == "planned" and run.row.made_on is None and so_far.get("made_on") == today().isoformat():
                so_far.pop("made_on")  # the form proposes today; it was not begun yet
            keep_so_far(session, run_id, validated(SoFarInput, so_far))
            return f"/runs/{run_id}"
        raw = {**_raw_run(form, _RESULT_FIELDS), "excluded_reason": run.row.excluded_reason}
        data = validated(FinishedRunInput, raw, check_result)
        record_run(session, int(preparation.id or 0), data, run_id=run_id)
        return f"/runs/{run_id}"

    def stored() -> FormState:
        return FormState(_starting_values(stored_space(session, int(preparation.id or 0)), view_run(session, run_id)[1]))

    return submit(form, act, _run_form(request, session, preparation, run, planning=False), stored)


def _run_page(
    request: Request, session: ReadSession, run_id: int, part: str, corrected: CheckpointRow | None = None
) -> Callable[[FormState, int], Response]:
    """What draws the page of a run; ``part`` is the form that the state belongs to."""
    seen = stamp(as_input(corrected)) if corrected else ""

    def redraw(form: FormState, status: int) -> Response:
        preparation, run = view_run(session, run_id)
        assert preparation.id is not None
        space = stored_space(session, preparation.id)
        settings = []
        for v in space.variables:
            planned, done = setting_text(v, run.planned[v.key]), setting_text(v, run.settings[v.key])
            settings.append((v.name, planned, done, planned != done))
        chemistry = chemistry_of(session, preparation, run)
        crops = crops_of(session, run_id)
        figure = None
        if chemistry.balance is not None and chemistry.balance.stages:
            figure = Figure("stage-recoveries", chemistry.balance.sentence, stage_recoveries(chemistry.balance))
        as_weighed = []
        for one in chemistry.as_weighed:
            v, setting = space.variable(one.variable), run.settings[one.variable]
            if one.differs_from(setting):
                as_weighed.append((v.name, setting_text(v, one.value), setting_text(v, setting), one))
        page = RunPage(
            frame=Frame(preparation, "overview"),
            run=run,
            status=run_status(run),
            settings=settings,
            chemistry=chemistry,
            balance=chemistry.balance,
            broken=space.broken_limits(run.planned) if run.is_pending else [],
            scale_words=_scale_words(session, preparation, run, space) if run.is_pending else [],
            figure=figure,
            checkpoints=list(questions.list_checkpoints(session, run_id)),
            changes=[(c, change_words(c)) for c in questions.list_changes(session, preparation.id, run.number)],
            stages=STAGE_WORDS,
            act_form=form if part == "act" else FormState(),
            exclude_form=form if part == "exclude" else FormState(),
            checkpoint_form=form if part == "checkpoint" else FormState({"stage": "work_up"}),
            corrected=corrected,
            seen=seen,
            weighed_form=form if part == "weighed" else _stored_amounts(session, run_id),
            as_weighed=as_weighed,
            material_names=[(int(m.id or 0), m.name) for m in questions.list_materials(session, preparation.id)],
            attachments=list(questions.list_attachments(session, run_id)),
            attach_form=form if part == "attach" else FormState(),
            taken=TAKEN,
            accepted=ACCEPTED,
            crops=crops,
            left_percent=_left_percent(chemistry.balance) if run.is_pending and crops is None else None,
        )
        return render(request, "runs/show.html", page, status=status)

    return redraw


def _scale_words(session: ReadSession, preparation: PreparationRow, run: RunView, space: Space) -> list[str]:
    """What the scale of a run that is planned or under way breaks, and that no run was made at nearly so large a one."""
    driving = variables_of_amounts(questions.list_materials(session, int(preparation.id or 0)))
    scale, base = run.row.scale_mol, preparation.base_scale_mol
    words = in_words(limits_at_scale(space, run.planned, scale, base, driving))
    remark = scale_remark(scale or base, scales_made(preparation, view_runs(session, preparation)))
    return [*words, remark] if remark else words


def _left_percent(balance: MassBalance | None) -> float | None:
    """What the last checkpoint holds of theory; None without one, or where it is more than theory. [%]"""
    if balance is None or not balance.stages or balance.stages[-1].to_name == "isolated product":
        return None
    last = balance.stages[-1]
    left = 100.0 * last.end_g / balance.stages[0].start_g
    # Nothing is added any more once the product is isolated.
    return left if left < 100.0 and last.stage in (Stage.REACTION, Stage.WORK_UP) else None


def _stored_amounts(session: ReadSession, run_id: int) -> FormState:
    notes = questions.list_run_weighed(session, run_id)
    masses = {f"mass_{w.material_id}": as_text(w.mass_g) for w in notes}
    return FormState(masses | {f"volume_{w.material_id}": as_text(w.volume_ml) for w in notes})


# What the history shows by another name, and what it leaves out because it means nothing to a chemist.
_LOGGED_NAMES = {
    "at_h": "time in h",
    "theory_g": "theoretical yield in g",
    "started_at": "start",
    "scale_mol": "scale in mol",
    "purity_percent": "purity in %",
    "purity_u_percent": "standard uncertainty of the purity in %",
    "product_mass_g": "product mass in g",
    "product_mass_u_g": "standard uncertainty of the mass in g",
    "residual_percent": "solvent and water left in %",
    "residual_u_percent": "standard uncertainty of what was left in %",
    "mass_g": "mass in g",
    "volume_ml": "volume in mL",
    "entered_yield_percent": "yield in %",
}
_NOT_LOGGED = {
    *("id", "run_id", "preparation_id", "position", "noted_at", "added_at", "sha256", "revision", "material_id"),
    # A whole series: the log keeps it, the API gives it.
    "hours_and_values",
}


def change_words(change: ChangeRow) -> str:
    """What a line of the history says beside its title: what was, and what came."""
    before, after = change.before or {}, change.after or {}
    parts = []
    for key in [*after, *(k for k in before if k not in after)]:
        if key in _NOT_LOGGED or isinstance(before.get(key), dict):
            continue
        name = _LOGGED_NAMES.get(key, key.replace("_", " "))
        was, came = show_logged(before.get(key)), show_logged(after.get(key))
        if key in before and key in after:
            parts.append(f"{name} {was} → {came}")
        elif key in after or before[key] not in (None, ""):
            parts.append(f"{name} {came}" if key in after else f"{name} was {was}")
    return "; ".join(parts)


@router.post("/runs/{run_id}/attachments")
def add_file(request: Request, run_id: Id, form: Form, session: WriteSession, files: Files) -> Response:
    questions.get_run(session, run_id)

    def act() -> str:
        file = form.files.get("file")
        attach(session, files, run_id, file.name if file else "", file.content if file else b"")
        return f"/runs/{run_id}#files"

    return submit(form, act, _run_page(request, session, run_id, "attach"))


@router.get("/attachments/{attachment_id}")
def show_file(request: Request, attachment_id: Id, session: ReadSession, files: Files) -> Response:
    """A picture to look at, anything else as a download; neither may run as a page of this site."""
    found = read_attachment(session, files, attachment_id)
    kind = "inline" if found.is_picture else "attachment"
    headers = {
        "Content-Disposition": f"{kind}; filename*=UTF-8''{quote(found.row.name)}",
        "Content-Security-Policy": "default-src 'none'; sandbox",
        "Cache-Control": "private, no-cache",
        "ETag": f'"{found.row.sha256}"',
    }
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    return Response(found.content, media_type=found.row.media_type, headers=headers)


@router.post("/attachments/{attachment_id}/delete")
def remove_file(attachment_id: Id, session: WriteSession) -> Response:
    return leave_for(f"/runs/{remove_attachment(session, attachment_id)}#files", "The file was removed.")


@router.get("/runs/{run_id}")
def show_run(request: Request, run_id: Id, session: ReadSession) -> Response:
    return _run_page(request, session, run_id, "")(FormState(), 200)


@router.post("/runs/{run_id}/exclude")
def exclude(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_run(session, run_id)

    def act() -> str:
        data = validated(ExclusionInput, {"reason": "", **form.only(["reason", "revision"])})
        exclude_run(session, run_id, data.reason, data.revision)
        return f"/runs/{run_id}"

    return submit(form, act, _run_page(request, session, run_id, "exclude"))


@router.post("/runs/{run_id}/include")
def include(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    def act(seen: int | None) -> str:
        exclude_run(session, run_id, None, seen)
        return f"/runs/{run_id}"

    return _do_as_seen(request, run_id, form, session, act)


def _do_as_seen(
    request: Request, run_id: int, form: RawForm, session: ReadSession, act: Callable[[int | None], str], told: str = STORED
) -> Response:
    """Do what a button of the page of a run asks for; ``act`` gets the revision that was seen, and returns where to go."""
    questions.get_run(session, run_id)

    def with_seen() -> str:
        return act(validated(SeenRevision, form.only(["revision"])).revision)

    return submit(form, with_seen, _run_page(request, session, run_id, "act"), told=lambda: told)


@router.post("/runs/{run_id}/state")
def change_state(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_run(session, run_id)

    def act() -> str:
        data = validated(StateInput, {"state": "", **form.only(["state", "revision"])})
        set_state(session, run_id, data.state, data.revision)
        return f"/runs/{run_id}"

    return submit(form, act, _run_page(request, session, run_id, "act"))


@router.post("/runs/{run_id}/delete")
def remove_run(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    def act(seen: int | None) -> str:
        return f"/preparations/{delete_run(session, run_id, seen)}#runs"

    return _do_as_seen(request, run_id, form, session, act, "The run was deleted.")


@router.post("/runs/{run_id}/checkpoints")
def create_checkpoint(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_run(session, run_id)

    def act() -> str:
        add_checkpoint(session, run_id, _read_checkpoint(form))
        return f"/runs/{run_id}#checkpoints"

    return submit(form, act, _run_page(request, session, run_id, "checkpoint"))


def _read_checkpoint(form: RawForm) -> CheckpointInput:
    stand_in = {"name": "unnamed", "stage": Stage.REACTION, "mass_g": 0.0}
    data: CheckpointInput = validated(CheckpointInput, form.typed(CheckpointInput), check_amounts, stand_in)
    return data


@router.get("/checkpoints/{checkpoint_id}/edit")
def edit_checkpoint(request: Request, checkpoint_id: Id, session: ReadSession) -> Response:
    row = questions.get_checkpoint(session, checkpoint_id)
    return _run_page(request, session, row.run_id, "checkpoint", row)(FormState.of(as_input(row)), 200)


@router.post("/checkpoints/{checkpoint_id}")
def correct_checkpoint(request: Request, checkpoint_id: Id, form: Form, session: WriteSession) -> Response:
    row = questions.get_checkpoint(session, checkpoint_id)

    def act() -> str:
        check_seen(form, as_input(row), f"Checkpoint {row.name}")
        update_checkpoint(session, checkpoint_id, _read_checkpoint(form))
        return f"/runs/{row.run_id}#checkpoints"

    redraw = _run_page(request, session, row.run_id, "checkpoint", row)
    return submit(form, act, redraw, lambda: FormState.of(as_input(row)))


@router.post("/checkpoints/{checkpoint_id}/delete")
def remove_checkpoint(checkpoint_id: Id, session: WriteSession) -> Response:
    return leave_for(f"/runs/{delete_checkpoint(session, checkpoint_id)}#checkpoints", "The checkpoint was removed.")


@router.post("/runs/{run_id}/weighed")
def update_weighed(request: Request, run_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_run(session, run_id)

    def act() -> str:
        seen = form.values.get("revision", "")
        note_weighed(
            session,
            run_id,
            read_weighed(form),
            revision=int(seen) if re.fullmatch(r"[0-9]{1,15}", seen) else None,
            confirm=form.all("confirm"),
        )
        return f"/runs/{run_id}#weighed"

    def stored() -> FormState:
        amounts = _stored_amounts(session, run_id)
        empty = {name: "" for name in form.values if name.startswith(("mass_", "volume_"))}
        return FormState(empty | dict(amounts.values))

    return submit(form, act, _run_page(request, session, run_id, "weighed"), stored)


def read_weighed(form: RawForm) -> dict[int, tuple[float | None, float | None]]:
    """Read as-weighed masses and volumes.

    Raises
    ------
    InvalidInputError
        With a sentence per field.
    """
    messages: dict[str, str] = {}
    read: dict[int, dict[str, float | None]] = {}
    for prefix in ("mass", "volume"):
        for key, typed in form.prefixed(f"{prefix}_").items():
            if not re.fullmatch(r"[0-9]{1,18}", key):
                raise NotFoundError("material", key[:20])
            try:
                read.setdefault(int(key), {})[prefix] = read_optional_number(typed)
            except NumberTextError as error:
                messages[f"{prefix}_{key}"] = str(error)
    if messages:
        raise InvalidInputError(messages)
    return {key: (values.get("mass"), values.get("volume")) for key, values in read.items()}
