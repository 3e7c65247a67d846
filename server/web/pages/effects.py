"""What moved the yield."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.charts.effects import effect_intervals
from server.core.model.effects import Effect
from server.core.model.quality import Quality
from server.errors import NothingReachableError, NotReadyError
from server.services.analysis import Analysis, analyse
from server.web.dependencies import Id, ReadSession
from server.web.pages.common import Figure, Frame, setting_text
from server.web.pages.preparations import unknowns_of
from server.web.rendering import render

router = APIRouter()


@dataclass(frozen=True)
class EffectsPage:
    """Context of the page 'what moved the yield'."""

    frame: Frame
    analysis: Analysis
    effects: tuple[Effect, ...]
    message: str
    figure: Figure | None
    unknowns: list[str]
    quality: Quality | None
    separating_names: tuple[str, ...]
    separating: list[tuple[str, str]]


@router.get("/preparations/{preparation_id}/effects")
def show_effects(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    analysis = analyse(session, preparation_id)
    effects: tuple[Effect, ...] = ()
    message = ""
    try:
        effects = analysis.effects
    except NotReadyError as error:
        message = str(error)
    shown = [e for e in effects if e.change is not None]
    figure = None
    if shown:
        strongest = shown[0]
        text = f"Effects of {len(shown)} variables with intervals. {strongest.sentence}"
        figure = Figure("effect-intervals", text, effect_intervals(effects))
    names: tuple[str, ...] = ()
    separating: list[tuple[str, str]] = []
    try:
        found = analysis.separating_run() if effects else None
    except NothingReachableError:
        found = None
    if found is not None:
        names = found[0]
        separating = [(v.name, setting_text(v, found[1][v.key])) for v in analysis.space.variables]
    page = EffectsPage(
        frame=Frame(analysis.preparation, "effects"),
        analysis=analysis,
        effects=effects,
        message=message,
        figure=figure,
        unknowns=unknowns_of(analysis) if analysis.has_variables else [],
        quality=analysis.quality if effects else None,
        separating_names=names,
        separating=separating,
    )
    return render(request, "effects/show.html", page)
