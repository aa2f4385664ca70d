"""Log of a machine's calibrations: JSON Lines beside the machine file, as text and as JSON."""

from __future__ import annotations

import hashlib
import json
import math
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiltwright.calibration.toml_edit import Line, lines_in
from tiltwright.files import toml_source
from tiltwright.files.diagnostics import Diagnostic, InputFaults, sanitized, shown
from tiltwright.files.loader import ReadMachine
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.units import Unit
from tiltwright.output.numbers import UNIT_SYMBOL, fixed
from tiltwright.output.tables import table, units_words

__all__ = [
    "POINT_DECIMALS",
    "SCHEMA",
    "CalibrationRecord",
    "appended",
    "axis_drift",
    "drifting_letters",
    "is_current",
    "last_applied",
    "line_direction",
    "log_path",
    "log_report",
    "log_text",
    "platter_at",
    "read_log",
    "sealed_line",
    "sha256_of",
]

SCHEMA = "tiltwright.calibration/1"
_LARGEST_MB = 64


@dataclass(frozen=True, eq=False)
class CalibrationRecord:
    """One line of the log.

    Attributes
    ----------
    number : int
        From 1.
    said : dict
        The whole record.
    applied : bool
        False where the machine file never had it, because the command was stopped between log and file.
    edited : bool
        True where it is not the record that was written.
    """

    number: int
    said: dict[str, Any]
    applied: bool = True
    edited: bool = False

    @property
    def unit(self) -> Unit:
        """The unit of its lengths: that of the machine file when it was written."""
        return Unit(self.said["units"])

    @property
    def lines(self) -> dict[str, Line]:
        """The rotaries' lines after it, in its own unit, as the machine file had them."""
        return {letter: dict(line) for letter, line in self.said["lines"].items()}

    @property
    def fitted(self) -> list[dict[str, Any]]:
        """The fit of each rotary, where the record has it: an edited one may not."""
        result = self.said.get("result")
        rotaries = result.get("rotary") if isinstance(result, dict) else None
        return [one for one in rotaries if isinstance(one, dict)] if isinstance(rotaries, list) else []

    @property
    def before(self) -> dict[str, Line]:
        """The rotaries' lines before it, in its own unit."""
        return {letter: dict(line) for letter, line in self.said["before"].items()}

    def lines_in_unit(self, unit: Unit, *, before: bool = False) -> dict[str, Line]:
        """The lines after or before it, in the unit of a machine file."""
        lines = self.before if before else self.lines
        for line in lines.values():
            line["point"] = [_in_unit(value, self.unit, unit) for value in line["point"]]
        return lines

    def platter_in_unit(self, unit: Unit, *, before: bool = False) -> dict[str, Any] | None:
        """The platter's face and normal after or before it; None where it did not write them."""
        said = self.said.get("platter_before" if before else "platter")
        if said is None:
            return None
        return {**said, **({"face": _in_unit(said["face"], self.unit, unit)} if "face" in said else {})}


def _in_unit(value: float, old: Unit, new: Unit) -> float:
    """A length in another unit, to the decimals that a calibration is written with; in its own as it stands."""
    return value if old is new else round(new.from_mm(old.to_mm(value)), POINT_DECIMALS[new]) + 0.0


POINT_DECIMALS = {Unit.MM: 6, Unit.INCH: 7}
"""Decimals of the coordinates that a calibration writes."""


def platter_at(entries: Sequence[CalibrationRecord], number: int, unit: Unit) -> dict[str, Any] | None:
    """The platter's face and normal after calibration `number`; None where no calibration ever wrote them."""
    applied = [entry for entry in entries if entry.applied]
    for entry in reversed([one for one in applied if one.number <= number]):
        if "platter" in entry.said:
            return entry.platter_in_unit(unit)
    for entry in (one for one in applied if one.number > number):
        if "platter_before" in entry.said:
            return entry.platter_in_unit(unit, before=True)
    return None


def log_path(machine_path: str | os.PathLike[str]) -> Path:
    """Path of a machine file's log: beside the file itself, even if it was named through a link.

    A file that does not end in .toml keeps its ending in the log's name, so that no two share one.

    Examples
    --------
    >>> log_path("/shop/mill.toml").name, log_path("/shop/mill.old").name
    ('mill.calibrations.jsonl', 'mill.old.calibrations.jsonl')
    """
    real = Path(os.path.realpath(machine_path))
    own = toml_source.kept_beside(real, ".calibrations.jsonl")
    shared = real.with_name(f"{real.stem}.calibrations.jsonl")
    # Earlier versions left the ending out of every name; such a log stays in use where it can be of this file only.
    older = shared != own and not own.exists() and shared.exists() and not real.with_suffix(".toml").exists()
    return shared if older else own


def sha256_of(text: str) -> str:
    """The SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_log(machine_path: str | os.PathLike[str]) -> list[CalibrationRecord]:
    """Every calibration of a machine file, the oldest first; none where there is no log.

    The hashes of the machine file before and after each tell which of them it ever had.

    Raises
    ------
    InputFaults
        With every line that is no record of a calibration, or where the last one was cut off.
    """
    path = log_path(machine_path)
    if not path.exists():
        return []
    raw = toml_source.read_bytes(path, "a log of calibrations", _LARGEST_MB)
    return _with_states(_entries(str(path), raw), _text_of(machine_path))


def _text_of(machine_path: str | os.PathLike[str]) -> str:
    try:
        return Path(machine_path).read_bytes().decode("utf-8").removeprefix("\ufeff")
    except (OSError, UnicodeDecodeError):
        return ""


def _with_states(entries: Sequence[CalibrationRecord], text: str) -> list[CalibrationRecord]:
    """The records with `applied` and `edited`, each by what came after it: the next record, or the file as it is."""
    try:
        now = lines_in(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, KeyError, TypeError, RecursionError, ValueError):
        now = {}
    states = []
    for place, entry in enumerate(entries):
        following = entries[place + 1] if place + 1 < len(entries) else None
        sha256 = sha256_of(text) if following is None else following.said.get("file_before_sha256")
        lines = now if following is None else following.before
        applied = _was_applied(entry, sha256, lines)
        # The file is the very one that was written, and the record says that other lines are in it.
        other = sha256 == entry.said.get("file_after_sha256") and lines != entry.lines
        states.append(replace(entry, applied=applied, edited=_hash_differs(entry) or other))
    return states


def _was_applied(entry: CalibrationRecord, sha256: object, lines: Mapping[str, Line]) -> bool:
    before, after = entry.said.get("file_before_sha256"), entry.said.get("file_after_sha256")
    if after in {sha256, before}:
        return True
    if sha256 == before:
        return False
    # Somebody has edited the file since: the lines in it tell whether before or after this calibration.
    return lines == entry.lines or lines != entry.before


def _hash_differs(entry: CalibrationRecord) -> bool:
    """Test whether the record's own hash, or its number, is another; records of earlier versions have neither."""
    said = entry.said
    if said.get("number", entry.number) != entry.number:
        return True
    return "record_sha256" in said and said["record_sha256"] != _record_sha256(said)


def _record_sha256(said: Mapping[str, Any]) -> str:
    plain = {key: value for key, value in said.items() if key != "record_sha256"}
    return sha256_of(json.dumps(plain, sort_keys=True, ensure_ascii=True, allow_nan=False))


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


_HASHES = ("file_before_sha256", "file_after_sha256", "record_sha256")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError("not finite")
    return value


def _short_integer(text: str) -> int:
    if len(text) > 18:
        raise ValueError("more than 18 digits")
    return int(text)


def _no_constant(text: str) -> float:
    raise ValueError(text)  # NaN and Infinity are no JSON


def _record(line: str) -> dict[str, Any] | None:
    """A line's record, if all that `pivot log` and `pivot restore` need is in it."""
    try:
        said = json.loads(line, parse_float=_finite, parse_int=_short_integer, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or said.get("schema") != SCHEMA:
        return None
    texts = all(isinstance(said.get(key), str) for key in ("date", "action", "units"))
    texts &= all(isinstance(said.get(key, ""), str) for key in _HASHES)
    whole = all(_lines_sound(said.get(key)) for key in ("lines", "before"))
    whole &= all(_platter_sound(said.get(key, {})) for key in ("platter", "platter_before"))
    whole &= isinstance(said.get("result", {}), dict)
    return said if texts and whole and said["units"] in {"mm", "inch"} else None


def _lines_sound(lines: object) -> bool:
    if not isinstance(lines, dict) or not lines:
        return False
    return all(
        letter in {"A", "B", "C"}
        and isinstance(line, dict)
        and _three(line.get("point"))
        and (line["along"] in list(AXIS_DIRECTIONS) if "along" in line else _direction(line.get("direction")))
        for letter, line in lines.items()
    )


def _platter_sound(platter: object) -> bool:
    if not isinstance(platter, dict) or not set(platter) <= {"face", "normal"}:
        return False
    return _number(platter.get("face", 0.0)) and ("normal" not in platter or _direction(platter["normal"]))


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _three(value: object) -> bool:
    return isinstance(value, list) and len(value) == 3 and all(map(_number, value))


def _direction(value: object) -> bool:
    return isinstance(value, list) and _three(value) and 1e-9 < math.hypot(*value) < 1e9


def appended(
    machine_path: str | os.PathLike[str], entries: Sequence[CalibrationRecord], record: dict[str, Any]
) -> tuple[bytes, CalibrationRecord]:
    """The log's bytes with one record more, and that record; call under `exclusive_lock`.

    Earlier records are copied byte for byte.
    """
    path = log_path(machine_path)
    old = path.read_bytes() if path.exists() else b""
    number = len(entries) + 1
    line, said = sealed_line(number, record)
    return old + line, CalibrationRecord(number, said)


def sealed_line(number: int, record: Mapping[str, Any]) -> tuple[bytes, dict[str, Any]]:
    """A record as a line of a log, with its number and its own hash; and the record as it will be read again."""
    said: dict[str, Any] = json.loads(json.dumps({"number": number, **record}, allow_nan=False))
    said["record_sha256"] = _record_sha256(said)
    line = json.dumps(said, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))
    return line.encode("utf-8", "backslashreplace") + b"\n", said


_DECIMALS = {"mm": 4, "inch": 5}


def line_direction(line: Line) -> NDArray[np.float64]:
    """A line's direction at length one, however the file gives it."""
    given = np.array(
        line["direction"] if "direction" in line else AXIS_DIRECTIONS[line["along"]], dtype=np.float64
    )
    return np.asarray(given / np.linalg.norm(given))


def axis_drift(
    entries: Sequence[CalibrationRecord], letter: str, unit: Unit
) -> tuple[NDArray[np.float64], list[str]]:
    """Drift of a rotary's line since before the first calibration that has it.

    Returns
    -------
    shift : ndarray, shape (k + 1, 2)
        In `unit`, along the two machine axes most across the first line, where each line pierces the plane square to the
        third through the first point; the first row is 0. NaN where the machine had no such rotary, or where a
        calibration never reached its file.
    axes : list of str
        Their names.
    """
    first = next(place for place, entry in enumerate(entries) if letter in entry.before and entry.applied)
    start_line = entries[first].lines_in_unit(unit, before=True)[letter]
    start_direction = line_direction(start_line)
    k = int(abs(start_direction).argmax())
    others = [i for i in range(3) if i != k]
    start = np.array(start_line["point"], dtype=np.float64)
    shifts = np.full((len(entries) + 1, 2), np.nan)
    shifts[first] = 0.0
    for entry in entries:
        line = entry.lines_in_unit(unit).get(letter)
        if line is None or not entry.applied:
            continue
        point, direction = np.array(line["point"], dtype=np.float64), line_direction(line)
        if abs(direction[k]) > _CROSSING:
            crossing = point + (start[k] - point[k]) / direction[k] * direction
            shifts[entry.number] = (crossing - start)[others]
    return shifts, ["XYZ"[i] for i in others]


_CROSSING = 0.1  # a line flatter than six degrees to the plane is another axis, and pierces it anywhere


def drifting_letters(entries: Sequence[CalibrationRecord]) -> list[str]:
    """Letters of all rotaries that the log has lines of; one that was renamed is in it twice."""
    return list(dict.fromkeys(letter for entry in entries if entry.applied for letter in entry.before))


def last_applied(entries: Sequence[CalibrationRecord]) -> CalibrationRecord | None:
    """The calibration that the machine file had last; None where it never had one."""
    return next((entry for entry in reversed(entries) if entry.applied), None)


def is_current(read: ReadMachine, entries: Sequence[CalibrationRecord]) -> bool:
    """True while the machine file has the lines that were written last."""
    last = last_applied(entries)
    now = lines_in(read.source.data)
    if last is not None:
        return last.lines == now
    return not entries or entries[0].before == now


def log_text(read: ReadMachine, entries: Sequence[CalibrationRecord]) -> str:
    """Text that `pivot log` prints, in the machine file's unit."""
    if not entries:
        return f"{read.file.name}: no calibration has been written yet"
    title = (
        f"{read.file.name}: calibrations, the oldest first\n"
        f"distance of each line from its place before the first, in {units_words(read.unit.value)}"
    )
    letters = drifting_letters(entries)
    shifts = {letter: axis_drift(entries, letter, read.unit) for letter in letters}
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
            f"{temperature:.1f}" if _number(temperature) else "-",
            _what(entry),
        ]
        for letter in letters:
            row += [_drift_cell(float(v), read.unit.value) for v in shifts[letter][0][entry.number]]
        rows.append(row)
    return f"{title}\n\n{table(head, rows, align='rllrl' + 'r' * (len(head) - 5))}"


def _drift_cell(shift: float, units: str) -> str:
    return "-" if math.isnan(shift) else fixed(shift, _DECIMALS[units])


def _what(entry: CalibrationRecord) -> str:
    said = entry.said
    marks = "" if entry.applied else ", never in the file"
    marks += ", edited since" if entry.edited else ""
    if said["action"] == "restore":
        number = said.get("restored")
        return f"restored: before the first{marks}" if number == 0 else f"restored: {shown(number, 8)}{marks}"
    result = said.get("result")
    sigma = result.get("sigma") if isinstance(result, dict) else None
    readings = said.get("readings")
    count = readings.get("count") if isinstance(readings, dict) else None
    scatter = f", scatter {sigma:.4f} {UNIT_SYMBOL[said['units']]}" if _number(sigma) else ""
    return f"fit of {shown(count, 12)} readings{scatter}{marks}"


def log_report(read: ReadMachine, entries: Sequence[CalibrationRecord]) -> dict[str, Any]:
    """The log as one JSON object; every record as it stands, with its number and unit."""
    return {
        "schema": "tiltwright.pivot-log/1",
        "machine": read.file.name,
        "units": read.unit.value,
        "current": is_current(read, entries),
        "calibrations": [
            {**entry.said, "number": entry.number, "applied": entry.applied, "edited": entry.edited}
            for entry in entries
        ],
    }
