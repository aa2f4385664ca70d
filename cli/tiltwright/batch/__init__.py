"""A batch of parts: every part's own zero, the record of what was probed, its charts, and the run."""
