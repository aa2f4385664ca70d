"""Bodies for the collision library, never smaller than the solids they stand for.

Rounds become polygons about the true circle (a bore's polygon lies within its circle), so that a gap found is at
most the true one; `CollisionBody.facet_error_mm` bounds what it can be short by. A second, coarser likeness, the
convex hull of a few discs, serves to tell cheaply which bodies cannot be the nearest: it contains the facets.
"""

from __future__ import annotations

import atexit
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.reach.shapes import Box, Frustum, Mesh, Shape, box_corners
from kinematics.transform import Pose

__all__ = [
    "DISCS",
    "FACETS_WITHIN_MM",
    "CollisionBody",
    "collision_body",
    "facets",
    "halved",
    "in_pieces",
    "longest_edge",
    "matrix_of",
    "pieced_body",
    "vertices_of",
    "whole_body",
]

FACETS_WITHIN_MM = 0.02
"""Largest amount that facets should add to the radius of a round; `_MOST_FACETS` limits their number."""

DISCS = 8
"""Every body lies within the hull of so many discs: a box's are its corners."""

_FEWEST_FACETS, _MOST_FACETS = 24, 128
_SAME_VOLUME = 1e-9

_LITTLE_HOLLOW, _MOST_PIECES = 0.05, 48
"""Share of hollow in a piece's hull at which it is left whole, and the most pieces of one body. Chosen by time: with more
pieces there are fewer questions to the library, and more hulls to bound."""


@dataclass(frozen=True, eq=False)
class CollisionBody:
    """A solid as facets, and the discs whose hull contains it.

    Attributes
    ----------
    name : str
    manifold : manifold3d.Manifold
        The facets.
    facet_error_mm : float
        Upper bound of how far the body stands out beyond the true solid: its facets, or the hull of a mesh.
    tight : bool
        True where the discs' hull is the body itself, but for the facets: then their distance is the body's.
    discs_mm : ndarray, shape (DISCS, 3)
        Centres of the discs whose hull contains it.
    radii_mm : ndarray, shape (DISCS,)
    axis : ndarray, shape (3,)
        The discs' common direction.
    machinable : bool
        True where a tool may cut it.
    pieces : tuple of CollisionBody
        What a hollow body was cut into, each with discs of its own: a hull over the whole would fill the hollow. Empty
        where the body is convex.
    """

    name: str
    manifold: manifold3d.Manifold
    facet_error_mm: float
    tight: bool
    discs_mm: NDArray[np.float64]
    radii_mm: NDArray[np.float64]
    axis: NDArray[np.float64]
    machinable: bool = False
    pieces: tuple[CollisionBody, ...] = ()

    @cached_property
    def loose_mm(self) -> float:
        """About how far the discs' hull stands out beyond the body; 0 where it is tight."""
        if self.tight:
            return 0.0
        if self.pieces:
            # The discs' hull fills the hollow: the edge of a cube of its volume.
            return float(np.cbrt(max(_hollow_mm3(self.manifold), 0.0)))
        corners = vertices_of(self.manifold)
        ways = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 3), axis=-1).reshape(-1, 3)
        ways = ways[np.abs(ways).sum(axis=1) > 0.0]
        ways /= np.linalg.norm(ways, axis=1, keepdims=True)
        along = ways @ self.axis
        rims = np.sqrt(np.maximum(1.0 - along**2, 0.0))
        hull = (ways @ self.discs_mm.T + rims[:, None] * self.radii_mm).max(axis=1)
        return float((hull - (ways @ corners.T).max(axis=1)).max())

    def moved(self, pose: Pose) -> CollisionBody:
        """The body in the frame in which its own frame has that pose."""
        if np.array_equal(pose.rotation, np.eye(3)) and not pose.translation_mm.any():
            return self
        return CollisionBody(
            self.name,
            self.manifold.transform(matrix_of(pose)),
            self.facet_error_mm,
            self.tight,
            pose.apply(self.discs_mm),
            self.radii_mm,
            pose.rotate(self.axis),
            self.machinable,
            tuple(piece.moved(pose) for piece in self.pieces),
        )


def facets(radius_mm: float) -> int:
    """Number of sides of the polygon for a round of that radius.

    Examples
    --------
    >>> [facets(radius) for radius in (1.0, 10.0, 80.0)]
    [24, 52, 128]
    """
    wanted = np.pi / np.arccos(radius_mm / (radius_mm + FACETS_WITHIN_MM))
    return int(np.clip(4 * np.ceil(wanted / 4), _FEWEST_FACETS, _MOST_FACETS))


def matrix_of(pose: Pose) -> NDArray[np.float64]:
    """The pose as the (3, 4) matrix that the collision library takes."""
    return np.concatenate([pose.rotation, pose.translation_mm[:, None]], axis=1)


def vertices_of(manifold: manifold3d.Manifold) -> NDArray[np.float64]:
    """Its corners, shape (v, 3)."""
    return np.asarray(manifold.to_mesh64().vert_properties[:, :3], dtype=np.float64)


def collision_body(
    name: str, shape: Shape, *, machinable: bool = False, convex_only: bool = False
) -> CollisionBody:
    """A shape as a body, in the frame of the shape.

    Parameters
    ----------
    name : str
    shape : Shape
    machinable : bool
        True where a tool may cut it.
    convex_only : bool
        Take the convex hull of a mesh, and fill the bore of a tube: what is swept along a box must be convex.

    Raises
    ------
    KinematicsError
        When the collision library refuses a mesh.
    """
    if isinstance(shape, Frustum):
        return _round_body(name, shape, machinable=machinable, filled=convex_only)
    if isinstance(shape, Box):
        block = manifold3d.Manifold.cube(shape.high_mm - shape.low_mm).translate(shape.low_mm)
        return _in_box(name, block, shape.low_mm, shape.high_mm, tight=True, machinable=machinable)
    return _mesh_body(name, shape, machinable=machinable, convex_only=convex_only)


@takes_declared()
def whole_body(name: str, shape: Shape, *, machinable: bool = False) -> CollisionBody:
    """`collision_body`, made once: models that differ in one height share all other solids.

    Parameters
    ----------
    name : str
    shape : Shape
    machinable : bool
        True where a tool may cut it.

    Returns
    -------
    CollisionBody
        In the frame of the shape.

    Examples
    --------
    >>> block = Box([0, 0, 0], [10.0, 20.0, 30.0])
    >>> body = whole_body("clamp", block)
    >>> round(body.manifold.volume(), 6), body.facet_error_mm
    (6000.0, 0.0)
    >>> whole_body("clamp", Box([0, 0, 0], [10.0, 20.0, 30.0])) is body
    True
    >>> whole_body("clamp", [10.0, 20.0, 30.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: shape: expected a Frustum, a Box or a Mesh, found [10.0, 20.0, 30.0]
    """
    return _made_once(name, shape, machinable=machinable)


@lru_cache(maxsize=256)
def _made_once(name: str, shape: Shape, *, machinable: bool) -> CollisionBody:
    return collision_body(name, shape, machinable=machinable)


@lru_cache(maxsize=256)
def pieced_body(name: str, shape: Shape, *, machinable: bool = False) -> CollisionBody:
    """`whole_body` with its pieces, made once too."""
    body = _made_once(name, shape, machinable=machinable)
    if isinstance(shape, Frustum) and shape.bore_mm:
        return replace(body, pieces=_wedges(body, shape))
    return in_pieces(body)


# Whatever keeps this module to the very end would keep the bodies too, and the collision library complains of each.
atexit.register(_made_once.cache_clear)
atexit.register(pieced_body.cache_clear)


def _wedges(body: CollisionBody, tube: Frustum) -> tuple[CollisionBody, ...]:
    """A tube cut along the edges of its facets: every wedge is convex, and the hull of its eight corners."""
    sides, pose = facets(max(tube.diameters_mm) / 2.0), Pose(_frame_along(tube.axis), tube.from_mm)
    turns = 2.0 * np.pi * np.arange(sides + 1) / sides
    around = np.stack([np.cos(turns), np.sin(turns), np.zeros(sides + 1)], axis=-1)
    radii = np.array([[tube.bore_mm / 2.0] * 2, np.array(tube.diameters_mm) / 2.0 / np.cos(np.pi / sides)])
    heights = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, tube.length_mm]])
    # Inner and outer, one side and the other, one end and the other: as a box's corners are.
    ends = np.stack([around[:-1], around[1:]], axis=1)[:, None, :, None]
    corners = pose.apply((radii[:, None, :, None] * ends + heights).reshape(sides, DISCS, 3))
    middles = pose.rotate(around[:-1] + around[1:])
    middles /= np.linalg.norm(middles, axis=-1, keepdims=True)
    return tuple(
        CollisionBody(
            body.name,
            manifold3d.Manifold.hull_points(some),
            body.facet_error_mm,
            tight=True,
            discs_mm=some,
            radii_mm=np.zeros(DISCS),
            axis=middle,
            machinable=body.machinable,
        )
        for some, middle in zip(corners, middles, strict=True)
    )


def in_pieces(body: CollisionBody) -> CollisionBody:
    """A body with its pieces, where it is hollow: halved again and again, until little hollow is left in their hulls.

    The pieces together are the body: none of it is lost at a cut, and nothing is added.
    """
    if body.tight or body.pieces:
        return body
    done: list[manifold3d.Manifold] = []
    open_ = [(_hollow_mm3(body.manifold), body.manifold)]
    while open_:
        # The one with the most hollow first: their number is limited.
        worst = max(range(len(open_)), key=lambda k: open_[k][0])
        hollow_mm3, manifold = open_.pop(worst)
        full = len(open_) + len(done) + 1 >= _MOST_PIECES
        if full or hollow_mm3 <= _LITTLE_HOLLOW * (manifold.volume() + hollow_mm3):
            done.append(manifold)
            continue
        parts = [half for half in halved(manifold) if not half.is_empty()]
        if len(parts) == 1:
            done.append(manifold)
        else:
            open_ += [(_hollow_mm3(part), part) for part in parts]
    if len(done) == 1:
        return body
    pieces = tuple(_piece(body, manifold) for manifold in done)
    return replace(body, pieces=pieces)


def longest_edge(manifold: manifold3d.Manifold) -> tuple[int, float, float]:
    """Axis along which a manifold's box is longest, where its middle is there, and its length."""
    box = np.array(manifold.bounding_box())
    edges = box[3:] - box[:3]
    axis = int(np.argmax(edges))
    return axis, float(box[axis] + edges[axis] / 2.0), float(edges[axis])


def halved(manifold: manifold3d.Manifold) -> tuple[manifold3d.Manifold, manifold3d.Manifold]:
    """Both halves of a manifold, cut across its box's longest edge; one may be empty."""
    axis, middle, _ = longest_edge(manifold)
    first, second = manifold.split_by_plane(np.eye(3)[axis], middle)
    return first, second


def _hollow_mm3(manifold: manifold3d.Manifold) -> float:
    return float(manifold.hull().volume() - manifold.volume())


def _piece(body: CollisionBody, manifold: manifold3d.Manifold) -> CollisionBody:
    """A piece within the smaller of two boxes: along the axes, or along its own principal directions."""
    corners = vertices_of(manifold)
    _, _, principal = np.linalg.svd(corners - corners.mean(axis=0), full_matrices=False)
    boxes = []
    for frame in (np.eye(3), principal):
        along = corners @ frame.T
        low, high = along.min(axis=0), along.max(axis=0)
        boxes.append((float(np.prod(high - low)), low, high, frame))
    _, low, high, frame = min(boxes, key=lambda box: box[0])
    return CollisionBody(
        body.name,
        manifold,
        body.facet_error_mm,
        tight=False,
        discs_mm=box_corners(low, high) @ frame,
        radii_mm=np.zeros(DISCS),
        axis=frame[2],
        machinable=body.machinable,
    )


def _round_body(name: str, shape: Frustum, *, machinable: bool, filled: bool) -> CollisionBody:
    first, last = (diameter / 2.0 for diameter in shape.diameters_mm)
    bore = shape.bore_mm / 2.0
    sides = facets(max(first, last))
    out = 1.0 / np.cos(np.pi / sides)
    made = manifold3d.Manifold.cylinder(shape.length_mm, first * out, last * out, sides)
    facet_error = max(first, last) * (out - 1.0)
    if bore and filled:
        # In the middle of the end face the nearest metal is the bore's rim.
        facet_error, bore = max(facet_error, bore), 0.0
    if bore:
        hole = manifold3d.Manifold.cylinder(3.0 * shape.length_mm, bore, bore, sides, center=True)
        made -= hole
        facet_error = max(facet_error, bore * (1.0 - np.cos(np.pi / sides)))
    pose = Pose(_frame_along(shape.axis), shape.from_mm)
    half = DISCS // 2
    return CollisionBody(
        name,
        made.transform(matrix_of(pose)),
        float(facet_error),
        bore == 0.0,
        np.repeat([shape.from_mm, shape.to_mm], half, axis=0),
        np.repeat([first * out, last * out], half),
        shape.axis,
        machinable,
    )


def _mesh_body(name: str, shape: Mesh, *, machinable: bool, convex_only: bool) -> CollisionBody:
    # The library takes no arrays that are locked against writing.
    vertices, facet_error = np.array(shape.vertices_mm), 0.0
    if convex_only:
        made = manifold3d.Manifold.hull_points(vertices)
        if made.volume() > shape.volume_mm3 * (1.0 + _SAME_VOLUME):
            facet_error = _farthest_from_a_vertex_mm(made)
    else:
        made = manifold3d.Manifold(manifold3d.Mesh64(vertices, shape.triangles.astype(np.uint64)))
    if made.status() != manifold3d.Error.NoError or made.is_empty():
        raise KinematicsError(f"{name}: expected a mesh that encloses a solid, found {made.status().name}")
    return _in_box(
        name,
        made,
        shape.vertices_mm.min(axis=0),
        shape.vertices_mm.max(axis=0),
        tight=False,
        machinable=machinable,
        facet_error_mm=facet_error,
    )


def _in_box(
    name: str,
    manifold: manifold3d.Manifold,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    *,
    tight: bool,
    machinable: bool,
    facet_error_mm: float = 0.0,
) -> CollisionBody:
    return CollisionBody(
        name,
        manifold,
        facet_error_mm,
        tight,
        box_corners(low, high),
        np.zeros(DISCS),
        np.array([0.0, 0.0, 1.0]),
        machinable,
    )


def _farthest_from_a_vertex_mm(hull: manifold3d.Manifold) -> float:
    """Upper bound of the distance from a convex hull's surface to a vertex, all of which the mesh has too.

    A triangle whose longest edge is L lies within L / sqrt(3) of its corners (Jung's theorem, in the plane).
    """
    mesh = hull.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=-1)
    return float(edges.max() / np.sqrt(3.0))


def _frame_along(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """A rotation whose third column is the axis."""
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    x = np.cross(helper, axis)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(axis, x), axis], axis=-1)
