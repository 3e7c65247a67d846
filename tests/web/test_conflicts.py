"""Two people at one form: the second one sees what the first one stored."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from fastapi.testclient import TestClient

API = "/api/v1"


@pytest.fixture
def ester(client: TestClient) -> TestClient:
    """A preparation with a hold time, a reagent and a run that is planned."""
    body = {"name": "Ester", "base_scale_mol": 0.1, "product_formula": "C7H14O2"}
    assert client.post(f"{API}/preparations", json=body).status_code == 201
    hold = {"name": "hold", "role": "hold_time", "unit": "h", "low": 1, "high": 8, "step": 1, "base": 2}
    assert client.post(f"{API}/preparations/1/variables", json=hold).status_code == 201
    acid = {"name": "acid", "role": "reagent", "formula": "C2H4O2"}
    assert client.post(f"{API}/preparations/1/materials", json=acid).status_code == 201
    assert client.post(f"{API}/preparations/1/planned-runs", json={"settings": {"hold": 2}}).status_code == 201
    return client


def fields(page: str) -> dict[str, str]:
    """What the forms of a page would send."""
    found = {}
    for tag in re.findall(r"<input[^>]*>", page):
        name, value = re.search(r'name="([^"]+)"', tag), re.search(r'value="([^"]*)"', tag)
        if name and 'type="checkbox"' not in tag:
            found[name[1]] = html.unescape(value[1]) if value else ""
    for name, options in re.findall(r'<select[^>]*name="([^"]+)"[^>]*>(.*?)</select>', page, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options) or re.search(r'value="([^"]*)"', options)
        found[name] = html.unescape(chosen[1]) if chosen else ""
    for name, text in re.findall(r'<textarea[^>]*name="([^"]+)"[^>]*>(.*?)</textarea>', page, re.DOTALL):
        found[name] = html.unescape(text)
    return found


def stored_beside(page: str) -> dict[str, str]:
    """What a page says is stored, by the field."""
    found = re.findall(r'<small class="beside" id="n-([^"]+)">stored now: <strong[^>]*>(.*?)</strong>', page, re.DOTALL)
    return {name: html.unescape(text) for name, text in found}


@pytest.mark.parametrize(
    ("page", "address", "first", "second", "beside"),
    [
        (
            "/preparations/1/edit",
            "/preparations/1",
            {"aim_percent": "80"},
            {"aim_percent": "90", "notes": "x"},
            {"aim_percent": "80"},
        ),
        (
            "/variables/1/edit",
            "/variables/1",
            {"stage": "work_up", "high": "9"},
            {"base": "3"},
            {"stage": "work-up", "high": "9"},
        ),
        ("/materials/1/edit", "/materials/1", {"role": "solvent"}, {"name": "acetic acid"}, {"role": "solvent"}),
        ("/runs/1/plan", "/runs/1/plan", {"setting_1": "4"}, {"reference": "p. 3"}, {"setting_1": "4"}),
        ("/runs/1/edit", "/runs/1", {"product_mass_g": "9.5", "lot": "A"}, {"product_mass_g": "9.50"}, {"lot": "A"}),
    ],
)
def test_what_was_stored_meanwhile_stands_beside_what_was_typed(
    ester: TestClient, page: str, address: str, first: dict[str, str], second: dict[str, str], beside: dict[str, str]
) -> None:
    opened = fields(ester.get(page).text)
    assert ester.post(address, data={**opened, **first}).status_code == 200
    late = ester.post(address, data={**opened, **second})
    assert late.status_code == 409
    told = stored_beside(late.text)
    assert {k: told.get(k) for k in beside} == beside
    # What is typed as it is stored, in whatever digits, is not told; nor is what nobody changed.
    assert not {"product_mass_g", "name", "unit", "seen", "revision"} & (told.keys() - second.keys() - beside.keys())
    assert "product_mass_g" not in told
    again = fields(late.text)
    assert {k: again[k] for k in second} == second
    ids = set(re.findall(r'id="(n-[^"]+)"', late.text))
    assert ids <= set(" ".join(re.findall(r'aria-describedby="([^"]+)"', late.text)).split())


def test_amounts_that_were_noted_meanwhile_stand_beside_the_empty_fields(ester: TestClient) -> None:
    water = {"name": "water", "role": "solvent", "amount_kind": "volume", "amount": 50, "density_g_per_ml": 1}
    assert ester.post(f"{API}/preparations/1/materials", json=water).status_code == 201
    opened = {k: v for k, v in fields(ester.get("/runs/1").text).items() if re.fullmatch(r"(mass|volume)_\d+|revision", k)}
    assert ester.post("/runs/1/weighed", data={**opened, "volume_2": "49"}).status_code == 200
    late = ester.post("/runs/1/weighed", data={**opened, "mass_1": "6.01"})
    assert late.status_code == 409
    assert stored_beside(late.text) == {"volume_2": "49", "mass_1": "nothing"}


def test_a_procedure_that_was_written_meanwhile_stands_beside_the_new_one(ester: TestClient) -> None:
    assert ester.post(f"{API}/preparations/1/runs", json={"settings": {"hold": 2}, "yield_percent": 60}).status_code == 201
    opened = fields(ester.get("/preparations/1/write-up").text)
    typed = {k: v for k, v in opened.items() if k.startswith("stage_") or k == "seen"}
    address = "/preparations/1/procedure"
    assert ester.post(address, data={**typed, "stage_reaction": "Stir.\nHeat."}).status_code == 200
    late = ester.post(address, data={**typed, "stage_reaction": "Reflux."})
    assert late.status_code == 409
    assert stored_beside(late.text) == {"stage_reaction": "Stir.\nHeat."}


def test_a_reading_that_was_corrected_meanwhile_can_be_corrected_after_all(ester: TestClient) -> None:
    reading: dict[str, Any] = {"series": "conversion", "value": 40, "at": "1", "at_unit": "h", "at_kind": "elapsed"}
    assert ester.post(f"{API}/runs/1/readings", json=reading).status_code == 201
    opened = fields(ester.get("/readings/1/edit").text)
    body = {**opened, "at_kind": "elapsed"}
    assert ester.post("/readings/1", data={**body, "value": "41"}).status_code == 200
    late = ester.post("/readings/1", data={**body, "value": "42"})
    assert late.status_code == 409
    assert stored_beside(late.text) == {"value": "41"}
    # Saved again as the message says, with the stamp of what is stored now.
    again = {**fields(late.text), "at_kind": "elapsed"}
    assert ester.post("/readings/1", data=again).status_code == 200
    assert ester.get(f"{API}/readings/1").json()["value"] == 42
