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
    "guarded_streams",
    "note",
    "say_no",
]


class ResultLost(Exception):  # noqa: N818 - named for what happened
    """The result cannot be written to stdout; the text gives the reason."""


class ReaderGone(Exception):  # noqa: N818 - not an error
    """The reader of stdout, such as ``| head``, has closed it."""


class _Guarded:
    """A text stream that transliterates what its encoding lacks, and drops text once the system refuses it.

    It has no `buffer`, so that nothing bypasses it.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self.stream = stream
        self.encoding = getattr(stream, "encoding", None) or "utf-8"
        self.errors = "strict"

    def write(self, text: str) -> int:
        """Write text in the characters that the encoding has."""
        if self.stream is not None:
            try:
                self.stream.write(encodable(text, self.encoding))
            except OSError as refusal:
                self._abandon(self.stream, refusal)
        return len(text)

    def flush(self) -> None:
        """Flush buffered text."""
        if self.stream is not None:
            try:
                self.stream.flush()
            except OSError as refusal:
                self._abandon(self.stream, refusal)

    def isatty(self) -> bool:
        """Return True for a terminal."""
        return self.stream is not None and self.stream.isatty()

    def fileno(self) -> int:
        """The file descriptor."""
        if self.stream is None:
            raise OSError("the stream is closed")
        return self.stream.fileno()

    def writable(self) -> bool:
        """Return True: text can be written."""
        return True

    def _abandon(self, stream: TextIO, _refusal: OSError) -> None:
        """Abandon the stream, and send its buffered text nowhere, or the interpreter would complain when it exits."""
        self.stream = None
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, stream.fileno())
            os.close(nowhere)


class _Result(_Guarded):
    """Stdout: a failed write raises at every later call too, since code in between may have swallowed the first."""

    def __init__(self, stream: TextIO | None) -> None:
        super().__init__(stream)
        self.failure: Exception | None = None

    def write(self, text: str) -> int:
        """Write text in the characters that the encoding has."""
        if self.stream is None and self.failure is None and text:
            self.failure = ResultLost("it is closed")
        written = super().write(text)
        self._raise_failure()
        return written

    def flush(self) -> None:
        """Flush buffered text."""
        super().flush()
        self._raise_failure()

    def _raise_failure(self) -> None:
        if self.failure is not None:
            raise self.failure

    def _abandon(self, stream: TextIO, refusal: OSError) -> None:
        super()._abandon(stream, refusal)
        if isinstance(refusal, BrokenPipeError):
            self.failure = ReaderGone()
        else:
            self.failure = ResultLost(refusal.strerror or str(refusal))


@contextlib.contextmanager
def guarded_streams() -> Iterator[None]:
    """Guard stdout and stderr, let stdin read any bytes, and restore all three at the end."""
    _reserve_descriptors()
    out, err = sys.stdout, sys.stderr
    # Text for a closed or full stderr is lost; the exit code remains.
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


def _reserve_descriptors() -> None:
    """Open closed standard streams on the null device, so that no file gets their descriptors, and the output."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            with contextlib.suppress(OSError):
                os.open(os.devnull, os.O_RDWR)


ANSWER_NO = 1
INPUT_WRONG = 2


def coloured(stream: TextIO) -> bool:
    """Return True for a terminal, unless NO_COLOR is set (https://no-color.org) or the terminal is dumb."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def note(text: str, label: str = "note") -> None:
    """Write a note to stderr, beside the result."""
    _say(label, text, typer.colors.CYAN)


def say_no(text: str) -> None:
    """Say that the answer is no; the caller ends with `ANSWER_NO`."""
    _say("FAIL", text, typer.colors.YELLOW)


def fail(text: str, code: int = INPUT_WRONG) -> NoReturn:
    """Write each fault to stderr, a line of `text` that starts with no space, and exit."""
    for message in text.split("\n"):
        if message.startswith(" "):
            sys.stderr.write(message + "\n")
        else:
            _say("error", message, typer.colors.RED)
    raise SystemExit(code)


def _say(label: str, text: str, colour: str) -> None:
    head = typer.style(f"{label}:", fg=colour, bold=True) if coloured(sys.stderr) else f"{label}:"
    sys.stderr.write(f"{head} {text}\n")
