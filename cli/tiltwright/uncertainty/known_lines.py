"""Lines and platter as the machine's log of calibrations knows them, as a source of uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics import KinematicsError, table_frame
from kinematics.uncertainty import SetupModel, UncertaintySource
from tiltwright.calibration.calibration_log import CalibrationRecord, is_current, log_path, read_log
from tiltwright.files.diagnostics import Diagnostic, InputFaults, sanitized
from tiltwright.files.loader import ReadMachine
from tiltwright.files.units import Unit

__all__ = ["CalibrationSource", "calibration_source"]


@dataclass(frozen=True, eq=False)
class CalibrationSource:
    """The last calibration as a source, and what it leaves out.

    Attributes
    ----------
    source : UncertaintySource or None
        None where there is no calibration that fits the machine file.
    number : int
        Its place in the log, from 1; 0 where there is none.
    date : str
    held : tuple of str
        What its readings did not determine, in words.
    edited : bool
        True where the machine file's lines are no longer those that the log wrote last.
    platter : bool
        True where it speaks of the platter's face too.
    """

    source: UncertaintySource | None = None
    number: int = 0
    date: str = ""
    held: tuple[str, ...] = ()
    edited: bool = False
    platter: bool = False


def calibration_source(read: ReadMachine, model: SetupModel) -> CalibrationSource:
    """Find the calibration that the machine file's lines come from, and its joint covariance of lines and platter.

    Raises
    ------
    InputFaults
        When the log cannot be read, or holds a covariance that cannot be one.
    """
    entries = read_log(read.path)
    if not entries:
        return CalibrationSource()
    if not is_current(read, entries):
        return CalibrationSource(edited=True)
    record = _behind(entries)
    result = None if record is None else record.said.get("result")
    if record is None or not isinstance(result, dict):
        return CalibrationSource()
    try:
        found = _source(record, result, model)
    except (KinematicsError, KeyError, TypeError, ValueError, IndexError) as refusal:
        where = str(log_path(read.path))
        tip = "probe again and run pivot fit --write, or pivot restore an earlier one"
        raise InputFaults(
            [
                Diagnostic(
                    where,
                    record.number,
                    "result, covariance",
                    sanitized(str(refusal)) or "one of another shape",
                    "the covariance that pivot fit writes",
                    tip,
                )
            ]
        ) from None
    held = tuple(sanitized(one) for one in result.get("held", ()) if isinstance(one, str))
    platter = found is not None and any(one.kind == "platter face" for one in found.quantities)
    return CalibrationSource(
        found, record.number if found else 0, record.said["date"][:10], held if found else (), platter=platter
    )


def _behind(entries: list[CalibrationRecord]) -> CalibrationRecord | None:
    """The fit that the last record's lines come from: a restored one counts as what it restored."""
    here: CalibrationRecord | None = entries[-1]
    while here is not None and here.said["action"] == "restore":
        number = here.said.get("restored")
        if not isinstance(number, int) or not 0 < number < here.number:
            return None
        here = entries[number - 1]
    return here


def _source(record: CalibrationRecord, result: dict[str, Any], model: SetupModel) -> UncertaintySource | None:
    stated = result["covariance"]
    if stated["matrix"] is None:
        return None
    unit = Unit(record.said["units"]).mm
    count = len(model.machine.rotaries)
    across = np.array(stated["across"], dtype=np.float64)
    if across.shape != (count, 2, 3):
        raise ValueError(f"found directions of shape {across.shape}; allowed: ({count}, 2, 3)")
    platter = stated.get("platter") if "platter" in record.said else None
    matrix = np.array(stated["matrix"] if platter is None else platter["matrix"], dtype=np.float64)
    wanted = 4 * count + (0 if platter is None else 4)
    if matrix.shape != (wanted, wanted):
        raise ValueError(f"a matrix of shape {matrix.shape} for {wanted} numbers")
    to_model = np.zeros((4 * count + (0 if platter is None else 3), wanted))
    quantities = []
    for i, rotary in enumerate(model.machine.rotaries):
        # The log's directions across the line and the model's differ where the line has turned since.
        turned = model.line_basis[i] @ across[i].T
        at = 4 * i
        to_model[at : at + 2, at : at + 2] = unit * turned
        to_model[at + 2 : at + 4, at + 2 : at + 4] = np.degrees(turned)
        quantities += [
            *model.of_kind("line shift", rotary.letter),
            *model.of_kind("line tilt", rotary.letter),
        ]
    if platter is not None:
        to_model[4 * count, 4 * count] = unit
        quantities += model.of_kind("platter face")
        if "normal" in record.said["platter"]:
            axes = table_frame(model.machine).rotation
            to_model[4 * count + 1, 4 * count + 1 :] = -np.degrees(axes[:, 1])
            to_model[4 * count + 2, 4 * count + 1 :] = np.degrees(axes[:, 0])
            quantities += model.of_kind("platter tilt")
        else:
            to_model = to_model[: 4 * count + 1]
    # Refused as it stands in the log: carried over, a wrong sign could hide.
    UncertaintySource("calibration", "", _numbered(model, matrix), matrix)
    dof = result.get("dof")
    freedom = None if result.get("sigma_stated") or not dof else float(dof)
    return UncertaintySource(
        "calibration", "", tuple(quantities), _symmetric(to_model @ matrix @ to_model.T), dof=freedom
    )


def _numbered(model: SetupModel, matrix: NDArray[np.float64]) -> tuple[Any, ...]:
    return model.quantities[:1] * len(matrix)


def _symmetric(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(0.5 * (matrix + matrix.T))
