"""The batch against the clock, the forecast, and the part's zero at every tilt."""

from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep
from kinematics.batch import (
    BatchTimes,
    ShopHours,
    ToolLife,
    batch_schedule,
    clocking_response,
    cycle_minutes,
    forecast,
    probing_intervals,
    shift_response,
    tools_needed,
)

DAY = (7 * 60.0, 16 * 60.0)
WEEK = ShopHours((DAY,) * 5 + (None, None), unattended_min=240.0)
ALWAYS = ShopHours(((0.0, 1440.0),) * 7)
MONDAY = datetime(2026, 3, 2, 7)  # noqa: DTZ001 - the wall clock of a shop


def minutes_open(hours, days=45):
    """True for each minute in which the shop is open from Monday's midnight on, shifts over midnight included."""
    there = np.zeros((days + 2) * 1440, dtype=bool)
    for day in range(-1, days):
        span = hours.days_min[day % 7]
        if span:
            there[max(0, day * 1440 + int(span[0])) : max(0, day * 1440 + int(span[1]))] = True
    return there


def minute_by_minute(times, hours, start, parts):
    """The batch walked through by the minute: waits until a platter may be loaded, then loads and cuts it."""
    there = minutes_open(hours)
    # How long nobody has been there at the end of each minute.
    alone_until = np.arange(there.size) - np.maximum.accumulate(np.where(there, np.arange(there.size), -1))
    loading, now, left, since, alone = int(times.loading_min), 7 * 60, parts, 0, 0
    while left:
        on = min(times.parts, left)
        minutes = on * times.cutting_min + times.index_min
        if times.probing_every:
            minutes += (since + on) // times.probing_every * times.probing_min
            since = (since + on) % times.probing_every
        minutes = int(minutes)
        for begin in range(now, now + 14 * 1440):
            if not there[begin : begin + max(1, loading)].all():
                continue
            if alone_until[begin + loading : begin + loading + minutes].max() <= hours.unattended_min:
                break
        else:
            return None
        now = begin + loading + minutes
        alone += int((~there[begin:now]).sum())
        left -= on
    return start + timedelta(minutes=now - 7 * 60), alone


SHIFTS = st.one_of(
    st.none(),
    st.tuples(st.integers(0, 23), st.integers(1, 24)).map(lambda d: (60.0 * d[0], 60.0 * (d[0] + d[1]))),
)


@given(
    st.lists(SHIFTS, min_size=7, max_size=7).filter(any), st.integers(20, 400), st.integers(1, 20), st.integers(0, 5),
    st.integers(1, 3), st.integers(1, 6), st.integers(0, 900), st.sampled_from([None, 2, 5]),
)  # fmt: skip
def test_the_schedule_is_that_of_a_walk_by_the_minute(
    days, cutting, loading, index, nests, parts, alone, every
):
    times = BatchTimes(cutting, loading, index, nests, 3.0, every)
    hours = ShopHours(tuple(days), alone)
    walked = minute_by_minute(times, hours, MONDAY, parts)
    if walked is None:
        with pytest.raises(KinematicsError, match="fits into a day"):
            batch_schedule(times, hours, MONDAY, parts)
        return
    found = batch_schedule(times, hours, MONDAY, parts)
    assert (found.finish, found.alone_min) == walked
    assert sum(day.parts for day in found.days) == parts
    assert found.running_min == pytest.approx(
        parts * cutting + -(-parts // nests) * (loading + index) + (3.0 * (parts // every) if every else 0.0)
    )


def test_a_batch_of_150_at_a_little_over_two_hours_is_more_than_300_machine_hours():
    """Common practice, no source: the arithmetic of a batch that runs day and night."""
    times = BatchTimes(125.0)
    found = batch_schedule(times, ALWAYS, MONDAY, 150)
    assert found.finish - MONDAY == timedelta(minutes=150 * 125)
    assert (found.alone_min, found.running_min) == (0.0, 150 * 125.0)
    assert cycle_minutes(times) * 150 / 60.0 == pytest.approx(312.5)


def test_through_the_night_where_the_next_shift_comes_in_time():
    """Closed from 16:00 to 7:00: with 15 hours alone a platter of 20 hours runs on into the morning, with 14 it never fits."""
    one = BatchTimes(1200.0)
    found = batch_schedule(one, ShopHours((DAY,) * 7, 900.0), MONDAY, 1)
    assert (found.finish, found.alone_min) == (MONDAY + timedelta(hours=20), 11 * 60.0)
    assert batch_schedule(one, ShopHours((DAY,) * 7, 660.0), MONDAY, 1).finish == found.finish
    with pytest.raises(KinematicsError, match="found 1200 minutes"):
        batch_schedule(one, ShopHours((DAY,) * 7, 659.0), MONDAY, 1)


def test_what_never_fits_is_refused():
    with pytest.raises(KinematicsError, match="found 800 minutes"):
        batch_schedule(BatchTimes(800.0), WEEK, MONDAY, 1)
    assert batch_schedule(BatchTimes(700.0), WEEK, MONDAY, 0).finish is None
    with pytest.raises(KinematicsError, match="ten years"):
        batch_schedule(BatchTimes(700.0), WEEK, MONDAY, 100_000)


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: BatchTimes(0.0), "found 0"),
        (lambda: BatchTimes(1.0, loading_min=-1.0), "found -1"),
        (lambda: BatchTimes(1.0, probing_every=0), "found 0"),
        (lambda: ShopHours((None,) * 7), "found none"),
        (lambda: ShopHours((None,) * 6), "found 6"),
        (lambda: ShopHours(((540.0, 480.0),) * 7), "540 to 480"),
        (lambda: ShopHours(((1440.0, 1500.0),) * 7), "1440"),
        (lambda: ShopHours(((0.0, 1441.0),) * 7), "1441"),
        (lambda: ShopHours((DAY,) * 7, -1.0), "found -1"),
        (lambda: ToolLife("drill", 0.0, 1.0), "found 0"),
        (lambda: forecast(0.0, 0.1, (-1.0, 1.0), u_drift=-1.0), "found -1"),
        (lambda: probing_intervals([0], drift=0.0, sigma=1.0, tolerance=1.0, minutes=1.0), "found 0"),
        (lambda: probing_intervals([1], drift=0.0, sigma=0.0, tolerance=1.0, minutes=1.0), "found 0"),
    ],
)
def test_impossible_figures_are_refused(call, found):
    with pytest.raises(KinematicsError, match=found):
        call()


@given(st.integers(1, 50), st.integers(1, 9), st.integers(0, 200))
def test_tools_are_counted_edge_by_edge(life, each, parts):
    left, used, possible = 0, 0, life >= each
    for _ in range(parts if possible else 0):
        if left < each:
            left, used = life, used + 1
        left -= each
    assert tools_needed(ToolLife("t", life, each), parts) == (used if possible else None)


@given(st.floats(-0.02, 0.02), st.floats(-0.003, 0.003).filter(lambda x: abs(x) > 1e-5))
def test_the_forecast_is_the_last_part_inside(deviation, drift):
    parts = forecast(deviation, drift, (-0.05, 0.04)).parts
    assert -0.05 - 1e-9 <= deviation + parts * drift <= 0.04 + 1e-9
    after = deviation + (parts + 1) * drift
    assert after < -0.05 + 1e-9 or after > 0.04 - 1e-9


def test_one_outside_already_has_no_parts_left():
    assert forecast(0.05, 0.001, (-0.04, 0.04)).parts == 0


@pytest.mark.parametrize("drift", [0.0, 0.0004, -0.0011])
def test_the_risk_of_the_last_part_counts_both_ends_of_its_tolerance(drift):
    """Against scipy's normal: what lies beyond either end, with the middle off by the drift of all its parts."""
    found = probing_intervals([1, 10, 25], drift=drift, sigma=0.015, tolerance=0.03, minutes=4.0)
    for one, parts in zip(found, (1, 10, 25), strict=True):
        middle = stats.norm(loc=drift * parts, scale=0.015)
        assert one.outside == pytest.approx(middle.cdf(-0.03) + middle.sf(0.03), rel=1e-9)
        assert one.share == pytest.approx(abs(drift) * parts / 0.03)
        assert one.minutes_per_part == pytest.approx(4.0 / parts)


def machine(seed):
    random = np.random.default_rng(seed)
    senses = list(RotationSense)
    rotaries = [
        RotaryAxis(
            letter, random.normal(size=3) * 80.0, along + random.normal(size=3) * 0.02,
            senses[int(random.integers(2))], None,
        )
        for letter, along in (("A", np.array([1.0, 0.0, 0.0])), ("C", np.array([0.0, 0.0, 1.0])))
    ]  # fmt: skip
    steps = [StackStep("post", up_mm=90.0, shift_mm=(3.0, -4.0), turn_deg=random.uniform(-180, 180))]
    return Setup.from_stack(Machine("mill", tuple(rotaries), Platter(face_mm=-10.0)), steps), random


@given(st.integers(0, 2**32 - 1))
def test_a_moved_part_s_offsets_are_the_old_ones_and_a_constant_times_the_shift(seed):
    from dataclasses import replace

    from kinematics import Pose

    setup, random = machine(seed)
    angles, origins, shift = (
        random.uniform(-180, 180, (6, 2)),
        random.normal(size=(6, 3)) * 40,
        random.normal(size=3),
    )
    from kinematics.machine import table_frame

    moved_in_table = table_frame(setup.machine).inverse().rotate(shift)
    moved = replace(
        setup,
        part_in_table=Pose(setup.part_in_table.rotation, setup.part_in_table.translation_mm + moved_in_table),
    )
    predicted = setup.work_offset(origins, angles) + shift_response(setup, angles) @ shift
    np.testing.assert_allclose(moved.work_offset(origins, angles), predicted, atol=1e-9)


@given(st.integers(0, 2**32 - 1), st.floats(-0.5, 0.5))
def test_clocking_is_right_to_first_order_within_its_stated_error(seed, clock_deg):
    from dataclasses import replace

    from kinematics import Pose

    setup, random = machine(seed)
    angles, origins = random.uniform(-180, 180, (6, 2)), random.normal(size=(6, 3)) * 40
    c, s = np.cos(np.radians(clock_deg)), np.sin(np.radians(clock_deg))
    turn = Pose(np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]), np.zeros(3))
    turned = replace(setup, part_in_table=setup.part_in_table @ turn)
    off = turned.work_offset(origins, angles) - setup.work_offset(origins, angles)
    off = off - clock_deg * clocking_response(setup, origins, angles)
    bound = np.hypot(origins[:, 0], origins[:, 1]) * np.radians(clock_deg) ** 2 / 2.0
    assert (np.linalg.norm(off, axis=-1) <= bound * 1.001 + 1e-9).all()
