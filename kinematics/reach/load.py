"""Static load of the rotaries: mass, centre of gravity and torques about each line, and the heights that the limits allow.

Static only: speeding up, braking and the shocks of an interrupted cut come on top. Gravity points along machine -Z.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.reach.collision_bodies import matrix_of
from kinematics.reach.collision_model import CollisionModel, OperationPose, with_step_height
from kinematics.reach.feasibility import Interval, Limit
from kinematics.reach.scene import FARTHEST_MM, Scene, group_poses, scene_of
from kinematics.reach.shapes import box_corners
from kinematics.validation import ValueEquality, as_positive, read_only

__all__ = [
    "STANDARD_GRAVITY",
    "Carried",
    "LoadLimit",
    "WorstTorque",
    "carried",
    "cutting_box_mm",
    "force_torque_nm",
    "gravity_torque_nm",
    "load_feasible",
    "load_margin",
    "worst_torque",
]

Array = NDArray[np.float64]

STANDARD_GRAVITY = 9.80665
"""m/s2, by definition (3rd CGPM, 1901)."""

_GRID = 25
_ROUNDS = 20
_NEARLY, _MOST_CRESTS = 0.9, 12
"""Two neighbours of a grid of 15 degrees are at most 1 % below the crest between them for each rotary."""
_COLUMN_MM = 1e-3
"""Added around the tool, so that a tip that sweeps nothing has a column too."""


@dataclass(frozen=True, eq=False)
class Carried(ValueEquality, DeclaredFields):
    """Mass that one rotary carries.

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
class WorstTorque(ValueEquality, DeclaredFields):
    """The greatest torque of gravity about a rotary's line over the range of all rotaries, N m, and the angles there."""

    torque_nm: float
    machine_deg: NDArray[np.float64]


@takes_declared()
def carried(model: CollisionModel, rotary: int) -> Carried:
    """Mass and centre of gravity of what a rotary carries, the rotaries that it carries included.

    Parameters
    ----------
    model : CollisionModel
    rotary : int
        Its index, from 0 at the base.

    Returns
    -------
    Carried
        Mass 0 and centre (0, 0, 0) where no mass is known.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> post = carried(model, 0)   # 2 kg, 100 mm high
    >>> post.mass_kg, post.centre_mm.round(9).tolist(), post.unknown
    (2.0, [0.0, 0.0, 50.0], ())
    >>> carried(model, 2)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected an index from 0 to 1, found 2
    """
    _check_rotary(model, rotary)
    solids = [solid for solid in model.all_solids() if model.carried_by(solid.on) > rotary]
    known = [(solid, solid.weight_kg) for solid in solids]
    unknown = tuple(solid.name for solid, mass in known if mass is None)
    masses = np.array([mass for _, mass in known if mass is not None])
    total = float(masses.sum())
    if total <= 0.0:
        return Carried(0.0, read_only(np.zeros(3)), unknown)
    centres = np.array(
        [model.frame(solid.on).apply(solid.shape.centre_mm) for solid, mass in known if mass is not None]
    )
    return Carried(total, read_only(masses @ centres / total), unknown)


@takes_declared()
def gravity_torque_nm(model: CollisionModel, rotary: int, machine_deg: ArrayLike) -> Array:
    """Torque of gravity about a rotary's line at machine angles.

    Right-handed about the line's direction as it stands then: the torque on the table, which the rotary must hold.

    Parameters
    ----------
    model : CollisionModel
    rotary : int
        Its index, from 0 at the base.
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

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> gravity_torque_nm(model, 0, [[0, 0], [-90, 0]]).round(6).tolist()   # 2 kg, 50 mm off A's line once laid down
    [0.0, 0.980665]
    >>> gravity_torque_nm(model, 0, [0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A, C): expected a last axis of 2 numbers, found shape (1,)
    """
    _check_rotary(model, rotary)
    return _torque_nm(model.machine, rotary, _hanging(model, rotary), machine_deg)


def _check_rotary(model: CollisionModel, rotary: int) -> None:
    last = len(model.machine.rotaries) - 1
    if not 0 <= rotary <= last:
        raise KinematicsError(f"rotary: expected an index from 0 to {last}, found {rotary}")


_Hanging = dict[int, tuple[float, Array]]
"""For each group of poses: mass, and centre of gravity in machine coordinates at the all-zero pose."""


def _hanging(model: CollisionModel, rotary: int) -> _Hanging:
    """Mass that a rotary carries, one for all that moves together."""
    hanging: _Hanging = {}
    for solid in model.all_solids():
        group, mass = model.carried_by(solid.on), solid.weight_kg
        if group <= rotary or not mass:
            continue
        centre = model.frame(solid.on).apply(solid.shape.centre_mm)
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


@takes_declared()
def worst_torque(model: CollisionModel, rotary: int) -> WorstTorque:
    """The greatest torque of gravity about a rotary's line over the whole range of every rotary.

    About any one angle the torque is a constant, a cosine and a sine: its greatest size is found exactly, one angle
    after the other, from every crest of a grid that can be the highest.

    Parameters
    ----------
    model : CollisionModel
    rotary : int
        Its index, from 0 at the base.

    Returns
    -------
    WorstTorque
        The size without its sign, N m, and machine angles, shape (n,), at which it is reached.

    Notes
    -----
    Derived here. An endless rotary is searched over one turn. With several rotaries a grid of 25 angles each
    decides which crests are climbed, so the answer is never too high and is reached at the angles it gives.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> worst = worst_torque(model, 0)
    >>> round(worst.torque_nm, 6), worst.machine_deg.round(6).tolist()
    (0.980665, [-90.0, 0.0])
    >>> worst_torque(model, 2)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected an index from 0 to 1, found 2
    """
    _check_rotary(model, rotary)
    machine, hanging = model.machine, _hanging(model, rotary)

    def torque(machine_deg: Array) -> Array:
        return _torque_nm(machine, rotary, hanging, machine_deg)

    ranges = [line.limits_deg or (0.0, 360.0) for line in model.machine.rotaries]
    grid = np.stack(
        np.meshgrid(*[np.linspace(low, high, _GRID) for low, high in ranges], indexing="ij"), axis=-1
    )
    climbed = _climb(torque, _crests(grid, np.abs(torque(grid))), ranges)
    sizes = np.abs(torque(climbed))
    best = int(np.argmax(sizes.round(12)))
    return WorstTorque(float(sizes[best]), read_only(climbed[best]))


def _crests(grid: Array, sizes: Array) -> Array:
    """The angles (k, n) of a grid at which no neighbour along an axis is higher, if high enough to be the highest."""
    crest = sizes >= _NEARLY * sizes.max()
    for axis in range(sizes.ndim):
        ahead = np.diff(sizes, axis=axis)
        edge = np.take(np.zeros_like(sizes), [0], axis=axis)
        crest &= np.concatenate([ahead, edge], axis=axis) <= 0.0
        crest &= np.concatenate([edge, ahead], axis=axis) >= 0.0
    found = grid[crest][np.argsort(-sizes[crest], kind="stable")]
    return np.asarray(found[:_MOST_CRESTS])


def _climb(torque: Callable[[Array], Array], starts: Array, ranges: list[tuple[float, float]]) -> Array:
    """From sets of angles (k, n) to the crests above them, one angle after the other."""
    at = starts.copy()
    for _ in range(_ROUNDS):
        before = at.copy()
        for i, (low, high) in enumerate(ranges):
            at[:, i] = _peaks(torque, at, i, low, high)
        if np.abs(at - before).max() < 1e-9:
            break
    return at


def _peaks(torque: Callable[[Array], Array], at: Array, i: int, low: float, high: float) -> Array:
    """For each set of angles the value of one of them, between its ends, at which the torque is greatest."""
    probes = np.repeat(at[:, None], 3, axis=1)
    probes[..., i] = (0.0, 120.0, 240.0)
    values, angles = torque(probes), np.radians((0.0, 120.0, 240.0))
    # A factor of both does not change where the crest is.
    crest = np.degrees(np.arctan2(values @ np.sin(angles), values @ np.cos(angles)))
    first = crest + 180.0 * np.ceil((low - crest) / 180.0)
    turns = first[:, None] + 180.0 * np.arange(np.floor((high - low) / 180.0) + 1.0)
    ends = np.broadcast_to((low, high), (len(at), 2))
    choices = np.concatenate([at[:, i, None], ends, np.where(turns <= high, turns, at[:, i, None])], axis=1)
    rows = np.repeat(at[:, None], choices.shape[1], axis=1)
    rows[..., i] = choices
    best = np.argmax(np.abs(torque(rows)).round(12), axis=1)
    return np.asarray(choices[np.arange(len(at)), best])


@takes_declared()
def force_torque_nm(
    model: CollisionModel, rotary: int, operation: OperationPose, scene: Scene | None = None
) -> float:
    """The greatest torque that the cutting force can have about a rotary's line at an operation, N m.

    The force acts at the tip in whatever direction is worst: square to the arm. A distance from a line is greatest at
    a corner of the box in which the tip cuts (`cutting_box_mm`).

    Parameters
    ----------
    model : CollisionModel
    rotary : int
        Its index, from 0 at the base.
    operation : OperationPose
        Its angles, its sweep and its force in newtons.
    scene : Scene, optional
        The model's, where it has been made before.

    Returns
    -------
    float
        Never negative: the force may act either way. 0 where the operation states no force.

    Notes
    -----
    Derived here: force times the greatest distance of a corner from the line, in metres.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> force_torque_nm(model, 0, top), force_torque_nm(model, 1, top)   # 100 N, 110 mm from A's line, on C's line
    (11.0, 0.0)
    >>> force_torque_nm(model, 2, top)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected an index from 0 to 1, found 2
    """
    _check_rotary(model, rotary)
    if operation.force_n is None:
        return 0.0
    low, high = cutting_box_mm(model, operation, scene)
    poses = group_poses(model.machine, operation.machine_deg)
    line = model.machine.rotaries[rotary]
    arm = box_corners(low, high) - poses[rotary].apply(line.point_mm)
    across = np.cross(arm, poses[rotary].rotate(line.direction))
    return float(np.linalg.norm(across, axis=-1).max()) * 1e-3 * operation.force_n


@takes_declared()
def cutting_box_mm(
    model: CollisionModel, operation: OperationPose, scene: Scene | None = None
) -> tuple[Array, Array]:
    """The part of the tip's box in which it can cut: no higher than the machinable solids under the tool.

    Parameters
    ----------
    model : CollisionModel
    operation : OperationPose
    scene : Scene, optional
        The model's, where it has been made before.

    Returns
    -------
    low, high : ndarray, shape (3,)
        Machine coordinates. The whole box where no machinable solid is under the tool.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> model = example_model()
    >>> top = model.operations[0]
    >>> low, high = cutting_box_mm(model, top)   # no sweep was stated: the tip's own place
    >>> low.tolist(), high.tolist()
    ([0.0, 0.0, 110.0], [0.0, 0.0, 110.0])
    >>> cutting_box_mm(model, "top")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: operation: expected an OperationPose, found 'top'
    """
    low, high = model.tips_mm(operation)
    if high[2] <= low[2]:
        return low, high
    scene = scene_of(model) if scene is None else scene
    radius = 0.0 if operation.tool is None else operation.tool.diameter_mm / 2.0
    column_low, column_high = low - radius - _COLUMN_MM, high + radius + _COLUMN_MM
    column_low[2], column_high[2] = -FARTHEST_MM, FARTHEST_MM
    column = manifold3d.Manifold.cube(column_high - column_low).translate(column_low)
    poses = group_poses(model.machine, operation.machine_deg)
    tops = []
    for body, group in zip(scene.bodies, scene.carried.tolist(), strict=True):
        if body.machinable:
            under = body.manifold.transform(matrix_of(poses[group])) ^ column
            if not under.is_empty():
                tops.append(under.bounding_box()[5])
    if tops:
        high = high.copy()
        high[2] = np.clip(max(tops), low[2], high[2])
    return low, high


_SAMPLES = 41
_WITHIN_MM = 1e-9


@dataclass(frozen=True)
class LoadLimit:
    """Torque that a rotary holds and mass that it may carry; None where not known.

    Raises
    ------
    KinematicsError
        When one of them is not above zero.
    """

    holding_nm: float | None = None
    capacity_kg: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("holding torque", self.holding_nm), ("capacity", self.capacity_kg)):
            if value is not None:
                as_positive(value, name)


def load_margin(model: CollisionModel, limits: Sequence[LoadLimit]) -> tuple[float, Limit]:
    """The smallest share of a holding torque or a capacity that is left, below 0 beyond it, and the limit concerned.

    Parameters
    ----------
    model : CollisionModel
    limits : sequence of LoadLimit
        Of each rotary, from the base outward.
    """
    least, cause = float("inf"), Limit()
    scene = scene_of(model)
    for k, (limit, letter) in enumerate(zip(limits, model.machine.letters, strict=False)):
        if limit.capacity_kg is not None:
            left = 1.0 - carried(model, k).mass_kg / limit.capacity_kg
            if left < least:
                least, cause = left, Limit("capacity", axis=letter)
        if limit.holding_nm is None:
            continue
        torques: list[tuple[str | None, float]] = [(None, worst_torque(model, k).torque_nm)]
        if model.operations:
            poses = np.array([operation.machine_deg for operation in model.operations])
            gravity = np.abs(gravity_torque_nm(model, k, poses)).tolist()
            torques += [
                (operation.name, weight + force_torque_nm(model, k, operation, scene))
                for operation, weight in zip(model.operations, gravity, strict=True)
            ]
        name, torque = max(torques, key=lambda pair: pair[1])
        if 1.0 - torque / limit.holding_nm < least:
            least, cause = 1.0 - torque / limit.holding_nm, Limit("holding torque", name, axis=letter)
    return least, cause


def load_feasible(
    model: CollisionModel, index: int, part: Interval, limits: Sequence[LoadLimit]
) -> list[Interval]:
    """The parts of an interval of step heights at which every rotary can carry and hold its load.

    Parameters
    ----------
    model : CollisionModel
    index : int
        The step, from 0 at the platter.
    part : Interval
        Heights in millimetres.
    limits : sequence of LoadLimit
        Of each rotary, from the base outward.
    """
    if not any(limit.holding_nm is not None or limit.capacity_kg is not None for limit in limits):
        return [part]

    def margin(height: float) -> tuple[float, Limit]:
        return load_margin(with_step_height(model, index, height), limits)

    parts: list[Interval] = []
    start: tuple[float, Limit] | None = None
    before, margin_before = part.low, margin(part.low)
    if margin_before[0] >= 0.0:
        start = (part.low, part.low_limit)
    for height in np.linspace(part.low, part.high, _SAMPLES)[1:].tolist():
        now = margin(height)
        if (now[0] >= 0.0) != (margin_before[0] >= 0.0):
            cause = now[1] if margin_before[0] >= 0.0 else margin_before[1]
            edge = _last_feasible(lambda at: margin(at)[0], before, height)
            if start is None:
                start = (edge, cause)
            else:
                parts.append(Interval(*start, edge, cause))
                start = None
        before, margin_before = height, now
    if start is not None:
        parts.append(Interval(*start, part.high, part.high_limit))
    return parts


def _last_feasible(margin: Callable[[float], float], first: float, last: float) -> float:
    """The height between two at which the margin vanishes, on the side where some is left."""
    from scipy.optimize import brentq  # nothing else of reach waits for it

    root = float(brentq(margin, first, last, xtol=_WITHIN_MM))
    inward = first if margin(first) >= 0.0 else last
    return root if margin(root) >= 0.0 else root + float(np.sign(inward - root)) * 2.0 * _WITHIN_MM
