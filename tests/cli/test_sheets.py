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


def test_the_first_check_is_as_near_as_what_is_stated_allows(run, examples):
    """Without tools and solids 10 mm above the highest point known; beside solids as near as they get."""
    told = " ".join(run("sheet", examples / "tide_gauge_head.toml").out.split())
    assert "down to Z 10.000 and no lower" in told
    assert f"Z {-179.096 + 10.0:.3f} + tool length offset" in told
    assert "nothing says what stands over the origin" in told
    assert "Z travel ends at 0.000:" in told
    cap = " ".join(run("sheet", examples / "mast_cap.toml").out.split())
    # The screw holes start inside the uncut blank: the drill stands higher there than over the face.
    assert [float(z) for z in re.findall(r"down to Z ([\d.]+) and", cap)] == [
        5.0,
        20.0,
        20.0,
        20.0,
        20.0,
        5.0,
    ]


def test_a_height_of_the_first_check_is_above_whatever_the_files_know(run, examples, tmp_path):
    """An origin 30 mm below part zero is checked 40 mm above it: part zero lies straight over it."""
    job = (examples / "tide_gauge_head.toml").read_text(encoding="utf-8")
    (tmp_path / "teaching_mill.toml").write_text(
        (examples / "teaching_mill.toml").read_text("utf-8"), "utf-8"
    )
    deep = job.replace('name    = "top port"', 'name    = "top port"\norigin = [0, 0, -30]')
    (tmp_path / "job.toml").write_text(deep, encoding="utf-8")
    told = " ".join(run("sheet", tmp_path / "job.toml").out.split())
    assert re.search(r"A 0.0000 C 0.0000, X0 Y0, down to Z 40.000 and", told)


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


def test_a_job_with_nests_has_a_sheet_for_each_or_for_one(run, examples, tmp_path):
    (tmp_path / "teaching_mill.toml").write_text(
        (examples / "teaching_mill.toml").read_text("utf-8"), "utf-8"
    )
    nests = "".join(
        f'[[nest]]\nname = "{name}"\non = "sub-plate"\n[[nest.step]]\nname = "vice, {name}"\nup = 60.0\n'
        f"shift = [{x}, 0.0]\n"
        for name, x in (("left", -30.0), ("right", 30.0))
    )
    (tmp_path / "job.toml").write_text(
        'name = "Two brackets"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
        '[[stack]]\nname = "sub-plate"\nup = 20.0\n'
        + nests
        + '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n',
        "utf-8",
    )
    both = run("sheet", tmp_path / "job.toml").out
    assert re.findall(r"Nest: +(\w+)", both) == ["left", "right"]
    # Derived here: part zero stands 60 mm apart along X at A0 C0.
    assert re.findall(r"(?m)^G5[45] +(-[\d.]+) ", both)[:2] == ["-411.025", "-351.025"]
    assert re.findall(r"Nest: +(\w+)", run("sheet", tmp_path / "job.toml", "--nest", "right").out) == [
        "right"
    ]
    assert run("sheet", tmp_path / "job.toml", "-o", tmp_path / "s.pdf").code == 0
    assert {path.name for path in tmp_path.glob("*.pdf")} == {"s-nest1.pdf", "s-nest2.pdf"}
