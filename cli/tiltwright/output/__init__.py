"""Formats of answers: numbers, tables, JSON, CSV, G-code, documents and pages; no feature is known here."""

from __future__ import annotations
