"""Every template compiles, keeps scripts and styles out, and is used."""

import re
from pathlib import Path

import pytest

import server
from server.charts.style import PALETTE
from server.core.choose.proposal import Forecast
from server.paths import asset_folder
from server.web.rendering import make_environment, static_link

TEMPLATES = asset_folder("templates")
NAMES = sorted(str(path.relative_to(TEMPLATES)) for path in TEMPLATES.rglob("*.html"))


@pytest.mark.parametrize("name", NAMES)
def test_every_template_compiles(name: str) -> None:
    make_environment().get_template(name)


@pytest.mark.parametrize("name", NAMES)
def test_no_script_or_style_stands_in_a_page(name: str) -> None:
    text = (TEMPLATES / name).read_text(encoding="utf-8")
    for script in re.findall(r"<script\b[^>]*>", text):
        assert "src=" in script or 'type="application/json"' in script
    assert "<style" not in text
    assert not re.search(r"\son\w+=", text)
    assert "http://" not in text
    assert "https://" not in text


def test_figures_use_the_colours_of_the_style_sheet() -> None:
    css = (asset_folder("static") / "css" / "base.css").read_text(encoding="utf-8")
    light = css[: css.index("prefers-color-scheme")]
    for colour, token in PALETTE.items():
        assert f"--yw-{token}: {colour};" in light


def test_static_links_change_with_the_content(tmp_path: Path) -> None:
    link = static_link("css/base.css")
    assert re.fullmatch(r"/static/css/base\.css\?v=[0-9a-f]{12}", link)


def test_vendored_files_keep_their_licence() -> None:
    for folder in (asset_folder("static") / "vendor").iterdir():
        assert (folder / "LICENSE").exists()


def test_an_expected_yield_at_the_bottom_of_its_half_is_explained() -> None:
    macro = make_environment().from_string('{% import "macros/figures.html" as fig %}{{ fig.forecast(f) }}')
    for mean, is_low in ((71.0, True), (76.0, False)):
        text = macro.render(f=Forecast(mean, 69.0, 85.0, 4.0, 91.0, False))
        assert ("a much lower one, or a failure, is possible" in text) is is_low


@pytest.mark.parametrize("name", NAMES)
def test_every_template_is_used(name: str) -> None:
    places = (*TEMPLATES.rglob("*.html"), *Path(server.__file__).parent.rglob("*.py"))
    assert any(f'"{name}"' in path.read_text(encoding="utf-8") for path in places)
