"""Commands killed at every step they take in a folder, and the disk full at every size: old or new, never half.

By hand: ``nice .venv/bin/python tests/campaign/kills.py 1000``; the counts are printed. Each run is a fork of one process
that has everything loaded. It is killed by SIGKILL at the n-th event in its folder: before a file is opened, renamed,
linked, removed, before and after it is synchronized.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import fuzz  # noqa: E402 - found beside this file

_EVENTS = {"open", "os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.truncate"}
FIT = "pivot fit pivots/spring_check.csv -m logged.toml --write"
COMMANDS = (
    FIT,
    "pivot restore 0 -m logged.toml",
    "pivot restore 1 -m logged.toml",
    "offsets tide_gauge_head.toml -o offsets.txt --force",
    "offsets tide_gauge_head.toml --gcode -o load.nc --force",
    "pivot plan pivots/spring_check.toml -m teaching_mill.toml --gcode probe.nc --parameters lines.txt --force",
    "lesson new lesson --level one-tilt --students 2 --seed 8 --force",
    "lesson new class --level one-tilt --students 2 --seed 8",
    "pivot practice -m teaching_mill.toml --plan pivots/spring_check.toml -o monday --seed 7",
    "batch offsets sensor_feet.toml sensor_feet_parts.csv --gcode -o loaders",
    "batch log unlogged.toml sensor_feet_readings.csv",
    "sheet tide_gauge_head.toml -o sheet.png --date 2026-11-29",
)
_NEW_FOLDERS = {"lesson new class": "class", "pivot practice": "monday", "batch offsets": "loaders"}
"""Folders that a command makes: there as a whole, or not at all."""
_HEAVY, _LIGHT = ("lesson", "pivot practice", "sheet"), 4
"""Typeset, and take seconds: killed once where the others are four times."""
_NO = "batch offsets"
"""Holds a part back: ends with 1."""


def forked(words: str, folder: Path, prepare: Callable[[], None] | None = None) -> int:
    """Run a command in a child process; its exit code, negative for the signal that ended it."""
    child = os.fork()
    if child == 0:
        code = 99
        with contextlib.suppress(BaseException):
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, 1)
            os.dup2(null, 2)
            if prepare is not None:
                prepare()
            code = fuzz.run(words, folder)[0]
        os._exit(code)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status)


def in_a_child(work: Callable[[], object]) -> str:
    """Do something in a child process, and return what it raised, if anything.

    The typesetter starts threads, which no fork takes along: the process that forks all the others must never run it.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            said = str(work() or "")
        except BaseException as fault:  # noqa: BLE001 - told by the parent
            said = repr(fault)
        with os.fdopen(writing, "w", encoding="utf-8", errors="replace") as stream:
            stream.write(said[:2000])
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as stream:
        said = stream.read()
    os.waitpid(child, 0)
    return said


def prepare_in_a_child(folder: Path) -> None:
    """As `fuzz.prepare`, for commands that typeset; what the commands load is loaded here, so that no fork need."""
    for name in (
        "sheet.typeset",
        "sheet.build",
        "teaching.lesson_set",
        "teaching.practice_files",
        "job.offsets_gcode",
    ):
        importlib.import_module(f"tiltwright.{name}")
    importlib.import_module("typst")
    said = in_a_child(lambda: fuzz.prepare(folder))
    assert not said, said


def killed_at(folder: Path, n: int) -> Callable[[], None]:
    """Setting by which a child kills itself at the n-th event in the folder (from 1); 0 counts them into a file instead."""
    inside = os.path.realpath(folder)
    seen = [0]

    def step() -> None:
        seen[0] += 1
        if seen[0] == n:
            os.kill(os.getpid(), signal.SIGKILL)

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        if event in _EVENTS and arguments and isinstance(arguments[0], str | bytes | os.PathLike):
            path = os.path.abspath(os.path.join(inside, os.fsdecode(arguments[0])))
            if path.startswith(inside):
                step()

    def prepare() -> None:
        real = os.fsync

        def fsync(handle: int) -> None:
            step()
            real(handle)
            step()

        os.fsync = fsync
        sys.addaudithook(hook)

    return prepare


def full_after(size: int) -> Callable[[], None]:
    """Setting by which no file of a child grows beyond so many bytes, as on a full disk."""

    def prepare() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return prepare


_FORCED = ("lesson new", "pivot practice", "batch offsets", "sheet")
"""Replace nothing without --force."""


def whole(folder: Path, words: str, old: dict[str, bytes], new: dict[str, bytes]) -> list[str]:
    """Files that a killed command left neither old nor new, and faults of the commands that follow."""
    found = []
    now = {file: state[2] for file, state in fuzz.snapshot(folder).items()}
    visible = {file: raw for file, raw in now.items() if not any(p.startswith(".") for p in Path(file).parts)}
    for file, raw in visible.items():
        if raw in {old.get(file), new.get(file)} or file.endswith(
            (".jsonl", "logged.toml", ".nc", ".txt", ".pdf", ".sqlite", "-journal")
        ):
            continue
        found.append(f"{file} is neither old nor new")
    found += [f"{file} is gone" for file in old if file not in now]
    if "pivot" in words and "logged" in words:
        with contextlib.suppress(KeyError):
            tomllib.loads(now["logged.toml"].decode())
        code, out, err = fuzz.run("pivot log -m logged.toml --json", folder)
        if code:
            found.append(f"pivot log: exit {code}: {err[:200]}")
        elif "by hand" in err:
            found.append("a stopped command is called a change by hand")
        elif not json.loads(out)["current"]:
            found.append("the log does not know the file's state")
    mixed = {
        file
        for file in visible
        if raw_of(new, file) != raw_of(old, file) and visible[file] == raw_of(new, file)
    }
    left = {
        file
        for file in new
        if raw_of(new, file) != raw_of(old, file) and visible.get(file) == raw_of(old, file)
    }
    for command, name in _NEW_FOLDERS.items():
        made = {file for file in new if file.startswith(f"{name}/")}
        if words.startswith(command) and made & visible.keys() and not made <= visible.keys():
            found.append(f"{name} is half there")
    if "lesson" in words and mixed and left:
        told = any(Path(file).name == ".tiltwright-unfinished" for file in now)
        if not told:
            found.append("a set is half old and half new, and nothing says so")
    if words.startswith("batch log"):
        code, out, err = fuzz.run("batch log unlogged.toml --json", folder)
        report = json.loads(out) if not code else {"entries": [], "readings": []}
        if (len(report["entries"]), len(report["readings"]) > 0) not in {(0, False), (1, True)}:
            found.append("a record with half an entry")
        if code and "no record" not in err:
            found.append(f"batch log: exit {code}: {err[:200]}")
    forced = "" if "--force" in words or not words.startswith(_FORCED) else " --force"
    allowed = {1 if words.startswith(_NO) else 0}
    if words.startswith("batch log"):
        allowed.add(2)  # what was written late before the kill is in the record already

    def again() -> str:
        code, _, err = fuzz.run(words + forced, folder)
        return "" if code in allowed else f"again: exit {code}: {err[:200]}"

    said = in_a_child(again)
    if said:
        found.append(said)
    litter = [
        file
        for file in fuzz.snapshot(folder)
        if file.endswith("-unfinished") or any(part.endswith(".part") for part in Path(file).parts)
    ]
    if litter:
        found.append(f"litter: {litter[:2]}")
    return found


def raw_of(files: dict[str, bytes], file: str) -> bytes | None:
    """A file's bytes, or None."""
    return files.get(file)


def events_of(words: str, folder: Path, work: Path) -> int:
    """Number of events of a command in its folder: the first n at which it is no longer killed, by halving."""
    low, high = 1, 4096
    while low < high:
        middle = (low + high) // 2
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(folder, work)
        if forked(words, work, killed_at(work, middle)) == -signal.SIGKILL:
            low = middle + 1
        else:
            high = middle
    return low - 1


def campaign(
    count: int,
    seed: int,
    commands: tuple[str, ...] = COMMANDS,
    *,
    prepare: Callable[[Path], None] = fuzz.prepare,
    show: bool = False,
) -> tuple[Counter[str], list[str]]:
    """So many kills, spread over the commands and their events, and a full disk for every eighth."""
    counts: Counter[str] = Counter()
    broken: list[str] = []
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        sound, work, done = (Path(name) / part for part in ("sound", "work", "done"))
        sound.mkdir()
        prepare(sound)
        old = {file: state[2] for file, state in fuzz.snapshot(sound).items()}
        for words in commands:
            shutil.rmtree(done, ignore_errors=True)
            shutil.copytree(sound, done)
            code = forked(words, done)
            assert code == (1 if words.startswith(_NO) else 0), words
            new = {file: state[2] for file, state in fuzz.snapshot(done).items()}
            last = events_of(words, sound, work)
            counts[f"events: {words[:40]}"] = last
            heavy = sum(one.startswith(_HEAVY) for one in commands)
            share = -(-count // (len(commands) + (_LIGHT - 1) * (len(commands) - heavy)))
            share *= 1 if words.startswith(_HEAVY) else _LIGHT
            every = list(range(1, last + 1))
            places = every if share >= last else sorted(rng.sample(every, share))
            places += [rng.choice(every) for _ in range(share - len(places))]
            for k, place in enumerate(places):
                shutil.rmtree(work, ignore_errors=True)
                shutil.copytree(sound, work)
                if k % 8 == 7:
                    size = rng.choice([0, 1, 10, 100, 1000, 2000, 5000, 20000])
                    code = forked(words, work, full_after(size))
                    counts[f"full disk: exit {code}"] += 1
                    found = (
                        []
                        if code in {0, 2, 1 if words.startswith(_NO) else 0}
                        else [f"full disk: exit {code}"]
                    )
                else:
                    code = forked(words, work, killed_at(work, place))
                    counts["killed" if code == -signal.SIGKILL else f"ended: {code}"] += 1
                    found = []
                found += whole(work, words, old, new)
                for one in found:
                    counts[f"broken: {one[:50]}"] += 1
                    broken.append(f"{words} at {place}: {one}")
                    if show:
                        print(broken[-1], flush=True)
            if show:
                print(f"{words}: {last} events; {dict(counts)}", flush=True)
    return counts, broken


def race(writers: int, prepare: Callable[[Path], None] = fuzz.prepare) -> tuple[int, int]:
    """So many writers at once on one machine file: how many said that they wrote, how many calibrations the log has more."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare(folder)
        log = folder / "logged.calibrations.jsonl"
        before = len(log.read_text(encoding="utf-8").splitlines())
        children = []
        for k in range(writers):
            child = os.fork()
            if child == 0:
                code = 99
                with contextlib.suppress(BaseException):
                    code = fuzz.run(f"pivot restore {k % 2} -m logged.toml", folder)[0]
                os._exit(code)
            children.append(child)
        wrote = sum(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0 for child in children)
        code, out, _ = fuzz.run("pivot log -m logged.toml --json", folder)
        assert code == 0
        report = json.loads(out)
        assert report["current"]
        assert all(one["applied"] and not one["edited"] for one in report["calibrations"])
        return wrote, len(report["calibrations"]) - before


if __name__ == "__main__":
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    ended, faults = campaign(total, 1, prepare=prepare_in_a_child, show=True)
    print(
        f"{dict(ended)}; {len(faults)} broken promises; 24 writers at once: wrote and logged {race(24, prepare_in_a_child)}"
    )
