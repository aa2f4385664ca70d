"""Files written whole or not at all, one writer at a time."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, TypeVar

from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.toml_source import UNFINISHED, input_kind

__all__ = [
    "Content",
    "check_target",
    "check_targets",
    "exclusive_lock",
    "write_all",
    "write_atomic",
    "write_folder",
]

PATIENCE_S = 20.0
_AT_ONCE = 8
_OPEN_BESIDES = 64
"""Files that the program may have open besides those that it writes."""
_Thing = TypeVar("_Thing")

Content = str | bytes | Iterable[str]
"""Content of a file; a long text may come in pieces."""


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


def write_atomic(path: str | os.PathLike[str], content: Content, *, force: bool = False) -> None:
    """Write a file so that either the old or the new one exists, never half of one.

    The content is written to a temporary file in the same folder, synchronized to the disk, and renamed in one step.
    After any exception the temporary file is gone and the old file unchanged; what a killed writer left behind is
    removed by the next.

    Parameters
    ----------
    path : str or path
        A symbolic link is followed, and its target written.
    content : str, bytes or iterable of str
        Text is written as UTF-8, with its own line ends.
    force : bool
        Whether an existing file may be replaced. Its permissions are kept.

    Raises
    ------
    InputFaults
        When the file exists and `force` is off, it is an input, its folder is missing, it is no ordinary file,
        or the system refuses to write.
    """
    _write([(path, content)], force=force, edits=False)


def write_all(
    files: Mapping[Path, Content], *, force: bool = False, edits: bool = False, marked: bool = True
) -> None:
    """Write several files that belong together: all of them, or none.

    Every file is checked, and written to the disk under a temporary name, before the first gets its own. A writer that
    is killed between two names leaves a mark in the folder; whoever reads or writes one of the files then is told.

    Parameters
    ----------
    files : mapping of path to content
        As `write_atomic` takes them; they get their names in this order.
    force : bool
        Whether existing files may be replaced.
    edits : bool
        Whether they are inputs that the command is meant to change.
    marked : bool
        False where the files themselves show which of them is of another run.

    Raises
    ------
    InputFaults
        As `write_atomic` does, for each file that cannot be written; and when two names lead to one file.
    """
    _write(list(files.items()), force=force, edits=edits, marked=marked)


def write_folder(
    folder: str | os.PathLike[str],
    files: Mapping[str, Content] | Mapping[Path, Content],
    *,
    force: bool = False,
) -> None:
    """Write a folder of files that belong together.

    A new folder is made under a temporary name and gets its own in one step: it is there as a whole or not at all,
    whenever the writer is killed. Into a folder that is there the files are put as by `write_all`.

    Parameters
    ----------
    folder : str or path
        Folders above it are made, too.
    files : mapping of str or path to content
        By the path in the folder.
    force : bool
        Whether files that are there may be replaced.

    Raises
    ------
    InputFaults
        As `write_all` does, and when the folder cannot be made.
    """
    target = Path(os.path.realpath(folder))
    shown = os.fspath(folder)
    if target.is_dir():
        with _os_errors_as_faults(shown, _NO_FOLDER):
            for name in files:
                (target / name).parent.mkdir(parents=True, exist_ok=True)
        # Under the names that the user knows, for messages.
        write_all({Path(folder) / name: content for name, content in files.items()}, force=force)
        return
    if os.path.lexists(target):
        raise _fault(shown, "something that is not a folder", "", "a folder, or a new name for one")
    with _os_errors_as_faults(shown, _NO_FOLDER):
        target.parent.mkdir(parents=True, exist_ok=True)
        _sweep(target)
        stage = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.part")
        stage.mkdir()
    handle = -1
    try:
        with _os_errors_as_faults(shown, _NO_FOLDER):
            handle = _held(stage)
            contents = [(stage / name, content) for name, content in files.items()]
            for inside in {path.parent for path, _ in contents}:
                inside.mkdir(parents=True, exist_ok=True)
            _several_at_once(_write_new, contents)
            for place, _, _ in os.walk(stage):
                _sync_folder(Path(place))
            stage.rename(target)  # refused where something has appeared meanwhile
            _sync_folder(target.parent)
    except BaseException:
        shutil.rmtree(stage, ignore_errors=True)
        raise
    finally:
        if handle >= 0:
            os.close(handle)


def _held(folder: Path) -> int:
    """A descriptor that holds a folder's lock; -1 where the system opens no folders."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return -1
    _lock(handle, wait=True)
    return handle


@dataclass
class _Staged:
    """A file under its temporary name, locked until it has its own."""

    shown: str
    temporary: Path
    target: Path
    handle: int
    backup: Path | None = None
    replaces: bool = False
    placed: bool = False

    def undo(self) -> bool:
        """Put the old file back, as far as the new one has its name, and drop the temporary ones; True if it is whole."""
        whole = True
        with contextlib.suppress(OSError):
            if self.placed and self.backup is not None:
                self.backup.replace(self.target)
            elif self.placed and self.replaces:
                whole = False  # without a second name for the old file, the new one is all there is
            elif self.placed:
                self.target.unlink()
        self.drop()
        return whole

    def drop(self) -> None:
        """Remove what is left under temporary names."""
        for path in (self.temporary, self.backup):
            if path is not None:
                with contextlib.suppress(OSError):
                    path.unlink()
        self.release()

    def release(self) -> None:
        """Close the descriptor that holds the lock."""
        if self.handle >= 0:
            os.close(self.handle)
            self.handle = -1


def _write(
    files: Sequence[tuple[str | os.PathLike[str], Content]],
    *,
    force: bool,
    edits: bool,
    marked: bool = False,
) -> None:
    modes = check_targets([path for path, _ in files], force=force, edits=edits)
    _allow_open(len(files))
    waiting: list[_Staged] = []
    marks: dict[Path, set[str]] = {}
    try:
        for (path, content), mode in zip(files, modes, strict=True):
            shown = os.fspath(path)
            target = Path(os.path.realpath(shown))
            with _os_errors_as_faults(shown):
                _sweep(target)
                staged = _open_beside(shown, target)
                waiting.append(staged)
                _write_staged(staged, content, mode)
        _several_at_once(_sync_staged, waiting)
        marks = _marks([staged.target for staged in waiting])
        _put_in_place(waiting, marks if marked and len(waiting) > 1 else {}, force=force)
    except BaseException:
        whole = [staged.undo() for staged in reversed(waiting)]
        for mark, names in marks.items() if all(whole) else ():
            _lift_mark(mark, names)
        raise
    for folder in {staged.target.parent for staged in waiting}:
        _sync_folder(folder)
    for staged in waiting:
        staged.drop()
    for mark, names in marks.items():
        _lift_mark(mark, names)


def _allow_open(count: int) -> None:
    """Raise this process's limit of open files, where the system has one and lets it: all of them are held at once."""
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    needed = count + _OPEN_BESIDES
    if resource.RLIM_INFINITY != soft < needed:
        with contextlib.suppress(ValueError, OSError):
            most = needed if hard == resource.RLIM_INFINITY else min(needed, hard)
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


def _put_in_place(waiting: Sequence[_Staged], marks: Mapping[Path, set[str]], *, force: bool) -> None:
    """Give every file its name, under a mark that a killed writer leaves behind."""
    for mark, names in marks.items():
        with _os_errors_as_faults(str(mark)):
            _set_mark(mark, names)
    for staged in waiting:
        with _os_errors_as_faults(staged.shown):
            if len(waiting) > 1 and force:
                _keep_old(staged)
            _take_name(staged, force=force)


def _marks(targets: Iterable[Path]) -> dict[Path, set[str]]:
    """The mark of each folder, and the names of the files there."""
    marks: dict[Path, set[str]] = {}
    for target in targets:
        marks.setdefault(target.with_name(UNFINISHED), set()).add(target.name)
    return marks


def _set_mark(mark: Path, names: set[str]) -> None:
    """Note the files that are about to be put in place, beside those of an earlier command that was stopped."""
    with contextlib.suppress(OSError):
        names = names | set(os.fsdecode(mark.read_bytes()).split("\0"))
    with mark.open("wb") as stream:
        stream.write("\0".join(sorted(names)).encode("utf-8", "surrogateescape"))
        stream.flush()
        os.fsync(stream.fileno())


def _lift_mark(mark: Path, names: set[str]) -> None:
    """Remove the mark once all files that it names are whole again."""
    with contextlib.suppress(OSError):
        left = set(os.fsdecode(mark.read_bytes()).split("\0")) - names - {""}
        if left:
            _set_mark(mark, set())
        else:
            mark.unlink()


def _keep_old(staged: _Staged) -> None:
    """Keep the file that is about to be replaced under a second name, to put it back should a later file fail."""
    if staged.target.exists():
        staged.replaces = True
        backup = staged.temporary.with_suffix(".old.part")
        with contextlib.suppress(OSError):  # a system without hard links has no way back
            os.link(staged.target, backup)
            staged.backup = backup


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
def _os_errors_as_faults(shown: str, found: str = "a file that cannot be written") -> Iterator[None]:
    """Turn an OSError into a fault of the file, or folder."""
    try:
        yield
    except OSError as refusal:
        raise _fault(shown, f"{found} ({refusal.strerror or refusal})", "") from None


_NO_FOLDER = "a folder that cannot be made"


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


def _open_beside(shown: str, target: Path) -> _Staged:
    """A new temporary file, locked, so that the next writer can tell it from what a dead one left behind."""
    # Permissions of a new file: 0o666 less the umask. O_EXCL never opens an existing file or link.
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    while True:
        temporary = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.part")
        handle = os.open(temporary, flags, 0o666)
        _lock(handle, wait=True)
        if os.fstat(handle).st_nlink:
            return _Staged(shown, temporary, target, handle)
        os.close(handle)  # a sweeper was quicker than the lock


def _lock(handle: int, *, wait: bool) -> bool:
    """Lock a temporary file; False where another process has it, or the system knows no such lock."""
    try:
        import fcntl
    except ImportError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True


def _sweep(target: Path) -> None:
    """Remove temporary files and folders of this target whose writer was killed: nobody holds their lock."""
    name = target.name[:100]
    try:
        found = [entry for entry in os.scandir(target.parent) if _is_temporary(entry.name, name)]
    except OSError:
        return
    for entry in found:
        with contextlib.suppress(OSError):
            handle = os.open(entry.path, os.O_RDONLY)
            try:
                if _lock(handle, wait=False):
                    if entry.is_dir(follow_symlinks=False):
                        shutil.rmtree(entry.path)
                    else:
                        Path(entry.path).unlink()
            finally:
                os.close(handle)


def _is_temporary(name: str, of: str) -> bool:
    middle = name.removeprefix(f".{of}.").removesuffix(".part").removesuffix(".old")
    return (
        name.startswith(f".{of}.")
        and name.endswith(".part")
        and len(middle) == 12
        and set(middle) <= set("0123456789abcdef")
    )


def _several_at_once(do: Callable[[_Thing], None], things: Sequence[_Thing]) -> None:
    """Do something with each file, a few at a time where there are many.

    A disk is slow to confirm that it has a file and confirms several in the same time: a class's 500 files took seconds
    one by one.
    """
    if len(things) <= _AT_ONCE:
        for thing in things:
            do(thing)
        return
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for _ in pool.map(do, things):
            pass


def _write_new(file: tuple[Path, Content]) -> None:
    path, content = file
    with path.open("xb") as stream:
        _write_content(stream, content)
        os.fsync(stream.fileno())


def _write_staged(staged: _Staged, content: Content, mode: int | None) -> None:
    with os.fdopen(os.dup(staged.handle), "wb") as stream:
        _write_content(stream, content)
    if mode is not None:
        staged.temporary.chmod(mode)


def _sync_staged(staged: _Staged) -> None:
    with _os_errors_as_faults(staged.shown):
        os.fsync(staged.handle)


def _write_content(stream: BinaryIO, content: Content) -> None:
    if isinstance(content, bytes):
        stream.write(content)
    else:
        pieces = (content,) if isinstance(content, str) else content
        # A name that is no text, as a file's may be, is written as what can be.
        stream.writelines(piece.encode("utf-8", "backslashreplace") for piece in pieces)
    stream.flush()


def _take_name(staged: _Staged, *, force: bool) -> None:
    temporary, target = staged.temporary, staged.target
    if os.name == "nt":
        staged.release()  # an open file cannot be renamed there
    if not force:
        # A file that has appeared meanwhile must not be replaced: a link fails then, a rename would not.
        try:
            os.link(temporary, target)
        except FileExistsError:
            raise _exists(staged.shown) from None
        except OSError:
            if target.exists():
                raise _exists(staged.shown) from None
        else:
            staged.placed = True
            temporary.unlink()
            return
    temporary.replace(target)
    staged.placed = True


def _sync_folder(folder: Path) -> None:
    """Synchronize the new name to the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _exists(shown: str) -> InputFaults:
    return _fault(
        shown,
        "a file that is there already",
        "--force replaces it",
        "a new name",
    )


def _fault(shown: str, found: str, tip: str, allowed: str = "a file that can be written") -> InputFaults:
    return InputFaults([Diagnostic(shown, None, "", found, allowed, tip)])
