"""The JSON Schema says what reading says, as far as a schema can, and tells an editor every key."""

import functools
import tomllib
from pathlib import Path
from typing import Any, Literal

import jsonschema  # type: ignore[import-untyped]
import pytest

from tiltwright.files import file_schema

FOLDER = Path(__file__).parent
Kind = Literal["machine", "job"]
json_schema = functools.cache(file_schema.json_schema)


def files(folder: str, kind: str) -> list[Path]:
    return sorted((FOLDER / folder).glob(f"{kind}-*.toml"))


def errors(kind: Kind, path: Path) -> list[str]:
    data = tomllib.loads(path.read_text("utf-8"))
    validator = jsonschema.Draft202012Validator(json_schema(kind))
    return [error.message for error in validator.iter_errors(data)]


@pytest.mark.parametrize("kind", ["machine", "job"])
def test_is_a_schema(kind: Kind) -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema(kind))


@pytest.mark.parametrize("kind", ["machine", "job"])
def test_sound_files_pass(kind: Kind) -> None:
    for path in files("valid", kind):
        assert errors(kind, path) == [], path.name


SEEN_BY_A_SCHEMA = {
    "machine": [
        "empty", "unknown-key", "wrong-type", "no-unit", "unit-in", "direction-twice", "direction-unsigned",
        "sense-misspelt", "sense-missing", "limits-words", "angle-text", "letter-unknown", "rotary-none",
        "rotary-single-bracket", "rotary-four", "rotary-not-table", "reference-length-missing",
        "reference-length-unwanted", "reference-length-zero", "name-long", "quoted-and-dotted", "too-large",
    ],
    "job": [
        "empty", "unknown-key", "wrong-type", "no-operation", "form-none", "form-several", "tip-empty",
        "square-up-empty", "work-offset", "repeat", "touched",
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "name"), [(kind, name) for kind, names in SEEN_BY_A_SCHEMA.items() for name in names]
)
def test_faulty_files_fail(kind: Kind, name: str) -> None:
    assert errors(kind, FOLDER / "invalid" / f"{kind}-{name}.toml")


def tables(schema: dict[str, Any]) -> list[dict[str, Any]]:
    return [schema, *schema.get("$defs", {}).values()]


@pytest.mark.parametrize("kind", ["machine", "job"])
def test_every_key_is_described_with_an_example(kind: Kind) -> None:
    for table in tables(json_schema(kind)):
        assert table["description"]
        assert table["additionalProperties"] is False
        for key, value in table["properties"].items():
            assert value["description"].endswith("."), key
            assert value.get("examples") or "$ref" in value or "$ref" in value.get("items", {}), key


@pytest.mark.parametrize("kind", ["machine", "job"])
def test_examples_are_allowed(kind: Kind) -> None:
    schema = json_schema(kind)
    for table in tables(schema):
        for key, value in table["properties"].items():
            allowed = jsonschema.Draft202012Validator({**value, "$defs": schema["$defs"]})
            for example in value.get("examples", []):
                assert allowed.is_valid(example), key


def test_no_null_in_toml() -> None:
    assert "null" not in str(json_schema("machine")) + str(json_schema("job"))


def test_other_kinds_are_refused() -> None:
    with pytest.raises(ValueError, match='expected "machine", "job", "plan" or "rule", found \'sheet\''):
        json_schema("sheet")  # type: ignore[arg-type]
