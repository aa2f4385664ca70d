"""Feasible heights of a stack step and mounting positions: all fits the travels, clears, and is carried and held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.progress import counted, report_progress
from kinematics.reach.collision_model import CollisionModel, moved_on_mill, with_step_height
from kinematics.reach.feasibility import CONTACT_MM, Interval, Limit, advance, minimum_clearance
from kinematics.reach.load import LoadLimit, load_feasible, load_margin
from kinematics.reach.travel import travel_margins

__all__ = ["FeasibleRange", "MountingRange", "limiting_cause", "mounting_ranges", "step_heights"]

_TRIES = 25
_SAME_MM = 1e-9


@dataclass(frozen=True)
class FeasibleRange(DeclaredFields):
    """Heights from one to the other, all feasible, and the cause that ends them on either side."""

    low_mm: float
    high_mm: float
    low_limit: Limit
    high_limit: Limit


@takes_declared()
def step_heights(
    model: CollisionModel,
    index: int,
    low_mm: float,
    high_mm: float,
    clear_mm: float = 0.0,
    margin_mm: float = 0.0,
    limits: Sequence[LoadLimit] = (),
) -> tuple[FeasibleRange, ...]:
    """Heights of a stack step at which every operation fits, clears, and is carried and held.

    Parameters
    ----------
    model : CollisionModel
    index : int
        The step, from 0 at the platter.
    low_mm, high_mm : float
        The heights to look among.
    clear_mm : float
        The distance to keep.
    margin_mm : float
        The margin that must be left to the ends of travel.
    limits : sequence of LoadLimit, optional
        Of each rotary, from the base outward.

    Returns
    -------
    tuple of FeasibleRange
        From the lowest. Mostly one, or none. Within a range no distance is skipped; a range narrower than a
        twenty-fourth of what the travels leave, with heights that do not clear on either side, can be missed unless
        the model's own height lies in it. Loads are evaluated at forty heights, and the ends found exactly.

    Raises
    ------
    KinematicsError
        When there is no such step, or the heights are not finite, the lower one first.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> (heights,) = step_heights(model, 0, 50.0, 400.0)   # "side" needs Y -40 less the height; Y ends at -300
    >>> heights.low_mm, round(heights.high_mm, 6), heights.high_limit.operation, heights.high_limit.axis
    (50.0, 260.0, 'side', 'Y')
    >>> step_heights(model, 0, 400.0, 50.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: heights: expected the lower one first, found 400 to 50
    """
    if not low_mm < high_mm:
        raise KinematicsError(f"heights: expected the lower one first, found {low_mm:g} to {high_mm:g}")
    travelled = _travel_range(model, index, low_mm, high_mm, margin_mm)
    if travelled is None:
        return ()
    found: list[FeasibleRange] = []
    for part in load_feasible(model, index, travelled, limits):
        found += _clearing(model, index, part, clear_mm)
    return tuple(sorted(found, key=lambda one: one.low_mm))


@takes_declared()
def limiting_cause(
    model: CollisionModel,
    index: int,
    height_mm: float,
    clear_mm: float = 0.0,
    margin_mm: float = 0.0,
    limits: Sequence[LoadLimit] = (),
) -> Limit | None:
    """The cause for which one height of a step is not feasible: travels first, then loads, then distances.

    Parameters
    ----------
    model : CollisionModel
    index : int
        The step, from 0 at the platter.
    height_mm : float
        The height asked about.
    clear_mm, margin_mm : float
        As for `step_heights`.
    limits : sequence of LoadLimit, optional
        As for `step_heights`.

    Returns
    -------
    Limit or None
        None where the height is feasible.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> cause = limiting_cause(model, 0, 300.0)   # Y -340, and the travel ends at -300
    >>> cause.kind, cause.operation, cause.axis, cause.end
    ('travel', 'side', 'Y', 'low')
    >>> limiting_cause(model, 0, 100.0) is None
    True
    >>> limiting_cause(model, 1, 100.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: step: expected an index from 0 to 0, found 1
    """
    grown = with_step_height(model, index, height_mm)
    for operation in grown.operations:
        for margin in travel_margins(grown, operation):
            if margin.to_low_mm < margin_mm - _SAME_MM:
                return Limit("travel", operation.name, axis=margin.axis, end="low")
            if margin.to_high_mm < margin_mm - _SAME_MM:
                return Limit("travel", operation.name, axis=margin.axis, end="high")
    left, cause = load_margin(grown, limits)
    if left < 0.0:
        return cause
    least, limit = minimum_clearance(grown, clear_mm + 1.0)
    return limit if least < clear_mm + CONTACT_MM else None


def _clearing(model: CollisionModel, index: int, part: Interval, clear_mm: float) -> list[FeasibleRange]:
    """The heights of a part of the range that clear."""
    moved = _moved_by(model, index)

    reached = [part.high, part.low]

    def measure(height: float, up_to: float) -> tuple[float, Limit]:
        reached[:] = min(reached[0], height), max(reached[1], height)
        report_progress("heights", (reached[1] - reached[0]) / (part.high - part.low or 1.0))
        # Pairs of solids that the step does not move are measured once, and do not shorten every stride.
        return minimum_clearance(
            with_step_height(model, index, height),
            up_to,
            kept_pairs=lambda first, second: first in moved or second in moved,
        )

    constant, _ = minimum_clearance(
        model,
        clear_mm + 1.0,
        tool_too=False,
        kept_pairs=lambda first, second: first not in moved and second not in moved,
    )
    if constant < clear_mm or constant <= 0.0:
        return []
    found: list[FeasibleRange] = []
    own = model.steps[index].up_mm
    for start in [own, *np.linspace(part.low, part.high, _TRIES).tolist()]:
        if not part.low <= start <= part.high or any(one.low_mm <= start <= one.high_mm for one in found):
            continue
        if measure(start, clear_mm + 1.0)[0] < clear_mm + CONTACT_MM:
            continue
        low, low_limit = advance(measure, start, part.low, clear_mm)
        high, high_limit = advance(measure, start, part.high, clear_mm)
        found.append(FeasibleRange(low, high, low_limit or part.low_limit, high_limit or part.high_limit))
    return found


def _moved_by(model: CollisionModel, index: int) -> frozenset[int]:
    """Indices, among all solids, of those that another height of the step moves or reshapes."""
    steps = [k for k, body in enumerate(model.step_bodies) if body is not None]
    made = dict(enumerate(steps, start=len(model.solids)))
    return frozenset(
        number
        for number, solid in enumerate(model.all_solids())
        if solid.on.to == "part"
        or (solid.on.to == "step" and solid.on.index > index)
        or made.get(number) == index
    )


def _travel_range(
    model: CollisionModel, index: int, low_mm: float, high_mm: float, margin_mm: float
) -> Interval | None:
    """The heights that the travels leave of those asked about; exact, since readouts are straight lines over them."""
    bottom, bottom_limit, top, top_limit = low_mm, Limit(), high_mm, Limit()
    at_low, at_high = with_step_height(model, index, low_mm), with_step_height(model, index, high_mm)
    for first, second in zip(at_low.operations, at_high.operations, strict=True):
        for before, after in zip(travel_margins(at_low, first), travel_margins(at_high, second), strict=True):
            for limit, at_first, at_last in (
                (
                    Limit("travel", first.name, axis=before.axis, end="low"),
                    before.to_low_mm,
                    after.to_low_mm,
                ),
                (
                    Limit("travel", first.name, axis=before.axis, end="high"),
                    before.to_high_mm,
                    after.to_high_mm,
                ),
            ):
                start = at_first - margin_mm
                slope = (at_last - margin_mm - start) / (high_mm - low_mm)
                if abs(slope) < 1e-12:
                    if start < -_SAME_MM:
                        return None
                    continue
                crossing = low_mm - start / slope
                if slope > 0.0 and crossing > bottom:
                    bottom, bottom_limit = crossing, limit
                if slope < 0.0 and crossing < top:
                    top, top_limit = crossing, limit
    return Interval(bottom, bottom_limit, top, top_limit) if bottom <= top else None


@dataclass(frozen=True)
class MountingRange(DeclaredFields):
    """Feasible moves of the whole fixture along one axis of the mill, and their limits; None where nowhere fits."""

    axis: str
    low_mm: float | None
    high_mm: float | None
    low_limit: Limit
    high_limit: Limit


@takes_declared()
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

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> x, y, z = mounting_ranges(model)
    >>> x.low_mm, x.high_mm   # both operations stand at X 0, and X travels from -400 to 400
    (-400.0, 400.0)
    >>> y.low_mm, y.high_mm   # Y 0 and -140, from -300 to 300
    (-160.0, 300.0)
    >>> mounting_ranges(model, clear_mm=None)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: clear: expected a number, found None
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
