"""Heights of a step and seats on the mill, checked just inside and just outside."""

from dataclasses import replace

import numpy as np
import pytest

from kinematics import StackStep
from kinematics.reach.beam import Section
from kinematics.reach.clearance import clearances
from kinematics.reach.collision_model import StepBody, moved_on_mill, with_step_height
from kinematics.reach.feasibility import Limit, minimum_clearance
from kinematics.reach.index_moves import job_index_moves
from kinematics.reach.load import LoadLimit
from kinematics.reach.scene import scene_of
from kinematics.reach.shapes import PART, Box, Solid, on_rotary
from kinematics.reach.step_height import mounting_ranges, step_heights
from kinematics.reach.tool_assembly import TipEnvelope
from kinematics.reach.travel import travel_margins


@pytest.fixture
def model(make):
    """Two operations on a post; the tilted one must keep its holder clear of a trunnion arm."""
    arm = Solid("arm", Box([60, -60, -50], [90, 60, 60]), on_rotary(0))
    blank = Solid("blank", Box([-25, -25, -40], [25, 25, 0]), PART, machinable=True)
    operations = [
        make.operation("top", (0.0, 0.0), sweep=TipEnvelope([-20, -20, -5], [20, 20, 20])),
        make.operation(
            "side", (-90.0, 0.0), (0.0, 25.0, -20.0), sweep=TipEnvelope([-5, -5, -10], [5, 5, 10])
        ),
    ]
    steps = (StackStep("post", 80.0), StackStep("blank height", 40.0))
    made = make.model(operations, [arm, blank], steps=steps, retract_mm=(None, None, 400.0))
    return replace(made, step_bodies=(made.step_bodies[0], None))


def clears(model, clear, margin):
    near = min(found.nearest.gap_mm for found in clearances(model))
    fits = all(
        m.least_mm >= margin for operation in model.operations for m in travel_margins(model, operation)
    )
    moves = [one for move in job_index_moves(model, scene_of(model), clear + 1.0) for one in move.clearances]
    return near >= clear and fits and all(one.at_least_mm >= clear for one in moves)


def test_heights_just_inside_and_just_outside(model):
    clear = 8.0
    found = step_heights(model, 0, 5.0, 400.0, clear, 3.0)
    assert found
    for one in found:
        inside = np.linspace(one.low_mm + 0.05, one.high_mm - 0.05, 3)
        assert all(clears(with_step_height(model, 0, h), clear - 0.02, 3.0 - 1e-6) for h in inside)
        for end, stop, outward in ((one.low_mm, one.low_limit, -1), (one.high_mm, one.high_limit, 1)):
            if stop.kind != "range":
                # A swing is known to within a per cent, so that its end may come that much too early.
                step = 0.1 if stop.kind != "index move" else 1.0
                assert not clears(with_step_height(model, 0, end + outward * step), clear, 3.0), stop
    stops = {stop.kind for one in found for stop in (one.low_limit, one.high_limit)}
    assert "travel" in stops or "index move" in stops


def test_a_tall_step_by_hand(make):
    # Derived here: tip at the post's top, tool 100 long, Z travel to 500: no taller than 400. With 10 to spare 390.
    operations = [make.operation("top")]
    model = make.model(operations, section=None, spindle=())
    (found,) = step_heights(model, 0, 10.0, 600.0, 1.0, 10.0)
    assert (found.low_mm, found.low_limit.kind) == (10.0, "range")
    assert found.high_mm == pytest.approx(390.0)
    assert found.high_limit == Limit("travel", "top", axis="Z", end="high")
    assert step_heights(model, 0, 450.0, 600.0) == ()


def test_what_stops_a_low_post_by_hand(make):
    # A wall beside the post, 140 high and 20 from the tip's axis. The holder, 25 in radius, starts 40 above the tip:
    # the tip must not be lower than 100 + 2.
    wall = Solid("wall", Box([20, -50, 0], [60, 50, 140]), on_rotary(0))
    model = make.model(
        [make.operation("top")], [wall], section=None, spindle=(), steps=(StackStep("post", 150.0),)
    )
    (found,) = step_heights(model, 0, 10.0, 300.0, 2.0)
    assert found.low_mm == pytest.approx(102.0, abs=0.02)
    assert (found.low_limit.kind, found.low_limit.pair) == ("clearance", ("holder 1", "wall"))


def test_loads_limit_the_height(make):
    # Derived here: 1,000 N at the tip on the post's top, h above the tilt axis: 250 N m allow 250 mm.
    model = make.model([make.operation("top", force=1000.0)], section=None, spindle=())
    (found,) = step_heights(model, 0, 10.0, 390.0, 1.0, 0.0, [LoadLimit(holding_nm=250.0), LoadLimit()])
    assert found.high_mm == pytest.approx(250.0, abs=1e-6)
    assert (found.high_limit.kind, found.high_limit.axis) == ("holding torque", "A")
    # A round steel post, 60 in diameter: 22.195 kg a metre; 5 kg are 225 mm of it.
    metre = np.pi * 0.03**2 * 7850.0
    steel = replace(
        model, step_bodies=(StepBody(Section(diameter_mm=60.0), machinable=True, density_kg_m3=7850.0),)
    )
    (found,) = step_heights(steel, 0, 10.0, 390.0, 0.0, 0.0, [LoadLimit(capacity_kg=5.0), LoadLimit()])
    assert found.high_mm == pytest.approx(5.0 / metre * 1e3, abs=1e-6)
    assert step_heights(model, 0, 10.0, 390.0, 1.0, 0.0, [LoadLimit(holding_nm=1.0)]) == ()


def test_seat_on_the_mill(model):
    seats = mounting_ranges(model, 2.0, 3.0)
    assert [seat.axis for seat in seats] == ["X", "Y", "Z"]
    margins = [(one, op.name) for op in model.operations for one in travel_margins(model, op)]
    for seat in seats:
        for end, stop, at in (("low", seat.low_limit, seat.low_mm), ("high", seat.high_limit, seat.high_mm)):
            if stop.kind == "travel":
                mine = [
                    (getattr(one, f"to_{end}_mm"), name) for one, name in margins if one.axis == seat.axis
                ]
                left, name = min(mine)
                assert stop == Limit("travel", name, axis=seat.axis, end=end)
                assert abs(at) == pytest.approx(left - 3.0, abs=1e-9)
    for i, seat in enumerate(seats):
        for by, fits in ((seat.low_mm + 0.02, True), (seat.high_mm - 0.02, True)):
            assert clears(moved_on_mill(model, by * np.eye(3)[i]), 2.0 - 0.02, 3.0 - 1e-6) is fits
        for by, stop in ((seat.low_mm - 0.05, seat.low_limit), (seat.high_mm + 0.05, seat.high_limit)):
            if stop.kind == "travel":
                assert not clears(moved_on_mill(model, by * np.eye(3)[i]), 2.0, 3.0)


def test_moving_on_the_mill_moves_offsets_and_keeps_distances(model):
    moved = moved_on_mill(model, [12.0, -7.0, 4.5])
    for before, after in zip(clearances(model), clearances(moved), strict=True):
        assert after.nearest.gap_mm == pytest.approx(before.nearest.gap_mm, abs=1e-9)
    low, _ = model.tips_mm(model.operations[1])
    there, _ = moved.tips_mm(moved.operations[1])
    assert there - low == pytest.approx([12.0, -7.0, 4.5])


def test_a_touched_zero_keeps_its_difference(model):
    from kinematics import TouchOff, with_touched_zero

    touched = with_touched_zero(
        model.setup, TouchOff(np.array([0.1, -0.2, 120.3]), np.array([0.0, 0.0, 120.0]))
    )
    taller = with_step_height(replace(model, setup=touched), 0, 95.0)
    assert taller.setup.part_in_table.translation_mm == pytest.approx([0.1, -0.2, 135.3])


def test_fit_names_the_pair(model):
    least, stop = minimum_clearance(model)
    near = [found.nearest for found in clearances(model)]
    best = min(near, key=lambda one: one.gap_mm)
    assert least == pytest.approx(best.gap_mm)
    assert stop.pair == (best.body, best.obstacle)
    assert minimum_clearance(model, 0.5)[0] == 0.5
    # Of what turns against what stands, pairs can be left out; the tool's own stay.
    assert minimum_clearance(model, 70.0, tool_too=False, kept_pairs=lambda *_: False) == (70.0, Limit())
    assert minimum_clearance(model, kept_pairs=lambda *_: False) == (least, stop)
