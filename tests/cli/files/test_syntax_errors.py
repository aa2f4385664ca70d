"""Usual mistakes that are no TOML: the message says what to write instead, and that is TOML."""

# ruff: noqa: RUF001 - signs that look like others are what this is about

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import read_job, read_machine
from tiltwright.files.syntax_errors import syntax_fault
from tiltwright.files.toml_source import load

VALID = Path(__file__).parent / "valid"


def fault_of(text: str) -> Diagnostic:
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads(text)
    return syntax_fault("job.toml", text, str(caught.value))


@pytest.mark.parametrize(
    ("line", "number"),
    [
        ("up = .75", 0.75),
        ("up = -.75   # the shim", -0.75),
        ("up = +.5", 0.5),
        ("up = 5.", 5.0),
        ("up = 007.5", 7.5),
        ("up = 1,25", 1.25),
        ("up = -0,008", -0.008),
        ("up = ,75", 0.75),
        ("up = 1,250.5", 1250.5),
        ("up = 1 1/4", 1.25),
        ("up = -1-1/2", -1.5),
        ("up = 3/8", 0.375),
        ("up = 12mm", 12.0),
        ("up = .5 in", 0.5),
        ('up = 2"', 2.0),
        ("up = −3.5", -3.5),
        ("turn = 30°", 30.0),
        ("turn = 30 deg", 30.0),
        ("shift = [.75, 0]", 0.75),
        ("shift = [0.1, -.75]", -0.75),
        ("limits = [-120., 30]", -120.0),
        ("point = [1 1/2, 2, 3]", 1.5),
        ("at = { A = .5, C = 0 }", 0.5),
    ],
)
def test_a_number_in_the_shops_hand(line: str, number: float) -> None:
    tip = fault_of(line + "\n").tip
    written = re.match(r"write (\S+?)(?=:|$| )", tip)
    assert written, tip
    assert tomllib.loads(f"x = {written[1]}")["x"] == number


@pytest.mark.parametrize(
    ("line", "tip"),
    [
        ("up = 1,25", "write 1.25: a decimal point, no comma"),
        ("up = 1,250", "write 1.250 (or 1250, if that is meant): a decimal point, no comma"),
        ("name = Mill 3 # bay 2", 'text goes in quotes: "Mill 3"'),
        ("limits = [endless]", 'text goes in quotes: "endless"'),
        ("name = “Mill”", "text goes in straight quotes, \" or ', not in curly ones"),
        ("name = ‘Mill’", "text goes in straight quotes, \" or ', not in curly ones"),
        ('name = "Mill', "text needs a quote on both sides"),
        ('name = Mill"', "text needs a quote on both sides"),
        ("turn = 1°47'24\"", 'an angle with its marks goes in quotes: "1°47\'24\\""'),
        ("turn = 1d 47m", 'an angle with its marks goes in quotes: "1d 47m"'),
        ("at = A-90", "angles go in braces: { A = -90, C = 0 }"),
        ("up =", "a value is missing after the equals sign"),
        (
            'machine = "C:\\shop\\mill.toml"',
            "write / instead of \\ in paths, or put the text in single quotes",
        ),
        (
            'machine = "C:\\Users\\mill.toml"',
            "write / instead of \\ in paths, or put the text in single quotes",
        ),
        ('square up = "C"', "a key is one word: square_up"),
        ("höhe = 3", "a key is made of a to z, digits, _ and -"),
        ('name: "Mill"', "put an equals sign between a key and its value"),
        ('name "Mill"', 'a line is key = value, a table\'s name in brackets, or a remark after "#"'),
        ("up = 1/0", ""),
        ("up = 1.2.3", ""),
        ("[rotary", ""),
    ],
)
def test_tips(line: str, tip: str) -> None:
    fault = fault_of(f'first = 1\n{line}\nunits = "mm"\n')
    assert fault.line == 2
    assert fault.tip == tip
    assert fault.allowed == "TOML"


@given(st.text(st.sampled_from("01a.,/-+°'\"[]{}=# \n\\−“")))
def test_any_text_gets_one_harmless_message(text: str) -> None:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        words = str(syntax_fault("job.toml", text, str(error)))
        assert len(words.splitlines()) <= 2
        assert all(line.isprintable() for line in words.splitlines())


def refusal(read: object, path: Path) -> Diagnostic:
    with pytest.raises(InputFaults) as caught:
        read(path)  # type: ignore[operator]
    (fault,) = caught.value.faults
    return fault


def test_job_and_machine_exchanged() -> None:
    job, machine = VALID / "job-ports.toml", VALID / "machine-ac.toml"
    assert refusal(read_job, machine).found == "what looks like a machine file"
    assert "--machine" in refusal(read_job, machine).tip
    assert refusal(read_machine, job).found == "what looks like a job file"


def test_a_job_that_names_a_job_as_its_machine(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(
        'name = "a"\nunits = "mm"\nmachine = "job.toml"\n[[operation]]\nname = "b"\nat = { A = 0, C = 0 }\n'
    )
    fault = refusal(read_job, path)
    assert (fault.line, fault.key) == (3, "machine")
    assert fault.found.startswith("what looks like a job file")


@pytest.mark.parametrize("read", [read_job, read_machine])
@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "the file is empty"),
        ("\n \n", "the file is empty"),
        ("# to come\n", "the file holds only remarks"),
    ],
)
def test_an_empty_file(tmp_path: Path, read: object, text: str, found: str) -> None:
    path = tmp_path / "file.toml"
    path.write_text(text)
    assert refusal(read, path).found == found


@pytest.mark.parametrize(
    ("typed", "tip"),
    [
        ("nothere.toml", ""),
        ("job.toml", ""),
        ("teaching_mil.toml", 'did you mean "teaching_mill.toml"?'),
        ("teaching_mill", 'did you mean "teaching_mill.toml"?'),
        ("Teaching_mill.tml", 'did you mean "teaching_mill.toml"?'),
        ("teaching.toml", 'did you mean "teaching_mill.toml"?'),
        ("readngs.csv", 'did you mean "readings.csv"?'),
        ("teaching_mill.csv", ""),
    ],
)
def test_only_a_really_similar_file_is_suggested(tmp_path: Path, typed: str, tip: str) -> None:
    for name in ("r.toml", "teaching_mill.toml", "jab.png", "readings.csv"):
        (tmp_path / name).write_text("x = 1\n")
    assert refusal(lambda path: load(path, "a machine file"), tmp_path / typed).tip == tip


@pytest.mark.parametrize(
    ("table", "key", "tip"),
    [
        ("stack", "hight", 'did you mean "up"?'),
        ("stack", "height", 'did you mean "up"?'),
        ("stack", "heigth", 'did you mean "up"?'),
        ("stack", "thickness", 'did you mean "up"?'),
        ("stack", "offset", 'did you mean "shift"?'),
        ("stack", "shft", 'did you mean "shift"?'),
        ("stack", "colour", ""),
        ("operation", "offset", ""),
        ("operation", "direction", 'did you mean "normal"?'),
        ("operation", "work_ofset", 'did you mean "work_offset"?'),
    ],
)
def test_keys_under_another_name(tmp_path: Path, table: str, key: str, tip: str) -> None:
    (tmp_path / "mill.toml").write_bytes((VALID / "machine-ac.toml").read_bytes())
    extra = {"stack": "", "operation": ""} | {table: f"{key} = 1\n"}
    path = tmp_path / "job.toml"
    path.write_text(
        'name = "a"\nunits = "mm"\nmachine = "mill.toml"\n'
        f'[[stack]]\nname = "s"\n{extra["stack"]}'
        f'[[operation]]\nname = "b"\nat = {{ A = 0, C = 0 }}\n{extra["operation"]}'
    )
    assert refusal(read_job, path).tip == tip


def test_unit_is_units(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text((VALID / "machine-ac.toml").read_text("utf-8").replace("units", "unit", 1))
    with pytest.raises(InputFaults, match='did you mean "units"'):
        read_machine(path)


def test_decimal_commas_in_a_list(tmp_path: Path) -> None:
    (tmp_path / "mill.toml").write_bytes((VALID / "machine-ac.toml").read_bytes())
    path = tmp_path / "job.toml"
    path.write_text(
        'name = "a"\nunits = "mm"\nmachine = "mill.toml"\n[[stack]]\nname = "s"\nshift = [0,5, 1,25]\n'
        '[[operation]]\nname = "b"\nat = { A = 0, C = 0 }\n'
    )
    fault = refusal(read_job, path)
    assert fault.allowed == "a list of two numbers, [x, y]"
    assert fault.tip == "use a decimal point: 0.5, not 0,5"


SLIPS = (
    "{key} = .75",
    "{key} = 12 mm",
    "{key} = Mill No. 3",
    "{key} 12",
    "{key}: 12",
    "{key} = ",
    "{key} = 1,5",
)


@given(st.data())
def test_every_slip_is_told_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Whatever lines of a sound file are no TOML: those lines are told, and what is missing for them is not."""
    text = (VALID / "machine-ac.toml").read_text("utf-8").splitlines()
    given_at = [k for k, line in enumerate(text) if re.match(r"\w+ = ", line)]
    spoilt = data.draw(
        st.lists(st.sampled_from(given_at), min_size=1, max_size=len(given_at) // 2, unique=True)
    )
    slips = {k: data.draw(st.sampled_from(SLIPS[:3])) for k in spoilt}
    for k, slip in slips.items():
        text[k] = slip.format(key=text[k].split()[0])
    path = tmp_path_factory.mktemp("slips") / "mill.toml"
    path.write_text("\n".join(text) + "\n", "utf-8")
    with pytest.raises(InputFaults) as refused:
        read_machine(path)
    assert [fault.line for fault in refused.value.faults] == sorted(k + 1 for k in spoilt)
    assert all(fault.key.startswith("column") for fault in refused.value.faults)


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_hides_no_other_fault(tmp_path: Path, slip: str) -> None:
    path = tmp_path / "mill.toml"
    text = (VALID / "machine-ac.toml").read_text("utf-8")
    path.write_text(text.replace("face = ", slip.format(key="diameter") + "\nfaze = "), "utf-8")
    with pytest.raises(InputFaults) as refused:
        read_machine(path)
    told = "\n".join(map(str, refused.value.faults))
    assert 'an unknown key, "faze"' in told
    assert any(fault.key.startswith("column") for fault in refused.value.faults)


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("[platter\nface = .5\n", 1),  # whose the keys are cannot be told
        ("point = [1,\n .5,\n 2]\n", 1),  # nor what of a list over several lines
        ("G20\nG10 L2 P1 X1\nM2\n", 1),  # something else altogether
        ("x = 1\ny = .5\nz = 2\nw = [1\n", 2),
    ],
)
def test_where_the_rest_cannot_be_told_from_the_slip(tmp_path: Path, text: str, count: int) -> None:
    (tmp_path / "mill.toml").write_text(text)
    with pytest.raises(InputFaults) as refused:
        load(tmp_path / "mill.toml", "a machine file")
    assert len(refused.value.faults) == count


@pytest.mark.parametrize(
    "text",
    [
        "box = [\n  { side = [1.0, 2.",
        "box = [\n  [1.0, 2.0],\n  [3.",
        "box = [\n  [1.0, 2.0],\n",
        "side = [12.",
        "at = { A = -",
        "travel = tr",
        'units = "mm"\nnam',
    ],
)
def test_a_file_that_was_cut_off_is_told_so(text):
    assert "cut off" in fault_of(text).tip


def test_a_slip_in_the_last_line_is_no_cut():
    assert fault_of("up = 12.").tip == "write 12.0"
    assert "cut off" not in fault_of("up side = 12.0").tip
