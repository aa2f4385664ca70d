"""How each line has wandered over the calibrations, as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from tiltwright.pivots.history import Entry
from tiltwright.pivots.plot import as_file, label, new_figure
from tiltwright.pivots.story import shifts_of

__all__ = ["wander_picture"]

_LOOKS = (("o", "-", "0.0"), ("s", "--", "0.45"))


def wander_picture(name: str, entries: Sequence[Entry], ending: str) -> bytes:
    """Each line's way across itself, from where it was before the first calibration, by number; with dates and U."""
    letters = list(entries[0].before)
    units = entries[-1].said["units"]
    figure = new_figure(9.0, 3.1 * len(letters) + 0.8)
    numbers = np.arange(len(entries) + 1)
    for place, letter in enumerate(letters):
        axes = figure.add_subplot(len(letters), 1, place + 1)
        axes.grid(visible=True, color="0.9", linewidth=0.6)
        shifts, ways = shifts_of(entries, letter)
        spread = _expanded(entries, letter, ways)
        for m, way in enumerate(ways):
            marker, style, grey = _LOOKS[m]
            axes.errorbar(
                numbers,
                shifts[:, m],
                yerr=spread[:, m],
                fmt=marker + style,
                color=grey,
                fillstyle="none" if m else "full",
                markersize=5,
                linewidth=1.0,
                capsize=3,
                label=f"{letter} in {way}",
            )
        axes.set_ylabel(f"{letter}'s line, {units}")
        axes.set_xticks(numbers, ["before", *(_tick(entry) for entry in entries)], fontsize=7)
        axes.legend(fontsize=8, loc="best")
    figure.suptitle(label(f"{name}: how the lines have wandered", 70), fontsize=11)
    return as_file(figure, ending)


def _tick(entry: Entry) -> str:
    try:
        day = datetime.fromisoformat(entry.said["date"]).date().isoformat()
    except ValueError:
        day = "?"
    restored = "\nrestored" if entry.said["action"] == "restore" else ""
    return f"{entry.number}\n{day}{restored}"


def _expanded(entries: Sequence[Entry], letter: str, ways: Sequence[str]) -> NDArray[np.float64]:
    """Expanded uncertainties as the log has them, shape (k + 1, 2); 0 where it has none."""
    found = np.zeros((len(entries) + 1, len(ways)))
    for entry in entries:
        result = entry.said.get("result")
        for rotary in result.get("rotary", []) if isinstance(result, dict) else []:
            if rotary.get("letter") != letter:
                continue
            errors = rotary.get("location_errors", {})
            for m, way in enumerate(ways):
                expanded = errors.get(f"E_{way}0{letter}", {}).get("expanded")
                if isinstance(expanded, int | float):
                    found[entry.number, m] = expanded
    return found
