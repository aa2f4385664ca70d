"""Diagnostics are collected by key path in any order, and located together."""

import random
from pathlib import Path

import pytest

from tiltwright.files.decoding import DiagnosticCollector, raise_located
from tiltwright.files.diagnostics import Diagnostic, InputFaults, UnlocatedDiagnostic
from tiltwright.files.toml_source import Source, load

TEXT = """\
name = "mill"
units = "cm"
[[rotary]]
letter = "A"
[[rotary]]
letter = "D"
limits = [30, -30]
"""
PATHS = {("units",): 2, ("rotary", 0, "letter"): 4, ("rotary", 1): 5, ("rotary", 1, "limits", 1): 7}


@pytest.fixture
def source(tmp_path: Path) -> Source:
    path = tmp_path / "mill.toml"
    path.write_text(TEXT, encoding="utf-8")
    return load(path, "a machine file")


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_collecting_is_none_of_the_order_of_the_file(source: Source, seed: int) -> None:
    paths = list(PATHS)
    random.Random(seed).shuffle(paths)
    faults = DiagnosticCollector(source)
    assert not faults
    for path in (*paths, paths[0]):
        faults.add(path, "x", "y")
    assert faults
    assert [fault.line for fault in faults.located()] == list(PATHS.values())


def test_nothing_is_located_before_the_end(source: Source, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    monkeypatch.setattr("tiltwright.files.decoding.line_of", lambda *one: asked.append(one) or 1)
    faults = DiagnosticCollector(source)
    faults.add(("units",), "x", "y")
    faults.extend([UnlocatedDiagnostic(("rotary", 1), "x", "y")])
    assert not asked
    with pytest.raises(InputFaults):
        faults.raise_if_any()
    assert len(asked) == 2


def test_the_inside_of_a_table_that_is_reported_is_left_alone(source: Source) -> None:
    faults = DiagnosticCollector(source)
    faults.add(("rotary", 1), "5", "a table")
    faults.extend(
        [UnlocatedDiagnostic(("rotary", 1, "letter"), "x", "y"), UnlocatedDiagnostic(("units",), "x", "y")]
    )
    assert [fault.key for fault in faults.located()] == ["units", "rotary 2"]


def test_several_files_one_after_the_other(source: Source) -> None:
    one, none = DiagnosticCollector(source), DiagnosticCollector(source)
    one.add(("units",), "x", "y")
    unreadable = InputFaults([Diagnostic("job.toml", 3, "", "byte 0xff", "UTF-8 text")])
    with pytest.raises(InputFaults) as caught:
        raise_located(one, None, none, unreadable)
    assert [(Path(fault.file).name, fault.line) for fault in caught.value.faults] == [
        ("mill.toml", 2),
        ("job.toml", 3),
    ]
