"""Settings, read from the environment (``YIELDWRIGHT_…``)."""

from __future__ import annotations

from pathlib import Path

from platformdirs import user_data_path
from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """Everything that can be set from outside.

    ``database`` is a path to a SQLite file; it is created when missing. ``files`` is the
    folder for photos and files; where None, a folder beside the database. ``host_names`` are further names,
    separated by commas, under which the machine is known in its network.
    """

    model_config = SettingsConfigDict(env_prefix="YIELDWRIGHT_", extra="ignore")

    database: Path = Field(default_factory=lambda: user_data_path("yieldwright") / "yieldwright.sqlite3")
    files: Path | None = None
    host: str = "127.0.0.1"
    host_names: str = ""
    port: int = Field(default=8765, ge=1, le=65535)

    @property
    def files_folder(self) -> Path:
        """Folder for photos and files."""
        return self.files or self.database.with_name(self.database.name + ".files")


def demo_database() -> Path:
    """Where ``yieldwright demo`` keeps its database unless told otherwise."""
    return user_data_path("yieldwright") / "demo.sqlite3"
