"""What the readings of a pivot exercise support: the least-squares answer, and how far a right answer may be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.fit import fit_pivots
from kinematics.calibration.results import Fit
from kinematics.teaching.pivot_exercise import PivotExercise, Probed
from kinematics.validation import read_only

__all__ = ["AttainableAccuracy", "attainable", "hand_bound_mm"]

Floats = NDArray[np.float64]

_STEP_MM = 1e-3


@dataclass(frozen=True, eq=False)
class AttainableAccuracy:
    """What the readings support.

    Attributes
    ----------
    fit : Fit
        The least-squares answer of `kinematics.calibration`.
    best_mm : tuple of ndarray, shape (2,)
        The same for each pivot, on the axes that are asked for.
    allowed_mm : tuple of ndarray, shape (2,)
        How far a right answer may be off the truth.
    """

    fit: Fit
    best_mm: tuple[Floats, ...]
    allowed_mm: tuple[Floats, ...]


def hand_bound_mm(probed: Probed, reading_mm: float) -> dict[str, Floats]:
    """How far every way by plane geometry may miss the pivot, at worst.

    Parameters
    ----------
    probed : Probed
    reading_mm : float
        The most that a reading is off in any coordinate, rounding included.

    Returns
    -------
    dict of str to ndarray, shape (2,)
        The sum over all readings of what each may do. To first order: the second is a reading's error squared over
        the arm, far below the last digit.

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> turn = set_pivot_exercise(seed=7).probed[1]
    >>> hand_bound_mm(turn, 0.002)["the mean of both halves"].round(6).tolist()   # a mean is off like one reading
    [0.002, 0.002]
    """
    shape = probed.points_mm.shape
    size = shape[0] * shape[1]
    steps = _STEP_MM * np.eye(size).reshape(size, *shape)
    high, low = probed.worked(probed.points_mm + steps), probed.worked(probed.points_mm - steps)
    return {
        name: np.abs((high[name] - low[name]) / (2.0 * _STEP_MM)).sum(axis=0) * reading_mm for name in high
    }


def attainable(exercise: PivotExercise, least_mm: float = 0.0) -> AttainableAccuracy:
    """What an exercise's readings support.

    A right answer may be off by as much as the least favourable way by hand, were every reading off by its most in
    the least favourable direction; rounded up to the last digit, for an answer is rounded too. It is never less
    than what the least-squares answer is off: whoever has that has done all that can be done.

    Parameters
    ----------
    exercise : PivotExercise
    least_mm : float
        A right answer may be off by this in any case.

    Returns
    -------
    Support

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> exercise = set_pivot_exercise(seed=7)
    >>> found = attainable(exercise)
    >>> [(np.abs(best - one.true_mm) < limit).tolist()
    ...  for best, one, limit in zip(found.best_mm, exercise.probed, found.allowed_mm)]
    [[True, True], [True, True]]
    """
    fit = fit_pivots(exercise.readings, exercise.machine, sigma_mm=exercise.sigma_mm)
    half = exercise.digit_mm / 2.0
    best, allowed = [], []
    for one in exercise.probed:
        point = fit.line(one.letter).point_mm[list(one.asked)]
        by_hand = hand_bound_mm(one, exercise.repeatability_mm + half)
        worst = np.max([*by_hand.values(), np.abs(point - one.true_mm)], axis=0) + half
        best.append(read_only(point))
        up = np.ceil(worst / exercise.digit_mm - 1e-6) * exercise.digit_mm
        allowed.append(read_only(np.maximum(up, least_mm)))
    return AttainableAccuracy(fit, tuple(best), tuple(allowed))
