"""Finding the pivots: from probe readings to the rotaries' lines, and how sure they are.

Not imported by `kinematics` itself: a work offset needs none of it. Lengths are millimetres, angles degrees.
"""

from kinematics.pivot.blunder import Blunder
from kinematics.pivot.blunders import find_blunders
from kinematics.pivot.fit import fit_pivots, line_numbers, region_holds, region_of
from kinematics.pivot.pull import pulled_back
from kinematics.pivot.readings import Kind, Readings, read_as
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
from kinematics.pivot.student import coverage_factor, region_factor

__all__ = [
    "Blunder",
    "Estimate",
    "Fit",
    "Held",
    "Kind",
    "LineFit",
    "PairFit",
    "ReadingFit",
    "Readings",
    "Suspect",
    "TargetFit",
    "coverage_factor",
    "find_blunders",
    "fit_pivots",
    "line_numbers",
    "pulled_back",
    "read_as",
    "region_factor",
    "region_holds",
    "region_of",
]
