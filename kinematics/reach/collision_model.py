"""A job laid out on its machine: what stands where, which tool sweeps what, and where the spindle retracts to."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.machine import Machine, is_horizontal, table_frame
from kinematics.reach.beam import Section
from kinematics.reach.shapes import Box, Frustum
from kinematics.reach.solid import Attachment, Solid, on_rotary, on_step
from kinematics.reach.tool_assembly import TipEnvelope, Tool
from kinematics.stack import StackStep, cumulative_frames, stack_pose
from kinematics.transform import IDENTITY, Pose
from kinematics.validation import as_vectors, read_only
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
class OperationPose:
    """One operation: how the table stands, and what the tool does there.

    Attributes
    ----------
    name : str
    machine_deg : ndarray, shape (n,)
    origin_mm : ndarray, shape (3,)
        In part coordinates.
    tool : Tool or None
    sweep : Sweep
        The box that the tip sweeps, in the program's coordinates.
    force_n : float or None
        The cutting force at the tip, in whatever direction is worst.
    """

    name: str
    machine_deg: NDArray[np.float64]
    origin_mm: NDArray[np.float64]
    tool: Tool | None = None
    sweep: TipEnvelope = field(default_factory=TipEnvelope.nowhere)
    force_n: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "machine_deg", read_only(self.machine_deg))
        object.__setattr__(
            self, "origin_mm", read_only(as_vectors(self.origin_mm, 3, f"{self.name}, origin"))
        )


@dataclass(frozen=True)
class StepBody:
    """What a stack step is made of.

    Attributes
    ----------
    section : Section
    cut : bool
        Whether it is the blank, which a tool may cut.
    mass_kg, density_kg_m3, modulus_gpa : float or None
    """

    section: Section
    cut: bool = False
    mass_kg: float | None = None
    density_kg_m3: float | None = None
    modulus_gpa: float | None = None


@dataclass(frozen=True, eq=False)
class CollisionModel:
    """Everything that reach is asked about.

    Attributes
    ----------
    setup : Setup
    steps : tuple of Step
    step_bodies : tuple of StepBody or None
        As many as steps; None where a step has no section.
    solids : tuple of Solid
        Fixed to base, rotaries, steps or the part.
    spindle : tuple of Solid
        Fixed to the spindle.
    stands : tuple of Stand
    retract_mm : (float or None) * 3
        Machine readouts X, Y, Z of the spindle between operations. None for X or Y leaves them where the
        operations have them; for Z, takes the upper end of travel.

    Raises
    ------
    KinematicsError
        When a solid is fixed to a rotary or step that there is not.
    """

    setup: Setup
    steps: tuple[StackStep, ...]
    step_bodies: tuple[StepBody | None, ...]
    solids: tuple[Solid, ...]
    spindle: tuple[Solid, ...]
    stands: tuple[OperationPose, ...]
    retract_mm: tuple[float | None, float | None, float | None] = (None, None, None)

    def __post_init__(self) -> None:
        if len(self.steps) != len(self.step_bodies):
            raise KinematicsError(
                f"steps: expected a body or None for each of {len(self.steps)}, found {len(self.step_bodies)}"
            )
        counts = {"rotary": len(self.machine.rotaries), "step": len(self.steps)}
        for solid in self.solids:
            if solid.on.to == "spindle":
                raise KinematicsError(f"{solid.name}: expected a solid off the spindle, found one on it")
            if not 0 <= solid.on.index < counts.get(solid.on.to, 1):
                raise KinematicsError(f"{solid.name}: expected a {solid.on.to} that there is, found none")

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.setup.machine

    def frame(self, on: Attachment) -> Pose:
        """The frame of what is fixed there, in machine coordinates at the all-zero pose."""
        if on.to == "part":
            return self.setup.part_in_machine
        if on.to == "step":
            return table_frame(self.machine) @ cumulative_frames(self.steps)[on.index]
        return IDENTITY

    def carried_by(self, on: Attachment) -> int:
        """How many rotaries, from the base outward, turn what is fixed there."""
        if on.to == "rotary":
            return on.index + 1
        return 0 if on.to == "base" else len(self.machine.rotaries)

    def all_solids(self) -> tuple[Solid, ...]:
        """The solids, those of the steps with a section included, from the platter up."""
        made = [
            Solid(
                step.name,
                body.section.shape(step.up_mm, step.shift_mm),
                on_step(index),
                cut=body.cut,
                mass_kg=body.mass_kg,
                density_kg_m3=body.density_kg_m3,
            )
            for index, (step, body) in enumerate(zip(self.steps, self.step_bodies, strict=True))
            if body is not None
        ]
        return (*self.solids, *made)

    def tips_mm(self, stand: OperationPose) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The box of the tip in machine coordinates: its lower and its upper corner."""
        origin = self.setup.work_offset(stand.origin_mm, stand.machine_deg)
        return origin + stand.sweep.low_mm, origin + stand.sweep.high_mm

    def way_up(self, stand: OperationPose) -> OperationPose | None:
        """The operation with its sweep drawn out straight up to where the spindle retracts to.

        None where no tool or no retract position is known.
        """
        z_readout = self.retract_z_mm()
        if stand.tool is None or z_readout is None:
            return None
        _, high = self.tips_mm(stand)
        top = float(self.machine.z_reference.from_gauge_line_mm(z_readout)) - stand.tool.length_mm
        up = max(top - float(high[2]), 0.0) * np.array([0.0, 0.0, 1.0])
        sweep = TipEnvelope(stand.sweep.low_mm, stand.sweep.high_mm + up, stand.sweep.stated)
        return replace(stand, sweep=sweep)

    def retract_z_mm(self) -> float | None:
        """The readout of Z between operations; None where neither it nor the travel is stated."""
        if self.retract_mm[2] is not None:
            return self.retract_mm[2]
        return None if self.machine.travel is None else float(self.machine.travel.high_mm[2])


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
    """
    diameter = machine.platter.diameter_mm
    if diameter is None or is_horizontal(machine.rotaries[-1]):
        return None
    frame = table_frame(machine)
    shape = Frustum(frame.apply([0.0, 0.0, -thickness_mm]), frame.apply([0.0, 0.0, 0.0]), diameter)
    return Solid("platter", shape, on_rotary(len(machine.rotaries) - 1))


def with_step_height(layout: CollisionModel, index: int, height_mm: float) -> CollisionModel:
    """The same job with one step of another height; whatever stands on it is carried along.

    A part zero that was touched off keeps its distance from where the stack has it.

    Parameters
    ----------
    layout : Layout
    index : int
        The step, from 0 at the platter.
    height_mm : float
        Its new height, along z of the frame that it stands on.

    Returns
    -------
    Layout
        The steps above, the part and the solids on them moved along; turns stay as they are. The given layout is left
        as it was.

    Raises
    ------
    IndexError
        When there is no such step.
    KinematicsError
        When the height is not finite.
    """
    steps = list(layout.steps)
    steps[index] = replace(steps[index], up_mm=height_mm)
    before, after = stack_pose(layout.steps), stack_pose(steps)
    moved = layout.setup.part_in_table.translation_mm + after.translation_mm - before.translation_mm
    setup = replace(layout.setup, part_in_table=Pose(layout.setup.part_in_table.rotation, moved))
    return replace(layout, setup=setup, steps=tuple(steps))


def moved_on_mill(layout: CollisionModel, by_mm: ArrayLike) -> CollisionModel:
    """The same job with the rotary bolted on elsewhere: all that stands on the mill's table moves by x, y, z.

    Parameters
    ----------
    layout : Layout
    by_mm : array_like, shape (3,)
        The move along machine X, Y, Z.

    Returns
    -------
    Layout
        Rotary lines, platter face and the solids on base and rotaries moved; travels, spindle and retract position
        left. Steps and part follow the platter.

    Raises
    ------
    KinematicsError
        When the move is not three finite numbers.
    """
    by = as_vectors(by_mm, 3, "moved by")
    machine = layout.machine
    rotaries = tuple(replace(rotary, point_mm=rotary.point_mm + by) for rotary in machine.rotaries)
    face = machine.platter.face_mm
    platter = replace(machine.platter, face_mm=None if face is None else face + float(by[2]))
    setup = replace(layout.setup, machine=replace(machine, rotaries=rotaries, platter=platter))
    return replace(layout, setup=setup, solids=tuple(_moved(solid, by) for solid in layout.solids))


def _moved(solid: Solid, by: NDArray[np.float64]) -> Solid:
    if solid.on.to not in ("base", "rotary"):
        return solid
    shape = solid.shape
    if isinstance(shape, Frustum):
        return replace(solid, shape=replace(shape, from_mm=shape.from_mm + by, to_mm=shape.to_mm + by))
    if isinstance(shape, Box):
        return replace(solid, shape=replace(shape, low_mm=shape.low_mm + by, high_mm=shape.high_mm + by))
    return replace(solid, shape=replace(shape, vertices_mm=shape.vertices_mm + by))
