"""Random machines, stacks and operations, and the answers that follow from a calculation."""

import numpy as np

from kinematics import (
    Machine,
    Operation,
    PlacedOperation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    ZReference,
    place_operations,
    plane_from_normal,
    plane_from_rotations,
)
from kinematics.teaching import Answer

SENSES = list(RotationSense)

STACK = [StackStep("post", 100.0, shift_mm=(0.4, -0.3))]
SETUP = Setup.from_stack(
    Machine(
        "mill",
        (
            RotaryAxis("A", [0, 3, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-110.0, 110.0)),
            RotaryAxis("C", [0.1, -0.2, 0], [0, 0, 1], RotationSense.CLOCKWISE, None),
        ),
        Platter(face_mm=0.0),
    ),
    STACK,
)
"""On it most directions can be brought to the spindle by either tilt; the lines of A and C miss each other."""


def any_machine(random: np.random.Generator) -> Machine:
    """One to three rotaries in any directions, the last one upright enough to carry a platter, or lying flat."""
    count = int(random.integers(1, 4))
    rotaries = []
    for letter in "ABC"[3 - count :]:
        direction = random.normal(size=3)
        point = random.uniform(-500.0, 0.0, 3)
        zero = float(random.choice([0.0, random.uniform(-5.0, 5.0)]))
        rotaries.append(RotaryAxis(letter, point, direction, SENSES[random.integers(2)], None, zero))
    return Machine("any", tuple(rotaries), Platter(face_mm=float(random.uniform(-450.0, -300.0))))


def square_machine(random: np.random.Generator) -> Machine:
    """One to three rotaries along machine axes, either way round."""
    count = int(random.integers(1, 4))
    rotaries = []
    for letter in "ABC"[3 - count :]:
        direction = np.eye(3)[random.integers(3)] * random.choice([-1.0, 1.0])
        point = random.uniform(-500.0, 0.0, 3)
        rotaries.append(RotaryAxis(letter, point, direction, SENSES[random.integers(2)], None))
    return Machine("square", tuple(rotaries), Platter(face_mm=float(random.uniform(-450.0, -300.0))))


def any_stack(random: np.random.Generator) -> list[StackStep]:
    steps = []
    for k in range(int(random.integers(0, 4))):
        axes = random.choice(["x", "y", "z"], int(random.integers(0, 3)))
        rotate = tuple((axis, float(random.uniform(-180.0, 180.0))) for axis in axes.tolist())
        shift = tuple(random.normal(0.0, 20.0, 2).tolist())
        turn = float(random.choice([0.0, random.uniform(-180.0, 180.0)]))
        steps.append(StackStep(f"step {k}", float(random.uniform(-20.0, 150.0)), shift, rotate, turn))
    return steps


def any_operation(random: np.random.Generator, machine: Machine) -> Operation:
    angles = random.uniform(-400.0, 400.0, len(machine.rotaries))
    round_ones = 15.0 * random.integers(-12, 13, len(machine.rotaries))
    chosen = np.where(random.random(len(machine.rotaries)) < 0.5, angles, round_ones)
    origin = random.normal(0.0, 40.0, 3) * random.integers(0, 2)
    return Operation("operation", program_deg=tuple(chosen.tolist()), origin_mm=origin)


def shop_case(random: np.random.Generator) -> tuple[Setup, list[StackStep], tuple[PlacedOperation, ...]]:
    """A tilting rotary on a mill as shops have it: lines that nearly meet, three steps, one to five operations."""
    pivot = random.uniform([-420.0, -230.0, -420.0], [-340.0, -180.0, -380.0])
    aside = random.normal(0.0, 0.3, 2)
    face = float(pivot[2] + random.uniform(20.0, 60.0))
    letter, direction = [("A", [1, 0, 0]), ("B", [0, 1, 0])][random.integers(2)]
    tilt = RotaryAxis(letter, pivot, direction, SENSES[random.integers(2)], (-120.0, 120.0))
    turn = RotaryAxis("C", [*(pivot[:2] + aside), face], [0, 0, 1], SENSES[random.integers(2)], None)
    reference = ZReference(round(float(random.uniform(80.0, 160.0)), 3) if random.random() < 0.3 else None)
    machine = Machine("shop", (tilt, turn), Platter(face_mm=face), None, reference)
    clocked = float(random.choice([0.0, 0.35, random.uniform(-2.0, 2.0)]))
    steps = [
        StackStep("sub-plate", round(float(random.uniform(15.0, 30.0)), 3)),
        StackStep(
            "standoff",
            round(float(random.uniform(60.0, 140.0)), 3),
            tuple(random.normal(0.0, 0.05, 2).round(3).tolist()),
        ),
        StackStep("blank", round(float(random.uniform(30.0, 80.0)), 3), turn_deg=clocked),
    ]
    setup = Setup.from_stack(machine, steps)
    if clocked and random.random() < 0.5:
        setup = setup.aligned("C")
    operations = [_shop_operation(random, k) for k in range(int(random.integers(1, 6)))]
    return setup, steps, place_operations(setup, operations).placed


def _shop_operation(random: np.random.Generator, k: int) -> Operation:
    origin = random.uniform(-30.0, 30.0, 3).round(1)
    kind = random.integers(3)
    if kind == 0:
        tilt = float(random.choice([random.uniform(-90.0, 90.0), 5.0 * random.integers(-18, 19)]))
        turn = float(random.choice([random.uniform(0.0, 360.0), 15.0 * random.integers(0, 24)]))
        return Operation(f"operation {k}", program_deg=(tilt, turn), origin_mm=origin)
    if kind == 1:
        normal = random.normal(size=3)
        normal[2] = abs(normal[2])
        return Operation(f"operation {k}", plane=plane_from_normal(normal), origin_mm=origin)
    tip = [("z", float(random.uniform(-180.0, 180.0))), ("x", float(random.uniform(5.0, 80.0)))]
    return Operation(f"operation {k}", plane=plane_from_rotations(tip), origin_mm=origin)


def answers_of(offset_mm: np.ndarray, decimals: int = 3) -> list[Answer]:
    """Every X, Y, Z of offsets (m, 3), written to so many decimals."""
    return [
        Answer(o, axis, round(float(value), decimals))
        for o, row in enumerate(offset_mm)
        for axis, value in zip("XYZ", row, strict=True)
    ]
