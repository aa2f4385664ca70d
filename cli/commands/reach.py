"""`tiltwright reach`: does it get there, does it clear, and how tall must the standoff be."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Force,
    JobArgument,
    Json,
    Only,
    Output,
    Units,
    UnitsOption,
    show_or_write,
)

if TYPE_CHECKING:
    from tiltwright.worked import Worked

__all__ = ["reach"]


def reach(
    job: JobArgument,
    clear: Annotated[
        Optional[float],  # noqa: UP045 - typer
        typer.Option("--clear", metavar="D", help="Distance to keep; left out, what the job says, or 0."),
    ] = None,
    margin: Annotated[
        float, typer.Option("--margin", metavar="D", help="What to leave to the ends of travel.")
    ] = 0.0,
    size: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--size", metavar="STEP", help="The heights of this stack step that fit and clear."),
    ] = None,
    between: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--between", metavar="LOW:HIGH", help="Heights to look among, with --size."),
    ] = None,
    picture: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--picture", metavar="FILE.svg", help="Draw one operation in three views (see --only)."),
    ] = None,
    only: Only = None,
    units: UnitsOption = None,
    as_json: Json = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Whether every operation is inside the travels and clears everything that turns.

    Examples:

    \b
      tiltwright reach job.toml                        margins, distances, index moves, load
      tiltwright reach job.toml --clear 3 --margin 5   with so much to be kept
      tiltwright reach job.toml --only "port 3"        one operation
      tiltwright reach job.toml --size "round standoff"
                                                       how tall that step may be, and how stiff it is
      tiltwright reach job.toml --only "port 3" --picture port3.svg

    Solids, tools, holders and sweeps come from the machine file and the job file. Lengths typed here are in the
    unit shown. Ends with 1 when something does not reach, clear or hold. What it does not find is no proof that a
    setup is safe.
    """
    from tiltwright.typed import wrong
    from tiltwright.worked import work_through

    if size is not None and picture is not None:
        raise wrong("--size, --picture", "both", "one of them")
    if between is not None and size is None:
        raise wrong("--between", "without --size", "--between with --size only")
    for option, value in (("--clear", clear), ("--margin", margin)):
        if value is not None and not 0.0 <= value < 1e6:
            raise wrong(option, f"{value:g}", "0 or more")
    worked = work_through(job, only or [])
    shown = Units(units.value if units else worked.job.unit.value)
    if size is not None:
        _size(worked, size, between, clear, margin, shown, output, as_json=as_json, force=force)
    elif picture is not None:
        _picture(worked, clear, margin, shown, picture, force=force)
    else:
        _reach(worked, clear, margin, shown, output, whole=not only, as_json=as_json, force=force)


def _mm(value: float, shown: Units) -> float:
    from tiltwright.show.numbers import UNIT_MM

    return value * UNIT_MM[shown.value]


def _reach(
    worked: Worked,
    clear: float | None,
    margin: float,
    shown: Units,
    output: Output,
    *,
    whole: bool,
    as_json: bool,
    force: bool,
) -> None:
    from tiltwright.console import ANSWER_NO, note, say_no
    from tiltwright.reached import reach_of
    from tiltwright.show.reach_words import against

    reached = reach_of(
        worked, None if clear is None else _mm(clear, shown), _mm(margin, shown), moves_too=whole
    )
    if not whole:
        note("index moves are looked at without --only: they lead from each operation to the next")
    if as_json:
        from tiltwright.show import report
        from tiltwright.show.reach_report import reach_report

        text = report.as_json(reach_report(reached, shown))
    else:
        from tiltwright.show.reach_tables import reach_text

        text = reach_text(reached, shown)
    show_or_write(text, output, force=force)
    no = against(reached, shown)
    for words in no:
        say_no(words)
    if no:
        raise typer.Exit(ANSWER_NO)
    note("nothing was found that does not reach, clear or hold; prove it out above the part all the same")


def _picture(
    worked: Worked, clear: float | None, margin: float, shown: Units, path: Path, *, force: bool
) -> None:
    from tiltwright.console import ANSWER_NO, note, say_no
    from tiltwright.files.write import write_whole
    from tiltwright.picture import three_views
    from tiltwright.reached import reach_of
    from tiltwright.show.reach_words import against
    from tiltwright.typed import wrong

    if path.suffix.lower() != ".svg":
        raise wrong("--picture", str(path), "a file that ends in .svg")
    if len(worked.operations) != 1:
        names = ", ".join(f'"{one.placed.name}"' for one in worked.operations)
        raise wrong("--picture", f"{len(worked.operations)} operations", f"one, by --only: {names}")
    reached = reach_of(worked, None if clear is None else _mm(clear, shown), _mm(margin, shown))
    write_whole(path, three_views(reached, 0, shown), force=force)
    note(f"{path} written", label="done")
    no = against(reached, shown)
    for words in no:
        say_no(words)
    if no:
        raise typer.Exit(ANSWER_NO)


def _size(
    worked: Worked,
    step: str,
    between: str | None,
    clear: float | None,
    margin: float,
    shown: Units,
    output: Output,
    *,
    as_json: bool,
    force: bool,
) -> None:
    from tiltwright.console import ANSWER_NO, say_no
    from tiltwright.show.report import as_json as written
    from tiltwright.sized import heights_of, low_and_high

    ends = low_and_high(between)
    asked = None if ends is None else (_mm(ends[0], shown), _mm(ends[1], shown))
    sized = heights_of(worked, step, asked, None if clear is None else _mm(clear, shown), _mm(margin, shown))
    from tiltwright.show.sized import sized_report, sized_text

    text = written(sized_report(sized, shown)) if as_json else sized_text(sized, shown)
    show_or_write(text, output, force=force)
    if not sized.heights:
        say_no(f"no height of {sized.name} fits and clears")
    for one in worked.unreached:
        say_no(f"{one.name}: {one.why}")
    if not sized.heights or worked.unreached:
        raise typer.Exit(ANSWER_NO)
