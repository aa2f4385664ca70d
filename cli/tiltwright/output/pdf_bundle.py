"""Several PDFs bound into one, every page as it is."""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tiltwright.output.typesetting import FAMILY, compiled, printable

__all__ = ["bundled"]

_PAGE = re.compile(rb"/Type\s*/Page\b")
_TEMPLATE = """\
#let data = json(bytes(sys.inputs.bundle))
#set document(title: data.title, date: none)
#set page(margin: 0mm, width: auto, height: auto)
#set text(font: data.family)
#for (file, title, pages) in data.parts {
  for number in range(pages) {
    page({
      if number == 0 { place(hide(heading(text(1pt, title)))) } // a bookmark where a part begins
      image(file, page: number + 1, alt: title + ", page " + str(number + 1))
    })
  }
}
"""


def bundled(title: str, parts: Sequence[tuple[str, bytes]]) -> bytes:
    """Several PDFs as one, with a bookmark for each; the same parts give the same bytes.

    Parameters
    ----------
    title : str
    parts : sequence of (str, bytes)
        Bookmark and PDF, as `typesetting.render` makes it.
    """
    with tempfile.TemporaryDirectory() as folder:
        template = Path(folder) / "bundle.typ"
        template.write_text(_TEMPLATE, encoding="utf-8")
        listed = []
        for number, (name, pdf) in enumerate(parts):
            (Path(folder) / f"{number}.pdf").write_bytes(pdf)
            listed.append((f"{number}.pdf", printable(name), len(_PAGE.findall(pdf))))
        data = {"title": printable(title), "family": FAMILY, "parts": listed}
        made = compiled(template, Path(folder), {"bundle": json.dumps(data, ensure_ascii=False)})
    assert isinstance(made, bytes)  # a PDF is one document
    return made
