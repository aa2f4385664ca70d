"""The error that the library raises."""

from __future__ import annotations

__all__ = ["KinematicsError"]


class KinematicsError(ValueError):
    """Invalid argument; the message states what was expected and what was found."""
