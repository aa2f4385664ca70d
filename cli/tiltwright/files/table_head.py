"""Heads of tables of readings: which column is which, however it is spelled, and what is wrong with the head."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tiltwright.files.csv_source import ColumnName, column_name
from tiltwright.files.diagnostics import Diagnostic, nearest, one_of, shown
from tiltwright.files.temperature import TEMPERATURE_HEADS

__all__ = ["LENGTH_ENDINGS", "ColumnKinds", "head_faults", "head_names", "mixed_units"]

LENGTH_ENDINGS = {"mm": "mm", "in": "inch"}
"""Ending of a length's column, and the unit that it stands for."""


@dataclass(frozen=True)
class ColumnKinds:
    """Columns that a table may have.

    Attributes
    ----------
    plain : tuple of str
        Without a unit.
    lengths : tuple of str
        Each as ``X_mm`` or ``X_in``.
    angles : tuple of str
        Each as ``A_deg``.
    bare : tuple of str
        Those of the angles that need no unit in the head.
    temperatures : (str, str)
        How a message spells the temperature's column, in Celsius and in Fahrenheit.
    foreign : tuple of (str, str)
        Angles that are understood and not had, each with what it is that they name.
    """

    plain: tuple[str, ...]
    lengths: tuple[str, ...]
    angles: tuple[str, ...]
    bare: tuple[str, ...] = ()
    temperatures: tuple[str, str] = ("T_C", "T_F")
    foreign: tuple[tuple[str, str], ...] = ()

    @property
    def known(self) -> list[str]:
        """Every column's name, as a message spells it."""
        lengths = [f"{what}_{end}" for what in self.lengths for end in LENGTH_ENDINGS]
        return [*self.plain, *(f"{one}_deg" for one in self.angles), *lengths, *self.temperatures]


def head_names(cells: Sequence[str], kinds: ColumnKinds) -> tuple[str, ...]:
    """Names of the columns as this program writes them; as it stands where a cell means none of them.

    Examples
    --------
    >>> kinds = ColumnKinds(("serial",), ("X", "Y"), ("turn",), bare=("turn",))
    >>> head_names(["Serial", "X (mm)", "Y", "Turn", "Temperature_F", "who"], kinds)
    ('serial', 'X_mm', 'Y', 'turn_deg', 'T_F', 'who')
    """
    return tuple(_name(cell, kinds) for cell in cells)


def _name(cell: str, kinds: ColumnKinds) -> str:
    column = column_name(cell)
    for name in kinds.plain:
        if column == ColumnName(name):
            return name
    ending = next((end for end, unit in LENGTH_ENDINGS.items() if unit == column.unit), "")
    for name in kinds.lengths:
        if column.name == name.lower() and (ending or not column.unit):
            return f"{name}_{ending}" if ending else name
    for head in (cell.strip().lower(), column.name):
        if head in TEMPERATURE_HEADS and (head == cell.strip().lower() or not column.unit):
            return TEMPERATURE_HEADS[head]
    for name in (*kinds.angles, *(name for name, _ in kinds.foreign)):
        if column.name == name.lower() and column.unit in {"", "deg"}:
            return f"{name}_deg" if column.unit or name in kinds.bare else name
    return cell


def head_faults(
    file: str, line: int, names: Sequence[str], written: Sequence[str], kinds: ColumnKinds
) -> list[Diagnostic]:
    """Columns that are not known, lack their unit, or come again.

    Examples
    --------
    >>> kinds = ColumnKinds(("serial",), ("X",), ())
    >>> written = ["serial", "serial", "X", "seral"]
    >>> for fault in head_faults("p.csv", 1, head_names(written, kinds), written, kinds): print(fault)
    p.csv:1: column 3: found "X", a length without its unit; allowed: X_mm or X_in
    p.csv:1: column 4: found an unknown column, "seral"; allowed: the columns "serial", "X_mm", "X_in", "T_C" and "T_F"
        tip: did you mean "serial"?
    p.csv:1: found column "serial" 2 times, as column 1 and 2; allowed: every column once
    """
    known = {*kinds.known, "T_C", "T_F"}
    faults = [
        _stranger(file, line, place, name, cell, kinds)
        for place, (name, cell) in enumerate(zip(names, written, strict=True), start=1)
        if name not in known
    ]
    places: dict[str, list[int]] = {}
    for place, name in enumerate(names, start=1):
        places.setdefault(name, []).append(place)
    faults += [
        Diagnostic(
            file,
            line,
            "",
            f"column {shown(name)} {len(found)} times, as column {' and '.join(map(str, found))}",
            "every column once",
        )
        for name, found in places.items()
        if len(found) > 1 and name
    ]
    return faults


def _stranger(file: str, line: int, place: int, name: str, cell: str, kinds: ColumnKinds) -> Diagnostic:
    key, tip, known = f"column {place}", "", kinds.known
    foreign = dict(kinds.foreign)
    if name in kinds.lengths:
        found, allowed = f"{shown(cell)}, a length without its unit", f"{name}_mm or {name}_in"
    elif name in kinds.angles or name in foreign:
        found, allowed = f"{shown(cell)}, an angle without its unit", f"{name}_deg"
    elif name.removesuffix("_deg") in foreign:
        found = f"{shown(cell)}, but {foreign[name.removesuffix('_deg')]}"
        allowed = "the angles of the machine's own rotaries"
    elif name == "T":
        found = f"{shown(cell)}, a temperature without its unit"
        allowed = f"{kinds.temperatures[0]} or {kinds.temperatures[1]}, degrees Celsius or Fahrenheit"
    elif not name:
        found, allowed = "a column without a name", one_of(known)
    else:
        near = nearest(name, known)
        tip = f'did you mean "{near}"?' if near else ""
        found, allowed = f"an unknown column, {shown(cell)}", f"the columns {one_of(known, 'and')}"
    return Diagnostic(file, line, key, found, allowed, tip)


def mixed_units(file: str, line: int, names: Sequence[str], kinds: ColumnKinds) -> list[Diagnostic]:
    """Lengths in two units, or temperatures."""
    if {"T_C", "T_F"} <= set(names):
        found = "temperatures in Celsius (T_C) and in Fahrenheit (T_F)"
        return [Diagnostic(file, line, "", found, "one of them")]
    in_unit = {
        end: [name for name in names if name in {f"{what}_{end}" for what in kinds.lengths}]
        for end in LENGTH_ENDINGS
    }
    if not (in_unit["mm"] and in_unit["in"]):
        return []
    found = f"lengths in mm ({', '.join(in_unit['mm'])}) and in inches ({', '.join(in_unit['in'])})"
    return [Diagnostic(file, line, "", found, "one unit for all lengths")]
