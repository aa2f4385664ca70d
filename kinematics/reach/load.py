"""What the rotaries carry, standing still: masses, centres of gravity, and torque about each rotary's line.

Static only: speeding up, braking and the shocks of an interrupted cut come on top. Gravity points along machine -Z.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.machine import Machine
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.scene import group_poses
from kinematics.validation import read_only

__all__ = [
    "STANDARD_GRAVITY",
    "Carried",
    "WorstTorque",
    "carried",
    "force_torque_nm",
    "gravity_torque_nm",
    "worst_torque",
]

Array = NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
"""m/s2, by definition (3rd CGPM, 1901)."""

_GRID = 25
_ROUNDS = 20


@dataclass(frozen=True, eq=False)
class Carried:
    """What one rotary carries.

    Attributes
    ----------
    mass_kg : float
        Of all solids whose mass is known.
    centre_mm : ndarray, shape (3,)
        Their centre of gravity in machine coordinates at the all-zero pose.
    unknown : tuple of str
        Solids that it carries too, and whose mass is not known.
    """

    mass_kg: float
    centre_mm: NDArray[np.float64]
    unknown: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class WorstTorque:
    """The greatest torque of gravity about a rotary's line, over all that the rotaries can reach; N m, and where."""

    torque_nm: float
    machine_deg: NDArray[np.float64]


def carried(layout: CollisionModel, rotary: int) -> Carried:
    """Mass and centre of gravity of what a rotary carries, the rotaries that stand on it included.

    Parameters
    ----------
    layout : Layout
    rotary : int
        Which one, from 0 at the base.

    Returns
    -------
    Carried
        Mass 0 and centre (0, 0, 0) where no mass is known.
    """
    solids = [solid for solid in layout.all_solids() if layout.carried_by(solid.on) > rotary]
    known = [(solid, solid.weight_kg) for solid in solids]
    unknown = tuple(solid.name for solid, mass in known if mass is None)
    masses = np.array([mass for _, mass in known if mass is not None])
    total = float(masses.sum())
    if total <= 0.0:
        return Carried(0.0, read_only(np.zeros(3)), unknown)
    centres = np.array(
        [layout.frame(solid.on).apply(solid.shape.centre_mm) for solid, mass in known if mass is not None]
    )
    return Carried(total, read_only(masses @ centres / total), unknown)


def gravity_torque_nm(layout: CollisionModel, rotary: int, machine_deg: ArrayLike) -> Array:
    """Torque of gravity about a rotary's line at machine angles.

    Right-handed about the line's direction as it stands then: the torque on the table, which the rotary must hold.

    Parameters
    ----------
    layout : Layout
    rotary : int
        Which one, from 0 at the base.
    machine_deg : array_like, shape (..., n)
        Machine angles of all rotaries, the base's first.

    Returns
    -------
    ndarray, shape (...)
        N m, positive where gravity turns the table right-handed about the direction. Solids of unknown mass count
        for nothing; `carried` names them.

    Raises
    ------
    KinematicsError
        When the last axis has not one angle for each rotary, or a value is not finite.

    Notes
    -----
    Direction times (arm x weight), summed over what moves together: statics, from memory. Gravity along machine -Z
    at `STANDARD_GRAVITY`, arms in metres.
    """
    return _torque_nm(layout.machine, rotary, _hanging(layout, rotary), machine_deg)


_Hanging = dict[int, tuple[float, Array]]
"""For each group of poses: mass, and centre of gravity in machine coordinates at the all-zero pose."""


def _hanging(layout: CollisionModel, rotary: int) -> _Hanging:
    """What a rotary carries, one mass for all that moves together."""
    hanging: _Hanging = {}
    for solid in layout.all_solids():
        group, mass = layout.carried_by(solid.on), solid.weight_kg
        if group <= rotary or not mass:
            continue
        centre = layout.frame(solid.on).apply(solid.shape.centre_mm)
        before, middle = hanging.get(group, (0.0, np.zeros(3)))
        hanging[group] = (before + mass, (before * middle + mass * centre) / (before + mass))
    return hanging


def _torque_nm(machine: Machine, rotary: int, hanging: _Hanging, machine_deg: ArrayLike) -> Array:
    angles = machine.angles(machine_deg)
    poses = group_poses(machine, angles)
    line = machine.rotaries[rotary]
    point, direction = poses[rotary].apply(line.point_mm), poses[rotary].rotate(line.direction)
    torque = np.zeros(angles.shape[:-1])
    for group, (mass, centre) in hanging.items():
        arm_m = (poses[group].apply(centre) - point) * 1e-3
        weight = np.array([0.0, 0.0, -mass * STANDARD_GRAVITY])
        torque = torque + np.einsum("...i,...i->...", direction, np.cross(arm_m, weight))
    return np.asarray(torque)


def worst_torque(layout: CollisionModel, rotary: int) -> WorstTorque:
    """The greatest torque of gravity about a rotary's line over the whole range of every rotary.

    About any one angle the torque is a constant, a cosine and a sine: its greatest size is found exactly, one angle
    after the other, from the best pose of a grid.

    Parameters
    ----------
    layout : Layout
    rotary : int
        Which one, from 0 at the base.

    Returns
    -------
    WorstTorque
        The size without its sign, N m, and machine angles, shape (n,), at which it is reached.

    Notes
    -----
    Derived here. An endless rotary is looked at over one turn. With several rotaries the grid of 25 angles each
    decides which crest is climbed, so the answer is never too high and reached at the angles it tells.
    """
    machine, hanging = layout.machine, _hanging(layout, rotary)

    def torque(machine_deg: Array) -> Array:
        return _torque_nm(machine, rotary, hanging, machine_deg)

    ranges = [line.limits_deg or (0.0, 360.0) for line in layout.machine.rotaries]
    grid = np.stack(
        np.meshgrid(*[np.linspace(low, high, _GRID) for low, high in ranges], indexing="ij"), axis=-1
    ).reshape(-1, len(ranges))
    sizes = np.abs(torque(grid))
    best = grid[int(np.argmax(sizes))].copy()
    for _ in range(_ROUNDS):
        before = best.copy()
        for i, (low, high) in enumerate(ranges):
            best[i] = _peak(torque, best, i, low, high)
        if np.abs(best - before).max() < 1e-9:
            break
    return WorstTorque(abs(float(torque(best))), read_only(best))


def _peak(torque: Callable[[Array], Array], at: Array, i: int, low: float, high: float) -> float:
    """The value of one angle between its ends at which the torque is greatest."""
    probes = np.repeat(at[None], 3, axis=0)
    probes[:, i] = (0.0, 120.0, 240.0)
    values = torque(probes)
    angles = np.radians(probes[:, i])
    cosine, sine = 2.0 / 3.0 * float(values @ np.cos(angles)), 2.0 / 3.0 * float(values @ np.sin(angles))
    crest = float(np.degrees(np.arctan2(sine, cosine)))
    turns = crest + 180.0 * np.arange(np.ceil((low - crest) / 180.0), np.floor((high - crest) / 180.0) + 1)
    choices = np.concatenate([[at[i], low, high], turns])
    rows = np.repeat(at[None], len(choices), axis=0)
    rows[:, i] = choices
    return float(choices[int(np.argmax(np.abs(torque(rows)).round(12)))])


def force_torque_nm(layout: CollisionModel, rotary: int, stand: OperationPose) -> float:
    """The greatest torque that the cutting force can have about a rotary's line at an operation, N m.

    The force acts at the tip in whatever direction is worst: square to the arm. A distance from a line is greatest at
    a corner of the tip's box.

    Parameters
    ----------
    layout : Layout
    rotary : int
        Which one, from 0 at the base.
    stand : Stand
        The operation: its angles, its sweep and its force in newtons.

    Returns
    -------
    float
        Never negative: the force may act either way. 0 where the operation states no force.

    Notes
    -----
    Derived here: force times the greatest distance of a corner from the line, in metres.
    """
    if stand.force_n is None:
        return 0.0
    low, high = layout.tips_mm(stand)
    corners = np.array(list(product(*zip(low.tolist(), high.tolist(), strict=True))))
    poses = group_poses(layout.machine, stand.machine_deg)
    line = layout.machine.rotaries[rotary]
    arm = corners - poses[rotary].apply(line.point_mm)
    across = np.cross(arm, poses[rotary].rotate(line.direction))
    return float(np.linalg.norm(across, axis=-1).max()) * 1e-3 * stand.force_n
