"""The quick reader and the thorough one take the same values, refuse the same values and read the same from them."""

import copy
import datetime as dt
import functools
import importlib
import math
import pkgutil
from typing import Any, get_args, get_origin

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError
from slices import cases

import tiltwright
from tiltwright.files import machine_file
from tiltwright.files.full_validation import details, diagnostics_of, partial_model, pydantic_model
from tiltwright.files.schema_types import FileTable, decode_field, keys_given


def every_table() -> list[type[FileTable]]:
    """The tables of whatever module has any: one that is added later is held to the same."""
    for _, name, _ in pkgutil.walk_packages(tiltwright.__path__, "tiltwright."):
        if not name.endswith("__main__"):
            importlib.import_module(name)
    found: list[type[FileTable]] = []
    waiting = [FileTable]
    while waiting:
        below = [
            table for table in waiting.pop().__subclasses__() if table.__module__.startswith("tiltwright.")
        ]
        found += below
        waiting += below
    return sorted(found, key=lambda table: table.__name__)


TABLES = every_table()
# Whatever TOML can hold: it has no null.
ODD: list[Any] = [
    0, 1, -1, 9, 10, 0.0, -0.0, 0.5, 1.0, 3.0, 1e-320, 1e300, -1e300, math.inf, -math.inf, math.nan, 10**20, 10**400,
    True, False, "", " ", "A", "C", "D", "x", "mm", "inch", "Inch", "endless", "steel", "+X", "clockwise", "keep", "50",
    "1°30'", "-0d 59m 60s", "2 kg", "0 kg", "120 N·m", "500 N", "8500 kg/m³", "100 GPa", "a\nb", "a\u202eb", "é ü",
    "y" * 80, "y" * 81, "y" * 401, dt.date(2026, 1, 2), dt.time(12), [], [0], [0, 0], [1, 0], [0, 1],
    [1.5, 2.5], ["1°", 2], [0, 0, 0], [0, 0, 1], [1e-12, 0, 0], [True, 0, 1], [math.nan, 0, 1], [1e7, 0, 1], [0, 1, 2, 3],
    [[0, 0, 0]], [[0, 0, 0], [1, 0, 0], [0, 1, 0]], [["x", 15.0]], [["z", "1°"]], [["w", 15.0]], ["x", 1], [[]], {},
    {"A": 0}, {"A": 0, "C": "1°30'"}, {"A": True}, {"C": math.nan}, {"count": 6, "step": 60}, {"count": 6.0, "step": 60},
    {"x": [0, 1]}, {"z": 0.0}, {"S": "ball"}, {"T1": "ball 1"}, {"a\nb": "ball"}, [{}], [1, {}], [{"A": 0.0, "C": 0.0}],
]  # fmt: skip


# Reading a class's annotations takes a hundred times as long as what is done with them here.
fields_of = functools.cache(msgspec.structs.fields)


def table_of(annotation: Any) -> type[FileTable] | None:
    if isinstance(annotation, type) and not get_args(annotation):
        return annotation if issubclass(annotation, FileTable) else None
    return next((found for part in get_args(annotation) if (found := table_of(part))), None)


def is_list(annotation: Any) -> bool:
    return get_origin(annotation) is tuple or any(is_list(part) for part in get_args(annotation))


def examples_of(annotation: Any) -> list[Any]:
    """The examples of the description, or for a table one made of its keys' examples."""
    told = [
        example
        for meta in getattr(annotation, "__metadata__", ())
        for example in getattr(meta, "examples", ()) or ()
    ]
    inside = table_of(annotation)
    if inside is None:
        return told
    sample = sample_of(inside)
    return [*told, [sample, sample] if is_list(annotation) else sample]


@functools.cache
def sample_of(table: type[FileTable], *, whole: bool = False) -> dict[str, Any]:
    """A sound table: what must be there, or all that may be."""
    return {
        field.name: examples_of(field.type)[0]
        for field in fields_of(table)
        if whole or field.default is msgspec.NODEFAULT
    }


def plain(value: Any) -> Any:
    """The value read, without the classes that it was read into."""
    if isinstance(value, FileTable):
        return {key: plain(getattr(value, key)) for key in sorted(value.__struct_fields__)}
    if isinstance(value, BaseModel):
        return {key: plain(getattr(value, key)) for key in sorted(type(value).model_fields)}
    if isinstance(value, tuple):
        return tuple(plain(part) for part in value)
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    for kind in (bool, str, float):
        if isinstance(value, kind):
            return kind(value)
    return value


def both(table: type[FileTable], data: dict[str, Any]) -> bool:
    """Read it both ways, and tell whether it is sound."""
    before = copy.deepcopy(data)
    try:
        quick = msgspec.convert(data, table, dec_hook=decode_field)
    except msgspec.ValidationError:
        with pytest.raises(ValidationError) as refused:
            pydantic_model(table).model_validate(data)
        assert details(refused.value), "the thorough reader refuses, and names no fault"
        told = diagnostics_of(pydantic_model(table), refused.value)
        assert all(finding.allowed not in {"", "another value"} for finding in told)
        return False
    thorough = pydantic_model(table).model_validate(data)
    assert repr(plain(quick)) == repr(plain(thorough))
    assert repr(data) == repr(before)
    none_if_left_out = {f.name for f in fields_of(table) if f.default is None}
    assert keys_given(quick) & none_if_left_out == thorough.model_fields_set & none_if_left_out
    return True


def test_the_tables_are_found():
    assert {"MachineFile", "JobFile", "PlanFile", "RuleFile", "LessonFile"} <= {t.__name__ for t in TABLES}


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.__name__)
def test_every_key_is_described_with_an_example(table):
    for field in fields_of(table):
        described = [
            m.description for m in getattr(field.type, "__metadata__", ()) if isinstance(m, msgspec.Meta)
        ]
        assert any(described), field.name
        assert examples_of(field.type), field.name


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.__name__)
def test_what_the_descriptions_give_as_examples_is_sound(table):
    assert both(table, sample_of(table))
    assert both(table, sample_of(table, whole=True))
    for field in fields_of(table):
        for example in examples_of(field.type):
            assert both(table, {**sample_of(table), field.name: example}), field.name


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.__name__)
def test_no_odd_value_is_taken_by_one_reader_alone(table):
    taken = refused = 0
    for field in fields_of(table):
        for value in ODD:
            sound = both(table, {**sample_of(table), field.name: value})
            taken, refused = taken + sound, refused + (not sound)
        left_out = {key: value for key, value in sample_of(table).items() if key != field.name}
        assert both(table, left_out) == (field.default is not msgspec.NODEFAULT)
    assert taken
    assert refused
    assert not both(table, {**sample_of(table), "of_no_table": 1})


VALUES = st.recursive(
    st.sampled_from(ODD) | st.floats() | st.integers() | st.text(max_size=5),
    lambda inside: (
        st.lists(inside, max_size=4) | st.dictionaries(st.sampled_from("ABCxyz"), inside, max_size=3)
    ),
    max_leaves=8,
)


@given(st.sampled_from(TABLES), st.data())
@settings(deadline=None, max_examples=cases(400))
def test_nor_several_at_once(table, data):
    fields = [field.name for field in fields_of(table)]
    changed = data.draw(st.dictionaries(st.sampled_from(fields), VALUES, max_size=3))
    both(table, {**sample_of(table, whole=data.draw(st.booleans())), **changed})


def test_a_sound_file_has_no_draft_and_one_with_faults_has_its_sound_parts():
    sound, findings = partial_model(machine_file.PlatterTable, {"face": -1.0})
    assert (sound.face, findings) == (-1.0, [])
    draft, findings = partial_model(machine_file.PlatterTable, {"face": -1.0, "diameter": "160"})
    assert draft.face == -1.0
    assert draft.diameter is None
    assert keys_given(draft) == {"face", "diameter"}
    assert [finding.path for finding in findings] == [("diameter",)]
