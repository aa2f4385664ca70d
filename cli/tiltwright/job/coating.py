"""Sizes to cut before a job's coating: as a table, in words and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tiltwright.files.loader import ReadJob
from tiltwright.output.numbers import UNIT_SYMBOL, fine, in_units

if TYPE_CHECKING:
    from kinematics.batch.coating import CoatedKind

__all__ = ["COATING_HEAD", "CutSize", "coating_report", "coating_rows", "coating_words", "cut_sizes"]

COATING_HEAD = ("cut to", "drawing, coated", "coating on", "cut in", "feature")

_FACES = {
    "inside": "both faces, inside",
    "outside": "both faces, outside",
    "one face": "one face",
    "no": "no face",
}


@dataclass(frozen=True)
class CutSize:
    """Size of a feature before and after the coating, millimetres."""

    feature: str
    operation: str
    coated: CoatedKind
    size_mm: float
    cut_mm: float


def cut_sizes(job: ReadJob) -> tuple[CutSize, ...]:
    """Sizes of the features that name one, in the order of the file; none where the job has no coating."""
    thickness, outward = job.file.coating, job.file.coating_outward
    if thickness is None or outward is None:
        return ()
    from kinematics.batch.coating import (
        size_before_coating,  # with the collision library: only where there is a coating
    )

    found = []
    for feature in job.file.feature:
        if feature.size is not None and feature.coated is not None:
            size = job.unit.to_mm(feature.size)
            cut = float(size_before_coating(size, thickness, outward, feature.coated))
            found.append(CutSize(feature.name, feature.operation, feature.coated, size, cut))
    return tuple(found)


def coating_words(job: ReadJob, units: str) -> str:
    """The coating as a sentence; empty where there is none."""
    thickness, outward = job.file.coating, job.file.coating_outward
    if thickness is None or outward is None:
        return ""
    grown = f"{fine(thickness * outward, units)} {UNIT_SYMBOL[units]}"
    return (
        f"The coating is {fine(thickness, units)} {UNIT_SYMBOL[units]} thick, of which {grown} grows outward from each face. "
        "Cut these sizes; inspection after the coating finds the drawing's. Whether a tolerance is for before or after it, the "
        "drawing says."
    )


def coating_rows(sizes: Sequence[CutSize], units: str) -> list[tuple[str, ...]]:
    """A row for each size, under `COATING_HEAD`."""
    return [
        (fine(one.cut_mm, units), fine(one.size_mm, units), _FACES[one.coated], one.operation, one.feature)
        for one in sizes
    ]


def coating_report(job: ReadJob, units: str) -> dict[str, Any] | None:
    """The coating and the sizes for JSON; None where the job has no coating."""
    if job.file.coating is None:
        return None
    return {
        "thickness": in_units(job.file.coating, units),
        "outward": job.file.coating_outward,
        "sizes": [
            {
                "feature": one.feature,
                "operation": one.operation,
                "coated": one.coated,
                "size": in_units(one.size_mm, units),
                "cut": in_units(one.cut_mm, units),
            }
            for one in cut_sizes(job)
        ],
    }
