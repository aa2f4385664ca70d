"""What goes to stderr, in what colour, and with which exit code the command ends."""

from __future__ import annotations

import os
import sys
from typing import NoReturn, TextIO

import typer

__all__ = ["ANSWER_NO", "INPUT_WRONG", "coloured", "fail", "note", "say_no"]

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
    _say("no", text, typer.colors.YELLOW)


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
