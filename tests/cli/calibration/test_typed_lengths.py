"""Lengths typed with a unit at options, and targets typed or planned in millimetres where the unit is inch."""

import json

import pytest

PLAN = """
name = "Balls"
units = "inch"
repeatability = 0.0001
choose = 6
[[target]]
name = "ball 1"
kind = "ball"
at = [[AT]]
diameter = 0.75
"""


def test_millimetres_in_an_inch_plan_are_recognised(run, examples, tmp_path):
    """The ball's own place in inches is read; the same place in millimetres is named as such."""
    machine, plan = examples / "teaching_mill.toml", tmp_path / "plan.toml"
    plan.write_text(PLAN.replace("AT", "-13.03, -8.008, -12.22"), encoding="utf-8")
    assert run("pivot", "plan", plan, "-m", machine).code == 0
    plan.write_text(PLAN.replace("AT", "-331.0, -203.4, -310.5"), encoding="utf-8")
    ended = run("pivot", "plan", plan, "-m", machine)
    assert (ended.code, ended.out) == (2, "")
    assert "these look like millimetres" in ended.err
    # Neither unit brings this one inside: it gets no such tip.
    plan.write_text(PLAN.replace("AT", "-9000.0, -203.4, -310.5"), encoding="utf-8")
    ended = run("pivot", "plan", plan, "-m", machine)
    assert ended.code == 2
    assert "look like" not in ended.err


def reach(run, examples, *options):
    ended = run("reach", examples / "tide_gauge_head.toml", "--json", *options)
    assert ended.code in {0, 1}, ended.err
    return json.loads(ended.out)


@pytest.mark.usefixtures("reach_once")
@pytest.mark.parametrize("option", ["--clear", "--margin"])
def test_lengths_of_reach_may_carry_their_unit(run, examples, option):
    plain = reach(run, examples, option, "12.7")
    assert reach(run, examples, option, "0.5 in") == plain
    assert reach(run, examples, option, "12.7mm") == plain
    assert plain != reach(run, examples, option, "0.5")


def test_the_position_of_a_practice_machine_may_carry_its_unit(run, examples, tmp_path):
    written = []
    for text in ("0.254", "0.01 in", "0.01"):
        path = tmp_path / f"practice {len(written)}"
        ended = run(
            "pivot",
            "practice",
            "-m",
            examples / "teaching_mill.toml",
            "--position",
            text,
            "--seed",
            "3",
            "-o",
            path,
        )
        assert ended.code == 0, ended.err
        written.append((path / "readings.csv").read_text(encoding="utf-8"))
    assert written[0] == written[1] != written[2]


@pytest.mark.parametrize("option", ["--clear", "--margin"])
@pytest.mark.parametrize("text", ["two", "1 ft of it", "nan"])
def test_what_is_no_length_is_refused_with_its_option(run, examples, option, text):
    ended = run("reach", examples / "tide_gauge_head.toml", option, text)
    assert (ended.code, ended.out) == (2, "")
    assert option in ended.err


def test_inches_in_a_plan_in_millimetres_are_recognised(run, examples, tmp_path):
    """-331.0, -203.4, -310.5 mm are -13.0, -8.0, -12.2 in: inside the travels too, and a third of a metre off the table."""
    machine = examples / "teaching_mill.toml"
    plan = (examples / "pivots" / "spring_check.toml").read_text(encoding="utf-8")
    path = tmp_path / "plan.toml"
    path.write_text(plan.replace("[-331.0, -203.4, -310.5]", "[-13.03, -8.01, -12.22]"), encoding="utf-8")
    refused = run("pivot", "plan", path, "-m", machine)
    assert refused.code == 2
    assert "target 1, at" in refused.err
    assert "look like inches" in refused.err
    typed = ["--target", "b,ball,-13.03,-8.01,-12.22", "--repeatability", "0.002", "-m", machine]
    assert "look like inches" in run("pivot", "plan", *typed).err
    # A ball on a high post is no inch.
    path.write_text(plan.replace("[-331.0, -203.4, -310.5]", "[-331.0, -203.4, -110.5]"), encoding="utf-8")
    assert "inches" not in run("pivot", "plan", path, "-m", machine).err
