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
    from tiltwright.job.evaluate import EvaluatedJob

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
    from tiltwright.files.parsing import option_error
    from tiltwright.job.evaluate import evaluate_job

    if size is not None and picture is not None:
        raise option_error("--size, --picture", "both", "one of them")
    if between is not None and size is None:
        raise option_error("--between", "without --size", "--between with --size only")
    for option, value in (("--clear", clear), ("--margin", margin)):
        if value is not None and not 0.0 <= value < 1e6:
            raise option_error(option, f"{value:g}", "0 or more")
    worked = evaluate_job(job, only or [])
    shown = Units(units.value if units else worked.job.unit.value)
    if size is not None:
        _size(worked, size, between, clear, margin, shown, output, as_json=as_json, force=force)
    elif picture is not None:
        _picture(worked, clear, margin, shown, picture, force=force)
    else:
        _reach(worked, clear, margin, shown, output, whole=not only, as_json=as_json, force=force)


def _mm(value: float, shown: Units) -> float:
    from tiltwright.output.numbers import UNIT_MM

    return value * UNIT_MM[shown.value]


def _reach(
    worked: EvaluatedJob,
    clear: float | None,
    margin: float,
    shown: Units,
    output: Output,
    *,
    whole: bool,
    as_json: bool,
    force: bool,
) -> None:
    from tiltwright.reach.analysis import analyse_reach
    from tiltwright.reach.text import against
    from tiltwright.terminal.streams import ANSWER_NO, note, say_no

    reached = analyse_reach(
        worked, None if clear is None else _mm(clear, shown), _mm(margin, shown), moves_too=whole
    )
    if not whole:
        note("index moves are looked at without --only: they lead from each operation to the next")
    if as_json:
        from tiltwright.output.json_csv import json_text
        from tiltwright.reach.report import reach_report

        text = json_text(reach_report(reached, shown))
    else:
        from tiltwright.reach.text import reach_text

        text = reach_text(reached, shown)
    show_or_write(text, output, force=force)
    no = against(reached, shown)
    for words in no:
        say_no(words)
    if no:
        raise typer.Exit(ANSWER_NO)
    note("nothing was found that does not reach, clear or hold; prove it out above the part all the same")


def _picture(
    worked: EvaluatedJob, clear: float | None, margin: float, shown: Units, path: Path, *, force: bool
) -> None:
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.files.parsing import option_error
    from tiltwright.reach.analysis import analyse_reach
    from tiltwright.reach.text import against
    from tiltwright.reach.three_views import three_views
    from tiltwright.terminal.streams import ANSWER_NO, note, say_no

    if path.suffix.lower() != ".svg":
        raise option_error("--picture", str(path), "a file that ends in .svg")
    if len(worked.operations) != 1:
        names = ", ".join(f'"{one.placed.name}"' for one in worked.operations)
        raise option_error("--picture", f"{len(worked.operations)} operations", f"one, by --only: {names}")
    reached = analyse_reach(worked, None if clear is None else _mm(clear, shown), _mm(margin, shown))
    write_atomic(path, three_views(reached, 0, shown), force=force)
    note(f"{path} written", label="done")
    no = against(reached, shown)
    for words in no:
        say_no(words)
    if no:
        raise typer.Exit(ANSWER_NO)


def _size(
    worked: EvaluatedJob,
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
    from tiltwright.job.aim_wording import unreachable_text
    from tiltwright.output.json_csv import json_text as written
    from tiltwright.reach.step_height import heights_of, low_and_high
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    ends = low_and_high(between)
    asked = None if ends is None else (_mm(ends[0], shown), _mm(ends[1], shown))
    sized = heights_of(worked, step, asked, None if clear is None else _mm(clear, shown), _mm(margin, shown))
    from tiltwright.reach.step_height import sized_report, sized_text

    text = written(sized_report(sized, shown)) if as_json else sized_text(sized, shown)
    show_or_write(text, output, force=force)
    if not sized.heights:
        say_no(f"no height of {sized.name} fits and clears")
    for one in worked.unreached:
        say_no(f"{one.name}: {unreachable_text(one)}")
    if not sized.heights or worked.unreached:
        raise typer.Exit(ANSWER_NO)
