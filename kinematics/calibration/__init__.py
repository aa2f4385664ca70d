"""Calibration of a machine's rotaries: their lines from probe readings, with uncertainties.

Not imported by `kinematics` itself: a work offset needs none of it. Lengths are millimetres, angles degrees.
"""

from kinematics.calibration.blunders.blunder import Blunder, CoordinateError
from kinematics.calibration.blunders.gross_errors import find_gross_errors
from kinematics.calibration.blunders.search import find_blunders
from kinematics.calibration.fit import fit_pivots
from kinematics.calibration.fit_checks import FitDiagnostic, check_fit, outside_travels
from kinematics.calibration.line_parameters import derotated_points, relative_line_parameters
from kinematics.calibration.planned_targets import (
    PlannedTarget,
    candidate_poses,
    expand_mask,
    is_accessible,
    planned_readings,
)
from kinematics.calibration.pose_selection import (
    PoseGain,
    optimal_poses,
    poses_for_angle_errors,
    rank_added_poses,
)
from kinematics.calibration.prediction import PredictedUncertainty, predict_uncertainty
from kinematics.calibration.readings import Readings, TargetKind, readings_from_rows
from kinematics.calibration.results import (
    Estimate,
    Fit,
    FixedParameter,
    LineFit,
    Outlier,
    PairFit,
    PlatterFit,
    ReadingFit,
    TargetFit,
)
from kinematics.calibration.robust import LOSSES
from kinematics.calibration.simulation import perturbed_machine, simulated_readings
from kinematics.calibration.statistics import coverage_factor, length_interval, region_factor
from kinematics.calibration.systematic_terms import AngleCurve, AngleError, Drift, DriftFit

__all__ = [
    "LOSSES",
    "AngleCurve",
    "AngleError",
    "Blunder",
    "CoordinateError",
    "Drift",
    "DriftFit",
    "Estimate",
    "Fit",
    "FitDiagnostic",
    "FixedParameter",
    "LineFit",
    "Outlier",
    "PairFit",
    "PlannedTarget",
    "PlatterFit",
    "PoseGain",
    "PredictedUncertainty",
    "ReadingFit",
    "Readings",
    "TargetFit",
    "TargetKind",
    "candidate_poses",
    "check_fit",
    "coverage_factor",
    "derotated_points",
    "expand_mask",
    "find_blunders",
    "find_gross_errors",
    "fit_pivots",
    "is_accessible",
    "length_interval",
    "optimal_poses",
    "outside_travels",
    "perturbed_machine",
    "planned_readings",
    "poses_for_angle_errors",
    "predict_uncertainty",
    "rank_added_poses",
    "readings_from_rows",
    "region_factor",
    "relative_line_parameters",
    "simulated_readings",
]
