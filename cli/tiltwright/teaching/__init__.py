"""For student and instructor: workings, verdicts and exercises as text, Markdown and pages, and answers read back."""
