"""The page in three dimensions: its contract, what it shows, and the files that a browser runs."""
