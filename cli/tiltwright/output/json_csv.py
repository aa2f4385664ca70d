"""JSON and CSV output."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from kinematics import Machine
from tiltwright.files.diagnostics import sanitized
from tiltwright.output.numbers import UNIT_MM

__all__ = ["by_letter", "csv_pieces", "csv_text", "json_pieces", "json_text", "length_list"]


def json_text(report: dict[str, Any]) -> str:
    """A report as one JSON object in ASCII, indented; refuses NaN and infinity, which JSON lacks."""
    import json

    return json.dumps(report, indent=1, allow_nan=False) + "\n"


def json_pieces(report: dict[str, Any], key: str, items: Iterable[dict[str, Any]]) -> Iterator[str]:
    """A report as JSON in pieces, for a list that need not be held as a whole; each of its items takes one line.

    Parameters
    ----------
    report : dict
        With an empty list under `key`.
    key : str
    items : iterable of dict
        The list's items.

    Examples
    --------
    >>> print("".join(json_pieces({"units": "mm", "poses": []}, "poses", ({"A": a} for a in (0.0, 15.0)))), end="")
    {
     "units": "mm",
     "poses": [
      {"A": 0.0},
      {"A": 15.0}
     ]
    }
    """
    import json

    encoder = json.JSONEncoder(allow_nan=False)
    # A quotation mark inside a text is escaped, so this place is found nowhere else.
    head, tail = json_text(report).split(f'"{key}": []', 1)
    yield f'{head}"{key}": ['
    between = "\n  "
    for item in items:
        yield between + encoder.encode(item)
        between = ",\n  "
    yield f"\n ]{tail}" if between.startswith(",") else f"]{tail}"


def length_list(values_mm: ArrayLike, units: str) -> list[Any]:
    """Lengths (...) in the stated unit, nested as they came; never -0.0.

    Inches are rounded to a millionth of a millionth, far below any meaning, so that what was typed comes out as it was.

    Examples
    --------
    >>> length_list([0.75 * 25.4, -0.0], "inch")
    [0.75, 0.0]
    """
    lengths = np.asarray(values_mm, dtype=np.float64) / UNIT_MM[units]
    if UNIT_MM[units] != 1.0:
        lengths = np.round(lengths, 12)
    found: list[Any] = (lengths + 0.0).tolist()
    return found


def by_axis(values_mm: ArrayLike, units: str) -> dict[str, float]:
    """X, Y, Z (3,) in the stated unit, by the axes' letters."""
    return dict(zip("XYZ", length_list(values_mm, units), strict=True))


def by_letter(machine: Machine, angles: Iterable[float]) -> dict[str, float]:
    """Angles by the rotaries' letters."""
    return {letter: float(value) + 0.0 for letter, value in zip(machine.letters, angles, strict=True)}


def csv_text(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV with a header line.

    An apostrophe goes before text that a spreadsheet would run as a formula; control characters are spelled out.
    """
    return "".join(csv_pieces(head, rows))


_ROWS_AT_ONCE = 1000


def csv_pieces(head: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    """CSV as `csv_text` has it, in pieces, for rows that need not be held all at once."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    for number, row in enumerate(rows, start=1):
        writer.writerow([_inert(cell) if isinstance(cell, str) else cell for cell in row])
        if number % _ROWS_AT_ONCE == 0:
            yield out.getvalue()
            out.seek(0)
            out.truncate()
    yield out.getvalue()


def _inert(text: str) -> str:
    text = sanitized(text)
    return f"'{text}" if text.lstrip()[:1] in {"=", "+", "-", "@"} else text
