"""Server time of every page at 200 runs, weight of the first load, and how fast a forecast follows.

    python -m tests.bench.pages [--runs 200]

The first visit of each page computes what is stored afterwards; the median is of five further
visits. The forecast is asked for with settings that change each time, at 30 runs of 6 variables.
"""

from __future__ import annotations

import argparse
import gzip
import re
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from server.main import create_app
from server.paths import asset_folder
from server.services.demo import load_demo
from server.settings import Settings
from server.storage.engine import write_session
from tests.web.many import insert_runs

_OF_ONE = ("", "/effects", "/proposal", "/courses", "/recipe", "/record", "/write-up", "/charge", "/setup", "/runs/new")
PAGES = ("/", *(f"/preparations/1{p}" for p in _OF_ONE), "/runs/1", "/runs/8/course", "/runs/1/bench-sheet", "/help")


def visit(client: TestClient, path: str) -> tuple[float, str]:
    """Milliseconds until the page itself is there, progress pages waited out, and its text."""
    begin = time.perf_counter()
    page = client.get(path)
    while found := re.search(r'hx-get="(/work/[0-9a-f]{64})', page.text):
        while "HX-Redirect" not in client.get(found.group(1), headers={"HX-Request": "true"}).headers:
            time.sleep(0.02)
        page = client.get(path)
    assert page.status_code == 200, path
    return 1000 * (time.perf_counter() - begin), page.text


def first_load(client: TestClient, html: str) -> dict[str, int]:
    """Compressed bytes of a page and of everything that it loads."""
    sizes = {"page": len(gzip.compress(html.encode()))}
    for address in sorted(set(re.findall(r'(?:href|src)="(/static/[^"]+)"', html))):
        answer = client.get(address)
        assert "immutable" in answer.headers["cache-control"], address
        sizes[address.split("?")[0]] = len(gzip.compress(answer.content))
    return sizes


def demo_app(folder: Path) -> Any:
    """The app on a fresh demo."""
    settings = Settings(database=folder / "bench.sqlite3")
    app = create_app(settings)
    with write_session(app.state.engine) as session:
        load_demo(session, asset_folder("seed_runs"))
    return app


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=200)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, TestClient(demo_app(Path(folder)), base_url="http://localhost") as client:
        insert_runs(client, 22)
        _, page = visit(client, "/preparations/1/proposal")
        fields = dict(re.findall(r'id="f-(setting_\d+)" name="setting_\d+" value="([^"]*)"', page))
        choices = dict(re.findall(r'name="(setting_\d+)"[^>]*>\s*<option value="([^"]*)"', page))
        times = []
        for k in range(25):
            query = {**choices, **fields, "setting_1": f"{0.5 + 0.15 * k:g}", "purpose": "raise"}
            begin = time.perf_counter()
            answer = client.get("/preparations/1/forecast", params=query, headers={"HX-Request": "true"})
            times.append(1000 * (time.perf_counter() - begin))
            assert answer.status_code == 200
        middle, worst = statistics.median(times), max(times)
        print(f"forecast of changed settings, 30 runs x 6 variables: median {middle:.0f} ms, worst {worst:.0f} ms")
        insert_runs(client, arguments.runs - 31)
        title = f"page at {arguments.runs} runs"
        print(f"\n{title:32}{'first / ms':>12}{'then, median / ms':>20}")
        overview = ""
        for path in PAGES:
            first, html = visit(client, path)
            again = statistics.median(visit(client, path)[0] for _ in range(5))
            print(f"{path:32}{first:12.0f}{again:20.0f}")
            overview = html if path == "/preparations/1" else overview
        sizes = first_load(client, overview)
        print(f"\nfirst load of the overview, compressed: {sum(sizes.values()) / 1e6:.2f} MB")
        for name, size in sorted(sizes.items(), key=lambda item: -item[1]):
            print(f"  {name:70}{size / 1e3:8.1f} kB")


if __name__ == "__main__":
    main()
