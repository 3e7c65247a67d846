"""Headers for every answer; form posts from other sites, names that are not this machine's, and too much at once are refused."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Collection
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src-elem 'self'; style-src-attr 'unsafe-inline'; "
    "img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'"
)
SECURITY_HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
EVERY_ADDRESS = ("0.0.0.0", "::")
_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")


def problem(status: int, title: str, detail: str, **more: Any) -> Response:
    """An error for scripts, as problem details (RFC 9457)."""
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, **more}
    return JSONResponse(body, status_code=status, media_type="application/problem+json")


def is_cross_site(headers: Headers) -> bool:
    """Tell whether a browser sent this request from another site.

    Browsers say so in Sec-Fetch-Site; over plain http to another host only Origin is
    sent. Scripts send neither and pass: they hold no cookies that could be abused.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site not in ("same-origin", "none")
    origin = headers.get("origin")
    if origin is None:
        return False
    try:
        return urlsplit(origin).netloc != headers.get("host")
    except ValueError:
        return True  # no browser sends what is no address


def is_own_host(header: str, listening: str, names: Collection[str] = ()) -> bool:
    """Tell whether a Host header names this machine, so that a page elsewhere cannot reach the app under its own name.

    Parameters
    ----------
    names : collection of str
        Further names of the machine, as its network knows it.

    Where the app listens on every address, any address and the machine's own name will do: what a
    page of another site can point at this machine is always another name ('DNS rebinding').
    """
    try:
        name = (urlsplit(f"//{header}").hostname or "").rstrip(".")
    except ValueError:
        return False
    if name in ("localhost", "127.0.0.1", "::1", listening.lower(), *names):
        return True
    if listening not in EVERY_ADDRESS:
        return False
    own = socket.gethostname().lower()
    if name in (own, f"{own}.local"):
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class SecurityMiddleware:
    """Adds the headers, and refuses what must not or need not be read.

    That is unsafe requests from other sites, any under a name that is not this machine's, and bodies
    above ``largest_body`` bytes; where a body does not say its length, the framework counts.
    """

    def __init__(self, app: ASGIApp, listening: str, names: str = "", largest_body: int | None = None) -> None:
        self.app = app
        self.largest_body = largest_body
        self.listening = listening
        self.names = tuple(name.strip().lower().rstrip(".") for name in names.split(",") if name.strip())

    def _is_too_large(self, length: str) -> bool:
        return self.largest_body is not None and length.isdecimal() and int(length[:18]) > self.largest_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = None
        if not is_own_host(headers.get("host", ""), self.listening, self.names):
            refused = (400, "This is not a name of the machine that the app runs on. Open it under its address.")
        elif scope["method"] not in _SAFE_METHODS and is_cross_site(headers):
            refused = (403, "This form was sent from another site and was refused. Open it here.")
        elif self._is_too_large(headers.get("content-length", "")):
            most = (self.largest_body or 0) // 1_000_000
            refused = (
                413,
                f"This is more than the {most} MB that can be sent at once. Nothing was stored: go back and send less.",
            )
        if refused:
            status, message = refused
            refusal: Response
            if scope["path"].startswith("/api/"):
                refusal = problem(status, "Refused", message)
                refusal.headers.update(SECURITY_HEADERS)
            else:
                refusal = PlainTextResponse(message, status_code=status, headers=SECURITY_HEADERS)
            await refusal(scope, receive, send)
            return
        is_static = scope["path"].startswith("/static/")

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                is_there = message["status"] in (200, 206, 304)
                if is_static and is_there and b"v=" in scope["query_string"]:
                    headers["Cache-Control"] = "public, max-age=31536000, immutable"
                elif not is_static:
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await self.app(scope, receive, send_with_headers)
