"""Probe readings: targets fixed to the table, read at machine angles, in machine coordinates."""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import (
    ValueEquality,
    as_positive,
    as_real,
    as_vector,
    as_vectors,
    is_list,
    normalized,
    read_only,
)

__all__ = ["Readings", "TargetKind", "readings_from_rows"]


class TargetKind(enum.Enum):
    """Kind of a target, and with it the number of equations that one reading gives."""

    BALL = "ball"
    BORE = "bore"
    PIN = "pin"
    FACE = "face"

    @property
    def equations(self) -> int:
        """Equations of one reading: three of a ball's centre, two of a point on an axis, one of a touch on a face."""
        return {"ball": 3, "face": 1}.get(self.value, 2)

    @property
    def unknowns(self) -> int:
        """Parameters of the target: three of a point, four of a line, three of a plane."""
        return 4 if self.equations == 2 else 3


def as_sigma_mm(value: float) -> float:
    """A standard uncertainty of readings, millimetres; `KinematicsError` where it is none or vanishes."""
    sigma = as_positive(value, "sigma")
    if sigma < LEAST_SIGMA_MM:
        raise KinematicsError(f"sigma: expected {LEAST_SIGMA_MM:g} mm or more, found {sigma:g}")
    return sigma


def _integers(values: ArrayLike, count: int, what: str) -> NDArray[np.int64]:
    array = as_real(values, what)
    if array.shape != (count,):
        raise KinematicsError(f"{what}: expected shape ({count},), found {array.shape}")
    if not (np.isfinite(array) & (array == np.round(array)) & (np.abs(array) < 2.0**53)).all():
        raise KinematicsError(f"{what}: expected whole numbers, found {array.tolist()}")
    return array.astype(np.int64)


def _direction(values: ArrayLike, what: str) -> NDArray[np.float64]:
    return normalized(as_vector(values, 3, what), what)


def _names(names: object) -> tuple[str, ...]:
    if not is_list(names):
        raise KinematicsError(f"readings, names: expected a sequence of names, found {names!r}")
    found = tuple(names)
    for name in found:
        if not isinstance(name, str):
            raise KinematicsError(f"readings, names: expected text, found {name!r}")
    if len(set(found)) < len(found):
        twice = next(name for name in found if found.count(name) > 1)
        raise KinematicsError(f"readings, names: expected each target once, found {twice!r} twice")
    return found


def _kinds(kinds: object) -> tuple[TargetKind, ...]:
    if not is_list(kinds):
        raise KinematicsError(f"readings, kinds: expected a sequence of TargetKind, found {kinds!r}")
    found = tuple(kinds)
    for kind in found:
        if not isinstance(kind, TargetKind):
            raise KinematicsError(f"readings, kinds: expected TargetKind values, found {kind!r}")
    return found


LEAST_SIGMA_MM = 1e-9
"""No probe repeats so well, and the squares of less vanish."""


@dataclass(frozen=True, eq=False)
class Readings(ValueEquality):
    """Readings of targets fixed to the table.

    Attributes
    ----------
    names : tuple of str, length t
        The targets' names, each once.
    kinds : tuple of TargetKind, length t
    target : ndarray of int, shape (N,)
        Index of each reading's target.
    angles_deg : ndarray, shape (N, n)
        Machine angles, the machine's rotaries from the base outward.
    points_mm : ndarray, shape (N, 3)
        Machine coordinates: a ball's centre; any point of a bore's or pin's axis; a contact point of a face, the
        stylus radius taken off.
    sigma_mm : ndarray, shape (N,), or None
        Each reading's standard uncertainty per coordinate; None where all are alike.
    rows : ndarray of int, shape (N,)
        Number of each reading: its row in the file. 1 to N where not given.
    directions : tuple of (ndarray (3,) or None), length t
        At the all-zero pose, machine coordinates: the direction of an axis, a face's normal away from the material.
        Needed only where the readings do not determine it; None where not stated.
    temperature_c : ndarray, shape (N,), or None
        Temperature logged with each reading, degrees Celsius; None where it was not.

    Raises
    ------
    KinematicsError
        When a shape or type is wrong or a number is not finite.
    """

    names: tuple[str, ...]
    kinds: tuple[TargetKind, ...]
    target: NDArray[np.int64]
    angles_deg: NDArray[np.float64]
    points_mm: NDArray[np.float64]
    sigma_mm: NDArray[np.float64] | None = None
    rows: NDArray[np.int64] | None = None
    directions: tuple[NDArray[np.float64] | None, ...] = ()
    temperature_c: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        names, kinds = _names(self.names), _kinds(self.kinds)
        if len(kinds) != len(names):
            raise KinematicsError(
                f"readings, kinds: expected one for each of {len(names)} targets, found {len(kinds)}"
            )
        points = as_vectors(self.points_mm, 3, "readings, points").reshape(-1, 3)
        angles = as_real(self.angles_deg, "readings, angles")
        if angles.ndim != 2 or len(angles) != len(points):
            raise KinematicsError(
                f"readings, angles: expected shape ({len(points)}, rotaries), found {angles.shape}"
            )
        angles = as_vectors(angles, angles.shape[1], "readings, angles")
        target = _integers(self.target, len(points), "readings, target")
        if target.size and not 0 <= target.min() <= target.max() < len(names):
            raise KinematicsError(
                f"readings, target: expected indices from 0 to {len(names) - 1}, "
                f"found {int(target.min())} to {int(target.max())}"
            )
        rows = np.arange(1, len(points) + 1) if self.rows is None else self.rows
        rows = _integers(rows, len(points), "readings, rows")
        if not is_list(self.directions):
            raise KinematicsError(f"readings, directions: expected a list, found {self.directions!r}")
        stated = tuple(self.directions) or (None,) * len(names)
        if len(stated) != len(names):
            raise KinematicsError(f"readings, directions: expected {len(names)}, found {len(stated)}")
        directions = tuple(
            None if d is None else read_only(_direction(d, f"target {name}, direction"))
            for d, name in zip(stated, names, strict=True)
        )
        for name, value in (("target", target), ("rows", rows)):
            copy = np.array(value)
            copy.flags.writeable = False
            object.__setattr__(self, name, copy)
        object.__setattr__(self, "points_mm", read_only(points))
        object.__setattr__(self, "angles_deg", read_only(angles))
        object.__setattr__(self, "names", names)
        object.__setattr__(self, "kinds", kinds)
        object.__setattr__(self, "directions", directions)
        if self.sigma_mm is not None:
            sigma = as_vector(self.sigma_mm, len(points), "readings, sigma")
            if (sigma < LEAST_SIGMA_MM).any():
                raise KinematicsError(
                    f"readings, sigma: expected {LEAST_SIGMA_MM:g} mm or more, found {float(sigma.min()):g}"
                )
            object.__setattr__(self, "sigma_mm", read_only(sigma))
        if self.temperature_c is not None:
            warmth = as_vector(self.temperature_c, len(points), "readings, temperature")
            object.__setattr__(self, "temperature_c", read_only(warmth))

    def __len__(self) -> int:
        return len(self.points_mm)

    @property
    def equations(self) -> NDArray[np.int64]:
        """Equations of each reading, shape (N,)."""
        return np.array([kind.equations for kind in self.kinds], dtype=np.int64)[self.target]

    def row(self, i: int) -> int:
        """Row number of reading i."""
        assert self.rows is not None
        return int(self.rows[i])

    def only(self, keep: ArrayLike) -> Readings:
        """The readings where the mask `keep` (N,) is true, or those with the indices given; all targets stay listed."""
        which = np.asarray(keep)
        if (
            which.ndim != 1
            or which.dtype.kind not in "biu"
            or (which.dtype.kind == "b" and len(which) != len(self))
        ):
            if which.size:
                raise KinematicsError(
                    f"keep: expected a mask of {len(self)} or indices, found shape {which.shape} of {which.dtype}"
                )
            which = np.zeros(0, dtype=np.int64)
        if (
            which.dtype.kind != "b"
            and which.size
            and not -len(self) <= which.min() <= which.max() < len(self)
        ):
            raise KinematicsError(f"keep: expected indices below {len(self)}, found {int(which.max())}")
        assert self.rows is not None
        return replace(
            self,
            target=self.target[which],
            angles_deg=self.angles_deg[which],
            points_mm=self.points_mm[which],
            sigma_mm=None if self.sigma_mm is None else self.sigma_mm[which],
            rows=self.rows[which],
            temperature_c=None if self.temperature_c is None else self.temperature_c[which],
        )

    def fits(self, machine: Machine) -> None:
        """Raise a `KinematicsError` unless there are readings, with an angle for each of the machine's rotaries."""
        if len(self) == 0:
            raise KinematicsError("readings: expected at least one, found none")
        if self.angles_deg.shape[1] != len(machine.rotaries):
            raise KinematicsError(
                f"readings, angles: expected one for each of {', '.join(machine.letters)}, "
                f"found {self.angles_deg.shape[1]}"
            )


@takes_declared()
def readings_from_rows(
    kinds: Sequence[str],
    targets: Sequence[str],
    angles_deg: ArrayLike,
    points_mm: ArrayLike,
    *,
    sigma_mm: ArrayLike | None = None,
    rows: ArrayLike | None = None,
    directions: Mapping[str, ArrayLike] | None = None,
    temperature_c: ArrayLike | None = None,
) -> Readings:
    """Readings from one kind and one target name a row, as a table of them holds it.

    Parameters
    ----------
    kinds, targets : sequence of str, length N
        "ball", "bore", "pin" or "face", and the target's name.
    angles_deg : array_like, shape (N, n)
    points_mm : array_like, shape (N, 3)
    sigma_mm, rows, temperature_c : array_like, shape (N,), optional
    directions : mapping of target name to direction (3,), optional
        At the all-zero pose.

    Returns
    -------
    Readings
        Targets in the order in which they are first named.

    Raises
    ------
    KinematicsError
        On an unknown kind, a target of two kinds, or a direction for a target that was not read.

    Examples
    --------
    >>> r = readings_from_rows(["ball", "ball"], ["ball 1", "ball 1"], [[0, 0], [0, 90]], [[1, 2, 3], [2, -1, 3]])
    >>> r.names, len(r)
    (('ball 1',), 2)
    >>> readings_from_rows(["ball", "bore"], ["one", "one"], [[0, 0], [0, 90]], [[1, 2, 3], [2, -1, 3]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: target one: expected one kind, found ball in row 1 and bore in row 2
    """
    points = as_vectors(points_mm, 3, "readings, points").reshape(-1, 3)
    for what, given in (("kinds", kinds), ("targets", targets)):
        if len(given) != len(points):
            raise KinematicsError(f"readings, {what}: expected {len(points)}, found {len(given)}")
    numbers = np.arange(1, len(points) + 1) if rows is None else rows
    called = _integers(numbers, len(points), "readings, rows").tolist()
    first: dict[str, tuple[TargetKind, int]] = {}
    for kind_name, name, row in zip(kinds, targets, called, strict=True):
        try:
            kind = TargetKind(kind_name)
        except ValueError:
            raise KinematicsError(
                f"row {row}, kind: expected ball, bore, pin or face, found {kind_name!r}"
            ) from None
        known, at = first.setdefault(name, (kind, row))
        if known is not kind:
            raise KinematicsError(
                f"target {name}: expected one kind, found {known.value} in row {at} and {kind.value} in row {row}"
            )
    stated = dict(directions or {})
    strangers = [name for name in stated if name not in first]
    if strangers:
        raise KinematicsError(
            f"direction of {strangers[0]}: expected a target that was read, found none so named"
        )
    index = {name: i for i, name in enumerate(first)}
    return Readings(
        names=tuple(first),
        kinds=tuple(kind for kind, _ in first.values()),
        target=np.array([index[name] for name in targets], dtype=np.int64),
        angles_deg=as_real(angles_deg, "readings, angles"),
        points_mm=points,
        sigma_mm=None if sigma_mm is None else as_real(sigma_mm, "readings, sigma"),
        rows=np.asarray(called, dtype=np.int64),
        directions=tuple(
            as_real(stated[name], f"target {name}, direction") if name in stated else None for name in first
        ),
        temperature_c=None if temperature_c is None else as_real(temperature_c, "readings, temperature"),
    )
