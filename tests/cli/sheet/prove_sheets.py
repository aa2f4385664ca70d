"""Hold every example and 50 random jobs to the proof at arm's length, in both units and papers; run by hand."""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[3]))

from tests.cli.sheet.arms_length import faults_of, random_job
from tiltwright.files.diagnostics import InputFaults
from tiltwright.files.loader import read_job
from tiltwright.job.evaluate import EvaluatedJob, evaluate_nests
from tiltwright.sheet import typeset
from tiltwright.sheet.build import build_sheet

EXAMPLES = Path(__file__).parents[3] / "examples"


def _say(words: str) -> None:
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def _prove(name: str, path: Path, count: Counter[str]) -> None:
    for evaluated in evaluate_nests([read_job(str(path))]).nests:
        _prove_sheet(name, evaluated, count)


def _prove_sheet(name: str, evaluated: EvaluatedJob, count: Counter[str]) -> None:
    for units in ("mm", "inch"):
        sheet = build_sheet(evaluated, date="2026-11-25", version="0", units=units)
        for paper in ("a4", "us-letter"):
            faults = faults_of(typeset.pdf(sheet, paper), sheet)
            count["sheets"] += 1
            count["with faults"] += bool(faults)
            for fault in faults[:6]:
                _say(f"{name} {units} {paper}: {fault}")


def _main(jobs: int) -> None:
    count: Counter[str] = Counter()
    for path in sorted(EXAMPLES.glob("*.toml")):
        if "[[operation]]" in path.read_text("utf-8"):
            _prove(path.stem, path, count)
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, jobs + 1):
            machine, job = random_job(seed)
            (Path(folder) / "machine.toml").write_text(machine, "utf-8")
            (Path(folder) / "job.toml").write_text(job, "utf-8")
            try:
                _prove(f"random {seed}", Path(folder) / "job.toml", count)
            except InputFaults as refusal:
                _say(f"random {seed}: refused: {refusal}")
                count["refused"] += 1
    _say(str(dict(count)))


if __name__ == "__main__":
    _main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
