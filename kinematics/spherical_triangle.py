"""Orientation kinematics of one or two axes by spherical triangles (the first two Paden-Kahan subproblems).

With the directions ``a1`` (outer) and ``a2`` (inner), the wanted direction passes through a point ``c`` of the unit
sphere that lies as far from ``a2`` as the direction does and as far from ``a1`` as the spindle does: the third corner
of a spherical triangle whose sides are known. The half-angle formulas give its angles without loss where the triangle
is thin, which is where setups like to be. A triangle that cannot close is a direction that cannot be brought to the
spindle; the gap that stays open is its misalignment.

Directions have their components on the *first* axis here, shape (3, ...), and everything is computed component by
component: a million directions then stream through the processor, and one alone gives the same bits.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SINGULAR_WITHIN_RAD",
    "Found",
    "angle_between_rad",
    "azimuth_rad",
    "cross_components",
    "dot_components",
    "rotate_components",
    "solve_one_axis",
    "solve_two_axes",
]

SINGULAR_WITHIN_RAD = 1e-9
"""A direction closer than this to a rotary's line is not turned by it: 1e-9 rad is 1e-6 mm at one metre."""

_ROUNDING_RAD = 2e-15
"""Rounding error of the sum of three arcs: 2e-12 mm at one metre."""

_SPINDLE = np.array([0.0, 0.0, 1.0])

Array = NDArray[np.float64]
Found = tuple[Array, Array, NDArray[np.bool_]]


def dot_components(first: Array, second: Array) -> Array:
    """The scalar product over the first axis, shape (...)."""
    x1, y1, z1 = first
    x2, y2, z2 = second
    return np.asarray(x1 * x2 + y1 * y2 + z1 * z2)


def cross_components(first: Array, second: Array) -> tuple[Array, Array, Array]:
    """The vector product over the first axis, as its three components."""
    x1, y1, z1 = first
    x2, y2, z2 = second
    return y1 * z2 - z1 * y2, z1 * x2 - x1 * z2, x1 * y2 - y1 * x2


def rotate_components(line: Array, sine: Array, cosine: Array, vector: Array) -> Array:
    """Directions (3, ...) rotated about a line: Rodrigues' formula."""
    along = dot_components(line, vector)
    across = cross_components(line, vector)
    parts = [
        cosine * (v - a * along) + sine * c + a * along for v, a, c in zip(vector, line, across, strict=True)
    ]
    return np.stack(np.broadcast_arrays(*parts))


def angle_between_rad(first: Array, second: Array) -> Array:
    """The angle between directions (3, ...) of length one, radians; exact near 0 and near pi."""
    x, y, z = cross_components(first, second)
    return np.asarray(np.arctan2(np.sqrt(x * x + y * y + z * z), dot_components(first, second)))


def azimuth_rad(line: Array, start: Array, end: Array) -> Array:
    """The right-handed angle about `line` from the half-plane of `start` to that of `end`, radians."""
    # Crossed with the line first: where all three nearly agree, a difference of dot products is only rounding.
    from_line, to_line = cross_components(line, start), cross_components(line, end)
    x, y, z = cross_components(from_line, to_line)  # type: ignore[arg-type]
    sideways = line[0] * x + line[1] * y + line[2] * z
    return np.asarray(
        np.arctan2(
            sideways, from_line[0] * to_line[0] + from_line[1] * to_line[1] + from_line[2] * to_line[2]
        )
    )


def solve_one_axis(line: Array, wanted: Array, kept_deg: list[Array]) -> Found:
    """The turn about one line that brings directions nearest to the spindle.

    Parameters
    ----------
    line : ndarray, shape (3,) or (3, k)
    wanted : ndarray, shape (3, k)
    kept_deg : list of one ndarray, shape () or (k,)
        The turn taken where it does not matter.

    Returns
    -------
    turns_deg : ndarray, shape (2, 1, k)
        Twice the same.
    misalignment_deg : ndarray, shape (k,)
    singular : ndarray of bool, shape (1, k)
        Where the turn does not matter.
    """
    off_line, spindle_off_line = angle_between_rad(line, wanted), angle_between_rad(line, _SPINDLE)
    singular = (np.sin(off_line) < SINGULAR_WITHIN_RAD) | (np.sin(spindle_off_line) < SINGULAR_WITHIN_RAD)
    turn = np.where(singular, kept_deg[0], np.degrees(azimuth_rad(line, wanted, _SPINDLE)))
    return (
        np.stack([turn[None], turn[None]]),
        np.degrees(np.abs(off_line - spindle_off_line)),
        singular[None],
    )


def solve_two_axes(outer: Array, inner: Array, wanted: Array, kept_deg: list[Array]) -> Found:
    """The turns about an outer and an inner line that bring directions nearest to the spindle.

    Parameters
    ----------
    outer, inner : ndarray, shape (3,) or (3, k)
    wanted : ndarray, shape (3, k)
    kept_deg : list of two ndarray, shape () or (k,)
        The turns taken where they do not matter.

    Returns
    -------
    turns_deg : ndarray, shape (2, 2, k)
        Both solutions; of each the outer line's turn, then the inner line's.
    misalignment_deg : ndarray, shape (k,)
    singular : ndarray of bool, shape (2, k)
        Turns that do not matter.
    """
    lines, off_inner, off_outer = (
        angle_between_rad(outer, inner),
        angle_between_rad(inner, wanted),
        angle_between_rad(outer, _SPINDLE),
    )
    nearest = np.abs(lines - off_inner)
    farthest = np.pi - np.abs(np.pi - (lines + off_inner))
    side = np.clip(off_outer, nearest, farthest)
    at_outer, at_inner = _corners(lines, off_inner, side)
    spindle_from_inner = azimuth_rad(outer, inner, _SPINDLE)
    wanted_to_outer = azimuth_rad(inner, wanted, outer)
    inner_singular = np.sin(off_inner) < SINGULAR_WITHIN_RAD
    outer_singular = np.broadcast_to(np.sin(off_outer) < SINGULAR_WITHIN_RAD, inner_singular.shape)
    turns = np.empty((2, 2, *inner_singular.shape))
    # The corner lies on either side of the arc from outer to inner: seen from its ends, the senses are opposed.
    for solution, side_of_arc in zip(turns, (-1.0, 1.0), strict=True):
        solution[0] = _one_turn(np.degrees(spindle_from_inner - side_of_arc * at_outer))
        solution[1] = _one_turn(np.degrees(wanted_to_outer - side_of_arc * at_inner))
    for column, singular in enumerate((outer_singular, inner_singular)):
        if singular.any():
            turns[:, column] = np.where(singular, kept_deg[column], turns[:, column])
    misalignment = np.degrees(np.abs(off_outer - side))
    return turns, misalignment, np.stack([outer_singular, inner_singular])


def _one_turn(turn_deg: Array) -> Array:
    """The same turns in -180 to 180 degrees."""
    return np.asarray(turn_deg - 360.0 * np.rint(turn_deg / 360.0))


def _corners(lines: Array, off_inner: Array, side: Array) -> tuple[Array, Array]:
    """The spherical triangle's angles at the outer and the inner line, from its three sides; radians.

    Half-angle formula: ``tan(A/2)**2 = sin(s-b) sin(s-c) / (sin(s) sin(s-a))`` with half the sum ``s``. Both
    angles come from the same four numbers: at the edge of the reach each is known to half the digits only, and
    they must be wrong together for the direction to come out right.
    """
    half = (lines + off_inner + side) / 2.0
    past_lines = _without_rounding((off_inner + side - lines) / 2.0)
    past_inner = _without_rounding((lines + side - off_inner) / 2.0)
    past_side = _without_rounding((lines + off_inner - side) / 2.0)
    to_antipode = _without_rounding(np.pi - half)
    sines = [np.sin(arc) for arc in (to_antipode, past_lines, past_inner, past_side)]
    closing, of_lines, of_inner, of_side = (np.maximum(sine, 0.0) for sine in sines)
    at_outer = 2.0 * np.arctan2(np.sqrt(of_side * of_lines), np.sqrt(closing * of_inner))
    at_inner = 2.0 * np.arctan2(np.sqrt(of_inner * of_lines), np.sqrt(closing * of_side))
    return np.asarray(at_outer), np.asarray(at_inner)


def _without_rounding(arc: Array) -> Array:
    """Zero where a difference of arcs is nothing but rounding, so that a closed triangle has one solution."""
    return np.where(np.abs(arc) < _ROUNDING_RAD, 0.0, arc)
