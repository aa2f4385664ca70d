"""Messages that stand beside the numbers of a job.

One list serves every form: stderr, the G-code's comments, JSON and the box on the sheet's first page.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from kinematics import Machine, PlacedOperation
from tiltwright.job.aim_wording import unreachable_text
from tiltwright.job.evaluate import EvaluatedJob, NumberedOperation
from tiltwright.machine.description import passed_over
from tiltwright.output.numbers import angle, length
from tiltwright.terminal.streams import note, say_no

__all__ = ["LONGEST_LIST", "Remark", "Weight", "alerts", "beyond_travel", "merged", "remarks", "say_remarks"]

SQUARE_WITHIN_DEG = 0.02
"""Measured machines stand off square by thousandths; a forgotten clocking is larger. 0.02 degrees: 0.035 in 100."""

_CLOCKED_BELOW_DEG = 5.0
_SEEN_MM = 5e-4


class Weight(enum.Enum):
    """How much a remark weighs."""

    NOTE = "note"
    """Good to know."""
    MIND = "mind"
    """A part is easily spoilt by overlooking it: it stands on the sheet's first page."""
    NO = "no"
    """The answer is no."""


@dataclass(frozen=True)
class Remark:
    """A remark in words."""

    weight: Weight
    words: str


def remarks(worked: EvaluatedJob, units: str) -> tuple[Remark, ...]:
    """Everything that must be said of a job worked through, lengths in the unit that is shown."""
    found = [
        *(Remark(Weight.MIND, words) for words in passed_over(worked.setup.machine)),
        *_of_touch(worked, units),
        *(remark for one in worked.operations for remark in _of_operation(one.placed, worked, units)),
        *(Remark(Weight.NO, f"not reached: {one.name}: {unreachable_text(one)}") for one in worked.unreached),
    ]
    if worked.before_each:
        words = (
            "more operations than work offsets: those without a number of their own share one; "
            "set it before each of them"
        )
        found.insert(0, Remark(Weight.MIND, words))
    return tuple(dict.fromkeys(found))


def say_remarks(worked: EvaluatedJob, units: str) -> None:
    """Say what the reader of a table must not miss, on stderr."""
    found = remarks(worked, units)
    for weight in dict.fromkeys(remark.weight for remark in found):
        for words in merged([one.words for one in found if one.weight is weight], worked.operations):
            if weight is Weight.NO:
                say_no(words)
            else:
                note(words, label=weight.value)


def _of_touch(worked: EvaluatedJob, units: str) -> Iterator[Remark]:
    touch, touched = worked.touch, worked.job.touched
    if touch is None or touched is None:
        return
    x, y, z = (length(value, units) for value in touch.difference_mm)
    used = "the touched-off one is used" if touched.use == "touched" else "the stack's is used"
    words = (
        f"part zero as touched off lies x {x}, y {y}, z {z} {units} from where the stack puts it (table frame, "
        f"{length(touch.distance_mm, units)} in all); {used}, as the job says"
    )
    unjudged = touched.within_mm is None and touch.distance_mm > _SEEN_MM
    yield Remark(
        Weight.MIND if unjudged else Weight.NOTE, words + ("; it states no `within`" if unjudged else "")
    )
    if worked.touch_too_far and touched.within_mm is not None:
        yield Remark(
            Weight.NO,
            f"the job accepts {length(touched.within_mm, units)} {units} between the two: find out why",
        )


def _of_operation(placed: PlacedOperation, worked: EvaluatedJob, units: str) -> Iterator[Remark]:
    machine, name = worked.setup.machine, placed.name
    for words in beyond_travel(placed, machine, units):
        yield Remark(Weight.MIND, f"{name}: {words}")
    if placed.plane_x_deg is not None and abs(placed.plane_x_deg) > SQUARE_WITHIN_DEG:
        yield Remark(
            Weight.MIND,
            f"{name}: the plane's own x stands {angle(placed.plane_x_deg)} degrees from machine X "
            "(counterclockwise seen from the spindle); a program written in the plane's x and y is wrong by that",
        )
    yield from _of_square(placed, worked)
    yield from _of_plane(placed, worked, units)
    for letter in placed.singular_axes:
        at = angle(float(placed.program_deg[machine.index(letter)]))
        yield Remark(
            Weight.NOTE,
            f"{name}: {letter} is free, its angle does not matter there; program {letter} {at} is taken",
        )
    if placed.misalignment_deg > 0.0:
        short = angle(placed.misalignment_deg)
        yield Remark(
            Weight.NOTE, f"{name}: its direction stays {short} degrees from the spindle, as the job allows"
        )


def beyond_travel(placed: PlacedOperation, machine: Machine, units: str) -> tuple[str, ...]:
    """Offsets that the spindle cannot stand over at all; a tool only raises the Z that is needed."""
    if machine.travel is None:
        return ()
    ends = zip("XYZ", placed.offset_mm, machine.travel.low_mm, machine.travel.high_mm, strict=True)
    return tuple(
        f"OUT OF TRAVEL: {axis} {length(float(value), units)} lies outside "
        f"{length(float(low), units)} to {length(float(high), units)}"
        for axis, value, low, high in ends
        if value > high or (axis != "Z" and value < low)
    )


def _of_square(placed: PlacedOperation, worked: EvaluatedJob) -> Iterator[Remark]:
    """Angles that nothing aimed at which the part stands nearly, but not quite, square: a clocking that was forgotten."""
    if placed.aim is not None and (not placed.singular_axes or placed.plane.x is not None):
        return
    along_x = placed.axes[0]
    axis = int(np.argmax(np.abs(along_x)))
    off = float(np.degrees(np.arctan2(np.linalg.norm(np.delete(along_x, axis)), abs(along_x[axis]))))
    if SQUARE_WITHIN_DEG < off < _CLOCKED_BELOW_DEG:
        tip = (
            ""
            if worked.job.file.square_up
            else '; square_up = "' + worked.setup.machine.letters[-1] + '" takes a clocking out'
        )
        yield Remark(
            Weight.MIND, f"{placed.name}: the part stands {angle(off)} degrees off square to machine X{tip}"
        )


def _of_plane(placed: PlacedOperation, worked: EvaluatedJob, units: str) -> Iterator[Remark]:
    """A plane through three points whose program zero does not lie in it."""
    asked, number = worked.job.operations[placed.operation], placed.operation
    through = worked.job.file.operation[number].through
    if through is None or asked.plane is None:
        return
    first_mm = np.array([worked.job.unit.to_mm(value) for value in through[0]])
    above_mm = float(asked.plane.normal @ (asked.origin_mm - first_mm))
    if abs(above_mm) > _SEEN_MM:
        side = "above" if above_mm > 0.0 else "below"
        yield Remark(
            Weight.MIND,
            f"{asked.name}: its program zero lies {length(abs(above_mm), units)} {units} {side} the plane through its "
            "three points; state origin if that is not meant",
        )


LONGEST_LIST = 80
"""Characters up to which several operations are told by their names, else by their numbers on the sheet."""


def alerts(worked: EvaluatedJob, units: str) -> tuple[str, ...]:
    """Every remark that is more than a note, in the job's order.

    Parameters
    ----------
    worked : Worked
    units : str
        "mm" or "inch".

    Returns
    -------
    tuple of str
        Operations of which the same is said share one remark.
    """
    weighty = [one.words for one in remarks(worked, units) if one.weight is not Weight.NOTE]
    return merged(weighty, worked.operations)


def merged(words: Sequence[str], operations: Sequence[NumberedOperation]) -> tuple[str, ...]:
    """Remarks that say the same of several operations as one, at the place of the first.

    Parameters
    ----------
    words : sequence of str
        A remark about an operation begins with its name and a colon.
    operations : sequence of Numbered
        In order, so that a run of repeats can be named by its ends.
    """
    names = [one.placed.name for one in operations]
    longest_first = sorted(range(len(names)), key=lambda index: -len(names[index]))
    found: dict[str, list[int]] = {}  # what is said, and of which operations; no one means of the job
    for said in words:
        index = next((i for i in longest_first if said.startswith(f"{names[i]}: ")), None)
        if index is None:
            found[said] = []
        else:
            found.setdefault(said[len(names[index]) + 2 :], []).append(index)
    return tuple(
        f"{_naming(indices, operations)}: {said}" if indices else said for said, indices in found.items()
    )


def _naming(indices: Sequence[int], operations: Sequence[NumberedOperation]) -> str:
    """Operations by name, three or more neighbouring repeats of one as "port 2 to port 5"; a long list by numbers."""
    named = _joined(
        indices,
        lambda index: operations[index].placed.name,
        lambda index: operations[index].placed.operation == operations[index - 1].placed.operation,
    )
    if len(indices) == 1 or len(named) <= LONGEST_LIST:
        return named
    return "operations " + _joined(indices, lambda index: str(index + 1), lambda _: True)


def _joined(indices: Sequence[int], name: Callable[[int], str], continues: Callable[[int], bool]) -> str:
    """A list in which a run of three or more neighbours, each continuing the one before, is told by its ends."""
    runs: list[list[int]] = []
    for index in sorted(set(indices)):
        if runs and runs[-1][-1] == index - 1 and continues(index):
            runs[-1].append(index)
        else:
            runs.append([index])
    return ", ".join(
        f"{name(run[0])} to {name(run[-1])}" if len(run) > 2 else ", ".join(map(name, run)) for run in runs
    )
