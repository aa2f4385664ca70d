"""The order of blocks on pages: drawings that do not fit wait, and the heights behind that are those of the template."""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import replace

import pdfplumber
import pytest
import typst
from test_documents import BLOCKS

from tiltwright.output import typesetting
from tiltwright.output.canvas import LineDrawing
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Document,
    Heading,
    NumberedStep,
    PageBreak,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from tiltwright.output.document_pdf import TEMPLATE, document_data, document_pdf, height_mm, in_page_order

LONG = (
    "A long sentence that runs over the end of its line, since nobody would read a page as wide as all of this. "
    * 2
)
FORMULA = "R(C) = c·I + (1 - c)·(ki·kj) + s·[0 -kz ky; kz 0 -kx; -ky kx 0], k the line's direction, length 1"
ROW = ("1", "0", "0")
MEASURED: tuple[Block, ...] = (
    *(one for one in BLOCKS if not isinstance(one, PageBreak | SideBySide | Picture)),
    Paragraph(LONG),
    BulletList((LONG, "short")),
    NumberedStep(1, LONG, "y = x", ("z = 1",), "frame"),
    NumberedStep(2, "short", FORMULA, (LONG, "z = 2"), "directions in machine coordinates", (ROW, ROW, ROW)),
    NumberedStep(
        3, "short", "y = x", ("x = " + "-0.12345678 × (-0.1234) + (-0.7) × " * 2 + "(-1.2) = -6.5",), "f"
    ),
    Table(("letter", "meaning"), (("a", LONG), ("b", "short")), left=2),
    Table(("pivot", "your answer"), (("A", BLANK), ("C", BLANK))),
    Picture(LineDrawing(176.0, 72.0), "the swing", 176.0),
    Picture(LineDrawing(176.0, 72.0), "the swing", 176.0, titled=False),
)


def document(*blocks: Block, compact: bool = False) -> Document:
    return Document("Key", "Port", (("Sheet", "1"),), blocks, "foot", compact=compact)


def test_heights_are_those_that_the_template_sets(tmp_path):
    """The template's own measure of every block, in mm, to a tenth of a line."""
    source = TEMPLATE.read_text("utf-8")
    measure = "#for one in data.blocks { context [#metadata(measure(block(width: 176mm, shown(one))).height / 1mm) <m>] }"
    beside = tmp_path / "measured.typ"
    beside.write_text(source[: source.index("#for one in data.blocks")] + measure, "utf-8")
    shutil.copy(TEMPLATE.with_name("style.typ"), tmp_path)
    found = typst.query(
        str(beside),
        "<m>",
        root=str(tmp_path),
        font_paths=typesetting.fonts(),
        ignore_system_fonts=True,
        sys_inputs={"sheet": json.dumps(document_data(document(*MEASURED), "a4"))},
    )
    for block, measured in zip(MEASURED, json.loads(found), strict=True):
        assert height_mm(block, 176.0) == pytest.approx(measured["value"], abs=0.45), block


def step(number: int) -> NumberedStep:
    return NumberedStep(
        number, "Back to machine coordinates.", "w = P + v", ("X = 1", "Y = 2", "Z = 3"), "machine"
    )


def swing(number: int) -> Picture:
    return Picture(LineDrawing(176.0, 100.0), f"drawing {number}", 176.0)


def _end(page) -> float:
    """The share of a page that is used, its empty drawings, 100 mm high, included."""
    words = page.extract_words()
    rows = [w["bottom"] for w in words if w["bottom"] < page.height - 16 / 25.4 * 72]
    return max(rows + [w["top"] + 108 / 25.4 * 72 for w in words if w["text"] == "drawing"]) / float(
        page.height
    )


@pytest.mark.parametrize("compact", [False, True])
@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_no_page_but_the_last_is_left_half_empty(paper, compact):
    """A drawing 10 cm high after every fourth step, each step 2.4 cm: a third of the old pages stayed empty below."""
    blocks = [b for k in range(1, 40) for b in ((step(k), swing(k)) if k % 4 == 0 else (step(k),))]
    with pdfplumber.open(io.BytesIO(document_pdf(document(*blocks, compact=compact), paper))) as pdf:
        ends = [_end(page) for page in pdf.pages[:-1]]
    assert min(ends) > 0.8


def test_everything_stays_in_order_but_for_drawings_that_wait():
    blocks = (
        *map(step, range(1, 10)),
        swing(1),
        swing(2),
        step(10),
        Heading("port"),
        Table(("x",), (("1",),)),
        step(11),
    )
    order = in_page_order(document(*blocks), "a4")
    assert [one for one in order if not isinstance(one, Picture | PageBreak)] == [
        b for b in blocks if not isinstance(b, Picture)
    ]
    assert [one for one in order if isinstance(one, Picture)] == [swing(1), swing(2)]
    assert order != blocks
    assert in_page_order(document(*map(step, range(1, 20))), "a4") == tuple(map(step, range(1, 20)))


@pytest.mark.parametrize("before", range(1, 11))
def test_a_long_step_runs_on_only_where_much_of_it_fits(before):
    """Its heading line alone was left at a page's foot, and what followed was counted from the wrong place."""
    long = replace(step(99), rule="The long one.", calculations=("R = 1",) * 11, matrix=(ROW, ROW, ROW))
    blocks = [*map(step, range(1, before + 1)), long, step(100), swing(1), step(101)]
    with pdfplumber.open(io.BytesIO(document_pdf(document(*blocks), "a4"))) as pdf:
        texts = [page.extract_text() for page in pdf.pages]
    (on,) = (text for text in texts if "The long one." in text)
    assert on.split("The long one.")[1].count("R = 1") in range(5, 12)
    assert sum(text.count("R = 1") for text in texts) == 11


def test_a_drawing_never_waits_beyond_a_page_break():
    blocks = (*map(step, range(1, 10)), swing(1), PageBreak(), Heading("next"), step(10))
    order = in_page_order(document(*blocks), "a4")
    assert order[-3:] == blocks[-3:]
    assert [one for one in order[:-3] if not isinstance(one, PageBreak)] == list(blocks[:-3])


@pytest.mark.parametrize("steps", range(4, 9))
def test_a_drawing_that_ends_a_document_leaves_no_hole_above_it(steps):
    """Its steps ended two thirds down a page, and the drawing of the result stood alone on the next."""
    blocks = (*map(step, range(1, 12 + steps)), swing(1))
    order = in_page_order(document(*blocks), "a4")
    *full, last = _by_page(order)
    assert sum(map(len, full)) + len(last) == len(blocks)
    for page in full:
        assert sum(height_mm(one, 176.0) + 4.0 for one in page) > 0.7 * 257.0
    assert [one for one in order if not isinstance(one, PageBreak | Picture)] == list(blocks[:-1])


def _by_page(order: tuple[Block, ...]) -> list[list[Block]]:
    pages: list[list[Block]] = [[]]
    for one in order:
        if isinstance(one, PageBreak):
            pages.append([])
        else:
            pages[-1].append(one)
    return pages


@pytest.mark.parametrize(("rows", "before"), [(20, 3), (47, 7), (90, 5)])
def test_what_follows_a_long_table_is_counted_from_where_it_ends(rows, before):
    """Counted wrongly, a page ended before it was full, or its last step stood alone on the next."""
    long = Table(("source", "u"), tuple((LONG[:60] if k % 5 else LONG[:110], f"{k}.5") for k in range(rows)))
    more = [*map(step, range(101, 120)), swing(1), *map(step, range(120, 140))]
    blocks = [*map(step, range(1, before)), long, *more]
    last = [page[-1] for page in _by_page(in_page_order(document(*blocks), "a4"))]
    with pdfplumber.open(io.BytesIO(document_pdf(document(*blocks), "a4"))) as pdf:
        ends = [_end(page) for page in pdf.pages[:-1]]
        texts = [page.extract_text() for page in pdf.pages]
    printed = [[int(n) for n in re.findall(r"^(\d+) Back to", text, re.MULTILINE)] for text in texts]
    assert {one.number for one in last if isinstance(one, NumberedStep)} <= {p[-1] for p in printed if p}
    assert [n for page in printed for n in page] == [b.number for b in blocks if isinstance(b, NumberedStep)]
    assert min(ends) > 0.8


def test_a_drawing_higher_than_a_page_is_still_there():
    high = replace(swing(1), drawing=LineDrawing(176.0, 400.0))
    assert high in in_page_order(document(step(1), high, step(2)), "a4")
