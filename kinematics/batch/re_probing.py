"""The forecast of a drift against a tolerance, the interval at which to probe again, and how surely a drift is seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.batch.charts import D2_OF_TWO, ChartDesign, ChartState, ewma_and_cusums
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import as_count, as_instance, as_number, as_positive

__all__ = [
    "SURELY_SEEN",
    "DriftDetection",
    "Forecast",
    "ProbingInterval",
    "drift_detection",
    "forecast",
    "probing_intervals",
]

_TWO_SIDED_95 = 1.959963984540054
"""Quantile of the normal distribution for a two-sided interval of 95 %."""


@dataclass(frozen=True)
class Forecast(DeclaredFields):
    """Parts until a quantity that drifts leaves its tolerance, counted from the last part.

    Attributes
    ----------
    parts : int or None
        Parts that are still inside with the drift as estimated; None where it never gets there.
    earliest : int or None
        The same with the drift at the end of its 95 % interval that gets there first.
    """

    parts: int | None
    earliest: int | None


@takes_declared()
def forecast(
    deviation: float, drift: float, tolerance: tuple[float, float], *, u_drift: float = 0.0
) -> Forecast:
    """Forecast when a deviation leaves its tolerance.

    Parameters
    ----------
    deviation : float
        Of the last part, smoothed (the EWMA), from nominal; in the tolerance's unit.
    drift : float
        From one part to the next.
    tolerance : (float, float)
        Lower and upper limit of the deviation.
    u_drift : float
        Standard uncertainty of the drift.

    Raises
    ------
    KinematicsError
        When the limits are in the wrong order, or the uncertainty is below zero.

    Examples
    --------
    >>> forecast(0.012, 0.0005, (-0.04, 0.04), u_drift=0.0001)
    Forecast(parts=56, earliest=40)
    >>> forecast(0.012, 0.0, (-0.04, 0.04))
    Forecast(parts=None, earliest=None)
    >>> forecast(0.0, 0.0, (0.04, -0.04))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: forecast, tolerance: expected the lower limit first, found 0.04 to -0.04
    """
    here, slope = as_number(deviation, "forecast, deviation"), as_number(drift, "forecast, drift")
    low, high = (as_number(limit, "forecast, tolerance") for limit in tolerance)
    spread = as_number(u_drift, "forecast, uncertainty of the drift")
    if low >= high:
        raise KinematicsError(
            f"forecast, tolerance: expected the lower limit first, found {low:g} to {high:g}"
        )
    if spread < 0.0:
        raise KinematicsError(f"forecast, uncertainty of the drift: expected 0 or more, found {spread:g}")
    half = _TWO_SIDED_95 * spread
    ends = [_inside(here, one, low, high) for one in (slope - half, slope + half)]
    reached = [one for one in ends if one is not None]
    return Forecast(_inside(here, slope, low, high), min(reached) if reached else None)


def _inside(here: float, slope: float, low: float, high: float) -> int | None:
    if not low <= here <= high:
        return 0
    if slope == 0.0:
        return None
    parts = ((high if slope > 0.0 else low) - here) / slope
    # A part that ends on the limit itself is inside, however the quotient was rounded.
    return math.floor(parts * (1.0 + 1e-12) + 1e-12) if parts < 1e9 else None


@dataclass(frozen=True)
class ProbingInterval(DeclaredFields):
    """One interval between two probings, its cost and its risk.

    Attributes
    ----------
    parts : int
        Parts cut between two probings.
    minutes_per_part : float
        Time that probing adds to each.
    share : float
        Share of the tolerance's half-width that the drift takes up by the last of them.
    outside : float
        Probability that the last of them lies outside its tolerance.
    """

    parts: int
    minutes_per_part: float
    share: float
    outside: float


@takes_declared()
def probing_intervals(
    intervals: Sequence[int], *, drift: float, sigma: float, tolerance: float, minutes: float
) -> tuple[ProbingInterval, ...]:
    """Cost and risk of probing again after so many parts.

    Each probing takes the drift out; what stays is the scatter of one part.

    Parameters
    ----------
    intervals : sequence of int
        Parts between two probings, each 1 or more.
    drift : float
        From one part to the next.
    sigma : float
        Standard deviation of one part, more than 0.
    tolerance : float
        Half-width, more than 0; all three in one unit.
    minutes : float
        Time of one probing, 0 or more.

    Raises
    ------
    KinematicsError
        When a value is out of its range.

    Examples
    --------
    >>> for one in probing_intervals([20, 40], drift=0.0005, sigma=0.004, tolerance=0.03, minutes=3.0):
    ...     print(one.parts, one.minutes_per_part, round(one.share, 3), f"{one.outside:.1e}")
    20 0.15 0.333 2.9e-07
    40 0.075 0.667 6.2e-03
    >>> probing_intervals([20], drift=0.0005, sigma=0.0, tolerance=0.03, minutes=3.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: re-probing: expected sigma and tolerance more than 0 and minutes 0 or more, found 0, 0.03 and 3
    """
    slope, spread = as_number(drift, "re-probing, drift"), as_number(sigma, "re-probing, sigma")
    half, time = as_number(tolerance, "re-probing, tolerance"), as_number(minutes, "re-probing, minutes")
    if not (spread > 0.0 and half > 0.0 and time >= 0.0):
        raise KinematicsError(
            "re-probing: expected sigma and tolerance more than 0 and minutes 0 or more, "
            f"found {spread:g}, {half:g} and {time:g}"
        )
    found = []
    for one in intervals:
        parts = as_count(one, "re-probing, parts")
        off = abs(slope) * parts
        outside = _above((half - off) / spread) + _above((half + off) / spread)
        found.append(ProbingInterval(parts, time / parts, off / half, outside))
    return tuple(found)


def _above(z: float) -> float:
    """Probability that a standard normal value is larger."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


SURELY_SEEN = 0.95
"""Share of batches in which a drift should be seen in time."""

_BATCHES = 2000
_LARGEST_SIGMA = 3.0
"""Of the whole drift: more scatter than any chart sees it in."""
_HALVINGS = 10


@dataclass(frozen=True)
class DriftDetection(DeclaredFields):
    """Share of drifts that the charts see in time.

    Attributes
    ----------
    seen : float
        Share of batches in which single points, EWMA or CUSUM pass a limit before the part asked for.
    largest_sigma : float
        Scatter up to which that is so in `SURELY_SEEN` of them, in the drift's unit; 0 where even none would do.
    """

    seen: float
    largest_sigma: float


@takes_declared()
def drift_detection(
    drift: float,
    sigma: float,
    before: int,
    *,
    center_from: int,
    sigma_from: int,
    design: ChartDesign | None = None,
) -> DriftDetection:
    """Find how surely the charts see a drift before a part, by simulated batches that drift from their first part on.

    Parameters
    ----------
    drift : float
        From one part to the next.
    sigma : float
        Standard deviation of one part, more than 0, in the same unit.
    before : int
        The part, from 1, 3 or more, before which it is to be seen.
    center_from, sigma_from : int
        First readings that centre and standard deviation are estimated from, which drift as well: below `before`, and 2
        or more for the standard deviation; 0 where it is stated.
    design : ChartDesign, optional

    Raises
    ------
    KinematicsError
        When a number is out of its range.

    Notes
    -----
    2,000 batches from one seed: the share is good to 0.5 % (standard error) at 95 %. Estimated limits are what hides a
    drift: with a centre that is known, no more is lost than the scatter of the few parts that the weighted mean spans.

    Examples
    --------
    >>> stated = drift_detection(0.0001, 0.004, 60, center_from=0, sigma_from=0)
    >>> first = drift_detection(0.0001, 0.004, 60, center_from=20, sigma_from=20)
    >>> round(stated.seen, 2), round(first.seen, 2), stated.largest_sigma > 0.005 > 0.004 > first.largest_sigma
    (1.0, 0.94, True)
    >>> drift_detection(0.0001, 0.004, 60, center_from=60, sigma_from=0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: drift detection, centre: expected 0 to 59 readings, found 60
    """
    slope, scatter = as_number(drift, "drift detection, drift"), as_positive(sigma, "drift detection, sigma")
    count = as_count(before, "drift detection, part", least=3) - 1
    readings = []
    for value, least, what in ((center_from, 1, "centre"), (sigma_from, 2, "sigma")):
        found = as_count(value, f"drift detection, {what}", least=0)
        if found > count or 0 < found < least:
            wanted = f"0 to {count}" if least == 1 else f"0, or 2 to {count}"
            raise KinematicsError(f"drift detection, {what}: expected {wanted} readings, found {found}")
        readings.append(found)
    design = ChartDesign() if design is None else as_instance(design, ChartDesign, "drift detection, design")
    noise = np.random.default_rng(1).standard_normal((_BATCHES, count))

    def seen(in_sigma: float) -> float:
        z = noise + in_sigma * np.arange(count)
        return float(_alarmed(z, readings[0], readings[1], design).mean())

    # The share falls as the scatter grows: halve between none and far too much of it.
    low, high = 0.0, _LARGEST_SIGMA * abs(slope) * count
    for _ in range(_HALVINGS if slope else 0):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if seen(slope / middle) >= SURELY_SEEN else (low, middle)
    return DriftDetection(seen(slope / scatter), low)


def _alarmed(
    z: NDArray[np.float64], center_from: int, sigma_from: int, design: ChartDesign
) -> NDArray[np.bool_]:
    """True for each row in which a point, the EWMA or the CUSUM passes its limit."""
    center = z[:, :center_from].mean(axis=1, keepdims=True) if center_from else 0.0
    spread = (
        np.abs(np.diff(z[:, :sigma_from], axis=1)).mean(axis=1, keepdims=True) / D2_OF_TWO
        if sigma_from
        else 1.0
    )
    held = (z - center) / spread
    ewma, high, low = ewma_and_cusums(held, design, ChartState())
    beyond = (np.abs(held) > 3.0) | (np.abs(ewma) > design.ewma_limit(1.0))
    return np.asarray((beyond | (np.maximum(high, low) > design.decision)).any(axis=1))
