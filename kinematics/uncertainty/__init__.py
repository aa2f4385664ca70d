"""Uncertainty of work offsets, features and seams: what is uncertain, what it does, and what is to blame.

Not imported by `kinematics` itself. Lengths are millimetres, angles degrees; uncertainties are standard uncertainties
(JCGM 100:2008, the GUM) unless they are said to be expanded.

    sources      `Spread`, `UncertainQuantity`, `UncertaintySource`: what is uncertain, and how far
    the model    `SetupModel` with its exact Jacobians; `setup_errors` evaluates it without approximation
    the part     `Feature`, `Seam`, `part_model`
    the budget   `offset_budget`, `part_budget`; `propagate` for any linear model
    trials       `monte_carlo` (JCGM 101) of any model; `offset_trials`, `part_trials` of a setup
    correction   `measured_parts`, `correct_jointly`, `single_causes`, `next_feature`, `next_place`,
                 `offset_correction`, `deviations_after`
    checks       `measurement_blunders`, `seating_spread`
    conformity   `conformance_probability`, `position_probability`, `proven_within`
"""

from kinematics.uncertainty.budget import (
    FeatureBudget,
    OffsetBudget,
    PartBudget,
    offset_budget,
    part_budget,
)
from kinematics.uncertainty.causes import (
    CausePair,
    SingleCause,
    SingleCauses,
    single_causes,
)
from kinematics.uncertainty.conformity import (
    conformance_probability,
    position_probability,
    position_radius,
    proven_within,
)
from kinematics.uncertainty.correction import (
    JointCorrection,
    OffsetCorrection,
    SetupEstimate,
    correct_jointly,
    corrections_apart,
    deviations_after,
    moved_by,
    offset_correction,
    setup_prior,
)
from kinematics.uncertainty.features import Feature, PartModel, Seam, part_model
from kinematics.uncertainty.inspection import (
    MeasuredDeviation,
    MeasuredParts,
    SeatingSpread,
    measured_parts,
    seating_spread,
)
from kinematics.uncertainty.measurement_checks import MeasurementBlunder, measurement_blunders
from kinematics.uncertainty.model_parts import CutPoint, ModelOperation, StackNode, TouchReading
from kinematics.uncertainty.next_measurement import (
    AddedPoses,
    NextFeature,
    NextPlace,
    added_poses,
    line_information,
    next_feature,
    next_place,
)
from kinematics.uncertainty.propagation import Propagated, expanded_factor, propagate
from kinematics.uncertainty.random_trials import (
    MonteCarloResult,
    monte_carlo,
    numerical_tolerance,
    offset_trials,
    part_trials,
)
from kinematics.uncertainty.setup_model import SetupModel
from kinematics.uncertainty.setup_trials import setup_errors
from kinematics.uncertainty.sources import (
    QUANTITY_UNITS,
    QuantityKind,
    Spread,
    UncertainQuantity,
    UncertaintySource,
    draw_sources,
)

__all__ = [
    "QUANTITY_UNITS",
    "AddedPoses",
    "CausePair",
    "CutPoint",
    "Feature",
    "FeatureBudget",
    "JointCorrection",
    "MeasuredDeviation",
    "MeasuredParts",
    "MeasurementBlunder",
    "ModelOperation",
    "MonteCarloResult",
    "NextFeature",
    "NextPlace",
    "OffsetBudget",
    "OffsetCorrection",
    "PartBudget",
    "PartModel",
    "Propagated",
    "QuantityKind",
    "Seam",
    "SeatingSpread",
    "SetupEstimate",
    "SetupModel",
    "SingleCause",
    "SingleCauses",
    "Spread",
    "StackNode",
    "TouchReading",
    "UncertainQuantity",
    "UncertaintySource",
    "added_poses",
    "conformance_probability",
    "correct_jointly",
    "corrections_apart",
    "deviations_after",
    "draw_sources",
    "expanded_factor",
    "line_information",
    "measured_parts",
    "measurement_blunders",
    "monte_carlo",
    "moved_by",
    "next_feature",
    "next_place",
    "numerical_tolerance",
    "offset_budget",
    "offset_correction",
    "offset_trials",
    "part_budget",
    "part_model",
    "part_trials",
    "position_probability",
    "position_radius",
    "propagate",
    "proven_within",
    "seating_spread",
    "setup_errors",
    "setup_prior",
    "single_causes",
]
