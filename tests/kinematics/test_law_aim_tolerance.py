"""A direction that may miss by a little: it never misses by more, exact ways stay, and nothing is turned for nothing."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from samples import SENSES, directions

from kinematics import (
    IndexDirection,
    IndexRule,
    Machine,
    Operation,
    PlacedOperation,
    Platter,
    RotaryAxis,
    Setup,
    aim,
    place_operations,
    plane_from_normal,
    plane_from_rotations,
    table_pose,
)


def mill(tilt_limits=(-120.0, 90.0), turn_limits=None, lean=0.0):
    tilt = RotaryAxis("A", [0, 0, 0], [1.0, lean, -lean], SENSES[0], tilt_limits)
    turn = RotaryAxis("C", [0, 0, 0], [lean, 2.0 * lean, 1.0], SENSES[0], turn_limits)
    return Machine("mill", (tilt, turn), Platter(face_mm=0.0))


def miss_deg(machine, direction, angles):
    reached = table_pose(machine, angles).rotate(np.asarray(direction) / np.linalg.norm(direction))
    return np.degrees(np.arctan2(np.hypot(reached[0], reached[1]), reached[2]))


@given(
    directions(),
    st.floats(0.0, 0.002),
    st.floats(-200.0, 200.0),
    st.floats(0.001, 0.05),
    st.sampled_from([(-120.0, 90.0), (-30.0, 60.0), (20.0, 45.0)]),
)
def test_what_is_taken_misses_by_no_more_than_is_said_and_let(direction, lean, start, within, limits):
    machine = mill(limits, lean=lean)
    found = aim(machine, direction, [limits[0], start], tolerance_deg=within)
    exact = aim(machine, direction, [limits[0], start])
    for way in found.solutions:
        if way.feasible and way.misalignment_deg <= within:
            assert machine.rotaries[0].within(way.machine_deg[0])
            assert miss_deg(machine, direction, way.machine_deg) == pytest.approx(
                way.misalignment_deg, abs=1e-9
            )
    if exact.best is not None and exact.best.misalignment_deg == 0.0:
        assert found.best is not None
        assert found.best.motion_deg <= exact.best.motion_deg + 1e-9
    if found.best is not None:
        assert found.reaches(found.best.misalignment_deg)


@given(st.floats(0.0, 360.0), st.floats(-0.02, 0.02), st.sampled_from([-120.0, 90.0]))
def test_a_limit_that_is_a_hair_too_near_is_stood_at(azimuth, beyond, limit):
    """A side face wants the tilt `beyond` its limit: taken within the tolerance, else refused with the amount."""
    machine = mill()
    sign = machine.rotaries[0].positive_turn.sign
    tilt = np.radians(sign * (limit + np.sign(limit) * beyond))
    # What a tilt of that size about +X brings to the spindle, turned round by C.
    level = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    c, s = np.cos(np.radians(azimuth)), np.sin(np.radians(azimuth))
    direction = np.array([-s * level[1], c * level[1], level[2]])
    asked = "negative" if limit < 0.0 else "positive"
    found = aim(machine, direction, [0.0, 0.0], tolerance_deg=0.01, tilt=asked)
    if beyond <= 0.0099:
        assert found.best is not None
        assert found.best.machine_deg[0] == pytest.approx(limit + np.sign(limit) * min(beyond, 0.0), abs=1e-6)
        assert found.best.misalignment_deg == pytest.approx(max(beyond, 0.0), abs=1e-6)
    elif beyond >= 0.0101:
        assert found.best is None
        assert any(why.kind == "limit" for way in found.solutions for why in way.violations)


@given(st.floats(0.0, 360.0), st.floats(1e-5, 0.02), st.floats(-170.0, 170.0))
def test_a_turn_that_hardly_matters_is_not_made(azimuth, off, start):
    machine = mill()
    a, tip = np.radians(azimuth), np.radians(off)
    direction = [np.sin(tip) * np.cos(a), np.sin(tip) * np.sin(a), np.cos(tip)]
    found = aim(machine, direction, [0.0, start], tolerance_deg=0.01)
    assert found.best is not None
    if off < 0.0099:
        assert found.singular_axes == ("C",)
        assert found.best.move_deg[1] == pytest.approx(0.0, abs=1e-9)
        assert found.best.misalignment_deg <= off + 1e-9
    elif off > 0.0101:
        assert found.singular_axes == ()
        assert found.best.misalignment_deg == 0.0
    # Without leave to miss it is made.
    assert aim(machine, direction, [0.0, start], tolerance_deg=0.0).best.misalignment_deg == 0.0


def test_a_measured_normal_of_the_platter_spins_no_facing_job():
    """Derived here: 0.0013 degrees off C's line, exactly aimed, would turn C by 26.6 degrees."""
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], SENSES[0], (-120.0, 30.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], None)
    platter = Platter(face_mm=0.0, normal=np.array([1e-5, 2e-5, 1.0]))
    setup = Setup.from_stack(Machine("mill", (tilt, turn), platter), [])
    (top,) = place_operations(setup, [Operation("top", plane=plane_from_normal([0, 0, 1]))]).placed
    assert top.program_deg[1] == 0.0
    assert top.singular_axes == ("C",)
    assert 0.0 < top.misalignment_deg < 0.0013
    (exact,) = place_operations(setup, [Operation("top", plane=plane_from_normal([0, 0, 1]))], 1e-6).placed
    assert abs(np.sin(np.radians(exact.program_deg[1]))) == pytest.approx(np.sin(np.arctan(0.5)), abs=1e-6)


@given(st.floats(1e-4, 0.009), st.floats(0.0, 360.0), st.floats(-170.0, 170.0))
def test_a_plane_that_is_nearly_free_lines_its_x_up_and_misses_by_no_more(off, azimuth, turned):
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], SENSES[0], (-120.0, 30.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], None)
    setup = Setup.from_stack(Machine("mill", (tilt, turn), Platter(face_mm=0.0)), [])
    plane = plane_from_rotations([("z", azimuth), ("x", off), ("z", turned)])
    (one,) = place_operations(setup, [Operation("face", plane=plane, when_singular="line up x")]).placed
    assert one.plane_x_deg == pytest.approx(0.0, abs=0.01)
    assert one.misalignment_deg <= off + 1e-9
    assert miss_deg(setup.machine, plane.normal, one.machine_deg) == pytest.approx(
        one.misalignment_deg, abs=1e-9
    )


def test_x_that_cannot_be_lined_up_leaves_one_operation_out_and_the_others_stand():
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], SENSES[0], (-120.0, 30.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], (-10.0, 10.0))
    setup = Setup.from_stack(Machine("mill", (tilt, turn), Platter(face_mm=0.0)), [])
    asked = [
        Operation("first", plane=plane_from_rotations([("z", 30.0)]), when_singular="line up x"),
        Operation("second", program_deg=(-30.0, 5.0)),
    ]
    first, second = place_operations(setup, asked).results
    (violation,) = first.violations
    assert (violation.kind, violation.letter, violation.limits_deg) == ("alignment", "C", (-10.0, 10.0))
    assert violation.angle_deg == pytest.approx(30.0, abs=1e-9)
    assert violation.excess_deg == pytest.approx(20.0, abs=1e-9)
    assert not any(solution.feasible for solution in first.solutions)
    assert isinstance(second, PlacedOperation)


@given(directions())
def test_of_three_rotaries_any_may_be_held(direction):
    """Derived here: A to 120 either way and an endless C reach everything; B between them, to 20, does not matter."""
    assume(abs(direction[2]) < 0.9)
    rotaries = (
        RotaryAxis("A", [0, 0, 0], [1, 0, 0], SENSES[0], (-180.0, 180.0)),
        RotaryAxis("B", [0, 0, 0], [0, 1, 0], SENSES[0], (-20.0, 20.0)),
        RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], None),
    )
    machine = Machine("three", rotaries, Platter(face_mm=0.0))
    found = aim(machine, direction, [0.0, 0.0, 0.0], tolerance_deg=0.01)
    assert found.best is not None
    assert miss_deg(machine, direction, found.best.machine_deg) <= 0.01 + 1e-9


@pytest.mark.parametrize(("tilt", "sign"), [("negative", -1.0), ("positive", 1.0)])
def test_an_endless_tilt_has_a_sign_too(tilt, sign):
    """Its program angle is kept in 0 to 360: 330 is a tilt of -30."""
    machine = mill(None)
    found = aim(machine, [0.0, -0.5, np.sqrt(0.75)], [0.0, 0.0], tolerance_deg=0.01, tilt=tilt)
    assert found.best is not None
    tilted = found.best.machine_deg[0]
    assert (tilted - 360.0 * round(tilted / 360.0)) * sign == pytest.approx(30.0, abs=1e-9)
    assert sum(way.feasible for way in found.solutions) == 1


def test_a_pattern_of_stated_angles_stands_like_its_first_on_a_measured_machine():
    """A platter a thousandth of a degree out must not turn the second of two over to the other tilt."""
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], SENSES[0], (-90.0, 90.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], None)
    platter = Platter(face_mm=0.0, normal=np.array([2e-5, 0.0, 1.0]))
    setup = Setup.from_stack(Machine("mill", (tilt, turn), platter), [])
    asked = Operation(
        "q", program_deg=(40.0, 0.0), origin_mm=np.array([0.0, -10.0, 0.0]), count=2, step_deg=180.0
    )
    first, second = place_operations(setup, [asked]).placed
    assert second.program_deg == pytest.approx([40.0, 180.0], abs=0.01)
    assert first.offset_mm == pytest.approx(second.offset_mm, abs=0.01)


@given(
    st.floats(1e-4, 0.009), st.floats(0.0, 360.0), st.sampled_from(["positive", "negative"]), st.booleans()
)
def test_a_hair_of_tilt_to_the_wrong_side_is_none(off, azimuth, tilt, line_up):
    """Whatever sign is asked for, a direction within the tolerance of C's line is reached, its x lined up or not."""
    tilting = RotaryAxis("A", [0, 0, -50], [1, 0, 0], SENSES[0], (-120.0, 30.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], None)
    setup = Setup.from_stack(Machine("mill", (tilting, turn), Platter(face_mm=0.0)), [])
    plane = plane_from_rotations([("z", azimuth), ("x", off)])
    asked = Operation("face", plane=plane, tilt=tilt, when_singular="line up x" if line_up else "keep")
    (one,) = place_operations(setup, [asked]).placed
    assert one.misalignment_deg <= 0.01
    assert miss_deg(setup.machine, plane.normal, one.machine_deg) == pytest.approx(
        one.misalignment_deg, abs=1e-9
    )
    assert one.program_deg[0] * (1.0 if tilt == "positive" else -1.0) >= -1e-9


@given(st.floats(1e-5, 0.0098), st.floats(0.0, 360.0), st.floats(0.0, 360.0), st.sampled_from([0.0, 0.001]))
def test_a_lined_up_pose_near_a_rotarys_line_is_the_best_there_is(off, azimuth, turned, lean):
    """With C as it lines x up, no other tilt points better; with that tilt, no other C lines x up better."""
    machine = mill(lean=lean)
    setup = Setup.from_stack(machine, [])
    plane = plane_from_rotations([("z", azimuth), ("x", off), ("z", turned)])
    line_off_deg = np.degrees(np.arctan(3.0 * lean))
    asked = Operation("face", plane=plane, when_singular="line up x")
    (one,) = place_operations(setup, [asked], 0.01 + line_off_deg).placed
    normal, x = (setup.part_in_machine.rotate(way) for way in (plane.normal, plane.x))

    def aside_deg(c):
        along = table_pose(machine, [one.machine_deg[0], c]).rotate(x)
        return np.degrees(np.arctan2(np.abs(along[..., 1]), along[..., 0]))

    around = np.linspace(-0.05, 0.05, 51)
    tilts = [miss_deg(machine, normal, [one.machine_deg[0] + by, one.machine_deg[1]]) for by in around]
    assert one.misalignment_deg <= min(tilts) + 1e-9
    # C is lined up at the tilt that it comes from; the tilt then changes by the hair that the tolerance lets it.
    assert aside_deg(one.machine_deg[1]) <= 0.001


@pytest.mark.parametrize(("way", "turned"), [("positive", 180.0), ("negative", -180.0), (None, -180.0)])
def test_half_a_turn_is_counted_the_way_it_goes(way, turned):
    """C from 0 to the other side, by aim and by place: the size is the same, the sign is the machine file's."""
    tilt = RotaryAxis("A", [0, 0, 0], [1, 0, 0], SENSES[0], (-120.0, 0.0))
    half = IndexDirection(IndexRule.SHORT_WAY, way)
    machine = Machine(
        "mill",
        (tilt, RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[0], None, index_direction=half)),
        Platter(face_mm=0.0),
    )
    found = aim(machine, [0.0, -1.0, 1.0], [0.0, 0.0])
    assert found.best is not None
    assert found.best.move_deg == pytest.approx((-45.0, turned))
    assert found.best.motion_deg == pytest.approx(225.0)
    placed = place_operations(
        Setup.from_stack(machine, []),
        [
            Operation("one", plane=plane_from_normal([0, -1, 1])),
            Operation("two", plane=plane_from_normal([0, 1, 1])),
        ],
    ).placed
    before, after = (np.array(one.machine_deg) for one in placed)
    assert abs(machine.rotaries[1].move_deg(before[1], after[1])) == pytest.approx(180.0)
    assert machine.rotaries[1].move_deg(before[1], after[1]) == pytest.approx(turned)


@pytest.mark.parametrize("tolerance", [0.0, 0.01])
def test_directions_asked_for_in_blocks_are_those_asked_for_alone(monkeypatch, tolerance):
    """Many directions are solved a block at a time: none is lost at a block's edge, and none is solved twice."""
    monkeypatch.setattr("kinematics.inverse._BLOCK", 64)
    machine = mill()
    wanted = np.random.default_rng(7).normal(size=(37, 3))
    wanted[::5] = [0.0, 0.0, 1.0]
    found = aim(machine, wanted, [0.0, 20.0], tolerance_deg=tolerance)
    for k, direction in enumerate(wanted):
        assert found[k] == aim(machine, direction, [0.0, 20.0], tolerance_deg=tolerance)


@given(st.floats(0.0, 360.0), st.floats(1e-4, 0.009), st.floats(-180.0, 180.0))
def test_a_pose_that_gets_there_goes_before_one_at_a_limit(azimuth, beyond, start):
    """30 degrees and a hair: one tilt has a limit at 30, the other has room, however far C has to go for it."""
    machine = mill((-120.0, 30.0))
    tilt = np.radians(30.0 + beyond)
    direction = np.array(
        [
            np.sin(tilt) * np.sin(np.radians(azimuth)),
            np.sin(tilt) * np.cos(np.radians(azimuth)),
            np.cos(tilt),
        ]
    )
    found = aim(machine, direction, [30.0, start], tolerance_deg=0.01)
    feasible = [way for way in found.solutions if way.feasible]
    assert [way.misalignment_deg > 0.0 for way in feasible] == [False, True]
    assert found.best is not None
    assert found.best.machine_deg[0] == pytest.approx(-30.0 - beyond, abs=1e-6)
    setup = Setup.from_stack(machine, [])
    (one,) = place_operations(setup, [Operation("port", plane=plane_from_normal(direction))], 0.01).results
    assert isinstance(one, PlacedOperation)
    assert one.misalignment_deg == 0.0
