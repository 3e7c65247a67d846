"""One file that holds everything: the database, taken while the app may be running, and all photos and files.

A backup is a ZIP archive: ``database.sqlite3``, ``files/<SHA-256>`` and ``backup.json`` with the
format, the time, the revision of the tables and the SHA-256 of the database.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from server.errors import NotFoundError, StartupError
from server.storage.engine import known_revisions
from server.storage.files import FileStore

FORMAT = 1
_DATABASE = "database.sqlite3"
# Archives that are cut off, changed, encrypted, or packed in another way.
_UNREADABLE = (
    *(zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError),
    *(KeyError, json.JSONDecodeError, UnicodeDecodeError, sqlite3.DatabaseError),
)
_FACTS = "backup.json"


@dataclass(frozen=True)
class Backup:
    """What a backup holds.

    ``missing`` names photos and files that the database has but the folder (or the backup) has not, ``damaged``
    those whose content is no longer what it was: they are left out, and the rest is kept.
    """

    written_at: str
    preparations: int
    runs: int
    files: int
    missing: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()


def write_backup(database: Path, files_folder: Path, target: Path) -> Backup:
    """Write a backup; the app may be running meanwhile.

    Raises
    ------
    StartupError
        If there is no database, the target is there already, or it cannot be written.
    """
    if not database.is_file():
        raise StartupError(f"There is no database at {database}. Say which one with --database.")
    if target.exists():
        raise StartupError(f"{target} is there already and is not overwritten. Choose another name.")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target.parent) as folder:
            copy = Path(folder) / _DATABASE
            _copy_database(database, copy)
            facts, names = _facts_of(copy)
            whole = Path(folder) / "whole.zip"
            store = FileStore(files_folder)
            with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.write(copy, _DATABASE)
                missing, damaged = [], []
                for digest, name in names.items():
                    try:
                        content = store.read(digest)
                    except NotFoundError:
                        missing.append(name)
                        continue
                    if _is_whole(content, digest):
                        archive.writestr(f"files/{digest}", content, zipfile.ZIP_STORED)
                    else:
                        damaged.append(name)
                archive.writestr(_FACTS, json.dumps(facts, indent=2))
            # Under its name only when it is whole.
            whole.replace(target)
    except sqlite3.DatabaseError as error:
        raise StartupError(f"The database {database} cannot be read ({error}).") from error
    except OSError as error:
        raise StartupError(f"The backup {target} cannot be written ({error.strerror or error}).") from error
    kept = len(names) - len(missing) - len(damaged)
    return Backup(facts["written_at"], facts["preparations"], facts["runs"], kept, tuple(missing), tuple(damaged))


def _copy_database(source: Path, copy: Path) -> None:
    """Copy page by page under SQLite's own locks, with what still lies in its write-ahead log."""
    address = f"{source.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")


def _facts_of(copy: Path) -> tuple[dict[str, Any], dict[str, str]]:
    """What ``backup.json`` says, and the name of each file by its SHA-256."""
    with closing(sqlite3.connect(copy)) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not {"alembic_version", "preparation", "run"} <= tables:
            raise sqlite3.DatabaseError("it is no database of this program")
        revision = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        counts = [connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("preparation", "run")]
        names = {}
        if "attachment" in tables:
            found = "SELECT a.sha256, a.name, r.number FROM attachment a JOIN run r ON r.id = a.run_id ORDER BY a.sha256"
            names = {digest: f"{name} of run {number}" for digest, name, number in connection.execute(found)}
    facts = {
        "format": FORMAT,
        "written_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "tables": revision[0] if revision else "",
        "database_sha256": _digest(copy),
        "preparations": counts[0],
        "runs": counts[1],
    }
    return facts, names


def _is_whole(content: bytes, digest: str) -> bool:
    return hashlib.sha256(content).hexdigest() == digest


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_backup(source: Path, database: Path, files_folder: Path, *, is_shared: bool = False) -> Backup:
    """Restore a backup to a database that is not there yet; nothing is ever overwritten.

    Parameters
    ----------
    is_shared : bool
        Whether other databases keep their files in the folder too: then it need not be empty.

    Raises
    ------
    StartupError
        If there is a database already, or the backup is damaged, of another program or of a newer version.
    """
    _refuse_existing(database, None if is_shared else files_folder)
    try:
        with zipfile.ZipFile(source) as archive:
            facts = _checked_facts(archive, source)
            database.parent.mkdir(parents=True, exist_ok=True)
            part = database.with_name(f"{database.name}.restoring")
            # A restore that was killed may have left its part behind.
            part.unlink(missing_ok=True)
            # Files go into a folder of their own until all of them are there, for the same reason.
            unpacked = files_folder if is_shared else files_folder.with_name(f"{files_folder.name}.restoring")
            if not is_shared:
                shutil.rmtree(unpacked, ignore_errors=True)
            store, stored = FileStore(unpacked), set[str]()
            try:
                _unpack_database(archive, facts, source, part)
                names = _facts_of(part)[1]
                missing, damaged = [], []
                for digest, name in names.items():
                    content = _content_of(archive, digest)
                    if content is None:
                        missing.append(name)
                    elif _is_whole(content, digest):
                        if not store.has(digest):
                            stored.add(digest)
                        store.put(content)
                    else:
                        damaged.append(name)
                _refuse_existing(database, None if is_shared else files_folder)
                if not is_shared and unpacked.exists():
                    # Of the folder there are empty ones at most.
                    shutil.rmtree(files_folder, ignore_errors=True)
                    unpacked.rename(files_folder)
                part.rename(database)
            except BaseException:
                # What came half-way is taken back, so that the next try finds the place as it was.
                store.sweep(stored)
                raise
            finally:
                part.unlink(missing_ok=True)
                if not is_shared:
                    shutil.rmtree(unpacked, ignore_errors=True)
    except _UNREADABLE as error:
        raise StartupError(f"{source} is no backup of this program, or it is damaged.") from error
    except OSError as error:
        raise StartupError(f"The backup cannot be restored: {error.filename or source}: {error.strerror or error}.") from error
    kept = len(names) - len(missing) - len(damaged)
    return Backup(facts["written_at"], facts["preparations"], facts["runs"], kept, tuple(missing), tuple(damaged))


def _content_of(archive: zipfile.ZipFile, digest: str) -> bytes | None:
    """A photo or file as it lies in the backup: None where it is not in it, empty where it cannot be unpacked."""
    try:
        return archive.read(f"files/{digest}")
    except KeyError:
        return None
    except (zipfile.BadZipFile, zlib.error, EOFError):
        return b""


def _refuse_existing(database: Path, files_folder: Path | None = None) -> None:
    """Refuse to restore beside anything of another database: its log would be replayed, its photos swept away."""
    parts = [database, *(database.with_name(database.name + ending) for ending in ("-wal", "-shm", "-journal"))]
    there = [str(path) for path in parts if path.exists()]
    if files_folder is not None and files_folder.is_dir() and any(path.is_file() for path in files_folder.rglob("*")):
        there.append(str(files_folder))
    if there:
        raise StartupError(
            f"There is a database or part of one already, and it is not overwritten: {', '.join(there)}. "
            "Move all of it away together, or restore to another place with --database."
        )


def _checked_facts(archive: zipfile.ZipFile, source: Path) -> dict[str, Any]:
    facts = json.loads(archive.read(_FACTS))
    kinds = {"format": int, "written_at": str, "tables": str, "database_sha256": str, "preparations": int, "runs": int}
    if not isinstance(facts, dict) or any(not isinstance(facts.get(name), kind) for name, kind in kinds.items()):
        raise StartupError(f"{source} is no backup of this program, or it is damaged.")
    if facts["format"] != FORMAT or facts["tables"] not in known_revisions():
        raise StartupError(f"The backup {source} was written by a newer version. Install that version to restore it.")
    return facts


def _unpack_database(archive: zipfile.ZipFile, facts: dict[str, Any], source: Path, part: Path) -> None:
    with part.open("xb") as file, archive.open(_DATABASE) as packed:
        shutil.copyfileobj(packed, file)
    if _digest(part) != facts["database_sha256"]:
        raise StartupError(f"The backup {source} is damaged: its database is not what it was.")
