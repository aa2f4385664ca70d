"""Reach of a job: the collision model, its analysis, and the answer as text, JSON and pictures."""
