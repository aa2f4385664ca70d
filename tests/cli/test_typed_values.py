"""Values typed after options that no machine has: told as such, with the option's name, and no crash."""

import pytest

CHART = ("batch", "chart", "sensor_feet.toml")
FIT = ("pivot", "fit", "pivots/spring_check.csv", "-m", "teaching_mill.toml")
PLAN = ("pivot", "plan", "pivots/spring_check.toml", "-m", "teaching_mill.toml")
TYPED_PLAN = ("pivot", "plan", "-m", "teaching_mill.toml", "--target", "ball 1,ball,-340,-203,-310")


@pytest.mark.parametrize(
    ("words", "option"),
    [
        ((*FIT, "--sigma", "1e-170"), "--sigma"),
        ((*FIT, "--sigma", "0"), "--sigma"),
        ((*TYPED_PLAN, "--repeatability", "1e-170"), "--repeatability"),
        ((*TYPED_PLAN, "--repeatability", "0.002", "--choose", "0"), "--choose"),
        ((*PLAN, "--choose", "0"), "--choose"),
        ((*PLAN, "--repeatability", ""), "--repeatability"),
        ((*CHART, "--sigma", "1e-170"), "--sigma"),
        ((*CHART, "--minutes", "nan"), "--minutes"),
        ((*CHART, "--minutes", "inf"), "--minutes"),
        (("offsets", "tide_gauge_head.toml", "--grid", "A=-90:0:1e-310"), "--grid"),
        (("offsets", "tide_gauge_head.toml", "--grid", "A=0:-90:-1e-300"), "--grid"),
    ],
)
def test_a_value_that_cannot_be_is_told(run, examples, monkeypatch, words, option):
    monkeypatch.chdir(examples)
    ended = run(*words)
    assert ended.code == 2
    assert ended.err.startswith(f"error: {option}:")
    assert ended.err.count("error:") == 1


@pytest.mark.parametrize(
    ("words", "plain"),
    [
        (("pivot", "restore", "0.5", "-m", "x.toml"), "not a whole number"),
        (("lesson", "new", "x", "--level", "one-tilt", "--seed", "-3"), "below 0"),
        (("lesson", "new", "x", "--level", "one-tilt", "--seed", "1", "--students", "4000"), "1 to 999"),
        ((*CHART, "--minutes", "abc"), "not a number"),
    ],
)
def test_the_parser_speaks_plainly(run, words, plain):
    ended = run(*words)
    assert ended.code == 2
    assert plain in ended.err
