"""Bodies of a collision model in machine coordinates, ready to be turned and measured against each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.machine import Machine
from kinematics.reach.collision_bodies import CollisionBody, in_pieces, matrix_of, pieced_body, whole_body
from kinematics.reach.collision_model import CollisionModel
from kinematics.reach.distance_bounds import BoundingDiscs, bounding_discs
from kinematics.reach.shapes import Solid
from kinematics.reach.tool_assembly import minkowski_sum
from kinematics.transform import Pose
from kinematics.validation import as_instance

__all__ = [
    "MovingPairs",
    "PairFilter",
    "Scene",
    "SweptBody",
    "exact_gap_mm",
    "exact_pair_gap_mm",
    "group_poses",
    "scene_of",
]

Array = NDArray[np.float64]

FARTHEST_MM = 1e5
"""Longest distance that is measured: 100 m."""

_COAXIAL_WITHIN_MM = 0.1
"""Wobble, over a whole turn, up to which a round counts as turning about its own axis: measured pivots are never
quite the axis that was drawn."""

_CONTACT_WITHIN_MM = 0.1
"""Mean thickness of an overlap up to which two bodies touch as bearings do; facets overlap by hundredths."""


PairFilter = Callable[[int, int], bool]


@dataclass(frozen=True, eq=False)
class MovingPairs(DeclaredFields):
    """Pairs of bodies that a rotary moves against each other: one that turns, one that stands beside it.

    Attributes
    ----------
    turning, standing : ndarray of int, shape (p,)
        Indices of the scene's bodies. The turning one is carried by more rotaries.
    bearings : tuple of (int, int)
        Pairs left out because one turns about its own axis, so that their distance never changes, and they touch.
    """

    turning: NDArray[np.int64]
    standing: NDArray[np.int64]
    bearings: tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class Scene(DeclaredFields):
    """All bodies but those of tool, holder and spindle.

    Attributes
    ----------
    machine : Machine
    bodies : tuple of CollisionBody
        In machine coordinates at the all-zero pose.
    carried : ndarray of int, shape (b,)
        Number of rotaries, from the base outward, that turn each.
    kept_pairs : callable, optional
        Takes the indices of a pair of `moving_pairs`; False leaves it out.
    solids : tuple of (Solid, Pose), optional
        What the bodies were made of, and where it stands: pieces are then made once for all scenes that hold it.
    """

    machine: Machine
    bodies: tuple[CollisionBody, ...]
    carried: NDArray[np.int64]
    kept_pairs: PairFilter | None = None
    solids: tuple[tuple[Solid, Pose], ...] = ()

    @cached_property
    def discs(self) -> BoundingDiscs:
        """The bodies' discs at the all-zero pose, leading shape (b,)."""
        return bounding_discs(list(self.bodies))

    @cached_property
    def pieces(self) -> tuple[Scene, tuple[NDArray[np.int64], ...]]:
        """The scene with the pieces of its hollow bodies after all bodies, and the indices there of each body's pieces.

        A piece has none, and so has a body without a hollow.
        """
        whole = [
            pieced_body(solid.name, solid.shape, machinable=solid.machinable).moved(frame)
            for solid, frame in self.solids
        ] or [in_pieces(body) for body in self.bodies]
        parts = [body.pieces for body in whole]
        counts = [len(some) for some in parts]
        carried = np.concatenate([self.carried, np.repeat(self.carried, counts)])
        ends = np.cumsum([len(parts), *counts]).tolist()
        indices = [np.arange(a, b) for a, b in pairwise(ends)] + [np.zeros(0, dtype=np.int64)] * sum(counts)
        bodies = (*whole, *(one for some in parts for one in some))
        return Scene(self.machine, bodies, carried), tuple(indices)

    def turned(self, angles_deg: ArrayLike) -> BoundingDiscs:
        """The bodies' discs at machine angles (..., n), leading shape (..., b)."""
        poses = group_poses(self.machine, angles_deg)
        rotation = np.stack([pose.rotation for pose in poses], axis=-3)[..., self.carried, :, :]
        translation = np.stack([pose.translation_mm for pose in poses], axis=-2)[..., self.carried, :]
        return self.discs.turned(rotation, translation)

    @cached_property
    def moving_pairs(self) -> MovingPairs:
        """Pairs of what turns and what stands: everything on a rotary with the base and with the rotaries further out.

        A round that turns about its own axis keeps its distance, whatever the angle. Such a pair is left out where it
        is apart or merely touches, as bearings do; where it overlaps it stays in, and fails.
        """
        turning, standing = np.nonzero(self.carried[:, None] > self.carried[None, :])
        kept, bearings = [], []
        for body, obstacle in zip(turning.tolist(), standing.tolist(), strict=True):
            if self.kept_pairs is not None and not self.kept_pairs(body, obstacle):
                continue
            if not self._keeps_distance(body, obstacle):
                kept.append((body, obstacle))
                continue
            first, second = self.bodies[body].manifold, self.bodies[obstacle].manifold
            if first.min_gap(second, 1.0) > 0.0:
                continue
            overlap = first ^ second
            if overlap.volume() * 2.0 > _CONTACT_WITHIN_MM * overlap.surface_area():
                kept.append((body, obstacle))
            else:
                bearings.append((body, obstacle))
        pairs = np.array(kept, dtype=np.int64).reshape(-1, 2)
        return MovingPairs(pairs[:, 0], pairs[:, 1], tuple(bearings))

    def _keeps_distance(self, body: int, obstacle: int) -> bool:
        """True where one rotary alone moves the pair, and one of the two is a round about that rotary's line."""
        outer = int(self.carried[obstacle])
        if int(self.carried[body]) != outer + 1:
            return False
        line = self.machine.rotaries[outer]
        return any(
            _wobble_mm(self.bodies[k], line.point_mm, line.direction) <= _COAXIAL_WITHIN_MM
            for k in (body, obstacle)
        )


def _wobble_mm(body: CollisionBody, point_mm: Array, direction: Array) -> float:
    """Upper bound of the move of a round's surface off itself while it turns about a line; infinite for no round."""
    if not body.radii_mm.any():
        return float("inf")
    off = body.discs_mm - point_mm
    off = off - (off @ direction)[:, None] * direction
    lean = float(np.linalg.norm(np.cross(body.axis, direction)))
    return float((2.0 * np.linalg.norm(off, axis=-1) + 2.0 * body.radii_mm * lean).max())


@dataclass(frozen=True, eq=False)
class SweptBody:
    """A part of the tool assembly whose tip sweeps a box in machine coordinates.

    Attributes
    ----------
    body : CollisionBody
        In the frame of the tip.
    middle_mm, half_mm : ndarray, shape (3,)
        Of the tip's box.
    """

    body: CollisionBody
    middle_mm: Array
    half_mm: Array


def scene_of(model: CollisionModel, kept_pairs: PairFilter | None = None) -> Scene:
    """Bodies of a collision model.

    Parameters
    ----------
    model : CollisionModel
    kept_pairs : callable, optional
        Takes the indices of two bodies; False leaves the pair out of what turns against what stands.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> [body.name for body in scene_of(model).bodies]
    ['fence', 'post']
    >>> scene_of("mill")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: model: expected a CollisionModel, found 'mill'
    """
    as_instance(model, CollisionModel, "model")
    solids = model.all_solids()
    placed = tuple((solid, model.frame(solid.on)) for solid in solids)
    bodies = tuple(
        whole_body(solid.name, solid.shape, machinable=solid.machinable).moved(frame)
        for solid, frame in placed
    )
    carried = np.array([model.carried_by(solid.on) for solid in solids], dtype=np.int64)
    return Scene(model.machine, bodies, carried, kept_pairs, placed)


def group_poses(machine: Machine, angles_deg: ArrayLike) -> list[Pose]:
    """Poses of the bodies that no rotary carries, the first one, the first two, ... at machine angles (..., n)."""
    angles = machine.angles(angles_deg)
    lead = angles.shape[:-1]
    poses = [
        Pose.from_rigid(np.broadcast_to(np.eye(3), (*lead, 3, 3)), np.broadcast_to(np.zeros(3), (*lead, 3)))
    ]
    for i, rotary in enumerate(machine.rotaries):
        poses.append(poses[-1] @ rotary.pose_at(angles[..., i]))
    return poses


def exact_gap_mm(scene: Scene, which: int, poses: list[Pose], swept: SweptBody, up_to_mm: float) -> float:
    """Distance of the facets of a body of the scene and a cutting body, or `up_to_mm` where it is longer.

    The cutting body, small as it is, is moved into the frame of the other: a mesh of many triangles stays as it is.

    Parameters
    ----------
    scene : Scene
    which : int
        Index of the body.
    poses : list of Pose
        Of every group of bodies, for one set of angles.
    swept : SweptBody
    up_to_mm : float
    """
    back = poses[scene.carried[which]].inverse()
    there = Pose.from_rigid(back.rotation, back.apply(swept.middle_mm))
    cutting = minkowski_sum(swept.body, swept.half_mm).transform(matrix_of(there))
    return float(scene.bodies[which].manifold.min_gap(cutting, min(max(up_to_mm, 1e-6), FARTHEST_MM)))


def exact_pair_gap_mm(scene: Scene, body: int, obstacle: int, poses: list[Pose], up_to_mm: float) -> float:
    """Distance of the facets of two bodies of the scene, or `up_to_mm` where it is longer.

    Parameters
    ----------
    scene : Scene
    body, obstacle : int
        Indices of the two.
    poses : list of Pose
        Of every group of bodies, for one set of angles.
    up_to_mm : float
    """
    still, moved = obstacle, body
    if scene.bodies[body].manifold.num_tri() > scene.bodies[obstacle].manifold.num_tri():
        still, moved = body, obstacle
    seen = poses[scene.carried[still]].inverse() @ poses[scene.carried[moved]]
    other = scene.bodies[moved].manifold.transform(matrix_of(seen))
    return float(scene.bodies[still].manifold.min_gap(other, min(max(up_to_mm, 1e-6), FARTHEST_MM)))
