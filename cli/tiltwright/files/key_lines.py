"""Lines of the keys in a TOML text, from its syntax tree."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING

from tiltwright.files.diagnostics import KeyPath

if TYPE_CHECKING:
    from tree_sitter import Node

__all__ = ["line_of"]


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
