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
    stand : Stand
    linear : tuple of Margin
    rotary : tuple of RotaryMargin
    clearance : Clearance
    place : Place or None
        Where the nearest pair is.
    way_up : Clearance or None
        How it clears on the way straight up to the retract position; None where that is not known.
    lengths : ToolLengths or None
        None without a tool.
    torques : tuple of Torque
        For each rotary, from the base outward.
    """

    stand: OperationPose
    linear: tuple[Margin, ...]
    rotary: tuple[RotaryMargin, ...]
    clearance: Clearance
    place: WitnessPoints | None
    way_up: Clearance | None
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
    laid : Laid
    scene : Scene
    operations : tuple of Stood
    moves : tuple of Swing
        Index moves on which a rotary turns, in order.
    loads : tuple of Load
        For each rotary, from the base outward.
    clear_mm, margin_mm : float
        What was asked to be kept: between what cuts and what turns, and to the ends of travel.
    """

    laid: JobCollisionModel
    scene: Scene
    operations: tuple[OperationAnalysis, ...]
    moves: tuple[IndexMove, ...]
    loads: tuple[RotaryLoad, ...]
    clear_mm: float
    margin_mm: float

    @property
    def worked(self) -> EvaluatedJob:
        """The job."""
        return self.laid.worked

    @property
    def layout(self) -> CollisionModel:
        """The layout."""
        return self.laid.layout

    def move_fits(self, move: IndexMove) -> bool:
        """Whether an index move keeps the distance asked for, all along."""
        return move.at_least_mm > 0.0 and move.at_least_mm >= self.clear_mm


def analyse_reach(
    worked: EvaluatedJob, clear_mm: float | None, margin_mm: float, *, moves_too: bool = True
) -> ReachAnalysis:
    """Look at a job.

    Parameters
    ----------
    worked : Worked
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
    laid = build_collision_model(worked)
    layout, job = laid.layout, worked.job
    if clear_mm is None:
        clear_mm = job.unit.to_mm(job.file.clear or 0.0)
    scene = scene_of(layout)
    stood = tuple(
        _stood(layout, scene, stand, clearance, way_up, clear_mm)
        for stand, clearance, way_up in _clearing(layout, scene, clear_mm)
    )
    pairs = zip(layout.stands, layout.stands[1:], strict=False) if moves_too else ()
    moves = [index_move(layout, scene, first, second) for first, second in pairs]
    loads = tuple(
        RotaryLoad(
            letter,
            carried(layout, k),
            worst_torque(layout, k),
            laid.limits[k].holding_nm,
            laid.limits[k].capacity_kg,
        )
        for k, letter in enumerate(layout.machine.letters)
    )
    return ReachAnalysis(
        laid, scene, stood, tuple(m for m in moves if m is not None), loads, clear_mm, margin_mm
    )


def analyse_operations(worked: EvaluatedJob) -> ReachAnalysis:
    """Look at a job's operations alone: neither index moves, nor loads, nor other lengths of tools.

    Raises
    ------
    InputFaults
        When a solid, tool or sweep cannot be.
    """
    laid = build_collision_model(worked)
    clear_mm = worked.job.unit.to_mm(worked.job.file.clear or 0.0)
    scene = scene_of(laid.layout)
    stood = tuple(
        OperationAnalysis(
            stand,
            travel_margins(laid.layout, stand),
            rotary_margins(laid.layout, stand),
            clearance,
            None
            if clearance.nearest is None
            else witness_points(laid.layout, scene, stand, clearance.nearest),
            way_up,
            None,
            (),
        )
        for stand, clearance, way_up in _clearing(laid.layout, scene, clear_mm)
    )
    return ReachAnalysis(laid, scene, stood, (), (), clear_mm, 0.0)


def drawn_tip_mm(layout: CollisionModel, stood: OperationAnalysis) -> NDArray[np.float64]:
    """Where to draw the tip, machine coordinates: in its box, where the tool meets the nearest place.

    What is drawn about it then ends at that place, since what cuts is round about its own line.
    """
    low, high = layout.tips_mm(stood.stand)
    tip = (low + high) / 2.0
    if stood.place is not None:
        tip = tip + np.array(stood.place.corner) * (high - low) / 2.0
        tip[:2] = np.clip(stood.place.cutting_mm, low, high)[:2]
    return np.asarray(tip)


def _clearing(
    layout: CollisionModel, scene: Scene, clear_mm: float
) -> Iterator[tuple[OperationPose, Clearance, Clearance | None]]:
    """Every operation, how it clears, and how it clears on the way straight up."""
    found = clearances(layout, clear_mm, scene)
    ways = [layout.way_up(stand) for stand in layout.stands]
    up = iter(clearances(layout, clear_mm, scene, [way for way in ways if way is not None]))
    for stand, clearance, way in zip(layout.stands, found, ways, strict=True):
        yield stand, clearance, None if way is None else next(up)


def _stood(
    layout: CollisionModel,
    scene: Scene,
    stand: OperationPose,
    clearance: Clearance,
    way_up: Clearance | None,
    clear_mm: float,
) -> OperationAnalysis:
    near = clearance.nearest
    torques = tuple(
        RotaryTorque(
            abs(float(gravity_torque_nm(layout, k, stand.machine_deg))),
            force_torque_nm(layout, k, stand),
        )
        for k in range(len(layout.machine.rotaries))
    )
    return OperationAnalysis(
        stand,
        travel_margins(layout, stand),
        rotary_margins(layout, stand),
        clearance,
        None if near is None else witness_points(layout, scene, stand, near),
        way_up,
        None if stand.tool is None else tool_lengths(layout, scene, stand, clear_mm),
        torques,
    )
