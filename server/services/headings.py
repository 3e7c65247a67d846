"""What the columns of a notebook's table mean: guessed from their headings, corrected by the chemist."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from server.core.space.limits import Space
from server.core.space.units import TEMPERATURE_UNITS, TIME_UNITS
from server.core.space.variables import Role, Variable
from server.errors import InvalidInputError
from server.exchange.tables import Rows
from server.services.cells import is_unit, read_unit
from server.services.inputs import ColumnInput

# What a column may mean beside a variable: (label, unit in which it is stored).
MEANINGS: dict[str, tuple[str, str]] = {
    "yield_percent": ("yield", "%"),
    "product_mass_g": ("product mass", "g"),
    "theoretical_yield_g": ("theoretical yield", "g"),
    "purity_percent": ("purity of the dry product", "%"),
    "residual_percent": ("solvent and water left", "%"),
    "scale_mol": ("scale", "mol"),
    "outcome": ("outcome", ""),
    "made_on": ("day", ""),
    "lot": ("reagent lot", ""),
    "notes": ("notes", ""),
    "excluded_reason": ("reason not to count it", ""),
    "state": ("state", ""),
}
FACTORS = {"g": {"g": 1.0, "mg": 1e-3, "kg": 1e3}, "mol": {"mol": 1.0, "mmol": 1e-3}, "%": {"%": 1.0}}
# Headings that are understood beside the labels above (common practice, no source).
_HEADINGS = {
    "yield_percent": ("percent yield", "isolated yield", "yield isolated", "yld", "% yield"),
    "product_mass_g": ("product", "mass of product", "isolated mass", "mass", "product weight", "dry mass", "yield / g"),
    "theoretical_yield_g": ("theory", "theoretical", "theoretical mass"),
    "purity_percent": ("purity",),
    "residual_percent": ("residual solvent", "solvent left"),
    "outcome": ("result",),
    "made_on": ("date", "made on", "run on"),
    "lot": ("lot", "batch", "lot of reagent"),
    "notes": (
        "note",
        "comment",
        "comments",
        "remark",
        "remarks",
        "observations",
        "run",
        "no",
        "exp",
        "entry",
        "experiment",
        "page",
    ),
    "excluded_reason": ("excluded", "excluded because", "not counted"),
    "state": ("status",),
}
# Only these may be the meaning of several columns.
_MAY_REPEAT = ("", "notes")
# Headings are looked for in this many rows; above them stand titles and remarks.
_HEADING_ROWS = 15
# Alike enough to be the same heading. [ratio of difflib.SequenceMatcher]
_ALIKE = 0.8
# So alike count a heading and a variable that share all telling words.
_WORDS_ALIKE = 0.95
_FILLERS = {"to", "of", "per", "the", "in", "ratio"}
# Share of a column's cells that must be options of a choice for the column to be that choice.
_MOSTLY = 0.5


@dataclass(frozen=True)
class Column:
    """A column of the table: number from 1, heading, meaning, unit of plain numbers, units to choose from, a first cell."""

    position: int
    heading: str
    meaning: str
    unit: str
    units: tuple[str, ...]
    sample: str

    @property
    def title(self) -> str:
        return self.heading or f"Column {self.position}"


def meanings_for(space: Space) -> list[tuple[str, str]]:
    """(key, words) of everything that a column may mean; a variable's key is v and its id."""
    variables = [(f"v{v.key}", v.name) for v in space.variables]
    return [("", "leave out"), *variables, *((key, label) for key, (label, _) in MEANINGS.items())]


def plain(text: str) -> str:
    """A heading for comparison: small letters, digits, single blanks."""
    return " ".join(re.sub(r"[^\w%]+", " ", text.casefold().replace("_", " ")).split())


def split_heading(text: str) -> tuple[str, str]:
    """Split a heading into name and unit: 'Hold (min)', 'hold / min', 'hold [min]', 'hold, min', 'Yield %'.

    Examples
    --------
    >>> split_heading("Bath temp. (°C)"), split_heading("hold / min"), split_heading("acid:alcohol")
    (('Bath temp.', '°C'), ('hold', 'min'), ('acid:alcohol', ''))
    """
    text = " ".join(text.split())
    if found := re.fullmatch(r"(.+?)\s*[(\[]\s*([^()\[\]]{1,12})\s*[)\]]", text):
        return found[1], found[2]
    if found := re.fullmatch(r"(.+?)\s*/\s*(\S{1,8}(?:\s?w/w)?)", text):
        return found[1], found[2]
    if (found := re.fullmatch(r"(.+?)(?:\s*,\s*|\s+)(\S{1,6})", text)) and is_unit(found[2]) and len(found[1]) > 1:
        return found[1], found[2]
    if text.startswith("%") and len(text) > 1:
        return text[1:].strip(), "%"
    return text, ""


def _candidates(space: Space) -> list[tuple[str, str]]:
    out = [(f"v{v.key}", v.name) for v in space.variables]
    out += [(f"v{v.key}", f"{v.name} / {v.unit}") for v in space.variables if v.unit]
    for key, (label, stored) in MEANINGS.items():
        out += [(key, label), *((key, word) for word in _HEADINGS.get(key, ()))]
        if stored:
            out.append((key, f"{label} / {stored}"))
    return out


def match_heading(heading: str, space: Space) -> tuple[str, float]:
    """(meaning, likeness) of the best match of a heading; ('', 0) where nothing is alike enough."""
    name, unit = split_heading(heading)
    if not plain(name):
        return "", 0.0
    best, likeness = "", 0.0
    for key, words in _candidates(space):
        for one in dict.fromkeys((plain(heading), plain(name))):
            ratio = difflib.SequenceMatcher(None, one, plain(words)).ratio()
            if key.startswith("v") and _same_words(one, plain(words)):
                ratio = max(ratio, _WORDS_ALIKE)
            if ratio > likeness + 1e-9:
                best, likeness = key, ratio
    if likeness < _ALIKE:
        return "", 0.0
    if best == "yield_percent" and read_unit(unit) in FACTORS["g"]:
        return "product_mass_g", likeness
    return best, likeness


def _same_words(one: str, other: str) -> bool:
    """Whether all telling words of the shorter text stand in the longer one: 'bath', 'ratio acid : alcohol'."""
    a, b = set(one.split()) - _FILLERS, set(other.split()) - _FILLERS
    short, long = (a, b) if len(a) <= len(b) else (b, a)
    return short <= long and sum(len(word) for word in short) >= 4


def find_heading_row(table: Rows, space: Space) -> int:
    """Number of the row with the headings: the one of the first rows in which most cells are understood; 0 for none."""
    scores = [
        sum(match_heading(cell, space)[1] for cell in row if cell and not cell[0].isdigit())
        if sum(bool(c) for c in row) > 1
        else 0.0
        for row in table[:_HEADING_ROWS]
    ]
    best = max(range(len(scores)), key=lambda k: (scores[k], -k), default=0)
    return best + 1 if scores and scores[best] > 0 else 0


def units_for(meaning: str, space: Space) -> tuple[str, ...]:
    """Units in which plain numbers of a column may be, the stored one first; empty for words."""
    if not meaning.startswith("v"):
        return tuple(FACTORS.get(MEANINGS.get(meaning, ("", ""))[1], ()))
    v = next((v for v in space.variables if f"v{v.key}" == meaning), None)
    if v is None or v.is_choice or not v.unit:
        return ()
    return (v.unit, *(u for u in family_of(v) if u != v.unit))


def family_of(v: Variable) -> tuple[str, ...]:
    """Units that convert into the variable's own."""
    return TIME_UNITS if v.unit in TIME_UNITS else TEMPERATURE_UNITS if v.role is Role.TEMPERATURE else ()


def columns_of(
    table: Rows,
    heading_row: int,
    space: Space,
    given: Mapping[int, ColumnInput],
    option_names: Mapping[str, Mapping[str, str]],
) -> list[Column]:
    """What every column means: as the chemist says, else as its heading, unit or cells suggest.

    Parameters
    ----------
    option_names : mapping
        For each choice, by variable key: what its options may be called, in the form of ``plain``.

    Raises
    ------
    InvalidInputError
        For the field ``column_<number>``: no such meaning, or one that another column has.
    """
    headings = table[heading_row - 1] if 0 < heading_row <= len(table) else [""] * len(table[0])
    guessed = _guesses(headings, space)
    _guess_from_cells(guessed, table, heading_row, option_names)
    _guess_from_units(guessed, headings, space)
    names = dict(meanings_for(space))
    out: list[Column] = []
    messages: dict[str, str] = {}
    taken: dict[str, int] = {}
    for k, heading in enumerate(headings, start=1):
        said = given.get(k)
        meaning = said.meaning if said is not None else guessed[k - 1]
        if meaning not in names:
            messages[f"column_{k}"] = f"Column {k}: choose one of the meanings offered."
            continue
        if meaning not in _MAY_REPEAT and meaning in taken:
            messages[f"column_{k}"] = f"Columns {taken[meaning]} and {k} cannot both be “{names[meaning]}”."
        taken.setdefault(meaning, k)
        units = units_for(meaning, space)
        wanted = [said.unit if said is not None else "", read_unit(split_heading(heading)[1])]
        unit = next((u for u in wanted if u in units), units[0] if units else "")
        sample = next((row[k - 1] for _, row in body_of(table, heading_row) if row[k - 1]), "")
        out.append(Column(k, heading, meaning, unit, units, sample))
    if messages:
        raise InvalidInputError(messages)
    return out


def _guesses(headings: Sequence[str], space: Space) -> list[str]:
    """A meaning per heading; of several that fit one meaning the likest has it, the first of equals."""
    found = [match_heading(heading, space) for heading in headings]
    out = []
    for k, (meaning, likeness) in enumerate(found):
        rivals = [(other, -j) for j, (m, other) in enumerate(found) if m == meaning]
        out.append(meaning if meaning in _MAY_REPEAT or max(rivals) == (likeness, -k) else "")
    return out


def _guess_from_cells(guessed: list[str], table: Rows, heading_row: int, option_names: Mapping[str, Mapping[str, str]]) -> None:
    """A column without a meaning whose cells are mostly options of a choice is that choice."""
    for key, names in option_names.items():
        for k, meaning in enumerate(guessed):
            cells = [plain(row[k]) for _, row in body_of(table, heading_row) if row[k]]
            if not meaning and f"v{key}" not in guessed and cells and sum(c in names for c in cells) > _MOSTLY * len(cells):
                guessed[k] = f"v{key}"


def _guess_from_units(guessed: list[str], headings: Sequence[str], space: Space) -> None:
    """A column without a meaning whose unit only one variable has is that variable, if no other column is."""
    for v in space.variables:
        units = {v.unit, *family_of(v)} - {""}
        if f"v{v.key}" in guessed or sum(bool(units & {o.unit, *family_of(o)}) for o in space.variables) != 1:
            continue
        fits = [k for k, h in enumerate(headings) if not guessed[k] and read_unit(split_heading(h)[1]) in units]
        if len(fits) == 1:
            guessed[fits[0]] = f"v{v.key}"


def body_of(table: Rows, heading_row: int) -> list[tuple[int, list[str]]]:
    """Rows below the headings that hold anything, with their numbers from 1."""
    return [(k, row) for k, row in enumerate(table, start=1) if k > heading_row and any(row)]
