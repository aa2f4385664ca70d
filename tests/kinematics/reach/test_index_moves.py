"""Index moves: nothing is hidden between two steps."""

from dataclasses import replace

import manifold3d
import numpy as np
import pytest

from kinematics.errors import KinematicsError
from kinematics.reach.branch_and_bound import _WITHIN_MM, _WITHIN_SHARE
from kinematics.reach.clearance import swept_discs
from kinematics.reach.collision_bodies import FACETS_WITHIN_MM, matrix_of
from kinematics.reach.distance_bounds import gap_bounds
from kinematics.reach.index_moves import (
    index_move,
    index_range_deg,
    index_turns_deg,
    job_index_moves,
    retracted,
    rotary_turns_deg,
)
from kinematics.reach.scene import exact_gap_mm, group_poses, scene_of
from kinematics.reach.shapes import BASE, Box, Frustum, Mesh, Solid, on_rotary
from kinematics.rotary import IndexDirection, IndexRule


def agreed_mm(seen_mm):
    """The search ends once its bound and a pose that it looked at agree so closely."""
    return max(_WITHIN_MM, _WITHIN_SHARE * seen_mm)


def turn_deg(model, first, second):
    """The short way."""
    return index_turns_deg(model.machine, first.machine_deg, second.machine_deg)[0]


def swing(model, scene, first, second, **more):
    """The retracted spindle along the short way from one operation to the other."""
    return index_move(model, scene, first, second, turn_deg(model, first, second), **more).tool


def two(make, first, second, solids, retract=(0.0, 0.0, 300.0), **more):
    operations = [make.operation("one", first), make.operation("two", second)]
    return make.model(operations, solids, section=None, spindle=(), retract_mm=retract, **more)


def test_an_arm_that_swings_up_under_the_spindle(make):
    # Derived here. A bar on A, from 100 to 180 mm out along Y and 2 mm thin, swings from level to past upright: its
    # tip passes the tool's axis at 180 mm. The tool's tip waits at 300 - 100 = 200: 20 mm at the least.
    bar = Solid("arm", Box([-1, 100, -1], [1, 180, 1]), on_rotary(0))
    model = two(make, (0.0, 0.0), (-120.0, 0.0), [bar])
    found = swing(model, scene_of(model), *model.operations)
    # Clockwise, so A-120 turns the table counterclockwise seen from +X: +Y goes up. The tip's corner is farthest out.
    assert (found.body, found.obstacle) == ("tool", "arm")
    reach = np.hypot(180.0, 1.0)
    true, within = 200.0 - reach, agreed_mm(found.seen_mm)
    # The gap runs straight up to the tool's flat end, so that its facets do not shorten it.
    assert found.at_least_mm <= true + 1e-9
    assert true - 1e-9 <= found.seen_mm <= found.at_least_mm + within + 1e-9
    # Off upright by d the higher corner, itself off the bar's middle, stands at reach * cos(d - own).
    own, fall = np.arctan2(1.0, 180.0), np.arccos(1.0 - within / reach)
    assert abs(found.machine_deg[0] + 90.0) <= np.degrees(own + fall)


def test_a_thin_blade_is_not_stepped_over(make):
    # 0.05 mm of blade across the spindle's way, met at one angle of 120 degrees only.
    blade = Solid("blade", Box([-1, 100, -0.025], [1, 260, 0.025]), on_rotary(0))
    model = two(make, (0.0, 0.0), (-120.0, 0.0), [blade])
    found = swing(model, scene_of(model), *model.operations)
    assert found.at_least_mm == found.seen_mm == 0.0
    # It meets the holder first, 240 mm up and 25 mm in radius, facets and half the blade added; the tool is thinner.
    met = np.arctan2(25.0 + FACETS_WITHIN_MM + 0.025, 240.0 - 0.025)
    assert abs(found.machine_deg[0] + 90.0) <= np.degrees(met)


def test_rotaries_that_do_not_arrive_together(make):
    # At either end and on the straight way between them the arm is clear; with A home first and C last it is not.
    arm = Solid("arm", Box([-2, 100, 20], [2, 210, 24]), on_rotary(1))
    model = two(make, (0.0, 90.0), (-90.0, 0.0), [arm])
    scene = scene_of(model)
    found = swing(model, scene, *model.operations)
    assert found.seen_mm == 0.0
    low, high = index_range_deg(model, model.operations[0], turn_deg(model, *model.operations))
    assert low.tolist() == [-90.0, 0.0]
    assert high.tolist() == [0.0, 90.0]


@pytest.mark.parametrize("seed", range(4))
def test_a_dense_grid_of_angles_finds_nothing_nearer(make, seed):
    random = np.random.default_rng(seed)
    solids = []
    for k in range(6):
        middle = random.uniform(-90, 90, 3)
        edge = random.uniform(3, 30, 3)
        shape = (
            Box(middle - edge, middle + edge)
            if k % 2
            else Frustum(middle, middle + edge, 30.0, None, 10.0 * (k % 4 == 0))
        )
        solids.append(Solid(f"solid {k}", shape, on_rotary(k % 2)))
    first, second = (random.uniform([-110, 0], [20, 360]) for _ in range(2))
    model = two(make, first, second, solids, retract=(None, None, 330.0))
    scene = scene_of(model)
    found = swing(model, scene, *model.operations)
    low, high = index_range_deg(model, model.operations[0], turn_deg(model, *model.operations))
    grid = np.stack(
        np.meshgrid(*[np.linspace(a, b, 25) for a, b in zip(low, high, strict=True)], indexing="ij"), -1
    )
    grid = grid.reshape(-1, 2)
    swept = retracted(model, *model.operations)
    turned, cutting = scene.turned(grid), swept_discs(swept)
    nearest = 2000.0
    for k in range(len(scene.bodies)):
        for c in range(len(swept)):
            one = cutting[np.full(len(grid), c)]
            bound, _ = gap_bounds(turned[:, k], one)
            for at in np.argsort(bound)[:2]:
                poses = group_poses(model.machine, grid[at])
                # The library takes long to look far, and farther than the nearest so far nothing counts.
                nearest = exact_gap_mm(scene, k, poses, swept[c], nearest)
    assert found.at_least_mm <= nearest + 1e-9
    # What it saw is one of the poses on the way.
    assert found.at_least_mm <= found.seen_mm <= found.at_least_mm + agreed_mm(found.seen_mm) + 1e-9
    assert ((found.machine_deg >= low - 1e-9) & (found.machine_deg <= high + 1e-9)).all()


def test_nothing_to_check(make):
    arm = Solid("arm", Box([-2, 100, 20], [2, 210, 24]), on_rotary(1))
    still = two(make, (0.0, 0.0), (0.0, 0.0), [arm])
    assert swing(still, scene_of(still), *still.operations) is None
    far = two(make, (0.0, 0.0), (-90.0, 0.0), [arm])
    near = swing(far, scene_of(far), *far.operations)
    assert near is not None
    assert swing(far, scene_of(far), *far.operations, up_to_mm=near.at_least_mm - 0.1) is None
    unknown = two(
        make, (0.0, 0.0), (-90.0, 0.0), [arm], retract=(None, None, None), machine=make.mill(travel=None)
    )
    assert swing(unknown, scene_of(unknown), *unknown.operations) is None


def test_both_tools_count(make):
    long = replace(make.tool, name="long", length_mm=115.0)
    bar = Solid("arm", Box([-1, 100, -1], [1, 180, 1]), on_rotary(0))
    model = two(make, (0.0, 0.0), (-120.0, 0.0), [bar])
    operations = (model.operations[0], replace(model.operations[1], tool=long))
    for order in (operations, operations[::-1]):
        found = swing(replace(model, operations=order), scene_of(model), *order)
        true = 185.0 - np.hypot(180.0, 1.0)
        assert true - 1e-9 <= found.seen_mm <= true + agreed_mm(found.seen_mm) + 1e-9


def with_c_going(make, direction):
    mill = make.mill()
    return replace(mill, rotaries=(mill["A"], replace(mill["C"], index_direction=direction)))


def clamp_beside_the_tool(make, *, direction, to_deg):
    """A tall clamp on C, on its -X side at C0; the spindle waits at +Y, so that one way round brings it under."""
    clamp = Solid("clamp", Box([-130, -10, 0], [-110, 10, 260]), on_rotary(1))
    operations = [make.operation("one", (0.0, 0.0)), make.operation("two", (0.0, to_deg))]
    return make.model(
        operations,
        [clamp],
        section=None,
        spindle=(),
        retract_mm=(0.0, 120.0, 300.0),
        machine=with_c_going(make, direction),
    )


@pytest.mark.parametrize(
    ("direction", "to_deg", "turns", "clears"),
    [
        # C turns clockwise seen from above: +90 brings the clamp from -X round to +Y, where the tool is.
        (IndexDirection(), 120.0, [120.0, -240.0], [False, True]),
        (IndexDirection(IndexRule.SHORT_WAY), 120.0, [120.0], [False]),
        (IndexDirection(), 270.0, [-90.0, 270.0], [True, False]),
        (IndexDirection(IndexRule.SHORT_WAY), 270.0, [-90.0], [True]),
        (IndexDirection(IndexRule.AS_NUMBERED), 270.0, [270.0], [False]),
        (IndexDirection(IndexRule.SHORT_WAY), 180.0, [-180.0, 180.0], [True, False]),
        (IndexDirection(IndexRule.SHORT_WAY, "positive"), 180.0, [180.0], [False]),
        (IndexDirection(IndexRule.SHORT_WAY, "negative"), 180.0, [-180.0], [True]),
    ],
)
def test_the_way_round_decides(make, direction, to_deg, turns, clears):
    model = clamp_beside_the_tool(make, direction=direction, to_deg=to_deg)
    moves = [
        move
        for move in job_index_moves(model, scene_of(model))
        if move.start is not None and move.end is not None
    ]
    assert [float(move.turn_deg[1]) for move in moves] == turns
    assert [move.tool.at_least_mm > 0.0 for move in moves] == clears
    assert all(move.ways == len(turns) for move in moves)
    # Every pose between is a pose of its way: a dense look at each finds what its bound says.
    for move, clear in zip(moves, clears, strict=True):
        swept, scene = retracted(model, move.start, move.end), scene_of(model)
        seen = min(
            exact_gap_mm(
                scene, 0, group_poses(model.machine, move.start.machine_deg + share * move.turn_deg), one, 0.1
            )
            for one in swept
            for share in np.linspace(0.0, 1.0, 91)
        )
        assert (seen > 0.0) is clear


def test_moves_from_the_start_and_back_belong_to_the_job(make):
    bar = Solid("arm", Box([-1, 100, -1], [1, 180, 1]), on_rotary(0))
    model = make.model(
        [make.operation("only", (-120.0, 0.0))], [bar], section=None, spindle=(), retract_mm=(0.0, 0.0, 300.0)
    )
    there, back = job_index_moves(model, scene_of(model))
    assert (there.start, there.end.name, back.start.name, back.end) == (None, "only", "only", None)
    assert (there.turn_deg.tolist(), back.turn_deg.tolist()) == ([-120.0, 0.0], [120.0, 0.0])
    true = 200.0 - np.hypot(180.0, 1.0)
    for move in (there, back):
        assert move.tool.at_least_mm <= true <= move.tool.at_least_mm + move.tool.shortfall_mm
    # Program zero outside the limits: the limit nearest to it.
    low = replace(model.machine.rotaries[0], limits_deg=(-120.0, -20.0))
    machine = replace(model.machine, rotaries=(low, model.machine.rotaries[1]))
    clipped = replace(model, setup=replace(model.setup, machine=machine))
    assert clipped.start_deg.tolist() == [-20.0, 0.0]
    assert job_index_moves(clipped, scene_of(clipped))[0].turn_deg.tolist() == [-100.0, 0.0]


@pytest.mark.parametrize("diameter", [6.0, 31.0, 160.0])
def test_the_stated_bound_is_true_of_index_moves(make, diameter):
    # Derived here: a ball-like bar end, round about its own length along X, swings up under the tool's flat end.
    bar = Solid("bar", Frustum([-20, 150, 0], [20, 150, 0], diameter), on_rotary(0))
    model = make.model(
        [make.operation("one", (0.0, 0.0)), make.operation("two", (-120.0, 0.0))],
        [bar],
        section=None,
        spindle=(),
        retract_mm=(0.0, 0.0, 400.0),
    )
    true = 300.0 - 150.0 - diameter / 2.0
    move = next(one for one in job_index_moves(model, scene_of(model)) if one.start is not None)
    assert move.tool.at_least_mm <= true <= move.tool.at_least_mm + move.tool.shortfall_mm


def test_ways_that_cannot_be(make):
    with pytest.raises(KinematicsError, match="found 'positive'"):
        IndexDirection(IndexRule.AS_NUMBERED, "positive")
    with pytest.raises(KinematicsError, match="expected an IndexRule or None, found 'short way'"):
        IndexDirection("short way")
    a, c = make.mill().rotaries
    with pytest.raises(KinematicsError, match="rotary C, index direction: expected"):
        replace(c, index_direction=IndexRule.SHORT_WAY)
    assert rotary_turns_deg(c, 10.0, 10.0) == (0.0,)
    assert rotary_turns_deg(c, 0.0, 720.0) == (0.0, 720.0)
    assert rotary_turns_deg(
        replace(a, index_direction=IndexDirection(IndexRule.SHORT_WAY)), -110.0, 20.0
    ) == (130.0,)


def cradle():
    """A block with a trough along Y milled out of it, 330 wide: triangles of both, made with the library."""
    block = manifold3d.Manifold.cube([400.0, 300.0, 300.0], center=True)
    trough = manifold3d.Manifold.cube([330.0, 400.0, 300.0], center=True).translate([0.0, 0.0, 60.0])
    made = (block - trough).translate([0.0, 0.0, -60.0]).to_mesh64()
    return Mesh(made.vert_properties[:, :3], made.tri_verts.astype(np.int64))


@pytest.mark.parametrize(
    ("shape", "to_deg"),
    [
        (Frustum([0, 0, -150], [0, 0, 120], 460.0, None, 400.0), (-12.0, 30.0)),
        (cradle(), (-60.0, 90.0)),
        # A tube across: its facets cut into wedges, or the search is broken off at half of the distance.
        (Frustum([-20, 0, 0], [20, 0, 0], 400.0, None, 330.0), (-30.0, 60.0)),
    ],
    ids=["hood", "cradle", "ring"],
)
def test_what_turns_inside_a_hollow_is_clear_of_it(make, shape, to_deg):
    bar = Solid("bar", Box([-30, -100, 10], [30, 100, 40]), on_rotary(1))
    model = make.model(
        [make.operation("one", (0.0, 0.0)), make.operation("two", to_deg)],
        [Solid("housing", shape, BASE), bar],
        section=None,
        spindle=(),
        retract_mm=(None, None, 500.0),
    )
    scene = scene_of(model)
    first, second = model.operations
    move = index_move(model, scene, first, second, np.subtract(to_deg, (0.0, 0.0)))
    assert move.ways == 1
    found = move.table
    housing, turning = scene.bodies[0].manifold, scene.bodies[1].manifold
    seen = 500.0
    for a in np.linspace(0.0, to_deg[0], 9):
        for c in np.linspace(0.0, to_deg[1], 9):
            # The library takes long to look far, and farther than the nearest so far nothing counts.
            seen = housing.min_gap(
                turning.transform(matrix_of(group_poses(model.machine, [a, c])[2])), max(seen, 1e-6)
            )
    assert found.settled
    assert found.at_least_mm <= seen + 1e-9
    assert found.seen_mm - agreed_mm(found.seen_mm) <= found.at_least_mm <= found.seen_mm
    assert found.at_least_mm > 50.0


def test_a_search_that_is_broken_off_says_so(make, monkeypatch):
    monkeypatch.setattr("kinematics.reach.branch_and_bound._MOST_ITEMS", 10)
    bar = Solid("arm", Box([-1, 100, -1], [1, 180, 1]), on_rotary(0))
    model = two(make, (0.0, 0.0), (-120.0, 0.0), [bar])
    found = swing(model, scene_of(model), *model.operations)
    assert not found.settled
    assert found.at_least_mm < found.seen_mm - agreed_mm(found.seen_mm)
