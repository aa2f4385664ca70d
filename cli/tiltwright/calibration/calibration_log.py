"""Log of a machine's calibrations: JSON Lines beside the machine file, as text and as JSON."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiltwright.calibration.toml_edit import Line, lines_in
from tiltwright.files import toml_source
from tiltwright.files.atomic_write import write_atomic
from tiltwright.files.diagnostics import Diagnostic, InputFaults, sanitized, shown
from tiltwright.files.loader import ReadMachine
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.output.numbers import fixed
from tiltwright.output.tables import table, units_words

__all__ = [
    "SCHEMA",
    "CalibrationRecord",
    "append",
    "axis_drift",
    "direction_of",
    "is_current",
    "letters_of",
    "log_path",
    "log_report",
    "log_text",
    "platter_at",
    "read_log",
    "sha256_of",
]

SCHEMA = "tiltwright.calibration/1"
_LARGEST_BYTES = 64_000_000


@dataclass(frozen=True, eq=False)
class CalibrationRecord:
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


def platter_at(entries: Sequence[CalibrationRecord], number: int) -> dict[str, Any] | None:
    """The platter's face and normal after calibration `number`; None where no calibration ever wrote them."""
    for entry in reversed(entries[:number]):
        if "platter" in entry.said:
            return dict(entry.said["platter"])
    for entry in entries[number:]:
        if "platter_before" in entry.said:
            return dict(entry.said["platter_before"])
    return None


def log_path(machine_path: str | os.PathLike[str]) -> Path:
    """Path of a machine file's log: beside the file itself, even if it was named through a link.

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


def read_log(machine_path: str | os.PathLike[str]) -> list[CalibrationRecord]:
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
        raise InputFaults([Diagnostic(str(path), None, "", found, "a log of calibrations")]) from None
    toml_source.remember(path, "a log of calibrations")
    if len(raw) > _LARGEST_BYTES:
        raise InputFaults([Diagnostic(str(path), None, "", "more than 64 MB", "a log of calibrations")])
    return _entries(str(path), raw)


def _entries(file: str, raw: bytes) -> list[CalibrationRecord]:
    entries: list[CalibrationRecord] = []
    faults: list[Diagnostic] = []
    lines = raw.decode("utf-8", "replace").split("\n")
    if lines[-1].strip():
        tip = "mend or take out that line; the others are whole"
        found = "a last line without an end: it was cut off"
        faults.append(Diagnostic(file, len(lines), "", found, "whole lines", tip))
    for place, line in enumerate(lines[:-1], start=1):
        if not line.strip():
            continue
        said = _record(line)
        if said is None:
            allowed = f'a record of a calibration, with "schema": "{SCHEMA}"'
            faults.append(Diagnostic(file, place, "", shown(line.strip()), allowed))
        else:
            entries.append(CalibrationRecord(len(entries) + 1, said))
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
    whole &= all(_platter_sound(said.get(key, {})) for key in ("platter", "platter_before"))
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


def _platter_sound(platter: object) -> bool:
    if not isinstance(platter, dict) or not set(platter) <= {"face", "normal"}:
        return False
    face = platter.get("face", 0.0)
    return (
        isinstance(face, int | float)
        and not isinstance(face, bool)
        and math.isfinite(face)
        and ("normal" not in platter or _three(platter["normal"]))
    )


def _three(value: object) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 3
        and all(
            isinstance(one, int | float) and not isinstance(one, bool) and math.isfinite(one) for one in value
        )
    )


def append(
    machine_path: str | os.PathLike[str], entries: Sequence[CalibrationRecord], record: dict[str, Any]
) -> CalibrationRecord:
    """Add a record to the log, the whole file at once, and return it; call under `exclusive_lock`.

    Earlier records are copied byte for byte.
    """
    path = log_path(machine_path)
    old = path.read_bytes() if path.exists() else b""
    line = json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    write_atomic(path, old + line.encode("utf-8") + b"\n", force=True, edits=True)
    return CalibrationRecord(len(entries) + 1, record)


_DECIMALS = {"mm": 4, "inch": 5}


def direction_of(line: Line) -> NDArray[np.float64]:
    """A line's direction at length one, however the file gives it."""
    given = np.array(
        line["direction"] if "direction" in line else AXIS_DIRECTIONS[line["along"]], dtype=np.float64
    )
    return np.asarray(given / np.linalg.norm(given))


def letters_of(entries: Sequence[CalibrationRecord]) -> list[str]:
    """The rotaries of all records, in the order in which they came up."""
    return list(dict.fromkeys(letter for entry in entries for letter in (*entry.before, *entry.lines)))


def axis_drift(entries: Sequence[CalibrationRecord], letter: str) -> tuple[NDArray[np.float64], list[str]]:
    """Drift of a rotary's line since before the first calibration.

    Returns
    -------
    shift : ndarray, shape (k + 1, 2)
        In the log's unit, along the two machine axes most across the first line, where each line pierces the plane
        square to the third through the first point; the first row is 0. NaN where a record has no such rotary.
    axes : list of str
        Their names.
    """
    known = [entries[0].before.get(letter), *(entry.lines.get(letter) for entry in entries)]
    # A rotary that was renamed, added or taken off has lines in some of the records only.
    start_line = next(
        line for line in (*known, *(entry.before.get(letter) for entry in entries)) if line is not None
    )
    nothing: Line = {**start_line, "point": [float("nan")] * 3}
    lines = [start_line, *(nothing if line is None else line for line in known)]
    first = direction_of(lines[0])
    k = int(abs(first).argmax())
    others = [i for i in range(3) if i != k]
    start = np.array(lines[0]["point"], dtype=np.float64)
    shifts = []
    for line in lines:
        point, direction = np.array(line["point"], dtype=np.float64), direction_of(line)
        crossing = point + (start[k] - point[k]) / direction[k] * direction
        shifts.append((crossing - start)[others])
    return np.array(shifts)[1:], ["XYZ"[i] for i in others]


def is_current(read: ReadMachine, entries: Sequence[CalibrationRecord]) -> bool:
    """True while the machine file has the lines that were written last."""
    return not entries or entries[-1].lines == lines_in(read.source.data)


def log_text(read: ReadMachine, entries: Sequence[CalibrationRecord]) -> str:
    """Text that `pivot log` prints."""
    if not entries:
        return f"{read.file.name}: no calibration has been written yet"
    units = entries[-1].said["units"]
    title = (
        f"{read.file.name}: calibrations, the oldest first\n"
        f"distance of each line from its place before the first, in {units_words(units)}"
    )
    letters = letters_of(entries)
    shifts = {letter: axis_drift(entries, letter) for letter in letters}
    head = ["", "date", "who", "°C", "what"]
    head += [f"{letter} {axis}" for letter in letters for axis in shifts[letter][1]]
    rows = []
    for entry in entries:
        said = entry.said
        temperature = said.get("temperature_c")
        row = [
            str(entry.number),
            sanitized(said["date"][:16].replace("T", " ")),
            sanitized(str(said.get("who") or "-"))[:24],
            "-" if not isinstance(temperature, int | float) else f"{temperature:.1f}",
            _what(entry),
        ]
        for letter in letters:
            row += [
                "-" if math.isnan(v) else fixed(float(v), _DECIMALS[units])
                for v in shifts[letter][0][entry.number]
            ]
        rows.append(row)
    return f"{title}\n\n{table(head, rows, align='rllrl' + 'r' * (len(head) - 5))}"


def _what(entry: CalibrationRecord) -> str:
    said = entry.said
    if said["action"] == "restore":
        number = said.get("restored")
        return "restored: before the first" if number == 0 else f"restored: {number}"
    result = said.get("result")
    sigma = result.get("sigma") if isinstance(result, dict) else None
    readings = said.get("readings")
    count = readings.get("count") if isinstance(readings, dict) else None
    scatter = f", scatter {sigma:.4f}" if isinstance(sigma, int | float) else ""
    return f"fit of {count} readings{scatter}"


def log_report(read: ReadMachine, entries: Sequence[CalibrationRecord]) -> dict[str, Any]:
    """The log as one JSON object; every record as it stands, with its number."""
    return {
        "schema": "tiltwright.pivot-log/1",
        "machine": read.file.name,
        "units": entries[-1].said["units"] if entries else read.unit.value,
        "current": is_current(read, entries),
        "calibrations": [{"number": entry.number, **entry.said} for entry in entries],
    }
