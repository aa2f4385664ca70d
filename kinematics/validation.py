"""Checks at the library's edge: shapes, finite numbers, unit directions; and values that cannot be changed later."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError

__all__ = ["as_vector", "as_vectors", "normalized", "read_only"]

_SHORTEST = 1e-9


def as_vectors(values: ArrayLike, length: int, what: str) -> NDArray[np.float64]:
    """An array of finite float64 whose last axis has the stated length, or a refusal that names `what`.

    Examples
    --------
    >>> as_vectors([1, 2, 3], 3, "point").tolist()
    [1.0, 2.0, 3.0]
    >>> as_vectors([1, 2], 3, "point")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: point: expected a last axis of 3 numbers, found shape (2,)
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as fault:
        raise KinematicsError(f"{what}: expected numbers, found {values!r}") from fault
    if array.ndim == 0 or array.shape[-1] != length:
        raise KinematicsError(f"{what}: expected a last axis of {length} numbers, found shape {array.shape}")
    if not np.isfinite(array).all():
        raise KinematicsError(f"{what}: expected finite numbers, found NaN or infinity")
    return array


def as_vector(values: ArrayLike, length: int, what: str) -> NDArray[np.float64]:
    """As `as_vectors`, for what there is one of: any leading shape is refused.

    Examples
    --------
    >>> as_vector([[1, 2, 3], [4, 5, 6]], 3, "point")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: point: expected shape (3,), found (2, 3)
    """
    array = as_vectors(values, length, what)
    if array.ndim > 1:
        raise KinematicsError(f"{what}: expected shape ({length},), found {array.shape}")
    return array


def normalized(direction: ArrayLike, what: str) -> NDArray[np.float64]:
    """The direction at length one, shape (..., 3); a direction of no length is refused.

    Examples
    --------
    >>> normalized([0.0, 3.0, 4.0], "normal").tolist()
    [0.0, 0.6, 0.8]
    >>> normalized([0.0, 0.0, 0.0], "normal")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: normal: expected a direction, found one of length 0
    """
    vector = as_vectors(direction, 3, what)
    with np.errstate(over="ignore"):
        length = np.linalg.norm(vector, axis=-1, keepdims=True)
    if not np.isfinite(length).all():
        raise KinematicsError(f"{what}: expected a direction, found one too long to have a length")
    if (length < _SHORTEST).any():
        raise KinematicsError(f"{what}: expected a direction, found one of length {float(length.min()):g}")
    return np.asarray(vector / length)


def read_only(array: ArrayLike) -> NDArray[np.float64]:
    """A copy that nobody can write into, so that a frozen value stays what it was."""
    copy = np.array(array, dtype=np.float64)
    copy.flags.writeable = False
    return copy


def cross(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """The vector product over any leading shape; `numpy.cross` takes ten times as long on a single pair.

    Examples
    --------
    >>> cross(np.array([1.0, 0.0, 0.0]), np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 2.0]])).tolist()
    [[0.0, 0.0, 1.0], [0.0, -2.0, 0.0]]
    """
    x1, y1, z1 = first[..., 0], first[..., 1], first[..., 2]
    x2, y2, z2 = second[..., 0], second[..., 1], second[..., 2]
    return np.stack([y1 * z2 - z1 * y2, z1 * x2 - x1 * z2, x1 * y2 - y1 * x2], axis=-1)
