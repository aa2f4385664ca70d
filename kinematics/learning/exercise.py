"""Exercises: a machine, a stack and operations drawn from a seed, with numbers that a shop could meet.

The numbers are drawn in the sheet's own unit and to the decimals that are printed, so that what a student reads is
all there is. One seed makes a class set: every sheet number draws its own numbers from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from kinematics.errors import KinematicsError
from kinematics.learning.draws import DECIMALS, Draw, UnitName, tilting_mill
from kinematics.learning.scenario import PARTS, STANDOFFS, Part
from kinematics.machine import Machine
from kinematics.offset import Setup, set_up
from kinematics.operation import Operation, Placed
from kinematics.placing import place
from kinematics.plane import plane_from_normal
from kinematics.stack import Step

__all__ = ["LEVELS", "Exercise", "Level", "set_exercise"]

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
class Exercise:
    """One sheet's task and what its key needs.

    Attributes
    ----------
    level : str
    seed, sheet : int
    units : "mm" or "inch"
        What the sheet is printed in; the values here are millimetres all the same.
    title, story : str
        What is made, and the situation in a few sentences.
    machine : Machine
    steps : tuple of Step
    operations : tuple of Operation
    normals : tuple of (int, int, int) or None
        As printed, one for each operation, where there is a normal to aim at.
    setup : Setup
    placed : tuple of Placed
        The answers.
    """

    level: Level
    seed: int
    sheet: int
    units: UnitName
    title: str
    story: str
    machine: Machine
    steps: tuple[Step, ...]
    operations: tuple[Operation, ...]
    normals: tuple[tuple[int, int, int], ...] | None
    setup: Setup
    placed: tuple[Placed, ...]


def set_exercise(level: Level, seed: int, sheet: int = 1, units: UnitName = "mm") -> Exercise:
    """The exercise of one sheet.

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
    if seed < 0 or sheet < 1:
        raise KinematicsError(f"seed and sheet: expected from 0 and from 1, found {seed} and {sheet}")
    draw = Draw([seed, sheet, LEVELS.index(level)], units)
    for _ in range(_TRIES):
        exercise = _drawn(draw, level, seed, sheet, units)
        if exercise is not None:
            return exercise
    raise KinematicsError(f"exercise: expected one within travel, found none in {_TRIES} draws")


def _drawn(draw: Draw, level: Level, seed: int, sheet: int, units: UnitName) -> Exercise | None:
    part = PARTS[draw.one(0, len(PARTS) - 1)]
    machine = tilting_mill(draw, gap=level == "lines that miss each other")
    steps = _stack(draw, part, level)
    normals = _normals(draw) if level == "a normal to aim at" else None
    operations = _operations(draw, part, level, machine, normals)
    setup = set_up(machine, steps)
    placement = place(setup, operations)
    travel = machine.travel
    assert travel is not None  # every drawn machine has travels
    if placement.unreached:
        return None
    offsets = np.array([one.offset_mm for one in placement.placed])
    if (offsets < travel.low_mm).any() or (offsets > travel.high_mm).any():
        return None
    title = f"{part.name.capitalize()}, {level}"
    return Exercise(
        level, seed, sheet, units, title, _story(part, steps, machine, level), machine, steps, operations, normals,
        setup, placement.placed,
    )  # fmt: skip


def _stack(draw: Draw, part: Part, level: Level) -> tuple[Step, ...]:
    name, (low, high) = STANDOFFS[draw.one(0, len(STANDOFFS) - 1)]
    off_centre = level in ("lines that miss each other", "a normal to aim at")
    shift = (draw.length(-0.05, 0.05), draw.length(-0.05, 0.05)) if off_centre else (0.0, 0.0)
    return (
        Step("sub-plate", draw.nominal(15, 30)),
        Step(name, draw.nominal(low, high), shift),
        Step(f"{part.name} blank, part zero at top centre", draw.nominal(*part.blank_mm)),
    )


def _normals(draw: Draw) -> tuple[tuple[int, int, int], ...]:
    first, second = draw.random.permutation(len(_NORMALS))[:2].tolist()
    return _NORMALS[first], _NORMALS[second]


def _operations(
    draw: Draw,
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


def _origin(draw: Draw) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """An origin as a drawing dimensions it: round numbers, near the blank's top."""
    places = 1 if draw.unit_mm == 1.0 else 2
    return np.array(
        [draw.length(-30, 30, places), draw.length(-30, 30, places), draw.length(-25, -2, places)]
    )


def _story(part: Part, steps: tuple[Step, ...], machine: Machine, level: Level) -> str:
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
