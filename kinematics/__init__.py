"""Kinematics of a mill with a tilting rotary: pivots, stacks, planes and work offsets.

Lengths are millimetres, angles degrees, everything float64. The names below are the library; each module's
docstring tells its part of the story, in this order: `angles`, `pose`, `turns` (rigid poses), `rotary`, `machine`
(what turns about what), `stack`, `plane` (the part), `aiming`, `offset`, `operation`, `numbering` (what to load),
`touch` (what was measured).
"""

from kinematics.aiming import Aim, Solution, aim
from kinematics.angles import every_wrap_deg, sincos_deg, wrap_deg
from kinematics.bringing import Aimed, bring_to_spindle, to_line_up
from kinematics.carrying import carry
from kinematics.errors import KinematicsError
from kinematics.machine import (
    SPINDLE,
    Machine,
    Platter,
    Travel,
    ZReference,
    lies_flat,
    platter_above_tilt_mm,
    table_frame,
    table_pose,
)
from kinematics.nearly import aim_within
from kinematics.numbering import Clash, Numbering, number_offsets, work_offset_code
from kinematics.offset import Setup, plane_axes, set_up, square_up, work_offset
from kinematics.operation import AIM_WITHIN_DEG, Operation, Placed, Placement, Unreached
from kinematics.placing import place
from kinematics.plane import Plane, plane_from_normal, plane_from_tip, plane_through, repeated
from kinematics.pose import IDENTITY, Pose, shift, turn_about, turn_about_line
from kinematics.rotary import Gap, Rotary, Sense, gap_between
from kinematics.stack import Step, running_frames, running_heights_mm, stack_pose
from kinematics.touch import Touch, compare_touch, with_touched_zero
from kinematics.turns import rotation_from_turns, turns_from_rotation

__all__ = [
    "AIM_WITHIN_DEG",
    "IDENTITY",
    "SPINDLE",
    "Aim",
    "Aimed",
    "Clash",
    "Gap",
    "KinematicsError",
    "Machine",
    "Numbering",
    "Operation",
    "Placed",
    "Placement",
    "Plane",
    "Platter",
    "Pose",
    "Rotary",
    "Sense",
    "Setup",
    "Solution",
    "Step",
    "Touch",
    "Travel",
    "Unreached",
    "ZReference",
    "aim",
    "aim_within",
    "bring_to_spindle",
    "carry",
    "compare_touch",
    "every_wrap_deg",
    "gap_between",
    "lies_flat",
    "number_offsets",
    "place",
    "plane_axes",
    "plane_from_normal",
    "plane_from_tip",
    "plane_through",
    "platter_above_tilt_mm",
    "repeated",
    "rotation_from_turns",
    "running_frames",
    "running_heights_mm",
    "set_up",
    "shift",
    "sincos_deg",
    "square_up",
    "stack_pose",
    "table_frame",
    "table_pose",
    "to_line_up",
    "turn_about",
    "turn_about_line",
    "turns_from_rotation",
    "with_touched_zero",
    "work_offset",
    "work_offset_code",
    "wrap_deg",
]
