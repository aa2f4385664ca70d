"""Output formats: numbers, tables, JSON, CSV, G-code, documents, drawings and pages."""

from __future__ import annotations
