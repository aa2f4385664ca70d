"""Inverse kinematics: rotary angles within their limits that bring a direction of the part to the spindle.

Measured lines are never quite square. A side face then wants a tilt of 90.0004 where the limit is 90, and a face whose
normal lies a thousandth of a degree from the last rotary's line wants that rotary anywhere. A job says how far a
direction may miss; within that, standing at the limit and leaving the last rotary alone are right.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.forward import table_pose
from kinematics.machine import SPINDLE, Machine
from kinematics.orientation import held_axes, orientation_solutions
from kinematics.rotary import RotaryAxis
from kinematics.spherical_triangle import angle_between_rad
from kinematics.transform import rotation_about_axis
from kinematics.validation import normalized

__all__ = [
    "Aim",
    "Solution",
    "TiltSign",
    "aim",
    "aim_within",
    "in_order",
    "signed_tilt_deg",
    "solution_at",
    "wrong_sign",
]

TiltSign = Literal["positive", "negative"]

_ALIKE_DEG = 10.0 * SNAP_DEG
"""Solutions whose angles all agree to this are one."""

_MOST_WRAPS = 99
"""Of a rotary that can wind up more often than that, the nearest ones: nobody unwinds a hundred turns."""


@dataclass(frozen=True)
class Solution:
    """One way to stand.

    Attributes
    ----------
    machine_deg : tuple of float
        Machine angles, from the base outward.
    move_deg : tuple of float
        The signed moves there from the previous angles.
    cost_deg : float
        The moves' sizes added up.
    why_out : tuple of str
        Why it cannot be used, one reason each; empty when it can.
    short_deg : float
        How far it leaves the direction from the spindle.
    """

    machine_deg: tuple[float, ...]
    move_deg: tuple[float, ...]
    cost_deg: float
    why_out: tuple[str, ...] = ()
    short_deg: float = 0.0

    @property
    def fits(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.why_out


@dataclass(frozen=True)
class Aim:
    """Every way to bring one direction to the spindle, the cheapest that fits first.

    Attributes
    ----------
    solutions : tuple of Solution
        Those that fit, cheapest first; then those that do not, with the reason.
    free : tuple of str
        Letters of rotaries whose angle does not matter; they were kept.
    short_deg : float
        How far the direction stays from the spindle at best; 0 when it gets there.
    """

    solutions: tuple[Solution, ...]
    free: tuple[str, ...]
    short_deg: float

    @property
    def best(self) -> Solution | None:
        """The cheapest that fits, None when none does."""
        first = self.solutions[0]
        return first if first.fits else None

    def reaches(self, within_deg: float) -> bool:
        """Whether one fits that leaves the direction within so many degrees of the spindle."""
        return self.best is not None and self.short_deg <= within_deg


def aim(
    machine: Machine,
    direction: ArrayLike,
    previous_deg: ArrayLike,
    *,
    held_deg: Mapping[str, float] | None = None,
    tilt: TiltSign | None = None,
    rotary_offset_deg: ArrayLike | None = None,
) -> Aim:
    """Every way to bring one direction to the spindle within the limits, ordered by least motion.

    Motion is the sum of what each rotary turns from the previous angles (an endless one the short way round).
    Ties go to the smaller tilt, then to the smaller angles, so that the order never depends on rounding.

    Parameters
    ----------
    machine : Machine
    direction : array_like, shape (3,)
        Outward, in machine coordinates at the all-zero pose.
    previous_deg : array_like, shape (n,)
        Machine angles that the rotaries come from.
    held_deg : mapping of letter to machine angle, optional
        See `orientation_solutions`.
    tilt : "positive" or "negative", optional
        The sign that the outermost moving rotary's *program* angle must have; 0 has both.
    rotary_offset_deg : array_like, shape (n,), optional
        Rotary work offsets (program angle = machine angle - offset); none if left out.

    Returns
    -------
    Aim

    Raises
    ------
    KinematicsError
        As `orientation_solutions`.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotationSense
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> found = aim(Machine("mill", (a, c), Platter(face_mm=0.0)), [0, -1, 1], [0, 0])
    >>> [round(angle, 6) for angle in found.best.machine_deg]
    [-45.0, 180.0]
    >>> found.solutions[1].why_out
    ('A would stand at 45.0000, its limits are -120 to 30: 15.0000 degrees too far',)
    """
    found = orientation_solutions(
        machine, normalized(direction, "direction").reshape(3), previous_deg, held_deg
    )
    previous = machine.angles(previous_deg)
    offset = machine.angles(
        np.zeros(len(machine.rotaries)) if rotary_offset_deg is None else rotary_offset_deg
    )
    fixed = held_axes(machine, previous, held_deg or {})
    tilting = next(i for i in range(len(machine.rotaries)) if i not in fixed)
    solutions: list[Solution] = []
    short_deg = float(found.short_deg) if found.short_deg > SNAP_DEG else 0.0
    for angles in found.machine_deg:
        for machine_deg, outside in _wraps(machine, angles.tolist(), previous, offset):
            program_tilt = signed_tilt_deg(machine, tilting, machine_deg[tilting] - offset[tilting])
            reasons = [*outside, *wrong_sign(machine.letters[tilting], program_tilt, tilt)]
            if not any(np.allclose(machine_deg, s.machine_deg, rtol=0.0, atol=_ALIKE_DEG) for s in solutions):
                solutions.append(solution_at(machine, machine_deg, previous, reasons, short_deg))
    free = tuple(letter for letter, loose in zip(machine.letters, found.free.tolist(), strict=True) if loose)
    return Aim(in_order(solutions, tilting), free, short_deg)


def solution_at(
    machine: Machine,
    machine_deg: tuple[float, ...],
    previous: NDArray[np.float64],
    reasons: Iterable[str],
    short_deg: float,
) -> Solution:
    """A pose with the moves that lead there."""
    moves = tuple(
        float(rotary.move_deg(start, end)) + 0.0
        for rotary, start, end in zip(machine.rotaries, previous, machine_deg, strict=True)
    )
    return Solution(machine_deg, moves, float(sum(abs(move) for move in moves)), tuple(reasons), short_deg)


def in_order(solutions: Iterable[Solution], tilting: int) -> tuple[Solution, ...]:
    """Solutions, the best first; `tilting` is the outermost rotary that moves."""
    return tuple(sorted(solutions, key=lambda s: _rank(s, tilting)))


def _rank(solution: Solution, tilting: int) -> tuple[object, ...]:
    """Sorting key: usable first, least motion, smaller tilt, smaller angles, and of two alike the positive one."""
    sizes = tuple(round(abs(angle), 6) for angle in solution.machine_deg)
    signs = tuple(angle < 0.0 for angle in solution.machine_deg)
    return not solution.fits, round(solution.cost_deg, 6), sizes[tilting], sizes, signs


def _wraps(
    machine: Machine, angles: list[float], previous: NDArray[np.float64], offset: NDArray[np.float64]
) -> list[tuple[tuple[float, ...], list[str]]]:
    """Every combination of wraps that fits; where a rotary has none, its nearest with the reason."""
    ways: list[list[tuple[float, list[str]]]] = []
    for i, rotary in enumerate(machine.rotaries):
        fitting = rotary.equivalent_angles_deg(angles[i], float(offset[i])).tolist()
        nearest = sorted(fitting, key=lambda way, start=previous[i]: abs(way - start))[:_MOST_WRAPS]  # type: ignore[misc]
        ways.append([(way, []) for way in nearest] or [_nearest_outside(rotary, angles[i])])
    return [
        (tuple(way for way, _ in combined), [reason for _, reasons in combined for reason in reasons])
        for combined in product(*ways)
    ]


def _nearest_outside(rotary: RotaryAxis, angle: float) -> tuple[float, list[str]]:
    assert rotary.limits_deg is not None  # an endless rotary always fits
    low, high = rotary.limits_deg
    above = high + float(wrap_deg(angle - high))
    below = low - float(wrap_deg(low - angle))
    nearest, over = (above, above - high) if above - high <= low - below else (below, low - below)
    reason = f"{rotary.letter} would stand at {nearest:.4f}, its limits are {low:g} to {high:g}: "
    return nearest, [
        reason + f"{over:.4f} degrees too far" if over >= 5e-5 else f"{reason}{over:.0e} degrees too far"
    ]


def wrong_sign(letter: str, program_deg: float, tilt: TiltSign | None) -> list[str]:
    """Whether a tilt has another sign than was asked for."""
    sign = -1.0 if tilt == "negative" else 1.0
    if tilt is None or sign * program_deg >= -SNAP_DEG:
        return []
    return [f"{letter} would be programmed at {program_deg:.4f}, a {tilt} tilt was asked for"]


def signed_tilt_deg(machine: Machine, tilting: int, program_deg: float) -> float:
    """A program angle with the sign that a tilt has: an endless rotary's 330 degrees are a tilt of -30."""
    if machine.rotaries[tilting].limits_deg is not None:
        return float(program_deg)
    return float(wrap_deg(program_deg, low_deg=-180.0))


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
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> b = RotaryAxis("B", [0, 0, 0], [0, 1, 0], RotationSense.COUNTERCLOCKWISE, (-30.0, 90.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
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
    wanted = normalized(direction, "direction").reshape(3)
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
    fixed = held_axes(machine, previous, held_deg)
    moving = [i for i in range(len(machine.rotaries)) if i not in fixed]
    if len(moving) != _MOST_MOVING:
        return None
    last = moving[-1]
    for i in range(len(machine.rotaries) - 1, last, -1):
        rotary = machine.rotaries[i]
        wanted = rotation_about_axis(rotary.direction, rotary.turn_deg(fixed[i])) @ wanted
    off_line = float(
        np.degrees(np.arcsin(np.sin(angle_between_rad(machine.rotaries[last].direction, wanted))))
    )
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
    fixed = held_axes(machine, previous, held_deg)
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
        off = float(
            np.degrees(angle_between_rad(table_pose(machine, stands).rotate(wanted), np.array(SPINDLE)))
        )
        if off <= within_deg:
            more.append(solution_at(machine, tuple(stands), previous, (), off if off > SNAP_DEG else 0.0))
    if not more:
        return ways
    ordered = in_order([*ways.solutions, *more], tilting)
    return Aim(ordered, ways.free, ordered[0].short_deg)
