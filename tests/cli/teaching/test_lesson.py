"""`lesson`: a class set from a seed, and the grading of what comes back."""

import csv
import json
import re
import shutil
import time

import pytest

from kinematics.teaching import LEVELS, classic_mistakes, recompute, set_exercise
from tiltwright.job.evaluate import evaluate_job
from tiltwright.teaching import grading


def _words(folder, level="lines that miss each other", students=3, *more):
    return "lesson", "new", folder, "--level", level, "--seed", 7, "--students", students, *more


def _new(run, folder, *more):
    return run(*_words(folder, *more))


def _have(written, folder, *more):
    written(folder, *_words("FOLDER", *more))


def _fill(folder, sheet: int, mistake: str, target, student: str):
    """Fill in the empty answer file of a sheet as somebody who makes a mistake would."""
    worked = evaluate_job(str(folder / "key" / f"job-{sheet:02d}.toml"))
    placed = [one.placed for one in worked.operations]
    mistakes = classic_mistakes(worked.setup, worked.job.steps, unit_mm=worked.job.unit.mm)
    table = recompute(worked.setup, placed, worked.job.steps, mistakes, pairs=False)
    names = [made[0].name if made else "" for made in table.made]
    row = next(k for k, name in enumerate(names) if name == mistake or name.startswith(f"{mistake}, "))
    decimals = 3 if worked.job.unit.mm == 1.0 else 4
    values = {}
    for one, offset in zip(placed, table.offset_mm[row], strict=True):
        for axis, value in zip("XYZ", offset, strict=True):
            values[one.name, axis] = f"{value / worked.job.unit.mm:.{decimals}f}"
        for letter, angle in zip(worked.setup.machine.letters, one.program_deg, strict=True):
            values[one.name, letter] = f"{angle:.4f}"
    empty = (folder / "sheets" / f"answers-{sheet:02d}.csv").read_text("utf-8")
    rows = list(csv.reader(empty.splitlines()))
    with target.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(rows[0])
        writer.writerows(
            (number, student, name, axis, values[name, axis]) for number, _, name, axis, _ in rows[1:]
        )


@pytest.mark.parametrize("units", ["mm", "inch"])
@pytest.mark.parametrize("level", LEVELS)
def test_the_key_says_what_the_exercise_is(written, tmp_path, level, units):
    folder = tmp_path / "lesson"
    _have(written, folder, level, 2, "--units", units)
    for sheet in (1, 2):
        exercise = set_exercise(level, 7, sheet, units)
        worked = evaluate_job(str(folder / "key" / f"job-{sheet:02d}.toml"))
        assert [one.placed.name for one in worked.operations] == [one.name for one in exercise.placed]
        for read, drawn in zip(worked.operations, exercise.placed, strict=True):
            assert read.placed.offset_mm == pytest.approx(drawn.offset_mm, abs=1e-9)
            assert read.placed.program_deg == pytest.approx(drawn.program_deg, abs=1e-9)
        handed_out = (folder / "sheets" / f"sheet-{sheet:02d}.md").read_text("utf-8").replace("\\", "")
        decimals = 3 if units == "mm" else 4
        for one in exercise.placed:
            answer = f"{one.offset_mm[2] / (25.4 if units == 'inch' else 1.0):.{decimals}f}"
            assert answer not in handed_out
            assert answer in (folder / "key" / f"key-{sheet:02d}.md").read_text("utf-8")
        for name in (f"sheets/sheet-{sheet:02d}.pdf", f"key/key-{sheet:02d}.pdf"):
            assert (folder / name).read_bytes().startswith(b"%PDF-")
        for drawing in re.findall(r"!\[[^]]*\]\(([^)]+)\)", handed_out):
            assert (folder / "sheets" / drawing).exists()
        key = (folder / "key" / f"key-{sheet:02d}.md").read_text("utf-8")
        drawings = re.findall(r"!\[[^]]*\]\(([^)]+)\)", key)
        assert len(drawings) >= 2 * len(exercise.placed)
        assert all((folder / "key" / drawing).exists() for drawing in drawings)


def test_the_same_seed_gives_the_same_files(run, tmp_path):
    for name in ("one", "two"):
        made = _new(run, tmp_path / name, "one tilt", 1)
        assert (made.code, "not of this lesson" in made.err) == (0, False)
    first, second = ({p.relative_to(f): p.read_bytes() for p in f.rglob("*") if p.is_file()}
                     for f in (tmp_path / "one", tmp_path / "two"))  # fmt: skip
    assert first == second
    assert "√(" in (tmp_path / "one" / "key" / "key-01.md").read_text("utf-8")
    assert _new(run, tmp_path / "three", "one tilt", 1, "--matrices").code == 0
    assert "√(" not in (tmp_path / "three" / "key" / "key-01.md").read_text("utf-8")


def test_nothing_is_overwritten_without_force(run, tmp_path):
    folder = tmp_path / "lesson"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    ended = _new(run, folder, "one tilt", 1)
    assert ended.code == 2
    assert [p.name for p in folder.iterdir()] == ["mine.txt"]
    assert _new(run, folder, "one tilt", 1, "--force").code == 0
    assert (folder / "mine.txt").read_text() == "mine"
    assert (folder / "lesson.toml").exists()


def test_a_wrong_level_gets_the_nearest(run, tmp_path):
    ended = _new(run, tmp_path / "lesson", "one tlt", 1)
    assert ended.code == 2
    assert 'did you mean "one tilt"?' in ended.err
    assert not (tmp_path / "lesson").exists()


def test_a_class_is_graded_and_faulty_files_are_named(run, written, tmp_path):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder, "lines that miss each other", 4)
    handed_in.mkdir()
    _fill(folder, 1, "", handed_in / "a.csv", "Berta Sand")
    _fill(folder, 2, "wrong order", handed_in / "b.csv", "=Olin|Tide")
    _fill(folder, 3, "wrong order", handed_in / "c.csv", "")
    _fill(folder, 4, "measured from the table", handed_in / "d.csv", "Mara\x1b[2J Keel")
    (handed_in / "e.csv").write_text("sheet,student,operation,axis,value_mm\n4,Half,lam")
    (handed_in / "f.csv").write_text("operation,axis,value_mm\nx,X,1\n")
    (handed_in / "notes.txt").write_text("not an answer file")
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 2
    assert "e.csv:2: found 3 values where 5 belong" in ended.err
    assert "f.csv:1: head: found no column sheet" in ended.err
    assert "\x1b" not in ended.out + ended.err
    report = json.loads(run("lesson", "grade", folder, handed_in, "--json").out)
    rows = {one["student"]: one for one in report["students"]}
    assert (rows["Berta Sand"]["right"], rows["Berta Sand"]["mistakes"]) == (9, [])
    for name, mistake in (
        ("=Olin|Tide", "wrong order"),
        ("c", "wrong order"),
        ("Mara\\x1b[2J Keel", "measured from the table"),
    ):
        assert rows[name]["mistakes"] == [mistake]
    assert rows["Half"]["faults"] == ['line 2, found 3 values where 5 belong: "4,Half,lam"']
    # Told once: what cannot be read stands with the errors, not on the sheet as well.
    assert (ended.out + ended.err).count("3 values where 5 belong") == 1
    tally = ended.out[ended.out.index("What the class gets wrong") :]
    assert re.search(r"wrong order +2\n", tally)
    assert report["schema"] == "tiltwright.lesson-grade/1"
    assert report["mistakes"][0] == {"kind": "wrong order", "students": 2}
    assert [one["read"] for one in report["students"]] == [True] * 4 + [False] * 2
    table = run("lesson", "grade", folder, handed_in, "--csv").out
    assert "'=Olin|Tide" in table  # a spreadsheet must not run a name


def test_aimed_exercises_are_graded_with_their_angles(run, written, tmp_path):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder, "a normal to aim at", 2, "--units", "inch")
    handed_in.mkdir()
    _fill(folder, 1, "", handed_in / "a.csv", "Berta Sand")
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 0, ended.out + ended.err
    (row,) = json.loads(run("lesson", "grade", folder, handed_in, "--json").out)["students"]
    assert (row["right"], row["answered"], row["missing"], row["mistakes"]) == (10, 10, 0, [])


def test_an_answer_left_empty_is_no_wrong_answer(run, written, tmp_path):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder, "one tilt", 1)
    handed_in.mkdir()
    _fill(folder, 1, "", handed_in / "a.csv", "Berta Sand")
    rows = (handed_in / "a.csv").read_text("utf-8").splitlines()
    rows[-1] = rows[-1].rsplit(",", 1)[0] + ","
    (handed_in / "a.csv").write_text("\n".join(rows) + "\n")
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 0
    assert "5 of 6" in ended.out
    assert "5 right, 1 not answered" in ended.out


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda f: (f / "lesson.toml").unlink(), "no such file"),
        (lambda f: (f / "lesson.toml").write_text('level = "one tilt"\nseed = "x"\n'), "lesson.toml:2: seed"),
        (lambda f: (f / "key" / "job-01.toml").unlink(), "job-01.toml: no such file"),
    ],
)
def test_a_spoilt_lesson_is_told(run, written, tmp_path, spoil, message):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder, "one tilt", 1)
    handed_in.mkdir()
    _fill(folder, 1, "", handed_in / "a.csv", "Berta Sand")
    spoil(folder)
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 2
    assert message in ended.err


def test_a_cell_a_copy_a_subfolder_and_who_handed_in_nothing(run, written, tmp_path):
    """A word in a cell costs that cell; a second file of a student is told and counts once; wrong numbers end with 1."""
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder, "lines that miss each other", 4)
    (handed_in / "late").mkdir(parents=True)
    _fill(folder, 1, "wrong order", handed_in / "a.csv", "Berta Sand")
    _fill(folder, 1, "wrong order", handed_in / "late" / "a again.txt", "berta sand")
    ended = run("lesson", "grade", folder, handed_in, "--json")
    assert ended.code == 1
    report = json.loads(ended.out)
    assert report["mistakes"] == [{"kind": "wrong order", "students": 1}]
    assert [one["counted"] for one in report["students"]] == [True, False]
    _fill(folder, 2, "", handed_in / "b.csv", "Olin Tide")
    rows = (handed_in / "b.csv").read_text("utf-8").splitlines()
    rows[-1] = rows[-1].rsplit(",", 1)[0] + ",about 3"
    (handed_in / "b.csv").write_text("\n".join(rows) + "\n")
    ended = run("lesson", "grade", folder, handed_in, "--json")
    assert ended.code == 2
    rows = {one["student"]: one for one in json.loads(ended.out)["students"]}
    assert (rows["Olin Tide"]["right"], rows["Olin Tide"]["missing"]) == (8, 1)
    text = run("lesson", "grade", folder, handed_in).out
    assert "Sheets 3, 4." in text[text.index("Nothing handed in") :]


def test_a_key_of_aimed_operations_gives_both_solutions(written, tmp_path):
    folder = tmp_path / "lesson"
    _have(written, folder, "a normal to aim at", 4)
    keys = [path.read_text("utf-8") for path in sorted((folder / "key").glob("key-*.md"))]
    assert any("(or)" in text for text in keys)


def test_no_answers_to_grade(run, written, tmp_path):
    folder = tmp_path / "lesson"
    _have(written, folder, "one tilt", 1)
    assert "found no .csv, .xlsx or .txt file" in run("lesson", "grade", folder, folder / "key").err
    assert "a folder of answer files" in run("lesson", "grade", folder, tmp_path / "none").err


def test_sheets_of_an_older_lesson_are_named(run, written, tmp_path):
    folder = tmp_path / "class"
    _have(written, folder, "lines that miss each other", 4)
    ended = run("lesson", "new", folder, "--level", "one tilt", "--seed", 2, "--students", 2, "--force")
    assert ended.code == 0
    assert "answers-03.csv" in ended.err
    assert "are not of this lesson; do not hand out" in ended.err


def test_a_file_that_takes_too_long_is_told_and_skipped(run, tmp_path, monkeypatch):
    folder = tmp_path / "class"
    assert run("lesson", "new", folder, "--level", "one-tilt", "--seed", 7, "--students", 2).code == 0
    handed = tmp_path / "handed"
    handed.mkdir()
    for name, sheet in (("ada", 1), ("slow", 2)):
        shutil.copy(folder / "sheets" / f"answers-{sheet:02d}.csv", handed / f"{name}.csv")
    real = grading.answers_table

    def table(path):
        if path.stem == "slow":
            time.sleep(30)
        return real(path)

    monkeypatch.setattr(grading, "answers_table", table)
    monkeypatch.setattr(grading, "LONGEST_S", 0.2)
    ended = run("lesson", "grade", folder, handed, "--json")
    assert ended.code == 2
    told = [line for line in ended.err.splitlines() if "slow.csv" in line]
    assert len(told) == 1
    assert "0.2 seconds" in told[0]
    assert {one["file"] for one in json.loads(ended.out)["students"]} == {"ada.csv", "slow.csv"}
