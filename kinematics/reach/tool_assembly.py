"""Tool assembly: tool, holder and spindle above the tool's tip, and the volume they sweep with it.

The frame has its origin at the tip and its axes along the machine's. The gauge point stands the tool's length above.
"""

from __future__ import annotations

import atexit
from dataclasses import dataclass
from functools import lru_cache

import manifold3d
import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.reach.collision_bodies import CollisionBody, collision_body, vertices_of
from kinematics.reach.shapes import Frustum, Solid, box_corners
from kinematics.transform import translation
from kinematics.validation import ValueEquality, as_positive, as_vector, read_only

__all__ = ["HolderPart", "TipEnvelope", "Tool", "cutting_bodies", "minkowski_sum"]

_SHORTEST_STICKOUT_MM = 1e-3


@dataclass(frozen=True)
class HolderPart:
    """One diameter of a holder, or one taper of it."""

    length_mm: float
    diameter_mm: float
    lower_diameter_mm: float | None = None

    def __post_init__(self) -> None:
        for name, size in (
            ("length", self.length_mm),
            ("diameter", self.diameter_mm),
            (
                "lower diameter",
                self.diameter_mm if self.lower_diameter_mm is None else self.lower_diameter_mm,
            ),
        ):
            as_positive(size, f"holder, {name}")


@dataclass(frozen=True)
class Tool(DeclaredFields):
    """A tool in its holder.

    Attributes
    ----------
    name : str
    length_mm : float
        Gauge length: from the gauge line to the tip.
    diameter_mm : float
        Of the cutting part.
    holder : tuple of HolderPart
        From the gauge line down.
    shank_mm : float or None
        Diameter of the shank, where it is another one.
    flute_mm : float or None
        Length from the tip that has the cutting diameter; None is all that sticks out.

    Raises
    ------
    KinematicsError
        When a size is not above zero, or the tool does not stick out of its holder.

    Examples
    --------
    >>> Tool("drill", 60.0, 6.0, (HolderPart(70.0, 40.0),))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: drill: expected a length of more than its holder's 70, found 60
    """

    name: str
    length_mm: float
    diameter_mm: float
    holder: tuple[HolderPart, ...] = ()
    shank_mm: float | None = None
    flute_mm: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        for quantity, size in (
            ("length", self.length_mm),
            ("diameter", self.diameter_mm),
            ("shank", self.diameter_mm if self.shank_mm is None else self.shank_mm),
            ("flute", self.diameter_mm if self.flute_mm is None else self.flute_mm),
        ):
            as_positive(size, f"{self.name}, {quantity}")
        object.__setattr__(self, "holder", tuple(self.holder))
        if not self.stickout_mm > _SHORTEST_STICKOUT_MM:
            raise KinematicsError(
                f"{self.name}: expected a length of more than its holder's {self.holder_mm:g}, "
                f"found {self.length_mm:g}"
            )

    @property
    def holder_mm(self) -> float:
        """Length of the holder from the gauge line down."""
        return sum(part.length_mm for part in self.holder)

    @property
    def stickout_mm(self) -> float:
        """Length of the tool that sticks out of the holder."""
        return self.length_mm - self.holder_mm

    @property
    def parts(self) -> int:
        """Number of its bodies: the cutting part, and the shank where one sticks out of the holder."""
        return len(_tool_parts(self))


@dataclass(frozen=True, eq=False)
class TipEnvelope(ValueEquality, DeclaredFields):
    """The box that the tip sweeps, along the machine's axes from the operation's origin.

    Attributes
    ----------
    low_mm, high_mm : ndarray, shape (3,)
    stated : bool
        False where the origin alone was taken.

    Raises
    ------
    KinematicsError
        When an end is swapped.

    Examples
    --------
    >>> TipEnvelope([-10, -10, -5], [10, 10, 2]).half_mm.tolist()
    [10.0, 10.0, 3.5]
    >>> TipEnvelope([10, -10, -5], [-10, 10, 2])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sweep: expected the lower end first, found 10 to -10 along x
    """

    low_mm: NDArray[np.float64]
    high_mm: NDArray[np.float64]
    stated: bool = True

    def __post_init__(self) -> None:
        low = as_vector(self.low_mm, 3, "sweep, low end")
        high = as_vector(self.high_mm, 3, "sweep, high end")
        for axis, first, last in zip("xyz", low.tolist(), high.tolist(), strict=True):
            if first > last:
                raise KinematicsError(
                    f"sweep: expected the lower end first, found {first:g} to {last:g} along {axis}"
                )
        object.__setattr__(self, "low_mm", read_only(low))
        object.__setattr__(self, "high_mm", read_only(high))
        super().__post_init__()

    @classmethod
    def nowhere(cls) -> TipEnvelope:
        """The tip at the operation's origin: no box was stated."""
        return cls(np.zeros(3), np.zeros(3), stated=False)

    @property
    def middle_mm(self) -> NDArray[np.float64]:
        """The box's middle."""
        return np.asarray((self.low_mm + self.high_mm) / 2.0)

    @property
    def half_mm(self) -> NDArray[np.float64]:
        """Half its edges."""
        return np.asarray((self.high_mm - self.low_mm) / 2.0)


@lru_cache(maxsize=256)
def cutting_bodies(tool: Tool, spindle: tuple[Solid, ...]) -> tuple[CollisionBody, ...]:
    """Tool, holder and spindle, from the tip upward.

    The first `Tool.parts` bodies are the tool's own. Those that go where it has cut (`CollisionBody.machinable`) may
    touch what it may cut: the flute, and a shank that is no thicker. A mesh is taken as its convex hull, which is
    what it fills when it is swept.
    """
    bodies = [
        collision_body(name, shape, machinable=shape.diameter_mm <= tool.diameter_mm)
        for name, shape in _tool_parts(tool)
    ]
    top = tool.length_mm
    for number, part in enumerate(tool.holder, start=1):
        shape = Frustum(_up(top), _up(top - part.length_mm), part.diameter_mm, part.lower_diameter_mm)
        bodies.append(collision_body(f"holder {number}", shape))
        top -= part.length_mm
    gauge = translation(z_mm=tool.length_mm)
    bodies += [collision_body(solid.name, solid.shape, convex_only=True).moved(gauge) for solid in spindle]
    return tuple(bodies)


def _up(z_mm: float) -> NDArray[np.float64]:
    """A point of the tool's axis."""
    return np.array([0.0, 0.0, z_mm])


def _tool_parts(tool: Tool) -> list[tuple[str, Frustum]]:
    top = tool.stickout_mm
    flute = min(tool.flute_mm or top, top)
    parts = [("tool", Frustum(_up(0.0), _up(flute), tool.diameter_mm))]
    if top - flute > _SHORTEST_STICKOUT_MM:
        parts.append(("shank", Frustum(_up(flute), _up(top), tool.shank_mm or tool.diameter_mm)))
    return parts


@lru_cache(maxsize=1024)
def _swept(body: CollisionBody, half: tuple[float, float, float]) -> manifold3d.Manifold:
    corners = box_corners(-np.array(half), np.array(half))[:, None]
    return manifold3d.Manifold.hull_points((vertices_of(body.manifold) + corners).reshape(-1, 3))


atexit.register(cutting_bodies.cache_clear)  # as in `collision_bodies`
atexit.register(_swept.cache_clear)


def minkowski_sum(body: CollisionBody, half_mm: NDArray[np.float64]) -> manifold3d.Manifold:
    """Volume of a cutting body whose tip sweeps a box about the origin with those half edges.

    Every cutting body is convex: the hull of the body at the box's corners is what it sweeps.
    """
    half = (float(half_mm[0]), float(half_mm[1]), float(half_mm[2]))
    return _swept(body, half) if any(half) or not body.tight else body.manifold


# What the library made must go before it does, or it complains of leaks at the interpreter's end.
atexit.register(_swept.cache_clear)
atexit.register(cutting_bodies.cache_clear)
