"""Progress of long calculations, told to whoever watches; without a watcher it costs nothing.

A loop that may take seconds goes through `counted`. What is counted inside it refines the share of the step that it
is part of, so that a watcher sees one share that grows from 0 to 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sized
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TypeVar

__all__ = ["Watcher", "counted", "report_progress", "unwatched", "watched"]

Thing = TypeVar("Thing")
Watcher = Callable[[str, float], None]
"""Takes what is worked on, in words, and the share of it that is done, 0 to 1."""


@dataclass
class _Span:
    """The watcher, and the part of the whole that the present step is."""

    watcher: Watcher
    low: float = 0.0
    high: float = 1.0


_span: ContextVar[_Span | None] = ContextVar("progress", default=None)


@contextmanager
def watched(watcher: Watcher) -> Iterator[None]:
    """Tell a watcher of what is counted inside.

    Examples
    --------
    >>> with watched(lambda what, share: print(what, share)):
    ...     for _ in counted(["top", "port"], "operations"):
    ...         for _ in counted("ab", "moves"):
    ...             pass
    operations 0.0
    moves 0.0
    moves 0.25
    operations 0.5
    moves 0.5
    moves 0.75
    """
    token = _span.set(_Span(watcher))
    try:
        yield
    finally:
        _span.reset(token)


@contextmanager
def unwatched() -> Iterator[None]:
    """Tell nobody of what is counted inside, where its share of the whole is not known.

    Examples
    --------
    >>> with watched(lambda what, share: print(what, share)), unwatched():
    ...     report_progress("heights", 0.5)
    """
    token = _span.set(None)
    try:
        yield
    finally:
        _span.reset(token)


def report_progress(what: str, share: float) -> None:
    """Tell the watcher, if there is one, that a share of the present step is done.

    Examples
    --------
    >>> with watched(lambda what, share: print(what, share)):
    ...     report_progress("heights", 0.5)
    heights 0.5
    """
    span = _span.get()
    if span is not None:
        span.watcher(what, span.low + (span.high - span.low) * min(max(share, 0.0), 1.0))


def counted(things: Iterable[Thing], what: str, count: int | None = None) -> Iterator[Thing]:
    """The things one by one, each told to the watcher before it is worked on.

    Parameters
    ----------
    things : iterable
    what : str
        What they are, in words: "index moves".
    count : int, optional
        How many they are; needed where they have no length.

    Examples
    --------
    >>> list(counted(["top", "port"], "operations"))   # nobody watches
    ['top', 'port']
    >>> with watched(lambda what, share: print(what, share)):
    ...     assert list(counted(iter("ab"), "letters", 2)) == ["a", "b"]
    letters 0.0
    letters 0.5
    """
    span = _span.get()
    if count is None and isinstance(things, Sized):
        count = len(things)
    if span is None or not count:
        yield from things
        return
    low, high = span.low, span.high
    try:
        for k, thing in enumerate(things):
            span.low, span.high = (low + (high - low) * min(n / count, 1.0) for n in (k, k + 1))
            span.watcher(what, span.low)
            yield thing
    finally:
        span.low, span.high = low, high
