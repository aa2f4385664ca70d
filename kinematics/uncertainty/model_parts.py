"""The parts of a setup model: steps under keys, operations as placed, points that are cut, touch-offs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.stack import StackStep
from kinematics.validation import ValueEquality, as_array, as_vector, read_only

__all__ = ["CutPoint", "ModelOperation", "StackNode", "TouchReading"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StackNode(DeclaredFields):
    """A step of the stack under a key of its own: nests that share a step share its errors.

    Attributes
    ----------
    key : str
        Unlike any other's.
    step : StackStep
    expansion_per_k : float
        Coefficient of thermal expansion; 0 where none is stated.
    """

    key: str
    step: StackStep
    expansion_per_k: float = 0.0


@dataclass(frozen=True, eq=False)
class ModelOperation(ValueEquality, DeclaredFields):
    """An operation as it was placed: its angles are commanded, and its offset is loaded, as if nothing were off.

    Attributes
    ----------
    name : str
    machine_deg : ndarray, shape (n,)
    origin_mm : ndarray, shape (3,)
        In part coordinates.
    nest : str or None
    tool : str or None
    """

    name: str
    machine_deg: Array
    origin_mm: Array
    nest: str | None = None
    tool: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "machine_deg", read_only(as_array(self.machine_deg, "machine angles")))
        object.__setattr__(self, "origin_mm", read_only(as_vector(self.origin_mm, 3, f"{self.name}, origin")))
        super().__post_init__()


@dataclass(frozen=True, eq=False)
class CutPoint(ValueEquality, DeclaredFields):
    """A point of the part and the operation that cuts it.

    Attributes
    ----------
    operation : int
        Its place among the model's operations, from 0.
    at_mm : ndarray, shape (3,)
        In part coordinates.
    """

    operation: int
    at_mm: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "at_mm", read_only(as_vector(self.at_mm, 3, "point")))
        super().__post_init__()


@dataclass(frozen=True, eq=False)
class TouchReading(ValueEquality, DeclaredFields):
    """The display when part zero was touched off, and the machine angles it was read at."""

    at_mm: Array
    machine_deg: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "at_mm", read_only(as_vector(self.at_mm, 3, "touched")))
        object.__setattr__(self, "machine_deg", read_only(as_array(self.machine_deg, "machine angles")))
        super().__post_init__()
