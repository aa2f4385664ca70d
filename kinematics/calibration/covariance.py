"""Covariance of the lines' parameters, and propagation of uncertainty to quantities derived from them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.line_parameters import tilted_direction_with_jacobian
from kinematics.calibration.linear_algebra import pseudo_inverse
from kinematics.calibration.results import Estimate
from kinematics.calibration.solve import Adjusted

__all__ = ["Covariance", "EstimatedLine", "embed", "estimated_lines", "line_covariance"]

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
