"""The order in which the poses of a batch are visited, so that the rotaries index least."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import as_array, as_instance, is_list, shown

__all__ = ["EXACT_UP_TO", "PoseOrder", "index_moves_deg", "least_motion_order", "tour_motion"]

EXACT_UP_TO = 12
"""Poses up to which the order of least motion is found exactly."""

_SAME = 1e-9
Predecessors = Sequence[frozenset[int]]


@dataclass(frozen=True)
class PoseOrder(DeclaredFields):
    """An order of poses, from the start through all of them and back.

    Attributes
    ----------
    order : tuple of int
        Poses, from 0.
    motion : float
        The sum of its moves, in the unit of the costs.
    exact : bool
        True where no other order has less.
    """

    order: tuple[int, ...]
    motion: float
    exact: bool


def index_moves_deg(machine: Machine, start_deg: ArrayLike, poses_deg: ArrayLike) -> NDArray[np.float64]:
    """The moves of every rotary between a start and k poses, each to each.

    Parameters
    ----------
    machine : Machine
    start_deg : array_like, shape (n,)
        Machine angles before the first and after the last.
    poses_deg : array_like, shape (k, n)
        Machine angles of the poses.

    Returns
    -------
    ndarray, shape (k + 1, k + 1, n)
        Degrees without sign, the way that each rotary goes (`RotaryAxis.move_deg`); row and column 0 are the start.

    Raises
    ------
    KinematicsError
        When the last axis has not one angle for each rotary, or a value is not finite.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> index_moves_deg(Machine("mill", (c,), Platter(face_mm=0.0)), [0], [[350], [90]])[0, :, 0].tolist()
    [0.0, 10.0, 90.0]
    >>> index_moves_deg(Machine("mill", (c,), Platter(face_mm=0.0)), [0, 0], [[90]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (C): expected a last axis of 1 numbers, found shape (2,)
    """
    count = len(as_instance(machine, Machine, "machine").rotaries)
    start = machine.angles(start_deg).reshape(1, count)
    everything = np.concatenate([start, machine.angles(poses_deg).reshape(-1, count)])
    moves = [
        rotary.move_deg(everything[:, None, k], everything[None, :, k])
        for k, rotary in enumerate(machine.rotaries)
    ]
    return np.abs(np.stack(moves, axis=-1))


@takes_declared()
def tour_motion(cost: NDArray[np.float64], order: Sequence[int]) -> float:
    """The sum of the costs from the start through poses in this order and back.

    Parameters
    ----------
    cost : ndarray, shape (k + 1, k + 1)
        Of the move from each to each; row and column 0 are the start.
    order : sequence of int
        Poses, from 0.

    Examples
    --------
    >>> tour_motion(np.array([[0.0, 1.0, 2.0], [1.0, 0.0, 4.0], [2.0, 4.0, 0.0]]), [1, 0])
    7.0
    >>> tour_motion(np.array([[0.0, 1.0], [1.0, 0.0]]), [1])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: order: expected poses from 0 to 0, found 1
    """
    costs = as_array(cost, "costs")
    count = len(costs) - 1 if costs.ndim == 2 and costs.shape[0] == costs.shape[1] else -1
    if count < 0:
        raise KinematicsError(f"costs: expected k + 1 rows of k + 1, found shape {costs.shape}")
    wrong = [pose for pose in order if not 0 <= pose < count]
    if wrong:
        raise KinematicsError(f"order: expected poses from 0 to {count - 1}, found {wrong[0]}")
    stops = [0, *(pose + 1 for pose in order), 0]
    return float(sum(costs[a, b] for a, b in itertools.pairwise(stops)))


@takes_declared()
def least_motion_order(cost: ArrayLike, before: Iterable[tuple[int, int]] = ()) -> PoseOrder:
    """The order of poses with the least sum of moves, from a start through all of them and back.

    Up to a dozen it is exact (dynamic programming over subsets); beyond, a tour grown pose by pose is improved by
    moving and reversing stretches of it until no such change makes it shorter.

    Parameters
    ----------
    cost : array_like, shape (k + 1, k + 1)
        Of the move from each to each, 0 or more and the same both ways; row and column 0 are the start.
    before : iterable of (int, int)
        Pairs of poses of which the first must come before the second, from 0.

    Returns
    -------
    PoseOrder

    Raises
    ------
    KinematicsError
        When the costs are not as stated, a pose does not exist, or no order does what `before` asks.

    References
    ----------
    M. Held, R. M. Karp, "A dynamic programming approach to sequencing problems", J. SIAM 10 (1962) 196-210 (from memory).

    Examples
    --------
    >>> cost = [[0, 1, 9, 2], [1, 0, 3, 9], [9, 3, 0, 4], [2, 9, 4, 0]]
    >>> least_motion_order(cost)
    PoseOrder(order=(0, 1, 2), motion=10.0, exact=True)
    >>> least_motion_order(cost, before=[(2, 0)]).order
    (2, 1, 0)
    >>> least_motion_order(cost, before=[(2, 0), (0, 2)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: order: expected pairs that some order fulfils, found a ring of poses 0, 2
    """
    costs = as_array(cost, "order, costs")
    square = costs.ndim == 2 and costs.shape[0] == costs.shape[1] > 0
    if not square or (costs < 0.0).any() or np.abs(costs - costs.T).max() > _SAME:
        raise KinematicsError(
            f"order, costs: expected k + 1 rows of k + 1 costs of 0 or more, the same both ways, found {shown(cost)}"
        )
    count = len(costs) - 1
    needs = _predecessors(count, before)
    exact = count <= EXACT_UP_TO
    order = _exact(costs, needs) if exact else _improved(costs, needs)
    if order[::-1] < order and _allowed(needs, order[::-1]):
        # Both ways round are as long: the one that begins with the earlier pose.
        order = order[::-1]
    return PoseOrder(order, tour_motion(costs, order), exact)


def _predecessors(count: int, before: Iterable[tuple[int, int]]) -> tuple[frozenset[int], ...]:
    """For each pose, those that must come before it; a ring is refused."""
    if not is_list(before):
        raise KinematicsError(f"order: expected pairs of poses, found {shown(before)}")
    needs: list[set[int]] = [set() for _ in range(count)]
    for pair in before:
        if not is_list(pair) or len(tuple(pair)) != 2:
            raise KinematicsError(f"order: expected pairs of poses, found {shown(pair)}")
        first, second = pair
        for pose in (first, second):
            if isinstance(pose, bool) or not isinstance(pose, int) or not 0 <= pose < count:
                raise KinematicsError(f"order: expected poses from 0 to {count - 1}, found {shown(pose)}")
        needs[second].add(first)
    left, done = set(range(count)), set[int]()
    while left:
        ready = {pose for pose in left if needs[pose] <= done}
        if not ready:
            ring = ", ".join(map(str, sorted(left)))
            raise KinematicsError(
                f"order: expected pairs that some order fulfils, found a ring of poses {ring}"
            )
        done |= ready
        left -= ready
    return tuple(frozenset(one) for one in needs)


def _exact(costs: NDArray[np.float64], needs: Predecessors) -> tuple[int, ...]:
    """Held and Karp: the least sum to every set of visited poses and last of them, from the smaller sets up."""
    count = len(costs) - 1
    if not count:
        return ()
    masks = [sum(1 << pose for pose in one) for one in needs]
    least = np.full((1 << count, count), np.inf)
    came = np.full((1 << count, count), -1)
    for pose in range(count):
        if not masks[pose]:
            least[1 << pose, pose] = costs[0, pose + 1]
    between = costs[1:, 1:]
    sets = np.arange(1 << count)
    sizes = np.array([one.bit_count() for one in range(1 << count)])
    for size in range(1, count):
        visited = sets[sizes == size]
        through = least[visited][:, :, None] + between
        last = np.argmin(through, axis=1)
        best = np.take_along_axis(through, last[:, None, :], axis=1)[:, 0, :]
        for pose in range(count):
            bit = 1 << pose
            ready = (visited & bit == 0) & (masks[pose] & ~visited == 0) & np.isfinite(best[:, pose])
            then = visited[ready] | bit
            least[then, pose], came[then, pose] = best[ready, pose], last[ready, pose]
    done = (1 << count) - 1
    pose = int(np.argmin(least[done] + costs[1:, 0]))
    order = []
    while pose >= 0:
        order.append(pose)
        done, pose = done & ~(1 << pose), int(came[done, pose])
    return tuple(reversed(order))


def _improved(costs: NDArray[np.float64], needs: Predecessors) -> tuple[int, ...]:
    """The best of several tours grown from different beginnings, each improved until nothing helps."""
    best: tuple[int, ...] = ()
    for first in (None, *range(min(len(costs) - 1, 8))):
        tour = _grown(costs, needs, first)
        if tour is not None:
            tried = tuple(_polished(costs, needs, tour))
            if not best or tour_motion(costs, tried) < tour_motion(costs, best) - _SAME:
                best = tried
    return best


def _grown(costs: NDArray[np.float64], needs: Predecessors, first: int | None) -> list[int] | None:
    """The nearest pose that may come next, again and again."""
    left, order, at = set(range(len(costs) - 1)), list[int](), 0
    if first is not None:
        if needs[first]:
            return None
        order, at = [first], first + 1
        left.remove(first)
    while left:
        ready = [pose for pose in sorted(left) if not needs[pose] & left]
        nearest = min(ready, key=lambda pose: costs[at, pose + 1])
        order.append(nearest)
        left.remove(nearest)
        at = nearest + 1
    return order


_LONGEST_MOVED = 3


def _polished(costs: NDArray[np.float64], needs: Predecessors, order: list[int]) -> list[int]:
    """Stretches reversed, or short ones put elsewhere, while that makes the tour shorter; the best change first."""
    while True:
        stops = np.array([0, *(pose + 1 for pose in order), 0])
        changes = [
            _reversals(costs, stops),
            *(_moves(costs, stops, size) for size in range(1, _LONGEST_MOVED + 1)),
        ]
        found = sorted(itertools.chain.from_iterable(changes))
        tried = (_changed(order, change) for _, change in found)
        better = next((one for one in tried if _allowed(needs, one)), None)
        if better is None:
            return order
        order = better


TourChange = tuple[int, int, int, bool]
"""A stretch from a place to before another, the place that it goes to in what is left, and whether it is reversed."""


def _changed(order: list[int], change: TourChange) -> list[int]:
    start, end, place, turned = change
    stretch, rest = order[start:end], order[:start] + order[end:]
    return rest[:place] + (stretch[::-1] if turned else stretch) + rest[place:]


def _reversals(costs: NDArray[np.float64], stops: NDArray[np.int64]) -> list[tuple[float, TourChange]]:
    """The reversals that make the tour shorter, with the difference."""
    a, b = stops[:-1], stops[1:]
    steps = costs[a, b]
    gain = costs[np.ix_(a, a)] + costs[np.ix_(b, b)] - steps[:, None] - steps[None, :]
    first, last = np.nonzero(np.triu(gain < -_SAME, 1))
    return [(float(gain[i, j]), (i, j, i, True)) for i, j in zip(first.tolist(), last.tolist(), strict=True)]


def _moves(costs: NDArray[np.float64], stops: NDArray[np.int64], size: int) -> list[tuple[float, TourChange]]:
    """The moves of stretches of a size that make the tour shorter, with the difference."""
    found: list[tuple[float, TourChange]] = []
    for start in range(len(stops) - 1 - size):
        head, tail = stops[start + 1], stops[start + size]
        rest = np.concatenate([stops[: start + 1], stops[start + size + 1 :]])
        a, b = rest[:-1], rest[1:]
        closed = costs[stops[start], stops[start + size + 1]]
        taken = costs[stops[start], head] + costs[tail, stops[start + size + 1]] - closed
        for turned, (one, other) in ((False, (head, tail)), (True, (tail, head))):
            gain = costs[a, one] + costs[other, b] - costs[a, b] - taken
            places = np.nonzero(gain < -_SAME)[0].tolist()
            found += [(float(gain[place]), (start, start + size, place, turned)) for place in places]
    return found


def _allowed(needs: Predecessors, order: Sequence[int]) -> bool:
    place = {pose: k for k, pose in enumerate(order)}
    return all(place[first] < place[second] for second, firsts in enumerate(needs) for first in firsts)
