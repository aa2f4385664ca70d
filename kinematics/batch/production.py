"""A batch against the clock: parts an hour, the shop's hours, the stretch without anyone there, and tool lives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from kinematics.errors import KinematicsError
from kinematics.validation import as_count, as_instance, as_number

__all__ = ["BatchTimes", "ShopHours", "ToolLife", "batch_finish", "cycle_minutes", "tools_needed"]

_LONGEST = timedelta(days=3650)


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
        if not self.cutting_min > 0.0:
            raise KinematicsError(f"batch, cutting_min: expected more than 0, found {self.cutting_min:g}")
        as_count(self.parts, "batch, parts on a platter")
        if self.probing_every is not None:
            as_count(self.probing_every, "batch, parts between two probings")


@dataclass(frozen=True)
class ShopHours:
    """Hours with somebody there on each day of the week, and how long the machine runs on alone.

    Attributes
    ----------
    days : tuple of (time, time) or None, length 7
        From Monday; None: closed.
    unattended_min : float
        The longest the machine may run after closing before it waits for somebody.
    """

    days: tuple[tuple[time, time] | None, ...]
    unattended_min: float = 0.0

    def __post_init__(self) -> None:
        if len(self.days) != 7:
            raise KinematicsError(f"shop hours: expected 7 days from Monday, found {len(self.days)}")
        for day in self.days:
            if day is not None and day[0] >= day[1]:
                raise KinematicsError(
                    f"shop hours: expected opening before closing, found {day[0]} to {day[1]}"
                )
        if not any(self.days):
            raise KinematicsError("shop hours: expected a day that is open, found none")
        value = as_number(self.unattended_min, "shop hours, unattended")
        if value < 0.0:
            raise KinematicsError(f"shop hours, unattended: expected 0 or more, found {value:g}")

    def open_from(self, moment: datetime) -> datetime:
        """The moment itself where the shop is open, else the next opening."""
        for ahead in range(8):
            day = moment.date() + timedelta(days=ahead)
            hours = self.days[day.weekday()]
            if hours is None:
                continue
            opening, closing = (datetime.combine(day, one) for one in hours)
            if moment < closing:
                return max(moment, opening)
        raise AssertionError("a week holds an open day")  # pragma: no cover

    def closing_after(self, moment: datetime) -> datetime:
        """Closing time of the day that an open moment lies in."""
        hours = self.days[moment.weekday()]
        if hours is None:
            raise KinematicsError(f"shop hours: expected a moment when the shop is open, found {moment}")
        return datetime.combine(moment.date(), hours[1])


@dataclass(frozen=True)
class ToolLife:
    """Life of one tool: minutes of cutting it lasts, and minutes that one part takes of it."""

    name: str
    life_min: float
    per_part_min: float

    def __post_init__(self) -> None:
        for name in ("life_min", "per_part_min"):
            value = as_number(getattr(self, name), f"tool life, {name}")
            if not value > 0.0:
                raise KinematicsError(f"tool life, {name}: expected more than 0, found {value:g}")

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
    """
    as_instance(times, BatchTimes, "batch times")
    probing = times.probing_min / times.probing_every if times.probing_every else 0.0
    return times.cutting_min + (times.loading_min + times.index_min) / times.parts + probing


def tools_needed(tool: ToolLife, parts: int) -> int | None:
    """Edges that a batch takes, no part begun that the edge would not finish; None where one part is too much for it.

    Examples
    --------
    >>> tools_needed(ToolLife("6 mm drill", 90.0, 4.0), 150), tools_needed(ToolLife("tap", 3.0, 4.0), 1)
    (7, None)
    """
    each = tool.parts
    return math.ceil(as_count(parts, "batch, parts", least=0) / each) if each else None


def batch_finish(times: BatchTimes, hours: ShopHours, start: datetime, parts: int) -> datetime:
    """Moment at which the last part of a batch is done.

    A platter is loaded with somebody there; the machine then cuts it on its own, after closing for no longer than
    stated. A platter that would take longer than that waits for the next opening.

    Parameters
    ----------
    times : BatchTimes
    hours : ShopHours
    start : datetime
    parts : int
        Parts wanted; the last platter may be part full.

    Raises
    ------
    KinematicsError
        When a platter takes longer than an open day and the stretch after it, or the batch more than ten years.

    Examples
    --------
    >>> week = ShopHours(((time(7), time(16)),) * 5 + (None, None), unattended_min=240.0)
    >>> batch_finish(BatchTimes(120.0, loading_min=10.0), week, datetime(2026, 3, 2, 7), 8).isoformat(" ", "minutes")
    '2026-03-03 13:30'
    """
    left = as_count(parts, "batch, parts", least=0)
    now, since = start, 0
    longest, loading = timedelta(minutes=hours.unattended_min), timedelta(minutes=times.loading_min)
    while left:
        on_platter = min(times.parts, left)
        probings = 0
        if times.probing_every:
            probings, since = divmod(since + on_platter, times.probing_every)
        running = timedelta(
            minutes=on_platter * times.cutting_min + times.index_min + probings * times.probing_min
        )
        ready = _first_that_fits(hours, hours.open_from(now), loading, running, longest)
        if ready is None:
            raise KinematicsError(
                f"batch: expected a platter to fit into a day and {hours.unattended_min:g} minutes after it, "
                f"found {(loading + running).total_seconds() / 60.0:g} minutes"
            )
        now = ready + loading + running
        left -= on_platter
        if now - start > _LONGEST:
            raise KinematicsError(
                f"batch: expected to end within ten years, found {parts - left} parts done by then"
            )
    return now


def _first_that_fits(
    hours: ShopHours, opening: datetime, loading: timedelta, running: timedelta, longest: timedelta
) -> datetime | None:
    """The first open moment from `opening` on at which a platter can be begun; None where no day of a week is long enough."""
    for _ in range(8):  # what is left of this day, and a whole week after it
        closing = hours.closing_after(opening)
        if opening + loading <= closing and opening + loading + running <= closing + longest:
            return opening
        opening = hours.open_from(closing)
    return None
