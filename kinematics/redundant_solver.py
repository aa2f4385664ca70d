"""Three moving rotaries: of the one-parameter family of poses that reach a direction, those of locally least motion.

Motion is a sum of sizes, so that along the family it has a minimum where a rotary keeps its angle, where a limit ends
the family, or where it is stationary between them. Holding one rotary at each such angle leaves two, whose closed form
is exact; a minimum is then what no neighbour along the family undercuts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.inverse_candidates import (
    AimProblem,
    Candidates,
    by_motion,
    carried,
    exact_candidates,
    in_range_deg,
    motion_to,
    range_ends_deg,
    rows_of,
    within_range,
)
from kinematics.machine import SPINDLE
from kinematics.orientation import solve_rows, tilting_rotary, unrotated_by_held
from kinematics.self_motion import stationary_turns_deg
from kinematics.spherical_triangle import SINGULAR_WITHIN_RAD, angle_between_rad, azimuth_rad

__all__ = ["redundant_candidates"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Rows = NDArray[np.intp]
HeldAngles = Mapping[int, float | Array]

_STEP_DEG = 0.01
"""How far along the family a minimum is compared with its neighbours."""

_ALIKE_DEG = 5.0 * _STEP_DEG
"""Minima closer than this in every rotary are one."""

_NO_LESS_DEG = 3.0 * SNAP_DEG
"""A neighbour whose motion is less by no more than this is not less: the angles themselves are rounded."""


@dataclass(frozen=True)
class _Poses:
    """Poses of directions, one after the other: rows (c,), angles (n, c), misalignments (c,)."""

    rows: Rows
    machine_deg: Array
    misalignment_deg: Array

    def chosen(self, which: Mask | Rows | slice) -> _Poses:
        return _Poses(self.rows[which], self.machine_deg[:, which], self.misalignment_deg[which])


def _joined(parts: list[_Poses]) -> _Poses:
    return _Poses(
        np.concatenate([part.rows for part in parts]),
        np.concatenate([part.machine_deg for part in parts], axis=1),
        np.concatenate([part.misalignment_deg for part in parts]),
    )


@dataclass(frozen=True)
class _Family:
    """The problem with three rotaries left to move: directions (3, k), previous angles (n, k) and what is held."""

    problem: AimProblem
    wanted: Array
    previous: Array
    held: HeldAngles
    moving: tuple[int, ...]
    tilting: NDArray[np.int8]

    def held_with(self, rows: Rows, more: HeldAngles) -> _Poses:
        """All equivalent poses of directions with further rotaries held, each angle one or shape of `rows`."""
        free = replace(self.problem, tilt=None)
        found = exact_candidates(
            free, self.wanted[:, rows], self.previous[:, rows], {**rows_of(self.held, rows), **more}
        )
        row, slot = np.nonzero(found.valid)
        return _Poses(rows[row], found.machine_deg[:, row, slot], found.misalignment_deg[row, slot])

    def feasible(self, machine_deg: Array, rows: Rows) -> Mask:
        """Mask of the poses (n, c) of directions that violate neither limits nor the tilt's sign."""
        return within_range(self.problem, machine_deg, self.tilting[rows])

    def motion(self, poses: _Poses) -> Array:
        """The sum of the moves' sizes, shape (c,)."""
        return motion_to(self.problem.machine, poses.machine_deg[:, :, None], self.previous[:, poses.rows])[
            :, 0
        ]

    def ends(self, i: int) -> list[float]:
        """The machine angles at which a rotary's limits, its turn of numbers or the tilt's sign end the family."""
        rotary, offset = self.problem.machine.rotaries[i], float(self.problem.offset_deg[i])
        ends = range_ends_deg(self.problem, i, self.tilting)
        if rotary.limits_deg is None and rotary.moves_as_numbered:
            # From 359.99 on to 0 is nearly a turn back.
            ends += [offset, offset + 360.0 - 2.0 * SNAP_DEG]
        return ends


def redundant_candidates(problem: AimProblem, wanted: Array, previous: Array) -> Candidates:
    """The poses of locally least motion of directions (3, k), with three rotaries left to move; the best first.

    Feasible ones first; then the minima with limits and tilt ignored, which say what rules a lesser motion out. Where
    no pose reaches the direction, the nearest ones.
    """
    size = wanted.shape[1]
    _, lines, moving = unrotated_by_held(problem.machine, wanted, problem.held)
    family = _Family(problem, wanted, previous, problem.held, moving, tilting_rotary(lines, moving, size))
    poses = _pool(family)
    missing = np.setdiff1d(np.arange(size), poses.rows)
    minima = _minima(family, poses)
    parts = [minima]
    if missing.size:
        parts.append(_nearest(family, missing))
    if problem.tolerance_deg > 0.0:
        parts.append(_at_ends(family))
    return _as_candidates(family, _joined(parts))


def _pool(family: _Family) -> _Poses:
    """Every exact pose that may be of least motion."""
    everything = np.arange(family.wanted.shape[1])
    direction, lines, _ = unrotated_by_held(family.problem.machine, family.wanted, family.held)
    rows, turns = stationary_turns_deg(lines, direction)
    parts = []
    for place, i in enumerate(family.moving):
        at_rows = [everything]
        at = [family.previous[i]]
        for end in family.ends(i):
            at_rows.append(everything)
            at.append(np.full(everything.size, end))
        if place == 1:
            at_rows.append(rows)
            at.append(family.problem.machine.rotaries[i].machine_deg(turns))
        parts.append(family.held_with(np.concatenate(at_rows), {i: np.concatenate(at)}))
    flat = np.flatnonzero(_freedoms(lines, direction) > 1)
    if flat.size:
        # With two turns free at once one rotary held leaves another free: both stand where they come from, or at an end.
        ways = {
            i: [family.previous[i][flat], *(np.full(flat.size, end) for end in family.ends(i))]
            for i in family.moving
        }
        for i, j in combinations(family.moving, 2):
            parts += [family.held_with(flat, {i: one, j: other}) for one, other in product(ways[i], ways[j])]
    found = _joined(parts)
    return found.chosen(found.misalignment_deg == 0.0)


def _freedoms(lines: list[Array], direction: Array) -> NDArray[np.intp]:
    """Number of turns that leave the direction where it is, at every pose, shape (k,); more than one is no curve."""
    pairs = ((lines[0], SPINDLE), (lines[0], lines[1]), (lines[1], lines[2]), (lines[2], direction))
    parallel = [np.sin(angle_between_rad(one, other)) < SINGULAR_WITHIN_RAD for one, other in pairs]
    return np.asarray(sum((np.where(one, 1, 0) for one in parallel), np.zeros(direction.shape[1], np.intp)))


def _minima(family: _Family, poses: _Poses) -> _Poses:
    """Those poses whose motion no neighbour along the family undercuts; of each direction one at least."""
    feasible, motion = family.feasible(poses.machine_deg, poses.rows), family.motion(poses)
    least = np.ones(poses.rows.size, dtype=bool)
    count = poses.rows.size
    both = np.tile(np.arange(count), 2)
    steps = np.repeat([-_STEP_DEG, _STEP_DEG], count)
    here, wanted = poses.chosen(both), family.wanted[:, poses.rows[both]]
    held = rows_of(family.held, here.rows)
    for i in family.moving:
        # What is singular or parallel there stays as it is here.
        for part in solve_rows(
            family.problem.machine, wanted, here.machine_deg, {**held, i: here.machine_deg[i] + steps}
        ):
            index, start = both[part.index], here.chosen(part.index)
            exact = part.misalignment_deg <= SNAP_DEG
            for angles in part.machine_deg:
                away = wrap_deg(angles - start.machine_deg, low_deg=-180.0)
                there = replace(start, machine_deg=start.machine_deg + away)
                near = exact & (np.abs(away).max(axis=0) <= _ALIKE_DEG)
                allowed = near & (family.feasible(there.machine_deg, there.rows) | ~feasible[index])
                lesser = family.motion(there) < motion[index] - _NO_LESS_DEG
                least[index[allowed & lesser]] = False
    # The least of all is a minimum whatever rounding says; of a direction without a feasible pose, of the others.
    rank = np.lexsort((motion, ~feasible, poses.rows))
    first = np.ones(count, dtype=bool)
    first[1:] = poses.rows[rank][1:] != poses.rows[rank][:-1]
    least[rank[first]] = True
    return poses.chosen(least)


def _nearest(family: _Family, rows: Rows) -> _Poses:
    """For directions that no pose reaches: the poses that bring them nearest to the spindle."""
    machine, outer = family.problem.machine, family.moving[0]
    _, lines, _ = unrotated_by_held(machine, family.wanted[:, rows], rows_of(family.held, rows))
    # The second line nearest to the spindle, or farthest from it, lies in one plane with the first.
    turn = np.degrees(azimuth_rad(lines[0], lines[1], SPINDLE))
    parts = [
        family.held_with(
            rows, {outer: np.broadcast_to(machine.rotaries[outer].machine_deg(turn + half), rows.shape)}
        )
        for half in (0.0, 180.0)
    ]
    found = _joined(parts)
    least = np.full(family.wanted.shape[1], np.inf)
    np.minimum.at(least, found.rows, found.misalignment_deg)
    return found.chosen(found.misalignment_deg <= least[found.rows] + SNAP_DEG)


def _at_ends(family: _Family) -> _Poses:
    """Feasible poses at a limit, or untilted, that leave a direction within the tolerance of the spindle."""
    machine, rows = family.problem.machine, np.arange(family.wanted.shape[1])
    parts = []
    for i in family.moving:
        parts += [family.held_with(rows, {i: np.full(rows.size, end)}) for end in family.ends(i)]
    for i, j in combinations(family.moving, 2):
        parts += [
            family.held_with(rows, {i: np.full(rows.size, one), j: np.full(rows.size, other)})
            for one in family.ends(i)
            for other in family.ends(j)
        ]
    if not parts:
        return _Poses(np.zeros(0, dtype=np.intp), np.zeros((len(machine.rotaries), 0)), np.zeros(0))
    found = _joined(parts)
    angles = in_range_deg(family.problem, found.machine_deg, family.tilting[found.rows])
    off = np.degrees(angle_between_rad(carried(machine, angles, family.wanted[:, found.rows]), SPINDLE))
    good = (off > SNAP_DEG) & (off <= family.problem.tolerance_deg) & family.feasible(angles, found.rows)
    return _Poses(found.rows[good], angles[:, good], off[good])


def _as_candidates(family: _Family, poses: _Poses) -> Candidates:
    """The poses side by side for each direction, those alike only once, the best first."""
    machine, size = family.problem.machine, family.wanted.shape[1]
    feasible, motion = family.feasible(poses.machine_deg, poses.rows), family.motion(poses)
    exact = poses.misalignment_deg <= SNAP_DEG
    # Of equal ones the earlier: it holds a rotary at its very angle.
    order = np.lexsort((np.rint(motion * 1e6), ~exact, ~feasible, poses.rows))
    poses, feasible, exact = poses.chosen(order), feasible[order], exact[order]
    kept = np.ones(poses.rows.size, dtype=bool)
    for back in range(1, poses.rows.size):
        same_row = poses.rows[back:] == poses.rows[:-back]
        if not same_row.any():
            break
        away = np.zeros(same_row.shape)
        for i, rotary in enumerate(machine.rotaries):
            apart = poses.machine_deg[i, back:] - poses.machine_deg[i, :-back]
            if rotary.limits_deg is None:
                apart = wrap_deg(apart, low_deg=-180.0)
            away = np.maximum(away, np.abs(apart))
        kept[back:] &= ~(same_row & (away < _ALIKE_DEG) & kept[:-back])
    poses, feasible = poses.chosen(kept), feasible[kept]
    starts = np.searchsorted(poses.rows, np.arange(size))
    slot = np.arange(poses.rows.size) - starts[poses.rows]
    width = int(slot.max()) + 1 if slot.size else 0
    machine_deg = np.full((len(machine.rotaries), size, width), np.nan)
    misalignment = np.full((size, width), np.nan)
    valid, usable = np.zeros((size, width), dtype=bool), np.zeros((size, width), dtype=bool)
    machine_deg[:, poses.rows, slot] = poses.machine_deg
    misalignment[poses.rows, slot] = poses.misalignment_deg
    valid[poses.rows, slot] = True
    usable[poses.rows, slot] = feasible
    found = Candidates(
        machine_deg,
        valid,
        usable,
        misalignment,
        _singular(family),
        family.tilting,
    )
    return by_motion(family.problem, found, family.previous)


def _singular(family: _Family) -> Mask:
    """Mask (n, k) of the rotaries whose angle has no influence: the innermost, or the outermost, of the moving ones."""
    direction, lines, moving = unrotated_by_held(family.problem.machine, family.wanted, family.held)
    singular = np.zeros((len(family.problem.machine.rotaries), family.wanted.shape[1]), dtype=bool)
    singular[moving[-1]] = np.sin(angle_between_rad(lines[-1], direction)) < SINGULAR_WITHIN_RAD
    singular[moving[0]] = np.sin(angle_between_rad(lines[0], SPINDLE)) < SINGULAR_WITHIN_RAD
    return singular
