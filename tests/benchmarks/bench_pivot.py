# ruff: noqa: T201 - its table is its result
"""Ten thousand readings: time and memory grow with them, and scipy with a numerical Jacobian takes ten times longer.

By hand::

    python tests/benchmarks/bench_pivot.py

Exits 1 when an answer differs, growth is not linear or the lead is less than ten. Both start from the same nominal
machine with the targets in the middle of their readings, and both end at the same answer.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import PlannedTarget, Readings, TargetKind, simulated_readings
from kinematics.calibration.line_parameters import derotate
from kinematics.calibration.observation_equations import target_residuals
from kinematics.calibration.solve import solve

TARGETS = 20
SIZES = (2_500, 5_000, 10_000, 20_000, 40_000)
COMPARED = 10_000
LEAD = 10.0


def machines() -> tuple[Machine, Machine]:
    """The machine file's, and the true one."""
    a = RotaryAxis("A", [-381.0, -203.412, -406.118], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    c = RotaryAxis("C", [-381.025, -203.405, -356.112], [0, 0, 1], RotationSense.CLOCKWISE, None)
    nominal = Machine("mill", (a, c), Platter(face_mm=-356.112))
    true = (
        replace(a, point_mm=a.point_mm + np.array([0.0, 0.05, -0.03]), direction=[1.0, 2e-4, -1e-4]),
        replace(c, point_mm=c.point_mm + np.array([0.02, -0.04, 0.0]), direction=[-1e-4, 3e-4, 1.0]),
    )
    return nominal, replace(nominal, rotaries=true)


def readings(truth: Machine, count: int) -> Readings:
    """Twenty balls, read at random poses."""
    rng = np.random.default_rng(1)
    turn = rng.uniform(0.0, 2.0 * np.pi, size=TARGETS)
    radius = rng.uniform(40.0, 90.0, size=TARGETS)
    balls = [
        PlannedTarget(
            f"ball {k}",
            TargetKind.BALL,
            [[-381.0 + radius[k] * np.cos(turn[k]), -203.0 + radius[k] * np.sin(turn[k]), -330.0 + 2.0 * k]],
        )
        for k in range(TARGETS)
    ]
    poses = np.stack(
        [rng.uniform(-90, 90, size=count // TARGETS), rng.uniform(0, 360, size=count // TARGETS)], axis=-1
    )
    return simulated_readings(truth, balls, poses, 0.002, 2)


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest time of a few, seconds."""
    found = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        found.append(time.perf_counter() - begin)
    return min(found)


def growth(nominal: Machine, truth: Machine) -> bool:
    """Time and peak memory by size; linear where the cost per reading does not rise."""
    print(f"{'readings':>9} {'time ms':>9} {'us/reading':>11} {'peak MB':>8} {'kB/reading':>11}")
    per_time, per_memory = [], []
    for size in SIZES:
        read = readings(truth, size)
        seconds = best_of(5, lambda read=read: solve(read, nominal))
        tracemalloc.start()
        solve(read, nominal)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        per_time.append(seconds / size)
        per_memory.append(peak / size)
        print(
            f"{size:9d} {1e3 * seconds:9.1f} {1e6 * seconds / size:11.2f} {peak / 1e6:8.1f} {peak / size / 1e3:11.2f}"
        )
    return max(per_time[1:]) < 1.6 * per_time[0] and max(per_memory) < 1.1 * per_memory[0]


def lead(nominal: Machine, truth: Machine) -> bool:
    """Against scipy.optimize.least_squares with its two-point Jacobian, the same residuals, the same start."""
    read = readings(truth, COMPARED)
    ours = best_of(3, lambda: solve(read, nominal))
    solved = solve(read, nominal)
    problem = solved.problem

    def miss(numbers: np.ndarray) -> np.ndarray:
        where = derotate(
            problem.lines, (numbers[:8] * problem.scale).reshape(-1, 4), problem.turns, problem.points
        )
        targets = np.column_stack([numbers[8:].reshape(-1, 3), np.zeros(TARGETS)])
        return target_residuals(
            problem.nominal_targets, targets, problem.target, where, problem.lever_mm
        ).ravel()

    begin = time.perf_counter()
    theirs = least_squares(miss, np.zeros(8 + 3 * TARGETS), xtol=1e-12, ftol=1e-12, gtol=1e-12)
    scipys = time.perf_counter() - begin
    answer = np.concatenate([solved.state.parameters, solved.state.targets[:, :3].ravel()])
    apart = float(np.abs(answer - theirs.x).max())
    print(f"{COMPARED} readings, {len(answer)} unknowns")
    print(
        f"  here  {1e3 * ours:9.1f} ms, {solved.state.steps} steps, sum of squares {solved.squares.sum():.12g}"
    )
    print(
        f"  scipy {1e3 * scipys:9.1f} ms, {theirs.nfev} evaluations, sum of squares {2.0 * theirs.cost:.12g}"
    )
    print(f"  {scipys / ours:.0f} times; answers apart by {apart:.2g} mm")
    return scipys > LEAD * ours and apart < 1e-6


def main() -> int:
    """Both; 1 when one fails."""
    nominal, truth = machines()
    linear = growth(nominal, truth)
    ahead = lead(nominal, truth)
    print("linear growth:", "yes" if linear else "NO", "| lead of ten:", "yes" if ahead else "NO")
    return 0 if linear and ahead else 1


if __name__ == "__main__":
    sys.exit(main())
