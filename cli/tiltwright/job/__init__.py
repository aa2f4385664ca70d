"""Jobs: evaluated, with the messages about them, and their offsets as text, JSON, CSV and G-code."""
