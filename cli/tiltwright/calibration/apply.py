"""Write a calibration to machine file and log, or restore one, atomically and under a lock."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np

from kinematics.calibration import Fit
from tiltwright.calibration.calibration_log import (
    POINT_DECIMALS,
    SCHEMA,
    CalibrationRecord,
    appended,
    log_path,
    platter_at,
    read_log,
    sha256_of,
)
from tiltwright.calibration.fit_report import fit_report
from tiltwright.calibration.toml_edit import Line, lines_in, platter_in, with_lines
from tiltwright.files.atomic_write import check_target, write_all
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import ReadMachine, caution_implausible, machine_from_text

__all__ = [
    "OFFSETS_ARE_OLD",
    "apply_fit",
    "new_lines",
    "new_platter",
    "platter_lines",
    "restore",
    "write_calibration",
]

OFFSETS_ARE_OLD = "the work offsets on the control are still the old ones: print and load those of every job on this machine again"
"""The reminder once other lines stand in the machine file."""

_DIRECTION_DECIMALS = 10
"""A tenth of a millionth of a degree; with a metre to the work, a ten-millionth of a millimetre."""


def new_lines(fit: Fit, read: ReadMachine) -> dict[str, Line]:
    """Entries of each line for the machine file; a line that did not change keeps its very text."""
    lines = lines_in(read.source.data)
    for line in fit.lines:
        old = lines[line.letter]
        if not np.allclose(line.point_mm, line.old_point_mm, rtol=0.0, atol=1e-9):
            decimals = POINT_DECIMALS[read.unit]
            old["point"] = [round(read.unit.from_mm(float(v)), decimals) + 0.0 for v in line.point_mm]
        if not np.allclose(line.direction, line.old_direction, rtol=0.0, atol=1e-12):
            old.pop("along", None)
            old["direction"] = [round(float(v), _DIRECTION_DECIMALS) + 0.0 for v in line.direction]
    return lines


def new_platter(fit: Fit, read: ReadMachine) -> dict[str, Any] | None:
    """Entries of the platter's face and normal for the machine file; None where the readings do not determine them."""
    if fit.platter is None:
        return None
    found = platter_in(read.source.data)
    decimals = POINT_DECIMALS[read.unit]
    found["face"] = round(read.unit.from_mm(fit.platter.face.value), decimals) + 0.0
    if fit.platter.normal_estimable:
        found["normal"] = [round(float(v), _DIRECTION_DECIMALS) + 0.0 for v in fit.platter.normal]
    return found


def platter_lines(fit: Fit, read: ReadMachine) -> str:
    """The [platter] lines of the machine file, in its unit, ready to paste; empty where nothing determines them."""
    found = new_platter(fit, read)
    if found is None:
        return ""
    lines = [f"  face = {found['face']}"]
    if fit.platter is not None and fit.platter.normal_estimable:
        lines.append(f"  normal = [{', '.join(f'{value:.10f}' for value in found['normal'])}]")
    head = "For the machine file, by hand or with --write --with-face:"
    return "\n".join([head, "  [platter]", *lines])


def apply_fit(
    read: ReadMachine,
    fit: Fit,
    *,
    with_face: bool = False,
    who: str | None,
    temperature_c: float | None,
    file: str,
    sha256: str,
    despite: bool,
) -> CalibrationRecord:
    """Write a fit's lines to its machine file and log it; call under `exclusive_lock`.

    Raises
    ------
    InputFaults
        When the machine file has changed since it was read, or cannot be written.
    """
    report = fit_report(fit, (), read.unit.value, file=file, sha256=sha256)
    result = {
        key: report[key]
        for key in ("dof", "sigma", "sigma_stated", "level", "loss", "rotary", "covariance", "held")
    }
    said = {
        "who": who,
        "temperature_c": temperature_c,
        "readings": {"file": file, "sha256": sha256, "count": len(fit.readings)},
        "despite_blunders": despite,
        "result": result,
    }
    platter = new_platter(fit, read) if with_face else None
    return write_calibration(read, new_lines(fit, read), "fit", said, platter)


def restore(read: ReadMachine, number: int, *, who: str | None, edited: bool = False) -> CalibrationRecord:
    """Restore the lines of an earlier calibration; 0 is the state before the first. Call under `exclusive_lock`.

    Parameters
    ----------
    read : ReadMachine
    number : int
    who : str or None
        For the log.
    edited : bool
        Whether a record that was changed after it was written may be used.

    Raises
    ------
    InputFaults
        When there is no such calibration, it never reached the file or was edited since, or the machine's rotaries have
        changed since.
    """
    entries = read_log(read.path)
    if not entries:
        found = "no log of calibrations beside it"
        allowed = "a machine file that `pivot fit --write` wrote"
        raise InputFaults([Diagnostic(str(read.path), None, "", found, allowed, missing=True)])
    if not 0 <= number <= len(entries):
        allowed = f"0 (before the first) to {len(entries)}"
        raise InputFaults([Diagnostic("NUMBER", None, "", str(number), allowed, "see: tiltwright pivot log")])
    entry = entries[max(number - 1, 0)]
    _check_usable(read, entry, number, edited=edited)
    lines = entry.lines_in_unit(read.unit, before=number == 0)
    now = lines_in(read.source.data)
    if set(lines) != set(now):
        found = f"rotaries {', '.join(lines)} in the log, {', '.join(now)} in the file"
        raise InputFaults([Diagnostic(str(read.path), None, "", found, "the same rotaries as then")])
    said = {"who": who, "restored": number}
    return write_calibration(read, lines, "restore", said, platter_at(entries, number, read.unit))


def _check_usable(read: ReadMachine, entry: CalibrationRecord, number: int, *, edited: bool) -> None:
    """Refuse a record that the machine file never had, and one that is no longer what was written."""
    log = str(log_path(read.path))
    if number and not entry.applied:
        found = f"calibration {number}, which never reached the machine file: its command was stopped"
        raise InputFaults([Diagnostic(log, None, "", found, "one that did", "see: tiltwright pivot log")])
    if entry.edited and not edited:
        found = f"calibration {entry.number}, which was edited after it was written"
        tip = "compare its numbers with your notes; --edited restores it all the same"
        raise InputFaults([Diagnostic(log, None, "", found, "a record as it was written", tip)])


def write_calibration(
    read: ReadMachine,
    lines: Mapping[str, Line],
    action: str,
    said: Mapping[str, Any],
    platter: Mapping[str, Any] | None = None,
) -> CalibrationRecord:
    """Write log and machine file: both are whole on the disk before the first of them gets its name.

    The new machine file must be sound before anything is replaced. After a power cut between the two names the hashes
    in the log show that its last record never reached the machine file.
    """
    path = read.path
    entries = read_log(path)
    text = _text_now(read)
    try:
        changed = with_lines(text, lines, platter)
    except ValueError as refusal:
        raise InputFaults(
            [Diagnostic(str(path), None, "", str(refusal), "a file that can be edited")]
        ) from None
    record = {
        "schema": SCHEMA,
        "date": datetime.now().astimezone().isoformat(timespec="seconds"),
        "action": action,
        "machine": read.file.name,
        "units": read.unit.value,
        **said,
        "before": lines_in(read.source.data),
        "lines": dict(lines),
        **(
            {}
            if platter is None
            else {"platter_before": platter_in(read.source.data), "platter": dict(platter)}
        ),
        "file_before_sha256": sha256_of(text),
        "file_after_sha256": sha256_of(changed),
    }
    caution_implausible(machine_from_text(str(path), path, changed))
    check_target(path, force=True, edits=True)
    log, entry = appended(path, entries, record)
    _text_now(read)
    write_all({log_path(path): log, path: _bytes_like(read, changed)}, force=True, edits=True, marked=False)
    return entry


def _text_now(read: ReadMachine) -> str:
    """The file's text, which must still be the one that was read."""
    try:
        text = read.path.read_bytes().decode("utf-8").removeprefix("\ufeff")
    except (OSError, UnicodeDecodeError):
        raise _changed(read) from None
    if text != read.source.text:
        raise _changed(read)
    return text


def _changed(read: ReadMachine) -> InputFaults:
    found = "a file that somebody has changed in the meantime"
    tip = "nothing of theirs is lost: run this again"
    return InputFaults([Diagnostic(str(read.path), None, "", found, "the file as it was read", tip)])


def _bytes_like(read: ReadMachine, text: str) -> bytes:
    """With the byte order mark that the file had, if it had one."""
    mark = b"\xef\xbb\xbf" if read.path.read_bytes().startswith(b"\xef\xbb\xbf") else b""
    return mark + text.encode("utf-8")
