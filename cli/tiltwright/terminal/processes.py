"""Work divided among processes, one for each core."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from kinematics.progress import counted, unwatched
from tiltwright.output.typesetting import STARTED

__all__ = ["made_by_all"]

_MOST = 16
"""Processes; each needs a few dozen megabytes of its own."""
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
    workers = min(_cores(), count, _MOST)
    if workers < 2:
        return list(counted(map(make, range(count)), what, count))
    if not sys.platform.startswith("linux") or STARTED.is_set():
        with ThreadPoolExecutor(workers) as pool:
            return list(counted(pool.map(make, range(count)), what, count))
    made: list[_Made] = []
    with suppress(Exception), _by_processes(make, count, workers) as results:
        made.extend(counted(results, what, count))
    return made + [make(number) for number in range(len(made), count)]


def _cores() -> int:
    """The cores that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not everywhere
        return os.cpu_count() or 1


@contextmanager
def _by_processes(make: Callable[[int], _Made], count: int, workers: int) -> Iterator[Iterator[_Made]]:
    """The results in order as they come from forked processes, none of which outlives the block."""
    fork = multiprocessing.get_context("fork")
    pool = ProcessPoolExecutor(workers, mp_context=fork, initializer=_begin, initargs=(make,))
    # This process sees to Ctrl-C; the others inherit what is blocked.
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        with warnings.catch_warnings():
            # From 3.12 on, of any thread: numpy's wait for work, and know of forks.
            warnings.simplefilter("ignore", DeprecationWarning)
            results = pool.map(_make, range(count))
        signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        yield results
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        pool.shutdown(wait=False, cancel_futures=True)
        for child in multiprocessing.active_children():
            child.kill()  # it has told all it had to tell, or nobody asks any more
            child.join()


_task: Callable[[int], Any]


def _begin(make: Callable[[int], object]) -> None:
    """Prepare a forked process: keep the function, which does not pickle, and end without a word with the parent."""
    global _task  # noqa: PLW0603 - an executor's processes are prepared once and keep nothing else
    _task = make
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
    os._exit(1)


def _make(number: int) -> Any:  # noqa: ANN401 - what the function makes
    with unwatched():
        return _task(number)
