"""The messages about a job in words, lengths in the unit that is shown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import assert_never

from tiltwright.job.evaluate import NumberedOperation
from tiltwright.job.message_kinds import (
    DirectionMissed,
    JobFinding,
    JobMessage,
    NotReached,
    OffsetsShared,
    OutOfTravel,
    PartOffSquare,
    PlaneTurned,
    SingularRotary,
    TouchOffDifference,
    TouchOffTooFar,
    ZeroOffPlane,
)
from tiltwright.machine.findings import PlatterKeysUnused, machine_finding_words
from tiltwright.output.numbers import UNIT_SYMBOL, angle, length, lengths

__all__ = ["LONGEST_LIST", "finding_words", "message_words", "operation_list"]

LONGEST_LIST = 80
"""Characters up to which several operations are listed by name, beyond that by their numbers on the sheet."""


def message_words(message: JobMessage, operations: Sequence[NumberedOperation], units: str) -> str:
    """A message as one sentence, the operations it is about first."""
    words = finding_words(message.finding, units)
    return f"{operation_list(message.about, operations)}: {words}" if message.about else words


def finding_words(finding: JobFinding, units: str) -> str:  # noqa: C901, PLR0911 - one case a kind
    """A finding in words, without the operations it is about."""
    if isinstance(finding, TouchOffDifference):
        return _touch_off_words(finding, units)
    if isinstance(finding, PartOffSquare):
        tip = f'; square_up = "{finding.square_up}" takes a clocking error out' if finding.square_up else ""
        return f"the part is {angle(finding.off_deg)} degrees off square to machine X{tip}"
    match finding:
        case OffsetsShared():
            return (
                "more operations than work offsets: those without a number of their own share one; "
                "set it before each of them"
            )
        case PlatterKeysUnused():
            return machine_finding_words(finding, units)
        case TouchOffTooFar(distance_mm, within_mm):
            return (
                f"touched-off part zero is {length(distance_mm, units)} {UNIT_SYMBOL[units]} from the stack's; the job allows "
                f"{length(within_mm, units)} {UNIT_SYMBOL[units]}. Find out why before you go on"
            )
        case OutOfTravel(axis, offset_mm, low_mm, high_mm):
            value, low, high = lengths((offset_mm, low_mm, high_mm), units)
            return f"OUT OF TRAVEL: {axis} {value} is outside {low} to {high}"
        case PlaneTurned(plane_x_deg):
            return (
                f"the plane's own x is {angle(plane_x_deg)} degrees from machine X (counterclockwise seen from the "
                "spindle); a program written in the plane's x and y is off by that much"
            )
        case ZeroOffPlane(above_mm):
            side = "above" if above_mm > 0.0 else "below"
            return (
                f"program zero is {length(abs(above_mm), units)} {UNIT_SYMBOL[units]} {side} the plane through the three points; "
                "if that is not what you want, set `origin`"
            )
        case SingularRotary(letter, program_deg):
            return f"any {letter} angle works here; program {letter} {angle(program_deg)} is used"
        case DirectionMissed(short_deg):
            return f"the normal stays {angle(short_deg)} degrees from the spindle, which the job allows"
        case NotReached(why):
            return f"not reached: {why}"
    assert_never(finding)


def _touch_off_words(finding: TouchOffDifference, units: str) -> str:
    x, y, z = lengths(finding.difference_mm, units)
    used = "the touched-off one is used" if finding.used == "touched" else "the stack's is used"
    unjudged = "" if finding.judged else "; no tolerance (`within`) is set"
    return (
        f"part zero as touched off is x {x}, y {y}, z {z} {UNIT_SYMBOL[units]} from where the stack puts it (table frame, "
        f"{length(finding.distance_mm, units)} in all); {used}, as the job says{unjudged}"
    )


def operation_list(names: Sequence[str], operations: Sequence[NumberedOperation]) -> str:
    """Operations by name, three or more neighbours of one pattern as "port 2 to port 5"; a long list by numbers.

    Names that are not among `operations` are listed as they are.
    """
    places = {one.placed.name: place for place, one in enumerate(operations)}
    if any(name not in places for name in names):
        return ", ".join(names)
    indices = sorted({places[name] for name in names})
    named = _runs(
        indices,
        lambda index: operations[index].placed.name,
        lambda index: operations[index].placed.operation == operations[index - 1].placed.operation,
    )
    if len(indices) == 1 or len(named) <= LONGEST_LIST:
        return named
    return "operations " + _runs(indices, lambda index: str(index + 1), lambda _: True)


def _runs(indices: Sequence[int], name: Callable[[int], str], continues: Callable[[int], bool]) -> str:
    """A list in which three or more neighbours, each continuing the one before, are given by the first and last."""
    runs: list[list[int]] = []
    for index in indices:
        if runs and runs[-1][-1] == index - 1 and continues(index):
            runs[-1].append(index)
        else:
            runs.append([index])
    return ", ".join(
        f"{name(run[0])} to {name(run[-1])}" if len(run) > 2 else ", ".join(map(name, run)) for run in runs
    )
