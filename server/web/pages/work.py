"""Long work: a page that shows progress and can cancel, in place of a page that would hang."""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from server.compute.work import WORKSHOP, Work
from server.errors import NotFoundError
from server.services.analysis import Analysis
from server.web.dependencies import Form
from server.web.pages.common import Frame
from server.web.rendering import render

router = APIRouter()
_KEY = re.compile(r"[0-9a-f]{64}")
# An address of this site: not one that begins with two slashes, which would be another host.
_HERE = re.compile(r"/(?!/)[A-Za-z0-9/_.?=&%+-]*")


@dataclass(frozen=True)
class WorkPart:
    """Context of the part that shows progress; ``address`` is the page that waits for it."""

    key: str
    work: Work
    address: str


@dataclass(frozen=True)
class WorkPage:
    """Context of the page in place of one that waits."""

    frame: Frame
    part: WorkPart
    n_runs: int


def waiting(request: Request, analysis: Analysis, here: str) -> Response | None:
    """The progress page while the models of many runs are being fitted; None where nothing has to be waited for."""
    if not analysis.takes_long:
        return None
    key = analysis.work_key
    work = WORKSHOP.find(key)
    if work is None or (work.state != "working" and request.query_params.get("again") == "yes"):
        work = WORKSHOP.start(key, f"fit of {analysis.table.n_runs} runs", analysis.prepare)
    elif work.state == "done":
        # Its result was pushed out of the store since then.
        work = WORKSHOP.start(key, work.title, analysis.prepare)
    asked = [(k, v) for k, v in request.query_params.multi_items() if k != "again"]
    address = request.url.path + ("?" + urlencode(asked) if asked else "")
    return render(
        request,
        "work/show.html",
        WorkPage(Frame(analysis.preparation, here), WorkPart(key, work, address), analysis.table.n_runs),
    )


def _work(key: str) -> Work:
    work = WORKSHOP.find(key) if _KEY.fullmatch(key) else None
    if work is None:
        raise NotFoundError("work", key[:12])
    return work


@router.get("/work/{key}")
def show_progress(request: Request, key: str, to: str = "/") -> Response:
    """The part that shows progress; when the work is done, the waiting page is loaded again."""
    work = _work(key)
    to = to if _HERE.fullmatch(to) else "/"
    if work.state == "done" and request.headers.get("hx-request") != "true":
        return RedirectResponse(to, status_code=303)
    response = render(request, "work/_progress.html", WorkPart(key, work, to))
    if work.state == "done":
        response.headers["HX-Redirect"] = to
    return response


@router.post("/work/{key}/cancel")
def cancel(key: str, form: Form) -> Response:
    _work(key)
    WORKSHOP.cancel(key)
    to = form.values.get("to", "/")
    return RedirectResponse(to if _HERE.fullmatch(to) else "/", status_code=303)
