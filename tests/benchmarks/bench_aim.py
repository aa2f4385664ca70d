"""A million directions brought to the spindle, against a closed form written by hand for a square A/C machine.

By hand::

    python tests/benchmarks/bench_aim.py

Exits 1 when the best solutions differ or `aim` takes more than 5 times as long. Both normalise the directions, find both
solutions, wrap them, check A's limits and take the one of least motion; `aim` does so for lines in any direction, and
lists all solutions in order.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, Platter, RotaryAxis, RotationSense, aim

COUNT, ALLOWED, REPEATS = 1_000_000, 5.0, 5
LOW, HIGH = -120.0, 30.0


def by_hand(
    directions: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Tilt and turn of least motion from A0 C0 on a table that turns clockwise about X and about Z; which are in reach."""
    x, y, z = (directions / np.sqrt((directions**2).sum(axis=1, keepdims=True))).T
    tilted, turned = np.degrees(np.arctan2(np.hypot(x, y), z)), np.degrees(np.arctan2(x, y))
    tilts, turns = np.stack([-tilted, tilted], axis=-1), np.stack([-turned, 180.0 - turned], axis=-1)
    turns -= 360.0 * np.floor(turns / 360.0)
    within = (tilts >= LOW) & (tilts <= HIGH)
    motion = np.where(within, np.abs(tilts) + np.minimum(turns, 360.0 - turns), np.inf)
    second = motion[:, 1] < motion[:, 0]
    tilt, turn = (np.where(second, both[:, 1], both[:, 0]) for both in (tilts, turns))
    return tilt, turn, within.any(axis=-1)


def timed(run: Callable[[], object]) -> float:
    """Seconds of one run."""
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def main() -> int:
    """Compare the answers, then the times."""
    a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (LOW, HIGH))
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    directions = np.random.default_rng(5).normal(size=(COUNT, 3))
    found = aim(mill, directions, [0.0, 0.0])
    tilt, turn, reached = by_hand(directions)
    best = found.machine_deg[reached, 0]
    apart = np.abs(best[:, 0] - tilt[reached]), np.abs((best[:, 1] - turn[reached] + 180.0) % 360.0 - 180.0)
    agree = bool((found.reaches() == reached).all()) and max(one.max() for one in apart) < 1e-9
    sys.stdout.write(
        f"{int(reached.sum())} of {COUNT} reached; the answers {'agree' if agree else 'DIFFER'}\n"
    )
    hand, ours = [], []
    for _ in range(REPEATS):
        hand.append(timed(lambda: by_hand(directions)))
        ours.append(timed(lambda: aim(mill, directions, [0.0, 0.0])))
    ratio = min(ours) / min(hand)
    sys.stdout.write(
        f"by hand {min(hand) * 1e3:.0f} ms, aim {min(ours) * 1e3:.0f} ms: ratio {ratio:.2f}, "
        f"allowed {ALLOWED:g}: {'within' if ratio <= ALLOWED else 'OVER'}\n"
    )
    return 0 if agree and ratio <= ALLOWED else 1


if __name__ == "__main__":
    sys.exit(main())
