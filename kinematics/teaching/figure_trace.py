"""The one figure that would make somebody's numbers right: a trace of mistakes that are on no list.

Every figure that goes into the working (each height, shift, angle, pivot and origin coordinate, and intermediate points
as a whole) is solved for in turn. One that explains all the numbers of an operation at once is no accident where more
numbers agree than were solved for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.perturbed_offsets import (
    CalculationBatch,
    Mistake,
    nominal_batch,
    offsets_mm,
    with_rows,
)
from kinematics.validation import ValueEquality, read_only
from kinematics.work_offsets import Setup

__all__ = ["FigureTrace", "digits_swapped", "trace_figures", "transposed_digits"]

Floats = NDArray[np.float64]
Add = Callable[[CalculationBatch, int, float], None]

_CHANCE = 0.005
"""Expected count of figures that random numbers would meet at which one is still told."""
_HALF = 0.55
_NONE = 9
_ROUNDS = 6
_START_DEG = np.arange(-180.0, 180.0, 3.0)


@dataclass(frozen=True, eq=False)
class FigureTrace(ValueEquality):
    """A figure that explains numbers no listed mistake gives.

    Attributes
    ----------
    names : tuple of str
        "height of round standoff", or the three coordinates of a point.
    unit : "mm" or "deg"
    stated, needed : ndarray, shape (k,)
        Values that the job gives, and those that make the numbers right.
    relation : str
        What the needed value is of the stated ones: "half of it"; empty where nothing simple.
    same : tuple of str
        Other figures that would make the numbers right by themselves.
    operations : tuple of int
    left_mm : float
        The largest difference left.
    chance : float
        Expected count of figures that random numbers as far out as these would meet as well.
    """

    names: tuple[str, ...]
    unit: str
    stated: Floats
    needed: Floats
    relation: str
    same: tuple[str, ...]
    operations: tuple[int, ...]
    left_mm: float
    chance: float

    def __post_init__(self) -> None:
        for name in ("stated", "needed"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True)
class _Figure:
    """Figures that are solved for together, and how each is added to in a row of a batch."""

    names: tuple[str, ...]
    stated: tuple[float, ...]
    add: tuple[Add, ...]
    unit: str = "mm"


def _at(attribute: str, *index: object) -> Add:
    def add(batch: CalculationBatch, row: int, by: float) -> None:
        getattr(batch, attribute)[(row, *index)] += by

    return add


def _pivot(i: int, k: int) -> Add:
    def add(batch: CalculationBatch, row: int, by: float) -> None:
        batch.pivot_mm[row, i, k] += by
        batch.arm_from_mm[row, i, k] += by

    return add


def _figures(
    setup: Setup,
    steps: Sequence[StackStep] | None,
    placed: Sequence[PlacedOperation],
    nominal: CalculationBatch,
) -> list[_Figure]:
    """Every length that goes into the working."""
    figures: list[_Figure] = []
    for k, step in enumerate(steps or ()):
        moves = (*step.shift_mm, step.up_mm)
        for c, what in enumerate(("shift x", "shift y", "height")):
            figures.append(_Figure((f"{what} of {step.name}",), (moves[c],), (_at("moved_mm", k, c),)))
    for i, rotary in enumerate(setup.machine.rotaries):
        across = [k for k in range(3) if abs(rotary.direction[k]) < 1.0]
        names = tuple(f"{'XYZ'[k]} of {rotary.letter}'s pivot" for k in across)
        values = tuple(float(rotary.point_mm[k]) for k in across)
        adds = tuple(_pivot(i, k) for k in across)
        figures += [_Figure((n,), (v,), (a,)) for n, v, a in zip(names, values, adds, strict=True)]
        if len(across) == 2:
            figures.append(_Figure(names, values, adds))
    table = setup.part_in_table.translation_mm
    for k in range(3):
        where = f"{'XYZ'[k]} of the table's centre on the platter face"
        figures.append(_Figure((where,), (float(nominal.table_mm[0, k]),), (_at("table_mm", k),)))
    if len(placed) == 1 or all(np.array_equal(one.origin_mm, placed[0].origin_mm) for one in placed):
        figures += [
            _Figure((f"origin {axis}",), (float(placed[0].origin_mm[k]),), (_at("origin_added_mm", k),))
            for k, axis in enumerate("xyz")
        ]
    else:
        figures += [
            _Figure((f"origin {axis}, the same amount everywhere,",), (0.0,), (_at("origin_added_mm", k),))
            for k, axis in enumerate("xyz")
        ]
    figures += [
        _Figure((f"a constant added to {axis}",), (0.0,), (_at("added_mm", k),))
        for k, axis in enumerate("XYZ")
    ]
    point = tuple(f"{axis} of part zero in the table" for axis in "xyz")
    figures.append(
        _Figure(point, tuple(float(v) for v in table), tuple(_at("table_mm", k) for k in range(3)))
    )
    return figures


def _angles(setup: Setup, placed: Sequence[PlacedOperation]) -> list[_Figure]:
    """The angle of each rotary, of one operation or off by the same everywhere."""
    figures = []
    for i, rotary in enumerate(setup.machine.rotaries):
        stated = float(placed[0].program_deg[i]) if len(placed) == 1 else 0.0
        name = (
            f"{rotary.letter} angle"
            if len(placed) == 1
            else f"the {rotary.letter} angle, off by the same everywhere,"
        )
        figures.append(_Figure((name,), (stated,), (_at("program_deg", slice(None), i),), "deg"))
    return figures


def trace_figures(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    axis: NDArray[np.int64],
    operation: NDArray[np.int64],
    off_mm: Floats,
    *,
    tolerance_mm: float,
    digit_mm: float,
) -> FigureTrace | None:
    """The one figure that makes all of the given numbers right, or None.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
        The operations answered; a figure must explain them all.
    steps : sequence of StackStep or None
    axis, operation : ndarray of int, shape (k,)
        What each number answers: X, Y, Z as 0, 1, 2 of an operation among `placed`.
    off_mm : ndarray, shape (k,)
        Answer minus truth.
    tolerance_mm, digit_mm : float

    Returns
    -------
    FigureTrace or None
    """
    if not placed or not len(off_mm):
        return None
    near = min(
        tolerance_mm,
        max(_HALF * digit_mm + 1e-9, float(np.abs(off_mm).max()) / 20.0, digit_mm),
        2.0 * digit_mm,
    )
    nominal = nominal_batch(setup, placed, steps, 1)
    lengths, angles = _figures(setup, steps, placed, nominal), _angles(setup, placed)
    found: list[_Fitted] = []
    slopes = _slopes(nominal, lengths)[:, operation, axis]
    # Figures that move every number alike can be met only together.
    tried = len(np.unique(slopes.round(6), axis=0)) + len(angles)
    row = 0
    for figure in lengths:
        own = slopes[row : row + len(figure.add)].T
        row += len(figure.add)
        solved = np.asarray(np.linalg.lstsq(own, off_mm, rcond=1e-9)[0], dtype=np.float64)
        found.append(_fit(figure, solved, own, own @ solved - off_mm, off_mm, near, tried))
    for figure in angles:
        solved, slope, missed = _solved_angle(nominal, figure, (operation, axis), off_mm)
        found.append(_fit(figure, solved, slope, missed, off_mm, near, tried))
    good = [one for one in found if one.left_mm <= near and one.chance <= _CHANCE]
    if not good:
        return None
    # The fewest figures, then the one whose needed value is something simple, then the closest.
    stated = [
        (f.names[0], f.stated[0]) for f in lengths if len(f.names) == 1 and f.names[0].startswith("height")
    ]
    told = {id(one): _relation(one.figure, one.solved, one.slope, stated, near) for one in good}
    best = min(good, key=lambda one: (len(one.solved), told[id(one)][0], round(one.left_mm / digit_mm)))
    alike = tuple(
        one.figure.names[0]
        for one in good
        if one is not best and len(one.solved) == 1 and one.left_mm <= best.left_mm + digit_mm
    )
    return FigureTrace(
        best.figure.names,
        best.figure.unit,
        np.array(best.figure.stated),
        np.array(best.figure.stated) + best.solved,
        told[id(best)][1],
        alike,
        tuple(sorted(set(operation.tolist()))),
        best.left_mm,
        best.chance,
    )


@dataclass(frozen=True, eq=False)
class _Fitted:
    """A figure solved for: the largest difference left, and how likely random numbers would agree as well."""

    left_mm: float
    chance: float
    figure: _Figure
    solved: Floats
    slope: Floats


def _fit(
    figure: _Figure, solved: Floats, slope: Floats, missed: Floats, off: Floats, near: float, tried: int
) -> _Fitted:
    """Rate a solved figure: numbers that are off are evidence, but for as many as were solved for."""
    moved = np.abs(off) > near
    odds = np.sort(np.minimum(1.0, near / (2.0 * np.maximum(np.abs(off[moved]), near))))
    spare = odds[len(figure.add) :]
    chance = tried * float(np.prod(spare)) if spare.size else float("inf")
    return _Fitted(float(np.abs(missed).max()), chance, figure, solved, slope)


def _slopes(nominal: CalculationBatch, figures: Sequence[_Figure]) -> Floats:
    """Change of every offset for a millimetre more of every figure, (f, m, 3): offsets are linear in lengths."""
    adds = [add for figure in figures for add in figure.add]
    batch = with_rows(nominal, len(adds) + 1)
    for row, add in enumerate(adds, start=1):
        add(batch, row, 1.0)
    offsets = offsets_mm(batch)
    return np.asarray(offsets[1:] - offsets[0])


def _solved_angle(
    nominal: CalculationBatch,
    figure: _Figure,
    at: tuple[NDArray[np.int64], NDArray[np.int64]],
    off: Floats,
) -> tuple[Floats, Floats, Floats]:
    """The error of an angle that comes nearest: the best of some steps, refined by Gauss and Newton."""
    (add,) = figure.add

    def moved(by_deg: Floats) -> Floats:
        batch = with_rows(nominal, len(by_deg) + 1)
        for row, by in enumerate(by_deg.tolist(), start=1):
            add(batch, row, by)
        offsets = offsets_mm(batch)[:, at[0], at[1]]
        return np.asarray(offsets[1:] - offsets[0])

    first = moved(_START_DEG)
    by = float(_START_DEG[int(np.argmin(((first - off) ** 2).sum(axis=1)))])
    slope = np.zeros_like(off)
    for _ in range(_ROUNDS):
        here, after = moved(np.array([by, by + 1e-4]))
        slope = (after - here) / 1e-4
        square = float(slope @ slope)
        if square <= 0.0:
            break
        by += float(slope @ (off - here)) / square
    (here,) = moved(np.array([by]))
    return np.array([by]), slope[:, None], here - off


def _relation(
    figure: _Figure, solved: Floats, slope: Floats, stated: Sequence[tuple[str, float]], near: float
) -> tuple[int, str]:
    """What the needed value of a single figure is of the stated ones, and how far-fetched that is, from 0."""
    if len(figure.add) != 1:
        return _NONE, ""
    value, by = figure.stated[0], float(solved[0])
    steep = float(np.abs(slope).max())
    window = near / steep if steep > 0.0 else 0.0
    own = [
        (0, "so it was left out", 0.0),
        (0, "that is half of it", value / 2.0),
        (0, "that is double", 2.0 * value),
    ]
    own.append((0, "that is minus it", -value))
    if figure.unit == "deg":
        own.append((0, "that is 90 minus it", 90.0 - value))
    else:
        own += [
            (0, "that is 25.4 times as much", value * MM_PER_INCH),
            (0, "that is 1/25.4 of it", value / MM_PER_INCH),
        ]
    simple = own if value else []
    for name, other in stated if figure.unit == "mm" else ():
        if name == figure.names[0] or abs(other) <= 2.0 * window:
            continue
        if value:
            simple.append((1, f"that is the {name}", other))
        simple += [
            (1, f"that is the {name} added", value + other),
            (1, f"that is the {name} taken off", value - other),
            (2, f"that is half the {name} added", value + other / 2.0),
            (2, f"that is half the {name} taken off", value - other / 2.0),
        ]
    met = [(rank, words) for rank, words, other in simple if abs(value + by - other) <= window]
    return min(met, key=lambda one: one[0], default=(_NONE, ""))


def transposed_digits(value: float, truth: float, step: float) -> str:
    """The two neighbouring digits that were exchanged in writing a number down: "38", or nothing.

    Parameters
    ----------
    value, truth : float
        In the unit in which they are written.
    step : float
        The last digit: 0.001.

    Examples
    --------
    >>> transposed_digits(-318.025, -381.025, 0.001), transposed_digits(-381.026, -381.025, 0.001)
    ('81', '')
    """
    places = max(0, round(-np.log10(step)))
    text, wrong = f"{truth:.{places}f}", f"{value:.{places}f}"
    if len(text) != len(wrong):
        return ""
    apart = [k for k, (a, b) in enumerate(zip(text, wrong, strict=True)) if a != b]
    neighbours = len(apart) == 2 and "." not in (text[apart[0]], text[apart[1]])
    if not neighbours or text[apart[0] + 1 : apart[1]] not in ("", "."):
        return ""
    first, second = apart
    return text[first] + text[second] if (text[first], text[second]) == (wrong[second], wrong[first]) else ""


def digits_swapped(axis: str, digits: str) -> Mistake:
    """The mistake of exchanging two neighbouring digits of a number."""
    return Mistake(
        "digits swapped",
        axis,
        f"the digits {digits[0]} and {digits[1]} of {axis} stand in each other's places",
        "offset",
        frozenset({f"digits of {axis}"}),
        lambda _batch, _rows: None,
    )
