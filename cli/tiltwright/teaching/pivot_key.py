"""The key of a pivot exercise as a file: the exercise with its true lines, compressed and in base64.

Nobody reads it by accident; it is no secret from anybody who wants to know.
"""

from __future__ import annotations

import base64
import json
import tempfile
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from kinematics import KinematicsError, Machine
from kinematics.calibration import Readings, readings_from_rows
from kinematics.teaching import PivotExercise, PivotProbing
from tiltwright.calibration.load_readings import text_of
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import read_machine

__all__ = ["decode_key", "encode_key", "key_text", "read_key"]

_FIRST = "tiltwright practice key: the answers, encoded so that nobody reads them by accident"
_EARLIER = "tiltwright practice key: the answers, sealed"
_SCHEMA = "tiltwright.pivot-key/2"
_SPOILT = "a practice key that was changed or cut off"
_LINE = 76
_LARGEST = 50_000_000


def encode_key(answers: dict[str, Any]) -> str:
    """Answers as text that cannot be read at a glance.

    Examples
    --------
    >>> decode_key(encode_key({"a": 1.5}))
    {'a': 1.5}
    """
    plain = json.dumps(answers, allow_nan=False, sort_keys=True).encode("utf-8")
    text = base64.b64encode(zlib.compress(plain, 9)).decode("ascii")
    lines = [text[place : place + _LINE] for place in range(0, len(text), _LINE)]
    return "\n".join([_FIRST, *lines]) + "\n"


def decode_key(text: str) -> dict[str, Any]:
    """The answers of an encoded text.

    Raises
    ------
    ValueError
        When it is no key, a key of an earlier version, or not the whole of one.

    Examples
    --------
    >>> decode_key("something else")
    Traceback (most recent call last):
        ...
    ValueError: a file that is no practice key
    """
    if text.startswith(_EARLIER):
        raise ValueError("a practice key of an earlier version; the same seed makes the exercise again")
    first, _, rest = text.partition("\n")
    if first.rstrip() != _FIRST:
        raise ValueError("a file that is no practice key")
    unpacked = zlib.decompressobj()
    try:
        plain = unpacked.decompress(base64.b64decode("".join(rest.split()), validate=True), _LARGEST)
        # zlib compares its check sum at the end; what was cut off never gets there.
        answers = json.loads(plain) if unpacked.eof and not unpacked.unused_data else None
    except (ValueError, zlib.error):
        answers = None
    if not isinstance(answers, dict):
        raise ValueError(_SPOILT)  # noqa: TRY004 - it is a file's fault
    return answers


def key_text(exercise: PivotExercise, machine_toml: str) -> str:
    """The key of an exercise.

    Parameters
    ----------
    exercise : PivotExercise
    machine_toml : str
        Its machine file, as handed out.
    """
    return encode_key(
        {
            "schema": _SCHEMA,
            "seed": exercise.seed,
            "sheet": exercise.sheet,
            "title": exercise.title,
            "machine": machine_toml,
            "units": exercise.units,
            "sigma_mm": exercise.sigma_mm,
            "digit_mm": exercise.digit_mm,
            "repeatability_mm": exercise.repeatability_mm,
            "lines": {
                rotary.letter: {
                    "point_mm": rotary.point_mm.tolist(),
                    "direction": rotary.direction.tolist(),
                }
                for rotary in exercise.truth.rotaries
            },
            "readings": _as_lists(exercise.readings),
            "probings": [
                {
                    "letter": one.letter,
                    "target": one.target,
                    "method": one.method,
                    "angles_deg": one.angles_deg.tolist(),
                    "shown_mm": one.shown_mm.tolist(),
                    "centre_mm": one.centre_mm.tolist(),
                    "radius_mm": one.radius_mm,
                }
                for one in exercise.probings
            ],
        }
    )


def _as_lists(readings: Readings) -> dict[str, Any]:
    return {
        "kinds": [readings.kinds[int(t)].value for t in readings.target],
        "targets": [readings.names[int(t)] for t in readings.target],
        "angles_deg": readings.angles_deg.tolist(),
        "points_mm": readings.points_mm.tolist(),
        "directions": {
            name: direction.tolist()
            for name, direction in zip(readings.names, readings.directions, strict=True)
            if direction is not None
        },
    }


def read_key(path: str) -> PivotExercise:
    """Read the exercise of a key file.

    Raises
    ------
    InputFaults
        When the file is none, or was changed.
    """
    text, _ = text_of(path, "a practice key")
    allowed = "the key of `pivot practice` or `lesson new`, as it was written"
    try:
        found = decode_key(text)
        return _exercise(found)
    except (ValueError, KeyError, TypeError, KinematicsError) as fault:
        # A KeyError's text is a bare key, and any other fault below lies in what was changed.
        plain = type(fault) is ValueError
        raise InputFaults([Diagnostic(path, None, "", str(fault) if plain else _SPOILT, allowed)]) from None


def _exercise(found: dict[str, Any]) -> PivotExercise:
    if found["schema"] != _SCHEMA:
        raise KeyError("schema")
    machine = _machine_from(found["machine"])
    truth = replace(
        machine,
        rotaries=tuple(
            replace(
                rotary,
                point_mm=np.array(found["lines"][rotary.letter]["point_mm"]),
                direction=np.array(found["lines"][rotary.letter]["direction"]),
            )
            for rotary in machine.rotaries
        ),
    )
    listed = found["readings"]
    repeatability = found["repeatability_mm"]
    return PivotExercise(
        machine=machine,
        truth=truth,
        readings=readings_from_rows(
            listed["kinds"],
            listed["targets"],
            listed["angles_deg"],
            listed["points_mm"],
            directions=listed["directions"],
        ),
        sigma_mm=float(found["sigma_mm"]),
        units=found["units"],
        digit_mm=float(found["digit_mm"]),
        probings=tuple(PivotProbing.of(machine, truth, **one) for one in found["probings"]),
        repeatability_mm=None if repeatability is None else float(repeatability),
        seed=int(found["seed"]),
        sheet=int(found["sheet"]),
        title=str(found["title"]),
    )


def _machine_from(text: str) -> Machine:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "machine.toml"
        path.write_text(text, encoding="utf-8", newline="")
        return read_machine(path).machine
