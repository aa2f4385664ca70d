# ruff: noqa: T201 - its table is its result
"""Peak memory and time at the sizes beyond which the program refuses, and at half of them: linear, and below 500 MB.

By hand: ``.venv/bin/python tests/benchmarks/bench_limits.py [NAME ...]``. Each run is a process of its own; CPU seconds,
which hold on a busy machine.
"""

from __future__ import annotations

import math
import os
import struct
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
MOST_MB = 500.0
Case = Callable[[Path, float], list[str]]


def run(words: list[str], folder: Path) -> tuple[float, float, int]:
    """CPU seconds, peak megabytes and exit code of one command."""
    child = os.fork()
    if child == 0:
        os.chdir(folder)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        if "-v" not in sys.argv:
            os.dup2(nowhere, 2)
        os.execv(sys.executable, [sys.executable, "-m", "tiltwright", *words])
    _, status, usage = os.wait4(child, 0)
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0, os.waitstatus_to_exitcode(status)


def grid(form: str, most: int) -> Case:
    def case(_folder: Path, share: float) -> list[str]:
        step = 100.0 / (most / 1000 * share - 1)
        grids = ["--grid", f"A=-100:0:{step!r}", "--grid", "C=0:359:0.3593593593"]
        return ["offsets", "tide_gauge_head.toml", *grids, *([form] if form else [])]

    return case


def readings(folder: Path, share: float) -> list[str]:
    rng = np.random.default_rng(1)
    text = (folder / "pivots" / "spring_check.csv").read_text(encoding="utf-8")
    head, *rows = text.splitlines()
    lines, size = [head], len(head)
    while size < 3_990_000 * share:
        row = rows[int(rng.integers(len(rows)))]
        lines.append(row)
        size += len(row) + 1
    (folder / "many.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return ["pivot", "fit", "many.csv", "-m", "teaching_mill.toml", "--json"]


def parts(folder: Path, share: float) -> list[str]:
    head, first, *_ = (folder / "sensor_feet_parts.csv").read_text(encoding="utf-8").splitlines()
    rest = first.partition(",")[2]
    lines, size = [head], 0
    while size < _largest_parts() * 0.998 * share:
        lines.append(f"{100_000 + len(lines)},{rest}")
        size += len(lines[-1]) + 1
    (folder / "parts.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return ["batch", "offsets", "sensor_feet.toml", "parts.csv", "--csv"]


def _largest_parts() -> float:
    from tiltwright.batch.readings_table import LARGEST_MB

    return LARGEST_MB * 1e6


def mesh(folder: Path, share: float) -> list[str]:
    """A ball as STL, of as many triangles as are taken."""
    n = int(math.sqrt(349_000 * share / 2))
    a, b = np.meshgrid(np.linspace(0, 2 * np.pi, n + 1), np.linspace(0, np.pi, n + 1), indexing="ij")
    points = 20.0 * np.stack([np.cos(a) * np.sin(b), np.sin(a) * np.sin(b), np.cos(b)], -1)
    points[-1], points[:, 0], points[:, -1] = points[0], [0, 0, 20.0], [0, 0, -20.0]
    corners = [points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]]
    lower = np.stack([corners[0], corners[2], corners[1]], -2)[:, 1:].reshape(-1, 3, 3)
    upper = np.stack([corners[0], corners[3], corners[2]], -2)[:, :-1].reshape(-1, 3, 3)
    triangles = np.concatenate([lower, upper])
    record = np.zeros(len(triangles), dtype=[("f", "<f4", (4, 3)), ("n", "<u2")])
    record["f"][:, 1:] = triangles
    (folder / "ball.stl").write_bytes(b"\0" * 80 + struct.pack("<I", len(triangles)) + record.tobytes())
    job = (folder / "mast_cap.toml").read_text(encoding="utf-8")
    solid = '\n[[solid]]\nname = "mesh"\non = "part"\nmesh = { file = "ball.stl", units = "mm" }\n'
    (folder / "meshed.toml").write_text(job + solid, encoding="utf-8")
    return ["reach", "meshed.toml", "--only", "face", "--json"]


def sheet(folder: Path, share: float) -> list[str]:
    operations = "".join(
        f'[[operation]]\nname = "operation {k}"\nat = {{ A = {-(k % 10) * 9}, C = {k * 1.7 % 360:.1f} }}\n'
        for k in range(int(200 * share))
    )
    job = (folder / "tide_gauge_head.toml").read_text(encoding="utf-8").partition("[[operation]]")[0]
    (folder / "many.toml").write_text(job + operations, encoding="utf-8")
    return ["sheet", "many.toml", "-o", "many.pdf", "--force"]


CASES: dict[str, Case] = {
    "grid-json": grid("--json", 1_000_000),
    "grid-csv": grid("--csv", 1_000_000),
    "grid-table": grid("", 50_000),
    "readings": readings,
    "parts": parts,
    "mesh": mesh,
    "sheet": sheet,
}


def main(names: list[str]) -> int:
    import shutil

    bad = 0
    for name in names or list(CASES):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            shutil.copytree(EXAMPLES, folder, dirs_exist_ok=True)
            half = run(CASES[name](folder, 0.5), folder)
            whole = run(CASES[name](folder, 1.0), folder)
        growth = whole[0] / half[0]
        verdict = "" if whole[1] <= MOST_MB and growth < 2.5 and whole[2] in {0, 1} else "   TOO MUCH"
        bad += bool(verdict)
        print(
            f"{name:12} half: {half[0]:7.1f} s {half[1]:6.0f} MB   at the limit: {whole[0]:7.1f} s {whole[1]:6.0f} MB, "
            f"{growth:.2f} times as long, exit {whole[2]}{verdict}",
            flush=True,
        )
    return bad


if __name__ == "__main__":
    sys.exit(main([word for word in sys.argv[1:] if word != "-v"]))
