"""Slips of a sign that the files give away: a step that goes down, a plane that faces into the part, an origin in the air."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics import PlacedOperation, StackStep, cumulative_frames
from tiltwright.files.job_file import DEFAULT_WITHIN
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import FacesInward, OutsideBlank, StackSignLost, StepDown

__all__ = ["faces_inward", "in_front_mm", "outside_blank", "stack_sign_lost", "steps_down"]

_UPRIGHT = 0.5
"""The cosine from which on a step still goes up or down, whatever wedges stand below it."""

_LEAN_DEG = 15.0
"""A top that leans less may have its origin at either edge."""

_INWARD_MM = 0.5
"""An origin that lies no farther behind part zero is on it."""

_BESIDE_MM = 5.0
"""A program may have its zero a little beside the blank, where a tool starts; a lost sign takes it farther."""

_LEFT_OVER = 0.01
"""A slip explains a difference when no more than this share of it is left without the slip."""


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


def faces_inward(placed: PlacedOperation, evaluated: EvaluatedJob) -> FacesInward | None:
    """A plane that turns its face to part zero where a face of the part turns its back; None where it does not."""
    normal = placed.axes[2]
    if normal[2] > math.cos(math.radians(_LEAN_DEG)) or in_front_mm(normal, placed.origin_mm) > -_INWARD_MM:
        return None
    table = evaluated.job.file.operation[placed.operation]
    key = next(one for one in ("at", "normal", "tip", "through") if getattr(table, one) is not None)
    return FacesInward(key)


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


def outside_blank(placed: PlacedOperation, evaluated: EvaluatedJob) -> OutsideBlank | None:
    """An origin well outside the blank, where the job states one; None where it is in it, or at its faces."""
    tables = evaluated.job.file.stack
    place = next((k for k, table in enumerate(tables) if table.blank and (table.round or table.bar)), None)
    if place is None:
        return None
    step, table, unit = evaluated.job.steps[place], tables[place], evaluated.job.unit
    frames = cumulative_frames(evaluated.job.steps)
    at_mm = (frames[place].inverse() @ frames[-1]).apply(placed.origin_mm) - np.array([*step.shift_mm, 0.0])
    if table.round is not None:
        aside_mm = [float(np.hypot(*at_mm[:2])) - unit.to_mm(table.round) / 2.0]
    else:
        half_mm = [unit.to_mm(edge) / 2.0 for edge in table.bar or ()]
        aside_mm = (np.abs(at_mm[:2]) - half_mm).tolist()
    low_mm, high_mm = sorted((0.0, step.up_mm))
    outside = np.clip([*aside_mm, low_mm - at_mm[2], at_mm[2] - high_mm], 0.0, None)
    outside_mm = float(np.linalg.norm(outside))
    return OutsideBlank(step.name, outside_mm) if outside_mm > _BESIDE_MM else None


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
            if float(np.linalg.norm(left)) <= max(near_mm, _LEFT_OVER * touch.distance_mm):
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
