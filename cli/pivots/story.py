"""The history of a machine's calibrations, as text and as a JSON object."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiltwright.files.faults import clean
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.read import ReadMachine
from tiltwright.pivots.edit import Line, lines_in
from tiltwright.pivots.history import Entry
from tiltwright.show.numbers import fixed
from tiltwright.show.tables import units_words

__all__ = ["direction_of", "is_current", "log_report", "log_text", "shifts_of"]

_DECIMALS = {"mm": 4, "inch": 5}


def direction_of(line: Line) -> NDArray[np.float64]:
    """A line's direction at length one, however the file gives it."""
    given = np.array(
        line["direction"] if "direction" in line else AXIS_DIRECTIONS[line["along"]], dtype=np.float64
    )
    return np.asarray(given / np.linalg.norm(given))


def shifts_of(entries: Sequence[Entry], letter: str) -> tuple[NDArray[np.float64], list[str]]:
    """How a rotary's line has wandered from where it was before the first calibration.

    Returns
    -------
    shift : ndarray, shape (k + 1, 2)
        In the log's unit, along the two machine axes most across the first line, where each line pierces the plane
        square to the third through the first point; the first row is 0.
    axes : list of str
        Their names.
    """
    lines = [entries[0].before[letter], *(entry.lines[letter] for entry in entries)]
    first = direction_of(lines[0])
    k = int(abs(first).argmax())
    others = [i for i in range(3) if i != k]
    start = np.array(lines[0]["point"], dtype=np.float64)
    shifts = []
    for line in lines:
        point, direction = np.array(line["point"], dtype=np.float64), direction_of(line)
        crossing = point + (start[k] - point[k]) / direction[k] * direction
        shifts.append((crossing - start)[others])
    return np.array(shifts), ["XYZ"[i] for i in others]


def is_current(read: ReadMachine, entries: Sequence[Entry]) -> bool:
    """Whether the machine file still holds what was written last."""
    return not entries or entries[-1].lines == lines_in(read.source.data)


def log_text(read: ReadMachine, entries: Sequence[Entry]) -> str:
    """What `pivot log` prints."""
    if not entries:
        return f"{read.file.name}: no calibration has been written yet"
    units = entries[-1].said["units"]
    title = (
        f"{read.file.name}: calibrations, the oldest first\n"
        f"how far each line lies from where it was before the first, in {units_words(units)}"
    )
    letters = list(entries[0].before)
    shifts = {letter: shifts_of(entries, letter) for letter in letters}
    head = ["", "date", "who", "°C", "what"]
    head += [f"{letter} {axis}" for letter in letters for axis in shifts[letter][1]]
    rows = []
    for entry in entries:
        said = entry.said
        temperature = said.get("temperature_c")
        row = [
            str(entry.number),
            clean(said["date"][:16].replace("T", " ")),
            clean(str(said.get("who") or "-"))[:24],
            "-" if not isinstance(temperature, int | float) else f"{temperature:.1f}",
            _what(entry),
        ]
        for letter in letters:
            row += [fixed(float(v), _DECIMALS[units]) for v in shifts[letter][0][entry.number]]
        rows.append(row)
    from tabulate import tabulate

    align = ["right", "left", "left", "right", "left", *["right"] * (len(head) - 5)]
    text = tabulate(rows, headers=head, tablefmt="simple", disable_numparse=True, colalign=align)
    return f"{title}\n\n{text}"


def _what(entry: Entry) -> str:
    said = entry.said
    if said["action"] == "restore":
        number = said.get("restored")
        return "restored: before the first" if number == 0 else f"restored: {number}"
    result = said.get("result")
    sigma = result.get("sigma") if isinstance(result, dict) else None
    readings = said.get("readings")
    count = readings.get("count") if isinstance(readings, dict) else None
    scatter = f", scatter {sigma:.4f}" if isinstance(sigma, int | float) else ""
    return f"fit of {count} readings{scatter}"


def log_report(read: ReadMachine, entries: Sequence[Entry]) -> dict[str, Any]:
    """The log as one JSON object; every record as it stands, with its number."""
    return {
        "schema": "tiltwright.pivot-log/1",
        "machine": read.file.name,
        "units": entries[-1].said["units"] if entries else read.unit.value,
        "current": is_current(read, entries),
        "calibrations": [{"number": entry.number, **entry.said} for entry in entries],
    }
