"""A probing program in RS274/NGC (NISTIR 6556): safe height first, feeds stated, every reading kept in parameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine
from kinematics.pivot import PlannedTarget
from tiltwright.files.faults import InputFaults
from tiltwright.pivots import layout
from tiltwright.pivots.clear import touched
from tiltwright.pivots.obstacles import on_the_platter
from tiltwright.pivots.plan import Plan, Worked
from tiltwright.pivots.plan_words import checked_words
from tiltwright.pivots.probing_faults import beyond, directions_now, missing, pose_words
from tiltwright.pivots.touches import Probe, Touched, Way
from tiltwright.show.gcode import comment
from tiltwright.show.numbers import angle, fixed

__all__ = ["Program", "Trip", "parameter_lines", "probing_program"]

_OFFSET_NUMBER = 9
"""The work offset that the program sets to nothing, so that what it reads is in machine coordinates (G59.3)."""
_UNIT_CODE = {"mm": 21, "inch": 20}


def parameter_lines(worked: Worked) -> str:
    """The numbers that the control's parameter file must hold before the run, with the value 0."""
    numbers = [layout.PLANNED, layout.DONE, layout.UNIT]
    for reading in range(len(worked.readings)):
        numbers += range(layout.first_of(reading), layout.first_of(reading) + 8)
    return "".join(f"{number} 0.000000\n" for number in numbers)


@dataclass(frozen=True)
class Trip:
    """What the display shows when a touch trips, if everything is where it is said to be.

    Attributes
    ----------
    reading, touch : int
        From 1.
    shown_mm : (float, float, float)
        The lowest point of the tip, the probe's length offset in force.
    """

    reading: int
    touch: int
    shown_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Program:
    """A probing program and what the display shows while it runs."""

    text: str
    trips: tuple[Trip, ...]


def probing_program(worked: Worked, path: str) -> Program:
    """The program that takes a plan's readings.

    Parameters
    ----------
    worked : Worked
    path : str
        Of the plan file, for messages.

    Raises
    ------
    InputFaults
        With everything that a program needs and the plan or the machine does not say, and where the probe would run
        out of travel.
    """
    faults = missing(worked, path)
    if faults:
        raise InputFaults(faults)
    plan, machine = worked.plan, worked.machine
    assert machine.travel is not None
    probe = _probe(plan)
    high = plan.units.from_mm(float(machine.travel.high_mm[2]))
    lift = _lift(probe, plan, high)
    directions = directions_now(worked)
    body: list[str] = []
    trips: list[Trip] = []
    faults = []
    last = None
    count = len(worked.readings)
    for i, (p, k) in enumerate(np.argwhere(worked.which).tolist()):
        now = pose_words(machine, worked.readings.angles_deg[i])
        if p != last:
            body += _pose(machine, worked.readings.angles_deg[i], lift[:2], worked.ways.poses[p])
            last = p
        t = int(worked.readings.target[i])
        target, way = plan.targets[t], worked.ways.way.get((p, k), Way())
        point = worked.readings.points_mm[i] / plan.units.mm
        taken = touched(plan, probe, t, point, directions[i], way, tuple(lift), plan.units.mm)
        where = f"reading {i + 1}, {target.name} at {now}"
        faults += beyond(worked, path, where, taken)
        trips += [_trip(plan, i, j, shown) for j, shown in enumerate(taken.trips)]
        body += [
            comment(f"Reading {i + 1} of {count}: {target.kind.value} {target.name}{_how(way)}"),
            *lift[:2],
            f"G0 X{probe.say(taken.start_xy[0])} Y{probe.say(taken.start_xy[1])}",
            lift[2],
            *taken.lines,
            *_kept(i, t + 1, _code(target, machine), taken, machine),
        ]
    if faults:
        raise InputFaults(faults)
    text = "\n".join(["%", *_head(worked, high), *body, *lift[:2], "M2", "%"]) + "\n"
    return Program(text, tuple(trips))


def _trip(plan: Plan, i: int, j: int, shown: tuple[float, float, float]) -> Trip:
    x, y, z = (plan.units.to_mm(v) for v in shown)
    return Trip(i + 1, j + 1, (x, y, z))


def _how(way: Way) -> str:
    return "" if way == Way() else f", touched {way.words}: the stem is beside it"


def _probe(plan: Plan) -> Probe:
    assert plan.probe is not None
    return Probe(
        radius=plan.probe.tip / 2.0,
        clearance=plan.units.from_mm(plan.clearance_mm),
        over=plan.units.from_mm(plan.over_mm),
        feed=plan.probe.feed,
        move=plan.probe.move,
        decimals=4 if plan.units.value == "mm" else 5,
    )


def _lift(probe: Probe, plan: Plan, high: float) -> list[str]:
    """Up to the top of the travel without the probe's length in force, then the length again."""
    assert plan.probe is not None
    return ["G49", f"G53 G0 Z{probe.say(high)}", f"G43 H{plan.probe.offset}"]


def _head(worked: Worked, high: float) -> list[str]:
    plan, machine = worked.plan, worked.machine
    assert plan.probe is not None
    units, count = plan.units.value, len(worked.readings)
    last = layout.first_of(count - 1) + layout.BLOCK - 1
    zeros = " ".join(f"{axis}0" for axis in ("X", "Y", "Z", *machine.letters))
    words = [
        f"Probing program: {plan.name}",
        f"Machine: {machine.name}",
        f"{count} readings in {int(worked.which.any(axis=1).sum())} poses, kept in parameters {layout.FIRST} to {last}",
        "The control's parameter file must hold those numbers before the run; parameters 1 to 6 are used up",
        f"G10 L2 P{_OFFSET_NUMBER} sets work offset {_OFFSET_NUMBER} to 0 and it stays so: note its old values first",
        f"Length offset H{plan.probe.offset} must hold the probe's length to the lowest point of its tip",
        f"Touches at F{plan.probe.feed:g}, moves below the safe height at F{plan.probe.move:g}, {units} per minute",
        f"Safe height: Z {fixed(high, 3)} in machine coordinates, the top of the travel",
        "G38.2 stops where the probe trips; RS274/NGC has no protected move that need not trip",
        "So the way down to every touch is blind: straight down, where what is known stays clear of the probe",
        *checked_words(worked),
        "M1 stops after every turn of the rotaries where optional stop is on: look, then go on",
        "The rotaries turn there: see for yourself that probe and fixture clear each other at every pose",
        "Prove it out above the table first: single block, rapid and feed turned down, hand on the stop",
    ]
    return [
        *map(comment, words),
        "M5",
        f"G{_UNIT_CODE[units]} G17 G90 G94 G40 G49 G80",
        f"G53 G0 Z{fixed(high, 4 if units == 'mm' else 5)}",
        "G92.1",
        f"G10 L2 P{_OFFSET_NUMBER} {zeros}",
        "G59.3",
        f"#{layout.PLANNED}={count}",
        f"#{layout.DONE}=0",
        f"#{layout.UNIT}={_UNIT_CODE[units]}",
    ]


def _pose(machine: Machine, angles_deg: NDArray[np.float64], up: list[str], depth: str) -> list[str]:
    words = " ".join(f"{letter}{angle(a)}" for letter, a in zip(machine.letters, angles_deg, strict=True))
    pose = pose_words(machine, angles_deg)
    deep = [comment(f"{pose}: {depth}")] if depth else []
    return [comment(f"Pose {pose}"), *up, f"G0 {words}", *deep, "M1"]


def _code(target: PlannedTarget, machine: Machine) -> int:
    """What says in the parameters what was touched."""
    return layout.PLATTER_CODE if on_the_platter(target, machine) else layout.KIND_CODE[target.kind.value]


def _kept(i: int, number: int, code: int, touched: Touched, machine: Machine) -> list[str]:
    """The lines that keep a reading; the count last, so that a stopped program shows."""
    first = layout.first_of(i)
    return [
        f"#{first}={code}",
        f"#{first + 1}={number}",
        *(f"#{first + 2 + k}={value}" for k, value in enumerate(touched.kept)),
        *(f"#{first + 5 + 'ABC'.index(c)}=#{5064 + 'ABC'.index(c)}" for c in machine.letters),
        f"#{layout.DONE}={i + 1}",
    ]
