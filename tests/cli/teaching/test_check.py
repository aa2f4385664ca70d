"""`check`: right answers pass, mistakes are named with the line that goes wrong, faulty files are reported."""

import csv
import io
import json
import re

import pytest

from kinematics.teaching import all_solutions, classic_mistakes, recompute
from tiltwright.job.evaluate import evaluate_job

HEAD = "operation,axis,value_mm\n"


@pytest.fixture
def path(examples):
    return examples / "tide_gauge_head.toml"


def _mistaken(path, *names: str, decimals: int = 3) -> str:
    """A file of answers that follow from mistakes; right ones without any."""
    worked = evaluate_job(str(path))
    placed = [one.placed for one in worked.operations]
    mistakes = classic_mistakes(worked.setup, worked.job.steps)
    table = recompute(worked.setup, placed, worked.job.steps, mistakes)
    row = [tuple(m.name for m in made) for made in table.made].index(names)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("operation", "axis", "value_mm"))
    for one, offset in zip(placed, table.offset_mm[row], strict=True):
        writer.writerows((one.name, axis, f"{v:.{decimals}f}") for axis, v in zip("XYZ", offset, strict=True))
    return out.getvalue()


def test_right_answers_pass(run, path, tmp_path):
    file = tmp_path / "answers.csv"
    file.write_text(_mistaken(path))
    ended = run("check", path, file)
    assert ended.code == 0
    assert "All 24 numbers are right." in ended.out
    assert "wrong" not in ended.out


def test_a_mistake_is_named_with_its_line(run, path, tmp_path):
    file = tmp_path / "answers.csv"
    file.write_text(_mistaken(path, "wrong order"))
    ended = run("check", path, file)
    assert ended.code == 1
    assert "the turns were applied in the wrong order: A before C" in " ".join(ended.out.split())
    report = json.loads(run("check", path, file, "--json").out)
    assert report["schema"] == "tiltwright.check/1"
    (finding,) = report["findings"]
    assert [one["kind"] for one in finding["mistakes"]] == ["wrong order"]
    assert finding["same_numbers"] == finding["others"] == []
    assert finding["explained"] == finding["wrong"] > 0
    lines = json.loads(run("explain", path, finding["operations"][0], "--json").out)["operations"][0]["lines"]
    assert lines[finding["line"] - 1]["key"] in {"C arm", "C angle"}


def test_a_pair_of_mistakes_is_named(run, path, tmp_path):
    file = tmp_path / "answers.csv"
    file.write_text(_mistaken(path, "measured from the table, A", "step counted twice, sub-plate"))
    report = json.loads(run("check", path, file, "--json").out)
    named = [[one["kind"] for one in finding["mistakes"]] for finding in report["findings"]]
    assert named == [["measured from the table", "step counted twice"]]


TWO_WAYS = """name = "Buoy bracket"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "vice"
up = 60.0
shift = [-20.0, 3.0]
[[operation]]
name = "port"
normal = [0.5, 0.0, 0.866]
origin = [12.0, -5.0, -3.0]
"""


def test_the_other_solution_is_said_where_it_judges(run, job, examples):
    mill = (examples / "teaching_mill.toml").read_text("utf-8")
    path = job(TWO_WAYS, mill.replace("[-120.0, 30.0]", "[-120.0, 120.0]"))
    worked = evaluate_job(str(path))
    own = worked.operations[0].placed
    _, other = all_solutions(worked.setup, own)

    def judged(*offset_mm):
        typed = [("--answer", f"{own.name}:{a}={v:.4f}mm") for a, v in zip("XYZ", offset_mm, strict=True)]
        ended = run("check", path, "--json", *(word for pair in typed for word in pair))
        return ended.code, json.loads(ended.out)

    assert judged(*own.offset_mm)[1]["by_other_solution"] == []
    code, report = judged(*other.offset_mm)
    (said,) = report["by_other_solution"]
    letters = worked.setup.machine.letters
    assert (code, said["operation"]) == (0, own.name)
    assert [said["program"][letter] for letter in letters] == pytest.approx(other.program_deg.tolist())
    assert [said["program_of_job"][letter] for letter in letters] == pytest.approx(own.program_deg.tolist())
    code, report = judged(own.offset_mm[0] + 0.02, own.offset_mm[1] + 0.02, other.offset_mm[2])
    assert (code, report["by_other_solution"]) == (1, [])
    turned = run("check", path, "--json", "--answer", f"port:C={own.program_deg[1] + 360.0:.6f}")
    assert (turned.code, json.loads(turned.out)["by_other_solution"]) == (0, [])
    # Two mistakes by the job's solution give what one gives by the other: both are told.
    setup, steps = worked.setup, worked.job.steps
    table = recompute(setup, [own], steps, classic_mistakes(setup, steps, operations=[own]))
    pair = ["180 forgotten", "one sine's sign"]
    names = ["180 forgotten, C", "one sine's sign, A's new Y"]
    row = next(r for r, made in enumerate(table.made) if sorted(one.name for one in made) == names)
    code, report = judged(*table.offset_mm[row, 0])
    (finding,) = report["findings"]
    assert (code, [one["kind"] for one in finding["mistakes"]]) == (1, ["one sine's sign"])
    told = [sorted(one["kind"] for one in made) for made in finding["same_by_own_solution"]]
    assert pair in told


@pytest.mark.parametrize("decimals", [3, 4])
@pytest.mark.parametrize("written", ["mm", "inch"])
def test_an_answer_in_the_other_unit_is_named(run, path, tmp_path, written, decimals):
    """The slip that a hand solution ends with, a few microns, is still there when the unit is the wrong one."""
    stated = {"mm": "inch", "inch": "mm"}[written]
    rows = [f"operation,axis,value_{stated}"]
    for one in evaluate_job(str(path)).operations[:2]:
        offset = (one.placed.offset_mm + 0.004) / (25.4 if written == "inch" else 1.0)
        rows += [f"{one.placed.name},{axis},{v:.{decimals}f}" for axis, v in zip("XYZ", offset, strict=True)]
    file = tmp_path / "answers.csv"
    file.write_text("\n".join(rows) + "\n")
    report = json.loads(run("check", path, file, "--json").out)
    named = [[one["item"] for one in finding["mistakes"]] for finding in report["findings"]]
    assert (named, report["right"], report["unexplained"]) == ([["answer"]], 0, [])


def test_what_no_mistake_gives_is_unexplained(run, path):
    ended = run("check", path, "--answer", "top port:X=-371.4mm", "--answer", "top port:Z=-171.3mm")
    assert ended.code == 1
    assert "Unexplained: top port." in ended.out


def test_typed_answers_and_units(run, path):
    assert run("check", path, "--answer", "top port:Z=-179.096mm").code == 0
    assert run("check", path, "--answer", "top port:Z=-7.0510in").code == 0
    assert run("check", path, "--answer", "top port:Z=-7.0510", "--units", "inch").code == 0
    assert run("check", path, "--answer", "upper port 1:A=-30", "--answer", "upper port 1:C=180").code == 0
    ended = run("check", path, "--answer", "top port:Z=-179.096")
    assert ended.code == 2
    assert "in no stated unit" in ended.err
    assert "-179.096mm" in ended.err
    assert "column" not in ended.err


def test_either_way_to_stand_is_right(run, job, tmp_path):
    mill = (
        'name = "m"\nunits = "mm"\nz_reference = "gauge line"\n'
        '[[rotary]]\nletter = "A"\nalong = "+X"\npositive_turn = "clockwise"\npoint = [-300, -200, -400]\n'
        "limits = [-110, 110]\n"
        '[[rotary]]\nletter = "C"\nalong = "+Z"\npositive_turn = "clockwise"\npoint = [-300.1, -200.2, -350]\n'
        'limits = "endless"\n[platter]\nface = -350\n'
    )
    text = (
        'name = "j"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "post"\nup = 90.0\n'
        '[[operation]]\nname = "port"\nnormal = [1, 2, 2]\norigin = [5, 6, -7]\n'
    )
    path = job(text, machine=mill)
    ways = json.loads(run("aim", path, "--json").out)
    assert ways
    for tilt in ("positive", "negative"):
        other = job(text + f'tilt = "{tilt}"\n', machine=mill)
        one = json.loads(run("offsets", other, "--json").out)["operations"][0]
        path = job(text, machine=mill)
        answers = tmp_path / "answers.csv"
        rows = [*one["program"].items(), *((axis, one["offset"][axis]) for axis in "XYZ")]
        answers.write_text(HEAD + "".join(f"port,{axis},{value:.4f}\n" for axis, value in rows))
        assert run("check", path, answers).code == 0
        # Without the angles it is still the way that the offsets belong to.
        answers.write_text(HEAD + "".join(f"port,{axis},{value:.4f}\n" for axis, value in rows[2:]))
        assert run("check", path, answers).code == 0


def test_a_wrong_angle_is_told_apart_from_what_follows_from_it(run, path, tmp_path):
    grid = json.loads(run("offsets", path, "--json").out)["operations"]
    port = next(one for one in grid if one["name"] == "top port")
    # Part zero is the top port's origin: its offset at A -20 C 30 is what the grid gives.
    pose = json.loads(run("offsets", path, "--at", "A-20,C30", "--json").out)
    offset = pose["operations"][0]["offset"]
    assert port["origin"] == [0.0, 0.0, 0.0]
    rows = [("A", -20.0), ("C", 30.0), *((axis, offset[axis]) for axis in "XYZ")]
    file = tmp_path / "answers.csv"
    file.write_text(HEAD + "".join(f"top port,{axis},{value:.3f}\n" for axis, value in rows))
    report = json.loads(run("check", path, file, "--json").out)
    assert {one["rotary"] for one in report["angles"]} == {"A", "C"}
    assert report["findings"][0]["mistakes"][0]["kind"] == "followed from wrong angles"


@pytest.mark.parametrize(
    ("text", "messages"),
    [
        (HEAD + "top pot,X,1\n", ['answers.csv:2: operation: found "top pot"', 'did you mean "top port"?']),
        ("operation,axis,value\ntop port,X,1\n", ["in no stated unit", "value_mm or value_inch"]),
        (HEAD + "top port,X,-381.010\ntop por", ["answers.csv:3: found 1 value where 3 belong", "cut off"]),
        (HEAD + 'top port,X,"-38', ["answers.csv:2: found a quote that is never closed", "cut off"]),
        (HEAD + "top port,Q,1\n", ['axis: found "Q"; allowed: "X", "Y", "Z", "A" or "C"']),
        (HEAD + "top port,X,about 3\n", ['value: found "about 3"; allowed: a finite number']),
        (HEAD + "top port,X,nan\n", ['value: found "nan"']),
        (HEAD + "top port,X,1e999\n", ['value: found "1e999"']),
        (HEAD + "top port,X,1\ntop port,X,2\n", ['X of "top port" a second time; allowed: once (line 2)']),
        ("operation,value_mm\ntop port,1\n", ["head: found no column axis"]),
        ("operation,axis,value_cm\ntop port,X,1\n", ["found no column value", 'unknown column "value_cm"']),
        (HEAD, ["found no answer"]),
        (HEAD + "top port,X,\n", ["found no answer"]),
        ("", ["found an empty file"]),
        (HEAD + "top pot,X,1\ntop port,W,1\ntop port,X,x\n", [".csv:2:", ".csv:3:", ".csv:4:"]),
    ],
)
def test_faulty_files_are_told_with_line_and_reason(run, path, tmp_path, text, messages):
    file = tmp_path / "answers.csv"
    file.write_text(text)
    ended = run("check", path, file)
    assert ended.code == 2
    assert ended.out == ""
    for message in messages:
        assert message in ended.err


def test_files_that_are_none(run, path, tmp_path):
    assert "no such file" in run("check", path, tmp_path / "none.csv").err
    assert "a folder" in run("check", path, tmp_path).err
    damaged = HEAD + "top port \N{DEGREE SIGN},X,1\ntop port,X,"
    (tmp_path / "two.csv").write_bytes(damaged.encode() + b"\xe9\n")
    ended = run("check", path, tmp_path / "two.csv")
    assert ended.code == 2
    assert "two.csv:3: found a byte that is not UTF-8 text" in ended.err
    assert "ANSWERS, --answer: found neither" in run("check", path).err
    wrong = run("check", path, "--answer", "top port:X=1mm", "--within", "0")
    assert "--within: found 0; allowed: a number above 0" in wrong.err


def test_a_minus_from_a_word_processor_is_a_minus(run, path):
    assert run("check", path, "--answer", "top port:Z=\N{MINUS SIGN}179.096mm").code == 0


def test_a_verdict_can_be_printed(run, path, tmp_path):
    file = tmp_path / "answers.csv"
    file.write_text(_mistaken(path, "wrong order"))
    assert run("check", path, file, "-o", tmp_path / "v.pdf").code == 1
    assert (tmp_path / "v.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_a_spreadsheets_answers_are_read(run, examples, tmp_path, encoding):
    path = tmp_path / "answers.csv"
    text = (
        "sep=;\r\nStudent;Axis;Operation;Value (mm);;\r\n"
        "Mär;x;top port;-381,010 mm;;\r\n\r\nMär;A;top port;0,0°;;\r\n"
    )
    path.write_bytes(text.encode(encoding))
    ended = run("check", examples / "tide_gauge_head.toml", path, "--json")
    report = json.loads(ended.out)
    assert [one["answered"] for one in report["numbers"]] == [-381.01]
    assert report["right"] + len(report["angles"]) == report["answered"] == 2


@pytest.mark.parametrize(
    "value",
    ["-179.096 mm", "-179,0960mm", '-7.0510"', "-7.0510 in.", "-7.0510 inches", "\N{EN DASH}7051.0 thou"],
)
def test_an_answer_may_be_typed_as_shops_write_it(run, path, value):
    assert run("check", path, "--answer", f"top port:Z={value}").code == 0


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("-7-1/20 in", "decimals: -7.05"),
        ("-179,096mm", "-179.0960 or -179096"),
        ("-179.096", "in no stated unit"),
    ],
)
def test_a_typed_answer_that_is_refused_says_what_to_type(run, path, value, told):
    ended = run("check", path, "--answer", f"top port:Z={value}")
    assert ended.code == 2
    assert told in ended.err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('operation,axis,value_mm\ntop port,X,"-381,010"\n', ["2: value:", "-381.010 or -381010"]),
        ("operation;axis;value_mm\ntop port;X;-381.010\n", ["2: value:", "-381.010 or -381010"]),
        ("operation,axis,value_mm\ntop port,X,-15.0 in\n", ["2: value:", "a length in mm"]),
        ("operation,axis,value_mm\ntop port,X,30 deg\n", ["2: value:", "a length"]),
        ("operation,axis,value_mm\ntop port,A,30 mm\n", ["2: value:", "an angle in degrees"]),
        ("operation,axis,value_mm\ntop, port,X,1\n", ["4 values where 3 belong", "a comma in the name?"]),
        ("operation,axis,value,value_mm\ntop port,X,1,1\n", ["1: head:", "2 columns of values"]),
        ("operation,axis,Axis,value_mm\ntop port,X,X,1\n", ['1: head: found column "Axis" a second time']),
    ],
)
def test_what_can_mean_two_things_is_refused(run, examples, tmp_path, text, told):
    path = tmp_path / "answers.csv"
    path.write_text(text, encoding="utf-8")
    ended = run("check", examples / "tide_gauge_head.toml", path)
    assert ended.code == 2
    for words in told:
        assert words in ended.err, ended.err


def test_one_number_is_a_number(run, examples):
    ended = run("check", examples / "tide_gauge_head.toml", "--answer", "top port:X=-381.010mm")
    assert "The number is right." in ended.out


def test_one_lost_minus_is_told_as_one_where_the_other_numbers_are_not_known(run, path):
    """Of all three, the opposite sign is told; of a number that should be positive no minus was lost."""

    def told(*answers):
        typed = [word for answer in answers for word in ("--answer", f"top port:{answer}mm")]
        (finding,) = json.loads(run("check", path, *typed, "--json").out)["findings"]
        return [(one["kind"], one["item"]) for one in finding["mistakes"]]

    offset = {axis: f"{-value:.3f}" for axis, value in zip("XYZ", _top_port(path), strict=True)}
    assert told(f"Z={offset['Z']}") == [("a minus lost", "Z")]
    assert told(*(f"{axis}={value}" for axis, value in offset.items())) == [("every sign reversed", "")]


def _top_port(path):
    (offset,) = [
        one.placed.offset_mm for one in evaluate_job(str(path)).operations if one.placed.name == "top port"
    ]
    return offset.tolist()


def _numbers(text):
    """The rows of the table of numbers: operation, axis, verdict, answered, correct, off by."""
    rows = re.findall(
        r"^(.+?)  +(program [A-C], degrees|[XYZ], \w+) +(right|wrong) +(\S+) +(\S+) +(\S+)$",
        text,
        re.MULTILINE,
    )
    return [(axis, verdict, *map(float, values)) for _, axis, verdict, *values in rows]


@pytest.mark.parametrize(
    ("answered", "verdict", "off"),
    [(359.982, "wrong", -0.018), (360.0, "right", 0.0), (-180.0, "wrong", -180.0), (-719.5, "wrong", 0.5)],
)
def test_whole_turns_of_an_endless_rotary_are_no_error(run, path, answered, verdict, off):
    ended = run("check", path, "--answer", f"top port:C={answered}")
    assert _numbers(ended.out) == [("program C, degrees", verdict, answered, 0.0, off)]


def test_whole_turns_within_limits_are_an_error_with_its_reason(run, path):
    ended = run("check", path, "--answer", "upper port 1:A=330", "--answer", "upper port 1:C=180", "--json")
    report = json.loads(ended.out)
    assert [(one["rotary"], one["why"]) for one in report["angles"]] == [("A", "a whole turn off")]


@pytest.mark.parametrize(("answer", "other"), [("-179.096mm", ""), ("-7.0510in", "(0.00020 in)")])
def test_the_tolerance_is_in_the_jobs_unit(run, path, answer, other):
    (line,) = [
        line
        for line in run("check", path, "--answer", f"top port:Z={answer}").out.splitlines()
        if line.startswith("Right within")
    ]
    assert re.search(r" 0\.005\d mm", line)
    assert other in line


@pytest.mark.parametrize(
    ("within", "shown"), [("0.01", 0.01), ("0.01mm", 0.01), ("0.002 in", 0.0508), ("2 thou", 0.0508)]
)
def test_a_tolerance_may_have_its_unit(run, path, within, shown):
    ended = run("check", path, "--answer", "top port:Z=-179.096mm", "--within", within, "--json")
    assert json.loads(ended.out)["within"] == pytest.approx(shown)


@pytest.mark.parametrize("within", ["0", "-1", "nan", "1/2", "1 deg", "1,001"])
def test_a_tolerance_that_is_none(run, path, within):
    ended = run("check", path, "--answer", "top port:Z=-179.096mm", "--within", within)
    assert (ended.code, ended.out) == (2, "")
    assert "--within: found" in ended.err
