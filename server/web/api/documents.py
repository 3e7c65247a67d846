"""What scripts ask of documents: procedure, write-ups, files of runs; the archive, and which evidence the models use."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Depends, Response, UploadFile

from server.services import preparations, writeups
from server.services.analysis import analyse
from server.services.attachments import attach, remove_attachment
from server.services.inputs import CheckpointUseInput, CourseUseInput, Input, ProcedureInput
from server.storage import questions
from server.storage.tables import WriteUpRow
from server.web.api.models import Answer, PreparationAnswer
from server.web.api.routes import PROBLEMS, preparation_answer, refuse_outdated
from server.web.dependencies import (
    LARGEST_FILE,
    Files,
    Id,
    OpenWriter,
    ReadSession,
    Seen,
    WriteSession,
    refuse_unknown_parameters,
)
from server.web.forms import stamp

router = APIRouter(responses=PROBLEMS, dependencies=[Depends(refuse_unknown_parameters)])


class ProcedureAnswer(Answer):
    """What is done, by stage; ``stamp`` as in preparations."""

    stamp: str
    stages: dict[str, str]


class WriteUpAnswer(Answer):
    """A write-up; ``id``, ``version`` and ``made_at`` are null for the draft that follows the runs."""

    id: int | None
    version: int | None
    made_at: datetime | None
    content: dict[str, Any]
    markdown: str


class AttachmentAnswer(Answer):
    """A file of a run; its bytes are at ``/attachments/{id}``."""

    id: int
    name: str
    media_type: str
    size: int
    sha256: str
    added_at: datetime


class ArchiveInput(Input):
    """Whether a preparation is in the archive."""

    archived: bool


class EvidenceUseAnswer(Answer):
    """Whether readings and checkpoints are evidence for the models."""

    use_courses: bool
    course_variable_id: int | None
    use_checkpoints: bool


@router.get("/preparations/{preparation_id}/procedure", tags=["documents"])
def get_procedure(preparation_id: Id, session: ReadSession) -> ProcedureAnswer:
    """What is done in each stage, in the chemist's words."""
    stored = writeups.stored_procedure(questions.get_preparation(session, preparation_id))
    return ProcedureAnswer(stamp=stamp(stored), stages=stored.stages)


@router.put("/preparations/{preparation_id}/procedure", tags=["documents"])
def set_procedure(preparation_id: Id, data: ProcedureInput, session: WriteSession, seen: Seen = None) -> ProcedureAnswer:
    """Replace what is done; with ``seen``, only if its stamp is still that."""
    row = questions.get_preparation(session, preparation_id)
    refuse_outdated(seen, writeups.stored_procedure(row), "The procedure")
    stored = writeups.stored_procedure(writeups.set_procedure(session, preparation_id, data))
    return ProcedureAnswer(stamp=stamp(stored), stages=stored.stages)


def _kept(row: WriteUpRow) -> WriteUpAnswer:
    markdown = writeups.as_markdown(row.content, row.version)
    return WriteUpAnswer(id=row.id, version=row.version, made_at=row.made_at, content=row.content, markdown=markdown)


@router.get("/preparations/{preparation_id}/write-up", tags=["documents"])
def get_draft(preparation_id: Id, session: ReadSession, scale_mol: float | None = None) -> WriteUpAnswer:
    """Compose the write-up of what is known today; nothing is kept."""
    content = writeups.compose(session, analyse(session, preparation_id), scale_mol)
    return WriteUpAnswer(id=None, version=None, made_at=None, content=content, markdown=writeups.as_markdown(content, None))


@router.get("/preparations/{preparation_id}/write-ups", tags=["documents"])
def list_write_ups(preparation_id: Id, session: ReadSession) -> list[WriteUpAnswer]:
    """List the versions that were kept."""
    questions.get_preparation(session, preparation_id)
    return [_kept(row) for row in questions.list_write_ups(session, preparation_id)]


@router.get("/write-ups/{write_up_id}", tags=["documents"])
def get_write_up(write_up_id: Id, session: ReadSession) -> WriteUpAnswer:
    """Return a version that was kept."""
    return _kept(questions.get_write_up(session, write_up_id))


@router.post("/preparations/{preparation_id}/write-ups", status_code=201, tags=["documents"])
def keep_write_up(preparation_id: Id, session: ReadSession, writer: OpenWriter, scale_mol: float | None = None) -> WriteUpAnswer:
    """Keep the write-up as it is today."""
    content = writeups.compose(session, analyse(session, preparation_id), scale_mol)
    with writer() as writing:
        return _kept(writeups.store_version(writing, preparation_id, content))


@router.get("/runs/{run_id}/attachments", tags=["documents"])
def list_attachments(run_id: Id, session: ReadSession) -> list[AttachmentAnswer]:
    """List the photos and files of a run."""
    questions.get_run(session, run_id)
    return [AttachmentAnswer.model_validate(row) for row in questions.list_attachments(session, run_id)]


@router.post("/runs/{run_id}/attachments", status_code=201, tags=["documents"])
def add_attachment(run_id: Id, file: UploadFile, session: WriteSession, files: Files) -> AttachmentAnswer:
    """Attach a photo or file (multipart form, field ``file``)."""
    content = file.file.read(LARGEST_FILE + 1)
    return AttachmentAnswer.model_validate(attach(session, files, run_id, file.filename or "", content))


@router.delete("/attachments/{attachment_id}", status_code=204, tags=["documents"])
def delete_attachment(attachment_id: Id, session: WriteSession) -> Response:
    """Take a file off a run."""
    remove_attachment(session, attachment_id)
    return Response(status_code=204)


@router.put("/preparations/{preparation_id}/archive", tags=["preparations"])
def set_archived(preparation_id: Id, data: ArchiveInput, session: WriteSession) -> PreparationAnswer:
    """Put a preparation into the archive, or take it back; nothing is deleted."""
    preparations.archive_preparation(session, preparation_id, archived=data.archived)
    return preparation_answer(questions.get_preparation(session, preparation_id))


@router.delete("/preparations/{preparation_id}", status_code=204, tags=["preparations"])
def delete_preparation(preparation_id: Id, name: str, writer: OpenWriter, files: Files) -> Response:
    """Delete a preparation of the archive for good, with all its runs and files; ``name`` is its name once more."""
    preparations.delete_with_files(writer, files, preparation_id, name)
    return Response(status_code=204)


@router.get("/preparations/{preparation_id}/evidence-use", tags=["answers"])
def get_evidence_use(preparation_id: Id, session: ReadSession) -> EvidenceUseAnswer:
    """Say whether readings and checkpoints are evidence for the models."""
    return EvidenceUseAnswer.model_validate(questions.get_preparation(session, preparation_id))


@router.put("/preparations/{preparation_id}/evidence-use/courses", tags=["answers"])
def set_use_of_courses(preparation_id: Id, data: CourseUseInput, session: WriteSession) -> EvidenceUseAnswer:
    """Switch the evidence from time courses on or off, and choose the hold time that it is about."""
    return EvidenceUseAnswer.model_validate(preparations.use_courses(session, preparation_id, data))


@router.put("/preparations/{preparation_id}/evidence-use/checkpoints", tags=["answers"])
def set_use_of_checkpoints(preparation_id: Id, data: CheckpointUseInput, session: WriteSession) -> EvidenceUseAnswer:
    """Switch the evidence from checkpoints on or off."""
    return EvidenceUseAnswer.model_validate(preparations.use_checkpoints(session, preparation_id, data))
