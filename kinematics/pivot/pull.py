"""Readings pulled back to the all-zero pose, and how that depends on the rotaries' lines.

A point read at machine angles q stood, at the all-zero pose, where every turn undone takes it, the outermost first.
All readings of a ball then fall on one point, those of a bore on one line, those of a face on one plane: a target's
own numbers enter the adjustment without any turning.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.arrays import last_axis
from kinematics.machine import Machine, table_pose
from kinematics.pivot.chart import across, leaned, leaned_with_slopes

__all__ = ["Lines", "Turns", "lines_of", "pull", "pull_with_slopes", "pulled_back", "turned_back", "turns_of"]


@dataclass(frozen=True, eq=False)
class Turns:
    """Sine and cosine of how far each rotary stands turned; each shape (N, n), right-handed."""

    sine: NDArray[np.float64]
    cosine: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Lines:
    """The machine's nominal lines and the plane in which they are told: points (n, 3), directions, square (n, 2, 3)."""

    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    square: NDArray[np.float64]

    def at(self, told: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Points and directions (n, 3) for the numbers `told` (n, 4): two shifts (mm), two leans."""
        point = self.point + (told[:, :2, None] * self.square).sum(axis=-2)
        return point, leaned(self.direction, self.square, told[:, 2:])


def lines_of(machine: Machine) -> Lines:
    """The nominal lines of a machine."""
    direction = np.stack([rotary.direction for rotary in machine.rotaries])
    return Lines(
        np.stack([rotary.point_mm for rotary in machine.rotaries]),
        direction,
        np.stack([across(d) for d in direction]),
    )


def turns_of(machine: Machine, angles_deg: NDArray[np.float64]) -> Turns:
    """How far the rotaries stand turned at machine angles (N, n)."""
    turned = np.stack([r.turn_deg(angles_deg[:, i]) for i, r in enumerate(machine.rotaries)], axis=-1)
    return Turns(*sincos_deg(turned))


def _cross(one: NDArray[Any], other: NDArray[Any]) -> NDArray[Any]:
    """The cross product over the last axis; numpy's own costs more than the arithmetic for few rows."""
    a, b, c = one[..., 0], one[..., 1], one[..., 2]
    x, y, z = other[..., 0], other[..., 1], other[..., 2]
    return np.stack([b * z - c * y, c * x - a * z, a * y - b * x], axis=-1)


def turned_back(
    direction: NDArray[Any], sine: NDArray[np.float64], cosine: NDArray[np.float64], vector: NDArray[Any]
) -> NDArray[Any]:
    """Vectors (N, ..., 3) with a turn about `direction` (3,) undone; sine and cosine (N,)."""
    lift = (slice(None),) + (None,) * (vector.ndim - 1)
    along = vector @ direction
    return np.asarray(
        cosine[lift] * vector
        + ((1.0 - cosine)[lift[:-1]] * along)[..., None] * direction
        - sine[lift] * _cross(direction, vector)
    )


def pull(lines: Lines, told: NDArray[Any], turns: Turns, points: NDArray[np.float64]) -> NDArray[Any]:
    """Points (N, 3) as read, pulled back to the all-zero pose by the lines that `told` (n, 4) describes."""
    at, direction = lines.at(told)
    where: NDArray[Any] = points
    for i in range(len(at)):
        where = at[i] + turned_back(direction[i], turns.sine[:, i], turns.cosine[:, i], where - at[i])
    return where


def pull_with_slopes(
    lines: Lines, told: NDArray[np.float64], turns: Turns, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`pull`, and its derivatives after the 4n numbers of `told`, shape (N, 4n, 3)."""
    at = lines.point + (told[:, :2, None] * lines.square).sum(axis=-2)
    direction, slope = leaned_with_slopes(lines.direction, lines.square, told[:, 2:])
    n, rotaries = len(points), len(at)
    where: NDArray[np.float64] = points
    slopes = np.zeros((n, 4 * rotaries, 3))
    for i in range(rotaries):
        sine, cosine, axis = turns.sine[:, i], turns.cosine[:, i], direction[i]
        lever = where - at[i]
        if i:
            slopes[:, : 4 * i] = turned_back(axis, sine, cosine, slopes[:, : 4 * i])
        square = np.broadcast_to(lines.square[i], (n, 2, 3))
        slopes[:, 4 * i : 4 * i + 2] = square - turned_back(axis, sine, cosine, square)
        versine = (1.0 - cosine)[:, None]
        for k in range(2):
            e = slope[i, k]
            slopes[:, 4 * i + 2 + k] = (
                versine * ((lever @ e)[:, None] * axis + (lever @ axis)[:, None] * e)
                - sine[:, None] * _cross(e, lever)
            )
        where = at[i] + turned_back(axis, sine, cosine, lever)
    return where, slopes


def pulled_back(machine: Machine, angles_deg: ArrayLike, points_mm: ArrayLike) -> NDArray[np.float64]:
    """Where points read at machine angles stood at the all-zero pose, by the machine's own lines.

    Parameters
    ----------
    machine : Machine
    angles_deg : array_like, shape (..., n)
    points_mm : array_like, shape (..., 3)
        Machine coordinates.

    Returns
    -------
    ndarray, shape (..., 3)
        Machine coordinates at the all-zero pose, millimetres.

    Examples
    --------
    >>> from kinematics import Machine, Platter, Rotary, Sense
    >>> c = Rotary("C", [10.0, 0.0, 0.0], [0, 0, 1], Sense.COUNTERCLOCKWISE, None)
    >>> pulled_back(Machine("mill", (c,), Platter(face_mm=0.0)), [90.0], [10.0, 5.0, 2.0]).tolist()
    [15.0, 0.0, 2.0]
    """
    return table_pose(machine, angles_deg).inverse().apply(last_axis(points_mm, 3, "points"))
