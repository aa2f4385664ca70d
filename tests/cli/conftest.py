"""The command as tests run it: as a user would, but in this process."""

import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"


@dataclass(frozen=True)
class Ended:
    """End of a command."""

    code: int
    out: str
    err: str


Run = Callable[..., Ended]


@pytest.fixture
def examples() -> Path:
    return EXAMPLES


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run ``tiltwright ARGS``; whatever it raises besides ending is a failure of the test."""
    from tiltwright.app import main
    from tiltwright.terminal.streams import CRASHED

    def ended(*args: object) -> Ended:
        monkeypatch.setattr(sys, "argv", ["tiltwright", *map(str, args)])
        capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        said = capsys.readouterr()
        assert code != CRASHED, said.err
        return Ended(code, said.out, said.err)

    return ended


@pytest.fixture(scope="session")
def _written_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[tuple[str, ...], Path]]:
    return tmp_path_factory.mktemp("written"), {}


@pytest.fixture
def written(run: Run, _written_once: tuple[Path, dict[tuple[str, ...], Path]]) -> Callable[..., None]:
    """Write a folder by ``tiltwright ARGS``, one of them FOLDER; what the same words wrote before is copied.

    For tests that begin with a folder; those of the command that writes it run it.
    """
    kept, known = _written_once

    def write(folder: Path, *args: object) -> None:
        words = tuple(map(str, args))
        if words not in known:
            there = kept / str(len(known))
            ended = run(*(there if word == "FOLDER" else word for word in words))
            assert ended.code == 0, ended.err
            known[words] = there
        shutil.copytree(known[words], folder)

    return write


@pytest.fixture
def job(tmp_path: Path) -> Callable[..., Path]:
    """Write a job file (and the machine beside it) and return its path; the keys of a machine can be replaced."""

    def write(text: str, machine: str | None = None) -> Path:
        source = (
            machine if machine is not None else (EXAMPLES / "teaching_mill.toml").read_text(encoding="utf-8")
        )
        (tmp_path / "teaching_mill.toml").write_text(source, encoding="utf-8")
        path = tmp_path / "job.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture(scope="session")
def _reach_known() -> Iterator[dict[tuple[object, ...], object]]:
    known: dict[tuple[object, ...], object] = {}
    yield known
    known.clear()  # what the collision library holds is given back before the library itself goes


@pytest.fixture
def reach_once(monkeypatch: pytest.MonkeyPatch, _reach_known: dict[tuple[object, ...], object]) -> None:
    """Work the same question about the same files once: it is asked again for another form or unit."""
    from tiltwright.reach import analysis, step_height

    def once(module: ModuleType, name: str) -> None:
        real = getattr(module, name)

        def remembered(evaluated: Any, *args: object, **named: object) -> object:
            job = Path(evaluated.job.source.file)
            files = tuple(
                (path.name, path.read_bytes())
                for path in sorted(job.parent.iterdir())
                if path.suffix in {".toml", ".stl"}
            )
            placed = tuple((one.placed.name, one.placed.offset_mm.tobytes()) for one in evaluated.operations)
            key = (name, job.name, files, placed, args, tuple(named.items()))
            if key not in _reach_known:
                _reach_known[key] = real(evaluated, *args, **named)
            return _reach_known[key]

        monkeypatch.setattr(module, name, remembered)

    once(analysis, "analyse_reach")
    once(step_height, "study_step_height")
