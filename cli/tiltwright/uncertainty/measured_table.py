"""The table of what inspection found: deviations of features, on one part or several."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np

from kinematics.uncertainty import MeasuredDeviation, MeasuredParts, measured_parts, moved_by
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
from tiltwright.files.parsing import column_length, parse_direction, parse_name
from tiltwright.files.toml_source import add_caution
from tiltwright.files.units import Unit
from tiltwright.output.numbers import UNIT_SYMBOL
from tiltwright.uncertainty.evaluation import UncertainJob

__all__ = ["MeasuredTable", "read_measured_table"]

_LARGEST_MB = 16
_LARGEST_MM = 5.0
"""A first part that is farther off is scrap, or the table has coordinates where deviations belong."""

_LEAST_U_MM = 1e-5
"""A hundredth of a micrometre: nothing in a shop is measured better."""

_FINE_U_MM, _COARSE_U_MM = 0.0004, 0.025
"""Standard uncertainties of inspection lie between, common practice: half a micrometre is a standards room's, a thousandth
of an inch a caliper's. Inches under a head of millimetres come out finer, millimetres under one of inches coarser."""

_THREE = ("dX", "dY", "dZ")
_LENGTHS = (*_THREE, "deviation", "u")
_KINDS = ColumnKinds(
    ("feature", "operation", "nest", "part", "datum", "along"), _LENGTHS, (), temperatures=()
)
_REQUIRED = {"feature": "feature", "u": "u_mm or u_in: the measurement's standard uncertainty"}
_HERE = {f"{name}_{end}": name for name in _LENGTHS for end in LENGTH_ENDINGS}
"""Name of each column of lengths here."""

_WANTED = "measured deviations: feature,dX_mm,dY_mm,dZ_mm,u_mm or feature,along,deviation_mm,u_mm, with a row for each"

CLAMPED = "as clamped"
"""Word in the column `datum` where a deviation was measured against the part as it was clamped."""

Value = TypeVar("Value")


@dataclass(frozen=True, eq=False)
class MeasuredTable:
    """A table of measured deviations.

    Attributes
    ----------
    file : str
    measured : MeasuredParts
    rows : tuple of int
        For each deviation, its row in the table as a spreadsheet shows it.
    found_mm : tuple of float
        The deviations as the table has them; `measured` has them as if no correction were in force.
    """

    file: str
    measured: MeasuredParts
    rows: tuple[int, ...]
    found_mm: tuple[float, ...]


def read_measured_table(path: Path, job: UncertainJob) -> MeasuredTable:
    """Read measured deviations of a job's features.

    Parameters
    ----------
    path : Path
        Columns feature and u with its unit; dX, dY and dZ (part coordinates), or deviation with along (part coordinates;
        left empty: the feature's own direction). operation where a feature is cut in several, nest, part (a serial
        number) and datum may be left out.
    job : UncertainJob

    Raises
    ------
    InputFaults
        With every fault, its row and its column.
    """
    table = csv_from_file(path, _WANTED, _LARGEST_MB)
    places, unit = _columns(table)
    faults = [fault for row in table.rows if (fault := uneven(table, row)) is not None]
    mark = table.mark([places[name] for name in _LENGTHS if name in places])
    reader = _Reader(table, places, unit, mark, job, faults)
    found: list[tuple[int, MeasuredDeviation]] = []
    if not job.part.features:
        faults.append(
            Diagnostic(
                str(job.views[0].job.path),
                None,
                "feature",
                "no [[feature]] table",
                "one for each feature measured",
            )
        )
    else:
        for row in table.rows:
            if len(row.cells) == len(table.head.cells):
                found += [(row.number, one) for one in reader.row(row)]
    if not table.rows:
        faults.append(Diagnostic(table.file, None, "", "no deviation", "a row for each feature measured"))
    faults += _repeated(table.file, found)
    raise_by_line(faults)
    deviations = [one for _, one in found]
    doubt = _unit_doubt(deviations, unit)
    if doubt:
        add_caution(f"{table.file}: {doubt}")
    measured, in_force = measured_parts(job.part, deviations), job.in_force
    if in_force is not None:
        # What the correction in force did is taken off: the rest is the setup's.
        moved = moved_by(measured, in_force).tolist()
        deviations = [
            replace(one, deviation_mm=one.deviation_mm - by)
            for one, by in zip(deviations, moved, strict=True)
        ]
        measured = measured_parts(job.part, deviations)
    return MeasuredTable(
        table.file, measured, tuple(row for row, _ in found), tuple(one.deviation_mm for _, one in found)
    )


def _unit_doubt(deviations: Sequence[MeasuredDeviation], unit: Unit) -> str:
    """Caution that the figures may not be in the unit of the table's head; empty for none."""
    u_mm = float(np.median([one.u_mm for one in deviations]))
    if unit is Unit.MM and u_mm < _FINE_U_MM:
        return (
            f"u_mm is mostly {u_mm:.2g} mm, finer than a shop measures. Are these figures in inches? Then the columns' names end "
            "in _in, not in _mm: read as they are, the correction comes out 25 times too small"
        )
    if unit is Unit.INCH and u_mm > _COARSE_U_MM:
        return (
            f"u_in is mostly {unit.from_mm(u_mm):.2g} in, as coarse as a caliper. Are these figures in millimetres? Then the "
            "columns' names end in _mm, not in _in: read as they are, the correction comes out 25 times too large"
        )
    return ""


def _columns(table: CsvTable) -> tuple[dict[str, int], Unit]:
    """Place of each column, by its name without a unit, and the unit of the lengths."""
    file, line, written = table.file, table.head.number, table.head.cells
    names = head_names(written, _KINDS)
    faults = head_faults(file, line, names, written, _KINDS)
    places = {_HERE.get(name, name): place for place, name in enumerate(names)}
    # A length whose unit is missing is told already.
    faults += missing_columns(file, line, _REQUIRED, places)
    if not faults and not any(name in places for name in (*_THREE, "deviation")):
        allowed = "dX_mm, dY_mm and dZ_mm, or deviation_mm (with along)"
        faults.append(Diagnostic(file, line, "", "no column with deviations", allowed))
    faults += mixed_units(file, line, names, _KINDS)
    if faults:
        raise InputFaults(faults)
    return places, Unit(LENGTH_ENDINGS[names[places["u"]].removeprefix("u_")])


@dataclass
class _Reader:
    table: CsvTable
    places: dict[str, int]
    unit: Unit
    mark: str
    job: UncertainJob
    faults: list[Diagnostic]

    def _fault(self, row: CsvRow, name: str, found: str, allowed: str, tip: str = "") -> None:
        place = self.places.get(name)
        key = "" if place is None else self.table.head.cells[place]
        self.faults.append(Diagnostic(self.table.file, row.number, key, found, allowed, tip))

    def _cell(self, row: CsvRow, name: str, read: Callable[[str], Value]) -> Value | None:
        place = self.places.get(name)
        if place is None or not row.cells[place]:
            return None
        return self.table.parsed(row, place, read, self.faults)

    def _filled(self, row: CsvRow, name: str) -> bool:
        place = self.places.get(name)
        return place is not None and bool(row.cells[place])

    def _length(self, row: CsvRow, name: str) -> float | None:
        value = self._cell(row, name, lambda text: column_length(text, self.unit.value, self.mark))
        if value is None:
            return None
        value_mm = self.unit.to_mm(value)
        if name != "u" and abs(value_mm) > _LARGEST_MM:
            limit = self.unit.from_mm(_LARGEST_MM)
            tip = "a deviation is what was found less what the drawing says, not the coordinate itself"
            allowed = f"a deviation of no more than {limit:.3g} {UNIT_SYMBOL[self.unit.value]}"
            self._fault(row, name, f"{value:g}", allowed, tip)
        return value_mm

    def row(self, row: CsvRow) -> list[MeasuredDeviation]:
        """The deviations of a row: one, or up to three."""
        before = len(self.faults)
        feature = self._feature(row)
        u = self._length(row, "u")
        if self.places["u"] < len(row.cells) and not row.cells[self.places["u"]]:
            self._fault(row, "u", "nothing", "the measurement's standard uncertainty, more than 0")
        elif u is not None and not _LEAST_U_MM <= u <= _LARGEST_MM:
            ends = (f"{self.unit.from_mm(end):.2g}" for end in (_LEAST_U_MM, _LARGEST_MM))
            tip = "no measurement is exact" if u < _LEAST_U_MM else ""
            self._fault(row, "u", row.cells[self.places["u"]], f"more than 0: {' to '.join(ends)}", tip)
        serial = self._cell(row, "part", parse_name) or ""
        datum: int | Literal["drawn"] | None = "drawn" if feature is None else self._datum(row, feature)
        each = self._directions(row, feature)
        if len(self.faults) > before or feature is None or u is None:
            return []
        return [MeasuredDeviation(feature, along, value, u, serial, datum) for along, value in each]

    def _directions(self, row: CsvRow, feature: int | None) -> list[tuple[np.ndarray, float]]:
        values = [self._length(row, name) for name in _THREE]
        value = self._length(row, "deviation")
        three = any(self._filled(row, name) for name in _THREE)
        if three and self._filled(row, "deviation"):
            self._fault(
                row,
                "deviation",
                "both dX, dY, dZ and a deviation along a direction",
                "one of the two in a row",
            )
            return []
        if not three and not self._filled(row, "deviation"):
            self._fault(row, "deviation", "no deviation", "a number, in dX, dY, dZ or in deviation")
            return []
        if three:
            return [(axis, one) for axis, one in zip(np.eye(3), values, strict=True) if one is not None]
        place = self.places.get("along")
        before = len(self.faults)
        along = None if place is None else self.table.parsed(row, place, parse_direction, self.faults)
        if len(self.faults) > before:
            return []
        if along is None and feature is not None:
            own = self.job.part.features[feature].along
            if own is None:
                allowed = '"+X", "-X", ... or a direction such as 0 0.6 0.8, in part coordinates'
                tip = "only a feature that has `along` in the job has a direction of its own"
                self._fault(row, "along" if place is not None else "feature", "no direction", allowed, tip)
                return []
            along = self.job.part.direction[self.job.part.first[feature]]
        return [] if along is None or value is None else [(along, value)]

    def _feature(self, row: CsvRow) -> int | None:
        """The place of a row's feature among the part's."""
        names = self.job.feature_names
        if not row.cells[self.places["feature"]]:
            self._fault(row, "feature", "nothing", "a feature of the job")
            return None
        name = self._cell(row, "feature", parse_name)
        operation, nest = self._cell(row, "operation", parse_name), self._cell(row, "nest", parse_name)
        if name is None:
            return None
        mine = [k for k, one in enumerate(names) if one[0] == name]
        if not mine:
            known = list(dict.fromkeys(one[0] for one in names))
            unreached = name in self.job.unreached
            near = None if unreached else nearest(name, known)
            tip = f"did you mean {shown(near)}?" if near else ""
            found = (
                f"{shown(name)}, whose operation is not reached" if unreached else f"no feature {shown(name)}"
            )
            self._fault(row, "feature", found, one_of(known), tip)
            return None
        for key, place, wanted in (("operation", 1, operation), ("nest", 2, nest)):
            choices = list(dict.fromkeys(names[k][place] for k in mine))
            if wanted is None and len(choices) > 1:
                found = f"{shown(name)}, which stands for {len(choices)} places"
                allowed = f"its {key} beside it, in a column {key!r}: {one_of(choices)}".replace("'", '"')
                self._fault(row, key if key in self.places else "feature", found, allowed)
                return None
            if wanted is not None:
                left = [k for k in mine if names[k][place] == wanted]
                if not left:
                    shown_choices = [one for one in choices if one is not None]
                    allowed = one_of(shown_choices) if shown_choices else "nothing: the job has no nests"
                    self._fault(row, key, f"{shown(wanted)} for {shown(name)}", allowed)
                    return None
                mine = left
        return mine[0]

    def _datum(self, row: CsvRow, feature: int) -> int | Literal["drawn"] | None:
        """Datum that a row was measured against."""
        name = self._cell(row, "datum", parse_name)
        names = self.job.feature_names
        own, nest = names[feature][3], names[feature][2]
        if name is None or name == own:
            return "drawn"
        if name == CLAMPED:
            return None
        mine = [k for k, one in enumerate(names) if one[0] == name and one[2] == nest and k != feature]
        here = [k for k in mine if names[k][1] == names[feature][1]]
        if len(here or mine) == 1:
            return (here or mine)[0]
        others = list(dict.fromkeys([*([own] if own else []), *(one[0] for one in names), CLAMPED]))
        tip = "left empty, the job's datum counts" + (f": {own}" if own else "")
        self._fault(row, "datum", shown(name), one_of(others), tip)
        return "drawn"


def _repeated(file: str, found: Sequence[tuple[int, MeasuredDeviation]]) -> list[Diagnostic]:
    first: dict[tuple[object, ...], int] = {}
    faults = []
    for row, one in found:
        key = (one.feature, one.serial, *np.round(one.along, 9).tolist())
        if first.setdefault(key, row) != row:
            faults.append(
                Diagnostic(
                    file,
                    row,
                    "feature",
                    f"the same feature and direction as in row {first[key]}",
                    "each once for every part",
                    "several parts? add a column part with their serial numbers",
                )
            )
    return faults
