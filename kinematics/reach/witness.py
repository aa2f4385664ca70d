"""Witness points: the place at which a closest pair is closest.

The collision library says how far, not where. So either body is halved again and again, and the half that is still as
close is kept: what is left in the end is the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.reach.clearance import ClosestPair, swept_bodies
from kinematics.reach.collision_bodies import matrix_of
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.scene import Scene, SweptBody, group_poses
from kinematics.reach.tool_assembly import minkowski_sum
from kinematics.validation import ValueEquality, read_only

__all__ = ["WitnessPoints", "witness_points"]

Array = NDArray[np.float64]

_SMALL_MM = 0.02
_MOST_HALVINGS = 60
_SAME_GAP_MM = 1e-4


@dataclass(frozen=True, eq=False)
class WitnessPoints(ValueEquality):
    """The points of two bodies that are closest to each other.

    Attributes
    ----------
    body_mm, obstacle_mm : ndarray, shape (3,)
        The point of either, machine coordinates; one and the same where they overlap.
    corner : (int, int, int)
        For X, Y, Z: -1 or +1 where only that end of the sweep comes so close, 0 where both do, or neither.
    """

    body_mm: NDArray[np.float64]
    obstacle_mm: NDArray[np.float64]
    corner: tuple[int, int, int]

    def __post_init__(self) -> None:
        object.__setattr__(self, "body_mm", read_only(self.body_mm))
        object.__setattr__(self, "obstacle_mm", read_only(self.obstacle_mm))


def witness_points(
    model: CollisionModel, scene: Scene, operation: OperationPose, pair: ClosestPair
) -> WitnessPoints:
    """Witness points of a pair that `clearances` found at an operation, to a few hundredths of a millimetre.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
        The model's, from `scene_of`.
    operation : OperationPose
        The operation that the pair was found at.
    pair : ClosestPair
        One of its clearance's pairs.

    Returns
    -------
    WitnessPoints
        Machine coordinates, as everything stands at the operation.
    """
    swept = swept_bodies(model, operation)[pair.indices[0]]
    poses = group_poses(scene.machine, operation.machine_deg)
    pose = poses[scene.carried[pair.indices[1]]]
    obstacle = scene.bodies[pair.indices[1]].manifold.transform(matrix_of(pose))
    body = minkowski_sum(swept.body, swept.half_mm).translate(swept.middle_mm)
    obstacle = _around(obstacle, body, pair.gap_mm + 1.0)
    corner = _corner(swept, obstacle, pair.gap_mm)
    if pair.gap_mm <= 0.0:
        middle = _middle(body ^ obstacle)
        if middle is not None:
            return WitnessPoints(middle, middle, corner)
    piece = _nearest_piece(body, obstacle, pair.gap_mm)
    other = _nearest_piece(obstacle, piece, pair.gap_mm + _SMALL_MM)
    first, second = _middle(piece), _middle(other)
    assert first is not None
    assert second is not None
    return WitnessPoints(first, second, corner)


def _around(
    manifold: manifold3d.Manifold, other: manifold3d.Manifold, margin_mm: float
) -> manifold3d.Manifold:
    """The part of a body that can be close to the other: a mesh of many triangles becomes a few."""
    box = np.array(other.bounding_box())
    low, high = box[:3] - margin_mm, box[3:] + margin_mm
    return manifold ^ manifold3d.Manifold.cube(high - low).translate(low)


def _middle(manifold: manifold3d.Manifold) -> Array | None:
    if manifold.is_empty():
        return None
    box = np.array(manifold.bounding_box())
    return np.asarray((box[:3] + box[3:]) / 2.0)


def _nearest_piece(
    manifold: manifold3d.Manifold, other: manifold3d.Manifold, gap_mm: float
) -> manifold3d.Manifold:
    piece = manifold
    for _ in range(_MOST_HALVINGS):
        box = np.array(piece.bounding_box())
        edges = box[3:] - box[:3]
        axis = int(np.argmax(edges))
        if edges[axis] < _SMALL_MM:
            break
        halves = piece.split_by_plane(np.eye(3)[axis], float(box[axis] + edges[axis] / 2.0))
        gaps = [np.inf if half.is_empty() else half.min_gap(other, gap_mm + 1.0) for half in halves]
        if not np.isfinite(gaps).any():
            break
        piece = halves[int(np.argmin(gaps))]
    return piece


def _corner(swept: SweptBody, obstacle: manifold3d.Manifold, gap_mm: float) -> tuple[int, int, int]:
    """Axis by axis, the end of the sweep that alone comes as close as the whole sweep does."""
    signs = []
    for axis in range(3):
        side = swept.half_mm * (np.arange(3) != axis)
        body, reach = minkowski_sum(swept.body, side), swept.half_mm[axis] * np.eye(3)[axis]
        low, high = (
            body.translate(swept.middle_mm + sign * reach).min_gap(obstacle, gap_mm + 1.0)
            <= gap_mm + _SAME_GAP_MM
            for sign in (-1, 1)
        )
        signs.append(int(high) - int(low))
    return signs[0], signs[1], signs[2]
