"""Help: guide, glossary, methods with sources, cautions."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.core.chemistry.weights import SOURCE
from server.web.rendering import render

router = APIRouter()

GLOSSARY = {
    "preparation": "What is being made and improved: materials, variables, limits, aim.",
    "material": "A line of the charge: reagent, solvent, catalyst, drying agent, wash; with formula, amount and purity.",
    "variable": "Something that may be set differently from run to run. It has unit, range, step, hard limit and stage.",
    "setting": "The value of a variable in one run, planned and as run.",
    "stage": "Reaction, quench, work-up, isolation or drying: where a variable acts and where losses are measured.",
    "run": "One attempt: planned, under way, finished or abandoned.",
    "checkpoint": "A weighed intermediate of a run.",
    "repeat": "Runs with the same settings; their scatter is the repeatability.",
    "working recipe": "The settings that the evidence favours today; always settings that were really run.",
    "effect": "Change in yield when one variable goes across the range that was tried, the others held at the working recipe.",
    "evidence": "Words for an effect: clear (95 % sure of its direction), likely (80 %), not shown, cannot be told apart from …",
    "proposal": "The suggested next run, with its purpose, forecast and reason.",
    "new ground": "Settings outside what has been tried.",
    "limit": "A hard bound or rule over variables. A proposal never leaves it.",
}


@dataclass(frozen=True)
class HelpPage:
    """Context of the help page."""

    glossary: dict[str, str]
    weights_source: str


@router.get("/help")
def show_help(request: Request) -> Response:
    return render(request, "help.html", HelpPage(GLOSSARY, SOURCE))
