"""The case file: its strict models, and plain words for what they refuse."""
