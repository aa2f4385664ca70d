"""Answers from a CSV file with operation, axis and value, or typed on the command line.

The unit of lengths stands in the value column's name (`value_mm`, `value_inch`), behind the number, or is stated
beside; angles are degrees. A value left empty was not answered. Every fault of a file is reported at once, with its row.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from kinematics.teaching import AngleAnswer, Answer
from tiltwright.files.csv_source import ColumnName, CsvRow, CsvTable, csv_from_file, uneven
from tiltwright.files.diagnostics import (
    Diagnostic,
    InputFaults,
    InvalidValue,
    nearest,
    one_of,
    sanitized,
    shown,
)
from tiltwright.files.parsing import parse_written_angle
from tiltwright.files.units import Unit
from tiltwright.files.workbook_source import WORKBOOKS, table_from_workbook
from tiltwright.files.written_numbers import decimal_mark, parse_written
from tiltwright.job.evaluate import EvaluatedJob

__all__ = [
    "AXES",
    "Answers",
    "RequestedAnswers",
    "answers_from_file",
    "answers_from_table",
    "answers_from_words",
    "answers_table",
    "as_named",
    "requested_answers",
]

AXES = ("X", "Y", "Z")
_WANTED = "a file of answers (CSV): a head line and a row for each answer"
_VALUE = {
    ColumnName("value"): None,
    ColumnName("value", "mm"): Unit.MM,
    ColumnName("value", "inch"): Unit.INCH,
}
_NUMBER = "a finite number, such as -381.025"
_LEAST = {Unit.MM: 3, Unit.INCH: 4}
"""Decimals that a sheet asks for."""
_DECIMAL_COMMA = re.compile(r"[-+\u2212\u2013]?\d+,\d+\D*")
_LARGEST = sys.float_info.max


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
        return (self.column, "axis", "value", "value_mm", "value_inch", "student", "sheet")


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
    faults: tuple[Diagnostic, ...] = ()
    """Of rows that could not be read, where the others were to be read all the same."""


@dataclass
class _Reading:
    """Answers while they are read, with the faults found so far.

    A length without a unit of its own is in the unit `stated`; one with a unit must agree with the `column`'s.
    """

    asked: RequestedAnswers
    source: str
    mark: str
    stated: Unit | None
    column: Unit | None = None
    lengths: list[Answer] = field(default_factory=list)
    angles: list[AngleAnswer] = field(default_factory=list)
    decimals: dict[Unit, int] = field(default_factory=dict)
    seen: dict[tuple[int, str], int] = field(default_factory=dict)
    faults: list[Diagnostic] = field(default_factory=list)
    lenient: bool = False

    def fault(self, line: int | None, key: str, found: str, allowed: str, tip: str = "") -> None:
        self.faults.append(Diagnostic(self.source, line, key, found, allowed, tip))

    def take(self, line: int | None, operation: str, axis: str, value: str) -> None:
        """Read one answer, or add the faults in it."""
        names, letters = self.asked.names, self.asked.letters
        before = len(self.faults)
        axes: tuple[str, ...] = AXES
        operation = as_named(operation, names)
        if operation in names:
            axes = self.asked.axes[names.index(operation)]
        else:
            near = nearest(operation, names)
            tip = f"did you mean {shown(near)}?" if near else ""
            self.fault(line, self.asked.column, shown(operation), one_of(names), tip)
        if axis.upper() not in (*axes, *letters):
            self.fault(line, "axis", shown(axis), one_of((*axes, *letters)))
        try:
            if axis.upper() in letters:
                self._angle(line, operation, axis.upper(), value, before)
            else:
                self._length(line, operation, axis.upper(), value, before)
        except InvalidValue as refusal:
            self.faults.append(refusal.at(self.source, line, "value"))

    def _angle(self, line: int | None, operation: str, axis: str, value: str, before: int) -> None:
        number = parse_written_angle(value, self.mark)
        place = self._new_place(line, operation, axis, before)
        if place is not None:
            self.angles.append(AngleAnswer(place, axis, number))

    def _length(self, line: int | None, operation: str, axis: str, value: str, before: int) -> None:
        try:
            written = parse_written(value, self.mark, _LARGEST)
        except InvalidValue as refusal:
            raise InvalidValue(found=refusal.found, allowed=_NUMBER, tip=refusal.tip) from None
        if written.unit == "deg":
            raise InvalidValue(found=shown(value), allowed="a length")
        own = Unit(written.unit) if written.unit else None
        if own and self.column and own is not self.column:
            raise InvalidValue(
                found=shown(value), allowed=f"a length in {self.column.value}, as the head says"
            )
        unit = own or self.stated
        if axis in AXES and unit is None:
            allowed = (
                f"a number with its unit, such as {value}mm or {value}in, or --units mm or --units inch"
                if line is None
                else "a column value_mm or value_inch, or --units mm or --units inch"
            )
            self.fault(line, "value", f"{shown(value)}, in no stated unit", allowed)
        place = self._new_place(line, operation, axis, before)
        if place is None:
            return
        assert unit is not None
        self.decimals[unit] = max(self.decimals.get(unit, 0), written.decimals)
        self.lengths.append(Answer(place, axis, unit.to_mm(written.value)))

    def _new_place(self, line: int | None, operation: str, axis: str, before: int) -> int | None:
        """The number of an answer's operation; None where the answer has a fault or was given before."""
        if len(self.faults) > before:
            return None
        place = self.asked.names.index(operation)
        if (place, axis) in self.seen:
            found = f"{axis} of {shown(operation)} a second time"
            before_line = self.seen[place, axis]
            self.fault(
                line, self.asked.column, found, f"once (line {before_line})" if before_line else "once"
            )
            return None
        self.seen[place, axis] = line or 0
        return place

    def done(self, student: str = "", sheet: str = "", unanswered: int = 0) -> Answers:
        if not self.faults and not self.lengths and not self.angles:
            self.fault(None, "", "no answer", "at least one row with a value")
        if self.faults and not (self.lenient and (self.lengths or self.angles)):
            raise InputFaults(_once_each(self.faults) if self.lenient else self.faults)
        units = tuple(self.decimals)
        shown_in = self.stated or (units[0] if len(units) == 1 else Unit.MM)
        written = self.decimals or {shown_in: 0}
        digit_mm = min(unit.to_mm(10.0 ** -min(max(n, _LEAST[unit]), 9)) for unit, n in written.items())
        return Answers(
            tuple(self.lengths),
            tuple(self.angles),
            digit_mm,
            shown_in,
            student,
            sheet,
            unanswered,
            _once_each(self.faults),
        )


def _once_each(faults: Sequence[Diagnostic]) -> tuple[Diagnostic, ...]:
    """The faults, the same one of several rows told once: a class's files are many, and the list of faults has an end."""
    told: dict[Diagnostic, list[Diagnostic]] = {}
    for fault in faults:
        told.setdefault(replace(fault, line=None), []).append(fault)
    return tuple(
        replace(first, found=f"{first.found} (and {len(more)} more such row{'s' if len(more) > 1 else ''})")
        if more
        else first
        for first, *more in told.values()
    )


def answers_from_words(texts: Sequence[str], evaluated: EvaluatedJob, unit: Unit | None) -> Answers:
    """Answers typed as ``OPERATION:AXIS=VALUE``, the value with its unit unless one is stated beside.

    Raises
    ------
    InputFaults
        With every fault of every answer.
    """
    matches = [re.fullmatch(r"(.+):\s*(\w+)\s*=\s*(.+)", text.strip()) for text in texts]
    mark = decimal_mark((match[3] for match in matches if match), ",")
    reading = _Reading(requested_answers(evaluated), "--answer", mark, unit)
    for text, match in zip(texts, matches, strict=True):
        if match is None:
            reading.fault(
                None, "", shown(text), 'OPERATION:AXIS=VALUE with a unit, such as "port 1:X=-381.025mm"'
            )
            continue
        reading.take(None, match[1].strip(), match[2], match[3].strip())
    return reading.done()


def answers_from_file(path: Path, asked: RequestedAnswers, unit: Unit | None) -> Answers:
    """Answers from a file, see `answers_table` and `answers_from_table`."""
    return answers_from_table(answers_table(path), asked, unit)


def answers_from_table(
    table: CsvTable, asked: RequestedAnswers, unit: Unit | None, *, lenient: bool = False
) -> Answers:
    """Answers from a table.

    Parameters
    ----------
    table : CsvTable
    asked : RequestedAnswers
        The numbers that they answer.
    unit : Unit or None
        Of lengths, where the column's name does not say.
    lenient : bool
        As a lesson is graded: a row that cannot be read costs that row only, where others can; its faults come with the
        answers. A comma before three digits is a decimal comma.

    Raises
    ------
    InputFaults
        With every fault of the table.
    """
    columns = table.columns
    values = [column for column in columns if column in _VALUE]
    faults = [
        _head_fault(table, f"no column {wanted}", one_of(asked.columns), _near_column(wanted, table))
        for wanted in (asked.column, "axis")
        if ColumnName(wanted) not in columns
    ]
    if len(values) != 1:
        found = "no column value" if not values else f"{len(values)} columns of values"
        faults.append(_head_fault(table, found, "one column value_mm, value_inch or value"))
    known = {*_VALUE, *map(ColumnName, (asked.column, "axis", "student", "sheet"))}
    faults += [
        _head_fault(table, f"an unknown column {shown(cell)}", one_of(asked.columns))
        for cell, column in zip(table.head.cells, columns, strict=True)
        # Beside all that is needed, a student's own column of remarks is no hindrance.
        if column not in known and (faults or not lenient)
    ]
    faults += [
        _head_fault(table, f"column {shown(cell)} a second time", "every column once")
        for place, (cell, column) in enumerate(zip(table.head.cells, columns, strict=True))
        if column in columns[:place] and column not in _VALUE and (column in known or not lenient)
    ]
    if faults:
        raise InputFaults(faults)
    if lenient:
        table = replace(table, rows=tuple(_without_stray_commas(table, row, asked) for row in table.rows))
    place = columns.index(values[0])
    own = _VALUE[values[0]]
    mark = table.mark((place,))
    if not mark and lenient:
        # "-374,722" is a decimal on a sheet that asks for three: as a whole number it would be 374 metres.
        mark = "," if any("," in row.cells[place] for row in table.rows if len(row.cells) > place) else "."
    reading = _Reading(asked, table.file, mark, own or unit, own, lenient=lenient)
    unanswered = 0
    for row in table.rows:
        fault = uneven(table, row)
        if fault is not None:
            reading.faults.append(fault)
            continue
        cells = dict(zip(columns, row.cells, strict=True))
        if not row.cells[place]:
            unanswered += 1
            continue
        if table.stores_numbers:
            # They are sure; a text with a comma beside them is read by itself.
            reading.mark = decimal_mark([row.cells[place]], ",") or ("," if lenient else "")
        reading.take(row.number, cells[ColumnName(asked.column)], cells[ColumnName("axis")], row.cells[place])
    student = _only(reading, table, "student")
    return reading.done(student, _only(reading, table, "sheet"), unanswered)


def answers_table(path: Path) -> CsvTable:
    """A file of answers, CSV or a workbook, as a table of cells; a column `name` is the student's, if there is no other.

    Raises
    ------
    InputFaults
        When it cannot be read, or is no table.
    """
    table = (table_from_workbook if path.suffix.lower() in WORKBOOKS else csv_from_file)(path, _WANTED)
    name, student = ColumnName("name"), ColumnName("student")
    if name not in table.columns or student in table.columns:
        return table
    cells = (
        "student" if column == name else cell
        for cell, column in zip(table.head.cells, table.columns, strict=True)
    )
    return replace(table, head=replace(table.head, cells=tuple(cells)))


def as_named(name: str, names: Iterable[str]) -> str:
    """A name as the sheet prints it, where only its capitals or its blanks are other ones; else as it stands.

    Examples
    --------
    >>> as_named("Upper  PORT", ["upper port", "lower port"])
    'upper port'
    >>> as_named("Port", ["port", "PORT"]), as_named("PORT", ["port", "PORT"])
    ('Port', 'PORT')
    """
    alike = [one for one in names if _folded(one) == _folded(name)]
    return alike[0] if len(alike) == 1 else name


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _without_stray_commas(table: CsvTable, row: CsvRow, asked: RequestedAnswers) -> CsvRow:
    """The row with the cells put together that a comma in the student's name or in the value has parted.

    It stays as it is where that can be done in no way, or in several, that leaves a name and an axis in their columns.
    """
    columns = table.columns
    extra = len(row.cells) - len(columns)
    if extra < 1:
        return row
    at = {column.name: place for place, column in enumerate(columns)}
    found = set()
    for in_value in (0, 1):
        in_name = extra - in_value
        if in_name and "student" not in at:
            continue
        more = {at.get("student", -1): in_name, at["value"]: in_value}
        rest = iter(row.cells)
        parts = [[next(rest) for _ in range(1 + more.get(place, 0))] for place in range(len(columns))]
        value = ",".join(parts[at["value"]])
        if in_value and not _DECIMAL_COMMA.fullmatch(value):
            continue
        cells = [", ".join(one) for one in parts]
        cells[at["value"]] = value.replace(",", ".") if in_value else value
        named = as_named(cells[at[asked.column]], asked.names) in asked.names
        if named and cells[at["axis"]].upper() in (*AXES, *asked.letters):
            found.add(tuple(cells))
    return replace(row, cells=found.pop()) if len(found) == 1 else row


def _head_fault(table: CsvTable, found: str, allowed: str, tip: str = "") -> Diagnostic:
    return Diagnostic(table.file, table.head.number, "head", found, allowed, tip)


def _near_column(wanted: str, table: CsvTable) -> str:
    near = nearest(wanted, table.head.cells)
    return f"is {shown(near)} meant?" if near else ""


def _only(reading: _Reading, table: CsvTable, name: str) -> str:
    """The value of a column that has only one; empty where there is no such column."""
    if ColumnName(name) not in table.columns:
        return ""
    place = table.columns.index(ColumnName(name))
    values: Mapping[str, int] = {
        row.cells[place]: row.number
        for row in reversed(table.rows)
        if len(row.cells) == len(table.columns) and row.cells[place]
    }
    if len(values) > 1:
        reading.fault(max(values.values()), name, " and ".join(map(shown, values)), f"one {name} in a file")
        return ""
    return sanitized(next(iter(values), ""))[:80]
