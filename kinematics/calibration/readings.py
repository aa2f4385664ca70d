"""Probe readings: which thing on the table was read, at which angles, and where it then stood."""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import as_vectors, normalized, read_only

__all__ = ["Readings", "TargetKind", "outside_limits", "readings_from_rows"]


class TargetKind(enum.Enum):
    """What a target is, and so what one reading of it says."""

    BALL = "ball"
    BORE = "bore"
    PIN = "pin"
    FACE = "face"

    @property
    def equations(self) -> int:
        """How many numbers one reading gives: a centre three, a point of an axis two, a touch of a face one."""
        return {"ball": 3, "face": 1}.get(self.value, 2)

    @property
    def unknowns(self) -> int:
        """How many numbers place the target on the table: a point three, a line four, a plane three."""
        return 4 if self.equations == 2 else 3


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of targets fixed to the table.

    Attributes
    ----------
    names : tuple of str, length t
        The targets' names, each once.
    kinds : tuple of Kind, length t
    target : ndarray of int, shape (N,)
        Which target each reading is of.
    angles_deg : ndarray, shape (N, n)
        Machine angles, the machine's rotaries from the base outward.
    points_mm : ndarray, shape (N, 3)
        Machine coordinates: a ball's centre; any point of a bore's or pin's axis; a contact point of a face, the
        stylus radius taken off.
    sigma_mm : ndarray, shape (N,), or None
        Each reading's standard uncertainty per coordinate; None where all are alike.
    rows : ndarray of int, shape (N,)
        What to call each reading: its row in the file. 1 to N where not given.
    directions : tuple of (ndarray (3,) or None), length t
        At the all-zero pose, machine coordinates: the direction of an axis, a face's normal away from the material.
        Needed only where the readings do not tell; None where not stated.

    Raises
    ------
    KinematicsError
        When shapes do not fit or a number is not finite.
    """

    names: tuple[str, ...]
    kinds: tuple[TargetKind, ...]
    target: NDArray[np.int64]
    angles_deg: NDArray[np.float64]
    points_mm: NDArray[np.float64]
    sigma_mm: NDArray[np.float64] | None = None
    rows: NDArray[np.int64] | None = None
    directions: tuple[NDArray[np.float64] | None, ...] = ()

    def __post_init__(self) -> None:
        points = as_vectors(self.points_mm, 3, "readings, points").reshape(-1, 3)
        angles = np.asarray(self.angles_deg, dtype=np.float64)
        if angles.ndim != 2 or len(angles) != len(points):
            raise KinematicsError(
                f"readings, angles: expected shape ({len(points)}, rotaries), found {angles.shape}"
            )
        angles = as_vectors(angles, angles.shape[1], "readings, angles")
        target = np.asarray(self.target, dtype=np.int64)
        if target.shape != (len(points),) or (
            target.size and not 0 <= target.min() <= target.max() < len(self.names)
        ):
            raise KinematicsError("readings, target: expected one index into names for each reading")
        if len(self.kinds) != len(self.names) or len(set(self.names)) < len(self.names):
            raise KinematicsError("readings, names: expected each target once, with its kind")
        rows = np.arange(1, len(points) + 1) if self.rows is None else np.asarray(self.rows, dtype=np.int64)
        if rows.shape != target.shape:
            raise KinematicsError(f"readings, rows: expected {len(points)}, found {rows.size}")
        stated = self.directions or (None,) * len(self.names)
        if len(stated) != len(self.names):
            raise KinematicsError(f"readings, directions: expected {len(self.names)}, found {len(stated)}")
        held = tuple(
            None if d is None else read_only(normalized(d, f"target {name}, direction"))
            for d, name in zip(stated, self.names, strict=True)
        )
        for name, value in (("target", target), ("rows", rows)):
            copy = np.array(value)
            copy.flags.writeable = False
            object.__setattr__(self, name, copy)
        object.__setattr__(self, "points_mm", read_only(points))
        object.__setattr__(self, "angles_deg", read_only(angles))
        object.__setattr__(self, "names", tuple(self.names))
        object.__setattr__(self, "kinds", tuple(self.kinds))
        object.__setattr__(self, "directions", held)
        if self.sigma_mm is not None:
            sigma = as_vectors(self.sigma_mm, len(points), "readings, sigma")
            if (sigma <= 0.0).any():
                raise KinematicsError(
                    "readings, sigma: expected more than 0, found " + f"{float(sigma.min()):g}"
                )
            object.__setattr__(self, "sigma_mm", read_only(sigma))

    def __len__(self) -> int:
        return len(self.points_mm)

    @property
    def equations(self) -> NDArray[np.int64]:
        """How many numbers each reading gives, shape (N,)."""
        return np.array([kind.equations for kind in self.kinds], dtype=np.int64)[self.target]

    def row(self, i: int) -> int:
        """What reading i is called."""
        assert self.rows is not None
        return int(self.rows[i])

    def only(self, keep: ArrayLike) -> Readings:
        """The readings where `keep` (N,) is true, or those of the indices given; targets left empty stay listed."""
        which = np.asarray(keep)
        assert self.rows is not None
        return replace(
            self,
            target=self.target[which],
            angles_deg=self.angles_deg[which],
            points_mm=self.points_mm[which],
            sigma_mm=None if self.sigma_mm is None else self.sigma_mm[which],
            rows=self.rows[which],
        )

    def fits(self, machine: Machine) -> None:
        """Refuse readings whose angles do not match the machine's rotaries, or that hold nothing."""
        if len(self) == 0:
            raise KinematicsError("readings: expected at least one, found none")
        if self.angles_deg.shape[1] != len(machine.rotaries):
            raise KinematicsError(
                f"readings, angles: expected one for each of {', '.join(machine.letters)}, "
                f"found {self.angles_deg.shape[1]}"
            )


def outside_limits(readings: Readings, machine: Machine) -> tuple[tuple[int, str, float], ...]:
    """Readings at angles that the machine cannot reach.

    Not refused here: swapped columns show themselves so, and `find_blunders` is to see them.

    Parameters
    ----------
    readings : Readings
    machine : Machine

    Returns
    -------
    tuple of (int, str, float)
        By row: its number, the rotary's letter, the machine angle in degrees.

    Raises
    ------
    KinematicsError
        When the readings do not match the machine's rotaries.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> readings = readings_from_rows(["ball"] * 2, ["one"] * 2, [[0.0], [45.0]], [[0, 0, 0], [0, 0, 0]], rows=[2, 3])
    >>> outside_limits(readings, Machine("mill", (a,), Platter()))
    ((3, 'A', 45.0),)
    """
    readings.fits(machine)
    found = [
        (readings.row(int(k)), rotary.letter, float(readings.angles_deg[k, i]))
        for i, rotary in enumerate(machine.rotaries)
        for k in np.flatnonzero(~rotary.within(readings.angles_deg[:, i]))
    ]
    return tuple(sorted(found))


def readings_from_rows(
    kinds: Sequence[str],
    targets: Sequence[str],
    angles_deg: ArrayLike,
    points_mm: ArrayLike,
    *,
    sigma_mm: ArrayLike | None = None,
    rows: ArrayLike | None = None,
    directions: Mapping[str, ArrayLike] | None = None,
) -> Readings:
    """Readings from one kind and one target name a row, as a table of them holds it.

    Parameters
    ----------
    kinds, targets : sequence of str, length N
        "ball", "bore", "pin" or "face", and the target's name.
    angles_deg : array_like, shape (N, n)
    points_mm : array_like, shape (N, 3)
    sigma_mm, rows : array_like, shape (N,), optional
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
    called = list(range(1, len(kinds) + 1)) if rows is None else np.asarray(rows).tolist()
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
        angles_deg=np.asarray(angles_deg, dtype=np.float64),
        points_mm=np.asarray(points_mm, dtype=np.float64),
        sigma_mm=None if sigma_mm is None else np.asarray(sigma_mm, dtype=np.float64),
        rows=None if rows is None else np.asarray(rows, dtype=np.int64),
        directions=tuple(
            np.asarray(stated[name], dtype=np.float64) if name in stated else None for name in first
        ),
    )
