"""Past runs from a notebook or spreadsheet: a table's columns get a meaning, then all rows are stored or none.

A first look guesses which row holds the headings and what each column means; the
chemist corrects that, sees every row as it would be stored, and says yes.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

from pydantic import ValidationError
from sqlmodel import Session

from server.core.chemistry.charge import moles_in
from server.core.model.effects import listed
from server.core.space.limits import Space
from server.core.space.units import convert
from server.core.space.variables import THE_STAGE, Role, Setting, Stage, Variable
from server.errors import ConflictError, InvalidInputError, NeedsConfirmationError
from server.exchange.tables import Rows, as_typed
from server.services.cells import (
    bare_unit,
    bare_units,
    is_blank,
    is_not_available,
    is_perhaps_summary,
    is_summary,
    lacks_year,
    read_amount,
    read_clock,
    read_day,
    read_hours,
    read_outcome,
    stroke_order,
    tidy,
)
from server.services.charges import (
    AsWeighed,
    MadeWith,
    contradicting_as_weighed,
    follow_interims,
    interims_of,
    material_of,
    product_of,
    reference_of,
    settings_as_weighed,
)
from server.services.checkpoints import store_checkpoint
from server.services.headings import (
    AT_SCALE,
    FACTORS,
    FORMULA_ON_THE_WAY,
    MEANINGS,
    OF_MATERIALS,
    WEIGHED_ON_THE_WAY,
    Charged,
    Column,
    OptionNames,
    body_of,
    columns_of,
    family_of,
    find_heading_row,
    material_meant,
    split_heading,
    stored_unit,
)
from server.services.inputs import (
    LONGEST_NAME,
    LONGEST_OPTION,
    LONGEST_SHORT_TEXT,
    CheckpointInput,
    FinishedRunInput,
    NotebookInput,
    field_messages,
)
from server.services.numbers import NumberTextError
from server.services.preparations import latest_day, log_change
from server.services.runs import (
    NEXT_TO_NOTHING,
    Amounts,
    DisagreementError,
    RunView,
    ask_about_slips,
    note_of,
    result_before_storing,
    store_result,
    stored_theory,
    view_runs,
    yield_of,
)
from server.services.spaces import space_of, stored_space
from server.services.vessels import variables_of_amounts
from server.services.words import OUTCOME_LABELS, grows_with_scale, plain
from server.storage import questions
from server.storage.tables import CheckpointRow, MaterialRow, PreparationRow, RunRow, WeighedRow

MOST_ROWS = 500
# What stands above the runs of a full table: headings, units, the name of the series.
_MOST_HEADINGS = 5
MOST_COLUMNS = 120
# So many rows are named in a message.
_MOST_NAMED = 8
# A column of yields up to this much may hold fractions: wet products give a little more than 1.
_LARGEST_FRACTION = 1.5
# So many words that are no option are asked about.
MOST_WORDS = 30
_OUTCOMES = {"yield": "ok", **OUTCOME_LABELS}
# Words of a column 'state' (common practice, no source); an outcome may stand there as well.
_STATE_WORDS = {
    "finished": ("finished", "done", "complete", "completed"),
    "planned": ("planned", "to do", "todo"),
    "under way": ("under way", "in progress", "running", "ongoing"),
    "abandoned": ("abandoned", "cancelled", "canceled", "stopped"),
}
_NO_WORDS = ("no", "n", "0", "false", "none", "ok", "included", "counted", "nein", "n.a.", "na", "n/a")
_YES_WORDS = ("yes", "y", "1", "true", "x")
# By code: what is unusual, the question that storing it needs a yes to, and the remark beside a row.
_QUESTIONS = {
    "comma": (
        "A comma stands before exactly three digits, so it may group thousands.",
        "It is a decimal comma: 7,250 means 7.25",
        "decimal comma",
    ),
    "point": (
        "A point stands before exactly three digits in a table with decimal commas, so it may group thousands.",
        "It is a decimal point: 1.050 means 1.05",
        "decimal point",
    ),
    "middle": ("A range stands where one value is needed.", "Take the middle of each range", "middle of a range"),
    "outside_limits": (
        "Settings lie outside the hard limits.",
        "These runs were really made with these settings",
        "outside the hard limits",
    ),
    "yield_above_100": ("The yield is above 100 %.", "Keep it all the same, flagged", "above 100 %"),
    "mass_counts": (
        "The mass gives another yield than the one that is written.",
        "The mass counts in these rows",
        "yield from the mass, another one is written",
    ),
    "nothing_isolated": (
        "Next to nothing was isolated. Choose in the row whether the run failed; else it counts as what the settings give.",
        "These settings give next to nothing",
        "next to nothing isolated",
    ),
    "scales": (
        "What was weighed of the material of one equivalent is another amount than the scale that is written.",
        "What was weighed counts in these rows",
        "scale by what was weighed, another one is written",
    ),
    "crystal_water": (
        "Solvent and water left are just the water of crystallisation of the product's formula, which counts as product.",
        "They are there beside the water of crystallisation",
        "water of crystallisation, perhaps counted twice",
    ),
    "far_from_plan": (
        "What was weighed of a material is far from what its settings and scale take.",
        "It was really so much",
        "weighed far from what it should be",
    ),
    "contradicting_amounts": (
        "What was weighed of several materials speaks for different values of the variable that sets them, so none of it counts.",
        "The value under ‘Where the table says nothing’ counts in these rows",
        "what was weighed contradicts itself",
    ),
    "same_reference": (
        "A run with the same notebook reference and day is here already, with other settings or another yield.",
        "These are other runs: store them as well",
        "notebook reference of a run that is here",
    ),
    "far_scale": (
        "The scale lies far from the usual one; it is in mol, not in mmol.",
        "The scales are right",
        "a scale far from the usual one",
    ),
    "checkpoint_of_nothing": (
        "0 g was weighed on the way; a cell that is left empty says that nothing was weighed.",
        "Nothing was there",
        "weighed on the way: nothing",
    ),
    "checkpoint_above_theory": (
        "What was weighed on the way holds more product than theory allows; usually it was still wet, so its content is lower.",
        "Keep it all the same",
        "weighed on the way above theory",
    ),
}
# 1,5 and 12,25 g have decimal commas; 1.050 beside them may be a thousand and fifty.
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,(?:\d{1,2}|\d{4,})(?![\w,-])")
# Columns that hold no numbers.
_WORDS = {"reference", "notes", "made_on", "lot", "made_by", "outcome", "state", "excluded_reason"}
_MAY_GROUP_BY_POINT = re.compile(r"(?<![\d,.])[1-9]\d{0,2}\.\d{3}(?![\d,.])")
# Where a word may say what became of the run.
_OUTCOME_KEYS = ("outcome", "state", "yield_percent", "product_mass_g")
_CHECKPOINT_KEYS = {key for keys in WEIGHED_ON_THE_WAY.values() for key in keys}
_FORMULA_KEYS = set(FORMULA_ON_THE_WAY.values())
# Scales that lie no further apart are the same for amounts. (Own judgement.)
_OTHER_SCALE = 0.01
# A scale is a round number: by less than this share what was weighed may differ from it. (Own judgement.)
_SAME_SCALE = 0.05
# Days without a year that follow each other lie no further apart, or the year changed between them. (Own judgement.)
_HALF_A_YEAR = timedelta(days=183)
# Said to store runs that look like ones that are here, and rows that look like means.
AGAIN = "again"
SUMMARIES = "summaries"


@dataclass(frozen=True)
class UnknownWord:
    """A word that is no option of a choice, or no number: ``option`` is what the chemist says it means, empty if nothing."""

    variable: Variable
    word: str
    option: str


@dataclass(frozen=True)
class NotebookRow:
    """A row as it would be stored: settings by variable key; ``problems`` or ``left_out`` say why it would not.

    ``stored_by`` is the answer (``AGAIN`` or ``SUMMARIES``) that would store a row that is left out for its looks.
    ``weighed`` says what is noted of materials. ``lacks_result`` where a row has neither a yield nor a product mass, or
    nothing of it, and no word for its outcome. ``scale_mol`` is None where the row says none: the base scale. [mol]
    """

    number: int
    settings: Mapping[str, Setting]
    day: str
    percent: float | None
    outcome: str
    is_excluded: bool
    remarks: tuple[str, ...]
    problems: tuple[str, ...]
    left_out: str
    stored_by: str
    lacks_result: bool = False
    checkpoints: tuple[CheckpointInput, ...] = ()
    weighed: tuple[str, ...] = ()
    scale_mol: float | None = None


@dataclass(frozen=True)
class Notebook:
    """A table with its meaning, row by row.

    ``words`` are at most ``MOST_WORDS``, ``more_words`` counts the others; ``missing`` are the variables without
    a column, ``as_weighed`` those of them that follow from what was weighed; ``defaults`` what counts, by variable
    key, where the table says nothing; ``questions`` what storing needs a yes to.
    """

    space: Space
    heading_row: int
    columns: tuple[Column, ...]
    rows: tuple[NotebookRow, ...]
    words: tuple[UnknownWord, ...]
    more_words: int
    missing: tuple[Variable, ...]
    asks_day_order: bool
    asks_day_year: bool
    asks_small_yields: bool
    asks_amounts: bool
    defaults: Mapping[str, str]
    charged: Charged
    as_weighed: tuple[Variable, ...]
    questions: tuple[NeedsConfirmationError, ...] = ()

    @property
    def good(self) -> tuple[NotebookRow, ...]:
        """The rows that would be stored."""
        return tuple(r for r in self.rows if not r.problems and not r.left_out)

    @property
    def has_scales(self) -> bool:
        """Whether any row says at which scale its run was made."""
        return any(row.scale_mol is not None for row in self.rows)

    @property
    def has_weighed(self) -> bool:
        """Whether a column holds what was weighed, on the way or of a material."""
        return self.weighs_on_the_way or any(material_meant(c.meaning) for c in self.columns)

    @property
    def without(self) -> list[Variable]:
        """Variables of which the table says nothing at all."""
        return [v for v in self.missing if v not in self.as_weighed]

    @property
    def has_result(self) -> bool:
        """Whether a column says what came out: a yield, a product mass, or what became of the run."""
        return any(c.meaning in _OUTCOME_KEYS for c in self.columns)

    @property
    def weighs_on_the_way(self) -> bool:
        """Whether a column holds what was weighed on the way."""
        return any(c.meaning in _CHECKPOINT_KEYS for c in self.columns)

    @property
    def mark(self) -> str:
        """A short text that differs whenever the rows do; questions and their answers do not count.

        Nor does what the chemist says of a row without a result: that is an answer too.
        """
        rows = [
            (
                *(r.number, sorted(r.settings.items()), r.day, r.is_excluded, r.left_out, r.weighed),
                [c.model_dump() for c in r.checkpoints],
            )
            + (() if r.lacks_result else (r.percent, r.outcome))
            for r in self.rows
        ]
        return hashlib.sha256(repr(rows).encode()).hexdigest()[:16]


@dataclass(frozen=True)
class BroughtIn:
    """What came of an import: numbers of the new runs, and the rows of the table that were left out, with the reason."""

    numbers: tuple[int, ...]
    left_out: tuple[tuple[int, str], ...]


@dataclass
class _Row:
    """A row on its way to be stored. ``asked`` are codes of questions that it raises."""

    number: int
    raw: dict[str, Any] = field(default_factory=lambda: {"outcome": "yield"})
    settings: dict[str, Setting] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)
    not_given: list[str] = field(default_factory=list)
    lacks_result: bool = False
    reference_mol: float | None = None
    # What was weighed of the material of one equivalent. [g]
    reference_g: float | None = None
    # What was weighed [g] or measured [mL] of materials, by the meaning of its column.
    noted: dict[str, float] = field(default_factory=dict)
    weighed: dict[str, tuple[Column, float]] = field(default_factory=dict)
    formulas: dict[str, str] = field(default_factory=dict)
    checkpoints: list[CheckpointInput] = field(default_factory=list)
    asked: set[str] = field(default_factory=set)
    remarks: list[str] = field(default_factory=list)
    left_out: str = ""
    stored_by: str = ""


def look_at(session: Session, preparation_id: int, data: NotebookInput, *, base_for_missing: bool = False) -> Notebook:
    """Read a table and say how every row would be stored; nothing is kept.

    Parameters
    ----------
    base_for_missing : bool
        Take the base recipe's setting for variables without a column.

    Raises
    ------
    NotFoundError
    InvalidInputError
        If there is no table, a column is given a meaning that it cannot have, or a content is none.
    """
    try:
        book, _, asked = _bring_in(session, preparation_id, data, base_for_missing=base_for_missing)
        return replace(book, questions=tuple(_questions(book, asked, data)))
    finally:
        session.rollback()


def import_runs(session: Session, preparation_id: int, data: NotebookInput, *, shown: str | None = None) -> BroughtIn:
    """Store the rows of a table as finished runs, all or none. Runs that are here already are left out.

    Parameters
    ----------
    shown : str or None
        Mark of the rows that the chemist saw; nothing is stored where they are read differently now.

    Raises
    ------
    NotFoundError
    InvalidInputError
        If no row can be stored.
    NeedsConfirmationError
        For rows with a problem, settings outside the hard limits, yields above 100 %, ranges,
        commas that may group thousands, and columns of numbers left out: possible, but only on a yes.
    ConflictError
        If the rows are not those that were shown.
    """
    try:
        book, runs, asked = _bring_in(session, preparation_id, data)
        if shown is not None and shown != book.mark:
            raise ConflictError("The rows are read differently now. Look at them, then store.")
        _check_something_good(book)
        for question in _questions(book, asked, data):
            question.raise_unless_in(data.confirm)
    except Exception:
        session.rollback()
        raise
    numbers = tuple(run.number for run in runs)
    log_change(session, preparation_id, f"{_count(len(runs), 'past run')} brought in from a table")
    session.commit()
    return BroughtIn(numbers, tuple((r.number, r.left_out or " ".join(r.problems)) for r in book.rows if r not in book.good))


def _check_something_good(book: Notebook) -> None:
    if not book.good:
        bad = [row for row in book.rows if row.problems]
        out = next((row for row in book.rows if row.left_out), None)
        why = _named(bad) or (f"Row {out.number} {out.left_out}, and so on." if out else "No row holds a run.")
        raise InvalidInputError({"rows": f"Nothing can be stored. {why}"})


def _questions(book: Notebook, asked: Mapping[str, Sequence[int]], data: NotebookInput) -> list[NeedsConfirmationError]:
    """What storing the rows needs a yes to."""
    found = []
    for code, numbers in asked.items():
        message, question, _ = _QUESTIONS[code]
        found.append(NeedsConfirmationError("rows", code, f"{message} {_rows_named(numbers)}.", question))
    bad = [row for row in book.rows if row.problems]
    if bad:
        question = f"Leave out {_count(len(bad), 'row')} with a problem"
        found.append(NeedsConfirmationError("rows", "skip_bad", _named(bad), question))
    unused = columns_left_out(book, checked_table(data.rows))
    without = book.without
    if without and unused:
        # A variable without a column beside a column of numbers without a meaning may be one that was not recognised.
        names, columns = ", ".join(v.name for v in without), ", ".join(unused)
        message = f"{names} would be the same in every run, although these columns are left out: {columns.rstrip('.')}."
        question = "The columns that are left out hold something else"
        found.append(NeedsConfirmationError("rows", "left_out_columns", message, question))
    return found


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _rows_named(numbers: Sequence[int]) -> str:
    shown = ", ".join(str(n) for n in numbers[:_MOST_NAMED])
    more = f" and {len(numbers) - _MOST_NAMED} more" if len(numbers) > _MOST_NAMED else ""
    return f"{'Row' if len(numbers) == 1 else 'Rows'} {shown}{more}"


def _named(bad: Sequence[NotebookRow]) -> str:
    sentences = [f"Row {row.number}: {' '.join(row.problems)}" for row in bad[:_MOST_NAMED]]
    if len(bad) > _MOST_NAMED:
        sentences.append(f"And {_count(len(bad) - _MOST_NAMED, 'row')} more.")
    return " ".join(sentences)


def _bring_in(
    session: Session, preparation_id: int, data: NotebookInput, *, base_for_missing: bool = False
) -> tuple[Notebook, list[RunRow], dict[str, list[int]]]:
    """Add every row that can be added, without commit; return also the rows by the code of the question that they raise."""
    preparation = questions.get_preparation(session, preparation_id)
    space = stored_space(session, preparation_id)
    materials = questions.list_materials(session, preparation_id)
    charged = charged_of(materials, preparation)
    table = checked_table(data.rows)
    heading_row = find_heading_row(table, space, charged) if data.heading_row is None else data.heading_row
    option_names = _option_names(space, materials)
    columns = columns_of(table, heading_row, space, data.columns, option_names, charged)
    covered = {c.meaning for c in columns}
    missing = tuple(v for v in space.variables if f"v{v.key}" not in covered)
    defaults = _defaults_by_key(space, data.defaults)
    if data.content_percent is not None and not 0 < data.content_percent <= 100:
        raise InvalidInputError({"content_percent": "Enter a content above 0 and up to 100 %."})
    if base_for_missing:
        # What a notebook does not mention was, most likely, as in the base recipe; whoever asks shows it.
        defaults.update({v.key: v.base if isinstance(v.base, str) else f"{v.base:.12g}" for v in missing})
    body = body_of(table, heading_row, space)
    driving = variables_of_amounts(materials)
    growing = {v.key for v in space.variables if grows_with_scale(v, driving)}
    told = data.model_copy(update={"defaults": defaults})
    reader = _Reader(space, columns, told, option_names, body, preparation, materials, growing)
    existing: dict[tuple[Any, ...], list[int]] = {}
    noted: set[tuple[str, str]] = set()
    for view in view_runs(session, preparation):
        if view.row.state == "finished":
            noted.add((view.row.reference.casefold(), view.row.made_on or ""))
            key = _likeness(view.settings, view.percent, view.row.made_on, view.row.lot)
            existing.setdefault(key, []).append(view.number)
    runs: list[RunRow] = []
    shown: list[NotebookRow] = []
    asked: dict[str, list[int]] = {}
    for number, cells in body:
        row = reader.read(number, cells)
        percent = None
        if not row.problems and not row.left_out:
            percent = _leave_out_if_here(preparation, materials, row, existing, again=AGAIN in data.confirm)
            if percent is not None and percent < NEXT_TO_NOTHING and row.raw["outcome"] == "yield":
                reader.take_outcome(row)
        if not row.problems and not row.left_out:
            _ask_if_noted(row, set() if AGAIN in data.confirm else noted)
            run, percent = _try_to_add(session, preparation, row, reader.amounts_of(row))
            if run is not None:
                runs.append(run)
                for code in sorted(row.asked):
                    asked.setdefault(code, []).append(row.number)
        shown.append(_shown(row, percent, charged))
    # A row whose run gave nothing adds no question of its own to one that is asked about others.
    silent = {row.number for row in shown if row.lacks_result and row.outcome != "yield"}
    asked = {code: [n for n in numbers if n not in silent] or numbers for code, numbers in asked.items()}
    words = tuple(reader.words)
    book = Notebook(
        space=space,
        heading_row=heading_row,
        columns=tuple(columns),
        rows=tuple(shown),
        words=words[:MOST_WORDS],
        more_words=max(0, len(words) - MOST_WORDS),
        missing=missing,
        asks_day_order=reader.asks_day_order,
        asks_day_year=reader.asks_day_year,
        asks_small_yields=reader.asks_small_yields,
        asks_amounts=reader.asks_amounts or bool(data.amounts_at),
        defaults=defaults,
        charged=charged,
        as_weighed=tuple(v for v in missing if v.key in reader.as_weighed),
    )
    return book, runs, asked


def _defaults_by_key(space: Space, given: Mapping[str, str]) -> dict[str, str]:
    """Defaults by variable key; scripts may name the variables."""
    names = {v.name: v.key for v in space.variables}
    keys = {v.key for v in space.variables}
    found = {k if k in keys else names.get(k, k): text for k, text in given.items()}
    unknown = sorted(found.keys() - keys)
    if unknown:
        raise InvalidInputError({"defaults": f"There is no variable {unknown[0][:40]}."})
    return found


def _leave_out_if_here(
    preparation: PreparationRow,
    materials: Sequence[MaterialRow],
    row: _Row,
    existing: dict[tuple[Any, ...], list[int]],
    *,
    again: bool,
) -> float | None:
    """Leave a row out that looks like a stored run; every stored run accounts for one row. Returns the yield."""
    try:
        data = FinishedRunInput.model_validate({**row.raw, "settings": row.settings})
    except ValidationError as error:
        row.problems.extend(field_messages(error).values())
        return None
    percent = result_before_storing(preparation, materials, row.settings, data)
    alike = existing.get(_likeness(row.settings, percent, row.raw.get("made_on"), data.lot), [])
    if alike and not again:
        row.left_out, row.stored_by = f"looks the same as run {alike.pop(0)}", AGAIN
    return percent


def _ask_if_noted(row: _Row, noted: Collection[tuple[str, str]]) -> None:
    """A table that comes again with a cell corrected, or a column read otherwise, holds runs that are here."""
    reference = str(row.raw.get("reference") or "")
    if reference and (reference.casefold(), row.raw.get("made_on") or "") in noted:
        row.asked.add("same_reference")


def _try_to_add(session: Session, preparation: PreparationRow, row: _Row, amounts: Amounts) -> tuple[RunRow | None, float | None]:
    """Add one run and return it with its yield; what stands in the way is noted in the row."""
    given: list[str] = []
    while True:
        data = FinishedRunInput.model_validate({**row.raw, "settings": row.settings, "confirm": given})
        try:
            with session.begin_nested():
                run = store_result(session, int(preparation.id or 0), data, is_past=True, weighed=amounts)
                if row.noted:
                    session.flush()
                    ask_about_slips(session, run, amounts, given)
                for checkpoint in row.checkpoints:
                    store_checkpoint(session, run, checkpoint.model_copy(update={"confirm": given}))
            return run, _percent_of(preparation, run)
        except DisagreementError:
            # The mass is what was weighed; that it counts is asked about.
            row.raw.pop("yield_percent")
            row.asked.add("mass_counts")
        except InvalidInputError as error:
            row.problems.extend(error.messages.values())
            return None, None
        except NeedsConfirmationError as error:
            given.append(error.code)
            row.asked.add(error.code)


def _percent_of(preparation: PreparationRow, run: RunRow) -> float | None:
    found = yield_of(preparation, run, stored_theory(run))
    return found.percent if found else (0.0 if run.outcome == "failure" else None)


def _likeness(settings: Mapping[str, Setting], percent: float | None, day: str | None, lot: str) -> tuple[Any, ...]:
    values = sorted((k, v if isinstance(v, str) else f"{v:.6g}") for k, v in settings.items())
    return tuple(values), None if percent is None else f"{percent:.1f}", day or None, lot


def _shown(row: _Row, percent: float | None, charged: Charged) -> NotebookRow:
    labels = charged.meanings
    return NotebookRow(
        number=row.number,
        settings=dict(row.settings),
        day=str(row.raw.get("made_on") or ""),
        percent=percent,
        outcome=str(row.raw["outcome"]),
        is_excluded=bool(row.raw.get("excluded_reason")),
        remarks=(*(_QUESTIONS[code][2] for code in sorted(row.asked)), *row.remarks),
        problems=tuple(dict.fromkeys(row.problems)),
        left_out=row.left_out,
        stored_by=row.stored_by,
        lacks_result=row.lacks_result,
        checkpoints=tuple(row.checkpoints),
        scale_mol=row.raw.get("scale_mol"),
        weighed=tuple(f"{labels[key][0]}: {plain(value, 5)} {labels[key][1]}" for key, value in row.noted.items()),
    )


def checked_table(rows: Rows) -> Rows:
    """The rows made equally long.

    Raises
    ------
    InvalidInputError
        For the field ``rows``: no table, or one that is too large.
    """
    filled = sum(any(row) for row in rows)
    if not filled:
        raise InvalidInputError({"rows": "There is no table yet. Paste it, headings included, or choose a file."})
    if filled > MOST_ROWS + _MOST_HEADINGS:
        raise InvalidInputError({"rows": f"At most {MOST_ROWS} rows fit at a time; there are {filled}. Bring them in in parts."})
    width = max(len(row) for row in rows)
    if width > MOST_COLUMNS:
        raise InvalidInputError({"rows": f"At most {MOST_COLUMNS} columns fit; there are {width}. Leave out what is not needed."})
    return [row + [""] * (width - len(row)) for row in rows]


def _option_names(space: Space, materials: Sequence[MaterialRow]) -> dict[str, OptionNames]:
    """What the options of each choice may be called: by their own names, and by name and formula of their material."""
    out: dict[str, OptionNames] = {}
    for v in space.variables:
        if v.is_choice:
            own = [(c, c) for c in v.choices]
            linked = [m for m in materials if str(m.choice_variable_id) == v.key and m.choice in v.choices]
            out[v.key] = OptionNames.of(own + [(t, str(m.choice)) for m in linked for t in (m.name, m.formula) if t])
    return out


class _Reader:
    """Reads rows by the meaning of their columns; gathers what has to be asked on the way."""

    def __init__(
        self,
        space: Space,
        columns: Sequence[Column],
        data: NotebookInput,
        option_names: Mapping[str, OptionNames],
        body: Sequence[tuple[int, list[str]]],
        preparation: PreparationRow,
        materials: Sequence[MaterialRow],
        growing: Collection[str],
    ) -> None:
        self.space = space
        self.preparation = preparation
        self.base_scale_mol = preparation.base_scale_mol
        self.growing = growing
        self.materials = materials
        self.reference = reference_of(materials)
        # Variables that followed from what was weighed in any row.
        self.as_weighed: set[str] = set()
        # Their values so far that are neither a base value nor a step.
        self.settings_as_weighed: dict[str, list[float]] = {}
        self.columns = columns
        self.data = data
        self.option_names = option_names
        self.by_meaning = {f"v{v.key}": v for v in space.variables}
        self.note_columns = sum(c.meaning == "notes" for c in columns)
        self.headings = [c.heading.casefold() for c in columns] if any(c.heading for c in columns) else []
        # Columns behind the last heading that nobody has given a meaning.
        behind = [k for k in range(len(self.headings)) if not any(self.headings[k:])]
        self.beyond = behind if not any(columns[k].meaning for k in behind) else []
        # NA may be a person, Na a metal.
        choices = {f"v{v.key}" for v in space.variables if v.is_choice}
        self.wordy = choices | {*_OUTCOME_KEYS, *(_WORDS - {"made_on"})}
        self.words: list[UnknownWord] = []
        self.asks_small_yields = False
        self.asks_amounts = False
        self.largest = {c.position: _largest_number(body, c.position - 1) for c in columns}
        self.today = latest_day()
        words = {f"v{v.key}" for v in space.variables if v.is_choice} | _WORDS
        numbers = [c.position - 1 for c in columns if c.meaning and c.meaning not in words]
        self.has_decimal_commas = any(_DECIMAL_COMMA.match(cells[k].strip()) for _, cells in body for k in numbers)
        # A day such as 25/3/2026 tells the order of all days of the table, unless another one tells the opposite.
        days = [c.position - 1 for c in columns if c.meaning == "made_on"]
        orders = {stroke_order(cells[k]) for _, cells in body for k in days} - {None}
        self.asks_day_order = bool(orders) and orders - {""} not in ({"day_first"}, {"month_first"})
        told = "" if self.asks_day_order else next((o for o in orders if o), "")
        self.day_order = data.day_order or told or ""
        self.asks_day_year = any(lacks_year(cells[k]) for _, cells in body for k in days)
        self.day_before: date | None = None
        self.is_below_summary = False

    def read(self, number: int, cells: Sequence[str]) -> _Row:
        row = _Row(number)
        if self.headings and [c.casefold() for c in cells] == self.headings:
            row.left_out = "repeats the headings"
            return row
        if SUMMARIES not in self.data.confirm and self._looks_like_a_summary(cells):
            row.left_out, row.stored_by = "looks like a mean or a total", SUMMARIES
            return row
        if any(cells[k] for k in self.beyond):
            row.problems.append(
                "There are more cells than headings. Is a comma in a number taken for a separator? "
                f"If not, say above what {self.columns[self.beyond[0]].title} means: notes, for example."
            )
        unread = self._read_cells(row, cells)
        self._settle_scale(row)
        self._settle_amounts(row)
        self._on_the_way(row, unread)
        self._settle_weighed(row, unread)
        for meaning, v in self.by_meaning.items():
            if v.key not in row.settings and meaning not in unread:
                self._default(row, v)
        if row.not_given:
            are = "is" if len(row.not_given) == 1 else "are"
            row.problems.append(f"{listed(row.not_given)} {are} not given. Enter what held where the table says nothing.")
        self._settle_outcome(row, unread)
        return row

    def _read_cells(self, row: _Row, cells: Sequence[str]) -> set[str]:
        """Read every cell into the row; return the meanings of those that could not be read."""
        notes: list[str] = []
        unread: set[str] = set()
        for column in self.columns:
            cell = as_typed(cells[column.position - 1]).strip()
            says_nothing = is_blank(cell) if column.meaning in self.wordy else is_not_available(cell)
            if not column.meaning or not cell or (says_nothing and column.meaning not in ("notes", "reference")):
                continue
            try:
                if (v := self.by_meaning.get(column.meaning)) is not None:
                    row.settings[v.key] = self._setting(row, v, column, cell)
                elif column.meaning == "notes":
                    notes.append(f"{column.heading}: {cell}" if self.note_columns > 1 and column.heading else cell)
                else:
                    self._result(row, column, cell)
            except NumberTextError as error:
                row.problems.append(f"{column.title}: {error}")
                unread.add(column.meaning)
        if len(row.raw.get("reference", "")) > LONGEST_SHORT_TEXT:
            notes.insert(0, row.raw.pop("reference"))
        row.raw["notes"] = "\n".join(notes)
        return unread

    def _settle_outcome(self, row: _Row, unread: Collection[str]) -> None:
        """What became of a run whose row holds no yield and no mass, or nothing but 0."""
        has_result = bool({"yield_percent", "product_mass_g"} & (row.raw.keys() | unread)) or row.raw["outcome"] != "yield"
        given = {row.raw[key] for key in ("yield_percent", "product_mass_g") if key in row.raw}
        is_nothing = row.raw["outcome"] == "yield" and given == {0.0}
        if row.left_out:
            row.problems.clear()
        elif not has_result or is_nothing:
            self.take_outcome(row)
            if not has_result and row.raw["outcome"] == "yield":
                row.problems.append("There is neither a yield nor a product mass. Did the run fail?")

    def take_outcome(self, row: _Row) -> None:
        """Note that a row has next to no result, and take what the chemist said became of its run."""
        row.lacks_result = True
        if row.number in self.data.failed_rows:
            row.raw["outcome"] = "failure"
        elif row.number in self.data.empty_rows:
            row.raw["outcome"] = "no_information"

    def _looks_like_a_summary(self, cells: Sequence[str]) -> bool:
        """Whether the first words of a row are 'mean', 'total' and the like, and no setting.

        'n' and 'max' are only where all settings are empty, or below such a row in a table without settings.
        """
        first = [c for c in self.columns if cells[c.position - 1]][:2]
        words = [cells[c.position - 1] for c in first if c.meaning not in self.by_meaning]
        set_at = [c.position - 1 for c in self.columns if c.meaning in self.by_meaning]
        found = any(map(is_summary, words))
        if not found and (not any(cells[k] for k in set_at) if set_at else self.is_below_summary):
            found = any(map(is_perhaps_summary, words))
        self.is_below_summary = found
        return found

    def _default(self, row: _Row, v: Variable) -> None:
        typed = self.data.defaults.get(v.key, "").strip()
        if not typed:
            row.not_given.append(v.name)
            return
        column = Column(0, v.name, f"v{v.key}", v.unit, (), "")
        try:
            row.settings[v.key] = self._setting(row, v, column, typed)
        except NumberTextError as error:
            row.problems.append(f"{v.name}: {error}")
        if any(c.meaning == f"v{v.key}" for c in self.columns):
            row.remarks.append(f"{v.name} as entered above")

    def _setting(self, row: _Row, v: Variable, column: Column, cell: str) -> Setting:
        if v.is_choice:
            option = self.option_names[v.key].find(cell) or self._word(v, cell)
            if not option:
                raise NumberTextError(f"“{cell[:40]}” is no option of {v.name}. Say what it means.")
            return option
        if v.role is Role.HOLD_TIME:
            hours = read_hours(cell)
            if hours is None and (hours := read_clock(cell)) is not None and column.unit not in ("h", "d"):
                raise NumberTextError(f"“{cell}” may be hours and minutes or minutes and seconds. Write it with its unit.")
            if hours is not None:
                return tidy(convert(hours, "h", v.unit))
        if column.position and not any(c.isnumeric() for c in cell):
            # 'overnight', 'rt': a word that the chemist puts a number to.
            cell = self._number_for(v, cell)
        value, unit = self._amount(row, cell, column)
        # '0.05 eq' of a loading in mol% is 5 of them, so it is sent back.
        own = {*bare_units(v.unit), *(("eq",) if v.role is Role.RATIO else ())}
        if not unit or bare_unit(unit) in own:
            return value
        if unit in family_of(v):
            # What was read in °F is no surer to the fourth digit.
            return round(convert(value, unit, v.unit), 2) if v.role is Role.TEMPERATURE else tidy(convert(value, unit, v.unit))
        its = f"its unit is {v.unit}" if v.unit else "it has no unit"
        raise NumberTextError(f"“{cell[:40]}” is in {unit[:12]}, but {its}.")

    def _amount(self, row: _Row, cell: str, column: Column) -> tuple[float, str]:
        found = read_amount(cell)
        if not found.unit and column.needs_unit:
            raise NumberTextError(f"“{cell[:40]}” has no unit, and that of the heading is not understood. Say which it is.")
        if found.is_range:
            row.asked.add("middle")
        if found.may_group:
            row.asked.add("comma")
        if self.has_decimal_commas and _MAY_GROUP_BY_POINT.search(cell):
            row.asked.add("point")
        return found.value, found.unit or column.unit

    def _number_for(self, v: Variable, cell: str) -> str:
        """What the chemist says a word means, with the variable's unit."""
        said = self._said(v, cell)
        if not said:
            raise NumberTextError(f"“{cell[:40]}” is not a number. Say what it means.")
        hours = (read_hours(said) or read_clock(said)) if v.role is Role.HOLD_TIME else None
        if hours is not None:
            return f"{tidy(convert(hours, 'h', v.unit)):.12g} {v.unit}"
        try:
            read_amount(said)
        except NumberTextError as error:
            raise NumberTextError(f"“{cell[:40]}” means {said}, but {error}") from error
        return said if any(c.isalpha() or c in "°%" for c in said) else f"{said} {v.unit}".rstrip()

    def _word(self, v: Variable, cell: str) -> str:
        """The option that a word means, as the chemist says; empty if nothing was said."""
        said = self._said(v, cell)
        return said if said in v.choices else ""

    def _said(self, v: Variable, cell: str) -> str:
        word = " ".join(cell.split())
        known = next((w for w in self.words if w.variable.key == v.key and w.word == word), None)
        if known is None:
            said = self.data.words.get(v.key, {}).get(word, "").strip()
            known = UnknownWord(v, word, said)
            self.words.append(known)
        return known.option

    def _result(self, row: _Row, column: Column, cell: str) -> None:
        key = column.meaning
        outcome = read_outcome(cell) if key in _OUTCOME_KEYS and key != "state" else None
        if outcome is not None:
            row.raw["outcome"] = outcome
        elif key == "outcome":
            raise NumberTextError(f"“{cell[:40]}” is no outcome. Write ok, failed, or no information.")
        elif key == "state":
            self._state(row, cell)
        elif key in _FORMULA_KEYS:
            if len(cell) > LONGEST_SHORT_TEXT:
                raise NumberTextError(f"“{cell[:40]}…” is too long for a formula.")
            row.formulas[key] = cell
        elif key in _WORDS:
            self._words_of(row, key, cell)
        elif key == "reference_g":
            self._take_scale(row, column, cell)
        elif key in _CHECKPOINT_KEYS:
            row.weighed[key] = column, self._quantity(row, column, cell)
        elif material_meant(key):
            row.noted[key] = self._quantity(row, column, cell)
        else:
            row.raw[key] = self._quantity(row, column, cell)

    def _words_of(self, row: _Row, key: str, cell: str) -> None:
        """What a row says of its run in words, or as a day."""
        if key == "made_on":
            row.raw[key] = self._day(cell)
        elif key == "reference":
            row.raw[key] = ", ".join(filter(None, (row.raw.get(key), cell)))
        elif key != "excluded_reason":
            row.raw[key] = cell
        elif cell.casefold() not in _NO_WORDS:
            row.raw[key] = "marked so in the table" if cell.casefold() in _YES_WORDS else cell

    def _day(self, cell: str) -> str:
        """A day as year-month-day; where none is named and the year seems to change from row to row, nothing is guessed."""
        day = read_day(cell, self.day_order, self.today, self.data.day_year)
        if lacks_year(cell):
            before, read = self.day_before, date.fromisoformat(day)
            if before is not None and abs(read - before) > _HALF_A_YEAR:
                raise NumberTextError(
                    f"“{cell}” lies more than half a year from {before.isoformat()} in a row above, so the year may have "
                    "changed. Write days with their year."
                )
            self.day_before = read
        return day

    def _take_scale(self, row: _Row, column: Column, cell: str) -> None:
        """How much a weighed mass of the reference is. [mol]"""
        mass_g = self._quantity(row, column, cell)
        row.reference_mol = moles_in(material_of(self.reference), mass_g=mass_g) if self.reference is not None else None
        row.reference_g = mass_g if row.reference_mol is not None else None
        if row.reference_mol is None:
            row.remarks.append(f"{column.title} not kept, the charge has no reagent of 1 equivalent with a formula")

    def _settle_scale(self, row: _Row) -> None:
        """What was weighed says more of the scale than the round number beside it; where they lie far apart, it is asked."""
        said = row.raw.get("scale_mol")
        if row.reference_mol is None:
            # The material of one equivalent may stand among the others, by its own name.
            noted = self._noted_of_reference(row)
            if noted and not said:
                row.raw["scale_mol"] = tidy(noted)
            return
        if said and abs(row.reference_mol / said - 1.0) > _SAME_SCALE:
            row.asked.add("scales")
        row.raw["scale_mol"] = tidy(row.reference_mol)

    def _noted_of_reference(self, row: _Row) -> float | None:
        """Moles of the material of one equivalent by what is noted of it. [mol]"""
        if self.reference is None:
            return None
        mass, volume = (row.noted.get(f"{prefix}{self.reference.id}") for prefix in OF_MATERIALS)
        return moles_in(material_of(self.reference), mass_g=mass, volume_ml=volume) if mass or volume else None

    def _settle_amounts(self, row: _Row) -> None:
        """Amounts of a run at another scale become those of the base scale, at which settings hold, as the chemist says."""
        scale, base = row.raw.get("scale_mol"), self.base_scale_mol
        if not base:
            return
        unsaid = []
        for column in self.columns:
            v = self.by_meaning.get(column.meaning)
            if v is None or v.key not in row.settings or v.key not in self.growing:
                continue
            at = AT_SCALE.search(column.heading)
            held = float(at[1]) if at else scale if self.data.amounts_at == "run_scale" else base
            if not at and not self.data.amounts_at and scale and abs(scale / base - 1.0) > _OTHER_SCALE:
                unsaid.append(v.name)
            elif held and abs(held / base - 1.0) > (1e-9 if at else _OTHER_SCALE):
                amount = AsWeighed(v.key, "", tidy(float(row.settings[v.key]) * base / held), "")
                # A scale that a heading names is no weighed one.
                row.settings[v.key] = (amount if at else self._meant_by(amount)).value
                row.remarks.append(f"{v.name} is {plain(float(row.settings[v.key]))} {v.unit} at the base scale")
        if unsaid:
            self.asks_amounts = True
            row.problems.append(
                f"{listed(unsaid)} may be for the {plain(float(scale or 0.0))} mol of this run, or for the base scale of "
                f"{plain(base)} mol. Say which."
            )

    def _on_the_way(self, row: _Row, unread: Collection[str]) -> None:
        """Checkpoints of a row: masses with their contents. A mass whose content nobody has said tells nothing."""
        for stage, (mass_key, content_key) in WEIGHED_ON_THE_WAY.items():
            if mass_key not in row.weighed:
                continue
            column, mass_g = row.weighed[mass_key]
            content = row.weighed[content_key][1] if content_key in row.weighed else self.data.content_percent
            if content is None:
                if content_key not in unread:
                    row.remarks.append(f"{column.title} not kept, its content is not said")
                continue
            name = (split_heading(column.heading)[0] or MEANINGS[mass_key][0])[:LONGEST_NAME]
            formula = row.formulas.get(FORMULA_ON_THE_WAY[stage], "")
            row.checkpoints.append(
                CheckpointInput(name=name, stage=stage, mass_g=mass_g, purity_percent=content, formula=formula)
            )

    def amounts_of(self, row: _Row) -> Amounts:
        """Mass [g] and volume [mL] that a row notes of materials, by id."""
        found: dict[int, tuple[float | None, float | None]] = {}
        if self.reference is not None and row.reference_g is not None:
            found[int(self.reference.id or 0)] = row.reference_g, None
        for meaning, value in row.noted.items():
            prefix, key = material_meant(meaning) or ("", 0)
            mass, volume = found.get(key, (None, None))
            found[key] = (value, volume) if prefix == "weighed_" else (mass, value)
        return found

    def _settle_weighed(self, row: _Row, unread: Collection[str]) -> None:
        """Variables of which the row says nothing, and which set the amount of a material of which it says what was weighed."""
        scale = row.raw.get("scale_mol") or self.base_scale_mol
        if not row.noted or not scale:
            return
        settings = {**self.space.base, **row.settings}
        made = MadeWith.of(self.materials, settings, self.base_scale_mol)
        by_id = {int(m.id or 0): m for m in self.materials}
        notes = {key: note_of(by_id[key], *pair) for key, pair in self.amounts_of(row).items()}
        rows = [CheckpointRow(run_id=0, **c.model_dump(mode="json", exclude={"confirm"})) for c in row.checkpoints]
        interims = interims_of(rows, product_of(self.preparation))
        with suppress(InvalidInputError):
            made, _ = follow_interims(self.preparation, made, scale, interims)
            balance = self.preparation.balance_readability_g
            for one in settings_as_weighed(made, self.materials, scale, notes, balance):
                meaning = f"v{one.variable}"
                if one.variable in row.settings or meaning in unread:
                    continue
                meant = self._meant_by(one)
                row.settings[one.variable] = meant.value
                exact = plain(one.value, 4)
                exactly = "" if plain(meant.value, 4) == exact else f", {exact} to be exact"
                row.remarks.append(f"{self._value_of(meant)}, from what was weighed of {one.material}{exactly}")
                self.as_weighed.add(one.variable)
            for ones in contradicting_as_weighed(made, self.materials, scale, notes, balance):
                if ones[0].variable in row.settings or f"v{ones[0].variable}" in unread:
                    continue
                row.asked.add("contradicting_amounts")
                row.remarks.append("; ".join(f"{self._value_of(one)} by what was weighed of {one.material}" for one in ones))
        self._say_what_lacks_an_interim(row, made)

    def _meant_by(self, one: AsWeighed) -> AsWeighed:
        """The setting that was meant: the base value, a step or that of a row above, if it is as near as weighing scatters.

        So a planned setting stays in the form for a result; only so are repeats taken for repeats.
        """
        v = self.by_meaning[f"v{one.variable}"]
        steps = [v.snap(one.value)] if v.step is not None else []
        above = self.settings_as_weighed.setdefault(one.variable, [])
        meant = next((value for value in (float(v.base), *steps, *above) if not one.differs_from(value)), None)
        if meant is None:
            above.append(one.value)
            return one
        return replace(one, value=meant)

    def _value_of(self, one: AsWeighed) -> str:
        v = self.by_meaning[f"v{one.variable}"]
        return f"{v.name} {plain(one.value, 4)} {v.unit}".rstrip()

    def _say_what_lacks_an_interim(self, row: _Row, made: MadeWith) -> None:
        """That a variable does not follow from what was weighed for an intermediate of which the row says nothing."""
        drives = {str(m.id): f"v{m.ratio_variable_id}" for m in self.materials if m.ratio_variable_id is not None}
        for m in made.materials:
            meaning = drives.get(m.key, "")
            is_noted = f"weighed_{m.key}" in row.noted or f"measured_{m.key}" in row.noted
            if meaning and meaning[1:] not in row.settings and is_noted and m.taken_after and m.share is None:
                stage = THE_STAGE[Stage(m.taken_after)]
                name = self.by_meaning[meaning].name
                row.remarks.append(f"{name} does not follow from {m.name} without what was weighed after {stage}")

    def _state(self, row: _Row, cell: str) -> None:
        word = cell.casefold().replace("_", " ").strip(" .!")
        state = next((state for state, words in _STATE_WORDS.items() if word in words), None)
        outcome = read_outcome(cell)
        if state is None and outcome is None:
            raise NumberTextError(f"“{cell[:40]}” is no state. Write finished, planned, under way or abandoned.")
        if outcome is not None:
            row.raw["outcome"] = outcome
        elif state != "finished":
            row.left_out = f"is {state}"

    def _share(self, column: Column, cell: str, value: float) -> float:
        """100 where a yield or purity is a fraction, as a spreadsheet keeps per cent cells, else 1; 0.8 may be either."""
        is_small = self.largest[column.position] <= _LARGEST_FRACTION
        if value == 0 or (not is_small and value > 1):
            return 1.0
        if not is_small and column.meaning not in ("yield_percent", "product_mass_g"):
            # A yield may be that low, a purity hardly.
            raise NumberTextError(
                f"“{cell[:40]}” stands among per cent. Write {100 * value:g} %, or {value:g} % if it is so little."
            )
        if not is_small and "%" in column.heading:
            return 1.0
        self.asks_small_yields = True
        if not self.data.small_yields:
            raise NumberTextError(f"“{cell[:40]}” may be {value:g} % or {100 * value:g} %. Say which.")
        return 100.0 if self.data.small_yields == "fractions" else 1.0

    def _quantity(self, row: _Row, column: Column, cell: str) -> float:
        """A mass, a per cent or an amount in the unit in which it is stored."""
        key = column.meaning
        value, unit = self._amount(row, cell, column)
        factors = FACTORS[stored_unit(key)]
        unit = next((u for u in factors if bare_unit(u) == bare_unit(unit)), unit)
        if unit not in factors:
            raise NumberTextError(f"“{cell[:40]}” is in {unit[:12]}; {' or '.join(factors)} is needed.")
        if (key in ("yield_percent", "purity_percent") or key in _CHECKPOINT_KEYS) and unit == "%" and "%" not in cell:
            value *= self._share(column, cell, value)
        return tidy(value * factors[unit])


def charged_of(materials: Sequence[MaterialRow], preparation: PreparationRow | None = None) -> Charged:
    """Names of the materials of a charge, and of what is made, for headings."""
    reference = reference_of(materials)
    return Charged(
        reference.name if reference is not None else "",
        {str(m.id): m.name for m in materials},
        {str(m.id): m.formula for m in materials},
        preparation.product_name if preparation is not None else "",
        preparation.product_formula if preparation is not None else "",
    )


def _largest_number(body: Sequence[tuple[int, list[str]]], position: int) -> float:
    """The largest plain number of a column; 0 without any."""
    largest = 0.0
    for _, cells in body:
        try:
            largest = max(largest, read_amount(cells[position]).value)
        except NumberTextError:
            continue
    return largest


def columns_left_out(book: Notebook, rows: Rows) -> list[str]:
    """Headings of columns that are left out although they may be settings: they hold numbers, or the same few words."""
    out = []
    wants_options = any(v.is_choice for v in book.missing)
    for column in book.columns:
        cells = [
            c for _, row in body_of(rows, book.heading_row, book.space) if (c := row[column.position - 1]) and not is_blank(c)
        ]
        has_numbers = sum(c[0].isdigit() for c in cells) > len(cells) / 2
        has_options = wants_options and max(map(len, cells), default=99) <= LONGEST_OPTION and len(set(cells)) <= len(cells) / 2
        if not column.meaning and cells and (has_numbers or has_options):
            out.append(column.title)
    return out


def runs_as_table(session: Session, preparation_id: int) -> Rows:
    """All runs with their settings as run and results, headings first; ``look_at`` understands every column.

    What was weighed on the way has columns where there is any: the last of each stage, which stands at its end. So has what
    was noted of materials.
    """
    preparation = questions.get_preparation(session, preparation_id)
    variables = space_of(questions.list_variables(session, preparation_id), []).variables
    weighed = {
        (c.run_id, Stage(c.stage)): (f"{c.mass_g:.12g}", f"{c.purity_percent:.12g}", c.formula)
        for c in questions.list_all_checkpoints(session, preparation_id)
        if c.kind == "product"
    }
    materials = questions.list_materials(session, preparation_id)
    notes = questions.list_weighed(session, preparation_id)
    noted = _noted_columns(materials, notes)
    by_run = {(n.run_id, n.material_id): n for n in notes}
    # How many columns each stage needs: its formula only where something else than the product was weighed.
    formulas = {stage: [c[2] for (_, s), c in weighed.items() if s is stage] for stage in Stage}
    stages = {stage: 3 if any(texts) else 2 for stage, texts in formulas.items() if texts}
    rows = []
    for run in view_runs(session, preparation):
        cells = [weighed.get((int(run.row.id or 0), stage), ("", "", ""))[:n] for stage, n in stages.items()]
        taken = [by_run.get((int(run.row.id or 0), key)) for key, _ in noted]
        values = [getattr(note, name) if note else None for note, (_, name) in zip(taken, noted, strict=True)]
        line = _line(run, variables) + [cell for some in cells for cell in some]
        rows.append(line + ["" if value is None else f"{value:.12g}" for value in values])
    names = [_name_of(v, preparation.base_scale_mol, variables_of_amounts(materials)) for v in variables]
    return [_headings_of(names, stages, list(noted.values())), *rows]


def _noted_columns(materials: Sequence[MaterialRow], notes: Sequence[WeighedRow]) -> dict[tuple[int, str], str]:
    """Headings for what was weighed or measured of materials, by material and field of its note, where there is any."""
    labels = charged_of(materials).meanings
    found = {}
    for m in materials:
        for prefix, name in (("weighed_", "mass_g"), ("measured_", "volume_ml")):
            if any(n.material_id == m.id and getattr(n, name) is not None for n in notes):
                label, unit = labels[f"{prefix}{m.id}"]
                found[int(m.id or 0), name] = f"{label} / {unit}"
    return found


def _name_of(v: Variable, base_scale_mol: float | None, driving: Collection[str]) -> str:
    """The heading of a variable; an amount says at which scale it holds."""
    name = f"{v.name} at {base_scale_mol:.12g} mol" if base_scale_mol and grows_with_scale(v, driving) else v.name
    return f"{name} / {v.unit}" if v.unit else name


def _headings_of(names: Sequence[str], stages: Mapping[Stage, int], noted: Sequence[str]) -> list[str]:
    headings = ["run number", "state", *names]
    keys = [key for key in MEANINGS if key not in ("state", "reference_g") and key not in _CHECKPOINT_KEYS | _FORMULA_KEYS]
    keys += [key for stage, n in stages.items() for key in (*WEIGHED_ON_THE_WAY[stage], FORMULA_ON_THE_WAY[stage])[:n]]
    for key in keys:
        label, unit = MEANINGS[key]
        headings.append(f"{label} / {unit}" if unit else label)
        if key == "yield_percent":
            headings.append("standard uncertainty of the yield / points")
    return [*headings, *noted]


def numeric_columns(session: Session, preparation_id: int, headings: Sequence[str]) -> set[int]:
    """Columns of ``runs_as_table``, from 0, that hold numbers."""
    variables = space_of(questions.list_variables(session, preparation_id), []).variables
    labels = [*MEANINGS.values(), *charged_of(questions.list_materials(session, preparation_id)).meanings.values()]
    units = {f"{label} / {unit}" for label, unit in labels if unit}
    named = {"run number", "standard uncertainty of the yield / points"} | units
    settings = {2 + k for k, v in enumerate(variables) if not v.is_choice}
    return settings | {j for j, heading in enumerate(headings) if heading in named and not 2 <= j < 2 + len(variables)}


def _line(view: RunView, variables: Sequence[Variable]) -> list[str]:
    run = view.row
    is_finished = run.state == "finished"
    settings = [s if isinstance(s := view.settings[v.key], str) else f"{s:.12g}" for v in variables]
    found = view.run_yield if is_finished else None
    theory = run.theory_g if is_finished and run.product_mass_g is not None else run.theoretical_yield_g
    numbers = {
        "yield_percent": found.percent if found else None,
        "product_mass_g": run.product_mass_g,
        "product_mass_u_g": run.product_mass_u_g,
        "theoretical_yield_g": theory,
        "purity_percent": run.purity_percent,
        "purity_u_percent": run.purity_u_percent,
        "residual_percent": run.residual_percent,
        "residual_u_percent": run.residual_u_percent,
        "scale_mol": run.scale_mol,
    }
    line = [str(run.number), run.state.replace("_", " "), *settings]
    for key, value in numbers.items():
        # Yields follow from the masses; what was typed keeps its digits.
        line.append("" if value is None else f"{value:.6g}" if key == "yield_percent" else f"{value:.12g}")
        if key == "yield_percent":
            line.append("" if found is None or not found.u else f"{found.u:.3g}")
    outcome = _OUTCOMES[run.outcome] if is_finished else ""
    return [*line, outcome, run.made_on or "", run.lot, run.made_by, run.reference, run.notes, run.excluded_reason or ""]
