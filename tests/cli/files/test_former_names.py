"""Keys and options under their former names: still read, with a notice and nothing else changed."""

import pytest

from tiltwright.files import toml_source
from tiltwright.files.decoding import decode_table
from tiltwright.files.diagnostics import InputFaults
from tiltwright.files.probing_files import PlanFile


@pytest.fixture
def plan(examples, tmp_path):
    text = (examples / "pivots" / "spring_check.toml").read_text(encoding="utf-8")

    def write(ball: str):
        path = tmp_path / "plan.toml"
        path.write_text(text.replace("ball_diameter = 6.0", ball), encoding="utf-8")
        return path

    return write


def read(path):
    toml_source.forget()
    return decode_table(PlanFile, toml_source.load(path, "a plan file"))


def test_a_former_key_is_read_with_a_notice(plan):
    file, faults = read(plan("tip = 6.0"))
    assert not faults
    assert file.probe.ball_diameter == 6.0
    (notice,) = toml_source.notices()
    assert "ball_diameter" in notice
    file, _ = read(plan("ball_diameter = 6.0"))
    assert file.probe.ball_diameter == 6.0
    assert toml_source.notices() == ()


def test_a_fault_of_a_former_key_has_its_line(plan):
    path = plan("tip = -6.0")
    _, faults = read(path)
    with pytest.raises(InputFaults) as caught:
        faults.raise_if_any()
    (fault,) = caught.value.faults
    assert fault.line == path.read_text(encoding="utf-8").splitlines().index("tip = -6.0") + 1


def test_the_former_and_the_new_key_together_are_a_fault(plan):
    _, faults = read(plan("tip = 6.0\nball_diameter = 6.0"))
    (fault,) = faults.located()
    assert fault.key == "probe, tip"


def test_the_notice_is_printed_beside_the_result(run, examples, plan, tmp_path):
    mill = examples / "teaching_mill.toml"
    today = run("pivot", "plan", plan("ball_diameter = 6.0"), "-m", mill, "--form", tmp_path / "a.csv")
    former = run("pivot", "plan", plan("tip = 6.0"), "-m", mill, "--blank", tmp_path / "b.csv")
    assert (today.code, former.code) == (0, 0)
    assert former.out == today.out
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert "ball_diameter" in former.err
    assert "--form" in former.err
    assert "ball_diameter" not in today.err


def test_the_gage_line_is_the_gauge_line(run, examples, tmp_path):
    text = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    path = tmp_path / "mill.toml"
    path.write_text(text.replace('"gauge line"', '"gage line"'), encoding="utf-8")
    assert run("machine", "show", path, "--json").code == 0
