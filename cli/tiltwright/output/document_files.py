"""The files that a document is written to."""

from __future__ import annotations

from pathlib import Path

from tiltwright.output.document import Document
from tiltwright.output.document_markdown import document_markdown
from tiltwright.output.document_text import document_text
from tiltwright.output.typesetting import Paper

__all__ = ["document_files"]


def document_files(document: Document, path: Path, paper: Paper) -> dict[Path, str | bytes]:
    """Contents by file for a name that ends in .pdf, .md or .txt; Markdown has its drawings in files beside it.

    The Markdown file comes last, so that it never refers to a drawing that is not there yet.
    """
    ending = path.suffix.lower()
    if ending == ".pdf":
        from tiltwright.output.document_pdf import document_pdf

        return {path: document_pdf(document, paper)}
    if ending == ".txt":
        return {path: document_text(document)}
    drawings = {
        path.with_name(f"{path.stem}-{n}.svg"): p.svg for n, p in enumerate(document.pictures, start=1)
    }
    files: dict[Path, str | bytes] = dict(drawings)
    files[path] = document_markdown(document, [drawing.name.replace(" ", "%20") for drawing in drawings])
    return files
