"""Recovery from text that is no TOML: its lines are reported and skipped, so that later faults show too."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from typing import Any

from tiltwright.files.diagnostics import Diagnostic, InputFaults, UnlocatedDiagnostic
from tiltwright.files.syntax_errors import syntax_fault

__all__ = ["recover"]

_ROUNDS = 200
_KEY = re.compile(r"\s*[\w-]+(?:\s*\.\s*[\w-]+)*\s*=(?P<value>.*)", re.ASCII)


def recover(
    file: str, text: str, refusal: tomllib.TOMLDecodeError, unread: str
) -> tuple[str, dict[str, Any], list[UnlocatedDiagnostic]]:
    """Skip the lines that are no TOML: the text without them, its data, and a diagnostic for each.

    Parameters
    ----------
    file, text : str
        The file's name for messages, and its text.
    refusal : TOMLDecodeError
        The parser's error.
    unread : str
        TOML that replaces the value of a line ``key = ...``; any other line becomes empty, so that the rest keep their numbers.

    Raises
    ------
    InputFaults
        With the faults so far, where an error may reach into the lines below: in a table's header, in a list or a
        text over several lines. With the first alone, where more than half of the lines are no TOML.
    """
    lines = text.split("\n")
    most = (sum(1 for line in lines if line.strip() and not line.lstrip().startswith("#")) + 1) // 2
    faults: dict[int, Diagnostic] = {}
    tried: dict[int, int] = {}
    replaced: str | None = ""
    for _ in range(_ROUNDS):
        fault = syntax_fault(file, "\n".join(lines), str(refusal))
        at = fault.line or 0
        faults.setdefault(at, fault)
        tried[at] = tried.get(at, 0) + 1
        alone = fault.key.startswith("column") and _balanced(lines[: at - 1])
        replaced = _replacement(lines[at - 1], unread, tried[at]) if alone else None
        # A file of another kind, a program or a letter, needs no message for every line.
        if replaced is None or len(faults) > most:
            break
        lines[at - 1] = replaced
        kept = "\n".join(lines)
        try:
            data = tomllib.loads(kept)
        except tomllib.TOMLDecodeError as another:
            refusal = another
        except (RecursionError, ValueError):
            break
        else:
            return (
                kept,
                data,
                [UnlocatedDiagnostic((f.key,), f.found, f.allowed, f.tip, f.line) for f in faults.values()],
            )
    found = list(faults.values())
    if replaced is None and found[-1].key.startswith("column") and (found[-1].line or 0) < len(lines):
        last = found[-1]
        found[-1] = replace(last, tip="; ".join(filter(None, [last.tip, "nothing after it was checked"])))
    raise InputFaults(found if len(found) <= most else found[:1])


def _replacement(line: str, unread: str, tried: int) -> str | None:
    """The replacement of a line that is no TOML; None where the next lines may belong to it."""
    if tried > 2 or line.lstrip().startswith("[") or not _balanced([line]):
        return None
    if '"""' in line or "'''" in line:
        return None
    key = _KEY.fullmatch(line)
    # At the second try the key itself is at fault: given twice, or a table already.
    return f"{line[: key.start('value')]} {unread}" if key and tried == 1 else ""


def _balanced(lines: list[str]) -> bool:
    """Test whether every bracket in the lines is closed."""
    bare = "\n".join(re.sub(r"\"[^\"]*\"|'[^']*'", "", line).split("#", 1)[0] for line in lines)
    return all(bare.count(opening) == bare.count(closing) for opening, closing in ("[]", "{}"))
