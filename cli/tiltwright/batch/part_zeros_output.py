"""Every part's offsets as a table for people, as JSON and CSV for other programs, and as a loader for each part."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from kinematics import work_offset_code
from tiltwright.batch.part_zeros import BeyondClocking, BeyondLimit, BeyondWithin, OffsetsOfBatch, PartOfBatch
from tiltwright.files.diagnostics import InputFaults, first_few, option_error, shown
from tiltwright.job.evaluate import EvaluatedJob, NumberedOperation
from tiltwright.job.message_wording import slip_words, tolerance_words
from tiltwright.job.offsets_gcode import block_order_words, program_words, set_line, unit_lines
from tiltwright.job.own_zero import correction_report, left_out_lines
from tiltwright.output.gcode import comment, needs_of
from tiltwright.output.json_csv import by_letter, csv_text, length_list
from tiltwright.output.numbers import UNIT_MM, UNIT_SYMBOL, all_angles, all_lengths, angle, length
from tiltwright.output.tables import table, units_words

__all__ = [
    "batch_csv",
    "batch_loaders",
    "batch_report",
    "batch_table",
    "held_words",
    "renamed_words",
    "table_turned_words",
]

_MOST_NAMED = 20


def held_words(batch: OffsetsOfBatch, units: str) -> tuple[str, ...]:
    """The parts that are not loaded, each in a sentence; beyond twenty, how many more."""
    held = batch.held
    words = [f"{_part_name(batch, one)}: {_why(batch, one, units)}" for one in held[:_MOST_NAMED]]
    if len(held) > _MOST_NAMED:
        words.append(f"{len(held) - _MOST_NAMED} more parts are not loaded either")
    return tuple(words)


def _part_name(batch: OffsetsOfBatch, one: PartOfBatch) -> str:
    nest = batch.evaluated.nests[one.nest].nest
    return f"part {one.reading.serial}" + ("" if nest is None else f" in nest {nest}")


def _why(batch: OffsetsOfBatch, one: PartOfBatch, units: str) -> str:
    job = batch.evaluated.nests[one.nest].job
    if isinstance(one.held, BeyondWithin):
        allowed = tolerance_words(one.held.within_mm, job.unit.value, units)
        return (
            f"its zero lies {length(one.held.distance_mm, units)} {UNIT_SYMBOL[units]} from the stack's; {allowed} is allowed. "
            f"It is not loaded: {_cause_words(one.held)}"
        )
    if isinstance(one.held, BeyondClocking):
        return (
            f"it is clocked by {angle(one.held.clock_deg)} degrees; {one.held.within_deg:g} are allowed. It is not loaded: look for "
            "a chip or a wrong reading"
        )
    assert isinstance(one.held, BeyondLimit)  # the only other reason
    low, high = one.held.limits_deg
    return (
        f"its clocking takes {one.held.letter} to {angle(one.held.machine_deg)} at {one.held.operation}, outside {low:.10g} to "
        f"{high:.10g}. It is not loaded"
    )


def table_turned_words(batch: OffsetsOfBatch) -> str | None:
    """The caution on clocking that nothing takes out; None where there is none."""
    turned_deg = batch.stays_turned_deg
    if turned_deg == 0.0:
        return None
    letter = batch.evaluated.nests[0].setup.machine.letters[-1]
    return (
        f"parts are clocked by up to {angle(turned_deg)} degrees, and the job does not square up: their programs cut them "
        f'turned by that much. square_up = "{letter}" takes it out'
    )


def _cause_words(held: BeyondWithin) -> str:
    """Sentence on what to look for where a part lies too far off."""
    if held.fits_nest is not None:
        return f"it would fit nest {held.fits_nest}; is the nest in its row right?"
    if held.slip is not None:
        return slip_words(held.slip, held.axes)
    return "look for a chip or a wrong reading"


def _rows(batch: OffsetsOfBatch) -> Iterator[tuple[PartOfBatch, EvaluatedJob, int, NumberedOperation]]:
    """Every operation of every part that is loaded, in the order of the table."""
    for part in batch.parts:
        if part.held is None:
            nest = batch.evaluated.nests[part.nest]
            for m, one in enumerate(nest.operations):
                yield part, nest, m, one


def batch_table(batch: OffsetsOfBatch, units: str) -> str:
    """Every part's offsets as a table, a row for each operation of each part."""
    first = batch.evaluated.nests[0]
    letters = first.setup.machine.letters
    nested = bool(first.job.nests)
    turned = any(found.rotary_offset_deg.any() for found in batch.offsets)
    head = ["part", *(["nest"] if nested else []), "operation", "load", "X", "Y", "Z"]
    head += [f"offset {letter}" for letter in letters] if turned else []
    texts = _texts(batch, units)
    rows = [
        [
            part.reading.serial,
            *([nest.nest or ""] if nested else []),
            one.placed.name,
            work_offset_code(one.number),
            *texts[part.nest][0][part.row][m],
            *(texts[part.nest][1][part.row] if turned else []),
        ]
        for part, nest, m, one in _rows(batch)
    ]
    loaded = len(batch.parts) - len(batch.held)
    title = (
        f"{first.job.file.name}: work offsets of {loaded} of {len(batch.parts)} parts in {units_words(units)} and degrees, on "
        f"{first.setup.machine.name}"
    )
    return f"{title}\n\n{table(head, rows, left=3 + nested)}"


def _texts(batch: OffsetsOfBatch, units: str) -> list[tuple[list[list[list[str]]], list[list[str]]]]:
    """Offsets as they are shown: of each nest, of each part, of each operation X, Y, Z; and the rotaries' of each part."""
    found = []
    for one in batch.offsets:
        k, m, _ = one.offset_mm.shape
        flat = all_lengths(one.offset_mm, units)
        xyz = [[flat[3 * (m * i + j) : 3 * (m * i + j) + 3] for j in range(m)] for i in range(k)]
        count = one.rotary_offset_deg.shape[1]
        turned = all_angles(one.rotary_offset_deg)
        found.append((xyz, [turned[count * i : count * (i + 1)] for i in range(k)]))
    return found


def batch_report(batch: OffsetsOfBatch, units: str) -> dict[str, Any]:
    """Every part's offsets for JSON; a part that is held has none."""
    first = batch.evaluated.nests[0]
    machine = first.setup.machine
    parts = []
    for part in batch.parts:
        nest = batch.evaluated.nests[part.nest]
        found = batch.offsets[part.nest]
        rotary = by_letter(machine, found.rotary_offset_deg[part.row])
        linear = length_list(found.offset_mm[part.row], units)
        parts.append(
            {
                "serial": part.reading.serial,
                "nest": nest.nest,
                "held": _held_report(part, units),
                "difference": length_list(found.difference_mm[part.row], units),
                "clock_deg": part.reading.clock_deg,
                "operations": [
                    {
                        "name": one.placed.name,
                        "work_offset": one.number,
                        "offset": {**dict(zip("XYZ", xyz, strict=True)), **rotary},
                    }
                    for one, xyz in zip(nest.operations, linear, strict=True)
                    if part.held is None
                ],
            }
        )
    return {
        "schema": "tiltwright.batch-offsets/1",
        "job": first.job.file.name,
        "units": units,
        "correction": correction_report(batch.evaluated.nests, own_zero=True),
        "parts": parts,
    }


def _held_report(part: PartOfBatch, units: str) -> dict[str, Any] | None:
    if isinstance(part.held, BeyondWithin):
        distance, within = part.held.distance_mm / UNIT_MM[units], part.held.within_mm / UNIT_MM[units]
        return {
            "kind": "too far",
            "distance": distance,
            "within": within,
            "fits_nest": part.held.fits_nest,
            "slip": part.held.slip,
            "axes": list(part.held.axes),
        }
    if isinstance(part.held, BeyondClocking):
        return {
            "kind": "clocked too far",
            "clock_deg": part.held.clock_deg,
            "within_deg": part.held.within_deg,
        }
    if isinstance(part.held, BeyondLimit):
        return {
            "kind": "past a limit",
            "rotary": part.held.letter,
            "operation": part.held.operation,
            "machine_deg": part.held.machine_deg,
            "limits_deg": list(part.held.limits_deg),
        }
    return None


def batch_csv(batch: OffsetsOfBatch, units: str) -> str:
    """Every part's offsets as CSV, a row for each operation; a part that is held has none, and its row says why."""
    first = batch.evaluated.nests[0]
    letters = first.setup.machine.letters
    suffix = UNIT_SYMBOL[units]
    head = [
        "serial",
        "nest",
        "held",
        "operation",
        "work_offset",
        *(f"offset_{axis}_{suffix}" for axis in "XYZ"),
        *(f"offset_{letter}_deg" for letter in letters),
    ]
    linear = [length_list(one.offset_mm, units) for one in batch.offsets]
    turned = [(one.rotary_offset_deg + 0.0).tolist() for one in batch.offsets]
    empty = [""] * (5 + len(letters))

    def rows() -> Iterator[list[object]]:
        for part in batch.parts:
            nest = batch.evaluated.nests[part.nest]
            if part.held is not None:
                yield [part.reading.serial, nest.nest or "", _why(batch, part, units), *empty]
                continue
            rotary = turned[part.nest][part.row]
            for one, xyz in zip(nest.operations, linear[part.nest][part.row], strict=True):
                yield [part.reading.serial, nest.nest or "", "", one.placed.name, one.number, *xyz, *rotary]

    return csv_text(head, rows())


_UNUSUAL = re.compile(r"[^A-Za-z0-9._-]")


def _stem(serial: str) -> str:
    """The name of a part's file, without its ending."""
    return _UNUSUAL.sub("_", serial).lstrip(".") or "_"


def renamed_words(batch: OffsetsOfBatch) -> str:
    """The parts whose files have other names than their serial numbers, in a sentence; empty where none has."""
    serials = dict.fromkeys(part.reading.serial for part in batch.parts if part.held is None)
    named = [f"part {shown(serial)} is {stem}" for serial in serials if (stem := _stem(serial)) != serial]
    if not named:
        return ""
    return f"file names take letters, digits, points and dashes only, so {first_few(named, _MOST_NAMED, last=', and ')}"


def batch_loaders(batch: OffsetsOfBatch, units: str) -> dict[str, str]:
    """A program for each part that sets its work offsets, by the file's name: the serial number and .nc.

    Where the offsets of a job do not all fit, each part has one for each loader, its number behind the serial.

    Raises
    ------
    InputFaults
        When the names of two parts' files would be one.
    """
    forms = [
        [_Form(batch, place, loader, units) for loader in sorted({one.loader for one in nest.operations})]
        for place, nest in enumerate(batch.evaluated.nests)
    ]
    files: dict[str, str] = {}
    owners: dict[str, str] = {}
    for part in batch.parts:
        if part.held is not None:
            continue
        serial = part.reading.serial
        stem = _stem(serial)
        for form in forms[part.nest]:
            name = f"{stem}.nc" if batch.evaluated.loader_count == 1 else f"{stem}-{form.loader}.nc"
            before = owners.setdefault(name.casefold(), serial)
            if before != serial:
                raise _one_name(name, before, serial)
            files[name] = form.filled(serial, part.row)
    return files


def _one_name(name: str, first: str, second: str) -> InputFaults:
    found = f"{shown(first)} and {shown(second)}, whose files would both be {name}"
    return option_error("--gcode", found, "serial numbers that differ in letters, digits, points and dashes")


_TURNED = "\0"
"""Stands in a form for the words of the rotaries: no comment has a byte 0."""


class _Form:
    """The loader of every part of a nest: all that they have in common is worded once, the numbers are filled in."""

    def __init__(self, batch: OffsetsOfBatch, place: int, loader: int, units: str) -> None:
        nest, count = batch.evaluated.nests[place], batch.evaluated.loader_count
        machine, found = nest.setup.machine, batch.offsets[place]
        # The highest number first, as in every loader.
        mine = sorted(
            ((-one.number, m, one) for m, one in enumerate(nest.operations) if one.loader == loader),
            key=lambda of: of[:2],
        )
        highest = max((one.number for _, _, one in mine), default=1)
        self.loader = loader
        self._above = f"%\n{comment(f'Work offsets for job: {nest.job.file.name}')}\n"
        lines = [*map(comment, left_out_lines([nest]))]
        lines += [] if nest.nest is None else [comment(f"In nest {nest.nest}")]
        lines += [] if count == 1 else [comment(f"Loader {loader} of {count}")]
        needs = (*needs_of(highest), *block_order_words(one.number for _, _, one in mine))
        lines += [comment(f"Machine: {machine.name}"), *map(comment, needs)]
        lines += unit_lines(nest, units)
        words = [text.replace("%", "%%") for text in lines]
        for _, _, one in mine:
            words.append(comment(program_words(nest, one)).replace("%", "%%"))
            words.append(f"{set_line(one.number, ('%s', '%s', '%s'), (), ())}{_TURNED}")
        self._form = "\n".join([*words, "%%", ""])
        self._width = 3 * len(mine)
        self._xyz = all_lengths(found.offset_mm[:, [m for _, m, _ in mine]], units)
        angles = all_angles(found.rotary_offset_deg)
        letters = machine.letters
        self._turned = [
            "".join(f" {letter}{angles[k + i]}" for i, letter in enumerate(letters))
            for k in range(0, len(angles), len(letters))
        ]

    def filled(self, serial: str, row: int) -> str:
        """The loader of one part."""
        numbers = tuple(self._xyz[row * self._width : (row + 1) * self._width])
        return f"{self._above}{comment(f'Part {serial}')}\n{(self._form % numbers).replace(_TURNED, self._turned[row])}"
