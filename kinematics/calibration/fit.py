"""`fit_pivots`: probe readings in, lines with uncertainties out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.calibration.covariance import Covariance, EstimatedLine, estimated_lines, line_covariance
from kinematics.calibration.derived_quantities import axis_relations, axis_shift, location_errors, target_fits
from kinematics.calibration.fixed_parameters import conditions, held_words
from kinematics.calibration.line_parameters import nominal_lines
from kinematics.calibration.outliers import find_outliers, reading_residuals
from kinematics.calibration.readings import Readings
from kinematics.calibration.results import Fit, LineFit
from kinematics.calibration.robust import m_estimate
from kinematics.calibration.solve import Adjusted, solve
from kinematics.calibration.statistics import coverage_factor, p_value, region_factor
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import read_only

__all__ = ["fit_pivots", "line_numbers", "region_holds", "region_of"]


def fit_pivots(
    readings: Readings,
    machine: Machine,
    *,
    sigma_mm: float | None = None,
    floor_mm: float | None = None,
    loss: str = "linear",
    loss_scale_mm: float | None = None,
    level: float = 0.95,
) -> Fit:
    """Every rotary's line and every target from probe readings, by one least-squares adjustment.

    Parameters
    ----------
    readings : Readings
    machine : Machine
        Its lines are where the adjustment starts and what stays where the readings tell nothing. Its senses of
        turning are believed; `find_blunders` doubts them.
    sigma_mm : float, optional
        The probe's standard uncertainty per coordinate, if it is known. Left out it is estimated from the
        residuals and the expanded uncertainties widen by Student's t. Readings that carry their own sigma must
        not be given another.
    floor_mm : float, optional
        An estimated sigma is never less: what rounding to the last digit leaves (`resolution / sqrt(12)`).
    loss : str
        "linear", or one of scipy's robust losses: "soft_l1", "huber", "cauchy", "arctan". Counts per reading.
    loss_scale_mm : float, optional
        Beyond this a robust loss bends; three times the scatter where left out.
    level : float
        Chance that an expanded uncertainty holds the truth.

    Returns
    -------
    Fit

    Raises
    ------
    KinematicsError
        When readings and machine do not match, tell nothing about any line, or do not settle.

    Notes
    -----
    All readings are pulled back to the all-zero pose, where a ball's become one point, a bore's one line, a face's
    one plane; misses are square to these, alike in all directions. First-order covariance: sigma squared times the
    inverse of the normal matrix, targets eliminated; good as long as leans stay far below one.

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
    kinematics.errors.KinematicsError: readings: expected at least one rotary to be told of, found C standing still in all of them; read the same target again with C turned
    """
    if sigma_mm is not None and not (np.isfinite(sigma_mm) and sigma_mm > 0.0):
        raise KinematicsError(f"sigma: expected more than 0 mm, found {sigma_mm:g}")
    if readings.sigma_mm is not None:
        if sigma_mm is not None:
            raise KinematicsError(
                "sigma: expected one statement, found one for all readings and one for each"
            )
        sigma_mm = 1.0
    weights = None
    if loss == "linear":
        solved = solve(readings, machine, sigma_mm)
    else:
        solved, weights, bent = m_estimate(readings, machine, sigma_mm, loss, loss_scale_mm)
    _refuse_silence(solved, machine)
    sigma = sigma_mm
    if sigma is None and solved.dof > 0:
        sigma = solved.scatter if weights is None else bent
    elif weights is not None and sigma is not None and bent is not None:
        sigma = max(sigma, bent)
    floor = None if sigma_mm is not None or readings.sigma_mm is not None else floor_mm
    at_floor = floor is not None and sigma is not None and sigma < floor
    if at_floor:
        sigma = floor
    factor = None
    if sigma is not None:
        factor = coverage_factor(level, None if sigma_mm is not None else solved.dof)
    spread = line_covariance(solved, sigma, factor)
    listed = [(readings.names[t], readings.kinds[t]) for t in solved.problem.names]
    scale = solved.problem.scale
    covariance = None if sigma is None else read_only(sigma**2 * spread.shape * np.outer(scale, scale))
    chance = None
    if sigma_mm is not None and solved.dof > 0:
        ratio = float(solved.squares.sum()) / sigma_mm**2 / solved.dof
        chance = float(p_value(np.array([ratio]), np.array([float(solved.dof)]), None)[0])
    judging = sigma_mm if weights is None else sigma
    lines = _lines(solved, machine, spread)
    return Fit(
        machine=machine,
        readings=readings,
        lines=lines,
        parameters=read_only(solved.state.told * scale),
        covariance=covariance,
        across=read_only(solved.problem.lines.square),
        held=(*held_words(solved, machine, readings), *conditions(machine, [line.moved for line in lines])),
        targets=target_fits(solved, machine.letters, listed, spread),
        pairs=axis_relations(solved, machine.letters, spread),
        each=reading_residuals(solved, machine, readings, judging, weights, floor or 0.0),
        suspects=find_outliers(readings, machine, solved, judging, floor or 0.0) if weights is None else (),
        dof=solved.dof,
        sigma_mm=sigma,
        sigma_stated=sigma_mm is not None,
        scatter=solved.scatter if weights is None else bent,
        scatter_chance=chance,
        level=level,
        coverage_factor=factor,
        loss=loss,
        steps=solved.state.steps,
        at_floor=at_floor,
    )


def _refuse_silence(solved: Adjusted, machine: Machine) -> None:
    """Readings that tell nothing of any line are no calibration: say what to do."""
    if solved.state.free.shape[1]:
        return
    turned = np.ptp(solved.problem.turns.basis, axis=0).max(axis=-1)
    still = " and ".join(letter for letter, far in zip(machine.letters, turned, strict=True) if far < 1e-8)
    found = f"{still} standing still in all of them" if still else "too few of any one target"
    ask = f"with {still} turned" if still else "at more poses"
    raise KinematicsError(
        f"readings: expected at least one rotary to be told of, found {found}; read the same target again {ask}"
    )


def _lines(solved: Adjusted, machine: Machine, spread: Covariance) -> tuple[LineFit, ...]:
    n = len(machine.rotaries)
    found = []
    old = estimated_lines(solved, np.zeros(4 * n))
    for i, (rotary, now) in enumerate(zip(machine.rotaries, estimated_lines(solved), strict=True)):
        point, slope = _nearest(now, rotary.point_mm)
        both = np.concatenate([slope, now.direction_slope], axis=1).T
        block = spread.shape[4 * i : 4 * i + 4, 4 * i : 4 * i + 4]
        covariance = None if spread.sigma is None else read_only(spread.sigma**2 * both @ block @ both.T)
        told, leans_told = np.zeros(3, dtype=np.bool_), np.zeros(3, dtype=np.bool_)
        for k in range(3):
            everybody = np.zeros(4 * n)
            everybody[4 * i : 4 * i + 4] = slope[:, k]
            told[k] = abs(float(now.direction[k])) < 0.9 and not spread.held(everybody)
            leaning = np.zeros(4 * n)
            leaning[4 * i : 4 * i + 4] = now.direction_slope[:, k]
            leans_told[k] = abs(float(now.direction[k])) < 0.9 and not spread.held(leaning)
        told.flags.writeable = leans_told.flags.writeable = False
        found.append(
            LineFit(
                rotary.letter,
                read_only(point),
                read_only(now.direction),
                rotary.point_mm,
                rotary.direction,
                covariance,
                told,
                leans_told,
                location_errors(rotary.letter, rotary.point_mm, now, i, n, spread),
                axis_shift(rotary.letter, old[i], now, i, n, spread),
            )
        )
    return tuple(found)


def _nearest(
    now: EstimatedLine, old_point: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The point of a line nearest another point, and its slopes (4, 3)."""
    to_old = old_point - now.point
    along = float(to_old @ now.direction)
    along_slope = now.direction_slope @ to_old - now.point_slope @ now.direction
    slope = now.point_slope + along_slope[:, None] * now.direction + along * now.direction_slope
    return now.point + along * now.direction, slope


def line_numbers(machine: Machine, other: Machine) -> NDArray[np.float64]:
    """Another machine's lines as `Fit.parameters` would tell them, counted from `machine`'s.

    Parameters
    ----------
    machine : Machine
        Whose lines are counted from: their points and directions.
    other : Machine
        Whose lines are told. Only its lines count, not its senses or limits.

    Returns
    -------
    ndarray, shape (4n,)
        For each rotary, the base's first: two shifts in mm and two tilts (tangents, no unit) along `Fit.across`, as
        `Fit.parameters` has them.

    Raises
    ------
    KinematicsError
        When the rotaries differ, or a line turns its back on the nominal one.

    Notes
    -----
    Derived here: where the other line pierces the plane through the old point square to the old line.
    """
    if machine.letters != other.letters:
        raise KinematicsError(f"machine: expected rotaries {machine.letters}, found {other.letters}")
    lines, found = nominal_lines(machine), []
    for i, rotary in enumerate(other.rotaries):
        along = float(rotary.direction @ lines.direction[i])
        if along <= 0.0:
            raise KinematicsError(f"rotary {rotary.letter}: expected its direction on the old one's side")
        away = float((lines.point[i] - rotary.point_mm) @ lines.direction[i])
        point = rotary.point_mm + away / along * rotary.direction
        found.append(lines.square[i] @ (point - lines.point[i]))
        found.append(lines.square[i] @ rotary.direction / along)
    return np.concatenate(found)


def region_holds(fit: Fit, parameters: ArrayLike, level: float | None = None) -> bool:
    """Whether the joint region of everything told holds these line numbers.

    Parameters
    ----------
    fit : Fit
    parameters : array_like, shape (4n,)
        Line numbers as `line_numbers(fit.machine, ...)` tells them.
    level : float, optional
        The chance that the region holds the truth; the fit's where left out.

    Returns
    -------
    bool
        What the readings do not tell, alone or in combination, does not count.

    Raises
    ------
    KinematicsError
        When nothing tells the scatter, or the level is not between 0 and 1.

    Notes
    -----
    Joint region of linear least squares, chi squared where sigma was stated and F otherwise (`region_factor`):
    textbook statistics, from memory.
    """
    if fit.covariance is None or fit.dof < 1:
        raise KinematicsError("region: expected a stated sigma or readings to spare, found neither")
    off = np.asarray(parameters, dtype=np.float64) - fit.parameters
    scale = np.sqrt(np.diag(fit.covariance))
    scale = np.where(scale > 0.0, scale, 1.0)
    size, ways = np.linalg.eigh(fit.covariance / np.outer(scale, scale))
    known = size > 1e-11
    told = (ways.T @ (off / scale))[known]
    dof = None if fit.sigma_stated else fit.dof
    reach = region_factor(int(known.sum()), level or fit.level, dof)
    return bool(np.sqrt((told**2 / size[known]).sum()) <= reach)


def region_of(
    fit: Fit, letter: str, level: float | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The ellipse that holds a rotary's pivot, in the plane through the old point square to the old line.

    Parameters
    ----------
    fit : Fit
    letter : str
        Which rotary.
    level : float, optional
        The chance that the ellipse holds the truth; the fit's where left out.

    Returns
    -------
    centre : ndarray, shape (2,)
        Shift from the old point along `Fit.across`, mm.
    axes : ndarray, shape (2, 2)
        Half axes as rows, the longer first, mm.

    Raises
    ------
    KinematicsError
        When nothing tells the scatter, there is no such rotary, or the level is not between 0 and 1.
    """
    i = fit.machine.index(letter)
    if fit.covariance is None:
        raise KinematicsError("region: expected a stated sigma or readings to spare, found neither")
    size, ways = np.linalg.eigh(fit.covariance[4 * i : 4 * i + 2, 4 * i : 4 * i + 2])
    reach = region_factor(2, level or fit.level, None if fit.sigma_stated else fit.dof)
    axes = (np.sqrt(np.clip(size, 0.0, None)) * ways * reach).T[::-1]
    return fit.parameters[4 * i : 4 * i + 2].copy(), np.ascontiguousarray(axes)
