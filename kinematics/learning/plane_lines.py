"""Where the direction that must face the spindle comes from: turns, three points, or a pattern about the part's z."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.arrays import cross, single
from kinematics.learning.line import Calculation, Line, Number, added, multiplied
from kinematics.learning.shared import SMALL_XYZ
from kinematics.pose import turn_about
from kinematics.turns import Turn, rotation_from_turns

__all__ = ["pattern_lines", "through_lines", "tip_lines"]

_PART = "part coordinates"
_RATIO: Literal["ratio"] = "ratio"


def tip_lines(turns: Sequence[Turn]) -> tuple[Line, ...]:
    """The normal of a plane reached by turns about the moving axes, worked from the last turn back.

    Parameters
    ----------
    turns : sequence of (axis, degrees)
        As `plane_from_tip` takes them.

    Examples
    --------
    >>> [line.result[-3:].tolist() for line in tip_lines([("z", 90.0), ("x", 90.0)])]
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0]]
    """
    lines: list[Line] = []
    normal = np.array([0.0, 0.0, 1.0])
    for number in range(len(turns), 0, -1):
        axis, angle_deg = turns[number - 1]
        matrix = rotation_from_turns([(axis, angle_deg)])
        turned = matrix @ normal + 0.0
        if not lines:
            rule = (
                "The plane's normal begins as the part's z, (0, 0, 1). Each turn is about an axis as turned so far, so "
                "the turns are worked from the last one back: each is then about an axis that still stands as drawn. "
                f"Turn {number}, by {angle_deg:.10g} degrees about {axis}:"
            )
        else:
            rule = f"Turn {number}, by {angle_deg:.10g} degrees about {axis}, takes along what came after it:"
        lines.append(
            Line(
                f"tip {number}",
                rule,
                f"n' = R{axis}({angle_deg:.10g}) · n",
                (*_sine_and_cosine(angle_deg), *multiplied(SMALL_XYZ, matrix, normal, turned, kind=_RATIO)),
                _PART,
                matrix,
            )
        )
        normal = turned
    return tuple(lines)


def through_lines(points_mm: ArrayLike) -> tuple[Line, ...]:
    """The normal of a plane through three points: square to two ways in it.

    Parameters
    ----------
    points_mm : array_like, shape (3, 3)
        As `plane_through` takes them, one point a row.

    Raises
    ------
    KinematicsError
        When there are not three points.

    Examples
    --------
    >>> through_lines([[0, 0, 0], [10, 0, 0], [4, 0, 8]])[-1].result[-3:].tolist()
    [0.0, -1.0, 0.0]
    """
    points = np.asarray(points_mm, dtype=np.float64)
    first, second, third = (single(point, 3, "through") for point in points)
    along, toward = second - first, third - first
    u, u_line = _at_length_one("u", along, "The first at length one: each component over the length.")
    v, v_line = _at_length_one("v", toward, "The second likewise.")
    square = cross(u, v)
    _, normal_line = _at_length_one("n", square, "That at length one is the plane's normal.", _RATIO)
    return (
        Line(
            "through u",
            "Two ways in the plane: from the first point to the second,",
            "u = P2 - P1",
            added(SMALL_XYZ, second, first, along, "-"),
            _PART,
        ),
        Line(
            "through v",
            "and from the first to the third.",
            "v = P3 - P1",
            added(SMALL_XYZ, third, first, toward, "-"),
            _PART,
        ),
        u_line,
        v_line,
        Line(
            "through square",
            "Square to both: the cross product. In this order it points to where the turn from the first way to the "
            "second, by the shorter side, is right-handed: out of the part.",
            "n = u × v",
            tuple(_crossed(u, v, square, i) for i in range(3)),
            _PART,
        ),
        normal_line,
    )


def pattern_lines(normal: ArrayLike, origin_mm: ArrayLike, place: int, step_deg: float) -> tuple[Line, ...]:
    """The direction and the origin of one of a pattern, from those of its first.

    Parameters
    ----------
    normal : array_like, shape (3,)
        Of the first.
    origin_mm : array_like, shape (3,)
        Of the first.
    place : int
        Which one it is, counted from 0; nothing is worked for the first.
    step_deg : float
        From one to the next about the part's z.

    Returns
    -------
    tuple of Line
        The direction's, then the origin's unless it is the part's zero.

    Examples
    --------
    >>> [line.result[-3:].round(9).tolist() for line in pattern_lines([0, -1, 0], [0, -18, -12], 1, 90.0)]
    [[1.0, 0.0, 0.0], [18.0, 0.0, -12.0]]
    """
    if place == 0:
        return ()
    about_deg = place * step_deg
    matrix = turn_about([0.0, 0.0, 1.0], about_deg)
    first, origin = single(normal, 3, "normal"), single(origin_mm, 3, "origin")
    lines = [
        Line(
            "pattern",
            f"This is number {place + 1} of the pattern: the first one's direction, turned about the part's z by "
            f"{place} × {step_deg:.10g} = {about_deg:.10g} degrees.",
            f"n' = Rz({about_deg:.10g}) · n",
            (
                *_sine_and_cosine(about_deg),
                *multiplied(SMALL_XYZ, matrix, first, matrix @ first + 0.0, kind=_RATIO),
            ),
            _PART,
            matrix,
        )
    ]
    if origin.any():
        lines.append(
            Line(
                "pattern origin",
                "Its origin likewise.",
                f"origin' = Rz({about_deg:.10g}) · origin",
                multiplied(SMALL_XYZ, matrix, origin, matrix @ origin + 0.0),
                _PART,
            )
        )
    return tuple(lines)


def _sine_and_cosine(angle_deg: float) -> tuple[Calculation, Calculation]:
    """What the numbers of a turn are."""
    sine, cosine = (float(value) for value in sincos_deg(angle_deg))
    angle = (Number(angle_deg, "angle"),)
    return (
        Calculation("s", "sin {}", angle, Number(sine, _RATIO)),
        Calculation("c", "cos {}", angle, Number(cosine, _RATIO)),
    )


def _at_length_one(
    name: str, way: NDArray[np.float64], rule: str, kind: Literal["length", "ratio"] = "length"
) -> tuple[NDArray[np.float64], Line]:
    """A way at length one, and the line that makes it so."""
    size = float(np.linalg.norm(way))
    unit_way = way / size
    parts = tuple(Number(value, kind) for value in way.tolist())
    length = Number(size, kind)
    calculations = [Calculation("length", "√({}² + {}² + {}²)", parts, length)]
    calculations += [
        Calculation(axis, "{} / {}", (part, length), Number(value, _RATIO))
        for axis, part, value in zip(SMALL_XYZ, parts, unit_way.tolist(), strict=True)
    ]
    line = Line(f"through {name} one", rule, f"{name} / |{name}|", tuple(calculations), _PART)
    return unit_way, line


def _crossed(
    u: NDArray[np.float64], v: NDArray[np.float64], square: NDArray[np.float64], i: int
) -> Calculation:
    """One component of a cross product."""
    j, k = (i + 1) % 3, (i + 2) % 3
    numbers = tuple(Number(float(value), _RATIO) for value in (u[j], v[k], u[k], v[j]))
    return Calculation(SMALL_XYZ[i], "{} × {} - {} × {}", numbers, Number(float(square[i]), _RATIO))
