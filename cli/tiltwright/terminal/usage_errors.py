"""Usage errors of the command line, worded like every other fault, with the usage line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import takewhile
from typing import Any, cast

import typer

__all__ = ["UsageError", "help_instead", "usage_words"]

# typer has no public name for the class of all its usage errors; this is one of them.
UsageError = cast("type[Exception]", typer.BadParameter.__bases__[0])

_NUMBERS = re.compile(r"[-+]?[\d.]*\d[\d.]*(,[-+]?[\d.]+)*,?")
_RANGE = re.compile(r"is not in the range (?:x>=([-\d.]+)|x<=([-\d.]+)|([-\d.]+)<=x<=([-\d.]+))")
_KINDS = {
    "int range": "a whole number",
    "float range": "a number",
    "int": "a whole number",
    "integer": "a whole number",
    "float": "a number",
}
_ALONE = {"--at": "--at A{}", "--from": "--from A{}", "--normal": "--normal 0,{},0"}


def help_instead(error: Exception) -> str | None:
    """The help page, where the only error is a command group typed alone; else None."""
    context, message = getattr(error, "ctx", None), getattr(error, "message", "")
    return str(message) if context is not None and message == context.get_help() else None


def usage_words(error: Exception, typed: Sequence[str]) -> str:
    """The message of a usage error: the fault, the usage, a tip.

    Parameters
    ----------
    error : UsageError
    typed : sequence of str
        The command line, without the program's name.
    """
    context = getattr(error, "ctx", None)
    near = sorted(getattr(error, "possibilities", None) or ())
    message = str(getattr(error, "message", "")) if near else str(getattr(error, "format_message", str)())
    for kind, plain in _KINDS.items():
        message = message.replace(f"is not a valid {kind}", f"is not {plain}")
    message = _RANGE.sub(_range_words, message)
    words, _, meant = " ".join(message.split()).rstrip(".?").partition(". Did you mean ")
    options = [name for one in context.command.params for name in one.opts] if context is not None else []
    tip = _number_tip(typed, options)
    if not tip and (near or meant):
        tip = f"did you mean {' or '.join(near) or meant}?"
    return f"{words[:1].lower()}{words[1:]}\n    usage: {_usage(context, typed)}" + (
        f"\n    tip: {tip}" if tip else ""
    )


def _range_words(match: re.Match[str]) -> str:
    """A range in words, as the parser writes it: ``x>=0``, ``1<=x<=999``."""
    if match[1] is not None:
        return f"is below {match[1]}"
    return f"is above {match[2]}" if match[2] is not None else f"is not within {match[3]} to {match[4]}"


def _usage(context: Any, typed: Sequence[str]) -> str:  # noqa: ANN401 - typer's context has no public type of its own
    if context is None:
        # The parser gives no context: the command is the words before the first option.
        words = takewhile(str.isalpha, typed)
        return f"{' '.join(['tiltwright', *words])} --help"
    line = re.sub(r"\{(\w+)\}", r"\1", " ".join(context.get_usage().split()).removeprefix("Usage: "))
    return f"{line}; examples: {context.command_path} --help"


def _number_tip(typed: Sequence[str], options: Sequence[str]) -> str:
    """A tip for numbers between the options.

    Examples
    --------
    >>> _number_tip(["--zero", "-1", "-2,", "-3"], ["--zero"])
    'the numbers after --zero are one value, with commas and no spaces: --zero -1,-2,-3'
    >>> _number_tip(["job.toml", "-90"], ["--only", "--at"])
    'a negative value belongs to an option, such as --at A-90'
    """
    place = 0
    while place < len(typed):
        run = place
        while run < len(typed) and _NUMBERS.fullmatch(typed[run]):
            run += 1
        before = typed[place - 1] if place else ""
        if run - place > 1 and before in options and before.startswith("-"):
            value = ",".join(word.rstrip(",") for word in typed[place:run])
            return f"the numbers after {before} are one value, with commas and no spaces: {before} {value}"
        if run - place == 1 and typed[place].startswith("-") and before not in options:
            example = next((words for name, words in _ALONE.items() if name in options), "")
            such = f", such as {example.format(typed[place])}" if example else ""
            return f"a negative value belongs to an option{such}"
        place = max(run, place + 1)
    return ""
