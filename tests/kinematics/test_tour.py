"""The tour of the library runs as it is printed, and help() stays short and names everything that there is."""

import doctest
import inspect
import pydoc
from pathlib import Path

import kinematics


def test_the_tour_runs():
    tour = Path(kinematics.__path__[0]) / "README.md"
    ended = doctest.testfile(str(tour), module_relative=False)
    assert ended.attempted > 30
    assert ended.failed == 0


def test_help_opens_with_an_example_and_stays_short():
    lines = pydoc.render_doc(kinematics, renderer=pydoc.plaintext).splitlines()
    assert len(lines) < 100  # numpy's own help below an array was 120
    first = next(k for k, line in enumerate(lines) if ">>>" in line)
    assert first < 12
    assert kinematics.__doc__.count(">>>") == 10


def test_help_names_everything_that_is_exported():
    exported = {
        name
        for name in {*vars(kinematics), *dir(kinematics)}  # some are loaded when asked for
        if not name.startswith("_") and not inspect.ismodule(getattr(kinematics, name))
    }
    table = kinematics.__doc__[kinematics.__doc__.index("the machine ") :]
    words = set(table[: table.index("\n\n")].replace(",", " ").split())
    assert exported <= words
    assert {word for word in words if not word.islower() or "_" in word} <= exported
