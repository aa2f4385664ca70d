"""The machine file keeps its comments and order, the log everything that was written, and nobody loses anything."""

import itertools
import json
import subprocess
import sys
import time
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.calibration import apply as keeping
from tiltwright.calibration.toml_edit import lines_in, with_lines
from tiltwright.files.atomic_write import exclusive_lock
from tiltwright.files.diagnostics import InputFaults

LINE = {"point": [-381.01, -203.4, -406.1], "direction": [1.0, 0.0000012, -0.3e-9]}


@pytest.fixture
def mill(examples, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_bytes((examples / "teaching_mill.toml").read_bytes())
    return path


@pytest.fixture
def readings(examples):
    return examples / "pivots" / "spring_check.csv"


def log_of(mill):
    path = mill.with_name("mill.calibrations.jsonl")
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


# --- the text ------------------------------------------------------------------------------------------------------


def test_only_the_lines_change(examples):
    text = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    changed = with_lines(text, {"A": LINE})
    old, new = text.split("\n"), changed.split("\n")
    assert [i for i, (a, b) in enumerate(zip(old, new, strict=True)) if a != b] == [12, 14]
    assert new[12] == "direction = [1.0, 0.0000012, -0.0000000003]"
    assert lines_in(tomllib.loads(changed))["A"] == LINE
    assert lines_in(tomllib.loads(changed))["C"] == lines_in(tomllib.loads(text))["C"]


@pytest.mark.parametrize(
    "text",
    [
        (
            '[[rotary]]\nletter="A"\n"along" = "+X" # nominal\npoint=[\n 1, # measured\n 2,\n 3]\n\n'
            '[[rotary]]\nletter="C"\ndirection=[0,0,1]\npoint=[1,2,3] # end'
        ),
        'rotary = [ { letter="A", along="+X", point=[1,2,3] }, # the tilt\n { letter="C", direction=[0,0,1], point=[1,2,3] } ]\n',
        '# head\r\n[[rotary]]\r\npoint = [1, 2, 3]   # before\r\nalong="-X"\r\nletter = "A"\r\n',
    ],
)
def test_comments_stay_in_every_way_of_writing(text):
    changed = with_lines(text, {"A": LINE})
    for comment in ("# nominal", "# measured", "# end", "# the tilt", "# head", "# before"):
        assert (comment in changed) == (comment in text)
    assert changed.count("\r\n") == text.count("\r\n")
    assert lines_in(tomllib.loads(changed))["A"] == LINE
    # And back to the old words.
    old = lines_in(tomllib.loads(text))
    assert tomllib.loads(with_lines(changed, old)) == tomllib.loads(text)


finite = st.floats(-1e6, 1e6).map(lambda x: x + 0.0)
three = st.lists(finite, min_size=3, max_size=3)


@given(three, three.filter(any))
def test_every_number_comes_back_as_it_was(point, direction):
    text = '[[rotary]]\nletter = "C"\nalong = "+Z"\npoint = [1, 2, 3]\n'
    line = {"point": point, "direction": direction}
    assert lines_in(tomllib.loads(with_lines(text, {"C": line})))["C"] == line


# --- writing, the log and back -----------------------------------------------------------------------------------


def test_write_log_and_restore(run, mill, readings):
    before = mill.read_text(encoding="utf-8")
    ended = run(
        "pivot",
        "fit",
        readings,
        "-m",
        mill,
        "--write",
        "--who",
        "early shift",
        "--temperature",
        "20.5 C",
        "--json",
    )
    assert ended.code == 0, ended.err
    report = json.loads(ended.out)
    (entry,) = log_of(mill)
    assert (entry["who"], entry["temperature_c"], entry["action"]) == ("early shift", 20.5, "fit")
    assert entry["readings"]["sha256"] == report["sha256"]
    assert entry["readings"]["count"] == len(report["readings"])
    assert entry["result"]["covariance"] == report["covariance"]
    assert entry["before"] == lines_in(tomllib.loads(before))
    written = lines_in(tomllib.loads(mill.read_text(encoding="utf-8")))
    assert entry["lines"] == written
    for rotary in report["rotary"]:
        assert written[rotary["letter"]]["point"] == pytest.approx(rotary["point"], abs=1e-6)
        assert written[rotary["letter"]]["direction"] == pytest.approx(rotary["direction"], abs=1e-10)
    # The same readings on the new file: nothing has moved.
    again = run("pivot", "fit", readings, "-m", mill, "--check")
    assert again.code == 0
    again = json.loads(run("pivot", "fit", readings, "-m", mill, "--json").out)
    verdicts = {one["verdict"] for rotary in again["rotary"] for one in rotary["moved"].values()}
    assert verdicts == {"not shown to have moved"}
    restored = run("pivot", "restore", 0, "-m", mill, "--who", "late shift")
    assert restored.code == 0
    assert keeping.OFFSETS_ARE_OLD in " ".join(restored.err.split())
    assert tomllib.loads(mill.read_text(encoding="utf-8")) == tomllib.loads(before)
    assert run("pivot", "restore", 1, "-m", mill).code == 0
    assert lines_in(tomllib.loads(mill.read_text(encoding="utf-8"))) == written
    assert [one.get("restored") for one in log_of(mill)] == [None, 0, 1]
    shown = run("pivot", "log", "-m", mill)
    assert shown.code == 0
    assert "early shift" in shown.out
    assert "restored: before the first" in shown.out
    told = json.loads(run("pivot", "log", "-m", mill, "--json").out)
    assert [one["number"] for one in told["calibrations"]] == [1, 2, 3]
    assert told["current"] is True


def test_a_change_by_hand_is_noticed(run, mill, readings):
    run("pivot", "fit", readings, "-m", mill, "--write")
    text = mill.read_text(encoding="utf-8")
    mill.write_text(text.replace("-356.112]", "-356.113]", 1), encoding="utf-8")
    ended = run("pivot", "log", "-m", mill)
    assert "somebody has changed them by hand" in ended.err
    assert json.loads(run("pivot", "log", "-m", mill, "--json").out)["current"] is False


def test_a_log_that_is_not_there_and_a_number_that_is_not_in_it(run, mill, readings):
    assert "no calibration has been written yet" in run("pivot", "log", "-m", mill).out
    assert "no log of calibrations" in run("pivot", "restore", 1, "-m", mill).err
    run("pivot", "fit", readings, "-m", mill, "--write")
    for number in (2, -1):
        ended = run("pivot", "restore", "-m", mill, "--", number)
        assert ended.code == 2
        assert "0 (before the first) to 1" in ended.err


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda raw: raw[:-40], "a last line without an end: it was cut off"),
        (lambda raw: raw + b"{}\n", "allowed: a record of a calibration"),
        (lambda raw: b"[1]\n" + raw, "mill.calibrations.jsonl:1: found"),
        (lambda raw: raw.replace(b'"point"', b'"pint"'), "a record of a calibration"),
    ],
)
def test_a_spoilt_log_is_told_and_left_alone(run, mill, readings, spoil, told):
    run("pivot", "fit", readings, "-m", mill, "--write")
    log = mill.with_name("mill.calibrations.jsonl")
    log.write_bytes(spoil(log.read_bytes()))
    raw, text = log.read_bytes(), mill.read_bytes()
    for args in (("log",), ("restore", 0), ("fit", readings, "--write")):
        ended = run("pivot", *args, "-m", mill)
        assert ended.code == 2
        assert told in ended.err
    assert (log.read_bytes(), mill.read_bytes()) == (raw, text)


def test_a_file_that_changes_in_the_meantime_is_not_overwritten(run, mill, readings, monkeypatch):
    real = keeping.appended

    def slow(*args):
        entry = real(*args)
        mill.write_text(mill.read_text(encoding="utf-8") + "# edited\n", encoding="utf-8")
        return entry

    monkeypatch.setattr(keeping, "appended", slow)
    ended = run("pivot", "fit", readings, "-m", mill, "--write")
    assert ended.code == 2
    assert "somebody has changed in the meantime" in ended.err
    assert mill.read_text(encoding="utf-8").endswith("# edited\n")


def test_what_is_not_told_keeps_its_words(run, mill, tmp_path):
    """Readings that turn C alone leave A's line as it stands in the file, letter by letter."""
    table = tmp_path / "c_only.csv"
    rows = [
        f"ball,ball 1,0,{c},{x},{y},-310.5"
        for c, x, y in ((0, -331, -203.4), (90, -381, -253.4), (180, -431, -203.4))
    ]
    table.write_text("kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    ended = run("pivot", "fit", table, "-m", mill, "--write", "--sigma", "0.002")
    assert ended.code == 0, ended.err
    assert "A does not turn in these readings" in ended.out
    text = mill.read_text(encoding="utf-8")
    assert 'along  = "+X"' in text
    assert "point  = [-381.000, -203.412, -406.118]" in text
    assert "point  = [-381.0, -203.4, -356.112]" in text


# --- several at once ----------------------------------------------------------------------------------------------


def command(*args):
    return [sys.executable, "-m", "tiltwright", "pivot", *map(str, args)]


def test_several_at_once_lose_nothing(mill, readings):
    crowd = [
        subprocess.Popen(
            command("fit", readings, "-m", mill, "--write", "--who", f"setter {i}"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        for i in range(3)
    ]
    for one in crowd:
        _, err = one.communicate(timeout=120)
        assert one.returncode == 0, err
    entries = log_of(mill)
    assert sorted(one["who"] for one in entries) == [f"setter {i}" for i in range(3)]
    for earlier, later in itertools.pairwise(entries):
        assert later["before"] == earlier["lines"]
        assert later["file_before_sha256"] == earlier["file_after_sha256"]
    assert lines_in(tomllib.loads(mill.read_text(encoding="utf-8"))) == entries[-1]["lines"]
    # Whether the lock file stays is the lock's own affair; nothing else does.
    assert {p.name for p in mill.parent.iterdir()} - {".mill.toml.lock"} == {
        "mill.toml",
        "mill.calibrations.jsonl",
    }


def test_the_lock_waits_and_then_says_who_is_in_the_way(mill):
    began = time.monotonic()
    with (
        exclusive_lock(mill),
        pytest.raises(InputFaults, match="somebody else has been writing"),
        exclusive_lock(mill, 0.2),
    ):
        pass
    assert time.monotonic() - began >= 0.2
    with exclusive_lock(mill):
        pass


def test_a_lock_that_cannot_be_made_is_a_fault_of_the_input(tmp_path):
    with (
        pytest.raises(InputFaults, match="no folder"),
        exclusive_lock(tmp_path / "no such folder" / "mill.toml"),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_killed_writer_leaves_no_lock(mill):
    code = f"import time\nfrom tiltwright.files.atomic_write import exclusive_lock\nwith exclusive_lock({str(mill)!r}):\n    print('in', flush=True)\n    time.sleep(60)"
    writer = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert writer.stdout.readline() == "in\n"
    writer.kill()
    writer.wait()
    writer.stdout.close()
    with exclusive_lock(mill, 1.0):
        pass


def test_a_link_to_the_machine_file_has_the_same_lock_and_log(run, mill, readings, tmp_path):
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    link = folder / "link.toml"
    link.symlink_to(mill)
    assert run("pivot", "fit", readings, "-m", link, "--write").code == 0
    assert link.is_symlink()
    assert len(log_of(mill)) == 1
    assert [p.name for p in folder.iterdir()] == ["link.toml"]
