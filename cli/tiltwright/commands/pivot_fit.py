"""`tiltwright pivot fit`: probe readings in, rotary lines with uncertainties out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from tiltwright.commands.options import Force, Json, RequiredMachine, UnitsOption

if TYPE_CHECKING:
    from kinematics.calibration import Fit

__all__ = ["fit"]


def fit(
    readings: Annotated[
        str,
        typer.Argument(
            metavar="READINGS",
            help="A table (CSV), a log, or a list of saved parameters.",
            show_default=False,
        ),
    ],
    machine: RequiredMachine,
    as_form: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--as", metavar="FORM", help="table, log or parameters, where the content does not show it."
        ),
    ] = None,
    rule: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--rule", metavar="FILE", help="How a line of a log is read (TOML)."),
    ] = None,
    plan: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--plan",
            metavar="FILE",
            help="The plan of the probing program that saved the parameters, for the targets' names.",
        ),
    ] = None,
    sigma: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--sigma",
            metavar="LENGTH",
            help="The probe's standard uncertainty (0.002, 0.0001in); left out: estimated from the readings.",
        ),
    ] = None,
    robust: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--robust", metavar="LOSS", help="soft_l1, huber, cauchy or arctan: bad readings count for less."
        ),
    ] = None,
    robust_beyond: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--robust-beyond",
            metavar="LENGTH",
            help="Where the loss bends; left out: three times the scatter.",
        ),
    ] = None,
    level: Annotated[
        float, typer.Option("--level", metavar="PERCENT", help="Coverage of the expanded uncertainties.")
    ] = 95.0,
    angle_errors: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--angle-errors",
            metavar="LETTERS",
            help="Rotaries whose own angle is off (A or A,C): adjust that along with the lines.",
        ),
    ] = None,
    drift: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--drift",
            metavar="BY",
            help="order or temperature: adjust a drift with the readings' order, or with the logged temperature, as well.",
        ),
    ] = None,
    plot: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--plot", metavar="FILE", help="A picture: .png, .svg or .pdf."),
    ] = None,
    page: Annotated[
        Optional[Path],  # noqa: UP045 - typer
        typer.Option("--page", metavar="FILE", help="A page in three dimensions: .html, for any browser."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Put the lines into the machine file and log the calibration.")
    ] = False,
    write_anyway: Annotated[
        bool,
        typer.Option(
            "--write-anyway",
            help="As --write, even if something is certainly wrong or only partly determined.",
        ),
    ] = False,
    with_face: Annotated[
        bool,
        typer.Option("--with-face", help="With --write: put the platter's face and normal there, too."),
    ] = False,
    who: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option("--who", metavar="NAME", help="Who calibrated, for the log."),
    ] = None,
    temperature: Annotated[
        Optional[str],  # noqa: UP045 - typer
        typer.Option(
            "--temperature", metavar='"20 C"', help="The machine's temperature, with its unit, for the log."
        ),
    ] = None,
    check: Annotated[
        bool,
        typer.Option("--check", help="End with 1 if a line has moved since the machine file was written."),
    ] = False,
    units: UnitsOption = None,
    as_json: Json = False,
    force: Force = False,
) -> None:
    """Find the rotaries' lines from probe readings, with uncertainties, and check the machine file against them.

    Examples:

    \b
      tiltwright pivot fit ball.csv -m mill.toml                     lines and uncertainties
      tiltwright pivot fit ball.csv -m mill.toml --plot ball.png     with a picture
      tiltwright pivot fit ball.csv -m mill.toml --page ball.html    readings, circles, lines in a browser
      tiltwright pivot fit ball.csv -m mill.toml --write --who "bay 2, early shift" --temperature "20.5 C"
      tiltwright pivot fit probe.log --rule probe_rule.toml -m mill.toml
      tiltwright pivot fit saved.txt --plan plan.toml -m mill.toml   readings kept by a probing program
      tiltwright pivot fit ball.csv -m mill.toml --angle-errors A    A turns a little too far or too little
      tiltwright pivot fit ball.csv -m mill.toml --drift order       the machine warmed up while it was probed
      tiltwright pivot fit ball.csv -m mill.toml --check             exit code 1 when a line has moved

    A table has the columns kind, target, A_deg (one for each rotary), X_mm, Y_mm, Z_mm (or X_in, ...), and may have
    sigma_mm, direction and T_C or T_F (the temperature at each reading). Ends with 0 when done; with 1 when a mistake in the readings is certain (a classic
    one, readings outside the travels, scatter that no probe has, a line millimetres away, a rotary's own angle off, a
    drift), or with --check a line has
    moved; with 2 when the input is wrong. Nothing is written while a mistake is certain or a line is only partly determined.
    """
    from tiltwright.calibration.fit_run import FitOptions, run_fit
    from tiltwright.calibration.load_readings import file_format

    asked = FitOptions(
        readings=readings,
        machine=machine,
        form=file_format(readings, as_form, with_rule=rule is not None),
        rule=rule,
        plan=plan,
        units=None if units is None else units.value,
        sigma=sigma,
        loss=robust or "linear",
        loss_scale=robust_beyond,
        level=level / 100.0,
        angle_errors=tuple((angle_errors or "").upper().replace(",", "").replace(" ", "")),
        drifts=tuple(part.strip() for part in (drift or "").lower().split(",") if part.strip()),
        plot=plot,
        page=page,
        page_html=_page_html(readings),
        force=force,
        write=write or write_anyway,
        despite=write_anyway,
        with_face=with_face,
        check=check,
        who=who,
        temperature=temperature,
        as_json=as_json,
    )
    run_fit(asked)


def _page_html(readings: str) -> Callable[[Fit, str], str]:
    """The page of a fit, made where it is asked for."""

    def made(answer: Fit, units: str) -> str:
        from tiltwright.files.diagnostics import sanitized
        from tiltwright.page.assemble import fit_html
        from tiltwright.page.fit_contract import fit_page

        return fit_html(fit_page(answer, units, sanitized(Path(readings).name)))

    return made
