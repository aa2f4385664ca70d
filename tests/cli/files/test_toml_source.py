"""Files that cannot be read at all, and text around the TOML that does no harm."""

import os
from pathlib import Path

import pytest

from tiltwright.files.decoding import DiagnosticCollector
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import read_job, read_machine
from tiltwright.files.toml_source import load

PLAIN = (Path(__file__).parent / "valid" / "machine-plain.toml").read_text("utf-8")


def only_fault(path: Path) -> Diagnostic:
    try:
        source = load(path, "a machine file")
    except InputFaults as refused:
        (fault,) = refused.faults
    else:
        (fault,) = DiagnosticCollector(source).located()
    assert fault.file == str(path)
    return fault


def test_missing_file_names_a_similar_one(tmp_path: Path) -> None:
    (tmp_path / "teaching_mill.toml").write_text(PLAIN)
    fault = only_fault(tmp_path / "teachin_mill.toml")
    assert (fault.line, fault.found, fault.allowed) == (None, "no such file", "a machine file")
    assert fault.tip == 'did you mean "teaching_mill.toml"?'


def test_missing_folder(tmp_path: Path) -> None:
    fault = only_fault(tmp_path / "nowhere" / "mill.toml")
    assert fault.found == "no such file"
    assert fault.tip.startswith("there is no folder")


def test_folder(tmp_path: Path) -> None:
    assert only_fault(tmp_path).found == "a folder"


def test_path_through_a_file(tmp_path: Path) -> None:
    (tmp_path / "mill").write_text(PLAIN)
    assert "cannot be read" in only_fault(tmp_path / "mill" / "mill.toml").found


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root reads everything")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text(PLAIN)
    path.chmod(0)
    assert "cannot be read" in only_fault(path).found


def test_a_name_with_a_null_byte() -> None:
    assert "cannot be read" in only_fault(Path("mill\0.toml")).found


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs an endless file")
def test_an_endless_file_is_not_read_for_ever() -> None:
    assert "a pipe or a device" in only_fault(Path("/dev/zero")).found


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_that_nobody_writes_to_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "job.toml")
    assert "a pipe or a device" in only_fault(tmp_path / "job.toml").found


def test_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_bytes('name = "a"\n# Fräse\n'.encode("latin-1"))
    fault = only_fault(path)
    assert (fault.line, fault.found, fault.allowed) == (2, "byte 0xe4, which is not UTF-8 text", "UTF-8 text")


def test_utf_16(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text(PLAIN, "utf-16")
    assert "not UTF-8 text" in only_fault(path).found


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PLAIN.replace("\n", "\r\n").encode())
    assert read_machine(path).machine.letters == ("A", "C")


def test_lines_are_counted_alike_with_windows_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    lines = PLAIN.replace("[-120, 30]", "[30, -120]").splitlines()
    path.write_bytes(b"\xef\xbb\xbf" + "\r\n".join(lines).encode())
    with pytest.raises(InputFaults) as caught:
        read_machine(path)
    assert [fault.line for fault in caught.value.faults] == [lines.index("limits = [30, -120]") + 1]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("x = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        ("x = " + "9" * 5000, "cannot be read"),
        ("x = 2026-02-30", "2026-02-30"),
        ("x = 1\rname = 2", "x = 1"),
        ("x = \x00", "x = "),
    ],
)
def test_text_that_is_hardly_toml(tmp_path: Path, text: str, found: str) -> None:
    path = tmp_path / "mill.toml"
    path.write_bytes(text.encode())
    fault = only_fault(path)
    assert found in fault.found
    assert str(fault).isprintable()


def test_deep_but_sound_toml_is_located(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text("x = " + "[" * 200 + "]" * 200 + "\n" + PLAIN)
    with pytest.raises(InputFaults, match=r"mill.toml:1: x: found an unknown key"):
        read_machine(path)


def test_job_reports_a_machine_that_is_not_text(tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_bytes(b"\xff")
    (tmp_path / "job.toml").write_text('name = "a"\nunits = "cm"\nmachine = "mill.toml"\noperation = []\n')
    with pytest.raises(InputFaults) as caught:
        read_job(tmp_path / "job.toml")
    places = [(Path(fault.file).name, fault.line) for fault in caught.value.faults]
    assert places == [("job.toml", 2), ("job.toml", 4), ("mill.toml", 1)]
