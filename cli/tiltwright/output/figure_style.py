"""Pictures of figures: one style for all, and files without a trace of when they were drawn.

One plain style: black and greys with a marker and a line style of its own for everything, so that a photocopy keeps all
of it; two axes instead of a frame, no grid, and names written beside what they name instead of in a legend.
"""

from __future__ import annotations

import importlib
import io
import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tiltwright.files.diagnostics import option_error, sanitized

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "LARGE",
    "SMALL",
    "as_file",
    "headline",
    "label",
    "new_figure",
    "picture_ending",
    "plain_axes",
]

ENDINGS = (".png", ".svg", ".pdf")
SMALL, LARGE = 8, 10
"""Sizes of type, points."""
_SIGNATURE = re.compile(rb"<!-- Created with [^>]*-->\s*|(?<=id=\")matplotlib[.]")
"""The plotting library's name in an SVG."""
_LONGEST_NAME = 28
_DPI = 150
_BACKENDS = {"png": "agg", "svg": "svg", "pdf": "pdf"}


def picture_ending(path: Path) -> str:
    """The ending of a picture named at --plot, in small letters.

    Raises
    ------
    InputFaults
        When no picture of that ending is drawn.

    Examples
    --------
    >>> picture_ending(Path("drift.PNG"))
    '.png'
    >>> picture_ending(Path("drift.bmp"))
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --plot: found the ending ".bmp"; allowed: .png, .svg, .pdf
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise option_error("--plot", f'the ending "{path.suffix}"', ", ".join(ENDINGS))
    return ending


def new_figure(wide: float, high: float) -> Figure:
    """An empty figure in inches; never one of pyplot's, which would keep every figure alive."""
    from matplotlib.figure import Figure

    return Figure(figsize=(wide, high), layout="constrained")


def as_file(figure: Figure, ending: str) -> bytes:
    """Content of a figure's file, without the date and the counters that would make every file differ."""
    import matplotlib as mpl

    metadata: dict[str, dict[str, Any]] = {
        ".png": {"Title": "tiltwright", "Software": "tiltwright"},
        ".svg": {"Title": "tiltwright", "Creator": "tiltwright", "Date": None},
        ".pdf": {
            "Title": "tiltwright",
            "Creator": "tiltwright",
            "Producer": "tiltwright",
            "CreationDate": None,
        },
    }
    content = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "tiltwright", "svg.fonttype": "path"}), warnings.catch_warnings():
        # A name may hold a sign that the plot's font lacks; a box in the picture tells that well enough.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        # Not by savefig, which draws everything twice, the first time only to find a tight box that is not asked for.
        figure.dpi = _DPI
        form = ending.removeprefix(".")
        backend: Any = importlib.import_module(f"matplotlib.backends.backend_{_BACKENDS[form]}")
        getattr(backend.FigureCanvas(figure), f"print_{form}")(content, metadata=metadata[ending])
    return _SIGNATURE.sub(b"", content.getvalue()) if ending == ".svg" else content.getvalue()


def label(text: str, longest: int = _LONGEST_NAME) -> str:
    """A text in which nothing is a formula, cut to a readable length."""
    plain = sanitized(text)
    plain = plain if len(plain) <= longest else plain[: longest - 1] + "…"
    return plain.replace("\\", "\N{FULLWIDTH REVERSE SOLIDUS}").replace("$", r"\$")


def plain_axes(axes: Axes, title: str) -> None:
    """Our style: a title at the left, two axes, ticks inward, no grid."""
    axes.set_title(title, loc="left", fontsize=LARGE, weight="bold")
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color("0.3")
    axes.tick_params(labelsize=SMALL, direction="in", color="0.3")
    axes.set_axisbelow(True)


def headline(figure: Figure, text: str) -> None:
    """Set the title of a whole figure, at the left."""
    figure.suptitle(label(text, 70), x=0.01, ha="left", fontsize=LARGE + 2, weight="bold")
