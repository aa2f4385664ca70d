"""Load readings from a table, a control's log or a list of saved parameters."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from kinematics import Machine
from kinematics.calibration import Readings
from tiltwright.calibration.raw_readings import RawReadings, readings_of
from tiltwright.files.csv_source import decoded
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import refuse_other_kind
from tiltwright.files.toml_source import load, read_bytes, read_text

__all__ = ["Form", "LoadedReadings", "file_format", "load_readings", "text_of"]

Form = Literal["table", "log", "parameters"]

_LARGEST_MB = 4
"""Eighty thousand readings: 150,000 were fitted in 155 s and 700 MB, and a day of probing gives a few hundred."""
_FEWER = "a few hundred readings do; take a share of them"
_FEWEST_SEPARATORS = 4
"""Of a table's head: kind, target, one rotary, X, Y and Z are five; one may be missing."""


@dataclass(frozen=True, eq=False)
class LoadedReadings:
    """Readings, and the file they came from.

    Attributes
    ----------
    taken : Taken
    readings : Readings
        In millimetres.
    sha256 : str
        Of the file's bytes.
    """

    taken: RawReadings
    readings: Readings
    sha256: str


def file_format(path: str, stated: str | None, *, with_rule: bool) -> Form:
    """The form of a file: as stated, or a log where a rule comes with it, or by its content.

    A list of numbers and values is one of parameters, whatever the file is called; columns make a table.

    Raises
    ------
    InputFaults
        Where it cannot be decided, or a rule and another form contradict each other.

    Examples
    --------
    >>> file_format("ball.csv", "table", with_rule=False), file_format("probe.txt", None, with_rule=True)
    ('table', 'log')
    """
    forms = {"table", "log", "parameters"}
    if stated is not None and stated not in forms:
        raise InputFaults([Diagnostic("--as", None, "", f'"{stated}"', '"table", "log" or "parameters"')])
    form = stated or ("log" if with_rule else _form_of(path))
    if form == "log" and not with_rule:
        tip = "a few lines of TOML: units, line, and what the lines do not say"
        raise InputFaults(
            [Diagnostic(path, None, "", "a log without a rule", "--rule FILE: how a line is read", tip)]
        )
    if form != "log" and with_rule:
        raise InputFaults(
            [Diagnostic("--rule", None, "", f"a rule beside a {form} file", "a rule with a log only")]
        )
    return "table" if form == "table" else "log" if form == "log" else "parameters"


def _form_of(path: str) -> Form:
    """The form of a file by its content."""
    from tiltwright.calibration.parameter_file import is_parameter_list

    wanted = "a file of readings"
    text = _without_zeros(path, decoded(path, read_bytes(path, wanted, _LARGEST_MB, _FEWER)), wanted)
    if is_parameter_list(text):
        return "parameters"
    head = next((line for line in text.splitlines() if line.strip()), "")
    columns = max(head.count(separator) for separator in ",;\t")
    if columns >= _FEWEST_SEPARATORS or Path(path).suffix.lower() in {".csv", ".tsv"}:
        return "table"
    if Path(path).suffix.lower() == ".log":
        return "log"
    if Path(path).suffix.lower() == ".toml":
        refuse_other_kind(load(path, wanted), wanted)
    found = "neither columns nor a list of numbers and values"
    allowed = "a table, a list of saved parameters, or a log with --rule"
    tip = "say which it is: --as table, log or parameters"
    raise InputFaults([Diagnostic(path, None, "", found, allowed, tip)])


def load_readings(
    path: str, machine: Machine, form: Form, rule_path: str | None = None, plan_path: str | None = None
) -> LoadedReadings:
    """Load a file of readings.

    Parameters
    ----------
    path : str
    machine : Machine
    form : {"table", "log", "parameters"}
    rule_path : str, optional
        Of a log.
    plan_path : str, optional
        Of saved parameters: the plan that its program was made from, for the targets' names and directions.

    Raises
    ------
    InputFaults
        With every fault.
    """
    wanted = "a file of readings"
    if form == "table":
        from tiltwright.calibration.readings_csv import read_table

        raw = read_bytes(path, wanted, _LARGEST_MB, _FEWER)
        taken = read_table(path, _without_zeros(path, decoded(path, raw), wanted), machine.letters)
        return LoadedReadings(taken, readings_of(taken, machine), hashlib.sha256(raw).hexdigest())
    text, sha256 = text_of(path, wanted)
    if form == "log":
        from tiltwright.calibration.probe_log import read_probe_log, read_rule

        assert rule_path is not None
        taken = read_probe_log(path, text, read_rule(rule_path, machine.letters), machine.letters)
    else:
        taken = _kept(path, text, machine, plan_path)
    return LoadedReadings(taken, readings_of(taken, machine), sha256)


def _kept(path: str, text: str, machine: Machine, plan_path: str | None) -> RawReadings:
    from dataclasses import replace

    from tiltwright.calibration.parameter_file import read_kept

    if plan_path is None:
        return read_kept(path, text, machine.letters)
    from tiltwright.calibration.plan import read_plan

    plan = read_plan(plan_path, machine)
    names = {i: (target.name, target.kind.value) for i, target in enumerate(plan.targets, start=1)}
    directions = {target.name: target.direction for target in plan.targets}
    taken = read_kept(path, text, machine.letters, names)
    rows = tuple(replace(row, direction=directions[row.target]) for row in taken.rows)
    return replace(taken, rows=rows)


def text_of(path: str, wanted: str) -> tuple[str, str]:
    """A file's text and the SHA-256 of its bytes.

    Raises
    ------
    InputFaults
        When it is missing, a folder, unreadable, too large or not UTF-8 text.
    """
    text, raw = read_text(path, wanted, _LARGEST_MB)
    return _without_zeros(path, text, wanted), hashlib.sha256(raw).hexdigest()


def _without_zeros(path: str, text: str, wanted: str) -> str:
    """The text, unless there is a byte 0 in it."""
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise InputFaults([Diagnostic(path, line, "", "a byte 0, as in files that are no text", wanted)])
    return text
