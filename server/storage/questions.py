"""Questions to the database: one function per question, rows out, no statistics."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple, TypeVar

from sqlmodel import Session, SQLModel, col, delete, func, insert, select

from server.errors import NotFoundError
from server.storage.tables import (
    AttachmentRow,
    ChangeRow,
    CheckpointRow,
    LimitRow,
    MaterialRow,
    PreparationRow,
    ReadingRow,
    RunRow,
    SettingRow,
    VariableRow,
    WeighedRow,
    WriteUpRow,
)

Row = TypeVar("Row", bound=SQLModel)

# SQLite integers end here; a larger id in an address cannot exist.
LARGEST_ID = 2**63 - 1


def _get(session: Session, table: type[Row], what: str, key: int) -> Row:
    row = session.get(table, key) if 0 < key <= LARGEST_ID else None
    if row is None:
        raise NotFoundError(what, key)
    return row


def get_preparation(session: Session, preparation_id: int) -> PreparationRow:
    """Return the preparation or raise NotFoundError."""
    return _get(session, PreparationRow, "preparation", preparation_id)


def get_variable(session: Session, variable_id: int) -> VariableRow:
    """Return the variable or raise NotFoundError."""
    return _get(session, VariableRow, "variable", variable_id)


def get_limit(session: Session, limit_id: int) -> LimitRow:
    """Return the limit or raise NotFoundError."""
    return _get(session, LimitRow, "limit", limit_id)


def get_material(session: Session, material_id: int) -> MaterialRow:
    """Return the material or raise NotFoundError."""
    return _get(session, MaterialRow, "material", material_id)


def get_run(session: Session, run_id: int) -> RunRow:
    """Return the run or raise NotFoundError."""
    return _get(session, RunRow, "run", run_id)


def get_checkpoint(session: Session, checkpoint_id: int) -> CheckpointRow:
    """Return the checkpoint or raise NotFoundError."""
    return _get(session, CheckpointRow, "checkpoint", checkpoint_id)


def list_preparations(session: Session, *, archived: bool = False, containing: str = "") -> Sequence[PreparationRow]:
    """Preparations by name; ``containing`` filters the name without regard to case."""
    query = select(PreparationRow).order_by(col(PreparationRow.id))
    query = query.where(col(PreparationRow.archived_at).is_not(None) if archived else col(PreparationRow.archived_at).is_(None))
    # SQLite knows the case of ASCII letters only.
    wanted = _folded(containing)
    return sorted((p for p in session.exec(query).all() if wanted in _folded(p.name)), key=lambda p: p.name.casefold())


def _folded(text: str) -> str:
    """Text for a search: without case, subscripts as plain digits."""
    return unicodedata.normalize("NFKC", text).casefold()


def find_preparation_named(session: Session, name: str) -> PreparationRow | None:
    """Return the preparation with exactly this name, if there is one."""
    return session.exec(select(PreparationRow).where(PreparationRow.name == name)).first()


def list_variables(session: Session, preparation_id: int) -> Sequence[VariableRow]:
    """Variables of a preparation in their order."""
    query = select(VariableRow).where(VariableRow.preparation_id == preparation_id)
    return session.exec(query.order_by(col(VariableRow.position), col(VariableRow.id))).all()


def list_limits(session: Session, preparation_id: int) -> Sequence[LimitRow]:
    """Rules of a preparation in the order in which they were added."""
    return session.exec(select(LimitRow).where(LimitRow.preparation_id == preparation_id).order_by(col(LimitRow.id))).all()


def list_materials(session: Session, preparation_id: int) -> Sequence[MaterialRow]:
    """Materials of a preparation in their order."""
    query = select(MaterialRow).where(MaterialRow.preparation_id == preparation_id)
    return session.exec(query.order_by(col(MaterialRow.position), col(MaterialRow.id))).all()


def list_runs(session: Session, preparation_id: int) -> Sequence[RunRow]:
    """Runs of a preparation by number."""
    return session.exec(select(RunRow).where(RunRow.preparation_id == preparation_id).order_by(col(RunRow.number))).all()


def list_scales(session: Session, preparation_id: int) -> Sequence[float]:
    """Scales of the runs that have one, by run number. [mol]"""
    query = select(col(RunRow.scale_mol)).where(RunRow.preparation_id == preparation_id, col(RunRow.scale_mol).is_not(None))
    return [float(scale) for scale in session.exec(query.order_by(col(RunRow.number))).all() if scale is not None]


def list_settings(session: Session, preparation_id: int) -> Sequence[SettingRow]:
    """Settings of all runs of a preparation."""
    query = select(SettingRow).join(RunRow, col(SettingRow.run_id) == RunRow.id).where(RunRow.preparation_id == preparation_id)
    return session.exec(query).all()


def list_run_settings(session: Session, run_id: int) -> Sequence[SettingRow]:
    """Settings of one run."""
    return session.exec(select(SettingRow).where(SettingRow.run_id == run_id)).all()


def list_weighed(session: Session, preparation_id: int) -> Sequence[WeighedRow]:
    """As-weighed amounts of all runs of a preparation."""
    query = select(WeighedRow).join(RunRow, col(WeighedRow.run_id) == RunRow.id).where(RunRow.preparation_id == preparation_id)
    return session.exec(query).all()


def list_run_weighed(session: Session, run_id: int) -> Sequence[WeighedRow]:
    """As-weighed amounts of one run."""
    return session.exec(select(WeighedRow).where(WeighedRow.run_id == run_id)).all()


def list_checkpoints(session: Session, run_id: int) -> Sequence[CheckpointRow]:
    """Checkpoints of a run in their order."""
    query = select(CheckpointRow).where(CheckpointRow.run_id == run_id)
    return session.exec(query.order_by(col(CheckpointRow.position), col(CheckpointRow.id))).all()


def list_all_checkpoints(session: Session, preparation_id: int) -> Sequence[CheckpointRow]:
    """Checkpoints of all runs of a preparation, those of each run in their order."""
    query = select(CheckpointRow).join(RunRow, col(CheckpointRow.run_id) == RunRow.id)
    query = query.where(RunRow.preparation_id == preparation_id)
    return session.exec(query.order_by(col(CheckpointRow.run_id), col(CheckpointRow.position), col(CheckpointRow.id))).all()


def get_reading(session: Session, reading_id: int) -> ReadingRow:
    """Return a reading or raise NotFoundError."""
    return _get(session, ReadingRow, "reading", reading_id)


def list_readings(session: Session, run_id: int, series: str | None = None) -> Sequence[ReadingRow]:
    """Readings of a run by time, of one series where given."""
    query = select(ReadingRow).where(ReadingRow.run_id == run_id)
    if series is not None:
        query = query.where(ReadingRow.series == series)
    return session.exec(query.order_by(col(ReadingRow.at_h), col(ReadingRow.id))).all()


class ReadingPoint(NamedTuple):
    """What a fit needs of a reading: a logger leaves so many that whole rows would take seconds."""

    series: str
    at_h: float
    value: float


def list_points(session: Session, run_id: int) -> list[ReadingPoint]:
    """Readings of a run by time, without what only their correction needs."""
    query = select(ReadingRow.series, ReadingRow.at_h, ReadingRow.value).where(ReadingRow.run_id == run_id)
    return [ReadingPoint(*point) for point in session.exec(query.order_by(col(ReadingRow.at_h), col(ReadingRow.id)))]


def latest_readings(session: Session, run_id: int, series: str, most: int) -> Sequence[ReadingRow]:
    """The last readings of one series of a run, latest first."""
    query = select(ReadingRow).where(ReadingRow.run_id == run_id, ReadingRow.series == series)
    return session.exec(query.order_by(col(ReadingRow.at_h).desc(), col(ReadingRow.id).desc()).limit(most)).all()


def add_readings(
    session: Session, run_id: int, series: str, unit: str, values: Sequence[tuple[float, float]], noted_at: datetime
) -> None:
    """Add many readings of one series at once, each as (hours since the start, value)."""
    same = {"run_id": run_id, "series": series, "unit": unit, "noted_at": noted_at}
    if values:
        session.exec(insert(ReadingRow), params=[{**same, "at_h": hours, "value": value} for hours, value in values])


def delete_readings(session: Session, run_id: int, series: str) -> None:
    """Delete the readings of one series of a run at once."""
    session.exec(delete(ReadingRow).where(col(ReadingRow.run_id) == run_id, col(ReadingRow.series) == series))


def count_readings(session: Session, run_id: int) -> int:
    """Number of readings of a run."""
    return int(session.exec(select(func.count()).select_from(ReadingRow).where(ReadingRow.run_id == run_id)).one())


def has_reading_at(session: Session, run_id: int, series: str, at_h: float) -> bool:
    """Whether a series has a reading at this time, to a millionth of an hour."""
    query = select(ReadingRow.id).where(ReadingRow.run_id == run_id, ReadingRow.series == series)
    return session.exec(query.where(col(ReadingRow.at_h).between(at_h - 1e-6, at_h + 1e-6))).first() is not None


def last_reading_h(session: Session, run_id: int) -> float:
    """Time of the last reading of a run since its start; 0 without any. [h]"""
    return session.exec(select(func.max(ReadingRow.at_h)).where(ReadingRow.run_id == run_id)).first() or 0.0


def runs_with_readings(session: Session, preparation_id: int) -> set[int]:
    """Ids of the runs of a preparation that have readings."""
    has_one = select(ReadingRow.id).where(col(ReadingRow.run_id) == col(RunRow.id)).exists()
    return {
        int(key or 0) for key in session.exec(select(RunRow.id).where(RunRow.preparation_id == preparation_id, has_one)).all()
    }


def latest_changes(session: Session, preparation_id: int) -> dict[int, int]:
    """Id of the newest line of the revision log per run number: another one means that something about the run changed."""
    query = select(ChangeRow.run_number, func.max(ChangeRow.id)).where(ChangeRow.preparation_id == preparation_id)
    found = session.exec(query.group_by(col(ChangeRow.run_number))).all()
    return {number: latest for number, latest in found if number is not None and latest is not None}


def get_write_up(session: Session, write_up_id: int) -> WriteUpRow:
    """Return a kept write-up or raise NotFoundError."""
    return _get(session, WriteUpRow, "write-up", write_up_id)


def list_write_ups(session: Session, preparation_id: int) -> Sequence[WriteUpRow]:
    """Kept write-ups by version."""
    query = select(WriteUpRow).where(WriteUpRow.preparation_id == preparation_id)
    return session.exec(query.order_by(col(WriteUpRow.version))).all()


def get_attachment(session: Session, attachment_id: int) -> AttachmentRow:
    """Return an attachment or raise NotFoundError."""
    return _get(session, AttachmentRow, "attachment", attachment_id)


def list_attachments(session: Session, run_id: int) -> Sequence[AttachmentRow]:
    """Attachments of a run in the order in which they came."""
    return session.exec(select(AttachmentRow).where(AttachmentRow.run_id == run_id).order_by(col(AttachmentRow.id))).all()


def count_attachments(session: Session, preparation_id: int) -> int:
    """Number of files that the runs of a preparation have."""
    query = select(func.count()).select_from(AttachmentRow).join(RunRow, col(AttachmentRow.run_id) == RunRow.id)
    return int(session.exec(query.where(RunRow.preparation_id == preparation_id)).one())


def attached_digests(session: Session, preparation_id: int | None = None) -> set[str]:
    """SHA-256 of every file that a run has; of one preparation where it is given."""
    query = select(AttachmentRow.sha256)
    if preparation_id is not None:
        query = query.join(RunRow, col(RunRow.id) == AttachmentRow.run_id).where(RunRow.preparation_id == preparation_id)
    return set(session.exec(query).all())


def removed_digests(session: Session, preparation_id: int | None = None) -> set[str]:
    """SHA-256 of every file that was taken off a run, or went with a deleted one, and that no row names any more.

    Of one preparation's log where it is given.
    """
    gone: set[str] = set()
    query = select(ChangeRow.before).where(col(ChangeRow.what).like("file % removed") | (ChangeRow.what == "run deleted"))
    if preparation_id is not None:
        query = query.where(ChangeRow.preparation_id == preparation_id)
    for before in session.exec(query):
        held = before or {}
        gone |= {str(a["sha256"]) for a in (held, *held.get("attachments", ())) if "sha256" in a}
    return gone - attached_digests(session)


def list_changes(session: Session, preparation_id: int, run_number: int | None = None) -> Sequence[ChangeRow]:
    """The revision log, newest first; of one run where its number is given."""
    query = select(ChangeRow).where(ChangeRow.preparation_id == preparation_id)
    if run_number is not None:
        query = query.where(ChangeRow.run_number == run_number)
    return session.exec(query.order_by(col(ChangeRow.id).desc())).all()


def has_change(session: Session, what: str) -> bool:
    """Whether any preparation's log has a line of these words."""
    return session.exec(select(ChangeRow.id).where(ChangeRow.what == what).limit(1)).first() is not None


def take_run_number(session: Session, preparation: PreparationRow) -> int:
    """Return the next run number; a number is never used twice, even after a run was deleted."""
    preparation.last_run_number += 1
    session.add(preparation)
    return preparation.last_run_number


def next_position(session: Session, table: type[VariableRow] | type[MaterialRow], preparation_id: int) -> int:
    """Position for a new last line."""
    largest = session.exec(select(func.max(table.position)).where(table.preparation_id == preparation_id)).one()
    return (largest or 0) + 1
