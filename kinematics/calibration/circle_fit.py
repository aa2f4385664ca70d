"""The centre of something round from touches of it: a ball from all sides, a bore's wall at one height.

Orthogonal distances are made least, not an algebraic stand-in for them: the linear fit of x^2 + y^2 that is often
used pulls the centre and the radius toward each other on short arcs. It is only the start here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.validation import read_only

__all__ = ["RoundFit", "fit_round"]

_STEPS = 200
_SETTLED = 1e-12
_FLAT = 1e-9


@dataclass(frozen=True, eq=False)
class RoundFit:
    """A circle or a sphere.

    Attributes
    ----------
    centre_mm : ndarray, shape (d,)
    radius_mm : float
    residual_mm : ndarray, shape (k,)
        + outside.
    covariance : ndarray, shape (d + 1, d + 1), or None
        Of centre and radius, from the residuals; zero for a radius that was given; None without touches to spare.
    dof : int
    """

    centre_mm: NDArray[np.float64]
    radius_mm: float
    residual_mm: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    dof: int


def fit_round(points_mm: ArrayLike, radius_mm: float | None = None) -> RoundFit:
    """The circle (points (k, 2)) or sphere (points (k, 3)) nearest to touches of it.

    Parameters
    ----------
    points_mm : array_like, shape (k, 2) or (k, 3)
        Contact points, or stylus centres (then the radius comes out larger by the stylus').
    radius_mm : float, optional
        If it is known: of a ball with its certificate, plus the stylus radius.

    Returns
    -------
    RoundFit

    Raises
    ------
    KinematicsError
        When there are too few touches, or all lie on one line (or plane) where a radius is sought.

    Examples
    --------
    >>> found = fit_round([[1.0, 1.0], [2.0, 2.0], [3.0, 1.0]])
    >>> found.centre_mm.round(9).tolist(), round(found.radius_mm, 9)
    ([2.0, 1.0], 1.0)
    >>> fit_round([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: touches: expected them all round, found them on one straight line
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] not in (2, 3) or not np.isfinite(points).all():
        raise KinematicsError(
            f"touches: expected finite numbers, shape (k, 2) or (k, 3), found {points.shape}"
        )
    count, d = points.shape
    if count < d + 1:
        raise KinematicsError(f"touches: expected at least {d + 1}, found {count}")
    if radius_mm is not None and not radius_mm > 0.0:
        raise KinematicsError(f"radius: expected more than 0 mm, found {radius_mm:g}")
    middle = points.mean(axis=0)
    away = points - middle
    size = np.linalg.svd(away, compute_uv=False)
    if size[-1] <= _FLAT * size[0]:
        shape = "one straight line" if d == 2 else "one plane"
        raise KinematicsError(f"touches: expected them all round, found them on {shape}")
    linear = np.linalg.lstsq(
        np.column_stack([2.0 * away, np.ones(count)]), (away**2).sum(axis=1), rcond=None
    )[0]
    centre = linear[:d]
    radius = float(np.sqrt(linear[d] + centre @ centre)) if radius_mm is None else radius_mm
    fixed = radius_mm is not None
    damping, scale = 0.0, float(size[0])

    def misfit(centre: NDArray[np.float64], radius: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        off = away - centre
        length = np.linalg.norm(off, axis=1)
        slopes = -off / np.maximum(length, 1e-300)[:, None]
        rows = slopes if fixed else np.column_stack([slopes, -np.ones(count)])
        return length - radius, rows

    residual, rows = misfit(centre, radius)
    for _ in range(_STEPS):
        normal = rows.T @ rows
        damped = normal + damping * np.diag(np.diag(normal))
        move = -np.linalg.lstsq(damped, rows.T @ residual, rcond=None)[0]
        trial = centre + move[:d], radius + (0.0 if fixed else float(move[d]))
        then, trial_rows = misfit(*trial)
        if then @ then > (residual @ residual) * (1.0 + 1e-12) and np.abs(move).max() > _SETTLED * scale:
            damping = max(10.0 * damping, 1e-4)
            continue
        (centre, radius), residual, rows = trial, then, trial_rows
        if np.abs(move).max() <= _SETTLED * scale and damping < 1e-3:
            break
        damping = damping / 10.0 if damping > 1e-6 else 0.0
    else:
        raise KinematicsError(
            "touches: expected them to settle on one centre, found none; touch it farther round"
        )
    return RoundFit(read_only(middle + centre), radius, read_only(residual), *_spread(residual, rows, d))


def _spread(
    residual: NDArray[np.float64], rows: NDArray[np.float64], d: int
) -> tuple[NDArray[np.float64] | None, int]:
    dof = len(residual) - rows.shape[1]
    if dof < 1:
        return None, dof
    covariance = np.zeros((d + 1, d + 1))
    inner = np.linalg.inv(rows.T @ rows) * float(residual @ residual) / dof
    covariance[: rows.shape[1], : rows.shape[1]] = inner
    return read_only(covariance), dof
