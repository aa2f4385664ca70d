"""A file's data against its description: at once where they agree, thoroughly where they do not."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

import msgspec

from tiltwright.files.diagnostics import UnlocatedDiagnostic
from tiltwright.files.schema_types import FileTable, read_field
from tiltwright.files.toml_source import Source

__all__ = ["merge_findings", "validated"]

AnyTable = TypeVar("AnyTable", bound=FileTable)


def validated(table: type[AnyTable], source: Source) -> tuple[AnyTable, list[UnlocatedDiagnostic]]:
    """A file's data as its table, and what is wrong with it, the lines that could not be read among it.

    With findings the table is a draft: any field of it, also one that a sound file must have, may be None. A key
    that is None but among `keys_given` was given and could not be read.
    """
    unread = list(source.unread)
    try:
        return msgspec.convert(source.data, table, dec_hook=read_field), unread
    except msgspec.ValidationError as refusal:
        # It stops at the first fault; whoever mends a file wants to know them all.
        from tiltwright.files.full_validation import partial_model

        draft, findings = partial_model(table, source.data)
        # Should the two ever disagree, the stricter one is right.
        findings = findings or [UnlocatedDiagnostic((), str(refusal), "what the file's schema says")]
        return draft, unread + findings


def merge_findings(
    findings: list[UnlocatedDiagnostic], more: Iterable[UnlocatedDiagnostic]
) -> list[UnlocatedDiagnostic]:
    """Findings and more of them, but nothing about the inside of what was found to be no table at all."""
    closed = {finding.path for finding in findings}
    return findings + [
        finding
        for finding in more
        if not any(finding.path[:depth] in closed for depth in range(1, len(finding.path)))
    ]
