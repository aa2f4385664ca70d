"""Offsets by a part's own zero, which leave the job's correction out: whether that zero takes out what it corrects."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kinematics.forward import table_pose
from tiltwright.files.loader import ReadJob
from tiltwright.files.uncertainty_tables import CorrectedOffsetTable, CorrectionTable
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import CorrectionInForce
from tiltwright.job.message_wording import finding_words
from tiltwright.output.messages import Severity
from tiltwright.terminal.streams import note

__all__ = ["left_out_lines", "not_in_own_zero", "say_by_own_zero"]


ONE_SHIFT_MM = 0.0005
"""Half the last digit of a sheet: changes of offsets that one shift of the part gives to this are that shift."""

_OF_THE_PART = ("up", "shift", "turn", "lean", "touch-off")
"""What a cause ends with that stands between table and part: a part's own zero is touched off beyond it."""


def not_in_own_zero(table: CorrectionTable, nests: Sequence[EvaluatedJob]) -> CorrectionInForce | None:
    """The correction of a job, where offsets by a part's own zero would leave out what it takes out; else None.

    A part's own zero takes out a shift of the part: one and the same at every operation, seen from the part. Where an axis
    is off, a zero touched at one pose shows nothing of it at another; with few operations the change may look like a shift
    all the same, so the cause's name counts as well.

    Parameters
    ----------
    table : CorrectionTable
    nests : sequence of EvaluatedJob
        Without the correction.
    """
    entries: dict[tuple[str, str | None], CorrectedOffsetTable] = {
        (one.operation, one.nest): one for one in table.offset
    }
    largest, whole = 0.0, _between_table_and_part(table.cause) and not float(table.turn)
    for nest in nests:
        shifts = []
        for one in nest.operations:
            entry = entries.get((one.placed.name, nest.nest))
            if entry is None:
                continue
            moved = np.array(
                [
                    nest.job.unit.to_mm(after) - nest.job.unit.to_mm(before)
                    for before, after in zip(entry.before, entry.after, strict=True)
                ]
            )
            largest = max(largest, float(np.linalg.norm(moved)))
            shifts.append(table_pose(nest.setup.machine, one.placed.machine_deg).rotation.T @ moved)
        if shifts:
            apart = np.array(shifts) - np.mean(shifts, axis=0)
            whole = whole and float(np.abs(apart).max()) <= ONE_SHIFT_MM
    if whole:
        return None
    letter = nests[0].setup.machine.letters[-1]
    return CorrectionInForce(
        table.date,
        table.measured,
        table.cause,
        largest,
        letter,
        float(table.turn),
        applied=False,
        zero_left=True,
    )


def _between_table_and_part(cause: str) -> bool:
    """True where a cause's name says that nothing but the stack or its touch-off is off."""
    ends = [one.rpartition(": ")[2].split(" ")[0] for one in cause.split(" + ")]
    return all(end in _OF_THE_PART for end in ends)


def say_by_own_zero(nests: Sequence[EvaluatedJob], units: str) -> None:
    """Say that a job's correction is left out since each part goes by its own zero, and whether that will do."""
    table = nests[0].job.file.correction
    if table is None:
        return
    finding = not_in_own_zero(table, nests)
    words = "the job's correction is left out here: each part goes by its own zero"
    note(words if finding is None else finding_words(finding, units), label=Severity.WARNING.label)


def left_out_lines(job: ReadJob) -> tuple[str, ...]:
    """What a program of offsets says of the job's correction, which is not in them; nothing without one."""
    table = job.file.correction
    return () if table is None else (f"the job's correction of {table.date[:10]} is NOT in these offsets",)
