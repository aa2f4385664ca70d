"""Closed solids from STL files."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kinematics.reach import Mesh

__all__ = ["read_stl"]

_LARGEST_BYTES = 60_000_000
_MOST_TRIANGLES = 350_000
"""With them a reach takes 470 MB; tests/benchmarks/bench_limits.py measures it."""
_COARSER = f"at most {_MOST_TRIANGLES} triangles: export it more coarsely, a tenth of a millimetre is fine for clearances"


def read_stl(path: Path, unit_mm: float) -> Mesh:
    """A solid from an STL file, text or binary.

    Corners with equal coordinates are merged; nothing else is repaired.

    Parameters
    ----------
    path : Path
    unit_mm : float
        Millimetres per unit of the file: an STL file does not state its unit.

    Raises
    ------
    ValueError
        When it is no STL file or its surface is not closed; the text says what was found.
    """
    import trimesh

    from kinematics import KinematicsError
    from kinematics.reach import Mesh
    from tiltwright.files.toml_source import open_regular, remember

    remember(path, "a mesh")

    try:
        with open_regular(path) as stream:
            raw = stream.read(_LARGEST_BYTES + 1)
    except FileNotFoundError as fault:
        raise ValueError(f"no such file or directory: {path.name}") from fault
    except OSError as fault:
        raise ValueError(f"a file that cannot be read ({fault.strerror or fault})") from None
    if len(raw) > _LARGEST_BYTES:
        raise ValueError(f"a file of more than 60 MB; {_COARSER}")
    try:
        loaded = trimesh.load_mesh(io.BytesIO(raw), file_type="stl", process=False)
    except Exception as fault:  # noqa: BLE001 - on bad bytes the reader raises errors of any type
        raise ValueError(f"a file that is not STL ({type(fault).__name__})") from None
    if not isinstance(loaded, trimesh.Trimesh) or not len(loaded.faces):
        raise ValueError("a file without triangles")
    if len(loaded.faces) > _MOST_TRIANGLES:
        raise ValueError(f"{len(loaded.faces)} triangles; {_COARSER}")
    loaded.merge_vertices(merge_tex=True, merge_norm=True)
    try:
        return Mesh(loaded.vertices * unit_mm, loaded.faces)
    except KinematicsError as refusal:
        raise ValueError(str(refusal)) from None
