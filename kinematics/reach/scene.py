"""The bodies of a layout in machine coordinates, ready to be turned and asked for their distances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.machine import Machine
from kinematics.reach.collision_bodies import CollisionBody, collision_body, matrix_of
from kinematics.reach.collision_model import CollisionModel
from kinematics.reach.distance_bounds import BoundingDiscs, bounding_discs
from kinematics.reach.tool_assembly import minkowski_sum
from kinematics.transform import Pose

__all__ = ["Scene", "SweptBody", "exact_gap_mm", "group_poses", "scene_of"]

Array = NDArray[np.float64]

FARTHEST_MM = 1e5
"""Farther than this nobody asks how far: 100 m."""


@dataclass(frozen=True, eq=False)
class Scene:
    """What turns, and what stands beside it.

    Attributes
    ----------
    machine : Machine
    bodies : tuple of Body
        In machine coordinates at the all-zero pose.
    carried : ndarray of int, shape (b,)
        How many rotaries, from the base outward, turn each.
    """

    machine: Machine
    bodies: tuple[CollisionBody, ...]
    carried: NDArray[np.int64]

    @cached_property
    def discs(self) -> BoundingDiscs:
        """The bodies' discs at the all-zero pose, leading shape (b,)."""
        return bounding_discs(list(self.bodies))

    def turned(self, angles_deg: ArrayLike) -> BoundingDiscs:
        """The bodies' discs at machine angles (..., n), leading shape (..., b)."""
        poses = group_poses(self.machine, angles_deg)
        rotation = np.stack([pose.rotation for pose in poses], axis=-3)[..., self.carried, :, :]
        translation = np.stack([pose.translation_mm for pose in poses], axis=-2)[..., self.carried, :]
        return self.discs.turned(rotation, translation)


@dataclass(frozen=True, eq=False)
class SweptBody:
    """A cutting body whose tip sweeps a box in machine coordinates.

    Attributes
    ----------
    body : Body
        In the frame of the tip.
    middle_mm, half_mm : ndarray, shape (3,)
        Of the tip's box.
    """

    body: CollisionBody
    middle_mm: Array
    half_mm: Array


def scene_of(layout: CollisionModel) -> Scene:
    """The bodies of a layout."""
    solids = layout.all_solids()
    bodies = tuple(
        collision_body(solid.name, solid.shape, cut=solid.cut).moved(layout.frame(solid.on))
        for solid in solids
    )
    carried = np.array([layout.carried_by(solid.on) for solid in solids], dtype=np.int64)
    return Scene(layout.machine, bodies, carried)


def group_poses(machine: Machine, angles_deg: ArrayLike) -> list[Pose]:
    """Where what is carried by no rotary, the first one, the first two, ... stands at machine angles (..., n)."""
    angles = machine.angles(angles_deg)
    lead = angles.shape[:-1]
    poses = [
        Pose.from_rigid(np.broadcast_to(np.eye(3), (*lead, 3, 3)), np.broadcast_to(np.zeros(3), (*lead, 3)))
    ]
    for i, rotary in enumerate(machine.rotaries):
        poses.append(poses[-1] @ rotary.pose_at(angles[..., i]))
    return poses


def exact_gap_mm(scene: Scene, which: int, poses: list[Pose], spread: SweptBody, up_to_mm: float) -> float:
    """The library's distance between a body of the scene and a cutting body, or `up_to_mm` where it is farther.

    The cutting body, small as it is, is moved into the frame of the other: a mesh of many triangles stays as it is.

    Parameters
    ----------
    scene : Scene
    which : int
        The body.
    poses : list of Pose
        Of every group, for one set of angles.
    spread : Spread
    up_to_mm : float
    """
    back = poses[scene.carried[which]].inverse()
    there = Pose.from_rigid(back.rotation, back.apply(spread.middle_mm))
    cutting = minkowski_sum(spread.body, spread.half_mm).transform(matrix_of(there))
    return float(scene.bodies[which].manifold.min_gap(cutting, min(max(up_to_mm, 1e-6), FARTHEST_MM)))
