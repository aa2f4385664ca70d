"""Pages for a lesson's keys: each exercise in three dimensions, made from the files that the lesson consists of."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from kinematics import KinematicsError
from kinematics.progress import counted
from kinematics.teaching import why_not_by_trigonometry
from tiltwright.page.assemble import fit_html, setup_html
from tiltwright.page.contract import setup_page
from tiltwright.teaching.lesson_set import KEYS, SHARED_MACHINE, page_name
from tiltwright.teaching.workings import stack_used

__all__ = ["lesson_pages"]


def lesson_pages(files: Mapping[Path, str | bytes], *, by_hand: bool) -> Iterator[tuple[Path, str]]:
    """A page for every key of a lesson: the job's, or for a pivot to find that of the fit to its readings.

    Parameters
    ----------
    files : mapping of Path to content
        The lesson's files by their path in its folder.
    by_hand : bool
        Work the offsets out by plane trigonometry, where the machine is square.
    """
    keys = {
        path.name: content
        for path, content in files.items()
        if path.parent == Path(KEYS) and path.suffix in {".toml", ".csv"}
    }
    with tempfile.TemporaryDirectory() as folder:
        for name, content in keys.items():
            target = Path(folder) / name
            target.write_bytes(content if isinstance(content, bytes) else content.encode())
        for name in counted(keys, "pages"):
            found = re.fullmatch(r"(job|readings)-(\d+)\.(?:toml|csv)", name)
            if found is None:
                continue
            path, number = Path(folder) / name, found[2]
            machine = f"machine-{number}.toml"
            made = (
                _job_page(path, by_hand=by_hand)
                if found[1] == "job"
                else _fit_page(path, Path(folder) / (machine if machine in keys else SHARED_MACHINE))
            )
            if made is not None:
                yield Path(KEYS) / page_name(int(number)), made


def _job_page(path: Path, *, by_hand: bool) -> str:
    from tiltwright.job.evaluate import evaluate_job

    evaluated = evaluate_job(str(path))
    by_hand = by_hand and not why_not_by_trigonometry(evaluated.setup, stack_used(evaluated))
    return setup_html(setup_page(evaluated, evaluated.job.unit.value, by_hand=by_hand))


def _fit_page(path: Path, machine: Path) -> str | None:
    """The page of a fit; None where a few readings leave a line open."""
    from kinematics.calibration import fit_pivots
    from tiltwright.calibration.load_readings import load_readings
    from tiltwright.files.loader import read_machine
    from tiltwright.page.fit_contract import fit_page

    read = read_machine(str(machine))
    gathered = load_readings(str(path), read.machine, "table", None, None)
    try:
        fit = fit_pivots(gathered.readings, read.machine)
    except KinematicsError:
        return None
    return fit_html(fit_page(fit, read.unit.value, path.name))
