"""`batch offsets`: every part of a table by its own zero, and the parts that are not loaded."""

import csv
import io
import json

import numpy as np
import pytest

HEAD = 'name = "Feet"\nunits = "mm"\nmachine = "teaching_mill.toml"\nsquare_up = "C"\n'
NESTS = '[[stack]]\nname = "plate"\nup = 20.0\n' + "".join(
    f'[[nest]]\nname = "{name}"\non = "plate"\n[[nest.step]]\nname = "vice"\nup = 60.0\nshift = [{x}, 0.0]\n'
    for name, x in (("left", -40.0), ("right", 40.0))
)
WORK = (
    '[[operation]]\nname = "face"\nat = { A = 0, C = 0 }\n'
    '[[operation]]\nname = "port"\nat = { A = -35, C = 90 }\norigin = [0, -12, 4]\n'
)
JOB = HEAD + NESTS + WORK
LEFT, RIGHT = (-421.025, -203.405, -276.112), (-341.025, -203.405, -276.112)


def parts(tmp_path, rows, head="serial,nest,X_mm,Y_mm,Z_mm,clock_deg", name="parts.csv", end="\n"):
    path = tmp_path / name
    path.write_text("\n".join([head, *(",".join(map(str, row)) for row in rows)]) + end, encoding="utf-8")
    return path


def shifted(zero, *by):
    return tuple(round(a + b, 6) for a, b in zip(zero, by, strict=True))


ROWS = [
    ("101", "left", *shifted(LEFT, 0.02, -0.01, 0.03), 0.1),
    ("102", "right", *shifted(RIGHT, 0.0, 0.0, 0.0), 0.0),
    ("103", "left", *shifted(LEFT, 0.0, 0.0, 0.6), 0.0),
]


def test_json_as_the_contract_has_it(run, job, tmp_path):
    path = job(JOB)
    ended = run("batch", "offsets", path, parts(tmp_path, ROWS), "--json")
    assert ended.code == 1
    assert "part 103 in nest left" in ended.err
    report = json.loads(ended.out)
    assert (report["schema"], report["units"]) == ("tiltwright.batch-offsets/1", "mm")
    assert [(one["serial"], one["nest"]) for one in report["parts"]] == [
        ("101", "left"),
        ("102", "right"),
        ("103", "left"),
    ]
    held = report["parts"][2]
    assert (held["held"]["kind"], held["operations"]) == ("too far", [])
    assert held["held"]["distance"] == pytest.approx(0.6, abs=1e-9)
    assert [one["held"] for one in report["parts"][:2]] == [None, None]
    assert [one["work_offset"] for one in report["parts"][1]["operations"]] == [3, 4]
    # A part that sits where the stack puts it has the job's own offsets.
    own = json.loads(run("offsets", path, "--nest", "right", "--json").out)["operations"]
    for found, expected in zip(report["parts"][1]["operations"], own, strict=True):
        assert found["offset"] == pytest.approx(expected["offset"], abs=1e-9)


def test_each_part_as_offsets_has_it_when_typed(run, job, tmp_path):
    """Two ways to one number: the table, and --touched with --clock."""
    rng = np.random.default_rng(5)
    path = job(JOB)
    rows = [
        (k, nest, *shifted(zero, *rng.normal(scale=0.05, size=3)), round(float(rng.normal(scale=0.2)), 4))
        for k, (nest, zero) in enumerate([("left", LEFT), ("right", RIGHT)] * 4)
    ]
    told = json.loads(run("batch", "offsets", path, parts(tmp_path, rows), "--json").out)["parts"]
    for (_, nest, x, y, z, clock), part in zip(rows, told, strict=True):
        typed = run("offsets", path, "--nest", nest, "--touched", f"{x},{y},{z}", "--pose", "A0,C0",
                    "--clock", clock, "--json")  # fmt: skip
        for found, expected in zip(part["operations"], json.loads(typed.out)["operations"], strict=True):
            assert found["offset"] == pytest.approx(expected["offset"], abs=1e-9)


def test_a_loader_for_each_part_that_is_loaded(run, job, tmp_path):
    path, folder = job(JOB), tmp_path / "loaders"
    folder.mkdir()
    ended = run("batch", "offsets", path, parts(tmp_path, ROWS), "--gcode", "-o", folder)
    assert ended.code == 1
    assert sorted(file.name for file in folder.iterdir()) == ["101.nc", "102.nc"]
    lines = (folder / "101.nc").read_text(encoding="utf-8").splitlines()
    assert lines[0] == lines[-1] == "%"
    assert "(Part 101)" in lines
    assert "(In nest left)" in lines
    told = json.loads(run("batch", "offsets", path, parts(tmp_path, ROWS), "--json").out)["parts"][0]
    blocks = {line.split()[2]: line.split()[3:] for line in lines if line.startswith("G10")}
    assert set(blocks) == {"P1", "P2"}
    for one in told["operations"]:
        written = {word[0]: float(word[1:]) for word in blocks[f"P{one['work_offset']}"]}
        assert written == pytest.approx(one["offset"], abs=5.1e-4)
    again = run("batch", "offsets", path, parts(tmp_path, ROWS), "--gcode", "-o", folder)
    assert again.code == 2
    assert "101.nc" in again.err


def test_csv_has_every_row_and_says_what_is_held(run, job, tmp_path):
    told = list(
        csv.DictReader(io.StringIO(run("batch", "offsets", job(JOB), parts(tmp_path, ROWS), "--csv").out))
    )
    assert [(row["serial"], row["operation"]) for row in told] == [
        ("101", "face"),
        ("101", "port"),
        ("102", "face"),
        ("102", "port"),
        ("103", ""),
    ]
    assert told[-1]["held"]
    assert not told[0]["held"]


def test_a_job_without_nests_and_the_pose_of_its_touch_off(run, job, tmp_path):
    """Touched off tipped back: part zero as the job has it at that pose gives the job's own offsets."""
    touched = '[touched]\nX = 0\nY = 0\nZ = 0\npose = { A = -35, C = 90 }\nuse = "stack"\nwithin = 0.02\n'
    path = job(HEAD + '[[stack]]\nname = "post"\nup = 80.0\nshift = [10.0, 0.0]\n' + touched + WORK)
    zero = run("offsets", path, "--at", "A-35,C90", "--csv").out.splitlines()
    offset = dict(zip(zero[0].split(","), zero[1].split(","), strict=True))
    row = [offset[f"offset_{axis}_mm"] for axis in "XYZ"]
    table = parts(tmp_path, [("7", *row)], "serial,X_mm,Y_mm,Z_mm")
    ended = run("batch", "offsets", path, table, "--json")
    (part,) = json.loads(ended.out)["parts"]
    assert (part["nest"], part["held"]) == (None, None)
    assert part["difference"] == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    # `within` is the job's: 0.03 is too far there.
    off = parts(tmp_path, [("8", row[0], row[1], float(row[2]) + 0.03)], "serial,X_mm,Y_mm,Z_mm")
    assert run("batch", "offsets", path, off).code == 1


def test_inches_are_read_and_shown(run, job, tmp_path):
    row = ("9", "left", *(value / 25.4 for value in LEFT))
    table = parts(tmp_path, [row], "serial,nest,X_in,Y_in,Z_in")
    ended = run("batch", "offsets", job(JOB), table, "--units", "inch", "--json")
    assert ended.code == 0
    assert json.loads(ended.out)["parts"][0]["operations"][0]["offset"]["X"] == pytest.approx(
        LEFT[0] / 25.4, abs=1e-9
    )


def test_clocking_that_nothing_takes_out_is_told(run, job, tmp_path):
    path = job(JOB.replace('square_up = "C"\n', ""))
    ended = run("batch", "offsets", path, parts(tmp_path, ROWS[:2]))
    assert ended.code == 0
    assert "0.1000" in ended.err
    assert "square_up" in ended.err


@pytest.mark.parametrize(
    ("rows", "head", "end", "words"),
    [
        ([("1", "left", *LEFT), ("1", "right", *RIGHT)], None, "\n", 'parts.csv:3: serial: found "1" again'),
        ([("1", "left", *LEFT), ("1", "left", *LEFT)], None, "\n", 'parts.csv:3: serial: found "1" in nest'),
        ([("1", "lft", *LEFT)], None, "\n", 'parts.csv:2: nest: found "lft"'),
        ([("1", "", *LEFT)], None, "\n", "parts.csv:2: nest"),
        ([("1", "left", *LEFT), ("2", "left", LEFT[0])], None, "", "the file was cut off"),
        ([("1", "left", "nothing", *LEFT[1:])], None, "\n", 'parts.csv:2: X_mm: found "nothing"'),
        ([("1", *LEFT)], "serial,X_mm,Y_mm,Z_mm", "\n", "parts.csv:2: nest"),
        ([], None, "\n", "no part"),
    ],
)  # fmt: skip
def test_faults_of_the_table(run, job, tmp_path, rows, head, end, words):
    table = parts(tmp_path, rows, head or "serial,nest,X_mm,Y_mm,Z_mm", end=end)
    folder = tmp_path / "loaders"
    folder.mkdir()
    ended = run("batch", "offsets", job(JOB), table, "--gcode", "-o", folder)
    assert (ended.code, ended.out) == (2, "")
    assert words in ended.err
    assert not list(folder.iterdir())


def test_serials_whose_files_would_be_one(run, job, tmp_path):
    table = parts(tmp_path, [("A/1", "left", *LEFT), ("A:1", "right", *RIGHT)], "serial,nest,X_mm,Y_mm,Z_mm")
    folder = tmp_path / "loaders"
    folder.mkdir()
    ended = run("batch", "offsets", job(JOB), table, "--gcode", "-o", folder)
    assert ended.code == 2
    assert "A_1.nc" in ended.err
    assert run("batch", "offsets", job(JOB), table, "--gcode").code == 2
    assert run("batch", "offsets", job(JOB), table, "--gcode", "-o", tmp_path / "none").code == 2


def test_digits_as_every_other_command_rounds_them():
    """The quick way of many numbers and the slow one of each agree, ties and zeros included."""
    from tiltwright.output.numbers import all_angles, all_lengths, angle, length

    rng = np.random.default_rng(3)
    ties = rng.integers(-400_000, 400_000, 2000) / 1000.0 + 0.0005
    values = np.concatenate(
        [ties, rng.normal(scale=300.0, size=2000), rng.normal(scale=1e-3, size=500), [0.0, -0.0]]
    )
    for units in ("mm", "inch"):
        assert all_lengths(values, units) == [length(value, units) for value in values]
    assert all_angles(values) == [angle(value) for value in values]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ((-LEFT[0], *LEFT[1:]), "a lost minus sign in X?"),
        ((*LEFT[:2], LEFT[2] + 30.0), "look for a chip or a wrong reading"),
    ],
)
def test_a_slip_of_the_keys_in_a_table_of_parts_is_named(run, job, tmp_path, row, words):
    table = parts(tmp_path, [("1", "left", *row)], "serial,nest,X_mm,Y_mm,Z_mm")
    ended = run("batch", "offsets", job(JOB), table)
    assert ended.code == 1
    assert words in ended.err


def test_a_serial_that_is_no_file_name_is_told(run, job, tmp_path):
    table = parts(
        tmp_path, [("../A1", "left", *LEFT), ("102", "right", *RIGHT)], "serial,nest,X_mm,Y_mm,Z_mm"
    )
    ended = run("batch", "offsets", job(JOB), table, "--gcode", "-o", tmp_path / "out")
    assert ended.code == 0
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["102.nc", "_A1.nc"]
    assert 'part "../A1" is _A1' in ended.err
    assert "102 is" not in ended.err


def test_a_part_that_is_clocked_too_far_is_not_loaded(run, examples, tmp_path):
    """By what the job allows its probing program: 0.3 degrees, either way."""
    at = (-419.02, -203.33, -280.1)
    rows = [(k, "left", *at, clock) for k, clock in enumerate((0.3, -0.3, 0.31, -0.31))]
    ended = run("batch", "offsets", examples / "sensor_feet.toml", parts(tmp_path, rows), "--json")
    assert ended.code == 1
    held = [one["held"] for one in json.loads(ended.out)["parts"]]
    assert held[:2] == [None, None]
    assert held[2:] == [
        {"kind": "clocked too far", "clock_deg": clock, "within_deg": 0.3} for clock in (0.31, -0.31)
    ]


def test_a_part_that_is_far_off_is_told_what_it_would_fit(run, job, tmp_path):
    inches = [round(v / 25.4, 6) for v in RIGHT]
    rows = [
        ("1", "left", *shifted(RIGHT, 0.02, -0.01, 0.03), 0.0),
        ("2", "right", *inches, 0.0),
        ("3", "right", -RIGHT[0], *RIGHT[1:], 0.0),
        ("4", "right", *shifted(RIGHT, 0.0, 0.0, 3.0), 0.0),
    ]
    ended = run("batch", "offsets", job(JOB), parts(tmp_path, rows), "--json")
    assert ended.code == 1
    held = [one["held"] for one in json.loads(ended.out)["parts"]]
    assert [(one["fits_nest"], one["slip"], one["axes"]) for one in held] == [
        ("right", None, []),
        (None, "inches as mm", []),
        (None, "sign", ["X"]),
        (None, None, []),
    ]
    told = ended.err.splitlines()
    assert "nest right" in told[-4]
    assert "inches" in told[-3]
    assert "minus sign in X" in told[-2]
