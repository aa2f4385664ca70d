"""The log of calibrations beside a machine file: JSON Lines, one calibration or restoration a line, never rewritten."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tiltwright.files import inputs
from tiltwright.files.faults import Fault, InputFaults, shown
from tiltwright.files.write import write_whole
from tiltwright.pivots.edit import Line

__all__ = ["SCHEMA", "Entry", "append", "log_path", "read_log", "sha256_of"]

SCHEMA = "tiltwright.calibration/1"
_LARGEST_BYTES = 64_000_000


@dataclass(frozen=True, eq=False)
class Entry:
    """One line of the log.

    Attributes
    ----------
    number : int
        From 1.
    said : dict
        The whole record.
    """

    number: int
    said: dict[str, Any]

    @property
    def lines(self) -> dict[str, Line]:
        """The rotaries' lines after it, as the machine file has them."""
        return {letter: dict(line) for letter, line in self.said["lines"].items()}

    @property
    def before(self) -> dict[str, Line]:
        """The rotaries' lines before it."""
        return {letter: dict(line) for letter, line in self.said["before"].items()}


def log_path(machine_path: str | os.PathLike[str]) -> Path:
    """Where a machine file's log lies: beside the file itself, also when it was named through a link.

    Examples
    --------
    >>> log_path("/shop/mill.toml").name
    'mill.calibrations.jsonl'
    """
    real = Path(os.path.realpath(machine_path))
    return real.with_name(f"{real.stem}.calibrations.jsonl")


def sha256_of(text: str) -> str:
    """The SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_log(machine_path: str | os.PathLike[str]) -> list[Entry]:
    """Every calibration of a machine file, the oldest first; none where there is no log.

    Raises
    ------
    InputFaults
        With every line that is no record of a calibration, or where the last one was cut off.
    """
    path = log_path(machine_path)
    try:
        with path.open("rb") as stream:
            raw = stream.read(_LARGEST_BYTES + 1)
    except FileNotFoundError:
        return []
    except OSError as fault:
        found = f"a log that cannot be read ({fault.strerror or fault})"
        raise InputFaults([Fault(str(path), None, "", found, "a log of calibrations")]) from None
    inputs.remember(path, "a log of calibrations")
    if len(raw) > _LARGEST_BYTES:
        raise InputFaults([Fault(str(path), None, "", "more than 64 MB", "a log of calibrations")])
    return _entries(str(path), raw)


def _entries(file: str, raw: bytes) -> list[Entry]:
    entries: list[Entry] = []
    faults: list[Fault] = []
    lines = raw.decode("utf-8", "replace").split("\n")
    if lines[-1].strip():
        tip = "mend or take out that line; the others are whole"
        found = "a last line without an end: it was cut off"
        faults.append(Fault(file, len(lines), "", found, "whole lines", tip))
    for place, line in enumerate(lines[:-1], start=1):
        if not line.strip():
            continue
        said = _record(line)
        if said is None:
            allowed = f'a record of a calibration, with "schema": "{SCHEMA}"'
            faults.append(Fault(file, place, "", shown(line.strip()), allowed))
        else:
            entries.append(Entry(len(entries) + 1, said))
    if faults:
        raise InputFaults(faults)
    return entries


def _record(line: str) -> dict[str, Any] | None:
    """A line's record, if all that `pivot log` and `pivot restore` need is in it."""
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or said.get("schema") != SCHEMA:
        return None
    texts = all(isinstance(said.get(key), str) for key in ("date", "action", "units"))
    whole = all(_lines_sound(said.get(key)) for key in ("lines", "before"))
    return said if texts and said["units"] in {"mm", "inch"} and whole else None


def _lines_sound(lines: object) -> bool:
    if not isinstance(lines, dict) or not lines:
        return False
    return all(
        letter in {"A", "B", "C"}
        and isinstance(line, dict)
        and _three(line.get("point"))
        and (isinstance(line.get("along"), str) or _three(line.get("direction")))
        for letter, line in lines.items()
    )


def _three(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 3
        and all(
            isinstance(one, int | float) and not isinstance(one, bool) and math.isfinite(one) for one in value
        )
    )


def append(machine_path: str | os.PathLike[str], entries: Sequence[Entry], record: dict[str, Any]) -> Entry:
    """Add a record to the log, the whole file at once, and return it; only while `alone`.

    What stands in the log already is copied byte for byte.
    """
    path = log_path(machine_path)
    old = path.read_bytes() if path.exists() else b""
    line = json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    write_whole(path, old + line.encode("utf-8") + b"\n", force=True, edits=True)
    return Entry(len(entries) + 1, record)
