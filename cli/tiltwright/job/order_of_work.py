"""The order of work over all nests: nest by nest, or tilt by tilt with the least index motion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics import (
    Machine,
    PlacedOperation,
    Setup,
    UnreachableOperation,
    index_moves_deg,
    least_motion_order,
    tour_motion,
)
from tiltwright.files.loader import ReadJob

__all__ = ["Place", "WorkOrder", "order_of_work"]

Place = tuple[int, int]
"""An operation in a nest: which nest, and which of its operations, both from 0."""

Results = Sequence[PlacedOperation | UnreachableOperation]

_SAME_POSE_DIGITS = 6
_MOST_STANDS_COMPARED = 40
"""Up to here a job that works nest by nest is told what going tilt by tilt would save."""


@dataclass(frozen=True, eq=False)
class WorkOrder:
    """The order in which operations are done, over all nests.

    Attributes
    ----------
    by : "by nest" or "by tilt"
    groups : tuple of tuple of Place
        In the order of work; by nest those of each nest, by tilt those of each pose.
    stands : int
        Different poses.
    motion_deg : float
        The sum of all rotaries' moves: from program zero through all operations and back.
    other_deg : float or None
        The same in the other order, by tilt or by nest; None where it was not worked out.
    time_s, other_s : float or None
        The time of these moves where every rotary's index speed is stated, rotaries together.
    exact : bool
        True where no order by tilt has less motion.
    """

    by: Literal["by nest", "by tilt"]
    groups: tuple[tuple[Place, ...], ...]
    stands: int
    motion_deg: float
    other_deg: float | None
    time_s: float | None
    other_s: float | None
    exact: bool

    @property
    def places(self) -> tuple[Place, ...]:
        """The operations, one after the other."""
        return tuple(place for group in self.groups for place in group)


@dataclass(frozen=True, eq=False)
class _Stands:
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
    stands = _stands(views, setups, results)
    speeds = _speeds(views[0])
    in_nests = [stands.of[place] for group in nest_groups for place in group if place in stands.of]
    nest_deg, nest_s = _tour(stands, in_nests, speeds)
    if not by_tilt and (len(views) < 2 or len(stands.members) > _MOST_STANDS_COMPARED):
        count = len(stands.members)
        return WorkOrder("by nest", nest_groups, count, nest_deg, None, nest_s, None, exact=False)
    before = _before(views, results, stands)
    if before is None:
        # One pose holds operations that must stand apart: then each operation has its poses for itself.
        stands = _stands(views, setups, results, apart=True)
        before = _before(views, results, stands) or set()
    found = least_motion_order(stands.moves_deg.sum(axis=-1), before)
    tilt_deg, tilt_s = _tour(stands, found.order, speeds)
    count = len({*_pose_keys(views[0].machine, results).values()})
    if not by_tilt:
        return WorkOrder("by nest", nest_groups, count, nest_deg, tilt_deg, nest_s, tilt_s, found.exact)
    placed = tuple(stands.members[stand] for stand in found.order)
    unreached = tuple(place for group in nest_groups for place in group if place not in stands.of)
    groups = (*placed, unreached) if unreached else placed
    return WorkOrder("by tilt", groups, count, tilt_deg, nest_deg, tilt_s, nest_s, found.exact)


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


def _stands(
    views: Sequence[ReadJob], setups: Sequence[Setup], results: Sequence[Results], *, apart: bool = False
) -> _Stands:
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
    start = setups[0].machine_deg(np.zeros(len(machine.rotaries)))
    for i, rotary in enumerate(machine.rotaries):
        if rotary.limits_deg is not None:
            start[i] = np.clip(start[i], *rotary.limits_deg)
    moves = index_moves_deg(machine, start, np.array(poses).reshape(-1, len(machine.rotaries)))
    return _Stands(moves, members, {place: k for k, group in enumerate(members) for place in group})


def _speeds(view: ReadJob) -> NDArray[np.float64] | None:
    """Degrees a second of every rotary; None where one is not stated."""
    speeds = [rotary.index_speed for rotary in view.machine_file.file.rotary]
    stated = [speed for speed in speeds if speed is not None]
    return np.array(stated) if len(stated) == len(speeds) else None


def _tour(
    stands: _Stands, order: Sequence[int], speeds: NDArray[np.float64] | None
) -> tuple[float, float | None]:
    """The motion, and the time where speeds are known, from the start through stands and back."""
    motion = tour_motion(stands.moves_deg.sum(axis=-1), order)
    if speeds is None:
        return motion, None
    return motion, tour_motion((stands.moves_deg / speeds).max(axis=-1), order)


def _before(
    views: Sequence[ReadJob], results: Sequence[Results], stands: _Stands
) -> set[tuple[int, int]] | None:
    """Pairs of stands that `after` puts in order; None where they go round in a ring."""
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
                (stands.of[first], stands.of[n, k])
                for first in firsts
                if first in stands.of and (n, k) in stands.of
            }
    # Done in one pose, the order within it is that of the file.
    pairs = {(first, second) for first, second in pairs if first != second}
    left, done = {stand for pair in pairs for stand in pair}, set[int]()
    while left:
        ready = {stand for stand in left if all(first in done for first, second in pairs if second == stand)}
        if not ready:
            return None
        done |= ready
        left -= ready
    return pairs
