"""Machines that cannot be meant are told with their line; those that are built are not."""

import pytest

from tiltwright.files.toml_source import forget, noted_cautions


@pytest.fixture
def machine(job, examples):
    source = (examples / "teaching_mill.toml").read_text(encoding="utf-8")

    def write(*changes):
        text = source
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        return job("", text).with_name("teaching_mill.toml")

    return write


@pytest.mark.parametrize("name", ["teaching_mill.toml", "trunnion_mill.toml", "indexer_mill.toml"])
def test_the_examples_are_believed(run, examples, name):
    ended = run("machine", "show", examples / name)
    assert ended.code == 0
    assert "hard to believe" not in ended.err


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('units = "mm"', 'units = "inch"', "travel, x"),
        ("[-760.0, 0.0]", "[-0.76, 0.0]", "travel, x"),
        ("[-120.0, 30.0]", "[-12000.0, 3000.0]", "rotary 1, limits"),
        ('along  = "+X"', "direction = [1.0, 1.0, 0.0]", "rotary 1, direction"),
        (
            'z_reference = "gauge line"',
            'z_reference = "reference tool"\nreference_tool_length = 12000.0',
            "reference_tool_length",
        ),
        ("diameter = 160.0", "diameter = 16000.0", "platter, diameter"),
        ("face = -356.112", "face = 356.112", "platter, face"),
        ("face = -356.112", "face = -35611.2", "platter, face"),
    ],
)
def test_what_is_hard_to_believe_is_told_with_its_line(run, machine, old, new, key):
    path = machine((old, new))
    ended = run("machine", "show", path)
    assert ended.code == 0, ended.err
    told = [
        line for line in ended.err.splitlines() if line.startswith("caution: ") and "hard to believe" in line
    ]
    assert any(f": {key}: " in line for line in told), ended.err
    assert all(line.split(":")[2].isdigit() for line in told)
    forget()
    assert noted_cautions() == ()


def test_many_doubts_are_cut_short_before_other_commands(run, machine):
    """A file in the wrong unit: what the offsets hang on comes first, and `machine show` lists all of it."""
    path = machine(('units = "mm"', 'units = "inch"'))
    shown = [line for line in run("machine", "show", path).err.splitlines() if "hard to believe" in line]
    told = [
        line
        for line in run("offsets", "--machine", path, "--zero", "1,2,3", "--at", "A0").err.splitlines()
        if "hard to believe" in line
    ]
    assert len(shown) > 5
    assert (len(told), told[:2]) == (3, shown[:2])
    assert all(": rotary 1, point: " in line for line in told[:2])
    assert f"{len(shown) - 2} more values" in told[2]
    assert f"machine show {path}" in told[2]


def test_every_command_that_reads_the_file_tells_it(run, machine, examples):
    machine(("diameter = 160.0", "diameter = 16000.0"))
    job = machine(("diameter = 160.0", "diameter = 16000.0")).with_name("job.toml")
    job.write_text((examples / "tide_gauge_head.toml").read_text(encoding="utf-8"), encoding="utf-8")
    assert "hard to believe" in run("offsets", job, "--json").err


def test_what_cannot_be_is_a_fault(run, machine):
    ended = run(
        "machine", "show", machine(("limits = [-120.0, 30.0]", "limits = [-120.0, 30.0]\nzero = 90.0"))
    )
    assert ended.code == 2
    assert "rotary 1, zero: found 90, outside the limits" in ended.err


@pytest.mark.parametrize(
    ("count", "step", "sound"), [(4, 180.0, False), (2, 180.0, True), (6, 60.0, True), (7, 60.0, False)]
)
def test_repeats_that_coincide_are_a_fault(run, job, count, step, sound):
    path = job(
        'name = "x"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[operation]]\nname = "port"\n'
        f"normal = [0.0, -0.5, 0.866]\nrepeat = {{ count = {count}, step = {step} }}\n"
    )
    ended = run("offsets", path)
    assert (ended.code == 0) == sound, ended.err
    assert sound or "stands where the first is" in ended.err


JOB = """name = "x"
units = "mm"
machine = "teaching_mill.toml"
clear = 2.0
[[tool]]
name = "drill"
length = 118.5
diameter = 6.0
[[stack]]
name = "sub-plate"
up = 20.012
[[stack]]
name = "standoff"
up = 95.004
shift = [0.015, -0.008]
round = 60.0
[[operation]]
name = "top"
at = { A = 0, C = 0 }
origin = [0.0, -18.0, -12.0]
"""


def told_of(run, path):
    err = run("offsets", path).err
    return [line for line in err.splitlines() if "job.toml" in line and "hard to believe" in line]


@pytest.mark.parametrize(
    "name", ["tide_gauge_head", "float_slots", "buoy_bracket", "mast_cap", "beacon_dome", "sensor_feet"]
)
def test_the_example_jobs_are_believed(run, examples, name):
    assert "hard to believe" not in run("offsets", examples / f"{name}.toml").err


@pytest.mark.parametrize(
    ("old", "new", "key", "tip"),
    [
        ("up = 95.004", "up = 9500.4", "stack 2, up", "a slip of the point?"),
        ("shift = [0.015, -0.008]", "shift = [1500.0, -0.008]", "stack 2, shift", "a slip of the point?"),
        ("round = 60.0", "round = 0.6", "stack 2, round", "Is the number in inch?"),
        ("length = 118.5", "length = 4.665", "tool 1, length", "Is the number in inch?"),
        ("diameter = 6.0", "diameter = 0.236", "tool 1, diameter", "Is the number in inch?"),
        ("-18.0", "-18000.0", "operation 1, origin", "a slip of the point?"),
        ("clear = 2.0", "clear = 200.0", "clear", "a slip of the point?"),
    ],
)
def test_a_job_s_value_that_is_hard_to_believe_is_told_with_its_line(run, job, old, new, key, tip):
    assert old in JOB
    path = job(JOB.replace(old, new))
    (told,) = told_of(run, path)
    line = JOB.splitlines().index(next(one for one in JOB.splitlines() if old in one)) + 1
    assert f"job.toml:{line}: {key}: " in told
    assert tip.lower() in told.lower()


def test_numbers_in_the_other_unit_than_the_job_states(run, job):
    """Millimetres under "inch" are far too long, inches under "mm" leave hardly a stack and a tool."""
    path = job(JOB.replace('units = "mm"', 'units = "inch"'))
    told = told_of(run, path)
    assert any("Is the number in mm? The file says inch" in line for line in told)
    inches = JOB
    for number in ("20.012", "95.004", "118.5", "6.0", "60.0"):
        inches = inches.replace(f"= {number}", f"= {float(number) / 25.4:.4f}")
    told = told_of(run, job(inches))
    assert any("a whole stack of 4.5282 mm" in line for line in told)
    assert any("Is the number in inch? The file says mm" in line for line in told)
    assert len(told) <= 3


@pytest.mark.parametrize(
    ("turn", "odd"),
    [
        *((turn, True) for turn in (15, -15, 12.5, 18, 73, 105)),
        *((turn, False) for turn in (0.15, -4.9, 30, 45, -60, 90, 90.35, 180, 135.2, -270)),
    ],
)
def test_a_turn_too_large_for_clocking_and_too_odd_for_a_fixture(run, job, turn, odd):
    """`turn = 15` for 0.15 went by in silence where part zero was not touched off."""
    path = job(JOB.replace("round = 60.0", f"turn = {turn}"))
    told = [line for line in told_of(run, path) if "stack 2, turn: " in line]
    assert bool(told) == odd
    nests = (
        JOB
        + f'[[nest]]\nname = "left"\non = "standoff"\n[[nest.step]]\nname = "vice"\nup = 60.0\nturn = {turn}\n'
    )
    assert any("turn: " in line for line in told_of(run, job(nests))) == odd


def test_a_clocking_that_is_hardly_meant_is_asked_about(run, examples, tmp_path):
    feet = examples / "sensor_feet.toml"
    touched = ("--nest", "left", "--touched", "-419.018,-203.331,-280.092", "--pose", "A0,C0", "--clock")
    assert "--clock: 30 degrees of clocking" in run("offsets", feet, *touched, "30").err
    assert "hard to believe" not in run("offsets", feet, *touched, "0.3").err
    table = tmp_path / "parts.csv"
    table.write_text(
        "serial,nest,X_mm,Y_mm,Z_mm,clock_deg\n1,left,-419.018,-203.331,-280.092,0.03\n"
        "2,left,-419.018,-203.331,-280.092,-30\n3,left,-419.018,-203.331,-280.092,30\n"
    )
    err = run("batch", "offsets", feet, table).err
    assert f"{table}:3: clock_deg: -30 degrees of clocking" in err
    assert err.count("of clocking") == 1
