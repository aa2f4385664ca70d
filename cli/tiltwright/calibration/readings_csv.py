"""Probe readings as a CSV table: its head, and its rows."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from tiltwright.calibration.raw_readings import RawReading, RawReadings, kind_cell, refuse
from tiltwright.files.diagnostics import Diagnostic, InputFaults, InvalidValue, nearest, one_of, shown
from tiltwright.files.parsing import parse_degrees, parse_direction, parse_name, parse_number

__all__ = ["Columns", "read_head", "read_table"]

_ENDINGS = {"mm": "mm", "in": "inch"}


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
    sigma, direction : int or None
        The columns that may be left out.
    count : int
        How many columns there are.
    names : tuple of str
    """

    kind: int
    target: int
    angles: tuple[int, ...]
    xyz: tuple[int, ...]
    units: str
    sigma: int | None
    direction: int | None
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
    names = tuple(cell.strip() for cell in cells)
    if len(names) == 1 and ";" in names[0]:
        tip = "save it with commas between the columns and points before the decimals"
        return [Diagnostic(file, line, "", "semicolons between the columns", "commas", tip)]
    places: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        places.setdefault(name, []).append(place)
    known = _known(letters)
    faults = [*_strangers(file, line, names, known), *_doubled(file, line, places)]
    faults += _missing(file, line, places, letters, names)
    faults += _mixed(file, line, names)
    if faults:
        return faults
    ending = next(end for end in _ENDINGS if f"X_{end}" in places)
    first = {name: found[0] for name, found in places.items()}
    return Columns(
        kind=first["kind"],
        target=first["target"],
        angles=tuple(first[f"{letter}_deg"] for letter in letters),
        xyz=tuple(first[f"{axis}_{ending}"] for axis in "XYZ"),
        units=_ENDINGS[ending],
        sigma=first.get(f"sigma_{ending}"),
        direction=first.get("direction"),
        count=len(names),
        names=names,
    )


def _known(letters: Sequence[str]) -> list[str]:
    lengths = [f"{what}_{end}" for what in ("X", "Y", "Z", "sigma") for end in _ENDINGS]
    return ["kind", "target", *(f"{letter}_deg" for letter in letters), *lengths, "direction"]


def _strangers(file: str, line: int, names: Sequence[str], known: Sequence[str]) -> list[Diagnostic]:
    faults = []
    for place, name in enumerate(names, start=1):
        if name in known:
            continue
        key = f"column {place}"
        if name in {"X", "Y", "Z", "sigma"}:
            faults.append(
                Diagnostic(
                    file, line, key, f"{shown(name)}, a length without its unit", f"{name}_mm or {name}_in"
                )
            )
        elif name in {"A", "B", "C"}:
            faults.append(
                Diagnostic(file, line, key, f"{shown(name)}, an angle without its unit", f"{name}_deg")
            )
        elif name in {"A_deg", "B_deg", "C_deg"}:
            found = f"{shown(name)}, but the machine has no rotary {name[0]}"
            faults.append(Diagnostic(file, line, key, found, "the angles of the machine's own rotaries"))
        elif not name:
            faults.append(Diagnostic(file, line, key, "a column without a name", one_of(known)))
        else:
            near = nearest(name, known)
            tip = f'did you mean "{near}"?' if near else ""
            allowed = f"the columns {one_of(known, 'and')}"
            faults.append(Diagnostic(file, line, key, f"an unknown column, {shown(name)}", allowed, tip))
    return faults


def _doubled(file: str, line: int, places: dict[str, list[int]]) -> list[Diagnostic]:
    return [
        Diagnostic(
            file,
            line,
            "",
            f"column {shown(name)} {len(found)} times, as column {' and '.join(str(p + 1) for p in found)}",
            "every column once",
        )
        for name, found in places.items()
        if len(found) > 1 and name
    ]


def _missing(
    file: str, line: int, places: dict[str, list[int]], letters: Sequence[str], names: Sequence[str]
) -> list[Diagnostic]:
    faults = []
    meaning = {
        "kind": "a column kind: ball, bore, pin or face",
        "target": "a column target: the name of what was read",
    }
    for name, allowed in meaning.items():
        if name not in places:
            faults.append(Diagnostic(file, line, "", f"no column {name}", allowed))
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


def _mixed(file: str, line: int, names: Sequence[str]) -> list[Diagnostic]:
    in_unit = {
        end: [name for name in names if name in {f"{what}_{end}" for what in ("X", "Y", "Z", "sigma")}]
        for end in _ENDINGS
    }
    if not (in_unit["mm"] and in_unit["in"]):
        return []
    found = f"lengths in mm ({', '.join(in_unit['mm'])}) and in inches ({', '.join(in_unit['in'])})"
    return [Diagnostic(file, line, "", found, "one unit for all lengths")]


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
    tiltwright.files.diagnostics.InputFaults: r.csv:2: found a row of 5 cells, the last of a file that ends in the middle; allowed: 6 cells, as in the head
        tip: the file was cut off: fetch it again
    """
    records = _records(file, text)
    if not records:
        refuse(
            file, [Diagnostic(file, None, "", "an empty file", "readings, with the columns' names in row 1")]
        )
    (line, head), *body = records
    columns = read_head(file, line, head, letters)
    if isinstance(columns, list):
        raise InputFaults(columns)
    faults: list[Diagnostic] = []
    rows = [_row(file, columns, line, cells, faults) for line, cells in body if len(cells) == columns.count]
    faults += _wrong_length(file, text, columns, body)
    faults += _cut_number(file, text, columns, body)
    refuse(file, faults)
    return RawReadings(file, columns.units, tuple(row for row in rows if row is not None))


def _records(file: str, text: str) -> list[tuple[int, list[str]]]:
    """The records that are not blank, each with the line it begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    records: list[tuple[int, list[str]]] = []
    begins = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                records.append((begins, cells))
            begins = reader.line_num + 1
    except csv.Error as fault:
        ends = "unexpected end" in str(fault)
        found = "a quote that is never closed" if ends else f"text that is not CSV ({fault})"
        tip = "the file may be cut off" if ends else ""
        refuse(
            file,
            [
                Diagnostic(
                    file, begins, "", found, "CSV: commas between cells, text with commas in quotes", tip
                )
            ],
        )
    return records


def _row(
    file: str, columns: Columns, line: int, cells: Sequence[str], faults: list[Diagnostic]
) -> RawReading | None:
    """One row, or None with its faults added."""
    before = len(faults)

    def cell(place: int, read: Callable[[str], Value]) -> Value | None:
        try:
            return read(cells[place])
        except InvalidValue as refusal:
            key = columns.names[place]
            faults.append(Diagnostic(file, line, key, refusal.found, refusal.allowed, refusal.tip))
            return None

    kind = cell(columns.kind, kind_cell)
    target = cell(columns.target, parse_name)
    angles = [cell(place, parse_degrees) for place in columns.angles]
    xyz = [cell(place, parse_number) for place in columns.xyz]
    sigma = None if columns.sigma is None else cell(columns.sigma, _sigma)
    direction = None if columns.direction is None else cell(columns.direction, parse_direction)
    if len(faults) > before:
        return None
    assert kind is not None
    assert target is not None
    x, y, z = (value or 0.0 for value in xyz)
    return RawReading(
        line, kind, target, tuple(value or 0.0 for value in angles), (x, y, z), sigma, direction
    )


def _sigma(text: str) -> float:
    value = parse_number(text)
    if value <= 0.0:
        raise InvalidValue(found=shown(text.strip()), allowed="a standard uncertainty, above 0")
    return value


def _wrong_length(
    file: str, text: str, columns: Columns, body: Sequence[tuple[int, list[str]]]
) -> list[Diagnostic]:
    faults = []
    for place, (line, cells) in enumerate(body):
        if len(cells) == columns.count:
            continue
        found, tip = f"a row of {len(cells)} cell{'s' if len(cells) > 1 else ''}", ""
        if place == len(body) - 1 and len(cells) < columns.count and not text.endswith(("\n", "\r")):
            found += ", the last of a file that ends in the middle"
            tip = "the file was cut off: fetch it again"
        elif len(cells) > columns.count:
            tip = "is there a comma too many, or a decimal comma?"
        faults.append(Diagnostic(file, line, "", found, f"{columns.count} cells, as in the head", tip))
    return faults


def _cut_number(
    file: str, text: str, columns: Columns, body: Sequence[tuple[int, list[str]]]
) -> list[Diagnostic]:
    """A last cell that looks cut: the text has no last line end, and the cell fewer decimals than any length before."""
    if text.endswith(("\n", "\r")) or not body or len(body[-1][1]) != columns.count:
        return []
    last_place = columns.count - 1
    if last_place not in columns.xyz:
        return []
    line, last = body[-1]
    before = [cells[place] for _, cells in body[:-1] if len(cells) == columns.count for place in columns.xyz]
    before += [last[place] for place in columns.xyz if place != last_place]
    if _decimals(last[-1]) >= min(map(_decimals, before)):
        return []
    return [
        Diagnostic(
            file,
            line,
            columns.names[-1],
            f"{shown(last[-1])} at the very end, with fewer decimals than any before",
            "a file that ends with a line end",
            "the file may be cut off: fetch it again, or end the line if the number is right",
        )
    ]


def _decimals(text: str) -> int:
    return len(text.strip().partition(".")[2])
