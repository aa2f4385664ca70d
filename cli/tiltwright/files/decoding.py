"""Decoding of a file's data into its table, quickly where it is sound, and the collector of its diagnostics where it is not.

The lines come from the text's syntax tree.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import msgspec

from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath, UnlocatedDiagnostic, words_for
from tiltwright.files.schema_types import FileTable, decode_field
from tiltwright.files.toml_source import UNREAD, Source, add_notice

if TYPE_CHECKING:
    from tree_sitter import Node

__all__ = ["DiagnosticCollector", "decode_table", "line_of", "raise_located"]


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


def line_of(text: str, path: KeyPath) -> int:
    r"""The line, counted from one, of the key or value at `path`; of a missing key, that of its table.

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
    """The line of every path in the file."""
    import tree_sitter
    import tree_sitter_toml

    language = tree_sitter.Language(tree_sitter_toml.language())
    # The grammar needs an end on every line, the last one too.
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
    """The path that a table's header opens; it is added with its line, as are the tables that it implies."""
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
    """Add a ``key = value`` and everything inside the value."""
    waiting = [(table, pair)]
    while waiting:
        path, node = waiting.pop()
        if node.type == "pair":
            key, value = (child for child in node.named_children if child.type != "comment")
            for part in _keys(key):
                path = (*path, part)
                index.setdefault(path, _line(key))
            # Outside brackets a value begins on its key's line.
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


AnyTable = TypeVar("AnyTable", bound=FileTable)


def decode_table(table: type[AnyTable], source: Source) -> tuple[AnyTable, DiagnosticCollector]:
    """Decode a file's data into its table, and collect its diagnostics.

    With diagnostics the table is partial: any field of it, also a required one, may be None. A key that is None
    but among `keys_given` was given and could not be read.
    """
    source = _renamed(table, source)
    faults = DiagnosticCollector(source)
    try:
        return msgspec.convert(source.data, table, dec_hook=decode_field), faults
    except msgspec.ValidationError as refusal:
        # msgspec stops at the first fault; whoever corrects a file wants all of them.
        from tiltwright.files.full_validation import partial_model

        partial, diagnostics = partial_model(table, source.data)
        # Should the two readers ever disagree, the stricter one is right.
        faults.extend(diagnostics or [UnlocatedDiagnostic((), str(refusal), "what the file's schema says")])
        return partial, faults


def _renamed(table: type[FileTable], source: Source) -> Source:
    """The source with today's name for every key that is written under a former one, and a notice for each."""
    former: dict[KeyPath, KeyPath] = {}
    data = source.data
    for written, name in table.former_keys.items():
        *tables, old = written
        holder: Any = data
        for part in tables:
            holder = holder.get(part) if isinstance(holder, dict) else None
        if not isinstance(holder, dict) or old not in holder or name in holder:
            continue
        if data is source.data:
            data = copy.deepcopy(data)
            holder = data
            for part in tables:
                holder = holder[part]
        holder[name] = holder.pop(old)
        former[*tables, name] = written
        add_notice(
            f"{source.file}: {words_for(written)} is now called {name}; "
            f"the next version will not read {old} any more"
        )
    return replace(source, data=data, former=former) if former else source
