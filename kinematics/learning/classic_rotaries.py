"""The classic mistakes at the rotaries and between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.learning.figures import Figures
from kinematics.learning.mistakes import Mistake, Rows, negated, set_figure
from kinematics.machine import lies_flat
from kinematics.offset import Setup
from kinematics.rotary import Rotary, gap_between

__all__ = ["at_rotary", "between_rotaries"]


def at_rotary(setup: Setup, rotary: Rotary, i: int) -> list[Mistake]:
    """What can go wrong at one rotary."""
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
            set_figure("swapped", (i,), value=True),
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
                set_figure("radians", (), value=True),
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
                set_figure("radians", (i,), value=True),
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
                set_figure("rotary_offset_deg", (i,), 0.0),
            )
        )
    if lies_flat(rotary) and setup.machine.platter.face_mm is not None:
        mistakes += _at_tilt(letter, i, setup.machine.platter.face_mm)
    return mistakes


def _at_tilt(letter: str, i: int, face_mm: float) -> list[Mistake]:
    def pivot_at_face(figures: Figures, rows: Rows) -> None:
        figures.pivot_mm[rows, i, 2] = face_mm
        figures.arm_from_mm[rows, i, 2] = face_mm

    def arm_from_table(figures: Figures, rows: Rows) -> None:
        figures.arm_from_mm[rows, i] = figures.table_mm[rows]

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


def between_rotaries(setup: Setup) -> list[Mistake]:
    """What can go wrong between them: the order, the way of turning, the gap."""
    rotaries, letters = setup.machine.rotaries, setup.machine.letters
    last = len(rotaries) - 1

    def reverse(figures: Figures, rows: Rows) -> None:
        figures.order[rows] = figures.order[rows][:, ::-1]

    mistakes = [
        Mistake(
            "turned the tool's way",
            "",
            "the table was turned the way the tool would have to turn",
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
    gap = gap_between(rotaries[last - 1], rotaries[last])
    if gap.distance_mm > 0.0:
        mistakes += _gap(letters[last - 1], letters[last], last, gap.second_mm - gap.first_mm)
    return mistakes


def _gap(outer: str, inner: str, last: int, across_mm: NDArray[np.float64]) -> list[Mistake]:
    def outer_to_inner(figures: Figures, rows: Rows) -> None:
        figures.pivot_mm[rows, last - 1] += across_mm
        figures.arm_from_mm[rows, last - 1] += across_mm

    def inner_to_outer(figures: Figures, rows: Rows) -> None:
        figures.pivot_mm[rows, last] -= across_mm
        figures.arm_from_mm[rows, last] -= across_mm
        figures.table_mm[rows] -= across_mm

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
