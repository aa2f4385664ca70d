"""`tiltwright batch program`: the program that probes every part's zero at the machine and sets its work offsets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tiltwright.commands.options import Force, JobArgument, Json, Output, write_numbered

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["program"]


def program(job: JobArgument, as_json: Json = False, output: Output = None, force: Force = False) -> None:
    """Program that probes each nest's part and sets its work offsets at every tilt, with nobody there.

    Examples:

    \b
      tiltwright batch program job.toml -o zero.nc            the probing program
      tiltwright batch program job.toml                       look at it first
      tiltwright batch program job.toml -o zero.nc --json     and what it does, for another program

    The job's [zero_probing] says what is touched (a face, and two edges, a bore or a boss; two points on one edge give the
    clocking), with which probe, and how far off a part may be. Run the program with every part clamped, before the first
    operation: it probes with all rotaries at zero, works out each part's place, and sets the offsets by G10 L2. A part that
    is missing or too far off stops it with an error before any part's offset is set. With more offsets than nine, zero-1.nc
    probes and sets the first ones, and zero-2.nc and so on set the others later.

    Exit code 0: written. 1: an operation cannot be reached, and nothing is written. 2: the input is wrong.
    """
    from tiltwright.batch.zero_access import checked_access
    from tiltwright.batch.zero_probing import probed_parts
    from tiltwright.batch.zero_program import checked_access_words, stays_turned_words, zero_programs
    from tiltwright.batch.zero_report import program_report
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.own_zero import say_by_own_zero
    from tiltwright.output.json_csv import json_text
    from tiltwright.terminal.streams import ANSWER_NO, note

    read = read_job(job)
    parts = probed_parts(read)
    say_by_own_zero(parts.evaluated.nests, read.unit.value)
    say_nests_messages(parts.evaluated, read.unit.value)
    if any(nest.unreached for nest in parts.evaluated.nests):
        note("nothing was written")
        raise typer.Exit(ANSWER_NO)
    checked = checked_access(parts)
    texts = zero_programs(parts, checked)
    if output is None and not as_json and len(texts) > 1:
        found = f"{len(texts)} programs, one for each loader"
        raise option_error("--output", found, "-o zero.nc, for zero-1.nc, zero-2.nc and so on")
    for words in checked_access_words(parts, checked):
        note(words)
    for words in stays_turned_words(parts):
        note(words, label="caution")
    names = _written(texts, output, force=force)
    if as_json:
        typer.echo(json_text(program_report(parts, checked, names)), nl=False)
    elif output is None:
        typer.echo(texts[0], nl=False)


def _written(texts: Sequence[str], output: Path | None, *, force: bool) -> list[str | None]:
    """Write the programs where they are asked for; their files' names, loader by loader."""
    from tiltwright.commands.options import refuse_pictures
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.files.diagnostics import option_error
    from tiltwright.terminal.streams import note

    if output is None:
        return [None] * len(texts)
    refuse_pictures([output], "--output")
    if output.suffix.lower() in {".json", ".csv", ".md", ".toml"}:
        raise option_error(
            "--output", f'the ending "{output.suffix}" for a program', "another ending, such as .nc"
        )
    if len(texts) > 1:
        return [str(path) for path in write_numbered(texts, output, force=force)]
    write_atomic(output, texts[0], force=force)
    note(f"{output} written", label="done")
    return [str(output)]
