"""The terminal: guarded output, colours, exit codes, and faults of usage."""
