"""Home: all preparations, how good each is, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.services.runs import view_runs
from server.storage import questions
from server.storage.tables import PreparationRow
from server.web.dependencies import ReadSession
from server.web.forms import RECEIVED
from server.web.rendering import render

router = APIRouter()


@dataclass(frozen=True)
class Card:
    """One preparation on the home page."""

    row: PreparationRow
    n_runs: int
    best_percent: float | None
    next_action: str
    next_address: str


@dataclass(frozen=True)
class HomePage:
    """Context of the home page."""

    cards: list[Card]
    search: str
    archived: bool


def _card(session: ReadSession, row: PreparationRow) -> Card:
    assert row.id is not None
    base = f"/preparations/{row.id}"
    runs = view_runs(session, row)
    counting = [r for r in runs if r.counts]
    good = [r for r in counting if r.row.outcome != "failure"]
    best = max((r.percent or 0.0 for r in good if not r.is_too_high), default=max((r.percent or 0.0 for r in good), default=None))
    pending = sorted((r for r in runs if r.is_pending), key=lambda r: r.row.state != "under_way")
    waiting = pending[0] if pending else None
    if not questions.list_variables(session, row.id):
        action, address = "add the variables", f"{base}/setup"
    elif waiting is not None:
        state = "which is under way" if waiting.row.state == "under_way" else "which is planned"
        action, address = f"enter the result of run {waiting.number}, {state}", f"/runs/{waiting.row.id}"
    else:
        action, address = "see the proposed next run", f"{base}/proposal"
    return Card(row, len(counting), best, action, address)


@router.get("/")
def list_preparations(request: Request, session: ReadSession, search: str = "", archived: str = "") -> Response:
    show_archive = archived == "true"
    rows = questions.list_preparations(session, archived=show_archive, containing=search[:120])
    page = HomePage([_card(session, row) for row in rows], search[:120], show_archive)
    return render(request, "home.html", page)


@router.get("/preparations")
def list_preparations_again(request: Request, session: ReadSession) -> Response:
    return list_preparations(request, session)


@router.get("/received/{draft}")
def was_received(draft: str) -> dict[str, bool]:
    """Whether a form that a browser sent under this id was stored; ``static/js/drafts.js`` asks when no answer came."""
    return {"stored": RECEIVED.address_of(draft) is not None}
