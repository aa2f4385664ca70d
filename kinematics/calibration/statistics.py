"""Coverage factors, factors of joint confidence regions, and p-values: Student's t, F and chi squared.

`scipy.special` has the functions of `scipy.stats` that are needed and loads in less than a third of its time (0.3 s against
1.0 s on this machine's first start; `python -X importtime` measures both).

With few readings their scatter is itself known poorly, and two standard uncertainties do not hold the truth in 95
of 100 cases. JCGM 100:2008 (GUM), annex G, gives the factor: Student's t for the degrees of freedom.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError

__all__ = ["chi_squared_median", "coverage_factor", "detectable_noncentrality", "p_value", "region_factor"]


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
