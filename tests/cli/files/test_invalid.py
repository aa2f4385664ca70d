"""Every file in `invalid/` gets the messages in the `.expect` file beside it, word for word."""

from pathlib import Path

import pytest

from tiltwright.files.diagnostics import InputFaults
from tiltwright.files.loader import read_job, read_machine

FOLDER = Path(__file__).parent / "invalid"
FILES = sorted(FOLDER.glob("*.toml"))


def test_there_are_files() -> None:
    assert len(FILES) > 60
    assert {path.stem for path in FILES} == {path.stem for path in FOLDER.glob("*.expect")}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_messages(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FOLDER)
    read = read_job if path.name.startswith("job") else read_machine
    with pytest.raises(InputFaults) as caught:
        read(path.name)
    assert f"{caught.value}\n" == path.with_suffix(".expect").read_text("utf-8")


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_messages_stay_on_their_line(path: Path) -> None:
    """A message starts with its file's name, a tip is indented; nothing from a file makes another line."""
    for line in path.with_suffix(".expect").read_text("utf-8").splitlines():
        assert line.startswith(("job-", "machine-", "    tip: "))
        assert line.isprintable()
