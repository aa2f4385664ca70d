"""Calibration of the rotaries' lines by least squares: probe readings in, lines with uncertainties out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.covariance import (
    Covariance,
    EstimatedLine,
    embed,
    estimated_lines,
    line_covariance,
)
from kinematics.calibration.derived_quantities import (
    axis_relations,
    axis_shift,
    fitted_platter,
    location_errors,
    target_fits,
)
from kinematics.calibration.fixed_parameters import conditional_positions, fixed_parameters
from kinematics.calibration.outliers import find_outliers, reading_residuals
from kinematics.calibration.readings import Readings, as_sigma_mm
from kinematics.calibration.results import Fit, LineFit
from kinematics.calibration.robust import m_estimate
from kinematics.calibration.solve import Adjusted, solve
from kinematics.calibration.statistics import coverage_factor, p_value
from kinematics.calibration.systematic_errors import SystematicErrors, find_systematic_errors
from kinematics.calibration.systematic_terms import AngleCurve, DriftFit, angle_functions
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import as_positive, read_only

__all__ = ["fit_pivots"]

_ARCSEC = float(np.degrees(3600.0))
_FREE = 1e-3
"""Fixed share (squares) of a parameter below which it counts as determined."""
_ALONG = 0.9
"""Cosine with the line from which on a component counts as along it."""


@np.errstate(over="ignore", invalid="ignore", divide="ignore")  # what is not finite is refused
@takes_declared()
def fit_pivots(
    readings: Readings,
    machine: Machine,
    *,
    sigma_mm: float | None = None,
    floor_mm: float | None = None,
    loss: str = "linear",
    loss_scale_mm: float | None = None,
    level: float = 0.95,
    angle_errors: Sequence[str] = (),
    drifts: Sequence[str] = (),
) -> Fit:
    """Fit every rotary's line and every target to probe readings, in one least-squares adjustment.

    Parameters
    ----------
    readings : Readings
    machine : Machine
        Its lines are the initial values, and the result where the readings determine nothing. Its senses of
        rotation are taken as right; `find_blunders` tests them.
    sigma_mm : float, optional
        The probe's standard uncertainty per coordinate, if it is known. Left out, it is estimated from the
        residuals and the coverage factor is Student's t. Readings with sigmas of their own must not be given
        another.
    floor_mm : float, optional
        Least estimated sigma: the standard uncertainty of rounding to the last digit, `resolution / sqrt(12)`.
    loss : str
        "linear", or one of scipy's robust losses: "soft_l1", "huber", "cauchy", "arctan"; applied per reading.
    loss_scale_mm : float, optional
        Residual beyond which a robust loss departs from squares; three times the scatter where left out.
    level : float
        Coverage probability of the expanded uncertainties.
    angle_errors : sequence of str
        Letters of rotaries whose own angle is off: its errors once a turn, twice a turn and by a factor are adjusted
        along with the lines, as far as these readings determine them.
    drifts : sequence of str
        "order" or "temperature" or both: a drift of all readings in the order in which they were taken, or with the
        temperature that was logged, adjusted along as well; the lines are then those of the first, or coldest, reading.

    Returns
    -------
    Fit

    Raises
    ------
    KinematicsError
        When readings and machine do not match, determine no line, or the adjustment does not converge.

    Notes
    -----
    All readings are derotated to the all-zero pose, where a ball's fall on one point, a bore's on one line, a face's
    on one plane; residuals are orthogonal distances from these. First-order covariance: sigma squared times the
    inverse of the normal matrix, targets eliminated; good as long as tilts stay far below one radian.

    Examples
    --------
    A ball carried through a half turn by C alone:

    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense, transform_points
    >>> from kinematics.calibration import readings_from_rows
    >>> c = RotaryAxis("C", [0.0, 0.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> poses = [[0.0], [90.0], [180.0], [270.0]]
    >>> read = transform_points(mill, [40.0, 0.0, 25.0], poses) + [0.012, -0.004, 0.0]
    >>> fit = fit_pivots(readings_from_rows(["ball"] * 4, ["ball 1"] * 4, poses, read), mill, sigma_mm=0.002)
    >>> fit.line("C").point_mm.round(6).tolist()
    [0.012, -0.004, 0.0]
    >>> [e.name for e in fit.line("C").location_errors]
    ['E_X0C', 'E_Y0C', 'E_A0C', 'E_B0C']
    >>> fit_pivots(readings_from_rows(["ball"], ["ball 1"], [[0.0]], [[40.0, 0.0, 25.0]]), mill)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: readings: expected at least one rotary that they determine, found C standing still in all of them; read the same target again with C turned
    """
    sigma_mm = None if sigma_mm is None else as_sigma_mm(sigma_mm)
    floor_mm = None if floor_mm is None else as_positive(floor_mm, "floor")
    loss_scale_mm = None if loss_scale_mm is None else as_positive(loss_scale_mm, "loss scale")
    coverage_factor(level)
    if readings.sigma_mm is not None:
        if sigma_mm is not None:
            raise KinematicsError(
                "sigma: expected one statement, found one for all readings and one for each"
            )
        sigma_mm = 1.0
    weights = robust_s0 = None
    if loss == "linear":
        solved = solve(readings, machine, sigma_mm, angle_errors, drifts)
    else:
        solved, weights, robust_s0 = m_estimate(
            readings, machine, sigma_mm, loss, loss_scale_mm, angle_errors, drifts
        )
    _require_estimable(solved, machine)
    scatter = _Scatter.of(solved, sigma_mm, floor_mm, robust_s0)
    dof, factor = scatter.dof, scatter.coverage_factor(level)
    covariance = line_covariance(solved, scatter.sigma, factor, level, dof)
    listed = [(readings.names[t], readings.kinds[t]) for t in solved.problem.names]
    lines_only = 4 * len(machine.rotaries)
    scale = solved.problem.scale[:lines_only]
    tested = sigma_mm if weights is None else scatter.sigma
    systematic = SystematicErrors((), ())
    if weights is None and solved.dof > 0:
        systematic = find_systematic_errors(
            solved, machine, readings, sigma_mm, floor_mm or 0.0, adjusted=angle_errors, drifts=drifts
        )
    lines = _lines(solved, machine, covariance)
    targets = target_fits(solved, machine.letters, listed, covariance)
    return Fit(
        machine=machine,
        readings=readings,
        lines=lines,
        parameters=read_only(solved.state.parameters[:lines_only] * scale),
        covariance=_covariance_of_lines(solved, covariance, lines_only),
        basis=read_only(solved.problem.lines.basis),
        fixed=(
            *fixed_parameters(solved, machine, readings),
            *conditional_positions(machine, [line.changes for line in lines]),
        ),
        targets=targets,
        platter=fitted_platter(solved, machine.letters, targets, covariance),
        pairs=axis_relations(solved, machine.letters, covariance),
        residuals=reading_residuals(solved, machine, readings, tested, weights, scatter.floor or 0.0),
        outliers=find_outliers(readings, machine, solved, tested, scatter.floor or 0.0, angle_errors, drifts)
        if weights is None
        else (),
        dof=solved.dof,
        sigma_mm=scatter.sigma,
        sigma_stated=sigma_mm is not None,
        s0=scatter.s0,
        p_value=_probability(solved, sigma_mm),
        level=level,
        coverage_factor=factor,
        loss=loss,
        iterations=solved.state.steps,
        at_floor=scatter.at_floor,
        angle_errors=systematic.angle_errors,
        drifts=systematic.drifts,
        angle_curves=_angle_curves(solved, machine, readings, covariance),
        drift_fits=_drift_fits(solved, drifts, covariance),
    )


@dataclass(frozen=True)
class _Scatter:
    """Standard uncertainty of a reading in each coordinate, stated or estimated, in mm or in units of those stated.

    `sigma` is None where there is neither; `s0` is the estimate; `floor` the least estimate that counts, `dof` its degrees
    of freedom, both None where sigma is stated.
    """

    sigma: float | None
    s0: float | None
    floor: float | None
    dof: int | None
    at_floor: bool = False

    @classmethod
    def of(
        cls, solved: Adjusted, stated: float | None, floor: float | None, robust_s0: float | None
    ) -> _Scatter:
        s0 = solved.s0 if robust_s0 is None else robust_s0
        if stated is not None:
            # With a robust loss what scatters more than stated is believed: bad readings count for less already.
            return cls(stated if robust_s0 is None else max(stated, robust_s0), s0, None, None)
        if solved.dof <= 0 or s0 is None:
            return cls(None, s0, floor, solved.dof)
        at_floor = floor is not None and s0 < floor
        return cls(floor if at_floor else s0, s0, floor, solved.dof, at_floor)

    def coverage_factor(self, level: float) -> float | None:
        return None if self.sigma is None else coverage_factor(level, self.dof)


def _covariance_of_lines(solved: Adjusted, covariance: Covariance, count: int) -> NDArray[np.float64] | None:
    """Covariance of the lines' parameters in mm; None where there is no estimate of the scatter."""
    if covariance.sigma is None:
        return None
    scale = solved.problem.scale[:count]
    return read_only(covariance.sigma**2 * covariance.cofactor[:count, :count] * np.outer(scale, scale))


def _probability(solved: Adjusted, stated: float | None) -> float | None:
    """Probability that readings of the stated scatter leave squares as large; None where none is stated."""
    if stated is None or solved.dof <= 0:
        return None
    ratio = float(solved.squares.sum()) / stated**2 / solved.dof
    return float(p_value(np.array([ratio]), np.array([float(solved.dof)]), None)[0])


def _require_estimable(solved: Adjusted, machine: Machine) -> None:
    """Raise if no line parameter is estimable, naming the motion that is missing."""
    if solved.state.free.shape[1]:
        return
    turned = np.ptp(solved.problem.turns.terms, axis=0).max(axis=-1)
    still = " and ".join(letter for letter, far in zip(machine.letters, turned, strict=True) if far < 1e-8)
    found = f"{still} standing still in all of them" if still else "too few of any one target"
    ask = f"with {still} turned" if still else "at more poses"
    raise KinematicsError(
        f"readings: expected at least one rotary that they determine, found {found}; read the same target again {ask}"
    )


def _angle_curves(
    solved: Adjusted, machine: Machine, readings: Readings, covariance: Covariance
) -> tuple[AngleCurve, ...]:
    """The errors of the angles that were adjusted along."""
    problem, found = solved.problem, []
    first = 4 * problem.rotaries
    scaled = solved.state.parameters * problem.scale
    for i in dict.fromkeys(problem.angle_terms.rotary.tolist()):
        mine = first + np.flatnonzero(problem.angle_terms.rotary == i)
        rotary = machine.rotaries[i]
        sign = rotary.positive_turn.sign
        functions = angle_functions(sign * rotary.turn_deg(readings.angles_deg[:, i]))
        errors = functions @ scaled[mine]
        k = int(np.abs(errors).argmax())
        matrix, u = None, None
        if covariance.sigma is not None:
            block = covariance.cofactor[np.ix_(mine, mine)] * np.outer(
                problem.scale[mine], problem.scale[mine]
            )
            matrix = read_only(covariance.sigma**2 * block)
            u = float(np.sqrt(max(functions[k] @ matrix @ functions[k], 0.0))) * _ARCSEC
        free = (solved.state.free[mine] ** 2).sum(axis=1)
        found.append(
            AngleCurve(
                rotary.letter,
                read_only(scaled[mine]),
                matrix,
                bool((free > 1.0 - _FREE).all()),
                float(errors[k]) * _ARCSEC,
                u,
                float(readings.angles_deg[k, i]),
            )
        )
    return tuple(found)


def _drift_fits(solved: Adjusted, drifts: Sequence[str], covariance: Covariance) -> tuple[DriftFit, ...]:
    """The drifts that were adjusted along."""
    problem, found = solved.problem, []
    first = 4 * problem.rotaries + problem.angle_terms.count
    for k, by in enumerate((drifts,) if isinstance(drifts, str) else drifts):
        mine = slice(first + 3 * k, first + 3 * k + 3)
        matrix = None
        if covariance.sigma is not None:
            matrix = read_only(covariance.sigma**2 * covariance.cofactor[mine, mine])
        free = (solved.state.free[mine] ** 2).sum(axis=1)
        shift = read_only(solved.state.parameters[mine].copy())
        found.append(DriftFit(by, shift, matrix, bool((free > 1.0 - _FREE).all())))
    return tuple(found)


def _lines(solved: Adjusted, machine: Machine, covariance: Covariance) -> tuple[LineFit, ...]:
    n = len(machine.rotaries)
    found = []
    old = estimated_lines(solved, np.zeros(len(solved.state.parameters)))
    for i, (rotary, now) in enumerate(zip(machine.rotaries, estimated_lines(solved), strict=True)):
        point, slope = _nearest(now, rotary.point_mm)
        both = np.concatenate([slope, now.direction_slope], axis=1).T
        block = covariance.cofactor[4 * i : 4 * i + 4, 4 * i : 4 * i + 4]
        matrix = None if covariance.sigma is None else read_only(covariance.sigma**2 * both @ block @ both.T)
        found.append(
            LineFit(
                rotary.letter,
                read_only(point),
                read_only(now.direction),
                rotary.point_mm,
                rotary.direction,
                matrix,
                _estimable(covariance, now, slope, i, n),
                _estimable(covariance, now, now.direction_slope, i, n),
                location_errors(rotary.letter, rotary.point_mm, now, i, n, covariance),
                axis_shift(rotary.letter, old[i], now, i, n, covariance),
            )
        )
    return tuple(found)


def _estimable(
    covariance: Covariance, line: EstimatedLine, slope: NDArray[np.float64], i: int, rotaries: int
) -> NDArray[np.bool_]:
    """Mask of the estimable among three components with the derivatives `slope` (4, 3); none along the line."""
    found = np.array(
        [
            abs(float(line.direction[k])) < _ALONG
            and not covariance.rests_on_fixed(embed(slope[:, k], i, rotaries))
            for k in range(3)
        ]
    )
    found.flags.writeable = False
    return found


def _nearest(
    now: EstimatedLine, old_point: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The point of a line nearest another point, with its derivatives (4, 3)."""
    to_old = old_point - now.point
    along = float(to_old @ now.direction)
    along_slope = now.direction_slope @ to_old - now.point_slope @ now.direction
    slope = now.point_slope + along_slope[:, None] * now.direction + along * now.direction_slope
    return now.point + along * now.direction, slope
