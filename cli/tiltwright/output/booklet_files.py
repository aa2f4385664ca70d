"""The files that a booklet becomes."""

from __future__ import annotations

from pathlib import Path

from tiltwright.output.booklet import Booklet, booklet_markdown, booklet_text
from tiltwright.output.typesetting import Paper

__all__ = ["booklet_files"]


def booklet_files(booklet: Booklet, path: Path, paper: Paper) -> dict[Path, str | bytes]:
    """What to write for a name with the ending .pdf, .md or .txt; Markdown has its drawings in files beside it.

    The Markdown file comes last, so that it never refers to a drawing that is not there yet.
    """
    ending = path.suffix.lower()
    if ending == ".pdf":
        from tiltwright.output.booklet_pages import booklet_pdf

        return {path: booklet_pdf(booklet, paper)}
    if ending == ".txt":
        return {path: booklet_text(booklet)}
    drawings = {
        path.with_name(f"{path.stem}-{n}.svg"): p.svg for n, p in enumerate(booklet.pictures, start=1)
    }
    files: dict[Path, str | bytes] = dict(drawings)
    files[path] = booklet_markdown(booklet, [drawing.name.replace(" ", "%20") for drawing in drawings])
    return files
