"""Readings written as the CSV table that `pivot fit` reads."""

from __future__ import annotations

import csv
import io

from kinematics import Machine
from kinematics.calibration import Readings
from tiltwright.output.json_csv import csv_text, length_list

__all__ = ["readings_csv"]


def readings_csv(readings: Readings, machine: Machine, units: str) -> str:
    """A table with a row for each reading, to the display's last digit: 0.0001 mm or 0.00001 inch."""
    decimals, suffix = (5, "in") if units == "inch" else (4, "mm")
    directed = any(direction is not None for direction in readings.directions)
    head = ["kind", "target", *(f"{c}_deg" for c in machine.letters), *(f"{a}_{suffix}" for a in "XYZ")]
    rows = []
    for i in range(len(readings)):
        t = int(readings.target[i])
        direction = readings.directions[t]
        row: list[object] = [readings.kinds[t].value, readings.names[t]]
        row += [f"{angle + 0.0:g}" for angle in readings.angles_deg[i]]
        row += [f"{value:.{decimals}f}" for value in length_list(readings.points_mm[i], units)]
        if directed:
            row.append("" if direction is None else " ".join(f"{v + 0.0:.9g}" for v in direction))
        rows.append(row)
    # A cell that begins with a minus sign is a number here, not a formula: csv_text would guard it.
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return csv_text([*head, *(["direction"] if directed else [])], ()) + out.getvalue()
