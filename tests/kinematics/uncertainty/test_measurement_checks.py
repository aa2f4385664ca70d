"""Slips made in a measurement whose numbers were right before: each is found, with its rows, and nothing else first."""

from dataclasses import replace

import numpy as np
import pytest
from hidden_causes import cut_part, inspected

from kinematics import Machine, Platter, RotaryAxis, RotationSense, StackStep
from kinematics.uncertainty import (
    Feature,
    MeasuredDeviation,
    ModelOperation,
    SetupModel,
    Spread,
    StackNode,
    UncertaintySource,
    correct_jointly,
    measured_parts,
    measurement_blunders,
    part_model,
)

U_MM = 0.001
AT = [[0, 0, 0], [20, 0, 0], [-20, 0, 0], [0, 20, 0]]


def post(line_u=0.005):
    """Four places on the top of a post and four on its side, and what is stated of the post and of the A axis."""
    a = RotaryAxis("A", [0, 0, -50.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    stack = (StackNode("post", StackStep("post", up_mm=100.0)),)
    operations = (ModelOperation("top", [0.0], [0, 0, 0]), ModelOperation("side", [-90.0], [0, -25.0, -20.0]))
    model = SetupModel(Machine("mill", (a,), Platter(face_mm=0.0)), {None: stack}, operations)
    features = [Feature(f"top {k}", 0, at, [0, 0, 1]) for k, at in enumerate(AT)]
    features += [Feature(f"side {k}", 1, at, [0, 1, 0]) for k, at in enumerate(AT)]
    stated = [
        UncertaintySource.of(model.of_kind("step up", "post"), Spread(0.02)),
        UncertaintySource.of(model.of_kind("line shift", "A"), Spread(line_u)),
    ]
    return part_model(model, features), stated


PART, STATED = post()


@pytest.fixture(scope="module")
def good():
    """The post is 0.030 taller and the axis 0.004 lower than stated: the top is 0.034 low, the side as far the other way."""
    values = np.zeros(len(PART.model.quantities))
    values[PART.model.index("step up", "post")] = 0.03
    values[PART.model.index("line shift", "A", "2")] = 0.004
    return inspected(PART, cut_part(PART, values), range(8), np.random.default_rng(1), u=U_MM)


def doubts(deviations, stated=STATED):
    return measurement_blunders(measured_parts(PART, deviations), stated)


def scaled(deviations, rows, factor):
    return [
        replace(one, deviation_mm=one.deviation_mm * (factor if k in rows else 1.0))
        for k, one in enumerate(deviations)
    ]


@pytest.mark.parametrize(
    ("rows", "factor", "slip"),
    [
        ((2,), 1.0 / 25.4, "too small by 25.4"),
        ((2,), 25.4, "too large by 25.4"),
        ((5,), -1.0, "sign"),
        (tuple(range(8)), 25.4, "too large by 25.4"),
    ],
)
def test_a_slip_is_found_and_taken_back(good, rows, factor, slip):
    """Its probability is the one of the deviations before the slip: exactly those are put back."""
    assert doubts(good) == ()
    (found,) = doubts(scaled(good, rows, factor))
    assert (found.slip, found.rows, found.datum) == (slip, rows, None)
    assert found.p == pytest.approx(correct_jointly(measured_parts(PART, good), STATED).budget_p, rel=1e-9)


def test_deviations_of_the_part_as_clamped_that_claim_a_datum(good):
    claimed = [replace(one, datum=4) for one in good if one.feature != 4]
    found = doubts(claimed)
    against_nothing = measured_parts(PART, [replace(one, datum=None) for one in claimed])
    (as_clamped,) = [one for one in found if one.slip == "datum" and one.datum is None]
    assert as_clamped.rows == tuple(range(7))
    assert as_clamped.p == pytest.approx(correct_jointly(against_nothing, STATED).budget_p, rel=1e-9)
    assert [one.p for one in found] == sorted((one.p for one in found), reverse=True)


def test_a_value_that_stands_against_all_others(good):
    (found,) = doubts([replace(good[0], deviation_mm=good[0].deviation_mm + 0.3), *good[1:]])
    assert (found.slip, found.rows) == ("value", (0,))
    rest = correct_jointly(measured_parts(PART, good[1:]), STATED)
    assert found.p == pytest.approx(max(rest.budget_p, rest.noise_p), rel=1e-9)


def test_a_lost_sign_that_a_lean_would_explain_as_well():
    """Two places of the side, 20 mm apart, go opposite ways: only a turned post does that, and nobody stated one."""
    _, stated = post(line_u=0.02)
    rows = [(0, -0.02), (4, 0.02), (5, -0.0195), (7, 0.021)]
    given = [MeasuredDeviation(k, PART.features[k].along, value, U_MM) for k, value in rows]
    (found,) = doubts(given, stated)
    assert (found.slip, found.rows) == ("sign", (2,))
    # Too small for a sign to be told from scatter: left alone.
    small = [replace(one, u_mm=0.0045) for one in given]
    assert doubts(small, stated) == ()


def test_three_values_are_too_few_to_say_which_stands_alone(good):
    found = doubts([replace(good[0], deviation_mm=0.3), good[1], good[4]])
    assert all(one.slip != "value" for one in found)
