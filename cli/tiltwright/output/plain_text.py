"""Plain text in columns: widths, and characters that cannot steer a terminal."""

from __future__ import annotations

import unicodedata

__all__ = ["COLUMNS", "clean", "columns_of"]

COLUMNS = 100


def columns_of(text: str) -> int:
    """How many columns a text takes in a terminal: wide characters take two, combining ones none.

    Examples
    --------
    >>> columns_of("port"), columns_of("ポート")
    (4, 6)
    """
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in ("W", "F") else 1
        for c in text
    )


def clean(text: str) -> str:
    """A text that cannot steer a terminal: control and direction-changing characters are replaced."""
    return "".join(
        "\N{REPLACEMENT CHARACTER}" if unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp") else c
        for c in text
    )
