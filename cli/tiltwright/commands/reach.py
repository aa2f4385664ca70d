"""`tiltwright reach`: travels, clearances, index moves, loads, and the height of a stack step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import (
    Force,
    JobArgument,
    Json,
    NestOption,
    Only,
    Output,
    Units,
    UnitsOption,
    show_or_write,
)

if TYPE_CHECKING:
    from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests
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
    nest: NestOption = None,
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
    from tiltwright.files.loader import read_job
    from tiltwright.job.evaluate import evaluate_job, evaluate_read_job

    if size is not None and picture is not None:
        raise option_error("--size, --picture", "both", "one of them")
    if between is not None and size is None:
        raise option_error("--between", "without --size", "--between with --size only")
    if nest is None and picture is None:
        from tiltwright.job.evaluate import evaluate_nests

        read = read_job(job)
        if read.nests:
            together = evaluate_nests([read], only or [])
            shown = Units(units.value if units else read.unit.value)
            wanted = _Wanted(clear, margin, shown, output, as_json=as_json, force=force)
            if size is None:
                _nests(together, wanted, whole=not only)
            else:
                _nests_size(together, size, between, wanted)
            return
        evaluated = evaluate_read_job(read, only or [])
    else:
        evaluated = evaluate_job(job, only or [], nest)
    shown = Units(units.value if units else evaluated.job.unit.value)
    wanted = _Wanted(clear, margin, shown, output, as_json=as_json, force=force)
    wanted.check_lengths()
    _say_of_setup(evaluated, shown)
    if size is not None:
        _check_own_step(evaluated, size)
        _size([evaluated], size, between, wanted, together=False)
    elif picture is not None:
        _picture(evaluated, wanted, picture)
    else:
        _reach(evaluated, wanted, whole=not only)


@dataclass(frozen=True)
class _Wanted:
    """Options that every kind of answer goes by."""

    clear: str | None
    margin: str
    shown: Units
    output: Output
    as_json: bool
    force: bool

    @property
    def clear_mm(self) -> float | None:
        """The distance to keep; None for the job's own."""
        return None if self.clear is None else _mm(self.clear, "--clear", self.shown)

    @property
    def margin_mm(self) -> float:
        """The margin to leave to the ends of travel."""
        return _mm(self.margin, "--margin", self.shown)

    def check_lengths(self) -> None:
        """Refuse a length that is none, before anything is said or worked out."""
        _ = self.clear_mm, self.margin_mm

    def show(self, text: str) -> None:
        """Write the answer where it is wanted."""
        show_or_write(text, self.output, force=self.force)


def _nests_size(evaluated: EvaluatedNests, step: str, between: str | None, wanted: _Wanted) -> None:
    """The step's heights in every nest that has it."""
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.warnings import setup_messages
    from tiltwright.reach.nest_reach import check_apart

    check_apart(evaluated)
    nests = _nests_with_step(evaluated, step)
    say_nests_messages(evaluated, wanted.shown.value, setup_messages)
    wanted.check_lengths()
    _size(nests, step, between, wanted, together=True)


def _check_own_step(evaluated: EvaluatedJob, step: str) -> None:
    """Refuse to study the height of a step that other nests may stand on: they would not rise with it."""
    from tiltwright.files.diagnostics import one_of, option_error, shown

    own = evaluated.job.own_nest
    steps = None if own is None else [one.name for one in own.nest.steps]
    if steps is not None and step not in steps:
        names = one_of(steps) if steps else "none: it has no steps of its own"
        raise option_error("--size", shown(step), f"a step of the nest itself: {names}")


def _nests(evaluated: EvaluatedNests, wanted: _Wanted, *, whole: bool) -> None:
    """Every nest, the others in its way, and the index moves in the order of work."""
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.job.warnings import setup_messages
    from tiltwright.output.json_csv import json_text
    from tiltwright.reach.messages import verdict
    from tiltwright.reach.nest_reach import (
        analyse_nests,
        nests_failures,
        nests_reach_report,
        nests_reach_text,
    )
    from tiltwright.reach.wording import closing_words
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import ANSWER_NO, note, say_no

    shown, clear_mm = wanted.shown, wanted.clear_mm
    say_nests_messages(evaluated, shown.value, setup_messages)
    with progress_bar():
        reach = analyse_nests(evaluated, clear_mm, wanted.margin_mm, moves_too=whole)
    wanted.show(
        json_text(nests_reach_report(reach, shown)) if wanted.as_json else nests_reach_text(reach, shown)
    )
    sentences = nests_failures(reach, shown)
    for words in sentences:
        say_no(words)
    if sentences:
        raise typer.Exit(ANSWER_NO)
    for words in dict.fromkeys(closing_words(verdict(one)) for one in reach.nests):
        note(words)


def _say_of_setup(evaluated: EvaluatedJob, shown: Units) -> None:
    """Say what looks wrong in where things stand: every figure rests on it."""
    from tiltwright.job.warnings import say_messages, setup_messages

    say_messages(evaluated, shown.value, setup_messages(evaluated))


def _mm(text: str, option: str, shown: Units) -> float:
    """A length typed after an option, which may not be negative, in millimetres."""
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.parsing import typed_length
    from tiltwright.files.units import Unit

    length_mm = typed_length(text, option, Unit(shown.value))
    if not 0.0 <= length_mm < 1e6:
        raise option_error(option, text, "0 or more")
    return length_mm


def _reach(evaluated: EvaluatedJob, wanted: _Wanted, *, whole: bool) -> None:
    from tiltwright.reach.analysis import analyse_reach
    from tiltwright.reach.messages import verdict
    from tiltwright.reach.wording import closing_words
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import note

    shown = wanted.shown
    with progress_bar():
        analysis = analyse_reach(evaluated, wanted.clear_mm, wanted.margin_mm, moves_too=whole)
    if wanted.as_json:
        from tiltwright.output.json_csv import json_text
        from tiltwright.reach.report import reach_report

        text = json_text(reach_report(analysis, shown))
    else:
        from tiltwright.reach.text import reach_text

        text = reach_text(analysis, shown)
    wanted.show(text)
    _end_with_failures(analysis, shown)
    note(closing_words(verdict(analysis)))


def _end_with_failures(analysis: ReachAnalysis, shown: Units) -> None:
    """Say on stderr everything that fails, and end if there is anything."""
    from tiltwright.reach.wording import failure_sentences
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    sentences = failure_sentences(analysis, shown)
    for words in sentences:
        say_no(words)
    if sentences or analysis.evaluated.touch_too_far:
        raise typer.Exit(ANSWER_NO)


def _picture(evaluated: EvaluatedJob, wanted: _Wanted, path: Path) -> None:
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
    analysis = analyse_reach(evaluated, wanted.clear_mm, wanted.margin_mm, moves_too=False)
    from tiltwright.reach.wording import not_checked_sentences

    write_atomic(path, three_views(analysis, 0, wanted.shown), force=wanted.force)
    note(f"{path} written", label="done")
    for words in not_checked_sentences(analysis):
        note(words)
    _end_with_failures(analysis, wanted.shown)


def _nests_with_step(evaluated: EvaluatedNests, step: str) -> list[EvaluatedJob]:
    """The nests that have a step of that name; refused where none has, with the steps that each of them has."""
    from tiltwright.files.diagnostics import nearest, one_of, option_error
    from tiltwright.files.diagnostics import shown as quoted

    own = {one.nest.name: [step.name for step in one.nest.steps] for one in evaluated.nests[0].job.nests}
    found = [one for one in evaluated.nests if step in own[one.nest or ""]]
    if not found:
        names = list(dict.fromkeys(name for steps in own.values() for name in steps))
        near = nearest(step, names)
        allowed = (
            f"a step of a nest itself: {one_of(names)}" if names else "none: no nest has steps of its own"
        )
        tip = "all nests would rise with a step that they stand on"
        raise option_error("--size", quoted(step), allowed, f"did you mean {quoted(near)}?" if near else tip)
    return found


def _size(
    nests: Sequence[EvaluatedJob], step: str, between: str | None, wanted: _Wanted, *, together: bool
) -> None:
    """Study a step's height, in one nest or one after the other in all that have it."""
    from tiltwright.files.units import Unit
    from tiltwright.job.message_wording import unreachable_text
    from tiltwright.output.json_csv import json_text
    from tiltwright.reach.step_height import (
        parse_height_range,
        step_height_report,
        step_height_text,
        study_step_height,
    )
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    shown = wanted.shown
    asked = parse_height_range(between, Unit(shown.value))
    with progress_bar():
        studies = [study_step_height(one, step, asked, wanted.clear_mm, wanted.margin_mm) for one in nests]
    if wanted.as_json:
        reports = [step_height_report(study, shown) for study in studies]
        own = [{**report, "nest": one.nest} for report, one in zip(reports, nests, strict=True)]
        text = json_text({**reports[0], "nests": own} if together else reports[0])
    else:
        texts = [step_height_text(study, shown) for study in studies]
        named = [f"NEST {one.nest}\n\n{text}" for one, text in zip(nests, texts, strict=True)]
        text = "\n\n".join(named if together else texts)
    wanted.show(text)
    for one, study in zip(nests, studies, strict=True):
        before = f"{one.nest}: " if together else ""
        if not study.heights:
            say_no(f"{before}no height of {study.name} fits and clears")
        for missed in one.unreached:
            say_no(f"{before}{missed.name}: {unreachable_text(missed)}")
    if not all(study.heights for study in studies) or not all(one.complete for one in nests):
        raise typer.Exit(ANSWER_NO)
