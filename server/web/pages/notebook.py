"""Past runs out of a notebook or spreadsheet: choose the table, say what its columns mean, see every row, store."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.core.space.variables import STAGE_WORDS
from server.errors import InvalidInputError
from server.exchange.tables import MOST_FILE_BYTES, read_file, read_kept, read_text, write_csv, write_text, write_workbook
from server.services.headings import meanings_for
from server.services.inputs import MOST_CHARACTERS, NotebookInput, validated
from server.services.notebook import (
    AGAIN,
    MOST_ROWS,
    SUMMARIES,
    BroughtIn,
    Notebook,
    checked_table,
    columns_left_out,
    import_runs,
    look_at,
    numeric_columns,
    runs_as_table,
)
from server.services.words import OUTCOME_LABELS, plain, setting_text
from server.storage import questions
from server.storage.tables import PreparationRow
from server.web.dependencies import Form, Id, ReadSession, WriteSession
from server.web.forms import STORED, FormState, RawForm, as_text, submit
from server.web.pages.common import Frame
from server.web.rendering import render

router = APIRouter()
_MOST_NAMED = 5
# Fields in which the chemist says what columns mean; what is said about single rows is not among them.
_ABOUT_COLUMNS = (
    "heading_row",
    "heading_row_was",
    "headings_were",
    "assumed",
    "small_yields",
    "amounts_at",
    "day_order",
    "day_year",
    "content_percent",
)
_OF_COLUMNS = ("column_", "unit_", "was_", "default_", "word_", "told_")
# Answers that store rows which are left out for their looks, and the question of each.
_DOUBTS = (
    (AGAIN, "Rows that look the same as a run here are other runs: store them as well"),
    (SUMMARIES, "Rows that look like a mean or a total are runs: store them as well"),
)


@dataclass(frozen=True)
class RowLine:
    """A row of the table as it would be stored, in words."""

    number: int
    day: str
    settings: list[str]
    percent: float | None
    weighed: str
    scale: str
    becomes: str
    problem: str
    asks_outcome: bool
    outcome: str


@dataclass(frozen=True)
class NotebookPage:
    """Context of the import: without a book the first step, else columns and rows to check."""

    frame: Frame
    form: FormState
    has_variables: bool
    most_rows: int
    most_megabytes: int
    book: Notebook | None = None
    lines: tuple[RowLine, ...] = ()
    kept: str = ""
    note: str = ""
    shown: str = ""
    assumed: str = ""
    meanings: tuple[tuple[str, str], ...] = ()
    said: Mapping[str, str] = field(default_factory=dict)
    unused: tuple[str, ...] = ()

    @property
    def doubts(self) -> list[tuple[str, str]]:
        """(code, question) about rows that are left out for what they look like."""
        possible = {r.stored_by for r in self.book.rows} if self.book else set()
        return [(code, words) for code, words in _DOUBTS if code in possible]


@dataclass(frozen=True)
class _Posted:
    """The table with what the chemist says about it."""

    data: NotebookInput
    kept: str
    note: str
    is_first_look: bool
    errors: Mapping[str, str] = field(default_factory=dict)


@router.get("/preparations/{preparation_id}/runs/import")
def new_import(request: Request, preparation_id: Id, session: ReadSession) -> Response:
    return render(request, "runs/notebook.html", _page(session, questions.get_preparation(session, preparation_id), FormState()))


@router.post("/preparations/{preparation_id}/runs/import")
def create_import(request: Request, preparation_id: Id, form: Form, session: WriteSession) -> Response:
    # The file is read before the first question to the database takes the write lock.
    if form.values.get("action") == "change" and form.values.get("kept"):
        preparation = questions.get_preparation(session, preparation_id)
        rows = read_kept(form.values["kept"])
        # Blank rows in front would be lost on the way through the text, and the numbers of the others with them.
        blank = next((k for k, row in enumerate(rows) if any(row)), 0)
        said = _said(form, rows[blank:], blank)
        page = replace(_page(session, preparation, FormState({"rows": write_text(rows[blank:])})), said=said)
        return render(request, "runs/notebook.html", page)
    try:
        posted = _read(form)
        checked_table(posted.data.rows)
    except InvalidInputError as error:
        state = FormState(form.values, errors=error.messages, is_posted=True)
        page = _page(session, questions.get_preparation(session, preparation_id), state)
        return render(request, "runs/notebook.html", replace(page, said=_said(form, None)), status=422)
    preparation = questions.get_preparation(session, preparation_id)

    def act() -> str:
        if posted.errors:
            raise InvalidInputError(posted.errors)
        found = import_runs(session, preparation_id, posted.data, shown=form.values.get("shown", ""))
        done.append(_words(found))
        return f"/preparations/{preparation_id}#runs"

    done: list[str] = []
    redraw = _draw_check(request, session, preparation, posted)
    if form.values.get("action") == "store" or posted.errors:
        return submit(form, act, redraw, told=lambda: done[0] if done else STORED)
    return redraw(FormState(form.values, confirmed=tuple(form.all("confirm"))), 200)


@router.get("/preparations/{preparation_id}/runs.csv")
def download_runs(preparation_id: Id, session: ReadSession) -> Response:
    # The mark in front tells spreadsheets that this is UTF-8.
    text = "\ufeff" + write_csv(runs_as_table(session, preparation_id), for_spreadsheets=True)
    return Response(text, media_type="text/csv; charset=utf-8", headers=_as_file(session, preparation_id, "csv"))


@router.get("/preparations/{preparation_id}/runs.xlsx")
def download_workbook(preparation_id: Id, session: ReadSession) -> Response:
    table = runs_as_table(session, preparation_id)
    content = write_workbook(table, numeric_columns(session, preparation_id, table[0]))
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
    return Response(content, media_type=kind, headers=_as_file(session, preparation_id, "xlsx"))


def _as_file(session: ReadSession, preparation_id: int, ending: str) -> dict[str, str]:
    """Header of a download that is named after its preparation."""
    name = quote(questions.get_preparation(session, preparation_id).name)
    return {"Content-Disposition": f"attachment; filename=\"runs.{ending}\"; filename*=UTF-8''{name}%20runs.{ending}"}


def _said(form: RawForm, rows: list[list[str]] | None, less: int = 0) -> dict[str, str]:
    """What was said about the columns and rows of a table, for when it is read again.

    Parameters
    ----------
    rows : list of rows or None
        Those that it was said about.
    less : int
        How many rows in front were left out since.
    """
    said = {k: v for k, v in form.values.items() if k in _ABOUT_COLUMNS or k.startswith(_OF_COLUMNS)}
    for name in ("heading_row", "heading_row_was"):
        if less and said.get(name, "").isdecimal() and int(said[name][:6]) > less:
            said[name] = str(int(said[name][:6]) - less)
    if rows is not None:
        said["headings_were"] = _headings(rows, said.get("heading_row_was", ""))
        for number, outcome in form.prefixed("without_").items():
            place = int(number) - less if number.isdecimal() and len(number) < 6 else 0
            if outcome and 0 < place <= len(rows):
                said[f"told_{place}"] = f"{outcome}|{_one_line(rows[place - 1])}"
    return said


def _one_line(row: Sequence[str]) -> str:
    """Cells of a row as one text, by which it is known again; as for ``_headings``."""
    return "|".join(" ".join(cell.split()) for cell in row).rstrip("|")


def _outcomes_told(form: RawForm, rows: list[list[str]]) -> dict[str, str]:
    """What became of rows by their number: as said beside them, or as said before the table was changed."""
    told: dict[str, str] = {}
    for answer in form.prefixed("told_").values():
        outcome, _, text = answer.partition("|")
        same = (str(k) for k, row in enumerate(rows, start=1) if _one_line(row) == text)
        if (number := next((n for n in same if n not in told), None)) is not None:
            told[number] = outcome
    return told | form.prefixed("without_")


def _headings(rows: list[list[str]], heading_row: str) -> str:
    """Cells of the row with the headings as one text, with its number; empty where there is none."""
    number = int(heading_row) if heading_row.isascii() and heading_row.isdigit() and len(heading_row) < 6 else 0
    # Browsers send line breaks inside a heading back in their own way, and a line tells nothing of empty cells behind it.
    return _one_line([heading_row, *rows[number - 1]]) if 0 < number <= len(rows) and rows[number - 1] else ""


def _read(form: RawForm) -> _Posted:
    """The table that was chosen, pasted, or kept by the page, and what was said about it."""
    kept, note = form.values.get("kept", ""), form.values.get("note", "")
    is_first_look = form.values.get("action") not in ("check", "store") or not kept
    if not is_first_look:
        return _with_what_was_said(form, read_kept(kept), kept, note)
    rows, note = _chosen_table(form)
    if max((len(row) for row in rows), default=0) == 1:
        note = f"{note} There is one column only: nothing was recognised that separates cells.".strip()
    headings = form.values.get("headings_were", "")
    if headings and headings == _headings(rows, form.values.get("heading_row_was", "")):
        # The same headings again: what was said about them still holds.
        return _with_what_was_said(form, rows, write_csv(rows), note)
    data = validated(NotebookInput, {"rows": rows})
    return _Posted(data, write_csv(data.rows), note, is_first_look=True)


def _chosen_table(form: RawForm) -> tuple[list[list[str]], str]:
    """Rows of the file that was chosen, else of what was pasted, with a note about what was read."""
    file = form.files.get("file")
    if file is None:
        rows, note = read_text(form.values.get("rows", "")), ""
    else:
        table = read_file(file.content, form.values.get("sheet", "").strip())
        rows, note = table.rows, table.note
        if form.values.get("rows", "").strip():
            note = f"{note} The file was read, not what was pasted.".strip()
    checked_table(rows)
    _check_cells(rows)
    return rows, note


def _with_what_was_said(form: RawForm, rows: list[list[str]], kept: str, note: str) -> _Posted:
    raw: dict[str, Any] = {"rows": rows, "confirm": form.all("confirm")}
    raw["heading_row"] = form.values.get("heading_row", "")
    said = _outcomes_told(form, rows)
    raw["failed_rows"] = [row for row, outcome in said.items() if outcome == "failure"]
    raw["empty_rows"] = [row for row, outcome in said.items() if outcome == "no_information"]
    raw["day_order"] = form.values.get("day_order", "")
    raw["day_year"] = form.values.get("day_year", "")
    raw["small_yields"] = form.values.get("small_yields", "")
    raw["amounts_at"] = form.values.get("amounts_at", "")
    raw["content_percent"] = form.values.get("content_percent", "")
    raw["defaults"] = form.prefixed("default_")
    was = form.values.get("heading_row_was", "")
    # Other headings mean other columns; what is no number of a row changes nothing yet.
    if raw["heading_row"].strip() == was or not raw["heading_row"].strip().isdigit():
        raw["columns"] = _columns_said(form)
    assumed = set(filter(None, form.values.get("assumed", "").split(",")))
    for key in assumed & {c["meaning"].removeprefix("v") for c in raw.get("columns", {}).values()}:
        # The page itself filled this in for want of a column; now there is one.
        raw["defaults"].pop(key, None)
    words: dict[str, dict[str, str]] = {}
    for name, option in form.prefixed("word_").items():
        key, _, word = name.partition(":")
        words.setdefault(key, {})[word] = option
    raw["words"] = words
    try:
        return _Posted(validated(NotebookInput, raw), kept, note, is_first_look=False)
    except InvalidInputError as error:
        # What can be read is shown again, with a message at what cannot.
        good = {name: value for name, value in raw.items() if name not in error.messages}
        return _Posted(validated(NotebookInput, good), kept, note, is_first_look=False, errors=error.messages)


def _columns_said(form: RawForm) -> dict[str, dict[str, str]]:
    """Meaning and unit of every column; a unit counts for the meaning that it was chosen for."""
    units, before = form.prefixed("unit_"), form.prefixed("was_")
    return {
        k: {"meaning": meaning, "unit": units.get(k, "") if before.get(k, meaning) == meaning else ""}
        for k, meaning in form.prefixed("column_").items()
    }


def _check_cells(rows: list[list[str]]) -> None:
    for k, row in enumerate(rows, start=1):
        longest = max((len(cell) for cell in row), default=0)
        if longest > MOST_CHARACTERS:
            raise InvalidInputError(
                {"rows": f"Row {k} has a cell of {longest} characters; at most {MOST_CHARACTERS} fit. Shorten it."}
            )


def _words(found: BroughtIn) -> str:
    n = len(found.numbers)
    words = f"Run {found.numbers[0]} was" if n == 1 else f"{n} runs, {found.numbers[0]} to {found.numbers[-1]}, were"
    words += " brought in."
    if found.left_out:
        named = "; ".join(f"row {number} ({why.rstrip('.')})" for number, why in found.left_out[:_MOST_NAMED])
        more = f"; and {len(found.left_out) - _MOST_NAMED} more" if len(found.left_out) > _MOST_NAMED else ""
        words += f" Left out: {named}{more}."
    return words


def _page(session: ReadSession, preparation: PreparationRow, form: FormState) -> NotebookPage:
    has_variables = bool(questions.list_variables(session, int(preparation.id or 0)))
    return NotebookPage(Frame(preparation, "overview"), form, has_variables, MOST_ROWS, MOST_FILE_BYTES // 1_000_000)


def _draw_check(
    request: Request, session: WriteSession, preparation: PreparationRow, posted: _Posted
) -> Callable[[FormState, int], Response]:
    """Draw columns and rows; a column with an impossible meaning keeps what was chosen, with its message."""

    def redraw(form: FormState, status: int) -> Response:
        key = int(preparation.id or 0)
        data, errors = posted.data, dict(form.errors)
        try:
            book = look_at(session, key, data, base_for_missing=posted.is_first_look)
        except InvalidInputError as error:
            errors.update(error.messages)
            wrong = {int(name.removeprefix("column_")) for name in error.messages if name.startswith("column_")}
            left = {k: c if k not in wrong else c.model_copy(update={"meaning": ""}) for k, c in data.columns.items()}
            # A variable may have been removed meanwhile, with its default.
            defaults = {} if "defaults" in error.messages else data.defaults
            content = None if "content_percent" in error.messages else data.content_percent
            left_over = {"columns": left, "defaults": defaults, "content_percent": content}
            book = look_at(session, key, data.model_copy(update=left_over))
            status = 422
        # Answers are for the rows that they were asked about, and stay while these are the same; which rows count as
        # runs stays said.
        asked = {AGAIN, SUMMARIES, *(answer for question in book.questions for answer, _ in question.choices)}
        confirmed = form.confirmed if form.errors else tuple(c for c in form.confirmed if c in asked)
        state = replace(
            form, confirmed=confirmed, values={**_chosen(book, data), **_kept_wrong(form.values, errors)}, errors=errors
        )
        page = replace(
            _page(session, preparation, state),
            book=book,
            lines=tuple(_lines(book)),
            kept=posted.kept,
            note=posted.note,
            shown=book.mark,
            assumed=",".join(v.key for v in book.missing if book.defaults.get(v.key) == as_text(v.base)),
            meanings=tuple(meanings_for(book.space, book.charged)),
            unused=tuple(columns_left_out(book, checked_table(data.rows))),
        )
        return render(request, "runs/notebook.html", page, status=status)

    return redraw


def _chosen(book: Notebook, data: NotebookInput) -> dict[str, str]:
    """What the fields show."""
    values = {"heading_row": str(book.heading_row), "day_order": data.day_order, "small_yields": data.small_yields}
    values["amounts_at"] = data.amounts_at
    values |= {"content_percent": as_text(data.content_percent), "day_year": as_text(data.day_year)}
    for c in book.columns:
        values[f"column_{c.position}"], values[f"unit_{c.position}"] = c.meaning, c.unit
    values.update({f"default_{key}": text for key, text in book.defaults.items()})
    values.update({f"word_{w.variable.key}:{w.word}": w.option for w in book.words})
    return values


def _kept_wrong(typed: Mapping[str, str], errors: Mapping[str, str]) -> dict[str, str]:
    return {name: typed[name] for name in errors if name in typed}


def _place(name: str, stage: str) -> str:
    """What was weighed on the way and where, once: a table of the app's own calls it 'weighed after work-up'."""
    return name if name.endswith(f" {stage}") else f"{name}, {stage}"


def _lines(book: Notebook) -> list[RowLine]:
    out = []
    for r in book.rows:
        settings = [setting_text(v, r.settings[v.key]) if v.key in r.settings else "" for v in book.space.variables]
        words = [
            OUTCOME_LABELS.get(r.outcome, ""),
            "excluded" if r.is_excluded else "",
        ]
        becomes = f"left out: {r.left_out}" if r.left_out else ", ".join(filter(None, ["stored", *words, *r.remarks]))
        said = r.outcome if r.lacks_result and r.outcome != "yield" else ""
        marks = [
            f"{_place(c.name, STAGE_WORDS[c.stage])}: {plain(c.mass_g, 5)} g, {c.purity_percent:.4g} % {c.formula or 'product'}"
            for c in r.checkpoints
        ]
        weighed = "; ".join([*r.weighed, *marks])
        scale = "" if r.scale_mol is None else f"{plain(r.scale_mol)} mol"
        problem = " ".join(r.problems)
        out.append(RowLine(r.number, r.day, settings, r.percent, weighed, scale, becomes, problem, r.lacks_result, said))
    return out
