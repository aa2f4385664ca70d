"""The README and the walk-throughs: their commands run, their links lead somewhere, every key is documented."""

import re
import shlex
import shutil
from pathlib import Path

import pytest
from test_house import COMMANDS

from tiltwright.files import (
    job_file,
    machine_file,
    probing_files,
    probing_tables,
    solid_tables,
    uncertainty_tables,
)
from tiltwright.files.schema_types import FileTable

TOP = Path(__file__).parents[2]
PAGES = {name: (TOP / name).read_text(encoding="utf-8") for name in ("README.md", "examples/README.md")}
KEYS = (TOP / "examples" / "keys.md").read_text(encoding="utf-8")
README, WALK_THROUGHS = PAGES.values()


def blocks(page: str, language: str) -> list[str]:
    return re.findall(rf"^ *```{language}\n(.*?)^ *```", page, re.DOTALL | re.MULTILINE)


def commands(text: str) -> list[list[str]]:
    return [shlex.split(line)[1:] for line in text.splitlines() if line.strip().startswith("tiltwright ")]


def spans(page: str) -> list[str]:
    """The code between single backticks."""
    return re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", page, flags=re.DOTALL))


def test_the_readme_is_short_and_begins_with_two_commands():
    assert len(README.encode()) <= 9000
    assert len(blocks(README, "sh")[0].splitlines()) == 2


@pytest.fixture
def folder(examples, tmp_path, monkeypatch):
    shutil.copytree(examples, tmp_path / "examples", ignore=shutil.ignore_patterns("sheets"))
    monkeypatch.chdir(tmp_path / "examples")
    return tmp_path / "examples"


@pytest.mark.parametrize(
    "block", blocks(WALK_THROUGHS, "sh"), ids=lambda block: block.split("\n")[0].strip()[:40]
)
def test_the_walk_throughs_run(run, folder, block):
    (folder / "handed-in").mkdir()
    answers = "sheet,student,operation,axis,value_mm\n1,,electrode hole,X,-381.0\n"
    (folder / "handed-in" / "answers-01.csv").write_text(answers, encoding="utf-8")
    assert commands(block)
    for command in commands(block):
        ended = run(*command)
        assert ended.code in {0, 1}, (command, ended.err)
        assert ended.code == 0 or {"batch", "budget", "check", "correct", "lesson", "pivot", "reach"} & {
            command[0]
        }, (
            command,
            ended.err,
        )


def test_the_sample_job_and_the_readme_s_commands_run(run, folder):
    (sample,) = blocks(README, "toml")
    (folder / "job.toml").write_text(sample, encoding="utf-8")
    (folder / "mill.toml").write_bytes((folder / "teaching_mill.toml").read_bytes())
    ended = run("offsets", "job.toml")
    assert ended.code == 0
    # Squared up, the stated angles stay round.
    assert "0.3500" in ended.out
    assert run("offsets", "job.toml", "--gcode", "-o", "load.nc").code == 0
    for command in [one for span in spans(README) for one in commands(span)]:
        if command[:2] != ["machine", "new"] and not any(word.isupper() for word in command):
            assert run(*command).code == 0, command


def test_every_command_is_named_and_every_named_command_is_one(run):
    named = [span.removeprefix("tiltwright ") + " " for page in PAGES.values() for span in spans(page)]
    for command in COMMANDS:
        assert any(words.startswith(f"{' '.join(command)} ") for words in named), command
    rows = re.findall(r"^\| (`.*?) \|", README, re.MULTILINE)
    for name in (name for row in rows for name in re.findall("`([^`]+)`", row)):
        assert run(*name.split(), "--help").code == 0, name
    known = "".join(run(*command, "--help").out for command in COMMANDS)
    options = {
        word for page in PAGES.values() for span in spans(page) for word in re.findall("--[a-z-]+", span)
    }
    assert options
    assert all(f"{option} " in known for option in options), options


def slug(heading: str) -> str:
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


@pytest.mark.parametrize("name", PAGES)
def test_every_link_leads_somewhere(name):
    links = re.findall(r"\]\(([^)\s]+)\)", PAGES[name])
    assert links
    for link in links:
        path, _, anchor = link.partition("#")
        target = (TOP / name).parent / path if path else TOP / name
        assert target.exists(), link
        if anchor:
            headings = re.findall(r"^#+ (.*)$", target.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {slug(heading) for heading in headings}, link


def test_the_tables_of_keys_are_those_of_the_schema(run, tmp_path):
    assert run("schema", "--text", "-o", tmp_path / "keys.md").code == 0
    assert (tmp_path / "keys.md").read_text(encoding="utf-8") == KEYS


def test_every_key_of_every_table_is_in_them():
    modules = (
        job_file,
        machine_file,
        probing_files,
        probing_tables,
        solid_tables,
        uncertainty_tables,
    )
    tables = {
        t for m in modules for t in vars(m).values() if isinstance(t, type) and issubclass(t, FileTable)
    }
    documented = set(re.findall(r"^\| \**`(\w+)`", KEYS, re.MULTILINE))
    assert {key for table in tables for key in table.__struct_fields__} == documented


def test_stated_out_of_limits_is_2_and_out_of_reach_is_1(run, job):
    head = 'name = "Post"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[operation]]\nname = "under"\n'
    assert run("offsets", job(head + "at = { A = 45, C = 0 }\n")).code == 2
    assert run("offsets", job(head + "normal = [0, 0, -1]\n")).code == 1
