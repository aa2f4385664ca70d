"""Reach: does the machine get there, does it clear, and how tall must the standoff be.

The collision library (manifold3d) is imported here and nowhere else, so whoever only computes offsets does without it.
In the order of the story: `shapes`, `solid` (what is in the way), `cutting` (tool, holder, spindle), `model` (what
stands where), `travel`, `clearance`, `where`, `index_move`, `lengths` (does it get there, does it clear), `load` (what
hangs on the rotaries), `beam`, `bearing`, `sizing` (how tall, where on the mill), `silhouette` (pictures). Beneath them `body`,
`bounds` and `scene` make distances quick.
"""

from kinematics.reach.beam import Section, deflection_mm, stiffness_n_per_mm
from kinematics.reach.clearance import Clearance, ClosestPair, WitnessPoints, clearances, witness_points
from kinematics.reach.collision_model import (
    CollisionModel,
    OperationPose,
    StepBody,
    moved_on_mill,
    platter_solid,
    with_step_height,
)
from kinematics.reach.index_moves import IndexMove, index_move
from kinematics.reach.load import (
    STANDARD_GRAVITY,
    Carried,
    WorstTorque,
    carried,
    force_torque_nm,
    gravity_torque_nm,
    worst_torque,
)
from kinematics.reach.scene import Scene, scene_of
from kinematics.reach.shapes import Box, Frustum, Mesh, Shape, box_on, frustum_on
from kinematics.reach.silhouette import VIEWS, Outline, View, flat_mm, outlines
from kinematics.reach.solid import BASE, PART, SPINDLE_NOSE, Attachment, Solid, on_rotary, on_step
from kinematics.reach.step_height import (
    FeasibleRange,
    Limit,
    LoadLimit,
    MountingRange,
    limiting_cause,
    minimum_clearance,
    mounting_ranges,
    step_heights,
)
from kinematics.reach.tool_assembly import HolderPart, TipEnvelope, Tool
from kinematics.reach.tool_length import ToolLengths, tool_lengths
from kinematics.reach.travel import Margin, RotaryMargin, readouts_mm, rotary_margins, travel_margins

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
    "Limit",
    "LoadLimit",
    "Margin",
    "Mesh",
    "MountingRange",
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
    "View",
    "WitnessPoints",
    "WorstTorque",
    "box_on",
    "carried",
    "clearances",
    "deflection_mm",
    "flat_mm",
    "force_torque_nm",
    "frustum_on",
    "gravity_torque_nm",
    "index_move",
    "limiting_cause",
    "minimum_clearance",
    "mounting_ranges",
    "moved_on_mill",
    "on_rotary",
    "on_step",
    "outlines",
    "platter_solid",
    "readouts_mm",
    "rotary_margins",
    "scene_of",
    "step_heights",
    "stiffness_n_per_mm",
    "tool_lengths",
    "travel_margins",
    "with_step_height",
    "witness_points",
    "worst_torque",
]
