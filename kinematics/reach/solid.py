"""Solids: a shape, its attachment, whether it is machinable, and its mass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kinematics.errors import KinematicsError
from kinematics.reach.shapes import Box, Frustum, Mesh, Shape
from kinematics.validation import ValueEquality, as_number

__all__ = ["BASE", "PART", "SPINDLE_NOSE", "Attachment", "Solid", "on_rotary", "on_step"]


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
    """

    to: Literal["base", "rotary", "step", "part", "spindle"]
    index: int = 0


BASE = Attachment("base")
PART = Attachment("part")
SPINDLE_NOSE = Attachment("spindle")


def on_rotary(index: int) -> Attachment:
    """Attachment to a rotary, counted from 0 at the base: turned by it and by those before it."""
    return Attachment("rotary", index)


def on_step(index: int) -> Attachment:
    """Attachment to the frame that a stack step stands on, counted from 0 at the platter."""
    return Attachment("step", index)


@dataclass(frozen=True, eq=False)
class Solid(ValueEquality):
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

    @property
    def weight_kg(self) -> float | None:
        """Its mass, stated or from the density; None where neither is known."""
        if self.mass_kg is not None:
            return self.mass_kg
        return None if self.density_kg_m3 is None else self.shape.volume_mm3 * 1e-9 * self.density_kg_m3
