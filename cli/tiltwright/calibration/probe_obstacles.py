"""Distances of the probe from obstacles on the table.

An obstacle is a line segment with a radius (a ball, a stem, a pin) or a flat disc (the platter's face and edge). The
probe is upright: a stylus as thick as its tip, and above it a body without an upper end. Each of its segments covers
the whole column above itself, so a position that is clear can also be reached straight down.

The distances are worked out here rather than by `kinematics.reach`, whose bodies have facets and flat ends. Measured in
one run on the example plan, 49,734 distances of the candidate poses: 6 microseconds each here, before those far off were
left out; 17 by `distance_bounds.gap_bounds`, whose lower bounds fall short by up to 3.5 mm (body and stem) and would leave
out touches that are clear; 3,400 by the collision library on facets, which fall short by up to 0.02 mm. These exceed the
certified upper bounds by 0.0005 mm at most.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_frame, table_pose, transform_points
from kinematics.calibration import PlannedTarget, TargetKind
from tiltwright.calibration.plan_data import Plan

__all__ = [
    "ENDLESS_MM",
    "Obstacle",
    "ProbeSegment",
    "gap_mm",
    "is_platter_face",
    "least_gap_mm",
    "obstacles_of",
    "stylus_and_body",
]

Array = NDArray[np.float64]
Nearest = Callable[[Array], Array]

ENDLESS_MM = 1000.0
"""Length of an obstacle whose end is not stated."""

_FACING = float(np.cos(np.radians(1.0)))
_COPLANAR_MM = 1.0
_PROJECTIONS = 40
_GOLDEN = (5.0**0.5 - 1.0) / 2.0
_SECTIONS = 24
"""0.618^24 of 1000 mm is a hundredth of a millimetre."""


@dataclass(frozen=True, eq=False)
class Obstacle:
    """Obstacle on the table at m poses.

    Attributes
    ----------
    words : str
    target : int or None
        Index in the plan of the target that it belongs to.
    part : str
        "ball", "stem", "pin" or "platter".
    from_mm, to_mm : ndarray, shape (m, 1, 3)
        Ends of its centre line; of a disc, both are its centre.
    radius_mm : float
    normal : ndarray, shape (m, 1, 3), or None
        Of a disc.
    """

    words: str
    target: int | None
    part: str
    from_mm: Array
    to_mm: Array
    radius_mm: float
    normal: Array | None = None

    def at(self, poses: NDArray[np.int64]) -> Obstacle:
        """Obstacle at some of its poses."""
        normal = None if self.normal is None else self.normal[poses]
        return replace(self, from_mm=self.from_mm[poses], to_mm=self.to_mm[poses], normal=normal)

    @property
    def highest_mm(self) -> Array:
        """Highest Z at each pose, shape (m,)."""
        if self.normal is not None:
            return np.asarray(self.top_mm[:, 0, 2])
        return np.asarray(np.maximum(self.from_mm[:, 0, 2], self.to_mm[:, 0, 2]) + self.radius_mm)

    @property
    def top_mm(self) -> Array:
        """Highest point of a disc's edge, shape (m, 1, 3)."""
        assert self.normal is not None
        uphill = np.array([0.0, 0.0, 1.0]) - self.normal[..., 2:] * self.normal
        size = np.linalg.norm(uphill, axis=-1, keepdims=True)
        return np.asarray(self.from_mm + self.radius_mm * uphill / np.maximum(size, 1e-12))

    def nearest(self, point: Array) -> Array:
        """Point of the centre line or the disc nearest to a point."""
        if self.normal is None:
            return _nearest_on_segment(point, self.from_mm, self.to_mm)
        off = point - self.from_mm
        flat = off - _dot(off, self.normal)[..., None] * self.normal
        away = _length(flat)[..., None]
        return np.asarray(self.from_mm + flat * np.minimum(1.0, self.radius_mm / np.maximum(away, 1e-12)))


@dataclass(frozen=True)
class ProbeSegment:
    """Segment of the probe between two heights above the lowest point of the tip.

    Attributes
    ----------
    words : str
    low_mm, high_mm : float
    radius_mm : float
    flat : bool
        True for a flat lower end, as a body has; False for a round one.
    """

    words: str
    low_mm: float
    high_mm: float
    radius_mm: float
    flat: bool

    def nearest_to(self, tip_mm: Array) -> Nearest:
        """Nearest-point function with the tip at `tip_mm`; of a round segment, points on its centre line."""
        lowest, highest = tip_mm[..., 2] + self.low_mm, tip_mm[..., 2] + self.high_mm

        def nearest(point: Array) -> Array:
            found = np.empty(np.broadcast_shapes(point.shape, tip_mm.shape))
            found[..., 2] = np.minimum(np.maximum(point[..., 2], lowest), highest)
            if self.flat:
                aside = point[..., :2] - tip_mm[..., :2]
                share = np.minimum(1.0, self.radius_mm / np.maximum(_length(aside), 1e-12))
                found[..., :2] = tip_mm[..., :2] + aside * share[..., None]
            else:
                found[..., :2] = tip_mm[..., :2]
            return found

        return nearest


def stylus_and_body(plan: Plan) -> tuple[ProbeSegment, ...]:
    """Segments of a plan's probe: stylus and body, or one stylus throughout where no stylus length is stated."""
    if plan.probe is None:
        return ()
    radius = plan.units.to_mm(plan.probe.ball_diameter) / 2.0
    long, thick = plan.probe.stylus_length, plan.probe.body_diameter
    if long is None or thick is None:
        return (ProbeSegment("the stylus", radius, ENDLESS_MM, radius, flat=False),)
    length = plan.units.to_mm(long)
    return (
        ProbeSegment("the stylus", radius, max(length, radius), radius, flat=False),
        ProbeSegment("the probe's body", length, ENDLESS_MM, plan.units.to_mm(thick) / 2.0, flat=True),
    )


def gap_mm(part: ProbeSegment, obstacle: Obstacle, tip_mm: Array) -> Array:
    """Clearance of a segment of the probe from an obstacle; 0 or less where it would hit it.

    Parameters
    ----------
    part : ProbeSegment
    obstacle : Obstacle
        At m poses.
    tip_mm : ndarray, shape (m, p, 3)
        Lowest points of the tip.

    Returns
    -------
    ndarray, shape (m, p)
    """
    if obstacle.normal is not None:
        return _gap_from_disc(part, obstacle, tip_mm)
    if part.flat:
        apart = _golden_section(part.nearest_to(tip_mm), obstacle.from_mm, obstacle.to_mm)
        return np.asarray(apart - obstacle.radius_mm)
    apart = _from_upright(tip_mm, part, obstacle.from_mm, obstacle.to_mm)
    return np.asarray(apart - part.radius_mm - obstacle.radius_mm)


def least_gap_mm(part: ProbeSegment, obstacle: Obstacle, tip_mm: Array, spare_mm: float) -> Array:
    """Least `gap_mm` at each pose, shape (m,); of an obstacle that is no disc, infinite where it is `spare_mm` or more."""
    if obstacle.normal is not None:
        return np.asarray(gap_mm(part, obstacle, tip_mm).min(axis=1))
    found = np.full(len(tip_mm), np.inf)
    near = np.flatnonzero((_gap_at_least_mm(part, obstacle, tip_mm) < spare_mm).any(axis=1))
    if len(near):
        found[near] = gap_mm(part, obstacle.at(near), tip_mm[near]).min(axis=1)
    return found


def _gap_at_least_mm(part: ProbeSegment, obstacle: Obstacle, tip_mm: Array) -> Array:
    """Lower bound of `gap_mm` from an obstacle that is no disc: what lies between the two seen from above, or in height."""
    ground = _nearest_on_segment(tip_mm[..., :2], obstacle.from_mm[..., :2], obstacle.to_mm[..., :2])
    aside = _length(tip_mm[..., :2] - ground) - part.radius_mm - obstacle.radius_mm
    lowest = tip_mm[..., 2] + part.low_mm - (0.0 if part.flat else part.radius_mm)
    return np.maximum(aside, lowest - obstacle.highest_mm[:, None])


def _gap_from_disc(part: ProbeSegment, disc: Obstacle, tip_mm: Array) -> Array:
    """`gap_mm` from a disc: off its plane where the part's nearest place to the plane lies over it, else searched for."""
    assert disc.normal is not None
    normal = np.broadcast_to(disc.normal, tip_mm.shape)
    lowest = tip_mm + np.array([0.0, 0.0, part.low_mm])
    if part.flat:
        # Of a flat end the rim's lowest place over the plane; its middle where the plane is level.
        downhill, steep = normal[..., :2], _length(normal[..., :2])[..., None]
        lowest[..., :2] -= part.radius_mm * np.where(
            steep > 0.0, downhill / np.where(steep > 0.0, steep, 1.0), 0.0
        )
    off = lowest - disc.from_mm
    apart = _dot(off, normal)
    over = _length(off - apart[..., None] * normal) <= disc.radius_mm
    rest = np.nonzero(~(over & (apart >= 0.0) & (normal[..., 2] >= 0.0)))
    if len(rest[0]):
        some, tips = disc.at(rest[0]), tip_mm[rest][:, None]
        of_part = part.nearest_to(tips)
        # Parallel to the disc's edge the distance has many minimisers: search from both ends of the overlap.
        top = np.broadcast_to(some.top_mm, tips.shape)
        bottom = some.nearest(tips + np.array([0.0, 0.0, part.low_mm]))
        apart[rest] = np.minimum(
            _alternating_projections(of_part, some, top), _alternating_projections(of_part, some, bottom)
        )[:, 0]
    return np.asarray(apart - (0.0 if part.flat else part.radius_mm))


def _alternating_projections(of_part: Nearest, obstacle: Obstacle, point: Array) -> Array:
    """Distance of two convex shapes by alternating projections onto each."""
    for _ in range(_PROJECTIONS):
        mine = of_part(point)
        before, point = point, obstacle.nearest(mine)
        if np.array_equal(before, point):
            break
    return _length(point - mine)


def _from_upright(tip_mm: Array, part: ProbeSegment, first: Array, last: Array) -> Array:
    """Least distance of a line segment from the centre line of an upright round segment of the probe."""
    along, long = last - first, part.high_mm - part.low_mm
    off = tip_mm + np.array([0.0, 0.0, part.low_mm]) - first
    square, across = _dot(along, along), _dot(along[..., :2], along[..., :2])
    share = np.where(
        across > 0.0, _dot(along[..., :2], off[..., :2]) / np.where(across > 0.0, across, 1.0), 0.0
    )
    best, some, up = np.full(off.shape[:-1], np.inf), square > 0.0, np.zeros(off.shape[:-1])
    # Where the lines are nearest, and from both ends of the probe's: each place moved along the other and back.
    for height in (share * along[..., 2] - off[..., 2], up, up + long):
        up = np.clip(height, 0.0, long)
        at = off + up[..., None] * np.array([0.0, 0.0, 1.0])
        on = np.clip(np.where(some, _dot(at, along) / np.where(some, square, 1.0), 0.0), 0.0, 1.0)
        place = on[..., None] * along - off
        place[..., 2] -= np.clip(place[..., 2], 0.0, long)
        best = np.minimum(best, _length(place))
    return best


def _golden_section(of_part: Nearest, first: Array, last: Array) -> Array:
    """Least distance from a line segment by golden-section search: the distance is convex along it."""

    def away(share: Array) -> Array:
        point = first + share[..., None] * (last - first)
        return _length(point - of_part(point))

    shape = of_part(first).shape[:-1]
    if not (last - first).any():
        return away(np.zeros(shape))
    low, high = np.zeros(shape), np.ones(shape)
    left, right = np.full(shape, 1.0 - _GOLDEN), np.full(shape, _GOLDEN)
    near, far = away(left), away(right)
    for _ in range(_SECTIONS):
        nearer = near <= far
        low, high = np.where(nearer, low, left), np.where(nearer, right, high)
        asked = np.where(nearer, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
        found = away(asked)
        left, right = np.where(nearer, asked, right), np.where(nearer, left, asked)
        near, far = np.where(nearer, found, far), np.where(nearer, near, found)
    return np.minimum(near, far)


def is_platter_face(target: PlannedTarget, machine: Machine) -> bool:
    """True for a face that is the platter's own: in its plane, and facing the same direction.

    Its name does not matter: a wrong one must not let the probe run into the platter.
    """
    if target.kind is not TargetKind.FACE or target.direction is None or machine.platter.face_mm is None:
        return False
    frame = table_frame(machine)
    up = frame.rotation[:, 2]
    off_mm = (target.points_mm - frame.translation_mm) @ up
    return bool(target.direction @ up > _FACING and np.abs(off_mm).max() <= _COPLANAR_MM)


def obstacles_of(plan: Plan, machine: Machine, poses_deg: Array) -> list[Obstacle]:
    """Obstacles of a plan: the platter's disc, and every ball, stem and pin of stated size."""
    found = []
    platter = machine.platter
    table = table_pose(machine, poses_deg)
    frame = table_frame(machine)
    up = frame.rotation[:, 2]
    known = platter.face_mm is not None
    if known and platter.diameter_mm is not None:
        centre = transform_points(machine, frame.translation_mm, poses_deg)[:, None]
        normal = table.rotate(up)[:, None]
        found.append(
            Obstacle("the platter", None, "platter", centre, centre, platter.diameter_mm / 2.0, normal)
        )
    for t, (target, diameter) in enumerate(zip(plan.targets, plan.diameters_mm, strict=True)):
        if target.kind not in {TargetKind.BALL, TargetKind.PIN} or diameter is None:
            continue
        assert target.direction is not None
        low, high = target.points_mm[0], target.points_mm[0]
        if target.kind is TargetKind.PIN:
            along = target.points_mm @ target.direction
            low = target.points_mm[int(along.argmin())]
            high = target.points_mm[int(along.argmax())] + ENDLESS_MM * target.direction
        foot = (
            low
            - _length_to_face(low, target.direction, frame.translation_mm if known else None, up)
            * target.direction
        )
        at = [table.apply(place)[:, None] for place in (foot, low, high)]
        if target.kind is TargetKind.PIN:
            found.append(Obstacle(target.name, t, "pin", at[0], at[2], diameter / 2.0))
            continue
        found.append(Obstacle(target.name, t, "ball", at[1], at[1], diameter / 2.0))
        stem = plan.stem_mm(t)
        if stem is not None:
            found.append(Obstacle(f"the stem of {target.name}", t, "stem", at[0], at[1], stem / 2.0))
    return found


def _length_to_face(point: Array, direction: Array, face: Array | None, up: Array) -> float:
    """Length of a stem or pin down to the platter's face; `ENDLESS_MM` where it does not meet it."""
    down = float(direction @ up)
    if face is None or down < 1e-6:
        return ENDLESS_MM
    return float(np.clip((point - face) @ up / down, 0.0, ENDLESS_MM))


def _nearest_on_segment(point: Array, first: Array, last: Array) -> Array:
    along = last - first
    square = _dot(along, along)
    share = _dot(point - first, along) / np.where(square > 0.0, square, 1.0)
    return np.asarray(first + np.clip(share, 0.0, 1.0)[..., None] * along)


def _dot(first: Array, second: Array) -> Array:
    """Scalar products of plane or spatial vectors, written out: numpy's sums along so short an axis take twice as long."""
    product = first[..., 0] * second[..., 0]
    for k in range(1, first.shape[-1]):
        product = product + first[..., k] * second[..., k]
    return np.asarray(product)


def _length(vectors: Array) -> Array:
    return np.asarray(np.sqrt(_dot(vectors, vectors)))
