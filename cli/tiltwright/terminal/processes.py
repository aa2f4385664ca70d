"""Work divided among processes, one for each core."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import struct
import sys
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import BinaryIO, NoReturn, TypeVar

from kinematics.progress import counted, report_progress, unwatched
from tiltwright.output.typesetting import STARTED

__all__ = ["made_by_all"]

_MOST = 16
"""Processes; each needs a few dozen megabytes of its own."""
_NUMBER = struct.Struct("=i")
_Made = TypeVar("_Made")


def made_by_all(make: Callable[[int], _Made], count: int, what: str) -> list[_Made]:
    """Results of a function for the numbers from 0, in order, each worked out by whichever process is free.

    Processes are forked, so that they start with everything loaded. Where a fork is not to be had, or the typesetter's
    threads, which no fork takes along, already run, threads of this process make all. What another process fails to make,
    this one makes again, and meets the error itself.

    Parameters
    ----------
    make : callable
        Takes a number below `count`; what it returns must pickle. It must not depend on what it made before.
    count : int
    what : str
        What is made, in words, for whoever watches the progress.
    """
    helpers = min(_cores(), count, _MOST) - 1
    if helpers < 1:
        return list(counted(map(make, range(count)), what, count))
    if count > _LONGEST_QUEUE or not sys.platform.startswith("linux") or STARTED.is_set():
        with ThreadPoolExecutor(helpers + 1) as pool:
            return list(counted(pool.map(make, range(count)), what, count))
    queue, entry = os.pipe()
    os.write(entry, b"".join(map(_NUMBER.pack, range(count))))
    os.close(entry)
    made: dict[int, _Made] = {}
    children: list[tuple[int, BinaryIO]] = []
    try:
        with contextlib.suppress(OSError):  # then there are fewer
            for _ in range(helpers):
                children.append(_fork(make, queue))  # noqa: PERF401 - what is forked is to be ended, whatever happens
        for number in _numbers(queue):
            report_progress(what, number / count)
            made[number] = make(number)
        for _, stream in children:
            with contextlib.suppress(EOFError, pickle.UnpicklingError):
                while True:
                    number, one = pickle.load(stream)  # noqa: S301 - from a fork of this very process
                    made[number] = one
    finally:
        os.close(queue)
        for child, stream in children:
            stream.close()
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)  # it has told all it had to tell, or nobody asks any more
            with contextlib.suppress(ChildProcessError):
                os.waitpid(child, 0)
    return [made[number] if number in made else make(number) for number in range(count)]


_LONGEST_QUEUE = 65536 // _NUMBER.size
"""More numbers than a pipe takes at once, and nobody would read them yet."""


def _cores() -> int:
    """The cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not everywhere
        return os.cpu_count() or 1


def _numbers(queue: int) -> Iterator[int]:
    """The numbers that are left, one by one; each goes to one reader only."""
    while taken := os.read(queue, _NUMBER.size):
        yield _NUMBER.unpack(taken)[0]


def _fork(make: Callable[[int], object], queue: int) -> tuple[int, BinaryIO]:
    """A child that makes what is left in the queue, its number, and the stream in which it tells of it.

    Raises
    ------
    OSError
        When the system allows no further process.
    """
    reading, writing = os.pipe()
    parent = os.getpid()
    try:
        with warnings.catch_warnings():
            # From 3.12 on, of any thread: numpy's wait for work, and know of forks.
            warnings.simplefilter("ignore", DeprecationWarning)
            child = os.fork()
    except OSError:
        os.close(reading)
        os.close(writing)
        raise
    if child == 0:
        os.close(reading)  # so that writing fails, and does not wait, once the parent is gone
        _work(make, queue, writing, parent)
    os.close(writing)
    return child, os.fdopen(reading, "rb")


def _work(make: Callable[[int], object], queue: int, writing: int, parent: int) -> NoReturn:
    """Make what is left as long as the parent lives, then tell of all of it, and end without a word."""
    try:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent sees to Ctrl-C
        made = []
        with unwatched():
            for number in _numbers(queue):
                if os.getppid() != parent:
                    break
                with contextlib.suppress(Exception):
                    made.append((number, make(number)))
        with os.fdopen(writing, "wb") as stream:
            for one in made:
                pickle.dump(one, stream, protocol=pickle.HIGHEST_PROTOCOL)
    finally:
        os._exit(0)  # none of what the parent has open is ended here
