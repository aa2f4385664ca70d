"""Aim where a direction may miss by a little: at a limit that is a hair too near, and where a turn hardly matters.

Measured lines are never quite square. A side face then wants a tilt of 90.0004 where the limit is 90, and a face whose
normal lies a thousandth of a degree from the last rotary's line wants that rotary anywhere. A job says how far a
direction may miss; within that, standing at the limit and leaving the last rotary alone are right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.aiming import (
    Aim,
    Solution,
    TiltSign,
    aim,
    in_order,
    signed_tilt_deg,
    solution_at,
    wrong_sign,
)
from kinematics.angles import SNAP_DEG
from kinematics.arrays import unit
from kinematics.bringing import held_rotaries
from kinematics.machine import SPINDLE, Machine, table_pose
from kinematics.pose import turn_about
from kinematics.triangle import between_rad

__all__ = ["aim_within"]

_MOST_MOVING = 2


def aim_within(
    machine: Machine,
    direction: ArrayLike,
    previous_deg: ArrayLike,
    within_deg: float,
    *,
    held_deg: Mapping[str, float] | None = None,
    tilt: TiltSign | None = None,
    rotary_offset_deg: ArrayLike | None = None,
    free_too: bool = True,
) -> Aim:
    """Every way to bring one direction to within so many degrees of the spindle, ordered by least motion.

    As `aim`, and beside its exact solutions: where the direction lies within that of the last moving rotary's line,
    that rotary counts as free; a solution that a limit stops by so little stands at the limit. With more than two
    rotaries free to move, others than the outermost are held as well before the answer is no.

    Parameters
    ----------
    machine, direction, previous_deg, held_deg, tilt, rotary_offset_deg
        As `aim` takes them.
    within_deg : float
        How far the direction may stay from the spindle.
    free_too : bool
        Whether a last rotary that hardly matters counts as free.

    Returns
    -------
    Aim
        Its `short_deg` is that of its best solution.

    Raises
    ------
    KinematicsError
        As `aim`.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import Rotary, Sense
    >>> b = Rotary("B", [0, 0, 0], [0, 1, 0], Sense.COUNTERCLOCKWISE, (-30.0, 90.0))
    >>> c = Rotary("C", [0, 0, 0], [0, 0, 1], Sense.COUNTERCLOCKWISE, None)
    >>> mill = Machine("mill", (b, c), Platter(face_mm=0.0))
    >>> found = aim_within(mill, [-1.0, 0.0, -1e-5], [0, 0], 0.01)
    >>> found.best.machine_deg, round(found.short_deg, 6)
    ((90.0, 0.0), 0.000573)
    >>> aim_within(mill, [-1.0, 0.0, -1e-5], [0, 0], 0.0001).best is None
    True
    """
    held = dict(held_deg or {})

    def exactly(more: Mapping[str, float]) -> Aim:
        return aim(
            machine,
            direction,
            previous_deg,
            held_deg={**held, **more},
            tilt=tilt,
            rotary_offset_deg=rotary_offset_deg,
        )

    previous = machine.angles(previous_deg)
    offset = machine.angles(
        np.zeros(len(machine.rotaries)) if rotary_offset_deg is None else rotary_offset_deg
    )
    wanted = unit(direction, "direction").reshape(3)
    letter = _hardly_turned(machine, wanted, previous, held, within_deg) if free_too else None
    if letter is not None:
        kept = exactly({letter: float(previous[machine.index(letter)])})
        if kept.reaches(within_deg):
            return replace(kept, free=(letter,))

    def nearly(more: Mapping[str, float]) -> Aim:
        return _at_limits(
            machine, wanted, previous, offset, exactly(more), within_deg, {**held, **more}, tilt
        )

    found = nearly({})
    moving = [letter for letter in machine.letters if letter not in held]
    if found.reaches(within_deg) or len(moving) <= _MOST_MOVING:
        return found
    others = []
    for kept_too in combinations(moving, len(moving) - _MOST_MOVING):
        ways = nearly({letter: float(previous[machine.index(letter)]) for letter in kept_too})
        if ways.reaches(within_deg):
            others.append(ways)
    return min(others, key=lambda ways: ways.solutions[0].cost_deg) if others else found


def _hardly_turned(
    machine: Machine,
    wanted: NDArray[np.float64],
    previous: NDArray[np.float64],
    held_deg: Mapping[str, float],
    within_deg: float,
) -> str | None:
    """The last of two moving rotaries, where the direction lies along its line to within so much."""
    fixed = held_rotaries(machine, previous, held_deg)
    moving = [i for i in range(len(machine.rotaries)) if i not in fixed]
    if len(moving) != _MOST_MOVING:
        return None
    last = moving[-1]
    for i in range(len(machine.rotaries) - 1, last, -1):
        rotary = machine.rotaries[i]
        wanted = turn_about(rotary.direction, rotary.turn_deg(fixed[i])) @ wanted
    off_line = float(np.degrees(np.arcsin(np.sin(between_rad(machine.rotaries[last].direction, wanted)))))
    return machine.letters[last] if off_line <= within_deg else None


def _at_limits(
    machine: Machine,
    wanted: NDArray[np.float64],
    previous: NDArray[np.float64],
    offset: NDArray[np.float64],
    ways: Aim,
    within_deg: float,
    held_deg: Mapping[str, float],
    tilt: TiltSign | None,
) -> Aim:
    """The ways, and those that stand at a limit instead of a hair beyond it."""
    fixed = held_rotaries(machine, previous, held_deg)
    tilting = next(i for i in range(len(machine.rotaries)) if i not in fixed)
    more: list[Solution] = []
    for way in ways.solutions:
        stands = [
            angle if rotary.limits_deg is None else float(np.clip(angle, *rotary.limits_deg))
            for rotary, angle in zip(machine.rotaries, way.machine_deg, strict=True)
        ]
        zero_deg, letter = float(offset[tilting]), machine.letters[tilting]
        if wrong_sign(letter, signed_tilt_deg(machine, tilting, stands[tilting] - zero_deg), tilt):
            # A tilt of a hair to the wrong side is none at all, which has both signs.
            stands[tilting] = zero_deg
        if (
            way.fits
            or tuple(stands) == way.machine_deg
            or not machine.rotaries[tilting].within(stands[tilting])
        ):
            continue
        off = float(np.degrees(between_rad(table_pose(machine, stands).turn(wanted), np.array(SPINDLE))))
        if off <= within_deg:
            more.append(solution_at(machine, tuple(stands), previous, (), off if off > SNAP_DEG else 0.0))
    if not more:
        return ways
    ordered = in_order([*ways.solutions, *more], tilting)
    return Aim(ordered, ways.free, ordered[0].short_deg)
