"""Aiming one or two lines: spherical triangles whose sides are known.

With the directions ``a1`` (outer) and ``a2`` (inner), the wanted direction passes through a point ``c`` of the unit
sphere that lies as far from ``a2`` as the direction does and as far from ``a1`` as the spindle does: the third corner
of a spherical triangle whose sides are known. The half-angle formulas give its angles without loss where the triangle
is thin, which is where setups like to be. A triangle that cannot close is the direction that cannot be reached; how
far it stays open is how many degrees are missing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.machine import SPINDLE
from kinematics.validation import cross

__all__ = ["FREE_WITHIN_RAD", "Found", "angle_between_rad", "azimuth_rad", "solve_one_axis", "solve_two_axes"]

FREE_WITHIN_RAD = 1e-9
"""A direction closer than this to a rotary's line is not turned by it: 1e-9 rad is 1e-6 mm at one metre."""

_ROUNDING_RAD = 2e-15
"""What the sum of three arcs may be off by rounding: 2e-12 mm at one metre."""

Found = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]


def angle_between_rad(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """The angle between directions of length one, radians; exact near 0 and near pi."""
    across = np.linalg.norm(cross(first, second), axis=-1)
    return np.asarray(np.arctan2(across, np.sum(first * second, axis=-1)))


def azimuth_rad(
    line: NDArray[np.float64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The right-handed turn about `line` from the side of `start` to the side of `end`, radians."""
    # Crossed with the line first: where all three nearly agree, a difference of dot products is only rounding.
    from_line, to_line = cross(line, start), cross(line, end)
    sideways = np.sum(line * cross(from_line, to_line), axis=-1)
    return np.asarray(np.arctan2(sideways, np.sum(from_line * to_line, axis=-1)))


def solve_one_axis(line: NDArray[np.float64], wanted: NDArray[np.float64], kept: list[float]) -> Found:
    """The turn about one line that brings directions (..., 3) nearest to the spindle.

    Returns
    -------
    turns_deg : ndarray, shape (..., 2, 1)
        Twice the same.
    short_deg : ndarray, shape (...)
    free : ndarray of bool, shape (..., 1)
        Where the turn does not matter and `kept`, in degrees, was taken.
    """
    off_line, spindle_off_line = angle_between_rad(line, wanted), angle_between_rad(line, SPINDLE)
    free = (np.sin(off_line) < FREE_WITHIN_RAD) | (np.sin(spindle_off_line) < FREE_WITHIN_RAD)
    turn = np.where(free, kept[0], np.degrees(azimuth_rad(line, wanted, SPINDLE)))
    both = np.stack([turn, turn], axis=-1)[..., None]
    return both, np.degrees(np.abs(off_line - spindle_off_line)), free[..., None]


def solve_two_axes(
    outer: NDArray[np.float64], inner: NDArray[np.float64], wanted: NDArray[np.float64], kept: list[float]
) -> Found:
    """The turns about an outer and an inner line that bring directions (..., 3) nearest to the spindle.

    Returns
    -------
    turns_deg : ndarray, shape (..., 2, 2)
        Both solutions, the outer line's turn first.
    short_deg : ndarray, shape (...)
    free : ndarray of bool, shape (..., 2)
        Turns that do not matter, where those `kept`, in degrees, were taken.
    """
    lines, off_inner, off_outer = (
        angle_between_rad(outer, inner),
        angle_between_rad(inner, wanted),
        angle_between_rad(outer, SPINDLE),
    )
    nearest = np.abs(lines - off_inner)
    farthest = np.pi - np.abs(np.pi - (lines + off_inner))
    side = np.clip(off_outer, nearest, farthest)
    at_outer, at_inner = _corners(lines, off_inner, side)
    spindle_from_inner = azimuth_rad(outer, inner, SPINDLE)
    wanted_to_outer = azimuth_rad(inner, wanted, outer)
    inner_free = np.sin(off_inner) < FREE_WITHIN_RAD
    outer_free = np.broadcast_to(np.sin(off_outer) < FREE_WITHIN_RAD, inner_free.shape)
    solutions = []
    # The corner lies on either side of the arc from outer to inner: seen from its ends, the senses are opposed.
    for side_of_arc in (-1.0, 1.0):
        turn_outer = _one_turn(np.degrees(spindle_from_inner - side_of_arc * at_outer))
        turn_inner = _one_turn(np.degrees(wanted_to_outer - side_of_arc * at_inner))
        turn_outer = np.where(outer_free, kept[0], turn_outer)
        turn_inner = np.where(inner_free, kept[1], turn_inner)
        solutions.append(np.stack([turn_outer, turn_inner], axis=-1))
    short = np.degrees(np.abs(off_outer - side))
    return np.stack(solutions, axis=-2), short, np.stack([outer_free, inner_free], axis=-1)


def _one_turn(turn_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same turns in -180 to 180 degrees."""
    return np.asarray(turn_deg - 360.0 * np.rint(turn_deg / 360.0))


def _corners(
    lines: NDArray[np.float64], off_inner: NDArray[np.float64], side: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The spherical triangle's angles at the outer and the inner line, from its three sides; radians.

    Half-angle formula: ``tan(A/2)**2 = sin(s-b) sin(s-c) / (sin(s) sin(s-a))`` with half the sum ``s``. Both
    angles come from the same four numbers: at the edge of the reach each is known to half the digits only, and
    they must be wrong together for the direction to come out right.
    """
    half = (lines + off_inner + side) / 2.0
    past_lines = _none_if_rounding((off_inner + side - lines) / 2.0)
    past_inner = _none_if_rounding((lines + side - off_inner) / 2.0)
    past_side = _none_if_rounding((lines + off_inner - side) / 2.0)
    to_antipode = _none_if_rounding(np.pi - half)
    sines = [np.sin(arc) for arc in (to_antipode, past_lines, past_inner, past_side)]
    closing, of_lines, of_inner, of_side = (np.maximum(sine, 0.0) for sine in sines)
    at_outer = 2.0 * np.arctan2(np.sqrt(of_side * of_lines), np.sqrt(closing * of_inner))
    at_inner = 2.0 * np.arctan2(np.sqrt(of_inner * of_lines), np.sqrt(closing * of_side))
    return np.asarray(at_outer), np.asarray(at_inner)


def _none_if_rounding(arc: NDArray[np.float64]) -> NDArray[np.float64]:
    """Zero where a difference of arcs is nothing but rounding, so that a closed triangle has one solution."""
    return np.where(np.abs(arc) < _ROUNDING_RAD, 0.0, arc)
