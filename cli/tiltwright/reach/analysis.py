"""Reach analysis of a job: margins, distances, index moves and loads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.progress import counted
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
    Unloading,
    WitnessPoints,
    WorstTorque,
    carried,
    clearances,
    force_torque_nm,
    gravity_torque_nm,
    gripper_clearance,
    job_index_moves,
    rotary_margins,
    scene_of,
    table_clearances,
    tool_lengths,
    travel_margins,
    with_unloading,
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
    "UnloadingAnalysis",
    "analyse_operations",
    "analyse_reach",
    "analyse_unloading",
    "drawn_tip_mm",
    "stated_clear_mm",
]


@dataclass(frozen=True)
class RotaryTorque:
    """Torques about one rotary's line at one operation, N m: of gravity, and the most the cutting force can add."""

    gravity_nm: float
    force_nm: float

    @property
    def total_nm(self) -> float:
        """Both at their worst together."""
        return self.gravity_nm + self.force_nm


@dataclass(frozen=True, eq=False)
class OperationAnalysis:
    """Reach analysis of one operation.

    Attributes
    ----------
    pose : OperationPose
    linear : tuple of Margin
    rotary : tuple of RotaryMargin
    clearance : Clearance
        Of tool, holder and spindle from everything in the way.
    witness : WitnessPoints or None
        Of the closest pair.
    retraction : Clearance or None
        On the way straight up to the retract position; None where that is not known.
    table : Clearance
        Of what turns from what stands beside it.
    lengths : ToolLengths or None
        None without a tool, or where other lengths were not asked about.
    torques : tuple of RotaryTorque
        For each rotary, from the base outward; empty where loads were not asked about.
    """

    pose: OperationPose
    linear: tuple[Margin, ...]
    rotary: tuple[RotaryMargin, ...]
    clearance: Clearance
    witness: WitnessPoints | None
    retraction: Clearance | None
    table: Clearance
    lengths: ToolLengths | None
    torques: tuple[RotaryTorque, ...]


@dataclass(frozen=True, eq=False)
class RotaryLoad:
    """Load of one rotary and its limits; None for a limit that is not stated."""

    letter: str
    carried: Carried
    worst: WorstTorque
    holding_nm: float | None
    capacity_kg: float | None


@dataclass(frozen=True, eq=False)
class UnloadingAnalysis:
    """Reach analysis of the unloading pose.

    Attributes
    ----------
    unloading : Unloading
    rotary : tuple of RotaryMargin
    table : Clearance
        Of what turns from what stands beside it.
    gripper : Clearance or None
        Of the gripper from all that it does not grip; None where no solid of it is stated.
    """

    unloading: Unloading
    rotary: tuple[RotaryMargin, ...]
    table: Clearance
    gripper: Clearance | None


@dataclass(frozen=True, eq=False)
class ReachAnalysis:
    """Reach analysis of a job.

    Attributes
    ----------
    job_model : JobCollisionModel
    scene : Scene
    operations : tuple of OperationAnalysis
    moves : tuple of IndexMove or None
        Every way of every index move on which a rotary turns, in order; None where they were not asked about.
    loads : tuple of RotaryLoad
        For each rotary, from the base outward; empty where they were not asked about.
    clear_mm, margin_mm : float
        Distance to keep between solids, and margin to leave to the ends of travel.
    unloading : UnloadingAnalysis or None
        None where the job has no unloading pose.
    """

    job_model: JobCollisionModel
    scene: Scene
    operations: tuple[OperationAnalysis, ...]
    moves: tuple[IndexMove, ...] | None
    loads: tuple[RotaryLoad, ...]
    clear_mm: float
    margin_mm: float
    unloading: UnloadingAnalysis | None = None

    @property
    def evaluated(self) -> EvaluatedJob:
        """The job, evaluated."""
        return self.job_model.evaluated

    @property
    def model(self) -> CollisionModel:
        """The collision model."""
        return self.job_model.model

    def move_fits(self, move: IndexMove) -> bool:
        """True where an index move keeps the distance asked for, all along."""
        return all(one.at_least_mm > 0.0 and one.at_least_mm >= self.clear_mm for one in move.clearances)


def analyse_reach(
    evaluated: EvaluatedJob, clear_mm: float | None, margin_mm: float, *, moves_too: bool = True
) -> ReachAnalysis:
    """Reach analysis of a job, with index moves, tool lengths and loads.

    Parameters
    ----------
    evaluated : EvaluatedJob
    clear_mm : float or None
        Distance to keep; None takes the job's, or none at all.
    margin_mm : float
        Margin to leave to the ends of travel.
    moves_too : bool
        Off where the job's operations are not all there, so that they do not follow one another.

    Raises
    ------
    InputFaults
        When a solid, tool or sweep is not possible.
    """
    job_model = build_collision_model(evaluated)
    model = job_model.model
    clear_mm = stated_clear_mm(evaluated) if clear_mm is None else clear_mm
    scene = scene_of(model)
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
        job_model,
        scene,
        _operations(model, scene, clear_mm, lengths_and_loads=True),
        job_index_moves(_with_unloading(job_model), scene) if moves_too else None,
        loads,
        clear_mm,
        margin_mm,
        analyse_unloading(job_model, scene, clear_mm),
    )


def _with_unloading(job_model: JobCollisionModel) -> CollisionModel:
    unloading = job_model.unloading
    return job_model.model if unloading is None else with_unloading(job_model.model, [unloading])


def analyse_unloading(
    job_model: JobCollisionModel, scene: Scene, clear_mm: float
) -> UnloadingAnalysis | None:
    """Reach analysis of the unloading pose; None where the job has none."""
    model, unloading = job_model.model, job_model.unloading
    if unloading is None:
        return None
    pose = OperationPose(unloading.name, unloading.machine_deg, np.zeros(3))
    (table,) = table_clearances(model, clear_mm, scene, [pose])
    return UnloadingAnalysis(
        unloading,
        rotary_margins(model, pose),
        table,
        gripper_clearance(model, scene, unloading, clear_mm) if unloading.gripper else None,
    )


def analyse_operations(evaluated: EvaluatedJob) -> ReachAnalysis:
    """Reach analysis of a job's operations alone: neither index moves, nor loads, nor other lengths of tools.

    Raises
    ------
    InputFaults
        When a solid, tool or sweep is not possible.
    """
    job_model = build_collision_model(evaluated)
    clear_mm = stated_clear_mm(evaluated)
    scene = scene_of(job_model.model)
    operations = _operations(job_model.model, scene, clear_mm, lengths_and_loads=False)
    return ReachAnalysis(job_model, scene, operations, None, (), clear_mm, 0.0)


def drawn_tip_mm(model: CollisionModel, operation: OperationAnalysis) -> NDArray[np.float64]:
    """Position of the tip to draw, machine coordinates: in its box, where the tool comes closest to something.

    The tool drawn about it then ends at that place, since it is round about its own line.
    """
    low, high = model.tips_mm(operation.pose)
    tip = (low + high) / 2.0
    if operation.witness is not None:
        tip = tip + np.array(operation.witness.corner) * (high - low) / 2.0
        tip[:2] = np.clip(operation.witness.body_mm, low, high)[:2]
    return np.asarray(tip)


def stated_clear_mm(evaluated: EvaluatedJob) -> float:
    """The distance that the job asks to keep."""
    return evaluated.job.unit.to_mm(evaluated.job.file.clear or 0.0)


def _operations(
    model: CollisionModel, scene: Scene, clear_mm: float, *, lengths_and_loads: bool
) -> tuple[OperationAnalysis, ...]:
    found = clearances(model, clear_mm, scene)
    table = table_clearances(model, clear_mm, scene)
    ways = [model.retraction(operation) for operation in model.operations]
    up = iter(clearances(model, clear_mm, scene, [way for way in ways if way is not None]))
    analysed = []
    each = zip(model.operations, found, table, ways, strict=True)
    for operation, clearance, beside, way in counted(each, "operations", len(ways)):
        pair = clearance.nearest
        lengths = None
        torques: tuple[RotaryTorque, ...] = ()
        if lengths_and_loads:
            if operation.tool is not None:
                lengths = tool_lengths(model, scene, operation, clear_mm)
            torques = tuple(
                RotaryTorque(
                    abs(float(gravity_torque_nm(model, k, operation.machine_deg))),
                    force_torque_nm(model, k, operation, scene),
                )
                for k in range(len(model.machine.rotaries))
            )
        analysed.append(
            OperationAnalysis(
                operation,
                travel_margins(model, operation),
                rotary_margins(model, operation),
                clearance,
                None if pair is None else witness_points(model, scene, operation, pair),
                None if way is None else next(up),
                beside,
                lengths,
                torques,
            )
        )
    return tuple(analysed)
