"""Who may import whom, read from the sources."""

import ast
from pathlib import Path

import pytest

SERVER = Path(__file__).parent.parent / "server"
ROOMS = ("core", "charts", "exchange", "storage", "services", "compute", "web")
# Rooms of the project that a room may import beside itself and errors.
ALLOWED = {
    "core": set(),
    "charts": {"core"},
    "exchange": set(),
    "storage": set(),
    "compute": {"core"},
    "services": {"core", "exchange", "storage", "compute"},
    "web": {"core", "charts", "exchange", "services", "storage", "compute"},
}
# Libraries that stay out of a room.
FORBIDDEN = {
    "core": {"sqlmodel", "sqlalchemy", "fastapi", "starlette", "jinja2", "plotly"},
    "charts": {"sqlmodel", "sqlalchemy", "fastapi", "starlette"},
    "exchange": {"fastapi", "starlette", "jinja2", "sqlmodel", "sqlalchemy", "numpy", "scipy", "sklearn", "plotly"},
    "storage": {"fastapi", "starlette", "numpy", "scipy", "sklearn", "plotly"},
    "services": {"fastapi", "starlette", "jinja2", "plotly"},
    "web": {"numpy", "scipy", "sklearn", "sqlalchemy"},
}


def imports_of(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


SOURCES = [(room, path) for room in ALLOWED for path in sorted((SERVER / room).rglob("*.py"))]


@pytest.mark.parametrize(("room", "path"), SOURCES, ids=[str(p.relative_to(SERVER)) for _, p in SOURCES])
def test_a_room_imports_only_what_the_map_allows(room: str, path: Path) -> None:
    names = imports_of(path)
    rooms = {name.split(".")[1] for name in names if name.startswith("server.")} & set(ROOMS)
    assert rooms - {room} <= ALLOWED[room]
    libraries = {name.split(".")[0] for name in names}
    assert not libraries & FORBIDDEN.get(room, set())


def test_core_reads_no_clock_and_no_hidden_randomness() -> None:
    outside = {"datetime", "time", "random", "os", "uuid", "secrets", "pathlib", "io", "tempfile", "socket"}
    for path in (SERVER / "core").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not outside & {name.split(".")[0] for name in imports_of(path)}, path
        assert "open" not in {node.id for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Name)}, path
        assert "np.random.seed" not in text
        assert "default_rng()" not in text


def test_every_room_has_sources() -> None:
    assert {room for room, _ in SOURCES} == set(ALLOWED)
