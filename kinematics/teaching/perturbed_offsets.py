"""Mistakes as changes of a calculation, and the work offsets recomputed under each and each pair of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.calculation_batch import CalculationBatch, Rows, nominal_batch, offsets_mm
from kinematics.validation import ValueEquality, read_only
from kinematics.work_offsets import Setup

__all__ = [
    "Change",
    "Mistake",
    "PerturbedOffsets",
    "added_input",
    "negated",
    "recompute",
    "set_input",
]

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
    "one sine's sign": "sign of the sine in {item}",
    "one coordinate not turned": "{item} not turned with the rest",
    "new coordinate used too soon": "new {item}",
    "one leg of the arm left out": "{item} left out",
    "sines left out": "{item}'s sines left out",
    "a quarter turn off": "{item} a quarter turn off",
    "turned twice": "{item} turned twice",
    "numbers of another operation": "{item} taken instead",
    "numbers of the other solution": "{item} of the other solution",
    "tangent for sine": "tangent for {item}'s sine",
    "complement of the angle": "90 degrees less {item}'s angle",
    "turn worked from the point before": "{item}'s turn worked from the point before",
    "tilted about the wrong axis": "{item} turned about the wrong axis",
    "origin's numbers exchanged": "origin's {item} exchanged",
    "step's turn counted twice": "turn of {item} counted twice",
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
    "step's shift exchanged": "x and y of {item}'s shift exchanged",
    "answer cut off": "answer cut off at {item}",
    "supplement of the angle": "180 degrees less {item}'s angle",
    "angles exchanged": "{item} exchanged",
    "decimal point": "decimal point of {item} misplaced",
    "number written twice": "number of {item}",
    "angle of the operation before": "{item} angle of the operation before",
    "digits swapped": "digits of {item} swapped",
    "pi rounded": "pi taken as {item}",
    "part's turn forgotten": "part's turn forgotten in {item}",
    "part's turn reversed": "part's turn reversed in {item}",
}

Change = Callable[[CalculationBatch, Rows], None]


@dataclass(frozen=True)
class Mistake(DeclaredFields):
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


def added_input(attribute: str, index: tuple[object, ...], by: object) -> Change:
    """A change that adds to one input of the rows."""

    def change(batch: CalculationBatch, rows: Rows) -> None:
        getattr(batch, attribute)[(rows, *index)] += by

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
    scale : ndarray, shape (v,)
        The factor by which a row's offsets are in another unit: 25.4 for millimetres answered in a job in inches.
    """

    made: tuple[tuple[Mistake, ...], ...]
    offset_mm: NDArray[np.float64]
    scale: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "offset_mm", read_only(self.offset_mm))
        object.__setattr__(self, "scale", read_only(self.scale))


@takes_declared()
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

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> from kinematics.teaching import classic_mistakes
    >>> mistakes = classic_mistakes(setup, [])
    >>> found = recompute(setup, port, [], mistakes, pairs=False)
    >>> found.made[0], len(found.made) - len(mistakes), found.offset_mm.shape[1:]   # first no mistake at all
    ((), 1, (1, 3))
    >>> recompute(setup, port, [], ["sign"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: mistakes: expected a list of Mistake, found ['sign']
    """
    count = len(mistakes)
    compatible = [
        (i, j)
        for i, j in combinations(range(count if pairs else 0), 2)
        if mistakes[i].claims.isdisjoint(mistakes[j].claims)
    ]
    # The rows of each mistake, ascending: its own, then those of its pairs.
    whose = np.concatenate([np.arange(count), np.array(compatible, dtype=np.int64).ravel()])
    where = np.concatenate([np.arange(count), count + np.arange(2 * len(compatible)) // 2]) + 1
    rows = np.split(where[np.argsort(whose, kind="stable")], np.cumsum(np.bincount(whose, minlength=count)))
    batch = nominal_batch(setup, placed, steps, 1 + count + len(compatible))
    # Each mistake once, on all its rows; those that copy or wipe what another changes come last.
    late = {"measured from the table": 1, "pivot not added back": 2}
    for i in sorted(range(len(mistakes)), key=lambda i: late.get(mistakes[i].kind, 0)):
        mistakes[i].change(batch, rows[i])
    made = ((), *((one,) for one in mistakes), *((mistakes[i], mistakes[j]) for i, j in compatible))
    return PerturbedOffsets(made, offsets_mm(batch), batch.scale)
