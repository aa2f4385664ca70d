"""Index moves: the ways that rotaries may take, and the certified smallest distances on each.

What turns is held against the retracted spindle and against what stands. Rotaries on a rapid need not arrive together,
so every mixture of angles between the one pose and the other counts, not just the straight way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.machine import Machine
from kinematics.progress import counted
from kinematics.reach.branch_and_bound import MoveClearance, smallest_distance
from kinematics.reach.collision_model import CollisionModel, OperationPose
from kinematics.reach.scene import FARTHEST_MM, Scene, SweptBody
from kinematics.reach.tool_assembly import cutting_bodies
from kinematics.rotary import IndexRule, RotaryAxis
from kinematics.validation import ValueEquality, as_instance, as_vector, read_only

__all__ = [
    "IndexMove",
    "MoveClearance",
    "index_move",
    "index_range_deg",
    "index_turns_deg",
    "job_index_moves",
    "rotary_turns_deg",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class IndexMove(ValueEquality, DeclaredFields):
    """One way of an index move, the spindle retracted.

    Attributes
    ----------
    start, end : OperationPose or None
        The operations that it leads from and to; None for the start of the job.
    turn_deg : ndarray, shape (n,)
        Signed move of each rotary, as it counts.
    ways : int
        Number of ways that the rotaries may take here; each is an index move of its own.
    tool : MoveClearance or None
        From tool, holder and spindle to what turns; None where nothing is within what was asked about, where no tool
        or no retract position is known, or where nothing turns.
    table : MoveClearance or None
        From what turns to what stands; None where nothing is within what was asked about, or nothing stands beside it.
    """

    start: OperationPose | None
    end: OperationPose | None
    turn_deg: NDArray[np.float64]
    ways: int
    tool: MoveClearance | None
    table: MoveClearance | None

    def __post_init__(self) -> None:
        object.__setattr__(self, "turn_deg", read_only(self.turn_deg))
        super().__post_init__()

    @property
    def clearances(self) -> tuple[MoveClearance, ...]:
        """Those of both that are known."""
        return tuple(one for one in (self.tool, self.table) if one is not None)


@takes_declared()
def rotary_turns_deg(rotary: RotaryAxis, from_deg: float, to_deg: float) -> tuple[float, ...]:
    """Signed moves by which a rotary may go from one machine angle to another, the short way first.

    Parameters
    ----------
    rotary : RotaryAxis
        With what is stated of its way.
    from_deg, to_deg : float
        Machine angles, as displayed.

    Returns
    -------
    tuple of float
        Degrees, positive as the rotary counts. One move where only one is possible.

    Examples
    --------
    >>> from kinematics.rotary import IndexDirection, RotationSense
    >>> def turns(direction, *angles):
    ...     c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None, index_direction=direction)
    ...     return rotary_turns_deg(c, *angles)
    >>> turns(IndexDirection(), 350.0, 10.0)
    (20.0, -340.0)
    >>> turns(IndexDirection(IndexRule.AS_NUMBERED), 350.0, 10.0)
    (-340.0,)
    >>> turns(IndexDirection(IndexRule.SHORT_WAY), 0.0, 180.0)
    (-180.0, 180.0)
    >>> turns(IndexDirection(IndexRule.SHORT_WAY, "positive"), 0.0, 180.0)
    (180.0,)
    >>> rotary_turns_deg("C", 350.0, 10.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected a RotaryAxis, found 'C'
    """
    direction, as_numbered = rotary.index_direction, float(to_deg) - float(from_deg)
    if rotary.moves_as_numbered:
        return (as_numbered,)
    short = float(wrap_deg(as_numbered, low_deg=-180.0))
    if abs(short) < SNAP_DEG:
        short = 0.0
    half = abs(abs(short) - 180.0) < SNAP_DEG
    if direction.rule is IndexRule.SHORT_WAY:
        if not half:
            return (short,)
        if direction.half_turn is not None:
            return (180.0 if direction.half_turn == "positive" else -180.0,)
        return (-180.0, 180.0)
    if half:
        short = -180.0
    other = (short - float(np.copysign(360.0, short)),) if short else ()
    # Angles typed more than a turn apart: run through by the numbers they go round more than once.
    further = (as_numbered,) if abs(as_numbered) >= 360.0 - SNAP_DEG else ()
    return (short, *other, *further)


def index_turns_deg(
    machine: Machine, from_deg: ArrayLike, to_deg: ArrayLike
) -> tuple[NDArray[np.float64], ...]:
    """Every combination of the ways that the rotaries of a machine may take to their next angles.

    Parameters
    ----------
    machine : Machine
    from_deg, to_deg : array_like, shape (n,)
        Machine angles.

    Returns
    -------
    tuple of ndarray, shape (n,)
        Signed moves in degrees, the short ways first.

    Raises
    ------
    KinematicsError
        When an angle is missing or not finite.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> mill = example_model().machine
    >>> [turn.tolist() for turn in index_turns_deg(mill, [0, 0], [-90, 90])]   # A has limits, C may go either way
    [[-90.0, 90.0], [-90.0, -270.0]]
    >>> index_turns_deg(mill, [0], [-90, 90])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles (A, C): expected a last axis of 2 numbers, found shape (1,)
    """
    as_instance(machine, Machine, "machine")
    first, last = machine.angles(from_deg), machine.angles(to_deg)
    ways = (
        rotary_turns_deg(rotary, float(a), float(b))
        for rotary, a, b in zip(machine.rotaries, first, last, strict=True)
    )
    return tuple(read_only(way) for way in product(*ways))


@takes_declared()
def job_index_moves(
    model: CollisionModel,
    scene: Scene,
    up_to_mm: float = FARTHEST_MM,
    *,
    tool_too: bool = True,
    table_too: bool = True,
) -> tuple[IndexMove, ...]:
    """Index moves of a job: from the start through every operation and back, each by every way it may take.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
        The model's, from `scene_of`.
    up_to_mm : float
        Distances longer than this are not asked about.
    tool_too, table_too : bool
        Off to leave out tool, holder and spindle, or what turns against what stands.

    Returns
    -------
    tuple of IndexMove
        Those on which a rotary turns, in order; ways of one move follow each other, the short one first.

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> from kinematics.reach.scene import scene_of
    >>> model = example_model()
    >>> scene = scene_of(model)
    >>> [one.turn_deg.tolist() for one in job_index_moves(model, scene)]   # down, and back to the start
    [[-90.0, 0.0], [90.0, 0.0]]
    >>> job_index_moves(model, None)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: scene: expected a Scene, found None
    """
    stops: list[OperationPose | None] = [None, *model.operations, None]
    known: dict[tuple[float, ...], MoveClearance | None] = {}
    found = []
    for first, second in counted(pairwise(stops), "index moves", len(stops) - 1):
        ways = [
            turn
            for turn in index_turns_deg(model.machine, _angles(model, first), _angles(model, second))
            if turn.any()
        ]
        for turn in ways:
            move = IndexMove(first, second, turn, 1, None, None)
            if tool_too:
                move = index_move(model, scene, first, second, turn, up_to_mm, table_too=False)
            if table_too:
                low, high = index_range_deg(model, first, turn)
                # Neither the tool nor the direction matters to the table: many moves of a job are one box of angles.
                key = tuple(np.concatenate([low, high]).round(9).tolist())
                if key not in known:
                    known[key] = _table_clearance(scene, low, high, up_to_mm)
                move = replace(move, table=known[key])
            found.append(replace(move, ways=len(ways)))
    return tuple(found)


@takes_declared()
def index_move(
    model: CollisionModel,
    scene: Scene,
    first: OperationPose | None,
    second: OperationPose | None,
    turn_deg: NDArray[np.float64],
    up_to_mm: float = FARTHEST_MM,
    *,
    table_too: bool = True,
) -> IndexMove:
    """One way of an index move.

    Everything counts here, the tool against the part too: nothing cuts on the way.

    Parameters
    ----------
    model : CollisionModel
    scene : Scene
    first, second : OperationPose or None
        The operations that it leads from and to; None for the start of the job.
    turn_deg : ndarray, shape (n,)
        Signed move of each rotary from the first one's angles.
    up_to_mm : float
        Distances longer than this are not asked about.
    table_too : bool
        Off to leave out what turns against what stands.

    Returns
    -------
    IndexMove

    Examples
    --------
    >>> from kinematics.reach.example_model import example_model
    >>> from kinematics.reach.scene import scene_of
    >>> model = example_model()
    >>> scene, (top, side) = scene_of(model), model.operations
    >>> move = index_move(model, scene, top, side, [-90.0, 0.0])
    >>> move.tool.obstacle, round(move.tool.seen_mm)   # the tip is at 350; the post's rim is at most 104.4 from A's line
    ('post', 246)
    >>> index_move(model, scene, top, side, [-90.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: turn: expected a last axis of 2 numbers, found shape (1,)
    """
    turn_deg = as_vector(turn_deg, len(model.machine.rotaries), "turn")
    low, high = index_range_deg(model, first, turn_deg)
    swept = retracted(model, first, second)
    turning = np.flatnonzero(scene.carried > 0)
    tool = None
    if swept and turning.size and (high > low).any():
        grid = np.meshgrid(np.arange(len(swept)), turning, indexing="ij")
        tool = smallest_distance(scene, swept, (low, high), (grid[0].ravel(), grid[1].ravel()), up_to_mm)
    table = _table_clearance(scene, low, high, up_to_mm) if table_too else None
    return IndexMove(first, second, turn_deg, 1, tool, table)


def index_range_deg(
    model: CollisionModel, first: OperationPose | None, turn_deg: NDArray[np.float64]
) -> tuple[Array, Array]:
    """Least and greatest machine angles on the way from an operation, or from the start of the job."""
    start = _angles(model, first)
    return np.minimum(start, start + turn_deg), np.maximum(start, start + turn_deg)


def retracted(
    model: CollisionModel, first: OperationPose | None, second: OperationPose | None
) -> list[SweptBody]:
    """Both operations' tools at the retract position: which one is in the spindle is not known."""
    z_readout = model.retract_z_mm()
    operations = [one for one in (first, second) if one is not None]
    if z_readout is None or not operations:
        return []
    boxes = np.array([model.tips_mm(operation) for operation in operations])
    low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
    gauge_z = float(model.machine.z_reference.from_gauge_line_mm(z_readout))
    for i in range(2):
        stated = model.retract_mm[i]
        if stated is not None:
            low[i] = high[i] = stated
    found = []
    tools = {id(operation.tool): operation.tool for operation in operations if operation.tool is not None}
    for tool in tools.values():
        low[2] = high[2] = gauge_z - tool.length_mm
        bodies = cutting_bodies(tool, model.spindle)
        found += [SweptBody(body, (low + high) / 2.0, (high - low) / 2.0) for body in bodies]
    return found


def _angles(model: CollisionModel, operation: OperationPose | None) -> Array:
    return model.start_deg if operation is None else operation.machine_deg


def _table_clearance(scene: Scene, low: Array, high: Array, up_to_mm: float) -> MoveClearance | None:
    pairs = scene.moving_pairs
    # A pair that no rotary of this move turns against each other is as far apart as at the operation itself.
    moves = high > low
    turns = np.array(
        [
            moves[a:b].any()
            for a, b in zip(scene.carried[pairs.standing], scene.carried[pairs.turning], strict=True)
        ],
        dtype=bool,
    )
    if not turns.any():
        return None
    return smallest_distance(scene, [], (low, high), (pairs.standing[turns], pairs.turning[turns]), up_to_mm)
