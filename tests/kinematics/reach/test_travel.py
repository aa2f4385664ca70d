"""Travel margins against a forward model of its own, and both references of Z."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pytransform3d.rotations import matrix_from_axis_angle
from slices import cases

from kinematics import StackStep, ZReference
from kinematics.reach.tool_assembly import TipEnvelope
from kinematics.reach.travel import rotary_margins, travel_margins


@settings(max_examples=cases(40))
@given(
    st.floats(-120, 30),
    st.floats(0, 360),
    st.tuples(*[st.floats(-40, 40)] * 3),
    st.tuples(*[st.floats(0, 30)] * 3),
)
def test_margins_against_a_forward_model(make, a, c, origin, half):
    model = make.model([make.operation(at=(a, c), origin=origin, sweep=TipEnvelope(-np.array(half), half))])
    # Independent: the table follows the tool the other way round (clockwise), so both rotations are negative.
    turn_a = matrix_from_axis_angle([1, 0, 0, np.radians(-a)])
    turn_c = matrix_from_axis_angle([0, 0, 1, np.radians(-c)])
    at = turn_a @ turn_c @ (np.array(origin) + np.array([0, 0, 100.0]))
    low, high = (
        at - half + [0, 0, 100.0],
        at + half + [0, 0, 100.0],
    )  # the tool is 100 long: Z reads its gauge line
    low[:2], high[:2] = at[:2] - half[:2], at[:2] + half[:2]
    ends = np.array([[-400, 400], [-300, 300], [-100, 500]])
    for i, margin in enumerate(travel_margins(model, model.operations[0])):
        assert margin.axis == "XYZ"[i]
        assert margin.low_mm == pytest.approx(low[i], abs=1e-9)
        assert margin.to_low_mm == pytest.approx(low[i] - ends[i, 0], abs=1e-9)
        assert margin.to_high_mm == pytest.approx(ends[i, 1] - high[i], abs=1e-9)
        assert margin.fits == (low[i] >= ends[i, 0] and high[i] <= ends[i, 1])


def test_the_reference_of_z_does_not_move_the_iron(make):
    """A reference tool of 80: every Z is read 80 higher at the table, and 80 less is added for the tool."""
    plain = make.model([make.operation(at=(-60.0, 40.0), origin=(10, 20, -5))])
    read = make.model(
        [make.operation(at=(-60.0, 40.0), origin=(10, 20, -5))], machine=make.mill(ZReference(80.0))
    )
    first, second = (travel_margins(one, one.operations[0]) for one in (plain, read))
    for before, after in zip(first, second, strict=True):
        assert after.low_mm == pytest.approx(before.low_mm, abs=1e-9)


def test_rotary_margins_and_what_is_not_known(make):
    model = make.model([make.operation(at=(-100.0, 400.0), tool=None)])
    a, c = rotary_margins(model, model.operations[0])
    assert (a.to_low_deg, a.to_high_deg, a.fits) == (20.0, 130.0, True)
    assert (c.to_low_deg, c.to_high_deg, c.fits) == (None, None, True)
    assert [margin.axis for margin in travel_margins(model, model.operations[0])] == ["X", "Y"]
    outside = make.model([make.operation(at=(31.0, 0.0))], steps=(StackStep("post", 10.0),))
    assert not rotary_margins(outside, outside.operations[0])[0].fits
    unknown = make.model([make.operation()], machine=make.mill(travel=None))
    assert travel_margins(unknown, unknown.operations[0]) == ()


@pytest.mark.parametrize("reference", [ZReference(), ZReference(80.0)])
def test_the_way_up_ends_at_the_retract_position(make, reference):
    """By hand: Z retracts to 400, read at the gauge line or 80 lower; the tool is 100 long, so its tip ends at 300."""
    sweep = TipEnvelope([-5.0, -5.0, -10.0], [5.0, 5.0, 20.0])
    operation = make.operation("top", sweep=sweep)
    retract = 400.0 - (reference.tool_length_mm or 0.0)
    machine = make.mill(reference)
    model = make.model([operation], machine=machine, retract_mm=(None, None, retract))
    origin = float(model.setup.work_offset(operation.origin_mm, operation.machine_deg)[2])
    up = model.retraction(operation)
    assert up.sweep.low_mm.tolist() == sweep.low_mm.tolist()
    to_gauge_line = reference.tool_length_mm or 0.0
    assert origin + up.sweep.high_mm[2] == pytest.approx(retract + to_gauge_line - 100.0, abs=1e-9)
    assert up.sweep.high_mm[:2].tolist() == [5.0, 5.0]
    assert up.sweep.middle_mm == pytest.approx((up.sweep.low_mm + up.sweep.high_mm) / 2.0)
    # From above the retract position it does not go down; without a tool or a position nothing is known.
    high = make.model([operation], machine=machine, retract_mm=(None, None, 150.0))
    assert high.retraction(operation).sweep.high_mm.tolist() == sweep.high_mm.tolist()
    assert model.retraction(make.operation("bare", tool=None)) is None
    unknown = make.model([operation], machine=make.mill(reference, travel=None))
    assert unknown.retraction(operation) is None
    assert make.model([operation], machine=machine).retract_z_mm() == 500.0
