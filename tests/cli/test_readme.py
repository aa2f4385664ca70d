"""What the README says of the files: every key is in its tables, and its sample job is one."""

import re
from pathlib import Path

import pytest

from tiltwright.files import job_file, machine_file, plan_file, rule_file, solid_tables

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
TABLES = {
    "machine": [
        machine_file.MachineFile,
        machine_file.TravelTable,
        machine_file.RotaryTable,
        machine_file.PlatterTable,
    ],
    "job": [
        job_file.JobFile,
        job_file.StackTable,
        job_file.TouchedTable,
        job_file.OperationTable,
        job_file.RepeatTable,
    ],
    "plan": [plan_file.PlanFile, plan_file.TargetTable, plan_file.ProbeTable],
    "rule": [rule_file.RuleFile],
}
OWN_TABLES = {"travel", "rotary", "platter", "stack", "touched", "operation", "probe"}
REACH_TABLES = [getattr(solid_tables, name) for name in solid_tables.__all__ if name.endswith("Table")]


@pytest.mark.parametrize("kind", TABLES)
def test_every_key_has_its_line_and_no_other_has(kind):
    section = README.split(f"### Every key of a {kind} file")[1].split("\n## ")[0].split("\n### ")[0]
    cells = [line.split(" | ")[0] for line in section.splitlines() if line.startswith("| `")]
    told = [word.strip("[]") for cell in cells for word in re.findall(r"`([^`]+)`", cell)]
    keys = [key for table in TABLES[kind] for key in table.__struct_fields__]
    assert sorted(set(told)) == sorted(set(keys))
    # A key of two tables, such as name, has a line in each of them.
    for key in set(keys) - OWN_TABLES:
        assert told.count(key) == sum(key in table.__struct_fields__ for table in TABLES[kind]), key


def test_every_key_of_what_reach_needs_has_its_line():
    section = README.split("### Every key of what reach needs")[1].split("\n## ")[0].split("\n### ")[0]
    cells = [line.split(" | ")[0] for line in section.splitlines() if line.startswith("| `")]
    told = {word.strip("[]") for cell in cells for word in re.findall(r"`([^`]+)`", cell)}
    keys = {key for table in REACH_TABLES for key in table.__struct_fields__}
    # A sweep's axes are told with the operation's keys.
    assert told == keys | {"spindle", "holder", "tool", "solid", "material", "clear"}


def test_the_sample_job_works(run, examples, tmp_path):
    (sample,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    (tmp_path / "job.toml").write_text(sample, encoding="utf-8")
    (tmp_path / "mill.toml").write_bytes((examples / "teaching_mill.toml").read_bytes())
    ended = run("offsets", tmp_path / "job.toml")
    assert ended.code == 0
    # Squared up, the stated angles stay round.
    assert "0.3500" in ended.out
    assert run("offsets", tmp_path / "job.toml", "--gcode").code == 0


def test_stated_out_of_limits_is_2_and_out_of_reach_is_1(run, job):
    head = 'name = "Post"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[operation]]\nname = "under"\n'
    assert run("offsets", job(head + "at = { A = 45, C = 0 }\n")).code == 2
    assert run("offsets", job(head + "normal = [0, 0, -1]\n")).code == 1
