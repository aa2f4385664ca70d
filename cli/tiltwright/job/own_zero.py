"""Offsets by a part's own zero, which leave the job's correction out: whether that zero takes out what it corrects."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from kinematics.forward import table_pose
from tiltwright.files.uncertainty_tables import CorrectedOffsetTable, CorrectionTable
from tiltwright.job.corrected_offsets import before_and_after_mm
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import CorrectionInForce
from tiltwright.job.message_wording import finding_words
from tiltwright.output.messages import Severity
from tiltwright.terminal.streams import note

__all__ = ["correction_report", "left_out_lines", "not_in_own_zero", "say_by_own_zero"]


ONE_SHIFT_MM = 0.0005
"""Half the last digit of a sheet: changes of offsets that one shift of the part gives to this are that shift."""

_OF_THE_PART = ("up", "shift", "turn", "lean", "touch-off")
"""Last words of a cause that stands between table and part: a part's own zero is touched off beyond it."""


_PLATTER_FACE = "platter: face"
"""It lifts the part as a step of the stack does."""


def not_in_own_zero(table: CorrectionTable, nests: Sequence[EvaluatedJob]) -> CorrectionInForce | None:
    """The correction of a job, where offsets by a part's own zero would leave out what it takes out; else None.

    A part's own zero takes out a shift of the part: one and the same at every operation, seen from the part. It takes out no
    turn, since a point does not show how a part is clocked. Where an axis is off, a zero touched at one pose shows nothing
    of it at another; with few operations the change may look like a shift all the same, so the cause's name counts as well.

    Parameters
    ----------
    table : CorrectionTable
    nests : sequence of EvaluatedJob
        Without the correction.
    """
    largest, shifted = 0.0, _between_table_and_part(table.cause)
    turns = {table.turn_deg(one) for nest in nests for _, one in table.of_nest(nest.nest)}
    turn_deg = max(turns, key=abs, default=0.0)
    for nest in nests:
        entries: dict[str, CorrectedOffsetTable] = {one.operation: one for _, one in table.of_nest(nest.nest)}
        shifts = []
        for one in nest.operations:
            entry = entries.get(one.placed.name)
            if entry is None:
                continue
            before_mm, after_mm = before_and_after_mm(nest.job.unit, entry)
            moved = after_mm - before_mm
            largest = max(largest, float(np.linalg.norm(moved)))
            shifts.append(table_pose(nest.setup.machine, one.placed.machine_deg).rotation.T @ moved)
        if shifts:
            apart = np.array(shifts) - np.mean(shifts, axis=0)
            shifted = shifted and float(np.abs(apart).max()) <= ONE_SHIFT_MM
    if shifted and not turn_deg:
        return None
    letter = nests[0].setup.machine.letters[-1]
    return CorrectionInForce(
        table.date,
        table.measured,
        table.cause,
        largest,
        letter,
        turn_deg,
        applied=False,
        zero_left=True,
        alike=len(turns) <= 1,
    )


def _between_table_and_part(cause: str) -> bool:
    """True where a cause's name says that nothing but the stack or its touch-off is off."""
    names = cause.split(" + ")
    return all(one == _PLATTER_FACE or one.rpartition(": ")[2].split(" ")[0] in _OF_THE_PART for one in names)


def say_by_own_zero(nests: Sequence[EvaluatedJob], units: str) -> None:
    """Say that a job's correction is left out since each part goes by its own zero, and whether that will do."""
    table = nests[0].job.file.correction
    if table is None:
        return
    finding = not_in_own_zero(table, nests)
    words = "the job's correction is left out here: each part goes by its own zero"
    note(words if finding is None else finding_words(finding, units), label=Severity.WARNING.label)


def correction_report(nests: Sequence[EvaluatedJob], *, own_zero: bool = False) -> dict[str, Any] | None:
    """The job's correction for JSON: in the figures beside it, or left out of them; None without one.

    `taken_out` is false where figures by a part's own zero leave in what the correction would take out.
    """
    table = nests[0].job.file.correction
    if table is None:
        return None
    left = not_in_own_zero(table, nests) if own_zero else None
    return {
        "date": table.date,
        "measured": table.measured,
        "cause": table.cause,
        "applied": not own_zero,
        "taken_out": left is None,
    }


def left_out_lines(nests: Sequence[EvaluatedJob]) -> tuple[str, ...]:
    """Comments of a program of own zeros about the job's correction, which is not in its offsets; none without one."""
    table = nests[0].job.file.correction
    if table is None:
        return ()
    whose = f"the job's correction of {table.date[:10]}"
    if not_in_own_zero(table, nests) is None:
        return (f"{whose} is left out: what it takes out, each part's own zero does",)
    return (
        f"caution: {whose} is NOT in these offsets, and a part's own zero does not take out what is off",
        "Put that right at its source and take the correction out before you cut by these offsets",
    )
