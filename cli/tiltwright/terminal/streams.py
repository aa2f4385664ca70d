"""Standard output and standard error: guarded writing, colours and exit codes."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import NoReturn, TextIO, cast

import typer

from tiltwright.output.ascii import encodable

__all__ = [
    "ANSWER_NO",
    "INPUT_WRONG",
    "ReaderGone",
    "ResultLost",
    "coloured",
    "fail",
    "note",
    "ready_streams",
    "say_no",
]


class ResultLost(Exception):  # noqa: N818 - it says what happened
    """The result cannot be written to stdout; the text says why."""


class ReaderGone(Exception):  # noqa: N818 - it is no error
    """Whoever read stdout has seen enough, such as ``| head``."""


class _Guarded:
    """A stream's text side: what its encoding lacks is written plainly, what it refuses is dropped.

    It has no `buffer`, so that nothing goes round it.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self.stream = stream
        self.encoding = getattr(stream, "encoding", None) or "utf-8"
        self.errors = "strict"

    def write(self, text: str) -> int:
        """Write, in the characters that the stream has."""
        if self.stream is not None:
            try:
                self.stream.write(encodable(text, self.encoding))
            except OSError as refusal:
                self._let_go(self.stream, refusal)
        return len(text)

    def flush(self) -> None:
        """Hand on what waits."""
        if self.stream is not None:
            try:
                self.stream.flush()
            except OSError as refusal:
                self._let_go(self.stream, refusal)

    def isatty(self) -> bool:
        """Whether somebody looks at it."""
        return self.stream is not None and self.stream.isatty()

    def fileno(self) -> int:
        """The number that the system knows it by."""
        if self.stream is None:
            raise OSError("the stream is closed")
        return self.stream.fileno()

    def writable(self) -> bool:
        """Whether it takes text."""
        return True

    def _let_go(self, stream: TextIO, _refusal: OSError) -> None:
        """Use the stream no more; what waits in it goes nowhere, or the interpreter would complain at its end."""
        self.stream = None
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


class _Result(_Guarded):
    """Stdout: what cannot be written is told, every time, since somebody on the way may have been deaf to it."""

    def __init__(self, stream: TextIO | None) -> None:
        super().__init__(stream)
        self.trouble: Exception | None = None

    def write(self, text: str) -> int:
        """Write, in the characters that the stream has."""
        if self.stream is None and self.trouble is None and text:
            self.trouble = ResultLost("it is closed")
        written = super().write(text)
        self._tell()
        return written

    def flush(self) -> None:
        """Hand on what waits."""
        super().flush()
        self._tell()

    def _tell(self) -> None:
        if self.trouble is not None:
            raise self.trouble

    def _let_go(self, stream: TextIO, refusal: OSError) -> None:
        super()._let_go(stream, refusal)
        if isinstance(refusal, BrokenPipeError):
            self.trouble = ReaderGone()
        else:
            self.trouble = ResultLost(refusal.strerror or str(refusal))


@contextlib.contextmanager
def ready_streams() -> Iterator[None]:
    """Guard stdout and stderr, let stdin read whatever bytes come, and give all back at the end."""
    _occupy()
    out, err = sys.stdout, sys.stderr
    # What is said on a stderr that is closed or full is lost; the exit code still tells.
    sys.stdout, sys.stderr = cast(TextIO, _Result(out)), cast(TextIO, _Guarded(err))
    reconfigure = getattr(sys.stdin, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="surrogateescape")
    try:
        yield
    finally:
        with contextlib.suppress(ResultLost, ReaderGone):
            sys.stdout.flush()
        sys.stderr.flush()
        sys.stdout, sys.stderr = out, err


def _occupy() -> None:
    """Keep the numbers of closed standard streams from being given to files: those would get what is printed."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)


ANSWER_NO = 1
INPUT_WRONG = 2


def coloured(stream: TextIO) -> bool:
    """Whether a stream may be coloured: a terminal, and nobody asked for none (https://no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def note(text: str, label: str = "note") -> None:
    """Say something beside the result; it never ends up in a file or a pipe."""
    _say(label, text, typer.colors.CYAN)


def say_no(text: str) -> None:
    """Say that the answer is no; the caller ends with `ANSWER_NO`."""
    _say("FAIL", text, typer.colors.YELLOW)


def fail(text: str, code: int = INPUT_WRONG) -> NoReturn:
    """Say what is wrong, one message per line of `text` that does not start with a blank, and end."""
    for message in text.split("\n"):
        if message.startswith(" "):
            sys.stderr.write(message + "\n")
        else:
            _say("error", message, typer.colors.RED)
    raise SystemExit(code)


def _say(label: str, text: str, colour: str) -> None:
    head = typer.style(f"{label}:", fg=colour, bold=True) if coloured(sys.stderr) else f"{label}:"
    sys.stderr.write(f"{head} {text}\n")
