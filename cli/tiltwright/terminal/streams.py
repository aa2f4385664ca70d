"""Standard output and standard error: guarded writing, colours and exit codes."""

from __future__ import annotations

import contextlib
import os
import re
import sys
from collections.abc import Callable, Iterator
from typing import NoReturn, TextIO, cast

import typer

from tiltwright.files.diagnostics import sanitized
from tiltwright.output.ascii import encodable

__all__ = [
    "ANSWER_NO",
    "CRASHED",
    "INPUT_WRONG",
    "INTERRUPTED",
    "before_text",
    "coloured",
    "fail",
    "guarded_streams",
    "lost_result",
    "note",
    "passing_stream",
    "reader_gone",
    "say_no",
]

_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")
_MOST_MESSAGES = 200
_LONGEST_LINE = 4000


def passing_stream() -> TextIO:
    """Stderr for a passing line, which its owner wipes when text is to go out: see `before_text`."""
    return cast(TextIO, _Guarded(getattr(sys.stderr, "stream", sys.stderr)))


_wipers: list[Callable[[], None]] = []


@contextlib.contextmanager
def before_text(wipe: Callable[[], None]) -> Iterator[None]:
    """Call `wipe` before any text goes out, to take a passing line off the screen."""
    _wipers.append(wipe)
    try:
        yield
    finally:
        _wipers.remove(wipe)


def _wipe() -> None:
    wipers, _wipers[:] = _wipers[:], []  # what wipes writes, too
    for wipe in wipers:
        wipe()
    _wipers[:] = wipers


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


class _Messages(_Guarded):
    """Stderr: a passing line of progress gives way to text."""

    def write(self, text: str) -> int:
        """Write text in the characters that the encoding has."""
        _wipe()
        return super().write(text)


class _Result(_Guarded):
    """Stdout: what cannot be written is dropped, and the command goes on.

    A command does what it is asked to do (it writes its files, it ends with its own code) whoever reads its text.
    """

    def __init__(self, stream: TextIO | None) -> None:
        super().__init__(stream)
        self.lost = ""
        """The reason why text was lost; empty where none was, or its reader left."""
        self.reader_gone = False

    def write(self, text: str) -> int:
        """Write text in the characters that the encoding has; nothing in it moves a cursor."""
        if self.stream is None and text and not self.reader_gone:
            self.lost = self.lost or "it is closed"
        _wipe()
        return super().write(_CONTROLS.sub(_spelled, text))

    def _abandon(self, stream: TextIO, refusal: OSError) -> None:
        super()._abandon(stream, refusal)
        if isinstance(refusal, BrokenPipeError):
            self.reader_gone = True
        else:
            self.lost = refusal.strerror or str(refusal)


def _spelled(match: re.Match[str]) -> str:
    # A line end of other systems is none of the characters that move a cursor where it should not go.
    return (
        match[0]
        if match[0] == "\r" and match.string[match.end() : match.end() + 1] == "\n"
        else sanitized(match[0])
    )


def lost_result() -> str:
    """The reason why text for stdout was lost; empty where all was written, or the reader had seen enough."""
    out = sys.stdout
    if not isinstance(out, _Result):
        return ""
    out.flush()
    return out.lost


def reader_gone() -> bool:
    """Return True once nobody reads stdout any more, so that a long result may end early."""
    return isinstance(sys.stdout, _Result) and sys.stdout.reader_gone


@contextlib.contextmanager
def guarded_streams() -> Iterator[None]:
    """Guard stdout and stderr, let stdin read any bytes, and restore all three at the end."""
    _reserve_descriptors()
    out, err = sys.stdout, sys.stderr
    # Text for a closed or full stderr is lost; the exit code remains.
    sys.stdout, sys.stderr = cast(TextIO, _Result(out)), cast(TextIO, _Messages(err))
    reconfigure = getattr(sys.stdin, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="surrogateescape")
    _said.clear()
    try:
        yield
    finally:
        sys.stdout.flush()
        dropped = len(_said) - _MOST_MESSAGES
        if dropped > 0:
            sys.stderr.write(f"note: {dropped} more message{'s' if dropped > 1 else ''} like these\n")
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
CRASHED = 70
"""A fault of the program itself: what sysexits.h has for internal software errors."""
INTERRUPTED = 130
"""Ctrl-C: 128 and the number of the signal, as shells have it."""


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
    message = ""
    for line in text.split("\n"):
        if message and not line.startswith(" "):
            _say("error", message, typer.colors.RED)
            message = line
        else:
            message = f"{message}\n{line}" if message else line
    _say("error", message, typer.colors.RED)
    raise SystemExit(code)


_said: list[None] = []


def _say(label: str, text: str, colour: str) -> None:
    """One message; a name in it can neither begin another nor fill the screen."""
    _said.append(None)
    if len(_said) > _MOST_MESSAGES:
        return
    head = typer.style(f"{label}:", fg=colour, bold=True) if coloured(sys.stderr) else f"{label}:"
    lines = [_short(sanitized(line)) for line in text.split("\n")]
    rest = "".join(f"\n{line}" if line.startswith(" ") else f"\n    {line}" for line in lines[1:])
    sys.stderr.write(f"{head} {lines[0]}{rest}\n")


def _short(line: str) -> str:
    cut = len(line) - _LONGEST_LINE
    return line if cut <= 0 else f"{line[:_LONGEST_LINE]}… ({cut} more characters)"
