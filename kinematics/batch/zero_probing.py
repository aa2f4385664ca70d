"""A part's zero and clocking from a few touches of it: three surfaces that cross, or a face and a round.

In part coordinates of the setup a part that lies off by `d` and is clocked by `c` about its own z has every surface
moved: the plane of normal `n` at level `h` holds the points `p` with `n . Rz(-c) (p - d) = h`. Two touches of one upright
plane give `c` exactly; turned back by it, each touch is one linear equation for the shift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import sincos_deg
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.validation import ValueEquality, as_instance, as_number, as_vector, as_vectors, read_only
from kinematics.work_offsets import Setup

__all__ = ["PartTouch", "ZeroProbing", "centre_touch", "part_shift", "surface_touch"]

_ACROSS = 1e-6
"""Sine below which directions count as along each other, and a normal as level."""


@dataclass(frozen=True, eq=False)
class PartTouch(ValueEquality, DeclaredFields):
    """Measurement of one touch: a point, and the directions in which it determines where the part lies.

    Attributes
    ----------
    expected_mm : ndarray, shape (3,)
        The point where everything is in its place, part coordinates: the middle of the tip, or the centre of a round.
    directions : ndarray, shape (k, 3)
        One normal of a surface; of a round, two directions across it. Part coordinates.
    clock_only : bool
        True for the touch of an edge that gives the clocking beside a round that gives the place.
    """

    expected_mm: NDArray[np.float64]
    directions: NDArray[np.float64]
    clock_only: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "expected_mm", read_only(as_vector(self.expected_mm, 3, "touch, point")))
        directions = as_vectors(self.directions, 3, "touch, directions").reshape(-1, 3)
        object.__setattr__(self, "directions", read_only(directions))
        super().__post_init__()


def surface_touch(
    point_mm: ArrayLike, normal: ArrayLike, tip_radius_mm: float, *, clock_only: bool = False
) -> PartTouch:
    """The touch of a surface by a round tip.

    Parameters
    ----------
    point_mm : array_like, shape (3,)
        Of the surface, part coordinates.
    normal : array_like, shape (3,)
        Outward, of length one.
    tip_radius_mm : float
    clock_only : bool
        True where it is to give the clocking and not the place.

    Examples
    --------
    >>> surface_touch([0, 0, 0], [0, 0, 1], 3.0).expected_mm.tolist()
    [0.0, 0.0, 3.0]
    >>> surface_touch([0, 0, 0], [0, 0, 2], 3.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: touch, normal: expected a direction of length 1, found one of length 2
    """
    outward = as_vector(normal, 3, "touch, normal")
    size = float(np.linalg.norm(outward))
    if abs(size - 1.0) > 1e-9:
        raise KinematicsError(
            f"touch, normal: expected a direction of length 1, found one of length {size:.6g}"
        )
    radius_mm = as_number(tip_radius_mm, "touch, tip radius")
    expected_mm = as_vector(point_mm, 3, "touch, point") + radius_mm * outward
    return PartTouch(expected_mm, outward[None], clock_only)


def centre_touch(centre_mm: ArrayLike) -> PartTouch:
    """The centre of a bore or boss along the part's z, as several touches give it; part coordinates.

    Examples
    --------
    >>> centre_touch([5, 0, -6]).directions.tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    >>> centre_touch([0.0, 0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: touch, centre: expected a last axis of 3 numbers, found shape (2,)
    """
    return PartTouch(as_vector(centre_mm, 3, "touch, centre"), np.eye(3)[:2])


@dataclass(frozen=True, eq=False)
class ZeroProbing(ValueEquality, DeclaredFields):
    """The touches that find a part's zero.

    Attributes
    ----------
    setup : Setup
        The part where the stack puts it.
    touches : tuple of PartTouch
    pair : (int, int) or None
        The two touches of one upright plane that give the clocking; None where it is not measured.

    Raises
    ------
    KinematicsError
        When the touches leave a direction open, or the pair cannot show the clocking.
    """

    setup: Setup
    touches: tuple[PartTouch, ...]
    pair: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        as_instance(self.setup, Setup, "probing, setup")
        object.__setattr__(self, "touches", tuple(self.touches))
        if np.linalg.matrix_rank(self.directions, tol=1e-3) < 3:
            raise KinematicsError(
                "probing: expected touches in three directions that cross, found one direction left open"
            )
        if self.pair is not None:
            self._check_pair(self.pair)

    def _check_pair(self, pair: tuple[int, int]) -> None:
        first, second = (self.touches[k] for k in pair)
        normal = first.directions[0]
        if len(first.directions) != 1 or not np.allclose(second.directions, first.directions, atol=1e-9):
            raise KinematicsError("probing, pair: expected two touches of one surface, found others")
        apart = second.expected_mm - first.expected_mm
        if abs(normal[2]) > _ACROSS or abs(apart @ normal) > _ACROSS:
            raise KinematicsError("probing, pair: expected two touches of one upright plane, found others")
        if not np.linalg.norm(apart[:2]) > _ACROSS:
            raise KinematicsError(
                "probing, pair: expected touches apart along the edge, found one above the other"
            )

    @property
    def placing(self) -> tuple[int, ...]:
        """The touches that give the place."""
        return tuple(k for k, touch in enumerate(self.touches) if not touch.clock_only)

    @property
    def directions(self) -> NDArray[np.float64]:
        """The normals of all equations for the place, shape (m, 3)."""
        return np.concatenate([np.zeros((0, 3)), *(self.touches[k].directions for k in self.placing)])

    @property
    def touch_of(self) -> tuple[int, ...]:
        """The touch that each equation comes from."""
        return tuple(k for k in self.placing for _ in self.touches[k].directions)

    @property
    def levels_mm(self) -> NDArray[np.float64]:
        """Right-hand side of each equation, where everything is in its place; shape (m,)."""
        touches = [self.touches[k] for k in self.placing]
        return np.concatenate([touch.directions @ touch.expected_mm for touch in touches])

    @property
    def solution(self) -> NDArray[np.float64]:
        """Matrix that turns the equations' deviations into the shift, shape (3, m); two touches of a plane count half each."""
        return np.asarray(np.linalg.pinv(self.directions))

    @property
    def edge_along(self) -> NDArray[np.float64]:
        """Direction from the pair's first touch to its second, of length one, level; shape (3,)."""
        assert self.pair is not None
        first, second = (self.touches[k].expected_mm for k in self.pair)
        level = (second - first) * np.array([1.0, 1.0, 0.0])
        return np.asarray(level / np.linalg.norm(level))


def part_shift(probing: ZeroProbing, found_mm: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shift and clocking of parts from what the touches found.

    Parameters
    ----------
    probing : ZeroProbing
    found_mm : array_like, shape (..., t, 3)
        Where each touch found the tip's middle, or the round's centre: machine coordinates at the all-zero pose.

    Returns
    -------
    shift_mm : ndarray, shape (..., 3)
        Of part zero from where the setup has it, machine coordinates at the all-zero pose.
    clock_deg : ndarray, shape (...)
        Clocking about the part's own z, right-handed; 0 where no pair measures it.

    Raises
    ------
    KinematicsError
        When there is not one point for each touch, or a value is not finite.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (c,), Platter(face_mm=0.0)), [])
    >>> normals = [0, 0, 1], [-1, 0, 0], [0, -1, 0]
    >>> points = [0, 0, 0], [-15, 0, -6], [0, -20, -6]
    >>> probing = ZeroProbing(setup, [surface_touch(p, n, 3.0) for p, n in zip(points, normals)])
    >>> shift, clock = part_shift(probing, [[0.0, 0.0, 3.05], [-17.98, 0.0, -6.0], [0.0, -23.01, -6.0]])
    >>> shift.round(9).tolist(), float(clock)
    ([0.02, -0.01, 0.05], 0.0)
    >>> part_shift(probing, [[0.0, 0.0, 3.05]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: probing: expected 3 points found, one for each touch, found shape (1, 3)
    """
    as_instance(probing, ZeroProbing, "probing")
    found = as_vectors(found_mm, 3, "probing, found")
    if found.ndim < 2 or found.shape[-2] != len(probing.touches):
        raise KinematicsError(
            f"probing: expected {len(probing.touches)} points found, one for each touch, found shape {found.shape}"
        )
    part = probing.setup.part_in_machine
    seen = part.inverse().apply(found)
    clock = _clocking_deg(probing, seen)
    sine, cosine = (np.asarray(value)[..., None] for value in sincos_deg(clock))
    back = np.stack(
        [
            cosine * seen[..., 0] + sine * seen[..., 1],
            cosine * seen[..., 1] - sine * seen[..., 0],
            seen[..., 2],
        ],
        axis=-1,
    )
    rows = list(probing.touch_of)
    deviation = (back[..., rows, :] * probing.directions).sum(axis=-1) - probing.levels_mm
    turned = (probing.solution @ deviation[..., None])[..., 0]
    x, y, z = np.moveaxis(turned, -1, 0)
    sine, cosine = sine[..., 0], cosine[..., 0]
    shift = np.stack([cosine * x - sine * y, sine * x + cosine * y, z], axis=-1)
    return np.asarray(part.rotate(shift)), clock


def _clocking_deg(probing: ZeroProbing, seen: NDArray[np.float64]) -> NDArray[np.float64]:
    if probing.pair is None:
        return np.zeros(seen.shape[:-2])
    first, second = probing.pair
    apart = seen[..., second, :] - seen[..., first, :]
    along = probing.edge_along
    across = np.array([-along[1], along[0], 0.0])
    return np.asarray(np.degrees(np.arctan2(apart @ across, apart @ along)))
