"""Wording of the sheet: its sentences, and the phrases that the typeset page and the document share."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, RotaryAxis, Setup, StackStep, Travel, is_horizontal, work_offset_code
from tiltwright.output import numbers
from tiltwright.output.gcode import LANGUAGE, PLAIN_WORK_OFFSETS
from tiltwright.sheet.data import OperationRow, Sheet, Texts

_ALONG_DEG = 5e-5  # what the sheet's angles would round to zero
_NEAR_DEG = 5.0


def meaning(axes: NDArray[np.float64]) -> Texts:
    """The directions on the part of machine +X, +Y and +Z, in words.

    Parameters
    ----------
    axes : ndarray, shape (3, 3)
        Rows: machine X, Y, Z in part coordinates.

    Examples
    --------
    >>> for words in meaning(np.array([[1, 0, 0], [0, 0.8660254, 0.5], [0, -0.5, 0.8660254]])): print(words)
    machine +X is part +X
    machine +Y is part (0, 0.8660, 0.5000)
    machine +Z is part (0, -0.5000, 0.8660)
    >>> meaning(np.array([[0.99999, 0.0044721, 0], [-0.0044721, 0.99999, 0], [0, 0, 1.0]]))[0]
    'machine +X is part (1, 0.0045, 0), 0.2562° from part +X'
    """
    return tuple(f"machine +{letter} is {_on_part(row)}" for letter, row in zip("XYZ", axes, strict=True))


def _on_part(vector: NDArray[np.float64]) -> str:
    axis = int(np.argmax(np.abs(vector)))
    sign = "+" if vector[axis] > 0 else "-"
    aside = np.delete(vector, axis)
    off_deg = float(np.degrees(np.arctan2(np.linalg.norm(aside), abs(vector[axis]))))
    if off_deg < _ALONG_DEG:
        return f"part {sign}{'XYZ'[axis]}"
    near = f", {numbers.angle(off_deg)}° from part {sign}{'XYZ'[axis]}" if off_deg < _NEAR_DEG else ""
    return f"part {numbers.direction(vector)}{near}"


def turns_words(step: StackStep) -> str:
    """A step's turns, in order; empty without any.

    Examples
    --------
    >>> turns_words(StackStep("angle plate", rotate=(("x", 15.0),), turn_deg=0.35))
    'rotate x 15.0000°; turn 0.3500°'
    """
    parts = []
    if step.rotate:
        parts.append("rotate " + ", ".join(f"{axis} {numbers.angle(turn)}°" for axis, turn in step.rotate))
    if step.turn_deg:
        parts.append(f"turn {numbers.angle(step.turn_deg)}°")
    return "; ".join(parts)


def z_reference_words(machine: Machine, units: str) -> str:
    """The reference of the Z readings, in words."""
    length_mm = machine.z_reference.tool_length_mm
    if length_mm is None:
        return "gauge line (tool length offsets are lengths from it)"
    return f"tip of the reference tool, {numbers.length(length_mm, units)} long (tool length offsets are differences from it)"


UNCHECKED = ("Clearance between tool, spindle, table and part was not checked here.",)


def givens(
    setup: Setup,
    units: str,
    aim_within_deg: float,
    *,
    touched: bool,
    square_up: Texts,
    checked: Texts | None = None,
) -> Texts:
    """The assumptions behind the sheet's numbers; `checked` says what was checked of clearance and travels."""
    machine = setup.machine
    found = [_rotary_words(rotary, units) for rotary in machine.rotaries]
    found.append(_platter_words(machine, units))
    if machine.travel is not None:
        ends = ", ".join(
            f"{axis} {numbers.length(float(low), units)} to {numbers.length(float(high), units)}"
            for axis, low, high in zip("XYZ", machine.travel.low_mm, machine.travel.high_mm, strict=True)
        )
        checked_words = (
            "Only the offsets were checked against them, not the moves of the programs."
            if checked is None
            else "The offsets and the stated sweeps were checked against them, not the moves of the programs."
        )
        found.append(f"Travels: {ends}. {checked_words}")
    else:
        found.append("The machine file states no travels, so no offset was checked against them.")
    found.append(f"Z is read at: {z_reference_words(machine, units)}.")
    where = "as touched off at the machine" if touched else "where the stack puts it"
    found.append(f"Part zero is {where}; turns of the stack are right-handed.")
    found += square_up
    if not np.any(setup.rotary_offset_deg):
        zero = " and ".join(f"{letter} offset" for letter in machine.letters)
        found.append(f"{zero}: zero, so program angles are machine angles.")
    found.append(f"A direction counts as aimed when it comes within {aim_within_deg:g}° of the spindle.")
    found.append("The spindle is parallel to machine Z, and X, Y, Z are straight and square.")
    found.append(
        "No other shift is active: no G92 offset, and no function of the control that moves the zero with the rotaries. "
        "Each offset is right at its own rotary angles only."
    )
    return (*found, *(UNCHECKED if checked is None else checked))


def square_up_words(setup: Setup, square_up: Mapping[str, float | None]) -> Texts:
    """Source of each rotary offset; a reading of None means the stack's turns."""
    words = []
    for letter, reading_deg in square_up.items():
        offset = numbers.angle(float(setup.rotary_offset_deg[setup.machine.index(letter)]))
        if reading_deg is None:
            axis = setup.alignment_axis(letter)
            source = "from the stack's turns"
            square = f"the part's {axis} lies along machine {axis.upper()}{_seen_words(setup, letter, axis)}"
        else:
            source, square = "the reading when the edge was straight", "the part is square"
        words.append(f"{letter} offset {offset}: {source}, so that at program {letter} 0 {square}.")
    return tuple(words)


def _seen_words(setup: Setup, letter: str, axis: str) -> str:
    """The view in which the two agree, where they do not lie along each other in space."""
    column = "xyz".index(axis)
    program_zero = setup.machine_deg(np.zeros(len(setup.machine.rotaries)))
    apart = np.linalg.norm(setup.machine_axes(program_zero)[column] - np.eye(3)[column])
    return "" if np.degrees(apart) < _ALONG_DEG else f", seen along {letter}'s line"


def _rotary_words(rotary: RotaryAxis, units: str) -> str:
    point = " ".join(
        f"{axis} {value}" for axis, value in zip("XYZ", numbers.lengths(rotary.point_mm, units), strict=True)
    )
    limits = (
        "endless"
        if rotary.limits_deg is None
        else f"limits {numbers.angle(rotary.limits_deg[0])}° to {numbers.angle(rotary.limits_deg[1])}°"
    )
    zero = f", shows {numbers.angle(rotary.zero_deg)}° at the all-zero pose" if rotary.zero_deg else ""
    return (
        f"{rotary.letter}: the table turns {rotary.positive_turn.value} on a positive move, seen from the axis' "
        f"positive end{_end_words(rotary)}. Line through {point} along {_direction(rotary)}, {limits}{zero}."
    )


def _direction(rotary: RotaryAxis) -> str:
    """The direction to six decimals where four would hide that it was measured."""
    short = numbers.direction(rotary.direction)
    exact = np.array_equal(np.abs(rotary.direction).round(12), np.abs(rotary.direction).round(4))
    return short if exact else "(" + ", ".join(numbers.fixed(float(c), 6) for c in rotary.direction) + ")"


def _end_words(rotary: RotaryAxis) -> str:
    """The side to look from, for a direction close to a machine axis."""
    axis = int(np.argmax(np.abs(rotary.direction)))
    if abs(float(rotary.direction[axis])) < 0.95:
        return ""
    ends = (
        ("from the right", "from the left"),
        ("from the back", "from the front"),
        ("from above", "from below"),
    )
    return f" ({ends[axis][int(rotary.direction[axis] < 0)]})"


def _platter_words(machine: Machine, units: str) -> str:
    platter = machine.platter
    diameter = (
        "" if platter.diameter_mm is None else f", diameter {numbers.length(platter.diameter_mm, units)}"
    )
    if platter.face_mm is None or is_horizontal(machine.rotaries[-1]):
        return f"The stack starts at the point stated for rotary {machine.letters[-1]}{diameter}."
    normal = (
        f"true to rotary {machine.letters[-1]}"
        if platter.normal is None
        else "measured, along (" + ", ".join(numbers.fixed(float(c), 6) for c in platter.normal) + ")"
    )
    return f"Platter face at machine Z {numbers.length(platter.face_mm, units)} at the all-zero pose{diameter}; {normal}."


def verify_words(
    units: str, letters: Texts, above_mm: float, travel: Travel | None, *, before_each: bool
) -> Texts:
    """Checks before the first cut, in order; a shared work offset is set before it is selected."""
    above = numbers.length(above_mm, units)
    unit = "mm" if units == "mm" else "in"
    select = (
        "set the work offset for this operation and select it" if before_each else "select the work offset"
    )
    return (
        "Check every work offset on the display against the table of offsets on this sheet.",
        f"Jog {' and '.join(letters)} a few degrees positive, clear of everything: the table must turn as stated above.",
        (
            f"Then for each line below: retract, bring the rotaries to the program angles, {select}, call a tool "
            f"of known length with its length offset active, go to program X0 Y0, then down to program Z{above} and no lower."
        ),
        (
            "The machine display must show X and Y as printed. The printed Z is without a tool: add the tool length offset "
            "that is active, write the sum down, and compare the display with the sum. The spindle must stand over the "
            f"stated point of the part, the tip {above} {unit} above it; at program Z0 the tip would stand at that point."
            + (
                ""
                if travel is None
                else f" Z travel ends at {numbers.length(float(travel.high_mm[2]), units)}: if the sum lies beyond that, "
                "use a shorter tool."
            )
        ),
    )


def load_words(highest: int, *, first: bool) -> str:
    """Language of the blocks that load the offsets, and what a control must have to run them.

    Parameters
    ----------
    highest : int
        The highest work offset number in them.
    first : bool
        True where that one is set first.

    Examples
    --------
    >>> load_words(2, first=True)
    'RS274/NGC (NISTIR 6556); highest work offset used: 2, G55.'
    """
    words = f"{LANGUAGE}; highest work offset used: {highest}, {work_offset_code(highest)}"
    if highest <= PLAIN_WORK_OFFSETS:
        return words + "."
    when = ", before anything is loaded" if first else ""
    return f"{words}. A control that lacks G59.1 to G59.3 refuses {'the first G10 line' if first else 'it'}{when}."


def cautions(letters: Texts) -> Texts:
    """The trade's usual cautions."""
    return (
        "Prove every operation out above the part first: single block, rapid turned down, a hand on feed hold.",
        f"If {' or '.join(letters)} turns the wrong way, the part ends up where the tool is: check the direction by jogging.",
        "Retract clear of the whole table before a rotary turns.",
        (
            "The shop's rules, the machine's manual and the responsible person decide. This sheet does not claim that the "
            "setup is safe."
        ),
    )


KIND = "Setup sheet"
NOTHING_CHECKED = (
    "NOT CHECKED: clearance of anything, at work or on an index move; no tools and solids are stated"
)
"""First alert of a sheet whose files state nothing that reach could look at."""
STOP = "Stop: read this first"
NO_STEPS = "No steps: part zero is the table's origin."
WORK_OFFSET = "work offset"
SET_BEFORE = "set before this operation"
PLUS_TOOL = "+ tool length offset"


def offset_head(letter: str) -> str:
    """Column head of a rotary's own work offset, "C offset", which is not an angle to go to."""
    return f"{letter} offset"


def program_head(letter: str) -> str:
    """Column head of an angle that the program commands, "program C"."""
    return f"program {letter}"


def offsets_heading(sheet: Sheet) -> str:
    """The title of the offsets table, with its units."""
    units = f"({sheet.units}, degrees)"
    if sheet.before_each:
        return f"Work offsets, each to be set before its operation {units}"
    return f"Work offsets to load {units}"


def rotary_offset_words(sheet: Sheet, values: Texts) -> str:
    """The rotary offsets that go with each work offset, on one line."""
    words = (f"{offset_head(letter)} {value}" for letter, value in zip(sheet.letters, values, strict=True))
    return "With each: " + "   ".join(words)


def operation_facts(sheet: Sheet, op: OperationRow) -> tuple[str, str, str]:
    """Origin and angles of an operation, one line each."""
    return (
        "origin X Y Z: " + "  ".join(op.origin),
        "program " + sheet.angles(op.program),
        "machine " + sheet.angles(op.machine),
    )


def part_zero_rows(sheet: Sheet) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Part zero in both frames, with their names."""
    return (
        ("in the table frame", sheet.part_zero_table),
        (f"machine coordinates at {sheet.all_zero}", sheet.part_zero_machine),
    )


def offsets_words(sheet: Sheet) -> str:
    """Explanation of the offsets table's columns."""
    turned = "; ".join(f"program {a} = machine {a} minus {a} offset" for a in sheet.letters)
    shared = (
        " There are more operations than work offsets, so do not load the list at once: set each row before its operation."
        if sheet.before_each
        else ""
    )
    return f"X, Y, Z are machine coordinates; {turned}. Z reference: {sheet.z_reference}.{shared}"


def drawings_words(sheet: Sheet) -> str:
    """Direction of view, scale and dimensions of the side views."""
    seen = sheet.drawings[0].view.seen_from
    return f"{seen}. Scales hold when printed at 100 %. {delta_words(sheet)}"


def delta_words(sheet: Sheet) -> str:
    """Meaning of a drawing's two components."""
    view = sheet.drawings[0].view
    return f"Δ{view.right}, ΔZ: from the {view.axis_name} to the operation's origin, in machine directions."


def verify_pose_words(angles: str, over: tuple[str, ...]) -> tuple[str, str]:
    """The pose to command, and the point of the part below the spindle."""
    return f"program {angles}", f"over part {'  '.join(over)}"
