"""A job worked through: every operation placed, numbered and held against what was touched off.

Every command that shows offsets starts from here, so none can disagree with another.
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

__all__ = ["EvaluatedJob", "NumberedOperation", "evaluate_job"]


@dataclass(frozen=True, eq=False)
class NumberedOperation:
    """A placed operation and the work offset that it is given."""

    placed: PlacedOperation
    number: int


@dataclass(frozen=True, eq=False)
class EvaluatedJob:
    """A job worked through.

    Attributes
    ----------
    job : ReadJob
    setup : Setup
        With part zero from the stack or as touched off, whichever the job names.
    touch : Touch or None
        Where it was touched off, against the stack.
    operations : tuple of Numbered
    unreached : tuple of Unreached
    before_each : bool
        More operations than work offsets: one is set again before each operation that named none.
    """

    job: ReadJob
    setup: Setup
    touch: TouchOff | None
    operations: tuple[NumberedOperation, ...]
    unreached: tuple[UnreachableOperation, ...]
    before_each: bool

    @property
    def touch_too_far(self) -> bool:
        """Whether the touched-off part zero lies farther from the stack's than the job accepts."""
        touched = self.job.touched
        if self.touch is None or touched is None or touched.within_mm is None:
            return False
        return self.touch.distance_mm > touched.within_mm

    @property
    def complete(self) -> bool:
        """Whether nothing stands in the way of loading what it says."""
        return not self.unreached and not self.touch_too_far


def evaluate_job(path: str, only: Sequence[str] = ()) -> EvaluatedJob:
    """Read a job and work out where everything stands.

    Parameters
    ----------
    path : str
        The job file.
    only : sequence of str
        Names of operations to keep ("port" keeps "port 1", "port 2", ...); all when empty. Numbers and angles are
        those of the whole job either way.

    Raises
    ------
    InputFaults
        With every fault of the files, or of the names.
    """
    job = read_job(path)
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
            f"{clash.number} ({work_offset_code(clash.number)}) for {shown(placement.results[clash.second].name)} with other "
            f"values than for {shown(placement.results[clash.first].name)}",
            "one value for each work offset",
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
    worked = EvaluatedJob(job, setup, touch, operations, placement.unreachable, numbering.shared)
    return _only(worked, only) if only else worked


def _only(worked: EvaluatedJob, names: Sequence[str]) -> EvaluatedJob:
    asked = worked.job.operations
    known = [name for operation in asked for name in {operation.name: 0, **dict.fromkeys(operation.names)}]
    for name in names:
        if name not in known:
            near = nearest(name, known)
            raise InputFaults(
                [
                    fault_at(
                        worked.job,
                        ("operation",),
                        f"no operation {shown(name)}",
                        one_of(known),
                        f"did you mean {shown(near)}?" if near else "",
                    )
                ]
            )
    return replace(
        worked,
        operations=tuple(one for one in worked.operations if _named(one.placed, worked, names)),
        unreached=tuple(one for one in worked.unreached if _named(one, worked, names)),
    )


def _named(one: PlacedOperation | UnreachableOperation, worked: EvaluatedJob, names: Sequence[str]) -> bool:
    return one.name in names or worked.job.operations[one.operation].name in names
