"""The examples' sheets, kept as golden files in examples/sheets; renew_sheets.py writes them anew."""

import re

import pytest

from renew_sheets import DATE, JOBS
from tiltwright.sheet.wording import STOP


@pytest.mark.parametrize("name", JOBS)
@pytest.mark.parametrize("ending", ["txt", "md"])
def test_the_examples_sheet_is_the_one_that_is_kept(run, examples, tmp_path, name, ending):
    target = tmp_path / f"sheet.{ending}"
    assert run("sheet", examples / f"{name}.toml", "-o", target, "--date", DATE).code == 0
    assert target.read_text(encoding="utf-8") == (examples / "sheets" / f"{name}.{ending}").read_text(
        encoding="utf-8"
    )


def test_on_screen_it_is_the_text(run, examples):
    ended = run("sheet", examples / f"{JOBS[0]}.toml", "--date", DATE)
    assert ended.out == (examples / "sheets" / f"{JOBS[0]}.txt").read_text(encoding="utf-8")


def test_the_sheet_is_in_the_unit_that_is_asked_for(run, examples):
    """25.4 mm to the inch exactly: Z -179.096 mm of the top port is -7.0510 in."""
    ended = run("sheet", examples / "tide_gauge_head.toml", "--units", "inch")
    assert "Lengths:      inches" in ended.out
    assert "-7.0510" in ended.out
    assert "-179.096" not in ended.out
    assert "G20" in ended.out


def test_a_collision_is_said_on_stderr_too(run, examples, tmp_path):
    for name in ("mast_cap.toml", "teaching_mill.toml"):
        text = (examples / name).read_text(encoding="utf-8")
        # A drill that is far too short puts its holder into the blank.
        (tmp_path / name).write_text(text.replace("length   = 148.0", "length   = 110.0"), encoding="utf-8")
    ended = run("sheet", tmp_path / "mast_cap.toml", "-o", tmp_path / "cap.txt")
    # The answer is no; the sheet is written all the same, and says so before anything else.
    assert ended.code == 1
    assert "FAIL: screw hole 1 to screw hole 4: holder 2 runs into cap blank" in ended.err
    written = (tmp_path / "cap.txt").read_text(encoding="utf-8")
    first = written[written.index(STOP.upper()) :].splitlines()
    assert "holder 2 runs into cap blank" in " ".join(first[:4])


@pytest.mark.parametrize(
    ("travel_high", "tools", "above"),
    [
        (0.0, "", 100.0),
        (-100.0, "", 50.0),
        (-170.0, "", 10.0),
        (-60.0, "length = 90.0\ndiameter = 6", 25.0),
        (-60.0, "", 100.0),
    ],
)
def test_the_first_check_is_made_where_the_spindle_gets_to(
    run, examples, tmp_path, travel_high, tools, above
):
    """Derived here: the top port's offset is Z-179.096, the highest; with a tool of 90 its nose stands at -89.096."""
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    (tmp_path / "teaching_mill.toml").write_text(
        re.sub(
            r"z = \[(\S+), 0.0\]|z = 0\.0",
            lambda z: f"z = [{z[1]}, {travel_high}]" if z[1] else f"z = {travel_high}",
            mill,
        ),
        encoding="utf-8",
    )
    job = (examples / "tide_gauge_head.toml").read_text(encoding="utf-8")
    tool = f'\n[[tool]]\nname = "drill"\n{tools}\n' if tools else ""
    (tmp_path / "job.toml").write_text(re.sub(r"(?m)^tool .*$", "", job) + tool, encoding="utf-8")
    told = " ".join(run("sheet", tmp_path / "job.toml").out.split())
    assert f"program Z{above:.3f} and no lower" in told
    assert f"Z travel ends at {travel_high:.3f}:" in told
    assert f"{-179.096 + above:.3f}" in told


@pytest.mark.parametrize(("ending", "magic"), [("pdf", b"%PDF-"), ("png", b"\x89PNG"), ("svg", b"<svg")])
def test_typeset_forms(run, examples, tmp_path, ending, magic):
    target = tmp_path / f"sheet.{ending}"
    assert run("sheet", examples / "buoy_bracket.toml", "-o", target, "--date", DATE).code == 0
    made = sorted(tmp_path.iterdir())
    assert made
    assert all(path.read_bytes().startswith(magic) for path in made)
    assert (len(made) == 1) == (ending == "pdf")
    again = run("sheet", examples / "buoy_bracket.toml", "-o", target, "--date", DATE)
    assert again.code == 2
    assert "--force" in again.err


def test_the_same_sheet_gives_the_same_bytes(run, examples, tmp_path):
    for name in ("a.pdf", "b.pdf"):
        run("sheet", examples / "float_slots.toml", "-o", tmp_path / name, "--date", DATE)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["-o", "sheet.doc"], ".pdf, .png, .svg, .txt, .md"),
        (["-o", "sheet"], ".pdf, .png, .svg, .txt, .md"),
        (["--paper", "a3"], '"a4" or "us-letter"'),
        (["--only", "nothing"], "no operation"),
        (["-o", "no/such/folder/sheet.pdf"], "no folder"),
    ],
)
def test_what_is_typed_wrong_is_told(run, examples, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    ended = run("sheet", examples / "buoy_bracket.toml", *arguments)
    assert (ended.code, ended.out) == (2, "")
    assert said in ended.err
    assert list(tmp_path.iterdir()) == []
