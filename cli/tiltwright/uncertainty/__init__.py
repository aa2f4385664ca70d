"""What is uncertain in a job, and the budget of its offsets, features and seams."""
