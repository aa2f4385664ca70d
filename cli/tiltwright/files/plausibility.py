"""Values of a machine or job file that no mill with a tilting rotary is likely to have: a slip of the unit, the point or the sign.

One table says what is plausible, each bound with its ground. A value beyond it is a caution and never a refusal: somebody
may have such a machine. What no machine can have is a fault, in `checks`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tiltwright.files.diagnostics import KeyPath, words_for
from tiltwright.files.job_file import JobFile, StackTable
from tiltwright.files.machine_file import MachineFile, RotaryTable
from tiltwright.files.units import Unit

__all__ = [
    "PLAUSIBLE_MM",
    "ImplausibleValue",
    "clocking_caution",
    "implausible_job_values",
    "implausible_values",
    "implausible_words",
]


@dataclass(frozen=True)
class _Bounds:
    """The plausible sizes of a length, in millimetres, and why."""

    low_mm: float
    high_mm: float
    ground: str


PLAUSIBLE_MM = {
    "travel": _Bounds(50.0, 8_000.0, "less would not clear a rotary; more is a gantry as long as a bus"),
    "coordinate": _Bounds(0.0, 8_000.0, "machine coordinates reach no farther than the travels"),
    "reference tool": _Bounds(
        1.0, 3_000.0, "with touch-downs it is the height of the gauge line above the surface"
    ),
    "platter": _Bounds(10.0, 3_000.0, "platters that tilt are a few decimetres across"),
    "spindle": _Bounds(5.0, 2_000.0, "a nose is a few decimetres across and long"),
    "step": _Bounds(0.0, 1_000.0, "what stands on a platter that tilts is a few decimetres tall"),
    "stack": _Bounds(8.0, 1_500.0, "part zero stands on a fixture, and below the spindle"),
    "section": _Bounds(2.0, 1_500.0, "a standoff is some centimetres across"),
    "origin": _Bounds(0.0, 1_500.0, "the part turns on a platter"),
    "tool length": _Bounds(15.0, 600.0, "from the gauge line, holder included"),
    "tool diameter": _Bounds(0.5, 200.0, "finer drills and wider heads are rare on a mill"),
    "allowance": _Bounds(0.0, 5.0, "with more to spare a mistake would not show"),
    "clearance": _Bounds(0.0, 150.0, "it is kept between solids that pass each other"),
}
"""Plausible sizes, by the kind of length."""

_MOST_CLOCK_DEG = 5.0
_ODD_DEG = 5.0  # the clocking of a fixture that stands askew
_ASKEW_DEG = (30.0, 45.0)  # a fixture that stands askew by design is turned by a multiple of these
_MOST_TURNS_DEG = 3_600.0  # hoses and cables wind up; what turns farther is endless
_OFF_AXIS_DEG = 3.0  # rotaries are squared up to hundredths; a measured direction is never far off its axis
_BELOW_TRAVEL_MM = 1_500.0  # a tool that reaches the platter from the lowest position is not longer


@dataclass(frozen=True)
class ImplausibleValue:
    """A value that is hardly meant.

    Attributes
    ----------
    path : KeyPath
    found, ground, tip : str
        In words, lengths in the file's unit.
    """

    path: KeyPath
    found: str
    ground: str
    tip: str = ""

    @property
    def moves_offsets(self) -> bool:
        """True where the work offsets hang on the value: what turns about where, the platter's face, what stands on it."""
        return self.path[-1] in _MOVES_OFFSETS


_MOVES_OFFSETS = ("point", "direction", "face", "reference_tool_length", "up", "shift", "turn", "origin")


def implausible_values(file: MachineFile) -> Iterator[ImplausibleValue]:
    """Find the values of a sound machine file that are hardly meant, in the order of its keys."""
    unit = file.units
    yield from _optional(("reference_tool_length",), file.reference_tool_length, "reference tool", unit)
    if file.travel is not None:
        for axis in "xyz":
            low, high = getattr(file.travel, axis)
            yield from _size(("travel", axis), high - low, "travel", unit, "a travel of ")
    for place, rotary in enumerate(file.rotary):
        yield from _rotary(("rotary", place), rotary, unit)
    if file.platter is not None:
        yield from _optional(("platter", "diameter"), file.platter.diameter, "platter", unit)
        yield from _optional(("platter", "face"), file.platter.face, "coordinate", unit, "Z ")
        yield from _face(file, file.platter.face)
    if file.spindle is not None:
        yield from _optional(("spindle", "diameter"), file.spindle.diameter, "spindle", unit)
        yield from _optional(("spindle", "length"), file.spindle.length, "spindle", unit)


def implausible_job_values(file: JobFile) -> Iterator[ImplausibleValue]:
    """Find the values of a sound job file that are hardly meant: what stands, what is cut where, and with what."""
    unit = file.units
    yield from _stack(("stack",), file.stack, unit)
    for place, nest in enumerate(file.nest):
        yield from _steps(("nest", place, "step"), nest.step, unit)
    for place, operation in enumerate(file.operation):
        for axis, value in zip("xyz", operation.origin, strict=True):
            yield from _size(("operation", place, "origin"), value, "origin", unit, f"{axis} ")
    for place, tool in enumerate(file.tool):
        yield from _size(("tool", place, "length"), tool.length, "tool length", unit, "a tool of ")
        for key in ("diameter", "shank"):
            yield from _optional(
                ("tool", place, key), getattr(tool, key), "tool diameter", unit, "a diameter of "
            )
    yield from _optional(("clear",), file.clear, "clearance", unit)
    if file.touched is not None:
        yield from _optional(("touched", "within"), file.touched.within, "allowance", unit)


def clocking_caution(clock_deg: float) -> str | None:
    """Caution about a part's clocking; None where it is plausible.

    Examples
    --------
    >>> clocking_caution(0.3)
    >>> clocking_caution(30.0)
    '30 degrees of clocking is hard to believe; a part clamped against a stop is off by less than 5. A slip of the point?'
    """
    if abs(clock_deg) <= _MOST_CLOCK_DEG:
        return None
    return (
        f"{clock_deg:g} degrees of clocking is hard to believe; a part clamped against a stop is off by less than "
        f"{_MOST_CLOCK_DEG:g}. A slip of the point?"
    )


def _stack(path: KeyPath, steps: Sequence[StackTable], unit: Unit) -> Iterator[ImplausibleValue]:
    """Implausible steps, and a whole stack that is hardly there: inches in a file that says millimetres."""
    yield from _steps(path, steps, unit)
    total = sum(abs(step.up) for step in steps)
    if 0.0 < unit.to_mm(total) < PLAUSIBLE_MM["stack"].low_mm:
        yield from _size((*path, 0, "up"), total, "stack", unit, "a whole stack of ")


def _steps(path: KeyPath, steps: Sequence[StackTable], unit: Unit) -> Iterator[ImplausibleValue]:
    for place, step in enumerate(steps):
        yield from _size((*path, place, "up"), step.up, "step", unit)
        for axis, value in zip("xy", step.shift, strict=True):
            yield from _size((*path, place, "shift"), value, "step", unit, f"{axis} ")
        yield from _turn((*path, place, "turn"), step.turn)
        for key in ("round", "bar"):
            value = getattr(step, key)
            for edge in value if isinstance(value, tuple) else (value,):
                yield from _optional((*path, place, key), edge, "section", unit)


def _turn(path: KeyPath, turn_deg: float) -> Iterator[ImplausibleValue]:
    """A turn that is too much for clocking and too odd for a fixture: 15 degrees where 0.15 was meant."""
    odd = all(abs(math.remainder(turn_deg, round_deg)) > _ODD_DEG for round_deg in _ASKEW_DEG)
    if abs(turn_deg) > _MOST_CLOCK_DEG and odd:
        ground = f"clocking is below {_MOST_CLOCK_DEG:g} degrees, and fixtures that stand askew are turned by 30, 45, 60 or 90"
        yield ImplausibleValue(path, f"{turn_deg:g} degrees", ground, "a slip of the point?")


def _rotary(path: KeyPath, rotary: RotaryTable, unit: Unit) -> Iterator[ImplausibleValue]:
    if rotary.direction is not None:
        yield from _direction((*path, "direction"), rotary.direction)
    for axis, value in zip("XYZ", rotary.point, strict=True):
        yield from _size((*path, "point"), value, "coordinate", unit, f"{axis} ")
    for limit in rotary.limits or ():
        if abs(limit) > _MOST_TURNS_DEG:
            found = f"{limit:g} degrees, {abs(limit) / 360.0:.0f} turns"
            yield ImplausibleValue(
                (*path, "limits"), found, 'a rotary that turns so far is "endless"', "a slip of the point?"
            )


def _optional(
    path: KeyPath, value: float | None, kind: str, unit: Unit, before: str = ""
) -> Iterator[ImplausibleValue]:
    if value is not None:
        yield from _size(path, value, kind, unit, before)


def _size(path: KeyPath, value: float, kind: str, unit: Unit, before: str = "") -> Iterator[ImplausibleValue]:
    bounds = PLAUSIBLE_MM[kind]
    if bounds.low_mm <= abs(unit.to_mm(value)) <= bounds.high_mm:
        return
    low, high = (f"{unit.from_mm(end):.4g}" for end in (bounds.low_mm, bounds.high_mm))
    usual = f"at most {high}" if not bounds.low_mm else f"{low} to {high}"
    other = Unit.MM if unit is Unit.INCH else Unit.INCH
    slip = bounds.low_mm <= abs(other.to_mm(value)) <= bounds.high_mm
    # Too long in inches may be millimetres, too short in millimetres may be inches; the other way round is a slip of the point.
    mixed = slip and (abs(unit.to_mm(value)) > bounds.high_mm) == (unit is Unit.INCH)
    tip = f"is the number in {other.value}? The file says {unit.value}" if mixed else "a slip of the point?"
    yield ImplausibleValue(
        path, f"{before}{value:g} {unit.value}", f"{usual} {unit.value} is usual: {bounds.ground}", tip
    )


def _direction(path: KeyPath, direction: tuple[float, float, float]) -> Iterator[ImplausibleValue]:
    off_deg = math.degrees(math.acos(min(max(map(abs, direction)) / math.hypot(*direction), 1.0)))
    if off_deg > _OFF_AXIS_DEG:
        found = f"a direction {off_deg:.4g} degrees off the nearest machine axis"
        yield ImplausibleValue(
            path, found, "a measured axis is off by hundredths", "only a slanted rotary has such a direction"
        )


def _face(file: MachineFile, face: float | None) -> Iterator[ImplausibleValue]:
    """The platter's face against the travel of Z: a spindle above it, and near enough for a tool."""
    if face is None or file.travel is None or len(file.travel.z) != 2:
        return
    low, high = file.travel.z
    gauge = face - (file.reference_tool_length or 0.0)  # where the gauge point would stand on it
    unit = file.units
    if gauge > high:
        tip = "is a minus sign missing?" if low <= -gauge <= high else "the sign, or the Z reference?"
        yield ImplausibleValue(
            ("platter", "face"),
            f"Z {face:g} {unit.value}",
            "the face would stand above the top of Z travel",
            tip,
        )
    elif gauge < low - unit.from_mm(_BELOW_TRAVEL_MM):
        yield ImplausibleValue(
            ("platter", "face"),
            f"Z {face:g} {unit.value}",
            "no tool would reach the face from the bottom of Z travel",
            "a slip of the point?",
        )


def implausible_words(one: ImplausibleValue) -> str:
    """Words for an implausible value, the key first.

    Examples
    --------
    >>> implausible_words(ImplausibleValue(("travel", "x"), "a travel of 0.76 mm", "50 to 8000 mm is usual", "a slip of the point?"))
    'travel, x: a travel of 0.76 mm is hard to believe; 50 to 8000 mm is usual. A slip of the point?'
    """
    tip = f"{one.tip[:1].upper()}{one.tip[1:]}" if one.tip else ""
    return f"{words_for(one.path)}: {one.found} is hard to believe; {one.ground}. {tip}".rstrip()
