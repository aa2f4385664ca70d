"""`batch program`: probing programs run on a simulated control, held against the library; and parts that must stop them.

A slice of random shops; `python tests/cli/batch/prove_program.py 2000` runs as many parts as it is told.
"""

import json

import numpy as np
import pytest

from probed_shop import Compared, Lying, Shop, compare, control_of, lying, shop, stopped
from simulated_control import Thing
from tiltwright.batch.zero_probing import probed_parts
from tiltwright.files.loader import read_job
from tiltwright.uncertainty.correction_file import with_correction

# Lengths and coefficients are written with nine decimals: a few 1e-8 mm in the sum, in inches too.
WITHIN_MM = 1e-7


@pytest.mark.parametrize("seed", range(8))
def test_the_program_sets_what_the_library_says_of_parts_as_they_lie(tmp_path, seed):
    rng = np.random.default_rng(seed)
    found = shop(rng, tmp_path)
    into = Compared()
    for _ in range(2):
        hows = [lying(rng, found, nest) for nest in found.parts.nests]
        control = control_of(found, hows, seen=seed % 4 == 0)
        assert stopped(found, control) is None
        compare(found, control, hows, 1, into)
    assert into.numbers
    assert into.other_digits == 0
    assert into.farthest_mm < WITHIN_MM


@pytest.mark.parametrize("seed", range(20, 24))
def test_a_part_beyond_its_limits_stops_the_program(tmp_path, seed):
    rng = np.random.default_rng(seed)
    kind = "edges and clocking" if seed % 2 else None
    found = shop(rng, tmp_path, kind=kind)
    fine = [lying(rng, found, nest) for nest in found.parts.nests]
    for k, nest in enumerate(found.parts.nests):
        for how in beyond(rng, found, nest):
            control = control_of(found, [*fine[:k], how, *fine[k + 1 :]])
            assert stopped(found, control) == "negative argument to sqrt"
            assert control.messages[-1].startswith(nest.name)
        control = control_of(found, fine, missing={k})
        assert stopped(found, control) == "probe did not trip"
        assert control.messages[-1] == f"{nest.name}: probing"


def beyond(rng, found, nest):
    """A part just too far off, one far too far; one clocked too much."""
    way = rng.normal(size=3)
    way /= np.linalg.norm(way)
    yield Lying(way * nest.within_mm * 1.001, 0.0)
    yield Lying(way * (nest.within_mm + 1.2), 0.0)
    if found.clocks:
        yield Lying(0.2 * way * nest.within_mm, nest.clock_within_deg * 1.01)
        yield Lying(0.2 * way * nest.within_mm, nest.clock_within_deg * -3.0)


def test_more_offsets_than_nine_have_loaders_that_go_by_what_was_probed(tmp_path):
    rng = np.random.default_rng(3)
    found = shop(rng, tmp_path, nests=2, operations=6, kind="edges")
    assert len(found.programs) == 2
    assert found.parts.display_offset_is_free
    hows = [lying(rng, found, nest) for nest in found.parts.nests]
    control, into = control_of(found, hows), Compared()
    for loader, program in enumerate(found.programs, start=1):
        control.run(program)
        compare(found, control, hows, loader, into)
    assert into.numbers == 12 * 5
    assert into.other_digits == 0
    # No later loader runs unprobed.
    fresh = control_of(found, hows)
    fresh.parameters[100] = 0.0
    fresh.line("M5")
    with pytest.raises(Exception, match="negative argument to sqrt"):
        fresh.run(found.programs[1])
    assert not fresh.set_numbers


def test_where_all_nine_are_used_the_one_that_is_zero_meanwhile_is_set_last(tmp_path):
    rng = np.random.default_rng(4)
    found = shop(rng, tmp_path, nests=0, operations=9, kind="boss")
    assert not found.parts.display_offset_is_free
    hows = [lying(rng, found, nest) for nest in found.parts.nests]
    control, into = control_of(found, hows), Compared()
    control.run(found.programs[0])
    assert control.set_numbers == [1, 9, 8, 7, 6, 5, 4, 3, 2, 1]
    compare(found, control, hows, 1, into)
    assert (into.numbers, into.other_digits) == (9 * 5, 0)


def test_every_touch_of_the_example_is_clear_of_everything(run, examples):
    report = json.loads(run("batch", "program", examples / "sensor_feet.toml", "--json").out)
    assert report["schema"] == "tiltwright.batch-program/1"
    assert [nest["nest"] for nest in report["nests"]] == ["left", "right"]
    assert [len(nest["touches"]) for nest in report["nests"]] == [4, 4]
    assert report["display_work_offset"] == {"number": 7, "free": True}
    assert report["stays_turned"] is False
    assert report["parameters"] == [[1, 6], [11, 49], [100, 120], [5061, 5063]]
    assert report["not_checked"] == {"steps_without_section": [], "targets_not_shown_on_part": []}
    face = report["nests"][0]["touches"][0]
    assert face["at"] == pytest.approx([-419.025, -203.405, -280.1], abs=1e-9)
    # Lowest point of the tip on the face: the face's own height.
    assert face["trips"] == [pytest.approx([-419.025, -203.405, -280.1], abs=1e-9)]


FOOT = """
name = "Foot"
units = "mm"
machine = "teaching_mill.toml"

[[stack]]
name = "vice"
up = 52.0
bar = [44.0, 60.0]

[[stack]]
name = "foot"
up = 24.0
bar = [30.0, 40.0]
blank = true

[zero_probing]
within = 0.3
face = { at = [0.0, 0.0, 0.0] }
edge = [ { side = "-X", at = [[-15.0, 0.0, -5.0]] }, { side = "-Y", at = [[0.0, -20.0, -5.0]] } ]

[zero_probing.probe]
length = 148.5
ball_diameter = 4.0
stylus_length = 50.0
body_diameter = 32.0
offset = 20
feed = 80.0
move = 600.0

[[operation]]
name = "face"
at = { A = 0, C = 0 }
"""

TWO_POINTS = (
    'edge = [ { side = "-X", at = [[-15, -13, -5], [-15, 13, -5]] }, { side = "-Y", at = [[0, -20, -5]] } ]'
)
ROUND = "{ at = [0, 0, -5], diameter = 8.0 }"


@pytest.mark.parametrize(
    ("old", "new", "keys"),
    [
        ("within = 0.3\n", "", ["zero_probing, within"]),
        ("stylus_length = 50.0\n", "", ["zero_probing, probe, stylus_length"]),
        ("body_diameter = 32.0\n", "", ["zero_probing, probe, body_diameter"]),
        ("stylus_length = 50.0", "stylus_length = 3.0", ["zero_probing, probe, stylus_length"]),
        ("within = 0.3", "within = 4.0", ["zero_probing, probe, clearance", "zero_probing, probe, over"]),
        ("within = 0.3", "within = 0.3\nclock_within = 0.3", ["zero_probing, clock_within"]),
        (FOOT[FOOT.index("edge = ") : FOOT.index("\n[zero_probing.probe]")], TWO_POINTS + "\n", ["zero_probing, clock_within"]),
        # Off the part: beside it, above it, below its top, where a shifted part is missed.
        ("face = { at = [0.0, 0.0, 0.0]", "face = { at = [0.0, 25.0, 0.0]", ["zero_probing, face"]),
        ("face = { at = [0.0, 0.0, 0.0]", "face = { at = [0.0, 0.0, 3.0]", ["zero_probing, face"]),
        ("face = { at = [0.0, 0.0, 0.0]", "face = { at = [0.0, 0.0, -3.0]", ["zero_probing, face"]),
        ("face = { at = [0.0, 0.0, 0.0]", "face = { at = [0.0, 19.9, 0.0]", ["zero_probing, face"]),
        # In the way: the vice, the part under the body, the top of the travel.
        ("[0.0, -20.0, -5.0]", "[0.0, -20.0, -23.0]", ["zero_probing, edge 2, at"]),
        ("stylus_length = 50.0", "stylus_length = 9.0", ["zero_probing, edge 1, at", "zero_probing, edge 2, at"]),
        ("length = 148.5", "length = 400.0", ["zero_probing, face", "zero_probing, edge 1, at", "zero_probing, edge 2, at"]),
        ("blank = true\n", "", ["zero_probing, face", "zero_probing, edge 1, at", "zero_probing, edge 2, at"]),
        # A side that looks down, a bore too narrow for the ball.
        ("face = { at = [0.0, 0.0, 0.0]", 'face = { side = "-Z", at = [0.0, 0.0, -24.0]', ["zero_probing, face"]),
        (FOOT[FOOT.index("edge = ") : FOOT.index("\n[zero_probing.probe]")], f"bore = {ROUND}\n", ["zero_probing, bore"]),
        ("[zero_probing.probe]", "[retract]\nz = 0.0\n[[tool]]", ["zero_probing, probe", "tool"]),
    ],
)  # fmt: skip
def test_what_no_program_is_written_for(run, job, tmp_path, old, new, keys):
    assert old in FOOT
    path, out = job(FOOT.replace(old, new)), tmp_path / "zero.nc"
    ended = run("batch", "program", path, "-o", out)
    assert (ended.code, ended.out) == (2, "")
    assert any(f": {key}: " in ended.err or f": {key} " in ended.err for key in keys), ended.err
    assert not out.exists()
    told = [line for line in ended.err.splitlines() if line.startswith("error")]
    if keys[-1] != "tool":
        assert {line.split(": ")[2] for line in told} == set(keys)


def test_the_sound_foot_has_a_program(run, job, tmp_path):
    path, out = job(FOOT), tmp_path / "zero.nc"
    assert run("batch", "program", path, "-o", out).code == 0
    text = out.read_text(encoding="ascii")
    assert run("batch", "program", path).out == text
    again = run("batch", "program", path, "-o", out)
    assert again.code == 2
    assert run("batch", "program", path, "-o", tmp_path / "zero.json").code == 2
    assert (
        run(
            "batch", "program", job(FOOT.replace(FOOT[FOOT.index("[zero_") : FOOT.index("[[operation")], ""))
        ).code
        == 2
    )


def test_a_correction_that_the_program_leaves_out_is_said_first(run, job):
    path = job(FOOT)
    (loaded,) = json.loads(run("offsets", path, "--json").out)["operations"]
    before = [loaded["offset"][axis] for axis in "XYZ"]
    for cause, first in (("A axis: position along Z", True), ("foot: up", False)):
        correction = {
            "date": "2026-03-02T14:10:00+01:00",
            "measured": "first.csv",
            "cause": cause,
            "offset": [
                {"operation": "face", "before": before, "after": [*before[:2], round(before[2] + 0.02, 9)]}
            ],
        }
        path.write_text(with_correction(FOOT, correction), encoding="utf-8")
        ended = run("batch", "program", path)
        assert ended.code == 0
        assert ("NOT in these offsets" in ended.err.splitlines()[0]) == first
        said = ended.out.split("(Machine:")[0]
        assert "the job's correction of 2026-03-02" in said
        assert ("NOT in these offsets" in said) == ("before you cut by these offsets" in said) == first


def test_an_operation_out_of_reach_is_a_no(run, job, tmp_path):
    path = job(FOOT.replace("at = { A = 0, C = 0 }", "normal = [0, 0, -1]"))
    ended = run("batch", "program", path, "-o", tmp_path / "zero.nc")
    assert (ended.code, ended.out) == (1, "")
    assert not (tmp_path / "zero.nc").exists()


def test_a_clocking_past_a_limit_is_refused(run, job, examples):
    """C may turn by 10 degrees, an operation stands at 9.8, and a foot may be clocked by 0.4."""
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8").replace('"endless"', "[-10.0, 10.0]")
    text = FOOT.replace(FOOT[FOOT.index("edge = ") : FOOT.index("\n[zero_probing.probe]")], TWO_POINTS + "\n")
    text = text.replace("within = 0.3\n", "within = 0.3\nclock_within = 0.4\n").replace(
        "C = 0 }", "C = 9.8 }"
    )
    squared = text.replace(
        'machine = "teaching_mill.toml"', 'machine = "teaching_mill.toml"\nsquare_up = "C"'
    )
    # Nothing takes the clocking out of this one, which is said.
    assert json.loads(run("batch", "program", job(text, mill), "--json").out)["stays_turned"] is True
    ended = run("batch", "program", job(squared, mill))
    assert (ended.code, ended.out) == (2, "")
    assert "clock_within" in ended.err


def test_the_sheet_says_that_a_program_sets_the_offsets(run, job, examples):
    """Only where the job says what is touched."""
    said = "tiltwright batch program"
    assert said in " ".join(run("sheet", examples / "sensor_feet.toml", "--nest", "left").out.split())
    bare = FOOT.replace(FOOT[FOOT.index("[zero_") : FOOT.index("[[operation")], "")
    assert said not in run("sheet", job(bare)).out


def test_the_example_s_program_runs_past_feet_vices_and_platter(run, examples, tmp_path):
    """From the command's own file: nothing but the tip touches anything, and each foot gets its own offsets."""
    out = tmp_path / "zero.nc"
    assert run("batch", "program", examples / "sensor_feet.toml", "-o", out).code == 0
    job = read_job(examples / "sensor_feet.toml")
    found = Shop(job, probed_parts(job), (out.read_text(encoding="ascii"),), "edges and clocking")
    hows = [Lying(np.array([0.1, -0.2, 0.15]), 0.2), Lying(np.array([-0.2, 0.1, -0.1]), -0.25)]
    control, into = control_of(found, hows, seen=True), Compared()
    for nest in found.parts.nests:
        part = nest.job.setup.part_in_machine
        vice = Thing("block", part.apply([0.0, 0.0, -40.0]), part.rotation[:, 2], frame=part.rotation)
        vice.half = np.array([22.0, 30.0, 16.0]) - 1e-3
        control.things.append(vice)
    assert stopped(found, control) is None
    compare(found, control, hows, 1, into)
    assert (into.numbers, into.other_digits) == (6 * 5, 0)
    assert control.touches == 8
    assert control.messages[-1].endswith("set G54 G55 G56 G57 G58 G59")


def test_a_nest_may_have_targets_and_limits_of_its_own(run, job, examples):
    text = (examples / "sensor_feet.toml").read_text(encoding="utf-8")
    own = """[nest.zero_probing]
within = 0.1
face = { at = [9.0, 0.0, 0.0] }
bore = { at = [0.0, 4.0, -4.0], diameter = 14.0 }

[[nest.step]]
name  = "right vice\""""
    left, right = json.loads(
        run("batch", "program", job(text.replace('[[nest.step]]\nname  = "right vice"', own)), "--json").out
    )["nests"]
    assert (left["within"], left["clock_within_deg"], len(left["touches"])) == (0.3, 0.3, 4)
    assert (right["within"], right["clock_within_deg"]) == (0.1, None)
    assert [one["kind"] for one in right["touches"]] == ["face", "bore"]
    assert right["touches"][1]["diameter"] == 14.0
    # A limit alone leaves the job's targets.
    tight = own[: own.index("face")] + own[own.index("[[nest.step]]") :]
    _, right = json.loads(
        run("batch", "program", job(text.replace('[[nest.step]]\nname  = "right vice"', tight)), "--json").out
    )["nests"]
    assert (right["within"], right["clock_within_deg"], len(right["touches"])) == (0.1, 0.3, 4)
