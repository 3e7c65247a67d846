"""Past runs from a table: cells, headings, rows, and nothing stored but on a yes."""

import inspect
import itertools
import math
import re
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlmodel import Session

from server.core.space.variables import Role, Stage
from server.errors import InvalidInputError, NeedsConfirmationError
from server.exchange.tables import read_file, read_kept, write_csv
from server.paths import asset_folder
from server.services import checkpoints, notebook, runs
from server.services.analysis import analyse
from server.services.cells import is_day, lacks_year, read_amount, read_day, read_outcome, stroke_order
from server.services.charges import add_material
from server.services.checkpoints import add_checkpoint
from server.services.demo import load_demo
from server.services.headings import heading_unit, match_heading
from server.services.inputs import CheckpointInput, ColumnInput, MaterialInput, NotebookInput, PreparationInput, VariableInput
from server.services.notebook import columns_left_out, import_runs, look_at, numeric_columns, runs_as_table
from server.services.numbers import NumberTextError
from server.services.preparations import as_input as preparation_input
from server.services.preparations import create_preparation, update_preparation
from server.services.runs import view_runs
from server.services.spaces import space_of
from server.services.stages import ways_of
from server.services.variables import add_variable, as_input
from server.storage import questions
from tests.factories import make_preparation, make_run

HEAD = ["hold (h)", "bath", "agent", "yield %", "date", "remarks"]
ROWS = [HEAD, ["1", "120", "MgSO4", "50", "2026-03-01", ""], ["2", "125", "na2so4", "60,5", "2026-03-02", "new flask"]]


def key_of(session: Session) -> int:
    return int(make_preparation(session).id or 0)


def numbers_in(session: Session, key: int) -> list[int]:
    return [r.number for r in questions.list_runs(session, key)]


def table(*rows: list[str], **more: Any) -> NotebookInput:
    return NotebookInput(rows=[HEAD, *rows], **more)


@pytest.mark.parametrize(
    ("cell", "value", "unit"),
    [
        ("90", 90.0, ""),
        ("90 min", 90.0, "min"),
        ("1,5 hrs", 1.5, "h"),
        ("ca. 78 °C", 78.0, "°C"),
        ("~80", 80.0, ""),
        ("−5 °C", -5.0, "°C"),
        ("72%", 72.0, "%"),
        ("78–80 °C", 79.0, "°C"),
        ("2 to 3 h", 2.5, "h"),
        ("1.2e-3 mol", 0.0012, "mol"),
        ("3x", 3.0, ""),
        ("2 ×", 2.0, ""),
    ],
)
def test_a_number_is_read_with_what_stands_around_it(cell: str, value: float, unit: str) -> None:
    found = read_amount(cell)
    assert (found.value, found.unit) == (value, unit)
    assert found.is_range == (cell in ("78–80 °C", "2 to 3 h"))


@pytest.mark.parametrize(
    ("cell", "words"), [("1 050", "a blank inside the number"), ("950 ± 5", "a column of its own"), ("7 +/- 1 g", "of its own")]
)
def test_what_stands_in_the_wrong_place_is_told(cell: str, words: str) -> None:
    with pytest.raises(NumberTextError, match=words):
        read_amount(cell)


def test_a_point_among_decimal_commas_may_group(session: Session) -> None:
    key = key_of(session)
    head = ["hold", "bath", "agent", "mass isolated (mg)"]
    rows = [head, ["1,5", "120", "MgSO4", "1.050"], ["2,5", "120", "MgSO4", "1050"]]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert {q.code for q in book.questions} == {"point", "nothing_isolated"}
    assert "decimal point" in book.rows[0].remarks
    plain = look_at(session, key, NotebookInput(rows=[head, ["1.5", "120", "MgSO4", "1.050"]]))
    assert [q.code for q in plain.questions] == ["nothing_isolated"]
    # A lot, or the name of a solvent, is no number.
    lots = [[*head, "lot"], ["1.5", "120", "MgSO4", "1.050", "12,3"]]
    assert [q.code for q in look_at(session, key, NotebookInput(rows=lots)).questions] == ["nothing_isolated"]


def test_a_row_with_next_to_nothing_may_be_a_failed_run(session: Session) -> None:
    key = key_of(session)
    rows = [["hold", "bath", "agent", "mass isolated (g)"], ["1", "120", "MgSO4", "0.04"], ["2", "120", "MgSO4", "6"]]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert [r.lacks_result for r in book.rows] == [True, False]
    with pytest.raises(NeedsConfirmationError, match="Choose in the row whether the run failed"):
        import_runs(session, key, NotebookInput(rows=rows))
    import_runs(session, key, NotebookInput(rows=rows, failed_rows=[2]))
    assert [r.outcome for r in questions.list_runs(session, key)] == ["failure", "yield"]


def test_a_scale_in_another_unit_is_asked_about_in_a_table(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=0.005)
    key = int(preparation.id or 0)
    data = NotebookInput(rows=[["hold", "bath", "agent", "scale / mol", "yield"], ["1", "120", "MgSO4", "5", "50"]])
    assert [q.code for q in look_at(session, key, data).questions] == ["far_scale"]
    with pytest.raises(NeedsConfirmationError, match="in mol, not in mmol"):
        import_runs(session, key, data)
    assert import_runs(session, key, data.model_copy(update={"confirm": ["far_scale"]})).numbers == (1,)


def test_whatever_may_be_asked_about_a_run_can_be_asked_about_a_row() -> None:
    sources = [inspect.getsource(module) for module in (runs, checkpoints)]
    codes = set(re.findall(r'NeedsConfirmationError\(\s*(?:"\w+"|\w+), "(\w+)"', "".join(sources)))
    # Of plans, of runs that have a forecast or are there already, of checkpoints one by one.
    others = {"outside_range", "limits_at_scale", "far_off", "same_checkpoint", "same_run", "short_stock"}
    others |= {"amount_of_run", "another_interim"}
    assert codes - others == notebook._QUESTIONS.keys() - {
        "comma",
        "point",
        "middle",
        "mass_counts",
        "scales",
        "contradicting_amounts",
        "same_reference",
    }


@pytest.mark.parametrize("cell", ["about half", "<5", "1.234,5", "1,2,3", "nan", "5 %-ish of 3", ""])
def test_what_is_no_number_is_not_guessed(cell: str) -> None:
    try:
        found = read_amount(cell)
    except NumberTextError:
        return
    # Left to the unit check: a number with words behind it.
    assert found.unit not in ("", "%")


TODAY = date(2026, 6, 1)


@given(st.dates(min_value=date(1990, 1, 1), max_value=TODAY))
def test_a_day_is_the_same_in_every_way_to_write_it(day: date) -> None:
    iso = day.isoformat()
    ways = [iso, f"{iso} 10:30", f"{day.day}.{day.month}.{day.year}", f"{day.day}.{day.month}.{day.year} 9:05"]
    ways += [f"{day.day} {day:%b} {day.year}", f"{day:%B} {day.day}, {day.year}"]
    if day.year >= 2000:
        ways.append(f"{day.day}.{day.month}.{day.year % 100:02d}")
    assert [read_day(way, "", TODAY) for way in ways] == [iso] * len(ways)
    assert read_day(f"{day.day}/{day.month}/{day.year}", "day_first", TODAY) == iso
    assert read_day(f"{day.month}/{day.day}/{day.year}", "month_first", TODAY) == iso
    if day.day != day.month:
        with pytest.raises(NumberTextError, match="day or the month first"):
            read_day(f"{day.day}/{day.month}/{day.year}", "", TODAY)


@pytest.mark.parametrize(
    "text", ["31.2.2026", "2026-13-01", "soon", "30/30/2026", "25-03-04", "2.6.2026", "1.3.27", "5 Foo 2025"]
)
def test_days_that_cannot_be_are_sent_back(text: str) -> None:
    with pytest.raises(NumberTextError):
        read_day(text, "day_first", TODAY)


@pytest.mark.parametrize(
    ("days", "problems"),
    [
        (["3/4/2026", "25/3/2026"], 0),
        (["3/4/2026", "4/5/2026"], 2),
        (["3/25/2026", "25/3/2026"], 2),
        (["3.4.2026", "4/4/2026"], 0),
    ],
)
def test_the_days_of_a_table_have_one_order(session: Session, days: list[str], problems: int) -> None:
    key = key_of(session)
    rows = [[str(1 + k), "120", "MgSO4", "50", day, ""] for k, day in enumerate(days)]
    book = look_at(session, key, table(*rows))
    assert sum(bool(r.problems) for r in book.rows) == problems
    assert book.asks_day_order == bool(problems)


def test_the_year_of_days_without_one_is_asked_and_never_guessed(session: Session) -> None:
    key = key_of(session)
    days = ["14.3.", "15.3", "16 März", "Mar 17", "18. Mrz.", "19.3.2026"]
    rows = [[str(1 + k / 2), "120", "MgSO4", "50", day, ""] for k, day in enumerate(days)]
    book = look_at(session, key, table(*rows))
    assert book.asks_day_year
    assert [len(r.problems) for r in book.rows] == [1, 1, 1, 1, 1, 0]
    assert book.rows[0].problems == ("date: “14.3.” has no year. Say which.",)
    said = look_at(session, key, table(*rows).model_copy(update={"day_year": 2025}))
    assert [r.day for r in said.rows] == [*(f"2025-03-{d}" for d in (14, 15, 16, 17, 18)), "2026-03-19"]
    # From December to January the year changes, and nobody has said which row has which.
    across = [[*row[:4], day, ""] for row, day in zip(rows, ["20.12.", "3.1.", "4.1."], strict=False)]
    turned = look_at(session, key, table(*across).model_copy(update={"day_year": 2025}))
    assert [len(r.problems) for r in turned.rows] == [0, 1, 1]
    assert "so the year may have changed" in turned.rows[1].problems[0]
    assert not look_at(session, key, table(*rows[5:])).asks_day_year
    assert stroke_order("25/3") == "day_first"
    assert [read_day(day, "", TODAY, 2026) for day in ("Mi 4.3.", "Mittwoch, 4. März", "4.3. 10:30")] == ["2026-03-04"] * 3
    assert read_day("3/4", "month_first", TODAY, 2026) == "2026-03-04"


def test_outcomes_in_words() -> None:
    assert [read_outcome(w) for w in ("Failed!", "spilled", "OK", "perhaps")] == ["failure", "no_information", "yield", None]


@pytest.mark.parametrize(
    ("heading", "meaning"),
    [
        ("hold", "v1"),
        ("Hold time (min)", "v1"),
        ("BATH / °C", "v2"),
        ("oil bath", "v2"),
        ("batch", "lot"),
        ("operator", "made_by"),
        ("Bearbeiter", "made_by"),
        ("drying agent", "v3"),
        ("Yield %", "yield_percent"),
        ("% yield", "yield_percent"),
        ("Yield (g)", "product_mass_g"),
        ("Yield (isolated)", "yield_percent"),
        ("yield (GC)", ""),
        ("Yield (mmol)", ""),
        ("by-product (g)", ""),
        ("Crude (mg)", "checkpoint_work_up_g"),
        ("mass of crude / g", "checkpoint_work_up_g"),
        ("Crude yield (g)", "checkpoint_work_up_g"),
        ("crude yield", ""),
        ("crude yield %", ""),
        ("Crude purity %", "checkpoint_work_up_percent"),
        ("weighed after isolation / g", "checkpoint_isolation_g"),
        ("Reagent", ""),
        ("run number", ""),
        ("hold_min", "v1"),
        ("min hold", "v1"),
        ("isolated mass [mg]", "product_mass_g"),
        ("isolated mg", "product_mass_g"),
        ("Obtained (g)", "product_mass_g"),
        ("isolated", ""),
        ("isolated %", ""),
        ("Date", "made_on"),
        ("colour", ""),
        ("Ausbeute [%]", "yield_percent"),
        ("Auswaage (g)", "product_mass_g"),
        ("Datum", "made_on"),
        ("Bemerkung", "notes"),
        ("Ansatz [mmol]", "scale_mol"),
        ("Ansatz", "reference"),
        ("HPLC purity %", "purity_percent"),
        ("Badtemperatur / °C", "v2"),
        ("Reaktionszeit (min)", "v1"),
        # A remark of a whole sentence is no heading, whatever it speaks of.
        ("hold " + "as in the last run, but with the stirrer turned down a little after an hour " * 2, ""),
        ("standard uncertainty of the yield / points", ""),
        ("", ""),
    ],
)
def test_headings_are_understood(session: Session, heading: str, meaning: str) -> None:
    key = key_of(session)
    space = space_of(questions.list_variables(session, key), [])
    assert match_heading(heading, space)[0] == meaning


def test_a_table_is_shown_before_anything_is_stored(session: Session) -> None:
    key = key_of(session)
    book = look_at(session, key, NotebookInput(rows=ROWS))
    assert [c.meaning for c in book.columns] == ["v1", "v2", "v3", "yield_percent", "made_on", "notes"]
    assert [(r.settings["1"], r.settings["3"], r.percent, r.problems) for r in book.rows] == [
        (1.0, "MgSO4", 50.0, ()),
        (2.0, "Na2SO4", 60.5, ()),
    ]
    assert numbers_in(session, key) == []


def test_an_import_stores_all_rows_and_says_so_in_the_history(session: Session) -> None:
    key = key_of(session)
    assert import_runs(session, key, NotebookInput(rows=ROWS)).numbers == (1, 2)
    runs = view_runs(session, questions.get_preparation(session, key))
    assert [(r.percent, r.settings["2"], r.row.made_on, r.row.notes) for r in runs] == [
        (50.0, 120.0, "2026-03-01", ""),
        (60.5, 125.0, "2026-03-02", "new flask"),
    ]
    assert any(c.what == "2 past runs brought in from a table" for c in questions.list_changes(session, key))


def test_runs_that_are_here_already_are_left_out(session: Session) -> None:
    key = key_of(session)
    import_runs(session, key, NotebookInput(rows=ROWS))
    longer = NotebookInput(rows=[*ROWS, ["3", "130", "MgSO4", "66", "2026-03-05", ""]])
    found = import_runs(session, key, longer)
    assert found.numbers == (3,)
    assert found.left_out == ((2, "looks the same as run 1"), (3, "looks the same as run 2"))
    with pytest.raises(InvalidInputError, match="looks the same as run 1"):
        import_runs(session, key, longer)
    # Every stored run accounts for one row: a third like it is a repeat.
    repeated = NotebookInput(rows=[*ROWS, ROWS[1]])
    assert import_runs(session, key, repeated).numbers == (4,)
    again = NotebookInput(rows=ROWS, confirm=["again"])
    assert import_runs(session, key, again).numbers == (5, 6)


def test_another_lot_is_another_run(session: Session) -> None:
    key = key_of(session)
    head = [*HEAD, "lot"]
    import_runs(session, key, NotebookInput(rows=[head, [*ROWS[1], "A"]]))
    assert len(look_at(session, key, NotebookInput(rows=[head, [*ROWS[1], "A"], [*ROWS[1], "B"]])).good) == 1


def test_units_of_heading_and_cell_convert(session: Session) -> None:
    key = key_of(session)
    rows = [
        ["hold / min", "bath (K)", "agent", "product mass / mg"],
        ["90", "393.15", "MgSO4", "5000"],
        ["2 h", "125 °C", "MgSO4", "6 g"],
    ]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert [(r.settings["1"], r.settings["2"], r.percent) for r in book.rows] == [(1.5, 120.0, 50.0), (2.0, 125.0, 60.0)]
    wrong = look_at(session, key, NotebookInput(rows=[rows[0], ["90 mL", "393", "MgSO4", "5000"]]))
    assert wrong.rows[0].problems == ("hold / min: “90 mL” is in mL, but its unit is h.",)


def test_what_the_table_does_not_say_is_asked_for(session: Session) -> None:
    key = key_of(session)
    rows = [["hold", "yield"], ["1", "50"], ["", "60"]]
    bare = look_at(session, key, NotebookInput(rows=rows))
    assert [v.name for v in bare.missing] == ["bath", "agent"]
    assert not bare.good
    base = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True)
    assert base.defaults == {"2": "120", "3": "MgSO4"}
    assert [r.number for r in base.good] == [2]
    assert base.rows[1].problems == ("hold is not given. Enter what held where the table says nothing.",)
    several = look_at(session, key, NotebookInput(rows=[["hold", "bath", "yield"], ["", "", "60"]]))
    assert several.rows[0].problems == ("hold, bath and agent are not given. Enter what held where the table says nothing.",)
    said = look_at(session, key, NotebookInput(rows=rows, defaults={"1": "90 min", "2": "125", "3": "Na2SO4"}))
    assert [r.settings for r in said.good] == [{"1": 1.0, "2": 125.0, "3": "Na2SO4"}, {"1": 1.5, "2": 125.0, "3": "Na2SO4"}]


def test_words_that_are_no_option_get_a_meaning(session: Session) -> None:
    key = key_of(session)
    data = table(["1", "120", "epsom salt", "50", "", ""])
    book = look_at(session, key, data)
    assert [(w.word, w.option) for w in book.words] == [("epsom salt", "")]
    assert "no option of agent" in book.rows[0].problems[0]
    said = data.model_copy(update={"words": {"3": {"epsom salt": "MgSO4"}}})
    assert look_at(session, key, said).rows[0].settings["3"] == "MgSO4"


@pytest.mark.parametrize(
    ("row", "code"),
    [
        (["1", "120", "MgSO4", "130", "", ""], "yield_above_100"),
        (["1", "200", "MgSO4", "50", "", ""], "outside_limits"),
        (["1–2", "120", "MgSO4", "50", "", ""], "middle"),
        (["1,250", "120", "MgSO4", "50", "", ""], "comma"),
        (["1", "warm", "MgSO4", "50", "", ""], "skip_bad"),
    ],
)
def test_what_is_unusual_needs_a_yes(session: Session, row: list[str], code: str) -> None:
    key = key_of(session)
    good = [["3", "110", "MgSO4", "40", "", ""]]
    with pytest.raises(NeedsConfirmationError) as asked:
        import_runs(session, key, table(*good, row))
    assert asked.value.code == code
    assert numbers_in(session, key) == []
    found = import_runs(session, key, table(*good, row, confirm=[code]))
    assert found.numbers == ((1,) if code == "skip_bad" else (1, 2))


@pytest.mark.parametrize(
    ("heading", "cells", "fractions", "percent"),
    [
        ("yield", ["0.5", "68"], [50.0, 68.0], [0.5, 68.0]),
        ("yield", ["0.95", "1.02"], [95.0, 102.0], [0.95, 1.02]),
        ("yield (%)", ["0.95", "0.4"], [95.0, 40.0], [0.95, 0.4]),
    ],
)
def test_small_yields_are_fractions_or_per_cent_as_said(
    session: Session, heading: str, cells: list[str], fractions: list[float], percent: list[float]
) -> None:
    key = key_of(session)
    rows = [["hold", "bath", "agent", heading], *([str(1 + k), "120", "MgSO4", cell] for k, cell in enumerate(cells))]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert book.asks_small_yields
    assert "Say which" in book.rows[0].problems[0]
    for said, expected in (("fractions", fractions), ("percent", percent)):
        said_so = look_at(session, key, NotebookInput.model_validate({"rows": rows, "small_yields": said}))
        assert [r.percent for r in said_so.rows] == expected


def test_a_heading_in_per_cent_with_larger_yields_is_no_column_of_fractions(session: Session) -> None:
    key = key_of(session)
    book = look_at(session, key, table(["1", "120", "MgSO4", "0.9", "", ""], ["2", "120", "MgSO4", "61", "", ""]))
    assert [r.percent for r in book.rows] == [0.9, 61.0]


def test_a_typed_per_cent_sign_settles_what_a_small_yield_is(session: Session) -> None:
    key = key_of(session)
    assert look_at(session, key, table(["1", "120", "MgSO4", "0.8 %", "", ""])).rows[0].percent == 0.8


@pytest.mark.parametrize(
    ("heading", "cell", "hours"),
    [
        ("hold_min", "3", 0.05),
        ("hold (in min)", "30", 0.5),
        ("hold(min)*", "30", 0.5),
        ("hold (minutes, reflux)", "30", 0.5),
        ("Hold, min at reflux", "30", 0.5),
        ("min hold", "30", 0.5),
        ("hold (lb)", "3", None),
        ("hold (')", "3", None),
        ("hold (m)", "3", None),
        ("hold (m)", "3 h", 3.0),
        ("hold", "1h30", 1.5),
        ("hold", "1 h 30 min", 1.5),
        ("hold", "1:30", 1.5),
        ("hold (min)", "1:30 h", 1.5),
        ("hold", "1½ h", 1.5),
        ("hold", "½", 0.5),
        ("hold", "90'", 1.5),
        ("hold (min)", "1:30", None),
        ("hold", "2 equiv", None),
    ],
)
def test_a_unit_is_understood_or_asked_for(session: Session, heading: str, cell: str, hours: float | None) -> None:
    key = key_of(session)
    columns = {1: ColumnInput(meaning="v1")} if "(" in heading else {}
    rows = [[heading, "bath", "agent", "yield"], [cell, "120", "MgSO4", "50"]]
    full = {2: ColumnInput(meaning="v2"), 3: ColumnInput(meaning="v3"), 4: ColumnInput(meaning="yield_percent")}
    book = look_at(session, key, NotebookInput(rows=rows, heading_row=1, columns={**columns, **full} if columns else {}))
    (row,) = book.rows
    if hours is None:
        assert row.problems
    else:
        assert row.settings["1"] == hours


def test_a_row_of_units_below_the_headings_counts(session: Session) -> None:
    key = key_of(session)
    rows = [["Hold", "Bath", "Agent", "Yield"], ["min", "°C", "", "%"], ["90", "120", "MgSO4", "61"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert (row.number, row.settings["1"], row.percent) == (3, 1.5, 61.0)


def test_options_that_differ_in_signs_or_case_stay_apart(session: Session) -> None:
    key = int(create_preparation(session, PreparationInput(name="Salts")).id or 0)
    add_variable(session, key, VariableInput(name="hold", role=Role.HOLD_TIME, unit="h", low=1, high=5, base=2))
    choices = ["(+)-DET", "(-)-DET", "CO", "Co"]
    add_variable(session, key, VariableInput(name="ligand", role=Role.CHOICE, choices=choices, base="CO"))
    cells = ["(+)-DET", "(-)-det", "CO", "Co", "co", "+", "DET"]
    rows = [["hold", "ligand", "yield"], *([str(1 + k / 10), cell, "50"] for k, cell in enumerate(cells))]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert [r.settings.get("2") for r in book.rows] == ["(+)-DET", "(-)-DET", "CO", "Co", None, None, None]
    assert [w.word for w in book.words] == ["co", "+", "DET"]


def test_variables_that_differ_in_case_are_told_by_case_and_unit(session: Session) -> None:
    key = int(create_preparation(session, PreparationInput(name="Heat")).id or 0)
    add_variable(session, key, VariableInput(name="T", role=Role.TEMPERATURE, unit="°C", low=100, high=150, base=120))
    add_variable(session, key, VariableInput(name="t", role=Role.HOLD_TIME, unit="h", low=1, high=5, base=2))
    for heads in (["t (h)", "T (°C)", "yield"], ["t", "T", "yield"]):
        (row,) = look_at(session, key, NotebookInput(rows=[heads, ["3", "130", "50"]])).rows
        assert row.settings == {"1": 130.0, "2": 3.0}


@pytest.mark.parametrize(
    "cell",
    ["mean", "Mean (n=3)", "Avg.", "s.d.", "std. dev.", "Ø", "total", "Mittelw.", "Durchschnitt", "STABW", "Std.abw.", "Summe"],
)
def test_rows_of_means_are_left_out_unless_said_otherwise(session: Session, cell: str) -> None:
    key = key_of(session)
    rows = [["exp", *HEAD], ["1", *ROWS[1]], [cell, *ROWS[2]]]
    assert [r.left_out for r in look_at(session, key, NotebookInput(rows=rows)).rows] == ["", "looks like a mean or a total"]
    assert len(look_at(session, key, NotebookInput(rows=rows, confirm=["summaries"])).good) == 2


@pytest.mark.parametrize("cell", ["Max", "n", "5-1", "meandering of the bath was noticed here"])
def test_other_first_words_are_runs(session: Session, cell: str) -> None:
    key = key_of(session)
    assert len(look_at(session, key, NotebookInput(rows=[["exp", *HEAD], [cell, *ROWS[1]]])).good) == 1


def test_figures_below_a_row_of_means_are_left_out_too(session: Session) -> None:
    key = key_of(session)
    # Beside settings in columns, and where the table names none.
    for head, run, figure in ((["exp", *HEAD], ["1", *ROWS[1]], ["", "", "", "3"]), (["exp", "yield %"], ["1", "50"], ["3"])):
        rows = [head, run, ["Mittelwert", *figure], ["n", *figure], ["max", *figure], ["n", *run[1:]]]
        data = NotebookInput(rows=rows, defaults={"1": "2", "2": "120", "3": "MgSO4"})
        left_out = [r.left_out for r in look_at(session, key, data).rows]
        assert left_out[:4] == ["", *["looks like a mean or a total"] * 3]
    # Without a row of means above it, a row that sets nothing is no run either where the others set something.
    rows = [["exp", *HEAD], ["n", "", "", "", "3"], ["n", *ROWS[1]]]
    data = NotebookInput(rows=rows, defaults={"1": "2", "2": "120", "3": "MgSO4"})
    assert [r.left_out for r in look_at(session, key, data).rows] == ["looks like a mean or a total", ""]


def test_headings_that_come_again_are_no_run(session: Session) -> None:
    key = key_of(session)
    assert look_at(session, key, table(ROWS[1], HEAD, ROWS[2])).rows[1].left_out == "repeats the headings"


def test_more_cells_than_headings_are_a_problem(session: Session) -> None:
    key = key_of(session)
    book = look_at(session, key, NotebookInput(rows=[["hold", "bath", "agent", "yield"], ["2", "120", "MgSO4", "61", "2"]]))
    assert "more cells than headings" in book.rows[0].problems[0]
    # They may be remarks, which have a meaning then.
    rows = [["hold", "bath", "agent", "yield"], ["2", "120", "MgSO4", "61", "nice crystals"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert "say above what Column 5 means" in row.problems[0]
    said = {k: ColumnInput(meaning=m) for k, m in enumerate(("v1", "v2", "v3", "yield_percent", "notes"), start=1)}
    import_runs(session, key, NotebookInput(rows=rows, columns=said))
    assert [run.notes for run in questions.list_runs(session, key)] == ["nice crystals"]


def test_a_column_of_days_without_a_heading_is_the_day(session: Session) -> None:
    key = key_of(session)
    head, cells = ["hold", "", "bath", "agent", "yield"], ["2", "3.8.2026", "120", "MgSO4", "61"]
    assert look_at(session, key, NotebookInput(rows=[head, cells])).rows[0].day == "2026-08-03"
    # Not with a heading that is not understood, and not beside another day.
    for other in (["hold", "delivered", "bath", "agent", "yield"], ["date", "", "bath", "agent", "yield"]):
        assert look_at(session, key, NotebookInput(rows=[other, cells])).columns[1].meaning == ""


def test_what_was_weighed_of_the_material_of_one_equivalent_may_go_by_its_name(session: Session) -> None:
    key = key_of(session)
    add_material(session, key, MaterialInput(name="benzoic acid", role="reagent", formula="C7H6O2", amount=1))
    for heading in ("benzoic acid / g", "benzoic acid weighed (g)", "Einwaage benzoic acid [g]"):
        rows = [["hold", "bath", "agent", heading, "yield"], ["2", "120", "MgSO4", "12.2", "61"]]
        assert look_at(session, key, NotebookInput(rows=rows)).columns[3].meaning == "reference_g"


def test_a_row_of_runs_is_never_the_headings(session: Session) -> None:
    key = key_of(session)
    rows = [["Zeit", "Temp", "Mittel", "OK?", "Ausbeute"], ["2", "120", "MgSO4", "yes", "61"], ["2", "130", "MgSO4", "no", "63"]]
    assert look_at(session, key, NotebookInput(rows=rows)).heading_row == 1


@pytest.mark.parametrize("last", ["%", "rpm"])
def test_most_cells_of_a_units_row_are_units(session: Session, last: str) -> None:
    key = key_of(session)
    rows = [["Hold", "Bath", "Agent", "Yield", "x"], ["min", "°C", "-", "%", last], ["3", "120", "MgSO4", "61", "a"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert (row.number, row.settings["1"]) == (3, 0.05)


@pytest.mark.parametrize(
    ("heading", "matches"),
    [("acid : alcohol", True), ("acid to alcohol (mol/mol)", True), ("ratio acid/alcohol", True), ("alcohol : acid", False)]
    + [(text, False) for text in ("acid (equiv)", "alcohol (mL)", "alcohol", "acid : alcohol (mL)")],
)
def test_a_ratio_upside_down_or_by_half_is_no_match(session: Session, heading: str, matches: bool) -> None:
    key = int(create_preparation(session, PreparationInput(name="Ratio")).id or 0)
    ratio = VariableInput(name="acid to alcohol", role=Role.RATIO, unit="mol/mol", low=1, high=4, base=1.5)
    add_variable(session, key, ratio)
    space = space_of(questions.list_variables(session, key), [])
    assert match_heading(heading, space)[0] == ("v1" if matches else "")


@pytest.mark.parametrize("heading", ["DIPEA eq", "DIPEA equiv.", "DIPEA (eq.)"])
def test_equivalents_stand_behind_a_name_with_or_without_brackets(session: Session, heading: str) -> None:
    key = int(create_preparation(session, PreparationInput(name="Amide")).id or 0)
    add_variable(session, key, VariableInput(name="DIPEA", role=Role.RATIO, unit="equiv", low=1, high=4, base=2))
    assert match_heading(heading, space_of(questions.list_variables(session, key), []))[0] == "v1"


def test_equivalents_are_no_mole_per_cent(session: Session) -> None:
    key = int(create_preparation(session, PreparationInput(name="Loading")).id or 0)
    add_variable(session, key, VariableInput(name="cat", role=Role.LOADING, unit="mol%", low=1, high=10, base=5))
    rows = [["cat", "yield"], ["0.05 eq", "50"], ["5 mol %", "60"]]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert "its unit is mol%" in book.rows[0].problems[0]
    assert book.rows[1].settings == {"1": 5.0}


@pytest.mark.parametrize(("heading", "meaning"), [("Temp.", "v2"), ("rxn time", "v1"), ("mp (°C)", ""), ("Time of day", "")])
def test_short_names_mean_the_only_variable_of_their_kind(session: Session, heading: str, meaning: str) -> None:
    key = key_of(session)
    rows = [[heading, "agent", "yield"], ["3", "MgSO4", "50"]]
    assert look_at(session, key, NotebookInput(rows=rows)).columns[0].meaning == meaning


def test_numbers_that_are_left_out_beside_a_missing_variable_need_a_yes(session: Session) -> None:
    key = key_of(session)
    data = NotebookInput(rows=[["hold", "kettle", "agent", "yield"], ["2", "130", "MgSO4", "50"]], defaults={"2": "120"})
    with pytest.raises(NeedsConfirmationError, match=r"bath would be the same in every run.*left out: kettle"):
        import_runs(session, key, data)
    assert numbers_in(session, key) == []
    assert import_runs(session, key, data.model_copy(update={"confirm": ["left_out_columns"]})).numbers == (1,)


@pytest.mark.parametrize(
    ("word", "left_out", "is_problem"),
    [("done", "", False), ("in progress", "is under way", False), ("Planned.", "is planned", False), ("so so", "", True)],
)
def test_states_are_understood_or_sent_back(session: Session, word: str, left_out: str, is_problem: bool) -> None:
    key = key_of(session)
    (row,) = look_at(session, key, NotebookInput(rows=[[*HEAD, "status"], [*ROWS[1], word]])).rows
    assert (row.left_out, bool(row.problems)) == (left_out, is_problem)


@pytest.mark.parametrize(("word", "reason"), [("no", None), ("-", None), ("yes", "marked so in the table"), ("wet", "wet")])
def test_no_is_no_reason_to_exclude(session: Session, word: str, reason: str | None) -> None:
    key = key_of(session)
    import_runs(session, key, NotebookInput(rows=[[*HEAD, "excluded"], [*ROWS[1], word]]))
    (run,) = view_runs(session, questions.get_preparation(session, key))
    assert run.row.excluded_reason == reason


def test_wrong_columns_units_and_defaults_of_scripts_are_refused(session: Session) -> None:
    key = key_of(session)
    for more, words in (
        ({"columns": {1: ColumnInput(meaning="v1", unit="kg")}}, "kg is no unit of hold"),
        ({"columns": {9: ColumnInput()}}, "no column 9"),
        ({"defaults": {"colour": "red"}}, "no variable colour"),
    ):
        with pytest.raises(InvalidInputError, match=words):
            look_at(session, key, NotebookInput(rows=ROWS, **more))
    given = {1: ColumnInput(meaning="v1", unit="minutes")}
    assert look_at(session, key, NotebookInput(rows=ROWS, columns=given)).rows[0].settings["1"] == pytest.approx(1 / 60)


def test_many_unknown_words_are_counted_not_asked_one_by_one(session: Session) -> None:
    key = key_of(session)
    book = look_at(session, key, table(*(["1", "120", f"word {k}", "50", "", ""] for k in range(40))))
    assert (len(book.words), book.more_words) == (30, 10)


def test_failures_and_lost_runs_are_told_by_their_words(session: Session) -> None:
    key = key_of(session)
    import_runs(session, key, table(["1", "120", "MgSO4", "failed", "", ""], ["2", "120", "MgSO4", "spilled", "", ""]))
    runs = view_runs(session, questions.get_preparation(session, key))
    assert [(r.row.outcome, r.percent, r.counts) for r in runs] == [("failure", 0.0, True), ("no_information", None, False)]


def test_a_row_without_a_result_is_a_problem(session: Session) -> None:
    key = key_of(session)
    assert (
        "neither a yield nor a product mass"
        in look_at(session, key, table(["1", "120", "MgSO4", "", "", ""])).rows[0].problems[0]
    )


def test_where_a_mass_and_a_yield_disagree_the_mass_counts_on_a_yes(session: Session) -> None:
    key = key_of(session)
    head = ["hold", "bath", "agent", "yield", "product mass"]
    rows = [head, ["1", "120", "MgSO4", "50", "5"], ["2", "120", "MgSO4", "50", "8"]]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert [r.percent for r in book.rows] == [50.0, 80.0]
    assert [q.code for q in book.questions] == ["mass_counts"]
    assert book.rows[1].remarks == ("yield from the mass, another one is written",)
    with pytest.raises(NeedsConfirmationError, match="Row 3"):
        import_runs(session, key, NotebookInput(rows=rows))
    import_runs(session, key, NotebookInput(rows=rows, confirm=["mass_counts"]))
    preparation = questions.get_preparation(session, key)
    assert [r.percent for r in view_runs(session, preparation)] == [50.0, 80.0]


def test_names_are_understood_without_their_signs_and_in_any_order(session: Session) -> None:
    key = key_of(session)
    add_variable(session, key, VariableInput(name="acid", role=Role.CHOICE, choices=["p-TsOH", "H2SO4"], base="H2SO4"))
    rows = [["hold", "bath", "agent", "acid", "mass isolated (g)"], ["1", "120", "MgSO4", "pTsOH", "5"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert (row.settings["4"], row.percent) == ("p-TsOH", 50.0)


def test_columns_are_what_the_chemist_says(session: Session) -> None:
    key = key_of(session)
    rows = [["a", "b", "c", "d"], ["90", "120", "MgSO4", "50"]]
    meanings = {1: ("v1", "min"), 2: ("v2", ""), 3: ("v3", ""), 4: ("yield_percent", "")}
    columns = {k: ColumnInput(meaning=m, unit=u) for k, (m, u) in meanings.items()}
    book = look_at(session, key, NotebookInput(rows=rows, heading_row=1, columns=columns))
    assert book.good[0].settings == {"1": 1.5, "2": 120.0, "3": "MgSO4"}
    columns[4] = ColumnInput(meaning="v1")
    with pytest.raises(InvalidInputError, match="Columns 1 and 4 cannot both be “hold”"):
        look_at(session, key, NotebookInput(rows=rows, heading_row=1, columns=columns))
    columns[4] = ColumnInput(meaning="v99")
    with pytest.raises(InvalidInputError, match=r"Column 4: there is no meaning “v99”. Choose one of v1"):
        look_at(session, key, NotebookInput(rows=rows, heading_row=1, columns=columns))


def test_no_table_and_too_much_table_are_sent_back(session: Session) -> None:
    key = key_of(session)
    for rows, words in (
        ([], "no table yet"),
        ([["", ""]], "no table yet"),
        ([["1"]] * 506, "At most 500 rows"),
        ([["1"] * 121], "120 columns"),
    ):
        with pytest.raises(InvalidInputError, match=words):
            look_at(session, key, NotebookInput(rows=rows))


def test_all_runs_as_a_table_come_back_the_same(session: Session) -> None:
    load_demo(session, asset_folder("seed_runs"))
    ester = questions.find_preparation_named(session, "Pear-drop ester")
    assert ester is not None
    rows = read_kept(write_csv(runs_as_table(session, int(ester.id or 0)), for_spreadsheets=True))
    everything_here = look_at(session, int(ester.id or 0), NotebookInput(rows=rows))
    assert not everything_here.good
    assert [r.left_out for r in everything_here.rows] == [f"looks the same as run {k}" for k in range(1, 10)] + ["is under way"]
    # Into a preparation with the same variables, and nothing else, they bring the same yields.
    other = create_preparation(session, PreparationInput(name="Ester again"))
    for v in questions.list_variables(session, int(ester.id or 0)):
        add_variable(session, int(other.id or 0), as_input(v))
    found = import_runs(session, int(other.id or 0), NotebookInput(rows=rows))
    assert len(found.numbers) == 9
    before, after = (view_runs(session, p) for p in (ester, other))
    for a, b in itertools.zip_longest([r for r in before if r.row.state == "finished"], after):
        assert (a.percent, a.counts, a.row.outcome, a.row.made_on, a.row.lot) == pytest.approx(
            (b.percent, b.counts, b.row.outcome, b.row.made_on, b.row.lot), abs=0.01
        )
        assert list(a.settings.values()) == list(b.settings.values())
        # The mass counts, not the per cent worked out from it, so the uncertainty of the weighing is there.
        assert a.run_yield is not None
        assert b.run_yield is not None
        assert b.run_yield.u == pytest.approx(a.run_yield.u_own, rel=0.05)
        # How well the content of the alcohol is known (0.3 of 98.5 %) stands in the charge, which a table of runs leaves behind.
        assert a.run_yield.u == pytest.approx(math.hypot(a.run_yield.u_own, a.run_yield.percent * 0.3 / 98.5))
        assert a.row.notes == b.row.notes
    # So does what was weighed on the way.
    ways = [ways_of(session, p, [run for run in runs if run.counts]).ways for p, runs in ((ester, before), (other, after))]
    assert len(ways[0]) == len(ways[1]) == 6
    for one, again in zip(*ways, strict=True):
        assert again.left == pytest.approx(one.left, rel=1e-3)


def test_what_was_weighed_on_the_way_comes_along(session: Session) -> None:
    key = key_of(session)
    head = ["hold", "bath", "agent", "crude / mg", "crude purity", "yield"]
    rows = [head, ["1", "120", "MgSO4", "6000", "80", "40"], ["2", "120", "MgSO4", "7000", "", "50"]]
    book = look_at(session, key, NotebookInput(rows=rows))
    (crude,) = book.good[0].checkpoints
    assert (crude.name, crude.stage, crude.mass_g, crude.purity_percent) == ("crude", "work_up", 6.0, 80.0)
    # A mass whose content nobody has said is not kept, and the row says so.
    assert book.good[1].checkpoints == ()
    assert book.good[1].remarks == ("crude / mg not kept, its content is not said",)
    said = NotebookInput(rows=rows, content_percent=75)
    assert look_at(session, key, said).mark != book.mark
    import_runs(session, key, said)
    stored = [questions.list_checkpoints(session, int(r.id or 0)) for r in questions.list_runs(session, key)]
    assert [[(c.name, c.stage, c.mass_g, c.purity_percent, c.position) for c in one] for one in stored] == [
        [("crude", "work_up", 6.0, 80.0, 1)],
        [("crude", "work_up", 7.0, 75.0, 1)],
    ]
    with pytest.raises(InvalidInputError) as wrong:
        look_at(session, key, NotebookInput(rows=rows, content_percent=0))
    assert list(wrong.value.messages) == ["content_percent"]


def test_a_crude_above_theory_is_stored_on_a_yes_only(session: Session) -> None:
    key = key_of(session)
    rows = [["hold", "bath", "agent", "crude", "crude purity", "yield"], ["1", "120", "MgSO4", "12.5", "95", "40"]]
    assert [q.code for q in look_at(session, key, NotebookInput(rows=rows)).questions] == ["checkpoint_above_theory"]
    with pytest.raises(NeedsConfirmationError):
        import_runs(session, key, NotebookInput(rows=rows))
    assert numbers_in(session, key) == []
    import_runs(session, key, NotebookInput(rows=rows, confirm=["checkpoint_above_theory"]))
    (run,) = questions.list_runs(session, key)
    assert questions.list_checkpoints(session, int(run.id or 0))[0].mass_g == 12.5


def test_a_crude_of_nothing_is_stored_on_a_yes_only(session: Session) -> None:
    key = key_of(session)
    rows = [["hold", "bath", "agent", "crude", "crude purity", "yield"], ["1", "120", "MgSO4", "0", "95", "40"]]
    assert [q.code for q in look_at(session, key, NotebookInput(rows=rows)).questions] == ["checkpoint_of_nothing"]
    import_runs(session, key, NotebookInput(rows=rows, confirm=["checkpoint_of_nothing"]))
    (run,) = questions.list_runs(session, key)
    assert questions.list_checkpoints(session, int(run.id or 0))[0].mass_g == 0


@pytest.mark.parametrize(("ending", "stored", "left_out"), [("csv", 6, 2), ("xlsx", 4, 1)])
def test_the_untidy_notebooks_of_the_demo_are_understood(session: Session, ending: str, stored: int, left_out: int) -> None:
    load_demo(session, asset_folder("seed_runs"))
    ester = questions.find_preparation_named(session, "Pear-drop ester")
    assert ester is not None
    key = int(ester.id or 0)
    rows = read_file((asset_folder("seed_runs") / f"03-untidy-notebook.{ending}").read_bytes()).rows
    book = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True)
    meanings = {c.meaning for c in book.columns}
    covered = {f"v{v.key}" for v in book.space.variables} - {f"v{v.key}" for v in book.missing}
    assert covered <= meanings
    assert [v.name for v in book.missing] == ([] if ending == "csv" else ["hydrogencarbonate washes"])
    assert len(book.good) == stored
    assert sum(bool(r.problems) for r in book.rows) == left_out
    assert [r.settings[book.space.variables[0].key] for r in book.rows[:3]] == (
        [0.75, 1.5, 1.5] if ending == "csv" else [1, 1.5, 2]
    )


def test_brought_in_history_counts_for_the_next_run(session: Session) -> None:
    preparation = make_preparation(session)
    key = int(preparation.id or 0)
    rows = [HEAD, *([str(1 + k), str(110 + 10 * k), "MgSO4", str(40 + 9 * k), "", ""] for k in range(4))]
    import_runs(session, key, NotebookInput(rows=rows))
    analysis = analyse(session, key)
    assert analysis.table.n_runs == 4
    assert not analysis.proposal().is_opening


def test_a_run_of_the_form_and_one_of_the_table_are_the_same(session: Session) -> None:
    preparation = make_preparation(session)
    make_run(session, preparation, 50.0, settings={"hold": 1.0}, made_on="2026-03-01")
    book = look_at(session, int(preparation.id or 0), table(["1", "120", "MgSO4", "50", "2026-03-01", ""]))
    assert book.rows[0].left_out == "looks the same as run 1"
    assert book.rows[0].percent == 50.0


def test_weekdays_and_ordinals_belong_to_days() -> None:
    today = date(2026, 6, 1)
    assert stroke_order("Wed 25/3/2026") == "day_first"
    assert read_day("Wed 25/3/2026", "day_first", today) == "2026-03-25"
    assert read_day("3rd March 2026", "", today) == "2026-03-03"
    with pytest.raises(NumberTextError, match="is not a day"):
        read_day("May 12-14", "", today)


def test_a_row_without_a_result_may_be_a_failed_run(session: Session) -> None:
    key = key_of(session)
    rows = [
        ["hold", "bath", "agent", "yield", "remarks"],
        ["1", "120", "MgSO4", "50", ""],
        ["2", "150", "MgSO4", "", "tarry, thrown away"],
    ]
    bare = look_at(session, key, NotebookInput(rows=rows))
    assert bare.rows[1].problems == ("There is neither a yield nor a product mass. Did the run fail?",)
    assert [r.lacks_result for r in bare.rows] == [False, True]
    # Rows are those of the file. A row with a yield stays one that gave it.
    said = NotebookInput(rows=rows, failed_rows=[2, 3])
    assert [(r.outcome, r.problems) for r in look_at(session, key, said).rows] == [("yield", ()), ("failure", ())]
    assert import_runs(session, key, said).numbers == (1, 2)
    failed = questions.list_runs(session, key)[1]
    assert (failed.outcome, failed.notes) == ("failure", "tarry, thrown away")


def test_the_numbers_of_a_table_become_notebook_references(session: Session) -> None:
    key = key_of(session)
    rows = [["Nr.", *HEAD], ["AB-17", *ROWS[1]], ["AB-18", *ROWS[2]]]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert book.columns[0].meaning == "reference"
    import_runs(session, key, NotebookInput(rows=rows))
    runs = questions.list_runs(session, key)
    assert [r.reference for r in runs] == ["AB-17", "AB-18"]
    assert not any("AB-17" in r.notes for r in runs)
    table_out = runs_as_table(session, key)
    assert [row[table_out[0].index("notebook reference")] for row in table_out[1:]] == ["AB-17", "AB-18"]


def test_five_hundred_runs_fit_below_their_headings(session: Session) -> None:
    rows = [["Series 7"], ["hold", "bath", "agent", "yield"], *(["2", "120", "MgSO4", f"{50 + k / 100:.2f}"] for k in range(500))]
    assert len(look_at(session, key_of(session), NotebookInput(rows=rows)).good) == 500


def test_the_mass_of_the_starting_material_says_the_scale(session: Session) -> None:
    # Worked by hand: 12.27, 6.14 and 24.55 g of benzoic acid (122.121 g/mol) could give 17.91, 8.96 and 35.83 g of butyl
    # benzoate (178.231 g/mol), so 14.6, 7.3 and 29.9 g are 81.5, 81.5 and 83.5 %.
    key = key_of(session)
    preparation = questions.get_preparation(session, key)
    changed = preparation_input(preparation).model_copy(
        update={"product_formula": "C11H14O2", "base_scale_mol": 0.1, "theoretical_yield_g": None}
    )
    update_preparation(session, key, changed)
    rows = [["hold", "bath", "agent", "Einwaage (g)", "product (g)"]]
    rows += [["2", "120", "MgSO4", sm, product] for sm, product in (("12,27", "14,6"), ("6,14", "7,3"), ("24550 mg", "29,9"))]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert book.columns[3].meaning == "reference_g"
    assert not any("Einwaage" in problem for r in book.rows for problem in r.problems)
    assert all("not kept, the charge has no reagent of 1 equivalent" in " ".join(r.remarks) for r in book.rows)
    add_material(session, key, MaterialInput(name="benzoic acid", role="reagent", formula="C7H6O2", amount=1))
    book = look_at(session, key, NotebookInput(rows=rows))
    assert [r.percent for r in book.good] == pytest.approx([81.5, 81.5, 83.5], abs=0.1)
    import_runs(session, key, NotebookInput(rows=rows))
    assert [r.scale_mol for r in questions.list_runs(session, key)] == pytest.approx([0.10047, 0.05028, 0.20103], abs=1e-5)


def test_what_was_weighed_counts_before_a_scale_that_is_written(session: Session) -> None:
    key = key_of(session)
    add_material(session, key, MaterialInput(name="benzoic acid", role="reagent", formula="C7H6O2", amount=1))
    head = ["hold", "bath", "agent", "scale (mmol)", "SM / g", "yield"]
    # A round number beside what was weighed; no number; no mass.
    rows = [head, *(["2", "120", "MgSO4", *cells, "61"] for cells in (("50", "6.23"), ("", "12.2"), ("70", "")))]
    import_runs(session, key, NotebookInput(rows=rows))
    # C7H6O2: 122.12 g/mol.
    assert [run.scale_mol for run in questions.list_runs(session, key)] == pytest.approx([0.05101, 0.0999, 0.07], rel=1e-3)
    # Where they lie far apart, one of them is wrong.
    far = NotebookInput(rows=[head, ["3", "120", "MgSO4", "50", "12.2", "61"]])
    with pytest.raises(NeedsConfirmationError, match=r"another amount than the scale that is written\. Row 2"):
        import_runs(session, key, far)
    import_runs(session, key, far.model_copy(update={"confirm": ["scales"]}))
    assert questions.list_runs(session, key)[-1].scale_mol == pytest.approx(0.0999, rel=1e-3)
    # Names of starting materials are no masses.
    named = [["hold", "bath", "agent", "substrate", "yield"], ["3", "120", "MgSO4", "benzoic acid", "61"]]
    book = look_at(session, key, NotebookInput(rows=named))
    assert book.columns[3].meaning != "reference_g"
    assert not any(r.problems for r in book.rows)


def test_a_long_name_of_an_experiment_goes_to_the_notes(session: Session) -> None:
    key = key_of(session)
    long = "Heated with the new stirrer, then left over the weekend in the cold room " * 3
    import_runs(session, key, NotebookInput(rows=[["Experiment", *HEAD], [long, *ROWS[1]]]))
    (run,) = questions.list_runs(session, key)
    assert run.reference == ""
    assert run.notes.startswith("Heated with the new stirrer")


@pytest.mark.parametrize(
    ("cell", "outcome"), [("fehlgeschlagen", "failure"), ("Spuren", "failure"), ("verschüttet", "no_information")]
)
def test_german_words_for_what_became_of_a_run(cell: str, outcome: str) -> None:
    assert read_outcome(cell) == outcome


@pytest.mark.parametrize("cell", ["5 % (w/w)", "5 %(v/v)"])
def test_what_a_percentage_is_of_is_no_remark(cell: str) -> None:
    found = read_amount(cell)
    assert (found.value, found.unit) == (5.0, "%")


@pytest.mark.parametrize(("cell", "words"), [("1,5 (neue Charge)", "“(neue Charge)” behind the number"), ("89?", "“?” behind")])
def test_remarks_behind_a_number_are_named_whole(cell: str, words: str) -> None:
    with pytest.raises(NumberTextError) as told:
        read_amount(cell)
    assert words in str(told.value)


def test_a_left_out_column_of_options_is_named(session: Session) -> None:
    key = key_of(session)
    rows = [["hold / h", "bath / °C", "LM", "yield / %"], *([str(k), "120", "abc"[k % 2], "50"] for k in range(1, 7))]
    data = NotebookInput(rows=rows)
    book = look_at(session, key, data, base_for_missing=True)
    assert [v.name for v in book.missing] == ["agent"]
    assert columns_left_out(book, rows) == ["LM"]


@pytest.mark.parametrize("cell", ["1." * 5000 + "x", "1." * 200 + "x\ny", "T" * 9990, "2 h\n(reflux)", "1" * 61])
def test_cells_longer_than_any_value_are_read_no_further(cell: str) -> None:
    # Looking on would take minutes, and everybody would wait.
    with pytest.raises(NumberTextError, match="too long for one value"):
        read_amount(cell)
    with pytest.raises(NumberTextError, match="too long for one value"):
        read_day(cell, "", TODAY)
    assert not is_day(cell)
    assert stroke_order(cell) is None
    assert not lacks_year(cell)


def test_an_intermediate_leaves_and_comes_back_with_its_formula(session: Session) -> None:
    preparation = make_preparation(session, product_formula="C7H9NO·HCl")
    key = int(preparation.id or 0)
    run = make_run(session, preparation, percent=None, product_mass_g=6.5)
    crude = CheckpointInput(name="crude", stage=Stage.WORK_UP, mass_g=6.1, purity_percent=90, formula="C7H9NO")
    add_checkpoint(session, int(run.id or 0), crude)
    table = runs_as_table(session, key)
    assert table[0][-1] == "formula of what was weighed after work-up"
    copy = int(make_preparation(session, name="Copy", product_formula="C7H9NO·HCl").id or 0)
    book = look_at(session, copy, NotebookInput(rows=table))
    assert all(c.meaning for c in book.columns if c.heading not in ("run number", "standard uncertainty of the yield / points"))
    import_runs(session, copy, NotebookInput(rows=table))
    (row,) = questions.list_all_checkpoints(session, copy)
    assert (row.mass_g, row.purity_percent, row.formula) == (6.1, 90.0, "C7H9NO")
    # What cannot be read as a formula is said at its row.
    third = int(make_preparation(session, name="Third", product_formula="C7H9NO·HCl").id or 0)
    (bad,) = look_at(session, third, NotebookInput(rows=[table[0], [*table[1][:-1], "free base"]])).rows
    assert bad.problems


def test_an_import_reads_the_stored_runs_as_often_for_many_rows_as_for_few(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[int] = []
    whole = questions.list_runs

    def counted(database: Session, preparation_id: int) -> Any:
        read.append(preparation_id)
        return whole(database, preparation_id)

    monkeypatch.setattr(questions, "list_runs", counted)
    counts = []
    for name, count in (("Few", 3), ("Many", 12)):
        key = int(make_preparation(session, name=name, base_scale_mol=0.1).id or 0)
        rows = [["hold", "bath", "agent", "scale (mmol)", "yield"]]
        rows += [["2", str(105 + k), "MgSO4", "100", str(60 + k)] for k in range(count)]
        read.clear()
        import_runs(session, key, NotebookInput(rows=rows))
        counts.append(len(read))
    assert counts[0] == counts[1]


def loading(session: Session, name: str = "catalyst", unit: str = "wt%") -> int:
    key = key_of(session)
    add_variable(session, key, VariableInput(name=name, role=Role.LOADING, unit=unit, low=1, high=10, base=2))
    return key


def first_settings(session: Session, key: int, rows: list[list[str]], **more: Any) -> dict[str, Any]:
    book = look_at(session, key, NotebookInput(rows=rows, **more), base_for_missing=True)
    (row,) = book.rows
    assert row.problems == ()
    return {v.name: row.settings[v.key] for v in book.space.variables}


@pytest.mark.parametrize(
    ("heading", "cell"), [("catalyst", "5 wt%"), ("catalyst (wt%)", "5"), ("catalyst / %", "5"), ("catalyst", "5")]
)
def test_a_loading_in_per_cent_by_weight_is_understood(session: Session, heading: str, cell: str) -> None:
    key = loading(session)
    assert first_settings(session, key, [["hold", "bath", heading, "yield"], ["1 h", "120", cell, "50"]])["catalyst"] == 5


@pytest.mark.parametrize("name", ["Pd/C", "NH4Cl/H2O", "salt/water"])
def test_a_name_with_a_stroke_is_a_name(session: Session, name: str) -> None:
    key = loading(session, name, "mol%")
    assert first_settings(session, key, [["hold", "bath", name, "yield"], ["1 h", "120", "5", "50"]])[name] == 5


def test_units_of_cells_tell_two_columns_of_one_letter_apart(session: Session) -> None:
    key = key_of(session)
    rows = [["t", "Temp", "yield"], ["4 h", "125 °C", "50"], ["240 min", "130 °C", "60"]]
    book = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True)
    names = {f"v{v.key}": v.name for v in book.space.variables}
    assert [names.get(c.meaning, c.meaning) for c in book.columns] == ["hold", "bath", "yield_percent"]
    assert [row.settings[book.space.variables[0].key] for row in book.rows] == [4, 4]


def test_not_available_stands_for_nothing_but_beside_an_outcome(session: Session) -> None:
    key = key_of(session)
    rows = [["hold", "bath", "purity", "lot", "yield"], ["1 h", "120", "n/a", "n.a.", "50"], ["1 h", "125", "98", "A", "n/a"]]
    first, second = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True).rows
    assert (first.problems, first.percent) == ((), 50)
    assert second.outcome == "no_information"


@pytest.mark.parametrize(("cell", "value"), [("-78 to -70", -74.0), ("-10–-5 °C", -7.5), ("-5 to 5", 0.0), ("20 bis 30", 25.0)])
def test_ranges_may_be_below_nought(cell: str, value: float) -> None:
    found = read_amount(cell)
    assert (found.value, found.is_range) == (value, True)


def test_a_fraction_among_per_cent_is_sent_back(session: Session) -> None:
    key = key_of(session)
    head = ["hold", "bath", "product mass / g", "theoretical yield / g", "purity"]
    rows = [head, ["1 h", "120", "5", "10", "98"], ["2 h", "120", "6", "10", "0.99"]]
    good, bad = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True).rows
    assert good.percent == pytest.approx(49.0)
    assert "“0.99” stands among per cent. Write 99 %, or 0.99 % if it is so little." in " ".join(bad.problems)


def test_amounts_of_a_run_at_another_scale_are_asked_about_and_converted(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=0.05)
    key = int(preparation.id or 0)
    add_variable(session, key, VariableInput(name="ethanol", role=Role.VOLUME, unit="mL", low=50, high=110, base=80))
    rows = [
        ["hold", "bath", "ethanol / mL", "scale / mol", "yield"],
        ["1", "120", "160", "0.1", "50"],
        ["1", "120", "80", "0.05", "52"],
    ]
    asked = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True)
    assert asked.asks_amounts
    assert "ethanol may be for the 0.1 mol of this run, or for the base scale of 0.05 mol" in asked.rows[0].problems[0]
    assert asked.rows[1].problems == ()
    volume = asked.space.variables[-1].key
    used = look_at(session, key, NotebookInput(rows=rows, amounts_at="run_scale"), base_for_missing=True)
    assert [row.settings[volume] for row in used.rows] == [80, 80]
    assert "ethanol is 80 mL at the base scale" in used.rows[0].remarks
    assert not used.questions
    there = look_at(session, key, NotebookInput(rows=rows, amounts_at="base_scale"), base_for_missing=True)
    assert [row.settings[volume] for row in there.rows] == [160, 80]
    assert [q.code for q in there.questions] == ["outside_limits"]


def test_the_apps_own_table_says_at_which_scale_amounts_hold(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=0.05)
    key = int(preparation.id or 0)
    add_variable(session, key, VariableInput(name="ethanol", role=Role.VOLUME, unit="mL", low=50, high=110, base=80))
    make_run(session, preparation, 60.0, settings={"ethanol": 90.0}, scale_mol=0.1)
    rows = runs_as_table(session, key)
    assert "ethanol at 0.05 mol / mL" in rows[0]
    book = look_at(session, key, NotebookInput(rows=rows, confirm=["again"]))
    volume = book.space.variables[-1].key
    assert (book.rows[0].problems, book.rows[0].settings[volume]) == ((), 90)
    # In a preparation for twice the scale it is twice as much.
    other = make_preparation(session, "Twice", base_scale_mol=0.1)
    add_variable(
        session, int(other.id or 0), VariableInput(name="ethanol", role=Role.VOLUME, unit="mL", low=100, high=220, base=160)
    )
    book = look_at(session, int(other.id or 0), NotebookInput(rows=rows))
    assert book.rows[0].settings[book.space.variables[-1].key] == 180


def test_what_was_weighed_of_the_starting_material_is_noted(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=0.05, product_formula="C8H8O2")
    preparation.theoretical_yield_g = None
    key = int(preparation.id or 0)
    acid = add_material(session, key, MaterialInput(name="benzoic acid", role="reagent", formula="C7H6O2", purity_percent=99))
    rows = [["hold", "bath", "benzoic acid / g", "product mass / g"], ["1", "120", "6.2", "5.0"]]
    data = NotebookInput.model_validate({"rows": rows, "defaults": {"agent": "MgSO4"}})
    import_runs(session, key, data)
    (run,) = view_runs(session, preparation)
    (note,) = questions.list_run_weighed(session, int(run.row.id or 0))
    assert (note.material_id, note.mass_g, note.purity_percent) == (acid.id, 6.2, 99)
    assert run.theory_source == "as-weighed amounts; benzoic acid limits"
    assert run.theory_g == pytest.approx(6.2 * 0.99 / 122.12 * 136.15, rel=1e-3)


@pytest.mark.parametrize("heading", ["Conversion", "ee", "selectivity", "LC area", "humidity", "Remaining SM"])
def test_a_result_in_per_cent_is_no_loading(session: Session, heading: str) -> None:
    key = loading(session, unit="%")
    rows = [["hold", "bath", heading, "yield"], ["1 h", "120", "4 %", "50"], ["2 h", "120", "2 %", "55"]]
    book = look_at(session, key, NotebookInput(rows=rows))
    assert book.columns[2].meaning == ""
    assert "catalyst" in [v.name for v in book.missing]


def test_sodium_is_an_option_and_na_a_person(session: Session) -> None:
    key = key_of(session)
    add_variable(session, key, VariableInput(name="metal", role=Role.CHOICE, choices=["Li", "Na", "K"], base="Li"))
    rows = [["hold", "bath", "metal", "lot", "made by", "yield"], ["1 h", "120", "Na", "K.A.", "NA", "50"]]
    data = NotebookInput.model_validate({"rows": rows, "defaults": {"agent": "MgSO4", "metal": "Li"}})
    import_runs(session, key, data)
    (run,) = questions.list_runs(session, key)
    assert (run.lot, run.made_by) == ("K.A.", "NA")
    metal = questions.list_variables(session, key)[-1].id
    assert [s.as_run_choice for s in questions.list_settings(session, key) if s.variable_id == metal] == ["Na"]


@pytest.mark.parametrize(
    "names", [("V", "W"), ("toluene", "toluene wash"), ("a", "b"), ("solvent", "solvent volume"), ("wash 1/2", "x")]
)
def test_the_apps_own_table_comes_back_whatever_amounts_are_called(session: Session, names: tuple[str, str]) -> None:
    preparation = make_preparation(session, base_scale_mol=1.0)
    key = int(preparation.id or 0)
    for name in names:
        add_variable(session, key, VariableInput(name=name, role=Role.VOLUME, unit="mL", low=50, high=110, base=80))
    make_run(session, preparation, 60.0, settings=dict.fromkeys(names, 90.0), scale_mol=2.0)
    (row,) = look_at(session, key, NotebookInput(rows=runs_as_table(session, key))).rows
    assert (row.problems, row.left_out) == ((), "looks the same as run 1")


def charged(session: Session, **more: Any) -> int:
    """A preparation with an amine, its halide whose equivalents are a variable, and a solvent measured by volume; its id."""
    preparation = make_preparation(session, name="Amine", product_formula="C9H13N", base_scale_mol=0.1)
    preparation.theoretical_yield_g = None
    key = int(preparation.id or 0)
    ratio = VariableInput(name="halide", role=Role.RATIO, unit="eq", low=1, high=3, step=0.1, base=1.5)
    driven = add_variable(session, key, ratio)
    add_material(session, key, MaterialInput(name="ethylamine", role="reagent", formula="C2H7N"))
    given = {"name": "benzyl chloride", "role": "reagent", "formula": "C7H7Cl", "ratio_variable_id": driven.id, **more}
    add_material(session, key, MaterialInput(**given))
    volume = {"amount_kind": "volume", "amount": 50, "density_g_per_ml": 0.867}
    add_material(session, key, MaterialInput(name="toluene", role="solvent", formula="C7H8", **volume))
    return key


CHARGED = ["hold", "bath", "agent", "ethylamine / g", "benzyl chloride (g)", "Toluene (mL)", "yield"]


def test_what_was_weighed_of_materials_is_noted_and_sets_the_variable_that_it_drives(session: Session) -> None:
    key = charged(session)
    # 4.508 g of ethylamine are 0.1 mol (45.08 g/mol), 25.32 g of the chloride 0.2 mol (126.58 g/mol).
    rows = [CHARGED, ["2", "120", "MgSO4", "4.508", "25.32", "60", "61"], ["3", "120", "MgSO4", "2.254", "", "", "64"]]
    book = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True)
    assert [c.meaning for c in book.columns[3:6]] == ["reference_g", "weighed_2", "measured_3"]
    assert [v.name for v in book.missing] == ["halide"]
    assert book.without == []
    halide = next(v.key for v in book.space.variables if v.name == "halide")
    assert [r.settings[halide] for r in book.rows] == [pytest.approx(2.0, rel=1e-3), 1.5]
    assert book.rows[0].remarks == ("halide 2 eq, from what was weighed of benzyl chloride",)
    assert book.rows[0].weighed == ("benzyl chloride, weighed: 25.32 g", "toluene, measured: 60 mL")
    # Nothing says what held in the second row.
    with pytest.raises(InvalidInputError, match="halide is not given"):
        import_runs(session, key, NotebookInput(rows=[CHARGED, rows[2]]))
    # The next look is another one where another amount was measured, although it drives nothing.
    changed = [CHARGED, [*rows[1][:5], "61", "61"], rows[2]]
    assert look_at(session, key, NotebookInput(rows=changed), base_for_missing=True).mark != book.mark
    data = NotebookInput(rows=rows, defaults={"halide": "1.5"})
    assert import_runs(session, key, data, shown=book.mark).numbers == (1, 2)
    first, second = questions.list_runs(session, key)
    noted = {
        m.material_id: (m.mass_g, m.volume_ml, m.density_g_per_ml) for m in runs.weighed_of(session, int(first.id or 0)).values()
    }
    assert noted == {1: (4.508, None, None), 2: (25.32, None, None), 3: (None, 60.0, 0.867)}
    assert set(runs.weighed_of(session, int(second.id or 0))) == {1}


def test_a_column_may_go_by_a_formula_or_by_the_name_of_the_product(session: Session) -> None:
    key = charged(session)
    preparation = questions.get_preparation(session, key)
    preparation.product_name = "benzylethylamine"
    add_material(session, key, MaterialInput(name="cobalt chloride hexahydrate", role="catalyst", formula="CoCl2·6H2O"))
    add_material(session, key, MaterialInput(name="copper chloride dihydrate", role="catalyst", formula="CuCl2·2H2O"))
    add_variable(session, key, VariableInput(name="pH of the wash", role=Role.OTHER, low=2, high=9, base=7))

    def meanings(*headings: str) -> list[str]:
        rows = [["hold", "bath", "agent", *headings], ["2", "120", "MgSO4", *["4"] * len(headings)]]
        return [c.meaning for c in look_at(session, key, NotebookInput(rows=rows)).columns[3:]]

    assert meanings("C2H7N / g", "C7H7Cl (mg)", "C7H8 [mL]") == ["reference_g", "weighed_2", "measured_3"]
    assert meanings("cobalt chloride / g", "CuCl2*2H2O (g)") == ["weighed_4", "weighed_5"]
    assert meanings("benzylethylamine (g)") == meanings("C9H13N / g") == meanings("Crystals (g)") == ["product_mass_g"]
    # Not without such a unit, not where another salt is meant, and not where two columns would be one.
    assert meanings("C7H7Cl", "CaCl2·6H2O / g", "benzylethylamine") == ["", "", ""]
    assert meanings("mass of product / g", "benzylethylamine (g)") == ["product_mass_g", ""]
    ph = next(f"v{v.id}" for v in questions.list_variables(session, key) if v.name.startswith("pH"))
    assert meanings("pH") == [ph]
    add_variable(session, key, VariableInput(name="pH of the quench", role=Role.OTHER, low=2, high=9, base=7))
    assert meanings("pH") == [""]


def test_the_scale_follows_the_material_of_one_equivalent_under_either_meaning(session: Session) -> None:
    key = charged(session)
    # 9.016 g of ethylamine are 0.2 mol, twice the base scale.
    rows = [[*CHARGED, "scale / mol"], ["2", "120", "MgSO4", "9.016", "38.0", "100", "61", ""]]
    for meaning in ("reference_g", "weighed_1"):
        given = {4: ColumnInput(meaning=meaning, unit="g")}
        data = NotebookInput(rows=rows, columns=given, confirm=["again"])
        (number,) = import_runs(session, key, data).numbers
        run = next(r for r in questions.list_runs(session, key) if r.number == number)
        assert run.scale_mol == pytest.approx(0.2, rel=1e-3)
    # A scale that is written counts beside the second of them.
    rows[1][-1] = "0.21"
    data = NotebookInput(rows=rows, columns={4: ColumnInput(meaning="weighed_1", unit="g")}, confirm=["again"])
    (number,) = import_runs(session, key, data).numbers
    assert next(r for r in questions.list_runs(session, key) if r.number == number).scale_mol == 0.21


def test_a_corrected_row_with_the_notebook_reference_of_a_run_is_asked_about(session: Session) -> None:
    key = key_of(session)
    head = ["page", *HEAD]
    rows = [head, ["KM-12", "1", "120", "MgSO4", "50", "2026-03-01", ""], ["KM-13", "2", "120", "MgSO4", "60", "2026-03-02", ""]]
    assert look_at(session, key, NotebookInput(rows=rows)).questions == ()
    import_runs(session, key, NotebookInput(rows=rows))
    # The second yield was a slip; another day is another run.
    again = NotebookInput(
        rows=[*rows[:2], [*rows[2][:4], "66", *rows[2][5:]], ["km-13", "2", "125", "MgSO4", "61", "2026-03-09", ""]]
    )
    book = look_at(session, key, again)
    assert [r.left_out for r in book.rows] == ["looks the same as run 1", "", ""]
    assert [r.remarks for r in book.rows[1:]] == [("notebook reference of a run that is here",), ()]
    with pytest.raises(NeedsConfirmationError, match=r"the same notebook reference and day is here already.* Row 3"):
        import_runs(session, key, again)
    assert import_runs(session, key, again.model_copy(update={"confirm": ["same_reference"]})).numbers == (3, 4)


def test_less_of_a_weighed_reagent_limits_a_run_of_a_table(session: Session) -> None:
    key = charged(session)
    rows = [[*CHARGED[:5], "mass isolated / g"], ["2", "120", "MgSO4", "4.508", "6.329", "3.38"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    # 0.05 mol of the chloride make no more of the amine (135.21 g/mol) than that.
    assert row.percent == pytest.approx(100 * 3.38 / (0.05 * 135.21), rel=1e-3)


def test_materials_that_contradict_each_other_do_not_leave_the_base_value_in_silence(session: Session) -> None:
    key = charged(session)
    halide = next(v for v in questions.list_variables(session, key) if v.name == "halide")
    base = {"formula": "K2CO3", "ratio_variable_id": halide.id, "ratio_factor": 2}
    add_material(session, key, MaterialInput(name="carbonate", role="other", **base))
    head = [*CHARGED[:5], "carbonate / g", "yield"]
    # 25.32 g of the chloride are 2 equivalents, 41.46 g of carbonate (138.21 g/mol) two times 1.5.
    data = NotebookInput(rows=[head, ["2", "120", "MgSO4", "4.508", "25.32", "41.46", "61"]], defaults={"halide": "1.2"})
    book = look_at(session, key, data)
    assert [q.code for q in book.questions] == ["contradicting_amounts"]
    assert book.rows[0].remarks == (
        "what was weighed contradicts itself",
        "halide 2 eq by what was weighed of benzyl chloride; halide 1.5 eq by what was weighed of carbonate",
    )
    with pytest.raises(NeedsConfirmationError, match=r"speaks for different values.*Row 2"):
        import_runs(session, key, data)
    # A column of the variable settles it.
    rows = [[*head, "halide / eq"], ["2", "120", "MgSO4", "4.508", "25.32", "41.46", "61", "2"]]
    assert look_at(session, key, NotebookInput(rows=rows)).questions == ()


def test_a_variable_with_a_column_is_what_that_says(session: Session) -> None:
    key = charged(session)
    rows = [[*CHARGED, "halide / eq"], ["2", "120", "MgSO4", "4.508", "25.32", "60", "61", "1.8"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert "1.8" in map(str, row.settings.values())
    assert row.remarks == ()
    # Where that says nothing, what was weighed does.
    rows[1][-1] = ""
    (row,) = look_at(session, key, NotebookInput(rows=rows, defaults={"halide": "1.1"})).rows
    assert row.remarks == ("halide 2 eq, from what was weighed of benzyl chloride",)


def test_a_mass_far_from_what_the_settings_take_is_asked_about(session: Session) -> None:
    key = charged(session)
    # A slip of the decimal point: 25.32 g.
    rows = [[*CHARGED, "halide / eq"], ["2", "120", "MgSO4", "4.508", "253.2", "60", "61", "2"]]
    data = NotebookInput(rows=rows)
    assert [q.code for q in look_at(session, key, data).questions] == ["far_from_plan"]
    with pytest.raises(NeedsConfirmationError, match=r"far from what its settings and scale take\. Row 2"):
        import_runs(session, key, data)
    assert import_runs(session, key, data.model_copy(update={"confirm": ["far_from_plan"]})).numbers == (1,)


def test_a_reagent_of_a_second_step_is_held_against_its_intermediate(session: Session) -> None:
    key = charged(session, taken_after=Stage.REACTION)
    given = {5: ColumnInput(meaning="weighed_2", unit="g"), 8: ColumnInput(meaning="checkpoint_reaction_g", unit="g")}
    # Half of theory was there: 6.76 g of 13.52 g; 0.1 mol of the chloride are 2 equivalents.
    rows = [[*CHARGED, "after step 1 / g"], ["2", "120", "MgSO4", "4.508", "12.66", "60", "41", "6.76"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows, columns=given, content_percent=100)).rows
    assert row.remarks == ("halide 2 eq, from what was weighed of benzyl chloride",)
    # Without it nobody knows.
    data = NotebookInput(rows=[CHARGED, rows[1][:7]])
    (row,) = look_at(session, key, data, base_for_missing=True).rows
    assert row.remarks == ("halide does not follow from benzyl chloride without what was weighed after the reaction",)
    assert row.settings[next(k for k, v in row.settings.items() if v == 1.5)] == 1.5


def test_a_unit_of_volume_counts(session: Session) -> None:
    key = charged(session)
    rows = [[*CHARGED[:5], "toluene (L)", "yield"], ["2", "120", "MgSO4", "4.508", "19.0 g", "0.05", "61"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert row.weighed == ("benzyl chloride, weighed: 19 g", "toluene, measured: 50 mL")
    # In a cell as well; mass and volume of one material may both be there.
    rows = [
        [*CHARGED[:5], "toluene / g", "toluene / mL", "yield"],
        ["2", "120", "MgSO4", "4.508", "19.0 g", "43.4", "50 ml", "61"],
    ]
    data = NotebookInput(rows=rows)
    (row,) = look_at(session, key, data).rows
    assert row.weighed[1:] == ("toluene, weighed: 43.4 g", "toluene, measured: 50 mL")
    (number,) = import_runs(session, key, data).numbers
    run = next(r for r in questions.list_runs(session, key) if r.number == number)
    assert [(n.mass_g, n.volume_ml) for n in runs.weighed_of(session, int(run.id or 0)).values()][-1] == (43.4, 50.0)
    # Without such a unit a column of that name is something else.
    rows = [[*CHARGED[:5], "toluene", "yield"], ["2", "120", "MgSO4", "4.508", "19.0 g", "dry", "61"]]
    assert look_at(session, key, NotebookInput(rows=rows)).columns[5].meaning == ""


def test_what_was_weighed_goes_out_and_comes_back(session: Session) -> None:
    key = charged(session)
    rows = [CHARGED, ["2", "120", "MgSO4", "4.508", "25.32", "60", "61"]]
    import_runs(session, key, NotebookInput(rows=rows))
    table = runs_as_table(session, key)
    assert table[0][-3:] == ["ethylamine, weighed / g", "benzyl chloride, weighed / g", "toluene, measured / mL"]
    assert table[1][-3:] == ["4.508", "25.32", "60"]
    assert {len(table[0]) - 3, len(table[0]) - 2, len(table[0]) - 1} <= numeric_columns(session, key, table[0])
    other = charged_again(session)
    book = look_at(session, other, NotebookInput(rows=table))
    assert [c.meaning for c in book.columns[-3:]] == ["weighed_4", "weighed_5", "measured_6"]
    assert columns_left_out(book, table) == ["run number"]
    import_runs(session, other, NotebookInput(rows=table, confirm=["mass_counts"]))
    (run,) = questions.list_runs(session, other)
    assert {n.mass_g for n in runs.weighed_of(session, int(run.id or 0)).values()} == {4.508, 25.32, None}


def charged_again(session: Session) -> int:
    """The same preparation once more, so that its ids are others."""
    preparation = make_preparation(session, name="Amine, again", product_formula="C9H13N", base_scale_mol=0.1)
    preparation.theoretical_yield_g = None
    key = int(preparation.id or 0)
    add_variable(session, key, VariableInput(name="halide", role=Role.RATIO, unit="eq", low=1, high=3, step=0.1, base=1.5))
    for name, formula in (("ethylamine", "C2H7N"), ("benzyl chloride", "C7H7Cl"), ("toluene", "C7H8")):
        add_material(session, key, MaterialInput(name=name, role="reagent" if name != "toluene" else "solvent", formula=formula))
    return key


def test_what_stands_behind_a_heading_is_a_unit_or_a_remark() -> None:
    # A long word is a remark; what no word looks like may be a unit that is not known here.
    seen = [heading_unit(heading) for heading in ("yield (isolated)", "load (phr)", "water (g/100mL)", "bath (at the wall)")]
    assert seen == ["", "phr", "g/100mL", ""]


def test_amounts_that_weighing_alone_sets_apart_are_one_setting(session: Session) -> None:
    key = charged(session)
    # 0.1 mol of the amine (45.08 g/mol) each; of the halide (126.58 g/mol) 2.007, 1.994, 2.042, 2.050 and 1.508 equivalents.
    masses = ("25.40", "25.24", "25.85", "25.95", "19.09")
    rows = [[*CHARGED[:5], "yield"], *(["2", "120", "MgSO4", "4.508", mass, str(60 + k)] for k, mass in enumerate(masses))]
    data = NotebookInput(rows=rows)
    book = look_at(session, key, data)
    halide = next(v.key for v in book.space.variables if v.name == "halide")
    # A step, a step, neither, as in the row above, and the base value.
    assert [r.settings[halide] for r in book.rows] == [2.0, 2.0, 2.042, 2.042, 1.5]
    assert book.rows[0].remarks == ("halide 2 eq, from what was weighed of benzyl chloride, 2.007 to be exact",)
    import_runs(session, key, data)
    # Runs 1 and 2, and 3 and 4, repeat each other: sd = sqrt((0.5 + 0.5) / 2).
    assert "0.7 points" in analyse(session, key).repeatability_sentence


def test_a_scale_that_weighing_alone_sets_apart_leaves_amounts_as_written(session: Session) -> None:
    preparation = make_preparation(session, base_scale_mol=0.02)
    key = int(preparation.id or 0)
    add_variable(session, key, VariableInput(name="ethanol", role=Role.VOLUME, unit="mL", low=0, high=60, base=20))
    head = ["hold", "bath", "agent", "ethanol / mL", "scale / mmol", "yield"]
    amounts = (("20", "20.1"), ("80", "40"), ("80", "40.03"), ("40.1", "40.1"))
    rows = [head, *(["2", "120", "MgSO4", amount, scale, "61"] for amount, scale in amounts)]
    book = look_at(session, key, NotebookInput(rows=rows, amounts_at="run_scale"))
    # At 40.03 mmol 80 mL come to 39.97, which is 40 in the row above; 40.1 mL at twice the scale are the base value.
    assert [list(r.settings.values())[3] for r in book.rows] == [20.0, 40.0, 40.0, 20.0]
    assert book.rows[2].remarks == ("ethanol is 40 mL at the base scale",)


@pytest.mark.parametrize(
    ("heading", "name"),
    [
        ("cryst. time", "crystallisation time"),
        ("Cryst. temp. (°C)", "crystallisation temperature"),
        ("stir", "stirring rate"),
        ("cryst.", ""),
        ("c. time", ""),
        ("time cryst.", ""),
    ],
)
def test_a_variable_is_known_by_the_first_letters_of_its_words(session: Session, heading: str, name: str) -> None:
    key = int(create_preparation(session, PreparationInput(name="Crystals")).id or 0)
    of_crystals: dict[str, Any] = {"stage": Stage.ISOLATION, "low": 1, "high": 30, "base": 5}
    add_variable(session, key, VariableInput(name="crystallisation time", role=Role.HOLD_TIME, unit="h", **of_crystals))
    add_variable(session, key, VariableInput(name="crystallisation temperature", role=Role.TEMPERATURE, unit="°C", **of_crystals))
    add_variable(session, key, VariableInput(name="drying time", role=Role.HOLD_TIME, unit="h", low=1, high=9, base=5))
    add_variable(session, key, VariableInput(name="stirring rate", role=Role.OTHER, low=100, high=900, base=500))
    space = space_of(questions.list_variables(session, key), [])
    meant = match_heading(heading, space)[0]
    assert [v.name for v in space.variables if f"v{v.key}" == meant] == ([name] if name else [])


def test_a_volume_in_the_cells_is_no_number_of_equivalents(session: Session) -> None:
    key = charged(session)
    # As a student writes it: the name of a liquid, and its volume with the unit in each cell.
    rows = [["hold", "bath", "agent", "halide", "toluene", "yield"], ["2", "120", "MgSO4", "23 mL", "50 ml", "61"]]
    book = look_at(session, key, NotebookInput(rows=rows), base_for_missing=True)
    assert [c.meaning for c in book.columns[3:5]] == ["", "measured_3"]
    assert book.rows[0].problems == ()


def test_volumes_and_masses_convert_as_times_do(session: Session) -> None:
    key = key_of(session)
    add_variable(session, key, VariableInput(name="dose", role=Role.VOLUME, unit="mL", low=0.05, high=2, base=1))
    add_variable(session, key, VariableInput(name="seed", role=Role.OTHER, unit="mg", low=0, high=500, base=100))
    rows = [["hold", "bath / °F", "agent", "dose (µL)", "seed", "yield"], ["2", "250", "MgSO4", "150", "0.2 g", "61"]]
    (row,) = look_at(session, key, NotebookInput(rows=rows)).rows
    assert row.problems == ()
    # 250 °F are 121.111… °C.
    assert list(row.settings.values())[1:] == [121.11, "MgSO4", 0.15, 200.0]


@pytest.mark.parametrize("heading", ["Student", "Analyst"])
def test_students_and_analysts_made_their_runs(session: Session, heading: str) -> None:
    space = space_of(questions.list_variables(session, key_of(session)), [])
    assert match_heading(heading, space)[0] == "made_by"
