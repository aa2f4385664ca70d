"""The angles that bring directions of the work to the spindle, as the triangle gives them: limits aside.

Closed form, for any one or two rotary directions, square or not: `triangle` has the geometry.

More than two rotaries leave a choice: all but two are held, by name or from the base outward.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import wrap_deg
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.spherical_triangle import (
    FREE_WITHIN_RAD,
    angle_between_rad,
    azimuth_rad,
    solve_one_axis,
    solve_two_axes,
)
from kinematics.transform import rotation_about_axis
from kinematics.validation import cross, normalized, read_only

__all__ = ["OrientationSolutions", "angle_to_align", "held_axes", "orientation_solutions"]


@dataclass(frozen=True, eq=False)
class OrientationSolutions:
    """What `orientation_solutions` found, for directions of leading shape (...) and n rotaries.

    Attributes
    ----------
    machine_deg : ndarray, shape (..., 2, n)
        Both solutions, as machine angles not yet wrapped into limits. They are the same where there is one only.
    short_deg : ndarray, shape (...)
        How far from the spindle the nearest reachable pose leaves the direction; 0 where it is reached.
    free : ndarray of bool, shape (..., n)
        Rotaries whose angle does not matter there; they were kept where they stood.
    """

    machine_deg: NDArray[np.float64]
    short_deg: NDArray[np.float64]
    free: NDArray[np.bool_]


def orientation_solutions(
    machine: Machine,
    direction: ArrayLike,
    previous_deg: ArrayLike,
    held_deg: Mapping[str, float] | None = None,
) -> OrientationSolutions:
    """All machine angles that bring directions into line with the spindle, or as near as can be.

    Parameters
    ----------
    machine : Machine
    direction : array_like, shape (..., 3)
        Outward directions in machine coordinates at the all-zero pose.
    previous_deg : array_like, shape (n,)
        Machine angles that the rotaries come from; a free one stays there.
    held_deg : mapping of letter to machine angle, optional
        Rotaries that must not move. With more than two left, the outermost are held where they come from.

    Returns
    -------
    Aimed

    Raises
    ------
    KinematicsError
        When a direction has no length, a held rotary does not exist or every rotary is held.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, None)
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    >>> found = orientation_solutions(Machine("mill", (a, c), Platter(face_mm=0.0)), [-1, 2, 2], [0, 0])
    >>> found.machine_deg.round(6).tolist()
    [[48.189685, -26.565051], [-48.189685, 153.434949]]
    >>> found.short_deg.round(6) == 0.0, found.free.tolist()
    (np.True_, [False, False])
    """
    wanted = normalized(direction, "direction")
    previous = machine.angles(previous_deg)
    held = held_axes(machine, previous, held_deg or {})
    machine_deg = np.empty((*wanted.shape[:-1], 2, len(machine.rotaries)))
    free = np.zeros((*wanted.shape[:-1], len(machine.rotaries)), dtype=bool)
    lines: list[NDArray[np.float64]] = []
    moving: list[int] = []
    carried = np.eye(3)
    # A held rotary only turns the directions of what it carries: R(a) H R(b) n = R(a) R(H b) (H n).
    for i, rotary in enumerate(machine.rotaries):
        if i in held:
            machine_deg[..., i] = held[i]
            carried = carried @ rotation_about_axis(rotary.direction, rotary.turn_deg(held[i]))
        else:
            lines.append(carried @ rotary.direction)
            moving.append(i)
    wanted = wanted @ carried.T
    kept = [float(machine.rotaries[i].turn_deg(previous[i])) for i in moving]
    if len(moving) == 1:
        turns, short, loose = solve_one_axis(lines[0], wanted, kept)
    else:
        turns, short, loose = solve_two_axes(lines[0], lines[1], wanted, kept)
    for column, i in enumerate(moving):
        machine_deg[..., i] = machine.rotaries[i].machine_deg(turns[..., column])
        free[..., i] = loose[..., column]
    return OrientationSolutions(read_only(machine_deg), read_only(short), free)


def held_axes(
    machine: Machine, previous: NDArray[np.float64], held_deg: Mapping[str, float]
) -> dict[int, float]:
    """Machine angles of the rotaries that do not move: those that were named, and what else is held beside them."""
    held = {machine.index(letter): float(angle) for letter, angle in held_deg.items()}
    if len(held) == len(machine.rotaries):
        raise KinematicsError("held: expected at least one rotary left to move, found every one held")
    for i in range(len(machine.rotaries)):
        if len(machine.rotaries) - len(held) > 2 and i not in held:
            held[i] = float(previous[i])
    if len(machine.rotaries) - len(held) == 2:
        outer, inner = (i for i in range(len(machine.rotaries)) if i not in held)
        if _lines_parallel(machine, outer, inner, held):
            held[inner] = float(previous[inner])
    return held


def _lines_parallel(machine: Machine, outer: int, inner: int, held: Mapping[int, float]) -> bool:
    """Whether two rotaries turn about one direction, so that either does the other's work."""
    line = machine.rotaries[inner].direction
    for i in range(inner - 1, outer, -1):
        between = machine.rotaries[i]
        line = rotation_about_axis(between.direction, between.turn_deg(held[i])) @ line
    return float(np.linalg.norm(cross(machine.rotaries[outer].direction, line))) < FREE_WITHIN_RAD


def angle_to_align(
    machine: Machine, letter: str, direction: ArrayLike, machine_axis: ArrayLike, angles_deg: ArrayLike
) -> float:
    """The machine angle of one rotary that turns a direction of the work into line with a machine axis.

    Both are seen along the rotary's line; what they have along it does not count.

    Parameters
    ----------
    machine : Machine
    letter : str
        Which rotary turns; the others stand as `angles_deg` says.
    direction : array_like, shape (3,)
        Of the work, in machine coordinates at the all-zero pose.
    machine_axis : array_like, shape (3,)
        In machine coordinates.
    angles_deg : array_like, shape (n,)
        Machine angles.

    Returns
    -------
    float
        The machine angle nearest to the one in `angles_deg`, in degrees, not yet wrapped into limits.

    Raises
    ------
    KinematicsError
        When either direction lies along the rotary's line, so that no angle is right.
    """
    angles, turning = machine.angles(angles_deg), machine.index(letter)
    start, end = normalized(direction, "direction"), normalized(machine_axis, "machine axis")
    for i in range(len(machine.rotaries) - 1, turning, -1):
        rotary = machine.rotaries[i]
        start = rotation_about_axis(rotary.direction, rotary.turn_deg(angles[i])) @ start
    for i in range(turning):
        rotary = machine.rotaries[i]
        end = rotation_about_axis(rotary.direction, -rotary.turn_deg(angles[i])) @ end
    rotary = machine.rotaries[turning]
    for what, vector in (("direction", start), ("machine axis", end)):
        if float(np.sin(angle_between_rad(rotary.direction, vector))) < FREE_WITHIN_RAD:
            raise KinematicsError(f"{what}: expected one that {letter} can turn, found one along its line")
    reached = float(rotary.machine_deg(np.degrees(azimuth_rad(rotary.direction, start, end))))
    return float(angles[turning] + wrap_deg(reached - angles[turning], low_deg=-180.0))
