"""How short and how long a tool may be at an operation, the tip's path being what it is.

With another length holder and spindle stand higher or lower by as much, so that a distance changes by no more than
the length does. Going on from a length that clears by what is left of the distance each time, nothing is skipped. A
shorter tool fills nothing that a longer one does not: downward only holder and spindle need looking at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from kinematics.errors import KinematicsError
from kinematics.reach.clearance import ClosestPair, clearances
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.scene import Scene
from kinematics.reach.tool_assembly import Tool

__all__ = ["ToolLengths", "tool_lengths"]

_WITHIN_MM = 0.005
_MOST_STEPS = 200
_OUT_OF_HOLDER_MM = 0.01


@dataclass(frozen=True)
class ToolLengths:
    """The gauge lengths at which an operation's tool clears and fits: every length from one to the other does.

    Attributes
    ----------
    shortest_mm, longest_mm : float or None
        None where no length does, and for the longest where the travel is not stated.
    shortest_by, longest_by : "clearance", "travel", "holder", "work" or "none"
        What stops it there: the pair `near` would come nearer than asked for; the end of Z travel; the tool would
        vanish in its holder; at full retract its tip would not stand above the work.
    near : ClosestPair or None
        What comes too near below the shortest, or at any length where there is none.
    """

    shortest_mm: float | None
    longest_mm: float | None
    shortest_by: str
    longest_by: str
    near: ClosestPair | None = None


def tool_lengths(
    model: CollisionModel, scene: Scene, operation: OperationPose, clear_mm: float = 0.0
) -> ToolLengths:
    """The shortest and the longest tool for an operation.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
    operation : OperationPose
        With a tool.
    clear_mm : float
        The distance to keep, and how far the tip must stand above the work at full retract.

    Returns
    -------
    ToolLengths

    Raises
    ------
    KinematicsError
        When the operation has no tool.
    """
    tool = operation.tool
    if tool is None:
        raise KinematicsError(f"{operation.name}: expected a tool, found none")
    longest, longest_by = _longest(model, scene, operation, clear_mm)
    floor, floor_by = _floor(model, operation, tool)

    def near(length_mm: float, *, tool_too: bool) -> ClosestPair | None:
        other = replace(operation, tool=replace(tool, length_mm=length_mm))
        return clearances(model, clear_mm, scene, [other], tool_too=tool_too)[0].nearest

    start = tool.length_mm
    if (
        longest is not None
        and longest > max(floor, start)
        and _clears(near(longest, tool_too=True), clear_mm)
    ):
        start = longest
    first = near(start, tool_too=True)
    if not _clears(first, clear_mm):
        return ToolLengths(None, longest, "clearance", longest_by, first)
    if longest is not None and start < longest:
        longest = _advance(near, start, longest, clear_mm, tool_too=True)[0]
        longest_by = "clearance"
    shortest, stop = _advance(near, start, min(floor, start), clear_mm, tool_too=False)
    return ToolLengths(shortest, longest, "clearance" if stop else floor_by, longest_by, stop)


def _clears(near: ClosestPair | None, clear_mm: float) -> bool:
    return near is None or (near.gap_mm >= clear_mm and near.gap_mm > 0.0)


def _advance(
    near: Callable[..., ClosestPair | None], start: float, end: float, clear_mm: float, *, tool_too: bool
) -> tuple[float, ClosestPair | None]:
    """From a length that clears toward another, as far as everything between clears; and what stops it before."""
    at, toward = start, float(np.sign(end - start))
    found: ClosestPair | None = None
    for _ in range(_MOST_STEPS):
        found = near(at, tool_too=tool_too)
        slack = np.inf if found is None else found.gap_mm - clear_mm
        if slack >= abs(end - at):
            return end, None
        if slack < _WITHIN_MM:
            break
        at += toward * float(slack)
    return at, found


def _floor(model: CollisionModel, operation: OperationPose, tool: Tool) -> tuple[float, str]:
    """The least length that the holder and the lower end of travel leave."""
    least, by = tool.holder_mm + _OUT_OF_HOLDER_MM, "holder"
    travel = model.machine.travel
    if travel is not None:
        low, _ = model.tips_mm(operation)
        needed = float(travel.low_mm[2] - model.machine.z_reference.to_gauge_line_mm(low[2]))
        if needed > least:
            least, by = needed, "travel"
    return least, by


def _longest(
    model: CollisionModel, scene: Scene, operation: OperationPose, clear_mm: float
) -> tuple[float | None, str]:
    travel = model.machine.travel
    if travel is None:
        return None, "none"
    top = float(travel.high_mm[2])
    _, high = model.tips_mm(operation)
    by_travel = top - float(model.machine.z_reference.to_gauge_line_mm(high[2]))
    turned = scene.turned(operation.machine_deg)[np.flatnonzero(scene.carried > 0)]
    if not len(turned.radii_mm):
        return by_travel, "travel"
    up = np.broadcast_to(np.array([0.0, 0.0, 1.0]), turned.axis.shape)
    highest = max(float(turned.support(up)[..., 2].max()), float(high[2]))
    above = float(model.machine.z_reference.from_gauge_line_mm(top)) - highest - clear_mm
    return (above, "work") if above < by_travel else (by_travel, "travel")
