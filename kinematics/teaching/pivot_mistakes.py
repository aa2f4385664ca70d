"""The classic mistakes in finding a pivot, and the numbers that each gives."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.teaching.attainable_accuracy import AttainableAccuracy
from kinematics.teaching.pivot_exercise import PivotExercise, Probed, in_plane, plane_of

__all__ = ["PivotMistake", "PivotRow", "mistakes_at_pivot"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PivotMistake:
    """One way to go wrong.

    Attributes
    ----------
    kind : str
        The mistake, the same for every pivot and coordinate: "half the distance forgotten".
    item : str
        The coordinate or what was taken for it; empty where both are wrong.
    words : str
        What was done, as a sentence.
    """

    kind: str
    item: str
    words: str

    @property
    def name(self) -> str:
        """Kind and item: "relative to the old value, Y"."""
        return f"{self.kind}, {self.item}" if self.item else self.kind


@dataclass(frozen=True, eq=False)
class PivotRow:
    """A mistake, made in one way of working, and what comes out, shape (2,), on the axes that are asked for."""

    made: PivotMistake
    value_mm: Floats


def mistakes_at_pivot(
    exercise: PivotExercise, support: AttainableAccuracy, which: int
) -> tuple[PivotRow, ...]:
    """Every mistake at one pivot, on top of every way of working that it can be made in.

    Parameters
    ----------
    exercise : PivotExercise
    support : Support
        Whoever computes by least squares can still write the answer down wrongly.
    which : int
        The pivot, from 0.

    Returns
    -------
    tuple of PivotRow

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> from kinematics.teaching.attainable_accuracy import attainable
    >>> exercise = set_pivot_exercise(seed=7)
    >>> rows = mistakes_at_pivot(exercise, attainable(exercise), 0)
    >>> "stylus radius left on" in {row.made.kind for row in rows}
    True
    """
    probed = exercise.probed[which]
    rows: list[PivotRow] = []
    for found in (*probed.worked().values(), support.best_mm[which]):
        rows += _written_down(exercise, which, found)
        if probed.method != "opposite readings":
            rows += _radii(probed, found)
    return (*rows, *_halves(probed), *_turned(probed))


def _each(
    probed: Probed, kind: str, words: str, right: Floats, wrong: ArrayLike, *, alone: bool = True
) -> Iterator[PivotRow]:
    """A mistake made in both coordinates and in each alone; words has a place for which."""
    values = np.asarray(wrong, dtype=np.float64)
    yield PivotRow(PivotMistake(kind, "", words.format(f"{probed.axes[0]} and {probed.axes[1]}")), values)
    for k in (0, 1) if alone else ():
        one = right.copy()
        one[k] = values[k]
        yield PivotRow(PivotMistake(kind, probed.axes[k], words.format(probed.axes[k])), one)


def _written_down(exercise: PivotExercise, which: int, found: Floats) -> Iterator[PivotRow]:
    """The pivot found, and then the wrong thing answered."""
    probed, old = exercise.probed[which], exercise.probed[which].believed_mm
    inch = exercise.units == "inch"
    here, there = ("inches", "millimetres") if inch else ("millimetres", "inches")
    plain = (
        ("old value kept", "{} was left where the shop believed it", old),
        ("relative to the old value", "{} is how far the pivot lies from the old value, not where it is", found - old),
        ("sign of the offset", "{} was corrected from the old value the wrong way", 2.0 * old - found),
        ("a coordinate's sign", "the sign of {} was lost or reversed", -found),
    )  # fmt: skip
    for kind, words, wrong in plain:
        yield from _each(probed, kind, words, found, wrong)
    first, second = probed.axes
    swapped = f"{first} and {second} were swapped"
    yield PivotRow(PivotMistake("coordinates swapped", "", swapped), found[::-1].copy())
    yield from _each(
        probed, "inch and mm", f"{{}} is in {there}, not in {here}", found,
        found * (MM_PER_INCH if inch else 1.0 / MM_PER_INCH), alone=False,
    )  # fmt: skip
    yield from _wrong_axis(exercise, which, found)


def _wrong_axis(exercise: PivotExercise, which: int, found: Floats) -> Iterator[PivotRow]:
    """A coordinate that another axis, or the other rotary, has."""
    probed, other = exercise.probed[which], exercise.probed[1 - which]
    third = "XYZ"[probed.axis]
    along = float(probed.shown_mm[:, probed.axis].mean())
    for k, axis in enumerate(probed.axes):
        one = found.copy()
        one[k] = along
        words = f"{axis} was taken from the readings' {third}, along which {probed.letter} runs"
        yield PivotRow(PivotMistake("coordinate of the wrong axis", f"{third} for {axis}", words), one)
        if axis in other.axes:
            for there in other.worked().values():
                one = found.copy()
                one[k] = there[other.axes.index(axis)]
                words = f"{axis} is the pivot of {other.letter}'s: the two lines were taken to meet"
                yield PivotRow(PivotMistake("lines taken to meet", axis, words), one)


def _radii(probed: Probed, found: Floats) -> Iterator[PivotRow]:
    """A ball's or a stylus' radius dealt with wrongly: the height is off by it, up for a ball, down for a face."""
    thing, sign = ("ball", 1.0) if probed.method == "ball on an arc" else ("stylus", -1.0)
    step = np.array([0.0, sign * probed.radius_mm])
    for kind, words, wrong in (
        (f"{thing} radius left on", f"the {thing}'s radius was left on", found + step),
        ("diameter for radius", f"the {thing}'s diameter was taken off instead of its radius", found - step),
        ("radius the wrong way", f"the {thing}'s radius was added instead of taken off", found + 2.0 * step),
    ):
        yield PivotRow(PivotMistake(kind, "", words), wrong)


def _halves(probed: Probed) -> Iterator[PivotRow]:
    """The whole where the half is wanted."""
    kind = "half the distance forgotten"
    for found in probed.worked().values():
        if probed.method == "opposite readings":
            yield from _each(
                probed,
                kind,
                "two opposite readings were added in {} and the sum not halved",
                found,
                2.0 * found,
            )
        elif probed.method == "level face":
            both = found.copy()
            both[0] *= 2.0
            yield PivotRow(
                PivotMistake(
                    kind, probed.axes[0], f"the sum of the two sides' {probed.axes[0]} was not halved"
                ),
                both,
            )
            height = float(probed.shown_mm[:2, 2].mean()) - found[1] + probed.radius_mm
            low = found - np.array([0.0, height])
            words = "the whole distance between the two sides was taken for the face's height over the pivot"
            yield PivotRow(PivotMistake(kind, "Z", words), low)
            yield PivotRow(
                PivotMistake(kind, "", f"{words}, and their sum was not halved"), np.array([both[0], low[1]])
            )
            yield from _face(probed, found)
    if probed.method == "opposite readings":
        points = probed.points_mm[:, list(probed.asked)]
        right = next(iter(probed.worked().values()))
        words = "a reading's {} was taken for the pivot's, or the whole way from the opposite reading was gone, not half of it"
        for reading in points:
            yield from _each(probed, "a reading for the pivot", words, right, reading)
        words = "halfway between neighbouring readings was taken in {}, not between opposite ones"
        for middle in (points + np.roll(points, -1, axis=0)) / 2.0:
            yield from _each(probed, "neighbours for opposites", words, right, middle)
        words = "half the difference of two opposite readings was taken in {}, not half their sum"
        for half in (points - np.roll(points, 2, axis=0)) / 2.0:
            yield from _each(probed, "difference for sum", words, right, half)
    if probed.method == "ball on an arc":
        for middle, away in _triangles(probed, 1.0):
            words = "the whole chord was taken where the triangle has half of it"
            yield PivotRow(PivotMistake(kind, "", words), in_plane(probed.axis, middle + 2.0 * away))


def _face(probed: Probed, found: Floats) -> Iterator[PivotRow]:
    """A level face's height dealt with wrongly, and a radius put where it cancels."""
    level = float(probed.shown_mm[:2, 2].mean())
    side = probed.axes[0]
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
                (found[0] + sign * probed.radius_mm, found[1]),
            )
            for sign in (1.0, -1.0)
        ),
    ):
        yield PivotRow(PivotMistake(kind, item, words), np.array(wrong))


def _turned(probed: Probed) -> Iterator[PivotRow]:
    """Angles of a ball's arc dealt with wrongly."""
    if probed.method != "ball on an arc":
        return
    for middle, away in _triangles(probed, 1.0):
        words = f"the table was taken to turn the wrong way about {probed.letter}: the pivot lies on the other side of the chord"
        yield PivotRow(PivotMistake("sense reversed", "", words), in_plane(probed.axis, middle - away))
    for middle, away in _triangles(probed, 2.0):
        words = "the tangent was taken of the whole turn instead of half of it"
        yield PivotRow(PivotMistake("whole angle for half", "", words), in_plane(probed.axis, middle + away))
    for middle, away in _triangles(probed, np.degrees(1.0)):
        words = "the calculator took the degrees for radians"
        yield PivotRow(PivotMistake("degrees and radians", "", words), in_plane(probed.axis, middle + away))


def _triangles(probed: Probed, times: float) -> Iterator[tuple[Floats, Floats]]:
    """For each pair of readings: the chord's middle, and the way from there to the pivot for so many times the turn."""
    points = probed.points_mm[:, list(plane_of(probed.axis))]
    for i, j in ((0, 2), (0, 1), (1, 2)):
        turn = np.radians(float(probed.turn_deg[j] - probed.turn_deg[i]) * times)
        chord = points[j] - points[i]
        away = np.array([-chord[1], chord[0]]) / (2.0 * np.tan(turn / 2.0))
        yield (points[i] + points[j]) / 2.0, away
