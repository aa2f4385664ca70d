"""Admissible tool lengths of an operation, the tip's path being what it is.

With another length holder and spindle stand higher or lower by as much, so that a distance changes by no more than
the length does. Going on from a length that clears by what is left of the distance each time, nothing is skipped. A
shorter tool fills nothing that a longer one does not: downward only holder and spindle need looking at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.reach.clearance import ClosestPair, clearances
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.scene import Scene
from kinematics.reach.tool_assembly import Tool

__all__ = ["LengthLimit", "ToolLengths", "tool_lengths"]

LengthLimit = Literal["clearance", "travel", "holder", "work", "none"]
"""Limits of a tool length: a distance to keep; the end of Z travel; the holder, in which the tool would vanish; the work,
which its tip would not be above at full retract; nothing known."""

_ABOVE_MM = 0.005
"""Distance beyond the one asked for at which the search ends: so the last length clears, and never touches."""

_MOST_STEPS = 200
_OUT_OF_HOLDER_MM = 0.01

_Measure = Callable[..., ClosestPair | None]


@dataclass(frozen=True)
class ToolLengths(DeclaredFields):
    """Gauge lengths at which an operation's tool clears and fits: every length from one to the other does.

    Attributes
    ----------
    shortest_mm, longest_mm : float or None
        None where no length does, and for the longest where the travel is not stated.
    shortest_limit, longest_limit : str
        What ends the range there, see `LengthLimit`.
    pair : ClosestPair or None
        The pair that is too close below the shortest, or at every length that was tried where there is none.
    """

    shortest_mm: float | None
    longest_mm: float | None
    shortest_limit: LengthLimit
    longest_limit: LengthLimit
    pair: ClosestPair | None = None


@takes_declared()
def tool_lengths(
    model: CollisionModel, scene: Scene, operation: OperationPose, clear_mm: float = 0.0
) -> ToolLengths:
    """The shortest and the longest tool for an operation.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
        The model's, from `scene_of`.
    operation : OperationPose
        With a tool.
    clear_mm : float
        The distance to keep, and the height of the tip above the work at full retract.

    Returns
    -------
    ToolLengths
        Down from the longest that the travel leaves, where that one clears, else around the tool's own length.

    Raises
    ------
    KinematicsError
        When the operation has no tool.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> from kinematics.reach.scene import scene_of
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> lengths = tool_lengths(model, scene_of(model), top)
    >>> lengths.longest_mm, lengths.longest_limit   # the tip at Z 110, and Z ends at 500
    (390.0, 'travel')
    >>> tool_lengths(model, scene_of(model), top, clear_mm=True)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: clear: expected a number, found True
    """
    tool = operation.tool
    if tool is None:
        raise KinematicsError(f"{operation.name}: expected a tool, found none")
    longest, longest_limit = _longest(model, scene, operation, clear_mm)
    floor, floor_limit = _floor(model, operation, tool)
    if longest is not None and floor > longest:
        return ToolLengths(None, None, floor_limit, longest_limit)

    def measure(length_mm: float, *, tool_too: bool) -> ClosestPair | None:
        other = replace(operation, tool=replace(tool, length_mm=length_mm))
        return clearances(model, clear_mm, scene, [other], tool_too=tool_too)[0].nearest

    own = max(tool.length_mm, floor)
    starts = (own,) if longest is None else (longest, min(own, longest))
    pair = None
    for start in dict.fromkeys(starts):
        pair = measure(start, tool_too=True)
        if not _clears(pair, clear_mm):
            continue
        top = longest
        if longest is not None and start < longest:
            top, stopped = _advance(measure, start, longest, clear_mm, tool_too=True)
            longest_limit = "clearance" if stopped else longest_limit
        shortest, stopped = _advance(measure, start, floor, clear_mm, tool_too=False)
        return ToolLengths(shortest, top, "clearance" if stopped else floor_limit, longest_limit, stopped)
    return ToolLengths(None, None, "clearance", longest_limit, pair)


def _clears(pair: ClosestPair | None, clear_mm: float) -> bool:
    return pair is None or (pair.gap_mm >= clear_mm and pair.gap_mm > 0.0)


def _advance(
    measure: _Measure, start: float, end: float, clear_mm: float, *, tool_too: bool
) -> tuple[float, ClosestPair | None]:
    """From a length that clears toward another, as far as everything between clears; and the pair that stops it."""
    at, toward = start, float(np.sign(end - start))
    pair: ClosestPair | None = None
    for _ in range(_MOST_STEPS):
        pair = measure(at, tool_too=tool_too)
        slack = np.inf if pair is None else pair.gap_mm - clear_mm - _ABOVE_MM
        if slack >= abs(end - at):
            return end, None
        if slack < _ABOVE_MM:
            break
        at += toward * float(slack)
    return at, pair


def _floor(model: CollisionModel, operation: OperationPose, tool: Tool) -> tuple[float, LengthLimit]:
    """The least length that the holder and the lower end of travel leave."""
    least = tool.holder_mm + _OUT_OF_HOLDER_MM
    travel = model.machine.travel
    if travel is not None:
        low, _ = model.tips_mm(operation)
        needed = float(travel.low_mm[2] - model.machine.z_reference.to_gauge_line_mm(low[2]))
        if needed > least:
            return needed, "travel"
    return least, "holder"


def _longest(
    model: CollisionModel, scene: Scene, operation: OperationPose, clear_mm: float
) -> tuple[float | None, LengthLimit]:
    """The greatest length that the upper end of travel leaves, in the cut and above the work."""
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
