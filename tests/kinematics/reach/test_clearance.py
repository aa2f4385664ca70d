"""Distances: by hand, by sampling, and as the collision library gives them for every pair."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist
from slices import cases

from kinematics import StackStep
from kinematics.reach.beam import Section
from kinematics.reach.clearance import clearances, swept_bodies, witness_points
from kinematics.reach.collision_bodies import collision_body, vertices_of
from kinematics.reach.distance_bounds import bounding_discs, gap_bounds
from kinematics.reach.scene import exact_gap_mm, group_poses, scene_of
from kinematics.reach.shapes import BASE, PART, Box, Frustum, Mesh, Solid, on_rotary, on_step
from kinematics.reach.tool_assembly import HolderPart, TipEnvelope, Tool, minkowski_sum
from kinematics.transform import Pose, rotation_about_axis


def only(found, within):
    """The one nearest pair: its gap is at most the true one, and short of it by no more than it says."""
    (one,) = found
    assert one.nearest is not None
    assert one.nearest.facet_error_mm < within
    return one.nearest


@pytest.mark.parametrize(
    ("solid", "pair", "true_mm"),
    [
        # Derived here: tool 10 dia, 40 mm out of a holder 50 dia, tip at (0, 0, 100).
        (Solid("wall", Box([30, -50, 0], [40, 50, 300]), BASE), ("holder 1", "wall"), 5.0),  # 30 - 25
        (
            Solid("low wall", Box([30, -50, 0], [40, 50, 120]), BASE),
            ("holder 1", "low wall"),
            np.hypot(5, 20),
        ),
        (Solid("shelf", Box([-90, -90, 90], [90, 90, 93]), BASE), ("tool", "shelf"), 7.0),
        (
            Solid("post", Frustum([50, 0, 0], [50, 0, 400], 20), BASE),
            ("holder 1", "post"),
            15.0,
        ),  # 50 - 25 - 10
        (
            Solid("rail", Frustum([0, 60, 150], [1, 60, 150], 20), BASE),
            ("holder 1", "rail"),
            25.0,
        ),  # 60 - 25 - 10
        # Skew round bars: the distance of their lines less both radii.
        (
            Solid("bar", Frustum([-99, 70, 20], [99, 70, 300], 16), BASE),
            ("holder 1", "bar"),
            70.0 - 25.0 - 8.0,
        ),
    ],
)
def test_distances_by_hand(make, solid, pair, true_mm):
    model = make.model([make.operation()], [solid], section=None, spindle=())
    near = only(clearances(model), 0.1)
    assert (near.body, near.obstacle) == pair
    assert true_mm - near.facet_error_mm - 1e-9 <= near.gap_mm <= true_mm + 1e-9


def test_a_sweep_brings_the_far_corner_near(make):
    wall = Solid("wall", Box([-200, 60, 0], [200, 70, 400]), BASE)
    sweep = TipEnvelope([-10, -5, -3], [10, 20, 50])
    model = make.model([make.operation(sweep=sweep)], [wall], section=None, spindle=())
    near = only(clearances(model), 0.1)
    assert near.gap_mm == pytest.approx(60 - 20 - 25, abs=near.facet_error_mm)  # at the far +Y end
    witness = witness_points(model, scene_of(model), model.operations[0], near)
    assert witness.corner == (0, 1, 0)
    assert witness.obstacle_mm[1] == pytest.approx(60.0, abs=0.05)
    assert witness.body_mm[1] == pytest.approx(45.0, abs=0.1)


def test_the_corner_is_named(make):
    peg = Solid("peg", Frustum([60, -60, 0], [60, -60, 170], 20), BASE)
    model = make.model(
        [make.operation(sweep=TipEnvelope([-8, -8, -8], [8, 8, 8]))], [peg], section=None, spindle=()
    )
    near = only(clearances(model), 0.1)
    # The whole holder stands beside the peg at every height: Z is not to blame.
    assert near.gap_mm == pytest.approx(np.hypot(52, 52) - 25 - 10, abs=near.facet_error_mm)
    witness = witness_points(model, scene_of(model), model.operations[0], near)
    assert witness.corner == (1, -1, 0)
    assert np.linalg.norm(witness.body_mm - witness.obstacle_mm) == pytest.approx(near.gap_mm, abs=0.1)


def test_cutting_is_allowed_and_only_that(make):
    blank = Solid("blank", Box([-50, -50, 40], [50, 50, 110]), PART, machinable=True)
    deep = make.operation("deep", origin=(0, 0, 40))
    (found,) = clearances(make.model([deep], [blank], section=None, spindle=()))
    # The tool stands 70 mm deep in the blank with 40 mm out of its holder: the holder hits, the tool cuts.
    assert [(near.body, near.obstacle, near.gap_mm) for near in found.too_close] == [
        ("holder 1", "blank", 0.0)
    ]
    fixture = Solid("clamp", Box([-50, -50, 140], [50, 50, 210]), on_step(0))
    (found,) = clearances(make.model([deep], [fixture], section=None, spindle=()))
    assert {near.body for near in found.too_close} == {"tool", "holder 1"}


def test_overlapping_names_the_place(make):
    block = Solid("block", Box([10, -5, 150], [60, 5, 160]), BASE)
    model = make.model([make.operation()], [block], section=None, spindle=())
    near = only(clearances(model), 0.1)
    assert near.gap_mm == 0.0
    witness = witness_points(model, scene_of(model), model.operations[0], near)
    assert 10 <= witness.body_mm[0] <= 25.2
    assert 150 <= witness.body_mm[2] <= 160


def random_layout(make, seed, ops=6):
    random = np.random.default_rng(seed)

    def point(size):
        return random.uniform(-size, size, 3)

    solids = []
    for k in range(12):
        on = [BASE, on_rotary(0), on_rotary(1), on_step(0), PART][k % 5]
        middle = point(120.0) * [1, 1, 0.4]
        if k % 3 == 0:
            edge = random.uniform(5, 40, 3)
            shape = Box(middle - edge, middle + edge)
        elif k % 3 == 1:
            shape = Frustum(middle, middle + point(60.0), random.uniform(5, 50), random.uniform(5, 50))
        else:
            shape = Frustum(middle, middle + point(60.0), 50.0, None, random.uniform(5, 40))
        solids.append(Solid(f"solid {k}", shape, on, machinable=on is PART))
    operations = [
        make.operation(
            f"op {k}",
            (random.uniform(-120, 30), random.uniform(0, 360)),
            point(40.0),
            sweep=TipEnvelope(-e, e),
        )
        for k, e in enumerate(random.uniform(0, 25, (ops, 3)))
    ]
    return make.model(operations, solids)


@pytest.mark.parametrize("seed", range(3))
def test_the_same_answer_as_asking_for_every_pair(make, seed):
    model = random_layout(make, seed, ops=2)
    scene = scene_of(model)
    for operation, found in zip(model.operations, clearances(model, 3.0, scene), strict=True):
        poses = group_poses(model.machine, operation.machine_deg)
        # Farther than the answer by more than what was asked for, no distance counts, and the library takes long to look far.
        far = found.nearest.gap_mm + 3.5
        gaps = {
            (swept.body.name, body.name): exact_gap_mm(scene, k, poses, swept, far)
            for swept in swept_bodies(model, operation)
            for k, body in enumerate(scene.bodies)
            if not (swept.body.machinable and body.machinable)
        }
        assert found.nearest.gap_mm == pytest.approx(min(gaps.values()), abs=1e-9)
        near = {pair for pair, gap in gaps.items() if gap < 3.0}
        assert {(one.body, one.obstacle) for one in found.too_close} == near


@pytest.mark.parametrize("seed", range(3))
def test_sampled_points_never_come_nearer(make, seed):
    """Independent of hulls and library: true points of the solids, tip positions inside the box."""
    model = random_layout(make, seed + 10, ops=3)
    random = np.random.default_rng(seed)
    scene = scene_of(model)
    for operation, found in zip(model.operations, clearances(model, 0.0, scene), strict=True):
        low, high = model.tips_mm(operation)
        tips = np.concatenate([random.uniform(low, high, (30, 3)), [low, high]])
        holder = ring(random, 25.0, 40.0, 100.0)
        cutting = (tips[:, None] + holder[None]).reshape(-1, 3)
        poses = group_poses(model.machine, operation.machine_deg)
        for solid in model.all_solids():
            inside = model.frame(solid.on).apply(points_in(random, solid.shape))
            turning = poses[model.carried_by(solid.on)].apply(inside)
            nearest = cdist(cutting, turning).min()
            assert nearest >= found.nearest.gap_mm - 1e-9


def ring(random, radius, low, high):
    angle = random.uniform(0, 2 * np.pi, 60)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), random.uniform(low, high, 60)], axis=-1)


def points_in(random, shape):
    if isinstance(shape, Box):
        return random.uniform(shape.low_mm, shape.high_mm, (80, 3))
    share, angle = random.uniform(0, 1, (2, 80))
    first, last = shape.diameters_mm
    radius = (first + (last - first) * share) / 2
    x = np.cross(shape.axis, [0.3, 0.5, 0.8])
    x /= np.linalg.norm(x)
    y = np.cross(shape.axis, x)
    turn = 2 * np.pi * angle
    middle = shape.from_mm + share[:, None] * (shape.to_mm - shape.from_mm)
    return middle + radius[:, None] * (np.cos(turn)[:, None] * x + np.sin(turn)[:, None] * y)


shapes = st.integers(0, 2**31)


def random_body(random):
    middle = random.uniform(-20, 20, 3)
    if random.random() < 0.5:
        shape = Frustum(
            middle, middle + random.uniform(-60, 60, 3), random.uniform(2, 60), random.uniform(2, 60)
        )
    else:
        shape = Box(middle, middle + random.uniform(2, 90, 3))
    pose = Pose(
        rotation_about_axis(random.normal(size=3), random.uniform(0, 360)), random.uniform(-90, 90, 3)
    )
    return collision_body("body", shape).moved(pose)


@settings(max_examples=cases(60), deadline=None)
@given(shapes)
def test_bounds_hold(seed):
    random = np.random.default_rng(seed)
    first, second = random_body(random), random_body(random)
    low, high = (float(bound[0]) for bound in gap_bounds(bounding_discs([first]), bounding_discs([second])))
    gap = first.manifold.min_gap(second.manifold, 1000.0)
    facet_error = first.facet_error_mm + second.facet_error_mm
    assert low <= gap + 1e-9
    assert gap <= high + 2 * facet_error + 1e-9


def test_a_mesh_and_its_own_shape_agree(make):
    shape = Box([40, -20, 90], [70, 20, 150])
    corners = vertices_of(collision_body("block", shape).manifold)
    made = collision_body("block", shape).manifold.to_mesh64()
    mesh = Mesh(corners, np.asarray(made.tri_verts, dtype=np.int64))
    plain = only(clearances(make.model([make.operation()], [Solid("it", shape, BASE)], section=None)), 0.1)
    meshed = only(clearances(make.model([make.operation()], [Solid("it", mesh, BASE)], section=None)), 0.1)
    assert meshed.gap_mm == pytest.approx(plain.gap_mm, abs=1e-9)
    assert meshed.body == plain.body


def test_a_hollow_mesh_is_not_filled(make):
    # A tube about the tool: the tool stands free in its bore, which the bounding box and the hull do not know.
    tube = collision_body("tube", Frustum([0, 0, 90], [0, 0, 130], 80.0, None, 40.0)).manifold.to_mesh64()
    mesh = Mesh(np.asarray(tube.vert_properties)[:, :3], np.asarray(tube.tri_verts, dtype=np.int64))
    near = only(clearances(make.model([make.operation()], [Solid("ring", mesh, BASE)], section=None)), 0.1)
    # To the bore's wall 20 - 5; to the holder's lower face, at 140, only 10 above the ring.
    assert near.gap_mm == pytest.approx(10.0, abs=1e-6)
    tall = collision_body("tube", Frustum([0, 0, 90], [0, 0, 190], 150.0, None, 60.0)).manifold.to_mesh64()
    mesh = Mesh(np.asarray(tall.vert_properties)[:, :3], np.asarray(tall.tri_verts, dtype=np.int64))
    model = make.model([make.operation()], [Solid("ring", mesh, BASE)], section=None, spindle=())
    near = only(clearances(model), 0.1)
    assert (near.body, near.gap_mm) == ("holder 1", pytest.approx(5.0, abs=0.1))


def test_a_swept_cone_is_the_hull_of_its_corners():
    tool = Tool("ball", 90.0, 6.0, (HolderPart(30.0, 60.0, 30.0),))
    from kinematics.reach.tool_assembly import cutting_bodies

    cone = cutting_bodies(tool, ())[1]
    volume = minkowski_sum(cone, np.array([10.0, 0.0, 0.0])).volume()
    # Swept along X by 20: its volume and 20 times its seen area, the trapezium 30 high between 60 and 30 wide.
    assert volume == pytest.approx(cone.manifold.volume() + 20.0 * 30.0 * 45.0, rel=5e-3)


def test_nothing_there_and_no_tool(make):
    bare = make.model([make.operation()], [], section=None)
    assert clearances(bare)[0].nearest is None
    unknown = make.model([make.operation(tool=None)], [], section=Section(diameter_mm=50.0))
    assert clearances(unknown)[0].nearest is None
    assert clearances(make.model([], [], section=None)) == ()
    tilted = make.model(
        [make.operation()],
        [],
        steps=(StackStep("wedge", 50.0, rotate=(("x", 20.0),)), StackStep("post", 40.0)),
    )
    assert clearances(tilted)[0].nearest is not None
