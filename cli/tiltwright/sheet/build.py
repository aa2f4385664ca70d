"""The sheet of an evaluated job: every number is rounded and written here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics import (
    Machine,
    PlacedOperation,
    Setup,
    StackStep,
    cumulative_frames,
    is_horizontal,
    table_frame,
    table_pose,
    work_offset_code,
)
from tiltwright.files.batch_checks import targets_given
from tiltwright.files.job_file import OperationTable
from tiltwright.files.loader import ReadJob
from tiltwright.files.uncertainty_checks import states_uncertainty
from tiltwright.files.z_reading import z_reading
from tiltwright.job.coating import coating_rows, coating_words, cut_sizes
from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests
from tiltwright.job.message_wording import tolerance_words
from tiltwright.job.nests_output import order_rows, order_words
from tiltwright.job.offsets_gcode import in_loading_order, load_line
from tiltwright.job.warnings import alerts, beyond_travel
from tiltwright.output import numbers
from tiltwright.sheet.check_height import check_heights
from tiltwright.sheet.data import (
    LoadBlock,
    OperationRow,
    Sheet,
    StackRow,
    Texts,
    TiltDrawing,
    TouchTable,
    VerifyRow,
)
from tiltwright.sheet.side_view import (
    TiltOperation,
    bar_section,
    choose_view_direction,
    components_from_axis,
    round_section,
    side_view,
)
from tiltwright.sheet.wording import (
    NOTHING_CHECKED,
    calibration_words,
    cautions,
    directions,
    givens,
    load_words,
    short_angle,
    square_up_words,
    sweep_words,
    turns_words,
    verify_words,
    z_reference_words,
)

if TYPE_CHECKING:
    from tiltwright.reach.analysis import ReachAnalysis
    from tiltwright.sheet.side_view import SideView

__all__ = ["build_sheet"]

Array = NDArray[np.float64]

_UNIT_LINE = {"mm": "G21 (millimetres)", "inch": "G20 (inches)"}


def load_blocks(evaluated: EvaluatedJob, rows: Sequence[OperationRow], units: str) -> tuple[LoadBlock, ...]:
    """One block for all offsets if nine are enough, the highest number first; else one before each operation.

    Names stay out of it: the table above says which operation an offset belongs to.

    Parameters
    ----------
    evaluated : EvaluatedJob
    rows : sequence of OperationRow
        Of the same operations, in the same unit.
    units : str
        "mm" or "inch".

    Returns
    -------
    tuple of LoadBlock
    """
    letters = evaluated.setup.machine.letters
    ordered = in_loading_order(evaluated.operations, before_each=evaluated.before_each)
    lines = _aligned(
        [f"{load_line(one, letters, units)} ({work_offset_code(one.number)})" for one in ordered]
    )
    needs = load_words(
        max((one.number for one in ordered), default=1),
        first=not evaluated.before_each and len({one.number for one in ordered}) > 1,
    )
    if not evaluated.before_each:
        when = f"Run once, before the first operation. It sets offsets and moves nothing. {needs}"
        return (LoadBlock(when, (_UNIT_LINE[units], *dict.fromkeys(lines))),)
    return tuple(
        LoadBlock(f"{'' if place else needs + ' '}Before operation {row.title}", (_UNIT_LINE[units], line))
        for place, (row, line) in enumerate(zip(rows, lines, strict=True))
    )


def _aligned(lines: Sequence[str]) -> list[str]:
    """Lines with their words in columns (RS274/NGC, section 3.3: blanks between words mean nothing)."""
    words = [line.split(" ") for line in lines]
    widths = [max(map(len, column)) for column in zip(*words, strict=True)]
    return [" ".join(map(str.ljust, row, widths)).rstrip() for row in words]


def build_sheet(
    evaluated: EvaluatedJob,
    *,
    date: str,
    version: str,
    units: str | None = None,
    together: EvaluatedNests | None = None,
) -> Sheet:
    """The setup sheet of an evaluated job.

    Parameters
    ----------
    evaluated : EvaluatedJob
    date : str
        To print on it; the sheet reads no clock.
    version : str
        Of the program, to print on it.
    units : {"mm", "inch"}, optional
        Of every length on it; the job file's if left out.
    together : EvaluatedNests, optional
        All nests together, whose order of work goes on the sheet where it is by tilt.

    Returns
    -------
    Sheet
    """
    job, setup, machine = evaluated.job, evaluated.setup, evaluated.setup.machine
    units = units or job.unit.value
    analysis = _reach_analysis(evaluated)
    heights = check_heights(evaluated, analysis, units)
    failures = () if analysis is None else _failures(analysis, units)
    not_checked = (NOTHING_CHECKED,) if analysis is None else _not_checked(analysis)
    placed = [one.placed for one in evaluated.operations]
    registers = tuple(work_offset_code(one.number) for one in evaluated.operations)
    drawings = _drawings(evaluated, placed, registers, units, analysis)
    expanded = _expanded(evaluated, units)
    places = {} if together is None else _places(together, job.nest)
    rows = tuple(
        replace(
            _operation(
                places.get(one.name, str(index)),
                one,
                register,
                job.file.operation[one.operation],
                setup,
                units,
            ),
            expanded=expanded.get(one.name, ()),
        )
        for index, (one, register) in enumerate(zip(placed, registers, strict=True), 1)
    )
    return Sheet(
        job=job.file.name,
        revision=job.file.revision or "",
        machine=machine.name,
        units=units,
        z_reference=z_reference_words(machine, units),
        date=date,
        version=version,
        calibration=calibration_words(job.machine_file, units),
        notes=tuple(job.file.notes),
        alerts=(*not_checked, *failures, *alerts(evaluated, units)),
        failures=failures,
        letters=machine.letters,
        stack=_stack(job.steps, units),
        part_zero_table=numbers.lengths(setup.part_in_table.translation_mm, units),
        part_zero_machine=numbers.lengths(setup.part_in_machine.translation_mm, units),
        all_zero="machine "
        + "  ".join(
            f"{letter} {short_angle(float(a))}"
            for letter, a in zip(machine.letters, machine.zero_deg, strict=True)
        ),
        operations=rows,
        load=load_blocks(evaluated, rows, units),
        before_each=evaluated.before_each,
        touch=_touch(evaluated, units),
        drawings=drawings,
        givens=givens(
            setup,
            units,
            job.file.aim_within,
            touched=job.touched is not None and job.touched.use == "touched",
            corrected=evaluated.correction is not None,
            turned_apart=evaluated.correction is not None and not evaluated.correction.turns_alike,
            square_up=_rotary_offset_words(evaluated, job.file.square_up or {}),
            checked=None if analysis is None else _checked(analysis, units),
            probed=bool(job.file.zero_probing is not None and targets_given(job.file.zero_probing)),
        ),
        verify_words=verify_words(
            machine,
            units,
            heights.reasons,
            before_each=evaluated.before_each,
            square_up=sweep_words(setup, job.file.square_up or {}, _squared_up(evaluated)),
        ),
        verify=tuple(
            _verify(row, one, above_mm, units)
            for row, one, above_mm in zip(rows, placed, heights.heights_mm, strict=True)
        ),
        cautions=cautions(machine.letters),
        nest=job.nest or "",
        order_words="" if together is None else _order_words(together),
        order=() if together is None else _order(together),
        coating=coating_words(job, units),
        cut_sizes=tuple(coating_rows(cut_sizes(job), units)),
        corrected=evaluated.correction is not None,
    )


def _order_words(together: EvaluatedNests) -> str:
    """The order of work by tilt in words, below a heading that says what they are about."""
    if together.order.by != "by tilt":
        return ""
    words = order_words(together.order).removeprefix("Order of work: ")
    return words[0].upper() + words[1:]


def _order(together: EvaluatedNests) -> tuple[Texts, ...]:
    """A row for each operation in the order of work by tilt; none where it goes nest by nest."""
    rows = []
    for row in order_rows(together):
        for k, (place, name, register) in enumerate(zip(row.places, row.done, row.registers, strict=True)):
            machine = row.machine if k == 0 else ("",) * len(row.machine)
            rows.append((place, *machine, *row.program[k], register, name))
    return tuple(rows)


def _places(together: EvaluatedNests, nest: str | None) -> dict[str, str]:
    """The place of each operation of a nest in the order of work by tilt; none where it goes nest by nest."""
    return {
        name: place
        for row in order_rows(together)
        for place, (n, name) in zip(row.places, row.of, strict=True)
        if together.nests[n].job.nest == nest
    }


def _reach_analysis(evaluated: EvaluatedJob) -> ReachAnalysis | None:
    """Reach analysis of the operations, if the files state tools and something for them to run into.

    The modules for solids are imported here and below, so that a sheet without solids starts without them.
    """
    file, machine_file = evaluated.job.file, evaluated.job.machine_file.file
    bodies = file.solid or machine_file.solid or any(step.round or step.bar for step in file.stack)
    if not (file.tool and bodies):
        return None
    from tiltwright.reach.analysis import analyse_operations

    return analyse_operations(evaluated)


def _failures(analysis: ReachAnalysis, units: str) -> Texts:
    from tiltwright.reach.wording import failure_sentences

    return failure_sentences(analysis, units)


def _not_checked(analysis: ReachAnalysis) -> Texts:
    from tiltwright.reach.wording import not_checked_sentences

    return not_checked_sentences(analysis)


def _checked(analysis: ReachAnalysis, units: str) -> Texts:
    from tiltwright.sheet.solids import clearance_words

    return clearance_words(analysis, units)


def _with_solids(view: SideView, analysis: ReachAnalysis, which: int, units: str) -> SideView:
    from tiltwright.sheet.solids import with_solids

    return with_solids(view, analysis, which, units)


def _rotary_offset_words(evaluated: EvaluatedJob, square_up: Mapping[str, float | None]) -> Texts:
    correction = evaluated.correction
    if correction is None or not correction.turns_alike:
        return square_up_words(evaluated.setup, square_up)
    return square_up_words(correction.setup, square_up, {correction.letter: correction.turn_deg})


def _squared_up(evaluated: EvaluatedJob) -> str:
    """The work offset whose rotaries stand as the setup squares the part up: any, unless a correction turns some."""
    if evaluated.correction is None or evaluated.correction.turns_alike:
        return "a work offset"
    squared = (
        one
        for one in evaluated.operations
        if np.array_equal(one.placed.rotary_offset_deg, evaluated.setup.rotary_offset_deg)
    )
    return next((work_offset_code(one.number) for one in squared), "a work offset")


def _angles_words(letters: Texts, angles_deg: Sequence[float] | Array) -> str:
    return "  ".join(
        f"{letter} {numbers.angle(float(a))}" for letter, a in zip(letters, angles_deg, strict=True)
    )


def _expanded(evaluated: EvaluatedJob, units: str) -> dict[str, Texts]:
    """The expanded uncertainty of each operation's offset, where the job says how far things may be off."""
    if not states_uncertainty(evaluated.job.file):
        return {}
    from tiltwright.uncertainty.evaluation import expanded_uncertainties

    return {
        name: numbers.lengths(values, units)
        for (name, _), values in expanded_uncertainties(evaluated).items()
    }


def _operation(
    number: str, one: PlacedOperation, register: str, asked: OperationTable, setup: Setup, units: str
) -> OperationRow:
    eye = choose_view_direction(setup.machine)
    return OperationRow(
        number=number,
        name=one.name,
        register=register,
        program_name=asked.program or "",
        tool=asked.tool or "",
        program=tuple(numbers.angle(float(a)) for a in one.program_deg),
        machine=tuple(numbers.angle(float(a)) for a in one.machine_deg),
        origin=numbers.lengths(one.origin_mm, units),
        offset=numbers.lengths(one.offset_mm, units),
        rotary_offset=tuple(numbers.angle(float(a)) for a in one.rotary_offset_deg),
        directions=directions(one.axes),
        remarks=_remarks(one, setup.machine),
        beyond_travel=beyond_travel(one, setup.machine, units),
        platter=eye.seen(
            table_pose(setup.machine, one.machine_deg).rotation @ table_frame(setup.machine).rotation[:, 2]
        ),
        from_axis=components_from_axis(setup.machine, one.offset_mm, units),
        tilt=tuple(numbers.angle(float(a)) for a in one.machine_deg[:-1]),
    )


def _remarks(one: PlacedOperation, machine: Machine) -> Texts:
    remarks = []
    if one.plane_x_deg is not None:
        angle = numbers.angle(one.plane_x_deg)
        if angle != numbers.angle(0.0):
            remarks.append(
                f"the plane's own x lies {angle}° from machine +X (counterclockwise positive, seen from the spindle)"
            )
    for letter in one.singular_axes:
        angle = numbers.angle(float(one.program_deg[machine.index(letter)]))
        remarks.append(
            f"{letter} may have any angle here (the direction lies along its axis); program {letter} {angle} was used"
        )
    if numbers.angle(one.misalignment_deg) != numbers.angle(0.0):
        remarks.append(
            f"the direction is {numbers.angle(one.misalignment_deg)}° off the spindle, as the job allows"
        )
    return tuple(remarks)


def _stack(steps: Sequence[StackStep], units: str) -> tuple[StackRow, ...]:
    rows = []
    for index, (step, frame) in enumerate(zip(steps, cumulative_frames(steps)[1:], strict=True), 1):
        shift_x, shift_y = numbers.lengths(step.shift_mm, units)
        x, y, z = numbers.lengths(frame.translation_mm, units)
        rows.append(
            StackRow(
                number=str(index),
                name=step.name,
                up=numbers.length(step.up_mm, units),
                shift_x=shift_x,
                shift_y=shift_y,
                turns=turns_words(step),
                x=x,
                y=y,
                z=z,
            )
        )
    return tuple(rows)


def _touch(evaluated: EvaluatedJob, units: str) -> TouchTable | None:
    touch, touched = evaluated.touch, evaluated.job.touched
    if touch is None or touched is None:
        return None
    read = "  ".join(
        f"{axis} {value}" for axis, value in zip("XYZ", numbers.lengths(touched.at_mm, units), strict=True)
    )
    pose = _angles_words(evaluated.setup.machine.letters, touched.machine_deg)
    apart = f"They are {numbers.length(touch.distance_mm, units)} apart"
    limit = tolerance_words(touched.within_mm, evaluated.job.unit.value, units)
    source = (
        "that the job allows" if touched.within_stated else 'that is the default: the job sets no "within"'
    )
    apart += f", {'MORE THAN' if evaluated.touch_too_far else 'within'} the {limit} {source}"
    used = "touched-off part zero" if touched.use == "touched" else "part zero of the stack"
    return TouchTable(
        rows=(
            ("touched off", *numbers.lengths(touch.touched_mm, units)),
            ("from the stack", *numbers.lengths(touch.stack_mm, units)),
            ("difference, touched off minus stack", *numbers.lengths(touch.difference_mm, units)),
        ),
        words=(
            f"Read at machine angles {pose}: {read}. {z_reading(evaluated.setup.machine.z_reference.tool_length_mm)}",
            apart + ".",
            f"The offsets on this sheet use the {used}.",
        ),
    )


def _sections(job: ReadJob) -> tuple[Array | None, ...]:
    """The section of each step of the stack, where it is stated."""
    unit = job.unit
    found: list[Array | None] = []
    for row in job.file.stack:
        if row.round is not None:
            found.append(round_section(unit.to_mm(row.round)))
        elif row.bar is not None:
            found.append(bar_section((unit.to_mm(row.bar[0]), unit.to_mm(row.bar[1]))))
        else:
            found.append(None)
    return tuple(found)


def _drawings(
    evaluated: EvaluatedJob,
    placed: Sequence[PlacedOperation],
    registers: Texts,
    units: str,
    analysis: ReachAnalysis | None,
) -> tuple[TiltDrawing, ...]:
    """One drawing for each pose of all rotaries but the last.

    A lone rotary that lies level has one for each of its angles, any other lone rotary a single one.
    """
    setup, steps, sections = evaluated.setup, evaluated.job.steps, _sections(evaluated.job)
    machine = setup.machine
    lone_level = len(machine.rotaries) == 1 and is_horizontal(machine.rotaries[0])
    shown = len(machine.rotaries) if lone_level else len(machine.rotaries) - 1
    groups: dict[Texts, list[int]] = {}
    for index, one in enumerate(placed):
        key = tuple(numbers.angle(float(a)) for a in one.machine_deg[:shown])
        groups.setdefault(key, []).append(index)
    drawings = []
    last = machine.letters[-1]
    for members in groups.values():
        first = placed[members[0]]
        pose = _angles_words(machine.letters, first.program_deg)
        stands = [
            TiltOperation(placed[i].name, registers[i], placed[i].machine_deg, placed[i].offset_mm)
            for i in members
        ]
        view = side_view(machine, steps, setup.part_in_table, stands, units, f"At program {pose}", sections)
        if analysis is not None:
            view = _with_solids(view, analysis, members[0], units)
        across = "XY"[choose_view_direction(machine).right]
        drawings.append(
            TiltDrawing(
                view=view,
                head=(
                    "work offset",
                    f"operation{_at_tilt(machine, first)}",
                    f"program {last}",
                    f"Δ{across}",
                    "ΔZ",
                ),
                rows=tuple(
                    (mark.register, mark.name, numbers.angle(float(placed[i].program_deg[-1])), *mark.delta)
                    for i, mark in zip(members, view.marks, strict=True)
                ),
            )
        )
    return tuple(drawings)


def _at_tilt(machine: Machine, one: PlacedOperation) -> str:
    """The pose that the operations of a drawing share, in words; empty if there is no rotary but the last."""
    words = _angles_words(machine.letters[:-1], one.program_deg[:-1])
    return f" at program {words}" if words else ""


def _verify(row: OperationRow, one: PlacedOperation, above_mm: float, units: str) -> VerifyRow:
    x, y, _ = row.offset
    return VerifyRow(
        register=row.register,
        name=row.name,
        program=row.program,
        machine=row.machine,
        height=numbers.length(above_mm, units),
        display=(x, y, numbers.length(float(one.offset_mm[2]) + above_mm, units)),
        over=row.origin,
    )
