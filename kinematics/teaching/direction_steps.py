"""Worked steps that lead from a plane of the drawing to its normal, and to those of a pattern."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.euler_angles import Turn, rotation_from_intrinsic
from kinematics.plane import plane_through
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep, added, multiplied
from kinematics.teaching.working import (
    SMALL_XYZ,
    angle_words,
)
from kinematics.transform import rotation_about_axis
from kinematics.validation import as_vector, as_vectors, cross, normalized

__all__ = [
    "HALF_TURN_SENTENCE",
    "STRAIGHT",
    "direction_name",
    "normal_steps",
    "pattern_steps",
    "rotation_steps",
    "sine_and_cosine",
    "three_point_steps",
]

HALF_TURN_SENTENCE = "{leg} is negative, so the angle is half a turn away from the calculator's: its tan⁻¹ only knows -90 to 90 degrees."
"""Reason for adding 180 degrees to an arc tangent."""
STRAIGHT = 1e-9
"""Below it a component of a direction counts as none."""
_PART = "part coordinates"
_RATIO: Literal["ratio"] = "ratio"


@takes_declared()
def rotation_steps(turns: Sequence[Turn]) -> tuple[WorkedStep, ...]:
    """Steps to the normal of a plane given by turns about the moving axes, worked from the last turn back.

    Parameters
    ----------
    turns : sequence of (axis, degrees)
        Intrinsic turns, in order.

    Examples
    --------
    >>> [line.result[-3:].tolist() for line in rotation_steps([("z", 90.0), ("x", 90.0)])]
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0]]
    >>> rotation_steps([("w", 90.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: turns: expected a list of pairs (one of "x", "y", "z"; a number), found [('w', 90.0)]
    """
    lines: list[WorkedStep] = []
    normal = np.array([0.0, 0.0, 1.0])
    for number in range(len(turns), 0, -1):
        axis, angle_deg = turns[number - 1]
        matrix = rotation_from_intrinsic([(axis, angle_deg)])
        turned = matrix @ normal + 0.0
        if not lines:
            rule = (
                "The plane's normal g begins as the part's z, (0, 0, 1). Each turn is about an axis as turned so far, so "
                "the turns are worked from the last one back: each is then about an axis that still stands as drawn. "
                f"Turn {number}, by {angle_words(angle_deg)} degrees about {axis}:"
            )
        else:
            rule = f"Turn {number}, by {angle_words(angle_deg)} degrees about {axis}, takes along what came after it:"
        lines.append(
            WorkedStep(
                f"tip {number}",
                rule,
                f"g' = R{axis}({angle_words(angle_deg)}) · g",
                (*sine_and_cosine(angle_deg), *multiplied(SMALL_XYZ, matrix, normal, turned, kind=_RATIO)),
                _PART,
                matrix,
            )
        )
        normal = turned
    return tuple(lines)


def normal_steps(normal: ArrayLike) -> tuple[WorkedStep, ...]:
    """The step that scales a stated direction to length 1; none where it has that length.

    Parameters
    ----------
    normal : array_like, shape (3,)
        As the drawing gives it.

    Examples
    --------
    >>> [line.result.round(4).tolist() for line in normal_steps([1, 2, 2])]
    [[3.0, 0.3333, 0.6667, 0.6667]]
    >>> normal_steps([0, -1, 0])
    ()
    >>> normal_steps([0, 0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: normal: expected a direction, found one of length 0
    """
    stated = as_vector(normal, 3, "normal")
    normalized(stated, "normal")
    if abs(float(np.linalg.norm(stated)) - 1.0) < STRAIGHT:
        return ()
    rule = "The direction that the drawing gives, scaled to length 1: each component divided by the length."
    _, line = _scaled_to_one("g", "g", stated, rule, _RATIO)
    return (replace(line, key="normal", formula="g = h / |h|"),)


@takes_declared()
def three_point_steps(points_mm: ArrayLike) -> tuple[WorkedStep, ...]:
    """Steps to the normal of a plane through three points: perpendicular to two vectors in it.

    Parameters
    ----------
    points_mm : array_like, shape (3, 3)
        One point a row.

    Raises
    ------
    KinematicsError
        When there are not three points, or they lie on one line.

    Examples
    --------
    >>> three_point_steps([[0, 0, 0], [10, 0, 0], [4, 0, 8]])[-1].result[-3:].tolist()
    [0.0, -1.0, 0.0]
    >>> three_point_steps([[0, 0, 0], [10, 0, 0]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: through: expected three points, found shape (2, 3)
    """
    points = as_vectors(points_mm, 3, "through")
    if points.shape != (3, 3):
        raise KinematicsError(f"through: expected three points, found shape {points.shape}")
    first, second, third = points
    plane_through(first, second, third)  # refuses points on one line
    along, toward = second - first, third - first
    u, u_line = _scaled_to_one(
        "e", "p", along, "The first, scaled to length 1: each component divided by the length."
    )
    v, v_line = _scaled_to_one("f", "q", toward, "The second, scaled to length 1 likewise.")
    square = cross(u, v)
    _, normal_line = _scaled_to_one(
        "g", "m", square, "Scaled to length 1, that is the plane's normal.", _RATIO
    )
    return (
        WorkedStep(
            "through u",
            "The first of two vectors in the plane: from the drawing's first point to its second.",
            "p = P2 - P1",
            added(SMALL_XYZ, second, first, along, "-"),
            _PART,
        ),
        WorkedStep(
            "through v",
            "The other one: from the first point to the third.",
            "q = P3 - P1",
            added(SMALL_XYZ, third, first, toward, "-"),
            _PART,
        ),
        u_line,
        v_line,
        WorkedStep(
            "through square",
            "Perpendicular to both: their cross product. By the right-hand rule, from the first vector to the second, it "
            "points out of the part.",
            "m = e × f",
            tuple(_crossed(u, v, square, i) for i in range(3)),
            _PART,
        ),
        normal_line,
    )


@takes_declared()
def pattern_steps(
    normal: ArrayLike, origin_mm: ArrayLike, place: int, step_deg: float
) -> tuple[WorkedStep, ...]:
    """Steps to the direction and the origin of one operation of a pattern, from those of the first.

    Parameters
    ----------
    normal : array_like, shape (3,)
        Of the first.
    origin_mm : array_like, shape (3,)
        Of the first.
    place : int
        Its place in the pattern, counted from 0; there is nothing to work out for the first.
    step_deg : float
        Angle from one to the next about the part's z.

    Returns
    -------
    tuple of WorkedStep
        The direction's, then the origin's unless it is the part's zero.

    Examples
    --------
    >>> [line.result[-3:].round(9).tolist() for line in pattern_steps([0, -1, 0], [0, -18, -12], 1, 90.0)]
    [[1.0, 0.0, 0.0], [18.0, 0.0, -12.0]]
    >>> pattern_steps([0, 1, 0], [0, 18], 1, 60.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: origin: expected a last axis of 3 numbers, found shape (2,)
    """
    if place == 0:
        return ()
    about_deg = place * step_deg
    matrix = rotation_about_axis([0.0, 0.0, 1.0], about_deg)
    first, origin = as_vector(normal, 3, "normal"), as_vector(origin_mm, 3, "origin")
    lines = [
        WorkedStep(
            "pattern",
            f"This is number {place + 1} of the pattern: the first one's direction, turned about the part's z by "
            f"{angle_words(about_deg)} degrees ({place} × {angle_words(step_deg)}).",
            f"g' = Rz({angle_words(about_deg)}) · g",
            (
                *sine_and_cosine(about_deg),
                *multiplied(SMALL_XYZ, matrix, first, matrix @ first + 0.0, kind=_RATIO),
            ),
            _PART,
            matrix,
        )
    ]
    if origin.any():
        lines.append(
            WorkedStep(
                "pattern origin",
                "Its origin, turned likewise.",
                f"origin' = Rz({angle_words(about_deg)}) · origin",
                multiplied(SMALL_XYZ, matrix, origin, matrix @ origin + 0.0),
                _PART,
            )
        )
    return tuple(lines)


def direction_name(plane: Sequence[WorkedStep]) -> str:
    """The letter of the direction that these steps lead to: with a tick where they turn it.

    Examples
    --------
    >>> direction_name(normal_steps([1, 2, 2])), direction_name(pattern_steps([0, -1, 0], [0, 0, 0], 1, 90.0))
    ('g', "g'")
    """
    return "g'" if any(line.key.split(" ")[0] in {"tip", "pattern"} for line in plane) else "g"


def sine_and_cosine(angle_deg: float) -> tuple[Calculation, Calculation]:
    """Sine and cosine of a turn, as calculations.

    Examples
    --------
    >>> [one.result.value for one in sine_and_cosine(90.0)]
    [1.0, 0.0]
    """
    sine, cosine = (float(value) for value in sincos_deg(angle_deg))
    angle = (Number(angle_deg, "angle"),)
    return (
        Calculation("s", "sin {}", angle, Number(sine, _RATIO)),
        Calculation("c", "cos {}", angle, Number(cosine, _RATIO)),
    )


def _scaled_to_one(
    name: str, long: str, vector: NDArray[np.float64], rule: str, kind: Literal["length", "ratio"] = "length"
) -> tuple[NDArray[np.float64], WorkedStep]:
    """A vector of some name scaled to length 1, and the step that does it."""
    size = float(np.linalg.norm(vector))
    unit = vector / size
    parts = tuple(Number(value, kind) for value in vector.tolist())
    length = Number(size, kind)
    calculations = [Calculation("length", "√({}² + {}² + {}²)", parts, length)]
    calculations += [
        Calculation(axis, "{} / {}", (part, length), Number(value, _RATIO))
        for axis, part, value in zip(SMALL_XYZ, parts, unit.tolist(), strict=True)
    ]
    line = WorkedStep(f"through {name} one", rule, f"{name} = {long} / |{long}|", tuple(calculations), _PART)
    return unit, line


def _crossed(
    u: NDArray[np.float64], v: NDArray[np.float64], square: NDArray[np.float64], i: int
) -> Calculation:
    """One component of a cross product."""
    j, k = (i + 1) % 3, (i + 2) % 3
    numbers = tuple(Number(float(value), _RATIO) for value in (u[j], v[k], u[k], v[j]))
    return Calculation(SMALL_XYZ[i], "{} × {} - {} × {}", numbers, Number(float(square[i]), _RATIO))
