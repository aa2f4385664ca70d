"""Work divided among processes: in order, whoever makes it, and with the error that making it alone would meet."""

import os
import signal
import threading
import time
from pathlib import Path

import pytest

from kinematics import KinematicsError
from kinematics.progress import watched
from tiltwright.terminal import processes
from tiltwright.terminal.processes import made_by_all

pytestmark = pytest.mark.skipif(not hasattr(os, "sched_getaffinity"), reason="nothing is forked there")


@pytest.fixture(params=["forked", "threads", "alone"])
def way(request, monkeypatch):
    """Each way in which the work is done, whatever ran in this process before."""
    started = threading.Event()
    if request.param == "threads":
        started.set()
    monkeypatch.setattr(processes, "STARTED", started)
    monkeypatch.setattr(processes, "_cores", lambda: 1 if request.param == "alone" else 3)
    return request.param


def test_all_is_made_in_order(way):
    made = made_by_all(lambda n: (n, os.getpid(), "x" * 100_000), 40, "sheets")
    assert [n for n, _, _ in made] == list(range(40))
    makers = {pid for _, pid, _ in made}
    assert len(makers) <= 3 and os.getpid() not in makers if way == "forked" else makers == {os.getpid()}
    assert made_by_all(str, 0, "sheets") == []


def test_what_cannot_be_made_is_told_as_if_made_alone(way, monkeypatch):
    fork, children = os.fork, []

    def forked():
        child = fork()
        children.extend([child] if child else [])
        return child

    def make(number):
        if number == 7:
            raise KinematicsError("sheet 7: expected numbers, found none")
        return number

    monkeypatch.setattr(os, "fork", forked)
    with pytest.raises(KinematicsError, match="sheet 7"):
        made_by_all(make, 12, "sheets")
    assert bool(children) == (way == "forked")
    for child in children:  # none is left behind; other tests' browser may be
        with pytest.raises(ChildProcessError):
            os.waitpid(child, os.WNOHANG)


def test_what_a_killed_process_would_have_made_is_made_here(monkeypatch):
    monkeypatch.setattr(processes, "STARTED", threading.Event())
    monkeypatch.setattr(processes, "_cores", lambda: 2)
    here = os.getpid()

    def make(number):
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return number

    assert made_by_all(make, 6, "sheets") == list(range(6))


def test_where_no_process_can_be_started_this_one_makes_all(monkeypatch):
    def refused():
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(processes, "STARTED", threading.Event())
    monkeypatch.setattr(processes, "_cores", lambda: 2)
    monkeypatch.setattr(os, "fork", refused)
    assert made_by_all(str, 3, "sheets") == ["0", "1", "2"]


def test_none_outlives_a_killed_command(monkeypatch):
    monkeypatch.setattr(processes, "STARTED", threading.Event())
    monkeypatch.setattr(processes, "_cores", lambda: 2)
    reading, writing = os.pipe()
    command = os.fork()
    if command == 0:

        def make(_):
            os.write(writing, f"{os.getpid()}\n".encode())
            time.sleep(0.01)
            return "x" * 100_000

        made_by_all(make, 1000, "sheets")
        os._exit(0)
    others = set()
    while not others:
        others = {int(line) for line in os.read(reading, 1000).split()} - {command}
    os.kill(command, signal.SIGKILL)
    os.waitpid(command, 0)
    until = time.monotonic() + 10.0
    while any(map(_lives, others)) and time.monotonic() < until:
        time.sleep(0.01)
    os.close(reading)
    os.close(writing)
    left = [process for process in others if _lives(process)]
    for process in left:
        os.kill(process, signal.SIGKILL)
    assert not left


def _lives(process):
    """True unless it has ended, whether or not somebody has asked how."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.usefixtures("way")
def test_progress_is_told_by_this_process_only():
    told = []
    with watched(lambda what, share: told.append((what, share))):
        made_by_all(lambda _: time.sleep(0.005), 12, "sheets")
    assert {what for what, _ in told} == {"sheets"}
    assert [share for _, share in told] == sorted(share for _, share in told)
