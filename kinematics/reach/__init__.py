"""Reach of a job: travel margins, clearances, index moves, loads, and the heights a stack step may have.

The collision library (manifold3d) is imported here and nowhere else, so whoever only computes offsets does without it.
In the order of a question: `shapes` (bodies in the way), `tool_assembly` (tool, holder, spindle),
`collision_model` (a job on its machine), `travel`, `clearance`, `index_moves`,
`tool_length` (does it get there, does it clear), `load` (is it carried and held), `beam`,
`feasibility`, `step_height` (how tall, where on the mill), `unloading` (an arm takes the part),
`silhouette` (pictures). Beneath them `collision_bodies`, `distance_bounds` and `scene` make distances quick.
"""

from kinematics.reach.beam import Section, deflection_mm, stiffness_n_per_mm
from kinematics.reach.branch_and_bound import MoveClearance
from kinematics.reach.clearance import (
    Clearance,
    ClosestPair,
    WitnessPoints,
    clearances,
    table_clearances,
    witness_points,
)
from kinematics.reach.collision_bodies import whole_body
from kinematics.reach.collision_model import (
    CollisionModel,
    OperationPose,
    StepBody,
    moved_on_mill,
    platter_solid,
    with_step_height,
)
from kinematics.reach.feasibility import Limit, LimitKind, minimum_clearance
from kinematics.reach.index_moves import (
    IndexMove,
    index_move,
    index_turns_deg,
    job_index_moves,
    rotary_turns_deg,
)
from kinematics.reach.load import (
    STANDARD_GRAVITY,
    Carried,
    LoadLimit,
    WorstTorque,
    carried,
    cutting_box_mm,
    force_torque_nm,
    gravity_torque_nm,
    worst_torque,
)
from kinematics.reach.scene import MovingPairs, Scene, scene_of
from kinematics.reach.shapes import (
    BASE,
    PART,
    SPINDLE_NOSE,
    Attachment,
    Box,
    Frustum,
    Mesh,
    Shape,
    Solid,
    box_corners,
    box_on,
    frustum_on,
    moved_shape,
    on_rotary,
    on_step,
)
from kinematics.reach.silhouette import VIEWS, Outline, View, flat_mm, outlines
from kinematics.reach.step_height import (
    FeasibleRange,
    MountingRange,
    limiting_cause,
    mounting_ranges,
    step_heights,
)
from kinematics.reach.tool_assembly import HolderPart, TipEnvelope, Tool
from kinematics.reach.tool_length import LengthLimit, ToolLengths, tool_lengths
from kinematics.reach.travel import Margin, RotaryMargin, readouts_mm, rotary_margins, travel_margins
from kinematics.reach.unloading import Unloading, gripper_clearance, with_unloading

__all__ = [
    "BASE",
    "PART",
    "SPINDLE_NOSE",
    "STANDARD_GRAVITY",
    "VIEWS",
    "Attachment",
    "Box",
    "Carried",
    "Clearance",
    "ClosestPair",
    "CollisionModel",
    "FeasibleRange",
    "Frustum",
    "HolderPart",
    "IndexMove",
    "LengthLimit",
    "Limit",
    "LimitKind",
    "LoadLimit",
    "Margin",
    "Mesh",
    "MountingRange",
    "MoveClearance",
    "MovingPairs",
    "OperationPose",
    "Outline",
    "RotaryMargin",
    "Scene",
    "Section",
    "Shape",
    "Solid",
    "StepBody",
    "TipEnvelope",
    "Tool",
    "ToolLengths",
    "Unloading",
    "View",
    "WitnessPoints",
    "WorstTorque",
    "box_corners",
    "box_on",
    "carried",
    "clearances",
    "cutting_box_mm",
    "deflection_mm",
    "flat_mm",
    "force_torque_nm",
    "frustum_on",
    "gravity_torque_nm",
    "gripper_clearance",
    "index_move",
    "index_turns_deg",
    "job_index_moves",
    "limiting_cause",
    "minimum_clearance",
    "mounting_ranges",
    "moved_on_mill",
    "moved_shape",
    "on_rotary",
    "on_step",
    "outlines",
    "platter_solid",
    "readouts_mm",
    "rotary_margins",
    "rotary_turns_deg",
    "scene_of",
    "step_heights",
    "stiffness_n_per_mm",
    "table_clearances",
    "tool_lengths",
    "travel_margins",
    "whole_body",
    "with_step_height",
    "with_unloading",
    "witness_points",
    "worst_torque",
]
