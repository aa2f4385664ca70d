"""A document as plain text, for a terminal or a .txt file."""

from __future__ import annotations

from functools import singledispatch

from tiltwright.files.diagnostics import sanitized
from tiltwright.output.document import (
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
    Table,
    Texts,
)
from tiltwright.output.tables import COLUMNS, columns_of, wrapped, wrapped_table

__all__ = ["document_text", "matrix_row"]

_LABEL = 14
_ENTRY = " " * 7


def document_text(document: Document) -> str:
    """The document as text, `COLUMNS` wide where its tables allow it, ending in a line end; drawings are left out."""
    parts = _ruled(f"{document.kind}: {document.title}", "=")
    parts += [wrapped(value, f"{label + ':':<{_LABEL}}") for label, value in document.identity]
    below_heading = False
    for block in document.column:
        lines = _lines_of(block)
        parts += lines if below_heading or not lines else ["", *lines]
        below_heading = isinstance(block, Heading)
    parts += ["", wrapped(document.foot)] if document.foot else []
    return "\n".join(line.rstrip() for part in parts for line in part.splitlines() or [""]) + "\n"


def _ruled(text: str, mark: str) -> list[str]:
    """A title over a line of marks, as long as the title."""
    title = wrapped(text)
    return [title, mark * max(map(columns_of, title.splitlines()), default=0)]


@singledispatch
def _lines_of(block: Block) -> list[str]:
    """The lines of a block; none for what paper alone shows."""
    assert isinstance(block, Picture | PageBreak), block
    return []


@_lines_of.register
def _(block: Heading) -> list[str]:
    return _ruled(block.text, "-")


@_lines_of.register
def _(block: Paragraph) -> list[str]:
    return [wrapped(block.text)]


@_lines_of.register
def _(block: BulletList) -> list[str]:
    return [wrapped(item, "- ") for item in block.items]


@_lines_of.register
def _(block: Callout) -> list[str]:
    return [block.title.upper(), *(wrapped(item, "!! ") for item in block.items)]


@_lines_of.register
def _(block: Table) -> list[str]:
    rows = [[sanitized(cell) for cell in row] for row in block.rows]
    return [wrapped_table(block.head, rows, block.sides, COLUMNS)]


@_lines_of.register
def _(block: Entry) -> list[str]:
    title = wrapped(block.title, f"{block.label:<{len(_ENTRY) - 1}} ")
    return [title, *(wrapped(line, _ENTRY) for line in block.lines)]


@_lines_of.register
def _(block: CodeBlock) -> list[str]:
    return [f"    {sanitized(line)}" for line in block.lines]


@_lines_of.register
def _(block: NumberedStep) -> list[str]:
    lines = [
        wrapped(block.rule, f"{block.number:>3}. "),
        f"     {sanitized(block.formula)}   [{block.frame}]",
    ]
    lines += [f"       {matrix_row(row)}" for row in block.matrix]
    return lines + [f"       {sanitized(text)}" for text in block.calculations]


def matrix_row(cells: Texts) -> str:
    """A row of a matrix, its numbers under those of the other rows."""
    return "[" + "".join(f"{cell:>14}" for cell in cells) + " ]"
