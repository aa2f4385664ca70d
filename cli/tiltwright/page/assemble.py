"""The page as one file: its HTML, its own scripts and styles beside this module, and the data of the contract.

Only what stands in the file runs: the content policy names the hash of each script and style, and nothing else may be
loaded. Names from files travel as JSON in which no ``<`` is left, and the scripts set them as text.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from importlib import resources
from typing import Any

__all__ = ["FIT_SCRIPTS", "SETUP_SCRIPTS", "fit_html", "setup_html"]

_SHARED = ("numbers.js", "vectors.js", "solids.js", "eye.js", "raster.js", "marks.js", "picture.js", "dom.js")
SETUP_SCRIPTS = (
    *_SHARED,
    "setup_model.js",
    "setup_marks.js",
    "steps.js",
    "setup_page.js",
    "setup_start.js",
)
FIT_SCRIPTS = (*_SHARED, "fit_page.js", "fit_start.js")
STYLES = ("page.css",)


def setup_html(page: dict[str, Any]) -> str:
    """The page of a job, from its contract."""
    return _assemble("Setup", "setup", "setup.html", SETUP_SCRIPTS, page)


def fit_html(page: dict[str, Any]) -> str:
    """The page of a fit, from its contract."""
    return _assemble("Pivot fit", "readings", "fit.html", FIT_SCRIPTS, page)


def _assemble(title: str, shown: str, main: str, scripts: Sequence[str], page: dict[str, Any]) -> str:
    """A self-contained HTML file: the frame, with a page's own part, scripts and data in it.

    Parameters
    ----------
    title, shown : str
        Of the page, and what its picture shows.
    main : str
        The HTML file of the page's own part.
    scripts : sequence of str
        In the order in which they run.
    page : dict
        The contract; no NaN or infinity.
    """
    run = [_compact(_text(name)) for name in scripts]
    styles = [_close(_compact(_text(name))) for name in STYLES]
    policy = f"default-src 'none'; script-src {_hashes(run)}; style-src {_hashes(styles)}; base-uri 'none'; form-action 'none'"
    filled = {
        "TITLE": title,
        "SHOWN": shown,
        "MAIN": _text(main).rstrip("\n"),
        "POLICY": policy,
        "STYLES": "\n".join(f"<style>{style}</style>" for style in styles),
        "DATA": _inert_json(page),
        "SCRIPTS": "\n".join(f"<script>{script}</script>" for script in run),
    }
    # From the frame's own places only: data that holds such a place must stay data.
    pieces = _text("frame.html").replace("}}", "{{").split("{{")
    return "".join(filled[piece] if i % 2 else piece for i, piece in enumerate(pieces))


def _compact(text: str) -> str:
    """A script or style without indentation and comments: the reader of a page never sees them, and waits for each byte.

    A comment of ours starts with two slashes and a space, which no string in the scripts has.
    """
    lines = (line.split("// ", 1)[0].strip() for line in text.splitlines())
    return "\n".join(filter(None, lines))


def _close(style: str) -> str:
    """A style without the blanks about its signs, where they mean nothing."""
    return re.sub(r" ?([{};]) ?|(?<=[:,]) ", r"\1", style)


def _text(name: str) -> str:
    return resources.files("tiltwright.page").joinpath(name).read_text(encoding="utf-8")


def _hashes(texts: Sequence[str]) -> str:
    digests = (hashlib.sha256(text.encode()).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def _inert_json(page: dict[str, Any]) -> str:
    """JSON that ends no script element and starts no comment, whatever the names in it."""
    text = json.dumps(_short(page), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    for sign in "<\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _short(value: Any) -> Any:  # noqa: ANN401 - anything that JSON holds
    """The same with whole numbers as such: a page has hundreds of 0.0."""
    if isinstance(value, float) and value.is_integer() and abs(value) < _WHOLE:
        return int(value)
    if isinstance(value, dict):
        return {key: _short(one) for key, one in value.items()}
    return [_short(one) for one in value] if isinstance(value, (list, tuple)) else value


_WHOLE = 1e6
