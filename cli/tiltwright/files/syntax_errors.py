"""Syntax errors of a TOML text: a tip for the usual mistakes of the shop, and recovery.

Lines that are no TOML are reported and skipped, so that later faults show too.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from typing import Any

from tiltwright.files.diagnostics import Diagnostic, InputFaults, UnlocatedDiagnostic, shown

__all__ = ["recover", "syntax_fault"]

_NUMBER = r"(?:\d+\.\d+|\d+|\.\d+)"
_CURLY = re.compile(
    "[\N{LEFT DOUBLE QUOTATION MARK}\N{RIGHT DOUBLE QUOTATION MARK}\N{DOUBLE LOW-9 QUOTATION MARK}"
    "\N{LEFT SINGLE QUOTATION MARK}\N{RIGHT SINGLE QUOTATION MARK}\N{DOUBLE PRIME}]"
)
_LONG_MINUS = re.compile("[\N{MINUS SIGN}\N{EN DASH}\N{EM DASH}]\\s*([\\d.]+)")
_FRACTION = re.compile(r"([-+]?)(?:(\d+)[\s-]+)?(\d+)/(\d+)")
_COMMA = re.compile(r"([-+]?)(\d*),(\d+)")
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_ANGLES = re.compile(r"[ABC]\s*=?\s*[-+.\d].*")
_NO_LEADING = re.compile(r"(?<![\w.])([-+]?)(\.\d+)")
_NO_TRAILING = re.compile(r"(?<![\w.])([-+]?\d+)\.(?!\d)")
_ZEROS = re.compile(r"(?<![\w.])([-+]?)0+(\d+(?:\.\d+)?)(?![\w.])")
_UNIT = re.compile(rf"([-+]?{_NUMBER})\s*(mm|millimet\w+|in|inch|inches|\")\W*", re.IGNORECASE)
_ANGLE = re.compile(rf"[-+]?{_NUMBER}\s*(?:°|deg\b|d\b).*", re.IGNORECASE)
_WORD = re.compile(r"[^\W\d_].*")
_NUMERIC = re.compile(r"[-+.\d]")
_BRACES = re.compile(r"\{[^{}]*\w[\"']?\s*:[^{}]*\}")
_COLON = re.compile(r"\s*:\s*")
_CUT_OFF = "was the file cut off, or a bracket or a quote left open?"
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def syntax_fault(file: str, text: str, message: str) -> Diagnostic:
    """The syntax error that `tomllib` found: line and column, the text there, and what to write instead.

    Parameters
    ----------
    file, text : str
        The file's name for messages, and its text.
    message : str
        The parser's message.
    """
    place = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    reason = message[: place.start()] if place else re.sub(r" \(at end of document\)$", "", message)
    reason = reason[:1].lower() + reason[1:]
    lines = text.split("\n")
    if place is None:
        last = len(text.rstrip("\n").split("\n"))
        return Diagnostic(
            file, last, "end of the file", f"a value that is not finished ({reason})", "TOML", _CUT_OFF
        )
    line, column = int(place[1]), int(place[2])
    here = lines[line - 1] if line <= len(lines) else ""
    if "overwrite" in reason:
        tip = _duplicate_tip(lines, line)
    else:
        tip = _CUT_OFF if line == len(lines) and _cut_off(lines) else _tip(here, column - 1, reason)
    return Diagnostic(file, line, f"column {column}", f"{shown(here.strip())} ({reason})", "TOML", tip)


def _cut_off(lines: list[str]) -> bool:
    """Test whether a text may have been cut off in its last line: a bracket is open there, or a word has only begun."""
    value = lines[-1].partition("=")[2].strip()
    begun = bool(value) and any(word.startswith(value) and word != value for word in ("true", "false"))
    bare = _bare(lines)
    return begun or any(bare.count(opening) > bare.count(closing) for opening, closing in ("[]", "{}"))


def _duplicate_tip(lines: list[str], line: int) -> str:
    """A tip that names the line where the key was given first."""
    key = lines[line - 1].partition("=")[0].strip()
    for before in range(line - 2, -1, -1):
        if lines[before].lstrip().startswith("["):
            break
        if lines[before].partition("=")[0].strip() == key:
            return f"{shown(key)} is given twice in this table, first on line {before + 1}"
    return ""


def _tip(line: str, place: int, reason: str) -> str:
    """A tip for a known mistake: what to write instead.

    Examples
    --------
    >>> _tip("up = .75", 5, ""), _tip("up = 1,25", 6, ""), _tip("up = 1 1/4", 6, "")
    ('write 0.75', 'write 1.25: a decimal point, no comma', 'write 1.25: decimals, no fraction')
    >>> _tip("name = Mill 3", 7, "")
    'text goes in quotes: "Mill 3"'
    """
    if _CURLY.search(line):
        return "text goes in straight quotes, \" or ', not in curly ones"
    foreign = _foreign_tip(line, reason)
    if foreign:
        return foreign
    key, equals, rest = line.partition("=")
    if not equals or not _BARE_KEY.fullmatch(key.strip().strip("\"'").replace(".", "")):
        return _key_tip(line, key)
    # A value alone on its line is taken whole, one in a list or table from the place of the fault.
    value = _without_remark(rest)
    if not value:
        return "a value is missing after the equals sign"
    if "unclosed" not in reason and value.count('"') % 2:
        return "text needs a quote on both sides" if not _NUMERIC.match(value) else _number_tip(value)
    if value[0] in "[{":
        value = _entry(line, place)
    return _number_tip(value) or _text_tip(value)


def _foreign_tip(line: str, reason: str) -> str:
    """A tip for signs that other kinds of file use."""
    if line.lstrip().startswith((";", "//", "(")):
        return "a remark begins with #"
    braces = _BRACES.search(line)
    if braces:
        return f"write {_COLON.sub(' = ', braces[0])}: an equals sign, no colon"
    if "\\" in line and ("escape" in reason or "hex" in reason):
        return "write / instead of \\ in paths, or put the text in single quotes"
    return ""


def _entry(line: str, place: int) -> str:
    """The entry of a list or an inline table at a place in the line."""
    start = max(line.rfind(mark, 0, place) for mark in "[{,=") + 1
    return re.split(r"[,;\]}]", _without_remark(line[start:]), maxsplit=1)[0].strip()


def _key_tip(line: str, key: str) -> str:
    """A tip for an invalid key."""
    if re.match(r"\s*[\w-]+\s*:", line):
        return "put an equals sign between a key and its value"
    if "[" in line.split("#", maxsplit=1)[0][:1] or not key.strip():
        return ""
    if "=" not in line:
        return 'a line is key = value, a table\'s name in brackets, or a remark after "#"'
    joined = "_".join(re.findall(r"\w+", key))
    return f"a key is one word: {joined}" if joined.isascii() else "a key is made of a to z, digits, _ and -"


def _number_tip(value: str) -> str:
    """A tip for a number as the shop writes it; empty where it is none."""
    for mistake, words in _MISTAKES:
        if match := mistake.fullmatch(value):
            return words(match)
    whole = _whole(value)
    return f"write {whole}" if whole != value and _is_number(whole) else ""


def _minus(match: re.Match[str]) -> str:
    return f"write -{match[1]} with the keyboard's own minus sign"


def _fraction(match: re.Match[str]) -> str:
    sign, whole, over, under = match.groups()
    if int(under) == 0:
        return ""
    return f"write {sign.strip('+')}{int(whole or 0) + int(over) / int(under):.10g}: decimals, no fraction"


def _comma(match: re.Match[str]) -> str:
    point = f"{match[1].strip('+')}{match[2] or 0}.{match[3]}"
    other = f" (or {match[0].replace(',', '')}, if that is meant)" if _THOUSANDS.fullmatch(match[0]) else ""
    return f"write {point}{other}: a decimal point, no comma"


def _thousands(match: re.Match[str]) -> str:
    return f"write {match[0].replace(',', '')}: no commas in a number"


def _unit(match: re.Match[str]) -> str:
    return f"write {_whole(match[1])}: the unit is given once, in units"


def _angle(match: re.Match[str]) -> str:
    bare = _whole(re.sub(r"\s*(°|deg\w*|d)\.?$", "", match[0]))
    if _is_number(bare):
        return f"write {bare}: degrees need no sign"
    return f"an angle with its marks goes in quotes: {shown(match[0])}"


_MISTAKES = (
    (_LONG_MINUS, _minus),
    (_FRACTION, _fraction),
    (_COMMA, _comma),
    (_THOUSANDS, _thousands),
    (_UNIT, _unit),
    (_ANGLE, _angle),
)


def _whole(value: str) -> str:
    """A number with a digit on both sides of its point and without leading zeros."""
    value = _NO_LEADING.sub(r"\g<1>0\2", value)
    value = _NO_TRAILING.sub(r"\1.0", value)
    return _ZEROS.sub(r"\1\2", value).removeprefix("+")


def _is_number(value: str) -> bool:
    return re.fullmatch(r"-?\d+(\.\d+)?([eE][-+]?\d+)?", value) is not None


def _text_tip(value: str) -> str:
    if _ANGLES.fullmatch(value):
        return "angles go in braces: { A = -90, C = 0 }"
    if _WORD.fullmatch(value) and '"' not in value and value not in {"true", "false"}:
        return f"text goes in quotes: {shown(value)}"
    return ""


def _without_remark(text: str) -> str:
    return text.split("#", 1)[0].strip() if '"' not in text and "'" not in text else text.strip()


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
    bare = _bare(lines)
    return all(bare.count(opening) == bare.count(closing) for opening, closing in ("[]", "{}"))


def _bare(lines: list[str]) -> str:
    """The lines without their texts and remarks."""
    return "\n".join(re.sub(r"\"[^\"]*\"|'[^']*'", "", line).split("#", 1)[0] for line in lines)
