"""The log after a change of unit, a renamed rotary, an edit by hand, a command that was stopped."""

import json
import tomllib

import pytest

from tiltwright.calibration.calibration_log import axis_drift, log_path, read_log
from tiltwright.calibration.toml_edit import lines_in
from tiltwright.files.units import Unit


@pytest.fixture
def mill(examples, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_bytes((examples / "teaching_mill.toml").read_bytes())
    return path


@pytest.fixture
def fitted(run, mill, examples):
    assert run("pivot", "fit", examples / "pivots/spring_check.csv", "-m", mill, "--write").code == 0
    return mill


def edit_log(mill, old, new, count=-1):
    path = log_path(mill)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, count), encoding="utf-8")


def into_inches(mill):
    """The same machine, its file in inches."""
    text = (
        mill.read_text(encoding="utf-8").replace('units = "mm"', 'units = "inch"').replace("'mm'", "'inch'")
    )
    data = tomllib.loads(text)
    lines = []
    for rotary in data["rotary"]:
        rotary["point"] = [value / 25.4 for value in rotary["point"]]
        lines.append(
            "[[rotary]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in rotary.items())
        )
    travel = {axis: [end / 25.4 for end in ends] for axis, ends in data["travel"].items()}
    mill.write_text(
        f'name = "{data["name"]}"\nunits = "inch"\nz_reference = "gauge line"\n'
        "[travel]\n"
        + "".join(f"{axis} = {ends}\n" for axis, ends in travel.items())
        + "".join(lines)
        + f"[platter]\nface = {data['platter']['face'] / 25.4}\n",
        encoding="utf-8",
    )


def test_every_record_is_shown_in_the_unit_of_the_file(run, fitted, tmp_path):
    mm = axis_drift(read_log(fitted), "A", Unit.MM)[0]
    into_inches(fitted)
    entries = read_log(fitted)
    assert axis_drift(entries, "A", Unit.INCH)[0] == pytest.approx(mm / 25.4, abs=1e-7)
    ended = run("pivot", "log", "-m", fitted, "--plot", tmp_path / "drift.png")
    assert ended.code == 0, ended.err
    assert json.loads(run("pivot", "log", "-m", fitted, "--json").out)["units"] == "inch"
    mm_lines = entries[0].before
    assert run("pivot", "restore", 0, "-m", fitted).code == 0
    back = lines_in(tomllib.loads(fitted.read_text(encoding="utf-8")))
    for letter, line in mm_lines.items():
        assert back[letter]["point"] == pytest.approx([value / 25.4 for value in line["point"]], abs=1e-7)


def test_a_renamed_rotary_does_not_end_the_log(run, fitted, tmp_path):
    text = fitted.read_text(encoding="utf-8")
    fitted.write_text(text.replace('"A"', '"B"'), encoding="utf-8")
    ended = run("pivot", "log", "-m", fitted, "--plot", tmp_path / "drift.svg")
    assert ended.code == 0, ended.err
    refused = run("pivot", "restore", 1, "-m", fitted)
    assert refused.code == 2
    assert "rotaries A, C in the log, B, C in the file" in refused.err


def test_a_record_that_was_edited_is_told_and_used_only_when_named_so(run, fitted):
    before = fitted.read_bytes()
    edit_log(fitted, '"point": [-381.0', '"point": [-391.0', 1)
    told = run("pivot", "log", "-m", fitted)
    assert told.code == 0
    assert "calibration 1 was edited" in told.err
    for number in (0, 1):
        refused = run("pivot", "restore", number, "-m", fitted)
        assert refused.code == 2
        assert "--edited" in refused.err
    assert fitted.read_bytes() == before
    assert run("pivot", "restore", 1, "-m", fitted, "--edited").code == 0


def test_a_record_that_no_machine_file_can_hold_changes_nothing(run, fitted):
    before, log = fitted.read_bytes(), log_path(fitted).read_bytes()
    edit_log(fitted, "-203.4", "-203412345678.4")
    edited = log_path(fitted).read_bytes()
    refused = run("pivot", "restore", 0, "-m", fitted, "--edited")
    assert refused.code == 2
    assert (fitted.read_bytes(), log_path(fitted).read_bytes()) == (before, edited)
    log_path(fitted).write_bytes(log)


def test_a_calibration_that_never_reached_the_file_is_told_from_a_change_by_hand(run, mill, examples):
    before = mill.read_bytes()
    assert run("pivot", "fit", examples / "pivots/spring_check.csv", "-m", mill, "--write").code == 0
    after = mill.read_bytes()
    mill.write_bytes(before)  # as after a power cut between the log's new name and the machine file's
    told = run("pivot", "log", "-m", mill)
    assert told.code == 0
    assert "never had it" in told.err
    assert "by hand" not in told.err
    assert json.loads(run("pivot", "log", "-m", mill, "--json").out)["calibrations"][0]["applied"] is False
    refused = run("pivot", "restore", 1, "-m", mill)
    assert refused.code == 2
    assert "never reached" in refused.err
    assert run("pivot", "restore", 0, "-m", mill).code == 0
    # The next one is written on the file as it is, and the first stays what it was.
    assert run("pivot", "fit", examples / "pivots/spring_check.csv", "-m", mill, "--write").code == 0
    assert [entry.applied for entry in read_log(mill)] == [False, True, True]
    assert lines_in(tomllib.loads(mill.read_text("utf-8"))) == lines_in(tomllib.loads(after.decode()))


def test_files_that_differ_in_their_ending_have_logs_of_their_own(mill):
    other = mill.with_suffix(".old")
    assert log_path(mill) != log_path(other)
    log_path(mill).write_text("")
    assert log_path(other).name == "mill.old.calibrations.jsonl"
    # A log of an earlier version stays with the only file that it can be of.
    lone = mill.with_name("lone.txt")
    mill.with_name("lone.calibrations.jsonl").write_text("")
    assert log_path(lone).name == "lone.calibrations.jsonl"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"along": "+X"', '"along": "+U"'),
        ("-203.4", "9" * 400),
        ("-203.4", "NaN"),
        ("-203.4", "1e999"),
        ('"lines": {"A": {', '"lines": {"U": {'),
        ('"units": "mm"', '"units": "cm"'),
        ('"along": "+X"', '"along": ["+X"]'),
        ('"file_after_sha256": "', '"file_after_sha256": {}, "was": "'),
        ('"units": "mm"', '"units": {}'),
    ],
)
def test_a_damaged_record_is_named_by_its_line(run, fitted, old, new):
    edit_log(fitted, old, new, 1)
    for command in (["log"], ["restore", 0]):
        ended = run("pivot", *command, "-m", fitted)
        assert ended.code == 2
        assert "mill.calibrations.jsonl:1: found" in ended.err


def test_a_key_that_is_renamed_keeps_its_column(run, fitted):
    assert run("pivot", "restore", 0, "-m", fitted).code == 0
    lines = fitted.read_text(encoding="utf-8").splitlines()
    columns = {line.index("=") for line in lines if line.startswith(("along", "point"))}
    assert len(columns) == 1
