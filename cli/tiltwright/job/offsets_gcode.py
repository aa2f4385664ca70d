"""Work offsets as RS274/NGC (NISTIR 6556): `G10 L2` under a stated unit, no block that moves an axis."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kinematics import work_offset_code
from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests, NumberedOperation
from tiltwright.job.message_wording import message_words
from tiltwright.job.nests_output import nest_alerts, shown_name
from tiltwright.job.warnings import job_messages, joined_messages
from tiltwright.machine.sense import senses_words
from tiltwright.output.gcode import comment, needs_of
from tiltwright.output.messages import Severity
from tiltwright.output.numbers import UNIT_SYMBOL, angle, length

__all__ = [
    "block_order_words",
    "in_loading_order",
    "load_line",
    "loader_programs",
    "loader_words",
    "program",
    "program_words",
    "set_line",
    "unit_lines",
]

_HIGHEST_FIRST = "The highest is set first: a control without it refuses before anything is loaded"
_UNIT_CODE = {"mm": "G21", "inch": "G20"}


def load_line(one: NumberedOperation, letters: Sequence[str], units: str) -> str:
    """Block that sets one work offset, in absolute machine coordinates (section 3.5.5)."""
    xyz = [length(value, units) for value in one.placed.offset_mm]
    return set_line(one.number, xyz, letters, [angle(value) for value in one.placed.rotary_offset_deg])


def set_line(number: int, xyz: Sequence[str], letters: Sequence[str], angles: Sequence[str]) -> str:
    """Block that sets a work offset to numbers as they are shown."""
    x, y, z = xyz
    turned = "".join(f" {letter}{value}" for letter, value in zip(letters, angles, strict=True))
    return f"G10 L2 P{number} X{x} Y{y} Z{z}{turned}"


def program_words(nest: EvaluatedJob, one: NumberedOperation, name: str = "") -> str:
    """Purpose of a work offset: the program angles, the operation, and the program where the job names it."""
    angles = " ".join(
        f"{letter}{angle(value)}"
        for letter, value in zip(nest.setup.machine.letters, one.placed.program_deg, strict=True)
    )
    return f"{work_offset_code(one.number)} for program {angles}: {name or one.placed.name}{_program_of(nest, one)}"


def unit_lines(evaluated: EvaluatedJob, units: str) -> tuple[str, ...]:
    """Comment on what a loader does and does not do, and the block that sets the unit."""
    return (
        comment(f"Z reference: {z_comment_words(evaluated, units)}"),
        comment("Absolute machine coordinates. Sets work offsets only; moves no axis."),
        comment("Check every value against the setup sheet before the first cut."),
        comment(f"Jog and look: {senses_words(evaluated.setup.machine)}"),
        comment(f"Leaves {_UNIT_CODE[units]} active: {'millimetres' if units == 'mm' else 'inches'}."),
        _UNIT_CODE[units],
    )


def in_loading_order(
    operations: Iterable[NumberedOperation], *, before_each: bool
) -> tuple[NumberedOperation, ...]:
    """Operations in the order in which their work offsets are set.

    The highest number comes first, so that a control without it refuses before anything is loaded. Where an offset is
    set again before each operation, the order is that of the operations.
    """
    if before_each:
        return tuple(operations)
    return tuple(sorted(operations, key=lambda one: -one.number))


def block_order_words(numbers: Iterable[int]) -> tuple[str, ...]:
    """The sentence on why a loader begins with the highest of several work offsets; none for a single one.

    Examples
    --------
    >>> block_order_words([1, 2]), block_order_words([2, 2])
    (('The highest is set first: a control without it refuses before anything is loaded',), ())
    """
    return (_HIGHEST_FIRST,) if len(set(numbers)) > 1 else ()


def loader_words(evaluated: EvaluatedJob) -> tuple[str, ...]:
    """Sentences on the loader's language and on what a control must have to run it."""
    highest = max((one.number for one in evaluated.operations), default=1)
    found = needs_of(highest)
    return (
        found
        if evaluated.before_each
        else (*found, *block_order_words(one.number for one in evaluated.operations))
    )


def program(evaluated: EvaluatedJob, units: str) -> str:
    """Program that sets every work offset of a job and moves nothing.

    With more operations than work offsets it has a block for each operation, to be run before its program.
    """
    lines = [
        "%",
        comment(f"Work offsets for job: {evaluated.job.file.name}"),
        comment(f"Machine: {evaluated.job.machine.name}"),
        *map(comment, loader_words(evaluated)),
        *unit_lines(evaluated, units),
        *(
            comment(f"{message.severity.label}: {message_words(message, evaluated.operations, units)}")
            for message in joined_messages(job_messages(evaluated), units)
            if message.severity is not Severity.INFO
        ),
    ]
    letters = evaluated.setup.machine.letters
    loaded: dict[int, str] = {}
    for one in in_loading_order(evaluated.operations, before_each=evaluated.before_each):
        line = load_line(one, letters, units)
        lines.append(comment(program_words(evaluated, one)))
        if evaluated.before_each or loaded.get(one.number) != line:
            lines.append(line)
        if evaluated.before_each:
            # Run in one go, the last block would overwrite all the others, so the program stops after each.
            lines.append(comment(f"Do not go on to the next block before {one.placed.name} is done"))
            lines.append("M0")
        loaded[one.number] = line
    lines.append("%")
    return "\n".join(lines) + "\n"


def loader_programs(evaluated: EvaluatedNests, units: str) -> tuple[str, ...]:
    """Programs that set the work offsets of every nest and move nothing: one where all fit, else one for each loader.

    Each says before which operations it is to be run.
    """
    return tuple(_loader(evaluated, number, units) for number in range(1, evaluated.loader_count + 1))


def _loader(evaluated: EvaluatedNests, number: int, units: str) -> str:
    first, count = evaluated.nests[0], evaluated.loader_count
    names = dict.fromkeys(one.job.file.name for one in evaluated.nests)
    loaded = [
        (place, one)
        for place, nest in enumerate(evaluated.nests)
        for one in nest.operations
        if one.loader == number
    ]
    highest = max((one.number for _, one in loaded), default=1)
    needs = (*needs_of(highest), *block_order_words(one.number for _, one in loaded))
    lines = [
        "%",
        *(comment(f"Work offsets for job: {name}") for name in names),
        comment(f"Machine: {first.job.machine.name}"),
        *_whens(evaluated, number),
        *map(comment, needs),
        *unit_lines(first, units),
        *map(comment, nest_alerts(evaluated, units)),
    ]
    written: dict[int, str] = {}
    letters = first.setup.machine.letters
    for place, one in sorted(loaded, key=lambda pair: -pair[1].number):
        nest = evaluated.nests[place]
        line = load_line(one, letters, units)
        lines.append(comment(program_words(nest, one, shown_name(evaluated, place, one))))
        if written.get(one.number) != line:
            lines.append(line)
        written[one.number] = line
    if count > 1:
        lines.append(comment(f"End of loader {number} of {count}"))
    lines.append("%")
    return "\n".join(lines) + "\n"


def _whens(evaluated: EvaluatedNests, number: int) -> list[str]:
    """Comments on which of several loaders this is, and before which operation it is to be run."""
    if evaluated.loader_count == 1:
        return []
    shown = {(n, one.placed.name): one for n, nest in enumerate(evaluated.nests) for one in nest.operations}
    mine = [
        (n, one)
        for n, name in evaluated.names_in_order()
        if (one := shown.get((n, name))) is not None and one.loader == number
    ]
    lines = [comment(f"Loader {number} of {evaluated.loader_count}")]
    if mine:
        place, one = mine[0]
        before = f"{shown_name(evaluated, place, one)}{_program_of(evaluated.nests[place], one)}"
        lines.append(comment(f"Run it before: {before}"))
        end_place, end = mine[-1]
        lines.append(comment(f"It holds up to and with: {shown_name(evaluated, end_place, end)}"))
    lasting = sorted({one.number for one in shown.values()} - {one.number for _, one in mine})
    if lasting:
        codes = ", ".join(map(work_offset_code, lasting))
        lines.append(comment(f"Leaves alone: {codes}"))
    return lines


def _program_of(nest: EvaluatedJob, one: NumberedOperation) -> str:
    """The program that an operation runs, where the job names it."""
    name = nest.job.file.operation[one.placed.operation].program
    return "" if name is None else f", program {name}"


def z_comment_words(evaluated: EvaluatedJob, units: str) -> str:
    """The Z reference in words."""
    tool_length_mm = evaluated.setup.machine.z_reference.tool_length_mm
    if tool_length_mm is None:
        return "gauge line"
    return f"tip of the reference tool, {length(tool_length_mm, units)} {UNIT_SYMBOL[units]} long"
