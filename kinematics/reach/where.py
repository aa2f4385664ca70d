"""Where a smallest distance is: the two points, and the corner of the sweep that is to blame.

The library tells how far, not where. So either body is halved again and again, and the half that is still as near is
kept: what is left in the end is the place.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.reach.body import matrix_of
from kinematics.reach.clearance import Near, spreads
from kinematics.reach.cutting import swept
from kinematics.reach.layout import Layout, Stand
from kinematics.reach.scene import Scene, Spread, group_poses

__all__ = ["Place", "place_of"]

Array = NDArray[np.float64]

_SMALL_MM = 0.02
_MOST_HALVINGS = 60
_AS_NEAR_MM = 1e-4


@dataclass(frozen=True, eq=False)
class Place:
    """Where two bodies are nearest.

    Attributes
    ----------
    cutting_mm, turning_mm : ndarray, shape (3,)
        The points of either, machine coordinates; one and the same where they overlap.
    corner : (int, int, int)
        For X, Y, Z: -1 or +1 where only that end of the sweep comes so near, 0 where both do, or neither.
    """

    cutting_mm: NDArray[np.float64]
    turning_mm: NDArray[np.float64]
    corner: tuple[int, int, int]


def place_of(layout: Layout, scene: Scene, stand: Stand, near: Near) -> Place:
    """Where a pair that `clearances` found at an operation is nearest, to a few hundredths of a millimetre.

    Parameters
    ----------
    layout : Layout
    scene : Scene
        The layout's, from `scene_of`.
    stand : Stand
        The operation that the pair was found at.
    near : Near
        One of its clearance's pairs.

    Returns
    -------
    Place
        Machine coordinates, as everything stands at the operation.
    """
    spread = spreads(layout, stand)[near.pair[0]]
    poses = group_poses(scene.machine, stand.machine_deg)
    pose = poses[scene.carried[near.pair[1]]]
    turning = scene.bodies[near.pair[1]].manifold.transform(matrix_of(pose))
    cutting = swept(spread.body, spread.half_mm).translate(spread.middle_mm)
    turning = _around(turning, cutting, near.gap_mm + 1.0)
    corner = _corner(spread, turning, near.gap_mm)
    if near.gap_mm <= 0.0:
        middle = _middle(cutting ^ turning)
        if middle is not None:
            return Place(middle, middle, corner)
    piece = _nearest_piece(cutting, turning, near.gap_mm)
    other = _nearest_piece(turning, piece, near.gap_mm + _SMALL_MM)
    first, second = _middle(piece), _middle(other)
    assert first is not None
    assert second is not None
    return Place(first, second, corner)


def _around(
    manifold: manifold3d.Manifold, other: manifold3d.Manifold, margin_mm: float
) -> manifold3d.Manifold:
    """As much of a body as can be near the other: a mesh of many triangles becomes a few."""
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


def _corner(spread: Spread, turning: manifold3d.Manifold, gap_mm: float) -> tuple[int, int, int]:
    """Axis by axis: which end of the sweep alone comes as near as the whole sweep does."""
    signs = []
    for axis in range(3):
        side = spread.half_mm * (np.arange(3) != axis)
        body, reach = swept(spread.body, side), spread.half_mm[axis] * np.eye(3)[axis]
        low, high = (
            body.translate(spread.middle_mm + sign * reach).min_gap(turning, gap_mm + 1.0)
            <= gap_mm + _AS_NEAR_MM
            for sign in (-1, 1)
        )
        signs.append(int(high) - int(low))
    return signs[0], signs[1], signs[2]
