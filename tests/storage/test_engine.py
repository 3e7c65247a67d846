"""The database on real SQLite files."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Engine, create_engine, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, select

from server.errors import BusyError, StartupError, StorageError
from server.settings import Settings
from server.storage import engine as engine_module
from server.storage import questions
from server.storage.engine import migration_config, open_database, read_session, write_session
from server.storage.tables import PreparationRow, RunRow, SettingRow, metadata
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


def test_an_older_database_keeps_all_its_data(tmp_path: Path) -> None:
    # Tables as of revision 0001, filled through plain SQL; the new columns take their defaults, no row is lost.
    path = tmp_path / "old.sqlite3"
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        command.upgrade(migration_config(connection), "0001")
        connection.execute(
            text(
                "INSERT INTO preparation (id, name, worthwhile_gain, product_name, product_formula, product_coefficient, "
                "balance_readability_g, notes, cautions, literature_references, last_run_number, revision, created_at) "
                "VALUES (1, 'Ester', 1, '', '', 1, 0.01, '', '', '', 1, 1, '2026-01-01 00:00:00')"
            )
        )
        connection.execute(
            text(
                "INSERT INTO run (id, preparation_id, number, state, outcome, theory_u_g, theory_source, "
                "lot, notes, revision, created_at, entered_yield_percent) "
                "VALUES (1, 1, 1, 'finished', 'yield', 0, '', '', '', 1, '2026-01-01 00:00:00', 71.5)"
            )
        )
        connection.execute(
            text(
                "INSERT INTO variable (id, preparation_id, position, name, role, unit, stage, low, high, choices) "
                "VALUES (1, 1, 1, 'hold', 'hold_time', 'h', 'reaction', 1, 5, '[]')"
            )
        )
        connection.execute(text("INSERT INTO setting (id, run_id, variable_id, as_run_number) VALUES (1, 1, 1, 2.5)"))
    engine.dispose()
    upgraded = open_database(path)
    with Session(upgraded) as session:
        preparation = questions.get_preparation(session, 1)
        assert (preparation.allowed_loss, preparation.window_percent) == (2.0, 90.0)
        assert preparation.use_courses
        assert preparation.use_checkpoints
        assert preparation.procedure == {}
        (run,) = questions.list_runs(session, 1)
        assert run.entered_yield_percent == 71.5
        assert run.course_shapes == {}
        assert [s.as_run_number for s in questions.list_run_settings(session, 1)] == [2.5]
    upgraded.dispose()
    # The file as it was lies beside it.
    with closing(sqlite3.connect(path.with_name(f"{path.name}.before-0015"))) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
        assert copy.execute("SELECT count(*) FROM run").fetchone() == (1,)


def test_copies_before_an_upgrade_are_whole_and_overwrite_nothing(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite3"
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        command.upgrade(migration_config(connection), "0002")
    engine.dispose()
    with closing(sqlite3.connect(path)) as own, own:
        own.execute("CREATE VIEW mine AS SELECT * FROM run")
    # A copy that was cut off, and one of another database.
    (tmp_path / "old.sqlite3.before-0015").write_bytes(b"")
    (tmp_path / "old.sqlite3.copying").write_bytes(b"half")
    open_database(path).dispose()
    with closing(sqlite3.connect(tmp_path / "old.sqlite3.before-0015-1")) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchone() == ("0002",)
    assert (tmp_path / "old.sqlite3.before-0015").read_bytes() == b""
    assert not (tmp_path / "old.sqlite3.copying").exists()
    with closing(sqlite3.connect(path)) as upgraded:
        assert upgraded.execute("SELECT count(*) FROM mine").fetchone() == (0,)


def test_ids_are_never_used_again(session: Session) -> None:
    preparation = make_preparation(session)
    first = make_run(session, preparation)
    key = int(first.id or 0)
    session.delete(first)
    session.commit()
    assert int(make_run(session, preparation).id or 0) > key
    texts = session.connection().execute(text("SELECT name, sql FROM sqlite_master WHERE type = 'table'")).all()
    without = {name for name, sql in texts if "AUTOINCREMENT" not in sql} - {"alembic_version", "sqlite_sequence"}
    assert without == set()


def test_a_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "photos.sqlite3"
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("CREATE TABLE photos (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(StartupError, match="of another program"):
        open_database(path)
    assert path.read_bytes() == before


def test_a_newer_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "newer.sqlite3"
    open_database(path).dispose()
    with closing(sqlite3.connect(path)) as newer, newer:
        newer.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StartupError, match="newer version"):
        open_database(path)
    assert [p.name for p in tmp_path.glob("*.before-*")] == []


def test_the_lock_is_free_while_an_answer_is_worked_out(engine: Engine, settings: Settings) -> None:
    with write_session(engine, reads_after_commit=True) as session:
        make_preparation(session)
        session.commit()
        assert len(questions.list_preparations(session)) == 1
        with closing(sqlite3.connect(settings.database, timeout=0.1)) as other:
            other.execute("BEGIN IMMEDIATE")
            other.rollback()


def test_an_upgrade_that_fails_leaves_no_copies(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite3"
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        command.upgrade(migration_config(connection), "0002")
        connection.execute(text("INSERT INTO setting (id, run_id, variable_id) VALUES (1, 77, 88)"))
    engine.dispose()
    for _ in range(2):
        with pytest.raises(StartupError, match="would refer to nothing"):
            open_database(path)
    assert [p.name for p in tmp_path.glob("*.before-*")] == []
    with closing(sqlite3.connect(path)) as untouched:
        assert untouched.execute("SELECT version_num FROM alembic_version").fetchone() == ("0002",)


@pytest.mark.parametrize("name", ["odd?x.sqlite3", "per%41.sqlite3", "a#b c.sqlite3"])
def test_a_file_may_have_any_name(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    open_database(path).dispose()
    assert [p.name for p in tmp_path.iterdir()] == [name]
    with closing(sqlite3.connect(path)) as stored:
        assert stored.execute("SELECT count(*) FROM run").fetchone() == (0,)


def test_a_writer_that_waits_too_long_is_told_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine_module, "LONGEST_WAIT_MS", 20)
    path = tmp_path / "busy.sqlite3"
    engine = open_database(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BusyError, match="Nothing was stored of this"), write_session(engine) as session:
            session.connection()
        other.execute("ROLLBACK")
    with write_session(engine) as session:
        session.connection()


def test_a_disk_that_is_full_or_read_only_is_told_so(tmp_path: Path) -> None:
    engine = open_database(tmp_path / "full.sqlite3")
    # A database that may not grow is what SQLite takes for a full disk.
    for hindrance, words in (("max_page_count=1", "disk is full"), ("query_only=ON", "readonly database")):
        with write_session(engine) as session:
            session.connection().exec_driver_sql(f"PRAGMA {hindrance}")
            session.add(PreparationRow(name="x" * 1_000_000, created_at=datetime.now(UTC)))
            with pytest.raises(StorageError, match=rf"{words}.*nothing was stored of this"):
                session.commit()
        engine.dispose()
    with read_session(engine) as session:
        assert questions.list_preparations(session) == []
