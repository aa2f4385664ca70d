"""Finding the pivots: from probe readings to the rotaries' lines, and how sure they are.

Not imported by `kinematics` itself: a work offset needs none of it. Lengths are millimetres, angles degrees.
"""

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

__all__ = [
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
    "read_as",
]
