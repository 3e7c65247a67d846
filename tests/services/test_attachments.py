"""Photos and files: judged by content, kept outside the database, gone without a trace in paths."""

from pathlib import Path

import pytest
from sqlmodel import Session

from server.errors import InvalidInputError, NotFoundError, StorageError
from server.services.attachments import (
    LARGEST_BYTES,
    MOST_PER_RUN,
    attach,
    kind_of,
    named_as,
    read_attachment,
    remove_attachment,
    safe_name,
)
from server.storage import questions
from server.storage.files import FileStore
from tests.factories import make_preparation, make_run

PNG = b"\x89PNG\r\n\x1a\n" + bytes(20)


@pytest.fixture
def files(tmp_path: Path) -> FileStore:
    return FileStore(tmp_path / "files")


@pytest.fixture
def run_id(session: Session) -> int:
    return int(make_run(session, make_preparation(session)).id or 0)


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (PNG, "image/png"),
        (b"\xff\xd8\xff\xe0rest", "image/jpeg"),
        (b"RIFF\x00\x00\x00\x00WEBPVP8 ", "image/webp"),
        (b"%PDF-1.7\n", "application/pdf"),
        (b"Zeit;Volumen\n0;0,5", "text/plain"),
        (b"<svg onload=alert(1)>", "text/plain"),
        (b"GIF89a\x00\x01", None),
        (b"MZ\x90\x00\x03", None),
        (b"\xff\xfe\x00", None),
    ],
)
def test_the_content_says_what_a_file_is(content: bytes, kind: str | None) -> None:
    assert kind_of(content) == kind


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\x\\plate.png", "plate.png"),
        ("", "file"),
        ("..", "file"),
        ("a\x00b\n.png", "a_b_.png"),
    ],
)
def test_names_are_made_harmless(name: str, safe: str) -> None:
    assert safe_name(name) == safe


@pytest.mark.parametrize(
    ("name", "media_type", "kept"),
    [
        ("plate.PNG", "image/png", "plate.PNG"),
        ("plate.jpeg", "image/jpeg", "plate.jpeg"),
        ("plate.png", "image/jpeg", "plate.png.jpg"),
        ("", "application/pdf", "file.pdf"),
        ("spectrum.jdx", "text/plain", "spectrum.jdx"),
        ("readme", "text/plain", "readme"),
        ("setup.EXE", "text/plain", "setup.EXE.txt"),
        ("drawing.svg", "text/plain", "drawing.svg.txt"),
        ("x" * 100 + ".exe", "image/webp", "x" * 71 + ".exe.webp"),
    ],
)
def test_names_end_in_what_the_file_is(name: str, media_type: str, kept: str) -> None:
    assert named_as(name, media_type) == kept
    assert len(kept) <= 80


def test_a_stored_file_is_named_by_its_content(session: Session, files: FileStore, run_id: int) -> None:
    assert attach(session, files, run_id, "plate.exe", PNG).name == "plate.exe.png"


def test_a_photo_is_kept_beside_the_database(session: Session, files: FileStore, run_id: int, tmp_path: Path) -> None:
    row = attach(session, files, run_id, "plate.png", PNG)
    assert row.media_type == "image/png"
    assert read_attachment(session, files, int(row.id or 0)).content == PNG
    (stored,) = [p for p in (tmp_path / "files").rglob("*") if p.is_file()]
    assert stored.name == row.sha256
    attach(session, files, run_id, "again.png", PNG)
    assert len([p for p in (tmp_path / "files").rglob("*") if p.is_file()]) == 1


@pytest.mark.parametrize("content", [b"", b"MZ\x90\x00", b"x" * (LARGEST_BYTES + 1)], ids=["empty", "program", "large"])
def test_what_is_not_taken_leaves_nothing(
    session: Session, files: FileStore, run_id: int, content: bytes, tmp_path: Path
) -> None:
    with pytest.raises(InvalidInputError):
        attach(session, files, run_id, "x.png", content)
    assert questions.list_attachments(session, run_id) == []
    assert not (tmp_path / "files").exists()


def test_removed_files_are_swept_and_others_stay(session: Session, files: FileStore, run_id: int) -> None:
    gone = attach(session, files, run_id, "a.txt", b"one")
    stays = attach(session, files, run_id, "b.txt", b"two")
    remove_attachment(session, int(gone.id or 0))
    other = files.put(b"of another database in the same folder")
    assert files.sweep(questions.removed_digests(session)) == 1
    assert files.read(other) == b"of another database in the same folder"
    assert files.read(stays.sha256) == b"two"
    with pytest.raises(NotFoundError):
        files.read(gone.sha256)


@pytest.mark.parametrize("digest", ["../secret", "", "A" * 64, "0" * 63])
def test_only_digests_become_paths(files: FileStore, digest: str) -> None:
    with pytest.raises(NotFoundError):
        files.read(digest)


def test_a_run_holds_so_many_files_and_no_more(session: Session, files: FileStore, run_id: int) -> None:
    for k in range(MOST_PER_RUN):
        attach(session, files, run_id, f"{k}.txt", f"note {k}".encode())
    with pytest.raises(InvalidInputError, match="Remove one first"):
        attach(session, files, run_id, "more.txt", b"one more")
    assert len(questions.list_attachments(session, run_id)) == MOST_PER_RUN
    remove_attachment(session, questions.list_attachments(session, run_id)[0].id or 0)
    attach(session, files, run_id, "more.txt", b"one more")


def test_a_sweep_touches_nothing_but_files_of_the_store(files: FileStore, tmp_path: Path) -> None:
    kept = files.put(b"kept")
    (tmp_path / "beside.txt").write_text("somebody else's")
    assert files.sweep({"../beside.txt", str(tmp_path / "beside.txt"), "0" * 64}) == 0
    assert (tmp_path / "beside.txt").exists()
    assert files.has(kept)
    assert FileStore(tmp_path / "files", is_shared=True).sweep({kept}) == 0
    assert files.has(kept)
    assert files.sweep({kept}) == 1
    assert not files.has(kept)


def test_a_folder_that_cannot_be_written_is_told_so(session: Session, run_id: int, tmp_path: Path) -> None:
    (tmp_path / "files").write_text("a file where the folder should be")
    with pytest.raises(StorageError, match=r"The disk could not be written \(.*nothing was stored of this"):
        attach(session, FileStore(tmp_path / "files"), run_id, "plate.png", PNG)
