"""A-priori uncertainties: what planned readings would determine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import build_problem, initial_state, linearize, reduced_normals
from kinematics.calibration.covariance import Covariance, estimated_lines, line_covariance
from kinematics.calibration.derived_quantities import axis_of, axis_shift, location_errors
from kinematics.calibration.fixed_parameters import conditional_positions, fixed_parameters
from kinematics.calibration.rank_deficiency import fix_unestimable
from kinematics.calibration.readings import Readings, as_sigma_mm
from kinematics.calibration.results import Estimate, FixedParameter
from kinematics.calibration.solve import Adjusted, degrees_of_freedom
from kinematics.calibration.statistics import coverage_factor
from kinematics.calibration.systematic_errors import find_systematic_errors
from kinematics.calibration.systematic_terms import AngleError, Drift
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.machine import Machine
from kinematics.validation import ValueEquality, as_instance, read_only

__all__ = ["PredictedUncertainty", "predict_uncertainty"]


@dataclass(frozen=True, eq=False)
class PredictedUncertainty(ValueEquality, DeclaredFields):
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


@takes_declared()
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

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> from kinematics.calibration import planned_readings
    >>> plan = planned_readings(mill, [ball], [[0], [90], [180], [270]])
    >>> predict_uncertainty(plan, mill, 0.002).dof   # 4 times 3 numbers, less 4 of the line and 3 of the ball
    5
    >>> predict_uncertainty(plan, mill, 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sigma: expected more than 0, found 0
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
