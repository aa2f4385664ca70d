"""`tiltwright reach`: the verdict, the figures, the units, the refusals."""

import json
import math
import re
import struct
import xml.etree.ElementTree as ET

import pytest

from tiltwright.files.quantity import DENSITY, FORCE, MASS, MODULUS, TORQUE, parse_quantity
from tiltwright.job.evaluate import evaluate_job
from tiltwright.output.numbers import length
from tiltwright.reach.analysis import analyse_reach
from tiltwright.reach.messages import Verdict, failures
from tiltwright.reach.report import reach_report
from tiltwright.reach.text import reach_text
from tiltwright.reach.wording import closing_words, shown_down, shown_up

MACHINE = """
name  = "Bench mill"
units = "mm"
z_reference = "gauge line"

[travel]
x = [-400.0, 400.0]
y = [-300.0, 300.0]
z = [-100.0, 500.0]

[[rotary]]
letter = "A"
along  = "+X"
positive_turn = "clockwise"
point  = [0.0, 0.0, 0.0]
limits = [-120.0, 30.0]
holding_torque = "60 N·m"
capacity = "40 kg"

[[rotary]]
letter = "C"
along  = "+Z"
positive_turn = "clockwise"
point  = [0.0, 0.0, 0.0]
limits = "endless"

[platter]
face = 0.0
diameter = 160.0
thickness = 20.0

[spindle]
diameter = 80.0
length = 100.0
retract = { z = 450.0 }

[[holder]]
name = "collet holder"
parts = [[60.0, 50.0]]

[[solid]]
name = "ledge"
on = "A"
box = { low = [15.0, -20.0, 0.0], high = [90.0, 20.0, 131.0] }

[[solid]]
name = "bed"
on = "base"
box = { low = [-200.0, -200.0, -200.0], high = [200.0, 200.0, -180.0] }
"""

JOB = """
name = "Beacon cap"
units = "mm"
machine = "teaching_mill.toml"

[[tool]]
name = "mill"
length = 100.0
diameter = 10.0
holder = "collet holder"

[[stack]]
name = "post"
up = 100.0
round = 20.0
material = "steel"
blank = true

[[operation]]
name = "top"
at = { A = 0, C = 0 }
tool = "mill"
sweep = { x = [-8, 0], z = [0, 5] }
force = "200 N"

[[operation]]
name = "side"
at = { A = -90, C = 0 }
origin = [0.0, 10.0, -15.0]
tool = "mill"
"""


pytestmark = pytest.mark.usefixtures("reach_once")


def test_a_job_that_fits(run, job):
    ended = run("reach", job(JOB, MACHINE))
    assert ended.code == 0, ended.err
    assert "Prove it out above the part" in ended.err
    for words in ("Taken as given", "Index moves", "Load", "holder 1 to ledge"):
        assert words in ended.out
    assert "No sweep is stated for side" in ended.out


def test_the_figures_by_hand(run, job):
    found = json.loads(run("reach", job(JOB, MACHINE), "--json").out)
    assert (found["schema"], found["units"], found["fits"], found["against"]) == (
        "tiltwright.reach/1",
        "mm",
        True,
        [],
    )
    top, side = found["operations"]
    # The tip at 100 to 105, the tool 100 long: Z 200 to 205 of -100 to 500.
    assert top["linear"]["Z"] == {"low": 200.0, "high": 205.0, "to_low": 300.0, "to_high": 295.0}
    assert top["linear"]["X"] == {"low": -8.0, "high": 0.0, "to_low": 392.0, "to_high": 400.0}
    assert top["rotary"]["A"] == {"to_low_deg": 120.0, "to_high_deg": 30.0}
    # The ledge begins at X 15 and ends at 131; the holder, 25 in radius, begins at 140: 9 above it, at X 0.
    assert top["nearest"]["distance"] == pytest.approx(9.0, abs=1e-6)
    assert (top["nearest"]["cutting"], top["nearest"]["turning"]) == ("holder 1", "ledge")
    assert top["nearest"]["corner"] == {"X": 0, "Y": 0, "Z": -1}
    assert top["tool_length"]["shortest"] == pytest.approx(91.0, abs=0.02)
    # 200 N where the tip cuts: on the blank's top, 100 above the tilt axis, not at the sweep's upper end in the air.
    assert top["torque_Nm"]["A"]["force"] == pytest.approx(200.0 * 0.1)
    mass = math.pi * 0.01**2 * 0.1 * 7850.0
    load = found["load"][0]
    assert load["mass_kg"] == pytest.approx(mass)
    assert load["worst_gravity_Nm"] == pytest.approx(mass * 9.80665 * 0.05)
    assert side["torque_Nm"]["A"]["gravity"] == pytest.approx(mass * 9.80665 * 0.05)
    moves = found["index_moves"]
    assert [(move["from"], move["to"], move["fits"]) for move in moves] == [
        ("top", "side", True),
        ("side", "start", True),
    ]
    # The tip waits at 450 - 100, 10 beside the ledge along X. The ledge's edge swings hypot(131, 20) about the tilt axis;
    # on the way back to the start the tool, 5 in radius, stays over the side operation, at Y -85.
    swing = math.hypot(131.0, 20.0)
    for move, out in zip(moves, (0.0, 80.0), strict=True):
        true = math.hypot(math.hypot(350.0, out) - swing, 10.0)
        assert move["at_least"] <= true <= move["true_at_most"]
        assert move["at_least"] == pytest.approx(true, rel=0.02)
        assert move["at_least"] <= move["seen"] <= move["true_at_most"]


def test_inches_say_the_same(run, job):
    metric = json.loads(run("reach", job(JOB, MACHINE), "--json").out)
    inches = json.loads(run("reach", job(JOB, MACHINE), "--json", "--units", "inch").out)
    for before, after in zip(metric["operations"], inches["operations"], strict=True):
        assert after["nearest"]["distance"] * 25.4 == pytest.approx(before["nearest"]["distance"], abs=1e-9)
        for axis in "XYZ":
            for key, value in before["linear"][axis].items():
                assert after["linear"][axis][key] * 25.4 == pytest.approx(value, abs=1e-9)
    text = run("reach", job(JOB, MACHINE), "--units", "inch").out
    assert "carries lb" in text
    assert "lbf·ft" in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("sweep = { x = [-8, 0]", "sweep = { x = [-8, 40]"), "top: holder 1 to ledge is"),
        (("length = 100.0", "length = 85.0"), "top: holder 1 runs into ledge"),
        (
            ("origin = [0.0, 10.0, -15.0]", "origin = [0.0, 600.0, -15.0]"),
            "beyond the upper end of its travel",
        ),
        (('force = "200 N"', 'force = "700 N"'), "top: gravity and cutting force put up to"),
        (('material = "steel"', 'mass = "45 kg"'), "A carries 45.00 kg; its capacity is 40.00"),
        (("up = 100.0", "up = 400.0"), "tool and post run into each other"),
        # The tip works up to 105, the tool is 100 long.
        (
            ("[[tool]]", "retract = { z = 150.0 }\n[[tool]]"),
            "top: works up to Z 205.000, above the retract position, Z 150.000",
        ),
    ],
)
def test_what_does_not_fit_is_said(run, job, change, words):
    clear = ("--clear", "10") if "40]" in change[1] else ()
    ended = run("reach", job(JOB.replace(*change), MACHINE), *clear)
    assert ended.code == 1
    assert words in ended.err


def test_gravity_alone_may_be_too_much_for_a_rotary(run, job):
    """The post's 0.25 kg at half its 100 mm: 0.12 N·m with A level, whatever is cut."""
    ended = run("reach", job(JOB, MACHINE.replace("60 N·m", "0.1 N·m")))
    assert ended.code == 1
    assert "A: gravity puts 0.12 N·m on it at machine angle -90.0000; it holds 0.10" in ended.err


def test_an_index_move_keeps_the_distance_too(run, job):
    """On the way the platter's edge dips to some 97 mm above the bed, at the operations it stays 99.975 away."""
    ended = run("reach", job(JOB, MACHINE), "--clear", "98")
    assert ended.code == 1
    assert "platter to bed may be as little as 96." in ended.err
    assert "the distance to keep is 98.000" in ended.err


def test_a_search_that_was_broken_off_says_so(run, job, monkeypatch):
    monkeypatch.setattr("kinematics.reach.branch_and_bound._MOST_ITEMS", 2)
    ended = run("reach", job(JOB, MACHINE), "--clear", "99")
    assert ended.code == 1
    assert "the search was broken off before it knew more, and the smallest gap it saw is" in ended.err


ROUNDS = """
[[solid]]
name = "cone"
on = "C"
cylinder = { start = [0, 60, 0], end = [0, 60, 30], diameter = 40.0, end_diameter = 20.0 }
material = "steel"

[[solid]]
name = "ring"
on = "C"
tube = { start = [-60, 0, 0], end = [-60, 0, 10], diameter = 40.0, bore = 20.0 }
material = "steel"
"""


def test_rounds_and_tubes_weigh_what_they_should(run, job):
    """A cone's frustum of 40 and 20 by 30: pi 30 (20^2 + 20 10 + 10^2) / 3; a ring: pi 10 (20^2 - 10^2)."""
    bare, loaded = (
        json.loads(run("reach", job(text, MACHINE), "--json").out) for text in (JOB, JOB + ROUNDS)
    )
    more = loaded["load"][1]["mass_kg"] - bare["load"][1]["mass_kg"]
    assert more == pytest.approx(math.pi * (30.0 * 700.0 / 3.0 + 10.0 * 300.0) * 1e-9 * 7850.0)


def test_a_shank_goes_where_its_tool_has_cut_and_nowhere_else(run, job):
    """30 deep into the blank with 10 of flute: a shank that is thicker than the tool meets what is left standing."""
    deep = JOB.replace("x = [-8, 0], z = [0, 5]", "z = [-30, 5]")
    for shank, meets in (("12.0", True), ("10.0", False), ("8.0", False)):
        text = deep.replace("diameter = 10.0\n", f"diameter = 10.0\nflute = 10.0\nshank = {shank}\n", 1)
        ended = run("reach", job(text, MACHINE.replace("131.0]", "60.0]")), "--only", "top")
        assert ("top: shank runs into post" in ended.err) == meets
        assert ended.code == int(meets)
    # In the air above it the same shank is at a distance: the flute stands 10 below it, the tip on the blank's top.
    text = JOB.replace("diameter = 10.0\n", "diameter = 10.0\nflute = 10.0\nshank = 12.0\n", 1)
    report = json.loads(run("reach", job(text, MACHINE.replace("131.0]", "60.0]")), "--json").out)
    assert report["operations"][0]["nearest"]["distance"] == pytest.approx(10.0, abs=1e-9)
    assert report["operations"][0]["nearest"]["cutting"] == "shank"


def test_the_way_up_counts(run, job):
    # A roof over the whole operation, far above its sweep and below the retracted tool.
    roof = """
[[solid]]
name = "roof"
on = "A"
box = { low = [-10.0, -10.0, 260.0], high = [10.0, 10.0, 265.0] }
"""
    text = JOB.replace("x = [-8, 0]", "x = [0, 0]")
    assert "roof" in run("reach", job(text, MACHINE + roof)).err
    # A hook beside the tool that only the wide holder meets on its way up.
    hook = roof.replace("[-10.0, -10.0, 260.0]", "[-90.0, -5.0, 340.0]").replace(
        "[10.0, 10.0, 265.0]", "[-20.0, 5.0, 345.0]"
    )
    ended = run("reach", job(text, MACHINE + hook))
    assert "top: on the way straight up, spindle nose runs into roof" in ended.err


def test_clear_and_margin_are_typed_in_the_unit_shown(run, job):
    path = job(JOB, MACHINE)
    assert run("reach", path, "--clear", "8.9").code == 0
    assert run("reach", path, "--clear", "9.1").code == 1
    assert run("reach", path, "--units", "inch", "--clear", "0.353").code == 0  # 8.97 mm
    assert run("reach", path, "--margin", "291").code == 1
    assert "the margin to leave is 291.000" in run("reach", path, "--margin", "291").err
    job_says = job(JOB.replace('units = "mm"\n', 'units = "mm"\nclear = 9.5\n', 1), MACHINE)
    assert run("reach", job_says).code == 1
    assert run("reach", job_says, "--clear", "0").code == 0


def test_only_one_operation(run, job):
    found = json.loads(run("reach", job(JOB, MACHINE), "--only", "side", "--json").out)
    assert [one["name"] for one in found["operations"]] == ["side"]
    assert found["index_moves"] == []


def test_without_solids_tools_and_travels(run, examples):
    ended = run("reach", examples / "tide_gauge_head.toml")
    assert ended.code == 0, ended.err
    assert "NOT CHECKED: Z travel, and distances from tool, holder and spindle, at top port" in ended.out
    assert "NOT CHECKED: sub-plate, round standoff" in ended.out
    assert "not known" in ended.out


def test_size(run, job):
    path = job(JOB, MACHINE)
    found = json.loads(
        run("reach", path, "--size", "post", "--between", "20:600", "--clear", "2", "--json").out
    )
    assert found["schema"] == "tiltwright.reach-size/1"
    (one,) = found["heights"]
    # The holder must end 2 above the ledge at 131 with 40 of tool below it: 93. Not above, since the swing of the
    # post brings its rim under the tool that waits at 350.
    assert one["low"] == pytest.approx(93.0, abs=0.02)
    assert one["low_stop"] == {"by": "clearance", "what": "holder 1 to ledge", "operation": "top"}
    assert one["high_stop"]["by"] in {"swing", "travel", "load"}
    for height, fits in (
        (one["low"] + 0.05, 0),
        (one["low"] - 0.05, 1),
        (one["high"] - 0.05, 0),
        (one["high"] + 5, 1),
    ):
        assert (
            run("reach", job(JOB.replace("up = 100.0", f"up = {height}"), MACHINE), "--clear", "2").code
            == fits
        )
    stiff = next(row for row in found["stiffness"] if row["height"] == 100.0)
    second = math.pi * 20.0**4 / 64.0
    assert stiff["N_per_mm"] == pytest.approx(3 * 200e3 * second / 100.0**3)
    assert stiff["deflection"] == pytest.approx(200.0 / stiff["N_per_mm"])
    assert [seat["axis"] for seat in found["seat"]] == ["X", "Y", "Z"]
    assert found["seat"][0]["low"] == pytest.approx(-392.0)  # the top operation needs X -8 of -400
    text = run("reach", path, "--size", "post", "--between", "98:102")
    assert text.code == 0
    assert "As a cantilever" in text.out


def test_the_example_reaches(run, examples, cap):
    assert not failures(cap)
    assert "screw hole 4" in reach_text(cap, "mm")
    found = json.loads(
        run(
            "reach", examples / "mast_cap.toml", "--size", "tube standoff", "--between", "90:100", "--json"
        ).out
    )
    assert found["heights"][0]["high"] == pytest.approx(95.56, abs=0.01)
    assert found["heights"][0]["high_stop"]["what"] == "holding torque of A"


def test_no_height_fits(run, job):
    ended = run("reach", job(JOB, MACHINE), "--size", "post", "--between", "20:60", "--clear", "2")
    assert ended.code == 1
    assert "No height fits. For example:" in ended.out
    # 100 is too tall to be looked at; at 20 and at 60 the ledge, 131 tall, reaches the holder.
    assert re.search(r"20\.000 +holder 1 to ledge, at top", ended.out)
    assert re.search(r"60\.000 +holder 1 to ledge, at top", ended.out)
    report = json.loads(
        run("reach", job(JOB, MACHINE), "--size", "post", "--between", "20:60", "--clear", "2", "--json").out
    )
    assert report["refused"][0] == {
        "height": 20.0, "by": "clearance", "what": "holder 1 to ledge", "operation": "top"
    }  # fmt: skip
    assert "no height of post fits and clears" in ended.err


def test_what_was_not_checked_stands_on_the_picture(run, job, tmp_path):
    path = tmp_path / "side.svg"
    ended = run("reach", job(JOB, MACHINE), "--only", "top", "--picture", path)
    texts = [node.text or "" for node in ET.parse(path).getroot().iter() if node.tag.endswith("text")]
    assert any(text.startswith("NOT CHECKED: the load on C") for text in texts)
    assert "NOT CHECKED: the load on C" in ended.err


def test_a_refused_touch_off_is_a_no(run, job, tmp_path):
    touched = "[touched]\nX = 0\nY = 0\nZ = 110\npose = { A = 0, C = 0 }\nuse = 'stack'\n"
    wrong = job(JOB.replace("[[tool]]", touched + "\n[[tool]]", 1), MACHINE)
    picture = tmp_path / "top.svg"
    for more in ([], ["--only", "top", "--picture", picture], ["--size", "post", "--between", "80:120"]):
        ended = run("reach", wrong, *more)
        assert ended.code == 1
        assert "touched-off part zero is 10.000 mm from the stack's" in ended.err


def test_lengths_typed_at_options_may_have_a_unit(run, job):
    close = job(JOB, MACHINE)
    plain = run("reach", close, "--clear", "3", "--margin", "5", "--json")
    typed = run("reach", close, "--clear", "3mm", "--margin", "5 mm", "--json")
    assert json.loads(plain.out) == json.loads(typed.out)
    ended = run("reach", close, "--margin", "1/4 in")
    assert (ended.code, "--margin: found" in ended.err) == (2, True)


def test_picture(run, job, tmp_path):
    path = tmp_path / "side.svg"
    ended = run("reach", job(JOB, MACHINE), "--only", "top", "--picture", path)
    assert ended.code == 0, ended.err
    root = ET.parse(path).getroot()
    texts = [node.text for node in root.iter() if node.tag.endswith("text")]
    assert "9.000" in texts
    assert any("from the front" in (text or "") for text in texts)
    colours = {node.get("fill") for node in root.iter() if node.get("fill", "none") != "none"}
    assert all(c in {"white", "black"} or c[1:3] == c[3:5] == c[5:7] for c in colours)  # grey prints as it is
    assert run("reach", job(JOB, MACHINE), "--only", "top", "--picture", path).code == 2
    assert run("reach", job(JOB, MACHINE), "--picture", tmp_path / "all.svg").code == 2
    assert run("reach", job(JOB, MACHINE), "--only", "top", "--picture", tmp_path / "it.png").code == 2


def ball_stl(path, *, hole=False):
    """A tetrahedron as binary STL, with or without its last side."""
    corners = [(0, 0, 0), (30, 0, 0), (0, 30, 0), (0, 0, 30)]
    sides = [(0, 2, 1), (0, 1, 3), (1, 2, 3), (2, 0, 3)][: 3 if hole else 4]
    body = b"".join(
        struct.pack("<12fH", 0, 0, 0, *(c for k in side for c in corners[k]), 0) for side in sides
    )
    path.write_bytes(b" " * 80 + struct.pack("<I", len(sides)) + body)


MESH = """
[[solid]]
name = "bracket"
on = "post"
mesh = { file = "bracket.stl", units = "mm", at = [100.0, 0.0, 0.0] }
"""


def test_a_mesh(run, job, tmp_path):
    ball_stl(tmp_path / "bracket.stl")
    found = json.loads(run("reach", job(JOB + MESH + 'mass = "2 kg"\n', MACHINE), "--json").out)
    assert found["load"][0]["mass_kg"] == pytest.approx(2.0 + math.pi * 0.01**2 * 0.1 * 7850.0)
    inch = json.loads(
        run("reach", job(JOB + MESH.replace('units = "mm"', 'units = "inch"'), MACHINE), "--json").out
    )
    assert inch["operations"][0]["name"] == "top"


@pytest.mark.parametrize(
    ("text", "machine", "words"),
    [
        (JOB + MESH, None, "solid 1, mesh: found no such file or directory: bracket.stl"),
        (JOB + MESH.replace(', units = "mm"', ""), None, "solid 1, mesh, units: the key is missing"),
        (
            JOB.replace("diameter = 10.0", "diameter = -10.0"),
            None,
            "tool 1, diameter: found -10.0; allowed: a number above 0",
        ),
        (JOB.replace("round = 20.0", "round = -20.0"), None, "stack 1, round: found -20.0"),
        (JOB.replace('tool = "mill"', 'tool = "mil"', 1), None, 'did you mean "mill"?'),
        (JOB.replace("x = [-8, 0]", "x = [0, -8]"), None, "operation 1, sweep, x: found [0, -8]"),
        (JOB.replace('"collet holder"', '"colet holder"'), None, 'did you mean "collet holder"?'),
        (
            JOB.replace("length = 100.0", "length = 50.0"),
            None,
            "found 50; allowed: more than its holder's length of 60",
        ),
        (
            JOB.replace("length = 100.0", "length = 2.0").replace('units = "mm"', 'units = "inch"', 1),
            None,
            "found 2; allowed: more than its holder's length of 2.3622",
        ),
        (JOB.replace('"200 N"', "200"), None, "a number above zero and its unit, N, kN or lbf"),
        (JOB.replace('"steel"', '"stele"'), None, 'did you mean "steel"?'),
        (JOB.replace("round = 20.0", "round = 20.0\nbar = [20, 20]"), None, "round and bar both"),
        (
            JOB.replace("round = 20.0", "round = 20.0\nbore = 20.0"),
            None,
            "a bore of less than the round's 20",
        ),
        (JOB, MACHINE.replace("131.0]", "-1.0]"), "solid 1, box, high: found an edge of -1 along z"),
        (JOB, MACHINE.replace('on = "base"', 'on = "bed"'), 'found an unknown place, "bed"'),
        (
            JOB,
            MACHINE.replace("[[60.0, 50.0]]", "[[60.0, -50.0]]"),
            "holder 1, parts, value 1, value 2: found -50.0",
        ),
        (JOB, MACHINE.replace("length = 100.0\n", ""), "diameter alone"),
        (
            JOB,
            MACHINE.replace("z = 450.0", "z = 501.0"),
            "spindle, retract, z: found 501; allowed: -100 to 500, the axis' travel",
        ),
        (
            JOB.replace("[[tool]]", "retract = { x = -400.1, z = 450.0 }\n[[tool]]", 1),
            None,
            "retract, x: found -400.1; allowed: -400 to 400, the axis' travel",
        ),
    ],
)
def test_input_that_cannot_be(run, job, text, machine, words):
    ended = run("reach", job(text, machine or MACHINE))
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err
    assert "Traceback" not in ended.err


def test_an_open_mesh_and_no_mesh_at_all(run, job, tmp_path):
    ball_stl(tmp_path / "bracket.stl", hole=True)
    ended = run("reach", job(JOB + MESH, MACHINE))
    assert ended.code == 2
    assert "job.toml:35: solid 1, mesh: found" in ended.err
    assert "expected a closed surface, found 3 edges that only one triangle has" in ended.err
    (tmp_path / "bracket.stl").write_bytes(b"\x00\xff not a mesh")
    ended = run("reach", job(JOB + MESH, MACHINE))
    assert (ended.code, "Traceback" in ended.err) == (2, False)


def test_a_mesh_is_not_written_over(run, job, tmp_path):
    ball_stl(tmp_path / "bracket.stl")
    before = (tmp_path / "bracket.stl").read_bytes()
    ended = run("reach", job(JOB + MESH, MACHINE), "-o", tmp_path / "bracket.stl", "--force")
    assert ended.code == 2
    assert (tmp_path / "bracket.stl").read_bytes() == before


def test_an_unknown_tool_where_there_are_none(run, job):
    text = JOB.replace(JOB[JOB.index("[[tool]]") : JOB.index("[[stack]]")], "")
    ended = run("reach", job(text, MACHINE))
    assert ended.code == 2
    assert "the job has no [[tool]] tables" in ended.err
    assert run("offsets", job(text, MACHINE)).code == 0  # a tool's name is enough for a sheet


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--size", "pots"), 'did you mean "post"?'),
        (("--size", "post", "--between", "60:20"), "the lower one first"),
        (("--between", "20:60"), "--between with --size only"),
        (("--clear=-1",), "0 or more"),
        (("--size", "post", "--picture", "x.svg"), "one of them"),
    ],
)
def test_options_that_cannot_be(run, job, options, words):
    ended = run("reach", job(JOB, MACHINE), *options)
    assert ended.code == 2
    assert words in ended.err


def test_quantities():
    # Exact by definition: the pound (1959 agreement), the inch, standard gravity. The psi follows from them.
    assert parse_quantity("1 lbf", FORCE) == pytest.approx(4.4482216152605, rel=1e-15)
    assert parse_quantity("1 lb", MASS) == 0.45359237
    assert parse_quantity("1 lbf·ft", TORQUE) == pytest.approx(1.3558179483314004, rel=1e-15)
    assert parse_quantity("12 lbf·in", TORQUE) == pytest.approx(parse_quantity("1 lbf·ft", TORQUE))
    assert parse_quantity("0.284 lb/in³", DENSITY) == pytest.approx(7861.0, abs=1.0)  # steel, from memory
    assert parse_quantity("29 Mpsi", MODULUS) == pytest.approx(199.9, abs=0.1)  # steel, from memory
    for text in ("0 N", "-3 N", "3", "N", "3 kg", "1e3 N", "", "3 N N"):
        with pytest.raises(ValueError, match="a number above zero and its unit"):
            parse_quantity(text, FORCE)


def without_bed(machine):
    return machine.replace('on = "base"', 'on = "A"')


def test_what_was_not_checked_stands_first(run, job):
    path = job(JOB, without_bed(MACHINE))
    ended = run("reach", path)
    assert ended.code == 0, ended.err
    assert ended.out.startswith("NOT CHECKED: table and housing against what turns")
    assert "every operation" not in ended.err
    report = json.loads(run("reach", path, "--json").out)
    assert report["not_checked"][0]["kind"] == "table"
    assert {one["kind"] for one in report["not_checked"]} == {"table", "load", "mass"}
    study = run("reach", path, "--size", "post", "--between", "90:110")
    assert study.out.startswith("NOT CHECKED: table and housing")
    only = json.loads(run("reach", path, "--only", "side", "--json").out)
    assert "one operation" in {one["kind"] for one in only["not_checked"]}
    bare = job(JOB, MACHINE.replace("thickness = 20.0\n", ""))
    kinds = [one["kind"] for one in json.loads(run("reach", bare, "--json").out)["not_checked"]]
    assert "platter thickness" in kinds
    assert "below its face; no thickness is stated" in run("reach", bare).out
    bare = job(JOB, MACHINE.replace("thickness = 20.0\n", "").replace("diameter = 160.0\n", ""))
    assert "platter" in {one["kind"] for one in json.loads(run("reach", bare, "--json").out)["not_checked"]}
    # With a solid on the base it was.
    report = json.loads(run("reach", job(JOB, MACHINE), "--json").out)
    assert "table" not in {one["kind"] for one in report["not_checked"]}
    assert report["operations"][0]["table_nearest"]["distance"] == pytest.approx(160.0)  # platter to bed


def test_the_sentence_at_the_end_says_what_was_checked_and_no_more():
    complete = Verdict(checked=("reaches", "clears", "holds"), complete=True)
    assert closing_words(complete).startswith("every operation reaches, clears and holds")
    partly = Verdict(checked=("clears",), complete=False)
    assert closing_words(partly).startswith("everything checked clears")
    assert closing_words(Verdict(checked=(), complete=False)).startswith("nothing was checked")


TRUNNION = """
name  = "Bench trunnion"
units = "inch"
z_reference = "gauge line"

[[rotary]]
letter = "B"
along  = "+Y"
positive_turn = "clockwise"
point  = [0.0, 0.0, 0.0]
limits = [-100.0, 100.0]

[[rotary]]
letter = "C"
along  = "+Z"
positive_turn = "clockwise"
point  = [0.0, 0.0, 0.0]
limits = "endless"

[platter]
face = 0.0
diameter = 6.3
thickness = 0.8

[[solid]]
name = "mill table"
on = "base"
box = { low = [-20.0, -10.0, -5.0], high = [20.0, 10.0, -1.35] }
"""


def test_a_platter_inside_the_mill_table_fails(run, job):
    # 3.15 in radius about B: at B90 the platter reaches 1.8 in below the table's top.
    text = """
name = "Cap"
units = "inch"
machine = "teaching_mill.toml"

[[operation]]
name = "face"
at = { B = 0, C = 0 }

[[operation]]
name = "side"
at = { B = 90, C = 0 }
"""
    ended = run("reach", job(text, TRUNNION))
    assert ended.code == 1
    assert "side: platter runs into mill table" in ended.err
    report = json.loads(run("reach", job(text, TRUNNION), "--json").out)
    assert report["fits"] is False
    assert {(one["kind"], one["operation"]) for one in report["failures"]} == {
        ("table", "side"),
        ("index move", None),
    }
    assert report["operations"][0]["table_nearest"]["distance"] == pytest.approx(0.55, abs=1e-3)
    tilted = json.loads(run("reach", job(text.replace("B = 90", "B = 5"), TRUNNION), "--json").out)
    # Its rim hangs 3.15 sin 5 + 0.8 cos 5 below the line.
    true = 1.35 - 3.15 * math.sin(math.radians(5)) - 0.8 * math.cos(math.radians(5))
    nearest = tilted["operations"][1]["table_nearest"]
    assert nearest["distance"] <= true <= nearest["true_at_most"]
    assert tilted["fits"] is True


def test_both_ways_of_an_index_move_are_told(run, job):
    text = JOB.replace("{ A = -90, C = 0 }", "{ A = -90, C = 120 }")
    moves = json.loads(run("reach", job(text, MACHINE), "--json").out)["index_moves"]
    assert [(one["from"], one["to"], one["turn"], one["ways"]) for one in moves] == [
        ("top", "side", {"A": -90.0, "C": 120.0}, 2),
        ("top", "side", {"A": -90.0, "C": -240.0}, 2),
        ("side", "start", {"A": 90.0, "C": -120.0}, 2),
        ("side", "start", {"A": 90.0, "C": 240.0}, 2),
    ]
    assert [one["to_start"] for one in moves] == [False, False, True, True]
    assert "both ways were checked" in run("reach", job(text, MACHINE)).out
    for stated, turns in (
        ('index_move = "short way"', [120.0, -120.0]),
        ('index_move = "as the numbers run"', [120.0, -120.0]),
    ):
        machine = MACHINE.replace('limits = "endless"', f'limits = "endless"\n{stated}')
        ended = run("reach", job(text, machine), "--json")
        assert [one["turn"]["C"] for one in json.loads(ended.out)["index_moves"]] == turns
    half = text.replace("C = 120", "C = 180")
    machine = MACHINE.replace(
        'limits = "endless"', 'limits = "endless"\nindex_move = "short way"\nhalf_turn = "negative"'
    )
    moves = json.loads(run("reach", job(half, machine), "--json").out)["index_moves"]
    assert [one["turn"]["C"] for one in moves] == [-180.0, -180.0]
    assert (
        "half turns as named, as the machine file states: C negative" in run("reach", job(half, machine)).out
    )


@pytest.fixture(scope="module")
def cap():
    """The example's analysis: its text and its report are made of nothing else, in whatever unit."""
    return analyse_reach(evaluate_job("examples/mast_cap.toml"), None, 0.0)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_stated_bounds_hold_for_every_distance_shown(cap, units):
    """Read from the text: no distance is shown longer than it is, nor shorter by more than "taken as given" states."""
    report, text = reach_report(cap, units), reach_text(cap, units)
    at_operations, on_moves = (
        float(re.search(rf"{words}.*at most ([0-9.]+) {units} too short", text)[1])
        for words in ("a distance at an operation", "The smallest gap of an index move")
    )
    decimals = 3 if units == "mm" else 4

    def shown(value):
        return math.floor(value * 10**decimals + 1e-6) / 10**decimals

    for one in report["operations"]:
        for near in (one["nearest"], one["table_nearest"]):
            assert shown(near["distance"]) <= near["distance"] + 1e-9
            assert near["true_at_most"] - shown(near["distance"]) <= at_operations
            assert f"{shown(near['distance']):.{decimals}f}" in text
    for move in report["index_moves"]:
        for near in (move, move["table"]):
            assert near["true_at_most"] - shown(near["at_least"]) <= on_moves


def test_rounding_to_the_safe_side():
    assert [shown_down(value, "mm") for value in (8.9999, 9.0, 9.0 - 1e-13, 0.0004)] == [
        "8.999",
        "9.000",
        "9.000",
        "0.000",
    ]
    assert [shown_up(value, "mm") for value in (0.0380, 0.03801, 0.0, 9.0 + 1e-13)] == [
        "0.038",
        "0.039",
        "0.000",
        "9.000",
    ]
    assert (shown_down(25.4, "inch"), shown_up(25.4, "inch")) == ("1.0000", "1.0000")


def test_travel_left_is_rounded_as_sheet_and_page_round_it(run, examples):
    """409.0249 mm left were 409.024 in `reach` and 409.025 on the sheet's bars and on the page."""
    path = examples / "sensor_feet.toml"
    told = run("reach", path).out
    for one in json.loads(run("reach", path, "--json").out)["operations"]:
        for margin in one["linear"].values():
            assert f"{length(margin['to_low'], 'mm')} / {length(margin['to_high'], 'mm')}" in told


def test_an_angle_near_zero_has_one_form(run, examples):
    """C stands at machine -0.0900 in the right nest; the index moves of its unloading had it at 359.9100."""
    told = run("batch", "stub", examples / "sensor_feet.toml").out
    assert "C -0.0900, spindle retracted" in told
    assert "359.91" not in told
    assert len(re.findall(r" -0\.0900$", told, re.MULTILINE)) == 2
