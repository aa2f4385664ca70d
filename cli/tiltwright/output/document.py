"""The document model: what a sheet, working, worksheet, key or report says, as a title and blocks.

`document_text`, `document_markdown` and `document_pdf` each render every block, so screen, file and paper cannot
disagree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tiltwright.output.canvas import LineDrawing

__all__ = [
    "BLANK",
    "Block",
    "BulletList",
    "Callout",
    "CodeBlock",
    "Document",
    "Entry",
    "Heading",
    "NumberedStep",
    "PageBreak",
    "Paragraph",
    "Picture",
    "SideBySide",
    "Table",
]

Texts = tuple[str, ...]

BLANK = "." * 11
"""Room to write in, 21 mm on paper: a table's cell, or the value of a line; several in a row for more."""


@dataclass(frozen=True)
class Heading:
    """A heading within the document."""

    text: str


@dataclass(frozen=True)
class Paragraph:
    """A paragraph."""

    text: str
    bold: bool = False


@dataclass(frozen=True)
class BulletList:
    """A list."""

    items: Texts


@dataclass(frozen=True)
class Callout:
    """A framed list that must be read first."""

    title: str
    items: Texts


@dataclass(frozen=True)
class Table:
    """Rows under heads.

    Parameters
    ----------
    head : tuple of str
    rows : tuple of tuple of str
    left : int
        Columns of words, from the left; the others hold figures and are aligned right.
    align : str
        "l" or "r" for each column; replaces `left` where it is given.
    """

    head: Texts
    rows: tuple[Texts, ...]
    left: int = 1
    align: str = ""

    @property
    def sides(self) -> str:
        """The alignment, "l" or "r" for each column.

        Examples
        --------
        >>> Table(("name", "X", "Y"), ()).sides, Table(("name", "X", "unit"), (), align="lrl").sides
        ('lrr', 'lrl')
        """
        return self.align or "l" * self.left + "r" * (len(self.head) - self.left)


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
class Entry:
    """A short label, a title, and the lines that belong to it."""

    label: str
    title: str
    lines: Texts


@dataclass(frozen=True)
class CodeBlock:
    """Lines of a program, to be copied as they stand."""

    lines: Texts


@dataclass(frozen=True)
class Picture:
    """A drawing, as wide on paper as stated; its title is printed above it, or only read out where pages are read."""

    drawing: LineDrawing
    title: str
    width_mm: float
    titled: bool = True


@dataclass(frozen=True)
class SideBySide:
    """A drawing on the left, on paper, with blocks to its right; elsewhere one after the other."""

    picture: Picture
    right: tuple[Heading | Paragraph | BulletList | Table, ...]

    @property
    def blocks(self) -> tuple[Picture | Heading | Paragraph | BulletList | Table, ...]:
        """The blocks in order, the drawing first."""
        return (self.picture, *self.right)


@dataclass(frozen=True)
class PageBreak:
    """The start of a new page."""


Block = (
    Heading
    | Paragraph
    | BulletList
    | Callout
    | Table
    | NumberedStep
    | Entry
    | CodeBlock
    | Picture
    | SideBySide
    | PageBreak
)


@dataclass(frozen=True)
class Document:
    """A few pages.

    Attributes
    ----------
    kind : str
        "Working", "Exercise", "Key", "Setup sheet".
    title : str
    identity : tuple of (str, str)
        Label and value.
    blocks : tuple of Block
    foot : str
        At the bottom of every page; may be empty.
    compact : bool
        Whether the identity stands on one line and the blocks stand closer, so that an exercise keeps to one page.
    """

    kind: str
    title: str
    identity: tuple[tuple[str, str], ...]
    blocks: tuple[Block, ...]
    foot: str = ""
    compact: bool = False

    @property
    def column(self) -> tuple[Block, ...]:
        """Its blocks one below the other."""
        return tuple(
            one
            for block in self.blocks
            for one in (block.blocks if isinstance(block, SideBySide) else (block,))
        )

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Its drawings, in order."""
        return tuple(block for block in self.column if isinstance(block, Picture))
