"""Aim: every way that brings a direction of the work to the spindle within the limits, the least motion first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.arrays import unit
from kinematics.bringing import bring_to_spindle, held_rotaries
from kinematics.machine import Machine
from kinematics.rotary import Rotary

__all__ = ["Aim", "Solution", "TiltSign", "aim", "in_order", "signed_tilt_deg", "solution_at", "wrong_sign"]

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
        See `bring_to_spindle`.
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
        As `bring_to_spindle`.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import Sense
    >>> a = Rotary("A", [0, 0, 0], [1, 0, 0], Sense.CLOCKWISE, (-120.0, 30.0))
    >>> c = Rotary("C", [0, 0, 0], [0, 0, 1], Sense.CLOCKWISE, None)
    >>> found = aim(Machine("mill", (a, c), Platter(face_mm=0.0)), [0, -1, 1], [0, 0])
    >>> [round(angle, 6) for angle in found.best.machine_deg]
    [-45.0, 180.0]
    >>> found.solutions[1].why_out
    ('A would stand at 45.0000, its limits are -120 to 30: 15.0000 degrees too far',)
    """
    found = bring_to_spindle(machine, unit(direction, "direction").reshape(3), previous_deg, held_deg)
    previous = machine.angles(previous_deg)
    offset = machine.angles(
        np.zeros(len(machine.rotaries)) if rotary_offset_deg is None else rotary_offset_deg
    )
    fixed = held_rotaries(machine, previous, held_deg or {})
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
        fitting = rotary.every_wrap_deg(angles[i], float(offset[i])).tolist()
        nearest = sorted(fitting, key=lambda way, start=previous[i]: abs(way - start))[:_MOST_WRAPS]  # type: ignore[misc]
        ways.append([(way, []) for way in nearest] or [_nearest_outside(rotary, angles[i])])
    return [
        (tuple(way for way, _ in combined), [reason for _, reasons in combined for reason in reasons])
        for combined in product(*ways)
    ]


def _nearest_outside(rotary: Rotary, angle: float) -> tuple[float, list[str]]:
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
