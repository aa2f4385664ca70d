"""Files of readings: what is right is read, and everything that is wrong is told at once, with its row."""

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.calibration.parameter_file import read_kept, read_parameters
from tiltwright.calibration.raw_readings import RawReading, RawReadings, last_digit_mm
from tiltwright.calibration.readings_csv import read_table
from tiltwright.files.diagnostics import InputFaults

HEAD = "kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm"
GOOD = [
    "ball,ball 1,0,0,-331.0123,-203.4000,-310.5000",
    "ball,ball 1,0,90,-381.0234,-253.4000,-310.5000",
    "ball,ball 1,-90,0,-331.0345,-299.0234,-406.1000",
    "ball,ball 1,-90,90,-381.0456,-299.0234,-456.1000",
]
AC = ("A", "C")


def table(*rows, head=HEAD, end="\n"):
    return "\n".join([head, *rows]) + end


BAD_TABLES = {
    "empty": ("", ["readings.csv: found an empty file"]),
    "no column": (
        table(*GOOD, head="kind,target,A_deg,X_mm,Y_mm,Z_mm"),
        ["readings.csv:1: found no column C_deg", "an angle column for every rotary: A_deg and C_deg"],
    ),
    "a column twice": (
        table(head="kind,target,A_deg,C_deg,X_mm,X_mm,Y_mm,Z_mm"),
        ['column "X_mm" 2 times, as column 5 and 6', "every column once"],
    ),
    "no unit": (
        table(*GOOD, head="kind,target,A_deg,C_deg,X,Y,Z"),
        ['column 5: found "X", a length without its unit; allowed: X_mm or X_in', 'column 7: found "Z"'],
    ),
    "an angle without its unit": (
        table(*GOOD, head="kind,target,A,C_deg,X_mm,Y_mm,Z_mm"),
        ["allowed: A_deg"],
    ),
    "two units": (
        table(*GOOD, head="kind,target,A_deg,C_deg,X_mm,Y_in,Z_mm"),
        ["lengths in mm (X_mm, Z_mm) and in inches (Y_in)", "one unit for all lengths"],
    ),
    "a strange column": (
        table(*GOOD, head="kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm,sigm_mm"),
        ['column 8: found an unknown column, "sigm_mm"', 'did you mean "sigma_mm"?'],
    ),
    "a rotary that is not there": (
        table(head="kind,target,A_deg,B_deg,C_deg,X_mm,Y_mm,Z_mm"),
        ['found "B_deg", but the machine has no rotary B'],
    ),
    "semicolons, and decimals after points and after commas": (
        table(*GOOD, "ball,ball 1,0,180,-431.023,-203.4,-310.5")
        .replace(",", ";")
        .replace("-203.4000", "-203,4"),
        ["readings.csv:2: X_mm:", "write the decimals after a comma"],
    ),
    "text in numbers": (
        table(
            GOOD[0], "ball,ball 1,zero,0,-331.0,about 5,-310.5", GOOD[1], 'ball,ball 1,0,90,"-381,0",1,1e999'
        ),
        [
            'readings.csv:3: A_deg: found "zero"; allowed: an angle in degrees',
            'readings.csv:3: Y_mm: found "about 5"; allowed: a number',
            'readings.csv:5: X_mm: found "-381,0"; allowed: a number',
            "write the decimals after a point",
            "readings.csv:5: Z_mm:",
        ],
    ),
    "not a number": (
        table(GOOD[0], "ball,ball 1,0,90,nan,inf,1_000"),
        ['found "nan"', 'found "inf"', 'found "1_000"'],
    ),
    "an empty cell": (table(GOOD[0], "ball,,0,90,,1,2"), ["target: found nothing", "X_mm: found nothing"]),
    "an unknown kind": (
        table(GOOD[0], "bal,ball 1,0,90,1,2,3", "sphere,ball 1,0,90,1,2,3"),
        ['readings.csv:3: kind: found "bal"', 'did you mean "ball"?', 'readings.csv:4: kind: found "sphere"'],
    ),
    "two kinds": (
        table(GOOD[0], GOOD[1], "bore,ball 1,0,180,1,2,3"),
        ['readings.csv:4: kind: found bore for "ball 1", a ball in row 2'],
    ),
    "outside the limits": (
        table(*GOOD, "ball,ball 1,45,0,1,2,3", "ball,ball 1,-121,0,1,2,3"),
        [
            "readings.csv:6: A_deg: found 45, outside the machine's limits; allowed: -120 to 30 degrees",
            "readings.csv:7: A_deg: found -121",
        ],
    ),
    "one pose": (
        table(GOOD[0], GOOD[0]),
        ["2 readings in one pose, A0 C0: nothing turns", "add the same target at A-120, A-45, C-120, C120"],
    ),
    "no readings": (table(), ["found no readings; allowed: readings of one target in three poses or more"]),
    "no target twice": (
        table(GOOD[0], "ball,ball 2,0,90,1,2,3", "ball,ball 3,-90,0,1,2,3"),
        ["3 targets, each read in one pose only", "read the first target again in the other poses"],
    ),
    "a cut row": (
        table(*GOOD, "ball,ball 1,-90,18", end=""),
        ["readings.csv:6: found 4 values where 7 belong", "cut off"],
    ),
    "a cut number": (
        table(*GOOD, "ball,ball 1,-90,180,-431.0567,-299.0234,-406.1", end=""),
        ['readings.csv:6: Z_mm: found "-406.1" at the very end', "the file may be cut off"],
    ),
    "a cut quote": (
        table(*GOOD, 'ball,"ball 1,-90', end=""),
        ["readings.csv:6: found a quote that is never closed"],
    ),
    "a short row": (
        table(GOOD[0], "ball,ball 1,0,90,1,2", GOOD[1]),
        ["readings.csv:3: found 6 values where 7 belong"],
    ),
    "a long row": (
        table(GOOD[0], "ball,ball 1,0,90,1,5,2,5", GOOD[1]),
        ["readings.csv:3: found 8 values where 7 belong", "a comma in the name?"],
    ),
    "control characters": (table("ball,ball\x1b[2J,0,0,1,2,3"), ["without control characters"]),
    "a byte 0": ("kind\0,target\n", ["a byte 0"]),
    "a direction of nothing": (
        table("face,edge,0,0,1,2,3,0 0 0", "face,edge,0,90,1,2,3,up", head=HEAD + ",direction"),
        ['readings.csv:2: direction: found "0 0 0"', 'readings.csv:3: direction: found "up"'],
    ),
    "two directions": (
        table("face,edge,0,0,1,2,3,+X", "face,edge,0,90,1,2,3,+Y", head=HEAD + ",direction"),
        ['another direction of "edge" than in row 2'],
    ),
    "no sigma": (
        table(GOOD[0] + ",0", GOOD[1] + ",-1", head=HEAD + ",sigma_mm"),
        ["standard uncertainty above 0.000001"],
    ),
}


@pytest.fixture
def fit(run, examples, tmp_path):
    """Fit a text as a file, and see that nothing is written next to it."""
    machine = tmp_path / "mill.toml"
    machine.write_bytes((examples / "teaching_mill.toml").read_bytes())

    def fitted(text, *args, name="readings.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        before = sorted(p.name for p in tmp_path.iterdir() if not p.name.endswith(".lock"))
        ended = run("pivot", "fit", path, "--machine", machine, *args)
        after = sorted(p.name for p in tmp_path.iterdir() if not p.name.endswith(".lock"))
        if ended.code == 2:
            assert ended.out == ""
            assert "Traceback" not in ended.err
            assert after == before
            assert machine.read_bytes() == (examples / "teaching_mill.toml").read_bytes()
        return ended

    return fitted


@pytest.mark.parametrize("name", BAD_TABLES)
def test_a_bad_table(fit, name):
    text, told = BAD_TABLES[name]
    ended = fit(text, "--write", "--plot", "never.png")
    assert ended.code == 2
    for words in told:
        assert words in ended.err, ended.err


def test_bytes_that_are_no_text(fit):
    assert "not UTF-8 text" in fit(b"kind,target\n\xff\xfe\n").err


def test_many_faults_are_told_once(fit):
    ended = fit(table(*["ball,ball 1,0,0,x,y,z"] * 200))
    assert ended.err.count("error:") == 9  # three of each of the three columns
    assert ended.err.count("(and 197 more such rows)") == 3


def test_a_missing_file_and_the_nearest_name(run, examples):
    machine = examples / "teaching_mill.toml"
    ended = run("pivot", "fit", examples / "pivots" / "spring_chek.csv", "--machine", machine)
    assert ended.code == 2
    assert 'did you mean "spring_check.csv"?' in ended.err


def test_a_byte_order_mark_blanks_and_line_ends_do_no_harm():
    rows = [row.replace(",", " , ") for row in GOOD]
    text = ("\n".join([HEAD, rows[0], "", rows[1], ""])).replace("\n", "\r\n")
    taken = read_table("r.csv", text, AC)
    assert [row.line for row in taken.rows] == [2, 4]
    assert taken.rows[1].xyz == (-381.0234, -253.4, -310.5)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "latin-1"])
def test_a_spreadsheets_readings_are_those_of_the_plain_table(fit, encoding):
    plain = table(*GOOD).replace("ball 1", "große Kugel")
    other = plain.replace(",", ";").replace(".", ",").replace("\n", ";;\r\n")
    answers = [
        json.loads(fit(text, "--sigma", "0.002", "--json").out) for text in (plain, other.encode(encoding))
    ]
    for part in ("rotary", "targets", "readings"):
        assert answers[0][part] == answers[1][part]


def test_angles_in_degrees_and_minutes_and_columns_in_any_order():
    text = 'Z_in,target,kind,C_deg,X_in,A_deg,Y_in\n3,edge,face,-0d 30m,1,"1°30\'",2\n'
    (row,) = read_table("r.csv", text, AC).rows
    assert (row.angles, row.xyz) == ((1.5, -0.5), (1.0, 2.0, 3.0))


@given(st.text(max_size=300))
def test_no_text_is_a_surprise(text):
    """Whatever a file holds, it is read or refused with faults; nothing else is raised."""
    for read in (lambda: read_table("r", text, AC), lambda: read_kept("p", text, AC)):
        with contextlib.suppress(InputFaults):
            read()


@given(st.data(), st.sampled_from([(",", ".", ""), (";", ",", ""), ("\t", ".", ""), (";", ",", ";;")]))
def test_a_table_cut_anywhere_is_never_more_than_it_was(data, dialect):
    separator, mark, empty = dialect
    lines = table(*GOOD, end="").replace(",", separator).replace(".", mark).split("\n")
    whole = "".join(f"{line}{empty}\n" for line in lines)
    full = read_table("r.csv", whole, AC).rows
    assert [row.xyz for row in full] == [row.xyz for row in read_table("r.csv", table(*GOOD), AC).rows]
    cut = whole[: data.draw(st.integers(0, len(whole) - 1))]
    try:
        rows = read_table("r.csv", cut, AC).rows
    except InputFaults:
        return
    # What a cut leaves must be rows of the whole file, or all but the line end: never a shortened number.
    assert [row.xyz for row in rows] == [row.xyz for row in full[: len(rows)]]


# --- a control's log ----------------------------------------------------------------------------------------------

RULE = """
units = "mm"
line = "HIT {target} AT A{A} C{C} WAS X{X} Y{Y} Z{Z}"
begins = "HIT"
ends = "END"
kind = "ball"
"""
LOG = [
    "opened",
    "HIT ball 1 AT A0.0 C0.0 WAS X-331.0123 Y-203.4 Z-310.5",
    "HIT ball 1 AT A0.0  C90.0 WAS X -381.0234 Y-253.4 Z-310.5",
    "HIT ball 1 AT A-90.0 C0.0 WAS X-331.0345 Y-299.0234 Z-406.1",
    "HIT ball 1 AT A-90.0 C90.0 WAS X-381.0456 Y-299.0234 Z-456.1",
    "END of log",
]


@pytest.fixture
def rule(tmp_path):
    def write(text=RULE):
        path = tmp_path / "rule.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_log_tells_what_the_table_tells(fit, rule):
    from_table = json.loads(fit(table(*GOOD), "--sigma", "0.002", "--json").out)
    from_log = json.loads(
        fit("\n".join(LOG) + "\n", "--rule", rule(), "--sigma", "0.002", "--json", name="p.log").out
    )
    assert from_log["rotary"] == from_table["rotary"]
    assert [one["row"] for one in from_log["readings"]] == [2, 3, 4, 5]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        (LOG[:4], ["as the last line; allowed: a last line that begins", "the log was cut off"]),
        ([*LOG[:4], "HIT ball 1 AT A-90.0 C90.0 WAS X-38"], ["probe.log:5:", "the log was cut off"]),
        ([LOG[0], "HIT ball 1 A0.0", *LOG[2:]], ['probe.log:2: found "HIT ball 1 A0.0"', "as the rule says"]),
        ([LOG[1].replace("-203.4", "1.2.3"), *LOG[2:]], ['probe.log:1: Y: found "1.2.3"; allowed: a number']),
        ([""], ["an empty log"]),
    ],
)
def test_a_bad_log(fit, rule, lines, told):
    ended = fit("\n".join(lines) + "\n", "--rule", rule(), name="probe.log")
    assert ended.code == 2
    for words in told:
        assert words in ended.err, ended.err


def test_a_log_without_an_end_must_end_its_last_line(fit, rule):
    whole = RULE.replace('ends = "END"\n', "")
    assert fit("\n".join(LOG[:5]) + "\n", "--rule", rule(whole), "--sigma", "1", name="p.log").code == 0
    ended = fit("\n".join(LOG[:5]), "--rule", rule(whole), name="p.log")
    assert ended.code == 2
    assert "without a line end" in ended.err


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("{A} ", "", "no {A}"),
        ("X{X}", "X{X} X{X}", "{X} twice"),
        ("{target}", "{traget}", "{traget}"),
        ('kind = "ball"\n', "", "no {kind}"),
        ('units = "mm"\n', "", "units"),
        ('kind = "ball"', 'kind = "bal"', 'did you mean "ball"?'),
        ('begins = "HIT"', "at = { A = 0.0 }", "{A} and a fixed A besides"),
        ('begins = "HIT"', "at = { B = 0.0 }", "a rotary B, which the machine has not"),
    ],
)
def test_a_bad_rule(fit, rule, old, new, told):
    ended = fit("\n".join(LOG) + "\n", "--rule", rule(RULE.replace(old, new)), name="p.log")
    assert ended.code == 2
    assert told in ended.err, ended.err


def test_a_log_in_its_own_words(fit, rule):
    text = """
units = "mm"
line = "{kind};{};{target};{X};{Y};{Z};{C}"
kinds = { K = "ball" }
targets = { "1" = "north ball" }
at = { A = 0.0 }
"""
    lines = [f"K;12:00;1;{x};{y};0;{c}" for x, y, c in ((40, 0, 0), (0, -40, 90), (-40, 0, 180))]
    shifted = [line.replace("K;12:00;1;", "K;12:00;1;") for line in lines]
    ended = fit("\n".join(shifted) + "\n", "--rule", rule(text), "--sigma", "0.01", "--json", name="p.log")
    report = json.loads(ended.out)
    assert report["targets"][0]["name"] == "north ball"
    assert report["rotary"][1]["point"][:2] == pytest.approx([0.0, 0.0], abs=1e-6)


def test_a_log_needs_a_rule_and_a_table_none(fit, rule):
    assert "a log without a rule" in fit("x\n", name="p.log").err
    assert "a rule beside a table file" in fit(table(*GOOD), "--rule", rule(), "--as", "table").err
    assert '"table", "log" or "parameters"' in fit(table(*GOOD), "--as", "sheet").err
    assert "say which it is: --as" in fit("ball 1 at A0 C0\n", name="readings.dat").err
    assert fit(table(*GOOD), name="readings.dat").code == fit(table(*GOOD)).code


@pytest.mark.parametrize(
    ("units", "xyz", "step_mm"),
    [
        ("inch", (-12.345, -7.25, -3.0), 0.0254),
        ("inch", (-12.3456, -7.25, -3.0), 0.00254),
        ("inch", (-12.0, -7.0, -3.0), 2.54),
        ("mm", (-312.345, -7.25, -3.0), 0.001),
    ],
)
def test_the_last_digit_is_in_the_unit_of_the_readings(units, xyz, step_mm):
    taken = RawReadings("a", units, (RawReading(2, "ball", "b", (0.0, 0.0), xyz),))
    assert last_digit_mm(taken) == pytest.approx(step_mm, rel=1e-12)


# --- the parameter file -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("head\nhead", "no number and value on any line"),
        ("1000 1.0\nhead\n", "p:2: found"),
        ("1000 1.0\n\n1000 1.0\n", "p:3: found parameter 1000 after 1000"),
        ("head\n\n1000\n", "p:3: found"),
        ("head\n\n1000 x\n", 'p:3: parameter 1000: found "x"'),
        ("head\n\n1001 1\n1000 1\n", "p:4: found parameter 1000 after 1001"),
        ("head\n\n1000 1\n1000 1\n", "p:4: found parameter 1000 after 1000"),
        ("head\n\n6000 1\n", "1 to 5399"),
        ("head\n\n1000 1\n1001 1", "without a line end"),
    ],
)
def test_a_bad_parameter_file(text, told):
    with pytest.raises(InputFaults) as faults:
        read_parameters("p", text)
    assert told in str(faults.value)


def kept(rows, *, planned=None, done=None, unit=21):
    numbers = {
        1000: len(rows) if planned is None else planned,
        1001: len(rows) if done is None else done,
        1002: unit,
    }
    for i, row in enumerate(rows):
        numbers.update({1010 + 10 * i + k: value for k, value in enumerate(row) if value is not None})
    return "head\n\n" + "".join(f"{n} {value}\n" for n, value in numbers.items())


ROWS = [(1, 1, 1.0, 2.0, 3.0, 0.0, None, 0.0), (5, 2, 4.0, 5.0, 6.0, -90.0, None, 45.0)]


def test_what_a_program_has_kept():
    taken = read_kept("p", kept(ROWS), AC)
    assert [(row.kind, row.target, row.angles) for row in taken.rows] == [
        ("ball", "ball 1", (0.0, 0.0)),
        ("face", "platter", (-90.0, 45.0)),
    ]
    assert read_kept("p", kept(ROWS, unit=20), AC).units == "inch"
    named = read_kept("p", kept(ROWS), AC, {1: ("near ball", "ball"), 2: ("platter", "face")})
    assert named.rows[0].target == "near ball"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (kept(ROWS, done=1), "1 of 2 readings: the program was stopped before its end"),
        (kept(ROWS, planned=0, done=0), "0 readings"),
        (kept(ROWS, unit=22), "no readings"),
        ("1000 0.0\n1001 0.0\n1002 0.0\n", "no probing program has run"),
        ("head\n\n5220 1.0\n", "list the program's parameters in the file"),
        (kept([ROWS[0], (9, 1, 1, 2, 3, 0, None, 0)]), "#1020: found 9"),
        (kept([ROWS[0], (1, 0.5, 1, 2, 3, 0, None, 0)]), "#1021: found 0.5"),
        (kept([ROWS[0], (1, 1, 1, 2, 3, 0, None, None)]), "no parameter 1027, of reading 2"),
    ],
)
def test_what_a_program_has_not_kept(text, told):
    with pytest.raises(InputFaults) as faults:
        read_kept("p", text, AC)
    assert told in str(faults.value)


@pytest.mark.parametrize("lead", ["", "\n", "\n\n", "saved at noon\n", "parameter value\n-----\n"])
def test_any_plain_list_of_numbers_and_values_is_read(lead):
    with_head = read_kept("p", kept(ROWS), AC)
    without = read_kept("p", lead + kept(ROWS).removeprefix("head\n\n"), AC)
    assert [row.xyz for row in without.rows] == [row.xyz for row in with_head.rows]


def test_a_plan_of_something_else():
    with pytest.raises(InputFaults) as faults:
        read_kept("p", kept(ROWS), AC, {1: ("bore 1", "bore")})
    assert "which has a bore of that number" in str(faults.value)
    assert "which has no such target" in str(faults.value)


def test_the_examples_log_is_its_tables_balls(run, examples):
    folder, machine = examples / "pivots", examples / "teaching_mill.toml"
    log = json.loads(
        run(
            "pivot",
            "fit",
            folder / "spring_check.log",
            "--rule",
            folder / "probe_rule.toml",
            "-m",
            machine,
            "--json",
        ).out
    )
    rows = read_table("t", (folder / "spring_check.csv").read_text(encoding="utf-8"), AC).rows
    balls = [row for row in rows if row.kind == "ball"]
    assert len(log["readings"]) == len(balls)
    table_only = [",".join(["ball", r.target, *map(repr, r.angles), *map(repr, r.xyz)]) for r in balls]
    assert read_table("t", table(*table_only), AC).rows[-1].xyz == balls[-1].xyz
    assert [one["target"] for one in log["readings"]] == [row.target for row in balls]


@pytest.mark.parametrize(
    ("second", "refused"), [("Ball 1", True), ("ball1", True), ("ball 1", False), ("ball 2", False)]
)
def test_targets_that_only_differ_to_a_program_are_refused(second, refused):
    """Two spellings would be adjusted as two balls, each with half of the poses."""
    text = f"kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm\nball,ball 1,0,0,1,2,3\nball,{second},-30,0,4,5,6\n"
    if not refused:
        assert len(read_table("r.csv", text, AC).rows) == 2
        return
    with pytest.raises(InputFaults) as caught:
        read_table("r.csv", text, AC)
    (fault,) = caught.value.faults
    assert (fault.line, fault.key) == (3, "target")
