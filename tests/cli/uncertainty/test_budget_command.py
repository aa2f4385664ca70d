"""`tiltwright budget` as a setter types it: its JSON, its verdicts, the log of calibrations, and what is wrong."""

import csv
import io
import json
import re

import numpy as np
import pytest
from machine_texts import mill_text

STACK = """
name = "Post"
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
"""

EXACT_MILL = mill_text()


def report(run, *arguments):
    ended = run("budget", *arguments, "--json")
    return ended.code, json.loads(ended.out)


def test_one_limit_by_hand(run, job):
    """A post known within 0.03: u = 0.03 / sqrt 3 along the spindle at A0, toward Y at A-90; U by Monte Carlo is 0.95 of 0.03."""
    code, found = report(run, job(STACK, EXACT_MILL))
    assert code == 0
    assert found["schema"] == "tiltwright.budget/1"
    u = 0.03 / 3**0.5
    assert found["operations"][0]["u"] == pytest.approx({"X": 0.0, "Y": 0.0, "Z": u}, abs=1e-12)
    assert found["operations"][1]["u"] == pytest.approx({"X": 0.0, "Y": u, "Z": 0.0}, abs=1e-12)
    assert not found["monte_carlo"]["agrees"]
    assert found["operations"][0]["U95"]["Z"] == pytest.approx(0.95 * 0.03, rel=0.02)
    covariance = np.array(found["covariance"])
    assert covariance.shape == (6, 6)
    assert covariance[2, 4] == pytest.approx(-(u**2))
    assert any("step" not in words and "post" in words for words in found["taken_as_exact"])


def test_inches(run, job):
    code, metric = report(run, job(STACK, EXACT_MILL))
    assert code == 0
    code, inch = report(run, job(STACK, EXACT_MILL), "--units", "inch")
    assert inch["operations"][0]["u"]["Z"] * 25.4 == pytest.approx(metric["operations"][0]["u"]["Z"])
    assert inch["covariance"][2][2] * 25.4**2 == pytest.approx(metric["covariance"][2][2])


FEATURES = """
[[feature]]
name = "face"
operation = "top"
along = "+Z"
[[feature]]
name = "depth"
operation = "side"
along = "+Z"
tolerance = 0.02
datum = "face"
"""


def test_a_verdict_and_its_exit_code(run, job):
    """The post moves the face along Z; the side's depth runs along Y, square to it: 0 against the part, the whole against the face."""
    code, found = report(run, job(STACK + FEATURES, EXACT_MILL))
    assert code == 0
    (face, depth) = found["features"]
    assert face["tolerance"] is None
    assert face["u"] == pytest.approx(0.03 / 3**0.5)
    assert depth["u"] == pytest.approx(0.0, abs=1e-12)
    assert depth["proven"] is True
    slanted = FEATURES.replace('along = "+Z"\ntolerance', "along = [0, 1, 0]\ntolerance").replace(
        'datum = "face"\n', ""
    )
    ended = run("budget", job(STACK + slanted, EXACT_MILL))
    assert ended.code == 1
    assert "FAIL" in ended.out


def test_sources_that_change_nothing_are_counted_plainly(run, examples):
    text = " ".join(run("budget", examples / "beacon_dome.toml").out.split())
    assert " and 16 more." in text
    assert "(nor" not in text


def test_each_failure_stands_below_its_own_table(run, job, examples):
    dome = (examples / "beacon_dome.toml").read_text(encoding="utf-8")
    path = job(re.sub(r"(?m)^tolerance = \S+", "tolerance = 0.001", dome))
    out = run("budget", path).out
    features, seams = out.split("\nSeams: ", 1)
    found = json.loads(run("budget", path, "--json").out)
    for text, lines in ((features, found["features"]), (seams, found["seams"])):
        failed = sum(one["proven"] is False for one in lines)
        assert 0 < failed == text.count("\nFAIL: ")


def test_with_nothing_stated_nothing_is_claimed(run, job):
    bare = STACK.replace("up_within = 0.03\n", "")
    ended = run("budget", job(bare, EXACT_MILL))
    assert ended.code == 0
    assert "TAKEN AS EXACT" in ended.out
    assert "Nothing uncertain is stated" in ended.out
    assert "U of X" not in run("offsets", job(bare, EXACT_MILL)).out


def test_offsets_show_what_budget_says(run, job):
    path = job(STACK + "[reclamping]\nshift_u = 0.01\n", EXACT_MILL)
    _, found = report(run, path)
    offsets = json.loads(run("offsets", path, "--json").out)["operations"]
    assert offsets[0]["U95"]["X"] == pytest.approx(1.95996 * 0.01, rel=1e-4)
    assert found["operations"][0]["U95"]["X"] == pytest.approx(offsets[0]["U95"]["X"])
    assert "U of X" in run("offsets", path).out


def test_a_touched_zero_takes_the_stack_out(run, job):
    touched = '[touched]\nX = -381.0\nY = -203.4\nZ = -256.1\npose = { A = 0, C = 0 }\nuse = "touched"\nrepeatability = 0.003\ntouches = 5\n'
    _, found = report(run, job(STACK + touched, EXACT_MILL))
    assert found["operations"][0]["u"] == pytest.approx(dict.fromkeys("XYZ", 0.003))
    assert found["operations"][0]["dof"]["Z"] == pytest.approx(4.0)


def test_warmer(run, job):
    """A steel post of 100 mm, 5 K warmer: 11.7e-6 x 100 x 5 = 0.00585 mm higher, expected and not loaded."""
    warm = STACK.replace("up_within = 0.03\n", 'material = "steel"\n')
    text = warm + '[temperature]\nset_up = "20 C"\nruns = "25 C"\n'
    _, found = report(run, job(text, EXACT_MILL))
    assert found["operations"][0]["expected"]["Z"] == pytest.approx(0.00585, abs=1e-9)
    assert found["operations"][1]["expected"]["Y"] == pytest.approx(-0.00585, abs=1e-9)


NESTS = """
name = "Two"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "plate"
up = 20.0
up_within = 0.02
[[nest]]
name = "left"
on = "plate"
[[nest.step]]
name = "vice"
up = 40.0
shift = [-50.0, 0.0]
up_within = 0.01
[[nest]]
name = "right"
on = "plate"
[[nest.step]]
name = "vice"
up = 40.0
shift = [50.0, 0.0]
up_within = 0.01
[[operation]]
name = "top"
at = { A = 0, C = 0 }
"""


def test_nests_share_what_they_stand_on(run, job):
    _, found = report(run, job(NESTS, EXACT_MILL))
    assert [one["nest"] for one in found["operations"]] == ["left", "right"]
    covariance = np.array(found["covariance"])
    assert covariance[2, 5] == pytest.approx(0.02**2 / 3.0)
    assert covariance[2, 2] == pytest.approx((0.02**2 + 0.01**2) / 3.0)


# --- the log of calibrations ----------------------------------------------------------------------------------------


@pytest.fixture
def calibrated(run, examples, job):
    """A job on a mill that was calibrated from the example's readings."""
    path = job(STACK)
    mill = path.with_name("teaching_mill.toml")
    readings = examples / "pivots" / "spring_check.csv"
    ended = run("pivot", "fit", readings, "-m", mill, "--write", "--with-face", "--sigma", "0.003")
    assert ended.code == 0, ended.err
    return path


def test_the_calibration_in_the_log_counts(run, calibrated):
    _, found = report(run, calibrated)
    log = calibrated.with_name("teaching_mill.calibrations.jsonl")
    matrix = np.array(
        json.loads(log.read_text().splitlines()[0])["result"]["covariance"]["platter"]["matrix"]
    )
    assert matrix.shape == (12, 12)
    # At A0 C0 the part stands on C's line, at the platter's face: both through the calibration, together.
    assert 0.0 < found["operations"][0]["u"]["X"] < 0.01
    assert not any("position of the A" in words for words in found["taken_as_exact"])


def test_face_and_lines_are_counted_together(run, calibrated):
    """Y at A-90 with their joint covariance: not the root of the sum of squares of face and line alone."""
    calibrated.write_text(calibrated.read_text().replace("up_within = 0.03", "up_within = 0.0"))
    _, found = report(run, calibrated)
    log = calibrated.with_name("teaching_mill.calibrations.jsonl")
    said = json.loads(log.read_text().splitlines()[0])["result"]["covariance"]
    joint, apart = np.array(said["platter"]["matrix"]), np.array(said["platter"]["matrix"])
    apart[:8, 8:] = apart[8:, :8] = 0.0
    record = json.loads(log.read_text().splitlines()[0])
    record["result"]["covariance"]["platter"]["matrix"] = apart.tolist()
    log.write_text(json.dumps(record) + "\n")
    _, without = report(run, calibrated)
    assert without["operations"][1]["u"]["Y"] != pytest.approx(found["operations"][1]["u"]["Y"], rel=0.02)
    assert np.abs(joint[:8, 8:]).max() > 0.0


def test_more_poses_as_planned(run, examples, calibrated):
    text = calibrated.read_text() + FEATURES.replace("tolerance = 0.02", "tolerance = 0.5")
    calibrated.write_text(text)
    ended = run("budget", calibrated, "--plan", examples / "pivots" / "spring_check.toml", "--json")
    added = json.loads(ended.out)["added_poses"]
    assert added
    now = [1.96 * one["u"] for one in json.loads(run("budget", calibrated, "--json").out)["features"]]
    for one in added:
        assert all(better <= before for better, before in zip(one["U95"], now, strict=False))
    said = " ".join(
        run("budget", calibrated, "--plan", examples / "pivots" / "spring_check.toml").out.split()
    )
    poses = {
        f"{len(one['poses_deg'])} more probing poses at A{one['tilt_deg']:g}, as planned" for one in added
    }
    assert any(words in said for words in poses)


def test_a_covariance_that_cannot_be_one(run, calibrated):
    log = calibrated.with_name("teaching_mill.calibrations.jsonl")
    record = json.loads(log.read_text().splitlines()[0])
    record["result"]["covariance"]["platter"]["matrix"][0][0] *= -1.0
    log.write_text(json.dumps(record) + "\n")
    ended = run("budget", calibrated)
    assert ended.code == 2
    assert "teaching_mill.calibrations.jsonl:1" in ended.err
    assert "covariance" in ended.err
    assert not ended.out


def test_lines_changed_by_hand_are_not_the_log_s(run, calibrated):
    mill = calibrated.with_name("teaching_mill.toml")
    text = mill.read_text()
    line = next(one for one in text.splitlines() if one.startswith("point"))
    mill.write_text(text.replace(line, "point = [-381.1, -203.4, -406.1]", 1))
    _, found = report(run, calibrated)
    assert any("changed since the last calibration" in words for words in found["taken_as_exact"])


# --- what is wrong --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--trials", "0"], "--trials"),
        (["--seed", "-1"], "--seed"),
        (["--plot", "budget.txt"], "--plot"),
        (["--plan", "none.toml"], "none.toml"),
    ],
)
def test_wrong_options(run, job, arguments, word):
    ended = run("budget", job(STACK, EXACT_MILL), *arguments)
    assert ended.code == 2
    assert word in ended.err
    assert not ended.out


def test_a_datum_with_several_places(run, job):
    text = STACK + (
        '[[operation]]\nname = "port"\nnormal = [0, -0.5, 0.866]\nrepeat = { count = 3, step = 120 }\n'
        '[[feature]]\nname = "seat"\noperation = "port"\n[[feature]]\nname = "rim"\noperation = "top"\ndatum = "seat"\n'
    )
    ended = run("budget", job(text, EXACT_MILL))
    assert ended.code == 2
    assert "feature 2, datum" in ended.err


def test_what_is_not_reached_is_named(run, job):
    text = STACK + (
        '[[operation]]\nname = "under"\nnormal = [0, 0, -1]\n'
        '[[feature]]\nname = "seat"\noperation = "under"\ntolerance = 0.1\n'
    )
    ended = run("budget", job(text, EXACT_MILL))
    assert ended.code == 1
    assert "seat" in ended.err


def test_it_is_drawn_and_the_same_twice(run, examples, tmp_path):
    for name in ("a.svg", "b.svg"):
        assert run("budget", examples / "beacon_dome.toml", "--plot", tmp_path / name).code == 1
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    # Eight features with five sources each fit a screen: as wide as it is high.
    head = (tmp_path / "a.svg").read_text(encoding="utf-8").split("<svg", 1)[1].split(">", 1)[0]
    wide, high = (float(head.split(f'{side}="', 1)[1].split("pt", 1)[0]) for side in ("width", "height"))
    assert wide >= high
    ended = run("budget", examples / "beacon_dome.toml", "--plot", tmp_path / "a.svg")
    assert ended.code == 2


def test_the_same_seed_gives_the_same_answer(run, examples):
    first, second = (run("budget", examples / "beacon_dome.toml", "--seed", "7").out for _ in range(2))
    assert first == second


def test_an_axis_positioning_reaches_features_off_the_origin(run, job):
    """u of Z: 0.006 and a step's 0.01, rectangular, wherever along the tool a feature lies (derived here)."""
    mill = EXACT_MILL + "\n[positioning]\nx = 0.006\ny = 0.006\nz = 0.006\n"
    text = (
        'name = "t"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "plate"\nup = 20.0\nup_within = 0.01\n'
        '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\n'
    )
    for depth in (0.0, -12.0):
        text += f'[[feature]]\nname = "at {depth}"\noperation = "face"\nat = [0.0, 0.0, {depth}]\nalong = "+Z"\ntolerance = 0.05\n'
    _, found = report(run, job(text, mill))
    assert [one["u"] for one in found["features"]] == pytest.approx(
        [np.hypot(0.006, 0.01) / np.sqrt(3.0)] * 2
    )


def test_a_name_that_looks_like_a_formula_is_drawn_as_it_is(run, job, tmp_path):
    text = (
        'name = "$\\\\frac$ {"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "$^$"\nup = 20.0\nup_within = 0.01\n'
        '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\n'
        '[[feature]]\nname = "$x_$"\noperation = "face"\nat = [0.0, 0.0, 0.0]\nalong = "+Z"\ntolerance = 0.05\n'
    )
    ended = run("budget", job(text, EXACT_MILL), "--plot", tmp_path / "budget.png")
    assert ended.code == 0, ended.err
    assert (tmp_path / "budget.png").exists()


def test_the_csv_of_offsets_has_the_uncertainty_where_there_is_one(run, examples):
    rows = list(csv.DictReader(io.StringIO(run("offsets", examples / "beacon_dome.toml", "--csv").out)))
    _, found = report(run, examples / "beacon_dome.toml")
    for row, one in zip(rows, found["operations"], strict=True):
        assert float(row["U95_Z_mm"]) == pytest.approx(one["U95"]["Z"], rel=0.02)  # there by Monte Carlo
    assert "U95" not in run("offsets", examples / "tide_gauge_head.toml", "--csv").out


def test_coefficients_of_expansion_are_told_as_taken_as_they_stand(run, examples):
    _, found = report(run, examples / "beacon_dome.toml")
    (told,) = [words for words in found["taken_as_exact"] if "coefficients of expansion" in words]
    assert "steel" in told
    assert "aluminium" in told
