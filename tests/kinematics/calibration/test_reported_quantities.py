"""Reports of a fit and a blunder beside their numbers: kinds, names, units, the rotaries and targets concerned."""

import numpy as np
import pytest

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import (
    PlannedTarget,
    Readings,
    TargetKind,
    find_blunders,
    fit_pivots,
    planned_readings,
    readings_from_rows,
)
from tests.kinematics.calibration import test_blunders as classic

UNITS = {
    "location error": {"X": "mm", "Y": "mm", "Z": "mm", "A": "deg", "B": "deg", "C": "deg"},
    "axis shift": {"X": "mm", "Y": "mm", "Z": "mm", "A": "deg", "B": "deg", "C": "deg"},
}


@pytest.fixture(scope="module")
def fit(shop):
    rng = np.random.default_rng(3)
    nominal = shop.random_machine(rng, "AC")
    targets = [*shop.balls(nominal, rng, 2), shop.platter_touches(nominal)]
    readings = planned_readings(nominal, targets, shop.random_poses(nominal, rng, 10))
    return fit_pivots(readings, nominal, sigma_mm=0.002)


def test_every_number_says_what_it_is_and_in_which_unit(fit):
    letters = fit.machine.letters
    for line, letter in zip(fit.lines, letters, strict=True):
        for kind, estimates in (("location error", line.location_errors), ("axis shift", line.changes)):
            assert len(estimates) == 4
            for one in estimates:
                axis = one.name[2] if kind == "location error" else one.name
                assert (one.kind, one.unit, one.letters) == (kind, UNITS[kind][axis], (letter,))
    (pair,) = fit.pairs
    for one, kind, unit in ((pair.distance, "distance", "mm"), (pair.angle, "angle", "deg")):
        assert (one.kind, one.name, one.unit, one.letters) == (kind, kind, unit, letters)
    assert [(one.name, one.readings) for one in fit.targets] == [
        ("ball 1", 10),
        ("ball 2", 10),
        ("platter", 40),
    ]
    (platter,) = [one for one in fit.targets if one.name == "platter"]
    assert (platter.tilt.kind, platter.tilt.target) == ("tilt", "platter")
    assert (platter.face_height.kind, platter.face_height.unit) == ("face height", "mm")
    for above in platter.heights_above:
        for one in above if isinstance(above, tuple) else (above,):
            if hasattr(one, "unit"):
                assert (one.unit, one.target) == ("mm", "platter")


def test_a_bore_s_axis_comes_out_where_it_is(shop):
    """Read at two heights; the machine file has the bore nowhere: its axis leans and stands off every line."""
    rng = np.random.default_rng(8)
    nominal = shop.random_machine(rng, "AC")
    way = np.array([0.02, -0.03, 1.0]) / np.linalg.norm([0.02, -0.03, 1.0])
    foot = np.add(nominal.rotaries[-1].point_mm, [30.0, -20.0, 15.0])
    bore = PlannedTarget("bore", TargetKind.BORE, [foot, foot + 25.0 * way], way)
    poses = [(a, c) for a in (-20.0, 0.0, 20.0) for c in (0.0, 90.0, 180.0, 270.0)]
    readings = planned_readings(nominal, [bore, *shop.balls(nominal, rng, 1)], poses)
    target = next(one for one in fit_pivots(readings, nominal, sigma_mm=0.002).targets if one.name == "bore")
    assert (target.kind, target.readings) == (TargetKind.BORE, 24)
    assert target.direction == pytest.approx(way, abs=1e-9)
    off = target.point_mm - (foot + 12.5 * way)
    assert off == pytest.approx((off @ way) * way, abs=1e-7)
    assert abs(off @ way) < 12.5
    assert target.tilt is None


def test_a_direction_is_as_uncertain_as_the_tilts_that_move_it(fit):
    """C along Z: its X goes with a turn about Y, its Y with one about X; its Z does not show."""
    line = fit.line("C")
    u = {one.name[2]: one.standard_uncertainty for one in line.location_errors if one.unit == "deg"}
    assert line.u_direction_deg[:2] == pytest.approx([u["B"], u["A"]], rel=1e-4)
    assert np.isnan(line.u_direction_deg[2])
    u = {one.name[2]: one.standard_uncertainty for one in line.location_errors if one.unit == "mm"}
    assert line.u_point_mm[:2] == pytest.approx([u["X"], u["Y"]], rel=1e-4)
    assert np.isnan(line.u_point_mm[2])


def test_a_platter_that_is_square_to_the_last_digit_has_a_tilt_of_nothing(fit):
    """Its tilt has no direction then; any will do, and none may be a division by nothing."""
    (platter,) = [one for one in fit.targets if one.name == "platter"]
    assert platter.tilt.value == pytest.approx(0.0, abs=1e-9)
    assert np.isfinite(platter.tilt.standard_uncertainty)
    assert platter.tilt.verdict == "not shown to be out of square"


def test_a_single_rotary_that_points_down_sees_faces_from_above():
    """The direction of a face that is not stated is taken upward, whichever way the last rotary points."""
    down = RotaryAxis("C", [-300.0, -200.0, -350.0], [0, 0, -1], RotationSense.CLOCKWISE, None)
    mill = Machine("indexer on its back", (down,), Platter(face_mm=-350.0))
    spots = [(-260.0, -200.0, -350.0), (-300.0, -160.0, -350.0), (-340.0, -200.0, -350.0)]
    rows = [(spot, 0.0) for spot in spots] + [(spots[0], 90.0), (spots[1], 180.0)]
    readings = readings_from_rows(
        ["face"] * 5, ["platter"] * 5, [[angle] for _, angle in rows], [spot for spot, _ in rows]
    )
    (face,) = fit_pivots(readings, mill, sigma_mm=0.002).targets
    assert face.direction[2] == pytest.approx(1.0)


@pytest.mark.parametrize("seed", [0, 1])
def test_a_blunder_names_every_target_concerned(shop, seed):
    readings, machine, _, _ = classic.ball_slipped(shop, seed)
    (slipped,) = find_blunders(readings, machine)
    assert slipped.target
    assert slipped.targets == (slipped.target,)
    readings, machine, _, _ = classic.ball_read_at_its_top(shop, seed)
    (high,) = find_blunders(readings, machine)
    balls = [n for n, k in zip(readings.names, readings.kinds, strict=True) if k is TargetKind.BALL]
    assert set(high.targets) == set(balls)
    assert high.target == (balls[0] if len(balls) == 1 else "")
    readings, machine, _, _ = classic.radius_left_on(shop, seed)
    (left_on,) = find_blunders(readings, machine)
    assert left_on.targets == ("platter",)
    assert left_on.target == "platter"


def test_a_target_is_of_the_kind_that_its_row_names():
    words = ["ball", "bore", "pin", "face"]
    rows = readings_from_rows(words, words, [[0.0]] * 4, np.zeros((4, 3)))
    assert rows.kinds == (TargetKind.BALL, TargetKind.BORE, TargetKind.PIN, TargetKind.FACE)
    # Numbers that a reading gives: a centre three, a place on an axis two, a place on a face one.
    assert [kind.equations for kind in rows.kinds] == [3, 2, 2, 1]


def test_lists_become_tuples_and_a_mask_keeps_what_it_says():
    readings = Readings(
        names=["one"], kinds=[TargetKind.BALL], target=[0, 0],
        angles_deg=[[0.0], [90.0]], points_mm=[[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]],
    )  # fmt: skip
    assert (readings.names, readings.kinds) == (("one",), (TargetKind.BALL,))
    assert readings.only([False, True]).points_mm.tolist() == [[1.0, 0.0, 0.0]]
    assert readings.only(np.array([1, 0])).rows.tolist() == [2, 1]
    warm = Readings(
        names=["one"], kinds=[TargetKind.BALL], target=[0, 0], angles_deg=[[0], [90]],
        points_mm=[[0, 0, 0], [1, 0, 0]], sigma_mm=[1, 2], temperature_c=[20, 21],
    )  # fmt: skip
    for array in (warm.temperature_c, warm.sigma_mm, warm.angles_deg, warm.points_mm):
        assert array.dtype == np.float64
        assert not array.flags.writeable
