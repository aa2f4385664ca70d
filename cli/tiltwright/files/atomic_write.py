"""Files written whole or not at all, one writer at a time."""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.toml_source import input_kind

__all__ = ["check_target", "check_targets", "exclusive_lock", "write_all", "write_atomic"]

PATIENCE_S = 20.0


@contextlib.contextmanager
def exclusive_lock(path: str | os.PathLike[str], patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Hold an exclusive lock on a file and its log, among this program's processes.

    The system releases the lock when a process ends, however it ends, so a killed writer leaves none behind.

    Parameters
    ----------
    path : str or path
        The file that is to be written; a symbolic link is followed. The lock file is beside it, hidden.
    patience_s : float
        Seconds to wait for another writer.

    Raises
    ------
    InputFaults
        When another writer still holds it, or the lock file cannot be made.
    """
    from filelock import FileLock, Timeout

    target = Path(os.path.realpath(path))
    if not target.parent.is_dir():  # filelock would make it
        raise _fault(os.fspath(path), f"no folder {target.parent}", "make the folder first")
    lock = FileLock(target.with_name(f".{target.name}.lock"), timeout=patience_s)
    try:
        lock.acquire()
    except Timeout:
        found = f"a file that somebody else has been writing for {patience_s:g} seconds"
        tip = "wait for them, then run this again"
        raise InputFaults(
            [Diagnostic(os.fspath(path), None, "", found, "one writer at a time", tip)]
        ) from None
    except (OSError, NotImplementedError) as refusal:
        why = getattr(refusal, "strerror", None) or refusal
        found = f"a folder that cannot be written to ({why})"
        raise InputFaults(
            [Diagnostic(os.fspath(path), None, "", found, "a file that can be written")]
        ) from None
    try:
        yield
    finally:
        lock.release()


def write_atomic(
    path: str | os.PathLike[str], content: str | bytes, *, force: bool = False, edits: bool = False
) -> None:
    """Write a file so that either the old or the new one exists, never half of one.

    The content is written to a temporary file in the same folder, synchronized to the disk, and renamed in one step.
    After any exception the temporary file is gone and the old file unchanged.

    Parameters
    ----------
    path : str or path
        A symbolic link is followed, and its target written.
    content : str or bytes
        Text is written as UTF-8, with its own line ends.
    force : bool
        Whether an existing file may be replaced. Its permissions are kept.
    edits : bool
        Whether the file is an input that the command is meant to change. No other input is ever replaced.

    Raises
    ------
    InputFaults
        When the file exists and `force` is off, it is an input, its folder is missing, it is no ordinary file,
        or the system refuses to write.
    """
    _write([(path, content)], force=force, edits=edits)


def write_all(files: Mapping[Path, str | bytes], *, force: bool = False) -> None:
    """Write several files that belong together: all of them, or none.

    Every file is checked, and written to the disk under a temporary name, before the first gets its own.

    Parameters
    ----------
    files : mapping of path to content
        As `write_atomic` takes them.
    force : bool
        Whether existing files may be replaced.

    Raises
    ------
    InputFaults
        As `write_atomic` does, for each file that cannot be written; and when two names lead to one file.
    """
    _write(list(files.items()), force=force, edits=False)


def _write(files: Sequence[tuple[str | os.PathLike[str], str | bytes]], *, force: bool, edits: bool) -> None:
    modes = check_targets([path for path, _ in files], force=force, edits=edits)
    waiting: list[tuple[str, Path, Path]] = []
    try:
        for (path, content), mode in zip(files, modes, strict=True):
            shown = os.fspath(path)
            target = Path(os.path.realpath(shown))
            temporary = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.part")
            waiting.append((shown, temporary, target))
            data = content.encode("utf-8") if isinstance(content, str) else bytes(content)
            with _os_errors_as_faults(shown):
                _write_and_sync(temporary, data, mode)
        for shown, temporary, target in waiting:
            with _os_errors_as_faults(shown):
                _take_name(shown, temporary, target, force=force)
    except BaseException:
        for _, temporary, _ in waiting:
            with contextlib.suppress(OSError):
                temporary.unlink()
        raise
    for folder in {target.parent for _, _, target in waiting}:
        _sync_folder(folder)


def check_targets(
    paths: Sequence[str | os.PathLike[str]], *, force: bool, edits: bool = False
) -> list[int | None]:
    """Check that several files may be written together, as :func:`write_all` does first.

    Returns
    -------
    list of int or None
        As `check_target` does, for each.

    Raises
    ------
    InputFaults
        With the fault of every one, and when two names lead to one file.
    """
    faults: list[Diagnostic] = []
    modes: list[int | None] = []
    seen: dict[str, str] = {}
    for path in paths:
        shown = os.fspath(path)
        real = os.path.realpath(shown)
        if real in seen:
            found, allowed = f"the same file as {seen[real]}", "a different file for each"
            raise InputFaults([*faults, Diagnostic(shown, None, "", found, allowed, "give it another name")])
        seen[real] = shown
        try:
            modes.append(check_target(path, force=force, edits=edits))
        except InputFaults as refused:
            faults += refused.faults
            modes.append(None)
    if faults:
        raise InputFaults(faults)
    return modes


@contextlib.contextmanager
def _os_errors_as_faults(shown: str) -> Iterator[None]:
    """Turn an OSError into a fault of the file."""
    try:
        yield
    except OSError as refusal:
        raise _fault(shown, f"a file that cannot be written ({refusal.strerror or refusal})", "") from None


def check_target(path: str | os.PathLike[str], *, force: bool = False, edits: bool = False) -> int | None:
    """Check that a file may be written, as :func:`write_atomic` does first.

    Returns
    -------
    int or None
        The permissions of the file to be replaced; None for a new one.

    Raises
    ------
    InputFaults
        As `write_atomic` does, for every fault that shows beforehand.
    """
    shown = os.fspath(path)
    target = Path(os.path.realpath(shown))
    read = None if edits else input_kind(target)
    if read is not None:
        found = f"{read.split(' ', 1)[-1]} itself, an input of this command"
        raise InputFaults(
            [Diagnostic(shown, None, "", f"the {found}", "another file to write to", "give it another name")]
        )
    if not target.parent.is_dir():
        raise _fault(shown, f"no folder {target.parent}", "make the folder first")
    try:
        existing = target.stat()
    except OSError:
        return None
    if not stat.S_ISREG(existing.st_mode):
        if stat.S_ISDIR(existing.st_mode):
            raise _fault(shown, "a folder", "give the name of a file, in that folder or elsewhere")
        raise _fault(shown, "something that is not an ordinary file", "")
    if not force:
        raise _exists(shown)
    if not existing.st_mode & 0o222:
        raise _fault(
            shown, "a file that is write-protected", "give it another name, or take the protection off"
        )
    return stat.S_IMODE(existing.st_mode)


def _write_and_sync(temporary: Path, data: bytes, mode: int | None) -> None:
    # Permissions of a new file: 0o666 less the umask. O_EXCL never opens an existing file or link.
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(temporary, flags, 0o666), "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    if mode is not None:
        temporary.chmod(mode)


def _take_name(shown: str, temporary: Path, target: Path, *, force: bool) -> None:
    if not force:
        # A file that has appeared meanwhile must not be replaced: a link fails then, a rename would not.
        try:
            os.link(temporary, target)
        except FileExistsError:
            raise _exists(shown) from None
        except OSError:
            if target.exists():
                raise _exists(shown) from None
        else:
            temporary.unlink()
            return
    temporary.replace(target)


def _sync_folder(folder: Path) -> None:
    """Synchronize the new name to the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _exists(shown: str) -> InputFaults:
    return _fault(shown, "a file that is there already", "use --force to replace it, or give it another name")


def _fault(shown: str, found: str, tip: str) -> InputFaults:
    return InputFaults([Diagnostic(shown, None, "", found, "a file that can be written", tip)])
