"""Solutions of orientation kinematics as arrays: equivalent angles within the limits, solutions at a limit, their order.

`orientation` gives the closed form; here every equivalent angle within the limits is listed, the solutions at a limit
are added, and each direction's are put in order. Components come first, shape (n, k, m) for n rotaries, k directions
and m solutions each, so that one rotary's angles lie together in memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import prod
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.machine import SPINDLE, Machine
from kinematics.orientation import HeldAngles, SolvedRows, solve_rows, unrotated_by_held
from kinematics.rotary import RotaryAxis
from kinematics.spherical_triangle import angle_between_rad

__all__ = [
    "MOST_EQUIVALENT",
    "AimProblem",
    "Candidates",
    "TiltSign",
    "at_axis",
    "by_motion",
    "equivalents_at_most",
    "exact_candidates",
    "in_range_deg",
    "merged",
    "motion_to",
    "ordered",
    "range_ends_deg",
    "rank_keys",
    "rotated_directions",
    "rows_of",
    "signed_tilt_deg",
    "slot_counts",
    "with_limits",
    "within_range",
    "wrong_sign",
]

TiltSign = Literal["positive", "negative"]
Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SAME_WITHIN_DEG = 10.0 * SNAP_DEG
"""Solutions whose angles all agree to this are one."""

_SHOWN_ALIKE_DEG = 5e-5
"""A pose at a limit that agrees with another to the digits that are shown says nothing new."""

MOST_EQUIVALENT = 99
"""Of a rotary that can wind up more often than that, the nearest ones: nobody unwinds a hundred turns."""

_PAIR = 2
_NONE = 3
"""Rank of a slot without a solution, after the feasible and the others."""


@dataclass(frozen=True)
class AimProblem:
    """An orientation problem: the machine and the constraints that all directions share.

    `keep_last` False solves for the last rotary even where the direction lies within the tolerance of its line.
    """

    machine: Machine
    tolerance_deg: float
    held: Mapping[int, float | Array]
    tilt: TiltSign | None
    offset_deg: Array
    keep_last: bool = True


@dataclass(frozen=True)
class Candidates:
    """Solutions of k directions in m slots each, components first.

    Attributes
    ----------
    machine_deg : ndarray, shape (n, k, m)
    valid, feasible : ndarray of bool, shape (k, m)
    misalignment_deg : ndarray, shape (k, m)
    singular : ndarray of bool, shape (n, k)
    tilting : ndarray of int, shape (k,)
    """

    machine_deg: Array
    valid: Mask
    feasible: Mask
    misalignment_deg: Array
    singular: Mask
    tilting: NDArray[np.int8]

    def reaches(self, tolerance_deg: float) -> Mask:
        """Mask of the directions whose first solution is feasible and within the tolerance."""
        return np.asarray(self.feasible[:, 0] & (self.misalignment_deg[:, 0] <= tolerance_deg))

    def chosen(self, rows: Any) -> Candidates:  # noqa: ANN401 - whatever indexes an array
        """Those of some directions."""
        return Candidates(
            self.machine_deg[:, rows],
            self.valid[rows],
            self.feasible[rows],
            self.misalignment_deg[rows],
            self.singular[:, rows],
            self.tilting[rows],
        )


def merged(count: int, size: int, parts: list[tuple[Any, Candidates]]) -> Candidates:
    """One set of solutions from those of parts of the directions, as wide as the widest."""
    slots = max((part.valid.shape[1] for _, part in parts), default=0)
    whole = Candidates(
        np.full((count, size, slots), np.nan),
        np.zeros((size, slots), dtype=bool),
        np.zeros((size, slots), dtype=bool),
        np.full((size, slots), np.nan),
        np.zeros((count, size), dtype=bool),
        np.zeros(size, dtype=np.int8),
    )
    for index, part in parts:
        m = part.valid.shape[1]
        whole.machine_deg[:, index, :m] = part.machine_deg
        whole.valid[index, :m] = part.valid
        whole.feasible[index, :m] = part.feasible
        whole.misalignment_deg[index, :m] = part.misalignment_deg
        whole.singular[:, index] = part.singular
        whole.tilting[index] = part.tilting
    return whole


def exact_candidates(
    problem: AimProblem, wanted: Array, previous: Array, held: Mapping[int, float | Array]
) -> Candidates:
    """Every exact solution, with all equivalent angles within the limits, in no order."""
    solved = solve_rows(problem.machine, wanted, previous, held)
    parts = [(rows.index, _equivalents(problem, rows, previous[:, rows.index])) for rows in solved]
    if len(parts) == 1:
        return parts[0][1]
    return merged(len(problem.machine.rotaries), wanted.shape[1], parts)


def rows_of(held: Mapping[int, float | Array], rows: NDArray[np.intp]) -> dict[int, float | Array]:
    """Held angles of some of the directions."""
    return {i: angle[rows] if isinstance(angle, np.ndarray) else angle for i, angle in held.items()}


def equivalents_at_most(rotary: RotaryAxis) -> int:
    """The most equivalent angles that a rotary can have within its limits; one stands for the nearest outside."""
    if rotary.limits_deg is None:
        return 1
    low, high = rotary.limits_deg
    return int((high - low + 2.0 * SNAP_DEG) // 360.0) + 1


def slot_counts(problem: AimProblem) -> tuple[int, ...]:
    """The most equivalent angles listed of each rotary; a held one has the very angle asked for, no whole turns."""
    return tuple(
        1 if i in problem.held else min(equivalents_at_most(rotary), MOST_EQUIVALENT)
        for i, rotary in enumerate(problem.machine.rotaries)
    )


def _equivalents(problem: AimProblem, rows: SolvedRows, previous: Array) -> Candidates:
    """All combinations of the rotaries' equivalent angles; where one has none, the nearest outside its limits."""
    machine = problem.machine
    count, size = rows.machine_deg.shape[1:]
    slots = slot_counts(problem)
    total = prod(slots)
    machine_deg = np.empty((count, size, 2, total))
    valid = np.ones((size, 2, total), dtype=bool)
    feasible = np.ones((size, 2, total), dtype=bool)
    same: Mask = np.ones((size, total), dtype=bool)
    grid = np.indices(slots).reshape(count, total)
    for i, rotary in enumerate(machine.rotaries):
        angle = rows.machine_deg[:, i].T
        if i in problem.held:
            ways, there = angle[..., None], np.ones((*angle.shape, 1), dtype=bool)
            inside = rotary.within(ways)
        else:
            ways, there, inside = _equivalent_angles(rotary, angle, previous[i], problem.offset_deg[i])
        # Where both solutions are one, the second is left out: each of its angles is one of the first's.
        close = np.abs(ways[:, 1, :, None] - ways[:, 0, None, :]) <= _SAME_WITHIN_DEG
        twin = ((close & there[:, 0, None, :]).any(axis=-1)) if slots[i] > 1 else close[..., 0]
        if total == 1:
            machine_deg[i] = ways
            same &= twin
            valid &= there
            feasible &= inside
        else:
            machine_deg[i] = ways[..., grid[i]]
            valid &= there[..., grid[i]]
            feasible &= inside[..., grid[i]]
            same &= np.asarray(twin)[..., grid[i]]
    valid[:, 1] &= ~same
    if problem.tilt is not None:
        tilts = np.stack(
            [
                signed_tilt_deg(rotary, machine_deg[i] - problem.offset_deg[i], valid)
                for i, rotary in enumerate(machine.rotaries)
            ]
        )
        feasible &= ~wrong_sign(at_axis(tilts, rows.tilting[:, None, None]), problem.tilt)
    feasible &= valid
    misalignment = np.where(rows.misalignment_deg > SNAP_DEG, rows.misalignment_deg, 0.0)
    return Candidates(
        machine_deg.reshape(count, size, 2 * total),
        valid.reshape(size, 2 * total),
        feasible.reshape(size, 2 * total),
        np.broadcast_to(misalignment[:, None], (size, 2 * total)),
        rows.singular,
        rows.tilting,
    )


def _equivalent_angles(
    rotary: RotaryAxis, angle_deg: Array, previous_deg: Array, offset_deg: float
) -> tuple[Array, Mask, Mask]:
    """Angles (k, 2) as equivalent machine angles (k, 2, m); which of them there are, and which lie within the limits."""
    if rotary.limits_deg is None:
        ways = wrap_deg(angle_deg - offset_deg) + offset_deg
        every = np.ones((*ways.shape, 1), dtype=bool)
        return ways[..., None], every, every
    low, high = rotary.limits_deg
    first = np.ceil((low - angle_deg - SNAP_DEG) / 360.0)
    last = np.floor((high - angle_deg + SNAP_DEG) / 360.0)
    most = equivalents_at_most(rotary)
    turns = first[..., None] + np.arange(most)
    ways = angle_deg[..., None] + 360.0 * turns
    ways = np.clip(np.where(np.abs(ways) < SNAP_DEG, 0.0, ways), low, high) + 0.0
    there = turns <= last[..., None]
    if most > MOST_EQUIVALENT:
        away = np.where(there, np.abs(ways - previous_deg[:, None, None]), np.inf)
        nearest = np.argsort(away, axis=-1, kind="stable")[..., :MOST_EQUIVALENT]
        ways, there = np.take_along_axis(ways, nearest, -1), np.take_along_axis(there, nearest, -1)
    inside = there.copy()
    none = ~there[..., 0]
    if none.any():
        angle = angle_deg[none]
        above = high + wrap_deg(angle - high)
        below = low - wrap_deg(low - angle)
        ways[none, 0] = np.where(above - high <= low - below, above, below)
        there[none, 0] = True
    return ways, there, inside


def signed_tilt_deg(rotary: RotaryAxis, program_deg: Array, valid: Mask) -> Array:
    """Program angles with the sign that a tilt has: an endless rotary's 330 degrees are a tilt of -30."""
    if rotary.limits_deg is not None:
        return program_deg
    return wrap_deg(np.where(valid, program_deg, 0.0), low_deg=-180.0)


def wrong_sign(tilt_deg: Array, tilt: TiltSign | None) -> Mask:
    """Mask of the tilts with another sign than was asked for."""
    if tilt is None:
        return np.zeros(np.shape(tilt_deg), dtype=bool)
    return np.asarray((-1.0 if tilt == "negative" else 1.0) * tilt_deg < -SNAP_DEG)


def at_axis(by_axis: Array, axis: NDArray[np.int8]) -> Array:
    """Of arrays (n, ...) the one that `axis`, which broadcasts with (...), names at each place."""
    chosen: Array = by_axis[0]
    for i in range(1, by_axis.shape[0]):
        chosen = np.where(axis == i, by_axis[i], chosen)
    return np.asarray(chosen)


def with_limits(problem: AimProblem, wanted: Array, exact: Candidates, held: HeldAngles) -> Candidates:
    """The solutions, and beside them those that stand at a limit, or untilted, within the tolerance.

    Of all poses within the limits the one that leaves a direction nearest to the spindle is an exact solution, or one
    rotary stands at an end of its range and the other as well as it can, or both stand at an end.
    """
    rows = np.flatnonzero((exact.valid & ~exact.feasible).any(axis=-1))
    if problem.tolerance_deg == 0.0 or not rows.size:
        return exact
    machine, parts = problem.machine, []
    for i in range(len(machine.rotaries)):
        if i in held:
            continue
        for end in range_ends_deg(problem, i, exact.tilting):
            near = rows[
                _nearest_deg(problem, wanted[:, rows], rows_of(held, rows), i, end) <= problem.tolerance_deg
            ]
            if near.size:
                parts.append(_at_end(problem, wanted, exact, rows_of(held, near), near, i, end))
    return _with_more(exact, parts) if parts else exact


def range_ends_deg(problem: AimProblem, i: int, tilting: NDArray[np.int8]) -> list[float]:
    """The machine angles at which a rotary's limits, or the tilt's sign, end its range."""
    rotary, offset = problem.machine.rotaries[i], float(problem.offset_deg[i])
    ends = list(rotary.limits_deg or ())
    if problem.tilt is not None and i in tilting:
        ends.append(offset)
        if rotary.limits_deg is None:
            # Half a turn counts as negative: the positive tilts end just short of it.
            ends.append(offset - 180.0 - (2.0 * SNAP_DEG if problem.tilt == "positive" else 0.0))
    return ends


def _nearest_deg(problem: AimProblem, wanted: Array, held: HeldAngles, i: int, angle_deg: float) -> Array:
    """The angles from the spindle at which directions (3, k) stay at best with one more rotary held, limits aside."""
    wanted, lines, _ = unrotated_by_held(problem.machine, wanted, {**held, i: angle_deg})
    if not lines:
        return np.degrees(angle_between_rad(wanted, SPINDLE[:, None]))
    off_line, spindle_off_line = angle_between_rad(lines[0], wanted), angle_between_rad(lines[0], SPINDLE)
    return np.degrees(np.abs(off_line - spindle_off_line))


def _at_end(
    problem: AimProblem,
    wanted: Array,
    exact: Candidates,
    held: HeldAngles,
    rows: NDArray[np.intp],
    i: int,
    end: float,
) -> tuple[NDArray[np.intp], Array, Array]:
    """Feasible poses with one rotary at an end of its range: rows (c,), angles (n, c) and misalignments (c,)."""
    machine, count = problem.machine, len(problem.machine.rotaries)
    first = np.where(exact.valid[rows], exact.machine_deg[:, rows], np.nan)[..., 0]
    held = {**held, i: end}
    if len(held) == count:
        angles = np.stack([np.broadcast_to(held[k], rows.shape) for k in range(count)])[..., None]
    else:
        free = replace(problem, tilt=None, held=held)
        angles = exact_candidates(free, wanted[:, rows], first, held).machine_deg
    row, slot = np.nonzero(~np.isnan(angles[i]))
    angles, rows = in_range_deg(problem, angles[:, row, slot], exact.tilting[rows[row]]), rows[row]
    off = np.degrees(angle_between_rad(rotated_directions(machine, angles, wanted[:, rows]), SPINDLE))
    good = (off <= problem.tolerance_deg) & within_range(problem, angles, exact.tilting[rows])
    return rows[good], angles[:, good], np.where(off > SNAP_DEG, off, 0.0)[good]


def in_range_deg(problem: AimProblem, machine_deg: Array, tilting: NDArray[np.int8]) -> Array:
    """Machine angles (n, c), each beyond an end of its range put there; tilts of the wrong sign are taken to none."""
    angles = machine_deg.copy()
    for i, rotary in enumerate(problem.machine.rotaries):
        if i in problem.held:
            continue
        if rotary.limits_deg is not None:
            np.clip(angles[i], *rotary.limits_deg, out=angles[i])
        if problem.tilt is not None:
            offset = problem.offset_deg[i]
            tilt = signed_tilt_deg(rotary, angles[i] - offset, np.ones(angles.shape[1], dtype=bool))
            # A hair of tilt to the wrong side is none at all, which has both signs.
            angles[i] = np.where((tilting == i) & wrong_sign(tilt, problem.tilt), offset, angles[i])
    return angles


def within_range(problem: AimProblem, machine_deg: Array, tilting: NDArray[np.int8]) -> Mask:
    """Mask of the poses (n, c) that violate neither limits nor the tilt's sign."""
    inside = np.ones(machine_deg.shape[1], dtype=bool)
    for i, rotary in enumerate(problem.machine.rotaries):
        inside &= rotary.within(machine_deg[i])
        if problem.tilt is not None:
            tilt = signed_tilt_deg(rotary, machine_deg[i] - problem.offset_deg[i], inside)
            inside &= (tilting != i) | ~wrong_sign(tilt, problem.tilt)
    return inside


def _with_more(exact: Candidates, parts: list[tuple[NDArray[np.intp], Array, Array]]) -> Candidates:
    """The solutions and further feasible ones, those alike only once."""
    rows = np.concatenate([part[0] for part in parts])
    angles = np.concatenate([part[1] for part in parts], axis=1)
    off = np.concatenate([part[2] for part in parts])
    order = np.lexsort((off, rows))
    rows, angles, off = rows[order], angles[:, order], off[order]
    there = np.where(exact.feasible[rows], exact.machine_deg[:, rows], np.nan)
    with np.errstate(invalid="ignore"):
        new = ~(np.abs(there - angles[..., None]) <= _SHOWN_ALIKE_DEG).all(axis=0).any(axis=-1)
    for back in range(1, rows.size):
        same_row = rows[back:] == rows[:-back]
        if not same_row.any():
            break
        alike = (np.abs(angles[:, back:] - angles[:, :-back]) <= _SHOWN_ALIKE_DEG).all(axis=0)
        new[back:] &= ~(same_row & alike)
    rows, angles, off = rows[new], angles[:, new], off[new]
    if not rows.size:
        return exact
    slot = np.arange(rows.size) - np.searchsorted(rows, rows)
    size, more = exact.valid.shape[0], int(slot.max()) + 1
    there_too = np.zeros((size, more), dtype=bool)
    there_too[rows, slot] = True
    extra = np.full((angles.shape[0], size, more), np.nan)
    extra[:, rows, slot] = angles
    misalignment = np.full((size, more), np.nan)
    misalignment[rows, slot] = off
    return Candidates(
        np.concatenate([exact.machine_deg, extra], axis=-1),
        np.concatenate([exact.valid, there_too], axis=-1),
        np.concatenate([exact.feasible, there_too], axis=-1),
        np.concatenate([exact.misalignment_deg, misalignment], axis=-1),
        exact.singular,
        exact.tilting,
    )


def rotated_directions(machine: Machine, angles_deg: Array, wanted: Array) -> Array:
    """Directions (3, k) as the table carries them round to machine angles (n, k)."""
    everything = dict(enumerate(angles_deg))
    return unrotated_by_held(machine, wanted, everything)[0]


def motion_to(machine: Machine, machine_deg: Array, previous: Array) -> Array:
    """The sum of the moves' sizes, shape (k, m), to angles (n, k, m) from previous ones (n, k)."""
    return sum(
        (
            np.abs(rotary.move_deg(previous[i][:, None], machine_deg[i]))
            for i, rotary in enumerate(machine.rotaries)
        ),
        start=np.zeros(machine_deg.shape[1:]),
    )


def rank_keys(machine_deg: Array, feasible: Mask, motion: Array) -> list[NDArray[Any]]:
    """Sorting keys, the last one first: usable, least motion, smaller angles, the positive of two alike.

    Angles count from the outermost rotary on. Those further out than the tilt are held, so that the smaller tilt decides.
    """
    sizes = np.rint(np.abs(machine_deg) * 1e6)
    negative = machine_deg < 0.0
    return [*negative[::-1], *sizes[::-1], np.rint(motion * 1e6), ~feasible]


def by_motion(problem: AimProblem, found: Candidates, previous: Array) -> Candidates:
    """The solutions of each direction, the best first, and no wider than they need be.

    Feasible ones come first, of these the exact ones, then by least motion.
    """
    valid = found.valid
    machine_deg = np.where(valid, found.machine_deg, 0.0)
    motion = motion_to(problem.machine, machine_deg, previous)
    coarse = np.rint(motion * 1e6)
    # Exact ones before those at a limit: nobody wants the limit where the direction itself can be had.
    at_limit = found.misalignment_deg > SNAP_DEG
    rank = np.where(found.feasible, np.where(at_limit, 1, 0), np.where(valid, 2, _NONE))
    if valid.shape[1] == _PAIR:
        alike = rank[:, 0] == rank[:, 1]
        swapped = np.where(alike, coarse[:, 0] > coarse[:, 1], rank[:, 0] > rank[:, 1])
        order = np.stack([swapped, ~swapped], axis=-1).astype(np.intp)
    else:
        order = np.lexsort((coarse, rank), axis=-1)
    # Only where solutions tie do their angles decide: that is rare, and looking at them all is dear.
    ranks, motions = _taken(rank, order), _taken(coarse, order)
    tied = (ranks[:, :-1] == ranks[:, 1:]) & (motions[:, :-1] == motions[:, 1:])
    rows = np.flatnonzero((tied & (ranks[:, :-1] < _NONE)).any(axis=-1))
    if rows.size:
        keys = rank_keys(machine_deg[:, rows], found.feasible[rows], motion[rows])
        order[rows] = np.lexsort((*keys, rank[rows]), axis=-1)
    return ordered(found, order)


def _taken(array: NDArray[Any], order: NDArray[np.intp]) -> NDArray[Any]:
    """Columns in the order of each row; of two columns, which most machines have, by one comparison."""
    if array.shape[1] == _PAIR:
        return np.where(order[:, :1] == 0, array, array[:, ::-1])
    return np.take_along_axis(array, order, -1)


def ordered(found: Candidates, order: NDArray[np.intp]) -> Candidates:
    """The solutions in an order that puts the valid ones first, no wider than they need be."""
    valid = found.valid
    width = int(valid.sum(axis=-1).max()) if valid.size else valid.shape[1]
    there = _taken(valid, order)[:, :width]
    blank = ~there
    angles = np.stack([_taken(one, order)[:, :width] for one in found.machine_deg])
    misalignment = _taken(found.misalignment_deg, order)[:, :width]
    if blank.any():
        angles[:, blank] = np.nan
        misalignment[blank] = np.nan
    return Candidates(
        angles,
        there,
        _taken(found.feasible, order)[:, :width],
        misalignment,
        found.singular,
        found.tilting,
    )
