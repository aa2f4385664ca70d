"""Whether one target of a plan stands above another: the probe goes straight down beside what it touches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, table_pose
from kinematics.pivot import Kind
from tiltwright.pivots.plan_values import Plan

__all__ = ["unobstructed"]

_SPARE_MM = 2.0
"""Kept between the probe's tip and another target: more than a plan is wrong by, less than a tip."""


def unobstructed(plan: Plan, machine: Machine, poses_deg: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which targets the probe gets down to without another ball or pin of the plan in the way, shape (m, t).

    All are, where the plan knows no probe. Stems, clamps and the table itself are not looked at.
    """
    free = np.ones((len(poses_deg), len(plan.targets)), dtype=np.bool_)
    if plan.probe is None:
        return free
    tip_mm = plan.units.to_mm(plan.probe.tip) / 2.0
    clearance_mm = plan.units.to_mm(plan.probe.clearance)
    table = table_pose(machine, poses_deg)
    for t, target in enumerate(plan.targets):
        assert target.direction is not None
        normal = table.turn(target.direction)
        aside = tip_mm + _SPARE_MM
        if target.kind is not Kind.FACE:
            aside += (plan.diameters_mm[t] or 0.0) / 2.0 + 2.0 * tip_mm + clearance_mm
        for point in target.points_mm:
            at = table.apply(point)
            if target.kind is Kind.FACE:
                at = at + (tip_mm + clearance_mm) * normal
            for other, diameter_mm in enumerate(plan.diameters_mm):
                if other != t and plan.targets[other].kind in {Kind.BALL, Kind.PIN}:
                    for place in plan.targets[other].points_mm:
                        radius = (diameter_mm or 0.0) / 2.0
                        away = table.apply(place) - at
                        near = np.hypot(away[:, 0], away[:, 1]) < radius + aside
                        free[:, t] &= ~(near & (away[:, 2] + radius > -tip_mm - _SPARE_MM))
    return free
