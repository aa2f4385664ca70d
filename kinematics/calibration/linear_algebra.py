"""Matrix decompositions that refuse, with a `KinematicsError`, what is singular, not finite or does not converge."""

from __future__ import annotations

from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError

__all__ = ["determined_gain", "eigen_symmetric", "inverse", "pseudo_inverse", "singular_values", "solution"]


def inverse(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverses of matrices (..., n, n).

    Raises
    ------
    KinematicsError
        When one is singular or not finite.

    Examples
    --------
    >>> inverse(np.array([[2.0]])).tolist()
    [[0.5]]
    >>> inverse(np.zeros((2, 2)))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: readings: expected normal equations with one solution, found singular or infinite ones; check the readings for gross errors, or read more poses
    """
    try:
        found = np.linalg.inv(matrix)
    except np.linalg.LinAlgError:
        _refuse()
    if not np.isfinite(found).all():
        _refuse()
    return np.asarray(found, dtype=np.float64)


def eigen_symmetric(matrix: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Eigenvalues (..., n), ascending, and eigenvectors (..., n, n) of symmetric matrices.

    Raises
    ------
    KinematicsError
        When a matrix is not finite or the iteration does not converge.
    """
    try:
        size, vectors = np.linalg.eigh(matrix)
    except np.linalg.LinAlgError:
        _refuse()
    if not np.isfinite(size).all():
        _refuse()
    return size, vectors


def determined_gain(
    size: NDArray[np.float64], along: NDArray[np.float64], determined: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Decrease of a sum of squares (...) by what has information `size` and score `along` (..., k), where it is determined.

    Examples
    --------
    >>> float(determined_gain(np.array([2.0, 0.0]), np.array([4.0, 1.0]), np.array([True, False])))
    8.0
    """
    return np.asarray(np.where(determined, along**2 / np.where(determined, size, 1.0), 0.0).sum(axis=-1))


def singular_values(
    matrix: NDArray[np.float64], *, full_matrices: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Singular value decomposition: left vectors, values, right vectors as rows.

    Raises
    ------
    KinematicsError
        When the matrix is not finite or the iteration does not converge.
    """
    try:
        left, size, right = np.linalg.svd(matrix, full_matrices=full_matrices)
    except np.linalg.LinAlgError:
        _refuse()
    if not np.isfinite(size).all():
        _refuse()
    return left, size, right


def pseudo_inverse(matrix: NDArray[np.float64], rcond: float) -> NDArray[np.float64]:
    """Moore-Penrose inverse (n, m) of a matrix (m, n).

    Raises
    ------
    KinematicsError
        When the matrix is not finite or the iteration does not converge.
    """
    try:
        return np.asarray(np.linalg.pinv(matrix, rcond=rcond))
    except np.linalg.LinAlgError:
        _refuse()


def solution(matrix: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solution (n,) of a linear system (n, n), (n,): the shortest least-squares one where the matrix is singular.

    Raises
    ------
    KinematicsError
        When the matrix is not finite.
    """
    if not np.isfinite(matrix).all():
        _refuse()
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=1e-14)[0])


def _refuse() -> NoReturn:
    raise KinematicsError(
        "readings: expected normal equations with one solution, found singular or infinite ones; "
        "check the readings for gross errors, or read more poses"
    )
