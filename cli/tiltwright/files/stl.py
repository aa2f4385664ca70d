"""Closed solids from STL files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kinematics.reach import Mesh

__all__ = ["read_stl"]

_LARGEST_BYTES = 400_000_000


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
    from tiltwright.files.toml_source import remember

    remember(path, "a mesh")

    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise ValueError("a file of more than 400 MB")
    except OSError as fault:
        raise ValueError(f"{fault.strerror.lower() if fault.strerror else fault}: {path.name}") from None
    try:
        with path.open("rb") as stream:
            loaded = trimesh.load_mesh(stream, file_type="stl", process=False)
    except OSError as fault:
        raise ValueError(f"a file that cannot be read ({fault.strerror})") from None
    except Exception as fault:  # noqa: BLE001 - on bad bytes the reader raises errors of any type
        raise ValueError(f"a file that is not STL ({type(fault).__name__})") from None
    if not isinstance(loaded, trimesh.Trimesh) or not len(loaded.faces):
        raise ValueError("a file without triangles")
    loaded.merge_vertices(merge_tex=True, merge_norm=True)
    try:
        return Mesh(loaded.vertices * unit_mm, loaded.faces)
    except KinematicsError as refusal:
        raise ValueError(str(refusal)) from None
