"""What handlers ask for: sessions, raw forms, ids that fit the database."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import Annotated

from fastapi import Depends, HTTPException, Path, Query, Request
from sqlmodel import Session
from starlette.requests import ClientDisconnect

from server.errors import InvalidInputError
from server.storage.engine import read_session, write_session
from server.storage.files import FileStore
from server.web.forms import PostedFile, RawForm

API_PREFIX = "/api/v1"
# Of a file more than this is not read; services say where their own limit lies. [bytes]
LARGEST_FILE = 25_000_000
# The largest form is that of past runs from a table: a tick for each of its rows, and a few fields for each column.
MOST_FIELDS = 2_000


def _read(request: Request) -> Iterator[Session]:
    with read_session(request.app.state.engine) as session:
        yield session


def _write(request: Request) -> Iterator[Session]:
    with write_session(request.app.state.engine, reads_after_commit=True) as session:
        request.state.undo = session.rollback
        yield session


async def _form(request: Request) -> RawForm:
    try:
        async with request.form(max_fields=MOST_FIELDS, max_part_size=LARGEST_FILE) as form:
            pairs = [(key, value) for key, value in form.multi_items() if isinstance(value, str)]
            files = {}
            for key, value in form.multi_items():
                if not isinstance(value, str) and value.filename:
                    files[key] = PostedFile(value.filename, await value.read(LARGEST_FILE + 1))
    except (LookupError, UnicodeError) as error:
        raise HTTPException(400, "The form came in a character set that cannot be read.") from error
    except ClientDisconnect as error:
        # Nobody reads this: the connection broke off, as it does where the network is poor.
        raise HTTPException(400, "The form did not arrive whole, and nothing was stored. Send it again.") from error
    raw = RawForm(pairs, files)
    raw.undo = lambda: getattr(request.state, "undo", lambda: None)()
    request.state.form = raw  # for the error page, which shows what was typed
    return raw


def _files(request: Request) -> FileStore:
    store: FileStore = request.app.state.files
    return store


Writer = Callable[[], AbstractContextManager[Session]]


def _writer(request: Request) -> Writer:
    """For handlers that compute first: the write lock is taken only while something is stored."""
    return lambda: write_session(request.app.state.engine, reads_after_commit=True)


def refuse_unknown_parameters(request: Request) -> None:
    """Refuse a parameter of an address that is not described: misspelt, it would switch off what it was meant for.

    Raises
    ------
    InvalidInputError
    """
    described = request.app.openapi()["paths"][API_PREFIX + request.scope["route"].path][request.method.lower()]
    known = {one["name"] for one in described.get("parameters", ()) if one["in"] == "query"}
    if unknown := sorted(set(request.query_params) - known):
        there = f"There are {', '.join(sorted(known))}." if known else "There is none here."
        raise InvalidInputError({name[:40]: f"There is no such parameter. {there}" for name in unknown})


OpenWriter = Annotated[Writer, Depends(_writer)]
Files = Annotated[FileStore, Depends(_files)]
ReadSession = Annotated[Session, Depends(_read)]
WriteSession = Annotated[Session, Depends(_write)]
Form = Annotated[RawForm, Depends(_form)]
# What an answer calls its stamp, sent back.
Seen = Annotated[str | None, Query(min_length=16, max_length=16)]
Id = Annotated[int, Path(ge=1, le=2**63 - 1)]
