"""The long run of what the tests of the diagnosis hold in a slice, by hand: `python counts.py WHAT SECONDS [SEED] [NAME]...`.

WHAT is one of

- singles, pairs, random: of offsets, in cases of a shop and of every level of a lesson in turn;
- angles: wrong program angles and what follows from them; pivots: mistakes, pairs and random numbers of a pivot;

each for so many seconds (of the processor), singles and angles of these names alone, where some are given; or

- right: right answers, so many instead of seconds, at these levels, or at every one.

Singles are counted by name, pairs by the two kinds in them. What is drawn goes the whole way that `tiltwright check` goes:
the solution meant, the angles' faults, then the diagnosis.
"""

import importlib
import re
import sys
import time
from collections import Counter
from dataclasses import replace
from itertools import product
from unittest import mock

import numpy as np
from cases import answers_of, shop_case

from kinematics import Setup, compare_touch_off, with_touched_zero
from kinematics.teaching import (
    LEVELS,
    PIVOT_LEVEL,
    AngleAnswer,
    Answer,
    PivotAnswer,
    all_solutions,
    angle_error_deg,
    attainable,
    classic_mistakes,
    diagnose_pivots,
    diagnose_solutions,
    mistakes_at_pivot,
    offset_of_other_solution,
    pivot_diagnosis,
    recompute,
    set_exercise,
    set_pivot_exercise,
    solve_by_matrices,
    solve_by_trigonometry,
)
from kinematics.teaching.exercises import DECIMALS, UNIT_MM
from kinematics.teaching.mistake_search import FOLLOWED
from kinematics.teaching.pivot_mistakes import pairs_at_pivot

WITHIN = {"mm": 0.005, "inch": 0.0002}
WITHIN_DEG, ANGLE_DECIMALS = 0.001, 4
DIGIT_MM = {units: UNIT_MM[units] * 10.0 ** -DECIMALS[units] for units in WITHIN}
MODULE = importlib.import_module("kinematics.teaching.diagnosis")  # the package has a function of that name
MORE = {FOLLOWED, "offset of the other solution"}
ROUTES = {"matrices": solve_by_matrices, "by hand": solve_by_trigonometry}


class Case:
    """A shop's case, or an exercise of a level, in one unit, with every mistake and pair worked out once.

    Where a direction is aimed at, a sheet asks for the angles, and they are answered; a setter answers them in every
    second case.
    """

    def __init__(self, random, units, level=None):
        self.random, self.units, self.level = random, units, level or "a shop"
        self.options = {}
        if level is None:
            self.setup, self.steps, self.placed = shop_case(random)
            if random.random() < 0.5:
                self.options["tool_length_mm"] = round(float(random.uniform(60.0, 160.0)), 3)
            if random.random() < 0.3:
                self._touch_off()
        else:
            one = set_exercise(level, int(random.integers(10**6)), 1, units)
            self.setup, self.steps, self.placed = one.setup, one.stack, one.placed
            if self.steps is None:
                self.options["stack_mm"] = Setup.from_stack(
                    one.machine, one.steps
                ).part_in_table.translation_mm
        self.mm, self.digit = UNIT_MM[units], DIGIT_MM[units]
        self.within = WITHIN[units] * self.mm
        self.options |= {"unit_mm": self.mm}
        self.diagnosis = {"tolerance_mm": self.within, "digit_mm": self.digit}
        asked = level is not None or random.random() < 0.5
        self.angles = [
            AngleAnswer(o, letter, round(float(one.program_deg[i]), ANGLE_DECIMALS))
            for o, one in enumerate(self.placed)
            for i, letter in enumerate(self.setup.machine.letters)
            if asked and one.aim is not None
        ]
        self.tables = {}
        self.worked = self.table(self.placed, offset_of_other_solution(self.setup, self.placed, self.angles))
        self.row = {made: row for row, made in enumerate(self.worked.made)}

    def _touch_off(self):
        zero = self.setup.machine.zero_deg
        shown = self.setup.part_in_machine.translation_mm + self.random.normal(0.0, 0.08, 3)
        self.options["stack_mm"] = self.setup.part_in_table.translation_mm
        touched = with_touched_zero(self.setup, compare_touch_off(self.setup, shown.round(3), zero))
        moved = [
            replace(one, offset_mm=touched.work_offset(one.origin_mm, one.machine_deg)) for one in self.placed
        ]
        self.setup, self.steps, self.placed = touched, None, tuple(moved)

    def table(self, placed, more):
        """Every mistake and pair worked out, once for what is judged by."""
        key = (tuple(tuple(one.machine_deg.tolist()) for one in placed), more)
        if key not in self.tables:
            mistakes = classic_mistakes(self.setup, self.steps, operations=placed, **self.options)
            self.tables[key] = recompute(self.setup, placed, self.steps, (*more, *mistakes))
        return self.tables[key]

    def rows_that_show(self, count):
        """Rows of so many mistakes whose numbers differ from the truth, and from either alone, beyond tolerance and rounding.

        Where the one alone is in another unit, so is the tolerance: millimetres rounded to 0.01 are right enough in inches.
        """
        made = self.worked.made
        rows = np.array([row for row, one in enumerate(made) if len(one) == count])
        alone = np.array([[0, *(self.row[(m,)] if count == 2 else 0 for m in made[row])] for row in rows])
        apart = np.abs(self.worked.offset_mm[alone] - self.worked.offset_mm[rows][:, None]).max(axis=(2, 3))
        within = self.within * np.maximum(1.0, self.worked.scale[alone])
        return rows[(apart > within + self.digit / 2.0).all(axis=1)].tolist()

    def written(self, offset_mm):
        """Numbers as they are written down."""
        return np.round(offset_mm / self.digit) * self.digit

    def diagnosed(self, offset_mm, angles=None, *, traced=True):
        """The faults of the angles, the diagnosis, and the table that it used, if any."""
        angles = self.angles if angles is None else angles
        answers = answers_of(self.written(offset_mm), 12)
        used = {}

        def remembered(_setup, placed, _steps, mistakes):
            more = tuple(one for one in mistakes if one.kind in MORE)
            own = np.array_equal(
                [one.machine_deg for one in placed], [one.machine_deg for one in self.placed]
            )
            if any(one.kind == FOLLOWED for one in more):
                table = recompute(self.setup, placed, self.steps, mistakes)
            elif own:
                table = self.worked  # its own mistakes, so that they are the same objects
            else:
                table = self.table(placed, more)
            used[tuple(map(id, placed))] = table
            return table

        trace = MODULE.trace_figures if traced else (lambda *_, **__: None)
        with (
            mock.patch.object(MODULE, "recompute", remembered),
            mock.patch.object(MODULE, "trace_figures", trace),
        ):
            found = diagnose_solutions(
                self.setup, self.placed, self.steps, answers, angles, **self.options, **self.diagnosis,
                within_deg=WITHIN_DEG,
            )  # fmt: skip
        return found.faults, found.diagnosis, used.get(tuple(map(id, found.placed)))

    def names_first(self, row):
        """True when the first finding gives the row's very numbers as written, and what was found instead.

        Where mistakes lead to the whole offset of a direction's other solution, that is right, and the rest is to be explained.
        """
        # A figure is told beside what explains everything, and takes time: it is solved for only where it may matter.
        _, found, table = self.diagnosed(self.worked.offset_mm[row], traced=False)
        if found.unexplained:
            _, found, table = self.diagnosed(self.worked.offset_mm[row])
        if not found.findings:
            return found.right, "right" if found.right else "a figure" if found.traces else "nothing"
        made = found.findings[0].made
        told = " + ".join(one.name for one in made)
        at = self.row.get(made) if table is self.worked else _place(table, made)
        # What is wholly right by another solution is no part of what is to be explained.
        other = np.abs(table.offset_mm[0] - self.worked.offset_mm[0]).max(axis=1) > self.within
        asked = ~other | found.wrong.reshape(-1, 3).any(axis=1)
        near = at is not None and self.same(table.offset_mm[at][asked], self.worked.offset_mm[row][asked])
        return near, told

    def same(self, offset_mm, other_mm):
        """True when numbers are within half a digit, or written down the same."""
        written = np.abs(self.written(offset_mm) - self.written(other_mm)).max() < self.digit / 2.0
        return bool(written or np.abs(offset_mm - other_mm).max() <= self.digit / 2.0)

    def name(self, mistake):
        """A mistake's name for all cases alike: the tilting rotary, the turning one, a step."""
        steps = [step.name for step in self.steps or ()]
        letters = self.setup.machine.letters
        if any(step and step in mistake.item for step in steps):
            return f"{mistake.kind}, a step"
        if mistake.kind == "operations exchanged":
            return mistake.kind
        item = re.sub(r"\b[ABC]\b", lambda m: "tilt" if m[0] == letters[0] else "turn", mistake.item)
        return f"{mistake.kind}, {item}" if item else mistake.kind


def _place(table, made):
    """The row of a table that some mistakes made together have; None where it has none."""
    return table.made.index(made) if made in table.made else None


class Tally:
    """Cases tried and those that came out as they should, by name, and what came out instead."""

    def __init__(self):
        self.tried, self.good, self.instead = Counter(), Counter(), Counter()

    def count(self, name, good, told=""):
        """One case."""
        self.tried[name] += 1
        self.good[name] += bool(good)
        if not good:
            self.instead[name, told] += 1

    def show(self):
        """Every name with its counts, the worst first; what came out instead, below."""
        say(f"in all: {self.good.total()} of {self.tried.total()}")
        for name in sorted(self.tried, key=lambda name: (self.good[name] / self.tried[name], name)):
            good, tried = self.good[name], self.tried[name]
            say(f"{100.0 * good / tried:6.1f}  {good:5} of {tried:5}  {name}")
            for (of, told), times in self.instead.most_common():
                if of == name:
                    say(f"          {times:4} called {told}")


def cases(seed, seconds):
    """Cases in both units, of a shop and of every level of a lesson in turn, for so much of the processor's time."""
    random, end = np.random.default_rng(seed), time.process_time() + seconds
    k = 0
    while time.process_time() < end:
        kind = k // 2 % (1 + len(LEVELS))
        yield Case(random, ("mm", "inch")[k % 2], None if kind == 0 else LEVELS[kind - 1]), random
        k += 1


ENOUGH_SINGLES, ENOUGH_PAIRS = 300, 60
"""Cases of a name after which the rarer ones get the time, where no names are given."""


def singles(seconds, seed, *names):
    """Mistakes named first, by name; those tried least are tried next. Only those whose name starts so, where some are."""
    tally = Tally()
    for case, random in cases(seed, seconds):
        called = {row: case.name(case.worked.made[row][0]) for row in case.rows_that_show(1)}
        _first(tally, case, called, random, names, ENOUGH_SINGLES, 16)
    tally.show()


def pairs(seconds, seed, *names):
    """Pairs named first, by the two kinds; those tried least are tried next."""
    tally = Tally()
    for case, random in cases(seed, seconds):
        called = {
            row: " + ".join(sorted(one.kind for one in case.worked.made[row]))
            for row in case.rows_that_show(2)
        }
        _first(tally, case, called, random, names, ENOUGH_PAIRS, 120)
    tally.show()


def _first(tally, case, called, random, names, enough, most):
    """Try some rows of a case, those least tried by name first; no name more often than is enough, or than twice in a case."""
    rows, here = [], Counter()
    for row in random.permutation(list(called)).tolist():
        name = called[row]
        here[name] += 1
        wanted = not names or any(one in name for one in names)
        if wanted and here[name] <= 2 and (names or tally.tried[name] < enough):
            rows.append(row)
    for row in sorted(rows, key=lambda row: tally.tried[called[row]])[:most]:
        first, told = case.names_first(row)
        tally.count(called[row], first, f"{told} ({case.level}, {case.units})")


def random_numbers(seconds, seed):
    """Random wrong numbers, off by up to a size drawn evenly in its logarithm, left without any explanation."""
    tally = Tally()
    for case, random in cases(seed, seconds):
        for _ in range(4):
            off = 10.0 ** random.uniform(-1.9, 2.0)
            shape = case.worked.offset_mm[0].shape
            wrong = case.worked.offset_mm[0].copy()
            one = random.random() < 0.25
            if one:
                wrong[random.integers(shape[0]), random.integers(3)] += random.uniform(-off, off)
            else:
                wrong += random.uniform(-off, off, shape)
            _, found, _ = case.diagnosed(wrong)
            if not found.right:
                told = [" + ".join(m.kind for m in one.made) for one in found.findings]
                told += [f"figure: {trace.names[0]}" for trace in found.traces]
                where = f"{case.level}, {'one number' if one else 'every number'}"
                tally.count(where, not told, " and ".join(told))
    tally.show()


def wrong_angles(right, offset, limited, random):
    """Answers for an angle, by the mistake, each worked out here; "nothing" is off at random."""
    size, sign = abs(right), 1.0 if right >= 0.0 else -1.0
    whole = int(size)
    found = {
        "nothing": right + float(random.choice([-1.0, 1.0])) * 10.0 ** random.uniform(-2.0, 1.9),
        "its sign is reversed": -right,
        "a quarter turn off": right + float(random.choice([-90.0, 90.0])),
        "half a turn off": right + float(random.choice([-180.0, 180.0])),
        "complement": float(random.choice([90.0 - right, sign * (90.0 - size)])),
        "in radians": float(np.radians(right)),
        "minutes stand where decimals": sign * (whole + round((size - whole) * 60.0) / 100.0),
        **{f"rounded to {text}": round(right, d) for d, text in enumerate(("whole degrees", "0.1", "0.01"))},
        **{
            f"cut off at {text}": sign * int(size * 10.0**d) / 10.0**d
            for d, text in enumerate(("whole degrees", "0.1", "0.01"))
        },
    }
    if offset:
        found |= {"the machine angle": right + offset, "taken off twice": right - offset}
    if limited:
        found["a whole turn off"] = right + 360.0
    return {why: round(value, ANGLE_DECIMALS) for why, value in found.items()}


def angles(seconds, seed, *names):
    """Wrong angles told by their reason, the offset that follows from them, alone and with another mistake; random ones."""
    tally = Tally()
    for case, random in cases(seed, seconds):
        for given in random.permutation(len(case.angles)).tolist()[:2]:
            i = case.setup.machine.index(case.angles[given].letter)
            exact = float(case.placed[case.angles[given].operation].program_deg[i])
            limited = case.setup.machine.rotaries[i].limits_deg is not None
            wrong = wrong_angles(exact, float(case.setup.rotary_offset_deg[i]), limited, random)
            for why in wrong:
                if not names or why.startswith(names):
                    _wrong_angle(tally, case, given, wrong, why)
    tally.show()


def _wrong_angle(tally, case, given, wrong, why):
    """One angle answered wrongly, and the numbers that follow from it."""
    right = case.angles[given]
    i, rotary = (
        case.setup.machine.index(right.letter),
        case.setup.machine.rotaries[case.setup.machine.index(right.letter)],
    )
    stated = list(case.angles)
    stated[given] = AngleAnswer(right.operation, right.letter, wrong[why])
    turned = np.array([one.machine_deg for one in case.placed])
    turned[right.operation, i] += wrong[why] - float(case.placed[right.operation].program_deg[i])
    offset = np.array(
        [case.setup.work_offset(o.origin_mm, q) for o, q in zip(case.placed, turned, strict=True)]
    )
    faults, found, _ = case.diagnosed(offset, stated)
    if not faults:
        return  # right within the tolerance, or another solution's
    told = faults[0].why or "nothing"
    # A value that several mistakes give is told rightly by any of them.
    alike = [n for n, v in wrong.items() if abs(angle_error_deg(rotary, v, wrong[why])) <= WITHIN_DEG]
    # A complement of 0 or 180 degrees is a quarter turn off, to whichever side the other one was drawn.
    turn = (wrong[why] - float(case.placed[right.operation].program_deg[i])) % 180.0
    alike += ["a quarter turn off"] if abs(turn - 90.0) <= WITHIN_DEG else []
    if faults[0].answer.letter != right.letter:
        alike = ["belongs to the other solution"]  # the answered angle is the other's, the rest is not
    tally.count(f"angle: {why}", any(one in told for one in alike), told)
    if why == "nothing" or found.right:
        return
    first = [one.kind for one in found.findings[0].made] if found.findings else []
    tally.count(f"followed from: {why}", first == [FOLLOWED], " + ".join(first) or "nothing")
    if why in ("its sign is reversed", "rounded to 0.1"):
        _with_another(tally, case, turned, offset, stated)


def _with_another(tally, case, turned, offset, stated):
    """The numbers that follow from a wrong angle, with one more mistake on top of it."""
    placed = tuple(
        replace(one, machine_deg=q, program_deg=case.setup.program_deg(q), offset_mm=off)
        for one, q, off in zip(case.placed, turned, offset, strict=True)
    )
    mistakes = classic_mistakes(case.setup, case.steps, operations=placed, **case.options)
    moved = recompute(case.setup, placed, case.steps, mistakes, pairs=False).offset_mm[1:]
    right = classic_mistakes(case.setup, case.steps, operations=case.placed, **case.options)
    alone = recompute(case.setup, case.placed, case.steps, right, pairs=False).offset_mm[1:]
    for k in case.random.permutation(len(mistakes)).tolist()[:4]:
        apart = min(np.abs(moved[k] - other).max() for other in (offset, alone[k]))
        if mistakes[k].kind == "an angle's sign" or apart <= case.within + case.digit:
            continue
        _, found, table = case.diagnosed(moved[k], stated)
        made = found.findings[0].made if found.findings else ()
        near = made in table.made and case.same(table.offset_mm[table.made.index(made)], moved[k])
        told = " + ".join(one.kind for one in made) or "nothing"
        tally.count("followed from a wrong angle + another", near, f"{mistakes[k].kind} -> {told}")


def pivots(seconds, seed):
    """Mistakes at a pivot named first, pairs of them, and random numbers left without an explanation."""
    tally = Tally()
    random, end, sheet = np.random.default_rng(seed), time.process_time() + seconds, 0
    while time.process_time() < end:
        sheet += 1
        exercise = set_pivot_exercise(seed, sheet, ("mm", "inch")[sheet % 2])
        support = attainable(exercise)
        for i in (0, 1):
            _at_pivot(tally, exercise, support, i, random)
    tally.show()


def _at_pivot(tally, exercise, support, i, random):
    one, allowed, half = exercise.probings[i], support.allowed_mm[i], exercise.digit_mm / 2.0
    rows, both = mistakes_at_pivot(exercise, support, i), pairs_at_pivot(exercise, support, i)

    def diagnosed(value):
        given = np.rint(value / exercise.digit_mm) * exercise.digit_mm
        answers = [PivotAnswer(i, axis, float(v)) for axis, v in zip(one.axes, given, strict=True)]
        with (
            mock.patch.object(pivot_diagnosis, "mistakes_at_pivot", return_value=rows),
            mock.patch.object(pivot_diagnosis, "pairs_at_pivot", return_value=both),
        ):
            return diagnose_pivots(exercise, support, answers)

    for table, what, known in (
        (rows, "", [one.true_mm]),
        (both, "two: ", [one.true_mm, *(row.value for row in rows)]),
    ):
        picked = {table[k].made.kind: table[k] for k in random.permutation(len(table)).tolist()}
        for row in picked.values():
            if any((np.abs(row.value - other) <= allowed + half).all() for other in known):
                continue
            judged = diagnosed(row.value)
            # Two mistakes, one in each coordinate, are named one each.
            good = (
                bool(judged.findings) and not judged.unexplained and (bool(what) or len(judged.findings) == 1)
            )
            # Another hand solution with the same mistake gives nearly the same numbers.
            exact = all(found.left <= half + 1e-9 for found in judged.findings)
            good = good and (exact or judged.findings[0].made == row.made)
            told = " & ".join(found.made.kind for found in judged.findings) or "nothing"
            tally.count(what + row.made.kind, good, f"{told} ({one.method}, {exercise.units})")
    for where, off in product(("both", "one"), (50.0, 10.0 ** random.uniform(-1.9, 2.0))):
        wrong = random.uniform(-off, off, 2)
        if where == "one":
            wrong[random.integers(2)] = 0.0
        judged = diagnosed(one.true_mm + wrong)
        if not judged.right:
            told = " & ".join(found.made.kind for found in judged.findings)
            tally.count(f"random, {where}", not judged.findings, told)


def right_answers(count, seed, *levels):
    """Right answers called wrong, of so many sheets in both units by both routes, rounded as they are written.

    A level may be followed by a colon and a unit: "one tilt:inch".
    """
    for level, units in product((*LEVELS, PIVOT_LEVEL), WITHIN):
        if levels and level not in levels and f"{level}:{units}" not in levels:
            continue
        tried, wrong = Counter(), Counter()
        for sheet in range(1, int(count) + 1):
            judged = _right_pivots if level == PIVOT_LEVEL else _right_offsets
            for route, right in judged(level, seed, sheet, units):
                tried[route] += 1
                wrong[route] += not right
        said = ", ".join(f"{wrong[route]} of {tried[route]} {route}" for route in tried)
        say(f"{level}, {units}: called wrong {said}")


def _right_offsets(level, seed, sheet, units):
    """Each route of working a sheet, to each solution, and whether it is judged right."""
    one = set_exercise(level, seed, sheet, units)
    solutions = [all_solutions(one.setup, placed) for placed in one.placed]
    digit, within = DIGIT_MM[units], WITHIN[units] * UNIT_MM[units]
    for other in range(max(map(len, solutions))):
        chosen = [found[min(other, len(found) - 1)] for found in solutions]
        angles = [
            AngleAnswer(o, letter, round(float(a), ANGLE_DECIMALS))
            for o, placed in enumerate(chosen)
            for letter, a in zip(one.machine.letters, placed.program_deg, strict=True)
            if one.normals is not None
        ]
        for name, work in ROUTES.items():
            answers = []
            for o, placed in enumerate(chosen):
                written = np.round(work(one.setup, placed, one.stack).offset_mm / digit)
                answers += [Answer(o, axis, float(v)) for axis, v in zip("XYZ", written * digit, strict=True)]
            # Whoever leaves the angles out is judged by the solution that the numbers fit.
            for given in (angles, []) if angles and work is solve_by_trigonometry else (angles,):
                found = diagnose_solutions(
                    one.setup, one.placed, one.stack, answers, given,
                    within_deg=WITHIN_DEG, tolerance_mm=within, digit_mm=digit, unit_mm=UNIT_MM[units],
                )  # fmt: skip
                yield (
                    f"{name}{', other solution' * other}{', no angles' * (bool(angles) and not given)}",
                    found.diagnosis.right and not found.faults,
                )


def _right_pivots(level, seed, sheet, units):
    del level
    exercise = set_pivot_exercise(seed, sheet, units)
    support = attainable(exercise, least_mm=WITHIN[units] * UNIT_MM[units])
    for i, one in enumerate(exercise.probings):
        for name, value in (*one.by_hand().items(), ("by least squares", support.best_mm[i])):
            written = np.rint(value / exercise.digit_mm) * exercise.digit_mm
            answers = [PivotAnswer(i, axis, float(v)) for axis, v in zip(one.axes, written, strict=True)]
            yield name, diagnose_pivots(exercise, support, answers).right


def say(text):
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    run = {
        "singles": singles,
        "pairs": pairs,
        "random": random_numbers,
        "angles": angles,
        "pivots": pivots,
        "right": right_answers,
    }
    run[sys.argv[1]](float(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 77, *sys.argv[4:])
