"""A correction written into its job, or taken out again: the file's comments and order stay, and a log says who and when."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit

from kinematics.uncertainty import OffsetCorrection
from tiltwright.calibration.calibration_log import sealed_line, sha256_of
from tiltwright.files.atomic_write import check_target, exclusive_lock, write_all
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import ReadJob, job_from_text
from tiltwright.job.evaluate import evaluate_nests
from tiltwright.uncertainty.correct_run import Candidate, JobCorrection
from tiltwright.uncertainty.evaluation import UncertainJob
from tiltwright.uncertainty.measured_table import MeasuredTable

__all__ = [
    "correction_log_path",
    "refuse_measured_twice",
    "undo_correction",
    "with_correction",
    "write_correction",
]

SCHEMA = "tiltwright.correction/1"
_DECIMALS = 9
"""Of written coordinates: they are compared with what stack and machine give when the job is read."""

_REMARK = "written by tiltwright correct; tiltwright correct JOB --undo takes it out"


def correction_log_path(job_path: str | os.PathLike[str]) -> Path:
    """Path of a job's log of corrections, beside the job itself.

    Examples
    --------
    >>> correction_log_path("/shop/dome.toml").name
    'dome.corrections.jsonl'
    """
    real = Path(os.path.realpath(job_path))
    return real.with_name(f"{real.name.removesuffix('.toml')}.corrections.jsonl")


def with_correction(text: str, correction: Mapping[str, Any] | None) -> str:
    r"""A job file's text with another [correction], at its end; None takes it out. All else stays as it is.

    Raises
    ------
    ValueError
        When the text does not come out as it should.

    Examples
    --------
    >>> text = 'name = "cap"  # ours\n'
    >>> put = with_correction(text, {"cause": "post: up", "offset": [{"operation": "top", "before": [0.0], "after": [0.1]}]})
    >>> print(put, end="")
    name = "cap"  # ours
    <BLANKLINE>
    [correction] # written by tiltwright correct; tiltwright correct JOB --undo takes it out
    cause = "post: up"
    <BLANKLINE>
    [[correction.offset]]
    operation = "top"
    before = [0.0]
    after = [0.1]
    >>> with_correction(put, None) == text
    True
    """
    changed = _without_correction(text)
    if correction is not None:
        block = tomlkit.dumps({"correction": _plain_table(correction)})
        block = block.replace("[correction]", f"[correction] # {_REMARK}", 1)
        # One line end before it, whether the text ends with one or not: taken out again, the text is as it was.
        block = f"\n{block}".replace("\r\n", "\n")
        changed += block.replace("\n", "\r\n") if "\r\n" in text else block
    wanted = tomllib.loads(text)
    wanted.pop("correction", None)
    if correction is not None:
        wanted["correction"] = correction
    if tomllib.loads(changed) != wanted:
        raise ValueError("the job file's text did not take the correction; nothing was written")
    return changed


def _without_correction(text: str) -> str:
    """A job file's text without its [correction]; what stands before it, and remarks after it, to the byte."""
    data = tomllib.loads(text)
    if "correction" not in data:
        return text
    del data["correction"]
    for header in re.finditer(r"^\[ *correction *\]", text, re.MULTILINE):
        before, lines = text[: header.start()], text[header.start() :].splitlines(keepends=True)
        while lines and (not lines[-1].strip() or lines[-1].lstrip().startswith("#")):
            lines.pop()
        after = text[header.start() + len("".join(lines)) :]
        ending = "\r\n" if before.endswith("\r\n") else "\n"
        before = before.removesuffix(ending)
        if after and before and not before.endswith("\n"):
            before += ending
        if _reads(before + after) == data:
            return before + after
    # Somebody has moved it, or written more below it.
    document = tomlkit.parse(text)
    document.remove("correction")
    return tomlkit.dumps(document)


def _reads(text: str) -> dict[str, Any] | None:
    """Content of a text; None where it is not whole."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _plain_table(correction: Mapping[str, Any]) -> tomlkit.items.Table:
    table = tomlkit.table()
    for key, value in correction.items():
        if key != "offset":
            table.add(key, value)
    offsets = tomlkit.aot()
    for one in correction["offset"]:
        entry = tomlkit.table()
        for key, value in one.items():
            entry.add(key, value)
        offsets.append(entry)
    table.add("offset", offsets)
    return table


def _correction_table(found: JobCorrection, chosen: Candidate, who: str | None, date: str) -> dict[str, Any]:
    """The entries of [correction], lengths in the job's unit."""
    job = found.job
    unit = job.views[0].job.unit

    def written(at_mm: Any) -> list[float]:  # noqa: ANN401 - three numbers
        return [round(unit.from_mm(float(value)), _DECIMALS) + 0.0 for value in at_mm]

    before = job.uncorrected_mm
    offsets, operations = chosen.offsets, job.model.operations
    turn = [round(degrees, _DECIMALS) + 0.0 for degrees in _turns(offsets, job.model.operations_by_nest)]
    alike = len(set(turn)) == 1
    after = before + offsets.shift_mm
    return {
        "date": date,
        "measured": Path(found.table.file).name,
        "cause": chosen.named_in(job.model, unit.value),
        **({} if who is None else {"who": who}),
        **({"turn": turn[0]} if offsets.turns and alike else {}),
        "offset": [
            {
                "operation": one.name,
                **({} if one.nest is None else {"nest": one.nest}),
                "before": written(before[k]),
                "after": written(after[k]),
                **({} if alike else {"turn": turn[k]}),
            }
            for k, one in enumerate(operations)
        ],
    }


def _turns(offsets: OffsetCorrection, nests: Mapping[str | None, Sequence[int]]) -> list[float]:
    """Each operation's turn; where those of all, or of a nest, count as one clocking, one value for them."""
    turn: list[float] = offsets.turn_deg.tolist()
    for alike in (range(len(turn)), *nests.values()):
        if offsets.turns_alike(alike):
            for k in alike:
                turn[k] = turn[alike[0]]
    return turn


def _measured_sha256(file: str | os.PathLike[str]) -> str:
    return sha256_of(Path(file).read_bytes().decode("utf-8", "replace"))


def _deviations_sha256(table: MeasuredTable, job: UncertainJob) -> str:
    """A mark of what a table says, however it is written: rows in any order, in either unit, to a hundredth of a micrometre."""
    said = sorted(
        repr(
            (
                job.feature_names[one.feature][:3],
                one.serial,
                np.round(one.along, 6).tolist(),
                round(value, 5) + 0.0,
            )
        )
        for one, value in zip(table.measured.deviations, table.found_mm, strict=True)
    )
    return sha256_of("\n".join(said))


def refuse_measured_twice(read: ReadJob, table: MeasuredTable, job: UncertainJob) -> None:
    """Refuse deviations that a correction in force already comes from: they would be put in twice.

    Deviations are taken for those of a part that was cut with the correction; the table of the part before it says nothing
    of such a part. A spreadsheet that saves the table anew changes its bytes and not what it says.

    Raises
    ------
    InputFaults
        When the job's log has such a table for a correction that is in force, or has a line that is cut off.
    """
    if read.file.correction is None:
        return
    log, measured = correction_log_path(read.path), table.file
    wanted = {"sha256": _measured_sha256(measured), "deviations_sha256": _deviations_sha256(table, job)}
    for entry in _in_force(log):
        was = entry.get("measured")
        if isinstance(was, dict) and any(was.get(key) == mark for key, mark in wanted.items()):
            found = f"the deviations that the correction of {str(entry.get('date'))[:10]} comes from, which is in force"
            wanted_words = "deviations of a part that was cut with the corrected offsets"
            tip = (
                "the same deviations are not taken out twice: cut a part with the offsets as they are now and measure it, or "
                "take the correction out first: tiltwright correct JOB --undo"
            )
            raise InputFaults([Diagnostic(str(measured), None, "", found, wanted_words, tip)])


def _in_force(log: Path) -> list[dict[str, Any]]:
    """The lines of the corrections that stand upon each other in the job now, the latest first."""
    if not log.is_file():
        return []
    lines = log.read_bytes().decode("utf-8", "replace").splitlines()
    found = []
    for number in range(len(lines), 0, -1):
        try:
            entry = json.loads(lines[number - 1])
        except ValueError:
            entry = None
        if not isinstance(entry, dict):
            what = "a line that cannot be read: it was cut off or changed"
            raise InputFaults([Diagnostic(str(log), number, "", what, "whole lines", "mend that line")])
        if entry.get("action") == "undo":
            break
        found.append(entry)
        if entry.get("before") is None:
            break
    return found


def write_correction(read: ReadJob, found: JobCorrection, *, who: str | None, despite: bool) -> Path:
    """Write the chosen correction into its job, with a line in the log beside it.

    Returns
    -------
    Path
        Of the log.

    Raises
    ------
    InputFaults
        When the job file has changed since it was read, or cannot be written.
    """
    assert found.chosen is not None
    date = datetime.now().astimezone().isoformat(timespec="seconds")
    table = _correction_table(found, found.chosen, who, date)
    deviations = found.table.measured.deviations
    said = {
        "date": date,
        "action": "correct",
        "who": who,
        "measured": {
            "file": found.table.file,
            "sha256": _measured_sha256(found.table.file),
            "deviations_sha256": _deviations_sha256(found.table, found.job),
            "count": len(deviations),
        },
        "cause": found.chosen.name,
        "despite_rivals": despite,
        "correction": table,
    }
    return _write(read, table, said)


def undo_correction(read: ReadJob, *, who: str | None) -> Path:
    """Take a job's correction out, with a line in the log beside it.

    Raises
    ------
    InputFaults
        When there is none, the job file has changed since it was read, or it cannot be written.
    """
    if read.file.correction is None:
        raise InputFaults(
            [
                Diagnostic(
                    str(read.path),
                    None,
                    "correction",
                    "no [correction]",
                    "one that correct --write put there",
                )
            ]
        )
    date = datetime.now().astimezone().isoformat(timespec="seconds")
    return _write(read, None, {"date": date, "action": "undo", "who": who})


def _write(read: ReadJob, table: Mapping[str, Any] | None, said: Mapping[str, Any]) -> Path:
    path, log = read.path, correction_log_path(read.path)
    with exclusive_lock(path):
        text = _text_now(read)
        try:
            changed = with_correction(text, table)
        except ValueError as refusal:
            raise InputFaults(
                [Diagnostic(str(path), None, "correction", str(refusal), "a file that can be edited")]
            ) from None
        if table is not None:
            # What is to be written must be read, and count, before anything is replaced.
            evaluate_nests([job_from_text(str(path), path, changed)])
        check_target(path, force=True, edits=True)
        old = log.read_bytes() if log.exists() else b""
        if old and not old.endswith(b"\n"):
            found = "a last line without an end: it was cut off"
            tip = "mend or take out that line; the others are whole"
            raise InputFaults([Diagnostic(str(log), old.count(b"\n") + 1, "", found, "whole lines", tip)])
        record = {
            "schema": SCHEMA,
            **said,
            "job": read.file.name,
            "units": read.unit.value,
            "before": read.source.data.get("correction"),
            "file_before_sha256": sha256_of(text),
            "file_after_sha256": sha256_of(changed),
        }
        line, _ = sealed_line(old.count(b"\n") + 1, record)
        mark = b"\xef\xbb\xbf" if path.read_bytes().startswith(b"\xef\xbb\xbf") else b""
        write_all(
            {log: old + line, path: mark + changed.encode("utf-8")}, force=True, edits=True, marked=False
        )
    return log


def _text_now(read: ReadJob) -> str:
    """The file's text, which must still be the one that was read."""
    found = "a file that somebody has changed in the meantime"
    changed = InputFaults(
        [
            Diagnostic(
                str(read.path),
                None,
                "",
                found,
                "the file as it was read",
                "nothing of theirs is lost: run this again",
            )
        ]
    )
    try:
        text = read.path.read_bytes().decode("utf-8").removeprefix("\ufeff")
    except (OSError, UnicodeDecodeError):
        raise changed from None
    if text != read.source.text:
        raise changed
    return text
