"""Plain text in the columns of a terminal: how wide it is, and how it wraps."""

from __future__ import annotations

import textwrap
import unicodedata

from tiltwright.files.diagnostics import sanitized

__all__ = ["COLUMNS", "columns_of", "wrapped"]

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
