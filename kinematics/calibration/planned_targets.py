"""Planned targets: their points, the poses at which they can be read, and their readings without scatter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose, transform_points
from kinematics.machine import Machine
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_flags,
    as_instance,
    as_vectors,
    normalized,
    read_only,
    shown,
)

__all__ = ["PlannedTarget", "candidate_poses", "expand_mask", "is_accessible", "planned_readings"]

_ON_IT_MM = 1e-6
_BORE_WITHIN_DEG = 30.0
_FACING = -1e-9
_MOST_POSES = 4000


@dataclass(frozen=True, eq=False)
class PlannedTarget(ValueEquality, DeclaredFields):
    """A target and the points to probe on it, at the all-zero pose in machine coordinates.

    Attributes
    ----------
    name : str
    kind : TargetKind
    points_mm : ndarray, shape (k, 3)
        A ball: its centre (k = 1). A bore or pin: points of its axis at the heights to read. A face: touches.
    direction : ndarray, shape (3,), or None
        Of the axis, away from the table, or of the face's normal, away from the material. Of a ball: the way its
        stem points; +Z where left out.

    Raises
    ------
    KinematicsError
        When an axis or a face has no direction, or its points do not lie on it.
    """

    name: str
    kind: TargetKind
    points_mm: NDArray[np.float64]
    direction: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        as_instance(self.name, str, "target, name")
        if not isinstance(self.kind, TargetKind):
            raise KinematicsError(f"target {self.name}, kind: expected a TargetKind, found {self.kind!r}")
        points = as_vectors(self.points_mm, 3, f"target {self.name}, points").reshape(-1, 3)
        if not len(points):
            raise KinematicsError(f"target {self.name}, points: expected at least one, found none")
        object.__setattr__(self, "points_mm", read_only(points))
        if self.kind is TargetKind.BALL:
            if len(points) > 1:
                raise KinematicsError(f"target {self.name}, points: expected one centre, found {len(points)}")
            stem = [0.0, 0.0, 1.0] if self.direction is None else self.direction
            object.__setattr__(self, "direction", read_only(normalized(stem, f"target {self.name}, stem")))
            return
        if self.direction is None:
            raise KinematicsError(
                f"target {self.name}, direction: expected one for a {self.kind.value}, found none"
            )
        way = normalized(self.direction, f"target {self.name}, direction")
        off = points - points[0]
        along = off @ way
        miss = along if self.kind is TargetKind.FACE else np.linalg.norm(off - along[:, None] * way, axis=-1)
        if float(np.abs(miss).max()) > _ON_IT_MM:
            raise KinematicsError(
                f"target {self.name}, points: expected all on one {'plane' if self.kind is TargetKind.FACE else 'axis'}, "
                f"found one {float(np.abs(miss).max()):.3g} mm off"
            )
        object.__setattr__(self, "direction", read_only(way))
        super().__post_init__()


@takes_declared()
def candidate_poses(machine: Machine, step_deg: float | Sequence[float] = 30.0) -> NDArray[np.float64]:
    """A grid of machine angles within the limits.

    Parameters
    ----------
    machine : Machine
    step_deg : float or sequence of float
        One step for all rotaries or one for each. A limited rotary stands at multiples of it within its limits,
        an endless one goes round once.

    Returns
    -------
    ndarray, shape (m, n)
        Machine angles, the innermost rotary's changing fastest.

    Raises
    ------
    KinematicsError
        When a step is not more than 0, or the grid would have more than 4000 poses.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-50.0, 40.0))
    >>> candidate_poses(Machine("mill", (a,), Platter()), 30.0).tolist()
    [[-30.0], [0.0], [30.0]]
    >>> candidate_poses(Machine("mill", (a,), Platter()), 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: step: expected more than 0 degrees, found 0
    """
    count = len(as_instance(machine, Machine, "machine").rotaries)
    given = as_array(step_deg, "step")
    if given.shape not in ((), (count,)):
        raise KinematicsError(
            f"step: expected one, or one for each of {count} rotaries, found {shown(step_deg)}"
        )
    steps = np.broadcast_to(given, (count,))
    if not (steps > 0.0).all():
        raise KinematicsError(f"step: expected more than 0 degrees, found {float(steps.min()):g}")
    axes = []
    for rotary, step in zip(machine.rotaries, steps.tolist(), strict=True):
        if rotary.limits_deg is None:
            axes.append(np.arange(0.0, 360.0 - 1e-9, step))
        else:
            low, high = rotary.limits_deg
            first, last = np.ceil((low - SNAP_DEG) / step), np.floor((high + SNAP_DEG) / step)
            axes.append(step * np.arange(first, last + 1.0) + 0.0)
    total = int(np.prod([len(axis) for axis in axes]))
    if not 0 < total <= _MOST_POSES:
        raise KinematicsError(f"step: expected 1 to {_MOST_POSES} poses within the limits, found {total}")
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, count)


@takes_declared()
def is_accessible(
    machine: Machine, targets: Sequence[PlannedTarget], poses_deg: ArrayLike
) -> NDArray[np.bool_]:
    """Mask of the targets that can be read at each pose.

    A pose must lie within the rotaries' limits; the spindle must reach every point within the travels; a face must
    not look away from the spindle, a ball's stem not hang below level, a bore stand within 30 degrees of it.
    Obstacles are not considered.

    Parameters
    ----------
    machine : Machine
    targets : sequence of PlannedTarget
        t of them, at the all-zero pose in machine coordinates.
    poses_deg : array_like, shape (m, n)
        Machine angles.

    Returns
    -------
    ndarray of bool, shape (m, t)
        A target counts only where all of its points can be read.

    Raises
    ------
    KinematicsError
        When the last axis has not one angle for each rotary, or a value is not finite.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-90.0, 30.0))
    >>> mill = Machine("mill", (a,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[0.0, 0.0, 40.0]])
    >>> is_accessible(mill, [ball], [[0], [-90], [60]]).tolist()   # upright, laid down, and beyond A's limit
    [[True], [True], [False]]
    >>> is_accessible(mill, ["ball 1"], [[0]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: targets: expected a list of PlannedTarget, found ['ball 1']
    """
    poses = as_instance(machine, Machine, "machine").angles(poses_deg).reshape(-1, len(machine.rotaries))
    allowed = np.ones(len(poses), dtype=np.bool_)
    for i, rotary in enumerate(machine.rotaries):
        allowed &= rotary.within(poses[:, i])
    seen = np.empty((len(poses), len(targets)), dtype=np.bool_)
    table = table_pose(machine, poses)
    for t, target in enumerate(targets):
        assert target.direction is not None
        upward = table.rotate(target.direction)[:, 2]
        least = (
            np.cos(np.radians(_BORE_WITHIN_DEG))
            if target.kind in (TargetKind.BORE, TargetKind.PIN)
            else _FACING
        )
        seen[:, t] = allowed & (upward >= least)
        if machine.travel is not None:
            at = transform_points(machine, target.points_mm[:, None], poses)
            inside = (at >= machine.travel.low_mm) & (at <= machine.travel.high_mm)
            seen[:, t] &= inside.all(axis=(0, 2))
    return seen


@takes_declared(unread=("which",))
def expand_mask(targets: Sequence[PlannedTarget], which: ArrayLike) -> NDArray[np.bool_]:
    """A mask by targets or by points, expanded to each of the k points of all targets.

    Parameters
    ----------
    targets : sequence of PlannedTarget
    which : array_like of bool, shape (m, t) or (m, k)

    Returns
    -------
    ndarray of bool, shape (m, k)

    Raises
    ------
    KinematicsError
        When there is a column neither for every target nor for every point.

    Examples
    --------
    >>> face = PlannedTarget("platter", TargetKind.FACE, [[0, 0, 0], [9, 0, 0]], [0, 0, 1])
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[0, 0, 50]])
    >>> expand_mask([face, ball], [[True, False]]).tolist()
    [[True, True, False]]
    >>> expand_mask([face, ball], [[True, False, True, True]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: which: expected a column for each of 2 targets or 3 points, found shape (1, 4)
    """
    use = as_flags(which, "which")
    counts = [len(target.points_mm) for target in targets]
    if use.ndim == 2 and use.shape[1] == len(targets):
        return np.repeat(use, counts, axis=1)
    if use.ndim != 2 or use.shape[1] != sum(counts):
        expected = f"a column for each of {len(targets)} targets or {sum(counts)} points"
        raise KinematicsError(f"which: expected {expected}, found shape {use.shape}")
    return use


@takes_declared(unread=("which",))
def planned_readings(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    which: ArrayLike | None = None,
) -> Readings:
    """Readings without scatter, with the machine and the targets at their nominal places.

    Parameters
    ----------
    machine : Machine
    targets : sequence of PlannedTarget
    poses_deg : array_like, shape (m, n)
    which : array_like of bool, shape (m, t) or (m, k), optional
        Which targets, or which of the k points of all targets, to read at which pose; all where left out (see
        `is_accessible`).

    Returns
    -------
    Readings
        Pose by pose, target by target, point by point.

    Raises
    ------
    KinematicsError
        When two targets share a name or nothing is left to read.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> planned_readings(mill, [ball], [[0], [90]]).points_mm.tolist()   # a quarter turn clockwise
    [[50.0, 0.0, 40.0], [0.0, -50.0, 40.0]]
    >>> planned_readings(mill, [], [[0]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: plan: expected at least one target, found none
    """
    poses = as_instance(machine, Machine, "machine").angles(poses_deg).reshape(-1, len(machine.rotaries))
    if not targets:
        raise KinematicsError("plan: expected at least one target, found none")
    counts = np.array([len(target.points_mm) for target in targets])
    use = expand_mask(
        targets, np.ones((len(poses), len(targets)), dtype=np.bool_) if which is None else which
    )
    if len(use) != len(poses):
        raise KinematicsError(f"which: expected {len(poses)} rows, one for each pose, found {len(use)}")
    pose = np.repeat(np.arange(len(poses)), int(counts.sum()))
    target = np.tile(np.repeat(np.arange(len(targets)), counts), len(poses))
    points = np.tile(np.concatenate([t.points_mm for t in targets]), (len(poses), 1))
    keep = use.reshape(-1)
    if not keep.any():
        raise KinematicsError("plan: expected at least one target that can be read at one pose, found none")
    pose, target, points = pose[keep], target[keep], points[keep]
    return Readings(
        names=tuple(t.name for t in targets),
        kinds=tuple(t.kind for t in targets),
        target=target,
        angles_deg=poses[pose],
        points_mm=table_pose(machine, poses[pose]).apply(points),
        directions=tuple(None if t.kind is TargetKind.BALL else t.direction for t in targets),
    )
