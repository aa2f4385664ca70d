"""Start-up: no module imports a heavy package that its command does not need."""

import subprocess
import sys

import pytest

HEAVY = {"pydantic", "pydantic_core", "tree_sitter", "tree_sitter_toml", "numpy", "scipy", "tomlkit", "typer"}


def imported_by(code: str) -> set[str]:
    shown = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    return {name for name in shown.stdout.split() if name in HEAVY}


@pytest.mark.parametrize(
    "name",
    [
        "diagnostics",
        "units",
        "written_numbers",
        "atomic_write",
        "decoding",
        "syntax_errors",
        "toml_source",
        "file_schema",
    ],
)
def test_light_modules(name: str) -> None:
    assert imported_by(f"import tiltwright.files.{name}") == set()


def test_a_sound_file_needs_no_pydantic_and_no_locating() -> None:
    valid = __file__.replace("test_imports.py", "valid/job-ports.toml")
    code = f"from tiltwright.files.loader import read_job\nread_job({valid!r})"
    assert imported_by(code) & {"pydantic", "tree_sitter", "tree_sitter_toml", "tomlkit", "scipy"} == set()
