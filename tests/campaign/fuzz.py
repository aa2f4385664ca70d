"""Damaged inputs through the commands, in one process: every case must end as a user may expect.

By hand: ``nice .venv/bin/python tests/campaign/fuzz.py 100000 SEED FIRST``; the counts are printed, every broken promise
with its seed and number, from which it can be run again.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import shutil
import signal
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
EXAMPLES = HERE.parents[1] / "examples"
sys.path.insert(0, str(HERE))

from mutations import damaged, typed  # noqa: E402 - found beside this file

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
_PLACED = re.compile(
    r"^error: (\S*\.(toml|csv|log|txt|jsonl|stl|sqlite)\b|-|.*\.(toml|csv|log|txt|jsonl|stl|sqlite)[:, ]|\S+: found |NUMBER|[A-Z][\w ]*: |.*/work)"
)
_SLOWEST_S = 60.0


@dataclass(frozen=True)
class Scenario:
    """A file to damage, and commands that read it."""

    file: str
    kind: str
    commands: tuple[str, ...]
    weight: int


JOBS = (
    "offsets {j}",
    "offsets {j} --json",
    "offsets {j} --csv",
    "offsets {j} --gcode",
    "aim {j} --json",
    "aim {j}",
    "sheet {j}",
)
_LONG_WORKED = ("explain {j}",)
"""Takes ten times as long as the others, and is drawn a tenth as often."""


def _for(job: str, *more: str) -> tuple[str, ...]:
    return tuple(text.format(j=job) for text in (*JOBS * 2, *_LONG_WORKED, *more * 2))


SCENARIOS = (
    Scenario(
        "teaching_mill.toml",
        "toml",
        (
            "machine show teaching_mill.toml",
            "machine show teaching_mill.toml --json",
            "machine show teaching_mill.toml --units inch",
            *_for("tide_gauge_head.toml"),
        ),
        20,
    ),
    Scenario(
        "trunnion_mill.toml",
        "toml",
        (
            "machine show trunnion_mill.toml --json",
            "offsets float_slots.toml --json",
            "offsets float_slots.toml",
        ),
        12,
    ),
    Scenario(
        "indexer_mill.toml", "toml", ("machine show indexer_mill.toml", "offsets buoy_bracket.toml --json"), 8
    ),
    Scenario("tide_gauge_head.toml", "toml", _for("tide_gauge_head.toml"), 20),
    Scenario("float_slots.toml", "toml", _for("float_slots.toml"), 12),
    Scenario("buoy_bracket.toml", "toml", _for("buoy_bracket.toml"), 8),
    Scenario(
        "mast_cap.toml",
        "toml",
        (*_for("mast_cap.toml") * 4, "reach mast_cap.toml --json", "reach mast_cap.toml"),
        9,
    ),
    Scenario(
        "pivots/spring_check.csv",
        "csv",
        (
            "pivot fit pivots/spring_check.csv -m teaching_mill.toml --json",
            "pivot fit pivots/spring_check.csv -m teaching_mill.toml --write",
        ),
        1,
    ),
    Scenario(
        "pivots/spring_check.log",
        "log",
        ("pivot fit pivots/spring_check.log --rule pivots/probe_rule.toml -m teaching_mill.toml --json",),
        1,
    ),
    Scenario(
        "pivots/probe_rule.toml",
        "toml",
        ("pivot fit pivots/spring_check.log --rule pivots/probe_rule.toml -m teaching_mill.toml --json",),
        2,
    ),
    Scenario(
        "pivots/spring_check.toml",
        "toml",
        ("pivot plan pivots/spring_check.toml -m teaching_mill.toml --json",),
        1,
    ),
    Scenario(
        "logged.calibrations.jsonl",
        "jsonl",
        (
            "pivot log -m logged.toml",
            "pivot log -m logged.toml --json",
            "pivot restore 0 -m logged.toml",
            "pivot restore 1 -m logged.toml --edited",
        ),
        14,
    ),
    Scenario(
        "answers/student.csv",
        "csv",
        (
            "lesson grade lesson answers",
            "lesson grade lesson answers --json",
            "lesson grade lesson answers --csv",
        ),
        8,
    ),
    Scenario("block.stl", "bytes", ("reach meshed.toml --json",), 3),
    Scenario(
        "beacon_dome.toml",
        "toml",
        (
            *_for("beacon_dome.toml"),
            "page beacon_dome.toml -o beacon.html",
            "budget beacon_dome.toml --json --trials 1000",
            "budget beacon_dome.toml --trials 1000",
            "correct beacon_dome.toml beacon_dome_first_part.csv --json",
        ),
        8,
    ),
    Scenario(
        "beacon_dome_first_part.csv",
        "csv",
        (
            "correct beacon_dome.toml beacon_dome_first_part.csv",
            "correct beacon_dome.toml beacon_dome_first_part.csv --json",
            "correct beacon_dome.toml beacon_dome_first_part.csv --write",
        ),
        6,
    ),
    Scenario(
        "corrected.toml",
        "toml",
        (
            "offsets corrected.toml --json",
            "sheet corrected.toml",
            "correct corrected.toml --undo",
            "correct corrected.toml beacon_dome_first_part.csv --write",
        ),
        4,
    ),
    Scenario(
        "sensor_feet.toml",
        "toml",
        (
            *_for("sensor_feet.toml", "page sensor_feet.toml --nest left -o left.html"),
            "offsets sensor_feet.toml --nest right --json",
            "offsets sensor_feet.toml --gcode -o feet.nc",
            "batch offsets sensor_feet.toml sensor_feet_parts.csv --json",
            "batch log sensor_feet.toml --json",
            "batch program sensor_feet.toml",
            "batch program sensor_feet.toml --json",
            "batch program sensor_feet.toml -o zero.nc",
            "batch run sensor_feet.toml --json",
            "batch run sensor_feet.toml --parts 40",
            "batch stub sensor_feet.toml",
            "batch stub sensor_feet.toml --json",
            "batch log sensor_feet.toml sensor_feet_readings.csv --again",
        ),
        10,
    ),
    Scenario(
        "sensor_feet_parts.csv",
        "csv",
        (
            "batch offsets sensor_feet.toml sensor_feet_parts.csv",
            "batch offsets sensor_feet.toml sensor_feet_parts.csv --json",
            "batch offsets sensor_feet.toml sensor_feet_parts.csv --csv",
            "batch offsets sensor_feet.toml sensor_feet_parts.csv --gcode -o loaders",
        ),
        6,
    ),
    Scenario(
        "sensor_feet_readings.csv",
        "csv",
        (
            "batch log unlogged.toml sensor_feet_readings.csv --json",
            "batch log unlogged.toml sensor_feet_readings.csv",
            "batch log unlogged.toml sensor_feet_readings.csv --csv",
        ),
        6,
    ),
    Scenario(
        "sensor_feet.batch.sqlite",
        "bytes",
        (
            "batch log sensor_feet.toml --json",
            "batch log sensor_feet.toml --csv",
            "batch log sensor_feet.toml --withdraw 1",
            "batch chart sensor_feet.toml --json",
            "batch chart sensor_feet.toml",
        ),
        4,
    ),
    Scenario(
        "",
        "typed",
        (
            "offsets tide_gauge_head.toml --grid A=-90:0:15 --grid C=0:345:15 --json",
            "offsets tide_gauge_head.toml --grid A=-90:0:15 --csv",
            "offsets tide_gauge_head.toml --at A-35,C60 --at A-90 --turns z-x-z",
            "offsets tide_gauge_head.toml --touched -381.0,-203.4,-179.1 --pose A0,C0 --clock 0.1",
            "offsets --machine teaching_mill.toml --zero -381.0,-203.4,-179.1 --at A-35,C60 --units inch",
            "aim tide_gauge_head.toml --normal 0,-0.5,0.866 --json",
            "aim tide_gauge_head.toml --normal 0,-0.5,0.866 --from A-10,C5",
            "reach mast_cap.toml --clear 2.5 --margin 1 --only face --json",
            "check tide_gauge_head.toml --answer upper:Y=-212.31mm",
            "budget beacon_dome.toml --seed 3 --trials 1000 --json",
            "batch chart sensor_feet.toml --baseline 20 --tolerance 0.04 --minutes 4 --sigma 0.004 --center 0 --json",
            "batch log sensor_feet.toml --withdraw 1",
            "pivot plan pivots/spring_check.toml -m teaching_mill.toml --sigma 0.002 --json",
            "pivot fit pivots/spring_check.csv -m teaching_mill.toml --sigma 0.002 --json",
            "pivot restore 0 -m logged.toml",
            "pivot log -m logged.toml --json",
            "lesson new other --level one-tilt --students 1 --seed 7",
            "batch run sensor_feet.toml --parts 40 --start 2026-12-14T7:00 --json",
            "sheet tide_gauge_head.toml --date 2026-11-29 --only bore --units inch",
        ),
        8,
    ),
    Scenario(
        "lesson/lesson.toml",
        "toml",
        ("lesson grade lesson answers --json", "lesson grade lesson answers"),
        3,
    ),
)
"""Kinds of files to damage, the commands that read them, and how often each is drawn."""


def prepare(folder: Path) -> None:
    """Lay out sound files of every kind."""
    for path in (*EXAMPLES.glob("*.toml"), *EXAMPLES.glob("*.csv")):
        shutil.copy(path, folder)
    shutil.copy(EXAMPLES / "sensor_feet.toml", folder / "unlogged.toml")
    shutil.copy(EXAMPLES / "beacon_dome.toml", folder / "corrected.toml")
    shutil.copytree(EXAMPLES / "pivots", folder / "pivots")
    shutil.copy(EXAMPLES / "teaching_mill.toml", folder / "logged.toml")
    for words in (
        "pivot fit pivots/spring_check.csv -m logged.toml --write",
        "pivot restore 0 -m logged.toml",
        "lesson new lesson --level one-tilt --students 1 --seed 7",
        "correct corrected.toml beacon_dome_first_part.csv --write",
        "batch log sensor_feet.toml sensor_feet_readings.csv",
    ):
        code, _, err = run(words, folder)
        assert code == 0, err
    (folder / "answers").mkdir()
    blank = next((folder / "lesson").rglob("*.csv"))
    shutil.copy(blank, folder / "answers" / "student.csv")
    corners = [(x, y, z) for x in (0.0, 9.0) for y in (0.0, 9.0) for z in (0.0, 9.0)]
    faces = [
        (0, 1, 3),
        (0, 3, 2),
        (4, 6, 7),
        (4, 7, 5),
        (0, 4, 5),
        (0, 5, 1),
        (2, 3, 7),
        (2, 7, 6),
        (0, 2, 6),
        (0, 6, 4),
        (1, 5, 7),
        (1, 7, 3),
    ]
    triangles = b"".join(
        struct.pack("<12fH", 0, 0, 0, *(c for i in face for c in corners[i]), 0) for face in faces
    )
    (folder / "block.stl").write_bytes(b"\0" * 80 + struct.pack("<I", len(faces)) + triangles)
    job = (folder / "tide_gauge_head.toml").read_text(encoding="utf-8")
    (folder / "meshed.toml").write_text(
        job + '\n[[solid]]\nname = "mesh"\non = "part"\nmesh = { file = "block.stl", units = "mm" }\n',
        encoding="utf-8",
    )


def run(words: str, folder: Path) -> tuple[int, str, str]:
    """Run a command line in a folder: its exit code, stdout and stderr."""
    return called(words.split(), folder)


def called(words: Sequence[str], folder: Path) -> tuple[int, str, str]:
    """Run a command in a folder by its words, which may hold spaces."""
    from tiltwright.app import main

    out, err, code = io.StringIO(), io.StringIO(), 0
    argv = sys.argv
    try:
        with contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            sys.argv = ["tiltwright", *words]
            try:
                main()
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else int(end.code is not None)
    finally:
        sys.argv = argv
    return code, out.getvalue(), err.getvalue()


def snapshot(
    folder: Path, known: dict[str, tuple[int, int, bytes]] | None = None
) -> dict[str, tuple[int, int, bytes]]:
    """Every file but the locks: when it was changed, its number on the disk, its bytes; unchanged ones as they were known."""
    found = {}
    for place, folders, names in os.walk(folder):
        folders.sort()
        for name in names:
            if name.endswith(".lock"):
                continue
            path = os.path.join(place, name)
            state, file = os.stat(path), os.path.relpath(path, folder)
            old = (known or {}).get(file)
            if old is not None and old[:2] == (state.st_mtime_ns, state.st_ino):
                found[file] = old
            else:
                found[file] = (state.st_mtime_ns, state.st_ino, Path(path).read_bytes())
    return found


def broken_promises(
    words: str, code: int, out: str, err: str, before: dict[str, bytes], after: dict[str, bytes]
) -> list[str]:
    """Breaches of what a user may expect."""
    found = []
    if code not in {0, 1, 2}:
        found.append(f"exit {code}")
    if "Traceback" in err or "Traceback" in out:
        found.append("traceback")
    if _CONTROL.search(out) or _CONTROL.search(err):
        found.append("control character")
    if len(err) > 200_000 or err.count("\n") > 1000:
        found.append("endless messages")
    if "(line 0)" in err or re.search(r":0: ", err):
        found.append("line 0")
    if code == 2:
        if "error: " not in err:
            found.append("exit 2 without an error")
        elif "usage: " not in err and not any(_PLACED.match(line) for line in err.splitlines()):
            found.append("error without its place")
        if after != before:
            found.append("exit 2 after writing")
    if any(name.endswith(".part") for name in after):
        found.append("litter")
    if "--json" in words and code in {0, 1} and out:
        try:
            json.loads(out, parse_constant=lambda text: (_ for _ in ()).throw(ValueError(text)))
        except ValueError as fault:
            found.append(f"JSON: {fault}")
    written = [name for name in after if after[name] != before.get(name)]
    if any(name.endswith(".toml") for name in written):
        found += [
            f"{name} no longer loads"
            for name in written
            if name in before and name.endswith(".toml") and not _loads(after[name])
        ]
    return found


def _loads(raw: bytes) -> bool:
    from tiltwright.files.decoding import decode_table
    from tiltwright.files.diagnostics import InputFaults
    from tiltwright.files.job_file import JobFile
    from tiltwright.files.loader import machine_from_text
    from tiltwright.files.toml_source import parsed

    text = raw.decode("utf-8").removeprefix("\ufeff")
    try:
        if "[[operation]]" in text:
            return not decode_table(JobFile, parsed("x.toml", Path("x.toml"), text))[1]
        machine_from_text("x.toml", Path("x.toml"), text)
    except InputFaults:
        return False
    return True


class TooSlow(Exception):
    """A case took longer than any may."""


def _alarm(*_: object) -> None:
    raise TooSlow


def campaign(count: int, seed: int, *, first: int = 0, show: bool = False) -> tuple[Counter[str], list[str]]:
    """Run so many cases of a seed, from the first: how they ended, and every broken promise with what gives it again."""
    counts: Counter[str] = Counter()
    broken: list[str] = []
    begun = time.perf_counter()
    scenarios = [scenario for scenario in SCENARIOS for _ in range(scenario.weight)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare(folder)
        known = snapshot(folder)
        sound = {file: state[2] for file, state in known.items()}
        signal.signal(signal.SIGALRM, _alarm)
        for case in range(first, first + count):
            rng = random.Random(f"{seed} {case}")
            scenario = rng.choice(scenarios)
            words = rng.choice(scenario.commands)
            err = ""
            if scenario.kind == "typed":
                words = typed(words, rng)
            else:
                (folder / scenario.file).write_bytes(damaged(sound[scenario.file], scenario.kind, rng))
            before = snapshot(folder, known)
            signal.setitimer(signal.ITIMER_REAL, _SLOWEST_S)
            try:
                code, out, err = run(words, folder)
                after = snapshot(folder, before)
                found = broken_promises(
                    words,
                    code,
                    out,
                    err,
                    {f: s[2] for f, s in before.items()},
                    {f: s[2] for f, s in after.items()},
                )
                counts[f"exit {code}"] += 1
            except TooSlow:
                found, after = ["too slow"], snapshot(folder, before)
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
            counts[scenario.kind] += 1
            for one in found:
                counts[f"broken: {one[:40]}"] += 1
                broken.append(f"seed {seed} case {case}: {one}: {words}\n    {err[:300]}")
                if show:
                    print(broken[-1], flush=True)
            for file in {*after, *sound}:
                if file not in sound:
                    (folder / file).unlink()
                elif file not in after or after[file][:2] != known[file][:2]:
                    (folder / file).write_bytes(sound[file])
            for place, _, _ in os.walk(folder, topdown=False):
                with contextlib.suppress(OSError):  # one with something in it stays
                    os.rmdir(place)
            known = snapshot(folder, known)
            if show and case % 1000 == 999:
                print(
                    f"{case + 1 - first} cases, {time.perf_counter() - begun:.0f} s: {dict(counts)}",
                    flush=True,
                )
    return counts, broken


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    total, chosen, begin = (*given, *(1000, 1, 0)[len(given) :])
    ended, faults = campaign(total, chosen, first=begin, show=True)
    print(
        f"{total} cases from {begin}, seed {chosen}: {dict(sorted(ended.items()))}; {len(faults)} broken promises"
    )
