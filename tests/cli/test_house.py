"""The house rules: help, version, colours, start-up, and what each package hands on."""

import inspect
import json
import os
import re
import subprocess
import sys

import jsonschema
import pytest

import kinematics
import kinematics.calibration
import kinematics.reach
import kinematics.teaching
import tiltwright
from tiltwright.terminal.streams import coloured

COMMANDS = [
    ["offsets"],
    ["aim"],
    ["reach"],
    ["budget"],
    ["correct"],
    ["sheet"],
    ["page"],
    ["explain"],
    ["check"],
    ["lesson", "new"],
    ["lesson", "grade"],
    ["machine", "new"],
    ["machine", "show"],
    ["schema"],
    *(["batch", name] for name in ("program", "log", "run", "stub", "chart")),
    *(["pivot", name] for name in ("plan", "fit", "practice", "log", "restore")),
]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_help_teaches_by_example(run, command):
    ended = run(*command, "--help")
    assert ended.code == 0
    assert f"tiltwright {' '.join(command)}" in ended.out
    assert "Examples:" in ended.out


def test_version(run):
    assert run("--version").out == f"tiltwright {tiltwright.__version__}\n"


def test_a_wrong_command_and_a_wrong_option_get_the_nearest(run, examples):
    command = run("ofsets")
    assert command.code == 2
    assert "offsets" in command.err
    option = run("offsets", examples / "tide_gauge_head.toml", "--jsn")
    assert option.code == 2
    assert "--json" in option.err


@pytest.mark.parametrize(
    ("no_color", "term", "tty", "expected"),
    [
        (None, "xterm", True, True),
        ("1", "xterm", True, False),
        ("", "xterm", True, True),  # https://no-color.org: set and not empty
        (None, "dumb", True, False),
        (None, "xterm", False, False),
    ],
)
def test_colours(monkeypatch, no_color, term, tty, expected):
    class Stream:
        def isatty(self) -> bool:
            return tty

    monkeypatch.delenv("NO_COLOR", raising=False)
    if no_color is not None:
        monkeypatch.setenv("NO_COLOR", no_color)
    monkeypatch.setenv("TERM", term)
    assert coloured(Stream()) is expected


LIBRARY = (kinematics, kinematics.calibration, kinematics.reach, kinematics.teaching)


def _exported(package) -> dict[str, object]:
    """Names that a package exports: by `__all__`, or by redundant aliases where it has none."""
    names = getattr(package, "__all__", None)
    if names is None:
        names = [n for n, v in vars(package).items() if not n.startswith("_") and not inspect.ismodule(v)]
    return {name: getattr(package, name) for name in names}


def _functions() -> dict[str, tuple[list[str], str]]:
    """The parameters of every exported function, and of every method of an exported class, that takes two or more."""
    found = {}
    for package in LIBRARY:
        for name, value in _exported(package).items():
            inside = vars(value) if inspect.isclass(value) else {"": value}
            for method, what in inside.items():
                function = getattr(what, "__func__", what)
                if inspect.isfunction(function) and not method.startswith("_"):
                    taken = [
                        one for one in inspect.signature(function).parameters if one not in {"self", "cls"}
                    ]
                    key = ".".join(filter(None, (package.__name__, name, method)))
                    found[key] = (taken, inspect.getdoc(function) or "")
    return {name: both for name, both in found.items() if len(both[0]) > 1}


FUNCTIONS = _functions()


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_parameter_of_the_library_is_explained(name):
    taken, words = FUNCTIONS[name]
    section = re.search(r"^Parameters\n-{10}\n(.*?)(?:\n\n|\Z)", words, re.MULTILINE | re.DOTALL)
    heads = [line.split(" : ")[0] for line in (section[1] if section else "").splitlines() if line[0] != " "]
    explained = [one.strip() for head in heads for one in head.split(",")]
    assert sorted(explained) == sorted(taken)


def test_help_imports_nothing_heavy():
    code = (
        "import sys; sys.argv = ['tiltwright', '--help']\n"
        "from tiltwright.app import main\n"
        "try:\n    main()\nexcept SystemExit: pass\n"
        "print([n for n in ('numpy', 'pydantic', 'scipy', 'typst', 'matplotlib') if n in sys.modules], file=sys.stderr)"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stderr.strip() == "[]"


def test_offsets_needs_no_scipy_no_typst_no_pydantic(examples):
    code = (
        f"import sys; sys.argv = ['tiltwright', 'offsets', {str(examples / 'tide_gauge_head.toml')!r}]\n"
        "from tiltwright.app import main\n"
        "try:\n    main()\nexcept SystemExit: pass\n"
        "heavy = ('scipy', 'typst', 'drawsvg', 'pydantic', 'tree_sitter', 'transforms3d', 'tomlkit', 'matplotlib')\n"
        "print([n for n in heavy if n in sys.modules], file=sys.stderr)"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stderr.strip() == "[]"


def test_a_reader_that_has_seen_enough(examples):
    """``tiltwright offsets ... | head -1`` ends without a complaint."""
    command = f"{sys.executable} -m tiltwright offsets {examples / 'teaching_mill.toml'} --help | head -n 1"
    ended = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert ended.stderr == ""


@pytest.mark.parametrize("kind", ["machine", "job"])
def test_schemas_are_schemas_and_take_the_examples(run, examples, kind):
    import tomllib

    schema = json.loads(run("schema", kind).out)
    checker = jsonschema.validators.validator_for(schema)
    checker.check_schema(schema)
    for path in examples.glob("*.toml"):
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        if ("operation" in data) == (kind == "job"):
            checker(schema).validate(data)
        else:
            assert list(checker(schema).iter_errors(data))


def test_a_schema_of_nothing(run):
    ended = run("schema", "jobs")
    assert (ended.code, ended.out) == (2, "")
    assert '"machine", "job", "plan" or "rule"' in ended.err
