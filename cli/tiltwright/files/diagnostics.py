"""Diagnostics of an input: where the fault is, what was found, what is allowed, what to do."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time

__all__ = [
    "Diagnostic",
    "InputFaults",
    "InvalidValue",
    "KeyPath",
    "UnlocatedDiagnostic",
    "enumeration",
    "exactly_one",
    "first_few",
    "invisible_character",
    "nearest",
    "one_of",
    "option_error",
    "raise_by_line",
    "read_alike",
    "sanitized",
    "shown",
    "type_words",
    "words_for",
]

KeyPath = tuple[str | int, ...]
"""A place in a file: ``("rotary", 1, "limits", 0)`` is the first of `limits` in the second `[[rotary]]`."""

_UNREAD = date(1000, 1, 1)  # what stands for a value that is no TOML, reported already
_LONGEST = 60
_MOST_FAULTS = 100
_MOST_CHOICES = 40
_CLOSE = 0.75
_BEGUN = 4
_INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


@dataclass(frozen=True)
class UnlocatedDiagnostic:
    """A fault by its key's path, before its line is known; the fields are those of `Diagnostic`.

    The line is given only where the path does not lead to it.
    """

    path: KeyPath
    found: str
    allowed: str
    tip: str = ""
    line: int | None = None
    missing: bool = False


@dataclass(frozen=True)
class Diagnostic:
    """One fault.

    Attributes
    ----------
    file : str
        The file's name as the user wrote it.
    line : int or None
        Counted from one; None where the fault has no line (the file is missing).
    key : str
        The key in words, "rotary 2, limits"; empty where the fault is the whole file's.
    found, allowed : str
    tip : str
        What to do about it; may be empty.
    missing : bool
        Whether `found` says that something is not there, instead of what is.

    Examples
    --------
    >>> print(Diagnostic("mill.toml", 7, "rotary 2, letter", '"D"', '"A", "B" or "C"', "ISO 841 letters"))
    mill.toml:7: rotary 2, letter: found "D"; allowed: "A", "B" or "C"
        tip: ISO 841 letters
    >>> print(Diagnostic("job.toml", None, "", "no such file", "a job file", missing=True))
    job.toml: no such file; expected a job file
    """

    file: str
    line: int | None
    key: str
    found: str
    allowed: str
    tip: str = ""
    missing: bool = False

    def __str__(self) -> str:
        place = sanitized(self.file) + (f":{self.line}" if self.line is not None else "")
        key = f"{sanitized(self.key)}: " if self.key else ""
        found, allowed = sanitized(self.found), sanitized(self.allowed)
        fault = f"{found}; expected {allowed}" if self.missing else f"found {found}; allowed: {allowed}"
        text = f"{place}: {key}{fault}"
        return f"{text}\n    tip: {sanitized(self.tip)}" if self.tip else text


class InputFaults(Exception):  # noqa: N818 - it carries several, and the user sees faults
    """Every fault of the input, in one exception.

    Examples
    --------
    >>> raise InputFaults([Diagnostic("job.toml", None, "", "a folder", "a job file")])
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: job.toml: found a folder; allowed: a job file
    """

    def __init__(self, faults: Iterable[Diagnostic]) -> None:
        self.faults = tuple(dict.fromkeys(faults))
        super().__init__(self.faults)

    def __str__(self) -> str:
        more = len(self.faults) - _MOST_FAULTS
        told = [str(fault) for fault in self.faults[:_MOST_FAULTS]]
        return "\n".join(
            [*told, f"{more} more fault{'s' if more > 1 else ''}: mend these first"] if more > 0 else told
        )


class InvalidValue(ValueError):  # noqa: N818 - the user sees a fault, not an error
    """An invalid value: what is allowed, what was found where the value itself does not show it, and a tip.

    Examples
    --------
    >>> raise InvalidValue(found='"bal"', allowed="ball, bore, pin or face")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "bal"; allowed: ball, bore, pin or face
    """

    def __init__(self, *, allowed: str, found: str = "", tip: str = "") -> None:
        super().__init__(f"found {found}; allowed: {allowed}" if found else allowed)
        self.allowed, self.found, self.tip = allowed, found, tip

    def at(self, file: str, line: int | None, key: str) -> Diagnostic:
        """The fault of a file that has it."""
        return Diagnostic(file, line, key, self.found, self.allowed, self.tip)


def raise_by_line(faults: Iterable[Diagnostic]) -> None:
    """Raise the faults in the order of their lines, if there are any.

    Raises
    ------
    InputFaults
    """
    ordered = sorted(faults, key=lambda fault: fault.line or 0)
    if ordered:
        raise InputFaults(ordered)


def invisible_character(text: str) -> str:
    r"""The first control, format or line-separating character of a text; empty where it has none.

    Examples
    --------
    >>> invisible_character("port 1"), invisible_character("port\u202e1")
    ('', '\u202e')
    """
    if text.isascii() and text.isprintable():
        return ""
    return next((c for c in text if unicodedata.category(c) in _INVISIBLE), "")


def sanitized(text: str) -> str:
    r"""Text with every invisible character spelled out, so that it cannot move a cursor or end a line.

    Examples
    --------
    >>> sanitized("port\x1b[2J\u202e1")
    'port\\x1b[2J\\u202e1'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_spelled(c) if unicodedata.category(c) in _INVISIBLE else c for c in text)


def _spelled(character: str) -> str:
    code = ord(character)
    named = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(character)
    return named or (
        f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
    )


def shown(value: object, longest: int = _LONGEST) -> str:
    """A value from a file as TOML, sanitized and cut to a readable length.

    Examples
    --------
    >>> shown("50"), shown([1, 2.5, True]), shown({"A": -35.0}), shown(float("nan"))
    ('"50"', '[1, 2.5, true]', '{ A = -35.0 }', 'nan')
    """
    text = sanitized(_toml(value, longest))
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _toml(value: object, room: int) -> str:
    if isinstance(value, str):
        kept = value[: room + 1].replace("\\", "\\\\").replace('"', '\\"')
        return f'"{kept}"' if len(value) <= room else f'"{kept}…'
    if isinstance(value, (list, tuple)):
        return "[" + _joined((_toml(v, room // 2) for v in value), room) + "]"
    if isinstance(value, dict) and value:
        items = (f"{_toml_key(str(k), room)} = {_toml(v, room // 2)}" for k, v in value.items())
        return "{ " + _joined(items, room) + " }"
    return _toml_scalar(value)


def _toml_scalar(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a whole number of more than 18 digits"
    if value == _UNREAD:
        return "…"
    if isinstance(value, (date, time)):
        return value.isoformat()
    return repr(value)


def _toml_key(key: str, room: int) -> str:
    bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key[:room] if bare else _toml(key, room)


def _joined(parts: Iterable[str], room: int) -> str:
    kept: list[str] = []
    for part in parts:
        if sum(map(len, kept)) >= room:
            return ", ".join([*kept, "…"])
        kept.append(part)
    return ", ".join(kept)


def type_words(value: object) -> str:
    """The type of a value of a TOML file, in words.

    Examples
    --------
    >>> type_words("50"), type_words(True), type_words([1])
    ('text', 'true or false', 'a list')
    """
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, float) and not math.isfinite(value):
        return "not a finite number"
    kinds: tuple[tuple[type | tuple[type, ...], str], ...] = (
        (str, "text"),
        ((int, float), "a number"),
        ((list, tuple), "a list"),
        (dict, "a table"),
        ((date, time), "a date or time"),
    )
    return next((words for kind, words in kinds if isinstance(value, kind)), "something else")


def one_of(choices: Iterable[object], last: str = "or") -> str:
    """A list of choices in words.

    Examples
    --------
    >>> one_of(["mm", "inch"])
    '"mm" or "inch"'
    """
    words = [shown(choice) for choice in choices]
    if len(words) > _MOST_CHOICES:
        words = [*words[:_MOST_CHOICES], f"{len(words) - _MOST_CHOICES} more"]
    return enumeration(words, last) or "none"


def enumeration(words: Iterable[str], last: str = "and") -> str:
    """Words one after the other, with another before the last.

    Examples
    --------
    >>> enumeration(["A", "B", "C"]), enumeration(["A", "B"], "or"), enumeration(["A"])
    ('A, B and C', 'A or B', 'A')
    """
    *before, end = [*words] or [""]
    return f"{', '.join(before)} {last} {end}" if before else end


def first_few(words: Sequence[str], most: int, between: str = ", ", last: str = " and ") -> str:
    """The first of many words, and how many more there are.

    Examples
    --------
    >>> first_few(["A", "B", "C"], 2), first_few(["A", "B"], 2)
    ('A, B and 1 more', 'A, B')
    """
    return between.join(words[:most]) + (f"{last}{len(words) - most} more" if len(words) > most else "")


def exactly_one(path: KeyPath, given: Sequence[str], keys: Sequence[str]) -> UnlocatedDiagnostic:
    """The fault of a table that has none or several of the keys of which it takes one."""
    return UnlocatedDiagnostic(
        (*path, given[1]) if given else path,
        " and ".join(given) if given else f"no {enumeration(keys, 'or')}",
        f"exactly one of {', '.join(keys)}" if given else "exactly one of them",
        missing=not given,
    )


def read_alike(name: str) -> str:
    """A name without what the eye passes over: capitals, and spaces.

    Examples
    --------
    >>> read_alike("Ball  1") == read_alike("ball 1"), read_alike("ball 1") == read_alike("ball 2")
    (True, False)
    """
    return "".join(unicodedata.normalize("NFC", name).casefold().split())


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word nearest to a mistyped or shortened one; None where none is near enough.

    A wrong suggestion is worse than none: "hight" is not a slip for "shift".

    Examples
    --------
    >>> nearest("leter", ["letter", "limits"]), nearest("hight", ["shift", "up"])
    ('letter', None)
    >>> nearest("gauge", ["gauge line", "reference tool"])
    'gauge line'
    """
    import difflib

    folded: dict[str, str] = {}
    for choice in known:
        folded.setdefault(choice.casefold(), choice)
    typed = word[:80].casefold()
    close = difflib.get_close_matches(typed, folded, n=1, cutoff=_CLOSE)
    begun = [choice for choice in folded if choice.startswith(typed)] if len(typed) >= _BEGUN else []
    if not close and len(begun) == 1:
        close = begun
    return folded[close[0]] if close else None


def words_for(path: KeyPath) -> str:
    """A key path in words, tables and values counted from one.

    Examples
    --------
    >>> words_for(("rotary", 1, "limits", 0)), words_for(("travel", "x")), words_for(("notes", 2))
    ('rotary 2, limits, value 1', 'travel, x', 'notes 3')
    >>> words_for(("nest", 0, "step", 1, "up"))
    'nest 1, step 2, up'
    """
    words: list[str] = []
    for place, part in enumerate(path):
        if isinstance(part, str):
            words.append(sanitized(part[:80]))
        elif place == 1 or any(isinstance(inside, str) for inside in path[place + 1 : place + 2]):
            words[-1] += f" {part + 1}"
        else:
            words.append(f"value {part + 1}")
    return ", ".join(words)


def option_error(option: str, found: str, allowed: str, tip: str = "") -> InputFaults:
    """The fault of a value typed after an option."""
    return InputFaults([Diagnostic(option, None, "", found, allowed, tip)])
