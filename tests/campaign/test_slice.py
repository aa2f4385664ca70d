"""A short, seeded slice of the campaign; the long runs are by hand, see `fuzz.py` and `kills.py`."""

import os
import signal

import pytest
from slices import cases

import fuzz
import kills


def test_damaged_inputs_end_as_a_user_may_expect():
    before, tried = signal.getsignal(signal.SIGALRM), cases(640)
    try:
        counts, broken = fuzz.campaign(tried, seed=13)
    finally:
        signal.signal(signal.SIGALRM, before)
    assert broken == []
    assert counts["exit 0"] > tried // 12
    assert counts["exit 2"] > 5 * tried // 12


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system that forks")
def test_killed_commands_leave_old_or_new():
    counts, broken = kills.campaign(
        24, 3, ("pivot restore 0 -m logged.toml", "offsets tide_gauge_head.toml -o offsets.txt --force")
    )
    assert broken == []
    assert counts["killed"] >= 15


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs a system that forks")
def test_writers_at_once_lose_nothing():
    wrote, logged = kills.race(4)
    assert wrote == logged == 4
