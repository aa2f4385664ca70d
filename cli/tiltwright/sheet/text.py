"""The sheet as plain text for the terminal and for a .txt file: no line is wider than 100 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from tabulate import tabulate

from tiltwright.output.plain_text import COLUMNS, clean, columns_of
from tiltwright.sheet import wording
from tiltwright.sheet.data import Sheet

__all__ = ["sheet_text"]

BLANK = "_" * 9


def sheet_text(sheet: Sheet) -> str:
    """The whole sheet as text, ending in a line end."""
    parts = [
        *_top(sheet),
        *_offsets(sheet),
        *_directions(sheet),
        *_stack(sheet),
        *_given(sheet),
        *_from_axis(sheet),
        *_before_first_cut(sheet),
        *_end(sheet),
    ]
    return "\n".join(line.rstrip() for part in parts for line in part.splitlines() or [""]) + "\n"


def _heading(title: str) -> list[str]:
    return ["", title[0].upper() + title[1:], "-" * len(title)]


def _wrapped(text: str, first: str = "", rest: str | None = None) -> str:
    """Text broken at the width; with wide characters in it, at half the width, which always suffices."""
    plain = clean(text)
    width = COLUMNS if columns_of(plain) <= len(plain) else COLUMNS // 2
    indent = " " * len(first) if rest is None else rest
    return textwrap.fill(plain, width, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def _cut(text: str, room: int) -> str:
    """A name in at most so many columns."""
    plain = clean(text)
    if columns_of(plain) <= room:
        return plain
    while columns_of(plain) > room - 1:
        plain = plain[:-1]
    return plain.rstrip() + "…"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], align: str) -> str:
    """A table; ``align`` has a letter for each column, l or r."""
    sides = ["left" if side == "l" else "right" for side in align]
    return tabulate(list(rows), headers=list(head), tablefmt="simple", disable_numparse=True, colalign=sides)


def _named(
    head: Sequence[str], rows: Sequence[tuple[Sequence[str], str]], align: str, first: str = ""
) -> str:
    """A table whose last column is a name, cut to the room that the numbers leave it, below ``first`` if there is one.

    The name comes last so that wide characters in it cannot push the numbers apart.
    """
    bare = _table(head[:-1], [cells for cells, _ in rows], align)
    room = COLUMNS - max(len(line) for line in bare.splitlines()) - 2
    return _table(head, [(*cells, first + _cut(name, room)) for cells, name in rows], align + "l")


def _top(sheet: Sheet) -> list[str]:
    parts = ["SETUP SHEET", _wrapped(sheet.job), ""]
    parts += [_wrapped(value, f"{label:<12} ") for label, value in sheet.identity[1:]]
    if sheet.alerts:
        parts += ["", "STOP: READ THIS FIRST", *(_wrapped(alert, "!! ") for alert in sheet.alerts)]
    return [*parts, *([""] if sheet.notes else []), *(_wrapped(note, "- ") for note in sheet.notes)]


def _offsets(sheet: Sheet) -> list[str]:
    head = (wording.WORK_OFFSET, "X", "Y", "Z", *map(wording.program_head, sheet.letters), "operation")
    first = f"{wording.SET_BEFORE}\n" if sheet.before_each else ""
    rows = [((op.register, *op.offset, *op.program), f"{op.number}. {op.name}") for op in sheet.operations]
    parts = _heading(wording.offsets_heading(sheet))
    parts += [_named(head, rows, "l" + "r" * (3 + len(sheet.letters)), first), ""]
    parts += [
        "with each: "
        + "   ".join(
            f"{wording.offset_head(letter)} {value}"
            for letter, value in zip(sheet.letters, values, strict=True)
        )
        for values in dict.fromkeys(op.rotary_offset for op in sheet.operations)
    ]
    parts.append(_wrapped(wording.offsets_words(sheet)))
    parts += _heading("G-code that loads them")
    for block in sheet.load:
        parts += [_wrapped(block.when), *(f"    {line}" for line in block.lines)]
    return parts


def _directions(sheet: Sheet) -> list[str]:
    parts = _heading("what the program's axes are on the part")
    for op in sheet.operations:
        parts.append(_wrapped(op.title, f"{op.register:<6} "))
        parts += [
            _wrapped(words, "       ")
            for words in (*wording.operation_facts(sheet, op), *op.meaning, *op.remarks, *op.beyond_travel)
        ]
    return parts


def _from_axis(sheet: Sheet) -> list[str]:
    parts = _heading(f"from the turning axis to each origin ({sheet.units})") if sheet.drawings else []
    if sheet.drawings:
        parts += [_wrapped(wording.delta_words(sheet)), ""]
    for one in sheet.drawings:
        head = (one.head[0], *one.head[2:], one.head[1])
        rows = [((row[0], *row[2:]), row[1]) for row in one.rows]
        parts += [_wrapped(one.view.title), _named(head, rows, "lrrr"), ""]
    return parts[:-1]


def _stack(sheet: Sheet) -> list[str]:
    parts = _heading(f"the stack, from the platter up ({sheet.units})")
    head = ("", "up", "shift x", "shift y", "to x", "to y", "height z", "step")
    rows = [((s.number, s.up, s.shift_x, s.shift_y, s.x, s.y, s.z), s.name) for s in sheet.stack]
    parts.append(_named(head, rows, "lrrrrrr") if rows else "No steps: part zero is the table's origin.")
    parts += [_wrapped(f"step {step.number}: {step.turns}") for step in sheet.stack if step.turns]
    parts += [
        "",
        _table(
            ("part zero", "X", "Y", "Z"),
            [(what, *values) for what, values in wording.part_zero_rows(sheet)],
            "lrrr",
        ),
    ]
    if sheet.touch is not None:
        parts += _heading(f"part zero as touched off, against the stack ({sheet.units})")
        parts += [_table(("in the table frame", "x", "y", "z"), sheet.touch.rows, "lrrr"), ""]
        parts += [_wrapped(words) for words in sheet.touch.words]
    return parts


def _given(sheet: Sheet) -> list[str]:
    return [*_heading("taken as given"), *(_wrapped(given, "- ") for given in sheet.givens)]


def _before_first_cut(sheet: Sheet) -> list[str]:
    parts = [*_heading("before the first cut"), *(_wrapped(words, "- ") for words in sheet.verify_words)]
    for v in sheet.verify:
        shown = "  ".join(f"{axis} {value}" for axis, value in zip("XYZ", v.display, strict=True))
        parts += [
            "",
            _wrapped(v.name, f"{v.register:<6} "),
            _wrapped(", ".join(wording.verify_pose_words(sheet.angles(v.program), v.over)), "       "),
            f"       display {shown} {wording.PLUS_TOOL} {BLANK} = {BLANK}",
        ]
    return parts


def _end(sheet: Sheet) -> list[str]:
    parts = [*_heading("cautions"), *(_wrapped(caution, "- ") for caution in sheet.cautions)]
    return [
        *parts,
        "",
        "",
        "set by ______________________   checked by ______________________   date ______________",
    ]
