"""Uncertainty of a job: its sources, the budget of its offsets, features and seams, and corrections from measured parts."""
