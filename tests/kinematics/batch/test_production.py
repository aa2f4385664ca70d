"""The batch against the clock, the forecast, and the part's zero at every tilt."""

from datetime import datetime, time, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep
from kinematics.batch import (
    BatchTimes,
    ShopHours,
    ToolLife,
    batch_finish,
    clocking_response,
    cycle_minutes,
    forecast,
    probing_intervals,
    shift_response,
    tools_needed,
)

WEEK = ShopHours(((time(7), time(16)),) * 5 + (None, None), unattended_min=240.0)
ALWAYS = ShopHours(((time(0), time(23, 59, 59)),) * 7, unattended_min=24.0 * 60.0)
MONDAY = datetime(2026, 3, 2, 7)  # noqa: DTZ001 - the wall clock of a shop


def minute_by_minute(times, hours, start, parts):
    """The batch walked through by the minute: waits until a platter may be loaded, then loads and cuts it."""
    now, left, since = start, parts, 0
    while left:
        on = min(times.parts, left)
        minutes = on * times.cutting_min + times.index_min
        if times.probing_every:
            minutes += (since + on) // times.probing_every * times.probing_min
            since = (since + on) % times.probing_every
        while True:
            day = hours.days[now.weekday()]
            if day:
                opening, closing = (datetime.combine(now.date(), one) for one in day)
                loaded = now + timedelta(minutes=times.loading_min)
                if (
                    opening <= now < closing
                    and loaded <= closing
                    and loaded + timedelta(minutes=minutes)
                    <= closing + timedelta(minutes=hours.unattended_min)
                ):
                    break
            now += timedelta(minutes=1)
        now = loaded + timedelta(minutes=minutes)
        left -= on
    return now


@given(
    st.integers(20, 150), st.integers(0, 20), st.integers(0, 5), st.integers(1, 3), st.integers(1, 12),
    st.integers(0, 300), st.sampled_from([None, 2, 5]),
)  # fmt: skip
def test_the_finish_is_that_of_a_walk_by_the_minute(cutting, loading, index, nests, parts, alone, every):
    times = BatchTimes(cutting, loading, index, nests, 3.0, every)
    hours = ShopHours(((time(7), time(16)), None, *((time(6, 30), time(15)),) * 3, None, None), alone)
    if nests * cutting + index + loading + 3 * nests > 8 * 60:
        return
    assert batch_finish(times, hours, MONDAY, parts) == minute_by_minute(times, hours, MONDAY, parts)


def test_a_batch_of_150_at_a_little_over_two_hours_is_more_than_300_machine_hours():
    """Common practice, no source: the arithmetic of a batch that runs day and night."""
    times = BatchTimes(125.0)
    done = batch_finish(times, ALWAYS, MONDAY, 150)
    assert done - MONDAY >= timedelta(hours=300)
    assert cycle_minutes(times) * 150 / 60.0 == pytest.approx(312.5)


def test_what_never_fits_is_refused():
    with pytest.raises(KinematicsError, match="found 800 minutes"):
        batch_finish(BatchTimes(800.0), WEEK, MONDAY, 1)
    assert batch_finish(BatchTimes(700.0), WEEK, MONDAY, 0) == MONDAY


@pytest.mark.parametrize(
    ("call", "found"),
    [
        (lambda: BatchTimes(0.0), "found 0"),
        (lambda: BatchTimes(1.0, loading_min=-1.0), "found -1"),
        (lambda: BatchTimes(1.0, probing_every=0), "found 0"),
        (lambda: ShopHours((None,) * 7), "found none"),
        (lambda: ShopHours((None,) * 6), "found 6"),
        (lambda: ShopHours(((time(9), time(8)),) * 7), "09:00"),
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


def test_the_risk_is_scipy_s_normal_tail():
    from scipy.stats import norm

    (one,) = probing_intervals([30], drift=-0.0007, sigma=0.005, tolerance=0.03, minutes=6.0)
    assert one.outside == pytest.approx(norm.sf(0.03, -0.021, 0.005) + norm.cdf(-0.03, -0.021, 0.005))
    assert (one.share, one.minutes_per_part) == (pytest.approx(0.7), 0.2)


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
