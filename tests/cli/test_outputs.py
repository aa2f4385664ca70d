"""Output files: never an input, never a folder, and every page of an older sheet is reported."""

import os

import pytest

from renew_sheets import DATE


@pytest.fixture
def shop(examples, tmp_path, monkeypatch):
    """A folder with a job and its machine in it, where the commands are typed."""
    for name in ("tide_gauge_head.toml", "teaching_mill.toml"):
        (tmp_path / name).write_bytes((examples / name).read_bytes())
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("output", "said"),
    [("tide_gauge_head.toml", "the job file itself"), ("teaching_mill.toml", "the machine file itself")],
)
def test_no_input_is_replaced(run, shop, output, said):
    before = (shop / output).read_bytes()
    for force in ([], ["--force"]):
        ended = run("offsets", "tide_gauge_head.toml", "--gcode", "-o", f"./{output}", *force)
        assert (ended.code, ended.out) == (2, "")
        assert said in ended.err
        assert "--force" not in ended.err
    assert (shop / output).read_bytes() == before


@pytest.mark.parametrize("make", [os.link, os.symlink])
def test_not_by_another_name_either(run, shop, make):
    make("tide_gauge_head.toml", "sheet.txt")
    before = (shop / "tide_gauge_head.toml").read_bytes()
    ended = run("sheet", "tide_gauge_head.toml", "-o", "sheet.txt", "--force")
    assert ended.code == 2
    assert "the job file itself" in ended.err
    assert (shop / "tide_gauge_head.toml").read_bytes() == before


@pytest.mark.usefixtures("shop")
def test_what_another_command_read_may_be_replaced(run):
    assert run("machine", "show", "teaching_mill.toml").code == 0
    ended = run("schema", "job", "-o", "teaching_mill.toml", "--force")
    assert ended.code == 0


@pytest.mark.parametrize("command", [["offsets", "JOB"], ["sheet", "JOB"], ["schema", "job"]])
@pytest.mark.parametrize("force", [[], ["--force"]])
def test_a_folder_is_no_output(run, shop, command, force):
    (shop / "out").mkdir()
    words = ["tide_gauge_head.toml" if word == "JOB" else word for word in command]
    ended = run(*words, "-o", "out/", *force)
    assert (ended.code, ended.out) == (2, "")
    assert "out: found a folder" in ended.err
    assert "give the name of a file" in ended.err


def test_a_machine_is_no_folder(run, shop):
    for force in ([], ["--force"]):
        ended = run("machine", "new", shop, *force)
        assert ended.code == 2
        assert "found a folder" in ended.err
        # Refused at once, before the first question.
        assert "What does the shop call" not in ended.err
    ended = run("machine", "new", shop / "none" / "mill.toml")
    assert ended.code == 2
    assert "no folder" in ended.err


def test_every_older_page_is_named(run, shop):
    for page in (3, 6, 7, 11):
        (shop / f"head-{page}.svg").write_text("older", encoding="utf-8")
    (shop / "head.svg").write_text("older", encoding="utf-8")
    (shop / "head-spare.svg").write_text("another", encoding="utf-8")
    refused = run("sheet", "tide_gauge_head.toml", "-o", "head.svg", "--date", DATE)
    assert refused.code == 2
    assert "head-3.svg" in refused.err
    assert not (shop / "head-1.svg").exists()
    ended = run("sheet", "tide_gauge_head.toml", "-o", "head.svg", "--date", DATE, "--force")
    assert ended.code == 0
    written = {line.split()[1] for line in ended.err.splitlines() if line.startswith("done:")}
    assert "head-3.svg" in written
    (note,) = [line for line in ended.err.splitlines() if "older sheet" in line]
    stale = {"head.svg", "head-6.svg", "head-7.svg", "head-11.svg"} - written
    assert {word.strip(",:") for word in note.split() if ".svg" in word} == stale


@pytest.mark.parametrize("date", ["", "  ", "1\n2", "\x1b[2J", "\u202e2025", "1" * 41])
@pytest.mark.usefixtures("shop")
def test_a_date_is_one_printable_line(run, date):
    ended = run("sheet", "tide_gauge_head.toml", "--date", date)
    assert (ended.code, ended.out) == (2, "")
    assert "--date" in ended.err
    assert "\x1b" not in ended.err


def test_no_answers_and_no_plan_are_replaced(run, shop, examples):
    (shop / "answers.md").write_text("operation,axis,value_mm\ntop port,X,-381.0\n", encoding="utf-8")
    plan = (examples / "pivots" / "spring_check.toml").read_text(encoding="utf-8")
    (shop / "plan.toml").write_text(plan, encoding="utf-8")
    for command, target in (
        (["check", "tide_gauge_head.toml", "answers.md", "-o", "answers.md"], "answers.md"),
        (["pivot", "plan", "plan.toml", "-m", "teaching_mill.toml", "--gcode", "plan.toml"], "plan.toml"),
    ):
        before = (shop / target).read_bytes()
        ended = run(*command, "--force")
        assert ended.code == 2
        assert f"{target}: found the" in ended.err
        assert "itself, an input" in ended.err
        assert (shop / target).read_bytes() == before


def test_a_calibration_still_changes_its_machine_file(run, shop, examples):
    before = (shop / "teaching_mill.toml").read_bytes()
    readings = examples / "pivots" / "spring_check.csv"
    words = ["pivot", "fit", readings, "-m", "teaching_mill.toml", "--write", "--who", "bay 2"]
    ended = run(*words, "--temperature", "20.5 C")
    assert ended.code == 0, ended.err
    assert (shop / "teaching_mill.toml").read_bytes() != before
