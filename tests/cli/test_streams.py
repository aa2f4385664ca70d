"""Streams that are closed, full, gone or short of characters: a message and an exit code, never a traceback."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

FULL = Path("/dev/full")
NAME = "Søby Ø 12 × 30°, “測”"


def shell(words: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run a line of the shell in which ``tiltwright`` is this one."""
    # Only the command: the checkout may lie in a folder of that name.
    line = words.replace("tiltwright ", f"{sys.executable} -m tiltwright ")
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {line}"],
        capture_output=True,
        check=False,
        env={**kept, **environment},
    )


@pytest.fixture
def named(job) -> Path:
    return job(
        f'name = "{NAME}"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
        f'[[operation]]\nname = "{NAME}"\nat = {{ A = 0, C = 0 }}\n'
    )


ASCII = {"LC_ALL": "C", "PYTHONIOENCODING": "ascii"}


@pytest.mark.parametrize("command", ["sheet", "offsets", "offsets --csv", "aim"])
def test_an_ascii_terminal(named, command):
    ended = shell(f"tiltwright {command} {named}", **ASCII)
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.isascii()
    assert ended.stderr.isascii()
    assert command == "aim" or b"Soby dia 12 x 30 deg" in ended.stdout


def test_json_says_the_same_everywhere(named):
    asked = f"tiltwright offsets --json {named}"
    plain, whole = shell(asked, **ASCII), shell(asked, PYTHONIOENCODING="utf-8")
    assert plain.stdout == whole.stdout
    assert json.loads(plain.stdout)["job"] == NAME


def test_messages_on_an_ascii_terminal(named):
    ended = shell(f'tiltwright offsets {named} --only "測"', **ASCII)
    assert ended.returncode == 2
    assert b"Soby" in ended.stderr
    assert ended.stderr.isascii()


@pytest.mark.skipif(not FULL.exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("command", ["offsets", "aim", "offsets --help"])
def test_a_full_disk(examples, command, unbuffered):
    ended = shell(
        f"tiltwright {command} {examples / 'tide_gauge_head.toml'} > /dev/full", PYTHONUNBUFFERED=unbuffered
    )
    assert ended.returncode == 2
    assert ended.stderr == b"error: the result cannot be written to stdout: No space left on device\n"


@pytest.mark.parametrize("command", ["sheet", "aim"])
def test_a_closed_stdout(examples, command):
    ended = shell(f"tiltwright {command} {examples / 'tide_gauge_head.toml'} >&-")
    assert ended.returncode == 2
    assert ended.stderr == b"error: the result cannot be written to stdout: it is closed\n"


def test_a_file_needs_no_stdout(examples, tmp_path):
    target = tmp_path / "offsets.txt"
    ended = shell(f"tiltwright offsets {examples / 'tide_gauge_head.toml'} -o {target} >&- 2>&-")
    assert (ended.returncode, ended.stdout, ended.stderr) == (0, b"", b"")
    assert target.read_text(encoding="utf-8").startswith("Tide-gauge head")


@pytest.mark.parametrize("where", ["2>&-", "2>/dev/full"])
def test_a_stderr_that_nobody_reads(where):
    if "full" in where and not FULL.exists():
        pytest.skip("needs a device that is always full")
    ended = shell(f"tiltwright offsets nothere.toml {where}")
    assert (ended.returncode, ended.stdout, ended.stderr) == (2, b"", b"")


def test_a_closed_stdin(tmp_path):
    ended = shell(f"tiltwright machine new {tmp_path / 'mill.toml'} <&-")
    assert ended.returncode == 2
    assert b"nothing was written" in ended.stderr
    assert b"Traceback" not in ended.stderr


def test_answers_that_are_no_text(tmp_path):
    ended = shell(f"printf '\\xff\\n' | tiltwright machine new {tmp_path / 'mill.toml'}", **ASCII)
    assert ended.returncode == 2
    assert b"won't do as a name" in ended.stderr
    assert b"Traceback" not in ended.stderr


@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("command", ["offsets --grid A=-90:0:1 --grid C=0:345:1", "aim"])
def test_a_reader_that_has_seen_enough(examples, command, unbuffered):
    ended = shell(
        f"tiltwright {command} {examples / 'tide_gauge_head.toml'} | head -n 1", PYTHONUNBUFFERED=unbuffered
    )
    assert (ended.returncode, ended.stderr) == (0, b"")
    assert ended.stdout.count(b"\n") == 1


def test_the_streams_are_given_back(run, examples):
    out, err = sys.stdout, sys.stderr
    run("offsets", examples / "tide_gauge_head.toml")
    assert (sys.stdout, sys.stderr) == (out, err)
