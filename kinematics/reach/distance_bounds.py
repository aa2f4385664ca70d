"""Lower and upper bounds of distances: cheap, for thousands of pairs of bodies at once (the broad phase).

Both bodies are taken as hulls of discs, one of them swept along a box. Every direction in which they can be told
apart gives a lower bound, every pair of their points an upper one; Frank and Wolfe's search for the shortest
vector between them narrows both. The bounds only sort out: a distance that is reported comes from the library.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.reach.collision_bodies import CollisionBody

__all__ = ["BoundingDiscs", "Index", "bounding_discs", "bounding_spheres", "gap_bounds"]

Array = NDArray[np.float64]
Index = NDArray[np.intp] | NDArray[np.bool_] | slice | tuple[NDArray[np.intp], ...]

_ROUNDS = 12
_FLAT = 1e-9
_TINY = 1e-12
_EDGE_ON = 1e-8
_SLACK_MM = 1e-5
"""A direction this near to a disc's axis leaves only noise to tell where its rim is: the disc's centre then stands for
it, and either way the bound is off by less than this slack on a body of a metre."""


@dataclass(frozen=True, eq=False)
class BoundingDiscs:
    """Hulls of discs, over a leading shape (...), each swept along a box.

    Attributes
    ----------
    centres_mm : ndarray, shape (..., DISCS, 3)
    radii_mm : ndarray, shape (..., DISCS)
    axis : ndarray, shape (..., 3)
    half_mm : ndarray, shape (..., 3)
        Half the edges of the box that it is swept along; zeros where it stands.
    """

    centres_mm: Array
    radii_mm: Array
    axis: Array
    half_mm: Array

    def __getitem__(self, index: Index) -> BoundingDiscs:
        """The hulls at those indices."""
        return BoundingDiscs(
            self.centres_mm[index], self.radii_mm[index], self.axis[index], self.half_mm[index]
        )

    def turned(self, rotation: Array, translation_mm: Array) -> BoundingDiscs:
        """The hulls in another frame; the leading shapes broadcast. Swept ones must not be rotated."""
        centres = self.centres_mm @ np.swapaxes(rotation, -1, -2) + translation_mm[..., None, :]
        axis = (rotation @ self.axis[..., None])[..., 0]
        return BoundingDiscs(
            centres,
            np.broadcast_to(self.radii_mm, centres.shape[:-1]),
            axis,
            np.broadcast_to(self.half_mm, axis.shape),
        )

    def support(self, direction: Array) -> Array:
        """The points farthest in the directions (..., 3)."""
        along = np.einsum("...i,...i->...", direction, self.axis)
        across = direction - along[..., None] * self.axis
        length = np.sqrt(np.einsum("...i,...i->...", across, across))
        reach = np.einsum("...ji,...i->...j", self.centres_mm, direction) + self.radii_mm * length[..., None]
        best = np.argmax(reach, axis=-1)
        if best.ndim == 1:
            # By far the most frequent shape, and numpy.take_along_axis is slow.
            rows = np.arange(len(best))
            centre, radius = self.centres_mm[rows, best], self.radii_mm[rows, best][:, None]
        else:
            centre = np.take_along_axis(self.centres_mm, best[..., None, None], axis=-2)[..., 0, :]
            radius = np.take_along_axis(self.radii_mm, best[..., None], axis=-1)
        rim = (
            across * np.where(length > _EDGE_ON, 1.0 / np.maximum(length, _EDGE_ON), 0.0)[..., None] * radius
        )
        return np.asarray(centre + rim + np.sign(direction) * self.half_mm)


def bounding_discs(bodies: list[CollisionBody], half_mm: Array | None = None) -> BoundingDiscs:
    """The discs of bodies, leading shape (b,), swept along boxes where `half_mm` (b, 3) is given."""
    return BoundingDiscs(
        np.array([body.discs_mm for body in bodies]).reshape(len(bodies), -1, 3),
        np.array([body.radii_mm for body in bodies]).reshape(len(bodies), -1),
        np.array([body.axis for body in bodies]).reshape(len(bodies), 3),
        np.zeros((len(bodies), 3)) if half_mm is None else half_mm,
    )


def bounding_spheres(discs: BoundingDiscs) -> tuple[Array, Array]:
    """Middles (..., 3) and radii (...) of spheres that contain the hulls."""
    middle = discs.centres_mm.mean(axis=-2)
    off = np.linalg.norm(discs.centres_mm - middle[..., None, :], axis=-1)
    # A disc's rim lies square to its axis, its middle mostly on it: sharper than adding the radius.
    along = np.abs(np.einsum("...ji,...i->...j", discs.centres_mm - middle[..., None, :], discs.axis))
    across = np.sqrt(np.maximum(off**2 - along**2, 0.0)) + discs.radii_mm
    radius = np.sqrt(along**2 + across**2).max(axis=-1)
    return middle, radius + np.linalg.norm(discs.half_mm, axis=-1)


def gap_bounds(first: BoundingDiscs, second: BoundingDiscs) -> tuple[Array, Array]:
    """Lower and upper bounds of the distances between hulls of discs, shape (p,) each; both of leading shape (p,).

    The lower bound is 0 where the two may overlap.

    Examples
    --------
    >>> from kinematics.reach.collision_bodies import collision_body
    >>> from kinematics.reach.shapes import box_on
    >>> left = bounding_discs([collision_body("left", box_on(10.0, 10.0, 10.0))])
    >>> right = left.turned(np.eye(3)[None], np.array([[17.0, 0.0, 0.0]]))
    >>> [bound.tolist() for bound in gap_bounds(left, right)]
    [[6.99999], [7.00001]]
    """
    low = np.zeros(first.axis.shape[:-1])
    for direction in _likely(first, second):
        low = np.maximum(low, _apart(first, second, direction))
    apart = first.centres_mm.mean(axis=-2) - second.centres_mm.mean(axis=-2)
    apart = first.support(-apart) - second.support(apart)
    before, last = apart, apart
    for _ in range(_ROUNDS):
        step = first.support(-apart) - second.support(apart)
        length = np.sqrt(np.maximum(_dot(apart, apart), _TINY))
        low = np.maximum(low, _dot(apart, step) / length)
        if (length - low < _SLACK_MM).all():
            break
        apart = _shortest(apart, step, (last, before))
        before, last = last, step
    high = np.sqrt(_dot(apart, apart))
    return np.maximum(low - _SLACK_MM, 0.0), high + _SLACK_MM


def _dot(first: Array, second: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", first, second))


def _shortest(apart: Array, step: Array, more: tuple[Array, ...]) -> Array:
    """The shortest vector among those of the triangles between `apart`, `step` and one of the others.

    With the steps before the last one in the choice, the search does not zigzag.
    """
    a = step - apart
    aa, along = _dot(a, a), _dot(apart, a)
    best = apart + np.clip(-along / np.maximum(aa, _TINY), 0.0, 1.0)[..., None] * a
    least = _dot(best, best)
    for other in more:
        b, edge = other - apart, other - step
        bb, ab, beside = _dot(b, b), _dot(a, b), _dot(apart, b)
        span = aa * bb - ab * ab
        s = (ab * beside - along * bb) / np.maximum(span, _TINY)
        t = (ab * along - beside * aa) / np.maximum(span, _TINY)
        inside = (span > _FLAT * aa * bb) & (s >= 0.0) & (t >= 0.0) & (s + t <= 1.0)
        on_edge = np.clip(-_dot(step, edge) / np.maximum(_dot(edge, edge), _TINY), 0.0, 1.0)
        found = np.where(
            inside[..., None], apart + s[..., None] * a + t[..., None] * b, step + on_edge[..., None] * edge
        )
        size = _dot(found, found)
        best = np.where((size < least)[..., None], found, best)
        least = np.minimum(size, least)
    return np.asarray(best)


def _likely(first: BoundingDiscs, second: BoundingDiscs) -> list[Array]:
    """Directions square to the faces of boxes and rounds."""
    upright = np.broadcast_to(np.array([0.0, 0.0, 1.0]), first.axis.shape)
    edges = [first.centres_mm[..., k, :] - first.centres_mm[..., 0, :] for k in (1, 2, 4)]
    # Rounds have no faces but square to their axis: boxes alone are worth three more directions.
    if not second.radii_mm.any(axis=-1).all():
        edges += [second.centres_mm[..., k, :] - second.centres_mm[..., 0, :] for k in (1, 2, 4)]
    found = [second.axis, first.axis]
    for edge in edges:
        length = np.sqrt(np.einsum("...i,...i->...", edge, edge))[..., None]
        found.append(np.where(length > _TINY, edge / np.maximum(length, _TINY), upright))
    return found


def _apart(first: BoundingDiscs, second: BoundingDiscs, direction: Array) -> Array:
    """Distance of two hulls along directions of length one, whichever comes first; negative where they overlap."""
    ahead = _dot(direction, second.support(-direction) - first.support(direction))
    behind = _dot(direction, first.support(-direction) - second.support(direction))
    return np.asarray(np.maximum(ahead, behind))
