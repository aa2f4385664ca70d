"""Typing errors on the command line are reported like every other fault, with the usage line and what to do."""

import pytest


@pytest.mark.parametrize(
    ("typed", "error", "tip"),
    [
        ("offsets -90", "no such option: -9", "a negative value belongs to an option, such as --at A-90"),
        ("offsets JOB -.5", "no such option: -", "a negative value belongs to an option, such as --at A-.5"),
        ("aim JOB -30", "no such option: -3", "such as --from A-30"),
        ("sheet JOB -30", "no such option: -3", "a negative value belongs to an option"),
        ("offsets -m MILL --zero -1 -2 -3", "no such option: -2", "spaces: --zero -1,-2,-3"),
        ("offsets -m MILL --zero -1, -2, -3", "no such option: -2", "spaces: --zero -1,-2,-3"),
        ("aim -m MILL --normal 0 -0.5 0.8", "no such option: -0", "spaces: --normal 0,-0.5,0.8"),
        ("ofsets JOB", "no such command 'ofsets'", "did you mean 'offsets'"),
        ("offsets JOB --jsn", "no such option: --jsn", "did you mean --csv or --json?"),
        ("schema job b c", "got unexpected extra argument", ""),
        ("offsets JOB --at", "option '--at' requires an argument", ""),
        ("sheet", "missing argument 'JOB'", ""),
        ("offsets JOB --units cm", "invalid value for '--units'", ""),
    ],
)
def test_usage_faults_look_like_the_others(run, examples, typed, error, tip):
    names = {"JOB": examples / "tide_gauge_head.toml", "MILL": examples / "teaching_mill.toml"}
    words = [names.get(word, word) for word in typed.split()]
    ended = run(*words)
    assert (ended.code, ended.out) == (2, "")
    first, usage, *rest = ended.err.splitlines()
    assert first.startswith(f"error: {error}")
    assert usage.startswith("    usage: tiltwright")
    assert "--help" in usage
    assert bool(rest) == bool(tip)
    if tip:
        assert rest == [rest[0]]
        assert rest[0].startswith("    tip: ")
        assert tip in rest[0]


@pytest.mark.parametrize("typed", [[], ["machine"]])
def test_nothing_typed_gets_the_help(run, typed):
    ended = run(*typed)
    assert (ended.code, ended.out) == (2, "")
    assert ended.err.startswith("Usage: tiltwright")
    assert "error:" not in ended.err


@pytest.mark.parametrize(
    ("option", "value", "tip"),
    [
        ("--at", "-90", "the letter goes before its angle: A-90"),
        ("--at", "A0,30", "the letter goes before its angle: A30"),
        ("--at", "A-30C20", "a comma between the rotaries: A-30,C20"),
        ("--at", "A-30 C20", "a comma between the rotaries: A-30,C20"),
        ("--at", "A-30;C20", "a comma between the rotaries: A-30,C20"),
    ],
)
def test_angles_typed_another_way(run, examples, option, value, tip):
    ended = run("offsets", examples / "tide_gauge_head.toml", option, value)
    assert (ended.code, ended.out) == (2, "")
    assert tip in ended.err


def test_angles_of_a_machine_that_has_other_letters(run, examples):
    ended = run("offsets", examples / "float_slots.toml", "--at", "-90")
    assert "the letter goes before its angle: B-90 or C-90" in ended.err


def test_an_aim_at_what_states_its_angles(run, examples):
    path = examples / "tide_gauge_head.toml"
    ended = run("aim", path, "--only", "top port")
    assert (ended.code, ended.out) == (0, "")
    assert '"top port" states its angles' in ended.err
    both = run("aim", path, "--only", "top port", "--only", "upper port 1")
    assert both.out.startswith("upper port 1")
    assert '"top port" states its angles' in both.err
    assert run("aim", path).err == ""


def test_no_operation_is_aimed(run, job):
    path = job(
        'name = "Post"\nunits = "mm"\nmachine = "teaching_mill.toml"\n'
        '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n'
    )
    ended = run("aim", path)
    assert (ended.code, ended.out) == (0, "")
    assert "every operation states its angles" in ended.err


def test_spaces_between_three_numbers_are_recognised(run, examples):
    ended = run("offsets", "-m", examples / "teaching_mill.toml", "--zero", "1", "2", "3")
    assert (ended.code, ended.out) == (2, "")
    assert "--zero 1,2,3" in ended.err
