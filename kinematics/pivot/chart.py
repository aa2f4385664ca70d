"""Numbers for a line that moves: where it pierces a fixed plane, and how it leans.

A line near a nominal one is told by four numbers: the shift of the point in which it pierces the plane square to
the nominal line at its nominal point (two, mm), and the lean of its direction (two, the tangents of the tilt toward
the same two directions: direction = nominal + lean, brought to length one). Every line that is not square to the
nominal one has exactly one such description, and a direction turned end for end has none, so a sense of turning
cannot hide behind it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["across", "leaned", "leaned_with_slopes"]


def across(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Two unit vectors square to a unit direction (3,) and to each other, near machine axes; shape (2, 3).

    For a rotary along Z they are X and Y, along X they are Y and Z, along Y they are X and Z.

    Examples
    --------
    >>> across(np.array([1.0, 0.0, 0.0])).tolist()
    [[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    first, second = np.sort(np.argsort(np.abs(direction), kind="stable")[:2])
    u = np.eye(3)[first] - direction[first] * direction
    u = u / np.linalg.norm(u)
    v = np.eye(3)[second] - direction[second] * direction
    v = v - (v @ u) * u
    return np.stack([u, v / np.linalg.norm(v)])


def leaned(direction: NDArray[np.float64], square: NDArray[np.float64], lean: NDArray[Any]) -> NDArray[Any]:
    """The direction (..., 3) that leans by `lean` (..., 2) toward the two rows of `square` (..., 2, 3)."""
    tipped = direction + (lean[..., :, None] * square).sum(axis=-2)
    return np.asarray(tipped / np.sqrt((tipped * tipped).sum(axis=-1, keepdims=True)))


def leaned_with_slopes(
    direction: NDArray[np.float64], square: NDArray[np.float64], lean: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`leaned`, and its derivatives after the two leans, shape (..., 2, 3)."""
    tipped = direction + (lean[..., :, None] * square).sum(axis=-2)
    length = np.sqrt((tipped * tipped).sum(axis=-1, keepdims=True))
    now = tipped / length
    along = (square * now[..., None, :]).sum(axis=-1, keepdims=True)
    return now, (square - along * now[..., None, :]) / length[..., None]
