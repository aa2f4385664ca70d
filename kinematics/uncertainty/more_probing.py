"""What more probing would be worth to a budget: the calibration's covariance with readings added that are only planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import (
    PlannedTarget,
    candidate_poses,
    expand_mask,
    is_accessible,
    planned_readings,
)
from kinematics.calibration.pose_information import pose_information
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.uncertainty.budget import PartBudget, part_budget
from kinematics.uncertainty.features import PartModel
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.sources import UncertaintySource
from kinematics.validation import as_count

__all__ = ["AddedPoses", "added_poses", "line_information"]

_STEP_DEG = 30.0


@dataclass(frozen=True, eq=False)
class AddedPoses:
    """A few poses more at one tilt, and what they would be worth.

    Attributes
    ----------
    tilt_deg : float
        Machine angle of the first rotary.
    poses_deg : ndarray, shape (m, n)
    budget : PartBudget
        With their readings added to the last calibration.
    """

    tilt_deg: float
    poses_deg: NDArray[np.float64]
    budget: PartBudget


def line_information(
    machine: Machine, targets: Sequence[PlannedTarget], poses_deg: Array, sigma_mm: float
) -> Array:
    """The information that readings at poses would give on the rotaries' lines, targets eliminated.

    Parameters
    ----------
    machine : Machine
    targets : sequence of PlannedTarget
        New ones: where they stand is unknown before.
    poses_deg : ndarray, shape (m, n)
        Machine angles; a target counts at a pose where it can be read.
    sigma_mm : float
        The probe's standard uncertainty per coordinate.

    Returns
    -------
    ndarray, shape (4n, 4n)
        The inverse of a covariance where that exists: of two shifts (mm) and two tilts (degrees) of each line.
    """
    seen = expand_mask(targets, is_accessible(machine, targets, poses_deg))
    each = pose_information(planned_readings(machine, targets, poses_deg), seen, machine, sigma_mm)
    lines = each.lines
    whole = each.by_pose.sum(axis=0)
    own = whole[lines:, lines:] + each.prior[lines:, lines:]
    across = whole[:lines, lines:]
    left = whole[:lines, :lines] - across @ np.linalg.solve(own, across.T)
    lever = np.radians(1.0) * each.lever_mm
    scale = np.tile([1.0, 1.0, lever, lever], len(machine.rotaries)) / sigma_mm
    information = left * np.outer(scale, scale)
    return np.asarray(0.5 * (information + information.T))


def added_poses(
    part: PartModel,
    sources: Sequence[UncertaintySource],
    targets: Sequence[PlannedTarget],
    sigma_mm: float,
    count: int = 6,
) -> tuple[AddedPoses, ...]:
    """For each tilt, the budget with so many more poses there probed and put into the last calibration.

    Parameters
    ----------
    part : PartModel
    sources : sequence of UncertaintySource
        One of them a calibration.
    targets : sequence of PlannedTarget
    sigma_mm : float
    count : int
        Poses at each tilt, the other rotaries going round.

    Returns
    -------
    tuple of AddedPoses
        For every tilt at which that many poses can be read, a grid of 30 degrees.

    Raises
    ------
    KinematicsError
        When no source is a calibration: without one there is nothing to add to.

    Notes
    -----
    Derived here: independent sessions add their information, C' = (C^-1 + I)^-1 = C (1 + I C)^-1, which also holds
    where the first session determined nothing and C has no inverse.
    """
    as_count(count, "poses")
    place = next((k for k, one in enumerate(sources) if one.kind == "calibration"), None)
    if place is None:
        raise KinematicsError("added poses: expected a calibration among the sources, found none")
    machine, source = part.model.machine, sources[place]
    lines = 4 * len(machine.rotaries)
    poses = candidate_poses(machine, _STEP_DEG)
    readable = is_accessible(machine, targets, poses).any(axis=1)
    found = []
    for tilt in np.unique(poses[readable, 0]).tolist():
        at = poses[readable & (poses[:, 0] == tilt)]
        if len(at) < min(count, len(poses[poses[:, 0] == tilt])):
            continue
        chosen = at[np.unique(np.linspace(0, len(at) - 1, count).round().astype(int))]
        information = np.zeros_like(source.covariance)
        information[:lines, :lines] = line_information(machine, targets, chosen, sigma_mm)
        count_all = len(source.covariance)
        covariance = source.covariance @ np.linalg.inv(np.eye(count_all) + information @ source.covariance)
        better = replace(source, covariance=0.5 * (covariance + covariance.T))
        found.append(
            AddedPoses(tilt, chosen, part_budget(part, [*sources[:place], better, *sources[place + 1 :]]))
        )
    return tuple(found)
