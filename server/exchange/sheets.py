"""Reads the cells of a workbook in a process of its own, with bounded memory.

    python -m server.exchange.sheets [SHEET] < workbook > cells.json

The reader makes room for everything between the first and the last cell that a file claims to have,
and a process that gets no memory for that dies. The process that dies is this one.
"""

from __future__ import annotations

import io
import json
import sys
from contextlib import suppress
from typing import Any

from server.exchange.tables import MOST_CELLS, workbook_cell

# Enough for the largest table that is read. [bytes]
MOST_MEMORY = 1_500_000_000


def main() -> None:
    """Write {"names", "rows"} as JSON, or {"error"} with what the reader says, or {"names"} where the sheet is not there."""
    with suppress(ImportError):  # not on every system
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    sheet = sys.argv[1] if len(sys.argv) > 1 else ""
    sys.stdout.write(json.dumps(read_book(sys.stdin.buffer.read(), sheet)))


def read_book(content: bytes, sheet: str = "", most_cells: int = MOST_CELLS) -> dict[str, Any]:
    """Names of the sheets and cells of one, or of all of them; see ``main``."""
    from python_calamine import CalamineError, CalamineWorkbook

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
            answer["rows"] = {name: [[workbook_cell(c) for c in row] for row in rows] for name, rows in read.items()}
    except CalamineError as error:
        return {"error": str(error)}
    return answer


if __name__ == "__main__":
    main()
