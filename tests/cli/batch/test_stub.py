"""`batch stub`: the library's figures at every operation, and the unloading pose through `reach`."""

import json

import numpy as np
import pytest

from kinematics.batch import Stub, breaking_force_n, stub_load
from kinematics.reach import Section

HEAD = 'name = "Feet"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
STACK = (
    '[[stack]]\nname = "vice"\nup = 60.0\nbar = [60.0, 60.0]\n'
    '[[stack]]\nname = "foot"\nup = 30.0\nbar = [30.0, 30.0]\nblank = true\n'
)
FACE = '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\nforce = "300 N"\ntool = "mill"\nsweep = { x = [-15, 15], z = [-2, 0] }\n'
SLOT = '[[operation]]\nname = "slot"\nat = { A = -90, C = 0 }\norigin = [0, -15, -10]\ntool = "mill"\n'
MILL = '[[tool]]\nname = "mill"\nlength = 100.0\ndiameter = 20.0\n'
STUB = (
    '[stub]\nround = 8.0\nlength = 3.0\nhead = [0, 0, -20.0]\nmaterial = "aluminium"\nstrength = "290 MPa"\n'
)
UNLOAD = "unload = { A = 0, C = 90 }\n"
JAW = (
    '[[solid]]\nname = "jaw"\non = "gripper"\nbox = { low = [15.0, -8.0, -12.0], high = [25.0, 8.0, 20.0] }\n'
)


def study(run, path, *options):
    ended = run("batch", "stub", path, "--json", *options)
    return ended, json.loads(ended.out)


def test_the_worst_of_the_sweep_s_corners(run, job):
    ended, found = study(run, job(HEAD + STACK + FACE + SLOT + MILL + STUB + 'grip = 12.0\narm = "900 N"\n'))
    (one,) = found["stubs"]
    assert found["schema"] == "tiltwright.batch-stub/1"
    face, slot = one["operations"]
    assert (slot["force_N"], slot["stress_MPa"], slot["holds"]) == (None, None, None)
    assert any("slot" in words for words in found["not_checked"])
    stub = Stub(Section(diameter_mm=8.0), 3.0, 68.9, 290.0)
    way = np.random.default_rng(1).normal(size=(20_000, 3))
    force = 300.0 * way / np.linalg.norm(way, axis=-1, keepdims=True)
    tried = stub_load(stub, force, [15.0, 0.0, 20.0])
    assert face["stress_MPa"] == pytest.approx(tried.stress_mpa.max(), rel=0.01)
    assert face["moved"] == pytest.approx(np.linalg.norm(tried.deflection_mm, axis=-1).max(), rel=0.01)
    assert one["breaking_N"] == pytest.approx(breaking_force_n(stub, 12.0))
    assert one["breaks_off"] == (one["breaking_N"] <= 900.0)
    assert ended.code == (0 if found["holds"] else 1)


def test_what_does_not_hold_is_a_no(run, job):
    weak = STUB.replace("8.0", "5.0") + 'grip = 12.0\narm = "50 N"\n'
    ended, found = study(run, job(HEAD + STACK + FACE + MILL + weak))
    assert (ended.code, found["holds"], len(found["failures"])) == (1, False, 2)
    assert found["stubs"][0]["breaks_off"] is False
    assert ended.err.count("FAIL") == 2


def test_the_unloading_pose_goes_through_reach(run, job):
    text = HEAD + STACK + FACE + MILL + STUB + UNLOAD + JAW
    ended, found = study(run, job(text))
    (one,) = found["stubs"]
    assert one["unloading"]["machine"] == {"A": 0.0, "C": 90.0}
    # The jaw ends 12 below part zero, the vice's top lies 30 below it.
    nearest = one["unloading"]["gripper_nearest"]
    assert (nearest["obstacle"], nearest["distance"]) == ("vice", pytest.approx(18.0))
    assert ended.code == 0
    assert {(move["from"], move["to"]) for move in one["index_moves"]} == {
        ("face", "unloading"),
        ("unloading", "start"),
    }
    reach = json.loads(run("reach", job(text), "--json").out)
    assert [pose["gripper_nearest"] for pose in reach["unloading"]] == [nearest]
    assert {("face", "unloading"), ("unloading", "start")} <= {
        (move["from"], move["to"]) for move in reach["index_moves"]
    }
    # At its operation the gripper is not there: the tool would run into it.
    assert reach["fits"]
    low = text.replace("-12.0], high", "-32.0], high")
    for command in (("batch", "stub"), ("reach",)):
        ended = run(*command, job(low))
        assert ended.code == 1
        assert "jaw" in ended.err


def test_a_gripper_that_is_not_stated_is_told_first(run, job):
    path = job(HEAD + STACK + FACE + MILL + STUB + UNLOAD)
    for command in (("batch", "stub"), ("reach",)):
        told = [line for line in run(*command, path).out.splitlines() if line.startswith("NOT CHECKED")]
        assert any("gripper" in line for line in told)
    ended = run("reach", path, "--size", "foot")
    assert "the unloading pose" in ended.out.split("\n\n")[0]


def test_nests_have_the_job_s_stub_or_their_own(run, job):
    nests = "".join(
        f'[[nest]]\nname = "{name}"\non = "platter"\n[[nest.step]]\nname = "{name} vice"\nup = 60.0\nshift = [{x}, 0.0]\n{own}'
        for name, x, own in (
            ("left", -40.0, ""),
            ("right", 40.0, STUB.replace("[stub]", "[nest.stub]").replace("8.0", "10.0") + UNLOAD),
        )
    )
    text = HEAD + nests + FACE.replace(", z = [-2, 0]", "") + MILL
    _, found = study(run, job(text + STUB))
    assert [one["nest"] for one in found["stubs"]] == ["left", "right"]
    left, right = (one["operations"][0]["stress_MPa"] for one in found["stubs"])
    assert right < left
    assert [one["unloading"] is None for one in found["stubs"]] == [True, False]
    _, alone = study(run, job(text))
    assert ([one["nest"] for one in alone["stubs"]], alone["without_stub"]) == (["right"], ["left"])


def test_inches_are_shown(run, job):
    ended = run("batch", "stub", job(HEAD + STACK + FACE + MILL + STUB), "--units", "inch")
    assert "ksi" in ended.out
    assert "42.1" in ended.out  # 290 MPa


def test_a_job_without_a_stub_is_refused(run, job):
    ended = run("batch", "stub", job(HEAD + STACK + FACE + MILL))
    assert (ended.code, ended.out) == (2, "")
    assert "stub" in ended.err
