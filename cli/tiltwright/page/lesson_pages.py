"""Pages for teaching: a lesson's exercises in three dimensions, and answers beside the right ones, the mistake named."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from kinematics import KinematicsError
from kinematics.progress import counted
from kinematics.teaching import why_not_by_trigonometry
from tiltwright.output import numbers
from tiltwright.page.assemble import fit_html, setup_html
from tiltwright.page.contract import setup_page
from tiltwright.teaching.assessment import Assessment, why_words
from tiltwright.teaching.class_set import KEYS, SHARED_MACHINE, page_name
from tiltwright.teaching.workings import stack_used

__all__ = ["ghosts_of", "lesson_pages"]


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


def ghosts_of(assessment: Assessment, units: str, *, for_student: bool = False) -> dict[str, Any]:
    """Answers for the contract of a page.

    Parameters
    ----------
    assessment : Assessment
    units : str
        "mm" or "inch".
    for_student : bool
        For a page to hand back: it names no command.

    Returns
    -------
    dict
        With the student, counts, and for each operation that has answers: where the answers put its origin (a number
        that was not answered is taken as right), by how much it is off, and why.
    """
    right, answered = assessment.count
    return {
        "student": assessment.answers.student,
        "right": right,
        "answered": answered,
        "unanswered": assessment.answers.unanswered,
        "operations": [
            ghost
            for operation, placed in enumerate(assessment.placed)
            for ghost in _ghost(assessment, operation, placed.name, units, for_student=for_student)
        ],
    }


def _ghost(
    assessment: Assessment, operation: int, name: str, units: str, *, for_student: bool
) -> list[dict[str, Any]]:
    diagnosis = assessment.diagnosis
    rows = [i for i, answer in enumerate(diagnosis.answers) if answer.operation == operation]
    faults = [fault for fault in assessment.angle_faults if fault.answer.operation == operation]
    if not rows and not faults:
        return []
    at = assessment.placed[operation].offset_mm.copy()
    axes = []
    for i in rows:
        axis = "XYZ".index(diagnosis.answers[i].axis)
        at[axis] = diagnosis.answers[i].value_mm
        axes.append({"axis": "XYZ"[axis], "wrong": bool(diagnosis.wrong[i])})
    off = at - assessment.placed[operation].offset_mm
    findings = [one for one in diagnosis.findings if operation in one.operations]
    titles = [" + ".join(mistake.label for mistake in one.made) for one in findings]
    words = [
        sentence
        for one in findings
        for sentence in why_words(assessment, one, units, for_student=for_student)
    ]
    for fault in faults:
        titles.append(f"{fault.answer.letter}: {fault.why or 'wrong angle'}")
        words.append(
            f"Program {fault.answer.letter} was answered {numbers.angle(fault.answer.program_deg)}; correct is "
            f"{numbers.angle(fault.right_deg)}."
        )
    if operation in diagnosis.unexplained:
        titles.append("unexplained")
        words.append("No known mistake, or pair of them, gives these numbers.")
    return [
        {
            "name": name,
            "at": at.tolist(),
            "shown": list(numbers.lengths(at, units)),
            "off": (off + 0.0).tolist(),
            "distance": float(np.linalg.norm(off)),
            "axes": axes,
            "right": not faults and not any(one["wrong"] for one in axes),
            "titles": titles,
            "words": words,
        }
    ]
