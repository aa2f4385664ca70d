"""Smallest distance between what cuts and what turns, at every operation, and where it is.

All pairs are bounded at once, by spheres first and by their hulls then; only pairs that can still be the nearest are
put to the collision library. What comes out is what asking it for every pair would give.

The library tells how far, not where. So either body is halved again and again, and the half that is still as near is
kept: what is left in the end is the place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.reach.collision_bodies import CollisionBody, matrix_of
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.distance_bounds import BoundingDiscs, bounding_discs, gap_bounds
from kinematics.reach.scene import FARTHEST_MM, Scene, SweptBody, exact_gap_mm, group_poses, scene_of
from kinematics.reach.tool_assembly import cutting_bodies, minkowski_sum
from kinematics.transform import Pose

__all__ = ["Clearance", "ClosestPair", "WitnessPoints", "clearances", "witness_points"]

Array = NDArray[np.float64]

_AT_ONCE = 128


@dataclass(frozen=True)
class ClosestPair:
    """One pair of bodies.

    Attributes
    ----------
    cutting, turning : str
    gap_mm : float
        At least the facets' distance is there; 0 where they touch or overlap.
    facet_error_mm : float
        The true distance is at most so much more than `gap_mm`.
    pair : (int, int)
        Which cutting body and which body of the scene.
    """

    cutting: str
    turning: str
    gap_mm: float
    facet_error_mm: float
    pair: tuple[int, int]


@dataclass(frozen=True)
class Clearance:
    """How one operation clears.

    Attributes
    ----------
    nearest : ClosestPair or None
        None where nothing is in the scene that must not be touched, or no tool is known.
    too_close : tuple of ClosestPair
        Every pair nearer than was asked for, the nearest first.
    """

    nearest: ClosestPair | None
    too_close: tuple[ClosestPair, ...] = ()


def clearances(
    model: CollisionModel,
    clear_mm: float = 0.0,
    scene: Scene | None = None,
    operations: Sequence[OperationPose] | None = None,
    *,
    tool_too: bool = True,
) -> tuple[Clearance, ...]:
    """How every operation clears, each over the whole box that its tip sweeps.

    Parameters
    ----------
    model : CollisionModel
    clear_mm : float
        The distance asked for. Pairs nearer than that, or overlapping, are all listed.
    scene : Scene, optional
        The layout's, where it has been made before.
    operations : sequence of OperationPose, optional
        Others than the layout's own.
    tool_too : bool
        Off to ask about holder and spindle alone.

    Returns
    -------
    tuple of Clearance
        One for each operation.
    """
    scene = scene_of(model) if scene is None else scene
    asked = model.operations if operations is None else tuple(operations)
    found: list[Clearance] = []
    for start in range(0, len(asked), _AT_ONCE):
        some = asked[start : start + _AT_ONCE]
        swept = [
            swept_bodies(model, operation)[
                0 if tool_too or operation.tool is None else operation.tool.parts :
            ]
            for operation in some
        ]
        found += _block(scene, some, swept, clear_mm)
    return tuple(found)


def swept_bodies(model: CollisionModel, operation: OperationPose) -> list[SweptBody]:
    """What cuts at an operation, from the tip upward, over the box that the tip sweeps."""
    if operation.tool is None:
        return []
    low, high = model.tips_mm(operation)
    bodies = cutting_bodies(operation.tool, model.spindle)
    return [SweptBody(body, (low + high) / 2.0, (high - low) / 2.0) for body in bodies]


def swept_discs(swept: Sequence[SweptBody]) -> BoundingDiscs:
    """Their discs, leading shape (c,)."""
    discs = bounding_discs(
        [one.body for one in swept], np.array([one.half_mm for one in swept]).reshape(-1, 3)
    )
    middles = np.array([one.middle_mm for one in swept]).reshape(-1, 1, 3)
    return BoundingDiscs(discs.centres_mm + middles, discs.radii_mm, discs.axis, discs.half_mm)


def _block(
    scene: Scene, operations: Sequence[OperationPose], swept: list[list[SweptBody]], clear_mm: float
) -> list[Clearance]:
    flat = [one for some in swept for one in some]
    if not flat or not scene.bodies:
        return [Clearance(None) for _ in operations]
    of_stand = np.repeat(np.arange(len(operations)), [len(some) for some in swept])
    angles = np.array([operation.machine_deg for operation in operations])
    turning = scene.turned(angles)
    pairs = _allowed(scene.bodies, flat)
    cutting_at, turning_at = np.nonzero(pairs)
    stand_at = of_stand[cutting_at]
    first, second = turning, swept_discs(flat)
    near = _by_spheres(first, second, stand_at, cutting_at, turning_at, len(operations), clear_mm)
    cutting_at, turning_at, stand_at = cutting_at[near], turning_at[near], stand_at[near]
    low, high = gap_bounds(first[stand_at, turning_at], second[cutting_at])
    facet_error = np.array([body.facet_error_mm for body in scene.bodies])[turning_at]
    facet_error = facet_error + np.array([one.body.facet_error_mm for one in flat])[cutting_at]
    tight = np.array([body.tight for body in scene.bodies])[turning_at]
    tight &= np.array([one.body.tight for one in flat])[cutting_at]
    # The discs contain the facets: theirs may be farther apart, by what a facet lies inside its circle.
    high = np.where(tight, high + 2.0 * facet_error, FARTHEST_MM)
    poses = group_poses(scene.machine, angles)
    found = []
    for number in range(len(operations)):
        mine = np.flatnonzero(stand_at == number)
        mine = mine[np.argsort(low[mine], kind="stable")]
        at = [Pose.from_rigid(pose.rotation[number], pose.translation_mm[number]) for pose in poses]
        offset = int(np.searchsorted(of_stand, number))
        best, near_ones = FARTHEST_MM, []
        cap = float(high[mine].min(initial=FARTHEST_MM))
        for k in mine.tolist():
            if low[k] > max(min(best, cap), clear_mm):
                break
            cut_k, turn_k = int(cutting_at[k]), int(turning_at[k])
            up_to = max(min(best, cap, float(high[k])), clear_mm) + 1e-6
            gap = exact_gap_mm(scene, turn_k, at, flat[cut_k], up_to)
            if gap < up_to:
                best = min(best, gap)
                near_ones.append(_near(scene, flat, cut_k, turn_k, gap, float(facet_error[k]), offset))
        near_ones.sort(key=lambda pair: pair.gap_mm)
        found.append(
            Clearance(
                near_ones[0] if near_ones else None,
                tuple(pair for pair in near_ones if pair.gap_mm < clear_mm or pair.gap_mm <= 0.0),
            )
        )
    return found


def _near(
    scene: Scene, flat: list[SweptBody], cut_k: int, turn_k: int, gap: float, facet_error: float, offset: int
) -> ClosestPair:
    return ClosestPair(
        flat[cut_k].body.name, scene.bodies[turn_k].name, gap, facet_error, (cut_k - offset, turn_k)
    )


def _allowed(bodies: Sequence[CollisionBody], flat: Sequence[SweptBody]) -> NDArray[np.bool_]:
    """Which pairs must not touch, shape (c, b): what cuts, and what goes where it has cut, may touch part and blank."""
    cuts = np.array([one.body.machinable for one in flat])
    may = np.array([body.machinable for body in bodies])
    return np.asarray(~(cuts[:, None] & may[None, :]))


def _by_spheres(
    turning: BoundingDiscs,
    cutting: BoundingDiscs,
    stand_at: NDArray[np.intp],
    cutting_at: NDArray[np.intp],
    turning_at: NDArray[np.intp],
    count: int,
    clear_mm: float,
) -> NDArray[np.bool_]:
    """Which pairs can be the nearest of their operation, or nearer than asked for, as far as their spheres tell."""
    middle_t, radius_t = _spheres(turning)
    middle_c, radius_c = _spheres(cutting)
    apart = np.linalg.norm(middle_t[stand_at, turning_at] - middle_c[cutting_at], axis=-1)
    sum_of_radii = radius_t[stand_at, turning_at] + radius_c[cutting_at]
    low = apart - sum_of_radii
    # Somewhere in either sphere there is a point of its body.
    best = np.full(count, np.inf)
    np.minimum.at(best, stand_at, apart + sum_of_radii)
    return np.asarray(low <= np.maximum(best[stand_at], clear_mm))


def _spheres(discs: BoundingDiscs) -> tuple[Array, Array]:
    middle = discs.centres_mm.mean(axis=-2)
    off = np.linalg.norm(discs.centres_mm - middle[..., None, :], axis=-1)
    # A disc's rim lies square to its axis, its middle mostly on it: sharper than adding the radius.
    along = np.abs(np.einsum("...ji,...i->...j", discs.centres_mm - middle[..., None, :], discs.axis))
    across = np.sqrt(np.maximum(off**2 - along**2, 0.0)) + discs.radii_mm
    radius = np.sqrt(along**2 + across**2).max(axis=-1)
    return middle, radius + np.linalg.norm(discs.half_mm, axis=-1)


_SMALL_MM = 0.02
_MOST_HALVINGS = 60
_AS_NEAR_MM = 1e-4


@dataclass(frozen=True, eq=False)
class WitnessPoints:
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


def witness_points(
    model: CollisionModel, scene: Scene, operation: OperationPose, near: ClosestPair
) -> WitnessPoints:
    """Where a pair that `clearances` found at an operation is nearest, to a few hundredths of a millimetre.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
        The layout's, from `scene_of`.
    operation : OperationPose
        The operation that the pair was found at.
    near : ClosestPair
        One of its clearance's pairs.

    Returns
    -------
    WitnessPoints
        Machine coordinates, as everything stands at the operation.
    """
    swept = swept_bodies(model, operation)[near.pair[0]]
    poses = group_poses(scene.machine, operation.machine_deg)
    pose = poses[scene.carried[near.pair[1]]]
    turning = scene.bodies[near.pair[1]].manifold.transform(matrix_of(pose))
    cutting = minkowski_sum(swept.body, swept.half_mm).translate(swept.middle_mm)
    turning = _around(turning, cutting, near.gap_mm + 1.0)
    corner = _corner(swept, turning, near.gap_mm)
    if near.gap_mm <= 0.0:
        middle = _middle(cutting ^ turning)
        if middle is not None:
            return WitnessPoints(middle, middle, corner)
    piece = _nearest_piece(cutting, turning, near.gap_mm)
    other = _nearest_piece(turning, piece, near.gap_mm + _SMALL_MM)
    first, second = _middle(piece), _middle(other)
    assert first is not None
    assert second is not None
    return WitnessPoints(first, second, corner)


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


def _corner(swept: SweptBody, turning: manifold3d.Manifold, gap_mm: float) -> tuple[int, int, int]:
    """Axis by axis: which end of the sweep alone comes as near as the whole sweep does."""
    signs = []
    for axis in range(3):
        side = swept.half_mm * (np.arange(3) != axis)
        body, reach = minkowski_sum(swept.body, side), swept.half_mm[axis] * np.eye(3)[axis]
        low, high = (
            body.translate(swept.middle_mm + sign * reach).min_gap(turning, gap_mm + 1.0)
            <= gap_mm + _AS_NEAR_MM
            for sign in (-1, 1)
        )
        signs.append(int(high) - int(low))
    return signs[0], signs[1], signs[2]
