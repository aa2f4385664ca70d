"""Confidence interval of a vector's length: a tilt, say, which scatter alone never shows as zero.

The length of an estimated vector of two numbers is biased: where the truth is zero, it follows a Rayleigh
distribution, not a normal one. The interval holds every length that a test at the level does not reject, from the
nearest vector of that length (in units of the covariance). Its limit goes from that of two numbers at zero, chi squared
or F, to that of one far from it, Student's t; between them as the Rice distribution has it for a scatter that is alike in
both directions. Derived here; the interval excludes zero just where the test of two numbers against zero does.
"""

from __future__ import annotations

import functools
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.linear_algebra import eigen_symmetric
from kinematics.calibration.statistics import coverage_factor, region_factor

__all__ = ["length_interval"]

_FAR = 25.0
"""Ratio of length to scatter from which on a length is as good as one number."""
_LEAST = 1e-9
"""Share of the scatter by which a component is moved off zero, where the equations would divide by it."""
_HALVINGS = 100


def length_interval(
    vector: NDArray[np.float64], covariance: NDArray[np.float64], level: float = 0.95, dof: int | None = None
) -> tuple[float, float]:
    """Confidence interval of the length of a vector of two numbers.

    Parameters
    ----------
    vector : ndarray, shape (2,)
    covariance : ndarray, shape (2, 2)
        Positive definite.
    level : float
        Coverage probability.
    dof : int or None
        Degrees of freedom of the scatter in the covariance; None where it is known beforehand.

    Returns
    -------
    low, high : float
        `low` is 0 where the vector is not shown to differ from zero.

    Examples
    --------
    >>> low, high = length_interval(np.array([0.0, 20.0]), np.eye(2))
    >>> round(low, 2), round(high, 2)
    (18.04, 21.96)
    >>> low, high = length_interval(np.array([1.0, 2.0]), np.eye(2))
    >>> round(low, 2), round(high, 2)
    (0.0, 4.2)
    """
    variance, axes = eigen_symmetric(covariance)
    sd = np.sqrt(np.maximum(variance, 0.0))
    least = _LEAST * max(float(sd.max()), 1e-300)
    sd = np.maximum(sd, least)
    v = axes.T @ vector
    v = np.where(np.abs(v) < least, least, v)

    def at(multiplier: float) -> tuple[float, float]:
        """Length of the nearest vector for a Lagrange multiplier, and its excess distance over the limit."""
        scale = 1.0 / (1.0 + multiplier * sd**2)
        near = v * scale
        length = float(np.linalg.norm(near))
        distance = float(((multiplier * sd * v * scale) ** 2).sum())
        across = near[::-1] * [1.0, -1.0] / length if length > 0.0 else np.array([1.0, 0.0])
        ratio = length / float(np.linalg.norm(across * sd))
        return length, distance - _limit(ratio, level, dof)

    far = 1e12 / float((sd**2).min())
    low = 0.0 if at(far)[1] <= 0.0 else _crossing(at, 0.0, far)
    # Towards minus one over the larger variance the length grows beyond every limit.
    end = -(1.0 - 1e-15) / float((sd**2).max())
    return low, _crossing(at, 0.0, end)


def _crossing(at: Callable[[float], tuple[float, float]], inside: float, outside: float) -> float:
    """Length at which the limit is reached between two multipliers, by halving."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + outside)
        if inside and outside and abs(outside) > 4.0 * abs(inside):
            middle = float(np.sign(outside) * np.sqrt(inside * outside))
        elif not inside and abs(outside) > 0.0:
            middle = 0.1 * outside
        if at(middle)[1] <= 0.0:
            inside = middle
        else:
            outside = middle
    return float(at(inside)[0])


def _limit(ratio: float, level: float, dof: int | None) -> float:
    """Squared limit for a length of `ratio` scatters."""
    one, two = coverage_factor(level, dof) ** 2, region_factor(2, level, dof) ** 2
    known_one, known_two = coverage_factor(level) ** 2, region_factor(2, level) ** 2
    share = (_rice_half_width(round(ratio, 3), level) ** 2 - known_one) / (known_two - known_one)
    return one + min(max(share, 0.0), 1.0) * (two - one)


@functools.lru_cache(maxsize=4096)
def _rice_half_width(ratio: float, level: float) -> float:
    """Half-width h: a length that is Rice distributed about `ratio` lies within h of it with that probability."""
    from scipy import special

    if ratio > _FAR:
        return coverage_factor(level)
    low, high = 0.0, 10.0
    for _ in range(60):
        h = 0.5 * (low + high)
        inside = special.chndtr((ratio + h) ** 2, 2, ratio**2)
        if h < ratio:
            inside -= special.chndtr((ratio - h) ** 2, 2, ratio**2)
        low, high = (h, high) if inside < level else (low, h)
    return 0.5 * (low + high)
