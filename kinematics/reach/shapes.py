"""Solids: shapes, each in the frame of whatever it is fixed to, attachment, and mass; millimetres.

Volumes and centres of gravity are those of the true shape; collisions are looked for with `collision_bodies`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.transform import Pose
from kinematics.validation import (
    ValueEquality,
    as_count,
    as_number,
    as_vector,
    as_vectors,
    read_only,
    shown,
)

__all__ = [
    "BASE",
    "PART",
    "SPINDLE_NOSE",
    "Attachment",
    "Box",
    "Frustum",
    "Mesh",
    "Shape",
    "Solid",
    "box_corners",
    "box_on",
    "frustum_on",
    "moved_shape",
    "on_rotary",
    "on_step",
]

_SMALLEST_MM = 1e-6


@dataclass(frozen=True, eq=False)
class Frustum(ValueEquality):
    """A cylinder, a cone's frustum or a tube, from the middle of one end face to the middle of the other.

    Attributes
    ----------
    from_mm, to_mm : ndarray, shape (3,)
    diameter_mm : float
        At `from_mm`, and at `to_mm` too unless `end_diameter_mm` says otherwise.
    end_diameter_mm : float or None
    bore_mm : float
        Diameter of a bore right through; 0 where it is solid.

    Raises
    ------
    KinematicsError
        When a size is not above zero, the ends fall together, or the bore leaves no wall.

    Examples
    --------
    >>> round(Frustum([0, 0, 0], [0, 0, 10.0], 20.0).volume_mm3, 6)
    3141.592654
    >>> Frustum([0, 0, 0], [0, 0, 10.0], -20.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: diameter: expected more than 0, found -20
    """

    from_mm: NDArray[np.float64]
    to_mm: NDArray[np.float64]
    diameter_mm: float
    end_diameter_mm: float | None = None
    bore_mm: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "from_mm", read_only(as_vector(self.from_mm, 3, "from")))
        object.__setattr__(self, "to_mm", read_only(as_vector(self.to_mm, 3, "to")))
        if self.end_diameter_mm is None:
            object.__setattr__(self, "end_diameter_mm", self.diameter_mm)
        for size in self.diameters_mm:
            _above_zero("diameter", size)
        if not self.length_mm > _SMALLEST_MM:
            raise KinematicsError("from, to: expected two different points, found one")
        if not 0.0 <= as_number(self.bore_mm, "bore") < min(self.diameters_mm):
            raise KinematicsError(
                f"bore: expected 0 to less than the diameter of {min(self.diameters_mm):g}, found {self.bore_mm:g}"
            )

    @property
    def diameters_mm(self) -> tuple[float, float]:
        """Diameters at `from_mm` and at `to_mm`."""
        last = self.end_diameter_mm
        return self.diameter_mm, self.diameter_mm if last is None else last

    @property
    def length_mm(self) -> float:
        """Length from end to end."""
        return float(np.linalg.norm(self.to_mm - self.from_mm))

    @property
    def axis(self) -> NDArray[np.float64]:
        """Direction from `from_mm` to `to_mm`, of length one."""
        return np.asarray((self.to_mm - self.from_mm) / self.length_mm)

    @property
    def volume_mm3(self) -> float:
        """Volume of the frustum, less the bore."""
        first, last = self.diameters_mm
        outer = np.pi / 12.0 * self.length_mm * (first**2 + first * last + last**2)
        return float(outer - np.pi / 4.0 * self.length_mm * self.bore_mm**2)

    @property
    def centre_mm(self) -> NDArray[np.float64]:
        """Centre of gravity, for one density throughout."""
        first, last = self.diameters_mm
        # First moments along the axis, from the integrals of the squared radius and of its product with the height.
        outer = np.pi / 48.0 * self.length_mm**2 * (first**2 + 2.0 * first * last + 3.0 * last**2)
        bore = np.pi / 8.0 * self.length_mm**2 * self.bore_mm**2
        return np.asarray(self.from_mm + self.axis * (outer - bore) / self.volume_mm3)


@dataclass(frozen=True, eq=False)
class Box(ValueEquality):
    """A box whose edges lie along the axes of its frame, from one corner to the opposite one.

    Raises
    ------
    KinematicsError
        When an edge is not above zero: the lower corner comes first.

    Examples
    --------
    >>> Box([-5, -5, 0], [5, 5, 20]).centre_mm.tolist()
    [0.0, 0.0, 10.0]
    >>> Box([5, -5, 0], [-5, 5, 20])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: box: expected the lower corner first, found an edge of -10 along x
    """

    low_mm: NDArray[np.float64]
    high_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        low = as_vector(self.low_mm, 3, "low")
        high = as_vector(self.high_mm, 3, "high")
        for axis, edge in zip("xyz", (high - low).tolist(), strict=True):
            if not edge > _SMALLEST_MM:
                raise KinematicsError(
                    f"box: expected the lower corner first, found an edge of {edge:g} along {axis}"
                )
        object.__setattr__(self, "low_mm", read_only(low))
        object.__setattr__(self, "high_mm", read_only(high))

    @property
    def volume_mm3(self) -> float:
        """Volume: the product of the edges."""
        return float(np.prod(self.high_mm - self.low_mm))

    @property
    def centre_mm(self) -> NDArray[np.float64]:
        """Centre of gravity: the middle."""
        return np.asarray((self.low_mm + self.high_mm) / 2.0)


@dataclass(frozen=True, eq=False)
class Mesh(ValueEquality):
    """A closed surface of triangles, counterclockwise seen from outside.

    Attributes
    ----------
    vertices_mm : ndarray, shape (v, 3)
    triangles : ndarray of int, shape (t, 3)

    Raises
    ------
    KinematicsError
        When an edge does not lie between just two triangles that run along it in opposite directions (the surface
        has a hole), or the surface is inside out.

    Examples
    --------
    >>> corners = [[0, 0, 0], [6, 0, 0], [0, 6, 0], [0, 0, 6]]
    >>> sides = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]
    >>> Mesh(corners, sides).volume_mm3, Mesh(corners, sides).centre_mm.tolist()
    (36.0, [1.5, 1.5, 1.5])
    >>> Mesh(corners, sides[:3])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: mesh: expected a closed surface, found 3 edges that only one triangle has
    """

    vertices_mm: NDArray[np.float64]
    triangles: NDArray[np.int64]

    def __post_init__(self) -> None:
        vertices = as_vectors(self.vertices_mm, 3, "mesh, vertices")
        try:
            triangles = np.array(self.triangles, dtype=np.int64)
        except (TypeError, ValueError) as fault:
            raise KinematicsError("mesh: expected triangles of whole numbers (t, 3), found others") from fault
        if vertices.ndim != 2 or triangles.ndim != 2 or triangles.shape[1] != 3 or not triangles.size:
            raise KinematicsError("mesh: expected vertices (v, 3) and triangles (t, 3), found other shapes")
        if triangles.min() < 0 or triangles.max() >= len(vertices):
            raise KinematicsError("mesh: expected triangles of the vertices given, found one of others")
        triangles.flags.writeable = False
        object.__setattr__(self, "vertices_mm", read_only(vertices))
        object.__setattr__(self, "triangles", triangles)
        _closed(triangles, len(vertices))
        if not self.volume_mm3 > 0.0:
            raise KinematicsError(
                "mesh: expected its triangles to face outward, found it inside out or empty"
            )

    @property
    def volume_mm3(self) -> float:
        """Volume that the surface encloses."""
        return float(self._tetrahedra[0].sum())

    @property
    def centre_mm(self) -> NDArray[np.float64]:
        """Centre of gravity, for one density throughout."""
        volumes, centres = self._tetrahedra
        return np.asarray(volumes @ centres / volumes.sum())

    @cached_property
    def _hash(self) -> int:
        return super().__hash__()

    def __hash__(self) -> int:
        # Made once: it goes through every vertex, and models are looked up by their solids.
        return self._hash

    @property
    def _tetrahedra(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Signed volumes and centres of the tetrahedra between the triangles and one point near them."""
        base = self.vertices_mm[self.triangles[0, 0]]
        a, b, c = np.moveaxis(self.vertices_mm[self.triangles] - base, 1, 0)
        volumes = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
        return volumes, (a + b + c) / 4.0 + base


Shape = Frustum | Box | Mesh


@takes_declared()
def frustum_on(height_mm: float, diameter_mm: float, bore_mm: float = 0.0) -> Frustum:
    """A round standing on its frame's origin, along z (downward for a negative height).

    Parameters
    ----------
    height_mm : float
    diameter_mm : float
    bore_mm : float
        Diameter of a bore right through; 0 for none.

    Returns
    -------
    Frustum

    Raises
    ------
    KinematicsError
        When the diameter is not above zero, the height is nought, or the bore leaves no wall.

    Examples
    --------
    >>> frustum_on(95.0, 60.0).centre_mm.round(9).tolist()
    [0.0, 0.0, 47.5]
    >>> frustum_on(95.0, 60.0, bore_mm=60.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: bore: expected 0 to less than the diameter of 60, found 60
    """
    return Frustum(np.zeros(3), np.array([0.0, 0.0, height_mm]), diameter_mm, None, bore_mm)


@takes_declared()
def box_on(height_mm: float, x_mm: float, y_mm: float) -> Box:
    """A bar of rectangular section standing on its frame's origin, along z (downward for a negative height).

    Parameters
    ----------
    height_mm : float
    x_mm, y_mm : float
        Its edges, half of each on either side of the origin.

    Returns
    -------
    Box

    Raises
    ------
    KinematicsError
        When an edge is not above zero, or the height is nought.

    Examples
    --------
    >>> box_on(-10.0, 4.0, 6.0).low_mm.tolist()
    [-2.0, -3.0, -10.0]
    >>> box_on(-10.0, 0.0, 6.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: section, x: expected more than 0, found 0
    """
    _above_zero("section, x", x_mm)
    _above_zero("section, y", y_mm)
    low, high = sorted((0.0, height_mm))
    return Box(np.array([-x_mm / 2, -y_mm / 2, low]), np.array([x_mm / 2, y_mm / 2, high]))


@takes_declared()
def moved_shape(shape: Frustum | Box | Mesh, pose: Pose) -> Frustum | Mesh:
    """A shape seen from the frame that its own frame stands in; a box becomes a mesh, since it may be turned.

    Parameters
    ----------
    shape : Frustum, Box or Mesh
    pose : Pose
        Of its frame, a single one.

    Examples
    --------
    >>> from kinematics.transform import translation
    >>> moved_shape(box_on(20.0, 10.0, 10.0), translation(0.0, 0.0, 5.0)).centre_mm.round(9).tolist()
    [0.0, 0.0, 15.0]
    >>> moved_shape([30.0, 40.0, 10.0], translation())
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: shape: expected a Frustum, a Box or a Mesh, found [30.0, 40.0, 10.0]
    """
    if isinstance(shape, Frustum):
        return replace(shape, from_mm=pose.apply(shape.from_mm), to_mm=pose.apply(shape.to_mm))
    if isinstance(shape, Mesh):
        return Mesh(pose.apply(shape.vertices_mm), shape.triangles)
    ends = np.array([shape.low_mm, shape.high_mm])
    corners = np.array([[ends[i, 0], ends[j, 1], ends[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
    return Mesh(pose.apply(corners), _BOX_TRIANGLES)


_BOX_TRIANGLES = np.array(
    [
        *([0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5]),
        *([0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6]),
        *([0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]),
    ]
)
"""Faces of a box whose corners are counted with x slowest and z fastest, counterclockwise seen from outside."""


def _above_zero(name: str, size: float) -> None:
    """Raise unless a size is a number above zero."""
    if not as_number(size, name) > _SMALLEST_MM:
        raise KinematicsError(f"{name}: expected more than 0, found {size:g}")


def _closed(triangles: NDArray[np.int64], count: int) -> None:
    starts = triangles.ravel()
    ends = np.roll(triangles, -1, axis=1).ravel()
    there, back = np.sort(starts * count + ends), np.sort(ends * count + starts)
    if np.array_equal(there, back) and (np.diff(there) > 0).all():
        return
    alone = int(np.isin(there, back, invert=True).sum())
    if alone:
        raise KinematicsError(
            f"mesh: expected a closed surface, found {alone} edges that only one triangle has"
        )
    raise KinematicsError("mesh: expected two triangles at every edge, found edges where more meet")


FixedTo = Literal["base", "rotary", "step", "part", "spindle"]


@dataclass(frozen=True)
class Attachment:
    """The thing a solid is fixed to, which is also the frame of its shape.

    Attributes
    ----------
    to : "base", "rotary", "step", "part" or "spindle"
        Base and rotary: machine coordinates at the all-zero pose. Step: the frame that the step stands on. Part: part
        coordinates. Spindle: from the gauge point, along the machine's axes.
    index : int
        Of the rotary or step, from 0.

    Raises
    ------
    KinematicsError
        When there is nothing of that name to fix a solid to, or the index is no whole number.
    """

    to: FixedTo
    index: int = 0

    def __post_init__(self) -> None:
        if not isinstance(self.to, str) or self.to not in get_args(FixedTo):
            raise KinematicsError(
                f"attachment: expected one of {', '.join(get_args(FixedTo))}, found {shown(self.to)}"
            )
        as_count(self.index, "attachment, index", 0)


BASE = Attachment("base")
PART = Attachment("part")
SPINDLE_NOSE = Attachment("spindle")


def on_rotary(index: int) -> Attachment:
    """Attachment to a rotary, counted from 0 at the base: turned by it and by those before it.

    Examples
    --------
    >>> on_rotary(1)
    Attachment(to='rotary', index=1)
    >>> on_rotary("C")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: attachment, index: expected a whole number, 0 or more, found 'C'
    """
    return Attachment("rotary", index)


def on_step(index: int) -> Attachment:
    """Attachment to the frame that a stack step stands on, counted from 0 at the platter.

    Examples
    --------
    >>> on_step(0)
    Attachment(to='step', index=0)
    >>> on_step(-1)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: attachment, index: expected a whole number, 0 or more, found -1
    """
    return Attachment("step", index)


@dataclass(frozen=True, eq=False)
class Solid(ValueEquality, DeclaredFields):
    """A body of the machine or the setup.

    Attributes
    ----------
    name : str
    shape : Shape
    on : Attachment
    machinable : bool
        True for the part and its blank, which a tool may cut. A holder or the spindle may never touch it.
    mass_kg : float or None
        As stated; None takes it from the density.
    density_kg_m3 : float or None

    Examples
    --------
    >>> from kinematics.reach.shapes import box_on
    >>> round(Solid("cube", box_on(100.0, 100.0, 100.0), PART, density_kg_m3=7850.0).weight_kg, 9)
    7.85
    """

    name: str
    shape: Shape
    on: Attachment
    machinable: bool = False
    mass_kg: float | None = None
    density_kg_m3: float | None = None

    def __post_init__(self) -> None:
        if not isinstance(self.shape, Frustum | Box | Mesh):
            raise KinematicsError(
                f"{self.name}, shape: expected a Frustum, Box or Mesh, found {type(self.shape).__name__}"
            )
        if not isinstance(self.on, Attachment):
            raise KinematicsError(f"{self.name}, on: expected an Attachment, found {self.on!r}")
        for quantity, value in (("mass", self.mass_kg), ("density", self.density_kg_m3)):
            if value is not None and not as_number(value, f"{self.name}, {quantity}") >= 0.0:
                raise KinematicsError(f"{self.name}, {quantity}: expected 0 or more, found {value:g}")
        super().__post_init__()

    @property
    def weight_kg(self) -> float | None:
        """Its mass, stated or from the density; None where neither is known."""
        if self.mass_kg is not None:
            return self.mass_kg
        return None if self.density_kg_m3 is None else self.shape.volume_mm3 * 1e-9 * self.density_kg_m3


@takes_declared()
def box_corners(low_mm: NDArray[np.float64], high_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """The corners of a box along the axes.

    Parameters
    ----------
    low_mm, high_mm : ndarray, shape (3,)
        Its least and greatest coordinates.

    Returns
    -------
    ndarray, shape (8, 3)

    Examples
    --------
    >>> box_corners(np.zeros(3), np.array([1.0, 2.0, 3.0]))[[0, 1, 7]].tolist()
    [[0.0, 0.0, 0.0], [0.0, 0.0, 3.0], [1.0, 2.0, 3.0]]
    >>> box_corners([0, 0], [1, 1])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: low end: expected a last axis of 3 numbers, found shape (2,)
    """
    ends = as_vector(low_mm, 3, "low end"), as_vector(high_mm, 3, "high end")
    return np.array(list(product(*zip(*ends, strict=True))), dtype=np.float64)
