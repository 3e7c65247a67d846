"""Backups: everything comes back, nothing is overwritten, damage is noticed."""

import json
import zipfile
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine
from sqlmodel import Session

from server.errors import StartupError
from server.services.attachments import attach, read_attachment
from server.services.runs import view_runs
from server.settings import Settings
from server.storage import questions
from server.storage.backup import read_backup, write_backup
from server.storage.engine import migration_config, open_database, read_session
from server.storage.files import FileStore
from tests.factories import make_preparation, make_run
from tests.test_main import yieldwright


@pytest.fixture
def kept(settings: Settings, session: Session, tmp_path: Path) -> Path:
    """A backup of a database with one run and a note on file, taken while a session is open."""
    preparation = make_preparation(session)
    run = make_run(session, preparation, 71.0)
    attach(session, FileStore(settings.files_folder), int(run.id or 0), "note.txt", b"what happened")
    # Begun, not committed: it must not be in the backup.
    run.notes = "half a thought"
    session.add(run)
    session.flush()
    target = tmp_path / "kept" / "backup.zip"
    found = write_backup(settings.database, settings.files_folder, target)
    assert (found.preparations, found.runs, found.files) == (1, 1, 1)
    return target


def test_everything_comes_back(kept: Path, tmp_path: Path) -> None:
    database = tmp_path / "elsewhere" / "new.sqlite3"
    files = tmp_path / "elsewhere" / "new.files"
    found = read_backup(kept, database, files)
    assert (found.preparations, found.runs, found.files) == (1, 1, 1)
    engine = open_database(database)
    with read_session(engine) as session:
        (preparation,) = questions.list_preparations(session)
        (run,) = view_runs(session, preparation)
        assert run.percent == 71.0
        assert run.row.notes == ""
        (row,) = questions.list_attachments(session, int(run.row.id or 0))
        assert read_attachment(session, FileStore(files), int(row.id or 0)).content == b"what happened"
    engine.dispose()


def test_what_a_killed_restore_left_behind_is_replaced(kept: Path, tmp_path: Path) -> None:
    database, part = tmp_path / "new.sqlite3", tmp_path / "new.sqlite3.restoring"
    part.write_bytes(b"half a database")
    half = tmp_path / "new.files.restoring" / "ab"
    half.mkdir(parents=True)
    (half / "ab12").write_bytes(b"half a photo")
    assert read_backup(kept, database, tmp_path / "new.files").runs == 1
    assert database.exists()
    assert not half.parent.exists()
    assert [path.read_bytes() for path in (tmp_path / "new.files").glob("??/*")] == [b"what happened"]
    assert not part.exists()


def test_a_restore_that_broke_off_can_be_repeated(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    database, files = tmp_path / "new.sqlite3", tmp_path / "new.files"
    put = FileStore.put

    def full(self: FileStore, content: bytes) -> str:
        put(self, content)
        raise OSError(28, "No space left on device", "x")

    monkeypatch.setattr(FileStore, "put", full)
    with pytest.raises(StartupError, match="No space left"):
        read_backup(kept, database, files)
    monkeypatch.setattr(FileStore, "put", put)
    assert read_backup(kept, database, files).files == 1


def test_a_database_that_came_meanwhile_is_not_overwritten(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    database, files = tmp_path / "new.sqlite3", tmp_path / "new.files"
    put = FileStore.put

    def meanwhile(self: FileStore, content: bytes) -> str:
        database.write_bytes(b"of somebody else")
        return put(self, content)

    monkeypatch.setattr(FileStore, "put", meanwhile)
    with pytest.raises(StartupError, match="not overwritten"):
        read_backup(kept, database, files)
    assert database.read_bytes() == b"of somebody else"
    assert not list(tmp_path.glob("new.files*"))


def test_a_restore_that_breaks_off_leaves_the_files_of_others(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    database, shared = tmp_path / "new.sqlite3", tmp_path / "shared"
    # Another database has the same photo there already.
    FileStore(shared).put(b"what happened")
    monkeypatch.setattr(Path, "rename", lambda self, target: (_ for _ in ()).throw(OSError(28, "No space left on device", "x")))
    with pytest.raises(StartupError, match="No space left"):
        read_backup(kept, database, shared, is_shared=True)
    assert [path.read_bytes() for path in shared.glob("??/*")] == [b"what happened"]


def test_nothing_is_overwritten(kept: Path, settings: Settings) -> None:
    before = kept.read_bytes()
    with pytest.raises(StartupError, match="is there already"):
        write_backup(settings.database, settings.files_folder, kept)
    assert kept.read_bytes() == before
    with pytest.raises(StartupError, match="not overwritten"):
        read_backup(kept, settings.database, settings.files_folder)


def changed(source: Path, name: str, content: bytes) -> Path:
    target = source.with_name("changed.zip")
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for one in old.namelist():
            new.writestr(one, content if one == name or one.startswith(name) else old.read(one))
    return target


def test_damage_is_noticed_and_leaves_nothing_behind(kept: Path, tmp_path: Path) -> None:
    facts = json.loads(zipfile.ZipFile(kept).read("backup.json"))
    newer = json.dumps({**facts, "tables": "9999"}).encode()
    for name, content, words in (
        ("database.sqlite3", b"other", "its database is not what it was"),
        ("backup.json", newer, "newer version"),
        ("backup.json", b"{}", "no backup of this program"),
        ("backup.json", json.dumps({**facts, "runs": "x"}).encode(), "no backup of this program"),
        ("backup.json", json.dumps({**facts, "tables": ["a"]}).encode(), "no backup of this program"),
        ("backup.json", b"nonsense", "no backup of this program"),
    ):
        database = tmp_path / "restored" / "db.sqlite3"
        with pytest.raises(StartupError, match=words):
            read_backup(changed(kept, name, content), database, database.with_name("files"))
        assert not database.exists()
        assert not database.parent.exists() or not list(database.parent.iterdir())
    with pytest.raises(StartupError, match="no backup of this program"):
        read_backup(tmp_path / "test.sqlite3", tmp_path / "x.sqlite3", tmp_path / "files")
    with pytest.raises(StartupError, match="cannot be restored"):
        read_backup(tmp_path / "nowhere.zip", tmp_path / "x.sqlite3", tmp_path / "files")


def test_no_database_is_no_backup(tmp_path: Path) -> None:
    with pytest.raises(StartupError, match="There is no database"):
        write_backup(tmp_path / "none.sqlite3", tmp_path / "files", tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()


def test_both_commands(tmp_path: Path) -> None:
    yieldwright("demo", "--load-only", "--database", "a.sqlite3", cwd=tmp_path)
    written = yieldwright("backup", "a.zip", "--database", "a.sqlite3", cwd=tmp_path)
    assert "a.zip: preparations: 2, runs: 13, photos and files: 0." in written.stdout
    restored = yieldwright("restore", "a.zip", "--database", "b.sqlite3", cwd=tmp_path)
    assert "Restored to b.sqlite3: preparations: 2, runs: 13" in restored.stdout
    refused = yieldwright("restore", "a.zip", "--database", "b.sqlite3", cwd=tmp_path)
    assert refused.returncode == 1
    assert "not overwritten" in refused.stderr


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal", ".files/ab/abc"])
def test_remains_of_another_database_are_no_place_to_restore_to(kept: Path, tmp_path: Path, ending: str) -> None:
    database = tmp_path / "old" / "db.sqlite3"
    remains = Path(f"{database}{ending}")
    remains.parent.mkdir(parents=True, exist_ok=True)
    remains.write_bytes(b"x")
    with pytest.raises(StartupError, match=r"part of one already.*db\.sqlite3"):
        read_backup(kept, database, database.with_name("db.sqlite3.files"))
    assert remains.read_bytes() == b"x"
    assert not database.exists()


def test_a_folder_that_databases_share_need_not_be_empty(kept: Path, tmp_path: Path) -> None:
    shared = FileStore(tmp_path / "shared")
    other = shared.put(b"of another database")
    assert read_backup(kept, tmp_path / "new.sqlite3", tmp_path / "shared", is_shared=True).files == 1
    assert shared.read(other) == b"of another database"
    with pytest.raises(StartupError, match="is not overwritten"):
        read_backup(kept, tmp_path / "new.sqlite3", tmp_path / "shared", is_shared=True)


def test_a_damaged_photo_costs_nothing_but_itself(kept: Path, settings: Settings, tmp_path: Path) -> None:
    restored = tmp_path / "restored" / "db.sqlite3"
    found = read_backup(changed(kept, "files/", b"other"), restored, restored.with_name("files"))
    assert (found.runs, found.files, found.damaged) == (1, 0, ("note.txt of run 1",))
    assert restored.exists()
    assert not list(restored.parent.glob("files/??/*"))
    (path,) = settings.files_folder.glob("??/*")
    path.write_bytes(b"what never happened")
    again = write_backup(settings.database, settings.files_folder, tmp_path / "second.zip")
    assert (again.files, again.missing, again.damaged) == (0, (), ("note.txt of run 1",))
    third = read_backup(tmp_path / "second.zip", tmp_path / "third" / "db.sqlite3", tmp_path / "third" / "files")
    assert (third.runs, third.files, third.missing) == (1, 0, ("note.txt of run 1",))


def test_a_lost_photo_does_not_stop_the_backup(kept: Path, settings: Settings, tmp_path: Path) -> None:
    for path in settings.files_folder.glob("??/*"):
        path.unlink()
    found = write_backup(settings.database, settings.files_folder, tmp_path / "second.zip")
    assert (found.files, found.missing) == (0, ("note.txt of run 1",))


def test_a_database_from_before_there_were_photos_is_backed_up(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite3"
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection, connection.begin():
        command.upgrade(migration_config(connection), "0001")
    engine.dispose()
    assert write_backup(path, tmp_path / "none", tmp_path / "old.zip").files == 0
    (tmp_path / "empty.sqlite3").touch()
    with pytest.raises(StartupError, match="no database of this program"):
        write_backup(tmp_path / "empty.sqlite3", tmp_path / "none", tmp_path / "empty.zip")
