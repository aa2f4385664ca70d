"""Orientation kinematics, limits aside: the rotary angles that bring directions of the work to the spindle.

Closed form, for any one or two rotary directions, square or not: `spherical_triangle` has the geometry.

More than two rotaries leave a choice: here all but two are held, by name or from the base outward; `redundant_solver`
looks through the poses of three.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg, wrap_deg
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.spherical_triangle import (
    SINGULAR_WITHIN_RAD,
    angle_between_rad,
    azimuth_rad,
    cross_components,
    rotate_components,
    solve_one_axis,
    solve_two_axes,
)
from kinematics.transform import rotation_about_axis
from kinematics.validation import ValueEquality, as_instance, as_number, as_vector, normalized, read_only

__all__ = [
    "OrientationSolutions",
    "SolvedRows",
    "angle_to_align",
    "orientation_solutions",
    "solve_rows",
    "tilting_rotary",
]

Array = NDArray[np.float64]
HeldAngles = Mapping[int, float | Array]
"""Machine angles of rotaries that do not move, by their place: one for all directions, or one for each."""

_MOST_MOVING = 2

_UPRIGHT_WITHIN = 1.0 - np.cos(np.radians(1.0))
"""A rotary whose line is a degree or less off the spindle turns the work, it does not tilt it. Chosen here: measured lines
are thousandths of a degree off, and no table is built to tilt by so little."""


@dataclass(frozen=True, eq=False)
class OrientationSolutions(ValueEquality):
    """Both orientation solutions for directions of leading shape (...) and n rotaries.

    Attributes
    ----------
    machine_deg : ndarray, shape (..., 2, n)
        Machine angles not yet wrapped into limits. The two are the same where there is one solution only.
    misalignment_deg : ndarray, shape (...)
        The angle from the spindle at which the nearest pose leaves the direction; 0 where it gets there.
    singular : ndarray of bool, shape (..., n)
        Rotaries whose angle has no influence there; they were kept where they stood.
    """

    machine_deg: NDArray[np.float64]
    misalignment_deg: NDArray[np.float64]
    singular: NDArray[np.bool_]


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
    previous_deg : array_like, shape (..., n)
        Machine angles that the rotaries come from; a singular one stays there. Leading shapes broadcast.
    held_deg : mapping of letter to machine angle, optional
        Rotaries that must not move. With more than two left, the outermost are held where they come from.

    Returns
    -------
    OrientationSolutions

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
    >>> found.misalignment_deg.round(6) == 0.0, found.singular.tolist()
    (np.True_, [False, False])
    """
    wanted, previous, shape = checked_rows(machine, direction, previous_deg)
    held = checked_held(machine, held_deg)
    count = len(machine.rotaries)
    machine_deg = np.empty((2, count, wanted.shape[1]))
    misalignment = np.empty(wanted.shape[1])
    singular = np.zeros((count, wanted.shape[1]), dtype=bool)
    for part in solve_rows(machine, wanted, previous, held):
        machine_deg[:, :, part.index] = part.machine_deg
        misalignment[part.index] = part.misalignment_deg
        singular[:, part.index] = part.singular
    return OrientationSolutions(
        read_only(np.moveaxis(machine_deg, -1, 0).reshape(*shape, 2, count)),
        read_only(misalignment.reshape(shape)),
        np.ascontiguousarray(singular.T).reshape(*shape, count),
    )


def checked_rows(
    machine: Machine, direction: ArrayLike, previous_deg: ArrayLike
) -> tuple[Array, Array, tuple[int, ...]]:
    """Directions (3, k) of length one, the angles come from (n, k), and the leading shape of both."""
    as_instance(machine, Machine, "machine")
    wanted, previous = normalized(direction, "direction"), machine.angles(previous_deg)
    try:
        shape = np.broadcast_shapes(wanted.shape[:-1], previous.shape[:-1])
    except ValueError:
        raise KinematicsError(
            "aim: expected leading shapes that broadcast, "
            f"found direction {wanted.shape} and previous angles {previous.shape}"
        ) from None
    rows = np.ascontiguousarray(np.broadcast_to(wanted, (*shape, 3)).reshape(-1, 3).T)
    start = np.broadcast_to(previous, (*shape, previous.shape[-1])).reshape(-1, previous.shape[-1]).T
    return rows, np.ascontiguousarray(start), shape


def checked_held(machine: Machine, held_deg: Mapping[str, float] | None) -> dict[int, float | Array]:
    """Held machine angles by the rotary's place; at least one rotary is left to move."""
    if held_deg is None:
        return {}
    if not isinstance(held_deg, Mapping):
        raise KinematicsError(f"held: expected a mapping of letters to angles, found {held_deg!r}")
    held: dict[int, float | Array] = {
        machine.index(letter): as_number(angle, f"held, {letter}") for letter, angle in held_deg.items()
    }
    if len(held) == len(machine.rotaries):
        raise KinematicsError("held: expected at least one rotary left to move, found every one held")
    return held


@dataclass(frozen=True)
class SolvedRows:
    """Orientation solutions of some of the directions, all of which move the same rotaries.

    Attributes
    ----------
    index : slice or ndarray of int, shape (k,)
        Which of the directions.
    moving : tuple of int
        The one or two rotaries that move, from the base outward.
    machine_deg : ndarray, shape (2, n, k)
    misalignment_deg : ndarray, shape (k,)
    singular : ndarray of bool, shape (n, k)
    tilting : ndarray of int, shape (k,)
        See `tilting_rotary`.
    """

    index: slice | NDArray[np.intp]
    moving: tuple[int, ...]
    machine_deg: Array
    misalignment_deg: Array
    singular: NDArray[np.bool_]
    tilting: NDArray[np.int8]


def solve_rows(machine: Machine, wanted: Array, previous: Array, held: HeldAngles) -> list[SolvedRows]:
    """The solutions of directions (3, k) that come from angles (n, k), grouped by the rotaries that move."""
    solved = []
    for index, fixed in moving_groups(machine, wanted.shape[1], previous, held):
        solved.append(_solve(machine, wanted[:, index], previous[:, index], fixed, index))
    return solved


def moving_groups(
    machine: Machine, size: int, previous: Array, held: HeldAngles
) -> list[tuple[slice | NDArray[np.intp], dict[int, float | Array]]]:
    """Groups of directions that hold the same rotaries: those named, and others until two unlike ones are left."""
    count = len(machine.rotaries)
    fixed = dict(held)
    for i in range(count):
        if count - len(fixed) > _MOST_MOVING and i not in fixed:
            fixed[i] = previous[i]
    everything = slice(None)
    if count - len(fixed) != _MOST_MOVING:
        return [(everything, fixed)]
    outer, inner = (i for i in range(count) if i not in fixed)
    line = np.asarray(machine.rotaries[inner].direction)
    for i in range(inner - 1, outer, -1):
        line = _rotated(machine, i, fixed[i], line)
    x, y, z = cross_components(machine.rotaries[outer].direction, line)
    # Two that turn about one direction do each other's work: the inner one stays.
    parallel = np.broadcast_to(np.sqrt(x * x + y * y + z * z) < SINGULAR_WITHIN_RAD, (size,))
    if not parallel.any():
        return [(everything, fixed)]
    groups: list[tuple[slice | NDArray[np.intp], dict[int, float | Array]]] = []
    for index, more in (
        (np.flatnonzero(~parallel), {}),
        (np.flatnonzero(parallel), {inner: previous[inner]}),
    ):
        if index.size:
            chosen = {**fixed, **more}
            groups.append((index, {i: _chosen(angle, index) for i, angle in chosen.items()}))
    return groups


def _chosen(angle: float | Array, index: slice | NDArray[np.intp]) -> float | Array:
    return angle[index] if isinstance(angle, np.ndarray) else angle


def _rotated(machine: Machine, i: int, angle_deg: float | Array, vector: Array) -> Array:
    """Directions (3, ...) as rotary `i` carries them round at a machine angle."""
    rotary = machine.rotaries[i]
    sine, cosine = sincos_deg(rotary.turn_deg(angle_deg))
    return rotate_components(rotary.direction, sine, cosine, vector)


def tilting_rotary(lines: list[Array], moving: tuple[int, ...], size: int) -> NDArray[np.int8]:
    """The outermost moving rotary that tilts: whose line does not stand along the spindle; shape (k,).

    The outermost of all where none of them does. Lines as `unrotated_by_held` gives them.
    """
    tilting = np.full(size, moving[0], dtype=np.int8)
    upright = np.ones(size, dtype=bool)
    for i, line in zip(moving, lines, strict=True):
        tilts = np.broadcast_to(1.0 - np.abs(line[2]) > _UPRIGHT_WITHIN, (size,))
        tilting[upright & tilts] = i
        upright = upright & ~tilts
    return tilting


def unrotated_by_held(
    machine: Machine, wanted: Array, fixed: HeldAngles
) -> tuple[Array, list[Array], tuple[int, ...]]:
    """Directions and moving lines with the held rotaries taken out, and which rotaries move.

    A held rotary only turns the directions of what it carries: ``R(a) H R(b) n = R(a) R(H b) (H n)``.
    """
    lines: list[Array] = []
    moving: list[int] = []
    for i in range(len(machine.rotaries) - 1, -1, -1):
        if i in fixed:
            wanted = _rotated(machine, i, fixed[i], wanted)
            lines = [_rotated(machine, i, fixed[i], line) for line in lines]
        else:
            lines.insert(0, np.asarray(machine.rotaries[i].direction))
            moving.insert(0, i)
    return wanted, lines, tuple(moving)


def _solve(
    machine: Machine, wanted: Array, previous: Array, fixed: HeldAngles, index: slice | NDArray[np.intp]
) -> SolvedRows:
    count, size = len(machine.rotaries), wanted.shape[1]
    wanted, lines, moving = unrotated_by_held(machine, wanted, fixed)
    kept = [machine.rotaries[i].turn_deg(previous[i]) for i in moving]
    if len(moving) == 1:
        turns, misalignment, loose = solve_one_axis(lines[0], wanted, kept)
    else:
        turns, misalignment, loose = solve_two_axes(lines[0], lines[1], wanted, kept)
    machine_deg = np.empty((2, count, size))
    singular = np.zeros((count, size), dtype=bool)
    for i, angle in fixed.items():
        machine_deg[:, i] = angle
    for column, i in enumerate(moving):
        machine_deg[:, i] = machine.rotaries[i].machine_deg(turns[:, column])
        singular[i] = loose[column]
    tilting = tilting_rotary(lines, moving, size)
    return SolvedRows(index, moving, machine_deg, misalignment, singular, tilting)


def angle_to_align(
    machine: Machine, letter: str, direction: ArrayLike, machine_axis: ArrayLike, angles_deg: ArrayLike
) -> float:
    """The machine angle of one rotary that turns a direction of the work into line with a machine axis.

    Both are projected onto the plane square to the rotary's line. The nearer one of them lies to that line, the more
    an error of its own counts: by the reciprocal of the sine, 1.4 times at 45 degrees. Only where the sine is below
    1e-9 is there no answer; what is too near for a setup is for the caller to say (`Setup.alignment_axis`).

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

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    >>> angle_to_align(mill, "C", [0, 1, 0], [1, 0, 0], [0, 0])
    90.0
    >>> angle_to_align(mill, "C", [0, 0, 1], [1, 0, 0], [0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: direction: expected one that C can turn, found one along its line
    """
    as_instance(machine, Machine, "machine")
    angles, turning = (
        as_vector(machine.angles(angles_deg), len(machine.rotaries), "angles"),
        machine.index(letter),
    )
    start = normalized(as_vector(direction, 3, "direction"), "direction")
    end = normalized(as_vector(machine_axis, 3, "machine axis"), "machine axis")
    for i in range(len(machine.rotaries) - 1, turning, -1):
        rotary = machine.rotaries[i]
        start = rotation_about_axis(rotary.direction, rotary.turn_deg(angles[i])) @ start
    for i in range(turning):
        rotary = machine.rotaries[i]
        end = rotation_about_axis(rotary.direction, -rotary.turn_deg(angles[i])) @ end
    rotary = machine.rotaries[turning]
    for what, vector in (("direction", start), ("machine axis", end)):
        if float(np.sin(angle_between_rad(rotary.direction, vector))) < SINGULAR_WITHIN_RAD:
            raise KinematicsError(f"{what}: expected one that {letter} can turn, found one along its line")
    aligned = float(rotary.machine_deg(np.degrees(azimuth_rad(rotary.direction, start, end))))
    return float(angles[turning] + wrap_deg(aligned - angles[turning], low_deg=-180.0))
