"""Recovery from text that is no TOML: key positions, hints for the usual slips, and the lines that are skipped."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath, UnlocatedDiagnostic, shown

__all__ = ["line_of", "recover", "syntax_fault"]

if TYPE_CHECKING:
    from tree_sitter import Node


def line_of(text: str, path: KeyPath) -> int:
    r"""The line, counted from one, of the key or value at `path`.

    Of a missing key it is the line of the table that should hold it.

    Parameters
    ----------
    text : str
        TOML that `tomllib` accepts.
    path : tuple of str and int
        Keys, and places in lists counted from zero, as a validator gives them.

    Examples
    --------
    >>> text = 'name = "mill"\n[[rotary]]\nletter = "A"\n[[rotary]]\nlimits = [\n  0,\n  9]\n'
    >>> line_of(text, ("rotary", 1, "limits", 1))
    7
    >>> line_of(text, ("rotary", 1, "letter"))    # missing: the line of its [[rotary]]
    4
    """
    index = _index(text)
    while path and path not in index:
        path = path[:-1]
    return index.get(path, 1)


@lru_cache(maxsize=4)
def _index(text: str) -> dict[KeyPath, int]:
    """Every path of the file and its line."""
    import tree_sitter
    import tree_sitter_toml

    language = tree_sitter.Language(tree_sitter_toml.language())
    # The grammar wants every line ended, the last one too.
    tree = tree_sitter.Parser(language).parse((text + "\n").encode("utf-8", "surrogatepass"))
    index: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    for node in tree.root_node.named_children:
        if node.type == "pair":
            _add_pair(index, (), node)
        elif node.type in ("table", "table_array_element"):
            children = node.named_children
            header = _header_path(index, counts, children[0], is_list=node.type == "table_array_element")
            for child in children[1:]:
                if child.type == "pair":
                    _add_pair(index, header, child)
    return index


def _header_path(
    index: dict[KeyPath, int], counts: dict[KeyPath, int], node: Node, *, is_list: bool
) -> KeyPath:
    """The path that a table's header opens, entered with its line and those of the tables it implies."""
    keys = list(_keys(node))
    path: KeyPath = ()
    for key in keys[:-1]:
        path = (*path, key)
        index.setdefault(path, _line(node))
        if path in counts:
            path = (*path, counts[path] - 1)
    path = (*path, keys[-1])
    if is_list:
        index.setdefault(path, _line(node))
        counts[path] = counts.get(path, 0) + 1
        path = (*path, counts[path] - 1)
    index[path] = _line(node)
    return path


def _add_pair(index: dict[KeyPath, int], table: KeyPath, pair: Node) -> None:
    """Enter a ``key = value`` and everything inside the value."""
    waiting = [(table, pair)]
    while waiting:
        path, node = waiting.pop()
        if node.type == "pair":
            key, value = (child for child in node.named_children if child.type != "comment")
            for part in _keys(key):
                path = (*path, part)
                index.setdefault(path, _line(key))
            # A value may begin below its key only inside brackets, so the key's line is the value's.
            waiting.append((path, value))
        elif node.type == "inline_table":
            waiting += [(path, child) for child in node.named_children if child.type == "pair"]
        elif node.type == "array":
            values = [child for child in node.named_children if child.type != "comment"]
            for place, value in enumerate(values):
                index[*path, place] = _line(value)
                waiting.append(((*path, place), value))


def _keys(node: Node) -> Iterator[str]:
    """The parts of a bare, quoted or dotted key."""
    if node.type == "dotted_key":
        for child in node.named_children:
            yield from _keys(child)
    else:
        text = (node.text or b"").decode("utf-8", "replace")
        yield from tomllib.loads(f"{text} = 0")


def _line(node: Node) -> int:
    return node.start_point[0] + 1


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
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def syntax_fault(file: str, text: str, message: str) -> Diagnostic:
    """The fault that `tomllib` found, with its line and column, what stands there, and what to write instead.

    Parameters
    ----------
    file, text : str
        The file's name for messages, and what it holds.
    message : str
        The parser's.
    """
    place = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    reason = message[: place.start()] if place else re.sub(r" \(at end of document\)$", "", message)
    reason = reason[:1].lower() + reason[1:]
    lines = text.split("\n")
    if place is None:
        last = len(text.rstrip("\n").split("\n"))
        return Diagnostic(file, last, "end of the file", f"a value that is not finished ({reason})", "TOML")
    line, column = int(place[1]), int(place[2])
    here = lines[line - 1] if line <= len(lines) else ""
    tip = _twice(lines, line) if "overwrite" in reason else _tip(here, column - 1, reason)
    return Diagnostic(file, line, f"column {column}", f"{shown(here.strip())} ({reason})", "TOML", tip)


def _twice(lines: list[str], line: int) -> str:
    """Where a key stood before in its table."""
    key = lines[line - 1].partition("=")[0].strip()
    for before in range(line - 2, -1, -1):
        if lines[before].lstrip().startswith("["):
            break
        if lines[before].partition("=")[0].strip() == key:
            return f"{shown(key)} stands twice in this table, first on line {before + 1}"
    return ""


def _tip(line: str, place: int, reason: str) -> str:
    """What to write instead, where the slip is a known one.

    Examples
    --------
    >>> _tip("up = .75", 5, ""), _tip("up = 1,25", 6, ""), _tip("up = 1 1/4", 6, "")
    ('write 0.75', 'write 1.25: a decimal point, no comma', 'write 1.25: decimals, no fraction')
    >>> _tip("name = Mill 3", 7, "")
    'text goes in quotes: "Mill 3"'
    """
    if _CURLY.search(line):
        return "text goes in straight quotes, \" or ', not in curly ones"
    if "\\" in line and ("escape" in reason or "hex" in reason):
        return "write / instead of \\ in paths, or put the text in single quotes"
    key, equals, rest = line.partition("=")
    if not equals or not _BARE_KEY.fullmatch(key.strip().strip("\"'").replace(".", "")):
        return _key_tip(line, key)
    # A value that stands alone on its line is taken whole, one in a list or table from where the fault lies.
    value = _without_remark(rest)
    if not value:
        return "a value is missing after the equals sign"
    if "unclosed" not in reason and value.count('"') % 2:
        return "quotes stand on both sides of text" if not _NUMERIC.match(value) else _number_tip(value)
    if value[0] in "[{":
        value = _entry(line, place)
    return _number_tip(value) or _text_tip(value)


def _entry(line: str, place: int) -> str:
    """The entry of a list or an inline table that a place lies in."""
    start = max(line.rfind(mark, 0, place) for mark in "[{,=") + 1
    return re.split(r"[,;\]}]", _without_remark(line[start:]), maxsplit=1)[0].strip()


def _key_tip(line: str, key: str) -> str:
    """What to do about a key that is no key."""
    if re.match(r"\s*[\w-]+\s*:", line):
        return "an equals sign stands between a key and its value"
    if "[" in line.split("#", maxsplit=1)[0][:1] or not key.strip():
        return ""
    if "=" not in line:
        return 'a line is key = value, a table\'s name in brackets, or a remark after "#"'
    joined = "_".join(re.findall(r"\w+", key))
    return f"a key is one word: {joined}" if joined.isascii() else "a key is made of a to z, digits, _ and -"


def _number_tip(value: str) -> str:
    """What to write instead of a number in the shop's hand; nothing where it is none."""
    for slip, words in _SLIPS:
        if match := slip.fullmatch(value):
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
    return f"write {_whole(match[1])}: the unit of all lengths stands once, in units"


def _angle(match: re.Match[str]) -> str:
    bare = _whole(re.sub(r"\s*(°|deg\w*|d)\.?$", "", match[0]))
    if _is_number(bare):
        return f"write {bare}: degrees stand alone"
    return f"an angle with its marks goes in quotes: {shown(match[0])}"


_SLIPS = (
    (_LONG_MINUS, _minus),
    (_FRACTION, _fraction),
    (_COMMA, _comma),
    (_THOUSANDS, _thousands),
    (_UNIT, _unit),
    (_ANGLE, _angle),
)


def _whole(value: str) -> str:
    """A number with a digit on both sides of its point and no zeros before it."""
    value = _NO_LEADING.sub(r"\g<1>0\2", value)
    value = _NO_TRAILING.sub(r"\1.0", value)
    return _ZEROS.sub(r"\1\2", value).removeprefix("+")


def _is_number(value: str) -> bool:
    return re.fullmatch(r"-?\d+(\.\d+)?([eE][-+]?\d+)?", value) is not None


def _text_tip(value: str) -> str:
    if _ANGLES.fullmatch(value):
        return "angles stand in braces: { A = -90, C = 0 }"
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
    faults: dict[int, Diagnostic] = {}
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
            return (
                kept,
                data,
                [UnlocatedDiagnostic((f.key,), f.found, f.allowed, f.tip, f.line) for f in faults.values()],
            )
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
