"""Coverage over whole simulated setups, each calibrated anew from readings with scatter; by hand, not in the suite.

    python tests/kinematics/uncertainty/coverage.py 2000

Every setup has a true machine, a true stack and a true probe. It is probed and fitted, the budget is made from the fit
(its scatter estimated from the residuals, so that Student's t counts), and the intervals of offsets, features and a seam
at A0, A-30 and A-90 are held against the truth.
"""

import sys
from dataclasses import replace

import numpy as np

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep
from kinematics.calibration import (
    PlannedTarget,
    TargetKind,
    candidate_poses,
    fit_pivots,
    optimal_poses,
    planned_readings,
)
from kinematics.forward import table_pose
from kinematics.uncertainty import (
    Feature,
    ModelOperation,
    Seam,
    SetupModel,
    Spread,
    StackNode,
    UncertaintySource,
    offset_budget,
    part_budget,
    part_model,
)

ANGLES = ([0.0, 0.0], [-30.0, 40.0], [-90.0, 200.0])
ORIGINS = ([0.0, 0.0, 0.0], [4.0, -18.0, -9.0], [-7.0, 20.0, -25.0])
FEATURES = [
    Feature("face", 0, [0, 0, 0], [0, 0, 1], 0.1),
    Feature("depth", 1, [2, 1, -8], [0, 0, 1], 0.1, datum="face"),
    Feature("side", 2, [5, 0, -3], [0.6, 0.8, 0.0], 0.1, datum="face"),
]
SEAM = Seam((0, 1), [3, -5, -2], [0, 0.6, 0.8])
UP_MM, SHIFT_MM, TURN_DEG, PROBE_MM, ANGLE_DEG = 0.006, 0.005, 0.006, 0.003, 0.0015


def mill(rotaries=None):
    lines = rotaries or (
        RotaryAxis("A", [-381.0, -203.412, -406.118], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0)),
        RotaryAxis("C", [-381.025, -203.405, -356.112], [0, 0, 1], RotationSense.CLOCKWISE, None),
    )
    return Machine("mill", lines, Platter(face_mm=-356.112))


def moved(rotary, rng):
    tilt = rng.normal(size=3) * 2e-4
    return replace(
        rotary,
        point_mm=rotary.point_mm + rng.normal(size=3) * 0.03,
        direction=rotary.direction + tilt - (tilt @ rotary.direction) * rotary.direction,
    )


def one_setup(rng, poses, targets):
    """Mask of the intervals that hold the truth: three offsets by three axes, three features, a seam."""
    nominal = mill()
    true = mill(tuple(moved(rotary, rng) for rotary in nominal.rotaries))
    read = planned_readings(true, targets, poses)
    read = replace(read, points_mm=read.points_mm + rng.normal(size=read.points_mm.shape) * PROBE_MM)
    fit = fit_pivots(read, nominal)
    machine = fit.fitted_machine
    steps = (StackStep("plate", up_mm=20.0), StackStep("post", up_mm=155.0, turn_deg=20.0))
    stack = tuple(StackNode(step.name, step) for step in steps)
    operations = tuple(ModelOperation(f"A{q[0]:g}", q, o) for q, o in zip(ANGLES, ORIGINS, strict=True))
    model = SetupModel(machine, {None: stack}, operations)
    lines = [q for r in "AC" for kind in ("line shift", "line tilt") for q in model.of_kind(kind, r)]
    scale = np.tile([1.0, 1.0, *np.degrees([1.0, 1.0])], 2)
    covariance = fit.covariance * np.outer(scale, scale)
    sources = [
        UncertaintySource("calibration", "", tuple(lines), 0.5 * (covariance + covariance.T), dof=fit.dof)
    ]
    for step in steps:
        sources.append(UncertaintySource.of(model.of_kind("step up", step.name), Spread(UP_MM)))
        sources.append(UncertaintySource.of(model.of_kind("step shift", step.name), Spread(SHIFT_MM)))
    sources.append(UncertaintySource.of(model.of_kind("step turn", "post"), Spread(TURN_DEG)))
    sources += [UncertaintySource.of(model.of_kind("rotary angle", r), Spread(ANGLE_DEG)) for r in "AC"]
    built = [
        StackStep(
            step.name,
            up_mm=step.up_mm + rng.normal() * UP_MM,
            shift_mm=tuple(rng.normal(size=2) * SHIFT_MM),
            turn_deg=step.turn_deg + (rng.normal() * TURN_DEG if step.name == "post" else 0.0),
        )
        for step in steps
    ]
    off = rng.normal(size=(3, 2)) * ANGLE_DEG
    setup = Setup.from_stack(true, built)
    stands = [
        table_pose(true, np.array(q) + e) @ setup.part_in_machine for q, e in zip(ANGLES, off, strict=True)
    ]
    offsets = offset_budget(model, sources)
    error = np.array([pose.apply(o) for pose, o in zip(stands, ORIGINS, strict=True)]) - model.offsets_mm
    found = (np.abs(error) <= offsets.expanded_mm).ravel().tolist()
    part = part_model(model, FEATURES, [SEAM])
    budget = part_budget(part, sources)
    where = np.array(
        [
            stands[point.operation].inverse().apply(sent) - point.at_mm
            for point, sent in zip(part.model.points, part.model.commanded_mm, strict=True)
        ]
    )
    for k, one in enumerate((*budget.features, *budget.seams)):
        row = part.first[k]
        value = where[part.point[row]] @ part.direction[row]
        if part.datum_point[row] >= 0:
            value -= where[part.datum_point[row]] @ part.direction[row]
        found.append(bool(abs(value) <= one.expanded_mm))
    return found


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng = np.random.default_rng(31)
    targets = [
        PlannedTarget("ball 1", TargetKind.BALL, [[-331.0, -203.4, -310.5]]),
        PlannedTarget("ball 2", TargetKind.BALL, [[-411.0, -243.4, -290.5]]),
    ]
    poses = optimal_poses(mill(), targets, candidate_poses(mill(), 30.0), 9, PROBE_MM)
    held = np.mean([one_setup(rng, poses, targets) for _ in range(count)], axis=0)
    names = (
        [f"{axis} at A{q[0]:g}" for q in ANGLES for axis in "XYZ"] + [one.name for one in FEATURES] + ["seam"]
    )
    lines = [f"{name:12} {100.0 * share:.1f} %" for name, share in zip(names, held, strict=True)]
    sys.stdout.write(f"{count} setups\n" + "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
