"""The long run of what the tests of the diagnosis hold in a slice, by hand: `python counts.py WHAT SECONDS [SEED] [KIND]...`.

WHAT is one of singles (of these kinds, or all), pairs, random (for so many seconds) or right (so many answers at every
level).
"""

import importlib
import sys
import time
from collections import Counter

import numpy as np
from cases import answers_of, shop_case

from kinematics.teaching import (
    LEVELS,
    Answer,
    classic_mistakes,
    diagnose,
    recompute,
    set_exercise,
    solve_by_matrices,
    solve_by_trigonometry,
)
from kinematics.teaching.exercises import DECIMALS, UNIT_MM

WITHIN = {"mm": 0.005, "inch": 0.0002}
DIGIT_MM = {units: UNIT_MM[units] * 10.0 ** -DECIMALS[units] for units in WITHIN}
MODULE = importlib.import_module("kinematics.teaching.diagnosis")  # the package has a function of that name
ROUTES = {"matrices": solve_by_matrices, "by hand": solve_by_trigonometry}


class Case:
    """A shop's case, or an exercise of a level, in one unit, with every mistake and pair worked out once."""

    def __init__(self, random, units, level=None):
        if level is None:
            self.setup, self.steps, self.placed = shop_case(random)
        else:
            one = set_exercise(level, int(random.integers(10**6)), 1, units)
            self.setup, self.steps, self.placed = one.setup, one.stack, one.placed
        self.mm, self.digit = UNIT_MM[units], DIGIT_MM[units]
        self.within = WITHIN[units] * self.mm
        mistakes = classic_mistakes(self.setup, self.steps, unit_mm=self.mm, operations=self.placed)
        self.worked = recompute(self.setup, self.placed, self.steps, mistakes)
        self.row = {made: row for row, made in enumerate(self.worked.made)}

    def shows(self, row):
        """True when a row's numbers differ from the truth, and from either mistake alone, beyond tolerance and rounding."""
        made = self.worked.made[row]
        alone = [0, *(self.row[(one,)] for one in made)] if len(made) == 2 else [0]
        least = min(np.abs(self.worked.offset_mm[row] - self.worked.offset_mm[a]).max() for a in alone)
        return least > self.within + self.digit / 2.0

    def diagnosed(self, offset_mm):
        MODULE.recompute = lambda *_, **__: self.worked
        written = np.round(offset_mm / self.digit) * self.digit
        try:
            return diagnose(
                self.setup, self.placed, self.steps, answers_of(written, 12),
                tolerance_mm=self.within, digit_mm=self.digit, unit_mm=self.mm,
            )  # fmt: skip
        finally:
            MODULE.recompute = recompute

    def names_first(self, row):
        """True when the first finding gives the row's very numbers as written, and what was found instead."""
        found = self.diagnosed(self.worked.offset_mm[row])
        if not found.findings:
            return False, "nothing"
        first = self.row[found.findings[0].made]
        told = " + ".join(one.kind for one in found.findings[0].made)
        return bool(
            np.abs(self.worked.offset_mm[first] - self.worked.offset_mm[row]).max() <= self.digit / 2.0
        ), told


def cases(seed, seconds):
    """Cases in both units, of a shop and of every level of a lesson in turn, for so long."""
    random, end = np.random.default_rng(seed), time.monotonic() + seconds
    k = 0
    while time.monotonic() < end:
        kind = k // 2 % (1 + len(LEVELS))
        yield Case(random, ("mm", "inch")[k % 2], None if kind == 0 else LEVELS[kind - 1]), random
        k += 1


def singles(seconds, seed, *kinds):
    """Mistakes named first, by kind; those tried least are tried next. Only these kinds, where some are named."""
    tried, named, instead = Counter(), Counter(), Counter()
    for case, random in cases(seed, seconds):
        rows = [row for row, made in enumerate(case.worked.made) if len(made) == 1]
        order = random.permutation(len(rows))
        rows = sorted((rows[k] for k in order), key=lambda row: tried[case.worked.made[row][0].kind])
        if kinds:
            rows = [row for row in rows if case.worked.made[row][0].kind in kinds]
        for row in [row for row in rows if case.shows(row)][:12]:
            kind = case.worked.made[row][0].kind
            tried[kind] += 1
            first, told = case.names_first(row)
            named[kind] += first
            if not first:
                instead[kind, told] += 1
    table(tried, named, instead)


def pairs(seconds, seed):
    """Pairs named first, by the kinds in them."""
    tried, named, instead, total = Counter(), Counter(), Counter(), Counter()
    for case, random in cases(seed, seconds):
        rows = random.permutation([row for row, made in enumerate(case.worked.made) if len(made) == 2])
        for row in [row for row in rows.tolist()[:40] if case.shows(row)][:12]:
            first, told = case.names_first(row)
            total[first] += 1
            for one in case.worked.made[row]:
                tried[one.kind] += 1
                named[one.kind] += first
                if not first:
                    instead[one.kind, " + ".join(m.kind for m in case.worked.made[row]) + " -> " + told] += 1
    say(f"pairs: {total[True]} of {total.total()} first")
    table(tried, named, instead)


def random_numbers(seconds, seed):
    """Random wrong numbers, off by up to a size drawn evenly in its logarithm, left without any explanation."""
    count = Counter()
    for case, random in cases(seed, seconds):
        for _ in range(4):
            off = 10.0 ** random.uniform(-1.9, 2.0)
            shape = case.worked.offset_mm[0].shape
            wrong = case.worked.offset_mm[0].copy()
            if random.random() < 0.25:
                wrong[random.integers(shape[0]), random.integers(3)] += random.uniform(-off, off)
            else:
                wrong += random.uniform(-off, off, shape)
            found = case.diagnosed(wrong)
            if found.right:
                continue
            count["tried"] += 1
            count["quiet"] += not found.findings and not found.traces
            count["listed"] += bool(found.findings)
            count["traced"] += bool(found.traces)
    say(
        f"random numbers: {count['quiet']} of {count['tried']} unexplained; "
        f"{count['listed']} by the list, {count['traced']} by a figure"
    )


def right_answers(count, seed):
    """Right answers called wrong, of `count` at every level in both units by both routes, rounded as they are written."""
    for level in LEVELS:
        for units, within in WITHIN.items():
            wrong = Counter()
            for sheet in range(1, int(count) + 1):
                one = set_exercise(level, seed, sheet, units)
                for name, work in ROUTES.items():
                    answers = []
                    for o, placed in enumerate(one.placed):
                        written = np.round(work(one.setup, placed, one.stack).offset_mm / DIGIT_MM[units])
                        answers += [
                            Answer(o, axis, float(v))
                            for axis, v in zip("XYZ", written * DIGIT_MM[units], strict=True)
                        ]
                    found = diagnose(
                        one.setup, one.placed, one.stack, answers,
                        tolerance_mm=within * UNIT_MM[units], digit_mm=DIGIT_MM[units], unit_mm=UNIT_MM[units],
                    )  # fmt: skip
                    wrong[name] += not found.right
            say(f"{level}, {units}: {dict(wrong)} of {int(count)} right answers called wrong")


def say(text):
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def table(tried, named, instead):
    """Every kind with its counts, the worst first; what was told instead, below."""
    say(f"in all: {named.total()} of {tried.total()} first")
    for kind in sorted(tried, key=lambda kind: named[kind] / tried[kind]):
        say(f"{100.0 * named[kind] / tried[kind]:6.1f}  {named[kind]:5} of {tried[kind]:5}  {kind}")
        if named[kind] < 0.99 * tried[kind]:
            for (of, told), times in instead.most_common():
                if of == kind and times > 1:
                    say(f"          {times:4} called {told}")


if __name__ == "__main__":
    run = {"singles": singles, "pairs": pairs, "random": random_numbers, "right": right_answers}
    run[sys.argv[1]](float(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 77, *sys.argv[4:])
