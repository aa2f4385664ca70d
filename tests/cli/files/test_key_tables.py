"""Tables of keys: every table and key of a kind of file, what is required, and its defaults."""

import msgspec
import pytest

from tiltwright.files.file_schema import FILE_KINDS, file_table, json_schema, key_tables


@pytest.mark.parametrize("kind", FILE_KINDS)
def test_the_keys_are_those_of_the_json_schema(kind):
    schema = json_schema(kind)
    tables = [schema, *schema.get("$defs", {}).values()]
    expected = {(key, key in table.get("required", ())) for table in tables for key in table["properties"]}
    assert {(row.key, row.required) for table in key_tables(kind) for row in table.rows} == expected


@pytest.mark.parametrize("kind", FILE_KINDS)
def test_the_top_comes_first_in_the_order_of_the_schema(kind):
    top = key_tables(kind)[0]
    assert [row.key for row in top.rows] == [field.name for field in msgspec.structs.fields(file_table(kind))]
    assert len({table.heading for table in key_tables(kind)}) == len(key_tables(kind))


def row(kind, heading, key):
    (table,) = (table for table in key_tables(kind) if table.heading == heading)
    return next(row for row in table.rows if row.key == key)


def test_words_examples_and_defaults():
    assert row("machine", "[[rotary]]", "letter").values == ('"A"', '"B"', '"C"')
    assert row("job", "[[operation]]", "tip").values == ('[["z", 60.0], ["x", 35.0]]',)
    assert row("job", "job file", "stack").values == ()
    assert "left out: 0.01" in row("job", "job file", "aim_within").meaning
    assert "left out" not in row("job", "job file", "name").meaning


def test_the_command_prints_one_kind_or_all(run):
    job, everything = run("schema", "job", "--text"), run("schema", "--text")
    assert job.code == everything.code == 0
    assert "[[operation]]" in job.out
    assert "[[rotary]]" not in job.out
    assert job.out.strip() in everything.out
    assert max(map(len, everything.out.splitlines())) <= 100


@pytest.mark.parametrize("typed", [(), ("sheet",), ("sheet", "--text")])
def test_another_kind_is_refused(run, typed):
    ended = run("schema", *typed)
    assert (ended.code, ended.out) == (2, "")
    assert "rule" in ended.err
