"""Predicted uncertainty of planned readings, choice of poses, and marks for a student's answer."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2
from slices import TIMES, cases

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, Travel, transform_points
from kinematics.calibration import (
    PlannedTarget,
    TargetKind,
    candidate_poses,
    fit_pivots,
    is_accessible,
    optimal_poses,
    perturbed_machine,
    planned_readings,
    predict_uncertainty,
    rank_added_poses,
    simulated_readings,
)

A = RotaryAxis("A", [-381.0, -203.0, -406.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
C = RotaryAxis("C", [-381.0, -203.0, -356.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
MILL = Machine("mill", (A, C), Platter(face_mm=-356.0, diameter_mm=160.0))
BALL = PlannedTarget("ball 1", TargetKind.BALL, [[-311.0, -203.0, -310.0]])
PLATTER = PlannedTarget(
    "platter",
    TargetKind.FACE,
    [[-330.0, -203.0, -356.0], [-400.0, -150.0, -356.0], [-400.0, -250.0, -356.0]],
    [0, 0, 1],
)
BORE = PlannedTarget("bore", TargetKind.BORE, [[-381.0, -203.0, -360.0], [-381.0, -203.0, -380.0]], [0, 0, 1])


def test_what_is_foreseen_is_what_the_fit_says():
    poses = [(a, c) for a in (-60, 0, 30) for c in (0, 120, 240)]
    planned = planned_readings(MILL, [BALL, PLATTER], poses)
    foreseen = predict_uncertainty(planned, MILL, 0.003)
    truth = perturbed_machine(MILL, 3, 0.02, 0.005)
    readings = simulated_readings(truth, [BALL, PLATTER], poses, 0.003, 4)
    fit = fit_pivots(readings, MILL, sigma_mm=0.003)
    errors = [e for line in fit.lines for e in line.location_errors]
    assert [e.name for e in foreseen.estimates] == [e.name for e in errors]
    assert [e.standard_uncertainty for e in foreseen.estimates] == pytest.approx(
        [e.standard_uncertainty for e in errors], rel=0.01
    )
    assert foreseen.dof == fit.dof
    u = np.sqrt(np.diag(fit.covariance))
    assert np.abs((foreseen.covariance - fit.covariance) / np.outer(u, u)).max() < 0.01


def test_the_worst_and_the_undetermined_are_named():
    foreseen = predict_uncertainty(
        planned_readings(MILL, [BALL], [(0, c) for c in (0, 90, 180)]), MILL, 0.003
    )
    assert foreseen.worst.name.endswith("A")
    assert foreseen.worst.fixed
    assert (foreseen.fixed[0].kind, foreseen.fixed[0].letter) == ("rotary not turned", "A")
    both = predict_uncertainty(
        planned_readings(MILL, [BALL], [(a, c) for a in (0, -8) for c in (0, 90, 180)]), MILL, 0.003
    )
    assert both.worst.name.endswith("A")
    assert not both.worst.fixed
    with pytest.raises(KinematicsError, match="sigma: expected more than 0, found 0"):
        predict_uncertainty(planned_readings(MILL, [BALL], [(0, 0)]), MILL, 0.0)


def test_the_pose_that_helps_most_turns_what_was_not_turned():
    poses = [(0, c) for c in (0, 120, 240)]
    candidates = [(0, 60), (0, 180), (-60, 0), (-5, 0)]
    ranked = rank_added_poses(MILL, [BALL], poses, candidates, 0.003)
    assert ranked[0].pose_deg.tolist() == [-60.0, 0.0]
    gains = [added.gain for added in ranked]
    assert gains == sorted(gains, reverse=True)
    assert 0.0 <= gains[-1] < gains[0] < 1.0
    assert ranked[0].before_mm > ranked[0].after_mm
    # Independent check: the promised figure is that of the uncertainties themselves, where everything is told.
    full = [(a, c) for a in (-60, 0, 30) for c in (0, 120, 240)]
    (one,) = rank_added_poses(MILL, [BALL], full, [(-90, 60)], 0.003)
    foreseen = predict_uncertainty(planned_readings(MILL, [BALL], [*full, (-90, 60)]), MILL, 0.003)
    scale = np.tile([1.0, 1.0, foreseen.lever_mm, foreseen.lever_mm], 2)
    assert one.after_mm == pytest.approx(np.sqrt((np.diag(foreseen.covariance) * scale**2).mean()), rel=1e-2)


def test_chosen_poses_beat_random_ones_and_stay_within_limits():
    candidates = candidate_poses(MILL, (15.0, 30.0))
    assert (candidates[:, 0] >= -120.0).all()
    assert (candidates[:, 0] <= 30.0).all()
    chosen = optimal_poses(MILL, [BALL], candidates, 8, 0.003)
    assert chosen.shape == (8, 2)
    assert len(np.unique(chosen, axis=0)) == 8
    assert is_accessible(MILL, [BALL], chosen).all()

    def size(poses):
        foreseen = predict_uncertainty(planned_readings(MILL, [BALL], poses), MILL, 0.003)
        scale = np.tile([1.0, 1.0, foreseen.lever_mm, foreseen.lever_mm], 2)
        return float(np.sqrt((np.diag(foreseen.covariance) * scale**2).mean()))

    usable = candidates[is_accessible(MILL, [BALL], candidates)[:, 0]]
    rng = np.random.default_rng(0)
    luck = [size(rng.choice(usable, size=8, replace=False)) for _ in range(cases(60))]
    assert size(chosen) < min(luck)
    # No single exchange makes it better.
    ours = size(chosen)
    for place in range(8):
        for other in usable[:: round(max(1.0, 1.0 / TIMES))]:
            if (chosen == other).all(axis=1).any():
                continue
            exchanged = chosen.copy()
            exchanged[place] = other
            assert size(exchanged) > ours * (1.0 - 1e-4)
    with pytest.raises(KinematicsError, match="count: expected 1 to"):
        optimal_poses(MILL, [BALL], candidates, 10_000, 0.003)


def test_poses_out_of_reach_or_out_of_sight_are_not_readable():
    seen = is_accessible(MILL, [BALL, PLATTER, BORE], [(0, 0), (-90, 0), (-100, 0), (-40, 0), (45, 0)])
    assert seen.tolist() == [
        [True, True, True],
        [True, True, False],
        [False, False, False],
        [True, True, False],
        [False, False, False],
    ]
    low, high = [-500.0, -260.0, -500.0], [0.0, 0.0, 0.0]
    tight = replace(MILL, travel=Travel(low, high))
    at = transform_points(tight, BALL.points_mm[0], [(0, 90)])[0]
    inside = bool((at >= low).all() and (at <= high).all())
    assert is_accessible(tight, [BALL], [(0, 90)]).item() is inside
    assert not is_accessible(tight, [BALL], [(0, 90)]).item()
    skipped = planned_readings(
        MILL, [BALL, BORE], [(0, 0), (-90, 0)], is_accessible(MILL, [BALL, BORE], [(0, 0), (-90, 0)])
    )
    assert len(skipped) == 4
    with pytest.raises(KinematicsError, match="found none"):
        planned_readings(MILL, [BORE], [(-90, 0)], [[False]])


def test_display_values_are_where_the_machine_carries_the_target():
    poses = [(-30, 60), (10, 200)]
    planned = planned_readings(MILL, [BALL], poses)
    assert np.allclose(planned.points_mm, transform_points(MILL, BALL.points_mm[0], poses), atol=1e-12)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("b", TargetKind.BALL, [[0, 0, 0], [1, 0, 0]]), "one centre, found 2"),
        (("f", TargetKind.FACE, [[0, 0, 0]]), "direction: expected one for a face"),
        (("f", TargetKind.FACE, [[0, 0, 0], [1, 0, 0.5]], [0, 0, 1]), "one plane"),
        (("f", TargetKind.BORE, [[0, 0, 0], [1, 0, 5]], [0, 0, 1]), "one axis"),
    ],
)
def test_targets_that_cannot_be_are_refused(arguments, message):
    with pytest.raises(KinematicsError, match=message):
        PlannedTarget(*arguments)


def test_candidates_are_refused_without_end():
    with pytest.raises(KinematicsError, match="more than 0 degrees"):
        candidate_poses(MILL, 0.0)
    with pytest.raises(KinematicsError, match="expected 1 to 4000 poses"):
        candidate_poses(MILL, 0.5)


def test_practice_is_the_same_for_the_same_seed_and_hides_its_errors():
    one, same, other = perturbed_machine(MILL, 1), perturbed_machine(MILL, 1), perturbed_machine(MILL, 2)
    assert one.rotaries[0].point_mm.tolist() == same.rotaries[0].point_mm.tolist()
    assert one.rotaries[0].point_mm.tolist() != other.rotaries[0].point_mm.tolist()
    assert one.rotaries[0].point_mm.tolist() != MILL.rotaries[0].point_mm.tolist()
    poses = [(a, c) for a in (-60, 0) for c in (0, 120)]
    first, second = (simulated_readings(one, [BALL], poses, 0.002, 9, resolution_mm=0.001) for _ in range(2))
    assert first.points_mm.tolist() == second.points_mm.tolist()
    assert np.allclose(first.points_mm, np.round(first.points_mm, 3), atol=1e-12)
    scatter = simulated_readings(MILL, [BALL], np.tile([[0.0, 0.0]], (3000, 1)), 0.002, 9).points_mm
    # The sum of squares over sigma^2 is chi squared; three coordinates share a chance of one in a thousand.
    low, high = 0.002 * np.sqrt(np.array(chi2.interval(1.0 - 0.001 / 3.0, 2999)) / 2999.0)
    assert ((low < scatter.std(axis=0, ddof=1)) & (scatter.std(axis=0, ddof=1) < high)).all()
