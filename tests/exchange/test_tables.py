"""Files in and out: what a table is, whatever it came in."""

import io
import re
import zipfile
from datetime import date
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from server.errors import InvalidInputError
from server.exchange.sheets import read_book
from server.exchange.tables import (
    MOST_FILE_BYTES,
    MOST_UNPACKED_BYTES,
    read_file,
    read_kept,
    read_text,
    write_csv,
    write_text,
    write_workbook,
)

TABLE = [["hold / h", "yield", "notes"], ["1.5", "61.2", "brown, smelly"], ["2", "66", 'said "ok"']]


def test_headings_that_are_merged_over_two_rows_stand_in_both() -> None:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("runs")
        sheet.merge_range("A1:A2", "run")
        sheet.merge_range("B1:C1", "conditions")
        sheet.write_row("B2", ["hold / h", "bath / °C"])
        sheet.merge_range("A3:A4", "K7")
        sheet.merge_range("B3:B4", 2)
        sheet.write_row("C3", [120])
        sheet.write_row("C4", [130])
        sheet.merge_range("A20:A21", "far below")
        sheet.write_row("B21", [1])
    rows = read_book(out.getvalue())["rows"]["runs"]
    assert rows[:4] == [["run", "conditions", ""], ["run", "hold / h", "bath / °C"], ["K7", "2", "120"], ["K7", "", "130"]]
    assert rows[20][0] == ""


def workbook(**sheets: list[list[object]]) -> bytes:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    day = book.add_format({"num_format": "d mmm yyyy"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for k, row in enumerate(rows):
            for j, cell in enumerate(row):
                if isinstance(cell, date):
                    sheet.write_datetime(k, j, cell, day)
                else:
                    sheet.write(k, j, cell)
    book.close()
    return out.getvalue()


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_text_is_read_whatever_separates_its_cells(separator: str, encoding: str) -> None:
    lines = ["hold;bath °C;yield", "1,5;78;61,2", "2;80;66", "2,5;82;70,5"]
    if separator == ",":
        lines = ["hold;bath °C;yield", "1.5;78;61.2", "2;80;66", "2.5;82;70.5"]
    text = "\r\n".join(lines).replace(";", separator)
    read = read_file(text.encode(encoding)).rows
    assert read == [line.split(";") for line in lines]


def test_blank_rows_and_titles_keep_the_numbers_of_the_rows() -> None:
    rows = read_text("Notebook 4\n\nhold;yield\n1,5;60\n\n2;61\n3;62\n")
    assert rows[:3] == [["Notebook 4"], [], ["hold", "yield"]]
    assert rows[5] == ["2", "61"]
    assert read_text("sep=;\nhold;yield\n1;60\n") == [[], ["hold", "yield"], ["1", "60"]]


def test_a_quoted_cell_may_hold_separators_and_lines() -> None:
    assert read_text('hold,notes\n1.5,"a, b\nc"\n2,"d"\n')[1] == ["1.5", "a, b\nc"]


def test_what_is_written_is_read_again() -> None:
    assert read_kept(write_csv(TABLE)) == TABLE


def test_a_spreadsheet_runs_no_cell_as_a_formula() -> None:
    text = write_csv([["=1+1", "-2.5", "+x", "@y", "-20 °C", "5"]], for_spreadsheets=True)
    assert text == "'=1+1,-2.5,'+x,'@y,'-20 °C,5\r\n"


def test_a_workbook_gives_its_fullest_sheet_with_days_and_numbers_as_typed() -> None:
    content = workbook(remarks=[["x"]], runs=[["day", "hold", "yield"], [date(2026, 3, 4), 1.5, 0.72]])
    found = read_file(content)
    assert found.rows == [["day", "hold", "yield"], ["2026-03-04", "1.5", "0.72"]]
    assert found.note == "The sheet “runs” was read, one of 2."
    assert read_file(content, "remarks").rows == [["x"]]
    with pytest.raises(InvalidInputError, match="There are: remarks, runs"):
        read_file(content, "nowhere")


def test_what_is_no_table_is_sent_back() -> None:
    for content, words in (
        (b"PK\x03\x04 not really", "cannot be read"),
        (bytes(range(256)) * 4, "neither text nor a workbook"),
        (b"x" * (MOST_FILE_BYTES + 1), "larger than 5 MB"),
    ):
        with pytest.raises(InvalidInputError, match=words):
            read_file(content)


def test_a_damaged_or_locked_workbook_is_sent_back() -> None:
    rows: list[list[object]] = [["hold", "yield"]]
    rows += [[k, k] for k in range(300)]
    content = workbook(runs=rows)
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        sheet = packed.getinfo("xl/worksheets/sheet1.xml")
    broken = bytearray(content)
    start = sheet.header_offset + 30 + len(sheet.filename) + 60
    broken[start : start + 40] = b"\xff" * 40
    # The first bit of the flags of a member, in front of it and in the directory at the end, says that it is encrypted.
    locked = re.sub(rb"(PK\x03\x04..|PK\x01\x02....)(.)", lambda m: m[1] + bytes([m[2][0] | 1]), content, flags=re.DOTALL)
    for wrong in (broken, locked):
        with pytest.raises(InvalidInputError, match="This workbook cannot be read"):
            read_file(bytes(wrong))
    for name in ("a\x00b", "x" * 200_000):
        with pytest.raises(InvalidInputError, match="No sheet can have this name"):
            read_file(content, name)


def test_a_workbook_that_unpacks_to_too_much_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b"0" * (MOST_UNPACKED_BYTES + 1))
    assert len(out.getvalue()) < MOST_FILE_BYTES
    with pytest.raises(InvalidInputError, match="too large"):
        read_file(out.getvalue())


@pytest.mark.parametrize("place", [(1_048_575, 16_383), (1_048_575, 7)])
def test_a_stray_cell_far_from_the_table_is_refused_before_the_sheet_is_read(place: tuple[int, int]) -> None:
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out)
    sheet = book.add_worksheet("runs")
    sheet.write(0, 0, "hold")
    sheet.write(*place, "x")
    book.close()
    with pytest.raises(InvalidInputError, match="far from the table"):
        read_file(out.getvalue())


def test_cells_that_go_on_too_far_are_refused_by_the_reader_too() -> None:
    # Old workbooks say where their cells end only once they are opened.
    content = workbook(runs=[["hold", "yield"], [1, 60], [2, 61]])
    assert read_book(content, most_cells=5) == {"error": "its cells go on to row 3 and column 2"}
    assert read_book(content, most_cells=6)["rows"]["runs"][0] == ["hold", "yield"]
    assert read_book(workbook(empty=[]))["rows"] == {"empty": []}


def test_a_quotation_mark_that_is_not_closed_swallows_no_rows() -> None:
    pasted = 'hold\tyield\tnotes\n1\t60\t"slow\n2\t61\tx\n3\t62\ty\n'
    assert [row[:2] for row in read_text(pasted)] == [["hold", "yield"], ["1", "60"], ["2", "61"], ["3", "62"]]
    with pytest.raises(InvalidInputError, match="Row 2: a quotation mark is not closed"):
        read_text(pasted.replace("\t", ","))
    # A table of two columns too, and one that names its separator.
    for narrow, row in (('yield,notes\n60,"slow\n61,x\n', 2), ('sep=;\nyield;notes\n60;"slow\n61;x\n', 3)):
        with pytest.raises(InvalidInputError, match=f"Row {row}: a quotation mark is not closed"):
            read_text(narrow)
    assert read_text('yield,notes\n60,"slow\nand dark"\n61,x\n') == [["yield", "notes"], ["60", "slow\nand dark"], ["61", "x"]]
    # In the last line there is nothing to swallow.
    assert read_text('yield,notes\n60,x\n61,"slow') == [["yield", "notes"], ["60", "x"], ["61", "slow"]]


def test_long_lot_numbers_keep_their_digits_and_empty_edges_are_cut() -> None:
    content = workbook(runs=[["lot", "hold"], [4012345678901, 2], ["", ""]])
    assert read_file(content).rows == [["lot", "hold"], ["4012345678901", "2"]]
    assert read_text("a,b,,\n1,2,,\n,,,\n") == [["a", "b"], ["1", "2"]]


def ods(rows: str) -> bytes:
    """The least that an ODS has to hold, with the given rows."""
    spaces = " ".join(f'xmlns:{p}="urn:oasis:names:tc:opendocument:xmlns:{p}:1.0"' for p in ("office", "table", "text"))
    content = (
        f'<office:document-content {spaces} office:version="1.2"><office:body><office:spreadsheet>'
        f'<table:table table:name="runs">{rows}</table:table></office:spreadsheet></office:body></office:document-content>'
    )
    manifest = '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("META-INF/manifest.xml", manifest)
        packed.writestr("content.xml", content)
    return out.getvalue()


def cells(text: str, repeated: int = 1) -> str:
    inside = f"<text:p>{text}</text:p>" if text else ""
    kind = ' office:value-type="string"' if text else ""
    return f'<table:table-cell table:number-columns-repeated="{repeated}"{kind}>{inside}</table:table-cell>'


def lines(inside: str, repeated: int = 1) -> str:
    return f'<table:table-row table:number-rows-repeated="{repeated}">{inside}</table:table-row>'


def test_an_ods_is_read_with_its_repeated_cells_and_empty_margins() -> None:
    rows = lines(cells("x", 2) + cells("", 16_000)) + lines(cells("", 16_000), 1_000_000)
    assert read_file(ods(rows)).rows == [["x", "x"]]


def test_an_ods_with_entities_is_refused() -> None:
    # 100 kB that stand for 1.5 GB.
    entity = b"<!DOCTYPE x [<!ENTITY e '" + b"a" * 100_000 + b"'>]>"
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(ods(lines(cells("x"))))) as plain, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name in plain.namelist():
            content = plain.read(name)
            if name == "content.xml":
                start = content.index(b"?>") + 2 if content.startswith(b"<?xml") else 0
                content = content[:start] + entity + content[start:].replace(b">x<", b">" + b"&e;" * 15_000 + b"<")
            packed.writestr(name, content)
    with pytest.raises(InvalidInputError, match="written in an unusual way"):
        read_file(out.getvalue())


@pytest.mark.parametrize(
    "rows",
    [lines(cells("x", 200), 100_000), lines(cells(""), 1_000_000) + lines(cells("x") * 3)],
    ids=["repeated", "far down"],
)
def test_an_ods_that_would_fill_the_memory_is_refused(rows: str) -> None:
    with pytest.raises(InvalidInputError, match="Keep only the table"):
        read_file(ods(rows))


def test_a_prefix_does_not_hide_a_far_cell() -> None:
    content = workbook(runs=[["hold", "yield"], [1, 60]])
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            if name.startswith("xl/worksheets/"):
                text = text.replace(b'<c r="B2"', b'<x:c\n r="XFD900000"')
            new.writestr(name, text)
    with pytest.raises(InvalidInputError, match="far from the table"):
        read_file(out.getvalue())


@pytest.mark.parametrize("folder", ["other", "worksheets"])
def test_a_workbook_that_would_take_all_memory_stops_only_its_reader(folder: str) -> None:
    """A cell in the last row and column that is found neither by the folder of its sheet nor by its own reference."""
    far = '<c r="XFD1048576"><v>1</v></c>' if folder == "other" else "<c><v>1</v></c>" * 16_384
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook(runs=[["hold"], [1]]))) as source,
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            text = source.read(name).decode().replace("worksheets/sheet1.xml", f"{folder}/sheet1.xml")
            if name == "xl/worksheets/sheet1.xml":
                text = text.replace("</sheetData>", f'<row r="1048576">{far}</row></sheetData>')
            target.writestr(name.replace("worksheets/", f"{folder}/"), text)
    with pytest.raises(InvalidInputError, match="more memory or time than a table of runs should"):
        read_file(packed.getvalue())


def test_a_written_workbook_has_numbers_as_numbers_and_runs_no_formula() -> None:
    rows = [["run", "hold / h", "lot"], ["1", "1.25", "0012"], ["2", "", "=1+1"]]
    content = write_workbook(rows, {0, 1})
    assert read_file(content).rows == rows
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        sheet = packed.read("xl/worksheets/sheet1.xml").decode()
    # Numbers carry no type and stand in the sheet itself; text is of the type s (ECMA-376, part 1, 18.18.11).
    assert '<c r="B2"><v>1.25</v></c>' in sheet
    assert re.search(r'<c r="C2"[^>]* t="s">', sheet)
    assert "<f>" not in sheet


@given(st.lists(st.lists(st.text("ab1,;\"' .%-", max_size=8).map(str.strip), min_size=3, max_size=3), min_size=1, max_size=6))
def test_what_is_written_as_text_is_read_back(rows: list[list[str]]) -> None:
    rows = [["h", "b", "y"], *rows, ["1", "2", "3"]]
    assert read_text(write_text(rows)) == rows
