"""A table of readings: CSV with the columns kind, target, an angle for each rotary, and X, Y, Z with their unit."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from typing import TypeVar

from tiltwright.files.faults import Fault, InputFaults, Refused, shown
from tiltwright.pivots.cells import angle_cell, direction_cell, name_cell, number_cell
from tiltwright.pivots.columns import Columns, read_head
from tiltwright.pivots.taken import Row, Taken, kind_cell, refuse

__all__ = ["read_table"]

Value = TypeVar("Value")


def read_table(file: str, text: str, letters: Sequence[str]) -> Taken:
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
    tiltwright.files.faults.InputFaults: r.csv:2: found a row of 5 cells, the last of a file that ends in the middle; allowed: 6 cells, as in the head
        tip: the file was cut off: fetch it again
    """
    records = _records(file, text)
    if not records:
        refuse(file, [Fault(file, None, "", "an empty file", "readings, with the columns' names in row 1")])
    (line, head), *body = records
    columns = read_head(file, line, head, letters)
    if isinstance(columns, list):
        raise InputFaults(columns)
    faults: list[Fault] = []
    rows = [_row(file, columns, line, cells, faults) for line, cells in body if len(cells) == columns.count]
    faults += _wrong_length(file, text, columns, body)
    faults += _cut_number(file, text, columns, body)
    refuse(file, faults)
    return Taken(file, columns.units, tuple(row for row in rows if row is not None))


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
            [Fault(file, begins, "", found, "CSV: commas between cells, text with commas in quotes", tip)],
        )
    return records


def _row(file: str, columns: Columns, line: int, cells: Sequence[str], faults: list[Fault]) -> Row | None:
    """One row, or None with its faults added."""
    before = len(faults)

    def cell(place: int, read: Callable[[str], Value]) -> Value | None:
        try:
            return read(cells[place])
        except Refused as refusal:
            key = columns.names[place]
            faults.append(Fault(file, line, key, refusal.found, refusal.allowed, refusal.tip))
            return None

    kind = cell(columns.kind, kind_cell)
    target = cell(columns.target, name_cell)
    angles = [cell(place, angle_cell) for place in columns.angles]
    xyz = [cell(place, number_cell) for place in columns.xyz]
    sigma = None if columns.sigma is None else cell(columns.sigma, _sigma)
    direction = None if columns.direction is None else cell(columns.direction, direction_cell)
    if len(faults) > before:
        return None
    assert kind is not None
    assert target is not None
    x, y, z = (value or 0.0 for value in xyz)
    return Row(line, kind, target, tuple(value or 0.0 for value in angles), (x, y, z), sigma, direction)


def _sigma(text: str) -> float:
    value = number_cell(text)
    if value <= 0.0:
        raise Refused(found=shown(text.strip()), allowed="a standard uncertainty, above 0")
    return value


def _wrong_length(
    file: str, text: str, columns: Columns, body: Sequence[tuple[int, list[str]]]
) -> list[Fault]:
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
        faults.append(Fault(file, line, "", found, f"{columns.count} cells, as in the head", tip))
    return faults


def _cut_number(file: str, text: str, columns: Columns, body: Sequence[tuple[int, list[str]]]) -> list[Fault]:
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
        Fault(
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
