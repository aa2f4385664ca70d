"""Tables of the keys of each kind of file, taken from its schema."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec

from tiltwright.files.diagnostics import shown
from tiltwright.files.json_schema import FileKind, file_table
from tiltwright.files.schema_types import FieldType, FileTable

__all__ = ["KeyRow", "KeyTable", "key_tables"]


@dataclass(frozen=True)
class KeyRow:
    """One key.

    Attributes
    ----------
    key : str
    values : tuple of str
        The words that it may be, else examples, as TOML; empty for a table.
    meaning : str
        A sentence or several.
    required : bool
    """

    key: str
    values: tuple[str, ...]
    meaning: str
    required: bool


@dataclass(frozen=True)
class KeyTable:
    """One table of a file.

    Attributes
    ----------
    heading : str
        As TOML writes it, ``[[rotary]]`` or ``repeat = { ... }``; for the top of the file its kind, "job file".
    summary : str
    rows : tuple of KeyRow
    """

    heading: str
    summary: str
    rows: tuple[KeyRow, ...]


def key_tables(kind: FileKind) -> tuple[KeyTable, ...]:
    """The tables of a kind of file: its top first, then each table where its key is first named.

    Examples
    --------
    >>> [table.heading for table in key_tables("plan")]
    ['plan file', '[[target]]', '[probe]']
    >>> key_tables("rule")[0].rows[0]
    KeyRow(key='units', values=('"mm"', '"inch"'), meaning='Unit of every length in the log.', required=True)
    """
    return tuple(_tables(file_table(kind), f"{kind} file", 0, set()))


def _tables(
    table: type[FileTable], heading: str, depth: int, listed: set[type[FileTable]]
) -> Iterator[KeyTable]:
    listed.add(table)
    fields = msgspec.structs.fields(table)
    summary = " ".join((table.__doc__ or "").split("\n\n")[0].split())
    yield KeyTable(heading, summary, tuple(_row(field) for field in fields))
    for field in fields:
        inside = _table_inside(field.type)
        if inside is not None and inside not in listed:
            inline = f"{field.name} = {{ ... }}" + (f" in {heading}" if heading.startswith("[") else "")
            several = any(argument is Ellipsis for argument in _arguments(field.type))
            name = inline if depth else f"[[{field.name}]]" if several else f"[{field.name}]"
            yield from _tables(inside, name, depth + 1, listed)


def _row(field: msgspec.structs.FieldInfo) -> KeyRow:
    required = field.default is msgspec.NODEFAULT
    (meta,) = (one for one in _metadata(field.type) if one.description)
    meaning = str(meta.description)
    default = field.default
    if isinstance(default, FieldType):
        # A field type's value reads as its own class; an example reads as the plain type.
        default = type(default).__mro__[-2](default)
    if isinstance(default, (int, float, tuple)) and default != () and "left out" not in meaning.lower():
        meaning = f"{meaning.removesuffix('.')}; left out: {shown(default)}."
    if _table_inside(field.type) is not None:
        return KeyRow(field.name, (), meaning, required)
    values = _words(field.type) or meta.examples or ()
    return KeyRow(field.name, tuple(shown(value) for value in values), meaning, required)


def _words(annotation: Any) -> tuple[str, ...]:  # noqa: ANN401 - any annotation
    """The words of a key that takes nothing but one of a few."""
    if get_origin(annotation) is Annotated:
        return _words(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return tuple(word for part in get_args(annotation) for word in _words(part))
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    if isinstance(annotation, type) and issubclass(annotation, FieldType):
        return _words(annotation.plain)
    if isinstance(annotation, type) and issubclass(annotation, enum.Enum):
        return tuple(str(member.value) for member in annotation)
    return ()


def _metadata(annotation: Any) -> tuple[msgspec.Meta, ...]:  # noqa: ANN401 - any annotation
    return tuple(one for one in getattr(annotation, "__metadata__", ()) if isinstance(one, msgspec.Meta))


def _arguments(annotation: Any) -> tuple[Any, ...]:  # noqa: ANN401 - any annotation
    """Every part of an annotation, however deep."""
    parts = get_args(annotation)
    return parts + tuple(inner for part in parts for inner in _arguments(part))


def _table_inside(annotation: Any) -> type[FileTable] | None:  # noqa: ANN401 - any annotation
    for part in (annotation, *_arguments(annotation)):
        if isinstance(part, type) and issubclass(part, FileTable):
            return part
    return None
