"""Opening the database: one SQLite file, foreign keys on, writers one at a time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine, event
from sqlalchemy.exc import DatabaseError
from sqlmodel import Session, create_engine

from server.errors import StartupError

MIGRATIONS = Path(__file__).resolve().parent.parent / "migrations"


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
    engine = create_engine(f"sqlite:///{path}", connect_args={"check_same_thread": False})
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", _begin)
    try:
        upgrade(engine)
    except (sqlite3.DatabaseError, DatabaseError) as error:
        engine.dispose()
        reason = getattr(error, "orig", error)
        raise StartupError(
            f"The file {path} cannot be used as a database ({reason}). Choose another file with --database, or restore a backup."
        ) from error
    return engine


def _prepare_connection(connection: sqlite3.Connection, _record: Any) -> None:
    # The driver's own transaction handling would start them too late; see _begin.
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA busy_timeout=30000")
    cursor.close()


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


def upgrade(engine: Engine) -> None:
    """Bring the tables up to date."""
    with engine.connect().execution_options(write=True) as connection, connection.begin():
        command.upgrade(migration_config(connection), "head")


@contextmanager
def read_session(engine: Engine) -> Iterator[Session]:
    """Open a session for reading."""
    with Session(engine) as session:
        yield session


@contextmanager
def write_session(engine: Engine) -> Iterator[Session]:
    """Open a session that takes the write lock with its first statement; whatever is not committed is undone."""
    # An expired row would dump as an empty one; rows stay filled after a commit.
    with Session(engine.execution_options(write=True), expire_on_commit=False) as session:
        yield session
