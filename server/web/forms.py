"""Forms: from what was typed to an answer that loses nothing of it."""

from __future__ import annotations

import hashlib
import json
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Any
from urllib.parse import quote, unquote, urlsplit

from fastapi import Request
from pydantic import BaseModel
from starlette.responses import RedirectResponse, Response

from server.errors import ConflictError, InvalidInputError, NeedsConfirmationError, NothingReachableError


@dataclass(frozen=True)
class PostedFile:
    """A file as the browser sent it; nothing about it is trusted."""

    name: str
    content: bytes


class RawForm:
    """The posted pairs as text, and posted files."""

    def __init__(self, pairs: Sequence[tuple[str, str]], files: Mapping[str, PostedFile] | None = None) -> None:
        self.pairs = list(pairs)
        self.files = dict(files or {})
        self.values = dict(self.pairs)
        # Undoes what a refused form has begun, and with it gives up the lock.
        self.undo: Callable[[], None] = lambda: None

    def all(self, name: str) -> list[str]:
        """Every value posted under a name."""
        return [value for key, value in self.pairs if key == name]

    def only(self, names: Sequence[str]) -> dict[str, Any]:
        """The named fields that were posted."""
        return {name: self.values[name] for name in names if name in self.values}

    def typed(self, kind: type[BaseModel]) -> dict[str, Any]:
        """The posted fields of an input class, with every confirmation that was ticked."""
        found = self.only(list(kind.model_fields))
        return {**found, "confirm": self.all("confirm")} if "confirm" in kind.model_fields else found

    def prefixed(self, prefix: str) -> dict[str, str]:
        """Fields that start with a prefix, by the rest of their name."""
        return {key[len(prefix) :]: value for key, value in self.pairs if key.startswith(prefix)}


@dataclass(frozen=True)
class Question:
    """A yes that is needed before something unusual is stored."""

    field: str
    code: str
    text: str


@dataclass(frozen=True)
class FormState:
    """What a form shows: typed values, a message per field, questions, a message for the whole form.

    ``beside`` holds what is stored in fields that were changed elsewhere and typed otherwise here.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    errors: Mapping[str, str] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    confirmed: tuple[str, ...] = ()
    banner: str = ""
    every: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    is_posted: bool = False
    beside: Mapping[str, str] = field(default_factory=dict)

    def value(self, name: str, default: str = "") -> str:
        return self.values.get(name, default)

    def has(self, name: str, value: str, default: bool = False) -> bool:
        """Whether a check box was ticked; ``default`` before anything was posted."""
        return value in self.every.get(name, ()) if self.is_posted else default

    def error(self, name: str) -> str:
        return self.errors.get(name, "")

    @classmethod
    def of(cls, data: BaseModel | Mapping[str, Any]) -> FormState:
        """Fill a form from stored values."""
        items = data.model_dump() if isinstance(data, BaseModel) else dict(data)
        return cls({key: as_text(value) for key, value in items.items()})


def _is_the_same(typed: str, stored: str) -> bool:
    """Whether two texts of a field say the same: 4.50 is 4.5, and line ends differ between systems."""
    with suppress(ValueError):
        return float(typed) == float(stored)
    return typed.split() == stored.split()


def as_text(value: Any) -> str:
    """A stored value as it would be typed."""
    if value is None:
        return ""
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, (list, tuple)):
        return "\n".join(str(v) for v in value)
    return str(value)


def stamp(data: BaseModel) -> str:
    """A short text that differs whenever the stored values do; forms carry it as ``seen``."""
    values = json.dumps(data.model_dump(mode="json"), sort_keys=True)
    return hashlib.sha256(values.encode()).hexdigest()[:16]


def check_seen(form: RawForm, data: BaseModel, what: str) -> None:
    """Refuse to overwrite what was changed since the form was opened.

    Parameters
    ----------
    data : BaseModel
        The stored values now.

    Raises
    ------
    ConflictError
    """
    if is_outdated(form.values.get("seen", ""), data):
        raise ConflictError(
            f"{what} was changed elsewhere since this form was opened. "
            "What you typed is still here: compare it with what is stored now, then save again."
        )


def is_outdated(seen: str | None, data: BaseModel) -> bool:
    """Whether the stored values differ from those that had the stamp ``seen``; never where it was not given."""
    return bool(seen) and seen != stamp(data)


# The same form that comes a second time waits no longer than this for the first one. [s]
LONGEST_WAIT = 25.0


class Received:
    """Drafts that were stored lately, by the id that the browser gave them, with the address that was answered."""

    def __init__(self, most: int = 500) -> None:
        self._most = most
        self._addresses: OrderedDict[str, str] = OrderedDict()
        self._going: set[str] = set()
        self._ended = threading.Condition()

    def address_of(self, draft: str) -> str | None:
        """The address that was answered, once what is being done with the draft has ended."""
        with self._ended:
            self._ended.wait_for(lambda: draft not in self._going, timeout=LONGEST_WAIT)
            return self._addresses.get(draft)

    def begin(self, draft: str) -> str | None:
        """The address where the draft was stored already; else it is being worked on from now on, until ``end``.

        The same draft that comes once more meanwhile waits, so that it is stored once.
        """
        with self._ended:
            self._ended.wait_for(lambda: draft not in self._going, timeout=LONGEST_WAIT)
            if draft not in self._addresses:
                self._going.add(draft)
            return self._addresses.get(draft)

    def end(self, draft: str, address: str | None) -> None:
        """What was begun is over; ``address`` is None where nothing was stored."""
        with self._ended:
            self._going.discard(draft)
            if address is not None:
                self._addresses[draft] = address
                if len(self._addresses) > self._most:
                    self._addresses.popitem(last=False)
            self._ended.notify_all()


RECEIVED = Received()


def _draft_id(form: RawForm) -> str:
    """The id that the browser gave its draft of this form (``static/js/drafts.js``); empty without one."""
    draft = form.values.get("draft", "")
    return draft if re.fullmatch(r"[\w-]{1,60}", draft, re.ASCII) else ""


STORED = "Stored."
# What was done goes along to the page that is shown next, in a cookie that this page takes away again.
_TOLD = "yieldwright-told"
LONGEST_TOLD = 600
# Browsers drop a cookie of more than 4096 bytes; in it, a letter beyond ASCII takes six or more.
_LARGEST_TOLD = 3500


def leave_for(address: str, told: str = STORED, draft: str = "") -> Response:
    """Go to an address, say there what was done, and tell the browser that its draft has arrived.

    Parameters
    ----------
    told : str
        What was done, shown once where the address points (``told_at``), as far as ``LONGEST_TOLD`` characters; empty:
        nothing. It does not go into the address, so a link cannot put words into the app's mouth.
    """
    answer = RedirectResponse(address, status_code=303)
    if draft:
        answer.set_cookie("yieldwright-received", draft, max_age=86_400, samesite="strict")
    if told:
        while len(quote(told, safe="")) > _LARGEST_TOLD or len(told) > LONGEST_TOLD:
            told = told.removesuffix("…")[:-1] + "…"
        text = f"{quote(address, safe='')}:{quote(told, safe='')}"
        answer.set_cookie(_TOLD, text, max_age=120, samesite="strict", httponly=True)
    return answer


def told_at(request: Request, place: str) -> str:
    """What the form that led to this page has done, if its address pointed at this place (a fragment, or none)."""
    address, _, told = request.cookies.get(_TOLD, "").partition(":")
    led_to = urlsplit(unquote(address))
    if not told or request.method != "GET" or (led_to.path, led_to.fragment) != (request.url.path, place):
        return ""
    request.state.is_told = True
    return unquote(told)[:LONGEST_TOLD]


def forget_told(request: Request, answer: Response) -> None:
    """What was said on a page is not said again on the next."""
    if getattr(request.state, "is_told", False):
        answer.delete_cookie(_TOLD, samesite="strict", httponly=True)


def submit(
    form: RawForm,
    act: Callable[[], str],
    redraw: Callable[[FormState, int], Response],
    stored: Callable[[], FormState] | None = None,
    told: Callable[[], str] = lambda: STORED,
) -> Response:
    """Do what a form asks for and go to the address that ``act`` returns, or show the form again.

    Parameters
    ----------
    act : callable
        Returns the address to go to. Raises input errors of ``server.errors``.
    redraw : callable
        Draws the form again from its state and a status code.
    stored : callable or None
        Fills the form from what is stored now: where that was changed meanwhile, it is shown beside what was typed.
    told : callable
        What is said where the address points, once ``act`` has done its work.
    """
    confirmed = tuple(dict.fromkeys(form.all("confirm")))
    every = {name: tuple(form.all(name)) for name in form.values}
    draft = _draft_id(form)
    typed = FormState(form.values, confirmed=confirmed, every=every, is_posted=True)
    try:
        # A form whose answer was lost on the way comes again: it is stored already.
        address = RECEIVED.begin(draft) if draft else None
        if address is None:
            try:
                address = act()
            finally:
                if draft:
                    RECEIVED.end(draft, address)
        return leave_for(address, told(), draft)
    except InvalidInputError as error:
        form.undo()
        return redraw(replace(typed, errors=error.messages), 422)
    except NothingReachableError as error:
        form.undo()
        return redraw(replace(typed, banner=str(error)), 422)
    except NeedsConfirmationError as error:
        form.undo()
        asked = tuple(Question(error.field, answer, question) for answer, question in error.choices)
        # An earlier yes to the same question was for other values.
        kept = tuple(answer for answer in confirmed if answer.partition(":")[0] != error.code)
        return redraw(replace(typed, confirmed=kept, errors={error.field: error.message}, questions=asked), 422)
    except ConflictError as error:
        form.undo()
        now = stored().values if stored is not None else {}
        beside = {k: text for k, text in now.items() if k in form.values and not _is_the_same(form.values[k], text)}
        return redraw(replace(typed, banner=str(error), beside=beside), 409)
