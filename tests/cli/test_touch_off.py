"""Part zero touched off: against the stack, beside a job, and with a length left in its Z."""

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.conversion import TouchedZero
from tiltwright.files.loader import read_job
from tiltwright.job.evaluate import evaluate_read_job
from tiltwright.job.sign_slips import length_left_in

HEAD = 'name = "Buoy bracket"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
STACK = '[[stack]]\nname = "post"\nup = 100.0\n'


def test_touch_off_is_compared_with_the_stack(run, job):
    """A chip of 0.150 mm under the post, touched off with the table tipped back (derived here)."""
    touched = "[touched]\nX = -381.025\nY = -353.568\nZ = -406.111\npose = { A = -90, C = 0 }\nuse = "
    operation = '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n'
    offsets = {}
    for use in ("stack", "touched"):
        path = job(HEAD + STACK + touched + f'"{use}"\n' + operation)
        ended = run("offsets", path, "--json")
        assert ended.code == 0
        report = json.loads(ended.out)
        assert report["touched"]["used"] == use
        assert report["touched"]["difference"] == pytest.approx([0.0, 0.0, 0.15], abs=1e-9)
        assert "z 0.150 mm" in ended.err
        offsets[use] = report["operations"][0]["offset"]["Z"]
    assert offsets["touched"] - offsets["stack"] == pytest.approx(0.15, abs=1e-9)
    path = job(HEAD + STACK + touched + '"touched"\nwithin = 0.1\n' + operation)
    refused = run("offsets", path, "--gcode")
    assert (refused.code, refused.out) == (1, "")
    assert "0.100 mm" in refused.err
    (found,) = [
        one
        for one in json.loads(run("offsets", path, "--json").out)["remarks"]
        if one["kind"] == "touch-off too far"
    ]
    assert found["severity"] == "error"
    assert (found["values"]["distance"], found["values"]["within"]) == pytest.approx((0.15, 0.1), abs=1e-9)
    assert found["values"]["within_stated"] is True


TOP = '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n'
# The teaching mill's part zero on a post of 100 mm, at A0 C0: its C line at X -381.025 Y -203.405, Z -356.112 + 100.
ZERO = np.array([-381.025, -203.405, -256.112])


def typed(off=(0.0, 0.0, 0.0), unit_mm=1.0, zero=ZERO):
    return (
        "--touched",
        ",".join(f"{value:.6f}" for value in (zero + np.array(off)) / unit_mm),
        "--pose",
        "A0,C0",
    )


def of_kind(report, kind):
    return [one for one in report["remarks"] if one["kind"] == kind]


@pytest.mark.parametrize(
    ("units", "off_mm", "accepted"),
    [
        ("mm", 0.499, True),
        ("mm", 0.501, False),
        # 0.02 in are 0.508 mm.
        ("inch", 0.507, True),
        ("inch", 0.509, False),
    ],
)
def test_a_touch_off_without_a_tolerance_has_a_default_one(run, job, tmp_path, units, off_mm, accepted):
    """0.5 mm or 0.02 in, by the job's unit: beyond it nothing is written, and every form says so."""
    up, mm = (100.0, 1.0) if units == "mm" else (100.0 / 25.4, 25.4)
    x, y, z = np.add(ZERO, [0.0, 0.0, off_mm]) / mm
    touched = f'[touched]\nX = {x}\nY = {y}\nZ = {z}\npose = {{ A = 0, C = 0 }}\nuse = "USE"\n'
    head = f'name = "Bracket"\nunits = "{units}"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "post"\nup = {up}\n'
    for use in ("stack", "touched"):
        path = job(head + touched.replace("USE", use) + TOP)
        code = 0 if accepted else 1
        ended = run("offsets", path, "--json")
        report = json.loads(ended.out)
        assert ended.code == code
        assert (report["touched"]["accepted"], report["touched"]["within_stated"]) == (accepted, False)
        assert report["touched"]["within"] == pytest.approx(0.5 if units == "mm" else 0.02, abs=1e-12)
        assert [one["severity"] for one in of_kind(report, "touch-off too far")] == ["error"] * code
        gcode = run("offsets", path, "--gcode")
        assert (gcode.code, "G10" in gcode.out) == (code, accepted)
        (row,) = csv.DictReader(io.StringIO(run("offsets", path, "--csv").out))
        assert row["touch_off"] == ("accepted" if accepted else "too far")
        (row,) = csv.DictReader(io.StringIO(run("offsets", path, "--at", "A0", "--csv").out))
        assert row["touch_off"] == ("accepted" if accepted else "too far")
        for number, words in enumerate(([], ["--at", "A0"], ["--json"], ["--csv"], ["--gcode"])):
            target = tmp_path / f"{use}-{number}.out"
            assert run("offsets", path, *words, "-o", target).code == code
            assert target.exists() == accepted
        for command in ("sheet", "explain"):
            target = tmp_path / f"{use}-{command}.txt"
            more = ["top"] if command == "explain" else []
            assert run(command, path, *more, "-o", target).code == code
            assert target.exists() == accepted
        assert run("offsets", path, "--at", "A0").code == code
    # A tolerance that the job states goes before the default.
    path = job(head + touched.replace("USE", "touched") + "within = 1\n" + TOP)
    assert run("offsets", path, "--gcode").code == 0


def test_a_tolerance_is_shown_in_the_unit_of_the_job(run, job):
    """0.5 mm are 0.0197 in; the job said millimetres."""
    path = job(HEAD + STACK + TOP)
    assert "0.500 mm" in run("offsets", path, *typed([0.0, 0.0, 0.7])).err
    inch = run("offsets", path, *typed([0.0, 0.0, 0.7], 25.4), "--units", "inch")
    assert inch.code == 1
    assert "0.500 mm (0.0197 in)" in inch.err


TOOLS = '[[tool]]\nname = "probe"\nlength = 132.09\ndiameter = 6.0\n'


@pytest.mark.parametrize(
    ("off", "source", "name"),
    [
        ((0.1, -0.2, 132.09), "tool", "probe"),
        ((0.0, 0.0, 132.4), "tool", "probe"),
        ((0.0, 0.0, -132.09), "tool", "probe"),
        ((0.0, 0.0, 50.8), "gauge length", None),
        ((0.0, 0.0, -80.02), "gauge length", None),
        ((0.0, 0.0, 118.55), "unknown", None),
        ((0.0, 0.0, 256.112), "Z of zero", None),
        # Nothing of a tool: X is off as well, or Z by less than any tool is long.
        ((0.6, 0.0, 132.09), None, None),
        ((0.0, 0.0, 3.2), None, None),
        ((0.0, 0.0, 0.4), None, None),
    ],
)
def test_a_length_left_in_z_is_named(run, job, off, source, name):
    ended = run("offsets", job(HEAD + TOOLS + STACK + TOP), *typed(off), "--json")
    report = json.loads(ended.out)
    found = of_kind(report, "length left in")
    assert ended.code == (0 if np.linalg.norm(off) <= 0.5 else 1)
    if source is None:
        assert found == []
        return
    (one,) = found
    assert (one["values"]["source"], one["values"]["name"]) == (source, name)
    assert one["values"]["length"] == pytest.approx(off[2], abs=1e-6)
    assert one["severity"] == "warning"
    if source != "Z of zero":
        assert f"{abs(off[2]):.3f} mm" in one["words"]


def test_a_length_left_in_z_is_seen_at_a_tilt(run, job):
    """At A-90 part zero is at Y -353.418, Z -406.111 (derived above); 5.2005 in of probe go along the spindle there."""
    path = job(HEAD + STACK + TOP)
    left_in = 5.2005 * 25.4
    at = f"-381.025,-353.418,{-406.111 + left_in:.6f}"
    ended = run("offsets", path, "--touched", at, "--pose", "A-90,C0", "--json")
    assert ended.code == 1
    report = json.loads(ended.out)
    (one,) = of_kind(report, "length left in")
    assert one["values"]["length"] == pytest.approx(left_in, abs=1e-6)
    # In the table frame the difference lies along y.
    assert report["touched"]["difference"] == pytest.approx([0.0, left_in, 0.0], abs=1e-6)
    inch = [f"{value / 25.4:.6f}" for value in (-381.025, -353.418, -406.111 + left_in)]
    shown = run("offsets", path, "--touched", ",".join(inch), "--pose", "A-90,C0", "--units", "inch")
    assert "5.2005 in left in" in shown.err


def test_a_reference_tool_left_in(run, job, examples):
    """Z read with a tool's tip: what is left in is its length, or how much longer another tool is."""
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    mill = mill.replace(
        'z_reference = "gauge line"', 'z_reference = "reference tool"\nreference_tool_length = 118.0'
    )
    path = job(HEAD + TOOLS + STACK + TOP, mill)
    for off, source in ((118.0, "reference tool"), (132.09 - 118.0, "tool")):
        report = json.loads(run("offsets", path, *typed([0.0, 0.0, off]), "--json").out)
        assert [one["values"]["source"] for one in of_kind(report, "length left in")] == [source]


def test_a_step_as_high_as_the_difference_is_named_too(run, job):
    report = json.loads(run("offsets", job(HEAD + STACK + TOP), *typed([0.0, 0.0, -100.1]), "--json").out)
    (one,) = of_kind(report, "length left in")
    assert one["values"]["step"] == "post"


def test_a_wide_tolerance_does_not_hide_a_length_left_in(run, job):
    x, y, z = np.add(ZERO, [0.0, 0.0, 132.09])
    touched = (
        f'[touched]\nX = {x}\nY = {y}\nZ = {z}\npose = {{ A = 0, C = 0 }}\nuse = "touched"\nwithin = 200\n'
    )
    ended = run("offsets", job(HEAD + TOOLS + STACK + touched + TOP), "--json")
    assert ended.code == 0
    assert len(of_kind(json.loads(ended.out), "length left in")) == 1


def test_a_part_zero_touched_off_beside_a_job(run, job):
    """The same as a job with that [touched] table, and the offsets go by it whatever the job's own table says."""
    touched = (
        '[touched]\nX = -381.025\nY = -353.568\nZ = -406.111\npose = { A = -90, C = 0 }\nuse = "touched"\n'
    )
    operations = TOP + '[[operation]]\nname = "side"\nat = { A = -60, C = 30 }\n'
    wanted = json.loads(run("offsets", job(HEAD + STACK + touched + operations), "--json").out)
    old = touched.replace("-353.568", "-353.4").replace('"touched"', '"stack"')
    for own in ("", old, old + "within = 0.2\n"):
        path = job(HEAD + STACK + own + operations)
        words = ["--touched", "-381.025,-353.568,-406.111", "--pose", "A-90,C0"]
        report = json.loads(run("offsets", path, *words, "--json").out)
        assert report["operations"] == wanted["operations"]
        assert (report["touched"]["source"], report["touched"]["used"]) == ("--touched", "touched")
        assert report["touched"]["difference"] == pytest.approx([0.0, 0.0, 0.15], abs=1e-9)
        assert report["touched"]["within"] == (0.2 if "within" in own else 0.5)
        assert report["touched"]["pose"] == {"A": -90.0, "C": 0.0}
        gcode = run("offsets", path, *words, "--gcode").out
        (block,) = [line for line in gcode.splitlines() if line.startswith("G10 L2 P1 ")]
        assert f"Z{wanted['operations'][0]['offset']['Z']:.3f}" in block
        (at,) = json.loads(run("offsets", path, *words, "--at", "A-60,C30", "--json").out)["operations"]
        assert at["offset"] == pytest.approx(wanted["operations"][1]["offset"], abs=1e-9)
    assert wanted["touched"]["source"] == "job"
    refused = run("offsets", job(HEAD + STACK + old + "within = 0.1\n" + operations), *words, "--gcode")
    assert (refused.code, refused.out) == (1, "")


TILTS = st.tuples(st.floats(-120.0, 30.0), st.floats(-360.0, 360.0))
LENGTHS = st.floats(20.0, 300.0)


@pytest.fixture(scope="module")
def head():
    return read_job("examples/tide_gauge_head.toml")


def touched_at(head, pose, off_mm):
    at_mm = head.setup.work_offset([0.0, 0.0, 0.0], np.array(pose)) + np.array(off_mm)
    return evaluate_read_job(
        replace(head, touched=TouchedZero(at_mm, np.array(pose), "touched", 0.5, within_stated=False))
    )


@given(pose=TILTS, left_in=LENGTHS, sign=st.sampled_from([1.0, -1.0]), aside=st.floats(0.0, 0.49))
def test_a_length_along_the_spindle_is_found_at_every_pose(head, pose, left_in, sign, aside):
    found = length_left_in(touched_at(head, pose, [0.0, -aside, sign * left_in]))
    assert found is not None
    if found.source == "Z of zero":
        return
    assert found.length_mm == pytest.approx(sign * left_in, abs=1e-9)


@given(pose=TILTS, size=LENGTHS, away=st.floats(2.0, 90.0), round_about=st.floats(0.0, 360.0))
def test_a_difference_across_the_spindle_is_no_length(head, pose, size, away, round_about):
    """20 mm at 2 degrees from the spindle are 0.7 mm aside."""
    tilt, turn = np.radians([away, round_about])
    off = size * np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)])
    evaluated = touched_at(head, pose, off)
    assert evaluated.touch_too_far
    assert not evaluated.complete
    assert length_left_in(evaluated) is None


def test_a_touch_off_may_be_typed_with_its_unit(run, examples):
    job = examples / "tide_gauge_head.toml"

    def offsets(zero):
        ended = run("offsets", job, "--touched", zero, "--pose", "A0,C0", "--json")
        return [one["offset"] for one in json.loads(ended.out)["operations"]]

    plain = offsets("-381.0,-203.2,-177.8")
    for zero in ("-15in,-8in,-7in", "-15,-8,-7 in", "-381,0;-203,2;-177,8"):
        for one, other in zip(plain, offsets(zero), strict=True):
            assert other == pytest.approx(one)


def test_a_touched_table_may_hold_the_tolerance_alone(run, job):
    """[touched] with `within` serves --touched; on its own it is no touch-off."""
    path = job(HEAD + STACK + "[touched]\nwithin = 2.0\n" + TOP)
    plain = run("offsets", path, "--json")
    assert plain.code == 0, plain.err
    assert "touched" not in json.loads(plain.out)
    wide = run("offsets", path, *typed((0.0, 0.0, 1.5)), "--json")
    assert wide.code == 0, wide.err
    report = json.loads(wide.out)["touched"]
    assert report["within"] == pytest.approx(2.0)
    assert report["within_stated"] is True
    assert run("offsets", path, *typed((0.0, 0.0, 2.5)), "--gcode").code == 1
    assert run("offsets", job(HEAD + STACK + TOP), *typed((0.0, 0.0, 1.5)), "--gcode").code == 1
    for empty in ("[touched]\n", '[touched]\nuse = "touched"\nwithin = 2.0\n'):
        assert run("offsets", job(HEAD + STACK + empty + TOP)).code == 2


@pytest.mark.parametrize(
    ("zero", "units", "cause", "axes", "outside"),
    [
        (ZERO * [1, 1, -1], "mm", "sign", ["Z"], ["Z"]),
        (ZERO * [-1, 1, 1], "mm", "sign", ["X"], ["X"]),
        (ZERO * [-1, -1, -1], "mm", "sign", ["X", "Y", "Z"], ["X", "Y", "Z"]),
        # 381 read as inches is 9.7 m away; Z far below its travel is no reading to refuse by the travel alone.
        (ZERO * 25.4, "inch", "mm as inches", [], ["X", "Y"]),
        # A few inches read as mm stay within the travels.
        (ZERO / 25.4, "mm", "inches as mm", [], []),
        # A blank of 30 mm that the stack does not know of, and no slip.
        (ZERO + np.array([0, 0, 30]), "mm", None, [], []),
        (ZERO + np.array([500, 0, 0]), "mm", "unknown", [], ["X"]),
    ],
)
def test_a_slip_of_the_keys_is_told_first(run, job, zero, units, cause, axes, outside):
    unit_mm = 25.4 if units == "inch" else 1.0
    ended = run(
        "offsets", job(HEAD + STACK + TOP), *typed(unit_mm=unit_mm, zero=zero), "--units", units, "--json"
    )
    assert ended.code == 1
    report = json.loads(ended.out)
    found = of_kind(report, "touch-off mistyped")
    if cause is None:
        assert not found
        assert of_kind(report, "length left in")
        return
    assert report["remarks"][0] == found[0]
    assert found[0]["values"]["cause"] == cause
    assert list(found[0]["values"]["axes"]) == axes
    assert list(found[0]["values"]["outside"]) == outside
    assert not of_kind(report, "length left in")
    assert ended.err.startswith("FAIL: ")
    if cause == "sign":
        assert "a lost minus sign" in ended.err.splitlines()[0].lower()
    if cause == "mm as inches":
        assert "mm typed as inches?" in ended.err.splitlines()[0]


def test_a_point_that_agrees_is_no_slip(run, job):
    """Part zero on the axes of the machine: a sign of nothing cannot be lost."""
    ended = run("offsets", job(HEAD + STACK + TOP), *typed((0.0, 0.0, 0.1)), "--json")
    assert ended.code == 0
    assert not of_kind(json.loads(ended.out), "touch-off mistyped")


@pytest.mark.parametrize("name", ["load.nc", "LOAD.NGC", "load.tap"])
def test_a_file_for_the_control_takes_gcode_only(run, job, tmp_path, name):
    path, out = job(HEAD + STACK + TOP), tmp_path / name
    for form in ([], ["--csv"], ["--json"]):
        ended = run("offsets", path, "-o", out, *form)
        assert ended.code == 2
        assert "--gcode" in ended.err
        assert not out.exists()
    assert run("offsets", path, "--gcode", "-o", out).code == 0
    assert run("offsets", path, "-o", tmp_path / "offsets.txt").code == 0


@pytest.mark.parametrize(("normal", "told"), [("[0.0, -0.6, 0.8]", True), ("[0.0, 0.0, 1.0]", False)])
def test_a_when_free_without_effect_is_told(run, job, normal, told):
    text = f'[[operation]]\nname = "port"\nnormal = {normal}\nwhen_free = "keep"\n'
    found = of_kind(json.loads(run("offsets", job(HEAD + STACK + text), "--json").out), "when_free unused")
    assert bool(found) is told


@pytest.mark.parametrize("second", ["Port", "port ", "p ort", "PORT"])
def test_names_that_only_differ_to_a_program_are_refused(run, job, second):
    first, other = (f'[[operation]]\nname = "{name}"\nat = {{ A = 0, C = 0 }}\n' for name in ("port", second))
    ended = run("offsets", job(HEAD + STACK + first + other))
    assert ended.code == 2
    assert "only in capitals or spaces" in ended.err or second == "port "
    tools = "".join(
        f'[[tool]]\nname = "{name}"\nlength = 90.0\ndiameter = 8.0\n' for name in ("Mill 8", "mill  8")
    )
    assert run("offsets", job(HEAD + STACK + first + tools)).code == 2


def test_steps_that_only_differ_to_a_program_are_refused(run, job):
    """The same name twice may be meant; another spelling of it is a slip."""
    steps = '[[stack]]\nname = "{}"\nup = 10.0\n[[stack]]\nname = "{}"\nup = 20.0\n'
    assert run("offsets", job(HEAD + steps.format("shim", "shim") + TOP)).code == 0
    ended = run("offsets", job(HEAD + steps.format("shim", "Shim") + TOP))
    assert ended.code == 2
    assert "only in capitals or spaces" in ended.err
