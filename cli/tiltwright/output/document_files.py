"""A document as plain text and as Markdown (CommonMark with tables), and the files that it is written to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import singledispatch
from pathlib import Path

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
from tiltwright.output.tables import COLUMNS, columns_of, markdown_table, wrapped, wrapped_table
from tiltwright.output.typesetting import Paper

__all__ = ["document_files", "document_markdown", "document_text", "escaped", "escaped_in_cell", "matrix_row"]

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


_ANYWHERE = (
    r"[\\`*{}\[\]<>#|~&$@]|(?<![A-Za-z0-9])_|_(?![A-Za-z0-9])|:(?=\S)(?![A-Z]=)"
    r"|\.(?=[A-Za-z])(?!(?:csv|toml|txt|pdf|html|svg|json)(?!\w|\.\w))"
)
"""An underscore within a word, the colon of "PORT:X=" and the dot of a file name mean nothing, and no reader makes a link
of these endings: they stay as they are."""
_SPECIAL = re.compile(rf"^[+\-=]|{_ANYWHERE}")
_NUMBERED = re.compile(r"^(\d{1,9})([.)])(?=\s|$)")
_SPECIAL_IN_CELL = re.compile(_ANYWHERE)  # no list and no heading begins in a table's cell


def document_markdown(document: Document, picture_files: Sequence[str] = ()) -> str:
    """The document as Markdown, ending in a line end.

    Parameters
    ----------
    document : Document
    picture_files : sequence of str
        The names of the files that hold the drawings, one each, beside the Markdown file; drawings are left out
        where there are none.
    """
    parts = [f"# {document.kind}: {escaped(document.title)}"]
    parts.append(_list(f"{label}: {escaped(value)}" for label, value in document.identity))
    files = iter(picture_files)
    for block in document.column:
        if isinstance(block, Picture):
            name = next(files, None)
            parts += [f"![{escaped(block.title)}]({name})"] if name else []
        else:
            parts += _parts_of(block)
    parts += [f"*{escaped(document.foot)}*"] if document.foot else []
    return "\n\n".join(part for part in parts if part) + "\n"


def _list(items: Iterable[str]) -> str:
    return "\n".join(f"- {item}" for item in items)


@singledispatch
def _parts_of(block: Block) -> list[str]:
    """The paragraphs of a block; none for a page break."""
    assert isinstance(block, PageBreak), block
    return []


@_parts_of.register
def _(block: Heading) -> list[str]:
    return [f"## {escaped(block.text)}"]


@_parts_of.register
def _(block: Paragraph) -> list[str]:
    return [_bold(block.text) if block.bold else escaped(block.text)]


@_parts_of.register
def _(block: BulletList) -> list[str]:
    return [_list(map(escaped, block.items))]


@_parts_of.register
def _(block: Callout) -> list[str]:
    return [f"## {escaped(block.title)}", _list(map(_bold, block.items))]


@_parts_of.register
def _(block: Table) -> list[str]:
    head, *rows = [[escaped_in_cell(cell) for cell in row] for row in (block.head, *block.rows)]
    return [markdown_table(head, rows, block.sides)]


@_parts_of.register
def _(block: Entry) -> list[str]:
    return [f"{_bold(block.label)} {escaped(block.title)}", _list(map(escaped, block.lines))]


@_parts_of.register
def _(block: CodeBlock) -> list[str]:
    return [_fenced(block.lines)]


@_parts_of.register
def _(block: NumberedStep) -> list[str]:
    rule = f"**{block.number}.** {escaped(block.rule)}"
    formula = f"{escaped(block.formula)} ({escaped(block.frame)})"
    return [rule, formula, _fenced([*map(matrix_row, block.matrix), *block.calculations])]


def _bold(text: str) -> str:
    return f"**{escaped(text)}**"


def _fenced(lines: Iterable[str]) -> str:
    return "\n".join(("```text", *map(sanitized, lines), "```"))


def escaped(text: str) -> str:
    r"""A text in which nothing is markup: no table cell, link, heading, code or HTML can begin in it.

    CommonMark lets a backslash stand before any ASCII punctuation mark; one is set wherever the mark could mean
    something in CommonMark, in its tables, or in the links that some readers make of bare words.

    Examples
    --------
    >>> print(escaped("port | <b>3</b>"))
    port \| \<b\>3\</b\>
    >>> print(escaped("www.example"))
    www\.example
    >>> print(escaped("write answers-01.csv, with value_mm"))
    write answers-01.csv, with value_mm
    >>> print(escaped("1. with B at 0. Then"))
    1\. with B at 0. Then
    """
    return _NUMBERED.sub(r"\1\\\2", _SPECIAL.sub(lambda mark: "\\" + mark[0], sanitized(text)))


def escaped_in_cell(text: str) -> str:
    r"""A text as :func:`escaped` gives it, for a cell of a table, where a number keeps its bare minus.

    Examples
    --------
    >>> print(escaped_in_cell("-12.5"), escaped("-12.5"), escaped_in_cell("a | b"))
    -12.5 \-12.5 a \| b
    """
    return _SPECIAL_IN_CELL.sub(lambda mark: "\\" + mark[0], sanitized(text))


def document_files(document: Document, path: Path, paper: Paper) -> dict[Path, str | bytes]:
    """Contents by file for a name that ends in .pdf, .md or .txt; Markdown has its drawings in files beside it.

    The Markdown file comes last, so that it never refers to a drawing that is not there yet.
    """
    ending = path.suffix.lower()
    if ending == ".pdf":
        from tiltwright.output.document_pdf import document_pdf

        return {path: document_pdf(document, paper)}
    if ending == ".txt":
        return {path: document_text(document)}
    drawings = {
        path.with_name(f"{path.stem}-{n}.svg"): p.drawing.svg
        for n, p in enumerate(document.pictures, start=1)
    }
    files: dict[Path, str | bytes] = dict(drawings)
    files[path] = document_markdown(document, [drawing.name.replace(" ", "%20") for drawing in drawings])
    return files
