"""The kinds of message about a job: what was found, with its numbers in millimetres and degrees."""

from __future__ import annotations

from typing import Literal

from tiltwright.machine.findings import MachineFinding
from tiltwright.output.messages import Finding, Message

__all__ = [
    "CorrectionInForce",
    "DirectionMissed",
    "FacesDown",
    "FacesInward",
    "JobFinding",
    "JobMessage",
    "LengthLeftIn",
    "LoadersNeeded",
    "NotReached",
    "OutOfTravel",
    "OutOfTravels",
    "OutsideBlank",
    "PartOffSquare",
    "PartZeroBelowPlatter",
    "PatternTurnedOver",
    "PlaneTurned",
    "SingularRotary",
    "StackSignLost",
    "StepDown",
    "TakenOutOfOrder",
    "TouchMistyped",
    "TouchOffDifference",
    "TouchOffTooFar",
    "WhenFreeUnused",
    "ZeroOffPlane",
]


class LoadersNeeded(Finding, frozen=True):
    """More operations than work offsets over all nests: several programs load them, each before its operations."""

    kind = "loaders needed"
    count: int


class CorrectionInForce(Finding, frozen=True):
    """Offsets that a measured part has corrected.

    Attributes
    ----------
    date, measured, cause
        As the job has them.
    largest_mm : float
        How far the offset that moves most has moved.
    letter, turn_deg
        The rotary whose offset changes too, and the largest change; 0 where it does not.
    alike : bool
        False where it changes in some offsets otherwise than in others.
    applied : bool
        False where the numbers leave it out.
    zero_left : bool
        True where the numbers leave it out and go by a part's own zero, which does not take out what it corrects.
    """

    kind = "correction in force"
    date: str
    measured: str
    cause: str
    largest_mm: float
    letter: str
    turn_deg: float
    applied: bool = True
    zero_left: bool = False
    alike: bool = True


class TakenOutOfOrder(Finding, frozen=True):
    """Operations done tilt by tilt, so not in the order of the file unless `after` says so."""

    kind = "taken out of order"


class TouchOffDifference(Finding, frozen=True):
    """Part zero as touched off minus part zero of the stack, in the table frame.

    Attributes
    ----------
    used : str
        "touched" or "stack", whichever the offsets are computed from.
    typed : bool
        True where it was typed beside the job.
    within_mm, within_stated, job_units
        The tolerance, whether the job states it, and the job's unit.
    """

    kind = "touch-off difference"
    difference_mm: tuple[float, float, float]
    distance_mm: float
    used: str
    typed: bool
    within_mm: float
    within_stated: bool
    job_units: str


class TouchOffTooFar(Finding, frozen=True):
    """Touched-off part zero beyond its tolerance, which the job states or which is the default; typed or in the job."""

    kind = "touch-off too far"
    distance_mm: float
    within_mm: float
    within_stated: bool
    job_units: str
    typed: bool


class LengthLeftIn(Finding, frozen=True):
    """A touch-off whose Z alone is wrong, by what looks like a length in the spindle.

    Attributes
    ----------
    length_mm : float
        Touched minus stack along the spindle; positive: Z was read too high.
    source : str
        What the length is near to: "tool", "reference tool", "gauge length", "Z of zero" (a Z of nothing was read) or
        "unknown".
    name : str or None
        Of the tool.
    stated_mm : float or None
        The length that it is near to.
    step : str or None
        A step of the stack that is about as high.
    """

    kind = "length left in"
    length_mm: float
    source: str
    name: str | None
    stated_mm: float | None
    step: str | None


class OutOfTravel(Finding, frozen=True):
    """A work offset that the spindle cannot stand over."""

    kind = "out of travel"
    axis: str
    offset_mm: float
    low_mm: float
    high_mm: float


class OutOfTravels(Finding, frozen=True):
    """Work offsets of several operations that lie beyond the same end of a travel, from the nearest to the farthest."""

    kind = "out of travel"
    axis: str
    nearest_mm: float
    farthest_mm: float
    low_mm: float
    high_mm: float


class StepDown(Finding, frozen=True):
    """A step of the stack that goes down, toward the platter: `up` has a minus."""

    kind = "step down"
    step: str
    up_mm: float


class StackSignLost(Finding, frozen=True):
    """A touch-off that would agree with the stack if one number of one of these steps had the other sign.

    Attributes
    ----------
    steps, keys : tuple of str
        One entry each for every number that explains it: its step, and "up", "shift x", "shift y", "rotate x" or "turn".
    """

    kind = "stack sign lost"
    steps: tuple[str, ...]
    keys: tuple[str, ...]


class FacesInward(Finding, frozen=True):
    """A plane whose face, at its origin, is turned into the blank; to part zero, where no blank is stated.

    `key` is the one that gives the direction: "at", "normal", "tip" or "through"; `step` is the blank, None without one.
    """

    kind = "faces inward"
    key: str
    step: str | None


class FacesDown(Finding, frozen=True):
    """A plane whose direction points below the horizontal of the part, where no key says so outright.

    `key` is the one that gives the direction: "normal", "tip" or "through"; `down_deg` is to a tenth.
    """

    kind = "faces down"
    key: str
    down_deg: float


class OutsideBlank(Finding, frozen=True):
    """An origin in the air: so far from the blank that the job states."""

    kind = "outside blank"
    step: str
    outside_mm: float


class TouchMistyped(Finding, frozen=True):
    """A touched-off part zero that lies outside the travels, or that one slip of the keys explains.

    Attributes
    ----------
    outside : tuple of str
        Axes whose readings the travels rule out, told first; empty where none is, or no travel is stated.
    offset_mm, low_mm, high_mm : tuple of float
        Their readings, and the ends of their travels.
    cause : str
        "sign", "mm as inches", "inches as mm", "pose sign", or "unknown": what brings it to the stack's part zero.
    axes : tuple of str
        Where signs were lost: of X, Y and Z, or with "pose sign" the letter of a rotary.
    """

    kind = "touch-off mistyped"
    outside: tuple[str, ...]
    offset_mm: tuple[float, ...]
    low_mm: tuple[float, ...]
    high_mm: tuple[float, ...]
    cause: Literal["sign", "mm as inches", "inches as mm", "pose sign", "unknown"]
    axes: tuple[str, ...]


class PlaneTurned(Finding, frozen=True):
    """The plane's own x away from machine X, counterclockwise positive as seen from the spindle."""

    kind = "plane turned"
    plane_x_deg: float


class PartOffSquare(Finding, frozen=True):
    """A part that is nearly, but not quite, square to machine X: probably a clocking error nobody entered.

    `square_up` is the rotary whose offset would take it out; None where the job squares up already.
    """

    kind = "part off square"
    off_deg: float
    square_up: str | None


class PartZeroBelowPlatter(Finding, frozen=True):
    """Part zero stands below the platter's face: a step with a lost sign, or a part that hangs through a hole."""

    kind = "part zero below platter"
    depth_mm: float


class PatternTurnedOver(Finding, frozen=True):
    """A repeat that is reached at the other tilt than the first, so that its program runs turned by this angle."""

    kind = "pattern turned over"
    turned_deg: float
    first: str


class ZeroOffPlane(Finding, frozen=True):
    """Program zero above (positive) or below the plane through the operation's three points."""

    kind = "zero off plane"
    above_mm: float


class SingularRotary(Finding, frozen=True):
    """A rotary whose angle makes no difference at this pose, and the program angle chosen for it."""

    kind = "singular rotary"
    letter: str
    program_deg: float


class WhenFreeUnused(Finding, frozen=True):
    """A `when_free` at a pose that leaves no rotary free."""

    kind = "when_free unused"
    when_free: str


class DirectionMissed(Finding, frozen=True):
    """An angle, within what the job allows, left between the plane's normal and the spindle."""

    kind = "direction missed"
    short_deg: float


class NotReached(Finding, frozen=True):
    """An operation that the machine cannot reach."""

    kind = "not reached"
    why: str


JobFinding = (
    LoadersNeeded
    | CorrectionInForce
    | TakenOutOfOrder
    | MachineFinding
    | StepDown
    | StackSignLost
    | FacesInward
    | FacesDown
    | OutsideBlank
    | TouchOffDifference
    | TouchOffTooFar
    | LengthLeftIn
    | OutOfTravel
    | OutOfTravels
    | TouchMistyped
    | WhenFreeUnused
    | PlaneTurned
    | PartOffSquare
    | PartZeroBelowPlatter
    | PatternTurnedOver
    | ZeroOffPlane
    | SingularRotary
    | DirectionMissed
    | NotReached
)
JobMessage = Message[JobFinding]
