"""Answers for people at a terminal: tables by tabulate, numbers by `numbers`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from numpy import float64
from numpy.typing import NDArray
from tabulate import tabulate

from kinematics import Aim, Machine, work_offset_code
from tiltwright.show.numbers import angle, length
from tiltwright.worked import Worked

__all__ = ["aim_table", "offsets_table", "poses_table", "table", "units_words"]

_LONGEST_NAME = 34


def table(head: Sequence[str], rows: Iterable[Sequence[str]], left: int = 1) -> str:
    """A plain table; the first `left` columns are words, the others figures under one another."""
    align = ["left"] * left + ["right"] * (len(head) - left)
    return tabulate(list(rows), headers=list(head), tablefmt="simple", disable_numparse=True, colalign=align)


def units_words(units: str) -> str:
    """The unit as a heading says it."""
    return "millimetres" if units == "mm" else "inches"


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def offsets_table(worked: Worked, units: str) -> str:
    """A job's work offsets: one row an operation."""
    machine = worked.setup.machine
    rotary = [angle(value) for value in worked.setup.rotary_offset_deg]
    offset_rotaries = bool(worked.setup.rotary_offset_deg.any())
    head = ["operation", "load", *(f"program {letter}" for letter in machine.letters), "X", "Y", "Z"]
    head += [f"offset {letter}" for letter in machine.letters] if offset_rotaries else []
    rows = [
        [
            _short(one.placed.name),
            work_offset_code(one.number),
            *map(angle, one.placed.program_deg),
            *(length(value, units) for value in one.placed.offset_mm),
            *(rotary if offset_rotaries else []),
        ]
        for one in worked.operations
    ]
    title = f"{worked.job.file.name}: work offsets in {units_words(units)} and degrees, on {machine.name}"
    return f"{title}\n\n{table(head, rows, left=2)}"


def poses_table(
    machine: Machine, program_deg: NDArray[float64], offset_mm: NDArray[float64], title: str, units: str
) -> str:
    """Part zero's offset at many poses."""
    head = [*machine.letters, "X", "Y", "Z"]
    rows = [
        [*map(angle, program), *(length(value, units) for value in xyz)]
        for program, xyz in zip(program_deg, offset_mm, strict=True)
    ]
    return f"{title}\n\n{table(head, rows, left=0)}"


def aim_table(aim: Aim, machine: Machine, rotary_offset_deg: NDArray[float64]) -> str:
    """Every way to aim: the best first, those that are out with the reason."""
    head = ["", *(f"program {letter}" for letter in machine.letters)]
    head += [f"machine {letter}" for letter in machine.letters] if rotary_offset_deg.any() else []
    head += ["motion", "verdict"]
    rows = []
    for number, way in enumerate(aim.solutions, start=1):
        row = [str(number), *map(angle, way.machine_deg - rotary_offset_deg)]
        row += [angle(value) for value in way.machine_deg] if rotary_offset_deg.any() else []
        verdict = ("taken" if number == 1 else "fits") if way.fits else "out: " + "; ".join(way.why_out)
        rows.append([*row, angle(way.cost_deg), verdict])
    align = ["left", *["right"] * (len(head) - 2), "left"]
    return tabulate(rows, headers=head, tablefmt="simple", disable_numparse=True, colalign=align)
