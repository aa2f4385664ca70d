"""JSON and CSV output."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from kinematics import Machine
from tiltwright.files.diagnostics import sanitized
from tiltwright.output.numbers import UNIT_MM

__all__ = ["by_letter", "csv_text", "json_text", "length_list"]


def json_text(report: dict[str, Any], *, compact: bool = False) -> str:
    """A report as one JSON object in ASCII, indented unless compact; refuses NaN and infinity, which JSON lacks."""
    import json

    return json.dumps(report, indent=None if compact else 1, allow_nan=False) + "\n"


def length_list(values_mm: ArrayLike, units: str) -> list[Any]:
    """Lengths (...) in the stated unit, nested as they came; never -0.0."""
    lengths: list[Any] = (np.asarray(values_mm, dtype=np.float64) / UNIT_MM[units] + 0.0).tolist()
    return lengths


def by_letter(machine: Machine, angles: Iterable[float]) -> dict[str, float]:
    """Angles by the rotaries' letters."""
    return {letter: float(value) + 0.0 for letter, value in zip(machine.letters, angles, strict=True)}


def csv_text(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV with a header line.

    An apostrophe goes before text that a spreadsheet would run as a formula; control characters are spelled out.
    """
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    for row in rows:
        writer.writerow([_inert(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue()


def _inert(text: str) -> str:
    text = sanitized(text)
    return f"'{text}" if text.lstrip()[:1] in {"=", "+", "-", "@"} else text
