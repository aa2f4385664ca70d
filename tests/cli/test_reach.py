"""`tiltwright reach`: the verdict, the figures, the units, the refusals."""

import json
import math
import re
import struct
import xml.etree.ElementTree as ET

import pytest

from tiltwright.files.quantity import DENSITY, FORCE, MASS, MODULUS, TORQUE, parse_quantity

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
on = "base"
box = { low = [15.0, -20.0, 0.0], high = [90.0, 20.0, 131.0] }
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


def test_a_job_that_fits(run, job):
    ended = run("reach", job(JOB, MACHINE))
    assert ended.code == 0, ended.err
    assert "prove it out above the part" in ended.err
    for words in ("Taken as given", "Index moves", "Load", "holder 1 to ledge"):
        assert words in ended.out
    assert "no sweep is stated for side" in ended.out


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
    # 200 N at the sweep's upper end, 105 above the tilt axis.
    assert top["torque_Nm"]["A"]["force"] == pytest.approx(200.0 * 0.105)
    mass = math.pi * 0.01**2 * 0.1 * 7850.0
    load = found["load"][0]
    assert load["mass_kg"] == pytest.approx(mass)
    assert load["worst_gravity_Nm"] == pytest.approx(mass * 9.80665 * 0.05)
    assert side["torque_Nm"]["A"]["gravity"] == pytest.approx(mass * 9.80665 * 0.05)
    (move,) = found["index_moves"]
    assert (move["from"], move["to"], move["fits"]) == ("top", "side", True)
    # The tool's tip waits at 450 - 100; the post's rim passes at most hypot(100, 10) high.
    assert move["at_least"] == pytest.approx(350.0 - math.hypot(100.0, 10.0), rel=0.02)
    assert move["at_least"] <= move["seen"]


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
        (('force = "200 N"', 'force = "700 N"'), "top: gravity and cutting force can turn A with"),
        (('material = "steel"', 'mass = "45 kg"'), "A carries 45.00 kg; its capacity is 40.00"),
        (("up = 100.0", "up = 400.0"), "post swings into tool"),
        # The tip works up to 105, the tool is 100 long.
        (
            ("[[tool]]", "retract = { z = 150.0 }\n[[tool]]"),
            "top: it works up to Z 205.000; the retract position, Z 150.000, lies below that",
        ),
    ],
)
def test_what_does_not_fit_is_said(run, job, change, words):
    clear = ("--clear", "10") if "40]" in change[1] else ()
    ended = run("reach", job(JOB.replace(*change), MACHINE), *clear)
    assert ended.code == 1
    assert words in ended.err


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
    assert "top, on the way straight up: spindle nose runs into roof" in ended.err


def test_clear_and_margin_are_typed_in_the_unit_shown(run, job):
    path = job(JOB, MACHINE)
    assert run("reach", path, "--clear", "8.9").code == 0
    assert run("reach", path, "--clear", "9.1").code == 1
    assert run("reach", path, "--units", "inch", "--clear", "0.353").code == 0  # 8.97 mm
    assert run("reach", path, "--margin", "291").code == 1
    assert "was to be left" in run("reach", path, "--margin", "291").err
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
    assert "no tool is stated for top port, upper port 1" in ended.out
    assert "no section is stated for sub-plate" in ended.out
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
    text = run("reach", path, "--size", "post")
    assert text.code == 0
    assert "As a cantilever" in text.out


def test_the_example_reaches(run, examples):
    ended = run("reach", examples / "mast_cap.toml")
    assert ended.code == 0, ended.err
    assert "screw hole 4" in ended.out
    found = json.loads(
        run(
            "reach", examples / "mast_cap.toml", "--size", "tube standoff", "--between", "60:120", "--json"
        ).out
    )
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
