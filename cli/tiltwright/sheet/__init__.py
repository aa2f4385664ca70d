"""The printed setup sheet: one value, shown on screen, as text, as Markdown, and typeset with drawings to scale."""
