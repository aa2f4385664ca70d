"""Conformity with a tolerance: probabilities after JCGM 106, guard bands after ISO 14253-1, regions of a position."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.uncertainty.propagation import expanded_factor
from kinematics.validation import as_vectors

__all__ = ["conformance_probability", "position_probability", "position_radius", "proven_within"]

Array = NDArray[np.float64]
_SIDES = 24
"""Gauss-Legendre nodes along and around: 1e-6 of a probability for round and slender ellipsoids alike."""
_TINY = 1e-12
_NEWTON_STEPS = 6


@takes_declared(infinite=("lower", "upper"))
def conformance_probability(value: ArrayLike, u: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> Array:
    """The probability that a value lies within limits, (...), for a normal distribution (JCGM 106:2012, 7.2).

    Parameters
    ----------
    value, u : array_like, shape (...)
        The value to expect and its standard uncertainty.
    lower, upper : array_like, shape (...)
        The limits; infinite where there is none.

    Examples
    --------
    >>> float(conformance_probability(5.47, 0.05, 5.40, np.inf).round(3))
    0.919
    >>> float(conformance_probability(0.02, 0.0, -0.05, 0.05))
    1.0
    >>> conformance_probability(0.02, -0.01, -0.05, 0.05)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: u: expected 0 or more, found -0.01
    """
    from scipy import special

    at, spread = np.asarray(value, dtype=np.float64), np.asarray(u, dtype=np.float64)
    if (spread < 0.0).any():
        raise KinematicsError(f"u: expected 0 or more, found {float(spread.min()):g}")
    spread = np.maximum(spread, _TINY)
    above = special.ndtr((np.asarray(upper) - at) / spread)
    below = special.ndtr((np.asarray(lower) - at) / spread)
    return np.asarray(above - below)


@takes_declared(infinite=("tolerance",))
def proven_within(value: ArrayLike, expanded: ArrayLike, tolerance: ArrayLike) -> NDArray[np.bool_]:
    """True where conformity with -tolerance to +tolerance is proven (ISO 14253-1): inside by the expanded uncertainty.

    Examples
    --------
    >>> proven_within([0.0, 0.03], [0.02, 0.03], 0.05).tolist()
    [True, False]
    >>> proven_within(0.03, 0.02, np.nan)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: tolerance: expected numbers, found NaN
    """
    return np.asarray(np.abs(value) + np.asarray(expanded) <= np.asarray(tolerance))


@takes_declared()
def position_probability(mean: ArrayLike, covariance: ArrayLike, radius: ArrayLike) -> Array:
    """The probability that a normally distributed position lies within a sphere about zero.

    Parameters
    ----------
    mean : array_like, shape (..., 3)
    covariance : array_like, shape (..., 3, 3)
    radius : array_like, shape (...)

    Returns
    -------
    ndarray, shape (...)

    Notes
    -----
    Derived here: in whitened coordinates the distance is independent of the direction, and its square is chi squared
    with 3 degrees of freedom. The average over all directions is taken by Gauss-Legendre quadrature.

    Examples
    --------
    >>> float(position_probability([0, 0, 0], np.eye(3), 2.7955).round(4))   # chi squared's quantile at 95 %
    0.95
    >>> position_probability([0, 0, 0], np.eye(2), 1.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: covariance: expected a last axis of 3 numbers, found shape (2, 2)
    """
    at, spheres = as_vectors(mean, 3, "mean"), np.asarray(radius, dtype=np.float64)
    values, vectors = np.linalg.eigh(_of_positions(covariance))
    try:
        shape = np.broadcast_shapes(at.shape[:-1], values.shape[:-1])
        spheres = np.broadcast_to(spheres, np.broadcast_shapes(shape, spheres.shape))
    except ValueError:
        raise KinematicsError(
            f"position: expected leading shapes that broadcast, found mean {at.shape}, covariance "
            f"{(*values.shape, 3)} and radius {spheres.shape}"
        ) from None
    if (spheres < 0.0).any():
        raise KinematicsError(f"radius: expected 0 or more, found {float(spheres.min()):g}")
    deviations = np.sqrt(np.clip(values, _TINY**2, None))
    if not at.any():
        along = ((deviations[..., :, None] * _octant()[0]) ** 2).sum(axis=-2)
        from scipy import special

        return np.asarray((special.chdtr(3.0, spheres[..., None] ** 2 / along) * _octant()[1]).sum(axis=-1))
    centred = (at[..., None, :] @ vectors)[..., 0, :]
    return _within_sphere(centred, deviations, spheres)


@takes_declared(infinite=("dof",))
def position_radius(covariance: ArrayLike, level: float = 0.95, dof: ArrayLike = np.inf) -> Array:
    """The radius (...) about the expected position within which it lies at `level`.

    Parameters
    ----------
    covariance : array_like, shape (..., 3, 3)
    level : float
    dof : array_like, shape (...)
        Effective degrees of freedom: few make the radius larger as they do one number's interval.

    Examples
    --------
    >>> position_radius([np.eye(3), np.diag([0.0, 0.0, 1.0])]).round(3).tolist()
    [2.795, 1.96]
    >>> position_radius(np.eye(3), level=1.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: level: expected between 0 and 1, found 1
    """
    from scipy import special

    values = np.linalg.eigvalsh(_of_positions(covariance))
    deviations = np.sqrt(np.clip(values, _TINY**2, None))
    largest = deviations.max(axis=-1)
    along = (((deviations / largest[..., None])[..., :, None] * _octant()[0]) ** 2).sum(axis=-2)
    weights = _octant()[1]
    normal = float(expanded_factor(np.inf, level))
    radius = np.full(largest.shape, normal)
    # One number's quantile lies below, and the probability is concave from there on: Newton's steps never pass the answer.
    for _ in range(_NEWTON_STEPS):
        square = radius[..., None] ** 2 / along
        inside = (special.chdtr(3.0, square) * weights).sum(axis=-1)
        density = np.sqrt(square / (2.0 * np.pi)) * np.exp(-0.5 * square) * 2.0 * radius[..., None] / along
        radius = radius + (level - inside) / (density * weights).sum(axis=-1)
    return np.asarray(radius * largest * expanded_factor(dof, level) / normal)


def _of_positions(covariance: ArrayLike) -> Array:
    """Covariances of positions, shape (..., 3, 3)."""
    matrix = as_vectors(covariance, 3, "covariance")
    if matrix.ndim < 2 or matrix.shape[-2] != 3:
        raise KinematicsError(f"covariance: expected shape (..., 3, 3), found {matrix.shape}")
    return matrix


@functools.cache
def _octant() -> tuple[Array, Array]:
    """Directions over an eighth of a sphere (3, k) and their weights: enough for an ellipsoid about zero."""
    nodes, weights = np.polynomial.legendre.leggauss(_SIDES // 2)
    z, w = 0.5 * (nodes + 1.0), 0.5 * weights
    around = z * (0.5 * np.pi)
    flat = np.sqrt(1.0 - z * z)
    way = np.stack(
        [np.outer(flat, np.cos(around)), np.outer(flat, np.sin(around)), np.outer(z, np.ones(len(z)))]
    )
    return way.reshape(3, -1), np.outer(w, w).reshape(-1)


@functools.cache
def _directions() -> tuple[Array, Array]:
    """Directions over the half of a sphere with z above zero (3, k), and their weights, which add up to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(_SIDES)
    z, w = 0.5 * (nodes + 1.0), 0.5 * weights
    around = (np.arange(_SIDES) + 0.5) * 2.0 * np.pi / _SIDES
    flat = np.sqrt(1.0 - z * z)
    way = np.stack(
        [np.outer(flat, np.cos(around)), np.outer(flat, np.sin(around)), np.outer(z, np.ones(_SIDES))]
    )
    return way.reshape(3, -1), np.repeat(w / _SIDES, _SIDES)


def _within_sphere(centre: Array, deviations: Array, radius: Array) -> Array:
    """Probability (...) of a sphere about zero for independent normal coordinates; deviations (..., 3), largest last."""
    from scipy import special

    way, weights = _directions()
    scaled = deviations[..., :, None] * way
    a = (scaled * scaled).sum(axis=-2)
    b = (centre[..., :, None] * scaled).sum(axis=-2)
    c = (centre * centre).sum(axis=-1)[..., None] - (radius * radius)[..., None]
    root = b * b - a * c
    inside = root > 0.0
    width = np.sqrt(np.where(inside, root, 0.0))

    def chi(distance: Array) -> Array:
        return np.asarray(special.chdtr(3.0, np.clip(distance, 0.0, None) ** 2))

    # Along each direction and against it, since only half of the sphere is laid out.
    total = chi((width - b) / a) - chi((-width - b) / a) + chi((width + b) / a) - chi((b - width) / a)
    return np.asarray((np.where(inside, 0.5 * total, 0.0) * weights).sum(axis=-1))
