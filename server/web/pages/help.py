"""Help: guide, glossary, methods with sources, cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fastapi import APIRouter, Request
from starlette.responses import FileResponse, Response

from server.charts.runs import RunPoint, yield_over_runs
from server.core.chemistry.weights import SOURCE
from server.core.choose.proposal import Forecast
from server.core.space.variables import Role, Variable
from server.paths import asset_folder
from server.services.decisions import Need, RunNeeds
from server.services.demo import DEMO
from server.storage import questions
from server.web.dependencies import ReadSession
from server.web.forms import FormState, Question
from server.web.glossary import GLOSSARY
from server.web.pages.common import Figure
from server.web.rendering import render

router = APIRouter()
_MEDIA_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


@dataclass(frozen=True)
class HelpPage:
    """Context of the help page."""

    glossary: dict[str, str]
    weights_source: str


@dataclass(frozen=True)
class GuidePage:
    """Context of the guided first preparation; ``base`` is the demo preparation's address, empty without the demo."""

    base: str
    last_run: int | None


@dataclass(frozen=True)
class PatternPage:
    """Context of the page that shows every component, built from the same macros as the pages."""

    blank: FormState
    wrong: FormState
    asking: FormState
    number: Variable
    choice: Variable
    figure: Figure
    forecast: Forecast
    needs: RunNeeds
    evidence: tuple[str, ...]


@router.get("/help")
def show_help(request: Request) -> Response:
    return render(request, "help.html", HelpPage(GLOSSARY, SOURCE))


@router.get("/help/guide")
def show_guide(request: Request, session: ReadSession) -> Response:
    """A first preparation, step by step on the demo."""
    row = questions.find_preparation_named(session, DEMO)
    runs = questions.list_runs(session, int(row.id or 0)) if row else []
    page = GuidePage(f"/preparations/{row.id}" if row else "", runs[0].id if runs else None)
    return render(request, "help/guide.html", page)


@router.get("/help/untidy-notebook.{ending}")
def download_notebook(ending: Literal["csv", "xlsx"]) -> Response:
    """An invented notebook to try the import with."""
    path = asset_folder("seed_runs") / f"03-untidy-notebook.{ending}"
    return FileResponse(path, media_type=_MEDIA_TYPES[ending], filename=f"untidy-notebook.{ending}")


@router.get("/help/patterns")
def show_patterns(request: Request) -> Response:
    number = Variable("1", "hold time", Role.HOLD_TIME, "h", 0.5, 6.0, 0.5, 2.0)
    choice = Variable("2", "drying agent", Role.CHOICE, choices=("magnesium sulfate", "sodium sulfate"), base="sodium sulfate")
    points = [RunPoint(1, 52.0, 0.8, "counted"), RunPoint(2, 3.0, 0.0, "failure"), RunPoint(3, 71.0, 0.8, "counted")]
    text = "Yield over 3 runs. The best is run 3 with 71.0 %."
    wrong = FormState({"mass": "20,3"}, {"mass": "“20,3” has a decimal comma. Write it with a point: 20.3"}, is_posted=True)
    question = Question("mass", "yield_above_100", "Keep it all the same, flagged")
    asking = FormState({"mass": "27"}, {"mass": "A yield of 104 % is above 100 %."}, (question,), is_posted=True)
    page = PatternPage(
        FormState({"setting_1": "2", "setting_2": "sodium sulfate"}),
        wrong,
        asking,
        number,
        choice,
        Figure("pattern", text, yield_over_runs(points, best=3, aim=80.0, literature=85.0)),
        Forecast(73.0, 70.0, 76.0, 65.0, 81.0, False),
        RunNeeds((Need("alcohol", 8.95, 11.0, False), Need("acid", 30.1, None, True)), 1.68, "EUR", True),
        ("clear", "likely", "not shown", "cannot be told apart"),
    )
    return render(request, "help/patterns.html", page)
