"""Whatever a file holds, reading it succeeds or tells faults with lines; nothing else comes out."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from slices import cases

from tiltwright.files.diagnostics import InputFaults
from tiltwright.files.loader import read_job, read_machine

VALID = Path(__file__).parent / "valid"
MACHINE = (VALID / "machine-ac.toml").read_text("utf-8")
JOB = (VALID / "job-ports.toml").read_text("utf-8")
# The folder is made once for each test and every example overwrites the files in it.
SHARED_FOLDER = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


def check(read: Callable[[Path], object], path: Path) -> InputFaults | None:
    try:
        read(path)
    except InputFaults as raised:
        caught = raised
    else:
        return None
    count = max(path.read_bytes().count(b"\n") + 1 for path in path.parent.iterdir())
    assert caught.faults
    for fault in caught.faults:
        assert fault.line is None or 1 <= fault.line <= count
        assert fault.found
        assert fault.allowed
        assert len(str(fault)) < 2000
    return caught


@given(st.binary(max_size=200))
@example(b"")
@example(b"\xef\xbb\xbf")
@SHARED_FOLDER
def test_bytes(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "file.toml"
    path.write_bytes(raw)
    assert check(read_machine, path)
    assert check(read_job, path)


@given(st.text(max_size=200))
@SHARED_FOLDER
def test_text(tmp_path: Path, text: str) -> None:
    path = tmp_path / "file.toml"
    path.write_bytes(text.encode("utf-8", "replace"))
    assert check(read_machine, path)
    assert check(read_job, path)


TOML = st.sampled_from(
    [
        "0", "-1", "1", "9", "10", "0.5", "1e400", "-1e300", "1e-320", "nan", "-inf", "true", "2026-01-02", "12:00:00",
        '""', '"A"', '"C"', '"endless"', '"mm"', '"1°30\'"', '"-0d 59m 60s"', '"\\u202e"', '"z"', "'machine-ac.toml'",
        "[]", "[0]", "[0, 0]", "[1, 0]", "[0, 0, 0]", "[1e-12, 0, 0]", "[1e6, -1e6, 1e6]", "[[0, 0, 0]]", "[[[[]]]]",
        "{}", "{ A = 0 }", "{ A = 0, C = 0 }", "{ B = 0 }", "{ count = 6, step = 60 }", "{ C = 0.35 }", '[["z", 9]]',
        "99999999999999999999", '["x", 1]', "[nan, 0, 1]", "{ A = 1e6, C = -1e6 }", "[{}]", "[1, {}]",
    ]
)  # fmt: skip


def mutate(text: str, value: str, seed: int) -> str:
    """A sound file with one thing wrong: a value, a key, a line left out, doubled or moved."""
    dice = random.Random(seed)
    lines = text.splitlines()
    at = dice.randrange(len(lines))
    key, equals, _ = lines[at].partition("=")
    match dice.randrange(5):
        case 0 if equals:
            lines[at] = f"{key}= {value}"
        case 1:
            lines[at] = lines[at].replace("a", "e", 1)
        case 2:
            del lines[at]
        case 3:
            lines.insert(dice.randrange(len(lines)), lines[at])
        case _:
            lines[at] = f"{value} = {value}" if dice.random() < 0.2 else f"{key.strip() or 'x'} = {value}"
    return "\n".join(lines)


@given(TOML, st.integers(0, 2**32), st.integers(1, 4), st.sampled_from(["job", "both"]))
@settings(SHARED_FOLDER, max_examples=cases(400))
def test_sound_files_spoilt(tmp_path: Path, value: str, seed: int, times: int, spoilt: str) -> None:
    machine, job = MACHINE, JOB
    for k in range(times):
        job = mutate(job, value, seed + k)
        if spoilt == "both":
            machine = mutate(machine, value, seed + 7 * k)
    (tmp_path / "machine-ac.toml").write_text(machine, "utf-8")
    (tmp_path / "job.toml").write_text(job, "utf-8")
    check(read_job, tmp_path / "job.toml")


@pytest.mark.parametrize("name", ["machine-ac", "machine-inch", "machine-indexer"])
def test_every_line_of_a_machine_file_left_out(tmp_path: Path, name: str) -> None:
    lines = (VALID / f"{name}.toml").read_text("utf-8").splitlines()
    for left_out in range(len(lines)):
        path = tmp_path / "mill.toml"
        path.write_text("\n".join(lines[:left_out] + lines[left_out + 1 :]), "utf-8")
        check(read_machine, path)


def test_every_beginning_of_a_job_file(tmp_path: Path) -> None:
    """A file cut off anywhere (a full disk, a stick pulled out)."""
    (tmp_path / "machine-ac.toml").write_text(MACHINE, "utf-8")
    path = tmp_path / "job.toml"
    for length in range(0, len(JOB), 7):
        path.write_text(JOB[:length], "utf-8")
        check(read_job, path)
