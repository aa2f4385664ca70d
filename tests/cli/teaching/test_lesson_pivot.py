"""`lesson` with a pivot to find: what is handed out, what the key says, and how answers are marked."""

import csv
import json
import re

import numpy as np
import pytest

from kinematics.teaching import attainable, set_pivot_exercise
from tiltwright.output.canvas import LabelBox
from tiltwright.output.typesetting import width_em
from tiltwright.teaching.pivot_drawing import draw_probing

LEVEL = "a pivot to find"
DECIMALS = {"mm": 3, "inch": 4}
MM = {"mm": 1.0, "inch": 25.4}


def _words(folder, students, units="mm"):
    return (
        "lesson", "new", folder, "--level", LEVEL, "--seed", 7, "--students", students, "--units", units
    )  # fmt: skip


def _new(run, folder, students):
    ended = run(*_words(folder, students))
    assert ended.code == 0, ended.err


def _have(written, folder, students=2, units="mm"):
    written(folder, *_words("FOLDER", students, units))


def _right(sheet: int, units: str = "mm"):
    """By hand, pivot by pivot and axis by axis, in the sheet's unit."""
    exercise = set_pivot_exercise(7, sheet, units)
    return {
        (one.letter, axis): value / MM[units]
        for one in exercise.probings
        for axis, value in zip(one.axes, next(iter(one.by_hand().values())).tolist(), strict=True)
    }


def _fill(folder, sheet: int, values, target, student: str, units="mm"):
    empty = (folder / "sheets" / f"answers-{sheet:02d}.csv").read_text("utf-8")
    head, *rows = csv.reader(empty.splitlines())
    with target.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow(head)
        for number, _, pivot, axis, _ in rows:
            value = values.get((pivot, axis))
            text = "" if value is None else f"{value:.{DECIMALS[units]}f}"
            writer.writerow((number, student, pivot, axis, text))


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_sheet_gives_the_readings_and_the_key_the_answers(written, tmp_path, units):
    folder = tmp_path / "lesson"
    _have(written, folder, 6, units)
    for sheet in range(1, 5):
        exercise = set_pivot_exercise(7, sheet, units)
        support = attainable(exercise)
        handed_out = (folder / "sheets" / f"sheet-{sheet:02d}.md").read_text("utf-8").replace("\\", "")
        key = (folder / "key" / f"key-{sheet:02d}.md").read_text("utf-8").replace("\\", "")
        for one, best in zip(exercise.probings, support.best_mm, strict=True):
            for value in one.shown_mm.ravel():
                assert f"{value / MM[units]:.{DECIMALS[units]}f}" in handed_out
            for value in (*one.true_mm, *best):
                answer = f"{value / MM[units]:.{DECIMALS[units]}f}"
                assert answer not in handed_out
                assert answer in key
            for value in one.believed_mm:
                assert f"{value / MM[units]:.{DECIMALS[units]}f}" in handed_out
        for name, text in ((f"sheets/sheet-{sheet:02d}", handed_out), (f"key/key-{sheet:02d}", key)):
            assert (folder / f"{name}.pdf").read_bytes().startswith(b"%PDF-")
            drawings = re.findall(r"!\[[^]]*\]\(([^)]+)\)", text)
            assert len(drawings) == 2
            for drawing in drawings:
                assert ((folder / name).parent / drawing).read_text("utf-8").startswith("<?xml")
        # The drawing to hand out says only what the shop believes.
        svg = (folder / "sheets" / f"sheet-{sheet:02d}-1.svg").read_text("utf-8")
        assert "as the shop believes" in svg
        assert "found by hand" not in svg


def test_the_same_seed_gives_the_same_files(run, tmp_path):
    for name in ("one", "two"):
        _new(run, tmp_path / name, 1)
    first, second = ({p.relative_to(f): p.read_bytes() for p in f.rglob("*") if p.is_file()}
                     for f in (tmp_path / "one", tmp_path / "two"))  # fmt: skip
    assert first == second


def test_pivot_fit_gives_the_key_s_least_squares(run, written, tmp_path):
    folder = tmp_path / "lesson"
    _have(written, folder, 6)
    for sheet in (1, 2, 3):
        exercise = set_pivot_exercise(7, sheet)
        support = attainable(exercise)
        ended = run(
            "pivot", "fit", folder / "key" / f"readings-{sheet:02d}.csv",
            "--machine", folder / "key" / f"machine-{sheet:02d}.toml", "--json",
        )  # fmt: skip
        assert ended.code == 0, ended.err
        lines = {line["letter"]: line for line in json.loads(ended.out)["rotary"]}
        for one, best in zip(exercise.probings, support.best_mm, strict=True):
            point = np.array(lines[one.letter]["point"])[list(one.asked)]
            np.testing.assert_allclose(point, best, atol=1e-4)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_right_answers_pass_and_mistakes_are_named(run, written, tmp_path, units):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder, 6, units)
    handed_in.mkdir()
    _fill(folder, 1, _right(1, units), handed_in / "a.csv", "Berta Sand", units)
    best = attainable(set_pivot_exercise(7, 2, units)).best_mm
    squares = {
        (one.letter, axis): value / MM[units]
        for one, values in zip(set_pivot_exercise(7, 2, units).probings, best, strict=True)
        for axis, value in zip(one.axes, values.tolist(), strict=True)
    }
    _fill(folder, 2, squares, handed_in / "b.csv", "Olin Tide", units)
    exercise = set_pivot_exercise(7, 3, units)
    moved = {
        (one.letter, axis): _right(3, units)[one.letter, axis] - old / MM[units]
        for one in exercise.probings
        for axis, old in zip(one.axes, one.believed_mm.tolist(), strict=True)
    }
    _fill(folder, 3, moved, handed_in / "c.csv", "Mara Keel", units)
    doubled = {k: v * 2.0 if k[0] == "C" else v for k, v in _right(4, units).items()}
    _fill(folder, 4, doubled, handed_in / "d.csv", "Ivo Weir", units)
    slipped = {k: v + 0.3456 if k == ("C", "X") else v for k, v in _right(5, units).items()}
    _fill(folder, 5, slipped, handed_in / "e.csv", "Runa Spit", units)
    other = {k: v * (25.4 if units == "inch" else 1.0 / 25.4) for k, v in _right(6, units).items()}
    _fill(folder, 6, other, handed_in / "f.csv", "Jorn Bight", units)
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 1, ended.err
    report = json.loads(run("lesson", "grade", folder, handed_in, "--json").out)
    assert [(one["right"], one["mistakes"]) for one in report["students"]] == [
        (4, []),
        (4, []),
        (0, ["relative to the old value"]),
        (2, ["half the distance forgotten"]),
        (3, ["unexplained"]),
        (0, ["inch and mm"]),
    ]
    table = list(csv.DictReader(run("lesson", "grade", folder, handed_in, "--csv").out.splitlines()))
    assert [(row["student"], row["right"], row["answered"], row["missing"]) for row in table] == [
        ("Berta Sand", "4", "4", "0"),
        ("Olin Tide", "4", "4", "0"),
        ("Mara Keel", "0", "4", "0"),
        ("Ivo Weir", "2", "4", "0"),
        ("Runa Spit", "3", "4", "0"),
        ("Jorn Bight", "0", "4", "0"),
    ]


def test_what_was_not_answered_is_counted_and_what_cannot_be_read_is_named(run, written, tmp_path):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder)
    handed_in.mkdir()
    some = _right(1)
    del some["C", "Y"]
    _fill(folder, 1, some, handed_in / "a.csv", "Berta Sand")
    (handed_in / "b.csv").write_text(
        "sheet,student,pivot,axis,value_mm\n1,Olin Tide,C,Z,3.0\n1,,D,X,2\n1,,C,X,x\n"
    )
    (handed_in / "c.csv").write_text("sheet,student,operation,axis,value_mm\n1,Mara Keel,C,X,3.0\n")
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 2
    assert "1 not answered" in ended.out
    assert "3 of 4" in ended.out
    assert 'b.csv:2: axis: found "Z"' in ended.err
    assert 'b.csv:3: pivot: found "D"' in ended.err
    assert 'b.csv:4: value: found "x"' in ended.err
    assert "c.csv:1: head: found no column pivot" in ended.err


def _without(folder, name):
    (folder / name).unlink()


def _changed(folder, name, old, new):
    file = folder / name
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), "utf-8")


@pytest.mark.parametrize(
    ("spoil", "file"),
    [
        (lambda f: _without(f, "key/readings-01.csv"), "readings-01.csv"),
        (lambda f: _changed(f, "key/readings-01.csv", "bore", "hole"), "readings-01.csv"),
        (lambda f: _without(f, "key/key-01.txt"), "key-01.txt"),
        (lambda f: (f / "key/key-01.txt").write_text("hello\n"), "key-01.txt"),
        (lambda f: _changed(f, "lesson.toml", "seed = 7", "seed = 8"), "key-01.txt"),
        (lambda f: _changed(f, "lesson.toml", '"mm"', '"inch"'), "key-01.txt"),
        (lambda f: (f / "key/key-02.txt").replace(f / "key/key-01.txt"), "key-01.txt"),
    ],
)
def test_a_lesson_that_was_changed_is_not_graded_by_other_numbers(run, written, tmp_path, spoil, file):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder)
    handed_in.mkdir()
    _fill(folder, 1, _right(1), handed_in / "a.csv", "Berta Sand")
    spoil(folder)
    ended = run("lesson", "grade", folder, handed_in)
    assert ended.code == 2
    assert file in ended.err
    report = json.loads(run("lesson", "grade", folder, handed_in, "--json").out)
    assert [one["read"] for one in report["students"]] == [False]


def test_a_sheet_s_key_grades_machine_files_too(run, written, tmp_path):
    """The least-squares answer to the sheet's readings, and the machine file left as it was."""
    folder = tmp_path / "lesson"
    _have(written, folder, 6)
    for sheet in (1, 2, 3):
        key, mine = folder / "key" / f"key-{sheet:02d}.txt", folder / "key" / f"machine-{sheet:02d}.toml"
        ended = run("pivot", "practice", "--grade", key, "-m", mine, "--json")
        assert ended.code == 1
        report = json.loads(ended.out)
        assert {one["kind"] for one in report["mistakes"]} == {"old value kept"}
        assert report["unexplained"] == []
        fitted = run("pivot", "fit", folder / "key" / f"readings-{sheet:02d}.csv", "-m", mine, "--write")
        assert fitted.code == 0
        ended = run("pivot", "practice", "--grade", key, "-m", mine, "--json")
        assert ended.code == 0, ended.out
        marks = json.loads(ended.out)["marks"]
        assert [mark["passed"] for mark in marks if mark["unit"] == "mm"] == [True] * 4


def test_a_lesson_s_own_tolerance_can_be_widened(run, written, tmp_path):
    folder, handed_in = tmp_path / "lesson", tmp_path / "in"
    _have(written, folder)
    handed_in.mkdir()
    _fill(folder, 1, {k: v + 0.03 for k, v in _right(1).items()}, handed_in / "a.csv", "Berta Sand")
    assert "0 of 4" in run("lesson", "grade", folder, handed_in).out
    file = folder / "lesson.toml"
    file.write_text(file.read_text().replace("within = 0.005", "within = 0.05"))
    assert "4 of 4" in run("lesson", "grade", folder, handed_in).out


@pytest.mark.parametrize("sheet", range(1, 9))
def test_the_platter_s_name_keeps_clear_of_the_arms(sheet):
    exercise = set_pivot_exercise(7, sheet, "mm")
    svg = draw_probing(exercise, 0, "mm").svg
    at = re.search(r'<text x="([\d.]+)" y="([\d.]+)" font-size="3.0"[^>]*>platter, ', svg)
    assert at
    x, y = float(at[1]), float(at[2])
    box = LabelBox(x, y - 2.3, x + width_em("platter, B 0") * 3.0, y + 0.7)
    arms = re.findall(r'd="M([\d.]+),([\d.]+) L([\d.]+),([\d.]+)"[^>]*stroke-dasharray', svg)
    assert len(arms) == 3
    for arm in arms:
        a, b, c, d = map(float, arm)
        assert not box.crossed_by((a, b), (c, d)), svg
