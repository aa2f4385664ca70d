"""The house, drawn from the syntax trees of both packages: who imports whom, and which name stands for what.

Every import counts: at the top of a file, inside a function, and for types alone.
"""

import ast
import functools
import re
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
PACKAGES = {"kinematics": TOP / "kinematics", "tiltwright": TOP / "cli" / "tiltwright"}

LONGEST = 600
"""Lines of a file; a longer one holds two concepts."""

SHARED_CLASS_NAMES: dict[str, str] = {}
"""Public classes of one name in several modules, each with its reason; there are none."""

SHARED_MODULE_NAMES = {
    "budget": "the mathematics in the library, and its command",
    "calibration": "the library's room and the command's room of one feature",
    "batch": "the library's room, the command's room and the command of one feature",
    "coating": "the sizes in the library, and those of a job as text and JSON",
    "collision_model": "the model in the library, and a job made into one",
    "machine": "the value in the library, the room of machine files in the command, and its command",
    "messages": "the value that every message is, and the kinds of one feature",
    "page": "the room and its command",
    "reach": "the library's room, the command's room, and its command",
    "sheet": "the room and its command",
    "stub": "the beam in the library, and the stubs of a job as text and JSON",
    "step_height": "the search in the library, and its study as text and JSON",
    "teaching": "the library's room and the command's room of one feature",
    "uncertainty": "the library's room and the command's room of one feature",
    "wording": "the sentences of one room each",
    "zero_probing": "the equations in the library, and a job's touches made into them",
}
"""Module names that stand in several rooms, each with its reason."""

SHARED_FUNCTION_NAMES = {
    "main": "the entry point, and the app that it starts",
    "shown": "a value as a message shows it, the library's and the files'",
}
"""Public functions of one name in several modules outside the commands, each with its reason."""

CLAUSE = re.compile(r"\A(?:What|How|Whether|Where|Which|That|Why|When|Who)\b.*")


def _modules() -> dict[str, Path]:
    found = {}
    for name, folder in PACKAGES.items():
        for path in folder.rglob("*.py"):
            parts = path.relative_to(folder).with_suffix("").parts
            found[".".join((name, *(part for part in parts if part != "__init__")))] = path
    return found


MODULES = _modules()


@dataclass
class Source:
    """A file's syntax tree, as far as the tests ask of it."""

    lines: int
    imports: list[tuple[str, str]] = field(default_factory=list)  # a module with "", or with one name from it
    defined: list[str] = field(default_factory=list)  # classes and functions, inner ones too
    called: set[str] = field(default_factory=set)
    numbers: set[float] = field(default_factory=set)
    classes: list[str] = field(default_factory=list)  # public, at the top
    functions: list[str] = field(default_factory=list)  # likewise
    clauses: list[str] = field(default_factory=list)  # first words of texts that begin with one
    handed: set[str] = field(default_factory=set)  # imported by name at the top


@functools.cache
def sources() -> dict[str, Source]:
    """Every file read and walked once, by whichever test asks first: the trees themselves are not kept."""
    return {name: _source(name, path) for name, path in MODULES.items()}


def _source(name: str, path: Path) -> Source:
    text = path.read_text(encoding="utf-8")
    tree, found = ast.parse(text), Source(len(text.splitlines()))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert not node.level, f"{name}, line {node.lineno}: a relative import"
            found.imports += [(node.module or "", alias.name) for alias in node.names]
        elif isinstance(node, ast.Import):
            found.imports += [(alias.name, "") for alias in node.names]
        elif isinstance(node, (ast.ClassDef, ast.FunctionDef)):
            found.defined.append(node.name)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            found.called.add(node.func.id)
        elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
            found.numbers.add(node.value)
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            found.clauses += CLAUSE.findall(str(node.value.value))
    _at_the_top(tree, found)
    return found


def _at_the_top(tree: ast.Module, found: Source) -> None:
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            found.classes.append(node.name)
        elif isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            found.functions.append(node.name)
        elif isinstance(node, ast.ImportFrom):
            found.handed |= {alias.asname or alias.name for alias in node.names}


@functools.cache
def arrows() -> dict[str, set[str]]:
    """Modules of the house that each module imports: the submodule where one is named, else what holds the name."""
    found = {}
    for name, source in sources().items():
        wholes = [
            whole if (whole := f"{module}.{part}") in MODULES else module for module, part in source.imports
        ]
        found[name] = {whole for whole in wholes if whole in MODULES and whole != name}
    return found


def _order() -> list[list[str]]:
    """The rooms from the top down, as DEVELOPERS.md states them, each level a list of rooms."""
    words = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    (line,) = re.findall(r"^Order, from the top down: (.+)$", words, re.MULTILINE)
    return [[room.strip(" `.") for room in level.split(",")] for level in line.split(">")]


ORDER = _order()


def _level(module: str) -> int | None:
    """Level of a module's room, from the top down; None for what stands above all rooms (the entry point and the app)."""
    parts = module.split(".")
    room = parts[0] if parts[0] == "kinematics" else ".".join(parts[1:2])
    for level, rooms in enumerate(ORDER):
        if room in rooms:
            return level
    return None


def test_every_room_has_its_place_in_the_order():
    rooms = {path.parent.name for path in PACKAGES["tiltwright"].glob("*/__init__.py")}
    assert {room for level in ORDER for room in level} == rooms | {"kinematics"}


def test_developers_md_draws_what_stands():
    """Every room and module in its drawing, and every file that its text names."""
    words = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawing = words[words.index("```") : words.index("Order, from the top down")]
    command, library = drawing.split("  kinematics/ ")
    rooms = {name for name, path in MODULES.items() if path.name == "__init__.py"}
    for half, package in ((command, "tiltwright"), (library, "kinematics")):
        drawn = re.findall(r"\| (\w+)/ ", half)
        assert {f"{package}.{one}" for one in drawn} == {name for name in rooms if name.count(".") == 1} & {
            name for name in rooms if name.startswith(f"{package}.")
        }
    for line in re.findall(r"\| ((?:\w+, )+\w+)  ", library):
        assert {f"kinematics.{one}" for one in line.split(", ")} <= set(MODULES), line
    named = re.findall(r"`((?:kinematics|tests|\w+)/[\w/]+\.(?:py|typ|md))", words)
    places = (TOP, PACKAGES["tiltwright"], PACKAGES["kinematics"], TOP / "tests")
    assert not [one for one in named if not any((place / one).exists() for place in places)]


def test_no_import_runs_upward():
    upward = []
    for name, targets in arrows().items():
        here = _level(name)
        for target in targets:
            there = _level(target)
            if here is not None and (there is None or there < here) and target != "tiltwright":
                upward.append(f"{name} -> {target}")
    assert not upward


def test_rooms_of_one_level_do_not_import_each_other():
    for name, targets in arrows().items():
        room = name.split(".")[1:2]
        here = _level(name)
        for target in targets:
            if name.startswith("tiltwright.") and _level(target) == here is not None:
                assert target.split(".")[1:2] == room, f"{name} -> {target}"


def test_no_circle():
    """Depth first, over everything but a package's face, which only hands names on."""
    faces = {name for name, path in MODULES.items() if path.name == "__init__.py"}
    state: dict[str, str] = {}

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert state.get(name) != "open", f"a circle: {' -> '.join((*way, name))}"
        if name in state:
            return
        state[name] = "open"
        for target in sorted(arrows()[name] - faces):
            visit(target, (*way, name))
        state[name] = "done"

    for name in MODULES:
        if name not in faces:
            visit(name, ())


FEATURES = ("pivot", "calibration", "reach", "sheet", "lesson", "exercise", "setup sheet", "worksheet")
"""Words that only a feature's room may import or define names with."""


@pytest.mark.parametrize("room", ["output", "files", "terminal"])
def test_formats_files_and_terminal_name_no_feature(room):
    """Their imports are checked by the order; here, that no definition of theirs bears a feature's name."""
    for name, source in sources().items():
        if not name.startswith(f"tiltwright.{room}"):
            continue
        for one in source.defined:
            words = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", one).lower().split("_")
            assert not set(words) & set(FEATURES), f"{name}.{one}"


def test_no_class_name_stands_for_two_things():
    homes = defaultdict(set)
    for name, source in sources().items():
        for one in source.classes:
            homes[one].add(name)
    twice = {one: sorted(where) for one, where in homes.items() if len(where) > 1}
    assert set(twice) == set(SHARED_CLASS_NAMES), twice


def test_no_function_name_stands_for_two_things():
    """Outside the commands, whose functions are named as they are typed, and call one of the same name."""
    homes = defaultdict(set)
    for name, source in sources().items():
        for one in source.functions:
            if not name.startswith("tiltwright.commands"):
                homes[one].add(name)
    twice = {one: sorted(where) for one, where in homes.items() if len(where) > 1}
    assert set(twice) == set(SHARED_FUNCTION_NAMES), twice


def test_no_module_name_stands_for_two_things():
    homes = defaultdict(list)
    for name, path in MODULES.items():
        homes[path.stem if path.name != "__init__.py" else path.parent.name].append(name)
    twice = {one: sorted(where) for one, where in homes.items() if len(where) > 1}
    assert set(twice) == set(SHARED_MODULE_NAMES), twice


def test_every_docstring_names_a_thing_or_gives_an_order():
    """A noun phrase or an imperative first, no clause; the same for the text under a constant."""
    assert {name: source.clauses for name, source in sources().items() if source.clauses} == {}


def test_a_package_hands_on_no_name_of_a_module_of_its_own():
    """``kinematics.stack`` must be the module, whatever the package exports."""
    for name, path in MODULES.items():
        if path.name != "__init__.py":
            continue
        inside = {m.removeprefix(f"{name}.") for m in MODULES if m.startswith(f"{name}.")}
        assert not sources()[name].handed & inside, name


def test_no_file_is_too_long():
    assert {name: source.lines for name, source in sources().items() if source.lines > LONGEST} == {}


SCREEN_AND_FILES = {"tiltwright", "cli", "typer", "pydantic", "tomllib", "tomlkit", "json", "csv"}


def test_the_library_knows_no_file_and_no_screen():
    for name, source in sources().items():
        if name.partition(".")[0] == "kinematics":
            assert not {module.partition(".")[0] for module, _ in source.imports} & SCREEN_AND_FILES, name
            assert not source.called & {"print", "open", "input"}, name


def test_one_module_lays_out_tables():
    importing = {name for name, source in sources().items() if "tabulate" in dict(source.imports)}
    assert importing == {"tiltwright.output.tables"}


def test_the_inch_is_written_once():
    factors = {25.4, 0.0254, 1 / 25.4}
    writing = {name for name, source in sources().items() if source.numbers & factors}
    assert writing == {"kinematics.constants"}
