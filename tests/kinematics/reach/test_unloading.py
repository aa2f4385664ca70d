"""The unloading pose: the gripper against plain boxes worked out by hand, and the index moves there."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep
from kinematics.reach import (
    BASE,
    PART,
    Box,
    CollisionModel,
    Frustum,
    HolderPart,
    OperationPose,
    Solid,
    TipEnvelope,
    Tool,
    Unloading,
    gripper_clearance,
    job_index_moves,
    on_rotary,
    scene_of,
    with_unloading,
)

A = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, None)
SETUP = Setup.from_stack(Machine("mill", (A,), Platter(face_mm=None)), [StackStep("post", up_mm=50.0)])
DRILL = Tool("drill", 100.0, 6.0, (HolderPart(40.0, 50.0),))


def box(name, low, high, on=PART, **more):
    return Solid(name, Box(np.array(low, float), np.array(high, float)), on, **more)


def model(*solids, operations=(), retract=(None, None, 500.0)):
    return CollisionModel(SETUP, (StackStep("post", up_mm=50.0),), (None,), solids, (), operations, retract)


def gap(solids, gripper, at_deg=0.0, clear=0.0, operations=(), retract=(None, None, 500.0)):
    made = model(*solids, operations=operations, retract=retract)
    unloading = Unloading("unloading", np.array([at_deg]), (gripper,))
    return gripper_clearance(made, scene_of(made), unloading, clear)


JAW = box("jaw", [10, -5, 0], [20, 5, 30])


@given(st.floats(-100.0, 100.0), st.floats(-100.0, 100.0), st.floats(-100.0, 100.0))
def test_two_boxes_are_as_far_apart_as_their_edges_say(x, y, z):
    found = gap([box("vice", [x, y, z], [x + 7, y + 8, z + 9], BASE)], JAW)
    low, high = np.array([10, -5, 50.0]), np.array([20, 5, 80.0])
    apart = np.maximum(np.maximum(low - [x + 7, y + 8, z + 9], [x, y, z] - high), 0.0)
    assert found.nearest.gap_mm == pytest.approx(np.linalg.norm(apart), abs=1e-4)
    assert (found.nearest.body, found.nearest.obstacle) == ("jaw", "vice")
    assert bool(found.too_close) == (found.nearest.gap_mm <= 0.0)


def test_the_errors_of_both_bodies_facets_count():
    """A round finger beside a round post: each may be short of its true shape, together by the sum."""
    post = Solid("post", Frustum([60, 0, -50], [60, 0, 200], 30.0), BASE)
    finger = Solid("finger", Frustum([15, 0, 0], [15, 0, 30], 20.0), PART)
    square = box("block", [5, -10, 0], [25, 10, 30])
    brick = box("brick", [45, -15, -50], [75, 15, 200], BASE)
    both, own, other = (
        gap([one], gripper).nearest for one, gripper in ((post, finger), (brick, finger), (post, square))
    )
    assert own.facet_error_mm > 0.0
    assert other.facet_error_mm > 0.0
    assert both.facet_error_mm == pytest.approx(own.facet_error_mm + other.facet_error_mm, rel=1e-9)
    # By hand: 45 between the middles, less both radii; never more, and short by no more than is said.
    assert 45.0 - 15.0 - 10.0 - both.gap_mm + 1e-9 >= 0.0
    assert both.gap_mm + both.facet_error_mm >= 20.0 - 1e-9


def test_the_gripper_turns_with_the_part_and_the_base_does_not():
    """Tilted a quarter turn, what was 50 to 80 up lies 50 to 80 along -Y: 20 from a wall at -100."""
    wall = box("wall", [-50, -120, -50], [50, -100, 50], BASE)
    assert gap([wall], JAW, 90.0).nearest.gap_mm == pytest.approx(20.0, abs=1e-9)
    on_table = box("vice", [-50, -120, -50], [50, -100, 50], on_rotary(0))
    # What turns along keeps its distance, whatever the angle.
    assert gap([on_table], JAW, 90.0).nearest.gap_mm == pytest.approx(
        gap([on_table], JAW, 0.0).nearest.gap_mm, abs=1e-6
    )


def test_it_may_touch_what_it_grips_and_nothing_else():
    part = box("part", [-10, -5, 0], [10, 5, 30])
    blank = box("blank", [-10, -5, 0], [15, 5, 30], on_rotary(0), machinable=True)
    assert gap([part, blank], JAW).nearest is None
    clamp = box("clamp", [15, -5, 60], [40, 5, 70], BASE)
    found = gap([part, clamp, box("far", [200, 0, 0], [210, 5, 5], BASE)], JAW)
    assert [(pair.obstacle, pair.gap_mm) for pair in found.too_close] == [("clamp", 0.0)]


def test_every_pair_closer_than_asked_for_is_listed_the_closest_first():
    walls = [box(f"wall {d}", [20 + d, -5, 50], [21 + d, 5, 80], BASE) for d in (9, 3, 6)]
    found = gap(walls, JAW, clear=7.0)
    assert [pair.obstacle for pair in found.too_close] == ["wall 3", "wall 6"]
    assert found.nearest == found.too_close[0]


def test_the_retracted_spindle_counts_with_every_operation_s_tool():
    cut = OperationPose("face", np.array([0.0]), np.array([15.0, 0.0, 0.0]), DRILL)
    high = box("arm", [10, -5, 0], [20, 5, 340])
    # Gauge line at 500: the drill's tip at 400, 10 above the arm's top at 390.
    found = gap([], high, operations=(cut,))
    assert (found.nearest.obstacle, found.nearest.indices[1]) == ("tool", -1)
    assert found.nearest.gap_mm == pytest.approx(10.0, abs=1e-6)
    assert gap([], box("arm", [10, -5, 0], [20, 5, 351]), operations=(cut,)).too_close
    assert gap([], high, operations=(cut,), retract=(900.0, None, 500.0)).nearest.gap_mm > 800.0


def test_the_spindle_stays_where_the_last_operation_left_it():
    sweep = TipEnvelope([-1, -2, -3], [4, 5, 6])
    cut = OperationPose("face", np.array([30.0]), np.array([5.0, 6.0, 7.0]), DRILL, sweep)
    made = model(box("wall", [0, 300, 0], [5, 305, 5], BASE), operations=(cut,))
    after = with_unloading(
        made, [Unloading("unloading", np.array([-60.0])), Unloading("again", np.array([20.0]))]
    )
    assert [one.name for one in after.operations] == ["face", "unloading", "again"]
    for one in after.operations[1:]:
        np.testing.assert_allclose(after.tips_mm(one), made.tips_mm(cut), atol=1e-9)
    moves = job_index_moves(after, scene_of(after))
    turns = {(a and a.name, b and b.name) for a, b in ((move.start, move.end) for move in moves)}
    assert turns == {(None, "face"), ("face", "unloading"), ("unloading", "again"), ("again", None)}
    assert with_unloading(model(), [Unloading("unloading", np.array([10.0]))]).operations[0].tool is None


def test_a_gripper_off_the_part_is_refused():
    with pytest.raises(KinematicsError, match="found one on base"):
        Unloading("unloading", np.array([0.0]), (box("jaw", [0, 0, 0], [1, 1, 1], BASE),))
    with pytest.raises(KinematicsError, match="expected a last axis of 1"):
        with_unloading(model(), [Unloading("unloading", np.array([0.0, 1.0]))])
