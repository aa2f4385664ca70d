"""Answers from a CSV file with operation, axis and value, or typed on the command line.

The unit of lengths stands in the value column's name (`value_mm`, `value_inch`) or is stated beside; angles are
degrees. A value left empty was not answered. Every fault of a file is reported at once, with its line.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from kinematics.teaching import AngleAnswer, Answer
from tiltwright.files import toml_source
from tiltwright.files.angle import parse_angle
from tiltwright.files.diagnostics import Diagnostic, InputFaults, nearest, one_of, sanitized, shown
from tiltwright.files.units import Unit
from tiltwright.job.evaluate import EvaluatedJob

__all__ = [
    "AXES",
    "Answers",
    "RequestedAnswers",
    "answers_from_file",
    "answers_from_words",
    "requested_answers",
]

AXES = ("X", "Y", "Z")
_LARGEST_BYTES = 1_000_000
_VALUE = {"value_mm": Unit.MM, "value_inch": Unit.INCH, "value_in": Unit.INCH}
_SUFFIX = {"mm": Unit.MM, "inch": Unit.INCH, "in": Unit.INCH}
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.(\d*))?|\.(\d+))(?:[eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True)
class RequestedAnswers:
    """The numbers that are asked for.

    Attributes
    ----------
    names : tuple of str
        Operations, or pivots.
    axes : tuple of tuple of str
        For each, the lengths that may be answered.
    letters : tuple of str
        Rotaries whose program angles may be answered.
    column : str
        Column of the names in an answer file.
    """

    names: tuple[str, ...]
    axes: tuple[tuple[str, ...], ...]
    letters: tuple[str, ...] = ()
    column: str = "operation"

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns that an answer file may have."""
        return (self.column, "axis", "value", *_VALUE, "student", "sheet")


def requested_answers(evaluated: EvaluatedJob) -> RequestedAnswers:
    """X, Y, Z and the angles of every operation of a job."""
    names = tuple(one.placed.name for one in evaluated.operations)
    return RequestedAnswers(names, (AXES,) * len(names), tuple(evaluated.setup.machine.letters))


@dataclass(frozen=True)
class Answers:
    """The answers of one file or command line.

    Attributes
    ----------
    lengths : tuple of Answer
        X, Y, Z in millimetres.
    angles : tuple of AngleAnswer
        Program angles in degrees.
    digit_mm : float
        The finest last digit that a length was written to, not coarser than the sheet's.
    unit : Unit
    student, sheet : str
        As the file states them; may be empty.
    unanswered : int
        Rows whose value was left empty.
    """

    lengths: tuple[Answer, ...]
    angles: tuple[AngleAnswer, ...]
    digit_mm: float
    unit: Unit
    student: str = ""
    sheet: str = ""
    unanswered: int = 0


@dataclass
class _Reading:
    """Answers while they are read, with the faults found so far."""

    asked: RequestedAnswers
    source: str
    unit: Unit | None
    lengths: list[Answer] = field(default_factory=list)
    angles: list[AngleAnswer] = field(default_factory=list)
    decimals: int = 0
    seen: dict[tuple[int, str], int] = field(default_factory=dict)
    faults: list[Diagnostic] = field(default_factory=list)

    def fault(self, line: int | None, key: str, found: str, allowed: str, tip: str = "") -> None:
        self.faults.append(Diagnostic(self.source, line, key, found, allowed, tip))

    def take(self, line: int | None, operation: str, axis: str, value: str, unit: Unit | None) -> None:
        """One answer, or the faults in it."""
        names, letters = self.asked.names, self.asked.letters
        before = len(self.faults)
        axes: tuple[str, ...] = AXES
        if operation in names:
            axes = self.asked.axes[names.index(operation)]
        else:
            near = nearest(operation, names)
            tip = f"did you mean {shown(near)}?" if near else ""
            self.fault(line, self.asked.column, shown(operation), one_of(names), tip)
        if axis.upper() not in (*axes, *letters):
            self.fault(line, "axis", shown(axis), one_of((*axes, *letters)))
        number, decimals = _number(value)
        if number is None:
            self.fault(line, "value", shown(value), "a finite number, such as -381.025, with a point")
        if axis.upper() in AXES and unit is None:
            self.fault(
                line,
                "value",
                f"{shown(value)}, in no stated unit",
                "a column value_mm or value_inch, or --units mm or --units inch",
            )
        if len(self.faults) > before or number is None:
            return
        place = (names.index(operation), axis.upper())
        if place in self.seen:
            other = self.seen[place]
            found = f"{place[1]} of {shown(operation)} a second time"
            self.fault(line, self.asked.column, found, f"once (line {other})")
            return
        self.seen[place] = line or 0
        if axis.upper() in letters:
            self.angles.append(AngleAnswer(place[0], axis.upper(), number))
            return
        assert unit is not None
        self.decimals = max(self.decimals, decimals)
        self.lengths.append(Answer(place[0], axis.upper(), unit.to_mm(number)))

    def done(self, student: str = "", sheet: str = "", unanswered: int = 0) -> Answers:
        if not self.faults and not self.lengths and not self.angles:
            self.fault(None, "", "no answer", "at least one row with a value")
        if self.faults:
            raise InputFaults(self.faults)
        unit = self.unit or Unit.MM
        decimals = max(self.decimals, 3 if unit is Unit.MM else 4)
        digit_mm = unit.to_mm(10.0 ** -min(decimals, 9))
        return Answers(tuple(self.lengths), tuple(self.angles), digit_mm, unit, student, sheet, unanswered)


def _number(text: str) -> tuple[float | None, int]:
    """A number and its count of decimals as written; angles may be degrees, minutes and seconds."""
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    match = _NUMBER.fullmatch(plain)
    if match is None:
        try:
            return parse_angle(plain), 0
        except ValueError:
            return None, 0
    value = float(plain)
    return (value if math.isfinite(value) else None), len(match[1] or match[2] or "")


def answers_from_words(texts: Sequence[str], evaluated: EvaluatedJob, unit: Unit | None) -> Answers:
    """Answers typed as ``OPERATION:AXIS=VALUE``, the value with its unit unless one is stated beside.

    Raises
    ------
    InputFaults
        With every fault of every answer.
    """
    suffixes = {_SUFFIX[m[1]] for text in texts if (m := re.search(r"[\d.\s](mm|inch|in)$", text.strip()))}
    reading = _Reading(
        requested_answers(evaluated), "--answer", unit or (suffixes.pop() if len(suffixes) == 1 else None)
    )
    for text in texts:
        match = re.fullmatch(r"(.+):\s*(\w+)\s*=\s*(.+?)\s*(mm|inch|in|deg)?\s*", text.strip())
        if match is None:
            reading.fault(
                None, "", shown(text), 'OPERATION:AXIS=VALUE with a unit, such as "port 1:X=-381.025mm"'
            )
            continue
        own = _SUFFIX.get(match[4] or "", unit)
        reading.take(None, match[1].strip(), match[2], match[3], own)
    return reading.done()


def answers_from_file(path: Path, asked: RequestedAnswers, unit: Unit | None) -> Answers:
    """Answers from a CSV file.

    Parameters
    ----------
    path : Path
    asked : RequestedAnswers
        The numbers that they answer.
    unit : Unit or None
        Of lengths, where the column's name does not say.

    Raises
    ------
    InputFaults
        With every fault of the file.
    """
    head, rows = rows_of(path)
    source = str(path)
    value_names = [name for name in head if name == "value" or name in _VALUE]
    faults = [
        Diagnostic(
            source, 1, "head", f"no column {wanted}", one_of(asked.columns), _near_column(wanted, head)
        )
        for wanted in (asked.column, "axis")
        if wanted not in head
    ]
    if len(value_names) != 1:
        found = "no column value" if not value_names else f"{len(value_names)} columns of values"
        faults.append(Diagnostic(source, 1, "head", found, "one column value_mm, value_inch or value"))
    faults += [
        Diagnostic(source, 1, "head", f"an unknown column {shown(name)}", one_of(asked.columns))
        for name in head
        if name not in asked.columns
    ]
    if faults:
        raise InputFaults(faults)
    reading = _Reading(asked, source, _VALUE.get(value_names[0], unit))
    unanswered = 0
    for line, row in rows:
        if len(row) != len(head):
            found = f"{len(row)} values where {len(head)} belong: {shown(','.join(row))}"
            tip = "is there a comma in a name?" if len(row) > len(head) else "is the file cut off here?"
            reading.fault(line, "row", found, f"a whole row: {', '.join(head)}", tip)
            continue
        cells = dict(zip(head, (cell.strip() for cell in row), strict=True))
        if not cells[value_names[0]]:
            unanswered += 1
            continue
        reading.take(line, cells[asked.column], cells["axis"], cells[value_names[0]], reading.unit)
    student = _only(reading, rows, head, "student")
    return reading.done(student, _only(reading, rows, head, "sheet"), unanswered)


def rows_of(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Header of a CSV file, in lower case, and its non-empty rows with their line numbers."""
    source = str(path)
    try:
        raw = path.read_bytes()
    except OSError as refusal:
        found = (
            "no such file" if not path.exists() else "a folder" if path.is_dir() else str(refusal.strerror)
        )
        raise InputFaults([Diagnostic(source, None, "", found, "a CSV file of answers")]) from None
    toml_source.remember(path, "a CSV file of answers")
    if len(raw) > _LARGEST_BYTES:
        raise InputFaults([Diagnostic(source, None, "", "more than 1 MB", "a CSV file of answers")])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as refusal:
        line = raw.count(b"\n", 0, refusal.start) + 1
        raise InputFaults(
            [Diagnostic(source, line, "", "a byte that is not UTF-8 text", "UTF-8 text")]
        ) from None
    reader = csv.reader(text.splitlines(keepends=True), strict=True)
    try:
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as refusal:
        tip = "is the file cut off here?" if "end of data" in str(refusal) else ""
        raise InputFaults(
            [
                Diagnostic(
                    source, reader.line_num, "", sanitized(f"text that is not CSV ({refusal})"), "CSV", tip
                )
            ]
        ) from None
    if not rows:
        raise InputFaults(
            [Diagnostic(source, None, "", "an empty file", "a head line and a row for each answer")]
        )
    head = [cell.strip().casefold() for cell in rows[0][1]]
    if len(head) == 1 and ";" in head[0]:
        tip = "save it with commas between the columns and points before the decimals"
        raise InputFaults(
            [Diagnostic(source, rows[0][0], "head", "semicolons between the columns", "commas", tip)]
        )
    return head, rows[1:]


def _near_column(wanted: str, head: Sequence[str]) -> str:
    near = nearest(wanted, head)
    return f"is {shown(near)} meant?" if near else ""


def _only(reading: _Reading, rows: Sequence[tuple[int, list[str]]], head: Sequence[str], name: str) -> str:
    """The value of a column that has only one; empty where there is no such column."""
    if name not in head:
        return ""
    place = head.index(name)
    values: Mapping[str, int] = {
        row[place].strip(): line
        for line, row in reversed(rows)
        if len(row) == len(head) and row[place].strip()
    }
    if len(values) > 1:
        reading.fault(max(values.values()), name, " and ".join(map(shown, values)), f"one {name} in a file")
    return sanitized(next(iter(values), ""))[:80]
