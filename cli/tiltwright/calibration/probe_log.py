"""Read a control's log, one probe result a line, by a rule file."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from tiltwright.calibration.raw_readings import RawReading, RawReadings, kind_cell, refuse
from tiltwright.files.decoding import DiagnosticCollector, decode_table
from tiltwright.files.diagnostics import Diagnostic, InvalidValue, UnlocatedDiagnostic, one_of, shown
from tiltwright.files.parsing import parse_degrees, parse_name, parse_number
from tiltwright.files.probing_files import RuleFile
from tiltwright.files.schema_types import SMALLEST_LENGTH
from tiltwright.files.toml_source import load

__all__ = ["Rule", "read_probe_log", "read_rule"]

Value = TypeVar("Value")

_FIELD = re.compile(r"\{([^{}]*)\}")
_NUMBERS = frozenset("ABCXYZ") | {"sigma"}
_MEASURE = r"\s*([+\-]?[0-9.,]*[0-9.](?:[eE][+\-]?[0-9]+)?)"


@dataclass(frozen=True)
class Rule:
    """A rule with its compiled pattern.

    Attributes
    ----------
    says : RuleFile
    pattern : re.Pattern
    fields : tuple of str
        What the pattern's groups hold, in their order.
    """

    says: RuleFile
    pattern: re.Pattern[str]
    fields: tuple[str, ...]


def read_rule(path: str | Path, letters: Sequence[str]) -> Rule:
    """Read a rule file.

    Raises
    ------
    InputFaults
        With every fault of the file, and where it leaves a value of a reading undefined.
    """
    source = load(path, "a rule file")
    says, faults = decode_table(RuleFile, source)
    faults.raise_if_any()
    fields = tuple(_FIELD.findall(says.line))
    return _compiled(says, fields, letters, faults)


def _compiled(
    says: RuleFile, fields: tuple[str, ...], letters: Sequence[str], faults: DiagnosticCollector
) -> Rule:
    known = ["kind", "target", *letters, "X", "Y", "Z", "sigma"]
    findings = [
        UnlocatedDiagnostic(
            ("line",), f"{{{field}}}", f"{{}} and the fields {one_of(known, 'and')}, in braces"
        )
        for field in fields
        if field and field not in known
    ]
    named = [field for field in fields if field]
    findings += [
        UnlocatedDiagnostic(("line",), f"{{{field}}} twice", "every field once")
        for field in dict.fromkeys(named)
        if named.count(field) > 1
    ]
    fixed = {*(says.at or {}), *(["kind"] if says.kind else []), *(["target"] if says.target else [])}
    for field in ("kind", "target", *letters, "X", "Y", "Z"):
        if field not in named and field not in fixed:
            key = "at = { " + field + " = ... }" if field in letters else f'{field} = "..."'
            other = "" if field in "XYZ" else f", or {key}"
            findings.append(
                UnlocatedDiagnostic(("line",), f"no {{{field}}}", f"{{{field}}} in the line{other}")
            )
        elif field in named and field in fixed:
            findings.append(
                UnlocatedDiagnostic(("line",), f"{{{field}}} and a fixed {field} besides", "one of both")
            )
    strangers = [letter for letter in says.at or {} if letter not in letters]
    findings += [
        UnlocatedDiagnostic(("at",), f"a rotary {letter}, which the machine has not", one_of(letters))
        for letter in strangers
    ]
    faults.extend(findings)
    faults.raise_if_any()
    return Rule(says, _pattern(says.line), tuple(named))


def _pattern(line: str) -> re.Pattern[str]:
    """The line's words as they stand, any blanks for blanks, a group for each field."""
    parts: list[str] = []
    place = 0
    for match in _FIELD.finditer(line):
        parts += [_literal(line[place : match.start()]), _group(match[1])]
        place = match.end()
    parts.append(_literal(line[place:]))
    return re.compile(r"\s*" + "".join(parts) + r"\s*")


def _literal(text: str) -> str:
    return r"\s+".join(re.escape(piece) for piece in re.split(r"\s+", text))


def _group(field: str) -> str:
    if field in _NUMBERS:
        return _MEASURE
    return r"(\S.*?)" if field else r".*?"


def read_probe_log(file: str, text: str, rule: Rule, letters: Sequence[str]) -> RawReadings:
    """The readings of a log, or every fault of it with its line.

    Raises
    ------
    InputFaults
        When a line that should be a result does not match the rule, a value is none, or the log was cut off.
    """
    says = rule.says
    lines = [
        (number, line) for number, line in enumerate(re.split(r"\r\n|\n|\r", text), start=1) if line.strip()
    ]
    if not lines:
        refuse(file, [Diagnostic(file, None, "", "an empty log", "one probe result a line")])
    faults: list[Diagnostic] = []
    closed = says.ends is not None and lines[-1][1].strip().startswith(says.ends)
    cut = "the log was cut off: fetch it again"
    if says.ends is not None and not closed:
        found = f"{shown(lines[-1][1].strip())} as the last line"
        allowed = f"a last line that begins {shown(says.ends)}, as the rule says"
        faults.append(Diagnostic(file, lines[-1][0], "", found, allowed, cut))
    elif not closed and not text.endswith(("\n", "\r")):
        found = f"{shown(lines[-1][1].strip()[-40:])} as the last line, without a line end"
        faults.append(Diagnostic(file, lines[-1][0], "", found, "a log whose last line ends", cut))
    rows = []
    for number, line in lines[:-1] if closed else lines:
        if says.begins is not None and not line.strip().startswith(says.begins):
            continue
        match = rule.pattern.fullmatch(line)
        if match is None:
            allowed = f"a line such as {shown(says.line, 120)}, as the rule says"
            faults.append(Diagnostic(file, number, "", shown(line.strip(), 80), allowed))
            continue
        row = _row(file, number, dict(zip(rule.fields, match.groups(), strict=True)), says, letters, faults)
        if row is not None:
            rows.append(row)
    refuse(file, faults)
    return RawReadings(file, says.units.value, tuple(rows), "line")


def _row(
    file: str,
    number: int,
    values: dict[str, str],
    says: RuleFile,
    letters: Sequence[str],
    faults: list[Diagnostic],
) -> RawReading | None:
    before = len(faults)

    def value(field: str, read: Callable[[str], Value]) -> Value | None:
        try:
            return read(values[field])
        except InvalidValue as refusal:
            faults.append(refusal.at(file, number, field))
            return None

    kinds: Mapping[str, str] = says.kinds or {}
    targets: Mapping[str, str] = says.targets or {}
    at: Mapping[str, float] = dict((says.at or {}).items())
    kind: str | None = says.kind
    kind = kind or value("kind", lambda word: kinds.get(word.strip()) or kind_cell(word))
    target = says.target or value("target", lambda word: targets.get(word.strip()) or parse_name(word))
    angles = [value(c, parse_degrees) if c in values else at[c] for c in letters]
    xyz = [value(axis, parse_number) for axis in "XYZ"]
    sigma = value("sigma", parse_number) if "sigma" in values else None
    if sigma is not None and sigma <= SMALLEST_LENGTH:
        allowed = "a standard uncertainty above 0.000001"
        faults.append(Diagnostic(file, number, "sigma", f"{sigma:g}", allowed))
    if len(faults) > before:
        return None
    assert kind is not None
    assert target is not None
    x, y, z = (one or 0.0 for one in xyz)
    return RawReading(number, kind, target, tuple(one or 0.0 for one in angles), (x, y, z), sigma)
