"""Conversion factors that are exact by definition."""

__all__ = ["MM_PER_INCH"]

MM_PER_INCH = 25.4
"""International yard and pound agreement of 1959."""
