"""A probing program in RS274/NGC (NISTIR 6556): safe height first, feeds stated, every reading kept in parameters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_pose
from kinematics.pivot import Kind
from tiltwright.files.faults import Fault, InputFaults
from tiltwright.pivots import layout
from tiltwright.pivots.plan import Plan, Worked
from tiltwright.pivots.touches import Probe, Touched, ball, bore_or_pin, face
from tiltwright.show.gcode import comment
from tiltwright.show.numbers import angle, fixed

__all__ = ["parameter_lines", "probing_program"]

_UPRIGHT_DEG = 10.0
_OFFSET_NUMBER = 9
"""The work offset that the program sets to nothing, so that what it reads is in machine coordinates (G59.3)."""
_UNIT_CODE = {"mm": 21, "inch": 20}


def parameter_lines(worked: Worked) -> str:
    """The numbers that the control's parameter file must hold before the run, with the value 0."""
    numbers = [layout.PLANNED, layout.DONE, layout.UNIT]
    for reading in range(len(worked.readings)):
        numbers += range(layout.first_of(reading), layout.first_of(reading) + 8)
    return "".join(f"{number} 0.000000\n" for number in numbers)


def probing_program(worked: Worked, path: str) -> str:
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
    faults = _missing(worked, path)
    if faults:
        raise InputFaults(faults)
    plan, machine = worked.plan, worked.machine
    assert machine.travel is not None
    probe = _probe(plan)
    scale = 1.0 / plan.units.mm
    high = float(machine.travel.high_mm[2]) * scale
    lift = _lift(probe, plan, high)
    directions = _directions_now(worked)
    body: list[str] = []
    faults = []
    pose = None
    count = len(worked.readings)
    for i in range(count):
        now = tuple(worked.readings.angles_deg[i].tolist())
        if now != pose:
            body += _pose(machine, now, lift[:2])
            pose = now
        t = int(worked.readings.target[i])
        target = plan.targets[t]
        point = worked.readings.points_mm[i] * scale
        touched = _touched(plan, probe, t, point, directions[i], lift)
        where = f"reading {i + 1}, {target.name} at {_pose_words(machine, now)}"
        faults += _beyond(worked, path, where, touched, scale)
        body += [
            comment(f"Reading {i + 1} of {count}: {target.kind.value} {target.name}"),
            *lift[:2],
            f"G0 X{probe.say(touched.start_xy[0])} Y{probe.say(touched.start_xy[1])}",
            lift[2],
            *touched.lines,
            *_kept(i, t + 1, target.name, target.kind, touched, machine),
        ]
    if faults:
        raise InputFaults(faults)
    return "\n".join(["%", *_head(worked, high), *body, *lift[:2], "M2", "%"]) + "\n"


def _probe(plan: Plan) -> Probe:
    assert plan.probe is not None
    return Probe(
        radius=plan.probe.tip / 2.0,
        clearance=plan.probe.clearance,
        over=plan.probe.over,
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
        f"{count} readings in {len(worked.poses_deg)} poses, kept in parameters {layout.FIRST} to {last}",
        "The control's parameter file must hold those numbers before the run; parameters 1 to 6 are used up",
        f"Work offset {_OFFSET_NUMBER} is set to 0 and stays so: note its old values first",
        f"Length offset H{plan.probe.offset} must hold the probe's length to the lowest point of its tip",
        f"Touches at F{plan.probe.feed:g}, moves below the safe height at F{plan.probe.move:g}, {units} per minute",
        f"Safe height: Z {fixed(high, 3)} in machine coordinates, the top of the travel",
        "The rotaries turn there: see for yourself that probe and fixture clear each other at every pose",
        "Prove it out above the table first: single block, rapid and feed turned down, hand on the stop",
    ]
    return [
        *map(comment, words),
        f"G{_UNIT_CODE[units]} G17 G90 G94 G40 G49 G80",
        f"G53 G0 Z{fixed(high, 4 if units == 'mm' else 5)}",
        "G92.1",
        f"G10 L2 P{_OFFSET_NUMBER} {zeros}",
        "G59.3",
        f"#{layout.PLANNED}={count}",
        f"#{layout.DONE}=0",
        f"#{layout.UNIT}={_UNIT_CODE[units]}",
    ]


def _pose(machine: Machine, angles_deg: tuple[float, ...], up: list[str]) -> list[str]:
    words = " ".join(f"{letter}{angle(a)}" for letter, a in zip(machine.letters, angles_deg, strict=True))
    return [comment(f"Pose {_pose_words(machine, angles_deg)}"), *up, f"G0 {words}"]


def _pose_words(machine: Machine, angles_deg: tuple[float, ...]) -> str:
    return " ".join(f"{letter}{a:g}" for letter, a in zip(machine.letters, angles_deg, strict=True))


def _touched(
    plan: Plan,
    probe: Probe,
    t: int,
    point: NDArray[np.float64],
    direction: NDArray[np.float64],
    lift: list[str],
) -> Touched:
    kind = plan.targets[t].kind
    if kind is Kind.FACE:
        return face(probe, point, direction)
    diameter_mm = plan.diameters_mm[t]
    assert diameter_mm is not None
    radius = diameter_mm / plan.units.mm / 2.0
    return ball(probe, point, radius) if kind is Kind.BALL else bore_or_pin(probe, point, radius, kind, lift)


def _kept(i: int, number: int, name: str, kind: Kind, touched: Touched, machine: Machine) -> list[str]:
    """The lines that keep a reading; the count last, so that a stopped program shows."""
    first = layout.first_of(i)
    platter = kind is Kind.FACE and name == layout.PLATTER
    code = layout.PLATTER_CODE if platter else layout.KIND_CODE[kind.value]
    return [
        f"#{first}={code}",
        f"#{first + 1}={number}",
        *(f"#{first + 2 + k}={value}" for k, value in enumerate(touched.kept)),
        *(f"#{first + 5 + 'ABC'.index(c)}=#{5064 + 'ABC'.index(c)}" for c in machine.letters),
        f"#{layout.DONE}={i + 1}",
    ]


def _directions_now(worked: Worked) -> NDArray[np.float64]:
    """Each reading's target direction at its pose, shape (N, 3)."""
    given = np.array([target.direction for target in worked.plan.targets])[worked.readings.target]
    return np.asarray(table_pose(worked.machine, worked.readings.angles_deg).turn(given))


def _missing(worked: Worked, path: str) -> list[Fault]:
    plan, machine = worked.plan, worked.machine
    faults = []
    if plan.probe is None:
        allowed = "[probe] with length, tip, offset, feed and move"
        faults.append(Fault(path, None, "probe", "nothing: a program needs to know the probe", allowed))
    if machine.travel is None:
        found = "no travels in the machine file: there is no safe height to retract to"
        faults.append(
            Fault(path, None, "", found, "[travel] with the ends of x, y and z in the machine file")
        )
    faults += _diameters(plan, path)
    if plan.probe is not None:
        least = 0.5 / plan.units.mm
        for key, value in (("clearance", plan.probe.clearance), ("over", plan.probe.over)):
            if value < least:
                # Section 3.5.9: a touch shorter than 0.254 mm is an error of the program.
                faults.append(Fault(path, None, f"probe, {key}", f"{value:g}", f"{least:.3g} or more"))
    if len(worked.readings) > layout.MOST_READINGS:
        found = f"{len(worked.readings)} readings"
        faults.append(
            Fault(path, None, "", found, f"at most {layout.MOST_READINGS}: the parameters end there")
        )
    return [*faults, *_slanting(worked, path)]


def _diameters(plan: Plan, path: str) -> list[Fault]:
    faults = []
    for target, diameter in zip(plan.targets, plan.diameters_mm, strict=True):
        if target.kind is not Kind.FACE and diameter is None:
            found = f"no diameter of {target.name}"
            faults.append(
                Fault(path, None, "target, diameter", found, f"the diameter of every {target.kind.value}")
            )
        if plan.probe is not None and diameter is not None and target.kind is Kind.BORE:
            tip_mm = plan.units.to_mm(plan.probe.tip)
            if diameter <= tip_mm:
                found = f"{target.name}, a bore that the probe's tip does not enter"
                faults.append(Fault(path, None, "target, diameter", found, "more than the tip's diameter"))
    return faults


def _slanting(worked: Worked, path: str) -> list[Fault]:
    """Bores and pins that do not stand upright: the probe goes straight down beside them."""
    faults = []
    upright = np.cos(np.radians(_UPRIGHT_DEG))
    directions = _directions_now(worked)
    for i in range(len(worked.readings)):
        target = worked.plan.targets[int(worked.readings.target[i])]
        if target.kind in {Kind.BORE, Kind.PIN} and abs(float(directions[i, 2])) < upright:
            where = _pose_words(worked.machine, tuple(worked.readings.angles_deg[i].tolist()))
            found = f"{target.name} slanting at {where}"
            allowed = f"within {_UPRIGHT_DEG:g} degrees of the spindle for a program"
            faults.append(Fault(path, None, "poses", found, allowed))
    return faults


def _beyond(worked: Worked, path: str, where: str, touched: Touched, scale: float) -> list[Fault]:
    """Where the probe in the spindle would have to go above the top of the travel."""
    plan, machine = worked.plan, worked.machine
    assert plan.probe is not None
    assert machine.travel is not None
    reference = machine.z_reference.tool_length_mm or 0.0
    length = plan.probe.length - reference * scale
    high, low = float(machine.travel.high_mm[2]) * scale, float(machine.travel.low_mm[2]) * scale
    faults = []
    if touched.highest + length > high:
        found = f"Z {fixed(touched.highest + length, 3)} with the probe in the spindle, above the travel"
        faults.append(Fault(path, None, where, found, f"at most {fixed(high, 3)}"))
    if touched.lowest + length < low:
        found = f"Z {fixed(touched.lowest + length, 3)} with the probe in the spindle, below the travel"
        faults.append(Fault(path, None, where, found, f"at least {fixed(low, 3)}"))
    return faults
