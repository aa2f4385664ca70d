"""Collector of one file's diagnostics: added by key path while the file is read, located together at the end."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, NoReturn

from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath, UnlocatedDiagnostic, words_for
from tiltwright.files.toml_source import UNREAD, Source

__all__ = ["DiagnosticCollector", "raise_located"]


class DiagnosticCollector:
    r"""The diagnostics of one file, in no order; it starts with the lines that are no TOML.

    Only `located` asks for positions, once, when the file has been read. A collector is true when it holds a
    diagnostic.

    Examples
    --------
    >>> from pathlib import Path
    >>> source = Source("mill.toml", Path("mill.toml"), 'name = "mill"\nunits = "cm"\n', {"units": "cm"})
    >>> faults = DiagnosticCollector(source)
    >>> faults.add(("units",), '"cm"', '"mm" or "inch"')
    >>> faults.raise_if_any()
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: mill.toml:2: units: found "cm"; allowed: "mm" or "inch"
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self._collected = list(source.unread)

    def __bool__(self) -> bool:
        return bool(self._collected)

    def add(self, path: KeyPath, found: str, allowed: str, tip: str = "", *, missing: bool = False) -> None:
        """Add one diagnostic; the parameters are those of `UnlocatedDiagnostic`."""
        self._collected.append(UnlocatedDiagnostic(path, found, allowed, tip, missing=missing))

    def extend(self, more: Iterable[UnlocatedDiagnostic]) -> None:
        """Add several, without those inside a table that is reported as a whole already."""
        reported = {diagnostic.path for diagnostic in self._collected}
        self._collected += [
            diagnostic
            for diagnostic in more
            if not any(diagnostic.path[:depth] in reported for depth in range(1, len(diagnostic.path)))
        ]

    def located(self) -> list[Diagnostic]:
        """The diagnostics with their lines, in the order of the file, each once."""
        located = dict.fromkeys(self._with_lines())
        return sorted(located, key=lambda diagnostic: diagnostic.line or 0)

    def raise_if_any(self) -> None:
        """Raise `InputFaults` with all of them, if there are any."""
        if self:
            raise_located(self)

    def _with_lines(self) -> Iterator[Diagnostic]:
        from tiltwright.files.key_lines import line_of

        source = self.source
        for one in self._collected:
            # A value that could not be read is reported as such, and as nothing else.
            if one.line is None and self._is_unread(one.path):
                continue
            line = one.line or line_of(source.text, source.written_path(one.path))
            yield Diagnostic(
                source.file, line, words_for(one.path), one.found, one.allowed, one.tip, missing=one.missing
            )

    def _is_unread(self, path: KeyPath) -> bool:
        """Test whether the path leads to or through a value that could not be read."""
        value: Any = self.source.data
        for part in path:
            if isinstance(part, str):
                value = value.get(part) if isinstance(value, dict) else None
            else:
                value = value[part] if isinstance(value, list) and part < len(value) else None
            if value == UNREAD:
                return True
        return False


def raise_located(*files: DiagnosticCollector | InputFaults | None) -> NoReturn:
    """Raise `InputFaults` with the diagnostics of several files, file by file.

    An `InputFaults` is a file that could not be read at all; None is one that has no faults.
    """
    located: list[Diagnostic] = []
    for one in files:
        if one is not None:
            located += one.faults if isinstance(one, InputFaults) else one.located()
    raise InputFaults(located)
