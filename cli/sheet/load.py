"""The sheet's G-code: the same words that the G-code file has, in columns, without names."""

from __future__ import annotations

from collections.abc import Sequence

from tiltwright.sheet.data import LoadBlock, OperationRow
from tiltwright.show.gcode import load_line
from tiltwright.worked import Worked

UNIT_LINE = {"mm": "G21 (millimetres)", "inch": "G20 (inches)"}


def load_blocks(worked: Worked, rows: Sequence[OperationRow], units: str) -> tuple[LoadBlock, ...]:
    """One block for all offsets where the nine suffice, else one before each operation.

    The names stay out of it: the table above it tells which operation an offset belongs to.

    Parameters
    ----------
    worked : Worked
    rows : sequence of OperationRow
        Of the same operations, in the same unit.
    units : str
        "mm" or "inch".

    Returns
    -------
    tuple of LoadBlock
    """
    letters = worked.setup.machine.letters
    rotary_offset = worked.setup.rotary_offset_deg.tolist()
    lines = _aligned(
        [
            f"{load_line(one, letters, rotary_offset, units)} ({row.register})"
            for one, row in zip(worked.operations, rows, strict=True)
        ]
    )
    if not worked.before_each:
        when = "Run once, before the first operation. It sets offsets and moves nothing."
        return (LoadBlock(when, (UNIT_LINE[units], *dict.fromkeys(lines))),)
    return tuple(
        LoadBlock(f"Before operation {row.title}", (UNIT_LINE[units], line))
        for row, line in zip(rows, lines, strict=True)
    )


def _aligned(lines: Sequence[str]) -> list[str]:
    """Lines of as many words each, with the words under each other (blanks between words mean nothing: section 3.3)."""
    words = [line.split(" ") for line in lines]
    widths = [max(map(len, column)) for column in zip(*words, strict=True)]
    return [" ".join(map(str.ljust, row, widths)).rstrip() for row in words]
