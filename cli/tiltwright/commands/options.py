"""Options that several commands share, so that each means and says the same everywhere."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

if TYPE_CHECKING:
    from tiltwright.output.typesetting import Paper

__all__ = [
    "Csv",
    "Force",
    "JobArgument",
    "JobArguments",
    "Json",
    "MachineOption",
    "NestOption",
    "OneNest",
    "Only",
    "OptionalJob",
    "Output",
    "PaperOption",
    "RequiredMachine",
    "Units",
    "UnitsOption",
    "check_folder",
    "machine_option",
    "paper_of",
    "refuse_pictures",
    "show_or_write",
    "write_class_set",
    "write_into",
    "write_numbered",
]


class Units(enum.StrEnum):
    """Units of length for --units."""

    MM = "mm"
    INCH = "inch"


JobArgument = Annotated[str, typer.Argument(metavar="JOB", help="The job file (TOML).", show_default=False)]
OptionalJob = Annotated[
    Optional[str], typer.Argument(metavar="[JOB]", help="The job file (TOML).", show_default=False)  # noqa: UP045 - typer
]
JobArguments = Annotated[
    Optional[list[str]],  # noqa: UP045 - typer
    typer.Argument(
        metavar="[JOB]...",
        help="The job file (TOML); several where they stand on the table together.",
        show_default=False,
    ),
]
NestOption = Annotated[
    Optional[str],  # noqa: UP045 - typer
    typer.Option("--nest", metavar="NAME", help="Only this nest, in a job that has nests; all if left out."),
]
OneNest = Annotated[
    Optional[str],  # noqa: UP045 - typer
    typer.Option(
        "--nest", metavar="NAME", help="The nest to look at; a job that has nests needs it, one at a time."
    ),
]
MachineOption = Annotated[
    Optional[str],  # noqa: UP045 - typer
    typer.Option("--machine", "-m", metavar="FILE", help="A machine file, when there is no job file."),
]


def machine_option(words: str) -> Any:  # noqa: ANN401 - as typer has it
    """Option for a machine file that is always needed."""
    return typer.Option("--machine", "-m", metavar="FILE", help=words)


RequiredMachine = Annotated[str, machine_option("The machine file.")]
UnitsOption = Annotated[
    Optional[Units],  # noqa: UP045 - typer
    typer.Option("--units", help="Unit of shown and typed lengths; the file's own if left out."),
]
Only = Annotated[
    Optional[list[str]],  # noqa: UP045 - typer
    typer.Option("--only", metavar="NAME", help="Only this operation, or pattern; may be given again."),
]
Json = Annotated[bool, typer.Option("--json", help="One JSON object, full precision.")]
Csv = Annotated[bool, typer.Option("--csv", help="CSV, full precision, units in the column names.")]
Output = Annotated[
    Optional[Path],  # noqa: UP045 - typer
    typer.Option(
        "--output",
        "-o",
        metavar="FILE",
        help="Write to this file instead of the screen, whole or not at all.",
    ),
]
PaperOption = Annotated[str, typer.Option("--paper", metavar="SIZE", help="a4 or us-letter.")]
Force = Annotated[bool, typer.Option("--force", help="Replace the output file if there is one already.")]


_NO_TEXT = {".pdf", ".png", ".svg", ".jpg", ".jpeg"}


def _refuse_ending(begins: str, output: Path) -> None:
    """Refuse a name whose ending belongs to another kind of file than a text that begins so."""
    from tiltwright.files.diagnostics import option_error

    ending, is_json = output.suffix.lower(), begins.startswith("{")
    refuse_pictures([output], "--output")
    if (ending == ".json") != is_json and ending in {".json", ".csv", ".md", ".nc", ".ngc"}:
        found = f'the ending "{output.suffix}" {"for JSON" if is_json else "without --json"}'
        raise option_error("--output", found, ".json with --json, and only then")


def refuse_pictures(paths: Iterable[Path], option: str) -> None:
    """Refuse the ending of a picture or page for a text."""
    from tiltwright.files.diagnostics import option_error

    for path in paths:
        if path.suffix.lower() in _NO_TEXT:
            raise option_error(option, f'the ending "{path.suffix}" for text', "another ending, such as .txt")


def paper_of(text: str) -> Paper:
    """The paper size of that name.

    Raises
    ------
    InputFaults
        When there is no such size.
    """
    from tiltwright.files.diagnostics import one_of, option_error, shown

    papers: tuple[Paper, ...] = ("a4", "us-letter")
    for paper in papers:
        if paper == text.strip().casefold().replace(" ", "-"):
            return paper
    raise option_error("--paper", shown(text), one_of(papers))


def show_or_write(text: str | Iterator[str], output: Path | None, *, force: bool) -> None:
    """Write a result to stdout, or to a file as a whole; a long one may come in pieces, the last with its line's end."""
    if output is None:
        import sys

        from tiltwright.terminal.streams import reader_gone

        if isinstance(text, str):
            sys.stdout.write(text if text.endswith("\n") else text + "\n")
            return
        for piece in text:
            sys.stdout.write(piece)
            if reader_gone():
                return
        return
    from itertools import chain

    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.terminal.streams import note

    begins = text if isinstance(text, str) else next(text)
    _refuse_ending(begins, output)
    write_atomic(output, text if isinstance(text, str) else chain([begins], text), force=force)
    note(f"{output} written", label="done")


def write_numbered(texts: Sequence[str], output: Path, *, force: bool) -> list[Path]:
    """Write several texts that belong together, all or none: load.nc becomes load-1.nc, load-2.nc and so on; their paths."""
    from tiltwright.files.atomic_write import write_all
    from tiltwright.terminal.streams import note

    _refuse_ending(texts[0], output)
    names = [output.with_stem(f"{output.stem}-{number}") for number in range(1, len(texts) + 1)]
    write_all(dict(zip(names, texts, strict=True)), force=force)
    for name in names:
        note(f"{name} written", label="done")
    return names


def write_into(folder: Path, texts: Mapping[str, str], what: str, *, force: bool) -> None:
    """Write several texts that belong together, each a `what`, into a folder, which is made where it is not there, all or none."""
    from tiltwright.files.atomic_write import write_folder
    from tiltwright.files.diagnostics import option_error
    from tiltwright.terminal.streams import note

    if folder.exists() and not folder.is_dir():
        raise option_error("--output", "a file", "a folder")
    if not folder.parent.is_dir():
        found = f"no folder {folder.parent}"
        raise option_error("--output", found, "a folder in one that is there", "make the folder first")
    write_folder(folder, texts, force=force)
    words = what if len(texts) == 1 else f"{what}s"
    note(f"{len(texts)} {words} written into {folder}", label="done")


_MOST_LISTED = 8


def check_folder(folder: Path, option: str, *, force: bool) -> None:
    """Refuse a folder that is a file, or that has something in it."""
    from tiltwright.files.diagnostics import option_error

    if folder.exists() and not folder.is_dir():
        raise option_error(option, f"{folder}, a file", "a folder, or a new name for one")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise option_error(
            option, f"{folder}, a folder with something in it", "a new folder, or --force to write into it"
        )
    if not folder.exists() and not folder.resolve().parent.is_dir():
        found = f"{folder}, in a folder that is not there"
        raise option_error(option, found, "a folder in one that is there", "make the outer folder first")


def write_class_set(folder: Path, files: Iterable[tuple[Path, str | bytes]], *, force: bool) -> None:
    """Write all files of a class set or none, and name those of an older one that would be handed out by mistake."""
    from tiltwright.files.atomic_write import write_folder
    from tiltwright.files.diagnostics import first_few
    from tiltwright.terminal.streams import note

    made = dict(files)
    write_folder(folder, made, force=force)
    written = {folder / path for path in made}
    older = [path for path in folder.rglob("*") if path.is_file() and path not in written]
    older.sort(key=lambda path: (path.parent.name != "sheets", path))
    if older:
        listed = first_few([str(path.relative_to(folder)) for path in older], _MOST_LISTED)
        note(f"{folder}: {listed} {'is' if len(older) == 1 else 'are'} not of this lesson; do not hand out")
