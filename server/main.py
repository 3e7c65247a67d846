"""The application and the command line ``yieldwright``."""

from __future__ import annotations

import errno
import hashlib
import io
import logging
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer
import uvicorn
from fastapi import FastAPI
from pydantic import ValidationError
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from server.compute.threads import keep_to_one_thread
from server.errors import StartupError
from server.paths import asset_folder
from server.settings import Settings, demo_database
from server.storage import questions
from server.storage.backup import read_backup, write_backup
from server.storage.engine import open_database, read_session
from server.storage.files import FileStore
from server.web.api import documents
from server.web.api import routes as api_routes
from server.web.dependencies import API_PREFIX
from server.web.errors import install_error_pages
from server.web.pages import (
    charge,
    courses,
    effects,
    help,
    home,
    notebook,
    preparations,
    proposal,
    recipe,
    runs,
    setup,
    stages,
    work,
    writeups,
)
from server.web.security import SecurityMiddleware

LARGEST_BODY = 26_000_000
DESCRIPTION = (
    "Preparations, variables, runs, effects and proposals of Yieldwright. Yields are in %, effects in percentage points. "
    "Settings are given by variable id or name."
)


def create_app(settings: Settings) -> FastAPI:
    """Build the application on the database that the settings name.

    Raises
    ------
    StartupError
        If the database cannot be used.
    """
    keep_to_one_thread()
    engine = open_database(settings.database)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        engine.dispose()

    app = FastAPI(
        title="Yieldwright",
        version=version("yieldwright"),
        description=DESCRIPTION,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
        generate_unique_id_function=lambda route: route.name,
    )
    app.state.engine = engine
    app.state.files = FileStore(settings.files_folder, is_shared=settings.files is not None)
    # Drafts in a browser belong to one database: another one may answer at the same address tomorrow.
    app.state.database_mark = hashlib.sha256(str(settings.database.resolve()).encode()).hexdigest()[:12]
    with read_session(engine) as session:
        app.state.files.sweep(questions.removed_digests(session))
    app.mount("/static", StaticFiles(directory=asset_folder("static")), name="static")
    for module in (
        home,
        preparations,
        setup,
        notebook,
        runs,
        effects,
        proposal,
        courses,
        stages,
        recipe,
        writeups,
        charge,
        work,
        help,
    ):
        app.include_router(module.router, include_in_schema=False)
    for answers in (api_routes, documents):
        app.include_router(answers.router, prefix=API_PREFIX)
    install_error_pages(app)
    app.add_middleware(RequestBodyLimitMiddleware, max_body_size=LARGEST_BODY)
    app.add_middleware(SecurityMiddleware, listening=settings.host, names=settings.host_names, largest_body=LARGEST_BODY)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    return app


cli = typer.Typer(add_completion=False, help="Turn repeated attempts at a preparation into a recipe that can be trusted.")

Database = Annotated[Path | None, typer.Option(help="SQLite file; created when missing.")]
Host = Annotated[str | None, typer.Option(help="Address to listen on.")]
Port = Annotated[int | None, typer.Option(help="Port to listen on.", min=1, max=65535)]


def _settings(database: Path | None, host: str | None, port: int | None) -> Settings:
    given = {"database": database, "host": host, "port": port}
    settings = Settings(**{k: v for k, v in given.items() if v is not None})  # type: ignore[arg-type]
    if settings.database.is_dir():
        raise StartupError(f"{settings.database} is a folder. Name the file of the database with --database.")
    return settings


def check_port(host: str, port: int) -> None:
    """Raise StartupError if nothing can listen there."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
                raise StartupError(
                    f"{host} is no address of this machine. Choose one with --host: 127.0.0.1 for this computer only, "
                    "0.0.0.0 for its network."
                ) from error
            raise StartupError(
                f"Port {port} on {host} cannot be used ({error.strerror}). "
                f"Stop the other program, or choose another port with --port {port + 1 if port < 65535 else port - 1}."
            ) from error


def _serve(settings: Settings) -> None:
    check_port(settings.host, settings.port)
    app = create_app(settings)
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    typer.echo(f"Yieldwright runs at http://{host}:{settings.port}/  (database: {settings.database}; stop with Ctrl+C)")
    uvicorn.run(app, host=settings.host, port=settings.port, log_level="warning")


@cli.callback(invoke_without_command=True)
def main(context: typer.Context) -> None:
    """Start the app when no command is given."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A name that a console, or the file in its place, has no letters for is no reason to fail.
        sys.stdout.reconfigure(errors="replace")
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("alembic").setLevel(logging.WARNING)
    if context.invoked_subcommand is None:
        _serve(_settings(None, None, None))


@cli.command()
def serve(database: Database = None, host: Host = None, port: Port = None) -> None:
    """Start the app."""
    _serve(_settings(database, host, port))


@cli.command()
def demo(
    database: Database = None,
    host: Host = None,
    port: Port = None,
    load_only: Annotated[bool, typer.Option("--load-only", help="Load the demo and stop.")] = False,
) -> None:
    """Load the demo (once) and start the app with it."""
    from server.services.demo import load_demo
    from server.storage.engine import write_session

    settings = _settings(database or demo_database(), host, port)
    if not load_only:
        check_port(settings.host, settings.port)
    engine = open_database(settings.database)
    with write_session(engine) as session:
        loaded = load_demo(session, asset_folder("seed_runs"))
    engine.dispose()
    typer.echo(f"Demo loaded: {', '.join(loaded)}." if loaded else "The demo is loaded already.")
    if not load_only:
        _serve(settings)


@cli.command()
def backup(
    file: Annotated[Path, typer.Argument(help="The backup to write, a ZIP file.")],
    database: Database = None,
) -> None:
    """Write everything, photos and files included, to one file; the app may be running."""
    settings = _settings(database, None, None)
    found = write_backup(settings.database, settings.files_folder, file)
    typer.echo(
        f"Backup of {settings.database} in {file}: preparations: {found.preparations}, runs: {found.runs}, "
        f"photos and files: {found.files}."
    )
    if found.missing:
        typer.echo(f"Missing in {settings.files_folder}, so not in the backup: {', '.join(found.missing)}.", err=True)
    if found.damaged:
        typer.echo(f"No longer what they were, so not in the backup: {', '.join(found.damaged)}.", err=True)


@cli.command()
def restore(
    file: Annotated[Path, typer.Argument(help="A backup of this program.")],
    database: Database = None,
) -> None:
    """Restore a backup to a database that is not there yet."""
    settings = _settings(database, None, None)
    found = read_backup(file, settings.database, settings.files_folder, is_shared=settings.files is not None)
    open_database(settings.database).dispose()
    what = f"preparations: {found.preparations}, runs: {found.runs}, photos and files: {found.files}"
    typer.echo(f"Restored to {settings.database}: {what}, as of {found.written_at}.")
    if found.missing:
        typer.echo(f"Not in the backup: {', '.join(found.missing)}.", err=True)
    if found.damaged:
        typer.echo(f"Damaged in the backup, so not restored: {', '.join(found.damaged)}.", err=True)


def run() -> None:
    """Entry point: expected failures end with one sentence and exit code 1."""
    try:
        cli()
    except StartupError as error:
        typer.echo(str(error), err=True)
        raise SystemExit(1) from error
    except ValidationError as error:
        wrong = error.errors()[0]
        name = "_".join(("YIELDWRIGHT", *(str(part).upper() for part in wrong["loc"])))
        typer.echo(f"The setting {name} cannot be used: {wrong['msg']}; it is {str(wrong['input'])[:60]!r}.", err=True)
        raise SystemExit(1) from error


if __name__ == "__main__":
    run()
