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
    from python_calamine import CalamineError, CalamineWorkbook

    sheet = sys.argv[1] if len(sys.argv) > 1 else ""
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(sys.stdin.buffer.read()))
        answer: dict[str, Any] = {"names": book.sheet_names}
        if not sheet or sheet in book.sheet_names:
            wanted = [sheet] if sheet else book.sheet_names
            sheets = {name: book.get_sheet_by_name(name) for name in wanted}
            # Where XLS says how far its cells go, before room is made for all of them as Python values.
            far = next((one for one in sheets.values() if one.total_height * one.total_width > MOST_CELLS), None)
            if far is not None:
                answer = {"error": f"its cells go on to row {far.total_height} and column {far.total_width}"}
            else:
                read = {name: one.to_python(skip_empty_area=False) for name, one in sheets.items()}
                answer["rows"] = {name: [[workbook_cell(c) for c in row] for row in rows] for name, rows in read.items()}
    except CalamineError as error:
        answer = {"error": str(error)}
    sys.stdout.write(json.dumps(answer))


if __name__ == "__main__":
    main()
