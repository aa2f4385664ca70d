"""A million work offsets on a general machine, against the closed form that one writes for a square A/C.

Run by hand, from the repository's top::

    python -m tests.benchmarks.offsets

Both take degrees, shape (N, 2), and give an array (N, 3). They run in turns, so that what else the computer does
falls on both; the fastest run and the middle one of each are compared. First they are shown to agree.
"""

import argparse
import statistics
import sys
import time

import numpy as np

from kinematics import (
    Machine,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    stack_pose,
    transform_points,
)

ALLOWED = 1.5
POINT_MM = np.array([-340.25, -190.5, -230.125])


def machine(*, square):
    lean = 0.0 if square else 1.0
    return Machine(
        "square" if square else "general",
        (
            RotaryAxis(
                "A",
                [-381.0, -203.412, -406.118],
                np.array([1.0, 0.0, 0.0]) + lean * np.array([0.0, 2e-4, -1e-4]),
                RotationSense.CLOCKWISE,
                (-120.0, 30.0),
                0.0,
            ),
            RotaryAxis(
                "C",
                [-381.025, -203.405, -356.112],
                np.array([0.0, 0.0, 1.0]) + lean * np.array([1e-4, -2e-4, 0.0]),
                RotationSense.CLOCKWISE,
                None,
                0.0,
            ),
        ),
        Platter(face_mm=-356.112),
    )


def by_hand(angles_deg, point_mm):
    """A square A/C table that turns clockwise, as a careful numpy user writes it: whole arrays, no matrices."""
    tilt, turn = np.radians(angles_deg[:, 0]), np.radians(angles_deg[:, 1])
    sin_a, cos_a, sin_c, cos_c = np.sin(tilt), np.cos(tilt), np.sin(turn), np.cos(turn)
    x, y = point_mm[0] + 381.025, point_mm[1] + 203.405
    up = point_mm[2] + 406.118
    back = y * cos_c - x * sin_c + (203.412 - 203.405)
    offsets = np.empty((len(angles_deg), 3))
    offsets[:, 0] = x * cos_c + y * sin_c - 381.025
    offsets[:, 1] = back * cos_a + up * sin_a - 203.412
    offsets[:, 2] = up * cos_a - back * sin_a - 406.118
    return offsets


def timed(function):
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def main():
    arguments = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    arguments.add_argument("--count", type=int, default=1_000_000, help="pairs of angles")
    arguments.add_argument("--repeats", type=int, default=25)
    asked = arguments.parse_args()
    rng = np.random.default_rng(1)
    angles = np.column_stack([rng.uniform(-120.0, 30.0, asked.count), rng.uniform(0.0, 360.0, asked.count)])

    apart = np.abs(transform_points(machine(square=True), POINT_MM, angles) - by_hand(angles, POINT_MM)).max()
    sys.stdout.write(f"on the square machine they differ by {apart:.1e} mm at most\n")
    if apart > 1e-10:
        sys.stdout.write("they do not compute the same: nothing to compare\n")
        return 1

    general = machine(square=False)
    setup = Setup.from_stack(general, [StackStep("post", up_mm=100.0)])
    at_point = Setup(general, stack_pose([StackStep("post", up_mm=100.0)]), np.zeros(2))
    origin = at_point.part_in_machine.inverse().apply(POINT_MM)
    runs = {
        "by hand, square": lambda: by_hand(angles, POINT_MM),
        "work_offset, general": lambda: setup.work_offset(origin, angles),
        "carry, general": lambda: transform_points(general, POINT_MM, angles),
    }
    for run in runs.values():
        run()
    taken = {name: [] for name in runs}
    for _ in range(asked.repeats):
        for name, run in runs.items():
            taken[name].append(timed(run))

    base = taken["by hand, square"]
    worst = 0.0
    for name, times in taken.items():
        fastest, middle = min(times) / min(base), statistics.median(times) / statistics.median(base)
        worst = max(worst, fastest, middle)
        sys.stdout.write(
            f"{name:22} fastest {min(times) * 1e3:7.1f} ms, median {statistics.median(times) * 1e3:7.1f} ms, "
            f"ratio {fastest:.2f} and {middle:.2f}\n"
        )
    sys.stdout.write(f"allowed {ALLOWED}: {'within' if worst <= ALLOWED else 'OVER'}\n")
    return 0 if worst <= ALLOWED else 1


if __name__ == "__main__":
    sys.exit(main())
