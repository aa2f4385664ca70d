"""Probe readings as a CSV table: its head and its rows read, and the same table written."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from kinematics import Machine
from kinematics.calibration import Readings
from tiltwright.calibration.raw_readings import RawReading, RawReadings, kind_cell, refuse
from tiltwright.files.csv_source import (
    LENGTH_ENDINGS,
    ColumnKinds,
    CsvRow,
    CsvTable,
    csv_from_text,
    head_faults,
    head_names,
    missing_columns,
    mixed_units,
    uneven,
)
from tiltwright.files.diagnostics import (
    Diagnostic,
    InputFaults,
    InvalidValue,
    read_alike,
    shown,
)
from tiltwright.files.parsing import (
    column_length,
    parse_direction,
    parse_name,
    parse_number,
    parse_written_angle,
)
from tiltwright.files.schema_types import SMALLEST_LENGTH
from tiltwright.files.units import plausible_celsius
from tiltwright.output.json_csv import csv_text
from tiltwright.output.numbers import UNIT_SYMBOL, fixed, in_units

__all__ = ["Columns", "display_text", "read_head", "read_table", "readings_csv"]


@dataclass(frozen=True)
class Columns:
    """Columns of the values in a row, counted from 0.

    Attributes
    ----------
    kind, target : int
    angles : tuple of int
        In the machine's order of rotaries.
    xyz : tuple of int
    units : "mm" or "inch"
    sigma, direction, temperature : int or None
        The columns that may be left out.
    fahrenheit : bool
        Whether the temperatures are in degrees Fahrenheit.
    count : int
        How many columns there are.
    names : tuple of str
        As the head spells them.
    """

    kind: int
    target: int
    angles: tuple[int, ...]
    xyz: tuple[int, ...]
    units: str
    sigma: int | None
    direction: int | None
    temperature: int | None
    fahrenheit: bool
    count: int
    names: tuple[str, ...]


def read_head(
    file: str, line: int, cells: Sequence[str], letters: Sequence[str]
) -> Columns | list[Diagnostic]:
    """The columns of a table's head, or everything that is wrong with it.

    Parameters
    ----------
    file, line
        For messages.
    cells : sequence of str
    letters : sequence of str
        Of the machine's rotaries.

    Examples
    --------
    >>> head = "kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm".split(",")
    >>> read_head("r.csv", 1, head, ("A", "C")).xyz
    (4, 5, 6)
    >>> for fault in read_head("r.csv", 1, head[:3] + ["X", "Y_mm", "Z_in"], ("A", "C")): print(fault)
    r.csv:1: column 4: found "X", a length without its unit; allowed: X_mm or X_in
    r.csv:1: found no column C_deg; allowed: an angle column for every rotary: A_deg and C_deg
    r.csv:1: found lengths in mm (Y_mm) and in inches (Z_in); allowed: one unit for all lengths
    """
    written, kinds = tuple(cells), _kinds(letters)
    names = head_names(cells, kinds)
    places: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        places.setdefault(name, []).append(place)
    faults = head_faults(file, line, names, written, kinds)
    faults += _missing(file, line, places, letters, names)
    faults += mixed_units(file, line, names, kinds)
    if faults:
        return faults
    ending = next(end for end in LENGTH_ENDINGS if f"X_{end}" in places)
    first = {name: found[0] for name, found in places.items()}
    return Columns(
        kind=first["kind"],
        target=first["target"],
        angles=tuple(first[f"{letter}_deg"] for letter in letters),
        xyz=tuple(first[f"{axis}_{ending}"] for axis in "XYZ"),
        units=LENGTH_ENDINGS[ending],
        sigma=first.get(f"sigma_{ending}"),
        direction=first.get("direction"),
        temperature=first.get("T_C", first.get("T_F")),
        fahrenheit="T_F" in first,
        count=len(names),
        names=written,
    )


def _kinds(letters: Sequence[str]) -> ColumnKinds:
    return ColumnKinds(
        ("kind", "target", "direction"),
        ("X", "Y", "Z", "sigma"),
        tuple(letters),
        foreign=tuple((c, f"the machine has no rotary {c}") for c in "ABC" if c not in letters),
    )


def _missing(
    file: str, line: int, places: dict[str, list[int]], letters: Sequence[str], names: Sequence[str]
) -> list[Diagnostic]:
    meaning = {
        "kind": "a column kind: ball, bore, pin or face",
        "target": "a column target: the name of what was read",
    }
    faults = missing_columns(file, line, meaning, places)
    wanted = " and ".join(f"{letter}_deg" for letter in letters)
    faults += [
        Diagnostic(file, line, "", f"no column {letter}_deg", f"an angle column for every rotary: {wanted}")
        for letter in letters
        if f"{letter}_deg" not in places and letter not in names
    ]
    faults += [
        Diagnostic(file, line, "", f"no column {axis}_mm or {axis}_in", "X, Y and Z, each with its unit")
        for axis in "XYZ"
        if not {f"{axis}_mm", f"{axis}_in", axis} & set(names)
    ]
    return faults


Value = TypeVar("Value")


def read_table(file: str, text: str, letters: Sequence[str]) -> RawReadings:
    r"""The readings of a CSV text, or every fault of it with its row.

    Parameters
    ----------
    file : str
        For messages.
    text : str
    letters : sequence of str
        Of the machine's rotaries.

    Raises
    ------
    InputFaults

    Examples
    --------
    >>> taken = read_table("r.csv", "kind,target,C_deg,X_mm,Y_mm,Z_mm\nball,ball 1,0,1,2,3\n", ["C"])
    >>> taken.rows[0].line, taken.rows[0].xyz
    (2, (1.0, 2.0, 3.0))
    >>> read_table("r.csv", "kind,target,C_deg,X_mm,Y_mm,Z_mm\nball,ball 1,0,1,2", ["C"])
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: r.csv:2: found 5 values where 6 belong: "ball,ball 1,0,1,2"; allowed: a value for each column: kind, target, C_deg, X_mm, Y_mm, Z_mm
        tip: the file was cut off: fetch it again
    """
    table = csv_from_text(file, text, "readings, with the columns' names in row 1")
    columns = read_head(file, table.head.number, table.head.cells, letters)
    if isinstance(columns, list):
        raise InputFaults(columns)
    return RawReadings(file, columns.units, _rows(table, columns))


def _rows(table: CsvTable, columns: Columns) -> tuple[RawReading, ...]:
    """The readings of a table whose head is sound.

    Raises
    ------
    InputFaults
        With every fault.
    """
    further = [place for place in (columns.sigma, columns.temperature) if place is not None]
    mark = table.mark((*columns.angles, *columns.xyz, *further))
    faults: list[Diagnostic] = []
    whole = [row for row in table.rows if len(row.cells) == columns.count]
    rows = [_row(table, columns, row, mark, faults) for row in whole]
    faults += [fault for row in table.rows if (fault := uneven(table, row)) is not None]
    faults += _cut_number(table, columns)
    faults += _targets_alike(table.file, [row for row in rows if row is not None])
    refuse(table.file, faults)
    return tuple(row for row in rows if row is not None)


def _targets_alike(file: str, rows: Sequence[RawReading]) -> list[Diagnostic]:
    """Faults of targets that only a program tells apart: each would be adjusted as a target of its own."""
    first: dict[str, RawReading] = {}
    faults = []
    for row in rows:
        other = first.setdefault(read_alike(row.target), row)
        if unicodedata.normalize("NFC", other.target) != unicodedata.normalize("NFC", row.target):
            found = f"{shown(row.target)}, which differs from {shown(other.target)} in row {other.line} only in capitals or spaces"
            faults.append(Diagnostic(file, row.line, "target", found, "one spelling for one target"))
    return faults


def _row(
    table: CsvTable, columns: Columns, row: CsvRow, mark: str, faults: list[Diagnostic]
) -> RawReading | None:
    """One row, or None with its faults added."""
    before = len(faults)

    def cell(place: int, read: Callable[[str], Value]) -> Value | None:
        return table.parsed(row, place, read, faults)

    kind = cell(columns.kind, kind_cell)
    target = cell(columns.target, parse_name)
    angles = [cell(place, lambda text: parse_written_angle(text, mark)) for place in columns.angles]
    xyz = [cell(place, lambda text: column_length(text, columns.units, mark)) for place in columns.xyz]
    sigma = (
        None if columns.sigma is None else cell(columns.sigma, lambda text: _sigma(text, columns.units, mark))
    )
    direction = (
        None
        if columns.direction is None
        else cell(columns.direction, lambda text: parse_direction(_with_points(text, mark)))
    )
    warmth = (
        None
        if columns.temperature is None
        else cell(columns.temperature, lambda text: _celsius(text, mark, fahrenheit=columns.fahrenheit))
    )
    if len(faults) > before:
        return None
    assert kind is not None
    assert target is not None
    x, y, z = (value or 0.0 for value in xyz)
    return RawReading(
        row.number, kind, target, tuple(value or 0.0 for value in angles), (x, y, z), sigma, direction, warmth
    )


def _celsius(text: str, mark: str, *, fahrenheit: bool) -> float:
    """A temperature of a column, in degrees Celsius."""
    return plausible_celsius(parse_number(_with_points(text, mark)), text, fahrenheit=fahrenheit)


def _with_points(text: str, mark: str) -> str:
    return text.replace(",", ".") if mark == "," else text


def _sigma(text: str, units: str, mark: str) -> float:
    value = column_length(text, units, mark)
    if value <= SMALLEST_LENGTH:
        raise InvalidValue(found=shown(text.strip()), allowed="a standard uncertainty above 0.000001")
    return value


def _cut_number(table: CsvTable, columns: Columns) -> list[Diagnostic]:
    """A last cell that looks cut: the text has no last line end, and the cell fewer decimals than any length before."""
    whole = [row for row in table.rows if len(row.cells) == columns.count]
    last_place = columns.count - 1
    if table.ended or not whole or whole[-1] is not table.rows[-1] or last_place not in columns.xyz:
        return []
    last = whole[-1]
    before = [row.cells[place] for row in whole[:-1] for place in columns.xyz]
    before += [last.cells[place] for place in columns.xyz if place != last_place]
    if _decimals(last.cells[-1]) >= min(map(_decimals, before)):
        return []
    return [
        Diagnostic(
            table.file,
            last.number,
            columns.names[-1],
            f"{shown(last.cells[-1])} at the very end, with fewer decimals than any before",
            "a file that ends with a line end",
            "the file may be cut off: fetch it again, or end the line if the number is right",
        )
    ]


def _decimals(text: str) -> int:
    """Number of decimals of a cell, by either mark."""
    return len(re.split("[.,]", text.strip())[-1]) if re.search("[.,]", text) else 0


def display_text(value_mm: float, units: str) -> str:
    """A length to the display's last digit: 0.0001 mm or 0.00001 inch."""
    return fixed(in_units(value_mm, units), 5 if units == "inch" else 4)


def readings_csv(readings: Readings, machine: Machine, units: str) -> str:
    """A table with a row for each reading, to the display's last digit."""
    suffix = UNIT_SYMBOL[units]
    directed = any(direction is not None for direction in readings.directions)
    warmth = readings.temperature_c
    head = ["kind", "target", *(f"{c}_deg" for c in machine.letters), *(f"{a}_{suffix}" for a in "XYZ")]
    rows = []
    for i in range(len(readings)):
        t = int(readings.target[i])
        direction = readings.directions[t]
        row: list[object] = [readings.kinds[t].value, readings.names[t]]
        row += [f"{angle + 0.0:g}" for angle in readings.angles_deg[i]]
        row += [display_text(float(value), units) for value in readings.points_mm[i]]
        if directed:
            row.append("" if direction is None else " ".join(f"{v + 0.0:.9g}" for v in direction))
        if warmth is not None:
            row.append(f"{warmth[i] + 0.0:.6g}")
        rows.append(row)
    # A cell that begins with a minus sign is a number here, not a formula: csv_text would guard it.
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    further = [*(["direction"] if directed else []), *(["T_C"] if warmth is not None else [])]
    return csv_text([*head, *further], ()) + out.getvalue()
