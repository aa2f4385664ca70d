"""Covariance of the lines' parameters, what it gives for quantities derived from them, and information by single poses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import build_problem, initial_state, linearize
from kinematics.calibration.line_parameters import tilted_direction_with_jacobian
from kinematics.calibration.linear_algebra import eigen_symmetric, inverse, pseudo_inverse
from kinematics.calibration.readings import Readings
from kinematics.calibration.results import Estimate
from kinematics.calibration.solve import Adjusted
from kinematics.machine import Machine

__all__ = [
    "Covariance",
    "EstimatedLine",
    "PoseInformation",
    "embed",
    "estimated_lines",
    "line_covariance",
    "pose_information",
]

_FIXED_SHARE = 1e-3
"""Share (squares) of a gradient that may lie along fixed combinations before the quantity counts as fixed."""
_SENSITIVE_MM = 1e-4
"""Millimetres for 0.01 degrees below which a fixed direction does not matter: a tenth of a micrometre."""


@dataclass(frozen=True, eq=False)
class Covariance:
    """Covariance of the scaled parameters (4n + k,): the lines', then those of the k terms of the angles' errors.

    Attributes
    ----------
    cofactor : ndarray, shape (4n + k, 4n + k)
        Cofactor matrix: the covariance for a standard deviation of 1.
    free : ndarray, shape (4n + k, f)
        Orthonormal basis of what is estimable; what is orthogonal to it is fixed.
    sigma : float or None
    factor : float or None
        Coverage factor, from standard to expanded uncertainty.
    tilt_sensitivity_mm : ndarray, shape (4n + k, r)
        Change of the scaled parameters for 0.01 degrees of each combination of the fixed tilts.
    level : float
        Coverage probability of the factor.
    dof : int or None
        Degrees of freedom of an estimated sigma; None for a stated one.
    """

    cofactor: NDArray[np.float64]
    free: NDArray[np.float64]
    sigma: float | None
    factor: float | None
    tilt_sensitivity_mm: NDArray[np.float64]
    level: float = 0.95
    dof: int | None = None

    def rests_on_fixed(self, gradient: NDArray[np.float64]) -> bool:
        """True for a quantity whose gradient (4n,) lies, even in part, along fixed combinations."""
        gradient = self._whole(gradient)
        size = float(gradient @ gradient)
        estimable = gradient @ self.free
        return size > 0.0 and float(size - estimable @ estimable) > _FIXED_SHARE * size

    def propagate(self, estimate: Estimate, gradient: NDArray[np.float64]) -> Estimate:
        """The estimate with the uncertainty of a quantity that has that gradient (4n,)."""
        gradient = self._whole(gradient)
        if self.rests_on_fixed(gradient):
            return replace(estimate, fixed=True)
        found = self.with_variance(estimate, float(gradient @ self.cofactor @ gradient))
        if estimate.unit != "mm":
            return found
        sensitivity = float(np.linalg.norm(gradient @ self.tilt_sensitivity_mm))
        return replace(found, tilt_sensitivity_mm=sensitivity if sensitivity > _SENSITIVE_MM else 0.0)

    def _whole(self, gradient: NDArray[np.float64]) -> NDArray[np.float64]:
        """A gradient by the lines' parameters with zeros for those of the angles' errors."""
        return np.concatenate([gradient, np.zeros(len(self.cofactor) - len(gradient))])

    def with_variance(self, estimate: Estimate, variance: float) -> Estimate:
        """The estimate with that variance for a standard deviation of 1."""
        if self.sigma is None or self.factor is None:
            return estimate
        u = self.sigma * float(np.sqrt(max(variance, 0.0)))
        return replace(estimate, standard_uncertainty=u, expanded_uncertainty=self.factor * u)


def line_covariance(
    solved: Adjusted,
    sigma: float | None,
    factor: float | None,
    level: float = 0.95,
    dof: int | None = None,
) -> Covariance:
    """The lines' covariance, everything else eliminated."""
    free = solved.state.free
    return Covariance(
        free @ solved.reduced.cofactor @ free.T, free, sigma, factor, _tilt_sensitivity(solved), level, dof
    )


def _tilt_sensitivity(solved: Adjusted) -> NDArray[np.float64]:
    """Change of the lines' scaled parameters with the tilts that were fixed in place of a null space.

    A combination of the null space moves tilts and positions together. The tilts are fixed, and the position is then
    estimable, but only as far as they are right: it moves with them along the combination.
    """
    null_space, tilts = solved.state.null_space, solved.state.null_space_tilts
    if null_space is None or tilts is None or not null_space.shape[1]:
        return np.zeros((len(solved.state.parameters), 0))
    each_mm = np.radians(0.01) * solved.problem.lever_mm
    return np.asarray(each_mm * (null_space @ pseudo_inverse(tilts, 1e-6)))


@dataclass(frozen=True, eq=False)
class EstimatedLine:
    """An estimated line and its derivatives by its own four scaled parameters.

    Attributes
    ----------
    point, direction : ndarray, shape (3,)
        The point in which it pierces the plane of its parameters.
    point_slope, direction_slope : ndarray, shape (4, 3)
    """

    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    point_slope: NDArray[np.float64]
    direction_slope: NDArray[np.float64]


def estimated_lines(
    solved: Adjusted, parameters: NDArray[np.float64] | None = None
) -> tuple[EstimatedLine, ...]:
    """Every line at the solution, or at other scaled parameters (4n,)."""
    problem = solved.problem
    scaled = problem.line_parameters(solved.state.parameters if parameters is None else parameters)
    lines, found = problem.lines, []
    for i in range(problem.rotaries):
        direction, tilt = tilted_direction_with_jacobian(lines.direction[i], lines.basis[i], scaled[i, 2:])
        point = lines.point[i] + scaled[i, :2] @ lines.basis[i]
        nothing = np.zeros((2, 3))
        found.append(
            EstimatedLine(
                point,
                direction,
                np.concatenate([lines.basis[i], nothing]),
                np.concatenate([nothing, tilt / problem.lever_mm]),
            )
        )
    return tuple(found)


def embed(slope: NDArray[np.float64], i: int, rotaries: int) -> NDArray[np.float64]:
    """The gradient (4n,) of a quantity that has the gradient `slope` (4,) by the parameters of rotary i alone."""
    gradient = np.zeros(4 * rotaries)
    gradient[4 * i : 4 * i + 4] = slope
    return gradient


_SHIFT_MM = 2.0
_TILT_DEG = 0.5


@dataclass(frozen=True, eq=False)
class PoseInformation:
    """Information matrices of the poses, and the prior's.

    Attributes
    ----------
    by_pose : ndarray, shape (m, p, p)
        Over the 4n line parameters, then k terms of the angles' errors, then the targets'.
    prior : ndarray, shape (p, p)
    lines, angles : int
        4n and k.
    lever_mm : float
        Scale of tilts and angles.
    sigma_mm : float
    """

    by_pose: NDArray[np.float64]
    prior: NDArray[np.float64]
    lines: int
    angles: int
    lever_mm: float
    sigma_mm: float

    def uncertainty_mm(self, gathered: NDArray[np.float64]) -> NDArray[np.float64]:
        """Root mean square uncertainty of the lines' parameters for information (..., p, p)."""
        variance = np.diagonal(inverse(gathered + self.prior), axis1=-2, axis2=-1)[..., : self.lines]
        return np.asarray(self.sigma_mm * np.sqrt(variance.mean(axis=-1)))

    def angle_variance(
        self, gathered: NDArray[np.float64], groups: Sequence[tuple[int, ...]]
    ) -> NDArray[np.float64]:
        """Largest variance (radians squared) of each group of terms, alone beside lines and targets, summed, shape (...)."""
        whole = gathered + self.prior
        angle = slice(self.lines, self.lines + self.angles)
        rest = np.r_[0 : self.lines, self.lines + self.angles : whole.shape[-1]]
        others = inverse(whole[..., rest[:, None], rest])
        across = whole[..., angle, :][..., rest]
        own = whole[..., angle, angle] - across @ others @ np.swapaxes(across, -1, -2)
        total = np.zeros(whole.shape[:-2])
        for group in groups:
            places = np.array(group)
            least = eigen_symmetric(own[..., places[:, None], places])[0][..., 0]
            total = total + (self.sigma_mm / self.lever_mm) ** 2 / np.maximum(least, 1e-12)
        return total


def pose_information(
    everything: Readings,
    seen: NDArray[np.bool_],
    machine: Machine,
    sigma_mm: float,
    angle_errors: Sequence[str] = (),
) -> PoseInformation:
    """Information of each pose for readings of every point at every pose, of which `seen` (m, k) are taken."""
    problem = build_problem(everything, machine, angle_errors)
    raw = linearize(problem, initial_state(problem))
    lines, angles, count = 4 * problem.rotaries, problem.angle_terms.count, len(problem.names)
    n, first = len(everything), 4 * problem.rotaries + problem.angle_terms.count
    rows = np.zeros((n, 3, first + 4 * count))
    back = np.empty_like(problem.order)
    back[problem.order] = np.arange(n)
    rows[:, :, :first] = raw.columns[back]
    place = first + 4 * problem.target[back][:, None] + np.arange(4)
    rows[np.arange(n)[:, None, None], np.arange(3)[None, :, None], place[:, None, :]] = raw.by_target[back]
    rows *= seen.reshape(-1)[:, None, None]
    rows = rows.reshape(len(seen), -1, rows.shape[-1])
    each = np.swapaxes(rows, 1, 2) @ rows
    tilt = np.radians(_TILT_DEG) * problem.lever_mm
    prior = np.full(first + 4 * count, (sigma_mm / 1000.0) ** 2)
    prior[:lines] = (sigma_mm / np.array([_SHIFT_MM, _SHIFT_MM, tilt, tilt] * problem.rotaries)) ** 2
    unused = problem.nominal_targets.unused.reshape(-1)
    prior[first:][unused] = 1.0
    return PoseInformation(each, np.diag(prior), lines, angles, problem.lever_mm, sigma_mm)
