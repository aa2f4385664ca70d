"""Kinematics of a mill with a tilting rotary: work offsets, rotary angles and operations at every tilt.

A port on the side of a part that stands on a post, on a table that tilts about A and turns about C:

>>> from kinematics import Machine, Operation, Platter, RotaryAxis, RotationSense, Setup, StackStep
>>> from kinematics import aim, place_operations, plane_from_normal
>>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120, 30))
>>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
>>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
>>> setup = Setup.from_stack(mill, [StackStep("post", up_mm=100.0)])
>>> setup.work_offset([0, 0, 0], [[0, 0], [-90, 0]]).tolist()
[[0.0, 0.0, 100.0], [0.0, -150.0, -50.0]]
>>> aim(mill, [0, 1, 1], previous_deg=[0, 0]).machine_deg[0].round(6).tolist()
[-45.0, 0.0]
>>> port = Operation("port", plane=plane_from_normal([0, 1, 0]), origin_mm=[0, 18, -12])
>>> [(one.name, one.offset_mm.tolist()) for one in place_operations(setup, [port]).placed]
[('port', [0.0, -138.0, -32.0])]

Lengths are millimetres and angles degrees, in float64. Arrays broadcast over leading shapes. Values are frozen, and
equal ones compare equal. Whatever cannot be used is refused with `KinematicsError`, which says what was expected and
what was found. ``help(kinematics.aim)`` and the like explain each name:

the machine    Machine, RotaryAxis, RotationSense, IndexDirection, IndexRule, Platter, Travel, ZReference, AxisRelation,
               common_perpendicular, is_horizontal, platter_above_tilt_mm, table_frame, SPINDLE
the part       StackStep, stack_pose, cumulative_frames, Setup, TouchOff, compare_touch_off, with_touched_zero,
               Nest, NestStep, nest_stacks
there          table_pose, transform_points, point_coefficients, pose_coefficients, angle_products
and back       aim, Aim, Solution, Violation, angle_to_align
operations     Operation, Plane, plane_from_normal, plane_from_rotations, plane_through, circular_pattern,
               place_operations, Placement, PlacedOperation, UnreachableOperation, AIM_WITHIN_DEG,
               assign_work_offsets, OffsetAllocation, OffsetConflict, work_offset_code
batches        allocate_loaders, LoaderAllocation, NestConflict, offsets_of_parts, setup_of_part, PartOffsets,
               index_moves_deg, least_motion_order, PoseOrder, tour_motion
transforms     Pose, IDENTITY, translation, rotation_about_axis, rotation_about_line, rotation_from_intrinsic,
               orientation_angles, OrientationAngles
angles         sincos_deg, wrap_deg, equivalent_angles_deg
refusals       KinematicsError

`kinematics.calibration` finds the rotaries' lines from probe readings, `kinematics.reach` checks travels, loads and
clearances, `kinematics.teaching` works problems step by step. None of them is imported here.
"""

import typing

# Redundant aliases mark what is exported. With `__all__`, help() would print every class whole: 2,700 lines.
from kinematics.angles import equivalent_angles_deg as equivalent_angles_deg
from kinematics.angles import sincos_deg as sincos_deg
from kinematics.angles import wrap_deg as wrap_deg
from kinematics.errors import KinematicsError as KinematicsError
from kinematics.euler_angles import OrientationAngles as OrientationAngles
from kinematics.euler_angles import orientation_angles as orientation_angles
from kinematics.euler_angles import rotation_from_intrinsic as rotation_from_intrinsic
from kinematics.forward import angle_products as angle_products
from kinematics.forward import point_coefficients as point_coefficients
from kinematics.forward import pose_coefficients as pose_coefficients
from kinematics.forward import table_pose as table_pose
from kinematics.forward import transform_points as transform_points
from kinematics.inverse import Aim as Aim
from kinematics.inverse import Solution as Solution
from kinematics.inverse import Violation as Violation
from kinematics.inverse import aim as aim
from kinematics.machine import SPINDLE as SPINDLE
from kinematics.machine import Machine as Machine
from kinematics.machine import Platter as Platter
from kinematics.machine import Travel as Travel
from kinematics.machine import ZReference as ZReference
from kinematics.machine import is_horizontal as is_horizontal
from kinematics.machine import platter_above_tilt_mm as platter_above_tilt_mm
from kinematics.machine import table_frame as table_frame
from kinematics.offset_allocation import LoaderAllocation as LoaderAllocation
from kinematics.offset_allocation import NestConflict as NestConflict
from kinematics.offset_allocation import OffsetAllocation as OffsetAllocation
from kinematics.offset_allocation import OffsetConflict as OffsetConflict
from kinematics.offset_allocation import allocate_loaders as allocate_loaders
from kinematics.offset_allocation import assign_work_offsets as assign_work_offsets
from kinematics.offset_allocation import work_offset_code as work_offset_code
from kinematics.operations import AIM_WITHIN_DEG as AIM_WITHIN_DEG
from kinematics.operations import Operation as Operation
from kinematics.operations import PlacedOperation as PlacedOperation
from kinematics.operations import Placement as Placement
from kinematics.operations import UnreachableOperation as UnreachableOperation
from kinematics.orientation import angle_to_align as angle_to_align
from kinematics.placement import place_operations as place_operations
from kinematics.plane import Plane as Plane
from kinematics.plane import circular_pattern as circular_pattern
from kinematics.plane import plane_from_normal as plane_from_normal
from kinematics.plane import plane_from_rotations as plane_from_rotations
from kinematics.plane import plane_through as plane_through
from kinematics.rotary import AxisRelation as AxisRelation
from kinematics.rotary import IndexDirection as IndexDirection
from kinematics.rotary import IndexRule as IndexRule
from kinematics.rotary import RotaryAxis as RotaryAxis
from kinematics.rotary import RotationSense as RotationSense
from kinematics.rotary import common_perpendicular as common_perpendicular
from kinematics.stack import StackStep as StackStep
from kinematics.stack import cumulative_frames as cumulative_frames
from kinematics.stack import stack_pose as stack_pose
from kinematics.transform import IDENTITY as IDENTITY
from kinematics.transform import Pose as Pose
from kinematics.transform import rotation_about_axis as rotation_about_axis
from kinematics.transform import rotation_about_line as rotation_about_line
from kinematics.transform import translation as translation
from kinematics.work_offsets import Setup as Setup
from kinematics.work_offsets import TouchOff as TouchOff
from kinematics.work_offsets import compare_touch_off as compare_touch_off
from kinematics.work_offsets import with_touched_zero as with_touched_zero

if typing.TYPE_CHECKING:
    from kinematics.nests import Nest as Nest
    from kinematics.nests import NestStep as NestStep
    from kinematics.nests import nest_stacks as nest_stacks
    from kinematics.part_offsets import PartOffsets as PartOffsets
    from kinematics.part_offsets import offsets_of_parts as offsets_of_parts
    from kinematics.part_offsets import setup_of_part as setup_of_part
    from kinematics.work_order import PoseOrder as PoseOrder
    from kinematics.work_order import index_moves_deg as index_moves_deg
    from kinematics.work_order import least_motion_order as least_motion_order
    from kinematics.work_order import tour_motion as tour_motion

_LATER = {
    "Nest": "nests",
    "NestStep": "nests",
    "nest_stacks": "nests",
    "PartOffsets": "part_offsets",
    "offsets_of_parts": "part_offsets",
    "setup_of_part": "part_offsets",
    "PoseOrder": "work_order",
    "index_moves_deg": "work_order",
    "least_motion_order": "work_order",
    "tour_motion": "work_order",
}
"""Names that few jobs need, and their modules: loaded when first asked for, which spares the others a hundredth of a start."""


def __getattr__(name: str) -> object:
    """Load what is asked for late."""
    if name not in _LATER:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib

    return getattr(importlib.import_module(f"kinematics.{_LATER[name]}"), name)


def __dir__() -> list[str]:
    """List the names for help(); below an array it would print the whole of numpy's own help."""
    unlisted = {"SPINDLE", "_LATER", "__dir__", "__getattr__", "typing"}
    return sorted(name for name in {*globals(), *_LATER} if name not in unlisted)
