"""Operations: repeats, stated angles and planes stand where they should, one after the other."""

from dataclasses import replace

import laws
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import SENSES, angles, assert_close, directions, hand_of, points, square_machine, turns

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Plane,
    Platter,
    RotaryAxis,
    Setup,
    StackStep,
    place_operations,
    plane_from_normal,
    plane_from_rotations,
    plane_through,
)


def wide_setup(sense=SENSES[0], steps=()):
    return Setup.from_stack(square_machine(sense, limits=((-120.0, 120.0), None)), steps)


@given(directions(), points(200.0), st.integers(1, 12), angles(360.0))
def test_repeats_turn_about_the_parts_z(normal, origin, count, step_deg):
    laws.repeats_about_the_parts_z(normal, origin, count, step_deg)


@given(directions(), points(100.0), st.sampled_from(SENSES), st.integers(2, 8))
def test_repeats_about_the_tables_axis_keep_tilt_and_offset(normal, origin, sense, count):
    """With the part's z along the table's: the table turns on by the step, all else stays."""
    normal = np.where(np.hypot(normal[0], normal[1]) < 0.1, [0.6, 0.0, 0.8], normal)
    normal[2] = abs(normal[2])
    setup = wide_setup(sense)
    # The part's origin stands on the line of C: its platter's own centre.
    one = Operation(
        "port", plane=plane_from_normal(normal), origin_mm=origin, count=count, step_deg=360.0 / count
    )
    placed = place_operations(setup, [one]).placed
    assert [at.name for at in placed] == [f"port {k}" for k in range(1, count + 1)]
    tilt, first = abs(placed[0].machine_deg[0]), placed[0]
    for k, at in enumerate(placed):
        assert abs(abs(at.machine_deg[0]) - tilt) < 1e-9
        if at.machine_deg[0] * first.machine_deg[0] > 0:
            assert_close(at.offset_mm, first.offset_mm, within=1e-9)
            turned = at.machine_deg[1] - first.machine_deg[1]
            assert abs((turned + hand_of(sense) * k * 360.0 / count + 180.0) % 360.0 - 180.0) < 1e-9


@given(directions(), points(100.0), st.floats(-30.0, 30.0))
def test_a_placed_plane_faces_the_spindle(normal, origin, lean):
    """Exactly, where no angle may be missed: within a hundredth of a degree the least motion would be taken."""
    setup = wide_setup(steps=[StackStep("wedge", up_mm=30.0, rotate=(("y", lean),), turn_deg=17.0)])
    found = place_operations(
        setup, [Operation("face", plane=plane_from_normal(normal), origin_mm=origin)], 0.0
    )
    for at in found.placed:
        assert_close(at.axes[2], normal / np.linalg.norm(normal), within=1e-9)
        np.testing.assert_array_equal(at.axes, setup.machine_axes(at.machine_deg))
        np.testing.assert_array_equal(at.offset_mm, setup.work_offset(origin, at.machine_deg))
        np.testing.assert_array_equal(at.program_deg, at.machine_deg)
    for out in found.unreachable:
        assert any(why.kind == "limit" for why in out.violations)


@given(st.lists(turns(), max_size=3))
def test_a_tipped_plane_is_the_parts_axes_turned(sequence):
    """plane_x_deg is then the angle from the machine's X to the plane's, as the program will see it."""
    plane = plane_from_rotations(sequence)
    for at in place_operations(wide_setup(), [Operation("tipped", plane=plane)], 0.0).placed:
        seen = at.axes @ plane.x
        turn = np.radians(at.plane_x_deg)
        assert_close(seen, [np.cos(turn), np.sin(turn), 0.0], within=2e-9)


@pytest.mark.parametrize(
    ("x", "expected"),
    [
        ((1.0, 1.0, 0.0), 45.0), ((1.0, -1.0, 0.0), -45.0), ((-1.0, 0.0, 0.0), 180.0), ((-1.0, -1e-13, 0.0), 180.0),
        ((-1.0, 1e-13, 0.0), 180.0), ((1.0, -1e-13, 0.0), 0.0), ((-1.0, -1e-6, 0.0), -180.0 + np.degrees(1e-6)),
    ],
)  # fmt: skip
def test_a_half_turn_of_the_plane_s_x_reads_the_same_at_every_port(x, expected):
    """By hand, on a machine at zero with nothing turned; without an x of its own there is nothing to tell."""
    setup = Setup.from_stack(square_machine(SENSES[0]), ())
    (at,) = place_operations(setup, [Operation("top", plane=plane_from_normal([0, 0, 1]))]).placed
    assert at.plane_x_deg is None
    turned = replace(at, axes=np.eye(3), plane=Plane([0.0, 0.0, 1.0], x=x))
    assert turned.plane_x_deg == pytest.approx(expected, abs=1e-9)


@given(points(100.0), points(100.0), points(100.0))
def test_three_points_lie_in_their_plane(first, second, third):
    area = np.linalg.norm(np.cross(second - first, third - first))
    if area < 1.0:
        return
    plane = plane_through(first, second, third)
    for point in (second, third):
        assert abs((point - first) @ plane.normal) < 1e-10
    assert_close(plane.x, (second - first) / np.linalg.norm(second - first), within=1e-12)
    assert (third - first) @ np.cross(plane.normal, plane.x) > 0.0
    assert_close(plane_through(first, third, second).normal, -plane.normal, within=1e-10)


@given(st.floats(-100.0, 100.0), angles(360.0), st.integers(2, 7))
def test_a_pattern_of_stated_angles_turns_on_by_its_step(tilt, turn, count):
    setup = wide_setup()
    step = 360.0 / count
    one = Operation(
        "slot", program_deg=(tilt, turn), count=count, step_deg=step, origin_mm=np.array([9.0, 2.0, 1.0])
    )
    placed = place_operations(setup, [one]).placed
    assert placed[0].program_deg.tolist() == [tilt, turn]
    first = placed[0]
    for k, at in enumerate(placed):
        # This table turns clockwise on positive moves: to bring on what lies counterclockwise takes a positive one.
        turned = at.program_deg[1] - turn - k * step
        assert abs((turned + 180.0) % 360.0 - 180.0) < 1e-7
        # Less than 1e-9 rad of tilt leaves C to itself, and is itself not seen.
        assert_close(at.program_deg[0], tilt, within=1e-6)
        assert_close(at.offset_mm, first.offset_mm, within=1e-6)


def test_each_operation_comes_from_where_the_last_one_stood():
    """C stays at 40 over the face where it is singular, and the next port is reached from there."""
    asked = [
        Operation(
            "port", plane=plane_from_normal([np.sin(np.radians(40.0)), -np.cos(np.radians(40.0)), 1.0])
        ),
        Operation("face", plane=plane_from_normal([0, 0, 1])),
    ]
    port, face = place_operations(wide_setup(), asked).placed
    assert face.singular_axes == ("C",)
    assert face.machine_deg[1] == port.machine_deg[1]
    alone = place_operations(wide_setup(), asked[1:]).placed[0]
    assert alone.machine_deg.tolist() == [0.0, 0.0]


def test_where_program_zero_is_out_of_limits_the_first_comes_from_the_nearest_limit():
    """C cannot stand at 0: over a face that leaves it alone, it stays at the limit that it starts from."""
    setup = Setup.from_stack(square_machine(limits=((-120.0, -20.0), (150.0, 300.0))), [])
    tipped = plane_from_normal([0.0, 0.0, 1.0])
    level = Setup.from_stack(square_machine(limits=((-120.0, 20.0), (150.0, 300.0))), [])
    (top,) = place_operations(level, [Operation("top", plane=tipped)]).results
    assert top.machine_deg.tolist() == [0.0, 150.0]
    assert top.aim.previous_deg.tolist() == [0.0, 150.0]
    assert top.aim.best.motion_deg == 0.0
    (port,) = place_operations(setup, [Operation("port", plane=plane_from_normal([0.0, 1.0, 1.0]))]).results
    assert port.aim.previous_deg.tolist() == [-20.0, 150.0]


@given(angles(180.0))
def test_a_singular_rotary_may_line_x_up_instead(turn):
    setup = wide_setup()
    plane = plane_from_rotations([("z", turn)])
    (at,) = place_operations(setup, [Operation("face", plane=plane, when_singular="line up x")]).placed
    assert at.singular_axes == ("C",)
    assert abs(at.plane_x_deg) <= 2e-9  # angles nearer than 1e-9 degrees are one


def test_a_held_rotary_is_held_at_its_program_angle():
    setup = laws.general_setup()
    plane = plane_from_normal([0.3, -0.5, 2.0])
    found = place_operations(
        setup, [Operation("held", plane=plane, held_deg={"C": 30.0})], tolerance_deg=90.0
    )
    (at,) = found.placed or [None]
    assert at.program_deg[1] == pytest.approx(30.0, abs=1e-12)
    assert at.misalignment_deg > 0.0


def test_a_limit_is_named_even_where_the_direction_is_a_hair_short():
    """A table a hair out of square never gets its own normal quite to the spindle; that is not what stops it."""
    rotaries = (
        RotaryAxis("A", [0, 0, 0], [1, 1e-5, 0], SENSES[0], (20.0, 30.0)),
        RotaryAxis("C", [0, 0, 0], [2e-5, 0, 1], SENSES[0], None),
    )
    setup = Setup.from_stack(Machine("hair", rotaries, Platter(face_mm=0.0)), [])
    (out,) = place_operations(setup, [Operation("top", plane=plane_from_normal([0, 0, 1]))]).unreachable
    assert [round(why.excess_deg, 3) for why in out.violations if why.letter == "A"] == [20.0]
    wide = replace(setup.machine, rotaries=(replace(rotaries[0], limits_deg=(-30.0, 30.0)), rotaries[1]))
    (at,) = place_operations(
        Setup.from_stack(wide, []), [Operation("top", plane=plane_from_normal([0, 0, 1]))]
    ).placed
    assert 0.0 < at.misalignment_deg < 0.01


def test_an_unreached_direction_says_by_how_much():
    setup = Setup.from_stack(square_machine(limits=((-20.0, 30.0), (-10.0, 10.0))), [])
    (out,) = place_operations(setup, [Operation("under", plane=plane_from_normal([0, 0, -1]))]).unreachable
    assert {why.letter for why in out.violations} >= {"A"}
    one_rotary = square_machine()
    tilting = Setup.from_stack(Machine("one", one_rotary.rotaries[:1], one_rotary.platter), [])
    (short,) = place_operations(tilting, [Operation("side", plane=plane_from_normal([1, 0, 1]))]).unreachable
    assert short.misalignment_deg == pytest.approx(45.0, abs=1e-9)
    assert short.violations == ()


def test_stated_angles_outside_the_limits_are_refused():
    with pytest.raises(
        KinematicsError, match=r"over: expected A within -120 to 120, found machine angle 130"
    ):
        place_operations(wide_setup(), [Operation("over", program_deg=(130.0, 0.0))])
