"""One table from error class to status, and the error pages."""

from __future__ import annotations

import logging
import re
import secrets
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from server.errors import (
    BusyError,
    ConflictError,
    FormulaTextError,
    InvalidInputError,
    NeedsConfirmationError,
    NotFoundError,
    NothingReachableError,
    NotReadyError,
    StorageError,
    YieldwrightError,
)
from server.services.inputs import field_of, message_for
from server.web.rendering import render
from server.web.security import SECURITY_HEADERS, problem

logger = logging.getLogger("yieldwright")

STATUS: dict[type[YieldwrightError], int] = {
    NotFoundError: 404,
    InvalidInputError: 422,
    NeedsConfirmationError: 422,
    FormulaTextError: 422,
    NothingReachableError: 422,
    NotReadyError: 409,
    ConflictError: 409,
    BusyError: 503,
    StorageError: 503,
}


@dataclass(frozen=True)
class ErrorPage:
    """Context of an error page."""

    title: str
    message: str
    reference: str = ""
    typed: tuple[tuple[str, str], ...] = ()
    back: str = ""


# What the framework says of these tells nobody what to do.
_SAID_OTHERWISE = {
    404: "There is nothing at this address.",
    413: "This is more than can be sent at once. Nothing was stored: send less.",
}
# The preparation or run that an address belongs to.
_OWNER = re.compile(r"/(?:preparations|runs)/\d+(?=/)")


def _wants_json(request: Request) -> bool:
    return request.url.path.startswith("/api/")


def _page(request: Request, status: int, message: str, reference: str = "") -> Response:
    name = "errors/404.html" if status == 404 else "errors/500.html" if status == 500 else "errors/other.html"
    title = {404: "Not found", 500: "Something went wrong"}.get(status, "This cannot be done")
    form = getattr(request.state, "form", None)
    typed = tuple((key, value) for key, value in form.pairs if value.strip()) if form is not None else ()
    return render(request, name, ErrorPage(title, message, reference, typed, _page_before(request)), status=status)


def _page_before(request: Request) -> str:
    """Address of the page of this app from which the request came; empty where it came from elsewhere."""
    before = urlsplit(request.headers.get("referer", ""))
    is_own = before.netloc == request.url.netloc and before.path.startswith("/") and not before.path.startswith("//")
    if not is_own or before.path == request.url.path:
        return ""
    return before.path + (f"?{before.query}" if before.query else "")


def install_error_pages(app: FastAPI) -> None:
    """Attach the handlers to the application."""
    app.add_exception_handler(YieldwrightError, _expected)
    app.add_exception_handler(RequestValidationError, _invalid_request)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(Exception, _bug)


def _expected(request: Request, error: Exception) -> Response:
    """What the app refuses, with what to do about it."""
    status = next((code for kind, code in STATUS.items() if isinstance(error, kind)), 500)
    if not _wants_json(request):
        return _page(request, status, str(error))
    more: dict[str, Any] = {}
    if isinstance(error, InvalidInputError):
        more["errors"] = error.messages
    if isinstance(error, NeedsConfirmationError):
        more["errors"] = {error.field: error.message}
        more["confirm"] = error.code
        if error.others:
            more["or_confirm"] = [code for code, _ in error.others]
    if isinstance(error, NotReadyError):
        more.update(have=error.have, need=error.need)
    return problem(status, type(error).__name__.removesuffix("Error"), str(error), **more)


def _invalid_request(request: Request, error: Exception) -> Response:
    """An address or a body that does not have the declared shape."""
    assert isinstance(error, RequestValidationError)
    in_path = any(one["loc"][0] == "path" for one in error.errors())
    if in_path or not _wants_json(request):
        # /runs/abc is an address that does not exist, not a form mistake.
        if _wants_json(request):
            return problem(404, "NotFound", "There is nothing at this address.")
        return _page(request, 404 if in_path else 422, "There is nothing at this address.")
    if any(one["type"] == "json_invalid" for one in error.errors()):
        return problem(400, "InvalidInput", "The body is no JSON that can be read.", errors={"body": "This is no JSON."})
    if isinstance(error.body, bytes):
        # Sent as something else, the body was not even looked at.
        message = "Send the body as JSON, with the header Content-Type: application/json."
        return problem(422, "InvalidInput", message, errors={"body": message})
    messages: dict[str, str] = {}
    for one in error.errors():
        messages.setdefault(field_of(one["loc"][1:], "body"), message_for(one))
    return problem(422, "InvalidInput", " ".join(messages.values()), errors=messages)


def _http_error(request: Request, error: Exception) -> Response:
    """An address that is not there, or a method that it does not have."""
    assert isinstance(error, HTTPException)
    detail = _SAID_OTHERWISE.get(error.status_code, str(error.detail))
    if _wants_json(request):
        answer = problem(error.status_code, "NotFound" if error.status_code == 404 else "Refused", detail)
        answer.headers.update(error.headers or {})
        return answer
    if error.status_code == 405 and request.method == "GET" and (found := _OWNER.match(request.url.path)):
        # The address that a form went to, opened again: what it belongs to is the page that is meant.
        return RedirectResponse(found[0], status_code=303)
    page = _page(request, error.status_code, detail)
    page.headers.update(error.headers or {})
    return page


def _bug(request: Request, error: Exception) -> Response:
    """Anything that nobody expected: logged under a reference that the page names."""
    reference = secrets.token_hex(4)
    logger.error("Unexpected error %s at %s %s", reference, request.method, request.url.path, exc_info=error)
    message = (
        "The app made a mistake. Look whether this step was stored before you try it again. "
        "The log has the details under the reference."
    )
    if _wants_json(request):
        answer = problem(500, "InternalError", message, reference=reference)
    else:
        answer = _page(request, 500, message, reference)
    # This handler stands outside the middleware that adds them to all other answers.
    answer.headers.update({**SECURITY_HEADERS, "Cache-Control": "no-store"})
    return answer
