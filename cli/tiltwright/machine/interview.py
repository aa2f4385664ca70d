"""Questions on stderr, answers from stdin: asked again until they will do, and one can go back.

The questions are a plain function that asks in turn. Going back runs it again from the start with the answers given so
far, silently, so that a question may depend on any answer before it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import typer

from tiltwright.terminal.streams import INTERRUPTED, fail

__all__ = ["Interview"]

Value = TypeVar("Value")
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
