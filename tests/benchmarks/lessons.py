"""Time that `lesson new` takes for a class of 24: CPU and wall seconds of a fresh process, level by level.

Run by hand, on an idle machine::

    python -m tests.benchmarks.lessons .venv/bin/tiltwright [RUNS]

Wanted: every level in at most 2.5 s on two cores. Wall time is the least of the runs; CPU time, which a busy machine hardly
changes, is that of the command and of the processes that it works with. A run before the first one writes the bytecode, as
an installation does. Ends with 1 when a level takes longer.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from kinematics.teaching import LEVELS, PIVOT_LEVEL

STUDENTS = 24
WANTED_S = 2.5


def run_once(command: str, level: str) -> tuple[float, float]:
    """Wall and CPU seconds of one class set."""
    with tempfile.TemporaryDirectory() as folder:
        words = [command, "lesson", "new", str(Path(folder) / "class"), "--level", level, "--seed", "7"]
        plain = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        before, start = os.times(), time.perf_counter()
        subprocess.run([*words, "--students", str(STUDENTS)], check=True, capture_output=True, env=plain)
        wall, after = time.perf_counter() - start, os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return wall, used


def main() -> None:
    """Print a line for each level."""
    command, runs = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 3
    run_once(command, LEVELS[0])
    slow = 0
    for level in (*LEVELS, PIVOT_LEVEL):
        found = [run_once(command, level) for _ in range(runs)]
        wall, cpu = min(wall for wall, _ in found), min(used for _, used in found)
        slow += wall > WANTED_S
        verdict = "PASS" if wall <= WANTED_S else "FAIL"
        sys.stdout.write(f"{level:28} wall {wall:6.2f} s   CPU {cpu:6.2f} s   {verdict}\n")
    raise SystemExit(int(slow > 0))


if __name__ == "__main__":
    main()
