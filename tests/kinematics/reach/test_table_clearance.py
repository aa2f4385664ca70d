"""Distances of what turns to what stands: by hand, and against distances of sampled points to solids in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep, Travel
from kinematics.reach.beam import Section
from kinematics.reach.clearance import table_clearances
from kinematics.reach.collision_model import CollisionModel, OperationPose, StepBody, platter_solid
from kinematics.reach.feasibility import minimum_clearance
from kinematics.reach.index_moves import job_index_moves
from kinematics.reach.scene import group_poses, scene_of
from kinematics.reach.shapes import BASE, PART, Box, Frustum, Solid, on_rotary
from kinematics.reach.step_height import limiting_cause, step_heights

INCH = 25.4


def trunnion(solids, operations, steps=(), bodies=(), platter_mm=20.0):
    """B tilts about Y, C turns the platter; both lines cross in the platter's face, 160 in diameter."""
    b = RotaryAxis("B", [0, 0, 0], [0, 1, 0], RotationSense.CLOCKWISE, (-110.0, 110.0))
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    travel = Travel([-500.0, -500.0, -500.0], [500.0, 500.0, 500.0])
    machine = Machine("trunnion", (b, c), Platter(face_mm=0.0, diameter_mm=160.0), travel)
    solids = (platter_solid(machine, platter_mm), *solids)
    return CollisionModel(Setup.from_stack(machine, steps), steps, bodies, solids, (), operations)


def table(top_mm):
    return Solid("mill table", Box([-400, -300, top_mm - 80.0], [400, 300, top_mm]), BASE)


def test_a_platter_inside_the_mill_table_at_b90_fails():
    # Derived here: tilted by 90 degrees the platter, 80 in radius, reaches 80 below B's line. The table's top is
    # 1.8 in higher than that: clear at B0, where the platter ends 20 below the line, and deep inside at B90.
    top = -80.0 + 1.8 * INCH
    flat, tilted = OperationPose("flat", [0, 0], [0, 0, 0]), OperationPose("tilted", [90, 0], [0, 0, 0])
    model = trunnion([table(top)], (flat, tilted))
    first, second = table_clearances(model)
    assert first.nearest.gap_mm == pytest.approx(-20.0 - top, abs=1e-6)
    assert (first.too_close, first.nearest.body, first.nearest.obstacle) == ((), "platter", "mill table")
    assert second.nearest.gap_mm == 0.0
    assert second.too_close == (second.nearest,)
    assert minimum_clearance(model)[1].kind == "table"
    low = trunnion([table(-81.0)], (tilted,))
    assert table_clearances(low)[0].nearest.gap_mm == pytest.approx(1.0, abs=0.05)


def test_on_the_way_it_is_certified():
    # Derived here: a bar on the platter, 100 out along X at B0, passes the floor at -103 on its way past B-90:
    # its corner, 2 below the face, swings at hypot(100, 2) and is closest straight below the line. B turns clockwise.
    bar = Solid("bar", Box([60, -5, -2], [100, 5, 2]), on_rotary(1))
    floor = Solid("floor", Box([-400, -300, -200], [400, 300, -103]), BASE)
    ends = (OperationPose("one", [-60, 0], [0, 0, 0]), OperationPose("two", [-110, 0], [0, 0, 0]))
    model = trunnion([bar, floor], ends, platter_mm=1.0)
    (move,) = [one for one in job_index_moves(model, scene_of(model)) if one.start and one.end]
    true = 103.0 - np.hypot(100.0, 2.0)
    assert move.tool is None
    assert move.table.at_least_mm <= true <= move.table.at_least_mm + move.table.shortfall_mm
    assert move.table.at_least_mm == pytest.approx(true, abs=0.06)
    assert (move.table.body, move.table.obstacle) == ("bar", "floor")
    # A floor that the bar scrapes on its way only: at neither end is it near.
    high = Solid("floor", Box([-400, -300, -200], [400, 300, -99]), BASE)
    model = trunnion([bar, high], ends, platter_mm=1.0)
    assert all(found.nearest.gap_mm > 3.0 for found in table_clearances(model))
    assert min(one.table.at_least_mm for one in job_index_moves(model, scene_of(model))) == 0.0


def test_bearings_touch_and_overlaps_fail():
    operation = OperationPose("op", [0, 0], [0, 0, 0])

    def bed(top):
        return Solid("bed", Box([-90, -90, -60], [90, 90, top]), on_rotary(0))

    touching = trunnion([bed(-20.0)], (operation,))
    scene = scene_of(touching)
    assert [(scene.bodies[i].name, scene.bodies[k].name) for i, k in scene.moving_pairs.bearings] == [
        ("platter", "bed")
    ]
    assert table_clearances(touching)[0].nearest is None
    apart = scene_of(trunnion([bed(-20.5)], (operation,)))
    assert apart.moving_pairs.bearings == ()
    sunk = trunnion([bed(-15.0)], (operation,))
    assert scene_of(sunk).moving_pairs.bearings == ()
    assert table_clearances(sunk)[0].nearest.gap_mm == 0.0
    # A block is no round: its corners sweep over the bed, and touching it is no bearing.
    block = Solid("block", Box([-20, -20, -20.0], [50, 50, 40]), on_rotary(1))
    model = trunnion([bed(-20.0), block], (operation,))
    (found,) = table_clearances(model)
    assert [(pair.body, pair.obstacle) for pair in found.too_close] == [("block", "bed")]


def test_a_rotary_that_carries_both_moves_neither():
    arm, shelf = (
        Solid(name, Box([k, 90, -30], [k + 20, 120, 30]), on_rotary(0))
        for name, k in (("arm", 0), ("shelf", 30))
    )
    block = Solid("block", Box([20, 20, 0], [50, 50, 40]), on_rotary(1))
    scene = scene_of(trunnion([arm, shelf, block], (OperationPose("op", [30, 40], [0, 0, 0]),)))
    pairs = scene.moving_pairs
    names = [
        (scene.bodies[i].name, scene.bodies[k].name)
        for i, k in zip(pairs.turning, pairs.standing, strict=True)
    ]
    # The platter turns about its own axis and keeps its distance from what B carries.
    assert names == [("block", "arm"), ("block", "shelf")]


def distance_to(shape, points):
    """Distances of points (m, 3) to a box or a cylinder in closed form; 0 inside."""
    if isinstance(shape, Box):
        return np.linalg.norm(
            np.maximum(np.maximum(shape.low_mm - points, points - shape.high_mm), 0.0), axis=-1
        )
    off = points - shape.from_mm
    along = off @ shape.axis
    across = np.linalg.norm(off - along[:, None] * shape.axis, axis=-1)
    beyond = np.maximum(np.maximum(-along, along - shape.length_mm), 0.0)
    return np.hypot(beyond, np.maximum(across - shape.diameter_mm / 2.0, 0.0))


def surface(shape, random, count=6000):
    """Points on the surface of a box or a cylinder, its edges among them."""
    if isinstance(shape, Box):
        points = random.uniform(shape.low_mm, shape.high_mm, (count, 3))
        rows, axis = np.arange(count), random.integers(0, 3, count)
        points[rows, axis] = np.where(random.random(count) < 0.5, shape.low_mm[axis], shape.high_mm[axis])
        edges = np.stack(
            np.meshgrid(
                *[np.linspace(a, b, 25) for a, b in zip(shape.low_mm, shape.high_mm, strict=True)],
                indexing="ij",
            ),
            -1,
        )
        return np.concatenate([points, edges.reshape(-1, 3)])
    x = np.cross(shape.axis, [0.3, 0.5, 0.8])
    x /= np.linalg.norm(x)
    y = np.cross(shape.axis, x)
    turn, share, out = random.uniform(0, 2 * np.pi, count), random.random(count), np.ones(count)
    ends = np.arange(count) % 3
    share[ends == 1], share[ends == 2] = 0.0, 1.0
    out[(ends > 0) & (np.arange(count) % 2 == 0)] = np.sqrt(
        random.random(int(((ends > 0) & (np.arange(count) % 2 == 0)).sum()))
    )
    radius = out * shape.diameter_mm / 2.0
    ring = radius[:, None] * (np.cos(turn)[:, None] * x + np.sin(turn)[:, None] * y)
    return shape.from_mm + share[:, None] * (shape.to_mm - shape.from_mm) + ring


def random_solids(random):
    solids = []
    for k, on in enumerate((BASE, BASE, on_rotary(0), on_rotary(1), PART)):
        middle = random.uniform(-150, 150, 3)
        edge = random.uniform(5, 30, 3)
        shape = (
            Box(middle - edge, middle + edge)
            if k % 2
            else Frustum(middle, middle + edge, random.uniform(5, 50))
        )
        solids.append(Solid(f"solid {k}", shape, on))
    return solids


@pytest.mark.parametrize("seed", range(6))
def test_against_sampled_points_and_closed_forms(seed):
    """Independent of hulls and library. Samples never come closer than the bound, and nearly as close as the truth."""
    random = np.random.default_rng(seed)
    poses_deg = np.stack([random.uniform(-110, 110, 3), random.uniform(0, 360, 3)], axis=-1)
    operations = tuple(OperationPose(f"op {k}", at, [0, 0, 0]) for k, at in enumerate(poses_deg))
    model = trunnion(random_solids(random), operations)
    model = replace(model, solids=model.solids[1:])  # the platter may lie in what was drawn at random
    solids, machine = model.all_solids(), model.machine
    for operation, found in zip(operations, table_clearances(model), strict=True):
        poses = group_poses(machine, operation.machine_deg)
        closest = np.inf
        for body in solids:
            for obstacle in solids:
                inner, outer = model.carried_by(body.on), model.carried_by(obstacle.on)
                if inner <= outer:
                    continue
                points = poses[inner].apply(model.frame(body.on).apply(surface(body.shape, random)))
                seen = model.frame(obstacle.on).inverse().apply(poses[outer].inverse().apply(points))
                closest = min(closest, float(distance_to(obstacle.shape, seen).min()))
        assert closest >= found.nearest.gap_mm - 1e-9
        # Six thousand points lie within a few millimetres of each other: the truth is at most that much less.
        assert closest <= found.nearest.gap_mm + found.nearest.facet_error_mm + 3.0


@pytest.mark.parametrize("seed", range(3))
def test_a_dense_grid_of_angles_finds_nothing_closer(seed):
    random = np.random.default_rng(100 + seed)
    angles = np.stack([random.uniform(-110, 110, 2), random.uniform(0, 360, 2)], axis=-1)
    operations = tuple(OperationPose(f"op {k}", at, [0, 0, 0]) for k, at in enumerate(angles))
    model = trunnion(random_solids(random), operations)
    for move in job_index_moves(model, scene_of(model)):
        start = model.start_deg if move.start is None else move.start.machine_deg
        steps = np.stack(np.meshgrid(*[np.linspace(0, 1, 13)] * 2, indexing="ij"), -1).reshape(-1, 2)
        grid = tuple(OperationPose("between", start + share * move.turn_deg, [0, 0, 0]) for share in steps)
        # Farther than the bound nothing counts, and the library takes long to look far.
        near = [c.nearest for c in table_clearances(model, operations=grid, up_to_mm=move.table.at_least_mm)]
        seen = [one.gap_mm for one in near if one is not None]
        assert min(seen, default=np.inf) >= move.table.at_least_mm - 1e-9
        assert move.table.at_least_mm <= move.table.seen_mm
        assert move.table.shortfall_mm >= move.table.seen_mm - move.table.at_least_mm


def test_a_step_that_grows_into_the_housing():
    # Derived here: on its way to B-90 the post's rim, 10 in radius, swings at hypot(height, 10) past the wall at 150.
    # With 2 to keep that is 148 at most. The certified bound of an index move may end it up to 0.05 earlier.
    wall = Solid("wall", Box([150, -200, -200], [170, 200, 200]), BASE)
    steps, bodies = (StackStep("post", 100.0),), (StepBody(Section(diameter_mm=20.0)),)
    model = trunnion([wall], (OperationPose("op", [-90.0, 0], [0, 0, 0]),), steps, bodies)
    (found,) = step_heights(model, 0, 50.0, 300.0, 2.0)
    true = np.sqrt(148.0**2 - 10.0**2)
    assert true - 0.15 <= found.high_mm <= true
    assert (found.high_limit.kind, found.high_limit.pair) == ("index move", ("post", "wall"))
    assert limiting_cause(model, 0, found.high_mm - 0.1, 2.0) is None
    assert limiting_cause(model, 0, 148.5, 2.0).kind == "index move"
    assert limiting_cause(model, 0, 151.0, 2.0).kind == "table"
    # Tilted the other way it never comes near the wall.
    other = trunnion([wall], (OperationPose("op", [90.0, 0], [0, 0, 0]),), steps, bodies)
    assert step_heights(other, 0, 50.0, 300.0, 2.0)[0].high_limit.kind == "range"
