"""The sheet is read from 700 mm on a worn grey print: sizes, fills, overlaps and full pages, from the PDF itself.

`python tests/cli/sheet/prove_sheets.py` runs the same over all examples and 50 random jobs in both units and papers.
"""

from __future__ import annotations

import pytest
from slices import cases

from tiltwright.job.evaluate import evaluate_job
from tiltwright.sheet import typeset
from tiltwright.sheet.build import build_sheet

from .arms_length import arcmin, faults_of, random_job

JOBS = ("tide_gauge_head", "mast_cap")


@pytest.mark.parametrize(("name", "units", "paper", "pages"), [
    ("tide_gauge_head", "mm", "a4", 3),
    ("mast_cap", "mm", "a4", 4),
    ("float_slots", "inch", "us-letter", None),
])  # fmt: skip
def test_an_example_holds_at_arms_length(examples, name, units, paper, pages):
    evaluated = evaluate_job(str(examples / f"{name}.toml"))
    sheet = build_sheet(evaluated, date="2026-11-25", version="0", units=units)
    assert faults_of(typeset.pdf(sheet, paper), sheet) == []
    if pages is not None:
        assert len(typeset.svg_pages(sheet, paper)) == pages


@pytest.mark.parametrize(
    ("seed", "paper"), [(1, "a4"), (2, "us-letter"), (3, "a4"), (4, "us-letter"), (5, "a4")][: cases(5)]
)
def test_a_random_job_holds_at_arms_length(tmp_path, seed, paper):
    machine, job = random_job(seed)
    (tmp_path / "machine.toml").write_text(machine, "utf-8")
    (tmp_path / "job.toml").write_text(job, "utf-8")
    sheet = build_sheet(evaluate_job(str(tmp_path / "job.toml")), date="2026-11-25", version="0")
    assert faults_of(typeset.pdf(sheet, paper), sheet) == []


def test_the_proof_can_fail(examples):
    """A sheet with other figures than its page shows has figures of no size."""
    from dataclasses import replace

    sheet = build_sheet(evaluate_job(str(examples / f"{JOBS[0]}.toml")), date="2026-11-25", version="0")
    spoilt = replace(
        sheet, operations=tuple(replace(op, offset=("1.234", *op.offset[1:])) for op in sheet.operations)
    )
    assert any("offset 1.234: 0.0" in fault for fault in faults_of(typeset.pdf(sheet), spoilt))
    assert arcmin(12.6) < 16.0 < arcmin(12.7)
