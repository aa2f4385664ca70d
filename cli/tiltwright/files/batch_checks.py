"""Checks on a batch: its times, the stubs that parts are left on, and the coating."""

from __future__ import annotations

from collections.abc import Iterator

from tiltwright.files.batch_tables import GRIPPER, StubTable
from tiltwright.files.checks import (
    KnownMachine,
    check_bore_and_bar,
    check_every_letter,
    check_letters,
    check_limits,
    known_name,
)
from tiltwright.files.diagnostics import KeyPath, UnlocatedDiagnostic, one_of, shown
from tiltwright.files.job_file import JobFile
from tiltwright.files.schema_types import keys_given
from tiltwright.files.solid_tables import MATERIALS

__all__ = ["check_batch", "stub_of"]


def stub_of(job: JobFile, nest: int | None) -> tuple[KeyPath, StubTable | None]:
    """The stub of a nest, or of a job without nests, and the path of its table."""
    own = None if nest is None else job.nest[nest].stub
    if nest is not None and own is not None:
        return ("nest", nest, "stub"), own
    return ("stub",), job.stub


def check_batch(job: JobFile, known: KnownMachine) -> Iterator[UnlocatedDiagnostic]:
    """Check what a job says of its batch; the table may be partial."""
    batch = job.batch
    if batch is not None:
        yield from _both(("batch",), keys_given(batch), "probe_every", "probing", 'probing = "4 min"')
        if "unattended" in keys_given(batch) and "hours" not in keys_given(batch):
            yield UnlocatedDiagnostic(
                ("batch", "unattended"),
                "a time to run alone after closing, and no hours",
                'hours = { Mon-Fri = "7:00-16:00" } beside it',
            )
    if job.stub is not None:
        yield from _stub(job, ("stub",), job.stub, known, limits=not job.nest)
    for place, nest in enumerate(job.nest):
        if nest.stub is not None:
            yield from _stub(job, ("nest", place, "stub"), nest.stub, known, limits=False)
    yield from _gripper(job)
    yield from _both((), keys_given(job), "coating", "coating_outward", "coating_outward = 0.5, or 1")
    yield from _coated(job)


def _both(
    path: KeyPath, given: frozenset[str], first: str, second: str, example: str
) -> Iterator[UnlocatedDiagnostic]:
    if first in given and second not in given:
        yield UnlocatedDiagnostic(
            (*path, second), "the key is missing", f"{example}, beside {first}", missing=True
        )
    elif second in given and first not in given:
        yield UnlocatedDiagnostic((*path, second), f"{second} without {first}", f"{first} beside it")


def _stub(
    job: JobFile, path: KeyPath, stub: StubTable, known: KnownMachine, *, limits: bool
) -> Iterator[UnlocatedDiagnostic]:
    given = keys_given(stub)
    sections = sorted(given & {"round", "bar"})
    if len(sections) != 1:
        yield UnlocatedDiagnostic(
            (*path, "bar") if sections else path,
            "round and bar both" if sections else "no section",
            "round or bar, one of them",
            missing=not sections,
        )
    yield from check_bore_and_bar(path, stub)
    yield from _material(job, path, stub)
    if "arm" in given and "grip" not in given:
        yield UnlocatedDiagnostic(
            (*path, "arm"),
            "an arm's force without its height",
            "grip = the height at which it acts, beside it",
        )
    if stub.unload is not None:
        where = (*path, "unload")
        yield from check_letters(where, stub.unload, known)
        yield from check_every_letter(where, stub.unload, known)
        if limits:
            yield from check_limits(where, stub.unload, known)


def _material(job: JobFile, path: KeyPath, stub: StubTable) -> Iterator[UnlocatedDiagnostic]:
    """Check that modulus and strength are stated: neither is guessed."""
    own = {
        material.name: (k, material) for k, material in enumerate(job.material) if material.name is not None
    }
    yield from known_name((*path, "material"), stub.material, (*MATERIALS, *own), "material")
    if stub.material is None or stub.material not in (*MATERIALS, *own):
        return
    place, material = own.get(stub.material, (0, None))
    if material is not None and "modulus" not in keys_given(material):
        yield UnlocatedDiagnostic(
            ("material", place, "modulus"),
            "the key is missing",
            f"the modulus of {shown(material.name)}, of which a stub is made",
            'modulus = "70 GPa"',
            missing=True,
        )
    if "strength" not in keys_given(stub) and (material is None or "strength" not in keys_given(material)):
        yield UnlocatedDiagnostic(
            (*path, "strength"),
            "the key is missing",
            'the stress at which it breaks, such as strength = "310 MPa"',
            f"it depends on the alloy and its temper; no strength of {shown(stub.material)} is known here",
            missing=True,
        )


def _gripper(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    stubs = [stub for stub in (job.stub, *(nest.stub for nest in job.nest)) if stub is not None]
    for place, solid in enumerate(job.solid):
        if solid.on == GRIPPER and not any("unload" in keys_given(stub) for stub in stubs):
            yield UnlocatedDiagnostic(
                ("solid", place, "on"),
                f"{shown(GRIPPER)}, and no unloading pose",
                "unload = { A = 0, C = 0 } in [stub], which says when it is there",
            )


def _coated(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    for place, feature in enumerate(job.feature):
        path: KeyPath = ("feature", place)
        given = keys_given(feature)
        if "coated" in given and "size" not in given:
            yield UnlocatedDiagnostic((*path, "coated"), "coated without a size", "size beside it")
        elif "coated" in given and "coating" not in keys_given(job):
            yield UnlocatedDiagnostic(
                (*path, "coated"),
                "coated, and the job has no coating",
                'coating = "0.012 mm" at the top of the job',
            )
        elif {"size"} <= given and "coated" not in given and "coating" in keys_given(job):
            yield UnlocatedDiagnostic(
                (*path, "coated"),
                "the key is missing",
                f"{one_of(['inside', 'outside', 'one face', 'no'])}, beside size where the job has a coating",
                missing=True,
            )
        if None in (feature.size, job.coating, job.coating_outward) or feature.coated not in (
            "outside",
            "one face",
        ):
            continue
        assert feature.size is not None
        assert job.coating is not None
        assert job.coating_outward is not None
        grown_mm = job.coating * job.coating_outward * (2.0 if feature.coated == "outside" else 1.0)
        if job.units is not None and job.units.to_mm(feature.size) <= grown_mm:
            yield UnlocatedDiagnostic(
                (*path, "size"),
                shown(feature.size),
                f"more than the coating's own {job.units.from_mm(grown_mm):.6g}",
            )
