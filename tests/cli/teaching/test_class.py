"""A real class: its own machine, sheets bound to print and to project, and what comes back from twenty spreadsheets."""

import csv
import io
import json
import re

import numpy as np
import openpyxl
import pdfplumber
import pytest

from kinematics.machine import table_frame
from kinematics.teaching import (
    LEVELS,
    PIVOT_LEVEL,
    attainable,
    classic_mistakes,
    recompute,
    set_exercise,
    set_pivot_exercise,
)
from kinematics.teaching.exercises import shared_machine
from tiltwright.files.loader import read_machine
from tiltwright.job.evaluate import evaluate_job
from tiltwright.output.document_files import document_markdown
from tiltwright.output.document_pdf import document_pdf
from tiltwright.teaching.lesson_file import job_toml, lesson_toml, letters_of, machine_toml, read_lesson
from tiltwright.teaching.pivot_assessment import support_of
from tiltwright.teaching.pivot_key import read_key
from tiltwright.teaching.pivot_sheets import pivot_worksheet
from tiltwright.teaching.worksheets import answer_csv, key, machine_table, worksheet

PT = 72.0 / 25.4  # in a millimetre
MINUS = str.maketrans("-", "\u2212")
MILLS = ("teaching_mill.toml", "trunnion_mill.toml", "indexer_mill.toml")
REFUSED = {
    ("teaching_mill.toml", "lines that miss each other"): "its two lines pass only 0.0070 mm from each other",
    ("trunnion_mill.toml", "a normal to aim at"): "B and C do not run exactly along machine axes",
    ("trunnion_mill.toml", PIVOT_LEVEL): "B does not run exactly along +X or +Y",
    **{
        ("indexer_mill.toml", level): "it has one rotary, A, and the level turns two"
        for level in LEVELS
        if level != "one tilt"
    },
    ("indexer_mill.toml", PIVOT_LEVEL): "it has 1 rotary, and the readings are taken on two",
}


def _pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def _new(run, folder, level, *more, students=2):
    return run("lesson", "new", folder, "--level", level, "--seed", 7, "--students", students, *more)


@pytest.mark.parametrize(("mill", "level"), REFUSED)
def test_a_level_says_why_it_is_not_for_the_class_s_machine(run, tmp_path, examples, level, mill):
    folder = tmp_path / "class"
    ended = _new(run, folder, level, "--machine", examples / mill)
    assert (ended.code, folder.exists()) == (2, False)
    assert REFUSED[mill, level] in ended.err


@pytest.mark.parametrize("level", LEVELS)
def test_the_instructor_may_load_a_key_s_job_without_a_caution(run, written, tmp_path, level):
    folder = tmp_path / "class"
    written(folder, "lesson", "new", "FOLDER", "--level", level, "--seed", 7, "--students", 2)
    for sheet in (1, 2):
        ended = run("offsets", folder / f"key/job-{sheet:02d}.toml")
        assert (ended.code, "caution" in ended.err) == (0, False), ended.err


@pytest.mark.parametrize("mill", MILLS)
def test_every_other_level_works_on_it(tmp_path, examples, mill):
    """The job file gives the exercise's offsets on the machine file as it is, whose numbers are printed in full."""
    own = read_machine(str(examples / mill))
    (tmp_path / "machine.toml").write_text(own.source.text, "utf-8")
    for level in LEVELS:
        if (mill, level) in REFUSED:
            continue
        drawn = set_exercise(level, 7, 1, own.unit.value, own.machine)
        (tmp_path / "job.toml").write_text(job_toml(drawn, "machine.toml"), "utf-8")
        worked = evaluate_job(str(tmp_path / "job.toml"))
        for read, one in zip(worked.operations, drawn.placed, strict=True):
            np.testing.assert_allclose(read.placed.offset_mm, one.offset_mm, atol=1e-9)
            np.testing.assert_allclose(read.placed.machine_deg, one.machine_deg, atol=1e-9)
        cells = " ".join(cell for row in machine_table(drawn).rows for cell in row)
        printed = [float(text) * own.unit.mm for text in re.findall(r"-?\d+\.\d+", cells)]
        for rotary in own.machine.rotaries:
            assert all(min(abs(text - value) for text in printed) < 1e-6 for value in rotary.point_mm)


def test_a_sheet_says_how_the_stack_stands_where_it_leans(examples):
    """On a C axis that is not quite square the straight stack misses by more than a right answer may: 0.0002 in."""
    own = read_machine(str(examples / "trunnion_mill.toml"))
    drawn = set_exercise("tilt and rotate", 7, 1, "inch", own.machine)
    stack_mm = np.sum([[*step.shift_mm, step.up_mm] for step in drawn.steps], axis=0)
    assert np.abs(table_frame(own.machine).rotation @ stack_mm - stack_mm).max() > 0.0002 * 25.4
    told = document_markdown(worksheet(drawn, "1 abcdef", "0.0002 inch"))
    assert "The stack's z runs along C's line" in told
    level = set_exercise("tilt and rotate", 7, 1, "inch")
    assert "z runs along" not in document_markdown(worksheet(level, "1 abcdef", "0.0002 inch"))


def test_a_class_s_machine_stands_in_its_lesson(run, tmp_path, examples):
    folder = tmp_path / "class"
    mill = examples / "trunnion_mill.toml"
    ended = _new(run, folder, "one tilt", "--machine", mill, students=1)
    assert ended.code == 0, ended.err
    assert (folder / "key" / "machine.toml").read_text("utf-8") == mill.read_text("utf-8")
    assert read_lesson(folder).units.value == "inch"  # the machine file's, where nothing else is asked for


@pytest.mark.parametrize("level", LEVELS)
def test_one_drawn_machine_does_for_a_whole_class(level):
    for seed in range(1, 6):
        machine = shared_machine(level, seed)
        sheets = [set_exercise(level, seed, sheet, machine=machine) for sheet in (1, 2, 3)]
        assert len({tuple(one.placed[0].offset_mm) for one in sheets}) == 3


def test_the_same_machine_stands_on_all_sheets(run, tmp_path):
    folder = tmp_path / "class"
    assert _new(run, folder, "tilt and rotate", "--same-machine").code == 0
    assert [path.name for path in folder.glob("key/machine*")] == ["machine.toml"]
    tables = [
        re.search(r"## Given: the machine.*?## Given", path.read_text("utf-8"), re.DOTALL)[0]
        for path in sorted(folder.glob("sheets/*.md"))
    ]
    assert tables[0] == tables[1]
    assert _new(run, tmp_path / "x", "one tilt", "--same-machine", "--machine", "mill.toml").code == 2


@pytest.mark.parametrize(("paper", "units"), [("a4", "mm"), ("us-letter", "inch")])
def test_an_exercise_keeps_to_its_pages(paper, units):
    for level in LEVELS:
        for sheet in range(1, 4):
            document = worksheet(set_exercise(level, 7, sheet, units), "1 abcdef", "0.005 mm")
            assert _pages(document_pdf(document, paper)) == 1, (level, sheet)
    for sheet in range(1, 4):
        exercise = set_pivot_exercise(7, sheet, units)
        sheet_pdf = document_pdf(pivot_worksheet(exercise, support_of(exercise)), paper)
        with pdfplumber.open(io.BytesIO(sheet_pdf)) as pdf:
            pages = [page.extract_text() for page in pdf.pages]
        # Readings, drawing and room for the answer of each pivot on a page of its own.
        assert len(pages) == len(exercise.probings) == 2
        for page, one in zip(pages, exercise.probings, strict=True):
            for words in (f"Read while {one.letter} turned", f"P({one.letter}) ?", "your answer"):
                assert words in page, (sheet, words)


def test_a_class_prints_at_once(run, tmp_path):
    folder = tmp_path / "class"
    assert _new(run, folder, "one tilt").code == 0
    for kind, bound in (("sheets/sheet", "all-sheets.pdf"), ("key/key", "all-keys.pdf")):
        each = [_pages((folder / f"{kind}-{sheet:02d}.pdf").read_bytes()) for sheet in (1, 2)]
        assert _pages((folder / bound).read_bytes()) == sum(each)


@pytest.mark.parametrize("level", ["one tilt", PIVOT_LEVEL])
def test_slides_have_a_step_a_page(run, tmp_path, level):
    folder = tmp_path / "class"
    assert _new(run, folder, level, "--slides", students=1).code == 0
    slides = (folder / "slides" / "slides-01.pdf").read_bytes()
    steps = (folder / "key" / "key-01.md").read_text("utf-8").count("```text")
    pictures = len(list(folder.glob("*/*.svg")))
    assert steps + pictures < _pages(slides) < steps + pictures + 12
    with pdfplumber.open(io.BytesIO(slides)) as pdf:
        for page in pdf.pages:
            foot = page.height - 16.0 * PT
            body = [c for c in page.chars if 22.0 * PT < c["top"] < foot + 2.0 and c["text"].strip()]
            assert max(c["bottom"] for c in body) < foot, page.page_number
            if "Seen from" not in page.extract_text():  # a drawing has letters of its own
                # Type that the last row can read: a fortieth of the picture's height.
                assert min(c["size"] for c in body) > page.height / 40.0, page.page_number
    if level not in ("touched off and clocked", PIVOT_LEVEL):
        # The hidden drawing's words stand beside it: without them nobody knows from where it is seen.
        with pdfplumber.open(io.BytesIO(slides)) as pdf:
            pages = [one.extract_text() for one in pdf.pages[:6]]
        (page,) = [one for one in pages if "Crossed circle" in one]
        assert "Seen from machine" in page
        assert "The setup with every rotary at zero" in page
    width, height = map(float, re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", slides).groups())
    assert width > height
    assert (folder / "all-sheets.pdf").exists() is False  # one sheet is bound already


# What comes back.


def _values(folder, sheet: int, mistake: str = ""):
    worked = evaluate_job(str(folder / "key" / f"job-{sheet:02d}.toml"))
    placed = [one.placed for one in worked.operations]
    mistakes = classic_mistakes(worked.setup, worked.job.steps, unit_mm=worked.job.unit.mm)
    table = recompute(worked.setup, placed, worked.job.steps, mistakes, pairs=False)
    names = [made[0].name if made else "" for made in table.made]
    row = next(k for k, name in enumerate(names) if name == mistake or name.startswith(f"{mistake}, "))
    return [f"{value:.3f}" for offset in table.offset_mm[row] for value in offset]


def _fill(folder, target, sheet, values, student, *, operations_of=None, separator=",", comma=False, encoding="utf-8"):  # fmt: skip
    head, *rows = csv.reader((folder / f"sheets/answers-{sheet:02d}.csv").read_text("utf-8").splitlines())
    if operations_of is not None:
        other = (folder / f"sheets/answers-{operations_of:02d}.csv").read_text("utf-8").splitlines()
        rows = [[rows[0][0], *row[1:]] for row in list(csv.reader(other))[1:]]
    lines = [separator.join(head)]
    for (name, _, operation, axis, _), value in zip(rows, values, strict=True):
        text = value.replace(".", ",") if comma else value
        lines.append(separator.join((name, student, operation, axis, text)))
    target.write_bytes(("\r\n".join(lines) + "\r\n").encode(encoding))


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    """Files to grade by and to fill in; nothing is typeset."""
    folder = tmp_path_factory.mktemp("lesson")
    (folder / "sheets").mkdir()
    (folder / "key").mkdir()
    letters = []
    for sheet in range(1, 8):
        exercise = set_exercise("tilt and rotate", 7, sheet)
        letters.append(letters_of(sheet))
        machine = f"machine-{sheet:02d}.toml"
        for path, text in (
            (f"sheets/answers-{sheet:02d}.csv", answer_csv(exercise, f"{sheet} {letters[-1]}")),
            (f"key/{machine}", machine_toml(exercise.machine, "mm")),
            (f"key/job-{sheet:02d}.toml", job_toml(exercise, machine)),
        ):
            (folder / path).write_text(text, "utf-8")
    stated = {"level": "tilt and rotate", "seed": 7, "students": 7, "units": "mm", "within": 0.005}
    (folder / "lesson.toml").write_text(
        lesson_toml({**stated, "angle_within": 0.001, "letters": letters}), "utf-8"
    )
    return folder


def _graded_rows(run, lesson, handed_in, *more):
    ended = run("lesson", "grade", lesson, handed_in, "--json", *more)
    return ended, json.loads(ended.out)["students"]


def _graded(run, lesson, handed_in, *more):
    ended, rows = _graded_rows(run, lesson, handed_in, *more)
    return ended, {one["student"]: one for one in rows}


@pytest.mark.parametrize(
    "form",
    [
        {"separator": ";", "comma": True},
        {"separator": ";", "comma": True, "encoding": "cp1252"},
        {"separator": "\t", "comma": True, "encoding": "utf-16"},
        {"separator": "\t", "comma": False, "encoding": "utf-8-sig"},
        {"separator": ",", "comma": False, "encoding": "utf-8-sig"},
    ],
)
def test_what_a_spreadsheet_saves_is_read(run, tmp_path, lesson, form):
    _fill(lesson, tmp_path / "a.csv", 1, _values(lesson, 1), "Jörg Anker", **form)
    ended, rows = _graded(run, lesson, tmp_path)
    assert (ended.code, ended.err) == (0, "")
    assert rows["Jörg Anker"]["right"] == 9


def _rewritten(lesson, target, sheet, line):
    """A sheet's right answers, every line as `line` makes it of sheet, operation, axis and value."""
    _fill(lesson, target, sheet, _values(lesson, sheet), "Berta Sand")
    head, *rows = csv.reader(target.read_text("utf-8").splitlines())
    return [head, *(line(*(row[n] for n in (0, 2, 3, 4))) for row in rows)]


@pytest.mark.parametrize(
    ("head", "line"),
    [
        # One column in a spreadsheet with a decimal comma, and what was typed beside it.
        ("{};", lambda s, o, a, v: f"{s},,{o},{a},;{v.replace('.', ',')}"),
        ('"{}";', lambda s, o, a, v: f'"{s},,{o},{a},";{v.replace(".", ",")}'),
        ("{}\t", lambda s, o, a, v: f"{s},Berta Sand,{o},{a},\t{v.replace('.', ',')}"),
        ("{};", lambda s, o, a, v: f"{s},,{o},{a},;{v}"),
        # Commas where they part the columns.
        ("{}", lambda s, o, a, v: f"{s},Sand, Berta,{o},{a},{v}"),
        ("{}", lambda s, o, a, v: f"{s},,{o},{a},{v.replace('.', ',')}"),
        ("{}", lambda s, o, a, v: f"{s},Sand, Berta,{o},{a},{v.replace('.', ',')}"),
        # Capitals, and columns of one's own.
        ("{}", lambda s, o, a, v: f"{s},,{o.upper()},{a.lower()},{v}"),
        ("{}", lambda s, o, a, v: f"{s},,{o.capitalize()}, {a},{v}"),
        ("{},remark", lambda s, o, a, v: f"{s},,{o},{a},{v},sure"),
        ("{}", lambda s, o, a, v: f"{s},,{o},{a},{v.translate(MINUS)} mm"),
    ],
)  # fmt: skip
def test_what_students_make_of_the_answer_file_is_read(run, tmp_path, lesson, head, line):
    (title, *_), *_ = written = _rewritten(lesson, tmp_path / "a.csv", 3, line)
    assert title == "sheet"
    lines = [head.format(",".join(written[0])), *written[1:]]
    (tmp_path / "a.csv").write_text("\r\n".join(lines) + "\r\n", "utf-8")
    ended, (row,) = _graded_rows(run, lesson, tmp_path)
    assert (ended.code, ended.err) == (0, "")
    assert (row["sheet"], row["right"], row["answered"]) == (3, 9, 9)


def test_a_comma_between_thousands_is_not_put_right(run, tmp_path, lesson):
    """Nor two in one value: no decimal comma was meant. The other rows count."""
    (_, *rows) = _rewritten(lesson, tmp_path / "a.csv", 1, lambda s, o, a, v: f"{s},,{o},{a},{v}")
    rows[0] = rows[0].rsplit(",", 1)[0] + ",-1,234.5"
    rows[1] = rows[1].rsplit(",", 1)[0] + ",-1,234,567"
    (tmp_path / "a.csv").write_text(
        "\n".join(["sheet,student,operation,axis,value_mm", *rows]) + "\n", "utf-8"
    )
    ended, (row,) = _graded_rows(run, lesson, tmp_path)
    assert (ended.code, row["right"], row["answered"], row["missing"]) == (2, 7, 7, 2)
    assert ended.err.count("values where 5 belong") == 2


def test_every_file_has_its_own_name_and_what_no_one_sees_is_left_out(run, tmp_path, lesson):
    """As a course's page hands them out: a folder for each student, the same file name in each."""
    handed_in = tmp_path / "in"
    for folder, sheet, values in (
        ("Berta Sand", 2, _values(lesson, 2)),
        ("Uwe Reef", 4, _values(lesson, 4, "wrong order")),
    ):
        (handed_in / folder).mkdir(parents=True)
        _fill(lesson, handed_in / folder / "answers.csv", sheet, values, folder)
    (handed_in / "Uwe Reef later").mkdir()
    _fill(lesson, handed_in / "Uwe Reef later/answers.csv", 4, _values(lesson, 4), "Uwe Reef")
    (handed_in / "__MACOSX").mkdir()
    for hidden in ("__MACOSX/._answers.csv", ".~lock.answers.csv", "~$answers.xlsx"):
        (handed_in / hidden).write_bytes(b"\0\5\x16\7")
    ended, rows = _graded_rows(run, lesson, handed_in)
    assert (ended.code, ended.err) == (1, "")
    assert [(row["file"], row["counted"]) for row in rows] == [
        ("Berta Sand/answers.csv", True),
        ("Uwe Reef/answers.csv", True),
        ("Uwe Reef later/answers.csv", False),
    ]
    told = run("lesson", "grade", lesson, handed_in).out
    assert "Uwe Reef/answers.csv is of the same student and sheet" in " ".join(told.split())


def test_who_wrote_an_unread_file_is_known_and_whose_letters_it_has(run, tmp_path, lesson):
    """A mistyped number beside the letters of another sheet of the lesson names that sheet; nothing is guessed."""
    _fill(lesson, tmp_path / "a.csv", 3, _values(lesson, 3), "Mara Keel")
    own = f"3 {letters_of(3)}"
    written = (tmp_path / "a.csv").read_text("utf-8")
    assert own in written
    (tmp_path / "a.csv").write_text(written.replace(own, f"5 {letters_of(3)}"), "utf-8")
    ended, rows = _graded(run, lesson, tmp_path)
    assert (ended.code, rows["Mara Keel"]["read"], rows["Mara Keel"]["sheet"]) == (2, False, None)
    assert "the letters are those of sheet 3" in ended.err
    assert json.loads(ended.out)["not_handed_in"] == [1, 2, 3, 4, 5, 6, 7]
    assert "1 file of no known sheet" in run("lesson", "grade", lesson, tmp_path).out


def test_a_student_is_told_what_was_not_answered(run, tmp_path, lesson):
    handed_in = tmp_path / "in"
    handed_in.mkdir()
    values = _values(lesson, 1)
    values[1], values[2], values[6], values[8] = "", "?", "", "?"
    _fill(lesson, handed_in / "a.csv", 1, values, "Berta Sand")
    ended, rows = _graded(run, lesson, handed_in, "--feedback", tmp_path / "back", "--feedback-form", "txt")
    assert (ended.code, rows["Berta Sand"]["right"], rows["Berta Sand"]["missing"]) == (2, 5, 4)
    assert rows["Berta Sand"]["faults"] == ['line 4, value: found "?" (and 1 more such row)']
    first, _, third = [one.placed.name for one in evaluate_job(str(lesson / "key/job-01.toml")).operations]
    (sheet,) = (tmp_path / "back").iterdir()
    assert f"Not answered: {first} Y, Z; {third} X, Z." in sheet.read_text("utf-8")


def test_folders_in_the_wrong_order_and_a_file_for_a_folder_are_told(run, tmp_path, lesson):
    _fill(lesson, tmp_path / "a.csv", 1, _values(lesson, 1), "Berta Sand")
    swapped = run("lesson", "grade", tmp_path, lesson)
    assert (swapped.code, swapped.out) == (2, "")
    assert "the lesson's folder comes first" in swapped.err
    alone = run("lesson", "grade", lesson, tmp_path / "a.csv")
    assert (alone.code, alone.out) == (2, "")
    assert "a.csv: found a file" in alone.err


def test_workbooks_are_read_and_what_is_none_is_named(run, tmp_path, lesson):
    """The cells' numbers in full, with a calculation beside the table; other spreadsheets' files are to be saved as CSV."""
    _fill(lesson, tmp_path / "a.csv", 1, _values(lesson, 1, "wrong order"), "Jörg Anker")
    book = openpyxl.Workbook()
    for row in csv.reader((tmp_path / "a.csv").read_text("utf-8").splitlines()):
        book.active.append([float(cell) if re.fullmatch(r"-?\d+\.\d+", cell) else cell for cell in row])
    book.active["H3"] = "r = 7.3"
    book.save(tmp_path / "a.xlsx")
    (tmp_path / "a.csv").unlink()
    (tmp_path / "Ines.ods").write_bytes(b"PK")
    (tmp_path / "Olin.xlsx").write_bytes(b"PK")
    ended, rows = _graded(run, lesson, tmp_path)
    assert ended.code == 2
    assert ended.err.count("save it as CSV") == 2
    assert (rows["Ines"]["read"], rows["Olin"]["read"]) == (False, False)
    assert rows["Jörg Anker"]["mistakes"] == ["wrong order"]
    checked = run("check", lesson / "key/job-01.toml", tmp_path / "a.xlsx", "--json")
    assert (checked.code, checked.err.count("error")) == (1, 0)


def test_a_workbook_s_numbers_are_sure_beside_a_text_with_a_comma_and_nobody_s_rows_are_another_s(
    run, tmp_path, lesson
):
    """One text with a comma among numbers; and two students in one file, which is neither's."""
    _fill(lesson, tmp_path / "a.csv", 1, _values(lesson, 1), "Jörg Anker")
    head, *rows = csv.reader((tmp_path / "a.csv").read_text("utf-8").splitlines())
    (tmp_path / "a.csv").unlink()
    value, student = (
        next(k for k, cell in enumerate(head) if cell.startswith(w)) for w in ("value", "student")
    )
    for file, text in (("two.xlsx", "{:.2f}"), ("three.xlsx", "{:.3f}")):
        book = openpyxl.Workbook()
        book.active.append(head)
        for k, row in enumerate(rows):
            cell = text.format(float(row[value])).replace(".", ",") if k == 1 else float(row[value])
            name = "Olin Tide" if file == "three.xlsx" and k > 3 else "Jörg Anker"
            book.active.append(
                [
                    cell if place == value else name if place == student else one
                    for place, one in enumerate(row)
                ]
            )
        book.save(tmp_path / file)
    ended, graded = _graded(run, lesson, tmp_path)
    assert {name: (one["right"], one["missing"]) for name, one in graded.items()} == {
        "Jörg Anker": (len(rows), 0),
        "three": (len(rows), 0),
    }
    assert (ended.code, ended.err.count("error")) == (2, 1)


def test_the_neighbour_s_numbers_are_known(run, tmp_path, lesson):
    """By the numbers on the own sheet's lines, and by the operations of another sheet."""
    _fill(lesson, tmp_path / "a.csv", 3, _values(lesson, 5), "Mara Keel")
    _fill(lesson, tmp_path / "b.csv", 4, _values(lesson, 6), "Uwe Reef", operations_of=6)
    _fill(lesson, tmp_path / "c.csv", 2, _values(lesson, 2, "wrong order"), "Olin Tide")
    ended, rows = _graded(run, lesson, tmp_path)
    assert (ended.code, ended.err) == (1, "")
    assert {name: one["numbers_of_sheet"] for name, one in rows.items()} == {
        "Mara Keel": 5,
        "Uwe Reef": 6,
        "Olin Tide": None,
    }
    assert rows["Olin Tide"]["mistakes"] == ["wrong order"]
    report = json.loads(ended.out)
    assert report["not_handed_in"] == [1, 5, 6, 7]
    assert {"kind": "another sheet's numbers", "students": 2} in report["mistakes"]


def test_a_sheet_of_another_lesson_is_refused(run, tmp_path, lesson):
    _fill(lesson, tmp_path / "a.csv", 1, _values(lesson, 1), "Berta Sand")
    written = (tmp_path / "a.csv").read_text("utf-8").replace(letters_of(1), "qwerty")
    (tmp_path / "a.csv").write_text(written, "utf-8")
    ended, rows = _graded(run, lesson, tmp_path)
    assert (ended.code, rows["Berta Sand"]["read"]) == (2, False)
    assert "the sheet of this key" in ended.err


@pytest.mark.parametrize("form", ["pdf", "txt", "md"])
def test_each_student_gets_a_sheet_back(run, tmp_path, lesson, form):
    handed_in, back = tmp_path / "in", tmp_path / "back"
    handed_in.mkdir()
    _fill(lesson, handed_in / "a.csv", 2, _values(lesson, 2, "wrong order"), "Berta Sand")
    _fill(lesson, handed_in / "b.csv", 1, _values(lesson, 1), "Åse Ærø / ../x")
    _fill(lesson, handed_in / "c.csv", 3, _values(lesson, 5), "Mara Keel")
    ended = run("lesson", "grade", lesson, handed_in, "--feedback", back, "--feedback-form", form)
    assert ended.code == 1
    files = sorted(path.name for path in back.iterdir())
    assert files == [
        f"feedback-01-ase-r-x.{form}", f"feedback-02-berta-sand.{form}", f"feedback-03-mara-keel.{form}"
    ]  # fmt: skip
    if form != "pdf":
        text = (back / files[1]).read_text("utf-8")
        assert "wrong order" in text
        assert "9 of 9 numbers are wrong" in text
        assert "Berta" not in (back / files[0]).read_text("utf-8")
    again = run("lesson", "grade", lesson, handed_in, "--feedback", back)
    assert (again.code, "something in it" in again.err) == (2, True)
    assert run("lesson", "grade", lesson, handed_in, "--feedback", back, "--feedback-form", "doc").code == 2


def test_a_student_is_sent_to_no_job_of_the_instructor_s(run, tmp_path, lesson):
    """The line by hand is the one of the key's working, which the instructor has in print."""
    handed_in, back = tmp_path / "in", tmp_path / "back"
    handed_in.mkdir()
    _fill(lesson, handed_in / "a.csv", 2, _values(lesson, 2, "wrong order"), "Berta Sand")
    ended = run("lesson", "grade", lesson, handed_in, "--feedback", back, "--feedback-form", "txt")
    assert "feedback for 1 student\n" in ended.err
    assert "Sheets 1, 3, 4, 5, 6, 7." in ended.out
    text = " ".join((back / "feedback-02-berta-sand.txt").read_text("utf-8").split())
    assert "explain" not in text
    assert "--" not in re.sub("-{3,}", "", text)
    place, formula = re.search(r"goes wrong at line (\d+) \((.*?)\)[.,]", text).groups()
    printed = document_markdown(key(set_exercise("tilt and rotate", 7, 2), "2", by_hand=True))
    name = re.search('the working of "(.*?)"', text)[1]
    line = printed.partition(f"## {name}\n")[2].partition(f"**{place}.**")[2]
    assert line.split("\n")[2].startswith(formula)


def test_the_clocking_s_sign_is_found_in_touched_off_answers(run, tmp_path):
    folder, handed_in = tmp_path / "class", tmp_path / "in"
    assert _new(run, folder, "touched off and clocked", students=1).code == 0
    handed_in.mkdir()
    worked = evaluate_job(str(folder / "key" / "job-01.toml"))
    setup = worked.setup
    off = setup.rotary_offset_deg
    wrong = [
        setup.work_offset(one.placed.origin_mm, one.placed.program_deg - off) for one in worked.operations
    ]
    _fill(folder, handed_in / "a.csv", 1, [f"{v:.3f}" for o in wrong for v in o], "Berta Sand")
    _, rows = _graded(run, folder, handed_in)
    assert rows["Berta Sand"]["right"] < 9
    assert rows["Berta Sand"]["mistakes"] == ["rotary offset's sign"]


# A class's practice.


def test_a_class_practises_and_is_graded(run, tmp_path, examples):
    folder, handed_in = tmp_path / "class", tmp_path / "in"
    mill = examples / "teaching_mill.toml"
    made = run("pivot", "practice", "-m", mill, "-o", folder, "--seed", 7, "--students", 3)
    assert made.code == 0, made.err
    alone = tmp_path / "alone"
    assert run("pivot", "practice", "-m", mill, "-o", alone, "--seed", 7).code == 0
    readings = [(folder / f"sheets/readings-{n:02d}.csv").read_text("utf-8") for n in (1, 2, 3)]
    assert readings[0] == (alone / "readings.csv").read_text("utf-8")
    assert len(set(readings)) == 3
    handed_in.mkdir()
    for number, name in ((1, "berta"), (2, "olin")):
        mine = folder / f"sheets/machine-{number:02d}.toml"
        if number == 1:
            fit = run("pivot", "fit", folder / f"sheets/readings-{number:02d}.csv", "-m", mine, "--write")
            assert fit.code == 0, fit.err
        (handed_in / f"{name}.toml").write_text(mine.read_text("utf-8"), "utf-8")
    nameless = (folder / "sheets/machine-03.toml").read_text("utf-8").split("\n", 1)[1]
    (handed_in / "mara.toml").write_text(nameless, "utf-8")
    ended, rows = _graded(run, folder, handed_in, "--feedback", tmp_path / "back")
    assert ended.code == 2
    assert "no comment with the sheet" in ended.err
    assert (rows["berta"]["right"], rows["berta"]["answered"]) == (8, 8)
    assert rows["olin"]["mistakes"] == ["old value kept"]
    assert rows["mara"]["read"] is False
    assert len(list((tmp_path / "back").iterdir())) == 2
    key = run("pivot", "practice", "--grade", folder / "key/key-01.txt", "-m", handed_in / "berta.toml")
    assert key.code == 0, key.err
    assert run("pivot", "practice", "--grade", "key.txt", "--students", 3).code == 2


def test_pivots_found_by_hand_and_by_the_fit_are_held_to_what_each_sheet_says(run, tmp_path, examples):
    """The sheet prints the tolerances; the best answer to its readings is right, rounded or in a machine file."""
    folder, handed_in = tmp_path / "class", tmp_path / "in"
    made = run("pivot", "practice", "-m", examples / "teaching_mill.toml", "-o", folder, "--seed", 7, "--students", 2)  # fmt: skip
    assert (made.code, "caution" in made.err) == (0, False)
    handed_in.mkdir()
    support = support_of(read_key(str(folder / "key/key-01.txt")))
    printed = (folder / "sheets/sheet-01.md").read_text("utf-8")
    told = re.findall(r"[AC]'s [XYZ] (\d\.\d{3})", printed)
    np.testing.assert_allclose(np.array(told, float), support.by_hand_mm.ravel(), atol=1e-9)
    head, *rows = (folder / "sheets/answers-01.csv").read_text("utf-8").splitlines()
    best = support.best_mm.ravel().tolist()
    filled = [f"{row.replace(',,', ',Ines,')}{value:.3f}" for row, value in zip(rows, best, strict=True)]
    (handed_in / "a.csv").write_text("\n".join([head, *filled]) + "\n", "utf-8")
    mine = folder / "sheets/machine-02.toml"
    assert run("pivot", "fit", folder / "sheets/readings-02.csv", "-m", mine, "--write").code == 0
    named = mine.read_text("utf-8").replace("# Student:", "# Student: Žofie Nováková")
    (handed_in / "machine-02.toml").write_text(named, "utf-8")
    ended, rows = _graded(run, folder, handed_in)
    assert (ended.code, ended.err) == (0, "")
    assert {name: one["right"] for name, one in rows.items()} == {"Ines": 4, "Žofie Nováková": 8}
    shown = run("lesson", "grade", folder, handed_in).out
    back = run(
        "lesson", "grade", folder, handed_in, "--feedback", tmp_path / "back", "--feedback-form", "html"
    )
    assert "2 of them as PDF" in back.err
    assert {path.suffix for path in (tmp_path / "back").iterdir()} == {".pdf"}
    assert "0.005 mm, or what a sheet's readings allow by hand if that is more" in " ".join(shown.split())


def test_a_pivot_asked_for_far_from_what_was_probed_is_told(run, tmp_path, examples):
    """B's point may lie anywhere on its line; at Y 0, eight inches away, a leaning line is not found by hand."""
    far = (examples / "trunnion_mill.toml").read_text("utf-8")
    for old, new in (
        ("[0.0031, 0.0, -14.2107]", "[0.0031, 8.0, -14.2107]"),
        ("[-13.0, 13.0]", "[-13.0, 20.0]"),
    ):
        assert old in far
        far = far.replace(old, new)
    (tmp_path / "far.toml").write_text(far, "utf-8")
    told = run("pivot", "practice", "-m", tmp_path / "far.toml", "-o", tmp_path / "far", "--seed", 7)
    near = run(
        "pivot", "practice", "-m", examples / "trunnion_mill.toml", "-o", tmp_path / "near", "--seed", 7
    )
    assert (told.code, near.code) == (0, 0)
    assert re.search(r"caution: B: .* at Y 8\.0000", told.err)
    assert "caution" not in near.err


def test_the_neighbour_s_pivots_are_known(run, tmp_path, examples):
    folder, handed_in = tmp_path / "class", tmp_path / "in"
    made = run(
        "pivot", "practice", "-m", examples / "teaching_mill.toml", "-o", folder, "--seed", 7, "--students", 2
    )
    assert made.code == 0, made.err
    handed_in.mkdir()
    theirs = attainable(read_key(str(folder / "key/key-02.txt")))
    values = (theirs.believed_mm + theirs.truth[:, :2]).ravel().tolist()
    head, *rows = (folder / "sheets/answers-01.csv").read_text("utf-8").splitlines()
    filled = [f"{row}{value:.4f}" for row, value in zip(rows, values, strict=True)]
    (handed_in / "a.csv").write_text("\n".join([head, *filled]) + "\n", "utf-8")
    ended, rows = _graded(run, folder, handed_in)
    assert (ended.code, rows["a"]["numbers_of_sheet"]) == (1, 2)
