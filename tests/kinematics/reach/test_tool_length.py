"""The shortest and the longest tool: by hand, and by asking just inside and just outside."""

from dataclasses import replace

import pytest

from kinematics.errors import KinematicsError
from kinematics.reach.clearance import clearances
from kinematics.reach.scene import scene_of
from kinematics.reach.shapes import BASE, Box, Solid, on_rotary
from kinematics.reach.tool_assembly import HolderPart, Tool
from kinematics.reach.tool_length import tool_lengths


def test_a_ledge_beside_the_tool(make):
    # Derived here: a ledge 30 above the tip, 10 beside the tool's axis and under the 50 mm holder. With 2 to keep the
    # holder (60 long) must end 32 above the tip: 92. Full travel Z 500, the tip at 100: 400 by travel; at full
    # retract the tip must stay 2 above the ledge at 130: 368.
    ledge = Solid("ledge", Box([10, -40, 0], [60, 40, 130]), BASE)
    turning = Solid("post top", Box([-60, -40, 0], [-30, 40, 130]), BASE)
    model = make.model([make.operation()], [ledge, turning], section=None, spindle=())
    found = tool_lengths(model, scene_of(model), model.operations[0], 2.0)
    assert found.shortest_mm == pytest.approx(92.0, abs=0.02)
    assert (found.shortest_limit, found.pair.body, found.pair.obstacle) == ("clearance", "holder 1", "ledge")
    assert (found.longest_mm, found.longest_limit) == (pytest.approx(400.0), "travel")


def test_just_inside_and_just_outside(make):
    model = make.model([make.operation(at=(-30.0, 0.0), origin=(5.0, 45.0, -40.0))])
    scene, operation = scene_of(model), model.operations[0]
    found = tool_lengths(model, scene, operation, 1.0)
    assert found.shortest_limit == "clearance"
    for length, clears in ((found.shortest_mm + 0.01, True), (found.shortest_mm - 0.02, False)):
        other = replace(operation, tool=replace(operation.tool, length_mm=length))
        assert (clearances(model, 0.0, scene, [other])[0].nearest.gap_mm >= 1.0) is clears


def test_the_work_stops_the_longest(make):
    model = make.model([make.operation(origin=(45.0, 0, -30.0))])  # beside the post, 30 below its top at 100
    found = tool_lengths(model, scene_of(model), model.operations[0], 5.0)
    assert (found.longest_mm, found.longest_limit) == (pytest.approx(500.0 - 100.0 - 5.0), "work")


def test_a_long_tool_that_hits_above(make):
    # A roof with a hole for the tool alone would stop the holder; here a beam 150 above the tip, 8 beside its axis
    # and 5 deep: the tool, 5 in radius, passes it; a holder 25 in radius does not, above it or below.
    beam = Solid("beam", Box([8, -50, 250], [60, 50, 255]), BASE)
    model = make.model([make.operation()], [beam], section=None, spindle=())
    found = tool_lengths(model, scene_of(model), model.operations[0], 1.0)
    assert (found.shortest_mm, found.shortest_limit) == (
        pytest.approx(155.0 + 60.0 + 1.0, abs=0.02),
        "clearance",
    )
    assert found.longest_mm == pytest.approx(400.0)
    # Wider than the tool leaves room for: only lengths that stay under it clear, and the stated one does.
    low = Solid("beam", Box([4, -50, 250], [60, 50, 255]), BASE)
    model = make.model([make.operation()], [low], section=None, spindle=())
    found = tool_lengths(model, scene_of(model), model.operations[0], 1.0)
    assert (found.shortest_mm, found.shortest_limit) == (pytest.approx(60.01), "holder")
    assert (found.longest_mm, found.longest_limit) == (pytest.approx(149.0, abs=0.02), "clearance")


def test_the_holder_stops_the_shortest(make):
    model = make.model(
        [make.operation()], [Solid("far", Box([300, 0, 0], [310, 10, 10]), BASE)], section=None
    )
    found = tool_lengths(model, scene_of(model), model.operations[0])
    assert (found.shortest_mm, found.shortest_limit) == (pytest.approx(60.01), "holder")


def test_no_length_clears(make):
    through = Solid("roof", Box([-50, -50, 110], [50, 50, 115]), BASE)
    model = make.model([make.operation()], [through], section=None)
    found = tool_lengths(model, scene_of(model), model.operations[0])
    assert found.shortest_mm is None
    assert (found.pair.body, found.pair.obstacle) == ("tool", "roof")
    bare = make.model([make.operation(tool=None)])
    with pytest.raises(KinematicsError, match="expected a tool, found none"):
        tool_lengths(bare, scene_of(bare), bare.operations[0])


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"diameter_mm": -1.0}, "diameter: expected more than 0, found -1"),
        ({"length_mm": 50.0}, "more than its holder's 60, found 50"),
        ({"holder": (HolderPart(60.0, 50.0), HolderPart(60.0, 40.0))}, "more than its holder's 120"),
    ],
)
def test_tools_that_cannot_be(make, more, words):
    with pytest.raises(KinematicsError, match=words):
        replace(make.tool, **more)
    with pytest.raises(KinematicsError, match="length: expected more than 0"):
        HolderPart(0.0, 10.0)
    assert Tool("bare", 10.0, 3.0).stickout_mm == 10.0


@pytest.mark.parametrize("clear", [0.0, 1.0])
@pytest.mark.parametrize("height", [117.0, 130.0, 139.999])
def test_neither_end_touches(make, clear, height):
    """Whatever is asked to be kept, the shortest and the longest tool clear by it, and never touch."""
    ledge = Solid("ledge", Box([10, -40, 0], [60, 40, height]), BASE)
    model = make.model([make.operation()], [ledge], section=None, spindle=())
    scene, operation = scene_of(model), model.operations[0]
    found = tool_lengths(model, scene, operation, clear)
    assert found.shortest_mm <= found.longest_mm
    for length in (found.shortest_mm, found.longest_mm):
        other = replace(operation, tool=replace(operation.tool, length_mm=length))
        (gap,) = (one.nearest.gap_mm for one in clearances(model, clear, scene, [other]))
        assert gap >= clear
        assert gap > 0.0


def test_no_length_where_the_shortest_would_be_longer_than_the_longest(make):
    # Derived here: the work stands 415 high and the travel ends at 500, so that a tool longer than 85 would never be
    # above it; the ledge, 30 above the tip, asks for more than 90.
    ledge = Solid("ledge", Box([10, -40, 0], [60, 40, 130]), BASE)
    tower = Solid("tower", Box([-190, -40, 0], [-180, 40, 415]), on_rotary(1))
    model = make.model([make.operation()], [ledge, tower], section=None, spindle=())
    found = tool_lengths(model, scene_of(model), model.operations[0])
    assert (found.shortest_mm, found.longest_mm) == (None, None)
    assert (found.shortest_limit, found.pair.obstacle) == ("clearance", "ledge")
    higher = replace(tower, shape=Box([-190, -40, 0], [-180, 40, 445]))
    model = make.model([make.operation()], [higher], section=None, spindle=())
    found = tool_lengths(model, scene_of(model), model.operations[0])
    assert (found.shortest_mm, found.longest_mm, found.shortest_limit, found.longest_limit) == (
        None,
        None,
        "holder",
        "work",
    )
