"""Inch and millimetre agree; steps and moves that do not meet may change places."""

from dataclasses import replace

import laws
import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from samples import SENSES, angles, assert_close, directions, lengths, machines, points, pose_angles, stacks

from kinematics import (
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    Setup,
    StackStep,
    ZReference,
    common_perpendicular,
    place_operations,
    plane_from_normal,
    stack_pose,
    table_pose,
)

INCH_MM = 25.4


@given(st.data())
def test_a_job_in_inches_gives_the_offsets_in_inches(data):
    """Lengths scale, angles stay: all that a unit of length may do."""
    machine, steps = data.draw(machines()), data.draw(stacks())
    origin, pose = data.draw(points(200.0)), data.draw(pose_angles(machine))
    smaller = replace(
        machine,
        rotaries=tuple(replace(r, point_mm=r.point_mm / INCH_MM) for r in machine.rotaries),
        platter=replace(machine.platter, face_mm=machine.platter.face_mm / INCH_MM),
    )
    small_steps = [
        replace(s, up_mm=s.up_mm / INCH_MM, shift_mm=tuple(v / INCH_MM for v in s.shift_mm)) for s in steps
    ]
    inches = Setup.from_stack(smaller, small_steps).work_offset(origin / INCH_MM, pose)
    mm = Setup.from_stack(machine, steps).work_offset(origin, pose)
    assert_close(inches * INCH_MM, mm, within=laws.WITHIN_MM)


@given(lengths(300.0), lengths(300.0))
def test_z_references_differ_by_the_tool(z_mm, length):
    reference = ZReference(length)
    there = reference.to_gauge_line_mm(z_mm)
    assert there == z_mm - length
    assert_close(reference.from_gauge_line_mm(there), z_mm, within=1e-12)
    assert ZReference().to_gauge_line_mm(z_mm) == z_mm == ZReference().from_gauge_line_mm(z_mm)


@given(st.permutations([0, 1, 2, 3]), st.lists(lengths(200.0), min_size=4, max_size=4))
def test_plain_lifts_and_shifts_may_change_places(order, heights):
    steps = [StackStep(f"{k}", up_mm=h, shift_mm=(h / 3.0, -h / 7.0)) for k, h in enumerate(heights)]
    mixed = stack_pose([steps[k] for k in order])
    assert_close(mixed.translation_mm, stack_pose(steps).translation_mm, within=1e-12)


@given(angles(360.0), lengths(200.0))
def test_a_lift_and_a_turn_about_z_may_change_places(turn, up_mm):
    lift, clock = StackStep("lift", up_mm=up_mm), StackStep("clock", turn_deg=turn)
    one, other = stack_pose([lift, clock]), stack_pose([clock, lift])
    np.testing.assert_array_equal(one.rotation, other.rotation)
    np.testing.assert_array_equal(one.translation_mm, other.translation_mm)


@given(angles(360.0), st.floats(1.0, 200.0), st.floats(10.0, 80.0))
def test_a_shift_and_a_turn_may_not(turn, shift_mm, tilt):
    """The same law must not hold where it should not: a shift follows the frame that the step stands in."""
    shift, clock = StackStep("shift", shift_mm=(shift_mm, 0.0)), StackStep("clock", turn_deg=turn)
    one, other = stack_pose([shift, clock]), stack_pose([clock, shift])
    apart = np.linalg.norm(one.translation_mm - other.translation_mm)
    assert_close(apart, 2.0 * shift_mm * abs(np.sin(np.radians(turn / 2.0))), within=1e-10)
    wedge, up = StackStep("wedge", rotate=(("x", tilt),)), StackStep("up", up_mm=shift_mm)
    lifted = [stack_pose(steps).translation_mm[1] for steps in ([wedge, up], [up, wedge])]
    assert abs(lifted[0] - lifted[1]) > 0.1 * shift_mm


@given(directions(), points(), angles(360.0), angles(360.0))
def test_two_rotaries_on_one_line_may_change_places(along, point, first, second):
    pair = [RotaryAxis(letter, point, along, sense, None) for letter, sense in zip("AB", SENSES, strict=True)]
    for place_mm in ([100.0, -50.0, 20.0], [0.0, 0.0, 0.0]):
        ways = []
        for rotaries, pose in ((pair, [first, second]), (pair[::-1], [second, first])):
            ways.append(
                table_pose(Machine("pair", tuple(rotaries), Platter(face_mm=0.0)), pose).apply(place_mm)
            )
        assert_close(ways[0], ways[1], within=1e-11)


@given(st.permutations([0, 1, 2, 3]))
def test_operations_with_stated_angles_do_not_depend_on_each_other(order):
    setup = laws.general_setup()
    asked = [
        Operation(f"{k}", program_deg=(-20.0 * k, 50.0 * k), origin_mm=np.array([k, -k, 2.0 * k]))
        for k in range(4)
    ]
    straight = {one.name: one for one in place_operations(setup, asked).placed}
    mixed = {one.name: one for one in place_operations(setup, [asked[k] for k in order]).placed}
    for name, one in straight.items():
        np.testing.assert_array_equal(one.offset_mm, mixed[name].offset_mm)


@given(angles(360.0), st.floats(-90.0, 0.0))
def test_a_normal_may_have_any_length(turn, tilt):
    setup = laws.general_setup()
    normal = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn)), 1.0 + tilt / 100.0])
    ways = [
        place_operations(setup, [Operation("n", plane=plane_from_normal(normal * k))])
        for k in (1.0, 8.0, 0.125)
    ]
    found = [(way.placed or way.unreachable)[0] for way in ways]
    if all(way.placed for way in ways):
        for other in found[1:]:
            np.testing.assert_array_equal(other.machine_deg, found[0].machine_deg)
    else:
        assert not any(way.placed for way in ways)


@given(st.data())
def test_the_gap_between_two_lines_is_the_shortest(data):
    """Nothing on either line lies nearer; the feet lie on the lines and square across."""
    machine = data.draw(machines(least=2, most=2))
    first, second = machine.rotaries
    gap, back = common_perpendicular(first, second), common_perpendicular(second, first)
    sine = np.linalg.norm(np.cross(first.direction, second.direction))
    if sine < 1e-3:
        return
    within = 1e-10 / sine**2
    for rotary, foot in ((first, gap.first_mm), (second, gap.second_mm)):
        assert_close(np.cross(foot - rotary.point_mm, rotary.direction), 0.0, within=within)
    between = gap.second_mm - gap.first_mm
    assert_close([between @ first.direction, between @ second.direction], 0.0, within=within)
    assert abs(gap.distance_mm - back.distance_mm) < within
    cosine = first.direction @ second.direction
    assert abs(np.cos(np.radians(gap.angle_deg)) - cosine) < 1e-14


def test_parallel_lines_have_a_gap_too():
    a = RotaryAxis("A", [0.0, 0.0, 0.0], [1, 0, 0], SENSES[0], None)
    b = RotaryAxis("B", [500.0, 3.0, 4.0], [-1, 0, 0], SENSES[0], None)
    gap = common_perpendicular(a, b)
    assert (gap.distance_mm, gap.angle_deg) == (5.0, 180.0)
    np.testing.assert_array_equal(gap.second_mm, [0.0, 3.0, 4.0])
