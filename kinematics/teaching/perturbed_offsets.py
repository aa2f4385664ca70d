"""Work offsets recomputed under mistakes: the figures of a calculation, each mistake as a change of them.

Every field has a leading axis, one row for each way of calculating. A row left alone gives the right offset; a
mistake is a change of one row's figures. `offsets_mm` then works all rows and all operations together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import sincos_deg
from kinematics.euler_angles import rotation_from_intrinsic
from kinematics.machine import table_frame
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.work_offsets import Setup

__all__ = [
    "CalculationBatch",
    "Change",
    "Mistake",
    "Recomputed",
    "Rows",
    "negated",
    "nominal_batch",
    "offsets_mm",
    "recompute",
    "set_figure",
]

Floats = NDArray[np.float64]
KEPT, DROPPED, REVERSED = 0, 1, 2
"""What becomes of a step's turns."""


@dataclass(eq=False)
class CalculationBatch:
    """What goes into a calculation, for v ways of calculating, m operations, n rotaries and k steps.

    Attributes
    ----------
    moves_mm : (k, 3), turned : (3, k, 3, 3)
        Each step's shift and height; its rotation kept, dropped, or with its angles' signs reversed.
    counted : (v, k)
        How often each step is counted.
    parts_counted : (v, k, 3)
        How often each step's shift in x, in y and its height are counted, beside `counted`.
    turning : (v, k) of int
        Which of the three rotations is used.
    stack_scale : (v,)
    part_mm : (v, 3) or None, part_rotation : (3, 3)
        Part zero in the table, where it was touched off and the stack does not count.
    origin_mm : (m, 3), plane_frames : (m, 3, 3)
        Origins in part coordinates; the operations' planes' own axes as columns, in part coordinates.
    in_plane : (v,) of bool
        The origin is read along the plane's own axes.
    origin_factor : (v, 3)
        What each part of the origin is taken times.
    table_mm : (v, 3), table_rotation : (3, 3)
        The table frame in machine coordinates.
    direction : (n, 3), zero_deg : (n,)
    pivot_mm, arm_from_mm : (v, n, 3)
        Where each rotary's turned arm is put back, and where its arm is measured from.
    sign : (v, n)
        Right-handed turn for a positive move.
    program_deg : (v, m, n), rotary_offset_deg : (v, n)
    angle_step_deg, ratio_step, length_step_mm : (v,)
        What angles, sines and cosines, and lengths are rounded to on the way; 0 for not at all.
    radians : (v, n) of bool
        Degrees typed into a calculator that takes radians.
    swapped : (v, n) of bool
        Sine and cosine swapped.
    order : (v, n) of int
        Rotaries in the order in which they turn the point.
    added_mm : (v, 3), scale : (v,)
        What is done to the answer at the end: scaled, then added to.
    written_as : (v, 3) of int, unsigned : (v, 3) of bool
        And how it is written down: which axis' number stands for X, Y, Z; a minus that is lost.
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
    added_mm: Floats
    scale: Floats
    written_as: NDArray[np.int64]
    unsigned: NDArray[np.bool_]


def nominal_batch(
    setup: Setup, placed: Sequence[PlacedOperation], steps: Sequence[StackStep] | None, rows: int
) -> CalculationBatch:
    """The right figures, once for each of `rows` ways of calculating.

    Parameters
    ----------
    setup : Setup
    placed : sequence of Placed
    steps : sequence of Step or None
        None where part zero was touched off.
    rows : int
    """
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
        added_mm=np.zeros((rows, 3)),
        scale=np.ones(rows),
        written_as=np.broadcast_to(np.arange(3), (rows, 3)).copy(),
        unsigned=np.zeros((rows, 3), dtype=bool),
    )


def _step_turn(step: StackStep, factor: float) -> Floats:
    turns = (*step.rotate, ("z", step.turn_deg))
    return rotation_from_intrinsic([(axis, factor * angle) for axis, angle in turns])


def _plane_frame(placed: PlacedOperation) -> Floats:
    """The plane's own axes as columns: its own x where it has one, else what the machine's X is on the part."""
    x, normal = placed.plane.x, placed.plane.normal
    if x is None:
        return np.asarray(placed.axes.T)
    return np.stack([x, np.cross(normal, x), normal], axis=-1)


def offsets_mm(figures: CalculationBatch) -> Floats:
    """The offsets that come out, shape (v, m, 3), millimetres.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.operations import Operation
    >>> from kinematics.operations import place_operations
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [StackStep("post", up_mm=100.0)])
    >>> port = place_operations(setup, [Operation("port", program_deg=(-90.0,))]).placed
    >>> figures = nominal_batch(setup, port, [StackStep("post", up_mm=100.0)], rows=2)
    >>> figures.counted[1, 0] = 2.0   # the post, counted twice
    >>> offsets_mm(figures)[:, 0].tolist()
    [[0.0, -100.0, -50.0], [0.0, -200.0, -50.0]]
    """
    point = _all_zero(figures)
    sine, cosine = _sines(figures)
    rows = np.arange(point.shape[0])
    for place in range(figures.order.shape[1]):
        i = figures.order[:, place]
        arm = point - figures.arm_from_mm[rows, i][:, None, :]
        axis = figures.direction[i][:, None, :]
        s, c = sine[rows, :, i][..., None], cosine[rows, :, i][..., None]
        along = axis * np.sum(axis * arm, axis=-1, keepdims=True)
        turned = c * (arm - along) + s * np.cross(axis, arm) + along
        point = _rounded(
            figures.pivot_mm[rows, i][:, None, :] + turned, figures.length_step_mm[:, None, None]
        )
    answer = point * figures.scale[:, None, None] + figures.added_mm[:, None, :]
    written = np.take_along_axis(answer, figures.written_as[:, None, :], axis=-1)
    return np.where(figures.unsigned[:, None, :], np.abs(written), written)


def _all_zero(figures: CalculationBatch) -> Floats:
    """The origins in machine coordinates at the all-zero pose, (v, m, 3)."""
    in_plane = (figures.plane_frames @ figures.origin_mm[..., None])[..., 0]
    origin = np.where(figures.in_plane[:, None, None], in_plane[None], figures.origin_mm[None])
    origin = origin * figures.origin_factor[:, None, :]
    rows, k = figures.counted.shape
    reached, turned = np.zeros((rows, 3)), np.broadcast_to(figures.part_rotation, (rows, 3, 3))
    if figures.part_mm is not None:
        reached = reached + figures.part_mm
    else:
        turned = np.broadcast_to(np.eye(3), (rows, 3, 3))
        for step in range(k):
            move = figures.counted[:, step, None] * figures.parts_counted[:, step] * figures.moves_mm[step]
            reached = reached + (turned @ move[..., None])[..., 0]
            turned = turned @ figures.turned[figures.turning[:, step], step]
    reached = reached * figures.stack_scale[:, None]
    in_table = (turned[:, None] @ origin[..., None])[..., 0] + reached[:, None, :]
    point = (figures.table_rotation @ in_table[..., None])[..., 0] + figures.table_mm[:, None, :]
    return _rounded(point, figures.length_step_mm[:, None, None])


def _sines(figures: CalculationBatch) -> tuple[Floats, Floats]:
    """Sine and cosine of every turn, (v, m, n) each."""
    program = _rounded(figures.program_deg, figures.angle_step_deg[:, None, None])
    machine = program + figures.rotary_offset_deg[:, None, :]
    turn = figures.sign[:, None, :] * (machine - figures.zero_deg)
    sine, cosine = sincos_deg(turn)
    radians = figures.radians[:, None, :]
    sine, cosine = np.where(radians, np.sin(turn), sine), np.where(radians, np.cos(turn), cosine)
    swapped, step = figures.swapped[:, None, :], figures.ratio_step[:, None, None]
    sine, cosine = np.where(swapped, cosine, sine), np.where(swapped, sine, cosine)
    return _rounded(sine, step), _rounded(cosine, step)


def _rounded(values: Floats, step: Floats) -> Floats:
    """To the nearest step; unchanged where the step is 0."""
    some = np.where(step > 0.0, step, 1.0)
    return np.where(step > 0.0, np.rint(values / some) * some, values)


Rows = NDArray[np.int64]
Change = Callable[[CalculationBatch, Rows], None]


@dataclass(frozen=True)
class Mistake:
    """One way to go wrong.

    Attributes
    ----------
    kind : str
        The mistake, the same for every rotary and step: "sense reversed".
    item : str
        The rotary's letter or the step's name it was made at; empty where it has none.
    words : str
        What was done, as a sentence.
    at : str
        The key of the line of the working at which the ways part.
    claims : frozenset of str
        What it changes: two mistakes that change the same thing cannot both have been made.
    change : callable
        Changes rows of figures in place.
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


def set_figure(attribute: str, index: tuple[object, ...], value: object) -> Change:
    """A change that sets one figure of the rows."""

    def change(figures: CalculationBatch, rows: Rows) -> None:
        getattr(figures, attribute)[(rows, *index)] = value

    return change


def negated(attribute: str, index: tuple[object, ...]) -> Change:
    """A change that reverses the sign of one figure of the rows."""

    def change(figures: CalculationBatch, rows: Rows) -> None:
        getattr(figures, attribute)[(rows, *index)] *= -1.0

    return change


@dataclass(frozen=True, eq=False)
class Recomputed:
    """Offsets under every mistake.

    Attributes
    ----------
    made : tuple of tuple of Mistake
        What was done wrong in each row: nothing in the first, one thing, then two.
    offset_mm : ndarray, shape (v, m, 3)
        What comes out, for each row and operation.
    """

    made: tuple[tuple[Mistake, ...], ...]
    offset_mm: NDArray[np.float64]


def recompute(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    mistakes: Sequence[Mistake],
    *,
    pairs: bool = True,
) -> Recomputed:
    """Every operation's offset without a mistake, under each one, and under each pair that can be made together.

    Parameters
    ----------
    setup : Setup
    placed : sequence of Placed
    steps : sequence of Step or None
    mistakes : sequence of Mistake
    pairs : bool

    Returns
    -------
    Recomputed
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
    figures = nominal_batch(setup, placed, steps, len(picked))
    # Each mistake once, on all its rows; arms from the table come last, when the table stands where it stands.
    for i in sorted(range(len(mistakes)), key=lambda i: mistakes[i].kind == "measured from the table"):
        mistakes[i].change(figures, np.array(rows[i], dtype=np.int64))
    made = tuple(tuple(mistakes[i] for i in done) for done in picked)
    return Recomputed(made, offsets_mm(figures))
