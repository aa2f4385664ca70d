"""Work offsets recomputed under mistakes: a batch of calculations, each mistake a change of some of their inputs.

Most fields have a leading axis with one row for each calculation. An unchanged row gives the right offset; a mistake
changes one row's inputs. `offsets_mm` then computes all rows and all operations together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import sincos_deg
from kinematics.euler_angles import rotation_from_intrinsic
from kinematics.machine import table_frame
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.working import check_operation, stack_frames
from kinematics.validation import ValueEquality, read_only
from kinematics.work_offsets import Setup

__all__ = [
    "CalculationBatch",
    "Change",
    "Mistake",
    "PerturbedOffsets",
    "Rows",
    "negated",
    "nominal_batch",
    "offsets_mm",
    "recompute",
    "set_input",
    "with_rows",
]

Floats = NDArray[np.float64]
KEPT, DROPPED, REVERSED = 0, 1, 2
"""Treatment of a step's turns."""


@dataclass(eq=False)
class CalculationBatch:
    """Inputs of v calculations of m operations on a machine of n rotaries and a stack of k steps.

    Mutable on purpose: mistakes change rows in place.

    Attributes
    ----------
    moves_mm : (k, 3), turned : (3, k, 3, 3)
        Each step's shift and height; its rotation kept, dropped, or with its angles' signs reversed.
    counted : (v, k)
        Times each step is counted.
    parts_counted : (v, k, 3)
        Times each step's shift in x, in y and its height are counted, on top of `counted`.
    turning : (v, k) of int
        Index of the rotation that is used, of the three.
    stack_scale : (v,)
    part_mm : (v, 3) or None, part_rotation : (3, 3)
        Part zero in the table, where it was touched off and the stack does not count.
    origin_mm : (m, 3), plane_frames : (m, 3, 3)
        Origins in part coordinates; the operations' planes' own axes as columns, in part coordinates.
    in_plane : (v,) of bool
        The origin is read along the plane's own axes.
    origin_factor : (v, 3)
        Factor on each component of the origin.
    table_mm : (v, 3), table_rotation : (3, 3)
        The table frame in machine coordinates.
    direction : (n, 3), zero_deg : (n,)
    pivot_mm, arm_from_mm : (v, n, 3)
        Point onto which each rotary's turned arm is put back, and from which its arm is measured.
    sign : (v, n)
        Right-handed turn for a positive move.
    program_deg : (v, m, n), rotary_offset_deg : (v, n)
    angle_step_deg, ratio_step, length_step_mm : (v,)
        Rounding of intermediate angles, sines and cosines, and lengths; 0 for none.
    radians : (v, n) of bool
        Degrees typed into a calculator that takes radians.
    swapped : (v, n) of bool
        Sine and cosine swapped.
    order : (v, n) of int
        Rotaries in the order in which they turn the point.
    moved_mm : (v, k, 3), origin_added_mm : (v, 3)
        Added to each step's shift and height, and to every origin.
    origin_of, answer_of : (v, m) of int
        The operation whose origin is turned, and the one whose numbers are answered, for each operation.
    after_turns : (v,) of bool
        The origin is added after the turns, along the machine's axes.
    turn_scale : (v, n)
        Factor on the turn: 0 for a rotary that is not turned, 0.9 for gradians.
    first_axis : (n, 3)
        Of each rotary that runs along a machine axis, the plane's axis from which plane trigonometry counts the arm's
        angle; zeros for another.
    half_turn_lost, legs_swapped, parts_swapped : (v, n) of bool
        In plane trigonometry: the arc tangent of an arm on the left not moved by 180; the arm's two legs exchanged
        before the turn; r cos and r sin exchanged after it.
    answer_step_mm : (v,)
        Rounding of the answer; 0 for none.
    added_mm : (v, 3), scale : (v,)
        Final changes of the answer: scaled, then added to.
    written_as : (v, 3) of int, unsigned : (v, 3) of bool
        Errors of writing: the axis whose number stands for X, Y, Z; a minus that is lost.
    """

    moves_mm: Floats
    turned: Floats
    counted: Floats
    parts_counted: Floats
    turning: NDArray[np.int64]
    stack_scale: Floats
    part_mm: Floats | None
    part_rotation: Floats
    origin_mm: Floats
    plane_frames: Floats
    in_plane: NDArray[np.bool_]
    origin_factor: Floats
    table_mm: Floats
    table_rotation: Floats
    direction: Floats
    zero_deg: Floats
    pivot_mm: Floats
    arm_from_mm: Floats
    sign: Floats
    program_deg: Floats
    rotary_offset_deg: Floats
    angle_step_deg: Floats
    ratio_step: Floats
    length_step_mm: Floats
    radians: NDArray[np.bool_]
    swapped: NDArray[np.bool_]
    order: NDArray[np.int64]
    moved_mm: Floats
    origin_added_mm: Floats
    origin_of: NDArray[np.int64]
    answer_of: NDArray[np.int64]
    after_turns: NDArray[np.bool_]
    turn_scale: Floats
    first_axis: Floats
    half_turn_lost: NDArray[np.bool_]
    legs_swapped: NDArray[np.bool_]
    parts_swapped: NDArray[np.bool_]
    answer_step_mm: Floats
    added_mm: Floats
    scale: Floats
    written_as: NDArray[np.int64]
    unsigned: NDArray[np.bool_]


def nominal_batch(
    setup: Setup, placed: Sequence[PlacedOperation], steps: Sequence[StackStep] | None, rows: int
) -> CalculationBatch:
    """A batch of `rows` right calculations.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
    steps : sequence of StackStep or None
        The setup's stack; None where part zero was touched off.
    rows : int

    Raises
    ------
    KinematicsError
        When the operations are another machine's, or the steps are not the setup's stack.
    """
    for one in placed:
        check_operation(setup, one)
    if steps is not None:
        stack_frames(setup, steps)
    machine, used = setup.machine, tuple(steps or ())
    frame = table_frame(machine)
    n, k = len(machine.rotaries), len(used)
    pivots = np.array([rotary.point_mm for rotary in machine.rotaries])
    program = np.array([one.program_deg for one in placed]).reshape(len(placed), n)

    def each(value: object) -> Floats:
        array = np.asarray(value, dtype=np.float64)
        return np.broadcast_to(array, (rows, *array.shape)).copy()

    return CalculationBatch(
        moves_mm=np.array([[*step.shift_mm, step.up_mm] for step in used]).reshape(k, 3),
        turned=np.array([[_step_turn(step, factor) for step in used] for factor in (1.0, 0.0, -1.0)]).reshape(
            3, k, 3, 3
        ),
        counted=each(np.ones(k)),
        parts_counted=each(np.ones((k, 3))),
        turning=np.zeros((rows, k), dtype=np.int64),
        stack_scale=np.ones(rows),
        part_mm=None if steps is not None else each(setup.part_in_table.translation_mm),
        part_rotation=setup.part_in_table.rotation,
        origin_mm=np.array([one.origin_mm for one in placed]).reshape(-1, 3),
        plane_frames=np.array([_plane_frame(one) for one in placed]).reshape(-1, 3, 3),
        in_plane=np.zeros(rows, dtype=bool),
        origin_factor=each(np.ones(3)),
        table_mm=each(frame.translation_mm),
        table_rotation=frame.rotation,
        direction=np.array([rotary.direction for rotary in machine.rotaries]),
        zero_deg=machine.zero_deg,
        pivot_mm=each(pivots),
        arm_from_mm=each(pivots),
        sign=each([float(rotary.positive_turn.sign) for rotary in machine.rotaries]),
        program_deg=each(program),
        rotary_offset_deg=each(setup.rotary_offset_deg),
        angle_step_deg=np.zeros(rows),
        ratio_step=np.zeros(rows),
        length_step_mm=np.zeros(rows),
        radians=np.zeros((rows, n), dtype=bool),
        swapped=np.zeros((rows, n), dtype=bool),
        order=np.broadcast_to(np.arange(n)[::-1], (rows, n)).copy(),
        moved_mm=np.zeros((rows, k, 3)),
        origin_added_mm=np.zeros((rows, 3)),
        origin_of=np.broadcast_to(np.arange(len(placed)), (rows, len(placed))).copy(),
        answer_of=np.broadcast_to(np.arange(len(placed)), (rows, len(placed))).copy(),
        after_turns=np.zeros(rows, dtype=bool),
        turn_scale=np.ones((rows, n)),
        first_axis=np.array([_first_axis(rotary.direction) for rotary in machine.rotaries]).reshape(n, 3),
        half_turn_lost=np.zeros((rows, n), dtype=bool),
        legs_swapped=np.zeros((rows, n), dtype=bool),
        parts_swapped=np.zeros((rows, n), dtype=bool),
        answer_step_mm=np.zeros(rows),
        added_mm=np.zeros((rows, 3)),
        scale=np.ones(rows),
        written_as=np.broadcast_to(np.arange(3), (rows, 3)).copy(),
        unsigned=np.zeros((rows, 3), dtype=bool),
    )


_SAME_IN_ALL_ROWS = {
    "direction",
    "first_axis",
    "moves_mm",
    "origin_mm",
    "part_rotation",
    "plane_frames",
    "table_rotation",
    "turned",
    "zero_deg",
}


def with_rows(batch: CalculationBatch, rows: int) -> CalculationBatch:
    """The first calculation of a batch, so many times: quicker than `nominal_batch` where many batches are of one job.

    Parameters
    ----------
    batch : CalculationBatch
    rows : int
    """
    own = {
        one.name: np.repeat(getattr(batch, one.name)[:1], rows, axis=0)
        for one in fields(batch)
        if one.name not in _SAME_IN_ALL_ROWS and getattr(batch, one.name) is not None
    }
    return replace(batch, **own)


def _first_axis(direction: Floats) -> Floats:
    """Y for a rotary along X, Z along Y, X along Z; zeros for one along no machine axis."""
    k = int(np.argmax(np.abs(direction)))
    axis = np.zeros(3)
    if abs(direction[k]) == 1.0:
        axis[(k + 1) % 3] = 1.0
    return axis


def _step_turn(step: StackStep, factor: float) -> Floats:
    turns = (*step.rotate, ("z", step.turn_deg))
    return rotation_from_intrinsic([(axis, factor * angle) for axis, angle in turns])


def _plane_frame(placed: PlacedOperation) -> Floats:
    """The plane's own axes as columns: its x where it has one, otherwise the machine's X in part coordinates."""
    x, normal = placed.plane.x, placed.plane.normal
    if x is None:
        return np.asarray(placed.axes.T)
    return np.stack([x, np.cross(normal, x), normal], axis=-1)


def offsets_mm(batch: CalculationBatch) -> Floats:
    """Work offsets of a batch, shape (v, m, 3), millimetres.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.operations import Operation
    >>> from kinematics.placement import place_operations
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [StackStep("post", up_mm=100.0)])
    >>> port = place_operations(setup, [Operation("port", program_deg=(-90.0,))]).placed
    >>> batch = nominal_batch(setup, port, [StackStep("post", up_mm=100.0)], rows=2)
    >>> batch.counted[1, 0] = 2.0   # the post, counted twice
    >>> offsets_mm(batch)[:, 0].tolist()
    [[0.0, -100.0, -50.0], [0.0, -200.0, -50.0]]
    """
    point, origin = _all_zero(batch)
    sine, cosine = _sines(batch)
    rows = np.arange(point.shape[0])
    for place in range(batch.order.shape[1]):
        i = batch.order[:, place]
        arm = point - batch.arm_from_mm[rows, i][:, None, :]
        axis = batch.direction[i][:, None, :]
        s, c = sine[rows, :, i][..., None], cosine[rows, :, i][..., None]
        along = axis * np.sum(axis * arm, axis=-1, keepdims=True)
        first = batch.first_axis[i][:, None, :]
        second = np.cross(np.abs(axis), first)
        across = _exchanged(arm - along, first, second, batch.legs_swapped[rows, i])
        left = batch.half_turn_lost[rows, i][:, None, None] & (
            np.sum(first * across, -1, keepdims=True) < 0.0
        )
        across = np.where(left, -across, across)
        turned = c * across + s * np.cross(axis, across)
        turned = _exchanged(turned, first, second, batch.parts_swapped[rows, i]) + along
        point = _rounded(batch.pivot_mm[rows, i][:, None, :] + turned, batch.length_step_mm[:, None, None])
    point = point + np.where(batch.after_turns[:, None, None], origin, 0.0)
    point = np.take_along_axis(point, batch.answer_of[:, :, None], axis=1)
    answer = point * batch.scale[:, None, None] + batch.added_mm[:, None, :]
    written = np.take_along_axis(answer, batch.written_as[:, None, :], axis=-1)
    unsigned = np.where(batch.unsigned[:, None, :], np.abs(written), written)
    return _rounded(unsigned, batch.answer_step_mm[:, None, None])


def _exchanged(across: Floats, first: Floats, second: Floats, rows: NDArray[np.bool_]) -> Floats:
    """An arm's two parts across a rotary exchanged, in the rows that say so."""
    if not rows.any():
        return across
    a, b = np.sum(first * across, -1, keepdims=True), np.sum(second * across, -1, keepdims=True)
    return np.where(rows[:, None, None], b * first + a * second, across)


def _all_zero(batch: CalculationBatch) -> tuple[Floats, Floats]:
    """Origins in machine coordinates at the all-zero pose, and what is added after the turns, (v, m, 3) each."""
    in_plane = (batch.plane_frames @ batch.origin_mm[..., None])[..., 0]
    origin = np.where(batch.in_plane[:, None, None], in_plane[None], batch.origin_mm[None])
    origin = np.take_along_axis(origin, batch.origin_of[:, :, None], axis=1)
    origin = origin * batch.origin_factor[:, None, :] + batch.origin_added_mm[:, None, :]
    after = batch.after_turns[:, None, None]
    later, origin = np.where(after, origin, 0.0), np.where(after, 0.0, origin)
    rows, k = batch.counted.shape
    reached, turned = np.zeros((rows, 3)), np.broadcast_to(batch.part_rotation, (rows, 3, 3))
    if batch.part_mm is not None:
        reached = reached + batch.part_mm
    else:
        turned = np.broadcast_to(np.eye(3), (rows, 3, 3))
        for step in range(k):
            move = batch.counted[:, step, None] * batch.parts_counted[:, step] * batch.moves_mm[step]
            move = move + batch.moved_mm[:, step]
            reached = reached + (turned @ move[..., None])[..., 0]
            turned = turned @ batch.turned[batch.turning[:, step], step]
    reached = reached * batch.stack_scale[:, None]
    in_table = (turned[:, None] @ origin[..., None])[..., 0] + reached[:, None, :]
    point = (batch.table_rotation @ in_table[..., None])[..., 0] + batch.table_mm[:, None, :]
    return _rounded(point, batch.length_step_mm[:, None, None]), later


def _sines(batch: CalculationBatch) -> tuple[Floats, Floats]:
    """Sine and cosine of every turn, (v, m, n) each."""
    program = _rounded(batch.program_deg, batch.angle_step_deg[:, None, None])
    machine = program + batch.rotary_offset_deg[:, None, :]
    turn = batch.sign[:, None, :] * (machine - batch.zero_deg) * batch.turn_scale[:, None, :]
    sine, cosine = sincos_deg(turn)
    radians = batch.radians[:, None, :]
    sine, cosine = np.where(radians, np.sin(turn), sine), np.where(radians, np.cos(turn), cosine)
    swapped, step = batch.swapped[:, None, :], batch.ratio_step[:, None, None]
    sine, cosine = np.where(swapped, cosine, sine), np.where(swapped, sine, cosine)
    return _rounded(sine, step), _rounded(cosine, step)


def _rounded(values: Floats, step: Floats) -> Floats:
    """Values rounded to the nearest step; unchanged where the step is 0."""
    some = np.where(step > 0.0, step, 1.0)
    return np.where(step > 0.0, np.rint(values / some) * some, values)


_LABELS = {
    "step left out": "{item} left out",
    "step counted twice": "{item} counted twice",
    "step's height left out": "height of {item} left out",
    "step's shift forgotten": "shift of {item} forgotten",
    "step's shift reversed": "shift of {item} reversed",
    "step's turn forgotten": "turn of {item} forgotten",
    "an angle's sign": "sign of {item}'s angle",
    "the origin's sign": "sign of the origin's {item}",
    "numbers swapped": "{item} swapped",
    "a minus lost": "minus of {item} lost",
    "sense reversed": "{item}'s sense reversed",
    "sine and cosine swapped": "{item}'s sine and cosine swapped",
    "degrees and radians": "{item}'s degrees taken for radians",
    "rotary offset forgotten": "{item}'s work offset forgotten",
    "pivot taken as the platter face": "{item}'s pivot taken at the platter face",
    "measured from the table": "{item}'s arm measured from the table",
    "offset between the lines forgotten": "gap at {item}'s line forgotten",
    "rotary not turned": "{item} not turned",
    "gradians": "{item}'s degrees taken for gradians",
    "180 forgotten": "180 forgotten after {item}'s arc tangent",
    "angle from the wrong leg": "{item}'s arm angle from the wrong leg",
    "cosine and sine parts exchanged": "r cos and r sin of {item} exchanged",
    "turned about machine zero": "{item} turned about machine zero",
    "pivot not added back": "{item}'s pivot not added back",
    "measured from the pivot": "answer measured from {item}'s pivot",
    "another rotary's pivot": "pivot of {item}",
    "stack on the tilt pivot": "stack stood on {item}'s pivot",
    "rotary offset's sign": "sign of {item}'s work offset",
    "operations exchanged": "{item} exchanged",
    "answer rounded": "answer rounded to {item}",
    "digits swapped": "digits of {item} swapped",
}

Rows = NDArray[np.int64]
Change = Callable[[CalculationBatch, Rows], None]


@dataclass(frozen=True)
class Mistake:
    """A classic mistake as a change of a calculation.

    Attributes
    ----------
    kind : str
        The mistake, the same for every rotary and step: "sense reversed".
    item : str
        The rotary's letter or the step's name; empty where it has none.
    words : str
        A clause that says what was done.
    at : str
        Key of the first step of the working that it changes.
    claims : frozenset of str
        Parts of the calculation that it changes; two mistakes with a part in common cannot both have been made.
    change : callable
        Changes rows of a batch in place.
    """

    kind: str
    item: str
    words: str
    at: str
    claims: frozenset[str]
    change: Change = field(repr=False, compare=False)

    @property
    def name(self) -> str:
        """Kind and item: "sense reversed, A"."""
        return f"{self.kind}, {self.item}" if self.item else self.kind

    @property
    def label(self) -> str:
        """The mistake in a few words: "A's sense reversed", "sub-plate left out"."""
        return (
            _LABELS.get(self.kind, "{kind}, {item}").format(kind=self.kind, item=self.item)
            if self.item
            else self.kind
        )


def set_input(attribute: str, index: tuple[object, ...], value: object) -> Change:
    """A change that sets one input of the rows."""

    def change(batch: CalculationBatch, rows: Rows) -> None:
        getattr(batch, attribute)[(rows, *index)] = value

    return change


def negated(attribute: str, index: tuple[object, ...]) -> Change:
    """A change that reverses the sign of one input of the rows."""

    def change(batch: CalculationBatch, rows: Rows) -> None:
        getattr(batch, attribute)[(rows, *index)] *= -1.0

    return change


@dataclass(frozen=True, eq=False)
class PerturbedOffsets(ValueEquality):
    """Work offsets under every mistake.

    Attributes
    ----------
    made : tuple of tuple of Mistake
        The mistakes of each row: none in the first, then one, then two.
    offset_mm : ndarray, shape (v, m, 3)
        Offset of each row and operation.
    """

    made: tuple[tuple[Mistake, ...], ...]
    offset_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "offset_mm", read_only(self.offset_mm))


def recompute(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    mistakes: Sequence[Mistake],
    *,
    pairs: bool = True,
) -> PerturbedOffsets:
    """Recompute every operation's offset without a mistake, under each one, and under each compatible pair.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
    steps : sequence of StackStep or None
    mistakes : sequence of Mistake
    pairs : bool

    Returns
    -------
    PerturbedOffsets
    """
    picked: list[tuple[int, ...]] = [(), *((i,) for i in range(len(mistakes)))]
    if pairs:
        picked += [
            (i, j)
            for i, j in combinations(range(len(mistakes)), 2)
            if not mistakes[i].claims & mistakes[j].claims
        ]
    rows: list[list[int]] = [[] for _ in mistakes]
    for row, done in enumerate(picked):
        for i in done:
            rows[i].append(row)
    batch = nominal_batch(setup, placed, steps, len(picked))
    # Each mistake once, on all its rows; those that copy or wipe what another changes come last.
    late = {"measured from the table": 1, "pivot not added back": 2}
    for i in sorted(range(len(mistakes)), key=lambda i: late.get(mistakes[i].kind, 0)):
        mistakes[i].change(batch, np.array(rows[i], dtype=np.int64))
    made = tuple(tuple(mistakes[i] for i in done) for done in picked)
    return PerturbedOffsets(made, offsets_mm(batch))
