"""Branch and bound: the certified smallest distance between what turns and what stands, over a box of machine angles.

Over a part of the box no point moves farther from where it is at the part's middle than the chords of the angles times
its distances from the rotaries' lines. A distance at the middle, less that, bounds the distances of the whole part.
Parts that this does not clear are halved. So nothing hides between two steps: the bound holds everywhere, and the
search ends only when it agrees with a pose that was measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.reach.clearance import swept_discs
from kinematics.reach.distance_bounds import BoundingDiscs, bounding_spheres, gap_bounds
from kinematics.reach.scene import FARTHEST_MM, Scene, SweptBody, exact_gap_mm, exact_pair_gap_mm, group_poses
from kinematics.transform import Pose
from kinematics.validation import ValueEquality, read_only

__all__ = ["MoveClearance", "smallest_distance"]

Array = NDArray[np.float64]

_MOST_ITEMS = 300_000
_MOST_EXACT = 20_000
_AT_ONCE = 20_000
_WITHIN_MM, _WITHIN_SHARE = 0.05, 0.01


@dataclass(frozen=True, eq=False)
class MoveClearance(ValueEquality, DeclaredFields):
    """Smallest distance along an index move.

    Attributes
    ----------
    at_least_mm : float
        Certified lower bound: nothing comes closer at any mixture of angles on the way.
    seen_mm : float
        The smallest distance between the facets at a pose that was measured.
    facet_error_mm : float
        Upper bound of what the true distance there can exceed `seen_mm` by.
    body, obstacle : str
        The closest pair there: tool, holder or spindle and what turns; or what turns and what stands.
    machine_deg : ndarray, shape (n,)
        Machine angles there.
    settled : bool
        False where the search was broken off: `at_least_mm` is true, and may be far less than the smallest distance.
    """

    at_least_mm: float
    seen_mm: float
    facet_error_mm: float
    body: str
    obstacle: str
    machine_deg: NDArray[np.float64]
    settled: bool = True

    def __post_init__(self) -> None:
        object.__setattr__(self, "machine_deg", read_only(self.machine_deg))
        super().__post_init__()

    @property
    def shortfall_mm(self) -> float:
        """Upper bound of what the true smallest distance can exceed `at_least_mm` by."""
        return self.seen_mm + self.facet_error_mm - self.at_least_mm


def smallest_distance(
    scene: Scene,
    swept: list[SweptBody],
    range_deg: tuple[Array, Array],
    pairs: tuple[NDArray[np.intp], NDArray[np.intp]],
    up_to_mm: float,
) -> MoveClearance | None:
    """The smallest distance of pairs of bodies at any mixture of angles.

    Parameters
    ----------
    scene : Scene
    swept : list of SweptBody
        The retracted spindle's bodies; empty to hold what turns against what stands.
    range_deg : pair of ndarray, shape (n,)
        Least and greatest machine angles.
    pairs : pair of ndarray of int, shape (m,)
        Of each pair the body that does not turn, one of `swept` or without these one of the scene's own, and the one
        that turns.
    up_to_mm : float
        Distances longer than this are not asked about.

    Returns
    -------
    MoveClearance or None
        None where nothing is as near as that.
    """
    return _Search(scene, swept, up_to_mm).run(*range_deg, *pairs)


@dataclass(frozen=True, eq=False)
class _Items:
    """Parts of the box of angles, each for one pair of bodies."""

    middle_deg: Array
    half_deg: Array
    other: NDArray[np.intp]
    turning: NDArray[np.intp]

    def __getitem__(self, kept: NDArray[np.bool_] | NDArray[np.intp] | slice) -> _Items:
        return _Items(self.middle_deg[kept], self.half_deg[kept], self.other[kept], self.turning[kept])


class _Search:
    """Branch and bound over the angles, pair by pair.

    The other body of a pair is one of the retracted spindle's, or without these one of the scene's own.
    """

    def __init__(self, whole: Scene, swept: list[SweptBody], up_to_mm: float) -> None:
        scene, self.pieces = whole.pieces
        self.scene, self.swept = scene, swept
        self.others = swept_discs(swept) if swept else scene.discs
        self.group = np.zeros(len(swept), dtype=np.int64) if swept else scene.carried
        bodies = [one.body for one in swept] if swept else list(scene.bodies)
        self.names = [body.name for body in bodies]
        self.facet_error = np.add.outer(
            [body.facet_error_mm for body in bodies], [body.facet_error_mm for body in scene.bodies]
        )
        self.tight = np.logical_and.outer(
            [body.tight for body in bodies], [body.tight for body in scene.bodies]
        )
        self.loose_mm = np.array([body.loose_mm for body in scene.bodies])
        self.in_pieces = np.array([len(some) > 0 for some in self.pieces], dtype=bool)
        self.seen = min(up_to_mm, FARTHEST_MM)
        self.at: tuple[Array, int, int] | None = None
        self.floor = FARTHEST_MM
        self.exact_left = _MOST_EXACT
        self.settled = True

    def run(
        self, low: Array, high: Array, other: NDArray[np.intp], turning: NDArray[np.intp]
    ) -> MoveClearance | None:
        """Halve parts of the box until what may be nearer than what was seen is within the tolerance of it."""
        count = len(other)
        middle = np.repeat([(low + high) / 2.0], count, axis=0)
        half = np.repeat([(high - low) / 2.0], count, axis=0)
        items, done = _Items(middle, half, other, turning), 0
        while len(items.other):
            done += len(items.other)
            bound, split, motion = self._look(items)
            if self.seen <= 0.0:
                self.floor = 0.0
                break
            open_ = bound < self.seen - self._within
            # Closed parts are as far away as the smallest distance seen, but for the tolerance.
            self.floor = min(self.floor, float(bound[~open_].min(initial=FARTHEST_MM)))
            if done > _MOST_ITEMS and open_.any():
                self.settled = False
                self.floor = min(self.floor, float(bound[open_].min(initial=FARTHEST_MM)))
                break
            # Where the hull over a hollow is to blame more than the angles, its pieces come next.
            hollow = self._hollow(items) & open_ & (motion < self._loose(items))
            halves = open_ & ~hollow
            parts = [_halved(items[halves], split[halves])]
            if hollow.any():
                parts.append(self._in_pieces(items[hollow]))
            items = _joined(parts)
        return self._found()

    def _in_pieces(self, items: _Items) -> _Items:
        """Parts for the pieces of hollow bodies in place of the bodies; the retracted spindle's are convex."""
        none = [] if self.swept else [np.flatnonzero(self.in_pieces[items.other])]
        split = np.unique(np.concatenate([*none, np.flatnonzero(self.in_pieces[items.turning])]))
        rows, other, turning = [], [], []
        for k in split.tolist():
            a, b = int(items.other[k]), int(items.turning[k])
            firsts = [a] if self.swept or not self.in_pieces[a] else self.pieces[a]
            seconds = self.pieces[b] if self.in_pieces[b] else [b]
            pairs = np.array(np.meshgrid(firsts, seconds, indexing="ij")).reshape(2, -1)
            rows.append(np.full(pairs.shape[1], k))
            other.append(pairs[0])
            turning.append(pairs[1])
        at = np.concatenate(rows)
        return _Items(
            items.middle_deg[at], items.half_deg[at], np.concatenate(other), np.concatenate(turning)
        )

    @property
    def _within(self) -> float:
        return max(_WITHIN_MM, _WITHIN_SHARE * self.seen)

    def _found(self) -> MoveClearance | None:
        if self.at is None:
            return None
        angles, other, turning = self.at
        seen = self._exact(angles, other, turning, self.seen + 1.0) if self.seen > 0.0 else 0.0
        names = self.names[other], self.scene.bodies[turning].name
        return MoveClearance(
            max(0.0, min(self.floor, seen)),
            seen,
            float(self.facet_error[other, turning]),
            # What turns is the body that meets what stands, and the obstacle that the tool meets.
            *(names if self.swept else names[::-1]),
            angles,
            self.settled,
        )

    def _hollow(self, items: _Items) -> NDArray[np.bool_]:
        """Mask of the parts of which a body has pieces."""
        mine = self.in_pieces[items.turning]
        return mine if self.swept else mine | self.in_pieces[items.other]

    def _loose(self, items: _Items) -> Array:
        """About how far the hulls of the parts' bodies stand out beyond them."""
        return np.asarray(self.loose_mm[items.turning] + (0.0 if self.swept else self.loose_mm[items.other]))

    def _look(self, items: _Items) -> tuple[Array, NDArray[np.intp], Array]:
        """A bound for every item, the rotary along which it is best halved, and how far the angles move it."""
        bounds, splits, motions = [], [], []
        for start in range(0, len(items.other), _AT_ONCE):
            some = items[slice(start, start + _AT_ONCE)]
            poses = group_poses(self.scene.machine, some.middle_deg)
            turned = _at_poses(self.scene.discs[some.turning], self.scene.carried[some.turning], poses)
            others = _at_poses(self.others[some.other], self.group[some.other], poses)
            motion = _motion(self.scene, some, self.group[some.other], turned, poses)
            bound = _apart(turned, others) - motion.sum(axis=-1)
            # Spheres are cheap and rule out most pairs: only the rest needs its hulls.
            rest = np.flatnonzero(bound < self.seen - self._within)
            if rest.size:
                bound[rest] = self._bound_by_hulls(
                    some[rest], turned[rest], others[rest], motion[rest].sum(axis=-1)
                )
            bounds.append(bound)
            splits.append(np.argmax(motion, axis=-1))
            motions.append(motion.sum(axis=-1))
        return np.concatenate(bounds), np.concatenate(splits), np.concatenate(motions)

    def _bound_by_hulls(
        self, items: _Items, turned: BoundingDiscs, others: BoundingDiscs, motion: Array
    ) -> Array:
        """Bounds by the hulls, and by the library where these leave a pair undecided."""
        # A part as far as what was seen already decides nothing, however far it is.
        low, high = gap_bounds(turned, others, self.seen + motion)
        tight = self.tight[items.other, items.turning]
        high = np.where(tight, high + 2.0 * self.facet_error[items.other, items.turning], FARTHEST_MM)
        self._saw(items, high)
        bound = np.asarray(low - motion)
        self._ask(items, bound, low, high, motion, tight)
        return bound

    def _saw(self, items: _Items, high: Array) -> None:
        k = int(np.argmin(high))
        if high[k] < self.seen:
            self.seen = float(high[k])
            self.at = (items.middle_deg[k], int(items.other[k]), int(items.turning[k]))

    def _ask(
        self, items: _Items, bound: Array, low: Array, high: Array, motion: Array, tight: NDArray[np.bool_]
    ) -> None:
        """Ask the collision library about pairs that the bounds leave undecided, and about likely collisions."""
        close = np.flatnonzero((low <= 0.0) & tight)
        ask = [int(close[np.argmin(high[close])])] if close.size else []
        loose_mm = self._loose(items)
        # One pose that may be the closest; then parts so small that the hulls are to blame, not the angles.
        loose = np.flatnonzero(~tight)
        ask += [int(loose[np.argmin(bound[loose])])] if loose.size else []
        vague = np.where(tight, (motion < high - low) & (motion < self._within), motion < 2.0 * loose_mm)
        vague &= ~self._hollow(items)
        ask += [int(k) for k in np.flatnonzero(vague)[np.argsort(bound[vague])]]
        for k in ask:
            if self.exact_left <= 0 or self.seen <= 0.0:
                return
            if bound[k] >= self.seen - self._within:
                continue
            self.exact_left -= 1
            other, turning = int(items.other[k]), int(items.turning[k])
            # A longer distance settles nothing more, and the library takes long to look far.
            gap = self._exact(items.middle_deg[k], other, turning, self.seen + float(motion[k]))
            bound[k] = max(float(bound[k]), gap - float(motion[k]))
            if gap < self.seen:
                self.seen, self.at = gap, (items.middle_deg[k], other, turning)

    def _exact(self, angles: Array, other: int, turning: int, up_to: float) -> float:
        """Distance of the facets, or what bounds it from below: `up_to`, where it is longer."""
        poses = group_poses(self.scene.machine, angles)
        if self.swept:
            return exact_gap_mm(self.scene, turning, poses, self.swept[other], up_to)
        return exact_pair_gap_mm(self.scene, turning, other, poses, up_to)


def _apart(first: BoundingDiscs, second: BoundingDiscs) -> Array:
    """Lower bounds of distances by spheres, shape (m,); negative where the spheres overlap."""
    (middle, radius), (other, other_radius) = bounding_spheres(first), bounding_spheres(second)
    return np.asarray(np.linalg.norm(middle - other, axis=-1) - radius - other_radius)


def _at_poses(discs: BoundingDiscs, group: NDArray[np.int64], poses: list[Pose]) -> BoundingDiscs:
    """Discs (m,) as their group of bodies is turned at the poses (m,)."""
    each = np.arange(len(group))
    rotation = np.stack([pose.rotation for pose in poses], axis=1)[each, group]
    translation = np.stack([pose.translation_mm for pose in poses], axis=1)[each, group]
    return discs.turned(rotation, translation)


def _motion(
    scene: Scene, items: _Items, other_group: NDArray[np.int64], turned: BoundingDiscs, poses: list[Pose]
) -> Array:
    """Upper bound of each rotary's move of the items' bodies against each other from the middle, shape (m, n).

    A disc that turns about its own axis does not move: its middle's motion counts, and how its axis leans. A rotary
    that carries both bodies moves neither against the other.
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
        between = (scene.carried[items.turning] > i) & (other_group <= i)
        motions.append(np.where(between, moved, 0.0))
    return np.stack(motions, axis=-1)


def _joined(parts: list[_Items]) -> _Items:
    return _Items(
        np.concatenate([part.middle_deg for part in parts]),
        np.concatenate([part.half_deg for part in parts]),
        np.concatenate([part.other for part in parts]),
        np.concatenate([part.turning for part in parts]),
    )


def _halved(items: _Items, along: NDArray[np.intp]) -> _Items:
    each = np.arange(len(along))
    half = items.half_deg.copy()
    half[each, along] /= 2.0
    step = np.zeros_like(half)
    step[each, along] = half[each, along]
    return _Items(
        np.concatenate([items.middle_deg - step, items.middle_deg + step]),
        np.concatenate([half, half]),
        np.tile(items.other, 2),
        np.tile(items.turning, 2),
    )
