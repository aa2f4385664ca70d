"""Wording of the sheet: its sentences, and the phrases that the typeset page and the document share."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, RotaryAxis, Setup, StackStep, is_horizontal, work_offset_code
from kinematics.angles import nearest_axis
from tiltwright.calibration.calibration_log import CalibrationRecord, is_current, read_log
from tiltwright.files.diagnostics import InputFaults, sanitized
from tiltwright.files.loader import ReadMachine
from tiltwright.machine.sense import end_words, positive_turn_words
from tiltwright.output import numbers
from tiltwright.output.gcode import LANGUAGE, PLAIN_WORK_OFFSETS
from tiltwright.output.messages import plain_quotes
from tiltwright.sheet.data import OperationRow, Sheet, Texts, VerifyRow

_ALONG_DEG = 5e-5  # what the sheet's angles would round to zero
_NEAR_DEG = 5.0


def directions(axes: NDArray[np.float64]) -> Texts:
    """The directions on the part of a program's X, Y and Z, as a clock face on the part shows them.

    Parameters
    ----------
    axes : ndarray, shape (3, 3)
        Rows: machine X, Y, Z in part coordinates.

    Examples
    --------
    >>> for words in directions(np.array([[1, 0, 0], [0, 0.8660254, 0.5], [0, -0.5, 0.8660254]])): print(words)
    part +X
    12:00, 30° up
    6:00, 60° up
    >>> directions(np.array([[0.99999, 0.0044721, 0], [-0.0044721, 0.99999, 0], [0, 0, 1.0]]))
    ('part +X, 0.2562° off', 'part +Y, 0.2562° off', 'part +Z')
    """
    return tuple(_on_part(row) for row in axes)


def _on_part(vector: NDArray[np.float64]) -> str:
    axis, off_deg = nearest_axis(vector)
    sign = "+" if vector[axis] > 0 else "-"
    if off_deg < _ALONG_DEG:
        return f"part {sign}{'XYZ'[axis]}"
    if off_deg < _NEAR_DEG:
        return f"part {sign}{'XYZ'[axis]}, {short_angle(off_deg)}° off"
    up_deg = float(np.degrees(np.arctan2(vector[2], np.hypot(vector[0], vector[1]))))
    minutes = round(float(np.degrees(np.arctan2(vector[0], vector[1]))) % 360.0 * 2.0) % 720
    clock = f"{minutes // 60 or 12}:{minutes % 60:02d}"
    if abs(up_deg) < _ALONG_DEG:
        return f"{clock}, level"
    return f"{clock}, {short_angle(abs(up_deg))}° {'up' if up_deg > 0 else 'down'}"


def short_angle(angle_deg: float) -> str:
    """An angle with four decimals, without the zeros that end it.

    Examples
    --------
    >>> short_angle(30.0), short_angle(0.0115), short_angle(12.5)
    ('30', '0.0115', '12.5')
    """
    return numbers.angle(angle_deg).rstrip("0").rstrip(".")


CLOCK_WORDS = (
    "A clock face lies on the part, seen from its +Z: 12:00 is part +Y, 3:00 is part +X, to the nearest minute (half a "
    "degree). Up is toward part +Z."
)
"""Meaning of the directions."""


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


_LONGEST_NAME = 24


def calibration_words(read: ReadMachine, units: str) -> str:
    """Last calibration of the rotaries' lines, from the log: date, person and uncertainty."""
    try:
        log = read_log(read.path)
    except InputFaults:
        return "the calibration log cannot be read: run tiltwright pivot log"
    if not log:
        return "the rotaries' lines were never measured with tiltwright (no calibration log)"
    last = log[-1]
    restored = last.said.get("restored")
    measured = (
        last if not isinstance(restored, int) else log[restored - 1] if 0 < restored <= len(log) else None
    )
    words = f"rotaries' lines measured {_day(last)}{_by(last)}"
    if isinstance(restored, int):
        source = (
            f"number {restored} of {_day(log[restored - 1])}" if measured else "the state before the first"
        )
        words = f"rotaries' lines restored {_day(last)}{_by(last)} to {source}"
    if measured is not None:
        words += _uncertainty_of(measured, units)
    return words if is_current(read, log) else f"{words}; THE MACHINE FILE WAS CHANGED SINCE"


def _day(record: CalibrationRecord) -> str:
    return sanitized(str(record.said["date"])[:16].replace("T", " "))


def _by(record: CalibrationRecord) -> str:
    who = record.said.get("who")
    return f" by {sanitized(str(who))[:_LONGEST_NAME]}" if who else ", nobody named"


def _uncertainty_of(record: CalibrationRecord, units: str) -> str:
    """The largest component of each line's standard uncertainty, where the record has it."""
    to_mm = numbers.UNIT_MM[record.said["units"]]
    found = []
    for one in record.fitted:
        given = one.get("u_point")
        if isinstance(given, list) and given and all(isinstance(u, int | float) for u in given):
            largest = numbers.length(max(given) * to_mm, units)
            found.append(f"{sanitized(str(one.get('letter')))} {largest}")
    if not found:
        return ""
    return f", standard uncertainty {', '.join(found)} {numbers.UNIT_SYMBOL[units]}"


UNCHECKED = ("Clearance between tool, spindle, table and part was not checked here.",)


def givens(
    setup: Setup,
    units: str,
    aim_within_deg: float,
    *,
    touched: bool,
    corrected: bool = False,
    turned_apart: bool = False,
    square_up: Texts,
    checked: Texts | None = None,
    probed: bool = False,
) -> Texts:
    """The assumptions behind the sheet's numbers.

    `corrected` says that a correction is in force, `turned_apart` that it turns some offsets otherwise than others, `checked` what was checked of clearance and travels, `probed` that the job has a program which probes each part.
    """
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
    where = "as touched off at the machine" if touched else "where the stack puts it"
    found.append(
        f"Part zero is {where}; turns of the stack are right-handed. Z is read at: {z_reference_words(machine, units)}."
    )
    if corrected:
        found.append(
            "The correction in force is in the offsets, and in the distances to their origins; the stack, part zero and the "
            "rotaries' lines are printed without it."
        )
    if probed:
        found.append(
            "Once the job's probing program (\"tiltwright batch program\") has run, the offsets are each part's own, within "
            "its limits of these."
        )
    found += square_up
    if not (turned_apart or np.any(setup.rotary_offset_deg)):
        zero = " and ".join(f"{letter} offset" for letter in machine.letters)
        found.append(f"{zero}: zero, so program angles are machine angles.")
    found.append(
        f"The spindle is parallel to machine Z; X, Y, Z are square; within {aim_within_deg:g}° of the spindle counts "
        "as aimed."
    )
    found.append(
        "No other shift is active: no G92 offset, and no function of the control that moves the zero with the rotaries. "
        "Each offset is right at its own rotary angles only."
    )
    return (*found, *(UNCHECKED if checked is None else checked))


def square_up_words(
    setup: Setup, square_up: Mapping[str, float | None], corrected_deg: Mapping[str, float] | None = None
) -> Texts:
    """Source of each rotary offset; a reading of None means the stack's turns.

    The setup is without the correction, which adds `corrected_deg` to the offset of a letter in all operations.
    """
    words = []
    for letter, reading_deg in square_up.items():
        offset_deg = float(setup.rotary_offset_deg[setup.machine.index(letter)])
        offset, more_deg = numbers.angle(offset_deg), (corrected_deg or {}).get(letter, 0.0)
        if reading_deg is None:
            axis = setup.alignment_axis(letter)
            source = "from the stack's turns"
            square = f"the part's {axis} lies along machine {axis.upper()}{_seen_words(setup, letter, axis)}"
        else:
            source, square = "the reading when the edge was straight", "the part is square"
        correction = (
            f"; the correction adds {numbers.angle(more_deg)}, which makes {numbers.angle(offset_deg + more_deg)}"
            if more_deg
            else ""
        )
        words.append(
            f"{letter} offset {offset}: {source}, so that at program {letter} 0 {square}{correction}."
        )
    return tuple(words)


def sweep_words(setup: Setup, square_up: Mapping[str, float | None], active: str = "a work offset") -> Texts:
    """The check, with an indicator, of each rotary offset that takes out a clocking: its sign shows at the part only.

    `active` is the work offset to do it with, where a correction turns some otherwise than others.
    """
    words = []
    for letter, reading_deg in square_up.items():
        axis = setup.alignment_axis(letter)
        if not setup.rotary_offset_deg[setup.machine.index(letter)] or _seen_words(setup, letter, axis):
            continue
        zero = "  ".join(f"{one} 0" for one in setup.machine.letters)
        source = 'the stack\'s "turn"' if reading_deg is None else 'the reading in "square_up"'
        words.append(
            f"With {active} active, turn the rotaries to program {zero} and run an indicator along the part's {axis} edge "
            f"with machine {axis.upper()}: the needle must stand still. If it shows twice the clocking, {source} has the wrong "
            "sign."
        )
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
        else f"limits at machine {rotary.letter} {numbers.angle(rotary.limits_deg[0])}° and {numbers.angle(rotary.limits_deg[1])}°"
    )
    zero = (
        f", at machine {rotary.letter} {numbers.angle(rotary.zero_deg)}° in the all-zero pose"
        if rotary.zero_deg
        else ""
    )
    return (
        f"{rotary.letter}: the table turns {rotary.positive_turn.value} on a positive move, seen {end_words(rotary)}. "
        f"Line through {point} along {_direction(rotary)}, {limits}{zero}."
    )


def _direction(rotary: RotaryAxis) -> str:
    """The direction to six decimals where four would hide that it was measured."""
    short = numbers.direction(rotary.direction)
    exact = np.array_equal(np.abs(rotary.direction).round(12), np.abs(rotary.direction).round(4))
    return short if exact else "(" + ", ".join(numbers.fixed(float(c), 6) for c in rotary.direction) + ")"


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
    machine: Machine, units: str, heights: Texts, *, before_each: bool, square_up: Texts = ()
) -> Texts:
    """Checks before the first cut, in order; a shared work offset is set before it is selected.

    Parameters
    ----------
    machine : Machine
    units : str
    heights : tuple of str
        Reasons for the heights of the tip, in sentences.
    before_each : bool
    square_up : tuple of str
        Of `sweep_words`.
    """
    select = "set its work offset and select it" if before_each else "select the work offset"
    jogs = " ".join(
        f"Jog {rotary.letter} a few degrees positive: the table must turn {positive_turn_words(rotary)}."
        for rotary in machine.rotaries
    )
    top = (
        ""
        if machine.travel is None
        else f" Z travel ends at {numbers.length(float(machine.travel.high_mm[2]), units)}: where a sum lies beyond "
        "that, use a shorter tool."
    )
    return (
        "Compare every work offset on the control with the table of offsets on this sheet.",
        f"Clear of everything: {jogs}",
        *square_up,
        (
            f"Row by row: retract, turn the rotaries to the program angles, {select}, call a tool of known length with "
            "its length offset active, go to program X0 Y0, then down to the row's Z and no lower."
        ),
        (
            "Machine X and Y must show as printed. The printed Z is without a tool: add the tool length offset that is "
            f"active, write the sum down; machine Z must show it. The tip then stands the row's Z above the origin.{top}"
        ),
        *heights,
    )


def load_words(highest: int, *, first: bool) -> str:
    """Language of the blocks that load the offsets, and what a control must have to run them.

    Parameters
    ----------
    highest : int
        The highest work offset number in them.
    first : bool
        True where there are several, and that one is set first.

    Examples
    --------
    >>> load_words(1, first=False)
    'RS274/NGC (NISTIR 6556); highest work offset used: 1, G54.'
    """
    words = f"{LANGUAGE}; highest work offset used: {highest}, {work_offset_code(highest)}"
    if highest <= PLAIN_WORK_OFFSETS:
        why = ". It is set first, so that a control without it refuses before anything is loaded"
        return f"{words}{why if first else ''}."
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
LOAD_TITLE = "G-code that loads them"
VERIFY_TITLE = "Before the first cut"
COATING_TITLE = "Sizes to cut before the coating"
ORDER_TITLE = "Order of work, all nests"
NO_STEPS = "No steps: part zero is the table's origin."
WORK_OFFSET = "work offset"
SET_BEFORE = "set before this operation"
PLUS_TOOL = "+ tool length offset"


EXPANDED = "expanded uncertainty (95 %)"


def labelled_alerts(sheet: Sheet) -> Texts:
    """The messages to read first; what does not reach or clear says FAIL."""
    return tuple(
        plain_quotes(f"FAIL: {words}" if words in sheet.failures else words) for words in sheet.alerts
    )


def offset_head(letter: str) -> str:
    """Column head of a rotary's own work offset, "C offset", which is not an angle to go to."""
    return f"{letter} offset"


def order_head(sheet: Sheet) -> tuple[str, ...]:
    """Column heads of the order of work."""
    machine = (f"machine {letter}" for letter in sheet.letters)
    return ("", *machine, *map(program_head, sheet.letters), "load", "operation")


def program_head(letter: str) -> str:
    """Column head of an angle that the program commands, "program C"."""
    return f"program {letter}"


def offsets_heading(sheet: Sheet) -> str:
    """The title of the offsets table, with its units."""
    units = f"({sheet.units}, degrees)"
    if sheet.before_each:
        return f"Work offsets, each to be set before its operation {units}"
    return f"Work offsets to load {units}"


def set_with_each(sheet: Sheet) -> tuple[str, Texts]:
    """The rotary offsets that go with the work offsets: what they are, and their values, in lines."""
    by_value: dict[Texts, list[str]] = {}
    for one in sheet.operations:
        by_value.setdefault(one.rotary_offset, []).append(one.register)
    words = [
        "   ".join(
            f"{offset_head(letter)} {value}" for letter, value in zip(sheet.letters, values, strict=True)
        )
        for values in by_value
    ]
    if len(words) == 1:
        return "Set with every one:", (words[0],)
    if sheet.before_each:
        return "Not the same in each:", ("as in the lines that load them",)
    each = (f"{', '.join(codes)}: {one}" for one, codes in zip(words, by_value.values(), strict=True))
    return "Not the same in each:", tuple(each)


def operation_facts(sheet: Sheet, op: OperationRow) -> Texts:
    """Origin, angles and directions of an operation, one line each."""
    return (
        "origin X Y Z: " + "  ".join(op.origin),
        f"program {sheet.angles(op.program)}; machine {sheet.angles(op.machine)}",
        "; ".join(
            f"{axis} is {words}" if words.startswith("part") else f"{axis} points at {words}"
            for axis, words in zip("XYZ", op.directions, strict=True)
        ),
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
    numbered = " The operations are numbered in the order of work of all nests." if sheet.order else ""
    return f"X, Y, Z are machine coordinates; {turned}.{shared}{numbered}"


def mark_words(sheet: Sheet) -> str:
    """Meaning of the mark in each row of the offsets."""
    seen = sheet.drawings[0].view.seen_from.split(":")[0]
    return f"The mark in each row: the platter as it stands under the spindle, {seen[0].lower()}{seen[1:]}."


def drawings_words(sheet: Sheet, *, ringed: bool = False) -> str:
    """Direction of view, marks and scale of the side views; `ringed` where one has a ring about its smallest gap."""
    view = sheet.drawings[0].view
    ring = " Large ring: where the gap is smallest." if ringed else ""
    return (
        f"{view.seen_from}. Scales hold when printed at 100 %. Dot in a long cross: {view.axis_name}. Crossed circle: origin "
        f"of the work offset named. Small circle: part zero.{ring} Numbers: steps of the stack."
    )


def delta_words(sheet: Sheet) -> str:
    """Meaning of a drawing's two components."""
    view = sheet.drawings[0].view
    corrected = " with the correction" if sheet.corrected else ""
    return f"Δ{view.right}, ΔZ: from the {view.axis_name} to the operation's origin{corrected}, in machine directions."


def verify_reference(sheet: Sheet, row: VerifyRow) -> str:
    """The point of the part below the spindle, and the machine angles where the program's differ."""
    over = f"over part {'  '.join(row.over)}"
    return over if row.machine == row.program else f"{over}; machine {sheet.angles(row.machine)}"
