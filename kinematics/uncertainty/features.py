"""Features and seams: what a drawing tolerances, and what can be seen or felt where two operations meet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.uncertainty.model_parts import Array, CutPoint
from kinematics.uncertainty.setup_model import SetupModel
from kinematics.validation import (
    ValueEquality,
    as_count,
    as_index,
    as_instance,
    as_instances,
    as_positive,
    as_vector,
    is_list,
    normalized,
    read_only,
)

__all__ = ["Feature", "PartModel", "Seam", "part_model"]


@dataclass(frozen=True, eq=False)
class Feature(ValueEquality, DeclaredFields):
    """A place on the part that a drawing tolerances, cut in one operation.

    Attributes
    ----------
    name : str
    operation : int
        The operation that cuts it: its place among the model's operations.
    at_mm : ndarray, shape (3,)
        In the operation's own coordinates, as its program has it.
    along : ndarray, shape (3,), or None
        The direction in them in which it is toleranced: outward from the material where it is a surface. None: its
        position in three.
    tolerance_mm : float or None
        Plus and minus; of a position, the diameter of the zone. None: it serves as a datum only.
    datum : str or None
        The feature that it is held against: the deviation of the one place from the other is what counts.
    datum_operation : int or None
        Instead of a feature, an operation: everything cut in it, as inspection that sets up on it sees the part.
        Neither: the part as it is clamped.

    Raises
    ------
    KinematicsError
        When the tolerance is not more than 0, the direction has no length, or the feature is its own datum.

    Examples
    --------
    >>> Feature("port depth", 1, [0, 0, -8], [0, 0, 1], 0.05, datum="port depth")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: port depth, datum: expected another feature, found itself
    """

    name: str
    operation: int
    at_mm: Array
    along: Array | None = None
    tolerance_mm: float | None = None
    datum: str | None = None
    datum_operation: int | None = None

    def __post_init__(self) -> None:
        name = as_instance(self.name, str, "feature, name")
        object.__setattr__(self, "at_mm", read_only(as_vector(self.at_mm, 3, f"{name}, at")))
        if self.along is not None:
            along = normalized(as_vector(self.along, 3, f"{name}, along"), f"{name}, along")
            object.__setattr__(self, "along", read_only(along))
        object.__setattr__(self, "tolerance_mm", _tolerance(self.tolerance_mm, name))
        super().__post_init__()
        if self.datum == name:
            raise KinematicsError(f"{name}, datum: expected another feature, found itself")
        if self.datum is not None and self.datum_operation is not None:
            raise KinematicsError(f"{name}, datum: expected a feature or an operation, found both")


@dataclass(frozen=True, eq=False)
class Seam(ValueEquality, DeclaredFields):
    """A place where two operations meet on one surface: a step there is seen or felt.

    Attributes
    ----------
    between : (int, int)
        The two operations: their places among the model's.
    at_mm : ndarray, shape (3,)
        In part coordinates.
    along : ndarray, shape (3,)
        The surface's outward normal there, part coordinates.
    tolerance_mm : float or None
        The largest step that may be left, up or down.
    """

    between: tuple[int, int]
    at_mm: Array
    along: Array
    tolerance_mm: float | None = None

    def __post_init__(self) -> None:
        if not is_list(self.between) or len({as_count(one, "seam, between", 0) for one in self.between}) != 2:
            raise KinematicsError(f"seam, between: expected two different operations, found {self.between}")
        object.__setattr__(self, "at_mm", read_only(as_vector(self.at_mm, 3, "seam, at")))
        along = normalized(as_vector(self.along, 3, "seam, along"), "seam, along")
        object.__setattr__(self, "along", read_only(along))
        object.__setattr__(self, "tolerance_mm", _tolerance(self.tolerance_mm, "seam"))
        super().__post_init__()


def _tolerance(tolerance: float | None, what: str) -> float | None:
    return None if tolerance is None else as_positive(tolerance, f"{what}, tolerance")


@dataclass(frozen=True, eq=False)
class PartModel(DeclaredFields):
    """A setup model with features and seams, each as one row (a direction) or three (a position).

    A row's value is the deviation of its point along a direction, less that of its datum's point, where it has one.

    Attributes
    ----------
    model : SetupModel
        Its points are the features' places, their datums' and the seams'.
    features : tuple of Feature
    seams : tuple of Seam
    first : ndarray of int, shape (F + S + 1,)
        First row of each feature, then of each seam, then the count of all rows.
    point, datum_point : ndarray of int, shape (K,)
        The model's points of each row; a datum's is -1 where there is none.
    direction : ndarray, shape (K, 3)
        In part coordinates.
    normal, datum_normal : ndarray, shape (K, 3)
        Outward normals of the surfaces cut there; zeros where the tool's radius does not count.
    """

    model: SetupModel
    features: tuple[Feature, ...]
    seams: tuple[Seam, ...]
    first: NDArray[np.int64]
    point: NDArray[np.int64]
    datum_point: NDArray[np.int64]
    direction: Array
    normal: Array
    datum_normal: Array

    @cached_property
    def jacobian(self) -> Array:
        """Derivatives of every row by the model's quantities, shape (K, P): mm for each mm, degree or K; exact."""
        found = self.model.deviation_jacobian(self.point, self.direction, self.normal)
        held = np.flatnonzero(self.datum_point >= 0)
        if held.size:
            found[held] -= self.model.deviation_jacobian(
                self.datum_point[held], self.direction[held], self.datum_normal[held]
            )
        return read_only(found)

    @cached_property
    def nominal_mm(self) -> Array:
        """Every row's value with nothing off, shape (K,)."""
        found = self.model.nominal_deviation(self.point, self.direction)
        held = np.flatnonzero(self.datum_point >= 0)
        found[held] -= self.model.nominal_deviation(self.datum_point[held], self.direction[held])
        return read_only(found)

    def rows(self, place: int) -> slice:
        """The rows of a feature, or of a seam when counted on after the features."""
        return slice(int(self.first[place]), int(self.first[place + 1]))


@takes_declared()
def part_model(model: SetupModel, features: Iterable[Feature] = (), seams: Iterable[Seam] = ()) -> PartModel:
    """Put features and seams on a setup.

    Parameters
    ----------
    model : SetupModel
        Points that it has already are replaced.
    features : iterable of Feature
    seams : iterable of Seam

    Returns
    -------
    PartModel

    Raises
    ------
    KinematicsError
        When two features share a name, a datum does not exist, datums go round in a circle, or an operation does not
        exist.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense, StackStep
    >>> from kinematics.uncertainty import ModelOperation, StackNode
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> post = StackNode("post", StackStep("post", up_mm=100.0))
    >>> top = ModelOperation("top", [0.0], [0, 0, 0])
    >>> setup = SetupModel(Machine("mill", (c,), Platter(face_mm=0.0)), {None: (post,)}, (top,))
    >>> face = Feature("face", 0, [0, 0, 0], [0, 0, 1])
    >>> part = part_model(setup, [face, Feature("depth", 0, [5, 0, -8], [0, 0, 1], 0.05, datum="face")])
    >>> part.jacobian[:, setup.index("step up", "post")].round(9).tolist()   # a taller post is no matter between the two
    [-1.0, 0.0]
    >>> part_model(setup, ["face"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: features: expected a Feature, found 'face'
    """
    given, met = as_instances(features, Feature, "features"), as_instances(seams, Seam, "seams")
    names = {one.name: k for k, one in enumerate(given)}
    if len(names) < len(given):
        raise KinematicsError("features: expected every name once, found one twice")
    _check_datums(given, names)
    _check_operations(given, met, len(model.operations))
    rotations = [pose.rotation for pose in model.poses]
    turned = [_in_part(model, one, rotations[one.operation]) for one in given]
    points = [CutPoint(one.operation, at) for one, (at, _) in zip(given, turned, strict=True)]
    rows: list[_Row] = []
    first, nothing = [0], np.zeros(3)
    for k, (one, (at, along)) in enumerate(zip(given, turned, strict=True)):
        datum, datum_normal = -1, nothing
        if one.datum is not None:
            datum = names[one.datum]
            held = turned[datum][1]
            datum_normal = nothing if held is None else held
        elif one.datum_operation is not None:
            datum = len(points)
            points.append(CutPoint(one.datum_operation, at))
        if along is None:
            rows += [_Row(k, datum, axis, nothing, datum_normal) for axis in np.eye(3)]
        else:
            rows.append(_Row(k, datum, along, along, datum_normal))
        first.append(len(rows))
    for seam in met:
        rows.append(_Row(len(points), len(points) + 1, seam.along, seam.along, seam.along))
        points += [CutPoint(operation, seam.at_mm) for operation in seam.between]
        first.append(len(rows))
    return PartModel(
        replace(model, points=tuple(points)),
        given,
        met,
        np.array(first, dtype=np.int64),
        np.array([row.point for row in rows], dtype=np.int64),
        np.array([row.datum_point for row in rows], dtype=np.int64),
        read_only(np.array([row.direction for row in rows]).reshape(-1, 3)),
        read_only(np.array([row.normal for row in rows]).reshape(-1, 3)),
        read_only(np.array([row.datum_normal for row in rows]).reshape(-1, 3)),
    )


class _Row(NamedTuple):
    """A deviation of the part's: the fields are those of `PartModel`."""

    point: int
    datum_point: int
    direction: Array
    normal: Array
    datum_normal: Array


def _check_operations(features: Sequence[Feature], seams: Sequence[Seam], count: int) -> None:
    """Refuse an operation that there is not."""
    for operation in (
        *(one.operation for one in features),
        *(one.datum_operation for one in features if one.datum_operation is not None),
        *(one for seam in seams for one in seam.between),
    ):
        as_index(operation, count, "operation")


def _in_part(model: SetupModel, feature: Feature, rotation: Array) -> tuple[Array, Array | None]:
    """A feature's place and direction in part coordinates; `rotation` is the part's, seen from the machine."""
    at = model.operations[feature.operation].origin_mm + rotation.T @ feature.at_mm
    return at, None if feature.along is None else rotation.T @ feature.along


def _check_datums(features: Sequence[Feature], names: dict[str, int]) -> None:
    for one in features:
        seen, here = [one.name], one
        while here.datum is not None:
            if here.datum not in names:
                known = ", ".join(name for name in names if name != here.name)
                raise KinematicsError(
                    f"{here.name}, datum: expected a feature ({known}), found {here.datum!r}"
                )
            here = features[names[here.datum]]
            if here.name in seen:
                raise KinematicsError(
                    f"{one.name}, datum: expected no circle, found {' - '.join(seen)} - {here.name}"
                )
            seen.append(here.name)
