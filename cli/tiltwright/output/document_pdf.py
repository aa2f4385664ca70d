"""A document as pages, in the order in which its blocks fill them; several PDFs bound into one.

Heights are counted in lines, since having every block laid out twice would cost a class's keys a quarter more time. They
are those of `document.typ`, which a test holds them to.
"""

from __future__ import annotations

import itertools
import json
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import singledispatch
from itertools import zip_longest
from pathlib import Path
from typing import Any

from kinematics.constants import MM_PER_INCH
from tiltwright.output import typesetting
from tiltwright.output.canvas import Lettering
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
from tiltwright.output.typesetting import (
    FAMILY,
    Paper,
    compiled,
    name_text,
    printable,
    prose_text,
    render,
    width_em,
)

__all__ = ["bundled", "document_data", "document_pdf", "height_mm", "holds_on", "in_page_order", "runs_on"]

_EM_MM = 10.0 * MM_PER_INCH / 72.0
_CAP_EM, _LEADING_EM = 0.76, 0.55
_LINE_MM = _CAP_EM * _EM_MM
_MORE_MM = _LINE_MM + _LEADING_EM * _EM_MM
"""A line alone, and each one that follows it in a paragraph."""
_SMALL = 0.85
_WIDE_EM = 0.84
"""Width of a minus sign; few letters are wider."""
_WIDTH_MM = {"a4": 210.0 - 34.0, "us-letter": 215.9 - 34.0}
_HEIGHT_MM = {"a4": 297.0, "us-letter": 279.4}
_ROW_MM, _HEAD_MM = _LINE_MM + 2.6, _SMALL * _LINE_MM + 2.6
_ROOM_MM = 6.5
_AT_LEAST_MM: dict[type[Block], float] = {NumberedStep: 70.0, Table: 40.0}
"""Of the page that must be left for what runs on over the next one."""
_HOLE = 0.25
"""Share of a page that may stay empty below its text."""
_LONG_STEP, _LONG_TABLE = 8, 14


def in_page_order(document: Document, paper: Paper) -> tuple[Block, ...]:
    """The blocks as they are laid on pages, with a page break wherever one ends.

    A drawing that the rest of a page has no room for comes at the top of the next page, and the text after it comes
    before it. At the end it comes at the top of the last full page where that would else stay a quarter empty. Everything
    else keeps its order, the drawings among themselves too.

    Examples
    --------
    >>> from tiltwright.output.canvas import LineDrawing
    >>> drawing = Picture(LineDrawing(176.0, 200.0), "the setup", 176.0)
    >>> steps = [Paragraph(f"line {n}") for n in range(20)]
    >>> order = in_page_order(Document("Key", "Port", (), (*steps, drawing, Paragraph("after"))), "a4")
    >>> [getattr(block, "text", "drawing") for block in order if not isinstance(block, PageBreak)][-2:]
    ['after', 'drawing']
    """
    if not document.pictures:
        return document.blocks
    width = _WIDTH_MM[paper]
    pages = _Pages(
        width, _HEIGHT_MM[paper] - (34.0 if document.compact else 40.0), _front_mm(document, width)
    )
    for group in _held_together(document.blocks):
        if isinstance(group[0], PageBreak):
            pages.end()
            pages.turn()
        else:
            pages.flow(group)
    pages.end()
    return tuple(pages.laid)


class _Pages:
    """Blocks laid so far, how far down the page they reach, and the drawings that wait for room."""

    def __init__(self, width: float, height: float, front: float) -> None:
        self.width, self.height = width, height
        self.laid: list[Block] = []
        self.waiting: list[Picture] = []
        self.y, self.kept = front, 3.0
        self.heights: dict[int, float] = {}
        """Of the document's blocks, by their identity: each is asked for again on every page that it may stand on."""
        self.start: int | None = None
        """Number of blocks before this page; None where something runs on at its top, or its front stands there."""

    def flow(self, group: Sequence[Block]) -> None:
        """Lay a group on this page, or on the first one that has room; a drawing waits for it."""
        only = group[0]
        if isinstance(only, Picture) and self.y > 0.0 and (self.waiting or not self._fits(group)):
            self.waiting.append(only)
            return
        while not (self._fits(group) or self._runs_on(group) or self.y == 0.0):
            self.turn()
            self._lay_waiting()
        self._lay(group)
        if self.start is None:
            self._lay_waiting()

    def turn(self) -> None:
        """Begin a page, unless this one is still empty."""
        if self.y > 0.0:
            self.laid.append(PageBreak())
        self.y, self.kept, self.start = 0.0, 0.0, len(self.laid)

    def end(self) -> None:
        """Lay the drawings that still wait: below the text, or where that would leave a hole above it."""
        self._lay_waiting()
        if not self.waiting:
            return
        if self.start is not None and self.y < (1.0 - _HOLE) * self.height:
            page, self.laid = self.laid[self.start :], self.laid[: self.start]
            self.y, self.kept = 0.0, 0.0
            at_top = list(itertools.takewhile(lambda block: isinstance(block, Picture), page))
            for picture in at_top:
                self._lay([picture])
            self._lay_waiting()
            for group in _held_together(page[len(at_top) :]):
                self.flow(group)
        while self.waiting:
            self.turn()
            self._lay_waiting()

    def _lay_waiting(self) -> None:
        while self.waiting and (self.y == 0.0 or self._fits(self.waiting[:1])):
            self._lay([self.waiting.pop(0)])

    def _lay(self, group: Sequence[Block]) -> None:
        fits = self._fits(group)
        *before, last = group
        self.laid += group
        if fits or not runs_on(last):
            self.y, self.kept = self._below(group)
            return
        top, self.kept = _top(last, *self._below(before))
        self.y = _run_on(last, top, self.height, self.width)
        self.start = None

    def _fits(self, group: Sequence[Block]) -> bool:
        return self._below(group)[0] <= self.height

    def _runs_on(self, group: Sequence[Block]) -> bool:
        """True where enough of a group's last block has room here for it to run on over the next page."""
        *before, last = group
        return runs_on(last) and self._below(before)[0] < self.height - _AT_LEAST_MM[type(last)]

    def _below(self, group: Sequence[Block]) -> tuple[float, float]:
        """End of a group that begins here, and the room that it keeps clear below itself."""
        y, kept = self.y, self.kept
        for block in group:
            if (height := self.heights.get(id(block))) is None:
                height = self.heights[id(block)] = height_mm(block, self.width)
            y, kept = _top(block, y, kept)
            y += height
        return y, kept


def _top(block: Block, y: float, kept: float) -> tuple[float, float]:
    """Beginning of a block below what ends at y and keeps some room clear, and the room that it keeps clear itself.

    Of two rooms that meet the larger counts; a page begins without any.
    """
    above, below = _apart_mm(block)
    return y + (max(kept, above) if y else 0.0), below


def _run_on(block: Block, y: float, page: float, width: float) -> float:
    """End of a block on the page that it ends on, begun at y."""
    head, parts = _parts_mm(block, width)
    y += head
    for number, part in enumerate(parts):
        y = head + part if number and y + part > page else y + part
    return y


def _parts_mm(block: Block, width: float) -> tuple[float, list[float]]:
    """The head that a block repeats on every page that it runs over, and the parts between which it may break."""
    if isinstance(block, Table):
        return _HEAD_MM, _rows_mm(block, width)
    assert isinstance(block, NumberedStep), block
    return 0.0, [height_mm(replace(block, calculations=()), width), *_calculations_mm(block, width)]


def _held_together(blocks: Iterable[Block]) -> list[list[Block]]:
    """The blocks in groups that stay on one page."""
    groups: list[list[Block]] = []
    for block in blocks:
        if groups and (holds_on(groups[-1][-1]) or _is_result(block, groups[-1][-1])):
            groups[-1].append(block)
        else:
            groups.append([block])
    return groups


def holds_on(block: Block) -> bool:
    """True for what stays with what follows: a heading, a row alone."""
    return isinstance(block, Heading) or (isinstance(block, Table) and len(block.rows) == 1)


def _is_result(block: Block, before: Block) -> bool:
    """True for the line in bold type that a working ends with."""
    return isinstance(block, Paragraph) and block.bold and isinstance(before, NumberedStep)


def runs_on(block: Block) -> bool:
    """True for what is long, and may run on over the next page."""
    if isinstance(block, Table):
        return len(block.rows) > _LONG_TABLE
    return isinstance(block, NumberedStep) and len(block.calculations) > _LONG_STEP


def _apart_mm(block: Block) -> tuple[float, float]:
    """Room above and below a block."""
    return _APART_MM.get(type(block), (3.0, 3.0))


_APART_MM: dict[type[Block], tuple[float, float]] = {
    Heading: (6.0, 2.6),
    NumberedStep: (4.0, 2.0),
    Picture: (4.0, 3.0),
    Table: (2.5, 3.0),
    Callout: (4.0, 2.8),
    Entry: (3.0, 2.0),
    CodeBlock: (2.0, 3.0),
    BulletList: (2.8, 2.8),
}


def _front_mm(document: Document, width: float) -> float:
    """The height of kind, title and identity."""
    title = _paragraph_mm(document.title, width / 1.7, bold=True) * 1.7
    height = 0.95 * _LINE_MM + 3.0 + title
    rows = len(document.identity)
    if not rows:
        return height
    tall = _ROOM_MM if any(value.startswith(BLANK) for _, value in document.identity) else _LINE_MM
    return height + 4.0 + (tall if document.compact else rows * tall + (rows - 1) * 1.9)


def _lines(text: str, room_mm: float, *, bold: bool = False) -> int:
    """The number of lines that a text takes."""
    if len(text) * _WIDE_EM * _EM_MM < room_mm:
        return 1  # most lines, and quicker told than by their letters
    words = [width_em(word, bold=bold) for word in printable(text).split(" ")]
    space, room, count, x = width_em(" ", bold=bold), room_mm / _EM_MM, 1, 0.0
    for word in words:
        if x and x + space + word > room:
            count, x = count + 1, word
        else:
            x += word + (space if x else 0.0)
    return count


def _paragraph_mm(text: str, room_mm: float, *, bold: bool = False) -> float:
    return _LINE_MM + (_lines(text, room_mm, bold=bold) - 1) * _MORE_MM


@singledispatch
def height_mm(block: Block, _width: float) -> float:
    """The height of a block on paper, without the room above and below it; of a page break none."""
    assert isinstance(block, PageBreak), block
    return 0.0


@height_mm.register
def _(block: Heading, width: float) -> float:
    return _paragraph_mm(block.text, width / 1.25, bold=True) * 1.25 + 1.2


@height_mm.register
def _(block: Paragraph, width: float) -> float:
    return _paragraph_mm(block.text, width, bold=block.bold)


@height_mm.register
def _(block: BulletList, width: float) -> float:
    rows = [_paragraph_mm(item, width - 5.0) for item in block.items]
    return sum(rows) + 0.75 * _EM_MM * (len(rows) - 1)


@height_mm.register
def _(block: Callout, width: float) -> float:
    rows = [_paragraph_mm(item, width - 11.0) for item in block.items]
    return 6.0 + 1.1 * _LINE_MM + sum(rows) + 0.75 * _EM_MM * len(rows)


@height_mm.register
def _(block: Table, width: float) -> float:
    return _HEAD_MM + sum(_rows_mm(block, width))


def _rows_mm(block: Table, width: float) -> list[float]:
    """The height of every row of a table, its rule included."""
    columns = [max(map(_cell_mm, column)) for column in zip_longest(block.head, *block.rows, fillvalue="")]
    widest = max(range(len(columns)), key=columns.__getitem__, default=0)
    room = columns[widest] - max(0.0, sum(columns) - width) - 3.0 if columns else width
    heights = []
    for row in block.rows:
        tall = _ROOM_MM if any(cell.startswith(BLANK) for cell in row) else _LINE_MM
        heights.append(2.6 + max(tall, _paragraph_mm(row[widest], room) if widest < len(row) else 0.0))
    return heights


def _cell_mm(text: str) -> float:
    """The width of a cell with its margins."""
    return 3.1 + (0.0 if text.startswith(BLANK) else width_em(printable(text)) * _EM_MM)


@height_mm.register
def _(block: Entry, _width: float) -> float:
    return _MORE_MM + _SMALL * (_LINE_MM + (len(block.lines) - 1) * _MORE_MM)


@height_mm.register
def _(block: CodeBlock, _width: float) -> float:
    return 1.6 + 0.95 * (_LINE_MM + (len(block.lines) - 1) * _MORE_MM)


@height_mm.register
def _(block: Picture, _width: float) -> float:
    high = block.width_mm * block.drawing.height / block.drawing.width
    return high + (_LINE_MM + 2.0 if block.titled else 0.0)


@height_mm.register
def _(block: SideBySide, width: float) -> float:
    right = sum(height_mm(one, width - block.picture.width_mm - 4.0) + 3.0 for one in block.right)
    return max(height_mm(block.picture, width), right)


@height_mm.register
def _(block: NumberedStep, width: float) -> float:
    formula = width_em(_formula(block.formula), bold=True) + _SMALL * width_em(printable(block.frame))
    more = 0 if formula * _EM_MM < width - 9.0 else 1
    height = _paragraph_mm(block.rule, width - 9.0) + 1.6 + _LINE_MM + more * _MORE_MM
    if block.matrix:
        height += 1.6 + len(block.matrix) * (_LINE_MM + 1.4)
    return height + sum(_calculations_mm(block, width))


def _calculations_mm(block: NumberedStep, width: float) -> list[float]:
    """The height of every calculation of a step, the room above it included."""
    # As they are printed: a minus is twice as wide as a hyphen.
    return [1.6 + _paragraph_mm(_figures(line), width - 12.0) for line in block.calculations]


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
    return {
        "kind": "picture",
        "svg": block.drawing.outlines,
        "texts": [_lettering(one) for one in block.drawing.letterings],
        "across": block.drawing.width,
        "title": prose_text(block.title),
        "titled": block.titled,
        "width": block.width_mm,
    }


def _lettering(one: Lettering) -> dict[str, Any]:
    return {
        "x": one.at[0],
        "y": one.at[1],
        "text": " ".join(one.text.split()),  # as an SVG's own text is read
        "size": one.size,
        "anchor": one.anchor,
        "weight": "bold" if one.bold else "regular",
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
        "formula": _formula(block.formula),
        "frame": block.frame,
        "calculations": [_figures(text) for text in block.calculations],
        "matrix": [[_figures(cell) for cell in row] for row in block.matrix],
    }


def _cell(text: str) -> str:
    """A cell's words; room to write in stays in one piece."""
    return printable(text) if text.startswith(BLANK) else prose_text(text)


_FORMULA_MINUS = re.compile(r"(?<= )-(?= )|(?<![^ \[])-(?=[a-z])")


def _formula(text: str) -> str:
    """A formula with a typographic minus between its terms and before a letter of its own."""
    return _FORMULA_MINUS.sub("\N{MINUS SIGN}", prose_text(text))


def _figures(text: str) -> str:
    """A calculation with a typographic minus for every sign, its last equals sign on one line with the result."""
    return " =\N{NO-BREAK SPACE}".join(printable(text).replace("-", "\N{MINUS SIGN}").rsplit(" = ", 1))


_PAGE = re.compile(rb"/Type\s*/Page\b")
_TEMPLATE = """\
#let data = json(bytes(sys.inputs.bundle))
#set document(title: data.title, date: none)
#set page(margin: 0mm, width: auto, height: auto)
#set text(font: data.family)
#for (file, title, pages) in data.parts {
  for number in range(pages) {
    page({
      if number == 0 { place(hide(heading(text(1pt, title)))) } // a bookmark where a part begins
      image(file, page: number + 1, alt: title + ", page " + str(number + 1))
    })
  }
}
"""


def bundled(title: str, parts: Sequence[tuple[str, bytes]]) -> bytes:
    """Several PDFs as one, with a bookmark for each; the same parts give the same bytes.

    Parameters
    ----------
    title : str
    parts : sequence of (str, bytes)
        Bookmark and PDF, as `typesetting.render` makes it.
    """
    with tempfile.TemporaryDirectory() as folder:
        template = Path(folder) / "bundle.typ"
        template.write_text(_TEMPLATE, encoding="utf-8")
        listed = []
        for number, (name, pdf) in enumerate(parts):
            (Path(folder) / f"{number}.pdf").write_bytes(pdf)
            listed.append((f"{number}.pdf", printable(name), len(_PAGE.findall(pdf))))
        data = {"title": printable(title), "family": FAMILY, "parts": listed}
        made = compiled(template, Path(folder), {"bundle": json.dumps(data, ensure_ascii=False)})
    assert isinstance(made, bytes)  # a PDF is one document
    return made
