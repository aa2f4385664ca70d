"""A progress bar on stderr for what takes more than two seconds on a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from tqdm import tqdm

__all__ = ["progress_bar"]

_SILENT_S = 2.0
"""A command that takes no longer shows no bar."""
_EACH_S = 0.1


class _Bar:
    """A watcher of progress: one line, drawn when its time has come and wiped before any text."""

    def __init__(self) -> None:
        self._begun = self._drawn = time.monotonic()
        self._bar: tqdm[NoReturn] | None = None

    def __call__(self, what: str, share: float) -> None:
        now = time.monotonic()
        if now - self._begun < _SILENT_S or now - self._drawn < _EACH_S:
            return
        self._drawn = now
        if self._bar is None:
            self._bar = _line(now - self._begun)
        self._bar.n = share
        self._bar.set_description_str(what)

    def wipe(self) -> None:
        """Wipe the line; it is drawn again when there is news."""
        if self._bar is not None:
            self._bar.clear()

    def close(self) -> None:
        """Wipe the line for good."""
        if self._bar is not None:
            self._bar.close()


def _line(already_s: float) -> tqdm[NoReturn]:
    from tqdm import tqdm

    from tiltwright.output.ascii import encodable
    from tiltwright.terminal.streams import passing_stream

    tqdm.monitor_interval = 0  # no thread: a forked child would have half of one
    stream = passing_stream()
    bar: tqdm[NoReturn] = tqdm(
        total=1.0,
        file=stream,
        leave=False,
        dynamic_ncols=True,
        delay=1e-9,  # the first picture has a name, too
        ascii=encodable("█▏", stream.encoding) != "█▏",
        bar_format="{desc} {percentage:3.0f} % |{bar}| {elapsed}",
    )
    bar.start_t -= already_s
    return bar


@contextmanager
def progress_bar() -> Iterator[None]:
    """Show the progress of what is counted inside: on a terminal, unless it is dumb or NO_COLOR asks for plain text."""
    from tiltwright.terminal.streams import before_text, coloured

    if not coloured(sys.stderr):
        yield
        return
    from kinematics.progress import watched

    bar = _Bar()
    try:
        with before_text(bar.wipe), watched(bar):
            yield
    finally:
        bar.close()
