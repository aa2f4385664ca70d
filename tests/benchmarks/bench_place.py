"""Placing 4,000 operations together, against placing the same chain one operation at a time.

By hand::

    python tests/benchmarks/bench_place.py

Exits 1 when the two ways differ, or together is not 5 times as fast. One at a time, each operation is aimed by itself
from where the last one stood and its offset and axes are computed by themselves, as the library did it before.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from kinematics import (
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    aim,
    place_operations,
    plane_from_normal,
)

COUNT, WANTED, TOLERANCE_DEG = 4000, 5.0, 0.01


def chain(setup: Setup, operations: list[Operation]) -> list[tuple[tuple[float, ...], list[float]]]:
    """Angles and offset of every operation, one at a time."""
    previous = np.zeros(2)
    placed = []
    for one in operations:
        assert one.plane is not None
        direction = setup.part_in_machine.rotate(one.plane.normal)
        found = aim(setup.machine, direction, previous, tolerance_deg=TOLERANCE_DEG)
        if found.reaches(TOLERANCE_DEG):
            best = found.solutions[0].machine_deg
            setup.machine_axes(best)
            placed.append((best, setup.work_offset(one.origin_mm, best).tolist()))
            previous = np.array(best)
    return placed


def main() -> int:
    """Ports in all directions, and with every fourth one a face that leaves the table to itself."""
    a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    c = RotaryAxis("C", [0.02, 0.01, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    setup = Setup.from_stack(mill, [StackStep("post", up_mm=100.0, turn_deg=3.0)])
    normals = np.random.default_rng(2).normal(size=(COUNT, 3))
    normals[:, 2] = np.abs(normals[:, 2])
    passed = True
    for name, every in (("ports", COUNT + 1), ("ports and faces", 4)):
        operations = [
            Operation(f"port {k}", plane=plane_from_normal([0, 0, 1] if k % every == 1 else n), origin_mm=n)
            for k, n in enumerate(normals)
        ]
        start = time.perf_counter()
        one_by_one = chain(setup, operations)
        middle = time.perf_counter()
        together = place_operations(setup, operations, TOLERANCE_DEG).placed
        end = time.perf_counter()
        same = [(tuple(one.machine_deg.tolist()), one.offset_mm.tolist()) for one in together] == one_by_one
        lead = (middle - start) / (end - middle)
        passed &= same and lead >= WANTED
        sys.stdout.write(
            f"{name}: one at a time {(middle - start) / COUNT * 1e3:.3f} ms each, together "
            f"{(end - middle) / COUNT * 1e3:.3f} ms: {lead:.1f} times as fast, "
            f"{'the same answers' if same else 'DIFFERENT ANSWERS'}\n"
        )
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
