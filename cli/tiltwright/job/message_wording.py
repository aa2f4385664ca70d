"""The messages about a job in words, lengths in the unit that is shown; why a pose or a direction cannot be used."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import assert_never

from kinematics import UnreachableOperation, Violation
from tiltwright.job.evaluate import NumberedOperation
from tiltwright.job.message_kinds import (
    CorrectionInForce,
    DirectionMissed,
    FacesDown,
    FacesInward,
    JobFinding,
    JobMessage,
    LengthLeftIn,
    LoadersNeeded,
    NotReached,
    OutOfTravel,
    OutOfTravels,
    OutsideBlank,
    PartOffSquare,
    PartZeroBelowPlatter,
    PatternTurnedOver,
    PlaneTurned,
    SingularRotary,
    StackSignLost,
    StepDown,
    TakenOutOfOrder,
    TouchMistyped,
    TouchOffDifference,
    TouchOffTooFar,
    WhenFreeUnused,
    ZeroOffPlane,
)
from tiltwright.machine.findings import (
    ParallelRotaries,
    PivotOutOfTravel,
    PlatterKeysUnused,
    machine_finding_words,
)
from tiltwright.output.messages import name_list, named
from tiltwright.output.numbers import UNIT_SYMBOL, angle, length, lengths

__all__ = [
    "LONGEST_LIST",
    "finding_words",
    "message_words",
    "operation_list",
    "slip_words",
    "tolerance_words",
    "unreachable_text",
    "violation_text",
]

LONGEST_LIST = 80
"""Characters up to which several operations are listed by name, beyond that by their numbers on the sheet."""


def message_words(message: JobMessage, operations: Sequence[NumberedOperation], units: str) -> str:
    """A message as one sentence, the operations it is about first."""
    words = finding_words(message.finding, units)
    return f"{operation_list(message.about, operations)}: {words}" if message.about else words


def finding_words(finding: JobFinding, units: str) -> str:  # noqa: C901, PLR0911, PLR0912 - one case a kind
    """A finding in words, without the operations it is about."""
    if isinstance(finding, TouchOffDifference):
        return _touch_off_words(finding, units)
    if isinstance(finding, PartOffSquare):
        tip = f'; square_up = "{finding.square_up}" takes a clocking error out' if finding.square_up else ""
        return f"the part is {angle(finding.off_deg)} degrees off square to machine X{tip}"
    match finding:
        case LoadersNeeded(count):
            return (
                f"the work offsets do not all fit: {count} programs load them. Run each of them before the operations that it "
                "names, every time round"
            )
        case TakenOutOfOrder():
            return (
                "working by tilt takes operations out of the order of the file. Where one must come before another, say so "
                "with `after`"
            )
        case CorrectionInForce():
            return _correction_words(finding, units)
        case PartZeroBelowPlatter(depth_mm):
            return (
                f"part zero stands {length(depth_mm, units)} {UNIT_SYMBOL[units]} below the platter's face. Does a step of the "
                "stack have one minus too many?"
            )
        case StepDown(step, up_mm):
            height = f"{length(up_mm, units)} {UNIT_SYMBOL[units]}"
            return (
                f'the step "{step}" goes down: `up` is {height}. If the minus is wrong, the tool cuts '
                f"{length(2.0 * abs(up_mm), units)} {UNIT_SYMBOL[units]} too deep. Touch off part zero to be sure"
            )
        case StackSignLost(steps, keys):
            numbers = (f'{key} of "{step}"' for step, key in zip(steps, keys, strict=True))
            return f"one changed sign would make the stack agree with the touch-off: {' or '.join(numbers)}. Check it"
        case FacesInward(key, step):
            sense = ", and which way each rotary turns" if key == "at" else ""
            check = f"Check the signs of `{key}` and `origin`{sense}"
            if step is None:
                return (
                    f"the plane faces part zero, where an outer face of the part faces away from it. {check}. It can be right "
                    "where the origin lies inside the part or in a hollow of it, or where part zero lies outside the part. State "
                    'the blank, or the part as a box or cylinder `on = "part"`, and this is judged by it'
                )
            return (
                f'the plane faces into the blank, "{step}": most of it lies in front of the origin. {check}. It can be '
                "right in a hollow, or where a hole has its zero at the far end"
            )
        case FacesDown(key, down_deg):
            check = {
                "normal": "the sign of z in `normal`",
                "tip": "the signs of `tip`",
                "through": "the order of the points in `through`, which turns the plane over, and their signs",
            }[key]
            return (
                f"the plane faces down, {down_deg:g} degrees below the part's horizontal. Check {check}. It is right for "
                "an undercut or a face of the underside"
            )
        case OutsideBlank(step, outside_mm):
            return (
                f'its origin lies {length(outside_mm, units)} {UNIT_SYMBOL[units]} outside the blank, "{step}". Check the '
                "signs of `origin`"
            )
        case PatternTurnedOver(turned_deg, first):
            return (
                f"reached at the other tilt than {first}, so the same program runs turned by {angle(turned_deg)} degrees. Set "
                "`tilt` for the pattern, or see tiltwright aim for what stops it"
            )
        case PlatterKeysUnused() | PivotOutOfTravel() | ParallelRotaries():
            return machine_finding_words(finding, units)
        case TouchOffTooFar(distance_mm, within_mm, within_stated, job_units, typed):
            allows = "the job allows" if within_stated else "`within` is not set, and the default allows"
            return (
                f"touched-off part zero is {length(distance_mm, units)} {UNIT_SYMBOL[units]} from the stack's; {allows} "
                f"{tolerance_words(within_mm, job_units, units)}. Find out why before you go on; if the difference is right, "
                + _larger_within(stated=within_stated, typed=typed)
            )
        case LengthLeftIn():
            return _length_words(finding, units)
        case TouchMistyped():
            return _mistyped_words(finding, units)
        case OutOfTravel(axis, offset_mm, low_mm, high_mm):
            value, low, high = lengths((offset_mm, low_mm, high_mm), units)
            return f"OUT OF TRAVEL: {axis} {value} is outside {low} to {high}"
        case OutOfTravels(axis, nearest_mm, farthest_mm, low_mm, high_mm):
            nearest, farthest, low, high = lengths((nearest_mm, farthest_mm, low_mm, high_mm), units)
            return f"OUT OF TRAVEL: {axis} {nearest} to {farthest} is outside {low} to {high}"
        case PlaneTurned(plane_x_deg):
            turned = "counterclockwise" if plane_x_deg > 0.0 else "clockwise"
            return (
                f"the plane's own x is {angle(abs(plane_x_deg))} degrees {turned} from machine X, seen from the "
                "spindle. Write the program in machine X and Y, or rotate its coordinates by that much"
            )
        case ZeroOffPlane(above_mm):
            side = "above" if above_mm > 0.0 else "below"
            return (
                f"program zero is {length(abs(above_mm), units)} {UNIT_SYMBOL[units]} {side} the plane through the three points; "
                "if that is not what you want, set `origin`"
            )
        case WhenFreeUnused(when_free):
            return f'when_free = "{when_free}" makes no difference: every rotary\'s angle is settled at this tilt'
        case SingularRotary(letter, program_deg):
            return f"any {letter} angle works here; program {letter} {angle(program_deg)} is used"
        case DirectionMissed(short_deg):
            return f"the normal stays {angle(short_deg)} degrees from the spindle, which the job allows"
        case NotReached(why):
            return f"not reached: {why}"
    assert_never(finding)


def _correction_words(finding: CorrectionInForce, units: str) -> str:
    written = f'written {finding.date[:10]} from {finding.measured} for "{finding.cause}"'
    if not finding.applied and not finding.zero_left:
        return f"the job's correction ({written}) is left out here: these numbers are the stack's own"
    changed = []
    if finding.largest_mm >= _SEEN_MM:
        changed.append(f"X, Y, Z by up to {length(finding.largest_mm, units)} {UNIT_SYMBOL[units]}")
    if finding.turn_deg:
        most = "" if finding.alike else "up to "
        where = "" if finding.alike else ", not alike in all offsets"
        changed.append(f"{finding.letter} by {most}{angle(finding.turn_deg)} degrees{where}")
    changes = " and ".join(changed) or "nothing in the digits shown"
    if finding.zero_left:
        return (
            f"the job's correction ({written}) is NOT in these offsets, and a part's own zero does not take out what is off: "
            f"the correction changes {changes}. Do not cut by these offsets before it is put right at its source: an axis in "
            "the machine file (best by tiltwright pivot fit), all else in the job; then take the correction out"
        )
    return f"a correction is in force ({written}); against the stack's own offsets it changes {changes}"


_SEEN_MM = 0.0005
"""Half the last digit that a sheet in millimetres shows."""


def _larger_within(*, stated: bool, typed: bool) -> str:
    if not typed:
        return "set a larger `within` in [touched]"
    # A typed zero goes by the limit that parts are probed by, where the job has one.
    return (
        "set a larger `within` in the job"
        if stated
        else "write a larger `within` into the job, under [touched]"
    )


def _touch_off_words(finding: TouchOffDifference, units: str) -> str:
    x, y, z = lengths(finding.difference_mm, units)
    used = "the touched-off one is used" if finding.used == "touched" else "the stack's is used"
    says = "as typed with --touched" if finding.typed else "as the job says"
    tolerance = tolerance_words(finding.within_mm, finding.job_units, units)
    default = "" if finding.within_stated else f"; `within` is not set, so the default of {tolerance} applies"
    return (
        f"part zero as touched off is x {x}, y {y}, z {z} {UNIT_SYMBOL[units]} from where the stack puts it (table frame, "
        f"{length(finding.distance_mm, units)} in all); {used}, {says}{default}"
    )


def _mistyped_words(finding: TouchMistyped, units: str) -> str:
    outside = []
    ends = zip(finding.outside, finding.offset_mm, finding.low_mm, finding.high_mm, strict=True)
    for axis, *figures in ends:
        value, low, high = lengths(figures, units)
        outside.append(
            f"{axis} {value} is " + (f"above {high}" if axis == "Z" else f"outside {low} to {high}")
        )
    why = slip_words(finding.cause, finding.axes)
    if outside:
        return f"OUT OF TRAVEL: part zero as touched off, {', '.join(outside)}; {why}"
    return f"part zero as touched off would agree with the stack but for one slip: {why}"


def slip_words(cause: str, axes: Sequence[str]) -> str:
    """A slip of the keys in a touch-off, as a question.

    Examples
    --------
    >>> slip_words("sign", ["X", "Z"])
    'a lost minus sign in X and Z?'
    """
    where = name_list(axes, "and")
    return {
        "sign": f"a lost minus sign in {where}?",
        "mm as inches": "mm typed as inches?",
        "inches as mm": "inches typed as mm?",
        "pose sign": f"the sign of {where} in the pose?",
        "unknown": "check the signs, the unit and the order of X, Y, Z",
    }[cause]


def _length_words(finding: LengthLeftIn, units: str) -> str:
    size, unit = length(abs(finding.length_mm), units), UNIT_SYMBOL[units]
    step = f', or like the height of the step "{finding.step}"' if finding.step else ""
    deed = "left in" if finding.length_mm > 0.0 else "taken off once too often"
    if finding.source == "Z of zero":
        return (
            f"X and Y agree, but Z was read as 0: that looks like the Z of a work offset{step}, not the machine's. "
            "Read machine Z again"
        )
    stated = None if finding.stated_mm is None else f"{length(finding.stated_mm, units)} {unit}"
    near = {
        "tool": f' (tool "{finding.name}": {stated})',
        "reference tool": f" (the reference tool: {stated})",
        "gauge length": f" (or a gauge of {stated})",
    }.get(finding.source, "")
    return (
        f"X and Y agree, but Z does not: that looks like a tool or probe length of {size} {unit} {deed}{near}{step}. Check what was in "
        "the spindle and in the length offset, and read Z again"
    )


def tolerance_words(within_mm: float, job_units: str, units: str) -> str:
    """A tolerance in the job's own unit, as it was set, and in the unit shown where that is another one.

    Examples
    --------
    >>> tolerance_words(0.5, "mm", "mm"), tolerance_words(0.5, "mm", "inch")
    ('0.500 mm', '0.500 mm (0.0197 in)')
    """
    own = f"{length(within_mm, job_units)} {UNIT_SYMBOL[job_units]}"
    return own if units == job_units else f"{own} ({length(within_mm, units)} {UNIT_SYMBOL[units]})"


def operation_list(names: Sequence[str], operations: Sequence[NumberedOperation]) -> str:
    """Operations by name, three or more neighbours of one pattern as "port 2 to port 5"; a long list by numbers.

    Names that are not among `operations` are listed as they are.
    """
    places = {one.placed.name: place for place, one in enumerate(operations)}
    if any(name not in places for name in names):
        return name_list(names)
    indices = sorted({places[name] for name in names})
    listed = _runs(
        indices,
        lambda index: named(operations[index].placed.name),
        lambda index: operations[index].placed.operation == operations[index - 1].placed.operation,
    )
    if len(indices) == 1 or len(listed) <= LONGEST_LIST:
        return listed
    return "operations " + _runs(indices, lambda index: str(index + 1), lambda _: True)


def _runs(indices: Sequence[int], name: Callable[[int], str], continues: Callable[[int], bool]) -> str:
    """A list in which three or more neighbours, each continuing the one before, are given by the first and last."""
    runs: list[list[int]] = []
    for index in indices:
        if runs and runs[-1][-1] == index - 1 and continues(index):
            runs[-1].append(index)
        else:
            runs.append([index])
    return ", ".join(
        f"{name(run[0])} to {name(run[-1])}" if len(run) > 2 else ", ".join(map(name, run)) for run in runs
    )


_SHOWN_FROM_DEG = 5e-5
"""An excess below this would read 0.0000: it is shown by its power of ten."""


_MOST_REASONS = 6
"""Three rotaries have many poses, each with reasons of its own: beyond so many nobody reads on."""


def violation_text(violation: Violation) -> str:
    """One reason why a pose cannot be used."""
    letter, at = violation.letter, angle(violation.angle_deg)
    if violation.kind == "tilt sign":
        return f"program {letter} would be at {at}, a {violation.tilt} tilt was asked for"
    low, high = violation.limits_deg or (float("-inf"), float("inf"))
    if violation.kind == "alignment":
        return f"machine {letter} would stand at {at} to line x up, its limits are {low:g} to {high:g}"
    excess = violation.excess_deg
    over = angle(excess) if excess >= _SHOWN_FROM_DEG else f"{excess:.0e}"
    return f"machine {letter} would stand at {at}, its limits are {low:g} to {high:g}: {over} degrees too far"


def unreachable_text(operation: UnreachableOperation) -> str:
    """Reason that an operation cannot be reached, with the nearest pose that can be had."""
    reasons = [violation_text(violation) for violation in operation.violations]
    if len(reasons) > _MOST_REASONS:
        more = len(reasons) - _MOST_REASONS
        reasons = [*reasons[:_MOST_REASONS], f"and {more} more; `tiltwright aim` lists every pose"]
    if operation.misalignment_deg > 0.0:
        nearest = operation.solutions[0]
        short = (
            f"its direction stays {angle(operation.misalignment_deg)} degrees from the spindle at best "
            f"(machine angles {', '.join(map(angle, nearest.machine_deg))})"
        )
        # Slightly off square, a direction is always a little short; what stops it may yet be a limit.
        reasons = [short] if nearest.feasible else [short, *reasons]
    return "; ".join(reasons)
