"""A database, session and client of its own for every test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import Engine
from sqlmodel import Session

from server.compute.threads import keep_to_one_thread
from server.main import create_app
from server.settings import Settings
from server.storage.engine import open_database, write_session

# As the app does; tests run in several processes at once.
keep_to_one_thread()
# How long an example takes says more of the machine than of the code.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(database=tmp_path / "test.sqlite3")


@pytest.fixture
def engine(settings: Settings) -> Iterator[Engine]:
    engine = open_database(settings.database)
    yield engine
    engine.dispose()


@pytest.fixture
def session(engine: Engine) -> Iterator[Session]:
    with write_session(engine) as session:
        yield session


@pytest.fixture
def client(settings: Settings) -> Iterator[TestClient]:
    with TestClient(create_app(settings), base_url="http://localhost", follow_redirects=True) as client:
        yield client
