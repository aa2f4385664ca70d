"""Counts of the charts' alarms, and how soon they see a drift, over many simulated batches.

Run by hand, from the repository's top::

    python tests/kinematics/batch/alarms.py 2000

Average run lengths stand beside those of the tables (see test_control_chart.py); drifts beside the scatter that they hide in.
"""

import argparse
import sys

import numpy as np

from kinematics.batch import (
    Baseline,
    ChartRule,
    ChartState,
    baseline_of,
    continue_chart,
    control_chart,
    drift_detection,
    find_change,
)

TABLES = (
    (ChartRule.BEYOND_LIMIT, 0.0, 370.4),
    (ChartRule.EWMA, 0.0, 500.0),
    (ChartRule.CUSUM, 0.0, 465.0),
    (ChartRule.CUSUM, 0.5, 38.0),
    (ChartRule.CUSUM, 1.0, 10.4),
    (ChartRule.CUSUM, 2.0, 4.0),
)
DECIDING = {ChartRule.BEYOND_LIMIT, ChartRule.EWMA, ChartRule.CUSUM}


def run_length(random, rule, shift):
    state = ChartState()
    while True:
        chart = continue_chart(state, shift + random.normal(size=512), Baseline(0.0, 1.0))
        hits = [one.index for one in chart.signals if one.rule is rule]
        if hits:
            return hits[0] + 1
        state = chart.state


def first_alarm(values, baseline, rules):
    return next((one.index for one in control_chart(values, baseline).signals if one.rule in rules), None)


def say(words):
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def run_lengths(random, runs):
    fits = True
    for rule, shift, published in TABLES:
        lengths = np.array([run_length(random, rule, shift) for _ in range(runs)], dtype=float)
        error = lengths.std() / np.sqrt(runs)
        fits &= abs(lengths.mean() / published - 1.0) <= 0.1
        say(f"{rule.name}, shift {shift:g} sigma: {lengths.mean():.1f} +- {error:.1f}, tables {published:g}")
    return fits


def drifts(random, runs):
    """Half a tolerance of 0.02 over 100 parts; scatter as a share of the tolerance, limits from the first 20 parts."""
    fits = True
    for share in (0.05, 0.1, 0.15, 0.2, 0.25):
        sigma, seen, at = 0.02 * share, 0, []
        for _ in range(runs):
            values = random.normal(scale=sigma, size=100) + 0.01 * np.arange(100) / 100.0
            first = first_alarm(values, baseline_of(values[:20]), DECIDING)
            seen += first is not None and first + 1 < 60
            at.append(100 if first is None else first + 1)
        say(
            f"drift, scatter {share:g} of the tolerance: seen before part 60 in {seen} of {runs}, median part {np.median(at):.0f}"
        )
        told = drift_detection(0.01 / 100.0, sigma, 60, center_from=20, sigma_from=20)
        known = drift_detection(0.01 / 100.0, sigma, 60, center_from=0, sigma_from=0)
        say(f"    as the library says: {told.seen:.4f}, and {known.seen:.4f} with centre and sigma stated")
        fits &= abs(seen / runs - told.seen) < 4.0 * np.sqrt(0.25 / runs + 0.25 / 2000)
        fits &= share > 0.15 or seen >= 0.95 * runs
    limits = [
        drift_detection(0.5 / 100.0, 1.0, 60, center_from=n, sigma_from=n).largest_sigma for n in (20, 0)
    ]
    say(
        f"largest scatter for 95 %: {limits[0]:.3f} of the tolerance, {limits[1]:.3f} with centre and sigma stated"
    )
    return fits


def false_alarms(random, runs):
    stated, estimated, changed = 0, 0, 0
    for _ in range(runs):
        values = random.normal(size=100)
        stated += first_alarm(values, Baseline(0.0, 1.0), DECIDING) is not None
        estimated += first_alarm(values, baseline_of(values[:20]), DECIDING) is not None
        changed += find_change(values).significant
    say(
        f"in control, 100 parts: alarmed with centre and sigma stated {stated} of {runs}, from the first 20 parts {estimated}"
    )
    say(f"in control, 100 parts: called a jump or a drift {changed} of {runs}, 0.0027 promised")
    return changed <= 0.0027 * runs + 4.0 * np.sqrt(0.0027 * runs)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("runs", type=int, nargs="?", default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    random = np.random.default_rng(options.seed)
    held = [part(random, options.runs) for part in (run_lengths, drifts, false_alarms)]
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
