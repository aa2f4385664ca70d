"""Wording of reach: every message, limit and verdict as a sentence, with lengths in the unit shown."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kinematics import wrap_deg
from kinematics.reach import IndexMove, Limit, MoveClearance
from tiltwright.job.message_wording import unreachable_text
from tiltwright.job.warnings import grouped_sentences
from tiltwright.output.messages import name_list
from tiltwright.output.numbers import (
    DECIMALS,
    MASS_UNIT,
    TORQUE_UNIT,
    UNIT_MM,
    angle,
    fixed,
    in_units,
    length,
    mass,
    torque,
)
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis
from tiltwright.reach.messages import (
    Assumption,
    CapacityExceeded,
    HoldingExceeded,
    MarginShort,
    MoveTooClose,
    NotChecked,
    PairTooClose,
    ReachFailure,
    RetractTooLow,
    RotaryOutside,
    TravelExceeded,
    Unreachable,
    Verdict,
    assumptions,
    failures,
    move_words,
    not_checked,
)

__all__ = [
    "assumption_words",
    "closing_words",
    "corner_words",
    "failure_sentences",
    "failure_words",
    "limit_words",
    "move_angles",
    "not_checked_sentences",
    "not_checked_words",
    "shown_down",
    "shown_up",
    "taken_as_given",
    "turn_words",
]

_ENDS = {-1: "-", 1: "+"}
_END_NAMES = {"low": "lower", "high": "upper"}
_NOISE_MM = 1e-9
"""Rounding of float64 at a metre; what lies so close to a shown digit is that digit."""


def shown_down(value_mm: float, units: str) -> str:
    """A length that must not be shown too long: rounded down at the last digit shown.

    Examples
    --------
    >>> shown_down(8.9999, "mm"), shown_down(9.0 - 1e-12, "mm")
    ('8.999', '9.000')
    """
    scale = 10 ** DECIMALS[units]
    return fixed(math.floor(in_units(value_mm + _NOISE_MM, units) * scale) / scale, DECIMALS[units])


def shown_up(value_mm: float, units: str) -> str:
    """A length that must not be shown too short: rounded up at the last digit shown.

    Examples
    --------
    >>> shown_up(0.0381, "mm"), shown_up(0.0381, "inch")
    ('0.039', '0.0015')
    """
    scale = 10 ** DECIMALS[units]
    return fixed(math.ceil(in_units(value_mm - _NOISE_MM, units) * scale) / scale, DECIMALS[units])


def _shortfall(value_mm: float, units: str) -> str:
    """The bound of a shortfall, with the digit that rounding down takes off besides."""
    digit_mm = 10.0 ** -DECIMALS[units] * UNIT_MM[units]
    return shown_up(value_mm + digit_mm, units)


def corner_words(operation: OperationAnalysis) -> str:
    """The end or corner of its sweep at which an operation comes closest to something.

    An empty text where no box is swept or no one corner is to blame.
    """
    return "" if operation.witness is None else _corner(operation.witness.corner)


def _corner(corner: Sequence[int]) -> str:
    signs = [f"{_ENDS[sign]}{axis}" for sign, axis in zip(corner, "XYZ", strict=True) if sign]
    if not signs:
        return ""
    return f"at the {' '.join(signs)} {'end' if len(signs) == 1 else 'corner'}"


def failure_sentences(analysis: ReachAnalysis, units: str) -> tuple[str, ...]:
    """Everything that does not reach, clear or hold, in sentences; operations of which the same is said share one."""
    said = ((one.operation, failure_words(one, analysis, units)) for one in failures(analysis))
    return grouped_sentences(said, analysis.evaluated.operations)


def failure_words(  # noqa: PLR0911 - one sentence for each kind of failure
    failure: ReachFailure, analysis: ReachAnalysis, units: str
) -> str:
    """One failure as a sentence, without the operation that it is about."""
    match failure:
        case Unreachable():
            return unreachable_text(failure.result)
        case TravelExceeded():
            return (
                f"{failure.axis} {length(failure.readout_mm, units)} is "
                f"{shown_up(failure.beyond_mm, units)} beyond the {_END_NAMES[failure.end]} end of its travel"
            )
        case MarginShort():
            return (
                f"{failure.axis} comes within {shown_down(failure.left_mm, units)} of the "
                f"{_END_NAMES[failure.end]} end of its travel; the margin to leave is "
                f"{length(failure.margin_mm, units)}"
            )
        case RetractTooLow():
            return (
                f"works up to Z {length(failure.top_mm, units)}, above the retract position, Z "
                f"{length(failure.retract_mm, units)}"
            )
        case RotaryOutside():
            return f"{failure.letter} {angle(failure.machine_deg)} is outside its limits"
        case PairTooClose():
            return _pair_words(failure, units)
        case MoveTooClose():
            return _move_too_close(failure, analysis, units)
        case CapacityExceeded():
            return (
                f"{failure.letter} carries {mass(failure.mass_kg, units)} {MASS_UNIT[units]}; its capacity is "
                f"{mass(failure.capacity_kg, units)}"
            )
        case HoldingExceeded():
            return _holding_words(failure, units)


def _pair_words(failure: PairTooClose, units: str) -> str:
    pair, way = failure.pair, "on the way straight up, " if failure.kind == "retraction" else ""
    where = f" {_corner(failure.corner)}".rstrip()
    if pair.gap_mm <= 0.0:
        return f"{way}{pair.body} runs into {pair.obstacle}{where}"
    return (
        f"{way}{pair.body} to {pair.obstacle} is {shown_down(pair.gap_mm, units)}{where}; "
        f"the distance to keep is {length(failure.clear_mm, units)}"
    )


def turn_words(move: IndexMove, letters: Sequence[str]) -> str:
    """The turns of an index move, as each rotary counts; those that stay are left out."""
    return ", ".join(
        f"{letter} {'+' if turn > 0 else ''}{angle(turn)}"
        for letter, turn in zip(letters, move.turn_deg.tolist(), strict=True)
        if turn
    )


def _move_too_close(failure: MoveTooClose, analysis: ReachAnalysis, units: str) -> str:
    move, clearance, letters = failure.move, failure.clearance, analysis.model.machine.letters
    angles = zip(letters, move_angles(analysis, clearance), strict=True)
    at = ", ".join(f"{letter} {text}" for letter, text in angles)
    way = f"index move {move_words(move)} (by {turn_words(move, letters)})"
    if clearance.seen_mm <= 0.0:
        return f"{way}: {clearance.body} and {clearance.obstacle} run into each other at machine angles {at}"
    keep = f"the distance to keep is {length(failure.clear_mm, units)}"
    if not clearance.settled:
        return (
            f"{way}: {clearance.body} to {clearance.obstacle} is at least {shown_down(clearance.at_least_mm, units)}; the "
            f"search was broken off before it knew more, and the smallest gap it saw is "
            f"{shown_down(clearance.seen_mm, units)}, at machine angles {at}; {keep}"
        )
    return (
        f"{way}: {clearance.body} to {clearance.obstacle} may be as little as "
        f"{shown_down(clearance.at_least_mm, units)} near machine angles {at}; {keep}"
    )


def move_angles(analysis: ReachAnalysis, clearance: MoveClearance) -> tuple[str, ...]:
    """Machine angles at which an index move comes closest.

    An endless rotary's are within the one turn that its operations are placed in, so that C -0.09 is not 359.91 elsewhere.
    """
    setup = analysis.evaluated.setup
    return tuple(
        angle(value if rotary.limits_deg is not None else float(wrap_deg(value, low)))
        for rotary, value, low in zip(
            setup.machine.rotaries,
            clearance.machine_deg.tolist(),
            setup.rotary_offset_deg.tolist(),
            strict=True,
        )
    )


def _holding_words(failure: HoldingExceeded, units: str) -> str:
    amount = f"{torque(failure.torque_nm, units)} {TORQUE_UNIT[units]}"
    holds = f"it holds {torque(failure.holding_nm, units)}"
    if failure.operation is not None:
        return f"gravity and cutting force put up to {amount} on {failure.letter}; {holds}"
    return f"{failure.letter}: gravity puts {amount} on it at machine angle {angle(failure.machine_deg or 0.0)}; {holds}"


def not_checked_sentences(analysis: ReachAnalysis) -> tuple[str, ...]:
    """Everything that was not checked, each with NOT CHECKED before it."""
    return tuple(f"NOT CHECKED: {not_checked_words(one)}" for one in not_checked(analysis))


_NOT_CHECKED: dict[str, str] = {
    "table": "table and housing against what turns; no solid is stated on the base",
    "travel": "X, Y and Z travel; the machine file states none",
    "tool": "Z travel, and distances from tool, holder and spindle, at {names}; no tool is stated there",
    "index moves": "tool and spindle on index moves; neither a retract position nor Z travel is stated",
    "one operation": "index moves; they lead from one operation to the next, so leave out --only to check them",
    "section": "{names} as something in the way; no section (round or bar) is stated",
    "platter": "the platter; no diameter is stated",
    "platter thickness": "the platter below its face; no thickness is stated",
    "spindle": "the spindle above its gauge line; no nose is stated",
    "holder": "the holder of {names}; none is stated",
    "load": "the load on {names}, wholly or in part; holding torque or capacity is not stated",
    "gripper": 'the gripper at the unloading pose; no solid on "gripper" is stated',
    "unloading": "the unloading pose; leave out --size to check it",
    "mass": "the mass of {names}; it is not known and not in the loads",
}


def not_checked_words(item: NotChecked) -> str:
    """Something that was not checked, and the reason."""
    return _NOT_CHECKED[item.kind].format(names=name_list(item.names, "and"))


def taken_as_given(analysis: ReachAnalysis, units: str) -> tuple[str, ...]:
    """Everything the figures rest on, in sentences."""
    return tuple(assumption_words(one, units) for one in assumptions(analysis))


_ASSUMPTIONS: dict[str, str] = {
    "stated solids": "Only the solids in the files are in the way; chips, hoses, screws and doors are not.",
    "facets": "Rounds are polygons drawn about them: a distance at an operation is never shown too long, and at most "
    "{value} {units} too short.",
    "index bound": "The smallest gap of an index move is never shown too long, and at most {value} {units} too short.",
    "broken off": "The search of these index moves was broken off: their gaps are true lower bounds, and may be far too "
    "short: {names}.",
    "blank whole": "The blank stays whole: material cut away earlier still counts for holder, spindle and a shank "
    "thicker than its tool.",
    "order of arrival": "On index moves the spindle has gone straight up, with the tool from before or after the move "
    "in it, and the rotaries may arrive in any order.",
    "start": "The job starts and ends at program zero, or at the limit nearest to it.",
    "both ways": "The way {names} goes to its next angle is not stated (index_move in the machine file): both ways "
    "were checked.",
    "half turn both ways": "{names} goes the short way, as stated; the way of a half turn is not (half_turn in the "
    "machine file): both were checked.",
    "short way": "Index moves go the short way, half turns as named, as the machine file states: {names}.",
    "as the numbers run": "{names} goes to its next angle as the numbers run, as the machine file states.",
    "constant distance": "A round that turns about its own axis keeps its distance from what it turns on; such pairs "
    "are left out where they are apart or merely touch.",
    "bearing": "These touch as drawn, and are taken to turn on each other: {names}.",
    "static": "Loads are static, gravity along machine -Z; speeding up and braking come on top.",
    "force in the blank": "The cutting force acts where the tip is inside the blank, in the worst direction.",
    "force in the whole sweep": "The cutting force acts anywhere in the sweep, in the worst direction; no blank is "
    "stated.",
    "convex hull": "Solids on the spindle are taken as their convex hull: {names}.",
    "no sweep": "No sweep is stated for {names}: the tip was taken to stay at the origin.",
    "retract": "No retract position is stated: the top of Z travel, {value}, was taken.",
    "platter thickness": "The platter's thickness is not stated: {value} {units} was taken.",
    "arm": "The gripper may touch the part and the blank that it holds; the arm's way there and back was not looked at.",
    "spindle at unloading": "At unloading the spindle has gone straight up from any of the operations, with its tool in it.",
}


def assumption_words(item: Assumption, units: str) -> str:
    """Something the figures rest on, as a sentence."""
    value = ""
    if item.value is not None:
        bound = item.kind in ("facets", "index bound")
        value = _shortfall(item.value, units) if bound else length(item.value, units)
    return _ASSUMPTIONS[item.kind].format(names=name_list(item.names), value=value, units=units)


def limit_words(limit: Limit) -> str:
    """A limit of a feasible range, in words."""
    pair = "" if limit.pair is None else f"{limit.pair[0]} to {limit.pair[1]}"
    at = "" if limit.operation is None else f", at {limit.operation}"
    match limit.kind:
        case "range":
            return "the end of the range that was tried"
        case "travel":
            return f"{limit.axis} travel, {_END_NAMES[limit.end or 'low']} end{at}"
        case "clearance" | "table":
            return f"{pair}{at}"
        case "index move":
            start, end = (name or "the start" for name in (limit.operation, limit.next_operation))
            return f"{pair}, on the index move {start} to {end}"
        case "capacity" | "holding torque":
            return f"{limit.kind} of {limit.axis}{at}"


def closing_words(found: Verdict) -> str:
    """The last sentence of an analysis without failures; it never says more than was checked."""
    if not found.checked:
        return "nothing was checked: the files state neither travels nor solids"
    *most, last = found.checked
    verbs = f"{', '.join(most)} and {last}" if most else last
    if found.complete:
        return f"every operation {verbs}. Prove it out above the part anyway."
    return f"everything checked {verbs}; NOT CHECKED stands first. Prove it out above the part anyway."
