"""A job evaluated: every operation placed and numbered, part zero compared with the touch-off.

Every command that shows offsets starts here, so no two can disagree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from kinematics import (
    KinematicsError,
    PlacedOperation,
    Setup,
    TouchOff,
    UnreachableOperation,
    assign_work_offsets,
    compare_touch_off,
    place_operations,
    with_touched_zero,
    work_offset_code,
)
from tiltwright.files.diagnostics import InputFaults, nearest, one_of, shown
from tiltwright.files.loader import ReadJob, fault_at, read_job

__all__ = ["EvaluatedJob", "NumberedOperation", "evaluate_job", "evaluate_read_job"]


@dataclass(frozen=True, eq=False)
class NumberedOperation:
    """A placed operation and the number of its work offset."""

    placed: PlacedOperation
    number: int


@dataclass(frozen=True, eq=False)
class EvaluatedJob:
    """A job with its setup, its placed operations and their numbers.

    Attributes
    ----------
    job : ReadJob
    setup : Setup
        With part zero from the stack or as touched off, whichever the job chooses.
    touch : TouchOff or None
        Part zero as touched off, compared with the stack's.
    operations : tuple of NumberedOperation
    unreached : tuple of UnreachableOperation
    before_each : bool
        More operations than work offsets: those that named none share one, which is set again before each of them.
    """

    job: ReadJob
    setup: Setup
    touch: TouchOff | None
    operations: tuple[NumberedOperation, ...]
    unreached: tuple[UnreachableOperation, ...]
    before_each: bool

    @property
    def touch_too_far(self) -> bool:
        """True where the touched-off part zero is farther from the stack's than its tolerance."""
        touched = self.job.touched
        if self.touch is None or touched is None:
            return False
        return self.touch.distance_mm > touched.within_mm

    @property
    def complete(self) -> bool:
        """True where every offset can be loaded: all operations reached, touch-off within its tolerance."""
        return not self.unreached and not self.touch_too_far


def evaluate_job(path: str, only: Sequence[str] = ()) -> EvaluatedJob:
    """Read a job, place its operations and number them.

    Parameters
    ----------
    path : str
        The job file.
    only : sequence of str
        Names of the operations wanted ("port" stands for "port 1", "port 2", ...); all of them if empty. Numbers and
        angles are those of the whole job either way.

    Raises
    ------
    InputFaults
        With every fault of the files, or for a name that no operation has.
    """
    return evaluate_read_job(read_job(path), only)


def evaluate_read_job(job: ReadJob, only: Sequence[str] = ()) -> EvaluatedJob:
    """`evaluate_job` for a job that was read."""
    setup, touch = job.setup, None
    if job.touched is not None:
        touch = compare_touch_off(setup, job.touched.at_mm, job.touched.machine_deg)
        if job.touched.use == "touched":
            setup = with_touched_zero(setup, touch)
    try:
        placement = place_operations(setup, job.operations, job.file.aim_within)
    except KinematicsError as refusal:
        raise InputFaults(
            [fault_at(job, ("operation",), str(refusal), "operations that can be placed")]
        ) from refusal
    try:
        numbering = assign_work_offsets(placement.results)
    except KinematicsError as refusal:
        raise InputFaults(
            [fault_at(job, ("operation",), str(refusal), "nine work offsets, or fewer numbered operations")]
        ) from refusal
    clashes = [
        fault_at(
            job,
            ("operation", placement.results[clash.second].operation, "work_offset"),
            f"{clash.number} ({work_offset_code(clash.number)}) for {shown(placement.results[clash.second].name)}, whose "
            f"values differ from those of {shown(placement.results[clash.first].name)}",
            "one set of values for each work offset",
            "give it another number, or none: it then takes the next free one",
        )
        for clash in numbering.conflicts
    ]
    if clashes:
        raise InputFaults(clashes)
    operations = tuple(
        NumberedOperation(one, number)
        for one, number in zip(placement.results, numbering.numbers, strict=True)
        if isinstance(one, PlacedOperation)
    )
    evaluated = EvaluatedJob(job, setup, touch, operations, placement.unreachable, numbering.shared)
    return _only(evaluated, only) if only else evaluated


def _only(evaluated: EvaluatedJob, names: Sequence[str]) -> EvaluatedJob:
    asked = evaluated.job.operations
    known = [name for operation in asked for name in {operation.name: 0, **dict.fromkeys(operation.names)}]
    for name in names:
        if name not in known:
            near = nearest(name, known)
            raise InputFaults(
                [
                    fault_at(
                        evaluated.job,
                        ("operation",),
                        f"no operation {shown(name)}",
                        one_of(known),
                        f"did you mean {shown(near)}?" if near else "",
                    )
                ]
            )
    return replace(
        evaluated,
        operations=tuple(one for one in evaluated.operations if _named(one.placed, evaluated, names)),
        unreached=tuple(one for one in evaluated.unreached if _named(one, evaluated, names)),
    )


def _named(
    one: PlacedOperation | UnreachableOperation, evaluated: EvaluatedJob, names: Sequence[str]
) -> bool:
    return one.name in names or evaluated.job.operations[one.operation].name in names
