"""Inverse kinematics: rotary angles within their limits that bring directions of the part to the spindle.

Measured lines are never quite square. A side face then wants a tilt of 90.0004 where the limit is 90, and a face whose
normal lies a thousandth of a degree from the last rotary's line wants that rotary anywhere. A job states the tolerance
for a direction; within it, a rotary at its limit and a last rotary left alone are solutions too.

One or two moving rotaries have the closed form; a third opens a family of poses, whose minima `redundant_solver` finds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from math import prod
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.inverse_candidates import (
    MOST_EQUIVALENT,
    AimProblem,
    Candidates,
    TiltSign,
    at_axis,
    by_motion,
    equivalents_at_most,
    exact_candidates,
    merged,
    ordered,
    rank_keys,
    rows_of,
    signed_tilt_deg,
    slot_counts,
    with_limits,
    wrong_sign,
)
from kinematics.machine import Machine
from kinematics.orientation import checked_held, checked_rows, moving_groups, unrotated_by_held
from kinematics.rotary import RotaryAxis
from kinematics.spherical_triangle import angle_between_rad
from kinematics.validation import ValueEquality, as_number, shown

__all__ = [
    "Aim",
    "Solution",
    "TiltSign",
    "Violation",
    "aim",
    "aim_rows",
    "checked_tilt",
    "independent_candidates",
    "solutions_within_limits",
]

Array = NDArray[np.float64]

Mask = NDArray[np.bool_]

_BLOCK = 16384
"""Poses solved at a time: few enough to stay in the processor's cache."""

_MOST_MOVING = 2

_HELD_IN_TURN = 32
"""About as many angles are held in turn where three rotaries move."""


def solutions_within_limits(problem: AimProblem, wanted: Array, previous: Array) -> Candidates:
    """The solutions of directions (3, k) from angles (n, k), the best first, a block of directions at a time."""
    size = wanted.shape[1]
    each = 2 * prod(slot_counts(problem))
    if len(slot_counts(problem)) - len(problem.held) > _MOST_MOVING:
        each *= _HELD_IN_TURN
    rows = max(1, _BLOCK // each)
    if size <= rows:
        return _solve_block(problem, wanted, previous)
    parts = []
    for start in range(0, size, rows):
        block = slice(start, start + rows)
        parts.append((block, _solve_block(problem, wanted[:, block], previous[:, block])))
    return merged(len(problem.machine.rotaries), size, parts)


def _solve_block(problem: AimProblem, wanted: Array, previous: Array) -> Candidates:
    machine, size = problem.machine, wanted.shape[1]
    count = len(machine.rotaries)
    last = _kept_last(problem, wanted, previous)
    if last is None:
        return _nearly(problem, wanted, previous)
    parts: list[tuple[Any, Candidates]] = []
    for i in range(count):
        rows = np.flatnonzero(last == i)
        if not rows.size:
            continue
        held = {**problem.held, i: previous[i]}
        kept = by_motion(
            problem,
            exact_candidates(problem, wanted[:, rows], previous[:, rows], rows_of(held, rows)),
            previous[:, rows],
        )
        good = kept.reaches(problem.tolerance_deg)
        last[rows[~good]] = -1
        alone = np.zeros((count, int(good.sum())), dtype=bool)
        alone[i] = True
        parts.append((rows[good], replace(kept.chosen(good), singular=alone)))
    rest = np.flatnonzero(last < 0)
    if rest.size:
        parts.append((rest, _nearly(problem, wanted[:, rest], previous[:, rest])))
    return parts[0][1] if len(parts) == 1 and len(parts[0][0]) == size else merged(count, size, parts)


def _kept_last(problem: AimProblem, wanted: Array, previous: Array) -> NDArray[np.intp] | None:
    """The last of two moving rotaries where the direction lies within the tolerance of its line, else -1."""
    machine = problem.machine
    # Of two rotaries, the closed form itself keeps one on whose line the direction lies.
    exact = problem.tolerance_deg == 0.0 and len(machine.rotaries) <= _MOST_MOVING
    if exact or not problem.keep_last:
        return None
    last = np.full(wanted.shape[1], -1)
    for index, fixed in moving_groups(machine, wanted.shape[1], previous, problem.held):
        moving = [i for i in range(len(machine.rotaries)) if i not in fixed]
        if len(moving) != _MOST_MOVING:
            continue
        inner = {i: angle for i, angle in fixed.items() if i > moving[1]}
        direction, lines, _ = unrotated_by_held(machine, wanted[:, index], inner)
        line = lines[moving[1]]
        off_line = np.degrees(np.arcsin(np.sin(angle_between_rad(line, direction))))
        last[index] = np.where(off_line <= problem.tolerance_deg, moving[1], -1)
    return last if (last >= 0).any() else None


def _nearly(problem: AimProblem, wanted: Array, previous: Array) -> Candidates:
    """The solutions and, with a tolerance, those at a limit instead of a hair beyond it; the best first."""
    if len(problem.machine.rotaries) - len(problem.held) > _MOST_MOVING:
        from kinematics.redundant_solver import redundant_candidates  # few machines have three

        return redundant_candidates(problem, wanted, previous)
    exact = exact_candidates(problem, wanted, previous, problem.held)
    return by_motion(problem, with_limits(problem, wanted, exact, problem.held), previous)


def independent_candidates(problem: AimProblem, wanted: Array) -> tuple[NDArray[np.intp], Candidates]:
    """The solutions that do not depend on the previous angles: of which of the directions (3, k), and the solutions.

    They depend on them where a rotary is kept or held there: it is singular, or more than two are left to move. Those
    of each direction stand in the order in which equal motions are taken.
    """
    machine, size = problem.machine, wanted.shape[1]
    anywhere = np.zeros((len(machine.rotaries), size))
    groups = moving_groups(machine, size, anywhere, problem.held)
    few = all(equivalents_at_most(rotary) <= MOST_EQUIVALENT for rotary in machine.rotaries)
    if not few or any(set(fixed) != set(problem.held) for _, fixed in groups):
        return np.zeros(0, dtype=np.intp), merged(len(machine.rotaries), 0, [])
    found = with_limits(
        problem, wanted, exact_candidates(problem, wanted, anywhere, problem.held), problem.held
    )
    last = _kept_last(problem, wanted, anywhere)
    depends = found.singular.any(axis=0) | (False if last is None else last >= 0)
    rows = np.flatnonzero(~depends)
    found = found.chosen(rows)
    machine_deg = np.where(found.valid, found.machine_deg, 0.0)
    keys = rank_keys(machine_deg, found.feasible, np.zeros(found.valid.shape))
    return rows, ordered(found, np.lexsort((*keys, ~found.valid), axis=-1))


@dataclass(frozen=True)
class Violation(DeclaredFields):
    """A reason why a pose cannot be used.

    Attributes
    ----------
    kind : "limit", "tilt sign" or "alignment"
        The rotary would stand beyond its limits; the tilt has the other sign; the rotary would stand beyond its limits
        to line the plane's x up.
    letter : str
        The rotary.
    angle_deg : float
        Its machine angle; with "tilt sign" its program angle, signed as a tilt.
    limits_deg : (float, float) or None
        Its limits.
    excess_deg : float
        By how much it is beyond them, or how far the tilt is on the wrong side of zero; positive.
    tilt : "positive", "negative" or None
        The sign that was asked for.
    """

    kind: Literal["limit", "tilt sign", "alignment"]
    letter: str
    angle_deg: float
    limits_deg: tuple[float, float] | None
    excess_deg: float
    tilt: TiltSign | None = None


@dataclass(frozen=True)
class Solution(DeclaredFields):
    """One solution for one direction: a set of rotary angles.

    Attributes
    ----------
    machine_deg : tuple of float
        Machine angles, from the base outward.
    move_deg : tuple of float
        The signed moves there from the previous angles.
    motion_deg : float
        Sum of the moves' sizes.
    violations : tuple of Violation
        Why it cannot be used; empty where it can.
    misalignment_deg : float
        The angle at which it leaves the direction from the spindle.
    """

    machine_deg: tuple[float, ...]
    move_deg: tuple[float, ...]
    motion_deg: float
    violations: tuple[Violation, ...] = ()
    misalignment_deg: float = 0.0

    @property
    def feasible(self) -> bool:
        """True where it violates nothing."""
        return not self.violations


@dataclass(frozen=True, eq=False)
class Aim(ValueEquality, DeclaredFields):
    """All solutions that bring directions of leading shape (...) to the spindle, the best first.

    Solutions stand along an axis of length k, as many as the direction with the most of them has; those that a
    direction lacks are NaN and not `valid`. Index it with leading indices for single directions; of one direction,
    shape (), `solutions` gives plain values.

    Attributes
    ----------
    machine : Machine
    previous_deg : ndarray, shape (..., n)
        Machine angles that the rotaries come from.
    rotary_offset_deg : ndarray, shape (n,)
        Rotary work offsets: program angle = machine angle - offset.
    tilt : "positive", "negative" or None
        The sign asked for.
    machine_deg : ndarray, shape (..., k, n)
        Machine angles, from the base outward. Feasible solutions come first, the exact ones before those at a limit
        within the tolerance, each by least motion; then the others, with
        three moving rotaries those minima of motion that limits or the tilt's sign rule out.
    valid : ndarray of bool, shape (..., k)
        Which of them are solutions.
    feasible : ndarray of bool, shape (..., k)
        Which of them violate neither limits nor the tilt's sign.
    misalignment_deg : ndarray, shape (..., k)
        The angles at which they leave the direction from the spindle; 0 where it gets there.
    singular : ndarray of bool, shape (..., n)
        Rotaries whose angle has no influence; they were kept.
    tilting : ndarray of int, shape (...)
        Place of the outermost rotary that may move.
    """

    machine: Machine
    previous_deg: NDArray[np.float64]
    rotary_offset_deg: NDArray[np.float64]
    tilt: TiltSign | None
    machine_deg: NDArray[np.float64]
    valid: NDArray[np.bool_]
    feasible: NDArray[np.bool_]
    misalignment_deg: NDArray[np.float64]
    singular: NDArray[np.bool_]
    tilting: NDArray[np.int8]

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in _ARRAYS:
            view = getattr(self, name).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    @property
    def shape(self) -> tuple[int, ...]:
        """The leading shape: () for one direction."""
        return self.tilting.shape

    def __getitem__(self, index: int | slice | tuple[int | slice, ...]) -> Aim:
        """The solutions of some of the directions."""
        if not self.shape:
            raise KinematicsError("aim: expected several directions to choose from, found one")
        where = index if isinstance(index, tuple) else (index,)
        if len(where) > len(self.shape) or not all(isinstance(i, (int, slice, np.integer)) for i in where):
            raise KinematicsError(f"aim: expected indices into shape {self.shape}, found {shown(index)}")
        try:
            valid = self.valid[where]
        except IndexError:
            raise KinematicsError(
                f"aim: expected indices into shape {self.shape}, found {shown(index)}"
            ) from None
        k = int(valid.sum(axis=-1).max()) if valid.size else valid.shape[-1]
        return replace(
            self,
            previous_deg=self.previous_deg[where],
            machine_deg=self.machine_deg[where][..., :k, :],
            valid=valid[..., :k],
            feasible=self.feasible[where][..., :k],
            misalignment_deg=self.misalignment_deg[where][..., :k],
            singular=self.singular[where],
            tilting=np.asarray(self.tilting[where]),
        )

    @property
    def move_deg(self) -> NDArray[np.float64]:
        """The signed moves from the previous angles, shape (..., k, n)."""
        moves = [
            rotary.move_deg(
                self.previous_deg[..., None, i], np.where(self.valid, self.machine_deg[..., i], 0.0)
            )
            for i, rotary in enumerate(self.machine.rotaries)
        ]
        return np.where(self.valid[..., None], np.stack(moves, axis=-1), np.nan) + 0.0

    @property
    def motion_deg(self) -> NDArray[np.float64]:
        """The sum of the moves' sizes, shape (..., k)."""
        return _sum_last(np.abs(self.move_deg))

    @property
    def limit_excess_deg(self) -> NDArray[np.float64]:
        """Excess of each rotary over its nearer limit in degrees, shape (..., k, n); 0 within the limits."""
        excess = [_beyond(rotary, self.machine_deg[..., i]) for i, rotary in enumerate(self.machine.rotaries)]
        return np.stack(excess, axis=-1)

    @property
    def wrong_tilt(self) -> NDArray[np.bool_]:
        """Mask of the solutions with the other tilt than was asked for, shape (..., k)."""
        tilts = at_axis(np.moveaxis(self._program_tilt_deg, -1, 0), self.tilting[..., None])
        return self.valid & wrong_sign(tilts, self.tilt)

    @property
    def _program_tilt_deg(self) -> Array:
        """Program angles signed as tilts, shape (..., k, n)."""
        tilts = [
            signed_tilt_deg(rotary, self.machine_deg[..., i] - self.rotary_offset_deg[i], self.valid)
            for i, rotary in enumerate(self.machine.rotaries)
        ]
        return np.stack(tilts, axis=-1)

    def reaches(self, tolerance_deg: float = 0.0) -> NDArray[np.bool_]:
        """Mask of the directions that a feasible solution brings within a tolerance of the spindle, shape (...)."""
        tolerance_deg = as_number(tolerance_deg, "aim, tolerance")
        if not self.valid.shape[-1]:
            return np.zeros(self.shape, dtype=bool)
        return np.asarray(self.feasible[..., 0] & (self.misalignment_deg[..., 0] <= tolerance_deg))

    @cached_property
    def solutions(self) -> tuple[Solution, ...]:
        """The solutions of one direction, the best first; refused for several."""
        if self.shape:
            raise KinematicsError(
                f"aim, solutions: expected one direction, found leading shape {self.shape}; index it first"
            )
        rows = zip(
            self.machine_deg[self.valid].tolist(),
            self.move_deg[self.valid].tolist(),
            self.motion_deg[self.valid].tolist(),
            self.feasible[self.valid].tolist(),
            self.misalignment_deg[self.valid].tolist(),
            strict=True,
        )
        return tuple(
            Solution(
                tuple(angles), tuple(moves), motion, () if fits else self._violations(angles), misalignment
            )
            for angles, moves, motion, fits, misalignment in rows
        )

    @property
    def best(self) -> Solution | None:
        """The feasible solution of least motion of one direction, None where there is none."""
        first = self.solutions[0]
        return first if first.feasible else None

    @property
    def singular_axes(self) -> tuple[str, ...]:
        """Letters of the rotaries whose angle has no influence on one direction."""
        if self.shape:
            raise KinematicsError(
                f"aim, singular axes: expected one direction, found leading shape {self.shape}; index it first"
            )
        letters = zip(self.machine.letters, self.singular.tolist(), strict=True)
        return tuple(letter for letter, singular in letters if singular)

    def _violations(self, angles: list[float]) -> tuple[Violation, ...]:
        found = []
        for rotary, angle in zip(self.machine.rotaries, angles, strict=True):
            excess = float(_beyond(rotary, np.array(angle)))
            if excess > 0.0:
                found.append(Violation("limit", rotary.letter, angle, rotary.limits_deg, excess))
        i = int(self.tilting)
        rotary = self.machine.rotaries[i]
        tilt = float(
            signed_tilt_deg(rotary, np.array(angles[i]) - self.rotary_offset_deg[i], np.ones((), bool))
        )
        if wrong_sign(np.array(tilt), self.tilt):
            found.append(Violation("tilt sign", rotary.letter, tilt, rotary.limits_deg, abs(tilt), self.tilt))
        return tuple(found)


_ARRAYS = (
    "previous_deg",
    "rotary_offset_deg",
    "machine_deg",
    "valid",
    "feasible",
    "misalignment_deg",
    "singular",
    "tilting",
)


def aim(
    machine: Machine,
    direction: ArrayLike,
    previous_deg: ArrayLike,
    *,
    tolerance_deg: float = 0.0,
    held_deg: Mapping[str, float] | None = None,
    tilt: TiltSign | None = None,
    rotary_offset_deg: ArrayLike | None = None,
) -> Aim:
    """Rotary angles within the limits that bring directions to the spindle, ordered by least motion.

    Motion is the sum of what each rotary turns from the previous angles (an endless one the short way round).
    Ties go to the smaller tilt, then to the smaller angles, so that the order never depends on rounding.

    With a tolerance there are more solutions than the exact ones: where the direction lies within it of the last
    moving rotary's line, that rotary counts as singular and is kept; a solution that a limit stops by so little stands
    at the limit.

    Three rotaries left to move reach a direction in a one-parameter family of poses: its minima of motion are listed,
    the least first, and the answer is no only where none of the family lies within the limits. Minima closer than
    0.05 degrees are one. Of more than three, the outermost are held where they come from, and others before the answer
    is no.

    Parameters
    ----------
    machine : Machine
    direction : array_like, shape (..., 3)
        Outward, in machine coordinates at the all-zero pose.
    previous_deg : array_like, shape (..., n)
        Machine angles that the rotaries come from; leading shapes broadcast.
    tolerance_deg : float
        The angle that a direction may stay from the spindle.
    held_deg : mapping of letter to machine angle, optional
        Rotaries that must stand there: at the very angle, no whole turns added, and refused beyond the limits.
    tilt : "positive" or "negative", optional
        The sign that the outermost moving rotary's *program* angle must have; 0 has both.
    rotary_offset_deg : array_like, shape (n,), optional
        Rotary work offsets (program angle = machine angle - offset); none if left out.

    Returns
    -------
    Aim

    Raises
    ------
    KinematicsError
        When a direction has no length, a shape or a value is wrong, a held rotary does not exist or every rotary is
        held.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotationSense
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    >>> found = aim(mill, [[0, -1, 1], [1, 0, 1]], [0, 0])
    >>> found.machine_deg[:, 0].round(6).tolist(), found.feasible.tolist()
    ([[-45.0, 180.0], [-45.0, 270.0]], [[True, False], [True, False]])
    >>> found[0].solutions[1].violations[0].excess_deg.__round__(6)
    15.0
    >>> aim(mill, [0, -1, 1], [0, 0]) == found[0]
    True
    >>> aim(mill, [0, 1], [0, 0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: direction: expected a last axis of 3 numbers, found shape (2,)

    A limit of 90 degrees, 0.0006 degrees too near:

    >>> b = RotaryAxis("B", [0, 0, 0], [0, 1, 0], RotationSense.COUNTERCLOCKWISE, (-30.0, 90.0))
    >>> mill = Machine("mill", (b, c), Platter(face_mm=0.0))
    >>> found = aim(mill, [-1.0, 0.0, -1e-5], [0, 0], tolerance_deg=0.01)
    >>> found.best.machine_deg, round(found.best.misalignment_deg, 6)
    ((90.0, 0.0), 0.000573)
    >>> aim(mill, [-1.0, 0.0, -1e-5], [0, 0], tolerance_deg=0.0001).best is None
    True
    """
    wanted, previous, shape = checked_rows(machine, direction, previous_deg)
    tolerance = as_number(tolerance_deg, "aim, tolerance")
    if tolerance < 0.0:
        raise KinematicsError(f"aim, tolerance: expected 0 or more, found {tolerance:g}")
    problem = AimProblem(
        machine,
        tolerance,
        checked_held(machine, held_deg),
        checked_tilt(tilt, "aim, tilt"),
        _checked_offset(machine, rotary_offset_deg),
    )
    found = solutions_within_limits(problem, wanted, previous)
    return _as_aim(problem, found, previous, shape)


def checked_tilt(tilt: str | None, what: str) -> TiltSign | None:
    """The sign of a tilt, or none."""
    if tilt is None:
        return None
    if isinstance(tilt, str) and tilt == "positive":
        return "positive"
    if isinstance(tilt, str) and tilt == "negative":
        return "negative"
    raise KinematicsError(f'{what}: expected "positive", "negative" or None, found {shown(tilt)}')


def _checked_offset(machine: Machine, rotary_offset_deg: ArrayLike | None) -> Array:
    if rotary_offset_deg is None:
        return np.zeros(len(machine.rotaries))
    offset = machine.angles(rotary_offset_deg)
    if offset.ndim != 1:
        raise KinematicsError(
            f"rotary offsets: expected shape ({len(machine.rotaries)},), found {offset.shape}"
        )
    return offset


def _as_aim(problem: AimProblem, found: Candidates, previous: Array, shape: tuple[int, ...]) -> Aim:
    # Where others were held or a rotary was kept, what was tried before may have been wider.
    slots, count = int(found.valid.any(axis=0).sum()), len(problem.machine.rotaries)
    if slots < found.valid.shape[1] and found.valid.size:
        found = replace(
            found,
            machine_deg=found.machine_deg[..., :slots],
            valid=found.valid[:, :slots],
            feasible=found.feasible[:, :slots],
            misalignment_deg=found.misalignment_deg[:, :slots],
        )
    slots = found.valid.shape[1]
    return Aim(
        problem.machine,
        previous.T.reshape(*shape, count),
        problem.offset_deg,
        problem.tilt,
        np.moveaxis(found.machine_deg, 0, -1).reshape(*shape, slots, count),
        found.valid.reshape(*shape, slots),
        found.feasible.reshape(*shape, slots),
        found.misalignment_deg.reshape(*shape, slots),
        found.singular.T.reshape(*shape, count),
        found.tilting.reshape(shape),
    )


def aim_rows(problem: AimProblem, wanted: Array, previous: Array) -> list[Aim]:
    """The solutions of directions (3, k) of length one from angles (n, k), one `Aim` for each direction."""
    together = _as_aim(
        problem, solutions_within_limits(problem, wanted, previous), previous, (wanted.shape[1],)
    )
    return [together[k] for k in range(wanted.shape[1])]


def _beyond(rotary: RotaryAxis, machine_deg: Array) -> Array:
    """Excess of machine angles (...) over the nearer limit, 0 within the limits (and for NaN)."""
    if rotary.limits_deg is None:
        return np.zeros(machine_deg.shape)
    low, high = rotary.limits_deg
    excess = np.maximum(machine_deg - high, low - machine_deg)
    return np.where(excess > SNAP_DEG, excess, 0.0)


def _sum_last(array: Array) -> Array:
    """The sum over a short last axis, from the first to the last whatever the shape."""
    total = array[..., 0]
    for i in range(1, array.shape[-1]):
        total = total + array[..., i]
    return np.asarray(total)
