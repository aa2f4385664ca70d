"""What keeps a probing program from being written: what plan and machine do not say, and the ends of the travels."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics import Machine, table_pose
from kinematics.pivot import Kind
from tiltwright.files.faults import Fault
from tiltwright.pivots import layout
from tiltwright.pivots.plan import Plan, Worked
from tiltwright.pivots.touches import Touched
from tiltwright.show.numbers import fixed

__all__ = ["beyond", "directions_now", "missing", "pose_words"]


def pose_words(machine: Machine, angles_deg: ArrayLike) -> str:
    """A pose as a person says it."""
    angles = np.asarray(angles_deg, dtype=np.float64).tolist()
    return " ".join(f"{letter}{a + 0.0:g}" for letter, a in zip(machine.letters, angles, strict=True))


def directions_now(worked: Worked) -> NDArray[np.float64]:
    """Each reading's target direction at its pose, shape (N, 3)."""
    given = np.array([target.direction for target in worked.plan.targets])[worked.readings.target]
    return np.asarray(table_pose(worked.machine, worked.readings.angles_deg).turn(given))


def missing(worked: Worked, path: str) -> list[Fault]:
    """What a program needs and nobody has stated."""
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
        faults += _probe_shape(plan, path)
        least = 0.5 / plan.units.mm
        for key, value in (("clearance", plan.probe.clearance), ("over", plan.probe.over)):
            if value is not None and value < least:
                # Section 3.5.9: a touch shorter than 0.254 mm is an error of the program.
                faults.append(Fault(path, None, f"probe, {key}", f"{value:g}", f"{least:.3g} or more"))
    if len(worked.readings) > layout.MOST_READINGS:
        found = f"{len(worked.readings)} readings"
        faults.append(
            Fault(path, None, "", found, f"at most {layout.MOST_READINGS}: the parameters end there")
        )
    return faults


def _probe_shape(plan: Plan, path: str) -> list[Fault]:
    assert plan.probe is not None
    faults = []
    for key, value, allowed in (
        (
            "stylus_length",
            plan.probe.stylus_length,
            "from the tip's lowest point up to where the probe gets thicker",
        ),
        ("body_diameter", plan.probe.body_diameter, "the thickest that the probe is above its stylus"),
    ):
        if value is None:
            found = "nothing: a program needs to know what else goes down beside a target"
            faults.append(Fault(path, None, f"probe, {key}", found, allowed))
    long = plan.probe.stylus_length
    if long is not None and not plan.probe.tip < long < plan.probe.length:
        found, allowed = (
            f"{long:g}",
            f"more than the tip, {plan.probe.tip:g}, and less than length, {plan.probe.length:g}",
        )
        faults.append(Fault(path, None, "probe, stylus_length", found, allowed))
    return faults


def _diameters(plan: Plan, path: str) -> list[Fault]:
    faults = []
    for t, (target, diameter) in enumerate(zip(plan.targets, plan.diameters_mm, strict=True)):
        if target.kind is Kind.BALL and plan.stem_mm(t) is None:
            found = f"no stem_diameter of {target.name}: a touch must not go down into its stem"
            allowed = "the thickest that the stem is between ball and table"
            faults.append(Fault(path, None, "target, stem_diameter", found, allowed))
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


def beyond(worked: Worked, path: str, where: str, touched: Touched) -> list[Fault]:
    """Where the probe in the spindle would leave the travels."""
    plan, machine = worked.plan, worked.machine
    assert plan.probe is not None
    assert machine.travel is not None
    length = plan.probe.length - plan.units.from_mm(machine.z_reference.tool_length_mm or 0.0)
    lows, highs = machine.travel.low_mm / plan.units.mm, machine.travel.high_mm / plan.units.mm
    low, high = float(lows[2]), float(highs[2])
    faults = []
    for axis in range(2):
        least, most = float(touched.stands[:, axis].min()), float(touched.stands[:, axis].max())
        for value in (least, most):
            if not lows[axis] <= value <= highs[axis]:
                found = f"{'XY'[axis]} {fixed(value, 3)} beside the target, outside the travel"
                allowed = f"{fixed(float(lows[axis]), 3)} to {fixed(float(highs[axis]), 3)}"
                faults.append(Fault(path, None, where, found, allowed))
    if touched.highest + length > high:
        found = f"Z {fixed(touched.highest + length, 3)} with the probe in the spindle, above the travel"
        faults.append(Fault(path, None, where, found, f"at most {fixed(high, 3)}"))
    if touched.lowest + length < low:
        found = f"Z {fixed(touched.lowest + length, 3)} with the probe in the spindle, below the travel"
        faults.append(Fault(path, None, where, found, f"at least {fixed(low, 3)}"))
    return faults
