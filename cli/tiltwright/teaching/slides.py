"""A worked exercise to project: landscape, large, a step or a drawing a page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Document,
    Heading,
    NumberedStep,
    PageBreak,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from tiltwright.output.document_pdf import document_data
from tiltwright.output.typesetting import Paper, render
from tiltwright.sheet.drawing import AT_FULL_SIZE
from tiltwright.teaching.explanation import LETTERS

__all__ = ["slides_pdf"]

_ROWS = 7
"""Of a table on one slide; the rest follows on the next, under the same heading."""
_ITEMS = 5
_TEMPLATE = Path(__file__).parents[1] / "output" / "slides.typ"


def slides_pdf(worksheet: Document, key: Document, paper: Paper) -> bytes:
    """The exercise and its working as slides, the answers last."""
    answers, working = _answers_and_working(key.blocks)
    task = (
        Heading(worksheet.title),
        Paragraph(f"Sheet {dict(worksheet.identity)['Sheet']}"),
        *worksheet.blocks,
    )
    shown = replace(worksheet, kind="Worked exercise", blocks=tuple(_enlarged((*task, *working, *answers))))
    data = document_data(shown, paper)
    blocks = iter(data.pop("blocks"))
    data["slides"] = [[next(blocks) for _ in slide] for slide in slides_of(shown.blocks)]
    (pdf,) = render(_TEMPLATE, data, "pdf")
    return pdf


def slides_of(blocks: Iterable[Block]) -> list[list[Block]]:
    """The blocks slide by slide: a step with its result, or a drawing with its words; what follows a heading with it."""
    slides: list[list[Block]] = []
    for block in blocks:
        last = slides[-1][-1] if slides else None
        fresh = isinstance(block, NumberedStep | Picture | Heading) and not isinstance(last, Heading)
        result = isinstance(last, NumberedStep) and isinstance(block, Paragraph)
        caption = isinstance(last, Picture) and isinstance(block, BulletList)
        if last is None or fresh or (isinstance(last, NumberedStep | Picture) and not (result or caption)):
            slides.append([])
        slides[-1].append(block)
    return slides


def _answers_and_working(blocks: Sequence[Block]) -> tuple[Sequence[Block], Sequence[Block]]:
    """A key parted where its working begins: at the letters that it uses, or at the heading before its first step."""
    first = next((k for k, block in enumerate(blocks) if isinstance(block, NumberedStep)), len(blocks))
    headings = [k for k in range(first) if isinstance(blocks[k], Heading)]
    letters = [k for k in headings if blocks[k] == LETTERS]
    start = (letters or headings[-1:] or [0])[0]
    return blocks[:start], blocks[start:]


def _enlarged(blocks: Iterable[Block]) -> list[Block]:
    """The blocks one below the other, without room to write in or words about a drawing's scale.

    What is too long for a slide goes on below its heading, which is told again.
    """
    found: list[Block] = []
    heading: Heading | None = None
    tables = 0
    for block in blocks:
        if isinstance(block, Heading):
            heading, tables = block, 0
        if isinstance(block, SideBySide):
            listed, *caption = block.right
            found += [listed, _unscaled(block.picture)]
            # What the drawing shows, but for its scale, which stands last.
            found += [replace(one, items=one.items[:-1]) for one in caption if isinstance(one, BulletList)]
        elif isinstance(block, Picture):
            found.append(_unscaled(block))
        elif isinstance(block, Table):
            rows = tuple(tuple("?" if cell.startswith(BLANK) else cell for cell in row) for row in block.rows)
            tables += 1
            for first in range(0, len(rows), _ROWS):
                found += [heading] if first and heading else []
                found.append(replace(block, rows=rows[first : first + _ROWS]))
        elif not isinstance(block, PageBreak):
            # A long list, or one below two tables, has a page of its own.
            long = isinstance(block, BulletList) and (tables > 1 or len(block.items) > _ITEMS)
            found += [heading] if heading and tables and long else []
            found.append(block)
    return found


def _unscaled(picture: Picture) -> Picture:
    return replace(picture, drawing=picture.drawing.reworded(AT_FULL_SIZE, "; enlarged here"))
