"""The typeset sheet: PDF, PNG and SVG from one typst template, with the program's own fonts."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from kinematics.constants import MM_PER_INCH
from kinematics.progress import counted
from tiltwright.job.coating import COATING_HEAD
from tiltwright.output import numbers, typesetting
from tiltwright.output.typesetting import Paper, name_text, prose_text, render
from tiltwright.sheet import drawing, wording
from tiltwright.sheet.data import OperationRow, Sheet, TiltDrawing
from tiltwright.sheet.panel_layout import HALF, PAIR
from tiltwright.sheet.solids import bars

__all__ = ["Paper", "missing_characters", "pdf", "png_pages", "sheet_data", "svg_pages"]

TEMPLATE = Path(__file__).parent / "page.typ"
PNG_PPI = 150.0
_LOADED_PT = 15.0
"""Size of X, Y, Z: digits 18.9 minutes of arc high at 700 mm. 12.7 pt are 16 minutes."""
_LOAD_LINE_PT = (11.0, 12.7)
"""Least and largest size of the load lines, which break nowhere."""
_LOAD_LINE_MM, _MONO_EM = 176.0, 0.6021
_ANGLES_BESIDE = 2
"""Most rotaries whose angles stand beside X, Y, Z; more stand below."""
_PT_MM = MM_PER_INCH / 72.0
_OFFSET_MM = 29.5
"""Width of an offset's column where angles stand beside it."""


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
    longest = max(
        (
            typesetting.width_em(numbers.with_minus(value), bold=True)
            for op in sheet.operations
            for value in op.offset
        ),
        default=0.0,
    )
    below = len(sheet.letters) > _ANGLES_BESIDE or longest * _LOADED_PT * _PT_MM > _OFFSET_MM
    load_lines = [line for block in sheet.load for line in block.lines]
    fitting = _LOAD_LINE_MM / (max(map(len, load_lines), default=1) * _MONO_EM * _PT_MM)
    with_each, rotary_offset = wording.set_with_each(sheet) if sheet.operations else ("", ())
    drawn = [_drawing(one) for one in counted(sheet.drawings, "drawings")]
    ringed = any(ring for _, ring in drawn)
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
        "alerts": [prose_text(alert) for alert in wording.labelled_alerts(sheet)],
        "lengths": "mm" if sheet.units == "mm" else "inch",
        "letters": list(sheet.letters),
        "digits": _LOADED_PT,
        "angles_below": "below" if below else "",
        "load_pt": round(min(max(fitting, _LOAD_LINE_PT[0]), _LOAD_LINE_PT[1]), 2),
        "offsets_title": prose_text(wording.offsets_heading(sheet)),
        "offset_heads": [wording.WORK_OFFSET, *"XYZ"],
        "load_title": wording.LOAD_TITLE,
        "verify_title": wording.VERIFY_TITLE,
        "program_heads": [wording.program_head(letter) for letter in sheet.letters],
        "with_each": with_each,
        "rotary_offset": [prose_text(line) for line in rotary_offset],
        "expanded": wording.EXPANDED,
        "seen_from": "" if not sheet.drawings else prose_text(wording.mark_words(sheet)),
        "set_before": wording.SET_BEFORE if sheet.before_each else "",
        "offsets_words": prose_text(wording.offsets_words(sheet)),
        "operations": [
            _operation(op, before)
            for op, before in zip(sheet.operations, (None, *sheet.operations), strict=False)
        ],
        "load": [
            {"when": prose_text(block.when), "lines": [typesetting.printable(line) for line in block.lines]}
            for block in sheet.load
        ],
        "drawings_words": prose_text(wording.drawings_words(sheet, ringed=ringed)) if sheet.drawings else "",
        "drawings": [panel for panel, _ in drawn],
        "coating_title": f"{wording.COATING_TITLE} ({sheet.units})",
        "coating": prose_text(sheet.coating),
        "coating_head": list(COATING_HEAD),
        "cut_sizes": [[*row[:3], name_text(row[3]), name_text(row[4])] for row in sheet.cut_sizes],
        "order_title": wording.ORDER_TITLE,
        "order_words": prose_text(sheet.order_words),
        "order_head": list(wording.order_head(sheet)),
        "order": [
            [*(numbers.with_minus(value) for value in row[:-2]), row[-2], name_text(row[-1])]
            for row in sheet.order
        ],
        "clock": prose_text(wording.CLOCK_WORDS),
        "from_axis": prose_text(wording.delta_words(sheet)) if sheet.drawings else "",
        "delta_heads": list(sheet.drawings[0].head[-2:]) if sheet.drawings else ["", ""],
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
                "program": prose_text(sheet.angles(row.program)),
                "height": row.height,
                "reference": prose_text(wording.verify_reference(sheet, row)),
                "display": [numbers.with_minus(value) for value in row.display],
            }
            for row in sheet.verify
        ],
        "cautions": [prose_text(caution) for caution in sheet.cautions],
    }


def _operation(op: OperationRow, before: OperationRow | None) -> dict[str, Any]:
    right, up, toward = op.platter
    return {
        "register": op.register,
        "title": name_text(op.title),
        "number": op.number,
        "program": [numbers.with_minus(value) for value in op.program],
        "offset": [numbers.with_minus(value) for value in op.offset],
        "expanded": list(op.expanded),
        "origin": [numbers.with_minus(value) for value in op.origin],
        "from_axis": [numbers.with_minus(value) for value in op.from_axis],
        "directions": [prose_text(words) for words in op.directions],
        "remarks": [prose_text(words) for words in (*op.remarks, *op.beyond_travel)],
        # the platter's mark: its tilt clockwise from level, and how far it is seen face on
        "tilt": round(math.degrees(math.atan2(right, up)), 3) if math.hypot(right, up) > _FACE_ON else 0.0,
        "open": round(abs(toward), 3),
        "new_tilt": "new" if before is not None and before.tilt != op.tilt else "",
    }


_FACE_ON = 0.01


def _drawing(one: TiltDrawing) -> tuple[dict[str, Any], bool]:
    """A side view for the template, and whether a ring is drawn in it."""
    solids, mark = one.view.solids, one.view.marks[0]
    panel = drawing.draw(one.view, HALF if solids is None else PAIR)
    strip = None if solids is None or not solids.bars else bars(solids, _BESIDE_MM)
    found = {
        "title": _TOGETHER.sub("\\1\N{NO-BREAK SPACE}", prose_text(one.view.title)),
        "caption": name_text(f"{mark.register} {mark.name}") + prose_text("; " + panel.caption),
        "svg": panel.drawing.svg,
        "width": panel.size[0],
        "wide": "" if solids is None else "wide",
        "tool": "" if solids is None or not solids.tool else name_text(solids.tool),
        "gap": [] if solids is None else [name_text(words) for words in solids.gap_words],
        "travel": "" if solids is None else prose_text(solids.travel_words[0]),
        "bars": "" if strip is None else strip.finished().svg,
        "beside": _BESIDE_MM,
    }
    return found, panel.ringed


_TOGETHER = re.compile(r"\b([ABC]) ")
_BESIDE_MM = 60.0
"""Width of what stands beside a drawing of solids."""


def missing_characters(sheet: Sheet) -> tuple[str, ...]:
    """The characters of the sheet's names that its font cannot print, each once; the page shows a square for them."""
    names = [sheet.job, sheet.revision, sheet.machine, sheet.date, *sheet.notes, *sheet.alerts]
    names += [row.name for row in sheet.stack]
    names += [text for op in sheet.operations for text in (op.name, op.program_name, op.tool)]
    names += [text for row in (*sheet.order, *sheet.cut_sizes) for text in row[-2:]]
    return typesetting.uncovered("".join(names))


def _missing_words(sheet: Sheet) -> str:
    """Explanation of the squares on the page; empty when no character is missing."""
    gone = missing_characters(sheet)
    if not gone:
        return ""
    return (
        f"Each {typesetting.STAND_IN} on this sheet stands for a character that its font does not have "
        f"({typesetting.code_points(gone)}): "
        "read that name in the job file."
    )


def _name_cut(text: str, room_em: float) -> str:
    return typesetting.shortened(typesetting.printable(text), room_em, bold=True)
