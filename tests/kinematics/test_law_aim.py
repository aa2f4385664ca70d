"""Aim, then go there: the direction lies along the spindle, or as near as it says."""

import laws
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from samples import (
    SENSES,
    angles,
    assert_close,
    directions,
    machines,
    pose_angles,
    random_direction,
    square_machine,
)

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, aim, angle_to_align, table_pose
from kinematics.angles import SNAP_DEG
from kinematics.orientation import orientation_solutions

LIMITS = st.one_of(
    st.none(),
    st.tuples(st.floats(-400.0, 0.0), st.floats(0.0, 400.0)),
    st.tuples(st.floats(-90.0, -30.0), st.floats(-29.0, 45.0)),
)


@given(st.data())
def test_aim_then_forward_gives_the_direction_back(data):
    machine = data.draw(machines())
    previous = data.draw(pose_angles(machine, 360.0))
    laws.aim_then_forward(machine, data.draw(directions()), previous)


@given(st.data())
def test_with_rotaries_held(data):
    machine = data.draw(machines(least=2))
    count = data.draw(st.integers(1, len(machine.rotaries) - 1))
    letters = data.draw(st.permutations(machine.letters))[:count]
    held = {letter: data.draw(angles(360.0)) for letter in letters}
    previous = data.draw(pose_angles(machine, 360.0))
    found = laws.aim_then_forward(machine, data.draw(directions()), previous, held)
    for letter, angle in held.items():
        np.testing.assert_array_equal(found.machine_deg[:, machine.index(letter)], angle)


@given(st.data())
def test_of_three_rotaries_the_outermost_stays_where_it_comes_from(data):
    machine = data.draw(machines(least=3))
    previous = data.draw(pose_angles(machine, 360.0))
    found = orientation_solutions(machine, data.draw(directions()), previous)
    np.testing.assert_array_equal(found.machine_deg[:, 0], previous[0])


@given(st.data())
def test_a_direction_made_by_the_machine_is_always_reached(data):
    """Turn the spindle back from any pose: that pose (or its twin) must be found again."""
    machine = data.draw(machines(least=1, most=2))
    pose = data.draw(pose_angles(machine, 180.0))
    wanted = table_pose(machine, pose).inverse().rotate([0.0, 0.0, 1.0])
    found = laws.aim_then_forward(machine, wanted, np.zeros(len(pose)))
    first, last = machine.rotaries[0].direction, machine.rotaries[-1].direction
    # Two lines that nearly agree are taken for one, and the inner rotary is left where it stands.
    one_line = len(pose) == 2 and np.linalg.norm(np.cross(first, last)) < 1e-9
    assert found.misalignment_deg < (np.degrees(2e-9) if one_line else 3e-12)


@pytest.mark.parametrize("exponent", [-1, -3, -5, -7, -8])
@pytest.mark.parametrize("rotaries", [1, 2])
def test_a_direction_that_lies_near_every_line(rng, rotaries, exponent):
    """A table's own face, on lines that all but agree with the spindle: products of small sines decide there."""
    for _ in range(60):
        near = 10.0**exponent * rng.uniform(0.3, 1.0, rotaries)
        axes = [
            RotaryAxis(
                letter, [0, 0, 0], [0.0, 0.0, 1.0] + e * random_direction(rng), SENSES[rng.integers(2)], None
            )
            for letter, e in zip("AC", near, strict=False)
        ]
        machine = Machine("near", tuple(axes), Platter(face_mm=0.0))
        pose = rng.uniform(-180.0, 180.0, rotaries)
        wanted = table_pose(machine, pose).inverse().rotate([0.0, 0.0, 1.0])
        found = laws.aim_then_forward(machine, wanted, np.zeros(rotaries))
        assert found.misalignment_deg < 3e-12


@given(st.data())
def test_everything_that_aim_lists_does_what_it_says(data):
    machine = data.draw(machines(limits=LIMITS))
    previous = data.draw(pose_angles(machine, 360.0))
    wanted = data.draw(directions())
    found = aim(machine, wanted, previous)
    fits = [solution.feasible for solution in found.solutions]
    assert fits == sorted(fits, reverse=True)
    costs = [round(solution.motion_deg, 6) for solution in found.solutions if solution.feasible]
    assert costs == sorted(costs)
    for solution in found.solutions:
        reached = table_pose(machine, solution.machine_deg).rotate(wanted / np.linalg.norm(wanted))
        off = np.degrees(np.arctan2(np.hypot(reached[0], reached[1]), reached[2]))
        # An angle may be put on a limit, or on 0, from as far as angles count as one.
        assert abs(off - solution.misalignment_deg) < 1e-8 + 2e-7 * bool(found.singular_axes)
        inside = [bool(r.within(q)) for r, q in zip(machine.rotaries, solution.machine_deg, strict=True)]
        assert solution.feasible == all(inside)
        assert len(solution.violations) == inside.count(False)
        moved = np.array(previous) + solution.move_deg - solution.machine_deg
        assert_close((moved + 180.0) % 360.0 - 180.0, 0.0, within=1e-9)
        assert solution.motion_deg == pytest.approx(sum(abs(m) for m in solution.move_deg), abs=1e-9)
        for rotary, move in zip(machine.rotaries, solution.move_deg, strict=True):
            assert rotary.limits_deg is not None or abs(move) <= 180.0


@given(st.data())
def test_one_direction_and_many_agree_to_the_last_bit(data):
    """Also where each comes from angles of its own; and what a direction lacks is NaN, not valid and last."""
    machine = data.draw(machines(limits=LIMITS))
    count = data.draw(st.integers(1, 6))
    wanted = np.array([data.draw(directions()) for _ in range(count)])
    previous = np.array([data.draw(pose_angles(machine, 360.0)) for _ in range(count)])
    options = {
        "tolerance_deg": data.draw(st.sampled_from([0.0, 0.01, 5.0])),
        "tilt": data.draw(st.sampled_from([None, "positive", "negative"])),
        "rotary_offset_deg": np.full(len(machine.rotaries), data.draw(st.sampled_from([0.0, 1.5]))),
    }
    found = aim(machine, wanted, previous, **options)
    assert found.shape == (count,)
    assert (np.diff(found.valid.astype(int), axis=-1) <= 0).all()
    assert np.isnan(found.machine_deg[~found.valid]).all()
    assert np.isfinite(found.machine_deg[found.valid]).all()
    for k in range(count):
        alone = aim(machine, wanted[k], previous[k], **options)
        assert found[k] == alone
        assert alone == aim(machine, wanted[k][None, None], previous[k], **options)[0, 0]
        assert bool(found.reaches(0.01)[k]) == bool(alone.reaches(0.01))
        excess = alone.limit_excess_deg.max(axis=-1)
        for solution, beyond, wrong in zip(alone.solutions, excess, alone.wrong_tilt, strict=True):
            assert solution.feasible == (beyond == 0.0 and not wrong)
            assert {one.kind for one in solution.violations} == {
                kind for kind, broken in (("limit", beyond > 0.0), ("tilt sign", wrong)) if broken
            }
            assert max([0.0, *(v.excess_deg for v in solution.violations if v.kind == "limit")]) == beyond


@given(st.data())
def test_no_solution_is_listed_twice(data):
    machine = data.draw(machines(limits=LIMITS))
    found = aim(machine, data.draw(directions()), data.draw(pose_angles(machine, 360.0)))
    poses = np.array([solution.machine_deg for solution in found.solutions])
    apart = np.abs(poses[:, None] - poses[None]).max(axis=-1) + 360.0 * np.eye(len(poses))
    assert apart.min() > 1e-9


@pytest.mark.parametrize("exponent", [-3, -6, -8, -10, -12, -14, -15, -16, -300])
def test_at_the_edge_of_the_reach_both_angles_are_wrong_together(rng, exponent):
    """Each angle is known to half the digits only there; the direction must come out whole nevertheless."""
    for _ in range(20):
        outer, inner = random_direction(rng), random_direction(rng)
        machine = Machine(
            "edge",
            (
                RotaryAxis("A", [0, 0, 0], outer, SENSES[0], None),
                RotaryAxis("C", [0, 0, 0], inner, SENSES[1], None),
            ),
            Platter(face_mm=0.0),
        )
        lines, tilt = np.arccos(outer @ inner), np.arccos(outer[2])
        across = np.cross(inner, random_direction(rng))
        across /= np.linalg.norm(across)
        for edge in (abs(lines - tilt), np.pi - abs(np.pi - lines - tilt)):
            for off in (10.0**exponent, -(10.0**exponent)):
                laws.aim_then_forward(
                    machine, np.cos(edge + off) * inner + np.sin(edge + off) * across, [0.0, 0.0]
                )


def test_a_nutating_table_stands_its_side_faces_in_one_way():
    """Derived here: with the outer line at 45 degrees, half a turn of it lays the table's axis flat; a side face
    then needs the table turned to one angle, not to two angles a millionth of a degree apart.
    """
    nutating = Machine(
        "nutating",
        (
            RotaryAxis("B", [0, 0, 0], [0, 1, 1], SENSES[1], (-180.0, 180.0)),
            RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[1], None),
        ),
        Platter(face_mm=0.0),
    )
    for direction, turn in (
        ([1, 0, 0], 90.0),
        ([0, 1, 0], 0.0),
        ([-1, 0, 0], 270.0),
        ([3, 4, 0], 36.86989764584402),
    ):
        found = aim(nutating, direction, [0.0, 0.0])
        assert [s.machine_deg for s in found.solutions] == [
            (180.0, pytest.approx(turn, abs=1e-12)),
            (-180.0, pytest.approx(turn, abs=1e-12)),
        ]


@given(angles(720.0), st.floats(-120.0, 30.0), st.booleans())
def test_a_singular_rotary_keeps_its_angle(turn, tilt, endless):
    limits = None if endless else (-720.0, 720.0)
    machine = square_machine(limits=((-120.0, 120.0), limits))
    found = aim(machine, [0.0, 0.0, 1.0], [tilt, turn])
    assert found.singular_axes == ("C",)
    assert found.best.machine_deg[0] == 0.0
    kept = found.best.machine_deg[1]
    # An endless rotary shows its angle within one turn; one with limits keeps the turns as well.
    assert abs((kept - turn + 180.0) % 360.0 - 180.0) < 1e-9 if endless else abs(kept - turn) < 1e-9
    assert abs(found.best.move_deg[1]) < 1e-9


@given(directions(), st.sampled_from(["positive", "negative"]), st.floats(-5.0, 5.0))
def test_a_tilt_sign_is_a_sign_of_the_program(direction, tilt, offset):
    machine = square_machine(limits=((-179.0, 179.0), None))
    found = aim(machine, direction, [0.0, 0.0], tilt=tilt, rotary_offset_deg=[offset, 0.0])
    sign = 1.0 if tilt == "positive" else -1.0
    for solution in found.solutions:
        right = sign * (solution.machine_deg[0] - offset) >= -1e-9
        assert right == (not any(one.kind == "tilt sign" for one in solution.violations))
        assert right or not solution.feasible


def test_with_three_rotaries_the_tilt_is_the_outermost_that_may_move():
    """A's sign is asked for where all three may move; with A held, B's."""
    a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], SENSES[1], (-30.0, 30.0))
    b = RotaryAxis("B", [0, 0, 0], [0, 1, 0], SENSES[1], (-120.0, 120.0))
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[1], None)
    machine = Machine("three", (a, b, c), Platter(face_mm=0.0))
    for tilt, sign in (("positive", 1.0), ("negative", -1.0)):
        for previous in (10.0, -10.0):
            start = [previous, 0.0, 0.0]
            free = aim(machine, [0.5, 0.2, 1.0], start, tilt=tilt)
            assert sign * free.best.machine_deg[0] >= -1e-9
            assert {v.letter for s in free.solutions for v in s.violations if v.kind == "tilt sign"} <= {"A"}
            held = aim(machine, [0.5, 0.2, 1.0], start, tilt=tilt, held_deg={"A": previous})
            assert held.best.machine_deg[0] == previous
            assert sign * held.best.machine_deg[1] > 0.0


def test_of_equal_motions_the_smaller_tilt_is_taken():
    """Derived here: B displays 10 where it stands level, and is tilted 30 either way; A turns 90 either way."""
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[1], (-200.0, 200.0))
    b = RotaryAxis("B", [0, 0, 0], [0, 1, 0], SENSES[1], (-120.0, 120.0), 10.0)
    a = RotaryAxis("A", [0, 0, 0], [0, 0, 1], SENSES[1], None)
    two = Machine("two", (b, a), Platter(face_mm=0.0))
    wanted = table_pose(two, [40.0, 70.0]).inverse().rotate([0.0, 0.0, 1.0])
    found = aim(two, wanted, [10.0, 160.0])
    assert [s.motion_deg for s in found.solutions] == pytest.approx([120.0, 120.0], abs=1e-9)
    assert [s.machine_deg for s in found.solutions] == [
        pytest.approx((-20.0, 250.0), abs=1e-9),
        pytest.approx((40.0, 70.0), abs=1e-9),
    ]
    # With C held at 170 and coming from -10, it does not stand at -190 as well.
    three = Machine("three", (c, b, a), Platter(face_mm=0.0))
    wanted = table_pose(three, [170.0, 40.0, 70.0]).inverse().rotate([0.0, 0.0, 1.0])
    found = aim(three, wanted, [-10.0, 10.0, 160.0], held_deg={"C": 170.0})
    assert [s.motion_deg for s in found.solutions] == pytest.approx([300.0] * 2, abs=1e-9)
    assert [s.machine_deg for s in found.solutions] == [
        pytest.approx((170.0, -20.0, 250.0), abs=1e-9),
        pytest.approx((170.0, 40.0, 70.0), abs=1e-9),
    ]


@pytest.mark.parametrize("limits", [None, (-400.0, 400.0)])
@pytest.mark.parametrize("angle", [370.0, -350.0, 10.0, 0.1 + 0.2 - 0.3])
def test_a_held_rotary_stands_at_the_very_angle_asked_for(limits, angle):
    """No whole turns are added or taken off, and nothing is rounded, also where the rotary is endless."""
    machine = square_machine(limits=((-120.0, 120.0), limits))
    wanted = table_pose(machine, [-30.0, angle]).inverse().rotate([0.0, 0.0, 1.0])
    found = aim(machine, wanted, [0.0, 0.0], held_deg={"C": angle}, tolerance_deg=1e-9)
    assert {s.machine_deg[1] for s in found.solutions} == {angle}
    assert found.best.machine_deg[0] == pytest.approx(-30.0, abs=1e-9)


def test_a_held_rotary_beyond_its_limits_is_refused_and_not_turned_round():
    machine = square_machine(limits=((-120.0, 120.0), (-200.0, 200.0)))
    wanted = table_pose(machine, [-30.0, 370.0]).inverse().rotate([0.0, 0.0, 1.0])
    found = aim(machine, wanted, [0.0, 0.0], held_deg={"C": 370.0}, tolerance_deg=1e-9)
    assert found.best is None
    (violation,) = found.solutions[0].violations
    assert (violation.kind, violation.letter, violation.angle_deg) == ("limit", "C", 370.0)
    assert violation.excess_deg == 170.0


@given(st.data())
def test_lining_up_turns_one_direction_under_another(data):
    machine = data.draw(machines())
    letter = data.draw(st.sampled_from(machine.letters))
    pose = data.draw(pose_angles(machine, 360.0))
    direction, axis = data.draw(directions()), np.eye(3)[data.draw(st.integers(0, 2))]
    at = machine.index(letter)
    inner = np.zeros(3) + direction
    for rotary, angle in list(zip(machine.rotaries, pose, strict=True))[:at:-1]:
        inner = rotary.pose_at(angle).rotate(inner)
    line = machine.rotaries[at].direction
    assume(np.linalg.norm(np.cross(line, inner)) > 1e-3)
    carried = table_pose(Machine("outer", machine.rotaries[:at], machine.platter), pose[:at]) if at else None
    outer_line = line if carried is None else carried.rotate(line)
    assume(np.linalg.norm(np.cross(outer_line, axis)) > 1e-3)
    angle = angle_to_align(machine, letter, direction, axis, pose)
    assert abs(angle - pose[at]) <= 180.0 + 1e-9
    turned = np.array(pose)
    turned[at] = angle
    reached = table_pose(machine, turned).rotate(direction / np.linalg.norm(direction))
    flat = np.eye(3) - np.outer(outer_line, outer_line)
    ours, theirs = flat @ reached, flat @ axis
    # Angles within SNAP_DEG of a whole turn's start are put on it.
    assert np.linalg.norm(np.cross(ours, theirs)) < np.radians(SNAP_DEG) + 1e-12
    assert ours @ theirs > 0.0


def test_nothing_lines_up_along_the_line_itself():
    with pytest.raises(
        KinematicsError, match="direction: expected one that C can turn, found one along its line"
    ):
        angle_to_align(square_machine(), "C", [0, 0, 2], [1, 0, 0], [0, 0])
    with pytest.raises(KinematicsError, match="machine axis: expected one that A can turn"):
        angle_to_align(square_machine(), "A", [0, 1, 0], [1, 0, 0], [0, 0])
