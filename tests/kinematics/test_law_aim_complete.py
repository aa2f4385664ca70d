"""Aim against searching: no feasible solution is missed, and the misalignment stated is the least there is."""

import numpy as np
import pytest
from samples import SENSES, assert_close, hand_of, random_direction
from scipy.optimize import least_squares, minimize
from scipy.spatial.transform import Rotation
from slices import cases

from kinematics import Machine, Platter, RotaryAxis, aim, equivalent_angles_deg, wrap_deg
from kinematics.angles import SNAP_DEG

GRID_DEG = 5.0


def machine_with(rng, directions, limits):
    return Machine(
        "searched",
        tuple(
            RotaryAxis(
                letter, [0, 0, 0], direction, SENSES[rng.integers(2)], limit, float(rng.uniform(-30, 30))
            )
            for letter, direction, limit in zip("ABC", directions, limits, strict=False)
        ),
        Platter(face_mm=0.0),
    )


def forward(machine, wanted, angles_deg):
    """The direction after the turns, by scipy alone."""
    reached = np.tile(wanted, (np.size(angles_deg) // len(machine.rotaries), 1))
    flat = np.reshape(angles_deg, (-1, len(machine.rotaries)))
    for i, rotary in reversed(list(enumerate(machine.rotaries))):
        turn = hand_of(rotary.positive_turn) * (flat[:, i] - rotary.zero_deg)
        reached = Rotation.from_rotvec(np.array(rotary.direction) * turn[:, None], degrees=True).apply(
            reached
        )
    return reached


def off_deg(machine, wanted, angles_deg):
    x, y, z = forward(machine, wanted, angles_deg).T
    return np.degrees(np.arctan2(np.hypot(x, y), z))


def searched(machine, wanted, spans):
    """Poses found on a dense grid over the spans and refined; each once."""
    axes = [np.linspace(low, high, int((high - low) / GRID_DEG) + 2) for low, high in spans]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    off = off_deg(machine, wanted, grid).reshape(grid.shape[:-1])
    # Within a cell of a solution no angle is off by more than both steps together.
    near = grid[off < 1.5 * GRID_DEG].reshape(-1, len(machine.rotaries))
    poses = []
    for start in near[np.argsort(off[off < 1.5 * GRID_DEG])]:
        if any(np.abs(start - pose).max() < GRID_DEG for pose in poses):
            continue
        refined = least_squares(
            lambda q: forward(machine, wanted, q[None])[0] - [0.0, 0.0, 1.0],
            start,
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
        )
        if np.linalg.norm(refined.fun) < 1e-8 and not any(np.abs(refined.x - p).max() < 1e-3 for p in poses):
            poses.append(refined.x)
    low, high = np.array(spans).T
    return [pose for pose in poses if (pose >= low - 1e-6).all() and (pose <= high + 1e-6).all()]


@pytest.mark.parametrize("seed", range(6))
def test_no_fitting_solution_is_missed(seed):
    rng = np.random.default_rng(seed)
    spans = [(-float(rng.uniform(60, 250)), float(rng.uniform(60, 250))) for _ in range(2)]
    machine = machine_with(rng, [random_direction(rng), random_direction(rng)], spans)
    # A direction that can be reached: the spindle's, turned back from a pose within the limits.
    pose = np.array([rng.uniform(low, high) for low, high in spans])
    back = Rotation.identity()
    for rotary, angle in zip(machine.rotaries, pose, strict=True):
        turn = hand_of(rotary.positive_turn) * (angle - rotary.zero_deg)
        back = back * Rotation.from_rotvec(np.array(rotary.direction) * turn, degrees=True)
    wanted = back.inv().apply([0.0, 0.0, 1.0])
    found = np.array([s.machine_deg for s in aim(machine, wanted, [0.0, 0.0]).solutions if s.feasible])
    expected = [*searched(machine, wanted, spans), pose]
    for one in expected:
        assert np.abs(found - one).max(axis=-1).min() < 1e-4, (one, found)
    for one in found:
        assert min(np.abs(one - other).max() for other in expected) < 1e-4, (one, expected)


@pytest.mark.parametrize("seed", range(6))
def test_no_wrap_of_a_single_rotary_is_missed(seed):
    rng = np.random.default_rng(seed)
    span = (-float(rng.uniform(100, 800)), float(rng.uniform(100, 800)))
    machine = machine_with(rng, [random_direction(rng)], [span])
    rotary, angle = machine.rotaries[0], float(rng.uniform(*span))
    turn = hand_of(rotary.positive_turn) * (angle - rotary.zero_deg)
    wanted = Rotation.from_rotvec(np.array(rotary.direction) * turn, degrees=True).inv().apply([0, 0, 1])
    found = [s.machine_deg[0] for s in aim(machine, wanted, [0.0]).solutions if s.feasible]
    expected = [angle + 360.0 * k for k in range(-6, 7) if span[0] <= angle + 360.0 * k <= span[1]]
    assert_close(sorted(found), expected, within=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_what_cannot_be_reached_is_as_short_as_the_minimum(seed):
    """The least angle to the spindle over all poses, from a grid and a minimiser that know no triangle."""
    rng = np.random.default_rng(seed)
    count = 1 if seed % 5 == 0 else 2
    while True:
        machine = machine_with(rng, [random_direction(rng) for _ in range(count)], [None] * count)
        wanted = random_direction(rng)
        found = aim(machine, wanted, np.zeros(count))
        if found.solutions[0].misalignment_deg > 0.5:
            break
    axes = [np.arange(-180.0, 180.0, 6.0)] * count
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, count)
    start = grid[np.argmin(off_deg(machine, wanted, grid))]
    best = minimize(
        lambda q: off_deg(machine, wanted, q[None])[0],
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 2000},
    )
    assert found.solutions[0].misalignment_deg == pytest.approx(best.fun, abs=1e-8)
    # ... and the pose that is named as the nearest leaves it just that far off.
    named = off_deg(machine, wanted, np.array([found.solutions[0].machine_deg]))[0]
    assert named == pytest.approx(found.solutions[0].misalignment_deg, abs=1e-9)


def test_every_wrap_is_complete_and_in_order(rng):
    for _ in range(cases(300)):
        low = float(rng.uniform(-1000.0, 500.0))
        high = low + float(rng.uniform(0.0, 1500.0))
        angle = float(rng.uniform(-2000.0, 2000.0))
        expected = [angle + 360.0 * k for k in range(-12, 13) if low <= angle + 360.0 * k <= high]
        assert_close(equivalent_angles_deg(angle, low, high), expected, within=1e-9)


def test_wraps_on_the_limits_belong_to_them():
    assert equivalent_angles_deg(180.0, -180.0, 180.0).tolist() == [-180.0, 180.0]
    assert equivalent_angles_deg(-180.0000000001, -180.0, 170.0).tolist() == [-180.0]
    assert equivalent_angles_deg(30.00001, -120.0, 30.0).tolist() == []
    assert equivalent_angles_deg(90.0, 90.0, 90.0).tolist() == [90.0]
    assert equivalent_angles_deg(7.0, -720.0, 720.0).tolist() == [-713.0, -353.0, 7.0, 367.0]


def test_wrapping_is_numpys_remainder_to_the_last_bit(rng):
    for spread in (1.0, 359.0, 700.0, 1e5):
        angles = np.concatenate([rng.uniform(-spread, spread, 4000), [0.0, -0.0, -1e-300, 359.9999999999999]])
        expected = np.mod(angles, 360.0)
        expected[(360.0 - expected < SNAP_DEG) | (expected < SNAP_DEG)] = 0.0
        np.testing.assert_array_equal(wrap_deg(angles), expected)
        assert not np.signbit(wrap_deg(angles)).any()
