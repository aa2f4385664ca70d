"""A TOML file as it is on the disk, and the registry of the files that a command has read."""

from __future__ import annotations

import contextlib
import os
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, BinaryIO

from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath, UnlocatedDiagnostic, nearest, shown

__all__ = [
    "UNFINISHED",
    "UNREAD",
    "Source",
    "add_caution",
    "add_notice",
    "forget",
    "input_kind",
    "kept_beside",
    "load",
    "noted_cautions",
    "notices",
    "open_regular",
    "parsed",
    "read_bytes",
    "read_text",
    "remember",
]

_READ: dict[str, str] = {}
_NOTICES: dict[str, None] = {}
_CAUTIONS: dict[str, None] = {}


def kept_beside(path: str | os.PathLike[str], ending: str) -> Path:
    """Path of what is kept beside a file, such as its log: beside the file itself, even if it was named through a link.

    A file that does not end in .toml keeps its ending in the name, so that no two share one.

    Examples
    --------
    >>> kept_beside("/shop/mill.toml", ".log").name, kept_beside("/shop/mill.old", ".log").name
    ('mill.log', 'mill.old.log')
    """
    real = Path(os.path.realpath(path))
    return real.with_name(f"{real.name.removesuffix('.toml')}{ending}")


def forget() -> None:
    """Clear the registry, and the notices, when a command begins."""
    _READ.clear()
    _NOTICES.clear()
    _CAUTIONS.clear()


def add_notice(text: str) -> None:
    """Add something that the user should know about an input, such as a key under a former name."""
    _NOTICES[text] = None


def notices() -> tuple[str, ...]:
    """The notices since the command began, each once."""
    return tuple(_NOTICES)


def add_caution(text: str) -> None:
    """Add something about an input that easily spoils a part."""
    _CAUTIONS[text] = None


def noted_cautions() -> tuple[str, ...]:
    """The cautions since the command began, each once."""
    return tuple(_CAUTIONS)


def remember(path: str | os.PathLike[str], what: str) -> None:
    """Register a file that was read as `what`, such as "a job file"."""
    _READ[os.path.realpath(path)] = what


def input_kind(path: str | os.PathLike[str]) -> str | None:
    """The kind of file that it was read as, by whatever name or link it is given; None when it was not read.

    Examples
    --------
    >>> remember("job.toml", "a job file")
    >>> input_kind("./job.toml"), input_kind("load.nc")
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


UNFINISHED = ".tiltwright-unfinished"
"""Mark in a folder: a command was stopped while it put the files in place whose names are in it."""


def open_regular(path: Path) -> BinaryIO:
    """Open an ordinary file for reading; a pipe, a terminal or a device might never end.

    Raises
    ------
    OSError
        When it is none, or cannot be opened.
    """
    # Opening a pipe that nobody writes to would wait for ever.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        if stat.S_ISDIR(mode):
            raise IsADirectoryError("a folder")
        raise OSError("a pipe or a device, which need not end")
    _tell_if_unfinished(path)
    return os.fdopen(handle, "rb")


def _tell_if_unfinished(path: Path) -> None:
    """Add a notice where the file is one of a set that a stopped command was putting in place."""
    with contextlib.suppress(OSError):
        names = os.fsdecode(path.with_name(UNFINISHED).read_bytes()[:1_000_000]).split("\0")
        if path.name in names:
            add_notice(
                f"{shown(str(path.parent))}: a command was stopped while it put {len(names)} files in place, this one among "
                f"them: {shown(path.name)}. Some may be of an earlier run; write them all again"
            )


_LARGEST_MB = 4
_DEEPEST = 250
UNREAD = date(1000, 1, 1)
"""Placeholder of a value that is no TOML. No key may be a date, so it counts as given and unreadable."""


@dataclass(frozen=True, eq=False)
class Source:
    """A file that was read.

    Attributes
    ----------
    file : str
        Its name as the user wrote it, for messages.
    path : Path
    text : str
    data : dict
        What `tomllib` made of the text.
    unread : tuple of UnlocatedDiagnostic
        The lines that are no TOML; text and data are without them.
    former : mapping of KeyPath to KeyPath
        For each key that is written under a former name: its path today, and the path that is written.
    """

    file: str
    path: Path
    text: str
    data: dict[str, Any]
    unread: tuple[UnlocatedDiagnostic, ...] = ()
    former: Mapping[KeyPath, KeyPath] = field(default_factory=dict)

    def written_path(self, path: KeyPath) -> KeyPath:
        """The path as it is written in the text."""
        for today, written in self.former.items():
            if path[: len(today)] == today:
                return (*written, *path[len(today) :])
        return path


def load(path: str | os.PathLike[str], wanted: str) -> Source:
    """Read a TOML file.

    Parameters
    ----------
    path : str or path
    wanted : str
        What the file should be, in words, for messages: "a job file".

    Raises
    ------
    InputFaults
        When it is missing, a folder, unreadable, too large, not UTF-8 text, or no TOML that can be recovered. A
        line that can be skipped is reported later, with the file's other faults: see `Source.unread`.
    """
    path = Path(path)
    text, _ = read_text(path, wanted)
    return parsed(str(path), path, text)


def read_text(path: str | os.PathLike[str], wanted: str, largest_mb: int = _LARGEST_MB) -> tuple[str, bytes]:
    """A file's text and bytes; the file is registered as an input.

    Parameters
    ----------
    path : str or path
        Faults name it as it is given here.
    wanted : str
        What the file should be, in words, for messages.
    largest_mb : int

    Raises
    ------
    InputFaults
        When it is missing, a folder, unreadable, too large, or not UTF-8 text.
    """
    raw = read_bytes(path, wanted, largest_mb)
    return _decoded(os.fspath(path), raw), raw


def read_bytes(
    path: str | os.PathLike[str], wanted: str, largest_mb: int = _LARGEST_MB, tip: str = ""
) -> bytes:
    """A file's bytes; the file is registered as an input. The parameters are those of `read_text`.

    `tip` says what to do about a file that is too large.

    Raises
    ------
    InputFaults
        When it is missing, a folder, unreadable or too large.
    """
    file, place = os.fspath(path), Path(path)
    largest = largest_mb * 1_000_000
    try:
        with open_regular(place) as stream:
            raw = stream.read(largest + 1)
    except FileNotFoundError:
        raise InputFaults(
            [Diagnostic(file, None, "", "no such file", wanted, similar_file(place), missing=True)]
        ) from None
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        found = "a folder" if place.is_dir() else f"a file that cannot be read ({reason})"
        raise InputFaults([Diagnostic(file, None, "", found, wanted)]) from None
    if len(raw) > largest:
        raise InputFaults([Diagnostic(file, None, "", f"more than {largest_mb} MB", wanted, tip)])
    remember(place, wanted)
    return raw


def similar_file(path: Path) -> str:
    """A tip: the file in the folder with the nearest name, or the folder that is missing."""
    ending = path.suffix if path.suffix and not nearest(path.suffix, [".toml"]) else ".toml"
    try:
        # Without the endings, which would make any two short names look alike.
        names = {entry.stem: entry.name for entry in sorted(path.parent.iterdir()) if entry.suffix == ending}
    except OSError:
        return f"there is no folder {shown(str(path.parent))}" if not path.parent.exists() else ""
    near = nearest(path.stem, names)
    return f"did you mean {shown(names[near])}?" if near else ""


def _decoded(file: str, raw: bytes) -> str:
    try:
        return raw.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as fault:
        line = raw.count(b"\n", 0, fault.start) + 1
        found = f"byte 0x{raw[fault.start]:02x}, which is not UTF-8 text"
        raise InputFaults(
            [Diagnostic(file, line, "", found, "UTF-8 text", "save the file as UTF-8")]
        ) from None


def parsed(file: str, path: Path, text: str) -> Source:
    """A TOML text as a source.

    Raises
    ------
    InputFaults
        When it is no TOML that can be recovered.
    """
    unread: list[UnlocatedDiagnostic] = []
    try:
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as fault:
            from tiltwright.files.syntax_errors import recover

            text, data, unread = recover(file, text, fault, UNREAD.isoformat())
        _refuse_depth(data)
    except RecursionError:
        raise InputFaults(
            [Diagnostic(file, None, "", "values nested too deeply", "plain tables and short lists")]
        ) from None
    except ValueError as fault:
        # A whole number of thousands of digits, or a date that no calendar has.
        reason = f" ({fault})" if "digit" not in str(fault) else ", a number of thousands of digits"
        raise InputFaults(
            [Diagnostic(file, None, "", f"a value that cannot be read{reason}", "TOML")]
        ) from None
    return Source(file, path, text, data, tuple(unread))


def _refuse_depth(data: dict[str, Any]) -> None:
    """Raise RecursionError, as Python itself would sooner or later, where values are nested too deeply to be meant."""
    level: list[Any] = [data]
    for _ in range(_DEEPEST):
        level = [
            part
            for value in level
            for part in (value.values() if isinstance(value, dict) else value)
            if isinstance(part, (dict, list))
        ]
        if not level:
            return
    raise RecursionError
