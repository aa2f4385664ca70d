"""A batch against the clock: parts an hour, the shop's hours, the stretch without anyone there, and tool lives."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import as_count, as_instance, as_number, as_positive

__all__ = [
    "BatchDay",
    "BatchSchedule",
    "BatchTimes",
    "ShopHours",
    "ToolLife",
    "batch_schedule",
    "cycle_minutes",
    "tools_needed",
]

_DAY_MIN = 24.0 * 60.0
_MONTH = timedelta(days=31)
_LONGEST = timedelta(days=3650)
_AHEAD = 15
"""Stretches looked ahead: those of two weeks; what fits into none of them never fits."""


@dataclass(frozen=True)
class BatchTimes:
    """Times of one platter of parts and of what stands between them.

    Attributes
    ----------
    cutting_min : float
        Cutting time of one part.
    loading_min : float
        Time to load one platter, with somebody there.
    index_min : float
        Time of the index moves of one platter.
    parts : int
        Parts on a platter.
    probing_min : float
        Time of one re-probing.
    probing_every : int or None
        Parts between two re-probings; None: never.
    """

    cutting_min: float
    loading_min: float = 0.0
    index_min: float = 0.0
    parts: int = 1
    probing_min: float = 0.0
    probing_every: int | None = None

    def __post_init__(self) -> None:
        for name in ("cutting_min", "loading_min", "index_min", "probing_min"):
            value = as_number(getattr(self, name), f"batch, {name}")
            if value < 0.0:
                raise KinematicsError(f"batch, {name}: expected 0 or more, found {value:g}")
            object.__setattr__(self, name, value)
        as_positive(self.cutting_min, "batch, cutting_min")
        as_count(self.parts, "batch, parts on a platter")
        if self.probing_every is not None:
            as_count(self.probing_every, "batch, parts between two probings")

    @property
    def longest_probing_min(self) -> float:
        """Minutes of re-probing that a full platter comes to at most: more than one, where parts are probed more often."""
        return self.probing_min * -(-self.parts // self.probing_every) if self.probing_every else 0.0

    @property
    def longest_platter_min(self) -> float:
        """Minutes that a full platter takes at most, from the beginning of its loading.

        Examples
        --------
        >>> BatchTimes(30.0, loading_min=8.0, parts=4, probing_min=5.0, probing_every=3).longest_platter_min
        138.0
        """
        return self.parts * self.cutting_min + self.loading_min + self.index_min + self.longest_probing_min


@dataclass(frozen=True)
class ShopHours(DeclaredFields):
    """Hours with somebody there on each day of the week, and how long the machine runs on alone.

    Attributes
    ----------
    days_min : tuple of (float, float) or None, length 7
        From Monday, opening and closing in minutes from that day's midnight; None: closed. A closing of more than 1440 lies
        on the next day; days that follow without a gap are one stretch.
    unattended_min : float
        The longest the machine may run with nobody there.
    """

    days_min: tuple[tuple[float, float] | None, ...]
    unattended_min: float = 0.0

    def __post_init__(self) -> None:
        super().__post_init__()
        if len(self.days_min) != 7:
            raise KinematicsError(f"shop hours: expected 7 days from Monday, found {len(self.days_min)}")
        for day in self.days_min:
            if day is None:
                continue
            opening, closing = (as_number(one, "shop hours, minutes from midnight") for one in day)
            if not (0.0 <= opening < _DAY_MIN and opening < closing <= opening + _DAY_MIN):
                raise KinematicsError(
                    f"shop hours: expected an opening on the day and a closing within 24 hours of it, found {opening:g} to "
                    f"{closing:g} minutes"
                )
        if not any(self.days_min):
            raise KinematicsError("shop hours: expected a day that is open, found none")
        value = as_number(self.unattended_min, "shop hours, unattended")
        if value < 0.0:
            raise KinematicsError(f"shop hours, unattended: expected 0 or more, found {value:g}")

    def stretches(self, moment: datetime) -> Iterator[tuple[datetime, datetime]]:
        """Open stretches from the one that a moment lies in, or the next one, without end; joined where no gap is between.

        A stretch longer than a month is cut there: it belongs to a shop that never closes.

        Examples
        --------
        >>> day = ShopHours(((420.0, 960.0),) * 5 + (None, None))
        >>> for opening, closing in itertools.islice(day.stretches(datetime(2026, 3, 6, 12)), 2):
        ...     print(opening, closing)
        2026-03-06 07:00:00 2026-03-06 16:00:00
        2026-03-09 07:00:00 2026-03-09 16:00:00
        """
        midnight = datetime.combine(moment.date(), datetime.min.time()) - timedelta(days=1)
        held: tuple[datetime, datetime] | None = None
        while True:
            day = self.days_min[midnight.weekday()]
            if day is not None:
                opening, closing = (midnight + timedelta(minutes=one) for one in day)
                if held is None:
                    held = (opening, closing)
                elif opening > held[1] or held[1] - held[0] > _MONTH:
                    if held[1] > moment:
                        yield held
                    held = (max(opening, held[1]), closing)
                else:
                    held = (held[0], max(held[1], closing))
            midnight += timedelta(days=1)


@dataclass(frozen=True)
class ToolLife(DeclaredFields):
    """Life of one tool: minutes of cutting it lasts, and minutes that one part takes of it."""

    name: str
    life_min: float
    per_part_min: float

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in ("life_min", "per_part_min"):
            as_positive(getattr(self, name), f"tool life, {name}")

    @property
    def parts(self) -> int:
        """Whole parts that one edge lasts."""
        return math.floor(self.life_min / self.per_part_min + 1e-9)


def cycle_minutes(times: BatchTimes) -> float:
    """Minutes a part, loading and re-probing shared out.

    Examples
    --------
    >>> cycle_minutes(BatchTimes(120.0, loading_min=8.0, index_min=2.0, parts=2, probing_min=4.0, probing_every=40))
    125.1
    >>> cycle_minutes(10.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: batch times: expected a BatchTimes, found 10.0
    """
    as_instance(times, BatchTimes, "batch times")
    probing = times.probing_min / times.probing_every if times.probing_every else 0.0
    return times.cutting_min + (times.loading_min + times.index_min) / times.parts + probing


@takes_declared()
def tools_needed(tool: ToolLife, parts: int) -> int | None:
    """Edges that a batch takes, no part begun that the edge would not finish; None where one part is too much for it.

    Examples
    --------
    >>> tools_needed(ToolLife("6 mm drill", 90.0, 4.0), 150), tools_needed(ToolLife("tap", 3.0, 4.0), 1)
    (7, None)
    >>> tools_needed("drill", 100)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: tool: expected a ToolLife, found 'drill'
    """
    each = tool.parts
    return math.ceil(as_count(parts, "batch, parts", least=0) / each) if each else None


@dataclass(frozen=True)
class BatchDay(DeclaredFields):
    """Platters that are loaded between one opening of the shop and its closing.

    Attributes
    ----------
    opening : datetime
    platters, parts : int
    done : datetime
        When the last of them is.
    alone_min : float
        How long the machine runs with nobody there.
    """

    opening: datetime
    platters: int
    parts: int
    done: datetime
    alone_min: float


@dataclass(frozen=True)
class BatchSchedule(DeclaredFields):
    """A batch by the shop's hours.

    Attributes
    ----------
    days : tuple of BatchDay
        Those on which a platter is loaded.
    running_min : float
        Loading, cutting, index moves and re-probing, all together.
    """

    days: tuple[BatchDay, ...]
    running_min: float

    @property
    def finish(self) -> datetime | None:
        """Moment at which the last part is done; None for no parts."""
        return self.days[-1].done if self.days else None

    @property
    def alone_min(self) -> float:
        """Minutes of it that the machine runs with nobody there."""
        return sum(day.alone_min for day in self.days)


@takes_declared()
def batch_schedule(times: BatchTimes, hours: ShopHours, start: datetime, parts: int) -> BatchSchedule:
    """The batch platter by platter: when its last part is done, and how long the machine runs alone.

    A platter is loaded with somebody there, as soon as the one before is done; the machine then cuts it on its own, with
    nobody there for no longer than stated. A platter that would take longer waits for the next opening.

    Parameters
    ----------
    times : BatchTimes
    hours : ShopHours
    start : datetime
        On the shop's clock.
    parts : int
        Parts wanted; the last platter may be part full.

    Raises
    ------
    KinematicsError
        When a platter never fits, or the batch takes more than ten years.

    Examples
    --------
    >>> week = ShopHours(((420.0, 960.0),) * 5 + (None, None), unattended_min=240.0)
    >>> found = batch_schedule(BatchTimes(120.0, loading_min=10.0), week, datetime(2026, 3, 2, 7), 8)
    >>> found.finish.isoformat(" ", "minutes"), found.alone_min, [day.parts for day in found.days]
    ('2026-03-03 13:30', 110.0, [5, 3])
    >>> batch_schedule(BatchTimes(800.0), week, datetime(2026, 3, 2, 7), 8)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: batch: expected a platter that fits into a day and 240 minutes alone, found 800 minutes
    """
    as_instance(times, BatchTimes, "batch times")
    as_instance(hours, ShopHours, "batch, shop hours")
    left = as_count(parts, "batch, parts", least=0)
    now, since, running_min = start, 0, 0.0
    loading, longest = timedelta(minutes=times.loading_min), timedelta(minutes=hours.unattended_min)
    days: list[BatchDay] = []
    ahead = list(itertools.islice(hours.stretches(start), _AHEAD))
    while left:
        on_platter = min(times.parts, left)
        probings = 0
        if times.probing_every:
            probings, since = divmod(since + on_platter, times.probing_every)
        minutes = on_platter * times.cutting_min + times.index_min + probings * times.probing_min
        running = timedelta(minutes=minutes)
        if now >= ahead[0][1]:
            ahead = list(itertools.islice(hours.stretches(now), _AHEAD))
        begun = _first_that_fits(ahead, now, loading, running, longest)
        if begun is None:
            raise KinematicsError(
                f"batch: expected a platter that fits into a day and {hours.unattended_min:g} minutes alone, found "
                f"{(loading + running).total_seconds() / 60.0:g} minutes"
            )
        opening, begin, alone = begun
        now = begin + loading + running
        if now - start > _LONGEST:
            raise KinematicsError(
                f"batch: expected to end within ten years, found {parts - left} parts done by then"
            )
        before = days.pop() if days and days[-1].opening == opening else BatchDay(opening, 0, 0, now, 0.0)
        alone_min = before.alone_min + alone.total_seconds() / 60.0
        days.append(BatchDay(opening, before.platters + 1, before.parts + on_platter, now, alone_min))
        running_min += times.loading_min + minutes
        left -= on_platter
    return BatchSchedule(tuple(days), running_min)


def _first_that_fits(
    ahead: Sequence[tuple[datetime, datetime]],
    now: datetime,
    loading: timedelta,
    running: timedelta,
    longest: timedelta,
) -> tuple[datetime, datetime, timedelta] | None:
    """Opening, beginning and time alone of the first stretch in which a platter can be begun; None where in none.

    Begun later in a stretch a platter runs alone no less, so only the earliest moment of each is tried.
    """
    for place, (opening, closing) in enumerate(ahead):
        begin = max(now, opening)
        loaded = begin + loading
        if loaded > closing:
            continue
        gaps = [
            min(loaded + running, after) - before
            for (_, before), (after, _) in itertools.pairwise(ahead[place:])
            if loaded + running > before
        ]
        if all(gap <= longest for gap in gaps) and loaded + running <= ahead[-1][1]:
            return opening, begin, sum(gaps, timedelta())
    return None
