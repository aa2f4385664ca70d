"""What readings will tell, from their Jacobian alone: nobody need have probed anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.arrays import frozen
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.pivot.adjust import pose_problem, raw_rows, reduced, start
from kinematics.pivot.covary import Spread, lines_now, spread_of
from kinematics.pivot.location import axis_of, location_errors, moved
from kinematics.pivot.planned import PlannedTarget, planned_readings, point_by_point, readable
from kinematics.pivot.rank import hold_untold
from kinematics.pivot.readings import Readings
from kinematics.pivot.results import Estimate, Held
from kinematics.pivot.solve import Solved, told_dof
from kinematics.pivot.student import coverage_factor
from kinematics.pivot.told import conditions, held_words

__all__ = ["AddedPose", "Foreseen", "choose_poses", "foresee", "rank_added_poses"]

_SHIFT_MM = 2.0
_LEAN_DEG = 0.5
_PASSES = 6


@dataclass(frozen=True, eq=False)
class Foreseen:
    """What planned readings would tell.

    Attributes
    ----------
    estimates : tuple of Estimate
        For every line its location errors (for a line near no machine axis what `LineFit.moved` would hold), with
        their uncertainties; the value of a position is 0.
    held : tuple of Held
    poorest : Estimate
        What stays untold, or else has the largest uncertainty, angles counted at `lever_mm`.
    lever_mm : float
        Typical distance of the readings from the lines.
    covariance : ndarray, shape (4n, 4n)
        As `Fit.covariance`.
    dof : int
        Readings to spare: 0 leaves no estimate of the scatter.
    """

    estimates: tuple[Estimate, ...]
    held: tuple[Held, ...]
    poorest: Estimate
    lever_mm: float
    covariance: NDArray[np.float64]
    dof: int


def foresee(planned: Readings, machine: Machine, sigma_mm: float, level: float = 0.95) -> Foreseen:
    """The uncertainties that readings would give, if the machine and its targets are about where they are said to be.

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
    Foreseen

    Raises
    ------
    KinematicsError
        When sigma is not more than 0, or the readings do not match the machine.
    """
    if not (np.isfinite(sigma_mm) and sigma_mm > 0.0):
        raise KinematicsError(f"sigma: expected more than 0 mm, found {sigma_mm:g}")
    problem = pose_problem(planned, machine)
    state = start(problem)
    raw = raw_rows(problem, state)
    state = hold_untold(problem, state, raw, sigma_mm)
    solved = Solved(
        problem, state, raw.squares, raw.residual, reduced(problem, state, raw), told_dof(problem, state)
    )
    sigma = sigma_mm if planned.sigma_mm is None else 1.0
    spread = spread_of(solved, sigma, coverage_factor(level))
    by_rotary = _estimates(solved, machine, spread)
    estimates = tuple(one for found in by_rotary for one in found)

    def badness(estimate: Estimate) -> float:
        if estimate.u is None:
            return float("inf")
        return estimate.u * (1.0 if estimate.unit == "mm" else float(np.radians(problem.lever_mm)))

    return Foreseen(
        estimates=estimates,
        held=(*held_words(solved, machine, planned), *conditions(machine, by_rotary)),
        poorest=max(estimates, key=badness),
        lever_mm=problem.lever_mm,
        covariance=frozen(sigma**2 * spread.shape * np.outer(problem.scale, problem.scale)),
        dof=solved.dof,
    )


def _estimates(solved: Solved, machine: Machine, spread: Spread) -> list[tuple[Estimate, ...]]:
    lines, n = lines_now(solved), len(machine.rotaries)
    found: list[tuple[Estimate, ...]] = []
    for i, (rotary, line) in enumerate(zip(machine.rotaries, lines, strict=True)):
        if axis_of(rotary.letter, rotary.direction) is None:
            found.append(moved(rotary.letter, line, line, i, n, spread))
        else:
            found.append(location_errors(rotary.letter, rotary.point_mm, line, i, n, spread))
    return found


@dataclass(frozen=True, eq=False)
class AddedPose:
    """One pose more: what it brings.

    Attributes
    ----------
    pose_deg : ndarray, shape (n,)
    before_mm, after_mm : float
        Root mean square uncertainty of all the lines' numbers (leans at the lever), without and with it; what is
        untold counts two millimetres and half a degree.
    """

    pose_deg: NDArray[np.float64]
    before_mm: float
    after_mm: float

    @property
    def gain(self) -> float:
        """The share of the uncertainty that it takes away, 0 to 1."""
        return 1.0 - self.after_mm / self.before_mm


@dataclass(frozen=True, eq=False)
class _Information:
    """What each pose tells: (m, p, p) over lines and targets together, the lines' 4n first; and what is believed."""

    each: NDArray[np.float64]
    prior: NDArray[np.float64]
    lines: int
    sigma_mm: float

    def uncertainty_mm(self, gathered: NDArray[np.float64]) -> NDArray[np.float64]:
        """Root mean square uncertainty of the lines' numbers for information (..., p, p)."""
        inverse = np.linalg.inv(gathered + self.prior)
        variance = np.diagonal(inverse, axis1=-2, axis2=-1)[..., : self.lines].mean(axis=-1)
        return np.asarray(self.sigma_mm * np.sqrt(variance))


def _information(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses: NDArray[np.float64],
    sigma_mm: float,
    which: ArrayLike | None,
) -> _Information:
    if not (np.isfinite(sigma_mm) and sigma_mm > 0.0):
        raise KinematicsError(f"sigma: expected more than 0 mm, found {sigma_mm:g}")
    seen = point_by_point(targets, readable(machine, targets, poses) if which is None else which)
    everything = planned_readings(machine, targets, poses)
    problem = pose_problem(everything, machine)
    raw = raw_rows(problem, start(problem))
    lines, count = 4 * problem.rotaries, len(problem.names)
    n = len(everything)
    rows = np.zeros((n, 3, lines + 4 * count))
    back = np.empty_like(problem.order)
    back[problem.order] = np.arange(n)
    rows[:, :, :lines] = raw.columns[back]
    place = lines + 4 * problem.target[back][:, None] + np.arange(4)
    rows[np.arange(n)[:, None, None], np.arange(3)[None, :, None], place[:, None, :]] = raw.by_target[back]
    rows *= seen.reshape(-1)[:, None, None]
    rows = rows.reshape(len(poses), -1, rows.shape[-1])
    each = np.swapaxes(rows, 1, 2) @ rows
    lean = np.radians(_LEAN_DEG) * problem.lever_mm
    believed = np.full(lines + 4 * count, (sigma_mm / 1000.0) ** 2)
    believed[:lines] = (sigma_mm / np.array([_SHIFT_MM, _SHIFT_MM, lean, lean] * problem.rotaries)) ** 2
    unused = problem.charts.unused.reshape(-1)
    believed[lines:][unused] = 1.0
    return _Information(each, np.diag(believed), lines, sigma_mm)


def rank_added_poses(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    candidates_deg: ArrayLike,
    sigma_mm: float,
    which: ArrayLike | None = None,
) -> tuple[AddedPose, ...]:
    """Which one pose more would help most, the best first.

    Parameters
    ----------
    machine : Machine
    targets : sequence of PlannedTarget
        All read at every pose at which they are `readable`, where `which` does not say it.
    poses_deg : array_like, shape (m, n)
        Already planned; may be empty.
    candidates_deg : array_like, shape (k, n)
    sigma_mm : float
    which : array_like of bool, shape (m + k, t) or (m + k, points), optional
        What is read at the planned poses, then at the candidates.

    Returns
    -------
    tuple of AddedPose
        One for each candidate.

    Raises
    ------
    KinematicsError
        When sigma is not more than 0 or there is no candidate.
    """
    n = len(machine.rotaries)
    poses = np.asarray(poses_deg, dtype=np.float64).reshape(-1, n)
    candidates = machine.angles(candidates_deg).reshape(-1, n)
    if not len(candidates):
        raise KinematicsError("candidates: expected at least one pose, found none")
    told = _information(machine, targets, np.concatenate([poses, candidates]), sigma_mm, which)
    gathered = told.each[: len(poses)].sum(axis=0)
    before = float(told.uncertainty_mm(gathered))
    after = told.uncertainty_mm(gathered + told.each[len(poses) :])
    return tuple(
        AddedPose(frozen(candidates[k]), before, float(after[k])) for k in np.argsort(after, kind="stable")
    )


def choose_poses(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    candidates_deg: ArrayLike,
    count: int,
    sigma_mm: float,
    which: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """A pose set for the least uncertainty, by adding the best one and then exchanging one for a better one.

    Parameters
    ----------
    machine, targets, candidates_deg, sigma_mm
        As for `rank_added_poses`. Poses at which nothing can be read are not taken.
    count : int
        How many poses; every candidate at most once.
    which : array_like of bool, shape (k, t) or (k, points), optional
        What can be read at each candidate; what is `readable` where left out.

    Returns
    -------
    ndarray, shape (count, n)
        In an order that moves the outer rotaries least.

    Raises
    ------
    KinematicsError
        When there are fewer candidates at which anything can be read.
    """
    candidates = machine.angles(candidates_deg).reshape(-1, len(machine.rotaries))
    use = point_by_point(targets, readable(machine, targets, candidates) if which is None else which)
    candidates, use = candidates[use.any(axis=1)], use[use.any(axis=1)]
    if not 1 <= count <= len(candidates):
        raise KinematicsError(
            f"count: expected 1 to {len(candidates)} (poses that can be read), found {count}"
        )
    told = _information(machine, targets, candidates, sigma_mm, use)
    chosen: list[int] = []

    def best(gathered: NDArray[np.float64]) -> tuple[int, float]:
        after = told.uncertainty_mm(gathered + told.each)
        after[chosen] = np.inf
        k = int(np.argmin(after))
        return k, float(after[k])

    gathered = np.zeros_like(told.prior)
    for _ in range(count):
        k, now = best(gathered)
        chosen.append(k)
        gathered = gathered + told.each[k]
    for _ in range(_PASSES):
        before = now
        for place in range(count):
            out = chosen[place]
            k, after = best(gathered - told.each[out])
            if after < now * (1.0 - 1e-9):
                gathered = gathered - told.each[out] + told.each[k]
                chosen[place], now = k, after
        if now > before * (1.0 - 1e-6):
            break
    return _in_order(candidates[chosen])


def _in_order(poses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Outer rotaries slowest; each inner one back and forth, so that it does not run home every time."""
    ordered = poses[np.lexsort(poses.T[::-1])]
    last = ordered.shape[1] - 1
    if last == 0:
        return ordered
    _, group = np.unique(ordered[:, :last], axis=0, return_inverse=True)
    group = group.reshape(-1)
    pieces = [ordered[group == g] for g in range(int(group.max()) + 1)]
    return np.concatenate([piece if g % 2 == 0 else piece[::-1] for g, piece in enumerate(pieces)])
