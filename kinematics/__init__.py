"""Kinematics of a mill with a tilting rotary: pivots, stacks, planes and work offsets.

Lengths are millimetres, angles degrees, everything float64. The names below are the library; each module's
docstring tells its part of the story, in this order: `angles`, `pose`, `turns` (rigid poses), `rotary`, `machine`
(what turns about what), `stack`, `plane` (the part), `aiming`, `offset`, `operation`, `numbering` (what to load),
`touch` (what was measured).
"""

from kinematics.angles import equivalent_angles_deg, sincos_deg, wrap_deg
from kinematics.errors import KinematicsError
from kinematics.euler_angles import OrientationAngles, orientation_angles, rotation_from_intrinsic
from kinematics.forward import table_pose, transform_points
from kinematics.inverse import Aim, Solution, Violation, aim
from kinematics.machine import (
    SPINDLE,
    Machine,
    Platter,
    Travel,
    ZReference,
    is_horizontal,
    platter_above_tilt_mm,
    table_frame,
)
from kinematics.offset_allocation import (
    OffsetAllocation,
    OffsetConflict,
    assign_work_offsets,
    work_offset_code,
)
from kinematics.operations import (
    AIM_WITHIN_DEG,
    Operation,
    PlacedOperation,
    Placement,
    UnreachableOperation,
    place_operations,
)
from kinematics.orientation import angle_to_align
from kinematics.plane import Plane, circular_pattern, plane_from_normal, plane_from_rotations, plane_through
from kinematics.rotary import AxisRelation, RotaryAxis, RotationSense, common_perpendicular
from kinematics.stack import StackStep, cumulative_frames, stack_pose
from kinematics.touch_off import TouchOff, compare_touch_off, with_touched_zero
from kinematics.transform import (
    IDENTITY,
    Pose,
    rotation_about_axis,
    rotation_about_line,
    translation,
)
from kinematics.work_offsets import Setup

__all__ = [
    "AIM_WITHIN_DEG",
    "IDENTITY",
    "SPINDLE",
    "Aim",
    "AxisRelation",
    "KinematicsError",
    "Machine",
    "OffsetAllocation",
    "OffsetConflict",
    "Operation",
    "OrientationAngles",
    "PlacedOperation",
    "Placement",
    "Plane",
    "Platter",
    "Pose",
    "RotaryAxis",
    "RotationSense",
    "Setup",
    "Solution",
    "StackStep",
    "TouchOff",
    "Travel",
    "UnreachableOperation",
    "Violation",
    "ZReference",
    "aim",
    "angle_to_align",
    "assign_work_offsets",
    "circular_pattern",
    "common_perpendicular",
    "compare_touch_off",
    "cumulative_frames",
    "equivalent_angles_deg",
    "is_horizontal",
    "orientation_angles",
    "place_operations",
    "plane_from_normal",
    "plane_from_rotations",
    "plane_through",
    "platter_above_tilt_mm",
    "rotation_about_axis",
    "rotation_about_line",
    "rotation_from_intrinsic",
    "sincos_deg",
    "stack_pose",
    "table_frame",
    "table_pose",
    "transform_points",
    "translation",
    "with_touched_zero",
    "work_offset_code",
    "wrap_deg",
]
