"""Checks between the keys of a file, and between a job and its machine."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from kinematics import KinematicsError, plane_through
from kinematics.machine import HORIZONTAL_BELOW
from tiltwright.files.batch_tables import StubTable
from tiltwright.files.diagnostics import (
    KeyPath,
    UnlocatedDiagnostic,
    exactly_one,
    nearest,
    one_of,
    read_alike,
    shown,
)
from tiltwright.files.job_file import (
    FORMS,
    LAST_WORK_OFFSET,
    TOUCH,
    JobFile,
    OperationTable,
    StackTable,
    TouchedTable,
)
from tiltwright.files.machine_file import AXIS_DIRECTIONS, MachineFile, RotaryTable
from tiltwright.files.schema_types import SMALLEST_LENGTH, keys_given
from tiltwright.files.solid_tables import MATERIALS, SHAPES, SolidTable, ToolTable

__all__ = [
    "KnownMachine",
    "check_bore_and_bar",
    "check_every_letter",
    "check_job",
    "check_letters",
    "check_limits",
    "check_machine",
    "check_section",
    "check_step_names",
    "check_touched",
    "known_name",
    "own_names",
    "stated_direction",
]


def check_machine(machine: MachineFile) -> Iterator[UnlocatedDiagnostic]:
    """Check the values of a machine file against each other.

    The table may be partial, with None for what could not be read.
    """
    yield from _rotary_letters(machine)
    for place, rotary in enumerate(machine.rotary):
        yield from _one_direction(place, rotary)
        yield from _index_move(place, rotary)
        yield from _zero(place, rotary)
    yield from _platter(machine)
    yield from _check_machine_solids(machine)
    yield from _z_reference(machine)


def stated_direction(rotary: RotaryTable) -> tuple[float, float, float] | None:
    """The direction of a rotary's line, from `along` or `direction`; None where the file has neither."""
    if rotary.direction is not None:
        return rotary.direction
    return AXIS_DIRECTIONS[rotary.along] if rotary.along is not None else None


def _index_move(place: int, rotary: RotaryTable) -> Iterator[UnlocatedDiagnostic]:
    given = keys_given(rotary)
    if rotary.index_move == "short way" and rotary.limits:
        yield UnlocatedDiagnostic(
            ("rotary", place, "index_move"),
            '"short way" with limits',
            '"as the numbers run", the only way between limits',
        )
    unreadable = "index_move" in given and rotary.index_move is None
    if "half_turn" in given and rotary.index_move != "short way" and not unreadable:
        yield UnlocatedDiagnostic(
            ("rotary", place, "half_turn"),
            'a half turn without index_move = "short way"',
            "half_turn with the short way only",
            "without it, the numbers say which way a half turn goes",
        )


def _zero(place: int, rotary: RotaryTable) -> Iterator[UnlocatedDiagnostic]:
    """Check that the display's angle at the all-zero pose lies within the limits, which are angles on the display."""
    if rotary.limits and rotary.zero is not None and not rotary.limits[0] <= rotary.zero <= rotary.limits[1]:
        low, high = rotary.limits
        yield UnlocatedDiagnostic(
            ("rotary", place, "zero"),
            f"{rotary.zero:g}, outside the limits",
            f"an angle that the rotary can go to, {low:g} to {high:g}",
        )


def _rotary_letters(machine: MachineFile) -> Iterator[UnlocatedDiagnostic]:
    first: dict[str, int] = {}
    for place, rotary in enumerate(machine.rotary):
        if rotary.letter is None:
            continue
        before = first.setdefault(rotary.letter, place)
        if before != place:
            found = f"{shown(rotary.letter)}, already the letter of rotary {before + 1}"
            yield UnlocatedDiagnostic(
                ("rotary", place, "letter"), found, "a different letter for each rotary"
            )


def _one_direction(place: int, rotary: RotaryTable) -> Iterator[UnlocatedDiagnostic]:
    given = keys_given(rotary) & {"along", "direction"}
    allowed = 'either along = "+X" (or another axis) or a measured direction = [i, j, k]'
    if len(given) == 2:
        yield UnlocatedDiagnostic(("rotary", place, "direction"), "along and direction both", allowed)
    elif not given:
        yield UnlocatedDiagnostic(
            ("rotary", place, "along"), "neither along nor direction is given", allowed, missing=True
        )


def _platter(machine: MachineFile) -> Iterator[UnlocatedDiagnostic]:
    direction = stated_direction(machine.rotary[-1]) if machine.rotary else None
    if direction is None:
        return
    upright = direction[2] / math.hypot(*direction)
    platter = machine.platter
    given = keys_given(machine) if platter is None else keys_given(platter)
    if abs(upright) >= HORIZONTAL_BELOW and ("platter" if platter is None else "face") not in given:
        yield UnlocatedDiagnostic(
            ("platter", "face"),
            "the key is missing",
            "face = machine Z of the platter's face at the all-zero pose, since the last rotary stands upright",
            missing=True,
        )
    if platter is not None and platter.normal is not None:
        away = (
            (0.0, 0.0, 1.0)
            if abs(upright) < HORIZONTAL_BELOW
            else tuple(math.copysign(1.0, upright) * c for c in direction)
        )
        if sum(a * b for a, b in zip(platter.normal, away, strict=True)) <= 0.0:
            yield UnlocatedDiagnostic(
                ("platter", "normal"),
                shown(list(platter.normal)),
                "a direction away from the platter",
                "reverse its sign if it points into the platter",
            )


def _z_reference(machine: MachineFile) -> Iterator[UnlocatedDiagnostic]:
    path = ("reference_tool_length",)
    given = path[0] in keys_given(machine)
    if machine.z_reference == "reference tool" and not given:
        yield UnlocatedDiagnostic(
            path,
            "the key is missing",
            "the reference tool's length from the gauge line, above zero",
            'it goes with z_reference = "reference tool"',
            missing=True,
        )
    if machine.z_reference == "gauge line" and given:
        yield UnlocatedDiagnostic(
            path,
            "a reference tool's length",
            'no such key with z_reference = "gauge line"',
            'take it out, or write z_reference = "reference tool"',
        )


_PLACES = ("base", "part", "gripper", "spindle")


def _check_machine_solids(machine: MachineFile) -> Iterator[UnlocatedDiagnostic]:
    """Check the values that a machine file gives for reach; the table may be partial."""
    letters = [rotary.letter for rotary in machine.rotary if rotary.letter is not None]
    complete = len(letters) == len(machine.rotary)
    places = ["base", *letters, "spindle"] if complete else None
    for place, solid in enumerate(machine.solid):
        yield from _solid(("solid", place), solid, places)
        yield from known_name(("solid", place, "material"), solid.material, [*MATERIALS], "material")
    yield from own_names("holder", [holder.name for holder in machine.holder])
    spindle = machine.spindle
    if spindle is not None and len(keys_given(spindle) & {"diameter", "length"}) == 1:
        (given,) = keys_given(spindle) & {"diameter", "length"}
        yield UnlocatedDiagnostic(
            ("spindle", given), f"{given} alone", "both diameter and length of the nose, or neither"
        )


def check_step_names(path: KeyPath, names: Sequence[str | None]) -> Iterator[UnlocatedDiagnostic]:
    """Check that no two steps have names that only a program tells apart; the very same name may come again."""
    first: dict[str, str] = {}
    for place, name in enumerate(names):
        if name is None:
            continue
        other = first.setdefault(read_alike(name), name)
        if unicodedata.normalize("NFC", other) != unicodedata.normalize("NFC", name):
            found = f"{shown(name)}, which differs from {shown(other)} only in capitals or spaces"
            yield UnlocatedDiagnostic((*path, place, "name"), found, "one spelling, or another name")


def _check_job_solids(
    job: JobFile, letters: Sequence[str] | None, holders: Sequence[str] | None
) -> Iterator[UnlocatedDiagnostic]:
    """Check the values that a job file gives for reach; the table may be partial.

    Parameters
    ----------
    job : JobFile
    letters, holders : sequence of str or None
        Of the machine; None where they are not known.
    """
    yield from check_step_names(("stack",), [step.name for step in job.stack])
    steps = [step.name for step in job.stack if step.name is not None]
    nested = {step.name for nest in job.nest for step in nest.step if step.name is not None}
    complete = letters is not None and len(steps) == len(job.stack)
    places = [*_PLACES, *(letters or ()), *steps, *sorted(nested - {*steps})] if complete else None
    own = [material.name for material in job.material if material.name is not None]
    materials = (*MATERIALS, *own)
    yield from own_names("material", [material.name for material in job.material])
    for place, step in enumerate(job.stack):
        yield from check_section(("stack", place), step)
        yield from known_name(("stack", place, "material"), step.material, materials, "material")
    for place, solid in enumerate(job.solid):
        yield from _solid(("solid", place), solid, places)
        if solid.on is not None and steps.count(solid.on) > 1:
            found = f"{shown(solid.on)}, the name of {steps.count(solid.on)} stack steps"
            yield UnlocatedDiagnostic(("solid", place, "on"), found, "a step whose name no other has")
        yield from known_name(("solid", place, "material"), solid.material, materials, "material")
    yield from _tools(job.tool, holders)
    tools = [tool.name for tool in job.tool if tool.name is not None]
    if tools and len(tools) == len(job.tool):
        for place, operation in enumerate(job.operation):
            yield from known_name(("operation", place, "tool"), operation.tool, tools, "tool")


def _tools(tools: Sequence[ToolTable], holders: Sequence[str] | None) -> Iterator[UnlocatedDiagnostic]:
    yield from own_names("tool", [tool.name for tool in tools])
    for place, tool in enumerate(tools):
        if holders is not None:
            tip = "" if holders else "the machine file has no [[holder]] tables"
            yield from known_name(("tool", place, "holder"), tool.holder, holders, "holder", tip)
        if "shank" in keys_given(tool) and "flute" not in keys_given(tool):
            yield UnlocatedDiagnostic(
                ("tool", place, "shank"), "a shank, and no flute", "flute = the length below the shank"
            )
        if tool.flute is not None and tool.length is not None and tool.flute > tool.length:
            yield UnlocatedDiagnostic(
                ("tool", place, "flute"),
                f"a flute of {tool.flute:g} on a tool {tool.length:g} long",
                "no more than the tool's length, gauge line to tip",
            )


def own_names(table: str, names: Iterable[str | None]) -> Iterator[UnlocatedDiagnostic]:
    """Check that no two tables of a kind have one name."""
    first: dict[str, tuple[int, str]] = {}
    for place, name in enumerate(names):
        if name is None:
            continue
        before, other = first.setdefault(read_alike(name), (place, name))
        if before != place:
            found = f"{shown(name)}, {_taken(name, other, f'{table} {before + 1}')}"
            yield UnlocatedDiagnostic((table, place, "name"), found, f"a different name for each {table}")


def _taken(name: str, other: str, owner: str) -> str:
    """In what way a name is already that of another table."""
    if unicodedata.normalize("NFC", name) == unicodedata.normalize("NFC", other):
        return f"already the name of {owner}"
    return f"which differs from {shown(other)}, the name of {owner}, only in capitals or spaces"


def known_name(
    path: KeyPath, name: str | None, known: Sequence[str], what: str, tip: str = ""
) -> Iterator[UnlocatedDiagnostic]:
    """Check that a name is one of those known."""
    if name is None or name in known:
        return
    near = nearest(name, known)
    allowed = one_of(known) if known else f"no {what}"
    yield UnlocatedDiagnostic(
        path, f"an unknown {what}, {shown(name)}", allowed, f'did you mean "{near}"?' if near else tip
    )


def check_bore_and_bar(path: KeyPath, table: StackTable | StubTable) -> Iterator[UnlocatedDiagnostic]:
    """Check a round's bore and a bar's edges in a table at a path; the table may be partial."""
    given = keys_given(table)
    if "bore" in given and "round" not in given:
        yield UnlocatedDiagnostic((*path, "bore"), "a bore without a round", "bore beside round only")
    if table.round is not None and table.bore is not None and table.bore >= table.round:
        allowed = f"a bore of less than the round's {table.round:g}"
        yield UnlocatedDiagnostic((*path, "bore"), shown(table.bore), allowed)
    if table.bar is not None and min(table.bar) <= SMALLEST_LENGTH:
        yield UnlocatedDiagnostic((*path, "bar"), shown(list(table.bar)), "two edges above zero, [x, y]")


def check_section(path: KeyPath, step: StackTable) -> Iterator[UnlocatedDiagnostic]:
    """Check the section and mass of a step at a path; the table may be partial."""
    given = keys_given(step)
    if {"round", "bar"} <= given:
        yield UnlocatedDiagnostic((*path, "bar"), "round and bar both", "one of them")
    yield from check_bore_and_bar(path, step)
    sectioned = given & {"round", "bar"}
    if sectioned and step.up is not None and abs(step.up) <= SMALLEST_LENGTH:
        (key, *_) = sorted(sectioned)
        yield UnlocatedDiagnostic(
            (*path, key), "a section on a step without height", "up above or below zero beside it"
        )
    if not sectioned:
        # A material counts without a section too: the step grows as it warms.
        for key in sorted(given & {"blank", "mass"}):
            yield UnlocatedDiagnostic(
                (*path, key), f"{key} on a step without a section", "round or bar beside it"
            )


def _solid(path: KeyPath, solid: SolidTable, places: Sequence[str] | None) -> Iterator[UnlocatedDiagnostic]:
    given = [shape for shape in SHAPES if shape in keys_given(solid)]
    if len(given) != 1:
        yield exactly_one(path, given, SHAPES)
    if solid.on is not None and places is not None:
        yield from known_name((*path, "on"), solid.on, places, "place")
    box = solid.box
    if box is not None and box.low is not None and box.high is not None:
        for axis, low, high in zip("xyz", box.low, box.high, strict=True):
            if low >= high:
                found = f"an edge of {high - low:g} along {axis}"
                yield UnlocatedDiagnostic(
                    (*path, "box", "high"), found, "edges above zero: low is the lower corner"
                )
                break
    for key in ("cylinder", "tube"):
        ends = getattr(solid, key)
        if ends is not None and ends.start is not None and ends.start == ends.end:
            yield UnlocatedDiagnostic((*path, key, "end"), shown(list(ends.end)), "another point than start")
    tube = solid.tube
    if (
        tube is not None
        and tube.diameter is not None
        and tube.bore is not None
        and tube.bore >= tube.diameter
    ):
        allowed = f"a bore of less than the diameter of {tube.diameter:g}"
        yield UnlocatedDiagnostic((*path, "tube", "bore"), shown(tube.bore), allowed)


_SLACK_DEG = 1e-9


@dataclass(frozen=True)
class KnownMachine:
    """The readable part of a machine file, which may have faults itself.

    Attributes
    ----------
    letters : tuple of str or None
        Its rotaries; None where one of them could not be read.
    limits_deg : mapping of letter to (lowest, highest)
        Of the rotaries that have limits and whose limits could be read.
    offset_deg : mapping of letter to rotary work offset
        Of the rotaries whose offset is known.
    holders : tuple of str or None
        Names of its tool holders; None where one could not be read.
    """

    letters: tuple[str, ...] | None = None
    limits_deg: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    offset_deg: Mapping[str, float] = field(default_factory=dict)
    holders: tuple[str, ...] | None = None


def check_job(job: JobFile, known: KnownMachine) -> Iterator[UnlocatedDiagnostic]:
    """Check the values of a job file against each other and against its machine.

    The table may be partial, with None for what is unknown.
    """
    yield from _names(job.operation)
    for place, operation in enumerate(job.operation):
        yield from _form(place, operation)
        yield from _plane(place, operation)
        yield from _repeat(place, operation)
        yield from _only_when_aimed(place, operation)
        path: KeyPath = ("operation", place)
        if operation.at is not None:
            yield from check_letters((*path, "at"), operation.at, known)
            yield from check_every_letter((*path, "at"), operation.at, known)
            yield from check_limits((*path, "at"), operation.at, known)
        if operation.hold is not None:
            yield from check_letters((*path, "hold"), operation.hold, known)
            yield from check_limits((*path, "hold"), operation.hold, known)
            if known.letters is not None and set(known.letters) <= set(operation.hold):
                yield UnlocatedDiagnostic(
                    (*path, "hold"), "every rotary held", "at least one rotary free to aim with"
                )
    yield from _check_job_solids(job, known.letters, known.holders)
    if job.square_up is not None:
        yield from check_letters(("square_up",), job.square_up, known)
        for letter, reading in job.square_up.items():
            if reading is None and known.letters is not None and letter in known.letters[:-1]:
                yield UnlocatedDiagnostic(
                    ("square_up",),
                    f"{shown(letter)}, which tilts the part and cannot take out how it is clocked",
                    f"{shown(known.letters[-1])}, or {letter} with its own offset: square_up = {{ {letter} = 0.15 }}",
                )
    yield from check_touched(("touched",), job.touched, known)


def check_touched(
    path: KeyPath, touched: TouchedTable | None, known: KnownMachine
) -> Iterator[UnlocatedDiagnostic]:
    """Check the keys and the pose of a touch-off; the table may be partial."""
    if touched is None:
        return
    given = keys_given(touched)
    if given & set(TOUCH):
        for key, example in TOUCH.items():
            if key not in given:
                expected = f"{example}: X, Y, Z, pose and use go together"
                yield UnlocatedDiagnostic((*path, key), "the key is missing", expected, missing=True)
    elif not given:
        yield UnlocatedDiagnostic(
            path, "a table with nothing in it", "X, Y, Z, pose and use; or `within` for --touched to go by"
        )
    if touched.pose is None:
        return
    pose: KeyPath = (*path, "pose")
    yield from check_letters(pose, touched.pose, known)
    yield from check_every_letter(pose, touched.pose, known)
    machine_angles = KnownMachine(known.letters, known.limits_deg, dict.fromkeys(known.limits_deg, 0.0))
    yield from check_limits(pose, touched.pose, machine_angles)


def _names(operations: Iterable[OperationTable]) -> Iterator[UnlocatedDiagnostic]:
    """Check for names that two operations share, repeats with their numbers."""
    taken: dict[str, tuple[int, str]] = {}
    for place, operation in enumerate(operations):
        if operation.name is None:
            continue
        if operation.repeat is None and "repeat" in keys_given(operation):
            continue
        count = operation.repeat.count if operation.repeat is not None else 1
        if count is None:
            continue
        names = [operation.name] if count == 1 else [f"{operation.name} {k + 1}" for k in range(count)]
        for name in names:
            before, other = taken.setdefault(read_alike(name), (place, name))
            if before != place:
                found = shown(operation.name) + (
                    f", which becomes {shown(name)}" if name != operation.name else ""
                )
                yield UnlocatedDiagnostic(
                    ("operation", place, "name"),
                    f"{found}, {_taken(name, other, f'operation {before + 1}')}",
                    "a different name for each operation",
                )
                break


def _form(place: int, operation: OperationTable) -> Iterator[UnlocatedDiagnostic]:
    given = [form for form in FORMS if form in keys_given(operation)]
    if len(given) != 1:
        yield exactly_one(("operation", place), given, FORMS)


def _plane(place: int, operation: OperationTable) -> Iterator[UnlocatedDiagnostic]:
    if operation.through is None:
        return
    try:
        plane_through(*operation.through)
    except KinematicsError:
        yield UnlocatedDiagnostic(
            ("operation", place, "through"),
            f"{shown(list(map(list, operation.through)))}, three points in a line",
            "three points that span a plane",
        )


def _repeat(place: int, operation: OperationTable) -> Iterator[UnlocatedDiagnostic]:
    repeat = operation.repeat
    if repeat is None or repeat.count is None:
        return
    if repeat.count > 1 and repeat.step is not None and repeat.step % 360.0 == 0.0:
        yield UnlocatedDiagnostic(
            ("operation", place, "repeat", "step"),
            f"{shown(repeat.step)}, which puts all {repeat.count} in one place",
            "a step that is not a whole number of turns",
        )
    elif repeat.step is not None:
        turns = (
            k for k in range(1, repeat.count) if abs(math.remainder(k * repeat.step, 360.0)) < _SLACK_DEG
        )
        again = next(turns, None)
        if again is not None:
            yield UnlocatedDiagnostic(
                ("operation", place, "repeat", "count"),
                f"{repeat.count} repeats, of which number {again + 1} stands where the first is",
                f"at most {again} repeats with a step of {repeat.step:g} degrees",
            )
    first = operation.work_offset
    if first is not None and first + repeat.count - 1 > LAST_WORK_OFFSET:
        yield UnlocatedDiagnostic(
            ("operation", place, "work_offset"),
            f"{first} to {first + repeat.count - 1} for {repeat.count} repeats",
            f"work offsets 1 to {LAST_WORK_OFFSET}",
            "leave work_offset out to load one offset again before each operation",
        )


def _only_when_aimed(place: int, operation: OperationTable) -> Iterator[UnlocatedDiagnostic]:
    """Check for keys that would have no effect beside stated angles."""
    given = keys_given(operation)
    if operation.when_free == "line up x" and "normal" in given:
        yield UnlocatedDiagnostic(
            ("operation", place, "when_free"),
            '"line up x" beside normal, which defines no x direction',
            '"line up x" beside tip or through; beside normal, "keep" only',
        )
    if "at" not in given:
        return
    # A repeat of stated angles aims all but the first.
    for key in ("when_free",) if "repeat" in given else ("tilt", "hold", "when_free"):
        if key in given:
            yield UnlocatedDiagnostic(
                ("operation", place, key),
                f"{key} beside at",
                f"{key} beside normal, tip or through only: at gives the angles themselves",
            )


def check_letters(
    path: KeyPath, angles: Mapping[str, object], known: KnownMachine
) -> Iterator[UnlocatedDiagnostic]:
    """Check that the machine has the rotaries named."""
    for letter in angles:
        if known.letters is None:
            if letter not in ("A", "B", "C"):
                yield UnlocatedDiagnostic((*path, letter), f"the rotary {shown(letter)}", one_of("ABC"))
        elif letter not in known.letters:
            near = nearest(letter, known.letters)
            tip = f'did you mean "{near}"?' if near else ""
            allowed = f"the machine's rotaries, {one_of(known.letters, 'and')}"
            yield UnlocatedDiagnostic((*path, letter), f"the rotary {shown(letter)}", allowed, tip)


def check_every_letter(
    path: KeyPath, angles: Mapping[str, float], known: KnownMachine
) -> Iterator[UnlocatedDiagnostic]:
    """Check that angles are given for every rotary of the machine."""
    missing = [letter for letter in known.letters or () if letter not in angles]
    if missing:
        yield UnlocatedDiagnostic(
            path,
            f"no angle for {one_of(missing, 'and')}",
            f"an angle for every rotary of the machine, {one_of(known.letters or (), 'and')}",
            missing=True,
        )


def check_limits(
    path: KeyPath, angles: Mapping[str, float], known: KnownMachine
) -> Iterator[UnlocatedDiagnostic]:
    """Check program angles against the limits of the rotaries whose offsets are known."""
    for letter, angle in angles.items():
        if letter not in known.limits_deg or letter not in known.offset_deg:
            continue
        low, high = known.limits_deg[letter]
        offset = known.offset_deg[letter]
        machine = angle + offset
        if low - _SLACK_DEG <= machine <= high + _SLACK_DEG:
            continue
        found = f"{angle:.10g} degrees"
        if offset:
            found += f" (machine angle {machine:.10g}, with the rotary's offset of {offset:.10g})"
        turns = [machine + 360.0 * k for k in range(-3, 4)]
        inside = next((turned for turned in turns if low <= turned <= high), None)
        tip = f"the same pose is {inside - offset:.10g}" if inside is not None else ""
        yield UnlocatedDiagnostic((*path, letter), found, f"machine angles {low:.10g} to {high:.10g}", tip)
