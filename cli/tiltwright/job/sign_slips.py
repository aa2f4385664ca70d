"""Slips of a sign that the files give away: a step that goes down, a plane that faces into the part, an origin in the air."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import PlacedOperation, Pose, StackStep, cumulative_frames, translation
from tiltwright.files.job_file import DEFAULT_WITHIN, FORMS
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import FacesDown, FacesInward, OutsideBlank, StackSignLost, StepDown
from tiltwright.job.touch_slips import LEFT_OVER

__all__ = [
    "StatedBlank",
    "faces_down",
    "faces_inward",
    "in_front_mm",
    "outside_blank",
    "stack_sign_lost",
    "stated_blank",
    "steps_down",
]

_UPRIGHT = 0.5
"""The cosine from which on a step still goes up or down, whatever wedges stand below it."""

_LEAN_DEG = 15.0
"""A top that leans less may have its origin at either edge."""

_DOWN_DEG = 2.0
"""A side that leans out less, as a draft or a part a little off square, is no plane that faces down."""

_INWARD_MM = 0.5
"""An origin that lies no farther behind part zero is on it."""

_BESIDE_MM = 5.0
"""A program may have its zero a little beside the blank, where a tool starts; a lost sign takes it farther."""

_MOSTLY = 3.0
"""A plane faces into the blank when more than so many times as much of it lies in front as behind."""

_PARALLEL = 1e-9
"""A direction with a smaller part across a face never meets it."""


def steps_down(evaluated: EvaluatedJob) -> Iterator[StepDown]:
    """Steps of the stack that go down; none where part zero was touched off, since that tells a wrong sign better.

    A minus too many puts part zero lower than it is, and the tool into the part by twice the step. Few stacks go down:
    a part that hangs in a bore, a zero below the top of the jaws.
    """
    if evaluated.touch is not None:
        return
    for step, frame in zip(evaluated.job.steps, cumulative_frames(evaluated.job.steps), strict=False):
        if step.up_mm < 0.0 and abs(float(frame.rotation[2, 2])) > _UPRIGHT:
            yield StepDown(step.name, step.up_mm)


def faces_inward(
    placed: PlacedOperation, evaluated: EvaluatedJob, blank: StatedBlank | None
) -> FacesInward | None:
    """A plane that faces into the part; None where it does not.

    Where the job states a blank, the blank decides. Elsewhere the plane turns its face to part zero, where a face of
    the part turns its back.
    """
    normal = placed.axes[2]
    if normal[2] > math.cos(math.radians(_LEAN_DEG)):
        return None
    if blank is None:
        if in_front_mm(normal, placed.origin_mm) > -_INWARD_MM:
            return None
    elif not _faces_into(blank, placed):
        return None
    return FacesInward(_direction_key(placed, evaluated), None if blank is None else blank.name)


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
        """How far it is from a point in the blank along a direction, in its lengths, until it is left."""
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
    """The blank of the stack, where its section is stated."""
    tables = evaluated.job.file.stack
    place = next((k for k, table in enumerate(tables) if table.blank and (table.round or table.bar)), None)
    if place is None:
        return None
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


def _faces_into(blank: StatedBlank, placed: PlacedOperation) -> bool:
    """True where the blank lies in front of a plane, and next to nothing of it behind.

    Asked across the blank, since a right plane may lie deep under the top: several times as much in front as behind. An
    origin inside it, where two axes meet, has much on both sides. And a plane that leaves the blank upward before it
    leaves it behind is one of a bowl.
    """
    at_mm = blank.nearest_mm(blank.from_part.apply(placed.origin_mm))
    normal = blank.from_part.rotate(placed.axes[2])
    across = np.array([normal[0], normal[1], min(normal[2], 0.0)])
    ahead, behind = blank.out_mm(at_mm, across), blank.out_mm(at_mm, -across)
    return ahead > _MOSTLY * behind and blank.out_mm(at_mm, normal) >= blank.out_mm(at_mm, -normal)


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
