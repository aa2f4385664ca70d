"""`tiltwright machine`: the questions, and the description of a machine."""

import io
import json
import sys

import pytest

from tiltwright.machine import prompts

ANSWERS = [
    "Practice mill",
    "mm",
    "gauge line",
    "yes",
    "-760,0",
    "-410 0",
    "-510,0",
    "2",
    "A",
    "+X",
    "up",
    "clockwise",
    "-381,-203.412,-406.118",
    "-120,30",
    "C",
    "+Z",
    "right",
    "counterclockwise",
    "-381.025,-203.405,0",
    "endless",
    "-356.112",
    "160",
    "yes",
]


@pytest.fixture
def answer(monkeypatch):
    def give(*lines: str) -> None:
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))

    return give


def test_the_questions_make_a_machine(run, answer, tmp_path):
    answer(*ANSWERS)
    target = tmp_path / "mill.toml"
    ended = run("machine", "new", target)
    assert (ended.code, ended.out) == (0, "")
    report = json.loads(run("machine", "show", target, "--json").out)
    assert [one["letter"] for one in report["rotary"]] == ["A", "C"]
    assert [one["positive_turn"] for one in report["rotary"]] == ["clockwise", "counterclockwise"]
    assert report["rotary"][0]["limits"] == [-120.0, 30.0]
    assert report["table"]["origin"] == [-381.025, -203.405, -356.112]


def test_the_sense_is_asked_by_looking_and_has_no_default(run, answer, tmp_path):
    before = ANSWERS.index("clockwise")
    # An empty line and words that are neither of the two are asked again; cw can mean only one thing.
    answer(*ANSWERS[:before], "", "positive", "c", "yes", "cw", *ANSWERS[before + 1 :])
    ended = run("machine", "new", tmp_path / "mill.toml")
    assert ended.code == 0
    assert "Jog A by +10 degrees" in ended.err
    assert ended.err.count("isn't one of the choices: clockwise, counterclockwise") == 3


def test_the_files_own_unit_may_stand_behind_a_number(run, answer, tmp_path):
    spelled = {
        "-760,0": "-760mm, 0 mm",
        "-381,-203.412,-406.118": "-381 mm,\N{MINUS SIGN}203.412 mm,-406.118mm",
        "-120,30": "-120 deg, 30°",
        "-356.112": "-356.112 millimetres",
        "160": "160mm",
    }
    answer(*ANSWERS)
    assert run("machine", "new", tmp_path / "plain.toml").code == 0
    at = ANSWERS.index("160")
    answer(
        *(spelled.get(line, line) for line in ANSWERS[:at]), "6.3 in", '6.3"', "160 mm", *ANSWERS[at + 1 :]
    )
    ended = run("machine", "new", tmp_path / "spelled.toml")
    assert ended.code == 0
    assert ended.err.count("isn't in mm") == 2
    plain, other = (
        json.loads(run("machine", "show", tmp_path / f"{n}.toml", "--json").out) for n in ("plain", "spelled")
    )
    assert {**other, "file": None} == {**plain, "file": None}


def test_two_looks_that_disagree_are_asked_for_again(run, answer, tmp_path):
    before = ANSWERS.index("up")
    # A about +X: the near side up is clockwise from the right.
    answer(*ANSWERS[:before], "up", "counterclockwise", "down", "clockwise", *ANSWERS[before:])
    target = tmp_path / "mill.toml"
    ended = run("machine", "new", target)
    assert ended.code == 0
    assert ended.err.count("Those two answers don't agree") == 2
    report = json.loads(run("machine", "show", target, "--json").out)
    assert report["rotary"][0]["positive_turn"] == "clockwise"


def test_one_can_go_back_and_keep_what_was_right(run, answer, tmp_path):
    """From the letter of C back to that of A; the looks at the table are not kept, the other answers are."""
    after = ANSWERS.index("-120,30") + 1
    back = ["back"] * (after - ANSWERS.index("A"))
    # "" keeps A, the pivot and the limits; the two looks ignore it.
    answer(*ANSWERS[:after], *back, "", "-Y", "", "down", "", "clockwise", "", "", *ANSWERS[after:])
    target = tmp_path / "mill.toml"
    ended = run("machine", "new", target)
    assert ended.code == 0
    rotary, inner = json.loads(run("machine", "show", target, "--json").out)["rotary"]
    assert (rotary["letter"], rotary["direction"]) == ("A", [0.0, -1.0, 0.0])
    # The right-hand side down is right-handed about +Y: clockwise seen from the front, the positive end of -Y.
    assert rotary["positive_turn"] == "clockwise"
    assert rotary["point"] == [-381.0, -203.412, -406.118]
    assert rotary["limits"] == [-120.0, 30.0]
    assert inner["letter"] == "C"


def test_back_at_the_first_question_is_no_way_out(run, answer, tmp_path):
    answer("back", *ANSWERS)
    ended = run("machine", "new", tmp_path / "mill.toml")
    assert ended.code == 0
    assert "first question" in ended.err


def test_the_whole_is_read_back_before_it_is_written(run, answer, tmp_path):
    target = tmp_path / "mill.toml"
    answer(*ANSWERS[:-1])
    ended = run("machine", "new", target)
    assert ended.code == 2
    assert not target.exists()
    answer(*ANSWERS[:-1], "no", "back", "180", "yes")
    ended = run("machine", "new", target)
    assert ended.code == 0
    assert json.loads(run("machine", "show", target, "--json").out)["table"]["origin"][2] == -356.112
    assert "180.000" in run("machine", "show", target).out
    # Read back is what `machine show` prints.
    assert run("machine", "show", target).out in ended.err


def test_tools_measured_as_touch_downs(run, answer, tmp_path):
    """A tool of 100 touches down at H -420: the gauge line is 520 above that surface at machine Z 0.

    Whatever is 520 lower at the gauge line is then a height above the surface, and so are the work offsets: with H
    active, the display's work Z is machine Z - H - offset, which is 0 when the tip is on part zero.
    """
    gauge, touched = tmp_path / "gauge.toml", tmp_path / "touched.toml"
    answer(*ANSWERS)
    assert run("machine", "new", gauge).code == 0
    raised = {
        "-381,-203.412,-406.118": "-381,-203.412,113.882",
        "-381.025,-203.405,0": "-381.025,-203.405,520",
    }
    raised |= {"-356.112": "163.888"}
    rest = [raised.get(line, line) for line in ANSWERS[3:]]
    # An H above zero is no touch-down.
    answer(*ANSWERS[:2], "touchdown", "100", "420", "-420", *rest)
    ended = run("machine", "new", touched)
    assert ended.code == 0
    assert "'420' isn't below 0" in ended.err
    found = {}
    for path in (gauge, touched):
        job = tmp_path / "job.toml"
        job.write_text(
            f'name = "Post"\nunits = "mm"\nmachine = "{path.name}"\n[[stack]]\nname = "post"\nup = 100.0\n'
            '[[operation]]\nname = "side"\nnormal = [0, -0.5, 0.8]\norigin = [1, 2, 3]\n',
            encoding="utf-8",
        )
        ended = run("offsets", job, "--json")
        assert ended.code == 0
        assert [one["kind"] for one in json.loads(ended.out)["remarks"]] == []
        found[path] = json.loads(ended.out)["operations"][0]["offset"]
    assert found[touched]["Z"] - found[gauge]["Z"] == pytest.approx(520.0, abs=1e-9)
    assert [found[touched][axis] for axis in "XY"] == pytest.approx(
        [found[gauge][axis] for axis in "XY"], abs=1e-9
    )


@pytest.mark.parametrize(
    ("place", "typed"),
    [(1, "Inches"), (1, "IN"), (2, "gage line"), (2, "Gauge Line"), (3, "y"), (-2, "none")],
)
def test_other_spellings_are_understood(run, answer, tmp_path, place, typed):
    lines = list(ANSWERS)
    lines[place] = typed
    answer(*lines)
    ended = run("machine", "new", tmp_path / "mill.toml")
    assert ended.code == 0
    assert "isn't one of" not in ended.err


def test_answers_that_do_not_fit_together_lead_back(run, answer, tmp_path):
    """Length and H are numbers each, and their difference is longer than a machine file allows."""
    rest = ["no", "1", "A", "+X", "up", "clockwise", "1,2,3", "endless", ""]
    # Enter keeps every answer but the looks at the table.
    kept = ["", "", "", "", "", "down", "", "counterclockwise", "", "", ""]
    back = ["back"] * (len(rest) + 1)
    answer("Mill", "mm", "touch-down", "1e5", "-1e6", *rest, *back, "-20", *kept, "yes")
    target = tmp_path / "mill.toml"
    ended = run("machine", "new", target)
    assert ended.code == 0, ended.err
    assert ended.err.count("don't fit together") == 1
    # A fault says nothing of the file that it was checked in.
    assert "machine.toml" not in ended.err
    assert "100020.000 mm long" in run("machine", "show", target).out
    (rotary,) = json.loads(run("machine", "show", target, "--json").out)["rotary"]
    assert (rotary["point"], rotary["positive_turn"]) == ([1.0, 2.0, 3.0], "counterclockwise")


@pytest.mark.parametrize("given", [0, 1, 8, len(ANSWERS) - 1])
def test_answers_that_end_early_leave_nothing(run, answer, tmp_path, given):
    answer(*ANSWERS[:given])
    ended = run("machine", "new", tmp_path / "mill.toml")
    assert ended.code == 2
    assert "nothing was written" in ended.err
    assert list(tmp_path.iterdir()) == []


def test_a_wrong_answer_is_explained_and_asked_for_again(run, answer, tmp_path):
    wrong = {"mm": "cm", "-760,0": "0,-760", "A": "Q", "-120,30": "30,-120", "endless": "-30", "160": "-5"}
    wrong |= {"-381,-203.412,-406.118": "1,2", "-356.112": "nan", "yes": "maybe", "gauge line": "gauge"}
    lines = [""]
    for line in ANSWERS:
        lines += [wrong[line], line] if line in wrong else [line]
    answer(*lines)
    ended = run("machine", "new", tmp_path / "mill.toml")
    assert ended.code == 0
    for line in wrong.values():
        assert f"  {line!r} " in ended.err
    assert "'gauge' isn't one of the choices: gauge line, reference tool, touch-down." in ended.err


def test_an_indexer_needs_no_platter(run, answer, tmp_path):
    answer(
        "Bench mill",
        "inch",
        "reference tool",
        "4",
        "no",
        "1",
        "A",
        "-X",
        "down",
        "counterclockwise",
        "1,2,3",
        "endless",
        "",
        "yes",
    )
    target = tmp_path / "mill.toml"
    assert run("machine", "new", target).code == 0
    shown = run("machine", "show", target).out
    assert "seen from the left" in shown
    assert "reference tool, 4.0000 in long" in shown


def test_a_file_that_is_there_is_kept(run, answer, tmp_path):
    target = tmp_path / "mill.toml"
    target.write_text("mine", encoding="utf-8")
    answer(*ANSWERS)
    ended = run("machine", "new", target)
    assert ended.code == 2
    assert "--force" in ended.err
    assert target.read_text(encoding="utf-8") == "mine"


def test_what_follows_from_a_machine(run, examples):
    """Derived here: lines 0.007 apart in Y (A along X at Y -203.412, C at Y -203.405), face 50.006 above A's line."""
    shown = run("machine", "show", examples / "teaching_mill.toml").out
    for number in ("0.007 mm", "90.0000 degrees", "50.006 mm"):
        assert number in shown
    report = json.loads(
        run("machine", "show", examples / "teaching_mill.toml", "--json", "--units", "inch").out
    )
    assert report["platter_above_tilt"] == pytest.approx(50.006 / 25.4, abs=1e-12)
    (gap,) = report["gaps"]
    assert (gap["between"], gap["angle_deg"]) == (["A", "C"], 90.0)
    assert gap["distance"] == pytest.approx(0.007 / 25.4, abs=1e-12)
    assert report["remarks"] == []


def test_every_fault_of_a_machine_file_is_reported(run, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_text('name = "x"\nunits = "cm"\nz_referense = "gauge line"\n', encoding="utf-8")
    ended = run("machine", "show", path)
    assert (ended.code, ended.out) == (2, "")
    for said in ("mill.toml:2: units", "mill.toml:3: z_referense", 'did you mean "z_reference"?', "rotary"):
        assert said in ended.err


def test_every_question_says_more_when_asked(run, answer, tmp_path):
    answer(*(line for one in ANSWERS for line in ("?", one)))
    ended = run("machine", "new", tmp_path / "mill.toml")
    assert ended.code == 0
    assert "isn't" not in ended.err.replace("isn't quite square", "")
    assert "won't do" not in ended.err
    assert "to -90 instead of +90" in ended.err


@pytest.mark.parametrize(
    ("unit", "own", "other"), [("mm", "-381.0,", "-15.0,"), ("inch", "-15.0,", "-381.0,")]
)
def test_examples_are_in_the_unit_that_was_chosen(run, answer, tmp_path, unit, own, other):
    answer(ANSWERS[0], unit, *ANSWERS[2:])
    said = run("machine", "new", tmp_path / "mill.toml").err
    assert f"({unit}), such as {own}" in said
    assert other not in said


def test_a_pivot_recipe_that_a_limited_tilt_can_follow(run, answer, tmp_path):
    answer(*ANSWERS)
    said = run("machine", "new", tmp_path / "mill.toml").err
    # A about +X, clockwise on positive moves: derived in test_by_hand.py.
    assert "Y = (Y1 + Y2 - Z1 + Z2) / 2" in said
    assert "tiltwright pivot fit" in said


FIRST = ["B", "+Y", "up", "counterclockwise", "0,0,-400", "-30,110"]
TWICE = [*FIRST, "C", "+Y", "up", "counterclockwise", "0,0,-300", "endless"]
RIGHT = [*FIRST, "C", "+Z", "left", "clockwise", "0,0,-300", "endless"]


def remarks(run, path, *words):
    """Kind and values of what `machine show` remarks."""
    found = json.loads(run("machine", "show", path, "--json", *words).out)["remarks"]
    return [(one["kind"], one["values"]) for one in found]


PARALLEL = ("parallel rotaries", {"outer": "B", "inner": "C"})


def test_two_rotaries_about_one_direction_are_asked_about_at_once(run, answer, tmp_path):
    target = tmp_path / "mill.toml"
    answer("Mill", "mm", "gauge line", "no", "2", *TWICE, "no", *RIGHT, "-300", "", "yes")
    ended = run("machine", "new", target)
    assert ended.code == 0
    assert ended.err.count("Keep both as they are?") == 1
    assert remarks(run, target) == []
    assert "+Z" in target.read_text(encoding="utf-8")


def test_two_rotaries_about_one_direction_can_be_meant(run, answer, tmp_path):
    target = tmp_path / "mill.toml"
    answer("Mill", "mm", "gauge line", "no", "2", *TWICE, "yes", "", "yes")
    assert run("machine", "new", target).code == 0
    assert remarks(run, target) == [PARALLEL]
    for form in ([], ["--json"]):
        shown = run("machine", "show", target, *form)
        assert shown.code == 0
        assert shown.err.startswith("note: B and C ")


@pytest.mark.parametrize(("direction", "found"), [([0.02, -1, 0], [PARALLEL]), ([0.2, 1, 0], [])])
def test_nearly_one_direction_counts_too(run, examples, tmp_path, direction, found):
    """Derived here: atan 0.02 is 1.1 degrees, atan 0.2 is 11.3."""
    source = (examples / "trunnion_mill.toml").read_text(encoding="utf-8")
    path = tmp_path / "mill.toml"
    path.write_text(source.replace("[0.00002, -0.00005, 1.0]", str(direction)), encoding="utf-8")
    assert [one for one in remarks(run, path) if one[0] == "parallel rotaries"] == found


def test_a_platter_without_effect_is_reported(run, examples, tmp_path):
    indexer = (examples / "indexer_mill.toml").read_text(encoding="utf-8")
    (tmp_path / "indexer_mill.toml").write_text(f"{indexer}\n[platter]\nface = -100.0\n", encoding="utf-8")
    job = tmp_path / "job.toml"
    job.write_bytes((examples / "buoy_bracket.toml").read_bytes())
    unused = ("platter keys unused", {"keys": ["face"], "letter": "A"})
    assert remarks(run, tmp_path / "indexer_mill.toml") == [unused]
    ended = run("offsets", job, "--json")
    (found,) = json.loads(ended.out)["remarks"]
    assert (found["kind"], found["values"], found["severity"]) == (*unused, "warning")
    assert ended.code == 0
    # The offsets are those without it.
    assert run("offsets", job).out == run("offsets", examples / "buoy_bracket.toml").out


def test_a_pivot_whose_sign_was_lost_is_asked_about(run, examples, tmp_path):
    path = tmp_path / "mill.toml"
    text = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    path.write_text(text.replace("-203.412", "203.412"), encoding="utf-8")
    lost = {"letter": "A", "axis": "Y", "point": 203.412, "low": -410.0, "high": 0.0}
    assert remarks(run, path) == [("pivot out of travel", lost)]
    ((_, inches),) = remarks(run, path, "--units", "inch")
    assert inches["point"] == pytest.approx(203.412 / 25.4, abs=1e-12)
    shown = run("machine", "show", path)
    assert shown.code == 0
    assert "203.412" in shown.err


@pytest.mark.parametrize("sign", [",", " ", ";", " ; ", ", "])
def test_ends_points_and_limits_take_one_sign_between_their_numbers(sign):
    assert prompts.ends(f"-500{sign}0") == [-500.0, 0.0]
    assert prompts.limits(f"-30{sign}110.5") == [-30.0, 110.5]
    assert prompts.three(f"-360.5{sign}-201{sign}0.25") == [-360.5, -201.0, 0.25]


@pytest.mark.parametrize("typed", ["-500,5;0", "-1,5;-2", "-30 ", "-30 110 5 1", "-1,5;-2;3"])
def test_a_decimal_comma_is_never_taken_for_the_next_number(typed):
    for read in (prompts.ends, prompts.limits, prompts.three):
        with pytest.raises(ValueError, match="won't do"):
            read(typed)
