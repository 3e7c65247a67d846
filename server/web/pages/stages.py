"""Where the product is lost, stage by stage over all runs."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.charts.stages import ways_of_the_product
from server.core.choose.proposal import Forecast, Purpose
from server.core.model.effects import Effect, Evidence, listed
from server.core.model.stagewise import FEWEST_RUNS_OF_STAGE, Cross, StageByStage, Stretch, percent_text, range_text
from server.core.space.coordinates import encode
from server.core.space.variables import STAGE_WORDS
from server.errors import NotReadyError
from server.services.analysis import Analysis, analyse
from server.services.inputs import CheckpointUseInput, validated
from server.services.preparations import use_checkpoints
from server.services.words import setting_text
from server.web.dependencies import Form, Id, ReadSession, WriteSession
from server.web.forms import leave_for
from server.web.pages.common import Figure, Frame, forecast_address, trust_sentence
from server.web.pages.work import waiting
from server.web.rendering import render

router = APIRouter()


@dataclass(frozen=True)
class StretchView:
    """One stretch: its row of the table, and what moved it. ``quiet`` names the variables that say nothing yet."""

    stretch: Stretch
    share: str
    share_range: str
    shown: tuple[Effect, ...]
    quiet: tuple[str, ...]
    message: str


@dataclass(frozen=True)
class CrossView:
    """The cross of two runs that promises most.

    ``is_close`` says that it beats the best run by less than its uncertainty; ``n_pairs`` from how many it was picked,
    ``expected`` what the models expect there [%]; ``settings`` are names and values, ``address`` that of its forecast.
    """

    cross: Cross
    is_close: bool
    n_pairs: int
    expected: float
    settings: list[tuple[str, str]]
    address: str


@dataclass(frozen=True)
class StagesPage:
    """Context of the page 'stage by stage'; ``rows`` are (run number, run id, shares of theory) of the figure."""

    frame: Frame
    analysis: Analysis
    found: StageByStage | None
    figure: Figure | None
    stations: list[str]
    rows: list[tuple[int, int, list[float | None]]]
    stretches: list[StretchView]
    out_of_order: str
    order: str
    cross: CrossView | None
    n_beside: int
    trust: str
    fewest: int


def _view(analysis: Analysis, stretch: Stretch) -> StretchView:
    effects: tuple[Effect, ...] = ()
    message = ""
    try:
        effects = analysis.stretch_effects(stretch)
    except NotReadyError as error:
        message = str(error)
    shown = tuple(e for e in effects if e.evidence in (Evidence.CLEAR, Evidence.LIKELY))
    quiet = []
    for evidence, words in (
        (Evidence.NOT_SHOWN, "No effect shown yet"),
        (Evidence.NEVER_MOVED, "Never moved in these runs"),
    ):
        names = [e.name for e in effects if e.evidence is evidence]
        if names:
            quiet.append(f"{words}: {listed(names)}.")
    groups = {frozenset((e.name, *e.partners)): None for e in effects if e.evidence is Evidence.CANNOT_TELL}
    quiet += [f"Cannot be told apart: {listed(sorted(group))}." for group in groups]
    if effects and (too_few := analysis.too_few_for_stretch(stretch)):
        quiet.append(too_few)
    share = "–" if stretch.share is None else percent_text(stretch.share)
    return StretchView(stretch, share, range_text(stretch), shown, tuple(quiet), message)


def _cross(analysis: Analysis) -> CrossView | None:
    found = analysis.best_cross()
    if found is None:
        return None
    cross, settings = found
    shown = [(v.name, setting_text(v, settings[v.key])) for v in analysis.space.variables]
    is_close = cross.percent - float(analysis.table.yields.max()) < cross.sd
    row = encode(analysis.space.variables, [settings])
    expected = Forecast.of(analysis.ladder.predict(row))
    return CrossView(
        cross, is_close, len(analysis.crosses), expected.mean, shown, forecast_address(analysis, settings, Purpose.RAISE)
    )


@router.get("/preparations/{preparation_id}/stages")
def show_stages(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    analysis = analyse(session, preparation_id)
    if (instead := waiting(request, analysis, "stages")) is not None:
        return instead
    found = analysis.stages
    ids = {r.number: int(r.row.id or 0) for r in analysis.runs}
    working = analysis.working
    figure = None
    rows: list[tuple[int, int, list[float | None]]] = []
    if found is not None:
        number = working.run_number if working else None
        known = [(STAGE_WORDS[s], sum(bool(w.left.get(s)) for w in found.ways)) for s in found.stations]
        ends = listed([f"{stage} ({count} runs)" for stage, count in known])
        text = f"Product as a share of theory at the end of {ends}, and isolated ({len(found.ways)} runs)."
        figure = Figure("ways", text, ways_of_the_product(found, number))
        rows = [(w.number, ids[w.number], [*(w.left.get(s) for s in found.stations), w.percent]) for w in found.ways]
    out = analysis.ways.out_of_order
    page = StagesPage(
        frame=Frame(analysis.preparation, "stages"),
        analysis=analysis,
        found=found,
        figure=figure,
        stations=[STAGE_WORDS[s] for s in found.stations] if found else [],
        rows=rows,
        stretches=[_view(analysis, s) for s in found.stretches] if found else [],
        out_of_order=listed([str(n) for n in out]),
        order=", ".join(STAGE_WORDS[s] for s in analysis.ways.order.stages),
        cross=_cross(analysis),
        n_beside=analysis.beside_stages.n_rows if analysis.beside_stages else 0,
        trust=trust_sentence(analysis) if analysis.beside_stages else "",
        fewest=FEWEST_RUNS_OF_STAGE,
    )
    return render(request, "preparations/stages.html", page)


@router.post("/preparations/{preparation_id}/stages")
def set_use(preparation_id: Id, form: Form, session: WriteSession) -> Response:
    use_checkpoints(session, preparation_id, validated(CheckpointUseInput, {"use": "use" in form.values}))
    return leave_for(f"/preparations/{preparation_id}/stages")
