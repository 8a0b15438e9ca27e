"""Where the files that ship with the package lie: in the wheel inside it, in a checkout beside it."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """Return the folder ``pipelines`` or ``data_demo`` that ships with benchlab.

    Raises
    ------
    FileNotFoundError
        If the installation lacks the folder.
    """
    for folder in (_PACKAGE / f"_{name}", _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    msg = f"benchlab is installed without its folder {name!r}; install it again"
    raise FileNotFoundError(msg)
