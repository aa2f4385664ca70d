"""`tiltwright schema`: the keys of the files, as tables for people and as JSON Schema for editors."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import Force, Output, show_or_write

if TYPE_CHECKING:
    from tiltwright.files.file_schema import FileKind, KeyTable

__all__ = ["schema"]


def schema(
    kind: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Argument(
            metavar="machine|job|plan|rule",
            help="The kind of file; with --text left out: all four.",
            show_default=False,
        ),
    ] = None,
    as_text: Annotated[
        bool, typer.Option("--text", help="Print the tables of keys instead; Markdown with -o FILE.md.")
    ] = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Print the JSON Schema of a kind of file, or a table of its keys.

    An editor that reads the JSON Schema completes and checks machine, job, plan and rule files.

    Examples:

    \b
      tiltwright schema job --text
      tiltwright schema --text -o keys.md
      tiltwright schema machine -o machine.schema.json
    """
    import json

    from tiltwright.files.file_schema import FILE_KINDS, json_schema

    kinds = FILE_KINDS if as_text and kind is None else (_known(kind),)
    if not as_text:
        text = json.dumps(json_schema(kinds[0]), indent=2) + "\n"
    elif output is not None and output.suffix.lower() == ".md":
        text = _as_markdown(kinds)
    else:
        text = _as_text(kinds)
    show_or_write(text, output, force=force)


def _known(kind: str | None) -> FileKind:
    from tiltwright.files.diagnostics import one_of, option_error, shown
    from tiltwright.files.file_schema import FILE_KINDS

    for known in FILE_KINDS:
        if kind == known:
            return known
    raise option_error("schema", "no kind of file" if kind is None else shown(kind), one_of(FILE_KINDS))


def _as_text(kinds: Iterable[FileKind]) -> str:
    """The tables for a terminal."""
    from tiltwright.files.file_schema import key_tables

    return "\n\n".join("\n".join(_table_lines(table)) for kind in kinds for table in key_tables(kind)) + "\n"


def _table_lines(table: KeyTable) -> list[str]:
    import textwrap

    from tiltwright.output.tables import COLUMNS

    lines = [
        table.heading,
        *textwrap.wrap(table.summary, COLUMNS - 2, initial_indent="  ", subsequent_indent="  "),
    ]
    width = max(len(row.key) for row in table.rows) + 6
    indent = " " * width
    for row in table.rows:
        values = (" or ".join(row.values) or "table") + (", required" if row.required else "")
        wrapped = [*textwrap.wrap(values, COLUMNS - width), *textwrap.wrap(row.meaning, COLUMNS - width)]
        lines += [f"    {row.key}".ljust(width) + wrapped[0], *(indent + line for line in wrapped[1:])]
    return lines


def _as_markdown(kinds: Iterable[FileKind]) -> str:
    """The tables as a page of Markdown."""
    from tiltwright.files.file_schema import key_tables
    from tiltwright.output.document_files import escaped

    lines = [
        "# Keys of the files",
        "",
        "Printed by `tiltwright schema --text -o keys.md`; **bold** keys are required.",
    ]
    for kind in kinds:
        for table in key_tables(kind):
            top = not table.heading.startswith("[") and "{" not in table.heading
            lines += ["", f"## {table.heading.capitalize()}" if top else f"### `{table.heading}`", ""]
            lines += [escaped(table.summary), "", "| key | value | meaning |", "| --- | --- | --- |"]
            for row in table.rows:
                key = f"**`{row.key}`**" if row.required else f"`{row.key}`"
                values = " or ".join(f"`{value}`" for value in row.values) or "table"
                lines.append(f"| {key} | {values} | {_meaning(row.meaning)} |")
    return "\n".join(lines) + "\n"


def _meaning(text: str) -> str:
    """A description as Markdown, in which the only markup is code between backticks."""
    from tiltwright.output.document_files import escaped_in_cell

    return "".join(
        f"`{part}`" if place % 2 else escaped_in_cell(part) for place, part in enumerate(text.split("`"))
    )
