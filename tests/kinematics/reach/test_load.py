"""Gravity and cutting force about the rotaries, against statics by hand."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from slices import cases

from kinematics import StackStep
from kinematics.reach.load import (
    STANDARD_GRAVITY,
    carried,
    cutting_box_mm,
    force_torque_nm,
    gravity_torque_nm,
    worst_torque,
)
from kinematics.reach.shapes import BASE, PART, Box, Solid, frustum_on, on_rotary, on_step
from kinematics.reach.tool_assembly import TipEnvelope


def cube(name, middle, on, mass):
    middle = np.array(middle, dtype=float)
    return Solid(name, Box(middle - 5, middle + 5), on, mass_kg=mass)


def test_a_weight_on_a_lever(make):
    # Derived here: 10 kg, 150 mm above the tilt axis. Tilted by 90 degrees the arm is level: 10 g 0.15 = 14.7 N m;
    # by 30 degrees half of that. At A0 it stands over the axis: none.
    model = make.model([make.operation()], [cube("weight", (0, 0, 150), on_rotary(1), 10.0)], section=None)
    full = 10.0 * STANDARD_GRAVITY * 0.15
    found = np.abs(gravity_torque_nm(model, 0, [[0, 0], [-30, 0], [-90, 0], [-90, 77]]))
    assert found == pytest.approx([0.0, full / 2, full, full], abs=1e-12)
    # Clockwise: a negative A turns the table right-handed about +X, the weight toward -Y, and it pulls on that way.
    assert gravity_torque_nm(model, 0, [-90.0, 0.0]) == pytest.approx(full)
    worst = worst_torque(model, 0)
    assert worst.torque_nm == pytest.approx(full, rel=1e-12)
    assert worst.machine_deg[0] == pytest.approx(-90.0)


def test_the_worst_pose_lies_at_an_end_of_the_range(make):
    # A mass hanging level with the axis at A0: tilting lifts or lowers it, |cos| falls from 1 both ways.
    model = make.model([make.operation()], [cube("cradle", (0, 80, 0), on_rotary(0), 6.0)], section=None)
    assert worst_torque(model, 0).torque_nm == pytest.approx(6.0 * STANDARD_GRAVITY * 0.08)
    # One that is level only beyond the limits (-120 to 30): 40 degrees short of level at +30, so an end is worst.
    angle = np.radians(70.0)
    middle = (0, -100 * np.sin(angle), 100 * np.cos(angle))
    ahead = make.model([make.operation()], [cube("cradle", middle, on_rotary(0), 1.0)], section=None)
    grid = np.stack([np.linspace(-120, 30, 3001), np.zeros(3001)], axis=-1)
    sampled = np.abs(gravity_torque_nm(ahead, 0, grid)).max()
    assert worst_torque(ahead, 0).torque_nm == pytest.approx(sampled, rel=1e-6)


# Two crests half a turn of C apart, the lower one nearer to a point of the search's grid.
@example((0.0, 1.0, 0.0), (0.0, -0.03125, 16.0))
@settings(max_examples=cases(40), deadline=None)
@given(st.tuples(*[st.floats(-100, 100)] * 3), st.tuples(*[st.floats(-100, 100)] * 3))
def test_the_worst_torque_is_the_worst(make, first, second):
    model = make.model(
        [make.operation()],
        [cube("one", first, on_rotary(1), 3.0), cube("two", second, on_rotary(0), 2.0)],
        section=None,
    )
    random = np.random.default_rng(0)
    poses = np.stack([random.uniform(-120, 30, 4000), random.uniform(0, 360, 4000)], axis=-1)
    worst = worst_torque(model, 0)
    assert np.abs(gravity_torque_nm(model, 0, poses)).max() <= worst.torque_nm + 1e-9
    assert abs(gravity_torque_nm(model, 0, worst.machine_deg)) == pytest.approx(worst.torque_nm)


def test_virtual_work(make):
    """The torque is the slope of the height of the centre of gravity over the angle: an independent way to it."""
    model = make.model(
        [make.operation()],
        [cube("off", (30, 20, 60), on_rotary(1), 4.0), cube("arm", (0, 50, -20), on_rotary(0), 2.0)],
    )
    model = type(model)(model.setup, model.steps, (None,), model.solids, model.spindle, model.operations)
    found = carried(model, 0)
    assert found.mass_kg == 6.0

    def energy(a, c=35.0):
        total = 0.0
        for solid in model.solids:
            from kinematics.reach.scene import group_poses

            pose = group_poses(model.machine, [a, c])[model.carried_by(solid.on)]
            total += solid.mass_kg * STANDARD_GRAVITY * pose.apply(solid.shape.centre_mm)[2] * 1e-3
        return total

    step = 1e-3
    for a in (-100.0, -20.0, 10.0):
        slope = (energy(a + step) - energy(a - step)) / np.radians(2 * step)
        # A positive move of A turns left-handed about +X (clockwise).
        assert gravity_torque_nm(model, 0, [a, 35.0]) == pytest.approx(slope, rel=1e-6)


def test_mass_from_density_and_what_is_not_known(make):
    post = Solid(
        "post", frustum_on(100.0, 60.0), on_step(0), density_kg_m3=7850.0
    )  # steel, Gere, appendix tables
    nobody = Solid("cover", frustum_on(10.0, 20.0), on_rotary(0))
    base = Solid("base", frustum_on(10.0, 20.0), BASE, mass_kg=500.0)
    model = make.model([make.operation()], [post, nobody, base], section=None)
    found = carried(model, 0)
    assert found.mass_kg == pytest.approx(np.pi * 0.03**2 * 0.1 * 7850.0)
    assert found.centre_mm == pytest.approx([0, 0, 50.0])
    assert found.unknown == ("cover",)
    assert carried(model, 1).unknown == ()
    assert carried(make.model([make.operation()], [], section=None), 0).mass_kg == 0.0


def test_cutting_force(make):
    # 500 N at the tip, 150 from the tilt axis at the sweep's top corner: 75 N m and the corner's share.
    operation = make.operation(at=(0.0, 0.0), sweep=TipEnvelope([-10, -30, -20], [10, 40, 50]), force=500.0)
    model = make.model([operation], [], section=None, steps=(StackStep("post", 100.0),))
    assert force_torque_nm(model, 0, operation) == pytest.approx(500.0 * np.hypot(40.0, 150.0) * 1e-3)
    assert force_torque_nm(model, 1, operation) == pytest.approx(500.0 * np.hypot(40.0, 10.0) * 1e-3)
    assert force_torque_nm(model, 0, make.operation()) == 0.0


@pytest.mark.parametrize(("at", "top"), [((0.0, 0.0), 100.0), ((-30.0, 0.0), None)])
def test_the_force_acts_where_the_tip_cuts(make, at, top):
    """The approach above the blank carries no cutting force: the arm ends at the blank's surface under the tool."""
    sweep = TipEnvelope([0, 0, -10], [0, 0, 50])
    blank = Solid("blank", Box([-40, -40, -60], [40, 40, 0]), PART, machinable=True)
    operation = make.operation(at=at, sweep=sweep, force=1000.0)
    model = make.model([operation], [blank], section=None)
    low, high = cutting_box_mm(model, model.operations[0])
    if top is None:
        # Derived here: tilted by 30 degrees about X the surface falls by tan 30 over the tool's radius of 5 beside its
        # axis (and a thousandth): so much higher it is met at the rim.
        top = 100.0 * np.cos(np.radians(30.0)) + 5.001 * np.tan(np.radians(30.0))
    assert high[2] == pytest.approx(top, abs=1e-9)
    assert low[2] == pytest.approx(model.tips_mm(operation)[0][2])
    line_to_tip = np.hypot(low[1], high[2])
    assert force_torque_nm(model, 0, model.operations[0]) == pytest.approx(line_to_tip)
    # Beside the blank, or without one, anywhere in the sweep.
    bare = make.model([operation], section=None)
    assert cutting_box_mm(bare, bare.operations[0])[1][2] == pytest.approx(bare.tips_mm(operation)[1][2])
