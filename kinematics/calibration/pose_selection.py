"""Selection of poses: which determine most, which to add, which show errors of the rotaries' own angles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.calibration.covariance import PoseInformation, pose_information
from kinematics.calibration.planned_targets import PlannedTarget, expand_mask, is_accessible, planned_readings
from kinematics.calibration.readings import as_sigma_mm
from kinematics.calibration.systematic_terms import COMPONENTS, TERMS
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import ValueEquality, as_instance, read_only

__all__ = ["PoseGain", "optimal_poses", "poses_for_angle_errors", "rank_added_poses"]

_PASSES = 6


@dataclass(frozen=True, eq=False)
class PoseGain(ValueEquality, DeclaredFields):
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


def _seen(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses: NDArray[np.float64],
    which: ArrayLike | None,
) -> NDArray[np.bool_]:
    """True for each pose and point that is read there: as stated, or else whatever is accessible."""
    seen = expand_mask(targets, is_accessible(machine, targets, poses) if which is None else which)
    if len(seen) != len(poses):
        raise KinematicsError(f"which: expected {len(poses)} rows, one for each pose, found {len(seen)}")
    return seen


def _information(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses: NDArray[np.float64],
    sigma_mm: float,
    which: ArrayLike | None,
    angle_errors: Sequence[str] = (),
) -> PoseInformation:
    as_sigma_mm(sigma_mm)
    seen = _seen(machine, targets, poses, which)
    return pose_information(planned_readings(machine, targets, poses), seen, machine, sigma_mm, angle_errors)


@takes_declared(unread=("which",))
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

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> poses_for_angle_errors(mill, [ball], [[0], [180]], [[10], [90]], 1, 0.002).tolist()
    [[90.0]]
    >>> poses_for_angle_errors(mill, [ball], [[0], [180]], [], 1, 0.002)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: candidates: expected at least one pose, found none
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
    if not np.size(candidates_deg):
        raise KinematicsError("candidates: expected at least one pose, found none")
    candidates = machine.angles(candidates_deg).reshape(-1, n)
    poses = machine.angles(poses_deg).reshape(-1, n) if np.size(poses_deg) else np.empty((0, n))
    return poses, candidates


@takes_declared(unread=("which",))
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

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> gains = rank_added_poses(mill, [ball], [[0], [90]], [[100], [225]], 0.002)
    >>> [one.pose_deg.tolist() for one in gains]   # opposite to both is better than beside one
    [[225.0], [100.0]]
    >>> rank_added_poses(mill, [ball], [[0]], [], 0.002)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: candidates: expected at least one pose, found none
    """
    poses, candidates = _poses_and_candidates(machine, poses_deg, candidates_deg)
    information = _information(machine, targets, np.concatenate([poses, candidates]), sigma_mm, which)
    gathered = information.by_pose[: len(poses)].sum(axis=0)
    before = float(information.uncertainty_mm(gathered))
    after = information.uncertainty_mm(gathered + information.by_pose[len(poses) :])
    return tuple(
        PoseGain(read_only(candidates[k]), before, float(after[k])) for k in np.argsort(after, kind="stable")
    )


@takes_declared(unread=("which",))
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

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> from kinematics.calibration import candidate_poses
    >>> optimal_poses(mill, [ball], candidate_poses(mill, 60.0), 3, 0.002).tolist()   # thirds of a turn
    [[60.0], [180.0], [300.0]]
    >>> optimal_poses(mill, [ball], candidate_poses(mill, 60.0), 7, 0.002)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: count: expected 1 to 6 (poses that can be read), found 7
    """
    n = len(as_instance(machine, Machine, "machine").rotaries)
    candidates = machine.angles(candidates_deg).reshape(-1, n)
    use = _seen(machine, targets, candidates, which)
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
