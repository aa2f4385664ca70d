"""Smallest distances at every operation, of the tool assembly and of what turns, and the points between which they are.

All pairs are bounded at once, by spheres first and by their hulls then; only pairs that can still be the closest are
put to the collision library. The result is the one that asking it for every pair would give.

The collision library says how far, not where. So either body is halved again and again, and the half that is still as
close is kept: what is left in the end is the place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.reach.collision_bodies import halved, longest_edge, matrix_of
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.distance_bounds import BoundingDiscs, bounding_discs, bounding_spheres, gap_bounds
from kinematics.reach.scene import (
    FARTHEST_MM,
    Scene,
    SweptBody,
    exact_gap_mm,
    exact_pair_gap_mm,
    group_poses,
    scene_of,
)
from kinematics.reach.tool_assembly import cutting_bodies, minkowski_sum
from kinematics.transform import Pose
from kinematics.validation import ValueEquality, read_only

__all__ = [
    "Clearance",
    "ClosestPair",
    "WitnessPoints",
    "clearances",
    "swept_bodies",
    "swept_discs",
    "table_clearances",
    "witness_points",
]

Array = NDArray[np.float64]

Indices = NDArray[np.intp]

_AT_ONCE = 128


@dataclass(frozen=True)
class ClosestPair(DeclaredFields):
    """Two bodies and the distance between them.

    Attributes
    ----------
    body : str
        Part of the tool, its holder or the spindle; or the body that turns.
    obstacle : str
        The body that must not be touched.
    gap_mm : float
        Distance between the facets, never more than the true one; 0 where they touch or overlap.
    facet_error_mm : float
        Upper bound of what the true distance can exceed `gap_mm` by.
    indices : (int, int)
        Of the body (among the operation's cutting bodies, or the scene's) and of the obstacle in the scene.
    """

    body: str
    obstacle: str
    gap_mm: float
    facet_error_mm: float
    indices: tuple[int, int]


@dataclass(frozen=True)
class Clearance(DeclaredFields):
    """Closest pairs of one operation.

    Attributes
    ----------
    nearest : ClosestPair or None
        None where there is nothing to keep clear of, or no tool is known.
    too_close : tuple of ClosestPair
        Every pair that touches or is closer than asked for, the closest first.
    """

    nearest: ClosestPair | None
    too_close: tuple[ClosestPair, ...] = ()


@dataclass(frozen=True, eq=False)
class _Candidates:
    """Pairs of bodies, each at one of several operations; shape (p,) each."""

    operation: Indices
    body: Indices
    obstacle: Indices

    def __getitem__(self, kept: NDArray[np.bool_]) -> _Candidates:
        return _Candidates(self.operation[kept], self.body[kept], self.obstacle[kept])


@dataclass(frozen=True, eq=False)
class _Question:
    """One kind of pairs: their hulls, and the ways to measure and to name one of them."""

    bodies: BoundingDiscs
    obstacles: BoundingDiscs
    facet_error_mm: Array
    tight: NDArray[np.bool_]
    measure: Callable[[int, int, int, float], float]
    name: Callable[[int, int, float, float], ClosestPair]
    body_moves: bool = False

    def hulls(self, some: _Candidates) -> tuple[BoundingDiscs, BoundingDiscs]:
        body_at = (some.operation, some.body) if self.body_moves else (some.body,)
        return self.bodies[body_at], self.obstacles[some.operation, some.obstacle]


@takes_declared()
def clearances(
    model: CollisionModel,
    clear_mm: float = 0.0,
    scene: Scene | None = None,
    operations: Sequence[OperationPose] | None = None,
    *,
    tool_too: bool = True,
    up_to_mm: float = FARTHEST_MM,
) -> tuple[Clearance, ...]:
    """Distances from tool, holder and spindle to everything in the way, each over the box that the tip sweeps.

    Parameters
    ----------
    model : CollisionModel
    clear_mm : float
        The distance asked for. Pairs closer than that, or touching, are all listed.
    scene : Scene, optional
        The model's, where it has been made before.
    operations : sequence of OperationPose, optional
        Others than the model's own.
    tool_too : bool
        Off to ask about holder and spindle alone.
    up_to_mm : float
        A closest pair farther apart than this may be left out: less is quicker.

    Returns
    -------
    tuple of Clearance
        One for each operation.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top, side = clearances(model)
    >>> top.nearest.body, top.nearest.obstacle, round(top.nearest.gap_mm, 6)
    ('tool', 'post', 10.0)
    >>> side.nearest.body, round(side.nearest.gap_mm)   # 15 up and 20 along: 25, less what the facets add
    ('holder 1', 25)
    >>> clearances(model, clear_mm="1")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: clear: expected a number, found '1'
    """
    scene = scene_of(model) if scene is None else scene
    asked = model.operations if operations is None else tuple(operations)
    found: list[Clearance] = []
    for start in range(0, len(asked), _AT_ONCE):
        some = asked[start : start + _AT_ONCE]
        swept = [
            swept_bodies(model, one)[0 if tool_too or one.tool is None else one.tool.parts :] for one in some
        ]
        found += _tool_block(scene, some, swept, clear_mm, up_to_mm)
    return tuple(found)


@takes_declared()
def table_clearances(
    model: CollisionModel,
    clear_mm: float = 0.0,
    scene: Scene | None = None,
    operations: Sequence[OperationPose] | None = None,
    *,
    up_to_mm: float = FARTHEST_MM,
) -> tuple[Clearance, ...]:
    """Distances between what turns and what stands beside it: solids on the base and on rotaries further out.

    Parameters
    ----------
    model : CollisionModel
    clear_mm : float
        The distance asked for. Pairs closer than that, or touching, are all listed.
    scene : Scene, optional
        The model's, where it has been made before.
    operations : sequence of OperationPose, optional
        Others than the model's own.
    up_to_mm : float
        A closest pair farther apart than this may be left out: less is quicker.

    Returns
    -------
    tuple of Clearance
        One for each operation. Pairs that turn about their own axis and so keep their distance (`Scene.moving_pairs`)
        are left out.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> [(one.nearest.body, one.nearest.obstacle, round(one.nearest.gap_mm, 1)) for one in table_clearances(model)]
    [('post', 'fence', 120.0), ('post', 'fence', 150.0)]
    >>> table_clearances(model, operations=["top"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: operations: expected a list of OperationPose or None, found ['top']
    """
    scene = scene_of(model) if scene is None else scene
    asked = model.operations if operations is None else tuple(operations)
    found: list[Clearance] = []
    for start in range(0, len(asked), _AT_ONCE):
        found += _table_block(scene, asked[start : start + _AT_ONCE], clear_mm, up_to_mm)
    return tuple(found)


def swept_bodies(model: CollisionModel, operation: OperationPose) -> list[SweptBody]:
    """Cutting bodies of an operation, from the tip upward, over the box that the tip sweeps."""
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


def _tool_block(
    scene: Scene,
    operations: Sequence[OperationPose],
    swept: list[list[SweptBody]],
    clear_mm: float,
    up_to_mm: float,
) -> list[Clearance]:
    flat = [one for some in swept for one in some]
    if not flat or not scene.bodies:
        return [Clearance(None) for _ in operations]
    of_operation = np.repeat(np.arange(len(operations)), [len(some) for some in swept])
    first = np.searchsorted(of_operation, np.arange(len(operations)))
    angles = np.array([operation.machine_deg for operation in operations])
    poses = _poses_at(scene, angles)
    # Flute and part, and a shank that goes where its flute has cut, may touch.
    cuts = np.array([one.body.machinable for one in flat])
    may_be_cut = np.array([body.machinable for body in scene.bodies])
    body_at, obstacle_at = np.nonzero(~(cuts[:, None] & may_be_cut[None, :]))

    def measure(number: int, body: int, obstacle: int, up_to_mm: float) -> float:
        return exact_gap_mm(scene, obstacle, poses[number], flat[body], up_to_mm)

    def name(body: int, obstacle: int, gap_mm: float, error_mm: float) -> ClosestPair:
        own = body - int(first[of_operation[body]])
        return ClosestPair(
            flat[body].body.name, scene.bodies[obstacle].name, gap_mm, error_mm, (own, obstacle)
        )

    question = _Question(
        swept_discs(flat),
        scene.turned(angles),
        np.add.outer([one.body.facet_error_mm for one in flat], [b.facet_error_mm for b in scene.bodies]),
        np.logical_and.outer([one.body.tight for one in flat], [b.tight for b in scene.bodies]),
        measure,
        name,
    )
    candidates = _Candidates(of_operation[body_at], body_at, obstacle_at)
    return _closest(question, candidates, len(operations), clear_mm, up_to_mm)


def _table_block(
    scene: Scene, operations: Sequence[OperationPose], clear_mm: float, up_to_mm: float
) -> list[Clearance]:
    pairs = scene.moving_pairs
    if not len(pairs.turning):
        return [Clearance(None) for _ in operations]
    angles = np.array([operation.machine_deg for operation in operations])
    poses = _poses_at(scene, angles)
    number = np.repeat(np.arange(len(operations)), len(pairs.turning))

    def measure(at: int, body: int, obstacle: int, up_to_mm: float) -> float:
        return exact_pair_gap_mm(scene, body, obstacle, poses[at], up_to_mm)

    def name(body: int, obstacle: int, gap_mm: float, error_mm: float) -> ClosestPair:
        return ClosestPair(
            scene.bodies[body].name, scene.bodies[obstacle].name, gap_mm, error_mm, (body, obstacle)
        )

    errors, tight = (np.array([getattr(b, key) for b in scene.bodies]) for key in ("facet_error_mm", "tight"))
    turned = scene.turned(angles)
    question = _Question(
        turned,
        turned,
        np.add.outer(errors, errors),
        np.logical_and.outer(tight, tight),
        measure,
        name,
        body_moves=True,
    )
    tiled = (np.tile(which, len(operations)) for which in (pairs.turning, pairs.standing))
    return _closest(question, _Candidates(number, *tiled), len(operations), clear_mm, up_to_mm)


def _poses_at(scene: Scene, angles: Array) -> list[list[Pose]]:
    """Poses of every group of bodies, for each set of angles (k, n)."""
    poses = group_poses(scene.machine, angles)
    return [
        [Pose.from_rigid(pose.rotation[k], pose.translation_mm[k]) for pose in poses]
        for k in range(len(angles))
    ]


def _closest(
    question: _Question, some: _Candidates, count: int, clear_mm: float, up_to_mm: float
) -> list[Clearance]:
    some = some[_bybounding_spheres(question, some, count, clear_mm)]
    low, high = gap_bounds(*question.hulls(some), max(up_to_mm, clear_mm))
    errors = question.facet_error_mm[some.body, some.obstacle]
    # The discs contain the facets: theirs may be farther apart, by what a facet lies inside its circle.
    high = np.where(question.tight[some.body, some.obstacle], high + 2.0 * errors, FARTHEST_MM)
    found = []
    for number in range(count):
        mine = np.flatnonzero(some.operation == number)
        mine = mine[np.argsort(low[mine], kind="stable")]
        best, pairs = FARTHEST_MM, []
        cap = float(high[mine].min(initial=min(up_to_mm, FARTHEST_MM)))
        for k in mine.tolist():
            if low[k] > max(min(best, cap), clear_mm):
                break
            body, obstacle = int(some.body[k]), int(some.obstacle[k])
            up_to = max(min(best, cap, float(high[k])), clear_mm) + 1e-6
            gap = question.measure(number, body, obstacle, up_to)
            if gap < up_to:
                best = min(best, gap)
                pairs.append(question.name(body, obstacle, gap, float(errors[k])))
        pairs.sort(key=lambda pair: pair.gap_mm)
        close = tuple(pair for pair in pairs if pair.gap_mm < clear_mm or pair.gap_mm <= 0.0)
        found.append(Clearance(pairs[0] if pairs else None, close))
    return found


def _bybounding_spheres(
    question: _Question, some: _Candidates, count: int, clear_mm: float
) -> NDArray[np.bool_]:
    """Pairs that can be the closest of their operation, or closer than asked for, judged by their spheres."""
    body_middle, body_radius = bounding_spheres(question.bodies)
    middle, radius = bounding_spheres(question.obstacles)
    body_at = (some.operation, some.body) if question.body_moves else (some.body,)
    apart = np.linalg.norm(middle[some.operation, some.obstacle] - body_middle[body_at], axis=-1)
    sum_of_radii = radius[some.operation, some.obstacle] + body_radius[body_at]
    # Somewhere in either sphere there is a point of its body.
    best = np.full(count, np.inf)
    np.minimum.at(best, some.operation, apart + sum_of_radii)
    return np.asarray(apart - sum_of_radii <= np.maximum(best[some.operation], clear_mm))


_SMALL_MM = 0.02
_MOST_HALVINGS = 60
_SAME_GAP_MM = 1e-4


@dataclass(frozen=True, eq=False)
class WitnessPoints(ValueEquality, DeclaredFields):
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
        super().__post_init__()


@takes_declared()
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

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> nearest = clearances(model)[0].nearest
    >>> points = witness_points(model, scene_of(model), top, nearest)
    >>> float(points.body_mm[2].round(1)), float(points.obstacle_mm[2].round(1))   # the tip above the post's end
    (110.0, 100.0)
    >>> witness_points(model, scene_of(model), top, "tool")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: pair: expected a ClosestPair, found 'tool'
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
        if longest_edge(piece)[2] < _SMALL_MM:
            break
        halves = halved(piece)
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
