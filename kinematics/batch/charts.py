"""Control charts of one quantity, part by part: individuals with moving range, EWMA and CUSUM.

Definitions as in the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals and moving range), 6.3.2.3
(CUSUM), 6.3.2.4 (EWMA). Readings may come in blocks of any length: a `ChartState` carries what the next block needs, so
that a batch of any size is charted in bounded memory, to the same digits as in one piece.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_instance,
    as_number,
    as_positive,
    read_only,
    shown,
)

__all__ = [
    "Baseline",
    "ChartDesign",
    "ChartRule",
    "ChartState",
    "ControlChart",
    "Signal",
    "baseline_of",
    "continue_chart",
    "control_chart",
]

D2 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326}
"""Mean range of n readings in standard deviations (d2; NIST/SEMATECH e-Handbook, 6.3.2.1); of two it is 2 / sqrt(pi)."""

D2_OF_TWO = D2[2]

D4_OF_TWO = 3.267
"""Upper limit of a moving range of two, in mean ranges (D4 for n = 2; the same table)."""

RANGE_WIDTH = D4_OF_TWO * D2_OF_TWO
"""Upper limit of a moving range, in standard deviations of one reading."""

LONGEST_RUN = 8
_KEPT = LONGEST_RUN - 1


class ChartRule(Enum):
    """Rules that call a point out of control."""

    BEYOND_LIMIT = "one point beyond three standard deviations"
    TWO_OF_THREE = "two of three beyond two standard deviations on one side"
    FOUR_OF_FIVE = "four of five beyond one standard deviation on one side"
    RUN = "eight in a row on one side of the centre"
    MOVING_RANGE = "moving range beyond its limit"
    EWMA = "weighted mean beyond its limit"
    CUSUM = "cumulative sum beyond its decision limit"


@dataclass(frozen=True)
class Baseline(DeclaredFields):
    """Centre and standard deviation that a chart is held against.

    Attributes
    ----------
    center : float
    sigma : float
        Standard deviation of one reading, in the readings' unit; more than 0.
    count : int
        Readings that it was estimated from; 0 where it was stated.
    """

    center: float
    sigma: float
    count: int = 0

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "center", as_number(self.center, "baseline, centre"))
        object.__setattr__(self, "sigma", as_positive(self.sigma, "baseline, sigma"))


@dataclass(frozen=True)
class ChartDesign:
    """Weights and limits of the charts, in standard deviations of one reading.

    Attributes
    ----------
    weight : float
        Share of the newest reading in the EWMA, more than 0 and at most 1.
    ewma_width : float
        Half-width of the EWMA's limits in its own asymptotic standard deviations. 2.814 at a weight of 0.1 gives a false
        alarm once in 500 readings (J. M. Lucas, M. S. Saccucci, "Exponentially weighted moving average control
        schemes", Technometrics 32, 1990, table 3; from memory, and held by a Markov chain in the tests). The CUSUM is at
        its best for a shift of one standard deviation; so small a weight sees half of one, and a drift, sooner.
    slack, decision : float
        k and h of the CUSUM. 0.5 and 5: a false alarm once in 465 readings (e-Handbook 6.3.2.3).
    """

    weight: float = 0.1
    ewma_width: float = 2.814
    slack: float = 0.5
    decision: float = 5.0

    def __post_init__(self) -> None:
        for name in ("weight", "ewma_width", "slack", "decision"):
            object.__setattr__(self, name, as_positive(getattr(self, name), f"chart, {name}"))
        if self.weight > 1.0:
            raise KinematicsError(f"chart, weight: expected at most 1, found {self.weight:g}")

    def ewma_limit(self, sigma: float) -> float:
        """Half-width of the EWMA's limits, in the readings' unit."""
        return self.ewma_width * sigma * math.sqrt(self.weight / (2.0 - self.weight))


@dataclass(frozen=True)
class Signal(DeclaredFields):
    """One point out of control.

    Attributes
    ----------
    index : int
        Position of the reading, the first one 0.
    rule : ChartRule
    side : int
        +1 above, -1 below the centre (a moving range is above).
    """

    index: int
    side: int
    rule: ChartRule


@dataclass(frozen=True, eq=False)
class ChartState(ValueEquality, DeclaredFields):
    """Readings so far, as far as the next one's statistics depend on them.

    Attributes
    ----------
    count : int
    latest : ndarray, shape (up to 7,)
        The last readings, in standard deviations from the centre.
    ewma, cusum_high, cusum_low : float
        In standard deviations; both sums are 0 or more.
    """

    count: int = 0
    latest: NDArray[np.float64] = field(default_factory=lambda: read_only(np.empty(0)))
    ewma: float = 0.0
    cusum_high: float = 0.0
    cusum_low: float = 0.0


@dataclass(frozen=True, eq=False)
class ControlChart(ValueEquality, DeclaredFields):
    """Charts of a block of readings; all arrays shape (n,), in the readings' unit.

    Attributes
    ----------
    baseline : Baseline
    design : ChartDesign
    values : ndarray
    moving_range : ndarray
        From the reading before; NaN for the very first one.
    ewma : ndarray
    cusum_high, cusum_low : ndarray
        Sums of what lies more than the slack above, and below, the centre; 0 or more.
    signals : tuple of Signal
        By position.
    first : int
        Position of the block's first reading.
    state : ChartState
        For the next block.
    """

    baseline: Baseline
    design: ChartDesign
    values: NDArray[np.float64]
    moving_range: NDArray[np.float64]
    ewma: NDArray[np.float64]
    cusum_high: NDArray[np.float64]
    cusum_low: NDArray[np.float64]
    signals: tuple[Signal, ...]
    first: int
    state: ChartState

    @property
    def limits(self) -> tuple[float, float]:
        """Lower and upper limit of an individual reading: three standard deviations from the centre."""
        width = 3.0 * self.baseline.sigma
        return self.baseline.center - width, self.baseline.center + width

    @property
    def mean_range(self) -> float:
        """Mean moving range of readings that stay in control."""
        return D2_OF_TWO * self.baseline.sigma

    @property
    def moving_range_limit(self) -> float:
        """Upper limit of a moving range."""
        return RANGE_WIDTH * self.baseline.sigma


@takes_declared(unread=("blocks",))
def baseline_of(blocks: Iterable[ArrayLike] | ArrayLike, *, span: int = 2) -> Baseline:
    """Centre and standard deviation from the readings: their mean, and mean moving range over d2.

    Parameters
    ----------
    blocks : array_like, shape (n,), or iterable of them
        Readings in the order of the parts; blocks are read one at a time.
    span : int
        Readings that each range is taken over, 2 to 5. More of them see a saw of two or three nests, as scatter.

    Raises
    ------
    KinematicsError
        With fewer readings than the span, where all are equal, or when the span is none of these.

    Examples
    --------
    >>> flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # e-Handbook, 6.3.2.2
    >>> chart = control_chart(flow, baseline_of(flow))
    >>> [round(limit, 4) for limit in chart.limits]
    [45.8159, 55.8041]
    >>> baseline_of([1.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: control chart: expected two readings or more, found 1
    """
    if isinstance(blocks, np.ndarray) or (
        isinstance(blocks, (list, tuple)) and not any(map(np.ndim, blocks))
    ):
        blocks = [blocks]
    if isinstance(blocks, str) or not isinstance(blocks, Iterable):
        raise KinematicsError(f"control chart: expected readings, found {blocks!r}")
    if span not in D2:
        raise KinematicsError(f"control chart, span: expected 2, 3, 4 or 5, found {shown(span)}")
    count, first, total, ranges = 0, 0.0, 0.0, 0.0
    before = np.empty(0)
    for block in blocks:
        values = _readings(block)
        if not values.size:
            continue
        if not count:
            first = float(values[0])
        joined = np.concatenate([before, values])
        if joined.size >= span:
            ranges += float(np.ptp(sliding_window_view(joined, span), axis=-1).sum())
        # Summed from the first reading, so that machine coordinates of hundreds keep their last digits.
        total += float((values - first).sum())
        before, count = joined[max(0, joined.size - span + 1) :], count + values.size
    if count < span:
        wanted = "two" if span == 2 else f"{span}"
        raise KinematicsError(f"control chart: expected {wanted} readings or more, found {count}")
    if ranges == 0.0:
        raise KinematicsError(f"control chart: expected readings that differ, found {count} equal ones")
    return Baseline(first + total / count, ranges / (count - span + 1) / D2[span], count)


def control_chart(values: ArrayLike, baseline: Baseline, design: ChartDesign | None = None) -> ControlChart:
    """Charts of readings in the order of the parts.

    Parameters
    ----------
    values : array_like, shape (n,)
    baseline : Baseline
        From `baseline_of`, or stated.
    design : ChartDesign, optional

    Raises
    ------
    KinematicsError
        When the readings are not one list of finite numbers.

    Examples
    --------
    >>> chart = control_chart([0.1, -0.4, 3.2], Baseline(0.0, 1.0))
    >>> [(signal.index, signal.rule.name, signal.side) for signal in chart.signals]
    [(2, 'BEYOND_LIMIT', 1)]
    >>> control_chart([[1.0, 2.0]], Baseline(0.0, 0.005))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: control chart, readings: expected shape (n,), found (1, 2)
    """
    return continue_chart(ChartState(), values, baseline, design)


def continue_chart(
    state: ChartState, values: ArrayLike, baseline: Baseline, design: ChartDesign | None = None
) -> ControlChart:
    """Charts of the next block of readings, in O(n) time and memory.

    Parameters
    ----------
    state : ChartState
        `ControlChart.state` of the block before; ``ChartState()`` for the first.
    values, baseline, design
        As in `control_chart`; baseline and design those of the block before.

    Examples
    --------
    >>> baseline = Baseline(0.0, 1.0)
    >>> first = control_chart([0.1, 0.2, -0.1], baseline)
    >>> more = continue_chart(first.state, [4.0], baseline)   # the fourth reading is beyond three sigma
    >>> more.first, more.signals[0].index
    (3, 3)
    >>> continue_chart(None, [4.0], baseline)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: control chart, state: expected a ChartState, found None
    """
    as_instance(state, ChartState, "control chart, state")
    as_instance(baseline, Baseline, "control chart, baseline")
    design = ChartDesign() if design is None else as_instance(design, ChartDesign, "control chart, design")
    readings = _readings(values)
    z = (readings - baseline.center) / baseline.sigma
    joined = np.concatenate([state.latest, z])
    lead = state.latest.size
    ewma, high, low = ewma_and_cusums(z, design, state)
    ranges = np.abs(np.diff(joined, prepend=np.nan))[lead:]
    signals = _signals(joined, lead, state.count, ranges, ewma, high, low, design)
    after = ChartState(
        state.count + z.size,
        read_only(joined[-_KEPT:].copy()),
        float(ewma[-1]) if z.size else state.ewma,
        float(high[-1]) if z.size else state.cusum_high,
        float(low[-1]) if z.size else state.cusum_low,
    )
    return ControlChart(
        baseline,
        design,
        read_only(readings.copy()),
        read_only(ranges * baseline.sigma),
        read_only(baseline.center + ewma * baseline.sigma),
        read_only(high * baseline.sigma),
        read_only(low * baseline.sigma),
        signals,
        state.count,
        after,
    )


def _readings(values: ArrayLike) -> NDArray[np.float64]:
    array = as_array(values, "control chart, readings")
    if array.ndim != 1:
        raise KinematicsError(f"control chart, readings: expected shape (n,), found {array.shape}")
    return array


def ewma_and_cusums(
    z: NDArray[np.float64], design: ChartDesign, state: ChartState
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Weighted means, and cumulative sums upward and downward, of readings in sigma from the centre; shapes (..., n)."""
    from scipy.signal import lfilter  # a third of a second to import: only where charts are drawn

    if not z.size:
        return z, z, z
    keep = 1.0 - design.weight
    before = np.full((*z.shape[:-1], 1), keep * state.ewma)
    ewma = lfilter([design.weight], [1.0, -keep], z, zi=before)[0]
    return (
        ewma,
        _cumulative(z - design.slack, state.cusum_high),
        _cumulative(-z - design.slack, state.cusum_low),
    )


def _cumulative(steps: NDArray[np.float64], start: float) -> NDArray[np.float64]:
    """S_i = max(0, S_(i-1) + step_i) in closed form: the running sum less its lowest value below zero so far."""
    summed = start + np.cumsum(steps, axis=-1)
    return np.asarray(summed - np.minimum(np.minimum.accumulate(summed, axis=-1), 0.0))


def _signals(
    joined: NDArray[np.float64],
    lead: int,
    first: int,
    ranges: NDArray[np.float64],
    ewma: NDArray[np.float64],
    high: NDArray[np.float64],
    low: NDArray[np.float64],
    design: ChartDesign,
) -> tuple[Signal, ...]:
    found: list[Signal] = []

    def mark(hit: NDArray[np.bool_], rule: ChartRule, side: int) -> None:
        found.extend(Signal(first + int(i), side, rule) for i in np.flatnonzero(hit))

    for side in (1, -1):
        z = side * joined
        mark(z[lead:] > 3.0, ChartRule.BEYOND_LIMIT, side)
        mark(_among(z > 2.0, 2, 3)[lead:], ChartRule.TWO_OF_THREE, side)
        mark(_among(z > 1.0, 4, 5)[lead:], ChartRule.FOUR_OF_FIVE, side)
        mark(_among(z > 0.0, LONGEST_RUN, LONGEST_RUN)[lead:], ChartRule.RUN, side)
        mark(side * ewma > design.ewma_limit(1.0), ChartRule.EWMA, side)
        mark((high if side > 0 else low) > design.decision, ChartRule.CUSUM, side)
    with np.errstate(invalid="ignore"):
        mark(ranges > RANGE_WIDTH, ChartRule.MOVING_RANGE, 1)
    order = list(ChartRule)
    return tuple(sorted(found, key=lambda one: (one.index, order.index(one.rule), -one.side)))


def _among(beyond: NDArray[np.bool_], wanted: int, window: int) -> NDArray[np.bool_]:
    """True where a point lies beyond, and so do at least `wanted` of the `window` points that end with it."""
    counted = np.concatenate([np.zeros(window, int), np.cumsum(beyond)])
    return np.asarray(beyond & (counted[window:] - counted[:-window] >= wanted))
