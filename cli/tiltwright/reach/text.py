"""A reach analysis as text."""

from __future__ import annotations

from collections.abc import Iterator

from kinematics import wrap_deg
from kinematics.reach import ClosestPair, IndexMove, Limit, Margin, RotaryMargin
from tiltwright.job.aim_wording import unreachable_text
from tiltwright.output.numbers import MASS_UNIT, TORQUE_UNIT, angle, length, mass, torque
from tiltwright.output.tables import table, units_words
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis

__all__ = ["against", "corner_words", "move_angles", "reach_text", "stop_words", "taken_as_given", "unstated"]

_ENDS = {-1: "-", 1: "+"}


def corner_words(stood: OperationAnalysis) -> str:
    """At which corner of its sweep an operation comes nearest to something.

    An empty text where no box is swept or no one corner is to blame.
    """
    if stood.place is None:
        return ""
    signs = [f"{_ENDS[sign]}{axis}" for sign, axis in zip(stood.place.corner, "XYZ", strict=True) if sign]
    if not signs:
        return ""
    return f"at the {' '.join(signs)} {'end' if len(signs) == 1 else 'corner'}"


def against(reached: ReachAnalysis, units: str) -> tuple[str, ...]:
    """Everything that does not reach, clear or hold; nothing where all does."""
    return (
        *(f"{one.name}: {unreachable_text(one)}" for one in reached.worked.unreached),
        *(words for stood in reached.operations for words in _operation(reached, stood, units)),
        *_move_sentences(reached, units),
        *_load_sentences(reached, units),
    )


def _operation(reached: ReachAnalysis, stood: OperationAnalysis, units: str) -> Iterator[str]:
    name = stood.stand.name
    for margin in stood.linear:
        for end, left, readout in (
            ("lower", margin.to_low_mm, margin.low_mm),
            ("upper", margin.to_high_mm, margin.high_mm),
        ):
            if left < -1e-9:
                yield (
                    f"{name}: {margin.axis} would have to go to {length(readout, units)}, "
                    f"{length(-left, units)} beyond the {end} end of its travel"
                )
            elif left < reached.margin_mm - 1e-9:
                yield (
                    f"{name}: {margin.axis} comes within {length(left, units)} of the {end} end of its travel; "
                    f"{length(reached.margin_mm, units)} was to be left"
                )
    yield from _below_the_work(reached, stood, units)
    for rotary in stood.rotary:
        if not rotary.fits:
            yield f"{name}: {rotary.letter} at {angle(rotary.machine_deg)} is outside its limits"
    for near in stood.clearance.too_near:
        where = corner_words(stood) if near == stood.clearance.nearest else ""
        yield f"{name}: {_near(near, reached.clear_mm, units)}{' ' + where if where else ''}"
    listed = {near.pair for near in stood.clearance.too_near}
    for near in stood.way_up.too_near if stood.way_up else ():
        if near.pair not in listed:
            yield f"{name}, on the way straight up: {_near(near, reached.clear_mm, units)}"


def _below_the_work(reached: ReachAnalysis, stood: OperationAnalysis, units: str) -> Iterator[str]:
    """A stated retract position that would take the tool down and not up."""
    stated = reached.layout.retract_mm[2]
    for margin in stood.linear:
        if margin.axis == "Z" and stated is not None and stated < margin.high_mm - 1e-9:
            yield (
                f"{stood.stand.name}: it works up to Z {length(margin.high_mm, units)}; the retract position, Z "
                f"{length(stated, units)}, lies below that"
            )


def _near(near: ClosestPair, clear_mm: float, units: str) -> str:
    if near.gap_mm <= 0.0:
        return f"{near.cutting} runs into {near.turning}"
    return (
        f"{near.cutting} to {near.turning} is {length(near.gap_mm, units)}; "
        f"{length(clear_mm, units)} was to be kept"
    )


def _move_sentences(reached: ReachAnalysis, units: str) -> Iterator[str]:
    for move in reached.moves:
        if reached.move_fits(move):
            continue
        angles = zip(reached.layout.machine.letters, move_angles(reached, move), strict=True)
        at = ", ".join(f"{letter} {text}" for letter, text in angles)
        way = f"index {move.start} to {move.end}"
        if move.seen_mm <= 0.0:
            yield f"{way}: {move.turning} swings into {move.cutting} (seen at machine angles {at})"
        else:
            yield (
                f"{way}: {move.turning} passes {move.cutting} at {length(move.at_least_mm, units)} or a little "
                f"more (near machine angles {at}); {length(reached.clear_mm, units)} was to be kept"
            )


def _load_sentences(reached: ReachAnalysis, units: str) -> Iterator[str]:
    for k, load in enumerate(reached.loads):
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
        for stood in reached.operations:
            found = stood.torques[k]
            if found.total_nm > load.holding_nm:
                yield (
                    f"{stood.stand.name}: gravity and cutting force can turn {load.letter} with "
                    f"{torque(found.total_nm, units)} {TORQUE_UNIT[units]}; it holds {holding}"
                )


def taken_as_given(reached: ReachAnalysis, units: str) -> tuple[str, ...]:
    """What the figures rest on, and what nobody stated."""
    layout, worked = reached.layout, reached.worked
    over = max(
        (stood.clearance.nearest.over_mm for stood in reached.operations if stood.clearance.nearest),
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
    words += unstated(reached)
    if layout.machine.travel is None:
        words.append("no travels are stated: the linear axes were not checked")
    z = layout.retract_z_mm()
    if z is None:
        words.append("no retract position and no Z travel are stated: the index moves were not checked")
    elif layout.retract_mm[2] is None:
        words.append(f"no retract position is stated: the top of Z travel, {length(z, units)}, was taken")
    platter = worked.job.machine_file.file.platter
    if platter is not None and platter.diameter is not None and platter.thickness is None:
        words.append("the platter's thickness is not stated: 1 mm was taken")
    unknown = dict.fromkeys(name for load in reached.loads for name in load.carried.unknown)
    if unknown:
        words.append(f"the masses of these are not known and not in the loads: {', '.join(unknown)}")
    return tuple(words)


def unstated(reached: ReachAnalysis) -> Iterator[str]:
    """What nobody stated of tools, sweeps and sections, so that it was not looked at."""
    without = [stood.stand.name for stood in reached.operations if stood.stand.tool is None]
    if without:
        yield f"no tool is stated for {', '.join(without)}: neither Z nor distances were checked there"
    still = [stood.stand.name for stood in reached.operations if not stood.stand.sweep.stated]
    if still:
        yield f"no sweep is stated for {', '.join(still)}: the tip was taken to stand at the origin alone"
    steps = zip(reached.layout.steps, reached.layout.step_bodies, strict=True)
    bare = [step.name for step, body in steps if body is None]
    if bare:
        yield f"no section is stated for {', '.join(bare)}: nothing is in the way there"


def move_angles(reached: ReachAnalysis, move: IndexMove) -> tuple[str, ...]:
    """The machine angles at which an index move comes nearest; an endless rotary's within one turn."""
    return tuple(
        angle(value if rotary.limits_deg is not None else float(wrap_deg(value)))
        for rotary, value in zip(reached.layout.machine.rotaries, move.machine_deg.tolist(), strict=True)
    )


def stop_words(stop: Limit) -> str:
    """What ends a range, in words."""
    if stop.by == "asked":
        return "the end of what was looked at"
    if stop.by == "travel":
        axis, end = stop.what.split()
        return f"{axis} travel, {'lower' if end == 'low' else 'upper'} end, at {stop.operation}"
    if stop.by == "load":
        return stop.what + (f", at {stop.operation}" if stop.operation else "")
    if stop.by == "swing":
        return f"{stop.what}, on the index move {stop.operation}"
    return f"{stop.what}, at {stop.operation}"


_NO_TORQUE_NM = 1e-6
_STOPPED_BY = {
    "travel": "Z travel",
    "work": "the work",
    "holder": "its holder",
    "none": "",
    "clearance": "a distance",
}


def reach_text(reached: ReachAnalysis, units: str) -> str:
    """The whole answer but the verdict."""
    worked = reached.worked
    parts = [
        f"{worked.job.file.name}: reach in {units_words(units)} and degrees, on {reached.layout.machine.name}",
        f"What is left to the ends of travel and the limits (to the lower / to the upper end)\n\n{_margins(reached, units)}",
        f"Nearest of what cuts to what turns, over the whole sweep\n\n{_distances(reached, units)}",
    ]
    if reached.moves:
        parts.append(f"Index moves, spindle retracted\n\n{_moves(reached, units)}")
    parts.append(f"Load\n\n{_loads(reached, units)}")
    given = "\n".join(f"- {words}" for words in taken_as_given(reached, units))
    parts.append(f"Taken as given\n\n{given}")
    return "\n\n".join(parts)


def _margins(reached: ReachAnalysis, units: str) -> str:
    letters = reached.layout.machine.letters
    head = ["operation", "X", "Y", "Z", *letters]
    rows = []
    for stood in reached.operations:
        linear = {margin.axis: _left(margin, units) for margin in stood.linear}
        rows.append(
            [
                stood.stand.name,
                *(linear.get(axis, "not known") for axis in "XYZ"),
                *(_left_deg(margin) for margin in stood.rotary),
            ]
        )
    return table(head, rows)


def _left(margin: Margin, units: str) -> str:
    return f"{length(margin.to_low_mm, units)} / {length(margin.to_high_mm, units)}"


def _left_deg(margin: RotaryMargin) -> str:
    if margin.to_low_deg is None or margin.to_high_deg is None:
        return "endless"
    return f"{angle(margin.to_low_deg)} / {angle(margin.to_high_deg)}"


def _distances(reached: ReachAnalysis, units: str) -> str:
    rows = [
        [
            stood.stand.name,
            stood.stand.tool.name if stood.stand.tool else "not known",
            _pair(stood),
            corner_words(stood),
            length(stood.clearance.nearest.gap_mm, units) if stood.clearance.nearest else "",
            length(stood.stand.tool.length_mm, units) if stood.stand.tool else "",
            _shortest(stood, units),
            _longest(stood, units),
        ]
        for stood in reached.operations
    ]
    head = ["operation", "tool", "nearest", "where", "distance", "tool length", "shortest", "longest"]
    return table(head, rows, left=4)


def _pair(stood: OperationAnalysis) -> str:
    near = stood.clearance.nearest
    return f"{near.cutting} to {near.turning}" if near else "nothing"


def _shortest(stood: OperationAnalysis, units: str) -> str:
    lengths = stood.lengths
    if lengths is None:
        return ""
    if lengths.shortest_mm is None:
        return "none clears"
    by = _STOPPED_BY[lengths.shortest_by]
    return length(lengths.shortest_mm, units) + (f" ({by})" if by else "")


def _longest(stood: OperationAnalysis, units: str) -> str:
    lengths = stood.lengths
    if lengths is None or lengths.longest_mm is None:
        return ""
    by = _STOPPED_BY[lengths.longest_by]
    return length(lengths.longest_mm, units) + (f" ({by})" if by else "")


def _moves(reached: ReachAnalysis, units: str) -> str:
    letters = reached.layout.machine.letters
    rows = [
        [
            move.start,
            move.end,
            f"{move.cutting} to {move.turning}",
            length(move.at_least_mm, units),
            *move_angles(reached, move),
        ]
        for move in reached.moves
    ]
    return table(["from", "to", "nearest", "at least", *(f"machine {x}" for x in letters)], rows, left=3)


def _loads(reached: ReachAnalysis, units: str) -> str:
    rows = []
    for k, load in enumerate(reached.loads):
        stood = max(reached.operations, key=lambda one: one.torques[k].total_nm, default=None)
        worst = None if stood is None else stood.torques[k]
        rows.append(
            [
                load.letter,
                mass(load.carried.mass_kg, units),
                "" if load.capacity_kg is None else mass(load.capacity_kg, units),
                torque(load.worst.torque_nm, units),
                angle(float(load.worst.machine_deg[k])) if load.worst.torque_nm > _NO_TORQUE_NM else "",
                "" if stood is None else stood.stand.name,
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
