"""Worked steps that lead from a plane of the drawing to its normal, and from the normal to the rotary angles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.euler_angles import Turn, rotation_from_intrinsic
from kinematics.machine import Machine
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep, added, multiplied
from kinematics.teaching.working import SMALL_XYZ, angle_words, axis_name, square_axis
from kinematics.transform import rotation_about_axis
from kinematics.validation import as_vector, cross
from kinematics.work_offsets import Setup

__all__ = [
    "HALF_TURN_SENTENCE",
    "aim_steps",
    "normal_steps",
    "pattern_steps",
    "rotation_steps",
    "sine_and_cosine",
    "three_point_steps",
]

HALF_TURN_SENTENCE = (
    "{leg} is negative, so the angle lies half a turn on: a calculator's tan⁻¹ only knows -90 to 90 degrees."
)
"""Reason for adding 180 degrees to an arc tangent."""
_PART = "part coordinates"
_RATIO: Literal["ratio"] = "ratio"


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
    """
    lines: list[WorkedStep] = []
    normal = np.array([0.0, 0.0, 1.0])
    for number in range(len(turns), 0, -1):
        axis, angle_deg = turns[number - 1]
        matrix = rotation_from_intrinsic([(axis, angle_deg)])
        turned = matrix @ normal + 0.0
        if not lines:
            rule = (
                "The plane's normal begins as the part's z, (0, 0, 1). Each turn is about an axis as turned so far, so "
                "the turns are worked from the last one back: each is then about an axis that still stands as drawn. "
                f"Turn {number}, by {angle_words(angle_deg)} degrees about {axis}:"
            )
        else:
            rule = f"Turn {number}, by {angle_words(angle_deg)} degrees about {axis}, takes along what came after it:"
        lines.append(
            WorkedStep(
                f"tip {number}",
                rule,
                f"n' = R{axis}({angle_words(angle_deg)}) · n",
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
    """
    stated = as_vector(normal, 3, "normal")
    if abs(float(np.linalg.norm(stated)) - 1.0) < _STRAIGHT:
        return ()
    rule = "The direction of the drawing, scaled to length 1: each component over the length."
    _, line = _scaled_to_one("n", stated, rule, _RATIO)
    return (replace(line, key="normal"),)


def three_point_steps(points_mm: ArrayLike) -> tuple[WorkedStep, ...]:
    """Steps to the normal of a plane through three points: perpendicular to two vectors in it.

    Parameters
    ----------
    points_mm : array_like, shape (3, 3)
        One point a row.

    Raises
    ------
    KinematicsError
        When there are not three points.

    Examples
    --------
    >>> three_point_steps([[0, 0, 0], [10, 0, 0], [4, 0, 8]])[-1].result[-3:].tolist()
    [0.0, -1.0, 0.0]
    """
    points = np.asarray(points_mm, dtype=np.float64)
    first, second, third = (as_vector(point, 3, "through") for point in points)
    along, toward = second - first, third - first
    u, u_line = _scaled_to_one("u", along, "The first scaled to length 1: each component over the length.")
    v, v_line = _scaled_to_one("v", toward, "The second scaled to length 1 likewise.")
    square = cross(u, v)
    _, normal_line = _scaled_to_one("n", square, "That scaled to length 1 is the plane's normal.", _RATIO)
    return (
        WorkedStep(
            "through u",
            "Two vectors in the plane: from the first point to the second,",
            "u = P2 - P1",
            added(SMALL_XYZ, second, first, along, "-"),
            _PART,
        ),
        WorkedStep(
            "through v",
            "and from the first to the third.",
            "v = P3 - P1",
            added(SMALL_XYZ, third, first, toward, "-"),
            _PART,
        ),
        u_line,
        v_line,
        WorkedStep(
            "through square",
            "Perpendicular to both: their cross product. Taken in this order it points so that the shorter turn from the "
            "first vector to the second is right-handed: out of the part.",
            "n = u × v",
            tuple(_crossed(u, v, square, i) for i in range(3)),
            _PART,
        ),
        normal_line,
    )


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
            f"{place} × {angle_words(step_deg)} = {angle_words(about_deg)} degrees.",
            f"n' = Rz({angle_words(about_deg)}) · n",
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
                "Its origin likewise.",
                f"origin' = Rz({angle_words(about_deg)}) · origin",
                multiplied(SMALL_XYZ, matrix, origin, matrix @ origin + 0.0),
                _PART,
            )
        )
    return tuple(lines)


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
    name: str, vector: NDArray[np.float64], rule: str, kind: Literal["length", "ratio"] = "length"
) -> tuple[NDArray[np.float64], WorkedStep]:
    """A vector scaled to length 1, and the step that does it."""
    size = float(np.linalg.norm(vector))
    unit = vector / size
    parts = tuple(Number(value, kind) for value in vector.tolist())
    length = Number(size, kind)
    calculations = [Calculation("length", "√({}² + {}² + {}²)", parts, length)]
    calculations += [
        Calculation(axis, "{} / {}", (part, length), Number(value, _RATIO))
        for axis, part, value in zip(SMALL_XYZ, parts, unit.tolist(), strict=True)
    ]
    line = WorkedStep(f"through {name} one", rule, f"{name} / |{name}|", tuple(calculations), _PART)
    return unit, line


def _crossed(
    u: NDArray[np.float64], v: NDArray[np.float64], square: NDArray[np.float64], i: int
) -> Calculation:
    """One component of a cross product."""
    j, k = (i + 1) % 3, (i + 2) % 3
    numbers = tuple(Number(float(value), _RATIO) for value in (u[j], v[k], u[k], v[j]))
    return Calculation(SMALL_XYZ[i], "{} × {} - {} × {}", numbers, Number(float(square[i]), _RATIO))


_STRAIGHT = 1e-9
_NEARLY_WHOLE_DEG = 359.0
_SAME_DEG = 1e-6


def aim_steps(
    setup: Setup, placed: PlacedOperation, through_stack: Sequence[WorkedStep] | None = None
) -> tuple[WorkedStep, ...]:
    """Steps from a direction to the program angles that bring it to the spindle.

    Parameters
    ----------
    setup : Setup
    placed : PlacedOperation
    through_stack : sequence of WorkedStep, optional
        Steps that turn the direction by the stack, one turn at a time; with one matrix where left out.

    Returns
    -------
    tuple of WorkedStep
        Empty where the angles were given, where a rotary was fixed or the direction is met only within a tolerance, or
        where the machine is not a tilt along X or Y that carries a rotary along Z.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.operations import Operation
    >>> from kinematics.placement import place_operations
    >>> from kinematics.plane import plane_from_normal
    >>> from kinematics.rotary import RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (a, c), Platter(face_mm=0.0)), [])
    >>> (port,) = place_operations(setup, [Operation("port", plane=plane_from_normal([1, 2, 2]))]).placed
    >>> lines = aim_steps(setup, port)
    >>> [line.key for line in lines]
    ['aim direction', 'aim tilt', 'aim turn', 'aim other']
    >>> (lines[1].result[-1].round(4), lines[2].result[-1].round(4)) == tuple(port.program_deg.round(4))
    True
    """
    if placed.aim is None or not _tilts_and_turns(setup.machine):
        return ()
    part = setup.part_in_machine
    wanted = placed.plane.normal
    normal = part.rotate(wanted)
    turned = not np.array_equal(part.rotation, np.eye(3))
    rule = "The direction that must face the spindle, of length 1, as it points with every rotary at zero"
    if through_stack is not None or not turned:
        direction = WorkedStep(
            "aim direction",
            f"{rule}{', as the stack has turned it' if turned else ''}.",
            "n",
            tuple(Calculation(name, "{}", (_ratio(v),), _ratio(v)) for name, v in zip(SMALL_XYZ, normal.tolist(), strict=True)),
            "machine coordinates, all-zero pose",
        )  # fmt: skip
    else:
        direction = WorkedStep(
            "aim direction",
            f"{rule}: turned by the matrix R, as the stack and the table turn the part.",
            "n = R · normal",
            multiplied(SMALL_XYZ, part.rotation, wanted, normal, kind="ratio"),
            "machine coordinates, all-zero pose",
            part.rotation,
        )
    before = tuple(through_stack or ())
    level = math.hypot(float(normal[0]), float(normal[1]))
    if level < _STRAIGHT:
        return (*before, direction)
    tilt, turn = setup.machine.rotaries
    lean = _about_axis(tilt, float(placed.machine_deg[0]))
    return (
        *before,
        direction,
        _tilt_line(setup, placed, normal, level, lean),
        _turn_line(setup, placed, turn, normal, lean),
        _other_line(setup, normal, level, lean),
    )


def _tilts_and_turns(machine: Machine) -> bool:
    axes = [square_axis(rotary.direction) for rotary in machine.rotaries]
    return len(axes) == 2 and axes[0] in {0, 1} and axes[1] == 2


def _about_axis(rotary: RotaryAxis, machine_deg: float) -> float:
    """The table's turn, right-handed about the machine axis itself, from -180 to 180 degrees."""
    turn = float(rotary.turn_deg(machine_deg)) * float(np.sign(rotary.direction.sum()))
    return turn - 360.0 * round(turn / 360.0)


def _tilt_line(
    setup: Setup,
    placed: PlacedOperation,
    normal: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    level: float,
    lean: float,
) -> WorkedStep:
    tilt = setup.machine.rotaries[0]
    nx, ny, nz = normal.tolist()
    size = math.degrees(math.atan2(level, nz))
    half = "" if nz > 0.0 else " + 180"
    upright = abs(nz) < _STRAIGHT
    lean_size = Number(size, "angle")
    angle = Calculation(
        "lean",
        "{}" if upright else "tan⁻¹({} / {})" + half,
        (lean_size,) if upright else (_ratio(level), _ratio(nz)),
        lean_size,
    )
    side = "positive" if lean > 0.0 else "negative"
    rule = (
        "Its level part and its upright part are the legs of a right triangle: their angle is how far it leans from "
        f"the spindle, and so how far {tilt.letter} must tilt. {tilt.letter} can tilt to either side. Here it is the "
        f"{side} one, right-handed about {axis_name(np.abs(tilt.direction))}; the other follows below. The table's sense "
        "then gives the sign of the program angle."
    ) + _program_angle_sentence(setup, placed, 0)
    if half and not upright:
        rule += f" {HALF_TURN_SENTENCE.format(leg='nz')}"
    calculations = (
        Calculation("level part", "√({}² + {}²)", (_ratio(nx), _ratio(ny)), _ratio(level)),
        angle,
        _program(setup, 0, math.copysign(size, lean), float(placed.program_deg[0])),
    )
    return WorkedStep("aim tilt", rule, "lean = tan⁻¹(level / nz)", calculations, "degrees")


def _turn_line(
    setup: Setup,
    placed: PlacedOperation,
    turn: RotaryAxis,
    normal: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    lean: float,
) -> WorkedStep:
    nx, ny, _ = normal.tolist()
    goal, toward = _goal(setup.machine, lean)
    start = math.degrees(math.atan2(ny, nx))
    half = "" if nx > 0.0 else " + 180" if ny >= 0.0 else " - 180"
    from_x = Number(start, "angle")
    along_y = abs(nx) < _STRAIGHT
    turned = goal - start
    rule = (
        f"Seen from above, its level part must first come to point toward {toward}, square to "
        f"{setup.machine.letters[0]}'s line on the side that tilts up: its angle from +X now, the turn that is missing, "
        f"and the program angle of {turn.letter}."
    ) + _program_angle_sentence(setup, placed, 1)
    if half and not along_y:
        rule += f" {HALF_TURN_SENTENCE.format(leg='x')}"
    calculations = (
        Calculation(
            "angle from +X",
            "{}" if along_y else "tan⁻¹({} / {})" + half,
            (from_x,) if along_y else (_ratio(ny), _ratio(nx)),
            from_x,
        ),
        Calculation("turn about +Z", "{} - {}", (Number(goal, "angle"), from_x), Number(turned, "angle")),
        _program(setup, 1, turned, float(placed.program_deg[1])),
    )
    sign = "(-1) × " if _about_sign(turn) < 0 else ""
    formula = f"{turn.letter} = {sign}(goal - angle)" + (
        f" - offset({turn.letter})" if float(setup.rotary_offset_deg[1]) else ""
    )
    return WorkedStep("aim turn", rule, formula, calculations, "degrees")


def _goal(machine: Machine, lean: float) -> tuple[float, str]:
    """The angle from +X, seen from above, at which a lean brings a direction up to the spindle, and its axis."""
    # About +X a positive lean brings +Y up to the spindle, about +Y it brings -X up.
    if square_axis(machine.rotaries[0].direction) == 0:
        return (90.0, "+Y") if lean > 0.0 else (-90.0, "-Y")
    return (180.0, "-X") if lean > 0.0 else (0.0, "+X")


def _other_line(
    setup: Setup,
    normal: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    level: float,
    lean: float,
) -> WorkedStep:
    """The tilt to the other side, and why it is not the one that counts."""
    tilt, turn = setup.machine.rotaries
    nx, ny, nz = normal.tolist()
    other = -math.copysign(math.degrees(math.atan2(level, nz)), lean)
    start = math.degrees(math.atan2(ny, nx))
    goal, toward = _goal(setup.machine, other)
    angles, outside = [], []
    for i, (rotary, about_deg) in enumerate(((tilt, other), (turn, goal - start))):
        offset = float(setup.rotary_offset_deg[i])
        machine = _plain_program(setup, i, about_deg) + offset
        # What is left of a rounding error never makes a whole turn of an angle at zero.
        within = rotary.equivalent_angles_deg(machine, offset)
        nearest = within[np.argmin(np.abs(within - machine))] if within.size else machine
        program = float(nearest) - offset
        # An endless rotary just below a whole turn stands just below zero.
        angles.append(
            program - 360.0 if rotary.limits_deg is None and program > _NEARLY_WHOLE_DEG else program
        )
        if not within.size:
            assert rotary.limits_deg is not None  # an endless rotary has every angle
            low, high = rotary.limits_deg
            outside.append(f"{rotary.letter} {angle_words(machine)} is outside {low:g} to {high:g}")
    if outside:
        why = f"This one cannot be reached: {' and '.join(outside)}."
    else:
        why = "This one is as right, with its own work offset; the job, then the least motion, decide between them."
    rule = (
        f"The other side: {tilt.letter} tilts as far the other way, and the level part must point toward {toward}, "
        f"half a turn of {turn.letter} from the first. {why}"
    )
    calculations = (
        _program(setup, 0, other, angles[0]),
        _program(setup, 1, goal - start, angles[1]),
    )
    return WorkedStep(
        "aim other", rule, f"the other {tilt.letter} and {turn.letter}", calculations, "degrees"
    )


def _program_angle_sentence(setup: Setup, placed: PlacedOperation, i: int) -> str:
    """Sentence on what else lies between the turn and the program angle; empty where nothing does."""
    rotary, offset = setup.machine.rotaries[i], float(setup.rotary_offset_deg[i])
    words = []
    if rotary.zero_deg:
        words.append(f"the angle that {rotary.letter} shows at the all-zero pose is added")
    if offset:
        words.append(f"{rotary.letter}'s work offset, {angle_words(offset)} degrees, comes off")
    if abs(float(placed.machine_deg[i])) > 180.0:
        words.append("whole turns may be added")
    return f" Then {' and '.join(words)}." if words else ""


def _about_sign(rotary: RotaryAxis) -> int:
    """1 where a positive move turns the table right-handed about the machine axis itself, otherwise -1."""
    return rotary.positive_turn.sign * int(np.sign(rotary.direction.sum()))


def _plain_program(setup: Setup, i: int, about_axis_deg: float) -> float:
    """The program angle of a turn about the machine axis, without whole turns."""
    rotary = setup.machine.rotaries[i]
    return _about_sign(rotary) * about_axis_deg + rotary.zero_deg - float(setup.rotary_offset_deg[i])


def _program(setup: Setup, i: int, about_axis_deg: float, program_deg: float) -> Calculation:
    """The program angle from a turn about the machine axis: sense, zero, the rotary's offset, whole turns."""
    rotary = setup.machine.rotaries[i]
    offset = float(setup.rotary_offset_deg[i])
    raw = _plain_program(setup, i, about_axis_deg)
    turns = round((program_deg - raw) / 360.0)
    text = "(-1) × {}" if _about_sign(rotary) < 0 else "{}"
    numbers = [Number(about_axis_deg, "angle")]
    for value, mark in ((rotary.zero_deg, " + {}"), (offset, " - {}")):
        if value:
            text += mark
            numbers.append(Number(value, "angle"))
    if turns:
        text += f" {'+' if turns > 0 else '-'} {360 * abs(turns)}"
    result = Number(raw + 360.0 * turns, "angle")
    return Calculation(f"program {rotary.letter}", text, tuple(numbers), result)


def _ratio(value: float) -> Number:
    return Number(value, "ratio")
