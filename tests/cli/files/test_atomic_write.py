"""A file is written whole or not at all, whatever goes wrong on the way."""

import fcntl
import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tiltwright.files import toml_source
from tiltwright.files.atomic_write import check_target, write_all, write_atomic, write_folder
from tiltwright.files.diagnostics import InputFaults


def refusal(path: Path, *, force: bool = False) -> str:
    with pytest.raises(InputFaults) as caught:
        write_atomic(path, "new", force=force)
    (fault,) = caught.value.faults
    return f"{fault.found}; {fault.tip}"


@given(st.text(st.characters(exclude_categories=["Cs"])))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_text_as_it_is(tmp_path: Path, text: str) -> None:
    write_atomic(tmp_path / "sheet.txt", text, force=True)
    assert (tmp_path / "sheet.txt").read_bytes() == text.encode()


def test_bytes_in_a_new_file(tmp_path: Path) -> None:
    write_atomic(tmp_path / "sheet.pdf", b"\x00\r\n\xff")
    assert (tmp_path / "sheet.pdf").read_bytes() == b"\x00\r\n\xff"
    assert [path.name for path in tmp_path.iterdir()] == ["sheet.pdf"]


def test_a_new_file_has_the_usual_permissions(tmp_path: Path) -> None:
    (tmp_path / "usual").write_text("")
    write_atomic(tmp_path / "sheet.txt", "new")
    assert (tmp_path / "sheet.txt").stat().st_mode == (tmp_path / "usual").stat().st_mode


def test_an_existing_file_is_kept_without_force(tmp_path: Path) -> None:
    path = tmp_path / "sheet.txt"
    path.write_text("old")
    assert "--force" in refusal(path)
    assert path.read_text() == "old"


def test_force_replaces_and_keeps_permissions(tmp_path: Path) -> None:
    path = tmp_path / "sheet.txt"
    path.write_text("old and longer")
    path.chmod(0o640)
    write_atomic(path, "new", force=True)
    assert path.read_text() == "new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_force_writes_a_new_file_too(tmp_path: Path) -> None:
    write_atomic(tmp_path / "sheet.txt", "new", force=True)
    assert (tmp_path / "sheet.txt").read_text() == "new"


def test_folder_missing(tmp_path: Path) -> None:
    assert "no folder" in refusal(tmp_path / "sheets" / "sheet.txt")
    assert not (tmp_path / "sheets").exists()


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    assert "a folder" in refusal(tmp_path, force=True)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_device_or_pipe_is_never_replaced(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "not an ordinary file" in refusal(tmp_path / "pipe", force=True)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to("real.txt")
    write_atomic(tmp_path / "link.txt", "new", force=True)
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text() == "new"


def test_a_link_is_not_written_through_without_force(tmp_path: Path) -> None:
    (tmp_path / "real.txt").write_text("old")
    (tmp_path / "link.txt").symlink_to("real.txt")
    assert "there already" in refusal(tmp_path / "link.txt")


def test_a_long_name(tmp_path: Path) -> None:
    write_atomic(tmp_path / ("n" * 250), "new")
    assert (tmp_path / ("n" * 250)).read_text() == "new"


def test_a_name_too_long(tmp_path: Path) -> None:
    assert "cannot be written" in refusal(tmp_path / ("n" * 300))
    assert list(tmp_path.iterdir()) == []


STEPS = ["open", "write", "fsync", "chmod", "replace", "link"]


def break_step(monkeypatch: pytest.MonkeyPatch, step: str, raised: BaseException) -> list[str]:
    """Let one step of writing raise; what was called is noted, so that the test shows that it got there."""
    called: list[str] = []

    def broken(*_args: object, **_options: object) -> None:
        called.append(step)
        raise raised

    if step == "write":
        real = os.fdopen

        def fdopen(*args: object, **options: object) -> object:
            stream = real(*args, **options)  # type: ignore[call-overload]

            class Full:
                def __enter__(self) -> Self:
                    return self

                def __exit__(self, *_: object) -> None:
                    stream.close()

                def write(self, data: bytes) -> None:
                    stream.write(data[: len(data) // 2])
                    stream.flush()
                    broken()

                def writelines(self, pieces: Iterable[bytes]) -> None:
                    for piece in pieces:
                        self.write(piece)

            return Full()

        monkeypatch.setattr(os, "fdopen", fdopen)
    else:
        monkeypatch.setattr(os, step, broken)
    return called


@pytest.mark.parametrize(
    "raised", [OSError(28, "No space left on device"), KeyboardInterrupt(), RuntimeError("x")]
)
@pytest.mark.parametrize("step", STEPS[:-1])
def test_a_crash_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, raised: BaseException
) -> None:
    path = tmp_path / "sheet.txt"
    path.write_text("old")
    with monkeypatch.context() as patch:
        called = break_step(patch, step, raised)
        expected = InputFaults if isinstance(raised, OSError) else type(raised)
        with pytest.raises(expected):
            write_atomic(path, "new and longer", force=True)
    assert called == [step]
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["sheet.txt"]


@pytest.mark.parametrize("raised", [OSError(5, "Input/output error"), KeyboardInterrupt()])
@pytest.mark.parametrize("step", ["open", "write", "fsync"])
def test_a_crash_leaves_no_new_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, raised: BaseException
) -> None:
    with monkeypatch.context() as patch:
        called = break_step(patch, step, raised)
        with pytest.raises((InputFaults, KeyboardInterrupt)):
            write_atomic(tmp_path / "sheet.txt", "new")
    assert called == [step]
    assert list(tmp_path.iterdir()) == []


def test_a_crash_names_the_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    break_step(monkeypatch, "fsync", OSError(28, "No space left on device"))
    with pytest.raises(InputFaults, match=r"sheet\.txt: found a file that cannot be written \(No space left"):
        write_atomic(tmp_path / "sheet.txt", "new")


def test_a_file_that_appears_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "sheet.txt"
    real = os.fsync

    def fsync(handle: int) -> None:
        path.write_text("somebody else's")
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    assert "there already" in refusal(path)
    assert path.read_text() == "somebody else's"
    assert [entry.name for entry in tmp_path.iterdir()] == ["sheet.txt"]


def test_a_disk_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    called = break_step(monkeypatch, "link", OSError(95, "Operation not supported"))
    write_atomic(tmp_path / "sheet.txt", "new")
    assert called == ["link"]
    assert (tmp_path / "sheet.txt").read_text() == "new"
    assert [entry.name for entry in tmp_path.iterdir()] == ["sheet.txt"]


def test_an_input_is_replaced_only_where_that_is_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text("old")
    toml_source.remember(path, "a machine file")
    try:
        assert "the machine file itself" in refusal(path, force=True)
        assert path.read_text() == "old"
        write_all({path: "new"}, force=True, edits=True)
        assert path.read_text() == "new"
    finally:
        toml_source.forget()
    write_atomic(path, "newer", force=True)


def test_a_target_is_refused_beforehand_as_it_would_be(tmp_path: Path) -> None:
    assert check_target(tmp_path / "sheet.txt") is None
    with pytest.raises(InputFaults, match="a folder"):
        check_target(tmp_path, force=True)
    with pytest.raises(InputFaults, match="no folder"):
        check_target(tmp_path / "no" / "sheet.txt")
    assert list(tmp_path.iterdir()) == []


def test_several_files_are_all_written_or_none(tmp_path: Path) -> None:
    (tmp_path / "two.txt").write_text("old")
    one, two, three = (tmp_path / f"{name}.txt" for name in ("one", "two", "three"))
    with pytest.raises(InputFaults, match="there already"):
        write_all({one: "1", two: "2", three: "3"})
    with pytest.raises(InputFaults, match="no folder"):
        write_all({one: "1", two: "2", tmp_path / "no" / "x.txt": "3"}, force=True)
    with pytest.raises(InputFaults, match="the same file as"):
        write_all({one: "1", Path(f"{tmp_path}/../{tmp_path.name}/one.txt"): "2"})
    assert {entry.name: entry.read_text() for entry in tmp_path.iterdir()} == {"two.txt": "old"}
    write_all({one: "1", two: b"2"}, force=True)
    assert (one.read_text(), two.read_text()) == ("1", "2")


def test_every_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputFaults) as caught:
        write_all({tmp_path: "1", tmp_path / "no" / "x.txt": "2"}, force=True)
    assert [fault.found.split(" /")[0] for fault in caught.value.faults] == ["a folder", "no folder"]


def test_a_disk_that_fills_up_while_several_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "two.txt").write_text("old")
    real, calls = os.fsync, []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputFaults, match=r"two.txt: found .*No space left"):
        write_all({tmp_path / "one.txt": "1", tmp_path / "two.txt": "2"}, force=True)
    assert {entry.name: entry.read_text() for entry in tmp_path.iterdir()} == {"two.txt": "old"}


def test_a_write_protected_file_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text("old")
    path.chmod(0o444)
    assert "write-protected" in refusal(path, force=True)
    assert path.read_text() == "old"


LITTER = ".sheet.txt.0123456789ab.part"


def test_what_a_killed_writer_left_behind_is_removed_by_the_next(tmp_path: Path) -> None:
    (tmp_path / LITTER).write_text("half")
    (tmp_path / LITTER.replace(".part", ".old.part")).write_text("old")
    (tmp_path / ".other.txt.0123456789ab.part").write_text("of another file")
    (tmp_path / ".sheet.txt.notes.part").write_text("somebody's own")
    write_atomic(tmp_path / "sheet.txt", "new")
    names = {entry.name for entry in tmp_path.iterdir()}
    assert names == {"sheet.txt", ".other.txt.0123456789ab.part", ".sheet.txt.notes.part"}


def test_what_a_living_writer_has_begun_stays(tmp_path: Path) -> None:
    fcntl = pytest.importorskip("fcntl")
    with (tmp_path / LITTER).open("wb") as begun:
        fcntl.flock(begun, fcntl.LOCK_EX)
        write_atomic(tmp_path / "sheet.txt", "new")
        assert (tmp_path / LITTER).exists()


def test_a_set_is_put_back_when_one_of_it_cannot_take_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "one.txt").write_text("old 1")
    (tmp_path / "three.txt").write_text("old 3")
    real, calls = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == 3:
            raise OSError(5, "Input/output error")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    with pytest.raises(InputFaults, match="Input/output error"):
        write_all({tmp_path / f"{name}.txt": "new" for name in ("one", "two", "three")}, force=True)
    assert {entry.name: entry.read_text() for entry in tmp_path.iterdir()} == {
        "one.txt": "old 1",
        "three.txt": "old 3",
    }


def test_a_set_that_was_being_put_in_place_is_told_until_it_is_whole(tmp_path: Path) -> None:
    (tmp_path / toml_source.UNFINISHED).write_bytes(b"one.toml\0two.toml")
    (tmp_path / "one.toml").write_text("x = 1")
    (tmp_path / "three.toml").write_text("x = 1")
    toml_source.forget()
    toml_source.read_bytes(tmp_path / "three.toml", "a file")
    assert toml_source.notices() == ()
    toml_source.read_bytes(tmp_path / "one.toml", "a file")
    assert "was stopped while it put 2 files in place" in toml_source.notices()[0]
    toml_source.forget()
    write_all({tmp_path / "one.toml": "1"}, force=True)
    assert (tmp_path / toml_source.UNFINISHED).exists()
    write_all({tmp_path / "one.toml": "1", tmp_path / "two.toml": "2"}, force=True)
    assert not (tmp_path / toml_source.UNFINISHED).exists()


def test_a_text_may_come_in_pieces_and_hold_what_is_no_text(tmp_path: Path) -> None:
    write_atomic(tmp_path / "sheet.txt", (piece for piece in ("a", "\udcff", "b")))
    assert (tmp_path / "sheet.txt").read_text() == "a\\udcffb"


def test_a_new_folder_is_there_as_a_whole_or_not_at_all(tmp_path: Path) -> None:
    def pieces() -> Iterator[str]:
        yield "half"
        assert not (tmp_path / "class").exists()
        raise OSError(28, "No space left on device")

    with pytest.raises(InputFaults, match="No space left"):
        write_folder(tmp_path / "class", {"lesson.toml": "x", "key/key-01.txt": pieces()})
    assert list(tmp_path.iterdir()) == []
    write_folder(tmp_path / "class", {"lesson.toml": "x", "key/key-01.txt": b"1"})
    assert [path.name for path in tmp_path.iterdir()] == ["class"]
    assert (tmp_path / "class" / "key" / "key-01.txt").read_text() == "1"


def test_a_folder_that_is_there_gets_what_is_new(tmp_path: Path) -> None:
    (tmp_path / "class" / "notes").mkdir(parents=True)
    write_folder(tmp_path / "class", {"a.txt": "1", "key/b.txt": "2"})
    with pytest.raises(InputFaults, match=r"a\.txt"):
        write_folder(tmp_path / "class", {"a.txt": "3", "key/b.txt": "4"})
    write_folder(tmp_path / "class", {"a.txt": "5"}, force=True)
    assert (tmp_path / "class" / "a.txt").read_text() == "5"
    assert (tmp_path / "class" / "key" / "b.txt").read_text() == "2"
    assert (tmp_path / "class" / "notes").is_dir()


def test_a_dead_writers_folder_is_removed_and_a_living_ones_stays(tmp_path: Path) -> None:
    for name in (".class.0123456789ab.part", ".class.0123456789cd.part", ".klass.0123456789ef.part"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "half.txt").write_text("half")
    with _locked(tmp_path / ".class.0123456789cd.part"):
        write_folder(tmp_path / "class", {"a.txt": "1"})
    left = sorted(path.name for path in tmp_path.iterdir())
    assert left == [".class.0123456789cd.part", ".klass.0123456789ef.part", "class"]


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    handle = os.open(folder, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    yield
    os.close(handle)


def test_no_folder_in_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file", tmp_path / "file" / "class"):
        with pytest.raises(InputFaults, match="folder"):
            write_folder(path, {"a.txt": "1"})
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.skipif(os.name == "nt", reason="no such limit there")
def test_more_files_than_may_be_open(tmp_path):
    """A large class is written again, file by file."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (100, hard))
    try:
        for text in ("old", "new"):
            write_all({tmp_path / f"{number}.txt": text for number in range(150)}, force=True)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert {path.read_text() for path in tmp_path.glob("*.txt")} == {"new"}
