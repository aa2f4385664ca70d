"""`tiltwright offsets`, as a setter types it."""

import csv
import io
import itertools
import json
import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

HEAD = 'name = "Buoy bracket"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
STACK = '[[stack]]\nname = "post"\nup = 100.0\n'


def test_the_json_has_the_documented_keys(run, examples):
    ended = run("offsets", examples / "tide_gauge_head.toml", "--json")
    assert (ended.code, ended.err) == (0, "")
    report = json.loads(ended.out)
    assert report["schema"] == "tiltwright.offsets/1"
    assert (report["job"], report["units"], report["z_reference"]) == (
        "Tide-gauge head, dome ports",
        "mm",
        "gauge line",
    )
    assert [one["name"] for one in report["operations"]][:3] == ["top port", "upper port 1", "upper port 2"]
    for one in report["operations"]:
        assert {"name", "work_offset", "program", "machine", "offset", "origin", "plane"} <= set(one)
        assert set(one["offset"]) == {"X", "Y", "Z", "A", "C"}
        assert set(one["plane"]) == {"x", "y", "z"}
        for letter in "AC":
            # Program angle = machine angle - rotary work offset (design of the offsets).
            assert one["program"][letter] == pytest.approx(
                one["machine"][letter] - one["offset"][letter], abs=1e-12
            )


def test_one_offset_calculated_by_hand(run, job):
    """A square machine, one post: derived here by hand.

    Pivot A at Y -203.412, Z -406.118; part zero at the all-zero pose X -381.025, Y -203.405, Z -256.112. A -90 turns
    the table right-handed by +90 about X (clockwise on positive moves): what stood up by u over the pivot comes to
    -Y, what stood off by v in Y comes up to +Z.
    """
    path = job(HEAD + STACK + '[[operation]]\nname = "side"\nat = { A = -90, C = 0 }\n')
    (one,) = json.loads(run("offsets", path, "--json").out)["operations"]
    assert one["offset"]["X"] == pytest.approx(-381.025, abs=1e-10)
    assert one["offset"]["Y"] == pytest.approx(-203.412 - (-256.112 + 406.118), abs=1e-10)
    assert one["offset"]["Z"] == pytest.approx(-406.118 + (-203.405 + 203.412), abs=1e-10)
    assert np.allclose(one["plane"]["z"], [0.0, 1.0, 0.0], atol=1e-12)


def test_every_form_agrees(run, examples):
    path = examples / "float_slots.toml"
    report = json.loads(run("offsets", path, "--json").out)
    rows = list(csv.DictReader(io.StringIO(run("offsets", path, "--csv").out)))
    table = run("offsets", path).out
    gcode = run("offsets", path, "--gcode").out
    for one, row in zip(report["operations"], rows, strict=True):
        assert row["operation"] == one["name"]
        assert int(row["work_offset"]) == one["work_offset"]
        words = []
        for axis in "XYZ":
            assert float(row[f"offset_{axis}_in"]) == one["offset"][axis]
            shown = f"{one['offset'][axis]:.4f}"
            assert shown in table
            words.append(f"{axis}{shown}")
        assert f"G10 L2 P{one['work_offset']} {' '.join(words)}" in gcode


def test_inch_and_mm_agree(run, examples):
    path = examples / "tide_gauge_head.toml"
    mm, inch = (json.loads(run("offsets", path, "--json", "--units", u).out) for u in ("mm", "inch"))
    for a, b in zip(mm["operations"], inch["operations"], strict=True):
        assert a["program"] == b["program"]
        for axis in "XYZ":
            assert a["offset"][axis] == pytest.approx(25.4 * b["offset"][axis], abs=1e-10)


def test_gcode_sets_and_never_moves(run, examples):
    """RS274/NGC (NISTIR 6556): section 3.1 (percent lines), 3.3 (lines), 3.5.5 (G10 L2), 3.5.10 (units)."""
    for name, unit in (
        ("tide_gauge_head.toml", "G21"),
        ("float_slots.toml", "G20"),
        ("buoy_bracket.toml", "G21"),
    ):
        lines = run("offsets", examples / name, "--gcode").out.splitlines()
        assert lines[0] == lines[-1] == "%"
        code = [line for line in lines[1:-1] if not line.startswith("(")]
        assert code[0] == unit
        assert all(re.fullmatch(r"G10 L2 P[1-9]( [XYZABC]-?\d+\.\d+)+", line) for line in code[1:])
        for line in lines:
            assert len(line) <= 256
            assert line.isascii()
            assert not line.startswith("(") or (
                line.endswith(")") and line.count("(") == line.count(")") == 1
            )


def _sides(numbers):
    return "".join(
        f'[[operation]]\nname = "side {n}"\nat = {{ A = {-10 * n}, C = 0 }}\nwork_offset = {n}\n'
        for n in numbers
    )


@pytest.mark.parametrize(("numbers", "code"), [((2, 9, 4, 7), "G59.3"), ((1, 6), "G59")])
def test_the_highest_work_offset_is_loaded_first(run, job, numbers, code):
    """A control with six work offsets refuses P9; nothing may have been loaded before it does."""
    path = job(HEAD + STACK + _sides(numbers))
    ordered = sorted(numbers, reverse=True)
    lines = run("offsets", path, "--gcode").out.splitlines()
    blocks = [line for line in lines if line.startswith("G10")]
    assert [int(block.split()[2][1:]) for block in blocks] == ordered
    # Each block stands below the comment that says what it is for.
    assert [int(lines[lines.index(block) - 1][:-1].split()[-1]) for block in blocks] == ordered
    head = lines[: lines.index(blocks[0])]
    assert any("NISTIR 6556" in line for line in head)
    assert any(f"{max(numbers)}, {code}" in line for line in head)
    assert any("G59.1 to G59.3" in line for line in head) == (max(numbers) > 6)
    sheet = run("sheet", path).out
    listed = [line.strip() for line in sheet.splitlines() if line.strip().startswith("G10")]
    assert [int(line.split()[2][1:]) for line in listed] == ordered
    words = " ".join(sheet.split())
    assert "NISTIR 6556" in words
    assert f"{max(numbers)}, {code}" in words
    assert ("G59.1 to G59.3" in words) == (max(numbers) > 6)


MANY_PORTS = '[[operation]]\nname = "port"\nnormal = [0, -0.5, 0.866]\nrepeat = { count = 12, step = 30 }\ntilt = "negative"\n'


def test_more_operations_than_work_offsets_take_loaders(run, job, tmp_path):
    path = job(HEAD + STACK + MANY_PORTS)
    ended = run("offsets", path, "--gcode", "-o", tmp_path / "load.nc")
    assert ended.code == 0
    assert "2 programs load them" in ended.err
    first, second = (
        [
            (words[2], words[3:])
            for line in (tmp_path / name).read_text(encoding="utf-8").splitlines()
            if (words := line.split())[0] == "G10"
        ]
        for name in ("load-1.nc", "load-2.nc")
    )
    # As few loaders as can be, and as many operations as can be with an offset that no later loader sets.
    assert [number for number, _ in first] == [f"P{number}" for number in range(9, 0, -1)]
    assert [number for number, _ in second] == ["P9", "P8", "P7"]
    told = json.loads(run("offsets", path, "--json").out)
    assert (told["loaders"], told["set_before_each"]) == (2, True)
    assert [one["loader"] for one in told["operations"]] == [1] * 9 + [2] * 3
    text = (tmp_path / "load-2.nc").read_text(encoding="utf-8")
    assert "(Loader 2 of 2)\n(Run it before: port 10)\n" in text
    assert "(Leaves alone: G54, G55, G56, G57, G58, G59)\n" in text


def test_more_operations_keep_the_numbers_that_were_asked_for(run, job):
    asked = '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\nwork_offset = 1\n'
    path = job(HEAD + STACK + asked + MANY_PORTS)
    told = json.loads(run("offsets", path, "--json").out)["operations"]
    assert told[0]["work_offset"] == 1
    assert all(one["work_offset"] != 1 for one in told[1:])
    # No two of one loader have one number.
    assert len({(one["work_offset"], one["loader"]) for one in told}) == len(told)


def test_one_work_offset_with_two_values(run, job):
    path = job(
        HEAD
        + STACK
        + '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\nwork_offset = 1\n'
        + '[[operation]]\nname = "side"\nat = { A = -90, C = 0 }\nwork_offset = 1\n'
    )
    ended = run("offsets", path)
    assert (ended.code, ended.out) == (2, "")
    assert (
        'job.toml:14: operation 2, work_offset: found 1 (G54) for "side", whose values differ from those of "top"'
        in ended.err
    )


def test_one_work_offset_with_one_value_may_be_shared(run, job):
    path = job(
        HEAD
        + STACK
        + '[[operation]]\nname = "rough"\nat = { A = 0, C = 0 }\nwork_offset = 1\n'
        + '[[operation]]\nname = "finish"\nat = { A = 0, C = 0 }\nwork_offset = 1\n'
    )
    ended = run("offsets", path, "--gcode")
    assert ended.code == 0
    assert ended.out.count("G10 L2 P1") == 1


def test_an_operation_out_of_reach_ends_with_1(run, job):
    path = job(HEAD + STACK + '[[operation]]\nname = "underside"\nnormal = [0, 0, -1]\n')
    ended = run("offsets", path, "--json")
    assert ended.code == 1
    (one,) = json.loads(ended.out)["unreached"]
    assert "its limits are -120 to 30" in one["why"]
    gcode = run("offsets", path, "--gcode")
    assert (gcode.code, gcode.out) == (1, "")
    table = path.with_name("offsets.csv")
    assert run("offsets", path, "--csv", "-o", table).code == 1
    assert not table.exists()
    sheet = run("sheet", path)
    assert (sheet.code, sheet.out) == (1, "")


def test_a_grid_is_the_offset_at_every_combination(run, examples):
    path = examples / "tide_gauge_head.toml"
    rows = list(
        csv.DictReader(
            io.StringIO(run("offsets", path, "--grid", "A=-90:0:15", "--grid", "C=0:345:15", "--csv").out)
        )
    )
    assert len(rows) == 7 * 24
    (one,) = [r for r in rows if (float(r["program_A_deg"]), float(r["program_C_deg"])) == (-30.0, 60.0)]
    (at,) = json.loads(run("offsets", path, "--at", "A-30,C60", "--json").out)["operations"]
    # The same sum in another order: a million angles at once and one alone may differ in the last bit.
    for axis in "XYZ":
        assert float(one[f"offset_{axis}_mm"]) == pytest.approx(at["offset"][axis], abs=1e-10)


def test_a_part_zero_touched_off_without_a_job(run, examples):
    mill = examples / "teaching_mill.toml"
    ended = run(
        "offsets",
        "--machine",
        mill,
        "--zero",
        "-381.025,-203.405,-256.112",
        "--at",
        "A-90",
        "--at",
        "A0",
        "--json",
    )
    side, top = json.loads(ended.out)["operations"]
    assert [side["offset"][axis] for axis in "XYZ"] == pytest.approx([-381.025, -353.418, -406.111], abs=1e-9)
    assert [top["offset"][axis] for axis in "XYZ"] == pytest.approx([-381.025, -203.405, -256.112], abs=1e-9)
    assert (side["name"], side["work_offset"]) == ("A-90 C0", None)
    inch = run("offsets", "-m", mill, "--zero", "-15,-8,-10", "--at", "A0", "--units", "inch", "--json")
    assert json.loads(inch.out)["operations"][0]["offset"]["X"] == pytest.approx(-15.0, abs=1e-12)


def test_only_keeps_angles_and_numbers(run, examples):
    path = examples / "tide_gauge_head.toml"
    whole = json.loads(run("offsets", path, "--json").out)["operations"]
    part = json.loads(run("offsets", path, "--only", "upper port 3", "--only", "lower port", "--json").out)[
        "operations"
    ]
    assert part == [one for one in whole if one["name"] == "upper port 3" or one["name"].startswith("lower")]
    wrong = run("offsets", path, "--only", "uper port 3")
    assert (wrong.code, wrong.out) == (2, "")
    assert 'did you mean "upper port 3"?' in wrong.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "a job file, or --machine FILE"),
        (["JOB", "--json", "--csv"], "one of them at a time"),
        (["JOB", "--zero", "1,2,3"], "--zero with --machine only"),
        (["JOB", "--touched", "1,2,3"], "--pose: found nothing"),
        (["JOB", "--touched", "1,2,3", "--pose", "A0"], 'no angle for "C"'),
        (["JOB", "--touched", "1,2,3", "--pose", "A0,C0,B0"], '"A" or "C"'),
        (["JOB", "--touched", "1,2,3", "--pose", "A45,C0"], "-120 to 30 degrees"),
        (["JOB", "--touched", "1,2", "--pose", "A0,C0"], "three numbers X,Y,Z"),
        (["JOB", "--pose", "A0,C0"], "--pose with --touched"),
        (["--machine", "MILL", "--touched", "1,2,3", "--pose", "A0,C0"], "with --machine it is --zero"),
        (["JOB", "--grid", "A=0:90:0"], "LETTER=FROM:TO:STEP"),
        (["JOB", "--grid", "A=0:-90:15"], "the step must lead"),
        (["JOB", "--grid", "Q=0:90:5"], '"A" or "C"'),
        (["JOB", "--grid", "A=-200:0:50"], "-120 to 30 degrees"),
        (["JOB", "--at", "A45"], "-120 to 30 degrees"),
        (["JOB", "--at", "A-10,A-20"], "A twice"),
        (["JOB", "--at", "Anan"], "degrees, minutes and seconds"),
        (["JOB", "--at", "A-10", "--gcode"], "poses have no work offset number"),
        (["JOB", "--grid", "C=0:345:0.0001"], "at most 50000"),
        (["--machine", "MILL", "--at", "A0"], "--zero: found nothing"),
        (["--machine", "MILL", "--zero", "1,2", "--at", "A0"], "three numbers X,Y,Z"),
        (["--machine", "MILL", "--zero", "1,2,inf", "--at", "A0"], "three numbers X,Y,Z"),
        (["--machine", "MILL", "--zero", "1,2,3"], "--at A-35,C60"),
        (["no_such.toml"], "no_such.toml"),
        (["JOB", "--grid", "A"], "LETTER=FROM:TO:STEP"),
        (["JOB", "--grid", "A=0:-90:-15", "--grid", "A=0"], "one range for each rotary"),
        (["JOB", "--grid", "A=0", "--at", "A0"], "--at, --grid: found both"),
        (["JOB", "--at", "A0", "--only", "port"], "--only"),
        (["JOB", "--at", "A0,"], "a letter and an angle for each rotary"),
        (["--machine", "MILL", "--zero", "1,2,3", "--at", "A0", "--nest", "left"], "--nest with a job file"),
        (["--machine", "MILL", "--zero", "1,2,3", "--at", "A0", "--only", "port"], "--only"),
        (["JOB", "JOB", "--at", "A0"], "--at, --grid with one job file"),
        (["JOB", "--turns", "zxz"], "put a - between the axes: z-x-z"),
        (["JOB", "--turns", "z-z-x"], "neighbours different"),
        (["JOB", "--turns", "z-x-x"], "neighbours different"),
        (["JOB", "--turns", "a-b-c"], "three axes"),
        (["JOB", "--turns", "z-x"], "three axes"),
        (["JOB", "--turns-about", "fixed"], "no --turns"),
        (["JOB", "--turns", "z-x-z", "--gcode"], "G10 has no turns"),
    ],
)
def test_options_that_make_no_sense_are_refused(run, examples, arguments, said):
    names = {"JOB": examples / "tide_gauge_head.toml", "MILL": examples / "teaching_mill.toml"}
    ended = run("offsets", *(names.get(word, word) for word in arguments))
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err
    assert "Traceback" not in ended.err


def test_files_are_written_whole_and_never_replaced_unasked(run, examples, tmp_path):
    target = tmp_path / "load.nc"
    assert run("offsets", examples / "tide_gauge_head.toml", "--gcode", "-o", target).code == 0
    before = target.read_text(encoding="utf-8")
    assert before.startswith("%")
    again = run("offsets", examples / "float_slots.toml", "--gcode", "-o", target)
    assert again.code == 2
    assert target.read_text(encoding="utf-8") == before
    assert run("offsets", examples / "float_slots.toml", "--gcode", "-o", target, "--force").code == 0
    assert target.read_text(encoding="utf-8") != before
    assert [p.name for p in tmp_path.iterdir()] == ["load.nc"]


def test_a_name_stays_inside_its_comment_and_its_cell(run, job):
    name = "=x (port) G0 Z-5"
    path = job(HEAD + STACK + f'[[operation]]\nname = "{name}"\nat = {{ A = 0, C = 0 }}\n')
    gcode = run("offsets", path, "--gcode").out
    assert "(G54 for program A0.0000 C0.0000: =x [port] G0 Z-5)" in gcode
    assert run("offsets", path, "--csv").out.splitlines()[1].startswith("'=x")


SIDE = '[[operation]]\nname = "side"\nat = { A = -90, C = 0 }\n'


@pytest.mark.parametrize(
    ("operation", "name", "kind", "values"),
    [
        (
            SIDE + "origin = [0, 0, 200]\n",
            "side",
            "out of travel",
            {"axis": "Y", "offset": -553.418, "low": -410.0, "high": 0.0},
        ),
        (
            '[[operation]]\nname = "slant"\nthrough = [[0, -6, -1], [0, -8, -2.5], [3, -6, -1]]\n',
            "slant",
            "zero off plane",
            {"above": -2.8},
        ),
        (
            '[[operation]]\nname = "port"\ntip = [["z", 30], ["x", 20]]\ntilt = "negative"\n',
            "port",
            "plane turned",
            {"plane_x_deg": 180.0},
        ),
        (
            '[[operation]]\nname = "plate"\ntip = [["z", 30]]\n',
            "plate",
            "plane turned",
            {"plane_x_deg": 30.0},
        ),
        (
            '[[stack]]\nname = "blank"\nturn = 0.2\n[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n',
            "top",
            "part off square",
            {"off_deg": 0.2, "square_up": "C"},
        ),
    ],
)
def test_what_spoils_a_part_when_overlooked_is_said_everywhere(run, job, operation, name, kind, values):
    """Derived here: out of travel -203.412 - 350.006; the plane's height by its normal (0, -0.6, 0.8)."""
    path = job(HEAD + STACK + operation)
    ended = run("offsets", path, "--json")
    assert ended.code == 0
    (found,) = [one for one in json.loads(ended.out)["remarks"] if one["kind"] == kind]
    assert (found["severity"], found["weight"], found["operations"]) == ("warning", "mind", [name])
    assert found["values"] == pytest.approx(values, abs=1e-9)
    words = found["words"]
    assert f"caution: {words}" in ended.err
    assert f"caution: {words}".replace("(", "[")[:60] in run("offsets", path, "--gcode").out
    assert words[:40] in " ".join(run("sheet", path).out.split())


def test_messages_are_in_the_unit_that_is_shown(run, job):
    """-553.418 mm are -21.7881 in; the file is in millimetres."""
    path = job(HEAD + STACK + SIDE + "origin = [0, 0, 200]\n")
    ended = run("offsets", path, "--json", "--units", "inch")
    (found,) = [one for one in json.loads(ended.out)["remarks"] if one["kind"] == "out of travel"]
    assert found["values"]["offset"] == pytest.approx(-553.418 / 25.4, abs=1e-9)
    assert "-21.7881" in found["words"]
    assert "-21.7881" in ended.err


def test_an_unreachable_operation_keeps_its_number(run, job):
    ports = "".join(
        f'[[operation]]\nname = "{name}"\nnormal = {normal}\n'
        for name, normal in (("top", [0, 0, 1]), ("underside", [0, 0, -1]), ("side", [0, 1, 0]))
    )
    report = json.loads(run("offsets", job(HEAD + STACK + ports), "--json").out)
    assert [(one["name"], one["work_offset"]) for one in report["operations"]] == [("top", 1), ("side", 3)]


ORDERS = ["-".join(axes) for axes in itertools.product("xyz", repeat=3) if axes[0] != axes[1] != axes[2]]


@pytest.mark.parametrize("about", ["moving", "fixed"])
@pytest.mark.parametrize("order", ORDERS)
def test_the_turns_compose_to_the_plane(run, examples, order, about):
    """scipy's capital letters turn about moving axes, its small ones about fixed axes (Rotation.from_euler)."""
    letters = order.replace("-", "").upper() if about == "moving" else order.replace("-", "")
    lock = 0.0 if order[0] == order[-1] else 90.0
    seen = set()
    # Square, out of square by thousandths of a degree, and an indexer.
    for name in ("tide_gauge_head.toml", "float_slots.toml", "buoy_bracket.toml"):
        words = ["--turns", order, "--turns-about", about, "--json"]
        report = json.loads(run("offsets", examples / name, *words).out)
        for one in report["operations"]:
            turns = one["turns"]
            assert (turns["order"], turns["about"]) == (order, about)
            composed = Rotation.from_euler(letters, turns["angles"], degrees=True).as_matrix()
            plane = np.column_stack([one["plane"][axis] for axis in "xyz"])
            assert np.allclose(composed, plane, rtol=0.0, atol=1e-12)
            off_lock = abs((turns["angles"][1] - lock + 90.0) % 180.0 - 90.0)
            assert turns["degenerate"] == (off_lock < 1e-10)
            if turns["degenerate"]:
                assert turns["angles"][2] == 0.0
            seen.add(turns["degenerate"])
    assert False in seen
    # The top port stands at A0 C0: no turn at all, of which an order like z-x-z gives only the sum of two.
    assert True in seen or order[0] != order[-1]


def test_every_form_has_the_turns(run, examples):
    path = examples / "tide_gauge_head.toml"
    words = ["--turns", "z-x-z"]
    report = json.loads(run("offsets", path, *words, "--json").out)["operations"]
    rows = list(csv.DictReader(io.StringIO(run("offsets", path, *words, "--csv").out)))
    table = run("offsets", path, *words).out.splitlines()
    for one, row in zip(report, rows, strict=True):
        angles = [float(row[f"turn_{place}_{axis}_deg"]) for place, axis in ((1, "z"), (2, "x"), (3, "z"))]
        assert angles == one["turns"]["angles"]
        assert (row["turns_about"], row["turns_degenerate"]) == (
            "moving",
            "yes" if one["turns"]["degenerate"] else "no",
        )
        (line,) = [line for line in table if line.startswith(one["name"] + " ")]
        shown = line.split()[-3:]
        off = np.array([float(text.strip("*")) for text in shown]) - angles
        # Half a turn is shown as 180 whichever sign rounding gave it.
        assert np.abs((off + 180.0) % 360.0 - 180.0).max() < 5.1e-5
        assert "-180.0000" not in line
        both = one["turns"]["degenerate"]
        assert [text.endswith("*") for text in shown] == [both, False, both]
    without = json.loads(run("offsets", path, "--json").out)["operations"]
    assert [{key: value for key, value in one.items() if key != "turns"} for one in report] == without


def test_poses_have_turns_too(run, examples):
    """A-90 C0 on the teaching mill turns the part by +90 about X: the program's Z is part +Y (derived above)."""
    words = ["--at", "A-90", "--turns", "x-y-z"]
    (one,) = json.loads(run("offsets", examples / "mast_cap.toml", *words, "--json").out)["operations"]
    assert one["turns"]["angles"] == pytest.approx([-90.0, 0.0, 0.0], abs=1e-9)
    (row,) = csv.DictReader(io.StringIO(run("offsets", examples / "mast_cap.toml", *words, "--csv").out))
    assert float(row["turn_1_x_deg"]) == one["turns"]["angles"][0]
    assert "-90.0000" in run("offsets", examples / "mast_cap.toml", *words).out


@pytest.mark.parametrize(("up", "beyond"), [(270.0, []), (370.0, ["Z"])])
@pytest.mark.parametrize("tool_mm", [None, 120.0, 520.0])
def test_a_reference_tool_changes_no_verdict_on_travel(run, job, examples, up, beyond, tool_mm):
    """One machine, its Z read at the gauge line or with a tool's tip: every Z is then that tool's length higher.

    Derived here: the face is at Z -356.112, so at the gauge line part zero is at -86.112 or 13.888 on a post of 270 or
    370; the gauge point's travel ends at 0.
    """
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    if tool_mm is not None:
        for z in (-406.118, -356.112):
            mill = mill.replace(f"{z:.3f}", f"{z + tool_mm:.3f}")
        mill = mill.replace(
            'z_reference = "gauge line"',
            f'z_reference = "reference tool"\nreference_tool_length = {tool_mm}',
        )
    post = f'[[stack]]\nname = "post"\nup = {up}\n'
    path = job(HEAD + post + '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n', mill)
    report = json.loads(run("offsets", path, "--json").out)
    found = [one["values"]["axis"] for one in report["remarks"] if one["kind"] == "out of travel"]
    assert found == beyond


def test_a_pattern_that_turns_over_is_said(run, job, examples):
    """The limit of -30.015 is a hair too near for one repeat on a leaning stack: it comes out at the other tilt."""
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    assert "limits = [-120.0, 30.0]" in mill
    text = (
        'name = "Float"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "post"\nup = 80.0\n'
        'rotate = [["x", 0.03]]\n[[operation]]\nname = "port"\nnormal = [0.0, 0.5, 0.8660254037844386]\n'
        "repeat = { count = 4, step = 90.0 }\n"
    )
    for limits, turned in (("[-30.015, 90.0]", True), ("[-120.0, 90.0]", False)):
        path = job(text, mill.replace("limits = [-120.0, 30.0]", f"limits = {limits}"))
        report = json.loads(run("offsets", path, "--json").out)
        tilts = [one["program"]["A"] for one in report["operations"]]
        found = [one for one in report["remarks"] if one["kind"] == "pattern turned over"]
        assert (len({tilt > 0.0 for tilt in tilts}) == 2) is turned, tilts
        assert bool(found) is turned
        if turned:
            assert found[0]["values"]["turned_deg"] == pytest.approx(180.0, abs=0.1)
            assert found[0]["severity"] == "warning"


def test_part_zero_below_the_platter_is_said(run, job):
    head = 'name = "Float"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
    operation = '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n'
    for up, depth in ((-80.0, 80.0), (0.0, None), (80.0, None)):
        path = job(f'{head}[[stack]]\nname = "post"\nup = {up}\n{operation}')
        remarks = json.loads(run("offsets", path, "--json").out)["remarks"]
        found = [one["values"]["depth"] for one in remarks if one["kind"] == "part zero below platter"]
        assert found == ([] if depth is None else [pytest.approx(depth)])


def test_a_typed_zero_outside_the_travels_is_said(run, examples):
    mill = examples / "teaching_mill.toml"
    right = run("offsets", "--machine", mill, "--zero", "-381,-203.4,-179.1", "--at", "A-35,C60")
    assert (right.code, right.err) == (0, "")
    lost = run("offsets", "--machine", mill, "--zero", "381,-203.4,-179.1", "--at", "A-35,C60")
    zero, follows = lost.err.splitlines()
    assert zero.startswith("caution: OUT OF TRAVEL: part zero")
    assert zero.endswith("a lost minus sign in X?")
    assert follows.startswith("caution: program A-35.0000 C60.0000: OUT OF TRAVEL: ")


@pytest.mark.parametrize(
    "nest", ["", '[[nest]]\nname = "left"\non = "plate"\n[[nest.step]]\nname = "vice"\nup = 10\n']
)
def test_nine_numbers_asked_for_leave_none_for_a_tenth(run, job, nest):
    """One fault, at the operations; with a number less, the operations without one share what is left."""

    def text(numbered):
        each = [
            f'[[operation]]\nname = "port {k}"\nat = {{ A = {-5 * k}, C = 0 }}\n'
            + (f"work_offset = {k + 1}\n" if k < numbered else "")
            for k in range(10)
        ]
        return (
            'name = "ten ports"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "plate"\nup = 20\n'
            + nest
            + "".join(each)
        )

    ended = run("offsets", job(text(9)))
    assert (ended.code, ended.out) == (2, "")
    assert ended.err.count("error: ") == 1
    assert ": operation: " in ended.err
    shared = run("offsets", job(text(8)), "--json")
    assert shared.code == 0
    numbers = [one["work_offset"] for one in json.loads(shared.out)["operations"]]
    assert numbers == [*range(1, 9), 9, 9]


def test_a_stack_stands_along_the_platter_s_measured_normal(run, job, examples):
    """By hand: 200 up along a normal that leans by 0.6 in 1 toward +X is 120 to the right and 160 up."""
    mill = (examples / "teaching_mill.toml").read_text()
    leaning = mill.replace("[platter]\n", "[platter]\nnormal = [0.6, 0.0, 0.8]\n")
    text = """name = "post"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "post"
up = 200.0
[[operation]]
name = "top"
at = { A = 0, C = 0 }
"""

    def offset(machine):
        found = json.loads(run("offsets", job(text, machine), "--json").out)["operations"][0]["offset"]
        return [found[axis] for axis in "XYZ"]

    moved = [after - before for before, after in zip(offset(mill), offset(leaning), strict=True)]
    assert moved == pytest.approx([120.0, 0.0, -40.0], abs=1e-9)
