"""M-estimation: robust losses that give readings far off less weight.

The losses are those of scipy.optimize.least_squares, in its definition: the sum of ``C^2 rho(r^2 / C^2)`` is
minimised, r being the length of a reading's residual vector (a ball counts as one, not axis by axis).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import build_problem, gauss_newton, reduced_normals
from kinematics.calibration.readings import Readings
from kinematics.calibration.solve import Adjusted, solve_problem
from kinematics.calibration.statistics import chi_squared_median
from kinematics.errors import KinematicsError
from kinematics.machine import Machine

__all__ = ["LOSSES", "m_estimate"]

LOSSES = ("soft_l1", "huber", "cauchy", "arctan")

_BENDS_AT = 3.0


def rho(
    loss: str, z: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A loss and its first two derivatives."""
    if loss == "soft_l1":
        root = np.sqrt(1.0 + z)
        return 2.0 * (root - 1.0), 1.0 / root, -0.5 / root**3
    if loss == "huber":
        inside, root = z <= 1.0, np.sqrt(np.maximum(z, 1.0))
        return (
            np.where(inside, z, 2.0 * root - 1.0),
            np.where(inside, 1.0, 1.0 / root),
            np.where(inside, 0.0, -0.5 / root**3),
        )
    if loss == "cauchy":
        return np.log1p(z), 1.0 / (1.0 + z), -1.0 / (1.0 + z) ** 2
    if loss == "arctan":
        return np.arctan(z), 1.0 / (1.0 + z**2), -2.0 * z / (1.0 + z**2) ** 2
    raise KinematicsError(f"loss: expected linear, {', '.join(LOSSES)}, found {loss!r}")


def _weigh(which: str, reach: float, squares: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    value, first, _ = rho(which, squares / reach**2)
    return first, float(value.sum()) * reach**2


def m_estimate(
    readings: Readings,
    machine: Machine,
    sigma_mm: float | None,
    loss: str,
    scale_mm: float | None,
    angle_errors: Sequence[str] = (),
    drifts: Sequence[str] = (),
) -> tuple[Adjusted, NDArray[np.float64], float | None]:
    """Fit by M-estimation: the solution, the readings' weights in the problem's order, and the robust scatter.

    The scatter follows Huber's correction (P. J. Huber, Robust Statistics, 1981, section 7.6; from memory): the mean
    square of the robust_s0 residuals over the square of the mean slope of the bend.
    """
    rho(loss, np.zeros(1))
    problem = build_problem(readings, machine, angle_errors, drifts)
    plain = solve_problem(problem, sigma_mm)
    equations = problem.nominal_targets.equations[problem.target]
    if scale_mm is None:
        spare = max(plain.dof, 1) / problem.equations
        sizes = plain.squares / chi_squared_median(equations) / spare
        scale = _BENDS_AT * (sigma_mm or float(np.sqrt(np.median(sizes))))
    else:
        scale = scale_mm if readings.sigma_mm is None else scale_mm * problem.usual_weight
    scale = max(scale, 1e-9)

    state = plain.state
    # Widely first: a redescending loss must not start far off.
    for which, reach in (("soft_l1", 4.0 * scale), ("soft_l1", scale), (loss, scale)):
        weigh = functools.partial(_weigh, which, reach)
        state, raw = gauss_newton(problem, state, weigh=weigh, steps=400, converged_mm=1e-8)
    squares = raw.squares
    z = squares / scale**2
    _, first, second = rho(loss, z)
    solved = Adjusted(problem, state, squares, raw.residual, reduced_normals(problem, state, raw), plain.dof)
    robust_s0 = None
    if plain.dof > 0:
        slope = float((equations * first + 2.0 * z * second).sum() / equations.sum())
        robust_s0 = float(np.sqrt((first**2 * squares).sum() / plain.dof)) / max(slope, 1e-3)
    return solved, first, robust_s0
