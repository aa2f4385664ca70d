"""Readings of parts as a CSV table: a part's zero, or a check ball or bore that was probed again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from tiltwright.files.csv_source import (
    LENGTH_ENDINGS,
    ColumnKinds,
    CsvRow,
    CsvTable,
    csv_from_file,
    head_faults,
    head_names,
    missing_columns,
    mixed_units,
    uneven,
)
from tiltwright.files.diagnostics import Diagnostic, InputFaults, nearest, one_of, raise_by_line, shown
from tiltwright.files.parsing import column_length, parse_name, parse_written_angle
from tiltwright.files.plausibility import clocking_caution
from tiltwright.files.toml_source import add_caution
from tiltwright.files.units import Unit, plausible_celsius
from tiltwright.files.written_numbers import parse_written

__all__ = ["LARGEST_MB", "PartReading", "known_nests", "read_part_readings"]

_OPTIONAL = ("nest", "target", "clock", "temperature")
_REQUIRED = {"serial": "serial", "X": "X_mm or X_in", "Y": "Y_mm or Y_in", "Z": "Z_mm or Z_in"}
LARGEST_MB = 5
"""A hundred thousand parts: their offsets take 450 MB, as tests/benchmarks/bench_limits.py measures."""
_SHOP_C = (-10.0, 50.0)
"""Degrees Celsius between which a shop's machines stand (common practice); 69 is one in Fahrenheit."""

_KINDS = ColumnKinds(
    ("serial", "nest", "target"),
    ("X", "Y", "Z"),
    ("clock",),
    bare=("clock",),
    temperatures=("temperature_C", "temperature_F"),
)
_HERE = {
    **{f"{axis}_{end}": axis.lower() for axis in "XYZ" for end in LENGTH_ENDINGS},
    "clock_deg": "clock",
    "T_C": "temperature",
    "T_F": "temperature",
}
"""Name of each column here."""

Value = TypeVar("Value")


@dataclass(frozen=True)
class PartReading:
    """One row.

    Attributes
    ----------
    row : int
        Of the table, as a spreadsheet shows it; 0 where it came from elsewhere.
    serial : str
        The part's.
    at_mm : (float, float, float)
        The display, X, Y, Z.
    nest : str or None
    target : str or None
        What was probed; None for part zero.
    clock_deg : float or None
        Measured clocking of the part.
    temperature_c : float or None
    """

    row: int
    serial: str
    at_mm: tuple[float, float, float]
    nest: str | None = None
    target: str | None = None
    clock_deg: float | None = None
    temperature_c: float | None = None


def read_part_readings(path: Path) -> tuple[tuple[PartReading, ...], Unit]:
    """The rows of a table, and the unit of its lengths.

    Parameters
    ----------
    path : Path
        Columns serial, X, Y and Z with their unit; nest, target, clock_deg and temperature_C may be left out.

    Raises
    ------
    InputFaults
        With every fault and its row.
    """
    table = csv_from_file(
        path, "a table of parts: serial,nest,X_mm,Y_mm,Z_mm with a row for each", LARGEST_MB
    )
    places, unit, fahrenheit = _columns(table)
    faults = [fault for row in table.rows if (fault := uneven(table, row)) is not None]
    numbers = [places[name] for name in ("x", "y", "z", "clock", "temperature") if name in places]
    mark = table.mark(numbers)
    width = len(table.head.cells)
    found = [
        _row(table, row, places, unit, mark, faults, fahrenheit=fahrenheit)
        for row in table.rows
        if len(row.cells) == width
    ]
    readings = tuple(one for one in found if one is not None)
    if not table.rows:
        faults.append(Diagnostic(table.file, None, "", "no part", "a row for each part"))
    faults += _repeated(table.file, readings)
    raise_by_line(faults)
    _tell_clocking(table.file, readings)
    return readings, unit


def _tell_clocking(file: str, readings: Sequence[PartReading]) -> None:
    """Add a caution about the first part that is clocked more than is believable."""
    odd = [one for one in readings if clocking_caution(one.clock_deg or 0.0) is not None]
    if odd:
        others = "1 more row is" if len(odd) == 2 else f"{len(odd) - 1} more rows are"
        more = f" {others} like it." if len(odd) > 1 else ""
        add_caution(f"{file}:{odd[0].row}: clock_deg: {clocking_caution(odd[0].clock_deg or 0.0)}{more}")


def _columns(table: CsvTable) -> tuple[dict[str, int], Unit, bool]:
    """Place of each column, by the name that it has here, the unit of the lengths, and True for Fahrenheit."""
    file, line, written = table.file, table.head.number, table.head.cells
    names = head_names(written, _KINDS)
    faults = head_faults(file, line, names, written, _KINDS)
    places = {_HERE.get(name, name): place for place, name in enumerate(names)}
    # An axis whose unit is missing is told already.
    stated = {name.removesuffix("_mm").removesuffix("_in") for name in names}
    faults += missing_columns(file, line, _REQUIRED, stated)
    faults += mixed_units(file, line, names, _KINDS)
    if faults:
        raise InputFaults(faults)
    return places, Unit(LENGTH_ENDINGS[names[places["x"]].removeprefix("X_")]), "T_F" in names


def _row(
    table: CsvTable,
    row: CsvRow,
    places: dict[str, int],
    unit: Unit,
    mark: str,
    faults: list[Diagnostic],
    *,
    fahrenheit: bool,
) -> PartReading | None:
    before = len(faults)

    def cell(name: str, read: Callable[[str], Value]) -> Value | None:
        place = places.get(name)
        if place is None or (name in _OPTIONAL and not row.cells[place]):
            return None
        return table.parsed(row, place, read, faults)

    serial, nest, target = cell("serial", parse_name), cell("nest", parse_name), cell("target", parse_name)
    at = [cell(axis, lambda text: column_length(text, unit.value, mark)) for axis in "xyz"]
    clock = cell("clock", lambda text: parse_written_angle(text, mark))
    warm = cell("temperature", lambda text: _temperature(text, mark, fahrenheit=fahrenheit))
    if len(faults) > before or serial is None:
        return None
    x, y, z = (unit.to_mm(value or 0.0) for value in at)
    return PartReading(row.number, serial, (x, y, z), nest, target, clock, warm)


def _temperature(text: str, mark: str, *, fahrenheit: bool) -> float:
    """A temperature in degrees Celsius."""
    tip = "" if fahrenheit else "in Fahrenheit? name the column temperature_F"
    value = parse_written(text, mark).value
    return plausible_celsius(value, text, fahrenheit=fahrenheit, limits_c=_SHOP_C, tip=tip)


def _repeated(file: str, readings: Sequence[PartReading]) -> list[Diagnostic]:
    first: dict[tuple[str, str | None, str | None], int] = {}
    faults = []
    for one in readings:
        key = (one.serial, one.nest, one.target)
        if key in first:
            where = f" in nest {shown(one.nest)}" if one.nest else ""
            found = f"{shown(one.serial)}{where} again, as in row {first[key]}"
            faults.append(Diagnostic(file, one.row, "serial", found, "each part once"))
        first.setdefault(key, one.row)
    return faults


def known_nests(file: str, readings: Sequence[PartReading], nests: Sequence[str]) -> list[Diagnostic]:
    """Faults of rows whose nest the job does not have, or that name none where it has several."""
    faults = []
    for one in readings:
        if one.nest is not None and one.nest not in nests:
            allowed = one_of(nests) if nests else "no nest: the job has none"
            near = nearest(one.nest, nests)
            tip = f"did you mean {shown(near)}?" if near else ""
            faults.append(Diagnostic(file, one.row, "nest", shown(one.nest), allowed, tip))
        if one.nest is None and one.target is None and nests:
            faults.append(Diagnostic(file, one.row, "nest", "nothing", one_of(nests)))
    return faults
