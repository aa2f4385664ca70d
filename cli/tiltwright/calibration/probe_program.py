"""Probing programs in RS274/NGC (NISTIR 6556), and the faults for which none is written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics import Machine, table_pose, work_offset_code
from kinematics.calibration import PlannedTarget, TargetKind
from tiltwright.calibration import parameter_file
from tiltwright.calibration.plan import EvaluatedPlan
from tiltwright.calibration.plan_data import Plan
from tiltwright.calibration.probe_access import probe_cycle
from tiltwright.calibration.probe_cycles import (
    PROGRAM_DECIMALS,
    Approach,
    ProbeCycle,
    lift_lines,
    probe_of,
    safe_height,
)
from tiltwright.calibration.probe_obstacles import is_platter_face
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.probing_tables import ProbeTable
from tiltwright.files.units import Unit
from tiltwright.output.gcode import comment, needs_of
from tiltwright.output.numbers import angle, fixed

__all__ = [
    "UNIT_CODE",
    "Program",
    "Trip",
    "checked_words",
    "length_words",
    "missing_values",
    "parameter_lines",
    "pose_words",
    "probe_faults",
    "probing_program",
    "start_lines",
    "travel_faults",
    "turned_directions",
]


def pose_words(machine: Machine, angles_deg: ArrayLike) -> str:
    """Letters and angles of a pose, as in A-30 C90."""
    angles = np.asarray(angles_deg, dtype=np.float64).tolist()
    return " ".join(f"{letter}{a + 0.0:g}" for letter, a in zip(machine.letters, angles, strict=True))


def turned_directions(evaluated: EvaluatedPlan) -> NDArray[np.float64]:
    """Direction of each reading's target at its pose, shape (N, 3)."""
    given = np.array([target.direction for target in evaluated.plan.targets])[evaluated.readings.target]
    return np.asarray(table_pose(evaluated.machine, evaluated.readings.angles_deg).rotate(given))


def missing_values(evaluated: EvaluatedPlan, path: str) -> list[Diagnostic]:
    """Faults of a plan for a program: values that are missing or too small."""
    plan, machine = evaluated.plan, evaluated.machine
    faults = []
    if plan.probe is None:
        allowed = "[probe] with length, ball_diameter, offset, feed and move"
        faults.append(Diagnostic(path, None, "probe", "nothing: a program needs to know the probe", allowed))
    if machine.travel is None:
        found = "no travels in the machine file: there is no safe height to retract to"
        faults.append(
            Diagnostic(path, None, "", found, "[travel] with the ends of x, y and z in the machine file")
        )
    faults += _diameters(plan, path)
    if plan.probe is not None:
        faults += [
            Diagnostic(path, None, f"probe, {key}", found, allowed)
            for key, found, allowed in probe_faults(plan.probe, plan.units)
        ]
    if len(evaluated.readings) > parameter_file.MOST_READINGS:
        found = f"{len(evaluated.readings)} readings"
        faults.append(
            Diagnostic(
                path, None, "", found, f"at most {parameter_file.MOST_READINGS}: the parameters end there"
            )
        )
    return faults


def probe_faults(probe: ProbeTable, units: Unit) -> list[tuple[str, str, str]]:
    """Faults of a probe for a program, each as its key, what was found and what is allowed."""
    faults = []
    for key, value, allowed in (
        (
            "stylus_length",
            probe.stylus_length,
            "from the tip's lowest point up to where the probe gets thicker",
        ),
        ("body_diameter", probe.body_diameter, "the thickest that the probe is above its stylus"),
    ):
        if value is None:
            found = "nothing: a program needs to know what else goes down beside a target"
            faults.append((key, found, allowed))
    long = probe.stylus_length
    if long is not None and not probe.ball_diameter < long < probe.length:
        allowed = f"more than the ball, {probe.ball_diameter:g}, and less than length, {probe.length:g}"
        faults.append(("stylus_length", f"{long:g}", allowed))
    least = 0.5 / units.mm
    for key, value in (("clearance", probe.clearance), ("over", probe.over)):
        if value is not None and value < least:
            # Section 3.5.9: a touch shorter than 0.254 mm is an error of the program.
            faults.append((key, f"{value:g}", f"{least:.3g} or more"))
    return faults


def _diameters(plan: Plan, path: str) -> list[Diagnostic]:
    faults = []
    for t, (target, diameter) in enumerate(zip(plan.targets, plan.diameters_mm, strict=True)):
        if target.kind is TargetKind.BALL and plan.stem_mm(t) is None:
            found = f"no stem_diameter of {target.name}: a touch must not go down into its stem"
            allowed = "the thickest that the stem is between ball and table"
            faults.append(Diagnostic(path, None, "target, stem_diameter", found, allowed))
        if target.kind is not TargetKind.FACE and diameter is None:
            found = f"no diameter of {target.name}"
            faults.append(
                Diagnostic(
                    path, None, "target, diameter", found, f"the diameter of every {target.kind.value}"
                )
            )
        if plan.probe is not None and diameter is not None and target.kind is TargetKind.BORE:
            tip_mm = plan.units.to_mm(plan.probe.ball_diameter)
            if diameter <= tip_mm:
                found = f"{target.name}, a bore that the probe's tip does not enter"
                faults.append(
                    Diagnostic(path, None, "target, diameter", found, "more than the tip's diameter")
                )
    return faults


def travel_faults(
    machine: Machine, table: ProbeTable, units: Unit, cycle: ProbeCycle
) -> list[tuple[str, str]]:
    """Faults of a probing cycle that would take the spindle out of its travels, as what was found and what is allowed."""
    assert machine.travel is not None
    length = table.length - units.from_mm(machine.z_reference.tool_length_mm or 0.0)
    lows, highs = machine.travel.low_mm / units.mm, machine.travel.high_mm / units.mm
    low, high = float(lows[2]), float(highs[2])
    faults = []
    for axis in range(2):
        least, most = float(cycle.tip_positions[:, axis].min()), float(cycle.tip_positions[:, axis].max())
        for value in (least, most):
            if not lows[axis] <= value <= highs[axis]:
                found = f"{'XY'[axis]} {fixed(value, 3)} beside the target, outside the travel"
                faults.append((found, f"{fixed(float(lows[axis]), 3)} to {fixed(float(highs[axis]), 3)}"))
    if cycle.highest + length > high:
        found = f"Z {fixed(cycle.highest + length, 3)} with the probe in the spindle, above the travel"
        faults.append((found, f"at most {fixed(high, 3)}"))
    if cycle.lowest + length < low:
        found = f"Z {fixed(cycle.lowest + length, 3)} with the probe in the spindle, below the travel"
        faults.append((found, f"at least {fixed(low, 3)}"))
    return faults


_OFFSET_NUMBER = 9
"""Work offset that the program sets to zero, so that it reads machine coordinates (G59.3)."""
UNIT_CODE = {"mm": 21, "inch": 20}


def parameter_lines(evaluated: EvaluatedPlan) -> str:
    """Lines with the parameters that the control's parameter file must contain before the run, each 0."""
    numbers = [parameter_file.PLANNED, parameter_file.DONE, parameter_file.UNIT]
    for reading in range(len(evaluated.readings)):
        numbers += range(parameter_file.first_of(reading), parameter_file.first_of(reading) + 8)
    return "".join(f"{number} 0.000000\n" for number in numbers)


@dataclass(frozen=True)
class Trip:
    """Display values when a touch trips, with everything at its nominal place.

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
    """Probing program, and the display at each trip while it runs."""

    text: str
    trips: tuple[Trip, ...]


def probing_program(evaluated: EvaluatedPlan, path: str) -> Program:
    """Probing program of a plan.

    Parameters
    ----------
    evaluated : EvaluatedPlan
    path : str
        Of the plan file, for messages.

    Raises
    ------
    InputFaults
        With every value that is missing from the plan or the machine file, and every move out of the travels.
    """
    faults = missing_values(evaluated, path)
    if faults:
        raise InputFaults(faults)
    plan, machine = evaluated.plan, evaluated.machine
    assert plan.probe is not None
    assert machine.travel is not None
    probe = probe_of(plan.probe, plan.units)
    high = safe_height(machine, plan.units)
    lift = lift_lines(probe, plan.probe.offset, high)
    directions = turned_directions(evaluated)
    body: list[str] = []
    trips: list[Trip] = []
    faults = []
    last = None
    count = len(evaluated.readings)
    for i, (p, k) in enumerate(np.argwhere(evaluated.accessible).tolist()):
        now = pose_words(machine, evaluated.readings.angles_deg[i])
        if p != last:
            body += _pose(machine, evaluated.readings.angles_deg[i], lift[:2], evaluated.access.descents[p])
            last = p
        t = int(evaluated.readings.target[i])
        target, approach = plan.targets[t], evaluated.access.approaches.get((p, k), Approach())
        point = evaluated.readings.points_mm[i] / plan.units.mm
        cycle = probe_cycle(plan, probe, t, point, directions[i], approach, tuple(lift), plan.units.mm)
        where = f"reading {i + 1}, {target.name} at {now}"
        faults += [
            Diagnostic(path, None, where, found, allowed)
            for found, allowed in travel_faults(machine, plan.probe, plan.units, cycle)
        ]
        trips += [_trip(plan, i, j, shown) for j, shown in enumerate(cycle.trips)]
        body += [
            comment(
                f"Reading {i + 1} of {count}: {target.kind.value} {target.name}{_approach_words(approach)}"
            ),
            *lift[:2],
            f"G0 X{probe.number(cycle.start_xy[0])} Y{probe.number(cycle.start_xy[1])}",
            lift[2],
            *cycle.lines,
            *_store_lines(i, t + 1, _code(target, machine), cycle, machine),
        ]
    if faults:
        raise InputFaults(faults)
    text = "\n".join(["%", *_head(evaluated, high), *body, *lift[:2], "M2", "%"]) + "\n"
    return Program(text, tuple(trips))


def _trip(plan: Plan, i: int, j: int, shown: tuple[float, float, float]) -> Trip:
    x, y, z = (plan.units.to_mm(v) for v in shown)
    return Trip(i + 1, j + 1, (x, y, z))


def _approach_words(approach: Approach) -> str:
    return "" if approach == Approach() else f", touched {approach.words}: the stem is beside it"


def length_words(table: ProbeTable, units: Unit, reference_mm: float | None) -> str:
    """Length that the control's tool length offset must contain, in words."""
    holds = f"H{table.offset} must hold"
    if reference_mm is None:
        return f"{holds} {table.length:g}, its length from the gauge line to the lowest point of its tip"
    longer = table.length - units.from_mm(reference_mm)
    return f"{holds} {round(longer, 6):g}, how much longer than the reference tool it is to the lowest point of its tip"


def start_lines(machine: Machine, units: Unit, high: float, number: int) -> list[str]:
    """First lines of a probing program: exact path, spindle off, units and modes, up, and machine coordinates displayed.

    Parameters
    ----------
    machine : Machine
    units : Unit
    high : float
        Safe height, machine Z.
    number : int
        Work offset that is set to zero and selected.
    """
    zeros = " ".join(f"{axis}0" for axis in ("X", "Y", "Z", *machine.letters))
    return [
        # First of all: a control that rounds corners would leave the path that was checked.
        "G61",
        "M5",
        f"G{UNIT_CODE[units.value]} G17 G90 G94 G40 G49 G80",
        f"G53 G0 Z{fixed(high, PROGRAM_DECIMALS[units])}",
        "G92.1",
        f"G10 L2 P{number} {zeros}",
        work_offset_code(number),
    ]


def _head(evaluated: EvaluatedPlan, high: float) -> list[str]:
    plan, machine = evaluated.plan, evaluated.machine
    assert plan.probe is not None
    units, count = plan.units.value, len(evaluated.readings)
    last = parameter_file.first_of(count - 1) + parameter_file.BLOCK - 1
    words = [
        f"Probing program: {plan.name}",
        f"Machine: {machine.name}",
        *needs_of(_OFFSET_NUMBER, [(1, 6), (parameter_file.FIRST, last), (5061, 5066)]),
        f"{count} readings in {int(evaluated.accessible.any(axis=1).sum())} poses, kept in parameters {parameter_file.FIRST} to {last}",
        "The control's parameter file must hold those numbers before the run; parameters 1 to 6 are used up",
        f"G10 L2 P{_OFFSET_NUMBER} sets work offset {_OFFSET_NUMBER} to 0 and it stays so: note its old values first",
        f"Z: the probe in the spindle, and {length_words(plan.probe, plan.units, machine.z_reference.tool_length_mm)}",
        f"Feeds in {units} per minute: F{plan.probe.feed:g} for touches, F{plan.probe.move:g} below the safe height",
        "Leaves G61 active: exact path",
        f"Safe height: Z {fixed(high, 3)} in machine coordinates, the top of the travel",
        "G38.2 stops where the probe trips; RS274/NGC has no protected move that need not trip",
        "So the way down to every touch is blind: straight down, where what is known stays clear of the probe",
        *checked_words(evaluated),
        "M1 stops after every turn of the rotaries where optional stop is on: look, then go on",
        "The rotaries turn there: see for yourself that probe and fixture clear each other at every pose",
        "Prove it out above the table first: single block, rapid and feed turned down, hand on the stop",
    ]
    return [
        *map(comment, words),
        *start_lines(machine, plan.units, high, _OFFSET_NUMBER),
        f"#{parameter_file.PLANNED}={count}",
        f"#{parameter_file.DONE}=0",
        f"#{parameter_file.UNIT}={UNIT_CODE[units]}",
    ]


def _pose(machine: Machine, angles_deg: NDArray[np.float64], up: list[str], depth: str) -> list[str]:
    words = " ".join(f"{letter}{angle(a)}" for letter, a in zip(machine.letters, angles_deg, strict=True))
    pose = pose_words(machine, angles_deg)
    deep = [comment(f"{pose}: {depth}")] if depth else []
    return [comment(f"Pose {pose}"), *up, f"G0 {words}", *deep, "M1"]


def _code(target: PlannedTarget, machine: Machine) -> int:
    """Code of a target's kind in the parameters."""
    return (
        parameter_file.PLATTER_CODE
        if is_platter_face(target, machine)
        else parameter_file.KIND_CODE[target.kind.value]
    )


def _store_lines(i: int, number: int, code: int, cycle: ProbeCycle, machine: Machine) -> list[str]:
    """Lines that store a reading in the parameters; the count last, so that an interrupted program shows."""
    first = parameter_file.first_of(i)
    return [
        f"#{first}={code}",
        f"#{first + 1}={number}",
        *(f"#{first + 2 + k}={value}" for k, value in enumerate(cycle.stored)),
        *(f"#{first + 5 + 'ABC'.index(c)}=#{5064 + 'ABC'.index(c)}" for c in machine.letters),
        f"#{parameter_file.DONE}={i + 1}",
    ]


def checked_words(evaluated: EvaluatedPlan) -> list[str]:
    """Obstacles that were checked, and those that were not, in sentences."""
    plan, platter = evaluated.plan, evaluated.machine.platter
    if plan.probe is None:
        return []
    whole = plan.probe.stylus_length is not None and plan.probe.body_diameter is not None
    probe = "Stylus and body" if whole else "The stylus (the body's size is not stated)"
    spare = plan.units.from_mm(plan.spare_mm)
    disc = platter.face_mm is not None and platter.diameter_mm is not None
    against = (["the platter's face and edge"] if disc else []) + ["the balls, stems and pins of the plan"]
    unknown = [
        "clamps",
        "fixture",
        "part",
        "trunnion arms",
        "anything below the platter",
        "the spindle's nose",
        "what happens while the rotaries turn",
    ]
    if not disc:
        unknown.insert(0, "the platter (its face and diameter are not in the machine file)")
    if any(t.kind is TargetKind.BALL and plan.stem_mm(i) is None for i, t in enumerate(plan.targets)):
        unknown.insert(0, "stems without a stem_diameter")
    if any(t.kind is TargetKind.PIN for t in plan.targets):
        unknown.append("how far a pin stands up beside the probe that touches it")
    return [
        f"{probe} keep {spare:.3g} {plan.units.value} or more from {' and '.join(against)}",
        f"Not checked: {', '.join(unknown)}",
    ]
