"""Opening the database: one SQLite file, foreign keys on, writers one at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Engine, ExceptionContext, event
from sqlalchemy.exc import DatabaseError
from sqlalchemy.pool import NullPool
from sqlmodel import Session, create_engine

from server.errors import BusyError, StartupError, StorageError

# A writer waits no longer than this for another one. [ms]
LONGEST_WAIT_MS = 30_000
# How SQLite says that the disk is full, belongs to someone else, or is broken.
_NOT_WRITTEN = ("disk is full", "readonly database", "disk I/O error")
MIGRATIONS = Path(__file__).resolve().parent.parent / "migrations"


def _url(path: Path) -> URL:
    """The address of a file, whatever characters its name has."""
    return URL.create("sqlite", database=str(path))


def open_database(path: Path) -> Engine:
    """Open the SQLite file at ``path``, create it when missing, and bring its tables up to date.

    Raises
    ------
    StartupError
        If the folder or file cannot be written, or the file is no database of ours.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(f"{path} is a folder")
        with path.open("ab"):
            pass
    except OSError as error:
        raise StartupError(
            f"The database file {path} cannot be written ({error.strerror or error}). "
            "Choose another place with --database or YIELDWRIGHT_DATABASE."
        ) from error
    copy: Path | None = None
    try:
        revision, head = _revision_of(path), _head()
        if revision not in (None, head):
            copy = _keep_copy(path, head)
        upgrade(path)
    except (sqlite3.DatabaseError, DatabaseError) as error:
        reason = getattr(error, "orig", error)
        if copy is not None:
            # Nothing was changed, so a copy at every start would only fill the disk.
            copy.unlink(missing_ok=True)
        raise StartupError(
            f"The file {path} cannot be used as a database ({reason}). Choose another file with --database, or restore a backup."
        ) from error
    engine = create_engine(_url(path), connect_args={"check_same_thread": False})
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", _begin)
    event.listen(engine, "handle_error", _say_what_hinders)
    return engine


def _scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return ScriptDirectory.from_config(config)


def _head() -> str:
    return str(_scripts().get_current_head())


def known_revisions() -> set[str]:
    """The versions of the tables that this program can read."""
    return {script.revision for script in _scripts().walk_revisions()}


def _revision_of(path: Path) -> str | None:
    """The version of the tables of a file; None where there are none yet.

    Raises
    ------
    StartupError
        If the tables are those of another program, or of a newer version.
    sqlite3.DatabaseError
        If the file is no database.
    """
    with closing(sqlite3.connect(path)) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not tables:
            return None
        found = connection.execute("SELECT version_num FROM alembic_version").fetchone() if "alembic_version" in tables else None
    if not {"preparation", "run"} <= tables or found is None:
        raise StartupError(f"The file {path} is a database of another program. Choose another file with --database.")
    if found[0] not in known_revisions():
        raise StartupError(f"The database {path} was written by a newer version. Install that version to open it.")
    return str(found[0])


def _keep_copy(path: Path, head: str) -> Path | None:
    """Copy a database whose tables are about to be changed beside it, whole or not at all; nothing is overwritten.

    Returns
    -------
    copy : Path or None
        None where another start has changed the tables meanwhile.
    """
    with closing(sqlite3.connect(path, isolation_level=None)) as lock:
        lock.execute("PRAGMA busy_timeout=30000")
        # Another start may be changing the tables: then the copy was made there.
        lock.execute("BEGIN IMMEDIATE")
        if _revision_of(path) == head:
            return None
        part = path.with_name(f"{path.name}.copying")
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(part)) as copy:
            source.backup(copy)
        names = (f"{path.name}.before-{head}{f'-{k}' if k else ''}" for k in count())
        kept = next(target for name in names if not (target := path.with_name(name)).exists())
        part.rename(kept)
    return kept


def _prepare_connection(connection: sqlite3.Connection, _record: Any) -> None:
    _prepare(connection, "foreign_keys=ON")


def _prepare_upgrade(connection: sqlite3.Connection, _record: Any) -> None:
    # Without the old way of renaming tables, a view of the user's own would stop an upgrade.
    _prepare(connection, "legacy_alter_table=ON")


def _prepare(connection: sqlite3.Connection, own: str) -> None:
    # The driver's own transaction handling would start them too late; see _begin.
    connection.isolation_level = None
    for pragma in ("journal_mode=WAL", f"busy_timeout={LONGEST_WAIT_MS}", own):
        connection.execute(f"PRAGMA {pragma}").close()


def _say_what_hinders(context: ExceptionContext) -> None:
    """A lock that others held for too long is no mistake of the app, nor is a disk that is full."""
    reason = str(context.original_exception)
    if "database is locked" in reason:
        raise BusyError from context.original_exception
    if any(words in reason for words in _NOT_WRITTEN):
        raise StorageError(reason) from context.original_exception


def _begin(connection: Connection) -> None:
    # A writer takes its lock before it reads, or two writers would lose updates.
    write = connection.get_execution_options().get("write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


def migration_config(connection: Connection) -> Config:
    """Return Alembic's configuration bound to an open connection."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    return config


def upgrade(path: Path, revision: str = "head") -> None:
    """Bring the tables of a file up to date, all or nothing.

    Foreign keys are off meanwhile: a table that is made anew would take its children along.
    """
    engine = create_engine(_url(path), poolclass=NullPool)
    event.listen(engine, "connect", _prepare_upgrade)
    event.listen(engine, "begin", _begin)
    with engine.connect().execution_options(write=True) as connection, connection.begin():
        command.upgrade(migration_config(connection), revision)
        lost = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        if lost:
            raise sqlite3.DatabaseError(f"{len(lost)} rows would refer to nothing, first in {lost[0][0]}")


@contextmanager
def read_session(engine: Engine) -> Iterator[Session]:
    """Open a session for reading."""
    with Session(engine) as session:
        yield session


@contextmanager
def write_session(engine: Engine, *, reads_after_commit: bool = False) -> Iterator[Session]:
    """Open a session that takes the write lock with its first statement; whatever is not committed is undone.

    Parameters
    ----------
    reads_after_commit : bool
        Once something was committed or undone as a whole, the session only reads, without the lock: an answer that is
        worked out and sent must not keep other writers waiting.
    """
    # An expired row would dump as an empty one; rows stay filled after a commit.
    with Session(engine.execution_options(write=True), expire_on_commit=False) as session:
        if reads_after_commit:

            def read_from_now_on(ended: Session) -> None:
                if not ended.in_nested_transaction():
                    ended.bind = engine

            event.listen(session, "after_commit", read_from_now_on)
            event.listen(session, "after_rollback", read_from_now_on)
        yield session
