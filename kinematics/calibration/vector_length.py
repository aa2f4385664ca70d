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
from kinematics.errors import KinematicsError

__all__ = ["length_interval"]

_FAR = 25.0
"""Ratio of length to scatter from which on a length is as good as one number."""
_LEAST = 1e-9
"""Share of the scatter by which a component is moved off zero, where the equations would divide by it."""
_NODE = 0.02
"""Step of the ratio between the nodes at which the Rice distribution is inverted."""
_NEAR_END, _FAR_END = 60.0, 34.0
"""Ends of the search on a logarithmic scale: a multiplier of e^60, and one e^-34 (rounding) short of the pole."""


@np.errstate(over="ignore", invalid="ignore")  # what is not finite is refused
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

    Raises
    ------
    KinematicsError
        When vector or covariance are not finite, or longer than numbers reach.

    Examples
    --------
    >>> low, high = length_interval(np.array([0.0, 20.0]), np.eye(2))
    >>> round(low, 2), round(high, 2)
    (18.04, 21.96)
    >>> low, high = length_interval(np.array([1.0, 2.0]), np.eye(2))
    >>> round(low, 2), round(high, 2)
    (0.0, 4.2)
    """
    from scipy.optimize import brentq

    variance, axes = eigen_symmetric(covariance)
    sd = np.sqrt(np.maximum(variance, 0.0))
    unit = float(sd.max())
    if unit <= 0.0:
        return (float(np.linalg.norm(vector)),) * 2
    # In units of the larger scatter nothing overflows that is not beyond every number itself.
    sd = np.maximum(sd / unit, _LEAST)
    v = axes.T @ vector / unit
    v = np.where(np.abs(v) < _LEAST, _LEAST, v)
    if not np.isfinite(v).all():
        raise KinematicsError(f"length: expected a finite vector, found {np.abs(v).max():g} scatters")

    def at(multiplier: float) -> tuple[float, float]:
        """Length of the nearest vector for a Lagrange multiplier, and its excess distance over the limit."""
        scale = 1.0 / (1.0 + multiplier * sd**2)
        near = v * scale
        length = float(np.linalg.norm(near))
        distance = float(((multiplier * sd * v * scale) ** 2).sum())
        across = near[::-1] * [1.0, -1.0] / length if length > 0.0 else np.array([1.0, 0.0])
        ratio = length / float(np.linalg.norm(across * sd))
        return length, distance - _limit(ratio, level, dof)

    def crossing(multiplier: Callable[[float], float], end: float) -> float:
        """Length at which the limit is reached, the multiplier running from 0 at 0."""
        return at(multiplier(brentq(lambda t: at(multiplier(t))[1], 0.0, end, xtol=1e-10, rtol=1e-12)))[0]

    def shorter(t: float) -> float:
        return float(np.expm1(t))

    def longer(t: float) -> float:
        # Towards minus one over the larger variance the length grows beyond every limit.
        return float(np.expm1(-t))

    low = 0.0 if at(shorter(_NEAR_END))[1] <= 0.0 else crossing(shorter, _NEAR_END)
    return low * unit, crossing(longer, _FAR_END) * unit


@functools.lru_cache(maxsize=4096)
def _factors(level: float, dof: int | None) -> tuple[float, float, float, float]:
    """Squared factors of one number and of two, the scatter estimated and known."""
    return (
        coverage_factor(level, dof) ** 2,
        region_factor(2, level, dof) ** 2,
        coverage_factor(level) ** 2,
        region_factor(2, level) ** 2,
    )


def _limit(ratio: float, level: float, dof: int | None) -> float:
    """Squared limit for a length of `ratio` scatters."""
    one, two, known_one, known_two = _factors(level, dof)
    share = (_rice_half_width(ratio, level) ** 2 - known_one) / (known_two - known_one)
    return one + min(max(share, 0.0), 1.0) * (two - one)


def _rice_half_width(ratio: float, level: float) -> float:
    """Half-width h: a length that is Rice distributed about `ratio` lies within h of it with that probability.

    Between nodes `_NODE` apart a straight line is right to 1e-4.
    """
    if ratio > _FAR:
        return coverage_factor(level)
    node = int(ratio / _NODE)
    here, there = _rice_node(node, level), _rice_node(node + 1, level)
    return here + (ratio / _NODE - node) * (there - here)


@functools.lru_cache(maxsize=4096)
def _rice_node(node: int, level: float) -> float:
    from scipy import special
    from scipy.optimize import brentq

    ratio = node * _NODE

    def excess(h: float) -> float:
        inside = special.chndtr((ratio + h) ** 2, 2, ratio**2)
        return float(inside - (special.chndtr((ratio - h) ** 2, 2, ratio**2) if h < ratio else 0.0) - level)

    return float(brentq(excess, 0.0, 40.0, xtol=1e-12))
