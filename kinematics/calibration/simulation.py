"""Simulated calibration: a machine with hidden errors, and the readings that a probe would give on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from kinematics.calibration.line_parameters import orthonormal_pair
from kinematics.calibration.planned_targets import PlannedTarget, planned_readings
from kinematics.calibration.readings import Readings
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import as_count

__all__ = ["perturbed_machine", "simulated_readings"]


@takes_declared()
def perturbed_machine(
    machine: Machine, seed: int, position_mm: float = 0.05, direction_deg: float = 0.01
) -> Machine:
    """A machine with every line shifted and tilted at random: normal errors of the stated standard deviations.

    Parameters
    ----------
    machine : Machine
    seed : int
        The same seed gives the same machine.
    position_mm, direction_deg : float
        Per direction across the line.

    Returns
    -------
    Machine
        Only its lines differ.

    Raises
    ------
    KinematicsError
        When a standard deviation is less than 0.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> one, same = perturbed_machine(mill, 7), perturbed_machine(mill, 7)
    >>> one.rotaries[0].point_mm.tolist() == same.rotaries[0].point_mm.tolist()
    True
    >>> perturbed_machine(mill, 7, position_mm=-0.05)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: hidden errors: expected 0 or more, found -0.05 mm and 0.01 degrees
    """
    if not (position_mm >= 0.0 and direction_deg >= 0.0):
        raise KinematicsError(
            f"hidden errors: expected 0 or more, found {position_mm:g} mm and {direction_deg:g} degrees"
        )
    chance = np.random.default_rng(as_count(seed, "seed", 0))
    rotaries = []
    for rotary in machine.rotaries:
        square = orthonormal_pair(rotary.direction)
        shift, lean = chance.normal(size=2) * position_mm, chance.normal(size=2) * np.radians(direction_deg)
        rotaries.append(
            replace(
                rotary, point_mm=rotary.point_mm + shift @ square, direction=rotary.direction + lean @ square
            )
        )
    return replace(machine, rotaries=tuple(rotaries))


@takes_declared(unread=("which",))
def simulated_readings(
    truth: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    repeatability_mm: float,
    seed: int,
    *,
    which: ArrayLike | None = None,
    resolution_mm: float | None = None,
) -> Readings:
    """Readings of a probing plan on a machine, with normal scatter of the same size in X, Y and Z.

    Parameters
    ----------
    truth : Machine
        The machine as it really is, such as `perturbed_machine` gives.
    targets : sequence of PlannedTarget
        Where they really stand.
    poses_deg : array_like, shape (m, n)
    repeatability_mm : float
        Standard deviation per coordinate.
    seed : int
    which : array_like of bool, shape (m, t) or (m, k), optional
        As for `planned_readings`.
    resolution_mm : float, optional
        Last digit of the display, to which readings are rounded.

    Returns
    -------
    Readings
        In the order of `planned_readings`.

    Raises
    ------
    KinematicsError
        When the repeatability is less than 0.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> simulated_readings(mill, [ball], [[0], [90]], 0.0, seed=1).points_mm.tolist()   # no scatter: a quarter turn
    [[50.0, 0.0, 40.0], [0.0, -50.0, 40.0]]
    >>> simulated_readings(mill, [ball], [[0]], -0.002, seed=1)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: repeatability: expected 0 mm or more, found -0.002
    """
    if not (np.isfinite(repeatability_mm) and repeatability_mm >= 0.0):
        raise KinematicsError(f"repeatability: expected 0 mm or more, found {repeatability_mm:g}")
    exact = planned_readings(truth, targets, poses_deg, which)
    points = exact.points_mm + repeatability_mm * np.random.default_rng(as_count(seed, "seed", 0)).normal(
        size=exact.points_mm.shape
    )
    if resolution_mm is not None:
        points = np.round(points / resolution_mm) * resolution_mm
    return replace(exact, points_mm=points)
