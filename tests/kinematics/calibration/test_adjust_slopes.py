"""The analytic slopes against a complex step and against differences in 50 digits."""

import mpmath
import numpy as np
import pytest

from kinematics import transform_points
from kinematics.calibration import readings_from_rows
from kinematics.calibration.adjustment import State, build_problem, initial_state, linearize
from kinematics.calibration.line_parameters import (
    NominalLines,
    derotate,
    derotate_with_jacobian,
    rotation_terms,
)
from kinematics.calibration.observation_equations import target_residuals

STEP = 1e-30


def mixed_problem(shop, seed):
    """A ball, a bore and a face on a random machine, and a state away from the nominal one."""
    rng = np.random.default_rng(seed)
    machine = shop.random_machine(rng)
    poses = shop.random_poses(machine, rng, 9)
    last = machine.rotaries[-1].point_mm
    kinds, names, angles, points = [], [], [], []
    for kind, name, spots in (
        ("ball", "ball 1", [last + np.array([60.0, 10.0, 40.0])]),
        ("bore", "cross bore", last + np.outer([0.0, 20.0, 45.0], [0.6, 0.0, 0.8])),
        ("face", "platter", last + np.array([[50.0, 0.0, 0.0], [-20.0, 45.0, 0.0], [0.0, -50.0, 0.0]])),
    ):
        for pose in poses:
            for spot in spots:
                kinds.append(kind)
                names.append(name)
                angles.append(pose)
                points.append(transform_points(machine, spot, pose) + 0.01 * rng.normal(size=3))
    readings = readings_from_rows(
        kinds, names, angles, points, sigma_mm=rng.uniform(0.001, 0.004, size=len(kinds))
    )
    problem = build_problem(readings, machine)
    state = initial_state(problem)
    told = rng.normal(size=8) * 0.8
    targets = rng.normal(size=(3, 4)) * 0.8 * ~problem.nominal_targets.unused
    return problem, State(told, targets, state.free, state.fixed), rng


@pytest.mark.parametrize("seed", range(6))
def test_slopes_agree_with_a_complex_step(shop, seed):
    problem, state, _ = mixed_problem(shop, seed)
    raw = linearize(problem, state)
    weight = problem.weight[:, None]

    def miss(told, targets):
        where = derotate(problem.lines, (told * problem.scale).reshape(-1, 4), problem.turns, problem.points)
        return (
            target_residuals(problem.nominal_targets, targets, problem.target, where, problem.lever_mm)
            * weight
        )

    # The rows are the miss told in two or three square directions; squared lengths do not depend on which. So the
    # slopes of each reading's squared miss must agree, for every unknown: they are twice row times slope.
    for p in range(8):
        told = state.parameters.astype(complex)
        told[p] += 1j * STEP
        moved = miss(told, state.targets)
        expected = (moved * moved).sum(axis=-1).imag / STEP
        found = 2.0 * (raw.residual * raw.columns[:, :, p]).sum(axis=-1)
        scale = np.abs(raw.residual).max() * np.abs(raw.columns).max()
        assert np.abs(found - expected).max() < 1e-12 * scale
    for p in range(4):
        targets = state.targets.astype(complex)
        targets[:, p] += 1j * STEP * ~problem.nominal_targets.unused[:, p]
        moved = miss(state.parameters, targets)
        expected = (moved * moved).sum(axis=-1).imag / STEP
        found = 2.0 * (raw.residual * raw.by_target[:, :, p]).sum(axis=-1)
        scale = np.abs(raw.residual).max() * np.abs(raw.by_target).max()
        assert np.abs(found - expected).max() < 1e-12 * scale


def test_rows_are_as_long_as_the_miss(shop):
    problem, state, _ = mixed_problem(shop, 11)
    raw = linearize(problem, state)
    where = derotate(
        problem.lines, (state.parameters * problem.scale).reshape(-1, 4), problem.turns, problem.points
    )
    off = target_residuals(problem.nominal_targets, state.targets, problem.target, where, problem.lever_mm)
    assert np.allclose(raw.squares, (off * off).sum(axis=-1) * problem.weight**2, rtol=1e-10)


def turned_back_50_digits(point, at, direction, lean, square, degrees):
    """One turn undone, in 50 digits, written out from Rodrigues' formula."""
    tipped = [direction[k] + sum(lean[m] * square[m][k] for m in range(2)) for k in range(3)]
    length = mpmath.sqrt(sum(t * t for t in tipped))
    d = [t / length for t in tipped]
    v = [point[k] - at[k] for k in range(3)]
    angle = -mpmath.radians(degrees)
    cosine, sine = mpmath.cos(angle), mpmath.sin(angle)
    along = sum(d[k] * v[k] for k in range(3))
    cross = [d[(k + 1) % 3] * v[(k + 2) % 3] - d[(k + 2) % 3] * v[(k + 1) % 3] for k in range(3)]
    return [at[k] + cosine * v[k] + sine * cross[k] + (1 - cosine) * along * d[k] for k in range(3)]


def test_pulled_back_slopes_agree_with_50_digit_differences(shop):
    rng = np.random.default_rng(5)
    machine = shop.random_machine(rng)
    lines = NominalLines(
        np.stack([r.point_mm for r in machine.rotaries]),
        *[
            np.stack(values)
            for values in zip(
                *[
                    (r.direction, np.eye(3)[[k for k in range(3) if abs(r.direction[k]) < 0.5]])
                    for r in machine.rotaries
                ],
                strict=True,
            )
        ],
    )
    told = np.concatenate([rng.normal(size=(2, 2)), 0.01 * rng.normal(size=(2, 2))], axis=1)
    angles = np.array([[-37.0, 215.0]])
    point = machine.rotaries[-1].point_mm + np.array([70.0, -20.0, 55.0])
    where, slopes = derotate_with_jacobian(lines, told, rotation_terms(machine, angles), point[None])

    with mpmath.workdps(50):

        def pulled(numbers):
            spot = [mpmath.mpf(float(p)) for p in point]
            for i, rotary in enumerate(machine.rotaries):
                square = [[mpmath.mpf(float(c)) for c in row] for row in lines.basis[i]]
                base = [mpmath.mpf(float(p)) for p in rotary.point_mm]
                at = [base[k] + sum(numbers[i][m] * square[m][k] for m in range(2)) for k in range(3)]
                direction = [mpmath.mpf(float(c)) for c in rotary.direction]
                degrees = rotary.positive_turn.sign * mpmath.mpf(float(angles[0, i]))
                spot = turned_back_50_digits(spot, at, direction, numbers[i][2:], square, degrees)
            return spot

        exact = [[mpmath.mpf(float(v)) for v in row] for row in told]
        assert max(abs(float(a) - b) for a, b in zip(pulled(exact), where[0], strict=True)) < 1e-11
        step = mpmath.mpf(10) ** -20
        for i in range(2):
            for m in range(4):
                up = [list(row) for row in exact]
                down = [list(row) for row in exact]
                up[i][m] += step
                down[i][m] -= step
                for k, (a, b) in enumerate(zip(pulled(up), pulled(down), strict=True)):
                    slope = float((a - b) / (2 * step))
                    assert abs(slope - slopes[0, k, 4 * i + m]) < 1e-11 * max(1.0, abs(slope))
