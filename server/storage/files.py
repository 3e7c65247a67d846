"""Photos and files of runs: bytes beside the database, each under its own SHA-256."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Set
from pathlib import Path

from server.errors import NotFoundError

_NAME = re.compile(r"[0-9a-f]{64}")


class FileStore:
    """A folder of files that are named by their content; the same content is kept once.

    Parameters
    ----------
    is_shared : bool
        Whether it may hold files of other databases as well; then nothing is removed from it.
    """

    def __init__(self, folder: Path, *, is_shared: bool = False) -> None:
        self._folder = folder
        self._is_shared = is_shared

    def _path(self, digest: str) -> Path:
        # Digests come from the database; anything else never becomes a path.
        if not _NAME.fullmatch(digest):
            raise NotFoundError("file", digest[:12])
        return self._folder / digest[:2] / digest

    def put(self, content: bytes) -> str:
        """Keep the content and return its SHA-256 in hexadecimal; the file is there whole or not at all."""
        digest = hashlib.sha256(content).hexdigest()
        path = self._path(digest)
        # One that was damaged meanwhile is written anew.
        if path.exists() and hashlib.sha256(path.read_bytes()).hexdigest() == digest:
            return digest
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor, name = tempfile.mkstemp(dir=path.parent)
        temporary = Path(name)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        return digest

    def has(self, digest: str) -> bool:
        """Whether there is a file with this content."""
        return self._path(digest).exists()

    def read(self, digest: str) -> bytes:
        """Return the content.

        Raises
        ------
        NotFoundError
            If the file is gone.
        """
        try:
            return self._path(digest).read_bytes()
        except FileNotFoundError as error:
            raise NotFoundError("file", digest[:12]) from error

    def read_whole(self, digest: str) -> bytes:
        """Return the content where it is what it was; raises NotFoundError also where it is not."""
        content = self.read(digest)
        if hashlib.sha256(content).hexdigest() != digest:
            raise NotFoundError("undamaged file", digest[:12])
        return content

    def sweep(self, unwanted: Set[str]) -> int:
        """Remove the files with these digests; return how many were there. No other file is ever touched."""
        count = 0
        for digest in unwanted if not self._is_shared else ():
            if _NAME.fullmatch(digest) and (path := self._path(digest)).exists():
                path.unlink(missing_ok=True)
                count += 1
        return count
