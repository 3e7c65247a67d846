"""Where templates, static files and seed runs lie: inside an installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def asset_folder(name: str) -> Path:
    """Return the folder ``templates``, ``static`` or ``seed_runs``.

    Raises
    ------
    FileNotFoundError
        If the installation lacks it.
    """
    for root in (_PACKAGE / "_assets", _PACKAGE.parent):
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"The installation is incomplete: there is no folder {name}. Install Yieldwright again.")
