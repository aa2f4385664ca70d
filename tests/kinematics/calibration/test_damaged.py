"""Nothing but an answer or a `KinematicsError` comes of random and damaged readings, without a warning."""

import importlib.util
import warnings
from pathlib import Path

import numpy as np
import pytest
from slices import cases

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import Readings, TargetKind, fit_pivots, readings_from_rows
from kinematics.calibration.adjustment import build_problem, gauss_newton, initial_state, linearize
from kinematics.calibration.rank_deficiency import fix_unestimable

SPEC = importlib.util.spec_from_file_location("damaged", Path(__file__).with_name("damaged.py"))
damaged = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(damaged)


def test_a_sample_of_damaged_sets():
    count = cases(100)
    outcomes, faults = damaged.run(count)
    assert faults == []
    assert outcomes["fitted"] > count // 10  # not everything is refused
    assert sum(outcomes.values()) == count


def test_a_line_beyond_every_number_is_far():
    """Set 349 of 20261130: readings of 1e200 mm, whose squares overflowed in `check_fit`."""
    rng = np.random.default_rng([20261130, 349])
    machine = damaged.mill(rng)
    readings, machine = damaged.damage(rng, damaged.measured(rng, machine), machine)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert damaged.analyse(rng, readings, machine) == "fitted"


GOOD = {
    "names": ("one",),
    "kinds": (TargetKind.BALL,),
    "target": [0, 0],
    "angles_deg": [[0.0], [90.0]],
    "points_mm": [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]],
}


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("kinds", ("ball",), "kinds: expected TargetKind values, found 'ball'"),
        ("kinds", "ball", "kinds: expected a sequence of TargetKind, found 'ball'"),
        ("kinds", (), "kinds: expected one for each of 1 targets, found 0"),
        ("names", "one", "names: expected a sequence of names, found 'one'"),
        ("names", (1,), "names: expected text, found 1"),
        ("names", ("one", "one"), "names: expected each target once, found 'one' twice"),
        ("target", [0.5, 0], "target: expected whole numbers, found"),
        ("target", [0, 1], "target: expected indices from 0 to 0, found 0 to 1"),
        ("target", [0], r"target: expected shape \(2,\), found \(1,\)"),
        ("target", "ab", "target: expected numbers, found 'ab'"),
        ("kinds", (TargetKind.BALL, TargetKind.FACE), "kinds: expected one for each of 1 targets, found 2"),
        ("angles_deg", [[0.0]], r"angles: expected shape \(2, rotaries\), found \(1, 1\)"),
        ("angles_deg", [[0.0], [np.nan]], "readings, angles: expected finite numbers"),
        ("sigma_mm", [0.1, 1e-12], "readings, sigma: expected 1e-09 mm or more, found 1e-12"),
        ("angles_deg", [0.0, 90.0], r"angles: expected shape \(2, rotaries\), found \(2,\)"),
        ("angles_deg", [[0.0], ["x"]], "angles: expected numbers"),
        ("angles_deg", [[0.0], [np.inf]], "angles: expected finite numbers"),
        ("points_mm", [[0.0, 0.0], [1.0, 0.0]], "points: expected a last axis of 3 numbers"),
        ("points_mm", None, "points: expected"),
        ("sigma_mm", [0.1], "sigma: expected a last axis of 2 numbers"),
        ("sigma_mm", [0.1, 0.0], "sigma: expected 1e-09 mm or more, found 0"),
        ("sigma_mm", [0.1, 1e-170], "sigma: expected 1e-09 mm or more, found 1e-170"),
        ("rows", [1], r"rows: expected shape \(2,\), found \(1,\)"),
        ("directions", ([0, 0, 1], None), "directions: expected 1, found 2"),
        ("directions", ([[0, 0, 1]],), r"direction: expected shape \(3,\), found \(1, 3\)"),
    ],
)
def test_wrong_shapes_and_types_are_refused_at_the_edge(field, value, message):
    assert len(Readings(**GOOD)) == 2
    with pytest.raises(KinematicsError, match=message):
        Readings(**{**GOOD, field: value})


@pytest.mark.parametrize("keep", [[True], [0, 5], [[0]], ["a", "b"], 0.5])
def test_what_is_kept_must_be_a_mask_or_indices(keep):
    with pytest.raises(KinematicsError, match="keep: expected"):
        Readings(**GOOD).only(keep)


def test_lists_of_unlike_lengths_are_refused():
    with pytest.raises(KinematicsError, match="kinds: expected 2, found 1"):
        readings_from_rows(["ball"], ["one"] * 2, [[0.0]] * 2, [[0, 0, 0]] * 2)
    with pytest.raises(KinematicsError, match="targets: expected 2, found 1"):
        readings_from_rows(["ball"] * 2, ["one"], [[0.0]] * 2, [[0, 0, 0]] * 2)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"sigma_mm": 1e-170}, "sigma: expected 1e-09 mm or more, found 1e-170"),
        ({"sigma_mm": "0.1"}, "sigma: expected a number or None, found '0.1'"),
        ({"sigma_mm": float("nan")}, "sigma: expected finite numbers, found NaN or infinity"),
        ({"floor_mm": -1.0}, "floor: expected more than 0, found -1"),
        ({"loss": "huber", "loss_scale_mm": 0.0}, "loss scale: expected more than 0, found 0"),
        ({"level": 2.0}, "level: expected between 0 and 1, found 2"),
        ({"level": "high"}, "level: expected a number, found 'high'"),
    ],
)
def test_wrong_options_are_refused(shop, options, message):
    case = shop.random_case(1)
    with pytest.raises(KinematicsError, match=message):
        fit_pivots(case.readings, case.nominal, **options)


def test_a_step_of_no_length_is_no_division_by_zero():
    """At the very solution every step has no length, also the one that the next is compared with."""
    c = RotaryAxis("C", [0.0, 0.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    poses = [[0.0], [90.0], [180.0], [270.0]]
    ball = [[40.0, 0.0, 0.0], [0.0, -40.0, 0.0], [-40.0, 0.0, 0.0], [0.0, 40.0, 0.0]]
    readings = readings_from_rows(["ball"] * 4, ["one"] * 4, poses, ball)
    problem = build_problem(readings, Machine("mill", (c,), Platter(face_mm=0.0)))
    state = initial_state(problem)
    raw = linearize(problem, state)
    assert (raw.residual == 0.0).all()
    state = fix_unestimable(problem, state, raw, 0.001)
    settled, _ = gauss_newton(problem, state, raw, steps=3, converged_mm=0.0)
    assert (settled.parameters == 0.0).all()
    assert settled.steps == 3
