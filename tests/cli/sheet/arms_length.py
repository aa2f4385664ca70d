"""Proof of the sheet at arm's length: the pages' own geometry, read from the PDF."""

from __future__ import annotations

import functools
import io
import math
import random
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pdfplumber

DISTANCE_MM = 700.0
LEAST_ARCMIN = 16.0
PT_MM = 25.4 / 72.0
DIGIT_EM = 0.729  # DejaVu: 1493 of 2048 units
PAPER_MARGIN_MM = {"top": 18.5, "bottom": 17.0}


def arcmin(size_pt: float) -> float:
    """The angle that a digit of this size takes at arm's length."""
    return math.degrees(math.atan(size_pt * PT_MM * DIGIT_EM / DISTANCE_MM)) * 60.0


@dataclass(frozen=True)
class Word:
    """A word on a page: its text, its type size and weight, and the box of its ink, in points."""

    text: str
    size: float
    bold: bool
    left: float
    top: float
    right: float
    bottom: float


def words_of(page) -> list[Word]:
    """Every word of a page, with the box of its capitals and digits, which descenders go below a little."""
    found = []
    for word in page.extract_words(
        x_tolerance=1.2,
        y_tolerance=1.0,
        keep_blank_chars=False,
        extra_attrs=["fontname", "size"],
        use_text_flow=False,
    ):
        size = float(word["size"])
        baseline = float(word["bottom"]) - 0.236 * size
        found.append(
            Word(
                word["text"],
                size,
                "Bold" in word["fontname"],
                float(word["x0"]),
                baseline - DIGIT_EM * size,
                float(word["x1"]),
                baseline,
            )
        )
    return found


def strokes_of(page) -> list[tuple[float, float, float, float]]:
    """Every straight stroke of a page in points: rules, edges of boxes, drawings, from the top left."""
    found = []
    for one in (*page.lines, *page.curves, *page.rects):
        if not one.get("stroke", True):
            continue
        points = one.get("pts") or []
        found += [(x0, y0, x1, y1) for (x0, y0), (x1, y1) in pairwise(points)]
    return found


def grey_fills(page) -> list[float]:
    """Darkness of every fill, in per cent."""
    found = []
    for one in (*page.rects, *page.curves, *page.lines):
        colour = one.get("non_stroking_color")
        if one.get("fill") and colour is not None:
            values = np.atleast_1d(np.asarray(colour, dtype=float))
            found.append(100.0 * (1.0 - float(values.mean())))
    return found


def overlaps(page, words) -> list[str]:
    """Words of a page that share paper with one another, or with a stroke."""
    found = []
    boxes = np.array([(w.left, w.top, w.right, w.bottom) for w in words]).reshape(-1, 4)
    boxes = boxes + np.array([0.3, 0.3, -0.3, -0.3])
    for index, box in enumerate(boxes):
        rest = boxes[index + 1 :]
        hit = (box[0] < rest[:, 2]) & (rest[:, 0] < box[2]) & (box[1] < rest[:, 3]) & (rest[:, 1] < box[3])
        found += [f"{words[index].text} / {words[index + 1 + k].text}" for k in np.flatnonzero(hit)]
    strokes = np.array(strokes_of(page)).reshape(-1, 4)
    if not len(strokes) or not len(boxes):
        return found
    start, step = strokes[:, :2], strokes[:, 2:] - strokes[:, :2]
    step = np.where(np.abs(step) < 1e-9, 1e-9, step)
    first, last = (boxes[:, None, :2] - start) / step, (boxes[:, None, 2:] - start) / step
    early, late = np.minimum(first, last), np.maximum(first, last)
    enter = np.maximum(early[..., 0], early[..., 1]).clip(0.0, None)
    leave = np.minimum(late[..., 0], late[..., 1]).clip(None, 1.0)
    for index, stroke in np.argwhere(enter < leave):
        found.append(f"{words[index].text} / stroke {np.round(strokes[stroke], 1).tolist()}")
    return found


def fullness(page, words) -> float:
    """Share of the page's field that is used, from its top to the lowest word or stroke."""
    top, bottom = (PAPER_MARGIN_MM[end] / PT_MM for end in ("top", "bottom"))
    field_end = float(page.height) - bottom
    ends = [w.bottom for w in words if w.bottom < field_end + 1.0]
    ends += [max(y0, y1) for _, y0, _, y1 in strokes_of(page) if max(y0, y1) < field_end + 1.0]
    return (max(ends, default=top) - top) / (field_end - top)


@functools.lru_cache(maxsize=4)
def _read(pdf: bytes) -> tuple[tuple[str, ...], dict[str, float]]:
    """What the pages alone show to be wrong, and the largest size of each word."""
    found, sizes = [], {}
    with pdfplumber.open(io.BytesIO(pdf)) as document:
        pages = document.pages
        for number, page in enumerate(pages, 1):
            words = words_of(page)
            found += [f"page {number}: {what}" for what in overlaps(page, words)]
            grey = [round(one, 1) for one in grey_fills(page) if 3.0 < one < 40.0]
            found += [f"page {number}: fill {one} %" for one in grey]
            if number < len(pages) and fullness(page, words) < 2.0 / 3.0:
                found.append(f"page {number} of {len(pages)}: {fullness(page, words):.2f} full")
            for word in words:
                sizes[word.text] = max(sizes.get(word.text, 0.0), word.size)
    return tuple(found), sizes


def faults_of(pdf: bytes, sheet) -> list[str]:
    """Everything about a sheet's pages that does not hold at arm's length."""
    of_pages, sizes = _read(pdf)
    found = list(of_pages)
    # each figure that is loaded or checked stands somewhere at its size
    classes = {
        "offset": [v for op in sheet.operations for v in op.offset],
        "rotary offset": [v for op in sheet.operations for v in op.rotary_offset],
        "program angle": [v for op in sheet.operations for v in op.program],
        "display": [v for row in sheet.verify for v in row.display],
        "height": [row.height for row in sheet.verify],
    }
    for name, values in classes.items():
        for value in values:
            shown = value.replace("-", "\N{MINUS SIGN}")
            size = sizes.get(shown, 0.0)
            if arcmin(size) < LEAST_ARCMIN:
                found.append(f"{name} {shown}: {arcmin(size):.1f} minutes of arc")
    return found


def random_job(seed: int) -> tuple[str, str]:
    """A machine file and a job file: any unit, 1 to 16 operations, tilts, long names, solids in a third of them."""
    rng = random.Random(seed)
    inch = rng.random() < 0.5
    per = 1.0 / 25.4 if inch else 1.0
    units = "inch" if inch else "mm"

    def number(value: float) -> str:
        return f"{value * per:.4f}"

    letters = rng.choice(["AC", "BC", "AC", "A"])
    tilt, along = letters[0], {"A": "+X", "B": "+Y"}[letters[0]]
    sense = rng.choice(["clockwise", "counterclockwise"])
    lone = len(letters) == 1
    machine = f'name = "Mill {seed}"\nunits = "{units}"\nz_reference = "gauge line"\n'
    if rng.random() < 0.7:
        machine += "[travel]\n" + "".join(f"{axis} = [{number(-2000)}, {number(1000)}]\n" for axis in "xyz")
    machine += (
        f'[[rotary]]\nletter = "{tilt}"\nalong = "{along}"\npositive_turn = "{sense}"\n'
        f"point = [{number(rng.uniform(-500, 0))}, {number(rng.uniform(-300, 0))}, {number(-406.118)}]\n"
        'limits = "endless"\n'
    )
    if not lone:
        machine += (
            f'[[rotary]]\nletter = "C"\nalong = "+Z"\npositive_turn = "{rng.choice(["clockwise", "counterclockwise"])}"\n'
            f'point = [{number(-381.025)}, {number(-203.405)}, {number(-356.112)}]\nlimits = "endless"\n'
            f"[platter]\nface = {number(-356.112)}\ndiameter = {number(rng.choice([100, 160, 250]))}\n"
        )
    solid = not lone and rng.random() < 0.35
    job = f'name = "{_name(rng)}"\nunits = "{units}"\nmachine = "machine.toml"\n'
    for step in range(rng.randint(1, 6)):
        job += f'[[stack]]\nname = "{_name(rng)} {step}"\nup = {number(rng.uniform(8, 90))}\n'
        job += f"round = {number(rng.uniform(40, 140))}\n" if solid else ""
        if rng.random() < 0.3:
            job += f"shift = [{number(rng.uniform(-20, 20))}, {number(rng.uniform(-20, 20))}]\n"
        if rng.random() < 0.3:
            job += f"turn = {rng.uniform(-40, 40):.3f}\n"
    if solid:
        job += f'[[tool]]\nname = "drill"\nlength = {number(rng.uniform(90, 200))}\ndiameter = {number(8)}\n'
    tilts = [rng.uniform(-90, 90) for _ in range(rng.randint(1, 4))]
    for place in range(rng.randint(1, rng.choice([4, 9, 16]))):
        turn = "" if lone else f", C = {rng.uniform(-180, 180):.3f}"
        job += f'[[operation]]\nname = "{_name(rng)} {place}"\nat = {{ {tilt} = {rng.choice(tilts):.3f}{turn} }}\n'
        job += f"origin = [{', '.join(number(rng.uniform(-40, 40)) for _ in range(3))}]\n"
        job += 'tool = "drill"\n' if solid else ""
    return machine, job


def _name(rng: random.Random) -> str:
    words = [
        "port",
        "buoy bracket",
        "cable entry",
        "mast foot",
        "flank",
        "gauge head",
        "upper",
        "lower",
        "drain slot",
    ]
    return " ".join(rng.choice(words) for _ in range(rng.randint(1, rng.choice([2, 2, 7]))))
