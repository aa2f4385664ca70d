"""Junk in every argument of every exported function and value: `KinematicsError`, never another error, never an answer.

`specimens` has a valid call of each; one argument at a time is exchanged. An argument that is declared to take a kind of
junk (text for a name, None for what may be left out) is left alone with that kind.
"""

import enum
import inspect
import re
import warnings

import numpy as np
import pytest
from specimens import ROOMS, exported, specimens

from kinematics import KinematicsError


class Thing:
    """Nothing that anything could be made of."""

    def __repr__(self):
        return "<a thing>"


LISTS = r"Sequence|Iterable|tuple|Mapping|frozenset|NDArray|Array|Floats|Turn"
NAMES = r"\bstr\b"

JUNK = {
    "a thing": (Thing(), None),
    "things": ([Thing(), Thing()], None),
    "a complex number": (1j, None),
    "NaN": (float("nan"), r"NDArray|Array|Floats"),
    "NaNs": ([float("nan")] * 3, r"NDArray|Array|Floats"),
    "a ragged list": ([[1.0], [1.0, 2.0]], "blocks"),
    "text": ("x", NAMES),
    "texts": (["x", "y"], NAMES),
    "None": (None, "None"),
    "Nones": ([None, None, None], "None"),
    "True": (True, "bool"),
    "an empty list": ([], LISTS),
    "a mapping": ({"a": 1}, "Mapping|Iterable"),
    "a shape of its own": (np.zeros((2, 3, 5)), LISTS),
    "minus one": (-1, r"int|float|Array|Floats"),
    "numbers below zero": (np.array([-1.0, -2.0]), LISTS),
}
"""Each kind of junk, and the declared types that take it, or may."""

TAKEN_AS_IT_IS = {
    "PerturbedOffsets.made": "the library's own, 50,000 pairs at a time",
    "least_motion_order.before": "None of its pairs",
}


def calls_with_junk(known):
    """Each function or value, argument and kind of junk: with the arguments, and True where it may be taken."""
    for function, arguments in known:
        parameters = inspect.signature(function).parameters
        for name in arguments:
            if f"{function.__name__}.{name}" in TAKEN_AS_IT_IS:
                continue
            declared = f"{name}: {parameters[name].annotation}"
            for kind, (junk, taken) in JUNK.items():
                # Arrays of results may hold NaN: what is not known of one of several. No function takes it.
                only_of_values = kind in ("NaN", "NaNs") and not inspect.isclass(function)
                may_be_taken = taken is not None and not only_of_values and re.search(taken, declared)
                yield function, name, kind, {**arguments, name: junk}, bool(may_be_taken)


def outcome(function, arguments):
    try:
        function(**arguments)
    except KinematicsError as refusal:
        return "refused" if "expected" in str(refusal) else f"refused with {refusal}"
    except Exception as error:  # noqa: BLE001 - that is what must not leave the library
        return type(error).__name__
    return "answered"


def is_taken_by_everything(thing):
    """Enumerations and the error itself, which Python builds."""
    return inspect.isclass(thing) and issubclass(thing, (enum.Enum, Exception))


@pytest.mark.parametrize("room", [None, *ROOMS])
def test_junk_is_refused(room):
    known = specimens(room)
    with_specimen = {thing for thing, _ in known}
    assert [
        name
        for name, thing in exported(room)
        if thing not in with_specimen and not is_taken_by_everything(thing)
    ] == []
    wrong, tried = [], 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for function, name, kind, arguments, may_be_taken in calls_with_junk(known):
            tried += 1
            found = outcome(function, arguments)
            if found != "refused" and not (may_be_taken and found == "answered"):
                wrong.append(f"{function.__name__}, {name}: {kind}: {found}")
    assert wrong == []
    assert tried > 1000


@pytest.mark.parametrize("room", [None, *ROOMS])
def test_every_function_shows_an_answer_and_a_refusal(room):
    functions = [(name, inspect.getdoc(thing)) for name, thing in exported(room) if inspect.isfunction(thing)]
    assert len(functions) > 15
    assert [name for name, doc in functions if doc.count(">>>") < 2 or "KinematicsError: " not in doc] == []
