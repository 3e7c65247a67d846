"""Reads the cells of a workbook in a process of its own, with bounded memory.

    python -m server.exchange.sheets [SHEET] < workbook > cells.json

The reader makes room for everything between the first and the last cell that a file claims to have,
and a process that gets no memory for that dies. The process that dies is this one.
"""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

from server.errors import InvalidInputError
from server.exchange.tables import HEADING_ROWS, MOST_CELLS, check_workbook, workbook_cell

# Enough for the largest table that is read. [bytes]
MOST_MEMORY = 1_500_000_000


def main() -> None:
    """Write {"names", "rows"} as JSON; {"refused"} with a sentence; {"error"} with what the reader says; or {"names"} alone.

    The last where the sheet is not there.
    """
    with suppress(ImportError):  # not on every system
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    sheet = sys.argv[1] if len(sys.argv) > 1 else ""
    sys.stdout.write(json.dumps(read_book(sys.stdin.buffer.read(), sheet)))


def read_book(content: bytes, sheet: str = "", most_cells: int = MOST_CELLS) -> dict[str, Any]:
    """Names of the sheets and cells of one, or of all of them; see ``main``."""
    from python_calamine import CalamineError, CalamineWorkbook

    if content.startswith(b"PK"):
        try:
            check_workbook(content)
        except InvalidInputError as error:
            return {"refused": error.messages["file"]}
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        answer: dict[str, Any] = {"names": book.sheet_names}
        if not sheet or sheet in book.sheet_names:
            wanted = [sheet] if sheet else book.sheet_names
            sheets = {name: book.get_sheet_by_name(name) for name in wanted}
            # Old workbooks say where their cells end only here, before room is made for all of them as Python values.
            for one in sheets.values():
                rows, columns = (one.end[0] + 1, one.end[1] + 1) if one.end else (0, 0)
                if rows * columns > most_cells:
                    return {"error": f"its cells go on to row {rows} and column {columns}"}
            read = {name: one.to_python(skip_empty_area=False) for name, one in sheets.items()}
            for name, cells in read.items():
                _fill_down(cells, sheets[name].merged_cell_ranges or ())
            answer["rows"] = {name: [[workbook_cell(c) for c in row] for row in rows] for name, rows in read.items()}
    except CalamineError as error:
        return {"error": str(error)}
    return answer


def _fill_down(rows: list[list[Any]], merged: Iterable[tuple[tuple[int, int], tuple[int, int]]]) -> None:
    """Words of cells that are merged over several rows at the top stand in each of them: headings over two rows."""
    for (top, left), (bottom, _) in merged:
        value = rows[top][left] if top < min(len(rows), HEADING_ROWS) and left < len(rows[top]) else None
        if isinstance(value, str) and value and not value[0].isdigit():
            for row in rows[top + 1 : min(bottom + 1, HEADING_ROWS)]:
                row[left] = row[left] or value


if __name__ == "__main__":
    main()
