"""The pages: the same bytes each time, nothing off the paper, names that stay names."""

from __future__ import annotations

import functools
import io
import re
import shutil

import numpy as np
import pytest
from PIL import Image

from tiltwright.output import typesetting
from tiltwright.sheet import typeset, wording
from tiltwright.sheet.build import build_sheet

from .conftest import HEAD, SETUPS, TOUCHED, TRUNNION, markdown_of, text_of
from .test_text import HOSTILE, job_named

PAPERS = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}


def grey(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"))


def check_margins(pages: list[bytes], paper: str) -> None:
    """Nothing is printed in the margins but the running heads and feet."""
    width, height = PAPERS[paper]
    for page in map(grey, pages):
        left, top, right, bottom = in_millimetres(page, paper)
        assert left > 15.0
        assert right < width - 13.0
        assert top > 8.0
        assert bottom < height - 8.0


def glyphs(svg: bytes) -> int:
    """Number of letters that a page sets: typst refers to one outline for each."""
    return len(re.findall(rb"<use\b", svg))


def in_millimetres(page: np.ndarray, paper: str) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of what is not white, in mm."""
    rows, columns = np.where((page < 255).any(axis=1))[0], np.where((page < 255).any(axis=0))[0]
    per_x, per_y = PAPERS[paper][0] / page.shape[1], PAPERS[paper][1] / page.shape[0]
    return columns[0] * per_x, rows[0] * per_y, (columns[-1] + 1) * per_x, (rows[-1] + 1) * per_y


@pytest.mark.parametrize("paper", PAPERS)
def test_the_same_sheet_gives_the_same_bytes(make, work, paper):
    for setup in SETUPS.values():
        sheet = make(*setup)
        again = build_sheet(work(*setup), date=sheet.date, version=sheet.version)
        assert again is not sheet
        assert typeset.pdf(sheet, paper) == typeset.pdf(again, paper)
        assert typeset.svg_pages(sheet, paper) == typeset.svg_pages(again, paper)


def test_pdf_png_and_svg_are_what_they_are_called_and_have_the_same_pages(make):
    sheet = make()
    pdf, pngs, svgs = typeset.pdf(sheet), typeset.png_pages(sheet, ppi=50), typeset.svg_pages(sheet)
    assert pdf.startswith(b"%PDF-")
    assert all(png.startswith(b"\x89PNG") for png in pngs)
    assert all(svg.startswith(b"<svg") for svg in svgs)
    assert len(pngs) == len(svgs) == len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(
    "name", ["plain", "W" * 80, "\N{GREEK CAPITAL LETTER OMEGA} " * 39 + "mm", "日" * 80]
)
def test_margins_stay_white(make, paper, name):
    job = job_named(name, HEAD + TOUCHED).replace("count = 6, step = 60.0", "count = 15, step = 24.0")
    check_margins(typeset.png_pages(make(TRUNNION, job), paper, ppi=60), paper)


@pytest.mark.parametrize("setup", SETUPS)
def test_pages_are_grey_only(make, setup):
    for png in typeset.png_pages(make(*SETUPS[setup]), ppi=40):
        page = np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)
        assert np.ptp(page, axis=-1).max() == 0


@pytest.fixture(scope="module")
def letters_set(make, tmp_path_factory):
    """Number of letters set for a name, on one endless page: running heads would count with the pages."""
    tmp_path = tmp_path_factory.mktemp("endless")
    template = typeset.TEMPLATE.read_text("utf-8")
    assert "  paper: data.paper,\n" in template
    endless = tmp_path / "sheet" / "page.typ"
    shutil.copytree(
        typesetting.TEMPLATES / "output", tmp_path / "output", ignore=shutil.ignore_patterns("fonts")
    )
    endless.parent.mkdir()
    endless.write_text(
        template.replace("  paper: data.paper,\n", "  width: 210mm, height: 9000mm,\n"), "utf-8"
    )

    few = HEAD.replace("repeat = { count = 6, step = 60.0 }\n", "")
    assert few != HEAD

    @functools.cache
    def count(name: str) -> int:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(typesetting, "TEMPLATES", tmp_path)
            patch.setattr(typeset, "TEMPLATE", endless)
            (page,) = typeset.svg_pages(make(job=job_named(name, few)))
        return glyphs(page)

    return count


@pytest.mark.parametrize("name", [name for name in HOSTILE if name.isascii() and len(name) < 60])
def test_every_letter_of_a_name_is_set_as_a_letter(letters_set, name):
    # A name of the same length in plain letters sets as many glyphs as the hostile one, unless that one was
    # evaluated. The capital stands in for every mark, since two letters may join to one glyph.
    assert letters_set(name) == letters_set(re.sub(r"\S", "N", name))


def test_the_count_of_letters_tells_evaluated_markup_from_text(letters_set):
    # the test above rests on this: two stars that had been eaten would show
    assert letters_set("*NN*") != letters_set("NN")


def test_the_page_is_told_numbers_and_names_only_as_strings(make):
    def leaves(value):
        if isinstance(value, dict):
            return [leaf for part in value.values() for leaf in leaves(part)]
        if isinstance(value, (list, tuple)):
            return [leaf for part in value for leaf in leaves(part)]
        return [value]

    sheet = make(job=job_named("日本 port"))
    assert typeset.missing_characters(sheet) == ("日", "本")
    data = typeset.sheet_data(sheet, "a4")
    assert {type(leaf) for leaf in leaves(data)} <= {str, float, type(None)}
    shown = "".join(leaf for leaf in leaves(data) if isinstance(leaf, str))
    assert set(typesetting.uncovered(shown)) <= {
        "\N{ZERO WIDTH SPACE}",
        "\n",
    }  # a place to break, and SVG's line ends
    assert "U+65E5 U+672C" in data["missing"]


def test_nothing_is_said_of_missing_characters_where_none_is_missing(make):
    assert typeset.sheet_data(make(), "a4")["missing"] == ""


def test_each_row_to_set_before_its_operation_is_marked(make):
    many = make(job=HEAD.replace("count = 6, step = 60.0", "count = 9, step = 40.0"))
    assert typeset.sheet_data(many, "a4")["set_before"] == wording.SET_BEFORE
    assert typeset.sheet_data(make(), "a4")["set_before"] == ""
    for form in (text_of(many), markdown_of(many)):
        assert form.count(wording.SET_BEFORE) == len(many.operations)


def test_every_tilt_has_its_drawing_on_the_page(make):
    sheet = make()
    laid = typeset.sheet_data(sheet, "a4")["drawings"]
    titles = [one["title"].replace("\N{NO-BREAK SPACE}", " ") for one in laid]
    assert titles == [one.view.title.replace("-", "\N{MINUS SIGN}") for one in sheet.drawings]


def test_numbers_on_the_page_carry_a_true_minus_and_g_code_does_not(make):
    data = typeset.sheet_data(make(), "a4")
    assert data["operations"][0]["offset"] == [
        f"\N{MINUS SIGN}{number}" for number in ("381.010", "203.413", "179.096")
    ]
    assert data["load"][0]["lines"][-1] == "G10 L2 P1 X-381.010 Y-203.413 Z-179.096 A0.0000 C0.3500 (G54)"


@pytest.mark.parametrize("name", ["$A_1$ #panic()", "<b>`x`</b>"])
def test_the_block_of_g_code_holds_no_name(make, name):
    many = HEAD.replace("count = 6, step = 60.0", "count = 9, step = 40.0")
    for job in (HEAD, many):
        for block in typeset.sheet_data(make(job=job_named(name, job)), "a4")["load"]:
            for line in block["lines"]:
                assert re.fullmatch(
                    r"G2[01] \([a-z]+\)|G10 L2 P\d( +[XYZAC]-?[\d.]+)+ +\(G5\d(\.\d)?\)", line
                )


def test_without_its_font_nothing_is_printed(make, monkeypatch, tmp_path):
    monkeypatch.setattr(typesetting, "FOLDER", tmp_path)
    with pytest.raises(FileNotFoundError, match="font is missing"):
        typeset.pdf(make())


def test_each_page_names_job_revision_date_and_page(make):
    # the head of every page differs in the page's number only
    pages = [grey(png) for png in typeset.png_pages(make(), ppi=80)]
    heads = [page[: page.shape[0] * 17 // 297] for page in pages]
    assert len(pages) > 2
    assert all(np.array_equal(heads[0], head) for head in heads)
    assert (heads[0] < 128).sum() > 200
    feet = [page[page.shape[0] * 281 // 297 :] for page in pages]
    assert not np.array_equal(feet[0], feet[1])
