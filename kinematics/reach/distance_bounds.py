"""Lower and upper bounds of distances: cheap, for thousands of pairs of bodies at once (the broad phase).

Both bodies are taken as hulls of discs, one of them swept along a box. Every direction in which they can be told
apart gives a lower bound, every pair of their points an upper one; Frank and Wolfe's search for the shortest
vector between them narrows both. The bounds only sort out: a distance that is reported comes from the library.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from kinematics.reach.collision_bodies import CollisionBody

__all__ = ["BoundingDiscs", "Index", "bounding_discs", "bounding_spheres", "gap_bounds"]

Array = NDArray[np.float64]
Index = NDArray[np.intp] | NDArray[np.bool_] | slice | tuple[NDArray[np.intp], ...]

_ROUNDS = 12
_BLOCK = 1024
"""Pairs bounded at a time: what stays in the processor's cache."""
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
        """The points (m, 3) of as many hulls that lie farthest in a direction, one for all (3,) or one for each (m, 3)."""
        along = np.einsum("...i,...i->...", direction, self.axis)
        across = direction - along[..., None] * self.axis
        length = np.sqrt(np.einsum("...i,...i->...", across, across))
        reach = (self.centres_mm @ direction[..., None])[..., 0] + self.radii_mm * length[..., None]
        best = np.argmax(reach, axis=-1)
        rows = np.arange(len(best))
        centre, radius = self.centres_mm[rows, best], self.radii_mm[rows, best][:, None]
        rim = (
            across * np.where(length > _EDGE_ON, 1.0 / np.maximum(length, _EDGE_ON), 0.0)[..., None] * radius
        )
        return np.asarray(centre + rim + np.sign(direction) * self.half_mm)

    def extent(self, directions: Array) -> tuple[Array, Array]:
        """Ends of the hulls (p,) along directions of length one (p, d, 3); shape (p, d) each."""
        off_axis = directions - _dot(directions, self.axis[:, None])[..., None] * self.axis[:, None]
        reach = self.radii_mm[:, None] * np.sqrt(_dot(off_axis, off_axis))[..., None]
        middle = directions @ np.swapaxes(self.centres_mm, -1, -2)
        half = _dot(np.abs(directions), self.half_mm[:, None])
        return (middle - reach).min(axis=-1) - half, (middle + reach).max(axis=-1) + half


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


def gap_bounds(
    first: BoundingDiscs, second: BoundingDiscs, enough_mm: Array | float = np.inf
) -> tuple[Array, Array]:
    """Lower and upper bounds of the distances between hulls of discs, shape (p,) each; both of leading shape (p,).

    The lower bound is 0 where the two may overlap. Once it is `enough_mm` (p,) or more, a pair is not narrowed further.

    Examples
    --------
    >>> from kinematics.reach.collision_bodies import collision_body
    >>> from kinematics.reach.shapes import box_on
    >>> left = bounding_discs([collision_body("left", box_on(10.0, 10.0, 10.0))])
    >>> right = left.turned(np.eye(3)[None], np.array([[17.0, 0.0, 0.0]]))
    >>> [bound.tolist() for bound in gap_bounds(left, right)]
    [[6.99999], [7.00001]]
    """
    count = len(first.axis)
    enough = np.broadcast_to(enough_mm, count)
    low, high = np.zeros(count), np.zeros(count)
    for start in range(0, count, _BLOCK):
        block = slice(start, start + _BLOCK)
        low[block], high[block] = _gap_bounds(first[block], second[block], enough[block])
    return low, high


def _gap_bounds(first: BoundingDiscs, second: BoundingDiscs, enough: Array) -> tuple[Array, Array]:
    """`gap_bounds` of a block."""
    low = np.maximum(_apart(first, second, _likely(first, second)).max(axis=-1), 0.0)
    apart = first.centres_mm.mean(axis=-2) - second.centres_mm.mean(axis=-2)
    both = _joined(first, second)
    apart = _farthest(both, apart)
    before, last = apart, apart
    shortest, kept = apart.copy(), np.arange(len(low))
    for _ in range(_ROUNDS):
        step = _farthest(both, apart)
        length = np.sqrt(np.maximum(_dot(apart, apart), _TINY))
        low[kept] = np.maximum(low[kept], _dot(apart, step) / length)
        shortest[kept] = apart
        left = (length - low[kept] >= _SLACK_MM) & (low[kept] < enough[kept] + _SLACK_MM)
        open_ = int(left.sum())
        if not open_:
            break
        if 4 * open_ <= 3 * len(kept):
            # What is settled drops out once that is worth the copying: hulls that overlap mostly go on to the end.
            kept, both = kept[left], both[np.concatenate([left, left])]
            apart, step, last, before = apart[left], step[left], last[left], before[left]
        apart = _shortest(apart, step, (last, before))
        before, last = last, step
    else:
        shortest[kept] = apart
    high = np.sqrt(_dot(shortest, shortest))
    return np.maximum(low - _SLACK_MM, 0.0), high + _SLACK_MM


def _joined(first: BoundingDiscs, second: BoundingDiscs) -> BoundingDiscs:
    """The hulls of both, one after the other, so that what is asked of all is asked once."""
    return BoundingDiscs(
        *(
            np.concatenate([getattr(first, one.name), getattr(second, one.name)])
            for one in fields(BoundingDiscs)
        )
    )


def _farthest(both: BoundingDiscs, apart: Array) -> Array:
    """The vector (p, 3) between the points of the hulls that come nearest along `apart` (p, 3)."""
    ends = both.support(np.concatenate([-apart, apart]))
    return np.asarray(ends[: len(apart)] - ends[len(apart) :])


def _dot(first: Array, second: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", first, second))


def _shortest(apart: Array, step: Array, more: tuple[Array, ...]) -> Array:
    """The shortest vector among those of the triangles between `apart`, `step` and one of the others.

    With the steps before the last one in the choice, the search does not zigzag.
    """
    a = step - apart
    aa, along = _dot(a, a), _dot(apart, a)
    other = np.stack(more)
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
    between = apart + np.clip(-along / np.maximum(aa, _TINY), 0.0, 1.0)[..., None] * a
    ways = np.concatenate([between[None], found])
    return np.asarray(ways[_dot(ways, ways).argmin(axis=0), np.arange(len(apart))])


def _likely(first: BoundingDiscs, second: BoundingDiscs) -> Array:
    """Directions square to the faces of boxes and rounds, shape (p, d, 3)."""
    edges = first.centres_mm[..., [1, 2, 4], :] - first.centres_mm[..., :1, :]
    # Rounds have no faces but square to their axis: boxes alone are worth three more directions.
    if not second.radii_mm.any(axis=-1).all():
        more = second.centres_mm[..., [1, 2, 4], :] - second.centres_mm[..., :1, :]
        edges = np.concatenate([edges, more], axis=-2)
    length = np.sqrt(_dot(edges, edges))[..., None]
    square = np.where(length > _TINY, edges / np.maximum(length, _TINY), np.array([0.0, 0.0, 1.0]))
    return np.concatenate([second.axis[..., None, :], first.axis[..., None, :], square], axis=-2)


def _apart(first: BoundingDiscs, second: BoundingDiscs, directions: Array) -> Array:
    """Distances of two hulls along directions of length one (p, d, 3), whichever comes first; negative where they overlap."""
    (low, high), (other_low, other_high) = first.extent(directions), second.extent(directions)
    return np.asarray(np.maximum(other_low - high, low - other_high))
