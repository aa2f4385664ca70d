"""Feasible intervals and the limits that end them; the smallest distance of a whole job, and continuation by it.

When a step grows by a millimetre, or the fixture moves by one, no distance changes by more than that. So from a value
that clears one can go on by the distance that is left, each time, without skipping anything (Lipschitz continuation).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.progress import unwatched
from kinematics.reach.clearance import Clearance, clearances, table_clearances
from kinematics.reach.collision_model import CollisionModel
from kinematics.reach.index_moves import job_index_moves
from kinematics.reach.scene import FARTHEST_MM, PairFilter, scene_of

__all__ = ["CONTACT_MM", "Interval", "Limit", "LimitKind", "advance", "minimum_clearance"]

LimitKind = Literal["range", "travel", "clearance", "table", "index move", "capacity", "holding torque"]
"""End of the range asked about; end of travel; a pair with the tool at an operation; a pair of what turns and what
stands at an operation; a pair on an index move; the mass a rotary may carry; the torque it holds."""


@dataclass(frozen=True)
class Limit(DeclaredFields):
    """Cause that ends an interval.

    Attributes
    ----------
    kind : LimitKind
    operation : str or None
        The operation concerned; for an index move the one it leads from, None for the start of the job.
    next_operation : str or None
        For an index move the operation it leads to, None for the start of the job.
    axis : str or None
        "X", "Y", "Z", or the letter of a rotary.
    end : "low", "high" or None
        Of the travel.
    pair : (str, str) or None
        The two bodies that come too close.
    """

    kind: LimitKind = "range"
    operation: str | None = None
    next_operation: str | None = None
    axis: str | None = None
    end: Literal["low", "high"] | None = None
    pair: tuple[str, str] | None = None


@dataclass(frozen=True)
class Interval:
    """Values from `low` to `high`, and the cause that ends them on either side.

    Attributes
    ----------
    low, high : float
    low_limit, high_limit : Limit
    """

    low: float
    low_limit: Limit
    high: float
    high_limit: Limit


CONTACT_MM = 0.01
"""Distance beyond the one asked for at which the continuation ends."""

_MOST_STEPS = 1000
_STRIDE_MM = 40.0


@takes_declared()
def minimum_clearance(
    model: CollisionModel,
    up_to_mm: float = FARTHEST_MM,
    *,
    tool_moves_only: bool = False,
    tool_too: bool = True,
    kept_pairs: PairFilter | None = None,
) -> tuple[float, Limit]:
    """The smallest distance of the whole job, travels aside; `up_to_mm` where all are longer.

    Parameters
    ----------
    model : CollisionModel
    up_to_mm : float
        Distances longer than this are not asked about: less is quicker.
    tool_moves_only : bool
        Only the retracted spindle on index moves: all that changes when the fixture moves on the mill.
    tool_too : bool
        Off to leave out tool, holder and spindle.
    kept_pairs : callable, optional
        As for `scene_of`: leaves pairs out of what turns against what stands.

    Returns
    -------
    least_mm : float
        Certified lower bound, facets of round solids included; 0 where bodies touch or overlap.
    limit : Limit
        The pair and the operation or move; of kind "range" where everything is farther than `up_to_mm`.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> least_mm, limit = minimum_clearance(model)
    >>> round(least_mm, 6), limit.kind, limit.operation, limit.pair
    (10.0, 'clearance', 'top', ('tool', 'post'))
    >>> minimum_clearance(model, up_to_mm=5.0)[1].kind   # everything is farther
    'range'
    >>> minimum_clearance(model, up_to_mm=float("nan"))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: up to: expected finite numbers, found NaN or infinity
    """
    scene = scene_of(model, kept_pairs)
    least, limit = up_to_mm, Limit()
    if not tool_moves_only:
        both: tuple[tuple[LimitKind, tuple[Clearance, ...]], ...] = (
            ("clearance", clearances(model, 0.0, scene, up_to_mm=up_to_mm) if tool_too else ()),
            ("table", table_clearances(model, 0.0, scene, up_to_mm=up_to_mm)),
        )
        for kind, found in both:
            for operation, clearance in zip(model.operations, found, strict=False):
                pair = clearance.nearest
                if pair is not None and pair.gap_mm < least:
                    least = pair.gap_mm
                    limit = Limit(kind, operation.name, pair=(pair.body, pair.obstacle))
    if least > 0.0:
        with unwatched():  # one measurement of a search, whose own progress is told
            moves = job_index_moves(model, scene, least, tool_too=tool_too, table_too=not tool_moves_only)
        for move in moves:
            for one in move.clearances:
                if one.at_least_mm < least:
                    least = one.at_least_mm
                    start, end = (None if stop is None else stop.name for stop in (move.start, move.end))
                    limit = Limit("index move", start, end, pair=(one.body, one.obstacle))
    return least, limit


def advance(
    measure: Callable[[float, float], tuple[float, Limit]], start: float, end: float, clear_mm: float
) -> tuple[float, Limit | None]:
    """From a value that clears toward another, as far as everything between clears; and the cause that ends it.

    Parameters
    ----------
    measure : callable
        Takes a value and the longest distance that matters; returns the smallest distance and its cause.
    start, end : float
        The value that clears, and the one to go toward.
    clear_mm : float
        The distance to keep.
    """
    at, toward = start, float(np.sign(end - start))
    last: Limit | None = None
    for _ in range(_MOST_STEPS):
        ahead = abs(end - at)
        # Farther than a few steps ahead is not worth knowing, and a short search is quick.
        least, last = measure(at, clear_mm + min(ahead, _STRIDE_MM) + 1.0)
        slack = least - clear_mm
        if slack < CONTACT_MM:
            return at, last
        if slack >= ahead:
            return end, None
        # A little of the distance is left over, so that the last value clears and does not touch.
        at += toward * max(slack - CONTACT_MM / 2.0, CONTACT_MM / 2.0)
    return at, last
