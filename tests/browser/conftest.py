"""A real server with the demo on a free port, and a real Chromium that records every complaint."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect, sync_playwright

from server.paths import asset_folder
from server.services.demo import load_demo
from server.storage.engine import open_database, write_session

# A busy machine takes its time; what is waited for here either comes or does not.
expect.set_options(timeout=20_000)
# A refused form or an address that is not there is an answer and no fault; a connection that a test cuts is its own doing.
EXPECTED = re.compile(r"422|409|404|503|ERR_CONNECTION_FAILED|htmx:error: Failed to fetch")
ARTEFACTS = Path(os.environ.get("YIELDWRIGHT_ARTEFACTS", "artefacts"))
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"]


def find_chromium() -> str | None:
    """The browser named by BROWSER, else a Chromium on the path."""
    names = [os.environ.get("BROWSER", ""), "chromium", "chromium-browser", "google-chrome"]
    return next((found for name in names if name and (found := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = find_chromium()
    if path is None:
        message = "No Chromium found: install one (Debian: apt-get install chromium) or set BROWSER to its path."
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    ARTEFACTS.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def loaded_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with the demo, loaded once, to be copied."""
    path = tmp_path_factory.mktemp("demo") / "loaded.sqlite3"
    engine = open_database(path)
    with write_session(engine) as session:
        load_demo(session, asset_folder("seed_runs"))
    engine.dispose()
    return path


@pytest.fixture
def demo(tmp_path: Path, loaded_demo: Path) -> Iterator[str]:
    """Address of a server with a fresh demo."""
    port = free_port()
    database = shutil.copyfile(loaded_demo, tmp_path / "demo.sqlite3")
    command = [sys.executable, "-m", "server.main", "demo", "--database", str(database), "--port", str(port)]
    address = f"http://127.0.0.1:{port}"
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        for _ in range(1200):
            try:
                with urllib.request.urlopen(f"{address}/help", timeout=1):
                    break
            except OSError:
                assert process.poll() is None, "the server stopped before it answered"
                time.sleep(0.1)
        else:
            process.terminate()
            pytest.fail("the server did not answer within two minutes")
        yield address
        process.terminate()


@pytest.fixture(params=[(1280, 900), (360, 740)], ids=["desk", "phone"])
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A page at desk and at phone width; console errors, policy violations and failed requests fail the test."""
    width, height = request.param
    # Where the browser is, it is another time of day than where the server is.
    context = browser.new_context(viewport={"width": width, "height": height}, timezone_id="Asia/Kolkata")
    page = context.new_page()
    page.set_default_timeout(20_000)
    complaints: list[str] = []

    def listen(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and not EXPECTED.search(message.text):
            complaints.append(f"{page.url}: {message.text}")

    page.on("console", listen)
    page.on("pageerror", lambda error: complaints.append(f"{page.url}: {error}"))

    def failed(request: Request) -> None:
        # A page that is left while it still loads aborts what it asked for, and so does a download end its navigation.
        if not re.search("ERR_ABORTED|CONNECTION_FAILED", str(request.failure)):
            complaints.append(f"{request.url} failed: {request.failure}")

    page.on("requestfailed", failed)
    yield page
    name = request.node.name.replace("[", "-").replace("]", "")
    page.screenshot(path=str(ARTEFACTS / f"{name}.png"), full_page=True)
    context.close()
    assert complaints == []
