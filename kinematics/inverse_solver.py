"""Solutions of orientation kinematics within the rotaries' limits, found for a block of directions at a time.

One or two moving rotaries have the closed form; a third opens a family of poses, whose minima `redundant_solver` finds.
"""

from __future__ import annotations

from dataclasses import replace
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.inverse_candidates import (
    MOST_EQUIVALENT,
    AimProblem,
    Candidates,
    by_motion,
    equivalents_at_most,
    exact_candidates,
    merged,
    ordered,
    rank_keys,
    rows_of,
    slot_counts,
    with_limits,
)
from kinematics.orientation import moving_groups, unrotated_by_held
from kinematics.spherical_triangle import angle_between_rad

__all__ = ["independent_candidates", "solve"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BLOCK = 16384
"""Poses solved at a time: few enough to stay in the processor's cache."""

_MOST_MOVING = 2

_HELD_IN_TURN = 32
"""About as many angles are held in turn where three rotaries move."""


def solve(problem: AimProblem, wanted: Array, previous: Array) -> Candidates:
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
