"""The document model: each block in each form, text that stays in its columns, names that stay names."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import get_args

import pdfplumber
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from slices import cases

from tiltwright.output import document as model
from tiltwright.output.canvas import Canvas, LineDrawing
from tiltwright.output.document import (
    BLANK,
    Block,
    BulletList,
    Callout,
    CodeBlock,
    Document,
    Entry,
    Heading,
    NumberedStep,
    PageBreak,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from tiltwright.output.document_files import document_files, document_markdown, document_text
from tiltwright.output.document_pdf import bundled, document_data, document_pdf
from tiltwright.output.tables import COLUMNS, columns_of, table, wrapped_table

DRAWING = LineDrawing(20.0, 10.0)
BLOCKS: tuple[Block, ...] = (
    Heading("heading 1"),
    Paragraph("paragraph 2"),
    BulletList(("item 3", "item 4")),
    Callout("callout 5", ("item 6",)),
    Table(("head 7", "X"), (("cell 8", "-9.5"), (BLANK, "10.5"))),
    NumberedStep(
        11, "rule 12", "formula 13", ("z = 14",), "frame 15", (("16", "0", "0"), ("0", "17", "0"), ("0", "0", "18"))
    ),
    Entry("G54", "entry 19", ("line 20",)),
    CodeBlock(("G10 L2 P1 X-21.000",)),
    Picture(DRAWING, "picture 22", 20.0),
    SideBySide(Picture(DRAWING, "picture 24", 20.0), (Paragraph("paragraph 25"), Table(("head 26",), (("cell 27",),)))),
    PageBreak(),
    Paragraph("paragraph 23", bold=True),
)  # fmt: skip


def made(*blocks: Block, title: str = "title", foot: str = "foot") -> Document:
    return Document("Report", title, (("Machine", "mill"),), blocks, foot)


def words_of(block: Block) -> set[str]:
    """Every text that the block holds, but for the drawing itself."""
    found: set[str] = set()

    def collect(value: object) -> None:
        if isinstance(value, str):
            found.add(value)
        elif isinstance(value, tuple):
            for part in value:
                collect(part)
        elif isinstance(value, Picture | Paragraph | Table):
            found.update(words_of(value))

    for name, value in vars(block).items():
        if name not in {"drawing", "align"}:
            collect(value)
    return found


def test_the_blocks_above_are_all_there_are():
    assert {type(block) for block in BLOCKS} == set(get_args(Block))
    assert {kind.__name__ for kind in get_args(Block)} < set(model.__all__)


@pytest.mark.parametrize("block", BLOCKS, ids=lambda block: type(block).__name__)
def test_every_form_holds_every_word_of_a_block(block):
    document = made(block)
    expected = set() if isinstance(block, Picture) else words_of(block) - {"picture 24"}
    text = document_text(document)
    assert {words for words in expected if words.lower() not in text.lower()} == set()
    markdown = document_markdown(document, ["picture.svg"])
    assert {words for words in words_of(block) if words not in markdown} == set()
    (data,) = document_data(document, "a4")["blocks"]
    shown = (
        repr(data).replace("\N{MINUS SIGN}", "-").replace("\N{ZERO WIDTH SPACE}", "").replace(r"\xa0", " ")
    )
    assert {words for words in words_of(block) if words not in shown} == set()


def test_all_blocks_on_paper_and_the_same_bytes_again():
    document = made(*BLOCKS)
    assert document_pdf(document).startswith(b"%PDF-")
    assert document_pdf(document) == document_pdf(made(*BLOCKS))
    pages = [
        len(re.findall(rb"/Type\s*/Page\b(?!s)", document_pdf(one)))
        for one in (document, made(*(block for block in BLOCKS if not isinstance(block, PageBreak))))
    ]
    assert pages == [2, 1]


def test_nothing_stands_where_there_is_nothing_to_say():
    bare = Document("Report", "title", (), ())
    assert document_text(bare) == "Report: title\n=============\n"
    assert document_markdown(bare) == "# Report: title\n"
    assert document_pdf(bare).startswith(b"%PDF-")


@settings(max_examples=cases(200), deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=120))
def test_text_stays_in_its_columns_whatever_a_name_holds(name):
    text = document_text(
        made(
            Heading(name),
            Paragraph(name),
            BulletList((name,)),
            Callout("first", (name,)),
            Table(("offset", "X", "operation"), (("G54", "-1.000", name),), align="lrl"),
            Entry("G54", name, (name,)),
            title=name,
            foot=name,
        )
    )
    assert max(map(columns_of, text.splitlines())) <= COLUMNS
    assert re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", text) is None


@settings(max_examples=cases(200), deadline=None)
@given(name=st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=30))
def test_a_name_is_never_markup(name):
    def kinds(document: Document) -> list[str]:
        tokens = MarkdownIt("commonmark").enable("table").parse(document_markdown(document))
        return [
            kind
            for token in tokens
            for kind in (token.type, *(c.type for c in token.children or [] if not c.type.startswith("text")))
        ]

    def named(words: str) -> Document:
        return made(
            Heading(words),
            Paragraph(words),
            BulletList((words,)),
            Callout(words, (words,)),
            Table((words, words), ((words, words),)),
            Entry("G54", words, (words,)),
            title=words,
            foot=words,
        )

    assert kinds(named(name)) == kinds(named("name"))


def test_the_last_column_breaks_over_lines_where_it_holds_words():
    rows = [["G54", "-1.000", "a long name of many short words"]]
    lines = wrapped_table(["offset", "X", "operation"], rows, "lrl", 32).splitlines()
    assert max(map(len, lines)) <= 32
    assert " ".join(" ".join(line[18:] for line in lines[2:]).split()) == rows[0][2]
    # figures are never broken
    assert wrapped_table(["offset", "X"], [["G54", "1234567890.123"]], "lr", 10) == table(
        ["offset", "X"], [["G54", "1234567890.123"]]
    )
    assert rows == [["G54", "-1.000", "a long name of many short words"]]


def test_files_by_their_ending():
    document, folder = made(*BLOCKS), Path("out")
    assert list(document_files(document, folder / "a.txt", "a4")) == [folder / "a.txt"]
    assert list(document_files(document, folder / "a.pdf", "a4")) == [folder / "a.pdf"]
    files = document_files(document, folder / "a b.md", "a4")
    assert list(files) == [folder / "a b-1.svg", folder / "a b-2.svg", folder / "a b.md"]
    assert files[folder / "a b-1.svg"] == DRAWING.svg
    assert "(a%20b-1.svg)" in str(files[folder / "a b.md"])


def test_documents_bound_into_one_keep_their_pages():
    one, two = (document_pdf(made(*BLOCKS, title=name)) for name in ("first", "second"))
    bound = bundled("both", [("first", one), ("second", two)])
    assert bound == bundled("both", [("first", one), ("second", two)])
    with pdfplumber.open(io.BytesIO(bound)) as pdf:
        shown = [(page.width, page.height, page.extract_text()) for page in pdf.pages]
        marks = [title for _, title, *_ in pdf.doc.get_outlines()]
    own = []
    for part in (one, two):
        with pdfplumber.open(io.BytesIO(part)) as pdf:
            own += [(page.width, page.height, page.extract_text()) for page in pdf.pages]
    assert [text for *_, text in shown] == [text for *_, text in own]
    assert [size for *size, _ in shown] == [pytest.approx(size) for *size, _ in own]
    assert marks == ["first", "second"]


def test_a_drawing_s_words_stand_on_the_page_where_its_svg_has_them():
    """Each begins, has its middle or ends 50 mm into the drawing, and none breaks, however long it is."""
    words = {"start": "Begins here", "middle": "Goes both ways", "end": "Ends here"}
    canvas = Canvas(100.0, 40.0)
    for row, (anchor, text) in enumerate(words.items(), start=1):
        canvas.text((50.0, 10.0 * row), text, 4.0, anchor=anchor, halo=False)
    canvas.text((2.0, 38.0), "far " * 16 + "end", 4.0, halo=False)  # wider than the drawing
    drawing = canvas.finished()
    assert all(text in drawing.svg and text not in drawing.outlines for text in words.values())
    with pdfplumber.open(
        io.BytesIO(document_pdf(made(Picture(drawing, "picture", 200.0, titled=False))))
    ) as pdf:
        found = pdf.pages[0].extract_text_lines(return_chars=False)
    mm = 72.0 / 25.4
    lines = {one["text"]: one for one in found}
    # Twice as large on paper as it was drawn, 18 mm from the edge.
    at = 18.0 + 2.0 * 50.0
    start, middle, end = (lines[text] for text in words.values())
    assert start["x0"] / mm == pytest.approx(at, abs=0.8)
    assert (middle["x0"] + middle["x1"]) / 2.0 / mm == pytest.approx(at, abs=0.8)
    assert end["x1"] / mm == pytest.approx(at, abs=0.8)
    assert middle["bottom"] - start["bottom"] == pytest.approx(20.0 * mm, abs=0.1)
    assert any(text.count("far") > 15 for text in lines)
