"""A reach analysis as text."""

from __future__ import annotations

from collections.abc import Iterator

from kinematics import wrap_deg
from kinematics.reach import ClosestPair, IndexMove, Limit, Margin, RotaryMargin
from tiltwright.output.numbers import MASS_UNIT, TORQUE_UNIT, angle, length, mass, torque
from tiltwright.output.tables import table, units_words
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis

__all__ = [
    "against",
    "corner_words",
    "limit_words",
    "move_angles",
    "reach_text",
    "taken_as_given",
    "unstated",
]

_ENDS = {-1: "-", 1: "+"}


def corner_words(operation: OperationAnalysis) -> str:
    """At which corner of its sweep an operation comes nearest to something.

    An empty text where no box is swept or no one corner is to blame.
    """
    if operation.witness is None:
        return ""
    signs = [
        f"{_ENDS[sign]}{axis}" for sign, axis in zip(operation.witness.corner, "XYZ", strict=True) if sign
    ]
    if not signs:
        return ""
    return f"at the {' '.join(signs)} {'end' if len(signs) == 1 else 'corner'}"


def against(analysis: ReachAnalysis, units: str) -> tuple[str, ...]:
    """Everything that does not reach, clear or hold; nothing where all does."""
    return (
        *(f"{one.name}: {one.why}" for one in analysis.evaluated.unreached),
        *(words for operation in analysis.operations for words in _operation(analysis, operation, units)),
        *_move_sentences(analysis, units),
        *_load_sentences(analysis, units),
    )


def _operation(analysis: ReachAnalysis, operation: OperationAnalysis, units: str) -> Iterator[str]:
    name = operation.pose.name
    for margin in operation.linear:
        for end, left, readout in (
            ("lower", margin.to_low_mm, margin.low_mm),
            ("upper", margin.to_high_mm, margin.high_mm),
        ):
            if left < -1e-9:
                yield (
                    f"{name}: {margin.axis} would have to go to {length(readout, units)}, "
                    f"{length(-left, units)} beyond the {end} end of its travel"
                )
            elif left < analysis.margin_mm - 1e-9:
                yield (
                    f"{name}: {margin.axis} comes within {length(left, units)} of the {end} end of its travel; "
                    f"{length(analysis.margin_mm, units)} was to be left"
                )
    yield from _below_the_work(analysis, operation, units)
    for rotary in operation.rotary:
        if not rotary.fits:
            yield f"{name}: {rotary.letter} at {angle(rotary.machine_deg)} is outside its limits"
    for near in operation.clearance.too_close:
        where = corner_words(operation) if near == operation.clearance.nearest else ""
        yield f"{name}: {_near(near, analysis.clear_mm, units)}{' ' + where if where else ''}"
    listed = {near.pair for near in operation.clearance.too_close}
    for near in operation.retraction.too_close if operation.retraction else ():
        if near.pair not in listed:
            yield f"{name}, on the way straight up: {_near(near, analysis.clear_mm, units)}"


def _below_the_work(analysis: ReachAnalysis, operation: OperationAnalysis, units: str) -> Iterator[str]:
    """A stated retract position that would take the tool down and not up."""
    stated = analysis.model.retract_mm[2]
    for margin in operation.linear:
        if margin.axis == "Z" and stated is not None and stated < margin.high_mm - 1e-9:
            yield (
                f"{operation.pose.name}: it works up to Z {length(margin.high_mm, units)}; the retract position, Z "
                f"{length(stated, units)}, lies below that"
            )


def _near(near: ClosestPair, clear_mm: float, units: str) -> str:
    if near.gap_mm <= 0.0:
        return f"{near.cutting} runs into {near.turning}"
    return (
        f"{near.cutting} to {near.turning} is {length(near.gap_mm, units)}; "
        f"{length(clear_mm, units)} was to be kept"
    )


def _move_sentences(analysis: ReachAnalysis, units: str) -> Iterator[str]:
    for move in analysis.moves:
        if analysis.move_fits(move):
            continue
        angles = zip(analysis.model.machine.letters, move_angles(analysis, move), strict=True)
        at = ", ".join(f"{letter} {text}" for letter, text in angles)
        way = f"index {move.start} to {move.end}"
        if move.seen_mm <= 0.0:
            yield f"{way}: {move.turning} swings into {move.cutting} (seen at machine angles {at})"
        else:
            yield (
                f"{way}: {move.turning} passes {move.cutting} at {length(move.at_least_mm, units)} or a little "
                f"more (near machine angles {at}); {length(analysis.clear_mm, units)} was to be kept"
            )


def _load_sentences(analysis: ReachAnalysis, units: str) -> Iterator[str]:
    for k, load in enumerate(analysis.loads):
        if load.capacity_kg is not None and load.carried.mass_kg > load.capacity_kg:
            yield (
                f"{load.letter} carries {mass(load.carried.mass_kg, units)} {MASS_UNIT[units]}; its capacity is "
                f"{mass(load.capacity_kg, units)}"
            )
        if load.holding_nm is None:
            continue
        holding = torque(load.holding_nm, units)
        if load.worst.torque_nm > load.holding_nm:
            at = angle(float(load.worst.machine_deg[k]))
            yield (
                f"{load.letter}: gravity turns it with {torque(load.worst.torque_nm, units)} "
                f"{TORQUE_UNIT[units]} at {at} degrees; it holds {holding}"
            )
        for operation in analysis.operations:
            found = operation.torques[k]
            if found.total_nm > load.holding_nm:
                yield (
                    f"{operation.pose.name}: gravity and cutting force can turn {load.letter} with "
                    f"{torque(found.total_nm, units)} {TORQUE_UNIT[units]}; it holds {holding}"
                )


def taken_as_given(analysis: ReachAnalysis, units: str) -> tuple[str, ...]:
    """What the figures rest on, and what nobody stated."""
    model, evaluated = analysis.model, analysis.evaluated
    over = max(
        (
            operation.clearance.nearest.facet_error_mm
            for operation in analysis.operations
            if operation.clearance.nearest
        ),
        default=0.0,
    )
    words = [
        "only the solids in the files are in the way; chips, hoses, screws and doors are not",
        "what turns was held against tool, holder and spindle, not against the base or the mill's table",
        (
            "rounds are polygons drawn about them: a distance is never shown too long, and up to "
            f"{length(over, units)} {units} too short"
        ),
        (
            "the blank stays whole: what earlier operations took away still counts for holder, spindle and a shank "
            "that is thicker than its tool"
        ),
        (
            "on index moves the rotaries may arrive in any order, with the tool from before or after the move in "
            "the spindle, which has gone straight up"
        ),
        "loads are those of standing still, gravity along machine -Z; a mesh on the spindle is taken as its convex hull",
    ]
    words += unstated(analysis)
    if model.machine.travel is None:
        words.append("no travels are stated: the linear axes were not checked")
    z = model.retract_z_mm()
    if z is None:
        words.append("no retract position and no Z travel are stated: the index moves were not checked")
    elif model.retract_mm[2] is None:
        words.append(f"no retract position is stated: the top of Z travel, {length(z, units)}, was taken")
    platter = evaluated.job.machine_file.file.platter
    if platter is not None and platter.diameter is not None and platter.thickness is None:
        words.append("the platter's thickness is not stated: 1 mm was taken")
    unknown = dict.fromkeys(name for load in analysis.loads for name in load.carried.unknown)
    if unknown:
        words.append(f"the masses of these are not known and not in the loads: {', '.join(unknown)}")
    return tuple(words)


def unstated(analysis: ReachAnalysis) -> Iterator[str]:
    """What nobody stated of tools, sweeps and sections, so that it was not looked at."""
    without = [operation.pose.name for operation in analysis.operations if operation.pose.tool is None]
    if without:
        yield f"no tool is stated for {', '.join(without)}: neither Z nor distances were checked there"
    still = [operation.pose.name for operation in analysis.operations if not operation.pose.sweep.stated]
    if still:
        yield f"no sweep is stated for {', '.join(still)}: the tip was taken to stand at the origin alone"
    steps = zip(analysis.model.steps, analysis.model.step_bodies, strict=True)
    bare = [step.name for step, body in steps if body is None]
    if bare:
        yield f"no section is stated for {', '.join(bare)}: nothing is in the way there"


def move_angles(analysis: ReachAnalysis, move: IndexMove) -> tuple[str, ...]:
    """The machine angles at which an index move comes nearest; an endless rotary's within one turn."""
    return tuple(
        angle(value if rotary.limits_deg is not None else float(wrap_deg(value)))
        for rotary, value in zip(analysis.model.machine.rotaries, move.machine_deg.tolist(), strict=True)
    )


def limit_words(limit: Limit) -> str:
    """What ends a range, in words."""
    if limit.by == "asked":
        return "the end of what was looked at"
    if limit.by == "travel":
        axis, end = limit.what.split()
        return f"{axis} travel, {'lower' if end == 'low' else 'upper'} end, at {limit.operation}"
    if limit.by == "load":
        return limit.what + (f", at {limit.operation}" if limit.operation else "")
    if limit.by == "swing":
        return f"{limit.what}, on the index move {limit.operation}"
    return f"{limit.what}, at {limit.operation}"


_NO_TORQUE_NM = 1e-6
_STOPPED_BY = {
    "travel": "Z travel",
    "work": "the work",
    "holder": "its holder",
    "none": "",
    "clearance": "a distance",
}


def reach_text(analysis: ReachAnalysis, units: str) -> str:
    """The whole answer but the verdict."""
    evaluated = analysis.evaluated
    parts = [
        f"{evaluated.job.file.name}: reach in {units_words(units)} and degrees, on {analysis.model.machine.name}",
        f"What is left to the ends of travel and the limits (to the lower / to the upper end)\n\n{_margins(analysis, units)}",
        f"Nearest of what cuts to what turns, over the whole sweep\n\n{_distances(analysis, units)}",
    ]
    if analysis.moves:
        parts.append(f"Index moves, spindle retracted\n\n{_moves(analysis, units)}")
    parts.append(f"Load\n\n{_loads(analysis, units)}")
    given = "\n".join(f"- {words}" for words in taken_as_given(analysis, units))
    parts.append(f"Taken as given\n\n{given}")
    return "\n\n".join(parts)


def _margins(analysis: ReachAnalysis, units: str) -> str:
    letters = analysis.model.machine.letters
    head = ["operation", "X", "Y", "Z", *letters]
    rows = []
    for operation in analysis.operations:
        linear = {margin.axis: _left(margin, units) for margin in operation.linear}
        rows.append(
            [
                operation.pose.name,
                *(linear.get(axis, "not known") for axis in "XYZ"),
                *(_left_deg(margin) for margin in operation.rotary),
            ]
        )
    return table(head, rows)


def _left(margin: Margin, units: str) -> str:
    return f"{length(margin.to_low_mm, units)} / {length(margin.to_high_mm, units)}"


def _left_deg(margin: RotaryMargin) -> str:
    if margin.to_low_deg is None or margin.to_high_deg is None:
        return "endless"
    return f"{angle(margin.to_low_deg)} / {angle(margin.to_high_deg)}"


def _distances(analysis: ReachAnalysis, units: str) -> str:
    rows = [
        [
            operation.pose.name,
            operation.pose.tool.name if operation.pose.tool else "not known",
            _pair(operation),
            corner_words(operation),
            length(operation.clearance.nearest.gap_mm, units) if operation.clearance.nearest else "",
            length(operation.pose.tool.length_mm, units) if operation.pose.tool else "",
            _shortest(operation, units),
            _longest(operation, units),
        ]
        for operation in analysis.operations
    ]
    head = ["operation", "tool", "nearest", "where", "distance", "tool length", "shortest", "longest"]
    return table(head, rows, left=4)


def _pair(operation: OperationAnalysis) -> str:
    near = operation.clearance.nearest
    return f"{near.cutting} to {near.turning}" if near else "nothing"


def _shortest(operation: OperationAnalysis, units: str) -> str:
    lengths = operation.lengths
    if lengths is None:
        return ""
    if lengths.shortest_mm is None:
        return "none clears"
    by = _STOPPED_BY[lengths.shortest_by]
    return length(lengths.shortest_mm, units) + (f" ({by})" if by else "")


def _longest(operation: OperationAnalysis, units: str) -> str:
    lengths = operation.lengths
    if lengths is None or lengths.longest_mm is None:
        return ""
    by = _STOPPED_BY[lengths.longest_by]
    return length(lengths.longest_mm, units) + (f" ({by})" if by else "")


def _moves(analysis: ReachAnalysis, units: str) -> str:
    letters = analysis.model.machine.letters
    rows = [
        [
            move.start,
            move.end,
            f"{move.cutting} to {move.turning}",
            length(move.at_least_mm, units),
            *move_angles(analysis, move),
        ]
        for move in analysis.moves
    ]
    return table(["from", "to", "nearest", "at least", *(f"machine {x}" for x in letters)], rows, left=3)


def _loads(analysis: ReachAnalysis, units: str) -> str:
    rows = []
    for k, load in enumerate(analysis.loads):
        operation = max(analysis.operations, key=lambda one: one.torques[k].total_nm, default=None)
        worst = None if operation is None else operation.torques[k]
        rows.append(
            [
                load.letter,
                mass(load.carried.mass_kg, units),
                "" if load.capacity_kg is None else mass(load.capacity_kg, units),
                torque(load.worst.torque_nm, units),
                angle(float(load.worst.machine_deg[k])) if load.worst.torque_nm > _NO_TORQUE_NM else "",
                "" if operation is None else operation.pose.name,
                "" if worst is None else torque(worst.gravity_nm, units),
                "" if worst is None else torque(worst.force_nm, units),
                "" if load.holding_nm is None else torque(load.holding_nm, units),
            ]
        )
    m, t = MASS_UNIT[units], TORQUE_UNIT[units]
    head = [
        "rotary",
        f"carries {m}",
        "capacity",
        f"gravity {t}",
        "worst at",
        "most at",
        "its gravity",
        "its cut",
        "holds",
    ]
    return table(head, rows)
