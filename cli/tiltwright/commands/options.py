"""Options that several commands share, so that they mean and say the same everywhere."""

from __future__ import annotations

import enum
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

if TYPE_CHECKING:
    from tiltwright.output.typesetting import Paper

__all__ = [
    "Force",
    "JobArgument",
    "Json",
    "MachineOption",
    "Only",
    "Output",
    "PaperOption",
    "RequiredMachine",
    "Units",
    "UnitsOption",
    "machine_option",
    "paper_of",
    "refuse_pictures",
    "show_or_write",
]


class Units(enum.StrEnum):
    """The units of length that can be asked for."""

    MM = "mm"
    INCH = "inch"


JobArgument = Annotated[str, typer.Argument(metavar="JOB", help="The job file (TOML).", show_default=False)]
OptionalJob = Annotated[
    Optional[str], typer.Argument(metavar="[JOB]", help="The job file (TOML).", show_default=False)  # noqa: UP045 - typer
]
MachineOption = Annotated[
    Optional[str],  # noqa: UP045 - typer
    typer.Option("--machine", "-m", metavar="FILE", help="A machine file, when there is no job file."),
]


def machine_option(words: str) -> Any:  # noqa: ANN401 - as typer has it
    """The option of a command that always works on a machine file."""
    return typer.Option("--machine", "-m", metavar="FILE", help=words)


RequiredMachine = Annotated[str, machine_option("The machine file.")]
UnitsOption = Annotated[
    Optional[Units],  # noqa: UP045 - typer
    typer.Option("--units", help="Show lengths in this unit instead of the file's own (typed lengths too)."),
]
Only = Annotated[
    Optional[list[str]],  # noqa: UP045 - typer
    typer.Option("--only", metavar="NAME", help="Only this operation; may be given again."),
]
Json = Annotated[bool, typer.Option("--json", help="One JSON object, full precision.")]
Output = Annotated[
    Optional[Path],  # noqa: UP045 - typer
    typer.Option("--output", "-o", metavar="FILE", help="Write to a file, whole or not at all."),
]
PaperOption = Annotated[str, typer.Option("--paper", metavar="SIZE", help="a4 or us-letter.")]
Force = Annotated[bool, typer.Option("--force", help="Replace the output file if it is there already.")]


_NO_TEXT = {".pdf", ".png", ".svg", ".jpg", ".jpeg"}


def _refuse_ending(text: str, output: Path) -> None:
    """Refuse a name that promises something else than what is written."""
    from tiltwright.files.parsing import option_error

    ending, is_json = output.suffix.lower(), text.startswith("{")
    refuse_pictures([output], "--output")
    if (ending == ".json") != is_json and ending in {".json", ".csv", ".md", ".nc", ".ngc"}:
        found = f'the ending "{output.suffix}" {"for JSON" if is_json else "without --json"}'
        raise option_error("--output", found, ".json with --json, and with nothing else")


def refuse_pictures(paths: Iterable[Path], option: str) -> None:
    """Refuse names of pictures or pages for what is text."""
    from tiltwright.files.parsing import option_error

    for path in paths:
        if path.suffix.lower() in _NO_TEXT:
            raise option_error(option, f'the ending "{path.suffix}" for text', "another ending, such as .txt")


def paper_of(text: str) -> Paper:
    """The paper that was asked for.

    Raises
    ------
    InputFaults
        When there is no such paper.
    """
    from tiltwright.files.diagnostics import one_of, shown
    from tiltwright.files.parsing import option_error

    papers: tuple[Paper, ...] = ("a4", "us-letter")
    for paper in papers:
        if paper == text:
            return paper
    raise option_error("--paper", shown(text), one_of(papers))


def show_or_write(text: str, output: Path | None, *, force: bool) -> None:
    """Put a result on stdout, or into a file as a whole."""
    if output is None:
        import sys

        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        return
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.terminal.streams import note

    _refuse_ending(text, output)
    write_atomic(output, text, force=force)
    note(f"{output} written", label="done")
