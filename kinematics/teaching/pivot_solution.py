"""A pivot worked out step by step with plane geometry, as it is written on a board."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.teaching.pivot_exercise import PivotProbing, plane_of
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep
from kinematics.teaching.working import degrees
from kinematics.validation import as_instance

__all__ = ["solve_pivot"]

Floats = NDArray[np.float64]

_MACHINE = "machine coordinates"
_EYE = ("from the right", "from the back", "from above")


def solve_pivot(probing: PivotProbing) -> tuple[WorkedStep, ...]:
    """Steps from the readings to the pivot; the one with the key "pivot", last but for a check, ends there.

    Parameters
    ----------
    probing : PivotProbing

    Returns
    -------
    tuple of WorkedStep

    Examples
    --------
    >>> from kinematics.teaching.worked_step import Digits, written
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> tilt, turn = set_pivot_exercise(seed=7).probings
    >>> [line.key for line in solve_pivot(turn)]
    ['halfway 1', 'halfway 2', 'pivot']
    >>> [line.key for line in solve_pivot(tilt)]
    ['level', 'sides', 'side', 'height', 'pivot']
    >>> bool(np.allclose(solve_pivot(turn)[-1].result, turn.by_hand()["the mean of both halves"]))
    True
    >>> solve_pivot("A")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: probing: expected a PivotProbing, found 'A'
    """
    as_instance(probing, PivotProbing, "probing")
    if probing.method == "opposite readings":
        return _opposite(probing)
    return _face(probing) if probing.method == "level face" else _arc(probing)


def _lengths(*values: float) -> tuple[Number, ...]:
    return tuple(Number(float(value)) for value in values)


def _half_sum(name: str, first: float, second: float) -> Calculation:
    return Calculation(name, "({} + {}) / 2", _lengths(first, second), Number((first + second) / 2.0))


def _pose(probing: PivotProbing, k: int) -> str:
    return f"{probing.letter} {probing.angles_deg[k] + 0.0:g}"


def _opposite(probing: PivotProbing) -> tuple[WorkedStep, ...]:
    lines = []
    for pair in (0, 1):
        calculations = tuple(
            _half_sum(name, probing.shown_mm[pair, k], probing.shown_mm[pair + 2, k])
            for name, k in zip(probing.axes, probing.asked, strict=True)
        )
        rule = (
            f"{_pose(probing, pair)} and {_pose(probing, pair + 2)} are half a turn apart: the two readings lie at the "
            f"ends of a diameter, and halfway between them is {probing.letter}'s line."
        )
        lines.append(WorkedStep(f"halfway {pair + 1}", rule, "M = (P1 + P2) / 2", calculations, _MACHINE))
    one, two = (line.result.tolist() for line in lines)
    rule = "Both pairs give the same point, each slightly off. Their mean is off by less: it is the pivot."
    mean = tuple(_half_sum(name, a, b) for name, a, b in zip(probing.axes, one, two, strict=True))
    return (*lines, WorkedStep("pivot", rule, f"P({probing.letter}) = (M1 + M2) / 2", mean, _MACHINE))


def _face(probing: PivotProbing) -> tuple[WorkedStep, ...]:
    side = next(k for k in probing.asked if k != 2)
    name = "XYZ"[side]
    shown = probing.shown_mm
    low, high = sorted(((2, 3), (4, 5)), key=lambda pair: float(shown[list(pair), side].mean()))
    level = _half_sum("Z level", shown[0, 2], shown[1, 2])
    sides = tuple(
        _half_sum(f"{name}{n}", shown[i, side], shown[j, side]) for n, (i, j) in ((1, low), (2, high))
    )
    y1, y2 = (one.result.value for one in sides)
    middle = _half_sum(name, y1, y2)
    half = (y2 - y1) / 2.0
    above = half - probing.radius_mm
    letter = probing.letter
    return (
        WorkedStep(
            "level",
            f"With {letter} at 0 the face is level. Its height is the mean of the two touches; the probe shows the "
            "contact itself in Z, so nothing is taken off.",
            "Z = (Z1 + Z2) / 2",
            (level,),
            _MACHINE,
        ),
        WorkedStep(
            "sides",
            f"A quarter turn either way stands the face upright, at {_pose(probing, low[0])} and {_pose(probing, high[0])}; "
            f"the smaller {name} first. These are stylus centres, a stylus radius outside the face.",
            f"{name}1, {name}2 = (first + second) / 2",
            sides,
            _MACHINE,
        ),
        WorkedStep(
            "side",
            f"The face is equally far from the pivot both times, once toward -{name} and once toward +{name}. Halfway between is "
            f"the pivot's {name}; the stylus radius is on both sides and cancels.",
            f"{name} = ({name}1 + {name}2) / 2",
            (middle,),
            _MACHINE,
        ),
        WorkedStep(
            "height",
            "Half the distance between the two is from the pivot to the face and a stylus radius more: take "
            "the radius off, half the tip's diameter.",
            f"h = ({name}2 - {name}1) / 2 - r",
            (
                Calculation("half", "({} - {}) / 2", _lengths(y2, y1), Number(half)),
                Calculation("h", "{} - {}", _lengths(half, probing.radius_mm), Number(above)),
            ),
            f"from the pivot of {letter}",
        ),
        WorkedStep(
            "pivot",
            "When level, the face lies the same h above the pivot: go down by h.",
            f"P({letter}) = ({name}, Z - h)",
            (
                Calculation(name, "{}", (middle.result,), middle.result),
                Calculation(
                    "Z", "{} - {}", _lengths(level.result.value, above), Number(level.result.value - above)
                ),
            ),
            _MACHINE,
        ),
    )


def _arc(probing: PivotProbing) -> tuple[WorkedStep, ...]:
    letter, names = probing.letter, probing.axes
    shown, at = probing.shown_mm, probing.centre_mm
    heights = tuple(
        Calculation(f"Z{k + 1}", "{} - {}", _lengths(shown[k, 2], probing.radius_mm), Number(float(at[k, 2])))
        for k in range(3)
    )
    first, last = at[0], at[2]
    middle = tuple(_half_sum(name, first[k], last[k]) for name, k in zip(names, probing.asked, strict=True))
    moves = tuple(
        Calculation(f"d{name}", "{} - {}", _lengths(last[k], first[k]), Number(float(last[k] - first[k])))
        for name, k in zip(names, probing.asked, strict=True)
    )
    dp, dq = (one.result.value for one in moves)
    chord = math.hypot(dp, dq)
    turn = float(probing.turn_deg[2] - probing.turn_deg[0])
    size = abs(turn)
    away = chord / 2.0 / math.tan(math.radians(size) / 2.0)
    triangle = (
        Calculation("turn", "{} - {}", (degrees(float(probing.turn_deg[2])), degrees(float(probing.turn_deg[0]))), degrees(turn)),
        Calculation("chord", "√({}² + {}²)", _lengths(dp, dq), Number(chord)),
        Calculation("a", "{} / 2 / tan {}", (Number(chord), degrees(size / 2.0)), Number(away)),
    )  # fmt: skip
    return (
        WorkedStep(
            "centres",
            "The ball was touched on top: its centre lies a ball radius, half its diameter, lower.",
            "Z = top - r",
            heights,
            _MACHINE,
        ),
        WorkedStep(
            "middle",
            f"The ball runs on a circle about {letter}'s line. Take the first and the last reading, which are the "
            "farthest apart: halfway between them is the middle of the chord.",
            "M = (P1 + P3) / 2",
            middle,
            _MACHINE,
        ),
        WorkedStep(
            "chord",
            "The ball's move from the first to the last reading.",
            "d = P3 - P1",
            moves,
            _MACHINE,
        ),
        WorkedStep(
            "triangle",
            f"How far the table turned between them, right-handed about +{'XYZ'[probing.axis]}; {letter}'s sense gives the "
            "sign. The pivot, the middle of the chord and the last reading make a right triangle: the angle at the pivot is "
            "half the turn, the leg opposite is half the chord, and the leg from the pivot to the middle is wanted.",
            "a = (chord / 2) / tan(turn / 2)",
            triangle,
            "degrees, and across the line",
        ),
        _foot(probing, tuple(one.result.value for one in middle), (dp, dq), (chord, away, turn)),
        _check(probing),
    )


def _foot(
    probing: PivotProbing,
    middle: Sequence[float],
    move: tuple[float, float],
    triangle: tuple[float, float, float],
) -> WorkedStep:
    """The step from the chord's middle to the pivot."""
    chord, away, turn = triangle
    ends = [middle[k] + sign * away * move[1 - k] / chord for k, sign in enumerate(_signs(probing, turn))]
    calculations = tuple(
        Calculation(
            name,
            f"{{}} {'+' if sign > 0.0 else '-'} {{}} × {{}} / {{}}",
            _lengths(middle[k], away, move[1 - k], chord),
            Number(ends[k]),
        )
        for k, (name, sign) in enumerate(zip(probing.axes, _signs(probing, turn), strict=True))
    )
    way, side = ("counterclockwise", "left") if turn > 0.0 else ("clockwise", "right")
    rule = (
        f"From M go a distance a, square to the chord. Seen {_EYE[probing.axis]} the table turned {way}, so the pivot lies "
        f"to the {side} of the line from the first reading to the last: give the chord a quarter turn to the {side}, "
        "which swaps its two components and reverses the sign of one."
    )
    first, second = probing.axes
    one, two = ("+" if sign > 0.0 else "-" for sign in _signs(probing, turn))
    formula = (
        f"{first} = M{first} {one} a · d{second} / chord, {second} = M{second} {two} a · d{first} / chord"
    )
    return WorkedStep("pivot", rule, formula, calculations, _MACHINE)


def _signs(probing: PivotProbing, turn: float) -> tuple[float, float]:
    """Signs of the other axis' chord component in the vector to the pivot."""
    first, second = plane_of(probing.axis)
    # Counterclockwise, the vector to the pivot points along the chord turned left: (-dv, +du).
    left = (-1.0, 1.0) if first < second else (1.0, -1.0)
    return (left[0], left[1]) if turn > 0.0 else (-left[0], -left[1])


def _check(probing: PivotProbing) -> WorkedStep:
    """The check: the unused reading must lie on the circle."""
    pivot = probing.by_hand()["readings 1 and 3"]
    points = probing.centre_mm[:, list(probing.asked)]
    calculations = tuple(
        Calculation(
            f"radius {k + 1}",
            "√(({} - {})² + ({} - {})²)",
            _lengths(points[k, 0], pivot[0], points[k, 1], pivot[1]),
            Number(float(np.hypot(*(points[k] - pivot)))),
        )
        for k in (0, 1)
    )
    rule = (
        "The second reading was not used, so it checks the first and the last: it must lie as far from the pivot as "
        "they do, give or take a few times what a reading repeats within."
    )
    return WorkedStep(
        "check",
        rule,
        "r = √({})".format(" + ".join(f"Δ{name}²" for name in probing.axes)),
        calculations,
        "across the line",
    )
