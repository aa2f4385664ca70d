"""Plain text in the columns of a terminal, how wide it is and how it wraps; tables, the only place that lays one out."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable, Sequence

from tabulate import tabulate

from tiltwright.files.diagnostics import sanitized

__all__ = ["COLUMNS", "columns_of", "markdown_table", "table", "units_words", "wrapped", "wrapped_table"]

COLUMNS = 100


def columns_of(text: str) -> int:
    """Columns that a text takes in a terminal: wide characters take two, combining ones none.

    Examples
    --------
    >>> columns_of("port"), columns_of("ポート")
    (4, 6)
    """
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in ("W", "F") else 1
        for c in text
    )


def wrapped(text: str, first: str = "", rest: str | None = None, columns: int = COLUMNS) -> str:
    """A text broken into lines of at most so many columns, control characters spelled out.

    Parameters
    ----------
    text : str
    first : str
        Before the first line.
    rest : str, optional
        Before the others; as many blanks as `first` has characters if left out.
    columns : int

    Examples
    --------
    >>> print(wrapped("deburr each port before the next tilt", "- ", columns=20))
    - deburr each port
      before the next
      tilt
    """
    plain = sanitized(text)
    # With wide characters in it, half the width always suffices.
    width = columns if columns_of(plain) <= len(plain) else columns // 2
    indent = " " * len(first) if rest is None else rest
    return textwrap.fill(plain, width, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


_NARROWEST = 12  # columns: a name broken into less is unreadable, so the table grows instead


def table(head: Sequence[str], rows: Iterable[Sequence[str]], left: int = 1, align: str = "") -> str:
    """A plain table for a terminal.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequence of str
    left : int
        Columns of words, from the left; the others hold figures and are aligned right.
    align : str
        "l" or "r" for each column; replaces `left` where it is given.

    Examples
    --------
    >>> print(table(["offset", "X", "unit"], [["G54", "-1.5", "mm"], ["G55", "12.0", "mm"]], align="lrl"))
    offset       X  unit
    --------  ----  ------
    G54       -1.5  mm
    G55       12.0  mm
    >>> print(table(["offset", "X"], []))
    offset      X
    --------  ---
    """
    return _laid_out(head, rows, align or _sides(head, left), "simple")


def wrapped_table(head: Sequence[str], rows: Iterable[Sequence[str]], align: str, columns: int) -> str:
    """A plain table whose last column, where it holds words, breaks over lines to stay within the columns."""
    cells = [list(row) for row in rows]
    if align.endswith("l"):
        others = [row[:-1] for row in cells]
        lines = table(head[:-1], others, align=align[:-1]).splitlines() if len(head) > 1 else []
        room = max(columns - max(map(columns_of, lines), default=0) - 2, _NARROWEST)
        for row in cells:
            row[-1] = wrapped(row[-1], columns=room)
    return table(head, cells, align=align)


def markdown_table(head: Sequence[str], rows: Iterable[Sequence[str]], align: str) -> str:
    """A table of Markdown texts, which are taken as they are."""
    return _laid_out(head, rows, align, "github")


def units_words(units: str) -> str:
    """The unit as a heading says it."""
    return "millimetres" if units == "mm" else "inches"


def _sides(head: Sequence[str], left: int) -> str:
    return "l" * left + "r" * (len(head) - left)


def _laid_out(head: Sequence[str], rows: Iterable[Sequence[str]], align: str, form: str) -> str:
    sides = [{"l": "left", "r": "right"}[side] for side in align]
    # tabulate 0.9 takes no alignment for a table without rows: it gets an empty one, which is taken off again.
    cells = list(rows)
    text = tabulate(
        cells or [[""] * len(head)],
        headers=list(head),
        tablefmt=form,
        disable_numparse=True,
        colalign=sides,
    )
    return text if cells else text.rpartition("\n")[0]
