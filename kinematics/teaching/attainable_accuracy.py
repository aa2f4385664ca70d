"""The accuracy that the readings of a pivot exercise support: the least-squares answer, and a right answer's tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.fit import fit_pivots
from kinematics.calibration.results import Fit
from kinematics.calibration.statistics import coverage_factor
from kinematics.errors import KinematicsError
from kinematics.teaching.pivot_exercise import PivotExercise, PivotProbing
from kinematics.teaching.pivot_numbers import LineNumber, line_values, named_numbers
from kinematics.validation import ValueEquality, as_instance, read_only

__all__ = ["AttainableAccuracy", "attainable", "hand_bound_mm"]

Floats = NDArray[np.float64]

_STEP_MM = 1e-3


@dataclass(frozen=True, eq=False)
class AttainableAccuracy(ValueEquality):
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
    """

    fit: Fit
    numbers: tuple[LineNumber, ...]
    best: Floats
    truth: Floats
    allowed: Floats

    def __post_init__(self) -> None:
        for name in ("best", "truth", "allowed"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

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
    as_instance(probing, PivotProbing, "probing")
    if not reading_mm >= 0.0:
        raise KinematicsError(f"reading's error: expected 0 mm or more, found {reading_mm:g}")
    shape = probing.points_mm.shape
    size = shape[0] * shape[1]
    steps = _STEP_MM * np.eye(size).reshape(size, *shape)
    high, low = probing.by_hand(probing.points_mm + steps), probing.by_hand(probing.points_mm - steps)
    return {
        name: np.abs((high[name] - low[name]) / (2.0 * _STEP_MM)).sum(axis=0) * reading_mm for name in high
    }


def attainable(exercise: PivotExercise, least_mm: float = 0.0, level: float = 0.95) -> AttainableAccuracy:
    """The accuracy that an exercise's readings support.

    A number may miss the truth by its expanded uncertainty in the best fit, widened for the number of values graded
    (Bonferroni), so that a faultless least-squares answer passes as a whole with the stated chance. Where plane
    geometry finds the pivots, their coordinates are judged by that instead: a coordinate may be off by as much as
    the least favourable hand solution, were every reading off by its most in the least favourable direction, rounded
    up to the last digit because answers are rounded too. There no number's tolerance is less than the least-squares
    answer's own error: nobody can do better than that answer.

    Parameters
    ----------
    exercise : PivotExercise
    least_mm : float
        Smallest tolerance of a hand solution's coordinate.
    level : float
        Chance that a faultless least-squares answer passes.

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
    """
    as_instance(exercise, PivotExercise, "exercise")
    fit = fit_pivots(exercise.readings, exercise.machine, sigma_mm=exercise.sigma_mm)
    estimates = [estimate for line in fit.lines for estimate in line.changes]
    u = np.array(
        [np.nan if one.standard_uncertainty is None else one.standard_uncertainty for one in estimates]
    ).reshape(-1, 4)
    judged = max(int(np.isfinite(u).sum()), 1)
    allowed = coverage_factor(1.0 - (1.0 - level) / judged) * u
    best = line_values(exercise.machine, fit.fitted_machine)
    truth = line_values(exercise.machine, exercise.truth)
    if exercise.probings:
        off = np.abs(best - truth)
        allowed[:, 2:] = np.maximum(allowed[:, 2:], off[:, 2:])
        allowed[:, :2] = [
            _hand_tolerance(exercise, one, miss, least_mm)
            for one, miss in zip(exercise.probings, off[:, :2], strict=True)
        ]
    numbers = named_numbers(exercise.machine, estimates)
    return AttainableAccuracy(fit, numbers, best, truth, allowed)


def _hand_tolerance(exercise: PivotExercise, probing: PivotProbing, miss: Floats, least_mm: float) -> Floats:
    """Tolerance of a pivot's coordinates found by plane geometry, shape (2,)."""
    half = exercise.digit_mm / 2.0
    bounds = hand_bound_mm(probing, (exercise.repeatability_mm or 0.0) + half)
    worst = np.max([*bounds.values(), miss], axis=0) + half
    up = np.ceil(worst / exercise.digit_mm - 1e-6) * exercise.digit_mm
    return np.asarray(np.maximum(up, least_mm))
