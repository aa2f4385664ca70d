"""Questions on stderr with answers from stdin: asked again until they will do; validators of the answers, and pivot formulas.

The questions are a plain function that asks in turn. Going back runs it again from the start with the answers given so
far, silently, so that a question may depend on any answer before it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import typer

from tiltwright.files.diagnostics import InvalidValue
from tiltwright.terminal.streams import INTERRUPTED, fail

__all__ = [
    "Interview",
    "any_number",
    "ends",
    "limits",
    "name",
    "pivot_formulas",
    "pivot_more",
    "pivot_words",
    "positive_number",
    "positive_or_none",
    "three",
    "with_unit",
]

Value = TypeVar("Value")


# Each refusal goes on after the answer: "'abc' isn't a number".


def name(answer: str) -> str:
    """A name of one line."""
    if not answer.isprintable() or not 1 <= len(answer) <= 80:
        raise ValueError("won't do as a name; give 1 to 80 printable characters")
    return answer


def any_number(answer: str) -> float:
    """A number, such as 0.75."""
    from tiltwright.files.parsing import parse_number

    try:
        return parse_number(answer)
    except InvalidValue:
        raise ValueError("isn't a number; write one with a decimal point, such as 0.75") from None


def with_unit(check: Callable[[str], Value], units: str) -> Callable[[str], Value]:
    """A validator that also takes the file's own unit behind each number, such as 14.75" in a file in inches."""

    def checked(answer: str) -> Value:
        from tiltwright.files.written_numbers import without_units

        try:
            plain = without_units(answer, units)
        except InvalidValue:
            other = "inches" if units == "inch" else "mm"
            raise ValueError(f"isn't in {other}, the unit of this file; convert it") from None
        return check(plain)

    return checked


def positive_number(answer: str) -> float:
    """A number above zero."""
    value = any_number(answer)
    if value <= 0.0:
        raise ValueError("isn't above 0")
    return value


def positive_or_none(answer: str) -> float | None:
    """A number above zero; nothing, or the word none, for no value."""
    return None if answer.lower() in {"", "none"} else positive_number(answer)


def _several(answer: str, count: int, wanted: str) -> list[float]:
    # Between semicolons a comma would be a decimal comma, which no number of a machine file has.
    parts = answer.split(";") if ";" in answer else answer.replace(",", " ").split()
    if len(parts) != count:
        raise ValueError(f"won't do; give {wanted}")
    try:
        return [any_number(part.strip()) for part in parts]
    except ValueError:
        raise ValueError(f"won't do; give {wanted}, with decimal points") from None


def three(answer: str) -> list[float]:
    """Three numbers, with commas, semicolons or blanks between them."""
    return _several(answer, 3, "three numbers, X,Y,Z")


def ends(answer: str) -> list[float]:
    """Two numbers, the lower one first."""
    low, high = _several(answer, 2, "two numbers, the lower end first")
    if low >= high:
        raise ValueError("has the higher end first; give the lower one first")
    return [low, high]


def limits(answer: str) -> list[float] | str:
    """Two angles, the lower one first, or "endless"."""
    from tiltwright.files.parsing import parse_degrees

    if answer.lower() == "endless":
        return "endless"
    parts = [part.strip() for part in answer.split(";" if ";" in answer else ",")]
    if len(parts) == 1:
        parts = answer.split()
    if len(parts) != 2:
        raise ValueError(
            'won\'t do; give two angles with a comma between them, the lower first, or "endless"'
        )
    try:
        low, high = (parse_degrees(part) for part in parts)
    except InvalidValue as refusal:
        raise ValueError(f"won't do; {refusal.found} isn't an angle in degrees") from None
    if low >= high:
        raise ValueError("has the higher angle first; give the lower one first")
    return [low, high]


_ACROSS = {"X": ("Y", "Z"), "Y": ("Z", "X"), "Z": ("X", "Y")}


def pivot_formulas(along: str, positive_turn: str, quarter: str = "+90") -> tuple[str, str]:
    """Formulas for a rotary's line, from a mark's centre read at 0 (Y1, Z1) and after a quarter turn (Y2, Z2).

    A right-handed quarter turn about +X takes the mark from (y, z) off the line to (-z, y) off it; that gives two
    equations for the line's two coordinates. Derived here; for Y and Z, exchange X, Y, Z in a ring.

    Parameters
    ----------
    along : str
        "+X" to "-Z".
    positive_turn : str
        "clockwise" or "counterclockwise", the table seen from the positive end.
    quarter : str
        "+90" or "-90", the move of the rotary from 0.

    Examples
    --------
    >>> pivot_formulas("+X", "counterclockwise")
    ('Y = (Y1 + Y2 + Z1 - Z2) / 2', 'Z = (Z1 + Z2 - Y1 + Y2) / 2')
    """
    u, v = _ACROSS[along[1]]
    reversals = [along[0] == "-", positive_turn == "clockwise", quarter == "-90"].count(True)
    plus, minus = ("+", "-") if reversals % 2 == 0 else ("-", "+")
    return (
        f"{u} = ({u}1 + {u}2 {plus} {v}1 {minus} {v}2) / 2",
        f"{v} = ({v}1 + {v}2 {minus} {u}1 {plus} {u}2) / 2",
    )


def pivot_words(letter: str, along: str, positive_turn: str) -> str:
    """The pivot in words, and the short way to find it by hand."""
    u, v = _ACROSS[along[1]]
    first, second = pivot_formulas(along, positive_turn)
    return (
        f"The pivot: a point on {letter}'s axis, machine X, Y, Z, every rotary at zero. Any point of the axis will do, so\n"
        f"{along[1]} may be any value. The best way is to probe a ball at many angles and let `tiltwright pivot fit` find\n"
        f"the axis; for a start, enter it by hand:\n"
        f"  1. Fix a gauge ball, or a ground pin parallel to {along[1]}, to the platter. At {letter} 0 find {u} and {v} of its\n"
        f"     centre: {u}1, {v}1.\n"
        f"  2. Move {letter} alone to +90 and find them again: {u}2, {v}2. The axis is at\n"
        f"       {first}\n"
        f"       {second}\n"
        f"  If {letter} can't go to +90, type ? for other ways."
    )


def pivot_more(letter: str, along: str, positive_turn: str, units: str) -> str:
    """The reason for the formulas, other ways for a rotary that does not go so far, and a check."""
    first, second = pivot_formulas(along, positive_turn, "-90")
    small = "a hundredth of a millimetre" if units == "mm" else "a tenth"
    return (
        "Why it works: the two centres and the pivot are the corners of a right triangle with two equal sides. The\n"
        "pivot is half the distance between the centres away from the point midway between them, square to the line\n"
        f"that joins them; the sense of turning says on which side. Other ways, depending on how far {letter} goes:\n"
        f"  to -90 instead of +90: {first}\n"
        f"                         {second}\n"
        "  half a turn, such as 0 and 180 or -90 and +90: the pivot is midway between the two centres\n"
        "  less than a quarter turn: find the centre at three angles as far apart as you can; the pivot is the centre\n"
        f"  of the circle through the three. On a short arc, {small} in one reading becomes several in the pivot.\n"
        "Check: at any other angle, the ball's centre must be as far from the pivot as before."
    )


Result = TypeVar("Result")

_SAME = {
    "y": "yes",
    "n": "no",
    "in": "inch",
    "inches": "inch",
    "millimetre": "mm",
    "millimetres": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "gage line": "gauge line",
    "touch down": "touch-down",
    "touchdown": "touch-down",
    "cw": "clockwise",
    "ccw": "counterclockwise",
    "anticlockwise": "counterclockwise",
    "anti-clockwise": "counterclockwise",
    "counter-clockwise": "counterclockwise",
}
"""Other spellings of a choice."""


class _Back(Exception):  # noqa: N818 - no error: the last answer is taken back
    """The last answer is to be given again."""


@dataclass(frozen=True)
class _Given:
    """An answer, and the question that it belongs to."""

    question: str
    repeated: int
    answer: str


class Interview:
    """A run of questions, with the answers given so far."""

    def __init__(self) -> None:
        self._given: list[_Given] = []
        self._place = 0
        self._earlier: dict[tuple[str, int], str] = {}

    def run(self, questions: Callable[[Interview], Result]) -> Result:
        """Ask all questions, again from an earlier one whenever the answer is "back"."""
        while True:
            self._place = 0
            try:
                return questions(self)
            except _Back:
                if self._given:
                    last = self._given.pop()
                    self._earlier[last.question, last.repeated] = last.answer
                else:
                    self.say("  This is the first question.")

    def say(self, text: str) -> None:
        """Write a text to stderr, unless the answers that follow it are given already."""
        if self._place == len(self._given):
            typer.echo(text, err=True)

    def ask(
        self,
        question: str,
        check: Callable[[str], Value],
        *,
        more: str = "",
        may_be_empty: bool = False,
        may_be_kept: bool = True,
    ) -> Value:
        """Ask until the answer will do.

        Parameters
        ----------
        question : str
        check : callable
            From the answer to its value; raises ValueError with what is wrong, as it goes on after the answer: "is not
            above 0".
        more : str
            Shown when the answer is "?".
        may_be_empty : bool
            An empty line is an answer; otherwise it is ignored.
        may_be_kept : bool
            After going back, an empty line gives the same answer as before.
        """
        if self._place < len(self._given):
            self._place += 1
            return check(self._given[self._place - 1].answer)
        repeated = sum(one.question == question for one in self._given)
        earlier = self._earlier.get((question, repeated)) if may_be_kept else None
        keep = "" if earlier is None else f" (Enter keeps {earlier or 'nothing'})"
        while True:
            answer = self._answer(f"{question}{keep}")
            if not answer and earlier is not None:
                answer = earlier
            elif not answer and not may_be_empty:
                continue
            if answer == "?":
                self.say("\n".join(f"  {line}" for line in more.split("\n")))
                continue
            if answer.lower() == "back":
                raise _Back
            try:
                value = check(answer)
            except ValueError as refusal:
                self.say(f"  {answer!r} {refusal}.")
                continue
            self._given.append(_Given(question, repeated, answer))
            self._place += 1
            return value

    def choose(self, question: str, choices: Sequence[str], *, more: str, may_be_kept: bool = True) -> str:
        """Ask for one of several words."""

        def check(answer: str) -> str:
            meant = _SAME.get(answer.lower(), answer.lower())
            for choice in choices:
                if choice.lower() == meant:
                    return choice
            raise ValueError(f"isn't one of the choices: {', '.join(choices)}")

        return self.ask(f"{question} [{' / '.join(choices)}]", check, more=more, may_be_kept=may_be_kept)

    def _answer(self, question: str) -> str:
        # typer's own prompt would put a blank on stdout, which is for results.
        typer.echo(f"{question} ", nl=False, err=True)
        try:
            # A closed stdin is None.
            line = sys.stdin.readline() if sys.stdin is not None else ""
        except KeyboardInterrupt:
            typer.echo("", err=True)
            fail("stopped; nothing was written", INTERRUPTED)
        if not line:
            typer.echo("", err=True)
            fail("the answers ended before the last question; nothing was written")
        return line.strip()
