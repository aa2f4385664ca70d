"""A document as pages."""

from __future__ import annotations

from dataclasses import replace
from functools import singledispatch
from pathlib import Path
from typing import Any

from tiltwright.output import typesetting
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Callout,
    CodeBlock,
    Document,
    Entry,
    Heading,
    NumberedStep,
    PageBreak,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from tiltwright.output.page_flow import holds_on, in_page_order, runs_on
from tiltwright.output.typesetting import Paper, name_text, printable, prose_text, render

__all__ = ["document_data", "document_pdf"]

TEMPLATE = Path(__file__).parent / "document.typ"
_HEAD_EM = 44.0


def document_pdf(document: Document, paper: Paper = "a4") -> bytes:
    """The document as a PDF; the same document gives the same bytes."""
    ordered = replace(document, blocks=in_page_order(document, paper))
    (pdf,) = render(TEMPLATE, document_data(ordered, paper), "pdf")
    return pdf


def document_data(document: Document, paper: Paper) -> dict[str, Any]:
    """The template's data, every text already printable and able to break over lines."""
    return {
        "paper": paper,
        "family": typesetting.FAMILY,
        "mono": typesetting.MONO_FAMILY,
        "kind": prose_text(document.kind),
        "title": name_text(document.title),
        "head": typesetting.shortened(printable(document.title), _HEAD_EM, bold=True),
        "identity": [(label, _cell(value)) for label, value in document.identity],
        "foot": prose_text(document.foot),
        "blank": BLANK,
        "compact": document.compact,
        "blocks": [_block(block) for block in document.blocks],
    }


@singledispatch
def _block(block: Block) -> dict[str, Any]:
    """A block as `document.typ` reads it."""
    assert isinstance(block, PageBreak), block
    return {"kind": "page break"}


@_block.register
def _(block: Heading) -> dict[str, Any]:
    return {"kind": "heading", "text": name_text(block.text)}


@_block.register
def _(block: Paragraph) -> dict[str, Any]:
    return {"kind": "paragraph", "text": prose_text(block.text), "bold": block.bold}


@_block.register
def _(block: BulletList) -> dict[str, Any]:
    return {"kind": "list", "items": [prose_text(item) for item in block.items]}


@_block.register
def _(block: Callout) -> dict[str, Any]:
    items = [prose_text(item) for item in block.items]
    return {"kind": "callout", "title": prose_text(block.title), "items": items}


@_block.register
def _(block: Table) -> dict[str, Any]:
    return {
        "kind": "table",
        "head": [prose_text(cell) for cell in block.head],
        "rows": [[_cell(cell) for cell in row] for row in block.rows],
        "sides": list(block.sides),
        "long": runs_on(block),
        "sticky": holds_on(block),
    }


@_block.register
def _(block: Entry) -> dict[str, Any]:
    lines = [prose_text(line) for line in block.lines]
    return {"kind": "entry", "label": block.label, "title": name_text(block.title), "lines": lines}


@_block.register
def _(block: CodeBlock) -> dict[str, Any]:
    return {"kind": "code", "lines": [printable(line) for line in block.lines]}


@_block.register
def _(block: Picture) -> dict[str, Any]:
    title = prose_text(block.title)
    return {
        "kind": "picture",
        "svg": block.svg,
        "title": title,
        "titled": block.titled,
        "width": block.width_mm,
    }


@_block.register
def _(block: SideBySide) -> dict[str, Any]:
    return {
        "kind": "side by side",
        "picture": _block(block.picture),
        "right": [_block(one) for one in block.right],
    }


@_block.register
def _(block: NumberedStep) -> dict[str, Any]:
    return {
        "kind": "step",
        "long": runs_on(block),
        "number": str(block.number),
        "rule": prose_text(block.rule),
        "formula": prose_text(block.formula).replace(" - ", " \N{MINUS SIGN} "),
        "frame": block.frame,
        "calculations": [_figures(text) for text in block.calculations],
        "matrix": [[_figures(cell) for cell in row] for row in block.matrix],
    }


def _cell(text: str) -> str:
    """A cell's words; room to write in stays in one piece."""
    return printable(text) if text.startswith(BLANK) else prose_text(text)


def _figures(text: str) -> str:
    """A calculation with a typographic minus for every sign and between every two numbers."""
    return printable(text).replace("-", "\N{MINUS SIGN}")
