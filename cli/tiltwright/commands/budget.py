"""`tiltwright budget`: how sure every offset, feature and seam is, and what is to blame."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from tiltwright.commands.options import Force, JobArgument, Json, Output, UnitsOption, show_or_write

__all__ = ["budget"]


def budget(
    job: JobArgument,
    plan: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option(
            "--plan", metavar="FILE", help="A probing plan: tells which added poses would help most."
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Seed of the Monte Carlo trials.")] = 1,
    trials: Annotated[
        Optional[int],  # noqa: UP045 - typer
        typer.Option("--trials", metavar="N", help="Number of trials; left out, as many as are needed."),
    ] = None,
    plot: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option(
            "--plot", metavar="FILE.png", help="Draw intervals against tolerances, and every source's share."
        ),
    ] = None,
    units: UnitsOption = None,
    as_json: Json = False,
    output: Output = None,
    force: Force = False,
) -> None:
    """Work out how sure every work offset is, where each feature may end up, and what is to blame.

    The files say how far things may be off: up_within = 0.01 beside a stack step, positioning = "8 arcsec" beside a
    rotary. What nothing is said of is taken as exact, and listed first.

    Examples:

    \b
      tiltwright budget job.toml                       tables, verdicts and what would help most
      tiltwright budget job.toml --plan plan.toml      and which added probing poses would help
      tiltwright budget job.toml --plot budget.png     drawn
      tiltwright budget job.toml --json                for another program

    Exit code 0: every toleranced feature and seam is proven to conform. 1: one is not, or cannot be cut. 2: the input
    is wrong.
    """
    from tiltwright.files.atomic_write import check_target
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.loader import read_job
    from tiltwright.job.evaluate import evaluate_nests
    from tiltwright.job.nests_output import say_nests_messages
    from tiltwright.terminal.progress_line import progress_bar
    from tiltwright.terminal.streams import ANSWER_NO, note
    from tiltwright.uncertainty.budget_run import job_budget
    from tiltwright.uncertainty.evaluation import uncertain_job

    if trials is not None and not 1 <= trials <= 100_000_000:
        raise option_error("--trials", str(trials), "1 to 100000000")
    if seed < 0:
        raise option_error("--seed", str(seed), "0 or more")
    if plot is not None:
        from tiltwright.output.figure_style import picture_ending

        picture_ending(plot)
        check_target(plot, force=force)
    read = read_job(job)
    together = evaluate_nests([read])
    views = together.nests
    shown = units.value if units else read.unit.value
    job_now = uncertain_job(views)
    planned = None
    if plan is not None:
        from tiltwright.calibration.plan import read_plan

        planned = read_plan(str(plan), read.machine)
        if job_now.calibration.source is None:
            raise option_error(
                "--plan",
                "no calibration in the machine's log",
                "a machine that pivot fit --write has calibrated",
            )
    with progress_bar():
        found = job_budget(job_now, seed=seed, trials=trials, plan=planned)
    say_nests_messages(together, shown)
    for name in found.job.unreached:
        note(f"{name}: left out, its operation or its datum's is not reached", label="FAIL")
    if plot is not None:
        from tiltwright.files.atomic_write import write_atomic
        from tiltwright.uncertainty.budget_plot import budget_plot

        write_atomic(plot, budget_plot(found, shown, plot.suffix.lower()), force=force)
        note(f"{plot} written", label="done")
    from tiltwright.output.json_csv import json_text
    from tiltwright.uncertainty.budget_text import budget_report, budget_text

    text = json_text(budget_report(found, shown)) if as_json else budget_text(found, shown)
    show_or_write(text, output, force=force)
    if not found.conforms or not all(view.complete for view in views):
        raise typer.Exit(ANSWER_NO)
