"""Every number and sense of a job and its machine with the other sign, one at a time: what says so, and what does not.

Run by hand, from the repository's top::

    python tests/campaign/signs.py                            the examples
    python tests/campaign/signs.py JOB.toml [--command reach] another job, or another command

A flip is told where the exit code changes or a new caution or failure appears; it is silent where only the answer
changes. What stays silent is listed: each must be one that no file can give away, and that the sheet's list "before the
first cut" shows at the machine.
"""

from __future__ import annotations

import re
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import fuzz

JOBS = ("tide_gauge_head", "float_slots", "buoy_bracket", "mast_cap", "beacon_dome", "sensor_feet")
NUMBER = re.compile(r'(?<![\w"#.])([+-]?\d+(?:\.\d+)?)(?![\w"])')
TURNED = {
    '"clockwise"': '"counterclockwise"',
    '"counterclockwise"': '"clockwise"',
    **{f'"{sign}{axis}"': f'"{"-" if sign == "+" else "+"}{axis}"' for sign in "+-" for axis in "XYZ"},
}


def run(folder: Path, *words: str) -> tuple[int, str, set[str]]:
    """Exit code, stdout, and the lines of stderr that are more than notes."""
    code, out, err = fuzz.called(words, folder)
    return code, out, {line for line in err.splitlines() if not line.startswith(("note", " "))}


def flips(text: str) -> Iterator[tuple[int, str, str]]:
    """Line number, what was flipped, and the whole text with it."""
    start = 0
    for number, line in enumerate(text.splitlines(keepends=True), 1):
        code = line.split("#")[0]
        equals = code.find("=")
        value = code[equals + 1 :].strip()
        if equals >= 0 and value in TURNED:
            at = start + code.index(value, equals)
            yield number, code.strip(), text[:at] + TURNED[value] + text[at + len(value) :]
        for found in NUMBER.finditer(code, equals) if equals >= 0 else ():
            if code[: found.start()].count('"') % 2 == 0 and float(found[0]) != 0.0:
                other = found[0][1:] if found[0][0] == "-" else "-" + found[0].lstrip("+")
                at = start + found.start()
                yield number, f"{code.strip()}  [{found[0]}]", text[:at] + other + text[at + len(found[0]) :]
        start += len(line)


def tried(job: Path, command: str) -> Iterator[tuple[str, str]]:
    """The verdict on each flip, and where it is."""
    machine = job.parent / tomllib.loads(job.read_text(encoding="utf-8"))["machine"]
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        for file in (job, machine):
            (here / file.name).write_text(file.read_text(encoding="utf-8"), encoding="utf-8")
        code, out, err = run(here, command, job.name)
        for file in (machine, job):
            text = file.read_text(encoding="utf-8")
            for line, what, flipped in flips(text):
                (here / file.name).write_text(flipped, encoding="utf-8")
                got = run(here, command, job.name)
                told = got[0] != code or bool(got[2] - err)
                verdict = "told" if told else "silent" if got[1] != out else "no effect"
                yield verdict, f"{file.name}:{line}: {what}"
            (here / file.name).write_text(text, encoding="utf-8")


def report() -> int:
    words = sys.argv[1:]
    command = "offsets"
    if "--command" in words:
        at = words.index("--command")
        command = words[at + 1]
        del words[at : at + 2]
    counts: Counter[str] = Counter()
    for job in [Path(word) for word in words] or [fuzz.EXAMPLES / f"{name}.toml" for name in JOBS]:
        for verdict, where in tried(job, command):
            counts[verdict] += 1
            if verdict == "silent":
                sys.stdout.write(f"{job.stem}: {where}\n")
    sys.stdout.write(f"{dict(counts)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(report())
