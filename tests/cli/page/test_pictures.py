"""Each view against a kept picture: the solids pixel by pixel, and what is drawn over them as SVG.

Both are drawn at a size of their own, so neither the window nor its fonts matter; the pixels are the page's own, so
they are equal on every machine. After a change that is meant: TILTWRIGHT_GOLDEN=write pytest tests/cli/page/test_pictures.py,
and look at what changed.
"""

import base64
import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

KEPT = Path(__file__).with_name("kept")
WIDE, HIGH = 420, 320
VIEWS = {
    "head-corner": ("tide_gauge_head", "shownPage.choose(2)"),
    "head-front": ("tide_gauge_head", "shownPage.picture.eye.turn(-90, 0)"),
    "head-stack": ("tide_gauge_head", "shownPage.toStep(2)"),
    "head-from-c": (
        "tide_gauge_head",
        "shownPage.choose(6); shownPage.toStep(14); shownPage.picture.eye.from([0, 0, 1])",
    ),
    "head-from-a": (
        "tide_gauge_head",
        "shownPage.choose(6); shownPage.toStep(23); shownPage.picture.eye.from([1, 0, 0])",
    ),
    "cap-tool": ("mast_cap", "shownPage.choose(5)"),
    "float-gap": ("float_slots", "shownPage.choose(1); shownPage.shown.gap = true"),
    "bracket-indexer": ("buoy_bracket", "shownPage.choose(4)"),
    "feet-unloading": ("sensor_feet --nest left", "shownPage.choose(3)"),
    "fit-half": (None, "shownPage.to(24)"),
    "fit-all": (None, "shownPage.shown.old = true; shownPage.show()"),
}
DRAW = f"""(() => {{
  const raster = new Raster({WIDE}, {HIGH}), {{bodies, mark}} = shownPage.content ? shownPage.content() : shownPage.picture.content();
  const eye = shownPage.picture.eye, marks = new Marks(eye.projector({WIDE}, {HIGH}), {WIDE}, {HIGH}, 13);
  raster.draw(eye, bodies);
  mark(marks);
  const svg = svgElement("svg", {{xmlns: SVG}}), bytes = new Uint8Array(raster.pixels.buffer);
  marks.into(svg);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return [btoa(text), svg.outerHTML.replaceAll("><", ">\\n<")];
}})()"""


def page_of(name, run, examples, path):
    if name is not None:
        job, *options = name.split()
        assert run("page", examples / f"{job}.toml", *options, "-o", path).code == 0
        return
    readings = examples / "pivots" / "spring_check.csv"
    assert run("pivot", "fit", readings, "-m", examples / "teaching_mill.toml", "--page", path).code == 0


@pytest.mark.parametrize("view", VIEWS)
def test_a_view_is_as_it_was(browser, run, examples, tmp_path, view):
    name, prepare = VIEWS[view]
    path = tmp_path / "page.html"
    page_of(name, run, examples, path)
    browser.open(path)
    browser.js(f"{{ {prepare}; }}")
    pixels, svg = browser.js(DRAW)
    found = np.frombuffer(base64.b64decode(pixels), dtype=np.uint8).reshape(HIGH, WIDE, 4)
    picture, drawn = KEPT / f"{view}.png", KEPT / f"{view}.svg"
    if os.environ.get("TILTWRIGHT_GOLDEN") == "write":
        image = io.BytesIO()
        Image.fromarray(found).save(image, "PNG", optimize=True)
        picture.write_bytes(image.getvalue())
        drawn.write_text(svg + "\n", encoding="utf-8")
    with Image.open(picture) as kept:
        differs = (np.asarray(kept.convert("RGBA")) != found).any(axis=-1)
    assert not differs.any(), f"{int(differs.sum())} of {WIDE * HIGH} pixels"
    assert svg == drawn.read_text(encoding="utf-8").rstrip("\n")


def test_pixels_do_not_depend_on_when_they_are_drawn(browser, run, examples, tmp_path):
    path = tmp_path / "page.html"
    page_of("mast_cap", run, examples, path)
    browser.open(path)
    first = browser.js(DRAW)
    browser.js("shownPage.choose(3)")
    assert browser.js(DRAW)[0] != first[0]
    browser.js("shownPage.choose(0)")
    assert browser.js(DRAW) == first
