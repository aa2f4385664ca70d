"""One writer at a time: a lock file beside the machine file, held while it is read, fitted and written."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tiltwright.files.faults import Fault, InputFaults

__all__ = ["alone"]

PATIENCE_S = 20.0
_PAUSE_S = 0.05


@contextlib.contextmanager
def alone(path: str | os.PathLike[str], patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Be the only one of this program's processes that writes a file and its log.

    The system lets the lock go when a process ends, however it ends, so none is ever left behind. The lock file
    itself stays: taking it away would let two processes lock two files of the same name.

    Parameters
    ----------
    path : str or path
        The file that is to be written; a symbolic link is followed.
    patience_s : float
        How long to wait for somebody else.

    Raises
    ------
    InputFaults
        When somebody else still holds it, or the lock file cannot be made.
    """
    target = Path(os.path.realpath(path))
    lock = target.with_name(f".{target.name}.lock")
    try:
        handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as refusal:
        found = f"a folder that cannot be written to ({refusal.strerror or refusal})"
        raise InputFaults([Fault(os.fspath(path), None, "", found, "a file that can be written")]) from None
    try:
        deadline = time.monotonic() + patience_s
        while not _taken(handle):
            if time.monotonic() > deadline:
                found = f"a file that somebody else has been writing for {patience_s:g} seconds"
                tip = "wait for them, then run this again"
                raise InputFaults([Fault(os.fspath(path), None, "", found, "one writer at a time", tip)])
            time.sleep(_PAUSE_S)
        yield
    finally:
        os.close(handle)


if sys.platform == "win32":  # pragma: no cover - the other branch is tested

    def _taken(handle: int) -> bool:
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:

    def _taken(handle: int) -> bool:
        import fcntl

        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
