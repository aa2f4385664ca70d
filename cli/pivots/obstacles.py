"""What is known to stand on the table, and how near the probe comes to it. Millimetres, machine coordinates.

An obstacle is a stretch of a line with a radius (a ball, a stem, a pin) or a flat disc (the platter's face and edge).
The probe is upright: a stylus as thick as its tip, and above it a body that goes on upwards without an end, so that
where it may stand it may also have come down to, straight.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, carry, table_frame, table_pose
from kinematics.pivot import Kind, PlannedTarget
from tiltwright.pivots.plan_values import Plan

__all__ = ["ENDLESS_MM", "Obstacle", "Upright", "gap_mm", "obstacles_of", "on_the_platter", "stylus_and_body"]

Array = NDArray[np.float64]
Nearest = Callable[[Array], Array]

ENDLESS_MM = 1000.0
"""How far something reaches whose end nobody has stated."""

_ITS_WAY = float(np.cos(np.radians(1.0)))
_IN_ITS_PLANE_MM = 1.0
_ROUNDS = 40
_THIRDS = 28
"""(2/3)^28 of 1000 mm is a hundredth of a millimetre."""


@dataclass(frozen=True, eq=False)
class Obstacle:
    """Something on the table at m poses.

    Attributes
    ----------
    words : str
    target : int or None
        Whose it is in the plan.
    part : str
        "ball", "stem", "pin" or "platter".
    from_mm, to_mm : ndarray, shape (m, 1, 3)
        The ends of its middle line; of a disc both its centre.
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
        """The same at some of its poses."""
        normal = None if self.normal is None else self.normal[poses]
        return replace(self, from_mm=self.from_mm[poses], to_mm=self.to_mm[poses], normal=normal)

    @property
    def highest_mm(self) -> Array:
        """Its highest Z at each pose, shape (m,)."""
        if self.normal is not None:
            return np.asarray(self.top_mm[:, 0, 2])
        return np.asarray(np.maximum(self.from_mm[:, 0, 2], self.to_mm[:, 0, 2]) + self.radius_mm)

    @property
    def top_mm(self) -> Array:
        """Of a disc, the highest place of its edge, shape (m, 1, 3)."""
        assert self.normal is not None
        uphill = np.array([0.0, 0.0, 1.0]) - self.normal[..., 2:] * self.normal
        size = np.linalg.norm(uphill, axis=-1, keepdims=True)
        return np.asarray(self.from_mm + self.radius_mm * uphill / np.maximum(size, 1e-12))

    def nearest(self, point: Array) -> Array:
        """Of the middle line or the disc, the place nearest to a point."""
        if self.normal is None:
            return _on_stretch(point, self.from_mm, self.to_mm)
        off = point - self.from_mm
        flat = off - (off * self.normal).sum(axis=-1, keepdims=True) * self.normal
        away = np.linalg.norm(flat, axis=-1, keepdims=True)
        return np.asarray(self.from_mm + flat * np.minimum(1.0, self.radius_mm / np.maximum(away, 1e-12)))


@dataclass(frozen=True)
class Upright:
    """A part of the probe, from a height above the lowest point of the tip up to another.

    Attributes
    ----------
    words : str
    low_mm, high_mm : float
    radius_mm : float
    flat : bool
        Whether it ends flat below, as a body does, and not round.
    """

    words: str
    low_mm: float
    high_mm: float
    radius_mm: float
    flat: bool

    def nearest_to(self, stand: Array) -> Nearest:
        """The place nearest to a point when the tip stands at `stand`; of a round one, on its middle line."""

        def nearest(point: Array) -> Array:
            height = np.clip(point[..., 2], stand[..., 2] + self.low_mm, stand[..., 2] + self.high_mm)
            aside = point[..., :2] - stand[..., :2]
            away = np.linalg.norm(aside, axis=-1, keepdims=True)
            share = np.minimum(1.0, self.radius_mm / np.maximum(away, 1e-12)) if self.flat else 0.0
            return np.concatenate([stand[..., :2] + aside * share, height[..., None]], axis=-1)

        return nearest


def stylus_and_body(plan: Plan) -> tuple[Upright, ...]:
    """The parts of a plan's probe; where it does not say how long the stylus is, all of it is one."""
    if plan.probe is None:
        return ()
    radius = plan.units.to_mm(plan.probe.tip) / 2.0
    long, thick = plan.probe.stylus_length, plan.probe.body_diameter
    if long is None or thick is None:
        return (Upright("the stylus", radius, ENDLESS_MM, radius, flat=False),)
    length = plan.units.to_mm(long)
    return (
        Upright("the stylus", radius, max(length, radius), radius, flat=False),
        Upright("the probe's body", length, ENDLESS_MM, plan.units.to_mm(thick) / 2.0, flat=True),
    )


def gap_mm(part: Upright, obstacle: Obstacle, stands_mm: Array) -> Array:
    """How far a part of the probe stays from an obstacle; 0 or less where it would hit it.

    Parameters
    ----------
    part : Upright
    obstacle : Obstacle
        At m poses.
    stands_mm : ndarray, shape (m, p, 3)
        Where the lowest point of the tip stands.

    Returns
    -------
    ndarray, shape (m, p)
    """
    of_part = part.nearest_to(stands_mm)
    if obstacle.normal is not None:
        # Where the two run side by side the nearest places are at an end of what they share: above or below.
        top = np.broadcast_to(obstacle.top_mm, stands_mm.shape)
        bottom = obstacle.nearest(stands_mm + np.array([0.0, 0.0, part.low_mm]))
        apart = np.minimum(_to_and_fro(of_part, obstacle, top), _to_and_fro(of_part, obstacle, bottom))
        return np.asarray(apart - (0.0 if part.flat else part.radius_mm))
    apart = _along(of_part, obstacle.from_mm, obstacle.to_mm)
    return np.asarray(apart - (0.0 if part.flat else part.radius_mm) - obstacle.radius_mm)


def _to_and_fro(of_part: Nearest, obstacle: Obstacle, point: Array) -> Array:
    """Between the nearest points of two convex shapes until they stay: their distance."""
    for _ in range(_ROUNDS):
        mine = of_part(point)
        point = obstacle.nearest(mine)
    return np.asarray(np.linalg.norm(point - mine, axis=-1))


def _along(of_part: Nearest, first: Array, last: Array) -> Array:
    """The least distance on a stretch: convex along it, so that thirds close in on it."""

    def away(share: Array) -> Array:
        point = first + share[..., None] * (last - first)
        return np.asarray(np.linalg.norm(point - of_part(point), axis=-1))

    shape = of_part(first).shape[:-1]
    if not (last - first).any():
        return away(np.zeros(shape))
    low, high = np.zeros(shape), np.ones(shape)
    for _ in range(_THIRDS):
        left, right = (2.0 * low + high) / 3.0, (low + 2.0 * high) / 3.0
        nearer = away(left) <= away(right)
        low, high = np.where(nearer, low, left), np.where(nearer, right, high)
    return away((low + high) / 2.0)


def on_the_platter(target: PlannedTarget, machine: Machine) -> bool:
    """Whether a face to be touched is the platter's own: in its plane, and looking its way.

    Its name does not count: a wrong one must not let the probe run into the platter.
    """
    if target.kind is not Kind.FACE or target.direction is None or machine.platter.face_mm is None:
        return False
    frame = table_frame(machine)
    up = frame.rotation[:, 2]
    off_mm = (target.points_mm - frame.translation_mm) @ up
    return bool(target.direction @ up > _ITS_WAY and np.abs(off_mm).max() <= _IN_ITS_PLANE_MM)


def obstacles_of(plan: Plan, machine: Machine, poses_deg: Array) -> list[Obstacle]:
    """The platter's disc, and every ball, stem and pin of a plan, as far as their sizes are stated."""
    found = []
    platter = machine.platter
    table = table_pose(machine, poses_deg)
    frame = table_frame(machine)
    up = frame.rotation[:, 2]
    known = platter.face_mm is not None
    if known and platter.diameter_mm is not None:
        centre = carry(machine, frame.translation_mm, poses_deg)[:, None]
        normal = table.turn(up)[:, None]
        found.append(
            Obstacle("the platter", None, "platter", centre, centre, platter.diameter_mm / 2.0, normal)
        )
    for t, (target, diameter) in enumerate(zip(plan.targets, plan.diameters_mm, strict=True)):
        if target.kind not in {Kind.BALL, Kind.PIN} or diameter is None:
            continue
        assert target.direction is not None
        low, high = target.points_mm[0], target.points_mm[0]
        if target.kind is Kind.PIN:
            along = target.points_mm @ target.direction
            low = target.points_mm[int(along.argmin())]
            high = target.points_mm[int(along.argmax())] + ENDLESS_MM * target.direction
        foot = (
            low
            - _to_the_face(low, target.direction, frame.translation_mm if known else None, up)
            * target.direction
        )
        at = [table.apply(place)[:, None] for place in (foot, low, high)]
        if target.kind is Kind.PIN:
            found.append(Obstacle(target.name, t, "pin", at[0], at[2], diameter / 2.0))
            continue
        found.append(Obstacle(target.name, t, "ball", at[1], at[1], diameter / 2.0))
        stem = plan.stem_mm(t)
        if stem is not None:
            found.append(Obstacle(f"the stem of {target.name}", t, "stem", at[0], at[1], stem / 2.0))
    return found


def _to_the_face(point: Array, direction: Array, face: Array | None, up: Array) -> float:
    """How far a stem or a pin goes back to the platter's face; far, where it does not meet it."""
    down = float(direction @ up)
    if face is None or down < 1e-6:
        return ENDLESS_MM
    return float(np.clip((point - face) @ up / down, 0.0, ENDLESS_MM))


def _on_stretch(point: Array, first: Array, last: Array) -> Array:
    way = last - first
    size = (way * way).sum(axis=-1, keepdims=True)
    share = ((point - first) * way).sum(axis=-1, keepdims=True) / np.where(size > 0.0, size, 1.0)
    return np.asarray(first + np.clip(share, 0.0, 1.0) * way)
