"""The JSON API: a script that knows nothing else can run a whole campaign."""

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from server.core.chemistry.charge import AmountKind
from server.core.space.variables import Role
from server.services.headings import MEANINGS
from server.services.inputs import Input, PreparationInput, VariableInput
from server.services.notebook import MOST_COLUMNS, MOST_ROWS
from server.services.preparations import today
from server.services.readings import SERIES

API = "/api/v1"
SETTINGS = {"hold": 2, "bath": 120, "agent": "a"}


def create(client: TestClient, name: str = "Ester") -> int:
    answer = client.post("/api/v1/preparations", json={"name": name, "theoretical_yield_g": 10})
    assert answer.status_code == 201
    key = int(answer.json()["id"])
    for variable in (
        {"name": "hold", "role": "hold_time", "unit": "h", "low": 0.5, "high": 6, "step": 0.5, "base": 2},
        {"name": "bath", "role": "temperature", "unit": "°C", "low": 100, "high": 150, "step": 5, "base": 120},
        {"name": "agent", "role": "choice", "stage": "drying", "choices": ["a", "b"], "base": "a"},
    ):
        assert client.post(f"/api/v1/preparations/{key}/variables", json=variable).status_code == 201
    return key


def test_a_script_runs_a_campaign(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    limit = {"kind": "only_with", "variable": 3, "choice": "b", "partner": 3, "partners": ["a"]}
    assert client.post(f"{base}/limits", json=limit).status_code == 422
    seen = []
    for _ in range(6):
        proposal = client.get(f"{base}/proposal").json()
        seen.append(proposal["settings"])
        result = 40 + 6 * proposal["settings"]["hold"] - 0.02 * (proposal["settings"]["bath"] - 130) ** 2
        answer = client.post(f"{base}/runs", json={"settings": proposal["settings"], "yield_percent": result})
        assert answer.status_code == 201
        assert answer.json()["yield_percent"] == pytest.approx(result)
    assert seen[0] == {"hold": 2.0, "bath": 120.0, "agent": "a"}
    recipe = client.get(f"{base}/working-recipe").json()
    runs = client.get(f"{base}/runs").json()
    assert recipe["settings"] in [r["settings"] for r in runs]
    assert recipe["forecast"]["low_90"] <= recipe["forecast"]["mean"] <= recipe["forecast"]["high_90"]
    effects = client.get(f"{base}/effects").json()
    assert {e["variable"] for e in effects["effects"]} == {"hold", "bath", "agent"}
    assert effects["repeatability"] in effects["cannot_be_told"]
    assert any("run order" in sentence for sentence in effects["trends"])


def test_planned_runs_keep_their_forecast_and_get_a_result(client: TestClient) -> None:
    key = create(client)
    settings = client.get(f"/api/v1/preparations/{key}/proposal").json()["settings"]
    address = f"/api/v1/preparations/{key}/planned-runs"
    by_hand = client.post(address, json={"settings": settings}).json()
    assert (by_hand["purpose"], by_hand["forecast"]["low_90"] < by_hand["forecast"]["high_90"]) == (None, True)
    planned = client.post(f"{address}?purpose=find_out", json={"settings": settings}).json()
    assert (planned["state"], planned["purpose"]) == ("planned", "find_out")
    assert planned["forecast"]["low_90"] < planned["forecast"]["high_90"]
    done = client.put(f"/api/v1/runs/{planned['id']}", json={"settings": settings, "product_mass_g": 6.5}).json()
    assert (done["state"], done["yield_percent"]) == ("finished", 65.0)
    assert done["forecast"] == planned["forecast"]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"yield_percent": -5}, "yield_percent"),
        ({"yield_percent": "much"}, "yield_percent"),
        ({"yield_percent": 1e300}, "yield_percent"),
        ({"yield_percent": 50, "settings": {"hold": 2, "bath": 120, "agent": "sand"}}, "setting_3"),
        ({"yield_percent": 50, "colour": "white"}, "colour"),
        ({}, "product_mass_g"),
    ],
)
def test_problems_name_their_field(client: TestClient, body: dict[str, object], field: str) -> None:
    key = create(client)
    settings = {"settings": {"hold": 2, "bath": 120, "agent": "a"}}
    answer = client.post(f"/api/v1/preparations/{key}/runs", json={**settings, **body})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert field in answer.json()["errors"]
    assert client.get(f"/api/v1/preparations/{key}/runs").json() == []


def test_nan_and_infinity_in_the_body_are_refused(client: TestClient) -> None:
    key = create(client)
    for word in ("NaN", "Infinity", "1e400"):
        body = f'{{"settings": {{"hold": 2, "bath": 120, "agent": "a"}}, "yield_percent": {word}}}'
        answer = client.post(f"/api/v1/preparations/{key}/runs", content=body, headers={"content-type": "application/json"})
        assert answer.status_code == 422, word


def test_an_unusual_yield_names_the_confirmation(client: TestClient) -> None:
    key = create(client)
    body = {"settings": {"hold": 2, "bath": 120, "agent": "a"}, "yield_percent": 104}
    answer = client.post(f"/api/v1/preparations/{key}/runs", json=body)
    assert answer.json()["confirm"] == "yield_above_100"
    assert client.post(f"/api/v1/preparations/{key}/runs", json={**body, "confirm": ["yield_above_100"]}).status_code == 201


def test_the_charge_is_answered(client: TestClient) -> None:
    data = {"name": "Ester", "product_formula": "C7H14O2", "base_scale_mol": 0.2}
    key = client.post("/api/v1/preparations", json=data).json()["id"]
    for name, formula in (("alcohol", "C5H12O"), ("acid", "C2H4O2")):
        client.post(f"/api/v1/preparations/{key}/materials", json={"name": name, "role": "reagent", "formula": formula})
    charge = client.get(f"/api/v1/preparations/{key}/charge?scale_mol=0.1").json()
    assert charge["theoretical_yield_g"] == pytest.approx(13.0187)
    assert charge["lines"][0]["rounded_g"] == pytest.approx(8.815, abs=0.0051)
    assert charge["limiting"] in ("alcohol", "acid")


@pytest.mark.parametrize("path", ["/preparations/9", "/runs/9", "/preparations/abc", "/nothing", "/runs/99999999999999999999"])
def test_what_is_not_there_is_a_problem_404(client: TestClient, path: str) -> None:
    answer = client.get(f"/api/v1{path}")
    assert answer.status_code == 404
    assert answer.json()["status"] == 404


def test_the_description_is_complete_enough_for_a_client(client: TestClient) -> None:
    description = client.get("/api/v1/openapi.json").json()
    ids = [op["operationId"] for item in description["paths"].values() for op in item.values()]
    assert len(ids) == len(set(ids))
    for path, item in description["paths"].items():
        assert path.startswith("/api/v1/")
        for operation in item.values():
            code, good = next((code, r) for code, r in operation["responses"].items() if code.startswith("2"))
            if code == "204":
                assert "content" not in good
            else:
                assert good["content"]["application/json"]["schema"]
            assert operation["summary"]
            for status in ("400", "404", "409", "413", "422", "503"):
                schema = operation["responses"][status]["content"]["application/problem+json"]["schema"]
                assert {"detail", "errors", "confirm", "or_confirm", "have", "need"} <= schema["properties"].keys()
    roles = description["components"]["schemas"]["Role"]["enum"]
    assert set(roles) == set(Role)


def test_the_mass_balance_is_answered(client: TestClient) -> None:
    key = create(client)
    body = {"settings": {"hold": 2, "bath": 120, "agent": "a"}, "product_mass_g": 6.0}
    run = client.post(f"/api/v1/preparations/{key}/runs", json=body).json()["id"]
    # Before anything was weighed on the way there is no balance, and what follows from one is left open.
    empty = client.get(f"/api/v1/runs/{run}/mass-balance").json()
    assert (empty["stages"], empty["yield_on_unrecovered_percent"]) == ([], None)
    client.post(f"/api/v1/runs/{run}/checkpoints", json={"name": "crude", "stage": "reaction", "mass_g": 9.0})
    found = client.get(f"/api/v1/runs/{run}/mass-balance").json()
    assert [s["recovery_percent"] for s in found["stages"]] == pytest.approx([90.0, 66.6667], abs=1e-3)
    assert found["sentence"].startswith("Most was lost between crude and isolated product")


def test_what_was_weighed_is_noted_and_answered(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    ratio = {"name": "ratio", "role": "ratio", "low": 1, "high": 3, "step": 0.5, "base": 2}
    variable = client.post(f"{base}/variables", json=ratio).json()["id"]
    alcohol = {"name": "alcohol", "role": "reagent", "formula": "C5H12O"}
    acid = {"name": "acid", "role": "reagent", "formula": "C2H4O2", "ratio_variable_id": variable}
    ids = [client.post(f"{base}/materials", json=m).json()["id"] for m in (alcohol, acid)]
    settings = {"hold": 2, "bath": 120, "agent": "a", "ratio": 2}
    run = client.post(f"{base}/runs", json={"settings": settings, "yield_percent": 60, "scale_mol": 0.2}).json()["id"]
    assert client.get(f"/api/v1/runs/{run}/weighed").json() == {"amounts": [], "settings": []}
    amounts = [{"material_id": ids[0], "mass_g": 16.0}, {"material_id": ids[1], "mass_g": 21.0}]
    answer = client.put(f"/api/v1/runs/{run}/weighed", json=amounts)
    assert answer.status_code == 200
    assert answer.json()["settings"] == [{"variable": "ratio", "as_weighed": 1.927, "setting": 2.0, "reference": "alcohol"}]
    assert [a["material"] for a in answer.json()["amounts"]] == ["alcohol", "acid"]
    refused = client.put(f"/api/v1/runs/{run}/weighed", json=[{"material_id": 999, "mass_g": 1}])
    assert refused.status_code == 422


def test_correcting_one_thing_keeps_the_rest_of_a_run(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    entered = {
        "product_mass_g": 4.0,
        "purity_percent": 90,
        "residual_percent": 3,
        "made_on": "2026-03-02",
        "lot": "L1",
        "made_by": "KB",
    }
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, **entered}).json()
    assert {name: run[name] for name in entered} == entered
    client.put(f"/api/v1/runs/{run['id']}/exclusion", json={"reason": "spilled"})
    before = client.get(f"/api/v1/runs/{run['id']}").json()
    after = client.put(f"/api/v1/runs/{run['id']}", json={"settings": settings, "notes": "two layers"}).json()
    assert after == {**before, "notes": "two layers", "revision": before["revision"] + 1}
    assert (after["excluded_reason"], after["counts"]) == ("spilled", False)
    # What was read may be sent back: the yield that follows from the mass is no yield that was typed.
    sent = {name: before[name] for name in (*entered, "yield_percent", "product_mass_u_g", "scale_mol", "theoretical_yield_g")}
    back = client.put(f"/api/v1/runs/{run['id']}", json={"settings": settings, **sent}).json()
    assert (back["yield_percent"], back["yield_u"]) == (before["yield_percent"], before["yield_u"])
    assert back["entered_yield_percent"] is None
    client.delete(f"/api/v1/runs/{run['id']}/exclusion")
    assert client.get(f"/api/v1/runs/{run['id']}").json()["counts"]


def test_a_reading_is_corrected_where_it_stands(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 50}).json()
    body = {"series": "product", "value": 10, "unit": "%", "at_kind": "elapsed", "at": "1.5"}
    reading = client.post(f"/api/v1/runs/{run['id']}/readings", json=body).json()
    corrected = client.put(f"/api/v1/readings/{reading['id']}", json={"value": 12}).json()
    assert (corrected["value"], corrected["at_h"]) == (12, 1.5)
    other = client.put(f"/api/v1/readings/{reading['id']}", json={"value": 12, "series": "starting_material"})
    assert other.status_code == 422
    assert client.post(f"/api/v1/runs/{run['id']}/start").status_code == 422
    planned = client.post(f"/api/v1/preparations/{key}/planned-runs", json={"settings": settings}).json()
    first = client.post(f"/api/v1/runs/{planned['id']}/start").json()
    assert client.post(f"/api/v1/runs/{planned['id']}/start").json() == first


def test_a_script_abandons_a_run_and_corrects_its_checkpoints(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/planned-runs", json={"settings": settings}).json()
    assert client.put(f"/api/v1/runs/{run['id']}/state", json={"state": "abandoned"}).json()["state"] == "abandoned"
    assert client.put(f"/api/v1/runs/{run['id']}/state", json={"state": "finished"}).status_code == 422
    client.post(f"/api/v1/runs/{run['id']}/checkpoints", json={"name": "crude", "stage": "work_up", "mass_g": 8})
    (checkpoint,) = client.get(f"/api/v1/runs/{run['id']}/checkpoints").json()
    assert (checkpoint["name"], checkpoint["mass_g"], checkpoint["kind"]) == ("crude", 8, "product")
    address, drier = f"/api/v1/checkpoints/{checkpoint['id']}", {"name": "crude", "stage": "work_up", "mass_g": 7}
    assert client.put(address, json=drier, params={"seen": checkpoint["stamp"]}).json()["mass_g"] == 7
    assert client.put(address, json={**drier, "mass_g": 6}, params={"seen": checkpoint["stamp"]}).status_code == 409
    assert client.get(f"/api/v1/runs/{run['id']}/checkpoints").json()[0]["mass_g"] == 7
    assert client.delete(address).status_code == 204
    assert client.get(f"/api/v1/runs/{run['id']}/checkpoints").json() == []


def test_a_script_sees_where_the_product_is_lost(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    empty = client.get(f"{base}/stages").json()
    assert empty["stretches"] == []
    assert "at least 3 runs" in empty["message"]
    for hold, made, percent in ((1, 60, 54), (2, 70, 63), (3, 80, 70), (4, 90, 80)):
        settings = {"hold": hold, "bath": 120, "agent": "a" if hold < 3 else "b"}
        run = client.post(f"{base}/runs", json={"settings": settings, "yield_percent": percent}).json()
        checkpoint = {"name": "crude", "stage": "reaction", "mass_g": made / 5, "purity_percent": 50}
        assert client.post(f"/api/v1/runs/{run['id']}/checkpoints", json=checkpoint).status_code == 201
    found = client.get(f"{base}/stages").json()
    reaction, rest = found["stretches"]
    assert (reaction["start"], reaction["end"], rest["end"]) == (None, "reaction", None)
    assert reaction["runs"] == found["complete_runs"] == [1, 2, 3, 4]
    assert reaction["mean_loss_points"] == pytest.approx(25.0)
    assert rest["lowest_recovery_percent"] == pytest.approx(87.5)
    assert reaction["share_of_differences"] + rest["share_of_differences"] == pytest.approx(1.0)
    assert reaction["effects"][0]["variable"] == "hold"
    assert found["sentences"][0].startswith("Most is lost in the reaction: 25 points")
    # 90 % made in run 4, kept as in runs 1 and 2 (90 %): 81 %, more than the 80 % of run 4.
    best = found["best_cross"]
    assert (best["first_run"], best["second_run"], best["percent"]) == (4, 1, pytest.approx(81.0))
    assert (best["settings"]["hold"], best["settings"]["agent"]) == (4, "a")


def test_a_script_does_not_overwrite_what_was_changed_meanwhile(client: TestClient) -> None:
    key = create(client)
    water = {"name": "water", "role": "solvent", "amount_kind": "volume", "amount": 5}
    client.post(f"/api/v1/preparations/{key}/materials", json=water)
    (material,) = client.get(f"/api/v1/preparations/{key}/materials").json()
    preparation = client.get(f"/api/v1/preparations/{key}").json()
    variable = client.get(f"/api/v1/preparations/{key}/variables").json()[0]
    for address, old, body, change in (
        (f"/api/v1/preparations/{key}", preparation, {"name": "Ester"}, {"notes": "mine"}),
        (f"/api/v1/variables/{variable['id']}", variable, {**variable, "base": 2}, {"high": 7}),
        (f"/api/v1/materials/{material['id']}", material, water, {"hazards": "none"}),
    ):
        body = {k: v for k, v in body.items() if k not in ("id", "stamp") and v is not None}
        changed = client.put(f"{address}?seen={old['stamp']}", json={**body, **change})
        assert changed.status_code == 200, changed.text
        again = client.put(f"{address}?seen={old['stamp']}", json=body)
        assert again.status_code == 409
        assert "read it again" in again.text
        assert changed.json()["stamp"] != old["stamp"]
        assert client.put(f"{address}?seen={changed.json()['stamp']}", json=body).status_code == 200
        assert client.put(address, json=body).status_code == 200


def test_what_is_read_can_be_sent_back(client: TestClient) -> None:
    key = create(client)
    addresses: list[tuple[str, type[Input]]] = [(f"/api/v1/preparations/{key}", PreparationInput)]
    rows = client.get(f"/api/v1/preparations/{key}/variables").json()
    addresses += [(f"/api/v1/variables/{row['id']}", VariableInput) for row in rows]
    read = {row["id"]: row for row in rows}
    for address, kind in addresses:
        before = read[int(address.rsplit("/", 1)[1])] if kind is VariableInput else client.get(address).json()
        assert set(kind.model_fields) - {"confirm"} <= set(before)
        sent = {k: v for k, v in before.items() if k in kind.model_fields}
        assert client.put(address, json=sent).json() == before


PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 32


def test_a_script_keeps_procedure_write_ups_and_files(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    assert client.get(f"{base}/write-up").status_code == 409
    run = client.post(f"{base}/runs", json={"settings": {"hold": 2, "bath": 120, "agent": "a"}, "yield_percent": 60}).json()
    first = client.get(f"{base}/procedure").json()
    assert first["stages"] == {}
    changed = client.put(f"{base}/procedure?seen={first['stamp']}", json={"stages": {"reaction": "Stir well."}})
    assert changed.json()["stages"] == {"reaction": "Stir well."}
    late = client.put(f"{base}/procedure?seen={first['stamp']}", json={"stages": {"reaction": "Do not stir."}})
    assert late.status_code == 409
    draft = client.get(f"{base}/write-up").json()
    assert (draft["id"], draft["version"]) == (None, None)
    assert "Stir well." in draft["markdown"]
    for impossible in ("-1", "nan", "1e99"):
        assert client.post(f"{base}/write-ups", params={"scale_mol": impossible}).status_code == 422
    assert client.get(f"{base}/write-ups").json() == []
    kept = client.post(f"{base}/write-ups").json()
    assert (kept["version"], kept["content"]) == (1, draft["content"])
    assert [one["id"] for one in client.get(f"{base}/write-ups").json()] == [kept["id"]]
    files = f"/api/v1/runs/{run['id']}/attachments"
    assert client.post(files, files={"file": ("plate.exe", b"MZ\x00\x00")}).status_code == 422
    added = client.post(files, files={"file": ("plate.png", PNG)})
    assert added.status_code == 201
    assert (added.json()["name"], added.json()["media_type"], added.json()["size"]) == ("plate.png", "image/png", len(PNG))
    assert client.get(files).json() == [added.json()]
    assert client.get(f"/attachments/{added.json()['id']}").content == PNG
    assert client.delete(f"/api/v1/attachments/{added.json()['id']}").status_code == 204
    assert client.get(files).json() == []


def test_a_script_deletes_what_is_in_the_archive(client: TestClient) -> None:
    base = f"/api/v1/preparations/{create(client)}"
    name = client.get(base).json()["name"]
    assert client.delete(base, params={"name": name}).status_code == 422
    client.put(f"{base}/archive", json={"archived": True})
    assert client.delete(base).status_code == 422
    assert client.delete(base, params={"name": name + "!"}).status_code == 422
    assert client.get(base).status_code == 200
    assert client.delete(base, params={"name": name}).status_code == 204
    assert client.get(base).status_code == 404


def test_a_script_archives_and_chooses_the_evidence(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    assert client.put(f"{base}/archive", json={"archived": True}).json()["archived_at"] is not None
    assert client.get("/api/v1/preparations").json() == []
    assert client.put(f"{base}/archive", json={"archived": False}).json()["archived_at"] is None
    start = {"use_courses": True, "course_variable_id": None, "use_checkpoints": True}
    assert client.get(f"{base}/evidence-use").json() == start
    assert client.put(f"{base}/evidence-use/checkpoints", json={"use": False}).json() == {**start, "use_checkpoints": False}
    hold = client.get(f"{base}/variables").json()[0]["id"]
    answer = client.put(f"{base}/evidence-use/courses", json={"use": False, "variable_id": hold}).json()
    assert answer == {"use_courses": False, "course_variable_id": hold, "use_checkpoints": False}
    assert client.put(f"{base}/evidence-use/courses", json={"use": True, "variable_id": 999}).status_code == 422


def test_a_script_asks_what_to_expect_of_its_own_settings(client: TestClient) -> None:
    key = create(client)
    asked = {"settings": {"hold": 3, "bath": 130, "agent": "b"}}
    answer = client.post(f"/api/v1/preparations/{key}/forecast", json=asked).json()
    assert answer["settings"] == {"hold": 3, "bath": 130, "agent": "b"}
    assert 0 <= answer["forecast"]["low_90"] < answer["forecast"]["mean"] < answer["forecast"]["high_90"] <= 100
    assert answer["broken_limits"] == []
    beyond = client.post(f"/api/v1/preparations/{key}/forecast", json={"settings": {**asked["settings"], "bath": 400}}).json()
    assert "outside the hard limit" in beyond["broken_limits"][0]
    wrong = client.post(f"/api/v1/preparations/{key}/forecast", json={"settings": {"hold": 3, "bath": "warm", "agent": "b"}})
    assert wrong.status_code == 422
    bare = client.post("/api/v1/preparations", json={"name": "bare"}).json()["id"]
    assert client.post(f"/api/v1/preparations/{bare}/forecast", json={"settings": {}}).status_code == 409


def test_weighed_amounts_of_an_old_revision_are_refused(client: TestClient) -> None:
    key = create(client)
    result = {"settings": {"hold": 2, "bath": 120, "agent": "a"}, "yield_percent": 60}
    row = client.post(f"/api/v1/preparations/{key}/runs", json=result).json()
    alcohol = {"name": "alcohol", "role": "reagent", "formula": "C5H12O"}
    one = {"material_id": client.post(f"/api/v1/preparations/{key}/materials", json=alcohol).json()["id"], "mass_g": 5.0}
    address = f"/api/v1/runs/{row['id']}/weighed"
    assert client.put(address, json=[one, one]).status_code == 422
    assert client.put(address, json=[one], params={"revision": row["revision"]}).status_code == 200
    assert client.put(address, json=[one], params={"revision": row["revision"]}).status_code == 409


def test_a_script_says_when_a_run_began(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 60}).json()
    began = client.post(f"/api/v1/runs/{run['id']}/start", json={"began": "2026-03-31T14:05:00+00:00"})
    assert began.status_code == 200
    assert began.json()["state"] == "finished"
    assert client.post(f"/api/v1/runs/{run['id']}/start", json={"began": "noon"}).status_code == 422


def test_what_is_no_json_is_told_so(client: TestClient) -> None:
    answer = client.post("/api/v1/preparations", content="{", headers={"content-type": "application/json"})
    assert answer.status_code == 400
    assert answer.json()["errors"] == {"body": "This is no JSON."}


def test_methods_that_are_not_there_name_those_that_are(client: TestClient) -> None:
    assert client.patch("/api/v1/preparations").headers["allow"]
    assert client.put("/preparations/1/edit").headers["allow"] == "GET"


def test_mistakes_of_a_limit_are_told_at_their_field(client: TestClient) -> None:
    base = f"/api/v1/preparations/{create(client)}/limits"
    for kind, field in (
        ("not_used", "options"),
        ("total_time", "variables"),
        ("only_with", "partners"),
        ("linear", "coefficients"),
    ):
        answer = client.post(base, json={"kind": kind, field: 5})
        assert answer.status_code == 422
        assert field in answer.json()["errors"], kind


def test_names_that_look_the_same_are_the_same(client: TestClient) -> None:
    assert client.post("/api/v1/preparations", json={"name": "\u200b"}).status_code == 422
    composed = client.post("/api/v1/preparations", json={"name": "caf\u00e9"}).json()
    assert client.post("/api/v1/preparations", json={"name": "cafe\u0301"}).status_code == 422
    assert client.post("/api/v1/preparations", json={"name": "ca\u200bf\u00e9\u202e"}).status_code == 422
    assert composed["name"] == "café"
    base = f"/api/v1/preparations/{composed['id']}/materials"
    long = {"name": "water", "role": "solvent", "amount_kind": "mass", "choice": "x" * 100_000}
    assert client.post(base, json=long).json()["errors"]["choice"].startswith("At most 60 characters")


def test_a_failure_without_a_number_has_no_yield_and_can_be_sent_back(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "outcome": "failure"}).json()
    assert (run["yield_percent"], run["modelled_percent"]) == (None, 0.0)
    sent = {name: run[name] for name in ("yield_percent", "outcome", "notes")}
    back = client.put(f"/api/v1/runs/{run['id']}", json={"settings": settings, **sent}).json()
    assert (back["entered_yield_percent"], back["yield_percent"]) == (None, None)


def test_a_yield_above_100_is_said_to_be_modelled_as_100(client: TestClient) -> None:
    key = create(client)
    run = {"settings": SETTINGS, "yield_percent": 122.0, "confirm": ["yield_above_100"]}
    answer = client.post(f"/api/v1/preparations/{key}/runs", json=run).json()
    assert (answer["yield_percent"], answer["modelled_percent"]) == (122.0, 100.0)


def test_a_reading_that_was_changed_meanwhile_is_not_overwritten(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 50}).json()["id"]
    body = {"series": "product", "value": 10, "unit": "%", "at_kind": "elapsed", "at": "1.5"}
    first = client.post(f"/api/v1/runs/{run}/readings", json=body).json()
    address = f"/api/v1/readings/{first['id']}"
    second = client.put(address, json={**body, "value": 12}, params={"seen": first["stamp"]}).json()
    assert client.put(address, json={**body, "value": 14}, params={"seen": first["stamp"]}).status_code == 409
    assert client.put(address, json={**body, "value": 14}, params={"seen": second["stamp"]}).json()["value"] == 14


def test_what_changes_nothing_leaves_no_trace(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 50}).json()["id"]
    address = f"/api/v1/runs/{run}/exclusion"
    once = client.put(address, json={"reason": "spilled"}).json()["revision"]
    assert client.put(address, json={"reason": "spilled"}).json()["revision"] == once
    assert client.put(address, json={"reason": "spilt"}).json()["revision"] == once + 1


def test_what_was_seen_before_a_change_is_checked_for_runs(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    planned = client.post(f"/api/v1/preparations/{key}/planned-runs", json={"settings": settings}).json()
    address, old = f"/api/v1/runs/{planned['id']}", planned["revision"]
    assert client.put(f"{address}/so-far", json={"settings": settings, "notes": "stirrer stuck"}).status_code == 200
    # Abandoned twice is abandoned; with another revision than the one that was seen it is not.
    assert client.put(f"{address}/state", json={"state": "abandoned", "revision": old}).status_code == 409
    assert client.post(f"{address}/start", json={"began": "8:00", "revision": old}).status_code == 409
    assert client.delete(f"{address}?revision={old}").status_code == 409
    assert client.get(address).json()["state"] == "planned"
    gone = client.put(f"{address}/state", json={"state": "abandoned", "revision": old + 1}).json()
    assert (gone["state"], gone["revision"]) == ("abandoned", old + 2)
    assert client.put(f"{address}/state", json={"state": "abandoned", "revision": old}).json() == gone
    kept = client.put(f"{address}/so-far", json={"settings": settings, "notes": "x"})
    assert (kept.status_code, "plan it again first" in kept.json()["detail"]) == (422, True)
    # A finished run is excluded, taken back and deleted by who has seen it last.
    done = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 60}).json()
    address, old = f"/api/v1/runs/{done['id']}", done["revision"]
    assert client.put(f"{address}/exclusion", json={"reason": "wet", "revision": old}).status_code == 200
    assert client.put(f"{address}/exclusion", json={"reason": "dry", "revision": old}).status_code == 409
    assert client.delete(f"{address}/exclusion?revision={old}").status_code == 409
    assert client.get(address).json()["excluded_reason"] == "wet"
    assert client.delete(f"{address}/exclusion?revision={old + 1}").json()["excluded_reason"] is None
    assert client.delete(f"{address}?revision={old + 2}").status_code == 204


def test_a_run_says_where_it_belongs_and_when_it_was_planned_and_begun(client: TestClient) -> None:
    key = create(client)
    plan = {"hold": 2, "bath": 120, "agent": "a"}
    planned = client.post(f"/api/v1/preparations/{key}/planned-runs", json={"settings": plan}).json()
    assert (planned["preparation_id"], planned["started_at"], planned["finished_at"]) == (key, None, None)
    begun = client.post(f"/api/v1/runs/{planned['id']}/start").json()
    assert begun["started_at"] >= planned["created_at"]
    done = client.put(f"/api/v1/runs/{planned['id']}", json={"settings": plan | {"bath": 130}, "yield_percent": 61}).json()
    assert (done["planned_settings"], done["settings"]) == (plan, plan | {"bath": 130})
    assert done["finished_at"] >= begun["started_at"]


def test_a_script_does_what_the_pages_do(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    run = client.post(f"{base}/runs", json={"settings": {"hold": 2, "bath": 120, "agent": "a"}, "yield_percent": 61}).json()
    client.post(f"/api/v1/runs/{run['id']}/start", json={"began": "2026-03-02 08:00"})
    for at, value in ((0.5, 30), (1, 48), (2, 69), (3, 78), (4, 82), (6, 84), (8, 85)):
        body = {"series": "product", "value": value, "at_kind": "elapsed", "at": str(at)}
        assert client.post(f"/api/v1/runs/{run['id']}/readings", json=body).status_code == 201
    shape = f"/api/v1/runs/{run['id']}/course/product/shape"
    assert client.get(f"/api/v1/runs/{run['id']}/course").json()[0]["shape"] == "plateau"
    assert client.put(shape, json={"shape": "slowing"}).json()[0]["shape"] == "slowing"
    assert client.put(shape, json={"shape": "wavy"}).status_code == 422
    assert client.put(shape, json={"shape": None}).json()[0]["shape"] == "plateau"
    # What was changed, and by what.
    history = client.get(f"{base}/history?run_number={run['number']}").json()
    assert history[0]["what"] == "shape of the time course chosen"
    assert history[0]["before"] == {"product": "slowing"}
    assert {line["run_number"] for line in history} == {run["number"]}
    assert len(client.get(f"{base}/history").json()) > len(history)
    assert client.get("/api/v1/preparations/99/history").status_code == 404
    # A version of the write-up that was kept, by its id.
    kept = client.post(f"{base}/write-ups").json()
    assert client.get(f"/api/v1/write-ups/{kept['id']}").json() == kept
    assert client.get("/api/v1/write-ups/99").status_code == 404
    # MgSO4·7H2O: 7 × 18.015 g of water per 120.36 g.
    found = client.get("/api/v1/drying-advice?agent=magnesium sulfate&water_g=7&excess=2").json()
    assert (found["least_g"], found["suggested_g"]) == (pytest.approx(6.681, abs=0.001), pytest.approx(13.362, abs=0.002))
    assert any("Slightly acidic" in caution for caution in found["cautions"])
    assert client.get("/api/v1/drying-advice?agent=magnesium sulfate&water_g=nan").status_code == 422


def test_a_script_gives_runs_the_theory_of_today(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    run = client.post(f"{base}/runs", json={"settings": {"hold": 2, "bath": 120, "agent": "a"}, "product_mass_g": 5}).json()
    preparation = client.get(base).json()
    sent = {k: v for k, v in preparation.items() if k in PreparationInput.model_fields} | {"theoretical_yield_g": 8}
    assert client.put(base, json=sent).status_code == 200
    assert client.get(f"/api/v1/runs/{run['id']}").json()["yield_percent"] == 50.0
    assert client.post(f"{base}/renew-theory").json() == [run["number"]]
    assert client.get(f"/api/v1/runs/{run['id']}").json()["yield_percent"] == 62.5
    assert client.post(f"{base}/renew-theory").json() == []


def test_a_misspelt_parameter_is_told(client: TestClient) -> None:
    key = create(client)
    address = f"/api/v1/preparations/{key}"
    body = {"name": "Ester", "theoretical_yield_g": 12}
    told = client.put(f"{address}?Seen=0123456789abcdef", json=body)
    assert (told.status_code, told.json()["errors"]) == (422, {"Seen": "There is no such parameter. There are seen."})
    # An empty stamp would be no stamp.
    assert client.put(f"{address}?seen=", json=body).status_code == 422
    assert client.get(address).json()["theoretical_yield_g"] == 10
    assert client.get(f"{address}/runs?number=3").json()["errors"] == {
        "number": "There is no such parameter. There is none here."
    }
    assert client.get(f"{address}/history?run_number=3").status_code == 200


def test_what_is_not_named_of_a_plan_stays(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    plan = {"settings": settings, "scale_mol": 0.4, "notes": "stir fast", "reference": "K7"}
    run = client.post(f"/api/v1/preparations/{key}/planned-runs", json=plan).json()
    changed = client.put(f"/api/v1/runs/{run['id']}/plan", json={"settings": settings | {"bath": 125}}).json()
    assert changed["settings"]["bath"] == 125
    assert (changed["scale_mol"], changed["notes"], changed["reference"]) == (0.4, "stir fast", "K7")
    changed = client.put(f"/api/v1/runs/{run['id']}/plan", json={"settings": settings, "notes": ""}).json()
    assert (changed["notes"], changed["reference"]) == ("", "K7")


@pytest.mark.parametrize("blank", ["\u200b", "\u2003", "\u3164", "\u2800", " \u115f ", "\u2028"])
def test_what_cannot_be_seen_is_no_reason_and_no_name(client: TestClient, blank: str) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 61}).json()
    assert client.put(f"/api/v1/runs/{run['id']}/exclusion", json={"reason": blank}).status_code == 422
    client.put(f"/api/v1/runs/{run['id']}", json={"settings": settings, "excluded_reason": blank})
    assert client.get(f"/api/v1/runs/{run['id']}").json()["counts"]
    assert client.post("/api/v1/preparations", json={"name": blank}).status_code == 422
    # A wide blank is a blank.
    assert client.post("/api/v1/preparations", json={"name": f"Es\u2003ter{blank}"}).json()["name"] == "Es ter"


def test_a_time_zone_that_there_is_not_is_told(client: TestClient) -> None:
    key = create(client)
    settings = {"hold": 2, "bath": 120, "agent": "a"}
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": settings, "yield_percent": 61}).json()
    body = {"began": "2026-03-02 10:00", "zone": "Europe/Belin"}
    told = client.post(f"/api/v1/runs/{run['id']}/start", json=body)
    assert (told.status_code, list(told.json()["errors"])) == (422, ["zone"])
    # A browser says both: then the distance from UTC will do.
    begun = client.post(f"/api/v1/runs/{run['id']}/start", json=body | {"offset_minutes": 60}).json()
    assert begun["started_at"].startswith("2026-03-02T09:00")


def test_every_line_can_be_read_by_itself_and_is_deleted_only_as_it_was_seen(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    material = client.post(f"{base}/materials", json={"name": "acid", "role": "reagent", "formula": "C2H4O2", "amount": 1}).json()
    run = client.post(f"{base}/runs", json={"settings": SETTINGS, "yield_percent": 60}).json()
    mark = {"name": "crude", "stage": "work_up", "mass_g": 7}
    checkpoint = client.post(f"/api/v1/runs/{run['id']}/checkpoints", json=mark).json()
    reading = {"series": "product", "value": 40, "at": "2", "at_kind": "elapsed"}
    reading = client.post(f"/api/v1/runs/{run['id']}/readings", json=reading).json()
    variable = client.get(f"{base}/variables").json()[2]
    lines = (("variables", variable), ("materials", material), ("checkpoints", checkpoint), ("readings", reading))
    for kind, line in lines:
        address = f"/api/v1/{kind}/{line['id']}"
        assert client.get(address).json() == line
        if kind != "readings":
            assert client.delete(f"{address}?seen={'0' * 16}").status_code == 409
            assert client.get(address).status_code == 200
            assert client.delete(f"{address}?seen={line['stamp']}").status_code == 204
            assert client.get(address).status_code == 404


def test_a_script_plans_several_runs_with_what_they_need(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    client.put(base, json={"name": "Ester", "theoretical_yield_g": 10, "base_scale_mol": 0.1})
    acid = {"name": "acid", "role": "reagent", "formula": "C2H4O2", "amount": 1, "stock_g": 14, "price_per_g": 0.5}
    client.post(f"{base}/materials", json=acid)
    proposals = client.get(f"{base}/proposals?count=2").json()
    # C2H4O2: 60.05 g/mol.
    assert [p["needs"]["materials"][0]["mass_g"] for p in proposals] == pytest.approx([6.005, 6.005], abs=1e-3)
    assert proposals[0]["needs"]["cost"] == pytest.approx(3.0026, abs=1e-3)
    (larger,) = client.get(f"{base}/proposals?scale_mol=0.3").json()
    assert larger["needs"]["materials"][0]["is_short"]
    for impossible in ("-1", "nan", "1e99"):
        assert client.get(f"{base}/proposals?scale_mol={impossible}").status_code == 422
    assert client.post(f"{base}/forecast", json={"settings": SETTINGS, "scale_mol": -1}).status_code == 422
    plans = [{"settings": p["settings"]} for p in proposals]
    planned = client.post(f"{base}/planned-runs/several", json=plans)
    assert (planned.status_code, [r["state"] for r in planned.json()]) == (201, ["planned", "planned"])
    assert all(r["forecast"] and r["purpose"] == "raise" for r in planned.json())
    (stock,) = client.get(f"{base}/stock").json()
    assert (stock["counted_g"], stock["reserved_g"]) == (14, pytest.approx(12.01, abs=1e-2))
    # A third does not fit: it is asked about, and none is planned.
    refused = client.post(f"{base}/planned-runs/several", json=plans)
    assert (refused.status_code, refused.json()["confirm"]) == (422, "short_stock")
    assert len(client.get(f"{base}/runs").json()) == 2
    charge = client.get(f"/api/v1/runs/{planned.json()[0]['id']}/charge").json()
    assert (charge["scale_mol"], charge["lines"][0]["rounded_g"]) == (0.1, pytest.approx(6.01))
    bare = create(client, "Bare")
    run = client.post(f"/api/v1/preparations/{bare}/runs", json={"settings": SETTINGS, "yield_percent": 60}).json()
    assert client.get(f"/api/v1/runs/{run['id']}/charge").status_code == 409


def test_a_table_is_looked_at_before_it_is_stored(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}/runs"
    rows = [["hold", "bath", "agent", "yield"], ["2", "120", "a", "61"], ["3", "warm", "b", "104"], ["2", "120", "c", "50"]]
    seen = client.post(f"{base}/import/preview", json={"rows": rows}).json()
    assert [c["meaning"] for c in seen["columns"]] == ["v1", "v2", "v3", "yield_percent"]
    assert seen["rows"][0]["settings"] == {"hold": 2.0, "bath": 120.0, "agent": "a"}
    assert [bool(r["problems"]) for r in seen["rows"]] == [False, True, True]
    assert seen["unknown_words"] == {"bath": ["warm"], "agent": ["c"]}
    client.post(f"/api/v1/preparations/{key}/materials", json={"name": "toluene", "role": "solvent", "formula": "C7H8"})
    weighed = [[*rows[0], "toluene / g", "scale / mol"], [*rows[1], "43", "0.05"]]
    (row,) = client.post(f"{base}/import/preview", json={"rows": weighed}).json()["rows"]
    assert (row["weighed"], row["scale_mol"]) == (["toluene, weighed: 43 g"], 0.05)
    assert client.get(base).json() == []
    rows[2][1] = "125"
    asked = client.post(f"{base}/import/preview", json={"rows": rows}).json()["questions"]
    (high,) = [q for q in asked if "100 %" in q["message"]]
    answers = [q["answers"][0] for q in asked]
    assert [answer.split(":")[0] for answer in high["answers"]] == ["yield_above_100"]
    assert client.post(f"{base}/import", json={"rows": rows, "confirm": answers}).status_code == 201


def test_the_advice_says_what_it_is_about(client: TestClient) -> None:
    key = create(client)
    base = f"/api/v1/preparations/{key}"
    for hold in (1, 2, 3):
        client.post(f"{base}/runs", json={"settings": SETTINGS | {"hold": hold}, "yield_percent": 50 + 5 * hold})
    free = client.get(f"{base}/stop-advice").json()
    assert (free["can_make"], free["together"], free["hindrance"]) == (5, free["next_five"], "")
    day = (today() + timedelta(days=1)).isoformat()
    client.put(base, json={"name": "Ester", "finish_by": day, "runs_per_week": 7, "aim_percent": 99})
    two = client.get(f"{base}/stop-advice").json()
    assert (two["can_make"], two["runs_left_by_date"]) == (2, 2)
    assert two["next_one"] <= two["together"] <= two["next_five"]
    assert 0 <= two["aim_chance"] <= 1
    # Where no run can be made, that is said before there is a recipe, too.
    empty = create(client, "Other")
    past = (today() - timedelta(days=1)).isoformat()
    client.put(f"/api/v1/preparations/{empty}", json={"name": "Other", "finish_by": past, "runs_per_week": 7})
    late = client.get(f"/api/v1/preparations/{empty}/stop-advice").json()
    assert late["hindrance"].startswith("No further run can be made")
    assert late["message"].startswith("No further run can be made")
    effects = client.get(f"{base}/effects").json()["effects"]
    (of_hold,) = [e for e in effects if e["variable"] == "hold"]
    assert (of_hold["from_label"], of_hold["to_label"]) == ("1 h", "3 h")


def test_readings_come_in_with_their_number(client: TestClient) -> None:
    key = create(client)
    run = client.post(f"/api/v1/preparations/{key}/runs", json={"settings": SETTINGS, "yield_percent": 60}).json()
    body = {"series": "product", "at_unit": "h", "rows": "0 0\n1 20\n2 35"}
    answer = client.post(f"/api/v1/runs/{run['id']}/readings/import", json=body)
    assert (answer.status_code, answer.json()["count"]) == (201, 3)
    unknown = client.delete(f"/api/v1/runs/{run['id']}/readings?series=colour")
    assert (unknown.status_code, set(unknown.json()["errors"])) == (422, {"series"})
    drying = client.get("/api/v1/drying-advice?agent=magnesium%20sulfate&water_g=1&excess=inf").json()
    assert set(drying["errors"]) == {"excess"}


def test_a_variable_takes_no_rule_along_unasked(client: TestClient) -> None:
    key = create(client)
    first, second = (v["id"] for v in client.get(f"{API}/preparations/{key}/variables").json()[:2])
    rule = {"kind": "linear", "coefficients": {str(first): 1, str(second): 1}, "bound": 130}
    assert client.post(f"{API}/preparations/{key}/limits", json=rule).status_code == 201
    refused = client.delete(f"{API}/variables/{first}")
    assert (refused.status_code, refused.json()["confirm"]) == (422, "rules_go")
    assert "These rules name hold and would go along" in refused.json()["detail"]
    assert len(client.get(f"{API}/preparations/{key}/limits").json()) == 1
    assert client.delete(f"{API}/variables/{first}?confirm=rules_go").status_code == 204
    assert client.get(f"{API}/preparations/{key}/limits").json() == []


@pytest.mark.parametrize("number", ["99999999999999999999", "-1", "0"])
def test_a_run_number_that_cannot_be_is_refused(client: TestClient, number: str) -> None:
    key = create(client)
    assert client.get(f"{API}/preparations/{key}/history?run_number={number}").status_code == 422


def test_where_no_run_can_be_made_none_is_counted(client: TestClient) -> None:
    key = create(client)
    client.put(f"{API}/preparations/{key}", json={"name": "Ester", "theoretical_yield_g": 10, "finish_by": "2020-01-01"})
    settings = SETTINGS
    for k in range(3):
        run = client.post(
            f"{API}/preparations/{key}/runs", json={"settings": {**settings, "hold": 1 + k}, "yield_percent": 50 + k}
        )
        assert run.status_code == 201
    advice = client.get(f"{API}/preparations/{key}/stop-advice").json()
    assert advice["hindrance"].startswith("No further run can be made")
    assert (advice["can_make"], advice["together"], advice["worth_it"]) == (0, 0, False)
    assert " If it could: the run with the best chance" in advice["message"]


def test_curves_and_the_budget_of_a_yield_are_answered(client: TestClient) -> None:
    key = create(client)
    assert client.get(f"{API}/preparations/{key}/response-curves").json() == []
    for k in range(4):
        body = {
            "settings": {**SETTINGS, "hold": 1 + k},
            "product_mass_g": 5 + k / 2,
            "theoretical_yield_g": 10,
            "purity_u_percent": 1,
        }
        run = client.post(f"{API}/preparations/{key}/runs", json=body)
        assert run.status_code == 201
    budget = run.json()["yield_budget"]
    assert sum(line["share"] for line in budget) == pytest.approx(1.0)
    assert run.json()["yield_u"] == pytest.approx(sum(line["contribution"] ** 2 for line in budget) ** 0.5)
    (curve,) = client.get(f"{API}/preparations/{key}/response-curves").json()
    assert curve["variable"] == "hold"
    assert all(p["low_90"] <= p["low_50"] <= p["mean"] <= p["high_50"] <= p["high_90"] for p in curve["points"])
    assert 1 <= next(p["setting"] for p in curve["points"] if p["tried"]) < 1.2


def test_a_saving_that_there_is_not_is_refused_for_every_purpose(client: TestClient) -> None:
    key = create(client)
    for purpose in ("raise", "shorten"):
        answer = client.get(f"{API}/preparations/{key}/proposals", params={"purpose": purpose, "saving": "cost"})
        assert answer.status_code == 422
        assert answer.json()["errors"]["saving"].startswith("Choose one of hours")


def test_a_name_of_digits_is_no_name_of_a_variable(client: TestClient) -> None:
    key = create(client)
    variable = {"name": "27", "role": "other", "low": 0, "high": 1, "base": 0.5}
    answer = client.post(f"{API}/preparations/{key}/variables", json=variable)
    assert (answer.status_code, list(answer.json()["errors"])) == (422, ["name"])


def test_a_stamp_that_is_too_short_is_said_to_be(client: TestClient) -> None:
    key = create(client)
    answer = client.delete(f"{API}/variables/1", params={"seen": "abc"})
    assert key
    assert "too short" in answer.text


def test_a_time_that_clocks_skipped_is_refused(client: TestClient) -> None:
    key = create(client)
    run = client.post(f"{API}/preparations/{key}/planned-runs", json={"settings": SETTINGS}).json()
    began = {"began": "2026-03-29 02:30", "zone": "Europe/Berlin"}
    answer = client.post(f"{API}/runs/{run['id']}/start", json=began)
    assert answer.status_code == 422
    assert "did not exist" in answer.text
    assert client.post(f"{API}/runs/{run['id']}/start", json={**began, "began": "2026-03-29 03:30"}).is_success


def test_what_cannot_be_dried_is_refused(client: TestClient) -> None:
    ask = f"{API}/drying-advice"
    assert client.get(ask, params={"agent": "MgSO4", "water_g": 1}).json()["agent"] == "magnesium sulfate"
    for more in ({"water_g": 1e300}, {"water_g": 1, "excess": 1e300}, {"water_g": 1e-320}):
        assert client.get(ask, params={"agent": "MgSO4", **more}).status_code == 422


def test_readings_in_another_unit_carry_no_dust(client: TestClient) -> None:
    key = create(client)
    run = client.post(f"{API}/preparations/{key}/planned-runs", json={"settings": SETTINGS}).json()
    reading = {"series": "temperature", "unit": "K", "value": 338, "at": "1", "at_unit": "h", "at_kind": "elapsed"}
    answer = client.post(f"{API}/runs/{run['id']}/readings", json=reading)
    assert answer.status_code == 201, answer.text
    assert answer.json()["value"] == 64.85


def test_the_description_names_what_a_script_has_to_choose_from(client: TestClient) -> None:
    schemas = client.get(f"{API}/openapi.json").json()["components"]["schemas"]
    assert all(key in schemas["ReadingInput"]["description"] for key in SERIES)
    assert all(kind.value in schemas["MaterialInput"]["description"] for kind in AmountKind)
    assert f"at most {MOST_ROWS} rows of {MOST_COLUMNS} columns" in schemas["NotebookInput"]["description"]
    words = schemas["ColumnInput"]["description"]
    spelt = {key for key in MEANINGS if not key.startswith("checkpoint_") and "_u_" not in key}
    assert all(key in words for key in spelt)
    assert not any("server." in schema.get("description", "") for schema in schemas.values())
    key = create(client)
    body = {"rows": [["hold", "yield"], ["1", "50"]], "columns": {"1": {"meaning": "hold"}}}
    answer = client.post(f"{API}/preparations/{key}/runs/import/preview", json=body)
    assert answer.status_code == 422
    assert "there is no meaning “hold”. Choose one of v1" in answer.text


def test_a_time_since_the_start_may_be_a_number(client: TestClient) -> None:
    key = create(client)
    run = client.post(f"{API}/preparations/{key}/planned-runs", json={"settings": SETTINGS}).json()
    reading = {"series": "conversion", "value": 40, "at": 1.5, "at_kind": "elapsed"}
    answer = client.post(f"{API}/runs/{run['id']}/readings", json=reading)
    assert answer.json()["at_h"] == 1.5


def test_yes_is_no_base_value(client: TestClient) -> None:
    key = create(client)
    variable = {"name": "stirring", "role": "other", "low": 0, "high": 2, "base": True}
    answer = client.post(f"{API}/preparations/{key}/variables", json=variable)
    assert (answer.status_code, answer.json()["errors"]["base"]) == (422, "Enter a number, or one of the options.")


def test_a_forecast_at_another_scale_says_what_it_breaks(client: TestClient) -> None:
    key = create(client)
    client.put(f"{API}/preparations/{key}", json={"name": "Ester", "theoretical_yield_g": 10, "base_scale_mol": 0.05})
    volume = {"name": "toluene", "role": "volume", "unit": "mL", "low": 50, "high": 200, "base": 100, "hard_high": 250}
    assert client.post(f"{API}/preparations/{key}/variables", json=volume).status_code == 201
    settings = {**SETTINGS, "toluene": 150}
    assert client.post(f"{API}/preparations/{key}/runs", json={"settings": settings, "yield_percent": 60}).status_code == 201
    body = {"settings": settings, "scale_mol": 0.15}
    told = ["toluene: 450 mL at 0.15 mol, above the hard limit 250 mL"]
    assert client.post(f"{API}/preparations/{key}/forecast", json=body).json()["limits_at_scale"] == told
    assert client.post(f"{API}/preparations/{key}/forecast", json={"settings": settings}).json()["limits_at_scale"] == []
    (proposal,) = client.get(f"{API}/preparations/{key}/proposals", params={"scale_mol": 0.5}).json()
    assert proposal["limits_at_scale"][0].startswith("toluene: ")
    typed = {f"setting_{k}": str(v) for k, v in zip("1234", ("2", "120", "a", "150"), strict=True)}
    page = client.get(f"/preparations/{key}/forecast", params={**typed, "scale_mol": "0.15", "purpose": "raise"}).text
    assert "This scale breaks a limit: toluene" in page


def test_an_abandoned_run_has_no_form_for_a_result(client: TestClient) -> None:
    key = create(client)
    run = client.post(f"{API}/preparations/{key}/planned-runs", json={"settings": SETTINGS}).json()["id"]
    assert f"/runs/{run}/edit" in client.get(f"/runs/{run}").text
    assert client.put(f"{API}/runs/{run}/state", json={"state": "abandoned"}).is_success
    page = client.get(f"/runs/{run}/edit")
    assert page.url.path == f"/runs/{run}"
    assert f"/runs/{run}/edit" not in page.text


def test_a_body_that_does_not_say_that_it_is_json_is_sent_back_with_what_to_say(client: TestClient) -> None:
    for answer in (
        client.post("/api/v1/preparations", content=b'{"name": "ester"}', headers={"content-type": "text/plain"}),
        client.post("/api/v1/preparations", data={"name": "ester"}),
    ):
        assert answer.status_code == 422
        assert answer.json()["errors"] == {"body": "Send the body as JSON, with the header Content-Type: application/json."}
