"""Angles in degrees: sine and cosine without the error of pi, and wrapping into a rotary's limits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.validation import as_real, as_vector

__all__ = ["SNAP_DEG", "equivalent_angles_deg", "nearest_axis", "sincos_deg", "wrap_deg"]

LARGEST_DEG = 1e12
"""An angle beyond this has no fraction of a minute left in float64: it is a mistake, as NaN and infinity are."""

SNAP_DEG = 1e-9
"""Angles closer than this are one angle: 1e-9 degrees move a point 1 m from the axis by 2e-8 mm."""

_SIN_QUADRANT = np.array([0.0, 1.0, 0.0, -1.0])
_COS_QUADRANT = np.array([1.0, 0.0, -1.0, 0.0])


def _degrees(angle_deg: ArrayLike) -> NDArray[np.float64]:
    angle = as_real(angle_deg, "angle")
    # Written so that NaN, which is not less than anything, does not get past it.
    if angle.size and not float(np.abs(angle).max()) <= LARGEST_DEG:
        raise KinematicsError(
            f"angle: expected finite degrees, {LARGEST_DEG:g} at most, found {float(np.abs(angle).max()):g}"
        )
    return angle


def _one(angle_deg: float, what: str) -> float:
    """One angle, which may still be NaN or infinite: `_degrees` refuses those."""
    angle = as_real(angle_deg, what)
    if angle.ndim:
        raise KinematicsError(f"{what}: expected one number, found shape {angle.shape}")
    return float(angle)


def sincos_deg(angle_deg: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sine and cosine of angles in degrees.

    Whole quarter turns are taken off before degrees become radians, which is exact in floating point. So a
    rotary at 90 degrees gives exactly 0 and 1, and ten full turns change nothing.

    Parameters
    ----------
    angle_deg : array_like, shape (...)
        Angles in degrees, of any size.

    Returns
    -------
    sine, cosine : ndarray, shape (...)

    Raises
    ------
    KinematicsError
        When an angle is not finite, or so large that nothing of it can be trusted.

    Examples
    --------
    >>> [float(v) for v in sincos_deg(-90.0)]
    [-1.0, 0.0]
    >>> sincos_deg(3600.0 + 30.0)[0] == sincos_deg(30.0)[0]
    np.True_
    >>> sincos_deg(float("nan"))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angle: expected finite degrees, 1e+12 at most, found nan
    """
    angle = _degrees(angle_deg)
    quarters = np.rint(angle / 90.0)
    rest = np.radians(angle - 90.0 * quarters)
    quadrant = quarters.astype(np.int64) & 3
    sin_rest, cos_rest = np.sin(rest), np.cos(rest)
    sin_q, cos_q = _SIN_QUADRANT[quadrant], _COS_QUADRANT[quadrant]
    return sin_rest * cos_q + cos_rest * sin_q, cos_rest * cos_q - sin_rest * sin_q


def wrap_deg(angle_deg: ArrayLike, low_deg: float = 0.0) -> NDArray[np.float64]:
    """Equivalent angles within one turn, ``low_deg <= angle < low_deg + 360``.

    An angle that misses a multiple of the turn only by rounding is put on it, so that a rotary that should
    stand at 0 does not read 359.9999999999.

    Parameters
    ----------
    angle_deg : array_like, shape (...)
        Angles in degrees.
    low_deg : float
        Lower end of that turn, in degrees.

    Returns
    -------
    ndarray, shape (...)
        Angles in degrees; never -0.0.

    Raises
    ------
    KinematicsError
        As `sincos_deg`.

    Examples
    --------
    >>> wrap_deg([-90.0, 720.0, -1e-14]).tolist()
    [270.0, 0.0, 0.0]
    >>> wrap_deg(200.0, low_deg=-180.0).tolist()
    -160.0
    >>> wrap_deg(float("inf"))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angle: expected finite degrees, 1e+12 at most, found inf
    """
    low = _degrees(low_deg)
    if low.ndim:
        raise KinematicsError(f"angle, low end: expected a number, found shape {low.shape}")
    turned = _modulo_turn(_degrees(angle_deg) - low)
    turned = np.where(360.0 - turned < SNAP_DEG, 0.0, turned)
    turned = np.where(turned < SNAP_DEG, 0.0, turned)
    return turned + low_deg + 0.0


def _modulo_turn(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles modulo 360, to the bits of `numpy.mod`, which takes several times as long."""
    if not angle_deg.size or (float(angle_deg.min()) > -360.0 and float(angle_deg.max()) < 720.0):
        return np.where(
            angle_deg < 0.0, angle_deg + 360.0, np.where(angle_deg >= 360.0, angle_deg - 360.0, angle_deg)
        )
    return np.asarray(np.mod(angle_deg, 360.0))


def equivalent_angles_deg(angle_deg: float, low_deg: float, high_deg: float) -> NDArray[np.float64]:
    """Angles within the limits that are equivalent to an angle: a whole number of turns apart.

    Parameters
    ----------
    angle_deg : float
        An angle in degrees.
    low_deg, high_deg : float
        The limits in degrees, both included (within `SNAP_DEG`; a value outside by less is put on the limit).

    Returns
    -------
    ndarray, shape (k,)
        Ascending, in degrees; empty where none fits.

    Raises
    ------
    KinematicsError
        When the limits are swapped, or a value is not finite.

    Examples
    --------
    >>> equivalent_angles_deg(30.0, -360.0, 720.0).tolist()
    [-330.0, 30.0, 390.0]
    >>> equivalent_angles_deg(100.0, -120.0, 30.0).tolist()
    []
    >>> equivalent_angles_deg(0.0, 30.0, -120.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: limits: expected the lower end first, found 30.0 to -120.0 degrees
    """
    angle_deg, low_deg, high_deg = _degrees(
        [_one(angle_deg, "angle"), _one(low_deg, "lower limit"), _one(high_deg, "upper limit")]
    ).tolist()
    if low_deg > high_deg:
        raise KinematicsError(f"limits: expected the lower end first, found {low_deg} to {high_deg} degrees")
    first = math.ceil((low_deg - angle_deg - SNAP_DEG) / 360.0)
    last = math.floor((high_deg - angle_deg + SNAP_DEG) / 360.0)
    found: NDArray[np.float64] = angle_deg + 360.0 * np.arange(first, last + 1, dtype=np.float64)
    near_zero = np.where(np.abs(found) < SNAP_DEG, 0.0, found)
    return np.clip(near_zero, low_deg, high_deg) + 0.0


def nearest_axis(direction: ArrayLike) -> tuple[int, float]:
    """The axis nearest to a direction, with either sign: its index, and the degrees between them.

    Raises
    ------
    KinematicsError
        When the direction is no three finite numbers.

    Examples
    --------
    >>> axis, off_deg = nearest_axis([0.0, -4.0, 3.0])
    >>> axis, round(off_deg, 6)
    (1, 36.869898)
    >>> nearest_axis([0.0, 1.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: direction: expected a last axis of 3 numbers, found shape (2,)
    """
    vector = as_vector(direction, 3, "direction")
    axis = int(np.argmax(np.abs(vector)))
    return axis, float(np.degrees(np.arctan2(np.linalg.norm(np.delete(vector, axis)), abs(vector[axis]))))
