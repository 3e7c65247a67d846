"""The next run: a proposal per purpose, and accepting it as a planned run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.core.choose.proposal import PURPOSE_WORDS, Proposal, Purpose
from server.core.space.limits import Space
from server.errors import InvalidInputError, NothingReachableError, NotReadyError
from server.services.analysis import Analysis, accept_proposal, analyse
from server.services.inputs import PlannedRunInput, validated
from server.services.runs import read_settings
from server.storage import questions
from server.web.dependencies import Form, Id, ReadSession, WriteSession
from server.web.forms import FormState, as_text, submit
from server.web.pages.common import Frame
from server.web.rendering import render

router = APIRouter()


@dataclass(frozen=True)
class ProposalPage:
    """Context of the page 'next run'.

    ``proposal`` judges the settings in the form: the app's own, or those that the
    chemist changed (``is_changed``).
    """

    frame: Frame
    space: Space
    purpose: Purpose
    purposes: dict[Purpose, str]
    proposal: Proposal | None
    message: str
    form: FormState
    is_changed: bool
    working_number: int | None
    working_settings: dict[str, str]
    n_runs: int
    cautions: str


def _purpose(text: str) -> Purpose:
    return Purpose(text) if text in set(Purpose) else Purpose.RAISE


def _page(
    request: Request, session: ReadSession, preparation_id: int, purpose: Purpose, known: Analysis | None = None
) -> Callable[..., Response]:
    """``known`` is the analysis where the handler has made it already; a refused form is drawn from a fresh one."""

    def redraw(form: FormState | None, status: int) -> Response:
        analysis = known or analyse(session, preparation_id)
        proposal, message = None, ""
        try:
            proposal = analysis.proposal(purpose)
        except (NotReadyError, NothingReachableError) as error:
            message = str(error)
        if form is None:
            values = {f"setting_{k}": as_text(v) for k, v in proposal.settings.items()} if proposal else {}
            form = FormState({**values, "purpose": purpose.value})
        own = {k: as_text(v) for k, v in proposal.settings.items()} if proposal else {}
        typed = {k.removeprefix("setting_"): v for k, v in form.values.items() if k.startswith("setting_")}
        is_changed = bool(typed) and typed != own
        if is_changed and analysis.has_variables:
            try:
                proposal = analysis.assess(read_settings(analysis.space, typed), purpose)
            except InvalidInputError:
                is_changed = False  # the messages at the fields say why
        working = analysis.working
        page = ProposalPage(
            frame=Frame(analysis.preparation, "proposal"),
            space=analysis.space,
            purpose=purpose,
            purposes=PURPOSE_WORDS,
            proposal=proposal,
            message=message,
            form=form,
            is_changed=is_changed,
            working_number=working.run_number if working else None,
            working_settings={k: as_text(v) for k, v in working.settings.items()} if working else {},
            n_runs=analysis.table.n_runs,
            cautions=analysis.preparation.cautions,
        )
        return render(request, "proposal/show.html", page, status=status)

    return redraw


@router.get("/preparations/{preparation_id}/proposal")
def show_proposal(request: Request, preparation_id: Id, session: ReadSession, purpose: str = "raise") -> Response:
    return _page(request, session, preparation_id, _purpose(purpose))(None, 200)


@router.get("/preparations/{preparation_id}/forecast")
def show_forecast(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    """The proposal page with the forecast for settings that the chemist changed; stores nothing."""
    query = dict(request.query_params)
    purpose = _purpose(query.get("purpose", ""))
    analysis = analyse(session, preparation_id)
    redraw = _page(request, session, preparation_id, purpose, analysis)
    raw = {k.removeprefix("setting_"): v for k, v in query.items() if k.startswith("setting_")}
    try:
        settings = read_settings(analysis.space, raw)
    except InvalidInputError as error:
        return redraw(FormState(query, error.messages), 422)
    return redraw(FormState(query, banner=" ".join(analysis.space.broken_limits(settings))), 200)


@router.post("/preparations/{preparation_id}/proposal")
def accept(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_preparation(session, preparation_id)
    purpose = _purpose(form.values.get("purpose", ""))

    def act() -> str:
        raw = {"settings": form.prefixed("setting_"), "confirm": form.all("confirm"), **form.only(["scale_mol", "notes"])}
        run = accept_proposal(session, preparation_id, validated(PlannedRunInput, raw), purpose)
        return f"/runs/{run.id}"

    return submit(form, act, _page(request, session, preparation_id, purpose))
