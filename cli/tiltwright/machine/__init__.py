"""Machine files: questions that make one, and what follows from one."""
