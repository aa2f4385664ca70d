"""Collision model of a job on its machine: solids, operations with their tools, retract position, index directions."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine, is_horizontal, table_frame
from kinematics.reach.beam import Section
from kinematics.reach.shapes import Attachment, Box, Frustum, Solid, on_rotary, on_step
from kinematics.reach.tool_assembly import TipEnvelope, Tool
from kinematics.stack import StackStep, cumulative_frames, stack_pose
from kinematics.transform import IDENTITY, Pose
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_instance,
    as_number,
    as_positive,
    as_vector,
    is_list,
    read_only,
    shown,
)
from kinematics.work_offsets import Setup

__all__ = [
    "CollisionModel",
    "OperationPose",
    "StepBody",
    "moved_on_mill",
    "platter_solid",
    "with_step_height",
]


@dataclass(frozen=True, eq=False)
class OperationPose(ValueEquality, DeclaredFields):
    """One operation: the angles of the rotaries, the tool and the box that its tip sweeps.

    Attributes
    ----------
    name : str
    machine_deg : ndarray, shape (n,)
    origin_mm : ndarray, shape (3,)
        In part coordinates.
    tool : Tool or None
    sweep : TipEnvelope
        Box of the tip's positions, in the program's coordinates.
    force_n : float or None
        Cutting force at the tip, in whatever direction is worst.
    """

    name: str
    machine_deg: NDArray[np.float64]
    origin_mm: NDArray[np.float64]
    tool: Tool | None = None
    sweep: TipEnvelope = field(default_factory=TipEnvelope.nowhere)
    force_n: float | None = None

    def __post_init__(self) -> None:
        angles = as_array(self.machine_deg, f"{self.name}, angles")
        if angles.ndim != 1:
            raise KinematicsError(f"{self.name}, angles: expected shape (n,), found {angles.shape}")
        object.__setattr__(self, "machine_deg", read_only(angles))
        object.__setattr__(self, "origin_mm", read_only(as_vector(self.origin_mm, 3, f"{self.name}, origin")))
        if self.force_n is not None and not as_number(self.force_n, f"{self.name}, force") >= 0.0:
            raise KinematicsError(f"{self.name}, force: expected 0 or more newtons, found {self.force_n:g}")
        super().__post_init__()


@dataclass(frozen=True)
class StepBody(DeclaredFields):
    """Section and material of a stack step.

    Attributes
    ----------
    section : Section
    machinable : bool
        True for the blank, which a tool may cut.
    mass_kg, density_kg_m3, modulus_gpa : float or None
    """

    section: Section
    machinable: bool = False
    mass_kg: float | None = None
    density_kg_m3: float | None = None
    modulus_gpa: float | None = None

    def __post_init__(self) -> None:
        as_instance(self.section, Section, "section")
        super().__post_init__()


def _as_tuple(values: object, what: str) -> tuple[object, ...]:
    """The values as a tuple, or a refusal that names them."""
    if not is_list(values):
        raise KinematicsError(f"{what}: expected a list, found {shown(values)}")
    return tuple(values)


@dataclass(frozen=True, eq=False)
class CollisionModel(ValueEquality, DeclaredFields):
    """Solids, operations and spindle of a job: all that a reach analysis needs.

    Attributes
    ----------
    setup : Setup
    steps : tuple of StackStep
    step_bodies : tuple of StepBody or None
        As many as steps; None where a step has no section.
    solids : tuple of Solid
        Fixed to base, rotaries, steps or the part.
    spindle : tuple of Solid
        Fixed to the spindle.
    operations : tuple of OperationPose
        In the order in which they run.
    retract_mm : (float or None) * 3
        Machine readouts X, Y, Z of the spindle between operations. None for X or Y leaves them where the
        operations have them; for Z, takes the upper end of travel.

    Raises
    ------
    KinematicsError
        When a solid is fixed to a rotary or step that there is not, or a count does not match.
    """

    setup: Setup
    steps: tuple[StackStep, ...]
    step_bodies: tuple[StepBody | None, ...]
    solids: tuple[Solid, ...]
    spindle: tuple[Solid, ...]
    operations: tuple[OperationPose, ...]
    retract_mm: tuple[float | None, float | None, float | None] = (None, None, None)

    def __post_init__(self) -> None:
        as_instance(self.setup, Setup, "setup")
        for name in ("steps", "step_bodies", "solids", "spindle", "operations"):
            object.__setattr__(self, name, _as_tuple(getattr(self, name), name.replace("_", " ")))
        rotaries = len(self.machine.rotaries)
        if len(self.steps) != len(self.step_bodies):
            raise KinematicsError(
                f"steps: expected a body or None for each of {len(self.steps)}, found {len(self.step_bodies)}"
            )
        for solid in (*self.solids, *self.spindle):
            as_instance(solid, Solid, "solids, spindle")
        for operation in self.operations:
            as_instance(operation, OperationPose, "operations")
            if len(operation.machine_deg) != rotaries:
                raise KinematicsError(
                    f"{operation.name}, angles: expected {rotaries} ({', '.join(self.machine.letters)}), "
                    f"found {len(operation.machine_deg)}"
                )
        counts = {"rotary": rotaries, "step": len(self.steps)}
        for solid in self.solids:
            if solid.on.to == "spindle":
                raise KinematicsError(f"{solid.name}: expected a solid off the spindle, found one on it")
            if not 0 <= solid.on.index < counts.get(solid.on.to, 1):
                raise KinematicsError(f"{solid.name}: expected a {solid.on.to} that there is, found none")
        super().__post_init__()

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.setup.machine

    @property
    def start_deg(self) -> NDArray[np.float64]:
        """Machine angles at which the job starts and ends: program zero, or the limit nearest to it, shape (n,)."""
        return read_only(self.setup.start_deg)

    @property
    def base_solids(self) -> tuple[Solid, ...]:
        """Solids on the base: the mill's table and the housing that the first rotary turns in."""
        return tuple(solid for solid in self.solids if solid.on.to == "base")

    def frame(self, on: Attachment) -> Pose:
        """Frame of what is fixed there, in machine coordinates at the all-zero pose."""
        if on.to == "part":
            return self.setup.part_in_machine
        if on.to == "step":
            return table_frame(self.machine) @ cumulative_frames(self.steps)[on.index]
        return IDENTITY

    def carried_by(self, on: Attachment) -> int:
        """Number of rotaries, from the base outward, that turn what is fixed there."""
        if on.to == "rotary":
            return on.index + 1
        return 0 if on.to == "base" else len(self.machine.rotaries)

    def all_solids(self) -> tuple[Solid, ...]:
        """Solids of the model, then those of the stack steps that have a section."""
        made = [
            Solid(
                step.name,
                body.section.shape(step.up_mm, step.shift_mm),
                on_step(index),
                machinable=body.machinable,
                mass_kg=body.mass_kg,
                density_kg_m3=body.density_kg_m3,
            )
            for index, (step, body) in enumerate(zip(self.steps, self.step_bodies, strict=True))
            if body is not None
        ]
        return (*self.solids, *made)

    def tips_mm(self, operation: OperationPose) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lower and upper corner of the tip's box in machine coordinates."""
        origin = self.setup.work_offset(operation.origin_mm, operation.machine_deg)
        return origin + operation.sweep.low_mm, origin + operation.sweep.high_mm

    def retraction(self, operation: OperationPose) -> OperationPose | None:
        """The operation with its sweep extended straight up to the retract position.

        None where no tool or no retract position is known.
        """
        z_readout = self.retract_z_mm()
        if operation.tool is None or z_readout is None:
            return None
        _, high = self.tips_mm(operation)
        top = float(self.machine.z_reference.from_gauge_line_mm(z_readout)) - operation.tool.length_mm
        up = max(top - float(high[2]), 0.0) * np.array([0.0, 0.0, 1.0])
        sweep = TipEnvelope(operation.sweep.low_mm, operation.sweep.high_mm + up, operation.sweep.stated)
        return replace(operation, sweep=sweep)

    def retract_z_mm(self) -> float | None:
        """Readout of Z between operations; None where neither it nor the travel is stated."""
        if self.retract_mm[2] is not None:
            return self.retract_mm[2]
        return None if self.machine.travel is None else float(self.machine.travel.high_mm[2])


@takes_declared()
def platter_solid(machine: Machine, thickness_mm: float) -> Solid | None:
    """The platter as a disc below its face; None where its diameter is not known or it belongs to an indexer.

    Parameters
    ----------
    machine : Machine
    thickness_mm : float
        From the face downward, along the platter's own normal; above zero.

    Returns
    -------
    Solid or None
        Turned by the last rotary; machine coordinates at the all-zero pose.

    Raises
    ------
    KinematicsError
        When the disc has no thickness, or its diameter is not above zero.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> mill = example_model().machine
    >>> platter = platter_solid(mill, 40.0).shape
    >>> platter.diameter_mm, platter.from_mm.tolist(), platter.to_mm.tolist()   # from its back to its face
    (160.0, [0.0, 0.0, -40.0], [0.0, 0.0, 0.0])
    >>> platter_solid(mill, -40.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: platter, thickness: expected more than 0, found -40
    """
    as_positive(thickness_mm, "platter, thickness")
    diameter = machine.platter.diameter_mm
    if diameter is None or is_horizontal(machine.rotaries[-1]):
        return None
    frame = table_frame(machine)
    shape = Frustum(frame.apply([0.0, 0.0, -thickness_mm]), frame.apply([0.0, 0.0, 0.0]), diameter)
    return Solid("platter", shape, on_rotary(len(machine.rotaries) - 1))


@takes_declared()
def with_step_height(model: CollisionModel, index: int, height_mm: float) -> CollisionModel:
    """The model with one stack step of another height; whatever stands on it moves along.

    A part zero that was touched off keeps its distance from where the stack has it.

    Parameters
    ----------
    model : CollisionModel
    index : int
        The step, from 0 at the platter.
    height_mm : float
        Its new height, along z of the frame that it stands on.

    Returns
    -------
    CollisionModel
        The steps above, the part and the solids on them moved along; turns stay as they are.

    Raises
    ------
    KinematicsError
        When there is no such step, or the height is not finite.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> higher = with_step_height(model, 0, 120.0)
    >>> higher.tips_mm(higher.operations[0])[0].tolist()
    [0.0, 0.0, 130.0]
    >>> with_step_height(model, 1, 120.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: step: expected an index from 0 to 0, found 1
    """
    if not 0 <= index < len(model.steps):
        raise KinematicsError(f"step: expected an index from 0 to {len(model.steps) - 1}, found {index}")
    steps = list(model.steps)
    steps[index] = replace(steps[index], up_mm=height_mm)
    before, after = stack_pose(model.steps), stack_pose(steps)
    moved = model.setup.part_in_table.translation_mm + after.translation_mm - before.translation_mm
    setup = replace(model.setup, part_in_table=Pose(model.setup.part_in_table.rotation, moved))
    return replace(model, setup=setup, steps=tuple(steps))


@takes_declared()
def moved_on_mill(model: CollisionModel, by_mm: ArrayLike) -> CollisionModel:
    """The model with the rotary bolted on elsewhere: all that stands on the mill's table moves by x, y, z.

    Parameters
    ----------
    model : CollisionModel
    by_mm : array_like, shape (3,)
        The move along machine X, Y, Z.

    Returns
    -------
    CollisionModel
        Rotary lines, platter face and the solids on base and rotaries moved; travels, spindle and retract position
        left. Steps and part follow the platter.

    Raises
    ------
    KinematicsError
        When the move is not three finite numbers.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> moved = moved_on_mill(model, [10.0, 0.0, 0.0])
    >>> moved.tips_mm(moved.operations[0])[0].tolist()
    [10.0, 0.0, 110.0]
    >>> moved_on_mill(model, [10.0, 0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: moved by: expected a last axis of 3 numbers, found shape (2,)
    """
    by = as_vector(by_mm, 3, "moved by")
    machine = model.machine
    rotaries = tuple(replace(rotary, point_mm=rotary.point_mm + by) for rotary in machine.rotaries)
    face = machine.platter.face_mm
    platter = replace(machine.platter, face_mm=None if face is None else face + float(by[2]))
    setup = replace(model.setup, machine=replace(machine, rotaries=rotaries, platter=platter))
    return replace(model, setup=setup, solids=tuple(_moved(solid, by) for solid in model.solids))


def _moved(solid: Solid, by: NDArray[np.float64]) -> Solid:
    if solid.on.to not in ("base", "rotary"):
        return solid
    shape = solid.shape
    if isinstance(shape, Frustum):
        return replace(solid, shape=replace(shape, from_mm=shape.from_mm + by, to_mm=shape.to_mm + by))
    if isinstance(shape, Box):
        return replace(solid, shape=replace(shape, low_mm=shape.low_mm + by, high_mm=shape.high_mm + by))
    return replace(solid, shape=replace(shape, vertices_mm=shape.vertices_mm + by))
