"""Planning of probing: which poses can be read, what they would determine, and which poses determine most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG
from kinematics.calibration.adjustment import build_problem, initial_state, linearize, reduced_normals
from kinematics.calibration.covariance import (
    Covariance,
    PoseInformation,
    estimated_lines,
    line_covariance,
    pose_information,
)
from kinematics.calibration.derived_quantities import axis_of, axis_shift, location_errors
from kinematics.calibration.fixed_parameters import conditional_positions, fixed_parameters
from kinematics.calibration.rank_deficiency import fix_unestimable
from kinematics.calibration.readings import Readings, TargetKind, as_sigma_mm
from kinematics.calibration.results import Estimate, FixedParameter
from kinematics.calibration.solve import Adjusted, degrees_of_freedom
from kinematics.calibration.statistics import coverage_factor
from kinematics.calibration.systematic_errors import find_systematic_errors
from kinematics.calibration.systematic_terms import COMPONENTS, TERMS, AngleError, Drift
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose, transform_points
from kinematics.machine import Machine
from kinematics.validation import ValueEquality, as_instance, as_vectors, normalized, read_only

__all__ = [
    "PlannedTarget",
    "PoseGain",
    "PredictedUncertainty",
    "candidate_poses",
    "expand_mask",
    "is_accessible",
    "optimal_poses",
    "planned_readings",
    "poses_for_angle_errors",
    "predict_uncertainty",
    "rank_added_poses",
]

_ON_IT_MM = 1e-6
_BORE_WITHIN_DEG = 30.0
_FACING = -1e-9
_MOST_POSES = 4000


@dataclass(frozen=True, eq=False)
class PlannedTarget(ValueEquality):
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
    """
    count = len(as_instance(machine, Machine, "machine").rotaries)
    steps = np.broadcast_to(np.asarray(step_deg, dtype=np.float64), (count,))
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
    """
    use = np.asarray(which, dtype=np.bool_)
    counts = [len(target.points_mm) for target in targets]
    if use.ndim == 2 and use.shape[1] == len(targets):
        return np.repeat(use, counts, axis=1)
    if use.ndim != 2 or use.shape[1] != sum(counts):
        expected = f"a column for each of {len(targets)} targets or {sum(counts)} points"
        raise KinematicsError(f"which: expected {expected}, found shape {use.shape}")
    return use


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
    """
    poses = as_instance(machine, Machine, "machine").angles(poses_deg).reshape(-1, len(machine.rotaries))
    counts = np.array([len(target.points_mm) for target in targets])
    use = expand_mask(targets, np.ones((len(poses), len(targets))) if which is None else which)
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


_PASSES = 6


@dataclass(frozen=True, eq=False)
class PredictedUncertainty(ValueEquality):
    """A-priori uncertainties of planned readings.

    Attributes
    ----------
    estimates : tuple of Estimate
        For every line its location errors (for a line near no machine axis its `LineFit.changes`), with
        their uncertainties; the value of a position is 0.
    fixed : tuple of FixedParameter
    worst : Estimate
        One that is not determined, or else the one of largest uncertainty, angles counted at `lever_mm`.
    lever_mm : float
        Typical distance of the readings from the lines.
    covariance : ndarray, shape (4n, 4n)
        As `Fit.covariance`.
    dof : int
        Degrees of freedom: 0 leaves no estimate of the scatter.
    angle_errors, drifts : tuple of AngleError, tuple of Drift
        As of a `Fit`: from which size on the readings would show such an error; none of them is significant.
    """

    estimates: tuple[Estimate, ...]
    fixed: tuple[FixedParameter, ...]
    worst: Estimate
    lever_mm: float
    covariance: NDArray[np.float64]
    dof: int
    angle_errors: tuple[AngleError, ...] = ()
    drifts: tuple[Drift, ...] = ()


def predict_uncertainty(
    planned: Readings, machine: Machine, sigma_mm: float, level: float = 0.95
) -> PredictedUncertainty:
    """Predict the uncertainties of a fit to planned readings, with the machine and its targets at their nominal places.

    Parameters
    ----------
    planned : Readings
        From `planned_readings`.
    machine : Machine
    sigma_mm : float
        The probe's standard uncertainty per coordinate.
    level : float

    Returns
    -------
    PredictedUncertainty

    Raises
    ------
    KinematicsError
        When sigma is not more than 0, or the readings do not match the machine.
    """
    as_sigma_mm(sigma_mm)
    problem = build_problem(as_instance(planned, Readings, "planned"), machine)
    state = initial_state(problem)
    raw = linearize(problem, state)
    state = fix_unestimable(problem, state, raw, sigma_mm)
    solved = Adjusted(
        problem,
        state,
        raw.squares,
        raw.residual,
        reduced_normals(problem, state, raw),
        degrees_of_freedom(problem, state),
    )
    sigma = sigma_mm if planned.sigma_mm is None else 1.0
    covariance = line_covariance(solved, sigma, coverage_factor(level))
    by_rotary = _estimates(solved, machine, covariance)
    estimates = tuple(one for found in by_rotary for one in found)

    systematic = find_systematic_errors(solved, machine, planned, sigma)

    def size(estimate: Estimate) -> float:
        if estimate.standard_uncertainty is None:
            return float("inf")
        return estimate.standard_uncertainty * (
            1.0 if estimate.unit == "mm" else float(np.radians(problem.lever_mm))
        )

    return PredictedUncertainty(
        estimates=estimates,
        fixed=(*fixed_parameters(solved, machine, planned), *conditional_positions(machine, by_rotary)),
        worst=max(estimates, key=size),
        lever_mm=problem.lever_mm,
        covariance=read_only(sigma**2 * covariance.cofactor * np.outer(problem.scale, problem.scale)),
        dof=solved.dof,
        angle_errors=systematic.angle_errors,
        drifts=systematic.drifts,
    )


def _estimates(solved: Adjusted, machine: Machine, covariance: Covariance) -> list[tuple[Estimate, ...]]:
    lines, n = estimated_lines(solved), len(machine.rotaries)
    found: list[tuple[Estimate, ...]] = []
    for i, (rotary, line) in enumerate(zip(machine.rotaries, lines, strict=True)):
        if axis_of(rotary.letter, rotary.direction) is None:
            found.append(axis_shift(rotary.letter, line, line, i, n, covariance))
        else:
            found.append(location_errors(rotary.letter, rotary.point_mm, line, i, n, covariance))
    return found


@dataclass(frozen=True, eq=False)
class PoseGain(ValueEquality):
    """Gain of one added pose.

    Attributes
    ----------
    pose_deg : ndarray, shape (n,)
    before_mm, after_mm : float
        Root mean square uncertainty of all the lines' parameters (tilts at the lever), without and with it; what is
        not determined counts two millimetres and half a degree.
    """

    pose_deg: NDArray[np.float64]
    before_mm: float
    after_mm: float

    @property
    def gain(self) -> float:
        """The share of the uncertainty that it takes away, 0 to 1."""
        return 1.0 - self.after_mm / self.before_mm


def _information(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses: NDArray[np.float64],
    sigma_mm: float,
    which: ArrayLike | None,
    angle_errors: Sequence[str] = (),
) -> PoseInformation:
    as_sigma_mm(sigma_mm)
    seen = expand_mask(targets, is_accessible(machine, targets, poses) if which is None else which)
    return pose_information(planned_readings(machine, targets, poses), seen, machine, sigma_mm, angle_errors)


def poses_for_angle_errors(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    candidates_deg: ArrayLike,
    count: int,
    sigma_mm: float,
    which: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """Poses whose addition best shows errors of the rotaries' own angles, one after the other.

    Parameters
    ----------
    machine, targets, poses_deg, candidates_deg, sigma_mm, which
        As for `rank_added_poses`.
    count : int
        How many to add at most; each candidate once.

    Returns
    -------
    ndarray, shape (k, n)
        In the order in which they help: each reduces most the variances, summed, of the errors once a turn, twice a
        turn and by a factor of every rotary that any of the poses turns.

    Raises
    ------
    KinematicsError
        When sigma is not more than 0 or there is no candidate.
    """
    poses, candidates = _poses_and_candidates(machine, poses_deg, candidates_deg)
    every = np.concatenate([poses, candidates])
    turned = [letter for letter, far in zip(machine.letters, np.ptp(every, axis=0), strict=True) if far > 0.0]
    information = _information(machine, targets, every, sigma_mm, which, turned)
    groups = [
        tuple(TERMS * k + place for place in places)
        for k in range(len(turned))
        for places in COMPONENTS.values()
    ]
    gathered, more = information.by_pose[: len(poses)].sum(axis=0), information.by_pose[len(poses) :]
    chosen: list[int] = []
    for _ in range(min(count, len(candidates))):
        left = information.angle_variance(gathered + more, groups)
        left[chosen] = np.inf
        chosen.append(int(np.argmin(left)))
        gathered = gathered + more[chosen[-1]]
    return candidates[chosen]


def _poses_and_candidates(
    machine: Machine, poses_deg: ArrayLike, candidates_deg: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    n = len(as_instance(machine, Machine, "machine").rotaries)
    candidates = machine.angles(candidates_deg).reshape(-1, n)
    if not len(candidates):
        raise KinematicsError("candidates: expected at least one pose, found none")
    return np.asarray(poses_deg, dtype=np.float64).reshape(-1, n), candidates


def rank_added_poses(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    candidates_deg: ArrayLike,
    sigma_mm: float,
    which: ArrayLike | None = None,
) -> tuple[PoseGain, ...]:
    """Candidate poses by the uncertainty that adding one of them leaves, the best first.

    Parameters
    ----------
    machine : Machine
    targets : sequence of PlannedTarget
        All read at every pose at which they are `is_accessible`, where `which` does not say it.
    poses_deg : array_like, shape (m, n)
        Already planned; may be empty.
    candidates_deg : array_like, shape (k, n)
    sigma_mm : float
    which : array_like of bool, shape (m + k, t) or (m + k, points), optional
        What is read at the planned poses, then at the candidates.

    Returns
    -------
    tuple of PoseGain
        One for each candidate.

    Raises
    ------
    KinematicsError
        When sigma is not more than 0 or there is no candidate.
    """
    poses, candidates = _poses_and_candidates(machine, poses_deg, candidates_deg)
    information = _information(machine, targets, np.concatenate([poses, candidates]), sigma_mm, which)
    gathered = information.by_pose[: len(poses)].sum(axis=0)
    before = float(information.uncertainty_mm(gathered))
    after = information.uncertainty_mm(gathered + information.by_pose[len(poses) :])
    return tuple(
        PoseGain(read_only(candidates[k]), before, float(after[k])) for k in np.argsort(after, kind="stable")
    )


def optimal_poses(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    candidates_deg: ArrayLike,
    count: int,
    sigma_mm: float,
    which: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """An A-optimal set of poses, by greedy addition and then exchange.

    Parameters
    ----------
    machine, targets, candidates_deg, sigma_mm
        As for `rank_added_poses`. Poses at which nothing can be read are not taken.
    count : int
        How many poses; every candidate at most once.
    which : array_like of bool, shape (k, t) or (k, points), optional
        What can be read at each candidate; what is `is_accessible` where left out.

    Returns
    -------
    ndarray, shape (count, n)
        In an order that moves the outer rotaries least.

    Raises
    ------
    KinematicsError
        When there are fewer candidates at which anything can be read.
    """
    n = len(as_instance(machine, Machine, "machine").rotaries)
    candidates = machine.angles(candidates_deg).reshape(-1, n)
    use = expand_mask(targets, is_accessible(machine, targets, candidates) if which is None else which)
    candidates, use = candidates[use.any(axis=1)], use[use.any(axis=1)]
    if not 1 <= count <= len(candidates):
        raise KinematicsError(
            f"count: expected 1 to {len(candidates)} (poses that can be read), found {count}"
        )
    information = _information(machine, targets, candidates, sigma_mm, use)
    chosen: list[int] = []

    def best(gathered: NDArray[np.float64]) -> tuple[int, float]:
        after = information.uncertainty_mm(gathered + information.by_pose)
        after[chosen] = np.inf
        k = int(np.argmin(after))
        return k, float(after[k])

    gathered = np.zeros_like(information.prior)
    for _ in range(count):
        k, now = best(gathered)
        chosen.append(k)
        gathered = gathered + information.by_pose[k]
    for _ in range(_PASSES):
        before = now
        for place in range(count):
            out = chosen[place]
            k, after = best(gathered - information.by_pose[out])
            if after < now * (1.0 - 1e-9):
                gathered = gathered - information.by_pose[out] + information.by_pose[k]
                chosen[place], now = k, after
        if now > before * (1.0 - 1e-6):
            break
    return _boustrophedon(candidates[chosen])


def _boustrophedon(poses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sort poses: outer rotaries slowest, every other run of the innermost reversed, so that it need not return."""
    ordered = poses[np.lexsort(poses.T[::-1])]
    if ordered.shape[1] == 1:
        return ordered
    _, group = np.unique(ordered[:, :-1], axis=0, return_inverse=True)
    group = group.reshape(-1)
    pieces = [ordered[group == g] for g in range(int(group.max()) + 1)]
    return np.concatenate([piece if g % 2 == 0 else piece[::-1] for g, piece in enumerate(pieces)])
