"""A batch of offset calculations, each row with inputs of its own.

Most fields have a leading axis with one row for each calculation. An unchanged row gives the right offset; a mistake
changes one row's inputs. `offsets_mm` then computes all rows and all operations together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import sincos_deg
from kinematics.euler_angles import rotation_from_intrinsic
from kinematics.machine import table_frame
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.working import check_operation, stack_frames
from kinematics.validation import cross
from kinematics.work_offsets import Setup

__all__ = [
    "DOUBLED",
    "DROPPED",
    "KEPT",
    "PLANE_SLIPS",
    "REVERSED",
    "CalculationBatch",
    "Floats",
    "Rows",
    "first_axis",
    "nominal_batch",
    "offsets_mm",
    "with_rows",
]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
KEPT, DROPPED, REVERSED, DOUBLED = 0, 1, 2, 3
"""Treatment of a step's turns."""
PLANE_SLIPS = (
    "none",
    "first sine's sign",
    "second sine's sign",
    "first left",
    "second left",
    "first too soon",
    "second too soon",
    "first left out",
    "second left out",
    "cosines alone",
)
"""Slips in turning an arm's two legs: a sine's sign, a leg left as it was, a new leg used for the other, a leg left out, or
each leg times the cosine without the other's part."""


@dataclass(eq=False)
class CalculationBatch:
    """Inputs of v calculations of m operations on a machine of n rotaries and a stack of k steps.

    Mutable on purpose: mistakes change rows in place.

    Attributes
    ----------
    moves_mm : (k, 3), turned : (4, k, 3, 3)
        Each step's shift and height; its rotation kept, dropped, with its angles' signs reversed, or doubled.
    counted : (v, k)
        Times each step is counted.
    parts_counted : (v, k, 3)
        Times each step's shift in x, in y and its height are counted, on top of `counted`.
    turning : (v, k) of int
        Index of the rotation that is used, of the four.
    stack_scale : (v,)
    part_mm : (v, 3) or None, part_rotation : (v, 3, 3)
        Part zero in the table, where it was touched off and the stack does not count, and how the part stands turned.
    origin_mm : (m, 3), plane_frames : (m, 3, 3)
        Origins in part coordinates; the operations' planes' own axes as columns, in part coordinates.
    in_plane : (v,) of bool
        The origin is read along the plane's own axes.
    origin_factor : (v, 3)
        Factor on each component of the origin.
    table_mm : (v, 3), table_rotation : (3, 3)
        The table frame in machine coordinates.
    direction : (v, n, 3), zero_deg : (n,)
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
    first_axis : (v, n, 3)
        Of each rotary that runs along a machine axis, the plane's axis from which plane trigonometry counts the arm's
        angle; zeros for another.
    half_turn_lost, legs_swapped, parts_swapped : (v, n) of bool
        In plane trigonometry: the arc tangent of an arm on the left not moved by 180; the arm's two legs exchanged
        before the turn; r cos and r sin exchanged after it.
    plane_slip : (v, n) of int
        In plane trigonometry, one of `PLANE_SLIPS`.
    tangent : (v, n) of bool
        The tangent taken for the sine.
    arm_factor : (v, n)
        Factor on the arm's two legs.
    from_start : (v, n) of bool
        The arm's two legs are taken from the point before any rotary turned.
    origin_order : (v, 3) of int
        The component of the origin that stands for x, y, z.
    less_start, less_first : (v,) of bool
        The answer is the way from the all-zero pose, or from the first operation.
    answer_step_mm : (v,)
        Rounding of the answer; negative where it is cut off there, 0 for none.
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
    plane_slip: NDArray[np.int64]
    tangent: NDArray[np.bool_]
    arm_factor: Floats
    from_start: NDArray[np.bool_]
    origin_order: NDArray[np.int64]
    less_start: NDArray[np.bool_]
    less_first: NDArray[np.bool_]
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
        turned=np.array(
            [[_step_turn(step, factor) for step in used] for factor in (1.0, 0.0, -1.0, 2.0)]
        ).reshape(4, k, 3, 3),
        counted=each(np.ones(k)),
        parts_counted=each(np.ones((k, 3))),
        turning=np.zeros((rows, k), dtype=np.int64),
        stack_scale=np.ones(rows),
        part_mm=None if steps is not None else each(setup.part_in_table.translation_mm),
        part_rotation=each(setup.part_in_table.rotation),
        origin_mm=np.array([one.origin_mm for one in placed]).reshape(-1, 3),
        plane_frames=np.array([_plane_frame(one) for one in placed]).reshape(-1, 3, 3),
        in_plane=np.zeros(rows, dtype=bool),
        origin_factor=each(np.ones(3)),
        table_mm=each(frame.translation_mm),
        table_rotation=frame.rotation,
        direction=each([rotary.direction for rotary in machine.rotaries]),
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
        first_axis=each(
            np.array([first_axis(rotary.direction) for rotary in machine.rotaries]).reshape(n, 3)
        ),
        half_turn_lost=np.zeros((rows, n), dtype=bool),
        legs_swapped=np.zeros((rows, n), dtype=bool),
        parts_swapped=np.zeros((rows, n), dtype=bool),
        plane_slip=np.zeros((rows, n), dtype=np.int64),
        tangent=np.zeros((rows, n), dtype=bool),
        arm_factor=np.ones((rows, n)),
        from_start=np.zeros((rows, n), dtype=bool),
        origin_order=np.broadcast_to(np.arange(3), (rows, 3)).copy(),
        less_start=np.zeros(rows, dtype=bool),
        less_first=np.zeros(rows, dtype=bool),
        answer_step_mm=np.zeros(rows),
        added_mm=np.zeros((rows, 3)),
        scale=np.ones(rows),
        written_as=np.broadcast_to(np.arange(3), (rows, 3)).copy(),
        unsigned=np.zeros((rows, 3), dtype=bool),
    )


_SAME_IN_ALL_ROWS = {
    "moves_mm",
    "origin_mm",
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


def first_axis(direction: Floats) -> Floats:
    """Y for a rotary along X, Z along Y, X along Z; zeros for one along no machine axis.

    Examples
    --------
    >>> first_axis(np.array([0.0, -1.0, 0.0])).tolist(), first_axis(np.array([0.6, 0.0, 0.8])).tolist()
    ([0.0, 0.0, 1.0], [0.0, 0.0, 0.0])
    """
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
    start, origin = _all_zero(batch)
    sine, cosine = _sines(batch)
    rows, point = np.arange(start.shape[0]), start
    for place in range(batch.order.shape[1]):
        i = batch.order[:, place]
        arm_from = batch.arm_from_mm[rows, i][:, None, :]
        arm = point - arm_from
        axis = batch.direction[rows, i][:, None, :]
        s, c = sine[rows, :, i][..., None], cosine[rows, :, i][..., None]
        along = axis * _dot(arm, axis)
        across = (arm - along) * batch.arm_factor[rows, i][:, None, None]
        earlier = batch.from_start[rows, i]
        if earlier.any():
            before = start - arm_from
            before = before - axis * _dot(before, axis)
            across = np.where(earlier[:, None, None], before, across)
        first = batch.first_axis[rows, i][:, None, :]
        second = cross(np.abs(axis), first)
        across = _exchanged(across, first, second, batch.legs_swapped[rows, i])
        lost = batch.half_turn_lost[rows, i]
        if lost.any():
            across = np.where(lost[:, None, None] & (_dot(across, first) < 0.0), -across, across)
        turned = c * across + s * cross(axis, across)
        slips = batch.plane_slip[rows, i]
        if slips.any():
            some = slips > 0
            forward = np.sum(axis, axis=-1, keepdims=True)[some]
            turned[some] = _slipped(
                slips[some], across[some], forward * s[some], c[some], first[some], second[some]
            )
        turned = _exchanged(turned, first, second, batch.parts_swapped[rows, i]) + along
        point = _rounded(batch.pivot_mm[rows, i][:, None, :] + turned, batch.length_step_mm)
    point = point + np.where(batch.after_turns[:, None, None], origin, 0.0)
    for less, what in ((batch.less_start, start), (batch.less_first, point[:, :1])):
        if less.any():
            point = point - np.where(less[:, None, None], what, 0.0)
    point = np.take_along_axis(point, batch.answer_of[:, :, None], axis=1)
    answer = point * batch.scale[:, None, None] + batch.added_mm[:, None, :]
    written = np.take_along_axis(answer, batch.written_as[:, None, :], axis=-1)
    unsigned = np.where(batch.unsigned[:, None, :], np.abs(written), written)
    found = _rounded(unsigned, batch.answer_step_mm)
    some = batch.answer_step_mm < 0.0
    if some.any():
        # What stands on the last digit but for floating point is not cut.
        cut, values = -batch.answer_step_mm[some, None, None], unsigned[some]
        found[some] = np.trunc(values / cut + np.copysign(1e-6, values)) * cut
    return found


def _dot(vectors: Floats, one: Floats) -> Floats:
    """Scalar products of vectors (v, m, 3) with one for each row (v, 1, 3), shape (v, m, 1)."""
    return np.asarray(vectors @ np.swapaxes(one, -1, -2))


def _slipped(
    slips: NDArray[np.int64], across: Floats, s: Floats, c: Floats, first: Floats, second: Floats
) -> Floats:
    """An arm's two legs turned with a slip, as a vector."""
    a, b = np.sum(first * across, -1, keepdims=True), np.sum(second * across, -1, keepdims=True)
    kind = slips[:, None, None]
    a, b = np.where(kind == 7, 0.0, a), np.where(kind == 8, 0.0, b)
    new_a = c * a - np.where(kind == 1, -s, s) * b
    new_b = c * b + np.where(kind == 2, -s, s) * a
    new_a, new_b = np.where(kind == 3, a, new_a), np.where(kind == 4, b, new_b)
    new_b = np.where(kind == 5, c * b + s * new_a, new_b)
    new_a = np.where(kind == 6, c * a - s * new_b, new_a)
    new_a, new_b = np.where(kind == 9, c * a, new_a), np.where(kind == 9, c * b, new_b)
    return np.asarray(new_a * first + new_b * second)


def _exchanged(across: Floats, first: Floats, second: Floats, rows: NDArray[np.bool_]) -> Floats:
    """An arm's two parts across a rotary exchanged, in the rows that say so."""
    if rows.any():
        a, b = _dot(across[rows], first[rows]), _dot(across[rows], second[rows])
        across = across.copy()
        across[rows] = b * first[rows] + a * second[rows]
    return across


def _all_zero(batch: CalculationBatch) -> tuple[Floats, Floats]:
    """Origins in machine coordinates at the all-zero pose, and what is added after the turns, (v, m, 3) each."""
    in_plane = (batch.plane_frames @ batch.origin_mm[..., None])[..., 0]
    origin = np.where(batch.in_plane[:, None, None], in_plane[None], batch.origin_mm[None])
    origin = np.take_along_axis(origin, batch.origin_of[:, :, None], axis=1)
    origin = np.take_along_axis(origin, batch.origin_order[:, None, :], axis=-1)
    origin = origin * batch.origin_factor[:, None, :] + batch.origin_added_mm[:, None, :]
    after = batch.after_turns[:, None, None]
    later, origin = np.where(after, origin, 0.0), np.where(after, 0.0, origin)
    rows, k = batch.counted.shape
    reached, turned = np.zeros((rows, 3)), batch.part_rotation
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
    in_table = origin @ np.swapaxes(turned, -1, -2) + reached[:, None, :]
    point = in_table @ batch.table_rotation.T + batch.table_mm[:, None, :]
    return _rounded(point, batch.length_step_mm), later


def _sines(batch: CalculationBatch) -> tuple[Floats, Floats]:
    """Sine and cosine of every turn, (v, m, n) each."""
    program = _rounded(batch.program_deg, batch.angle_step_deg)
    machine = program + batch.rotary_offset_deg[:, None, :]
    turn = batch.sign[:, None, :] * (machine - batch.zero_deg) * batch.turn_scale[:, None, :]
    sine, cosine = sincos_deg(turn)
    if batch.radians.any():
        radians = batch.radians[:, None, :]
        sine, cosine = np.where(radians, np.sin(turn), sine), np.where(radians, np.cos(turn), cosine)
    if batch.tangent.any():
        tangent = batch.tangent[:, None, :] & (np.abs(cosine) > 1e-9)
        sine = np.where(tangent, sine / np.where(tangent, cosine, 1.0), sine)
    if batch.swapped.any():
        swapped = batch.swapped[:, None, :]
        sine, cosine = np.where(swapped, cosine, sine), np.where(swapped, sine, cosine)
    return _rounded(sine, batch.ratio_step), _rounded(cosine, batch.ratio_step)


def _rounded(values: Floats, step: Floats) -> Floats:
    """Values (v, ...) rounded to the nearest step of their row (v,); unchanged where the step is 0."""
    found, some = values.copy(), step > 0.0
    if some.any():
        each = step[some].reshape(-1, *[1] * (values.ndim - 1))
        found[some] = np.rint(values[some] / each) * each
    return found
