"""Solids as the collision library wants them, and never smaller than they are.

Rounds become polygons about the true circle (a bore's polygon lies within its circle), so that a gap found is at
most the true one; `CollisionBody.over_mm` states by how much the facets can make it less. A second, coarser likeness, the
convex hull of a few discs, serves to tell cheaply which bodies cannot be the nearest: it contains the facets.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.reach.shapes import Box, Frustum, Mesh, Shape
from kinematics.transform import Pose

__all__ = [
    "DISCS",
    "FACETS_WITHIN_MM",
    "CollisionBody",
    "collision_body",
    "facets",
    "matrix_of",
    "vertices_of",
]

FACETS_WITHIN_MM = 0.02
"""What the facets of a round aim to add to its radius; more than `_MOST_FACETS` are not made for it."""

DISCS = 8
"""Every body lies within the hull of so many discs: a box's are its corners."""

_FEWEST_FACETS, _MOST_FACETS = 24, 128


@dataclass(frozen=True, eq=False)
class CollisionBody:
    """A solid to keep clear of.

    Attributes
    ----------
    name : str
    manifold : manifold3d.Manifold
        The facets.
    over_mm : float
        By how much the facets stand out beyond the true solid at most.
    tight : bool
        Whether that hull is the body itself, but for the facets: then the hull's distance is the body's.
    discs_mm : ndarray, shape (DISCS, 3)
        Centres of the discs whose hull contains it.
    radii_mm : ndarray, shape (DISCS,)
    axis : ndarray, shape (3,)
        The discs' common direction.
    cut : bool
        Whether a tool may touch it.
    """

    name: str
    manifold: manifold3d.Manifold
    over_mm: float
    tight: bool
    discs_mm: NDArray[np.float64]
    radii_mm: NDArray[np.float64]
    axis: NDArray[np.float64]
    cut: bool = False

    def moved(self, pose: Pose) -> CollisionBody:
        """The body seen from the frame in which its own frame has that pose."""
        if np.array_equal(pose.rotation, np.eye(3)) and not pose.translation_mm.any():
            return self
        return CollisionBody(
            self.name,
            self.manifold.transform(matrix_of(pose)),
            self.over_mm,
            self.tight,
            pose.apply(self.discs_mm),
            self.radii_mm,
            pose.rotate(self.axis),
            self.cut,
        )


def facets(radius_mm: float) -> int:
    """How many sides stand for a round of that radius.

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


def collision_body(name: str, shape: Shape, *, cut: bool = False, convex_only: bool = False) -> CollisionBody:
    """A shape as a body, in the frame of the shape.

    Parameters
    ----------
    name : str
    shape : Shape
    cut : bool
        Whether a tool may touch it.
    convex_only : bool
        Take the convex hull of a mesh: what is swept along a box must be convex.

    Raises
    ------
    KinematicsError
        When the collision library refuses a mesh.
    """
    if isinstance(shape, Frustum):
        return _round_body(name, shape, cut=cut)
    if isinstance(shape, Box):
        block = manifold3d.Manifold.cube(shape.high_mm - shape.low_mm).translate(shape.low_mm)
        return _in_box(name, block, shape.low_mm, shape.high_mm, tight=True, cut=cut)
    return _mesh_body(name, shape, cut=cut, convex_only=convex_only)


def _round_body(name: str, shape: Frustum, *, cut: bool) -> CollisionBody:
    first, last = (diameter / 2.0 for diameter in shape.diameters_mm)
    bore = shape.bore_mm / 2.0
    sides = facets(max(first, last))
    out = 1.0 / np.cos(np.pi / sides)
    made = manifold3d.Manifold.cylinder(shape.length_mm, first * out, last * out, sides)
    over = max(first, last) * (out - 1.0)
    if bore:
        hole = manifold3d.Manifold.cylinder(3.0 * shape.length_mm, bore, bore, sides, center=True)
        made -= hole
        over = max(over, bore * (1.0 - np.cos(np.pi / sides)))
    pose = Pose(_frame_along(shape.axis), shape.from_mm)
    half = DISCS // 2
    return CollisionBody(
        name,
        made.transform(matrix_of(pose)),
        float(over),
        bore == 0.0,
        np.repeat([shape.from_mm, shape.to_mm], half, axis=0),
        np.repeat([first * out, last * out], half),
        shape.axis,
        cut,
    )


def _mesh_body(name: str, shape: Mesh, *, cut: bool, convex_only: bool) -> CollisionBody:
    # The library takes no arrays that are locked against writing.
    vertices = np.array(shape.vertices_mm)
    if convex_only:
        made = manifold3d.Manifold.hull_points(vertices)
    else:
        made = manifold3d.Manifold(manifold3d.Mesh64(vertices, shape.triangles.astype(np.uint64)))
    if made.status() != manifold3d.Error.NoError or made.is_empty():
        raise KinematicsError(f"{name}: expected a mesh that encloses a solid, found {made.status().name}")
    return _in_box(
        name, made, shape.vertices_mm.min(axis=0), shape.vertices_mm.max(axis=0), tight=False, cut=cut
    )


def _in_box(
    name: str,
    manifold: manifold3d.Manifold,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    *,
    tight: bool,
    cut: bool,
) -> CollisionBody:
    corners = np.stack(np.meshgrid(*np.stack([low, high], axis=1), indexing="ij"), axis=-1).reshape(8, 3)
    return CollisionBody(name, manifold, 0.0, tight, corners, np.zeros(DISCS), np.array([0.0, 0.0, 1.0]), cut)


def _frame_along(axis: NDArray[np.float64]) -> NDArray[np.float64]:
    """A rotation whose third column is the axis."""
    helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
    x = np.cross(helper, axis)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(axis, x), axis], axis=-1)
