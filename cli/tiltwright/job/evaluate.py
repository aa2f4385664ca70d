"""A job evaluated: every operation placed and numbered, part zero compared with the touch-off.

Every command that shows offsets starts here, so no two can disagree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics import (
    KinematicsError,
    NestConflict,
    PlacedOperation,
    Placement,
    Setup,
    TouchOff,
    UnreachableOperation,
    allocate_loaders,
    assign_work_offsets,
    compare_touch_off,
    place_operations,
    table_pose,
    with_touched_zero,
    work_offset_code,
)
from tiltwright.files.diagnostics import Diagnostic, InputFaults, nearest, one_of, option_error, shown
from tiltwright.files.loader import ReadJob, fault_at, read_job

if TYPE_CHECKING:
    from tiltwright.job.corrected_offsets import AppliedCorrection
    from tiltwright.job.message_kinds import CorrectionInForce
    from tiltwright.job.order_of_work import WorkOrder

__all__ = [
    "EvaluatedJob",
    "EvaluatedNests",
    "NumberedOperation",
    "evaluate_job",
    "evaluate_nests",
    "evaluate_read_job",
]


@dataclass(frozen=True, eq=False)
class NumberedOperation:
    """A placed operation and the number of its work offset.

    Attributes
    ----------
    placed : PlacedOperation
    number : int
    loader : int
        The loader that sets it, from 1; where all fit there is one.
    """

    placed: PlacedOperation
    number: int
    loader: int = 1


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
        More operations than work offsets: several operations share one, so it is set again before each of them.
    loader_count : int
        Programs that load the offsets, of all nests together; one where they all fit.
    correction : AppliedCorrection or None
        What a measured part has corrected; it is in setup and operations.
    left_out : CorrectionInForce or None
        A correction that is not in them and that part zero as typed does not take out.
    """

    job: ReadJob
    setup: Setup
    touch: TouchOff | None
    operations: tuple[NumberedOperation, ...]
    unreached: tuple[UnreachableOperation, ...]
    before_each: bool
    loader_count: int = 1
    correction: AppliedCorrection | None = None
    left_out: CorrectionInForce | None = None

    @property
    def uncorrected(self) -> EvaluatedJob:
        """The same without the job's correction: offsets as stack and machine alone have them."""
        if self.correction is None:
            return self
        operations = tuple(
            replace(one, placed=self.correction.placed[one.placed.name]) for one in self.operations
        )
        return replace(self, setup=self.correction.setup, operations=operations, correction=None)

    def program_zero_mm(self, placed: PlacedOperation) -> NDArray[np.float64]:
        """The point of the part, where the stack has it, over which an operation's program zero stands; shape (3,).

        Its origin, or with a correction in force the point that the corrected offset is.
        """
        if self.correction is None:
            return placed.origin_mm
        pose = table_pose(self.setup.machine, placed.machine_deg) @ self.setup.part_in_machine
        return pose.inverse().apply(placed.offset_mm)

    @property
    def nest(self) -> str | None:
        """The nest that it is the view of; None without nests."""
        return self.job.nest

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


def evaluate_job(path: str, only: Sequence[str] = (), nest: str | None = None) -> EvaluatedJob:
    """Read a job, place its operations and number them.

    Parameters
    ----------
    path : str
        The job file.
    only : sequence of str
        Names of the operations wanted ("port" stands for "port 1", "port 2", ...); all of them if empty. Numbers and
        angles are those of the whole job either way.
    nest : str, optional
        The nest to look at, in a job that has nests; its offsets' numbers are those of all nests together.

    Raises
    ------
    InputFaults
        With every fault of the files, or for a name that no operation or nest has.
    """
    return evaluate_read_job(read_job(path), only, nest)


def evaluate_read_job(job: ReadJob, only: Sequence[str] = (), nest: str | None = None) -> EvaluatedJob:
    """`evaluate_job` for a job that was read, or for the view of one nest of it."""
    if job.whole is not None:
        return _in_nest(evaluate_nests([job.whole], only), job.whole, nest or job.nest)
    if job.nests or nest is not None:
        return _in_nest(evaluate_nests([job], only), job, nest)
    setup, touch, placement, correction = _placed_job(job)
    try:
        numbering = assign_work_offsets(placement.results)
        if numbering.shared:
            # More operations than work offsets: loaders set them, as where nests need more than there are.
            return evaluate_nests([job], only).nests[0]
    except KinematicsError as refusal:
        raise InputFaults([_all_taken(job)]) from refusal
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
    evaluated = EvaluatedJob(
        job, setup, touch, operations, placement.unreachable, before_each=False, correction=correction
    )
    return _only(evaluated, only) if only else evaluated


def _all_taken(job: ReadJob) -> Diagnostic:
    """The fault of operations that want a work offset where others ask for all nine by number."""
    return fault_at(
        job,
        ("operation",),
        "all nine work offsets asked for by number, and operations without a number besides",
        "at least one work offset left for those",
        "take `work_offset` out of one operation: it then shares one with them",
    )


def _placed_job(job: ReadJob) -> tuple[Setup, TouchOff | None, Placement, AppliedCorrection | None]:
    """The setup, by the stack or the touch-off, and the placed operations of a job or of a job in a nest."""
    setup, touch = job.setup, None
    if job.touched is not None:
        touch = compare_touch_off(setup, job.touched.at_mm, job.touched.machine_deg)
        if job.touched.use == "touched":
            setup = with_touched_zero(setup, touch)
    places = job.own_operations
    try:
        placement = place_operations(setup, [job.operations[k] for k in places], job.file.aim_within)
    except KinematicsError as refusal:
        raise InputFaults(
            [fault_at(job, ("operation",), str(refusal), "operations that can be placed")]
        ) from refusal
    if job.own_nest is not None:
        # Counted as in the file, whatever else is done in this nest.
        placement = Placement(
            tuple(replace(one, operation=places[one.operation]) for one in placement.results)
        )
    if job.file.correction is None:
        return setup, touch, placement, None
    from tiltwright.job.corrected_offsets import apply_correction  # most jobs start without it

    setup, results, correction = apply_correction(job, job.file.correction, setup, placement.results)
    return setup, touch, Placement(results), correction


@dataclass(frozen=True, eq=False)
class EvaluatedNests:
    """Everything that stands on the table: the nests of one job, or of several together.

    Attributes
    ----------
    nests : tuple of EvaluatedJob
        The job as each nest sees it; a job without nests is one.
    order : WorkOrder
    loader_count : int
        Programs that load the offsets; more than one where they do not all fit.
    several_jobs : bool
    names : tuple of tuple of str
        Of every nest's operations, as the order of work counts them; "" for one that cannot be reached.
    """

    nests: tuple[EvaluatedJob, ...]
    order: WorkOrder
    loader_count: int
    several_jobs: bool
    names: tuple[tuple[str, ...], ...]

    @property
    def complete(self) -> bool:
        """True where every offset of every nest can be loaded."""
        return all(one.complete for one in self.nests)

    @property
    def uncorrected(self) -> EvaluatedNests:
        """The same without corrections, for parts that each go by a zero of their own."""
        return replace(self, nests=tuple(one.uncorrected for one in self.nests))

    def names_in_order(self) -> tuple[tuple[int, str], ...]:
        """Nest and name of every placed operation, in the order of work."""
        return tuple((n, self.names[n][k]) for n, k in self.order.places if self.names[n][k])

    def nest_words(self, place: int) -> str:
        """Name of a nest in a sentence: "nest left", or by its job where there are several."""
        return self.called(place) if self.several_jobs else f"nest {self.called(place)}"

    def called(self, place: int) -> str:
        """Name of a nest: its own, its job's where there are several, or nothing."""
        one = self.nests[place]
        if not self.several_jobs:
            return one.nest or ""
        return one.job.file.name if one.nest is None else f"{one.job.file.name}, {one.nest}"


def evaluate_nests(jobs: Sequence[ReadJob], only: Sequence[str] = ()) -> EvaluatedNests:
    """Place the operations of every nest of every job, and number their offsets together.

    Raises
    ------
    InputFaults
        When two operations claim one work offset, or the jobs are not on one machine.
    """
    _on_one_machine(jobs)
    _claims(jobs)
    views = [view for job in jobs for view in job.views]
    placed = [_placed_job(view) for view in views]
    from tiltwright.job.order_of_work import order_of_work  # a job without nests starts without it

    order = order_of_work(views, [setup for setup, *_ in placed], [one[2].results for one in placed])
    first = views[0]
    groups = order.groups
    if len(views) == 1:
        # Of one part, each operation is loaded for itself, so that as many as possible keep an offset of their own.
        groups = tuple((place,) for place in order.places)
    try:
        allocation = allocate_loaders(
            [one[2].results for one in placed], groups, nest_by_nest=order.by == "by nest"
        )
    except KinematicsError as refusal:
        raise InputFaults([_all_taken(first)]) from refusal
    if allocation.conflicts:
        raise InputFaults([_conflict(views, placed, one) for one in allocation.conflicts])
    nests = []
    for n, (view, (setup, touch, placement, correction)) in enumerate(zip(views, placed, strict=True)):
        numbers, loaders = allocation.numbers[n], allocation.loaders[n]
        operations = tuple(
            NumberedOperation(one, number, loader)
            for one, number, loader in zip(placement.results, numbers, loaders, strict=True)
            if isinstance(one, PlacedOperation)
        )
        several = allocation.count > 1
        nests.append(
            EvaluatedJob(
                view, setup, touch, operations, placement.unreachable, several, allocation.count, correction
            )
        )
    if only:
        _check_only(nests, only)
        nests = [_only_named(one, only) for one in nests]
    names = tuple(
        tuple(one.name if isinstance(one, PlacedOperation) else "" for one in placement.results)
        for _, _, placement, _ in placed
    )
    return EvaluatedNests(tuple(nests), order, allocation.count, len(jobs) > 1, names)


def _in_nest(evaluated: EvaluatedNests, job: ReadJob, nest: str | None) -> EvaluatedJob:
    """One nest of several; the one asked for."""
    names = [one.nest.name for one in job.nests]
    if nest is None:
        raise option_error(
            "--nest", "nothing", f"a nest of this job: {one_of(names)}", "this looks at one nest at a time"
        )
    if nest not in names:
        near = nearest(nest, names)
        tip = f"did you mean {shown(near)}?" if near else ""
        allowed = (
            f"a nest of this job: {one_of(names)}" if names else "no --nest; the job has no [[nest]] tables"
        )
        raise option_error("--nest", shown(nest), allowed, tip)
    return evaluated.nests[names.index(nest)]


def _on_one_machine(jobs: Sequence[ReadJob]) -> None:
    first = jobs[0]
    faults = [
        fault_at(
            job,
            ("machine",),
            f"{shown(job.file.machine)}, another machine than that of {first.source.file}",
            "one machine for jobs that are loaded together",
        )
        for job in jobs[1:]
        if job.machine != first.machine
    ]
    if faults:
        raise InputFaults(faults)


def _claims(jobs: Sequence[ReadJob]) -> None:
    """Refuse work offsets that two jobs claim, and a job given twice."""
    claimed: dict[int, tuple[ReadJob, str]] = {}
    faults = []
    for k, job in enumerate(jobs):
        if any(job.path.resolve() == other.path.resolve() for other in jobs[:k]):
            raise option_error(
                "JOB", f"{job.source.file} twice", "each job once", "a second part of it is a [[nest]]"
            )
        mine: dict[int, tuple[ReadJob, str]] = {}
        for place, operation in enumerate(job.operations):
            for number, name in enumerate(operation.names, start=operation.work_offset or 0):
                if operation.work_offset is None:
                    continue
                mine.setdefault(number, (job, name))
                if number in claimed:
                    other, before = claimed[number]
                    faults.append(
                        fault_at(
                            job,
                            ("operation", place, "work_offset"),
                            f"{number} ({work_offset_code(number)}) for {shown(name)}, which {other.source.file} claims for "
                            f"{shown(before)}",
                            "a work offset that no other job claims",
                            "give it another number, or none: it then takes the next free one",
                        )
                    )
        claimed |= mine
    if faults:
        raise InputFaults(faults)


def _conflict(
    views: Sequence[ReadJob],
    placed: Sequence[tuple[Setup, TouchOff | None, Placement, AppliedCorrection | None]],
    clash: NestConflict,
) -> Diagnostic:
    """The fault of two operations that ask for one number."""
    (first_nest, first), (second_nest, second) = clash.first, clash.second
    before, one = placed[first_nest][2].results[first], placed[second_nest][2].results[second]
    view = views[second_nest]
    other = shown(before.name)
    tip = "give it another number, or none: it then takes the next free one"
    if first_nest != second_nest:
        other = f"{other} in nest {shown(views[first_nest].nest or '')}"
        tip = 'give it none, or work nest by nest (order = "by nest"): each nest then has a loader of its own'
    name = shown(one.name) if view.nest is None else f"{shown(one.name)} in nest {shown(view.nest)}"
    return fault_at(
        view,
        ("operation", one.operation, "work_offset"),
        f"{clash.number} ({work_offset_code(clash.number)}) for {name}, whose values differ from those of {other}",
        "one set of values for each work offset",
        tip,
    )


def _check_only(nests: Sequence[EvaluatedJob], names: Sequence[str]) -> None:
    """Refuse a name that no operation of any nest has."""
    known: dict[str, None] = {}
    for one in nests:
        for operation in one.job.operations:
            known |= dict.fromkeys((operation.name, *operation.names))
    for name in names:
        if name not in known:
            near = nearest(name, list(known))
            tip = f"did you mean {shown(near)}?" if near else ""
            raise InputFaults(
                [
                    fault_at(
                        nests[0].job, ("operation",), f"no operation {shown(name)}", one_of(list(known)), tip
                    )
                ]
            )


def _only(evaluated: EvaluatedJob, names: Sequence[str]) -> EvaluatedJob:
    _check_only([evaluated], names)
    return _only_named(evaluated, names)


def _only_named(evaluated: EvaluatedJob, names: Sequence[str]) -> EvaluatedJob:
    return replace(
        evaluated,
        operations=tuple(one for one in evaluated.operations if _named(one.placed, evaluated, names)),
        unreached=tuple(one for one in evaluated.unreached if _named(one, evaluated, names)),
    )


def _named(
    one: PlacedOperation | UnreachableOperation, evaluated: EvaluatedJob, names: Sequence[str]
) -> bool:
    return one.name in names or evaluated.job.operations[one.operation].name in names
