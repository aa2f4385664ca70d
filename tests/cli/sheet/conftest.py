"""Jobs to print, written to files and read as the program reads them."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path

import pytest
from machine_texts import mill_text

from tiltwright.job.evaluate import EvaluatedJob, evaluate_job
from tiltwright.output.document_files import document_markdown, document_text
from tiltwright.sheet.build import build_sheet
from tiltwright.sheet.data import Sheet
from tiltwright.sheet.sheet_document import sheet_document

TRUNNION = mill_text(
    name="Teaching mill with tilting rotary",
    travel=("[-760.0, 0.0]", "[-410.0, 0.0]", "[-510.0, 0.0]"),
    platter="face = -356.112\ndiameter = 160.0",
)

HEAD = """
name = "Tide-gauge head, side ports"
units = "mm"
machine = "machine.toml"
revision = "B"
square_up = "C"
notes = ["Deburr the bore before turning to the ports."]
[[stack]]
name = "sub-plate"
up = 20.012
[[stack]]
name = "round standoff"
up = 95.004
shift = [0.015, -0.008]
[[stack]]
name = "blank, part zero at top centre"
up = 62.0
turn = 0.35
[[operation]]
name = "face and bore"
at = { A = 0, C = 0 }
work_offset = 1
program = "HEAD-1"
[[operation]]
name = "port"
normal = [0.0, -0.5, 0.8660254037844386]
origin = [0.0, -18.0, -12.0]
repeat = { count = 6, step = 60.0 }
[[operation]]
name = "chamfer"
tip = [["z", 60.0], ["x", 35.0]]
tool = "6 mm drill"
"""

TOUCHED = """
[touched]
X = -381.000
Y = -203.433
Z = -178.946
pose = { A = 0, C = 0 }
use = "touched"
within = 0.02
"""

INCH_TRUNNION = """
name = "Inch mill, C on B"
units = "inch"
z_reference = "reference tool"
reference_tool_length = 4.0
[[rotary]]
letter = "B"
along = "+Y"
positive_turn = "clockwise"
point = [10.0, -8.0, -16.0]
limits = [-110.0, 110.0]
[[rotary]]
letter = "C"
direction = [0.0001, 0.0, 1.0]
positive_turn = "counterclockwise"
point = [10.0005, -8.0002, -14.0]
limits = "endless"
[platter]
face = -14.0
"""

FOOT = """
name = "Beacon mast foot"
units = "inch"
machine = "machine.toml"
[[stack]]
name = "vice base"
up = 1.5
[[stack]]
name = "angle plate"
up = 2.0
rotate = [["x", 15.0]]
[[stack]]
name = "blank"
up = 1.25
[[operation]]
name = "top"
normal = [0, 0, 1]
[[operation]]
name = "flat"
normal = [0.5, 0, 0.8660254]
origin = [0.5, 0.25, -0.3]
"""

INDEXER = """
name = "Indexer on the table"
units = "mm"
z_reference = "gauge line"
[[rotary]]
letter = "A"
along = "-X"
positive_turn = "counterclockwise"
point = [-100.0, -150.0, -200.0]
limits = "endless"
[platter]
diameter = 125.0
"""

FLOAT = """
name = "Conical float"
units = "mm"
machine = "machine.toml"
[[stack]]
name = "chuck and float, part zero at its tip"
shift = [85.0, 0.0]
[[operation]]
name = "slot"
normal = [0, 0, 1]
origin = [-20, 0, 15]
[[operation]]
name = "slot on the back"
normal = [0, 1, 0]
origin = [-20, 15, 0]
"""

SETUPS = {"head": (TRUNNION, HEAD), "foot": (INCH_TRUNNION, FOOT), "float": (INDEXER, FLOAT)}


def text_of(sheet: Sheet) -> str:
    """The sheet as text."""
    return document_text(sheet_document(sheet))


def markdown_of(sheet: Sheet) -> str:
    """The sheet as Markdown."""
    return document_markdown(sheet_document(sheet))


Work = Callable[..., EvaluatedJob]
Make = Callable[..., Sheet]


@pytest.fixture(scope="session")
def work(tmp_path_factory: pytest.TempPathFactory) -> Work:
    """A job worked through, from the text of its two files."""
    folder: Path = tmp_path_factory.mktemp("jobs")

    def worked(machine: str = TRUNNION, job: str = HEAD) -> EvaluatedJob:
        (folder / "machine.toml").write_text(machine, "utf-8")
        (folder / "job.toml").write_text(job, "utf-8")
        return evaluate_job(str(folder / "job.toml"))

    return worked


@pytest.fixture(scope="session")
def make(work: Work) -> Make:
    """A sheet, from the text of a machine file and a job file."""

    @functools.cache
    def made(machine: str = TRUNNION, job: str = HEAD, units: str | None = None) -> Sheet:
        return build_sheet(work(machine, job), date="2026-11-25", version="0.1.0", units=units)

    return made
