"""Messages that belong beside the numbers of a job.

One list serves every form: stderr, the comments of the G-code, JSON and the box on the sheet's first page.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from kinematics import Machine, PlacedOperation, Setup, rotation_about_axis
from kinematics.angles import nearest_axis
from tiltwright.job.evaluate import EvaluatedJob, NumberedOperation
from tiltwright.job.message_kinds import (
    CorrectionInForce,
    DirectionMissed,
    FacesDown,
    FacesInward,
    JobFinding,
    JobMessage,
    LengthLeftIn,
    LoadersNeeded,
    NotReached,
    OutOfTravel,
    OutOfTravels,
    OutsideBlank,
    PartOffSquare,
    PartZeroBelowPlatter,
    PatternTurnedOver,
    PlaneTurned,
    SingularRotary,
    StackSignLost,
    StepDown,
    TouchMistyped,
    TouchOffDifference,
    TouchOffTooFar,
    WhenFreeUnused,
    ZeroOffPlane,
)
from tiltwright.job.message_wording import finding_words, message_words, operation_list, unreachable_text
from tiltwright.job.sign_slips import (
    StatedBlank,
    faces_down,
    faces_inward,
    length_left_in,
    out_of_travel,
    outside_blank,
    stack_sign_lost,
    stated_blank,
    steps_down,
    touch_mistyped,
    zero_mistyped,
)
from tiltwright.machine.findings import (
    ParallelRotaries,
    PivotOutOfTravel,
    PlatterKeysUnused,
    machine_findings,
)
from tiltwright.output.messages import Message, Severity, as_shown, grouped
from tiltwright.terminal.streams import note, say_no

if TYPE_CHECKING:
    from tiltwright.job.corrected_offsets import AppliedCorrection

__all__ = [
    "alerts",
    "beyond_travel",
    "grouped_sentences",
    "job_messages",
    "joined_messages",
    "say_correction",
    "say_messages",
    "say_of_typed_zero",
    "say_sentences",
    "setup_messages",
    "touch_off_messages",
    "without_correction",
]

SQUARE_WITHIN_DEG = 0.02
"""Measured machines are thousandths of a degree off square; a forgotten clocking is more. 0.02 degrees: 0.035 in 100."""

_CLOCKED_BELOW_DEG = 5.0
_SEEN_MM = 5e-4


def job_messages(evaluated: EvaluatedJob) -> tuple[JobMessage, ...]:
    """Everything that must be said of a job, in the job's order."""
    found: list[JobMessage] = []
    if evaluated.before_each:
        found.append(Message(Severity.WARNING, LoadersNeeded(evaluated.loader_count)))
    found += _correction_messages(evaluated)
    found += (Message(Severity.WARNING, one) for one in machine_findings(evaluated.setup.machine))
    found += touch_off_messages(evaluated)
    # What follows from a part zero that is refused only hides the reason.
    refused = (
        evaluated.touch_too_far
        and evaluated.job.touched is not None
        and evaluated.job.touched.use == "touched"
    )
    depth_mm = 0.0 if refused else -float(evaluated.setup.part_in_table.translation_mm[2])
    if evaluated.setup.machine.platter.face_mm is not None and depth_mm > _BELOW_MM:
        found.append(Message(Severity.WARNING, PartZeroBelowPlatter(depth_mm)))
    found += (Message(Severity.WARNING, one) for one in steps_down(evaluated))
    found += _turned_over(evaluated)
    blank = stated_blank(evaluated)
    for one in evaluated.operations:
        found += (
            Message(severity, finding, (one.placed.name,))
            for severity, finding in _of_operation(one.placed, evaluated, blank)
            if not (refused and isinstance(finding, OutOfTravel))
        )
    found += (
        Message(Severity.ERROR, NotReached(unreachable_text(one)), (one.name,)) for one in evaluated.unreached
    )
    return tuple(dict.fromkeys(found))


_OF_SETUP = (
    CorrectionInForce,
    PlatterKeysUnused,
    PivotOutOfTravel,
    ParallelRotaries,
    TouchMistyped,
    TouchOffDifference,
    TouchOffTooFar,
    StackSignLost,
    LengthLeftIn,
    PartZeroBelowPlatter,
    StepDown,
    FacesDown,
    FacesInward,
    OutsideBlank,
)


def setup_messages(evaluated: EvaluatedJob) -> tuple[JobMessage, ...]:
    """Those about where things stand and which way they turn, on which every other figure rests."""
    return tuple(message for message in job_messages(evaluated) if isinstance(message.finding, _OF_SETUP))


def _correction_messages(evaluated: EvaluatedJob) -> Iterator[JobMessage]:
    """Messages about the correction that is in a job's offsets."""
    if evaluated.correction is not None:
        yield Message(Severity.WARNING, _correction_finding(evaluated.correction))
    if evaluated.left_out is not None:
        yield Message(Severity.WARNING, evaluated.left_out)


def _correction_finding(correction: AppliedCorrection, *, applied: bool = True) -> CorrectionInForce:
    table = correction.table
    return CorrectionInForce(
        table.date,
        table.measured,
        table.cause,
        correction.largest_mm,
        correction.letter,
        correction.turn_deg,
        applied,
        alike=correction.turns_alike,
    )


def say_correction(nests: Sequence[EvaluatedJob], units: str) -> None:
    """Say once that a correction is in the figures of a job's nests, where there is one."""
    found = [_correction_finding(nest.correction) for nest in nests if nest.correction is not None]
    if found:
        most = max(found, key=lambda one: (one.largest_mm, abs(one.turn_deg)))
        note(finding_words(most, units), label=Severity.WARNING.label)


def without_correction(evaluated: EvaluatedJob, units: str) -> EvaluatedJob:
    """A job without its correction, for what goes by stack and machine alone; a note says so where there is one."""
    if evaluated.correction is not None:
        finding = _correction_finding(evaluated.correction, applied=False)
        note(finding_words(finding, units), label=Severity.WARNING.label)
    return evaluated.uncorrected


_BELOW_MM = 1e-3
"""A part that lies on the platter itself is not below it, however it was touched off."""


_PART_Z = (0.0, 0.0, 1.0)


def _turned_over(evaluated: EvaluatedJob) -> Iterator[JobMessage]:
    """Repeats of a pattern that stand turned over against the first of it that is reached."""
    first: dict[int, tuple[PlacedOperation, float]] = {}
    for one in evaluated.operations:
        placed = one.placed
        operation = evaluated.job.operations[placed.operation]
        if operation.count < 2 or placed.aim is None or placed.name not in operation.names:
            continue
        turn_deg = operation.names.index(placed.name) * operation.step_deg
        base, base_deg = first.setdefault(placed.operation, (placed, turn_deg))
        along = float(rotation_about_axis(_PART_Z, turn_deg - base_deg) @ base.axes[0] @ placed.axes[0])
        if along < 0.0:
            turned_deg = math.degrees(math.acos(max(along, -1.0)))
            yield Message(Severity.WARNING, PatternTurnedOver(turned_deg, base.name), (placed.name,))


def alerts(evaluated: EvaluatedJob, units: str) -> tuple[str, ...]:
    """Cautions and failures in words, in the job's order; operations of which the same is said share one sentence.

    Parameters
    ----------
    evaluated : EvaluatedJob
    units : str
        "mm" or "inch".
    """
    weighty = [message for message in job_messages(evaluated) if message.severity is not Severity.INFO]
    # The sheet has one box for all of them: the order is the job's, whatever the severity.
    return tuple(
        message_words(message, evaluated.operations, units) for message in joined_messages(weighty, units)
    )


def say_messages(evaluated: EvaluatedJob, units: str, messages: Iterable[JobMessage] | None = None) -> None:
    """Write to stderr what the reader of a table must not miss; all of the job's messages if none are given."""
    joined = joined_messages(job_messages(evaluated) if messages is None else messages, units)
    say_sentences(
        (message.severity, message_words(message, evaluated.operations, units)) for message in joined
    )


def say_sentences(said: Iterable[tuple[Severity, str]]) -> None:
    """Write sentences to stderr, failures first, notes last."""
    kept = tuple(said)
    for severity in reversed(Severity):
        for words in (words for of, words in kept if of is severity):
            if severity is Severity.ERROR:
                say_no(words)
            else:
                note(words, label=severity.label)


def say_of_typed_zero(setup: Setup, units: str) -> None:
    """Name what looks wrong in a machine file, and in a part zero typed for the all-zero pose."""
    zero = zero_mistyped(setup.part_in_machine.translation_mm, setup.machine)
    found = (*([] if zero is None else [zero]), *machine_findings(setup.machine))
    say_sentences((Severity.WARNING, finding_words(finding, units)) for finding in found)


def grouped_sentences(
    said: Iterable[tuple[str | None, str]], operations: Sequence[NumberedOperation]
) -> tuple[str, ...]:
    """Sentences about operations, those that say the same of several as one, at the place of the first.

    Parameters
    ----------
    said : iterable of (str or None, str)
        The operation's name, or None for the whole job; and the sentence without that name.
    operations : sequence of NumberedOperation
        In order, so that neighbours of one pattern can be named by the first and the last.
    """
    found: dict[tuple[bool, str], list[str]] = {}
    for name, sentence in said:
        names = found.setdefault((name is not None, sentence), [])
        if name is not None and name not in names:
            names.append(name)
    return tuple(
        f"{operation_list(names, operations)}: {sentence}" if names else sentence
        for (_, sentence), names in found.items()
    )


def joined_messages(messages: Iterable[JobMessage], units: str) -> tuple[JobMessage, ...]:
    """Messages as they are shown: operations of which the same is said share one, and so do those beyond one travel."""
    return grouped(_travels_joined(messages, units), _key(units))


def _travels_joined(messages: Iterable[JobMessage], units: str) -> list[JobMessage]:
    """The messages, with all operations beyond the same end of a travel in one, at the place of the first."""
    beyond: dict[tuple[str, bool], list[tuple[OutOfTravel, tuple[str, ...]]]] = {}
    kept: dict[object, JobMessage] = {}
    for message in messages:
        finding = message.finding
        if not isinstance(finding, OutOfTravel) or not message.about:
            kept[message] = message
            continue
        end = (finding.axis, finding.offset_mm > finding.high_mm)
        beyond.setdefault(end, []).append((finding, message.about))
        kept[end] = message
    for end, members in beyond.items():
        findings = [finding for finding, _ in members]
        about = tuple(dict.fromkeys(name for _, names in members for name in names))
        first: JobFinding = findings[0]
        if len({as_shown(finding, units) for finding in findings}) > 1:
            values = sorted((finding.offset_mm for finding in findings), reverse=not end[1])
            low_mm, high_mm = findings[0].low_mm, findings[0].high_mm
            first = OutOfTravels(end[0], values[0], values[-1], low_mm, high_mm)
        kept[end] = Message(kept[end].severity, first, about)
    return list(kept.values())


def _key(units: str) -> Callable[[JobFinding], tuple[object, ...]]:
    return lambda finding: as_shown(finding, units)


def touch_off_messages(evaluated: EvaluatedJob) -> Iterator[JobMessage]:
    """Messages about part zero as touched off."""
    touch, touched = evaluated.touch, evaluated.job.touched
    if touch is None or touched is None:
        return
    mistyped = touch_mistyped(evaluated)
    if mistyped is not None:
        # Told first: a difference from the stack would only send the reader looking for a chip.
        yield Message(Severity.ERROR if evaluated.touch_too_far else Severity.WARNING, mistyped)
    x, y, z = touch.difference_mm.tolist()
    tolerance = (touched.within_mm, touched.within_stated, evaluated.job.unit.value)
    yield Message(
        Severity.INFO,
        TouchOffDifference((x, y, z), touch.distance_mm, touched.use, touched.typed, *tolerance),
    )
    if evaluated.touch_too_far:
        yield Message(Severity.ERROR, TouchOffTooFar(touch.distance_mm, *tolerance, touched.typed))
    # Told within a tolerance that the job widened too: it may have been widened for another reason.
    explained = mistyped is not None and mistyped.cause != "unknown" and not _may_be_length(mistyped)
    sign = None if mistyped is not None and mistyped.cause != "unknown" else stack_sign_lost(evaluated)
    if sign is not None:
        yield Message(Severity.WARNING, sign)
    length = None if explained else length_left_in(evaluated)
    if length is not None:
        yield Message(Severity.WARNING, length)


def _may_be_length(mistyped: TouchMistyped) -> bool:
    """True for a sign lost in Z where the spindle could stand: a length left in puts Z higher as well."""
    return mistyped.cause == "sign" and mistyped.axes == ("Z",) and not mistyped.outside


def _of_operation(
    placed: PlacedOperation, evaluated: EvaluatedJob, blank: StatedBlank | None
) -> Iterator[tuple[Severity, JobFinding]]:
    machine = evaluated.setup.machine
    for finding in _beyond_travel(placed, machine):
        yield Severity.WARNING, finding
    # One sign explains both; that a plane faces into the part says more.
    facing = faces_inward(placed, evaluated, blank) or faces_down(placed, evaluated)
    if facing is not None:
        yield Severity.WARNING, facing
    outside = outside_blank(placed, blank)
    if outside is not None:
        yield Severity.WARNING, outside
    if placed.plane_x_deg is not None and abs(placed.plane_x_deg) > SQUARE_WITHIN_DEG:
        yield Severity.WARNING, PlaneTurned(placed.plane_x_deg)
    off_deg = _off_square_deg(placed)
    if SQUARE_WITHIN_DEG < off_deg < _CLOCKED_BELOW_DEG:
        yield (
            Severity.WARNING,
            PartOffSquare(off_deg, None if evaluated.job.file.square_up else machine.letters[-1]),
        )
    above_mm = _above_plane_mm(placed, evaluated)
    if abs(above_mm) > _SEEN_MM:
        yield Severity.WARNING, ZeroOffPlane(above_mm)
    when_free = evaluated.job.file.operation[placed.operation].when_free
    if when_free is not None and placed.aim is not None and not placed.singular_axes:
        yield Severity.INFO, WhenFreeUnused(when_free)
    for letter in placed.singular_axes:
        yield Severity.INFO, SingularRotary(letter, float(placed.program_deg[machine.index(letter)]))
    if placed.misalignment_deg > 0.0:
        yield Severity.INFO, DirectionMissed(placed.misalignment_deg)


def beyond_travel(placed: PlacedOperation, machine: Machine, units: str) -> tuple[str, ...]:
    """An operation's offsets that the spindle cannot stand over, in words."""
    return tuple(finding_words(finding, units) for finding in _beyond_travel(placed, machine))


def _beyond_travel(placed: PlacedOperation, machine: Machine) -> list[OutOfTravel]:
    """Offsets of an operation that the gauge point cannot reach with any tool."""
    return out_of_travel(placed.offset_mm, machine)


def _off_square_deg(placed: PlacedOperation) -> float:
    """Degrees from machine X to the part's nearest axis; 0 where the operation was aimed, so nothing is expected square."""
    if placed.aim is not None and (not placed.singular_axes or placed.plane.x is not None):
        return 0.0
    return nearest_axis(placed.axes[0])[1]


def _above_plane_mm(placed: PlacedOperation, evaluated: EvaluatedJob) -> float:
    """Height of program zero above the plane through the operation's three points; 0 where it has none."""
    asked, number = evaluated.job.operations[placed.operation], placed.operation
    through = evaluated.job.file.operation[number].through
    if through is None or asked.plane is None:
        return 0.0
    first_mm = np.array([evaluated.job.unit.to_mm(value) for value in through[0]])
    return float(asked.plane.normal @ (asked.origin_mm - first_mm))
