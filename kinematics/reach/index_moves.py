"""Index moves: whether what turns passes the retracted spindle, all along the swing.

Rotaries on a rapid need not arrive together, so every mixture of angles between the one pose and the other counts,
not just the straight way. The angles are a box; over a part of it no point moves farther from where it stands at the
part's middle than the chords of the angles times its distances from the rotaries' lines. A distance at the middle,
less that, bounds the distances of the whole part. Parts that this does not clear are halved. So nothing hides between
two steps: the bound holds everywhere, and the search stops only when it and a pose really looked at agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.reach.clearance import swept_discs
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.distance_bounds import BoundingDiscs, gap_bounds
from kinematics.reach.scene import FARTHEST_MM, Scene, SweptBody, exact_gap_mm, group_poses
from kinematics.reach.tool_assembly import cutting_bodies
from kinematics.transform import Pose

__all__ = ["IndexMove", "index_move", "index_range_deg"]

Array = NDArray[np.float64]

_MOST_ITEMS = 300_000
_MOST_EXACT = 400
_AT_ONCE = 20_000
_WITHIN_MM, _WITHIN_SHARE = 0.05, 0.01


@dataclass(frozen=True, eq=False)
class IndexMove:
    """An index move with the spindle retracted.

    Attributes
    ----------
    start, end : str
        The operations it leads from and to.
    at_least_mm : float
        Nothing comes nearer than this, at no mixture of angles on the way.
    seen_mm : float
        The smallest distance at a pose that was looked at: the true smallest one lies between both.
    cutting, turning : str
        Which pair, there.
    machine_deg : ndarray, shape (n,)
        The angles, there.
    """

    start: str
    end: str
    at_least_mm: float
    seen_mm: float
    cutting: str
    turning: str
    machine_deg: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class _Items:
    """Parts of the angles' box, each for one pair of bodies."""

    middle_deg: Array
    half_deg: Array
    cutting: NDArray[np.intp]
    turning: NDArray[np.intp]

    def __getitem__(self, where: NDArray[np.bool_] | slice) -> _Items:
        return _Items(self.middle_deg[where], self.half_deg[where], self.cutting[where], self.turning[where])


def index_range_deg(
    layout: CollisionModel, first: OperationPose, second: OperationPose
) -> tuple[Array, Array]:
    """The least and greatest machine angles between two operations; an endless rotary goes the short way round."""
    move = np.array(
        [
            float(rotary.move_deg(first.machine_deg[i], second.machine_deg[i]))
            for i, rotary in enumerate(layout.machine.rotaries)
        ]
    )
    end = first.machine_deg + move
    return np.minimum(first.machine_deg, end), np.maximum(first.machine_deg, end)


def retracted(layout: CollisionModel, first: OperationPose, second: OperationPose) -> list[SweptBody]:
    """Both operations' tools at the retract position: which one is in the spindle is not known."""
    z_readout = layout.retract_z_mm()
    if z_readout is None:
        return []
    boxes = np.array([layout.tips_mm(stand) for stand in (first, second)])
    low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
    gauge_z = float(layout.machine.z_reference.from_gauge_line_mm(z_readout))
    for i in range(2):
        stated = layout.retract_mm[i]
        if stated is not None:
            low[i] = high[i] = stated
    found = []
    tools = {id(stand.tool): stand.tool for stand in (first, second) if stand.tool is not None}
    for tool in tools.values():
        low[2] = high[2] = gauge_z - tool.length_mm
        bodies = cutting_bodies(tool, layout.spindle)
        found += [SweptBody(body, (low + high) / 2.0, (high - low) / 2.0) for body in bodies]
    return found


def index_move(
    layout: CollisionModel,
    scene: Scene,
    first: OperationPose,
    second: OperationPose,
    up_to_mm: float = FARTHEST_MM,
) -> IndexMove | None:
    """How near an index move brings what turns to the retracted spindle.

    Everything counts here, the tool against the part too: nothing cuts on the way.

    Parameters
    ----------
    layout : Layout
    scene : Scene
    first, second : Stand
        The operations that it leads from and to.
    up_to_mm : float
        Farther than this is not asked about.

    Returns
    -------
    Swing or None
        None where everything stays farther than `up_to_mm`: so it does where no rotary moves, no tool or no retract
        position is known, or nothing turns.
    """
    low, high = index_range_deg(layout, first, second)
    spread = retracted(layout, first, second)
    turning = np.flatnonzero(scene.carried > 0)
    if not spread or not turning.size or not (high > low).any():
        return None
    return _Search(scene, spread, (first.name, second.name), up_to_mm).run(low, high, turning)


class _Search:
    """Branch and bound over the angles, pair by pair."""

    def __init__(
        self, scene: Scene, spread: list[SweptBody], names: tuple[str, str], up_to_mm: float
    ) -> None:
        self.scene, self.spread, self.names = scene, spread, names
        self.discs = swept_discs(spread)
        self.over = np.add.outer(
            [one.body.over_mm for one in spread], [body.over_mm for body in scene.bodies]
        )
        self.tight = np.logical_and.outer(
            [one.body.tight for one in spread], [body.tight for body in scene.bodies]
        )
        self.seen = min(up_to_mm, FARTHEST_MM)
        self.at: tuple[Array, int, int] | None = None
        self.floor = FARTHEST_MM
        self.exact_left = _MOST_EXACT

    def run(self, low: Array, high: Array, turning: NDArray[np.intp]) -> IndexMove | None:
        cutting_at, turning_at = (
            grid.ravel() for grid in np.meshgrid(np.arange(len(self.spread)), turning, indexing="ij")
        )
        count = len(cutting_at)
        middle = np.repeat([(low + high) / 2.0], count, axis=0)
        half = np.repeat([(high - low) / 2.0], count, axis=0)
        items, done = _Items(middle, half, cutting_at, turning_at), 0
        while len(items.cutting):
            done += len(items.cutting)
            bound, split = self._look(items)
            if self.seen <= 0.0:
                self.floor = 0.0
                break
            open_ = bound < self.seen - self._within
            # Closed parts are as far away as the smallest distance seen, but for the tolerance.
            self.floor = min(self.floor, float(bound[~open_].min(initial=FARTHEST_MM)))
            if done > _MOST_ITEMS:
                self.floor = min(self.floor, float(bound[open_].min(initial=FARTHEST_MM)))
                break
            items = _halved(items[open_], split[open_])
        return self._found()

    @property
    def _within(self) -> float:
        return max(_WITHIN_MM, _WITHIN_SHARE * self.seen)

    def _found(self) -> IndexMove | None:
        if self.at is None:
            return None
        angles, cut, turn = self.at
        seen = self._exact(angles, cut, turn) if self.seen > 0.0 else 0.0
        return IndexMove(
            *self.names,
            max(0.0, min(self.floor, seen)),
            seen,
            self.spread[cut].body.name,
            self.scene.bodies[turn].name,
            angles,
        )

    def _look(self, items: _Items) -> tuple[Array, NDArray[np.intp]]:
        """A bound for every item, and the rotary along which it is best halved; the smallest distance seen."""
        bounds, splits = [], []
        for start in range(0, len(items.cutting), _AT_ONCE):
            some = items[slice(start, start + _AT_ONCE)]
            poses = group_poses(self.scene.machine, some.middle_deg)
            turned = self._turned(some, poses)
            motion = _motion(self.scene, some, turned, poses)
            low, high = gap_bounds(turned, self.discs[some.cutting])
            tight = self.tight[some.cutting, some.turning]
            high = np.where(tight, high + 2.0 * self.over[some.cutting, some.turning], FARTHEST_MM)
            self._saw(some, high)
            bound = low - motion.sum(axis=-1)
            self._ask(some, bound, low, high, motion.sum(axis=-1), tight)
            bounds.append(bound)
            splits.append(np.argmax(motion, axis=-1))
        return np.concatenate(bounds), np.concatenate(splits)

    def _turned(self, items: _Items, poses: list[Pose]) -> BoundingDiscs:
        rotation = np.stack([pose.rotation for pose in poses], axis=1)
        translation = np.stack([pose.translation_mm for pose in poses], axis=1)
        group, each = self.scene.carried[items.turning], np.arange(len(items.turning))
        return self.scene.discs[items.turning].turned(rotation[each, group], translation[each, group])

    def _saw(self, items: _Items, high: Array) -> None:
        k = int(np.argmin(high))
        if high[k] < self.seen:
            self.seen = float(high[k])
            self.at = (items.middle_deg[k], int(items.cutting[k]), int(items.turning[k]))

    def _ask(
        self, items: _Items, bound: Array, low: Array, high: Array, motion: Array, tight: NDArray[np.bool_]
    ) -> None:
        """Put to the library what the hulls leave open: bodies that do not fill them, and likely collisions."""
        close = np.flatnonzero((low <= 0.0) & tight)
        ask = [int(close[np.argmin(high[close])])] if close.size else []
        # Hulls that the search has not told apart well, on parts so small that the angles are not to blame.
        vague = ~tight | ((motion < high - low) & (motion < self._within))
        ask += [int(k) for k in np.flatnonzero(vague)[np.argsort(bound[vague])]]
        for k in ask:
            if self.exact_left <= 0 or self.seen <= 0.0:
                return
            if bound[k] >= self.seen - self._within:
                continue
            self.exact_left -= 1
            cut, turn = int(items.cutting[k]), int(items.turning[k])
            gap = self._exact(items.middle_deg[k], cut, turn)
            bound[k] = max(float(bound[k]), gap - float(motion[k]))
            if gap < self.seen:
                self.seen, self.at = gap, (items.middle_deg[k], cut, turn)

    def _exact(self, angles: Array, cut: int, turn: int) -> float:
        poses = group_poses(self.scene.machine, angles)
        up_to = FARTHEST_MM if self.seen >= FARTHEST_MM else 2.0 * self.seen + 500.0
        return exact_gap_mm(self.scene, turn, poses, self.spread[cut], up_to)


def _motion(scene: Scene, items: _Items, turned: BoundingDiscs, poses: list[Pose]) -> Array:
    """How far each rotary can move the items' bodies from where they stand at the middle, shape (m, n).

    A disc that turns about its own axis stays where it is: its middle's motion counts, and how its axis leans.
    """
    motions = []
    for i, rotary in enumerate(scene.machine.rotaries):
        point = poses[i].apply(rotary.point_mm)[:, None, :]
        direction = poses[i].rotate(rotary.direction)[:, None, :]
        off = turned.centres_mm - point
        off = (
            off
            - np.einsum("...i,...i->...", off, np.broadcast_to(direction, off.shape))[..., None] * direction
        )
        half = np.minimum(np.radians(items.half_deg[:, i]), np.pi)
        sine = np.sin(half / 2.0)
        chord = 2.0 * sine[:, None] * np.linalg.norm(off, axis=-1)
        lean = np.linalg.norm(np.cross(turned.axis, direction[:, 0, :]), axis=-1)
        wobble = turned.radii_mm * (2.0 * np.arcsin(np.minimum(sine * lean, 1.0)))[:, None]
        moved = (chord + wobble).max(axis=-1)
        motions.append(np.where(scene.carried[items.turning] > i, moved, 0.0))
    return np.stack(motions, axis=-1)


def _halved(items: _Items, along: NDArray[np.intp]) -> _Items:
    each = np.arange(len(along))
    half = items.half_deg.copy()
    half[each, along] /= 2.0
    step = np.zeros_like(half)
    step[each, along] = half[each, along]
    return _Items(
        np.concatenate([items.middle_deg - step, items.middle_deg + step]),
        np.concatenate([half, half]),
        np.tile(items.cutting, 2),
        np.tile(items.turning, 2),
    )
