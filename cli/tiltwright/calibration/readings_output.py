"""Readings written as the CSV table that `pivot fit` reads."""

from __future__ import annotations

import csv
import io

from kinematics import Machine
from kinematics.calibration import Readings
from tiltwright.output.json_csv import csv_text
from tiltwright.output.numbers import fixed, in_units

__all__ = ["display_text", "readings_csv"]


def display_text(value_mm: float, units: str) -> str:
    """A length to the display's last digit: 0.0001 mm or 0.00001 inch."""
    return fixed(in_units(value_mm, units), 5 if units == "inch" else 4)


def readings_csv(readings: Readings, machine: Machine, units: str) -> str:
    """A table with a row for each reading, to the display's last digit."""
    suffix = "in" if units == "inch" else "mm"
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
