"""What the probe meets on its way: which touches of a plan it can take, how, and why it cannot take the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_pose
from kinematics.pivot import Kind, point_by_point, readable
from tiltwright.pivots.obstacles import (
    Obstacle,
    Upright,
    gap_mm,
    obstacles_of,
    on_the_platter,
    stylus_and_body,
)
from tiltwright.pivots.plan_values import Plan
from tiltwright.pivots.touches import Probe, Touched, Way, ball, bore_or_pin, face

__all__ = ["Ways", "touched", "ways_of"]

Array = NDArray[np.float64]

_HEIGHTS = (0.5, 0.6, 0.7, 0.8)
_UPRIGHT_DEG = 10.0
_UPRIGHT = float(np.cos(np.radians(_UPRIGHT_DEG)))
_SLANTING = f"it slants by more than {_UPRIGHT_DEG:g} degrees there, and the probe goes straight down"
_OUT_OF_REACH = "the spindle does not get there, or it looks away from it"


@dataclass(frozen=True, eq=False)
class Ways:
    """How the points of a plan are touched at m poses.

    Attributes
    ----------
    which : ndarray of bool, shape (m, k)
        Which of the k points of all targets can be touched.
    why : dict of (pose, point) to str
        Why the others cannot.
    way : dict of (pose, point) to Way
        How a ball is touched, where not in the usual way.
    poses : tuple of str
        For each pose how deep and how near the probe comes to the platter; "" where it is not known.
    """

    which: NDArray[np.bool_]
    why: dict[tuple[int, int], str]
    way: dict[tuple[int, int], Way]
    poses: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Tried:
    """One way of touching one point at m poses: the tip's stands, the least gap and what is hit, the platter's gap."""

    stands_mm: Array
    gap_mm: Array
    words: list[str]
    platter_mm: Array


def ways_of(plan: Plan, machine: Machine, poses_deg: Array) -> Ways:
    """Which points can be touched at which poses with what the plan tells of the probe.

    Without a probe in the plan only reach is looked at.
    """
    which = point_by_point(plan.targets, readable(machine, plan.targets, poses_deg)).copy()
    why = {(int(p), int(k)): _OUT_OF_REACH for p, k in np.argwhere(~which)}
    count = len(poses_deg)
    if plan.probe is None:
        return Ways(which, why, {}, ("",) * count)
    slanting = _slanting(plan, machine, poses_deg)
    why |= {(int(p), int(k)): _SLANTING for p, k in np.argwhere(which & slanting)}
    which &= ~slanting
    known = obstacles_of(plan, machine, poses_deg)
    parts = stylus_and_body(plan)
    way: dict[tuple[int, int], Way] = {}
    lowest, nearest = np.full(count, np.inf), np.full(count, np.inf)
    high = _stands_out(plan, machine, known, count)
    tall = np.array([bool(words) for words in high])
    why |= {(int(p), int(k)): high[p] for p, k in np.argwhere(which & tall[:, None])}
    which[tall] = False
    for k, (t, point, direction) in enumerate(_points(plan, machine, poses_deg)):
        left = which[:, k].copy()
        words = np.array([""] * count, dtype=object)
        for tried_way in _candidates(plan, t, direction):
            if not left.any():
                break
            of = np.flatnonzero(left)
            here = [obstacle.at(of) for obstacle in known]
            tried = _tried(
                plan, machine, t, point[of], direction[of], [tried_way[p] for p in of], (here, parts)
            )
            fine = tried.gap_mm >= plan.spare_mm
            for j, p in enumerate(of):
                if not fine[j]:
                    words[p] = words[p] or tried.words[j]
                elif tried_way[p] != Way():
                    way[int(p), k] = tried_way[p]
            done = of[fine]
            lowest[done] = np.minimum(lowest[done], tried.stands_mm[fine, :, 2].min(axis=1))
            nearest[done] = np.minimum(nearest[done], tried.platter_mm[fine])
            left[done] = False
        which[left, k] = False
        why |= {(int(p), k): words[p] for p in np.flatnonzero(left)}
    return Ways(which, why, way, tuple(_depths(plan, known, which, lowest, nearest)))


def _slanting(plan: Plan, machine: Machine, poses_deg: Array) -> NDArray[np.bool_]:
    """Points of bores and pins that do not stand upright, shape (m, k): the probe goes straight down into or beside them."""
    turned = [
        (plan.targets[t].kind in {Kind.BORE, Kind.PIN}) & (np.abs(direction[:, 2]) < _UPRIGHT)
        for t, _, direction in _points(plan, machine, poses_deg)
    ]
    return np.stack(turned, axis=1)


def touched(
    plan: Plan,
    probe: Probe,
    t: int,
    point: Array,
    direction: Array,
    way: Way = Way(),  # noqa: B008 - frozen
    lift: tuple[str, ...] = (),
    mm: float = 1.0,
) -> Touched:
    """The lines that take one reading; `point` and `probe` in a unit of `mm` millimetres."""
    kind = plan.targets[t].kind
    if kind is Kind.FACE:
        return face(probe, point, direction)
    diameter_mm = plan.diameters_mm[t]
    assert diameter_mm is not None
    radius = diameter_mm / 2.0 / mm
    if kind is Kind.BALL:
        return ball(probe, point, radius, way)
    return bore_or_pin(probe, point, radius, kind, lift)


def _points(plan: Plan, machine: Machine, poses_deg: Array) -> Iterator[tuple[int, Array, Array]]:
    """Each point's target, and at all poses where it stands and which way its target looks, (m, 3) each."""
    table = table_pose(machine, poses_deg)
    for t, target in enumerate(plan.targets):
        assert target.direction is not None
        for point in target.points_mm:
            yield t, table.apply(point), table.turn(target.direction)


def _candidates(plan: Plan, t: int, direction: Array) -> Iterator[list[Way]]:
    """The ways to touch a target, the usual one first; of a ball also higher up, and past its stem on both sides."""
    yield [Way()] * len(direction)
    if plan.targets[t].kind is not Kind.BALL:
        return
    stem_deg = np.degrees(np.arctan2(-direction[:, 1], -direction[:, 0]))
    past = np.round((stem_deg + 45.0) % 90.0, 6) + 0.0
    for height in _HEIGHTS:
        yield [Way(height, float(turn)) for turn in past]
        yield [Way(height, 0.0)] * len(direction)


def _tried(
    plan: Plan,
    machine: Machine,
    t: int,
    point: Array,
    direction: Array,
    way: list[Way],
    scene: tuple[list[Obstacle], tuple[Upright, ...]],
) -> _Tried:
    mm = plan.units.to_mm
    assert plan.probe is not None
    probe = Probe(mm(plan.probe.tip) / 2.0, plan.clearance_mm, plan.over_mm, 1.0, 1.0, 4)
    count = len(point)
    if plan.targets[t].kind is not Kind.FACE and plan.diameters_mm[t] is None:
        # Only the place is known: the tip stands there.
        stands = point[:, None, :] - np.array([0.0, 0.0, probe.radius])
    else:
        stands = np.stack(
            [touched(plan, probe, t, point[p], direction[p], way[p]).stands for p in range(count)]
        )
    gap, platter = np.full(count, np.inf), np.full(count, np.inf)
    words = [""] * count
    known, parts = scene
    for obstacle in known:
        for part in parts:
            if _touches(plan, machine, t, obstacle, part):
                continue
            now = gap_mm(part, obstacle, stands).min(axis=1)
            for p in np.flatnonzero(now < gap):
                words[p] = _near(part, obstacle, float(now[p]), plan)
            gap = np.minimum(gap, now)
            if obstacle.part == "platter":
                platter = np.minimum(platter, now)
    return _Tried(stands, gap, words, platter)


def _touches(plan: Plan, machine: Machine, t: int, obstacle: Obstacle, part: Upright) -> bool:
    """Whether a part of the probe is meant to be at an obstacle: the stylus at what it touches."""
    target = plan.targets[t]
    if obstacle.part == "platter":
        return not part.flat and on_the_platter(target, machine)
    # How far a pin stands up beyond where it is touched is not known.
    return obstacle.target == t and (obstacle.part == "pin" or (obstacle.part == "ball" and not part.flat))


def _near(part: Upright, obstacle: Obstacle, gap: float, plan: Plan) -> str:
    if gap < 0.05:
        return f"{part.words} would hit {obstacle.words}"
    unit, spare = plan.units, plan.spare_mm
    said, asked = f"{unit.from_mm(gap):.3g}", f"{unit.from_mm(spare):.3g} {unit.value}"
    return f"{part.words} would come within {said} of {obstacle.words}, nearer than {asked}"


def _stands_out(plan: Plan, machine: Machine, known: list[Obstacle], count: int) -> list[str]:
    """For each pose what stands too high for the probe to cross above it at the safe height."""
    said = [""] * count
    if machine.travel is None or plan.probe is None:
        return said
    reference = machine.z_reference.tool_length_mm or 0.0
    tip = float(machine.travel.high_mm[2]) - plan.units.to_mm(plan.probe.length) + reference
    for obstacle in known:
        if obstacle.part == "pin":
            continue
        for p in np.flatnonzero(obstacle.highest_mm > tip - plan.spare_mm):
            said[p] = f"{obstacle.words} stands above the tip at the safe height"
    return said


def _depths(
    plan: Plan, known: list[Obstacle], which: NDArray[np.bool_], lowest: Array, nearest: Array
) -> Iterator[str]:
    """For each pose how far down beside the platter the tip goes."""
    platter = [obstacle for obstacle in known if obstacle.part == "platter"]
    for p in range(len(which)):
        if not platter or not which[p].any():
            yield ""
            continue
        deep = float(platter[0].highest_mm[p] - lowest[p])
        unit = plan.units
        places = 0 if unit.value == "mm" else 2
        # Rounded towards the worse: "or more" must stay true.
        down = np.ceil(unit.from_mm(deep) * 10**places) / 10**places
        off = np.floor(unit.from_mm(float(nearest[p])) * 10**places) / 10**places
        say = [f"{v:.{places}f} {unit.value}" for v in (down, off)]
        near = f"stylus and body stay {say[1]} or more from it where they do not touch it"
        if deep <= 0.0:
            yield f"the tip stays above the platter; {near}"
        else:
            yield f"the tip goes {say[0]} below the platter's highest edge; {near}"
