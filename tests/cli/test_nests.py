"""Nests, several jobs on one table, loaders and a part's own zero, as a setter types them."""

import csv
import io
import itertools
import json
import re

import numpy as np
import pytest
from machine_texts import mill_text
from slices import cases

from kinematics import Setup, StackStep
from tiltwright.files.loader import read_job
from tiltwright.job.evaluate import evaluate_nests

HEAD = 'name = "Feet"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
PLATE = '[[stack]]\nname = "plate"\nup = 20.0\n'
FACE = '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\n'
PORT = '[[operation]]\nname = "port"\nnormal = [0, -0.5, 0.866]\ntilt = "negative"\norigin = [0, -12, 0]\n'


def nest(name, x, turn=0.0, up=60.0, on="plate", extra=""):
    return (
        f'[[nest]]\nname = "{name}"\non = "{on}"\n'
        f'[[nest.step]]\nname = "{name} vice"\nup = {up}\nshift = [{x}, 0.0]\nturn = {turn}\n{extra}'
    )


TWO = PLATE + nest("left", -40.0) + nest("right", 40.0, 0.5)


def g10(text):
    """The blocks that set offsets: number and words."""
    return [(line.split()[2], line.split()[3:]) for line in text.splitlines() if line.startswith("G10")]


def test_every_nest_is_a_stack_of_its_own(run, job):
    report = json.loads(run("offsets", job(HEAD + TWO + FACE + PORT), "--json").out)
    assert [(one["name"], one["nest"], one["work_offset"]) for one in report["operations"]] == [
        ("face", "left", 1),
        ("port", "left", 2),
        ("face", "right", 3),
        ("port", "right", 4),
    ]
    machine = read_job(job(HEAD + PLATE + FACE)).machine
    for one in report["operations"]:
        x, turn = (-40.0, 0.0) if one["nest"] == "left" else (40.0, 0.5)
        steps = [StackStep("plate", 20.0), StackStep("vice", 60.0, (x, 0.0), (), turn)]
        offset = Setup.from_stack(machine, steps).work_offset(one["origin"], list(one["machine"].values()))
        assert [one["offset"][axis] for axis in "XYZ"] == pytest.approx(offset.tolist(), abs=1e-9)


def test_an_operation_is_done_in_the_nests_that_it_names(run, job):
    path = job(HEAD + TWO + FACE + PORT + 'nests = ["right"]\n')
    rows = list(csv.DictReader(io.StringIO(run("offsets", path, "--csv").out)))
    assert [(row["nest"], row["operation"]) for row in rows] == [
        ("left", "face"),
        ("right", "face"),
        ("right", "port"),
    ]


def test_one_nest_alone_has_the_numbers_of_all_together(run, job):
    path = job(HEAD + TWO + FACE + PORT)
    alone = json.loads(run("offsets", path, "--nest", "right", "--json").out)["operations"]
    assert [(one["name"], one["work_offset"], one["nest"]) for one in alone] == [
        ("face", 3, "right"),
        ("port", 4, "right"),
    ]
    assert "G56" in run("explain", path, "face", "--nest", "right").out
    assert run("aim", path, "--nest", "right").code == 0
    assert 'allowed: a nest of this job: "left" or "right"' in run("explain", path, "face").err
    wrong = run("offsets", path, "--nest", "rigth")
    assert (wrong.code, wrong.out) == (2, "")
    assert 'did you mean "right"?' in wrong.err


def test_without_nests_nest_is_null_and_nothing_else_is_new(run, job):
    report = json.loads(run("offsets", job(HEAD + PLATE + FACE), "--json").out)
    assert [one["nest"] for one in report["operations"]] == [None]
    assert not {"order", "loaders", "nests"} & set(report)
    assert run("offsets", job(HEAD + PLATE + FACE), "--nest", "left").code == 2


def test_the_loader_names_nests_and_sets_every_offset(run, job):
    text = run("offsets", job(HEAD + TWO + FACE + PORT), "--gcode").out
    assert [number for number, _ in g10(text)] == ["P4", "P3", "P2", "P1"]
    assert "(G56 for program A0.0000 C0.0000: face in nest right)" in text


def test_by_tilt_every_nest_at_one_tilt_comes_before_the_next(run, job):
    square = 'square_up = "C"\n'
    by_nest = json.loads(run("offsets", job(HEAD + square + TWO + FACE + PORT), "--json").out)["order"]
    ended = run("offsets", job(HEAD + square + 'order = "by tilt"\n' + TWO + FACE + PORT), "--json")
    by_tilt = json.loads(ended.out)["order"]
    assert "say so with `after`" in ended.err
    assert (by_nest["by"], by_tilt["by"]) == ("by nest", "by tilt")
    assert [one["name"] for one in by_nest["operations"]] == ["face", "port"] * 2
    names = [one["name"] for one in by_tilt["operations"]]
    assert names in (["face", "face", "port", "port"], ["port", "port", "face", "face"])
    assert by_tilt["motion_deg"] < by_nest["motion_deg"]
    # Each is told what the other would be.
    assert by_tilt["motion_deg"] == by_nest["other_motion_deg"]
    assert by_tilt["other_motion_deg"] == by_nest["motion_deg"]
    assert by_tilt["index_s"] is None


def test_after_is_kept_by_tilt(run, job):
    order = HEAD + 'order = "by tilt"\n' + TWO + FACE + PORT + 'after = ["face"]\n'
    ended = run("offsets", job(order), "--json")
    assert "`after`" not in ended.err
    names = [(one["nest"], one["name"]) for one in json.loads(ended.out)["order"]["operations"]]
    for of in ("left", "right"):
        assert names.index((of, "face")) < names.index((of, "port"))


def test_a_calibration_changes_no_work_offset_number(run, job):
    """Orders with as much motion: thousandths of a degree, which measured lines add, must not decide between them."""
    planes = {
        "front": [0.0, -0.6427876096865393, 0.766044443118978],
        "back": [0.0, 0.6427876096865393, 0.766044443118978],
        "bore": [0.8660254037844386, 0.0, 0.5],
        "hole": [-0.42261826174069944, 0.0, 0.9063077870366499],
    }
    text = HEAD + 'order = "by tilt"\n' + PLATE + nest("left", -40.0) + nest("right", 40.0) + FACE
    text += "".join(
        f'[[operation]]\nname = "{name}"\nnormal = {normal}\ntilt = "negative"\nafter = ["face"]\n'
        for name, normal in planes.items()
    )
    mill = mill_text(limits="[-110.0, 30.0]")
    lines = [("+X", "[1.0, 0.0, 0.0]"), ("+Z", "[0.0, 0.0, 1.0]")]
    numbers, motions = [], []
    for a, c in ((0.0, 0.0), (1.2e-5, 0.7e-5), (-0.9e-5, 1.4e-5), (0.4e-5, -1.1e-5)):
        measured = mill
        for (along, nominal), lean in zip(lines, (a, c), strict=True):
            direction = nominal.replace("0.0", f"{lean:.9f}", 1)
            measured = measured.replace(f'along = "{along}"', f"direction = {direction}")
        report = json.loads(run("offsets", job(text, measured), "--json").out)
        numbers.append([(one["name"], one["nest"], one["work_offset"]) for one in report["operations"]])
        motions.append(report["order"]["motion_deg"])
    assert all(one == numbers[0] for one in numbers)
    assert motions == pytest.approx([motions[0]] * len(motions), abs=0.05)
    assert len(set(motions)) > 1


def test_the_choice_between_two_tilts_is_told(run, job):
    """Aimed from zero the bore stands at A 30; at A -30 it shares the pose of the slot, which saves 60 degrees of 480."""
    bore = '[[operation]]\nname = "bore"\nnormal = [0, -0.5, 0.8660254037844386]\n'
    slot = '[[operation]]\nname = "slot"\nat = { A = -30, C = 180 }\n'
    text = HEAD + 'order = "by tilt"\n' + PLATE + nest("left", -40.0) + nest("right", 40.0) + FACE
    order = json.loads(run("offsets", job(text + bore + slot), "--json").out)["order"]
    assert order["motion_deg"] == pytest.approx(480.0)
    assert order["tilt"]["open"] == ["bore"]
    better = order["tilt"]["better"]
    assert better == {
        "tilts": [{"operation": "bore", "tilt": "negative"}],
        "motion_deg": pytest.approx(420.0),
    }
    assert order["tilt"]["compared"]
    # The file asks for that tilt: the order has that motion, and nothing is open any more.
    asked = json.loads(run("offsets", job(text + bore + 'tilt = "negative"\n' + slot), "--json").out)["order"]
    assert (asked["motion_deg"], asked["tilt"]) == (pytest.approx(420.0), None)
    assert 'tilt = "negative" at bore' in run("offsets", job(text + bore + slot)).out.replace("\n", " ")
    # By nest there is nothing to choose.
    by_nest = text.replace("by tilt", "by nest")
    assert json.loads(run("offsets", job(by_nest + bore + slot), "--json").out)["order"]["tilt"] is None


def test_a_correction_that_turns_all_alike_leaves_the_choice_of_tilts(run, job):
    """The bore at its other tilt stands at C 270 as the slot does, and does so still when C is turned in every offset."""
    text = HEAD + 'order = "by tilt"\n' + PLATE + nest("left", -40.0) + nest("right", 40.0) + FACE
    text += '[[operation]]\nname = "bore"\nnormal = [0.5, 0, 0.8660254037844386]\n'
    text += '[[operation]]\nname = "slot"\nat = { A = 30, C = 270 }\n'
    report = json.loads(run("offsets", job(text), "--json").out)
    text += '[correction]\ndate = "2026-03-02T14:10:00+01:00"\nmeasured = "a.csv"\ncause = "plate: turn"\nturn = 2.0\n'
    for one in report["operations"]:
        at = [one["offset"][axis] for axis in "XYZ"]
        names = f'operation = "{one["name"]}"\nnest = "{one["nest"]}"\n'
        text += f"[[correction.offset]]\n{names}before = {at}\nafter = {at}\n"
    corrected = json.loads(run("offsets", job(text), "--json").out)
    assert corrected["operations"][0]["offset"]["C"] == pytest.approx(2.0)
    assert report["order"]["tilt"]["better"] is not None
    assert corrected["order"]["tilt"]["better"] == {
        **report["order"]["tilt"]["better"],
        "motion_deg": pytest.approx(report["order"]["tilt"]["better"]["motion_deg"]),
    }


@pytest.mark.parametrize("seed", range(cases(40)))
def test_no_choice_of_tilts_and_order_has_less_motion_by_trying_them_all(run, job, seed):
    """Each choice written into the file in turn; the order of each is held to brute force in test_work_order.py."""
    random = np.random.default_rng(seed)
    text = HEAD + 'order = "by tilt"\n' + PLATE + nest("left", -40.0) + nest("right", 40.0) + FACE
    ports = []
    for name in ("bore", "slot", "port")[: 2 + seed % 2]:
        tilt, turn = np.radians(
            [random.uniform(10.0, 60.0), random.choice([0.0, 90.0, random.uniform(0, 360)])]
        )
        normal = [np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)]
        ports.append(f'[[operation]]\nname = "{name}"\nnormal = {list(map(float, normal))}\n')
    mill = mill_text(limits="[-90.0, 90.0]")
    motions = []
    for tilts in itertools.product(("positive", "negative"), repeat=len(ports)):
        asked = "".join(f'{one}tilt = "{tilt}"\n' for one, tilt in zip(ports, tilts, strict=True))
        motions.append(
            json.loads(run("offsets", job(text + asked, mill), "--json").out)["order"]["motion_deg"]
        )
    order = json.loads(run("offsets", job(text + "".join(ports), mill), "--json").out)["order"]
    better = order["tilt"]["better"]
    assert order["tilt"]["compared"]
    # What saves less than half a degree is not worth a changed file.
    least = order["motion_deg"] if better is None else better["motion_deg"]
    assert min(motions) - 1e-6 <= least <= min(motions) + 0.5


def test_a_tilt_beyond_half_a_turn_is_no_tilt_of_the_other_sign(run, job):
    """A rotary with limits of 0 to 270 reaches the bore at A 150 and at A 210: both positive, so there is no tilt to ask for."""
    text = HEAD + 'order = "by tilt"\n' + PLATE + nest("left", -40.0) + nest("right", 40.0) + FACE
    bore = '[[operation]]\nname = "bore"\nnormal = [0, -0.5, -0.8660254037844386]\n'
    slot = '[[operation]]\nname = "slot"\nat = { A = 210, C = 180 }\n'
    mill = mill_text(limits="[0.0, 270.0]")
    order = json.loads(run("offsets", job(text + bore + slot, mill), "--json").out)["order"]
    assert order["tilt"] is None
    refused = run("offsets", job(text + bore + 'tilt = "negative"\n' + slot, mill), "--json")
    assert refused.code == 1


def test_the_order_of_work_lists_machine_and_program_angles(run, job):
    """Nests that are squared up: one machine angle, two program angles, and the other way round."""
    text = (
        HEAD
        + 'order = "by tilt"\nsquare_up = "C"\n'
        + PLATE
        + nest("left", -40.0)
        + nest("right", 40.0, 0.5)
        + FACE
    )
    path = job(text)
    order = json.loads(run("offsets", path, "--json").out)["order"]
    assert [one["machine"]["C"] for one in order["operations"]] == pytest.approx([0.0, 0.5])
    assert [one["program"]["C"] for one in order["operations"]] == [0.0, 0.0]
    for command in ("offsets", "sheet"):
        told = run(command, path).out
        assert "0.5000" in told
        assert "face in nest right" in told
    # Each nest's own sheet has the whole order.
    assert "face in nest left" in run("sheet", path, "--nest", "right").out


@pytest.mark.parametrize("turn", [0.0, 0.5])
def test_a_sheet_numbers_its_operations_in_the_order_of_work(run, job, turn):
    """Page 1 said 1 2 3 where the order of work was 1 3 2: each number now stands once in all nests' sheets.

    With two nests alike, both parts are done at one pose, and still have a number each.
    """
    text = HEAD + 'order = "by tilt"\n' + PLATE + nest("left", -40.0) + nest("right", 40.0, turn) + FACE
    bore = '[[operation]]\nname = "bore"\nat = { A = -90, C = 0 }\n'
    slot = '[[operation]]\nname = "slot"\nat = { A = -45, C = 0 }\n'
    path = job(text + bore + slot)
    listed: dict[str, str] = {}
    numbered: dict[str, str] = {}
    for one in ("left", "right"):
        told = run("sheet", path, "--nest", one).out
        listed |= {
            name: n for n, name in re.findall(r"^ *(\d+) .* G\d\d  +(\w+ in nest \w+)", told, re.MULTILINE)
        }
        table = re.findall(r"(\d+)\. (face|bore|slot)\b", told)
        numbered |= {f"{name} in nest {one}": n for n, name in table}
    assert numbered == listed
    assert sorted(numbered.values()) == ["1", "2", "3", "4", "5", "6"]


def test_time_of_the_index_moves_where_speeds_are_stated(run, job, examples):
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    mill = re.sub(r'(letter = "[AC]")', r"\1\nindex_speed = 30.0", mill)
    order = json.loads(run("offsets", job(HEAD + TWO + FACE + PORT, mill), "--json").out)["order"]
    # The port is at C180. C turns half round and back in each nest, the slower of the two: 4 times 180 degrees at 30 a
    # second are 24 s, less the right nest's clocking of 0.5 degrees twice.
    assert order["index_s"] == pytest.approx(24.0, abs=0.05)


def test_nests_that_do_not_fit_have_loaders_of_their_own(run, job, tmp_path):
    nests = "".join(nest(name, x) for name, x in (("a", -60.0), ("b", -20.0), ("c", 20.0), ("d", 60.0)))
    pattern = "repeat = { count = 3, step = 30 }\n"
    path = job(HEAD + PLATE + nests + PORT + pattern)
    ended = run("offsets", path, "--gcode", "-o", tmp_path / "load.nc")
    assert ended.code == 0
    assert sorted(file.name for file in tmp_path.glob("*.nc")) == ["load-1.nc", "load-2.nc"]
    first, second = ((tmp_path / f"load-{k}.nc").read_text(encoding="utf-8") for k in (1, 2))
    assert [number for number, _ in g10(first)] == [f"P{k}" for k in range(9, 0, -1)]
    assert [number for number, _ in g10(second)] == ["P9", "P8", "P7"]
    assert "(Run it before: port 1 in nest d)" in second
    assert "caution" in second
    # Nothing is overwritten: the second run refuses, and leaves both as they were.
    again = run("offsets", path, "--gcode", "-o", tmp_path / "load.nc")
    assert again.code == 2
    assert "load-1.nc" in again.err


def two_jobs(tmp_path, job, first, second):
    left = job(HEAD + PLATE + first)
    right = tmp_path / "right.toml"
    right.write_text(HEAD.replace("Feet", "Arms") + PLATE + second, encoding="utf-8")
    return left, right


def test_two_jobs_on_one_table_share_no_offset(run, job, tmp_path):
    left, right = two_jobs(tmp_path, job, FACE + PORT, FACE + "work_offset = 2\n")
    report = json.loads(run("offsets", left, right, "--json").out)
    assert [(one["job"], one["name"], one["work_offset"]) for one in report["operations"]] == [
        ("Feet", "face", 1),
        ("Feet", "port", 3),
        ("Arms", "face", 2),
    ]
    assert "Feet" in run("offsets", left, right).out


def test_what_two_jobs_both_claim_is_an_error(run, job, tmp_path):
    left, right = two_jobs(tmp_path, job, FACE + "work_offset = 1\n", FACE + "work_offset = 1\n")
    ended = run("offsets", left, right, "--gcode", "-o", tmp_path / "load.nc")
    assert (ended.code, ended.out) == (2, "")
    assert 'right.toml:10: operation 1, work_offset: found 1 (G54) for "face", which' in ended.err
    assert not list(tmp_path.glob("*.nc"))
    twice = run("offsets", left, left)
    assert (twice.code, twice.out) == (2, "")


def test_two_jobs_on_two_machines_are_refused(run, job, tmp_path, examples):
    left, right = two_jobs(tmp_path, job, FACE, FACE)
    (tmp_path / "other.toml").write_text(
        (examples / "teaching_mill.toml").read_text(encoding="utf-8").replace("-356.112", "-356.113"),
        encoding="utf-8",
    )
    text = right.read_text(encoding="utf-8").replace("teaching_mill.toml", "other.toml")
    right.write_text(text, encoding="utf-8")
    assert "one machine for jobs that are loaded together" in run("offsets", left, right).err


def test_one_number_in_two_nests_by_tilt_is_an_error(run, job):
    numbered = FACE + "work_offset = 1\n"
    ended = run("offsets", job(HEAD + 'order = "by tilt"\n' + TWO + numbered))
    assert ended.code == 2
    assert 'for "face" in nest "right", whose values differ from those of "face" in nest "left"' in ended.err
    by_nest = json.loads(run("offsets", job(HEAD + TWO + numbered), "--json").out)
    assert [(one["work_offset"], one["loader"]) for one in by_nest["operations"]] == [(1, 1), (1, 2)]


def test_a_part_touched_off_and_clocked_in_a_nest(run, job):
    """The part as a last step: what the touch-off and the clocking say, put into the file instead."""
    path = job(HEAD + TWO + FACE + PORT)
    nominal = json.loads(run("offsets", path, "--nest", "left", "--json").out)["operations"]
    typed = run("offsets", path, "--nest", "left", "--touched", "-421.0,-203.4,-276.1", "--pose", "A0,C0",
                "--clock", "0.25", "--json")  # fmt: skip
    report = json.loads(typed.out)
    part = report["touched"]["difference"]
    extra = (
        f'[[nest.step]]\nname = "part"\nup = {part[2]!r}\nshift = [{part[0]!r}, {part[1]!r}]\nturn = 0.25\n'
    )
    stated = json.loads(
        run("offsets", job(HEAD + PLATE + nest("left", -40.0, extra=extra) + nest("right", 40.0, 0.5) + FACE), "--nest", "left", "--json").out
    )  # fmt: skip
    found, expected = report["operations"][0], stated["operations"][0]
    assert [found["offset"][a] for a in "XYZ"] == pytest.approx(
        [expected["offset"][a] for a in "XYZ"], abs=1e-9
    )
    # The program of an aimed operation keeps its angles, whatever the part's clocking.
    assert [one["program"] for one in report["operations"]] == [one["program"] for one in nominal]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--touched", "0,0,0", "--pose", "A0,C0"], "--touched with --nest"),
        (["--at", "A0"], "--at, --grid with --nest"),
        (["--clock", "0.1"], "--clock with --touched"),
        (
            ["--nest", "left", "--touched", "-421,-203.4,-276", "--pose", "A0,C0", "--clock", "a bit"],
            "--clock",
        ),
    ],
)
def test_options_that_need_a_nest_or_a_touch_off(run, job, options, words):
    ended = run("offsets", job(HEAD + TWO + FACE), *options)
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err


def test_nests_whose_vices_overlap_are_refused(run, job, tmp_path):
    bar = "bar = [60.0, 60.0]\n"
    path = job(HEAD + PLATE + nest("left", -20.0, extra=bar) + nest("right", 20.0, extra=bar) + FACE)
    for command in (["offsets", path, "--gcode", "-o", tmp_path / "load.nc"], ["reach", path]):
        ended = run(*command)
        assert (ended.code, ended.out) == (2, "")
        assert (
            'nest 2, name: found "right", whose "right vice" overlaps "left vice" of nest "left"' in ended.err
        )
    assert not list(tmp_path.glob("*.nc"))


def test_a_tool_without_a_table_is_no_matter_of_offsets(run, job):
    bar = "bar = [30.0, 30.0]\n"
    path = job(
        HEAD
        + PLATE
        + nest("left", -40.0, extra=bar)
        + nest("right", 40.0, extra=bar)
        + FACE
        + 'tool = "mill"\n'
    )
    assert run("offsets", path).code == 0


CLAMP = '[[solid]]\nname = "clamp"\non = "{on}"\nnest = "left"\nbox = {{ low = [0, -5, -5], high = [70, 5, 5] }}\n'


@pytest.mark.parametrize(("on", "reaches"), [("part", True), ("left vice", False)])
def test_solids_of_two_nests_that_overlap_are_refused(run, job, on, reaches):
    """The left nest's clamp stands 70 out to the right: at part zero it meets the block there, 60 lower it does not."""
    block = CLAMP.replace('"left"', '"right"').replace("clamp", "block").format(on="part").replace("70", "5")
    ended = run("offsets", job(HEAD + TWO + FACE + CLAMP.format(on=on) + block.replace("[0,", "[-15,")))
    assert ended.code == (2 if reaches else 0), ended.err
    if reaches:
        assert 'nest 2, name: found "right", whose "block" overlaps "clamp" of nest "left"' in ended.err


def test_two_jobs_whose_solids_overlap_are_refused(run, job, tmp_path):
    def on_table(x, name="vice", plate=20.0):
        return (
            HEAD + f'[[stack]]\nname = "plate"\nup = {plate}\nround = 150.0\n'
            f'[[stack]]\nname = "{name}"\nup = 60.0\nshift = [{x}, 0.0]\nbar = [50.0, 50.0]\n' + FACE
        )

    first, second = job(on_table(-30.0)), tmp_path / "second.toml"
    # The plate is one in both: it has one name and one place.
    second.write_text(on_table(30.0), encoding="utf-8")
    assert run("offsets", first, second).code == 0
    second.write_text(on_table(10.0, "other vice"), encoding="utf-8")
    ended = run("offsets", first, second)
    assert (ended.code, ended.out) == (2, "")
    assert 'second.toml:1: name: found "Feet", whose "other vice" overlaps "vice" of ' in ended.err
    second.write_text(on_table(30.0, plate=21.0), encoding="utf-8")
    assert 'whose "plate" overlaps "plate"' in run("offsets", first, second).err


TOOL = '[[tool]]\nname = "cutter"\nlength = 90.0\ndiameter = 20.0\nflute = 20.0\n'


def test_the_other_nest_is_in_the_way(run, job):
    """The left nest's cutter sweeps to the right: 40 mm apart it cuts into the right blank, 200 mm away it does not."""
    sweep = (
        FACE
        + 'tool = "cutter"\nsweep = { x = [0.0, 45.0], y = [0.0, 0.0], z = [-10.0, 0.0] }\nnests = ["left"]\n'
    )
    top = '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\ntool = "cutter"\nnests = ["right"]\n'
    bar = "bar = [30.0, 30.0]\nblank = true\n"
    near = HEAD + PLATE + nest("left", -40.0, extra=bar) + nest("right", 20.0, extra=bar) + sweep + top + TOOL
    ended = run("reach", job(near))
    assert ended.code == 1
    assert "right vice of nest right" in ended.err
    far = near.replace("shift = [20.0", "shift = [120.0")
    clear = run("reach", job(far), "--json")
    report = json.loads(clear.out)
    (face,) = (one for one in report["operations"] if one["name"] == "face")
    assert face["nest"] == "left"
    assert not face["too_near"]


def test_index_moves_run_in_the_order_of_work(run, job):
    report = json.loads(
        run("reach", job(HEAD + 'order = "by tilt"\nsquare_up = "C"\n' + TWO + FACE + PORT), "--json").out
    )
    ends = [(one["from"], one["to"]) for one in report["index_moves"]]
    names = {name for pair in ends for name in pair if name}
    assert {"face in nest left", "port in nest right"} <= names


def test_touched_off_nests_go_by_their_own(run, job):
    touched = '[nest.touched]\nX = -421.0\nY = -203.4\nZ = -276.1\npose = { A = 0, C = 0 }\nuse = "touched"\n'
    path = job(HEAD + PLATE + nest("left", -40.0, extra=touched) + nest("right", 40.0) + FACE)
    evaluated = evaluate_nests([read_job(path)])
    left, right = evaluated.nests
    assert left.touch is not None
    assert right.touch is None
    assert left.operations[0].placed.offset_mm == pytest.approx(np.array([-421.0, -203.4, -276.1]), abs=1e-9)
    far = job(path.read_text(encoding="utf-8").replace("-276.1", "-270.1"))
    ended = run("offsets", far, "--gcode")
    assert (ended.code, ended.out) == (1, "")
    assert "left" in ended.err


def test_only_a_step_of_the_nest_itself_is_studied_for_its_height(run, job):
    bar = "bar = [30.0, 30.0]\n"
    path = job(HEAD + PLATE + nest("left", -40.0, extra=bar) + nest("right", 40.0, extra=bar) + FACE + TOOL)
    shared = run("reach", path, "--nest", "left", "--size", "plate")
    assert (shared.code, shared.out) == (2, "")
    assert '--size: found "plate"; allowed: a step of the nest itself: "left vice"' in shared.err
    assert run("reach", path, "--nest", "left", "--size", "left vice", "--between", "40:80").code in {0, 1}
    for step in ("plate", "left vise"):
        ended = run("reach", path, "--size", step)
        assert (ended.code, ended.out) == (2, "")
        assert 'allowed: a step of a nest itself: "left vice" or "right vice"' in ended.err


def test_a_step_that_several_nests_have_is_studied_in_each(run, job):
    text = HEAD + PLATE + nest("left", -40.0) + nest("right", 40.0) + FACE + TOOL
    text = (
        text.replace("left vice", "vice")
        .replace("right vice", "vice")
        .replace("up = 60.0", "up = 60.0\nbar = [30.0, 30.0]")
    )
    path = job(text)
    options = ("--size", "vice", "--between", "40:80")
    found = json.loads(run("reach", path, *options, "--json").out)
    assert [one["nest"] for one in found["nests"]] == ["left", "right"]
    assert found["schema"] == "tiltwright.reach-size/1"
    for one in found["nests"]:
        alone = json.loads(run("reach", path, *options, "--nest", one["nest"], "--json").out)
        assert one["heights"] == alone["heights"]
    said = run("reach", path, *options).out
    assert said.index("NEST left") < said.index("NEST right")


def test_what_is_said_of_one_nest_names_it_in_every_command(run, job):
    """The right nest is clocked by half a degree: `sheet` and `budget` say which, and say what is true of both once."""
    path = job(HEAD + 'order = "by tilt"\n' + TWO + FACE + PORT)
    for command in ("offsets", "sheet", "budget"):
        told = run(command, path).err.splitlines()
        assert len(told) == len(set(told))
        assert next(line for line in told if "off square" in line).startswith("caution: right: face: ")
        assert sum("out of the order of the file" in line for line in told) == 1


def test_a_sheet_refuses_nests_that_overlap(run, job):
    bars = [nest(name, x, extra="bar = [60.0, 60.0]\n") for name, x in (("left", -20.0), ("right", 20.0))]
    path = job(HEAD + PLATE + "".join(bars) + FACE)
    refused = run("offsets", path)
    assert refused.code == 2
    assert (run("sheet", path).code, run("sheet", path).err) == (2, refused.err)


@pytest.mark.parametrize("command", ["page", "explain", "check", "aim"])
def test_commands_that_look_at_one_nest_say_so_in_their_help(run, command):
    assert "needs it, one at a time" in " ".join(run(command, "--help").out.split())
    assert "needs it" not in run("offsets", "--help").out


def test_a_lost_sign_that_puts_two_parts_in_one_place_is_a_fault(run, job):
    """Vices at -40 and 40, a hundredth apart in height; with the minus lost the second stands in the first."""
    apart = HEAD + PLATE + nest("left", -40.0) + nest("right", 40.0, up=60.01) + FACE
    assert run("offsets", job(apart)).code == 0
    refused = run("offsets", job(apart.replace("[40.0, 0.0]", "[-40.0, 0.0]")))
    assert (refused.code, refused.out) == (2, "")
    assert "or the `shift` its sign?" in refused.err
