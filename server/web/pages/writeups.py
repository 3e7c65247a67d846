"""The write-up: today's draft, kept versions, downloads."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from server.core.space.variables import Stage
from server.errors import InvalidInputError, NotReadyError
from server.services.analysis import Analysis, analyse
from server.services.inputs import ProcedureInput, validated
from server.services.numbers import NumberTextError, read_optional_number
from server.services.scales import check_scale
from server.services.writeups import (
    MATERIAL_HEADER,
    STAGE_TITLES,
    Content,
    as_html,
    as_markdown,
    compose,
    expected_sentence,
    found_sentence,
    gave_sentences,
    material_cells,
    runs_picture,
    scope_sentence,
    set_procedure,
    store_version,
    stored_procedure,
    window_sentence,
)
from server.storage import questions
from server.storage.tables import PreparationRow, WriteUpRow
from server.web.dependencies import Form, Id, OpenWriter, ReadSession, WriteSession
from server.web.forms import FormState, RawForm, check_seen, stamp, submit
from server.web.pages.common import Frame
from server.web.pages.work import waiting
from server.web.rendering import render, templates

router = APIRouter()


@dataclass(frozen=True)
class Document:
    """A write-up with its sentences, for the template."""

    content: Content
    version: int | None
    scope: str
    window: str
    expected: str
    gave: Sequence[str]
    found: str
    header: Sequence[str]
    materials: list[list[str]]
    picture: Markup

    @classmethod
    def of(cls, content: Content, version: int | None) -> Document:
        return cls(
            content,
            version,
            scope_sentence(content),
            window_sentence(content),
            expected_sentence(content),
            gave_sentences(content),
            found_sentence(content),
            MATERIAL_HEADER,
            [material_cells(m, content.get("readability_g")) for m in content["materials"]],
            # Numbers and fixed words only; nothing typed goes into the picture.
            Markup(runs_picture(content)),
        )


@dataclass(frozen=True)
class WriteUpPage:
    """Context of the page 'write-up'."""

    frame: Frame
    document: Document | None
    message: str
    versions: list[WriteUpRow]
    form: FormState
    procedure_form: FormState
    stages: dict[Stage, str]
    download: str
    procedure_seen: str


def _scale(text: str) -> float | None:
    try:
        return check_scale(read_optional_number(text))
    except NumberTextError as error:
        raise InvalidInputError({"scale_mol": str(error)}) from error


def _procedure_form(preparation: PreparationRow) -> FormState:
    texts = stored_procedure(preparation).stages
    return FormState({f"stage_{stage}": texts.get(stage, "") for stage in Stage})


def _page(request: Request, session: ReadSession, preparation_id: int, known: Analysis | None = None) -> Callable[..., Response]:
    """``known`` is the analysis where the handler has made it already; a refused form is drawn from a fresh one."""

    def redraw(form: FormState, status: int, scale: float | None = None, which: str = "") -> Response:
        analysis = known or analyse(session, preparation_id)
        document, message = None, ""
        try:
            document = Document.of(compose(session, analysis, scale), None)
        except NotReadyError as error:
            message = str(error)
        page = WriteUpPage(
            Frame(analysis.preparation, "writeup"),
            document,
            message,
            list(questions.list_write_ups(session, preparation_id))[::-1],
            FormState({"scale_mol": "" if scale is None else f"{scale:.12g}"}) if which == "procedure" else form,
            form if which == "procedure" else _procedure_form(analysis.preparation),
            STAGE_TITLES,
            "?" + urlencode({"scale_mol": repr(scale)}) if scale else "",
            stamp(stored_procedure(analysis.preparation)),
        )
        return render(request, "writeups/show.html", page, status=status)

    return redraw


@router.get("/preparations/{preparation_id}/write-up")
def show_write_up(request: Request, preparation_id: Id, session: ReadSession, scale_mol: str = "") -> Response:
    analysis = analyse(session, preparation_id)
    if (instead := waiting(request, analysis, "writeup")) is not None:
        return instead
    redraw = _page(request, session, preparation_id, analysis)
    form = FormState({"scale_mol": scale_mol})
    try:
        scale = _scale(scale_mol)
    except InvalidInputError as error:
        return redraw(FormState({"scale_mol": scale_mol}, error.messages), 422)
    return redraw(form, 200, scale)


@router.post("/preparations/{preparation_id}/write-ups")
def keep(request: Request, preparation_id: Id, form: Form, session: ReadSession, writer: OpenWriter) -> Response:
    analysis = analyse(session, preparation_id)

    def composed() -> Content:
        try:
            return compose(session, analysis, _scale(form.values.get("scale_mol", "")))
        except NotReadyError as error:
            raise InvalidInputError({"scale_mol": str(error)}) from error

    def act() -> str:
        # What may be refused comes first, so that a refusal stores nothing.
        content = composed()
        if form.prefixed("stage_"):
            # The procedure as it stands in the other form of the page: what was typed there belongs into the version.
            with writer() as writing:
                _save_procedure(writing, preparation_id, form)
            session.rollback()
            content = composed()
        with writer() as writing:
            return f"/write-ups/{store_version(writing, preparation_id, content).id}"

    redraw = _page(request, session, preparation_id)

    def draw(state: FormState, status: int) -> Response:
        return redraw(state, status, which="procedure" if status == 409 else "")

    return submit(form, act, draw, lambda: _procedure_form(questions.get_preparation(session, preparation_id)))


def _save_procedure(session: WriteSession, preparation_id: int, form: RawForm) -> None:
    check_seen(form, stored_procedure(questions.get_preparation(session, preparation_id)), "The procedure")
    set_procedure(session, preparation_id, validated(ProcedureInput, {"stages": form.prefixed("stage_")}))


@router.post("/preparations/{preparation_id}/procedure")
def change_procedure(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    questions.get_preparation(session, preparation_id)

    def act() -> str:
        _save_procedure(session, preparation_id, form)
        return f"/preparations/{preparation_id}/write-up#procedure"

    redraw = _page(request, session, preparation_id)
    draw = partial(redraw, which="procedure")
    return submit(form, act, draw, lambda: _procedure_form(questions.get_preparation(session, preparation_id)))


@dataclass(frozen=True)
class KeptPage:
    """Context of a kept version."""

    frame: Frame
    row: WriteUpRow
    document: Document


def _kept(session: ReadSession, write_up_id: int) -> tuple[PreparationRow, WriteUpRow]:
    row = questions.get_write_up(session, write_up_id)
    return questions.get_preparation(session, row.preparation_id), row


@router.get("/write-ups/{write_up_id}")
def show_version(request: Request, write_up_id: Id, session: ReadSession) -> Response:
    preparation, row = _kept(session, write_up_id)
    page = KeptPage(Frame(preparation, "writeup"), row, Document.of(row.content, row.version))
    return render(request, "writeups/kept.html", page)


def _file(content: Content, version: int | None, kind: str) -> Response:
    """The document as a download; the name keeps letters and digits only."""
    stem = re.sub(r"[^A-Za-z0-9]+", "-", str(content["title"])).strip("-").lower() or "write-up"
    stem += f"-v{version}" if version else "-draft"
    headers = {"Content-Disposition": f'attachment; filename="{stem}.{kind}"'}
    if kind == "md":
        return Response(as_markdown(content, version), media_type="text/markdown; charset=utf-8", headers=headers)
    context: dict[str, Any] = {"document": Document.of(content, version)}
    body = templates().env.get_template("writeups/_document.html").render(context)
    return Response(as_html(content, version, body), media_type="text/html; charset=utf-8", headers=headers)


@router.get("/write-ups/{write_up_id}/file.md")
def version_markdown(write_up_id: Id, session: ReadSession) -> Response:
    row = _kept(session, write_up_id)[1]
    return _file(row.content, row.version, "md")


@router.get("/write-ups/{write_up_id}/file.html")
def version_html(write_up_id: Id, session: ReadSession) -> Response:
    row = _kept(session, write_up_id)[1]
    return _file(row.content, row.version, "html")


@router.get("/preparations/{preparation_id}/write-up.md")
def draft_markdown(preparation_id: Id, session: ReadSession, scale_mol: str = "") -> Response:
    return _file(compose(session, analyse(session, preparation_id), _scale(scale_mol)), None, "md")


@router.get("/preparations/{preparation_id}/write-up.html")
def draft_html(preparation_id: Id, session: ReadSession, scale_mol: str = "") -> Response:
    return _file(compose(session, analyse(session, preparation_id), _scale(scale_mol)), None, "html")
