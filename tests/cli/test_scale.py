"""Sizes beyond the stated ones are refused before they are read or computed, with what to do."""

import csv
import io
import json
import struct

import pytest


def test_a_grid_of_a_million_poses(run, examples):
    ended = run(
        "offsets",
        examples / "tide_gauge_head.toml",
        "--grid",
        "A=-100:0:0.1",
        "--grid",
        "C=0:359:0.359",
        "--json",
    )
    assert ended.code == 2
    assert "at most 1000000" in ended.err


def test_a_long_table_goes_out_as_json_or_csv_only(run, examples):
    grid = ("offsets", examples / "tide_gauge_head.toml", "--grid", "C=0:359:0.005")
    ended = run(*grid)
    assert ended.code == 2
    assert "--csv" in ended.err
    assert run(*grid, "--csv").out.count("\n") == 71_802


def test_a_step_that_never_arrives(run, examples):
    ended = run("offsets", examples / "tide_gauge_head.toml", "--grid", "A=-90:0:1e-310")
    assert ended.code == 2
    assert "--grid" in ended.err


def test_poses_in_pieces_are_the_poses(run, examples):
    grid = ("offsets", examples / "tide_gauge_head.toml", "--grid", "A=-90:0:0.8", "--grid", "C=0:350:7")
    report = json.loads(run(*grid, "--json").out)
    assert len(report["operations"]) == 113 * 51 > 5000  # more than one block
    rows = list(csv.DictReader(io.StringIO(run(*grid, "--csv").out)))
    for one, row in zip(report["operations"], rows, strict=True):
        assert one["offset"]["X"] == float(row["offset_X_mm"])
        assert one["program"]["C"] == float(row["program_C_deg"])


def test_a_file_in_pieces_is_whole_or_not_there(run, examples, tmp_path):
    grid = ("offsets", examples / "tide_gauge_head.toml", "--grid", "C=0:359:0.05", "-o")
    assert run(*grid, tmp_path / "poses.json", "--json").code == 0
    assert len(json.loads((tmp_path / "poses.json").read_text())["operations"]) == 7181
    assert run(*grid, tmp_path / "poses.json", "--csv").code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["poses.json"]


def test_a_million_readings(run, examples, tmp_path):
    table = tmp_path / "many.csv"
    row = "ball,ball 1,0,0,-301.0213,-203.4120,-310.5521\n"
    table.write_text("kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm\n" + row * 200_000, encoding="utf-8")
    ended = run("pivot", "fit", table, "-m", examples / "teaching_mill.toml")
    assert ended.code == 2
    assert "more than 4 MB" in ended.err
    assert "a few hundred readings do" in ended.err


def test_two_hundred_thousand_parts(run, examples, tmp_path):
    table = tmp_path / "parts.csv"
    head, row, *_ = (examples / "sensor_feet_parts.csv").read_text(encoding="utf-8").splitlines()
    table.write_text(f"{head}\n" + f"{row}\n" * 200_000, encoding="utf-8")
    ended = run("batch", "offsets", examples / "sensor_feet.toml", table)
    assert ended.code == 2
    assert "more than 5 MB" in ended.err
    assert "smaller tables" in ended.err


def test_a_mesh_of_too_many_triangles(tmp_path):
    from tiltwright.files.stl import read_stl

    mesh = tmp_path / "fine.stl"
    with mesh.open("wb") as out:
        out.write(b"\0" * 80 + struct.pack("<I", 5_000_000))
        out.truncate(84 + 50 * 5_000_000)
    with pytest.raises(ValueError, match="export it more coarsely"):
        read_stl(mesh, 1.0)


@pytest.mark.parametrize(
    ("line", "tip"),
    [
        ("at = {A: 0, C: 0}", "write {A = 0, C = 0}: an equals sign, no colon"),
        ("; a remark", "a remark begins with #"),
    ],
)
def test_slips_of_the_shop_have_a_tip(run, job, line, tip):
    path = job(
        f'name = "x"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[operation]]\nname = "port"\n{line}\n'
    )
    ended = run("offsets", path)
    assert ended.code == 2
    assert tip in ended.err
    assert "1000-01-01" not in ended.err


def test_a_job_where_readings_or_a_plan_are_wanted(run, examples):
    job, mill = examples / "tide_gauge_head.toml", examples / "teaching_mill.toml"
    for command in ("fit", "plan"):
        ended = run("pivot", command, job, "-m", mill)
        assert ended.code == 2
        assert ended.err.count("error:") == 1
        assert "looks like a job file" in ended.err


def test_a_typeset_sheet_of_a_thousand_operations(run, job, tmp_path):
    operations = "".join(
        f'[[operation]]\nname = "o{k}"\nat = {{ A = 0, C = {k / 10} }}\n' for k in range(300)
    )
    path = job(f'name = "x"\nunits = "mm"\nmachine = "teaching_mill.toml"\n{operations}')
    ended = run("sheet", path, "-o", tmp_path / "x.pdf")
    assert ended.code == 2
    assert "at most 200" in ended.err
    assert not (tmp_path / "x.pdf").exists()
