"""Exercises in working out offsets: machine, stack and operations drawn from a seed.

The numbers are drawn in the sheet's own unit and to the decimals that are printed, so that what a student reads is
all there is. One seed makes a class set: every sheet number draws its own numbers from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from kinematics.constants import MM_PER_INCH
from kinematics.errors import KinematicsError
from kinematics.machine import Machine, Platter, Travel
from kinematics.operations import Operation, PlacedOperation
from kinematics.placement import place_operations
from kinematics.plane import plane_from_normal
from kinematics.rotary import RotaryAxis, RotationSense
from kinematics.stack import StackStep
from kinematics.validation import ValueEquality
from kinematics.work_offsets import Setup

__all__ = [
    "DECIMALS",
    "LEVELS",
    "PARTS",
    "STANDOFFS",
    "UNIT_MM",
    "Exercise",
    "Level",
    "Part",
    "RoundedRandom",
    "UnitName",
    "check_seed",
    "set_exercise",
    "tilting_mill",
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
    ("low vise base", (55, 95)),
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


Level = Literal["one tilt", "tilt and rotate", "lines that miss each other", "a normal to aim at"]
LEVELS: tuple[Level, ...] = (
    "one tilt",
    "tilt and rotate",
    "lines that miss each other",
    "a normal to aim at",
)
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


@dataclass(frozen=True, eq=False)
class Exercise(ValueEquality):
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


def set_exercise(level: Level, seed: int, sheet: int = 1, units: UnitName = "mm") -> Exercise:
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

    Returns
    -------
    Exercise

    Raises
    ------
    KinematicsError
        When a level, seed, sheet or unit is not one.

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
    kinematics.errors.KinematicsError: level: expected one of one tilt, tilt and rotate, lines that miss each other, \
a normal to aim at, found 'two tilts'
    """
    if level not in LEVELS:
        raise KinematicsError(f"level: expected one of {', '.join(LEVELS)}, found {level!r}")
    if units not in DECIMALS:
        raise KinematicsError(f"units: expected mm or inch, found {units!r}")
    check_seed(seed, sheet)
    draw = RoundedRandom([seed, sheet, LEVELS.index(level)], units)
    for _ in range(_TRIES):
        exercise = _drawn(draw, level, seed, sheet, units)
        if exercise is not None:
            return exercise
    raise KinematicsError(f"exercise: expected one within travel, found none in {_TRIES} draws")


def _drawn(draw: RoundedRandom, level: Level, seed: int, sheet: int, units: UnitName) -> Exercise | None:
    part = PARTS[draw.one(0, len(PARTS) - 1)]
    machine = tilting_mill(draw, gap=level == "lines that miss each other")
    steps = _stack(draw, part, level)
    normals = _normals(draw) if level == "a normal to aim at" else None
    operations = _operations(draw, part, level, machine, normals)
    setup = Setup.from_stack(machine, steps)
    placement = place_operations(setup, operations)
    travel = machine.travel
    assert travel is not None  # every drawn machine has travels
    if placement.unreachable:
        return None
    offsets = np.array([one.offset_mm for one in placement.placed])
    if (offsets < travel.low_mm).any() or (offsets > travel.high_mm).any():
        return None
    title = f"{part.name.capitalize()}, {level}"
    return Exercise(
        level, seed, sheet, units, title, _story(part, steps, machine, level), machine, steps, operations, normals,
        setup, placement.placed,
    )  # fmt: skip


def _stack(draw: RoundedRandom, part: Part, level: Level) -> tuple[StackStep, ...]:
    name, (low, high) = STANDOFFS[draw.one(0, len(STANDOFFS) - 1)]
    off_centre = level in ("lines that miss each other", "a normal to aim at")
    shift = (draw.length(-0.05, 0.05), draw.length(-0.05, 0.05)) if off_centre else (0.0, 0.0)
    if level == "one tilt":
        # Part zero straight above the pivot would leave only one leg of the triangle to think about.
        places = 1 if draw.unit_mm == 1.0 else 2
        shift = (_aside(draw, places), _aside(draw, places))
    return (
        StackStep("sub-plate", draw.nominal(15, 30)),
        StackStep(name, draw.nominal(low, high), shift),
        StackStep(f"{part.name} blank, part zero at top centre", draw.nominal(*part.blank_mm)),
    )


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
    low, high = machine.rotaries[0].limits_deg or (-90.0, 90.0)
    count = 2 if level == "one tilt" else 3
    tilts = [a for a in range(max(int(low), -90), min(int(high), 90) + 1, 5) if abs(a) >= 10]
    chosen = draw.random.permutation(len(tilts))[:count].tolist()
    operations = []
    for name, tilt in zip(features, chosen, strict=False):
        turn = 0.0 if level == "one tilt" else 15.0 * draw.one(1, 23)
        origin = np.zeros(3) if level == "one tilt" else _origin(draw)
        operations.append(Operation(name, program_deg=(float(tilts[tilt]), turn), origin_mm=origin))
    return tuple(operations)


def _origin(draw: RoundedRandom) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """A random origin as a drawing dimensions it: round numbers, near the blank's top."""
    places = 1 if draw.unit_mm == 1.0 else 2
    return np.array(
        [draw.length(-30, 30, places), draw.length(-30, 30, places), draw.length(-25, -2, places)]
    )


def _story(part: Part, steps: tuple[StackStep, ...], machine: Machine, level: Level) -> str:
    tilt, turn = machine.rotaries[0].letter, machine.rotaries[1].letter
    start = (
        f"The training shop makes a {part.name}. The blank stands on a {steps[1].name}, which stands on the "
        f"sub-plate on the platter of the tilting rotary ({tilt} tilts, {turn} turns the platter). "
    )
    return (
        start
        + {
            "one tilt": f"{turn} stays at 0, and the two lines meet. Find the work offset for each tilt.",
            "tilt and rotate": "The two lines meet. Find the work offset for each operation.",
            "lines that miss each other": (
                "The pivots were measured, and the two lines do not quite meet; every hundredth counts. "
                "Find the work offset for each operation."
            ),
            "a normal to aim at": (
                "The drawing gives the direction that each feature faces, outward, in part coordinates. Find the program "
                "angles that bring it to the spindle, and then the work offset."
            ),
        }[level]
    )
