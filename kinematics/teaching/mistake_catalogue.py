"""Catalogue of the classic mistakes in working out a tilted-plane origin."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import takes_declared
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.calculation_batch import DOUBLED, DROPPED, REVERSED, CalculationBatch, Rows
from kinematics.teaching.perturbed_offsets import Change, Mistake, added_input, negated, set_input
from kinematics.teaching.rotary_mistakes import rotary_mistakes, sequence_mistakes
from kinematics.teaching.working import stack_frames, touched_turn_deg
from kinematics.work_offsets import Setup

_FEW = 4
"""Operations up to which every two are tried for each other, not neighbours only."""

__all__ = [
    "classic_mistakes",
    "operation_mistakes",
    "origin_mistakes",
    "part_turn_mistakes",
    "rounding_mistakes",
    "step_mistakes",
    "touch_off_mistake",
    "unit_mistakes",
    "writing_mistakes",
    "z_reference_mistakes",
]


def step_mistakes(step: StackStep, k: int) -> list[Mistake]:
    """Mistakes at one step of the stack."""
    name, up, shift, turn = step.name, f"step {k} height", f"step {k} shift", f"step {k} turn"
    planar = (k, slice(0, 2))

    def made(kind: str, words: str, claims: Sequence[str], change: Change, item: str = name) -> Mistake:
        return Mistake(kind, item, words, f"step {k + 1}", frozenset(claims), change)

    mistakes = []
    if step.up_mm or any(step.shift_mm):
        mistakes += [
            made("step left out", f"{name} was left out", (up, shift), set_input("counted", (k,), 0.0)),
            made("step counted twice", f"{name} was counted twice", (up, shift), set_input("counted", (k,), 2.0)),
        ]  # fmt: skip
    if step.up_mm and any(step.shift_mm):
        mistakes.append(
            made("step's height left out", f"the height of {name} was left out and its shift kept", (up,), set_input("parts_counted", (k, 2), 0.0))
        )  # fmt: skip
    if step.up_mm:
        mistakes += [
            made("inch and mm", f"the height of {name} was taken 25.4 times too {size}", (up,), set_input("parts_counted", (k, 2), factor), f"height of {name}")
            for size, factor in (("large", MM_PER_INCH), ("small", 1.0 / MM_PER_INCH))
        ]  # fmt: skip
    if any(step.shift_mm):
        mistakes += [
            made("step's shift forgotten", f"the shift of {name} was forgotten", (shift,), set_input("parts_counted", planar, 0.0)),
            made("step's shift reversed", f"the shift of {name} was taken in the other direction", (shift,), set_input("parts_counted", planar, -1.0)),
        ]  # fmt: skip
        x, y = step.shift_mm
        if abs(x) != abs(y):
            exchanged = added_input("moved_mm", planar, np.array([y - x, x - y]))
            words = f"x and y of the shift of {name} were taken for each other"
            mistakes.append(made("step's shift exchanged", words, (shift,), exchanged))
    if step.turn_deg or any(angle for _, angle in step.rotate):
        mistakes += [
            made(kind, words, (turn,), set_input("turning", (k,), how))
            for kind, words, how in (
                ("step's turn forgotten", f"the turn of what stands on {name} was forgotten", DROPPED),
                ("an angle's sign", f"what stands on {name} was turned the wrong way", REVERSED),
                (
                    "step's turn counted twice",
                    f"the turn of what stands on {name} was counted twice",
                    DOUBLED,
                ),
            )
        ]
    return mistakes


def touch_off_mistake(stack_mm: NDArray[np.float64]) -> Mistake:
    """The mistake of counting the stack although part zero was touched off."""

    def from_stack(batch: CalculationBatch, rows: Rows) -> None:
        if batch.part_mm is not None:
            batch.part_mm[rows] = stack_mm

    return Mistake(
        "stack used for the touched-off zero",
        "",
        "part zero was taken from the stack, not where it was touched off",
        "step 1",
        frozenset({"part zero"}),
        from_stack,
    )


def part_turn_mistakes(setup: Setup) -> list[Mistake]:
    """Mistakes with the turn about z of a part that was touched off: in the origin, or in a work offset as well."""
    turn_deg = touched_turn_deg(setup)
    if not turn_deg:
        return []
    letter, last = setup.machine.letters[-1], len(setup.machine.rotaries) - 1
    stands = f"the part stands turned by {turn_deg:g} degrees"
    origin, both = "the origin", f"the origin and {letter}'s offset"
    mistakes = []
    for kind, rotation, factor, words in (
        ("forgotten", np.eye(3), 0.0, f"the operation's origin was laid along the table's own axes; {stands}"),
        ("reversed", setup.part_in_table.rotation.T, -1.0, f"the operation's origin was turned the other way; {stands}"),
    ):  # fmt: skip
        claims, change = frozenset({"part turn"}), set_input("part_rotation", (), rotation)
        mistakes.append(Mistake(f"part's turn {kind}", origin, words, "part turn", claims, change))
        if setup.rotary_offset_deg[last]:
            where = f"in the operation's origin and in {letter}'s work offset"
            taken = (
                f"the part's turn was {'taken the other way' if factor else 'left out'}, {where}; {stands}"
            )
            change = _with_rotary_offset(change, last, factor)
            claims |= {f"{letter} offset"}
            mistakes.append(Mistake(f"part's turn {kind}", both, taken, "part turn", claims, change))
    return mistakes


def _with_rotary_offset(change: Change, i: int, factor: float) -> Change:
    def both(batch: CalculationBatch, rows: Rows) -> None:
        change(batch, rows)
        batch.rotary_offset_deg[rows, i] *= factor

    return both


def origin_mistakes() -> list[Mistake]:
    """Mistakes at the operation's origin: added after the turns, forgotten, exchanged, or with a wrong sign."""
    whole = frozenset({"origin x", "origin y", "origin z"})
    place, everything = frozenset({"origin's place"}), whole | {"origin's place", "origin's order"}
    return [
        Mistake(
            "origin added after the turns",
            "",
            "the operation's origin was added after the turns, along the tilted plane's own axes; it turns with the part",
            "origin",
            place,
            set_input("after_turns", (), value=True),
        ),
        Mistake(
            "origin along the plane's axes",
            "",
            "the operation's origin was read along the tilted plane's own axes, not along the part's",
            "origin",
            place,
            set_input("in_plane", (), value=True),
        ),
        Mistake(
            "the origin's sign",
            "x, y and z",
            "the whole origin was taken with the wrong sign",
            "origin",
            whole,
            set_input("origin_factor", (), -1.0),
        ),
        Mistake(
            "origin forgotten",
            "",
            "part zero was turned, not the operation's origin",
            "origin",
            everything,
            set_input("origin_factor", (), 0.0),
        ),
        *(
            Mistake(
                "origin's numbers exchanged",
                axes,
                f"{axes} of the operation's origin were taken for each other",
                "origin",
                frozenset({"origin's order"}),
                set_input("origin_order", (), order),
            )
            for axes, order in (("x and y", [1, 0, 2]), ("y and z", [0, 2, 1]), ("x and z", [2, 1, 0]))
        ),
        *(
            Mistake(
                "the origin's sign",
                axis,
                f"the {axis} of the operation's origin was taken with the wrong sign",
                "origin",
                frozenset({f"origin {axis}"}),
                set_input("origin_factor", (k,), -1.0),
            )
            for k, axis in enumerate("xyz")
        ),
    ]


def writing_mistakes() -> list[Mistake]:
    """Mistakes of writing the right answer down: numbers in each other's places, a minus lost."""
    swapped = (("X and Y", [1, 0, 2]), ("Y and Z", [0, 2, 1]), ("X and Z", [2, 1, 0]))
    mistakes = [
        Mistake(
            "numbers swapped",
            axes,
            f"the numbers of {axes} stand in each other's places",
            "offset",
            frozenset({"answer's places"}),
            set_input("written_as", (), order),
        )
        for axes, order in swapped
    ]
    signs = {axis: frozenset({f"sign of {axis}"}) for axis in "XYZ"}
    every: frozenset[str] = frozenset().union(*signs.values())

    def lost(axis: str, place: tuple[object, ...], claims: frozenset[str]) -> Mistake:
        change = set_input("unsigned", place, value=True)
        return Mistake("a minus lost", axis, f"the minus of {axis} was lost", "offset", claims, change)

    opposite = "every number has the opposite sign"
    # Of mistakes that give the same the first is told: where one number was answered, one minus.
    return [
        *mistakes,
        *(lost(axis, (k,), signs[axis]) for k, axis in enumerate("XYZ")),
        Mistake("every sign reversed", "", opposite, "offset", every, negated("scale", ())),
        lost("every number", (), every),
    ]


def unit_mistakes(unit_mm: float) -> list[Mistake]:
    """Mistakes between inches and millimetres."""
    inch = unit_mm != 1.0
    here, there = ("inches", "millimetres") if inch else ("millimetres", "inches")
    answered = MM_PER_INCH if inch else 1.0 / MM_PER_INCH
    return [
        Mistake(
            "inch and mm",
            "answer",
            f"the answer is in {there}, not in {here}",
            "offset",
            frozenset({"answer's unit"}),
            _scaled_answer(answered),
        ),
        Mistake(
            "inch and mm",
            "stack times 25.4",
            "the stack was taken 25.4 times too large",
            "step 1",
            frozenset({"stack unit"}),
            set_input("stack_scale", (), MM_PER_INCH),
        ),
        Mistake(
            "inch and mm",
            "stack divided by 25.4",
            "the stack was taken 25.4 times too small",
            "step 1",
            frozenset({"stack unit"}),
            set_input("stack_scale", (), 1.0 / MM_PER_INCH),
        ),
    ]


def _scaled_answer(factor: float) -> Change:
    def change(batch: CalculationBatch, rows: Rows) -> None:
        batch.scale[rows] *= factor

    return change


def z_reference_mistakes(setup: Setup, tool_length_mm: float | None) -> list[Mistake]:
    """Mistakes in the reference of Z."""
    machine = setup.machine
    length = tool_length_mm if tool_length_mm is not None else machine.z_reference.tool_length_mm

    def shift_z(kind: str, item: str, words: str, by_mm: float) -> Mistake:
        claims = frozenset({"Z from the face" if item == "platter" else "Z of a tool"})
        return Mistake(kind, item, words, "offset", claims, added_input("added_mm", (2,), by_mm))

    mistakes = []
    if length:
        mistakes = [
            shift_z(
                "tool length counted twice",
                "",
                "the tool's length was added to Z, although Z has it already or gets it with the tool length offset",
                length,
            ),
            shift_z(
                "Z from the wrong reference",
                "gauge line",
                "the tool's length was taken off Z, which is read at the gauge line"
                if machine.z_reference.tool_length_mm is None
                else "Z was taken to the gauge line, a tool's length away from what it is read with",
                -length,
            ),
        ]
    face = machine.platter.face_mm
    if face:
        mistakes.append(
            shift_z("Z from the wrong reference", "platter", "Z was counted from the platter face", -face)
        )
    return mistakes


def rounding_mistakes(setup: Setup, unit_mm: float) -> list[Mistake]:
    """Mistakes of rounding intermediate results."""
    letter = setup.machine.letters[-1]
    tenth = 0.1 if unit_mm == 1.0 else 0.01 * unit_mm
    unit = "mm" if unit_mm == 1.0 else "inch"
    written = ("0.1", "0.01") if unit_mm == 1.0 else ("0.01", "0.001")

    def early(item: str, words: str, at: str, attribute: str, step: float) -> Mistake:
        return Mistake(
            "rounded too early", item, words, at, frozenset({attribute}), set_input(attribute, (), step)
        )

    return [
        *(
            Mistake("answer rounded", f"{text} {unit}", f"the answer was rounded to {text} {unit}", "offset", frozenset({"answer_step_mm"}), set_input("answer_step_mm", (), step))
            for text, step in zip(written, (tenth, tenth / 10.0), strict=True)
        ),
        *(
            Mistake("answer cut off", f"{text} {unit}", f"the answer was cut off at {text} {unit}, not rounded", "offset", frozenset({"answer_step_mm"}), set_input("answer_step_mm", (), -step))
            for text, step in zip(written, (tenth, tenth / 10.0), strict=True)
        ),
        *(
            early(f"sines to {d} decimals", f"sines and cosines were rounded to {d} decimals", f"{letter} turn", "ratio_step", 10.0**-d)
            for d in (2, 3, 4)
        ),
        *(
            early(f"angles to {text}", f"angles were rounded to {text} degrees", f"{letter} angle", "angle_step_deg", step)
            for text, step in (("1", 1.0), ("0.1", 0.1))
        ),
        *(
            early(f"lengths to {text}", f"lengths were rounded to {text} too early", "all-zero", "length_step_mm", step)
            for text, step in zip(written, (tenth, tenth / 10.0), strict=True)
        ),
    ]  # fmt: skip


def operation_mistakes(
    names: Sequence[str], letters: Sequence[str], origins_mm: NDArray[np.float64]
) -> list[Mistake]:
    """Mistakes between operations: their answers exchanged, or one's origin or angle used for another."""
    count = len(names)
    claims = frozenset({"operations"})
    mistakes: list[Mistake] = []
    close = [(a, b) for a in range(count) for b in range(a + 1, count) if count <= _FEW or b == a + 1]
    for a, b in close:
        order = np.arange(count)
        order[[a, b]] = b, a
        words = f"the numbers of {names[a]} and {names[b]} stand in each other's places"
        mistakes.append(
            Mistake("operations exchanged", f"{names[a]} and {names[b]}", words, "offset", claims, set_input("answer_of", (), order))
        )  # fmt: skip
    if count > 1:
        before = np.maximum(np.arange(count) - 1, 0)
        mistakes.append(
            Mistake("numbers of the operation before", "", "the numbers are those of the operation before", "offset", claims, set_input("answer_of", (), before))
        )  # fmt: skip
        mistakes += [
            Mistake("angle of the operation before", letter, f"the {letter} angle of the operation before was used", f"{letter} angle", frozenset({f"{letter} turning"}), _angle_before(i, before))
            for i, letter in enumerate(letters)
        ]  # fmt: skip
        mistakes.append(
            Mistake("way from the first operation", "", f"the numbers are the way from {names[0]}, not from machine zero", "offset", frozenset({"answer's zero"}), set_input("less_first", (), value=True))
        )  # fmt: skip
        if not np.array_equal(origins_mm, origins_mm[before]):
            words = "the origin of the operation before was used"
            mistakes.append(
                Mistake("origin of the operation before", "", words, "origin", frozenset({"origin's operation"}), set_input("origin_of", (), before))
            )  # fmt: skip
        if not np.array_equal(origins_mm, np.broadcast_to(origins_mm[:1], origins_mm.shape)):
            words = f"the origin of {names[0]} was used for every operation"
            mistakes.append(
                Mistake("first origin used later", "", words, "origin", frozenset({"origin's operation"}), set_input("origin_of", (), 0))
            )  # fmt: skip
    return mistakes


def _angle_before(i: int, before: NDArray[np.int64]) -> Change:
    def change(batch: CalculationBatch, rows: Rows) -> None:
        batch.program_deg[rows, :, i] = batch.program_deg[rows][:, before, i]

    return change


@takes_declared()
def classic_mistakes(
    setup: Setup,
    steps: Sequence[StackStep] | None,
    *,
    unit_mm: float = 1.0,
    tool_length_mm: float | None = None,
    stack_mm: NDArray[np.float64] | None = None,
    operations: Sequence[PlacedOperation] = (),
) -> tuple[Mistake, ...]:
    """Every classic mistake that can be made at a setup.

    Parameters
    ----------
    setup : Setup
    steps : sequence of StackStep or None
        The setup's stack; None where part zero was touched off.
    unit_mm : float
        Millimetres in the unit of the job.
    tool_length_mm : float, optional
        Length of the tool in the spindle, for the mistakes with it; the reference tool's where the machine has one.
    stack_mm : ndarray, shape (3,), optional
        Part zero in the table frame by the stack, where the touched-off one counts instead.
    operations : sequence of PlacedOperation
        For the mistakes between them.

    Returns
    -------
    tuple of Mistake

    Raises
    ------
    KinematicsError
        When the steps are not the setup's stack.

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, _ = example_port()
    >>> [mistake.name for mistake in classic_mistakes(setup, [])][:2]
    ['sense reversed, A', "an angle's sign, A"]
    >>> classic_mistakes("setup", [])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: setup: expected a Setup, found 'setup'
    """
    if steps is not None:
        stack_frames(setup, steps)
    mistakes: list[Mistake] = []
    for i, rotary in enumerate(setup.machine.rotaries):
        mistakes += rotary_mistakes(setup, rotary, i)
    if len(setup.machine.rotaries) > 1:
        mistakes += sequence_mistakes(setup)
    for k, step in enumerate(steps or ()):
        mistakes += step_mistakes(step, k)
    if steps is None and stack_mm is not None:
        mistakes.append(touch_off_mistake(stack_mm))
    if steps is None:
        mistakes += part_turn_mistakes(setup)
    mistakes += origin_mistakes()
    if operations:
        origins = np.array([one.origin_mm for one in operations])
        mistakes += operation_mistakes([one.name for one in operations], setup.machine.letters, origins)
    mistakes += unit_mistakes(unit_mm)
    mistakes += writing_mistakes()
    mistakes += z_reference_mistakes(setup, tool_length_mm)
    return (*mistakes, *rounding_mistakes(setup, unit_mm))
