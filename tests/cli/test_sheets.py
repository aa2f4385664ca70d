"""The examples' sheets, kept as golden files in examples/sheets; renew_sheets.py writes them anew."""

import pytest

from renew_sheets import DATE, JOBS


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
    assert "Lengths      inches" in ended.out
    assert "-7.0510" in ended.out
    assert "-179.096" not in ended.out
    assert "G20" in ended.out


def test_a_collision_is_said_on_stderr_too(run, examples, tmp_path):
    for name in ("mast_cap.toml", "teaching_mill.toml"):
        text = (examples / name).read_text(encoding="utf-8")
        # A drill that is far too short puts its holder into the blank.
        (tmp_path / name).write_text(text.replace("length   = 148.0", "length   = 110.0"), encoding="utf-8")
    ended = run("sheet", tmp_path / "mast_cap.toml")
    assert ended.code == 0
    assert "mind: " in ended.err
    assert "STOP: READ THIS FIRST" in ended.out


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
