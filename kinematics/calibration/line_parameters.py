"""Local parameters of the rotaries' lines, and readings derotated to the all-zero pose with their Jacobian.

A line near a nominal one has four parameters: the shift of the point in which it pierces the plane square to the
nominal line at its nominal point (two, mm), and the tilt of its direction (two, the tangents toward the same two
directions: direction = nominal + tilt, normalised). Every line that is not square to the nominal one has exactly one
such description, and a reversed direction has none, so that a sense of rotation cannot hide in it.

A point read at machine angles q is derotated to the all-zero pose by the inverse rotations, the outermost first. All
readings of a ball then fall on one point, those of a bore on one line, those of a face on one plane: a target's own
parameters enter the adjustment without any rotation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine
from kinematics.validation import as_instance, as_vectors, cross

__all__ = [
    "NominalLines",
    "RotationTerms",
    "derotate",
    "derotate_with_jacobian",
    "derotated_points",
    "nominal_lines",
    "orthonormal_pair",
    "relative_line_parameters",
    "rotation_terms",
    "tilted_direction",
    "tilted_direction_with_jacobian",
    "turn_jacobian",
]


def orthonormal_pair(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Two unit vectors square to a unit direction (3,) and to each other, near machine axes; shape (2, 3).

    For a rotary along Z they are X and Y, along X they are Y and Z, along Y they are X and Z.

    Examples
    --------
    >>> orthonormal_pair(np.array([1.0, 0.0, 0.0])).tolist()
    [[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    first, second = np.sort(np.argsort(np.abs(direction), kind="stable")[:2])
    u = np.eye(3)[first] - direction[first] * direction
    u = u / np.linalg.norm(u)
    v = np.eye(3)[second] - direction[second] * direction
    v = v - (v @ u) * u
    return np.stack([u, v / np.linalg.norm(v)])


def tilted_direction(
    direction: NDArray[np.float64], basis: NDArray[np.float64], tilt: NDArray[Any]
) -> NDArray[Any]:
    """The direction (..., 3) tilted by the tangents `tilt` (..., 2) toward the two rows of `basis` (..., 2, 3)."""
    tipped = direction + (tilt[..., :, None] * basis).sum(axis=-2)
    return np.asarray(tipped / np.sqrt((tipped * tipped).sum(axis=-1, keepdims=True)))


def tilted_direction_with_jacobian(
    direction: NDArray[np.float64], basis: NDArray[np.float64], tilt: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`tilted_direction`, and its derivatives by the two tilts, shape (..., 2, 3)."""
    tipped = direction + (tilt[..., :, None] * basis).sum(axis=-2)
    length = np.sqrt((tipped * tipped).sum(axis=-1, keepdims=True))
    now = tipped / length
    along = (basis * now[..., None, :]).sum(axis=-1, keepdims=True)
    return now, (basis - along * now[..., None, :]) / length[..., None]


BLOCK = 2048
"""Readings in a block: what stays in the processor's cache."""

_CROSS = np.zeros((3, 9))
for _i, _j, _k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
    # Row vectors times this, as 3 by 3, cross the row with what stands to the left: inverse rotations come out transposed.
    _CROSS[_i, 3 * _j + _k], _CROSS[_i, 3 * _k + _j] = -1.0, 1.0


@dataclass(frozen=True, eq=False)
class RotationTerms:
    """Trigonometric terms of each rotary's right-handed rotation: 1, cosine and sine, shape (N, n, 3)."""

    terms: NDArray[np.float64]

    def turned_further(self, turn: NDArray[np.float64]) -> RotationTerms:
        """The terms after further right-handed turns (N, n) in radians."""
        sine, cosine = np.sin(turn), np.cos(turn)
        one, c, s = np.moveaxis(self.terms, -1, 0)
        return RotationTerms(np.stack([one, c * cosine - s * sine, s * cosine + c * sine], axis=-1))


@dataclass(frozen=True, eq=False)
class NominalLines:
    """Nominal lines and the planes of their parameters: points, directions (n, 3), orthonormal basis (n, 2, 3)."""

    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    basis: NDArray[np.float64]

    def at(self, parameters: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Points and directions (n, 3) for `parameters` (n, 4): two shifts (mm), two tilts."""
        point = self.point + (parameters[:, :2, None] * self.basis).sum(axis=-2)
        return point, tilted_direction(self.direction, self.basis, parameters[:, 2:])


def nominal_lines(machine: Machine) -> NominalLines:
    """The nominal lines of a machine."""
    direction = np.stack([rotary.direction for rotary in machine.rotaries])
    return NominalLines(
        np.stack([rotary.point_mm for rotary in machine.rotaries]),
        direction,
        np.stack([orthonormal_pair(d) for d in direction]),
    )


def rotation_terms(machine: Machine, angles_deg: NDArray[np.float64]) -> RotationTerms:
    """Trigonometric terms of the rotaries' rotations at machine angles (N, n)."""
    turned = np.stack([r.turn_deg(angles_deg[:, i]) for i, r in enumerate(machine.rotaries)], axis=-1)
    sine, cosine = sincos_deg(turned)
    return RotationTerms(np.stack([np.ones_like(sine), cosine, sine], axis=-1))


def _inverse_rotation_parts(direction: NDArray[Any], slope: NDArray[Any]) -> NDArray[Any]:
    """Matrices of an inverse rotation about a direction, with their derivatives by the direction.

    An inverse rotation is ``part 0 + cos * part 1 + sin * part 2``. For directions (n, 3) and k derivatives of them
    (n, k, 3) the parts and their derivatives stand beside each other, shape (n, 3, (1 + k) * 9): vectors are multiplied from the
    left as rows, everything in one product.
    """
    vectors = np.concatenate([direction[:, None], slope], axis=1)
    outer = direction[:, None, :, None] * vectors[:, :, None, :]
    along = outer + np.swapaxes(outer, -1, -2)
    along[:, 0] = outer[:, 0]
    rest = -along
    rest[:, 0] += np.eye(3)
    parts = np.stack([along, rest, (vectors @ _CROSS).reshape(along.shape)], axis=2)
    return np.moveaxis(parts, 3, 1).reshape(len(direction), 3, -1)


def derotate(
    lines: NominalLines, parameters: NDArray[Any], turns: RotationTerms, points: NDArray[np.float64]
) -> NDArray[Any]:
    """Points (N, 3) as read, derotated to the all-zero pose by the lines with `parameters` (n, 4)."""
    at, direction = lines.at(parameters)
    parts = _inverse_rotation_parts(direction, direction[:, None][:, :0])
    where: NDArray[Any] = points
    for i in range(len(at)):
        turned_arm = ((where - at[i]) @ parts[i]).reshape(-1, 3, 3)
        where = at[i] + np.einsum("rp,rpk->rk", turns.terms[:, i], turned_arm)
    return where


def derotate_with_jacobian(
    lines: NominalLines, parameters: NDArray[np.float64], turns: RotationTerms, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`derotate`, and its derivatives by the 4n numbers of `parameters`, shape (N, 3, 4n)."""
    at = lines.point + (parameters[:, :2, None] * lines.basis).sum(axis=-2)
    direction, slope = tilted_direction_with_jacobian(lines.direction, lines.basis, parameters[:, 2:])
    parts = _inverse_rotation_parts(direction, slope)
    turned = (lines.basis @ parts[:, :, :9]).reshape(-1, 2, 3, 3)
    n, rotaries = len(points), len(at)
    derotated, slopes = np.empty((n, 3)), np.empty((n, 4 * rotaries, 3))
    # Blocks that stay in the processor's cache: whole columns would be written to memory and read back.
    for start in range(0, n, BLOCK):
        block = slice(start, start + BLOCK)
        where, by = points[block], slopes[block]
        rows = len(where)
        for i in range(rotaries):
            basis = turns.terms[block, i]
            if i:
                before = (by[:, : 4 * i] @ parts[i, :, :9]).reshape(rows, 4 * i, 3, 3)
                np.einsum("rp,rcpk->rck", basis, before, out=by[:, : 4 * i])
            turned_basis = basis @ turned[i].swapaxes(0, 1).reshape(3, 6)
            by[:, 4 * i : 4 * i + 2] = lines.basis[i] - turned_basis.reshape(rows, 2, 3)
            # One matrix product for the sum over arm and basis together: a third of the numbers of summing twice.
            arm_by_basis = ((where - at[i])[:, :, None] * basis[:, None, :]).reshape(rows, 9)
            by_both = parts[i].reshape(3, 3, 3, 3).swapaxes(1, 2).reshape(9, 9)
            back = (arm_by_basis @ by_both).reshape(rows, 3, 3)
            by[:, 4 * i + 2 : 4 * i + 4] = back[:, 1:]
            where = at[i] + back[:, 0]
        derotated[block] = where
    return derotated, np.swapaxes(slopes, 1, 2)


def turn_jacobian(
    lines: NominalLines, parameters: NDArray[np.float64], turns: RotationTerms, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`derotate`, and its derivatives by each rotary's right-handed turn in radians, shape (N, n, 3)."""
    at, direction = lines.at(parameters)
    parts = _inverse_rotation_parts(direction, direction[:, None][:, :0])
    where, slopes = points, np.zeros((len(points), len(at), 3))
    for i in range(len(at)):
        basis = turns.terms[:, i]
        before = (slopes[:, :i] @ parts[i]).reshape(len(points), i, 3, 3)
        slopes[:, :i] = np.einsum("rp,rcpk->rck", basis, before)
        turned_arm = ((where - at[i]) @ parts[i]).reshape(-1, 3, 3)
        arm = np.einsum("rp,rpk->rk", basis, turned_arm)
        slopes[:, i] = cross(arm, direction[i])
        where = at[i] + arm
    return where, slopes


def derotated_points(machine: Machine, angles_deg: ArrayLike, points_mm: ArrayLike) -> NDArray[np.float64]:
    """Derotate points read at machine angles to the all-zero pose, by the machine's own lines.

    Parameters
    ----------
    machine : Machine
    angles_deg : array_like, shape (..., n)
    points_mm : array_like, shape (..., 3)
        Machine coordinates.

    Returns
    -------
    ndarray, shape (..., 3)
        Machine coordinates at the all-zero pose, millimetres.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [10.0, 0.0, 0.0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    >>> derotated_points(Machine("mill", (c,), Platter(face_mm=0.0)), [90.0], [10.0, 5.0, 2.0]).tolist()
    [15.0, 0.0, 2.0]
    >>> derotated_points(Machine("mill", (c,), Platter(face_mm=0.0)), [90.0], [10.0, 5.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: points: expected a last axis of 3 numbers, found shape (2,)
    """
    return table_pose(machine, angles_deg).inverse().apply(as_vectors(points_mm, 3, "points"))


def relative_line_parameters(machine: Machine, other: Machine) -> NDArray[np.float64]:
    """Parameters of another machine's lines relative to a machine's, as in `Fit.parameters`.

    Parameters
    ----------
    machine : Machine
        With the nominal lines.
    other : Machine
        With the same rotaries. Only its lines count, not its senses or limits.

    Returns
    -------
    ndarray, shape (4n,)
        For each rotary, the base's first: two shifts in mm and two tilts (tangents, no unit) along `Fit.basis`.

    Raises
    ------
    KinematicsError
        When the rotaries differ, or a line points away from the nominal one.

    Notes
    -----
    Derived here: the point in which the other line pierces the plane through the old point square to the old line.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> moved = RotaryAxis("C", [0.3, 0.4, 7.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> relative_line_parameters(mill, Machine("mill", (moved,), Platter(face_mm=0.0))).tolist()   # along the line is no move
    [0.3, 0.4, 0.0, 0.0]
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    >>> relative_line_parameters(mill, Machine("mill", (a,), Platter(face_mm=0.0)))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: machine: expected rotaries ('C',), found ('A',)
    """
    as_instance(machine, Machine, "machine")
    as_instance(other, Machine, "other")
    if machine.letters != other.letters:
        raise KinematicsError(f"machine: expected rotaries {machine.letters}, found {other.letters}")
    lines, found = nominal_lines(machine), []
    for i, rotary in enumerate(other.rotaries):
        along = float(rotary.direction @ lines.direction[i])
        if along <= 0.0:
            raise KinematicsError(f"rotary {rotary.letter}: expected its direction on the old one's side")
        away = float((lines.point[i] - rotary.point_mm) @ lines.direction[i])
        point = rotary.point_mm + away / along * rotary.direction
        found.append(lines.basis[i] @ (point - lines.point[i]))
        found.append(lines.basis[i] @ rotary.direction / along)
    return np.concatenate(found)
