"""A job evaluated: offsets, messages, and the offsets as text, JSON, CSV and G-code."""
