"""A workshop of random machines and calibrations: our own invention, no data of anybody's."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import PlannedTarget, TargetKind, simulated_readings

AXES = {"A": np.array([1.0, 0.0, 0.0]), "B": np.array([0.0, 1.0, 0.0]), "C": np.array([0.0, 0.0, 1.0])}


def random_machine(rng, letters=None):
    """A mill with a tilting table (A or B under C), as its machine file has it."""
    letters = letters or rng.choice(["AC", "BC"])
    centre = rng.uniform([-500.0, -300.0, -450.0], [-150.0, -80.0, -250.0])
    rotaries = []
    for letter in letters:
        point = centre + rng.normal(size=3) * [2.0, 2.0, 15.0]
        limits = None if letter == "C" else (-110.0, 110.0)
        rotaries.append(RotaryAxis(letter, point, AXES[letter], rng.choice(list(RotationSense)), limits))
    return Machine("random", tuple(rotaries), Platter(face_mm=float(centre[2] + 30.0), diameter_mm=200.0))


def moved_machine(machine, rng, position_mm, direction_deg):
    """The machine with every line shifted and leaned: what truth is to its file."""
    rotaries = []
    for rotary in machine.rotaries:
        shift = position_mm * rng.normal(size=3)
        lean = np.radians(direction_deg) * rng.normal(size=3)
        rotaries.append(replace(rotary, point_mm=rotary.point_mm + shift, direction=rotary.direction + lean))
    return replace(machine, rotaries=tuple(rotaries))


def ball(machine, rng, name):
    """A tooling ball somewhere on the platter, well off C's line."""
    turn, radius = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(40.0, 95.0)
    last = machine.rotaries[-1].point_mm
    height = machine.platter.face_mm + rng.uniform(20.0, 70.0)
    return PlannedTarget(
        name, TargetKind.BALL, [[last[0] + radius * np.cos(turn), last[1] + radius * np.sin(turn), height]]
    )


def balls(machine, rng, count, apart_mm=30.0):
    """Balls no two of which stand closer than `apart_mm`."""
    found = []
    while len(found) < count:
        one = ball(machine, rng, f"ball {len(found) + 1}")
        if all(np.linalg.norm(one.points_mm - other.points_mm) > apart_mm for other in found):
            found.append(one)
    return found


def random_poses(machine, rng, count):
    """Poses that a setter might take: the tilt both ways and at zero, C all round."""
    tilt = rng.choice([-90.0, -60.0, -45.0, -30.0, 0.0, 30.0, 45.0, 60.0, 90.0], size=count)
    tilt[:3] = [0.0, rng.choice([-60.0, -45.0, -30.0]), rng.choice([30.0, 45.0, 60.0])]
    turn = rng.choice(np.arange(0.0, 360.0, 15.0), size=count)
    turn[:4] = rng.permutation([0.0, 90.0, 180.0, 270.0])[: len(turn[:4])]
    return np.stack([tilt, turn], axis=-1) if len(machine.rotaries) == 2 else turn[:, None]


def platter_touches(machine, count=4, radius=60.0):
    """Touches of the platter's face, all round."""
    last, angle = machine.rotaries[-1].point_mm, 2.0 * np.pi * np.arange(count) / count
    points = np.stack([last[0] + radius * np.cos(angle), last[1] + radius * np.sin(angle)], axis=-1)
    points = np.column_stack([points, np.full(count, machine.platter.face_mm)])
    return PlannedTarget("platter", TargetKind.FACE, points, [0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Case:
    """A calibration: the file's machine, the true one, what was read and how well."""

    nominal: Machine
    truth: Machine
    readings: object
    sigma_mm: float


def random_case(seed, *, targets=None, poses=None, extra=()):
    """A calibration such as a shop would do it, from a seed."""
    rng = np.random.default_rng(seed)
    nominal = random_machine(rng)
    truth = moved_machine(nominal, rng, 10.0 ** rng.uniform(-2.5, -0.5), 0.02)
    count = targets or int(rng.integers(1, 4))
    wanted = [*balls(nominal, rng, count), *[make(nominal) for make in extra]]
    sigma = 10.0 ** rng.uniform(-3.0, -2.0)
    at = random_poses(nominal, rng, poses or int(rng.integers(8, 21)))
    return Case(nominal, truth, simulated_readings(truth, wanted, at, sigma, seed + 1), sigma)


@pytest.fixture(scope="session")
def shop():
    return SimpleNamespace(
        random_machine=random_machine,
        moved_machine=moved_machine,
        ball=ball,
        balls=balls,
        random_poses=random_poses,
        platter_touches=platter_touches,
        random_case=random_case,
        Case=Case,
    )
