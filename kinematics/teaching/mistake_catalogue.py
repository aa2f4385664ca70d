"""Catalogue of the classic mistakes in working out a tilted-plane origin."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.machine import is_horizontal
from kinematics.rotary import RotaryAxis, common_perpendicular
from kinematics.stack import StackStep
from kinematics.teaching.perturbed_offsets import (
    DROPPED,
    REVERSED,
    CalculationBatch,
    Mistake,
    Rows,
    negated,
    set_input,
)
from kinematics.teaching.working import stack_frames
from kinematics.work_offsets import Setup

__all__ = [
    "classic_mistakes",
    "origin_mistakes",
    "rotary_mistakes",
    "rounding_mistakes",
    "sequence_mistakes",
    "step_mistakes",
    "touch_off_mistake",
    "unit_mistakes",
    "writing_mistakes",
    "z_reference_mistakes",
]


def step_mistakes(step: StackStep, k: int) -> list[Mistake]:
    """Mistakes at one step of the stack."""
    key, claims = f"step {k + 1}", frozenset({f"step {k}"})
    mistakes = []
    if step.up_mm or any(step.shift_mm):
        mistakes = [
            Mistake(
                "step left out",
                step.name,
                f"{step.name} was left out",
                key,
                claims,
                set_input("counted", (k,), 0.0),
            ),
            Mistake(
                "step counted twice",
                step.name,
                f"{step.name} was counted twice",
                key,
                claims,
                set_input("counted", (k,), 2.0),
            ),
        ]
    if step.up_mm and any(step.shift_mm):
        mistakes.append(
            Mistake(
                "step's height left out",
                step.name,
                f"the height of {step.name} was left out and its shift kept",
                key,
                claims,
                set_input("parts_counted", (k, 2), 0.0),
            )
        )
    if any(step.shift_mm):
        mistakes += [
            Mistake(
                "step's shift forgotten",
                step.name,
                f"the shift of {step.name} was forgotten",
                key,
                claims,
                set_input("parts_counted", (k, slice(0, 2)), 0.0),
            ),
            Mistake(
                "step's shift reversed",
                step.name,
                f"the shift of {step.name} was taken in the other direction",
                key,
                claims,
                set_input("parts_counted", (k, slice(0, 2)), -1.0),
            ),
        ]
    if step.turn_deg or any(angle for _, angle in step.rotate):
        turn = frozenset({f"step {k} turn"})
        mistakes += [
            Mistake(
                "step's turn forgotten",
                step.name,
                f"the turn of what stands on {step.name} was forgotten",
                key,
                turn,
                set_input("turning", (k,), DROPPED),
            ),
            Mistake(
                "an angle's sign",
                step.name,
                f"what stands on {step.name} was turned the wrong way",
                key,
                turn,
                set_input("turning", (k,), REVERSED),
            ),
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


def origin_mistakes() -> list[Mistake]:
    """Mistakes at the operation's origin: added after the turns, forgotten, or with a wrong sign."""
    claims = frozenset({"origin"})
    return [
        Mistake(
            "origin added after the turns",
            "",
            "the operation's origin was added after the turns, along the tilted plane's own axes; it turns with the part",
            "origin",
            claims,
            set_input("in_plane", (), value=True),
        ),
        Mistake(
            "origin forgotten",
            "",
            "part zero was turned, not the operation's origin",
            "origin",
            claims,
            set_input("origin_factor", (), 0.0),
        ),
        *(
            Mistake(
                "the origin's sign",
                axis,
                f"the {axis} of the operation's origin was taken with the wrong sign",
                "origin",
                claims,
                set_input("origin_factor", (k,), -1.0),
            )
            for k, axis in enumerate("xyz")
        ),
    ]


def writing_mistakes() -> list[Mistake]:
    """Mistakes of writing the right answer down: numbers in each other's places, a minus lost."""
    claims = frozenset({"answer"})
    swapped = (("X and Y", [1, 0, 2]), ("Y and Z", [0, 2, 1]), ("X and Z", [2, 1, 0]))
    mistakes = [
        Mistake(
            "numbers swapped",
            axes,
            f"the numbers of {axes} stand in each other's places",
            "offset",
            claims,
            set_input("written_as", (), order),
        )
        for axes, order in swapped
    ]
    lost = [(axis, (k,)) for k, axis in enumerate("XYZ")]
    return mistakes + [
        Mistake(
            "a minus lost",
            axis,
            f"the minus of {axis} was lost",
            "offset",
            claims,
            set_input("unsigned", place, value=True),
        )
        for axis, place in [*lost, ("every number", ())]
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
            frozenset({"answer"}),
            set_input("scale", (), answered),
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


def z_reference_mistakes(setup: Setup, tool_length_mm: float | None) -> list[Mistake]:
    """Mistakes in the reference of Z."""
    claims = frozenset({"z"})
    machine = setup.machine
    length = tool_length_mm if tool_length_mm is not None else machine.z_reference.tool_length_mm

    def shift_z(kind: str, item: str, words: str, by_mm: float) -> Mistake:
        return Mistake(kind, item, words, "offset", claims, set_input("added_mm", (2,), by_mm))

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
    written = ("0.1", "0.01") if unit_mm == 1.0 else ("0.01", "0.001")

    def early(item: str, words: str, at: str, attribute: str, step: float) -> Mistake:
        return Mistake(
            "rounded too early", item, words, at, frozenset({attribute}), set_input(attribute, (), step)
        )

    return [
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


def rotary_mistakes(setup: Setup, rotary: RotaryAxis, i: int) -> list[Mistake]:
    """Mistakes at one rotary."""
    letter, every = rotary.letter, slice(None)
    first = setup.machine.letters[-1]
    mistakes = [
        Mistake(
            "sense reversed",
            letter,
            f"the table was turned the wrong way about {letter}: a positive move turns it {rotary.positive_turn.value}",
            f"{letter} angle",
            frozenset({f"{letter} turning"}),
            negated("sign", (i,)),
        ),
        Mistake(
            "an angle's sign",
            letter,
            f"the sign of the {letter} angle was lost or reversed",
            f"{letter} angle",
            frozenset({f"{letter} turning"}),
            negated("program_deg", (every, i)),
        ),
        Mistake(
            "sine and cosine swapped",
            letter,
            f"sine and cosine of the {letter} turn were swapped",
            f"{letter} turn",
            frozenset({f"{letter} sine"}),
            set_input("swapped", (i,), value=True),
        ),
    ]
    if letter == first:
        mistakes.append(
            Mistake(
                "degrees and radians",
                "",
                "the calculator took the degrees for radians",
                f"{letter} turn",
                frozenset({f"{other} sine" for other in setup.machine.letters}),
                set_input("radians", (), value=True),
            )
        )
    if len(setup.machine.rotaries) > 1:
        mistakes.append(
            Mistake(
                "degrees and radians",
                letter,
                f"the calculator took the degrees of {letter} for radians",
                f"{letter} turn",
                frozenset({f"{letter} sine"}),
                set_input("radians", (i,), value=True),
            )
        )
    if setup.rotary_offset_deg[i]:
        mistakes.append(
            Mistake(
                "rotary offset forgotten",
                letter,
                f"the program angle of {letter} was used as the machine angle",
                f"{letter} angle",
                frozenset({f"{letter} offset"}),
                set_input("rotary_offset_deg", (i,), 0.0),
            )
        )
    if is_horizontal(rotary) and setup.machine.platter.face_mm is not None:
        mistakes += _tilt_mistakes(letter, i, setup.machine.platter.face_mm)
    return mistakes


def _tilt_mistakes(letter: str, i: int, face_mm: float) -> list[Mistake]:
    def pivot_at_face(batch: CalculationBatch, rows: Rows) -> None:
        batch.pivot_mm[rows, i, 2] = face_mm
        batch.arm_from_mm[rows, i, 2] = face_mm

    def arm_from_table(batch: CalculationBatch, rows: Rows) -> None:
        batch.arm_from_mm[rows, i] = batch.table_mm[rows]

    return [
        Mistake(
            "pivot taken as the platter face",
            letter,
            f"the pivot of {letter} was taken to lie at the height of the platter face",
            f"{letter} arm",
            frozenset({f"{letter} pivot"}),
            pivot_at_face,
        ),
        Mistake(
            "measured from the table",
            letter,
            f"the arm that {letter} swings was measured from the table instead of from the pivot",
            f"{letter} arm",
            frozenset({f"{letter} pivot"}),
            arm_from_table,
        ),
    ]


def sequence_mistakes(setup: Setup) -> list[Mistake]:
    """Mistakes between rotaries: their order, the sense of all of them, the gap between their lines."""
    rotaries, letters = setup.machine.rotaries, setup.machine.letters
    last = len(rotaries) - 1

    def reverse(batch: CalculationBatch, rows: Rows) -> None:
        batch.order[rows] = batch.order[rows][:, ::-1]

    mistakes = [
        Mistake(
            "both turns reversed" if last == 1 else "every turn reversed",
            "",
            "the table was turned the way that the tool would have to turn",
            f"{letters[-1]} angle",
            frozenset({f"{letter} turning" for letter in letters}),
            negated("sign", (slice(None),)),
        ),
        Mistake(
            "wrong order",
            "",
            f"the turns were applied in the wrong order: {letters[0]} before {letters[-1]}",
            f"{letters[-1]} arm",
            frozenset({"order"}),
            reverse,
        ),
    ]
    gap = common_perpendicular(rotaries[last - 1], rotaries[last])
    if gap.distance_mm > 0.0:
        mistakes += _gap_mistakes(letters[last - 1], letters[last], last, gap.second_mm - gap.first_mm)
    return mistakes


def _gap_mistakes(outer: str, inner: str, last: int, across_mm: NDArray[np.float64]) -> list[Mistake]:
    def outer_to_inner(batch: CalculationBatch, rows: Rows) -> None:
        batch.pivot_mm[rows, last - 1] += across_mm
        batch.arm_from_mm[rows, last - 1] += across_mm

    def inner_to_outer(batch: CalculationBatch, rows: Rows) -> None:
        batch.pivot_mm[rows, last] -= across_mm
        batch.arm_from_mm[rows, last] -= across_mm
        batch.table_mm[rows] -= across_mm

    claims = frozenset({f"{outer} pivot", f"{inner} pivot"})
    return [
        Mistake(
            "offset between the lines forgotten",
            outer,
            f"{outer}'s line was taken to meet {inner}'s",
            f"{outer} arm",
            claims,
            outer_to_inner,
        ),
        Mistake(
            "offset between the lines forgotten",
            inner,
            f"{inner}'s line, and the table with it, was taken to meet {outer}'s",
            "all-zero",
            claims,
            inner_to_outer,
        ),
    ]


def classic_mistakes(
    setup: Setup,
    steps: Sequence[StackStep] | None,
    *,
    unit_mm: float = 1.0,
    tool_length_mm: float | None = None,
    stack_mm: NDArray[np.float64] | None = None,
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

    Returns
    -------
    tuple of Mistake

    Raises
    ------
    KinematicsError
        When the steps are not the setup's stack.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), [])
    >>> [mistake.name for mistake in classic_mistakes(setup, [])][:2]
    ['sense reversed, A', "an angle's sign, A"]
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
    mistakes += origin_mistakes()
    mistakes += unit_mistakes(unit_mm)
    mistakes += writing_mistakes()
    mistakes += z_reference_mistakes(setup, tool_length_mm)
    return (*mistakes, *rounding_mistakes(setup, unit_mm))
