"""Decoding of a file's data into its table: quickly where it is sound, with every diagnostic where it is not."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any, TypeVar

import msgspec

from tiltwright.files.collector import DiagnosticCollector
from tiltwright.files.diagnostics import KeyPath, UnlocatedDiagnostic, words_for
from tiltwright.files.schema_types import FileTable, decode_field
from tiltwright.files.toml_source import Source, add_notice

__all__ = ["decode_table"]

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
