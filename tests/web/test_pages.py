"""Pages through the HTTP client: what is shown, what is stored, what is refused."""

import asyncio
import hashlib
import html
import json
import re
import socket
import sqlite3
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import datetime
from typing import Any, cast
from urllib.parse import unquote, urlencode

import pytest
from fastapi import FastAPI, Response
from fastapi.testclient import TestClient
from sqlalchemy import event
from starlette.types import ASGIApp

from server.charts.runs import RunPoint, yield_over_runs
from server.charts.style import PAPER
from server.compute.work import WORKSHOP
from server.core.course.arrhenius import RateAt, fit_arrhenius
from server.errors import BusyError, InvalidInputError
from server.exchange.tables import read_file, read_text
from server.main import create_app
from server.paths import asset_folder
from server.services.courses import Rates
from server.services.decisions import forecast_by_hand
from server.services.demo import load_demo
from server.services.preparations import today
from server.settings import Settings
from server.storage.engine import write_session
from server.storage.files import FileStore
from server.web.forms import LONGEST_TOLD, Received, leave_for
from server.web.pages import runs as run_pages
from server.web.pages.courses import energy_sentence
from server.web.rendering import render
from server.web.security import is_own_host
from tests.web.many import insert_runs

PREPARATION = {"name": "Ester", "theoretical_yield_g": "10", "new_ground_percent": "25", "worthwhile_gain": "1"}
HOLD = {
    "name": "hold",
    "role": "hold_time",
    "unit": "h",
    "stage": "reaction",
    "low": "0.5",
    "high": "6",
    "step": "0.5",
    "base": "2",
}
BATH = {
    "name": "bath",
    "role": "temperature",
    "unit": "°C",
    "stage": "reaction",
    "low": "100",
    "high": "150",
    "step": "5",
    "base": "120",
}
AGENT = {"name": "agent", "role": "choice", "stage": "drying", "choices": "MgSO4\nNa2SO4", "base": "MgSO4"}
RUN = {"setting_1": "2", "setting_2": "120", "setting_3": "MgSO4", "outcome": "yield", "product_mass_g": "7.1"}

PAGES = (
    *("", "/effects", "/proposal", "/proposal?count=2", "/courses", "/stages", "/recipe", "/record", "/write-up"),
    *("/charge", "/setup", "/runs/new"),
)


@pytest.fixture
def ready(client: TestClient) -> TestClient:
    """A client with one preparation and three variables, ids 1 to 3."""
    client.post("/preparations", data=PREPARATION)
    for variable in (HOLD, BATH, AGENT):
        assert client.post("/preparations/1/variables", data=variable).status_code == 200
    return client


def enter(client: TestClient, **changed: str) -> Any:
    return client.post("/preparations/1/runs", data={**RUN, **changed})


def enter_all(client: TestClient, *runs: str) -> None:
    """Enter runs, each as its hold, bath and product mass."""
    for run in runs:
        hold, bath, mass = run.split()
        enter(client, setting_1=hold, setting_2=bath, product_mass_g=mass)


def stored_runs(client: TestClient) -> int:
    return len(client.get("/api/v1/preparations/1/runs").json())


def test_home_is_designed_when_empty(client: TestClient) -> None:
    page = client.get("/")
    assert page.status_code == 200
    assert "No preparation yet" in page.text


def test_a_new_preparation_leads_to_its_variables(client: TestClient) -> None:
    page = client.post("/preparations", data=PREPARATION)
    assert str(page.url).endswith("/preparations/1/setup")
    assert "No variables yet" in page.text


@pytest.mark.parametrize("path", [*PAGES, "/edit", "/variables/new", "/materials/new"])
@pytest.mark.parametrize("n", [0, 1, 2, 5])
def test_every_page_works_with_any_number_of_runs(ready: TestClient, path: str, n: int) -> None:
    for k in range(n):
        enter(ready, setting_1=str(1 + k), product_mass_g=str(5 + k / 2))
    page = ready.get(f"/preparations/1{path}")
    assert page.status_code == 200
    assert not re.search(r"\bnan\b|\binf\b", page.text, re.IGNORECASE)


def test_a_preparation_without_variables_has_pages_too(client: TestClient) -> None:
    client.post("/preparations", data=PREPARATION)
    client.post("/preparations/1/runs", data={"outcome": "yield", "product_mass_g": "7"})
    for path in (
        "",
        "/effects",
        "/proposal",
        "/proposal?count=3",
        "/courses",
        "/stages",
        "/recipe",
        "/record",
        "/charge",
        "/setup",
        "/runs/new",
    ):
        assert client.get(f"/preparations/1{path}").status_code == 200
    assert "70.0 %" in client.get("/preparations/1").text


def test_a_run_is_entered_and_shown_with_its_yield(ready: TestClient) -> None:
    page = enter(ready)
    assert "71.0 %" in page.text
    assert "2 h" in page.text
    assert "best" in page.text


BAD_RUNS = [
    ({"product_mass_g": "", "yield_percent": "150"}, "yield_percent", "above 100 %"),
    ({"product_mass_g": "", "yield_percent": "-5"}, "yield_percent", "below 0"),
    ({"product_mass_g": "a lot"}, "product_mass_g", "is not a number"),
    ({"product_mass_g": "nan"}, "product_mass_g", "is not a number"),
    ({"product_mass_g": "inf"}, "product_mass_g", "is not a number"),
    ({"product_mass_g": "1e400"}, "product_mass_g", "too large"),
    ({"product_mass_g": "7,1"}, "product_mass_g", "Write it with a point: 7.1"),
    ({"setting_1": "two"}, "setting_1", "is not a number"),
    ({"setting_1": ""}, "setting_1", "Enter the setting of hold"),
    ({"setting_2": "-400"}, "setting_2", "absolute zero"),
    ({"setting_2": "190"}, "setting_2", "outside the hard limit"),
    ({"setting_3": "sand"}, "setting_3", "not an option"),
    ({"made_on": "yesterday"}, "made_on", "year-month-day"),
    ({"outcome": "splendid"}, "outcome", "Choose one of those offered"),
    ({"notes": "x" * 10_001}, "notes", "At most 10000 characters"),
]


@pytest.mark.parametrize(("changed", "field", "words"), BAD_RUNS, ids=[str(b[0])[:40] for b in BAD_RUNS])
def test_bad_input_is_answered_at_the_field_and_nothing_typed_is_lost(
    ready: TestClient, changed: dict[str, str], field: str, words: str
) -> None:
    page = enter(ready, lot="L-77", **changed)
    assert page.status_code == 422
    error = re.search(rf'id="e-{field}">([^<]*)<', page.text)
    assert error
    assert words in error.group(1)
    assert f'href="#f-{field}"' in page.text
    for typed in {**RUN, "lot": "L-77", **changed}.values():
        assert typed in page.text
    assert stored_runs(ready) == 0


def test_lots_and_names_of_earlier_runs_are_offered(ready: TestClient) -> None:
    enter(ready, lot="L-1", made_by="MJ")
    enter(ready, lot="L-2", made_by="MJ")
    page = ready.get("/preparations/1/runs/new").text
    assert re.findall(r'<option value="([^"]*)"></option>', page) == ["L-2", "L-1", "MJ"]
    assert "<p>Made by MJ</p>" in ready.get("/runs/1").text


def test_above_100_is_kept_after_a_yes(ready: TestClient) -> None:
    page = enter(ready, product_mass_g="10.4")
    assert page.status_code == 422
    assert re.search('name="confirm" value="yield_above_100:[0-9a-f]{10}"', page.text)
    page = enter(ready, product_mass_g="10.4", confirm="yield_above_100")
    assert page.status_code == 200
    assert "104.0 %" in page.text
    assert "above 100 %" in page.text
    # It is the best there is, and the list of preparations says so.
    assert "<dt>best yield</dt><dd>104.0 %</dd>" in ready.get("/").text


def test_a_range_the_wrong_way_round_is_refused(ready: TestClient) -> None:
    page = ready.post("/preparations/1/variables", data={**HOLD, "name": "rest", "low": "6", "high": "1"})
    assert page.status_code == 422
    assert "not above its start" in page.text
    assert 'value="rest"' in page.text


def test_a_name_of_ten_thousand_characters_is_refused_kindly(client: TestClient) -> None:
    name = "x" * 10_000
    page = client.post("/preparations", data={**PREPARATION, "name": name})
    assert page.status_code == 422
    assert "At most 120 characters fit here; this has 10000" in page.text
    assert name in page.text


SCRIPT = "<script>alert(1)</script>"


def test_markup_is_shown_as_text_everywhere(client: TestClient) -> None:
    client.post(
        "/preparations",
        data={**PREPARATION, "name": SCRIPT, "notes": SCRIPT, "cautions": SCRIPT, "literature_references": SCRIPT},
    )
    client.post("/preparations/1/variables", data={**HOLD, "name": SCRIPT, "unit": "h"})
    client.post("/preparations/1/variables", data={**AGENT, "name": "b" + SCRIPT, "choices": f"{SCRIPT}\nb", "base": SCRIPT})
    for k in range(4):
        data = {
            "setting_1": str(k + 1),
            "setting_2": SCRIPT,
            "product_mass_g": "5",
            "notes": SCRIPT,
            "lot": SCRIPT,
            "made_by": SCRIPT,
            "outcome": "yield",
        }
        client.post("/preparations/1/runs", data=data)
    client.post(
        "/preparations/1/materials",
        data={"name": SCRIPT, "role": "solvent", "amount_kind": "mass", "amount": "1", "hazards": SCRIPT},
    )
    client.post("/runs/1/exclude", data={"reason": SCRIPT})
    client.post("/runs/2/checkpoints", data={"name": SCRIPT, "stage": "drying", "mass_g": "6"})
    for path in (
        "/",
        f"/?search={SCRIPT}",
        "/preparations/1",
        "/preparations/1/effects",
        "/preparations/1/proposal",
        "/preparations/1/charge",
        "/preparations/1/setup",
        "/runs/1",
        "/runs/2",
        "/runs/2/edit",
        "/runs/2/bench-sheet",
    ):
        page = client.get(path)
        assert page.status_code == 200, path
        assert SCRIPT not in page.text, path
        assert "alert(1)" in page.text, path


@pytest.mark.parametrize(
    "path",
    ["/nowhere", "/preparations/99", "/runs/99", "/runs/abc", "/runs/0", "/runs/99999999999999999999", "/variables/9/edit"],
)
def test_what_does_not_exist_is_a_404_page(client: TestClient, path: str) -> None:
    page = client.get(path)
    assert page.status_code == 404
    assert "<h1>Not found</h1>" in page.text
    assert "To the preparations" in page.text


def test_a_run_deleted_in_another_tab_is_a_404_page(ready: TestClient) -> None:
    enter(ready)
    assert ready.post("/runs/1/delete").status_code == 200
    page = ready.post("/runs/1", data=RUN)
    assert page.status_code == 404
    assert "It may have been deleted meanwhile" in page.text


def test_a_form_opened_before_a_change_elsewhere_keeps_what_was_typed(ready: TestClient) -> None:
    enter(ready)
    ready.post("/runs/1", data={**RUN, "product_mass_g": "7.5", "revision": "1"})
    page = ready.post("/runs/1", data={**RUN, "product_mass_g": "8.8", "revision": "1"})
    assert page.status_code == 409
    assert "changed elsewhere" in page.text
    assert 'value="8.8"' in page.text
    assert ready.get("/api/v1/runs/1").json()["product_mass_g"] == 7.5


def test_the_result_form_shows_what_was_planned_beside_each_setting(ready: TestClient) -> None:
    plan = {"setting_1": "3.5", "setting_2": "125", "setting_3": "Na2SO4"}
    ready.post("/preparations/1/planned-runs", data=plan)
    form = ready.get("/runs/1/edit").text
    for text in ("planned: 3.5 h", "planned: 125 °C", "planned: Na2SO4"):
        assert text in form
    # A correction later still shows the plan, not what was entered.
    ready.post("/runs/1", data={**RUN, "setting_1": "4", "revision": "1"})
    assert "planned: 3.5 h" in ready.get("/runs/1/edit").text


def test_excluding_needs_a_reason_and_can_be_undone(ready: TestClient) -> None:
    enter(ready)
    assert ready.post("/runs/1/exclude", data={"reason": " "}).status_code == 422
    page = ready.post("/runs/1/exclude", data={"reason": "thermometer broke"})
    assert "Excluded from the models: thermometer broke" in page.text
    assert "thermometer broke" in ready.get("/preparations/1").text
    ready.post("/runs/1/include")
    assert ready.get("/api/v1/runs/1").json()["counts"] is True


def test_a_plan_is_changed_and_a_run_is_noted_before_its_result(ready: TestClient) -> None:
    ready.post("/preparations/1/planned-runs", data={"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"})
    assert 'href="/runs/1/plan"' in ready.get("/runs/1").text
    form = ready.get("/runs/1/plan").text
    assert "Plan of run 1" in form
    assert 'value="125"' in form
    changed = {"setting_1": "3", "setting_2": "130", "setting_3": "MgSO4", "notes": "new bottle", "revision": "1"}
    refused = ready.post("/runs/1/plan", data={**changed, "setting_2": "900"})
    assert refused.status_code == 422
    assert "new bottle" in refused.text
    page = ready.post("/runs/1/plan", data=changed)
    assert page.url.path == "/runs/1"
    assert "130 °C" in page.text
    assert ready.get("/api/v1/runs/1").json()["forecast"] is not None
    noted = {"setting_1": "3", "setting_2": "128", "setting_3": "MgSO4", "notes": "foams", "act": "keep", "revision": "2"}
    wrong = ready.post("/runs/1", data={**noted, "product_mass_g": "6"})
    assert wrong.status_code == 422
    assert "This belongs to a result" in wrong.text
    for more in ({"outcome": "failure"}, {"purity_percent": "95"}):
        assert ready.post("/runs/1", data={**noted, **more}).status_code == 422
    assert "foams" in wrong.text
    page = ready.post("/runs/1", data={**noted, "made_on": today().isoformat()})
    assert page.url.path == "/runs/1"
    run = ready.get("/api/v1/runs/1").json()
    # The day that the form proposed was not the day of a run that was not begun.
    assert run["made_on"] is None
    assert (run["state"], run["notes"], run["settings"]["bath"]) == ("planned", "foams", 128.0)
    assert 'value="128"' in ready.get("/runs/1/edit").text
    # What was begun has no plan to change any more; saying so twice changes nothing.
    for _ in range(2):
        ready.post("/runs/1/state", data={"state": "under_way"})
        assert ready.get("/api/v1/runs/1").json()["revision"] == run["revision"] + 1
    assert ready.get("/runs/1/plan").url.path == "/runs/1"


def test_plans_and_notes_change_by_script(ready: TestClient) -> None:
    settings = {"hold": 3, "bath": 125, "agent": "MgSO4"}
    run = ready.post("/api/v1/preparations/1/planned-runs", json={"settings": settings}).json()
    address = f"/api/v1/runs/{run['id']}"
    changed = ready.put(f"{address}/plan", json={"settings": {**settings, "hold": 4}, "notes": "x"}).json()
    assert (changed["settings"]["hold"], changed["notes"], changed["state"]) == (4.0, "x", "planned")
    noted = ready.put(f"{address}/so-far", json={"settings": {**settings, "hold": 4.5}}).json()
    assert (noted["settings"]["hold"], noted["notes"]) == (4.5, "x")


def test_an_opening_run_is_not_explained_by_a_gain_and_counts_its_one_run(ready: TestClient) -> None:
    enter(ready)
    page = ready.get("/preparations/1/proposal").text
    assert "Opening run 2 of 3" in page
    assert "Expected gain counts" not in page
    settings = dict(re.findall(r'name="(setting_\d)" value="([^"]+)"', page))
    planned = ready.post("/preparations/1/proposal", data={**settings, "setting_3": "Na2SO4", "purpose": "raise"}).text
    assert re.search(r"Forecast before the run: [^.]*, from 1 run\.", planned)
    enter_all(ready, "3 130 6.0", "4 135 6.5")
    assert "Expected gain counts" in ready.get("/preparations/1/proposal").text


def test_a_proposal_becomes_a_planned_run_with_its_forecast_and_bench_sheet(ready: TestClient) -> None:
    for k, mass in enumerate(("5.0", "6.0", "6.6", "7.0")):
        enter(ready, setting_1=str(1 + k), setting_2=str(115 + 5 * (k % 3)), product_mass_g=mass)
    page = ready.get("/preparations/1/proposal")
    settings = dict(re.findall(r'name="(setting_\d)" value="([^"]+)"', page.text))
    settings["setting_3"] = "MgSO4"
    page = ready.post("/preparations/1/proposal", data={**settings, "purpose": "raise"})
    assert "Forecast before the run" in page.text
    sheet = ready.get("/runs/5/bench-sheet")
    assert "Bench sheet" in sheet.text
    assert "local rules" in sheet.text
    assert "safety data sheets" in sheet.text
    page = ready.post("/runs/5", data={**RUN, **settings, "product_mass_g": "7.7"})
    assert "77.0 %" in page.text


def test_changed_settings_get_their_own_forecast_and_broken_limits_are_said(ready: TestClient) -> None:
    for k in range(3):
        enter(ready, setting_1=str(1 + k))
    page = ready.get("/preparations/1/forecast?setting_1=3&setting_2=125&setting_3=MgSO4&purpose=raise")
    assert "Forecast for the settings as changed" in page.text
    page = ready.get("/preparations/1/forecast?setting_1=3&setting_2=500&setting_3=MgSO4")
    assert "outside the hard limit" in page.text
    page = ready.post("/preparations/1/proposal", data={"setting_1": "3", "setting_2": "500", "setting_3": "MgSO4"})
    assert page.status_code == 422
    assert 'value="500"' in page.text


def test_each_change_says_what_it_is_there_for_and_leads_to_the_run_without_it(ready: TestClient) -> None:
    enter_all(ready, "1 115 5.0", "2 120 6.0", "3 125 6.6")
    one = ready.get("/preparations/1/forecast?setting_1=3&setting_2=130&setting_3=MgSO4&purpose=raise").text
    assert "What each change is there for" not in one
    asked = "/preparations/1/forecast?setting_1=4&setting_2=130&setting_3=MgSO4&purpose=raise&scale_mol=0.1"
    page = ready.get(asked).text
    table = page[page.index("What each change is there for") : page.index("</table>")]
    assert "left as in run 3. Gains are over run 3.</caption>" in table
    lines = [re.sub(r"<[^>]+>|\s+", " ", line).split() for line in re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)[1:]]
    assert [" ".join(line[:-3]) for line in lines] == ["hold 3 → 4 h", "bath 125 → 130 °C", "nothing, as they stand"]
    told = ready.post("/api/v1/preparations/1/forecast", json={"settings": {"hold": 4, "bath": 130, "agent": "MgSO4"}}).json()
    assert [x["variable"] for x in told["left_out"]] == ["hold", "bath"]
    gains = [*(x["gain"] for x in told["left_out"]), told["expected_gain"]]
    chances = [*(x["chance_to_beat"] for x in told["left_out"]), told["chance_to_beat"]]
    assert [line[-3] for line in lines] == [f"{gain:.1f}" for gain in gains]
    assert [float(line[-2]) for line in lines] == [pytest.approx(100 * chance, abs=0.5) for chance in chances]
    part = ready.get(asked, headers={"hx-request": "true"}).text
    assert table in part
    without = ready.get(html.unescape(re.findall(r'href="([^"]*forecast[^"]*)"', table)[0])).text
    assert 'name="setting_1" value="3"' in without
    assert 'name="setting_2" value="130"' in without
    assert 'name="scale_mol" value="0.1"' in without
    assert "What each change is there for" not in without


def test_a_simpler_run_is_offered_with_its_forecast(ready: TestClient) -> None:
    enter_all(ready, "2 105 4.0", "4 110 4.8", "3 115 5.6", "2 120 6.4", "4 120 6.4")
    told = ready.get("/api/v1/preparations/1/proposal").json()
    simpler = told["simpler"]
    assert 0.8 * told["expected_gain"] <= simpler["gain"] <= told["expected_gain"]
    page = ready.get("/preparations/1/proposal").text
    gains = f"keeps {simpler['gain']:.1f} of these {told['expected_gain']:.1f} points"
    [address] = re.findall(rf'A simpler run {gains}: <a href="([^"]+)">', page)
    shown = ready.get(html.unescape(address)).text
    assert f'name="setting_1" value="{simpler["settings"]["hold"]:g}"' in shown
    assert f'name="setting_2" value="{simpler["settings"]["bath"]:g}"' in shown
    assert "A simpler run" not in shown


def test_a_link_puts_no_words_into_the_mouth_of_the_app(ready: TestClient) -> None:
    enter(ready)
    for address in ("/preparations/1", "/runs/1/course", "/preparations/1/effects"):
        assert "double the acid" not in ready.get(address, params={"note": "double the acid", "told": "double the acid"}).text


def test_what_was_done_is_said_in_full_as_far_as_a_cookie_reaches() -> None:
    for told in ("8 runs were brought in.", "é" * 700, "\N{TEST TUBE}" * 700, "a" * 600 + "b"):
        answer = leave_for("/preparations/1#runs", told)
        cookie = answer.headers["set-cookie"]
        assert len(cookie.partition(";")[0]) < 4096
        said = unquote(cookie.partition(";")[0].partition("=")[2].strip('"')).partition(":")[2]
        assert (said == told) if len(told) <= LONGEST_TOLD else (said.endswith("…") and told.startswith(said[:-1]))
        assert len(said) <= LONGEST_TOLD


def test_limits_are_added_and_shown_in_words(ready: TestClient) -> None:
    ready.post("/preparations/1/variables", data={**HOLD, "name": "rest"})
    page = ready.post("/preparations/1/limits", data={"kind": "total_time", "variables": ["1", "4"], "bound": "7", "unit": "h"})
    assert "hold + rest together at most 7 h" in page.text
    page = ready.post(
        "/preparations/1/limits", data={"kind": "linear", "coefficient_1": "1", "coefficient_4": "-1", "bound": "0"}
    )
    assert "hold − 1 × rest at most 0" in page.text
    page = ready.post("/preparations/1/limits", data={"kind": "total_time", "variables": ["1"], "bound": "0.1", "unit": "h"})
    assert page.status_code == 422
    assert "contradict each other" in page.text
    page = ready.post("/preparations/1/limits", data={"kind": "linear", "coefficient_1": "x", "bound": "0"})
    assert page.status_code == 422
    assert 'value="x"' in page.text


def test_the_charge_follows_from_the_formulas(client: TestClient) -> None:
    data = {**PREPARATION, "theoretical_yield_g": "", "product_formula": "C7H14O2", "base_scale_mol": "0.2"}
    client.post("/preparations", data=data)
    for name, formula, amount in (("alcohol", "C5H12O", "1"), ("acid", "CH3COOH", "1.5")):
        material = {
            "name": name,
            "role": "reagent",
            "formula": formula,
            "amount_kind": "equivalents",
            "amount": amount,
            "stock_g": "100",
        }
        assert client.post("/preparations/1/materials", data=material).status_code == 200
    page = client.get("/preparations/1/charge")
    assert "17.63 g" in page.text  # 0.2 mol · 88.150 g/mol
    assert "18.02 g" in page.text  # 0.3 mol · 60.052 g/mol
    assert "alcohol limits" in page.text
    assert "26.037 g" in page.text
    page = client.get("/preparations/1/charge?mode=product&size=10&expected_yield=50&planned_runs=4")
    assert "0.1536 mol" in page.text  # 10 / 130.187 / 0.5
    page = client.get("/preparations/1/charge?mode=moles&size=1,5")
    assert page.status_code == 422
    assert "with a point: 1.5" in page.text


def test_the_form_of_a_new_material_needs_no_more_than_name_and_formula(ready: TestClient) -> None:
    ratio = {"name": "ratio", "role": "ratio", "unit": "equiv", "stage": "reaction", "low": "1", "high": "2", "base": "1.5"}
    ready.post("/preparations/1/variables", data=ratio)
    form = ready.get("/preparations/1/materials/new").text
    shown = dict(re.findall(r'<input type="text"[^>]* name="(\w+)" value="([^"]*)"', form))
    assert {"amount", "ratio_factor", "coefficient"} <= shown.keys()  # a variable could set the amount
    chosen = {"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount_kind": "equivalents"}
    page = ready.post("/preparations/1/materials", data={**shown, **chosen})
    assert page.status_code == 200, re.findall(r'class="error"[^>]*>([^<]*)', page.text)
    (kept,) = ready.get("/api/v1/preparations/1/materials").json()
    assert (kept["name"], kept["amount"], kept["ratio_factor"]) == ("alcohol", 1.0, 1.0)


def test_an_activation_energy_below_zero_has_a_minus() -> None:
    hours = [(1, 383.15, 1.4), (2, 393.15, 1.3), (3, 403.15, 1.2)]
    fit = fit_arrhenius([RateAt(number, kelvin, rate, 0.05) for number, kelvin, rate in hours])
    sentence = energy_sentence(Rates((), None, fit, "", ()))
    assert sentence.startswith("Activation energy −10 kJ/mol (90 % range −")
    assert "-" not in sentence


def test_what_was_weighed_is_shown_to_the_digits_of_the_balance_and_of_what_was_typed(ready: TestClient) -> None:
    enter(ready, product_mass_g="2.9")
    for name, kind, mass in (("crude", "product", "3.20"), ("first", "crop", "2.1"), ("second", "crop", "0.8")):
        ready.post(
            "/runs/1/checkpoints",
            data={"name": name, "stage": "isolation", "kind": kind, "mass_g": mass, "purity_percent": "98"},
        )
    page = ready.get("/runs/1").text
    assert "<p>2.90 g" in page
    assert re.findall(r'data-label="mass">([^<]+)<', page) == ["3.20 g", "2.10 g", "0.80 g"]
    assert "2 crops or fractions: 2.90 g" in page
    enter(ready, product_mass_g="2.905")
    assert "<p>2.905 g" in ready.get("/runs/2").text
    enter(ready, product_mass_g="2.9", outcome="no_information")
    assert "2.90 g of product were noted" in ready.get("/runs/3").text


def test_crops_weighed_one_by_one_are_known_less_well_than_one_weighing(ready: TestClient) -> None:
    """JCGM 100:2008, 5.1.2: variances of independent inputs add up; a weighing has 0.01 g/√6 (F.2.2.1)."""
    ready.post("/preparations/1/planned-runs", data={"setting_1": "2", "setting_2": "120", "setting_3": "MgSO4"})
    crop = {"name": "first", "stage": "isolation", "kind": "crop", "mass_g": "2.1", "purity_percent": "98"}
    ready.post("/runs/1/checkpoints", data=crop)
    form = ready.get("/runs/1/edit").text
    assert re.search(r'name="product_mass_g"[^>]*value="2\.1"', form)
    assert re.search(r'name="product_mass_u_g"[^>]*value=""', form)
    ready.post("/runs/1/checkpoints", data={**crop, "name": "second", "mass_g": "0.8"})
    form = ready.get("/runs/1/edit").text
    assert re.search(r'name="product_mass_g"[^>]*value="2\.9"', form)
    assert re.search(r'name="product_mass_u_g"[^>]*value="0\.0058"', form)


def test_crops_that_hold_less_than_the_result_counts_are_told(ready: TestClient) -> None:
    """By hand: 2.1 g of 98 % and 0.8 g of 80 % hold 2.698 g in 2.9 g, 93.03 %; counted as pure, the yield is 7.5 % too high."""
    enter(ready, product_mass_g="2.9")
    for name, mass, content in (("first", "2.1", "98"), ("second", "0.8", "80")):
        crop = {"name": name, "stage": "isolation", "kind": "crop", "mass_g": mass, "purity_percent": content}
        ready.post("/runs/1/checkpoints", data=crop)
    assert "93.03 % pure on average. <strong>The result counts 100 % of it as product.</strong>" in ready.get("/runs/1").text
    enter(ready, product_mass_g="2.9", purity_percent="95", residual_percent="2")
    for mass, content in (("2.1", "98"), ("0.8", "80")):
        crop = {"name": mass, "stage": "isolation", "kind": "crop", "mass_g": mass, "purity_percent": content}
        ready.post("/runs/2/checkpoints", data=crop)
    page = ready.get("/runs/2").text
    assert "93.03 % pure on average." in page
    assert "The result counts" not in page


def test_what_came_back_stands_beside_what_was_lost(client: TestClient) -> None:
    client.post(
        "/preparations", data={**PREPARATION, "theoretical_yield_g": "", "product_formula": "C7H14O2", "base_scale_mol": "0.1"}
    )
    line = {"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount_kind": "equivalents", "amount": "1"}
    client.post("/preparations/1/materials", data=line)
    client.post("/preparations/1/runs", data={"outcome": "yield", "product_mass_g": "9"})
    crude = {"name": "crude", "stage": "reaction", "kind": "product", "mass_g": "11", "purity_percent": "100"}
    client.post("/runs/1/checkpoints", data=crude)
    assert "came back)" not in client.get("/runs/1").text
    client.post("/runs/1/checkpoints", data={**crude, "name": "alcohol back", "kind": "recovered", "mass_g": "0.8815"})
    # By hand: theory 13.0187 g, a tenth of which came back as alcohol; 13.0187 − 11 − 1.30187 g are lost.
    told = "0.717 g <small>(1.3 g not made: starting material that came back)</small>"
    page = client.get("/runs/1").text
    assert page.count(told) == 1
    assert "more than was there" not in page
    # 12 g of the 11.717 g that the rest of the alcohol can give.
    client.post("/preparations/1/runs", data={"outcome": "yield", "product_mass_g": "12"})
    client.post("/runs/2/checkpoints", data={**crude, "name": "alcohol back", "kind": "recovered", "mass_g": "0.8815"})
    assert "the yield is 102.4 %, more than was there: something is wet, or a mass is wrong." in client.get("/runs/2").text


def test_stock_and_price_are_typed_in_the_units_of_the_bottle(ready: TestClient) -> None:
    line = {"name": "ethanol", "role": "solvent", "amount_kind": "volume", "amount": "50", "density_g_per_ml": "0.8"}
    typed = {"stock_g": "2.5", "stock_unit": "L", "price_per_g": "24", "price_pack": "500", "price_unit": "mL"}
    ready.post("/preparations/1/materials", data={**line, **typed})
    (kept,) = ready.get("/api/v1/preparations/1/materials").json()
    assert (kept["stock_g"], kept["price_per_g"]) == (2000.0, 0.06)  # 24 / (500 · 0.8)
    # As it is kept it comes again, in g.
    form = ready.get(f"/materials/{kept['id']}/edit").text
    assert 'name="price_per_g" value="0.06"' in form
    ready.post(f"/materials/{kept['id']}", data={**line, "stock_g": "2000", "price_per_g": "0.06", "price_unit": "g"})
    (again,) = ready.get("/api/v1/preparations/1/materials").json()
    assert {**again, "stock_at": None} == {**kept, "stock_at": None}
    ready.post(f"/materials/{kept['id']}", data={**line, "stock_g": "1.5", "stock_unit": "kg", "price_per_g": "60"})
    (solid,) = ready.get("/api/v1/preparations/1/materials").json()
    assert (solid["stock_g"], solid["price_per_g"]) == (1500.0, 60.0)


@pytest.mark.parametrize(
    ("changed", "field", "words"),
    [
        ({"density_g_per_ml": ""}, "density_g_per_ml", "Enter the density too"),
        ({"price_pack": "0"}, "price_pack", "above 0"),
        ({"price_pack": "half"}, "price_pack", "is not a number"),
        ({"price_per_g": "cheap"}, "price_per_g", "is not a number"),
        ({"price_per_g": "-24"}, "price_per_g", "below 0"),
    ],
)
def test_odd_packs_are_answered_at_the_field(ready: TestClient, changed: dict[str, str], field: str, words: str) -> None:
    line = {"name": "", "role": "solvent", "amount_kind": "volume", "amount": "50", "density_g_per_ml": "0.8"}
    typed = {"price_per_g": "24", "price_pack": "500", "price_unit": "mL"}
    page = ready.post("/preparations/1/materials", data={**line, **typed, **changed})
    assert page.status_code == 422
    error = re.search(rf'id="e-{field}">([^<]*)<', page.text)
    assert error
    assert words in error.group(1)
    # Everything that is wrong is told at once, and what was typed stays.
    assert 'id="e-name"' in page.text
    for name, value in {**typed, **changed}.items():
        assert f'name="{name}" value="{value}"' in page.text or f'<option value="{value}" selected>' in page.text


def test_a_wrong_formula_is_pointed_at(ready: TestClient) -> None:
    material = {"name": "salt", "role": "reagent", "formula": "CuSO4)", "amount_kind": "equivalents", "amount": "1"}
    page = ready.post("/preparations/1/materials", data=material)
    assert page.status_code == 422
    assert "character 6 of “CuSO4)”" in page.text


def test_the_drying_agent_amount_and_cautions(ready: TestClient) -> None:
    page = ready.get("/preparations/1/charge?agent=calcium chloride&water_g=2&excess=3")
    assert "18.5 g" in page.text  # 2 g · 3.0802 · 3
    assert "alcohols" in page.text
    assert "common practice, no source" in page.text
    wrong = ready.get("/preparations/1/charge?agent=calcium chloride&water_g=2&excess=abc")
    assert wrong.status_code == 422
    assert '<a href="#f-excess">' in wrong.text
    assert '<a href="#f-water_g">' not in wrong.text


def test_only_what_is_in_the_archive_is_deleted_and_only_by_its_name(ready: TestClient) -> None:
    enter(ready)
    file = {"file": ("plate.txt", b"two spots", "text/plain")}
    assert ready.post("/runs/1/attachments", files=file).status_code == 200
    ready.post("/preparations", data={**PREPARATION, "name": "Other"})
    other = "/preparations/2"
    ready.post(f"{other}/runs", data={"yield_percent": "50", "outcome": "yield"})
    for run, name in ((1, "own.txt"), (2, "plate.txt")):
        ready.post(f"/runs/{run}/attachments", files={"file": (name, b"two spots" if run == 2 else b"one spot", "text/plain")})
    assert ready.get("/preparations/1/delete").url.path == "/preparations/1"
    assert "delete" not in ready.get("/preparations/1").text.casefold()
    refused = ready.post("/preparations/1/delete", data={"name": "Ester"})
    assert refused.status_code == 422
    assert "not in the archive" in refused.text
    ready.post("/preparations/1/archive", data={"archived": "yes"})
    assert 'href="/preparations/1/delete"' in ready.get("/preparations/1").text
    ready.post("/runs/1/attachments", files={"file": ("gone.txt", b"three spots", "text/plain")})
    ready.post("/attachments/4/delete")
    assert "1 run goes with it, and 2 photos and files" in ready.get("/preparations/1/delete").text
    wrong = ready.post("/preparations/1/delete", data={"name": "Esther"})
    assert wrong.status_code == 422
    assert "Type the name as it is, Ester" in wrong.text
    assert ready.get("/runs/1").status_code == 200
    done = ready.post("/preparations/1/delete", data={"name": " Ester "})
    assert done.url.path == "/"
    assert "The archive is empty" in done.text
    assert ready.get("/preparations/1").status_code == ready.get("/runs/1").status_code == 404
    assert ready.get(other).status_code == 200
    # The file that another run has as well stays.
    assert ready.get("/attachments/3").content == b"two spots"
    store: FileStore = cast(FastAPI, ready.app).state.files
    assert [store.has(hashlib.sha256(content).hexdigest()) for content in (b"one spot", b"two spots", b"three spots")] == [
        *(False, True, False)
    ]
    # Its number is never used again.
    assert ready.post("/preparations", data={**PREPARATION, "name": "New"}).url.path.startswith("/preparations/3")


def test_archiving_hides_and_brings_back(ready: TestClient) -> None:
    page = ready.post("/preparations/1/archive", data={"archived": "yes"})
    assert "Ester" not in page.text
    archive = ready.get("/?archived=true").text
    assert "Ester" in archive
    assert "Next:" not in archive
    assert "Preparation, in the archive" in ready.get("/preparations/1").text
    ready.post("/preparations/1/archive", data={"archived": "no"})
    assert "Ester" in ready.get("/?search=est").text
    assert "has “xyz” in its name" in ready.get("/?search=xyz").text


def test_pages_carry_the_content_policy_and_never_an_outside_address(ready: TestClient) -> None:
    enter(ready)
    page = ready.get("/preparations/1")
    assert page.headers["content-security-policy"].startswith("default-src 'none'; script-src 'self'")
    assert page.headers["cache-control"] == "no-store"
    addresses = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert addresses
    assert all(a.startswith(("/", "#", "?")) for a in addresses)
    for address in (a for a in addresses if a.startswith("/static/")):
        answer = ready.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]


@pytest.mark.parametrize("headers", [{"sec-fetch-site": "cross-site"}, {"origin": "http://evil.example"}, {"origin": "http://["}])
def test_posts_from_other_sites_are_refused(ready: TestClient, headers: dict[str, str]) -> None:
    answer = ready.post("/preparations/1/runs", data=RUN, headers=headers)
    assert answer.status_code == 403
    assert stored_runs(ready) == 0


def test_a_post_from_this_site_is_accepted(ready: TestClient) -> None:
    assert ready.post("/preparations/1/runs", data=RUN, headers={"origin": "http://localhost"}).status_code == 200


def test_other_host_names_are_refused(client: TestClient) -> None:
    assert client.get("/", headers={"host": "evil.example"}).status_code == 400


def test_a_get_never_writes(ready: TestClient) -> None:
    enter(ready)
    before = ready.get("/api/v1/preparations/1").json(), stored_runs(ready)
    for path in ("", "/effects", "/proposal", "/charge", "/forecast?setting_1=3&setting_2=125&setting_3=MgSO4"):
        ready.get(f"/preparations/1{path}")
    assert (ready.get("/api/v1/preparations/1").json(), stored_runs(ready)) == before


def test_a_repeatability_that_was_measured_is_nothing_that_cannot_be_told(ready: TestClient) -> None:
    enter_all(ready, "2 120 7.0", "3 125 7.5", "4 130 7.2", "5 120 6.8")
    assert "Repeatability is not measured yet" in ready.get("/api/v1/preparations/1/effects").json()["cannot_be_told"][-1]
    enter_all(ready, "2 120 7.4")
    api = ready.get("/api/v1/preparations/1/effects").json()
    assert api["repeatability"].startswith("Repeats scatter by 2.8 points")  # 4 points apart / √2
    assert not any("Repeats" in sentence for sentence in api["cannot_be_told"])
    # It stands where the yield and the model are.
    overview = ready.get("/preparations/1").text
    assert overview.count(api["repeatability"]) == 1
    assert overview.index(api["repeatability"]) < overview.index("What moved it</h2>")
    effects = ready.get("/preparations/1/effects").text
    assert effects.count(api["repeatability"]) == 1
    assert effects.index(api["repeatability"]) > effects.index("The model behind this")


def test_cannot_be_told_apart_stands_on_the_page_with_the_run_that_settles_it(ready: TestClient) -> None:
    for k in range(5):
        enter(ready, setting_1=str(1 + k), setting_2=str(110 + 5 * k), product_mass_g=str(5 + k / 2))
    page = ready.get("/preparations/1/effects")
    assert "hold: cannot be told apart from bath" in page.text
    assert "A run that would separate hold from bath" in page.text


def test_every_page_links_the_words_that_it_uses(ready: TestClient) -> None:
    enter(ready)
    foot = ready.get("/preparations/1/recipe").text.split('class="words"')[1]
    assert '<a href="/help#working-recipe">working recipe</a>' in foot
    assert '<a href="/help#setting">setting</a>' in foot
    help_page = ready.get("/help").text
    for anchor in re.findall(r'href="/help#([^"]+)"', foot):
        assert f'id="{anchor}"' in help_page


def test_the_guide_walks_through_the_demo_where_it_is_loaded(client: TestClient) -> None:
    assert "yieldwright demo" in client.get("/help/guide").text
    with write_session(client.app.state.engine) as session:  # type: ignore[attr-defined]
        load_demo(session, asset_folder("seed_runs"))
    guide = client.get("/help/guide").text
    addresses = re.findall(r'href="(/(?:preparations|runs)[^"#]*)', guide)
    assert len(addresses) >= 8
    for address in addresses:
        assert client.get(address).status_code == 200, address


def test_help_has_every_word_of_the_glossary(client: TestClient) -> None:
    page = client.get("/help").text
    for word in ("preparation", "working recipe", "new ground", "checkpoint", "evidence"):
        assert f">{word}</dt>" in page


def answers_of(page: str, kind: str) -> list[str]:
    """Confirmations that a page offers ('checkbox') or keeps ('hidden')."""
    return re.findall(f'<input type="{kind}" name="confirm" value="([^"]*)"', page)


def test_two_confirmations_in_a_row_are_both_kept(ready: TestClient) -> None:
    unusual = {"setting_2": "170", "product_mass_g": "10.4"}
    (first,) = answers_of(enter(ready, **unusual).text, "checkbox")
    page = enter(ready, **unusual, confirm=first)
    assert answers_of(page.text, "hidden") == [first]
    (second,) = answers_of(page.text, "checkbox")
    assert (first.split(":")[0], second.split(":")[0]) == ("outside_limits", "yield_above_100")
    answer = ready.post("/preparations/1/runs", data={**RUN, **unusual, "confirm": [first, second]})
    assert answer.status_code == 200
    assert stored_runs(ready) == 1


def test_a_yes_counts_for_the_values_that_it_was_given_for(ready: TestClient) -> None:
    (given,) = answers_of(enter(ready, setting_2="170").text, "checkbox")
    other = enter(ready, setting_2="175", confirm=given)
    assert other.status_code == 422
    (asked,) = answers_of(other.text, "checkbox")
    assert asked != given
    assert stored_runs(ready) == 0
    assert enter(ready, setting_2="170", confirm=given).status_code == 200


def test_a_plan_names_every_setting_outside_its_range(ready: TestClient) -> None:
    for key, variable in ((1, {**HOLD, "hard_high": "12"}), (2, {**BATH, "hard_high": "160"})):
        assert ready.post(f"/variables/{key}", data=variable).status_code == 200
    plan = {"setting_1": "9", "setting_2": "155", "setting_3": "MgSO4"}
    page = ready.post("/preparations/1/planned-runs", data=plan)
    assert page.status_code == 422
    assert "9 h lies outside" in page.text
    assert "155 °C lies outside" in page.text


def test_weighed_amounts_that_make_the_yield_impossible_are_sent_back(ready: TestClient) -> None:
    api = "/api/v1/preparations/1"
    preparation = {"name": "Ester", "product_formula": "C7H14O2", "base_scale_mol": 0.1}
    assert ready.put(api, json=preparation).status_code == 200
    alcohol = {"name": "alcohol", "role": "reagent", "formula": "C5H12O"}
    material = ready.post(f"{api}/materials", json=alcohol).json()["id"]
    enter(ready, theoretical_yield_g="", product_mass_g="6.5", yield_percent="")
    before = ready.get("/api/v1/runs/1").json()
    assert before["theory_source"] == "planned amounts; alcohol limits"
    page = ready.post("/runs/1/weighed", data={f"mass_{material}": "0.01"})
    assert page.status_code == 422
    assert "Check the masses" in page.text
    assert ready.get("/api/v1/runs/1").json() == before
    asked = ready.post("/runs/1/weighed", data={f"mass_{material}": "4"})
    assert asked.status_code == 422
    (given,) = answers_of(asked.text, "checkbox")
    assert ready.post("/runs/1/weighed", data={f"mass_{material}": "4", "confirm": given}).status_code == 200
    assert ready.get("/api/v1/runs/1").json()["yield_percent"] > 100


def test_what_was_weighed_meanwhile_in_another_tab_is_not_overwritten(ready: TestClient) -> None:
    assert (
        ready.put("/api/v1/preparations/1", json={"name": "Ester", "theoretical_yield_g": 10, "base_scale_mol": 1}).status_code
        == 200
    )
    material = ready.post("/api/v1/preparations/1/materials", json={"name": "a", "role": "other", "formula": "H2O"}).json()["id"]
    enter(ready)
    seen = str(ready.get("/api/v1/runs/1").json()["revision"])
    assert ready.post("/runs/1/weighed", data={f"mass_{material}": "4", "revision": seen}).status_code == 200
    late = ready.post("/runs/1/weighed", data={f"mass_{material}": "5", "revision": seen})
    assert late.status_code == 409
    assert 'value="5"' in late.text
    assert ready.get("/api/v1/runs/1/weighed").json()["amounts"][0]["mass_g"] == 4


def test_a_form_left_open_does_not_write_to_a_later_run(ready: TestClient) -> None:
    enter(ready)
    form = {**RUN, "revision": str(ready.get("/api/v1/runs/1").json()["revision"]), "notes": "of the first"}
    ready.post("/runs/1/delete")
    enter(ready, notes="of the second")
    assert ready.post("/runs/1", data=form).status_code == 404
    (left,) = ready.get("/api/v1/preparations/1/runs").json()
    assert left["notes"] == "of the second"
    assert left["id"] != 1


def test_a_result_for_a_run_that_is_gone_shows_what_was_typed(ready: TestClient) -> None:
    enter(ready)
    ready.post("/runs/1/delete")
    page = ready.post("/runs/1", data={**RUN, "notes": "a whole page of notes"})
    assert page.status_code == 404
    assert "What you typed" in page.text
    assert "a whole page of notes" in page.text


def test_everything_about_changed_settings_is_about_them(ready: TestClient) -> None:
    for k in range(4):
        enter(ready, setting_1=str(1 + k / 2), setting_2=str(115 + 5 * k), product_mass_g=str(5 + k / 2))
    page = ready.get("/preparations/1/forecast?setting_1=6&setting_2=145&setting_3=Na2SO4&purpose=raise").text
    assert "Settings as you changed them" in page
    assert "Holds: 6 h in all" in page
    for words in ("hold 6 h is above the 2.5 tried", "bath 145 °C is above the 130 tried", "agent Na2SO4 has not been tried"):
        assert words in page
    assert "Largest expected gain" not in page


def test_the_limit_form_keeps_every_tick(ready: TestClient) -> None:
    ready.post("/preparations/1/variables", data={**HOLD, "name": "rest"})
    data = {"kind": "total_time", "variables": ["4"], "bound": "abc", "unit": "min"}
    page = ready.post("/preparations/1/limits", data=data).text
    assert re.search(r'name="variables" value="4" checked', page)
    assert not re.search(r'name="variables" value="1" checked', page)
    assert "<option selected>min</option>" in page


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/preparations/1/charge?size=5e-324", 422),
        ("/preparations/1/charge?mode=product&size=1e12&expected_yield=1e-300", 422),
        ("/preparations/1/charge?planned_runs=-3&size=1", 422),
        ("/preparations/1/runs/new?plan=zzz", 200),
        ("/?archived=zzz", 200),
        ("/preparations/1/proposal?purpose=zzz", 200),
        ("/preparations/1/effects?first=zzz&second=9", 200),
    ],
)
def test_odd_addresses_get_a_page_without_infinity(ready: TestClient, path: str, status: int) -> None:
    ready.post("/preparations/1/materials", data={"name": "s", "role": "solvent", "amount_kind": "mass", "amount": "1"})
    page = ready.get(path)
    assert page.status_code == status
    assert not re.search(r"\bnan\b|\binf\b", page.text, re.IGNORECASE)


@pytest.mark.parametrize("name", ["mass_²", "mass_" + "9" * 5000, "volume_x"])
def test_odd_names_of_as_weighed_fields_are_a_404(ready: TestClient, name: str) -> None:
    enter(ready)
    assert ready.post("/runs/1/weighed", data={name: "1"}).status_code == 404


@pytest.mark.parametrize(
    ("field", "value"), [("new_ground_percent", "5e-324"), ("balance_readability_g", "1e-300"), ("base_scale_mol", "1e-300")]
)
def test_tiny_numbers_are_refused_at_their_field(client: TestClient, field: str, value: str) -> None:
    page = client.post("/preparations", data={**PREPARATION, field: value})
    assert page.status_code == 422
    assert "too small" in page.text


def test_a_plan_that_breaks_a_later_limit_is_said_on_run_and_bench_sheet(ready: TestClient) -> None:
    ready.post("/preparations/1/planned-runs", data={"setting_1": "5", "setting_2": "120", "setting_3": "MgSO4"})
    ready.post("/preparations/1/limits", data={"kind": "total_time", "variables": ["1"], "bound": "3", "unit": "h"})
    assert "would break your limits" in ready.get("/runs/1").text
    assert "This plan breaks a limit" in ready.get("/runs/1/bench-sheet").text


PLAIN_PAGES = ("", "/effects", "/proposal", "/proposal?purpose=find_out", "/proposal?purpose=shorten", "/recipe")


def no_nonsense(page: Any) -> None:
    assert page.status_code == 200
    assert not re.search(r"\bnan\b|\binf\b|Traceback", page.text, re.IGNORECASE)


@pytest.mark.parametrize("path", PLAIN_PAGES)
def test_a_constant_yield_moves_nothing_and_says_so(ready: TestClient, path: str) -> None:
    for k in range(8):
        enter(ready, setting_1=str(1 + 0.5 * (k % 4)), setting_2=str(110 + 5 * (k % 3)), product_mass_g="7.0")
    page = ready.get(f"/preparations/1{path}")
    no_nonsense(page)
    assert "clear</" not in page.text


@pytest.mark.parametrize("path", PLAIN_PAGES)
def test_a_single_level_is_named_as_never_moved(ready: TestClient, path: str) -> None:
    for mass in ("7.0", "6.8", "7.3", "7.1"):
        enter(ready, product_mass_g=mass)
    page = ready.get(f"/preparations/1{path}")
    no_nonsense(page)
    if path == "/effects":
        for name in ("hold", "bath", "agent"):
            assert re.search(rf"{name}[^.]*(same|never|not been changed|was not moved)[^.]*\.", page.text), name


def test_identical_settings_with_different_yields_become_the_repeatability(ready: TestClient) -> None:
    for mass in ("5.0", "7.0"):
        enter(ready, product_mass_g=mass)
    enter(ready, setting_1="3", product_mass_g="6.0")
    page = ready.get("/preparations/1/effects")
    no_nonsense(page)
    # Two results d apart pool to d/√2: 20/√2 = 14.1 points.
    assert "Repeats scatter by 14.1 points" in page.text


@pytest.mark.parametrize("path", PLAIN_PAGES)
def test_a_choice_of_twelve_options_is_told_about(client: TestClient, path: str) -> None:
    client.post("/preparations", data=PREPARATION)
    client.post("/preparations/1/variables", data=HOLD)
    options = [f"agent {chr(65 + k)}" for k in range(12)]
    client.post("/preparations/1/variables", data={**AGENT, "choices": "\n".join(options), "base": options[0]})
    for k, option in enumerate(options):
        data = {"setting_1": str(0.5 + k / 2), "setting_2": option, "outcome": "yield", "product_mass_g": str(6 + 0.1 * (k % 5))}
        assert client.post("/preparations/1/runs", data=data).status_code == 200
    no_nonsense(client.get(f"/preparations/1{path}"))


def wait_for_the_fit(client: TestClient, path: str) -> Any:
    """Ask for a page of many runs, follow the progress to its end, and return the page itself."""
    page = client.get(path)
    if "Fitting the models" not in page.text:
        return page
    found = re.search(r'hx-get="(/work/[0-9a-f]{64})', page.text)
    assert found
    for _ in range(1200):
        part = client.get(found.group(1), headers={"HX-Request": "true"})
        if "HX-Redirect" in part.headers:
            return client.get(path)
        time.sleep(0.05)
    raise AssertionError("the fit did not end")


def test_five_hundred_runs_show_progress_and_then_have_pages(ready: TestClient) -> None:
    insert_runs(ready, 500)
    first = ready.get("/preparations/1")
    no_nonsense(first)
    assert "Fitting the models to 500 runs" in first.text
    for path in ("", "/effects", "/recipe"):
        page = wait_for_the_fit(ready, f"/preparations/1{path}")
        no_nonsense(page)
        assert "Fitting the models" not in page.text
    assert "500 runs" in ready.get("/preparations/1").text


def test_long_work_can_be_cancelled_and_started_again(ready: TestClient) -> None:
    insert_runs(ready, 200)
    page = ready.get("/preparations/1/effects")
    key = re.search(r"/work/([0-9a-f]{64})", page.text)
    assert key
    stopped = ready.post(f"/work/{key.group(1)}/cancel", data={"to": "/preparations/1/effects"})
    assert stopped.status_code == 200
    for _ in range(600):
        state = ready.get(f"/work/{key.group(1)}").text
        if "It was cancelled" in state:
            break
        time.sleep(0.05)
    assert "It was cancelled; nothing was changed" in ready.get("/preparations/1/effects").text
    again = ready.get("/preparations/1/effects?again=yes")
    assert "<progress" in again.text
    no_nonsense(wait_for_the_fit(ready, "/preparations/1/effects"))


@pytest.mark.parametrize("key", ["0" * 64, "x", "../etc"])
def test_odd_work_is_a_404(client: TestClient, key: str) -> None:
    assert client.get(f"/work/{key}").status_code == 404


def test_several_runs_are_planned_at_once(ready: TestClient) -> None:
    for k in range(4):
        enter(ready, setting_1=str(1 + k), product_mass_g=str(5 + k / 2))
    page = ready.get("/preparations/1/proposal?count=3")
    assert page.text.count('name="take"') == 3
    hidden = re.findall(r'name="(run_\d_setting_\d)" value="([^"]*)"', page.text)
    data = {**dict(hidden), "purpose": "raise", "count": "3", "take": ["1", "3"]}
    done = ready.post("/preparations/1/proposals", data=data)
    assert done.status_code == 200
    planned = [r for r in ready.get("/api/v1/preparations/1/runs").json() if r["state"] == "planned"]
    assert len(planned) == 2
    assert all(r["forecast"] for r in planned)
    first = {k.removeprefix("run_1_setting_"): v for k, v in hidden if k.startswith("run_1_")}
    assert float(planned[0]["settings"]["hold"]) == float(first["1"])
    refused = ready.post("/preparations/1/proposals", data={**data, "scale_mol": "-1"})
    assert refused.status_code == 422
    assert 'name="scale_mol" value="-1"' in refused.text
    ready.post("/preparations/1/proposals", data={**data, "scale_mol": "0.25", "take": ["2"]})
    planned = [r for r in ready.get("/api/v1/preparations/1/runs").json() if r["state"] == "planned"]
    assert [r["scale_mol"] for r in planned] == [None, None, 0.25]
    none = ready.post("/preparations/1/proposals", data={**data, "take": []})
    assert none.status_code == 422
    assert "Choose at least one run" in none.text


def test_the_worth_of_another_run_and_the_window_stand_on_their_pages(ready: TestClient) -> None:
    for k in range(5):
        enter(ready, setting_1=str(1 + k), product_mass_g=str(5 + k / 2))
    assert "Is another run worth its day?" in ready.get("/preparations/1/proposal").text
    recipe = ready.get("/preparations/1/recipe").text
    assert "how far they may drift" in recipe
    assert "Yield against holds" in recipe


def test_the_answers_about_deciding_are_in_the_api(ready: TestClient) -> None:
    for k in range(5):
        enter(ready, setting_1=str(1 + k), product_mass_g=str(5 + k / 2))
    base = "/api/v1/preparations/1"
    advice = ready.get(f"{base}/stop-advice").json()
    assert 0 <= advice["next_one"] <= advice["next_five"] <= advice["anywhere"] <= 1
    window = ready.get(f"{base}/tolerance").json()
    assert [v["variable"] for v in window["variables"]] == ["hold", "bath", "agent"]
    (front,) = ready.get(f"{base}/trade-offs").json()
    burdens = [p["burden"] for p in front["points"]]
    assert burdens == sorted(burdens)
    assert len(ready.get(f"{base}/proposals?count=3").json()) == 3
    assert ready.get(f"{base}/proposals?count=9").status_code == 422
    assert ready.get(f"{base}/forecast-record").json()["outcomes"] == []


def test_readings_lead_to_advice_on_the_bench_page(ready: TestClient) -> None:
    enter(ready)
    rows = "\n".join(f"{t} {80 * (1 - 2.718 ** (-t / 30)):.1f}" for t in range(5, 150, 10))
    data = {"series": "volume", "at_unit": "min", "rows": rows}
    page = ready.post("/runs/1/readings/import", data=data)
    assert page.status_code == 200
    assert "15 readings were added" in page.text
    assert "95 % of the plateau is reached after 90 min" in page.text
    # 30 min · ln 20 = 89.9 min.
    course = ready.get("/api/v1/runs/1/course").json()[0]
    assert course["to_95"]["value"] == pytest.approx(89.9 / 60, abs=0.05)
    listed = ready.get("/preparations/1/courses")
    assert "an activation energy needs two" in listed.text
    assert ready.get("/runs/1/readings.csv").text.count("\n") == 16


def test_a_refused_paste_keeps_every_row(ready: TestClient) -> None:
    enter(ready)
    page = ready.post("/runs/1/readings/import", data={"series": "volume", "at_unit": "min", "rows": "0 0\n10 five\n20 9"})
    assert page.status_code == 422
    assert "Row 2: “five” is not a number" in page.text
    assert "10 five" in page.text
    assert ready.get("/api/v1/runs/1/readings").json() == []


def test_a_loggers_file_is_read_and_a_picture_is_not(ready: TestClient) -> None:
    enter(ready)
    csv_file = {"file": ("log.csv", b"t;V\n0;0\n10;5,5\n20;9\n", "text/csv")}
    page = ready.post("/runs/1/readings/import", data={"series": "gas", "at_unit": "min"}, files=csv_file)
    assert "3 readings were added" in page.text
    # What is asked about stands in the box, where it can be looked at and changed.
    csv_file = {"file": ("log.csv", b"t;V\n30;11\n40;Overrange\n", "text/csv")}
    asked = ready.post("/runs/1/readings/import", data={"series": "gas", "at_unit": "min"}, files=csv_file)
    assert (asked.status_code, "40;Overrange" in asked.text) == (422, True)
    picture = {"file": ("p.png", b"\x89PNG\r\n\x1a\n\x00\x00\x00", "image/png")}
    refused = ready.post("/runs/1/readings/import", data={"series": "gas"}, files=picture)
    assert refused.status_code == 422
    assert "This file is no text" in refused.text


def test_a_reading_is_corrected_and_its_history_shown(ready: TestClient) -> None:
    enter(ready)
    ready.post("/runs/1/readings", data={"series": "volume", "value": "5", "at": "1", "at_kind": "elapsed"})
    page = ready.post("/readings/1", data={"value": "6", "at": "1:30", "at_kind": "elapsed", "at_unit": "h"})
    assert page.status_code == 200
    assert ready.get("/api/v1/runs/1/readings").json()[0]["at_h"] == 1.5
    assert "reading of volume collected corrected: time in h 1 → 1.5; value 5 → 6" in ready.get("/readings/1/edit").text
    bad = ready.post("/readings/1", data={"value": "-6", "at": "1:30", "at_kind": "elapsed", "at_unit": "h"})
    assert bad.status_code == 422
    assert 'value="-6"' in bad.text


def test_a_write_up_is_kept_and_downloaded(ready: TestClient) -> None:
    enter(ready)
    enter(ready, setting_1="3", product_mass_g="7.6")
    ready.post("/preparations/1/procedure", data={"stage_reaction": "Heat under reflux. <b>Stir</b>"})
    kept = ready.post("/preparations/1/write-ups", data={"scale_mol": ""})
    assert str(kept.url).endswith("/write-ups/1")
    assert "Heat under reflux. &lt;b&gt;Stir" in kept.text
    enter(ready, setting_1="4", product_mass_g="9.9")
    again = ready.get("/write-ups/1").text
    assert again.count("<td>finished</td>") == 2
    assert "From 2 runs that count" in again
    assert "From 3 runs that count" in ready.get("/preparations/1/write-up").text
    markdown = ready.get("/write-ups/1/file.md")
    assert markdown.headers["content-disposition"] == 'attachment; filename="ester-v1.md"'
    assert markdown.text.startswith("# Ester\n\nVersion 1")
    page = ready.get("/write-ups/1/file.html").text
    assert page.startswith("<!doctype html>")
    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    assert ready.post("/preparations/1/write-ups", data={"scale_mol": "-1"}).status_code == 422
    assert ready.get("/preparations/1/write-up?scale_mol=much").status_code == 422


def test_a_photo_is_attached_and_served_as_nothing_but_a_photo(ready: TestClient) -> None:
    enter(ready)
    png = b"\x89PNG\r\n\x1a\n" + bytes(20)
    page = ready.post("/runs/1/attachments", files={"file": ("plate 1.png", png, "text/html")})
    assert '<img src="/attachments/1" alt="plate 1.png"' in page.text
    served = ready.get("/attachments/1")
    assert served.content == png
    assert served.headers["content-type"] == "image/png"
    assert served.headers["x-content-type-options"] == "nosniff"
    assert served.headers["content-security-policy"] == "default-src 'none'; sandbox"
    evil = ready.post("/runs/1/attachments", files={"file": ("x.html", b"<script>alert(1)</script>", "text/html")})
    assert evil.status_code == 200
    text = ready.get("/attachments/2")
    assert text.headers["content-type"].startswith("text/plain")
    assert text.headers["content-disposition"].startswith("attachment")
    refused = ready.post("/runs/1/attachments", files={"file": ("x.exe", b"MZ\x90\x00\x03", "image/png")})
    assert refused.status_code == 422
    assert "This kind of file is not taken" in refused.text
    assert ready.post("/attachments/1/delete").status_code == 200
    assert ready.get("/attachments/1").status_code == 404


def test_a_new_preparation_is_started_from_another(ready: TestClient) -> None:
    enter(ready)
    page = ready.post("/preparations/1/duplicate")
    assert str(page.url).endswith("/preparations/2/edit")
    assert 'value="Ester, 2"' in page.text
    assert ready.get("/api/v1/preparations/2/runs").json() == []
    assert len(ready.get("/api/v1/preparations/2/variables").json()) == 3


def test_storing_does_not_wait_for_somebody_elses_thinking(ready: TestClient) -> None:
    # Refused and drawn again with heavy parts; meanwhile another writer gets through at once.
    for k in range(4):
        enter(ready, setting_1=str(1 + k), product_mass_g=str(5 + k / 2))
    seen = []

    def slow(*_: Any, **__: Any) -> Any:
        seen.append(enter(ready, setting_1="2.5").status_code)
        return ""

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("server.services.decisions.Decisions.verdict", slow)
        ready.post("/preparations/1/proposal", data={"setting_1": "x", "purpose": "raise"})
    assert seen == [200]


def test_the_same_tick_twice_plans_one_run_and_more_than_eight_are_refused(ready: TestClient) -> None:
    for k in range(4):
        enter(ready, setting_1=str(1 + k), product_mass_g=str(5 + k / 2))
    run = {"setting_1": "2.5", "setting_2": "125", "setting_3": "MgSO4"}
    data = {f"run_{n}_{key}": value for n in range(12) for key, value in run.items()}
    ready.post("/preparations/1/proposals", data={**data, "purpose": "raise", "take": ["1", "1", "1"]})
    assert stored_runs(ready) == 5
    many = ready.post("/preparations/1/proposals", data={**data, "purpose": "raise", "take": [str(n) for n in range(12)]})
    assert many.status_code == 422
    assert "at most 8" in many.text


def test_a_large_paste_is_taken_and_its_typing_kept_when_refused(ready: TestClient) -> None:
    enter(ready)
    rows = "\n".join(f"{k} {k % 90}" for k in range(120_000)) + "\n5 oops"
    page = ready.post("/runs/1/readings/import", data={"series": "volume", "at_unit": "s", "rows": rows}, files={"x": b""})
    assert page.status_code == 422
    assert "Row 120001" in page.text
    assert "5 oops" in page.text


@pytest.mark.parametrize(
    ("to", "count"),
    [("//evil.example", 131), ("https://evil.example", 132), ("/\\evil.example", 133)],
    ids=["slashes", "full", "back"],
)
def test_progress_leads_to_no_other_site(ready: TestClient, to: str, count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    insert_runs(ready, count)  # different runs each time: a fit that is stored already shows no progress
    page = ready.get("/preparations/1/proposal?count=3&purpose=find_out")
    found = re.search(r'hx-get="(/work/[0-9a-f]{64})\?to=([^"]+)"', page.text)
    assert found
    assert "count%3D3" in found.group(2)
    ready.post(f"{found.group(1)}/cancel", data={"to": to}, follow_redirects=False)
    answer = ready.post(f"{found.group(1)}/cancel", data={"to": to}, follow_redirects=False)
    assert answer.headers["location"] == "/"
    # Nor does the page that shows progress, once the work is done. What was cancelled ends in its own time.
    work = WORKSHOP.find(found.group(1).removeprefix("/work/"))
    assert work is not None
    for _ in range(1200):
        if work.state != "working":
            break
        time.sleep(0.1)
    monkeypatch.setattr(work, "state", "done")
    shown = ready.get(f"{found.group(1)}?{urlencode({'to': to})}", follow_redirects=False)
    assert shown.headers["location"] == "/"


@pytest.mark.parametrize("day", ["0", "1699920000", "20260331", "2026-03-31T10:00:00", "2026-02-30"])
def test_only_a_written_day_is_a_day(client: TestClient, day: str) -> None:
    page = client.post("/preparations", data={**PREPARATION, "finish_by": day})
    assert page.status_code == 422
    assert "year-month-day" in page.text
    assert f'value="{day}"' in page.text


def test_a_forecast_without_variables_is_a_sentence_in_its_place(client: TestClient) -> None:
    client.post("/preparations", data=PREPARATION)
    part = client.get("/preparations/1/forecast?setting_1=abc", headers={"HX-Request": "true"})
    assert "<html" not in part.text
    assert "Add at least one variable" in part.text
    refused = client.post("/preparations/1/proposal", data={"purpose": "raise"})
    assert refused.status_code == 422
    assert client.get("/api/v1/preparations/1/runs").json() == []


def test_a_download_has_the_scale_that_was_asked_for(ready: TestClient) -> None:
    enter(ready)
    ready.post("/preparations/1/materials", data={"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount": "1"})
    page = ready.get("/preparations/1/write-up?scale_mol=1000000").text
    link = re.search(r'href="(/preparations/1/write-up\.md[^"]*)"', page)
    assert link
    assert "Scale: 1000000 mol" in ready.get(link.group(1).replace("&amp;", "&")).text


def test_markdown_keeps_no_live_link(ready: TestClient) -> None:
    enter(ready)
    ready.post("/preparations/1/procedure", data={"stage_reaction": "See [here](javascript:alert(1)) ![x](http://evil/x.png)"})
    text = ready.get("/preparations/1/write-up.md").text
    assert "\\[here\\](javascript" in text
    assert "![x]" not in text
    # Its table of runs has the headings of the page.
    assert "| Run | Yield | State | hold |" in text


TABLE = "hold;bath;agent;yield %;date\n1;120;MgSO4;50;2026-03-01\n2;warm;MgSO4;60;2026-03-02\n2;125;epsom;60,5;3/4/2026\n"
IMPORT = "/preparations/1/runs/import"


def kept_of(page: str) -> dict[str, str]:
    """All fields of the page's last form as a browser would post them, boxes not ticked."""
    form = page.rsplit("<form", 1)[1]
    fields = {
        m[0]: html.unescape(m[1])
        for m in re.findall(r'<input(?![^>]*type="checkbox")[^>]*name="([^"]+)"[^>]*value="([^"]*)"', form)
    }
    for name, options in re.findall(r'<select[^>]*name="([^"]+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected', options)
        fields[html.unescape(name)] = html.unescape(chosen[1]) if chosen else ""
    return fields


def test_the_year_of_days_without_one_is_said_on_the_page(ready: TestClient) -> None:
    rows = "hold\tbath\tagent\tyield %\tdate\n2\t120\tMgSO4\t50\t14.3.\n2.5\t120\tMgSO4\t55\t15.3."
    first = ready.post(IMPORT, data={"action": "read", "rows": rows})
    assert "Days without a year are of" in first.text
    fields = kept_of(first.text)
    wrong = ready.post(IMPORT, data={**fields, "day_year": "25", "action": "check"})
    assert "Enter a year with four digits." in wrong.text
    checked = ready.post(IMPORT, data={**fields, "day_year": "2025", "action": "check"})
    assert ready.post(IMPORT, data={**kept_of(checked.text), "action": "store"}).status_code == 200
    assert [r["made_on"] for r in ready.get("/api/v1/preparations/1/runs").json()] == ["2025-03-14", "2025-03-15"]


def test_past_runs_come_out_of_a_pasted_table(ready: TestClient) -> None:
    assert "Paste the table" in ready.get(IMPORT).text
    first = ready.post(IMPORT, data={"action": "read", "rows": TABLE})
    assert first.status_code == 200
    assert "1 of 3 can be stored" in first.text
    assert "“warm” is not a number" in first.text
    assert "may have the day or the month first" in first.text
    assert stored_runs(ready) == 0
    fields = kept_of(first.text)
    assert fields["column_3"] == "v3"
    fields |= {"day_order": "day_first", "word_3:epsom": "MgSO4"}
    second = ready.post(IMPORT, data={**fields, "action": "check"})
    assert "2 of 3 can be stored" in second.text
    # What will be asked stands there before it is asked.
    assert "<strong>Leave out 1 row with a problem</strong>" in second.text
    third = ready.post(IMPORT, data={**kept_of(second.text), "action": "store"})
    assert third.status_code == 422
    assert "Leave out 1 row with a problem" in third.text
    assert stored_runs(ready) == 0
    done = ready.post(IMPORT, data={**kept_of(third.text), "action": "store", "confirm": "skip_bad"})
    assert done.status_code == 200
    assert "2 runs, 1 to 2, were brought in. Left out: row 3 (bath: “warm” is not a number." in html.unescape(done.text)
    assert [r["made_on"] for r in ready.get("/api/v1/preparations/1/runs").json()] == ["2026-03-01", "2026-04-03"]


def test_a_column_with_two_meanings_keeps_what_was_chosen(ready: TestClient) -> None:
    fields = kept_of(ready.post(IMPORT, data={"action": "read", "rows": TABLE}).text)
    answer = ready.post(IMPORT, data={**fields, "column_2": "v1", "action": "check"})
    assert answer.status_code == 422
    assert "Columns 1 and 2 cannot both be “hold”" in html.unescape(answer.text)
    assert kept_of(answer.text)["column_2"] == "v1"


def test_another_heading_row_is_looked_at_anew(ready: TestClient) -> None:
    fields = kept_of(ready.post(IMPORT, data={"action": "read", "rows": "group 4;x\n" + TABLE}).text)
    assert fields["heading_row"] == "2"
    answer = ready.post(IMPORT, data={**fields, "heading_row": "0", "action": "check"})
    assert kept_of(answer.text)["column_1"] == ""
    assert "No headings were found" in answer.text
    back = ready.post(IMPORT, data={**kept_of(answer.text), "heading_row": "2", "action": "check"})
    assert kept_of(back.text)["column_1"] == "v1"
    wrong = ready.post(IMPORT, data={**fields, "heading_row": "two", "action": "check"})
    assert wrong.status_code == 422
    assert kept_of(wrong.text)["kept"] == fields["kept"]
    assert kept_of(wrong.text)["heading_row"] == "two"
    assert kept_of(wrong.text)["column_1"] == "v1"
    assert "Enter the number of a row" in wrong.text


def test_rows_that_are_read_differently_are_shown_before_they_are_stored(ready: TestClient) -> None:
    rows = "hold;bath;agent;yield\n2;120;MgSO4;50\n3;125;MgSO4;60\n"
    fields = kept_of(ready.post(IMPORT, data={"action": "read", "rows": rows}).text)
    answer = ready.post(IMPORT, data={**fields, "unit_1": "d", "action": "store", "confirm": "outside_limits"})
    assert answer.status_code == 409
    assert "The rows are read differently now" in answer.text
    assert stored_runs(ready) == 0
    assert ready.post(IMPORT, data={**kept_of(answer.text), "unit_1": "h", "action": "check"}).status_code == 200


def test_rows_that_look_like_stored_runs_are_stored_when_told_so(ready: TestClient) -> None:
    rows = "hold;bath;agent;yield\n2;120;MgSO4;50\n"
    fields = kept_of(ready.post(IMPORT, data={"action": "read", "rows": rows}).text)
    assert ready.post(IMPORT, data={**fields, "action": "store"}).status_code == 200
    again = ready.post(IMPORT, data={"action": "read", "rows": rows})
    assert "looks the same as run 1" in again.text
    assert 'value="again"' in again.text
    assert 'value="summaries"' not in again.text
    told = ready.post(IMPORT, data={**kept_of(again.text), "action": "check", "confirm": "again"})
    assert "1 of 1 can be stored" in told.text
    assert ready.post(IMPORT, data={**kept_of(told.text), "action": "store"}).status_code == 200
    assert stored_runs(ready) == 2


def test_the_base_recipe_does_not_fill_cells_of_a_column_that_was_found_later(ready: TestClient) -> None:
    rows = "hold;oil;agent;yield\n2;140;MgSO4;50\n3;;MgSO4;60\n"
    first = ready.post(IMPORT, data={"action": "read", "rows": rows})
    fields = kept_of(first.text)
    assert fields["default_2"] == "120"
    second = ready.post(IMPORT, data={**fields, "column_2": "v2", "action": "check"})
    assert kept_of(second.text)["default_2"] == ""
    assert "1 of 2 can be stored" in second.text
    # What the chemist enters there counts, and is said beside the row.
    third = ready.post(IMPORT, data={**kept_of(second.text), "default_2": "135", "action": "check"})
    assert "2 of 2 can be stored" in third.text
    assert "stored, bath as entered above" in third.text


def test_a_unit_counts_for_the_meaning_that_it_was_chosen_for(ready: TestClient) -> None:
    rows = "hold;bath;agent;yield;mass\n2;120;MgSO4;50;5\n"
    fields = kept_of(ready.post(IMPORT, data={"action": "read", "rows": rows}).text)
    answer = ready.post(IMPORT, data={**fields, "column_5": "", "column_1": "", "action": "check"})
    assert answer.status_code == 200
    moved = ready.post(IMPORT, data={**fields, "column_1": "", "column_5": "v1", "action": "check"})
    assert moved.status_code == 200
    assert kept_of(moved.text)["unit_5"] == "h"


def test_a_file_that_is_no_table_keeps_what_was_pasted(ready: TestClient) -> None:
    answer = ready.post(IMPORT, data={"action": "read", "rows": "typed"}, files={"file": ("a.xlsx", b"PK\x03\x04 broken")})
    assert answer.status_code == 422
    assert "This workbook cannot be read" in answer.text
    assert ">typed</textarea>" in answer.text
    empty = ready.post(IMPORT, data={"action": "read", "rows": " "})
    assert "There is no table yet" in empty.text


def test_a_table_needs_variables_first(client: TestClient) -> None:
    client.post("/preparations", data=PREPARATION)
    assert "Add the first variable" in client.get(IMPORT).text


def test_all_runs_are_offered_as_a_table(ready: TestClient) -> None:
    enter(ready, notes="=HYPERLINK(1)")
    answer = ready.get("/preparations/1/runs.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    lines = answer.text.lstrip("\ufeff").splitlines()
    assert lines[0].startswith("run number,state,hold / h,bath / °C,agent,yield / %")
    assert lines[1].startswith("1,finished,2,120,MgSO4,71,")
    assert "'=HYPERLINK(1)" in lines[1]


def test_scripts_bring_in_tables_as_cells(ready: TestClient) -> None:
    rows = [["hold", "bath", "agent", "yield"], [1, 120, "MgSO4", 50], [2, 125, "MgSO4", None]]
    asked = ready.post("/api/v1/preparations/1/runs/import", json={"rows": rows})
    assert asked.status_code == 422
    assert asked.json()["confirm"] == "skip_bad"
    huge = ready.post("/api/v1/preparations/1/runs/import", json={"rows": [rows[0], [10**400, 120, "MgSO4", 50]]})
    assert huge.status_code == 422
    answer = ready.post("/api/v1/preparations/1/runs/import", json={"rows": rows, "confirm": ["skip_bad"]})
    assert answer.status_code == 201
    assert answer.json()["numbers"] == [1]
    assert answer.json()["left_out"][0]["row"] == 3


@pytest.mark.parametrize(
    ("edit", "address", "field", "first", "second"),
    [
        ("/preparations/1/edit", "/preparations/1", "aim_percent", "80", "90"),
        ("/variables/1/edit", "/variables/1", "base", "3", "4"),
        ("/materials/1/edit", "/materials/1", "purity_percent", "97", "98"),
    ],
)
def test_two_open_forms_do_not_overwrite_each_other(
    ready: TestClient, edit: str, address: str, field: str, first: str, second: str
) -> None:
    material = {"name": "alcohol", "role": "reagent", "formula": "C5H12O"}
    assert ready.post("/preparations/1/materials", data=material).status_code == 200
    opened = kept_of(ready.get(edit).text)
    assert opened["seen"]
    typed = {k: v for k, v in opened.items() if k != "confirm"}
    if address == "/variables/1":
        typed = {**HOLD, "seen": opened["seen"]}
    assert ready.post(address, data={**typed, field: first}).status_code == 200
    late = ready.post(address, data={**typed, field: second})
    assert late.status_code == 409
    assert "was changed elsewhere since this form was opened" in late.text
    again = kept_of(late.text)
    assert again[field] == second
    assert ready.post(address, data={**typed, field: second, "seen": again["seen"]}).status_code == 200


def test_a_refused_change_is_no_change_by_someone_else(ready: TestClient) -> None:
    opened = kept_of(ready.get("/variables/1/edit").text)
    wrong = ready.post("/variables/1", data={**HOLD, "seen": opened["seen"], "low": "9"})
    assert wrong.status_code == 422
    seen = kept_of(wrong.text)["seen"]
    assert seen == opened["seen"]
    assert ready.post("/variables/1", data={**HOLD, "seen": seen, "base": "3"}).status_code == 200


def test_settings_can_be_corrected_to_what_was_weighed(ready: TestClient) -> None:
    ready.post("/preparations/1", data={**PREPARATION, "base_scale_mol": "0.2"})
    ratio = {"name": "ratio", "role": "ratio", "low": "1", "high": "3", "base": "2", "step": "0.5", "stage": "reaction"}
    assert ready.post("/preparations/1/variables", data=ratio).status_code == 200
    alcohol = {"name": "alcohol", "role": "reagent", "amount_kind": "equivalents", "amount": "1", "formula": "C5H12O"}
    for material in (alcohol, {**alcohol, "name": "acid", "formula": "C2H4O2", "ratio_variable_id": "4"}):
        assert ready.post("/preparations/1/materials", data=material).status_code == 200
    enter(ready, setting_4="2", scale_mol="0.2")
    assert "As weighed" not in ready.get("/runs/1").text
    page = ready.post("/runs/1/weighed", data={"mass_1": "16.0", "mass_2": "21.0"})
    assert "As weighed, ratio was 1.927, not 2: worked out from acid and alcohol. The models use 2 until" in page.text
    # The form for corrections starts from what is stored unless the as-weighed value is asked for.
    assert 'name="setting_4" value="2"' in ready.get("/runs/1/edit").text
    form = ready.get("/runs/1/edit?as_weighed=true").text
    assert 'name="setting_4" value="1.927"' in form
    assert "as weighed: 1.927" in form
    ready.post("/runs/1", data={**RUN, "setting_4": "1.927"})
    assert "As weighed, ratio" not in ready.get("/runs/1").text
    # A run under way has no result yet, so its form starts from what was weighed.
    planned = {k: v for k, v in RUN.items() if k.startswith("setting_")}
    ready.post("/preparations/1/planned-runs", data={**planned, "setting_4": "2", "scale_mol": "0.2"})
    page = ready.post("/runs/2/weighed", data={"mass_1": "16.0", "mass_2": "21.0"})
    assert "The form for the result will start from 1.927" in page.text
    assert 'name="setting_4" value="1.927"' in ready.get("/runs/2/edit").text


def test_a_unit_that_was_chosen_for_a_column_stays_chosen(ready: TestClient) -> None:
    ratio = {"name": "acid", "role": "ratio", "unit": "eq", "low": 1, "high": 3, "base": 2}
    assert ready.post("/api/v1/preparations/1/variables", json=ratio).status_code == 201
    rows = "hold (x);bath;agent;acid (mol-eq.);yield\n2;120;MgSO4;2;50\n"
    first = ready.post(IMPORT, data={"action": "read", "rows": rows})
    fields = {**kept_of(first.text), "column_1": "v1", "column_4": "v4"}
    asked = ready.post(IMPORT, data={**fields, "action": "check"})
    assert "0 of 1 can be stored" in asked.text
    fields = {**kept_of(asked.text), "unit_1": "h", "unit_4": "eq"}
    checked = ready.post(IMPORT, data={**fields, "action": "check"})
    assert "1 of 1 can be stored" in checked.text
    # What the page itself offers next is enough: every select that decides something is still there.
    again = kept_of(checked.text)
    assert (again["unit_1"], again["unit_4"]) == ("h", "eq")
    assert ready.post(IMPORT, data={**again, "action": "store"}).status_code == 200
    assert stored_runs(ready) == 1


@pytest.mark.parametrize("unit", ["equiv", "equiv.", "eq", "Equivalents"])
def test_words_for_equivalents_are_understood_in_headings(ready: TestClient, unit: str) -> None:
    ratio = {"name": "acid", "role": "ratio", "unit": "eq", "low": 1, "high": 3, "base": 2}
    assert ready.post("/api/v1/preparations/1/variables", json=ratio).status_code == 201
    page = ready.post(IMPORT, data={"action": "read", "rows": f"hold;bath;agent;acid ({unit});yield\n2;120;MgSO4;2.5;50\n"})
    assert "1 of 1 can be stored" in page.text
    assert "2.5 eq" in page.text


def test_a_variable_whose_column_was_not_recognised_is_not_said_to_be_missing(ready: TestClient) -> None:
    page = ready.post(IMPORT, data={"action": "read", "rows": "cooking;bath;agent;yield\n3;120;MgSO4;50\n"})
    assert "No column was taken for hold, but these columns are left out: cooking." in page.text
    assert "Not in the table" not in page.text


def test_a_proposal_at_another_scale_says_what_it_takes(ready: TestClient) -> None:
    preparation = {"name": "Ester", "product_formula": "C7H14O2", "base_scale_mol": 0.1}
    assert ready.put("/api/v1/preparations/1", json=preparation).status_code == 200
    water = {"name": "water", "role": "other", "formula": "H2O"}
    assert ready.post("/api/v1/preparations/1/materials", json=water).status_code == 201
    query = {"setting_1": "2", "setting_2": "120", "setting_3": "MgSO4"}
    assert "Takes 1.80 g water" in ready.get("/preparations/1/forecast", params=query).text
    assert "Takes 3.60 g water" in ready.get("/preparations/1/forecast", params={**query, "scale_mol": "0.2"}).text


def test_what_was_kept_above_100_is_not_asked_again_for_another_correction(ready: TestClient) -> None:
    assert enter(ready, product_mass_g="10.6", confirm="yield_above_100").status_code == 200
    kept = {**RUN, "product_mass_g": "10.6", "notes": "not dry"}
    assert ready.post("/runs/1", data=kept).status_code == 200
    assert ready.post("/runs/1", data={**kept, "product_mass_g": "10.9"}).status_code == 422
    assert "check masses, purity and drying of run 1" in ready.get("/preparations/1").text
    history = ready.get("/runs/1").text.split("History of this run")[1]
    assert "notes – → not dry" in history
    assert "None" not in history


def test_search_knows_the_case_of_all_letters(client: TestClient) -> None:
    client.post("/api/v1/preparations", json={"name": "ÄtherX\nzwei"})
    for wanted in ("ätherx", "ÄTHER", "x ZWEI"):
        found = client.get("/api/v1/preparations", params={"search": wanted}).json()
        assert [p["name"] for p in found] == ["ÄtherX zwei"]


def test_a_day_in_the_future_is_refused(ready: TestClient) -> None:
    page = enter(ready, made_on="2999-01-01")
    assert page.status_code == 422
    assert "lies in the future" in page.text


def test_half_a_surrogate_pair_is_answered(ready: TestClient) -> None:
    content = b'{"settings": {"1": 2, "2": 120, "3": "\\\\ud800"}, "yield_percent": 50}'.replace(b"\\\\", b"\\")
    answer = ready.post("/api/v1/preparations/1/runs", content=content, headers={"content-type": "application/json"})
    assert answer.status_code == 422
    assert "is not an option of agent" in answer.text


def test_a_procedure_that_was_changed_in_another_tab_is_not_overwritten(ready: TestClient) -> None:
    enter(ready)
    page = ready.get("/preparations/1/write-up").text
    (seen,) = re.findall(r'name="seen" value="([^"]*)"', page)
    assert ready.post("/preparations/1/procedure", data={"seen": seen, "stage_reaction": "heat"}).status_code == 200
    late = ready.post("/preparations/1/procedure", data={"seen": seen, "stage_reaction": "cool"})
    assert late.status_code == 409
    assert ">cool</textarea>" in late.text
    assert "heat" in ready.get("/preparations/1/write-up").text


def test_the_day_of_a_started_run_is_offered(ready: TestClient) -> None:
    planned = ready.post("/api/v1/preparations/1/planned-runs", json={"settings": {"1": 2, "2": 120, "3": "MgSO4"}}).json()
    ready.post(f"/runs/{planned['id']}/start")
    today = datetime.now().astimezone().date().isoformat()
    assert f'name="made_on" value="{today}"' in ready.get(f"/runs/{planned['id']}/edit").text


def test_an_option_is_known_in_any_letters(ready: TestClient) -> None:
    line = {"name": "salt", "role": "drying_agent", "amount_kind": "mass", "choice_variable_id": 3, "choice": "mgso4"}
    assert ready.post("/api/v1/preparations/1/materials", json=line).json()["choice"] == "MgSO4"


def test_only_the_latest_yes_to_a_question_is_kept(ready: TestClient) -> None:
    given: list[str] = []
    for mass in ("10.4", "10.5", "10.6"):
        page = ready.post("/preparations/1/runs", data={**RUN, "product_mass_g": mass, "confirm": given})
        given = [*answers_of(page.text, "hidden"), *answers_of(page.text, "checkbox")]
        assert len(given) == 1


def test_words_in_a_column_of_numbers_get_a_number(ready: TestClient) -> None:
    rows = "hold;bath;agent;yield;day\novernight;120;MgSO4;50;Mon 2nd March 26\n2;120;MgSO4;60;3 Mar 2026\n"
    first = ready.post(IMPORT, data={"action": "read", "rows": rows})
    assert "1 of 2 can be stored" in first.text
    assert "“overnight” in hold means (in h)" in first.text
    fields = kept_of(first.text)
    told = ready.post(IMPORT, data={**fields, "word_1:overnight": "5.5", "action": "check"})
    assert "2 of 2 can be stored" in told.text
    assert 'value="5.5"' in told.text
    assert "2026-03-02" in told.text
    timed = ready.post(IMPORT, data={**fields, "word_1:overnight": "330 min", "action": "check"})
    assert "2 of 2 can be stored" in timed.text
    wrong = ready.post(IMPORT, data={**fields, "word_1:overnight": "long", "action": "check"})
    assert "means long, but" in wrong.text


def test_earlier_runs_outside_new_limits_are_named(ready: TestClient) -> None:
    enter(ready)
    assert "made outside the limits" not in ready.get("/preparations/1/setup").text
    rule = {"kind": "linear", "coefficients": {"1": 1}, "bound": 1.5}
    assert ready.post("/api/v1/preparations/1/limits", json=rule).status_code == 201
    assert "Run 1 was made outside the limits as they are now" in ready.get("/preparations/1/setup").text
    rule = {"kind": "linear", "coefficients": {"2": -1}, "bound": -105}
    assert ready.post("/api/v1/preparations/1/limits", json=rule).json()["text"] == "bath at least 105 °C"


def test_a_volume_at_another_scale_is_said_in_both(ready: TestClient) -> None:
    wash = {"name": "wash", "role": "volume", "unit": "mL", "low": 5, "high": 50, "base": 10}
    assert ready.post("/api/v1/preparations/1/variables", json=wash).status_code == 201
    assert ready.put(
        "/api/v1/preparations/1", json={"name": "Ester", "theoretical_yield_g": 10, "base_scale_mol": 0.1}
    ).is_success
    plan = {"settings": {"1": 2, "2": 120, "3": "MgSO4", "4": 10}, "scale_mol": 0.2}
    run = ready.post("/api/v1/preparations/1/planned-runs", json=plan).json()
    assert "20 mL (10 mL at the base scale)" in ready.get(f"/runs/{run['id']}/bench-sheet").text
    history = ready.post(f"/runs/{run['id']}/state", data={"state": "abandoned"}).text.split("History of this run")[1]
    assert "run abandoned; state planned → abandoned" in history
    # Volumes per gram do not grow.
    assert ready.put("/api/v1/variables/4", json={**wash, "unit": "mL/g", "confirm": ["keep_numbers"]}).is_success
    assert "at the base scale" not in ready.get(f"/runs/{run['id']}/bench-sheet").text


def test_the_history_says_what_a_removed_reading_was(ready: TestClient) -> None:
    enter(ready)
    body = {"series": "product", "value": 37.5, "unit": "%", "at_kind": "elapsed", "at": "1.5"}
    reading = ready.post("/api/v1/runs/1/readings", json=body).json()
    ready.post(f"/readings/{reading['id']}/delete")
    history = ready.get("/runs/1").text.split("History of this run")[1]
    assert "reading of product removed; time in h was 1.5; value was 37.5" in history


def test_a_photo_is_asked_for_again_only_when_it_changed(ready: TestClient) -> None:
    enter(ready)
    ready.post("/runs/1/attachments", files={"file": ("note.txt", b"two layers")})
    first = ready.get("/attachments/1")
    again = ready.get("/attachments/1", headers={"If-None-Match": first.headers["etag"]})
    assert (first.status_code, again.status_code) == (200, 304)
    for name in ("content-security-policy", "cache-control"):
        assert first.headers[name] == again.headers[name]


def test_why_the_best_run_is_no_recipe_is_said(ready: TestClient) -> None:
    enter(ready, product_mass_g="5")
    enter(ready, setting_1="3", product_mass_g="9")
    rule = {"kind": "linear", "coefficients": {"1": 1}, "bound": 2.5}
    assert ready.post("/api/v1/preparations/1/limits", json=rule).status_code == 201
    assert "Run 2 lies outside your limits as they are now." in ready.get("/preparations/1").text


def test_a_curve_says_where_a_rule_forbids_it(ready: TestClient) -> None:
    for hold, bath, mass in (("1", "110", "5"), ("2", "120", "6"), ("3", "110", "7"), ("4", "130", "8")):
        enter(ready, setting_1=hold, setting_2=bath, setting_3="MgSO4", product_mass_g=mass)
    before = ready.get("/preparations/1/effects").text
    assert "Not allowed" not in before
    assert "The curves come from the runs alone" in before
    rule = {"kind": "option_range", "variable": 3, "choice": "MgSO4", "partner": 2, "high": 132}
    assert ready.post("/api/v1/preparations/1/limits", json=rule).status_code == 201
    page = ready.get("/preparations/1/effects").text
    assert re.search(r"Not allowed with the other settings of the working recipe: above 132 °C \(“[^”]+”\)\.", page)


def test_stage_by_stage_shows_shares_and_can_be_switched_off(ready: TestClient) -> None:
    assert "at least 3 runs" in ready.get("/preparations/1/stages").text
    for k, (hold, agent, made, kept) in enumerate((("1", "MgSO4", 60, 54), ("2", "Na2SO4", 70, 60), ("4", "MgSO4", 90, 81))):
        enter(ready, setting_1=hold, setting_3=agent, product_mass_g=str(kept / 10))
        ready.post(f"/runs/{k + 1}/checkpoints", data={"name": "crude", "stage": "reaction", "mass_g": str(made / 10)})
    page = ready.get("/preparations/1/stages")
    assert re.search(r'<th scope="col">Run</th>(<th scope="col" class="num">[^<]+ / %</th>){2,}', page.text)
    assert "Most is lost in the reaction" in page.text
    assert "takes 4 runs that were weighed" in page.text
    assert "at the end of reaction (3 runs), and isolated (3 runs)." in page.text
    enter(ready, setting_1="3", product_mass_g="5")
    ready.post("/runs/4/checkpoints", data={"name": "dried", "stage": "drying", "mass_g": "5.2"})
    fourth = ready.get("/preparations/1/stages").text
    assert "at the end of reaction (3 runs), and isolated (4 runs)." in fourth
    assert "The checkpoint of run 4 at the end of the drying is not in the picture" in fourth
    ready.post("/runs/4/exclude", data={"reason": "wet"})
    assert re.search(r"Most is lost in the reaction[^<]+<a href=\"/preparations/1/stages\">", ready.get("/preparations/1").text)
    # Run 2 is crossed with run 3, the best, both ways; runs 1 and 3 share the agent.
    assert "At present 2 such values stand beside the runs." in page.text
    assert "of the weight" in page.text
    # Run 3's reaction, 90 %, with run 2's work-up, 60/70, is less than run 3's 81 %; run 1's kept as much as run 3's.
    assert "Two runs put together" not in page.text
    off = ready.post("/preparations/1/stages", data={})
    assert str(off.url).endswith("/preparations/1/stages")
    assert "At present they are switched off." in off.text
    assert "At present 2 such values" in ready.post("/preparations/1/stages", data={"use": "yes"}).text


def test_a_cross_of_two_runs_leads_to_its_forecast(ready: TestClient) -> None:
    for k, (hold, agent, made, kept) in enumerate((("1", "MgSO4", 60, 58), ("2", "Na2SO4", 70, 50), ("4", "Na2SO4", 90, 65))):
        enter(ready, setting_1=hold, setting_3=agent, product_mass_g=str(kept / 10))
        ready.post(f"/runs/{k + 1}/checkpoints", data={"name": "crude", "stage": "reaction", "mass_g": str(made / 10)})
    page = ready.get("/preparations/1/stages").text
    # 90 % · 58/60 = 87 %.
    assert re.search(r"as in run 3, from then on as in run 1: their checkpoints imply 87 %", page)
    address = re.search(r'href="(/preparations/1/forecast\?[^"]+purpose=raise)"', page)
    assert address is not None
    forecast = ready.get(address[1].replace("&amp;", "&"))
    assert forecast.status_code == 200
    assert re.search(r'<option value="MgSO4"[^>]*selected', forecast.text)


def test_the_content_of_a_checkpoint_has_to_be_said(ready: TestClient) -> None:
    enter(ready)
    typed = {"name": "crude", "stage": "reaction", "mass_g": "8.125", "purity_percent": ""}
    page = ready.post("/runs/1/checkpoints", data=typed)
    assert page.status_code == 422
    assert re.search(r'<small class="error" id="e-purity_percent">[^<]+</small>', page.text)
    assert 'value="8.125"' in page.text
    assert ready.get("/api/v1/runs/1/checkpoints").json() == []
    ready.post("/runs/1/checkpoints", data={**typed, "purity_percent": "80"})
    assert ready.get("/api/v1/runs/1/checkpoints").json()[0]["purity_percent"] == 80


def test_a_checkpoint_is_corrected_where_it_stands(ready: TestClient) -> None:
    enter(ready)
    typed = {"name": "crude", "stage": "reaction", "kind": "product", "mass_g": "8.125", "purity_percent": "80"}
    ready.post("/runs/1/checkpoints", data=typed)
    form = ready.get("/checkpoints/1/edit").text
    assert "<summary>Correct crude</summary>" in form
    assert 'value="8.125"' in form
    seen = re.search(r'name="seen" value="([0-9a-f]+)"', form)
    assert seen is not None
    # More product than the 10 g of theory: kept after a yes, with everything typed.
    wet = {**typed, "mass_g": "14.5", "seen": seen[1]}
    asked = ready.post("/checkpoints/1", data=wet)
    assert asked.status_code == 422
    assert "<summary>Correct crude</summary>" in asked.text
    assert 'value="14.5"' in asked.text
    yes = re.search(r'name="confirm" value="(checkpoint_above_theory:[0-9a-f]+)"', asked.text)
    assert yes is not None
    assert ready.post("/checkpoints/1", data={**wet, "confirm": yes[1]}).status_code == 200
    assert ready.get("/api/v1/runs/1/checkpoints").json()[0]["mass_g"] == 14.5
    late = ready.post("/checkpoints/1", data={**typed, "mass_g": "7", "seen": seen[1]})
    assert late.status_code == 409
    assert "Checkpoint crude was changed elsewhere" in late.text
    assert 'value="7"' in late.text


def test_a_scale_that_cannot_be_is_no_base_scale(ready: TestClient) -> None:
    enter(ready)
    answer = ready.get(
        "/preparations/1/forecast", params={"setting_1": "2", "setting_2": "120", "setting_3": "MgSO4", "scale_mol": "-3"}
    )
    assert answer.status_code == 422
    assert '<small class="error" id="e-scale_mol">Enter a scale above 0 mol.</small>' in answer.text
    assert 'value="-3"' in answer.text


def test_the_run_with_the_best_chance_can_be_looked_at(ready: TestClient) -> None:
    for hold, percent in ((1, 50), (2, 60), (3, 66), (4, 58)):
        enter(ready, setting_1=str(hold), product_mass_g=str(percent / 10))
    page = ready.get("/preparations/1/proposal").text
    assert "which is the one proposed" in page
    assert "look at its forecast" not in page
    # Of a repeat, which is not what has the best chance, it can.
    page = ready.get("/preparations/1/proposal?purpose=repeat").text
    link = re.search(r'<a href="([^"]+)">look at its forecast</a>', page)
    assert link is not None
    shown = ready.get(link[1].replace("&amp;", "&"))
    assert shown.status_code == 200
    assert "Forecast for the settings as changed" in shown.text


def test_a_run_that_was_never_planned_shows_no_plan(ready: TestClient) -> None:
    enter(ready, setting_1="3")
    ready.post("/runs/1", data={**RUN, "setting_1": "4"})
    page = ready.get("/runs/1").text
    assert '<td data-label="as run">4 h</td>' in page
    assert "differs" not in page
    assert "planned" not in page.split('id="settings"')[1].split("</table>")[0]
    assert "planned:" not in ready.get("/runs/1/edit").text
    ready.post("/preparations/1/planned-runs", data={"setting_1": "2", "setting_2": "120", "setting_3": "MgSO4"})
    ready.post("/runs/2", data={**RUN, "setting_1": "4"})
    planned = ready.get("/runs/2").text
    assert '<td data-label="planned">2 h</td><td data-label="as run">4 h <span class="tag">differs</span></td>' in planned
    assert "planned: 2 h" in ready.get("/runs/2/edit").text


@pytest.mark.parametrize("address", ["/preparations/1/runs", "/api/v1/preparations/1/runs"])
def test_a_mistake_of_the_app_is_told_safely(settings: Settings, monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    app = create_app(settings)
    with TestClient(app, base_url="http://localhost", raise_server_exceptions=False) as client:
        client.post("/preparations", data=PREPARATION)

        def fails(*_: object, **__: object) -> None:
            raise RuntimeError("a bug")

        monkeypatch.setattr("server.services.runs.store_result", fails)
        asked: dict[str, Any] = {"json": {"settings": {}}} if "api" in address else {"data": {**RUN, "notes": SCRIPT}}
        answer = client.post(address, **asked)
    assert answer.status_code == 500
    assert "Look whether this step was stored" in answer.text
    assert "a bug" not in answer.text
    assert SCRIPT not in answer.text
    assert {answer.headers[name] for name in ("x-content-type-options", "cache-control")} == {"nosniff", "no-store"}
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")


def test_only_names_of_this_machine_are_answered(client: TestClient) -> None:
    for name in ("127.0.0.1", "localhost:8765", "[::1]:8765"):
        assert client.get("/", headers={"host": name}).status_code == 200
    for name in ("elsewhere.example", "testserver", "192.0.2.7", "", "[", "localhost.elsewhere.example"):
        assert client.get("/", headers={"host": name}).status_code == 400


@pytest.mark.parametrize("everywhere", ["0.0.0.0", "::"])
def test_on_every_address_names_of_other_machines_are_still_refused(everywhere: str) -> None:
    own = socket.gethostname()
    for name in ("localhost", "192.0.2.7:8765", "[2001:db8::7]:8765", own, f"{own.upper()}.local:8765"):
        assert is_own_host(name, everywhere)
    for name in ("elsewhere.example", "192.0.2.7.elsewhere.example", f"{own}.elsewhere.example", "", "[::1"):
        assert not is_own_host(name, everywhere)
    assert is_own_host("lab.uni.example:8765", everywhere, ("lab.uni.example",))
    assert is_own_host("192.0.2.7", "192.0.2.7")
    assert not is_own_host(own, "192.0.2.7")


def test_a_reading_is_corrected_in_the_minutes_in_which_it_was_noted(ready: TestClient) -> None:
    enter(ready)
    ready.post("/runs/1/readings", data={"series": "volume", "value": "5", "at": "5 min", "at_kind": "elapsed", "at_unit": "h"})
    assert re.search(r'id="f-at"[^>]*value="5 min"', ready.get("/readings/1/edit").text)
    before = ready.get("/api/v1/runs/1/readings").json()[0]["at_h"]
    ready.post("/readings/1", data={"value": "6", "at": "5 min", "at_kind": "elapsed", "at_unit": "h"})
    after = ready.get("/api/v1/runs/1/readings").json()[0]
    assert (after["at_h"], after["value"]) == (before, 6)
    assert '<th scope="row" class="num nowrap">5 min</th>' in ready.get("/runs/1/course").text


def test_a_heading_with_a_line_break_keeps_what_was_said(ready: TestClient) -> None:
    first = ready.post(IMPORT, data={"action": "read", "rows": '"when\nabout";bath;agent;yield %\n90;120;MgSO4;50\n'})
    second = ready.post(IMPORT, data={**kept_of(first.text), "column_1": "v1", "unit_1": "", "action": "check"})
    third = ready.post(IMPORT, data={**kept_of(second.text), "unit_1": "min", "action": "check"})
    assert '<td data-label="hold">1.5 h</td>' in third.text
    change = ready.post(IMPORT, data={**kept_of(third.text), "action": "change"})
    rows = html.unescape(re.findall(r"<textarea[^>]*>(.*?)</textarea>", change.text, re.DOTALL)[0]).lstrip("\n")
    # As a browser sends it, hidden fields too.
    sent = {name: value.replace("\n", "\r\n") for name, value in {**kept_of(change.text), "rows": rows}.items()}
    again = ready.post(IMPORT, data={**sent, "action": "read"})
    assert '<td data-label="hold">1.5 h</td>' in again.text
    # Blank rows in front are no table.
    file = {"file": ("runs.csv", b"\n\nwhen;bath;agent;yield %\n90;120;MgSO4;50\n")}
    first = ready.post(IMPORT, data={"action": "read"}, files=file)
    said = {"column_1": "v1", "unit_1": ""}
    second = ready.post(IMPORT, data={**kept_of(first.text), **said, "action": "check"})
    third = ready.post(IMPORT, data={**kept_of(second.text), "unit_1": "min", "action": "check"})
    assert '<td data-label="hold">1.5 h</td>' in third.text
    change = ready.post(IMPORT, data={**kept_of(third.text), "action": "change"})
    rows = html.unescape(re.findall(r"<textarea[^>]*>(.*?)</textarea>", change.text, re.DOTALL)[0]).lstrip("\n")
    again = ready.post(IMPORT, data={**kept_of(change.text), "action": "read", "rows": rows})
    assert '<td data-label="hold">1.5 h</td>' in again.text


def test_a_table_is_changed_without_saying_everything_again(ready: TestClient) -> None:
    table = 'when;bath;what;yield %\n90;120;"Epsom; dry";50\n60;120;MgSO4;forty\n'
    first = ready.post(IMPORT, data={"action": "read", "rows": table})
    said = {"column_1": "v1", "unit_1": "", "column_3": "v3", "default_2": "125"}
    second = ready.post(IMPORT, data={**kept_of(first.text), **said, "action": "check"})
    said = {"unit_1": "min", "word_3:Epsom; dry": "MgSO4"}
    third = ready.post(IMPORT, data={**kept_of(second.text), **said, "action": "check"})
    assert "The runs: 1 of 2 can be stored" in third.text
    change = ready.post(IMPORT, data={**kept_of(third.text), "action": "change"})
    rows = html.unescape(re.findall(r"<textarea[^>]*>(.*?)</textarea>", change.text, re.DOTALL)[0]).lstrip("\n")
    assert rows == "when\tbath\twhat\tyield %\n90\t120\tEpsom; dry\t50\n60\t120\tMgSO4\tforty\n"
    # Nothing to read: what was said is still there afterwards.
    empty = ready.post(IMPORT, data={**kept_of(change.text), "action": "read", "rows": " "})
    assert empty.status_code == 422
    mended = ready.post(IMPORT, data={**kept_of(empty.text), "action": "read", "rows": rows.replace("forty", "40")})
    assert "The runs: 2 of 2 can be stored" in mended.text
    assert '<td data-label="hold">1.5 h</td>' in mended.text
    # Other headings are another table.
    other = ready.post(IMPORT, data={**kept_of(change.text), "action": "read", "rows": rows.replace("what", "agent")})
    assert '<option value="v3" selected>' in other.text
    assert '<td data-label="hold">1.5 h</td>' not in other.text


@pytest.mark.parametrize(
    ("address", "typed", "wrong"),
    [
        (
            "/preparations/1/variables",
            {"name": "bath", "role": "hold_time", "unit": "°C", "low": "1", "high": "two", "step": "1", "base": "x"},
            ["name", "unit", "high", "base"],
        ),
        (
            "/preparations/1/variables",
            {"name": "", "role": "ratio", "unit": "mol/mol", "low": "-1", "high": "3", "step": "9", "base": "7"},
            ["name", "low", "step", "base"],
        ),
        (
            "/variables/1",
            {"name": "bath", "role": "hold_time", "unit": "h", "low": "3", "high": "1", "base": "?"},
            ["name", "high", "base"],
        ),
        (
            "/preparations/1/materials",
            {
                "name": "",
                "role": "reagent",
                "amount_kind": "equivalents",
                "amount": "-1",
                "molar_mass": "much",
                "purity_percent": "0",
            },
            ["name", "molar_mass", "amount", "purity_percent"],
        ),
        (
            "/runs/1/checkpoints",
            {"name": "", "stage": "work_up", "mass_g": "lots", "purity_percent": "120"},
            ["name", "mass_g", "purity_percent"],
        ),
    ],
)
def test_mistakes_that_cannot_be_read_hide_no_others(
    ready: TestClient, address: str, typed: dict[str, str], wrong: list[str]
) -> None:
    enter(ready)
    seen = re.search(r'name="seen" value="([^"]*)"', ready.get("/variables/1/edit").text)
    answer = ready.post(address, data={**typed, "seen": seen[1] if seen and "variables/1" in address else ""})
    assert answer.status_code == 422
    told = re.findall(r'<li><a href="#\w+?-(\w+)">', answer.text)
    assert sorted(told) == sorted(wrong)


def test_questions_about_a_variable_can_be_answered_on_its_page(ready: TestClient) -> None:
    enter(ready)

    def answered(address: str, typed: dict[str, str]) -> str:
        seen = re.search(r'name="seen" value="([^"]*)"', ready.get(f"{address}/edit").text)
        assert seen
        asked = ready.post(address, data={**typed, "seen": seen[1]})
        (code,) = re.findall(r'<input type="checkbox" name="confirm" value="([^"]+)">', asked.text)
        done = ready.post(address, data={**typed, "seen": seen[1], "confirm": code})
        assert done.status_code == 200
        return done.text

    renamed = {
        "name": "agent",
        "role": "choice",
        "stage": "drying",
        "base": "Epsom salt, dry",
        "choices": "Epsom salt, dry\nNa2SO4",
    }
    assert "Epsom salt, dry" in answered("/variables/3", renamed)
    hold = {
        "name": "hold",
        "role": "hold_time",
        "stage": "reaction",
        "unit": "min",
        "low": "0.5",
        "high": "6",
        "step": "0.5",
        "base": "2",
    }
    assert "min" in answered("/variables/1", hold)
    assert ready.get("/api/v1/runs/1").json()["settings"]["hold"] == 60 * float(RUN["setting_1"])


def test_a_kept_version_has_the_procedure_as_it_stands_on_the_page(ready: TestClient) -> None:
    for hold in (1, 2, 3):
        enter(ready, setting_1=str(hold))
    seen = re.search(r'name="seen" value="([^"]*)"', ready.get("/preparations/1/write-up").text)
    assert seen
    typed = {"scale_mol": "0.1", "seen": seen[1], "stage_reaction": "Stir under nitrogen."}
    kept = ready.post("/preparations/1/write-ups", data=typed)
    assert "Stir under nitrogen." in kept.text
    assert "Stir under nitrogen." in ready.get("/preparations/1/write-up").text
    # What somebody else has written meanwhile is not overwritten, and no version is kept.
    late = ready.post("/preparations/1/write-ups", data={**typed, "stage_reaction": "Do not stir."})
    assert late.status_code == 409
    assert "Do not stir.</textarea>" in late.text
    assert "Version 2" not in ready.get("/preparations/1/write-up").text
    # Without the form of the procedure it stays as it is.
    assert "Stir under nitrogen." in ready.post("/preparations/1/write-ups", data={"scale_mol": "0.1"}).text


@pytest.mark.parametrize("plan", ["", "plan=true&"])
def test_a_new_run_starts_from_another_one(ready: TestClient, plan: str) -> None:
    assert "Start from the settings of" not in ready.get(f"/preparations/1/runs/new?{plan}").text
    enter_all(ready, "1 110 4.0", "3 140 7.6", "2 120 5.4")
    page = ready.get(f"/preparations/1/runs/new?{plan}").text
    offered = re.findall(r'<a href="(/preparations/1/runs/new[^"]*like=\d*)">([^<]+)</a>', page)
    assert [words for _, words in offered] == ["the base recipe", "run 3, the last one", "run 2, with the highest yield"]
    best = ready.get(html.unescape(offered[2][0])).text
    assert re.search(r'name="setting_1" value="3"', best)
    assert re.search(r'name="setting_2" value="140"', best)
    assert ("Plan a run" in best) == bool(plan)
    assert re.search(r'name="setting_1" value="2"', ready.get(f"/preparations/1/runs/new?{plan}like=99").text)


def test_crude_masses_of_a_table_become_checkpoints(ready: TestClient) -> None:
    first = ready.post(IMPORT, data={"action": "read", "rows": "hold;bath;agent;crude / g;yield %\n1;120;MgSO4;6,5;50\n"})
    assert "crude / g not kept, its content is not said" in first.text
    wrong = ready.post(IMPORT, data={**kept_of(first.text), "content_percent": "800", "action": "check"})
    assert "Enter a content above 0 and up to 100 %." in wrong.text
    assert 'value="800"' in wrong.text
    second = ready.post(IMPORT, data={**kept_of(first.text), "content_percent": "80", "action": "check"})
    assert '<td data-label="weighed">crude, work-up: 6.5 g, 80 % product</td>' in second.text
    ready.post(IMPORT, data={**kept_of(second.text), "content_percent": "80", "action": "store"})
    (checkpoint,) = ready.get("/api/v1/runs/1/checkpoints").json()
    assert (checkpoint["stage"], checkpoint["mass_g"], checkpoint["purity_percent"]) == ("work_up", 6.5, 80)


def test_rows_of_a_table_say_at_which_scale_they_were(ready: TestClient) -> None:
    rows = "hold;bath;agent;scale;yield %\n1;120;MgSO4;50 mmol;50\n2;120;MgSO4;;60\n"
    page = ready.post(IMPORT, data={"action": "read", "rows": rows}).text
    assert re.findall(r'data-label="Scale">(.*?)</td>', page) == ["0.05 mol", "as the base"]
    without = ready.post(IMPORT, data={"action": "read", "rows": "hold;bath;agent;yield %\n1;120;MgSO4;50\n"}).text
    assert "Yield</th>" in without
    assert "Scale" not in without


def test_what_a_row_weighed_on_the_way_is_told_by_its_own_formula(ready: TestClient) -> None:
    stored = ready.get("/api/v1/preparations/1").json()
    ready.patch("/api/v1/preparations/1", json={**stored, "product_formula": "C7H9NO·HCl"})
    rows = "hold;bath;agent;weighed after work-up / g;content of what was weighed after work-up;"
    rows += "formula of what was weighed after work-up;yield %\n1;120;MgSO4;6,5;80;C7H9NO;50\n"
    page = ready.post(IMPORT, data={"action": "read", "rows": rows}).text
    assert '<td data-label="weighed">weighed after work-up: 6.5 g, 80 % C7H9NO</td>' in page


def test_a_row_without_a_result_is_ticked_as_failed(ready: TestClient) -> None:
    table = "hold;bath;agent;yield %\n1;120;MgSO4;50\n2;150;MgSO4;\n"
    first = ready.post(IMPORT, data={"action": "read", "rows": table})
    assert 'name="without_3"' in first.text
    assert 'name="without_2"' not in first.text
    for outcome in ("failure", "no_information"):
        second = ready.post(IMPORT, data={**kept_of(first.text), "without_3": outcome, "action": "check"})
        assert f'<option value="{outcome}" selected>' in second.text
        assert "2 of 2 can be stored" in second.text
    # What is said of such a row is an answer: it is stored at once, without another look.
    ready.post(IMPORT, data={**kept_of(first.text), "without_3": "no_information", "action": "store"})
    assert [r["outcome"] for r in ready.get("/api/v1/preparations/1/runs").json()] == ["yield", "no_information"]
    bad = ready.post(IMPORT, data={**kept_of(second.text), "without_x": "failure", "action": "check"})
    assert bad.status_code == 422


def test_a_run_takes_the_theory_of_a_corrected_charge_when_told_to(ready: TestClient) -> None:
    enter(ready)
    assert "renew_theory" not in ready.get("/runs/1/edit").text
    assert ready.post("/preparations/1", data={**PREPARATION, "theoretical_yield_g": "20"}).status_code == 200
    form = ready.get("/runs/1/edit").text
    assert re.search(r"as it follows today, 20(\.0*)? g, instead of the 10(\.0*)? g that this run has", form)
    ready.post("/runs/1", data={**RUN, "notes": "a typo mended"})
    assert ready.get("/api/v1/runs/1").json()["yield_percent"] == pytest.approx(71.0)
    ready.post("/runs/1", data={**RUN, "confirm": "renew_theory"})
    assert ready.get("/api/v1/runs/1").json()["yield_percent"] == pytest.approx(35.5)


def test_a_form_that_comes_twice_with_one_draft_is_stored_once(ready: TestClient) -> None:
    for draft in ("a-1", "a-1", "a-2", "not one!", "not one!"):
        assert enter(ready, draft=draft).status_code == 200
    assert stored_runs(ready) == 4
    # What was refused is no draft that arrived.
    assert enter(ready, draft="a-3", product_mass_g="-1").status_code == 422
    assert enter(ready, draft="a-3").status_code == 200
    assert stored_runs(ready) == 5


def test_a_reading_that_was_corrected_elsewhere_is_not_overwritten(ready: TestClient) -> None:
    enter(ready)
    ready.post(
        "/runs/1/readings",
        data={"series": "volume", "value": "5", "at": "0.123456789", "at_kind": "elapsed", "at_unit": "h"},
    )
    form = kept_of(ready.get("/readings/1/edit").text.split("Remove this reading")[0].rsplit("<form", 1)[0])
    assert ready.post("/readings/1", data={**form, "value": "6", "at_kind": "elapsed"}).status_code == 200
    # The time is shown with fewer digits than it has; untouched, it stays.
    after = ready.get("/api/v1/runs/1/readings").json()[0]
    assert (after["value"], after["at_h"]) == (6, 0.123456789)
    late = ready.post("/readings/1", data={**form, "value": "7", "at_kind": "elapsed"})
    assert late.status_code == 409
    assert 'value="7"' in late.text
    assert ready.get("/api/v1/runs/1/readings").json()[0]["value"] == 6


def test_a_new_theory_says_which_runs_keep_theirs(ready: TestClient) -> None:
    enter(ready)
    page = ready.post("/preparations/1", data={**PREPARATION, "theoretical_yield_g": "20"})
    assert "Run 1 keeps the theoretical yield from before." in page.text
    again = ready.post("/preparations/1", data={**PREPARATION, "theoretical_yield_g": "20", "notes": "x"})
    assert "from before" not in again.text


def test_a_tick_for_every_row_of_a_full_table_can_be_sent(ready: TestClient) -> None:
    table = "hold;bath;agent;yield %\n1;120;MgSO4;50\n" + "2;150;MgSO4;\n" * 499
    first = ready.post(IMPORT, data={"action": "read", "rows": table})
    said = {f"without_{k}": "failure" for k in range(3, 502)}
    second = ready.post(IMPORT, data={**kept_of(first.text), **said, "action": "check"})
    assert second.status_code == 200
    assert "500 of 500 can be stored" in second.text


def test_cautions_stand_where_a_run_is_planned_by_hand(ready: TestClient) -> None:
    ready.post("/preparations/1", data={**PREPARATION, "cautions": "Vent the flask."})
    assert "Vent the flask." in ready.get("/preparations/1/runs/new?plan=true").text


def test_a_run_made_otherwise_than_planned_is_named_beside_the_record(ready: TestClient) -> None:
    for _ in range(4):
        enter(ready)
    ready.post("/preparations/1/proposal", data={"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4", "purpose": "raise"})
    ready.post("/runs/5", data={**RUN, "setting_1": "5", "setting_2": "125"})
    assert "Run 5 was made with other settings than planned" in ready.get("/preparations/1/record").text


def test_all_digits_of_a_mass_are_in_the_table(ready: TestClient) -> None:
    enter(ready, product_mass_g="1523.4567", theoretical_yield_g="2000")
    assert "1523.4567" in ready.get("/preparations/1/runs.csv").text


def test_lines_of_the_charge_can_change_places(ready: TestClient) -> None:
    for name in ("alcohol", "acid"):
        ready.post("/preparations/1/materials", data={"name": name, "role": "reagent", "amount_kind": "mass", "amount": "1"})
    page = ready.post("/materials/2/up")
    assert str(page.url).endswith("/charge#material-2")
    assert 'id="material-2"' in page.text
    # The first one stays where it is.
    for _ in range(2):
        assert ready.post("/api/v1/materials/2/up").json()["name"] == "acid"
    assert [m["name"] for m in ready.get("/api/v1/preparations/1/materials").json()] == ["acid", "alcohol"]
    assert ready.post("/api/v1/materials/99/up").status_code == 404


def test_days_stand_in_the_table_and_today_is_offered(ready: TestClient) -> None:
    enter(ready)
    assert '<th scope="col">Day</th>' not in ready.get("/preparations/1").text
    enter(ready, made_on="2026-03-02")
    page = ready.get("/preparations/1").text
    assert '<th scope="col">Day</th>' in page
    assert '<td class="nowrap">2026-03-02</td>' in page
    ready.post("/preparations/1/planned-runs", data={k: RUN[k] for k in ("setting_1", "setting_2", "setting_3")})
    today = datetime.now().astimezone().date().isoformat()
    assert re.search(rf'name="made_on" value="{today}"', ready.get("/runs/3/edit").text)
    # A run that was entered without a day was made on some other one.
    assert re.search(r'name="made_on" value=""', ready.get("/runs/1/edit").text)


def test_all_runs_are_a_spreadsheet_that_comes_back(ready: TestClient) -> None:
    enter(ready, notes="a; b", lot="0012", made_on="2026-03-02", product_mass_g="7.1234")
    answer = ready.get("/preparations/1/runs.xlsx")
    assert answer.status_code == 200
    table = read_file(answer.content).rows
    assert table == read_text(ready.get("/preparations/1/runs.csv").text)
    again = ready.post(IMPORT, data={"action": "read"}, files={"file": ("runs.xlsx", answer.content)})
    assert "looks the same as run 1" in again.text


def test_one_proposal_and_several_are_the_same(ready: TestClient) -> None:
    ready.post("/preparations/1", data={**PREPARATION, "allowed_loss": "6"})
    enter_all(ready, "1 110 5.0", "2 120 6.4", "3 130 7.1", "5 125 7.3", "4 140 7.2")
    for purpose in ("raise", "shorten", "find_out", "repeat"):
        one = ready.get(f"/api/v1/preparations/1/proposal?purpose={purpose}").json()
        assert [one] == ready.get(f"/api/v1/preparations/1/proposals?purpose={purpose}").json()
    wrong = ready.get("/api/v1/preparations/1/proposals?purpose=shorten&saving=holds")
    assert wrong.status_code == 422
    assert "Choose one of hours" in wrong.text


def test_a_typed_yield_has_no_known_uncertainty(ready: TestClient) -> None:
    enter(ready, product_mass_g="", yield_percent="77")
    enter(ready)
    enter(ready, purity_percent="98")
    typed, plain, pure = ready.get("/api/v1/preparations/1/runs").json()
    assert typed["yield_u"] is None
    assert plain["yield_u"] > 0
    words = "the purity was not noted and counts as 100 % exactly"
    assert [words in ready.get(f"/runs/{k}").text for k in (1, 2, 3)] == [False, True, False]
    assert pure["yield_u"] > 0


def words_on_the_map(ready: TestClient) -> list[dict[str, Any]]:
    """Traces with words of the picture of two variables."""
    page = ready.get("/preparations/1/effects").text
    figures = [json.loads(f)["data"] for f in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL)]
    (traces,) = (traces for traces in figures if any(t["type"] == "contour" for t in traces))
    return [t for t in traces if t.get("mode") == "markers+text"]


def test_failed_runs_are_crosses_and_repeats_share_their_words(ready: TestClient) -> None:
    enter_all(ready, "1 110 5.0", "2 120 6.4", "2 120 6.6", "5 125 7.3", "4 140 7.2")
    enter(ready, setting_1="6", setting_2="150", product_mass_g="", outcome="failure")
    figures = re.findall(
        r'<script type="application/json"[^>]*>(.*?)</script>', ready.get("/preparations/1/effects").text, re.DOTALL
    )
    drawn = [trace for text in figures for trace in json.loads(text)["data"]]
    curve = next(t for t in drawn if t.get("mode") == "markers" and len(t["y"]) == 6)
    assert dict(zip(curve["y"], curve["marker"]["symbol"], strict=True))[0] == "x"
    usual, failed = words_on_the_map(ready)
    assert "64, 66" in usual["text"]
    assert not {"x"} & set(usual["marker"]["symbol"])
    assert (list(failed["text"]), set(failed["marker"]["symbol"])) == (["0"], {"x"})
    # A failed run keeps its cross where a good one lies.
    enter(ready, setting_1="2", setting_2="120", product_mass_g="", outcome="failure")
    _, failed = words_on_the_map(ready)
    assert sorted(zip(failed["x"], failed["y"], strict=True)) == [(2, 120), (6, 150)]


def test_the_map_of_two_variables_keeps_to_rules_and_to_what_was_tried(ready: TestClient) -> None:
    enter_all(ready, "1 110 4.0", "2 120 5.4", "3 130 6.6", "4 120 6.9", "5 130 7.6")
    page = ready.get("/preparations/1/effects?first=1&second=2").text
    assert "Blank: your rules do not allow it." not in page
    found = re.search(r"of what is tested, highest near ([\d.]+) h and", page)
    assert found is not None
    assert float(found[1]) <= 5.0
    # 0.1 × bath + hold ≤ 16: 5 h at 130 °C are out, and so is all beyond.
    limit = {"kind": "linear", "coefficients": {"1": 1.0, "2": 0.1}, "bound": 16.0}
    assert ready.post("/api/v1/preparations/1/limits", json=limit).status_code == 201
    page = ready.get("/preparations/1/effects?first=1&second=2").text
    assert "Blank: your rules do not allow it." in page
    found = re.search(r"of what is tested, highest near ([\d.]+) h and ([\d.]+) °C", page)
    assert found is not None
    assert float(found[1]) + 0.1 * float(found[2]) <= 16.05
    figures = re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL)
    contour = next(t for text in figures for t in json.loads(text)["data"] if t["type"] == "contour")
    for j, bath in enumerate(contour["y"]):
        for i, hold in enumerate(contour["x"]):
            assert (contour["z"][j][i] is None) == (hold + 0.1 * bath > 16.0 + 1e-6)


def test_an_uncertainty_that_leaves_the_purity_out_says_so(ready: TestClient) -> None:
    for number, (purity, u) in enumerate((("", ""), ("98", ""), ("98", "0.5")), start=1):
        enter(ready, purity_percent=purity, purity_u_percent=u, setting_1=str(number))
    assert "the purity was not noted and counts as 100 % exactly" in ready.get("/runs/1").text
    assert "the uncertainty of the purity was not noted and counts as 0, so the true one is larger" in ready.get("/runs/2").text
    assert "the true one is larger" not in ready.get("/runs/3").text


def test_a_forecast_of_what_cannot_be_read_is_no_other_forecast(ready: TestClient) -> None:
    enter_all(ready, "1 110 4.0", "2 120 5.4", "3 130 6.6", "4 120 6.9")
    asked = {"setting_1": "3 h 30", "setting_2": "120", "setting_3": "MgSO4", "purpose": "raise"}
    part = ready.get("/preparations/1/forecast", params=asked, headers={"hx-request": "true"})
    assert part.status_code == 422
    assert "No forecast" in part.text
    assert "expected" not in part.text


def test_materials_have_names_of_their_own(ready: TestClient) -> None:
    water = {"name": "water", "role": "solvent", "amount_kind": "volume", "amount": "50"}
    assert ready.post("/preparations/1/materials", data=water).status_code == 200
    again = ready.post("/preparations/1/materials", data={**water, "role": "wash"})
    assert again.status_code == 422
    assert "There is a material named “water” already." in again.text
    # It may keep its own name when something else of it changes.
    assert ready.put("/api/v1/materials/1", json={**water, "amount": 60}).is_success


def test_an_option_without_a_material_is_told(ready: TestClient) -> None:
    ready.put("/api/v1/preparations/1", json={"name": "Ester", "product_formula": "C4H8O2", "base_scale_mol": 0.1})
    ready.post("/api/v1/preparations/1/materials", json={"name": "ethanol", "role": "reagent", "formula": "C2H6O"})
    drier = {"name": "Epsom salt", "role": "drying_agent", "amount_kind": "mass", "amount": 5, "choice_variable_id": 3}
    ready.post("/api/v1/preparations/1/materials", json={**drier, "choice": "MgSO4"})
    asked = {"setting_1": "2", "setting_2": "120", "setting_3": "Na2SO4"}
    assert "The charge has nothing for “Na2SO4”." in ready.get("/preparations/1/forecast", params=asked).text
    assert "The charge has nothing" not in ready.get("/preparations/1/forecast", params={**asked, "setting_3": "MgSO4"}).text


def test_all_mistakes_of_a_form_are_told_at_once(ready: TestClient) -> None:
    page = ready.post("/preparations", data={**PREPARATION, "name": "", "aim_percent": "150", "worthwhile_gain": "much"})
    assert page.status_code == 422
    for field in ("name", "aim_percent", "worthwhile_gain"):
        assert f'<a href="#f-{field}">' in page.text
    refused = enter(ready, setting_1="long", product_mass_g="-3", purity_percent="x", residual_percent="120")
    assert refused.status_code == 422
    # What cannot be read, and what is read but cannot be.
    for field in ("product_mass_g", "purity_percent", "residual_percent"):
        assert f'<a href="#f-{field}">' in refused.text
    other = enter(ready, setting_1="long", product_mass_g="-3")
    for field in ("setting_1", "product_mass_g"):
        assert f'<a href="#f-{field}">' in other.text
    assert stored_runs(ready) == 0


def test_of_equal_runs_none_gave_more(ready: TestClient) -> None:
    for hold in (1, 2, 3, 4):
        settings = {"hold": hold, "bath": 120, "agent": "MgSO4"}
        assert ready.post("/api/v1/preparations/1/runs", json={"settings": settings, "yield_percent": 72}).is_success
    page = ready.get("/preparations/1").text
    # The models favour one in the middle of the range.
    working = re.search(r"Working recipe: run (\d)", page)
    assert working is not None
    assert working[1] != "1"
    assert re.search(rf"best, in <a[^>]*>run {working[1]}<", page)
    assert "gave more once" not in page
    assert "which gave most" not in page


def test_an_address_that_takes_forms_only_leads_to_what_it_belongs_to(ready: TestClient) -> None:
    for address in ("planned-runs", "materials", "variables", "limits", "runs"):
        answer = ready.get(f"/preparations/1/{address}", follow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, "/preparations/1")
    assert ready.get("/limits/1/delete").status_code == 405
    assert ready.post("/preparations/1/effects", follow_redirects=False).status_code == 405


def test_a_browser_may_ask_whether_a_form_arrived(ready: TestClient) -> None:
    assert ready.get("/received/b-7").json() == {"stored": False}
    enter(ready, draft="b-7")
    assert ready.get("/received/b-7").json() == {"stored": True}


def test_a_run_planned_by_hand_keeps_its_forecast_too(ready: TestClient) -> None:
    enter_all(ready, "2 120 6.0", "3 120 6.5", "4 125 7.0")
    ready.post("/preparations/1/planned-runs", data={"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"})
    run = ready.get("/api/v1/preparations/1/runs").json()[-1]
    assert run["state"] == "planned"
    assert run["forecast"]["low_90"] < run["forecast"]["mean"] < run["forecast"]["high_90"]
    assert run["purpose"] is None


def test_a_run_planned_by_hand_says_so_in_the_record(ready: TestClient) -> None:
    enter_all(ready, "2 120 6.0", "3 120 6.5", "4 125 7.0")
    plan = {"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"}
    ready.post("/preparations/1/planned-runs", data=plan)
    ready.post("/runs/4", data={**RUN, **plan})
    assert '<td data-label="purpose">by hand</td>' in ready.get("/preparations/1/record").text


def test_the_caption_of_the_runs_says_how_many_are_excluded(ready: TestClient) -> None:
    enter_all(ready, "2 120 6.0", "3 120 6.5", "4 125 7.0")
    assert "Yield over 3 runs. The best" in ready.get("/preparations/1").text
    ready.post("/runs/2/exclude", data={"reason": "wet"})
    assert "Yield over 3 runs, 1 of them excluded. The best" in ready.get("/preparations/1").text


def test_an_option_is_taken_out_by_a_rule(ready: TestClient) -> None:
    refused = ready.post("/preparations/1/limits", data={"kind": "not_used"})
    assert "Tick options of one variable." in refused.text
    page = ready.post("/preparations/1/limits", data={"kind": "not_used", "unused_option": "3=Na2SO4"})
    assert page.status_code == 200
    assert "not used any more" in page.text
    assert ready.get("/api/v1/preparations/1/limits").json()[0]["text"].endswith("Na2SO4 not used any more")


def test_another_base_scale_asks_what_becomes_of_masses(ready: TestClient) -> None:
    form = {**PREPARATION, "base_scale_mol": "0.2"}
    assert ready.post("/preparations/1", data=form).status_code == 200
    salt = {"name": "salt", "role": "drying_agent", "amount_kind": "mass", "amount": "2"}
    ready.post("/preparations/1/materials", data=salt)
    asked = ready.post("/preparations/1", data={**form, "base_scale_mol": "0.4"})
    assert asked.status_code == 422
    for words in ("Multiply them by 2, so that", "They are right for 0.4 mol as they are"):
        assert words in asked.text
    assert asked.text.count('<input type="radio" name="confirm"') == 2
    scripted = {**ready.get("/api/v1/preparations/1").json(), "base_scale_mol": 0.4}
    fields = {k: v for k, v in scripted.items() if k not in ("id", "stamp", "created_at", "archived_at", "new_ground")}
    told = ready.put("/api/v1/preparations/1", json=fields).json()
    assert (told.get("confirm"), told.get("or_confirm")) == ("amounts_grow", ["amounts_stay"]), told
    answer = re.search(r'value="(amounts_grow:\w+)"', asked.text)
    assert answer is not None
    assert ready.post("/preparations/1", data={**form, "base_scale_mol": "0.4", "confirm": answer[1]}).status_code == 200
    assert ready.get("/api/v1/preparations/1/materials").json()[0]["amount"] == 4.0


def test_the_charge_page_offers_the_theory_of_today(ready: TestClient) -> None:
    form = {**PREPARATION, "product_formula": "C7H14O2", "base_scale_mol": "0.1", "theoretical_yield_g": ""}
    ready.post("/preparations/1", data=form)
    ready.post("/preparations/1/materials", data={"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount": "1"})
    enter(ready, product_mass_g="6.5")
    assert "another theoretical yield" not in ready.get("/preparations/1/charge").text
    changed = ready.post("/preparations/1", data={**form, "product_formula": "C7H14O2·H2O"})
    assert "the page ‘Charge’ does so for all of them" in changed.text
    assert "Run 1 keeps the theoretical yield" in ready.get("/preparations/1/charge").text
    ready.post("/preparations/1/renew-theory")
    assert "another theoretical yield" not in ready.get("/preparations/1/charge").text
    # 6.5 g of 14.820 g, which 0.1 mol of the hydrate are.
    assert ready.get("/api/v1/preparations/1/runs").json()[0]["yield_percent"] == pytest.approx(43.86, abs=0.02)


def test_a_form_that_comes_twice_at_once_is_stored_once(ready: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = {"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4", "draft": "twice-1"}
    begun = threading.Event()

    def slowly(*arguments: Any) -> Any:
        begun.set()
        time.sleep(0.5)
        return forecast_by_hand(*arguments)

    monkeypatch.setattr(run_pages, "forecast_by_hand", slowly)
    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(lambda: ready.post("/preparations/1/planned-runs", data=plan, follow_redirects=False))
        assert begun.wait(20)
        # Whether it was stored is told once that is known.
        assert ready.get("/received/twice-1").json() == {"stored": True}
        second = ready.post("/preparations/1/planned-runs", data=plan, follow_redirects=False)
    assert first.result().headers["location"] == second.headers["location"]
    assert len(ready.get("/api/v1/preparations/1/runs").json()) == 1
    # What was refused is begun anew.
    wrong = {**plan, "setting_2": "900", "draft": "twice-2"}
    assert ready.post("/preparations/1/planned-runs", data=wrong).status_code == 422
    assert ready.get("/received/twice-2").json() == {"stored": False}
    assert ready.post("/preparations/1/planned-runs", data={**wrong, "setting_2": "130"}).status_code == 200


def test_no_more_drafts_are_remembered_than_are_of_use() -> None:
    received = Received(most=3)
    for k in range(5):
        assert received.begin(f"d{k}") is None
        received.end(f"d{k}", f"/runs/{k}")
    assert [received.address_of(f"d{k}") for k in range(5)] == [None, None, "/runs/2", "/runs/3", "/runs/4"]


def test_a_database_that_is_busy_too_long_is_no_mistake_of_the_app(ready: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def locked(*_: Any) -> Any:
        raise BusyError

    monkeypatch.setattr(run_pages, "set_state", locked)
    ready.post("/preparations/1/planned-runs", data={"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"})
    page = ready.post("/runs/1/state", data={"state": "abandoned"})
    assert page.status_code == 503
    assert "Nothing was stored of this: try again" in page.text


def test_a_form_in_no_character_set_is_refused(ready: TestClient) -> None:
    body = b'--x\r\nContent-Disposition: form-data; name="name"\r\n\r\nA\r\n--x--\r\n'
    sent = {"content-type": "multipart/form-data; boundary=x; charset=undefined"}
    assert ready.post("/preparations", content=body, headers=sent).status_code == 400


def test_only_what_is_there_is_kept_for_good(ready: TestClient) -> None:
    style = re.search(r'href="(/static/css/[^"]+\?v=[^"]+)"', ready.get("/").text)
    assert style is not None
    assert "immutable" in ready.get(style[1]).headers["cache-control"]
    missing = ready.get("/static/nothing.js?v=1")
    assert missing.status_code == 404
    assert "immutable" not in missing.headers.get("cache-control", "")


def test_names_in_figures_are_text(ready: TestClient) -> None:
    changed = ready.put(
        "/api/v1/variables/1",
        json={
            "name": 'hold <a href="https://x.example">x</a> & <i>',
            "role": "hold_time",
            "unit": "h",
            "low": 0.5,
            "high": 6,
            "step": 0.5,
            "base": 2,
        },
    )
    assert changed.is_success, changed.text
    for hold, percent in ((1, 50), (2, 60), (3, 66), (4, 70)):
        run = {"settings": {"1": hold, "bath": 110 + 5 * hold, "agent": "MgSO4"}, "yield_percent": percent}
        assert ready.post("/api/v1/preparations/1/runs", json=run).is_success
    page = ready.get("/preparations/1/effects").text
    figures = re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL)
    assert any("hold &lt;" in f or r"hold \u0026lt;" in f for f in figures)
    assert not any("<a href" in f or r"\u003ca href" in f for f in figures)


@pytest.mark.parametrize(("field", "value"), [("density_g_per_ml", "900"), ("concentration_mol_per_l", "12000")])
def test_what_no_bottle_holds_is_refused(ready: TestClient, field: str, value: str) -> None:
    water = {"name": "water", "role": "solvent", "amount_kind": "volume", "amount": "50", field: value}
    page = ready.post("/preparations/1/materials", data=water)
    assert page.status_code == 422
    assert f'<a href="#f-{field}">' in page.text


def test_a_refusal_leads_back_to_where_it_came_from(ready: TestClient) -> None:
    ready.post("/preparations/1/planned-runs", data={"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"})
    water = {"name": "water", "role": "solvent", "amount_kind": "mass", "amount": "50"}
    assert ready.post("/preparations/1/materials", data=water, follow_redirects=False).status_code == 303
    assert ready.post("/runs/1/weighed", data={"mass_1": "49.8"}, follow_redirects=False).status_code == 303
    own = str(ready.base_url).rstrip("/")
    for referer, is_led in ((f"{own}/runs/1", True), ("http://evil.example/runs/1", False), (f"{own}//evil", False), ("", False)):
        page = ready.post("/materials/1/delete", headers={"referer": referer})
        assert page.status_code == 422
        assert ('href="/runs/1">Back to where you were' in page.text) is is_led
        assert "evil" not in page.text


def test_a_run_that_was_changed_meanwhile_is_not_touched(ready: TestClient) -> None:
    settings = {"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"}
    ready.post("/preparations/1/planned-runs", data=settings)
    old = re.search(r'name="revision" value="(\d+)"', ready.get("/runs/1").text)
    assert old is not None
    result = {"settings": {"hold": 3, "bath": 125, "agent": "MgSO4"}, "yield_percent": 61}
    assert ready.put("/api/v1/runs/1", json=result).is_success
    for address, data, status in (
        ("delete", {}, 409),
        ("state", {"state": "abandoned"}, 422),  # finished meanwhile
        ("exclude", {"reason": "wet"}, 409),
        ("start", {"began": "8:00"}, 409),
    ):
        page = ready.post(f"/runs/1/{address}", data={**data, "revision": old[1]})
        assert page.status_code == status, address
        assert ("Run 1 was changed elsewhere" in page.text) is (address != "state")
    run = ready.get("/api/v1/runs/1").json()
    assert (run["state"], run["excluded_reason"], run["started_at"]) == ("finished", None, None)
    # With what is there now, it is done; a state that there is not is told at its place.
    assert ready.post("/runs/1/exclude", data={"reason": "wet", "revision": str(run["revision"])}).status_code == 200
    page = ready.post("/runs/1/include", data={"revision": str(run["revision"])})
    assert (page.status_code, "nothing was done" in page.text) == (409, True)
    ready.post("/runs/1/include", data={"revision": str(run["revision"] + 1)})
    assert ready.get("/api/v1/runs/1").json()["excluded_reason"] is None
    page = ready.post("/runs/1/state", data={"state": "brilliant"})
    assert (page.status_code, "Choose one of those offered" in page.text) == (422, True)


def test_the_home_page_and_the_overview_ask_for_the_result_of_what_is_under_way(ready: TestClient) -> None:
    for _ in range(2):
        ready.post("/preparations/1/planned-runs", data={"setting_1": "3", "setting_2": "125", "setting_3": "MgSO4"})
    assert "enter the result of run 1, which is planned" in ready.get("/").text
    assert '<a class="button" href="/runs/1">Go on with run 1, which is planned</a>' in ready.get("/preparations/1").text
    ready.post("/runs/2/state", data={"state": "under_way"})
    assert "enter the result of run 2, which is under way" in ready.get("/").text
    assert '<a class="button" href="/runs/2">Go on with run 2, which is under way</a>' in ready.get("/preparations/1").text
    for run in ("1", "2"):
        ready.post(f"/runs/{run}/state", data={"state": "abandoned"})
    assert "Go on with run" not in ready.get("/preparations/1").text


def test_which_option_another_one_is_can_be_said_on_the_form(ready: TestClient) -> None:
    agent = {**AGENT, "choices": "MgSO4\nNa2SO4\nmagnesia", "base": "MgSO4"}
    assert ready.post("/variables/3", data=agent).status_code == 200
    enter(ready, setting_3="magnesia")
    asked = ready.post("/variables/3", data={**agent, "choices": "MgSO4\nNa2SO4"})
    assert asked.status_code == 422
    answers = re.findall(r'<input type="radio" name="confirm" value="([^"]+)"> ([^<]+)<', asked.text)
    assert [text for _, text in answers] == ["magnesia is MgSO4 under another name", "magnesia is Na2SO4 under another name"]
    done = ready.post("/variables/3", data={**agent, "choices": "MgSO4\nNa2SO4", "confirm": answers[1][0]})
    assert done.status_code == 200
    (run,) = ready.get("/api/v1/preparations/1/runs").json()
    assert run["settings"]["agent"] == "Na2SO4"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hold,yield\n" + "1,50\n" * 5_001, "At most 500 rows fit at a time; there are 5002"),
        ("x," * 201, "At most 120 columns fit"),
    ],
)
def test_a_table_of_far_too_much_is_told_in_rows_and_columns(ready: TestClient, text: str, words: str) -> None:
    answer = ready.post(IMPORT, files={"file": ("runs.csv", text.encode(), "text/csv")})
    assert answer.status_code == 422
    assert words in answer.text


def test_too_much_at_once_is_refused_in_words_and_with_the_headers(ready: TestClient) -> None:
    enter(ready)
    answer = ready.post("/runs/1/attachments", files={"file": ("big.png", b"0" * 26_000_001, "image/png")})
    assert answer.status_code == 413
    assert "more than the 26 MB" in answer.text
    assert answer.headers["content-security-policy"]
    told = ready.post("/api/v1/preparations", content=b"0" * 26_000_001, headers={"content-type": "application/json"})
    assert (told.status_code, told.headers["content-type"]) == (413, "application/problem+json")
    assert told.json()["status"] == 413
    # Without a length it is counted as it comes.
    chunks = (b"0" * 1_000_000 for _ in range(28))
    counted = ready.post("/api/v1/preparations", content=chunks, headers={"content-type": "application/json"})
    assert counted.status_code == 413
    assert counted.json()["detail"] == "This is more than can be sent at once. Nothing was stored: send less."
    assert counted.headers["content-security-policy"]


async def post_cut_off(app: ASGIApp, path: str, kind: bytes, begun: bytes) -> None:
    """Post the beginning of a form to the application, and break the connection off."""
    came: Iterator[Any] = iter([{"type": "http.request", "body": begun, "more_body": True}, {"type": "http.disconnect"}])
    headers = [(b"host", b"localhost"), (b"content-type", kind), (b"content-length", b"5000000")]
    scope = {"type": "http", "method": "POST", "path": path, "query_string": b"", "headers": headers}

    async def receive() -> Any:
        return next(came)

    async def send(_message: Any) -> None:
        """Nobody is there any more."""

    await app(scope, receive, send)


def test_a_form_that_is_cut_off_on_its_way_is_no_mistake_of_the_app(ready: TestClient, caplog: pytest.LogCaptureFixture) -> None:
    enter(ready)
    photo = b'--x\r\nContent-Disposition: form-data; name="file"; filename="plate.png"\r\n\r\n\x89PNG\r\n\x1a\n'
    multipart, plain_form = b"multipart/form-data; boundary=x", b"application/x-www-form-urlencoded"
    # In a thread of its own: browser tests in the same process have a loop running.
    with ThreadPoolExecutor(1) as pool:
        for address, kind, begun in (("/runs/1/attachments", multipart, photo), ("/preparations", plain_form, b"name=est")):
            pool.submit(asyncio.run, post_cut_off(ready.app, address, kind, begun)).result()
    assert "Unexpected error" not in caplog.text
    assert ready.get("/api/v1/runs/1/attachments").json() == []


def test_a_range_with_one_option_is_added_on_the_page(ready: TestClient) -> None:
    rule = {"kind": "option_range", "option": "3=Na2SO4", "partner": "2", "high": "115"}
    wrong = ready.post("/preparations/1/limits", data={**rule, "high": "hot"})
    assert wrong.status_code == 422
    assert 'id="e-option_range_high"' in wrong.text
    assert 'value="hot"' in wrong.text
    empty = ready.post("/preparations/1/limits", data={**rule, "high": ""})
    assert "Enter the highest or the lowest value" in empty.text
    done = ready.post("/preparations/1/limits", data=rule)
    assert done.status_code == 200
    assert "with agent Na2SO4, bath at most 115 °C" in done.text
    copy = ready.post("/preparations/1/duplicate").url.path
    assert "with agent Na2SO4, bath at most 115 °C" in ready.get(copy.replace("/edit", "/setup")).text


def test_answers_stay_ticked_while_what_they_are_about_is_the_same(ready: TestClient) -> None:
    rows = "hold\tbath\tagent\tyield %\n2-3\t120\tMgSO4\t50\n2\t120\tMgSO4\t104\n2\twarm\tMgSO4\t55"
    first = ready.post(IMPORT, data={"action": "read", "rows": rows})
    answers = re.findall(r'name="confirm" value="([^"]+)"', first.text)
    assert len(answers) == 3
    again = ready.post(IMPORT, data={**kept_of(first.text), "action": "check", "confirm": answers})
    kept = re.findall(r'<input type="hidden" name="confirm" value="([^"]+)"', again.text)
    assert kept == answers
    # Other rows are another question.
    changed = ready.post(IMPORT, data={**kept_of(first.text), "column_4": "", "action": "check", "confirm": answers})
    stays = re.findall(r'<input type="hidden" name="confirm" value="([^"]+)"', changed.text)
    assert len(stays) < 3


def test_a_yield_that_cannot_be_is_no_best_so_far() -> None:
    points = [
        RunPoint(1, 60.0, 1.0, "counted"),
        RunPoint(2, 106.0, 1.0, "counted", is_doubtful=True),
        RunPoint(3, 70.0, 1.0, "counted"),
    ]
    stair = yield_over_runs(points, best=3, aim=None, literature=None)["data"][0]
    assert list(stair["y"]) == [60.0, 60.0, 70.0]


def test_no_words_stand_where_runs_lie() -> None:
    points = [RunPoint(k, percent, 1.0, "counted") for k, percent in enumerate((81.0, 80.0, 91.1, 79.9), 1)]
    for aim, words in ((None, ["◆ best: 91.1 %"]), (95.0, ["◆ best: 91.1 %", "── aim 95 %"])):
        layout = yield_over_runs(points, best=3, aim=aim, literature=None)["layout"]
        (said,) = layout["annotations"]
        assert (said["text"].split("<br>"), said["yref"], said["yanchor"], said["y"]) == (words, "paper", "bottom", 1)
        # Each line has its room above the plot.
        assert layout["margin"]["t"] >= 16 * len(words)


def test_doubtful_runs_are_left_out_of_the_stair_of_the_page(ready: TestClient) -> None:
    for mass in ("6", "10.6", "7"):
        enter(ready, product_mass_g=mass, confirm="yield_above_100")
    page = ready.get("/preparations/1").text
    data = html.unescape(page)
    assert re.search(r'"y": ?\[60(?:\.0)?, ?60(?:\.0)?, ?70(?:\.0)?\]', data), re.findall(r'"y": ?\[[^\]]*\]', data)[:3]


def test_what_became_of_a_row_stays_said_when_the_table_is_changed(ready: TestClient) -> None:
    table = "hold;bath;agent;yield %\n2;120;MgSO4;forty\n3;125;MgSO4;\n3;130;MgSO4;\n3;125;MgSO4;\n"
    first = ready.post(IMPORT, data={"action": "read", "rows": table})
    said = {"without_3": "failure", "without_5": "no_information"}
    second = ready.post(IMPORT, data={**kept_of(first.text), **said, "action": "check"})
    change = ready.post(IMPORT, data={**kept_of(second.text), "action": "change"})
    # A row in front, and another setting in one row: what was said follows the rows that are the same.
    changed = table.replace(";forty", ";40").replace("2;120", "1;115;MgSO4;35\n2;120")
    third = ready.post(IMPORT, data={**kept_of(change.text), "action": "read", "rows": changed})
    kept = kept_of(third.text)
    assert {k: kept[f"without_{k}"] for k in (4, 5, 6)} == {4: "failure", 5: "", 6: "no_information"}
    # What is said now counts, not what was said before.
    fourth = ready.post(IMPORT, data={**kept, "without_4": "", "without_5": "failure", "action": "check"})
    assert [kept_of(fourth.text)[f"without_{k}"] for k in (4, 5, 6)] == ["", "failure", "no_information"]


def test_a_version_that_is_refused_leaves_the_procedure_as_it_was(ready: TestClient) -> None:
    enter(ready)
    seen = re.search(r'name="seen" value="([^"]*)"', ready.get("/preparations/1/write-up").text)
    assert seen
    typed = {"scale_mol": "-5", "seen": seen[1], "stage_reaction": "Boil."}
    assert ready.post("/preparations/1/write-ups", data=typed).status_code == 422
    assert ready.get("/api/v1/preparations/1/procedure").json()["stages"] == {}


def test_no_forecast_stands_beside_settings_that_cannot_be_read(ready: TestClient) -> None:
    for k in range(3):
        enter(ready, setting_1=str(1 + k))
    page = ready.get("/preparations/1/forecast?setting_1=3&setting_2=soon&setting_3=MgSO4&purpose=raise")
    assert page.status_code == 422
    assert "The forecast follows once every setting can be read." in page.text
    assert "expected gain" not in page.text
    assert 'id="forecast"' not in page.text


def test_a_refused_form_is_drawn_without_the_lock(ready: TestClient, settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    taken = []

    def drawn(*args: Any, **more: Any) -> Response:
        with closing(sqlite3.connect(settings.database, timeout=0.1)) as other:
            other.execute("BEGIN IMMEDIATE")
            other.rollback()
        taken.append(args[1])
        return render(*args, **more)

    monkeypatch.setattr("server.web.pages.setup.render", drawn)
    answer = ready.post("/preparations/1/variables", data={**HOLD, "name": "Another", "low": "9", "high": "1"})
    assert (answer.status_code, taken) == (422, ["variables/form.html"])
    assert 'value="9"' in answer.text


def test_what_the_uncertainty_leaves_out_is_said(ready: TestClient) -> None:
    enter(ready, purity_percent="98", purity_u_percent="0.1", residual_percent="3")
    assert "the uncertainty of the solvent and water left was not noted and counts as 0" in ready.get("/runs/1").text
    enter(ready, purity_percent="98", residual_percent="3", product_mass_g="7.3")
    assert "the uncertainty of the purity and of the solvent and water left was not noted" in ready.get("/runs/2").text
    enter(
        ready, purity_percent="98", purity_u_percent="0.1", residual_percent="3", residual_u_percent="0.5", product_mass_g="7.5"
    )
    assert "counts as 0" not in ready.get("/runs/3").text


def test_a_refused_renewal_says_that_nothing_was_stored(ready: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> None:
        raise InvalidInputError({"form": "Run 1: no."})

    monkeypatch.setattr("server.web.pages.charge.renew_theories", refuse)
    answer = ready.post("/preparations/1/renew-theory")
    assert answer.status_code == 422
    assert "Nothing was stored yet" in answer.text


@pytest.mark.parametrize("path", ["/charge", "/delete", "/courses"])
def test_pages_ask_the_database_as_often_for_many_runs_as_for_few(ready: TestClient, path: str) -> None:
    asked = []
    for count in (5, 20):
        for k in range(count):
            enter(ready, product_mass_g=f"{5 + 0.01 * (k + count):.2f}")
        if path == "/delete":
            ready.post("/preparations/1/archive")
        asked.append(statements_of(ready, f"/preparations/1{path}"))
        if path == "/delete":
            ready.post("/preparations/1/archive", data={"archived": "no"})
    assert asked[0] == asked[1] > 0


def statements_of(client: TestClient, path: str) -> int:
    """How many SELECTs a page takes, once it is warm."""
    assert client.get(path).status_code == 200
    count = 0

    def note(*args: Any) -> None:
        nonlocal count
        count += str(args[2]).lstrip().upper().startswith("SELECT")

    engine = client.app.state.engine  # type: ignore[attr-defined]
    event.listen(engine, "before_cursor_execute", note)
    try:
        client.get(path)
    finally:
        event.remove(engine, "before_cursor_execute", note)
    return count


def test_the_charge_says_what_is_left_of_what_it_does_not_take(ready: TestClient) -> None:
    ready.post("/preparations/1", data={**PREPARATION, "base_scale_mol": "0.1"})
    for name, option, stock in (("acid", "", "100"), ("sulfate", "Na2SO4", "250")):
        material = {"name": name, "role": "reagent", "formula": "C2H4O2", "coefficient": "1", "amount_kind": "equivalents"}
        material |= {"amount": "1", "choice_variable_id": "3" if option else "", "choice": option, "stock_g": stock}
        assert ready.post("/preparations/1/materials", data=material).status_code == 200
    assert "Left of what the base recipe does not take: sulfate 250 g." in ready.get("/preparations/1/charge").text


def test_the_write_up_gives_theory_with_four_digits_on_the_page_and_in_its_file(ready: TestClient) -> None:
    ready.post("/preparations/1", data={**PREPARATION, "base_scale_mol": "0.2", "product_formula": "C7H14O2"})
    alcohol = {"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount_kind": "equivalents", "amount": "1"}
    assert ready.post("/preparations/1/materials", data={**alcohol, "coefficient": "1"}).status_code == 200
    enter(ready)
    # By hand: 0.2 mol · 130.187 g/mol.
    for address in ("write-up", "write-up.md"):
        assert "Theoretical yield 26.04 g; alcohol limits." in ready.get(f"/preparations/1/{address}").text


def test_mistakes_are_named_and_in_the_order_of_the_fields(ready: TestClient) -> None:
    page = ready.post("/preparations", data={**PREPARATION, "worthwhile_gain": "much", "aim_percent": "150", "name": ""}).text
    listed = re.findall(r'<li><a href="#f-(\w+)">([^<]*)</a></li>', page)
    assert [field for field, _ in listed] == ["name", "aim_percent", "worthwhile_gain"]
    assert [text.split(":")[0] for _, text in listed] == ["Name", "Aim", "Gain worth a day"]


def test_what_was_stored_is_said_once_and_only_where_it_was(ready: TestClient) -> None:
    enter(ready)
    answer = ready.post("/runs/1/exclude", data={"reason": "broke"}, follow_redirects=False)
    assert answer.status_code == 303
    assert 'role="status"' not in ready.get("/preparations/1/charge").text
    assert "Stored." in ready.get("/runs/1").text
    assert "Stored." not in ready.get("/runs/1").text


def test_the_write_up_shows_masses_as_the_balance_does(ready: TestClient) -> None:
    changed = {**PREPARATION, "base_scale_mol": "0.2", "product_formula": "C7H14O2", "balance_readability_g": "0.01"}
    ready.post("/preparations/1", data=changed)
    salt = {"name": "salt", "role": "reagent", "amount_kind": "mass", "amount": "17.9"}
    assert ready.post("/preparations/1/materials", data=salt).status_code == 200
    enter(ready)
    text = ready.get("/preparations/1/write-up").text
    assert "17.90 g" in text
    assert "17.90 g" in ready.get("/preparations/1/write-up.md").text
    assert "From 1 run that counts;" in text
    # The ground of the picture is white, whatever the colours of the page.
    assert '<text fill="#111"' in text
    assert "<text x" not in text
    assert "The run so far counts as made at" in ready.get("/preparations/1/variables/new").text


def test_what_repeats_are_expected_to_scatter_by_is_kept_said_and_used(ready: TestClient) -> None:
    refused = ready.post("/preparations/1", data={**PREPARATION, "expected_scatter": "80"})
    assert refused.status_code == 422
    assert "Repeats that scatter by 80 points cannot be meant. Enter from 0.2 to 30, or leave it empty." in refused.text
    enter_all(ready, "2 120 7.0", "3 125 7.5", "4 130 7.2", "5 120 6.8")
    before = ready.get("/api/v1/preparations/1/working-recipe").json()["forecast"]
    ready.post("/preparations/1", data={**PREPARATION, "expected_scatter": "8"})
    assert ready.get("/api/v1/preparations/1").json()["expected_scatter"] == 8.0
    assert 'name="expected_scatter" value="8"' in ready.get("/preparations/1/edit").text.replace('id="f-expected_scatter" ', "")
    after = ready.get("/api/v1/preparations/1/working-recipe").json()["forecast"]
    assert after["high_90"] - after["low_90"] > 1.3 * (before["high_90"] - before["low_90"])
    told = ready.get("/api/v1/preparations/1/effects").json()["repeatability"]
    assert re.search(r"\d\.\d points are assumed, from the 8 that you expect, until a repeat says otherwise\.", told)
    copy = ready.post("/api/v1/preparations/1/duplicate").json()
    assert copy["expected_scatter"] == 8.0


def test_variables_can_change_places(ready: TestClient) -> None:
    enter_all(ready, "2 120 7.0", "3 125 7.5", "4 130 7.2", "5 120 6.8")
    before = ready.get("/api/v1/preparations/1/runs").json()
    page = ready.post("/variables/2/up")
    assert str(page.url).endswith("/setup#variable-2")
    assert page.text.index('id="variable-2"') < page.text.index('id="variable-1"')
    # The first one stays where it is, and has no button for it.
    assert 'action="/variables/2/up"' not in page.text
    assert ready.post("/api/v1/variables/2/up").json()["name"] == "bath"
    assert [v["name"] for v in ready.get("/api/v1/preparations/1/variables").json()] == ["bath", "hold", "agent"]
    assert ready.post("/api/v1/variables/99/up").status_code == 404
    # Runs keep what they were made with, and all pages are there.
    after = ready.get("/api/v1/preparations/1/runs").json()
    assert [r["settings"] for r in after] == [r["settings"] for r in before]
    assert [r["yield_percent"] for r in after] == [r["yield_percent"] for r in before]
    for path in ("", "/effects", "/proposal", "/recipe", "/runs.csv"):
        assert ready.get(f"/preparations/1{path}").status_code == 200


def test_a_refused_scale_leaves_the_charge_in_sight(client: TestClient) -> None:
    client.post("/preparations", data={**PREPARATION, "base_scale_mol": "0.1"})
    material = {"name": "alcohol", "role": "reagent", "formula": "C5H12O", "amount_kind": "equivalents", "amount": "1"}
    client.post("/preparations/1/materials", data=material)
    usual = client.get("/preparations/1/charge").text
    refused = client.get("/preparations/1/charge", params={"mode": "moles", "size": "abc"})
    assert refused.status_code == 422
    assert 'value="abc"' in refused.text
    for words in ("At 0.1 mol, base recipe", "<strong>8.81 g</strong>", 'id="material-1"'):
        assert words in usual
        assert words in refused.text


def test_a_mistake_names_its_field_once(ready: TestClient) -> None:
    page = enter(ready, setting_2="190")
    (listed,) = re.findall(r'<li><a href="#f-setting_2">([^<]*)</a></li>', page.text)
    assert listed.startswith("bath: 190 °C is outside the hard limit")
    # One that does not begin with it is still told whose it is.
    (other,) = re.findall(r'<li><a href="#f-product_mass_g">([^<]*)</a></li>', enter(ready, product_mass_g="a lot").text)
    assert other.startswith("Product mass: ")


def test_every_number_of_a_variable_has_its_unit(ready: TestClient) -> None:
    ready.post("/variables/2", data={**BATH, "hard_high": "160"})
    page = ready.get("/preparations/1/setup").text
    for cell in ("100 to 150 °C", "5 °C", "120 °C", "100 to 160 °C"):
        assert f">{cell}</td>" in page


@pytest.mark.parametrize(
    ("page", "way"),
    [
        ("", "/preparations/1/variables/new"),
        ("/recipe", "/preparations/1/runs/new"),
        ("/write-up", "/preparations/1/runs/new"),
        ("/record", "/preparations/1/proposal"),
    ],
)
def test_an_empty_page_leads_to_what_fills_it(client: TestClient, page: str, way: str) -> None:
    client.post("/preparations", data=PREPARATION)
    assert f'<a class="button" href="{way}">' in client.get(f"/preparations/1{page}").text


def test_effects_of_too_few_runs_lead_to_the_next_run(ready: TestClient) -> None:
    enter(ready)
    assert '<a class="button" href="/preparations/1/proposal">' in ready.get("/preparations/1/effects").text


def with_the_demo(client: TestClient) -> TestClient:
    with write_session(cast(FastAPI, client.app).state.engine) as session:
        load_demo(session, asset_folder("seed_runs"))
    return client


def test_the_pictures_of_the_effects_can_be_read_without_colour_and_on_a_phone(client: TestClient) -> None:
    page = with_the_demo(client).get("/preparations/1/effects").text
    figures = [json.loads(f) for f in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL)]
    effects = next(f for f in figures if f["layout"]["xaxis"]["title"]["text"] == "change / points")
    marks = {t["hovertemplate"].split(", ")[1].split("<")[0]: t["marker"] for t in effects["data"] if t["mode"] == "markers"}
    # A dot in a filled square would not be seen.
    assert marks["likely"]["symbol"] == "square-dot"
    assert marks["likely"]["color"] == marks["not shown"]["color"] == PAPER
    options = next(f for f in figures if f["layout"]["xaxis"]["title"]["text"] == "drying agent")
    assert options["layout"]["xaxis"]["ticktext"][0] == "magnesium<br>sulfate"
    assert options["layout"]["xaxis"]["tickangle"] == 0


def test_time_courses_say_their_time_in_the_table_and_their_finding_once(client: TestClient) -> None:
    with_the_demo(client)
    listed = client.get("/preparations/1/courses").text
    assert "<strong>2.4 h</strong> (90 % range 2.1 h to 2.7 h)</td>" in listed
    shown = re.sub(r'aria-label="[^"]*"', "", client.get("/runs/10/course").text)
    assert shown.count("95 % of the plateau is reached after") == 1
    assert "<figcaption>8 readings.</figcaption>" in shown
    lost = re.sub(r'aria-label="[^"]*"', "", client.get("/runs/4").text)
    assert lost.count("Most was lost between") == 1


def test_a_table_of_which_no_column_is_a_result_says_so_once(ready: TestClient) -> None:
    table = "hold / min;bath;assay in soln.\n60;120;61.2 %\n90;120;64 %\n"
    answer = html.unescape(ready.post(IMPORT, data={"action": "read", "rows": table}).text)
    asked = "No column was taken for the yield or the product mass. If one of them holds it, choose so above; left out: "
    assert asked + "assay in soln.</p>" in answer
    assert "left out: assay in soln. If one of them is meant" in answer
    told = ready.post(IMPORT, data={**kept_of(answer), "column_3": "yield_percent", "action": "check"}).text
    assert "No column was taken for the yield" not in told


def test_what_a_run_takes_leaves_out_what_it_takes_none_of(ready: TestClient) -> None:
    preparation = {"name": "Ester", "product_formula": "C7H14O2", "base_scale_mol": 0.1}
    assert ready.put("/api/v1/preparations/1", json=preparation).status_code == 200
    washes = {"name": "washes", "role": "count", "low": "0", "high": "4", "base": "2"}
    assert ready.post("/preparations/1/variables", data=washes).status_code == 200
    for name, kind, more in (("water", "mass", {}), ("brine", "volume", {"count_variable_id": 4})):
        line = {"name": name, "role": "wash", "amount_kind": kind, "amount": 10, **more}
        assert ready.post("/api/v1/preparations/1/materials", json=line).status_code == 201
    query = {"setting_1": "2", "setting_2": "120", "setting_3": "MgSO4", "setting_4": "1"}
    assert "Takes 10.00 g water, 10 mL brine." in ready.get("/preparations/1/forecast", params=query).text
    assert "Takes 10.00 g water." in ready.get("/preparations/1/forecast", params={**query, "setting_4": "0"}).text


def test_the_working_recipe_beside_a_proposal_has_no_more_digits_than_elsewhere(ready: TestClient) -> None:
    enter(ready, setting_1="1.98765432", product_mass_g="8.1")
    page = ready.get("/preparations/1/proposal").text
    assert "working recipe: 1.98765 h</small>" in page
    assert "working recipe: MgSO4</small>" in page


def test_a_mass_intensity_that_leaves_a_solvent_out_is_a_least_one(ready: TestClient) -> None:
    preparation = {"name": "Ester", "product_formula": "C7H14O2", "base_scale_mol": 0.1}
    assert ready.put("/api/v1/preparations/1", json=preparation).status_code == 200
    alcohol = {"name": "alcohol", "role": "reagent", "formula": "C5H12O"}
    toluene = {"name": "toluene", "role": "solvent", "amount_kind": "volume", "amount": 20}
    for line in (alcohol, toluene):
        assert ready.post("/api/v1/preparations/1/materials", json=line).status_code == 201
    run = {"settings": {"hold": 2, "bath": 120, "agent": "MgSO4"}, "product_mass_g": 5.0}
    assert ready.post("/api/v1/preparations/1/runs", json=run).status_code == 201
    # 0.1 mol of C5H12O, 88.15 g/mol, for 5 g; toluene weighs nobody knows how much.
    page = ready.get("/runs/1").text
    assert "Process mass intensity at least 1.76 g/g, E factor at least 0.763 g/g" in page
    known = {**toluene, "density_g_per_ml": 0.867}
    assert ready.put("/api/v1/materials/2", json=known).status_code == 200
    assert ready.post("/api/v1/preparations/1/runs", json=run).status_code == 201
    assert "Process mass intensity 5.23 g/g" in ready.get("/runs/2").text


def test_a_unit_that_is_understood_is_not_refused_beside_another_mistake(ready: TestClient) -> None:
    flask = {**BATH, "name": "flask", "unit": "deg C", "low": "RT"}
    page = html.unescape(ready.post("/preparations/1/variables", data=flask).text)
    assert "“RT” is not a number" in page
    assert "needs one of the units" not in page
    assert ready.post("/preparations/1/variables", data={**flask, "low": "20"}).status_code == 200


def test_where_something_was_weighed_on_the_way_is_said_once(ready: TestClient) -> None:
    table = "hold / min;bath;weighed after work-up / g;content of what was weighed after work-up;yield\n60;120;6.5;80;50\n"
    answer = ready.post(IMPORT, data={"action": "read", "rows": table}).text
    assert '<td data-label="weighed">weighed after work-up: 6.5 g, 80 % product</td>' in answer
