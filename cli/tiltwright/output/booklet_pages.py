"""A booklet as pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tiltwright.output import typesetting
from tiltwright.output.booklet import Block, Booklet, Bullets, Heading, NumberedStep, Picture, Table, Words
from tiltwright.output.typesetting import Paper, name_text, prose_text, render

__all__ = ["booklet_pdf", "page_data"]

TEMPLATE = Path(__file__).parent / "booklet.typ"


def booklet_pdf(booklet: Booklet, paper: Paper = "a4") -> bytes:
    """The booklet as a PDF; the same booklet gives the same bytes."""
    (document,) = render(TEMPLATE, page_data(booklet, paper), "pdf")
    return document


def page_data(booklet: Booklet, paper: Paper) -> dict[str, Any]:
    """What the template reads, every text already printable and able to break over lines."""
    return {
        "paper": paper,
        "family": typesetting.FAMILY,
        "kind": prose_text(booklet.kind),
        "title": name_text(booklet.title),
        "head": typesetting.shortened(typesetting.printable(booklet.title), 44.0, bold=True),
        "identity": [(label, prose_text(value)) for label, value in booklet.identity],
        "foot": prose_text(booklet.foot),
        "blocks": [_block(block) for block in booklet.blocks],
    }


def _block(block: Block) -> dict[str, Any]:
    if isinstance(block, Table | NumberedStep):
        return _table(block) if isinstance(block, Table) else _step(block)
    if isinstance(block, Heading):
        return {"what": "heading", "text": name_text(block.text)}
    if isinstance(block, Words):
        return {"what": "words", "text": prose_text(block.text), "bold": block.bold}
    if isinstance(block, Bullets):
        return {"what": "bullets", "items": [prose_text(item) for item in block.items]}
    if isinstance(block, Picture):
        return {
            "what": "picture",
            "svg": block.svg,
            "title": prose_text(block.title),
            "width": block.width_mm,
        }
    return {"what": "page"}


def _table(block: Table) -> dict[str, Any]:
    rows = [[prose_text(cell) for cell in row] for row in block.rows]
    return {"what": "table", "head": list(block.head), "rows": rows, "left": block.left}


def _step(block: NumberedStep) -> dict[str, Any]:
    return {
        "what": "step",
        "number": str(block.number),
        "rule": prose_text(block.rule),
        "formula": prose_text(block.formula),
        "frame": block.frame,
        "calculations": [_figures(text) for text in block.calculations],
        "matrix": [[_figures(cell) for cell in row] for row in block.matrix],
    }


def _figures(text: str) -> str:
    """A calculation: every minus, of a sign or between two numbers, becomes the typographic one."""
    return typesetting.printable(text).replace("-", "\N{MINUS SIGN}")
