"""The files that a command has read: its result must not be written over one of them."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["forget", "read_as", "remember"]

_READ: dict[str, str] = {}


def forget() -> None:
    """Begin a command: nothing has been read."""
    _READ.clear()


def remember(path: str | os.PathLike[str], what: str) -> None:
    """Note that a file was read as `what`, such as "a job file"."""
    _READ[os.path.realpath(path)] = what


def read_as(path: str | os.PathLike[str]) -> str | None:
    """What a file was read as, by whatever name or link it is reached; None when it was not read.

    Examples
    --------
    >>> remember("job.toml", "a job file")
    >>> read_as("./job.toml"), read_as("load.ngc")
    ('a job file', None)
    >>> forget()
    """
    real = os.path.realpath(path)
    if real in _READ:
        return _READ[real]
    return next((what for read, what in _READ.items() if _same(read, real)), None)


def _same(one: str, other: str) -> bool:
    try:
        return Path(one).samefile(other)
    except (OSError, ValueError):
        return False
