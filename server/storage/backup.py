"""One file that holds everything: the database, taken while the app may be running, and all photos and files.

A backup is a ZIP archive: ``database.sqlite3``, ``files/<SHA-256>`` and ``backup.json`` with the
format, the time, the revision of the tables and the SHA-256 of the database.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sqlite3
import tempfile
import zipfile
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from alembic.config import Config
from alembic.script import ScriptDirectory

from server.errors import StartupError
from server.storage.engine import MIGRATIONS
from server.storage.files import FileStore

FORMAT = 1
_DATABASE = "database.sqlite3"
_FACTS = "backup.json"
_FILE = re.compile(r"files/([0-9a-f]{64})")


@dataclass(frozen=True)
class Backup:
    """What a backup holds."""

    written_at: str
    preparations: int
    runs: int
    files: int


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
            backup, digests, facts = _facts_of(copy)
            whole = Path(folder) / "whole.zip"
            store = FileStore(files_folder)
            with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
                archive.write(copy, _DATABASE)
                for digest in digests:
                    archive.writestr(f"files/{digest}", store.read(digest), zipfile.ZIP_STORED)
                archive.writestr(_FACTS, json.dumps(facts, indent=2))
            # Under its name only when it is whole.
            whole.replace(target)
    except sqlite3.DatabaseError as error:
        raise StartupError(f"The database {database} cannot be read ({error}).") from error
    except OSError as error:
        raise StartupError(f"The backup {target} cannot be written ({error.strerror or error}).") from error
    return backup


def _copy_database(source: Path, copy: Path) -> None:
    """Copy page by page under SQLite's own locks, with what still lies in its write-ahead log."""
    address = f"{source.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")


def _facts_of(copy: Path) -> tuple[Backup, list[str], dict[str, Any]]:
    with closing(sqlite3.connect(copy)) as connection:
        revision = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        digests = sorted({row[0] for row in connection.execute("SELECT sha256 FROM attachment")})
        counts = [connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("preparation", "run")]
    backup = Backup(datetime.now(UTC).isoformat(timespec="seconds"), counts[0], counts[1], len(digests))
    facts = {
        "format": FORMAT,
        "written_at": backup.written_at,
        "tables": revision[0] if revision else "",
        "database_sha256": _digest(copy),
        "preparations": backup.preparations,
        "runs": backup.runs,
    }
    return backup, digests, facts


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_backup(source: Path, database: Path, files_folder: Path) -> Backup:
    """Restore a backup to a database that is not there yet; nothing is ever overwritten.

    Raises
    ------
    StartupError
        If there is a database already, or the backup is damaged, of another program or of a newer version.
    """
    _refuse_existing(database)
    try:
        with zipfile.ZipFile(source) as archive:
            facts = _checked_facts(archive, source)
            database.parent.mkdir(parents=True, exist_ok=True)
            store = FileStore(files_folder)
            names = [name for name in archive.namelist() if _FILE.fullmatch(name)]
            for name in names:
                if store.put(archive.read(name)) != name.removeprefix("files/"):
                    raise StartupError(f"The backup {source} is damaged: the file {name} is not what it was.")
            _restore_database(archive, facts, source, database)
    except (zipfile.BadZipFile, KeyError, json.JSONDecodeError, UnicodeDecodeError) as error:
        raise StartupError(f"{source} is no backup of this program, or it is damaged.") from error
    except OSError as error:
        raise StartupError(f"The backup cannot be restored: {error.filename or source}: {error.strerror or error}.") from error
    return Backup(facts["written_at"], int(facts["preparations"]), int(facts["runs"]), len(names))


def _refuse_existing(database: Path) -> None:
    if database.exists():
        raise StartupError(
            f"There is a database at {database} already, and it is not overwritten. "
            "Move it away, or restore to another place with --database."
        )


def _checked_facts(archive: zipfile.ZipFile, source: Path) -> dict[str, Any]:
    facts = json.loads(archive.read(_FACTS))
    if not isinstance(facts, dict) or {"format", "written_at", "tables", "database_sha256"} - facts.keys():
        raise StartupError(f"{source} is no backup of this program, or it is damaged.")
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if facts["format"] != FORMAT or facts["tables"] not in known:
        raise StartupError(f"The backup {source} was written by a newer version. Install that version to restore it.")
    return facts


def _restore_database(archive: zipfile.ZipFile, facts: dict[str, Any], source: Path, database: Path) -> None:
    descriptor, name = tempfile.mkstemp(dir=database.parent, suffix=".restoring")
    part = Path(name)
    try:
        with os.fdopen(descriptor, "wb") as file, archive.open(_DATABASE) as packed:
            shutil.copyfileobj(packed, file)
        if _digest(part) != facts["database_sha256"]:
            raise StartupError(f"The backup {source} is damaged: its database is not what it was.")
        _refuse_existing(database)
        part.rename(database)
    finally:
        part.unlink(missing_ok=True)
