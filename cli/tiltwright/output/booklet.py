"""A booklet: what a working, a worksheet, a key or a verdict says, as blocks; and the same as text and Markdown.

The pages are set from the same blocks (`pages`), so that screen, file and paper cannot disagree.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tabulate import tabulate

from tiltwright.output.markdown import escaped
from tiltwright.output.plain_text import COLUMNS, clean

__all__ = [
    "Block",
    "Booklet",
    "Bullets",
    "Heading",
    "NewPage",
    "NumberedStep",
    "Picture",
    "Table",
    "Words",
    "booklet_markdown",
    "booklet_text",
]

Texts = tuple[str, ...]


@dataclass(frozen=True)
class Heading:
    """A heading within the booklet."""

    text: str


@dataclass(frozen=True)
class Words:
    """A paragraph."""

    text: str
    bold: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list."""

    items: Texts


@dataclass(frozen=True)
class Table:
    """Rows under heads; the first `left` columns are words, the others figures."""

    head: Texts
    rows: tuple[Texts, ...]
    left: int = 1


@dataclass(frozen=True)
class NumberedStep:
    """A numbered line of a working: rule, formula, the written calculations, the frame of the result."""

    number: int
    rule: str
    formula: str
    calculations: Texts
    frame: str
    matrix: tuple[Texts, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A drawing."""

    svg: str
    title: str
    width_mm: float


@dataclass(frozen=True)
class NewPage:
    """What follows begins on a page of its own."""


Block = Heading | Words | Bullets | Table | NumberedStep | Picture | NewPage


@dataclass(frozen=True)
class Booklet:
    """A few pages.

    Attributes
    ----------
    kind : str
        What it is: "Working", "Exercise", "Key".
    title : str
    identity : tuple of (str, str)
        Label and value.
    blocks : tuple of Block
    foot : str
        At the bottom of every page.
    """

    kind: str
    title: str
    identity: tuple[tuple[str, str], ...]
    blocks: tuple[Block, ...]
    foot: str

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Its drawings, in order."""
        return tuple(block for block in self.blocks if isinstance(block, Picture))


def booklet_text(booklet: Booklet) -> str:
    """As plain text, at most `COLUMNS` wide; drawings are left out."""
    head = f"{booklet.kind}: {clean(booklet.title)}"
    parts = [head, "=" * len(head)]
    parts += [f"{label + ':':<14}{clean(value)}" for label, value in booklet.identity]
    for block in booklet.blocks:
        parts += _text_of(block)
    return (
        "\n".join(line.rstrip() for part in [*parts, "", booklet.foot] for line in part.splitlines() or [""])
        + "\n"
    )


def _text_of(block: Block) -> list[str]:
    if isinstance(block, Heading):
        return ["", clean(block.text), "-" * len(clean(block.text))]
    if isinstance(block, Words):
        return ["", _filled(block.text)]
    if isinstance(block, Bullets):
        return ["", *(_filled(item, "- ") for item in block.items)]
    if isinstance(block, Table):
        rows = [[clean(cell) for cell in row] for row in block.rows]
        return ["", _table(block.head, rows, "simple", block.left)]
    if isinstance(block, NumberedStep):
        lead = f"{block.number:>3}. "
        lines = ["", _filled(block.rule, lead), f"     {clean(block.formula)}   [{block.frame}]"]
        lines += [f"       {_row(row)}" for row in block.matrix]
        return lines + [f"       {clean(text)}" for text in block.calculations]
    return []


def _row(cells: Texts) -> str:
    return "[" + "".join(f"{cell:>14}" for cell in cells) + " ]"


def _filled(text: str, lead: str = "") -> str:
    return textwrap.fill(
        clean(text), COLUMNS, initial_indent=lead, subsequent_indent=" " * len(lead), break_on_hyphens=False
    )


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], form: str, left: int) -> str:
    align = ["left"] * left + ["right"] * (len(head) - left)
    return tabulate(list(rows), headers=list(head), tablefmt=form, disable_numparse=True, colalign=align)


def booklet_markdown(booklet: Booklet, picture_files: Sequence[str] = ()) -> str:
    """As Markdown (CommonMark with tables).

    Parameters
    ----------
    booklet : Booklet
    picture_files : sequence of str
        The names of the files that hold the drawings, one each, beside the Markdown file; drawings are left out
        where there are none.
    """
    parts = [f"# {booklet.kind}: {escaped(booklet.title)}"]
    parts.append("\n".join(f"- {label}: {escaped(value)}" for label, value in booklet.identity))
    files = iter(picture_files)
    for block in booklet.blocks:
        if isinstance(block, Picture):
            name = next(files, None)
            parts += [f"![{escaped(block.title)}]({name})"] if name else []
        else:
            parts += _markdown_of(block)
    return "\n\n".join([*(part for part in parts if part), f"*{escaped(booklet.foot)}*"]) + "\n"


def _markdown_of(block: Block) -> list[str]:
    if isinstance(block, Heading):
        return [f"## {escaped(block.text)}"]
    if isinstance(block, Words):
        return [f"**{escaped(block.text)}**" if block.bold else escaped(block.text)]
    if isinstance(block, Bullets):
        return ["\n".join(f"- {escaped(item)}" for item in block.items)]
    if isinstance(block, Table):
        rows = [[escaped(cell) for cell in row] for row in block.rows]
        return [_table([escaped(name) for name in block.head], rows, "github", block.left)]
    if isinstance(block, NumberedStep):
        written = [_row(row) for row in block.matrix] + list(map(clean, block.calculations))
        rule = f"**{block.number}.** {escaped(block.rule)}"
        formula = f"{escaped(block.formula)} ({escaped(block.frame)})"
        return [rule, formula, "\n".join(("```text", *written, "```"))]
    return []
