"""One run of `pivot fit`: the options held against each other, the fit, what is shown, what is written."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from kinematics.calibration import Blunder, Fit, FitDiagnostic, Readings
from tiltwright.calibration.load_readings import Form, LoadedReadings
from tiltwright.files.loader import ReadMachine

__all__ = ["LOSSES", "FitOptions", "run_fit"]

LOSSES = ("soft_l1", "huber", "cauchy", "arctan")


@dataclass(frozen=True)
class FitOptions:
    """The options of one run."""

    readings: str
    machine: str
    form: Form
    rule: str | None
    plan: str | None
    units: str | None
    sigma: float | None
    loss: str
    loss_scale: float | None
    level: float
    plot: Path | None
    force: bool
    write: bool
    despite: bool
    check: bool
    who: str | None
    temperature_c: float | None
    as_json: bool


def run_fit(asked: FitOptions) -> None:
    """Do what was asked; ends by `typer.Exit` with 1 where the answer is no.

    Raises
    ------
    InputFaults
        When options or files are wrong.
    """
    _check_options(asked)
    with _alone_if(asked):
        _run(asked)


def _check_options(asked: FitOptions) -> None:
    _check_numbers(asked)
    _check_files(asked)
    _check_log(asked)


def _check_numbers(asked: FitOptions) -> None:
    import math

    from tiltwright.files.diagnostics import shown
    from tiltwright.files.parsing import option_error

    for option, value in (("--sigma", asked.sigma), ("--robust-beyond", asked.loss_scale)):
        if value is not None and not (math.isfinite(value) and value > 0.0):
            raise option_error(option, f"{value:g}", "a length above 0")
    if asked.loss not in ("linear", *LOSSES):
        raise option_error("--robust", shown(asked.loss), ", ".join(LOSSES))
    if asked.loss_scale is not None and asked.loss == "linear":
        raise option_error("--robust-beyond", "without --robust", "--robust LOSS beside it")
    if not 0.5 <= asked.level <= 0.9999:
        raise option_error("--level", f"{asked.level * 100:g}", "50 to 99.99 percent")


def _check_files(asked: FitOptions) -> None:
    from tiltwright.calibration.plots import ENDINGS
    from tiltwright.files.parsing import option_error

    if asked.plan is not None and asked.form != "parameters":
        raise option_error("--plan", f"beside a {asked.form} file", "--plan with a saved parameter file only")
    if asked.plot is not None and asked.plot.suffix.lower() not in ENDINGS:
        raise option_error("--plot", f'the ending "{asked.plot.suffix}"', ", ".join(ENDINGS))
    if asked.plot is not None and asked.plot.exists() and not asked.force:
        found = f"{asked.plot}, a file that is there already"
        raise option_error("--plot", found, "another name, or --force to replace it")


def _check_log(asked: FitOptions) -> None:
    from tiltwright.files.parsing import name_of, option_error

    for option, given in (("--who", asked.who), ("--temperature", asked.temperature_c)):
        if given is not None and not asked.write:
            raise option_error(option, "without --write", f"{option} with --write only: it goes into the log")
    if asked.who is not None:
        name_of(asked.who, "--who")
    if asked.temperature_c is not None and not -50.0 <= asked.temperature_c <= 100.0:
        raise option_error("--temperature", f"{asked.temperature_c:g}", "-50 to 100 degrees Celsius")


@contextlib.contextmanager
def _alone_if(asked: FitOptions) -> Iterator[None]:
    """With --write, nobody else may change the machine file between reading it here and writing it."""
    if not asked.write or not Path(asked.machine).is_file():
        yield
        return
    from tiltwright.files.atomic_write import exclusive_lock

    with exclusive_lock(asked.machine):
        yield


def _run(asked: FitOptions) -> None:
    from kinematics import KinematicsError
    from kinematics.calibration import check_fit, outside_travels
    from tiltwright.calibration.load_readings import load_readings
    from tiltwright.files.diagnostics import sanitized
    from tiltwright.files.loader import read_machine
    from tiltwright.files.units import Unit
    from tiltwright.terminal.streams import fail

    read = read_machine(asked.machine)
    gathered = load_readings(asked.readings, read.machine, asked.form, asked.rule, asked.plan)
    units = asked.units or read.unit.value
    mm = Unit(units).mm
    sigma_mm = None if asked.sigma is None else asked.sigma * mm
    scale_mm = None if asked.loss_scale is None else asked.loss_scale * mm
    blunders: tuple[Blunder, ...] = ()
    answer: Fit | None = None
    why_none = ""
    try:
        blunders = _blunders(gathered.readings, read, sigma_mm)
        answer = _fitted(asked, gathered, read, sigma_mm, scale_mm)
    except KinematicsError as refusal:
        why_none = str(refusal)
        if not blunders and not outside_travels(gathered.readings, read.machine):
            fail(f"{sanitized(asked.readings)}: {refusal}")
    findings = check_fit(answer) if answer is not None else outside_travels(gathered.readings, read.machine)
    told = FitOutcome(answer, why_none, blunders, _mended(asked, blunders, sigma_mm), findings)
    _show(asked, told, gathered, units)
    if asked.plot is not None and answer is not None:
        _plot(asked, answer, units)
    _end(asked, read, gathered, told)


def _end(asked: FitOptions, read: ReadMachine, gathered: LoadedReadings, told: FitOutcome) -> None:
    """Write or refuse to, and say no where the answer is no."""
    from tiltwright.files.diagnostics import sanitized
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    wrong = list(dict.fromkeys(told.wrong))
    if wrong:
        say_no(f"a mistake in the readings is certain: {', '.join(wrong)}")
    half = [one for one in told.findings if not one.certain]
    refused = False
    if asked.write and told.fit is not None and (asked.despite or not (wrong or half)):
        _write(asked, read, told.fit, gathered, despite=bool(wrong or half))
    elif asked.write:
        refused = True
        why = (
            "put the readings right" if wrong else f"{'; '.join(one.words for one in half)}; read more poses"
        )
        say_no(f"{sanitized(asked.machine)} stays as it was ({why}; --write-anyway would write it)")
    lines = () if told.fit is None else told.fit.lines
    moved = [line.letter for line in lines if any(one.verdict == "moved" for one in line.moved)]
    if asked.check and moved:
        say_no(f"moved since the machine file was written: {' and '.join(moved)}")
    if wrong or refused or told.fit is None or (asked.check and moved):
        raise typer.Exit(ANSWER_NO)


@dataclass(frozen=True)
class FitOutcome:
    """What one run found."""

    fit: Fit | None
    why_none: str
    blunders: tuple[Blunder, ...]
    mended: Fit | None
    findings: tuple[FitDiagnostic, ...]

    @property
    def wrong(self) -> list[str]:
        """What is wrong for certain, the classic mistakes first."""
        found = [blunder.kind for blunder in self.blunders if blunder.made]
        return found + [finding.kind for finding in self.findings if finding.certain]


def _fitted(
    asked: FitOptions,
    gathered: LoadedReadings,
    read: ReadMachine,
    sigma_mm: float | None,
    scale_mm: float | None,
) -> Fit:
    from kinematics.calibration import fit_pivots
    from tiltwright.calibration.raw_readings import last_digit_mm

    return fit_pivots(
        gathered.readings,
        read.machine,
        sigma_mm=sigma_mm,
        floor_mm=last_digit_mm(gathered.taken) / 12.0**0.5,
        loss=asked.loss,
        loss_scale_mm=scale_mm,
        level=asked.level,
    )


def _blunders(readings: Readings, read: ReadMachine, sigma_mm: float | None) -> tuple[Blunder, ...]:
    """Single rows grossly wrong first; one that nothing plain explains only where no classic mistake does."""
    from kinematics.calibration import find_blunders, find_gross_errors

    gross = find_gross_errors(readings, read.machine)
    plain = tuple(one for one in gross if one.kind != "reading far off")
    rest = plain[-1].mended if plain else readings
    more = find_blunders(rest, read.machine, sigma_mm=sigma_mm)
    return (*plain, *more) if more else gross


def _mended(asked: FitOptions, blunders: Sequence[Blunder], sigma_mm: float | None) -> Fit | None:
    """What the readings say once the mistakes are put right, if that can be told."""
    from kinematics import KinematicsError
    from kinematics.calibration import fit_pivots

    if not blunders:
        return None
    last = blunders[-1]  # each stands on top of those before it
    try:
        return fit_pivots(last.mended, last.mended_machine, sigma_mm=sigma_mm, level=asked.level)
    except KinematicsError:
        return None


def _show(asked: FitOptions, told: FitOutcome, gathered: LoadedReadings, units: str) -> None:
    from tiltwright.calibration import fit_report, fit_text
    from tiltwright.output.json_csv import json_text as written

    if asked.as_json:
        source = {"file": asked.readings, "sha256": gathered.sha256}
        if told.fit is None:
            typer.echo(
                written(
                    fit_report.no_fit_report(told.why_none, told.blunders, units, told.findings, **source)
                ),
                nl=False,
            )
        else:
            typer.echo(
                written(fit_report.fit_report(told.fit, told.blunders, units, told.findings, **source)),
                nl=False,
            )
        return
    if told.blunders:
        typer.echo(fit_text.blunder_words(told.blunders, told.mended, units) + "\n")
    elif any(one.certain for one in told.findings):
        typer.echo(fit_text.finding_words(told.findings, units) + "\n")
    if told.fit is None:
        typer.echo(f"As they stand, the readings give no answer: {told.why_none}")
    else:
        typer.echo(fit_text.fit_text(told.fit, units, asked.readings))


def _plot(asked: FitOptions, answer: Fit, units: str) -> None:
    from tiltwright.calibration.plots import fit_plot
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.terminal.streams import note

    assert asked.plot is not None
    write_atomic(asked.plot, fit_plot(answer, units, asked.plot.suffix.lower()), force=asked.force)
    note(f"{asked.plot} written", label="done")


def _write(
    asked: FitOptions, read: ReadMachine, answer: Fit, gathered: LoadedReadings, *, despite: bool
) -> None:
    from tiltwright.calibration.apply import apply_fit
    from tiltwright.calibration.calibration_log import log_path
    from tiltwright.terminal.streams import note

    entry = apply_fit(
        read,
        answer,
        who=None if asked.who is None else asked.who.strip(),
        temperature_c=asked.temperature_c,
        file=asked.readings,
        sha256=gathered.sha256,
        despite=despite,
    )
    note(f"{asked.machine} written; calibration {entry.number} in {log_path(read.path)}", label="done")
    note(f"to go back: tiltwright pivot restore {entry.number - 1} --machine {asked.machine}")
    if answer.suspects:
        rows = ", ".join(str(suspect.row) for suspect in answer.suspects)
        note(
            f"row {rows} was among the readings, though suspect: read again and write again", label="caution"
        )
