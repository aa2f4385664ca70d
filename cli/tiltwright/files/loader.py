"""Loader of machine and job files: values of `kinematics` in millimetres and degrees, or every fault at once."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Setup,
    StackStep,
    table_frame,
)
from tiltwright.files.batch_checks import check_batch, check_probing, probing_in_nest, stub_of
from tiltwright.files.checks import KnownMachine, check_job, check_limits, check_machine
from tiltwright.files.conversion import (
    TouchedZero,
    machine_of,
    nest_of,
    operation_of,
    setup_of,
    step_of,
    touched_of,
)
from tiltwright.files.decoding import DiagnosticCollector, decode_table, line_of, raise_located
from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath
from tiltwright.files.job_file import (
    JobFile,
)
from tiltwright.files.machine_file import MachineFile
from tiltwright.files.nest_checks import check_nests, nests_of_operation
from tiltwright.files.plausibility import (
    ImplausibleValue,
    implausible_job_values,
    implausible_values,
    implausible_words,
)
from tiltwright.files.schema_types import keys_given
from tiltwright.files.toml_source import Source, add_caution, load, parsed
from tiltwright.files.uncertainty_checks import check_job_uncertainty, check_machine_uncertainty
from tiltwright.files.units import Unit

if TYPE_CHECKING:
    from kinematics import Nest, NestStep

__all__ = [
    "ReadJob",
    "ReadMachine",
    "ReadNest",
    "fault_at",
    "job_from_text",
    "machine_from_text",
    "read_job",
    "read_machine",
    "refuse_other_kind",
]


FileKind = Literal["job", "machine"]


@dataclass(frozen=True, eq=False)
class ReadMachine:
    """A sound machine file.

    Attributes
    ----------
    source : Source
    file : MachineFile
        Its tables, in its own unit.
    machine : Machine
        In millimetres.
    """

    source: Source
    file: MachineFile
    machine: Machine

    @property
    def path(self) -> Path:
        """Its path."""
        return self.source.path

    @property
    def unit(self) -> Unit:
        """The unit that the file is written in."""
        return self.file.units


@dataclass(frozen=True, eq=False)
class ReadNest:
    """A nest of a job.

    Attributes
    ----------
    nest : Nest
    place : int
        Of its table in the file, from 0.
    stack : tuple of NestStep
        Every step from the platter up to its part zero.
    setup : Setup
        The part where these steps put it, with the rotary offsets that `square_up` asks for.
    touched : TouchedZero or None
    operations : tuple of int
        Places of the operations that are done in it.
    """

    nest: Nest
    place: int
    stack: tuple[NestStep, ...]
    setup: Setup
    touched: TouchedZero | None
    operations: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class ReadJob:
    """A sound job file, with its machine.

    Attributes
    ----------
    source : Source
    file : JobFile
        Its tables, in its own unit.
    machine_file : ReadMachine
    steps : tuple of StackStep
    operations : tuple of Operation
        In the order of the file, one for each [[operation]]; repeats are not yet unfolded.
    setup : Setup
        The part where the stack puts it, with the rotary offsets that `square_up` asks for. In a job with nests no
        part stands there: `in_nest` has theirs.
    touched : TouchedZero or None
    nests : tuple of ReadNest
        In the order of the file; none where the part stands on the stack itself.
    nest : str or None
        The nest that this is the view of.
    whole : ReadJob or None
        Of such a view: the job, whose stack is the one that the nests stand on.
    """

    source: Source
    file: JobFile
    machine_file: ReadMachine
    steps: tuple[StackStep, ...]
    operations: tuple[Operation, ...]
    setup: Setup
    touched: TouchedZero | None
    nests: tuple[ReadNest, ...] = ()
    nest: str | None = None
    whole: ReadJob | None = None

    @property
    def path(self) -> Path:
        """Its path."""
        return self.source.path

    @property
    def unit(self) -> Unit:
        """The unit that the file is written in."""
        return self.file.units

    @property
    def machine(self) -> Machine:
        """The machine, in millimetres."""
        return self.machine_file.machine

    @property
    def own_nest(self) -> ReadNest | None:
        """The nest that this is the view of; None where it is the job itself."""
        return next((one for one in self.nests if one.nest.name == self.nest), None)

    @property
    def own_operations(self) -> tuple[int, ...]:
        """Places of the operations that are done in the nest that this is the view of; of all, where it is the job itself."""
        own = self.own_nest
        return tuple(range(len(self.operations))) if own is None else own.operations

    @property
    def touch_pose_deg(self) -> NDArray[np.float64]:
        """Machine angles at which parts are touched off: those of [touched], or the all-zero pose; shape (n,)."""
        return self.machine.zero_deg if self.touched is None else self.touched.machine_deg

    @property
    def uncorrected(self) -> ReadJob:
        """The same without its [correction]."""
        return replace(self, file=msgspec.structs.replace(self.file, correction=None))

    @property
    def views(self) -> tuple[ReadJob, ...]:
        """The job as each nest sees it; without nests the job itself."""
        if self.nest is not None or not self.nests:
            return (self,)
        return tuple(self.in_nest(one.nest.name) for one in self.nests)

    def in_nest(self, name: str) -> ReadJob:
        """The job as one nest sees it: that nest's steps are the stack, its part zero is the job's.

        Raises
        ------
        KeyError
            When there is no such nest.
        """
        one = next((one for one in self.nests if one.nest.name == name), None)
        if one is None:
            raise KeyError(name)
        tables = tuple(
            self.file.stack[step.index] if step.nest is None else self.file.nest[step.nest].step[step.index]
            for step in one.stack
        )
        own = self.file.nest[one.place]
        square_up = self.file.square_up if own.square_up is None else own.square_up
        return replace(
            self,
            file=msgspec.structs.replace(
                self.file,
                stack=tables,
                square_up=square_up,
                touched=own.touched,
                stub=self.file.stub if own.stub is None else own.stub,
                zero_probing=probing_in_nest(self.file.zero_probing, own.zero_probing),
            ),
            steps=tuple(step.step for step in one.stack),
            setup=one.setup,
            touched=one.touched,
            nest=name,
            whole=self.whole or self,
        )


def read_machine(path: str | os.PathLike[str], *, every_implausible: bool = False) -> ReadMachine:
    """Read a machine file; `every_implausible` as `caution_implausible` has it.

    Raises
    ------
    InputFaults
        With every fault of the file.
    """
    machine = _whole_machine(load(path, "a machine file"))
    caution_implausible(machine, every=every_implausible)
    return machine


_MOST_IMPLAUSIBLE = 3
"""Cautions about one machine file before every command; beyond so many nobody reads the job's own any more."""


def caution_implausible(read: ReadMachine, *, every: bool = False) -> None:
    """Add a caution, with its line, for each value of a machine file that is hardly meant.

    More than a few are cut short, with the command that lists them, unless `every` one is asked for; those that the work
    offsets hang on come first.
    """
    rest = f"; tiltwright machine show {read.source.path} lists them all"
    _tell(read.source, implausible_values(read.file), rest, every=every)


def _tell(source: Source, found: Iterable[ImplausibleValue], rest: str, *, every: bool = False) -> None:
    """Add a caution for each one, or for the first few; `rest` ends the one about the others."""
    told = sorted(found, key=lambda one: not one.moves_offsets)
    kept = told if every or len(told) <= _MOST_IMPLAUSIBLE else told[: _MOST_IMPLAUSIBLE - 1]
    for one in kept:
        line = line_of(source.text, source.written_path(one.path))
        add_caution(f"{source.file}:{line}: {implausible_words(one)}")
    if len(kept) < len(told):
        add_caution(f"{source.file}: {len(told) - len(kept)} more values are hard to believe{rest}")


def machine_from_text(file: str, path: Path, text: str) -> ReadMachine:
    """A machine from the text that is to become its file, checked as `read_machine` checks it.

    Raises
    ------
    InputFaults
        With every fault of the text.
    """
    return _whole_machine(parsed(file, path, text))


def _whole_machine(source: Source) -> ReadMachine:
    _check_kind(source, "machine")
    machine, _, faults = _machine(source)
    if machine is None:
        raise_located(faults)
    return machine


def read_job(path: str | os.PathLike[str]) -> ReadJob:
    """Read a job file, and the machine file that it names by a path from the job file's folder.

    Raises
    ------
    InputFaults
        With every fault of both files, those of the job file first.
    """
    return _job(load(path, "a job file"))


def job_from_text(file: str, path: Path, text: str) -> ReadJob:
    """A job from the text that is to become its file, checked as `read_job` checks it.

    Raises
    ------
    InputFaults
        With every fault of the text and of its machine's file.
    """
    return _job(parsed(file, path, text))


def _job(source: Source) -> ReadJob:
    _check_kind(source, "job")
    file, faults = decode_table(JobFile, source)
    machine, known, of_machine = _machine_of_job(source, file, faults)
    setup: Setup | None = None
    steps: tuple[StackStep, ...] = ()
    operations: tuple[Operation, ...] = ()
    nests: tuple[ReadNest, ...] = ()
    # A letter that the machine lacks is reported by the checks.
    if machine is not None and not faults and set(file.square_up or {}) <= set(machine.machine.letters):
        steps = tuple(step_of(step, file.units) for step in file.stack)
        setup = setup_of(file.square_up, machine.machine, steps)
    # In a job with nests the rotaries' offsets, and so the limits of program angles, are each nest's own.
    faults.extend(check_job(file, known if file.nest else _with_offsets(known, file, setup)))
    faults.extend((*check_nests(file, known), *check_probing(file), *check_job_uncertainty(file)))
    faults.extend(check_batch(file, _with_offsets(known, file, setup)))
    if machine is not None and not faults:
        operations = _operations(file, machine.machine, faults)
        nests = _nests(file, machine.machine, steps, known, faults)
    if machine is None or setup is None or faults:
        raise_located(faults, of_machine)
    caution_implausible(machine)
    _tell(source, implausible_job_values(file), ". Check the unit that the file states")
    return ReadJob(
        source,
        file,
        machine,
        steps,
        operations,
        setup,
        touched_of(file.touched, file.units, machine.machine),
        nests,
    )


def fault_at(
    read: ReadJob | ReadMachine,
    key: KeyPath,
    found: str,
    allowed: str,
    tip: str = "",
    *,
    missing: bool = False,
) -> Diagnostic:
    """A located fault of a file that was read, for what only shows later.

    Examples
    --------
    ``raise InputFaults([fault_at(job, ("operation", 3, "work_offset"), "2, with other values", "...")])``
    """
    faults = DiagnosticCollector(read.source)
    faults.add(key, found, allowed, tip, missing=missing)
    return faults.located()[0]


def _check_kind(source: Source, wanted: FileKind) -> None:
    """Raise one fault for a file that is empty or of the other kind, instead of one for every key."""
    if not source.data and not source.unread:
        found = "the file holds only remarks" if source.text.strip() else "the file is empty"
        tip = "tiltwright machine new FILE asks for what goes in" if wanted == "machine" else ""
        raise InputFaults([Diagnostic(source.file, None, "", found, f"a {wanted} file", tip, missing=True)])
    other: FileKind = "job" if wanted == "machine" else "machine"
    if _has_keys_of(source, other) and not _has_keys_of(source, wanted):
        tips = {
            "job": 'a job file names its machine, machine = "mill.toml"; without a job: --machine FILE',
            "machine": "the machine file is the one that the job file names",
        }
        found = f"what looks like a {other} file"
        raise InputFaults([Diagnostic(source.file, None, "", found, f"a {wanted} file", tips[wanted])])


def refuse_other_kind(source: Source, wanted: str) -> None:
    """Raise one fault for a machine or job file where something else is wanted, instead of one for every key.

    Raises
    ------
    InputFaults
    """
    kinds: tuple[FileKind, ...] = ("job", "machine")
    for kind in kinds:
        if _has_keys_of(source, kind):
            raise InputFaults([Diagnostic(source.file, None, "", f"what looks like a {kind} file", wanted)])


def _has_keys_of(source: Source, kind: FileKind) -> bool:
    """Test whether a file has keys that only this kind of file has."""
    only = {
        "job": {"operation", "stack", "machine", "touched"},
        "machine": {"rotary", "z_reference", "platter"},
    }
    return not only[kind].isdisjoint(source.data)


def _machine(source: Source) -> tuple[ReadMachine | None, KnownMachine, DiagnosticCollector]:
    """The machine, or None and its faults; in both cases what could be read of it."""
    file, faults = decode_table(MachineFile, source)
    faults.extend((*check_machine(file), *check_machine_uncertainty(file)))
    machine = None if faults else _sound_machine(file, faults)
    read = None if machine is None else ReadMachine(source, file, machine)
    return read, _known(file), faults


def _sound_machine(file: MachineFile, faults: DiagnosticCollector) -> Machine | None:
    try:
        machine = machine_of(file)
    except KinematicsError as refusal:
        faults.add((), str(refusal), "a machine that can exist")
        return None
    try:
        table_frame(machine)
    except KinematicsError:
        faults.add(("platter", "normal"), "a direction along the machine's X", "a direction across it")
        return None
    return machine


def _machine_of_job(
    source: Source, file: JobFile, faults: DiagnosticCollector
) -> tuple[ReadMachine | None, KnownMachine, DiagnosticCollector | InputFaults | None]:
    """The job's machine, or None with what could be read of it and the faults of its file."""
    if file.machine is None:
        return None, KnownMachine(), None
    path = source.path.parent / file.machine
    try:
        machine_source = load(path, "a machine file")
        _check_kind(machine_source, "machine")
    except InputFaults as refusal:
        fault, *_ = refusal.faults
        if fault.line is not None and path.suffix.lower() == ".toml":
            return None, KnownMachine(), refusal
        if fault.line is not None:
            # Whatever that file is, its lines are none of a machine's, and no business of whoever reads the message.
            fault = Diagnostic(str(path), None, "", "a file that is no TOML", "a machine file")
        # Missing, a folder, unreadable, another kind of file: a fault of the job file, at its key.
        faults.add(
            ("machine",),
            f"{fault.found}: {path}",
            "a machine file, by its path from this file's folder",
            fault.tip,
            missing=fault.missing,
        )
        return None, KnownMachine(), None
    return _machine(machine_source)


def _known(file: MachineFile) -> KnownMachine:
    letters = tuple(rotary.letter for rotary in file.rotary)
    complete = bool(letters) and all(letter is not None for letter in letters)
    limits: dict[str, tuple[float, float]] = {
        rotary.letter: (rotary.limits[0], rotary.limits[1])
        for rotary in file.rotary
        if rotary.letter is not None and rotary.limits and letters.count(rotary.letter) == 1
    }
    holders = tuple(holder.name for holder in file.holder)
    named = all(name is not None for name in holders)
    return KnownMachine(letters if complete else None, limits, holders=holders if named else None)


def _with_offsets(known: KnownMachine, file: JobFile, setup: Setup | None) -> KnownMachine:
    """The same with its rotary offsets: from the setup, or without one as far as the job file gives them."""
    if setup is not None:
        offsets = dict(zip(setup.machine.letters, setup.rotary_offset_deg.tolist(), strict=True))
    elif file.square_up is None and "square_up" in keys_given(file):
        offsets = {}
    else:
        readings: dict[str, float | None] = file.square_up or {}
        offsets = {
            letter: readings.get(letter, 0.0)
            for letter in known.limits_deg
            if readings.get(letter, 0.0) is not None
        }
    return KnownMachine(known.letters, known.limits_deg, offsets, known.holders)


def _operations(file: JobFile, machine: Machine, faults: DiagnosticCollector) -> tuple[Operation, ...]:
    """The operations; each that the library refuses is a fault."""
    operations: list[Operation] = []
    for place, operation in enumerate(file.operation):
        try:
            operations.append(operation_of(operation, file.units, machine))
        except KinematicsError as refusal:
            faults.add(("operation", place), str(refusal), "an operation that can be placed")
    return tuple(operations)


_SAME_PLACE_MM = 1.0
"""Part zeros nearer than a millimetre are one place: nobody clamps two parts there, but a lost sign puts them there."""


def _nests(
    file: JobFile,
    machine: Machine,
    steps: tuple[StackStep, ...],
    known: KnownMachine,
    faults: DiagnosticCollector,
) -> tuple[ReadNest, ...]:
    """The nests; two in one place and angles outside their rotaries' limits are faults."""
    nests = [nest_of(table, file.units) for table in file.nest]
    if not nests:
        return ()
    from kinematics import nest_stacks  # a job without nests starts without it

    found: list[ReadNest] = []
    for place, (nest, stack) in enumerate(zip(nests, nest_stacks(steps, nests), strict=True)):
        table = file.nest[place]
        square_up = file.square_up if table.square_up is None else table.square_up
        setup = setup_of(square_up, machine, tuple(one.step for one in stack))
        done = tuple(k for k in range(len(file.operation)) if place in nests_of_operation(file, k))
        offsets = dict(zip(machine.letters, setup.rotary_offset_deg.tolist(), strict=True))
        limits = KnownMachine(known.letters, known.limits_deg, offsets, known.holders)
        for k in done:
            for key in ("at", "hold"):
                angles = getattr(file.operation[k], key)
                if angles is not None:
                    faults.extend(check_limits(("operation", k, key), angles, limits))
        where, stub = stub_of(file, place)
        if stub is not None and stub.unload is not None:
            faults.extend(check_limits((*where, "unload"), stub.unload, limits))
        zero_mm = setup.part_in_table.translation_mm
        for other in found:
            apart_mm = float(np.linalg.norm(zero_mm - other.setup.part_in_table.translation_mm))
            if apart_mm < _SAME_PLACE_MM:
                faults.add(
                    ("nest", place, "name"),
                    f'"{nest.name}", with its part zero where "{other.nest.name}" has its own',
                    "a place of its own for each nest",
                    "does a step lack its `shift`, or the `shift` its sign?",
                )
        touched = touched_of(table.touched, file.units, machine)
        found.append(ReadNest(nest, place, stack, setup, touched, done))
    return tuple(found)
