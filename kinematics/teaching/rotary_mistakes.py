"""Classic mistakes at a rotary: its turn, its sense, its pivot, the plane trigonometry of its arm, the order of turns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.machine import is_horizontal
from kinematics.rotary import RotaryAxis, common_perpendicular
from kinematics.teaching.calculation_batch import CalculationBatch, Rows, first_axis
from kinematics.teaching.perturbed_offsets import Change, Mistake, added_input, negated, set_input
from kinematics.work_offsets import Setup

__all__ = ["rotary_mistakes", "sequence_mistakes"]


def rotary_mistakes(setup: Setup, rotary: RotaryAxis, i: int) -> list[Mistake]:
    """Mistakes at one rotary."""
    letter, letters = rotary.letter, setup.machine.letters
    angle, turn = f"{letter} angle", f"{letter} turn"

    def made(kind: str, words: str, at: str, claim: str, change: Change) -> Mistake:
        return Mistake(kind, letter, words, at, frozenset({f"{letter} {claim}"}), change)

    wrong_way = f"the table was turned the wrong way about {letter}: a positive move turns it {rotary.positive_turn.value}"
    mistakes = [
        made("sense reversed", wrong_way, angle, "turning", negated("sign", (i,))),
        made("an angle's sign", f"the sign of the {letter} angle was lost or reversed", angle, "turning", negated("program_deg", (slice(None), i))),
        made("sine and cosine swapped", f"sine and cosine of the {letter} turn were swapped", turn, "sine", set_input("swapped", (i,), value=True)),
    ]  # fmt: skip
    if i == len(letters) - 1:
        units = frozenset({f"{other} unit" for other in letters})
        mistakes += [
            Mistake("degrees and radians", "", "the calculator took the degrees for radians", turn, units, set_input("radians", (), value=True)),
            *(
                Mistake("pi rounded", text, f"the angles were brought to radians with pi as {text}", turn, units, set_input("turn_scale", (), value / np.pi))
                for text, value in (("3.14", 3.14), ("22/7", 22.0 / 7.0))
            ),
        ]  # fmt: skip
    if len(letters) > 1:
        words = f"the calculator took the degrees of {letter} for radians"
        mistakes.append(
            made("degrees and radians", words, turn, "unit", set_input("radians", (i,), value=True))
        )
    mistakes += _trigonometry_mistakes(rotary, i)
    mistakes += _pivot_mistakes(setup, letter, i)
    if i == 0:
        mistakes += _outermost_mistakes(setup)
    if setup.rotary_offset_deg[i]:
        mistakes += [
            made("rotary offset's sign", f"the work offset of {letter} was taken with the wrong sign", angle, "offset", negated("rotary_offset_deg", (i,))),
            made("rotary offset forgotten", f"the program angle of {letter} was used as the machine angle", angle, "offset", set_input("rotary_offset_deg", (i,), 0.0)),
        ]  # fmt: skip
    if is_horizontal(rotary) and np.abs(rotary.direction).max() == 1.0:
        mistakes.append(_wrong_axis_mistake(rotary, i))
    if is_horizontal(rotary) and setup.machine.platter.face_mm is not None:
        mistakes += _tilt_mistakes(letter, i, setup.machine.platter.face_mm)
    return mistakes


def _trigonometry_mistakes(rotary: RotaryAxis, i: int) -> list[Mistake]:
    """Mistakes with an arm's angle and length, for a rotary along a machine axis, and with the turn itself."""
    letter = rotary.letter
    turn, at = frozenset({f"{letter} turning"}), f"{letter} turn"
    mistakes = [
        Mistake("rotary not turned", letter, f"the table was not turned about {letter}", f"{letter} angle", turn | {f"{letter} unit", f"{letter} sine", f"{letter} arm angle"}, set_input("turn_scale", (i,), 0.0)),
        Mistake("gradians", letter, f"the calculator took the degrees of {letter} for gradians", at, frozenset({f"{letter} unit"}), set_input("turn_scale", (i,), 0.9)),
        Mistake("turned twice", letter, f"the table was turned twice as far about {letter}", f"{letter} angle", frozenset({f"{letter} unit"}), set_input("turn_scale", (i,), 2.0)),
        *(
            Mistake("a quarter turn off", f"{letter} {sign}90", f"the {letter} angle was counted from the wrong axis: it is off by {sign}90 degrees", f"{letter} angle", turn, added_input("program_deg", (slice(None), i), by))
            for sign, by in (("+", 90.0), ("-", -90.0))
        ),
        Mistake("tangent for sine", letter, f"the tangent of the {letter} turn was taken for its sine", at, frozenset({f"{letter} sine"}), set_input("tangent", (i,), value=True)),
        Mistake("supplement of the angle", letter, f"180 degrees less the {letter} angle was taken: it was counted from the other end of the axis", f"{letter} angle", turn, _subtracted_from(180.0, i)),
        Mistake("complement of the angle", letter, f"90 degrees less the {letter} angle was taken: the angle was counted from the other leg", f"{letter} angle", turn, _subtracted_from(90.0, i)),
    ]  # fmt: skip
    if np.abs(rotary.direction).max() == 1.0:
        arm = frozenset({f"{letter} arm angle"})
        mistakes += [
            Mistake("180 forgotten", letter, f"180 degrees were not added to the arc tangent of {letter}'s arm where it points to the negative side: a calculator's arc tangent lies between -90 and 90", f"{letter} arm", arm, set_input("half_turn_lost", (i,), value=True)),
            Mistake("angle from the wrong leg", letter, f"the arc tangent of {letter}'s arm was taken of the wrong leg over the other: the angle is counted from the wrong axis", f"{letter} arm", arm, set_input("legs_swapped", (i,), value=True)),
            Mistake("cosine and sine parts exchanged", letter, f"r cos and r sin of {letter}'s arm were written in each other's places", at, arm, set_input("parts_swapped", (i,), value=True)),
        ]  # fmt: skip
        first, second = ("XYZ"[int(np.argmax(axis))] for axis in _plane_axes(rotary.direction))
        slips = (
            ("one sine's sign", f"{letter}'s new {first}", f"the sine in the new {first} of {letter}'s turn has the wrong sign"),
            ("one sine's sign", f"{letter}'s new {second}", f"the sine in the new {second} of {letter}'s turn has the wrong sign"),
            ("one coordinate not turned", f"{first} at {letter}", f"{first} was left as it was before the turn about {letter}"),
            ("one coordinate not turned", f"{second} at {letter}", f"{second} was left as it was before the turn about {letter}"),
            ("new coordinate used too soon", f"{first} used for {second} at {letter}", f"the new {first} of {letter}'s turn was used in working out the new {second}; both come from the old ones"),
            ("new coordinate used too soon", f"{second} used for {first} at {letter}", f"the new {second} of {letter}'s turn was used in working out the new {first}; both come from the old ones"),
            ("one leg of the arm left out", f"{first} of {letter}'s arm", f"the {first} of {letter}'s arm was left out, as if the origin lay at the pivot's {first}"),
            ("one leg of the arm left out", f"{second} of {letter}'s arm", f"the {second} of {letter}'s arm was left out, as if the origin lay at the pivot's {second}"),
            ("sines left out", letter, f"{first} and {second} of {letter}'s arm were multiplied by the cosine, and the sine's part of each was left out"),
        )  # fmt: skip
        mistakes += [
            Mistake(
                kind,
                item,
                words,
                f"{letter} arm" if kind == "one leg of the arm left out" else f"{letter} turned",
                arm,
                set_input("plane_slip", (i,), k),
            )
            for k, (kind, item, words) in enumerate(slips, start=1)
        ]
    return mistakes


def _plane_axes(direction: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    first = first_axis(direction)
    return first, np.cross(np.abs(direction), first)


def _subtracted_from(whole_deg: float, i: int) -> Change:
    """Take the angle from 90 or 180 degrees, with its own sign: its complement or supplement."""

    def change(batch: CalculationBatch, rows: Rows) -> None:
        angle = batch.program_deg[rows, :, i]
        batch.program_deg[rows, :, i] = np.where(angle < 0.0, -whole_deg, whole_deg) - angle

    return change


def _pivot_mistakes(setup: Setup, letter: str, i: int) -> list[Mistake]:
    """The pivot forgotten before or after the turn, or another one's taken."""
    rotaries = setup.machine.rotaries
    across = [k for k in range(3) if abs(rotaries[i].direction[k]) < 1.0]
    whole = frozenset({f"{letter} pivot", f"{letter} height", f"{letter} arm"})

    def about(point: NDArray[np.float64]) -> Change:
        def change(batch: CalculationBatch, rows: Rows) -> None:
            for k in across:
                batch.pivot_mm[rows, i, k] = point[k]
                batch.arm_from_mm[rows, i, k] = point[k]

        return change

    def kept(batch: CalculationBatch, rows: Rows) -> None:
        for k in across:
            batch.pivot_mm[rows, i, k] = 0.0

    mistakes = [
        Mistake("turned about machine zero", letter, f"the table was turned about machine zero, not about the pivot of {letter}", f"{letter} arm", whole, about(np.zeros(3))),
        Mistake("pivot not added back", letter, f"the pivot of {letter} was taken off before the turn and not added back after it", f"{letter} turn", whole - {f"{letter} arm"}, kept),
    ]  # fmt: skip
    for other in rotaries:
        if other.letter == letter:
            continue
        item = f"{other.letter} for {letter}"
        words = f"the pivot of {other.letter} was taken for that of {letter}"
        mistakes.append(
            Mistake("another rotary's pivot", item, words, f"{letter} arm", whole, about(other.point_mm))
        )
    return mistakes


def _outermost_mistakes(setup: Setup) -> list[Mistake]:
    """The answer, or the stack, counted from the outermost rotary's pivot."""
    rotaries = setup.machine.rotaries
    letter, point = rotaries[0].letter, rotaries[0].point_mm

    def from_pivot(batch: CalculationBatch, rows: Rows) -> None:
        batch.added_mm[rows] -= point

    def on_pivot(batch: CalculationBatch, rows: Rows) -> None:
        batch.table_mm[rows] = point

    def about_part_zero(batch: CalculationBatch, rows: Rows) -> None:
        batch.pivot_mm[rows] = part_zero
        batch.arm_from_mm[rows] = part_zero

    part_zero = setup.work_offset(np.zeros(3), setup.machine.zero_deg)
    every = frozenset(f"{one.letter} {what}" for one in rotaries for what in ("pivot", "height", "arm"))
    mistakes = [
        Mistake("turned about part zero", "", "the table was turned about part zero, not about its pivots", f"{rotaries[-1].letter} arm", every, about_part_zero),
        Mistake("way from the all-zero pose", "", "the answer is how far the origin moves from the all-zero pose, not where it is", "offset", frozenset({"answer's zero"}), set_input("less_start", (), value=True)),
        Mistake("measured from the pivot", letter, f"the answer is measured from the pivot of {letter}, not from machine zero", "offset", frozenset({"answer's zero"}), from_pivot)
    ]  # fmt: skip
    if len(rotaries) > 1:
        mistakes.append(
            Mistake("stack on the tilt pivot", letter, f"the stack was stood on the pivot of {letter}, not on the platter face", "all-zero", frozenset({"table"}), on_pivot)
        )  # fmt: skip
    return mistakes


def _wrong_axis_mistake(rotary: RotaryAxis, i: int) -> Mistake:
    """A tilt about Y that runs along X, or about X along Y."""
    wrong = rotary.direction[[1, 0, 2]]
    right, taken = ("X", "Y") if rotary.direction[0] else ("Y", "X")

    def change(batch: CalculationBatch, rows: Rows) -> None:
        batch.direction[rows, i] = wrong
        batch.first_axis[rows, i] = first_axis(wrong)

    words = f"the table was turned about {taken}; {rotary.letter} runs along {right}"
    at, claims = f"{rotary.letter} arm", frozenset({f"{rotary.letter} axis"})
    return Mistake("tilted about the wrong axis", rotary.letter, words, at, claims, change)


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
            frozenset({f"{letter} height"}),
            pivot_at_face,
        ),
        Mistake(
            "measured from the table",
            letter,
            f"the arm that {letter} swings was measured from the table instead of from the pivot",
            f"{letter} arm",
            frozenset({f"{letter} arm"}),
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
    for outer in range(last):
        letter = letters[outer]
        words = f"the turn about {letter} was worked from the point before {' and '.join(letters[outer + 1 :])} had turned"
        at, claims = f"{letter} arm", frozenset({"order"})
        mistakes.append(
            Mistake("turn worked from the point before", letter, words, at, claims, set_input("from_start", (outer,), value=True))
        )  # fmt: skip

    def exchange(batch: CalculationBatch, rows: Rows) -> None:
        batch.program_deg[rows] = batch.program_deg[rows][:, :, ::-1]

    pair = f"{letters[0]} and {letters[-1]}"
    mistakes.append(
        Mistake("angles exchanged", pair, f"the angles of {pair} were taken for each other", f"{letters[-1]} angle", frozenset({f"{letter} turning" for letter in letters}), exchange)
    )  # fmt: skip
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

    claims = frozenset({f"{outer} pivot", f"{inner} pivot", "table"})
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
