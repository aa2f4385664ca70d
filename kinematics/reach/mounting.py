"""Mounting positions: moves of the whole fixture on the mill's table at which every operation still fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kinematics.progress import counted
from kinematics.reach.collision_model import CollisionModel, moved_on_mill
from kinematics.reach.feasibility import CONTACT_MM, Interval, Limit, advance, minimum_clearance
from kinematics.reach.travel import travel_margins

__all__ = ["MountingRange", "mounting_ranges"]


@dataclass(frozen=True)
class MountingRange:
    """Feasible moves of the whole fixture along one axis of the mill, and their limits; None where nowhere fits."""

    axis: str
    low_mm: float | None
    high_mm: float | None
    low_limit: Limit
    high_limit: Limit


def mounting_ranges(
    model: CollisionModel, clear_mm: float = 0.0, margin_mm: float = 0.0
) -> tuple[MountingRange, ...]:
    """Moves of the whole fixture on the mill, along X, Y and Z, one at a time; empty without travels.

    Distances at the operations stay as they are, since the tool moves along. The index moves count where the
    spindle's retract position is a stated one: always in Z, in X and Y where those are stated.

    Parameters
    ----------
    model : CollisionModel
    clear_mm : float
        The distance to keep at index moves; the ends come to within 0.01 mm of it.
    margin_mm : float
        The margin that must be left to the ends of travel.

    Returns
    -------
    tuple of MountingRange
        X, Y and, where an operation's tool is known, Z. Moves in mm along the machine's axes, 0 where it is now;
        both ends None where nowhere fits.

    Notes
    -----
    Derived here. Travels are exact. Index moves are followed without a gap from where the fixture is now, or else
    from either end of the travels; a stretch that clears in between and holds none of these is not found.
    """
    margins = [
        (operation.name, margin)
        for operation in model.operations
        for margin in travel_margins(model, operation)
    ]
    found = []
    for i, axis in counted(enumerate("XYZ"), "room on the mill", 3):
        mine = [(margin, name) for name, margin in margins if margin.axis == axis]
        if not mine:
            continue
        lowest, low_name = min(mine, key=lambda pair: pair[0].to_low_mm)
        highest, high_name = min(mine, key=lambda pair: pair[0].to_high_mm)
        travel = Interval(
            margin_mm - lowest.to_low_mm,
            Limit("travel", low_name, axis=axis, end="low"),
            highest.to_high_mm - margin_mm,
            Limit("travel", high_name, axis=axis, end="high"),
        )
        if travel.low > travel.high:
            found.append(MountingRange(axis, None, None, travel.low_limit, travel.high_limit))
        elif axis == "Z" or model.retract_mm[i] is not None:
            found.append(_clearing_index_moves(model, i, travel, clear_mm))
        else:
            found.append(MountingRange(axis, travel.low, travel.high, travel.low_limit, travel.high_limit))
    return tuple(found)


def _clearing_index_moves(model: CollisionModel, i: int, travel: Interval, clear_mm: float) -> MountingRange:
    def measure(by: float, up_to: float) -> tuple[float, Limit]:
        return minimum_clearance(moved_on_mill(model, by * np.eye(3)[i]), up_to, tool_moves_only=True)

    # The lower the fixture, the farther it is from a spindle retracted upward.
    start = float(np.clip(0.0, travel.low, travel.high))
    for at in (start, travel.low, travel.high):
        least, limit = measure(at, clear_mm + 1.0)
        if least >= clear_mm + CONTACT_MM:
            start = at
            break
    else:
        return MountingRange("XYZ"[i], None, None, limit, limit)
    bottom, bottom_limit = advance(measure, start, travel.low, clear_mm)
    top, top_limit = advance(measure, start, travel.high, clear_mm)
    return MountingRange(
        "XYZ"[i], bottom, top, bottom_limit or travel.low_limit, top_limit or travel.high_limit
    )
