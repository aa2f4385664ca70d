"""Hostile names in every field to every output, and odd surroundings: locales, encodings, widths, closed streams.

By hand: ``.venv/bin/python tests/campaign/hostile.py``; the counts are printed.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import os
import re
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import fuzz  # noqa: E402 - found beside this file
from mutations import NAMES  # noqa: E402 - likewise

FIELDS = {
    "job": ("tide_gauge_head.toml", r'^name( *)= ".*"'),
    "machine": ("teaching_mill.toml", r'^name( *)= ".*"'),
    "step": ("tide_gauge_head.toml", r'(?<=\[\[stack\]\]\n)name( *)= ".*"'),
    "operation": ("tide_gauge_head.toml", r'(?<=\[\[operation\]\]\n)name( *)= ".*"'),
}
OUTPUTS = (
    "offsets tide_gauge_head.toml",
    "offsets tide_gauge_head.toml --json",
    "offsets tide_gauge_head.toml --csv",
    "offsets tide_gauge_head.toml --gcode",
    "aim tide_gauge_head.toml",
    "sheet tide_gauge_head.toml -o sheet.md",
    "sheet tide_gauge_head.toml -o sheet.txt",
    "page tide_gauge_head.toml -o page.html",
    "machine show teaching_mill.toml --json",
)
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e]")
_PLAIN_CODE = re.compile(r"[\s%A-Z0-9.+\-#\[\]=]*")


def faults_of(words: str, name: str, code: int, out: str, err: str, folder: Path) -> list[str]:
    """Breaches that a name led to."""
    found = []
    if code not in {0, 1, 2}:
        found.append(f"exit {code}")
    if _CONTROL.search(out) or _CONTROL.search(err) or "Traceback" in err:
        found.append("control character")
    if code == 2:
        return found if "error: " in err else [*found, "exit 2 without an error"]
    if "--json" in words:
        json.loads(out)
    if "--gcode" in words and not _PLAIN_CODE.fullmatch(re.sub(r"\([^()]*\)", "", out)):
        found.append("out of its comment")
    if "--csv" in words:
        cells = (cell for row in csv.reader(io.StringIO(out)) for cell in row)
        found += [
            f"formula {c}" for c in cells if c[:1] in "=+-@" and c and not re.fullmatch(r"-?[\d.e-]+", c)
        ]
    for file in ("sheet.md", "page.html"):
        path = folder / file
        if f"-o {file}" in words and "<b>" in name and name in path.read_text(encoding="utf-8"):
            found.append(f"markup in {file}")
    return found


def names(most: int | None = None) -> tuple[Counter[str], list[str]]:
    """Every hostile name in every field to every output, or the first so many."""
    counts: Counter[str] = Counter()
    broken: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        sound = {
            file: (fuzz.EXAMPLES / file).read_text(encoding="utf-8")
            for file in ("tide_gauge_head.toml", "teaching_mill.toml")
        }
        for (field, (file, pattern)), name, words in itertools.islice(
            itertools.product(FIELDS.items(), NAMES, OUTPUTS), most
        ):
            for each, text in sound.items():
                (folder / each).write_text(text, encoding="utf-8")
            hostile = re.sub(
                pattern, lambda _, name=name: f'name = "{name}"', sound[file], count=1, flags=re.MULTILINE
            )
            (folder / file).write_text(hostile, encoding="utf-8")
            code, out, err = fuzz.run(f"{words} --force" if " -o " in words else words, folder)
            counts[f"exit {code}"] += 1
            counts[field] += 1
            found = faults_of(words, name, code, out, err, folder)
            broken += [f"{field} {name[:40]!r}: {words}: {one}" for one in found]
    return counts, broken


def surroundings() -> tuple[Counter[str], list[str]]:
    """A few commands under odd locales, encodings and widths, and with closed streams."""
    counts: Counter[str] = Counter()
    broken: list[str] = []
    base = {key: value for key, value in os.environ.items() if not key.startswith(("LC_", "LANG", "PYTHON"))}
    if os.environ.get("PYTHONPATH"):
        base["PYTHONPATH"] = os.environ["PYTHONPATH"]
    odd = [{"LC_ALL": one} for one in ("C", "C.UTF-8", "de_DE.UTF-8", "nonsense")]
    # An encoding that Python does not know stops the interpreter before any line of the program.
    odd += [{"PYTHONIOENCODING": one} for one in ("ascii", "latin-1", "utf-16", "cp1252")]
    odd += [{"COLUMNS": one} for one in ("20", "40", "200", "0", "x")]
    closed = ("", " >&-", " 2>&-", " <&-", " >&- 2>&- <&-")
    for more, words, stream in itertools.product(
        odd, ("offsets tide_gauge_head.toml", "offsets --help", "offsets nothing.toml"), closed
    ):
        if stream and "LC_ALL" not in more:
            continue
        ended = subprocess.run(
            f"{sys.executable} -m tiltwright {words}{stream}",
            shell=True,
            cwd=fuzz.EXAMPLES,
            env=base | more,
            capture_output=True,
            check=False,
        )
        wanted = {2} if "nothing" in words else {0}
        # What cannot be written to a closed stdout is a fault; "offsets" says so.
        wanted |= {2} if (">&-" in stream and "2>&- <" not in stream) or stream.startswith(" >&-") else set()
        counts[f"exit {ended.returncode}"] += 1
        if ended.returncode not in wanted or b"Traceback" in ended.stderr + ended.stdout:
            broken.append(f"{more} {words}{stream}: exit {ended.returncode}: {ended.stderr[-200:]!r}")
    return counts, broken


if __name__ == "__main__":
    for title, (ended, faults) in (("names", names()), ("surroundings", surroundings())):
        for fault in faults:
            print(fault)
        print(
            f"{title}: {sum(v for k, v in ended.items() if k.startswith('exit'))} cases, {dict(ended)}; {len(faults)} broken promises",
            flush=True,
        )
