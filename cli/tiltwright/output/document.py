"""A page of headings, paragraphs, lists and tables: as Markdown, or typeset as PDF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tabulate import tabulate

from tiltwright.output import typesetting
from tiltwright.output.markdown import escaped

__all__ = ["Heading", "ListOf", "Page", "Paragraph", "TableOf", "as_markdown", "as_pdf"]

TEMPLATE = Path(__file__).parent / "document.typ"
_BLANK = "\N{NO-BREAK SPACE}" * 12


@dataclass(frozen=True)
class Heading:
    """A heading."""

    text: str


@dataclass(frozen=True)
class Paragraph:
    """A paragraph."""

    text: str


@dataclass(frozen=True)
class ListOf:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class TableOf:
    """A table; `align` has "l" or "r" for each column, an empty cell is room to write in."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    align: str


@dataclass(frozen=True)
class Page:
    """A page and its title."""

    title: str
    parts: tuple[Heading | Paragraph | ListOf | TableOf, ...]


def as_markdown(page: Page) -> str:
    """The page as CommonMark with tables; nothing that a name holds is markup."""
    parts = [f"# {escaped(page.title)}"]
    for part in page.parts:
        if isinstance(part, Heading):
            parts.append(f"## {escaped(part.text)}")
        elif isinstance(part, Paragraph):
            parts.append(escaped(part.text))
        elif isinstance(part, ListOf):
            parts.append("\n".join(f"- {escaped(item)}" for item in part.items))
        else:
            rows = [[escaped(cell) if cell else "&nbsp;" for cell in row] for row in part.rows]
            sides = ["left" if side == "l" else "right" for side in part.align]
            parts.append(
                tabulate(
                    rows, headers=list(part.head), tablefmt="github", disable_numparse=True, colalign=sides
                )
            )
    return "\n\n".join(parts) + "\n"


def as_pdf(page: Page, paper: str = "a4") -> bytes:
    """The page as PDF in the sheet's own font; the same page gives the same bytes."""
    from tiltwright.output.typesetting import render

    (document,) = render(TEMPLATE, _data(page, paper), "pdf")
    return document


def _data(page: Page, paper: str) -> dict[str, Any]:
    say = typesetting.printable
    parts: list[dict[str, Any]] = []
    for part in page.parts:
        if isinstance(part, Heading):
            parts.append({"kind": "heading", "text": say(part.text)})
        elif isinstance(part, Paragraph):
            parts.append({"kind": "paragraph", "text": say(part.text)})
        elif isinstance(part, ListOf):
            parts.append({"kind": "list", "items": [say(item) for item in part.items]})
        else:
            parts.append(_table(part))
    return {"paper": paper, "family": typesetting.FAMILY, "title": say(page.title), "parts": parts}


def _table(part: TableOf) -> dict[str, Any]:
    def cells(row: Sequence[str]) -> list[str]:
        return [typesetting.printable(cell) if cell else _BLANK for cell in row]

    return {
        "kind": "table",
        "head": cells(part.head),
        "rows": [cells(row) for row in part.rows],
        "align": list(part.align),
    }
