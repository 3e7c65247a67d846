"""Published check values, copied into tests/data with citation and status beside each."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

_FOLDER = Path(__file__).parent / "data"


def reference(key: str) -> dict[str, Any]:
    """Return the reference file whose name starts with ``key``, for example 'B01'."""
    (path,) = _FOLDER.glob(f"{key}-*.json")
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return content
