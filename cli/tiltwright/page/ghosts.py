"""Somebody's answers on the page: each wrong origin beside the right one, with the mistake named."""

from __future__ import annotations

from typing import Any

import numpy as np

from tiltwright.output import numbers
from tiltwright.teaching.assessment import Assessment, why_words

__all__ = ["ghosts_of"]


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
