"""Every file of every kind of class set, held by its hash against those that another state of the program made.

Run by hand, once with the old state and once with the new, which compares::

    python -m tests.benchmarks.same_lessons old/.venv/bin/tiltwright hashes.json
    python -m tests.benchmarks.same_lessons .venv/bin/tiltwright hashes.json

Each level in both units for a class of 24, and for three students each option that changes what is in the folder. Ends
with 1 when a file is another one, is missing or is new.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from kinematics.teaching import LEVELS, PIVOT_LEVEL

TOP = Path(__file__).resolve().parents[2]
MACHINE = str(TOP / "examples" / "teaching_mill.toml")
UNITS = ("mm", "inch")
OPTIONS = (
    (),
    ("--matrices",),
    ("--same-machine",),
    ("--machine", MACHINE),
    ("--slides",),
    ("--paper", "us-letter"),
    ("--pages",),
)
PRACTICES = (("--students", "1"), ("--students", "3"), ("--students", "3", "--paper", "us-letter"))


def orders() -> dict[str, list[str]]:
    """The commands by what is made, without the folder."""
    found = {}
    for level, units in itertools.product((*LEVELS, PIVOT_LEVEL), UNITS):
        new = ["lesson", "new", "--level", level, "--units", units]
        found[f"{level}, {units}, 24"] = [*new, "--seed", "7", "--students", "24"]
        for option in OPTIONS if units == "mm" else ():
            shown = " ".join(Path(word).name for word in option)
            found[f"{level}, {units}, 3 {shown}"] = [*new, "--seed", "11", "--students", "3", *option]
    for option in PRACTICES:
        words = ["pivot", "practice", "-m", MACHINE, "--seed", "7", *option]
        found[f"practice {' '.join(option)}"] = words
    return found


def hashes(command: str, words: list[str]) -> dict[str, str]:
    """The hash of every file that a command makes, by its path in the folder."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "class"
        output = [str(folder)] if words[0] == "lesson" else ["-o", str(folder)]
        plain = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
        ended = subprocess.run(
            [command, *words[:2], *output, *words[2:]], check=False, capture_output=True, env=plain
        )
        if ended.returncode:  # not every level can be set on the machine
            return {f"refused: {ended.stderr.decode().replace(place, '')}": ""}
        return {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }


def main() -> None:
    """Keep the hashes, or compare them with those that were kept."""
    command, kept_in = sys.argv[1], Path(sys.argv[2])
    kept = json.loads(kept_in.read_text()) if kept_in.exists() else None
    made, counts, wrong = {}, Counter[str](), 0
    for name, words in orders().items():
        made[name] = hashes(command, words)
        counts.update("a refusal" if path.startswith("refused") else Path(path).suffix for path in made[name])
        if kept is not None:
            there = kept.get(name, {})
            others = sorted(path for path in {*there, *made[name]} if there.get(path) != made[name].get(path))
            wrong += len(others)
            sys.stdout.write(f"{name:45} {len(made[name]):5} files, {len(others)} others {others[:4]}\n")
            sys.stdout.flush()
    if kept is None:
        kept_in.write_text(json.dumps(made, indent=1))
    listed = ", ".join(f"{count} {ending}" for ending, count in sorted(counts.items()))
    sys.stdout.write(f"{sum(counts.values())} files ({listed}), {wrong} others\n")
    raise SystemExit(int(wrong > 0))


if __name__ == "__main__":
    main()
