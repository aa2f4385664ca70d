"""`tiltwright aim`, as a student types it."""

import json

import pytest

CLOCKED = """name = "Clocked"
units = "mm"
machine = "teaching_mill.toml"
square_up = "C"
[[stack]]
name = "vice"
up = 60.0
turn = 0.35
{ports}"""
PORTS = """
[[operation]]
name = "near port"
normal = [0.0, -0.5, 0.8660254037844386]
[[operation]]
name = "side port"
normal = [0.6, 0.0, 0.8]
"""


def test_every_solution_of_a_direction(run, examples):
    """The derived A/C identities, normal (1, 1, 1): tilt 54.735610317, turn 45 or -135 (derived here)."""
    ended = run("aim", "--machine", examples / "teaching_mill.toml", "--normal", "1,1,1", "--json")
    assert ended.code == 0
    report = json.loads(ended.out)
    assert report["schema"] == "tiltwright.aim/1"
    fits, out = report["operations"][0]["ways"]
    # The table turns clockwise on positive moves: machine angles are minus the physical ones.
    assert (fits["machine"]["A"], fits["machine"]["C"]) == (
        pytest.approx(-54.735610317, abs=1e-9),
        pytest.approx(315.0),
    )
    assert (out["machine"]["A"], out["machine"]["C"]) == (
        pytest.approx(54.735610317, abs=1e-9),
        pytest.approx(135.0),
    )
    assert (fits["fits"], out["fits"]) == (True, False)
    assert "its limits are -120 to 30: 24.7356 degrees too far" in out["why_out"][0]
    assert fits["cost_deg"] == pytest.approx(54.735610317 + 45.0)


def test_the_previous_angles_decide(run, examples):
    mill = examples / "teaching_mill.toml"
    near = run("aim", "--machine", mill, "--normal", "0,-0.3,1", "--json")
    far = run("aim", "--machine", mill, "--normal", "0,-0.3,1", "--from", "A-30,C180", "--json")
    first = [json.loads(ended.out)["operations"][0]["ways"][0]["machine"] for ended in (near, far)]
    assert [one["C"] for one in first] == [pytest.approx(0.0), pytest.approx(180.0)]
    signed = run("aim", "--machine", mill, "--normal", "0,-0.3,1", "--tilt", "negative", "--json")
    assert json.loads(signed.out)["operations"][0]["ways"][0]["machine"]["A"] < 0.0


def test_a_singular_rotary_keeps_its_angle_and_says_so(run, examples):
    words = ["aim", "--machine", examples / "teaching_mill.toml", "--normal", "0,0,2", "--from", "A-30,C75"]
    (one,) = json.loads(run(*words, "--json").out)["operations"]
    assert one["free"] == ["C"]
    assert one["ways"][0]["machine"] == {"A": 0.0, "C": 75.0}
    ended = run(*words)
    assert ended.code == 0
    assert "any C angle works" in ended.out


def test_what_cannot_be_reached_says_how_far(run, examples):
    """An indexer along X turns nothing out of its own YZ plane: normal (1, 0, 1) stays 45 degrees short."""
    ended = run("aim", "--machine", examples / "indexer_mill.toml", "--normal", "1,0,1", "--json")
    assert ended.code == 1
    (one,) = json.loads(ended.out)["operations"]
    assert (one["reached"], one["short_deg"]) == (False, pytest.approx(45.0))


def test_a_job_for_other_programs(run, examples):
    """The upper ports' normals have a tilt and a turn each way: the one that is used comes first, and fits."""
    ended = run("aim", examples / "tide_gauge_head.toml", "--json")
    found = json.loads(ended.out)
    assert (ended.code, found["schema"], found["job"]) == (
        0,
        "tiltwright.aim/1",
        "Tide-gauge head, dome ports",
    )
    used = {
        one["name"]: one["machine"]
        for one in json.loads(run("offsets", examples / "tide_gauge_head.toml", "--json").out)["operations"]
    }
    assert found["operations"]
    for one in found["operations"]:
        assert one["reached"]
        assert one["ways"][0]["fits"]
        assert one["ways"][0]["machine"] == pytest.approx(used[one["name"]], abs=1e-9)


@pytest.mark.parametrize("turns", [(0.1, 0.1), (0.1, 0.0)])
def test_an_aim_has_the_angles_of_the_offsets_under_a_correction(run, job, turns):
    """A turn in the work offset moves the machine's angles; the program's stay, alike or not in all offsets."""
    text = CLOCKED.format(ports=PORTS)
    before = json.loads(run("offsets", job(text), "--json").out)["operations"]
    text += '[correction]\ndate = "2026-03-02T14:10:00+01:00"\nmeasured = "first.csv"\ncause = "vice: turn"\n'
    for one, turn in zip(before, turns, strict=True):
        at = [one["offset"][axis] for axis in "XYZ"]
        text += f'[[correction.offset]]\noperation = "{one["name"]}"\nbefore = {at}\nafter = {at}\nturn = {turn}\n'
    path = job(text)
    loaded = json.loads(run("offsets", path, "--json").out)["operations"]
    aimed = json.loads(run("aim", path, "--json").out)["operations"]
    for one, was, now, turn in zip(aimed, before, loaded, turns, strict=True):
        assert one["ways"][0]["program"] == pytest.approx(was["program"], abs=1e-9)
        assert one["ways"][0]["machine"] == pytest.approx(now["machine"], abs=1e-9)
        assert now["machine"]["C"] == pytest.approx(was["machine"]["C"] + turn, abs=1e-9)


def test_an_unreached_aim_is_told_alike_by_every_command(run, job):
    """On a part that is clocked by 0.35 degrees, the program's C is 0.35 less than the machine's."""
    path = job(CLOCKED.format(ports='[[operation]]\nname = "below"\nnormal = [0.0, -1.0, -1.8]\n'))
    (aimed,) = json.loads(run("aim", path, "--json").out)["operations"]
    (missed,) = json.loads(run("offsets", path, "--json").out)["unreached"]
    assert missed["ways"] == aimed["ways"]
    for way in missed["ways"]:
        assert way["machine"]["C"] - way["program"]["C"] == pytest.approx(0.35)


def test_a_job_shows_its_aimed_operations(run, examples):
    ended = run("aim", examples / "tide_gauge_head.toml", "--only", "lower port")
    assert ended.code == 0
    assert ended.out.count("taken") == 3
    assert "top port" not in ended.out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--normal", "0,0,1"], "a job file, or --machine FILE"),
        (["JOB", "--normal", "0,0,1"], "--normal with --machine only"),
        (["-m", "MILL"], "--normal: found nothing"),
        (["-m", "MILL", "--normal", "0,0,0"], "not three zeros"),
        (["-m", "MILL", "--normal", "0,0,1", "--tilt", "up"], '"positive" or "negative"'),
        (["-m", "MILL", "--normal", "0,0,1", "--from", "A90"], "-120 to 30 degrees"),
        (["JOB", "--only", "porthole"], 'no operation "porthole"'),
        (["-m", "MILL", "--normal", "0,0,1", "--only", "port"], "--only"),
        (["-m", "MILL", "--normal", "0,0,1", "--nest", "left"], "--nest with a job file that has nests"),
        (["-m", "MILL", "--normal", "0,1/2,1"], "write it with decimals: 0.5"),
    ],
)
def test_options_that_make_no_sense_are_refused(run, examples, arguments, said):
    names = {"JOB": examples / "tide_gauge_head.toml", "MILL": examples / "teaching_mill.toml"}
    ended = run("aim", *(names.get(word, word) for word in arguments))
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err


THREE = """name = "Two tilts under a table"
units = "mm"
z_reference = "gauge line"
[[rotary]]
letter = "A"
along = "+X"
positive_turn = "counterclockwise"
point = [0.0, 0.0, -50.0]
limits = [-25.0, 25.0]
[[rotary]]
letter = "B"
along = "+Y"
positive_turn = "counterclockwise"
point = [0.0, 0.0, -50.0]
limits = [-25.0, 25.0]
[[rotary]]
letter = "C"
along = "+Z"
positive_turn = "counterclockwise"
point = [0.0, 0.0, 0.0]
limits = [-400.0, 400.0]
[platter]
face = 0.0
"""

HELD = """name = "held"
units = "mm"
machine = "three.toml"
[[stack]]
name = "post"
up = 40.0
[[operation]]
name = "face"
normal = [{normal}]
hold = {{ C = {held} }}
"""


def test_three_rotaries_share_a_tilt_that_none_has_alone(run, examples, tmp_path):
    """30 degrees, where A and B have 25 each: before, A stayed at 0 and the answer was no."""
    mill = tmp_path / "three.toml"
    mill.write_text(THREE)
    ended = run("aim", "--machine", mill, "--normal", "0.35355339,0.35355339,0.8660254", "--json")
    assert ended.code == 0
    (three,) = json.loads(ended.out)["operations"]
    ways = three["ways"]
    assert ways[0]["fits"]
    assert [way["cost_deg"] for way in ways if way["fits"]] == sorted(
        way["cost_deg"] for way in ways if way["fits"]
    )
    two = json.loads(
        run("aim", "--machine", examples / "teaching_mill.toml", "--normal", "1,1,1", "--json").out
    )
    assert set(ways[0]) == set(two["operations"][0]["ways"][0])
    assert set(three) == set(two["operations"][0])


def test_a_direction_that_three_rotaries_do_not_reach_names_what_stops_them(run, tmp_path):
    mill = tmp_path / "three.toml"
    mill.write_text(THREE)
    ended = run("aim", "--machine", mill, "--normal", "0,-1,0", "--json")
    assert ended.code == 1
    (one,) = json.loads(ended.out)["operations"]
    assert not one["reached"]
    assert not any(way["fits"] for way in one["ways"])
    assert all(way["why_out"] for way in one["ways"])


def test_a_held_rotary_keeps_its_whole_turn_in_a_job(run, tmp_path):
    (tmp_path / "three.toml").write_text(THREE)
    job = tmp_path / "job.toml"
    job.write_text(HELD.format(normal="0.17364818, 0.0, 0.98480775", held="370"))
    ended = run("offsets", job, "--json")
    assert ended.code == 0
    (one,) = json.loads(ended.out)["operations"]
    assert one["program"]["C"] == 370.0


def test_a_held_rotary_beyond_its_limits_is_an_error_of_the_file(run, tmp_path):
    (tmp_path / "three.toml").write_text(THREE.replace("400.0", "200.0"))
    job = tmp_path / "job.toml"
    job.write_text(HELD.format(normal="0.17364818, 0.0, 0.98480775", held="370"))
    ended = run("offsets", job)
    assert (ended.code, ended.out) == (2, "")
    assert "hold, C" in ended.err
    assert "-200 to 200" in ended.err
    assert "the same pose is 10" in ended.err
