"""Observation equations of the targets: a ball is a point, a bore a line, a face a plane, at the all-zero pose."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.line_parameters import (
    orthonormal_pair,
    tilted_direction,
    tilted_direction_with_jacobian,
)
from kinematics.calibration.linear_algebra import singular_values
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine, is_horizontal

__all__ = [
    "LinearizedTargets",
    "TargetParameters",
    "initial_target_parameters",
    "linearize_targets",
    "target_residuals",
]

_LIKE_ITS_ROTARY_DEG = 3.0
"""Degrees: a direction so near the platter's or last rotary's has that as its nominal value. Chosen here."""
_SPREAD_MM = 3.0
"""Singular value in mm below which points determine no direction: 0.01 mm over it is 0.2 degrees. Chosen here."""
_NEARLY_FITS_MM = 1.0
"""mm that touches may lie off their initial plane: the lines that derotate them may be off. Chosen here."""
_BALL = -np.eye(3, 4)


@dataclass(frozen=True, eq=False)
class TargetParameters:
    """Nominal targets, to which the parameters of t targets are relative.

    Attributes
    ----------
    equations : ndarray of int, shape (t,)
        3 for a ball, 2 for a bore or pin, 1 for a face.
    base : ndarray, shape (t, 3)
        The mean of the readings, derotated.
    direction, basis : ndarray, shape (t, 3), (t, 2, 3)
        The nominal direction and two unit vectors square to it; unused for a ball.

    Notes
    -----
    Four parameters each, in mm (tilts times the lever). Ball: x, y, z, unused. Bore: shift along the two vectors of
    the basis, tilt toward them. Face: offset along the normal, unused, tilt toward the two.
    """

    equations: NDArray[np.int64]
    base: NDArray[np.float64]
    direction: NDArray[np.float64]
    basis: NDArray[np.float64]

    @property
    def unused(self) -> NDArray[np.bool_]:
        """Mask of the four parameters that a target does not have, shape (t, 4)."""
        spare = np.array(
            [[False, False, False, False], [False, True, False, False], [False] * 4, [False] * 3 + [True]]
        )
        return np.asarray(spare[self.equations])


@dataclass(frozen=True, eq=False)
class LinearizedTargets:
    """Residuals (N, 3) with their derivatives by the derotated point (N, 3, 3) and by the target (N, 3, 4).

    A bore fills two of the three rows, a face one; the others are zero. For balls alone the derivative by the point
    is left out (None): it is the unit matrix.
    """

    residual: NDArray[np.float64]
    by_point: NDArray[np.float64] | None
    by_target: NDArray[np.float64]


def linearize_targets(
    nominal: TargetParameters,
    parameters: NDArray[np.float64],
    target: NDArray[np.int64],
    where: NDArray[np.float64],
    lever_mm: float,
) -> LinearizedTargets:
    """Linearise the observation equations of derotated points `where` (N, 3) and targets with `parameters` (t, 4).

    The two rows of a bore stand along directions basis to its present axis that are carried along as it leans, so
    that their slopes are exact.
    """
    n = len(where)
    equations = nominal.equations[target]
    if equations.min() == 3:
        residual = where - nominal.base[target] - parameters[target, :3]
        return LinearizedTargets(residual, None, np.broadcast_to(_BALL, (n, 3, 4)))
    residual, by_target = np.zeros((n, 3)), np.zeros((n, 3, 4))
    by_point = np.zeros((n, 3, 3))
    if (ball := np.flatnonzero(equations == 3)).size:
        t = target[ball]
        residual[ball] = where[ball] - nominal.base[t] - parameters[t, :3]
        by_point[ball] = np.eye(3)
        by_target[ball, :, :3] = -np.eye(3)
    direction, slope = tilted_direction_with_jacobian(
        nominal.direction, nominal.basis, parameters[:, 2:] / lever_mm
    )
    slope = slope / lever_mm
    if (bore := np.flatnonzero(equations == 2)).size:
        t = target[bore]
        basis = _transported_basis(nominal.direction, nominal.basis, direction)[t]
        base = nominal.base[t] + (parameters[t, :2, None] * nominal.basis[t]).sum(axis=1)
        off = where[bore] - base
        residual[bore, :2] = (basis @ off[..., None])[..., 0]
        by_point[bore, :2] = basis
        by_target[bore, :2, :2] = -basis @ np.swapaxes(nominal.basis[t], 1, 2)
        height = (off * direction[t]).sum(axis=-1)
        by_target[bore, :2, 2:] = -height[:, None, None] * (basis @ np.swapaxes(slope[t], 1, 2))
    if (face := np.flatnonzero(equations == 1)).size:
        t = target[face]
        off = where[face] - nominal.base[t]
        residual[face, 0] = (off * direction[t]).sum(axis=-1) - parameters[t, 0]
        by_point[face, 0] = direction[t]
        by_target[face, 0, 0] = -1.0
        by_target[face, 0, 2:] = (slope[t] @ off[..., None])[..., 0]
    return LinearizedTargets(residual, by_point, by_target)


def _transported_basis(
    nominal: NDArray[np.float64], basis: NDArray[np.float64], direction: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The basis (t, 2, 3) rotated with the nominal direction to the present one, the shortest way."""
    along = (basis * direction[:, None]).sum(axis=-1, keepdims=True)
    straight = 1.0 + (nominal * direction).sum(axis=-1)[:, None, None]
    return np.asarray(basis - along / straight * (nominal + direction)[:, None])


def target_residuals(
    nominal: TargetParameters,
    parameters: NDArray[Any],
    target: NDArray[np.int64],
    where: NDArray[Any],
    lever_mm: float,
) -> NDArray[Any]:
    """Residual vectors (N, 3) at the all-zero pose: point minus its orthogonal projection on the target.

    Works for complex numbers too, so that slopes can be checked by a complex step.
    """
    equations = nominal.equations[target]
    tilted = tilted_direction(nominal.direction, nominal.basis, parameters[:, 2:] / lever_mm)[target]
    shift = (parameters[:, :2, None] * nominal.basis).sum(axis=1)[target]
    base = nominal.base[target]
    ball = where - base - parameters[target, :3]
    off = where - base - shift
    bore = off - (off * tilted).sum(axis=-1, keepdims=True) * tilted
    face = (((where - base) * tilted).sum(axis=-1) - parameters[target, 0])[:, None] * tilted
    miss: NDArray[Any] = np.where(
        (equations == 3)[:, None], ball, np.where((equations == 2)[:, None], bore, face)
    )
    return miss


def initial_target_parameters(
    readings: Readings,
    machine: Machine,
    names: list[int],
    members: list[NDArray[np.int64]],
    where: NDArray[np.float64],
    starts: NDArray[np.int64],
) -> TargetParameters:
    """Initial values: means of the derotated points, and nominal directions.

    Parameters
    ----------
    readings : Readings
    machine : Machine
    names : list of int, length t
        Which of the readings' targets to count for.
    members : list of ndarray of int
        Each one's readings.
    where : ndarray, shape (N, 3)
        The points pulled back by the machine's lines, target by target.
    starts : ndarray of int, shape (t,)
        Where each target's points begin in `where`.

    Raises
    ------
    KinematicsError
        When a face's direction is neither parameters by the readings nor stated nor the platter's.
    """
    count = len(names)
    sizes = np.array([len(mine) for mine in members])
    base = np.add.reduceat(where, starts, axis=0) / sizes[:, None]
    direction, basis = np.tile([0.0, 0.0, 1.0], (count, 1)), np.tile(np.eye(3)[:2], (count, 1, 1))
    for k, (t, mine, first) in enumerate(zip(names, members, starts.tolist(), strict=True)):
        if readings.kinds[t] is TargetKind.BALL:
            continue
        # Rotations back to the zero pose need the lines' directions only.
        unturned = np.swapaxes(table_pose(machine, readings.angles_deg[mine]).rotation, -1, -2)
        direction[k] = _direction(readings, machine, t, mine, where[first : first + len(mine)], unturned)
        basis[k] = orthonormal_pair(direction[k])
    equations = np.array([readings.kinds[t].equations for t in names], dtype=np.int64)
    return TargetParameters(equations, base, direction, basis)


def _direction(
    readings: Readings,
    machine: Machine,
    t: int,
    mine: NDArray[np.int64],
    where: NDArray[np.float64],
    unturned: NDArray[np.float64],
) -> NDArray[np.float64]:
    """The nominal direction of a bore's axis or of a face's normal at the all-zero pose."""
    stated = readings.directions[t]
    if stated is not None:
        return stated
    is_face = readings.kinds[t] is TargetKind.FACE
    last = machine.rotaries[-1].direction * np.where(machine.rotaries[-1].direction[2] < 0.0, -1.0, 1.0)
    platter = last if machine.platter.normal is None else machine.platter.normal
    if (
        is_face
        and readings.names[t].lower().startswith("platter")
        and not is_horizontal(machine.rotaries[-1])
    ):
        return platter
    # Touches at one pose tell a direction whatever the lines' positions are; only then are poses put together.
    within = _within_poses(readings.angles_deg[mine], readings.points_mm[mine], unturned)
    flat = None
    for spread in (within, where - where.mean(axis=0)):
        flat = _flattest(spread) if is_face else _longest(spread)
        if flat is not None:
            break
    upward = unturned[:, :, 2].mean(axis=0)
    if flat is None and not is_face:
        # A bore is read with the spindle along it: that is its direction as far as anything tells.
        flat = upward / np.linalg.norm(upward)
    if flat is None:
        flat = _only_fitting(readings.names[t], where, last)
    flat = flat * np.where(flat @ upward < 0.0, -1.0, 1.0)
    for like in (platter, last):
        if float(np.abs(flat @ like)) > np.cos(np.radians(_LIKE_ITS_ROTARY_DEG)):
            return np.asarray(like * np.sign(flat @ like))
    return np.asarray(flat)


def _within_poses(
    angles: NDArray[np.float64], points: NDArray[np.float64], unturned: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Points relative to the mean of their pose's, rotated to the zero pose; shape (k, 3)."""
    _, pose = np.unique(angles.round(6), axis=0, return_inverse=True)
    pose = pose.reshape(-1)
    count = np.bincount(pose)
    middle = np.stack([np.bincount(pose, points[:, k]) / count for k in range(3)], axis=-1)
    return np.asarray((unturned @ (points - middle[pose])[..., None])[..., 0])


def _longest(spread: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Direction of the line along which points lie, or None where they do not spread far enough."""
    _, size, rows = singular_values(spread, full_matrices=False)
    if size[0] < _SPREAD_MM or size[0] < 5.0 * size[1]:
        return None
    return np.asarray(rows[0])


def _flattest(spread: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Normal of the plane in which points lie, or None where they do not span one."""
    if len(spread) < 3:
        return None
    _, size, rows = singular_values(spread, full_matrices=False)
    if size[1] < _SPREAD_MM or size[1] < 5.0 * size[2]:
        return None
    return np.asarray(rows[2])


def _only_fitting(name: str, where: NDArray[np.float64], last: NDArray[np.float64]) -> NDArray[np.float64]:
    """The only direction among the last rotary's and the machine's that the touches of a face allow."""
    fitting: list[NDArray[np.float64]] = []
    for candidate in (last, *np.eye(3)):
        spread = (where - where.mean(axis=0)) @ candidate
        new = all(abs(candidate @ other) < 0.99 for other in fitting)
        if new and np.abs(spread).max() < _NEARLY_FITS_MM:
            fitting.append(candidate)
    if len(fitting) != 1:
        raise KinematicsError(
            f"target {name}: expected three touches in one pose that span the face, or its direction stated, "
            f"found {len(where)} touches from which its direction cannot be found"
        )
    return np.asarray(fitting[0])
