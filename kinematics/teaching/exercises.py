"""Exercises in working out offsets: machine, stack and operations drawn from a seed.

The numbers are drawn in the sheet's own unit and to the decimals that are printed, so that what a student reads is
all there is. One seed makes a class set: every sheet number draws its own numbers from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine, Platter, Travel
from kinematics.operations import Operation, PlacedOperation
from kinematics.placement import place_operations
from kinematics.plane import plane_from_normal
from kinematics.rotary import RotaryAxis, RotationSense, common_perpendicular
from kinematics.stack import StackStep
from kinematics.teaching.angle_steps import why_no_triangle
from kinematics.validation import ValueEquality, read_only
from kinematics.work_offsets import Setup, compare_touch_off, with_touched_zero

__all__ = [
    "DECIMALS",
    "LEVELS",
    "PARTS",
    "PIVOT_LEVEL",
    "STANDOFFS",
    "UNIT_MM",
    "Exercise",
    "Level",
    "Part",
    "RoundedRandom",
    "UnitName",
    "check_seed",
    "set_exercise",
    "shared_machine",
    "tilting_mill",
    "tilting_place",
]


@dataclass(frozen=True)
class Part:
    """A part that the shop makes: its features that need a tilt, and the smallest and largest blank in mm."""

    name: str
    features: tuple[str, ...]
    blank_mm: tuple[int, int]


PARTS = (
    Part("tide-gauge head", ("inlet port", "bleed port", "cable seat", "vent port"), (40, 70)),
    Part("beacon mast foot", ("stay hole", "drain hole", "lamp seat", "key flat"), (50, 90)),
    Part("buoy bracket", ("lug bore", "chain slot", "name flat", "sling hole"), (30, 60)),
    Part("wave-staff clamp", ("clamp bore", "screw seat", "sensor pocket", "set-screw hole"), (35, 65)),
    Part("salinity probe collar", ("window", "electrode hole", "seal groove start", "cap seat"), (30, 55)),
    Part("current-meter hub", ("blade seat", "balance hole", "pickup pocket", "pin hole"), (30, 50)),
    Part("sounding-lead mould half", ("gate", "riser", "vent", "dowel hole"), (40, 80)),
    Part("fog-bell hanger", ("hinge bore", "striker seat", "bolt face", "grease hole"), (45, 85)),
)

STANDOFFS = (
    ("round standoff", (60, 130)),
    ("square riser", (50, 120)),
    ("low vice base", (55, 95)),
    ("pull-down plate on posts", (70, 140)),
)


UnitName = Literal["mm", "inch"]

UNIT_MM: dict[UnitName, float] = {"mm": 1.0, "inch": MM_PER_INCH}
DECIMALS: dict[UnitName, int] = {"mm": 3, "inch": 4}
"""Decimals that the sheets are printed with."""


class RoundedRandom:
    """Random numbers in a unit, to the decimals that it is printed with."""

    def __init__(self, seeds: Sequence[int], units: UnitName) -> None:
        self.random = np.random.default_rng(list(seeds))
        self.unit_mm = UNIT_MM[units]
        self.decimals = DECIMALS[units]

    def length(self, low_mm: float, high_mm: float, decimals: int | None = None) -> float:
        """A random length in mm, a round decimal number of units."""
        places = self.decimals if decimals is None else decimals
        return self.rounded(float(self.random.uniform(low_mm, high_mm)), places)

    def rounded(self, value_mm: float, decimals: int) -> float:
        """The nearest length with so many decimals in the unit."""
        return float(round(value_mm / self.unit_mm, decimals) * self.unit_mm)

    def nominal(self, low_mm: int, high_mm: int, off_mm: float = 0.02) -> float:
        """A random catalogue height as measured: a few hundredths off a round number."""
        step = 5.0 if self.unit_mm == 1.0 else 0.25 * self.unit_mm
        round_mm = step * round(float(self.random.uniform(low_mm, high_mm)) / step)
        return self.rounded(round_mm + float(self.random.uniform(-off_mm, off_mm)), self.decimals)

    def one(self, low: int, high: int) -> int:
        """A random whole number, both ends included."""
        return int(self.random.integers(low, high + 1))

    def sense(self) -> RotationSense:
        """A random sense of turning."""
        return (RotationSense.CLOCKWISE, RotationSense.COUNTERCLOCKWISE)[self.one(0, 1)]


def check_seed(seed: int, sheet: int) -> None:
    """Refuse a seed or a sheet that is no whole number from 0, or from 1.

    Examples
    --------
    >>> check_seed(0, 1)
    >>> check_seed(7, 0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sheet: expected a whole number from 1, found 0
    """
    for name, value, least in (("seed", seed, 0), ("sheet", sheet, 1)):
        if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < least:
            raise KinematicsError(f"{name}: expected a whole number from {least}, found {value!r}")


def tilting_mill(draw: RoundedRandom, *, gap: bool) -> Machine:
    """A random mill with a tilting rotary whose lines meet or miss each other by a measurable gap."""
    x, y, z = draw.length(-410, -350), draw.length(-225, -185), draw.length(-420, -380)
    tilts_about_x = bool(draw.one(0, 1))
    aside = 0.0
    if gap:
        aside = draw.length(0.03, 0.6) * (1.0 if draw.one(0, 1) else -1.0)
    face = draw.rounded(z + draw.length(25.0, 60.0), draw.decimals)
    low, high = (-110.0, 110.0) if draw.one(0, 1) else (-120.0, 30.0)
    pivot = np.array([x, y, z])
    if tilts_about_x:
        tilt = RotaryAxis("A", pivot, np.array([1.0, 0.0, 0.0]), draw.sense(), (low, high))
        turn_at = np.array([x, draw.rounded(y + aside, draw.decimals), face])
    else:
        tilt = RotaryAxis("B", pivot, np.array([0.0, 1.0, 0.0]), draw.sense(), (low, high))
        turn_at = np.array([draw.rounded(x + aside, draw.decimals), y, face])
    turn = RotaryAxis("C", turn_at, np.array([0.0, 0.0, 1.0]), draw.sense(), None)
    ends = (
        np.round(np.array([760.0, 410.0, 510.0]) / draw.unit_mm, 0 if draw.unit_mm == 1.0 else 1)
        * draw.unit_mm
    )
    diameter = draw.rounded(160.0, 0 if draw.unit_mm == 1.0 else 2)
    return Machine(
        "Training mill with tilting rotary", (tilt, turn), Platter(face, diameter), Travel(-ends, np.zeros(3))
    )


Level = Literal[
    "one tilt",
    "tilt and rotate",
    "lines that miss each other",
    "a normal to aim at",
    "touched off and clocked",
]
LEVELS: tuple[Level, ...] = (
    "one tilt",
    "tilt and rotate",
    "lines that miss each other",
    "a normal to aim at",
    "touched off and clocked",
)
"""In the order of their random streams: a new one comes last, so that a seed's sheets stay as they are."""
PIVOT_LEVEL = "a pivot to find"
"""The level that asks for pivots, not for offsets: see `pivot_exercise`."""
_NORMALS = (
    (0, 1, 1),
    (0, -1, 2),
    (1, 2, 2),
    (2, -1, 2),
    (-2, 3, 6),
    (6, 2, 3),
    (1, -1, 2),
    (-1, 0, 2),
    (3, 4, 12),
    (-4, 4, 7),
)
_TRIES = 200
_MEETS_MM = 0.01
"""Lines nearer to each other than that meet for a student: the gap moves no offset beyond its tolerance by much."""
_TILTS_BELOW = 0.9
"""Component along Z of the direction of a rotary that still tilts: a nutating one does, one off the vertical does not."""


@dataclass(frozen=True, eq=False)
class Exercise(ValueEquality, DeclaredFields):
    """An exercise in work offsets: one sheet's task and its answers.

    Attributes
    ----------
    level : str
    seed, sheet : int
    units : "mm" or "inch"
        Unit of the sheet; the values here are millimetres all the same.
    title, story : str
        The part, and the situation in a few sentences.
    machine : Machine
    steps : tuple of StackStep
    operations : tuple of Operation
    normals : tuple of (int, int, int) or None
        As printed, one for each operation, where there is a normal to aim at.
    setup : Setup
    placed : tuple of PlacedOperation
        The answers.
    touched_mm : ndarray, shape (3,), or None
        The display where part zero was touched off with every rotary at its zero; it replaces the stack's.
    clocked_deg : float
        How far the part was found turned about its z; the last rotary's work offset takes it out.
    """

    level: Level
    seed: int
    sheet: int
    units: UnitName
    title: str
    story: str
    machine: Machine
    steps: tuple[StackStep, ...]
    operations: tuple[Operation, ...]
    normals: tuple[tuple[int, int, int], ...] | None
    setup: Setup
    placed: tuple[PlacedOperation, ...]
    touched_mm: np.ndarray[tuple[int], np.dtype[np.float64]] | None = None
    clocked_deg: float = 0.0

    @property
    def stack(self) -> tuple[StackStep, ...] | None:
        """The stack that the offsets go by; None where part zero was touched off instead."""
        return self.steps if self.touched_mm is None else None


def shared_machine(level: Level, seed: int, units: UnitName = "mm") -> Machine:
    """Draw a machine that all sheets of a class can be set on.

    Raises
    ------
    KinematicsError
        When a level, seed or unit is not one.

    Examples
    --------
    >>> machine = shared_machine("tilt and rotate", seed=7)
    >>> [set_exercise("tilt and rotate", 7, sheet, machine=machine).machine is machine for sheet in (1, 2)]
    [True, True]
    """
    _check(level, seed, 1, units)
    # Sheets count from 1: stream 0 is the class's.
    draw = RoundedRandom([seed, 0, LEVELS.index(level)], units)
    return tilting_mill(draw, gap=level == "lines that miss each other")


def tilting_place(machine: Machine) -> int | None:
    """The number of the outermost rotary that tilts the platter; None where none does."""
    return next((k for k, one in enumerate(machine.rotaries) if abs(one.direction[2]) < _TILTS_BELOW), None)


@takes_declared()
def set_exercise(
    level: Level, seed: int, sheet: int = 1, units: UnitName = "mm", machine: Machine | None = None
) -> Exercise:
    """Draw the exercise of one sheet.

    Parameters
    ----------
    level : str
        One of `LEVELS`.
    seed : int
        0 or more; the same seed, sheet, level and units give the same exercise.
    sheet : int
        1 or more: each student's own.
    units : "mm" or "inch"
    machine : Machine, optional
        The machine to set it on; left out, each sheet draws its own.

    Returns
    -------
    Exercise

    Raises
    ------
    KinematicsError
        When a level, seed, sheet or unit is not one, or the level cannot be set on the machine: the message says why.

    Examples
    --------
    >>> first, second = (set_exercise("tilt and rotate", seed=7, sheet=s) for s in (1, 2))
    >>> first.title == set_exercise("tilt and rotate", seed=7, sheet=1).title
    True
    >>> first.machine.platter.face_mm == second.machine.platter.face_mm
    False
    >>> set_exercise("two tilts", seed=7)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: level: expected one of "one tilt", "tilt and rotate", "lines that miss each \
other", "a normal to aim at", "touched off and clocked", found 'two tilts'
    """
    _check(level, seed, sheet, units)
    if machine is not None:
        why = _why_not_on(machine, level)
        if why:
            raise KinematicsError(f"level {level}: expected a machine that suits the level, found that {why}")
    draw = RoundedRandom([seed, sheet, LEVELS.index(level)], units)
    beyond: list[_Beyond] = []
    for _ in range(_TRIES):
        drawn = _drawn(draw, level, seed, sheet, units, machine)
        if isinstance(drawn, Exercise):
            return drawn
        beyond.append(drawn)
    least = min(beyond, key=lambda one: one.by_mm)
    raise KinematicsError(
        f"level {level}: expected an exercise that the machine reaches, found none in {_TRIES} draws; {least.words}"
    )


def _check(level: Level, seed: int, sheet: int, units: UnitName) -> None:
    if level not in LEVELS:
        raise KinematicsError(f"level: expected one of {', '.join(LEVELS)}, found {level!r}")
    if units not in DECIMALS:
        raise KinematicsError(f"units: expected mm or inch, found {units!r}")
    check_seed(seed, sheet)


def _why_not_on(machine: Machine, level: Level) -> str:
    """The reason why a level cannot be set on a machine; empty where it can."""
    count, tilting = len(machine.rotaries), tilting_place(machine)
    if count > 2:
        return f"it has {count} rotaries, and exercises have one or two"
    if tilting is None:
        return "none of its rotaries tilts the platter"
    if not _tilts(machine.rotaries[tilting]):
        return f"{machine.rotaries[tilting].letter} tilts by less than 10 degrees"
    return "" if level == "one tilt" else _why_not_two(machine, tilting, level)


def _why_not_two(machine: Machine, tilting: int, level: Level) -> str:
    """The same for a level that turns two rotaries."""
    if len(machine.rotaries) < 2:
        return f"it has one rotary, {machine.letters[0]}, and the level turns two"
    turning, last = machine.rotaries[1 - tilting], machine.rotaries[-1]
    if turning.limits_deg is not None and not _turns(turning):
        return f"{turning.letter} turns by less than 15 degrees"
    if level == "lines that miss each other" and _gap_mm(machine) < _MEETS_MM:
        return f"its two lines pass only {_gap_mm(machine):.4f} mm from each other"
    if level == "a normal to aim at" and (why := why_no_triangle(machine)):
        return f"{why}, so no right triangle gives the angles"
    if level == "touched off and clocked" and last is not turning:
        return f"its last rotary, {last.letter}, does not turn the part about its z, so no work offset takes the clocking out"
    return ""


def _gap_mm(machine: Machine) -> float:
    return float(common_perpendicular(*machine.rotaries).distance_mm)


@dataclass(frozen=True)
class _Beyond:
    """Reason that a draw is no exercise: its distance beyond a travel, infinite where an angle is out."""

    by_mm: float
    words: str


def _drawn(
    draw: RoundedRandom, level: Level, seed: int, sheet: int, units: UnitName, own: Machine | None
) -> Exercise | _Beyond:
    part = PARTS[draw.one(0, len(PARTS) - 1)]
    machine = tilting_mill(draw, gap=level == "lines that miss each other") if own is None else own
    steps = _stack(draw, part, level)
    normals = _normals(draw) if level == "a normal to aim at" else None
    operations = _operations(draw, part, level, machine, normals)
    setup = Setup.from_stack(machine, steps)
    touched = None
    if level == "touched off and clocked":
        touched = _touched(draw, setup)
        zero = np.array([rotary.zero_deg for rotary in machine.rotaries])
        setup = with_touched_zero(setup, compare_touch_off(setup, touched, zero)).aligned(machine.letters[-1])
    operations = tuple(_outward(setup, operation) for operation in operations)
    placement = place_operations(setup, operations)
    if placement.unreachable:
        return _Beyond(np.inf, "the directions to aim at need angles beyond the rotaries' limits")
    beyond = _beyond_travel(machine, np.array([one.offset_mm for one in placement.placed]))
    if beyond is not None:
        return beyond
    title = f"{part.name.capitalize()}, {level}"
    return Exercise(
        level, seed, sheet, units, title, _story(part, steps, machine, level), machine, steps, operations, normals,
        setup, placement.placed, touched, steps[-1].turn_deg,
    )  # fmt: skip


def _beyond_travel(machine: Machine, offsets_mm: np.ndarray[Any, np.dtype[np.float64]]) -> _Beyond | None:
    if machine.travel is None:
        return None
    over = np.maximum(machine.travel.low_mm - offsets_mm, offsets_mm - machine.travel.high_mm).max(axis=0)
    axis = int(over.argmax())
    if over[axis] <= 0.0:
        return None
    return _Beyond(
        float(over[axis]), f"the best one was {over[axis]:.3f} mm beyond the travel in {'XYZ'[axis]}"
    )


def _touched(draw: RoundedRandom, setup: Setup) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Part zero as the display shows it with every rotary at its zero: some hundredths from where the stack puts it."""
    exact = setup.part_in_machine.translation_mm
    return read_only(
        [draw.rounded(float(value) + draw.length(-0.08, 0.08), draw.decimals) for value in exact]
    )


def _stack(draw: RoundedRandom, part: Part, level: Level) -> tuple[StackStep, ...]:
    name, (low, high) = STANDOFFS[draw.one(0, len(STANDOFFS) - 1)]
    off_centre = level in ("lines that miss each other", "a normal to aim at")
    shift = (draw.length(-0.05, 0.05), draw.length(-0.05, 0.05)) if off_centre else (0.0, 0.0)
    if level in ("one tilt", "touched off and clocked"):
        # Part zero straight above the pivot would leave only one leg of the triangle to think about; on the line of the
        # last rotary it stays where it is whichever way the clocking is taken out, or not at all.
        places = 1 if draw.unit_mm == 1.0 else 2
        shift = (_aside(draw, places), _aside(draw, places))
    steps = (
        StackStep("sub-plate", draw.nominal(15, 30)),
        StackStep(name, draw.nominal(low, high), shift),
        StackStep(f"{part.name} blank, part zero at top centre", draw.nominal(*part.blank_mm)),
    )
    if level == "touched off and clocked":
        # Enough that a wrong sign shows in every answer, as far as a part is ever left turned.
        turn = round(float(draw.random.uniform(0.2, 1.8)), 3) * (1.0 if draw.one(0, 1) else -1.0)
        steps = (*steps[:2], replace(steps[2], turn_deg=turn))
    return steps


def _aside(draw: RoundedRandom, places: int) -> float:
    return draw.length(6.0, 28.0, places) * (1.0 if draw.one(0, 1) else -1.0)


def _normals(draw: RoundedRandom) -> tuple[tuple[int, int, int], ...]:
    first, second = draw.random.permutation(len(_NORMALS))[:2].tolist()
    return _NORMALS[first], _NORMALS[second]


def _operations(
    draw: RoundedRandom,
    part: Part,
    level: Level,
    machine: Machine,
    normals: tuple[tuple[int, int, int], ...] | None,
) -> tuple[Operation, ...]:
    features = [part.features[i] for i in draw.random.permutation(len(part.features)).tolist()]
    if normals is not None:
        return tuple(
            Operation(name, plane=plane_from_normal(normal), origin_mm=_origin(draw))
            for name, normal in zip(features, normals, strict=False)
        )
    tilting = tilting_place(machine)
    assert tilting is not None  # every drawn machine tilts, and a given one was checked
    count = 2 if level == "one tilt" else 3
    tilts = _tilts(machine.rotaries[tilting])
    chosen = draw.random.permutation(len(tilts))[:count].tolist()
    operations = []
    for name, tilt in zip(features, chosen, strict=False):
        turn = 0.0 if level == "one tilt" else _turn(draw, machine.rotaries[1 - tilting])
        origin = np.zeros(3) if level == "one tilt" else _origin(draw)
        angles = [
            machine.rotaries[k].zero_deg if level == "one tilt" else turn
            for k in range(len(machine.rotaries))
        ]
        angles[tilting] = float(tilts[tilt])
        operations.append(Operation(name, program_deg=tuple(angles), origin_mm=origin))
    return tuple(operations)


def _tilts(rotary: RotaryAxis) -> list[int]:
    """Angles to tilt to: whole fives from 10 to 90 degrees either way, within the limits."""
    low, high = rotary.limits_deg or (-90.0, 90.0)
    low, high = np.ceil(max(low, -90.0) / 5.0), np.floor(min(high, 90.0) / 5.0)
    return [5 * k for k in range(int(low), int(high) + 1) if abs(5 * k - rotary.zero_deg) >= 10]


def _turns(rotary: RotaryAxis) -> list[int]:
    """Angles to turn the platter to where the rotary has limits."""
    return [15 * k for k in range(-23, 24) if k and rotary.within(15.0 * k)]


def _turn(draw: RoundedRandom, rotary: RotaryAxis) -> float:
    if rotary.limits_deg is None:
        return 15.0 * draw.one(1, 23)
    turns = _turns(rotary)
    return float(turns[draw.one(0, len(turns) - 1)])


def _origin(draw: RoundedRandom) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A random origin as a drawing dimensions it: round numbers, near the blank's top."""
    places = 1 if draw.unit_mm == 1.0 else 2
    return np.array(
        [draw.length(-30, 30, places), draw.length(-30, 30, places), draw.length(-25, -2, places)]
    )


def _outward(setup: Setup, operation: Operation) -> Operation:
    """The operation with its origin on the side to which its plane faces, as a face of the part has it: away from part zero."""
    if operation.plane is not None:
        normal = operation.plane.normal
    else:
        machine_deg = setup.machine_deg(np.array(operation.program_deg))
        normal = setup.machine_axes(machine_deg)[2]  # machine Z, along the part's axes
    if float(np.dot(normal[:2], operation.origin_mm[:2])) >= 0.0:
        return operation
    return replace(operation, origin_mm=operation.origin_mm * [-1.0, -1.0, 1.0] + 0.0)


def _story(part: Part, steps: tuple[StackStep, ...], machine: Machine, level: Level) -> str:
    tilting = tilting_place(machine)
    assert tilting is not None  # as in _operations
    tilt = machine.letters[tilting]
    others = [letter for letter in machine.letters if letter != tilt]
    how = f"{tilt} tilts, {others[0]} turns the platter" if others else f"{tilt} tilts"
    meet = "" if not others else _how_they_meet(machine, level)
    start = (
        f"The training shop makes a {part.name}. The blank stands on a {steps[1].name}, which stands on the "
        f"sub-plate on the platter of the tilting rotary ({how}). "
    )
    zero = f"{machine.rotaries[1 - tilting].zero_deg:g}" if others else ""
    still = f"{others[0]} stays at {zero}, and {meet}. " if others else ""
    return (
        start
        + {
            "one tilt": f"{still}Find the work offset for each tilt.",
            "tilt and rotate": f"{meet.capitalize()}. Find the work offset for each operation.",
            "lines that miss each other": (
                "The pivots were measured, and the two lines do not quite meet: what they miss each other by counts. "
                "Find the work offset for each operation."
            ),
            "a normal to aim at": (
                "The drawing gives the direction that each feature faces, outward, in part coordinates. Find the program "
                "angles that bring it to the spindle, and then the work offset."
            ),
            "touched off and clocked": (
                "Part zero was touched off, and the blank was found a little turned. "
                f"{machine.letters[-1]}'s work offset takes the turn out, so that the program keeps its angles. Find the "
                "work offset for each operation."
            ),
        }[level]
    )


def _how_they_meet(machine: Machine, level: Level) -> str:
    """Sentence on whether the two lines meet, for the levels that speak of it."""
    if level not in ("one tilt", "tilt and rotate") or _gap_mm(machine) < 1e-6:
        return "the two lines meet"
    return "the two lines do not quite meet"
