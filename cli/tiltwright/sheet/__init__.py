"""The setup sheet: its contents, the side views to scale, and the typeset page."""
