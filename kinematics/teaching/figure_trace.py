"""The one figure that would make somebody's numbers right: a trace of mistakes that are on no list.

Every figure that goes into the working is solved for in turn: each height, shift, angle, pivot and origin coordinate, each
intermediate vector as a whole, and how many times each of them was taken. One that explains all the numbers of an operation
at once is no accident where more numbers agree than were solved for.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import DeclaredFields
from kinematics.machine import Machine, table_frame
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.answered_numbers import ROUNDED, AnsweredNumbers
from kinematics.teaching.calculation_batch import CalculationBatch, nominal_batch, offsets_mm, with_rows
from kinematics.validation import ValueEquality, read_only
from kinematics.work_offsets import Setup

__all__ = ["FigureTrace", "trace_figures"]

Floats = NDArray[np.float64]
Add = Callable[[CalculationBatch, int, float], None]

_CHANCE = 0.005
"""Expected count of figures that random numbers would meet at which one is still told."""
_NONE = 9
_ROUNDS = 6
_START_DEG = np.arange(-180.0, 180.0, 3.0)
_START_TIMES = np.arange(-3.0, 3.0, 0.025)
_FARTHEST, _FARTHEST_MM = 1000.0, 1e9
"""Degrees or times, and millimetres, beyond which none is looked for."""
_LEAST_PART_MM = 1.0
"""Figures smaller than this are no part of a sum: with one, almost any number is nearly another."""


@dataclass(frozen=True, eq=False)
class FigureTrace(ValueEquality, DeclaredFields):
    """A figure that explains numbers no listed mistake gives.

    Attributes
    ----------
    names : tuple of str
        "height of round standoff", or the three coordinates of a point.
    unit : "mm", "deg" or "times"
    stated, needed : ndarray, shape (k,)
        Values that the job gives, and those that make the numbers right; the exact one where it has a simple reason.
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
        super().__post_init__()


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


def _taken(attributes: Sequence[str], vector: Floats, *index: object) -> Add:
    """A vector taken once more for each one added, wherever it stands."""

    def add(batch: CalculationBatch, row: int, by: float) -> None:
        for attribute in attributes:
            getattr(batch, attribute)[(row, *index)] += by * vector

    return add


def _pivot(i: int, k: int, table: Floats | None = None) -> Add:
    """A pivot's coordinate where it is taken off and added back, and the way that the table goes with it."""

    def add(batch: CalculationBatch, row: int, by: float) -> None:
        batch.pivot_mm[row, i, k] += by
        batch.arm_from_mm[row, i, k] += by
        if table is not None:
            batch.table_mm[row] += by * table

    return add


def _table_moved(machine: Machine, k: int) -> Floats:
    """The way that the table frame goes for a millimetre more of the last rotary's point along an axis."""
    *outer, last = machine.rotaries
    moved = replace(last, point_mm=last.point_mm + np.eye(3)[k])
    there = table_frame(replace(machine, rotaries=(*outer, moved)))
    return np.asarray(there.translation_mm - table_frame(machine).translation_mm)


def _figures(
    setup: Setup,
    steps: Sequence[StackStep] | None,
    placed: Sequence[PlacedOperation],
    nominal: CalculationBatch,
) -> list[_Figure]:
    """Every length that goes into the working, by itself or as a vector, and how many times it was taken."""
    figures = [
        _Figure((f"{what} of {step.name}",), (move,), (_at("moved_mm", k, c),))
        for k, step in enumerate(steps or ())
        for c, (what, move) in enumerate(
            zip(("shift x", "shift y", "height"), (*step.shift_mm, step.up_mm), strict=True)
        )
    ]
    constants = [_at("added_mm", k) for k in range(3)]
    figures += [
        _Figure((f"a constant added to {axis}",), (0.0,), (add,))
        for axis, add in zip("XYZ", constants, strict=True)
    ]
    table = setup.part_in_table.translation_mm
    point = tuple(f"{axis} of part zero in the table" for axis in "xyz")
    moves = tuple(_at("table_mm", k) for k in range(3))
    figures.append(_Figure(point[:2], tuple(float(v) for v in table[:2]), moves[:2]))
    for i in range(len(setup.machine.rotaries)):
        figures += _at_a_pivot(setup, i)
    frame = nominal.table_mm[0].copy()
    for k in range(3):
        where = f"{'XYZ'[k]} of the table's centre on the platter face"
        figures.append(_Figure((where,), (float(frame[k]),), (_at("table_mm", k),)))
    figures += _at_the_origin(placed)
    everywhere = tuple(f"a constant added to {axis}" for axis in "XYZ")
    figures += [
        _Figure(point, tuple(float(v) for v in table), moves),
        _Figure(everywhere, (0.0, 0.0, 0.0), tuple(constants)),
        _times("the place of the table's centre", _taken(("table_mm",), frame)),
        _times("the answer", _at("scale")),
    ]
    if steps:
        figures.append(_times("the stack", _at("stack_scale")))
    elif steps is None:
        figures.append(_times("part zero's place in the table", _taken(("part_mm",), table)))
    return figures


def _times(name: str, add: Add) -> _Figure:
    """A vector as a whole, by how many times it was taken."""
    return _Figure((name,), (1.0,), (add,), "times")


def _at_a_pivot(setup: Setup, i: int) -> list[_Figure]:
    """Figures at one rotary: its pivot, also where it is only taken off or only added back, and its arm."""
    rotary = setup.machine.rotaries[i]
    letter, point = rotary.letter, rotary.point_mm
    across = [k for k in range(3) if abs(rotary.direction[k]) < 1.0]
    values = tuple(float(point[k]) for k in across)
    figures: list[_Figure] = []

    def add_figures(what: str, adds: tuple[Add, ...]) -> None:
        """The pivot's coordinates one by one, and both together."""
        names = tuple(f"{'XYZ'[k]} of {letter}'s pivot{what}" for k in across)
        figures.extend(_Figure((n,), (v,), (a,)) for n, v, a in zip(names, values, adds, strict=True))
        if len(across) == 2:
            figures.append(_Figure(names, values, adds))

    carries = i == len(setup.machine.rotaries) - 1
    if carries:
        # The machine file's value: the table stands where the last rotary's line is.
        add_figures("", tuple(_pivot(i, k, _table_moved(setup.machine, k)) for k in across))
    for what, add in (
        (" in the turn" if carries else "", _pivot),
        (" where it is taken off", lambda i, k: _at("arm_from_mm", i, k)),
        (" where it is added back", lambda i, k: _at("pivot_mm", i, k)),
    ):
        add_figures(what, tuple(add(i, k) for k in across))
    legs = np.where(np.abs(rotary.direction) < 1.0, point, 0.0)
    return [
        *figures,
        _times(f"{letter}'s pivot", _taken(("pivot_mm", "arm_from_mm"), legs, i)),
        *(
            _times(f"{letter}'s pivot where it is {what}", _taken((attribute,), vector, i))
            for what, attribute in (("taken off", "arm_from_mm"), ("added back", "pivot_mm"))
            for vector in (point, legs)
        ),
        _times(f"the arm from {letter}'s pivot", _at("arm_factor", i)),
    ]


def _at_the_origin(placed: Sequence[PlacedOperation]) -> list[_Figure]:
    """Figures of the operations' origins."""
    alike = len(placed) == 1 or all(np.array_equal(one.origin_mm, placed[0].origin_mm) for one in placed)
    adds = tuple(_at("origin_added_mm", k) for k in range(3))
    names = tuple(f"origin {axis}" if alike else f"what is added to every origin's {axis}" for axis in "xyz")
    values = tuple(float(v) for v in placed[0].origin_mm) if alike else (0.0, 0.0, 0.0)
    figures = [_Figure((n,), (v,), (a,)) for n, v, a in zip(names, values, adds, strict=True)]
    figures.append(_Figure(names, values, adds))
    some = [k for k in range(3) if any(one.origin_mm[k] for one in placed)]
    figures += [_times(f"the origin's {'xyz'[k]}", _at("origin_factor", k)) for k in some]
    if 0 in some and 1 in some:
        figures.append(_times("the origin's x and y", _at("origin_factor", slice(0, 2))))
    if len(some) > 1:
        figures.append(_times("the origin", _at("origin_factor", slice(None))))
    return figures


def _angles(setup: Setup, placed: Sequence[PlacedOperation]) -> list[_Figure]:
    """The angle of each rotary, of one operation or off by the same everywhere, and the turn as a whole."""
    figures = []
    for i, rotary in enumerate(setup.machine.rotaries):
        alone = len(placed) == 1
        stated = float(placed[0].program_deg[i]) if alone else 0.0
        name = f"{rotary.letter} angle" if alone else f"what is added to every {rotary.letter} angle"
        figures.append(_Figure((name,), (stated,), (_at("program_deg", slice(None), i),), "deg"))
        figures.append(_times(f"the turn about {rotary.letter}", _at("turn_scale", i)))
    if len(setup.machine.rotaries) > 1:
        figures.append(_times("every turn", _at("turn_scale", slice(None))))
    return figures


def trace_figures(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    answered: AnsweredNumbers,
    chosen: Sequence[int],
) -> FigureTrace | None:
    """The one figure that makes all numbers of some operations right, or None.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
        The operations answered, of any of which an angle may have been taken.
    steps : sequence of StackStep or None
    answered : AnsweredNumbers
    chosen : sequence of int
        The operations that it must explain, by index.

    Returns
    -------
    FigureTrace or None
    """
    here = np.isin(answered.operation, chosen)
    off_mm, axis, digit_mm = answered.off_mm[here], answered.axis[here], answered.digit_mm
    if not off_mm.size or np.abs(off_mm).max() > _FARTHEST_MM:
        return None
    place = {o: k for k, o in enumerate(chosen)}
    operation = np.array([place[o] for o in answered.operation[here].tolist()], dtype=np.int64)
    others, placed = placed, [placed[o] for o in chosen]
    near = min(
        answered.tolerance_mm,
        max(ROUNDED * digit_mm + 1e-9, float(np.abs(off_mm).max()) / 20.0, digit_mm),
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
    solutions = _solved_angles(nominal, angles, (operation, axis), off_mm)
    for figure, (solved, slope, missed) in zip(angles, solutions, strict=True):
        found.append(_fit(figure, solved, slope, missed, off_mm, near, tried))
    good = [one for one in found if one.left_mm <= near and one.chance <= _CHANCE]
    if not good:
        return None
    # The fewest figures, then the one whose needed value is something simple, then the closest.
    stated = [
        (one.names[0], one.stated[0])
        for one in lengths
        if len(one.names) == 1 and one.unit == "mm" and one.stated[0] and " where it " not in one.names[0]
    ]
    turns = _stated_angles(setup, placed, others)
    told = {
        id(one): _relation(
            one, turns if one.figure.unit == "deg" else stated, max(ROUNDED * digit_mm, one.left_mm)
        )
        for one in good
    }
    best = min(good, key=lambda one: (len(one.solved), told[id(one)][0], round(one.left_mm / digit_mm)))
    _, relation, exact = told[id(best)]
    alike = tuple(
        one.figure.names[0]
        for one in good
        if one is not best
        and len(one.solved) == 1
        and one.left_mm <= best.left_mm + digit_mm
        # A vector is taken so many times only where the number of times is a simple one.
        and (one.figure.unit != "times" or told[id(one)][1])
    )
    return FigureTrace(
        best.figure.names,
        best.figure.unit,
        np.array(best.figure.stated),
        np.array([exact]) if relation else _needed(best, max(ROUNDED * digit_mm, best.left_mm)),
        relation,
        alike,
        tuple(chosen),
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


def _needed(fitted: _Fitted, near: float) -> Floats:
    """The values solved for; an angle with no more decimals than the numbers tell."""
    needed = np.array(fitted.figure.stated) + fitted.solved
    if fitted.figure.unit != "deg":
        return needed
    window = near / max(float(np.abs(fitted.slope).max()), near)
    short = (np.round(needed, decimals) for decimals in range(5))
    return next((one for one in short if abs(float(one[0] - needed[0])) <= window), needed)


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


def _solved_angles(
    nominal: CalculationBatch,
    figures: Sequence[_Figure],
    at: tuple[NDArray[np.int64], NDArray[np.int64]],
    off: Floats,
) -> list[tuple[Floats, Floats, Floats]]:
    """For each figure the error that comes nearest, the slope there and what is missed.

    The best of some steps, refined by Gauss and Newton; all figures go through one batch in each round.
    """

    def moved(each: Sequence[Floats]) -> list[Floats]:
        count = sum(len(values) for values in each)
        batch = with_rows(nominal, count + 1)
        row = 1
        for figure, values in zip(figures, each, strict=True):
            for by in values.tolist():
                figure.add[0](batch, row, by)
                row += 1
        offsets = offsets_mm(batch)[:, at[0], at[1]]
        ends = np.cumsum([len(values) for values in each])
        return np.split(offsets[1:] - offsets[0], ends[:-1])

    starts = [_START_DEG if figure.unit == "deg" else _START_TIMES for figure in figures]
    found = [
        float(values[int(np.argmin(((first - off) ** 2).sum(axis=1)))])
        for values, first in zip(starts, moved(starts), strict=True)
    ]
    slopes = [np.zeros_like(off) for _ in figures]
    for _ in range(_ROUNDS):
        for k, (here, after) in enumerate(moved([np.array([by, by + 1e-4]) for by in found])):
            slope = (after - here) / 1e-4
            square = float(slope @ slope)
            if square > 0.0:
                slopes[k] = slope
                moved_on = found[k] + float(slope @ (off - here)) / square
                found[k] = min(max(moved_on, -_FARTHEST), _FARTHEST)
    ends = moved([np.array([by]) for by in found])
    return [
        (np.array([by]), slope[:, None], here[0] - off)
        for by, slope, here in zip(found, slopes, ends, strict=True)
    ]


def _stated_angles(
    setup: Setup, placed: Sequence[PlacedOperation], others: Sequence[PlacedOperation]
) -> list[tuple[str, float]]:
    """Angles that may have been taken for the one operation's: its own others, and those of other operations."""
    if len(placed) != 1:
        return []
    letters = setup.machine.letters
    found = [(f"{letter} angle", float(a)) for letter, a in zip(letters, placed[0].program_deg, strict=True)]
    for one in others:
        if one.name != placed[0].name:
            found += [
                (f"{letter} angle of {one.name}", float(a))
                for letter, a in zip(letters, one.program_deg, strict=True)
            ]
    return found


def _relation(fitted: _Fitted, stated: Sequence[tuple[str, float]], near: float) -> tuple[int, str, float]:
    """Rank of the needed value of a single figure (0: nearest at hand), its relation to the stated ones, and their value.

    It must give the numbers as nearly as the value solved for: `near` is what rounding leaves.
    """
    figure = fitted.figure
    if len(figure.add) != 1:
        return _NONE, "", 0.0
    value, by = figure.stated[0], float(fitted.solved[0])
    steep = float(np.abs(fitted.slope).max())
    window = near / steep if steep > 0.0 else 0.0
    own = [
        (0, "so it was left out", 0.0),
        (0, "that is half of it", value / 2.0),
        (0, "that is double", 2.0 * value),
        (0, "that is minus it", -value),
    ]
    if figure.unit == "deg":
        own += [(0, "that is 90 minus it", 90.0 - value)]
    else:
        own += [
            (0, "that is 25.4 times as much", value * MM_PER_INCH),
            (0, "that is 1/25.4 of it", value / MM_PER_INCH),
        ]
    simple = own if value else []
    if figure.unit == "deg" and not value:
        turns = ((90.0, "a quarter turn"), (180.0, "half a turn"))
        simple += [(0, f"that is {words}", sign * angle) for angle, words in turns for sign in (1.0, -1.0)]
    if figure.unit == "mm":
        simple += _relations_to(figure.names[0], value, stated, window)
    needed = value + by
    if figure.unit == "deg":
        # The same rotary's angle of another operation comes first, then another rotary's; whole turns do not count.
        simple += [
            (
                1 + (name[0] != figure.names[0][0]),
                f"that is the {name}",
                angle + 360.0 * round((needed - angle) / 360.0),
            )
            for name, angle in stated
        ]
    met = [one for one in simple if abs(needed - one[2]) <= window]
    nothing = _NONE + (figure.unit == "times")
    return min(met, key=lambda one: (one[0], abs(needed - one[2])), default=(nothing, "", 0.0))


def _relations_to(
    name: str, value: float, stated: Sequence[tuple[str, float]], window: float
) -> list[tuple[int, str, float]]:
    """Values that a length takes by a slip with one or two other stated lengths."""
    found = []
    others = [(one, length) for one, length in stated if one != name and abs(length) > 2.0 * window]
    for one, length in others:
        found.append((1, f"that is the {one}", length))
        if value:
            found += [
                (1, f"that is the {one} added", value + length),
                (1, f"that is the {one} taken off", value - length),
                (2, f"that is half the {one} added", value + length / 2.0),
                (2, f"that is half the {one} taken off", value - length / 2.0),
            ]
        else:
            found += [
                (1, f"that is minus the {one}", -length),
                (2, f"that is half the {one}", length / 2.0),
                (2, f"that is minus half the {one}", -length / 2.0),
            ]
    large = [(one, length) for one, length in stated if abs(length) > _LEAST_PART_MM]
    for (first, a), (second, b) in combinations(large, 2):
        found += [
            (3, f"that is the {first} plus the {second}", a + b),
            (3, f"that is the {first} less the {second}", a - b),
            (3, f"that is the {second} less the {first}", b - a),
        ]
    return found
