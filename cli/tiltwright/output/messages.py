"""Messages as values: a severity, a finding with its numbers, and what it is about.

Nothing is worded here. Whoever shows a message words its finding, in the unit that the reader wants.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, TypeVar

import msgspec

from tiltwright.files.diagnostics import enumeration
from tiltwright.output.numbers import angle, in_units, length

__all__ = [
    "Finding",
    "Message",
    "Severity",
    "as_shown",
    "grouped",
    "name_list",
    "named",
    "plain_quotes",
    "values_in",
]


class Severity(enum.Enum):
    """Severity of a message."""

    INFO = "info"
    """Good to know."""
    WARNING = "warning"
    """Overlooking it easily spoils a part."""
    ERROR = "error"
    """The answer is no."""

    @property
    def label(self) -> str:
        """The word that stands before the message.

        Examples
        --------
        >>> [severity.label for severity in Severity]
        ['note', 'caution', 'FAIL']
        """
        return _LABELS[self]


def named(name: str) -> str:
    """A name as it stands in a sentence: in quotes where a comma would end it.

    Examples
    --------
    >>> named("port 1"), named("face, second side")
    ('port 1', '"face, second side"')
    """
    return f'"{name}"' if "," in name else name


def name_list(names: Iterable[str], last: str = "") -> str:
    """Names one after the other, with a word before the last if one is given.

    Examples
    --------
    >>> name_list(["B", "C"], "and"), name_list(["A", "B", "C"])
    ('B and C', 'A, B, C')
    """
    words = [named(name) for name in names]
    return enumeration(words, last) if last else ", ".join(words)


_LABELS = {Severity.INFO: "note", Severity.WARNING: "caution", Severity.ERROR: "FAIL"}


class Finding(msgspec.Struct, frozen=True):
    """Base of every finding: a frozen struct with a kind of its own.

    A struct, since every start builds the class of each finding: twenty dataclasses took 8 ms, twenty structs take 1.

    A field that ends in ``_mm`` holds a length (or a tuple of lengths) in millimetres, one that ends in ``_deg`` an
    angle in degrees.
    """

    kind: ClassVar[str]
    """The finding's name for other programs."""


F_co = TypeVar("F_co", bound=Finding, covariant=True)
F = TypeVar("F", bound=Finding)


@dataclass(frozen=True)
class Message(Generic[F_co]):
    """A finding, how much it matters, and what it is about.

    Attributes
    ----------
    severity : Severity
    finding : Finding
    about : tuple of str
        Names, in order; empty where the finding is about the whole.
    """

    severity: Severity
    finding: F_co
    about: tuple[str, ...] = ()


def grouped(messages: Iterable[Message[F]], key: Callable[[F], Hashable]) -> tuple[Message[F], ...]:
    """Join messages that say the same of several things into one, at the place of the first.

    Parameters
    ----------
    messages : iterable of Message
    key : callable
        Findings with equal keys say the same. Messages of different severity, and those about the whole, are never
        joined with others.

    Examples
    --------
    >>> class Askew(Finding, frozen=True):
    ...     kind = "askew"
    ...     off_deg: float
    >>> said = [Message(Severity.WARNING, Askew(2.0), ("port 1",)), Message(Severity.WARNING, Askew(2.0), ("port 2",))]
    >>> [message.about for message in grouped(said, lambda finding: finding)]
    [('port 1', 'port 2')]
    """
    joined: dict[Hashable, Message[F]] = {}
    for message in messages:
        place = (message.severity, bool(message.about), type(message.finding), key(message.finding))
        first = joined.get(place)
        about = message.about if first is None else (*first.about, *message.about)
        kept = message.finding if first is None else first.finding
        joined[place] = Message(message.severity, kept, tuple(dict.fromkeys(about)))
    return tuple(joined.values())


def as_shown(finding: Finding, units: str) -> tuple[Hashable, ...]:
    """A finding's kind and its values as a reader sees them: two that differ only in rounding are equal here."""
    return (finding.kind, *(_shown(name, value, units) for name, value in _values(finding)))


def values_in(finding: Finding, units: str) -> dict[str, Any]:
    """A finding's values for JSON: lengths in the stated unit and without their suffix, the rest as they are.

    Examples
    --------
    >>> class TooHigh(Finding, frozen=True):
    ...     kind = "too high"
    ...     top_mm: float
    ...     tilt_deg: float
    >>> values_in(TooHigh(254.0, 30.0), "inch")
    {'top': 10.0, 'tilt_deg': 30.0}
    """
    found: dict[str, Any] = {}
    for name, value in _values(finding):
        if not name.endswith("_mm") or value is None:
            found[name] = list(value) if isinstance(value, tuple) else value
        elif isinstance(value, tuple):
            found[name.removesuffix("_mm")] = [in_units(one, units) for one in value]
        else:
            found[name.removesuffix("_mm")] = in_units(value, units)
    return found


def plain_quotes(words: str) -> str:
    """A sentence for paper: keys and commands, in backticks at the terminal, in double quotes.

    Examples
    --------
    >>> plain_quotes("Check `up` and `tiltwright aim`")
    'Check "up" and "tiltwright aim"'
    """
    return _KEY.sub(r'"\1"', words)


_KEY = re.compile(r"`([a-z_][a-z_ .]*)`")


def _values(finding: Finding) -> list[tuple[str, Any]]:
    return [(name, getattr(finding, name)) for name in finding.__struct_fields__]


def _shown(name: str, value: Any, units: str) -> Hashable:  # noqa: ANN401 - a field's value
    if isinstance(value, tuple):
        return tuple(_shown(name, one, units) for one in value)
    if isinstance(value, float) and name.endswith("_mm"):
        return length(value, units)
    if isinstance(value, float) and name.endswith("_deg"):
        return angle(value)
    assert isinstance(value, Hashable)
    return value
