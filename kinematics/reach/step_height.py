"""Heights of a stack step, and places on the mill's table, at which every operation fits, clears and holds.

When a step grows by a millimetre, nothing moves by more than that: what stands on it goes up, the tool with it. So a
distance changes by no more than the height does, and from a height that clears one can go on by what is left of the
distance, each time, without skipping anything. The travels are exact: readouts are straight lines over the height.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.reach.clearance import clearances
from kinematics.reach.collision_model import CollisionModel, moved_on_mill, with_step_height
from kinematics.reach.index_moves import index_move
from kinematics.reach.load import carried, force_torque_nm, gravity_torque_nm, worst_torque
from kinematics.reach.scene import FARTHEST_MM, scene_of
from kinematics.reach.travel import travel_margins

__all__ = [
    "FeasibleRange",
    "Interval",
    "Limit",
    "LoadLimit",
    "MountingRange",
    "limiting_cause",
    "load_feasible",
    "load_margin",
    "minimum_clearance",
    "mounting_ranges",
    "step_heights",
]


@dataclass(frozen=True)
class Limit:
    """What ends a range.

    Attributes
    ----------
    by : "travel", "clearance", "swing", "load" or "asked"
        An end of travel, a pair at an operation, a pair on an index move, what a rotary holds or carries, or the end
        of what was asked about.
    what : str
        The axis and its end ("Z high"), the pair ("holder 1 to standoff"), or the limit ("holding torque of A").
    operation : str
        Where; for an index move "first to second".
    """

    by: str
    what: str = ""
    operation: str = ""


Interval = tuple[float, Limit, float, Limit]
"""From a value, and what stops it there, to a value, and what stops it there."""


_LOADED = 41
_HALVINGS = 26


@dataclass(frozen=True)
class LoadLimit:
    """What a rotary can hold against and carry; None where it is not known."""

    holding_nm: float | None = None
    capacity_kg: float | None = None


def load_feasible(
    model: CollisionModel, index: int, part: Interval, limits: Sequence[LoadLimit]
) -> list[Interval]:
    """The parts of a range of heights at which every rotary can carry and hold what it must."""
    if not any(limit.holding_nm is not None or limit.capacity_kg is not None for limit in limits):
        return [part]

    def spare(height: float) -> tuple[float, Limit]:
        return load_margin(with_step_height(model, index, height), limits)

    low, low_limit, high, high_limit = part
    parts: list[Interval] = []
    start: tuple[float, Limit] | None = None
    before, spare_before = low, spare(low)
    if spare_before[0] >= 0.0:
        start = (low, low_limit)
    for height in np.linspace(low, high, _LOADED)[1:].tolist():
        now = spare(height)
        if (now[0] >= 0.0) != (spare_before[0] >= 0.0):
            edge, stop = _edge(spare, before, height, now if spare_before[0] >= 0.0 else spare_before)
            if start is None:
                start = (edge, stop)
            else:
                parts.append((*start, edge, stop))
                start = None
        before, spare_before = height, now
    if start is not None:
        parts.append((*start, high, high_limit))
    return parts


def _edge(
    spare: Callable[[float], tuple[float, Limit]], first: float, last: float, beyond: tuple[float, Limit]
) -> tuple[float, Limit]:
    """Between a height that can be borne and one that cannot: the last that can, and what it is about."""
    good, bad = (first, last) if spare(first)[0] >= 0.0 else (last, first)
    for _ in range(_HALVINGS):
        middle = (good + bad) / 2.0
        if spare(middle)[0] >= 0.0:
            good = middle
        else:
            bad = middle
    return good, beyond[1]


def load_margin(model: CollisionModel, limits: Sequence[LoadLimit]) -> tuple[float, Limit]:
    """The smallest share of a holding torque or a capacity that is left, below 0 beyond it; and whose it is."""
    least, stop = float("inf"), Limit("asked")
    for k, (limit, letter) in enumerate(zip(limits, model.machine.letters, strict=False)):
        if limit.capacity_kg is not None:
            left = 1.0 - carried(model, k).mass_kg / limit.capacity_kg
            if left < least:
                least, stop = left, Limit("load", f"capacity of {letter}")
        if limit.holding_nm is None:
            continue
        torques = [("", worst_torque(model, k).torque_nm)]
        if model.operations:
            poses = np.array([operation.machine_deg for operation in model.operations])
            gravity = np.abs(gravity_torque_nm(model, k, poses)).tolist()
            torques += [
                (operation.name, pull + force_torque_nm(model, k, operation))
                for operation, pull in zip(model.operations, gravity, strict=True)
            ]
        name, torque = max(torques, key=lambda pair: pair[1])
        if 1.0 - torque / limit.holding_nm < least:
            least, stop = 1.0 - torque / limit.holding_nm, Limit("load", f"holding torque of {letter}", name)
    return least, stop


_WITHIN_MM = 0.01
_MOST_STEPS = 1000
_STRIDE_MM = 40.0
_TRIES = 25


@dataclass(frozen=True)
class FeasibleRange:
    """A range of heights that fit: from one to the other, and what stops it at each end."""

    low_mm: float
    high_mm: float
    low_limit: Limit
    high_limit: Limit


@dataclass(frozen=True)
class MountingRange:
    """By how much the whole fixture may move along one axis of the mill, and what stops it; None where nowhere fits."""

    axis: str
    low_mm: float | None
    high_mm: float | None
    low_limit: Limit
    high_limit: Limit


def minimum_clearance(
    model: CollisionModel, up_to_mm: float = FARTHEST_MM, *, operations: bool = True
) -> tuple[float, Limit]:
    """The smallest distance of the whole job, travels aside, and whose it is; `up_to_mm` where all are farther.

    Parameters
    ----------
    model : CollisionModel
    up_to_mm : float
        Farther than this is not asked about: less is quicker.
    operations : bool
        Whether the operations count too, or the index moves alone.

    Returns
    -------
    least_mm : float
        At least so much is left, facets of round solids included; 0 where bodies touch or overlap.
    stop : Limit
        The pair and the operation or move; "asked" where everything is farther than `up_to_mm`.
    """
    scene = scene_of(model)
    least, stop = up_to_mm, Limit("asked")
    if operations:
        for operation, found in zip(model.operations, clearances(model, 0.0, scene), strict=True):
            near = found.nearest
            if near is not None and near.gap_mm < least:
                least, stop = (
                    near.gap_mm,
                    Limit("clearance", f"{near.cutting} to {near.turning}", operation.name),
                )
    if least > 0.0:
        for first, second in zip(model.operations, model.operations[1:], strict=False):
            found_swing = index_move(model, scene, first, second, least)
            if found_swing is not None and found_swing.at_least_mm < least:
                least = found_swing.at_least_mm
                pair = f"{found_swing.cutting} to {found_swing.turning}"
                stop = Limit("swing", pair, f"{first.name} to {second.name}")
    return least, stop


def step_heights(
    model: CollisionModel,
    index: int,
    low_mm: float,
    high_mm: float,
    clear_mm: float = 0.0,
    margin_mm: float = 0.0,
    limits: Sequence[LoadLimit] = (),
) -> tuple[FeasibleRange, ...]:
    """The heights of a stack step at which every operation fits and clears.

    Parameters
    ----------
    model : CollisionModel
    index : int
        The step, from 0 at the platter.
    low_mm, high_mm : float
        The heights to look among.
    clear_mm : float
        The distance that must be kept.
    margin_mm : float
        What must be left to the ends of travel.
    limits : sequence of LoadLimit, optional
        What each rotary can carry and hold, from the base outward.

    Returns
    -------
    tuple of FeasibleRange
        From the lowest. Mostly one, or none. Within a range no distance is skipped; a range narrower than a
        twenty-fourth of what the travels leave, with heights that do not clear on either side, can be missed unless
        the layout's own height lies in it. Loads are looked at on forty heights, and their ends found exactly.
    """
    travelled = _travel_range(model, index, low_mm, high_mm, margin_mm)
    if travelled[0] > travelled[2]:
        return ()
    found: list[FeasibleRange] = []
    for part in load_feasible(model, index, travelled, limits):
        found += _clearing(model, index, part, clear_mm)
    return tuple(sorted(found, key=lambda r: r.low_mm))


def limiting_cause(
    model: CollisionModel,
    index: int,
    height_mm: float,
    clear_mm: float = 0.0,
    margin_mm: float = 0.0,
    limits: Sequence[LoadLimit] = (),
) -> Limit | None:
    """What one height of a step does not fit for: travels first, then loads, then distances; None where it fits.

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
    """
    grown = with_step_height(model, index, height_mm)
    for operation in grown.operations:
        for margin in travel_margins(grown, operation):
            for end, left in (("low", margin.to_low_mm), ("high", margin.to_high_mm)):
                if left < margin_mm - 1e-9:
                    return Limit("travel", f"{margin.axis} {end}", operation.name)
    spare, of_load = load_margin(grown, limits)
    if spare < 0.0:
        return of_load
    least, near = minimum_clearance(grown, clear_mm + 1.0)
    return near if least < clear_mm + _WITHIN_MM else None


def _clearing(model: CollisionModel, index: int, part: Interval, clear_mm: float) -> list[FeasibleRange]:
    """The heights of a part of the range that clear."""
    bottom, bottom_limit, top, top_limit = part

    def fit(height: float, up_to: float) -> tuple[float, Limit]:
        return minimum_clearance(with_step_height(model, index, height), up_to)

    found: list[FeasibleRange] = []
    own = model.steps[index].up_mm
    for start in [own, *np.linspace(bottom, top, _TRIES).tolist()]:
        if not bottom <= start <= top or any(r.low_mm <= start <= r.high_mm for r in found):
            continue
        if fit(start, clear_mm + 1.0)[0] < clear_mm + _WITHIN_MM:
            continue
        low, low_limit = _advance(fit, start, bottom, clear_mm)
        high, high_limit = _advance(fit, start, top, clear_mm)
        found.append(FeasibleRange(low, high, low_limit or bottom_limit, high_limit or top_limit))
    return found


def _travel_range(
    model: CollisionModel, index: int, low_mm: float, high_mm: float, margin_mm: float
) -> Interval:
    """The heights that the travels leave of those asked about."""
    bottom, bottom_limit, top, top_limit = low_mm, Limit("asked"), high_mm, Limit("asked")
    at_low, at_high = with_step_height(model, index, low_mm), with_step_height(model, index, high_mm)
    for first, second in zip(at_low.operations, at_high.operations, strict=True):
        for before, after in zip(travel_margins(at_low, first), travel_margins(at_high, second), strict=True):
            for end in ("low", "high"):
                start = getattr(before, f"to_{end}_mm") - margin_mm
                slope = (getattr(after, f"to_{end}_mm") - margin_mm - start) / (high_mm - low_mm)
                stop = Limit("travel", f"{before.axis} {end}", first.name)
                if abs(slope) < 1e-12:
                    if start < -1e-9:
                        return 1.0, stop, 0.0, stop
                    continue
                crossing = low_mm - start / slope
                if slope > 0.0 and crossing > bottom:
                    bottom, bottom_limit = crossing, stop
                if slope < 0.0 and crossing < top:
                    top, top_limit = crossing, stop
    return bottom, bottom_limit, top, top_limit


def _advance(
    fit: Callable[[float, float], tuple[float, Limit]], start: float, end: float, clear_mm: float
) -> tuple[float, Limit | None]:
    """From a value that clears toward another, as far as everything between clears; and what stops it before."""
    at, toward = start, float(np.sign(end - start))
    last: Limit | None = None
    for _ in range(_MOST_STEPS):
        ahead = abs(end - at)
        # Farther than a few steps ahead is not worth knowing: what is far is quickly told from what is near.
        least, last = fit(at, clear_mm + min(ahead, _STRIDE_MM) + 1.0)
        slack = least - clear_mm
        if slack < _WITHIN_MM:
            return at, last
        if slack >= ahead:
            return end, None
        at += toward * slack
    return at, last


def mounting_ranges(
    model: CollisionModel, clear_mm: float = 0.0, margin_mm: float = 0.0
) -> tuple[MountingRange, ...]:
    """By how much the whole fixture may move on the mill, along X, Y and Z, one at a time; empty without travels.

    Distances at the operations stay as they are, since the tool moves along. The index moves count where the
    spindle's retract position is a stated one: always in Z, in X and Y where those are stated.

    Parameters
    ----------
    model : CollisionModel
    clear_mm : float
        The distance that must be kept at index moves; the ends come to within 0.01 mm of it.
    margin_mm : float
        What must be left to the ends of travel.

    Returns
    -------
    tuple of MountingRange
        X, Y and, where an operation's tool is known, Z. Moves in mm along the machine's axes, 0 where it stands now;
        both ends None where nowhere fits.

    Notes
    -----
    Derived here. Travels are exact. Index moves are followed without a gap from where the fixture stands now, or else
    from either end of the travels; a stretch that clears in between and holds none of these is not found.
    """
    margins = [margin for operation in model.operations for margin in travel_margins(model, operation)]
    names = [operation.name for operation in model.operations for _ in travel_margins(model, operation)]
    seats = []
    for i, axis in enumerate("XYZ"):
        mine = [(m, name) for m, name in zip(margins, names, strict=True) if m.axis == axis]
        if not mine:
            continue
        lowest, low_name = min(mine, key=lambda pair: pair[0].to_low_mm)
        highest, high_name = min(mine, key=lambda pair: pair[0].to_high_mm)
        low, high = margin_mm - lowest.to_low_mm, highest.to_high_mm - margin_mm
        low_limit, high_limit = (
            Limit("travel", f"{axis} low", low_name),
            Limit("travel", f"{axis} high", high_name),
        )
        if low > high:
            seats.append(MountingRange(axis, None, None, low_limit, high_limit))
            continue
        if axis == "Z" or model.retract_mm[i] is not None:
            seats.append(_seat_by_swings(model, i, low, high, clear_mm, (low_limit, high_limit)))
        else:
            seats.append(MountingRange(axis, low, high, low_limit, high_limit))
    return tuple(seats)


def _seat_by_swings(
    model: CollisionModel, i: int, low: float, high: float, clear_mm: float, stops: tuple[Limit, Limit]
) -> MountingRange:
    def fit(by: float, up_to: float) -> tuple[float, Limit]:
        return minimum_clearance(moved_on_mill(model, by * np.eye(3)[i]), up_to, operations=False)

    # The lower the fixture stands, the farther it is from a spindle retracted upward.
    start = float(np.clip(0.0, low, high))
    for at in (start, low, high):
        least, stop = fit(at, clear_mm + 1.0)
        if least >= clear_mm + _WITHIN_MM:
            start = at
            break
    else:
        return MountingRange("XYZ"[i], None, None, stop, stop)
    bottom, bottom_limit = _advance(fit, start, low, clear_mm)
    top, top_limit = _advance(fit, start, high, clear_mm)
    return MountingRange("XYZ"[i], bottom, top, bottom_limit or stops[0], top_limit or stops[1])
