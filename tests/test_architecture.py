"""The house, drawn from the syntax trees of both packages: who imports whom, and which name stands for what.

Every import counts: at the top of a file, inside a function, and for types alone.
"""

import ast
import re
from collections import defaultdict
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


def _modules() -> dict[str, Path]:
    found = {}
    for name, folder in PACKAGES.items():
        for path in folder.rglob("*.py"):
            parts = path.relative_to(folder).with_suffix("").parts
            found[".".join((name, *(part for part in parts if part != "__init__")))] = path
    return found


MODULES = _modules()
TREES = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}


def _imports(name: str) -> set[str]:
    """Modules of the house that a module imports: the submodule where one is named, else what holds the name."""
    found = set()
    for node in ast.walk(TREES[name]):
        if isinstance(node, ast.ImportFrom):
            assert not node.level, f"{name}, line {node.lineno}: a relative import"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in MODULES else node.module or "")
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {module for module in found if module in MODULES and module != name}


ARROWS = {name: _imports(name) for name in MODULES}


def _order() -> list[list[str]]:
    """The rooms from the top down, as DEVELOPERS.md states them, each level a list of rooms."""
    words = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    (line,) = re.findall(r"^Order, from the top down: (.+)$", words, re.MULTILINE)
    return [[room.strip(" `.") for room in level.split(",")] for level in line.split(">")]


ORDER = _order()


def _level(module: str) -> int | None:
    """How far down a module's room stands; None for what stands above all rooms (the entry point and the app)."""
    parts = module.split(".")
    room = parts[0] if parts[0] == "kinematics" else ".".join(parts[1:2])
    for level, rooms in enumerate(ORDER):
        if room in rooms:
            return level
    return None


def test_every_room_has_its_place_in_the_order():
    rooms = {path.parent.name for path in PACKAGES["tiltwright"].glob("*/__init__.py")}
    assert {room for level in ORDER for room in level} == rooms | {"kinematics"}


def test_no_import_runs_upward():
    upward = []
    for name, targets in ARROWS.items():
        here = _level(name)
        for target in targets:
            there = _level(target)
            if here is not None and (there is None or there < here) and target != "tiltwright":
                upward.append(f"{name} -> {target}")
    assert not upward


def test_rooms_of_one_level_do_not_import_each_other():
    for name, targets in ARROWS.items():
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
        for target in sorted(ARROWS[name] - faces):
            visit(target, (*way, name))
        state[name] = "done"

    for name in MODULES:
        if name not in faces:
            visit(name, ())


FEATURES = ("pivot", "calibration", "reach", "sheet", "lesson", "exercise", "setup sheet", "worksheet")
"""Words that only a feature's room may import or define names with."""


@pytest.mark.parametrize("room", ["output", "files", "terminal"])
def test_formats_files_and_terminal_name_no_feature(room):
    """What they import is checked by the order; here, that no definition of theirs bears a feature's name."""
    for name, tree in TREES.items():
        if not name.startswith(f"tiltwright.{room}"):
            continue
        defined = [n.name for n in ast.walk(tree) if isinstance(n, (ast.ClassDef, ast.FunctionDef))]
        for one in defined:
            words = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", one).lower().split("_")
            assert not set(words) & set(FEATURES), f"{name}.{one}"


def test_no_class_name_stands_for_two_things():
    homes = defaultdict(set)
    for name, tree in TREES.items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes[node.name].add(name)
    twice = {one: sorted(where) for one, where in homes.items() if len(where) > 1}
    assert set(twice) == set(SHARED_CLASS_NAMES), twice


def test_no_function_name_stands_for_two_things():
    """Outside the commands, whose functions are named as they are typed, and call one of the same name."""
    homes = defaultdict(set)
    for name, tree in TREES.items():
        if name.startswith("tiltwright.commands"):
            continue
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                homes[node.name].add(name)
    twice = {one: sorted(where) for one, where in homes.items() if len(where) > 1}
    assert set(twice) == set(SHARED_FUNCTION_NAMES), twice


def test_no_module_name_stands_for_two_things():
    homes = defaultdict(list)
    for name, path in MODULES.items():
        homes[path.stem if path.name != "__init__.py" else path.parent.name].append(name)
    twice = {one: sorted(where) for one, where in homes.items() if len(where) > 1}
    assert set(twice) == set(SHARED_MODULE_NAMES), twice


def test_a_package_hands_on_no_name_of_a_module_of_its_own():
    """``kinematics.stack`` must be the module, whatever the package exports."""
    for name, path in MODULES.items():
        if path.name != "__init__.py":
            continue
        inside = {m.removeprefix(f"{name}.") for m in MODULES if m.startswith(f"{name}.")}
        handed = {
            alias.asname or alias.name
            for node in TREES[name].body
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }
        assert not handed & inside, name


def test_no_file_is_too_long():
    lengths = {name: len(path.read_text(encoding="utf-8").splitlines()) for name, path in MODULES.items()}
    assert {name: lines for name, lines in lengths.items() if lines > LONGEST} == {}
