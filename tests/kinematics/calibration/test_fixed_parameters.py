"""Parameters that the readings do not determine: fixed at the machine's values, and reported."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slices import cases

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, transform_points
from kinematics.calibration import (
    PlannedTarget,
    TargetKind,
    fit_pivots,
    readings_from_rows,
    relative_line_parameters,
    simulated_readings,
)
from kinematics.calibration.solve import solve

A = RotaryAxis("A", [-381.0, -203.412, -406.118], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
C = RotaryAxis("C", [-381.025, -203.405, -356.112], [0, 0, 1], RotationSense.CLOCKWISE, None)
MILL = Machine("mill", (A, C), Platter(face_mm=-356.112))


def true_mill(a_shift=(0.0, 0.0, 0.0), c_shift=(0.0, 0.0, 0.0), c_lean=(0.0, 0.0)):
    a = replace(A, point_mm=A.point_mm + np.array(a_shift))
    c = replace(C, point_mm=C.point_mm + np.array(c_shift), direction=[*c_lean, 1.0])
    return Machine("true", (a, c), MILL.platter)


def read(truth, kind, name, spots, poses):
    poses = np.array(poses, dtype=float)
    points = transform_points(truth, np.array(spots, dtype=float), poses)
    return [kind] * len(poses), [name] * len(poses), poses, points


def fixed(fit):
    """Kind, quantity and rotary or target of everything that was fixed."""
    return {(one.kind, one.quantity, one.letter or one.target) for one in fit.fixed}


def test_three_touches_of_the_platter_tell_where_the_tilt_lies():
    truth = true_mill(a_shift=(0.0, 0.031, -0.022))
    poses = [(0, 0), (90, 0), (-90, 0)]
    spots = [(-360.0, -230.0, -356.112), (-381.0, -170.0, -356.112), (-390.0, -236.0, -356.112)]
    readings = readings_from_rows(*read(truth, "face", "platter", spots, poses))
    fit = fit_pivots(readings, MILL, sigma_mm=0.003)
    moved = {estimate.name: estimate for estimate in fit.line("A").changes}
    assert moved["Y"].value == pytest.approx(0.031, abs=1e-9)
    assert moved["Z"].value == pytest.approx(-0.022, abs=1e-9)
    # Derived here: at 0 the face tells z + h, at +-90 it tells +-y + h' = ...; so y = (read+ - read-)/2 and
    # z = read0 - (read+ + read-)/2 up to constants, with variances 1/2 and 3/2 of a reading's.
    assert moved["Y"].standard_uncertainty == pytest.approx(0.003 * np.sqrt(0.5), rel=1e-9)
    assert moved["Z"].standard_uncertainty == pytest.approx(0.003 * np.sqrt(1.5), rel=1e-9)
    assert [moved[name].fixed for name in "YZBC"] == [False, False, True, True]
    assert moved["B"].standard_uncertainty is None
    assert fit.dof == 0
    assert fixed(fit) >= {("rotary not turned", "line", "C"), ("not determined", "direction", "A")}
    assert [one.angle_deg for one in fit.fixed if one.letter == "C"] == [None]
    assert [e.verdict for e in fit.line("C").changes] == ["left as it was"] * 4
    assert fit.line("C").point_mm.tolist() == C.point_mm.tolist()
    assert fit.line("C").direction.tolist() == C.direction.tolist()


@pytest.mark.parametrize("along", [(-381.0, -203.0, -356.112), (-300.0, -203.0, -356.112)])
def test_three_touches_along_one_line_tell_the_same(along):
    """The face's own tilt cannot be had from touches on a line parallel to A: it is not needed."""
    truth = true_mill(a_shift=(0.0, 0.031, -0.022))
    x = along[0]
    spots = [(x, -230.0, -356.112), (x, -170.0, -356.112), (x, -236.0, -356.112)]
    fit = fit_pivots(
        readings_from_rows(*read(truth, "face", "platter", spots, [(0, 0), (90, 0), (-90, 0)])),
        MILL,
        sigma_mm=0.003,
    )
    assert [round(e.value, 9) for e in fit.line("A").changes[:2]] == [0.031, -0.022]


def test_a_position_along_the_line_is_never_told():
    truth = true_mill(c_shift=(0.01, 0.02, 0.0))
    poses = [(a, c) for a in (-40, 0, 40) for c in (0, 90, 180, 270)]
    fit = fit_pivots(
        readings_from_rows(*read(truth, "ball", "ball", (-300.0, -203.0, -310.0), poses)),
        MILL,
        sigma_mm=0.002,
    )
    assert fit.line("A").point_estimable.tolist() == [False, True, True]
    assert fit.line("C").point_estimable.tolist() == [True, True, False]
    assert np.isnan(fit.line("A").u_point_mm).tolist() == [True, False, False]
    assert {e.name for e in fit.line("A").changes} == {"Y", "Z", "B", "C"}
    assert {e.name for e in fit.line("C").location_errors} == {"E_X0C", "E_Y0C", "E_A0C", "E_B0C"}
    assert not fit.fixed
    # However far along its line the old point is moved, the line found is the same.
    slid = replace(MILL, rotaries=(replace(A, point_mm=A.point_mm + np.array([70.0, 0, 0])), C))
    again = fit_pivots(fit.readings, slid, sigma_mm=0.002)
    off = np.cross(again.line("A").point_mm - fit.line("A").point_mm, fit.line("A").direction)
    assert np.abs(off).max() < 1e-9


def test_a_bore_at_one_height_tells_the_position_and_not_the_direction():
    truth = true_mill(c_shift=(0.012, -0.007, 0.0))
    poses = [(0, c) for c in (0, 90, 180, 270)]
    fit = fit_pivots(
        readings_from_rows(*read(truth, "bore", "centre bore", (-380.6, -203.3, -360.0), poses)),
        MILL,
        sigma_mm=0.002,
    )
    x, y, a, b = fit.line("C").changes
    assert (x.value, y.value) == (pytest.approx(0.012, abs=1e-9), pytest.approx(-0.007, abs=1e-9))
    assert x.standard_uncertainty == pytest.approx(0.002 / 2.0, rel=1e-6)
    assert [a.fixed, b.fixed] == [True, True]
    assert fixed(fit) == {
        ("rotary not turned", "line", "A"),
        ("not determined", "direction", "C"),
        ("conditional", "position", "C"),
        ("target direction", "direction", "centre bore"),
    }


def test_a_bore_at_two_heights_tells_the_direction_too():
    truth = true_mill(c_shift=(0.012, -0.007, 0.0), c_lean=(2e-4, -1e-4))
    poses = [(0, c) for c in (0, 90, 180, 270)]
    low, high = (read(truth, "bore", "bore", (-350.0, -203.3, z), poses) for z in (-360.0, -320.0))
    columns = [
        [*one, *other] if isinstance(one, list) else np.concatenate([one, other])
        for one, other in zip(low, high, strict=True)
    ]
    fit = fit_pivots(readings_from_rows(*columns), MILL, sigma_mm=0.002)
    assert np.allclose(fit.parameters[4:], relative_line_parameters(MILL, truth)[4:], atol=1e-9)
    assert not any(e.fixed for e in fit.line("C").changes)


def test_a_platter_turned_about_its_own_line_does_not_pretend_to_know_where_that_is():
    """Scatter tilts the fitted face a little against C, and would seem to tell C's place to metres."""
    truth = true_mill(c_shift=(0.4, -0.3, 0.0))
    angle = np.radians([0, 120, 240])
    spots = [(-381 + 60 * np.cos(t), -203 + 60 * np.sin(t), -356.112) for t in angle]
    columns = [read(truth, "face", "platter", spot, [(0, c) for c in range(0, 360, 45)]) for spot in spots]
    points = np.concatenate([c[3] for c in columns])
    points = points + 0.004 * np.random.default_rng(0).normal(size=points.shape)
    fit = fit_pivots(
        readings_from_rows(
            ["face"] * len(points),
            ["platter"] * len(points),
            np.concatenate([c[2] for c in columns]),
            points,
        ),
        MILL,
    )
    x, y, a, b = fit.line("C").changes
    assert [e.fixed for e in (x, y, a, b)] == [True, True, False, False]
    assert (x.value, y.value) == (0.0, 0.0)
    assert ("not determined", "position", "C") in fixed(fit)


def test_a_rotary_that_stands_tilted_throughout_is_named_with_its_angle():
    poses = [(-30, c) for c in (0, 90, 180, 270)]
    fit = fit_pivots(
        readings_from_rows(*read(true_mill(), "ball", "ball", (-300.0, -203.0, -310.0), poses)),
        MILL,
        sigma_mm=0.002,
    )
    assert ("rotary not turned", "line", "A") in fixed(fit)
    assert [one.angle_deg for one in fit.fixed if one.letter == "A"] == [-30.0]


@pytest.mark.parametrize(("tilt", "way", "shift_mm"), [(90, -1.0, 0.0), (-90, 1.0, 0.02 * 2.0**0.5)])
def test_what_a_face_read_at_two_tilts_leaves_open_is_a_combination(tilt, way, shift_mm):
    """A shift of (0.02, 0.02) shows nothing at A90 and all of it at A-90; the direction is told toward more Y."""
    truth = true_mill(a_shift=(0.0, 0.02, 0.02))
    spots = [(-360.0, -230.0, -356.112), (-400.0, -230.0, -356.112), (-381.0, -170.0, -356.112)] * 2
    poses = [(0, 0)] * 3 + [(tilt, 0)] * 3
    fit = fit_pivots(readings_from_rows(*read(truth, "face", "platter", spots, poses)), MILL, sigma_mm=0.002)
    y, z, *_ = fit.line("A").changes
    assert [y.fixed, z.fixed] == [True, True]
    assert y.value == pytest.approx(way * z.value, abs=1e-9)
    assert [y.verdict, z.verdict] == ["left as it was" if shift_mm == 0.0 else "partly determined"] * 2
    (one,) = [one for one in fit.fixed if one.kind == "one direction only"]
    assert (one.quantity, one.letter) == ("position", "A")
    assert one.axes[0] == pytest.approx((0.0, np.sqrt(0.5), way * np.sqrt(0.5)), abs=1e-9)
    assert one.shift_mm == pytest.approx(shift_mm, abs=1e-9)


def test_too_little_is_refused_with_what_to_do():
    poses = [(0, 0), (0, 0)]
    with pytest.raises(
        KinematicsError, match=r"A and C standing still in all of them; .* with A and C turned"
    ):
        fit_pivots(readings_from_rows(*read(MILL, "ball", "ball", (-300.0, -203.0, -310.0), poses)), MILL)
    with pytest.raises(KinematicsError, match="expected at least one, found none"):
        fit_pivots(readings_from_rows([], [], np.zeros((0, 2)), np.zeros((0, 3))), MILL)
    with pytest.raises(KinematicsError, match="one for each of A, C, found 1"):
        fit_pivots(readings_from_rows(["ball"], ["b"], [[0.0]], [[0.0, 0.0, 0.0]]), MILL)
    with pytest.raises(KinematicsError, match="three touches in one pose"):
        fit_pivots(
            readings_from_rows(
                *read(MILL, "face", "block", [(-350, -200, -300), (-340, -210, -310)], [(0, 0), (0, 90)])
            ),
            MILL,
        )


def test_a_block_side_touched_from_both_sides_tells_its_share():
    """An edge finder at C 0 and 180 halves the way: the side's direction is stated or found."""
    truth = true_mill(c_shift=(0.05, -0.03, 0.0))
    columns = read(truth, "face", "block", [(-350.0, -210.0, -330.0)] * 2, [(0, 0), (0, 180)])
    fit = fit_pivots(
        readings_from_rows(*columns, directions={"block": [1.0, 0.0, 0.0]}), MILL, sigma_mm=0.005
    )
    x, y, *_ = fit.line("C").changes
    assert x.value == pytest.approx(0.05, abs=1e-9)
    assert x.standard_uncertainty == pytest.approx(0.005 / np.sqrt(2.0), rel=1e-9)
    assert y.fixed
    (component,) = [one for one in fit.fixed if one.kind == "component not determined"]
    assert (component.quantity, component.letter, component.axes) == ("position", "C", ((0.0, 1.0, 0.0),))
    assert [one.stated for one in fit.fixed if one.target == "block"] == [True]


@settings(max_examples=cases(25), deadline=None)
@given(st.integers(0, 10**6))
def test_what_is_held_is_exactly_the_machines(seed):
    """Whatever the poses: untold numbers keep the machine's values to the last bit, told ones have an uncertainty."""
    rng = np.random.default_rng(seed)
    truth = true_mill(a_shift=0.1 * rng.normal(size=3), c_shift=0.1 * rng.normal(size=3))
    choice = rng.integers(0, 3)
    poses = np.stack(
        [
            np.full(6, 15.0) if choice == 0 else rng.choice([-60.0, 0.0, 60.0], size=6),
            np.zeros(6) if choice == 1 else rng.choice([0.0, 90.0, 200.0], size=6),
        ],
        axis=-1,
    )
    points = transform_points(truth, [-300.0, -203.0, -310.0], poses) + 0.002 * rng.normal(size=(6, 3))
    readings = readings_from_rows(["ball"] * 6, ["b"] * 6, poses, points)
    try:
        fit = fit_pivots(readings, MILL, sigma_mm=0.002)
    except KinematicsError:
        assert len(np.unique(poses, axis=0)) <= 2
        return
    free = solve(readings, MILL, 0.002).state.free
    share = (free * free).sum(axis=1)
    assert (fit.parameters[share < 1e-12] == 0.0).all()
    for line in fit.lines:
        for estimate in line.changes:
            assert (
                estimate.fixed
                == (estimate.standard_uncertainty is None)
                == (estimate.verdict in ("left as it was", "partly determined"))
            )
    assert bool(fit.fixed) == (free.shape[1] < 8)


@pytest.mark.parametrize("seed", range(6))
def test_a_position_that_rests_on_an_untold_direction_says_by_how_much(seed):
    """C only at 0 and 180: its lean is told in combination only, and where its line passes the ball's height alone.

    Without scatter the position is then off by just what the held lean, wrong by so much, makes of it.
    """
    draw = np.random.default_rng(seed)

    def mill(a=(0.0, 0.0, 0.0, 0.0), c=(0.0, 0.0, 0.0, 0.0)):
        tilt = RotaryAxis(
            "A",
            [-381.0, -203.4 + a[0], -406.1 + a[1]],
            [1, 1e-3 + a[2], a[3] - 2e-3],
            RotationSense.CLOCKWISE,
            None,
        )
        turn = RotaryAxis(
            "C",
            [c[0] - 381.02, c[1] - 203.4, -356.1],
            [5e-4 + c[2], c[3] - 1e-3, 1],
            RotationSense.CLOCKWISE,
            None,
        )
        return Machine("mill", (tilt, turn), Platter(face_mm=-356.0))

    size = np.array([0.05, 0.05, 5e-4, 5e-4])
    truth = mill(draw.normal(size=4) * size, draw.normal(size=4) * size)
    poses = np.array([(a, c) for a in (-90, -60, -30, 0, 20) for c in (0, 180)], dtype=float)
    ball = PlannedTarget("ball", TargetKind.BALL, np.array([[-331.0, -183.4, -310.5]]))
    fit = fit_pivots(simulated_readings(truth, [ball], poses, 0.0, seed), mill(), sigma_mm=0.002)
    line, true = fit.line("C"), truth.rotaries[1]
    away = (line.point_mm[2] - true.point_mm[2]) / true.direction[2]
    off_mm = np.abs(line.point_mm - (true.point_mm + away * true.direction))
    lean_deg = np.degrees(np.linalg.norm(np.cross(line.direction, true.direction)))
    told = {one.name: one for one in line.changes}
    for k, axis in enumerate("XY"):
        assert told[axis].tilt_sensitivity_mm > 1e-3
        assert off_mm[k] == pytest.approx(
            told[axis].tilt_sensitivity_mm * lean_deg / 0.01, rel=0.02, abs=1e-5
        )
        assert off_mm[k] > 3.0 * (
            told[axis].standard_uncertainty or 0.0
        )  # so that u alone would have been a false claim
    assert any(
        one.kind == "conditional" and one.quantity == "position" and one.letter == "C" for one in fit.fixed
    )


def test_a_position_that_rests_on_nothing_untold_says_nothing_of_it():
    tilt = RotaryAxis("A", [-381.0, -203.4, -406.1], [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [-381.0, -203.4, -356.1], [0, 0, 1], RotationSense.CLOCKWISE, None)
    machine = Machine("mill", (tilt, turn), Platter(face_mm=-356.0))
    poses = np.array([(a, c) for a in (-90, -45, 0) for c in (0, 90, 180, 270)], dtype=float)
    ball = PlannedTarget("ball", TargetKind.BALL, np.array([[-331.0, -183.4, -310.5]]))
    fit = fit_pivots(simulated_readings(machine, [ball], poses, 0.002, 1), machine)
    assert all(one.tilt_sensitivity_mm == 0.0 for line in fit.lines for one in line.changes)
    assert not any(one.kind == "conditional" for one in fit.fixed)
