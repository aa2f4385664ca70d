"""The typeset sheet: PDF, PNG and SVG from one typst template, with the program's own fonts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tiltwright.output import numbers, typesetting
from tiltwright.output.typesetting import Paper, name_text, prose_text, render
from tiltwright.sheet import drawing, wording
from tiltwright.sheet.data import OperationRow, Sheet, TiltDrawing
from tiltwright.sheet.panel_layout import NARROW, WIDE

__all__ = ["Paper", "missing_characters", "pdf", "png_pages", "sheet_data", "svg_pages"]

TEMPLATE = Path(__file__).parent / "page.typ"
PNG_PPI = 150.0
WIDE_DIGITS = (
    10  # characters of the longest offset from which the big digits step down to stay in their columns
)
NARROW_ROWS = 8
"""Most operations whose table fits below, or beside, a drawing of half the page's width."""
UNBROKEN_ROWS = 16
"""Most operations whose table fits on one page together with its drawing."""


def pdf(sheet: Sheet, paper: Paper = "a4") -> bytes:
    """The sheet as a PDF; the same sheet gives the same bytes.

    Parameters
    ----------
    sheet : Sheet
    paper : {"a4", "us-letter"}

    Returns
    -------
    bytes
    """
    (document,) = render(TEMPLATE, sheet_data(sheet, paper), "pdf")
    return document


def png_pages(sheet: Sheet, paper: Paper = "a4", ppi: float = PNG_PPI) -> list[bytes]:
    """The sheet's pages as PNG pictures, `ppi` dots to the inch."""
    return render(TEMPLATE, sheet_data(sheet, paper), "png", ppi)


def svg_pages(sheet: Sheet, paper: Paper = "a4") -> list[bytes]:
    """The sheet's pages as SVG documents (UTF-8); letters in them are outlines, so no font is needed to see them."""
    return render(TEMPLATE, sheet_data(sheet, paper), "svg")


def sheet_data(sheet: Sheet, paper: Paper) -> dict[str, Any]:
    """The template's data, every text already printable and able to break over lines."""
    revision = f"revision {sheet.revision}   " if sheet.revision else ""
    head_right = _name_cut(revision, 22.0) + sheet.date
    longest = max((len(value) for op in sheet.operations for value in op.offset), default=0)
    return {
        "paper": paper,
        "family": typesetting.FAMILY,
        "mono": typesetting.MONO_FAMILY,
        "title": typesetting.printable(sheet.job) + ", setup sheet",
        "job": name_text(sheet.job),
        "head": {
            "left": _name_cut(sheet.job, 36.0),
            "right": typesetting.printable(head_right),
            "foot": "Prove out above the part first: single block, rapid turned down.",
        },
        "identity": {label: name_text(value) for label, value in sheet.identity[1:]},
        "notes": [name_text(note) for note in sheet.notes],
        "missing": _missing_words(sheet),
        "kind": wording.KIND,
        "stop": wording.STOP,
        "no_steps": wording.NO_STEPS,
        "alerts": [prose_text(alert) for alert in sheet.alerts],
        "lengths": "mm" if sheet.units == "mm" else "inch",
        "letters": list(sheet.letters),
        "digits": 13.0 if longest < WIDE_DIGITS and len(sheet.letters) < 3 else 11.0,
        "offsets_title": prose_text(wording.offsets_heading(sheet)),
        "offset_heads": [
            wording.WORK_OFFSET,
            *"XYZ",
            *(wording.offset_head(letter) for letter in sheet.letters),
        ],
        "set_before": wording.SET_BEFORE if sheet.before_each else "",
        "offsets_words": prose_text(wording.offsets_words(sheet)),
        "operations": [_operation(sheet, op) for op in sheet.operations],
        "load": [
            {"when": prose_text(block.when), "lines": [typesetting.printable(line) for line in block.lines]}
            for block in sheet.load
        ],
        "drawings_words": prose_text(wording.drawings_words(sheet)) if sheet.drawings else "",
        "drawings": _drawings(sheet.drawings),
        "stack": [
            {
                "number": row.number,
                "name": name_text(row.name),
                "turns": prose_text(row.turns),
                **{
                    key: numbers.with_minus(getattr(row, key))
                    for key in ("up", "shift_x", "shift_y", "x", "y", "z")
                },
            }
            for row in sheet.stack
        ],
        "part_zero": [
            (what, *(numbers.with_minus(value) for value in values))
            for what, values in wording.part_zero_rows(sheet)
        ],
        "touch": None
        if sheet.touch is None
        else {
            "rows": [(row[0], *(numbers.with_minus(value) for value in row[1:])) for row in sheet.touch.rows],
            "words": [prose_text(words) for words in sheet.touch.words],
        },
        "givens": [prose_text(given) for given in sheet.givens],
        "verify_words": [prose_text(words) for words in sheet.verify_words],
        "plus_tool": wording.PLUS_TOOL,
        "verify": [
            {
                "register": row.register,
                "name": name_text(row.name),
                "words": [
                    numbers.with_minus(words)
                    for words in wording.verify_pose_words(sheet.angles(row.program), row.over)
                ],
                "display": [numbers.with_minus(value) for value in row.display],
            }
            for row in sheet.verify
        ],
        "cautions": [prose_text(caution) for caution in sheet.cautions],
    }


def _operation(sheet: Sheet, op: OperationRow) -> dict[str, Any]:
    return {
        "register": op.register,
        "title": name_text(op.title),
        "name": name_text(f"{op.number}. {op.name}"),
        "command": numbers.with_minus(sheet.angles(op.program)),
        "offset": [numbers.with_minus(value) for value in op.offset],
        "rotary_offset": [numbers.with_minus(value) for value in op.rotary_offset],
        "facts": [numbers.with_minus(words) for words in wording.operation_facts(sheet, op)],
        "meaning": [prose_text(words) for words in op.meaning],
        "remarks": [prose_text(words) for words in (*op.remarks, *op.beyond_travel)],
    }


def _drawings(drawings: tuple[TiltDrawing, ...]) -> list[list[dict[str, Any]]]:
    """The drawings in rows: the first, and those with solids, as wide as the page; the others two side by side."""
    rows: list[list[dict[str, Any]]] = []
    half = False  # the last row holds one narrow drawing and has room for another
    for index, one in enumerate(drawings):
        narrow = index > 0 and len(one.rows) <= NARROW_ROWS and one.view.solids is None
        if narrow and half:
            rows[-1].append(_drawing(one, narrow=True))
        else:
            rows.append([_drawing(one, narrow=narrow)])
        half = narrow and not half
    return rows


def _drawing(one: TiltDrawing, *, narrow: bool) -> dict[str, Any]:
    layout = NARROW if narrow else WIDE
    panel = drawing.draw(one.view, layout)
    # a wide drawing names its operation beside the origin; a narrow one leaves that to its table
    listed = one.rows if narrow or len(one.rows) > 1 else ()
    return {
        "title": prose_text(one.view.title),
        "caption": prose_text(panel.caption),
        "svg": panel.svg,
        "width": panel.size[0],
        "narrow": "narrow" if narrow else "",
        "whole": "whole" if len(one.rows) <= UNBROKEN_ROWS else "",
        # a narrow drawing's title says at which tilt
        "head": [
            prose_text(head) for head in (one.head[0], "operation" if narrow else one.head[1], *one.head[2:])
        ],
        "rows": [
            (row[0], name_text(row[1]), *(numbers.with_minus(value) for value in row[2:])) for row in listed
        ],
    }


def missing_characters(sheet: Sheet) -> tuple[str, ...]:
    """The characters of the sheet's names that its font cannot print, each once; the page shows a square for them."""
    names = [sheet.job, sheet.revision, sheet.machine, sheet.date, *sheet.notes, *sheet.alerts]
    names += [row.name for row in sheet.stack]
    names += [text for op in sheet.operations for text in (op.name, op.program_name, op.tool)]
    return typesetting.uncovered("".join(names))


def _missing_words(sheet: Sheet) -> str:
    """Explanation of the squares on the page; empty when no character is missing."""
    gone = missing_characters(sheet)
    if not gone:
        return ""
    codes = " ".join(f"U+{ord(c):04X}" for c in gone[:12]) + (" …" if len(gone) > 12 else "")
    return (
        f"Each {typesetting.STAND_IN} on this sheet stands for a character that its font does not have ({codes}): "
        "read that name in the job file."
    )


def _name_cut(text: str, room_em: float) -> str:
    return typesetting.shortened(typesetting.printable(text), room_em, bold=True)
