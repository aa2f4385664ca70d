"""Volumes and centres of gravity of known solids, and what facets add to them."""

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import Manifold, OpType

from kinematics.errors import KinematicsError
from kinematics.reach.collision_bodies import collision_body, facets, pieced_body, vertices_of
from kinematics.reach.shapes import Box, Frustum, Mesh, box_on, frustum_on
from kinematics.transform import Pose, rotation_about_axis

sizes = st.floats(0.5, 500.0)


def test_cone_frustum_and_tube_by_the_handbook():
    # Mensuration formulas, from memory: cone V = pi r^2 h / 3 with its centre at h/4 from the base (taken here at
    # a tip of almost no diameter); frustum V = pi h (R^2 + R r + r^2) / 3, centre at
    # h (R^2 + 2 R r + 3 r^2) / (4 (R^2 + R r + r^2)) from the larger end; tube V = pi h (R^2 - r^2).
    cone = Frustum([0, 0, 0], [0, 0, 40.0], 30.0, 1e-5)
    assert cone.volume_mm3 == pytest.approx(np.pi * 15**2 * 40 / 3, rel=1e-5)
    assert cone.centre_mm == pytest.approx([0, 0, 10.0], abs=1e-4)
    frustum = Frustum([0, 0, 0], [0, 0, 12.0], 20.0, 10.0)
    assert frustum.volume_mm3 == pytest.approx(np.pi * 12 * (100 + 50 + 25) / 3)
    assert frustum.centre_mm[2] == pytest.approx(12 * (100 + 100 + 75) / (4 * 175))
    tube = Frustum([0, 0, 0], [0, 10.0, 0], 50.0, None, 30.0)
    assert tube.volume_mm3 == pytest.approx(np.pi * 10 * (25**2 - 15**2))
    assert tube.centre_mm == pytest.approx([0, 5.0, 0])


def test_bored_frustum_against_a_fine_mesh():
    shape = Frustum([3, 4, 5], [3, 4, 25], 40.0, 30.0, 12.0)
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    # Independent: the solid of revolution by trimesh, whose volume falls short by the facets alone.
    profile = [[6.0, 0.0], [20.0, 0.0], [15.0, 20.0], [6.0, 20.0], [6.0, 0.0]]
    mesh = trimesh.creation.revolve(profile, sections=len(angle))
    mesh.apply_translation([3, 4, 5])
    assert shape.volume_mm3 == pytest.approx(mesh.volume, rel=1e-5)
    assert shape.centre_mm == pytest.approx(mesh.center_mass, abs=1e-4)


@given(sizes, sizes, sizes)
def test_a_block_and_the_mesh_of_it_agree(x, y, z):
    block = box_on(z, x, y)
    box = trimesh.creation.box(extents=[x, y, z])
    mesh = Mesh(box.vertices + np.array([0, 0, z / 2]), box.faces)
    assert mesh.volume_mm3 == pytest.approx(block.volume_mm3)
    assert mesh.centre_mm == pytest.approx(block.centre_mm, abs=1e-9 * max(x, y, z))


@given(sizes, st.floats(1.0, 300.0), st.floats(-180.0, 180.0))
def test_facets_stand_outside_the_true_round_by_what_is_stated(diameter, height, angle):
    pose = Pose(rotation_about_axis([1.0, 2.0, -0.5], angle), np.array([10.0, -20.0, 30.0]))
    body = collision_body("post", frustum_on(height, diameter)).moved(pose)
    points = pose.inverse().apply(vertices_of(body.manifold))
    radius = np.hypot(points[:, 0], points[:, 1])
    sides = facets(diameter / 2)
    # The middles of the sides lie on the true circle, the corners stand out by facet_error_mm.
    assert radius.max() * np.cos(np.pi / sides) == pytest.approx(diameter / 2, rel=1e-9)
    assert radius.max() - diameter / 2 == pytest.approx(body.facet_error_mm, abs=1e-9 * diameter)
    assert points[:, 2].min() == pytest.approx(0.0, abs=1e-9 * height)
    assert points[:, 2].max() == pytest.approx(height)


def test_a_bore_is_never_larger_than_it_is():
    body = collision_body("tube", frustum_on(10.0, 50.0, 30.0))
    points = vertices_of(body.manifold)
    radius = np.hypot(points[:, 0], points[:, 1])
    assert radius.min() == pytest.approx(15.0)
    assert not body.tight
    assert body.facet_error_mm >= 15.0 * (1 - np.cos(np.pi / facets(25.0)))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Frustum([0, 0, 0], [0, 0, 1.0], -3.0), "more than 0, found -3"),
        (lambda: Frustum([0, 0, 0], [0, 0, 0], 3.0), "two different points"),
        (
            lambda: Frustum([0, 0, 0], [0, 0, 1], 3.0, None, 3.0),
            "bore: expected 0 to less than the diameter of 3",
        ),
        (lambda: Frustum([0, 0, np.nan], [0, 0, 1], 3.0), "finite"),
        (lambda: Box([0, 0, 0], [1, -1, 1]), "edge of -1 along y"),
        (lambda: box_on(10.0, -5.0, 5.0), "found -5"),
        (lambda: Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]]), "3 edges that only one triangle has"),
        (lambda: Mesh([[0, 0, 0]], [[0, 1, 2]]), "triangles of the vertices given"),
    ],
)
def test_shapes_that_cannot_be(make, words):
    with pytest.raises(KinematicsError, match=words):
        make()


def test_a_mesh_inside_out_is_refused():
    box = trimesh.creation.box(extents=[1, 2, 3])
    with pytest.raises(KinematicsError, match="inside out"):
        Mesh(box.vertices, box.faces[:, ::-1])


@pytest.mark.parametrize("seed", range(3))
def test_a_hull_says_by_how_much_it_stands_out(seed):
    """An angle bracket on the spindle is taken as its convex hull: no point of that is farther from it than is stated."""
    foot, wall = trimesh.creation.box(extents=[60, 40, 8]), trimesh.creation.box(extents=[8, 40, 50])
    wall.apply_translation([-26.0, 0.0, 20.0 + seed * 5.0])
    bracket = trimesh.boolean.union([foot, wall], engine="manifold")
    mesh = Mesh(bracket.vertices, bracket.faces)
    body = collision_body("bracket", mesh, convex_only=True)
    assert body.manifold.volume() > mesh.volume_mm3 * 1.5
    hull = trimesh.Trimesh(
        vertices_of(body.manifold), np.asarray(body.manifold.to_mesh64().tri_verts, dtype=int)
    )
    points = trimesh.sample.sample_surface(hull, 500, seed=seed)[0]
    # Independent: the distance of a point to a box in closed form, the nearer of the two.
    off = [
        np.maximum(np.maximum(box.bounds[0] - points, points - box.bounds[1]), 0.0) for box in (foot, wall)
    ]
    farthest = float(np.linalg.norm(off, axis=-1).min(axis=0).max())
    assert farthest > 5.0
    assert farthest <= body.facet_error_mm
    assert collision_body("bracket", mesh).facet_error_mm == 0.0


def test_a_tube_on_the_spindle_is_filled_and_says_so():
    body = collision_body("guard", frustum_on(10.0, 50.0, 30.0), convex_only=True)
    assert body.manifold.volume() == pytest.approx(np.pi * 25.0**2 * 10.0, rel=5e-3)
    assert body.facet_error_mm == pytest.approx(15.0)  # from the middle of its end to the rim of the bore


@pytest.mark.parametrize(
    "tube",
    [
        Frustum([3.0, 1.0, -20.0], [5.0, 50.0, 60.0], 300.0, None, 230.0),
        Frustum([0.0, 0.0, 0.0], [0.0, 0.0, 60.0], 80.0, 120.0, 50.0),
    ],
    ids=["leaning", "cone"],
)
def test_the_wedges_of_a_tube_are_the_tube(tube):
    """None of it lost, nothing added, and every wedge the hull of its corners."""
    body = pieced_body("tube", tube)
    whole = Manifold.batch_boolean([piece.manifold for piece in body.pieces], OpType.Add)
    assert whole.volume() == pytest.approx(body.manifold.volume(), rel=1e-12)
    assert abs((whole - body.manifold).volume()) < 1e-6
    assert abs((body.manifold - whole).volume()) < 1e-6
    for piece in body.pieces:
        assert piece.tight
        assert piece.manifold.hull().volume() == pytest.approx(piece.manifold.volume(), rel=1e-9)
        assert np.sort(vertices_of(piece.manifold), axis=0) == pytest.approx(
            np.sort(piece.discs_mm, axis=0), abs=1e-9
        )
