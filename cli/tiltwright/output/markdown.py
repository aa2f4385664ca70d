"""Text as Markdown in which nothing is markup."""

from __future__ import annotations

import re

from tiltwright.output.plain_text import clean

__all__ = ["escaped"]

_SPECIAL = re.compile(r"^[+\-=]|[\\`*_{}\[\]<>#|~&$@]|:(?=\S)|\.(?=[A-Za-z])|(?<=\d)[.)](?=\s)")


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
    """
    return _SPECIAL.sub(lambda mark: "\\" + mark[0], clean(text))
