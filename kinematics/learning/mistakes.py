"""A mistake as a change of the figures, and every offset recomputed under each mistake and each pair."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kinematics.learning.figures import Figures, lay_out, offsets_mm
from kinematics.offset import Setup
from kinematics.operation import Placed
from kinematics.stack import Step

__all__ = ["Change", "Mistake", "Recomputed", "Rows", "negated", "recompute", "set_figure"]

Rows = NDArray[np.int64]
Change = Callable[[Figures, Rows], None]


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

    def change(figures: Figures, rows: Rows) -> None:
        getattr(figures, attribute)[(rows, *index)] = value

    return change


def negated(attribute: str, index: tuple[object, ...]) -> Change:
    """A change that reverses the sign of one figure of the rows."""

    def change(figures: Figures, rows: Rows) -> None:
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
    placed: Sequence[Placed],
    steps: Sequence[Step] | None,
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
    figures = lay_out(setup, placed, steps, len(picked))
    # Each mistake once, on all its rows; arms from the table come last, when the table stands where it stands.
    for i in sorted(range(len(mistakes)), key=lambda i: mistakes[i].kind == "measured from the table"):
        mistakes[i].change(figures, np.array(rows[i], dtype=np.int64))
    made = tuple(tuple(mistakes[i] for i in done) for done in picked)
    return Recomputed(made, offsets_mm(figures))
