"""The long run of what the tests of the diagnosis hold in a slice: `python counts.py ANSWERS SECONDS`, by hand."""

import sys
import time

import numpy as np
from cases import answers_of, shop_case

from kinematics.teaching import LEVELS, classic_mistakes, diagnose, recompute, set_exercise
from kinematics.teaching.exercises import DECIMALS, UNIT_MM

WITHIN = {"mm": 0.005, "inch": 0.0002}


def right_answers(count):
    """Right answers called wrong, of `count` at every level in both units, rounded as they are written."""
    wrong = tried = 0
    for level in LEVELS:
        for units in ("mm", "inch"):
            for sheet in range(1, count // 8 + 1):
                one = set_exercise(level, 11, sheet, units)
                digit = UNIT_MM[units] * 10.0 ** -DECIMALS[units]
                written = np.round(np.array([p.offset_mm for p in one.placed]) / digit) * digit
                found = diagnose(
                    one.setup, one.placed, one.steps, answers_of(written, 12),
                    tolerance_mm=WITHIN[units] * UNIT_MM[units], digit_mm=digit, unit_mm=UNIT_MM[units],
                )  # fmt: skip
                wrong += not found.right
                tried += 1
    return wrong, tried


def mistakes(seconds):
    """Mistakes and pairs named first, and random numbers left unexplained, in shop cases for so long."""
    random, end = np.random.default_rng(77), time.monotonic() + seconds
    named = {1: [0, 0], 2: [0, 0]}
    quiet = [0, 0]
    while time.monotonic() < end:
        setup, steps, placed = shop_case(random)
        worked = recompute(setup, placed, steps, classic_mistakes(setup, steps, operations=placed))
        size = np.array([len(made) for made in worked.made])
        for many in (1, 2):
            for row in random.permutation(np.flatnonzero(size == many))[:3].tolist():
                alone = [0, *(worked.made.index((m,)) for m in worked.made[row])] if many == 2 else [0]
                if min(np.abs(worked.offset_mm[row] - worked.offset_mm[a]).max() for a in alone) <= 0.0055:
                    continue
                found = diagnose(setup, placed, steps, answers_of(worked.offset_mm[row]), tolerance_mm=0.005)
                named[many][1] += 1
                if found.findings:
                    first = worked.made.index(found.findings[0].made)
                    named[many][0] += bool(
                        np.abs(worked.offset_mm[first] - worked.offset_mm[row]).max() <= 1e-9
                    )
        off = 10.0 ** random.uniform(-1.9, 2.0)
        wrong = worked.offset_mm[0] + random.uniform(-off, off, worked.offset_mm[0].shape)
        found = diagnose(setup, placed, steps, answers_of(wrong), tolerance_mm=0.005)
        if not found.right:
            quiet[1] += 1
            quiet[0] += not found.findings and not found.traces
    return named, quiet


if __name__ == "__main__":
    called, of = right_answers(int(sys.argv[1]))
    sys.stdout.write(f"right answers called wrong: {called} of {of}\n")
    counts, left = mistakes(float(sys.argv[2]))
    sys.stdout.write(
        f"single mistakes first: {counts[1][0]} of {counts[1][1]}; pairs: {counts[2][0]} of {counts[2][1]}\n"
    )
    sys.stdout.write(f"random numbers unexplained: {left[0]} of {left[1]}\n")
