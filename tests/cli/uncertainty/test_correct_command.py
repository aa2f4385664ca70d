"""`tiltwright correct` as a setter types it: the answer, the file that is written, the way back, and what is wrong."""

import json
import re
import shutil
import tomllib

import numpy as np
import pytest
from machine_texts import mill_text

from kinematics import point_coefficients
from tiltwright.job.evaluate import evaluate_job
from tiltwright.page.contract import setup_page
from tiltwright.reach.collision_model import build_collision_model
from tiltwright.uncertainty.correction_file import with_correction

JOB = """
name = "Post"  # a remark of ours
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "post"
up = 100.0
up_within = 0.03
[[operation]]
name = "top"
at = { A = 0, C = 0 }
[[operation]]
name = "side"
at = { A = -90, C = 0 }
[[feature]]
name = "face"
operation = "top"
along = "+Z"
[[feature]]
name = "flank"
operation = "side"
at = [5.0, 0.0, 0.0]
along = "+Z"
[[feature]]
name = "hole"
operation = "side"
tolerance = 0.1
"""

MILL = mill_text()

# The post is 0.02 taller than stated: everything is cut 0.02 too deep, seen along the part's z.
TALLER = "feature,dX_mm,dY_mm,dZ_mm,u_mm\nface,0.0005,-0.001,-0.02,0.002\nflank,0,0,-0.021,0.002\nhole,0.001,0,-0.0195,0.002\n"


@pytest.fixture
def post(job):
    return job(JOB, MILL)


@pytest.fixture
def table(tmp_path):
    def written(text):
        path = tmp_path / "first.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return written


def report(run, *arguments):
    ended = run("correct", *arguments, "--json")
    return ended.code, json.loads(ended.out)


def offsets(run, path):
    return [one["offset"] for one in json.loads(run("offsets", path, "--json").out)["operations"]]


def test_one_cause_by_hand(run, post, table):
    """A post 0.02 taller: Z of the top up by 0.02, Y of the side down by 0.02 (A-90 tips it toward -Y)."""
    code, found = report(run, post, table(TALLER), "--choose", "post: up")
    assert code == 0
    assert (found["schema"], found["units"], found["significant"]) == ("tiltwright.correct/1", "mm", True)
    best = [one for one in found["causes"] if one["level"] == 1]
    assert "post: up" in {name for one in best for name in (one["what"], *one["same_as"])}
    mean = (0.02 + 0.021 + 0.0195) / 3.0
    chosen = next(one for one in found["causes"] if one["what"] == "post: up")
    assert chosen["value"] == pytest.approx(mean, abs=1e-9)
    assert chosen["u"] == pytest.approx(0.002 / 3**0.5, abs=1e-9)
    assert chosen["stated_u"] == pytest.approx(0.03 / 3**0.5)
    top, side = found["operations"]
    assert top["after"]["Z"] - top["before"]["Z"] == pytest.approx(mean, abs=1e-9)
    assert side["after"]["Y"] - side["before"]["Y"] == pytest.approx(-mean, abs=1e-9)
    assert top["after"]["X"] == pytest.approx(top["before"]["X"], abs=1e-9)
    # Everything together: the prior of 0.0173 pulls a little toward the stated height.
    (joint,) = found["correction"]
    prior, noise = 0.03**2 / 3.0, 0.002**2 / 3.0
    assert joint["value"] == pytest.approx(mean * prior / (prior + noise), abs=1e-9)
    assert joint["u"] == pytest.approx((prior * noise / (prior + noise)) ** 0.5, abs=1e-9)


def test_inches_say_the_same(run, post, table):
    inches = "feature,dX_in,dY_in,dZ_in,u_in\n" + "".join(
        f"{name},{x / 25.4!r},{y / 25.4!r},{z / 25.4!r},{0.002 / 25.4!r}\n"
        for name, x, y, z in (
            ("face", 5e-4, -1e-3, -0.02),
            ("flank", 0, 0, -0.021),
            ("hole", 1e-3, 0, -0.0195),
        )
    )
    _, in_mm = report(run, post, table(TALLER))
    _, found = report(run, post, table(inches), "--units", "inch")
    assert found["units"] == "inch"
    assert [one["what"] for one in found["causes"]] == [one["what"] for one in in_mm["causes"]]
    for one, other in zip(found["causes"], in_mm["causes"], strict=True):
        factor = 25.4 if one["unit"] == "inch" else 1.0
        assert one["value"] * factor == pytest.approx(other["value"], rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "size", "told"),
    [("mm", 1.0, ""), ("in", 1 / 25.4, ""), ("mm", 1 / 25.4, "end in _in"), ("in", 1.0, "end in _mm")],
)
def test_figures_of_the_other_unit_are_doubted(run, post, table, unit, size, told):
    """A table in millimetres whose head says inches, and the other way round, however small its deviations are."""
    text = f"feature,dZ_{unit},u_{unit}\nface,{-0.02 * size:.6f},{0.002 * size:.6f}\nflank,{-0.021 * size:.6f},{0.002 * size:.6f}\n"
    err = run("correct", post, table(text), "--choose", "post: up").err
    assert ("_in, not in _mm" in err or "_mm, not in _in" in err) == bool(told)
    assert told in err


@pytest.mark.parametrize(
    "rows",
    [
        "face,0.0005,-0.001,-0.02,0.002\nflank,0,0,0.021,0.002\nhole,0.001,0,-0.0195,0.002\n",
        "flank,,,-0.02,0.002\nhole,0,0,0.0195,0.002\n",
    ],
)
def test_a_sign_lost_beside_another_feature_is_no_lean(run, post, table, rows):
    """Flank and hole lie 5 mm apart: only a post that leans by half a degree would give both numbers."""
    code, found = report(run, post, table(f"feature,dX_mm,dY_mm,dZ_mm,u_mm\n{rows}"))
    assert code == 1
    assert "sign" in {one["slip"] for one in found["doubts"]}
    assert not found["settled"]


def test_small_deviations_are_left_alone(run, post, table):
    code, found = report(run, post, table("feature,dZ_mm,u_mm\nface,0.001,0.002\nhole,-0.002,0.002\n"))
    assert code == 0
    assert not found["significant"]
    assert found["causes"] == []
    assert found["chosen"] is None
    assert all(one["before"] == one["after"] for one in found["operations"])
    before = post.read_bytes()
    assert run("correct", post, table("feature,dZ_mm,u_mm\nface,0.001,0.002\n"), "--write").code == 0
    assert post.read_bytes() == before


def test_rivals_that_disagree_are_not_written_and_a_named_one_is(run, post, table):
    measured = table("feature,dZ_mm,u_mm\nhole,-0.02,0.002\n")
    before = post.read_bytes()
    code, found = report(run, post, measured)
    assert code == 1
    assert not found["agreed"]
    assert len(found["candidates"]) > 1
    assert max(found["differ_by"]) > 0.01
    refused = run("correct", post, measured, "--write")
    assert refused.code == 1
    assert post.read_bytes() == before
    named = run("correct", post, measured, "--write", "--choose", "post: up", "--who", "bay 2")
    assert named.code == 0
    assert tomllib.loads(post.read_text())["correction"]["cause"] == "post: up"
    (line,) = (post.parent / "job.corrections.jsonl").read_text().splitlines()
    said = json.loads(line)
    assert (said["who"], said["action"], said["despite_rivals"]) == ("bay 2", "correct", True)
    assert said["correction"] == tomllib.loads(post.read_text())["correction"]


def test_an_explanation_is_taken_by_its_number_or_by_the_name_beside_it(run, post, table):
    measured = table("feature,dZ_mm,u_mm\nhole,-0.02,0.002\n")
    said = run("correct", post, measured).out
    _, found = report(run, post, measured)
    assert len(found["candidates"]) > 1
    for number, one in enumerate(found["candidates"][:3], start=1):
        assert f"--choose {number}" in said
        by_number = report(run, post, measured, "--choose", str(number))
        assert by_number == report(run, post, measured, "--choose", one["name"])
        assert by_number[1]["chosen"] == one["name"]
    for wrong in ("0", str(len(found["candidates"]) + 1)):
        assert run("correct", post, measured, "--choose", wrong).code == 2


def test_places_are_named_in_the_unit_shown(run, examples):
    """The name that is printed can be typed, in either unit."""
    table = (examples / "beacon_dome.toml", examples / "beacon_dome_seats.csv")
    _, found = report(run, *table)
    place = next(one["what"] for one in found["causes"] if one["what"].startswith("Z axis: position at"))
    inches = f"Z axis: position at {float(place.split()[-2]) / 25.4:.4f} in"
    said = " ".join(run("correct", *table, "--units", "inch").out.split())
    assert inches in said
    assert " mm" not in said
    for name in (place, inches):
        assert report(run, *table, "--choose", name)[1]["chosen"] == place


@pytest.fixture
def written(run, post, table):
    """A job with a correction in force."""
    assert run("correct", post, table(TALLER), "--write", "--choose", "post: up").code == 0
    return post


def test_every_command_goes_by_the_correction_and_says_so(run, post, table, tmp_path):
    before = offsets(run, post)
    run("correct", post, table(TALLER), "--write", "--choose", "post: up")
    after = offsets(run, post)
    assert after[0]["Z"] - before[0]["Z"] == pytest.approx(0.02017, abs=1e-4)
    for command in ("offsets", "sheet", "reach", "budget"):
        ended = run(command, post)
        assert "correction is in force" in ended.out + ended.err, command
    assert "correction in force" in {
        one["kind"] for one in json.loads(run("offsets", post, "--json").out)["remarks"]
    }
    assert run("page", post, "-o", tmp_path / "page.html").code == 0
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "correction is in force" in page
    for command in (("explain", post), ("check", post, "--answer", "top X=-381.025")):
        ended = run(*command)
        assert "is left out here" in ended.err, command
    assert f"{before[0]['Z']:.3f}" in run("explain", post, "top").out


JSON_WITH = {
    "reach": True,
    "budget": True,
    "batch stub": True,
    "batch offsets": False,
    "batch program": False,
}


def test_json_says_whether_the_correction_is_in_its_figures(run, examples, tmp_path):
    """Both forms, for a program and for a person, say it."""
    path = tmp_path / "sensor_feet.toml"
    for name in (path.name, "teaching_mill.toml", "sensor_feet_parts.csv"):
        shutil.copy(examples / name, tmp_path)
    assert json.loads(run("budget", path, "--json").out)["correction"] is None
    entries = [
        {
            "operation": one["name"],
            "nest": one["nest"],
            "before": [one["offset"][axis] for axis in "XYZ"],
            "after": [
                one["offset"][axis] + 0.01 * (axis == "Z" and one["program"]["A"] != 0.0) for axis in "XYZ"
            ],
        }
        for one in json.loads(run("offsets", path, "--json").out)["operations"]
    ]
    said = {"date": "2026-11-29", "measured": "first.csv", "cause": "A axis: angle at 30"}
    text = with_correction(path.read_text(encoding="utf-8"), {**said, "offset": entries})
    path.write_text(text, encoding="utf-8")
    for command, applied in JSON_WITH.items():
        more = [tmp_path / "sensor_feet_parts.csv"] if command == "batch offsets" else []
        ended = run(*command.split(), path, *more, "--json")
        wanted = {**said, "applied": applied, "taken_out": applied}
        assert json.loads(ended.out)["correction"] == wanted, command
        assert "correction" in ended.err, command


def test_the_sheet_says_what_has_the_correction_in_it(run, written):
    told = " ".join(run("sheet", written).out.split())
    assert "origin with the correction, in machine directions" in told
    assert "part zero and the rotaries' lines are printed without it" in told
    assert run("correct", written, "--undo").code == 0
    assert "correction" not in run("sheet", written).out


def test_page_and_reach_stand_where_the_corrected_offset_is(written):
    evaluated = evaluate_job(str(written))
    setup, page = evaluated.setup, setup_page(evaluated, "mm")
    poses = build_collision_model(evaluated).model.operations
    assert "correction is in force" in page["correction"][1]
    assert not any("correction is in force" in words for _, words in page["messages"])
    for one, said, pose in zip(evaluated.operations, page["operations"], poses, strict=True):
        placed = one.placed
        zero = evaluated.program_zero_mm(placed)
        assert np.linalg.norm(zero - placed.origin_mm) == pytest.approx(0.0202, abs=2e-4)
        np.testing.assert_allclose(setup.work_offset(zero, placed.machine_deg), placed.offset_mm, atol=1e-9)
        np.testing.assert_allclose(pose.origin_mm, zero)
        carried = point_coefficients(setup.machine, setup.part_in_machine.apply(zero))
        np.testing.assert_allclose(said["carried"], carried)
        assert said["shown"] == [f"{v:.3f}" for v in placed.offset_mm]
        last = page["lines"][said["working"][-1]]
        ends = [page["texts"][k].rsplit(" = ", 1)[1] for k in last[4]]
        assert ends == [f"{v:.4f}" for v in placed.offset_mm]


def test_undo_gives_the_file_back_byte_for_byte(run, post, table):
    original, before = post.read_bytes(), offsets(run, post)
    run("correct", post, table(TALLER), "--write", "--choose", "post: up")
    assert post.read_bytes() != original
    assert run("correct", post, "--undo", "--who", "bay 2").code == 0
    assert post.read_bytes() == original
    assert offsets(run, post) == before
    lines = (post.parent / "job.corrections.jsonl").read_text().splitlines()
    assert [json.loads(line)["action"] for line in lines] == ["correct", "undo"]
    assert run("correct", post, "--undo").code == 2


def test_a_part_cut_with_the_correction_is_measured_against_it(run, post, table):
    """The second part is right: its deviations say that the correction stays as it is."""
    run("correct", post, table(TALLER), "--write", "--choose", "post: up")
    after = offsets(run, post)
    right = table("feature,dX_mm,dY_mm,dZ_mm,u_mm\nface,0,0,0,0.002\nflank,0,0,0,0.002\nhole,0,0,0,0.002\n")
    code, found = report(run, post, right, "--choose", "post: up")
    assert code == 0
    for one, loaded in zip(found["operations"], after, strict=True):
        assert [one["before"][axis] for axis in "XYZ"] == pytest.approx([loaded[axis] for axis in "XYZ"])
        assert [one["after"][axis] for axis in "XYZ"] == pytest.approx(
            [loaded[axis] for axis in "XYZ"], abs=1e-6
        )


def test_the_same_deviations_are_not_taken_out_twice(run, post, table):
    measured = table(TALLER)
    choose = ("--choose", "post: up")
    assert run("correct", post, measured, "--write", *choose).code == 0
    log = post.parent / "job.corrections.jsonl"
    once, logged = post.read_bytes(), log.read_bytes()
    renamed = measured.with_name("second.csv")
    shutil.copy(measured, renamed)
    for same in (measured, renamed):
        for write in (("--write",), ()):
            ended = run("correct", post, same, *write, *choose)
            assert ended.code == 2
            assert ended.out == ""
            assert same.name in ended.err
            assert "--undo" in ended.err
    head, *rows = measured.read_text(encoding="utf-8").splitlines()
    saved = [row.replace("-0.02,", "-0.0200,") for row in reversed(rows)]
    anew = measured.with_name("saved anew.csv")
    anew.write_text("\r\n".join([head, *saved]), encoding="utf-8")
    ended = run("correct", post, anew, *choose)
    assert ended.code == 2
    assert "saved anew.csv" in ended.err
    # A second correction upon the first: both tables are spent, until they are undone.
    smaller = table(TALLER.replace("-0.02", "-0.01"))
    assert run("correct", post, smaller, "--write", *choose).code == 0
    assert run("correct", post, renamed, "--write", *choose).code == 2
    assert run("correct", post, smaller, "--write", *choose).code == 2
    assert run("correct", post, "--undo").code == 0
    assert run("correct", post, renamed, "--write", *choose).code == 0
    assert (post.read_bytes() != b"", log.read_bytes().startswith(logged)) == (True, True)
    assert (
        tomllib.loads(post.read_text())["correction"]["offset"]
        == tomllib.loads(once.decode())["correction"]["offset"]
    )


def test_a_table_of_a_part_from_before_the_correction_is_warned_of(run, written, table):
    ended = run("correct", written, table(TALLER.replace("-0.02,", "-0.0191,")), "--choose", "post: up")
    assert ended.code == 0
    assert ended.err.startswith("caution: a correction is in force: the deviations must come from a part")


# The A axis lies 0.03 lower than stated: nothing at A0, 0.03 in Y and in Z at A-90.
AXIS = (
    "feature,dX_mm,dY_mm,dZ_mm,u_mm\nface,0,0,0.0002,0.002\nflank,0,0,0.0301,0.002\nhole,0,0.0,0.0298,0.002\n"
)

SERIALS = "serial,X_mm,Y_mm,Z_mm\np1,-381.02,-203.41,-256.11\n"


def test_batch_offsets_without_the_correction_of_an_axis_say_so_first(run, post, table, tmp_path):
    """An own zero touched off at one pose shows nothing of an axis that is off."""
    touched = ("--touched", "-381.0,-203.4,-256.1", "--pose", "A0,C0", "--gcode")
    parts = tmp_path / "parts.csv"
    parts.write_text(SERIALS, encoding="utf-8")
    for choose, left in (("A axis: position along Z", True), ("post: up", False)):
        assert run("correct", post, table(AXIS if left else TALLER), "--write", "--choose", choose).code == 0
        folder = tmp_path / f"loaders {left}"
        ended = run("batch", "offsets", post, parts, "--gcode", "-o", folder)
        assert ended.code == 0
        assert ("NOT in these offsets" in ended.err.splitlines()[0]) == left
        program = (folder / "p1.nc").read_text(encoding="utf-8")
        assert "the job's correction of" in program
        assert ("is NOT in these offsets" in program) == left
        typed = run("offsets", post, *touched)
        assert typed.code == 0
        assert ("NOT in these offsets" in typed.err) == left
        assert ("NOT in these offsets" in typed.out) == left
        assert run("correct", post, "--undo").code == 0
    assert "NOT in" not in run("batch", "offsets", post, parts, "--gcode", "-o", tmp_path / "none").err


def test_a_cause_that_is_an_axis_belongs_into_the_machine_file(run, post, table):
    said = run("correct", post, table(AXIS), "--choose", "A axis: position along Z").out
    assert "THE MACHINE FILE: A axis 0.0" in " ".join(said.split())
    assert "THE MACHINE FILE" not in run("correct", post, table(TALLER), "--choose", "post: up").out


def test_a_correction_for_another_setup_is_refused(run, written):
    text = written.read_text(encoding="utf-8").replace("up = 100.0", "up = 100.05")
    written.write_text(text, encoding="utf-8")
    for command in ("offsets", "sheet", "budget"):
        ended = run(command, written)
        assert ended.code == 2
        assert "correction" in ended.err
        assert "before" in ended.err
        assert "--undo" in ended.err
    assert run("correct", written, "--undo").code == 0
    assert run("offsets", written).code == 0


def test_an_operation_that_the_correction_does_not_know_is_refused(run, written):
    text = written.read_text(encoding="utf-8")
    more = '[[operation]]\nname = "back"\nat = { A = -90, C = 180 }\n\n[correction]'
    written.write_text(text.replace("[correction]", more, 1), encoding="utf-8")
    ended = run("offsets", written)
    assert ended.code == 2
    assert "back" in ended.err


ENDINGS = ["\n", "\r\n", "", "\n\n\n\n", "\r\n\r\n\r\n", "\n# the end", "\n\t\n", "\n  "]


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_text_with_its_correction_taken_out_is_the_text(ending):
    line = "\r\n" if "\r" in ending else "\n"
    text = f'# ours{line}name = "cap"{ending}'
    correction = {"cause": "post: up", "offset": [{"operation": "top", "before": [1.0], "after": [1.5]}]}
    put = with_correction(text, correction)
    assert tomllib.loads(put)["correction"] == correction
    assert ("\r\n" in put) == ("\r\n" in text)
    again = with_correction(put, {**correction, "cause": "A axis: angle at 0"})
    assert again.count("[correction]") == 1
    assert with_correction(again, None) == text
    # What somebody writes below it stays too.
    noted = with_correction(f"{put}# seen{line}", None)
    assert noted == f"{text}{'' if text.endswith(line) else line}# seen{line}"
    more = with_correction(f'{put}[[stack]]{line}name = "post"{line}', None)
    assert tomllib.loads(more) == {"name": "cap", "stack": [{"name": "post"}]}
    assert more.startswith(text)


def test_mixed_line_ends_stay():
    text = '# ours\r\nname = "cap"\nunits = "mm"\r\n'
    correction = {"cause": "post: up", "offset": [{"operation": "top", "before": [1.0], "after": [1.5]}]}
    put = with_correction(text, correction)
    assert put.startswith(text)
    assert with_correction(put, None) == text


WRONG = {
    "no feature of that name": ("feature,dZ_mm,u_mm\nfase,0.01,0.002\n", ":2", "fase"),
    "an uncertainty of 0": ("feature,dZ_mm,u_mm\nface,0.01,0\n", ":2", "more than 0"),
    "no uncertainty": ("feature,dZ_mm,u_mm\nface,0.01,\n", ":2", "uncertainty"),
    "no unit": ("feature,dZ,u_mm\nface,0.01,0.002\n", ":1", "unit"),
    "two units": ("feature,dZ_mm,u_in\nface,0.01,0.002\n", ":1", "inches"),
    "no column with deviations": ("feature,u_mm\nface,0.002\n", ":1", "deviation_mm"),
    "no direction": ("feature,deviation_mm,u_mm\nhole,0.01,0.002\n", ":2", "direction"),
    "a number cut off": ("feature,dZ_mm,u_mm\nface,0.01,0.002\nhole,0.0", ":3", "cut off"),
    "a row twice": ("feature,dZ_mm,u_mm\nface,0.01,0.002\nface,0.011,0.002\n", ":3", "row 2"),
    "a coordinate": ("feature,dZ_mm,u_mm\nface,-196.1,0.002\n", ":2", "coordinate"),
    "no number": ("feature,dZ_mm,u_mm\nface,deep,0.002\n", ":2", "deep"),
    "no row": ("feature,dZ_mm,u_mm\n", "", "no deviation"),
    "an unknown column": ("feature,dZ_mm,u_mm,gauge\nface,0.01,0.002,x\n", ":1", "gauge"),
    "both forms in a row": (
        "feature,dZ_mm,along,deviation_mm,u_mm\nface,0.01,+Z,0.01,0.002\n",
        ":2",
        "one of the two",
    ),
    "a datum that is not there": ("feature,dZ_mm,datum,u_mm\nface,0.01,edge,0.002\n", ":2", "edge"),
    "a nest that is not there": ("feature,nest,dZ_mm,u_mm\nface,left,0.01,0.002\n", ":2", "left"),
}


@pytest.mark.parametrize("name", WRONG)
def test_bad_tables_are_told_with_row_and_column(run, post, table, name):
    text, line, word = WRONG[name]
    before = post.read_bytes()
    ended = run("correct", post, table(text), "--write")
    assert ended.code == 2
    assert ended.out == ""
    assert f"first.csv{line}" in ended.err
    assert word in ended.err
    assert post.read_bytes() == before
    assert not (post.parent / "job.corrections.jsonl").exists()


def test_a_pattern_s_feature_needs_its_operation(run, examples, table):
    ended = run(
        "correct", examples / "beacon_dome.toml", table("feature,deviation_mm,u_mm\nseat depth,0.01,0.002\n")
    )
    assert ended.code == 2
    assert "side port 2" in ended.err


def test_options_that_do_not_go_together(run, post, table):
    measured = table(TALLER)
    assert run("correct", post).code == 2
    assert run("correct", post, measured, "--undo").code == 2
    assert run("correct", post, measured, "--who", "me").code == 2
    unknown = run("correct", post, measured, "--choose", "post: upp")
    assert unknown.code == 2
    assert "post: up" in unknown.err


def test_of_a_feature_half_measured_the_missing_direction_is_told(run, examples, table):
    """The axis of each port measured in one direction, roughly; then in two, which leaves the third."""
    rows = "feature,operation,along,deviation_mm,u_mm\n"
    depths = {1: -0.0085, 2: -0.0049, 3: -0.0069}
    rows += "".join(f"seat depth,side port {k},,{value},0.002\n" for k, value in depths.items())
    one_way = "".join(f"port axis,side port {k},+Z,0.03,0.05\n" for k in depths)
    _, found = report(run, examples / "beacon_dome.toml", table(rows + one_way))
    assert "square to the direction" in found["measure_next"]["why"]
    other_way = one_way.replace("+Z,0.03", "+X,0.0")
    _, found = report(run, examples / "beacon_dome.toml", table(rows + one_way + other_way))
    assert "along 0 1 0 in part coordinates" in found["measure_next"]["why"]


def test_the_example_s_first_part(run, examples, tmp_path):
    """Made with the A axis 0.035 too low in the machine file, and a scatter of 0.002."""
    folder = tmp_path / "examples"
    shutil.copytree(examples, folder, ignore=shutil.ignore_patterns("sheets"))
    code, seats = report(run, folder / "beacon_dome.toml", folder / "beacon_dome_seats.csv")
    assert code == 1
    assert seats["measure_next"]["feature"] == "port axis"
    code, found = report(run, folder / "beacon_dome.toml", folder / "beacon_dome_first_part.csv")
    assert code == 0
    assert found["certain"]
    (best,) = [one for one in found["causes"] if one["level"] == 1]
    assert best["what"] == "A axis: position along Z"
    assert abs(best["value"] - 0.035) < 2.0 * best["u"]


def test_several_parts_separate_their_seating(run, post, table):
    rng = np.random.default_rng(3)
    rows = ["feature,part,dX_mm,dY_mm,dZ_mm,u_mm"]
    for serial in range(1, 13):
        seat = rng.normal(size=3) * [0.0, 0.01, 0.006]
        for name in ("face", "hole"):
            d = [0.0, 0.0, -0.02] + seat + rng.normal(size=3) * 0.001
            rows.append(f"{name},{serial},{d[0]:.5f},{d[1]:.5f},{d[2]:.5f},0.001")
    measured = table("\n".join(rows) + "\n")
    _, found = report(run, post, measured)
    assert found["parts"] == 12
    spread = {(one["what"], one["component"]): one["u"] for one in found["seating"]}
    assert spread["part shift", "y"] == pytest.approx(
        0.01, rel=0.6
    )  # 11 degrees of freedom: 0.65 to 1.7 times
    assert spread["part up", None] == pytest.approx(0.006, rel=0.6)
    assert spread["part shift", "x"] < 0.001
    up = next(one for one in found["causes"] if one["what"] == "post: up")
    assert up["value"] == pytest.approx(0.02, abs=0.006)
    said = run("correct", post, measured).out
    assert "From part to part: how differently they seat" in said
    up_u = max(one["u"] for one in found["seating"] if one["what"] == "part up")
    assert re.search(rf"For the budget: \[reclamping\] up_u = {up_u:.4f}\d*, shift_u = ", said)


def test_a_digit_lost_in_a_correction_is_told(run, written):
    text = written.read_text(encoding="utf-8")
    cut = text.index("after = [-381.")
    written.write_text(text[: cut + 9] + "-38" + text[cut + 13 :], encoding="utf-8")
    ended = run("offsets", written)
    assert ended.code == 2
    assert "after" in ended.err
    assert ended.out == ""


def test_a_part_zero_typed_beside_the_job_leaves_the_correction_out(run, written):
    touched = ("--touched", "-381.0,-203.4,-256.1", "--pose", "A0,C0", "--json")
    ended = run("offsets", written, *touched)
    assert "left out" in ended.err
    assert run("correct", written, "--undo").code == 0
    assert (
        json.loads(ended.out)["operations"] == json.loads(run("offsets", written, *touched).out)["operations"]
    )


NESTS = """
name = "Two posts"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "plate"
up = 20.0
[[nest]]
name = "left"
on = "plate"
[[nest.step]]
name = "left vice"
up = 40.0
shift = [-38.0, 0.0]
[[nest]]
name = "right"
on = "plate"
[[nest.step]]
name = "right vice"
up = 40.0
shift = [38.0, 1.0]
[[operation]]
name = "top"
at = { A = 0, C = 0 }
[[operation]]
name = "slope"
at = { A = -30, C = 0 }
origin = [0.0, -12.0, 0.0]
[[feature]]
name = "top hole"
operation = "top"
at = [10.0, 0.0, 0.0]
tolerance = 0.1
[[feature]]
name = "slope hole"
operation = "slope"
at = [0.0, 10.0, 0.0]
tolerance = 0.1
"""
AT = {"top hole": (10.0, 0.0, 0.0), "slope hole": (0.0, 10.0, 0.0)}


def turned(axis, degrees, about=(0.0, 0.0, 0.0)):
    """A turn about a line along an axis, as a matrix of its own making, (4, 4)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    found = np.eye(4)
    found[i, i] = found[j, j] = c
    found[i, j], found[j, i] = -s, s
    found[:3, 3] = np.array(about) - found[:3, :3] @ about
    return found


def placed(vice, clocked=0.0):
    """The part on the table at the all-zero pose, (4, 4); clocked by so many degrees."""
    found = turned(2, clocked)
    found[:3, 3] = [-381.025 + vice[0], -203.405 + vice[1], -356.112 + 60.0]
    return found


def cut(run, path, parts, operation_c=()):
    """Place of each hole in its part with the offsets that the command gives, by nest and name."""
    found = {}
    for one in json.loads(run("offsets", path, "--json").out)["operations"]:
        offset = one["offset"]
        a, c = one["program"]["A"] + offset["A"], one["program"]["C"] + offset["C"]
        c += dict(operation_c).get(one["name"], 0.0)
        table = turned(0, -a, (-381.0, -203.412, -406.118)) @ turned(2, -c, (-381.025, -203.405, -356.112))
        hole = f"{one['name']} hole"
        at = np.array([offset["X"], offset["Y"], offset["Z"]]) + AT[hole]
        found[one.get("nest"), hole] = (np.linalg.inv(table @ parts[one.get("nest")]) @ [*at, 1.0])[:3]
    return found


def deviations(right, wrong):
    rows = [
        f"{hole},{nest or ''},{','.join(f'{v:.6f}' for v in wrong[nest, hole] - at)},0.001"
        for (nest, hole), at in right.items()
    ]
    return "feature,nest,dX_mm,dY_mm,dZ_mm,u_mm\n" + "\n".join(rows) + "\n"


def test_one_clocked_nest_is_turned_back_and_the_other_stays(run, job, table):
    path = job(NESTS, MILL)
    original = path.read_bytes()
    straight = {"left": placed((-38.0, 0.0)), "right": placed((38.0, 1.0))}
    clocked = {**straight, "left": placed((-38.0, 0.0), 0.1)}
    right, wrong = cut(run, path, straight), cut(run, path, clocked)
    np.testing.assert_allclose(right["left", "top hole"], [10.0, 0.0, 0.0], atol=1e-5)
    measured = table(deviations(right, wrong))
    assert run("correct", path, measured, "--write", "--choose", "left: left vice: turn").code == 0
    after = cut(run, path, clocked)
    for (nest, hole), at in right.items():
        assert np.abs(after[nest, hole] - at).max() < (0.0005 if nest == "left" else 1e-5), (nest, hole)
    # What a part shows that was cut with it says that it stays.
    _, again = report(run, path, table(deviations(right, after)), "--choose", "left: left vice: turn")
    assert [one["turn_deg"] for one in again["operations"]] == pytest.approx([0.1, 0.1, 0.0, 0.0], abs=1e-4)
    slipped = re.sub(r"\nturn = 0\S+", "\nturn = 10.0", path.read_text(encoding="utf-8"), count=1)
    assert run("correct", path, "--undo").code == 0
    assert path.read_bytes() == original
    path.write_text(slipped, encoding="utf-8")
    ended = run("offsets", path)
    assert ended.code == 2
    assert "turn" in ended.err


def test_a_part_s_own_zero_does_not_take_out_the_turn_of_one_nest(run, job, table):
    """Its shift it would: the point that was touched off says nothing of how the part is clocked."""
    path = job(NESTS, MILL)
    straight = {"left": placed((-38.0, 0.0)), "right": placed((38.0, 1.0))}
    clocked = {**straight, "left": placed((-38.0, 0.0), 0.1)}
    measured = table(deviations(cut(run, path, straight), cut(run, path, clocked)))
    assert run("correct", path, measured, "--write", "--choose", "left: left vice: turn").code == 0
    for nest, x_mm, left in (("left", -419.0, True), ("right", -343.0, False)):
        typed = run("offsets", path, "--nest", nest, "--touched", f"{x_mm},-203.4,-296.1", "--pose", "A0,C0")
        assert ("NOT in these offsets" in typed.err) == left, typed.err
        assert ("C by 0.1" in typed.err) == left


def test_turns_that_differ_within_a_nest_are_each_operation_s_own(run, job, table):
    """C stands off at 90 only: each operation's work offset holds a C of its own, on paper, in G-code and on the page."""
    path = job(NESTS.replace("A = -30, C = 0", "A = -30, C = 90"), MILL)
    straight = {"left": placed((-38.0, 0.0)), "right": placed((38.0, 1.0))}
    off = [("slope", 0.1)]
    right = cut(run, path, straight)
    text = deviations(right, cut(run, path, straight, off))
    before = path.read_bytes()
    named = ("--choose", "C axis: angle at 90")
    _, found = report(run, path, table(text), *named)
    assert [one["turn_deg"] for one in found["operations"]] == pytest.approx([0, -0.1, 0, -0.1], abs=1e-4)
    assert found["writable"]
    assert run("correct", path, table(text), "--write", *named).code == 0
    for (nest, hole), at in cut(run, path, straight, off).items():
        assert np.abs(at - right[nest, hole]).max() < 0.0005, (nest, hole)
    # A part that is cut with it shows the same turns still, and nothing more.
    _, again = report(run, path, table(deviations(right, cut(run, path, straight, off))), *named)
    assert [one["turn_deg"] for one in again["operations"]] == pytest.approx([0, -0.1, 0, -0.1], abs=1e-4)
    loaded = [
        line.split() for line in run("offsets", path, "--gcode").out.splitlines() if line.startswith("G10")
    ]
    assert sorted(round(float(words[-1].removeprefix("C")), 4) for words in loaded) == [-0.1, -0.1, 0.0, 0.0]
    sheet = run("sheet", path, "--nest", "left").out
    assert "Not the same in each" in sheet
    sent = setup_page(evaluate_job(str(path), nest="left"), "mm")
    assert [one.get("offsets_deg", sent["offsets_deg"])[1] for one in sent["operations"]] == pytest.approx(
        [0.0, -0.1], abs=1e-4
    )
    assert run("correct", path, "--undo").code == 0
    assert path.read_bytes() == before


def test_a_cause_far_from_what_is_stated_is_offered_and_left_to_the_setter(run, job, table):
    stated = MILL.replace('limits = "endless"', 'limits = "endless"\npositioning = "5 arcsec"')
    path = job(NESTS.replace("A = -30, C = 0", "A = -30, C = 90"), stated)
    straight = {"left": placed((-38.0, 0.0)), "right": placed((38.0, 1.0))}
    right = cut(run, path, straight)
    text = deviations(right, cut(run, path, straight, [("slope", 0.1)]))
    before = path.read_bytes()
    code, found = report(run, path, table(text))
    assert code == 1
    assert found["chosen"] == "C axis: angle at 90"
    assert not found["certain"]
    best = [one for one in found["causes"] if one["level"] == 1]
    assert [one["what"] for one in best] == ["C axis: angle at 90"]
    assert best[0]["cost"] > 30.0**2
    assert run("correct", path, table(text), "--write").code == 1
    assert path.read_bytes() == before


RING = """
name = "Ring"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "post"
up = 100.0
[[operation]]
name = "top"
at = { A = 0, C = 0 }
[[operation]]
name = "slope"
at = { A = -30, C = 90 }
[[feature]]
name = "hole"
operation = "top"
at = [40.0, 0.0, 0.0]
tolerance = 0.1
[[feature]]
name = "hole 2"
operation = "top"
at = [0.0, 40.0, 0.0]
tolerance = 0.1
"""
# Both holes 0.1 degrees round the middle: the post is clocked, or C stands off at 0.
ROUND = "feature,dX_mm,dY_mm,dZ_mm,u_mm\nhole,0,-0.0698,0,0.002\nhole 2,0.0698,0,0,0.002\n"


@pytest.mark.parametrize("slope_hole", ["", '[[feature]]\nname = "port"\noperation = "slope"\n'])
def test_rivals_that_differ_in_c_alone_are_rivals(run, job, table, slope_hole):
    """Part zero stands on C's line, so no X, Y, Z changes: the slope's C does by one explanation, by the other it stays."""
    path = job(RING + slope_hole, MILL)
    before = path.read_bytes()
    code, found = report(run, path, table(ROUND))
    assert code == 1
    assert not found["agreed"]
    assert [one["turns_deg"] for one in found["candidates"][:2]] == [
        pytest.approx([0.1, 0.1], abs=1e-3),
        pytest.approx([0.1, 0.0], abs=1e-3),
    ]
    # A port on the line does not show it; what else is cut there does, as far off as the holes are.
    assert found["differ_by"] == pytest.approx([0.0, 40.0 * np.radians(0.1)], abs=2e-4)
    assert run("correct", path, table(ROUND), "--write").code == 1
    assert path.read_bytes() == before


def test_the_sheet_tells_the_corrections_part_of_a_rotary_offset(run, job, table):
    path = job(
        RING.replace("up = 100.0", "up = 100.0\nturn = 0.35").replace(
            "machine =", 'square_up = "C"\nmachine ='
        ),
        MILL,
    )
    assert run("correct", path, table(ROUND), "--choose", "1", "--write").code == 0
    words = " ".join(run("sheet", path).out.split())
    (given,) = re.findall(r"C offset 0\.3500: [^.]*\.[^.]*\.[^.]*\.", words)
    added, total = map(float, re.search(r"the correction adds (\S+), which makes (\S+)\.", given).groups())
    assert added == pytest.approx(0.1, abs=2e-3)
    assert total == pytest.approx(0.35 + added, abs=1e-9)
    assert "seen along" not in given


def ring_found(run, path, points, clocked, c_error):
    """Deviations of points that operations cut, in part coordinates and along the machine's Y, by matrices alone.

    `points` are (operation, at in its coordinates); the post is clocked, and C stands off at 0.
    """

    def pose(one, *, clock=0.0, off=0.0):
        a, c = (one["program"][letter] + one["offset"][letter] for letter in "AC")
        table = turned(0, -a, (-381.0, -203.412, -406.118)) @ turned(
            2, -(c + off), (-381.025, -203.405, -356.112)
        )
        part = turned(2, clock)
        part[:3, 3] = [-381.025, -203.405, -356.112 + 100.0]
        return table @ part

    found = []
    by_name = {one["name"]: one for one in json.loads(run("offsets", path, "--json").out)["operations"]}
    for operation, at in points:
        one = by_name[operation]
        cut_mm = [*(np.array([one["offset"][axis] for axis in "XYZ"]) + at), 1.0]
        off = c_error if one["program"]["C"] == 0.0 else 0.0
        moved = np.linalg.inv(pose(one, clock=clocked, off=off)) @ cut_mm - np.linalg.inv(pose(one)) @ cut_mm
        found.append((moved[:3], pose(one)[:3, :3].T @ [0.0, 1.0, 0.0] @ moved[:3]))
    return found


@pytest.mark.parametrize(
    ("clocked", "c_error", "name"), [(0.1, 0.0, "post: turn"), (0.0, -0.1, "C axis: angle at 0")]
)
def test_the_place_that_is_named_tells_the_explanations_apart(run, job, table, clocked, c_error, name):
    path = job(RING, MILL)
    holes = {"hole": [40.0, 0.0, 0.0], "hole 2": [0.0, 40.0, 0.0]}
    measured = ring_found(run, path, [("top", at) for at in holes.values()], clocked, c_error)
    rows = [
        f"{hole},,{','.join(f'{v:.6f}' for v in moved)},,0.002"
        for hole, (moved, _) in zip(holes, measured, strict=True)
    ]
    head = "feature,along,dX_mm,dY_mm,dZ_mm,deviation_mm,u_mm\n"
    code, found = report(run, path, table(head + "\n".join(rows) + "\n"))
    assert code == 1
    assert found["measure_next"] is None
    added = found["add_feature"]
    assert (added["operation"], added["nest"], added["along"]) == ("slope", None, "+Y")
    assert "ADD A FEATURE" in run("correct", path, table(head + "\n".join(rows) + "\n")).out
    with path.open("a", encoding="utf-8") as file:
        file.write(
            f'[[feature]]\nname = "new"\noperation = "slope"\nat = {added["at"]}\nalong = "{added["along"]}"\n'
        )
    ((_, along),) = ring_found(run, path, [("slope", added["at"])], clocked, c_error)
    expected = dict(zip([one["name"] for one in found["candidates"]], added["expected"], strict=True))
    assert along == pytest.approx(expected[name], abs=2e-4)
    _, found = report(run, path, table(head + "\n".join([*rows, f"new,,,,,{along:.6f},0.002"]) + "\n"))
    assert [one["what"] for one in found["causes"] if one["level"] == 1] == [name]


@pytest.mark.parametrize(("cause", "left"), [("platter: face", False), ("C axis: position along X", True)])
def test_a_platter_that_sits_high_is_taken_out_by_a_part_s_own_zero(run, job, cause, left):
    """It lifts the part as a step of the stack does; an axis moves it elsewhere at the next tilt, even where it looks alike."""
    path = job(JOB, MILL)
    entries = []
    for one in json.loads(run("offsets", path, "--json").out)["operations"]:
        before = [one["offset"][axis] for axis in "XYZ"]
        turn = turned(0, -one["machine"]["A"])[:3, :3]
        after = (np.array(before) + turn @ [0.0, 0.0, 0.02]).tolist()
        entries.append({"operation": one["name"], "before": before, "after": after})
    said = {"date": "2026-11-29", "measured": "first.csv", "cause": cause, "offset": entries}
    path.write_text(with_correction(path.read_text(encoding="utf-8"), said), encoding="utf-8")
    typed = run("offsets", path, "--touched", "-381.0,-203.4,-256.1", "--pose", "A0,C0")
    assert ("NOT in these offsets" in typed.err) == left
    assert "correction" in typed.err


def test_rows_that_were_exchanged_are_named_in_words(run, job, table):
    """The slope's ports lie 60 mm apart along the tilt: the A axis stands off by 0.1 degrees at -30."""
    ports = {f"port {k}": [0.0, y, 0.0] for k, y in enumerate((-30.0, -10.0, 10.0, 30.0), start=1)}
    features = "".join(
        f'[[feature]]\nname = "{name}"\noperation = "slope"\nat = {at}\nalong = "+Z"\n'
        for name, at in ports.items()
    )
    path = job(RING + features, MILL)
    rows = [f"{name},{at[1] * np.radians(0.1):.5f},0.001" for name, at in ports.items()]
    for order, named in (([0, 1, 2, 3], False), ([3, 1, 2, 0], True)):
        values = [rows[k].split(",", 1)[1] for k in order]
        text = "".join(f"{name},{value}\n" for name, value in zip(ports, values, strict=True))
        ended = run("correct", path, table(f"feature,deviation_mm,u_mm\n{text}"))
        words = "rows 2 and 5, port 1, slope and port 4, slope, fit if each has the other's figures"
        assert (words in " ".join(ended.out.split())) == named
