"""A mistake in finding a pivot is named, by the numbers that the same mistake gives in a plain calculation."""

import functools
import itertools
import math
from collections import Counter

import numpy as np
import pytest
from slices import at_least, cases

from kinematics import KinematicsError
from kinematics.teaching import (
    PivotAnswer,
    attainable,
    diagnose_pivots,
    mistakes_at_pivot,
    pivot_diagnosis,
    set_pivot_exercise,
)
from kinematics.teaching.pivot_mistakes import pairs_at_pivot

SAME_MM = 1e-9


@functools.cache
def drawn(sheet: int):
    exercise = set_pivot_exercise(11, sheet, ("mm", "inch")[sheet % 2])
    support = attainable(exercise)
    return exercise, support, [mistakes_at_pivot(exercise, support, i) for i in (0, 1)]


@pytest.fixture
def remembered(monkeypatch):
    """Make `diagnose_pivots` take the mistakes of a sheet from here: many answers to one sheet share them."""

    def of(sheet: int):
        exercise, support, tables = drawn(sheet)
        pairs = functools.cache(lambda i: pairs_at_pivot(exercise, support, i))
        monkeypatch.setattr(pivot_diagnosis, "mistakes_at_pivot", lambda _e, _s, i: tables[i])
        monkeypatch.setattr(pivot_diagnosis, "pairs_at_pivot", lambda _e, _s, i: pairs(i))
        return exercise, support, tables

    return of


def _first(letter: str, method: str):
    """The first exercise in millimetres whose tilting rotary is of that letter and was probed in that way."""
    for sheet in range(2, 80, 2):
        one = drawn(sheet)[0].probings[0]
        if (one.letter, one.method) == (letter, method):
            return drawn(sheet)
    raise AssertionError


def _diagnosed(sheet: int, which: int, value_mm):
    exercise, support, _ = drawn(sheet)
    given = np.rint(np.asarray(value_mm) / exercise.digit_mm) * exercise.digit_mm
    axes = exercise.probings[which].axes
    answers = [PivotAnswer(which, axis, float(v)) for axis, v in zip(axes, given, strict=True)]
    return diagnose_pivots(exercise, support, answers)


def _axes(marks):
    return tuple(mark.number.axis for mark in marks)


def _gives(rows, kind: str, item: str, expected) -> bool:
    """True where the mistake, in one of the ways of working, gives these numbers."""
    return any(
        (row.made.kind, row.made.item) == (kind, item)
        and np.abs(row.value - np.asarray(expected)).max() <= SAME_MM
        for row in rows
    )


def test_mistakes_at_a_bore_made_by_hand():
    exercise, _, rows = _first("A", "level face")
    turn = exercise.probings[1]
    (x1, y1), (x2, y2), (x3, y3), (x4, y4) = turn.shown_mm[:, :2].tolist()
    x, y = (x1 + x2 + x3 + x4) / 4.0, (y1 + y2 + y3 + y4) / 4.0
    old_x, old_y, _ = exercise.machine.rotaries[1].point_mm.tolist()
    by_hand = {
        ("old value kept", ""): (old_x, old_y),
        ("old value kept", "X"): (old_x, y),
        ("relative to the old value", ""): (x - old_x, y - old_y),
        ("relative to the old value", "Y"): (x, y - old_y),
        ("sign of the offset", ""): (old_x - (x - old_x), old_y - (y - old_y)),
        ("sign of the offset", "X"): (old_x - (x - old_x), y),
        ("correction made twice", ""): (old_x + 2.0 * (x - old_x), old_y + 2.0 * (y - old_y)),
        ("correction made twice", "Y"): (x, old_y + 2.0 * (y - old_y)),
        ("a coordinate's sign", ""): (-x, -y),
        ("coordinates swapped", ""): (y, x),
        ("inch and mm", ""): (x / 25.4, y / 25.4),
        ("coordinate of the wrong axis", "Z for X"): (turn.shown_mm[:, 2].mean(), y),
        ("half the distance forgotten", ""): (2.0 * x, 2.0 * y),
        ("half the distance forgotten", "X"): (2.0 * x, y),
        ("a reading for the pivot", ""): (x1, y1),
        ("a reading for the pivot", "X"): (x1 + (x3 - x1), y),
        ("neighbours for opposites", ""): ((x2 + x3) / 2.0, (y2 + y3) / 2.0),
        ("mean of three readings", ""): ((x1 + x2 + x4) / 3.0, (y1 + y2 + y4) / 3.0),
        ("mean of three readings", "X"): ((x2 + x3 + x4) / 3.0, y),
        ("difference for sum", ""): ((x1 - x3) / 2.0, (y1 - y3) / 2.0),
        ("difference for sum", "Y"): (x, (y4 - y2) / 2.0),
    }
    for (kind, item), expected in by_hand.items():
        assert _gives(rows[1], kind, item, expected), (kind, item)
    assert {row.made.kind for row in rows[1]} - {kind for kind, _ in by_hand} == {"lines taken to meet"}
    tilt_y = exercise.probings[0].shown_mm[2:, 1].mean()
    assert _gives(rows[1], "lines taken to meet", "Y", (x, tilt_y))
    assert not _gives(rows[1], "lines taken to meet", "X", (x, tilt_y))


def test_mistakes_at_a_level_face_made_by_hand():
    exercise, _, rows = _first("B", "level face")
    tilt = exercise.probings[0]
    up = tilt.shown_mm[:2, 2].mean()
    one, other = tilt.shown_mm[2:4, 0].mean(), tilt.shown_mm[4:, 0].mean()
    low, high, r = min(one, other), max(one, other), tilt.radius_mm
    x, z = (low + high) / 2.0, up - ((high - low) / 2.0 - r)
    by_hand = {
        ("stylus radius left on", ""): (x, up - (high - low) / 2.0),
        ("diameter for radius", ""): (x, up - ((high - low) / 2.0 - 2.0 * r)),
        ("radius the wrong way", ""): (x, up - ((high - low) / 2.0 + r)),
        ("half the distance forgotten", "X"): (low + high, z),
        ("half the distance forgotten", "Z"): (x, up - ((high - low) - r)),
        ("half the distance forgotten", ""): (low + high, up - ((high - low) - r)),
        ("coordinate of the wrong axis", "Y for Z"): (x, tilt.shown_mm[:, 1].mean()),
        ("the face for the pivot", "Z"): (x, up),
        ("the height the wrong way", "Z"): (x, up + ((high - low) / 2.0 - r)),
        ("the radius to the side", "X"): (x + r, z),
        ("coordinates swapped", ""): (z, x),
    }
    for (kind, item), expected in by_hand.items():
        assert _gives(rows[0], kind, item, expected), (kind, item)


@pytest.mark.parametrize("letter", ["A", "B"])
def test_mistakes_on_an_arc_made_by_hand(letter):
    """The triangle drawn with complex numbers: for A the plane is Y + iZ, for B it is Z + iX."""
    exercise, _, rows = _first(letter, "ball on an arc")
    tilt = exercise.probings[0]
    r = tilt.radius_mm
    column = {"A": (1, 2), "B": (2, 0)}[letter]
    off = {"A": (0.0, 1.0), "B": (1.0, 0.0)}[letter]
    first, last = (
        complex(*(tilt.shown_mm[k, c] - r * o for c, o in zip(column, off, strict=True))) for k in (0, 2)
    )
    turn = math.radians(
        float(exercise.machine.rotaries[0].positive_turn.sign) * (tilt.angles_deg[2] - tilt.angles_deg[0])
    )

    def pivot(first, last, tangent):
        return (first + last) / 2.0 + 1j * (last - first) / 2.0 / tangent

    def answer(found):
        return (found.real, found.imag) if letter == "A" else (found.imag, found.real)

    half = math.tan(turn / 2.0)
    second = complex(*(tilt.shown_mm[1, c] - r * o for c, o in zip(column, off, strict=True)))
    top = complex(*off) * r
    by_hand = {
        "sense reversed": pivot(first, last, -half),
        "whole angle for half": pivot(first, last, math.tan(turn)),
        "degrees and radians": pivot(first, last, math.tan(math.degrees(turn) / 2.0)),
        "half the distance forgotten": pivot(first, last, half / 2.0),
        "ball radius left on": pivot(first + top, last + top, half),
        "diameter for radius": pivot(first - top, last - top, half),
        "radius the wrong way": pivot(first + 2.0 * top, last + 2.0 * top, half),
        "leg forgotten": (first + last) / 2.0,
        "mean of three readings": (first + second + last) / 3.0,
        "sine for tangent": pivot(first, last, math.sin(turn / 2.0)),
        "times for over": pivot(first, last, 1.0 / half),
    }
    for kind, found in by_hand.items():
        assert _gives(rows[0], kind, "", answer(found)), kind
    right = answer(pivot(first, last, half))
    assert np.abs(np.array(right) - tilt.true_mm).max() < 0.02


def test_every_kind_is_made_by_hand_somewhere():
    kinds = {row.made.kind for s in range(1, 21) for rows in drawn(s)[2] for row in rows}
    assert kinds == {
        "a coordinate's sign",
        "a reading for the pivot",
        "ball radius left on",
        "coordinate of the wrong axis",
        "coordinates swapped",
        "correction made twice",
        "degrees and radians",
        "diameter for radius",
        "difference for sum",
        "half the distance forgotten",
        "inch and mm",
        "lines taken to meet",
        "mean of three readings",
        "neighbours for opposites",
        "old value kept",
        "radius the wrong way",
        "relative to the old value",
        "sense reversed",
        "sign of the offset",
        "leg forgotten",
        "sine for tangent",
        "stylus radius left on",
        "the face for the pivot",
        "the height the wrong way",
        "the radius to the side",
        "times for over",
        "whole angle for half",
    }


def test_each_mistake_comes_first_in_99_of_100(remembered):
    """Alone, or beside only those that give the very same numbers; in every way of working that it can be made in."""
    random = np.random.default_rng(20260503)
    tried, named = Counter(), Counter()
    for sheet in range(1, cases(100) + 1):
        exercise, support, tables = remembered(sheet)
        for i, one in enumerate(exercise.probings):
            picked = {}
            for k in random.permutation(len(tables[i])).tolist():
                picked.setdefault(tables[i][k].made.name, tables[i][k])
            for row in picked.values():
                beyond = np.abs(row.value - one.true_mm) - support.allowed_mm[i]
                if beyond.max() <= exercise.digit_mm / 2.0:  # rounding the answer could bring it inside
                    continue
                found = _diagnosed(sheet, i, row.value).findings
                tried[row.made.kind] += 1
                first = [found[0].made, *found[0].same] if found else []
                alike = {r.made for r in tables[i] if np.abs(r.value - row.value).max() <= SAME_MM}
                named[row.made.kind] += bool(first) and (first[0] == row.made or first[0] in alike)
    assert len(tried) == 27
    assert sum(tried.values()) > cases(3000)
    for kind, count in tried.items():
        assert count > cases(30), kind
        assert named[kind] >= at_least(0.99, count), (kind, named[kind], count)


def test_random_wrong_numbers_are_unexplained_in_99_of_100(remembered):
    """Off by up to 50 mm, or by up to a size drawn evenly in its logarithm from 0.0125 to 100 mm; both numbers, or one."""
    random = np.random.default_rng(20260504)
    tried, unexplained = Counter(), Counter()
    for sheet in range(1, cases(100) + 1):
        exercise, _, _ = remembered(sheet)
        for (i, one), spread, where in itertools.product(
            enumerate(exercise.probings), ("wide", "any size"), ("both", "one")
        ):
            for _ in range(5):
                size = 50.0 if spread == "wide" else 10.0 ** random.uniform(-1.9, 2.0)
                off = random.uniform(-size, size, 2)
                if where == "one":
                    off[random.integers(2)] = 0.0
                found = _diagnosed(sheet, i, one.true_mm + off)
                if found.right:
                    continue
                tried[spread, where] += 1
                unexplained[spread, where] += not found.findings
    assert len(tried) == 4
    for drawn_so, count in tried.items():
        assert count > cases(600), drawn_so
        assert unexplained[drawn_so] >= at_least(0.99, count), (drawn_so, unexplained[drawn_so], count)


def test_two_mistakes_on_top_of_each_other_are_named():
    """The geometry wrong, and the result counted from the old value; neither alone gives the numbers."""
    exercise, _, rows = _first("A", "ball on an arc")
    sheet, tilt = exercise.sheet, exercise.probings[0]
    wrong = next(row.value for row in rows[0] if row.made.kind == "leg forgotten") - tilt.believed_mm
    found = _diagnosed(sheet, 0, wrong).findings
    assert [one.made.kind for one in found] == ["leg forgotten + relative to the old value"]


def test_two_mistakes_that_leave_one_number_right_are_named():
    """The face's own height taken for the pivot's, and the stylus' radius left on: the other number has neither."""
    exercise, _, _ = _first("B", "level face")
    tilt = exercise.probings[0]
    up = tilt.shown_mm[:2, 2].mean()
    found = _diagnosed(exercise.sheet, 0, [tilt.true_mm[0], up - tilt.radius_mm]).findings
    assert [one.made.kind for one in found] == ["the face for the pivot + stylus radius left on"]
    assert _axes(found[0].marks) == ("Z",)


def test_a_pair_is_told_in_95_of_100(remembered):
    """By itself, or as one mistake in each number, to the last digit; where either alone would not do."""
    random = np.random.default_rng(20260505)
    tried = told = 0
    for sheet in range(1, cases(12) + 1):
        exercise, support, tables = remembered(sheet)
        near = exercise.digit_mm / 2.0
        for i, one in enumerate(exercise.probings):
            pairs = pairs_at_pivot(exercise, support, i)
            for k in random.permutation(len(pairs))[:40].tolist():
                value, least = pairs[k].value, support.allowed_mm[i] + near
                known = [one.true_mm, *(row.value for row in tables[i])]
                if any((np.abs(value - other) <= least).all() for other in known):
                    continue
                judged = _diagnosed(sheet, i, value)
                tried += 1
                left = max((found.left for found in judged.findings), default=math.inf)
                told += not judged.unexplained and left <= near + SAME_MM
    assert tried > cases(200)
    assert told >= at_least(0.95, tried), (told, tried)


def test_two_mistakes_in_two_coordinates_are_both_named():
    exercise, _, _ = drawn(2)
    one = exercise.probings[1]
    found = next(iter(one.by_hand().values()))
    wrong = [found[0] - one.believed_mm[0], 2.0 * found[1]]
    named = {_axes(f.marks): f.made.name for f in _diagnosed(2, 1, wrong).findings}
    assert named == {("X",): "relative to the old value, X", ("Y",): "half the distance forgotten, Y"}


def test_a_mistake_beside_a_slip_leaves_the_slip_unexplained():
    exercise, _, _ = drawn(2)
    one = exercise.probings[1]
    found = next(iter(one.by_hand().values()))
    judged = _diagnosed(2, 1, [found[0] - one.believed_mm[0], found[1] + 3.217])
    assert [(_axes(f.marks), f.made.kind) for f in judged.findings] == [(("X",), "relative to the old value")]
    assert _axes(judged.unexplained) == ("Y",)


def test_one_coordinate_answered_alone():
    exercise, support, _ = drawn(2)
    one = exercise.probings[1]
    value = float(next(iter(one.by_hand().values()))[0] * 2.0)
    found = diagnose_pivots(exercise, support, [PivotAnswer(1, "X", value)])
    assert found.findings[0].made.kind == "half the distance forgotten"
    assert diagnose_pivots(exercise, support, [PivotAnswer(1, "X", float(one.true_mm[0]))]).right


def test_an_answer_of_few_digits_is_not_wrong_for_want_of_more():
    exercise, support, _ = drawn(2)
    one = exercise.probings[0]
    given = [PivotAnswer(0, a, round(float(v), 1)) for a, v in zip(one.axes, one.true_mm, strict=True)]
    assert diagnose_pivots(exercise, support, given, digit_mm=0.1).right


@pytest.mark.parametrize(
    ("answer", "message"),
    [
        (PivotAnswer(2, "X", 0.0), "answer, pivot: expected 0 to 1, found 2"),
        (PivotAnswer(1, "Z", 0.0), "answer, axis: expected X or Y for the pivot of C, found 'Z'"),
        (PivotAnswer(1, "X", float("inf")), "expected a finite number"),
    ],
)
def test_bad_input_is_refused(answer, message):
    exercise, support, _ = drawn(2)
    with pytest.raises(KinematicsError, match=message):
        diagnose_pivots(exercise, support, [answer])
