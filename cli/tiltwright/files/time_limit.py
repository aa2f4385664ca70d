"""A limit on the time that a file from somebody else may take."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

__all__ = ["TimeLimitError", "time_limit"]


class TimeLimitError(BaseException):
    """The time is up. No `Exception`, so that nothing on the way takes it for a fault of its own."""


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raise `TimeLimitError` in what is done inside once it has taken so long.

    It works by the system's alarm clock: where there is none, or outside the main thread, there is no limit. A single
    call into compiled code is not cut short; sizes are bounded for that.

    Examples
    --------
    >>> import time
    >>> with time_limit(0.01):
    ...     time.sleep(10)
    Traceback (most recent call last):
        ...
    tiltwright.files.time_limit.TimeLimitError
    """
    if not hasattr(signal, "setitimer") or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGALRM, _ring)
    left, _ = signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, left)
        signal.signal(signal.SIGALRM, before)


def _ring(_number: int, _frame: FrameType | None) -> NoReturn:
    raise TimeLimitError
