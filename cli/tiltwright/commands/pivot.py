"""`tiltwright pivot`: where the rotary axes really are."""

from __future__ import annotations

import typer

from tiltwright.commands import pivot_fit, pivot_log, pivot_plan, pivot_practice

__all__ = ["app"]

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Find the pivots: plan the probing, fit the rotaries' lines, keep their history, practise.",
)
app.command("plan")(pivot_plan.plan)
app.command("fit")(pivot_fit.fit)
app.command("practice")(pivot_practice.practice)
app.command("log")(pivot_log.log)
app.command("restore")(pivot_log.restore)
