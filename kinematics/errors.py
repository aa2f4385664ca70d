"""What the library raises when it is asked something that has no answer."""

from __future__ import annotations

__all__ = ["KinematicsError"]


class KinematicsError(ValueError):
    """A value that cannot be worked with: the message tells what was expected and what was found."""
