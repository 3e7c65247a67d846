"""The command line: starts, starts again, and says what is wrong."""

import os
import socket
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from server.errors import StartupError
from server.main import check_port

ROOT = Path(__file__).parent.parent


def yieldwright(*arguments: str, cwd: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Run the program; ``more`` are environment variables."""
    command = [sys.executable, "-m", "server.main", *arguments]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=120, check=False, env={**os.environ, **more})


def test_the_demo_loads_once_from_any_folder(tmp_path: Path) -> None:
    database = str(tmp_path / "new folder" / "demo.sqlite3")
    first = yieldwright("demo", "--load-only", "--database", database, cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    assert "Demo loaded: Pear-drop ester, Copper ammine crystals." in first.stdout
    again = yieldwright("demo", "--load-only", "--database", database, cwd=tmp_path)
    assert "The demo is loaded already." in again.stdout


def test_names_that_a_console_has_no_letters_for_do_not_stop_a_backup(tmp_path: Path) -> None:
    # What Python writes in where Windows puts the words of a task into a file.
    old = {"PYTHONIOENCODING": "cp1252"}
    assert yieldwright("demo", "--load-only", "--database", "Δ.sqlite3", cwd=tmp_path, **old).returncode == 0
    found = yieldwright("backup", "kept.zip", "--database", "Δ.sqlite3", cwd=tmp_path, **old)
    assert (found.returncode, found.stderr) == (0, "")
    assert found.stdout == "Backup of ?.sqlite3 in kept.zip: preparations: 2, runs: 13, photos and files: 0.\n"
    again = yieldwright("restore", "kept.zip", "--database", "Ω.sqlite3", cwd=tmp_path, **old)
    assert (again.returncode, again.stderr) == (0, "")


def test_a_database_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    found = yieldwright("serve", "--database", str(tmp_path / "file" / "db"), "--port", "18765", cwd=tmp_path)
    assert found.returncode == 1
    assert "cannot be written" in found.stderr
    assert "Traceback" not in found.stderr


@pytest.mark.parametrize("command", [("serve",), ("backup", "out.zip"), ("restore", "out.zip")])
def test_a_folder_in_place_of_a_database_is_one_sentence(tmp_path: Path, command: tuple[str, ...]) -> None:
    for folder in (".", "/"):
        found = yieldwright(*command, "--database", folder, cwd=tmp_path)
        assert (found.returncode, found.stderr) == (1, f"{folder} is a folder. Name the file of the database with --database.\n")


# The second one is of a network that is kept for examples (RFC 5737).
@pytest.mark.parametrize("host", ["999.1.1.1", "192.0.2.1"])
def test_an_address_of_another_machine_is_told_from_a_port_that_is_taken(host: str) -> None:
    with pytest.raises(StartupError, match=f"{host} is no address of this machine"):
        check_port(host, 18765)


def test_a_port_that_is_taken_is_one_sentence(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(StartupError, match=f"Port {port} on 127.0.0.1 cannot be used"):
            check_port("127.0.0.1", port)
        found = yieldwright("serve", "--database", str(tmp_path / "db.sqlite3"), "--port", str(port), cwd=tmp_path)
    assert found.returncode == 1
    assert "--port" in found.stderr
    assert "Traceback" not in found.stderr


def test_the_wheel_carries_templates_static_files_and_seed_runs(tmp_path: Path) -> None:
    build = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", str(tmp_path), str(ROOT)]
    subprocess.run(build, check=True, capture_output=True, timeout=300)
    (wheel,) = tmp_path.glob("yieldwright-*.whl")
    unpacked = tmp_path / "installed"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(unpacked)
    names = {str(p.relative_to(unpacked)) for p in unpacked.rglob("*")}
    assert {"server/_assets/templates/base.html", "server/_assets/static/css/base.css"} <= names
    assert "server/_assets/seed_runs/01-pear-drop-ester.json" in names
    # The unpacked wheel runs from another folder, without the checkout.
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import server.paths as p; "
        "assert str(p.asset_folder('templates')).startswith(sys.argv[1]), p.asset_folder('templates'); "
        "from server.main import cli; sys.argv = ['yieldwright', 'demo', '--load-only', '--database', sys.argv[2]]; cli()"
    )
    command = [sys.executable, "-c", code, str(unpacked), str(tmp_path / "wheel.sqlite3")]
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert found.returncode == 0, found.stderr
    assert "Demo loaded" in found.stdout
