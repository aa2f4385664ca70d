"""The sheet as text and as Markdown: complete, narrow enough, and inert."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from slices import cases

from tiltwright.output.document_files import escaped, escaped_in_cell
from tiltwright.output.tables import columns_of

from .conftest import HEAD, SETUPS, TOUCHED, markdown_of, text_of

GOLDEN = Path(__file__).parent / "golden"
HOSTILE = [
    "# head *b* _i_ `c` ~~s~~ [l](x://y) ![p](q)",
    "<script>x()</script> &lt; <!-- c -->",
    "a | b || c \\| d",
    "| --- | :-: |",
    "1. one - two + three > four",
    "www.example x@y.z https://y.z :smile: $m$",
    "#panic() #sys.version $x$ @ref <label> \\u{41}",
    "(M30) %",
    "日" * 80,
    "W" * 80,
]


def job_named(name: str, base: str = HEAD) -> str:
    """A job with a name wherever one may stand."""
    quoted = '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'
    for old in ("Tide-gauge head, side ports", "round standoff", "chamfer", "HEAD-1", "6 mm drill"):
        base = base.replace(f'"{old}"', quoted)
    return base.replace('["Deburr the bore before turning to the ports."]', f"[{quoted}]")


@pytest.mark.parametrize(("name", "extra"), [("head", ""), ("head", TOUCHED), ("foot", ""), ("float", "")])
def test_golden(make, name, extra):
    """Run with TILTWRIGHT_GOLDEN=write to write the files anew; then read what changed."""
    machine, job = SETUPS[name]
    made = text_of(make(machine, job + extra))
    path = GOLDEN / f"{name}{'_touched' if extra else ''}.txt"
    if os.environ.get("TILTWRIGHT_GOLDEN") == "write":
        path.write_text(made, "utf-8")
    assert made == path.read_text("utf-8")
    assert "`" not in made  # a mark of the terminal's, for keys and commands


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("count", [6, 15])
def test_text_stays_within_its_columns(make, name, count):
    job = job_named(name).replace("count = 6, step = 60.0", f"count = {count}, step = {360 / count}")
    made = text_of(make(job=job))
    assert max(map(columns_of, made.splitlines())) <= 100
    assert re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f]", made) is None
    assert made.endswith("\n")
    assert not any(line != line.rstrip() for line in made.splitlines())


def tokens_of(made: str):
    return MarkdownIt("commonmark").enable("table").parse(made)


def kinds(made: str) -> list[str]:
    """Every block and inline construct of a Markdown text, in order."""
    found = []
    for token in tokens_of(made):
        found.append(token.type)
        found += [child.type for child in token.children or [] if child.type not in ("text", "text_special")]
    return found


@pytest.mark.parametrize("name", HOSTILE)
def test_names_change_nothing_in_the_markdown_but_the_words(make, name):
    made = markdown_of(make(job=job_named(name)))
    assert kinds(made) == kinds(markdown_of(make()))
    words = ["".join(c.content for c in token.children or []) for token in tokens_of(made)]
    assert any(text == f"Setup sheet: {name}" for text in words)


@settings(max_examples=cases(300), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=30))
def test_an_escaped_name_reads_as_itself(name):
    (_, inline, _) = tokens_of(f"a {escaped(name)} z")
    assert "".join(child.content for child in inline.children) == f"a {name} z"
    assert {child.type for child in inline.children} <= {"text", "text_special"}
    for written in (escaped(name), escaped_in_cell(name)):
        table = f"| h | i |\n|---|---|\n| {written} | x |"
        cells = [token for token in tokens_of(table) if token.type == "inline"]
        assert [cell.children[0].content != "" for cell in cells] == [True] * 4
        assert "".join(child.content for child in cells[2].children) == name
        assert {child.type for child in cells[2].children} <= {"text", "text_special"}


@pytest.mark.parametrize("name", ["www.example.org", "https://y.z", "x@y.z"])
def test_bare_words_do_not_become_links(name):
    made = escaped(name)
    assert "www." not in made
    assert re.search(r"(?<!\\):(?=\S)", made) is None
    assert re.search(r"(?<!\\)@", made) is None


def test_both_hold_every_number_of_the_page(make):
    for setup in SETUPS.values():
        sheet = make(*setup)
        for made in (text_of(sheet), markdown_of(sheet)):
            for row in sheet.operations:
                assert all(
                    value in made for value in (*row.offset, *row.rotary_offset, *row.origin, *row.machine)
                )
            for block in sheet.load:
                assert all(line in made for line in block.lines)
            for step in sheet.stack:
                assert step.z in made
            assert all(value in made for check in sheet.verify for value in check.display)
