"""The sheet as pages: PDF, PNG and SVG from one typst template, with the sheet's own font and nothing from outside."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tiltwright.sheet import drawing, phrases, typeface
from tiltwright.sheet.data import OperationRow, Sheet, TiltDrawing
from tiltwright.sheet.press import Paper, name_text, press, prose_text
from tiltwright.show import numbers

__all__ = ["Paper", "missing_characters", "page_data", "pdf", "png_pages", "svg_pages"]

TEMPLATE = Path(__file__).parent / "page.typ"
PNG_PPI = 150.0
WIDE_DIGITS = (
    10  # characters of the longest offset from which the big digits step down to stay in their columns
)


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
    (document,) = press(TEMPLATE, page_data(sheet, paper), "pdf")
    return document


def png_pages(sheet: Sheet, paper: Paper = "a4", ppi: float = PNG_PPI) -> list[bytes]:
    """The sheet's pages as PNG pictures, `ppi` dots to the inch."""
    return press(TEMPLATE, page_data(sheet, paper), "png", ppi)


def svg_pages(sheet: Sheet, paper: Paper = "a4") -> list[bytes]:
    """The sheet's pages as SVG documents (UTF-8); letters in them are outlines, so no font is needed to see them."""
    return press(TEMPLATE, page_data(sheet, paper), "svg")


def page_data(sheet: Sheet, paper: Paper) -> dict[str, Any]:
    """What the template reads, every text already printable and able to break over lines."""
    revision = f"revision {sheet.revision}   " if sheet.revision else ""
    head_right = _name_cut(revision, 22.0) + sheet.date
    longest = max((len(value) for op in sheet.operations for value in op.offset), default=0)
    return {
        "paper": paper,
        "family": typeface.FAMILY,
        "title": typeface.printable(sheet.job) + ", setup sheet",
        "job": name_text(sheet.job),
        "head": {
            "left": _name_cut(sheet.job, 36.0),
            "right": typeface.printable(head_right),
            "foot": "Prove out above the part first: single block, rapid turned down.",
        },
        "identity": [(label, name_text(value)) for label, value in sheet.identity[1:]],
        "notes": [name_text(note) for note in sheet.notes],
        "alerts": [prose_text(alert) for alert in sheet.alerts],
        "lengths": "mm" if sheet.units == "mm" else "inch",
        "letters": list(sheet.letters),
        "digits": 13.0 if longest < WIDE_DIGITS and len(sheet.letters) < 3 else 11.0,
        "offsets_words": prose_text(phrases.offsets_words(sheet)),
        "operations": [_operation(sheet, op) for op in sheet.operations],
        "load": [
            {"when": prose_text(block.when), "lines": [typeface.printable(line) for line in block.lines]}
            for block in sheet.load
        ],
        "panel_mm": drawing.PANEL_MM[0],
        "drawings": [_drawing(one) for one in sheet.drawings],
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
            for what, values in phrases.part_zero_rows(sheet)
        ],
        "touch": None
        if sheet.touch is None
        else {
            "rows": [(row[0], *(numbers.with_minus(value) for value in row[1:])) for row in sheet.touch.rows],
            "words": [prose_text(words) for words in sheet.touch.words],
        },
        "givens": [prose_text(given) for given in (*sheet.givens, *_missing_words(sheet))],
        "verify_words": [prose_text(words) for words in sheet.verify_words],
        "verify": [
            {
                "register": row.register,
                "name": name_text(row.name),
                "words": numbers.with_minus(phrases.verify_words(sheet.angles(row.program), row.over)),
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
        "command": numbers.with_minus(sheet.angles(op.program)),
        "offset": [numbers.with_minus(value) for value in op.offset],
        "rotary_offset": [numbers.with_minus(value) for value in op.rotary_offset],
        "facts": [numbers.with_minus(words) for words in phrases.operation_facts(sheet, op)],
        "meaning": [prose_text(words) for words in op.meaning],
        "remarks": [prose_text(words) for words in (*op.remarks, *op.beyond_travel)],
    }


def _drawing(one: TiltDrawing) -> dict[str, Any]:
    return {
        "title": prose_text(one.view.title),
        "svg": drawing.draw(one.view).svg,
        "head": [prose_text(head) for head in one.head],
        "rows": [
            (row[0], name_text(row[1]), *(numbers.with_minus(value) for value in row[2:])) for row in one.rows
        ],
    }


def missing_characters(sheet: Sheet) -> tuple[str, ...]:
    """The characters of the sheet's names that its font cannot print, each once; the page shows a square for them."""
    names = [sheet.job, sheet.revision, sheet.machine, sheet.date, *sheet.notes, *sheet.alerts]
    names += [row.name for row in sheet.stack]
    names += [text for op in sheet.operations for text in (op.name, op.program_name, op.tool)]
    return typeface.uncovered("".join(names))


def _missing_words(sheet: Sheet) -> tuple[str, ...]:
    gone = missing_characters(sheet)
    if not gone:
        return ()
    codes = " ".join(f"U+{ord(c):04X}" for c in gone[:12]) + (" …" if len(gone) > 12 else "")
    return (f"Characters that this page's font does not have are printed as {typeface.STAND_IN}: {codes}.",)


def _name_cut(text: str, room_em: float) -> str:
    return typeface.shortened(typeface.printable(text), room_em, bold=True)
