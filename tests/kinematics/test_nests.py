"""Nests against independent matrices, and every part's own offsets against the same, to 1e-9 mm."""

import numpy as np
import pytest
import pytransform3d.rotations as pr
import pytransform3d.transformations as pt
from scipy.spatial.transform import Rotation

from kinematics import (
    KinematicsError,
    Nest,
    Setup,
    StackStep,
    nest_stacks,
    offsets_of_parts,
    setup_of_part,
    table_frame,
)
from tests.kinematics.samples import assert_close, hand_of, random_machine, random_stack

PLATE, POST = StackStep("plate", up_mm=20.0, turn_deg=30.0), StackStep("post", up_mm=95.0)


def step_matrix(step):
    """A step by scipy: shift and lift, then intrinsic turns in order."""
    turn = Rotation.identity()
    for axis, angle in (*step.rotate, ("z", step.turn_deg)):
        turn = turn * Rotation.from_euler(axis, angle, degrees=True)
    matrix = np.eye(4)
    matrix[:3, :3] = turn.as_matrix()
    matrix[:3, 3] = (*step.shift_mm, step.up_mm)
    return matrix


def line_matrix(rotary, machine_deg):
    """A turn about a rotary's line by pytransform3d."""
    turn = np.radians(hand_of(rotary.positive_turn) * (machine_deg - rotary.zero_deg))
    rotation = pr.matrix_from_axis_angle((*rotary.direction, turn))
    return pt.transform_from(rotation, rotary.point_mm - rotation @ rotary.point_mm)


def offset_by_matrices(machine, steps, origin_mm, machine_deg):
    pose = np.eye(4)
    for rotary, angle in zip(machine.rotaries, machine_deg, strict=True):
        pose = pose @ line_matrix(rotary, angle)
    frame = table_frame(machine)
    pose = pose @ pt.transform_from(frame.rotation, frame.translation_mm)
    for step in steps:
        pose = pose @ step_matrix(step)
    return (pose @ (*origin_mm, 1.0))[:3]


@pytest.mark.parametrize("seed", range(40))
def test_nests_against_independent_matrices(seed):
    rng = np.random.default_rng(seed)
    machine = random_machine(rng)
    trunk, left, right, upper = (random_stack(rng, 3) for _ in range(4))
    trunk = [StackStep(f"trunk {k}", s.up_mm, s.shift_mm, s.rotate, s.turn_deg) for k, s in enumerate(trunk)]
    right = [StackStep(f"right {k}", s.up_mm, s.shift_mm, s.rotate, s.turn_deg) for k, s in enumerate(right)]
    nests = [
        Nest("upper", "right 1", upper),  # before the nest that it stands on
        Nest("left", "trunk 1", left),
        Nest("right", "trunk 2", right),
        Nest("alone", None, left),
    ]
    expected = [
        [*trunk, *right[:2], *upper],
        [*trunk[:2], *left],
        [*trunk, *right],
        left,
    ]
    for stack, steps in zip(nest_stacks(trunk, nests), expected, strict=True):
        origin, angles = rng.uniform(-100, 100, 3), rng.uniform(-180, 180, len(machine.rotaries))
        setup = Setup.from_stack(machine, [one.step for one in stack])
        found = setup.work_offset(origin, angles)
        assert_close(found, offset_by_matrices(machine, steps, origin, angles), within=1e-9)


@pytest.mark.parametrize(
    ("nests", "words"),
    [
        ([Nest("left", "pots", [])], "nest left, on: expected a step of the stack or of another nest"),
        ([Nest("left", "vice", [StackStep("vice")])], "stands on the nest itself"),
        (
            [Nest("a", "b1", [StackStep("a1")]), Nest("b", "a1", [StackStep("b1")])],
            "stands on the nest itself",
        ),
        ([Nest("left", None, []), Nest("left", "plate", [])], "2 called 'left'"),
        ([Nest("left", "post", [StackStep("post")])], "2 called 'post'"),
        (["left"], "expected a Nest"),
    ],
)
def test_nests_that_cannot_stand(nests, words):
    with pytest.raises(KinematicsError) as refusal:
        nest_stacks([PLATE, POST], nests)
    assert words in str(refusal.value)


@pytest.mark.parametrize("seed", range(25))
def test_parts_against_independent_matrices(seed):
    """A part lifted, moved and clocked is a stack whose last step is that; its touch-off is read off the matrices."""
    rng = np.random.default_rng(seed)
    machine = random_machine(rng)
    steps = random_stack(rng, 2)
    setup = Setup.from_stack(machine, steps)
    count, n = 6, len(machine.rotaries)
    origins, program = rng.uniform(-80, 80, (4, 3)), rng.uniform(-180, 180, (4, n))
    at = rng.uniform(-180, 180, n)
    moved = [
        StackStep("part", *rng.uniform(-1, 1, 1), tuple(rng.uniform(-1, 1, 2)), (), turn)
        for turn in rng.uniform(-3, 3, count)
    ]
    touched = [offset_by_matrices(machine, [*steps, part], np.zeros(3), at) for part in moved]
    clock = [part.turn_deg for part in moved]
    found = offsets_of_parts(setup, origins, program, touched, at, clock)
    for k, part in enumerate(moved):
        for m in range(len(origins)):
            expected = offset_by_matrices(machine, [*steps, part], origins[m], program[m])
            assert_close(found.offset_mm[k, m], expected, within=1e-9)
        lone = setup_of_part(setup, touched[k], at, clock[k])
        assert_close(lone.work_offset(origins, lone.machine_deg(program)), found.offset_mm[k], within=1e-9)
        assert_close(found.distance_mm[k], np.linalg.norm([*part.shift_mm, part.up_mm]), within=1e-9)


@pytest.mark.parametrize("seed", range(15))
def test_squaring_up_puts_a_clocked_part_where_the_nominal_one_stands(seed):
    """On a platter that is true to its rotary, the offset takes the whole turn out at the program angles."""
    rng = np.random.default_rng(seed)
    machine = random_machine(rng, rotaries=2, upright=True)
    letter = machine.letters[-1]
    setup = Setup.from_stack(machine, [StackStep("post", up_mm=80.0, shift_mm=(30.0, -10.0), turn_deg=12.0)])
    setup = setup.aligned(letter)
    clock = rng.uniform(-2, 2, 5)
    zero = setup.work_offset([0, 0, 0], machine.angles(np.zeros(2)))
    program = rng.uniform(-90, 90, (3, 2))
    found = offsets_of_parts(setup, np.zeros((3, 3)), program, np.tile(zero, (5, 1)), [0, 0], clock, [letter])
    for k in range(5):
        part = setup_of_part(setup, zero, [0, 0], clock[k], [letter])
        assert_close(
            part.machine_axes(found.machine_deg[k]),
            setup.machine_axes(setup.machine_deg(program)),
            within=1e-12,
        )
        squared = Setup(machine, part.part_in_table, setup.rotary_offset_deg).aligned(letter)
        off = (squared.rotary_offset_deg - found.rotary_offset_deg[k] + 180.0) % 360.0 - 180.0
        assert_close(off, 0.0, within=1e-9)


@pytest.mark.parametrize("places", [(0,), (1,), (1, 0), (0, 1)])
@pytest.mark.parametrize("seed", range(3))
def test_whichever_rotaries_square_up_it_is_as_if_each_part_were_squared_by_itself(seed, places):
    """One after the other in the order given, against the setup of each part; the last rotary stands turned meanwhile."""
    rng = np.random.default_rng(seed)
    machine = random_machine(rng, rotaries=2)
    letters = [machine.letters[k] for k in places]
    setup = Setup.from_stack(machine, random_stack(rng, 2))
    setup = Setup(machine, setup.part_in_table, rng.uniform(-30, 30, 2))
    for letter in letters:
        setup = setup.aligned(letter)
    clock = rng.uniform(-2, 2, 3)
    zero = setup.work_offset([0, 0, 0], machine.angles(np.zeros(2)))
    found = offsets_of_parts(
        setup, np.zeros((1, 3)), np.zeros((1, 2)), np.tile(zero, (3, 1)), [0, 0], clock, letters
    )
    for k in range(3):
        turned = setup_of_part(setup, zero, [0, 0], clock[k]).part_in_table
        alone = Setup(machine, turned, setup.rotary_offset_deg)
        nominal = setup
        for letter in letters:
            alone, nominal = alone.aligned(letter), nominal.aligned(letter)
        moved = (alone.rotary_offset_deg - nominal.rotary_offset_deg + 180.0) % 360.0 - 180.0
        assert_close(found.rotary_offset_deg[k] - setup.rotary_offset_deg, moved, within=1e-9)
        # The part's z, where that is what a rotary lines up, stays as it is however the part is clocked.
        assert np.abs(moved).max() > 1e-3 or {setup.alignment_axis(letter) for letter in letters} == {"z"}


def test_parts_that_do_not_match_are_refused():
    setup = Setup.from_stack(random_machine(np.random.default_rng(0), rotaries=1), [PLATE])
    with pytest.raises(KinematicsError, match="one angle for each of 1 parts"):
        offsets_of_parts(setup, [[0, 0, 0]], [[0]], [[0, 0, 0]], [0], [1.0, 2.0])
    with pytest.raises(KinematicsError, match="letters of rotaries"):
        offsets_of_parts(setup, [[0, 0, 0]], [[0]], [[0, 0, 0]], [0], 0.0, "C")
    with pytest.raises(KinematicsError, match="rotary: expected one of"):
        offsets_of_parts(setup, [[0, 0, 0]], [[0]], [[0, 0, 0]], [0], 0.0, ["Q"])
