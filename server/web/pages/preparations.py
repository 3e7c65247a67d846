"""Preparations: overview, new, change, archive, deletion for good."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from textwrap import shorten

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from server.charts.runs import RunPoint, yield_over_runs
from server.core.chemistry.formula import smiles_available
from server.core.choose.proposal import Proposal
from server.core.model.effects import Effect
from server.errors import NothingReachableError, NotReadyError
from server.services.analysis import Analysis, analyse
from server.services.decisions import Decisions
from server.services.inputs import PreparationInput, validated
from server.services.preparations import (
    archive_preparation,
    as_input,
    check_preparation,
    create_preparation,
    delete_with_files,
    duplicate_preparation,
    today,
    update_preparation,
)
from server.services.runs import RunView, with_own_theory
from server.services.words import setting_text
from server.storage import questions
from server.storage.tables import PreparationRow
from server.web.dependencies import Files, Form, Id, OpenWriter, ReadSession, WriteSession
from server.web.forms import STORED, FormState, RawForm, as_text, check_seen, stamp, submit
from server.web.pages.common import Figure, Frame, run_kind, run_status
from server.web.pages.work import waiting
from server.web.rendering import render, show_percent

router = APIRouter()
# Of a longer note of a run the table shows the beginning. [characters]
_LONGEST_NOTE = 60
# What the theoretical yield of a run is worked out from, beside its materials.
_THEORY_FIELDS = ("product_formula", "product_coefficient", "theoretical_yield_g")


@dataclass(frozen=True)
class PreparationFormPage:
    """Context of the form for a new or changed preparation."""

    form: FormState
    preparation: PreparationRow | None
    smiles: bool
    seen: str


@dataclass(frozen=True)
class DeletePage:
    """Context of the page that deletes a preparation; ``n_files`` counts photos and files of its runs."""

    frame: Frame
    form: FormState
    n_runs: int
    n_files: int


@dataclass(frozen=True)
class RunLine:
    """One row of the table of runs."""

    run: RunView
    status: str
    settings: list[str]
    is_best: bool
    note: str


@dataclass(frozen=True)
class OverviewPage:
    """Context of a preparation's overview."""

    frame: Frame
    analysis: Analysis
    variable_names: list[str]
    runs: list[RunLine]
    figure: Figure | None
    best: RunView | None
    why_not_best: str
    effects: tuple[Effect, ...]
    effects_message: str
    proposal: Proposal | None
    proposal_settings: list[tuple[str, str]]
    proposal_message: str
    unknowns: list[str]
    pending: list[tuple[str, list[RunView]]]
    has_days: bool
    hindrance: str
    verdict: str
    kept_out: str


def _draw_form(request: Request, preparation: PreparationRow | None) -> Callable[[FormState, int], Response]:
    # Of the row as the form was opened with it.
    seen = stamp(as_input(preparation)) if preparation else ""

    def redraw(form: FormState, status: int) -> Response:
        page = PreparationFormPage(form, preparation, smiles_available(), seen)
        return render(request, "preparations/form.html", page, status=status)

    return redraw


def _read(form: RawForm) -> PreparationInput:
    data: PreparationInput = validated(PreparationInput, form.typed(PreparationInput), check_preparation, {"name": "unnamed"})
    return data


@router.get("/preparations/new")
def new_preparation(request: Request) -> Response:
    defaults = {
        name: as_text(f.default) for name, f in PreparationInput.model_fields.items() if not f.is_required() and name != "confirm"
    }
    return _draw_form(request, None)(FormState(defaults), 200)


@router.post("/preparations")
def create(request: Request, form: Form, session: WriteSession) -> Response:
    def act() -> str:
        row = create_preparation(session, _read(form))
        return f"/preparations/{row.id}/setup"

    return submit(form, act, _draw_form(request, None))


@router.get("/preparations/{preparation_id}/edit")
def edit_preparation(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    row = questions.get_preparation(session, preparation_id)
    return _draw_form(request, row)(FormState.of(as_input(row)), 200)


@router.post("/preparations/{preparation_id}")
def update(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    row = questions.get_preparation(session, preparation_id)
    redraw = _draw_form(request, row)

    def act() -> str:
        check_seen(form, as_input(row), row.name)
        before = [getattr(row, field) for field in _THEORY_FIELDS]
        update_preparation(session, preparation_id, _read(form))
        kept = [] if before == [getattr(row, field) for field in _THEORY_FIELDS] else with_own_theory(session, preparation_id)
        if kept:
            said.append(_kept_words(kept))
        return f"/preparations/{preparation_id}"

    said: list[str] = []
    return submit(form, act, redraw, lambda: FormState.of(as_input(row)), told=lambda: said[0] if said else STORED)


def _kept_words(numbers: Sequence[int]) -> str:
    runs = f"Run {numbers[0]} keeps" if len(numbers) == 1 else f"{len(numbers)} finished runs keep"
    one, every = "‘Correct’, on the page of a run, takes it as it follows today", "the page ‘Charge’ does so for all of them"
    return f"{runs} the theoretical yield from before. {one}; {every}."


@router.post("/preparations/{preparation_id}/archive")
def archive(preparation_id: Id, form: Form, session: WriteSession) -> Response:
    archive_preparation(session, preparation_id, archived=form.values.get("archived") != "no")
    return RedirectResponse("/", status_code=303)


def _delete_page(request: Request, session: ReadSession, preparation_id: int) -> Callable[[FormState, int], Response]:
    def redraw(form: FormState, status: int) -> Response:
        runs = questions.list_runs(session, preparation_id)
        n_files = questions.count_attachments(session, preparation_id)
        frame = Frame(questions.get_preparation(session, preparation_id), "overview")
        return render(request, "preparations/delete.html", DeletePage(frame, form, len(runs), n_files), status=status)

    return redraw


@router.get("/preparations/{preparation_id}/delete")
def ask_to_delete(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    if questions.get_preparation(session, preparation_id).archived_at is None:
        return RedirectResponse(f"/preparations/{preparation_id}", status_code=303)
    return _delete_page(request, session, preparation_id)(FormState(), 200)


@router.post("/preparations/{preparation_id}/delete")
def delete(request: Request, preparation_id: Id, form: Form, session: ReadSession, writer: OpenWriter, files: Files) -> Response:
    questions.get_preparation(session, preparation_id)

    def act() -> str:
        delete_with_files(writer, files, preparation_id, form.values.get("name", ""))
        return "/?archived=true"

    return submit(form, act, _delete_page(request, session, preparation_id), told=lambda: "The preparation was deleted.")


@router.post("/preparations/{preparation_id}/duplicate")
def duplicate(preparation_id: Id, session: WriteSession) -> Response:
    return RedirectResponse(f"/preparations/{duplicate_preparation(session, preparation_id).id}/edit", status_code=303)


def best_run(analysis: Analysis) -> RunView | None:
    """The counting run with the highest yield, of equal ones the working recipe; None while all of them failed.

    Runs that gave more than can be are the best only where there are no others.
    """
    working = analysis.working.run_number if analysis.working else None
    usual = [r for r in analysis.counting if r.row.outcome != "failure"]
    return max(usual, key=lambda r: (not r.is_too_high, r.percent or 0.0, r.number == working, -r.number), default=None)


def runs_figure(analysis: Analysis) -> Figure | None:
    """Yield over runs; None before any run gave a yield."""
    best = best_run(analysis)
    points = []
    for run in analysis.runs:
        if run.is_pending:
            kept = run.row.forecast or {}
            if kept:
                points.append(RunPoint(run.number, kept["mean"], 0.0, "forecast", kept["low_90"], kept["high_90"]))
        elif run.row.state == "finished" and run.percent is not None:
            u = run.run_yield.u if run.run_yield else 0.0
            points.append(RunPoint(run.number, run.percent, u, run_kind(run), is_doubtful=run.is_too_high))
    if not points:
        return None
    preparation = analysis.preparation
    data = yield_over_runs(
        points, best=best.number if best else None, aim=preparation.aim_percent, literature=preparation.literature_percent
    )
    n = sum(p.kind != "forecast" for p in points)
    excluded = sum(p.kind == "excluded" for p in points)
    text = f"Yield over {n} run{'s' if n != 1 else ''}{f', {excluded} of them excluded' if excluded else ''}."
    if best is not None:
        text += f" The best is run {best.number} with {show_percent(best.percent)}; the pale stair is the best so far."
        if preparation.aim_percent is not None:
            text += f" The aim is {preparation.aim_percent:g} %."
    if any(p.kind == "forecast" for p in points):
        text += " Dotted bars: nine in ten results of a planned run are expected there."
    return Figure("yield-over-runs", text, data)


def _shortened(note: str) -> str:
    """The beginning of a note, cut between words where there are any."""
    text = shorten(note, _LONGEST_NOTE, placeholder=" …")
    return text if text != "…" else f"{note.strip()[:_LONGEST_NOTE]} …"


def _why_not_best(analysis: Analysis, best: RunView | None) -> str:
    """Why the run with the highest yield is not the working recipe; empty where it is."""
    if best is None or analysis.working is None or analysis.working.run_number == best.number:
        return ""
    if analysis.space.broken_limits(best.settings):
        return f"Run {best.number} lies outside your limits as they are now."
    if best.settings == analysis.working.settings:
        return f"Run {best.number}, which gave most, has the same settings."
    return f"Run {best.number} gave more once, but all runs together favour the settings of run {analysis.working.run_number}."


def _by_state(runs: list[RunView]) -> list[tuple[str, list[RunView]]]:
    """(state in words, runs) of pending runs, what is under way first."""
    states = {"under_way": "under way", "planned": "planned"}
    found = [(words, [r for r in runs if r.row.state == state]) for state, words in states.items()]
    return [(words, those) for words, those in found if those]


@router.get("/preparations/{preparation_id}")
def show_preparation(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    analysis = analyse(session, preparation_id)
    if (instead := waiting(request, analysis, "overview")) is not None:
        return instead
    best = best_run(analysis)
    lines = []
    for run in analysis.runs:
        settings = [setting_text(v, run.settings[v.key]) for v in analysis.space.variables]
        flag = run.row.excluded_reason or ("above 100 %" if run.run_yield and run.run_yield.is_above_100 else "")
        note = "; ".join(filter(None, (flag.rstrip(". "), _shortened(run.row.notes))))
        lines.append(RunLine(run, run_status(run), settings, run is best, note))
    effects: tuple[Effect, ...] = ()
    effects_message = ""
    try:
        effects = analysis.effects
    except NotReadyError as error:
        effects_message = str(error)
    proposal, message = None, ""
    try:
        proposal = analysis.proposal()
    except (NotReadyError, NothingReachableError) as error:
        message = str(error)
    decisions = Decisions(analysis)
    advice = decisions.advice(today()) if proposal else None
    chosen = [(v.name, setting_text(v, proposal.settings[v.key])) for v in analysis.space.variables] if proposal else []
    page = OverviewPage(
        frame=Frame(analysis.preparation, "overview"),
        analysis=analysis,
        variable_names=[v.name for v in analysis.space.variables],
        runs=lines,
        figure=runs_figure(analysis),
        best=best,
        why_not_best=_why_not_best(analysis, best),
        effects=effects,
        effects_message=effects_message,
        proposal=proposal,
        proposal_settings=chosen,
        proposal_message=message,
        unknowns=analysis.unknowns,
        pending=_by_state([r for r in analysis.runs if r.is_pending]),
        has_days=any(r.row.made_on for r in analysis.runs),
        hindrance=decisions.runs_left(today()).hindrance if analysis.has_variables else "",
        verdict=advice.verdict if advice else "",
        kept_out=decisions.kept_out if proposal else "",
    )
    return render(request, "preparations/show.html", page)
