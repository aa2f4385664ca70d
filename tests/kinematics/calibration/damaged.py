"""Random and damaged sets of readings: nothing but an answer or a `KinematicsError` may come of them.

By hand, many of them::

    python tests/kinematics/calibration/damaged.py 20000

A smaller sample is a test (test_damaged.py).
"""

from __future__ import annotations

import sys
import traceback
import warnings
from collections import Counter
from dataclasses import replace

import numpy as np

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, Travel
from kinematics.calibration import (
    LOSSES,
    PlannedTarget,
    Readings,
    TargetKind,
    check_fit,
    find_blunders,
    find_gross_errors,
    fit_pivots,
    simulated_readings,
)

OTHER = {
    RotationSense.CLOCKWISE: RotationSense.COUNTERCLOCKWISE,
    RotationSense.COUNTERCLOCKWISE: RotationSense.CLOCKWISE,
}
AXES = {"A": [1.0, 0.0, 0.0], "B": [0.0, 1.0, 0.0], "C": [0.0, 0.0, 1.0]}


def mill(rng):
    """A machine of one to three rotaries, the lines anywhere near the table."""
    letters = str(rng.choice(["C", "A", "AC", "BC", "BA", "ABC"]))
    rotaries = tuple(
        RotaryAxis(
            letter,
            rng.uniform([-500.0, -300.0, -450.0], [-150.0, -80.0, -250.0]),
            np.array(AXES[letter]) + 0.01 * rng.normal(size=3),
            rng.choice(list(RotationSense)),
            None,
        )
        for letter in letters
    )
    travel = Travel([-760.0, -410.0, -510.0], [0.0, 0.0, 0.0]) if rng.random() < 0.5 else None
    return Machine("mill", rotaries, Platter(face_mm=-350.0), travel)


def measured(rng, machine):
    """Readings of up to four targets of any kind, at few or many poses."""
    targets = []
    for k in range(rng.integers(1, 5)):
        kind = rng.choice(list(TargetKind))
        start, way = rng.uniform([-450, -280, -350], [-250, -120, -250]), rng.normal(size=3)
        way = way / np.linalg.norm(way) if rng.random() < 0.5 else np.array([0.0, 0.0, 1.0])
        count = 1 if kind is TargetKind.BALL else int(rng.integers(1, 4))
        along = rng.normal(size=(count, 3)) * 30.0
        along = along - np.outer(along @ way, way) if kind is TargetKind.FACE else np.outer(along @ way, way)
        points = start[None] if kind is TargetKind.BALL else start + along
        targets.append(PlannedTarget(f"{kind.value} {k}", kind, points, way))
    angles = rng.choice(
        [0.0, 30.0, 90.0, 180.0, -90.0, -180.0, 17.5], size=(rng.integers(1, 9), len(machine.letters))
    )
    readings = simulated_readings(
        machine, targets, angles, 10.0 ** rng.uniform(-4, 0), int(rng.integers(1 << 30))
    )
    stated = rng.random(len(targets)) < 0.5
    return replace(
        readings,
        directions=tuple(d if keep else None for d, keep in zip(readings.directions, stated, strict=True)),
    )


def damage(rng, readings, machine):  # noqa: C901 - one case for each kind of harm
    """One kind of harm, or none."""
    points, angles, target = (np.array(a) for a in (readings.points_mm, readings.angles_deg, readings.target))
    n = len(points)
    match rng.integers(11):
        case 0:
            flip = rng.random(len(machine.letters)) < 0.6
            machine = replace(
                machine,
                rotaries=tuple(
                    replace(r, positive_turn=OTHER[r.positive_turn]) if turn else r
                    for r, turn in zip(machine.rotaries, flip, strict=True)
                ),
            )
        case 1:
            points[rng.integers(n)] *= 10.0 ** rng.uniform(1, 200)
        case 2:
            points[:] = points[0]
        case 3:
            points = rng.normal(size=points.shape) * 10.0 ** rng.uniform(-300, 12)
        case 4:
            angles[:] = angles[0]
        case 5:
            angles = rng.uniform(-1e6, 1e6, size=angles.shape)
        case 6:
            target = rng.permutation(target)
        case 7:
            points[:, rng.integers(3)] = 0.0
        case 8:
            points = points[rng.permutation(n)]
        case 9:
            points = points * 10.0 ** rng.uniform(-30, 30)
        case _:
            pass
    sigma = None
    if rng.random() < 0.2:
        sigma = 10.0 ** rng.uniform(-9, 3, size=n)
    return replace(readings, points_mm=points, angles_deg=angles, target=target, sigma_mm=sigma), machine


def analyse(rng, readings: Readings, machine: Machine) -> str:
    """Everything that `pivot fit` does; what came of it."""
    outcome = "fitted"
    sigma = None if readings.sigma_mm is not None or rng.random() < 0.5 else 10.0 ** rng.uniform(-4, 1)
    loss = str(rng.choice(LOSSES)) if rng.random() < 0.3 else "linear"
    for step in ("gross", "blunders", "fit"):
        try:
            if step == "gross":
                find_gross_errors(readings, machine)
            elif step == "blunders":
                find_blunders(readings, machine, sigma_mm=sigma)
            else:
                fit = fit_pivots(readings, machine, sigma_mm=sigma, loss=loss)
                check_fit(fit)
                assert np.isfinite(fit.parameters).all()
                if fit.covariance is not None and fit.dof > 0:
                    fit.region(machine.letters[0])
        except KinematicsError:
            outcome = f"refused by {step}"
    return outcome


def run(count: int = 2000, seed: int = 20261129) -> tuple[Counter[str], list[str]]:
    """Outcomes of so many sets, and the tracebacks of what was no `KinematicsError`."""
    outcomes: Counter[str] = Counter()
    faults: list[str] = []
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        try:
            machine = mill(rng)
            readings, machine = damage(rng, measured(rng, machine), machine)
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                outcomes[analyse(rng, readings, machine)] += 1
        except KinematicsError:
            outcomes["refused as readings"] += 1
        except Exception:  # noqa: BLE001 - whatever leaves the library is what is looked for
            outcomes["fault"] += 1
            faults.append(f"set {k}\n{traceback.format_exc()}")
    return outcomes, faults


if __name__ == "__main__":
    found, broken = run(*map(int, sys.argv[1:]))
    print(dict(found))  # noqa: T201 - its result
    for fault, times in Counter("\n".join(text.splitlines()[-3:]) for text in broken).most_common(15):
        print(times, fault)  # noqa: T201
    print(broken[0] if broken else "nothing but KinematicsError left the library")  # noqa: T201
    sys.exit(bool(broken))
