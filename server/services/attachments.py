"""Photos and files attached to a run: checked by content, never by what the browser says they are."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sqlmodel import Session

from server.errors import InvalidInputError, StorageError
from server.services.preparations import log_change, now
from server.storage import questions
from server.storage.files import FileStore
from server.storage.tables import AttachmentRow

LARGEST_BYTES = 10_000_000
MOST_PER_RUN = 40
# First bytes of the kinds that are taken, with media type and what names may end in; the first is put behind any other.
_KINDS = (
    (re.compile(rb"\x89PNG\r\n\x1a\n"), "image/png", (".png",)),
    (re.compile(rb"\xff\xd8\xff"), "image/jpeg", (".jpg", ".jpeg", ".jpe", ".jfif")),
    (re.compile(rb"RIFF....WEBP", re.DOTALL), "image/webp", (".webp",)),
    (re.compile(rb"%PDF-"), "application/pdf", (".pdf",)),
)
# Text has many endings (.csv, .jdx, .asc), so there only those are not kept that a double click would run (common practice,
# no source).
_RUN_BY_A_CLICK = tuple(
    f".{ending}"
    for ending in (
        *("exe", "com", "scr", "msi", "bat", "cmd", "ps1", "vbs", "vbe", "js", "jse", "wsf", "wsh", "hta", "reg", "lnk", "url"),
        *("sh", "command", "desktop", "html", "htm", "xhtml", "svg", "jar", "app", "scf", "inf", "pif", "cpl", "psc1"),
    )
)
TAKEN = f"PNG, JPEG or WebP pictures, PDF, and plain text or CSV, up to {LARGEST_BYTES // 1_000_000} MB"
# What a browser offers to choose.
ACCEPTED = ",".join((*(media_type for _, media_type, _ in _KINDS), "text/plain", "text/csv", ".csv", ".txt"))


@dataclass(frozen=True)
class Attachment:
    """An attachment with its content."""

    row: AttachmentRow
    content: bytes

    @property
    def is_picture(self) -> bool:
        return self.row.media_type.startswith("image/")


def kind_of(content: bytes) -> str | None:
    """Media type by the first bytes; plain text if all of it is readable text; None for anything else.

    Examples
    --------
    >>> kind_of(b"%PDF-1.7"), kind_of(b"t;V"), kind_of(bytes([0, 1]))
    ('application/pdf', 'text/plain', None)
    """
    for pattern, media_type, _ in _KINDS:
        if pattern.match(content):
            return media_type
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return None
    return None if any(ord(c) < 32 and c not in "\n\r\t\f" for c in text) else "text/plain"


def safe_name(name: str) -> str:
    """A file name without folders, control characters and surprises; at most 80 characters.

    Examples
    --------
    >>> safe_name("../../etc/passwd"), safe_name("TLC plate 1.png")
    ('passwd', 'TLC plate 1.png')
    """
    last = re.split(r"[/\\\\]", name)[-1]
    kept = re.sub(r"[^\w .()+-]", "_", last).strip(" .")
    return (kept or "file")[-80:]


def named_as(name: str, media_type: str) -> str:
    """A safe name that ends in what the file is; at most 80 characters.

    Examples
    --------
    >>> named_as("plate.exe", "image/png"), named_as("NMR.jdx", "text/plain"), named_as("run.bat", "text/plain")
    ('plate.exe.png', 'NMR.jdx', 'run.bat.txt')
    """
    safe = safe_name(name)
    endings = next((endings for _, kind, endings in _KINDS if kind == media_type), None)
    fits = not safe.lower().endswith(_RUN_BY_A_CLICK) if endings is None else safe.lower().endswith(endings)
    return safe if fits else f"{safe}{'.txt' if endings is None else endings[0]}"[-80:]


def attach(session: Session, files: FileStore, run_id: int, name: str, content: bytes) -> AttachmentRow:
    """Attach a file to a run.

    Raises
    ------
    NotFoundError
    InvalidInputError
        If the file is empty, too large, of another kind, or there are too many.
    StorageError
        If it cannot be written.
    """
    run = questions.get_run(session, run_id)
    if not content:
        raise InvalidInputError({"file": "Choose a photo or file; an empty one holds nothing."})
    if len(content) > LARGEST_BYTES:
        raise InvalidInputError({"file": f"A file may have {LARGEST_BYTES // 1_000_000} MB at most. Make the picture smaller."})
    media_type = kind_of(content)
    if media_type is None:
        raise InvalidInputError({"file": f"This kind of file is not taken. Taken are {TAKEN}."})
    if len(questions.list_attachments(session, run_id)) >= MOST_PER_RUN:
        raise InvalidInputError({"file": f"A run can have {MOST_PER_RUN} files. Remove one first."})
    try:
        digest = files.put(content)
    except OSError as error:
        raise StorageError(error.strerror or str(error)) from error
    row = AttachmentRow(
        run_id=run_id,
        name=named_as(name, media_type),
        media_type=media_type,
        size=len(content),
        sha256=digest,
        added_at=now(),
    )
    session.add(row)
    log_change(session, run.preparation_id, f"file {row.name} attached", run_number=run.number)
    session.commit()
    return row


def read_attachment(session: Session, files: FileStore, attachment_id: int) -> Attachment:
    """Return an attachment with its content; raises NotFoundError."""
    row = questions.get_attachment(session, attachment_id)
    return Attachment(row, files.read_whole(row.sha256))


def remove_attachment(session: Session, attachment_id: int) -> int:
    """Take a file off a run; return the run's id. The bytes go with the next start, if no run names them
    and the folder is the database's own.
    """
    row = questions.get_attachment(session, attachment_id)
    run = questions.get_run(session, row.run_id)
    log_change(
        session,
        run.preparation_id,
        f"file {row.name} removed",
        run_number=run.number,
        before={"name": row.name, "size": row.size, "sha256": row.sha256},
    )
    session.delete(row)
    session.commit()
    return row.run_id
