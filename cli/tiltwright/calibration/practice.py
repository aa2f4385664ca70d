"""Practice: a machine whose lines nobody knows, its readings, and the encoded key."""

from __future__ import annotations

import base64
import hashlib
import json
import tempfile
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from kinematics import Machine, RotationSense, table_frame
from kinematics.calibration import (
    Grade,
    PlannedTarget,
    Readings,
    TargetKind,
    grade,
    perturbed_machine,
    readings_from_rows,
    simulated_readings,
)
from tiltwright.calibration.load_readings import text_of
from tiltwright.calibration.plan import EvaluatedPlan
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import ReadMachine, fault_at, read_machine
from tiltwright.files.units import Unit
from tiltwright.output.json_csv import csv_text, length_list

__all__ = [
    "Key",
    "Practice",
    "decode_key",
    "default_plan",
    "encode_key",
    "marks_for",
    "open_practice",
    "practice",
    "readings_csv",
]

_FIRST = "tiltwright practice key: the answers, sealed so that nobody reads them by accident"
_LINE = 76
_LARGEST = 50_000_000


def encode_key(answers: dict[str, Any]) -> str:
    """Answers as a text that no eye reads.

    Examples
    --------
    >>> decode_key(encode_key({"a": 1.5}))
    {'a': 1.5}
    """
    plain = zlib.compress(json.dumps(answers, allow_nan=False, sort_keys=True).encode("utf-8"), 9)
    salt = hashlib.sha256(plain).digest()[:16]
    text = base64.b64encode(salt + _mixed(plain, salt)).decode("ascii")
    lines = [text[place : place + _LINE] for place in range(0, len(text), _LINE)]
    return "\n".join([_FIRST, *lines]) + "\n"


def decode_key(text: str) -> dict[str, Any]:
    """The answers of a sealed text.

    Raises
    ------
    ValueError
        When it is no key, or not all of it.

    Examples
    --------
    >>> decode_key("something else")
    Traceback (most recent call last):
        ...
    ValueError: a file that is no practice key
    """
    lines = text.split()
    if not text.startswith(_FIRST):
        raise ValueError("a file that is no practice key")
    try:
        raw = base64.b64decode("".join(lines[len(_FIRST.split()) :]), validate=True)
        plain = _mixed(raw[16:], raw[:16])
        whole = hashlib.sha256(plain).digest()[:16] == raw[:16]
        answers = json.loads(zlib.decompressobj().decompress(plain, _LARGEST)) if whole else None
    except (ValueError, zlib.error):
        answers = None
    if not isinstance(answers, dict):
        raise ValueError("a practice key that was changed or cut off")  # noqa: TRY004 - it is a file's fault
    return answers


def _mixed(content: bytes, salt: bytes) -> bytes:
    """Content and a stream of digests, one into the other; twice gives the content again."""
    blocks = (len(content) + 31) // 32
    stream = b"".join(hashlib.sha256(salt + block.to_bytes(8, "big")).digest() for block in range(blocks))
    return bytes(a ^ b for a, b in zip(content, stream, strict=False))


SCHEMA = "tiltwright.pivot-key/1"
_RESOLUTION = {Unit.MM: 1e-4, Unit.INCH: 1e-5}
_TARGET_OFF_MM = 0.5
"""How far, at random, a target truly stands from where the plan has it: nobody bolts a ball down to a hundredth."""


@dataclass(frozen=True, eq=False)
class Practice:
    """What is handed out, and the key.

    Attributes
    ----------
    worked : Worked
    readings : Readings
    key : str
        Sealed.
    """

    worked: EvaluatedPlan
    readings: Readings
    key: str


@dataclass(frozen=True, eq=False)
class Key:
    """An opened key."""

    nominal: Machine
    truth: Machine
    readings: Readings
    sigma_mm: float
    units: str


def default_plan(machine: Machine, unit: Unit, repeatability_mm: float) -> Plan:
    """Two balls on the platter, one near its middle and one near its rim, at different heights."""
    frame = table_frame(machine)
    size = machine.platter.diameter_mm or 150.0
    places = [(0.12 * size, 0.05 * size, 0.55 * size), (-0.30 * size, -0.12 * size, 0.30 * size)]
    up = frame.rotation[:, 2]
    targets = tuple(
        PlannedTarget(f"ball {i}", TargetKind.BALL, frame.apply(np.array(place))[None], up)
        for i, place in enumerate(places, start=1)
    )
    return Plan("Practice", unit, targets, (None, None), None, DEFAULT_POSES, 30.0, repeatability_mm, None)


def practice(
    read: ReadMachine, worked: EvaluatedPlan, seed: int, position_mm: float, direction_deg: float
) -> Practice:
    """A machine with hidden errors and the readings of a plan on it; the same seed gives the same ones."""
    plan = worked.plan
    truth = perturbed_machine(worked.machine, seed, position_mm, direction_deg)
    chance = np.random.default_rng([seed, 1])
    off = chance.normal(size=(len(plan.targets), 3)) * _TARGET_OFF_MM
    targets = [replace(target, points_mm=target.points_mm + off[t]) for t, target in enumerate(plan.targets)]
    resolution = read.unit.to_mm(_RESOLUTION[read.unit])
    readings = simulated_readings(
        truth,
        targets,
        worked.poses_deg,
        plan.sigma_mm,
        seed + 2,
        which=worked.which,
        resolution_mm=resolution,
    )
    answers = {
        "schema": SCHEMA,
        "seed": seed,
        "machine": read.source.text,
        "units": read.unit.value,
        "sigma_mm": plan.sigma_mm,
        "lines": {
            rotary.letter: {"point_mm": rotary.point_mm.tolist(), "direction": rotary.direction.tolist()}
            for rotary in truth.rotaries
        },
        "readings": _as_lists(readings),
    }
    return Practice(worked, readings, encode_key(answers))


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


def readings_csv(readings: Readings, machine: Machine, units: str) -> str:
    """Readings as the table that `pivot fit` reads."""
    decimals, suffix = (5, "in") if units == "inch" else (4, "mm")
    directed = any(direction is not None for direction in readings.directions)
    head = ["kind", "target", *(f"{c}_deg" for c in machine.letters), *(f"{a}_{suffix}" for a in "XYZ")]
    rows = []
    for i in range(len(readings)):
        t = int(readings.target[i])
        direction = readings.directions[t]
        row: list[object] = [readings.kinds[t].value, readings.names[t]]
        row += [f"{angle + 0.0:g}" for angle in readings.angles_deg[i]]
        row += [f"{value:.{decimals}f}" for value in length_list(readings.points_mm[i], units)]
        if directed:
            row.append("" if direction is None else " ".join(f"{v + 0.0:.9g}" for v in direction))
        rows.append(row)
    # What begins with a sign here is a number, not a formula: csv_text leaves what is no name alone.
    text = csv_text([*head, *(["direction"] if directed else [])], ())
    return text + "".join(_line(row) for row in rows)


def _line(row: list[object]) -> str:
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(row)
    return out.getvalue()


def open_practice(path: str) -> Key:
    """Read a sealed key.

    Raises
    ------
    InputFaults
        When the file is none, or was changed.
    """
    text, _ = text_of(path, "a practice key")
    allowed = "the key.txt of `pivot practice`, as it was written"
    try:
        said = decode_key(text)
        nominal = _machine_from(said["machine"])
        rotaries = tuple(
            replace(
                rotary,
                point_mm=np.array(said["lines"][rotary.letter]["point_mm"]),
                direction=np.array(said["lines"][rotary.letter]["direction"]),
            )
            for rotary in nominal.rotaries
        )
        listed = said["readings"]
        readings = readings_from_rows(
            listed["kinds"],
            listed["targets"],
            listed["angles_deg"],
            listed["points_mm"],
            directions=listed["directions"],
        )
        return Key(
            nominal,
            replace(nominal, rotaries=rotaries),
            readings,
            float(said["sigma_mm"]),
            str(said["units"]),
        )
    except (ValueError, KeyError, TypeError) as fault:
        found = str(fault) if isinstance(fault, ValueError) else "a practice key that was changed or cut off"
        raise InputFaults([Diagnostic(path, None, "", found, allowed)]) from None


def _machine_from(text: str) -> Machine:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "machine.toml"
        path.write_text(text, encoding="utf-8", newline="")
        return read_machine(path).machine


def marks_for(key: Key, answer: ReadMachine) -> Grade:
    """The marks for a student's machine file.

    Raises
    ------
    InputFaults
        When it is of a machine with other rotaries, in another unit, or one that turns the other way: what was handed
        out says these, and the readings change nothing about them.
    """
    if answer.machine.letters != key.nominal.letters:
        found = f"rotaries {', '.join(answer.machine.letters)}"
        allowed = f"the practice machine's, {', '.join(key.nominal.letters)}"
        raise InputFaults([Diagnostic(str(answer.path), None, "rotary", found, allowed)])
    faults = []
    if answer.unit.value != key.units:
        found, allowed = answer.unit.value, f"{key.units}, as in the machine file that was handed out"
        faults.append(fault_at(answer, ("units",), found, allowed))
    rotaries = []
    for place, (mine, given) in enumerate(zip(answer.machine.rotaries, key.nominal.rotaries, strict=True)):
        # A line named from its other end, with the other sense, is the same rotary.
        turned = float(mine.direction @ given.direction) < 0.0
        sense = mine.positive_turn
        if turned:
            sense = (
                RotationSense.CLOCKWISE
                if sense is RotationSense.COUNTERCLOCKWISE
                else RotationSense.COUNTERCLOCKWISE
            )
        if sense is not given.positive_turn:
            found = f"{mine.letter} turning {mine.positive_turn.value}" + (
                " about a line named from its other end" if turned else ""
            )
            allowed = f"{given.positive_turn.value}, as in the machine file that was handed out"
            faults.append(fault_at(answer, ("rotary", place, "positive_turn"), found, allowed))
        way = -mine.direction if turned else mine.direction
        rotaries.append(replace(mine, direction=way, positive_turn=sense))
    if faults:
        raise InputFaults(faults)
    student = replace(answer.machine, rotaries=tuple(rotaries))
    return grade(student, key.truth, key.readings, key.nominal, key.sigma_mm)
