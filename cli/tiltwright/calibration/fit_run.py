"""One run of `pivot fit`: options checked, readings fitted, result shown and written."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import typer

from kinematics.calibration import LOSSES, Blunder, Fit, FitDiagnostic, Readings
from tiltwright.calibration.load_readings import Form, LoadedReadings
from tiltwright.files.loader import ReadMachine
from tiltwright.files.units import Unit

__all__ = ["FitOptions", "FitOutcome", "run_fit"]


@dataclass(frozen=True)
class FitOptions:
    """The options of one run."""

    readings: str
    machine: str
    form: Form
    rule: str | None
    plan: str | None
    units: str | None
    sigma: str | None
    loss: str
    loss_scale: str | None
    level: float
    angle_errors: tuple[str, ...]
    drifts: tuple[str, ...]
    plot: Path | None
    page: Path | None
    page_html: Callable[[Fit, str], str] | None
    force: bool
    write: bool
    despite: bool
    with_face: bool
    check: bool
    who: str | None
    temperature: str | None
    as_json: bool


def run_fit(asked: FitOptions) -> None:
    """Run `pivot fit`; exits by `typer.Exit` with 1 where a check failed.

    Raises
    ------
    InputFaults
        When options or files are wrong.
    """
    _check_options(asked)
    with _lock_if_writing(asked):
        _run(asked)


def _check_options(asked: FitOptions) -> None:
    _check_numbers(asked)
    _check_files(asked)
    _check_log(asked)


def _check_numbers(asked: FitOptions) -> None:
    from tiltwright.files.diagnostics import option_error, shown

    if asked.loss not in ("linear", *LOSSES):
        raise option_error("--robust", shown(asked.loss), ", ".join(LOSSES))
    if asked.loss_scale is not None and asked.loss == "linear":
        raise option_error("--robust-beyond", "without --robust", "--robust LOSS beside it")
    for by in asked.drifts:
        if by not in {"order", "temperature"} or asked.drifts.count(by) > 1:
            raise option_error(
                "--drift", shown(",".join(asked.drifts)), "order, temperature, or both with a comma"
            )
    if not 0.5 <= asked.level <= 0.9999:
        raise option_error("--level", f"{asked.level * 100:g}", "50 to 99.99 percent")


def _above_zero_mm(text: str | None, option: str, unit: Unit) -> float | None:
    """The length typed after an option, in millimetres."""
    from tiltwright.files.parsing import positive_length

    return None if text is None else positive_length(text, option, unit)


def _check_letters(asked: FitOptions, read: ReadMachine) -> None:
    from tiltwright.files.diagnostics import option_error, shown

    letters = read.machine.letters
    for letter in asked.angle_errors:
        if letter not in letters or asked.angle_errors.count(letter) > 1:
            raise option_error(
                "--angle-errors", shown(" ".join(asked.angle_errors)), f"letters of {', '.join(letters)}"
            )


def _check_files(asked: FitOptions) -> None:
    from tiltwright.files.diagnostics import option_error
    from tiltwright.output.figure_style import picture_ending

    if asked.plan is not None and asked.form != "parameters":
        raise option_error("--plan", f"beside a {asked.form} file", "--plan with a saved parameter file only")
    if asked.plot is not None:
        picture_ending(asked.plot)
    if asked.page is not None and asked.page.suffix.lower() not in {".html", ".htm"}:
        raise option_error("--page", f'the ending "{asked.page.suffix}"', ".html, .htm")
    for option, path in (("--plot", asked.plot), ("--page", asked.page)):
        if path is not None and path.exists() and not asked.force:
            found = f"{path}, a file that is there already"
            raise option_error(option, found, "a new name, or --force to replace that file")


def _check_log(asked: FitOptions) -> None:
    from tiltwright.files.diagnostics import option_error
    from tiltwright.files.parsing import name_of, typed_celsius

    if asked.with_face and not asked.write:
        raise option_error("--with-face", "without --write", "--with-face with --write only")
    for option, given in (("--who", asked.who), ("--temperature", asked.temperature)):
        if given is not None and not asked.write:
            raise option_error(option, "without --write", f"{option} with --write only: it goes into the log")
    if asked.who is not None:
        name_of(asked.who, "--who")
    if asked.temperature is not None:
        typed_celsius(asked.temperature, "--temperature")


@contextlib.contextmanager
def _lock_if_writing(asked: FitOptions) -> Iterator[None]:
    """With --write, nobody else may change the machine file between reading it here and writing it."""
    if not asked.write or not Path(asked.machine).is_file():
        yield
        return
    from tiltwright.files.atomic_write import exclusive_lock

    with exclusive_lock(asked.machine):
        yield


def _run(asked: FitOptions) -> None:
    from kinematics.calibration import check_fit, outside_travels
    from tiltwright.calibration.apply import platter_lines
    from tiltwright.calibration.load_readings import load_readings
    from tiltwright.files.diagnostics import sanitized
    from tiltwright.files.loader import read_machine
    from tiltwright.terminal.streams import fail

    read = read_machine(asked.machine)
    _check_letters(asked, read)
    units = asked.units or read.unit.value
    sigma_mm = _above_zero_mm(asked.sigma, "--sigma", Unit(units))
    scale_mm = _above_zero_mm(asked.loss_scale, "--robust-beyond", Unit(units))
    gathered = load_readings(asked.readings, read.machine, asked.form, asked.rule, asked.plan)
    if "temperature" in asked.drifts and gathered.readings.temperature_c is None:
        fail(
            "--drift temperature: the readings have no temperatures; log one with each reading, in a column T_C or T_F"
        )
    outside = outside_travels(gathered.readings, read.machine)
    blunders = _plausible(_blunders(gathered.readings, read, sigma_mm), outside, read)
    fit, why_none = _fitted(asked, gathered, read, sigma_mm, scale_mm)
    if fit is None and not blunders and not outside:
        fail(f"{sanitized(asked.readings)}: {why_none}")
    if asked.with_face and fit is not None and fit.platter is None:
        fail("--with-face: the readings do not determine the platter's face; touch a face named platter")
    diagnostics = outside if fit is None else check_fit(fit)
    if any(one.proves_mistake for one in blunders):
        # A mistake in the readings looks like an error of an angle, or like a drift, as long as it is in them.
        diagnostics = tuple(one for one in diagnostics if one.kind not in {"angle error", "drift"})
    outcome = FitOutcome(
        fit, why_none, blunders, _corrected(asked, blunders, sigma_mm), diagnostics, _with_drift(asked, fit)
    )
    pasted = "" if fit is None else platter_lines(fit, read)
    _show(asked, outcome, gathered, units, pasted)
    if asked.plot is not None and fit is not None:
        _plot(asked, fit, units)
    if asked.page is not None:
        _page(asked, fit, units)
    _end(asked, read, gathered, outcome, units)


def _end(
    asked: FitOptions, read: ReadMachine, gathered: LoadedReadings, outcome: FitOutcome, units: str
) -> None:
    """Write the machine file or refuse to, and exit with 1 where a check failed."""
    from tiltwright.calibration.fit_wording import diagnostic_sentence
    from tiltwright.files.diagnostics import sanitized
    from tiltwright.terminal.streams import ANSWER_NO, say_no

    wrong = list(dict.fromkeys(outcome.wrong))
    if wrong:
        # What follows from the wrong unit, a line kilometres away, is no other fault to look for.
        told = [kind for kind in wrong if kind in _WHOLE_FILE] or wrong
        say_no(f"something is certainly wrong with these readings or with the machine: {', '.join(told)}")
    partly = [one for one in outcome.diagnostics if not one.certain]
    refused = False
    if asked.write and outcome.fit is not None and (asked.despite or not (wrong or partly)):
        _write(asked, read, outcome.fit, gathered, despite=bool(wrong or partly))
    elif asked.write:
        refused = True
        sentences = [diagnostic_sentence(one, units) for one in partly]
        why = "Put the readings right" if wrong else f"{' '.join(sentences)} Read more poses"
        say_no(
            f"{sanitized(asked.machine)} was not changed. {why}, or write it all the same with --write-anyway."
        )
    lines = () if outcome.fit is None else outcome.fit.lines
    moved = [line.letter for line in lines if any(one.verdict == "moved" for one in line.changes)]
    if asked.check and moved:
        say_no(f"moved since the machine file was written: {' and '.join(moved)}")
    if wrong or refused or outcome.fit is None or (asked.check and moved):
        raise typer.Exit(ANSWER_NO)


@dataclass(frozen=True)
class FitOutcome:
    """Outcome of one run."""

    fit: Fit | None
    why_none: str
    blunders: tuple[Blunder, ...]
    corrected: Fit | None
    diagnostics: tuple[FitDiagnostic, ...]
    with_drift: Fit | None = None
    """The fit with a drift adjusted along, where one could hide in these readings."""

    @property
    def wrong(self) -> list[str]:
        """Kinds of the certain faults, the classic mistakes first."""
        found = [blunder.kind for blunder in self.blunders if blunder.proves_mistake]
        return found + [one.kind for one in self.diagnostics if one.certain]


def _fitted(
    asked: FitOptions,
    gathered: LoadedReadings,
    read: ReadMachine,
    sigma_mm: float | None,
    scale_mm: float | None,
) -> tuple[Fit | None, str]:
    """The fit, or None and the reason."""
    from kinematics import KinematicsError
    from kinematics.calibration import fit_pivots
    from tiltwright.calibration.raw_readings import last_digit_mm

    try:
        fit = fit_pivots(
            gathered.readings,
            read.machine,
            sigma_mm=sigma_mm,
            floor_mm=last_digit_mm(gathered.taken) / 12.0**0.5,
            loss=asked.loss,
            loss_scale_mm=scale_mm,
            level=asked.level,
            angle_errors=asked.angle_errors,
            drifts=asked.drifts,
        )
    except KinematicsError as refusal:
        return None, str(refusal)
    return fit, ""


def _blunders(readings: Readings, read: ReadMachine, sigma_mm: float | None) -> tuple[Blunder, ...]:
    """Gross errors of single rows first; an unexplained one only where no classic mistake explains it."""
    from kinematics import KinematicsError
    from kinematics.calibration import find_blunders, find_gross_errors

    gross = find_gross_errors(readings, read.machine)
    slips = tuple(one for one in gross if one.kind != "reading far off")
    rest = slips[-1].corrected if slips else readings
    try:
        more = find_blunders(rest, read.machine, sigma_mm=sigma_mm)
    except KinematicsError:
        # The search gave up; the gross errors are found all the same, and the fit says why it fails.
        more = ()
    return (*slips, *more) if more else gross


def _plausible(
    blunders: tuple[Blunder, ...], outside: Sequence[FitDiagnostic], read: ReadMachine
) -> tuple[Blunder, ...]:
    """The mistakes that stand while readings lie where the spindle cannot have been.

    Such a reading is wrong as it stands, and what else seems to be wrong comes of it; but what brings all of
    them back inside the travels explains them: another unit, columns swapped, the sign of a single row.
    """
    from kinematics.calibration import outside_travels

    if not outside:
        return blunders
    kept = tuple(one for one in blunders if one.kind not in _OF_THE_TABLE)
    return kept if kept and not outside_travels(kept[-1].corrected, read.machine) else ()


_OF_THE_TABLE = frozenset(
    {
        "sense reversed",
        "columns swapped",
        "targets confused",
        "target slipped",
        "zero moved",
        "zero moved repeatedly",
        "radius left on",
        "ball read at its top",
    }
)
"""Mistakes that leave every reading where the display showed it."""
_HIDDEN_MM = 0.01
"""Drift, in mm, that should not hide in a calibration. Common practice: a machine warming up moves so much and more."""


def _with_drift(asked: FitOptions, fit: Fit | None) -> Fit | None:
    """The fit with a drift in the readings' order adjusted along, where one of a hundredth may hide; else None."""
    from kinematics import KinematicsError
    from kinematics.calibration import fit_pivots

    if fit is None or fit.covariance is None:
        return None
    hidden = [
        one
        for one in fit.drifts
        if one.by == "order"
        and not one.significant
        and (one.detectable_mm is None or one.detectable_mm > _HIDDEN_MM)
    ]
    if not hidden:
        return None
    try:
        found = fit_pivots(
            fit.readings,
            fit.machine,
            sigma_mm=fit.sigma_mm if fit.sigma_stated and fit.readings.sigma_mm is None else None,
            level=fit.level,
            angle_errors=asked.angle_errors,
            drifts=(*asked.drifts, "order"),
        )
    except KinematicsError:
        return None
    return found if found.covariance is not None else None


def _corrected(asked: FitOptions, blunders: Sequence[Blunder], sigma_mm: float | None) -> Fit | None:
    """The fit with the mistakes put right, or None."""
    from kinematics import KinematicsError
    from kinematics.calibration import fit_pivots

    if not blunders:
        return None
    last = blunders[-1]  # each is on top of those before it
    try:
        return fit_pivots(
            last.corrected,
            last.corrected_machine,
            sigma_mm=sigma_mm,
            level=asked.level,
            angle_errors=asked.angle_errors,
            drifts=asked.drifts,
        )
    except KinematicsError:
        return None


def _show(asked: FitOptions, outcome: FitOutcome, gathered: LoadedReadings, units: str, pasted: str) -> None:
    from tiltwright.calibration import fit_report, fit_text
    from tiltwright.output.json_csv import json_text

    blunders, diagnostics = outcome.blunders, outcome.diagnostics
    if asked.as_json:
        source = {"file": asked.readings, "sha256": gathered.sha256}
        report = (
            fit_report.no_fit_report(outcome.why_none, blunders, units, diagnostics, **source)
            if outcome.fit is None
            else fit_report.fit_report(
                outcome.fit, blunders, units, diagnostics, with_drift=outcome.with_drift, **source
            )
        )
        typer.echo(json_text(report), nl=False)
        return
    if blunders:
        typer.echo(fit_text.blunder_text(blunders, outcome.corrected, units) + "\n")
    elif any(one.certain for one in diagnostics):
        typer.echo(fit_text.diagnostic_text(diagnostics, units) + "\n")
    if _worthless(blunders, diagnostics):
        typer.echo(
            "No numbers are shown for the readings as they stand: all of them would be wrong.\n"
            "Put the file right and run it again."
        )
    elif outcome.fit is None:
        typer.echo(
            fit_text.in_columns(f"As they stand, no fit to these readings is possible: {outcome.why_none}")
        )
    else:
        typer.echo(fit_text.fit_text(outcome.fit, units, asked.readings, pasted, outcome.with_drift))


def _worthless(blunders: Sequence[Blunder], diagnostics: Sequence[FitDiagnostic]) -> bool:
    """True where no number of the fit would have a meaning: the wrong unit, or most rows outside the travels."""
    return any(one.certain and one.kind in _WHOLE_FILE for one in blunders) or any(
        one.kind == "outside the travels" and 2 * len(one.rows) > one.readings for one in diagnostics
    )


_WHOLE_FILE = frozenset({"inches for millimetres", "millimetres for inches"})
"""Mistakes that leave no number of a fit with a meaning."""


def _celsius(text: str | None) -> float | None:
    from tiltwright.files.parsing import typed_celsius

    return None if text is None else typed_celsius(text, "--temperature")


def _plot(asked: FitOptions, answer: Fit, units: str) -> None:
    from tiltwright.calibration.plots import fit_plot
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.terminal.streams import note

    assert asked.plot is not None
    write_atomic(asked.plot, fit_plot(answer, units, asked.plot.suffix.lower()), force=asked.force)
    note(f"{asked.plot} written", label="done")


def _page(asked: FitOptions, answer: Fit | None, units: str) -> None:
    from tiltwright.files.atomic_write import write_atomic
    from tiltwright.terminal.streams import note

    assert asked.page is not None
    if answer is None or asked.page_html is None:
        note(f"{asked.page} was not written: there is no fit to show")
        return
    write_atomic(asked.page, asked.page_html(answer, units), force=asked.force)
    note(f"{asked.page} written; open it in a browser", label="done")


def _write(
    asked: FitOptions, read: ReadMachine, answer: Fit, gathered: LoadedReadings, *, despite: bool
) -> None:
    from tiltwright.calibration.apply import OFFSETS_ARE_OLD, apply_fit
    from tiltwright.calibration.calibration_log import log_path
    from tiltwright.terminal.streams import note

    entry = apply_fit(
        read,
        answer,
        who=None if asked.who is None else asked.who.strip(),
        temperature_c=_celsius(asked.temperature),
        file=asked.readings,
        sha256=gathered.sha256,
        despite=despite,
        with_face=asked.with_face,
    )
    note(f"{asked.machine} written; calibration {entry.number} in {log_path(read.path)}", label="done")
    note(OFFSETS_ARE_OLD)
    note(f"to go back: tiltwright pivot restore {entry.number - 1} --machine {asked.machine}")
    if answer.outliers:
        rows = ", ".join(str(one.row) for one in answer.outliers)
        note(
            f"row {rows} is suspect and was used all the same: read again, then write again", label="caution"
        )
