"""A part's zero and clocking from touches, and what they do to every work offset: against parts that were really moved."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import assert_close, random_machine, random_stack

from kinematics import (
    KinematicsError,
    Machine,
    Platter,
    Pose,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    offsets_of_parts,
    rotation_about_line,
)
from kinematics.batch import (
    ZeroProbing,
    centre_touch,
    clocked_shift,
    clocking_terms,
    part_shift,
    shift_response,
    surface_touch,
)

SEEDS = st.integers(0, 2**32 - 1)
TIP = 2.5


def random_setup(random):
    machine = random_machine(random, reach_mm=400.0)
    setup = Setup.from_stack(machine, random_stack(random))
    return Setup(machine, setup.part_in_table, random.uniform(-5.0, 5.0, len(machine.rotaries)))


def moved_part(setup, shift, clock_deg):
    """The part's frame in machine coordinates, as it really lies at the all-zero pose."""
    part = setup.part_in_machine
    turn = rotation_about_line([0.0, 0.0, 0.0], [0.0, 0.0, 1.0], clock_deg)
    turned = part @ turn
    return Pose(turned.rotation, part.translation_mm + shift)


def middle_of_tip(setup, real, point, normal):
    """Place of the tip's middle when it touches, coming along the nominal normal of the nominal point."""
    outward, on_it = real.rotate(normal), real.apply(point)
    way = -setup.part_in_machine.rotate(normal)
    start = setup.part_in_machine.apply(point) - 8.0 * way
    return start + (TIP - (start - on_it) @ outward) / (way @ outward) * way


FACE = ([3.0, -2.0, 0.0], [0.0, 0.0, 1.0])
EDGES = ([-15.0, -14.0, -6.0], [-1.0, 0.0, 0.0]), ([-15.0, 14.0, -7.5], [-1.0, 0.0, 0.0])
OTHER = ([2.0, 20.0, -6.0], [0.0, 1.0, 0.0])


@given(SEEDS, st.booleans())
def test_touches_of_a_moved_and_clocked_part_give_its_shift(seed, clocked):
    random = np.random.default_rng(seed)
    setup = random_setup(random)
    shift, clock = random.normal(size=3), random.uniform(-4.0, 4.0) if clocked else 0.0
    real = moved_part(setup, shift, clock)
    surfaces = (FACE, *EDGES, OTHER) if clocked else (FACE, EDGES[0], OTHER)
    probing = ZeroProbing(
        setup, tuple(surface_touch(*one, TIP) for one in surfaces), (1, 2) if clocked else None
    )
    found = np.array([middle_of_tip(setup, real, *one) for one in surfaces])
    told, turned = part_shift(probing, np.stack([found, found]))
    assert_close(told, np.stack([shift, shift]), within=1e-9)
    assert_close(turned, [clock, clock], within=1e-9)


@given(SEEDS, st.booleans())
def test_a_round_and_a_face_give_the_shift(seed, clocked):
    random = np.random.default_rng(seed)
    setup = random_setup(random)
    shift, clock = random.normal(size=3), random.uniform(-4.0, 4.0) if clocked else 0.0
    real = moved_part(setup, shift, clock)
    centre = np.array([5.0, -3.0, -6.0])
    # The axis is met at another height than where the centre was expected.
    axis = real.apply(centre + np.array([0.0, 0.0, random.normal()]))
    touches = [surface_touch(*FACE, TIP), centre_touch(centre)]
    found = [middle_of_tip(setup, real, *FACE), axis]
    if clocked:
        # The edge is off its drawing by as much as it likes: it gives the clocking and not the place.
        off = np.array([random.normal(), 0.0, 0.0])
        touches += [surface_touch(*one, TIP, clock_only=True) for one in EDGES]
        found += [middle_of_tip(setup, real, point + off, normal) for point, normal in EDGES]
    told, turned = part_shift(
        ZeroProbing(setup, tuple(touches), (2, 3) if clocked else None), np.array(found)
    )
    assert_close(told, shift, within=1e-9)
    assert_close(turned, clock, within=1e-9)


@given(SEEDS, st.booleans())
def test_every_offset_of_a_moved_part_is_the_nominal_one_and_the_shift_carried_to_its_pose(seed, squares_up):
    random = np.random.default_rng(seed)
    hold_against_parts(random_setup(random), random, squares_up=squares_up)


def hold_against_parts(setup, random, *, squares_up):
    machine = setup.machine
    count, last = len(machine.rotaries), machine.letters[-1]
    origins, program = random.normal(size=(5, 3)) * 40.0, random.uniform(-180.0, 180.0, (5, count))
    shifts, clocks = random.normal(size=(4, 3)), random.uniform(-3.0, 3.0, 4)
    touched = setup.part_in_machine.translation_mm + shifts
    letters = [last] if squares_up else []
    right = offsets_of_parts(setup, origins, program, touched, machine.zero_deg, clocks, letters)
    terms = clocking_terms(setup, origins, last if squares_up else None)
    nominal_deg = setup.machine_deg(program)
    moved = clocked_shift(terms, shifts, clocks)
    nominal = setup.work_offset(origins, nominal_deg)
    found = nominal + (shift_response(setup, nominal_deg) @ moved[..., None])[..., 0]
    assert_close(found, right.offset_mm, within=1e-8)
    turned = setup.rotary_offset_deg[-1] + terms.sign * terms.turn_deg(clocks)
    assert_close(turned, right.rotary_offset_deg[:, -1], within=1e-9)


def test_a_part_squared_up_by_its_z_has_nothing_to_take_out(rng):
    """On an indexer along X, a part turned by 90 degrees: x of the mill and y of the part lie along the line, z is left."""
    a = RotaryAxis("A", [-300.0, -200.0, -150.0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(
        Machine("indexer", (a,), Platter()), [StackStep("block", up_mm=40.0, turn_deg=90.0)]
    )
    assert setup.alignment_axis("A") == "z"
    assert clocking_terms(setup, [[10.0, 0.0, 0.0]], "A").turn_deg(0.5) == 0.0
    hold_against_parts(setup, rng, squares_up=True)


def test_what_cannot_be_told_is_refused(rng):
    setup = random_setup(rng)
    face, first, second, other = (surface_touch(*one, TIP) for one in (FACE, *EDGES, OTHER))
    with pytest.raises(KinematicsError, match="left open"):
        ZeroProbing(setup, (face, first, second))
    with pytest.raises(KinematicsError, match="one surface"):
        ZeroProbing(setup, (face, first, other), (1, 2))
    with pytest.raises(KinematicsError, match="upright plane"):
        ZeroProbing(setup, (face, face, first, other), (0, 1))
    above = surface_touch([-15.0, -14.0, -9.0], [-1.0, 0.0, 0.0], TIP)
    with pytest.raises(KinematicsError, match="above the other"):
        ZeroProbing(setup, (face, first, above, other), (1, 2))
