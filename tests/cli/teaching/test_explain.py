"""`explain`: the sheet's numbers, line by line, on screen, as Markdown with drawings, as PDF, and for programs."""

import json
import re
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slices import cases

from kinematics.teaching import Number, RotarySwing, written_number
from kinematics.transform import rotation_about_axis
from tiltwright.job.evaluate import evaluate_job
from tiltwright.output import numbers
from tiltwright.teaching.explanation import digits_for, workings_of
from tiltwright.teaching.swing_drawing import draw_swing

JOBS = ["tide_gauge_head.toml", "float_slots.toml", "buoy_bracket.toml"]


def _table(run, path) -> dict[str, list[str]]:
    """Name to the X, Y, Z that `offsets` prints."""
    report = json.loads(run("offsets", path, "--json").out)
    decimals = 3 if report["units"] == "mm" else 4
    return {
        one["name"]: [f"{one['offset'][axis]:.{decimals}f}" for axis in "XYZ"] for one in report["operations"]
    }


@pytest.mark.parametrize("job", JOBS)
def test_the_working_ends_at_the_numbers_of_the_offsets_table(run, examples, job):
    text = run("explain", examples / job).out
    ends = re.findall(r"To the sheet's digits: X (\S+) {2}Y (\S+) {2}Z (\S+)", text)
    assert [list(end) for end in ends] == list(_table(run, examples / job).values())


def test_by_hand_ends_there_too_and_writes_no_matrix(run, examples):
    path = examples / "tide_gauge_head.toml"
    ended = run("explain", path, "upper port 2", "lower port 1", "--by-hand")
    assert ended.code == 0
    table = _table(run, path)
    for name in ("upper port 2", "lower port 1"):
        x, y, z = table[name]
        assert f"To the sheet's digits: X {x}  Y {y}  Z {z}" in ended.out
    assert "√(" in ended.out
    assert "R(C) =" not in ended.out


def test_by_hand_is_refused_where_the_machine_is_not_square(run, examples):
    ended = run("explain", examples / "float_slots.toml", "--by-hand")
    assert ended.code == 2
    assert ended.out == ""
    assert "expected a square machine, found that rotary B does not run along a machine axis" in ended.err


def test_intermediates_have_one_digit_more_than_the_sheet(run, examples):
    assert (digits_for("mm").length, digits_for("inch").length) == (4, 5)
    text = run("explain", examples / "tide_gauge_head.toml", "top port").out
    assert "z = 20.0120 + 95.0040 = 115.0160" in text
    inches = run("explain", examples / "tide_gauge_head.toml", "top port", "--units", "inch").out
    assert re.search(r"z = 0\.78787 \+ 3\.74031 = 4\.52819", inches)


def test_json_has_the_lines_in_full(run, examples):
    report = json.loads(run("explain", examples / "tide_gauge_head.toml", "upper port 1", "--json").out)
    assert report["schema"] == "tiltwright.explain/1"
    (operation,) = report["operations"]
    offsets = json.loads(run("offsets", examples / "tide_gauge_head.toml", "--json").out)["operations"]
    truth = next(one for one in offsets if one["name"] == "upper port 1")["offset"]
    for axis in "XYZ":
        assert operation["offset"][axis] == pytest.approx(truth[axis], abs=1e-9)
    assert [line["number"] for line in operation["lines"]] == list(range(1, len(operation["lines"]) + 1))
    assert operation["lines"][-1]["key"] == "offset"


def test_pdf_and_markdown_with_a_drawing_of_each_step(run, examples, tmp_path):
    path = examples / "tide_gauge_head.toml"
    assert run("explain", path, "upper port 2", "-o", tmp_path / "port.pdf").code == 0
    assert (tmp_path / "port.pdf").read_bytes().startswith(b"%PDF-")
    assert run("explain", path, "upper port 2", "-o", tmp_path / "port.md").code == 0
    text = (tmp_path / "port.md").read_text("utf-8")
    linked = re.findall(r"!\[[^]]*\]\(([^)]+)\)", text)
    # The stack, the swing about C, the swing about A, and where it ends.
    assert linked == [f"port-{n}.svg" for n in range(1, 5)]
    for name in linked:
        assert (tmp_path / name).read_text("utf-8").startswith("<?xml")


def test_nothing_is_overwritten_without_force(run, examples, tmp_path):
    path = examples / "tide_gauge_head.toml"
    (tmp_path / "port-2.svg").write_text("mine")
    ended = run("explain", path, "upper port 2", "-o", tmp_path / "port.md")
    assert ended.code == 2
    assert (tmp_path / "port-2.svg").read_text() == "mine"
    assert not (tmp_path / "port.md").exists()
    assert not (tmp_path / "port-1.svg").exists()
    assert run("explain", path, "upper port 2", "-o", tmp_path / "port.md", "--force").code == 0
    assert (tmp_path / "port-2.svg").read_text("utf-8") != "mine"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["uper port 1"], 'did you mean "upper port 1"?'),
        (["top port", "-o", "port.docx"], '--output: found the ending ".docx"; allowed: .pdf, .md, .txt'),
        (["top port", "-o", "port.pdf", "--paper", "a5"], '--paper: found "a5"'),
    ],
)
def test_bad_input_is_told(run, examples, tmp_path, monkeypatch, arguments, message):
    monkeypatch.chdir(tmp_path)
    ended = run("explain", examples / "tide_gauge_head.toml", *arguments)
    assert ended.code == 2
    assert message in ended.err
    assert not list(tmp_path.iterdir())


def test_an_operation_out_of_reach_ends_with_1(run, job):
    path = job(
        'name = "j"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
        '[[operation]]\nname = "under"\nnormal = [0, 0, -1]\n'
    )
    ended = run("explain", path)
    assert ended.code == 1
    assert ended.out == ""


def test_drawings_keep_names_inert(run, job, tmp_path):
    path = job(
        'name = "a <b>job</b> & more"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
        '[[stack]]\nname = "<script>post</script>"\nup = 50\n'
        '[[operation]]\nname = "| port # [x](y)"\nat = { A = -30, C = 40 }\n'
    )
    assert run("explain", path, "-o", tmp_path / "w.md").code == 0
    text = (tmp_path / "w.md").read_text("utf-8")
    assert "<b>" not in text.replace("\\<b\\>", "")
    assert "[x](y)" not in text
    assert "<script>" not in "".join(p.read_text("utf-8") for p in tmp_path.glob("*.svg"))
    assert run("explain", path, "-o", tmp_path / "w.pdf").code == 0


def test_a_working_is_as_exact_as_the_job(examples):
    for name in JOBS:
        worked = evaluate_job(str(examples / name))
        for placed, working in workings_of(worked, by_hand=False):
            assert working.offset_mm == pytest.approx(placed.offset_mm, abs=1e-9)


def test_where_a_direction_comes_from_is_worked_too(run, examples, tmp_path):
    """Derived here: turned 60 about z and 35 about the new x, z points along (sin 60 sin 35, -cos 60 sin 35, cos 35)."""
    job = tmp_path / "job.toml"
    mill = (examples / "teaching_mill.toml").as_posix()
    job.write_text(
        f'name = "turns"\nunits = "mm"\nmachine = "{mill}"\n[[operation]]\nname = "port"\n'
        'tip = [["z", 60], ["x", 35]]\nrepeat = { count = 2, step = 30 }\n'
        '[[operation]]\nname = "three"\nthrough = [[0, 0, 0], [10, 0, 0], [4, 0, 8]]\n',
        encoding="utf-8",
    )
    first = run("explain", job, "port 1").out
    assert "g' = Rx(35) · g" in first
    assert "= 0.49673176" in first
    assert "of the pattern" not in first
    assert "This is number 2 of the pattern" in run("explain", job, "port 2").out
    assert "m = e × f" in run("explain", job, "three").out
    told = json.loads(run("explain", job, "port 2", "--json").out)
    keys = [line["key"] for line in told["operations"][0]["lines"]]
    assert keys[:4] == ["tip 2", "tip 1", "pattern", "aim direction"]


_WORDS = {*"ABCxyzsct"} | {
    *("nx", "ny", "nz", "ki", "kj", "sin", "cos", "tan", "with", "lean", "level", "goal", "angle", "zero"),
    *("the", "other", "and"),
}
"""Words in formulas, and letters that a formula or its own lines say themselves."""


def _introduced(told: str) -> set[str]:
    """The letters in the table; a rotary's stand for any rotary's, and numbers for any number."""
    table = told.split("What the letters mean")[1].split("\n\n", maxsplit=1)[0]
    return {_stem(part) for line in table.splitlines() for part in line.split("  ")[0].split(", ")}


def _stem(letter: str) -> str:
    letter = re.sub(r"\([A-Z]( back)?\)", r"(C\1)", letter.replace("( )", ""))
    return re.sub(r"\d+[a-c]?", "", letter)


def _letters(formula: str) -> list[str]:
    """The letters of a formula without ticks and matrices in brackets; a rotary's in brackets belongs to them."""
    plain = re.sub(r"\[[^]]*\]|\(-?[\d.]+\)", "", formula)
    return [_stem(one) for one in re.findall(r"[A-Za-z]+\d*[a-c]?(?:\([A-Z](?: back)?\))?", plain)]


WEDGE = """name = "wedge"
units = "mm"
machine = "mill.toml"
[[stack]]
name = "wedge"
up = 10.0
rotate = [["x", 20], ["y", -35]]
[[stack]]
name = "vice"
up = 40.0
turn = 0.4
[[operation]]
name = "one"
normal = [1, 2, 5]
origin = [1.0, 2.0, 3.0]
repeat = { count = 2, step = 60 }
"""


@pytest.mark.parametrize(
    ("job", "route"),
    [
        ("tide_gauge_head.toml", ()),
        ("tide_gauge_head.toml", ("--by-hand",)),
        ("float_slots.toml", ()),
        ("buoy_bracket.toml", ("--by-hand",)),
        ("wedge", ()),
        ("wedge", ("--by-hand",)),
        ("touched", ()),
        ("touched", ("--by-hand",)),
    ],
)
def test_every_letter_of_a_formula_is_introduced(run, examples, tmp_path, job, route):
    """A letter stands in the table, or an earlier line has it before its equals sign."""
    path = examples / job
    if not job.endswith(".toml"):
        text = WEDGE.replace("mill.toml", (examples / "teaching_mill.toml").as_posix())
        if job == "touched":
            text = re.sub(r"rotate.*", "", text) + (
                "[touched]\nX = -381.0\nY = -290.0\nZ = -300.0\npose = { A = -25, C = 40 }\n"
                'use = "touched"\nwithin = 900.0\n'
            )
        path = tmp_path / "job.toml"
        path.write_text(text, encoding="utf-8")
    told = run("explain", path, *route)
    assert told.code == 0, told.err
    known = _introduced(told.out)
    for one in json.loads(run("explain", path, *route, "--json").out)["operations"]:
        defined: set[str] = set()
        for line in one["lines"]:
            left, equals, right = line["formula"].partition(" = ")
            for letter in _letters(right if equals else left):
                assert letter in known | defined | _WORDS, line["formula"]
            defined |= set(_letters(left))


def test_an_endless_axis_near_zero_is_shown_near_zero(run, job):
    path = job(
        'name = "j"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "post"\nup = 90.0\n'
        '[[operation]]\nname = "port"\nnormal = [0.00002, 0.7, 0.7]\n'
    )
    report = json.loads(run("explain", path, "--json").out)["operations"][0]
    (offsets,) = json.loads(run("offsets", path, "--json").out)["operations"]
    assert offsets["program"]["C"] > 359.0
    assert -1.0 < report["program"]["C"] < 0.0
    assert [report["offset"][a] for a in "XYZ"] == pytest.approx([offsets["offset"][a] for a in "XYZ"])
    text = run("explain", path).out
    assert text.count("359.998") == 1  # as the sheet prints it, told once


def test_both_leans_of_an_aim_are_worked(run, examples):
    report = json.loads(run("explain", examples / "tide_gauge_head.toml", "upper port 1", "--json").out)
    lines = {line["key"]: line for line in report["operations"][0]["lines"]}
    first = [lines[key]["calculations"][-1]["result"] for key in ("aim tilt", "aim turn")]
    other = [one["result"] for one in lines["aim other"]["calculations"]]
    assert other[0] == pytest.approx(-first[0])
    assert (other[1] - first[1]) % 360.0 == pytest.approx(180.0)
    assert lines["aim turn"]["formula"].startswith("C = (-1) × (goal - angle)")


@pytest.mark.parametrize("direction", [(0.0, 1.0, 1.0), (1.0, 0.0, 1.0), (0.3, -0.5, 0.8), (0.0, 1.0, 0.0)])
@pytest.mark.parametrize("turn_deg", [-22.0, 75.0])
def test_a_swing_is_drawn_as_far_as_the_table_turns(direction, turn_deg):
    """About a slanted line it was drawn from beside it, and the two arms did not lie the turn apart."""
    along = np.array(direction) / np.linalg.norm(direction)
    pivot, before = np.array([-381.0, -203.0, -380.0]), np.array([-370.0, -220.0, -290.0])
    after = pivot + rotation_about_axis(along, turn_deg) @ (before - pivot)
    svg = draw_swing(RotarySwing("B", along, pivot, turn_deg, before, after, "w", "w(B)"), "mm").svg
    lines = re.findall(
        r'd="M([-\d.]+),([-\d.]+) L([-\d.]+),([-\d.]+)" stroke="black" stroke-width="([\d.]+)"', svg
    )
    arms = {weight: np.array([float(v) for v in ends]) for *ends, weight in lines}
    first, second = (arms[weight][2:] - arms[weight][:2] for weight in ("0.35", "0.6"))
    # Counterclockwise is positive for an eye at the positive end; y runs down the paper.
    turned = np.degrees(np.arctan2(-second[1], second[0]) - np.arctan2(-first[1], first[0]))
    assert (turned - turn_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("turn_deg", "arrows"), [(-0.0025, 0), (0.5, 0), (30.0, 1), (-30.0, 1)])
def test_a_turn_too_small_to_be_seen_has_no_arrow(turn_deg, arrows):
    """Of a turn of nine seconds of arc a lone arrow head was left, pointing across the arm."""
    pivot, before = np.array([0.0, 0.0, 0.0]), np.array([100.0, 0.0, 0.0])
    after = rotation_about_axis(np.array([0.0, 0.0, 1.0]), turn_deg) @ before
    svg = draw_swing(
        RotarySwing("C", np.array([0.0, 0.0, 1.0]), pivot, turn_deg, before, after, "w", "w(C)"), "mm"
    ).svg
    arcs = [d for d in re.findall(r'd="([^"]*)"', svg) if " A" in d and d.count("A") == 1]
    assert (len(arcs) > 0) == bool(arrows)
    assert ("too small to be seen here" in svg) == (not arrows)


def test_a_touched_off_setup_is_drawn_without_heights_that_nothing_adds_up(run, examples, tmp_path):
    for job, sized in (("mast_cap.toml", True), ("float_slots.toml", False)):
        out = tmp_path / f"{job}.md"
        assert run("explain", examples / job, "-o", out).code == 0
        drawn = [path.read_text("utf-8") for path in tmp_path.glob(f"{job}-*.svg")]
        assert drawn
        assert any(re.search(r">\d  .*, up ", svg) for svg in drawn) is sized


@given(value=st.integers(-(10**9), 10**9), below=st.sampled_from([0.0, 1e-8, 4e-7, 3e-6, 2e-5, -2e-5]))
@settings(max_examples=cases(600), deadline=None)
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_a_step_rounded_once_more_is_what_the_sheet_prints(units, value, below):
    """-359.77747 was written -359.7775 above a sheet that says -359.777: a student rounds that to -359.778."""
    unit, decimals = numbers.UNIT_MM[units], numbers.DECIMALS[units]
    shown = value / 10.0 ** (decimals + 1) - below
    length_mm = round(shown * unit, 12)
    written = Decimal(written_number(Number(length_mm), digits_for(units)))
    printed = numbers.length(length_mm, units)
    once_more = written.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    exact = Decimal(repr(round(numbers.in_units(round(length_mm, 9), units), 9)))
    if abs(exact * 10**decimals % 1) != Decimal("0.5"):  # of a true tie either neighbour is as near
        assert once_more == Decimal(printed)
