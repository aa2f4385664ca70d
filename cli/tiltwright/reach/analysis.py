"""What reach finds for a job: margins, distances, index moves, loads, and what stands against it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.reach import (
    Carried,
    Clearance,
    CollisionModel,
    IndexMove,
    Margin,
    OperationPose,
    RotaryMargin,
    Scene,
    ToolLengths,
    WitnessPoints,
    WorstTorque,
    carried,
    clearances,
    force_torque_nm,
    gravity_torque_nm,
    index_move,
    rotary_margins,
    scene_of,
    tool_lengths,
    travel_margins,
    witness_points,
    worst_torque,
)
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.reach.collision_model import JobCollisionModel, build_collision_model

__all__ = [
    "OperationAnalysis",
    "ReachAnalysis",
    "RotaryLoad",
    "RotaryTorque",
    "analyse_operations",
    "analyse_reach",
    "drawn_tip_mm",
]


@dataclass(frozen=True)
class RotaryTorque:
    """About one rotary's line at one operation, N m: gravity's size, and what the cutting force can add to it."""

    gravity_nm: float
    force_nm: float

    @property
    def total_nm(self) -> float:
        """Both at their worst together."""
        return self.gravity_nm + self.force_nm


@dataclass(frozen=True, eq=False)
class OperationAnalysis:
    """One operation, looked at.

    Attributes
    ----------
    pose : OperationPose
    linear : tuple of Margin
    rotary : tuple of RotaryMargin
    clearance : Clearance
    witness : WitnessPoints or None
        Where the nearest pair is.
    retraction : Clearance or None
        How it clears on the way straight up to the retract position; None where that is not known.
    lengths : ToolLengths or None
        None without a tool.
    torques : tuple of RotaryTorque
        For each rotary, from the base outward.
    """

    pose: OperationPose
    linear: tuple[Margin, ...]
    rotary: tuple[RotaryMargin, ...]
    clearance: Clearance
    witness: WitnessPoints | None
    retraction: Clearance | None
    lengths: ToolLengths | None
    torques: tuple[RotaryTorque, ...]


@dataclass(frozen=True, eq=False)
class RotaryLoad:
    """What one rotary carries, and what it can."""

    letter: str
    carried: Carried
    worst: WorstTorque
    holding_nm: float | None
    capacity_kg: float | None


@dataclass(frozen=True, eq=False)
class ReachAnalysis:
    """A job, looked at.

    Attributes
    ----------
    job_model : JobCollisionModel
    scene : Scene
    operations : tuple of OperationAnalysis
    moves : tuple of IndexMove
        Index moves on which a rotary turns, in order.
    loads : tuple of RotaryLoad
        For each rotary, from the base outward.
    clear_mm, margin_mm : float
        What was asked to be kept: between what cuts and what turns, and to the ends of travel.
    """

    job_model: JobCollisionModel
    scene: Scene
    operations: tuple[OperationAnalysis, ...]
    moves: tuple[IndexMove, ...]
    loads: tuple[RotaryLoad, ...]
    clear_mm: float
    margin_mm: float

    @property
    def evaluated(self) -> EvaluatedJob:
        """The job."""
        return self.job_model.evaluated

    @property
    def model(self) -> CollisionModel:
        """The layout."""
        return self.job_model.model

    def move_fits(self, move: IndexMove) -> bool:
        """Whether an index move keeps the distance asked for, all along."""
        return move.at_least_mm > 0.0 and move.at_least_mm >= self.clear_mm


def analyse_reach(
    evaluated: EvaluatedJob, clear_mm: float | None, margin_mm: float, *, moves_too: bool = True
) -> ReachAnalysis:
    """Look at a job.

    Parameters
    ----------
    evaluated : EvaluatedJob
    clear_mm : float or None
        The distance to keep; None takes the job's, or none at all.
    margin_mm : float
        What to leave to the ends of travel.
    moves_too : bool
        Off where the job's operations are not all there, so that they do not follow one another.

    Raises
    ------
    InputFaults
        When a solid, tool or sweep cannot be.
    """
    job_model = build_collision_model(evaluated)
    model, job = job_model.model, evaluated.job
    if clear_mm is None:
        clear_mm = job.unit.to_mm(job.file.clear or 0.0)
    scene = scene_of(model)
    operation = tuple(
        _stood(model, scene, pose, clearance, retraction, clear_mm)
        for pose, clearance, retraction in _clearing(model, scene, clear_mm)
    )
    pairs = zip(model.operations, model.operations[1:], strict=False) if moves_too else ()
    moves = [index_move(model, scene, first, second) for first, second in pairs]
    loads = tuple(
        RotaryLoad(
            letter,
            carried(model, k),
            worst_torque(model, k),
            job_model.limits[k].holding_nm,
            job_model.limits[k].capacity_kg,
        )
        for k, letter in enumerate(model.machine.letters)
    )
    return ReachAnalysis(
        job_model, scene, operation, tuple(m for m in moves if m is not None), loads, clear_mm, margin_mm
    )


def analyse_operations(evaluated: EvaluatedJob) -> ReachAnalysis:
    """Look at a job's operations alone: neither index moves, nor loads, nor other lengths of tools.

    Raises
    ------
    InputFaults
        When a solid, tool or sweep cannot be.
    """
    job_model = build_collision_model(evaluated)
    clear_mm = evaluated.job.unit.to_mm(evaluated.job.file.clear or 0.0)
    scene = scene_of(job_model.model)
    operation = tuple(
        OperationAnalysis(
            pose,
            travel_margins(job_model.model, pose),
            rotary_margins(job_model.model, pose),
            clearance,
            None
            if clearance.nearest is None
            else witness_points(job_model.model, scene, pose, clearance.nearest),
            retraction,
            None,
            (),
        )
        for pose, clearance, retraction in _clearing(job_model.model, scene, clear_mm)
    )
    return ReachAnalysis(job_model, scene, operation, (), (), clear_mm, 0.0)


def drawn_tip_mm(model: CollisionModel, operation: OperationAnalysis) -> NDArray[np.float64]:
    """Where to draw the tip, machine coordinates: in its box, where the tool meets the nearest place.

    What is drawn about it then ends at that place, since what cuts is round about its own line.
    """
    low, high = model.tips_mm(operation.pose)
    tip = (low + high) / 2.0
    if operation.witness is not None:
        tip = tip + np.array(operation.witness.corner) * (high - low) / 2.0
        tip[:2] = np.clip(operation.witness.cutting_mm, low, high)[:2]
    return np.asarray(tip)


def _clearing(
    model: CollisionModel, scene: Scene, clear_mm: float
) -> Iterator[tuple[OperationPose, Clearance, Clearance | None]]:
    """Every operation, how it clears, and how it clears on the way straight up."""
    found = clearances(model, clear_mm, scene)
    ways = [model.retraction(pose) for pose in model.operations]
    up = iter(clearances(model, clear_mm, scene, [way for way in ways if way is not None]))
    for pose, clearance, way in zip(model.operations, found, ways, strict=True):
        yield pose, clearance, None if way is None else next(up)


def _stood(
    model: CollisionModel,
    scene: Scene,
    pose: OperationPose,
    clearance: Clearance,
    retraction: Clearance | None,
    clear_mm: float,
) -> OperationAnalysis:
    near = clearance.nearest
    torques = tuple(
        RotaryTorque(
            abs(float(gravity_torque_nm(model, k, pose.machine_deg))),
            force_torque_nm(model, k, pose),
        )
        for k in range(len(model.machine.rotaries))
    )
    return OperationAnalysis(
        pose,
        travel_margins(model, pose),
        rotary_margins(model, pose),
        clearance,
        None if near is None else witness_points(model, scene, pose, near),
        retraction,
        None if pose.tool is None else tool_lengths(model, scene, pose, clear_mm),
        torques,
    )
