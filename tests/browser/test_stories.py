"""Whole stories in a real browser, at desk and at phone width."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, Route, expect

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
    expect(page.locator("td", has_text=re.compile(rf"^{float(hold):g} h$")).first).to_be_visible()
    page.get_by_role("link", name="Bench sheet").click()
    expect(page.get_by_role("heading", name="Weigh and measure")).to_be_visible()


def test_the_forecast_follows_a_slider(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/proposal")
    judged = page.locator("#judged")
    expect(judged.get_by_role("heading")).to_have_text("Why this run")
    before = judged.locator(".forecast").inner_text()
    slider = page.get_by_label("reflux hold, slide")
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


def test_a_unit_behind_a_number_goes_into_the_unit_of_the_field(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    mass, percent = page.get_by_label("Product mass"), page.locator("#f-purity_percent")
    page.locator("details", has=percent).evaluate("d => d.open = true")
    for field, typed, seen in (
        (mass, "8,42 g", "8.42"),
        (mass, "850mg", "0.85"),
        (mass, "0,0123 kg", "12.3"),
        (mass, "850 µg", "0.00085"),
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
    expect(other.get_by_text("15.5 g, ")).to_be_visible()


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
    press(page, "Save the result")
    expect(page.get_by_role("rowheader", name=re.compile("^(Run )?11"))).to_be_visible()
    # What the server has is no draft any more.
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


def n_runs(demo: str, page: Page) -> int:
    return len(page.request.get(f"{demo}/api/v1/preparations/1/runs").json())


def test_words_of_the_procedure_are_neither_lost_nor_left_out_of_a_version(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/write-up")
    page.get_by_text("The procedure in your words").click()
    page.get_by_label("Isolation", exact=True).fill("Distil at 12 mbar.")
    page.reload()
    expect(page.get_by_label("Isolation", exact=True)).to_have_value("Distil at 12 mbar.")
    press(page, "Keep this version")
    expect(page.get_by_text("Distil at 12 mbar.")).to_be_visible()
    page.goto(f"{demo}/preparations/1/write-up")
    expect(page.get_by_text("What you typed before is here again")).to_be_hidden()


def test_a_reading_without_a_connection_keeps_its_value_and_its_moment(demo: str, page: Page) -> None:
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")
    page.locator("#f-value").fill("22.5")
    page.route("**/icon.svg*", lambda route: route.abort("connectionfailed"))
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name="Note it now").click()
    expect(page.get_by_text("The server cannot be reached.")).to_be_visible()
    moment = page.locator("#f-at").input_value()
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d", moment)
    page.unroute("**/icon.svg*")
    page.reload()
    expect(page.locator("#f-value")).to_have_value("22.5")
    expect(page.locator("#f-at")).to_have_value(moment)
    page.locator("#f-at").fill("")
    press(page, "Note it now")
    expect(page.get_by_role("cell", name="22.5").first).to_be_visible()
    expect(page.locator("#f-value")).to_have_value("")


def test_a_second_reading_alike_is_no_copy_of_one_whose_answer_was_lost(demo: str, page: Page) -> None:
    def n_readings() -> int:
        return len(page.request.get(f"{demo}/api/v1/runs/10/readings").json())

    before = n_readings()
    page.goto(f"{demo}/runs/10/course")
    press(page, "Start now")

    def lose(route: Route) -> None:
        route.fetch(max_redirects=0)
        route.abort("connectionfailed")

    page.route("**/runs/10/readings", lose)
    page.locator("#f-value").fill("22.5")
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name="Note it now").click()
    page.unroute("**/runs/10/readings")
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
    page.get_by_label("Role").select_option("choice")
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

    # The first answer takes its time, as on a phone.
    def slow(route: Route) -> None:
        page.wait_for_timeout(300)
        route.continue_()

    page.route("**/icon.svg*", slow)
    with page.expect_event("load"):
        page.get_by_role("button", name="Save the result").dblclick()
    page.unroute("**/icon.svg*")
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

    def lose(route: Route) -> None:
        route.fetch(max_redirects=0)
        route.abort("connectionfailed")

    page.route("**/preparations/1/runs", lose)
    with page.expect_event("requestfailed"):
        page.get_by_role("button", name="Save the result").click()
    page.unroute("**/preparations/1/runs")
    assert n_runs(demo, page) == before + 1
    page.context.clear_cookies()
    page.goto(f"{demo}/preparations/1/runs/new")
    # The browser asks whether it arrived.
    expect(page.get_by_text("was stored, although its answer did not arrive")).to_be_visible()
    expect(page.get_by_label("Product mass")).to_have_value("")
    assert n_runs(demo, page) == before + 1
    # Other values are another run.
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.8")
    press(page, "Save the result")
    assert n_runs(demo, page) == before + 2


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


def test_a_draft_that_was_given_up_or_is_of_another_database_does_not_come_back(demo: str, page: Page) -> None:
    page.goto(f"{demo}/preparations/1/runs/new")
    page.get_by_label("Product mass").fill("19.9")
    page.get_by_role("link", name="Cancel").click()
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("")
    page.get_by_label("Product mass").fill("19.7")
    mark = page.locator("meta[name=yieldwright-database]").get_attribute("content")
    moved = """mark => { for (const name of Object.keys(localStorage)) {
        localStorage.setItem(name.replace(mark, "elsewhere"), localStorage.getItem(name)); localStorage.removeItem(name); } }"""
    page.evaluate(moved, mark)
    page.goto(f"{demo}/preparations/1/runs/new")
    expect(page.get_by_label("Product mass")).to_have_value("")


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
    page.get_by_role("button", name="It is 8.412").click()
    expect(mass).to_have_value("8.412")
    expect(page.get_by_role("button", name="It is 8.412")).to_be_hidden()


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
