"""Time of a command from start to finish, against importing numpy alone.

Run by hand, from the repository's top, with the command as installed and a job of the examples::

    python -m tests.benchmarks.start .venv/bin/tiltwright offsets examples/JOB.toml --allowed 3
    python -m tests.benchmarks.start .venv/bin/tiltwright --help --allowed 2

What stands after the script's name is run as it stands; ``--allowed`` and ``--repeats``, wherever they are, are
the script's own. The interpreter that runs the script also imports numpy, so it should be that of the command's
own environment.
"""

import statistics
import subprocess
import sys
import time


def own(words, name, default):
    """Take an option of the script out of the words, so that all others reach the command."""
    if name not in words:
        return default
    at = words.index(name)
    value = float(words[at + 1])
    del words[at : at + 2]
    return value


def timed(command):
    start = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=False)
    taken = time.perf_counter() - start
    if done.returncode:
        sys.stderr.write(done.stderr.decode(errors="replace"))
        sys.exit(f"{' '.join(command)}: expected exit 0, found {done.returncode}")
    return taken


def main():
    words = sys.argv[1:]
    allowed, repeats = own(words, "--allowed", 3.0), int(own(words, "--repeats", 15.0))
    if not words:
        sys.stderr.write(__doc__)
        return 2
    base = [sys.executable, "-c", "import numpy"]
    for command in (base, words):
        timed(command)
    taken = {"import numpy": [], " ".join(words): []}
    for _ in range(repeats):
        for name, command in zip(taken, (base, words), strict=True):
            taken[name].append(timed(command))
    first, second = taken.values()
    for name, times in taken.items():
        sys.stdout.write(
            f"{name}: fastest {min(times) * 1e3:.0f} ms, median {statistics.median(times) * 1e3:.0f} ms\n"
        )
    fastest, middle = min(second) / min(first), statistics.median(second) / statistics.median(first)
    worst = max(fastest, middle)
    sys.stdout.write(f"ratio {fastest:.2f} and {middle:.2f}, allowed {allowed:g}: ")
    sys.stdout.write("within\n" if worst <= allowed else "OVER\n")
    return 0 if worst <= allowed else 1


if __name__ == "__main__":
    sys.exit(main())
