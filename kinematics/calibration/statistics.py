"""Coverage factors, factors of joint confidence regions, and p-values: Student's t, F and chi squared.

`scipy.special` has the functions of `scipy.stats` that are needed and loads in less than a third of its time (0.3 s against
1.0 s on this machine's first start; `python -X importtime` measures both).

With few readings their scatter is itself known poorly, and two standard uncertainties do not hold the truth in 95
of 100 cases. JCGM 100:2008 (GUM), annex G, gives the factor: Student's t for the degrees of freedom.

The interval of a vector's length (a tilt, say, which scatter alone never shows as zero):
The length of an estimated vector of two numbers is biased: where the truth is zero, it follows a Rayleigh
distribution, not a normal one. The interval holds every length that a test at the level does not reject, from the
nearest vector of that length (in units of the covariance). Its limit goes from that of two numbers at zero, chi squared
or F, to that of one far from it, Student's t; between them as the Rice distribution has it for a scatter that is alike in
both directions. Derived here; the interval excludes zero just where the test of two numbers against zero does.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.linear_algebra import eigen_symmetric
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import as_array, as_vector

__all__ = [
    "chi_squared_median",
    "coverage_factor",
    "detectable_noncentrality",
    "length_interval",
    "p_value",
    "region_factor",
]


@takes_declared()
def coverage_factor(level: float = 0.95, dof: int | None = None) -> float:
    """The factor from a standard to an expanded uncertainty.

    Parameters
    ----------
    level : float
        Coverage probability, 0 to 1.
    dof : int or None
        Degrees of freedom of the estimated scatter; None where it is known beforehand.

    Returns
    -------
    float
        Student's t, two-sided; the normal's quantile where the scatter is known.

    Raises
    ------
    KinematicsError
        When the level is not between 0 and 1 or there are no degrees of freedom.

    Examples
    --------
    >>> round(coverage_factor(0.95, 4), 2), round(coverage_factor(0.95), 2)
    (2.78, 1.96)
    >>> coverage_factor(0.95, 0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: degrees of freedom: expected 1 or more, found 0
    """
    _check(level, dof)
    return _t_factor(level, dof)


@functools.cache
def _t_factor(level: float, dof: int | None) -> float:
    from scipy import special

    tail = 0.5 + 0.5 * level
    return float(special.ndtri(tail) if dof is None else special.stdtrit(dof, tail))


@takes_declared()
def region_factor(numbers: int, level: float = 0.95, dof: int | None = None) -> float:
    """Factor from the standard ellipsoid to a joint confidence region of several numbers.

    Parameters
    ----------
    numbers : int
        Numbers that the region is of.
    level, dof
        As for `coverage_factor`.

    Returns
    -------
    float
        Root of chi squared's quantile where the scatter is known, else of F's times the numbers.

    Raises
    ------
    KinematicsError
        As `coverage_factor`.

    Examples
    --------
    >>> round(region_factor(2), 3)
    2.448
    >>> round(region_factor(1, 0.95, 4), 2)   # one number: Student's t again
    2.78
    >>> region_factor(2, 1.5)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: level: expected between 0 and 1, found 1.5
    """
    from scipy import special

    _check(level, dof)
    if dof is None:
        return float(np.sqrt(special.chdtri(numbers, 1.0 - level)))
    return float(np.sqrt(numbers * special.fdtri(numbers, dof, level)))


def _check(level: float, dof: int | None) -> None:
    if isinstance(level, bool) or not isinstance(level, int | float | np.floating):
        raise KinematicsError(f"level: expected a number between 0 and 1, found {level!r}")
    if not 0.0 < level < 1.0:
        raise KinematicsError(f"level: expected between 0 and 1, found {level:g}")
    if dof is not None and dof < 1:
        raise KinematicsError(f"degrees of freedom: expected 1 or more, found {dof}")


def p_value(
    statistic: NDArray[np.float64], numbers: NDArray[np.float64], dof: float | None
) -> NDArray[np.float64]:
    """p-values of mean squares `statistic` (in units of the scatter) over so many numbers: F, or chi squared without `dof`."""
    from scipy import special

    if dof is None:
        return np.asarray(special.chdtrc(numbers, statistic * numbers), dtype=np.float64)
    return np.asarray(special.fdtrc(numbers, dof, statistic), dtype=np.float64)


def chi_squared_median(numbers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Medians of chi squared for so many numbers each: a median of squares over it estimates a variance."""
    from scipy import special

    return np.asarray(special.chdtri(numbers, 0.5), dtype=np.float64)


@functools.cache
def detectable_noncentrality(numbers: int, level: float, power: float, dof: int | None) -> float:
    """Noncentrality at which a test of `numbers` at that level shows an error with the chance `power`.

    Chi squared where the scatter is known. With F the noncentral chi squared is compared with F's own limit: a few
    percent off with few degrees of freedom.

    Examples
    --------
    >>> round(detectable_noncentrality(1, 0.001, 0.8, None), 1)   # Baarda's usual choice
    17.1
    """
    from scipy import special

    limit = (
        special.chdtri(numbers, level) if dof is None else numbers * special.fdtri(numbers, dof, 1.0 - level)
    )
    return float(special.chndtrinc(limit, numbers, 1.0 - power))


_FAR = 25.0
"""Ratio of length to scatter from which on a length is as good as one number."""
_LEAST = 1e-9
"""Share of the scatter by which a component is moved off zero, where the equations would divide by it."""
_NODE = 0.02
"""Step of the ratio between the nodes at which the Rice distribution is inverted."""
_NEAR_END, _FAR_END = 60.0, 34.0
"""Ends of the search on a logarithmic scale: a multiplier of e^60, and one e^-34 (rounding) short of the pole."""


@np.errstate(over="ignore", invalid="ignore")  # what is not finite is refused
@takes_declared()
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
    >>> length_interval(np.array([np.inf, 2.0]), np.eye(2))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: vector: expected finite numbers, found NaN or infinity
    """
    from scipy.optimize import brentq

    vector = as_vector(vector, 2, "vector")
    covariance = as_array(covariance, "covariance")
    if covariance.shape != (2, 2):
        raise KinematicsError(f"covariance: expected shape (2, 2), found {covariance.shape}")
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
        raise KinematicsError(f"length: expected a finite vector, found {vector}")
    # Two numbers at a time, hundreds of times over: numpy takes longer to set out than to count.
    (vx, vy), (sx, sy) = v.tolist(), sd.tolist()

    def at(multiplier: float) -> tuple[float, float]:
        """Length of the nearest vector for a Lagrange multiplier, and its excess distance over the limit."""
        scale_x, scale_y = 1.0 / (1.0 + multiplier * sx * sx), 1.0 / (1.0 + multiplier * sy * sy)
        near_x, near_y = vx * scale_x, vy * scale_y
        length = math.hypot(near_x, near_y)
        off_x, off_y = multiplier * sx * near_x, multiplier * sy * near_y
        distance = off_x * off_x + off_y * off_y
        across_x, across_y = (near_y / length, near_x / length) if length > 0.0 else (1.0, 0.0)
        scatter = math.hypot(across_x * sx, across_y * sy)
        ratio = length / scatter if scatter > 0.0 else math.inf
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
