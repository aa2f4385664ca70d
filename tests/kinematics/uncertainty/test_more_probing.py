"""Planned poses put into a calibration: the same as one adjustment of both sessions, and what that is worth to a part."""

from dataclasses import replace

import numpy as np
import pytest
from uncertain_setups import model

from kinematics import KinematicsError, Travel
from kinematics.calibration import (
    PlannedTarget,
    TargetKind,
    candidate_poses,
    is_accessible,
    planned_readings,
    predict_uncertainty,
)
from kinematics.uncertainty import (
    Feature,
    Spread,
    UncertaintySource,
    added_poses,
    line_information,
    part_budget,
    part_model,
)

SIGMA_MM = 0.003
SETUP = model(setup_c=20.0)
MILL = SETUP.machine
BALL = PlannedTarget("ball", TargetKind.BALL, [[-311.0, -203.0, -280.0]])
BORE = PlannedTarget("bore", TargetKind.BORE, [[-381.0, -180.0, -300.0], [-381.0, -180.0, -330.0]], [0, 0, 1])
FIRST = [(a, c) for a in (-25.0, 0.0, 20.0) for c in (0.0, 100.0, 250.0)]
LINES = [*SETUP.of_kind("line shift"), *SETUP.of_kind("line tilt")]


def covariance_of(targets, poses):
    return of_readings(planned_readings(MILL, targets, poses, is_accessible(MILL, targets, poses)))


def of_readings(planned):
    """Millimetres and degrees, as a calibration's source has them; an adjustment has radians."""
    scale = np.tile([1.0, 1.0, np.degrees(1.0), np.degrees(1.0)], 2)
    return predict_uncertainty(planned, MILL, SIGMA_MM).covariance * np.outer(scale, scale)


def near(found, expected, rel):
    """Equal matrices, each element held against the uncertainties of its row and column."""
    u = np.sqrt(np.diag(expected))
    return np.abs((found - expected) / np.outer(u, u)).max() < rel


def test_the_information_is_the_inverse_of_a_covariance():
    """Some poses show the bore too steeply: it counts where it can be read and nowhere else."""
    poses = [*FIRST, (-60.0, 30.0), (-45.0, 0.0)]
    seen = is_accessible(MILL, [BALL, BORE], poses)
    assert seen[:, 0].all()
    assert not seen[:, 1].all()
    found = line_information(MILL, [BALL, BORE], poses, SIGMA_MM)
    assert near(np.linalg.inv(found), covariance_of([BALL, BORE], poses), 1e-5)
    # Twice the probe's scatter is worth a quarter.
    assert line_information(MILL, [BALL, BORE], poses, 2.0 * SIGMA_MM) * 4.0 == pytest.approx(found, rel=1e-6)


def test_two_sessions_are_one_adjustment_of_both():
    """The second with a ball of its own, on a pose that alone determines nothing; then a budget from both."""
    other = replace(BALL, name="another")
    second = [(-90.0, 0.0), (-90.0, 120.0), (-90.0, 240.0)]
    poses = np.concatenate([FIRST, second])
    which = np.zeros((len(poses), 2), dtype=bool)
    which[: len(FIRST), 0] = which[len(FIRST) :, 1] = True
    both = of_readings(planned_readings(MILL, [BALL, other], poses, which))
    first = covariance_of([BALL], FIRST)
    information = line_information(MILL, [other], second, SIGMA_MM)
    joined = np.linalg.inv(np.linalg.inv(first) + information)
    assert near(joined, both, 1e-4)
    assert not near(first, both, 0.1)


def calibrated(covariance):
    """The lines' source in the order of a calibration: two shifts and two tilts of each line."""
    lines = [one for letter in MILL.letters for one in LINES if one.owner == letter]
    return UncertaintySource("calibration", "", tuple(lines), covariance)


def test_each_tilt_s_poses_are_put_into_the_calibration():
    """Beside a step that no probing of pivots makes better, in front of the calibration and behind it."""
    part = part_model(SETUP, [Feature("depth", 2, [2, 1, -8], [0, 0, 1], 0.1)])
    steps = [
        UncertaintySource.of(SETUP.of_kind("step up", name), Spread(0.002)) for name in ("plate", "wedge")
    ]
    before = covariance_of([BALL], FIRST)
    sources = [steps[0], calibrated(before), steps[1]]
    found = added_poses(part, sources, [BALL], SIGMA_MM, 4)
    assert [one.tilt_deg for one in found] == [-90.0, -60.0, -30.0, 0.0, 30.0]
    for one in found:
        assert (one.poses_deg[:, 0] == one.tilt_deg).all()
        # Four of the twelve poses that the grid has all round, from the first to the last.
        assert one.poses_deg[:, 1].tolist() == [0.0, 120.0, 210.0, 330.0]
        joined = np.linalg.inv(
            np.linalg.inv(before) + line_information(MILL, [BALL], one.poses_deg, SIGMA_MM)
        )
        expected = part_budget(part, [steps[0], calibrated(0.5 * (joined + joined.T)), steps[1]])
        assert one.budget.features[0].u_mm == pytest.approx(expected.features[0].u_mm, rel=1e-6)
        assert one.budget.features[0].u_mm < part_budget(part, sources).features[0].u_mm


def test_a_covariance_without_an_inverse():
    """One combination of the lines' parameters is unsure, and the platter's face beside them, which keeps what it had."""
    part = part_model(SETUP, [Feature("depth", 2, [2, 1, -8], [0, 0, 1], 0.1)])
    way = np.array([1.0, -0.5, 0.0, 0.0, 0.7, 2.0, 0.01, -0.02]) * 0.01
    face = SETUP.of_kind("platter face")

    def source(variance):
        joint = np.zeros((9, 9))
        joint[:8, :8] = variance * np.outer(way, way)
        joint[8, 8] = 0.004**2
        lines = calibrated(np.eye(8)).quantities
        return UncertaintySource("calibration", "", (*lines, *face), joint)

    for one in added_poses(part, [source(1.0)], [BALL], SIGMA_MM, 6):
        assert len(one.poses_deg) == 6
        # Of one number: its variance's inverse and what the readings tell of it add up.
        gained = way @ line_information(MILL, [BALL], one.poses_deg, SIGMA_MM) @ way
        assert gained > 1.0
        expected = part_budget(part, [source(1.0 / (1.0 + gained))])
        assert one.budget.features[0].u_mm == pytest.approx(expected.features[0].u_mm, rel=1e-6)


def test_tilts_where_too_little_can_be_read_are_left_out():
    """The travel's end takes away poses all round: a tilt that has fewer left than asked for does not count."""
    short = replace(SETUP, machine=replace(MILL, travel=Travel([-400.0, -410.0, -400.0], [0.0, 0.0, 0.0])))
    part = part_model(short, [Feature("depth", 2, [2, 1, -8], [0, 0, 1], 0.1)])
    poses = candidate_poses(MILL, 30.0)
    readable = is_accessible(short.machine, [BALL], poses).any(axis=1)
    counts = [int((readable & (poses[:, 0] == a)).sum()) for a in np.unique(poses[:, 0])]
    for wanted in (min(counts) + 1, max(counts)):
        enough = [
            a for a, count in zip(np.unique(poses[:, 0]).tolist(), counts, strict=True) if count >= wanted
        ]
        found = added_poses(part, [calibrated(covariance_of([BALL], FIRST))], [BALL], SIGMA_MM, wanted)
        assert 0 < len(enough) < len(counts)
        assert [one.tilt_deg for one in found] == enough
        for one in found:
            assert len(one.poses_deg) == wanted
            assert is_accessible(short.machine, [BALL], one.poses_deg).all()


def test_without_a_calibration_there_is_nothing_to_add_to():
    part = part_model(SETUP, [Feature("depth", 2, [2, 1, -8], [0, 0, 1], 0.1)])
    step = UncertaintySource.of(SETUP.of_kind("step up", "plate"), Spread(0.002))
    with pytest.raises(KinematicsError, match="found none"):
        added_poses(part, [step], [BALL], SIGMA_MM)
    with pytest.raises(KinematicsError):
        added_poses(part, [calibrated(np.eye(8))], [BALL], SIGMA_MM, 0)
