"""The recipe: working settings, how far they may drift, what yield costs; and the forecast record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.charts.decide import front_figure, record_figure
from server.core.choose.record import Record
from server.core.choose.tolerance import ToleranceWindow
from server.core.choose.tradeoffs import Front
from server.core.model.effects import listed
from server.errors import NothingReachableError
from server.services.analysis import Analysis, WorkingRecipe, analyse
from server.services.decisions import COST, HOURS, NO_RECORD, Decisions, run_otherwise
from server.services.words import alone_text, setting_text, sureness_words, window_text, window_words
from server.web.dependencies import Id, ReadSession
from server.web.pages.common import Figure, Frame
from server.web.pages.work import waiting
from server.web.rendering import render

router = APIRouter()


@dataclass(frozen=True)
class FrontView:
    """A trade-off with its figure and the rows of its table."""

    title: str
    unit: str
    figure: Figure
    rows: list[tuple[float, float, float, float, str]]
    note: str


@dataclass(frozen=True)
class RecipePage:
    """Context of the page 'recipe'."""

    frame: Frame
    working: WorkingRecipe | None
    settings: list[tuple[str, str, str, str]]
    window: ToleranceWindow | None
    window_words: str
    sureness: str
    fronts: list[FrontView]
    message: str
    prices_needed: list[str]
    n_runs: int


@dataclass(frozen=True)
class RecordPage:
    """Context of the forecast record."""

    frame: Frame
    record: Record | None
    figure: Figure | None
    message: str
    otherwise: str


def _front(analysis: Analysis, decisions: Decisions, front: Front) -> FrontView:
    pending = []
    for run in analysis.runs:
        kept = run.row.forecast
        burden = front.burden.of(run.settings) if run.is_pending else None
        if burden is not None and kept:
            pending.append((run.number, burden, float(kept["mean"])))
    variables = analysis.space.variables
    rows = [
        (
            p.burden,
            p.forecast.mean,
            p.forecast.low_50,
            p.forecast.high_50,
            ", ".join(f"{v.name} {setting_text(v, p.settings[v.key])}" for v in variables),
        )
        for p in front.points
    ]
    key = "hours" if front.burden.identity == "hours" else "cost"
    missing = decisions.always_without_price if key == "cost" else []
    note = f"Without a price, and not counted in any run: {listed(missing)}." if missing else ""
    figure = Figure(f"front-{key}", front.sentence, front_figure(front, pending))
    return FrontView(front.burden.name, front.burden.unit, figure, rows, note)


@router.get("/preparations/{preparation_id}/recipe")
def show_recipe(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    analysis = analyse(session, preparation_id)
    if (instead := waiting(request, analysis, "recipe")) is not None:
        return instead
    decisions = Decisions(analysis)
    window = decisions.window()
    fronts, message = [], ""
    try:
        fronts = [_front(analysis, decisions, f) for f in (decisions.front(HOURS), decisions.front(COST)) if f and f.points]
    except NothingReachableError as error:
        message = str(error)
    settings = []
    if window is not None:
        settings = [
            (w.variable.name, setting_text(w.variable, w.setting), window_text(w), alone_text(w)) for w in window.variables
        ]
    p, windows = analysis.preparation, [words for _, _, words, _ in settings]
    page = RecipePage(
        frame=Frame(p, "recipe"),
        working=analysis.working,
        settings=settings,
        window=window,
        window_words=window_words(windows, p.allowed_loss, p.window_percent),
        sureness=sureness_words(windows, window) if window is not None else "",
        fronts=fronts,
        message=message,
        prices_needed=decisions.without_price,
        n_runs=analysis.table.n_runs,
    )
    return render(request, "recipe/show.html", page)


def otherwise_words(numbers: Sequence[int]) -> str:
    """Which runs are no test of their forecasts; empty where all are."""
    if not numbers:
        return ""
    if len(numbers) == 1:
        return f"Run {numbers[0]} was made with other settings than planned, so its forecast is not judged."
    named = listed([str(n) for n in numbers])
    return f"Runs {named} were made with other settings than planned, so their forecasts are not judged."


@router.get("/preparations/{preparation_id}/record")
def show_record(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    analysis = analyse(session, preparation_id)
    record = Decisions(analysis).record()
    figure = Figure("record", record.sentence, record_figure(record.outcomes)) if record else None
    page = RecordPage(Frame(analysis.preparation, "record"), record, figure, NO_RECORD, otherwise_words(run_otherwise(analysis)))
    return render(request, "recipe/record.html", page)
