"""Offsets of several nests: as a table for people, as JSON and CSV for other programs, with what must be said of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from kinematics import work_offset_code
from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests, NumberedOperation
from tiltwright.job.message_kinds import JobMessage, TakenOutOfOrder
from tiltwright.job.message_wording import finding_words, message_words
from tiltwright.job.offsets_output import (
    EXPANDED_WORDS,
    NOT_TO_LOAD,
    ExpandedUncertainties,
    expanded_of,
    figures_head,
    figures_shown,
    jog_words,
    message_report,
    offsets_turn,
    operation_columns,
    operation_report,
    operation_values,
    short_name,
    touched_report,
    turned_table,
    u95_columns,
    u95_report,
    unreached_report,
    z_reference_kind,
)
from tiltwright.job.order_of_work import TiltChoice, WorkOrder
from tiltwright.job.plane_turns import TurnConvention
from tiltwright.job.warnings import job_messages, joined_messages, say_sentences
from tiltwright.output.json_csv import by_letter, csv_text, length_list
from tiltwright.output.messages import Message, Severity, name_list, named
from tiltwright.output.numbers import angle
from tiltwright.output.tables import units_words, wrapped

__all__ = [
    "OrderRow",
    "nest_alerts",
    "nests_csv",
    "nests_report",
    "nests_table",
    "order_rows",
    "order_words",
    "say_nests_messages",
    "shown_name",
]


MessagesOf = Callable[[EvaluatedJob], tuple[JobMessage, ...]]


def shown_name(evaluated: EvaluatedNests, place: int, one: NumberedOperation) -> str:
    """An operation's name, and its nest's.

    Examples of what it gives: "port 1 in nest left"; "port 1" where there are no nests.
    """
    called = evaluated.called(place)
    if evaluated.several_jobs:
        return f"{one.placed.name} of {called}"
    return f"{one.placed.name} in nest {called}" if called else one.placed.name


def _of_all(evaluated: EvaluatedNests) -> tuple[JobMessage, ...]:
    """Messages about all nests together."""
    found: list[JobMessage] = []
    tables = [table for one in evaluated.nests for table in one.job.file.operation]
    if evaluated.order.by == "by tilt" and not any(table.after for table in tables):
        found.append(Message(Severity.WARNING, TakenOutOfOrder()))
    return tuple(found)


def _said(
    evaluated: EvaluatedNests, units: str, messages_of: MessagesOf = job_messages
) -> dict[tuple[Severity, str], list[str]]:
    """Everything to be said in words, with the nests that it is said of; none for what is said of all together."""
    said: dict[tuple[Severity, str], list[str]] = {}
    if messages_of is job_messages:
        for message in _of_all(evaluated):
            said[message.severity, finding_words(message.finding, units)] = []
    for place, one in enumerate(evaluated.nests):
        for message in joined_messages(messages_of(one), units):
            names = said.setdefault((message.severity, message_words(message, one.operations, units)), [])
            names.append(evaluated.called(place))
    return said


def _sentence(evaluated: EvaluatedNests, names: Sequence[str], words: str) -> str:
    """A sentence with the nests it is about before it, where it is not about all of them."""
    return words if len(names) in {0, len(evaluated.nests)} else f"{', '.join(names)}: {words}"


def nest_alerts(evaluated: EvaluatedNests, units: str) -> tuple[str, ...]:
    """Cautions and failures in words, for the comments of a program."""
    return tuple(
        f"{severity.label}: {_sentence(evaluated, names, words)}"
        for (severity, words), names in _said(evaluated, units).items()
        if severity is not Severity.INFO
    )


def say_nests_messages(evaluated: EvaluatedNests, units: str, messages_of: MessagesOf = job_messages) -> None:
    """Write to stderr what the reader of a table must not miss, or what `messages_of` each nest finds."""
    said = _said(evaluated, units, messages_of)
    say_sentences((severity, _sentence(evaluated, names, words)) for (severity, words), names in said.items())


def nests_table(
    evaluated: EvaluatedNests,
    units: str,
    turns: TurnConvention | None = None,
    expanded_mm: ExpandedUncertainties | None = None,
) -> str:
    """Work offsets of every nest as a table, one row for each operation, and the order of work below it."""
    first = evaluated.nests[0]
    machine = first.setup.machine
    offset_rotaries = offsets_turn(evaluated.nests)
    several, nested = evaluated.several_jobs, any(one.nest is not None for one in evaluated.nests)
    named = several or nested
    head = [*(["job"] if several else []), *(["nest"] if nested else [])]
    head += ["operation", "load"]
    head += ["loader"] if evaluated.loader_count > 1 else []
    head += figures_head(machine, offset_rotaries=offset_rotaries, expanded=bool(expanded_mm))
    rows, axes = [], []
    for place, one in _rows(evaluated):
        nest = evaluated.nests[place]
        rows.append(
            [
                *([short_name(nest.job.file.name)] if several else []),
                *([short_name(nest.nest or "")] if nested else []),
                short_name(one.placed.name),
                work_offset_code(one.number),
                *([str(one.loader)] if evaluated.loader_count > 1 else []),
                *figures_shown(nest, one.placed, units, expanded_mm, offset_rotaries=offset_rotaries),
            ]
        )
        axes.append(one.placed.axes)
    names = " and ".join(dict.fromkeys(one.job.file.name for one in evaluated.nests))
    title = f"{names}: work offsets in {units_words(units)} and degrees, on {machine.name}"
    if any(one.touch_too_far for one in evaluated.nests):
        title = f"{NOT_TO_LOAD}\n{title}"
    text = turned_table(title, head, rows, axes, turns, left=2 + several + nested)
    words = [EXPANDED_WORDS] if expanded_mm else []
    return "\n\n".join([text, *words, *([_order_text(evaluated)] if named else []), jog_words(machine)])


def _rows(evaluated: EvaluatedNests) -> Iterator[tuple[int, NumberedOperation]]:
    for place, nest in enumerate(evaluated.nests):
        for one in nest.operations:
            yield place, one


def order_words(order: WorkOrder) -> str:
    """The order of work as a sentence, with the index motion and time that it takes and saves.

    Examples
    --------
    >>> by_nest = WorkOrder("by nest", ((),), 3, 480.0, 200.0, None, None, True)
    >>> print(wrapped(order_words(by_nest)))
    Order of work: by nest, 3 poses, 480 degrees of index motion from program zero and back to it. By
    tilt it would be 200 degrees: order = "by tilt".
    >>> from tiltwright.job.order_of_work import BetterTilts
    >>> choice = TiltChoice(("drain slot",), True, BetterTilts((("drain slot", "positive"),), 60.0))
    >>> by_tilt = WorkOrder("by tilt", ((),), 3, 200.0, 480.0, 4.0, 9.5, True, choice)
    >>> print(wrapped(order_words(by_tilt)))
    Order of work: by tilt, 3 poses, 200 degrees of index motion in 4.0 s from program zero and back to
    it. By nest it would be 480 degrees in 9.5 s. No other order of these poses has less. Two tilts
    would serve drain slot; it keeps the one it was aimed at. With tilt = "positive" at drain slot it
    would be 60 degrees, the least of all tilts and orders.
    """
    poses = f"{order.poses} pose{'s' if order.poses != 1 else ''}"
    time = "" if order.time_s is None else f" in {order.time_s:.1f} s"
    words = (
        f"Order of work: {order.by}, {poses}, {order.motion_deg:.6g} degrees of index motion{time} from program zero and back "
        "to it."
    )
    if order.by == "by tilt":
        less = (
            " No other order of these poses has less."
            if order.exact
            else " With more than 12 poses a shorter order may exist."
        )
        assert order.other_deg is not None  # by tilt, the motion by nest is always known
        words += f" By nest it would be {_motion(order.other_deg, order.other_s)}.{less}{_tilt_words(order.tilt_choice)}"
    elif order.other_deg is not None and order.other_deg < order.motion_deg - _NOT_WORTH_DEG:
        words += f' By tilt it would be {_motion(order.other_deg, order.other_s)}: order = "by tilt".'
    return words


_NOT_WORTH_DEG = 0.5


def _tilt_words(choice: TiltChoice | None) -> str:
    """Sentence on the tilts that the order chose for operations that two tilts serve."""
    if choice is None:
        return ""
    names = name_list(choice.operations, "and")
    keeps = "it keeps" if len(choice.operations) == 1 else "each keeps"
    words = f" Two tilts would serve {names}; {keeps} the one it was aimed at"
    if choice.better is None:
        if not choice.compared:
            return f"{words}, and not every choice of tilts was compared."
        return f"{words}, and no other choice of tilts and order has less motion."
    better = choice.better
    asked = " and ".join(f'tilt = "{tilt}" at {named(name)}' for name, tilt in better.changes)
    least = (
        "the least of all tilts and orders"
        if choice.compared
        else "and not every choice of tilts was compared"
    )
    return f"{words}. With {asked} it would be {better.motion_deg:.6g} degrees, {least}."


def _motion(motion_deg: float, time_s: float | None) -> str:
    words = f"{motion_deg:.6g} degrees"
    return words if time_s is None else f"{words} in {time_s:.1f} s"


@dataclass(frozen=True)
class OrderRow:
    """One pose of the order of work.

    Attributes
    ----------
    places : tuple of str
        The place of each operation that is done there in the order of work: "1", "2".
    machine : tuple of str
        Machine angles.
    program : tuple of tuple of str
        Program angles of each operation that is done there; nests that are squared up differ.
    done : tuple of str
        The operations with their nests.
    registers : tuple of str
        Their work offsets.
    of : tuple of (int, str)
        The nest of each, from 0, and the operation's own name.
    """

    places: tuple[str, ...]
    machine: tuple[str, ...]
    program: tuple[tuple[str, ...], ...]
    done: tuple[str, ...]
    registers: tuple[str, ...]
    of: tuple[tuple[int, str], ...]


def order_rows(evaluated: EvaluatedNests) -> tuple[OrderRow, ...]:
    """The order of work pose by pose, by tilt; none where the work goes nest by nest."""
    if evaluated.order.by != "by tilt":
        return ()
    shown = {(n, one.placed.name): one for n, one in _rows(evaluated)}
    rows: list[OrderRow] = []
    before = 0
    for group in evaluated.order.groups:
        members = [(n, shown[n, name]) for n, k in group if (n, name := evaluated.names[n][k]) in shown]
        if members:
            rows.append(
                OrderRow(
                    tuple(str(before + k) for k in range(1, len(members) + 1)),
                    tuple(map(angle, members[0][1].placed.machine_deg)),
                    tuple(tuple(map(angle, one.placed.program_deg)) for _, one in members),
                    tuple(shown_name(evaluated, n, one) for n, one in members),
                    tuple(work_offset_code(one.number) for _, one in members),
                    tuple((n, one.placed.name) for n, one in members),
                )
            )
            before += len(members)
    return tuple(rows)


def _order_text(evaluated: EvaluatedNests) -> str:
    """The order of work in words, and by tilt the operations pose by pose."""
    letters = evaluated.nests[0].setup.machine.letters

    def angles(values: Sequence[str]) -> str:
        return " ".join(f"{letter} {value}" for letter, value in zip(letters, values, strict=True))

    lines = [wrapped(order_words(evaluated.order))]
    for row in order_rows(evaluated):
        program = set(row.program)
        done = [f"{name} ({code})" for name, code in zip(row.done, row.registers, strict=True)]
        if program == {row.machine}:
            pose = f"machine and program {angles(row.machine)}"
        elif len(program) == 1:
            pose = f"machine {angles(row.machine)}, program {angles(row.program[0])}"
        else:
            pose = f"machine {angles(row.machine)}"
            own = zip(row.done, row.registers, row.program, strict=True)
            done = [f"{name} ({code}, program {angles(values)})" for name, code, values in own]
        places = row.places[0] if len(row.places) == 1 else f"{row.places[0]} to {row.places[-1]}"
        lines.append(f"  {places}. {pose}: {', '.join(done)}")
    return "\n".join(lines)


def nests_report(
    evaluated: EvaluatedNests,
    units: str,
    turns: TurnConvention | None = None,
    expanded_mm: ExpandedUncertainties | None = None,
) -> dict[str, Any]:
    """Work offsets of every nest for JSON, in the form of one job's; each operation has its nest, job and loader."""
    first = evaluated.nests[0]
    jobs = list(dict.fromkeys(one.job.file.name for one in evaluated.nests))
    machine = first.setup.machine
    of_all = [message_report(message, first, units) for message in _of_all(evaluated)]
    return {
        "schema": "tiltwright.offsets/1",
        "job": " and ".join(jobs),
        "units": units,
        "z_reference": z_reference_kind(machine),
        "operations": [
            {
                **operation_report(evaluated.nests[place], one.placed, one.number, units, turns),
                **u95_report(expanded_of(evaluated.nests[place], one.placed.name, expanded_mm), units),
                "job": evaluated.nests[place].job.file.name,
                "loader": one.loader,
            }
            for place, one in _rows(evaluated)
        ],
        "unreached": [
            {**unreached_report(one), "nest": nest.nest, "job": nest.job.file.name}
            for nest in evaluated.nests
            for one in nest.unreached
        ],
        "set_before_each": evaluated.loader_count > 1,
        "loaders": evaluated.loader_count,
        "order": _order_report(evaluated),
        "nests": [_nest_report(one, units) for one in evaluated.nests],
        "remarks": [
            *({**one, "nest": None} for one in of_all),
            *(
                {**message_report(message, nest, units), "nest": nest.nest}
                for nest in evaluated.nests
                for message in job_messages(nest)
            ),
        ],
    }


def _nest_report(one: EvaluatedJob, units: str) -> dict[str, Any]:
    zero_mm = one.setup.part_in_table.translation_mm
    return {
        "name": one.nest,
        "job": one.job.file.name,
        "steps": [step.name for step in one.job.steps],
        "part_zero": length_list(zero_mm, units),
        "touched": touched_report(one, units),
    }


def _order_report(evaluated: EvaluatedNests) -> dict[str, Any]:
    order = evaluated.order
    return {
        "by": order.by,
        "poses": order.poses,
        "motion_deg": order.motion_deg,
        "other_motion_deg": order.other_deg,
        "index_s": order.time_s,
        "other_index_s": order.other_s,
        "least": order.exact and order.by == "by tilt",
        "tilt": _tilt_report(order.tilt_choice),
        "operations": [
            {
                "job": evaluated.nests[n].job.file.name,
                "nest": evaluated.nests[n].nest,
                "name": name,
                **_angles_report(evaluated.nests[n], name),
            }
            for n, name in evaluated.names_in_order()
        ],
    }


def _tilt_report(choice: TiltChoice | None) -> dict[str, Any] | None:
    if choice is None:
        return None
    better = choice.better
    return {
        "open": list(choice.operations),
        "compared": choice.compared,
        "better": None
        if better is None
        else {
            "tilts": [{"operation": name, "tilt": tilt} for name, tilt in better.changes],
            "motion_deg": better.motion_deg,
        },
    }


def _angles_report(nest: EvaluatedJob, name: str) -> dict[str, Any]:
    """The angles of an operation; null where it is left out of the table."""
    one = next((one.placed for one in nest.operations if one.placed.name == name), None)
    machine = nest.setup.machine
    return {
        "machine": None if one is None else by_letter(machine, one.machine_deg),
        "program": None if one is None else by_letter(machine, one.program_deg),
    }


def nests_csv(
    evaluated: EvaluatedNests,
    units: str,
    turns: TurnConvention | None = None,
    expanded_mm: ExpandedUncertainties | None = None,
) -> str:
    """Work offsets of every nest as CSV, one row for each operation, the unit in every column's name; U95 where known."""
    touched = any(one.touch is not None for one in evaluated.nests)
    head = [
        *(["job"] if evaluated.several_jobs else []),
        "nest",
        "operation",
        "work_offset",
        "loader",
        *operation_columns(evaluated.nests[0].setup.machine, units, turns),
        *(["touch_off"] if touched else []),
        *(u95_columns(units) if expanded_mm else []),
    ]
    rows = []
    for place, one in _rows(evaluated):
        nest = evaluated.nests[place]
        verdict = "" if nest.touch is None else "too far" if nest.touch_too_far else "accepted"
        rows.append(
            [
                *([nest.job.file.name] if evaluated.several_jobs else []),
                nest.nest or "",
                one.placed.name,
                one.number,
                one.loader,
                *operation_values(one.placed, units, turns),
                *([verdict] if touched else []),
                *length_list(expanded_of(nest, one.placed.name, expanded_mm), units),
            ]
        )
    return csv_text(head, rows)
