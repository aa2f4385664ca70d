"""Work offsets against 50-digit arithmetic: 1e-10 mm on machines of metre size, at any angle."""

import fifty_digits
import pytest
from mpmath import mp
from samples import hand_of, random_machine, random_stack

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep, table_frame

WITHIN_MM = 1e-10


@pytest.fixture(autouse=True)
def _digits():
    with mp.workdps(fifty_digits.DIGITS):
        yield


def exact_offset(machine, steps, origin, angles):
    last = machine.rotaries[-1]
    plain = [(s.up_mm, s.shift_mm, s.rotate, s.turn_deg) for s in steps]
    in_table = fifty_digits.part_to_table(plain, origin)
    at_zero = fifty_digits.table_to_machine(last.point_mm, last.direction, machine.platter.face_mm, in_table)
    rotaries = [
        (r.point_mm, r.direction, +1 if r.positive_turn is RotationSense.COUNTERCLOCKWISE else -1, r.zero_deg)
        for r in machine.rotaries
    ]
    return fifty_digits.carried(rotaries, angles, at_zero)


def apart_mm(ours, exact):
    return max(abs(mp.mpf(float(o)) - e) for o, e in zip(ours, exact, strict=True))


@pytest.mark.parametrize("turns", [0.0, 3600.0, -36000.0, 7200.0 * 360.0])
def test_random_machines(rng, turns):
    """Also after many whole turns: the angle is what float64 holds, and is taken at its word."""
    for _ in range(30):
        machine, steps = random_machine(rng), random_stack(rng)
        setup = Setup.from_stack(machine, steps)
        angles = rng.uniform(-360.0, 360.0, (3, len(machine.rotaries))) + turns
        origin = rng.uniform(-500.0, 500.0, 3)
        for ours, pose in zip(setup.work_offset(origin, angles), angles, strict=True):
            assert apart_mm(ours, exact_offset(machine, steps, origin, pose)) < WITHIN_MM


def test_one_origin_or_many_by_either_path(rng):
    """One point at many angles and many points at many angles are computed by different code."""
    for _ in range(40):
        machine, steps = random_machine(rng), random_stack(rng)
        setup = Setup.from_stack(machine, steps)
        angles = rng.uniform(-360.0, 360.0, (4, len(machine.rotaries)))
        origins = rng.uniform(-500.0, 500.0, (4, 3))
        for ours, origin, pose in zip(setup.work_offset(origins, angles), origins, angles, strict=True):
            assert apart_mm(ours, exact_offset(machine, steps, origin, pose)) < WITHIN_MM


def test_metre_long_levers_at_the_angles_that_hurt():
    """Angles whose radians float64 cannot hold: a third of a turn, a thousandth of a degree beside 90."""
    a = RotaryAxis("A", [-1000.0, -1000.0, -1000.0], [1.0, 2e-4, -1e-4], RotationSense.CLOCKWISE, None, 1 / 3)
    c = RotaryAxis(
        "C", [1000.0, 999.0, -1000.0], [1e-4, -3e-4, 1.0], RotationSense.COUNTERCLOCKWISE, None, -0.1
    )
    machine = Machine("long", (a, c), Platter(face_mm=-999.9))
    steps = [StackStep("riser", up_mm=1000.1, shift_mm=(0.1, -0.3), turn_deg=0.7)]
    setup = Setup.from_stack(machine, steps)
    for tilt in (0.0, 90.0, 89.999, -90.001, 120.0, 179.9999, 1e-9, 3600.1, 3690.0, -7201 / 3):
        for turn in (0.0, 45.0, 120.0, 270.0, 359.9999999, 360.0 * 1000 + 0.1):
            exact = exact_offset(machine, steps, [1000.0, -1000.0, 10.0], [tilt, turn])
            assert apart_mm(setup.work_offset([1000.0, -1000.0, 10.0], [tilt, turn]), exact) < WITHIN_MM


def test_multiples_of_ninety_are_exact_to_the_digit():
    a = RotaryAxis("A", [0.0, -203.5, -406.25], [1, 0, 0], RotationSense.CLOCKWISE, None)
    c = RotaryAxis("C", [-381.0, -203.25, -356.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(
        Machine("square", (a, c), Platter(face_mm=-356.0)), [StackStep("post", up_mm=100.5)]
    )
    for tilt in (-180.0, -90.0, 0.0, 90.0, 450.0, -3690.0):
        for turn in (0.0, 90.0, 180.0, 270.0, 36090.0):
            exact = exact_offset(
                setup.machine, [StackStep("post", up_mm=100.5)], [10.5, 0.25, -3.0], [tilt, turn]
            )
            assert setup.work_offset([10.5, 0.25, -3.0], [tilt, turn]).tolist() == [
                float(mp.nint(value * 2**20) / 2**20) for value in exact
            ]


def test_table_frame_with_a_leaning_rotary(rng):
    for _ in range(60):
        machine = random_machine(rng, upright=True)
        last, corner = machine.rotaries[-1], rng.uniform(-500.0, 500.0, 3)
        exact = fifty_digits.table_to_machine(
            last.point_mm, last.direction, machine.platter.face_mm, fifty_digits.vector(corner)
        )
        assert apart_mm(table_frame(machine).apply(corner), exact) < WITHIN_MM


def test_square_up_offset_is_the_exact_clocking_angle(rng):
    for _ in range(40):
        clocking = float(rng.uniform(-179.0, 179.0))
        sense = RotationSense.CLOCKWISE if rng.integers(2) else RotationSense.COUNTERCLOCKWISE
        c = RotaryAxis("C", rng.uniform(-500, 500, 3), [0, 0, 1], sense, None, float(rng.uniform(-90, 90)))
        setup = Setup.from_stack(
            Machine("table", (c,), Platter(face_mm=0.0)), [StackStep("blank", turn_deg=clocking)]
        )
        found = setup.aligned("C").rotary_offset_deg[0]
        # By hand: the table must turn by -clocking, and displays its zero angle when it is not turned.
        expected = (-clocking * hand_of(sense) + c.zero_deg + 180.0) % 360.0 - 180.0
        assert abs(found - expected) < 1e-12
