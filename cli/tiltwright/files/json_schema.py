"""JSON Schema of machine, job, plan and rule files, with which editors complete and check them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, get_args

if TYPE_CHECKING:
    from tiltwright.files.schema_types import FileTable

__all__ = ["FILE_KINDS", "FileKind", "file_table", "json_schema"]

FileKind = Literal["machine", "job", "plan", "rule"]
FILE_KINDS: tuple[FileKind, ...] = get_args(FileKind)


def file_table(kind: FileKind) -> type[FileTable]:
    """The table at the top of a kind of file.

    Raises
    ------
    ValueError
        When `kind` is none of the four.
    """
    from tiltwright.files.job_file import JobFile
    from tiltwright.files.machine_file import MachineFile
    from tiltwright.files.plan_file import PlanFile
    from tiltwright.files.rule_file import RuleFile

    tables: dict[str, type[FileTable]] = {
        "machine": MachineFile,
        "job": JobFile,
        "plan": PlanFile,
        "rule": RuleFile,
    }
    if kind not in tables:
        raise ValueError(f'expected "machine", "job", "plan" or "rule", found {kind!r}')
    return tables[kind]


def json_schema(kind: FileKind) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a machine, job, plan or rule file.

    Raises
    ------
    ValueError
        When `kind` is none of the four.

    Examples
    --------
    >>> schema = json_schema("machine")
    >>> schema["required"]
    ['name', 'units', 'z_reference', 'rotary']
    >>> schema["properties"]["units"]["enum"]
    ['mm', 'inch']
    """
    table = file_table(kind)
    from tiltwright.files.full_validation import pydantic_model

    schema: dict[str, Any] = _plain(pydantic_model(table).model_json_schema())
    schema["title"] = f"{kind} file"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _plain(schema: Any, *, names: bool = False) -> Any:  # noqa: ANN401 - any JSON
    """The schema without titles made from field names, and without null, which TOML lacks.

    `names` is set inside a table of properties, whose keys are names and not words of the schema.
    """
    if isinstance(schema, list):
        return [_plain(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    if names:
        return {key: _plain(part) for key, part in schema.items()}
    kept = {
        key: part
        if key in {"examples", "default", "enum", "required"}
        else _plain(part, names=key in {"properties", "$defs"})
        for key, part in schema.items()
        if key != "title" and not (key == "default" and part is None)
    }
    choices = [choice for choice in kept.get("anyOf", []) if choice != {"type": "null"}]
    if len(choices) == 1:
        del kept["anyOf"]
        return {**choices[0], **kept}
    if choices:
        kept["anyOf"] = choices
    return kept
