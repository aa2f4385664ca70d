"""Budgets: a million trials of eight operations against a million offsets, a general library, and a thousand features.

Run by hand, from the repository's top::

    python -m tests.benchmarks.bench_budget

What is compared runs in turns, so that what else the computer does falls on both; the fastest of each counts.
"""

import argparse
import subprocess
import sys
import time
import tracemalloc

import numpy as np

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep
from kinematics.uncertainty import (
    Feature,
    ModelOperation,
    SetupModel,
    Spread,
    StackNode,
    UncertaintySource,
    monte_carlo,
    offset_trials,
    part_budget,
    part_model,
)

ALLOWED = {"offsets": 15.0, "library": 20.0, "features": 5.0}


def line(text):
    sys.stdout.write(f"{text}\n")


def model(operations=8):
    mill = Machine(
        "mill",
        (
            RotaryAxis(
                "A", [-381.0, -203.412, -406.118], [1.0, 2e-4, -1e-4], RotationSense.CLOCKWISE, (-120.0, 30.0)
            ),
            RotaryAxis(
                "C", [-381.025, -203.405, -356.112], [1e-4, -2e-4, 1.0], RotationSense.CLOCKWISE, None
            ),
        ),
        Platter(face_mm=-356.112),
    )
    stack = tuple(
        StackNode(name, StackStep(name, up_mm=up))
        for name, up in (("plate", 20.0), ("post", 95.0), ("blank", 62.0))
    )
    placed = tuple(
        ModelOperation(f"port {k}", [-10.0 * k, 45.0 * k], [5.0, -2.0 * k, -6.0]) for k in range(operations)
    )
    return SetupModel(mill, {None: stack}, placed)


def sources(one):
    """Lines jointly, the stack's heights, shifts and clocking, both rotaries' angles."""
    lines = [q for letter in "AC" for kind in ("line shift", "line tilt") for q in one.of_kind(kind, letter)]
    root = np.random.default_rng(1).normal(size=(8, 8)) * 0.002
    found = [UncertaintySource("calibration", "", tuple(lines), root @ root.T)]
    for node in one.stacks[None]:
        found.append(UncertaintySource.of(one.of_kind("step up", node.key), Spread.within(0.01)))
        found.append(UncertaintySource.of(one.of_kind("step shift", node.key), Spread.within(0.01)))
    found.append(UncertaintySource.of(one.of_kind("step turn", "blank"), Spread(0.01)))
    found += [
        UncertaintySource.of(one.of_kind("rotary angle", letter), Spread.within(0.003)) for letter in "AC"
    ]
    return found


def fastest(rounds, *calls):
    """The fastest time of each call, run in turns."""
    best = [np.inf] * len(calls)
    for _ in range(rounds):
        for k, call in enumerate(calls):
            start = time.perf_counter()
            call()
            best[k] = min(best[k], time.perf_counter() - start)
    return best


def by_general_library(one, given, trials):
    """The same model with the distributions, the operators and the trials of `mcerp`; None where it is not installed."""
    try:
        import mcerp
    except ImportError:
        return None
    mcerp.npts = trials

    def run():
        drawn = {}
        for source in given:
            root = np.linalg.cholesky(source.covariance + 1e-24 * np.eye(len(source.covariance)))
            if source.distribution == "rectangular":
                values = [mcerp.Uniform(-u * 3**0.5, u * 3**0.5) for u in source.u]
            else:
                free = [mcerp.N(0.0, 1.0) for _ in source.u]
                values = [sum(root[i, j] * free[j] for j in range(i + 1)) for i in range(len(free))]
            drawn.update(zip(one.columns(source).tolist(), values, strict=True))
        found = []
        for operation in one.operations:
            at = _by_hand(one, operation, drawn, mcerp.umath)
            found += [(x.mean, x.percentile((0.025, 0.975))) for x in at]
        return found

    return run


def _by_hand(one, operation, drawn, umath):
    """An offset as a user of a general library writes it: three components, one after the other."""

    def get(kind, owner="", part="", place=None):
        return drawn.get(one.index(kind, owner, part, place), 0.0)

    lines = []
    for i, rotary in enumerate(one.machine.rotaries):
        basis = one.line_basis[i]
        shift = [get("line shift", rotary.letter, n) for n in "12"]
        tilt = [get("line tilt", rotary.letter, n) * (np.pi / 180.0) for n in "12"]
        point = [rotary.point_mm[k] + shift[0] * basis[0, k] + shift[1] * basis[1, k] for k in range(3)]
        tipped = [rotary.direction[k] + tilt[0] * basis[0, k] + tilt[1] * basis[1, k] for k in range(3)]
        length = umath.sqrt(sum(x * x for x in tipped))
        lines.append((point, [x / length for x in tipped]))
    (point, z) = lines[1]
    up = (one.machine.platter.face_mm - point[2]) / z[2]
    at = [p + up * d for p, d in zip(point, z, strict=True)]
    size = umath.sqrt(1.0 - z[0] * z[0])
    x = [(1.0 - z[0] * z[0]) / size, -z[0] * z[1] / size, -z[0] * z[2] / size]
    y = _cross(z, x)
    for node in one.stacks[None]:
        moves = (
            get("step shift", node.key, "x"),
            get("step shift", node.key, "y"),
            node.step.up_mm + get("step up", node.key),
        )
        at = [a + moves[0] * e + moves[1] * f + moves[2] * g for a, e, f, g in zip(at, x, y, z, strict=True)]
    turn = get("step turn", "blank") * (np.pi / 180.0)
    c, s = umath.cos(turn), umath.sin(turn)
    x, y = (
        [c * a + s * b for a, b in zip(x, y, strict=True)],
        [c * b - s * a for a, b in zip(x, y, strict=True)],
    )
    o = operation.origin_mm
    at = [a + o[0] * e + o[1] * f + o[2] * g for a, e, f, g in zip(at, x, y, z, strict=True)]
    for i in (1, 0):
        rotary = one.machine.rotaries[i]
        column = one.angle_column(i, float(operation.machine_deg[i]))
        angle = (
            (operation.machine_deg[i] + drawn.get(column, 0.0)) * (np.pi / 180.0) * rotary.positive_turn.sign
        )
        point, axis = lines[i]
        arm = [a - p for a, p in zip(at, point, strict=True)]
        along = sum(a * d for a, d in zip(arm, axis, strict=True))
        c, s = umath.cos(angle), umath.sin(angle)
        at = [
            p + c * a + s * n + (1.0 - c) * along * d
            for p, a, n, d in zip(point, arm, _cross(axis, arm), axis, strict=True)
        ]
    return at


def _cross(a, b):
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]


def import_numpy():
    """Time to import numpy, less that of the bare interpreter."""
    bare, loaded = fastest(
        5,
        lambda: subprocess.run([sys.executable, "-c", "pass"], check=True),
        lambda: subprocess.run([sys.executable, "-c", "import numpy"], check=True),
    )
    return loaded - bare


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--trials", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args()
    one = model()
    uncertain = sources(one)
    setup = Setup.from_stack(one.machine, [node.step for node in one.stacks[None]])
    angles = np.random.default_rng(2).uniform([-90.0, 0.0], [0.0, 360.0], (given.trials, 2))
    run = offset_trials(one, uncertain)
    good = True

    def say(what, ratio, allowed, *, least=False):
        nonlocal good
        right = ratio >= allowed if least else ratio <= allowed
        good &= right
        line(
            f"{what}: {ratio:.1f} times (allowed: {'at least' if least else 'at most'} {allowed:g}){'' if right else '  FAIL'}"
        )

    offsets, trials = fastest(
        given.rounds,
        lambda: setup.work_offset([5.0, -2.0, -6.0], angles),
        lambda: monte_carlo(run, trials=given.trials),
    )
    line(
        f"{given.trials:,} offsets {offsets:.3f} s, as many trials of {len(one.operations)} operations {trials:.3f} s"
    )
    say("trials over offsets", trials / offsets, ALLOWED["offsets"])
    tracemalloc.start()
    monte_carlo(run, trials=200_000)
    line(
        f"most memory at once: {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB, whatever the number of trials"
    )
    tracemalloc.stop()
    other = by_general_library(one, uncertain, 100_000)
    if other is None:
        line("a general uncertainty library: not installed (pip install mcerp), not compared")
    else:
        ours, theirs = fastest(2, lambda: monte_carlo(run, trials=100_000), other)
        say("general library over ours, 100,000 trials", theirs / ours, ALLOWED["library"], least=True)
    rng = np.random.default_rng(4)
    features = [Feature("f 0", 0, [0, 0, 0], [0, 0, 1])] + [
        Feature(f"f {k}", k % 8, rng.normal(size=3) * 20.0, rng.normal(size=3), 0.1, "f 0")
        for k in range(1, 1000)
    ]
    part_budget(part_model(one, features[:3]), uncertain)
    (thousand,) = fastest(given.rounds, lambda: part_budget(part_model(one, features), uncertain))
    numpy = import_numpy()
    line(f"1,000 features {thousand:.3f} s, importing numpy {numpy:.3f} s")
    say("1,000 features over importing numpy", thousand / numpy, ALLOWED["features"])
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
