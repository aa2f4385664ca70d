"""Reach: does the machine get there, does it clear, and how tall must the standoff be.

The collision library (manifold3d) is imported here and nowhere else, so whoever only computes offsets does without it.
In the order of the story: `shapes`, `solid` (what is in the way), `cutting` (tool, holder, spindle), `layout` (what
stands where), `travel`, `clearance`, `where`, `swing`, `lengths` (does it get there, does it clear), `load` (what
hangs on the rotaries), `beam`, `bearing`, `sizing` (how tall, where on the mill), `silhouette` (pictures). Beneath them `body`,
`bounds` and `scene` make distances quick.
"""

from kinematics.reach.beam import Section, deflection_mm, stiffness_n_per_mm
from kinematics.reach.bearing import LoadLimit
from kinematics.reach.clearance import Clearance, Near, clearances
from kinematics.reach.cutting import HolderPart, Sweep, Tool
from kinematics.reach.layout import (
    Layout,
    Stand,
    StepBody,
    moved_on_mill,
    platter_solid,
    with_step_height,
)
from kinematics.reach.lengths import ToolLengths, tool_lengths
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
from kinematics.reach.shapes import Block, Mesh, Round, Shape, block_on, round_on
from kinematics.reach.silhouette import VIEWS, Outline, View, flat_mm, outlines
from kinematics.reach.sizing import Heights, Seat, fit_of, seat_range, step_heights, what_stops
from kinematics.reach.solid import BASE, PART, SPINDLE_NOSE, Fixed, Solid, on_rotary, on_step
from kinematics.reach.stop import Stop
from kinematics.reach.swing import Swing, swing
from kinematics.reach.travel import Margin, RotaryMargin, readouts_mm, rotary_margins, travel_margins
from kinematics.reach.where import Place, place_of

__all__ = [
    "BASE",
    "PART",
    "SPINDLE_NOSE",
    "STANDARD_GRAVITY",
    "VIEWS",
    "Block",
    "Carried",
    "Clearance",
    "Fixed",
    "Heights",
    "HolderPart",
    "Layout",
    "LoadLimit",
    "Margin",
    "Mesh",
    "Near",
    "Outline",
    "Place",
    "RotaryMargin",
    "Round",
    "Scene",
    "Seat",
    "Section",
    "Shape",
    "Solid",
    "Stand",
    "StepBody",
    "Stop",
    "Sweep",
    "Swing",
    "Tool",
    "ToolLengths",
    "View",
    "WorstTorque",
    "block_on",
    "carried",
    "clearances",
    "deflection_mm",
    "fit_of",
    "flat_mm",
    "force_torque_nm",
    "gravity_torque_nm",
    "moved_on_mill",
    "on_rotary",
    "on_step",
    "outlines",
    "place_of",
    "platter_solid",
    "readouts_mm",
    "rotary_margins",
    "round_on",
    "scene_of",
    "seat_range",
    "step_heights",
    "stiffness_n_per_mm",
    "swing",
    "tool_lengths",
    "travel_margins",
    "what_stops",
    "with_step_height",
    "worst_torque",
]
