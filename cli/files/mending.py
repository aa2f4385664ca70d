"""Lines that are no TOML, each told and passed over, so that one slip does not hide what else is wrong with a file."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from typing import Any

from tiltwright.files.faults import Fault, Finding, InputFaults
from tiltwright.files.syntax import syntax_fault

__all__ = ["mended"]

_ROUNDS = 200
_KEY = re.compile(r"\s*[\w-]+(?:\s*\.\s*[\w-]+)*\s*=(?P<value>.*)", re.ASCII)


def mended(
    file: str, text: str, refusal: tomllib.TOMLDecodeError, unread: str
) -> tuple[str, dict[str, Any], list[Finding]]:
    """A text without the lines that are no TOML, the data of the rest, and what was wrong with those lines.

    Parameters
    ----------
    file, text : str
        The file's name for messages, and what it holds.
    refusal : TOMLDecodeError
        The parser's.
    unread : str
        TOML that stands for the value of a line ``key = ...``; of any other line nothing is left, but its number.

    Raises
    ------
    InputFaults
        With the faults so far, where the rest cannot be told from what is wrong: a table's name that is no name, a
        list or a text over several lines. With the first alone, where more than half of the lines are no TOML.
    """
    lines = text.split("\n")
    most = (sum(1 for line in lines if line.strip() and not line.lstrip().startswith("#")) + 1) // 2
    faults: dict[int, Fault] = {}
    tried: dict[int, int] = {}
    passed: str | None = ""
    for _ in range(_ROUNDS):
        fault = syntax_fault(file, "\n".join(lines), str(refusal))
        at = fault.line or 0
        faults.setdefault(at, fault)
        tried[at] = tried.get(at, 0) + 1
        alone = fault.key.startswith("column") and _balanced(lines[: at - 1])
        passed = _passed_over(lines[at - 1], unread, tried[at]) if alone else None
        # Something else altogether, a program or a letter, is not worth a message for every line.
        if passed is None or len(faults) > most:
            break
        lines[at - 1] = passed
        kept = "\n".join(lines)
        try:
            data = tomllib.loads(kept)
        except tomllib.TOMLDecodeError as another:
            refusal = another
        except (RecursionError, ValueError):
            break
        else:
            return kept, data, [Finding((f.key,), f.found, f.allowed, f.tip, f.line) for f in faults.values()]
    told = list(faults.values())
    if passed is None and told[-1].key.startswith("column") and (told[-1].line or 0) < len(lines):
        last = told[-1]
        told[-1] = replace(last, tip="; ".join(filter(None, [last.tip, "what follows it was not looked at"])))
    raise InputFaults(told if len(told) <= most else told[:1])


def _passed_over(line: str, unread: str, tried: int) -> str | None:
    """What stands for a line that is no TOML; None where what follows may belong to it."""
    if tried > 2 or line.lstrip().startswith("[") or not _balanced([line]):
        return None
    if '"""' in line or "'''" in line:
        return None
    key = _KEY.fullmatch(line)
    # The key itself may be the trouble: given twice, or a table already.
    return f"{line[: key.start('value')]} {unread}" if key and tried == 1 else ""


def _balanced(lines: list[str]) -> bool:
    """Whether lines end what they open, as far as their brackets tell."""
    bare = "\n".join(re.sub(r"\"[^\"]*\"|'[^']*'", "", line).split("#", 1)[0] for line in lines)
    return all(bare.count(opening) == bare.count(closing) for opening, closing in ("[]", "{}"))
