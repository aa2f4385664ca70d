"""Accessibility of probing: the touches that the probe can take, how it comes to each, and why others are left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_pose
from kinematics.calibration import TargetKind, expand_mask, is_accessible
from tiltwright.calibration.plan_data import Plan
from tiltwright.calibration.probe_cycles import Approach, Probe, ProbeCycle, ball, bore_or_pin, face
from tiltwright.calibration.probe_obstacles import (
    Obstacle,
    ProbeSegment,
    is_platter_face,
    least_gap_mm,
    obstacles_of,
    stylus_and_body,
)

__all__ = ["ProbeAccess", "accessible_touches", "probe_cycle"]

Array = NDArray[np.float64]

_HEIGHTS = (0.5, 0.6, 0.7, 0.8)
_UPRIGHT_DEG = 10.0
_UPRIGHT = float(np.cos(np.radians(_UPRIGHT_DEG)))
_SLANTING = f"it slants by more than {_UPRIGHT_DEG:g} degrees there, and the probe goes straight down"
_OUT_OF_REACH = "the spindle does not get there, or it looks away from it"


@dataclass(frozen=True, eq=False)
class ProbeAccess:
    """Accessibility of a plan's points at m poses, and the approach to each.

    Attributes
    ----------
    accessible : ndarray of bool, shape (m, k)
        True for those of the k points of all targets that can be touched.
    reasons : dict of (pose, point) to str
        Reason for each that cannot.
    approaches : dict of (pose, point) to Approach
        Approach to a ball, where it is not the usual one.
    descents : tuple of str
        Depth and distance of the probe beside the platter at each pose; "" where they are not known.
    """

    accessible: NDArray[np.bool_]
    reasons: dict[tuple[int, int], str]
    approaches: dict[tuple[int, int], Approach]
    descents: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _TouchClearance:
    """Clearance of touching one point at m poses: tip positions, least gap, the nearest obstacle, the platter's gap.

    A gap of the plan's spare or more may be given larger than it is, infinite included; the platter's is not.
    """

    tip_mm: Array
    gap_mm: Array
    words: list[str]
    platter_mm: Array


def accessible_touches(plan: Plan, machine: Machine, poses_deg: Array) -> ProbeAccess:
    """Accessibility of every point of a plan at each pose.

    Without a probe in the plan only limits and travels are checked.
    """
    which = expand_mask(plan.targets, is_accessible(machine, plan.targets, poses_deg)).copy()
    why = {(int(p), int(k)): _OUT_OF_REACH for p, k in np.argwhere(~which)}
    count = len(poses_deg)
    if plan.probe is None:
        return ProbeAccess(which, why, {}, ("",) * count)
    slanting = _slanting(plan, machine, poses_deg)
    why |= {(int(p), int(k)): _SLANTING for p, k in np.argwhere(which & slanting)}
    which &= ~slanting
    known = obstacles_of(plan, machine, poses_deg)
    parts = stylus_and_body(plan)
    approaches: dict[tuple[int, int], Approach] = {}
    lowest, nearest = np.full(count, np.inf), np.full(count, np.inf)
    high = _too_tall(plan, machine, known, count)
    tall = np.array([bool(words) for words in high])
    why |= {(int(p), int(k)): high[p] for p, k in np.argwhere(which & tall[:, None])}
    which[tall] = False
    for k, (t, point, direction) in enumerate(_points(plan, machine, poses_deg)):
        left = which[:, k].copy()
        words = np.array([""] * count, dtype=object)
        for approach in _approaches(plan, t, direction):
            if not left.any():
                break
            of = np.flatnonzero(left)
            here = [obstacle.at(of) for obstacle in known]
            tried = _touch_clearance(
                plan, machine, t, point[of], direction[of], [approach[p] for p in of], (here, parts)
            )
            fine = tried.gap_mm >= plan.spare_mm
            for j, p in enumerate(of):
                if not fine[j]:
                    words[p] = words[p] or tried.words[j]
                elif approach[p] != Approach():
                    approaches[int(p), k] = approach[p]
            done = of[fine]
            lowest[done] = np.minimum(lowest[done], tried.tip_mm[fine, :, 2].min(axis=1))
            nearest[done] = np.minimum(nearest[done], tried.platter_mm[fine])
            left[done] = False
        which[left, k] = False
        why |= {(int(p), k): words[p] for p in np.flatnonzero(left)}
    return ProbeAccess(which, why, approaches, tuple(_descents(plan, known, which, lowest, nearest)))


def _slanting(plan: Plan, machine: Machine, poses_deg: Array) -> NDArray[np.bool_]:
    """Mask (m, k) of the points of bores and pins that are not upright: the probe goes straight down."""
    turned = [
        (plan.targets[t].kind in {TargetKind.BORE, TargetKind.PIN}) & (np.abs(direction[:, 2]) < _UPRIGHT)
        for t, _, direction in _points(plan, machine, poses_deg)
    ]
    return np.stack(turned, axis=1)


def probe_cycle(
    plan: Plan,
    probe: Probe,
    t: int,
    point: Array,
    direction: Array,
    approach: Approach = Approach(),  # noqa: B008 - frozen
    lift: tuple[str, ...] = (),
    mm: float = 1.0,
) -> ProbeCycle:
    """Probing cycle of one reading; `point` and `probe` in a unit of `mm` millimetres."""
    kind = plan.targets[t].kind
    if kind is TargetKind.FACE:
        return face(probe, point, direction)
    diameter_mm = plan.diameters_mm[t]
    assert diameter_mm is not None
    radius = diameter_mm / 2.0 / mm
    if kind is TargetKind.BALL:
        return ball(probe, point, radius, approach)
    return bore_or_pin(probe, point, radius, kind, lift)


def _points(plan: Plan, machine: Machine, poses_deg: Array) -> Iterator[tuple[int, Array, Array]]:
    """Every point's target, with the point and its target's direction at all poses, (m, 3) each."""
    table = table_pose(machine, poses_deg)
    for t, target in enumerate(plan.targets):
        assert target.direction is not None
        for point in target.points_mm:
            yield t, table.apply(point), table.rotate(target.direction)


def _approaches(plan: Plan, t: int, direction: Array) -> Iterator[list[Approach]]:
    """Approaches to a target, the usual one first; to a ball also higher up, and past its stem on both sides."""
    yield [Approach()] * len(direction)
    if plan.targets[t].kind is not TargetKind.BALL:
        return
    stem_deg = np.degrees(np.arctan2(-direction[:, 1], -direction[:, 0]))
    past = np.round((stem_deg + 45.0) % 90.0, 6) + 0.0
    for height in _HEIGHTS:
        yield [Approach(height, float(turn)) for turn in past]
        yield [Approach(height, 0.0)] * len(direction)


def _touch_clearance(
    plan: Plan,
    machine: Machine,
    t: int,
    point: Array,
    direction: Array,
    approach: list[Approach],
    scene: tuple[list[Obstacle], tuple[ProbeSegment, ...]],
) -> _TouchClearance:
    mm = plan.units.to_mm
    assert plan.probe is not None
    probe = Probe(mm(plan.probe.ball_diameter) / 2.0, plan.clearance_mm, plan.over_mm, 1.0, 1.0, 4)
    count = len(point)
    if plan.targets[t].kind is TargetKind.FACE:
        cycles = [probe_cycle(plan, probe, t, point[p], direction[p]) for p in range(count)]
        tip_positions = np.stack([one.tip_positions for one in cycles])
    elif plan.diameters_mm[t] is None:
        # Only the point is known: the tip is checked there.
        tip_positions = point[:, None, :] - np.array([0.0, 0.0, probe.radius])
    else:
        # Around a ball or in a bore the tip goes the same way at every pose.
        ways = {
            one: probe_cycle(plan, probe, t, np.zeros(3), direction[0], one).tip_positions
            for one in dict.fromkeys(approach)
        }
        tip_positions = point[:, None, :] + np.stack([ways[one] for one in approach])
    gap, platter = np.full(count, np.inf), np.full(count, np.inf)
    words = [""] * count
    known, parts = scene
    for obstacle in known:
        for part in parts:
            if _is_meant_to_touch(plan, machine, t, obstacle, part):
                continue
            now = least_gap_mm(part, obstacle, tip_positions, plan.spare_mm)
            for p in np.flatnonzero((now < gap) & (now < plan.spare_mm)):
                words[p] = _gap_words(part, obstacle, float(now[p]), plan)
            gap = np.minimum(gap, now)
            if obstacle.part == "platter":
                platter = np.minimum(platter, now)
    return _TouchClearance(tip_positions, gap, words, platter)


def _is_meant_to_touch(plan: Plan, machine: Machine, t: int, obstacle: Obstacle, part: ProbeSegment) -> bool:
    """True where contact is intended: the stylus with the obstacle that it probes."""
    target = plan.targets[t]
    if obstacle.part == "platter":
        return not part.flat and is_platter_face(target, machine)
    # How far a pin stands up beyond where it is touched is not known.
    return obstacle.target == t and (obstacle.part == "pin" or (obstacle.part == "ball" and not part.flat))


def _gap_words(part: ProbeSegment, obstacle: Obstacle, gap: float, plan: Plan) -> str:
    if gap < 0.05:
        return f"{part.words} would hit {obstacle.words}"
    unit, spare = plan.units, plan.spare_mm
    gap_text, asked = f"{unit.from_mm(gap):.3g}", f"{unit.from_mm(spare):.3g} {unit.value}"
    return f"{part.words} would come within {gap_text} of {obstacle.words}, nearer than {asked}"


def _too_tall(plan: Plan, machine: Machine, known: list[Obstacle], count: int) -> list[str]:
    """Obstacle at each pose that is too tall for the probe to cross above it at the safe height, in words."""
    words = [""] * count
    if machine.travel is None or plan.probe is None:
        return words
    reference = machine.z_reference.tool_length_mm or 0.0
    tip = float(machine.travel.high_mm[2]) - plan.units.to_mm(plan.probe.length) + reference
    for obstacle in known:
        if obstacle.part == "pin":
            continue
        for p in np.flatnonzero(obstacle.highest_mm > tip - plan.spare_mm):
            words[p] = f"{obstacle.words} stands above the tip at the safe height"
    return words


def _descents(
    plan: Plan, known: list[Obstacle], which: NDArray[np.bool_], lowest: Array, nearest: Array
) -> Iterator[str]:
    """Depth of the tip below the platter's edge at each pose, in words."""
    platter = [obstacle for obstacle in known if obstacle.part == "platter"]
    for p in range(len(which)):
        if not platter or not which[p].any():
            yield ""
            continue
        deep = float(platter[0].highest_mm[p] - lowest[p])
        unit = plan.units
        places = 0 if unit.value == "mm" else 2
        # Rounded up and down, so that "or more" stays true.
        down = np.ceil(unit.from_mm(deep) * 10**places) / 10**places
        off = np.floor(unit.from_mm(float(nearest[p])) * 10**places) / 10**places
        say = [f"{v:.{places}f} {unit.value}" for v in (down, off)]
        near = f"stylus and body stay {say[1]} or more from it where they do not touch it"
        if deep <= 0.0:
            yield f"the tip stays above the platter; {near}"
        else:
            yield f"the tip goes {say[0]} below the platter's highest edge; {near}"
