"""Finding the pivots: from probe readings to the rotaries' lines, and how sure they are.

Not imported by `kinematics` itself: a work offset needs none of it. Lengths are millimetres, angles degrees.
"""

from kinematics.pivot.blunder import Blunder
from kinematics.pivot.blunders import find_blunders
from kinematics.pivot.findings import Finding, findings_in, outside_travels
from kinematics.pivot.fit import fit_pivots, line_numbers, region_holds, region_of
from kinematics.pivot.foresee import AddedPose, Foreseen, choose_poses, foresee, rank_added_poses
from kinematics.pivot.foretold import foretold_blunders
from kinematics.pivot.lengths import in_unit
from kinematics.pivot.planned import (
    PlannedTarget,
    candidate_poses,
    planned_readings,
    point_by_point,
    readable,
)
from kinematics.pivot.practice import Grade, Mark, grade, hidden_machine, simulated_readings
from kinematics.pivot.pull import pulled_back
from kinematics.pivot.readings import Kind, Readings, outside_limits, read_as
from kinematics.pivot.results import (
    Estimate,
    Fit,
    Held,
    LineFit,
    PairFit,
    ReadingFit,
    Suspect,
    TargetFit,
)
from kinematics.pivot.round import RoundFit, fit_round
from kinematics.pivot.student import coverage_factor, region_factor

__all__ = [
    "AddedPose",
    "Blunder",
    "Estimate",
    "Finding",
    "Fit",
    "Foreseen",
    "Grade",
    "Held",
    "Kind",
    "LineFit",
    "Mark",
    "PairFit",
    "PlannedTarget",
    "ReadingFit",
    "Readings",
    "RoundFit",
    "Suspect",
    "TargetFit",
    "candidate_poses",
    "choose_poses",
    "coverage_factor",
    "find_blunders",
    "findings_in",
    "fit_pivots",
    "fit_round",
    "foresee",
    "foretold_blunders",
    "grade",
    "hidden_machine",
    "in_unit",
    "line_numbers",
    "outside_limits",
    "outside_travels",
    "planned_readings",
    "point_by_point",
    "pulled_back",
    "rank_added_poses",
    "read_as",
    "readable",
    "region_factor",
    "region_holds",
    "region_of",
    "simulated_readings",
]
