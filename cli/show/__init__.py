"""How answers look: numbers, tables, JSON, CSV and G-code. One source for the numbers, `numbers`."""
