"""The order of work over all nests: nest by nest, or tilt by tilt with the least index motion."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics import (
    Aim,
    Machine,
    PlacedOperation,
    PoseOrder,
    Setup,
    UnreachableOperation,
    index_moves_deg,
    least_motion_order,
    tour_motion,
)
from kinematics.inverse_candidates import signed_tilt_deg
from kinematics.work_order import EXACT_UP_TO
from tiltwright.files.loader import ReadJob

__all__ = ["BetterTilts", "Place", "TiltChoice", "WorkOrder", "order_of_work"]

Place = tuple[int, int]
"""An operation in a nest: which nest, and which of its operations, both from 0."""

Results = Sequence[PlacedOperation | UnreachableOperation]

_SAME_POSE_DIGITS = 6
_MOST_POSES_COMPARED = 40
"""Up to here a job that works nest by nest is told what going tilt by tilt would save."""


_MOST_CHOICES = 4096
"""Choices of tilts among which the least motion is looked for."""
_MOST_ORDERED = 256
"""Of these so many are put in order at most; a bound on the motion rules the others out."""
_WORTH_DEG = 0.5
_UPRIGHT_DEG = 1e-6
_ALIKE_DEG = 0.1
"""Moves that differ by less are alike: measured lines change an aimed angle by thousandths of a degree."""

Tilt = Literal["positive", "negative"]


@dataclass(frozen=True)
class BetterTilts:
    """Other tilts that make the index motion less: each operation's name with its tilt, and the motion with all of them."""

    changes: tuple[tuple[str, Tilt], ...]
    motion_deg: float


@dataclass(frozen=True)
class TiltChoice:
    """Operations that two tilts serve, where the job leaves the choice open; each keeps the one that it was aimed at.

    Attributes
    ----------
    operations : tuple of str
    compared : bool
        True where no other choice of their tilts, in whatever order, has less motion than the better one has, or than the
        order of work where there is none better. False where there are too many to be sure.
    better : BetterTilts or None
        The choice of tilts with the least motion that was found; None where that is the order of work's own.
    """

    operations: tuple[str, ...]
    compared: bool
    better: BetterTilts | None


@dataclass(frozen=True, eq=False)
class WorkOrder:
    """The order in which operations are done, over all nests.

    Attributes
    ----------
    by : "by nest" or "by tilt"
    groups : tuple of tuple of Place
        In the order of work; by nest those of each nest, by tilt those of each pose.
    poses : int
        Different poses.
    motion_deg : float
        The sum of all rotaries' moves: from program zero through all operations and back.
    other_deg : float or None
        The same in the other order, by tilt or by nest; None where it was not worked out.
    time_s, other_s : float or None
        The time of these moves where every rotary's index speed is stated, rotaries together.
    exact : bool
        True where no order by tilt has less motion, to a tenth of a degree.
    tilt_choice : TiltChoice or None
        By tilt; None where the job leaves no tilt open.
    """

    by: Literal["by nest", "by tilt"]
    groups: tuple[tuple[Place, ...], ...]
    poses: int
    motion_deg: float
    other_deg: float | None
    time_s: float | None
    other_s: float | None
    exact: bool
    tilt_choice: TiltChoice | None = None

    @property
    def places(self) -> tuple[Place, ...]:
        """The operations, one after the other."""
        return tuple(place for group in self.groups for place in group)


@dataclass(frozen=True, eq=False)
class _Poses:
    """The poses of all operations, each once."""

    moves_deg: NDArray[np.float64]
    members: tuple[tuple[Place, ...], ...]
    of: dict[Place, int]


def order_of_work(views: Sequence[ReadJob], setups: Sequence[Setup], results: Sequence[Results]) -> WorkOrder:
    """The order of work over all nests, as the jobs state it; by nest where they do not agree.

    Parameters
    ----------
    views : sequence of ReadJob
        The job as each nest sees it.
    setups : sequence of Setup
    results : sequence of placed or unreachable operations
        Of each nest, in the order of its file.
    """
    by_tilt = all(view.file.order == "by tilt" for view in views)
    nest_groups = tuple(tuple((n, k) for k in range(len(nest))) for n, nest in enumerate(results))
    poses = _poses(views, setups, results)
    speeds = _speeds(views[0])
    in_nests = [poses.of[place] for group in nest_groups for place in group if place in poses.of]
    nest_deg, nest_s = _tour(poses, in_nests, speeds)
    if not by_tilt and (len(views) < 2 or len(poses.members) > _MOST_POSES_COMPARED):
        count = len(poses.members)
        return WorkOrder("by nest", nest_groups, count, nest_deg, None, nest_s, None, exact=False)
    before = _before(views, results, poses)
    if before is None:
        # One pose holds operations that must stand apart: then each operation has its poses for itself.
        poses = _poses(views, setups, results, apart=True)
        before = _before(views, results, poses) or set()
    found = _steady_order(poses, speeds, before)
    tilt_deg, tilt_s = _tour(poses, found.order, speeds)
    count = len({*_pose_keys(views[0].machine, results).values()})
    if not by_tilt:
        return WorkOrder("by nest", nest_groups, count, nest_deg, tilt_deg, nest_s, tilt_s, found.exact)
    placed = tuple(poses.members[pose] for pose in found.order)
    unreached = tuple(place for group in nest_groups for place in group if place not in poses.of)
    groups = (*placed, unreached) if unreached else placed
    choice = _tilt_choice(views, setups, results, tilt_deg)
    return WorkOrder("by tilt", groups, count, tilt_deg, nest_deg, tilt_s, nest_s, found.exact, choice)


def _tilt_choice(
    views: Sequence[ReadJob], setups: Sequence[Setup], results: Sequence[Results], motion_deg: float
) -> TiltChoice | None:
    """The operations that two tilts serve, and the choice of all their tilts that makes the motion least.

    Branch and bound: every choice has a lower bound (`_motion_bounds`), and only those that may be less are put in order.
    """
    open_ones: list[_OpenTilt] = []
    asked = dict.fromkeys((view.path, k) for view in views for k in range(len(view.operations)))
    for path, k in asked:
        tilts: tuple[Tilt, ...] = ("positive", "negative")
        tries = [(tilt, _with_tilt(views, results, (path, k), tilt)) for tilt in tilts]
        ways = tuple((tilt, changed) for tilt, changed in tries if changed is not None)
        if ways:
            name = next(view.operations[k].name for view in views if view.path == path)
            open_ones.append(_OpenTilt(name, (path, k), ways))
    names = tuple(dict.fromkeys(one.name for one in open_ones))
    if not names:
        return None
    if math.prod(1 + len(one.ways) for one in open_ones) > _MOST_CHOICES:
        return TiltChoice(names, compared=False, better=None)
    choices = np.array(list(itertools.product(*(range(1 + len(one.ways)) for one in open_ones))))
    bounds = _motion_bounds(views, setups, results, open_ones, choices)
    fewest = (choices > 0).sum(axis=1)
    best, best_deg, ordered = np.zeros(len(open_ones), dtype=int), motion_deg, 0
    for place in np.lexsort((fewest, bounds.round(_SAME_POSE_DIGITS))).tolist():
        if bounds[place] > best_deg - _WORTH_DEG:
            return TiltChoice(names, compared=True, better=_better(open_ones, best, best_deg))
        choice = choices[place]
        if not choice.any():
            continue
        chosen = _with_choice(results, open_ones, choice)
        poses = _poses(views, setups, chosen)
        before = _before(views, chosen, poses)
        if ordered == _MOST_ORDERED or len(poses.members) > EXACT_UP_TO or before is None:
            return TiltChoice(names, compared=False, better=_better(open_ones, best, best_deg))
        ordered += 1
        order = least_motion_order(poses.moves_deg.sum(axis=-1), before)
        if order.motion < best_deg - _WORTH_DEG:
            best, best_deg = choice, order.motion
    return TiltChoice(names, compared=True, better=_better(open_ones, best, best_deg))


@dataclass(frozen=True, eq=False)
class _OpenTilt:
    """An operation of a file whose tilt is open, and what all results are with it at another one."""

    name: str
    which: tuple[object, int]
    ways: tuple[tuple[Tilt, Sequence[Results]], ...]


def _better(
    open_ones: Sequence[_OpenTilt], choice: NDArray[np.int64], motion_deg: float
) -> BetterTilts | None:
    changes = tuple(
        (one.name, one.ways[way - 1][0]) for one, way in zip(open_ones, choice.tolist(), strict=True) if way
    )
    return BetterTilts(changes, motion_deg) if changes else None


def _with_choice(
    results: Sequence[Results], open_ones: Sequence[_OpenTilt], choice: NDArray[np.int64]
) -> Sequence[Results]:
    """The results with each open operation as chosen: 0 as it is, else one of its ways."""
    found = [list(nest) for nest in results]
    for one, way in zip(open_ones, choice.tolist(), strict=True):
        if not way:
            continue
        for own, turned, was in zip(found, one.ways[way - 1][1], results, strict=True):
            for k, placed in enumerate(turned):
                if placed is not was[k]:
                    own[k] = placed
    return [tuple(nest) for nest in found]


def _motion_bounds(
    views: Sequence[ReadJob],
    setups: Sequence[Setup],
    results: Sequence[Results],
    open_ones: Sequence[_OpenTilt],
    choices: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Lower bounds of the motion of choices, shape (m,).

    Whatever the order, a rotary with limits goes from the start to both its outermost angles and back, an endless one at
    least to the angle that is farthest from the start.
    """
    machine = views[0].machine
    places = [
        (n, k)
        for n, nest in enumerate(results)
        for k, one in enumerate(nest)
        if isinstance(one, PlacedOperation)
    ]

    def angles_of(each: Sequence[Results]) -> NDArray[np.float64]:
        placed = [each[n][k] for n, k in places]
        return np.array([one.machine_deg for one in placed if isinstance(one, PlacedOperation)])

    turned = np.repeat(angles_of(results)[None], len(choices), axis=0)
    for j, one in enumerate(open_ones):
        own = [(views[n].path, results[n][k].operation) == one.which for n, k in places]
        for way, (_, changed) in enumerate(one.ways, start=1):
            turned[np.ix_(choices[:, j] == way, own)] = angles_of(changed)[own]
    start, found = setups[0].start_deg, np.zeros(len(choices))
    for i, rotary in enumerate(machine.rotaries):
        away = turned[..., i] - start[i]
        if rotary.limits_deg is None:
            found += 2.0 * np.abs(np.remainder(away + 180.0, 360.0) - 180.0).max(axis=1)
        else:
            found += 2.0 * (away.max(axis=1, initial=0.0) - away.min(axis=1, initial=0.0))
    return found


def _with_tilt(
    views: Sequence[ReadJob], results: Sequence[Results], which: tuple[object, int], tilt: Tilt
) -> Sequence[Results] | None:
    """The results with one operation at a tilt, in every nest and repeat; None where one cannot, or all are so already."""
    changed: list[Results] = []
    moved = False
    for view, nest in zip(views, results, strict=True):
        own: list[PlacedOperation | UnreachableOperation] = []
        for one in nest:
            if (view.path, one.operation) != which:
                own.append(one)
                continue
            asked = view.operations[one.operation]
            if not isinstance(one, PlacedOperation) or one.aim is None or asked.tilt is not None:
                return None
            sign = 1.0 if tilt == "positive" else -1.0
            turned = [
                solution.machine_deg
                for solution in one.aim.solutions
                if solution.feasible and sign * _tilt_deg(one.aim, solution.machine_deg) > _UPRIGHT_DEG
            ]
            if not turned:
                return None
            # A correction turns the operation at this tilt as at the other.
            there = np.array(turned[0]) + (one.rotary_offset_deg - one.aim.rotary_offset_deg)
            if sign * _tilt_deg(one.aim, one.machine_deg) > _UPRIGHT_DEG:
                there = one.machine_deg
            else:
                moved = True
            own.append(replace(one, machine_deg=there))
        changed.append(tuple(own))
    return changed if moved else None


def _tilt_deg(aim: Aim, machine_deg: Sequence[float] | NDArray[np.float64]) -> float:
    """The tilting rotary's program angle at machine angles, with the sign by which a tilt is asked for."""
    k = int(aim.tilting)
    program_deg = np.asarray(machine_deg[k] - aim.rotary_offset_deg[k])
    return float(signed_tilt_deg(aim.machine.rotaries[k], program_deg, np.ones((), dtype=bool)))


def _pose_keys(machine: Machine, results: Sequence[Results]) -> dict[Place, tuple[float, ...]]:
    """Each placed operation's machine angles, rounded, whole turns of endless rotaries left out."""
    keys = {}
    for n, nest in enumerate(results):
        for k, one in enumerate(nest):
            if isinstance(one, PlacedOperation):
                turned = [
                    angle if rotary.limits_deg is not None else angle % 360.0
                    for angle, rotary in zip(one.machine_deg.tolist(), machine.rotaries, strict=True)
                ]
                rounded = [round(angle, _SAME_POSE_DIGITS) for angle in turned]
                keys[n, k] = tuple(
                    0.0 if rotary.limits_deg is None and angle == 360.0 else angle + 0.0
                    for angle, rotary in zip(rounded, machine.rotaries, strict=True)
                )
    return keys


def _poses(
    views: Sequence[ReadJob], setups: Sequence[Setup], results: Sequence[Results], *, apart: bool = False
) -> _Poses:
    machine = views[0].machine
    found: dict[tuple[object, ...], list[Place]] = {}
    for place, key in _pose_keys(machine, results).items():
        n, k = place
        own = (views[n].path, results[n][k].name) if apart else ()
        found.setdefault((key, *own), []).append(place)
    members = tuple(map(tuple, found.values()))
    poses = []
    for (n, k), *_ in members:
        first = results[n][k]
        assert isinstance(first, PlacedOperation)  # only these have a pose
        poses.append(first.machine_deg)
    moves = index_moves_deg(machine, setups[0].start_deg, np.array(poses).reshape(-1, len(machine.rotaries)))
    return _Poses(moves, members, {place: k for k, group in enumerate(members) for place in group})


def _speeds(view: ReadJob) -> NDArray[np.float64] | None:
    """Degrees a second of every rotary; None where one is not stated."""
    speeds = [rotary.index_speed for rotary in view.machine_file.file.rotary]
    stated = [speed for speed in speeds if speed is not None]
    return np.array(stated) if len(stated) == len(speeds) else None


def _tour(
    poses: _Poses, order: Sequence[int], speeds: NDArray[np.float64] | None
) -> tuple[float, float | None]:
    """The motion, and the time where speeds are known, from the start through poses and back."""
    motion = tour_motion(poses.moves_deg.sum(axis=-1), order)
    if speeds is None:
        return motion, None
    return motion, tour_motion((poses.moves_deg / speeds).max(axis=-1), order)


def _steady_order(
    poses: _Poses, speeds: NDArray[np.float64] | None, before: set[tuple[int, int]]
) -> PoseOrder:
    """The order of least motion; of orders with as much, the quickest where speeds are known, then the file's.

    Without this a new calibration would decide between them by thousandths of a degree, and work offsets that take the
    next free number would change places under programs that call them.
    """
    moves_deg = np.maximum(poses.moves_deg, poses.moves_deg.swapaxes(0, 1))
    time_s = np.zeros(moves_deg.shape[:2]) if speeds is None else (moves_deg / speeds).max(axis=-1)
    # Whole numbers, so that equal sums are equal: motion first, then time in tenths of a second.
    costs = np.rint(moves_deg / _ALIKE_DEG).sum(axis=-1) * 1e6 + np.rint(time_s * 10.0)
    least = least_motion_order(moves_deg.sum(axis=-1), before)
    ahead = least_motion_order(costs, before).order
    back = least_motion_order(costs, {(second, first) for first, second in before}).order
    orders = [
        order
        for order in (ahead, ahead[::-1], back, back[::-1])
        if all(order.index(first) < order.index(second) for first, second in before)
    ]
    steady = min(orders, key=lambda order: (tour_motion(costs, order), order))
    motion = tour_motion(poses.moves_deg.sum(axis=-1), steady)
    return least if motion > least.motion + _ALIKE_DEG else replace(least, order=steady, motion=motion)


def _before(
    views: Sequence[ReadJob], results: Sequence[Results], poses: _Poses
) -> set[tuple[int, int]] | None:
    """Pairs of poses that `after` puts in order; None where they go round in a ring."""
    pairs: set[tuple[int, int]] = set()
    for n, (view, nest) in enumerate(zip(views, results, strict=True)):
        places: dict[str, list[Place]] = {}
        for k, one in enumerate(nest):
            places.setdefault(view.file.operation[one.operation].name, []).append((n, k))
        for k, one in enumerate(nest):
            firsts = [
                place
                for name in view.file.operation[one.operation].after or ()
                for place in places.get(name, [])
            ]
            pairs |= {
                (poses.of[first], poses.of[n, k])
                for first in firsts
                if first in poses.of and (n, k) in poses.of
            }
    # Done in one pose, the order within it is that of the file.
    pairs = {(first, second) for first, second in pairs if first != second}
    left, done = {pose for pair in pairs for pose in pair}, set[int]()
    while left:
        ready = {pose for pose in left if all(first in done for first, second in pairs if second == pose)}
        if not ready:
            return None
        done |= ready
        left -= ready
    return pairs
