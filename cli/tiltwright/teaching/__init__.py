"""Workings, assessments and exercises as documents, and answers read back, for student and instructor."""
