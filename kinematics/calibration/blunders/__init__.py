"""Blunders of a calibration: hypotheses of gross mistakes, tested against the readings."""
