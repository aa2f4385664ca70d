"""Whoever is asked for a Z is told what must be in the spindle and in the length offset, in the same words everywhere."""

import pytest

from tiltwright.files.z_reading import ANY_Z, GAUGE_LINE_Z, REFERENCE_TOOL_Z

JOB = """
name = "Bracket"
units = "mm"
machine = "teaching_mill.toml"
[[stack]]
name = "post"
up = 100.0
[touched]
X = -381.025
Y = -203.405
Z = -256.112
pose = { A = 0, C = 0 }
use = "touched"
[[operation]]
name = "top"
at = { A = 0, C = 0 }
"""


def flat(text):
    return " ".join(text.replace("│", " ").split())


@pytest.fixture
def mills(examples):
    """The teaching mill, its Z read at the gauge line, and with a reference tool of 30 mm."""
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    with_tool = mill.replace(
        'z_reference = "gauge line"', 'z_reference = "reference tool"\nreference_tool_length = 30.0'
    )
    return {GAUGE_LINE_Z: mill, REFERENCE_TOOL_Z: with_tool}


@pytest.mark.parametrize("words", [GAUGE_LINE_Z, REFERENCE_TOOL_Z])
def test_the_sheet_of_a_touch_off(run, job, mills, words):
    assert words in flat(run("sheet", job(JOB, mills[words])).out)


@pytest.mark.parametrize(("words", "holds"), [(GAUGE_LINE_Z, "148.5"), (REFERENCE_TOOL_Z, "118.5")])
def test_the_plan_and_its_program(run, examples, tmp_path, mills, words, holds):
    """The example's probe is 148.5 long and has length offset 20; 30 less with a reference tool of 30."""
    mill, program = tmp_path / "mill.toml", tmp_path / "probe.nc"
    mill.write_text(mills[words], encoding="utf-8")
    plan = examples / "pivots" / "spring_check.toml"
    ended = run("pivot", "plan", plan, "--machine", mill, "--gcode", program)
    assert ended.code == 0, ended.err
    assert words in flat(ended.out)
    (line,) = [one for one in program.read_text(encoding="ascii").splitlines() if "H20 must hold" in one]
    assert f"H20 must hold {holds}," in line


def test_a_worksheet_of_practice(run, examples, tmp_path):
    folder = tmp_path / "practice"
    mill = examples / "teaching_mill.toml"
    ended = run("pivot", "practice", "-m", mill, "-o", folder, "--seed", "3")
    assert ended.code == 0, ended.err
    sheets = [path.read_text(encoding="utf-8") for path in folder.rglob("*.md")]
    assert any(GAUGE_LINE_Z in flat(text).replace("\\", "") for text in sheets)


def test_the_keys_and_the_options(run, examples):
    """The descriptions of [touched] Z, a pivot's point and the platter's face, and the help of --zero."""
    assert run("schema", "job").out.count(ANY_Z) == 1
    assert run("schema", "machine").out.count(ANY_Z) == 2
    assert ANY_Z in flat(run("offsets", "--help").out)
    assert ANY_Z in flat(run("offsets", "--machine", examples / "teaching_mill.toml", "--at", "A0").err)
