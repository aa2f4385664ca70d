"""`tiltwright pivot practice`: what is handed out can be solved, the key is sealed, and marks are fair."""

import json
import re
import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.teaching import attainable, set_pivot_exercise
from tiltwright.teaching.pivot_key import decode_key, encode_key, read_key
from tiltwright.teaching.pivot_sheets import sheet_name

FILES = {"readings.csv", "worksheet.md", "worksheet.pdf", "machine.toml", "key.txt", "answers.csv"}


@pytest.fixture
def handed_out(written, examples, tmp_path):
    def make(*args, machine="teaching_mill.toml"):
        folder = tmp_path / "monday"
        written(folder, "pivot", "practice", "-m", examples / machine, "-o", "FOLDER", "--seed", 7, *args)
        return folder

    return make


def test_an_answer_by_the_fit_passes_and_none_fails(run, handed_out):
    folder = handed_out()
    assert {p.name for p in folder.iterdir()} == FILES
    mine = folder / "machine.toml"
    ended = run("pivot", "practice", "--grade", folder / "key.txt", "-m", mine)
    assert ended.code == 1
    assert run("pivot", "fit", folder / "readings.csv", "-m", mine, "--write").code == 0
    ended = run("pivot", "practice", "--grade", folder / "key.txt", "-m", mine)
    assert ended.code == 0
    report = json.loads(run("pivot", "practice", "--grade", folder / "key.txt", "-m", mine, "--json").out)
    assert report["passed"] is True
    assert [mark["passed"] for mark in report["marks"]] == [True] * 8
    assert report["mistakes"] == []
    assert all(abs(mark["error"]) <= mark["allowed"] for mark in report["marks"])


def test_answers_by_hand_are_graded_by_the_same_key(run, handed_out):
    """The true coordinates from the key, then one of them counted from the old value."""
    folder = handed_out()
    exercise = read_key(str(folder / "key.txt"))
    support = attainable(exercise)
    true = support.believed_mm + support.truth[:, :2]
    letters, axes = exercise.machine.letters, (("Y", "Z"), ("X", "Y"))

    def answered(values):
        rows = [
            f"{letters[i]},{axes[i][k]},{values[i][k]:.4f}" for i in range(len(letters)) for k in range(2)
        ]
        file = folder / "filled.csv"
        file.write_text("\n".join(["pivot,axis,value_mm", *rows]) + "\n", encoding="utf-8")
        ended = run("pivot", "practice", "--grade", folder / "key.txt", "--answers", file, "--json")
        return ended.code, json.loads(ended.out)

    code, report = answered(true)
    assert (code, report["passed"], len(report["marks"])) == (0, True, 4)
    wrong = true.copy()
    wrong[1] = support.best[1, :2]
    code, report = answered(wrong)
    assert code == 1
    assert [(one["numbers"], one["kind"]) for one in report["mistakes"]] == [
        (["E_X0C", "E_Y0C"], "relative to the old value")
    ]
    head, *empty = (folder / "answers.csv").read_text(encoding="utf-8").splitlines()
    assert head == "sheet,student,pivot,axis,value_mm"
    name = sheet_name(exercise)
    assert empty == [f"{name},,{row}," for row in ("A,Y", "A,Z", "C,X", "C,Y")]


def test_a_key_gives_back_the_whole_exercise(run, handed_out, tmp_path):
    """Both kinds: readings of a plan, and plane geometry."""
    folder = handed_out()
    lesson = tmp_path / "lesson"
    made = run("lesson", "new", lesson, "--level", "a pivot to find", "--seed", 7, "--units", "inch")
    assert made.code == 0
    drawn = set_pivot_exercise(7, 1, "inch")
    again = read_key(str(lesson / "key" / "key-01.txt"))
    assert [one.method for one in again.probings] == [one.method for one in drawn.probings]
    for one, other in zip(again.probings, drawn.probings, strict=True):
        for name in ("angles_deg", "turn_deg", "shown_mm", "centre_mm", "believed_mm", "true_mm"):
            assert np.allclose(getattr(one, name), getattr(other, name), rtol=0.0, atol=1e-9), name
        assert (one.letter, one.target, one.axis, one.radius_mm) == (
            other.letter, other.target, other.axis, other.radius_mm,
        )  # fmt: skip
    assert np.array_equal(again.readings.points_mm, drawn.readings.points_mm)
    assert (again.sigma_mm, again.digit_mm, again.repeatability_mm) == (
        drawn.sigma_mm, drawn.digit_mm, drawn.repeatability_mm,
    )  # fmt: skip
    read = read_key(str(folder / "key.txt"))
    assert (read.probings, read.seed, read.units) == ((), 7, "mm")


def test_inches(run, handed_out):
    folder = handed_out(machine="trunnion_mill.toml")
    assert "X_in,Y_in,Z_in" in (folder / "readings.csv").read_text(encoding="utf-8")
    assert run("pivot", "fit", folder / "readings.csv", "-m", folder / "machine.toml", "--write").code == 0
    assert run("pivot", "practice", "--grade", folder / "key.txt", "-m", folder / "machine.toml").code == 0


def test_a_plan_of_ones_own(run, handed_out, examples):
    folder = handed_out("--plan", examples / "pivots" / "spring_check.toml")
    text = (folder / "worksheet.md").read_text(encoding="utf-8")
    assert "platter" in text
    assert run("pivot", "fit", folder / "readings.csv", "-m", folder / "machine.toml", "--write").code == 0
    assert run("pivot", "practice", "--grade", folder / "key.txt", "-m", folder / "machine.toml").code == 0


def test_the_same_seed_gives_the_same_and_nothing_is_overwritten(run, examples, handed_out):
    folder = handed_out()
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    args = ("pivot", "practice", "-m", examples / "teaching_mill.toml", "-o", folder)
    ended = run(*args, "--seed", 7)
    assert ended.code == 2
    assert "a folder with something in it" in ended.err
    assert run(*args, "--seed", 7, "--force").code == 0
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert run(*args, "--seed", 8, "--force").code == 0
    assert (folder / "key.txt").read_bytes() != before["key.txt"]


def test_nothing_that_is_handed_out_tells_the_answer(handed_out):
    folder = handed_out()
    key = decode_key((folder / "key.txt").read_text(encoding="utf-8"))
    told = "".join((folder / name).read_text(encoding="utf-8") for name in ("worksheet.md", "machine.toml"))
    sealed = (folder / "key.txt").read_text(encoding="utf-8")
    for line in key["lines"].values():
        for value in line["point_mm"]:
            if abs(value - round(value, 3)) > 1e-9:  # what was moved
                assert f"{value:.4f}" not in told + sealed
    assert "seed" not in told
    assert tomllib.loads(key["machine"]) == tomllib.loads(
        (folder / "machine.toml").read_text(encoding="utf-8")
    )


@given(st.dictionaries(st.text(max_size=8), st.floats(allow_nan=False, allow_infinity=False), max_size=5))
def test_a_seal_opens(answers):
    assert decode_key(encode_key(answers)) == answers


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: t[: len(t) // 2],
        lambda t: t.replace(t[200], "A" if t[200] != "A" else "B", 1) if t.count(t[200]) else t,
        lambda t: t[:-30] + "AAAA\n",
        lambda _: "hello\n",
        lambda _: "",
        lambda t: (
            "tiltwright practice key: the answers, sealed so that nobody reads them by accident\n" + t[60:]
        ),
    ],
)
def test_a_spoilt_key(run, handed_out, spoil):
    folder = handed_out()
    key = folder / "key.txt"
    key.write_text(spoil(key.read_text(encoding="utf-8")), encoding="utf-8")
    ended = run("pivot", "practice", "--grade", key, "-m", folder / "machine.toml")
    assert (ended.code, ended.out) == (2, "")
    assert "practice key" in ended.err


def test_an_answer_for_another_machine(run, handed_out, examples):
    folder = handed_out()
    ended = run("pivot", "practice", "--grade", folder / "key.txt", "-m", examples / "trunnion_mill.toml")
    assert ended.code == 2
    assert "the practice machine's, A, C" in ended.err


@pytest.mark.parametrize(
    ("args", "told"),
    [
        ([], "-o FOLDER"),
        (["-o", "x", "--json"], "--json with --grade only"),
        (["-o", "x", "--paper", "a5"], '"a4" or "us-letter"'),
        (["-o", "x", "--seed", "-1"], "--seed: found -1"),
        (["-o", "x", "--direction", "5"], "0 to 1 degree"),
        (["-o", "x", "--position", "0"], "a length above 0"),
        (["-o", "x", "--position", "500"], "at most 5 mm"),
        (["-o", "no/such/folder"], "a folder in one that is there"),
        (["--grade", "key.txt", "-o", "x"], "--output without it"),
        (["--grade", "key.txt", "--answers", "a.csv"], "--machine, --answers: found both"),
        (["-o", "x", "--answers", "a.csv"], "--answers: found without --grade"),
    ],
)
def test_wrong_options(run, examples, args, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    ended = run("pivot", "practice", "-m", examples / "teaching_mill.toml", *args)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err, ended.err
    assert list(tmp_path.iterdir()) == []


def test_a_practice_never_replaces_the_machine_that_it_was_made_of(run, handed_out):
    folder = handed_out()
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    ended = run("pivot", "practice", "-m", folder / "machine.toml", "-o", folder, "--seed", "8", "--force")
    assert ended.code == 2
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            '"clockwise"',
            '"counterclockwise"',
            "A turning counterclockwise; allowed: clockwise, as in the machine",
        ),
        ('units = "mm"', 'units = "inch"', "units: found inch; allowed: mm, as in the machine file"),
        ('along  = "+X"', 'along  = "-X"', "about a line named from its other end; allowed: clockwise"),
    ],
)
def test_what_no_reading_tells_must_stay_as_it_was_handed_out(run, handed_out, old, new, told):
    folder = handed_out()
    mine = folder / "machine.toml"
    assert run("pivot", "fit", folder / "readings.csv", "-m", mine, "--write").code == 0
    text = re.sub(r"units += ", "units = ", mine.read_text(encoding="utf-8"))
    if old not in text:  # the fit has written a direction
        old, new = "direction = [", "direction = [-"
        text = text.replace("[0.", "[0.", 1)
        text = re.sub(r"direction = \[([^,]+), ([^,]+), ([^\]]+)\]", _reversed, text, count=1)
    else:
        text = text.replace(old, new, 1)
    mine.write_text(text, encoding="utf-8")
    ended = run("pivot", "practice", "--grade", folder / "key.txt", "-m", mine)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err


def _reversed(line):
    return "direction = [" + ", ".join(str(-float(part)) for part in line.groups()) + "]"


def test_a_line_named_from_its_other_end_with_the_other_sense_is_the_same_line(run, handed_out):
    folder = handed_out()
    mine = folder / "machine.toml"
    assert run("pivot", "fit", folder / "readings.csv", "-m", mine, "--write").code == 0
    text = mine.read_text(encoding="utf-8")
    text = re.sub(r"direction = \[([^,]+), ([^,]+), ([^\]]+)\]", _reversed, text, count=1)
    text = text.replace('"clockwise"', '"counterclockwise"', 1)
    mine.write_text(text, encoding="utf-8")
    assert run("pivot", "practice", "--grade", folder / "key.txt", "-m", mine).code == 0


def test_typed_lengths_are_in_the_unit_that_is_named(run, examples, tmp_path):
    said = {}
    for name, options in (
        ("mm", ("--position", "0.05")),
        ("inch", ("--position", "0.05", "--units", "inch")),
    ):
        folder = tmp_path / name
        ended = run(
            "pivot", "practice", "-m", examples / "teaching_mill.toml", "-o", folder, "--seed", 7, *options
        )
        assert ended.code == 0
        said[name] = (folder / "readings.csv").read_bytes()
    assert said["mm"] != said["inch"]
