"""The progress bar: for what takes long, on a terminal, out of the way of all text."""

import io
from contextlib import redirect_stderr

import pytest

from kinematics.progress import counted, report_progress, unwatched, watched
from tiltwright.terminal import progress_line
from tiltwright.terminal.progress_line import progress_bar
from tiltwright.terminal.streams import guarded_streams, note


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self):
        return True


@pytest.fixture
def clock(monkeypatch):
    """A clock that a test moves on by hand."""
    now = [100.0]
    monkeypatch.setattr(progress_line.time, "monotonic", lambda: now[0])

    def on(seconds):
        now[0] += seconds

    return on


@pytest.fixture
def screen(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    return Terminal()


def work(screen, clock, seconds, steps=10, said=""):
    # Set here: between a fixture and its test the stream is taken away again.
    with redirect_stderr(screen), guarded_streams(), progress_bar():
        for _ in counted(range(steps), "index moves"):
            clock(seconds / steps)
        if said:
            note(said)


def test_what_takes_long_shows_a_bar_that_is_gone_at_the_end(screen, clock):
    work(screen, clock, 10.0)
    drawn = screen.getvalue()
    assert "index moves" in drawn
    assert "50 %" in drawn
    assert drawn.rsplit("\r", 2)[1].strip() == ""
    assert "\n" not in drawn


def test_what_takes_two_seconds_shows_none(screen, clock):
    work(screen, clock, 2.0)
    assert screen.getvalue() == ""


def test_text_stands_on_a_line_of_its_own(screen, clock):
    work(screen, clock, 10.0, said="the platter")
    before, after = screen.getvalue().split("note", 1)
    assert "the platter\n" in after
    assert before[: before.rindex("\x1b")].rsplit("\r", 2)[1].strip() == ""


@pytest.mark.parametrize(("key", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_none_where_plain_text_is_asked_for(screen, clock, monkeypatch, key, value):
    monkeypatch.setenv(key, value)
    work(screen, clock, 10.0)
    assert screen.getvalue() == ""


def test_none_off_a_terminal(screen, clock, monkeypatch):
    monkeypatch.setattr(screen, "isatty", lambda: False)
    work(screen, clock, 10.0)
    assert screen.getvalue() == ""


def test_a_terminal_of_few_characters(screen, clock, monkeypatch):
    monkeypatch.setattr(Terminal, "encoding", "ascii")
    work(screen, clock, 10.0)
    assert screen.getvalue().isascii()
    assert "index moves" in screen.getvalue()


def test_parts_refine_their_whole():
    seen = []
    with watched(lambda what, share: seen.append((what, round(share, 3)))):
        for _ in counted("ab", "nests"):
            report_progress("half of it", 0.5)
            with unwatched():
                list(counted("cd", "unknown"))
        report_progress("all", 7.0)
    assert seen == [("nests", 0.0), ("half of it", 0.25), ("nests", 0.5), ("half of it", 0.75), ("all", 1.0)]


def test_an_abandoned_count_gives_its_place_back():
    seen = []
    with watched(lambda _, share: seen.append(share)):
        for _ in counted(range(4), "first"):
            break
        report_progress("second", 0.5)
    assert seen == [0.0, 0.5]
