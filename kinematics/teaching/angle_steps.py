"""Worked steps that lead from a direction to the rotary angles that bring it to the spindle."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.machine import Machine, table_frame
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.teaching.direction_steps import HALF_TURN_SENTENCE, STRAIGHT
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep, multiplied
from kinematics.teaching.working import (
    SMALL_XYZ,
    angle_words,
    axis_name,
    listed_words,
    offset_source_words,
    square_axis,
)
from kinematics.work_offsets import Setup

__all__ = ["aim_steps", "why_no_triangle"]

_NEARLY_WHOLE_DEG = 359.0
_SAME_DEG = 1e-6


def aim_steps(
    setup: Setup,
    placed: PlacedOperation,
    through_stack: Sequence[WorkedStep] | None = None,
    name: str = "g",
) -> tuple[WorkedStep, ...]:
    """Steps from a direction to the program angles that bring it to the spindle.

    Parameters
    ----------
    setup : Setup
    placed : PlacedOperation
    through_stack : sequence of WorkedStep, optional
        Steps that turn the direction by the stack, one turn at a time; with one matrix where left out.
    name : str, optional
        The letter of the direction in part coordinates, in the steps before.

    Returns
    -------
    tuple of WorkedStep
        Empty where the angles were given, where a rotary was fixed or the direction is met only within a tolerance. Where
        the machine is neither a tilt along X or Y that carries a rotary along Z nor one rotary along X or Y, the angles
        are only shown to be right.

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
    if placed.aim is None:
        return ()
    part = setup.part_in_machine
    wanted = placed.plane.normal
    normal = part.rotate(wanted)
    turned = not np.array_equal(part.rotation, np.eye(3))
    rule = "The direction that must face the spindle, of length 1, as it points with every rotary at zero"
    if through_stack is not None or not turned:
        direction = WorkedStep(
            "aim direction",
            f"{rule}{', as the stack has turned it' if turned else ''}.{_upright_words(setup.machine, normal)}",
            f"n = {name}" if not turned else "n",
            tuple(Calculation(axis, "{}", (_ratio(v),), _ratio(v)) for axis, v in zip(SMALL_XYZ, normal.tolist(), strict=True)),
            "machine coordinates, all-zero pose",
        )  # fmt: skip
    else:
        direction = WorkedStep(
            "aim direction",
            f"{rule}: turned {_turned_by(setup)}.{_upright_words(setup.machine, normal)}",
            f"n = {' · '.join(_turns_of_part(setup))} · {name}",
            multiplied(SMALL_XYZ, part.rotation, wanted, normal, kind="ratio"),
            "machine coordinates, all-zero pose",
            part.rotation,
        )
    before = tuple(through_stack or ())
    level = math.hypot(float(normal[0]), float(normal[1]))
    if level < STRAIGHT:
        return (*before, direction)
    if _lies_alone(setup.machine):
        return (*before, direction, _alone_line(setup, placed, normal))
    if not _tilts_and_turns(setup.machine):
        return (*before, direction, _shown_line(setup, placed))
    tilt, turn = setup.machine.rotaries
    lean = _about_axis(tilt, float(placed.machine_deg[0]))
    return (
        *before,
        direction,
        _tilt_line(setup, placed, normal, level, lean),
        _turn_line(setup, placed, turn, normal, lean),
        _other_line(setup, normal, level, lean),
    )


def why_no_triangle(machine: Machine) -> str:
    """The reason why no right triangle gives a machine's two angles; empty where some do."""
    if _tilts_and_turns(machine):
        return ""
    if all(square_axis(rotary.direction) is not None for rotary in machine.rotaries):
        return "this machine is no tilt along X or Y that carries a rotary along Z"
    letters = machine.letters
    return (
        f"{listed_words(letters)} {'do' if len(letters) > 1 else 'does'} not run exactly along machine axes"
    )


def _tilts_and_turns(machine: Machine) -> bool:
    axes = [square_axis(rotary.direction) for rotary in machine.rotaries]
    return len(axes) == 2 and axes[0] in {0, 1} and axes[1] == 2


def _turns_of_part(setup: Setup) -> list[str]:
    """The matrices that turn a direction of the part into the machine's, as a working calls them."""
    square = np.eye(3)
    found = [] if np.array_equal(table_frame(setup.machine).rotation, square) else ["R(T)"]
    return [*found, *([] if np.array_equal(setup.part_in_table.rotation, square) else ["R"])]


def _turned_by(setup: Setup) -> str:
    names = _turns_of_part(setup)
    why = {
        "R": "as the part stands turned in the table",
        "R(T)": "as the table is turned against the machine",
    }
    if len(names) == 1:
        return f"by the matrix {names[0]}, {why[names[0]]}"
    return f"by the product of {names[0]}, {why[names[0]]}, and {names[1]}, {why[names[1]]}"


def _lies_alone(machine: Machine) -> bool:
    """True for an indexer: one rotary, along X or Y."""
    return len(machine.rotaries) == 1 and square_axis(machine.rotaries[0].direction) in {0, 1}


def _upright_words(machine: Machine, normal: NDArray[np.float64]) -> str:
    """Sentence on a direction along the spindle, which needs no triangle; empty for another."""
    if math.hypot(float(normal[0]), float(normal[1])) >= STRAIGHT:
        return ""
    first = machine.rotaries[0].letter
    tilts = f"{first} need not tilt" if normal[2] > 0.0 else f"{first} tilts half a turn"
    along = (
        "It points at the spindle already" if normal[2] > 0.0 else "It points straight away from the spindle"
    )
    return f" {along}: {tilts}."


def _alone_line(setup: Setup, placed: PlacedOperation, normal: NDArray[np.float64]) -> WorkedStep:
    """The one turn of an indexer that brings a direction up to the spindle."""
    (rotary,) = setup.machine.rotaries
    axis = square_axis(rotary.direction)
    assert axis is not None  # asked before
    side, sign = (1, 1.0) if axis == 0 else (0, -1.0)
    # About +X a right-handed turn takes +Y up; about +Y it takes +Z to +X, so angles from +X to +Z count backward.
    across, up = float(normal[side]), float(normal[2])
    start = math.degrees(math.atan2(up, across))
    name = f"{'XYZ'[side]}"
    half = "" if across > 0.0 else " + 180" if up >= 0.0 else " - 180"
    upright = abs(across) < STRAIGHT
    from_side = Number(start, "angle")
    missing = 90.0 - start
    rule = (
        f"Seen along {rotary.letter}'s line, the direction must come to point up. Take its angle from +{name} toward +Z now: "
        f"what is missing to 90 degrees is the turn, right-handed about +{'XYZ'[axis]}, and gives the program angle."
    ) + _program_angle_sentence(setup, placed, 0)
    if half and not upright:
        rule += f" {HALF_TURN_SENTENCE.format(leg='n' + name.lower())}"
    calculations = (
        Calculation(
            f"angle from +{name}",
            "{}" if upright else "tan⁻¹({} / {})" + half,
            (from_side,) if upright else (_ratio(up), _ratio(across)),
            from_side,
        ),
        Calculation("missing", "90 - {}", (from_side,), Number(missing, "angle")),
        Calculation(
            f"turn about +{'XYZ'[axis]}",
            "{}" if sign > 0 else "(-1) × {}",
            (Number(missing, "angle"),),
            Number(sign * missing, "angle"),
        ),
        _program(setup, 0, sign * missing, float(placed.program_deg[0])),
    )
    return WorkedStep("aim turn", rule, f"angle = tan⁻¹(nz / n{name.lower()})", calculations, "degrees")


def _shown_line(setup: Setup, placed: PlacedOperation) -> WorkedStep:
    """The proof that the program's angles bring a direction to the spindle, where no right triangle gives them."""
    turned = setup.machine_axes(placed.machine_deg) @ placed.plane.normal
    letters = setup.machine.letters
    angles = listed_words(
        f"{letter} {angle_words(float(angle))}"
        for letter, angle in zip(letters, placed.program_deg, strict=True)
    )
    product = " · ".join(f"R({letter})" for letter in letters)
    why = why_no_triangle(setup.machine)
    why = f"{why[:1].upper()}{why[1:]}"
    return WorkedStep(
        "aim shown",
        f"{why}, so no right triangle gives the angles; they are worked out by computer: program {angles}. To check them, turn "
        f"the direction by {', then by '.join(reversed(letters))}: it lies along the spindle.",
        f"{product} · n",
        tuple(
            Calculation(name, "{}", (_ratio(v),), _ratio(v))
            for name, v in zip(SMALL_XYZ, (turned + 0.0).tolist(), strict=True)
        ),
        "machine coordinates",
    )


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
    upright = abs(nz) < STRAIGHT
    lean_size = Number(size, "angle")
    angle = Calculation(
        "lean",
        "{}" if upright else "tan⁻¹({} / {})" + half,
        (lean_size,) if upright else (_ratio(level), _ratio(nz)),
        lean_size,
    )
    side = "positive" if lean > 0.0 else "negative"
    rule = (
        "The direction's level part and its upright part are the legs of a right triangle. The angle at the upright leg "
        f"is how far the direction leans from the spindle, and so how far {tilt.letter} must tilt. {tilt.letter} can tilt "
        f"to either side: here it is the {side} one, right-handed about {axis_name(np.abs(tilt.direction))}; the other "
        f"follows below. The sense of {tilt.letter} gives the sign of the program angle."
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
    along_y = abs(nx) < STRAIGHT
    turned = goal - start
    rule = (
        f"Seen from above, {turn.letter} must first bring the level part to point toward {toward}, square to "
        f"{setup.machine.letters[0]}'s line, on the side that tilts up. Take its angle from +X now: the turn that is missing "
        f"gives the program angle of {turn.letter}."
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
        why = "This one is just as right, with its own work offset: take the one that suits the job, or else the shorter way."
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
        words.append(
            f"{rotary.letter}'s work offset, {angle_words(offset)} degrees, comes off ({offset_source_words(setup, i)})"
        )
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
