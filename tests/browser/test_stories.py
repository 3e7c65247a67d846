"""Whole stories in a real browser, at desk and at phone width."""

from __future__ import annotations

import base64
import re
from itertools import pairwise
from urllib.parse import parse_qs

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Dialog, Page, Route, expect

from server.paths import asset_folder
from tests.browser.conftest import ARTEFACTS

pytestmark = pytest.mark.browser


def drawn_points(page: Page) -> list[float]:
    """Yields that the plot on the page shows, all traces with markers together."""
    page.wait_for_selector("[data-drawn=yes]")
    script = """() => document.querySelector('[data-figure]').data
        .filter(t => t.mode === 'markers').flatMap(t => Array.from(t.y))"""
    return [float(y) for y in page.evaluate(script)]


def test_from_the_demo_to_a_planned_run(demo: str, page: Page) -> None:
    page.goto(demo)
    page.get_by_role("link", name="Pear-drop ester").click()
    before = drawn_points(page)
    assert page.locator("[data-figure] svg.main-svg").count() > 0

    # Enter a run: the plot and the table change.
    page.get_by_role("link", name="Enter a run").click()
    page.get_by_label("reflux hold").fill("3")
    page.get_by_label("bath temperature").fill("140")
    page.get_by_label("acid to alcohol").fill("3")
    page.get_by_label("drying agent").select_option("sodium sulfate")
    page.get_by_label("Product mass").fill("20.31")
    page.get_by_role("button", name="Save the result").click()
    expect(page.get_by_role("rowheader", name=re.compile("^(Run )?11"))).to_be_visible()
    after = drawn_points(page)
    assert len(after) == len(before) + 1
    assert max(after) == pytest.approx(100 * 20.31 / 26.037, abs=0.05)
    expect(page.get_by_text("best: 78.0 %")).to_be_visible()

    # Get a proposal, look at its reason, accept it.
    page.get_by_role("link", name="See the proposed run").click()
    expect(page.get_by_text("Largest expected gain").first).to_be_visible()
    hold = page.locator("#f-setting_1").input_value()
    page.get_by_role("button", name="Accept as a planned run").click()
    expect(page.get_by_role("heading", name=re.compile("Run 12 planned"))).to_be_visible()
    expect(page.get_by_text("Forecast before the run")).to_be_visible()
    expect(page.locator("td", has_text=re.compile(rf"^{float(hold):g}\sh$")).first).to_be_visible()
    page.get_by_role("link", name="Bench sheet").click()
    expect(page.get_by_role("heading", name="Weigh and measure")).to_be_visible()


def test_the_forecast_follows_a_slider(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/proposal")
    judged = page.locator("#judged")
    expect(judged.get_by_role("heading")).to_have_text("Why this run")
    before = judged.locator(".forecast").inner_text()
    slider = page.get_by_label("reflux hold, slide")
    # It stands where the number says, from the start and after another one is typed.
    field = page.get_by_label("reflux hold, h")
    expect(slider).to_have_value(field.input_value())
    with page.expect_response(lambda r: "/forecast?" in r.url):
        field.fill("2")
    expect(slider).to_have_value("2")
    with page.expect_response(lambda r: "/forecast?" in r.url):
        slider.fill("0.5")
    expect(judged.get_by_role("heading")).to_have_text("Your settings")
    expect(page.get_by_label("reflux hold, h")).to_have_value("0.5")
    expect(judged.locator(".forecast")).not_to_have_text(before)
    # A typing mistake is said there too, and nothing is lost.
    with page.expect_response(lambda r: "/forecast?" in r.url and r.status == 422):
        page.get_by_label("bath temperature, °C").fill("hot")
    expect(judged).to_contain_text("is not a number")
    expect(page.get_by_label("reflux hold, h")).to_have_value("0.5")
    # What a keypad types with a comma is followed as soon as it has become a point.
    with page.expect_response(lambda r: "/forecast?" in r.url and "setting_1=1%2C5" in r.url):
        field.fill("1,5")
    with page.expect_response(lambda r: "/forecast?" in r.url and "setting_1=1.5" in r.url):
        field.press("Tab")


def test_from_a_new_preparation_to_a_result(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/new")
    page.get_by_label("Name").fill("Azo dye")
    page.get_by_label("Theoretical yield").fill("10")
    press(page, "Create, then add variables")
    page.get_by_role("link", name="Add a variable").click()
    page.get_by_label("Name").fill("hold")
    page.get_by_label("Role").select_option("hold_time")
    page.get_by_label("Unit").fill("h")
    for name, value in (("low", "0.5"), ("high", "6"), ("step", "0.5"), ("base", "1")):
        page.locator(f"#f-{name}").fill(value)
    with page.expect_event("load"):
        page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_role("link", name="Overview").click()
    for hold, mass in (("1", "5.1"), ("2", "6.4"), ("3", "7.1")):
        page.get_by_role("link", name="Enter a run").click()
        page.get_by_label("hold").fill(hold)
        page.get_by_label("Product mass").fill(mass)
        press(page, "Save the result")
    page.get_by_role("link", name="What moved the yield").click()
    expect(page.get_by_role("heading", name="One sentence per variable")).to_be_visible()
    page.get_by_role("link", name="Next run").click()
    press(page, "Accept as a planned run")
    page.get_by_role("link", name="Bench sheet").click()
    expect(page.get_by_role("heading", name="Stages")).to_be_visible()
    page.get_by_role("link", name="Back to the run").click()
    page.get_by_role("link", name="Enter the result").click()
    page.get_by_label("Product mass").fill("7.6")
    press(page, "Save the result")
    page.get_by_role("link", name="Forecasts").click()
    expect(page.get_by_role("cell", name="76.0 %")).to_be_visible()


def test_a_decimal_comma_becomes_a_point_where_it_is_seen(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    mass = page.get_by_label("Product mass")
    mass.fill("19,05")
    mass.press("Tab")
    expect(mass).to_have_value("19.05")
    # What is no decimal comma stays, for the server to say so.
    for text in ("1,905,3", "7,250"):
        mass.fill(text)
        mass.press("Tab")
        expect(mass).to_have_value(text)
    # The base value of a variable is a number, or an option that may be called anything.
    page.goto(f"{demo}/preparations/1/variables/new")
    base = page.get_by_label("Base value")
    for role, seen in (("ratio", "1.5"), ("choice", "1,5")):
        page.get_by_label("Role").select_option(role)
        base.fill("1,5")
        base.press("Tab")
        expect(base).to_have_value(seen)
    # The time of a reading is a number, or a time of day.
    page.goto(f"{demo}/runs/10/course")
    at = page.locator("#f-at")
    for text, seen in (("1,5", "1.5"), ("14:05", "14:05")):
        at.fill(text)
        at.press("Tab")
        expect(at).to_have_value(seen)


def test_a_unit_behind_a_number_goes_into_the_unit_of_the_field(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    mass, percent = page.get_by_label("Product mass"), page.locator("#f-purity_percent")
    page.locator("details", has=percent).evaluate("d => d.open = true")
    for field, typed, seen in (
        (mass, "8,42 g", "8.42"),
        (mass, "850mg", "0.85"),
        (mass, "0,0123 kg", "12.3"),
        (mass, "1 Kg", "1000"),
        (mass, "1.3 mg", "0.0013"),
        (mass, "850 µg", "0.00085"),
        (mass, "850 ug", "0.00085"),
        (mass, "850 \u03bcg", "0.00085"),  # a Greek letter, not the micro sign
        (mass, "−850 mg", "-0.85"),
        (percent, "98%", "98"),
        # A unit of something else, and what may be thousands, stay for the server to say so.
        (mass, "8.42 mL", "8.42 mL"),
        (mass, "1,234 mg", "1,234 mg"),
        (mass, "8.42 or so", "8.42 or so"),
    ):
        field.fill(typed)
        field.press("Tab")
        expect(field).to_have_value(seen)


def test_a_time_of_hours_and_minutes_goes_into_the_unit_of_the_field(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/variables/new")
    page.get_by_label("Name").fill("second hold")
    page.get_by_label("Role").select_option("hold_time")
    high = page.get_by_label("Range to")
    for unit, typed, seen in (
        ("h", "5 h 30 min", "5.5"),
        ("h", "90 min", "1.5"),
        ("min", "1h30min", "90"),
        ("h", "1 d 6 h", "30"),
        ("h", "1 h 20 min", "1.33333333333"),
        ("h", "", ""),
        # An odd order, and a unit of something else, stay for the server to say so.
        ("h", "30 min 5 h", "30 min 5 h"),
        ("°C", "1 h 30 min", "1 h 30 min"),
    ):
        page.get_by_label("Unit").fill(unit)
        high.fill(typed)
        high.press("Tab")
        expect(high).to_have_value(seen)


def test_a_write_up_becomes_a_pdf(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/write-up")
    press(page, "Keep this version")
    expect(page.get_by_role("heading", name="Write-up, version 1")).to_be_visible()
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    assert 1 < len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 4
    (ARTEFACTS / "write-up.pdf").write_bytes(pdf)
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Markdown").click()
    assert waiting.value.suggested_filename == "pear-drop-ester-v1.md"


def test_two_tabs_editing_one_run_lose_nothing(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/2/edit")
    other = page.context.new_page()
    other.goto(f"{demo}/runs/2/edit")
    other.get_by_label("Product mass").fill("15.5")
    press(other, "Save the result")
    page.get_by_label("Product mass").fill("15.9")
    with page.expect_response(lambda r: r.request.method == "POST") as answered:
        page.get_by_role("button", name="Save the result").click()
    assert answered.value.status == 409
    expect(page.get_by_text("was changed elsewhere since it was read")).to_be_visible()
    expect(page.get_by_label("Product mass")).to_have_value("15.9")
    other.reload()
    expect(other.get_by_text("15.50 g, ")).to_be_visible()


def test_a_lost_connection_keeps_the_run_in_the_browser(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    page.get_by_label("Reagent lot").fill("B9")
    # The connection goes away and the page with it: the draft is there when it comes back.
    page.goto("about:blank")
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_text("What you typed before is here again")).to_be_visible()
    expect(page.get_by_label("Product mass")).to_have_value("19.9")
    page.route("**/icon.svg*", lambda route: route.abort("connectionfailed"))
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name="Save the result").click()
    expect(page.get_by_text("The server cannot be reached")).to_be_visible()
    expect(page.get_by_label("Reagent lot")).to_have_value("B9")
    page.unroute("**/icon.svg*")
    # What the server has is no draft any more: the answer itself says so, and nobody has to ask.
    page.route("**/received/*", lambda route: route.abort("connectionfailed"))
    press(page, "Save the result")
    expect(page.get_by_role("rowheader", name=re.compile("^(Run )?11"))).to_be_visible()
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("")


def test_an_answer_that_never_came_drops_no_draft(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("18.8")
    # The server is there until the form itself is on its way.
    page.route("**/preparations/1/runs", lambda route: route.abort("connectionfailed"))
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name="Save the result").click()
    page.unroute("**/preparations/1/runs")
    page.goto(f"{demo}/preparations/1")
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("18.8")


def test_saving_one_form_of_a_run_keeps_what_is_typed_into_another(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/4")
    page.get_by_text("Add a checkpoint").click()
    page.locator("#f-name").fill("after filtering")
    page.get_by_label("mass of ethanoic acid").fill("18.1")
    press(page, "Save what was weighed")
    expect(page.locator("#f-name")).to_have_value("after filtering")
    page.get_by_label("Mass, g").fill("14.2")
    page.get_by_label("Content, % w/w").fill("90")
    press(page, "Add")
    expect(page.get_by_role("rowheader", name="after filtering")).to_be_visible()
    expect(page.get_by_text("What you typed before is here again")).to_be_hidden()
    page.get_by_role("link", name="Correct after filtering").click()
    expect(page.get_by_label("Mass, g")).to_have_value("14.2")


def rename(page: Page, address: str, name: str) -> None:
    """As another device does it."""
    row = page.request.get(address).json()
    kept = {key: value for key, value in row.items() if key not in ("id", "stamp", "created_at", "archived_at")}
    assert page.request.put(address, data={**kept, "name": name}).ok


def n_runs(demo: str, page: Page) -> int:
    return len(page.request.get(f"{demo}/api/v1/preparations/1/runs").json())


def test_words_of_the_procedure_are_neither_lost_nor_left_out_of_a_version(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/write-up")
    page.get_by_text("The procedure in your words").click()
    page.get_by_label("Isolation", exact=True).fill("Distil at 12 mbar.")
    page.reload()
    expect(page.get_by_label("Isolation", exact=True)).to_have_value("Distil at 12 mbar.")
    # Another scale is only looked at: the words stay here and do not go into an address.
    press(page, "Show at this scale")
    assert "stage_" not in page.url
    expect(page.get_by_label("Isolation", exact=True)).to_have_value("Distil at 12 mbar.")
    press(page, "Keep this version")
    expect(page.get_by_text("Distil at 12 mbar.")).to_be_visible()
    page.goto(f"{demo}/preparations/1/write-up")
    expect(page.get_by_text("What you typed before is here again")).to_be_hidden()


@pytest.mark.parametrize("by", ["button", "Enter key"])
def test_a_reading_without_a_connection_keeps_its_value_and_its_moment(demo: str, page: Page, by: str) -> None:
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")
    page.locator("#f-value").fill("22.5")
    page.route("**/icon.svg*", lambda route: route.abort("connectionfailed"))
    with page.expect_event("requestfailed"):
        if by == "button":
            page.get_by_role("button", name="Note it now").click()
        else:
            page.locator("#f-value").press("Enter")
    expect(page.get_by_text("The server cannot be reached.")).to_be_visible()
    expect(page.locator("#f-at")).to_be_visible()
    moment = page.locator("#f-at").input_value()
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d", moment)
    # The time of day where the browser is, whatever time the server has.
    assert abs(float(page.evaluate("text => (Date.now() - new Date(text.replace(' ', 'T'))) / 60000", moment))) < 30
    page.unroute("**/icon.svg*")
    page.reload()
    expect(page.locator("#f-value")).to_have_value("22.5")
    expect(page.locator("#f-at")).to_have_value(moment)
    page.locator("#f-at").fill("")
    press(page, "Note it now")
    expect(page.get_by_role("cell", name="22.5").first).to_be_visible()
    expect(page.locator("#f-value")).to_have_value("")


def send_and_lose_the_answer(page: Page, address: str, button: str) -> None:
    """Press a button whose form arrives at the server, while its answer does not come back."""

    def lose(route: Route) -> None:
        route.fetch(max_redirects=0)
        route.abort("connectionfailed")

    page.route(address, lose)
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name=button).click()
    page.unroute(address)


def test_a_second_reading_alike_is_no_copy_of_one_whose_answer_was_lost(demo: str, page: Page) -> None:
    def n_readings() -> int:
        return len(page.request.get(f"{demo}/api/v1/runs/10/readings").json())

    before = n_readings()
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")
    page.locator("#f-value").fill("22.5")
    send_and_lose_the_answer(page, "**/runs/10/readings", "Note it now")
    assert n_readings() == before + 1
    page.context.clear_cookies()
    page.goto(f"{demo}/runs/10/course")
    expect(page.get_by_text("was stored, although its answer did not arrive")).to_be_visible()
    page.locator("#f-value").fill("22.5")
    press(page, "Note it now")
    assert n_readings() == before + 2


def test_a_new_variable_comes_back_with_its_role(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/variables/new")
    page.get_by_label("Name").fill("solvent")
    expect(page.get_by_label("Options")).to_be_hidden()
    page.get_by_label("Role").select_option("choice")
    expect(page.get_by_label("Options")).to_be_visible()
    page.goto("about:blank")
    page.goto(f"{demo}/preparations/1/variables/new")
    expect(page.get_by_label("Name")).to_have_value("solvent")
    # The part for options is shown, that for numbers is not.
    expect(page.get_by_label("Options")).to_be_visible()
    expect(page.get_by_label("Range from")).to_be_hidden()


def test_a_double_tap_stores_one_run(demo: str, page: Page) -> None:
    before = n_runs(demo, page)
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")

    asked: list[str] = []

    # The first answer takes its time, as on a phone.
    def slow(route: Route) -> None:
        asked.append(route.request.url)
        page.wait_for_timeout(300)
        route.continue_()

    page.route("**/icon.svg*", slow)
    with page.expect_event("load"):
        page.get_by_role("button", name="Save the result").dblclick()
    page.unroute("**/icon.svg*")
    # The second tap does nothing at all: it does not even ask whether the server is there.
    assert len(asked) == 1
    assert n_runs(demo, page) == before + 1
    # Nor does a form without a draft go off twice.
    page.goto(f"{demo}/preparations/1/proposal")
    with page.expect_event("load"):
        page.get_by_role("button", name="Accept").dblclick()
    page.wait_for_load_state("networkidle")
    assert n_runs(demo, page) == before + 2


def test_a_form_whose_answer_was_lost_is_stored_once(demo: str, page: Page) -> None:
    before = n_runs(demo, page)
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    send_and_lose_the_answer(page, "**/preparations/1/runs", "Save the result")
    assert n_runs(demo, page) == before + 1
    page.context.clear_cookies()
    page.goto(f"{demo}/preparations/1/runs/new")
    # The browser asks whether it arrived.
    expect(page.get_by_text("was stored, although its answer did not arrive")).to_be_visible()
    expect(page.get_by_label("Product mass")).to_have_value("")
    assert n_runs(demo, page) == before + 1
    # Said once. Other values are another run.
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.locator(".notice:visible")).to_have_count(0)
    page.get_by_label("Product mass").fill("19.8")
    press(page, "Save the result")
    assert n_runs(demo, page) == before + 2


def test_what_is_typed_on_stays_when_the_browser_learns_that_the_rest_arrived(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    send_and_lose_the_answer(page, "**/preparations/1/runs", "Save the result")
    page.context.clear_cookies()
    asked: list[Route] = []
    page.route("**/received/*", lambda route: asked.append(route))
    with page.expect_request("**/received/*"):
        page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Reagent lot").fill("B9")
    with page.expect_response("**/received/*") as answered:
        asked[0].continue_()
    assert answered.value.json() == {"stored": True}
    expect(page.get_by_label("Product mass")).to_have_value("19.9")
    expect(page.get_by_label("Reagent lot")).to_have_value("B9")
    expect(page.get_by_text("What you typed before is here again")).to_be_visible()


def test_a_draft_keeps_what_another_device_noted(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/4")
    acid = page.get_by_label("mass of ethanoic acid")
    page.get_by_label("mass of 3-methylbutan-1-ol").fill("17.9")
    name = str(acid.get_attribute("name"))
    answer = page.request.put(f"{demo}/api/v1/runs/4/weighed", data=[{"material_id": int(name[5:]), "mass_g": 18.3}])
    assert answer.ok
    page.goto(f"{demo}/runs/4")
    expect(page.get_by_text("What you typed before is here again")).to_be_visible()
    expect(page.get_by_label("mass of 3-methylbutan-1-ol")).to_have_value("17.9")
    expect(acid).to_have_value("18.3")
    press(page, "Save what was weighed")
    noted = {w["material"]: w["mass_g"] for w in page.request.get(f"{demo}/api/v1/runs/4/weighed").json()["amounts"]}
    assert (noted["3-methylbutan-1-ol"], noted["ethanoic acid"]) == (17.9, 18.3)


@pytest.mark.parametrize(
    ("path", "api"),
    [
        ("/variables/1/edit", "variables/1"),
        ("/materials/1/edit", "materials/1"),
        ("/preparations/1/edit", "preparations/1"),
    ],
)
def test_a_draft_of_what_was_changed_meanwhile_is_not_put_over_it(demo: str, page: Page, path: str, api: str) -> None:
    page.goto(demo + path)
    page.locator("#f-name").fill("typed here")
    rename(page, f"{demo}/api/v1/{api}", "changed elsewhere")
    page.goto(demo + path)
    expect(page.locator("#f-name")).to_have_value("changed elsewhere")
    expect(page.get_by_text("What you typed before is here again")).to_be_hidden()


def test_a_draft_that_was_given_up_or_is_of_another_database_does_not_come_back(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    page.once("dialog", lambda dialog: dialog.accept())
    page.get_by_role("link", name="Cancel").click()
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("")
    page.get_by_label("Product mass").fill("19.7")
    page.reload()
    page.get_by_role("button", name="Start afresh").click()
    expect(page.get_by_label("Product mass")).to_have_value("")
    expect(page.get_by_role("button", name="Start afresh")).to_be_hidden()
    page.get_by_label("Product mass").fill("19.7")
    mark = str(page.locator("meta[name=yieldwright-database]").get_attribute("content"))

    def of_another_database(route: Route) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, body=answer.text().replace(mark, "elsewhere"))

    page.route("**/preparations/1/runs/new", of_another_database)
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("")
    page.unroute("**/preparations/1/runs/new")
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("19.7")


def test_the_pages_of_a_preparation_stand_in_one_line_on_a_phone(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/charge")
    rail = page.locator(".rail ul").bounding_box()
    here = page.locator(".rail [aria-current]").bounding_box()
    assert rail is not None
    assert here is not None
    assert rail["height"] < 70
    # The name of this page is in sight, wherever it stands in the line.
    assert here["x"] >= 0
    assert here["x"] + here["width"] <= page.evaluate("window.innerWidth")


def test_the_runs_need_no_scrolling_sideways_on_a_phone(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1")
    region = page.get_by_role("region", name="Table of runs")
    expect(region.get_by_text("magnesium sulfate").first).to_be_visible()
    is_phone = page.evaluate("innerWidth < 500")
    assert not is_phone or region.evaluate("e => e.scrollWidth <= e.clientWidth")
    # A narrow card says what each setting is; the wide table says it once, above.
    label = region.locator("td.set").first.evaluate("e => getComputedStyle(e, '::before').content")
    assert ("reflux hold" in label) == is_phone
    assert region.locator("thead").is_visible() != is_phone
    # The wide table has its headings above its columns.
    left = "e => Math.round(e.getBoundingClientRect().left)"
    heads, cells = region.locator("thead th"), region.locator("tbody tr").first.locator("th, td")
    if not is_phone:
        assert [h.evaluate(left) for h in heads.all()] == [c.evaluate(left) for c in cells.all()]


def test_a_comma_before_three_digits_is_settled_by_one_tap(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    mass = page.get_by_label("Product mass")
    mass.fill("8,412")
    mass.blur()
    expect(page.get_by_role("button", name="It is 8.412")).to_be_visible()
    # Asked about what stands there now, and about nothing else.
    mass.fill("9,412")
    mass.blur()
    expect(page.get_by_role("button", name="It is")).to_have_text("It is 9.412")
    page.get_by_role("button", name="It is 9.412").click()
    expect(mass).to_have_value("9.412")
    expect(mass).to_be_focused()
    expect(page.get_by_role("button", name="It is")).to_be_hidden()


def press(page: Page, name: str) -> None:
    """Press a button that loads a page, and wait for all of that page."""
    with page.expect_event("load"):
        page.get_by_role("button", name=name).click()


def test_a_time_course_is_followed_live(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/proposal")
    press(page, "Accept as a planned run")
    press(page, "Start this run")
    expect(page.get_by_role("button", name="Note it now")).to_be_enabled()
    page.locator("#f-series").select_option("volume")
    page.get_by_label("Reading", exact=True).fill("0.2")
    press(page, "Note it now")
    expect(page.get_by_text("a time course needs at least 4").first).to_be_visible()
    # A time that lies ahead is asked about: here the clock was started late.
    page.get_by_text("At another time, or in another unit").click()
    page.get_by_label("Reading", exact=True).fill("12.2")
    page.locator("#f-at").fill("20 min")
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.get_by_role("button", name="Note it at this time since the start").click()
    page.get_by_label("The time is right").check()
    press(page, "Note it at this time since the start")
    page.locator("#i-series").select_option("volume")
    page.locator("#i-at_unit").select_option("min")
    rows = zip(range(40, 200, 20), (19.4, 24.3, 26.7, 28.6, 29.4, 30.2, 30.3, 30.8), strict=True)
    page.locator("#i-rows").fill("\n".join(f"{t} {v}" for t, v in rows))
    # So do those that are pasted.
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.get_by_role("button", name="Add these readings").click()
    page.get_by_label("The time is right").check()
    press(page, "Add these readings")
    expect(page.get_by_text("8 readings were added.")).to_be_visible()
    expect(page.get_by_text("95 % of the plateau is reached after").first).to_be_visible()
    page.wait_for_selector("[data-drawn=yes]")
    page.locator("#shape-volume").select_option("straight")
    press(page, "Fit")
    expect(page.get_by_text("chosen by you")).to_be_visible()


def test_a_mistake_is_announced_and_loses_nothing(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("20.3 mL")
    page.get_by_label("Reagent lot").fill("B7")
    with page.expect_response(lambda r: r.request.method == "POST") as answered:
        page.get_by_role("button", name="Save the result").click()
    assert answered.value.status == 422
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("Enter it without words")
    expect(alert).to_be_focused()
    field = page.get_by_label("Product mass")
    expect(field).to_have_value("20.3 mL")
    expect(field).to_have_attribute("aria-invalid", "true")
    expect(page.get_by_label("Reagent lot")).to_have_value("B7")
    # Not even when the page is left for another one.
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(field).to_have_value("20.3 mL")
    expect(page.get_by_label("Reagent lot")).to_have_value("B7")


def test_an_untidy_notebook_is_brought_in(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1")
    page.get_by_role("link", name="Past runs from a table").click()
    page.locator("#f-file").set_input_files(asset_folder("seed_runs") / "03-untidy-notebook.csv")
    press(page, "Read the table")
    expect(page.get_by_role("heading", name="6 of 8 can be stored")).to_be_visible()
    assert serious_violations(page) == []
    page.get_by_label("“mag. sulf.” in drying agent means").select_option("magnesium sulfate")
    page.get_by_role("region", name="Where the table says nothing").get_by_label("bath temperature").fill("130")
    press(page, "Check again")
    expect(page.get_by_role("heading", name="8 of 8 can be stored")).to_be_visible()
    # A range is not turned into its middle unasked.
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.get_by_role("button", name="Store 8 runs").click()
    page.get_by_label("Take the middle of each range").check()
    press(page, "Store 8 runs")
    expect(page.get_by_text("8 runs, 11 to 18, were brought in.")).to_be_visible()
    expect(page.get_by_role("rowheader", name="18")).to_be_visible()


def test_rows_that_the_next_page_carries_on_are_no_draft_any_more(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/import")
    page.locator("#f-rows").fill("reflux hold\tyield\n2\t50")
    press(page, "Read the table")
    expect(page.get_by_role("heading", name="can be stored")).to_be_visible()
    page.goto(f"{demo}/preparations/1/runs/import")
    expect(page.locator("#f-rows")).to_have_value("")
    expect(page.locator(".notice:visible")).to_have_count(0)


FIELDS_OUT_OF_SIGHT = """() => [...document.querySelectorAll('input:not([type=hidden]), select, textarea, button')]
    .filter(e => e.getBoundingClientRect().right > window.innerWidth + 1).map(e => e.outerHTML.slice(0, 120))"""


def serious_violations(page: Page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html'][:200]}" for v in found if v["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_accessibility_violation(demo: str, page: Page, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
    kept = page.request.post(f"{demo}/preparations/1/write-ups", headers={"Origin": demo})
    assert kept.url.endswith("/write-ups/1")
    paths = [
        *("/", "/preparations/new", "/preparations/1", "/preparations/1/effects", "/preparations/1/proposal"),
        *("/preparations/1/proposal?count=3", "/preparations/1/recipe", "/preparations/1/record"),
        *(
            "/preparations/1/courses",
            "/preparations/1/stages",
            "/runs/8/course",
            "/readings/1/edit",
            "/preparations/1/write-up",
            "/write-ups/1",
        ),
        *("/help/guide", "/help/patterns", "/?archived=true", "/?search=zzz", "/no/such/page"),
        *("/preparations/1/edit", "/runs/2/edit", "/variables/1/edit", "/materials/1/edit", "/preparations/2"),
        *("/preparations/1/charge", "/preparations/1/setup", "/preparations/1/variables/new", "/preparations/1/materials/new"),
        *("/preparations/1/runs/new", "/preparations/1/runs/import", "/runs/1", "/runs/10", "/runs/10/edit"),
        *("/runs/10/bench-sheet", "/help"),
    ]
    for path in paths:
        page.goto(demo + path)
        if page.locator("[data-figure]").count():
            page.wait_for_selector("[data-drawn=yes]")
        assert serious_violations(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), f"{path} is wider than the screen"
        assert page.evaluate(FIELDS_OUT_OF_SIGHT) == [], f"{path} has fields or buttons that must be scrolled to sideways"


def test_the_bench_sheet_prints_on_one_page(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10/bench-sheet")
    expect(page.get_by_role("heading", name="Weigh and measure")).to_be_visible()
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    (ARTEFACTS / "bench-sheet.pdf").write_bytes(pdf)


def test_what_was_weighed_is_typed_at_the_bench(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10")
    for what in ("mass", "volume"):
        box = page.get_by_label(f"{what} of ethanoic acid").bounding_box()
        assert box is not None
        # Nothing has to be scrolled sideways for it.
        assert box["x"] + box["width"] <= page.evaluate("window.innerWidth")
    page.get_by_label("mass of ethanoic acid").fill("30.0")
    press(page, "Save what was weighed")
    # By hand: 30.0 g · 0.997 / 60.052 g/mol over 18.1 g · 0.985 / 88.150 g/mol.
    expect(page.get_by_text("As weighed, acid to alcohol was 2.463 mol/mol, not 3 mol/mol")).to_be_visible()
    page.get_by_role("link", name="Enter the result").click()
    expect(page.get_by_label("acid to alcohol")).to_have_value("2.463")


def test_waiting_for_the_models_of_many_runs(demo: str, page: Page) -> None:
    headings = ["reflux hold", "bath temperature", "acid to alcohol", "catalyst loading", "drying agent"]
    rows = [[1 + k % 10 / 4, 120 + 5 * (k // 10 % 5), 1 + k // 50 / 2, 2, "sodium sulfate", 1, 50 + k % 7] for k in range(250)]
    body = {"rows": [[*headings, "hydrogencarbonate washes", "yield / %"], *rows]}
    stored = page.request.post(f"{demo}/api/v1/preparations/1/runs/import", data=body)
    assert stored.ok
    # The first picture of the progress stays while it is looked at.
    page.route("**/work/**", lambda route: route.abort("connectionfailed"))
    page.goto(f"{demo}/preparations/1/effects")
    expect(page.get_by_role("heading", name="Fitting the models to 258 runs")).to_be_visible()
    assert serious_violations(page) == []
    page.unroute("**/work/**")
    page.goto(f"{demo}/preparations/1/effects")
    page.wait_for_selector("[data-drawn=yes]", timeout=120_000)
    expect(page.get_by_text("258 runs").first).to_be_visible()


IN_SIGHT = "e => { const box = e.getBoundingClientRect(); return box.top >= 0 && box.bottom <= innerHeight; }"


def cut_connection(page: Page) -> None:
    page.route("**/icon.svg*", lambda route: route.abort("connectionfailed"))


def test_enter_in_the_time_of_a_reading_stores_that_time(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10/course")
    page.locator("#f-series").select_option("conversion")
    page.locator("#f-value").fill("80")
    page.locator("#f-at").fill("12 min")
    with page.expect_event("load"):
        page.locator("#f-at").press("Enter")
    said = page.get_by_role("status").filter(has_text="Stored: conversion 80 % at 12 min.")
    expect(said).to_be_focused()
    assert said.evaluate(IN_SIGHT)
    # Where the clock was not started, Enter says so and does not fall silent.
    page.locator("#f-value").fill("81")
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.locator("#f-value").press("Enter")
    expect(page.get_by_role("alert")).to_be_focused()
    expect(page.locator("#f-value")).to_have_value("81")
    # Said once, and not when the page is opened again; what answers a refused form would be silent anyway.
    page.goto(f"{demo}/runs/10/course")
    expect(page.get_by_role("button", name="Note it now")).to_be_visible()
    expect(page.get_by_text("Stored:")).to_be_hidden()


def test_now_with_a_time_typed_is_asked_about(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")
    page.get_by_text("At another time, or in another unit").click()
    page.locator("#f-value").fill("80")
    page.locator("#f-at").fill("2 min")
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.get_by_role("button", name="Note it now").click()
    expect(page.locator("#e-at")).to_contain_text("Clear the time to note it now")
    expect(page.locator("#f-at")).to_have_value("2 min")
    expect(page.locator("#f-value")).to_have_value("80")


def test_a_refused_save_is_in_sight(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10")
    plain_context = page.context.browser.new_context(java_script_enabled=False, viewport=page.viewport_size)  # type: ignore[union-attr]
    plain = plain_context.new_page()
    plain.goto(f"{demo}/runs/10")
    key = str(page.get_by_label("mass of ethanoic acid").get_attribute("name"))
    amounts = [{"material_id": int(key[5:]), "mass_g": 29.0}]
    assert page.request.put(f"{demo}/api/v1/runs/10/weighed", data=amounts).ok
    page.request.post(f"{demo}/api/v1/runs/10/state", data={"state": "abandoned"})
    for one in (page, plain):
        one.get_by_label("mass of ethanoic acid").fill("30.0")
        with one.expect_response(lambda r: r.request.method == "POST" and r.status == 409):
            one.get_by_role("button", name="Save what was weighed").click()
        one.wait_for_load_state("load")
        banner = one.get_by_role("alert")
        expect(banner).to_contain_text("changed elsewhere")
        assert banner.evaluate(IN_SIGHT)
    expect(page.get_by_role("alert")).to_be_focused()
    plain_context.close()


def test_what_was_stored_is_said_beside_its_form(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10")
    page.get_by_label("mass of ethanoic acid").fill("30.0")
    press(page, "Save what was weighed")
    said = page.get_by_role("status").filter(has_text="Stored.")
    expect(said).to_be_focused()
    assert said.evaluate(IN_SIGHT)
    # From there the keyboard goes on in the same form.
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('#weighed') !== null")


def test_without_a_connection_the_message_is_where_the_button_is(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10")
    cut_connection(page)
    page.get_by_label("mass of ethanoic acid").fill("30.0")
    page.get_by_role("button", name="Save what was weighed").click()
    notice = page.get_by_role("status").filter(has_text="The server cannot be reached. What you typed is kept")
    expect(notice).to_be_focused()
    assert notice.evaluate(IN_SIGHT)
    below = page.get_by_role("button", name="Save what was weighed").bounding_box()
    above = notice.bounding_box()
    assert above is not None
    assert below is not None
    assert 0 <= below["y"] - (above["y"] + above["height"]) < 40
    # It stands before all buttons that stand together, whichever of them was pressed.
    page.unroute("**/icon.svg*")
    page.goto(f"{demo}/runs/10/edit")
    cut_connection(page)
    page.get_by_role("button", name="Keep without a result").click()
    expect(notice).to_be_focused()
    above, below = notice.bounding_box(), page.get_by_role("button", name="Save the result").bounding_box()
    assert above is not None
    assert below is not None
    assert above["y"] + above["height"] <= below["y"]


def test_a_server_that_does_not_answer_is_told_from_one_that_is_slow(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10")
    page.route("**/icon.svg*", lambda _: None)
    page.get_by_label("mass of ethanoic acid").fill("30.0")
    page.get_by_role("button", name="Save what was weighed").click()
    expect(page.get_by_text("Sending…")).to_be_visible(timeout=3000)
    expect(page.get_by_text("The server cannot be reached.")).to_be_visible(timeout=12_000)
    page.unroute("**/icon.svg*")
    press(page, "Save what was weighed")
    expect(page.get_by_text("Stored.")).to_be_visible()


def test_a_form_whose_load_was_stopped_can_be_sent_again(demo: str, page: Page) -> None:
    before = n_runs(demo, page)
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    page.route("**/preparations/1/runs", lambda _: None)
    # As with the browser's own button; what is asked of a page while it loads would wait.
    page.evaluate("void setTimeout(() => window.stop(), 2000)")
    with page.expect_request("**/preparations/1/runs") as first:
        page.get_by_role("button", name="Save the result").click(no_wait_after=True)
    expect(page.get_by_text("No answer has come yet.")).to_be_visible(timeout=15_000)
    page.unroute("**/preparations/1/runs")
    with page.expect_request("**/preparations/1/runs") as second:
        press(page, "Save the result")
    # Under the same id, so that it is stored once even if the first arrived after all.
    ids = [parse_qs(one.value.post_data or "")["draft"] for one in (first, second)]
    assert ids[0] == ids[1]
    assert n_runs(demo, page) == before + 1


def test_a_reading_of_now_that_is_pressed_again_later_is_another_one(demo: str, page: Page) -> None:
    page.clock.install()
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")
    page.locator("#f-value").fill("22.5")
    page.route("**/runs/10/readings", lambda _: None)
    drafts = []
    for _ in range(2):
        page.evaluate("void setTimeout(() => window.stop(), 2000)")
        with page.expect_request("**/runs/10/readings") as sent:
            page.get_by_role("button", name="Note it now").click(no_wait_after=True)
        drafts += parse_qs(sent.value.post_data or "")["draft"]
        page.clock.fast_forward("00:41")
        expect(page.get_by_text("No answer has come yet. Wait, or look on another page whether it arrived")).to_be_visible()
    assert len(set(drafts)) == 2


def refuse(dialog: Dialog, asked: list[str]) -> None:
    asked.append(dialog.message)
    dialog.dismiss()


def test_cancel_stands_apart_and_asks_before_it_throws_away(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    save = page.get_by_role("button", name="Save the result").bounding_box()
    cancel = page.get_by_role("link", name="Cancel").bounding_box()
    assert save is not None
    assert cancel is not None
    assert cancel["height"] >= 44
    assert max(cancel["y"] - save["y"] - save["height"], cancel["x"] - save["x"] - save["width"]) >= 12
    # Nothing typed: nothing to ask.
    page.get_by_role("link", name="Cancel").click()
    expect(page.get_by_role("heading", name="Runs", exact=True)).to_be_visible()
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    asked: list[str] = []
    page.once("dialog", lambda dialog: refuse(dialog, asked))
    page.get_by_role("link", name="Cancel").click()
    assert asked == ["Leave, and give up what you typed here?"]
    expect(page.get_by_label("Product mass")).to_have_value("19.9")
    # So does what the server sent back, which is drawn as it was typed.
    page.get_by_label("Product mass").fill("20.3 mL")
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.get_by_role("button", name="Save the result").click()
    expect(page.get_by_role("alert")).to_be_focused()
    page.once("dialog", lambda dialog: refuse(dialog, asked))
    page.get_by_role("link", name="Cancel").click()
    assert len(asked) == 2
    expect(page.get_by_label("Product mass")).to_have_value("20.3 mL")
    # And a file that was chosen.
    page.goto(f"{demo}/preparations/1/runs/import")
    page.locator("#f-file").set_input_files(asset_folder("seed_runs") / "03-untidy-notebook.csv")
    page.once("dialog", lambda dialog: refuse(dialog, asked))
    page.get_by_role("link", name="Cancel").click()
    assert len(asked) == 3


def test_a_checkpoint_and_a_rule_are_removed_only_after_a_yes(demo: str, page: Page) -> None:
    asked: list[str] = []
    page.on("dialog", lambda dialog: refuse(dialog, asked))
    page.goto(f"{demo}/runs/4")
    page.get_by_role("button", name=re.compile("^Remove crude")).first.click()
    page.goto(f"{demo}/preparations/1/setup")
    page.get_by_text("Add: an option is not used any more").click()
    page.locator("#f-not_used").get_by_label("calcium chloride").check()
    with page.expect_event("load"):
        page.locator("form", has=page.locator("#f-not_used")).get_by_role("button", name="Add the rule").click()
    n_rules = page.locator(".rules li").count()
    page.locator(".rules").get_by_role("button", name=re.compile("^Remove")).first.click()
    assert [text.split()[1] for text in asked] == ["the", "this"]
    page.reload()
    assert page.locator(".rules li").count() == n_rules


def test_what_a_finger_is_to_hit_is_large_and_apart(demo: str, page: Page) -> None:
    if page.evaluate("innerWidth") > 500:
        pytest.skip("of phones")
    page.goto(f"{demo}/preparations/1/charge")
    line = page.locator("#material-2")
    boxes = [one.bounding_box() for one in line.locator("a, button").all()]
    assert len(boxes) == 3
    for first, second in pairwise(boxes):
        assert first is not None
        assert second is not None
        assert min(first["height"], second["height"]) >= 44
        is_apart = second["x"] - first["x"] - first["width"] >= 8 or second["y"] - first["y"] - first["height"] >= 8
        assert is_apart
    for path in ("/preparations/1/setup", "/preparations/1/write-up", "/runs/10/course", "/runs/2/edit"):
        page.goto(demo + path)
        assert page.evaluate("Math.min(...[...document.querySelectorAll('summary')].map(e => e.offsetHeight))") >= 44
    # The arrow stays in the line of its words.
    page.goto(f"{demo}/preparations/1/write-up")
    summary = page.locator("summary").filter(has_text="The procedure in your words, stage by stage")
    assert summary.evaluate("e => getComputedStyle(e).display") == "flex"


@pytest.mark.parametrize(
    ("path", "field", "text", "button"),
    [
        ("/runs/2", "#f-reason", "thermometer broke", "Exclude"),
        ("/readings/1/edit", "#f-value", "12.5", "Save the correction"),
        ("/preparations/1/proposal", "#f-setting_1", "1.5", "Accept as a planned run"),
        ("/preparations/1/runs/import", "#f-rows", "hold\tyield\n2\t50", "Read the table"),
        ("/runs/10/course", "#i-rows", "1 20", "Add these readings"),
    ],
)
def test_a_lost_connection_keeps_every_form(demo: str, page: Page, path: str, field: str, text: str, button: str) -> None:
    page.goto(demo + path)
    page.locator(field).fill(text)
    cut_connection(page)
    page.get_by_role("button", name=button, exact=True).click()
    expect(page.get_by_text("The server cannot be reached. What you typed is kept in this browser")).to_be_visible()
    page.unroute("**/icon.svg*")
    page.goto("about:blank")
    page.goto(demo + path)
    expect(page.locator(field)).to_have_value(text)
    expect(page.get_by_text("What you typed before is here again")).to_be_visible()
    if path.endswith("/proposal"):
        # The forecast follows what came back.
        expect(page.locator("#judged").get_by_role("heading")).to_have_text("Your settings")


def test_a_lost_connection_keeps_a_rule_with_its_ticks(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/setup")
    page.get_by_text("Add: an option is not used any more").click()
    tick = page.locator("#f-not_used").get_by_label("magnesium sulfate")
    tick.check()
    cut_connection(page)
    page.locator("form", has=page.locator("#f-not_used")).get_by_role("button", name="Add the rule").click()
    expect(page.get_by_text("The server cannot be reached. What you typed is kept in this browser")).to_be_visible()
    page.unroute("**/icon.svg*")
    page.goto("about:blank")
    page.goto(f"{demo}/preparations/1/setup")
    expect(tick).to_be_checked()
    page.locator("form", has=page.locator("#f-not_used")).get_by_role("button", name="Add the rule").click()
    expect(page.get_by_role("status").filter(has_text="Stored.")).to_be_visible()
    page.goto(f"{demo}/preparations/1/setup")
    expect(tick).not_to_be_checked()


def test_without_a_connection_no_form_leaves_its_page(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/2")
    page.locator("#f-file").set_input_files({"name": "a.txt", "mimeType": "text/plain", "buffer": b"white crystals"})
    cut_connection(page)
    page.get_by_role("button", name="Attach").click()
    expect(page.get_by_text("The server cannot be reached. Nothing was sent")).to_be_visible()
    page.unroute("**/icon.svg*")
    press(page, "Attach")
    expect(page.get_by_role("link", name="a.txt")).to_be_visible()


def test_settings_that_were_only_tried_are_no_draft(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/proposal")
    before = page.locator("#f-setting_1").input_value()
    with page.expect_response(lambda r: "/forecast?" in r.url):
        page.locator("#f-setting_1").fill("0.5")
    page.goto(f"{demo}/preparations/1/proposal")
    expect(page.locator("#f-setting_1")).to_have_value(before)


@pytest.mark.parametrize(
    ("status", "reason"),
    [
        (0, "the server cannot be reached"),
        (503, "the server could not work it out"),
        (409, "the server could not work it out"),
    ],
    ids=["lost", "failed", "refused"],
)
def test_no_old_forecast_stands_beside_other_settings(demo: str, page: Page, status: int, reason: str) -> None:
    page.goto(f"{demo}/preparations/1/proposal")
    judged = page.locator("#judged")
    old = judged.locator(".forecast").inner_text()

    def answer(route: Route) -> None:
        if status:
            route.fulfill(status=status, body="<p>busy</p>", content_type="text/html")
        else:
            route.abort("connectionfailed")

    page.route("**/forecast?*", answer)
    page.get_by_label("reflux hold, h").fill("0.5")
    said = judged.get_by_role("status")
    expect(said).to_contain_text(f"There is no forecast for the settings as they are now: {reason}.")
    expect(judged).not_to_contain_text(old)
    expect(judged.get_by_role("heading")).to_have_text("Your settings")
    page.unroute("**/forecast?*")
    judged.get_by_role("button", name="Try again").click()
    expect(judged.locator(".forecast")).to_be_visible()
    expect(said).to_be_hidden()


def test_the_overview_prints_all_its_columns(demo: str, page: Page) -> None:
    # An A4 page without its margins.
    page.set_viewport_size({"width": 703, "height": 1000})
    page.emulate_media(media="print")
    page.goto(f"{demo}/preparations/1")
    right = page.locator("table.runs th, table.runs td").evaluate_all(
        "cells => Math.max(...cells.map(e => e.getBoundingClientRect().right))"
    )
    assert right <= 703
    assert page.evaluate("getComputedStyle(document.querySelector('h2')).breakAfter") == "avoid"


def test_mistakes_are_listed_by_the_names_of_their_fields(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/variables/new")
    page.get_by_label("Range from").fill("low")
    with page.expect_response(lambda r: r.request.method == "POST" and r.status == 422):
        page.get_by_role("button", name="Add", exact=True).click()
    listed = page.get_by_role("alert").get_by_role("link")
    expect(listed.first).to_have_text(re.compile("^Name: "))
    expect(listed.filter(has_text=re.compile("^Range from: "))).to_be_visible()
    listed.filter(has_text=re.compile("^Range from: ")).click()
    expect(page.locator("#f-low")).to_be_focused()
    assert page.locator("label[for=f-low]").evaluate(IN_SIGHT)


def test_how_long_ago_a_run_began_goes_on(demo: str, page: Page) -> None:
    page.clock.install()
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")
    expect(page.get_by_text(re.compile(r"Started .*, 0\smin ago"))).to_be_visible()
    page.clock.fast_forward("05:10")
    expect(page.get_by_text(re.compile(r"Started .*, 5\smin ago"))).to_be_visible()
    page.clock.fast_forward("26:00:00")
    expect(page.get_by_text(re.compile(r"Started .*, 1\sd 2\sh ago"))).to_be_visible()


def test_a_time_of_day_is_that_of_the_browser(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10/course")
    page.get_by_text("Say when it began").click()
    began = page.evaluate("""() => {
        const moment = new Date(Date.now() - 150 * 60_000);
        return new Date(moment - moment.getTimezoneOffset() * 60_000).toISOString().slice(0, 16).replace("T", " ");
    }""")
    page.get_by_label("Began").fill(began)
    press(page, "Set the start")
    expect(page.get_by_text(re.compile(rf"Started {began}, 2\sh 3\d\smin ago"))).to_be_visible()


@pytest.mark.parametrize("width", [320, 640])
def test_narrow_windows_and_large_text_need_no_scrolling_sideways(demo: str, page: Page, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    rest = ["/", "/preparations/1", "/preparations/1/setup", "/preparations/1/charge", "/preparations/1/stages", "/runs/10"]
    rest += ["/preparations/1/effects", "/preparations/1/runs/new", "/runs/8/course"]
    for path in [*rest, "/preparations/1/proposal", "/preparations/1/proposal?count=3", "/runs/10/bench-sheet"]:
        page.goto(demo + path)
        if width == 640:
            assert page.evaluate(FIELDS_OUT_OF_SIGHT) == [], f"{path} has fields or buttons out of sight"
            page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), f"{path} is wider than the screen"


def test_the_bench_sheet_on_a_phone_keeps_amounts_and_stages_whole(demo: str, page: Page) -> None:
    page.set_viewport_size({"width": 360, "height": 740})
    page.goto(f"{demo}/runs/10/bench-sheet")
    # Each amount stands in one line with its unit, each name of a stage too; what is for a pen is for paper.
    lines = """cells => cells.map(c => { const range = document.createRange(); range.selectNodeContents(c.firstChild ?? c);
        return range.getClientRects().length; })"""
    for cells in (".bench-table td.num", ".bench-stages th[scope=row]"):
        assert max(page.eval_on_selector_all(cells, lines)) == 1
    expect(page.locator(".bench-stages .blank").first).to_be_hidden()
    page.emulate_media(media="print")
    expect(page.locator(".bench-stages .blank").first).to_be_visible()


def test_long_names_need_no_scrolling_sideways(demo: str, page: Page) -> None:
    page.set_viewport_size({"width": 320, "height": 800})
    long = "dicyclohexylcarbodiimidehydrochloridemonohydrate"
    api = f"{demo}/api/v1"
    for kind in ("variables", "materials"):
        for row in page.request.get(f"{api}/preparations/1/{kind}").json():
            if row["name"] in ("reflux hold", "drying agent", "ethanoic acid"):
                rename(page, f"{api}/{kind}/{row['id']}", f"{long} {row['name']}")
    option = {"name": "seed", "role": "choice", "choices": [long, "none"], "base": long}
    assert page.request.post(f"{api}/preparations/1/variables", data=option).ok
    rest = ["/preparations/1", "/preparations/1/setup", "/preparations/1/charge", "/preparations/1/proposal", "/runs/10"]
    for path in [*rest, "/preparations/1/runs/new", "/preparations/1/stages", "/runs/10/bench-sheet"]:
        page.goto(demo + path)
        expect(page.get_by_text(long).first).to_be_attached()
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), f"{path} is wider than the screen"


def test_without_scripts_nothing_is_offered_that_needs_them(demo: str, page: Page) -> None:
    context = page.context.browser.new_context(java_script_enabled=False, viewport=page.viewport_size)  # type: ignore[union-attr]
    plain = context.new_page()
    plain.goto(f"{demo}/runs/10/bench-sheet")
    expect(plain.get_by_role("button", name="Print")).to_be_hidden()
    plain.goto(f"{demo}/preparations/1")
    expect(plain.get_by_text("This picture needs JavaScript. The table below says the same.")).to_be_visible()
    expect(plain.locator(".plot").first).to_be_hidden()
    context.close()
    page.goto(f"{demo}/runs/10/bench-sheet")
    page.evaluate("void (window.print = () => { window.isPrinting = true; })")
    page.get_by_role("button", name="Print").click()
    assert page.evaluate("window.isPrinting")
    page.goto(f"{demo}/preparations/1")
    expect(page.locator("[data-drawn=yes]").first).to_be_visible()
    expect(page.get_by_text("This picture needs JavaScript.")).to_be_hidden()


SYSTEM_COLOUR = """name => { const probe = document.body.appendChild(document.createElement("i")); probe.style.color = name;
    const colour = getComputedStyle(probe).color; probe.remove(); return colour; }"""
# Colours of the left half and of the right half of a picture.
COLOURS_OF_HALVES = """async picture => {
    const bytes = Uint8Array.from(atob(picture), c => c.charCodeAt(0));
    const image = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
    const { width, height } = image;
    const context = new OffscreenCanvas(width, height).getContext("2d");
    context.drawImage(image, 0, 0);
    const { data } = context.getImageData(0, 0, width, height);
    const halves = [new Set(), new Set()];
    for (let k = 0; k < data.length; k += 4) {
        halves[(k / 4) % width < width / 2 ? 0 : 1].add(`rgb(${data[k]}, ${data[k + 1]}, ${data[k + 2]})`);
    }
    return halves.map(half => [...half]);
}"""


def on_white(colour: str) -> str:
    """A colour that may let something shine through, as it looks on white."""
    red, green, blue, alpha = [*map(float, re.findall(r"[\d.]+", colour)), 1.0][:4]
    return f"rgb({', '.join(f'{255 + alpha * (one - 255):.0f}' for one in (red, green, blue))})"


def test_forced_colours_leave_the_open_page_and_the_sliders_in_sight(demo: str, page: Page) -> None:
    page.emulate_media(forced_colors="active")
    page.goto(f"{demo}/preparations/1/proposal")
    colour = "e => getComputedStyle(e).borderBottomColor"
    here = page.locator(".rail a[aria-current]").evaluate(colour)
    other = page.locator(".rail a:not([aria-current])").first.evaluate(colour)
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert other == ground != here
    # Parts of a slider have no computed style of their own: its picture tells. The handle stands at the left end.
    selected = page.evaluate(SYSTEM_COLOUR, "Highlight")
    assert here == selected
    slider = page.locator(".slider").first
    slider.fill(str(slider.get_attribute("min")))
    slider.blur()
    handle, line = page.evaluate(COLOURS_OF_HALVES, base64.b64encode(slider.screenshot()).decode())
    assert on_white(selected) in handle
    assert on_white(selected) not in line
    assert on_white(page.evaluate(SYSTEM_COLOUR, "CanvasText")) in line


@pytest.mark.parametrize(
    ("path", "field", "button"),
    [
        ("/", "#search", "Search"),
        ("/preparations/1/write-up", "#f-scale_mol", "Keep this version"),
        ("/preparations/1/stages", "[name=use]", "Save"),
        ("/preparations/1/courses", "#f-variable_id", "Save"),
        ("/preparations/1/effects", "#f-second", "Show"),
    ],
)
def test_a_button_stands_level_with_its_field(demo: str, page: Page, path: str, field: str, button: str) -> None:
    if page.evaluate("innerWidth") < 500 and path != "/":
        pytest.skip("one below the other on a phone")
    page.goto(demo + path)
    boxes = [page.locator(field).bounding_box(), page.get_by_role("button", name=button, exact=True).bounding_box()]
    middles = [box["y"] + box["height"] / 2 for box in boxes if box]
    assert len(middles) == 2
    assert abs(middles[0] - middles[1]) <= 3


@pytest.mark.parametrize("path", ["/preparations/1/charge", "/preparations/1/write-up", "/preparations/1/setup"])
def test_what_is_printed_keeps_to_the_sheet(demo: str, page: Page, path: str) -> None:
    # A4 without its margins, at 96 pixels an inch.
    page.set_viewport_size({"width": 703, "height": 1000})
    page.emulate_media(media="print")
    page.goto(demo + path)
    assert page.evaluate("document.documentElement.scrollWidth") <= 703
    assert not any(button.is_visible() for button in page.locator("main button, main .button").all())
    # A hint is no larger than the text.
    hint = page.locator("main .hint").first
    if hint.count():
        sizes = hint.evaluate("e => [e, document.body].map(one => parseFloat(getComputedStyle(one).fontSize))")
        assert sizes[0] <= sizes[1]


def test_the_runs_of_a_write_up_need_no_scrolling_sideways(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/write-up")
    region = page.get_by_role("region", name="Runs", exact=True)
    assert region.evaluate("e => e.scrollWidth <= e.clientWidth + 1")


PARTED = """() => {
    const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT), found = [];
    while (walker.nextNode()) {
        const text = walker.currentNode;
        if (text.parentElement.closest("script, style, textarea, select, svg")) continue;
        if (/\\d (%|h|mL|g|°C)(?![\\p{L}\\d])/u.test(text.data)) found.push(text.data.trim());
    }
    return found;
}"""


def test_a_number_and_its_unit_stay_on_one_line(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/proposal")
    judged = page.locator("#judged")
    assert re.search(r"\d\u00a0%", judged.locator(".forecast").inner_text())
    assert re.search(r"\d\u00a0(h|min) in all", judged.inner_text())
    assert page.evaluate(PARTED) == []
    # Also in what comes later, and not in what is typed.
    with page.expect_response(lambda r: "/forecast?" in r.url):
        page.get_by_label("reflux hold, slide").fill("0.5")
    expect(judged.get_by_role("heading")).to_have_text("Your settings")
    assert re.search(r"\d\u00a0%", judged.locator(".forecast").inner_text())
    assert page.evaluate(PARTED) == []
    page.goto(f"{demo}/runs/1/edit")
    page.get_by_label("Notes").fill("held 2 h, 3 g left")
    press(page, "Save the result")
    expect(page.get_by_text("held 2 h, 3 g left").first).to_be_visible()
    page.goto(f"{demo}/runs/1/edit")
    expect(page.get_by_label("Notes")).to_have_value("held 2 h, 3 g left")
