"""`tiltwright reach`: travels, clearances, index moves, loads, and the height of a stack step."""

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
    from tiltwright.reach.analysis import ReachAnalysis

__all__ = ["reach"]


def reach(
    job: JobArgument,
    clear: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--clear", metavar="D", help="Distance to keep between solids; left out, the job's, or 0."
        ),
    ] = None,
    margin: Annotated[
        str, typer.Option("--margin", metavar="D", help="Margin to leave to the ends of travel.")
    ] = "0",
    size: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--size", metavar="STEP", help="Find the heights of this stack step that fit and clear."
        ),
    ] = None,
    between: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--between", metavar="LOW:HIGH", help="Heights to try, with --size."),
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
    """Check that every operation stays inside the travels and clears what is in the way.

    Examples:

    \b
      tiltwright reach job.toml                        margins, distances, index moves, load
      tiltwright reach job.toml --clear 3 --margin 5   with a distance and a margin to keep
      tiltwright reach job.toml --only "port 3"        one operation
      tiltwright reach job.toml --size "round standoff"
                                                       how tall that step may be, and how stiff it is
      tiltwright reach job.toml --only "port 3" --picture port3.svg

    Solids, tools, holders and sweeps come from the machine file and the job file. Lengths typed here are in the
    unit shown. What could not be checked comes first. The exit code is 1 when something does not reach, clear or
    hold. A setup that passes is not proven safe.
    """
    from tiltwright.files.diagnostics import option_error
    from tiltwright.job.evaluate import evaluate_job

    if size is not None and picture is not None:
        raise option_error("--size, --picture", "both", "one of them")
    if between is not None and size is None:
        raise option_error("--between", "without --size", "--between with --size only")
    evaluated = evaluate_job(job, only or [])
    shown = Units(units.value if units else evaluated.job.unit.value)
    keep = None if clear is None else _length(clear, "--clear", shown)
    spare = _length(margin, "--margin", shown)
    if size is not None:
        _size(evaluated, size, between, keep, spare, shown, output, as_json=as_json, force=force)
    elif picture is not None:
        _picture(evaluated, keep, spare, shown, picture, force=force)
    else:
        _reach(evaluated, keep, spare, shown, output, whole=not only, as_json=as_json, force=force)


def _length(text: str, option: str, shown: Units) -> float:
    """The length typed after an option, in the unit shown."""
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.diagnostics import shown as quoted
    from tiltwright.files.parsing import typed_length
    from tiltwright.files.units import Unit

    unit = Unit(shown.value)
    value = unit.from_mm(typed_length(text, option, unit))
    if not 0.0 <= value < 1e6:
        raise option_error(option, quoted(text), "0 or more")
    return value


def _mm(value: float, shown: Units) -> float:
    from tiltwright.output.numbers import UNIT_MM

    return value * UNIT_MM[shown.value]


def _reach(
    evaluated: EvaluatedJob,
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
    from tiltwright.reach.messages import verdict
    from tiltwright.reach.wording import closing_words
    from tiltwright.terminal.streams import note

    analysis = analyse_reach(
        evaluated, None if clear is None else _mm(clear, shown), _mm(margin, shown), moves_too=whole
    )
    if as_json:
        from tiltwright.output.json_csv import json_text
        from tiltwright.reach.report import reach_report

        text = json_text(reach_report(analysis, shown))
    else:
        from tiltwright.reach.text import reach_text

        text = reach_text(analysis, shown)
    show_or_write(text, output, force=force)
    _end_with_failures(analysis, shown)
    note(closing_words(verdict(analysis)))


def _end_with_failures(analysis: ReachAnalysis, shown: Units) -> None:
    """Say on stderr everything that fails, and end if there is anything."""
    from tiltwright.reach.wording import failure_sentences
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    sentences = failure_sentences(analysis, shown)
    for words in sentences:
        say_no(words)
    if sentences:
        raise typer.Exit(ANSWER_NO)


def _picture(
    evaluated: EvaluatedJob, clear: float | None, margin: float, shown: Units, path: Path, *, force: bool
) -> None:
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.files.diagnostics import option_error
    from tiltwright.reach.analysis import analyse_reach
    from tiltwright.reach.three_views import three_views
    from tiltwright.terminal.streams import note

    if path.suffix.lower() != ".svg":
        raise option_error("--picture", str(path), "a file that ends in .svg")
    if len(evaluated.operations) != 1:
        names = ", ".join(f'"{one.placed.name}"' for one in evaluated.operations)
        raise option_error("--picture", f"{len(evaluated.operations)} operations", f"one, by --only: {names}")
    analysis = analyse_reach(
        evaluated, None if clear is None else _mm(clear, shown), _mm(margin, shown), moves_too=False
    )
    write_atomic(path, three_views(analysis, 0, shown), force=force)
    note(f"{path} written", label="done")
    _end_with_failures(analysis, shown)


def _size(
    evaluated: EvaluatedJob,
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
    from tiltwright.output.json_csv import json_text
    from tiltwright.reach.step_height import (
        parse_height_range,
        step_height_report,
        step_height_text,
        study_step_height,
    )
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    ends = parse_height_range(between)
    asked = None if ends is None else (_mm(ends[0], shown), _mm(ends[1], shown))
    study = study_step_height(
        evaluated, step, asked, None if clear is None else _mm(clear, shown), _mm(margin, shown)
    )
    text = json_text(step_height_report(study, shown)) if as_json else step_height_text(study, shown)
    show_or_write(text, output, force=force)
    if not study.heights:
        say_no(f"no height of {study.name} fits and clears")
    for one in evaluated.unreached:
        say_no(f"{one.name}: {unreachable_text(one)}")
    if not study.heights or evaluated.unreached:
        raise typer.Exit(ANSWER_NO)
