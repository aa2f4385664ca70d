"""Slips that the files give away: a lost minus sign, a plane that faces into the part, and those that a touch-off looks like."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics import (
    Machine,
    PlacedOperation,
    Pose,
    Setup,
    StackStep,
    Travel,
    ZReference,
    compare_touch_off,
    cumulative_frames,
    translation,
)
from kinematics.constants import MM_PER_INCH
from tiltwright.files.job_file import DEFAULT_WITHIN, FORMS
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import (
    FacesDown,
    FacesInward,
    LengthLeftIn,
    OutOfTravel,
    OutsideBlank,
    StackSignLost,
    StepDown,
    TouchMistyped,
)

__all__ = [
    "LEFT_OVER",
    "SlipCause",
    "StatedBlank",
    "faces_down",
    "faces_inward",
    "in_front_mm",
    "length_left_in",
    "out_of_travel",
    "outside_blank",
    "outside_travel",
    "slip_of",
    "stack_sign_lost",
    "stated_blank",
    "steps_down",
    "touch_mistyped",
    "zero_mistyped",
]

_LEAST_MM = 10.0
"""No tool or probe is shorter than this from the gauge line; a smaller difference of its own is no tool length."""

_GAUGE_STEPS_MM = (10.0, 12.7)
"""Setting gauges and the blocks that are put under a tip are whole multiples of 10 mm or half inches ..."""
_LONGEST_GAUGE_MM = 304.8
"""... up to 12 inches."""

LEFT_OVER = 0.01
"""A slip explains a difference when no more than this share of it is left without the slip."""


def length_left_in(evaluated: EvaluatedJob) -> LengthLeftIn | None:
    """A tool, probe or gauge length that the touch-off's Z looks wrong by; None where it does not.

    The difference counts as such a length when what is left without it would pass as a touch-off by the default
    tolerance. So X and Y must agree to that, and a stated length must explain Z to that. The job's own tolerance has no
    say: a tight one would hide the reason for a refusal, a wide one would find it everywhere.
    """
    touch, touched = evaluated.touch, evaluated.job.touched
    if touch is None or touched is None:
        return None
    unit = evaluated.job.unit
    near_mm = unit.to_mm(DEFAULT_WITHIN[unit.value])
    x, y, z = _machine_difference_mm(evaluated).tolist()
    aside_mm = float(np.hypot(x, y))
    if aside_mm > near_mm or touch.distance_mm <= near_mm:
        return None

    def explains(length_mm: float) -> bool:
        # A length must cover more than it leaves open.
        return length_mm > 2.0 * near_mm and float(np.hypot(aside_mm, abs(z) - length_mm)) <= near_mm

    step = next(
        (step.name for step in evaluated.job.steps if step.up_mm != 0.0 and explains(abs(step.up_mm))), None
    )
    if abs(float(touched.at_mm[2])) <= near_mm:
        return LengthLeftIn(z, "Z of zero", None, None, step)
    fitting = [
        (source, name, length) for source, name, length in _known_lengths(evaluated) if explains(length)
    ]
    if fitting:
        source, name, length_mm = min(fitting, key=lambda one: abs(abs(z) - one[2]))
        return LengthLeftIn(z, source, name, length_mm, step)
    for whole_mm in _GAUGE_STEPS_MM:
        gauge_mm = whole_mm * round(abs(z) / whole_mm)
        if gauge_mm <= _LONGEST_GAUGE_MM and explains(gauge_mm):
            return LengthLeftIn(z, "gauge length", None, gauge_mm, step)
    return LengthLeftIn(z, "unknown", None, None, step) if abs(z) >= _LEAST_MM else None


def _machine_difference_mm(evaluated: EvaluatedJob) -> NDArray[np.float64]:
    """Touched minus stack in machine directions at the pose of the touch-off."""
    assert evaluated.touch is not None
    assert evaluated.job.touched is not None
    in_part = evaluated.setup.part_in_table.rotation.T @ evaluated.touch.difference_mm
    return np.asarray(evaluated.setup.machine_axes(evaluated.job.touched.machine_deg) @ in_part)


def _known_lengths(evaluated: EvaluatedJob) -> Iterator[tuple[str, str | None, float]]:
    """Lengths that are stated: source, name, millimetres."""
    reference_mm = evaluated.setup.machine.z_reference.tool_length_mm
    for tool in evaluated.job.file.tool:
        length_mm = evaluated.job.unit.to_mm(tool.length)
        yield "tool", tool.name, length_mm
        if reference_mm is not None:
            # Its length offset there is a difference.
            yield "tool", tool.name, abs(length_mm - reference_mm)
    if reference_mm is not None:
        yield "reference tool", None, reference_mm


def touch_mistyped(evaluated: EvaluatedJob) -> TouchMistyped | None:
    """Evidence that the numbers of a touch-off are not those of the display; None where there is none.

    That is a point away from the stack's part zero that the spindle cannot stand over, or one that lost signs, the other
    unit, or the other sign of one angle of its pose, would bring to the stack's part zero: to the default tolerance, or
    all but a hundredth of the way.
    """
    touch, touched = evaluated.touch, evaluated.job.touched
    if touch is None or touched is None:
        return None
    unit = evaluated.job.unit
    near_mm = unit.to_mm(DEFAULT_WITHIN[unit.value])
    if touch.distance_mm <= near_mm:
        return None
    outside = _outside(touched.at_mm, evaluated.setup.machine)
    slip = slip_of(evaluated.job.setup, touched.at_mm, touched.machine_deg, near_mm)
    if slip is not None:
        return TouchMistyped(*outside, *slip)
    return TouchMistyped(*outside, "unknown", ()) if outside[0] else None


def zero_mistyped(at_mm: NDArray[np.float64], machine: Machine) -> TouchMistyped | None:
    """Evidence from the travels alone against a part zero that was typed without a job; None where they allow it."""
    outside = _outside(at_mm, machine)
    if not outside[0]:
        return None
    mirrored = _outside(np.where([axis in outside[0] for axis in "XYZ"], -at_mm, at_mm), machine)
    return (
        TouchMistyped(*outside, "unknown", ()) if mirrored[0] else TouchMistyped(*outside, "sign", outside[0])
    )


def _outside(
    at_mm: NDArray[np.float64], machine: Machine
) -> tuple[tuple[str, ...], tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """The axes that rule a point out, its coordinates there, and the ends of their travels."""
    beyond = out_of_travel(at_mm, machine)
    return (
        tuple(one.axis for one in beyond),
        tuple(one.offset_mm for one in beyond),
        tuple(one.low_mm for one in beyond),
        tuple(one.high_mm for one in beyond),
    )


SlipCause = Literal["sign", "mm as inches", "inches as mm", "pose sign"]


def slip_of(
    setup: Setup, at_mm: NDArray[np.float64], machine_deg: NDArray[np.float64], near_mm: float
) -> tuple[SlipCause, tuple[str, ...]] | None:
    """The one slip of the keys that takes a touched-off part zero away from the stack's, and the axes it is in.

    Parameters
    ----------
    setup : Setup
        With part zero from the stack.
    at_mm : ndarray, shape (3,)
        As read.
    machine_deg : ndarray, shape (n,)
        Machine angles it was read at.
    near_mm : float
        Agreement that counts; all but a hundredth of the way counts as well.
    """
    near_mm = max(near_mm, LEFT_OVER * compare_touch_off(setup, at_mm, machine_deg).distance_mm)
    for cause, axes, scale in _SLIPS:
        if compare_touch_off(setup, at_mm * scale, machine_deg).distance_mm <= near_mm:
            return cause, axes
    for k, letter in enumerate(setup.machine.letters):
        pose_deg = machine_deg * np.where(np.arange(len(machine_deg)) == k, -1.0, 1.0)
        if compare_touch_off(setup, at_mm, pose_deg).distance_mm <= near_mm:
            return "pose sign", (letter,)
    return None


_Slip = tuple[SlipCause, tuple[str, ...], NDArray[np.float64]]
"""Slip, the axes it concerns, and factors that put the three numbers right."""


def _slips() -> Iterator[_Slip]:
    """The slips, the likeliest first: one sign, the unit, more signs."""
    for count in (1, 2, 3):
        for lost in combinations(range(3), count):
            scale = np.ones(3)
            scale[list(lost)] = -1.0
            yield "sign", tuple("XYZ"[k] for k in lost), scale
        if count == 1:
            yield "mm as inches", (), np.full(3, 1.0 / MM_PER_INCH)
            yield "inches as mm", (), np.full(3, MM_PER_INCH)


_SLIPS = tuple(_slips())


def out_of_travel(at_mm: NDArray[np.float64], machine: Machine) -> list[OutOfTravel]:
    """Coordinates that the gauge point cannot reach with any tool; Z may be below its travel, since a tool raises it."""
    travel = machine.travel
    if travel is None:
        return []
    return [
        OutOfTravel("XYZ"[k], float(at_mm[k]), float(travel.low_mm[k]), float(travel.high_mm[k]))
        for k in np.flatnonzero(outside_travel(at_mm, travel, machine.z_reference))
    ]


def outside_travel(at_mm: NDArray[np.float64], travel: Travel, z_reference: ZReference) -> NDArray[np.bool_]:
    """Mask of the coordinates (..., 3) that `out_of_travel` names.

    With a reference tool Z is its tip's; the gauge point is lower, and a shorter tool may fit.
    """
    low = np.array([*travel.low_mm[:2], -np.inf])
    gauge = np.array(at_mm, dtype=np.float64)
    gauge[..., 2] = z_reference.to_gauge_line_mm(gauge[..., 2])
    return np.asarray((gauge < low) | (gauge > travel.high_mm))


_UPRIGHT = 0.5
"""The cosine from which on a step still goes up or down, whatever wedges stand below it."""

_LEAN_DEG = 15.0
"""A top that leans less may have its origin at either edge."""

_DOWN_DEG = 2.0
"""A side that leans out less, as a draft or a part a little off square, is no plane that faces down."""

_ON_FACE_MM = 1e-3
"""A zero that lies no deeper under the blank's underside is on it."""

_INWARD_MM = 0.5
"""An origin that lies no farther behind part zero is on it."""

_BESIDE_MM = 5.0
"""A program may have its zero a little beside the blank, where a tool starts; a lost sign takes it farther."""

_MOSTLY = 3.0
"""A plane faces into the blank when more than so many times as much of it lies in front as behind."""

_FEWEST_KNOWN = 2
"""Origins of other operations that tell where the part lies, where no blank is stated."""

_FAR_MORE = 2.0
"""So many times as much behind a plane as in front of it: of simulated parts (tests/campaign/right_planes.py) a third fewer
right planes are asked about than by part zero alone, and no fewer lost signs in all."""

_PARALLEL = 1e-9
"""A direction with a smaller part across a face never meets it."""


def steps_down(evaluated: EvaluatedJob) -> Iterator[StepDown]:
    """Steps of the stack that go down; none where part zero was touched off, since that tells a wrong sign better.

    A minus too many puts part zero lower than it is, and the tool into the part by twice the step. Few stacks go down:
    a part that hangs in a bore, a zero below the top of the jaws. A zero inside the blank, or at its underside, is none of
    these: the step goes down from the blank's top and ends in it.
    """
    if evaluated.touch is not None:
        return
    steps, frames = evaluated.job.steps, cumulative_frames(evaluated.job.steps)
    blanks = [k for k, table in enumerate(evaluated.job.file.stack) if table.blank]
    for place, (step, frame) in enumerate(zip(steps, frames, strict=False)):
        if step.up_mm >= 0.0 or abs(float(frame.rotation[2, 2])) <= _UPRIGHT:
            continue
        end_mm = frames[place + 1].translation_mm
        heights_mm = [(k, float(frames[k].inverse().apply(end_mm)[2])) for k in blanks if k < place]
        if not any(-_ON_FACE_MM <= height <= steps[k].up_mm for k, height in heights_mm):
            yield StepDown(step.name, step.up_mm)


def faces_inward(
    placed: PlacedOperation, evaluated: EvaluatedJob, blank: StatedBlank | None
) -> FacesInward | None:
    """A plane that faces into the part; None where it does not.

    Where the job states a blank, the blank decides. Elsewhere the plane turns its face to part zero, where a face of
    the part turns its back; unless what else is cut lies behind the plane, as where part zero is on a dowel beside
    the part, or at its corner.
    """
    normal = placed.axes[2]
    if normal[2] > math.cos(math.radians(_LEAN_DEG)):
        return None
    if blank is None:
        if in_front_mm(normal, placed.origin_mm) > -_INWARD_MM or _known_behind(placed, evaluated):
            return None
    elif not _faces_into(blank, placed):
        return None
    return FacesInward(_direction_key(placed, evaluated), None if blank is None else blank.name)


def _known_behind(placed: PlacedOperation, evaluated: EvaluatedJob) -> bool:
    """True where what is known of the part lies behind a plane: the origins of its other operations, two at least.

    All of them, as where part zero is on a dowel beside the part; or, part zero with them, far more than lies in front, as
    where it is at a corner. Measured as a blank is: a right plane may lie deep below the top. A plane with a lost sign has the
    part in front.
    """
    normal = placed.axes[2]
    origins = {
        tuple(one.placed.origin_mm.tolist()) for one in evaluated.operations if one.placed.name != placed.name
    }
    if len(origins) < _FEWEST_KNOWN:
        return False
    depths_mm = [float(normal @ (placed.origin_mm - np.array(origin))) for origin in origins]
    if min(depths_mm) > _INWARD_MM:
        return True
    if sum(any(origin) for origin in origins) < _FEWEST_KNOWN:
        return False
    across = _across(normal)
    behind_mm = [
        float(across @ (placed.origin_mm - point)) for point in map(np.array, (*origins, (0.0, 0.0, 0.0)))
    ]
    return max(behind_mm) > _FAR_MORE * max(-min(behind_mm), 0.0)


def faces_down(placed: PlacedOperation, evaluated: EvaluatedJob) -> FacesDown | None:
    """A plane whose direction points below the horizontal of the part; None where it does not, or the file says so.

    The file says so with angles, since no sign of a tilt turns a plane upside down; with a tip beyond 90 degrees; and with
    a direction nearly straight down whose origin lies below part zero: the underside.
    """
    key = _direction_key(placed, evaluated)
    normal = placed.axes[2]
    down_deg = -math.degrees(math.asin(float(np.clip(normal[2], -1.0, 1.0))))
    if key == "at" or down_deg < _DOWN_DEG:
        return None
    tip = evaluated.job.file.operation[placed.operation].tip or ()
    if any(abs(turn_deg) > 90.0 for _, turn_deg in tip):
        return None
    if down_deg > 90.0 - _LEAN_DEG and in_front_mm(normal, placed.origin_mm) > _INWARD_MM:
        return None
    return FacesDown(key, round(down_deg, 1))


def _direction_key(placed: PlacedOperation, evaluated: EvaluatedJob) -> str:
    """The key that gives an operation's direction: "at", "normal", "tip" or "through"."""
    table = evaluated.job.file.operation[placed.operation]
    return next(one for one in FORMS if getattr(table, one) is not None)


def in_front_mm(normal: NDArray[np.float64], origin_mm: NDArray[np.float64]) -> float:
    """Distance that a plane's origin lies in front of part zero along its normal, as a face of the part does.

    A face of a convex part that holds part zero is never behind it. A floor deep in a pocket from above is; so the depth
    below part zero counts only where the plane does not look up.

    Examples
    --------
    >>> side, top = np.array([0.0, -1.0, 0.0]), np.array([0.0, -0.6, 0.8])
    >>> in_front_mm(side, np.array([0.0, -25.0, -10.0])), in_front_mm(side, np.array([0.0, 25.0, -10.0]))
    (25.0, -25.0)
    >>> in_front_mm(top, np.array([0.0, -20.0, -40.0]))  # 20 mm below part zero, on the near side
    12.0
    """
    height_mm = float(normal[2] * origin_mm[2])
    return float(normal[:2] @ origin_mm[:2]) + (max(height_mm, 0.0) if normal[2] > 0.0 else height_mm)


@dataclass(frozen=True)
class StatedBlank:
    """The blank that a job states, in a frame whose origin is the middle of its underside.

    Attributes
    ----------
    name : str
        Of its step.
    from_part : Pose
        From part coordinates into its frame.
    half_mm : tuple of float
        Half the edges of a bar along x and y; one number, its radius, for a round.
    low_mm, high_mm : float
        Its ends along z.
    """

    name: str
    from_part: Pose
    half_mm: tuple[float, ...]
    low_mm: float
    high_mm: float

    def outside_mm(self, at_mm: NDArray[np.float64]) -> float:
        """Distance of a point from it; zero in it and on it."""
        if len(self.half_mm) == 1:
            aside_mm = [float(np.hypot(*at_mm[:2])) - self.half_mm[0]]
        else:
            aside_mm = (np.abs(at_mm[:2]) - self.half_mm).tolist()
        return float(
            np.linalg.norm(np.clip([*aside_mm, self.low_mm - at_mm[2], at_mm[2] - self.high_mm], 0, None))
        )

    def nearest_mm(self, at_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """The point of it that is nearest to `at_mm`."""
        if len(self.half_mm) == 1:
            away_mm = float(np.hypot(*at_mm[:2]))
            plan_mm = at_mm[:2] * min(1.0, self.half_mm[0] / away_mm if away_mm else 1.0)
        else:
            plan_mm = np.clip(at_mm[:2], np.negative(self.half_mm), self.half_mm)
        return np.array([*plan_mm, np.clip(at_mm[2], self.low_mm, self.high_mm)])

    def out_mm(self, at_mm: NDArray[np.float64], along: NDArray[np.float64]) -> float:
        """Distance from a point in the blank along a direction, in its lengths, until the blank is left."""
        ends = [math.inf]
        if abs(along[2]) > _PARALLEL:
            ends.append(((self.high_mm if along[2] > 0.0 else self.low_mm) - at_mm[2]) / along[2])
        if len(self.half_mm) == 1:
            square, middle = float(along[:2] @ along[:2]), float(along[:2] @ at_mm[:2])
            inside = self.half_mm[0] ** 2 - float(at_mm[:2] @ at_mm[:2])
            if square > _PARALLEL**2:
                ends.append((math.sqrt(max(middle**2 + square * inside, 0.0)) - middle) / square)
        else:
            ends += [
                (math.copysign(half, part) - at) / part
                for half, part, at in zip(self.half_mm, along, at_mm, strict=False)
                if abs(part) > _PARALLEL
            ]
        return max(min(ends), 0.0)


def stated_blank(evaluated: EvaluatedJob) -> StatedBlank | None:
    """The blank of the stack, where its section is stated; else the part itself, where a solid states it."""
    tables = evaluated.job.file.stack
    place = next((k for k, table in enumerate(tables) if table.blank and (table.round or table.bar)), None)
    if place is None:
        return _stated_part(evaluated)
    step, table, unit = evaluated.job.steps[place], tables[place], evaluated.job.unit
    frames = cumulative_frames(evaluated.job.steps)
    underside = translation(*step.shift_mm, 0.0)
    across = (table.round,) if table.round is not None else (table.bar or ())
    low_mm, high_mm = sorted((0.0, step.up_mm))
    return StatedBlank(
        step.name,
        underside.inverse() @ frames[place].inverse() @ frames[-1],
        tuple(unit.to_mm(edge) / 2.0 for edge in across),
        low_mm,
        high_mm,
    )


def _stated_part(evaluated: EvaluatedJob) -> StatedBlank | None:
    """The part as the one solid on it states it: a box, or a cylinder along z."""
    unit, nest = evaluated.job.unit, evaluated.job.nest
    # On the part of no nest by name, it is on every nest's.
    solids = [one for one in evaluated.job.file.solid if one.on == "part" and one.nest in (None, nest)]
    if len(solids) != 1:
        # A part of several solids is as wide as none of them.
        return None
    box, cylinder = solids[0].box, solids[0].cylinder
    if box is not None:
        low, high = (np.array([unit.to_mm(value) for value in corner]) for corner in (box.low, box.high))
        half = (high - low) / 2.0
        middle = (low + high) / 2.0
        across_mm: tuple[float, ...] = (float(half[0]), float(half[1]))
    elif cylinder is not None and cylinder.start[:2] == cylinder.end[:2]:
        ends = np.array([[unit.to_mm(value) for value in end] for end in (cylinder.start, cylinder.end)])
        low, high = ends.min(axis=0), ends.max(axis=0)
        middle = low
        across_mm = (unit.to_mm(max(cylinder.diameter, cylinder.end_diameter or 0.0)) / 2.0,)
    else:
        return None
    to_middle = translation(-float(middle[0]), -float(middle[1]), -float(low[2]))
    return StatedBlank(solids[0].name, to_middle, across_mm, 0.0, float(high[2] - low[2]))


def _faces_into(blank: StatedBlank, placed: PlacedOperation) -> bool:
    """True where the blank lies in front of a plane, and next to nothing of it behind.

    Asked across the blank, since a right plane may lie deep under the top: several times as much in front as behind. An
    origin inside it, where two axes meet, has much on both sides. And a plane that leaves the blank upward before it
    leaves it behind is one of a bowl.
    """
    at_mm = blank.nearest_mm(blank.from_part.apply(placed.origin_mm))
    normal = blank.from_part.rotate(placed.axes[2])
    across = _across(normal)
    ahead, behind = blank.out_mm(at_mm, across), blank.out_mm(at_mm, -across)
    return ahead > _MOSTLY * behind and blank.out_mm(at_mm, normal) >= blank.out_mm(at_mm, -normal)


def _across(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """A plane's normal without the part of it that looks up."""
    return np.array([normal[0], normal[1], min(normal[2], 0.0)])


def outside_blank(placed: PlacedOperation, blank: StatedBlank | None) -> OutsideBlank | None:
    """An origin well outside the blank, where the job states one; None where it is in it, or at its faces."""
    if blank is None:
        return None
    outside_mm = blank.outside_mm(blank.from_part.apply(placed.origin_mm))
    return OutsideBlank(blank.name, outside_mm) if outside_mm > _BESIDE_MM else None


def stack_sign_lost(evaluated: EvaluatedJob) -> StackSignLost | None:
    """The steps of which one with the other sign would put part zero where it was touched off; None where none would.

    Counted as `touch_mistyped` counts: to the default tolerance, or all but a hundredth of the way.
    """
    touch = evaluated.touch
    if touch is None:
        return None
    unit, steps = evaluated.job.unit, evaluated.job.steps
    near_mm = unit.to_mm(DEFAULT_WITHIN[unit.value])
    if touch.distance_mm <= near_mm:
        return None
    found = []
    for place, step in enumerate(steps):
        for key, turned in _other_signs(step):
            meant = (*steps[:place], turned, *steps[place + 1 :])
            left = touch.touched_mm - cumulative_frames(meant)[-1].translation_mm
            if float(np.linalg.norm(left)) <= max(near_mm, LEFT_OVER * touch.distance_mm):
                found.append((step.name, key))
    return StackSignLost(tuple(name for name, _ in found), tuple(key for _, key in found)) if found else None


def _other_signs(step: StackStep) -> Iterator[tuple[str, StackStep]]:
    """The step with one sign changed at a time, and the key that holds it."""
    x, y = step.shift_mm
    if step.up_mm:
        yield "up", replace(step, up_mm=-step.up_mm)
    if x:
        yield "shift x", replace(step, shift_mm=(-x, y))
    if y:
        yield "shift y", replace(step, shift_mm=(x, -y))
    for place, (axis, turn_deg) in enumerate(step.rotate):
        other = (*step.rotate[:place], (axis, -turn_deg), *step.rotate[place + 1 :])
        yield f"rotate {axis}", replace(step, rotate=other)
    if step.turn_deg:
        yield "turn", replace(step, turn_deg=-step.turn_deg)
