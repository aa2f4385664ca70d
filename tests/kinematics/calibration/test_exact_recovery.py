"""Readings without scatter give the machine back, however it stands; the readings' unit matters to nobody."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slices import cases

from kinematics import Machine, Platter, RotaryAxis, RotationSense, transform_points
from kinematics.calibration import fit_pivots, planned_readings, readings_from_rows, relative_line_parameters

EXACT_MM = 1e-8


def off_line_mm(fitted, true, lever_mm=100.0):
    """Distance of two lines where it matters: at the point and a lever along it either way."""
    point = fitted.point_mm + np.outer([0.0, lever_mm, -lever_mm], fitted.direction)
    off = np.cross(point - true.point_mm, true.direction)
    return float(np.linalg.norm(off, axis=-1).max())


@pytest.mark.parametrize("seed", range(25))
def test_balls_give_back_lines_that_are_millimetres_and_degrees_off(shop, seed):
    rng = np.random.default_rng(100 + seed)
    nominal = shop.random_machine(rng)
    truth = shop.moved_machine(nominal, rng, 10.0, 2.0)
    readings = planned_readings(
        truth, shop.balls(nominal, rng, int(rng.integers(1, 4))), shop.random_poses(nominal, rng, 10)
    )
    fit = fit_pivots(readings, nominal)
    assert not fit.fixed
    for line, true in zip(fit.lines, truth.rotaries, strict=True):
        assert off_line_mm(line, true) < EXACT_MM
        # The point given is the one nearest the old one.
        assert abs(float((line.old_point_mm - line.point_mm) @ line.direction)) < EXACT_MM


@pytest.mark.parametrize("far_mm", [50.0, 400.0])
def test_old_positions_may_be_anywhere(shop, far_mm):
    rng = np.random.default_rng(int(far_mm))
    nominal = shop.random_machine(rng)
    truth = shop.moved_machine(nominal, rng, far_mm, 1.0)
    readings = planned_readings(truth, shop.balls(truth, rng, 2), shop.random_poses(nominal, rng, 12))
    fit = fit_pivots(readings, nominal)
    assert max(off_line_mm(*pair) for pair in zip(fit.lines, truth.rotaries, strict=True)) < EXACT_MM


def test_three_rotaries_and_odd_directions(shop):
    rng = np.random.default_rng(3)
    rotaries = (
        RotaryAxis("B", [-300.0, -200.0, -400.0], [0.1, 1.0, 0.3], RotationSense.CLOCKWISE, (-100.0, 100.0)),
        RotaryAxis(
            "A", [-310.0, -190.0, -380.0], [1.0, 0.2, 0.0], RotationSense.COUNTERCLOCKWISE, (-100.0, 100.0)
        ),
        RotaryAxis("C", [-305.0, -195.0, -350.0], [0.0, 0.1, 1.0], RotationSense.CLOCKWISE, None),
    )
    nominal = Machine("three", rotaries, Platter(face_mm=-350.0))
    truth = shop.moved_machine(nominal, rng, 3.0, 1.0)
    poses = rng.uniform(-80.0, 80.0, size=(16, 3))
    readings = planned_readings(truth, shop.balls(nominal, rng, 2), poses)
    fit = fit_pivots(readings, nominal)
    assert max(off_line_mm(*pair) for pair in zip(fit.lines, truth.rotaries, strict=True)) < EXACT_MM


def test_a_cross_bore_and_a_platter_do_it_without_any_ball(shop):
    rng = np.random.default_rng(8)
    nominal = shop.random_machine(rng, "AC")
    truth = shop.moved_machine(nominal, rng, 0.5, 0.1)
    poses = shop.random_poses(nominal, rng, 14)
    last = nominal.rotaries[-1].point_mm
    kinds, names, angles, points = [], [], [], []
    bore = last + np.outer([10.0, 30.0, 60.0], np.array([0.48, 0.36, 0.8]))
    face = np.array(
        [nominal.rotaries[-1].point_mm + np.array([x, y, 0.0]) for x, y in ((60, 0), (-30, 50), (-30, -50))]
    )
    face[:, 2] = nominal.platter.face_mm
    for pose in poses:
        for kind, name, spots in (("bore", "cross bore", bore), ("face", "platter", face)):
            for spot in spots:
                kinds.append(kind)
                names.append(name)
                angles.append(pose)
                points.append(transform_points(truth, spot, pose))
    fit = fit_pivots(readings_from_rows(kinds, names, angles, points), nominal)
    assert not fit.fixed
    assert max(off_line_mm(*pair) for pair in zip(fit.lines, truth.rotaries, strict=True)) < EXACT_MM


@settings(max_examples=cases(20), deadline=None)
@given(st.integers(0, 10**6), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_every_scatter_free_calibration_gives_back_what_made_it(seed, shift, lean):
    a = RotaryAxis("A", [-381.0, -203.0, -406.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    c = RotaryAxis("C", [-381.0, -203.0, -356.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    nominal = Machine("mill", (a, c), Platter(face_mm=-356.0))
    rng = np.random.default_rng(seed)
    true = [
        RotaryAxis(r.letter, r.point_mm + shift, r.direction + 0.01 * lean, r.positive_turn, r.limits_deg)
        for r in nominal.rotaries
    ]
    truth = Machine("true", tuple(true), nominal.platter)
    tilt, turn = np.meshgrid([-50.0, 0.0, 50.0], [0.0, 120.0, 240.0])
    poses = np.stack([tilt.ravel(), turn.ravel()], axis=-1) + rng.uniform(-10.0, 10.0, size=(9, 2))
    points = transform_points(truth, [-301.0, -203.0, -310.0], poses)
    fit = fit_pivots(readings_from_rows(["ball"] * 9, ["ball"] * 9, poses, points), nominal)
    assert np.abs(fit.parameters - relative_line_parameters(nominal, truth))[[0, 1, 4, 5]].max() < EXACT_MM
    assert np.abs(fit.parameters - relative_line_parameters(nominal, truth)).max() < EXACT_MM


def test_the_order_of_readings_changes_nothing(shop):
    case = shop.random_case(77)
    fit = fit_pivots(case.readings, case.nominal)
    order = np.random.default_rng(0).permutation(len(case.readings))
    again = fit_pivots(case.readings.only(order), case.nominal)
    assert np.allclose(again.parameters, fit.parameters, atol=1e-11)
    assert np.allclose(again.residuals.size_mm, fit.residuals.size_mm[order], atol=1e-10)
