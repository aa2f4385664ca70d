"""A wrong sign at each place where one can be typed: what tells it, before a tool moves."""

import json

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from machine_texts import mill_text

from kinematics import IDENTITY, RotationSense
from tiltwright.job.evaluate import evaluate_job
from tiltwright.job.message_kinds import FacesDown
from tiltwright.job.sign_slips import StatedBlank, in_front_mm, touch_mistyped
from tiltwright.job.warnings import job_messages, joined_messages

MILL = mill_text(
    units="inch",
    tilt="B",
    along="+Y",
    points=("[-15.0021, -8.0, -16.2110]", "[-15.0010, -8.0135, -14.2090]"),
    limits="[-110.0, 110.0]",
    travel=("[-30.0, 0.0]", "[-16.0, 0.0]", "[-20.0, 0.0]"),
    platter="face = -14.2090",
)

JOB = """
name = "Buoy bracket"
units = "inch"
machine = "teaching_mill.toml"
[[stack]]
name = "sub-plate"
up = 0.75
[[stack]]
name = "vice"
up = 2.501
shift = [-2.0, 0.125]
[[stack]]
name = "blank"
up = 1.0
TOUCHED
[[operation]]
name = "bolt face"
at = { B = -35, C = 90 }
origin = [0.5, -0.3, -0.4]
[[operation]]
name = "port"
normal = [0.0, -0.5, 0.866]
origin = [0.1, -0.8, -0.3]
tilt = "negative"
[[operation]]
name = "chamfer"
tip = [["z", 90.0], ["x", 40.0]]
origin = [0.9, 0.0, -0.1]
"""
# Part zero of the stack at B0 C0: the C line, the shift, and the platter with 0.75 + 2.501 + 1 inches on it.
TOUCHED = """
[touched]
X = -17.0010
Y = -7.8885
Z = -9.9580
pose = { B = 0, C = 0 }
use = "touched"
"""


@pytest.fixture
def remarks(run, job):
    """The kinds of what is said of the job with one number changed, and the exit code."""

    def said(old="", new="", touched=""):
        mill, text = MILL, JOB.replace("TOUCHED", touched)
        assert not old or (mill + text).count(old) == 1, old
        ended = run("offsets", job(text.replace(old, new), mill.replace(old, new)), "--json")
        report = json.loads(ended.out) if ended.out else {"remarks": []}
        return ended, {one["kind"]: one for one in report["remarks"]}

    return said


@pytest.mark.parametrize("touched", ["", TOUCHED])
def test_right_signs_are_told_nothing(remarks, touched):
    ended, found = remarks(touched=touched)
    assert ended.code == 0
    assert set(found) <= {"touch-off difference", "plane turned"}


@pytest.mark.parametrize(
    ("old", "new", "kind", "values"),
    [
        # The machine file.
        ("point = [-15.0021,", "point = [15.0021,", "pivot out of travel", {"letter": "B", "axis": "X"}),
        ("-16.2110]", "16.2110]", "pivot out of travel", {"letter": "B", "axis": "Z"}),
        ("-8.0135,", "8.0135,", "pivot out of travel", {"letter": "C", "axis": "Y"}),
        (
            'along = "+Y"\npositive_turn = "c',
            'along = "+Y"\npositive_turn = "counterc',
            "faces inward",
            {"key": "at"},
        ),
        ('along = "+Y"', 'along = "-Y"', "faces inward", {"key": "at"}),
        (
            'along = "+Z"\npositive_turn = "c',
            'along = "+Z"\npositive_turn = "counterc',
            "faces inward",
            {"key": "at"},
        ),
        # The job file.
        ("up = 2.501", "up = -2.501", "step down", {"step": "vice", "up": -2.501}),
        ("up = 1.0", "up = -1.0", "step down", {"step": "blank", "up": -1.0}),
        ("B = -35", "B = 35", "faces inward", {"key": "at"}),
        ("C = 90 }", "C = -90 }", "faces inward", {"key": "at"}),
        ("[0.0, -0.5, 0.866]", "[0.0, 0.5, 0.866]", "faces inward", {"key": "normal"}),
        ("[0.1, -0.8, -0.3]", "[0.1, 0.8, -0.3]", "faces inward", {"key": "normal"}),
        ('["z", 90.0]', '["z", -90.0]', "faces inward", {"key": "tip"}),
        ('["x", 40.0]', '["x", -40.0]', "faces inward", {"key": "tip"}),
    ],
)
def test_a_wrong_sign_in_the_files_is_told(remarks, old, new, kind, values):
    _, found = remarks(old, new)
    assert found[kind]["severity"] == "warning"
    assert {key: found[kind]["values"][key] for key in values} == pytest.approx(values)


@pytest.mark.parametrize("section", ["round = 1.8", "bar = [1.8, 1.8]"])
@pytest.mark.parametrize(
    ("new", "outside_mm"),
    [
        ("[0.5, -0.3, -0.4]", None),
        ("[0.9, 0.0, 0.0]", None),
        ("[0.5, -0.3, 0.4]", 0.4),
        ("[0.5, -0.3, -1.4]", 0.4),
        ("[2.0, 0.0, 0.3]", np.hypot(1.1, 0.3)),
    ],
)
def test_an_origin_in_the_air_is_told_where_the_blank_is_stated(remarks, section, new, outside_mm):
    """The blank is 1 inch high under part zero, and 1.8 across."""
    _, found = remarks("[0.5, -0.3, -0.4]", new, touched=f"{section}\nblank = true\n")
    said = found.get("outside blank")
    assert (None if said is None else said["values"]) == (
        None if outside_mm is None else {"step": "blank", "outside": pytest.approx(outside_mm)}
    )


@pytest.mark.parametrize(
    ("blank", "up", "told"),
    [
        ("blank = true\nbar = [1.8, 1.8]", -1.0, False),  # zero at the underside
        ("blank = true\nbar = [1.8, 1.8]", -0.4, False),  # in the middle
        ("blank = true\nbar = [1.8, 1.8]", -1.1, True),
        ("", -1.0, True),  # nothing says that the step below is the blank
    ],
)
def test_a_zero_in_the_blank_is_no_step_down(remarks, blank, up, told):
    zero = f'{blank}\n[[stack]]\nname = "zero"\nup = {up}\n'
    ended, found = remarks(touched=zero)
    assert ended.code == 0
    assert ("step down" in found) == told


component = st.floats(-1.0, 1.0)

BLOCK = """
name = "Buoy block"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "vice"
up = 60.0
[[stack]]
name = "block"
up = 60.0
{blank}
[[operation]]
name = "hole"
normal = {normal}
origin = {origin}
"""
DOWEL = '[[stack]]\nname = "dowel"\nup = -40.0\nshift = [-50.0, 0.0]'


BESIDE = """
name = "Buoy block"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "dowel in the vice"
up = 60.0
shift = [-50.0, 0.0]
"""
"""No blank is stated. Part zero is on a dowel, and the part lies 20 to 80 mm beside it along x, 30 to either side along y."""


def _beside(*cuts: tuple[list[float], list[float]]) -> str:
    return BESIDE + "".join(
        f'[[operation]]\nname = "cut {k}"\nnormal = {normal}\norigin = {origin}\n'
        for k, (normal, origin) in enumerate(cuts)
    )


_TOP, _NEAR = ([0.0, 0.0, 1.0], [50.0, 0.0, 0.0]), ([-1.0, 0.0, 0.0], [20.0, 0.0, -30.0])
_SIDE, _FAR = ([0.0, -1.0, 0.0], [50.0, -30.0, -30.0]), ([1.0, 0.0, 0.0], [80.0, 0.0, -30.0])


@pytest.mark.parametrize(
    ("cuts", "told"),
    [
        # Right: the near face turns to part zero, and all else lies behind it.
        ((_TOP, _NEAR, _SIDE), set()),
        ((_TOP, _NEAR, _SIDE, _FAR), set()),
        # A sign lost: of the far face's normal, of the side's, of the side's origin.
        ((_TOP, _NEAR, ([-1.0, 0.0, 0.0], _FAR[1])), {"cut 2"}),
        ((_TOP, _NEAR, ([0.0, 1.0, 0.0], _SIDE[1])), {"cut 2"}),
        ((_TOP, _NEAR, (_SIDE[0], [50.0, 30.0, -30.0])), {"cut 2"}),
        # Two are too few to tell, and so is a job that cuts something at part zero.
        ((_NEAR, _SIDE), {"cut 0"}),
        ((([0.0, 0.0, 1.0], [0.0, 0.0, 0.0]), _NEAR, _SIDE), {"cut 1"}),
    ],
)
def test_a_part_beside_its_zero_is_asked_about_no_right_plane(run, job, cuts, told):
    ended = run("offsets", job(_beside(*cuts)), "--json")
    found = [one for one in json.loads(ended.out)["remarks"] if one["kind"] == "faces inward"]
    assert {name for one in found for name in one["operations"]} == told


CORNER = 'name = "Block"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "vice"\nup = 60.0\n'
"""Part zero is at the near left corner of the top; the block reaches to x 90, y 60."""
_FLANKS = (([1.0, 0.0, 0.0], [90.0, 30.0, -20.0]), ([0.0, 1.0, 0.0], [45.0, 60.0, -20.0]))


@pytest.mark.parametrize(
    ("normal", "origin", "told"),
    [
        # Right: holes that lean toward the corner's sides, with most of the part behind them.
        ([-0.5, 0.0, 0.866], [20.0, 30.0, 0.0], False),
        ([0.0, -0.5, 0.866], [45.0, 15.0, 0.0], False),
        ([-0.866, 0.0, 0.5], [10.0, 30.0, -30.0], False),
        # Signs lost at the far sides: most of the part is in front.
        ([-1.0, 0.0, 0.0], [90.0, 40.0, -30.0], True),
        ([0.0, -0.7071, 0.7071], [40.0, 60.0, 0.0], True),
        ([-0.866, 0.0, 0.5], [70.0, 30.0, -40.0], True),
    ],
)
def test_a_part_with_its_zero_at_a_corner_is_told_by_what_else_is_cut(run, job, normal, origin, told):
    cuts = (*_FLANKS, (normal, origin))
    text = CORNER + "".join(
        f'[[operation]]\nname = "cut {k}"\nnormal = {way}\norigin = {at}\n'
        for k, (way, at) in enumerate(cuts)
    )
    found = [
        one
        for one in json.loads(run("offsets", job(text), "--json").out)["remarks"]
        if one["kind"] == "faces inward"
    ]
    assert {name for one in found for name in one["operations"]} == ({"cut 2"} if told else set())


@pytest.mark.parametrize(
    "shape",
    [
        "box = { low = [-30.0, -30.0, -60.0], high = [30.0, 30.0, 0.0] }",
        "cylinder = { start = [0.0, 0.0, 0.0], end = [0.0, 0.0, -60.0], diameter = 60.0 }",
    ],
)
@pytest.mark.parametrize(
    ("normal", "origin", "told"),
    [
        ([0.0, -0.6, 0.8], [0.0, 2.0, -30.0], False),
        ([0.0, -0.9063, 0.4226], [0.0, 10.0, -30.0], False),
        ([-0.5, 0.0, 0.866], [20.0, 0.0, 0.0], False),
        ([0.0, 1.0, 0.0], [0.0, -30.0, -30.0], True),
        ([0.0, 0.7071, 0.7071], [0.0, -30.0, 0.0], True),
    ],
)
def test_a_part_that_is_stated_as_a_solid_tells_as_a_blank_does(run, job, shape, normal, origin, told):
    solid = f'[[solid]]\nname = "block as sawn"\non = "part"\n{shape}\n'
    text = BLOCK.format(blank="", normal=normal, origin=origin) + solid
    found = {
        one["kind"]: one["values"] for one in json.loads(run("offsets", job(text), "--json").out)["remarks"]
    }
    assert found.get("faces inward") == ({"key": "normal", "step": "block as sawn"} if told else None)


@pytest.mark.parametrize("section", ["bar = [60.0, 60.0]", "round = 60.0"])
@pytest.mark.parametrize(
    ("normal", "origin", "told"),
    [
        # Right jobs: where two axes meet, the far zero of a cross hole, a bowl from inside, a side, a deep pocket, a chamfer.
        ([0.0, -0.6, 0.8], [0.0, 2.0, -30.0], False),
        ([0.0, -0.9063, 0.4226], [0.0, 10.0, -30.0], False),
        ([-0.5, 0.0, 0.866], [20.0, 0.0, 0.0], False),
        ([0.0, -1.0, 0.0], [0.0, -30.0, -30.0], False),
        ([0.0, -0.5, 0.866], [0.0, -20.0, -55.0], False),
        ([0.0, -0.7071, 0.7071], [0.0, -30.0, 0.0], False),
        # A sign lost: of the side's normal or its origin, of the chamfer's, of a side hole's.
        ([0.0, 1.0, 0.0], [0.0, -30.0, -30.0], True),
        ([0.0, -1.0, 0.0], [0.0, 30.0, -30.0], True),
        ([0.0, 0.7071, 0.7071], [0.0, -30.0, 0.0], True),
        ([0.0, 0.866, 0.5], [0.0, -20.0, -15.0], True),
        ([0.0, -0.866, 0.5], [0.0, 20.0, -15.0], True),
    ],
)
def test_a_stated_blank_tells_which_way_is_inward(run, job, section, normal, origin, told):
    """Wherever part zero lies: on the blank, or on a dowel beside it."""
    blank = f"blank = true\n{section}\n"
    beside = [origin[0] + 50.0, origin[1], origin[2] + 40.0]
    for text in (
        BLOCK.format(blank=blank, normal=normal, origin=origin),
        BLOCK.format(blank=blank + DOWEL, normal=normal, origin=beside),
    ):
        found = {
            one["kind"]: one["values"]
            for one in json.loads(run("offsets", job(text), "--json").out)["remarks"]
        }
        assert found.get("faces inward") == ({"key": "normal", "step": "block"} if told else None)


@pytest.mark.parametrize(
    ("example", "old", "new", "key", "down_deg", "names"),
    [
        ("mast_cap", "0.8660254037844386, 0.5]", "0.8660254037844386, -0.5]", "normal", 30.0, 4),
        ("buoy_bracket", "[0.0, 0.5, 0.8660254", "[0.0, 0.5, -0.8660254", "normal", 60.0, 1),
        ("buoy_bracket", "at     = { A = 180 }", "normal = [0.0, 0.0, -1.0]", None, 90.0, 1),
        (
            "buoy_bracket",
            "at     = { A = 180 }\norigin = [0.0, 0.0, -50.0]",
            "normal = [0.0, 0.0, -1.0]",
            "normal",
            90.0,
            1,
        ),
        ("buoy_bracket", "normal = [0.0, 0.5, 0.8660254037844386]", 'tip = [["x", 150.0]]', None, 60.0, 1),
        ("float_slots", "0.1, -0.46984631039295416]", "-0.1, -0.46984631039295416]", "through", 20.0, 5),
    ],
)
def test_a_plane_that_faces_down_is_told_once_a_pattern(
    examples, tmp_path, example, old, new, key, down_deg, names
):
    """A sign lost in z, or points in the wrong order; not a plane of the underside, nor a tip beyond 90 degrees."""
    text = (examples / f"{example}.toml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    for machine in ("teaching_mill", "indexer_mill", "trunnion_mill"):
        mill = (examples / f"{machine}.toml").read_text(encoding="utf-8")
        (tmp_path / f"{machine}.toml").write_text(mill, encoding="utf-8")
    path = tmp_path / "job.toml"
    for written, told in ((text, None), (text.replace(old, new), key)):
        path.write_text(written, encoding="utf-8")
        evaluated = evaluate_job(path)
        found = [one for one in job_messages(evaluated) if isinstance(one.finding, FacesDown)]
        joined = joined_messages(found, "mm")
        assert len(joined) == (told is not None)
        if told is not None:
            assert (joined[0].finding.key, len(joined[0].about)) == (told, names)
            assert joined[0].finding.down_deg == pytest.approx(down_deg)


@given(
    st.tuples(component, component, component),
    st.tuples(component, component, st.floats(0.0, 1.0)),
    st.booleans(),
)
def test_the_way_out_of_a_blank_ends_on_its_surface(direction, at, turned):
    """From a point in it: neither in the air nor inside, whichever way (derived here)."""
    along, point = np.array(direction), np.array(at) * [30.0, 20.0, 60.0]
    assume(np.linalg.norm(along) > 1e-3)
    blank = StatedBlank("block", IDENTITY, (30.0,) if turned else (30.0, 20.0), 0.0, 60.0)
    inside = blank.nearest_mm(point)
    out = blank.out_mm(inside, along)
    assert blank.outside_mm(inside + out * along) < 1e-6
    assert blank.outside_mm(inside + (out + 1e-3) * along) > 0.0


@given(
    st.tuples(component, component, component),
    st.floats(0.0, 300.0),
    st.tuples(component, component, component),
)
def test_no_face_of_a_convex_part_is_told_to_face_inward(direction, front_mm, aside):
    """A plane in front of part zero, its origin anywhere in it: never behind, whichever way it looks (derived here)."""
    normal = np.array(direction)
    assume(np.linalg.norm(normal) > 1e-3)
    normal /= np.linalg.norm(normal)
    along = 200.0 * np.array(aside)
    origin_mm = front_mm * normal + along - (along @ normal) * normal
    assert in_front_mm(normal, origin_mm) >= -1e-9


@pytest.mark.parametrize(
    ("old", "new", "steps", "keys"),
    [
        ("up = 0.75", "up = -0.75", ["sub-plate"], ["up"]),
        ("up = 2.501", "up = -2.501", ["vice"], ["up"]),
        ("[-2.0, 0.125]", "[2.0, 0.125]", ["vice"], ["shift x"]),
        ("[-2.0, 0.125]", "[-2.0, -0.125]", ["vice"], ["shift y"]),
    ],
)
def test_a_touch_off_names_the_sign_in_the_stack(remarks, old, new, steps, keys):
    ended, found = remarks(old, new, touched=TOUCHED)
    assert ended.code == 1
    said = found["stack sign lost"]
    assert (said["values"]["steps"], said["values"]["keys"]) == (steps, keys)
    # The part was touched off, so the step that goes down is no second riddle; Z alone may still be a tool's length.
    assert ("length left in" in found) == (keys == ["up"])


def test_steps_of_one_height_are_both_named(remarks):
    _, found = remarks("up = 0.75", "up = -1.0", touched=TOUCHED.replace("-9.9580", "-9.7080"))
    assert found["stack sign lost"]["values"]["steps"] == ["sub-plate"]
    _, found = remarks(
        "up = 1.0", "up = 0.75", touched=TOUCHED.replace("-9.9580", "-11.708")
    )  # one of the two 0.75 hangs down
    assert found["stack sign lost"]["values"]["steps"] == ["sub-plate", "blank"]


@pytest.mark.parametrize(("axis", "old"), [("X", "-17.0010"), ("Y", "-7.8885"), ("Z", "-9.9580")])
def test_a_lost_sign_in_a_touch_off_is_told_first(remarks, axis, old):
    ended, found = remarks(touched=TOUCHED.replace(old, old[1:]))
    assert ended.code == 1
    said = found["touch-off mistyped"]["values"]
    assert (said["cause"], said["axes"], said["outside"]) == ("sign", [axis], [axis])
    # What follows from it, every operation out of the travels, is not told: it would hide the reason.
    assert ended.err.startswith("FAIL: OUT OF TRAVEL: part zero")
    assert "out of travel" not in found


def test_a_sign_lost_in_z_may_be_a_tool_left_in(run, examples):
    """A travel of Z above zero: both put Z higher: 13.4 inches of tool, or a minus. Both are said."""
    typed = ["--touched", "0.0055,-0.0014,6.7046", "--pose", "B0,C0"]
    report = json.loads(run("offsets", examples / "float_slots.toml", *typed, "--json").out)
    found = {one["kind"]: one["values"] for one in report["remarks"]}
    assert (found["touch-off mistyped"]["cause"], found["touch-off mistyped"]["axes"]) == ("sign", ["Z"])
    assert found["length left in"]["length"] == pytest.approx(13.4126, abs=1e-3)


def test_operations_beyond_one_end_of_travel_are_told_together(run, job):
    """Pivots half a metre off: one line for each end of a travel, whatever the number of operations; all in --json."""
    ports = '[[operation]]\nname = "port"\nnormal = [0, -0.5, 0.866]\norigin = [0, -0.8, -0.3]\nrepeat = { count = 6, step = 60 }\n'
    path = job(
        JOB.replace("TOUCHED", "") + ports.replace("port", "seat"), MILL.replace("x = [-30.0", "x = [-12.0")
    )
    ended = run("offsets", path, "--json")
    every = [one for one in json.loads(ended.out)["remarks"] if one["kind"] == "out of travel"]
    told = [line for line in ended.err.splitlines() if "OUT OF TRAVEL: X" in line]
    assert len(every) > len(told) == 1
    values = [one["values"]["offset"] for one in every]
    assert f"X {max(values):.4f} to {min(values):.4f}" in told[0]
    for one in every:
        name, _, number = one["operations"][0].rpartition(" ")
        assert name in told[0]
        assert number[0].isalpha() or int(number) in range(1, 7)


def test_a_lost_sign_in_a_zero_without_a_job_is_told_first(run, job):
    """No stack contradicts it, but the travels do: X of the typed zero, before what follows from it."""
    mill = job("", MILL).with_name("teaching_mill.toml")
    right = run("offsets", "-m", mill, "--zero", "-17.0,-7.9,-9.9", "--at", "B-35")
    assert "caution" not in right.err
    wrong = run("offsets", "-m", mill, "--zero", "17.0,-7.9,-9.9", "--at", "B-35").err.splitlines()
    assert "a lost minus sign in X?" in wrong[0]
    mill.write_text(MILL.replace("point = [-15.0021", "point = [15.0021"), encoding="utf-8")
    told = run("offsets", "-m", mill, "--zero", "-17.0,-7.9,-9.9", "--at", "B-35").err
    assert "the point of B has X 15.0021" in told


def test_a_wrong_sign_in_the_pose_is_told(job):
    """Touched off with the table at C 90: typed as C -90, the point is a half turn away."""
    path = job(JOB.replace("TOUCHED", ""), MILL)
    right = evaluate_job(path)
    x, y, z = (right.job.setup.work_offset([0.0, 0.0, 0.0], [0.0, 90.0]) / 25.4).tolist()
    touched = TOUCHED.replace("C = 0", "C = -90")
    for old, new in (("-17.0010", x), ("-7.8885", y), ("-9.9580", z)):
        touched = touched.replace(old, f"{new:.4f}")
    path.write_text(JOB.replace("TOUCHED", touched), encoding="utf-8")
    said = touch_mistyped(evaluate_job(path))
    assert said is not None
    assert (said.cause, said.axes) == ("pose sign", ("C",))


def test_senses_are_on_everything_that_is_loaded(run, job):
    """A sense entered backwards shows in no number of a symmetrical job, so every form says how to look."""
    path = job(
        JOB.replace("TOUCHED", ""), MILL.replace('Z"\npositive_turn = "c', 'Z"\npositive_turn = "counterc')
    )
    for command in (["offsets"], ["offsets", "--gcode"], ["offsets", "--at", "B-35"], ["sheet"]):
        told = " ".join(run(*command, path).out.split())
        assert f"{RotationSense.COUNTERCLOCKWISE.value}, seen from above" in told
        assert f"{RotationSense.CLOCKWISE.value}, seen from the back" in told


def test_a_sheet_that_squares_up_has_the_offset_swept(run, job):
    """The sign of a clocking shows at the part only: its edge runs off by twice as much."""
    clocked = JOB.replace("TOUCHED", "turn = 0.12")
    assert "indicator" not in run("sheet", job(clocked, MILL)).out
    squared = clocked.replace("[[stack]]", 'square_up = "C"\n[[stack]]', 1)
    assert "indicator" in run("sheet", job(squared, MILL)).out
