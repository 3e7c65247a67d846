"""Tables in files: CSV, text with columns, XLSX, XLS and ODS in; CSV and XLSX out.

Cells are text throughout; what they mean is decided by services. Row numbers are the
file's own, so blank rows stay.
"""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
import zipfile
import zlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from server.errors import InvalidInputError

MOST_FILE_BYTES = 5_000_000
# A workbook is compressed: a small file may unpack to more than the memory holds.
MOST_UNPACKED_BYTES = 40_000_000
# So many cells between the first and the last filled one; a stray cell at the end of a sheet would span billions.
MOST_CELLS = 2_000_000
# Headings are looked for in this many rows; above them stand titles and remarks.
HEADING_ROWS = 15
# Reading takes well under a second.
MOST_SECONDS = 60.0
_ROOT = Path(__file__).resolve().parents[2]
# The separator is recognised from this much of the text. [characters]
_SAMPLE = 3_000
# What a spreadsheet would take for a formula.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
# Workbooks that are cut off, changed, protected by a password, or packed in another way.
_DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError)
# Longer names no spreadsheet program gives to a sheet.
_LONGEST_SHEET_NAME = 255
_WORKBOOK_STARTS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")

# Cells of a sheet in XLSX, by their reference.
_REFERENCE = re.compile(rb"""<(?:\w+:)?c\s[^<>]{0,500}?\br\s*=\s*["']([A-Z]{1,3})([0-9]{1,7})["']""")
# ODS repeats rows and cells by these attributes (OASIS OpenDocument 1.3, part 3, 19.675 and 19.678; numbers from memory).
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
# Text of which so large a share of the lines holds a tab was copied out of a spreadsheet.
_MOSTLY = 0.8

Rows = list[list[str]]


@dataclass(frozen=True)
class FileTable:
    """A table out of a file; ``note`` says which sheet it is where there were several."""

    rows: Rows
    note: str = ""


def read_file(content: bytes, sheet: str = "") -> FileTable:
    """Read a table from a file.

    Parameters
    ----------
    content : bytes
        CSV or other text with columns, or a workbook (XLSX, XLS, ODS).
    sheet : str
        Name of the sheet of a workbook; empty for the one with most filled cells.

    Raises
    ------
    InvalidInputError
        For the field ``file``, or ``sheet`` where there is no such sheet.
    """
    if len(content) > MOST_FILE_BYTES:
        raise InvalidInputError(
            {"file": f"The file is larger than {MOST_FILE_BYTES // 1_000_000} MB. Keep only the table of runs in it."}
        )
    if content.startswith(_WORKBOOK_STARTS):
        return _read_workbook(content, sheet)
    text = decode_text(content)
    if text is None:
        raise InvalidInputError(
            {"file": "This file is neither text nor a workbook. Save the table as CSV or XLSX, and choose that file."}
        )
    return FileTable(read_text(text))


def decode_text(content: bytes) -> str | None:
    """Decode UTF-8, UTF-16 with its mark, else Windows-1252; None for what is no text."""
    utf_16 = content[:2] in (b"\xff\xfe", b"\xfe\xff")
    for encoding in ("utf-16",) if utf_16 else ("utf-8-sig", "cp1252"):
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" not in text:
            return text
    return None


def read_text(text: str) -> Rows:
    """Split text into rows of cells; the separator (tab, semicolon, comma …) is recognised.

    Examples
    --------
    >>> read_text("hold / min;yield\\n90;61,2")
    [['hold / min', 'yield'], ['90', '61,2']]
    """
    import clevercsv

    text = _without_controls(text.replace("\r\n", "\n").replace("\r", "\n").strip("\ufeff"))
    first, _, rest = text.partition("\n")
    if first.strip().lower().startswith("sep=") and len(first.strip()) == 5:
        # How spreadsheets are told the separator; the line keeps its number.
        return _trimmed([[], *_parse_closed(rest, first.strip()[4], first=2)])
    lines = [line for line in text.split("\n") if line.strip()]
    if lines and sum("\t" in line for line in lines) >= _MOSTLY * len(lines):
        rows = _parse(text, "\t")
        # A quotation mark that is a word's own, or stands for ditto, must not swallow the rows below.
        is_torn = any("\n" in cell and "\t" in cell for row in rows for cell in row)
        return _trimmed([[c.strip() for c in line.split("\t")] for line in text.split("\n")] if is_torn else rows)
    try:
        dialect = clevercsv.Sniffer().sniff(text[:_SAMPLE], delimiters=[",", ";", "|", "\t"])
    except clevercsv.Error:
        dialect = None
    separator = dialect.delimiter if dialect is not None and dialect.delimiter else ","
    return _trimmed(_parse_closed(text, separator))


def _parse_closed(text: str, separator: str, first: int = 1) -> Rows:
    """Rows of cells, of which none holds the rows below it; the first one has the number ``first``.

    Raises
    ------
    InvalidInputError
        For a quotation mark that is not closed.
    """
    rows = _parse(text, separator)
    width = max((len(row) for row in rows), default=0)
    torn = [
        k
        for k, row in enumerate(rows, start=first)
        if any(line.count(separator) >= max(width - 1, 2) for cell in row for line in cell.split("\n")[1:])
    ]
    # Of narrow tables only a row behind the last one tells: it is swallowed too.
    if not torn and rows and any("\n" in cell for cell in rows[-1]) and _parse(f"{text}\n.", separator)[-1] != ["."]:
        torn = [len(rows) - 1 + first]
    if torn:
        raise InvalidInputError({"rows": f"Row {torn[0]}: a quotation mark is not closed, so its cell holds the rows below."})
    return rows


def read_kept(text: str) -> Rows:
    """Read what ``write_csv`` wrote."""
    return _parse(text, ",")


def _trimmed(rows: Rows) -> Rows:
    """Without empty cells at the right and empty rows at the end."""
    width = max((k + 1 for row in rows for k, cell in enumerate(row) if cell), default=0)
    height = max((k + 1 for k, row in enumerate(rows) if any(row)), default=0)
    return [row[:width] for row in rows[:height]]


def _without_controls(text: str) -> str:
    return "".join(c if ord(c) >= 32 or c in "\n\t" else " " for c in text)


def _parse(text: str, separator: str) -> Rows:
    try:
        return [[cell.strip() for cell in row] for row in csv.reader(io.StringIO(text), delimiter=separator)]
    except csv.Error as error:
        raise InvalidInputError({"rows": f"The table cannot be read ({error}). Check its quotation marks."}) from error


def _read_workbook(content: bytes, sheet: str) -> FileTable:
    if len(sheet) > _LONGEST_SHEET_NAME or not sheet.isprintable():
        raise InvalidInputError({"sheet": "No sheet can have this name. Leave the name away, and the fullest sheet is read."})
    found = _read_apart(content, sheet)
    names = found["names"]
    if "rows" not in found:
        raise InvalidInputError({"sheet": f"There is no sheet “{sheet[:40]}”. There are: {', '.join(names)[:300]}."})
    read = {name: _trimmed(rows) for name, rows in found["rows"].items()}
    chosen = max(read, key=lambda name: sum(bool(c) for row in read[name] for c in row), default=None)
    if chosen is None:
        raise InvalidInputError({"file": "This workbook has no sheet with cells."})
    note = f"The sheet “{chosen}” was read, one of {len(names)}." if len(names) > 1 else ""
    return FileTable(read[chosen], note)


def _unreadable(why: str) -> InvalidInputError:
    return InvalidInputError({"file": f"This workbook cannot be read ({why[:120]}). Save the table as CSV and choose that file."})


def _read_apart(content: bytes, sheet: str) -> dict[str, Any]:
    """Names of the sheets and cells of those that are wanted, by ``server.exchange.sheets``."""
    command = [sys.executable, "-m", "server.exchange.sheets", *([sheet] if sheet else [])]
    try:
        done = subprocess.run(command, input=content, capture_output=True, timeout=MOST_SECONDS, cwd=_ROOT, check=True)
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
        raise _unreadable("it takes more memory or time than a table of runs should") from error
    found: dict[str, Any] = json.loads(done.stdout)
    if "refused" in found:
        raise InvalidInputError({"file": found["refused"]})
    if "error" in found:
        raise _unreadable(found["error"])
    return found


def check_workbook(content: bytes) -> None:
    """Refuse a packed workbook that would unpack to more than a table of runs is; done where memory is bounded.

    Raises
    ------
    InvalidInputError
        For the field ``file``.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            if sum(part.file_size for part in packed.infolist()) > MOST_UNPACKED_BYTES:
                raise InvalidInputError({"file": "This workbook is too large. Keep only the table of runs in it."})
            _check_extent(packed)
    except _DAMAGED as error:
        raise _unreadable(str(error)) from error


def _check_extent(packed: zipfile.ZipFile) -> None:
    """Refuse a sheet with a cell far from all others: readers make room for everything between.

    The cells' own references count; what the sheet says about its extent may be wrong.
    """
    for name in packed.namelist():
        if name == "content.xml":
            _check_repeats(packed.read(name))
        if not re.fullmatch(r"xl/worksheets/[^/]+\.xml", name):
            continue
        widest = lowest = 0
        for letters, digits in _REFERENCE.findall(packed.read(name)):
            column = 0
            for letter in letters:
                column = 26 * column + letter - 64
            widest, lowest = max(widest, column), max(lowest, int(digits))
        if widest * lowest > MOST_CELLS:
            raise InvalidInputError(
                {"file": f"A cell of this workbook stands in row {lowest} or column {widest}, far from the table. Delete it."}
            )


def _check_repeats(content: bytes) -> None:
    """Refuse an ODS with a cell far from all others, or with cells that are repeated more often than a table can hold."""
    # No spreadsheet program declares entities, which could stand for any amount of text.
    if b"<!DOCTYPE" in content or b"\0" in content[:4]:
        raise InvalidInputError(
            {"file": "This workbook is written in an unusual way. Save the table as CSV and choose that file."}
        )
    row_number = lowest = widest = 0
    try:
        for _, row in ElementTree.iterparse(io.BytesIO(content)):
            if row.tag == f"{_TABLE}table":
                row_number = lowest = widest = 0
            if row.tag != f"{_TABLE}table-row":
                continue
            position = width = 0
            for cell in row:
                position += _repeated(cell, "columns")
                if any(part.tag.endswith("}p") for part in cell) or any("value" in name for name in cell.attrib):
                    width = position
            row_number += _repeated(row, "rows")
            lowest, widest = (row_number if width else lowest), max(widest, width)
            row.clear()
            if widest * lowest > MOST_CELLS:
                where = f"row {lowest} and column {widest}"
                raise InvalidInputError({"file": f"Cells of this workbook go on to {where}. Keep only the table of runs in it."})
    except (ElementTree.ParseError, LookupError, ValueError) as error:
        raise InvalidInputError({"file": f"This workbook cannot be read ({error}). Save the table as CSV."}) from error


def _repeated(element: ElementTree.Element, what: str) -> int:
    text = element.get(f"{_TABLE}number-{what}-repeated", "1")
    return int(text) if text.isdecimal() and len(text) < 10 else MOST_CELLS


def workbook_cell(value: Any) -> str:
    """A cell of a workbook as it would be typed."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # Long numbers of lots keep all their digits.
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.12g}"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time(0) else value.isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.strftime("%H:%M:%S")
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    return _without_controls(str(value).replace("\r\n", "\n")).strip()


def write_csv(rows: Sequence[Sequence[str]], *, for_spreadsheets: bool = False) -> str:
    """Write rows as CSV (RFC 4180).

    Parameters
    ----------
    for_spreadsheets : bool
        Put an apostrophe before text that a spreadsheet would run as a formula; plain
        numbers stay as they are.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    for row in rows:
        writer.writerow([_harmless(cell) if for_spreadsheets else cell for cell in row])
    return out.getvalue()


def write_text(rows: Sequence[Sequence[str]]) -> str:
    """Write rows as they come out of a spreadsheet by copying: tabs between the cells. ``read_text`` reads it."""
    out = io.StringIO()
    csv.writer(out, delimiter="\t", lineterminator="\n").writerows(rows)
    return out.getvalue()


def write_workbook(rows: Sequence[Sequence[str]], numeric: Collection[int]) -> bytes:
    """Write rows as a workbook (XLSX), headings first; a spreadsheet of any language reads its numbers.

    Parameters
    ----------
    numeric : collection of int
        Columns, from 0, whose cells are numbers; all others stay text, formulas never run.
    """
    # Imported here: most pages need no workbook.
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}) as book:
        sheet = book.add_worksheet("runs")
        sheet.freeze_panes(1, 1)
        for k, row in enumerate(rows):
            for j, cell in enumerate(row):
                if k and j in numeric and cell:
                    sheet.write_number(k, j, float(cell))
                elif cell:
                    sheet.write_string(k, j, cell)
        for j in range(len(rows[0]) if rows else 0):
            sheet.set_column(j, j, min(max(len(row[j]) for row in rows) + 2, 40))
    return out.getvalue()


def as_typed(cell: str) -> str:
    """A cell without the apostrophe that ``write_csv`` or a spreadsheet puts before what is no formula.

    Examples
    --------
    >>> as_typed("'=1+1"), as_typed("'quoted'")
    ('=1+1', "'quoted'")
    """
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA_STARTS) else cell


def _harmless(cell: str) -> str:
    if not cell.startswith(_FORMULA_STARTS):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
