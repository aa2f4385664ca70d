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


def test_json_says_the_same_everywhere(run, named):
    plain = shell(f"tiltwright offsets --json {named}", **ASCII)
    assert plain.stdout.decode("ascii") == run("offsets", "--json", named).out
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
@pytest.mark.parametrize("command", ["offsets --grid A=-90:0:3 --grid C=0:345:3", "aim"])
def test_a_reader_that_has_seen_enough(examples, command, unbuffered):
    ended = shell(
        f"tiltwright {command} {examples / 'tide_gauge_head.toml'} | head -n 1", PYTHONUNBUFFERED=unbuffered
    )
    assert ended.returncode == 0
    # Cautions about the poses are said whoever reads; about the reader there is nothing to say.
    assert all(line.startswith(b"caution: ") for line in ended.stderr.splitlines())
    assert ended.stdout.count(b"\n") == 1


def test_the_streams_are_given_back(run, examples):
    out, err = sys.stdout, sys.stderr
    run("offsets", examples / "tide_gauge_head.toml")
    assert (sys.stdout, sys.stderr) == (out, err)


@pytest.mark.parametrize("reader", ["true", "head -c 1"])
def test_what_is_to_be_written_is_written_whoever_reads(examples, tmp_path, reader):
    mill = tmp_path / "teaching_mill.toml"
    before = (examples / "teaching_mill.toml").read_bytes()
    mill.write_bytes(before)
    ended = shell(
        f"tiltwright pivot fit {examples / 'pivots/spring_check.csv'} -m {mill} --write-anyway | {reader}"
    )
    assert b"calibration 1" in ended.stderr
    assert mill.read_bytes() != before


@pytest.mark.parametrize("ending", ["", " | true", " | head -c 1", " > /dev/full"])
def test_the_answer_no_stays_no_whoever_reads(job, ending):
    if "full" in ending and not FULL.exists():
        pytest.skip("needs a device that is always full")
    path = job(
        'name = "x"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
        '[[operation]]\nname = "under"\nnormal = [0, 0, -1]\n'
    )
    ended = shell(f"tiltwright aim {path}{ending}")
    assert ended.returncode == (2 if "full" in ending else 1), ended.stderr
    assert b"Traceback" not in ended.stderr


def test_a_crash_has_a_code_of_its_own_and_names_a_file():
    code = (
        "import sys; sys.argv = ['tiltwright', 'schema', 'job']\n"
        "import tiltwright.app as app\n"
        "def broken(typed): raise RuntimeError('a mistake')\n"
        "app.build = broken\napp.main()"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout) == (70, "")
    assert ended.stderr.count("\n") == 1
    report = Path(ended.stderr.rstrip().rsplit(": ", 1)[-1])
    try:
        text = report.read_text(encoding="utf-8")
    finally:
        report.unlink()
    assert "RuntimeError: a mistake" in text
    assert "'schema', 'job'" in text


def test_ctrl_c_is_quiet():
    code = (
        "import sys; sys.argv = ['tiltwright', 'schema', 'job']\n"
        "import tiltwright.app as app\n"
        "def stopped(typed): raise KeyboardInterrupt\n"
        "app.build = stopped\napp.main()"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "")


def test_warnings_of_libraries_stay_off_the_screen():
    code = (
        "import sys; sys.argv = ['tiltwright', 'schema', 'job']\n"
        "import tiltwright.app as app, warnings, logging, typer\n"
        "def loud(typed):\n    warnings.warn('overflow'); logging.getLogger('x').error('bad'); return lambda **_: 0\n"
        "app._command = loud\napp.main()"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stderr) == (0, "")


def test_a_name_reaches_no_terminal_as_it_is(run, examples, tmp_path):
    hostile = tmp_path / "a\x1b[2J\nerror: b.txt"
    ended = run("offsets", examples / "tide_gauge_head.toml", "-o", hostile)
    assert ended.code == 0
    assert "\x1b" not in ended.err
    assert not any(line.startswith("error") for line in ended.err.splitlines())


def test_a_name_that_is_no_text(run, examples, tmp_path):
    assert run("offsets", examples / "tide_gauge_head.toml", "-o", tmp_path / "a\udcff.txt").code == 0
    assert run("offsets", tmp_path / "b\udcff.toml").code == 2


def test_a_thousand_faults_are_counted(run, job):
    many = "".join(f'[[operation]]\nname = "{n}"\nup{n} = 1\nat = {{ A = 0, C = 0 }}\n' for n in range(1000))
    ended = run("offsets", job(f'name = "x"\nunits = "mm"\nmachine = "teaching_mill.toml"\n{many}'))
    assert ended.code == 2
    assert len(ended.err.splitlines()) < 250
    assert "900 more faults" in ended.err
