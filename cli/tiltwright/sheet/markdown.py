"""The sheet as Markdown (CommonMark with tables); a name from a file stays a name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tabulate import tabulate

from tiltwright.output.markdown import escaped
from tiltwright.sheet import wording
from tiltwright.sheet.data import Sheet

__all__ = ["sheet_markdown"]


def sheet_markdown(sheet: Sheet) -> str:
    """The whole sheet as Markdown, ending in a line end."""
    parts = [
        f"# Setup sheet: {escaped(sheet.job)}",
        _list(f"{label}: {escaped(value)}" for label, value in sheet.identity[1:]),
    ]
    if sheet.alerts:
        parts += ["## Stop: read this first", _list(f"**{escaped(alert)}**" for alert in sheet.alerts)]
    if sheet.notes:
        parts += ["## Notes", _list(map(escaped, sheet.notes))]
    parts += [*_offsets(sheet), *_directions(sheet), *_stack(sheet)]
    parts += ["## Taken as given", _list(map(escaped, sheet.givens)), *_from_axis(sheet)]
    parts += ["## Before the first cut", _list(map(escaped, sheet.verify_words)), _verify(sheet)]
    parts += ["## Cautions", _list(map(escaped, sheet.cautions))]
    parts.append(_table(("set by", "checked by", "date"), [("&nbsp;", "", "")], "lll"))
    return "\n\n".join(parts) + "\n"


def _list(items: Iterable[str]) -> str:
    return "\n".join(f"- {item}" for item in items)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], align: str) -> str:
    sides = ["left" if side == "l" else "right" for side in align]
    return tabulate(list(rows), headers=list(head), tablefmt="github", disable_numparse=True, colalign=sides)


def _offsets(sheet: Sheet) -> list[str]:
    n = len(sheet.letters)
    head = (
        wording.WORK_OFFSET,
        "operation",
        *map(wording.program_head, sheet.letters),
        *"XYZ",
        *map(wording.offset_head, sheet.letters),
    )
    before = f"**{wording.SET_BEFORE}:** " if sheet.before_each else ""
    rows = [
        (op.register, before + escaped(op.title), *op.program, *op.offset, *op.rotary_offset)
        for op in sheet.operations
    ]
    parts = [
        f"## {wording.offsets_heading(sheet)}",
        _table(head, rows, "ll" + "r" * (3 + 2 * n)),
        escaped(wording.offsets_words(sheet)),
        "## G-code that loads them",
    ]
    for block in sheet.load:
        parts += [escaped(block.when), "\n".join(("```", *block.lines, "```"))]
    return parts


def _directions(sheet: Sheet) -> list[str]:
    n = len(sheet.letters)
    head = (
        wording.WORK_OFFSET,
        "operation",
        "origin X",
        "Y",
        "Z",
        *(f"machine {a}" for a in sheet.letters),
        "directions",
    )
    rows = [
        (
            op.register,
            escaped(op.name),
            *op.origin,
            *op.machine,
            escaped("; ".join((*op.meaning, *op.remarks, *op.beyond_travel))),
        )
        for op in sheet.operations
    ]
    return ["## What the program's axes are on the part", _table(head, rows, "ll" + "r" * (3 + n) + "l")]


def _from_axis(sheet: Sheet) -> list[str]:
    if not sheet.drawings:
        return []
    parts = [f"## From the turning axis to each origin ({sheet.units})", escaped(wording.delta_words(sheet))]
    for one in sheet.drawings:
        rows = [(row[0], escaped(row[1]), *row[2:]) for row in one.rows]
        parts += [escaped(one.view.title), _table(one.head, rows, "llrrr")]
    return parts


def _stack(sheet: Sheet) -> list[str]:
    parts = [f"## The stack, from the platter up ({sheet.units})"]
    rows = [
        (s.number, escaped(s.name), s.up, s.shift_x, s.shift_y, escaped(s.turns), s.x, s.y, s.z)
        for s in sheet.stack
    ]
    head = ("", "step", "up", "shift x", "shift y", "turns", "to x", "to y", "height z")
    parts.append(_table(head, rows, "rlrrrlrrr") if rows else "No steps: part zero is the table's origin.")
    zero = [(what, *values) for what, values in wording.part_zero_rows(sheet)]
    parts.append(_table(("part zero", "X", "Y", "Z"), zero, "lrrr"))
    if sheet.touch is not None:
        parts += [
            f"## Part zero as touched off, against the stack ({sheet.units})",
            _table(("in the table frame", "x", "y", "z"), sheet.touch.rows, "lrrr"),
            _list(map(escaped, sheet.touch.words)),
        ]
    return parts


def _verify(sheet: Sheet) -> str:
    rows = [
        (v.register, escaped(v.name), sheet.angles(v.program), "  ".join(v.over), *v.display, "", "")
        for v in sheet.verify
    ]
    head = (
        wording.WORK_OFFSET,
        "operation",
        "program angles",
        "over part X Y Z",
        "display X",
        "display Y",
        "display Z without tool",
        wording.PLUS_TOOL,
        "= display Z",
    )
    return _table(head, rows, "llllrrrll")
