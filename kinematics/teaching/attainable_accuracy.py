"""The accuracy that the readings of a pivot exercise support: the least-squares answer, and a right answer's tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.fit import fit_pivots
from kinematics.calibration.readings import TargetKind
from kinematics.calibration.results import Fit
from kinematics.calibration.statistics import coverage_factor
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.teaching.exercises import DECIMALS, UNIT_MM
from kinematics.teaching.pivot_exercise import PivotExercise, PivotProbing
from kinematics.teaching.pivot_numbers import LineNumber, coordinate_axes, line_values, named_numbers
from kinematics.validation import ValueEquality, as_index, read_only

__all__ = ["AttainableAccuracy", "attainable", "circles_uncertainty_mm", "hand_bound_mm"]

Floats = NDArray[np.float64]

_STEP_MM = 1e-3
_SAME_DEG = 1e-6
_CIRCLE = 3
"""Readings at so many angles give a circle."""


@dataclass(frozen=True, eq=False)
class AttainableAccuracy(ValueEquality, DeclaredFields):
    """The best answer to an exercise, and how far a right one may miss the truth.

    Attributes
    ----------
    fit : Fit
        The least-squares answer of `kinematics.calibration`.
    numbers : tuple of LineNumber
        Four a rotary: two lengths, two angles.
    best, truth, allowed : ndarray, shape (n, 4)
        Each rotary's numbers by least squares, their true values, and the tolerance of a right answer: mm and degrees,
        counted from the believed line. `allowed` is NaN where the readings do not determine a number.
    by_hand_mm : ndarray, shape (n, 2)
        Tolerance of the coordinates where they were found by hand, never less than `allowed`.
    """

    fit: Fit
    numbers: tuple[LineNumber, ...]
    best: Floats
    truth: Floats
    allowed: Floats
    by_hand_mm: Floats

    def __post_init__(self) -> None:
        for name in ("best", "truth", "allowed", "by_hand_mm"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        super().__post_init__()

    @property
    def believed_mm(self) -> Floats:
        """Coordinates that the two lengths of each rotary are counted from, shape (n, 2)."""
        return np.array([one.believed_mm for one in self.numbers]).reshape(-1, 4)[:, :2]

    @property
    def best_mm(self) -> Floats:
        """Coordinates of the pivots by least squares, shape (n, 2)."""
        return self.believed_mm + self.best[:, :2]

    @property
    def allowed_mm(self) -> Floats:
        """Tolerance of the pivots' coordinates, shape (n, 2)."""
        return self.allowed[:, :2]


@takes_declared()
def hand_bound_mm(probing: PivotProbing, reading_mm: float) -> dict[str, Floats]:
    """The largest error of every hand solution when each reading is off by its most in the worst direction.

    Parameters
    ----------
    probing : PivotProbing
    reading_mm : float
        Largest error of a reading in any coordinate, rounding included.

    Returns
    -------
    dict of str to ndarray, shape (2,)
        Sum of the absolute sensitivities to the readings, times `reading_mm`. First order: the second is a reading's
        error squared over the arm, far below the last digit.

    Raises
    ------
    KinematicsError
        When `reading_mm` is less than 0.

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> turn = set_pivot_exercise(seed=7).probings[1]
    >>> hand_bound_mm(turn, 0.002)["the mean of both halves"].round(6).tolist()   # a mean is off like one reading
    [0.002, 0.002]
    >>> hand_bound_mm(turn, -0.002)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: reading's error: expected 0 mm or more, found -0.002
    """
    if not reading_mm >= 0.0:
        raise KinematicsError(f"reading's error: expected 0 mm or more, found {reading_mm:g}")
    shape = probing.points_mm.shape
    size = shape[0] * shape[1]
    steps = _STEP_MM * np.eye(size).reshape(size, *shape)
    high, low = probing.by_hand(probing.points_mm + steps), probing.by_hand(probing.points_mm - steps)
    return {
        name: np.abs((high[name] - low[name]) / (2.0 * _STEP_MM)).sum(axis=0) * reading_mm for name in high
    }


@takes_declared()
def attainable(exercise: PivotExercise, least_mm: float = 0.0, level: float = 0.95) -> AttainableAccuracy:
    """The accuracy that an exercise's readings support.

    A number may miss the truth by its expanded uncertainty in the best fit, widened for the number of values graded
    (Bonferroni). Where plane geometry finds the pivots, their coordinates are judged by that instead: a coordinate may
    be off by as much as the least favourable hand solution, were every reading off by its most in the least favourable
    direction, rounded up to the last digit because answers are rounded too. No number's tolerance is less than the
    least-squares answer's own error: nobody can do better than that answer.

    By hand nobody adjusts all readings at once. A coordinate found so may miss the truth by its expanded uncertainty
    where a line is laid through the centres of two circles, each through the readings of one ball in which only its
    rotary differs, the others at zero; and by `least_mm` in any case.

    Parameters
    ----------
    exercise : PivotExercise
    least_mm : float
        Smallest tolerance of a hand solution's coordinate.
    level : float
        Coverage of the expanded uncertainties, for all numbers together.

    Returns
    -------
    AttainableAccuracy

    Raises
    ------
    KinematicsError
        When the readings determine no line.

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> found = attainable(set_pivot_exercise(seed=7))
    >>> (abs(found.best - found.truth)[:, :2] < found.allowed_mm).tolist()
    [[True, True], [True, True]]
    >>> attainable("exercise")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: exercise: expected a PivotExercise, found 'exercise'
    """
    fit = fit_pivots(exercise.readings, exercise.machine, sigma_mm=exercise.sigma_mm)
    estimates = [estimate for line in fit.lines for estimate in line.changes]
    u = np.array(
        [np.nan if one.standard_uncertainty is None else one.standard_uncertainty for one in estimates]
    ).reshape(-1, 4)
    judged = max(int(np.isfinite(u).sum()), 1)
    factor = coverage_factor(1.0 - (1.0 - level) / judged)
    best = line_values(exercise.machine, fit.fitted_machine)
    truth = line_values(exercise.machine, exercise.truth)
    off = np.abs(best - truth)
    allowed = np.maximum(factor * u, off)
    if exercise.probings:
        allowed[:, :2] = [
            _hand_tolerance(exercise, one, miss, least_mm)
            for one, miss in zip(exercise.probings, off[:, :2], strict=True)
        ]
        by_hand_mm = allowed[:, :2]
    else:
        circles = [factor * circles_uncertainty_mm(exercise, i) for i in range(len(u))]
        digit_mm = UNIT_MM[exercise.units] * 10.0 ** -DECIMALS[exercise.units]
        # The best answer is right as well when it is written to the decimals of a sheet.
        worst = np.fmax(np.maximum(allowed[:, :2], off[:, :2] + digit_mm / 2.0), circles)
        by_hand_mm = np.maximum(_rounded_up(worst, digit_mm), least_mm)
        by_hand_mm[np.isnan(allowed[:, :2])] = np.nan
    numbers = named_numbers(exercise.machine, estimates)
    return AttainableAccuracy(fit, numbers, best, truth, allowed, by_hand_mm)


@takes_declared()
def circles_uncertainty_mm(exercise: PivotExercise, which: int) -> Floats:
    """The standard uncertainty of a pivot that is found from the centres of two circles.

    Each circle goes through the readings of one ball in which only the rotary differs, the others at zero. Its centre
    is found in the plane of two machine axes, as on paper; the line through both centres is followed to the believed
    point. Of several pairs of balls the one that says most counts.

    Parameters
    ----------
    exercise : PivotExercise
    which : int
        The rotary, from 0.

    Returns
    -------
    ndarray, shape (2,)
        Of its two coordinates; NaN where the readings hold no two such circles, or the line is near no machine axis.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise_on
    >>> c = RotaryAxis("C", [0, 0, 40], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> balls = [PlannedTarget(f"{z}", TargetKind.BALL, [[60.0, 0.0, z]]) for z in (20.0, 60.0)]
    >>> poses = [[0.0], [90.0], [180.0], [270.0]]
    >>> exercise = set_pivot_exercise_on(mill, balls, poses, seed=7, sigma_mm=0.002)
    >>> circles_uncertainty_mm(exercise, 0).round(4).tolist()  # halfway: 0.002 / sqrt(2) for each, over sqrt(2)
    [0.001, 0.001]
    >>> circles_uncertainty_mm(set_pivot_exercise_on(mill, balls[:1], poses, seed=7), 0).tolist()
    [nan, nan]
    >>> circles_uncertainty_mm("mill", 0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: exercise: expected a PivotExercise, found 'mill'
    """
    as_index(which, len(exercise.machine.rotaries), "pivot")
    rotary, readings = exercise.machine.rotaries[which], exercise.readings
    axes = ["XYZ".index(axis) for axis in coordinate_axes(rotary)]
    undetermined = np.full(2, np.nan)
    if not axes:
        return undetermined
    along = ({0, 1, 2} - {*axes}).pop()
    others = np.delete(readings.angles_deg, which, axis=1)
    alone = (np.abs(others) < _SAME_DEG).all(axis=1)
    circles: list[tuple[float, Floats]] = []
    for t, kind in enumerate(readings.kinds):
        rows = np.flatnonzero(alone & (readings.target == t))
        angles = np.unique(np.round(readings.angles_deg[rows, which] % 360.0, 6))
        if kind is TargetKind.BALL and len(angles) >= _CIRCLE:
            points = readings.points_mm[rows]
            circles.append((float(points[:, along].mean()), _centre_covariance(points[:, axes])))
    place = float(rotary.point_mm[along])
    found = [
        np.sqrt((share**2 * b + (1.0 - share) ** 2 * a).diagonal()) * exercise.sigma_mm
        for n, (high, b) in enumerate(circles)
        for low, a in circles[:n]
        if high != low
        for share in [(place - low) / (high - low)]
    ]
    return min(found, key=lambda u: float(u.sum()), default=undetermined)


def _centre_covariance(points_mm: Floats) -> Floats:
    """Covariance of the centre of the circle through points, for readings of unit variance, shape (2, 2).

    A reading moves the circle by what it moves across it: three unknowns, centre and radius, by least squares.
    """
    centred = points_mm - points_mm.mean(axis=0)
    rows = np.column_stack([2.0 * centred, np.ones(len(centred))])
    centre = np.linalg.lstsq(rows, (centred**2).sum(axis=1), rcond=None)[0][:2]
    out = centred - centre
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    design = np.column_stack([out, np.ones(len(out))])
    return np.asarray(np.linalg.pinv(design.T @ design)[:2, :2])


def _hand_tolerance(exercise: PivotExercise, probing: PivotProbing, miss: Floats, least_mm: float) -> Floats:
    """Tolerance of a pivot's coordinates found by plane geometry, shape (2,)."""
    half = exercise.digit_mm / 2.0
    bounds = hand_bound_mm(probing, (exercise.repeatability_mm or 0.0) + half)
    worst = np.max([*bounds.values(), miss], axis=0) + half
    return np.asarray(np.maximum(_rounded_up(worst, exercise.digit_mm), least_mm))


def _rounded_up(length_mm: Floats, digit_mm: float) -> Floats:
    """Lengths to a last digit, as they are printed, never below."""
    return np.asarray(np.ceil(length_mm / digit_mm - 1e-6) * digit_mm)
