"""What no single value of a job file shows: names used twice, unknown rotaries, angles outside limits."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from kinematics import KinematicsError, plane_through
from tiltwright.files.described import keys_given
from tiltwright.files.faults import Finding, KeyPath, nearest, one_of, shown
from tiltwright.files.job_file import FORMS, LAST_WORK_OFFSET, JobFile, OperationTable
from tiltwright.files.solid_checks import job_solid_findings

__all__ = ["Known", "job_findings"]

_SLACK_DEG = 1e-9


@dataclass(frozen=True)
class Known:
    """What is known of the machine, which may have faults itself.

    Attributes
    ----------
    letters : tuple of str or None
        Its rotaries; None where one of them could not be read.
    limits_deg : mapping of letter to (lowest, highest)
        Of the rotaries that have limits and whose limits could be read.
    offset_deg : mapping of letter to rotary work offset
        Of the rotaries whose offset is known.
    holders : tuple of str or None
        Names of its tool holders; None where one could not be read.
    """

    letters: tuple[str, ...] | None = None
    limits_deg: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    offset_deg: Mapping[str, float] = field(default_factory=dict)
    holders: tuple[str, ...] | None = None


def job_findings(job: JobFile, known: Known) -> Iterator[Finding]:
    """What is wrong between the values of a job file, and between it and its machine.

    The model may be a draft with None for what is unknown.
    """
    yield from _names(job.operation)
    for place, operation in enumerate(job.operation):
        yield from _form(place, operation)
        yield from _plane(place, operation)
        yield from _repeat(place, operation)
        yield from _only_when_aimed(place, operation)
        path: KeyPath = ("operation", place)
        if operation.at is not None:
            yield from _letters((*path, "at"), operation.at, known)
            yield from _every_letter((*path, "at"), operation.at, known)
            yield from _limits((*path, "at"), operation.at, known)
        if operation.hold is not None:
            yield from _letters((*path, "hold"), operation.hold, known)
            yield from _limits((*path, "hold"), operation.hold, known)
            if known.letters is not None and set(known.letters) <= set(operation.hold):
                yield Finding((*path, "hold"), "every rotary held", "at least one rotary left to aim with")
    yield from job_solid_findings(job, known.letters, known.holders)
    if job.square_up is not None:
        yield from _letters(("square_up",), job.square_up, known)
    if job.touched is not None and job.touched.pose is not None:
        place_of_pose: KeyPath = ("touched", "pose")
        yield from _letters(place_of_pose, job.touched.pose, known)
        yield from _every_letter(place_of_pose, job.touched.pose, known)
        machine_angles = Known(known.letters, known.limits_deg, dict.fromkeys(known.limits_deg, 0.0))
        yield from _limits(place_of_pose, job.touched.pose, machine_angles)


def _names(operations: Iterable[OperationTable]) -> Iterator[Finding]:
    """Names that two operations share, after repeats have been given their numbers."""
    taken: dict[str, int] = {}
    for place, operation in enumerate(operations):
        if operation.name is None:
            continue
        if operation.repeat is None and "repeat" in keys_given(operation):
            continue
        count = operation.repeat.count if operation.repeat is not None else 1
        if count is None:
            continue
        names = [operation.name] if count == 1 else [f"{operation.name} {k + 1}" for k in range(count)]
        for name in names:
            before = taken.setdefault(unicodedata.normalize("NFC", name), place)
            if before != place:
                found = shown(operation.name) + (
                    f", which becomes {shown(name)}" if name != operation.name else ""
                )
                yield Finding(
                    ("operation", place, "name"),
                    f"{found}, a name that operation {before + 1} has already",
                    "a name of its own for every operation",
                )
                break


def _form(place: int, operation: OperationTable) -> Iterator[Finding]:
    given = [form for form in FORMS if form in keys_given(operation)]
    if len(given) != 1:
        path: KeyPath = ("operation", place, given[1]) if given else ("operation", place)
        yield Finding(
            path, " and ".join(given) if given else "none of them", f"just one of {', '.join(FORMS)}"
        )


def _plane(place: int, operation: OperationTable) -> Iterator[Finding]:
    if operation.through is None:
        return
    try:
        plane_through(*operation.through)
    except KinematicsError:
        yield Finding(
            ("operation", place, "through"),
            f"{shown(list(map(list, operation.through)))}, three points in a line",
            "three points that span a plane",
        )


def _repeat(place: int, operation: OperationTable) -> Iterator[Finding]:
    repeat = operation.repeat
    if repeat is None or repeat.count is None:
        return
    if repeat.count > 1 and repeat.step is not None and repeat.step % 360.0 == 0.0:
        yield Finding(
            ("operation", place, "repeat", "step"),
            f"{shown(repeat.step)}, which puts all {repeat.count} in one place",
            "a step that is not a whole number of turns",
        )
    first = operation.work_offset
    if first is not None and first + repeat.count - 1 > LAST_WORK_OFFSET:
        yield Finding(
            ("operation", place, "work_offset"),
            f"{first} to {first + repeat.count - 1}, one for each of {repeat.count} repeats",
            f"work offsets 1 to {LAST_WORK_OFFSET}",
            "leave work_offset out to have it set again before each operation",
        )


def _only_when_aimed(place: int, operation: OperationTable) -> Iterator[Finding]:
    """Keys that would be passed over in silence where the angles are given."""
    given = keys_given(operation)
    if operation.when_free == "line up x" and "normal" in given:
        yield Finding(
            ("operation", place, "when_free"),
            '"line up x" beside normal, which says nothing of an x',
            'beside tip or through, which have an x of their own; beside normal "keep" only',
        )
    if "at" not in given:
        return
    # A repeat of stated angles aims all but the first.
    for key in ("when_free",) if "repeat" in given else ("tilt", "hold", "when_free"):
        if key in given:
            yield Finding(
                ("operation", place, key),
                f"{key} beside at",
                f"{key} with normal, tip or through only: at gives the angles themselves",
            )


def _letters(path: KeyPath, angles: Mapping[str, object], known: Known) -> Iterator[Finding]:
    for letter in angles:
        if known.letters is None:
            if letter not in ("A", "B", "C"):
                yield Finding((*path, letter), f"the rotary {shown(letter)}", one_of("ABC"))
        elif letter not in known.letters:
            near = nearest(letter, known.letters)
            tip = f'did you mean "{near}"?' if near else ""
            allowed = f"the machine's rotaries, {one_of(known.letters, 'and')}"
            yield Finding((*path, letter), f"the rotary {shown(letter)}", allowed, tip)


def _every_letter(path: KeyPath, angles: Mapping[str, float], known: Known) -> Iterator[Finding]:
    missing = [letter for letter in known.letters or () if letter not in angles]
    if missing:
        yield Finding(
            path,
            f"no angle for {one_of(missing, 'and')}",
            f"an angle for every rotary of the machine, {one_of(known.letters or (), 'and')}",
        )


def _limits(path: KeyPath, angles: Mapping[str, float], known: Known) -> Iterator[Finding]:
    for letter, angle in angles.items():
        if letter not in known.limits_deg or letter not in known.offset_deg:
            continue
        low, high = known.limits_deg[letter]
        offset = known.offset_deg[letter]
        machine = angle + offset
        if low - _SLACK_DEG <= machine <= high + _SLACK_DEG:
            continue
        found = f"{angle:.10g} degrees"
        if offset:
            found += f" (machine angle {machine:.10g}, with the rotary's offset of {offset:.10g})"
        turns = [machine + 360.0 * k for k in range(-3, 4)]
        inside = next((turned for turned in turns if low <= turned <= high), None)
        tip = f"the same pose is {inside - offset:.10g}" if inside is not None else ""
        yield Finding((*path, letter), found, f"machine angles {low:.10g} to {high:.10g}", tip)
