"""The database on real SQLite files."""

from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Engine, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, select

from server.errors import StartupError
from server.storage.engine import open_database, write_session
from server.storage.tables import RunRow, SettingRow, metadata
from tests.factories import make_preparation, make_run


def test_migrations_build_exactly_the_tables(engine: Engine) -> None:
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_opening_again_is_harmless(settings, session: Session) -> None:
    make_preparation(session)
    again = open_database(settings.database)
    with again.connect() as connection:
        assert connection.execute(text("SELECT count(*) FROM preparation")).scalar() == 1
    again.dispose()


def test_a_folder_is_no_database(tmp_path: Path) -> None:
    with pytest.raises(StartupError, match="is a folder"):
        open_database(tmp_path)


def test_a_path_that_cannot_be_created_says_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StartupError, match="cannot be written"):
        open_database(tmp_path / "file" / "db.sqlite3")


def test_another_kind_of_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but long enough to be looked at " * 40)
    before = path.read_bytes()
    with pytest.raises(StartupError, match="cannot be used as a database"):
        open_database(path)
    assert path.read_bytes() == before


def test_deleting_a_run_takes_its_settings_along(session: Session) -> None:
    run = make_run(session, make_preparation(session))
    session.delete(run)
    session.commit()
    assert session.exec(select(SettingRow)).all() == []


def test_the_database_itself_refuses_impossible_states(session: Session) -> None:
    run = make_run(session, make_preparation(session))
    run.state = "somewhere"
    session.add(run)
    with pytest.raises(IntegrityError, match="ck_run_state"):
        session.flush()


def test_what_is_not_committed_is_undone(engine: Engine) -> None:
    with write_session(engine) as session:
        preparation = make_preparation(session)
        session.add(RunRow(preparation_id=int(preparation.id or 0), number=9, state="planned", created_at=preparation.created_at))
        session.flush()
    with write_session(engine) as session:
        assert session.exec(select(RunRow)).all() == []
