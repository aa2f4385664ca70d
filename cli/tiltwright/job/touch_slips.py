"""Slips that a touch-off looks like: a length left in its Z, a lost minus sign, the other unit, a point outside the travels."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, Setup, Travel, ZReference, compare_touch_off
from kinematics.constants import MM_PER_INCH
from tiltwright.files.job_file import DEFAULT_WITHIN
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import LengthLeftIn, OutOfTravel, TouchMistyped

__all__ = [
    "LEFT_OVER",
    "SlipCause",
    "length_left_in",
    "out_of_travel",
    "outside_travel",
    "slip_of",
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
    """What says that the numbers of a touch-off are not those of the display; None where nothing does.

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
    """What the travels alone say against a part zero that was typed without a job; None where they allow it."""
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
"""What went wrong, the axes it went wrong at, and factors that put the three numbers right."""


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
