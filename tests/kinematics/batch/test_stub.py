"""The stub against textbook cases, a beam of finite elements, and its own laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics import KinematicsError
from kinematics.batch import Stub, breaking_force_n, stub_load, worst_stub_load
from kinematics.reach import Section

ROUND = Stub(Section(diameter_mm=12.0), 6.0, 70.0, 280.0)
BAR = Stub(Section(edges_mm=(20.0, 5.0)), 4.0, 70.0, 280.0)
numbers = st.floats(-200.0, 200.0)


def by_elements(stub, force, at, count=40):
    """Deflection of the point from plane beam elements of Hermite shape, assembled and solved: another way."""
    width, depth = stub.section.edges_mm or (stub.section.diameter_mm,) * 2
    if stub.section.edges_mm is None:
        second = {"x": np.pi * width**4 / 64.0, "y": np.pi * width**4 / 64.0}
    else:
        second = {"x": depth * width**3 / 12.0, "y": width * depth**3 / 12.0}
    h = stub.length_mm / count
    moment = np.cross(at, force)
    out = {}
    for axis, load, bend in (("x", force[0], moment[1]), ("y", force[1], -moment[0])):
        stiffness = np.zeros((2 * count + 2,) * 2)
        element = np.array(
            [[12, 6 * h, -12, 6 * h], [6 * h, 4 * h * h, -6 * h, 2 * h * h],
             [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h]]
        ) * stub.modulus_gpa * 1e3 * second[axis] / h**3  # fmt: skip
        for i in range(count):
            stiffness[2 * i : 2 * i + 4, 2 * i : 2 * i + 4] += element
        right = np.zeros(2 * count + 2)
        right[-2:] = load, bend
        out[axis] = np.linalg.solve(stiffness[2:, 2:], right[2:])[-2:]
    (x, dx), (y, dy) = out["x"], out["y"]
    return np.array([x + dx * at[2], y + dy * at[2]]), dx, dy


@pytest.mark.parametrize("stub", [ROUND, BAR])
@given(fx=numbers, fy=numbers, z=st.floats(0.0, 60.0))
def test_the_part_moves_as_beam_elements_do(stub, fx, fy, z):
    force, at = np.array([fx, fy, 0.0]), np.array([0.0, 0.0, z])
    moved, _, _ = by_elements(stub, force, at)
    np.testing.assert_allclose(stub_load(stub, force, at).deflection_mm[:2], moved, rtol=1e-7, atol=1e-9)


@given(*[numbers] * 6, *[st.floats(-30.0, 30.0)] * 3, st.floats(-5.0, 5.0))
def test_loads_superpose_and_scale(a, b, c, d, e, f, x, y, z, factor):
    at = [x, y, z]
    one, two = stub_load(BAR, [a, b, c], at), stub_load(BAR, [d, e, f], at)
    both = stub_load(BAR, np.add([a, b, c], [d, e, f]), at)
    np.testing.assert_allclose(both.deflection_mm, one.deflection_mm + two.deflection_mm, atol=1e-9)
    assert both.stress_mpa <= one.stress_mpa + two.stress_mpa + 1e-6
    scaled = stub_load(BAR, factor * np.array([a, b, c]), at)
    assert scaled.stress_mpa == pytest.approx(abs(factor) * one.stress_mpa, abs=1e-6)


@given(*[numbers] * 6, *[st.floats(-30.0, 30.0)] * 6)
def test_what_one_force_moves_the_other_moves_as_much(a, b, c, d, e, f, x, y, z, u, v, w):
    """Reciprocity (Maxwell, Betti): the work of each force in the other's movement is the same.

    The movement at the other's place is had from a load there of no size but for the direction asked for.
    """
    first, second, here, there = [a, b, c], [d, e, f], [x, y, z], [u, v, w]

    def moved_at(force, at, place):
        # Columns of the flexibility between two places, from loads at the one and movement of the rigid part.
        load = stub_load(ROUND, force, at).deflection_mm
        turn = rotation(ROUND, force, at)
        return load + np.cross(turn, np.subtract(place, at))

    left, right = np.dot(second, moved_at(first, here, there)), np.dot(first, moved_at(second, there, here))
    assert left == pytest.approx(right, rel=1e-7, abs=1e-8)


def rotation(stub, force, at):
    """The part's turn, from the movement of three places that carry the same force and moment."""
    second = np.pi * 12.0**4 / 64.0
    ei = stub.modulus_gpa * 1e3 * second
    mx, my, mz = np.cross(at, force)
    length = stub.length_mm
    gj = stub.modulus_gpa * 1e3 / 2.6 * 2.0 * second
    return np.array(
        [
            -(force[1] * length**2 / (2 * ei) - mx * length / ei),
            force[0] * length**2 / (2 * ei) + my * length / ei,
            mz * length / gj,
        ]
    )


@given(st.floats(1.0, 60.0))
def test_the_breaking_force_brings_the_foot_to_its_strength(height):
    for stub, across in ((ROUND, [1.0, 0.0, 0.0]), (BAR, [0.0, 1.0, 0.0])):
        force = breaking_force_n(stub, height)
        load = stub_load(stub, force * np.array(across), [0.0, 0.0, height])
        assert load.stress_mpa == pytest.approx(stub.strength_mpa)


def test_torsion_after_saint_venant():
    """A bar twice as wide as thick: k = 0.246 and 0.229 (table of Timoshenko's, from memory); the series is within 1 %."""
    stub = Stub(Section(edges_mm=(20.0, 10.0)), 10.0, 70.0, 280.0)
    # A couple about z of 1,000 N mm: a force across at 1 m, less the bending it brings, seen in the twist alone.
    arm = 1000.0
    stress = stub_load(stub, [0.0, 1e-9, 0.0], [arm, 0.0, -10.0]).stress_mpa / (np.sqrt(3.0) * 1e-9 * arm)
    assert stress == pytest.approx(1.0 / (0.246 * 20.0 * 10.0**2), rel=0.01)
    moved = stub_load(stub, [0.0, 1e-9, 0.0], [arm, 0.0, -10.0]).deflection_mm[1] / 1e-9
    shear = 70e3 / 2.6
    assert moved == pytest.approx(arm * arm * 10.0 / (shear * 0.229 * 20.0 * 10.0**3), rel=0.01)


def test_leading_shapes_broadcast():
    load = stub_load(ROUND, np.ones((4, 1, 3)), np.zeros((5, 3)))
    assert (load.stress_mpa.shape, load.deflection_mm.shape) == ((4, 5), (4, 5, 3))


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: Stub(Section(diameter_mm=5.0), 0.0, 70.0, 280.0), "found 0"),
        (lambda: Stub((5.0,), 1.0, 70.0, 280.0), "Section"),
        (lambda: stub_load(ROUND, [1.0, 2.0], [0.0, 0.0, 0.0]), r"\(2,\)"),
        (lambda: stub_load(ROUND, np.ones((2, 3)), np.ones((3, 3))), "broadcast"),
        (lambda: stub_load(ROUND, [1.0, 2.0, np.nan], [0.0, 0.0, 0.0]), "NaN"),
        (lambda: breaking_force_n(ROUND, -6.0), "found -6"),
    ],
)
def test_what_is_no_load_is_refused(call, found):
    with pytest.raises(KinematicsError, match=found):
        call()


SECTIONS = [Section(diameter_mm=8.0), Section(diameter_mm=8.0, bore_mm=5.0), Section(edges_mm=(10.0, 4.0))]


@given(st.sampled_from(SECTIONS), st.integers(0, 2**32 - 1))
def test_no_direction_is_worse_than_the_worst(section, seed):
    random = np.random.default_rng(seed)
    stub, at = Stub(section, 3.0, 70.0, 300.0), random.normal(size=(4, 3)) * 15.0
    stress, moved = worst_stub_load(stub, 200.0, at)
    way = random.normal(size=(20_000, 1, 3))
    tried = stub_load(stub, 200.0 * way / np.linalg.norm(way, axis=-1, keepdims=True), at)
    sizes = np.linalg.norm(tried.deflection_mm, axis=-1)
    assert (tried.stress_mpa.max(axis=0) <= stress * (1.0 + 3e-6)).all()
    assert (sizes.max(axis=0) <= moved * (1.0 + 1e-12)).all()
    # Of so many directions one is within three degrees of the worst: 0.2 % at a smooth crest, some per cent at a corner's.
    assert (tried.stress_mpa.max(axis=0) >= stress * 0.95).all()
    assert (sizes.max(axis=0) >= moved * 0.99).all()


def test_shapes_of_the_worst_load():
    stub = Stub(Section(diameter_mm=8.0), 3.0, 70.0, 300.0)
    stress, moved = worst_stub_load(stub, [[100.0], [200.0]], np.zeros((5, 3)))
    assert stress.shape == moved.shape == (2, 5)
    assert np.allclose(stress[1], 2.0 * stress[0])
    assert worst_stub_load(stub, 0.0, np.zeros((0, 3)))[0].shape == (0,)
