"""Answers for people at a terminal: tables by tabulate, numbers by `numbers`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tabulate import tabulate

__all__ = ["table", "units_words"]


def table(head: Sequence[str], rows: Iterable[Sequence[str]], left: int = 1) -> str:
    """A plain table; the first `left` columns are words, the others figures under one another."""
    align = ["left"] * left + ["right"] * (len(head) - left)
    return tabulate(list(rows), headers=list(head), tablefmt="simple", disable_numparse=True, colalign=align)


def units_words(units: str) -> str:
    """The unit as a heading says it."""
    return "millimetres" if units == "mm" else "inches"
