"""A dump as data: checks, blocks, memory descriptions, edits, differences. Pure functions."""
