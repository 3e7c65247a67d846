"""README and DEVELOPERS.md say what is there."""

import hashlib
import importlib
import pkgutil
import re
from pathlib import Path

import pytest
from fastapi.routing import APIRoute

from server.settings import Settings
from server.web import pages

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, job, *_ = README.split("\n\n")
    assert title == "# Yieldwright"
    assert len(job) > 200
    assert "\n" not in job


def test_both_commands_stand_on_one_line() -> None:
    for mark, last in (("start", "yieldwright demo"), ("test", "python -m pytest")):
        block = re.search(rf"<!-- {mark} command -->\n```sh\n(.*?)\n```", README, re.DOTALL)
        assert block
        assert "\n" not in block.group(1)
        assert block.group(1).endswith(last)


@pytest.mark.parametrize("name", list(Settings.model_fields))
def test_every_setting_is_documented(name: str) -> None:
    variable = f"YIELDWRIGHT_{name.upper()}"
    assert re.search(rf"{variable}\b(?!_)", README)
    assert re.search(rf"{variable}\b(?!_)", DEVELOPERS)


@pytest.mark.parametrize("room", sorted(p.name for p in (ROOT / "server").iterdir() if (p / "__init__.py").exists()))
def test_every_room_is_on_the_map(room: str) -> None:
    assert f"`{room}`" in DEVELOPERS or f"`{room}/" in DEVELOPERS


def listed_pages() -> set[str]:
    """The addresses of the paragraph 'Pages': an owner with its endings, and whole addresses."""
    (paragraph,) = re.findall(r"^Pages: (.*?)\. An address below", DEVELOPERS, re.MULTILINE)
    found: set[str] = set()
    for part in paragraph.split(";"):
        owner = ""
        for mark in re.findall(r"`([^`]+)`( with)?", re.sub(r"\([^)]*\)", "", part)):
            address = owner + mark[0] if owner else mark[0]
            found.add(address)
            owner = address if mark[1] else owner
    return found


def test_exactly_the_pages_are_listed() -> None:
    names = [m.name for m in pkgutil.iter_modules(pages.__path__) if m.name != "common"]
    assert len(names) > 8
    routes = [r for n in names for r in importlib.import_module(f"{pages.__name__}.{n}").router.routes if isinstance(r, APIRoute)]
    there = {re.sub(r"\{\w+\}", "{id}", r.path) for r in routes if "GET" in (r.methods or ())} - {"/preparations"}
    assert there == listed_pages()


def test_vendored_files_are_what_the_table_says() -> None:
    rows = re.findall(r"\| `(static/vendor/[^`]+)` \|[^|]+\| `([0-9a-f]{64})` \|", DEVELOPERS)
    assert len(rows) == 3
    for path, digest in rows:
        assert hashlib.sha256((ROOT / path).read_bytes()).hexdigest() == digest


def test_the_top_level_holds_what_was_agreed() -> None:
    expected = {"README.md", "DEVELOPERS.md", "pyproject.toml", "server", "templates", "static", "tests", "seed_runs"}
    allowed = expected | {"requirements.lock", "LICENSE", "artefacts", "dist"}
    present = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    assert expected <= present <= allowed
