"""The next run: proposals per purpose, what they need, whether they are worth it, and accepting them as planned runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from server.core.choose.changes import LeftAsItWas
from server.core.choose.proposal import MOST_AT_ONCE, PURPOSE_WORDS, Proposal, Purpose
from server.core.choose.stopping import StopAdvice
from server.core.space.limits import Space
from server.core.space.variables import Settings
from server.errors import InvalidInputError, NothingReachableError, NotReadyError
from server.services.analysis import Analysis, analyse
from server.services.decisions import HOURS, Decisions, RunNeeds, judge_plans
from server.services.inputs import PlannedRunInput, validated
from server.services.numbers import NumberTextError, read_optional_number
from server.services.preparations import today
from server.services.runs import plan_runs, read_settings
from server.services.scales import check_scale
from server.services.words import setting_text
from server.web.dependencies import Form, Id, OpenWriter, ReadSession
from server.web.forms import FormState, RawForm, as_text, submit
from server.web.pages.common import Frame, forecast_address
from server.web.pages.work import waiting
from server.web.rendering import render

router = APIRouter()


@dataclass(frozen=True)
class ProposalPage:
    """Context of the page 'next run'.

    ``proposal`` judges the settings in the form: the app's own, or those that the
    chemist changed (``is_changed``); it says nothing about settings that cannot be read (``is_unread``).
    """

    frame: Frame
    space: Space
    purpose: Purpose
    purposes: dict[Purpose, str]
    proposal: Proposal | None
    message: str
    form: FormState
    is_changed: bool
    is_unread: bool
    working_number: int | None
    working_settings: dict[str, str]
    n_runs: int
    cautions: str
    needs: RunNeeds | None
    scale_remark: str
    stop: StopAdvice | None
    best_chance: str
    changes: ChangesView | None
    verdict: str
    saving: str
    savings: dict[str, str]
    most_at_once: int
    kept_out: str


@dataclass(frozen=True)
class ProposedRun:
    """One of several proposed runs, with its settings as text and as typed values."""

    proposal: Proposal
    settings: list[tuple[str, str]]
    values: dict[str, str]
    needs: RunNeeds | None


@dataclass(frozen=True)
class SeveralPage:
    """Context of the page with several runs at once."""

    frame: Frame
    purpose: Purpose
    purposes: dict[Purpose, str]
    saving: str
    savings: dict[str, str]
    count: int
    most_at_once: int
    runs: list[ProposedRun]
    message: str
    form: FormState
    cautions: str
    kept_out: str


def _purpose(text: str) -> Purpose:
    return Purpose(text) if text in set(Purpose) else Purpose.RAISE


def _count(text: str) -> int:
    return min(max(int(text), 1), MOST_AT_ONCE) if text.isdecimal() and len(text) < 3 else 1


def _scale(form: FormState) -> float | None:
    """The scale in the form, where it can be read; its own field says so where it cannot."""
    try:
        return check_scale(read_optional_number(form.value("scale_mol")))
    except (NumberTextError, InvalidInputError):
        return None


@dataclass(frozen=True)
class ChangesView:
    """What each change of a run brings, with the forecast without it; and the forecast of a simpler run, if there is one."""

    each: list[tuple[LeftAsItWas, str]]
    simpler: str


def _changes(analysis: Analysis, proposal: Proposal | None, purpose: Purpose, saving: str, form: FormState) -> ChangesView | None:
    if proposal is None or proposal.changes is None:
        return None

    def address(settings: Settings) -> str:
        return forecast_address(analysis, settings, purpose, saving=saving, scale_mol=form.value("scale_mol"))

    simpler = proposal.changes.simpler
    return ChangesView([(x, address(x.settings)) for x in proposal.changes.each], address(simpler.settings) if simpler else "")


def _page(
    request: Request, session: ReadSession, preparation_id: int, purpose: Purpose, saving: str, known: Analysis | None = None
) -> Callable[..., Response]:
    """``known`` is the analysis where the handler has made it already; a refused form is drawn from a fresh one."""

    def redraw(form: FormState | None, status: int) -> Response:
        analysis = known or analyse(session, preparation_id)
        decisions = Decisions(analysis)
        proposal, message = None, ""
        stop: StopAdvice | None = None
        try:
            proposal = analysis.proposals(purpose, 1, decisions.burden(saving, purpose))[0]
            stop = decisions.stop()
        except (NotReadyError, NothingReachableError) as error:
            message = str(error)
        if form is None:
            values = {f"setting_{k}": as_text(v) for k, v in proposal.settings.items()} if proposal else {}
            form = FormState({**values, "purpose": purpose.value})
        if stop is not None:
            stop = stop.limited(decisions.runs_left(today(), _scale(form)).at_most)
        own = {k: as_text(v) for k, v in proposal.settings.items()} if proposal else {}
        typed = {k.removeprefix("setting_"): v for k, v in form.values.items() if k.startswith("setting_")}
        is_changed, is_unread = bool(typed) and typed != own, False
        if is_changed and analysis.has_variables:
            try:
                proposal = analysis.assess(read_settings(analysis.space, typed), purpose)
            except InvalidInputError:
                is_changed, is_unread = False, True  # the messages at the fields say why
        working = analysis.working
        best_chance = ""
        if stop is not None and {k: as_text(v) for k, v in stop.best.items()} != own:
            best_chance = forecast_address(analysis, stop.best, purpose, saving=saving, scale_mol=form.value("scale_mol"))
        page = ProposalPage(
            frame=Frame(analysis.preparation, "proposal"),
            space=analysis.space,
            purpose=purpose,
            purposes=PURPOSE_WORDS,
            proposal=proposal,
            message=message,
            form=form,
            is_changed=is_changed,
            is_unread=is_unread,
            working_number=working.run_number if working else None,
            working_settings={v.key: setting_text(v, working.settings[v.key]) for v in analysis.space.variables if working},
            n_runs=analysis.table.n_runs,
            cautions=analysis.preparation.cautions,
            needs=decisions.needs(proposal.settings, _scale(form)) if proposal else None,
            scale_remark=decisions.scale_words(proposal.settings, _scale(form)) if proposal else "",
            stop=stop,
            best_chance=best_chance,
            changes=_changes(analysis, proposal, purpose, saving, form),
            verdict=decisions.verdict(today(), _scale(form)) if analysis.has_variables and not message else "",
            saving=saving,
            savings=decisions.savings,
            most_at_once=MOST_AT_ONCE,
            kept_out=decisions.kept_out,
        )
        return render(request, "proposal/show.html", page, status=status)

    return redraw


@router.get("/preparations/{preparation_id}/proposal")
def show_proposal(
    request: Request, preparation_id: Id, session: ReadSession, purpose: str = "raise", count: str = "1", saving: str = HOURS
) -> Response:
    analysis = analyse(session, preparation_id)
    if (instead := waiting(request, analysis, "proposal")) is not None:
        return instead
    if _count(count) > 1:
        return _several(request, session, preparation_id, _purpose(purpose), _count(count), saving, analysis)(FormState(), 200)
    return _page(request, session, preparation_id, _purpose(purpose), saving, analysis)(None, 200)


@dataclass(frozen=True)
class ForecastPart:
    """Context of the part of the page that follows changed settings."""

    proposal: Proposal
    purpose: Purpose
    form: FormState
    is_changed: bool
    working_number: int | None
    n_runs: int
    cautions: str
    needs: RunNeeds | None
    scale_remark: str
    changes: ChangesView | None
    is_unread: bool = False


@router.get("/preparations/{preparation_id}/forecast")
def show_forecast(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    """The proposal page with the forecast for settings that the chemist changed, or only that part; stores nothing."""
    query = dict(request.query_params)
    purpose = _purpose(query.get("purpose", ""))
    saving = query.get("saving", HOURS)
    analysis = analyse(session, preparation_id)
    raw = {k.removeprefix("setting_"): v for k, v in query.items() if k.startswith("setting_")}
    form, status = FormState(query), 200
    try:
        settings = read_settings(analysis.space, raw)
        form = FormState(query, banner=" ".join(analysis.space.broken_limits(settings)))
    except InvalidInputError as error:
        form, status, settings = FormState(query, error.messages), 422, None
    if query.get("scale_mol", "").strip() and _scale(form) is None:
        form, status = replace(form, errors={**form.errors, "scale_mol": "Enter a scale above 0 mol."}), 422
    if request.headers.get("hx-request") != "true":
        return _page(request, session, preparation_id, purpose, saving, analysis)(form, status)
    if settings is None and analysis.has_variables:
        # Another forecast would be taken for that of what stands in the fields.
        return render(request, "proposal/_message.html", " ".join(form.errors.values()), status=422)
    decisions = Decisions(analysis)
    try:
        own = settings is None or not analysis.has_variables
        proposal = (
            analysis.proposals(purpose, 1, decisions.burden(saving, purpose))[0]
            if own
            else analysis.assess(settings or {}, purpose)
        )
    except (NotReadyError, NothingReachableError) as error:
        return render(request, "proposal/_message.html", str(error), status=422)
    part = ForecastPart(
        proposal,
        purpose,
        form,
        settings is not None,
        analysis.working.run_number if analysis.working else None,
        analysis.table.n_runs,
        analysis.preparation.cautions,
        decisions.needs(proposal.settings, _scale(form)),
        decisions.scale_words(proposal.settings, _scale(form)),
        _changes(analysis, proposal, purpose, saving, form),
    )
    return render(request, "proposal/_forecast.html", part, status=status)


@router.post("/preparations/{preparation_id}/proposal")
def accept(request: Request, preparation_id: Id, form: Form, session: ReadSession, writer: OpenWriter) -> Response:
    analysis = analyse(session, preparation_id)
    purpose = _purpose(form.values.get("purpose", ""))

    def act() -> str:
        raw = {"settings": form.prefixed("setting_"), "confirm": form.all("confirm"), **form.only(["scale_mol", "notes"])}
        judged = judge_plans(analysis, [validated(PlannedRunInput, raw)], purpose)
        with writer() as writing:
            return f"/runs/{plan_runs(writing, preparation_id, judged)[0].id}"

    return submit(form, act, _page(request, session, preparation_id, purpose, form.values.get("saving", HOURS)))


def _several(
    request: Request,
    session: ReadSession,
    preparation_id: int,
    purpose: Purpose,
    count: int,
    saving: str,
    known: Analysis | None = None,
) -> Callable[[FormState, int], Response]:
    """``known`` as in ``_page``."""

    def redraw(form: FormState, status: int) -> Response:
        analysis = known or analyse(session, preparation_id)
        decisions = Decisions(analysis)
        proposals: list[Proposal] = []
        message = ""
        try:
            proposals = analysis.proposals(purpose, count, decisions.burden(saving, purpose))
        except (NotReadyError, NothingReachableError) as error:
            message = str(error)
        if proposals and len(proposals) < count:
            message = f"{len(proposals)} of {count}: no further run serves this purpose within reach and stock."
        variables = analysis.space.variables
        needs = decisions.needs_together([p.settings for p in proposals], _scale(form))
        runs = [
            ProposedRun(
                p,
                [(v.name, setting_text(v, p.settings[v.key])) for v in variables],
                {v.key: as_text(p.settings[v.key]) for v in variables},
                need,
            )
            for p, need in zip(proposals, needs, strict=True)
        ]
        page = SeveralPage(
            Frame(analysis.preparation, "proposal"),
            purpose,
            PURPOSE_WORDS,
            saving,
            decisions.savings,
            count,
            MOST_AT_ONCE,
            runs,
            message,
            form,
            analysis.preparation.cautions,
            decisions.kept_out,
        )
        return render(request, "proposal/several.html", page, status=status)

    return redraw


def _chosen(form: RawForm) -> list[PlannedRunInput]:
    """The ticked runs of the page with several, each with its own settings, all at the same scale."""
    plans = []
    for number in dict.fromkeys(form.all("take")):
        settings = form.prefixed(f"run_{number}_setting_")
        plans.append(
            validated(PlannedRunInput, {"settings": settings, "confirm": form.all("confirm"), **form.only(["scale_mol"])})
        )
    return plans


@router.post("/preparations/{preparation_id}/proposals")
def accept_many(request: Request, preparation_id: Id, form: Form, session: ReadSession, writer: OpenWriter) -> Response:
    analysis = analyse(session, preparation_id)
    purpose = _purpose(form.values.get("purpose", ""))

    def act() -> str:
        judged = judge_plans(analysis, _chosen(form), purpose)
        with writer() as writing:
            plan_runs(writing, preparation_id, judged)
        return f"/preparations/{preparation_id}#runs"

    count, saving = _count(form.values.get("count", "")), form.values.get("saving", HOURS)
    return submit(form, act, _several(request, session, preparation_id, purpose, count, saving))


@router.get("/preparations/{preparation_id}/proposals")
def show_many(preparation_id: Id) -> Response:
    """After a refused form the browser may ask for this address again."""
    return RedirectResponse(f"/preparations/{preparation_id}/proposal?count=2", status_code=303)
