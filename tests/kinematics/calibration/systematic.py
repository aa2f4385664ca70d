"""Simulated calibrations of machines whose own angles are off, or that drift: what is named, and what intervals hold.

By hand, 2,000 calibrations of each kind, or of those named::

    python tests/kinematics/calibration/systematic.py 2000 "once 10"

A smaller sample is a test (test_systematic_errors.py).
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from kinematics.calibration import (
    find_blunders,
    fit_pivots,
    relative_line_parameters,
    simulated_readings,
)
from kinematics.calibration.systematic_terms import angle_functions

ARCSEC = np.radians(1.0 / 3600.0)
SIGMA_MM = 0.0025
DENSE = {"once 10"}
"""Errors read with four balls at 60 poses instead of two at 20, which tell so little one: else hardly a case counts."""
ERRORS = {
    "none": (None, 0.0),
    "once 10": ("once", 10.0),
    "once 20": ("once", 20.0),
    "once 40": ("once", 40.0),
    "twice 20": ("twice", 20.0),
    "scale 1e-4": ("scale", 1e-4),
    "scale 3e-4": ("scale", 3e-4),
    "scale 1e-3": ("scale", 1e-3),
}
COMPONENT = {"once": "once a turn", "twice": "twice a turn", "scale": "by a factor"}


def coefficients(rng, kind, size):
    """Coefficients (5,) of an error of that size (arc seconds, or the factor's difference from 1), at any phase."""
    found = np.zeros(5)
    if kind == "scale":
        found[4] = size * rng.choice([-1.0, 1.0])
    elif kind:
        first, phase = (0 if kind == "once" else 2), rng.uniform(0.0, 2.0 * np.pi)
        found[first : first + 2] = size * ARCSEC * np.array([np.cos(phase), np.sin(phase)])
    return found


def read(truth, targets, poses_deg, seed, *, sigma_mm=SIGMA_MM, rotary=0, error=None, drift_mm=None):
    """Readings at commanded angles on a machine that turns to others, drifting in their order."""
    commanded = np.array(poses_deg, dtype=np.float64)
    actual = commanded.copy()
    if error is not None:
        actual[:, rotary] += np.degrees(angle_functions(commanded[:, rotary]) @ error)
    readings = simulated_readings(truth, targets, actual, sigma_mm, seed)
    points = np.array(readings.points_mm)
    if drift_mm is not None:
        points = points + np.linspace(0.0, 1.0, len(points))[:, None] * drift_mm
    each = len(readings) // len(commanded)
    return replace(readings, angles_deg=np.repeat(commanded, each, axis=0), points_mm=points)


def in_order(rng, count=20):
    """Poses as a setter takes them: every tilt in turn, the table round at each."""
    if count > 20:
        turns = np.arange(0.0, 360.0, 5 * 360.0 / count)
        return np.stack([np.repeat([-90.0, -60.0, -30.0, 0.0, 30.0], len(turns)), np.tile(turns, 5)], axis=-1)
    turn = (
        np.tile([0.0, 90.0, 180.0, 270.0], 5) + np.repeat(rng.choice(np.arange(0.0, 90.0, 15.0), 5), 4)
    ) % 360.0
    tilt = np.repeat([-90.0, -60.0, -30.0, 0.0, 30.0], 4)
    return np.stack([tilt, turn], axis=-1)[:count]


@dataclass(frozen=True, eq=False)
class Calibration:
    """One simulated calibration."""

    nominal: object
    truth: object
    readings: object
    letter: str
    span_deg: float
    error: object


def calibration(shop, seed, name, ordered=None):
    """A random machine with that error of its tilt or its table, read at random poses or in order (None: half each)."""
    rng = np.random.default_rng(seed)
    nominal = shop.random_machine(rng)
    truth = shop.moved_machine(nominal, rng, 0.03, 0.01)
    balls, count = (4, 60) if name in DENSE else (2, 20)
    targets = shop.balls(nominal, rng, balls)
    if ordered is None:
        ordered = seed % 4 >= 2
    poses = in_order(rng, count) if ordered else shop.random_poses(nominal, rng, count)
    rotary = seed % 2
    kind, size = ERRORS[name]
    error = coefficients(rng, kind, size)
    readings = read(truth, targets, poses, seed + 7, rotary=rotary, error=error)
    return Calibration(
        nominal, truth, readings, nominal.letters[rotary], float(np.ptp(poses[:, rotary])), error
    )


def covered(fit, truth):
    """Mask of the lines' parameters that have the truth in their intervals."""
    off = np.abs(fit.parameters - relative_line_parameters(fit.machine, truth))
    u = np.sqrt(np.diag(fit.covariance))
    return (off <= fit.coverage_factor * u)[u > 0.0]


def shows(fit, one, name):
    """True where the poses show an error of that size by the fit's own statement."""
    kind, size = ERRORS[name]
    if kind is None:
        return True
    arcsec = size * one.span_deg * 3600.0 if kind == "scale" else size
    return any(
        test.letter == one.letter
        and test.component == COMPONENT[kind]
        and test.detectable_arcsec is not None
        and test.detectable_arcsec <= arcsec
        for test in fit.angle_errors
    )


def run(shop, name, count, first=0, ordered=None):
    """Counts over so many calibrations, and the coverage (where the poses tell the error) of what is stated."""
    found = Counter()
    inside, plain = [], []
    for seed in range(first, first + count):
        one = calibration(shop, seed, name, ordered)
        fit = fit_pivots(one.readings, one.nominal)
        letters = sorted({test.letter for test in fit.angle_errors if test.significant})
        told = shows(fit, one, name)
        found["shows"] += told
        found["named"] += letters == [one.letter]
        found["named where it shows"] += told and one.letter in letters
        found["another named"] += bool(set(letters) - {one.letter}) or any(d.significant for d in fit.drifts)
        found["any alarm"] += bool(letters) or any(d.significant for d in fit.drifts)
        found["sudden change named"] += any(
            blunder.kind in {"zero moved", "target slipped"}
            for blunder in find_blunders(one.readings, one.nominal)
        )
        stated = fit_pivots(one.readings, one.nominal, angle_errors=letters) if letters else fit
        plain.append(covered(fit, one.truth).mean())
        if told:
            inside.append(covered(stated, one.truth).mean())
    return found, float(np.mean(inside)) if inside else float("nan"), float(np.mean(plain))


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parent))
    import conftest

    for which in sys.argv[2:] or ERRORS:
        for in_turn in (False, True):
            counts, coverage, without = run(conftest, which, int(sys.argv[1]), ordered=in_turn)
            report = f"{which}, {'in order' if in_turn else 'random poses'}: {dict(counts)}"
            report += f" covered where it shows {coverage:.4f}, unadjusted {without:.4f}"
            print(report, flush=True)  # noqa: T201 - its result
