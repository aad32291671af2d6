"""The public findings file: its model, how it is written, what changed between two."""
