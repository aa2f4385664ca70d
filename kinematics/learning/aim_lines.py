"""Where the rotary angles come from when a direction is given: two right triangles on a square tilt-and-turn machine."""

from __future__ import annotations

import math

import numpy as np

from kinematics.learning.line import Calculation, Line, Number, multiplied
from kinematics.learning.shared import SMALL_XYZ
from kinematics.learning.swing import axis_name, square_axis
from kinematics.machine import Machine
from kinematics.offset import Setup
from kinematics.operation import Placed
from kinematics.rotary import Rotary

__all__ = ["aim_lines"]

_STRAIGHT = 1e-9
_SAME_DEG = 1e-6


def aim_lines(setup: Setup, placed: Placed) -> tuple[Line, ...]:
    """The lines that lead from a direction to the program angles.

    Parameters
    ----------
    setup : Setup
    placed : Placed

    Returns
    -------
    tuple of Line
        Empty where the angles were given, where a rotary was held or the direction only nearly reached, or where the
        machine is not one whose tilt lies along X or Y below a rotary along Z.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.offset import set_up
    >>> from kinematics.operation import Operation
    >>> from kinematics.placing import place
    >>> from kinematics.plane import plane_from_normal
    >>> from kinematics.rotary import Sense
    >>> a = Rotary("A", [0, 0, -50], [1, 0, 0], Sense.CLOCKWISE, (-120.0, 30.0))
    >>> c = Rotary("C", [0, 0, 0], [0, 0, 1], Sense.CLOCKWISE, None)
    >>> setup = set_up(Machine("mill", (a, c), Platter(face_mm=0.0)), [])
    >>> (port,) = place(setup, [Operation("port", plane=plane_from_normal([1, 2, 2]))]).placed
    >>> lines = aim_lines(setup, port)
    >>> [line.key for line in lines]
    ['aim direction', 'aim tilt', 'aim turn']
    >>> (lines[1].result[-1].round(4), lines[2].result[-1].round(4)) == tuple(port.program_deg.round(4))
    True
    """
    if placed.aim is None or not _tilts_and_turns(setup.machine):
        return ()
    part = setup.part_in_machine
    wanted = placed.plane.normal
    normal = part.turn(wanted)
    direction = Line(
        "aim direction",
        "The direction that must face the spindle, at length one, as it points with every rotary at zero.",
        "n = R · normal",
        multiplied(SMALL_XYZ, part.rotation, wanted, normal, kind="ratio"),
        "machine coordinates, all-zero pose",
        None if np.array_equal(part.rotation, np.eye(3)) else part.rotation,
    )
    level = math.hypot(float(normal[0]), float(normal[1]))
    if level < _STRAIGHT:
        return (direction,)
    tilt, turn = setup.machine.rotaries
    lean = _about_axis(tilt, float(placed.machine_deg[0]))
    return (
        direction,
        _tilt_line(setup, placed, normal, level, lean),
        _turn_line(setup, placed, turn, normal, lean),
    )


def _tilts_and_turns(machine: Machine) -> bool:
    axes = [square_axis(rotary.direction) for rotary in machine.rotaries]
    return len(axes) == 2 and axes[0] in {0, 1} and axes[1] == 2


def _about_axis(rotary: Rotary, machine_deg: float) -> float:
    """How far the table stands turned, right-handed about the machine axis itself, in -180 to 180 degrees."""
    turn = float(rotary.turn_deg(machine_deg)) * float(np.sign(rotary.direction.sum()))
    return turn - 360.0 * round(turn / 360.0)


def _tilt_line(
    setup: Setup,
    placed: Placed,
    normal: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    level: float,
    lean: float,
) -> Line:
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
    side = "the positive" if lean > 0.0 else "the negative"
    rule = (
        "Its level part and its upright part are the legs of a right triangle: their angle is how far it leans from "
        f"the spindle, and so how far {tilt.letter} must tilt. It could do so to either side; the limits, the job and "
        f"least motion decide, and here it is {side} side, right-handed about {axis_name(np.abs(tilt.direction))}. The "
        "table's sense then gives the sign of the program angle."
    ) + _on_the_way(setup, placed, 0)
    calculations = (
        Calculation("level part", "√({}² + {}²)", (_ratio(nx), _ratio(ny)), _ratio(level)),
        angle,
        _program(setup, placed, 0, math.copysign(size, lean)),
    )
    return Line("aim tilt", rule, "lean = tan⁻¹(level / nz)", calculations, "degrees")


def _turn_line(
    setup: Setup,
    placed: Placed,
    turn: Rotary,
    normal: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    lean: float,
) -> Line:
    nx, ny, _ = normal.tolist()
    tilts_about_x = square_axis(setup.machine.rotaries[0].direction) == 0
    # About +X a positive lean brings +Y up to the spindle, about +Y it brings -X up.
    goal, toward = ((90.0, "+Y") if lean > 0.0 else (-90.0, "-Y")) if tilts_about_x else (
        (180.0, "-X") if lean > 0.0 else (0.0, "+X")
    )  # fmt: skip
    start = math.degrees(math.atan2(ny, nx))
    half = "" if nx > 0.0 else " + 180" if ny >= 0.0 else " - 180"
    from_x = Number(start, "angle")
    along_y = abs(nx) < _STRAIGHT
    turned = goal - start
    rule = (
        f"Seen from above, its level part must first come to point toward {toward}, square to "
        f"{setup.machine.letters[0]}'s line on the side that tilts up: its angle from +X now, the turn that is missing, "
        f"and the program angle of {turn.letter}."
    ) + _on_the_way(setup, placed, 1)
    calculations = (
        Calculation(
            "angle from +X",
            "{}" if along_y else "tan⁻¹({} / {})" + half,
            (from_x,) if along_y else (_ratio(ny), _ratio(nx)),
            from_x,
        ),
        Calculation("turn about +Z", "{} - {}", (Number(goal, "angle"), from_x), Number(turned, "angle")),
        _program(setup, placed, 1, turned),
    )
    return Line("aim turn", rule, f"{turn.letter} = ± (goal - angle)", calculations, "degrees")


def _on_the_way(setup: Setup, placed: Placed, i: int) -> str:
    """What else lies between the turn and the program angle, in words."""
    rotary, offset = setup.machine.rotaries[i], float(setup.rotary_offset_deg[i])
    words = []
    if rotary.zero_deg:
        words.append(f"the angle that {rotary.letter} shows at the all-zero pose is added")
    if offset:
        words.append(f"{rotary.letter}'s work offset, {offset:.6g} degrees, comes off")
    if abs(float(placed.machine_deg[i])) > 180.0:
        words.append("whole turns are free")
    return f" On the way {' and '.join(words)}." if words else ""


def _program(setup: Setup, placed: Placed, i: int, about_axis_deg: float) -> Calculation:
    """From a turn about the machine axis to the program angle: the sense, the zero, the rotary's offset, whole turns."""
    rotary = setup.machine.rotaries[i]
    sign = rotary.positive_turn.sign * int(np.sign(rotary.direction.sum()))
    offset, program = float(setup.rotary_offset_deg[i]), float(placed.program_deg[i])
    raw = sign * about_axis_deg + rotary.zero_deg - offset
    turns = round((program - raw) / 360.0)
    text, numbers = "(-1) × {}" if sign < 0 else "{}", [Number(about_axis_deg, "angle")]
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
