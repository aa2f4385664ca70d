"""The classic mistakes in finding a pivot, and the numbers that each gives."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.teaching.attainable_accuracy import AttainableAccuracy
from kinematics.teaching.pivot_exercise import PivotExercise, PivotProbing, in_plane, plane_of
from kinematics.validation import ValueEquality, as_index, read_only

__all__ = ["PivotMistake", "WrongPivot", "mistakes_at_pivot", "mistakes_in_direction", "pairs_at_pivot"]

Floats = NDArray[np.float64]
_PAIRS = ((0, 2), (0, 1), (1, 2))
"""Readings of an arc, two at a time."""


@dataclass(frozen=True)
class PivotMistake(DeclaredFields):
    """A classic mistake in finding a pivot.

    Attributes
    ----------
    kind : str
        The mistake, the same for every pivot and coordinate: "half the distance forgotten".
    item : str
        The coordinate, or what was taken for it; empty where both are wrong.
    words : str
        A clause that says what was done.
    """

    kind: str
    item: str
    words: str

    @property
    def name(self) -> str:
        """Kind and item: "relative to the old value, Y"."""
        return f"{self.kind}, {self.item}" if self.item else self.kind


@dataclass(frozen=True, eq=False)
class WrongPivot(ValueEquality):
    """Result of a mistake made in one hand solution.

    Attributes
    ----------
    made : PivotMistake
    value : ndarray, shape (2,)
        A pivot's coordinates in mm, or its direction's two angles in degrees.
    """

    made: PivotMistake
    value: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", read_only(self.value))


@takes_declared()
def mistakes_at_pivot(
    exercise: PivotExercise, support: AttainableAccuracy, which: int
) -> tuple[WrongPivot, ...]:
    """Every classic mistake at one pivot, on top of every hand solution that it can be made in.

    Parameters
    ----------
    exercise : PivotExercise
        Without probings only the mistakes of writing an answer down are tried, on the least-squares answer.
    support : AttainableAccuracy
        Whoever computes by least squares can still write the answer down wrongly.
    which : int
        The pivot, from 0.

    Returns
    -------
    tuple of WrongPivot
        Coordinates in mm; of a line near no machine axis, its shifts from the believed line.

    Raises
    ------
    KinematicsError
        When there is no such pivot.

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> from kinematics.teaching.attainable_accuracy import attainable
    >>> exercise = set_pivot_exercise(seed=7)
    >>> rows = mistakes_at_pivot(exercise, attainable(exercise), 0)
    >>> "stylus radius left on" in {row.made.kind for row in rows}
    True
    >>> mistakes_at_pivot(exercise, attainable(exercise), 2)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: pivot: expected 0 to 1, found 2
    """
    as_index(which, len(exercise.machine.rotaries), "pivot")
    best = support.best_mm[which]
    if not exercise.probings:
        return tuple(_written_down(exercise, support, which, best))
    probing = exercise.probings[which]
    rows: list[WrongPivot] = []
    for found in (*probing.by_hand().values(), best):
        rows += _written_down(exercise, support, which, found)
        if probing.method != "opposite readings":
            rows += _radii(probing, found)
    return (*rows, *_halves(probing), *_turned(probing))


def pairs_at_pivot(
    exercise: PivotExercise, support: AttainableAccuracy, which: int
) -> tuple[WrongPivot, ...]:
    """Two mistakes at one pivot: one in the geometry, and on top of it one with a radius or in writing down.

    Parameters and errors as for `mistakes_at_pivot`; a made mistake's kind and words join those of the two.
    """
    if not exercise.probings:
        return ()
    probing = exercise.probings[which]
    old = support.believed_mm[which]
    rows: list[WrongPivot] = []
    for one in (*_halves(probing), *_turned(probing)):
        again = [*_written_down(exercise, support, which, one.value)]
        if probing.method != "opposite readings":
            again += _radii(probing, one.value)
        rows += [WrongPivot(_both(one.made, other.made), other.value) for other in again]
    if probing.method != "opposite readings":
        for found in (*probing.by_hand().values(), support.best_mm[which]):
            for one in _radii(probing, found):
                rows += [
                    WrongPivot(_both(one.made, other.made), other.value)
                    for other in _written_down(exercise, support, which, one.value)
                ]
    # Whoever leaves the old value has made no use of anything found before.
    return tuple(row for row in rows if not np.array_equal(row.value, old))


def _both(one: PivotMistake, other: PivotMistake) -> PivotMistake:
    return PivotMistake(f"{one.kind} + {other.kind}", other.item, f"{one.words}; and {other.words}")


@takes_declared()
def mistakes_in_direction(support: AttainableAccuracy, which: int) -> tuple[WrongPivot, ...]:
    """The classic mistakes in one line's direction, on top of the least-squares answer.

    Parameters
    ----------
    support : AttainableAccuracy
    which : int
        The rotary, from 0.

    Returns
    -------
    tuple of WrongPivot
        Both angles in degrees, counted from the believed direction.

    Examples
    --------
    >>> from kinematics.teaching.attainable_accuracy import attainable
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> support = attainable(set_pivot_exercise(seed=7))
    >>> sorted({one.made.kind for one in mistakes_in_direction(support, 0)})
    ['old value kept', 'sign of the tilt', 'tilts swapped']
    >>> mistakes_in_direction(support, 2)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: pivot: expected 0 to 1, found 2
    """
    as_index(which, len(support.best), "pivot")
    found = support.best[which, 2:]
    first, second = (one.name for one in support.numbers[4 * which + 2 : 4 * which + 4])
    rows = _each((first, second), "old value kept", "{} {was} left as the shop believed", found, 0.0 * found)
    turned = _each((first, second), "sign of the tilt", "the sign of {} is wrong", found, -found)
    swapped = PivotMistake("tilts swapped", "", f"{first} and {second} were swapped")
    return (*rows, *turned, WrongPivot(swapped, found[::-1].copy()))


def _each(
    names: tuple[str, str], kind: str, words: str, right: Floats, wrong: ArrayLike, *, alone: bool = True
) -> Iterator[WrongPivot]:
    """A mistake made in both numbers and in each alone; `words` has places for their names and for was or were."""
    values = np.asarray(wrong, dtype=np.float64)
    yield WrongPivot(
        PivotMistake(kind, "", words.format(f"{names[0]} and {names[1]}", was="were", is_="are")), values
    )
    for k in (0, 1) if alone else ():
        one = right.copy()
        one[k] = values[k]
        yield WrongPivot(PivotMistake(kind, names[k], words.format(names[k], was="was", is_="is")), one)


def _written_down(
    exercise: PivotExercise, support: AttainableAccuracy, which: int, found: Floats
) -> Iterator[WrongPivot]:
    """Mistakes of writing down a pivot that was found."""
    old = support.believed_mm[which]
    first, second = support.numbers[4 * which : 4 * which + 2]
    names = (first.label, second.label)
    yield from _each(names, "old value kept", "{} {was} left where the shop believed", found, old)
    yield from _each(
        names, "sign of the offset", "{} {was} corrected from the old value in the wrong direction", found,
        2.0 * old - found,
    )  # fmt: skip
    yield from _each(
        names, "correction made twice",
        "{} {was} moved from the old value by twice as much as was found", found, 2.0 * found - old,
    )  # fmt: skip
    if not first.axis:
        return  # shifts from the old line have no coordinates to mistake
    yield from _each(
        names, "relative to the old value",
        "{} {is_} counted from the old value, not from machine zero", found, found - old,
    )  # fmt: skip
    yield from _each(names, "a coordinate's sign", "the sign of {} was lost or reversed", found, -found)
    swapped = f"{names[0]} and {names[1]} were swapped"
    yield WrongPivot(PivotMistake("coordinates swapped", "", swapped), found[::-1].copy())
    inch = exercise.units == "inch"
    here, there = ("inches", "millimetres") if inch else ("millimetres", "inches")
    yield from _each(
        names, "inch and mm", f"{{}} {{is_}} in {there}, not in {here}", found,
        found * (MM_PER_INCH if inch else 1.0 / MM_PER_INCH), alone=False,
    )  # fmt: skip
    yield from _wrong_axis(exercise, support, which, found)


def _wrong_axis(
    exercise: PivotExercise, support: AttainableAccuracy, which: int, found: Floats
) -> Iterator[WrongPivot]:
    """A coordinate read off another axis, or off another rotary's pivot."""
    numbers = support.numbers[4 * which : 4 * which + 2]
    letter = numbers[0].letter
    for k, axis in enumerate(number.axis for number in numbers):
        if exercise.probings:
            probing = exercise.probings[which]
            third = "XYZ"[probing.axis]
            one = found.copy()
            one[k] = float(probing.shown_mm[:, probing.axis].mean())
            words = f"{axis} was taken from the readings' {third}, along which {letter} runs"
            yield WrongPivot(PivotMistake("coordinate of the wrong axis", f"{third} for {axis}", words), one)
        for other, number in _same_axis(support, which, axis):
            there_by_hand = exercise.probings[other].by_hand().values() if exercise.probings else ()
            for there in there_by_hand or (support.best_mm[other],):
                one = found.copy()
                one[k] = there[number]
                words = f"{axis} is that of {support.numbers[4 * other].letter}'s pivot: the two lines were taken to meet"
                yield WrongPivot(PivotMistake("lines taken to meet", axis, words), one)


def _same_axis(support: AttainableAccuracy, which: int, axis: str) -> Iterator[tuple[int, int]]:
    """Other pivots that have a coordinate on that axis, and which of their two it is."""
    for place, number in enumerate(support.numbers):
        if number.axis == axis and number.pivot != which:
            yield number.pivot, place % 4


def _radii(probing: PivotProbing, found: Floats) -> Iterator[WrongPivot]:
    """A ball's or a stylus' radius compensated wrongly: the height is off by it, up for a ball, down for a face."""
    thing, sign = ("ball", 1.0) if probing.method == "ball on an arc" else ("stylus", -1.0)
    step = np.array([0.0, sign * probing.radius_mm])
    for kind, words, wrong in (
        (f"{thing} radius left on", f"the {thing}'s radius was left on", found + step),
        ("diameter for radius", f"the {thing}'s diameter was taken off instead of its radius", found - step),
        ("radius the wrong way", f"the {thing}'s radius was added instead of taken off", found + 2.0 * step),
    ):
        yield WrongPivot(PivotMistake(kind, "", words), wrong)


def _halves(probing: PivotProbing) -> Iterator[WrongPivot]:
    """Sums and distances that were not halved, and the wrong pairs halved."""
    kind = "half the distance forgotten"
    for found in probing.by_hand().values():
        if probing.method == "opposite readings":
            yield from _each(
                probing.axes,
                kind,
                "two opposite readings were added in {} and the sum not halved",
                found,
                2.0 * found,
            )
        elif probing.method == "level face":
            both = found.copy()
            both[0] *= 2.0
            yield WrongPivot(
                PivotMistake(
                    kind, probing.axes[0], f"the sum of the two sides' {probing.axes[0]} was not halved"
                ),
                both,
            )
            height = float(probing.shown_mm[:2, 2].mean()) - found[1] + probing.radius_mm
            low = found - np.array([0.0, height])
            words = "the whole distance between the two sides was taken for the face's height over the pivot"
            yield WrongPivot(PivotMistake(kind, "Z", words), low)
            yield WrongPivot(
                PivotMistake(kind, "", f"{words}, and their sum was not halved"), np.array([both[0], low[1]])
            )
            yield from _face(probing, found)
    if probing.method == "opposite readings":
        yield from _other_readings(probing)
    if probing.method == "ball on an arc":
        words = "the mean of the three readings was taken for the pivot: it lies inside the arc"
        mean = probing.points_mm[:, list(plane_of(probing.axis))].mean(axis=0)
        yield WrongPivot(PivotMistake("mean of three readings", "", words), in_plane(probing.axis, mean))
        for middle, away in _triangles(probing, 1.0):
            words = "the whole chord was taken where the triangle has half of it"
            yield WrongPivot(PivotMistake(kind, "", words), in_plane(probing.axis, middle + 2.0 * away))


def _other_readings(probing: PivotProbing) -> Iterator[WrongPivot]:
    """Of opposite readings: one, two or three taken that do not lie evenly about the pivot, or their difference."""
    points = probing.points_mm[:, list(probing.asked)]
    right = next(iter(probing.by_hand().values()))
    words = "a reading's {} was taken for the pivot's, or the whole distance to the opposite reading was used, not half of it"
    for reading in points:
        yield from _each(probing.axes, "a reading for the pivot", words, right, reading)
    words = "halfway between neighbouring readings was taken in {}, not between opposite ones"
    for middle in (points + np.roll(points, -1, axis=0)) / 2.0:
        yield from _each(probing.axes, "neighbours for opposites", words, right, middle)
    words = "the mean of three readings was taken in {}: only opposite ones lie evenly about the pivot"
    for left_out in range(len(points)):
        mean = np.delete(points, left_out, axis=0).mean(axis=0)
        yield from _each(probing.axes, "mean of three readings", words, right, mean)
    words = "half the difference of two opposite readings was taken in {}, not half their sum"
    for half in (points - np.roll(points, 2, axis=0)) / 2.0:
        yield from _each(probing.axes, "difference for sum", words, right, half)


def _face(probing: PivotProbing, found: Floats) -> Iterator[WrongPivot]:
    """A level face's height used wrongly, and a radius put where it cancels."""
    level = float(probing.shown_mm[:2, 2].mean())
    side = probing.axes[0]
    for kind, item, words, wrong in (
        ("the face for the pivot", "Z", "the face's own height was taken for the pivot's", (found[0], level)),
        (
            "the height the wrong way",
            "Z",
            "the face's height over the pivot was added to the level reading, not taken off",
            (found[0], 2.0 * level - found[1]),
        ),
        *(
            (
                "the radius to the side",
                side,
                f"the stylus' radius was put into {side}, where it cancels between both sides",
                (found[0] + sign * probing.radius_mm, found[1]),
            )
            for sign in (1.0, -1.0)
        ),
    ):
        yield WrongPivot(PivotMistake(kind, item, words), np.array(wrong))


def _turned(probing: PivotProbing) -> Iterator[WrongPivot]:
    """Angles of a ball's arc used wrongly."""
    if probing.method != "ball on an arc":
        return
    for middle, away in _triangles(probing, 1.0):
        words = f"the table was taken to turn the wrong way about {probing.letter}: the pivot lies on the other side of the chord"
        yield WrongPivot(PivotMistake("sense reversed", "", words), in_plane(probing.axis, middle - away))
    half = np.radians(np.abs(np.array([probing.turn_deg[j] - probing.turn_deg[i] for i, j in _PAIRS]))) / 2.0
    for (middle, away), h in zip(_triangles(probing, 1.0), half.tolist(), strict=True):
        for kind, words, factor in (
            ("leg forgotten", "the middle of the chord was taken for the pivot: the triangle's other leg is missing", 0.0),
            ("sine for tangent", "half the chord was divided by the sine, not the tangent, of half the turn", np.tan(h) / np.sin(h)),
            ("times for over", "half the chord was multiplied by the tangent of half the turn, not divided by it", np.tan(h) ** 2),
        ):  # fmt: skip
            value = in_plane(probing.axis, middle + away * factor)
            yield WrongPivot(PivotMistake(kind, "", words), value)
    for middle, away in _triangles(probing, 2.0):
        words = "the tangent was taken of the whole turn instead of half of it"
        yield WrongPivot(
            PivotMistake("whole angle for half", "", words), in_plane(probing.axis, middle + away)
        )
    for middle, away in _triangles(probing, np.degrees(1.0)):
        words = "the calculator took the degrees for radians"
        yield WrongPivot(
            PivotMistake("degrees and radians", "", words), in_plane(probing.axis, middle + away)
        )


def _triangles(probing: PivotProbing, times: float) -> Iterator[tuple[Floats, Floats]]:
    """For each pair of readings: the chord's middle, and the vector from there to the pivot for a multiple of the turn."""
    points = probing.points_mm[:, list(plane_of(probing.axis))]
    for i, j in _PAIRS:
        turn = np.radians(float(probing.turn_deg[j] - probing.turn_deg[i]) * times)
        chord = points[j] - points[i]
        away = np.array([-chord[1], chord[0]]) / (2.0 * np.tan(turn / 2.0))
        yield (points[i] + points[j]) / 2.0, away
